//! The book file: opening, recording, setting aside, undoing.
//!
//! SQLite with a rollback journal and `synchronous = EXTRA`: once a call has returned, the shot survives a killed program
//! and a power cut. The rollback journal rather than a write-ahead log, because the book is then one whole file whenever
//! no program writes, and a copy on a stick holds everything.

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use super::error::{BookError, ShotError};
use super::schema;
use super::shot::{Outcome, Setting, Shot, ShotRecord, check_target, time_text};
use crate::flight::aim::Target;

/// How long a call waits for another program that writes.
const BUSY_TIMEOUT: Duration = Duration::from_secs(20);

/// An open shot book.
#[derive(Debug)]
pub struct Book {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    migrated_from: Option<PathBuf>,
}

/// What came of recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Added {
    /// Numbers of the shots that are new in the book.
    pub recorded: Vec<i64>,
    /// Shots that the book had already.
    pub already_there: Vec<AlreadyThere>,
}

/// A shot that wasn't recorded again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlreadyThere {
    /// Position among the shots that were given, from 0.
    pub index: usize,
    /// Its number in the book.
    pub id: i64,
}

/// A shot to be recorded with what an export says of it beyond the record.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Incoming {
    pub key: Option<String>,
    pub record: ShotRecord,
    pub set_aside: Option<String>,
}

