//! `lobline forecast`: what a stated launch will do.

use std::path::PathBuf;

use clap::Args;
use serde_json::{Value, json};

use super::output::{CommandError, Console, Exit};
use super::rows::{Row, in_line, table};
use super::statement::{LaunchOptions, Stated, no_answer, read};
use crate::flight::forecast::{Forecast, ForecastError, forecast};
use crate::flight::path::reach;
use crate::flight::safety::CAUTIONS;
use crate::flight::solve::Quantity;
use crate::quantity::{Kind, Reading};
use crate::report::aimed::{forecast_sentences, signed_cm};
use crate::report::numbers::DecimalMark;
use crate::report::worked::{Given, sheet::Block, sheet::Sheet, text, worked_solution, write};

/// Version of the JSON that the commands looking ahead print.
pub const FORMAT_VERSION: u32 = 1;

/// Says where a ball will land, how long it flies, how high it gets and how it arrives.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  lobline forecast --speed \"4.00 m/s ± 0.05 m/s\" --angle \"52° ± 0.5°\" --height \"30 cm\""
)]
pub struct ForecastOptions {
    #[command(flatten)]
    launch: LaunchOptions,
    /// Height above the floor at which the landing is wanted, such as `25 cm`; the floor when left out
    #[arg(long, value_name = "LENGTH", default_value = "0 m")]
    target_height: String,
    #[command(flatten)]
    sheet: SheetOptions,
    /// Print one JSON object instead
    #[arg(long, conflicts_with = "working")]
    json: bool,
}

/// Where the worked solution goes.
#[derive(Debug, Args)]
pub struct SheetOptions {
    /// Print the worked solution, line by line, after the result
    #[arg(long)]
    pub working: bool,
    /// Write the worked solution to a file ending in .txt, .html or .pdf
    #[arg(long, value_name = "FILE")]
    pub sheet: Option<PathBuf>,
}

impl SheetOptions {
    pub fn is_wanted(&self) -> bool {
        self.working || self.sheet.is_some()
    }

    /// Prints and writes what was asked for.
    pub fn deliver(&self, sheet: &Sheet, console: &Console) -> Result<(), CommandError> {
        if self.working {
            console.result(format!("\n{}", text::render(sheet)));
        }
        if let Some(path) = &self.sheet {
            console.may_write(path)?;
            write(sheet, path)
                .map_err(|error| CommandError::new(Exit::Environment, chain(&error)).with_hint(error.hint()))?;
            console.note(format!("worked solution written to `{}`", path.display()));
        }
        Ok(())
    }
}

fn chain(error: &dyn std::error::Error) -> String {
    error.source().map_or_else(|| error.to_string(), |source| format!("{error}: {source}"))
}

pub fn run(options: &ForecastOptions, console: &Console) -> Result<(), CommandError> {
    let stated = options.launch.statement()?;
    stated.doubt.iter().for_each(|doubt| console.note(format!("{doubt}\n")));
    let target = read("target-height", Kind::Length, &options.target_height)?;
    let forecast = forecast(&stated.launch, target.estimate()).map_err(forecast_error)?;
    if options.json {
        console.result(pretty(&to_json(&stated, target.value, &forecast)));
    } else {
        console.result(words(&stated, &target, &forecast));
    }
    if options.sheet.is_wanted() {
        let sheet = worked(&stated, &target, &forecast).map_err(|error| no_answer(&error, error.hint()))?;
        options.sheet.deliver(&sheet, console)?;
    }
    Ok(())
}

/// A launch out of range is wrong use; a target that can't be reached is no fault of the typing.
pub fn forecast_error(error: ForecastError) -> CommandError {
    let exit = match error {
        ForecastError::TooHigh { .. } => Exit::NoMeasurement,
        _ => Exit::WrongUse,
    };
    CommandError::new(exit, &error).with_hint(error.hint())
}

/// The worked solution of the drag-free landing place.
pub fn worked(
    stated: &Stated,
    target: &Reading,
    forecast: &Forecast,
) -> Result<Sheet, crate::flight::solve::SolveError> {
    let rise = target.value - stated.launch.height_m.value;
    let [speed, angle, gravity] = stated.figures;
    let given = Given::new;
    let angle_figures = (stated.launch.angle_deg.value != 0.0).then_some(angle);
    let givens = [
        given(Quantity::Speed, stated.launch.speed_m_per_s.value, Some(speed)),
        given(Quantity::Angle, stated.launch.angle_deg.value, angle_figures),
        difference(&stated.height, target, rise),
        given(Quantity::Gravity, stated.launch.gravity_m_per_s2.value, Some(gravity)),
    ];
    let sheet = worked_solution("Where does the ball land?", &givens, Quantity::Distance)?;
    Ok(before_the_cautions(sheet, beyond_the_textbook(forecast)))
}

