//! `lobline aim`: where to put the target, as an instruction for the tape measure.

use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use super::forecast::{
    FORMAT_VERSION, SheetOptions, forecast_error, forecast_json, launch_json, launch_rows, pretty, reach_json,
    safety_words, worked, worked_angle, wrapped,
};
use super::output::{CommandError, Console};
use super::rows::{Row, table};
use super::statement::{LaunchOptions, Stated, no_answer, read, read_positive, wrong};
use crate::flight::aim::{
    Aim, AimError, AimQuestion, AngleChance, Chance, Obstacle, ObstaclePassage, Placed, ShotScatter, best_angle,
    chance_by_angle, place,
};
use crate::flight::chance::{LearntShare, Opening, OpeningKind, Taught, Tried, learn_share};
use crate::measure::taught_by_book;
use crate::quantity::{Kind, Reading};
use crate::report::aimed::{Asked, best_sentence, told};
use crate::report::chance_graph::write_chance_graph;
use crate::report::numbers::DecimalMark;
use crate::report::worked::text::wrap;

/// Says where to put the target, what stands in the way and how good the chances are.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  lobline aim --speed \"4.00 m/s ± 0.05 m/s\" --angle \"52° ± 0.5°\" --height \"30 cm\" \\\n    \
                        --ball \"40 mm\" --opening \"25 cm\" --opening-height \"24 cm\" --scatter-speed \"0.04 m/s\" --scatter-angle 0.5"
)]
pub struct AimOptions {
    #[command(flatten)]
    launch: LaunchOptions,
    /// Inner diameter of the opening, such as `25 cm`
    #[arg(long, value_name = "LENGTH")]
    opening: String,
    /// Height of its rim above the floor, such as `24 cm`
    #[arg(long, value_name = "LENGTH", default_value = "0 m")]
    opening_height: String,
    /// What the opening belongs to
    #[arg(long, value_enum, default_value_t = Target::Cup)]
    target: Target,
    /// Where the target stands already, from the point under the muzzle; then the launch angle is looked for, and --angle need only carry its ±
    #[arg(long, value_name = "LENGTH")]
    distance: Option<String>,
    /// Shot-to-shot standard deviation of the speed, such as `0.04 m/s`; else that of the shots in the book
    #[arg(long, value_name = "SPEED")]
    scatter_speed: Option<String>,
    /// Shot-to-shot standard deviation of the angle, such as `0.5°`; else that of the clips in the book
    #[arg(long, value_name = "ANGLE")]
    scatter_angle: Option<String>,
    /// Shot-to-shot standard deviation of the direction to the sides; as that of the angle when left out
    #[arg(long, value_name = "ANGLE")]
    scatter_sideways: Option<String>,
    /// Shots at this set-up that went in; with --misses they sharpen the chance; else those that the book has, at whatever target
    #[arg(long, value_name = "N", requires = "misses")]
    hits: Option<u32>,
    /// Shots at this set-up that did not
    #[arg(long, value_name = "N", requires = "hits")]
    misses: Option<u32>,
    /// Distance of something the ball must fly over, from the point under the muzzle
    #[arg(long, value_name = "LENGTH", requires = "obstacle_height")]
    obstacle_distance: Option<String>,
    /// Its height above the floor
    #[arg(long, value_name = "LENGTH", requires = "obstacle_distance")]
    obstacle_height: Option<String>,
    /// Height of the ceiling above the floor, such as `2.9 m`
    #[arg(long, value_name = "LENGTH")]
    ceiling: Option<String>,
    /// Write the chance by launch angle as a small graph to a file ending in .svg or .png
    #[arg(long, value_name = "FILE")]
    graph: Option<std::path::PathBuf>,
    #[command(flatten)]
    sheet: SheetOptions,
    /// Print one JSON object instead
    #[arg(long, conflicts_with = "working")]
    json: bool,
}

/// What must be hit.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum Target {
    /// A bucket or cup: clear of the near rim, stopped by the wall inside
    Cup,
    /// A hoop: clear of the rim all round
    Ring,
}

impl Target {
    const fn kind(self) -> OpeningKind {
        match self {
            Self::Cup => OpeningKind::Cup,
            Self::Ring => OpeningKind::Ring,
        }
    }
}

