//! What was typed, and what it means.

use std::path::PathBuf;

use clap::Args;

use super::class::ClassArguments;
use super::forecast::ForecastArguments;
use super::record::RecordArguments;
use crate::cli::output::{CommandError, Console, Exit};
use crate::cli::statement::BookOptions;
use crate::clip::RATES_HZ;
use crate::measure::{Mending, QUICK_RUN, Settings};
use crate::report::figure::{Sheet, Style, Theme};
use crate::report::numbers::DecimalMark;
use crate::report::outputs::OutputOptions;
use crate::rig::{Rig, ScaleLine, parse_point, parse_segment};
use crate::sight::FindOptions;
use crate::units::PixelPoint;

/// Measure the launch speed, launch angle and gravity of the flights in a clip.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("with_book").args(["record", "from_book"]).multiple(true))]
pub struct MeasureArguments {
    /// Recordings, or folders of pictures.
    #[arg(required = true, value_name = "CLIP")]
    pub clips: Vec<PathBuf>,
    /// Known length between two points of the picture, as `120,640 to 880,642 = 0.500 m`; goes before the rig's.
    #[arg(long, value_name = "LENGTH")]
    pub scale: Option<String>,
    /// What is known of the set-up (TOML): scale, ball, camera, place.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Frames per second at which the clip was recorded, when the file doesn't say so or says it wrongly.
    #[arg(long, value_name = "HZ")]
    pub capture_rate: Option<f64>,
    /// Frames per second of a folder of pictures.
    #[arg(long, value_name = "HZ")]
    pub picture_rate: Option<f64>,
    /// Which moving picture of a file that holds several, counted from 1.
    #[arg(long, value_name = "N")]
    pub track: Option<usize>,
    /// Look for the ball only in this part of the picture, as `200,0 to 1280,700` (two corners).
    #[arg(long, value_name = "CORNERS")]
    pub region: Option<String>,
    /// Look for the ball only in this time of the clip, as `0.4 to 1.6` (seconds).
    #[arg(long, value_name = "TIMES")]
    pub time: Option<String>,
    /// The ball's colour, as `#ff8020` (red, green, blue).
    #[arg(long, value_name = "COLOUR")]
    pub ball_colour: Option<String>,
    /// The ball's place in one frame, as `frame 42: 512,300`.
    #[arg(long, value_name = "PLACE")]
    pub ball_at: Option<String>,
    /// File of sightings dropped, moved or added by hand.
    #[arg(long, value_name = "FILE")]
    pub mend: Option<PathBuf>,
    /// Confirm the intervals by a Monte Carlo run over all inputs; takes some seconds more.
    #[arg(long)]
    pub monte_carlo: bool,
    /// Print the uncertainty budget in full as well; for one clip.
    #[arg(long, conflicts_with = "json")]
    pub budget: bool,
    /// Write table, graphs, strobe picture and the JSON into this folder.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print one JSON object instead of words.
    #[arg(long)]
    pub json: bool,
    /// Write numbers with a decimal comma.
    #[arg(long)]
    pub decimal_comma: bool,
    /// Write all further graphs, the lab sheet (web page and PDF) and a spreadsheet as well.
    #[arg(long, requires = "out")]
    pub hand_in: bool,
    /// Draw the graphs for a slide: 1600 × 900 pixels.
    #[arg(long, requires = "out")]
    pub slide: bool,
    /// Draw the graphs light on dark.
    #[arg(long, requires = "out")]
    pub dark: bool,
    #[command(flatten)]
    pub forecast: ForecastArguments,
    #[command(flatten)]
    pub record: RecordArguments,
    #[command(flatten)]
    pub shots_of: BookOptions,
    #[command(flatten)]
    pub class: ClassArguments,
}

impl MeasureArguments {
    pub fn decimal_mark(&self) -> DecimalMark {
        if self.decimal_comma { DecimalMark::Comma } else { DecimalMark::Point }
    }

