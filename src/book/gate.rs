//! Readings of a timing gate from a CSV file.
//!
//! The first line names the columns, each with its unit after a slash or in brackets: `speed / m/s`, `speed [m/s]`,
//! `angle (deg)`. Separators are commas, semicolons or tabs; with semicolons or tabs a decimal comma is understood.
//!
//! | column | unit | |
//! | --- | --- | --- |
//! | `speed` | m/s, cm/s, km/h | or the next two instead |
//! | `gate time` | s, ms, us | how long the beam was interrupted |
//! | `width` | m, cm, mm | what interrupted the beam |
//! | `uncertainty` | as `speed`, or % | standard uncertainty of the speed, random part and shared part together |
//! | `shared uncertainty` | as `speed`, or % | the part of it that all readings of this gate share |
//! | `time` | none | RFC 3339, or date and time of day in the local zone |
//! | `launcher`, `session`, `setting`, `ball`, `rig`, `note` | none | instead of what was said for the whole file |
//! | `outcome` | none | hit or miss, where somebody aimed |
//! | `target` | none | cup or ring: at what it was aimed; with the next three |
//! | `opening`, `opening height`, `opening distance` | m, cm, mm | of the target |
//! | `angle` | deg | |

use std::io::Read;
use std::path::Path;

use jiff::civil::DateTime;
use jiff::{Timestamp, tz::TimeZone};

use super::exchange::{ExchangeError, Taken, open};
use super::shot::{Outcome, Setting, ShotRecord, Source};
use super::store::{Added, Book, Incoming};
use crate::flight::aim::Target;
use crate::flight::chance::OpeningKind;

/// What holds for every reading of a file unless a column says otherwise.
#[derive(Debug, Clone)]
pub struct GateDefaults {
    pub launcher: Option<String>,
    pub session: Option<String>,
    pub setting: Setting,
    /// Name of the gate.
    pub rig: Option<String>,
    /// Time of readings without one.
    pub time: Timestamp,
    /// Zone of times without one.
    pub zone: TimeZone,
    /// Take speeds beyond what launchers give as well.
    pub confirmed: bool,
}

impl Book {
    /// Records the gate readings of a CSV file, all or none.
    ///
    /// # Errors
    /// [`ExchangeError::BadHeader`], or [`ExchangeError::BadLines`] with every bad line by its number.
    pub fn import_gate(&mut self, path: &Path, defaults: &GateDefaults, at: Timestamp) -> Result<Added, ExchangeError> {
        let mut text = String::new();
        open(path)?
            .read_to_string(&mut text)
            .map_err(|source| ExchangeError::CannotRead { path: path.to_owned(), source })?;
        let readings = read_gate(&text, path, defaults)?;
        Ok(self.add_incoming(readings, at)?)
    }
}

/// A column that is understood.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Column {
    Time,
    /// With the factor to m/s.
    Speed(f64),
    GateTime(f64),
    Width(f64),
    /// `None`: in per cent of the speed.
    Uncertainty(Option<f64>),
    SharedUncertainty(Option<f64>),
    Angle,
    Launcher,
    Session,
    Setting,
    Ball,
    Rig,
    Outcome,
    Target,
    Opening(f64),
    OpeningHeight(f64),
    OpeningDistance(f64),
    Note,
}

fn read_gate(text: &str, path: &Path, defaults: &GateDefaults) -> Result<Vec<Incoming>, ExchangeError> {
    let text = text.trim_start_matches('\u{feff}');
    let delimiter = delimiter_of(text.lines().next().unwrap_or_default());
    let mut csv = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .has_headers(true)
        .from_reader(text.as_bytes());
    let bad_header = |problem: String| ExchangeError::BadHeader { path: path.to_owned(), problem };
    let header = csv.headers().map_err(|error| bad_header(error.to_string()))?.clone();
    let columns = header.iter().map(column_of).collect::<Result<Vec<_>, _>>().map_err(bad_header)?;
    check_columns(&columns).map_err(bad_header)?;
    let mut taken = Taken::default();
    for (index, record) in csv.records().enumerate() {
        match record {
            Ok(record) => {
                let line = record.position().map_or(index as u64 + 2, csv::Position::line);
                taken.take(line, Reading { columns: &columns, record: &record, delimiter }.incoming(defaults));
            }
            Err(error) => {
                let line = error.position().map_or(index as u64 + 2, csv::Position::line);
                taken.take(line, Err(format!("{} cells are needed", columns.len())));
            }
        }
    }
    taken.finish(path)
}