impl Book {
    /// Opens the book at `path`; makes it, and its folder, when there is none. A book of an older version is copied beside
    /// itself and brought up.
    ///
    /// # Errors
    /// [`BookError`]; a newer book, another program's database and a damaged file aren't touched.
    pub fn open(path: &Path) -> Result<Self, BookError> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder)
                .map_err(|source| BookError::CannotMakeFolder { path: path.to_owned(), source })?;
        }
        let sqlite = |error| BookError::from_sqlite(path, error);
        let mut connection = Connection::open(path).map_err(sqlite)?;
        connection.busy_timeout(BUSY_TIMEOUT).map_err(sqlite)?;
        connection.execute_batch("PRAGMA synchronous = EXTRA; PRAGMA foreign_keys = ON;").map_err(sqlite)?;
        let migrated_from = schema::prepare(&mut connection, path)?;
        Ok(Self { connection, path: path.to_owned(), migrated_from })
    }

    /// Opens a book that must exist already.
    ///
    /// # Errors
    /// [`BookError::NoBook`], and as [`Book::open`].
    pub fn open_existing(path: &Path) -> Result<Self, BookError> {
        if !path.exists() {
            return Err(BookError::NoBook { path: path.to_owned() });
        }
        Self::open(path)
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The copy of the older book, when opening brought it up to this version.
    pub fn migrated_from(&self) -> Option<&Path> {
        self.migrated_from.as_deref()
    }

    /// Records `shots` at the moment `at`, all or none; a flight of a clip that is in the book already isn't counted again.
    ///
    /// # Errors
    /// [`BookError::BadShot`] for the first shot that can't be recorded; then none is.
    pub fn add(&mut self, shots: Vec<ShotRecord>, at: Timestamp) -> Result<Added, BookError> {
        let incoming = shots.into_iter().map(|record| Incoming { key: None, record, set_aside: None });
        self.add_incoming(incoming.collect(), at)
    }

    pub(super) fn add_incoming(&mut self, shots: Vec<Incoming>, at: Timestamp) -> Result<Added, BookError> {
        let checked = shots
            .into_iter()
            .map(|shot| Ok(Incoming { record: shot.record.checked()?, ..shot }))
            .collect::<Result<Vec<_>, ShotError>>()?;
        self.write(|transaction| {
            let mut added = Added::default();
            let mut writer = Writer::new(transaction, at);
            for (index, shot) in checked.iter().enumerate() {
                match already_there(transaction, shot)? {
                    Some(id) => added.already_there.push(AlreadyThere { index, id }),
                    None => added.recorded.push(writer.insert(shot)?),
                }
            }
            Ok(added)
        })
    }

    /// Takes shots out of the counting, with the reason; they stay in the book.
    ///
    /// # Errors
    /// [`BookError::NoReason`], [`BookError::NoSuchShot`], [`BookError::AlreadySetAside`]; then none is set aside.
    pub fn set_aside(&mut self, ids: &[i64], reason: &str, at: Timestamp) -> Result<(), BookError> {
        let reason = reason.trim();
        if reason.is_empty() {
            return Err(BookError::NoReason);
        }
        for id in ids {
            if let Some(reason) = self.reason_of(*id)? {
                return Err(BookError::AlreadySetAside { id: *id, reason });
            }
        }
        self.write(|transaction| change(transaction, "set aside", Some(reason), ids, Some(reason), at))
    }

    /// Counts shots again that were set aside.
    ///
    /// # Errors
    /// [`BookError::NoSuchShot`], [`BookError::NotSetAside`]; then none is put back.
    pub fn put_back(&mut self, ids: &[i64], at: Timestamp) -> Result<(), BookError> {
        for id in ids {
            if self.reason_of(*id)?.is_none() {
                return Err(BookError::NotSetAside { id: *id });
            }
        }
        self.write(|transaction| change(transaction, "put back", None, ids, None, at))
    }

    /// States whether the balls of shots went in, or with `None` that it isn't known, and at which target; what was stated before
    /// is replaced. Without a `target` the one that stands there stays.
    ///
    /// # Errors
    /// [`BookError::NoSuchShot`], [`BookError::BadShot`] for a target that can't stand; then none is changed.
    pub fn set_outcome(
        &mut self,
        ids: &[i64],
        outcome: Option<Outcome>,
        target: Option<&Target>,
    ) -> Result<(), BookError> {
        target.map_or(Ok(()), check_target)?;
        for id in ids {
            self.reason_of(*id)?;
        }
        self.write(|transaction| {
            let mut say = transaction.prepare_cached("UPDATE shots SET outcome = ?2 WHERE id = ?1")?;
            let mut place = transaction.prepare_cached(
                "UPDATE shots SET target_kind = ?2, target_opening = ?3, target_height = ?4, target_distance = ?5
                 WHERE id = ?1",
            )?;
            for id in ids {
                say.execute(params![id, outcome.map(Outcome::word)])?;
                if let Some(target) = target {
                    let Target { kind, opening_m, height_m, distance_m } = target;
                    place.execute(params![id, kind.word(), opening_m, height_m, distance_m])?;
                }
            }
            Ok(())
        })
    }

    /// Why shot `id` is set aside, `None` when it counts.
    fn reason_of(&self, id: i64) -> Result<Option<String>, BookError> {
        self.connection
            .query_row("SELECT set_aside FROM shots WHERE id = ?1", [id], |row| row.get(0))
            .optional()
            .map_err(|error| BookError::from_sqlite(&self.path, error))?
            .ok_or(BookError::NoSuchShot { id })
    }

    /// Takes back the latest event that hasn't been: shots come back as they were before it, and shots that it added are
    /// set aside. Nothing is deleted.
    ///
    /// # Errors
    /// [`BookError::NothingToUndo`].
    pub fn undo(&mut self, at: Timestamp) -> Result<Event, BookError> {
        let latest = self
            .connection
            .query_row(LATEST_TO_UNDO, [], |row| row.get::<_, i64>(0))
            .optional()
            .map_err(|error| BookError::from_sqlite(&self.path, error))?
            .ok_or(BookError::NothingToUndo)?;
        self.write(|transaction| take_back(transaction, latest, at))?;
        let event = self.events("WHERE id = ?1", latest)?;
        event.into_iter().next().ok_or(BookError::NothingToUndo)
    }

    /// The latest `count` events, newest first.
    pub fn history(&self, count: usize) -> Result<Vec<Event>, BookError> {
        self.events("ORDER BY id DESC LIMIT ?1", i64::try_from(count).unwrap_or(i64::MAX))
    }

    fn events(&self, which: &str, number: i64) -> Result<Vec<Event>, BookError> {
        let sql = format!(
            "SELECT id, at, kind, reason, undoes, (SELECT count(*) FROM event_shots WHERE event = events.id),
                    (SELECT min(shot) FROM event_shots WHERE event = events.id),
                    EXISTS (SELECT 1 FROM events AS later WHERE later.undoes = events.id)
             FROM events {which}"
        );
        let read = || {
            let mut statement = self.connection.prepare(&sql)?;
            let rows = statement.query_map([number], |row| {
                Ok(Event {
                    id: row.get(0)?,
                    at: row.get(1)?,
                    kind: row.get(2)?,
                    reason: row.get(3)?,
                    undoes: row.get(4)?,
                    shots: row.get(5)?,
                    first_shot: row.get(6)?,
                    undone: row.get(7)?,
                })
            })?;
            rows.collect::<Result<Vec<_>, rusqlite::Error>>()
        };
        read().map_err(|error| BookError::from_sqlite(&self.path, error))
    }

    /// One transaction that takes the write lock at its start, so that two programs wait for each other instead of failing
    /// half-way.
    pub(super) fn write<T>(
        &mut self,
        work: impl FnOnce(&Transaction<'_>) -> Result<T, rusqlite::Error>,
    ) -> Result<T, BookError> {
        let path = self.path.clone();
        let run = |connection: &mut Connection| {
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let result = work(&transaction)?;
            transaction.commit()?;
            Ok(result)
        };
        run(&mut self.connection).map_err(|error| BookError::from_sqlite(&path, error))
    }
}

/// Events are taken back in the reverse order in which they happened; taking back isn't itself taken back.
const LATEST_TO_UNDO: &str = "SELECT id FROM events
    WHERE kind <> 'undone' AND imported = 0 AND id NOT IN (SELECT undoes FROM events WHERE undoes IS NOT NULL)
    ORDER BY id DESC LIMIT 1";

/// A line of the book's history.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    pub id: i64,
    /// RFC 3339, UTC.
    pub at: String,
    /// "added", "set aside", "put back" or "undone".
    pub kind: String,
    pub reason: Option<String>,
    /// The event that this one took back.
    pub undoes: Option<i64>,
    /// How many shots it touched, and the first of them.
    pub shots: i64,
    pub first_shot: Option<i64>,
    /// Whether it was taken back later.
    pub undone: bool,
}

