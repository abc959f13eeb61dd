//! Shots from a measurement: every flight of the clip.

use std::path::Path;

use jiff::Timestamp;

use super::error::BookError;
use super::shot::{ClipFlight, MeasuredAngle, Outcome, Setting, ShotRecord, Source};
use super::store::{Added, Book};
use crate::flight::aim::Target;
use crate::measurement::{FlightMeasurement, Measurement};

/// What the recorder says beyond the measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordInto {
    pub launcher: String,
    pub session: String,
    pub setting: Setting,
    /// Name of the rig, when it stays the same over sessions.
    pub rig: Option<String>,
    /// When the first flight was shot, as far as it is known; later flights follow by their launch times.
    pub time: Timestamp,
    /// Of each flight in turn, whether it went in; those beyond the end aren't stated.
    pub outcomes: Vec<Option<Outcome>>,
    /// What was aimed at; `None` when it isn't stated.
    pub target: Option<Target>,
    pub note: Option<String>,
}

/// When a clip's file was written: as a rule when it was shot, else when it was copied.
pub fn written_at(clip: &Path) -> Option<Timestamp> {
    Timestamp::try_from(std::fs::metadata(clip).ok()?.modified().ok()?).ok()
}

impl Book {
    /// Records every flight of `measurement`, known by the clip's fingerprint and the flight's number: measuring the same
    /// clip again doesn't count it twice. A hit or miss that is told only now is kept with the shot that stood already.
    ///
    /// # Errors
    /// [`BookError`]; then none is recorded, or all are and what was told later of one that stood isn't.
    pub fn record_measurement(
        &mut self,
        measurement: &Measurement,
        into: &RecordInto,
        at: Timestamp,
    ) -> Result<Added, BookError> {
        let shots = shots_of(measurement, into);
        let outcomes: Vec<Option<Outcome>> = shots.iter().map(|shot| shot.outcome).collect();
        let added = self.add(shots, at)?;
        for stood in &added.already_there {
            if let Some(outcome) = outcomes[stood.index] {
                self.set_outcome(&[stood.id], Some(outcome), into.target.as_ref())?;
            }
        }
        Ok(added)
    }
}

/// The flights of a measurement as shots.
///
/// The speed is the launch speed with gravity given where there is one (its uncertainty is the smaller). The part of the
/// uncertainty that the flights of one rig share is that of the budget without each flight's own lines; in files of before it was
/// kept which those are, that of scale and time base, combined as a speed is made of them.
pub fn shots_of(measurement: &Measurement, into: &RecordInto) -> Vec<ShotRecord> {
    // A measurement is plain numbers and texts; it can always be written.
    let json = serde_json::to_string(measurement).ok();
    let outcomes = into.outcomes.iter().copied().chain(std::iter::repeat(None));
    let flights = measurement.launches().zip(outcomes);
    flights.map(|flight| shot_of(measurement, flight, into, json.clone())).collect()
}

fn shot_of(
    measurement: &Measurement,
    (flight, outcome): (&FlightMeasurement, Option<Outcome>),
    into: &RecordInto,
    json: Option<String>,
) -> ShotRecord {
    let speed = flight.best_speed_m_per_s();
    let of_old = || shared_relative_uncertainty(measurement).map(|relative| relative * speed.value);
    let common = flight.shared_uncertainty_of_best_speed().or_else(of_old);
    let standard_uncertainty_m_per_s = speed.standard_uncertainty.filter(|u| *u > 0.0);
    let clip = measurement
        .reading
        .fingerprint
        .clone()
        .map(|fingerprint| ClipFlight { fingerprint, flight: u32::try_from(flight.number).unwrap_or(u32::MAX) });
    ShotRecord {
        launcher: into.launcher.clone(),
        setting: into.setting.clone(),
        session: into.session.clone(),
        time: later(into.time, flight, measurement),
        speed_m_per_s: speed.value,
        standard_uncertainty_m_per_s,
        // A shared part can't exceed the whole that contains it; rounding might make it.
        common_uncertainty_m_per_s: common.zip(standard_uncertainty_m_per_s).map(|(common, whole)| common.min(whole)),
        rig: into.rig.clone(),
        source: Source::Video,
        clip,
        outcome,
        target: into.target,
        note: into.note.clone(),
        measurement: json,
        launch_angle: Some(angle_of(flight)),
        landing: None,
    }
}

/// The angle of the fit with gravity free. Where the budget doesn't tell what of its uncertainty shots share, all of it counts as shared,
/// to be on the safe side.
fn angle_of(flight: &FlightMeasurement) -> MeasuredAngle {
    let whole = flight.launch_angle_deg.standard_uncertainty.filter(|u| *u > 0.0);
    let common = flight.shared_uncertainty_of_angle_deg();
    MeasuredAngle {
        angle_deg: flight.launch_angle_deg.value,
        standard_uncertainty_deg: whole,
        common_uncertainty_deg: common.zip(whole).map(|(common, whole)| common.min(whole)).or(whole),
    }
}

