//! What a flight shows beside its results, in sentences: for the lab sheet and the page.

use super::numbers::{DecimalMark, known};
use crate::measurement::FlightMeasurement;

/// Where the fall points to, and how long the shutter was open; nothing where neither is known.
pub fn sentences(flight: &FlightMeasurement, mark: DecimalMark) -> Vec<String> {
    fall(flight, mark).into_iter().chain(exposure(flight, mark)).collect()
}

fn fall(flight: &FlightMeasurement, mark: DecimalMark) -> Option<String> {
    let off = flight.vertical_off_deg?;
    let half_width = known(off.expanded_uncertainty_95)?;
    if off.value.abs() <= half_width {
        return Some(format!(
            "The ball falls along the picture's vertical, as far as can be told: to ± {}°.",
            mark.significant(half_width, 1)
        ));
    }
    let side = if off.value < 0.0 { "left" } else { "right" };
    let lean = crate::units::Estimate { value: off.value.abs(), ..off };
    let lean = super::aimed::with_unit(lean, "°", mark);
    Some(format!("The ball's fall leans {lean} to the {side} of the picture's vertical: was the camera level?"))
}

fn exposure(flight: &FlightMeasurement, mark: DecimalMark) -> Option<String> {
    let exposure_s = flight.exposure_s?;
    let path_mm = 1e3 * exposure_s * flight.launch_speed_m_per_s.value;
    Some(format!(
        "The ball's streaks show that the shutter was open for {} ms in each picture; at launch the ball flies {} mm in that time.",
        mark.significant(1e3 * exposure_s, 2),
        mark.significant(path_mm, 2)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::units::Estimate;

    #[test]
    fn a_fall_is_told_by_its_interval() {
        let mut flight = sample::measurement(&[Default::default()]).flights.remove(0);
        flight.exposure_s = Some(0.004);
        flight.vertical_off_deg = Some(Estimate::with_coverage_factor(0.1, 0.1, 2.0));
        // 4 ms at the sample's 3.5 m/s are 14 mm.
        let told = sentences(&flight, DecimalMark::Comma);
        assert!(told[0].contains("± 0,2°") && told[1].contains("4,0 ms") && told[1].contains("14 mm"), "{told:?}");
        flight.vertical_off_deg = Some(Estimate::with_coverage_factor(-3.0, 0.1, 2.0));
        assert!(sentences(&flight, DecimalMark::Point)[0].contains("3.00°\u{a0}±\u{a0}0.20° to the left"));
        (flight.vertical_off_deg, flight.exposure_s) = (None, None);
        assert_eq!(sentences(&flight, DecimalMark::Point), Vec::<String>::new());
    }
}
