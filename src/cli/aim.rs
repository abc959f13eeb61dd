//! `lobline aim`: where to put the target, as an instruction for the tape measure.

use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use super::forecast::{
    FORMAT_VERSION, SheetOptions, forecast_error, forecast_json, launch_json, launch_rows, pretty, reach_json, remarks,
    safety_words, worked, worked_angle, wrapped,
};
use super::output::{CommandError, Console};
use super::rows::{Row, in_line, scaled, table};
use super::statement::{LaunchOptions, Stated, no_answer, read, read_positive, wrong};
use crate::book::Usual;
use crate::flight::aim::{
    Aim, AimError, AimQuestion, AngleChance, Chance, Obstacle, ObstaclePassage, STEEPEST_SENSIBLE_DEG, ShotScatter,
    aim, angles_to_reach, best_angle, chance_by_angle, turned_to,
};
use crate::flight::chance::{Bracket, LearntShare, Opening, OpeningKind, Record, judge_record, learn_share};
use crate::flight::reading::{Kind, Reading};
use crate::report::chance_graph::write_chance_graph;
use crate::report::worked::text::wrap;
use crate::units::Estimate;

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
    /// Shots at this set-up that went in; with --misses they sharpen the chance; else those that the book has
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

/// One placed aim with all that is said about it.
struct Placed {
    aim: Aim,
    angle_deg: f64,
    stated: Stated,
}

