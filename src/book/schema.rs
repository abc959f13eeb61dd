//! The tables of the book, their version, and the way from an older version to this one.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, TransactionBehavior};

use super::error::BookError;

/// "LOBB", written in the file's header so that no other program's database is taken for a book.
const APPLICATION_ID: i64 = 0x4C4F_4242;

/// Step n brings a book from version n to version n + 1; steps are never changed once released.
const STEPS: [&str; 5] = [
    "CREATE TABLE launchers (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
     CREATE TABLE sessions (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
     CREATE TABLE settings (id INTEGER PRIMARY KEY, notch TEXT, angle_deg REAL, ball TEXT) STRICT;
     CREATE UNIQUE INDEX settings_once
        ON settings (ifnull(notch, ''), ifnull(angle_deg, -1000.0), ifnull(ball, ''));
     CREATE TABLE shots (
        id INTEGER PRIMARY KEY,
        key TEXT NOT NULL UNIQUE,
        launcher INTEGER NOT NULL REFERENCES launchers,
        setting INTEGER NOT NULL REFERENCES settings,
        session INTEGER NOT NULL REFERENCES sessions,
        time TEXT NOT NULL,
        speed REAL NOT NULL CHECK (speed > 0),
        standard_uncertainty REAL CHECK (standard_uncertainty > 0),
        source TEXT NOT NULL CHECK (source IN ('video', 'gate', 'import')),
        clip_fingerprint TEXT,
        flight_number INTEGER CHECK (flight_number > 0),
        note TEXT,
        set_aside TEXT
     ) STRICT;
     CREATE UNIQUE INDEX flights_once ON shots (clip_fingerprint, flight_number) WHERE clip_fingerprint IS NOT NULL;
     CREATE INDEX shots_in_order ON shots (launcher, time);
     CREATE INDEX shots_of_session ON shots (session);
     CREATE TABLE measurements (shot INTEGER PRIMARY KEY REFERENCES shots, json TEXT NOT NULL) STRICT;
     CREATE TABLE events (
        id INTEGER PRIMARY KEY,
        at TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('added', 'set aside', 'put back', 'undone')),
        reason TEXT,
        undoes INTEGER UNIQUE REFERENCES events,
        imported INTEGER NOT NULL DEFAULT 0
     ) STRICT;
     CREATE TABLE event_shots (
        event INTEGER NOT NULL REFERENCES events,
        shot INTEGER NOT NULL REFERENCES shots,
        before TEXT,
        after TEXT,
        PRIMARY KEY (event, shot)
     ) STRICT, WITHOUT ROWID;",
    // Errors that all shots of a rig share, kept apart from those of the single shot.
    "ALTER TABLE shots ADD COLUMN common_uncertainty REAL CHECK (common_uncertainty >= 0);
     ALTER TABLE shots ADD COLUMN rig TEXT;",
    // Whether the ball went in: from these the chance to hit is learnt.
    "ALTER TABLE shots ADD COLUMN outcome TEXT CHECK (outcome IN ('hit', 'miss'));",
    // At which target: a hit at a near bucket says little of a far one.
    "ALTER TABLE shots ADD COLUMN target_kind TEXT CHECK (target_kind IN ('cup', 'ring'));
     ALTER TABLE shots ADD COLUMN target_opening REAL CHECK (target_opening > 0);
     ALTER TABLE shots ADD COLUMN target_height REAL;
     ALTER TABLE shots ADD COLUMN target_distance REAL CHECK (target_distance > 0);",
    // One word for a setting, as it was typed: "notch 3" of a rig and "3" of a command were the same, shown as notch 3. Shots known by
    // where they landed, and measured angles, which stood in the measurement files alone; which part of those shots share wasn't
    // kept, so that all of it counts as shared. A source can't be added to a CHECK: the table is made again.
    "ALTER TABLE settings RENAME COLUMN notch TO name;
     CREATE TEMP TABLE twins AS SELECT short.id AS short, long.id AS long FROM settings short JOIN settings long
        ON long.name = 'notch ' || short.name AND long.angle_deg IS short.angle_deg AND long.ball IS short.ball;
     UPDATE shots SET setting = (SELECT long FROM twins WHERE short = shots.setting)
        WHERE setting IN (SELECT short FROM twins);
     DELETE FROM settings WHERE id IN (SELECT short FROM twins);
     DROP TABLE twins;
     UPDATE settings SET name = 'notch ' || name
        WHERE EXISTS (SELECT 1 FROM settings other WHERE other.name = 'notch ' || settings.name);
     CREATE TABLE shots_5 (
        id INTEGER PRIMARY KEY,
        key TEXT NOT NULL UNIQUE,
        launcher INTEGER NOT NULL REFERENCES launchers,
        setting INTEGER NOT NULL REFERENCES settings,
        session INTEGER NOT NULL REFERENCES sessions,
        time TEXT NOT NULL,
        speed REAL NOT NULL CHECK (speed > 0),
        standard_uncertainty REAL CHECK (standard_uncertainty > 0),
        source TEXT NOT NULL CHECK (source IN ('video', 'gate', 'import', 'landing')),
        clip_fingerprint TEXT,
        flight_number INTEGER CHECK (flight_number > 0),
        note TEXT,
        set_aside TEXT,
        common_uncertainty REAL CHECK (common_uncertainty >= 0),
        rig TEXT,
        outcome TEXT CHECK (outcome IN ('hit', 'miss')),
        target_kind TEXT CHECK (target_kind IN ('cup', 'ring')),
        target_opening REAL CHECK (target_opening > 0),
        target_height REAL,
        target_distance REAL CHECK (target_distance > 0),
        launch_angle REAL,
        launch_angle_uncertainty REAL CHECK (launch_angle_uncertainty > 0),
        launch_angle_common REAL CHECK (launch_angle_common >= 0),
        landing TEXT
     ) STRICT;
     INSERT INTO shots_5 (id, key, launcher, setting, session, time, speed, standard_uncertainty, source, clip_fingerprint,
        flight_number, note, set_aside, common_uncertainty, rig, outcome, target_kind, target_opening, target_height,
        target_distance)
        SELECT id, key, launcher, setting, session, time, speed, standard_uncertainty, source, clip_fingerprint,
        flight_number, note, set_aside, common_uncertainty, rig, outcome, target_kind, target_opening, target_height,
        target_distance FROM shots;
     DROP TABLE shots;
     ALTER TABLE shots_5 RENAME TO shots;
     CREATE UNIQUE INDEX flights_once ON shots (clip_fingerprint, flight_number) WHERE clip_fingerprint IS NOT NULL;
     CREATE INDEX shots_in_order ON shots (launcher, time);
     CREATE INDEX shots_of_session ON shots (session);
     CREATE TEMP TABLE angles AS SELECT shot, json_extract(flight.value, '$.launch_angle_deg.value') AS angle,
        json_extract(flight.value, '$.launch_angle_deg.standard_uncertainty') AS u
        FROM measurements JOIN shots ON shots.id = shot,
            json_each(CASE WHEN json_valid(measurements.json) THEN measurements.json ELSE '{}' END, '$.flights') AS flight
        WHERE json_extract(flight.value, '$.number') = ifnull(shots.flight_number, 1);
     UPDATE shots SET launch_angle = angles.angle, launch_angle_uncertainty = nullif(angles.u, 0), launch_angle_common = angles.u
        FROM angles WHERE angles.shot = shots.id AND typeof(angles.angle) = 'real'
            AND (angles.u IS NULL OR typeof(angles.u) = 'real' AND angles.u >= 0);
     DROP TABLE angles;",
];

