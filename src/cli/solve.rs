//! `lobline solve`: a textbook problem from whichever quantities are given.

use clap::{Args, ValueEnum};
use serde_json::{Map, Value, json};

use super::forecast::{FORMAT_VERSION, SheetOptions, pretty};
use super::output::{CommandError, Console};
use super::rows::{Row, table};
use super::statement::{PlaceOptions, no_answer, read, wrong};
use crate::flight::solve::{Estimates, Quantity, Solution, SolveError, solve_with_uncertainty};
use crate::quantity::Kind;
use crate::report::worked::{Given, worked_solution};
use crate::rig::Rig;
use crate::units::Estimate;

/// Solves a flight without air from whatever is given: three of speed, angle, time, distance and rise, or others.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    lobline solve --speed \"4.00 m/s\" --distance \"1.40 m\" --rise \"-12 cm\" --find angle --working\n  \
    lobline solve --angle 0 --distance \"2.4 m\" --drop \"0.80 m\" --find speed")]
pub struct SolveOptions {
    /// Launch speed
    #[arg(long, value_name = "SPEED")]
    speed: Option<String>,
    /// Launch angle above the horizontal; 0 for a level launch, 90 for straight up
    #[arg(long, value_name = "ANGLE", allow_hyphen_values = true)]
    angle: Option<String>,
    /// Horizontal part of the launch velocity
    #[arg(long, value_name = "SPEED")]
    horizontal_velocity: Option<String>,
    /// Vertical part of the launch velocity, up positive
    #[arg(long, value_name = "SPEED", allow_hyphen_values = true)]
    vertical_velocity: Option<String>,
    /// Time from launch to the end
    #[arg(long, value_name = "TIME")]
    time: Option<String>,
    /// Horizontal distance from launch to the end
    #[arg(long, value_name = "LENGTH")]
    distance: Option<String>,
    /// Height of the end above the launch; negative below it
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    rise: Option<String>,
    /// Depth of the end below the launch, instead of --rise
    #[arg(long, value_name = "LENGTH", conflicts_with = "rise")]
    drop: Option<String>,
    /// Height of the highest point above the launch
    #[arg(long, value_name = "LENGTH")]
    apex: Option<String>,
    /// What is wanted; everything that follows when left out
    #[arg(long, value_enum, value_name = "QUANTITY")]
    find: Option<Wanted>,
    /// Heading of the worked solution
    #[arg(long, value_name = "TEXT", default_value = "Worked solution")]
    title: String,
    #[command(flatten)]
    place: PlaceOptions,
    #[command(flatten)]
    sheet: SheetOptions,
    /// Print one JSON object instead
    #[arg(long, conflicts_with = "working")]
    json: bool,
}

/// Quantities by the names used here.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum Wanted {
    Speed,
    Angle,
    HorizontalVelocity,
    VerticalVelocity,
    Gravity,
    Time,
    Distance,
    Rise,
    EndVelocity,
    EndSpeed,
    EndAngle,
    Apex,
    ApexTime,
    ApexDistance,
    LevelRange,
    LevelTime,
}

impl Wanted {
    const fn quantity(self) -> Quantity {
        match self {
            Self::Speed => Quantity::Speed,
            Self::Angle => Quantity::Angle,
            Self::HorizontalVelocity => Quantity::SpeedX,
            Self::VerticalVelocity => Quantity::SpeedY,
            Self::Gravity => Quantity::Gravity,
            Self::Time => Quantity::Time,
            Self::Distance => Quantity::Distance,
            Self::Rise => Quantity::Rise,
            Self::EndVelocity => Quantity::EndSpeedY,
            Self::EndSpeed => Quantity::EndSpeed,
            Self::EndAngle => Quantity::EndAngle,
            Self::Apex => Quantity::ApexHeight,
            Self::ApexTime => Quantity::ApexTime,
            Self::ApexDistance => Quantity::ApexDistance,
            Self::LevelRange => Quantity::LevelRange,
            Self::LevelTime => Quantity::LevelTime,
        }
    }
}

type Solved = (Solution, Estimates);

pub fn run(options: &SolveOptions, console: &Console) -> Result<(), CommandError> {
    let wanted = options.find.map(Wanted::quantity);
    let givens = options.givens(wanted)?;
    let estimates = givens.iter().map(|(given, estimate)| (given.quantity, *estimate)).collect();
    let solved = solve_with_uncertainty(&estimates).map_err(solve_error)?;
    let solved: Vec<Solved> = solved
        .into_iter()
        .filter(|(solution, _)| wanted.is_none_or(|wanted| solution.values.contains_key(&wanted)))
        .collect();
    if solved.is_empty() {
        return Err(solve_error(SolveError::NotEnough { wanted }));
    }
    if options.json {
        console.result(pretty(&to_json(&givens, wanted, &solved)));
    } else {
        console.result(words(&givens, wanted, &solved));
    }
    if options.sheet.is_wanted() {
        let wanted = wanted.ok_or_else(|| {
            wrong("a worked solution needs to know what is wanted", "name it, such as `--find distance`")
        })?;
        let givens: Vec<Given> = givens.iter().map(|(given, _)| *given).collect();
        let sheet = worked_solution(&options.title, &givens, wanted).map_err(solve_error)?;
        options.sheet.deliver(&sheet, console)?;
    }
    Ok(())
}

fn solve_error(error: SolveError) -> CommandError {
    match error {
        SolveError::OutOfRange { .. } => wrong(&error, error.hint()),
        _ => no_answer(&error, error.hint()),
    }
}

