//! Reading the book: which shots, and in what order.

use rusqlite::{Params, Row, ToSql};

use super::error::BookError;
use super::landing::Landing;
use super::shot::{ClipFlight, MeasuredAngle, Outcome, Setting, Shot, ShotRecord, Source};
use super::store::Book;
use crate::flight::aim::Target;
use crate::flight::chance::OpeningKind;

/// Which shots are meant; everything left out is not asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Selection {
    pub launcher: Option<String>,
    pub session: Option<String>,
    /// As it was typed.
    pub setting: Option<String>,
    pub angle_deg: Option<f64>,
    pub ball: Option<String>,
    pub source: Option<Source>,
    pub rig: Option<String>,
    /// Fingerprint of a clip whose shots are left out.
    pub other_than_clip: Option<String>,
    /// Also those that are set aside.
    pub with_set_aside: bool,
}

/// How much stands in a book.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counts {
    pub shots: i64,
    pub set_aside: i64,
    pub launchers: i64,
    pub sessions: i64,
}

impl Book {
    /// How much stands in the book.
    pub fn counts(&self) -> Result<Counts, BookError> {
        let sql = "SELECT count(*), count(set_aside), (SELECT count(*) FROM launchers), (SELECT count(*) FROM sessions)
                   FROM shots";
        self.connection
            .query_row(sql, [], |row| {
                Ok(Counts { shots: row.get(0)?, set_aside: row.get(1)?, launchers: row.get(2)?, sessions: row.get(3)? })
            })
            .map_err(|error| BookError::from_sqlite(&self.path, error))
    }

    /// Names of the launchers, in the order in which they first appeared.
    pub fn launchers(&self) -> Result<Vec<String>, BookError> {
        self.names("launchers")
    }

    /// Names of the sessions, in the order in which they first appeared.
    pub fn sessions(&self) -> Result<Vec<String>, BookError> {
        self.names("sessions")
    }

    fn names(&self, table: &str) -> Result<Vec<String>, BookError> {
        let read = || {
            let mut statement = self.connection.prepare(&format!("SELECT name FROM {table} ORDER BY id"))?;
            statement.query_map([], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()
        };
        read().map_err(|error| BookError::from_sqlite(&self.path, error))
    }

    /// The latest `count` shots of the selection, newest last.
    ///
    /// # Errors
    /// [`BookError::NoSuchName`] when the launcher or session isn't in the book.
    pub fn latest(&self, selection: &Selection, count: usize) -> Result<Vec<Shot>, BookError> {
        let (conditions, values) = self.conditions(selection)?;
        // Each order has an index, so that a long book is not sorted to show its last lines.
        let order = if selection.launcher.is_some() { "shots.time DESC, shots.id DESC" } else { "shots.id DESC" };
        let mut shots = Vec::new();
        let which = format!("{conditions} ORDER BY {order} LIMIT {count}");
        self.for_each_where(&which, rusqlite::params_from_iter(values), |shot| shots.push(shot))?;
        shots.reverse();
        Ok(shots)
    }

    /// Hands every shot of the selection to `take`, in the order of recording; memory doesn't grow with the book.
    ///
    /// # Errors
    /// As [`Book::latest`].
    pub fn for_each(&self, selection: &Selection, take: impl FnMut(Shot)) -> Result<(), BookError> {
        let (conditions, values) = self.conditions(selection)?;
        self.for_each_where(&format!("{conditions} ORDER BY shots.id"), rusqlite::params_from_iter(values), take)
    }

    pub(super) fn for_each_where(
        &self,
        which: &str,
        values: impl Params,
        mut take: impl FnMut(Shot),
    ) -> Result<(), BookError> {
        let read = || {
            let mut statement = self.connection.prepare(&format!("{SELECT_SHOTS} {which}"))?;
            let mut rows = statement.query(values)?;
            while let Some(row) = rows.next()? {
                take(shot_of_row(row)?);
            }
            Ok(())
        };
        read().map_err(|error| BookError::from_sqlite(&self.path, error))
    }

    /// The `WHERE` clause of a selection and its values.
    pub(super) fn conditions(&self, selection: &Selection) -> Result<(String, Vec<Box<dyn ToSql>>), BookError> {
        let mut parts: Vec<&str> = Vec::new();
        let mut values: Vec<Box<dyn ToSql>> = Vec::new();
        let mut require = |part: &'static str, value: Option<Box<dyn ToSql>>| {
            if let Some(value) = value {
                parts.push(part);
                values.push(value);
            }
        };
        let boxed = |text: &Option<String>| text.clone().map(|text| Box::new(text) as Box<dyn ToSql>);
        require("shots.launcher = ?", self.id_of("launcher", selection.launcher.as_deref())?);
        require("shots.session = ?", self.id_of("session", selection.session.as_deref())?);
        require("shots.setting IN (SELECT id FROM settings WHERE name = ?)", boxed(&selection.setting));
        let angle = selection.angle_deg.map(|angle| Box::new(angle) as Box<dyn ToSql>);
        require("shots.setting IN (SELECT id FROM settings WHERE angle_deg = ?)", angle);
        require("shots.setting IN (SELECT id FROM settings WHERE ball = ?)", boxed(&selection.ball));
        require("shots.source = ?", selection.source.map(|source| Box::new(source.word()) as Box<dyn ToSql>));
        require("shots.rig = ?", boxed(&selection.rig));
        require("shots.clip_fingerprint IS NOT ?", boxed(&selection.other_than_clip));
        if !selection.with_set_aside {
            parts.push("shots.set_aside IS NULL");
        }
        let clause = if parts.is_empty() { String::new() } else { format!("WHERE {}", parts.join(" AND ")) };
        Ok((clause, values))
    }

