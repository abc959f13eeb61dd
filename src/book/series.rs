//! The lean rows that checks and charts work on: speeds in the order of time.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::Row;

use super::error::BookError;
use super::select::{Selection, angle_of, parsed};
use super::shot::{MeasuredAngle, Setting, Source};
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
    /// The launch angle, where it was measured.
    pub angle: Option<MeasuredAngle>,
}

/// Shots of one kind in the order of time, then of recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    pub shots: Vec<SeriesShot>,
    /// Names of the sessions, in the order of their first shot.
    pub sessions: Vec<String>,
    /// What was measured with: the rig's name where one was given, else the session, and each way of measuring by itself; the phone
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

    /// The same shots with their measured angles, degrees, in the place of the speeds; those without one are left out.
    pub fn of_angles(&self) -> Self {
        let of = |shot: &SeriesShot| {
            let angle = shot.angle?;
            let common = angle.common_uncertainty_deg;
            let own = |u: f64| (u * u - common.map_or(0.0, |c| c * c)).max(0.0).sqrt();
            Some(SeriesShot {
                speed_m_per_s: angle.angle_deg,
                random_uncertainty_m_per_s: angle.standard_uncertainty_deg.map(own),
                common_uncertainty_m_per_s: common,
                ..*shot
            })
        };
        Self { shots: self.shots.iter().filter_map(of).collect(), ..self.clone() }
    }
}

