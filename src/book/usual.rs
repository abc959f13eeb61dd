//! What a launcher usually does: speed, angle, scatter from shot to shot, hits and misses, as far as the book knows them.

use super::error::BookError;
use super::select::Selection;
use super::shot::{MeasuredAngle, Outcome, Setting, Shot, setting_in_words};
use super::store::Book;
use crate::flight::aim::Target;
use crate::maths::tests_of_means::{Sample, t_quantile};
use crate::units::Estimate;

/// Coverage factor of a 95 % interval of a normal distribution (GUM table G.2, infinite degrees of freedom).
const NORMAL_95: f64 = 1.96;

/// Whose shots are asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Asked {
    pub launcher: String,
    /// `None`: the shots must all have been made at one.
    pub setting: Option<String>,
    /// Degrees above the horizontal to which the launcher was set; `None` as with `setting`.
    pub angle_deg: Option<f64>,
    /// `None`: the session of the latest shot, because a launcher may have drifted since an earlier one.
    pub session: Option<String>,
    /// Fingerprint of a clip whose shots don't count: a shot isn't to be its own forecast.
    pub other_than_clip: Option<String>,
}

/// What the shots of one session at one setting have in common.
#[derive(Debug, Clone, PartialEq)]
pub struct Usual {
    pub launcher: String,
    pub session: String,
    pub setting: Setting,
    pub shots: usize,
    /// Mean of the shots. Its standard uncertainty is the 95 % half-width over 1.96, so that what is reckoned from it keeps
    /// the larger factor of few shots; `None` for a single shot whose own isn't known.
    pub speed_m_per_s: Estimate,
    /// Standard deviation from shot to shot, the scatter of the readings themselves included; `None` for a single shot.
    pub speed_scatter_m_per_s: Option<f64>,
    /// Mean of the angles that were measured from clips; without one the set angle, whose uncertainty isn't known; `None`
    /// when that isn't stated either.
    pub angle_deg: Option<Estimate>,
    /// As that of the speed, from the clips; `None` when fewer than two were measured.
    pub angle_scatter_deg: Option<f64>,
    /// What went in and what didn't, target by target, in the order in which they were first shot at.
    pub tried: Vec<TriedAt>,
}

/// What was shot at one target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TriedAt {
    /// `None`: at which isn't stated.
    pub target: Option<Target>,
    pub hits: u32,
    pub misses: u32,
}

impl Book {
    /// Means and scatter of a launcher's shots; those that are set aside don't count.
    ///
    /// # Errors
    /// [`BookError::NoSuchName`], [`BookError::NoShots`], or [`BookError::SeveralSettings`] when the shots belong to more than
    /// one setting.
    pub fn usual(&self, asked: &Asked) -> Result<Usual, BookError> {
        let mut selection = Selection {
            launcher: Some(asked.launcher.clone()),
            setting: asked.setting.clone(),
            angle_deg: asked.angle_deg,
            session: asked.session.clone(),
            other_than_clip: asked.other_than_clip.clone(),
            ..Selection::default()
        };
        let latest = self.latest(&selection, 1)?.pop().ok_or_else(|| no_shots(asked))?;
        selection.session = Some(latest.record.session);
        let mut shots = Vec::new();
        self.for_each(&selection, |shot| shots.push(Seen::of(&shot)))?;
        one_setting(&shots)?;
        Ok(usual(asked.launcher.clone(), selection.session.unwrap_or_default(), &shots))
    }
}

fn no_shots(asked: &Asked) -> BookError {
    let setting = asked.setting.as_deref().map(setting_in_words);
    let angle = asked.angle_deg.map(|angle| format!("{angle}°"));
    let session = asked.session.as_ref().map(|session| format!("session {session}"));
    let others = asked.other_than_clip.as_ref().map(|_| "another clip than this".to_owned());
    let with: Vec<String> = [setting, angle, session, others].into_iter().flatten().collect();
    BookError::NoShots { launcher: asked.launcher.clone(), with: with.join(", ") }
}