fn delimiter_of(header: &str) -> u8 {
    [b';', b'\t'].into_iter().find(|mark| header.as_bytes().contains(mark)).unwrap_or(b',')
}

fn check_columns(columns: &[Column]) -> Result<(), String> {
    let has = |wanted: fn(&Column) -> bool| columns.iter().any(wanted);
    let speed = has(|column| matches!(column, Column::Speed(_)));
    let transit =
        has(|column| matches!(column, Column::GateTime(_))) && has(|column| matches!(column, Column::Width(_)));
    if speed || transit {
        return Ok(());
    }
    Err("no column `speed / m/s`, and not both `gate time / ms` and `width / mm`".to_owned())
}

const LENGTHS: [(&str, f64); 3] = [("m", 1.0), ("cm", 1e-2), ("mm", 1e-3)];

/// Name and unit of a header cell.
fn column_of(cell: &str) -> Result<Column, String> {
    let (name, unit) = split_unit(cell);
    let column = match name.to_lowercase().as_str() {
        "time" => Column::Time,
        "speed" => Column::Speed(speed_unit(&unit, cell)?),
        "gate time" => Column::GateTime(factor(&unit, cell, &[("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("µs", 1e-6)])?),
        "width" => Column::Width(factor(&unit, cell, &LENGTHS)?),
        "uncertainty" => Column::Uncertainty(part_unit(&unit, cell)?),
        "shared uncertainty" => Column::SharedUncertainty(part_unit(&unit, cell)?),
        "angle" => {
            factor(&unit, cell, &[("deg", 1.0), ("°", 1.0)])?;
            Column::Angle
        }
        "launcher" => Column::Launcher,
        "session" => Column::Session,
        // `notch` in files of before.
        "setting" | "notch" => Column::Setting,
        "ball" => Column::Ball,
        "rig" => Column::Rig,
        "outcome" => Column::Outcome,
        "target" => Column::Target,
        "opening" => Column::Opening(factor(&unit, cell, &LENGTHS)?),
        "opening height" => Column::OpeningHeight(factor(&unit, cell, &LENGTHS)?),
        "opening distance" => Column::OpeningDistance(factor(&unit, cell, &LENGTHS)?),
        "note" => Column::Note,
        _ => return Err(format!("the column `{cell}` is not known")),
    };
    Ok(column)
}

/// `speed / m/s`, `speed [m/s]` and `speed (m/s)` are the same.
fn split_unit(cell: &str) -> (String, String) {
    let cell = cell.trim();
    let at = cell.find(['/', '[', '(']).unwrap_or(cell.len());
    let unit = cell[at..].trim_start_matches(['/', '[', '(']).trim_end_matches([']', ')']).trim();
    (cell[..at].trim().to_owned(), unit.to_owned())
}

fn speed_unit(unit: &str, cell: &str) -> Result<f64, String> {
    factor(unit, cell, &[("m/s", 1.0), ("cm/s", 1e-2), ("km/h", 1.0 / 3.6)])
}

fn part_unit(unit: &str, cell: &str) -> Result<Option<f64>, String> {
    if unit == "%" { Ok(None) } else { speed_unit(unit, cell).map(Some) }
}

fn factor(unit: &str, cell: &str, known: &[(&str, f64)]) -> Result<f64, String> {
    if unit.is_empty() {
        return Err(format!("the column `{cell}` has no unit"));
    }
    known
        .iter()
        .find(|(name, _)| *name == unit)
        .map(|(_, factor)| *factor)
        .ok_or_else(|| format!("the unit `{unit}` of the column `{cell}` is not known here"))
}

/// One line of the file.
struct Reading<'r> {
    columns: &'r [Column],
    record: &'r csv::StringRecord,
    delimiter: u8,
}

impl Reading<'_> {
    fn incoming(&self, defaults: &GateDefaults) -> Result<Incoming, String> {
        let speed_m_per_s = self.speed()?;
        let record = ShotRecord {
            launcher: self.text(Column::Launcher).or(defaults.launcher.clone()).unwrap_or_default(),
            setting: Setting {
                name: self.text(Column::Setting).or(defaults.setting.name.clone()),
                angle_deg: self.angle()?.or(defaults.setting.angle_deg),
                ball: self.text(Column::Ball).or(defaults.setting.ball.clone()),
            },
            session: self.text(Column::Session).or(defaults.session.clone()).unwrap_or_default(),
            time: self.time(defaults)?,
            speed_m_per_s,
            standard_uncertainty_m_per_s: self.part(speed_m_per_s, |column| match column {
                Column::Uncertainty(unit) => Some(*unit),
                _ => None,
            })?,
            common_uncertainty_m_per_s: self.part(speed_m_per_s, |column| match column {
                Column::SharedUncertainty(unit) => Some(*unit),
                _ => None,
            })?,
            rig: self.text(Column::Rig).or(defaults.rig.clone()),
            source: Source::Gate,
            clip: None,
            outcome: self.outcome()?,
            target: self.target()?,
            note: self.text(Column::Note),
            measurement: None,
            launch_angle: None,
            landing: None,
        };
        let record = record.checked().map_err(|error| error.to_string())?;
        if record.is_beyond_launchers() && !defaults.confirmed {
            return Err(format!("{speed_m_per_s} m/s is faster than launchers throw; if it is meant, add `--confirm`"));
        }
        Ok(Incoming { key: None, record, set_aside: None })
    }

    fn outcome(&self) -> Result<Option<Outcome>, String> {
        let read = |cell: String| {
            Outcome::from_word(&cell.to_lowercase()).ok_or_else(|| format!("outcome `{cell}` is neither hit nor miss"))
        };
        self.text(Column::Outcome).map(read).transpose()
    }

    /// Where opening and distance aren't stated there is no target; a cup on the floor where nothing else is.
    fn target(&self) -> Result<Option<Target>, String> {
        let length = |what: &str, factor: fn(&Column) -> Option<f64>| self.scaled(what, factor);
        let opening = length("the opening", |column| match column {
            Column::Opening(factor) => Some(*factor),
            _ => None,
        })?;
        let height = length("the opening's height", |column| match column {
            Column::OpeningHeight(factor) => Some(*factor),
            _ => None,
        })?;
        let distance = length("the opening's distance", |column| match column {
            Column::OpeningDistance(factor) => Some(*factor),
            _ => None,
        })?;
        let read = |cell: String| {
            OpeningKind::from_word(&cell.to_lowercase())
                .ok_or_else(|| format!("target `{cell}` is neither cup nor ring"))
        };
        let kind = self.text(Column::Target).map(read).transpose()?.unwrap_or(OpeningKind::Cup);
        let height_m = height.unwrap_or(0.0);
        Ok(opening.zip(distance).map(|(opening_m, distance_m)| Target { kind, opening_m, height_m, distance_m }))
    }

    fn cell(&self, wanted: impl Fn(&Column) -> bool) -> Option<&str> {
        let index = self.columns.iter().position(wanted)?;
        self.record.get(index).filter(|cell| !cell.is_empty())
    }

    fn text(&self, column: Column) -> Option<String> {
        self.cell(|known| *known == column).map(str::to_owned)
    }

    fn number(&self, cell: &str, what: &str) -> Result<f64, String> {
        let text = if self.delimiter == b',' { cell.to_owned() } else { cell.replace(',', ".") };
        text.parse().map_err(|_| format!("{what} `{cell}` is not a number"))
    }

    /// A number of the first column for which `factor` gives a factor, multiplied by it.
    fn scaled(&self, what: &str, factor: impl Fn(&Column) -> Option<f64>) -> Result<Option<f64>, String> {
        let Some(cell) = self.cell(|column| factor(column).is_some()) else { return Ok(None) };
        let factor = self.columns.iter().find_map(factor).unwrap_or(1.0);
        Ok(Some(self.number(cell, what)? * factor))
    }

    fn speed(&self) -> Result<f64, String> {
        let speed = self.scaled("speed", |column| match column {
            Column::Speed(factor) => Some(*factor),
            _ => None,
        })?;
        if let Some(speed) = speed {
            return Ok(speed);
        }
        let gate_time = self.scaled("gate time", |column| match column {
            Column::GateTime(factor) => Some(*factor),
            _ => None,
        })?;
        let width = self.scaled("width", |column| match column {
            Column::Width(factor) => Some(*factor),
            _ => None,
        })?;
        match (width, gate_time) {
            (Some(width), Some(gate_time)) if gate_time > 0.0 => Ok(width / gate_time),
            (Some(_), Some(gate_time)) => Err(format!("a gate time of {gate_time} s is not possible")),
            _ => Err("the speed is missing".to_owned()),
        }
    }

    fn part(&self, speed: f64, unit: impl Fn(&Column) -> Option<Option<f64>>) -> Result<Option<f64>, String> {
        let factor = |column: &Column| unit(column).map(|factor| factor.unwrap_or(speed / 100.0));
        self.scaled("uncertainty", factor)
    }

    fn angle(&self) -> Result<Option<f64>, String> {
        self.scaled("angle", |column| (*column == Column::Angle).then_some(1.0))
    }

    fn time(&self, defaults: &GateDefaults) -> Result<Timestamp, String> {
        let Some(cell) = self.cell(|column| *column == Column::Time) else { return Ok(defaults.time) };
        read_time(cell, &defaults.zone)
            .ok_or_else(|| format!("time `{cell}` is neither RFC 3339 nor a date with a time of day"))
    }
}

/// An RFC 3339 time, or a date and time of day in `zone`.
pub fn read_time(text: &str, zone: &TimeZone) -> Option<Timestamp> {
    if let Ok(time) = text.parse::<Timestamp>() {
        return Some(time);
    }
    let civil: DateTime = text.parse().ok()?;
    zone.to_timestamp(civil).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn defaults() -> GateDefaults {
        GateDefaults {
            launcher: Some("catapult".into()),
            session: Some("open day".into()),
            setting: Setting { angle_deg: Some(45.0), ..Setting::default() },
            rig: None,
            time: "2026-05-09T08:00:00Z".parse().unwrap(),
            zone: TimeZone::UTC,
            confirmed: false,
        }
    }

    fn read(text: &str) -> Result<Vec<Incoming>, ExchangeError> {
        read_gate(text, Path::new("gate.csv"), &defaults())
    }

    #[test]
    fn speeds_or_transit_times_are_read_with_their_units() {
        let shots =
            read("time,speed / m/s,uncertainty / %,note\n2026-05-09T10:00:00Z,4.0,0.5,first\n,4.1,,\n").unwrap();
        assert_eq!(shots[0].record.speed_m_per_s, 4.0);
        assert_eq!(shots[0].record.standard_uncertainty_m_per_s, Some(4.0 / 100.0 * 0.5));
        assert_eq!(shots[0].record.note.as_deref(), Some("first"));
        assert_eq!(shots[1].record.standard_uncertainty_m_per_s, None);
        assert_eq!(shots[1].record.time, defaults().time);
        let shots = read("gate time (ms);width [mm];launcher\n10,5;42;b\n").unwrap();
        // 42 mm in 10.5 ms; three roundings.
        assert!((shots[0].record.speed_m_per_s - 4.0).abs() < 1e-14);
        assert_eq!(shots[0].record.launcher, "b");
    }

    #[test]
    fn every_bad_line_is_named_and_nothing_is_taken() {
        let text = "speed / m/s,time\n4.0,2026-05-09 10:00\nfast,\n4.1,\n-1,\n4.2,yesterday\n4,5,6\n";
        let Err(ExchangeError::BadLines { lines, .. }) = read(text) else { panic!("taken") };
        let numbers: Vec<u64> = lines.iter().map(|bad| bad.line).collect();
        assert_eq!(numbers, [3, 5, 6, 7]);
        assert_eq!(lines[0].problem, "speed `fast` is not a number");
        assert_eq!(lines[1].problem, "a speed of -1 is not possible");
    }

    #[test]
    fn a_speed_that_no_launcher_gives_is_asked_back() {
        let text = "speed / m/s\n4.0\n400\n";
        let Err(ExchangeError::BadLines { lines, .. }) = read(text) else { panic!("taken") };
        assert!(lines.len() == 1 && lines[0].line == 3 && lines[0].problem.contains("--confirm"));
        let confirmed = GateDefaults { confirmed: true, ..defaults() };
        assert_eq!(read_gate(text, Path::new("gate.csv"), &confirmed).unwrap().len(), 2);
    }

    #[test]
    fn a_number_without_unit_is_refused() {
        for header in ["speed", "speed / knots", "height / m", "time"] {
            assert!(matches!(read(&format!("{header}\n1\n")), Err(ExchangeError::BadHeader { .. })), "{header}");
        }
    }

    #[test]
    fn fuzz_gate() {
        crate::fuzz::fuzz("gate", Vec::new(), |bytes| {
            let Ok(text) = std::str::from_utf8(bytes) else { return };
            match read(text) {
                Ok(readings) => assert!(readings.iter().all(|reading| reading.record.speed_m_per_s.is_finite())),
                Err(error) => assert!(!error.to_string().is_empty()),
            }
        });
    }
}