/// Writes shots within one transaction, as one event.
struct Writer<'t> {
    transaction: &'t Transaction<'t>,
    at: Timestamp,
    event: Option<i64>,
}

impl<'t> Writer<'t> {
    fn new(transaction: &'t Transaction<'t>, at: Timestamp) -> Self {
        Self { transaction, at, event: None }
    }

    fn insert(&mut self, shot: &Incoming) -> Result<i64, rusqlite::Error> {
        let record = &shot.record;
        let launcher = name_id(self.transaction, "launchers", &record.launcher)?;
        let session = name_id(self.transaction, "sessions", &record.session)?;
        let setting = setting_id(self.transaction, &record.setting)?;
        let mut statement = self.transaction.prepare_cached(INSERT_SHOT)?;
        let id = statement.insert(params![
            shot.key,
            launcher,
            setting,
            session,
            time_text(record.time),
            record.speed_m_per_s,
            record.standard_uncertainty_m_per_s,
            record.common_uncertainty_m_per_s,
            record.rig,
            record.source.word(),
            record.clip.as_ref().map(|clip| &clip.fingerprint),
            record.clip.as_ref().map(|clip| clip.flight),
            record.note,
            shot.set_aside,
            record.outcome.map(Outcome::word),
            record.target.map(|target| target.kind.word()),
            record.target.map(|target| target.opening_m),
            record.target.map(|target| target.height_m),
            record.target.map(|target| target.distance_m),
            record.launch_angle.map(|angle| angle.angle_deg),
            record.launch_angle.and_then(|angle| angle.standard_uncertainty_deg),
            record.launch_angle.and_then(|angle| angle.common_uncertainty_deg),
            // Plain numbers; they can always be written.
            record.landing.and_then(|landing| serde_json::to_string(&landing).ok()),
        ])?;
        if let Some(json) = &record.measurement {
            self.transaction.prepare_cached("INSERT INTO measurements VALUES (?1, ?2)")?.execute(params![id, json])?;
        }
        self.note_addition(id, shot.set_aside.as_deref())?;
        Ok(id)
    }

    fn note_addition(&mut self, id: i64, set_aside: Option<&str>) -> Result<(), rusqlite::Error> {
        let event = match self.event {
            Some(event) => event,
            None => new_event(self.transaction, self.at, "added", None, None)?,
        };
        self.event = Some(event);
        // Before it was added it didn't count: that is what taking back the addition returns to.
        note_shot(self.transaction, event, id, Some("recording was undone"), set_aside)
    }
}

/// The key is drawn by SQLite when the shot brings none; 64 random bits don't meet by chance.
const INSERT_SHOT: &str = "INSERT INTO shots
    (key, launcher, setting, session, time, speed, standard_uncertainty, common_uncertainty, rig, source,
     clip_fingerprint, flight_number, note, set_aside, outcome,
     target_kind, target_opening, target_height, target_distance, launch_angle, launch_angle_uncertainty, launch_angle_common, landing)
    VALUES (ifnull(?1, lower(hex(randomblob(8)))), ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15,
            ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23)";