/// What of a shot counts here.
struct Seen {
    setting: Setting,
    speed: f64,
    /// The part of the uncertainty that doesn't average out; where it isn't known, the whole, to be on the safe side.
    common: Option<f64>,
    own: Option<f64>,
    angle: Option<MeasuredAngle>,
    outcome: Option<Outcome>,
    target: Option<Target>,
}

impl Seen {
    fn of(shot: &Shot) -> Self {
        let record = &shot.record;
        let own = record.standard_uncertainty_m_per_s;
        Self {
            setting: record.setting.clone(),
            speed: record.speed_m_per_s,
            common: record.common_uncertainty_m_per_s.or(own),
            own,
            angle: record.launch_angle,
            outcome: record.outcome,
            target: record.target,
        }
    }
}

/// A mean over two settings would be that of neither.
fn one_setting(shots: &[Seen]) -> Result<(), BookError> {
    let mut settings: Vec<String> = shots.iter().map(|shot| shot.setting.in_words()).collect();
    settings.sort();
    settings.dedup();
    if settings.len() > 1 { Err(BookError::SeveralSettings { settings }) } else { Ok(()) }
}

fn usual(launcher: String, session: String, shots: &[Seen]) -> Usual {
    let speeds: Vec<f64> = shots.iter().map(|shot| shot.speed).collect();
    let angles: Vec<MeasuredAngle> = shots.iter().filter_map(|shot| shot.angle).collect();
    let degrees: Vec<f64> = angles.iter().map(|angle| angle.angle_deg).collect();
    // The camera's tilt is the same for every shot; when the ball left the launcher isn't.
    let shared = |angle: &MeasuredAngle| angle.common_uncertainty_deg.or(angle.standard_uncertainty_deg);
    let tilt = angles.iter().filter_map(shared).reduce(f64::max);
    let own = angles.first().and_then(|angle| angle.standard_uncertainty_deg);
    let setting = shots.first().map(|shot| shot.setting.clone()).unwrap_or_default();
    let set_angle = setting.angle_deg.map(Estimate::without_uncertainty);
    let common = shots.iter().filter_map(|shot| shot.common).reduce(f64::max);
    Usual {
        launcher,
        session,
        setting,
        shots: shots.len(),
        speed_m_per_s: mean_of_shots(&speeds, common, shots.first().and_then(|shot| shot.own))
            .unwrap_or(Estimate::without_uncertainty(f64::NAN)),
        speed_scatter_m_per_s: scatter(&speeds),
        angle_deg: mean_of_shots(&degrees, tilt, own).or(set_angle),
        angle_scatter_deg: scatter(&degrees),
        tried: tried(shots),
    }
}

fn tried(shots: &[Seen]) -> Vec<TriedAt> {
    let mut all: Vec<TriedAt> = Vec::new();
    for (outcome, target) in shots.iter().filter_map(|shot| Some((shot.outcome?, shot.target))) {
        let at = match all.iter().position(|at| at.target == target) {
            Some(index) => index,
            None => {
                all.push(TriedAt { target, hits: 0, misses: 0 });
                all.len() - 1
            }
        };
        match outcome {
            Outcome::Hit => all[at].hits += 1,
            Outcome::Miss => all[at].misses += 1,
        }
    }
    all
}

fn scatter(values: &[f64]) -> Option<f64> {
    Sample::of(values).and_then(|sample| sample.sd)
}