/// The version that this program writes.
pub const VERSION: i64 = STEPS.len() as i64;

/// Makes the tables in an empty file, or brings an older book to this version after copying it.
///
/// # Errors
/// [`BookError::NotABook`], [`BookError::Newer`], [`BookError::NoBackup`], or what SQLite says.
pub(crate) fn prepare(connection: &mut Connection, path: &Path) -> Result<Option<PathBuf>, BookError> {
    prepare_to(connection, path, STEPS.len())
}

/// As [`prepare`], up to a version; tests make older books with it.
fn prepare_to(connection: &mut Connection, path: &Path, steps: usize) -> Result<Option<PathBuf>, BookError> {
    let version = known_version(connection, path)?;
    if version >= steps as i64 {
        return Ok(None);
    }
    let backup = if version > 0 { Some(back_up(connection, path, version)?) } else { None };
    let sqlite = |error| BookError::from_sqlite(path, error);
    let enforced: bool = connection.query_row("PRAGMA foreign_keys", [], |row| row.get(0)).map_err(sqlite)?;
    // A table that others refer to is made again in one of the steps; switching this is possible outside a transaction alone.
    connection.execute_batch("PRAGMA foreign_keys = OFF").map_err(sqlite)?;
    let done = bring_up(connection, path, steps);
    if enforced {
        connection.execute_batch("PRAGMA foreign_keys = ON").map_err(sqlite)?;
    }
    done?;
    Ok(backup)
}

