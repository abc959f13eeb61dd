//! `lobline rig`: a first rig file from a clip, with comments that say what to fill in.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use clap::Args;

use super::output::{CommandError, Console, Exit};
use crate::camera::card::{FoundCard, find_cards};
use crate::camera::still::StillPicture;
use crate::camera::{Camera, View};
use crate::clip::{self, ClipError, ClipInfo, ClipReport, Clock, ReadOptions};
use crate::rig::{Rig, SPORT_BALLS};

/// Write a first rig file from a clip: what lobline sees by itself, and what you can add.
#[derive(Debug, Args)]
#[command(after_long_help = all_fields())]
pub struct RigArguments {
    /// The clip, or a folder of pictures.
    clip: PathBuf,
    /// Pictures per second, for a folder of pictures.
    #[arg(long, value_name = "HZ")]
    picture_rate: Option<f64>,
    /// Where to write the rig; without it, it is printed.
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// What a clip tells without a flight being looked for.
struct Seen {
    info: ClipInfo,
    report: ClipReport,
    /// At which the file plays.
    rate_hz: Option<f64>,
    cards: Vec<FoundCard>,
}

/// Reads the clip once and writes the rig.
pub fn run(arguments: &RigArguments, console: &Console) -> Result<(), CommandError> {
    arguments.output.as_deref().map_or(Ok(()), |path| console.may_write(path))?;
    let seen = look(&arguments.clip, arguments.picture_rate)?;
    let text = rig_text(&seen);
    let Some(path) = &arguments.output else {
        console.result(text.trim_end());
        return Ok(());
    };
    console.write(path, text.as_bytes())?;
    console.result(path.display());
    Ok(())
}

fn look(path: &Path, picture_rate_hz: Option<f64>) -> Result<Seen, CommandError> {
    let options = ReadOptions { picture_rate_hz, ..ReadOptions::default() };
    let mut source = clip::open(path, &options).map_err(|error| clip_error(&error))?;
    let mut still = StillPicture::new();
    let mut stamps = Vec::new();
    while let Some(frame) = source.next_frame().map_err(|error| clip_error(&error))? {
        still.push(&frame.picture);
        stamps.push(frame.stamp_s);
    }
    // The clock that `measure` would take; frames that are missing at an end or in a gap don't change its rate.
    let clock = Clock::build(&stamps, source.info(), &source.report(), None).ok().filter(|_| stamps.len() > 1);
    let rate_hz = clock.map(|clock| clock.frame_rate_hz / clock.slow_factor);
    let cards = still.finish().map_or(Vec::new(), |(plane, transfer)| find_cards(&plane, transfer));
    Ok(Seen { info: source.info().clone(), report: source.report(), rate_hz, cards })
}

/// An error of reading a clip on its way to the user.
pub(super) fn clip_error(error: &ClipError) -> CommandError {
    let exit = match error {
        ClipError::BadRate(_) | ClipError::NoPictureRate(_) | ClipError::NoTimes => Exit::WrongUse,
        _ => Exit::BadInput,
    };
    let plain = CommandError::new(exit, error);
    match error.hint() {
        Some(hint) => plain.with_hint(hint),
        None => plain,
    }
}

fn rig_text(seen: &Seen) -> String {
    let info = &seen.info;
    let mut text = String::new();
    // Writing to a String can't fail.
    let _ = writeln!(text, "# What is known of the set-up filmed in {}.", info.name.escape_default());
    let rate = seen.rate_hz.map_or("of unknown rate".to_owned(), |rate| format!("at {rate:.2} frames per second"));
    let _ = writeln!(text, "# {} × {} pixels, {} frames {rate}.", info.width, info.height, seen.report.frames);
    text.push_str("# Lines that begin with # are suggestions: remove the # and put your own value.\n\n");
    for remark in &seen.report.remarks {
        let _ = writeln!(text, "# Mind: {}", remark.message());
    }
    match info.capture_rate_hz() {
        Some(rate) => {
            let _ = writeln!(text, "# The file says itself that it was recorded at {rate:.0} frames per second.");
        }
        None => text
            .push_str("# Slow motion whose file doesn't say so: the rate of recording.\n# capture_rate = \"240 Hz\"\n"),
    }
    text.push_str(&scale_text(seen));
    text.push_str(&ball_text());
    text.push_str(&camera_text(info.width, info.height));
    text.push_str(REST);
    text
}

/// Every field with an example, for a picture of the usual size.
fn all_fields() -> String {
    let (w, h) = (1920, 1080);
    let text = format!(
        "Fields of a rig, each with an example; all may be left out. `1.00(2) m` means a standard uncertainty of 2 in the last \
         digit; `1.00 m u 2 cm` says the same.\n\ncapture_rate = \"240 Hz\"\n\n[scale]\n{}{}{}{REST}",
        lengths_text(w, h),
        ball_text(),
        camera_text(w, h)
    );
    // Sentences stay comments; examples are shown as they would stand in a rig.
    let shown =
        |line: &str| line.strip_prefix("# ").filter(|rest| rest.contains(" = ")).unwrap_or(line).to_owned() + "\n";
    text.lines().map(shown).collect()
}

fn scale_text(seen: &Seen) -> String {
    let mut text = "\n[scale]\n".to_owned();
    if seen.cards.is_empty() {
        let (w, h) = (seen.info.width, seen.info.height);
        let _ = writeln!(
            text,
            "# No scale card was found. Mark a known length, or let the ball's own size be the scale.\n{}",
            lengths_text(w, h).trim_end()
        );
        return text;
    } else {
        let names: Vec<String> =
            seen.cards.iter().map(|card| format!("{} ({} marks)", card.name.words(), card.marks.len())).collect();
        let _ = writeln!(text, "# Found: {}. Nothing needs to be marked.", names.join(", "));
        let mut view = View::new(seen.info.width, seen.info.height);
        view.cards = seen.cards.clone();
        if let Ok(camera) = Camera::from_rig(&Rig::default(), &view) {
            let scale = camera.metres_per_pixel(view.centre()) * 1000.0;
            let _ =
                writeln!(text, "# One pixel is {scale:.3} mm in the middle of the picture; {}.", camera.description());
        }
    }
    text.push_str(OFFSET);
    text
}

const OFFSET: &str = "# How much nearer to the camera than the flight the scale is; behind it is negative. At 3 m, 1 cm is 0.3 % of g.\n\
                      # offset = \"0(1) cm\"\n";

/// What can be marked in a picture of that size.
fn lengths_text(w: usize, h: usize) -> String {
    let (left, right, top, bottom) = (w / 4, w * 3 / 4, h / 4, h * 3 / 4);
    format!(
        "# Both ends of a known length, in pixels from the top left; several are adjusted together:\n\
         # lengths = [\"{left},{bottom} to {right},{bottom} = 0.500 m\"]\n\
         # One that lies level or hangs plumb, and so gives the vertical as well:\n\
         # horizontal = \"{left},{bottom} to {right},{bottom} = 0.500 m\"\n\
         # vertical = \"{left},{bottom} to {left},{top} = 0.500 m\"\n\
         # Four corners from the bottom left on, anticlockwise; upright means that its sides hang plumb:\n\
         # rectangle = {{ corners = \"{left},{bottom} {right},{bottom} {right},{top} {left},{top}\", width = \"90 cm\", \
         height = \"60 cm\", upright = true }}\n\
         # How well the ends were marked, and whether the ball's own size counts as a length too:\n\
         # end_uncertainty = \"1 px\"\n\
         # ball = true\n{OFFSET}"
    )
}

fn ball_text() -> String {
    let sports: Vec<&str> = SPORT_BALLS.iter().map(|ball| ball.sport).collect();
    format!(
        "\n[ball]\n# One of: {}.\n# sport = \"tennis\"\n# Or its size and mass:\n# diameter = \"70.0(5) mm\"\n# mass = \"13 g\"\n\
         # drag_coefficient = \"0.47(5)\"\n",
        sports.join(", ")
    )
}

fn camera_text(w: usize, h: usize) -> String {
    format!(
        "
[camera]
# From the lens to the plane of the flight, square to it.
# distance = \"3.00(2) m\"
# Two points of a plumb line or of an upright edge, in pixels; else the card or the picture gives the vertical.
# plumb = \"{},{} to {},{}\"
# How far the camera stands to the right of the square view, looks up, and is turned clockwise.
# yaw = \"0(2) deg\"
# pitch = \"0(2) deg\"
# roll = \"0(1) deg\"
# Time from the picture's first row to its last, and which way the rows run in the picture: down, up, right or left.
# readout = \"15(2) ms\"
# readout_direction = \"down\"
# From `lobline lens`:
# focal_length = \"{}(10) px\"
# principal_point = \"{:.1},{:.1}\"
# k1 = \"-0.08(1)\"
# k2 = \"0.02(1)\"
",
        w / 3,
        h / 12,
        w / 3 + 2,
        h * 7 / 8,
        w.max(h) * 4 / 5,
        (w as f64 - 1.0) / 2.0,
        (h as f64 - 1.0) / 2.0
    )
}

const REST: &str = "
[place]
# g here: either latitude and height above the sea, or g itself.
# latitude = \"52.4 deg\"
# height = \"100 m\"
# g = \"9.8123(3) m/s2\"

[air]
# For a light ball; else that of a room.
# temperature = \"21 degC\"
# pressure = \"1013 hPa\"
# humidity = \"50 %\"
# Or all three in one:
# density = \"1.19(1) kg/m3\"

[launcher]
# name = \"wooden catapult\"
# setting = \"notch 3\"
# Where the ball leaves it, in pixels from the top left, and how high above the floor that is.
# point = \"210,640\"
# height = \"85 cm\"
# What you expect of it, for forecasts:
# speed = \"4.00(5) m/s\"
# angle = \"52.0(5) deg\"

[card]
# What the bar of the printed card measures with a ruler, if not 150.0 mm.
# measured_bar = \"149.5(2) mm\"
# Not to look for cards at all:
# ignore = true
";

#[cfg(test)]
mod tests {
    use super::*;

