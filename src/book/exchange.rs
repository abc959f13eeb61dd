//! Whole books as CSV or JSON, out and in again without a digit lost.
//!
//! Both forms have one line or object a shot, with the keys of [`ShotLine`]; times are RFC 3339 in UTC, an empty cell or
//! `null` means "not known", and `measurement` is the measurement file as text. JSON also carries the history of the book.

use std::fs::{self, File};
use std::io::{BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{Transaction, params};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::error::BookError;
use super::select::{Selection, angle_of, landing_of, target_of};
use super::shot::{ClipFlight, Outcome, Setting, Shot, ShotRecord, Source, time_text};
use super::store::{Added, Book, Incoming};
use crate::report::tables::{from_inert, inert};
use crate::small_file;

/// Version of the JSON form; raised when a key changes its meaning or goes.
const FORMAT_VERSION: u32 = 1;
const FORMAT: &str = "lobline shot book";

/// How many bad lines are named before the rest is only counted.
const NAMED_LINES: usize = 10;

/// Why readings could not be taken in or written out.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ExchangeError {
    #[error("{} ends neither in .csv nor in .json", path.display())]
    UnknownForm { path: PathBuf },
    #[error("cannot read {}: {source}", path.display())]
    CannotRead {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error("cannot write {}: {source}", path.display())]
    CannotWrite {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error("{} holds no shot book: {detail}", path.display())]
    NotAnExport { path: PathBuf, detail: String },
    #[error("nothing was taken from {}: {}", path.display(), named(lines))]
    BadLines { path: PathBuf, lines: Vec<BadLine> },
    #[error("{}: {problem}", path.display())]
    BadHeader { path: PathBuf, problem: String },
    #[error(transparent)]
    Book(#[from] BookError),
}

/// A line that can't be taken, counted from 1 with the header.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadLine {
    pub line: u64,
    pub problem: String,
}

impl ExchangeError {
    /// What to do next.
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            Self::UnknownForm { .. } => "name the file `….csv` or `….json`".to_owned(),
            Self::CannotRead { .. } => "check the name of the file".to_owned(),
            Self::CannotWrite { .. } => "check the free space and your right to write in that folder".to_owned(),
            Self::NotAnExport { .. } => {
                "give a file written by `lobline book export`; gate readings go in with `import-gate`".to_owned()
            }
            Self::BadLines { .. } => "mend these lines and import the whole file again".to_owned(),
            Self::BadHeader { .. } => {
                "the first line names the columns with their units, such as `time,speed / m/s,uncertainty / m/s,note`"
                    .to_owned()
            }
            Self::Book(error) => return error.hint(),
        })
    }
}

fn named(lines: &[BadLine]) -> String {
    let mut texts: Vec<String> =
        lines.iter().take(NAMED_LINES).map(|bad| format!("line {}: {}", bad.line, bad.problem)).collect();
    if lines.len() > NAMED_LINES {
        texts.push(format!("and {} more lines", lines.len() - NAMED_LINES));
    }
    texts.join("; ")
}

/// One shot in an exported file. Units stand in the keys.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShotLine {
    pub key: Option<String>,
    pub launcher: String,
    /// As it was typed; `notch` in files of before.
    #[serde(default, alias = "notch")]
    pub setting: Option<String>,
    pub angle_deg: Option<f64>,
    pub ball: Option<String>,
    pub session: String,
    pub time: String,
    pub speed_m_per_s: f64,
    pub standard_uncertainty_m_per_s: Option<f64>,
    pub common_uncertainty_m_per_s: Option<f64>,
    pub rig: Option<String>,
    pub source: Source,
    pub clip_fingerprint: Option<String>,
    pub flight_number: Option<u32>,
    pub note: Option<String>,
    pub set_aside: Option<String>,
    /// `hit` or `miss`; files of before it was kept have no such key.
    #[serde(default)]
    pub outcome: Option<Outcome>,
    /// `cup` or `ring`, with the next three; files of before targets were kept have no such keys.
    #[serde(default)]
    pub target_kind: Option<String>,
    #[serde(default)]
    pub target_opening_m: Option<f64>,
    #[serde(default)]
    pub target_height_m: Option<f64>,
    #[serde(default)]
    pub target_distance_m: Option<f64>,
    /// As measured, with the next two; files of before it was kept have no such keys.
    #[serde(default)]
    pub launch_angle_deg: Option<f64>,
    #[serde(default)]
    pub launch_angle_standard_uncertainty_deg: Option<f64>,
    #[serde(default)]
    pub launch_angle_common_uncertainty_deg: Option<f64>,
    /// Where it landed, JSON, of a shot that is known by that.
    #[serde(default)]
    pub landing: Option<String>,
    pub measurement: Option<String>,
}