/// The worked solution of the drag-free angle to a target, and the angles to which the launcher is really set, where the air or the
/// rim asks for others.
pub fn worked_angle(
    stated: &Stated,
    target: &Reading,
    distance: &Reading,
    set_to_deg: &[f64],
) -> Result<Sheet, crate::flight::solve::SolveError> {
    let rise = target.value - stated.launch.height_m.value;
    let [speed, _, gravity] = stated.figures;
    let given = Given::new;
    let givens = [
        given(Quantity::Speed, stated.launch.speed_m_per_s.value, Some(speed)),
        given(Quantity::Distance, distance.value, Some(distance.figures)),
        difference(&stated.height, target, rise),
        given(Quantity::Gravity, stated.launch.gravity_m_per_s2.value, Some(gravity)),
    ];
    let sheet = worked_solution("At which angle does the ball hit?", &givens, Quantity::Angle)?;
    let angles: Vec<String> = set_to_deg.iter().map(|angle| format!("{angle:.1}°")).collect();
    let air =
        if stated.launch.ball.is_some() { "With the air counted in" } else { "For the middle of the clean window" };
    let note = format!("{air} the launcher is set to {}.", angles.join(" or "));
    Ok(before_the_cautions(sheet, vec![note]))
}

fn before_the_cautions(mut sheet: Sheet, notes: Vec<String>) -> Sheet {
    let is_cautions = |block: &Block| matches!(block, Block::Cautions(_));
    let cautions = sheet.blocks.iter().position(is_cautions).unwrap_or(sheet.blocks.len());
    sheet.blocks.splice(cautions..cautions, notes.into_iter().map(Block::Paragraph));
    sheet
}

/// What the worked solution leaves out: the interval and the air.
fn beyond_the_textbook(forecast: &Forecast) -> Vec<String> {
    let range = in_line(forecast.range_m, "m");
    match (forecast.air_shift_m, forecast.range_m.standard_uncertainty) {
        (Some(shift), _) => {
            vec![format!(
                "The air, left out above, moves the landing by {}: the forecast is {range}.",
                signed_cm(shift, DecimalMark::Point)
            )]
        }
        (None, Some(_)) => vec![format!("With the ± of the data (95 %) the distance is {range}.")],
        (None, None) => Vec::new(),
    }
}

/// The height of the target over that of the launch. For the figures the two heights count, as on the worksheets; it is shown with as
/// many decimals as the one with fewer has. No difference at all is exact, and so is a height of nought, a chosen level.
fn difference(launch: &Reading, target: &Reading, rise: f64) -> Given {
    let read = [launch, target].into_iter().filter(|reading| reading.value != 0.0 && rise != 0.0);
    let decimals = |reading: &Reading| reading.figures as i32 - 1 - reading.value.abs().log10().floor() as i32;
    Given {
        decimals: read.clone().map(decimals).min().map(|decimals| decimals.max(0) as usize),
        ..Given::new(Quantity::Rise, rise, read.map(|reading| reading.figures).min())
    }
}

/// What is taken as known, one row each.
pub fn launch_rows(stated: &Stated) -> Vec<Row> {
    let launch = &stated.launch;
    let source = if stated.source == "stated" { String::new() } else { stated.source.clone() };
    let gravity = if stated.gravity_source == "stated" { String::new() } else { stated.gravity_source.clone() };
    let [speed, angle, _] = stated.figures;
    vec![
        Row::with_figures("launch speed", launch.speed_m_per_s, "m/s", speed).note(source),
        Row::with_figures("launch angle", launch.angle_deg, "°", angle),
        Row::with_figures("launch height", launch.height_m, "m", stated.height.figures)
            .note("ball's centre above the floor"),
        Row::new("gravity", launch.gravity_m_per_s2, "m/s²").note(gravity),
    ]
}

fn words(stated: &Stated, target: &Reading, forecast: &Forecast) -> String {
    let mut rows = vec![
        Row::new("lands at", forecast.range_m, "m").note("from the point under the muzzle"),
        Row::new("time of flight", forecast.time_of_flight_s, "s"),
        Row::new("impact speed", forecast.impact_speed_m_per_s, "m/s"),
        Row::new("descent", forecast.descent_angle_deg, "°").note("below the horizontal"),
    ];
    if let Some(apex) = forecast.apex {
        rows.push(Row::new("highest point", apex.height_m, "m").note("above the floor"));
        rows.push(Row::new("  reached after", apex.time_s, "s"));
        rows.push(Row::new("  at a distance of", apex.distance_m, "m"));
    }
    let where_to =
        if target.value == 0.0 { "on the floor".to_owned() } else { format!("{} above the floor", target.text) };
    format!(
        "Launch\n{}\n\nForecast: {}, {where_to}\n{}\n\n{}\n\n{}",
        table(&launch_rows(stated)),
        in_line(forecast.range_m, "m"),
        table(&rows),
        wrapped(forecast_sentences(&stated.launch, forecast, DecimalMark::Point)),
        safety_words(stated)
    )
}