pub fn run(options: &AimOptions, console: &Console) -> Result<(), CommandError> {
    // With the target's place given, the angle is what is looked for.
    let stated = options.launch.statement_with(options.distance.is_some().then_some(45.0))?;
    stated.doubt.iter().for_each(|doubt| console.note(format!("{doubt}\n")));
    let rim = read("opening-height", Kind::Length, &options.opening_height)?;
    let question = options.question(&stated, &rim)?;
    let distance = options.distance.as_deref().map(|text| read_positive("distance", Kind::Length, text)).transpose()?;
    let placed = place(&question, distance.as_ref().map(|distance| distance.value)).map_err(aim_error)?;
    let by_angle = question.scatter.map(|_| chance_by_angle(&question, 1.0)).unwrap_or_default();
    let taught = options.taught(&stated, &question, &placed[0].aim);
    if options.json {
        console.result(pretty(&to_json(options, &stated, &placed, &by_angle, &taught)));
    } else {
        let asked =
            Asked { question: &question, angle_wanted: distance.is_some(), taught: &taught, mark: DecimalMark::Point };
        let parts: Vec<String> = placed.iter().map(|placed| words(placed, asked)).collect();
        let best = best_sentence(&by_angle, &placed, DecimalMark::Point)
            .map_or_else(String::new, |best| format!("{}\n", wrapped(vec![best])));
        let mut launch = launch_rows(&stated);
        launch.retain(|row| distance.is_none() || !row.is_called("launch angle"));
        console.result(format!(
            "Launch\n{}\n\n{}\n{best}\n{}",
            table(&launch),
            parts.join("\n\n"),
            safety_words(&stated)
        ));
    }
    if let Some(path) = &options.graph {
        console.may_write(path)?;
        write_chance_graph(&by_angle, placed[0].angle_deg, path)
            .map_err(|error| CommandError::new(super::output::Exit::Environment, &error).with_hint(error.hint()))?;
        console.note(format!("chance by angle written to `{}`", path.display()));
    }
    if options.sheet.is_wanted() {
        let sheet = match &distance {
            Some(distance) => {
                let angles: Vec<f64> = placed.iter().map(|placed| placed.angle_deg).collect();
                worked_angle(&stated, &rim, distance, &angles)
            }
            None => worked(&stated, &rim, &placed[0].aim.forecast),
        };
        let sheet = sheet.map_err(|error| no_answer(&error, error.hint()))?;
        options.sheet.deliver(&sheet, console)?;
    }
    Ok(())
}

impl AimOptions {
    fn question(&self, stated: &Stated, rim: &Reading) -> Result<AimQuestion, CommandError> {
        let ball_diameter_m = stated
            .ball_diameter_m
            .ok_or_else(|| wrong("the ball's diameter isn't stated", "give it with `--ball \"40 mm\"`"))?;
        let opening = read_positive("opening", Kind::Length, &self.opening)?;
        let opening = Opening::new(self.target.kind(), opening.value, ball_diameter_m)
            .map_err(|error| wrong(error, error.hint()))?;
        let length = |option: &str, text: &Option<String>| {
            text.as_deref().map(|text| read_positive(option, Kind::Length, text).map(|r| r.value)).transpose()
        };
        let obstacle = length("obstacle-distance", &self.obstacle_distance)?
            .zip(length("obstacle-height", &self.obstacle_height)?)
            .map(|(distance_m, height_m)| Obstacle { distance_m, height_m });
        Ok(AimQuestion {
            launch: stated.launch,
            opening_height_m: rim.estimate(),
            opening,
            ball_radius_m: ball_diameter_m / 2.0,
            scatter: self.scatter(stated)?,
            obstacle,
            ceiling_m: length("ceiling", &self.ceiling)?,
        })
    }

    /// As typed, else as the book knows it; `None` when neither says how speed and angle scatter.
    fn scatter(&self, stated: &Stated) -> Result<Option<ShotScatter>, CommandError> {
        let typed = |option: &str, kind: Kind, text: &Option<String>| {
            text.as_deref().map(|text| read_positive(option, kind, text).map(|reading| reading.value)).transpose()
        };
        let usual = stated.usual.as_ref();
        let speed = typed("scatter-speed", Kind::Speed, &self.scatter_speed)?
            .or(usual.and_then(|usual| usual.speed_scatter_m_per_s).filter(|scatter| *scatter > 0.0));
        let angle = typed("scatter-angle", Kind::Angle, &self.scatter_angle)?
            .or(usual.and_then(|usual| usual.angle_scatter_deg).filter(|scatter| *scatter > 0.0));
        let sideways_deg = typed("scatter-sideways", Kind::Angle, &self.scatter_sideways)?;
        let missing = |which: &str| {
            wrong(
                format!("for the chance of a hit the scatter of the {which} is missing"),
                format!("state it with `--scatter-{which}`, or take it from the book with `--from-book`"),
            )
        };
        match (speed, angle) {
            (Some(speed_m_per_s), Some(angle_deg)) => Ok(Some(ShotScatter { speed_m_per_s, angle_deg, sideways_deg })),
            (Some(_), None) if self.scatter_speed.is_some() => Err(missing("angle")),
            (None, Some(_)) if self.scatter_angle.is_some() => Err(missing("speed")),
            _ if self.graph.is_some() || self.hits.is_some() || sideways_deg.is_some() => {
                Err(missing(if speed.is_some() { "angle" } else { "speed" }))
            }
            _ => Ok(None),
        }
    }

