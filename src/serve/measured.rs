//! The measurement that the sheet shows: the run's, as it was found or as it was mended, and set against the forecast.

use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use image::RgbImage;

use super::child::{mended_name, read_strobes};
use super::error::Refusal;
use super::recording::{Answer, Step};
use super::setup::{Common, RunSettings, sentence};
use crate::measure::{FrameTimes, set_against};
use crate::measurement::Measurement;
use crate::report::figure::{Figure, Style, Theme};
use crate::report::files::png;
use crate::report::graphs::{Choice, with_notices};
use crate::report::numbers::DecimalMark;
use crate::report::sheet::SheetInput;
use crate::report::strobe::{self, StrobeInput};
use crate::report::{json, tables, workbook};

/// What is shown.
pub struct Measured {
    /// As the child found it.
    pub found: Measurement,
    pub shown: Measurement,
    pub times: FrameTimes,
    strobes: Vec<StrobeInput>,
    /// Drawn when first asked for.
    pictures: OnceLock<Vec<RgbImage>>,
}

impl Measured {
    /// `mended` is the number of the mended file that is shown instead of what was found.
    ///
    /// # Errors
    /// When the run's files can't be read, or the forecast can't be made.
    pub fn of(
        folder: &Path,
        mended: Option<u32>,
        step: &Step,
        settings: &RunSettings,
        common: &Common,
    ) -> Result<Self, Refusal> {
        let found = found(folder)?;
        let times: FrameTimes = read(&folder.join("times.json"))?;
        let mut shown = match mended {
            Some(number) => read(&folder.join(mended_name(number)))?,
            None => found.clone(),
        };
        if let Some(forecast) = step.setup.forecast.as_ref().or(common.forecast.as_ref()) {
            let expected = forecast.expected(&settings.rig)?;
            set_against(&mut shown, &expected).map_err(|error| {
                Refusal::wrong(
                    sentence(&error.to_string()),
                    error.hint().map_or_else(String::new, |hint| sentence(&hint)),
                )
            })?;
        }
        // The run may be of before the launcher was named.
        if let Some(basis) = &mut shown.basis {
            basis.rig.launcher = settings.rig.launcher.clone();
        }
        let strobes = read_strobes(folder).map_err(Refusal::internal)?;
        Ok(Self { found, shown, times, strobes, pictures: OnceLock::new() })
    }

    pub fn answers(&self, mark: DecimalMark) -> Vec<Answer> {
        let of = |flight: &crate::measurement::FlightMeasurement| {
            [
                ("speed", mark.interval(&flight.launch_speed_m_per_s), "m/s"),
                ("angle", mark.degrees(&flight.launch_angle_deg), ""),
                ("g", mark.interval(&flight.gravity_m_per_s2), "m/s²"),
            ]
            .map(|(name, value, unit)| Answer {
                flight: flight.number,
                name: name.into(),
                value,
                unit: unit.into(),
            })
        };
        self.shown.flights.iter().flat_map(of).collect()
    }

    /// The strobe picture of each flight, one by one as they are.
    fn pictures(&self, mark: DecimalMark) -> Vec<RgbImage> {
        let draw = |mark| {
            let pairs = self.shown.flights.iter().zip(&self.strobes);
            pairs.map(|(flight, input)| strobe::picture(input, flight, &self.shown, mark)).collect()
        };
        match mark {
            DecimalMark::Point => self.pictures.get_or_init(|| draw(mark)).clone(),
            DecimalMark::Comma => draw(mark),
        }
    }

    pub fn graphs(&self, mark: DecimalMark) -> Vec<Figure> {
        with_notices(&self.shown, Choice::All, mark)
    }

    /// A file for the reader by its name, one of a closed list; `None` for any other.
    ///
    /// # Errors
    /// When a writer refuses.
    pub fn file(&self, name: &str, mark: DecimalMark, dark: bool) -> Result<Option<Vec<u8>>, Refusal> {
        let sheet = |pictures: &[RgbImage], make: &dyn Fn(&SheetInput<'_>) -> Result<Vec<u8>, Refusal>| {
            make(&SheetInput { measurement: &self.shown, strobes: pictures, decimal_mark: mark, command: None })
        };
        Ok(Some(match name {
            "measurement.json" => json::document(&self.shown).into_bytes(),
            "sightings.csv" => tables::sightings_csv(&self.shown, mark).into_bytes(),
            "notes.csv" => crate::report::said::csv(&self.shown, mark).into_bytes(),
            "sightings.xlsx" => workbook::xlsx(&self.shown).map_err(Refusal::internal)?,
            "lab-sheet.html" => sheet(&self.pictures(mark), &|sheet| Ok(sheet.html().into_bytes()))?,
            "lab-sheet.pdf" => sheet(&self.pictures(mark), &|sheet| sheet.pdf().map_err(Refusal::internal))?,
            _ => return Ok(self.picture(name, mark, dark)),
        }))
    }

    fn picture(&self, name: &str, mark: DecimalMark, dark: bool) -> Option<Vec<u8>> {
        let (stem, ending) = name.rsplit_once('.')?;
        if let Some(number) = stem.strip_prefix("strobe-").filter(|_| ending == "png") {
            let index = number.parse::<usize>().ok()?.checked_sub(1)?;
            return self.pictures(mark).get(index).map(|picture| png(picture, None));
        }
        let figure = self.graphs(mark).into_iter().find(|figure| figure.name == stem)?;
        let theme = if dark { Theme::Dark } else { Theme::Light };
        let style = Style { theme, decimal_mark: mark, ..Style::default() };
        match ending {
            "png" => Some(figure.png(&style)),
            "svg" => Some(figure.svg(&style).into_bytes()),
            // On the page the caption stands below, as text.
            "graph" => Some(figure.svg(&Style { without_caption: true, ..style }).into_bytes()),
            _ => None,
        }
    }
}

/// What the child found in the clip, before anything was mended.
///
/// # Errors
/// When the run's file can't be read.
pub fn found(folder: &Path) -> Result<Measurement, Refusal> {
    read(&folder.join("measurement.json"))
}

fn read<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, Refusal> {
    let bytes = fs::read(path).map_err(Refusal::internal)?;
    serde_json::from_slice(&bytes).map_err(Refusal::internal)
}