/// Each sentence on its own line, none wider than 80 columns.
pub fn wrapped(lines: Vec<String>) -> String {
    let together = |line: &String| line.replace(" %", "\u{a0}%").replace(" cm", "\u{a0}cm");
    lines.iter().map(|line| text::wrap(&together(line), "", 80)).collect::<Vec<_>>().join("\n")
}

/// How far the ball can get whichever way the launcher points, and the cautions.
pub fn safety_words(stated: &Stated) -> String {
    let limit = reach_of(stated);
    let lines: Vec<String> = CAUTIONS.iter().map(|caution| text::wrap(caution, "  ", 78)).collect();
    format!(
        "Take care: at this speed the ball can get {:.1} m far and {:.1} m up.\n{}",
        round_up(limit.distance_m),
        round_up(limit.height_m),
        lines.join("\n")
    )
}

fn round_up(metres: f64) -> f64 {
    (metres * 10.0).ceil() / 10.0
}

/// Reach with the speed at the upper end of its interval.
fn reach_of(stated: &Stated) -> crate::flight::path::Reach {
    let speed = stated.launch.speed_m_per_s;
    let fastest = speed.value + speed.expanded_uncertainty_95.unwrap_or(0.0);
    reach(fastest, stated.launch.height_m.value, stated.launch.gravity_m_per_s2.value)
}

pub fn launch_json(stated: &Stated) -> Value {
    let launch = &stated.launch;
    json!({
        "speed_m_per_s": launch.speed_m_per_s,
        "angle_deg": launch.angle_deg,
        "height_m": launch.height_m,
        "gravity_m_per_s2": launch.gravity_m_per_s2,
        "speed_source": stated.source,
        "doubt": stated.doubt,
        "gravity_source": stated.gravity_source,
        "ball_diameter_m": stated.ball_diameter_m,
        "ball_mass_kg": launch.ball.map(|ball| ball.mass_kg()),
        "air_counted": launch.ball.is_some(),
    })
}

pub fn forecast_json(forecast: &Forecast) -> Value {
    let budget: Vec<Value> = forecast
        .budget
        .iter()
        .map(|row| {
            json!({
                "input": row.input.name(),
                "standard_uncertainty": row.standard_uncertainty,
                "sensitivity_m_per_unit": finite(row.sensitivity),
                "share": row.share,
            })
        })
        .collect();
    let path: Vec<Value> = forecast
        .path
        .sample(forecast.landing.time_s, 41)
        .into_iter()
        .map(|at| json!({ "time_s": at.time_s, "x_m": at.state.x, "y_m": at.state.y }))
        .collect();
    json!({
        "range_m": forecast.range_m,
        "time_of_flight_s": forecast.time_of_flight_s,
        "impact_speed_m_per_s": forecast.impact_speed_m_per_s,
        "descent_angle_deg": forecast.descent_angle_deg,
        "apex_height_m": forecast.apex.map(|apex| apex.height_m),
        "apex_time_s": forecast.apex.map(|apex| apex.time_s),
        "apex_distance_m": forecast.apex.map(|apex| apex.distance_m),
        "range_per_percent_speed_m": finite(forecast.range_per_percent_speed_m),
        "range_per_degree_m": finite(forecast.range_per_degree_m),
        "air_shift_m": forecast.air_shift_m,
        "budget_of_range": budget,
        "path": path,
    })
}

/// JSON knows no NaN: unknown is null.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

pub fn reach_json(stated: &Stated) -> Value {
    let limit = reach_of(stated);
    json!({ "reach_distance_m": limit.distance_m, "reach_height_m": limit.height_m, "cautions": CAUTIONS })
}

fn to_json(stated: &Stated, target_height_m: f64, forecast: &Forecast) -> Value {
    json!({
        "format_version": FORMAT_VERSION,
        "command": "forecast",
        "launch": launch_json(stated),
        "target_height_m": target_height_m,
        "forecast": forecast_json(forecast),
        "safety": reach_json(stated),
    })
}

pub fn pretty(value: &Value) -> String {
    serde_json::to_string_pretty(value).expect("a JSON value without maps of odd keys can be written")
}
