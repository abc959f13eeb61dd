//! The lean rows that checks and charts work on: speeds in the order of time.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::Row;

use super::error::BookError;
use super::select::{Selection, parsed};
use super::shot::{Setting, Source};
use super::store::Book;

/// One counted shot of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeriesShot {
    /// Number in the book.
    pub id: i64,
    pub time: Timestamp,
    /// Index into [`Series::sessions`].
    pub session: usize,
    pub speed_m_per_s: f64,
    /// Standard uncertainty of this shot alone: the shared part is taken out where it is known.
    pub random_uncertainty_m_per_s: Option<f64>,
    /// Standard uncertainty shared by all shots of the same rig; `None` when it isn't known.
    pub common_uncertainty_m_per_s: Option<f64>,
    /// Index into [`Series::rigs`].
    pub rig: usize,
    pub source: Source,
}

/// Shots of one kind in the order of time, then of recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    pub shots: Vec<SeriesShot>,
    /// Names of the sessions, in the order of their first shot.
    pub sessions: Vec<String>,
    /// What was measured with: the rig's name where one was given, else the session and the source, because the phone
    /// rarely moves within a session.
    pub rigs: Vec<String>,
    /// The settings met, in words.
    pub settings: Vec<Setting>,
    /// The sources met.
    pub sources: Vec<Source>,
    /// The launchers met.
    pub launchers: Vec<String>,
}

impl Series {
    pub fn speeds(&self) -> Vec<f64> {
        self.shots.iter().map(|shot| shot.speed_m_per_s).collect()
    }
}

/// Rows before names are given their places in the series.
struct RawShot {
    shot: SeriesShot,
    session_id: i64,
    rig: Option<String>,
}

impl Book {
    /// The counted shots of a selection.
    ///
    /// # Errors
    /// As [`Book::latest`].
    pub fn series(&self, selection: &Selection) -> Result<Series, BookError> {
        let selection = Selection { with_set_aside: false, ..selection.clone() };
        let (conditions, values) = self.conditions(&selection)?;
        let sql = format!(
            "SELECT id, time, session, speed, standard_uncertainty, common_uncertainty, rig, source, setting, launcher
             FROM shots NOT INDEXED {conditions}"
        );
        let mut gathered = Gathered::default();
        let read = || {
            let mut statement = self.connection.prepare(&sql)?;
            let mut rows = statement.query(rusqlite::params_from_iter(values))?;
            while let Some(row) = rows.next()? {
                gathered.take(row)?;
            }
            gathered.settings = self.settings_of(&gathered.setting_ids)?;
            gathered.launchers = self.names_of("launchers", gathered.launcher_ids.keys())?;
            let sessions: BTreeMap<i64, String> = self.names_by_id("sessions")?;
            Ok(sessions)
        };
        let sessions = read().map_err(|error| BookError::from_sqlite(&self.path, error))?;
        Ok(gathered.into_series(&sessions))
    }

    fn settings_of(&self, ids: &BTreeMap<i64, ()>) -> Result<Vec<Setting>, rusqlite::Error> {
        let mut find = self.connection.prepare("SELECT notch, angle_deg, ball FROM settings WHERE id = ?1")?;
        ids.keys()
            .map(|id| {
                find.query_row([id], |row| {
                    Ok(Setting { notch: row.get(0)?, angle_deg: row.get(1)?, ball: row.get(2)? })
                })
            })
            .collect()
    }

    fn names_of<'i>(&self, table: &str, ids: impl Iterator<Item = &'i i64>) -> Result<Vec<String>, rusqlite::Error> {
        let names = self.names_by_id(table)?;
        Ok(ids.filter_map(|id| names.get(id).cloned()).collect())
    }

    fn names_by_id(&self, table: &str) -> Result<BTreeMap<i64, String>, rusqlite::Error> {
        let mut statement = self.connection.prepare(&format!("SELECT id, name FROM {table}"))?;
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
    }
}

#[derive(Default)]
struct Gathered {
    raw: Vec<RawShot>,
    setting_ids: BTreeMap<i64, ()>,
    launcher_ids: BTreeMap<i64, ()>,
    settings: Vec<Setting>,
    launchers: Vec<String>,
}

impl Gathered {
    fn take(&mut self, row: &Row<'_>) -> Result<(), rusqlite::Error> {
        let whole: Option<f64> = row.get(4)?;
        let common: Option<f64> = row.get(5)?;
        self.setting_ids.insert(row.get(8)?, ());
        self.launcher_ids.insert(row.get(9)?, ());
        let shot = SeriesShot {
            id: row.get(0)?,
            time: parsed(row, 1, |text| text.parse().ok())?,
            session: 0,
            speed_m_per_s: row.get(3)?,
            random_uncertainty_m_per_s: whole.map(|u| (u * u - common.map_or(0.0, |c| c * c)).max(0.0).sqrt()),
            common_uncertainty_m_per_s: common,
            rig: 0,
            source: parsed(row, 7, Source::from_word)?,
        };
        self.raw.push(RawShot { shot, session_id: row.get(2)?, rig: row.get(6)? });
        Ok(())
    }

    fn into_series(mut self, session_names: &BTreeMap<i64, String>) -> Series {
        self.raw.sort_by_key(|raw| (raw.shot.time, raw.shot.id));
        let mut series = Series { settings: self.settings, launchers: self.launchers, ..Series::default() };
        let mut session_at: BTreeMap<i64, usize> = BTreeMap::new();
        let mut rig_at: BTreeMap<(Option<String>, Option<(i64, Source)>), usize> = BTreeMap::new();
        for raw in self.raw {
            let session = *session_at.entry(raw.session_id).or_insert_with(|| {
                series.sessions.push(session_names.get(&raw.session_id).cloned().unwrap_or_default());
                series.sessions.len() - 1
            });
            let source = raw.shot.source;
            let unnamed = raw.rig.is_none().then_some((raw.session_id, source));
            let rig = *rig_at.entry((raw.rig, unnamed)).or_insert_with_key(|(rig, _)| {
                let session = &series.sessions[session];
                series.rigs.push(rig.clone().unwrap_or_else(|| format!("{session} ({})", source.word())));
                series.rigs.len() - 1
            });
            if !series.sources.contains(&source) {
                series.sources.push(source);
            }
            series.shots.push(SeriesShot { session, rig, ..raw.shot });
        }
        series
    }
}

/// Standard uncertainty, from the shared errors of rigs, of the difference between the means of two groups of shots.
///
/// Shots of one rig share one error, so that it cancels as far as both groups were measured with it, and is not averaged
/// away by more shots. The second value says whether the shared part of some shot isn't known.
pub(super) fn common_uncertainty_of_difference(first: &[SeriesShot], second: &[SeriesShot]) -> (f64, bool) {
    let mut by_rig: BTreeMap<usize, f64> = BTreeMap::new();
    let mut unknown = false;
    for (group, sign) in [(first, 1.0), (second, -1.0)] {
        for shot in group {
            let share = sign / group.len() as f64 * shot.common_uncertainty_m_per_s.unwrap_or(0.0);
            *by_rig.entry(shot.rig).or_default() += share;
            unknown |= shot.common_uncertainty_m_per_s.is_none();
        }
    }
    let same_rig = by_rig.len() == 1;
    (by_rig.values().map(|part| part * part).sum::<f64>().sqrt(), unknown && !same_rig)
}
