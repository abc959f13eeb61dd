//! The graphs of a flight, as figures: what is shown, and the words around it.
//!
//! Times are counted from the launch. x counts to the right and y upwards, as the camera sees the flight; g is counted
//! positive although it points down.

mod motion;
mod position;
mod together;
pub(super) mod words;

use std::path::{Path, PathBuf};

use super::figure::{Figure, Style};
use super::files::{FileError, write_atomically};
use super::numbers::DecimalMark;
use super::said;
use crate::measurement::{FlightMeasurement, Measurement};

/// Which graphs are wanted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Choice {
    /// x against t, y against t, and the path.
    #[default]
    Positions,
    /// These and velocities, accelerations, residuals and energy.
    All,
}

/// A flight with what its graphs need to know of the rest.
#[derive(Debug, Clone, Copy)]
struct Subject<'a> {
    flight: &'a FlightMeasurement,
    /// Flights in the clip; from two on, titles and file names carry the flight's number.
    of: usize,
    mark: DecimalMark,
}

impl Subject<'_> {
    fn since_launch(&self, time_s: f64) -> f64 {
        time_s - self.flight.launch_time_s.value
    }

    fn name(&self, of_graph: &str) -> String {
        if self.of > 1 { format!("flight-{}-{of_graph}", self.flight.number) } else { of_graph.to_owned() }
    }

    fn title(&self, of_graph: &str) -> String {
        if self.of > 1 { format!("Flight {}: {of_graph}", self.flight.number) } else { capitalised(of_graph) }
    }
}

pub(crate) fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// Graphs of all flights of a clip together; none for a single flight.
pub fn of_all(measurement: &Measurement) -> Vec<Figure> {
    together::figures(measurement)
}

/// The figures of one flight out of `of`. Graphs for which nothing is known are left out.
pub fn figures(flight: &FlightMeasurement, of: usize, choice: Choice, mark: DecimalMark) -> Vec<Figure> {
    let subject = Subject { flight, of, mark };
    let mut figures = vec![position::along_time(&subject), position::height_time(&subject), position::path(&subject)];
    if choice == Choice::All {
        figures.extend(motion::figures(&subject));
        figures.extend(position::residual_distribution(&subject));
    }
    figures
}

/// All figures of a measurement, those of all flights together first, each with a line below it that says what must be known of the
/// numbers.
pub fn with_notices(measurement: &Measurement, choice: Choice, mark: DecimalMark) -> Vec<Figure> {
    let noticed = |figure: Figure, flight: Option<usize>| Figure {
        notice: said::in_few_marked_words(measurement, flight, mark),
        ..figure
    };
    let of = measurement.flights.len();
    let together = of_all(measurement).into_iter().map(|figure| noticed(figure, None));
    let each = measurement.flights.iter().flat_map(|flight| {
        figures(flight, of, choice, mark).into_iter().map(move |figure| noticed(figure, Some(flight.number)))
    });
    together.chain(each).collect()
}

/// Writes the graphs of all flights into `folder` as PNG and SVG, and says which files they are.
///
/// # Errors
/// [`FileError`] for the first file that can't be written; those before it are whole.
pub fn write(
    folder: &Path,
    measurement: &Measurement,
    choice: Choice,
    style: &Style,
) -> Result<Vec<PathBuf>, FileError> {
    let mut written = Vec::new();
    for figure in with_notices(measurement, choice, style.decimal_mark) {
        let (png, svg) = (folder.join(format!("{}.png", figure.name)), folder.join(format!("{}.svg", figure.name)));
        write_atomically(&png, &figure.png(style))?;
        write_atomically(&svg, figure.svg(style).as_bytes())?;
        written.extend([png, svg]);
    }
    Ok(written)
}