impl SolveOptions {
    /// Everything given, and gravity unless it is what is wanted.
    fn givens(&self, wanted: Option<Quantity>) -> Result<Vec<(Given, Estimate)>, CommandError> {
        let options = [
            ("speed", Kind::Speed, Quantity::Speed, &self.speed, 1.0),
            ("angle", Kind::Angle, Quantity::Angle, &self.angle, 1.0),
            ("horizontal-velocity", Kind::Speed, Quantity::SpeedX, &self.horizontal_velocity, 1.0),
            ("vertical-velocity", Kind::Speed, Quantity::SpeedY, &self.vertical_velocity, 1.0),
            ("time", Kind::Time, Quantity::Time, &self.time, 1.0),
            ("distance", Kind::Length, Quantity::Distance, &self.distance, 1.0),
            ("rise", Kind::Length, Quantity::Rise, &self.rise, 1.0),
            ("drop", Kind::Length, Quantity::Rise, &self.drop, -1.0),
            ("apex", Kind::Length, Quantity::ApexHeight, &self.apex, 1.0),
        ];
        let mut givens = Vec::new();
        for (option, kind, quantity, text, sign) in options {
            let Some(text) = text else { continue };
            let reading = read(option, kind, text)?;
            let estimate = Estimate { value: sign * reading.value, ..reading.estimate() };
            // Level, vertical and "back at launch height" are words of the problem, not readings.
            let exact = reading.value == 0.0 || (quantity == Quantity::Angle && reading.value.abs() == 90.0);
            let figures = (!exact).then_some(reading.figures);
            givens.push((Given::new(quantity, estimate.value, figures), estimate));
        }
        if wanted != Some(Quantity::Gravity) {
            let (gravity, figures, source) = self.place.gravity(&Rig::default())?;
            // A textbook's g is exact; only a stated interval or a stated place brings one in.
            let unstated = source.starts_with("place not stated");
            let estimate = if unstated { Estimate::without_uncertainty(gravity.value) } else { gravity };
            let given = Given::new(Quantity::Gravity, gravity.value, Some(figures));
            givens.push((given, estimate));
        }
        Ok(givens)
    }
}

fn words(givens: &[(Given, Estimate)], wanted: Option<Quantity>, solved: &[Solved]) -> String {
    let row = |quantity: Quantity, estimate: Estimate| Row::new(quantity.name(), estimate, quantity.unit());
    let given = givens.iter().map(|(given, estimate)| match given.figures {
        Some(figures) => Row::with_figures(given.quantity.name(), *estimate, given.quantity.unit(), figures),
        None => row(given.quantity, *estimate),
    });
    let given: Vec<Row> = given.collect();
    let mut text = format!("Given\n{}", table(&given));
    for (i, (_, estimates)) in solved.iter().enumerate() {
        let heading =
            if solved.len() == 1 { "Solution".to_owned() } else { format!("Solution {} of {}", i + 1, solved.len()) };
        let is_given = |quantity: Quantity| givens.iter().any(|(given, _)| given.quantity == quantity);
        let shown = Quantity::ALL.into_iter().filter(|quantity| match wanted {
            Some(wanted) => *quantity == wanted,
            None => !is_given(*quantity),
        });
        let rows: Vec<Row> = shown.filter_map(|quantity| Some(row(quantity, *estimates.get(&quantity)?))).collect();
        text.push_str(&format!("\n\n{heading}\n{}", table(&rows)));
    }
    let with_interval: Vec<&str> = givens
        .iter()
        .filter(|(_, estimate)| estimate.standard_uncertainty.is_some())
        .map(|(given, _)| given.quantity.name())
        .collect();
    text.push_str("\n\nWithout air, as in textbooks; `lobline forecast` and `lobline aim` count it in.");
    if !with_interval.is_empty() && with_interval.len() < givens.len() {
        text.push_str(&format!("\n\n± from {} alone; the rest is taken as exact.", with_interval.join(" and ")));
    }
    text
}

/// Keys with their units.
fn key(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Speed => "speed_m_per_s",
        Quantity::Angle => "angle_deg",
        Quantity::SpeedX => "horizontal_velocity_m_per_s",
        Quantity::SpeedY => "vertical_velocity_m_per_s",
        Quantity::Gravity => "gravity_m_per_s2",
        Quantity::Time => "time_s",
        Quantity::Distance => "distance_m",
        Quantity::Rise => "rise_m",
        Quantity::EndSpeedY => "end_velocity_m_per_s",
        Quantity::EndSpeed => "end_speed_m_per_s",
        Quantity::EndAngle => "end_angle_deg",
        Quantity::ApexHeight => "apex_m",
        Quantity::ApexTime => "apex_time_s",
        Quantity::ApexDistance => "apex_distance_m",
        Quantity::LevelRange => "level_range_m",
        Quantity::LevelTime => "level_time_s",
    }
}

fn to_json(givens: &[(Given, Estimate)], wanted: Option<Quantity>, solved: &[Solved]) -> Value {
    let object = |values: &mut dyn Iterator<Item = (Quantity, Estimate)>| -> Value {
        Value::Object(
            values.map(|(quantity, estimate)| (key(quantity).to_owned(), json!(estimate))).collect::<Map<_, _>>(),
        )
    };
    let solutions: Vec<Value> = solved
        .iter()
        .map(|(_, estimates)| object(&mut estimates.iter().map(|(quantity, estimate)| (*quantity, *estimate))))
        .collect();
    json!({
        "format_version": FORMAT_VERSION,
        "command": "solve",
        "given": object(&mut givens.iter().map(|(given, estimate)| (given.quantity, *estimate))),
        "wanted": wanted.map(key),
        "solutions": solutions,
    })
}