impl From<Shot> for ShotLine {
    fn from(shot: Shot) -> Self {
        let record = shot.record;
        let (clip_fingerprint, flight_number) = record.clip.map(|clip| (clip.fingerprint, clip.flight)).unzip();
        Self {
            key: Some(shot.key),
            launcher: record.launcher,
            setting: record.setting.name,
            angle_deg: record.setting.angle_deg,
            ball: record.setting.ball,
            session: record.session,
            time: time_text(record.time),
            speed_m_per_s: record.speed_m_per_s,
            standard_uncertainty_m_per_s: record.standard_uncertainty_m_per_s,
            common_uncertainty_m_per_s: record.common_uncertainty_m_per_s,
            rig: record.rig,
            source: record.source,
            clip_fingerprint,
            flight_number,
            note: record.note,
            set_aside: shot.set_aside,
            outcome: record.outcome,
            target_kind: record.target.map(|target| target.kind.word().to_owned()),
            target_opening_m: record.target.map(|target| target.opening_m),
            target_height_m: record.target.map(|target| target.height_m),
            target_distance_m: record.target.map(|target| target.distance_m),
            launch_angle_deg: record.launch_angle.map(|angle| angle.angle_deg),
            launch_angle_standard_uncertainty_deg: record.launch_angle.and_then(|angle| angle.standard_uncertainty_deg),
            launch_angle_common_uncertainty_deg: record.launch_angle.and_then(|angle| angle.common_uncertainty_deg),
            landing: record.landing.and_then(|landing| serde_json::to_string(&landing).ok()),
            measurement: record.measurement,
        }
    }
}

impl ShotLine {
    /// With everything changed that people wrote; all else is of a form that no spreadsheet computes.
    fn with_texts(mut self, change: impl Fn(String) -> String) -> Self {
        self.launcher = change(self.launcher);
        self.session = change(self.session);
        for text in [&mut self.setting, &mut self.ball, &mut self.rig, &mut self.note, &mut self.set_aside] {
            *text = text.take().map(&change);
        }
        self
    }

    /// The shot that the line describes, checked; or what is wrong with it.
    pub(super) fn incoming(self) -> Result<Incoming, String> {
        let time: Timestamp =
            self.time.parse().map_err(|_| format!("time `{}` is not an RFC 3339 time with its zone", self.time))?;
        if self.key.as_ref().is_some_and(|key| key.len() != 16 || !key.bytes().all(|b| b.is_ascii_hexdigit())) {
            return Err("the key is not sixteen hexadecimal digits".to_owned());
        }
        if self.clip_fingerprint.is_some() != self.flight_number.is_some() {
            return Err("clip fingerprint and flight number belong together".to_owned());
        }
        let clip = self.clip_fingerprint.zip(self.flight_number);
        let sizes = [self.target_opening_m, self.target_height_m, self.target_distance_m];
        let target = target_of(self.target_kind.as_deref(), sizes);
        if target.is_none() && (self.target_kind.is_some() || sizes.iter().any(Option::is_some)) {
            return Err("a target needs kind (cup or ring), opening, height and distance".to_owned());
        }
        let landing = match &self.landing {
            Some(json) => Some(landing_of(json).ok_or("the landing isn't one that lobline wrote")?),
            None => None,
        };
        let record = ShotRecord {
            launcher: self.launcher,
            setting: Setting { name: self.setting, angle_deg: self.angle_deg, ball: self.ball },
            session: self.session,
            time,
            speed_m_per_s: self.speed_m_per_s,
            standard_uncertainty_m_per_s: self.standard_uncertainty_m_per_s,
            common_uncertainty_m_per_s: self.common_uncertainty_m_per_s,
            rig: self.rig,
            source: self.source,
            clip: clip.map(|(fingerprint, flight)| ClipFlight { fingerprint, flight }),
            outcome: self.outcome,
            target,
            note: self.note,
            measurement: self.measurement,
            launch_angle: angle_of(
                self.launch_angle_deg,
                self.launch_angle_standard_uncertainty_deg,
                self.launch_angle_common_uncertainty_deg,
            ),
            landing,
        };
        let record = record.checked().map_err(|error| error.to_string())?;
        Ok(Incoming { key: self.key, record, set_aside: self.set_aside })
    }
}