/// Rows before names are given their places in the series; `rig` in the shot counts the names as they were met.
struct RawShot {
    shot: SeriesShot,
    session_id: i64,
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
            "SELECT id, time, session, speed, standard_uncertainty, common_uncertainty, rig, source, setting, launcher,
                    launch_angle, launch_angle_uncertainty, launch_angle_common
             FROM shots NOT INDEXED {conditions}"
        );
        let mut gathered = Gathered::default();
        let read = || {
            let mut statement = self.connection.prepare(&sql)?;
            let mut rows = statement.query(rusqlite::params_from_iter(values))?;
            while let Some(row) = rows.next()? {
                gathered.take(row)?;
            }
            gathered.settings = self.settings_of(&gathered.setting_ids.all)?;
            gathered.launchers = self.names_of("launchers", gathered.launcher_ids.all.keys())?;
            let sessions: BTreeMap<i64, String> = self.names_by_id("sessions")?;
            Ok(sessions)
        };
        let sessions = read().map_err(|error| BookError::from_sqlite(&self.path, error))?;
        Ok(gathered.into_series(&sessions))
    }

    fn settings_of(&self, ids: &BTreeMap<i64, ()>) -> Result<Vec<Setting>, rusqlite::Error> {
        let mut find = self.connection.prepare("SELECT name, angle_deg, ball FROM settings WHERE id = ?1")?;
        ids.keys()
            .map(|id| {
                find.query_row([id], |row| Ok(Setting { name: row.get(0)?, angle_deg: row.get(1)?, ball: row.get(2)? }))
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

/// Rows and the names met so far. A long book is read row by row here, so what seldom changes from one row to the next is
/// compared with the last one before it is looked up.
#[derive(Default)]
struct Gathered {
    raw: Vec<RawShot>,
    setting_ids: Seen,
    launcher_ids: Seen,
    /// Names of rigs as they were met; `None` where a shot has none.
    rigs: Vec<Option<String>>,
    clock: Clock,
    settings: Vec<Setting>,
    launchers: Vec<String>,
}

/// A set of numbers that mostly come in runs.
#[derive(Default)]
struct Seen {
    all: BTreeMap<i64, ()>,
    last: Option<i64>,
}

impl Seen {
    fn insert(&mut self, id: i64) {
        if self.last != Some(id) {
            self.last = Some(id);
            self.all.insert(id, ());
        }
    }
}

/// Reads times as the book writes them; midnights are kept, since most shots follow one of the same day.
#[derive(Default)]
struct Clock {
    date: String,
    midnight_ms: i64,
}

impl Clock {
    /// `2026-05-09T10:30:00.000Z`; any other RFC 3339 text by the library.
    fn read(&mut self, text: &str) -> Option<Timestamp> {
        let Some(in_day_ms) = in_day_ms(text.as_bytes()) else { return text.parse().ok() };
        let date = text.get(..10)?;
        if date != self.date {
            let midnight: Timestamp = format!("{date}T00:00:00Z").parse().ok()?;
            self.midnight_ms = midnight.as_millisecond();
            date.clone_into(&mut self.date);
        }
        Timestamp::from_millisecond(self.midnight_ms + in_day_ms).ok()
    }
}

/// Milliseconds since midnight of a time in the book's own form, `None` for any other.
fn in_day_ms(text: &[u8]) -> Option<i64> {
    let form = |at: usize, sign: u8| text[at] == sign;
    if text.len() != 24 || !(form(10, b'T') && form(13, b':') && form(16, b':') && form(19, b'.') && form(23, b'Z')) {
        return None;
    }
    let number = |from: usize, to: usize| {
        text[from..to]
            .iter()
            .try_fold(0_i64, |sum, digit| digit.is_ascii_digit().then(|| 10 * sum + i64::from(digit - b'0')))
    };
    let (hour, minute, second, ms) = (number(11, 13)?, number(14, 16)?, number(17, 19)?, number(20, 23)?);
    (hour < 24 && minute < 60 && second < 60).then_some(((hour * 60 + minute) * 60 + second) * 1000 + ms)
}

impl Gathered {
    fn take(&mut self, row: &Row<'_>) -> Result<(), rusqlite::Error> {
        let whole: Option<f64> = row.get(4)?;
        let common: Option<f64> = row.get(5)?;
        self.setting_ids.insert(row.get(8)?);
        self.launcher_ids.insert(row.get(9)?);
        let rig = self.rig_at(row.get_ref(6)?.as_str_or_null().map_err(rusqlite::Error::from)?);
        let clock = std::cell::RefCell::new(&mut self.clock);
        let shot = SeriesShot {
            id: row.get(0)?,
            time: parsed(row, 1, |text| clock.borrow_mut().read(text))?,
            session: 0,
            speed_m_per_s: row.get(3)?,
            random_uncertainty_m_per_s: whole.map(|u| (u * u - common.map_or(0.0, |c| c * c)).max(0.0).sqrt()),
            common_uncertainty_m_per_s: common,
            rig,
            source: parsed(row, 7, Source::from_word)?,
            angle: angle_of(row.get(10)?, row.get(11)?, row.get(12)?),
        };
        self.raw.push(RawShot { shot, session_id: row.get(2)? });
        Ok(())
    }

    /// The place of a rig's name, the latest ones looked at first.
    fn rig_at(&mut self, name: Option<&str>) -> usize {
        match self.rigs.iter().rposition(|known| known.as_deref() == name) {
            Some(at) => at,
            None => {
                self.rigs.push(name.map(str::to_owned));
                self.rigs.len() - 1
            }
        }
    }

    fn into_series(mut self, session_names: &BTreeMap<i64, String>) -> Series {
        // Nearly always in order already, which the stable sort notices.
        self.raw.sort_by_key(|raw| (raw.shot.time, raw.shot.id));
        let mut series = Series { settings: self.settings, launchers: self.launchers, ..Series::default() };
        series.shots.reserve_exact(self.raw.len());
        let mut session_at: BTreeMap<i64, usize> = BTreeMap::new();
        let mut rig_at: BTreeMap<(usize, Source, Option<i64>), usize> = BTreeMap::new();
        let mut last = None;
        for raw in self.raw {
            let source = raw.shot.source;
            let kind = (raw.session_id, raw.shot.rig, source);
            let (session, rig) = match last {
                Some((known, places)) if known == kind => places,
                _ => {
                    let session = *session_at.entry(raw.session_id).or_insert_with(|| {
                        series.sessions.push(session_names.get(&raw.session_id).cloned().unwrap_or_default());
                        series.sessions.len() - 1
                    });
                    let name = &self.rigs[raw.shot.rig];
                    let unnamed = name.is_none().then_some(raw.session_id);
                    let rig = *rig_at.entry((raw.shot.rig, source, unnamed)).or_insert_with(|| {
                        let session = &series.sessions[session];
                        series.rigs.push(name.clone().unwrap_or_else(|| format!("{session} ({})", source.word())));
                        series.rigs.len() - 1
                    });
                    if !series.sources.contains(&source) {
                        series.sources.push(source);
                    }
                    (session, rig)
                }
            };
            last = Some((kind, (session, rig)));
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
    // By rig, in runs: most neighbours share theirs.
    let mut by_rig: BTreeMap<usize, f64> = BTreeMap::new();
    let mut unknown = false;
    for (group, sign) in [(first, 1.0), (second, -1.0)] {
        for run in group.chunk_by(|a, b| a.rig == b.rig) {
            let sum: f64 = run.iter().map(|shot| shot.common_uncertainty_m_per_s.unwrap_or(0.0)).sum();
            *by_rig.entry(run[0].rig).or_default() += sign * sum / group.len() as f64;
            unknown |= run.iter().any(|shot| shot.common_uncertainty_m_per_s.is_none());
        }
    }
    let same_rig = by_rig.len() == 1;
    (by_rig.values().map(|part| part * part).sum::<f64>().sqrt(), unknown && !same_rig)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The quick clock against the library's, over dates with and without leap days.
    #[test]
    fn the_quick_clock_agrees_with_the_library() {
        let mut clock = Clock::default();
        for text in [
            "2026-05-09T10:30:00.000Z",
            "2026-05-09T23:59:59.999Z",
            "2024-02-29T00:00:00.001Z",
            "1969-12-31T23:59:59.500Z",
            "2026-05-09T10:30:00Z",
            "2026-05-09T10:30:00.5+02:00",
        ] {
            assert_eq!(clock.read(text), text.parse().ok(), "{text}");
        }
        assert_eq!(clock.read("2026-05-09T25:30:00.000Z"), None);
        assert_eq!(clock.read("2026-13-09T10:30:00.000Z"), None);
    }
}