    /// How the files look; `clip` goes into the command that the lab sheet shows.
    pub fn output_options(&self, clip: &std::path::Path, console: &Console) -> OutputOptions {
        let style = Style {
            theme: if self.dark { Theme::Dark } else { Theme::Light },
            sheet: if self.slide { Sheet::Slide } else { Sheet::Page },
            decimal_mark: self.decimal_mark(),
            ..Style::default()
        };
        OutputOptions {
            style,
            hand_in: self.hand_in,
            command: Some(self.command(clip)),
            keep_existing: !console.overwrites(),
        }
    }

    /// What gives the same numbers again.
    fn command(&self, clip: &std::path::Path) -> String {
        let mut command = format!("lobline measure {}", quoted(&clip.display().to_string()));
        let path = |path: &Option<PathBuf>| path.as_ref().map(|path| path.display().to_string());
        let number = |number: Option<f64>| number.map(|number| number.to_string());
        let options = [
            ("scale", self.scale.clone()),
            ("rig", path(&self.rig)),
            ("groups", self.class.groups_file()),
            ("capture-rate", number(self.capture_rate)),
            ("picture-rate", number(self.picture_rate)),
            ("track", self.track.map(|track| track.to_string())),
            ("region", self.region.clone()),
            ("time", self.time.clone()),
            ("ball-colour", self.ball_colour.clone()),
            ("ball-at", self.ball_at.clone()),
            ("mend", path(&self.mend)),
        ];
        let typed = options.into_iter().filter_map(|(name, value)| Some((name, value?)));
        for (name, value) in typed.chain(self.forecast.typed(&self.shots_of)) {
            command += format!(" --{name} {}", quoted(&value)).trim_end();
        }
        if self.monte_carlo {
            command += " --monte-carlo";
        }
        command
    }

    /// # Errors
    /// Wrong use, with what to type instead.
    pub fn settings(&self) -> Result<Settings, CommandError> {
        for rate in [self.capture_rate, self.picture_rate].into_iter().flatten() {
            if !RATES_HZ.contains(&rate) {
                return Err(wrong(
                    format!("no camera records {rate} frames per second"),
                    "give frames per second, from 1 to 100000, such as 240",
                ));
            }
        }
        Ok(Settings {
            rig: self.rig()?,
            find: self.find()?,
            capture_rate_hz: self.capture_rate,
            picture_rate_hz: self.picture_rate,
            track: self.track,
            mending: match &self.mend {
                Some(path) => Mending::read(path).map_err(|error| wrong(&error, error.hint()))?,
                None => Mending::default(),
            },
            monte_carlo: self.monte_carlo.then_some(QUICK_RUN),
        })
    }

    fn rig(&self) -> Result<Rig, CommandError> {
        let rig = match &self.rig {
            Some(path) => Rig::read(path).map_err(|error| wrong(&error, error.hint()))?,
            None => Rig::default(),
        };
        self.with_scale(rig)
    }

    /// The rig with the length that was typed, which goes before any other.
    pub fn with_scale(&self, mut rig: Rig) -> Result<Rig, CommandError> {
        if let Some(text) = &self.scale {
            let line = ScaleLine::parse(text).map_err(|error| wrong(format!("`--scale`: {error}"), error.hint()))?;
            rig.scale = crate::rig::Scale {
                lengths: vec![line],
                horizontal: None,
                vertical: None,
                rectangle: None,
                ball: false,
                ..rig.scale
            };
        }
        Ok(rig)
    }

    fn find(&self) -> Result<FindOptions, CommandError> {
        Ok(FindOptions {
            region_px: self.region.as_deref().map(region).transpose()?,
            window_s: self.time.as_deref().map(times).transpose()?,
            colour: self.ball_colour.as_deref().map(colour).transpose()?,
            shown_at: self.ball_at.as_deref().map(place).transpose()?,
            ..FindOptions::default()
        })
    }
}

