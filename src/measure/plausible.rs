//! Whether what was measured is something that a thrown ball does.
//!
//! The bounds are wide: a clip played at a tenth of its speed, or a length mistyped by a hundred, is measured all the same, because the
//! verdict then names the cause. What lies beyond has no cause that could be named, and a number that looks exact would only mislead.

use std::ops::RangeInclusive;

use super::MeasureError;
use crate::measurement::{FlightMeasurement, Measurement};
use crate::units::Estimate;

/// Nothing that a class launches is as fast as this, m/s; sound is not much faster. Common practice, no source.
pub const MOST_SPEED_M_PER_S: f64 = 300.0;
/// Gravity as a wrong clock or scale may show it, m/s²: ten times too fast, or a hundred times too slow.
const GRAVITY_M_PER_S2: RangeInclusive<f64> = 1e-3..=1e3;
/// Half of gravity anywhere on Earth, m/s².
const HALF_OF_GRAVITY_M_PER_S2: f64 = 4.9;

/// # Errors
/// [`MeasureError::NotABall`], with the first reason.
pub(super) fn check(measurement: &Measurement) -> Result<(), MeasureError> {
    for flight in &measurement.flights {
        if let Some(reason) = reason(flight) {
            return Err(MeasureError::NotABall { flight: flight.number, reason });
        }
    }
    Ok(())
}

fn reason(flight: &FlightMeasurement) -> Option<String> {
    let (speed, gravity) = (flight.launch_speed_m_per_s, flight.gravity_m_per_s2);
    let finite = |estimate: &Estimate| {
        let u = [estimate.standard_uncertainty, estimate.expanded_uncertainty_95];
        estimate.value.is_finite() && u.iter().flatten().all(|u| u.is_finite())
    };
    if ![speed, flight.launch_angle_deg, gravity].iter().all(finite) {
        return Some("its speed, angle or g is no number".to_owned());
    }
    if speed.value > MOST_SPEED_M_PER_S {
        return Some(format!(
            "it would fly at {:.0} m/s, and no launched ball is faster than {MOST_SPEED_M_PER_S:.0} m/s",
            speed.value
        ));
    }
    if !GRAVITY_M_PER_S2.contains(&gravity.value) {
        return Some(format!(
            "it would fall with {:.1e} m/s², which no mistake of clock or scale that people make explains",
            gravity.value
        ));
    }
    // A fall that is slowed down is still a fall: its interval leaves nought out.
    let half_width = gravity.expanded_uncertainty_95?;
    let may_not_fall = gravity.value - half_width <= 0.0 && gravity.value + half_width < HALF_OF_GRAVITY_M_PER_S2;
    may_not_fall.then(|| {
        format!("it can't be told from something that doesn't fall (g = {:.2} ± {half_width:.2} m/s²)", gravity.value)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{Shot, measurement};

    fn with(change: impl Fn(&mut FlightMeasurement)) -> Result<(), MeasureError> {
        let mut measured = measurement(&[Shot::default(), Shot::default()]);
        change(&mut measured.flights[1]);
        check(&measured)
    }

    #[track_caller]
    fn refused(change: impl Fn(&mut FlightMeasurement), word: &str) {
        match with(change) {
            Err(error @ MeasureError::NotABall { flight: 2, .. }) => {
                assert!(error.to_string().contains(word) && error.hint().is_some(), "{error}");
            }
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn what_no_ball_does_is_refused_with_the_reason() {
        let estimate =
            |value, u95| Estimate { value, standard_uncertainty: Some(u95 / 2.0), expanded_uncertainty_95: Some(u95) };
        refused(|flight| flight.launch_speed_m_per_s = estimate(1.2e8, 1.0), "120000000 m/s");
        refused(|flight| flight.launch_speed_m_per_s = estimate(f64::NAN, 1.0), "no number");
        refused(|flight| flight.launch_angle_deg = estimate(45.0, f64::INFINITY), "no number");
        refused(|flight| flight.gravity_m_per_s2 = estimate(3e5, 2e4), "3.0e5 m/s²");
        refused(|flight| flight.gravity_m_per_s2 = estimate(-9.8, 0.1), "-9.8");
        refused(|flight| flight.gravity_m_per_s2 = estimate(2e-14, 1e-15), "2.0e-14");
        refused(|flight| flight.gravity_m_per_s2 = estimate(0.1, 0.4), "doesn't fall");
    }

    /// A clip of 240 frames a second played at 30, a ruler of 30 cm taken for a metre, a short flight that says little.
    #[test]
    fn what_a_verdict_can_explain_is_let_through() {
        for (value, half_width) in [(9.81 / 64.0, 0.02), (9.81 * 64.0, 9.0), (9.81 / 0.3, 0.5), (8.0, 12.0), (9.8, 0.1)]
        {
            let gravity = Estimate { value, standard_uncertainty: None, expanded_uncertainty_95: Some(half_width) };
            assert!(with(|flight| flight.gravity_m_per_s2 = gravity).is_ok(), "{value}");
        }
        assert!(with(|flight| flight.gravity_m_per_s2 = Estimate::without_uncertainty(0.2)).is_ok());
    }
}
