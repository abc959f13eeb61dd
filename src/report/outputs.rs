//! All files of a measurement into one folder.

use std::fs;
use std::path::{Path, PathBuf};

use image::RgbImage;
use rayon::prelude::*;

use super::figure::{Figure, Style};
use super::files::{FileError, png, write_atomically};
use super::graphs::{self, Choice};
use super::pdf::PdfError;
use super::sheet::SheetInput;
use super::strobe::{self, StrobeInput};
use super::workbook::{self, WorkbookError};
use super::{json, said, tables};
use crate::measurement::Measurement;

/// Which files are wanted, and how they look.
#[derive(Debug, Clone, Default)]
pub struct OutputOptions {
    pub style: Style,
    /// Also all further graphs, the lab sheet (web page and PDF) and the spreadsheet.
    pub hand_in: bool,
    /// What to type to get the same numbers again; for the lab sheet.
    pub command: Option<String>,
}

/// Why an output could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OutputError {
    #[error(transparent)]
    File(#[from] FileError),
    #[error(transparent)]
    Pdf(#[from] PdfError),
    #[error(transparent)]
    Workbook(#[from] WorkbookError),
}

impl OutputError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::File(error) => error.hint(),
            Self::Pdf(error) => error.hint(),
            Self::Workbook(error) => error.hint(),
        }
    }
}

/// Writes `sightings.csv`, `notes.csv`, the graphs as PNG and SVG, a strobe picture for each flight and at last `measurement.json` into
/// `folder`, which is made if need be; with [`OutputOptions::hand_in`] the rest too. Says which files there are, in order.
///
/// `strobes` belong to the flights in their order; there may be fewer.
///
/// # Errors
/// [`OutputError`] of the first file that could not be made. Each file is either whole or as it was before.
pub fn write(
    folder: &Path,
    measurement: &Measurement,
    strobes: &[StrobeInput],
    options: &OutputOptions,
) -> Result<Vec<PathBuf>, OutputError> {
    fs::create_dir_all(folder).map_err(|source| FileError::NotWritten { path: folder.to_owned(), source })?;
    let mark = options.style.decimal_mark;
    let mut written = Vec::new();
    let mut put = |name: &str, bytes: &[u8]| -> Result<(), FileError> {
        let path = folder.join(name);
        write_atomically(&path, bytes)?;
        written.push(path);
        Ok(())
    };
    put("sightings.csv", tables::sightings_csv(measurement, mark).as_bytes())?;
    put("notes.csv", said::csv(measurement, mark).as_bytes())?;
    for (name, bytes) in drawn(measurement, options) {
        put(&name, &bytes)?;
    }
    let pictures = strobe_pictures(measurement, strobes, options);
    for (i, picture) in pictures.iter().enumerate() {
        put(&strobe_name(measurement, i), &png(picture, None))?;
    }
    if options.hand_in {
        put("sightings.xlsx", &workbook::xlsx(measurement)?)?;
        let command = options.command.as_deref();
        let sheet = SheetInput { measurement, strobes: &pictures, decimal_mark: mark, command };
        put("lab-sheet.html", sheet.html().as_bytes())?;
        put("lab-sheet.pdf", &sheet.pdf()?)?;
    }
    // Last, so that a folder that holds it is whole.
    put("measurement.json", json::document(measurement).as_bytes())?;
    Ok(written)
}

fn strobe_name(measurement: &Measurement, index: usize) -> String {
    if measurement.flights.len() > 1 { format!("flight-{}-strobe.png", index + 1) } else { "strobe.png".to_owned() }
}

/// The graphs' file names and bytes. Drawn side by side, kept in order.
fn drawn(measurement: &Measurement, options: &OutputOptions) -> Vec<(String, Vec<u8>)> {
    let choice = if options.hand_in { Choice::All } else { Choice::Positions };
    let style = &options.style;
    let figures = graphs::with_notices(measurement, choice, style.decimal_mark);
    let both = |figure: &Figure| {
        [
            (format!("{}.png", figure.name), figure.png(style)),
            (format!("{}.svg", figure.name), figure.svg(style).into_bytes()),
        ]
    };
    figures.par_iter().map(both).collect::<Vec<_>>().into_iter().flatten().collect()
}

fn strobe_pictures(measurement: &Measurement, strobes: &[StrobeInput], options: &OutputOptions) -> Vec<RgbImage> {
    let pairs: Vec<_> = measurement.flights.iter().zip(strobes).collect();
    pairs
        .par_iter()
        .map(|(flight, input)| strobe::picture(input, flight, measurement, options.style.decimal_mark))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{Shot, measurement, strobe_input};

    #[test]
    fn the_folder_holds_what_was_promised() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("shot");
        let measurement = measurement(&[Shot::default(), Shot { points: 4, rate_hz: 10.0, ..Shot::default() }]);
        let strobes: Vec<_> = measurement.flights.iter().map(strobe_input).collect();
        let options = OutputOptions { hand_in: true, ..OutputOptions::default() };
        let written = write(&place, &measurement, &strobes, &options).unwrap();
        let mut there: Vec<PathBuf> = fs::read_dir(&place).unwrap().map(|e| e.unwrap().path()).collect();
        let mut promised = written.clone();
        there.sort();
        promised.sort();
        assert_eq!(there, promised);
        for name in ["flight-2-path.svg", "flight-1-strobe.png", "lab-sheet.pdf", "sightings.xlsx", "measurement.json"]
        {
            assert!(written.contains(&place.join(name)), "{name}");
        }
    }

    #[test]
    fn the_same_measurement_gives_the_same_files() {
        let measurement = measurement(&[Shot { points: 9, rate_hz: 15.0, ..Shot::default() }]);
        let strobes = [strobe_input(&measurement.flights[0])];
        let options = OutputOptions { hand_in: true, ..OutputOptions::default() };
        let (a, b) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let first = write(a.path(), &measurement, &strobes, &options).unwrap();
        let second = write(b.path(), &measurement, &strobes, &options).unwrap();
        for (one, other) in first.iter().zip(&second) {
            assert!(fs::read(one).unwrap() == fs::read(other).unwrap(), "{}", one.display());
        }
    }

    #[test]
    fn a_folder_that_cannot_be_made_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        fs::write(&file, "in the way").unwrap();
        let refused = write(&file.join("shot"), &measurement(&[]), &[], &OutputOptions::default());
        assert!(refused.unwrap_err().to_string().contains("file"));
    }
}