fn already_there(transaction: &Transaction<'_>, shot: &Incoming) -> Result<Option<i64>, rusqlite::Error> {
    if let Some(key) = &shot.key {
        let mut by_key = transaction.prepare_cached("SELECT id FROM shots WHERE key = ?1")?;
        if let Some(id) = by_key.query_row([key], |row| row.get(0)).optional()? {
            return Ok(Some(id));
        }
    }
    let Some(clip) = &shot.record.clip else { return Ok(None) };
    let mut by_flight =
        transaction.prepare_cached("SELECT id FROM shots WHERE clip_fingerprint = ?1 AND flight_number = ?2")?;
    by_flight.query_row(params![clip.fingerprint, clip.flight], |row| row.get(0)).optional()
}

/// The number of a name in `table`, given when it is new.
fn name_id(transaction: &Transaction<'_>, table: &str, name: &str) -> Result<i64, rusqlite::Error> {
    let mut find = transaction.prepare_cached(&format!("SELECT id FROM {table} WHERE name = ?1"))?;
    if let Some(id) = find.query_row([name], |row| row.get(0)).optional()? {
        return Ok(id);
    }
    transaction.prepare_cached(&format!("INSERT INTO {table} (name) VALUES (?1)"))?.insert([name])
}

fn setting_id(transaction: &Transaction<'_>, setting: &Setting) -> Result<i64, rusqlite::Error> {
    let mut find =
        transaction.prepare_cached("SELECT id FROM settings WHERE name IS ?1 AND angle_deg IS ?2 AND ball IS ?3")?;
    let values = params![setting.name, setting.angle_deg, setting.ball];
    if let Some(id) = find.query_row(values, |row| row.get(0)).optional()? {
        return Ok(id);
    }
    transaction.prepare_cached("INSERT INTO settings (name, angle_deg, ball) VALUES (?1, ?2, ?3)")?.insert(values)
}

fn new_event(
    transaction: &Transaction<'_>,
    at: Timestamp,
    kind: &str,
    reason: Option<&str>,
    undoes: Option<i64>,
) -> Result<i64, rusqlite::Error> {
    transaction
        .prepare_cached("INSERT INTO events (at, kind, reason, undoes) VALUES (?1, ?2, ?3, ?4)")?
        .insert(params![time_text(at), kind, reason, undoes])
}

fn note_shot(
    transaction: &Transaction<'_>,
    event: i64,
    shot: i64,
    before: Option<&str>,
    after: Option<&str>,
) -> Result<(), rusqlite::Error> {
    transaction
        .prepare_cached("INSERT OR IGNORE INTO event_shots VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![event, shot, before, after])?;
    Ok(())
}

/// Gives every shot of `ids` the new state, as one event.
fn change(
    transaction: &Transaction<'_>,
    kind: &str,
    reason: Option<&str>,
    ids: &[i64],
    set_aside: Option<&str>,
    at: Timestamp,
) -> Result<(), rusqlite::Error> {
    let event = new_event(transaction, at, kind, reason, None)?;
    for id in ids {
        let before: Option<String> =
            transaction.query_row("SELECT set_aside FROM shots WHERE id = ?1", [id], |row| row.get(0))?;
        note_shot(transaction, event, *id, before.as_deref(), set_aside)?;
        transaction.prepare_cached("UPDATE shots SET set_aside = ?2 WHERE id = ?1")?.execute(params![id, set_aside])?;
    }
    Ok(())
}

/// Brings the shots of event `undoes` back to their state before it.
fn take_back(transaction: &Transaction<'_>, undoes: i64, at: Timestamp) -> Result<(), rusqlite::Error> {
    let event = new_event(transaction, at, "undone", None, Some(undoes))?;
    transaction.execute(
        "INSERT INTO event_shots (event, shot, before, after)
         SELECT ?1, shot, after, before FROM event_shots WHERE event = ?2",
        [event, undoes],
    )?;
    transaction.execute(
        "UPDATE shots SET set_aside = (SELECT after FROM event_shots WHERE event = ?1 AND shot = shots.id)
         WHERE id IN (SELECT shot FROM event_shots WHERE event = ?1)",
        [event],
    )?;
    Ok(())
}

/// Looks a single shot up.
impl Book {
    /// # Errors
    /// [`BookError::NoSuchShot`].
    pub fn shot(&self, id: i64) -> Result<Shot, BookError> {
        let mut found = None;
        self.for_each_where("WHERE shots.id = ?1", params![id], |shot| found = Some(shot))?;
        found.ok_or(BookError::NoSuchShot { id })
    }
}
