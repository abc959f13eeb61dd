//! All files of a measurement into one folder.

use std::fs;
use std::path::{Path, PathBuf};

use image::RgbImage;
use rayon::prelude::*;

use super::figure::{Figure, Style};
use super::files::{FileError, png, write_atomically, write_new};
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
    /// Files that stand there already are kept, and said; else they are replaced.
    pub keep_existing: bool,
}

/// Files that every folder of results holds, the one that makes it whole last.
pub const ALWAYS_WRITTEN: [&str; 3] = ["sightings.csv", "notes.csv", "measurement.json"];

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
    let files: Vec<(PathBuf, Vec<u8>)> =
        made(measurement, strobes, options)?.into_iter().map(|(name, bytes)| (folder.join(name), bytes)).collect();
    // Told before the first is written: a folder doesn't get half of one result and half of another.
    if options.keep_existing
        && let Some((path, _)) = files.iter().find(|(path, _)| path.exists())
    {
        return Err(FileError::AlreadyThere { path: path.clone() }.into());
    }
    let put = if options.keep_existing { write_new } else { write_atomically };
    files.iter().try_for_each(|(path, bytes)| put(path, bytes))?;
    Ok(files.into_iter().map(|(path, _)| path).collect())
}

/// Names and bytes of all files.
fn made(
    measurement: &Measurement,
    strobes: &[StrobeInput],
    options: &OutputOptions,
) -> Result<Vec<(String, Vec<u8>)>, OutputError> {
    let mark = options.style.decimal_mark;
    let [sightings, notes, whole] = ALWAYS_WRITTEN.map(str::to_owned);
    let mut files = vec![
        (sightings, tables::sightings_csv(measurement, mark).into_bytes()),
        (notes, said::csv(measurement, mark).into_bytes()),
    ];
    files.extend(drawn(measurement, options));
    let pictures = strobe_pictures(measurement, strobes, options);
    files.extend(pictures.iter().enumerate().map(|(i, picture)| (strobe_name(measurement, i), png(picture, None))));
    if options.hand_in {
        files.push(("sightings.xlsx".to_owned(), workbook::xlsx(measurement)?));
        let command = options.command.as_deref();
        let sheet = SheetInput { measurement, strobes: &pictures, decimal_mark: mark, command };
        files.push(("lab-sheet.html".to_owned(), sheet.html().into_bytes()));
        files.push(("lab-sheet.pdf".to_owned(), sheet.pdf()?));
    }
    // Last, so that a folder that holds it is whole.
    files.push((whole, json::document(measurement).into_bytes()));
    Ok(files)
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
    fn not_one_file_is_replaced_or_added_where_any_is_to_be_kept() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("path.svg"), "drawn by hand").unwrap();
        let measurement = measurement(&[Shot::default()]);
        let keep = OutputOptions { keep_existing: true, ..OutputOptions::default() };
        let refused = write(folder.path(), &measurement, &[], &keep).unwrap_err();
        assert!(refused.to_string().contains("path.svg"), "{refused}");
        assert_eq!(fs::read(folder.path().join("path.svg")).unwrap(), b"drawn by hand");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
        write(folder.path(), &measurement, &[], &OutputOptions::default()).unwrap();
        assert_ne!(fs::read(folder.path().join("path.svg")).unwrap(), b"drawn by hand");
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
