//! `lobline points`: a table of times and places, fitted like a clip's.

use std::io::Read;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;

use super::forecast::pretty;
use super::output::{CommandError, Console, Exit};
use super::rows::{Row, table};
use super::statement::PlaceOptions;
use crate::measurement::FORMAT_VERSION;
use crate::points::fit::Coordinate;
use crate::points::{Point, PointsError, PointsFit, fit, graph, read_table};
use crate::report::figure::Style;
use crate::report::files::write_atomically;
use crate::rig::Rig;
use crate::units::Estimate;

/// Fit a flight without air to a table of times and places, from wherever it comes.
#[derive(Debug, Args)]
#[command(
    after_help = "Example of a table:\n  t / s,x / m,y / m,u(y) / mm\n  0.000,0.121,1.049,2\n  0.033,0.235,1.175,2"
)]
pub struct PointsOptions {
    /// The table (CSV), or `-` for one that is pasted in. Its first line names the columns with their units: `t / s`, `y / m` and as known
    /// `x / m`, `u(y) / mm` (standard uncertainty) or `± y / mm` (half-width of the 95 % interval), likewise of `x` and `t`.
    #[arg(value_name = "FILE")]
    file: PathBuf,
    #[command(flatten)]
    place: PlaceOptions,
    /// Draw table and fit to this picture, `.png` or `.svg`.
    #[arg(long, value_name = "FILE")]
    graph: Option<PathBuf>,
    /// Print one JSON object instead.
    #[arg(long)]
    json: bool,
}

/// Reads, fits, compares, prints.
///
/// # Errors
/// When the file can't be read, holds no such table, or the graph can't be written.
pub fn run(options: &PointsOptions, console: &Console) -> Result<(), CommandError> {
    let points = read_table(&text_of(&options.file)?).map_err(|error| refused(&error))?;
    let found = fit(&points).map_err(|error| refused(&error))?;
    let (expected, _, source) = options.place.gravity(&Rig::default())?;
    if let Some(path) = &options.graph {
        draw(path, &points, &found)?;
    }
    if options.json {
        console.result(pretty(&json!({
            "format_version": FORMAT_VERSION,
            "command": "points",
            "rows": points.len(),
            "start_s": found.start_s,
            "speed_m_per_s": found.speed_m_per_s,
            "angle_deg": found.angle_deg,
            "gravity_m_per_s2": found.gravity_m_per_s2,
            "expected_gravity_m_per_s2": expected,
            "residuals_y_m": found.upwards.residuals_m,
            "residuals_x_m": found.along.as_ref().map(|along| &along.residuals_m),
        })));
        return Ok(());
    }
    console.result(words(&points, &found, expected, &source));
    Ok(())
}

fn refused(error: &PointsError) -> CommandError {
    let exit = match error {
        PointsError::TooFew { .. } | PointsError::NoFall | PointsError::Fit(_) => Exit::NoMeasurement,
        _ => Exit::BadInput,
    };
    CommandError::new(exit, error).with_hint(error.hint())
}

fn text_of(file: &Path) -> Result<String, CommandError> {
    let mut text = String::new();
    let read = if file == Path::new("-") {
        std::io::stdin().lock().read_to_string(&mut text).map(|_| text)
    } else {
        std::fs::read_to_string(file)
    };
    read.map_err(|error| {
        CommandError::new(Exit::BadInput, format!("can't read `{}`: {error}", file.display()))
            .with_hint("save the table as CSV, in UTF-8")
    })
}

fn draw(path: &Path, points: &[Point], found: &PointsFit) -> Result<(), CommandError> {
    let (figure, style) = (graph::figure(points, found), Style::default());
    let picture = match path.extension().and_then(|ending| ending.to_str()) {
        Some("png") => figure.png(&style),
        Some("svg") => figure.svg(&style).into_bytes(),
        _ => {
            return Err(CommandError::new(
                Exit::WrongUse,
                format!("{} ends neither in .png nor in .svg", path.display()),
            )
            .with_hint("name the picture `….png` or `….svg`"));
        }
    };
    write_atomically(path, &picture)
        .map_err(|error| CommandError::new(Exit::Environment, &error).with_hint(error.hint()))
}

fn words(points: &[Point], found: &PointsFit, expected: Estimate, source: &str) -> String {
    let mut rows = vec![Row::new("speed at the first row", found.speed_m_per_s, "m/s")];
    rows.extend(found.angle_deg.map(|angle| Row::new("angle there", angle, "°").note("above the horizontal")));
    rows.push(Row::new("gravity", found.gravity_m_per_s2, "m/s²"));
    let mut lines =
        vec![format!("{} rows, fitted with a flight without air", points.len()), table(&rows), String::new()];
    lines.push(agreement(found.gravity_m_per_s2, expected, source));
    lines.push(scatter("heights", &found.upwards));
    lines.extend(found.along.as_ref().map(|along| scatter("distances", along)));
    lines.join("\n")
}

fn agreement(found: Estimate, expected: Estimate, source: &str) -> String {
    let u = |estimate: Estimate| estimate.standard_uncertainty.unwrap_or(0.0);
    let half_width = |estimate: Estimate| estimate.expanded_uncertainty_95.unwrap_or(0.0);
    let difference = found.value - expected.value;
    let allowed = half_width(found).hypot(half_width(expected));
    let verdict = if difference.abs() <= allowed { "as expected" } else { "not as expected" };
    format!(
        "g is {verdict}: {:.2} m/s² against {:.2} m/s² ({source}), {:.1} standard uncertainties apart.",
        found.value,
        expected.value,
        difference.abs() / u(found).hypot(u(expected))
    )
}

/// How far the points lie off the fit, and whether what the table states covers that.
fn scatter(what: &str, of: &Coordinate) -> String {
    let squares: f64 = of.residuals_m.iter().map(|r| r * r).sum();
    let rms_mm = 1000.0 * (squares / of.residuals_m.len() as f64).sqrt();
    let stated = match of.reduced_chi_square {
        None => "uncertainties by that scatter, as the table states none for every row".to_owned(),
        Some(reduced) if of.widened > 1.0 => format!(
            "χ²/ν = {reduced:.2}: they scatter more than stated, so that the uncertainties were widened {:.2} times",
            of.widened
        ),
        Some(reduced) => format!("χ²/ν = {reduced:.2}: no more than stated"),
    };
    format!("The {what} lie {rms_mm:.1} mm off the fit (root mean square); {stated}.")
}
