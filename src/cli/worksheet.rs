//! `lobline worksheet`: different but equally hard challenges for the groups of a class.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use super::forecast::{FORMAT_VERSION, pretty};
use super::output::{CommandError, Console, Exit};
use super::statement::{PlaceOptions, no_answer, read, read_positive, wrong};
use crate::flight::safety::CAUTIONS;
use crate::quantity::Kind;
use crate::report::worked::{text, write};
use crate::report::worksheet::{ChallengeSet, Limits, Span, Task, WorksheetError, make};
use crate::rig::Rig;

/// Makes challenges for a class, one page a group and one answer key: all possible, safe and equally hard.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  lobline worksheet --groups 6 --speed \"3.6 m/s .. 4.4 m/s\" --angle \"40° .. 70°\" --height \"25 cm .. 45 cm\" \\\n    \
                        --target-height \"10 cm .. 24 cm\" --room \"4 m\" --ceiling \"2.7 m\" --ball \"70 mm\" --sheet challenges.pdf"
)]
pub struct WorksheetOptions {
    /// Number of groups
    #[arg(long, value_name = "N")]
    groups: usize,
    /// What the groups must find
    #[arg(long, value_enum, default_value_t = Find::Distance)]
    find: Find,
    /// Launch speeds that the launcher can be set to: one, or a range such as `3.6 m/s .. 4.4 m/s`
    #[arg(long, value_name = "RANGE")]
    speed: String,
    /// Launch angles, one or a range such as `40° .. 70°`
    #[arg(long, value_name = "RANGE")]
    angle: String,
    /// Heights of the ball's centre above the floor at launch, one or a range such as `25 cm .. 45 cm`
    #[arg(long, value_name = "RANGE")]
    height: String,
    /// Heights of the target's opening above the floor, one or a range
    #[arg(long, value_name = "RANGE", default_value = "0 m")]
    target_height: String,
    /// Clear floor from the launcher to the far wall, such as `4 m`
    #[arg(long, value_name = "LENGTH")]
    room: String,
    /// Height of the ceiling, such as `2.7 m`
    #[arg(long, value_name = "LENGTH")]
    ceiling: String,
    /// Diameter of the ball
    #[arg(long, value_name = "LENGTH")]
    ball: String,
    /// Mass of the ball; then the key also says where it lands in air
    #[arg(long, value_name = "MASS")]
    mass: Option<String>,
    /// The same number makes the same challenges again
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Heading of the pages
    #[arg(long, value_name = "TEXT", default_value = "Hit the target")]
    title: String,
    /// Add every solution, worked out line by line, behind the key
    #[arg(long)]
    working: bool,
    /// Write to a file ending in .pdf, .html or .txt; without it the pages are printed as text
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
    #[command(flatten)]
    place: PlaceOptions,
    /// Print one JSON object instead of the pages
    #[arg(long)]
    json: bool,
}

/// What is asked for.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum Find {
    /// Where the target must stand
    Distance,
    /// The launch angle
    Angle,
    /// The launch speed
    Speed,
}

pub fn run(options: &WorksheetOptions, console: &Console) -> Result<(), CommandError> {
    let task = match options.find {
        Find::Distance => Task::Distance,
        Find::Angle => Task::Angle,
        Find::Speed => Task::Speed,
    };
    let set = make(&options.limits()?, task, options.groups, options.seed).map_err(|error| match error {
        WorksheetError::TooFew { .. } => no_answer(&error, error.hint()),
        _ => wrong(&error, error.hint()),
    })?;
    let sheet = set.sheet(&options.title, options.working);
    if let Some(path) = &options.sheet {
        console.may_write(path)?;
        write(&sheet, path).map_err(|error| CommandError::new(Exit::Environment, &error).with_hint(error.hint()))?;
        console.note(format!("{} challenges and their key written to `{}`", options.groups, path.display()));
    }
    if options.json {
        console.result(pretty(&to_json(&set)));
    } else if options.sheet.is_none() {
        console.result(text::render(&sheet));
    }
    Ok(())
}

impl WorksheetOptions {
    fn limits(&self) -> Result<Limits, CommandError> {
        let positive = |option: &str, kind: Kind, text: &str| read_positive(option, kind, text).map(|r| r.value);
        Ok(Limits {
            speed_m_per_s: span("speed", Kind::Speed, &self.speed)?,
            angle_deg: span("angle", Kind::Angle, &self.angle)?,
            height_m: span("height", Kind::Length, &self.height)?,
            target_height_m: span("target-height", Kind::Length, &self.target_height)?,
            room_m: positive("room", Kind::Length, &self.room)?,
            ceiling_m: positive("ceiling", Kind::Length, &self.ceiling)?,
            ball_diameter_m: positive("ball", Kind::Length, &self.ball)?,
            ball_mass_kg: self.mass.as_deref().map(|mass| positive("mass", Kind::Mass, mass)).transpose()?,
            // What is printed must be what is computed with: two decimals.
            gravity_m_per_s2: (self.place.gravity(&Rig::default())?.0.value * 100.0).round() / 100.0,
        })
    }
}

/// One reading, or two with `..` between them; the unit may stand at the second only.
fn span(option: &str, kind: Kind, text: &str) -> Result<Span, CommandError> {
    let Some((from, to)) = text.split_once("..") else {
        let value = read(option, kind, text)?.value;
        return Ok(Span { from: value, to: value });
    };
    let end = read(option, kind, to)?;
    let unit = to.trim().trim_start_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | ' '));
    let bare = from.trim().chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | ',' | '-'));
    let from = if bare { format!("{from}{unit}") } else { from.to_owned() };
    Ok(Span { from: read(option, kind, &from)?.value, to: end.value })
}

fn to_json(set: &ChallengeSet) -> Value {
    let challenges: Vec<Value> = set
        .challenges
        .iter()
        .enumerate()
        .map(|(i, challenge)| {
            json!({
                "group": i + 1,
                "speed_m_per_s": challenge.speed_m_per_s,
                "angle_deg": challenge.angle_deg,
                "height_m": challenge.height_m,
                "target_height_m": challenge.target_height_m,
                "distance_m": challenge.distance_m,
                "landing_shift_per_percent_and_degree_m": challenge.touchiness_m,
                "apex_m": challenge.apex_m,
                "air_shift_m": challenge.air_shift_m,
            })
        })
        .collect();
    json!({
        "format_version": FORMAT_VERSION,
        "command": "worksheet",
        "asked_for": match set.task {
            Task::Distance => "distance_m",
            Task::Angle => "angle_deg",
            Task::Speed => "speed_m_per_s",
        },
        "seed": set.seed,
        "gravity_m_per_s2": set.limits.gravity_m_per_s2,
        "challenges": challenges,
        "cautions": CAUTIONS,
    })
}