    fn seen() -> Seen {
        let info = ClipInfo {
            name: "open-day.mp4".to_owned(),
            width: 1920,
            height: 1080,
            codec: "h264".to_owned(),
            container: "mov".to_owned(),
            stated_rate_hz: Some(60.0),
            capture_rate_tag_hz: None,
            quarter_turns: 0,
            mirrored: false,
            pixel_aspect_applied: false,
            dynamic_range: "SDR".to_owned(),
            bit_depth: 8,
            rows_along_y: true,
        };
        Seen { info, report: ClipReport::default(), rate_hz: Some(59.94), cards: Vec::new() }
    }

    /// The hint of a rig that can't be read sends people here.
    #[test]
    fn the_long_help_lists_every_field() {
        let help = all_fields();
        let read = include_str!("../rig/read.rs");
        let typed = &read[read.find("struct TypedRig ").unwrap()..read.find("pub(super) fn rig(").unwrap()];
        let fields = typed.lines().filter_map(|line| line.strip_prefix("    ")?.split_once(": "));
        let missing: Vec<&str> = fields
            .map(|(field, _)| field)
            .filter(|field| field.chars().all(|c| c.is_ascii_lowercase() || c == '_' || c.is_ascii_digit()))
            .filter(|field| !help.contains(&format!("{field} = ")) && !help.contains(&format!("[{field}]")))
            .collect();
        assert!(missing.is_empty(), "{missing:?}");
    }

    #[test]
    fn the_first_rig_is_one_as_it_is_and_with_all_suggestions_taken() {
        let text = rig_text(&seen());
        assert_eq!(Rig::parse(&text).unwrap(), Rig::default());
        // Suggestions are lines `# field = value`; sentences have no equals sign.
        let taken: String = text
            .lines()
            .map(|line| line.strip_prefix("# ").filter(|rest| rest.contains(" = ")).unwrap_or(line).to_owned() + "\n")
            .collect();
        let rig = Rig::parse(&taken).unwrap();
        assert_eq!(rig.scale.lengths.len(), 1);
        assert!(rig.scale.rectangle.is_some() && rig.scale.ball && rig.place.g_m_per_s2.is_some());
        assert!(rig.camera.plumb.is_some() && rig.ball.mass_kg.is_some() && rig.card.measured_bar.is_some());
    }
}