/// The steps that are missing, all or none.
fn bring_up(connection: &mut Connection, path: &Path, steps: usize) -> Result<(), BookError> {
    let sqlite = |error| BookError::from_sqlite(path, error);
    // Immediate: of two programs that meet an old or empty book, the second waits here and then finds the work done.
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(sqlite)?;
    let version = known_version(&transaction, path)?;
    for step in STEPS.iter().take(steps).skip(version as usize) {
        transaction.execute_batch(step).map_err(sqlite)?;
    }
    let version = version.max(steps as i64);
    transaction
        .execute_batch(&format!("PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {version};"))
        .map_err(sqlite)?;
    transaction.commit().map_err(sqlite)
}

/// The version of the file: 0 when it is empty.
fn known_version(connection: &Connection, path: &Path) -> Result<i64, BookError> {
    let number = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0));
    let sqlite = |error| BookError::from_sqlite(path, error);
    let application = number("PRAGMA application_id").map_err(sqlite)?;
    let version = number("PRAGMA user_version").map_err(sqlite)?;
    let tables = number("SELECT count(*) FROM sqlite_schema").map_err(sqlite)?;
    if application != APPLICATION_ID && (application, version, tables) != (0, 0, 0) {
        return Err(BookError::NotABook { path: path.to_owned() });
    }
    if version > VERSION {
        return Err(BookError::Newer { path: path.to_owned(), found: version, known: VERSION });
    }
    Ok(version)
}

/// A whole copy beside the book, made by SQLite itself so that a half-written transaction can't end up in it.
fn back_up(connection: &Connection, path: &Path, version: i64) -> Result<PathBuf, BookError> {
    let backup = free_name(path, version);
    let text = backup.to_string_lossy().into_owned();
    connection
        .execute("VACUUM INTO ?1", [&text])
        .map_err(|error| BookError::NoBackup { backup: backup.clone(), detail: error.to_string() })?;
    Ok(backup)
}