/// Relative standard uncertainty of a speed from scale and time base alone; `None` when the scale's isn't known.
fn shared_relative_uncertainty(measurement: &Measurement) -> Option<f64> {
    let scale = measurement.scale.metres_per_pixel;
    let of_scale = scale.standard_uncertainty? / scale.value;
    let of_time = measurement.clock.relative_standard_uncertainty;
    Some(of_scale.hypot(of_time))
}

/// The flights of a clip keep their order in the book.
fn later(time: Timestamp, flight: &FlightMeasurement, measurement: &Measurement) -> Timestamp {
    let first = measurement.flights.first().map_or(0.0, |first| first.launch_time_s.value);
    let milliseconds = ((flight.launch_time_s.value - first) * 1000.0).round() as i64;
    time.checked_add(jiff::SignedDuration::from_millis(milliseconds)).unwrap_or(time)
}

#[cfg(test)]
mod tests {
    use super::super::Selection;
    use super::*;
    use crate::measurement::BudgetLine;
    use crate::report::sample;
    use crate::units::Estimate;

    fn into() -> RecordInto {
        RecordInto {
            launcher: "wooden catapult".into(),
            session: "open day".into(),
            setting: Setting { angle_deg: Some(48.0), ..Setting::default() },
            rig: Some("tripod by the hedge".into()),
            time: "2026-05-09T10:00:00Z".parse().unwrap(),
            outcomes: vec![None, Some(Outcome::Hit)],
            target: None,
            note: None,
        }
    }

    fn two_flights() -> Measurement {
        let mut measurement = sample::measurement(&[sample::Shot::default(), sample::Shot::default()]);
        measurement.reading.fingerprint = Some("0123456789abcdef".into());
        measurement.scale.metres_per_pixel = Estimate::with_coverage_factor(0.002, 0.002 * 0.003, 2.0);
        measurement.clock.relative_standard_uncertainty = 0.004;
        measurement
    }

    #[test]
    fn every_flight_is_recorded_once() {
        let folder = tempfile::tempdir().unwrap();
        let mut book = Book::open(&folder.path().join("shots.sqlite")).unwrap();
        let measurement = two_flights();
        let now = into().time;
        assert_eq!(book.record_measurement(&measurement, &into(), now).unwrap().recorded, [1, 2]);
        let again = book.record_measurement(&measurement, &into(), now).unwrap();
        assert_eq!((again.recorded.len(), again.already_there.len()), (0, 2));
        let told_later = RecordInto { outcomes: vec![Some(Outcome::Miss)], ..into() };
        let later = book.record_measurement(&measurement, &told_later, now).unwrap();
        assert_eq!(later.already_there.len(), 2);
        let first = &book.latest(&Selection::default(), 10).unwrap()[0].record;
        assert_eq!(first.outcome, Some(Outcome::Miss));
        book.set_outcome(&[1], None, None).unwrap();
        let shots = book.latest(&Selection::default(), 10).unwrap();
        assert_eq!((shots[0].record.outcome, shots[1].record.outcome), (None, Some(Outcome::Hit)));
        assert_eq!(shots[1].record.clip, Some(ClipFlight { fingerprint: "0123456789abcdef".into(), flight: 2 }));
        assert!(shots[0].record.time < shots[1].record.time);
        let kept: Measurement = serde_json::from_str(shots[0].record.measurement.as_ref().unwrap()).unwrap();
        assert_eq!(kept, measurement);
    }

    #[test]
    fn the_moment_of_launch_is_each_shots_own() {
        let mut measurement = two_flights();
        let flight = &mut measurement.flights[0];
        flight.launch_speed_gravity_given_m_per_s = None;
        flight.launch_speed_m_per_s = Estimate::with_coverage_factor(4.0, 0.13, 2.0);
        let line = |part: f64, own: bool| BudgetLine {
            launch_speed_m_per_s: Some(part),
            each_shots_own: Some(own),
            ..BudgetLine::default()
        };
        // 3-4-5, and 5-12-13 with what is the shot's own.
        flight.budget = vec![line(0.03, false), line(0.12, true), line(0.04, false)];
        let common = shots_of(&measurement, &into())[0].common_uncertainty_m_per_s.unwrap();
        assert!((common - 0.05).abs() < 1e-12, "{common}");
    }

    #[test]
    fn the_shared_part_is_that_of_scale_and_time() {
        let mut measurement = two_flights();
        let flight = &mut measurement.flights[0];
        flight.launch_speed_gravity_given_m_per_s = Some(Estimate::with_coverage_factor(4.0, 0.03, 2.0));
        let shots = shots_of(&measurement, &into());
        assert_eq!(shots[0].speed_m_per_s, 4.0);
        assert_eq!(shots[0].standard_uncertainty_m_per_s, Some(0.03));
        // 0.3 % and 0.4 % in quadrature are 0.5 % of 4 m/s.
        assert!((shots[0].common_uncertainty_m_per_s.unwrap() - 0.02).abs() < 1e-12);
        measurement.scale.metres_per_pixel = Estimate::without_uncertainty(0.002);
        assert_eq!(shots_of(&measurement, &into())[0].common_uncertainty_m_per_s, None);
        measurement.flights.clear();
        assert_eq!(shots_of(&measurement, &into()), []);
    }
}