pub fn run(options: &AimOptions, console: &Console) -> Result<(), CommandError> {
    // With the target's place given, the angle is what is looked for.
    let stated = options.launch.statement_with(options.distance.is_some().then_some(45.0))?;
    let rim = read("opening-height", Kind::Length, &options.opening_height)?;
    let question = options.question(&stated, &rim)?;
    let placed = options.place(&stated, &question)?;
    let by_angle = question.scatter.map(|_| chance_by_angle(&question, 1.0)).unwrap_or_default();
    let record = options.record(&stated);
    let learnt =
        placed[0].aim.chance.zip(record).and_then(|(chance, (hits, misses))| learn_share(chance.bracket, hits, misses));
    if options.json {
        console.result(pretty(&to_json(options, &placed, &by_angle, learnt)));
    } else {
        let parts: Vec<String> = placed.iter().map(|placed| words(options, &rim, placed, record, learnt)).collect();
        let best = best_words(&by_angle, &placed);
        let mut launch = launch_rows(&stated);
        launch.retain(|row| options.distance.is_none() || !row.is_called("launch angle"));
        console.result(format!(
            "Launch\n{}\n\n{}\n{best}\n{}",
            table(&launch),
            parts.join("\n\n"),
            safety_words(&stated)
        ));
    }
    if let Some(path) = &options.graph {
        write_chance_graph(&by_angle, placed[0].angle_deg, path)
            .map_err(|error| CommandError::new(super::output::Exit::Environment, &error).with_hint(error.hint()))?;
        console.note(format!("chance by angle written to `{}`", path.display()));
    }
    if options.sheet.is_wanted() {
        let sheet = match &options.distance {
            Some(text) => {
                let distance = read_positive("distance", Kind::Length, text)?;
                let angles: Vec<f64> = placed.iter().map(|placed| placed.angle_deg).collect();
                worked_angle(&placed[0].stated, &rim, &distance, &angles)
            }
            None => worked(&placed[0].stated, &rim, &placed[0].aim.forecast),
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
        let kind = match self.target {
            Target::Cup => OpeningKind::Cup,
            Target::Ring => OpeningKind::Ring,
        };
        let opening = Opening::new(kind, opening.value, ball_diameter_m).map_err(|error| wrong(error, error.hint()))?;
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

    /// Hits and misses, as typed or as the book has them; `None` for none at all.
    fn record(&self, stated: &Stated) -> Option<(u32, u32)> {
        let of_book = stated.usual.as_ref().map(|usual| (usual.hits, usual.misses));
        self.hits.zip(self.misses).or(of_book).filter(|(hits, misses)| hits + misses > 0)
    }

    /// One aim at the stated angle, or one for each angle that reaches the stated distance.
    fn place(&self, stated: &Stated, question: &AimQuestion) -> Result<Vec<Placed>, CommandError> {
        let angles = match &self.distance {
            None => vec![stated.launch.angle_deg.value],
            Some(text) => {
                let distance = read_positive("distance", Kind::Length, text)?;
                let angles = angles_to_reach(question, distance.value).map_err(forecast_error)?;
                if angles.is_empty() {
                    return Err(out_of_reach(question, distance.value));
                }
                angles
            }
        };
        angles
            .into_iter()
            .map(|angle_deg| {
                let turned = turned_to(question, angle_deg);
                let aim = aim(&turned).map_err(aim_error)?;
                let stated = Stated { launch: turned.launch, ..stated.clone() };
                Ok(Placed { aim, angle_deg, stated })
            })
            .collect()
    }
}

fn aim_error(error: AimError) -> CommandError {
    match error {
        AimError::Forecast(error) => forecast_error(error),
        other => wrong(&other, other.hint()),
    }
}

/// No angle reaches: say how far the best one gets.
fn out_of_reach(question: &AimQuestion, distance_m: f64) -> CommandError {
    let farthest = (1..90)
        .filter_map(|angle| Some((angle, aim(&turned_to(question, f64::from(angle))).ok()?.opening_centre_m.value)))
        .max_by(|a, b| a.1.total_cmp(&b.1));
    let message = match farthest {
        Some((angle, range_m)) if range_m < distance_m => format!(
            "{distance_m:.2} m is out of reach at this speed: the farthest is {range_m:.2} m, at {angle}°, {:.2} m too short",
            distance_m - range_m
        ),
        Some(_) => format!("{distance_m:.2} m is too near: the ball comes down to that height only farther off"),
        None => "at no angle does the ball get as high as the opening".to_owned(),
    };
    no_answer(message, "move the target, lower it, or launch faster")
}

fn words(
    options: &AimOptions,
    rim: &Reading,
    placed: &Placed,
    record: Option<(u32, u32)>,
    learnt: Option<LearntShare>,
) -> String {
    let aim = &placed.aim;
    let mut lines = vec![instruction(options, rim, placed), String::new()];
    lines.push(table(&[
        Row::centimetres("clean window", Estimate::without_uncertainty(aim.clean_window_m)).note(window_note(aim)),
        Row::new("descent", aim.forecast.descent_angle_deg, "°")
            .note(format!("below the horizontal; needs at least {:.0}°", aim.least_descent_deg.ceil())),
        Row::new("time of flight", aim.forecast.time_of_flight_s, "s"),
    ]));
    lines.push(String::new());
    let mut sentences = clearances(aim);
    sentences.extend(remarks(&placed.stated, &aim.forecast));
    sentences.extend(match aim.chance {
        Some(chance) => chance_words(&chance, record, learnt),
        None => vec![scatter_missing(placed.stated.usual.as_ref())],
    });
    lines.push(wrapped(sentences));
    lines.join("\n")
}

/// The one sentence that is read out beside the tape measure.
fn instruction(options: &AimOptions, rim: &Reading, placed: &Placed) -> String {
    let height = if rim.value == 0.0 {
        "lying on the floor".to_owned()
    } else {
        format!("with its rim {} above the floor", in_line(scaled(rim.estimate(), 100.0), "cm"))
    };
    let what = match options.target {
        Target::Cup => "the opening",
        Target::Ring => "the ring",
    };
    let text = if options.distance.is_some() {
        format!(
            "Set the launcher to {:.1}°. The centre of {what} stays {} from the point under the muzzle, {height}.",
            placed.angle_deg,
            in_line(scaled(placed.aim.opening_centre_m, 100.0), "cm")
        )
    } else {
        format!(
            "Measure {} along the floor, from the point under the muzzle in the direction of flight: the centre of {what} goes \
             there, {height}.",
            in_line(scaled(placed.aim.opening_centre_m, 100.0), "cm")
        )
    };
    wrap(&text, "", 80)
}

fn window_note(aim: &Aim) -> String {
    if aim.clean_window_m == 0.0 {
        return "too flat: the ball can't clear the rim".to_owned();
    }
    if aim.aim_offset_m.abs() < 5e-4 {
        return "along the flight, about the centre".to_owned();
    }
    format!("along the flight, {:.1} cm past the centre", aim.aim_offset_m * 100.0)
}

fn clearances(aim: &Aim) -> Vec<String> {
    let gap = |what: &str, gap_m: Estimate, safe: bool| {
        let value = in_line(scaled(gap_m, 100.0), "cm");
        let judged = if safe {
            "clear"
        } else if gap_m.value > 0.0 {
            "TOO CLOSE: not clear over its whole interval"
        } else {
            "IT HITS"
        };
        format!("{what}: {value} between them: {judged}.")
    };
    let mut lines = Vec::new();
    match aim.over_obstacle {
        Some(ObstaclePassage::Over(clearance)) => {
            lines.push(gap("Ball over the obstacle", clearance.gap_m, clearance.is_safe()));
        }
        Some(ObstaclePassage::NotInTheWay) => lines.push("The obstacle isn't in the way.".to_owned()),
        None => {}
    }
    lines
        .extend(aim.under_ceiling.map(|clearance| gap("Ball under the ceiling", clearance.gap_m, clearance.is_safe())));
    lines
}

/// What would give the chance.
fn scatter_missing(usual: Option<&Usual>) -> String {
    match usual {
        Some(usual) if usual.speed_scatter_m_per_s.is_some() => {
            "For the chance of a hit, state the scatter of the angle with --scatter-angle; the book has no clips to take it from."
        }
        Some(_) => "For the chance of a hit the book needs two shots or more; or state --scatter-speed and --scatter-angle.",
        None => "For the chance of a hit, state the scatter: --scatter-speed and --scatter-angle.",
    }
    .to_owned()
}

fn chance_words(chance: &Chance, record: Option<(u32, u32)>, learnt: Option<LearntShare>) -> Vec<String> {
    let percent = |share: f64| format!("{:.0} %", share * 100.0);
    let mut lines = vec![
        format!("Chance of a hit: {}.", bracket_words(&chance.bracket)),
        format!(
            "That is with landings that scatter by {:.1} cm along and {:.1} cm across{}.",
            chance.scatter.along_m * 100.0,
            chance.scatter.across_m * 100.0,
            if chance.sideways_assumed { " (sideways taken like the angle)" } else { "" }
        ),
    ];
    let Some((hits, misses)) = record else { return lines };
    let shots = hits + misses;
    // A record that contradicts the bracket teaches nothing about the share within it.
    lines.push(match (judge_record(chance.bracket, hits, misses), learnt) {
        (Record::TooFewHits, _) => format!(
            "But only {hits} of {shots} recorded shots went in: is the scatter larger than stated, or does the target stand in the \
             wrong place?"
        ),
        (Record::TooManyHits, _) => {
            format!("But {hits} of {shots} recorded shots went in, more than that: the scatter may be smaller than stated.")
        }
        (Record::Fits, Some(share)) => {
            let (mean, low, high) = share.chance(chance.bracket);
            format!(
                "With what the recorded shots teach ({hits} of {shots} went in): {}, 95 % interval {} to {}.",
                percent(mean),
                percent(low),
                percent(high)
            )
        }
        (Record::Fits, None) => format!("{hits} of {shots} recorded shots went in, which fits."),
    });
    lines
}

/// The two ends as the reader sees them; one figure when they look the same.
fn bracket_words(bracket: &Bracket) -> String {
    let percent = |share: f64| format!("{:.0} %", share * 100.0);
    let (clean, centre) = (percent(bracket.clean), percent(bracket.centre_inside));
    match (clean == centre, clean.as_str()) {
        (true, "100 %") => "practically certain (over 99.5 %)".to_owned(),
        (true, "0 %") => "practically none (under 0.5 %)".to_owned(),
        (true, _) => clean,
        (false, _) => format!("between {clean} (certainly in) and {centre} (centre inside)"),
    }
}

/// A chance that no one can tell from another: what is shown is rounded to whole per cents.
const NO_DIFFERENCE: f64 = 0.01;

fn best_words(by_angle: &[AngleChance], placed: &[Placed]) -> String {
    let Some(best) = best_angle(by_angle) else {
        return if by_angle.is_empty() {
            String::new()
        } else {
            "No angle is clear of what is in the way.\n".to_owned()
        };
    };
    let here = match placed {
        [only] => only.aim.chance.map(|chance| chance.bracket),
        _ => None,
    };
    if here.is_some_and(|here| here.clean > best.bracket.clean - NO_DIFFERENCE) {
        return "No other launch angle promises more at this speed.\n".to_owned();
    }
    let text = format!(
        "Best angle at this speed (up to {STEEPEST_SENSIBLE_DEG:.0}°): {:.0}°, with the target at {:.0} cm: {}.",
        best.angle_deg,
        100.0 * best.range_m,
        bracket_words(&best.bracket)
    );
    format!("{}\n", wrapped(vec![text]))
}

fn to_json(options: &AimOptions, placed: &[Placed], by_angle: &[AngleChance], learnt: Option<LearntShare>) -> Value {
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
        "target": match options.target { Target::Cup => "cup", Target::Ring => "ring" },
        "launch": launch_json(&placed[0].stated),
        "aims": aims,
        "learnt": learnt,
        "best_angle_deg": best_angle(by_angle).map(|best| best.angle_deg),
        "chance_by_angle": rows,
        "safety": reach_json(&placed[0].stated),
    })
}