/// Mean of shots with s/√n (GUM 4.2.3) and the part that they share in squares, the coverage factor from the effective degrees of
/// freedom (GUM G.4.1); a single value has its own uncertainty. `None` for no values.
pub fn mean_of_shots(values: &[f64], common: Option<f64>, own: Option<f64>) -> Option<Estimate> {
    let sample = Sample::of(values)?;
    let Some(sd) = sample.sd else {
        return Some(own.map_or(Estimate::without_uncertainty(sample.mean), |u| {
            Estimate::with_coverage_factor(sample.mean, u, NORMAL_95)
        }));
    };
    let count = values.len() as f64;
    let (random, common) = (sd / count.sqrt(), common.unwrap_or(0.0));
    let combined = random.hypot(common);
    let freedom = if random > 0.0 { (combined / random).powi(4) * (count - 1.0) } else { f64::INFINITY };
    let factor = if freedom > 1e6 { NORMAL_95 } else { t_quantile(0.975, freedom) };
    Some(Estimate::with_coverage_factor(sample.mean, combined * factor / NORMAL_95, NORMAL_95))
}

#[cfg(test)]
mod tests {
    use super::super::shot::{ShotRecord, Source};
    use super::*;

    fn record(session: &str, notch: &str, speed: f64, outcome: Option<Outcome>) -> ShotRecord {
        ShotRecord {
            launcher: "wooden catapult".into(),
            setting: Setting { name: Some(notch.into()), angle_deg: Some(45.0), ball: None },
            session: session.into(),
            time: "2026-05-09T10:00:00Z".parse().unwrap(),
            speed_m_per_s: speed,
            standard_uncertainty_m_per_s: None,
            common_uncertainty_m_per_s: None,
            rig: None,
            source: Source::Gate,
            clip: None,
            outcome,
            target: None,
            note: None,
            measurement: None,
            launch_angle: None,
            landing: None,
        }
    }

    fn book(shots: Vec<ShotRecord>) -> (tempfile::TempDir, Book) {
        let folder = tempfile::tempdir().unwrap();
        let mut book = Book::open(&folder.path().join("shots.sqlite")).unwrap();
        let at = "2026-05-09T11:00:00Z".parse().unwrap();
        book.add(shots, at).unwrap();
        (folder, book)
    }

    fn asked() -> Asked {
        Asked { launcher: "wooden catapult".into(), ..Asked::default() }
    }

    #[test]
    fn few_shots_have_the_factor_of_the_t_table() {
        let shots = [3.9, 4.0, 4.1].map(|speed| record("spring", "2", speed, Some(Outcome::Hit))).to_vec();
        let (_folder, book) = book(shots);
        let usual = book.usual(&asked()).unwrap();
        // Mean 4.0, s = 0.1, n = 3; t for 95 % and 2 degrees of freedom 4.30 (GUM table G.2, two decimals).
        let half_width = usual.speed_m_per_s.expanded_uncertainty_95.unwrap();
        assert!((half_width - 4.303 * 0.1 / 3f64.sqrt()).abs() < 1e-4, "{half_width}");
        assert!((usual.speed_scatter_m_per_s.unwrap() - 0.1).abs() < 1e-12);
        assert_eq!((usual.angle_deg, usual.angle_scatter_deg), (Some(Estimate::without_uncertainty(45.0)), None));
        assert_eq!((usual.shots, usual.tried), (3, vec![TriedAt { target: None, hits: 3, misses: 0 }]));
    }

    #[test]
    fn the_latest_session_counts_and_settings_are_not_mixed() {
        let mut late = record("autumn", "2", 3.8, Some(Outcome::Miss));
        late.time = "2026-10-09T10:00:00Z".parse().unwrap();
        let mut stronger = record("autumn", "3", 5.0, None);
        stronger.time = late.time;
        let (_folder, book) = book(vec![record("spring", "2", 4.0, None), late, stronger]);
        assert!(matches!(book.usual(&asked()), Err(BookError::SeveralSettings { settings }) if settings.len() == 2));
        let second = book.usual(&Asked { setting: Some("2".into()), ..asked() }).unwrap();
        let missed = vec![TriedAt { target: None, hits: 0, misses: 1 }];
        assert_eq!((second.session.as_str(), second.speed_m_per_s.value, second.tried), ("autumn", 3.8, missed));
        assert_eq!(second.speed_m_per_s.standard_uncertainty, None);
        let spring = Asked { session: Some("spring".into()), ..asked() };
        assert_eq!(book.usual(&spring).unwrap().speed_m_per_s.value, 4.0);
        let none = book.usual(&Asked { setting: Some("9".into()), ..asked() });
        assert!(matches!(none, Err(BookError::NoShots { .. })));
    }