/// An event in the JSON form; shots by their key.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct EventLine {
    number: i64,
    at: String,
    kind: String,
    reason: Option<String>,
    undoes: Option<i64>,
    shots: Vec<EventShot>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct EventShot {
    key: String,
    before: Option<String>,
    after: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Document {
    format: String,
    format_version: u32,
    shots: Vec<ShotLine>,
    #[serde(default)]
    events: Vec<EventLine>,
}

impl Book {
    /// Writes the selection to `path` as CSV or JSON, by its ending; the file appears whole or not at all. Returns the
    /// number of shots.
    ///
    /// # Errors
    /// [`ExchangeError`].
    pub fn export(&self, selection: &Selection, path: &Path) -> Result<usize, ExchangeError> {
        let form = form_of(path)?;
        let mut lines = Vec::new();
        self.for_each(selection, |shot| lines.push(ShotLine::from(shot)))?;
        let events = if form == Form::Json { self.event_lines()? } else { Vec::new() };
        write_whole(path, |writer| match form {
            Form::Csv => write_csv(writer, &lines),
            Form::Json => write_json(writer, &lines, &events),
        })?;
        Ok(lines.len())
    }

    /// Takes in a file written by [`Book::export`], all or nothing; shots that the book has already aren't counted again.
    ///
    /// # Errors
    /// [`ExchangeError::BadLines`] names every line that can't be taken; then none is.
    pub fn import(&mut self, path: &Path, at: Timestamp) -> Result<Added, ExchangeError> {
        let (incoming, events) = match form_of(path)? {
            Form::Csv => (read_csv(path)?, Vec::new()),
            Form::Json => read_json(path)?,
        };
        let added = self.add_incoming(incoming, at)?;
        self.write(|transaction| events.iter().try_for_each(|event| take_event(transaction, event, &added)))?;
        Ok(added)
    }

    fn event_lines(&self) -> Result<Vec<EventLine>, BookError> {
        let read = || {
            let mut statement = self.connection.prepare(
                "SELECT events.id, at, kind, reason, undoes, shots.key, before, after FROM events
                 JOIN event_shots ON event = events.id JOIN shots ON shots.id = shot ORDER BY events.id, shot",
            )?;
            let mut rows = statement.query([])?;
            let mut events: Vec<EventLine> = Vec::new();
            while let Some(row) = rows.next()? {
                let number = row.get(0)?;
                let shot = EventShot { key: row.get(5)?, before: row.get(6)?, after: row.get(7)? };
                match events.last_mut().filter(|event| event.number == number) {
                    Some(event) => event.shots.push(shot),
                    None => events.push(EventLine {
                        number,
                        at: row.get(1)?,
                        kind: row.get(2)?,
                        reason: row.get(3)?,
                        undoes: row.get(4)?,
                        shots: vec![shot],
                    }),
                }
            }
            Ok(events)
        };
        read().map_err(|error| BookError::from_sqlite(&self.path, error))
    }
}

/// Keeps the part of an imported event that concerns shots which are new in this book; it can't be undone here.
fn take_event(transaction: &Transaction<'_>, event: &EventLine, added: &Added) -> Result<(), rusqlite::Error> {
    let first_new = added.recorded.first().copied().unwrap_or(i64::MAX);
    let mut find = transaction.prepare_cached("SELECT id FROM shots WHERE key = ?1 AND id >= ?2")?;
    let mut number = None;
    for shot in &event.shots {
        let Ok(id) = find.query_row(params![shot.key, first_new], |row| row.get::<_, i64>(0)) else { continue };
        let event_id = match number {
            Some(number) => number,
            None => transaction
                .prepare_cached("INSERT INTO events (at, kind, reason, imported) VALUES (?1, ?2, ?3, 1)")?
                .insert(params![event.at, event.kind, event.reason])?,
        };
        number = Some(event_id);
        transaction.prepare_cached("INSERT INTO event_shots VALUES (?1, ?2, ?3, ?4)")?.execute(params![
            event_id,
            id,
            shot.before,
            shot.after
        ])?;
    }
    Ok(())
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Csv,
    Json,
}

fn form_of(path: &Path) -> Result<Form, ExchangeError> {
    match path.extension().and_then(|end| end.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("csv") => Ok(Form::Csv),
        Some("json") => Ok(Form::Json),
        _ => Err(ExchangeError::UnknownForm { path: path.to_owned() }),
    }
}

/// Writes beside `path` first and renames, so that no half-written file ever bears the name.
pub(super) fn write_whole(
    path: &Path,
    write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> Result<(), ExchangeError> {
    let mut partial = path.as_os_str().to_owned();
    partial.push(".part");
    let partial = PathBuf::from(partial);
    let attempt = || {
        let mut writer = BufWriter::new(File::create(&partial)?);
        write(&mut writer)?;
        writer.into_inner().map_err(|error| error.into_error())?.sync_all()?;
        fs::rename(&partial, path)
    };
    attempt().map_err(|source| {
        // Nothing more can be done about a part that can't be removed either.
        let _ = fs::remove_file(&partial);
        ExchangeError::CannotWrite { path: path.to_owned(), source }
    })
}

pub(super) fn write_lines(path: &Path, lines: &[ShotLine]) -> Result<(), ExchangeError> {
    let form = form_of(path)?;
    write_whole(path, |writer| match form {
        Form::Csv => write_csv(writer, lines),
        Form::Json => write_json(writer, lines, &[]),
    })
}

/// The header stands even when there is no shot below it.
const CSV_HEADER: [&str; 26] = [
    "key",
    "launcher",
    "setting",
    "angle_deg",
    "ball",
    "session",
    "time",
    "speed_m_per_s",
    "standard_uncertainty_m_per_s",
    "common_uncertainty_m_per_s",
    "rig",
    "source",
    "clip_fingerprint",
    "flight_number",
    "note",
    "set_aside",
    "outcome",
    "target_kind",
    "target_opening_m",
    "target_height_m",
    "target_distance_m",
    "launch_angle_deg",
    "launch_angle_standard_uncertainty_deg",
    "launch_angle_common_uncertainty_deg",
    "landing",
    "measurement",
];

fn write_csv(writer: &mut dyn Write, lines: &[ShotLine]) -> std::io::Result<()> {
    let mut csv = csv::WriterBuilder::new().has_headers(false).from_writer(writer);
    csv.write_record(CSV_HEADER)?;
    for line in lines {
        csv.serialize(line.clone().with_texts(|text| inert(&text)))?;
    }
    csv.flush()
}

/// One object a line, so that two exports can be compared line by line.
fn write_json(writer: &mut dyn Write, lines: &[ShotLine], events: &[EventLine]) -> std::io::Result<()> {
    writeln!(writer, "{{\"format\": \"{FORMAT}\", \"format_version\": {FORMAT_VERSION}, \"shots\": [")?;
    write_items(writer, lines)?;
    writeln!(writer, "], \"events\": [")?;
    write_items(writer, events)?;
    writeln!(writer, "]}}")
}

fn write_items<T: Serialize>(writer: &mut dyn Write, items: &[T]) -> std::io::Result<()> {
    for (index, item) in items.iter().enumerate() {
        let end = if index + 1 < items.len() { "," } else { "" };
        serde_json::to_writer(&mut *writer, item)?;
        writeln!(writer, "{end}")?;
    }
    Ok(())
}

fn read_csv(path: &Path) -> Result<Vec<Incoming>, ExchangeError> {
    let file = open(path)?;
    let mut csv = csv::ReaderBuilder::new().from_reader(BufReader::new(file));
    let not_an_export = |detail: String| ExchangeError::NotAnExport { path: path.to_owned(), detail };
    let header = csv.headers().map_err(|error| not_an_export(error.to_string()))?.clone();
    let missing = ["launcher", "session", "time", "speed_m_per_s", "source"]
        .into_iter()
        .find(|column| header.iter().all(|known| known != *column));
    if let Some(column) = missing {
        return Err(not_an_export(format!("the column `{column}` is missing")));
    }
    let mut taken = Taken::default();
    let mut record = csv::StringRecord::new();
    loop {
        let line = csv.position().line();
        match csv.read_record(&mut record) {
            Ok(false) => break,
            Ok(true) => taken.take(line_of(&record, line), csv_line(&record, &header)),
            Err(error) => taken.take(line_of(&record, line), Err(csv_problem(&error))),
        }
    }
    taken.finish(path)
}

fn line_of(record: &csv::StringRecord, otherwise: u64) -> u64 {
    record.position().map_or(otherwise, csv::Position::line)
}

fn csv_line(record: &csv::StringRecord, header: &csv::StringRecord) -> Result<Incoming, String> {
    let line = record.deserialize::<ShotLine>(Some(header)).map_err(|error| csv_problem(&error))?;
    line.with_texts(|text| from_inert(&text).to_owned()).incoming()
}

/// The library's message without its own count of records, which would be a second number beside the line.
fn csv_problem(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::Deserialize { err, .. } => err.to_string(),
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("{len} cells where the header has {expected_len}")
        }
        csv::ErrorKind::Utf8 { .. } => "the text is not UTF-8".to_owned(),
        _ => error.to_string(),
    }
}