    /// The number of a launcher or session, so that a mistyped name is an error and not an empty list.
    fn id_of(&self, what: &'static str, name: Option<&str>) -> Result<Option<Box<dyn ToSql>>, BookError> {
        let Some(name) = name else { return Ok(None) };
        let table = if what == "launcher" { "launchers" } else { "sessions" };
        let found = self
            .connection
            .query_row(&format!("SELECT id FROM {table} WHERE name = ?1"), [name], |row| row.get::<_, i64>(0));
        match found {
            Ok(id) => Ok(Some(Box::new(id))),
            Err(rusqlite::Error::QueryReturnedNoRows) => {
                Err(BookError::NoSuchName { what, name: name.to_owned(), known: self.names(table)? })
            }
            Err(error) => Err(BookError::from_sqlite(&self.path, error)),
        }
    }
}

pub(super) const SELECT_SHOTS: &str = "SELECT shots.id, shots.key, launchers.name, settings.name, settings.angle_deg,
        settings.ball, sessions.name, shots.time, shots.speed, shots.standard_uncertainty, shots.common_uncertainty,
        shots.rig, shots.source, shots.clip_fingerprint, shots.flight_number, shots.note, shots.set_aside,
        measurements.json, shots.outcome, shots.target_kind, shots.target_opening, shots.target_height,
        shots.target_distance, shots.launch_angle, shots.launch_angle_uncertainty, shots.launch_angle_common, shots.landing
    FROM shots
    JOIN launchers ON launchers.id = shots.launcher
    JOIN sessions ON sessions.id = shots.session
    JOIN settings ON settings.id = shots.setting
    LEFT JOIN measurements ON measurements.shot = shots.id";

pub(super) fn shot_of_row(row: &Row<'_>) -> Result<Shot, rusqlite::Error> {
    let fingerprint: Option<String> = row.get(13)?;
    let flight: Option<u32> = row.get(14)?;
    Ok(Shot {
        id: row.get(0)?,
        key: row.get(1)?,
        record: ShotRecord {
            launcher: row.get(2)?,
            setting: Setting { name: row.get(3)?, angle_deg: row.get(4)?, ball: row.get(5)? },
            session: row.get(6)?,
            time: parsed(row, 7, |text| text.parse().ok())?,
            speed_m_per_s: row.get(8)?,
            standard_uncertainty_m_per_s: row.get(9)?,
            common_uncertainty_m_per_s: row.get(10)?,
            rig: row.get(11)?,
            source: parsed(row, 12, Source::from_word)?,
            clip: fingerprint.zip(flight).map(|(fingerprint, flight)| ClipFlight { fingerprint, flight }),
            outcome: match row.get_ref(18)? {
                rusqlite::types::ValueRef::Null => None,
                _ => Some(parsed(row, 18, Outcome::from_word)?),
            },
            target: target_of(row.get::<_, Option<String>>(19)?.as_deref(), [row.get(20)?, row.get(21)?, row.get(22)?]),
            note: row.get(15)?,
            measurement: row.get(17)?,
            launch_angle: angle_of(row.get(23)?, row.get(24)?, row.get(25)?),
            landing: row.get::<_, Option<String>>(26)?.map(|_| parsed(row, 26, landing_of)).transpose()?,
        },
        set_aside: row.get(16)?,
    })
}

/// A measured angle of its parts.
pub(super) fn angle_of(angle_deg: Option<f64>, whole: Option<f64>, common: Option<f64>) -> Option<MeasuredAngle> {
    Some(MeasuredAngle { angle_deg: angle_deg?, standard_uncertainty_deg: whole, common_uncertainty_deg: common })
}

/// A landing as it is stored.
pub(super) fn landing_of(json: &str) -> Option<Landing> {
    serde_json::from_str(json).ok()
}

/// The target of a row or line; `None` where any part of it isn't stated.
pub(super) fn target_of(kind: Option<&str>, [opening, height, distance]: [Option<f64>; 3]) -> Option<Target> {
    Some(Target { kind: OpeningKind::from_word(kind?)?, opening_m: opening?, height_m: height?, distance_m: distance? })
}

/// A text column read into something else; a text that can't be is damage.
pub(super) fn parsed<T>(row: &Row<'_>, column: usize, read: impl Fn(&str) -> Option<T>) -> Result<T, rusqlite::Error> {
    let value = row.get_ref(column)?;
    let text = value.as_str()?;
    read(text).ok_or_else(|| {
        rusqlite::Error::FromSqlConversionFailure(
            column,
            rusqlite::types::Type::Text,
            format!("`{text}` can't be read").into(),
        )
    })
}
