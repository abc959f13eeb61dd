//! What can still be read of a damaged book.

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension, Row};

use super::error::BookError;
use super::exchange::{ExchangeError, ShotLine, write_lines};
use super::select::parsed;
use super::shot::{Source, time_text};
use super::store::Book;

/// A row of `shots` takes more bytes than this, so a file can't hold more rows than its size over it.
const SMALLEST_ROW_BYTES: u64 = 48;

/// What came of a rescue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rescued {
    /// Shots that were written out.
    pub shots: usize,
    /// Numbers of shots that were met but can't be read.
    pub unreadable: Vec<i64>,
    /// Shots whose measurement file is lost.
    pub without_measurement: usize,
    /// What SQLite's own check says of the file, at most ten lines.
    pub findings: Vec<String>,
}

/// Reads every shot of the book at `path` that can be read, one by one, and writes them to `to` (CSV or JSON). Works on a
/// copy; the damaged file isn't touched.
///
/// # Errors
/// [`ExchangeError`] when the file can't be opened as a book at all, or `to` can't be written.
pub fn rescue(path: &Path, to: &Path) -> Result<Rescued, ExchangeError> {
    if !path.exists() {
        return Err(BookError::NoBook { path: path.to_owned() }.into());
    }
    let copy = Copy::of(path, to)?;
    let (lines, rescued) = match read_out(&copy.path, path) {
        Err(damaged @ BookError::Damaged { .. }) => read_without_first_page(&copy.path, path, damaged)?,
        other => other?,
    };
    write_lines(to, &lines)?;
    Ok(rescued)
}

/// Every readable shot of the copy, and what is said of it.
fn read_out(copy: &Path, path: &Path) -> Result<(Vec<ShotLine>, Rescued), BookError> {
    let connection = Connection::open(copy).map_err(|error| BookError::from_sqlite(path, error))?;
    let mut salvage = Salvage::of(&connection, path)?;
    let last = salvage.last_possible(path);
    let lines: Vec<ShotLine> = (1..=last).filter_map(|id| salvage.line(id)).collect();
    let rescued = Rescued {
        shots: lines.len(),
        unreadable: salvage.unreadable,
        without_measurement: salvage.without_measurement,
        findings: findings(&connection),
    };
    Ok((lines, rescued))
}

/// The first page of a book says where its tables begin, which is the same in every book: a damaged one is replaced by that
/// of a new book. `damaged` is returned when even so nothing can be read.
fn read_without_first_page(
    copy: &Path,
    path: &Path,
    damaged: BookError,
) -> Result<(Vec<ShotLine>, Rescued), ExchangeError> {
    let failed = |source| ExchangeError::CannotWrite { path: copy.to_owned(), source };
    let mut bytes = fs::read(copy).map_err(failed)?;
    let first_page = first_page_of_a_new_book(copy)?;
    if bytes.len() < 2 * first_page.len() {
        return Err(damaged.into());
    }
    bytes[..first_page.len()].copy_from_slice(&first_page);
    fs::write(copy, bytes).map_err(failed)?;
    match read_out(copy, path) {
        Ok((lines, rescued)) if !lines.is_empty() => Ok((lines, rescued)),
        _ => Err(damaged.into()),
    }
}

fn first_page_of_a_new_book(beside: &Path) -> Result<Vec<u8>, ExchangeError> {
    let fresh = Copy { path: with_ending(beside, ".new") };
    drop(Book::open(&fresh.path)?);
    let mut bytes =
        fs::read(&fresh.path).map_err(|source| ExchangeError::CannotRead { path: fresh.path.clone(), source })?;
    // Page size: two bytes at 16, where 1 stands for 65536; "version valid for" at 92, which no longer holds, so that
    // SQLite goes by the size of the file (SQLite file format, section 1.3).
    let size = match u16::from_be_bytes([bytes[16], bytes[17]]) {
        1 => 65_536,
        size => usize::from(size),
    };
    bytes.truncate(size);
    bytes[92..96].fill(0);
    Ok(bytes)
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// A file beside the output, removed at the end: a copy of the book with its journal. Opening it may roll a journal back, which
/// must not happen to the only original.
struct Copy {
    path: PathBuf,
}

impl Copy {
    fn of(book: &Path, to: &Path) -> Result<Self, ExchangeError> {
        let copy = Self { path: with_ending(to, ".copy") };
        let failed = |source| ExchangeError::CannotWrite { path: copy.path.clone(), source };
        fs::copy(book, &copy.path).map_err(failed)?;
        let journal = with_ending(book, "-journal");
        if journal.exists() {
            fs::copy(journal, with_ending(&copy.path, "-journal")).map_err(failed)?;
        }
        Ok(copy)
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        // What is left of a copy harms nobody.
        let _ = fs::remove_file(&self.path);
        let _ = fs::remove_file(with_ending(&self.path, "-journal"));
    }
}

fn findings(connection: &Connection) -> Vec<String> {
    let read = || {
        let mut statement = connection.prepare("PRAGMA integrity_check(10)")?;
        statement.query_map([], |row| row.get(0))?.collect::<Result<Vec<String>, rusqlite::Error>>()
    };
    read().unwrap_or_else(|error| vec![error.to_string()])
}

/// The columns that came with later versions of the book, newest first, in the order in which they are read.
const COLUMNS_OF_VERSIONS: [&str; 5] = [
    "common_uncertainty, rig, outcome, target_kind, target_opening, target_height, target_distance, launch_angle,
     launch_angle_uncertainty, launch_angle_common, landing",
    "common_uncertainty, rig, outcome, target_kind, target_opening, target_height, target_distance, NULL, NULL, NULL, NULL",
    "common_uncertainty, rig, outcome, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL",
    "common_uncertainty, rig, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL",
    "NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL",
];

/// Reads shot by shot, through the number alone, so that a damaged page costs only the shots that lie on it.
struct Salvage<'c> {
    connection: &'c Connection,
    launchers: HashMap<i64, String>,
    sessions: HashMap<i64, String>,
    columns: &'static str,
    unreadable: Vec<i64>,
    without_measurement: usize,
}