/// Good lines and bad ones, gathered until the end of the file.
#[derive(Debug, Default)]
pub(super) struct Taken {
    good: Vec<Incoming>,
    bad: Vec<BadLine>,
}

impl Taken {
    pub(super) fn take(&mut self, line: u64, result: Result<Incoming, String>) {
        match result {
            Ok(incoming) => self.good.push(incoming),
            Err(problem) => self.bad.push(BadLine { line, problem }),
        }
    }

    /// All or nothing.
    pub(super) fn finish(self, path: &Path) -> Result<Vec<Incoming>, ExchangeError> {
        if self.bad.is_empty() {
            return Ok(self.good);
        }
        Err(ExchangeError::BadLines { path: path.to_owned(), lines: self.bad })
    }
}

fn read_json(path: &Path) -> Result<(Vec<Incoming>, Vec<EventLine>), ExchangeError> {
    let not_an_export = |detail: String| ExchangeError::NotAnExport { path: path.to_owned(), detail };
    let document: Document =
        serde_json::from_reader(BufReader::new(open(path)?)).map_err(|error| not_an_export(error.to_string()))?;
    if document.format != FORMAT || document.format_version != FORMAT_VERSION {
        return Err(not_an_export(format!("its form is `{}` {}", document.format, document.format_version)));
    }
    let mut taken = Taken::default();
    for (index, line) in document.shots.into_iter().enumerate() {
        // One shot a line below the first line, as it was written.
        taken.take(index as u64 + 2, line.incoming());
    }
    Ok((taken.finish(path)?, document.events))
}

pub(super) fn open(path: &Path) -> Result<File, ExchangeError> {
    small_file::open(path).map_err(|source| ExchangeError::CannotRead { path: path.to_owned(), source })
}