    #[test]
    fn hits_count_target_by_target() {
        let at = |distance_m: f64| {
            Some(Target { kind: crate::flight::chance::OpeningKind::Cup, opening_m: 0.28, height_m: 0.24, distance_m })
        };
        let shot = |target, outcome| ShotRecord { target, ..record("spring", "2", 4.0, outcome) };
        let (hit, miss) = (Some(Outcome::Hit), Some(Outcome::Miss));
        let shots = [(at(1.4), hit), (at(1.6), miss), (None, hit), (at(1.4), miss), (at(1.4), None)];
        let (_folder, book) = book(shots.map(|(target, outcome)| shot(target, outcome)).to_vec());
        let tried = [(at(1.4), 1, 1), (at(1.6), 0, 1), (None, 1, 0)];
        let wanted = tried.map(|(target, hits, misses)| TriedAt { target, hits, misses });
        assert_eq!(book.usual(&asked()).unwrap().tried, wanted);
    }

    #[test]
    fn a_clip_is_not_its_own_forecast() {
        let clip = |fingerprint: &str| Some(super::super::ClipFlight { fingerprint: fingerprint.into(), flight: 1 });
        let filmed = |speed: f64, fingerprint: &str| ShotRecord {
            source: Source::Video,
            clip: clip(fingerprint),
            ..record("spring", "2", speed, None)
        };
        let (_folder, book) = book(vec![filmed(4.0, "00aa"), filmed(4.4, "00bb"), record("spring", "2", 4.2, None)]);
        let other_than = |fingerprint: &str| Asked { other_than_clip: Some(fingerprint.into()), ..asked() };
        let mean = |asked: &Asked| book.usual(asked).unwrap().speed_m_per_s.value;
        // Of 4.0, 4.4 and 4.2 without the first.
        assert!((mean(&other_than("00aa")) - 4.3).abs() < 1e-12 && (mean(&other_than("00cc")) - 4.2).abs() < 1e-12);
    }

    #[test]
    fn what_all_shots_share_is_not_averaged_away() {
        let shots = [3.98, 4.0, 4.02, 4.0].map(|speed| ShotRecord {
            standard_uncertainty_m_per_s: Some(0.05),
            common_uncertainty_m_per_s: Some(0.04),
            ..record("spring", "2", speed, None)
        });
        let (_folder, book) = book(shots.to_vec());
        assert!(book.usual(&asked()).unwrap().speed_m_per_s.standard_uncertainty.unwrap() > 0.04);
    }

    #[test]
    fn angles_come_from_the_clips() {
        let mut measurement = crate::report::sample::measurement(&[Default::default(), Default::default()]);
        measurement.flights[1].launch_angle_deg.value += 1.0;
        measurement.reading.fingerprint = Some("0123456789abcdef".into());
        let into = super::super::RecordInto {
            launcher: "wooden catapult".into(),
            session: "open day".into(),
            setting: Setting { angle_deg: Some(45.0), ..Setting::default() },
            rig: None,
            time: "2026-05-09T10:00:00Z".parse().unwrap(),
            outcomes: Vec::new(),
            target: None,
            note: None,
        };
        let (_folder, book) = book(super::super::shots_of(&measurement, &into));
        let usual = book.usual(&asked()).unwrap();
        // 48° and 49°: mean 48.5°, standard deviation 1/√2.
        assert!((usual.angle_deg.unwrap().value - 48.5).abs() < 1e-12);
        assert!((usual.angle_scatter_deg.unwrap() - 0.5f64.sqrt()).abs() < 1e-12);
    }
}