impl<'c> Salvage<'c> {
    fn of(connection: &'c Connection, path: &Path) -> Result<Self, BookError> {
        let damaged = |error: rusqlite::Error| BookError::from_sqlite(path, error);
        // Preparing reads the table definitions: when even they are lost, SQLite can't tell what is what.
        connection.prepare("SELECT id FROM shots WHERE id = ?1").map_err(damaged)?;
        // Those of the newest version that the file has.
        let has = |columns: &&str| connection.prepare(&format!("SELECT {columns} FROM shots WHERE id = ?1")).is_ok();
        Ok(Self {
            connection,
            launchers: names(connection, "launchers"),
            sessions: names(connection, "sessions"),
            columns: COLUMNS_OF_VERSIONS.iter().find(|columns| has(columns)).copied().unwrap_or_default(),
            unreadable: Vec::new(),
            without_measurement: 0,
        })
    }

    /// The highest number that a shot can have: the table's own last one, or what the file has room for.
    fn last_possible(&self, path: &Path) -> i64 {
        let last =
            self.connection.query_row("SELECT max(id) FROM shots NOT INDEXED", [], |row| row.get::<_, Option<i64>>(0));
        match last {
            Ok(last) => last.unwrap_or(0),
            Err(_) => fs::metadata(path).map_or(0, |file| (file.len() / SMALLEST_ROW_BYTES) as i64),
        }
    }

    fn line(&mut self, id: i64) -> Option<ShotLine> {
        let sql = format!(
            "SELECT key, launcher, setting, session, time, speed, standard_uncertainty, source, clip_fingerprint,
                    flight_number, note, set_aside, {} FROM shots NOT INDEXED WHERE id = ?1",
            self.columns
        );
        let read = || self.connection.prepare_cached(&sql)?.query_row([id], |row| self.line_of(row)).optional();
        match read() {
            Ok(line) => line.map(|line| self.with_measurement(id, line)),
            Err(_) => {
                self.unreadable.push(id);
                None
            }
        }
    }

    fn line_of(&self, row: &Row<'_>) -> Result<ShotLine, rusqlite::Error> {
        let (setting, angle_deg, ball) = self.setting(row.get(2)?);
        Ok(ShotLine {
            key: row.get(0)?,
            launcher: name_of(&self.launchers, row.get(1)?, "launcher"),
            setting,
            angle_deg,
            ball,
            session: name_of(&self.sessions, row.get(3)?, "session"),
            time: time_text(parsed(row, 4, |text| text.parse().ok())?),
            speed_m_per_s: row.get(5)?,
            standard_uncertainty_m_per_s: row.get(6)?,
            common_uncertainty_m_per_s: row.get(12)?,
            rig: row.get(13)?,
            source: parsed(row, 7, Source::from_word)?,
            clip_fingerprint: row.get(8)?,
            flight_number: row.get(9)?,
            note: row.get(10)?,
            set_aside: row.get(11)?,
            outcome: row.get::<_, Option<String>>(14)?.as_deref().and_then(super::shot::Outcome::from_word),
            target_kind: row.get(15)?,
            target_opening_m: row.get(16)?,
            target_height_m: row.get(17)?,
            target_distance_m: row.get(18)?,
            launch_angle_deg: row.get(19)?,
            launch_angle_standard_uncertainty_deg: row.get(20)?,
            launch_angle_common_uncertainty_deg: row.get(21)?,
            landing: row.get(22)?,
            measurement: None,
        })
    }

    fn setting(&self, id: i64) -> (Option<String>, Option<f64>, Option<String>) {
        let read = |name: &str| {
            let sql = format!("SELECT {name}, angle_deg, ball FROM settings WHERE id = ?1");
            self.connection.query_row(&sql, [id], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        };
        // Its name in books up to version 4.
        read("name").or_else(|_| read("notch")).unwrap_or_else(|_| (Some(format!("lost (setting {id})")), None, None))
    }

    fn with_measurement(&mut self, id: i64, line: ShotLine) -> ShotLine {
        let mut statement = match self.connection.prepare_cached("SELECT json FROM measurements WHERE shot = ?1") {
            Ok(statement) => statement,
            Err(_) => return line,
        };
        match statement.query_row([id], |row| row.get(0)).optional() {
            Ok(measurement) => ShotLine { measurement, ..line },
            Err(_) => {
                self.without_measurement += 1;
                line
            }
        }
    }
}

fn names(connection: &Connection, table: &str) -> HashMap<i64, String> {
    // Names have numbers without gaps; a thousand missing in a row is the end of a damaged table.
    let mut found = HashMap::new();
    let mut missed = 0;
    let sql = format!("SELECT name FROM {table} WHERE id = ?1");
    for id in 1.. {
        match connection.prepare_cached(&sql).and_then(|mut statement| statement.query_row([id], |row| row.get(0))) {
            Ok(name) => {
                found.insert(id, name);
                missed = 0;
            }
            Err(_) => missed += 1,
        }
        if missed > 1000 {
            break;
        }
    }
    found
}

fn name_of(names: &HashMap<i64, String>, id: i64, what: &str) -> String {
    names.get(&id).cloned().unwrap_or_else(|| format!("lost ({what} {id})"))
}