    /// Hits and misses, as typed for this target or as the book has them; nothing for none at all.
    fn taught(&self, stated: &Stated, question: &AimQuestion, aim: &Aim) -> Taught {
        if let Some(((hits, misses), chance)) = self.hits.zip(self.misses).zip(aim.chance) {
            return Taught { tried: vec![Tried { bracket: chance.bracket, hits, misses }], unplaced: 0 };
        }
        stated.usual.as_ref().map(|usual| taught_by_book(usual, question)).unwrap_or_default()
    }
}

fn aim_error(error: AimError) -> CommandError {
    match error {
        AimError::Forecast(error) => forecast_error(error),
        // A target that can't be reached is no fault of the typing.
        AimError::OutOfReach { .. } => no_answer(&error, error.hint()),
        other => wrong(&other, other.hint()),
    }
}

fn words(placed: &Placed, asked: Asked<'_>) -> String {
    let told = told(placed, asked);
    let rows: Vec<Row> =
        told.rows.into_iter().map(|row| Row::new(row.name, row.value, row.unit).note(row.note)).collect();
    format!("{}\n\n{}\n\n{}", wrap(&told.instruction, "", 80), table(&rows), wrapped(told.sentences))
}

fn to_json(
    options: &AimOptions,
    stated: &Stated,
    placed: &[Placed],
    by_angle: &[AngleChance],
    taught: &Taught,
) -> Value {
    let learnt: Option<LearntShare> = learn_share(&taught.tried);
    let chance = |chance: &Chance| {
        json!({
            "clean": chance.bracket.clean,
            "centre_inside": chance.bracket.centre_inside,
            "scatter_along_m": chance.scatter.along_m,
            "scatter_across_m": chance.scatter.across_m,
            "sideways_assumed": chance.sideways_assumed,
        })
    };
    let aims: Vec<Value> = placed
        .iter()
        .map(|placed| {
            let aim = &placed.aim;
            json!({
                "angle_deg": placed.angle_deg,
                "opening_centre_m": aim.opening_centre_m,
                "aim_offset_m": aim.aim_offset_m,
                "clean_window_m": aim.clean_window_m,
                "least_descent_deg": aim.least_descent_deg,
                "over_obstacle_m": match aim.over_obstacle {
                    Some(ObstaclePassage::Over(clearance)) => Some(clearance.gap_m),
                    _ => None,
                },
                "under_ceiling_m": aim.under_ceiling.map(|clearance| clearance.gap_m),
                "chance": aim.chance.as_ref().map(chance),
                "forecast": forecast_json(&aim.forecast),
            })
        })
        .collect();
    let rows: Vec<Value> = by_angle
        .iter()
        .map(|row| {
            json!({
                "angle_deg": row.angle_deg,
                "range_m": row.range_m,
                "clean": row.bracket.clean,
                "centre_inside": row.bracket.centre_inside,
                "clear": row.clear,
            })
        })
        .collect();
    let learnt = learnt.zip(placed[0].aim.chance).map(|(share, chance)| {
        let (mean, low, high) = share.chance(chance.bracket);
        json!({ "chance": mean, "low_95": low, "high_95": high, "share": share.mean })
    });
    json!({
        "format_version": FORMAT_VERSION,
        "command": "aim",
        "target": options.target.kind().word(),
        "launch": launch_json(stated),
        "aims": aims,
        "learnt": learnt,
        "hits_and_misses_without_target": taught.unplaced,
        "best_angle_deg": best_angle(by_angle).map(|best| best.angle_deg),
        "chance_by_angle": rows,
        "safety": reach_json(stated),
    })
}