/// `shots.sqlite.v1-backup`, with a number after it when that is taken.
fn free_name(path: &Path, version: i64) -> PathBuf {
    let named = |end: String| {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".v{version}-backup{end}"));
        PathBuf::from(name)
    };
    let numbered = (2..).map(|number| named(format!("-{number}")));
    std::iter::once(named(String::new())).chain(numbered).find(|name| !name.exists()).expect("some number is free")
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Makes an empty book of an older version.
    pub(crate) fn make_version(path: &Path, version: usize) -> Connection {
        let mut connection = Connection::open(path).unwrap();
        prepare_to(&mut connection, path, version).unwrap();
        connection
    }

    #[test]
    fn an_older_book_is_copied_and_brought_up() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("shots.sqlite");
        let old = make_version(&path, 1);
        old.execute_batch(
            "INSERT INTO launchers VALUES (1, 'catapult'); INSERT INTO sessions VALUES (1, 'open day');
             INSERT INTO settings VALUES (1, NULL, 45.0, NULL);
             INSERT INTO shots VALUES
                (1, 'k', 1, 1, 1, '2026-05-09T10:00:00.000Z', 4.01, NULL, 'gate', NULL, NULL, NULL, NULL);",
        )
        .unwrap();
        drop(old);
        let mut connection = Connection::open(&path).unwrap();
        let backup = prepare(&mut connection, &path).unwrap().unwrap();
        assert_eq!(backup, folder.path().join("shots.sqlite.v1-backup"));
        let speed = |connection: &Connection| {
            connection.query_row("SELECT speed FROM shots", [], |row| row.get::<_, f64>(0)).unwrap()
        };
        let version = |connection: &Connection| known_version(connection, &path).unwrap();
        assert_eq!((version(&connection), speed(&connection)), (VERSION, 4.01));
        let copy = Connection::open(&backup).unwrap();
        assert_eq!((version(&copy), speed(&copy)), (1, 4.01));
        assert_eq!(prepare(&mut connection, &path).unwrap(), None);
    }

    #[test]
    fn older_shots_keep_their_numbers_and_one_word_for_a_setting() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("shots.sqlite");
        let old = make_version(&path, 4);
        let json = r#"{"flights": [{"number": 1, "launch_angle_deg": {"value": 47.5, "standard_uncertainty": 0.4}},
            {"number": 2, "launch_angle_deg": {"value": 48.5, "standard_uncertainty": null}}]}"#;
        old.execute_batch(&format!(
            "INSERT INTO launchers VALUES (1, 'catapult'); INSERT INTO sessions VALUES (1, 'open day');
             INSERT INTO settings VALUES (1, 'notch 3', 45.0, NULL), (2, '3', 45.0, NULL), (3, '3', NULL, NULL), (4, '2', 45.0, NULL);
             INSERT INTO shots (id, key, launcher, setting, session, time, speed, standard_uncertainty, source, clip_fingerprint,
                flight_number) VALUES
                (1, 'a', 1, 1, 1, '2026-05-09T10:00:00.000Z', 4.02, 0.03, 'gate', NULL, NULL),
                (2, 'b', 1, 2, 1, '2026-05-09T10:00:00.000Z', 4.01, NULL, 'video', 'f', 1),
                (3, 'c', 1, 3, 1, '2026-05-09T10:00:00.000Z', 4.00, NULL, 'video', 'f', 2),
                (4, 'd', 1, 4, 1, '2026-05-09T10:00:00.000Z', 3.50, NULL, 'import', NULL, NULL);
             INSERT INTO measurements VALUES (2, '{json}'), (3, '{json}');"
        ))
        .unwrap();
        drop(old);
        let mut connection = Connection::open(&path).unwrap();
        prepare(&mut connection, &path).unwrap().unwrap();
        // What `4.02 ± 0.03 m/s` was stored as, a standard uncertainty, it stays.
        let rows = |sql: &str| {
            let mut statement = connection.prepare(sql).unwrap();
            let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
            rows.collect::<Result<Vec<(Option<f64>, Option<f64>)>, _>>().unwrap()
        };
        let speeds = [(Some(4.02), Some(0.03)), (Some(4.01), None), (Some(4.0), None), (Some(3.5), None)];
        assert_eq!(rows("SELECT speed, standard_uncertainty FROM shots ORDER BY id"), speeds);
        let angles = [(None, None), (Some(47.5), Some(0.4)), (Some(48.5), None), (None, None)];
        assert_eq!(rows("SELECT launch_angle, launch_angle_uncertainty FROM shots ORDER BY id"), angles);
        let mut named = connection
            .prepare("SELECT settings.name FROM shots JOIN settings ON settings.id = shots.setting ORDER BY shots.id")
            .unwrap();
        let names: Vec<String> = named.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
        assert_eq!(names, ["notch 3", "notch 3", "notch 3", "2"]);
        let broken: i64 =
            connection.query_row("SELECT count(*) FROM pragma_foreign_key_check", [], |row| row.get(0)).unwrap();
        assert_eq!(broken, 0);
    }

    #[test]
    fn a_newer_book_and_a_strange_database_are_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("shots.sqlite");
        make_version(&path, STEPS.len()).execute_batch("PRAGMA user_version = 99").unwrap();
        let before = std::fs::read(&path).unwrap();
        let error = prepare(&mut Connection::open(&path).unwrap(), &path).unwrap_err();
        assert!(matches!(error, BookError::Newer { found: 99, known: VERSION, .. }));
        assert_eq!(std::fs::read(&path).unwrap(), before);
        let strange = folder.path().join("strange.sqlite");
        Connection::open(&strange).unwrap().execute_batch("CREATE TABLE t (x)").unwrap();
        let error = prepare(&mut Connection::open(&strange).unwrap(), &strange).unwrap_err();
        assert!(matches!(error, BookError::NotABook { .. }));
    }
}