fn wrong(message: impl std::fmt::Display, hint: impl std::fmt::Display) -> CommandError {
    CommandError::new(Exit::WrongUse, message).with_hint(hint)
}

fn region(text: &str) -> Result<(f64, f64, f64, f64), CommandError> {
    let (a, b) = parse_segment(text).map_err(|error| {
        wrong(format!("`--region`: {error}"), "give two corners in pixels, such as `200,0 to 1280,700`")
    })?;
    Ok((a.x.min(b.x), a.y.min(b.y), a.x.max(b.x), a.y.max(b.y)))
}

fn times(text: &str) -> Result<(f64, f64), CommandError> {
    let parsed =
        text.split_once(" to ").and_then(|(from, to)| Some((from.trim().parse().ok()?, to.trim().parse().ok()?)));
    match parsed {
        Some((from, to)) if from < to => Ok((from, to)),
        _ => Err(wrong(
            format!("`--time`: `{text}` is not a time span"),
            "give two times in seconds, the earlier first, such as `0.4 to 1.6`",
        )),
    }
}

/// Luma, cb and cr of a colour, by the coefficients of ITU-R BT.709.
fn colour(text: &str) -> Result<[f32; 3], CommandError> {
    let digits = text.trim().trim_start_matches('#');
    let value = u32::from_str_radix(digits, 16).ok().filter(|_| digits.len() == 6).ok_or_else(|| {
        wrong(
            format!("`--ball-colour`: `{text}` is not a colour"),
            "give red, green and blue as six digits, such as `#ff8020`",
        )
    })?;
    let [_, red, green, blue] = value.to_be_bytes().map(f32::from);
    let luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue;
    Ok([luma, 128.0 + (blue - luma) / 1.8556, 128.0 + (red - luma) / 1.5748])
}

fn place(text: &str) -> Result<(usize, PixelPoint), CommandError> {
    let parsed = text
        .trim()
        .strip_prefix("frame")
        .and_then(|rest| rest.split_once(':'))
        .and_then(|(frame, at)| Some((frame.trim().parse().ok()?, parse_point(at).ok()?)));
    parsed.ok_or_else(|| {
        wrong(
            format!("`--ball-at`: `{text}` is not a place"),
            "give a frame and a point in pixels, such as `frame 42: 512,300`",
        )
    })
}

/// In quotes where a shell would take it apart.
fn quoted(text: &str) -> String {
    if text.contains([' ', '#', '°', '(', ')', '&', '\'']) { format!("\"{text}\"") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        measure: MeasureArguments,
    }

    #[test]
    fn the_sheet_shows_the_command_with_its_forecast() {
        let typed = ["lobline", "my shot.mp4", "--forecast", "--from-book", "--launcher", "big one", "--angle", "50°"];
        let line = <Line as clap::Parser>::parse_from(typed);
        assert_eq!(
            line.measure.command(std::path::Path::new("my shot.mp4")),
            "lobline measure \"my shot.mp4\" --forecast --angle \"50°\" --from-book --launcher \"big one\" --target-height \"0 m\""
        );
        let lone = <Line as clap::Parser>::try_parse_from(["lobline", "shot.mp4", "--launcher", "big one"]);
        assert!(lone.is_err(), "a launcher without a book means nothing");
    }

    #[test]
    fn orange_is_seen_as_the_standard_says() {
        // BT.709-6: Y' of pure red is 0.2126; Cr of pure red is +0.5 of the range.
        let [luma, _, cr] = colour("#ff0000").unwrap();
        assert!((luma - 54.2).abs() < 0.05 && (cr - 255.5).abs() < 0.1, "{luma} {cr}");
    }

    #[test]
    fn slips_name_the_option() {
        assert!(times("1.6 to 0.4").unwrap_err().message.contains("--time"));
        assert!(place("42: 1,2").unwrap_err().message.contains("--ball-at"));
        assert!(colour("orange").unwrap_err().message.contains("--ball-colour"));
        assert!(region("1,2").unwrap_err().message.contains("--region"));
    }
}
