//! The readout of a rolling shutter that nobody stated, as lamps or the flight itself show it.

use crate::camera::InputKind;
use crate::fit::{Evaluated, FlightFit, Quantity};
use crate::measurement::{ReadoutFound, ReadoutSource};
use crate::rig::ReadoutDirection;
use crate::units::Estimate;

use super::view::CameraView;

/// A flight that leaves more than this share of what was known beforehand says nothing of the readout.
const MUST_NARROW: f64 = 0.5;

/// Readout with its source; `None` where the rig states it, or nothing shows it.
///
/// Rows that are exposed later stretch the way down and shorten the way up, by other terms than a parabola has; g, when it is
/// known, tells the part that looks like gravity; but not where the measured g disagrees with it (`agrees`), for whatever bends the
/// path there would be taken for the shutter.
pub(super) fn readout_found(
    camera: &CameraView,
    stated: bool,
    evaluated: &Evaluated,
    agrees: bool,
) -> Option<ReadoutFound> {
    let known = camera.camera().inputs().find(|input| input.kind == InputKind::Readout)?;
    let free = evaluated.fit.standard_uncertainty(Quantity::Readout)?;
    if stated {
        return None;
    }
    // Only lamps state a readout that the rig doesn't.
    let by_lamps = known.stated;
    let alone = (evaluated.fit.value(Quantity::Readout), free);
    let source = if by_lamps { ReadoutSource::Lamps } else { ReadoutSource::Flight };
    let with_gravity = with_gravity(evaluated).filter(|(_, u)| agrees && !by_lamps && *u < free);
    let ((readout_s, u), source) =
        with_gravity.map_or((alone, source), |found| (found, ReadoutSource::FlightWithGravity));
    let narrowed = by_lamps || u < MUST_NARROW * known.standard_uncertainty;
    let rows = (readout_s.abs() > 1.96 * u).then(|| run(camera.camera().shutter().direction, readout_s));
    narrowed.then(|| ReadoutFound { readout_s: Estimate::with_coverage_factor(readout_s, u, 1.96), source, rows })
}

/// How the rows run: as the camera has them, or the other way where the readout is below nought.
fn run(rows: ReadoutDirection, readout_s: f64) -> ReadoutDirection {
    match (rows, readout_s < 0.0) {
        (rows, false) => rows,
        (ReadoutDirection::Down, true) => ReadoutDirection::Up,
        (ReadoutDirection::Up, true) => ReadoutDirection::Down,
        (ReadoutDirection::Right, true) => ReadoutDirection::Left,
        (ReadoutDirection::Left, true) => ReadoutDirection::Right,
    }
}

/// Readout and its standard uncertainty, s, if gravity is what was given: the fit ties the two together. What the scale and all other
/// inputs leave open in the measured gravity moves the readout along.
fn with_gravity(evaluated: &Evaluated) -> Option<(f64, f64)> {
    let (fit, budget) = (&evaluated.fit, &evaluated.budget);
    let given = evaluated.gravity_given.as_ref()?.0.gravity_m_per_s2;
    let (readout, gravity) = (place(fit, Quantity::Readout)?, place(fit, Quantity::Gravity)?);
    let (own, tied, variance) =
        (fit.covariance[readout][readout], fit.covariance[readout][gravity], fit.covariance[gravity][gravity]);
    let slope = tied / variance;
    let others = (budget.gravity_m_per_s2.combined_standard_uncertainty.powi(2) - variance).max(0.0)
        + given.standard_uncertainty.unwrap_or(0.0).powi(2);
    let u = (own - slope * tied + slope * slope * others).max(0.0).sqrt();
    let value = fit.value(Quantity::Readout) + slope * (given.value - fit.value(Quantity::Gravity));
    (u.is_finite() && value.is_finite()).then_some((value, u))
}

fn place(fit: &FlightFit, quantity: Quantity) -> Option<usize> {
    fit.parameters.iter().position(|parameter| parameter.quantity == quantity)
}

#[cfg(test)]
mod tests {
    use crate::measure::{Settings, measure_source};
    use crate::measurement::{Measurement, ReadoutSource};
    use crate::rig::Rig;
    use crate::scene::{Flicker, Scene, presets, source};

    const TRUTH_S: f64 = 0.015;

    /// A scene with a batten in the plane of the flight, measured by one who knows nothing of the shutter.
    fn measured(scene: &Scene, more: &str) -> Measurement {
        let bar = &scene.scales[0];
        let seen = |at: [f64; 3]| scene.camera.view().project(&at.into()).unwrap();
        let (a, b) = (seen(bar.a_m), seen(bar.b_m));
        let rig = format!(
            "[scale]\nlengths = ['{:.1},{:.1} to {:.1},{:.1} = 1 m']\nend_uncertainty = '0.1 px'\noffset = '{} m u 2 mm'\n\
             [camera]\ndistance = '{} m u 1 cm'\nyaw = '0 deg u 0.1 deg'\npitch = '0 deg u 0.1 deg'\n{more}",
            a.x, a.y, b.x, b.y, bar.a_m[2], scene.camera.position_m[2]
        );
        let settings = Settings { rig: Rig::parse(&rig).unwrap(), ..Settings::default() };
        measure_source(&mut source(scene), &settings, &mut |_| {}).unwrap().measurement
    }

    fn shutter() -> Scene {
        let mut scene = presets::rolling_shutter(5);
        scene.launches[0].release_s += 0.4 / scene.timing.capture_hz;
        scene
    }

    #[test]
    fn the_balls_own_motion_shows_the_readout() {
        let measurement = measured(&shutter(), "[place]\ng = '9.81 m/s2 u 0.001 m/s2'");
        let found = measurement.flights[0].readout.unwrap();
        println!("{found:?}");
        assert!(found.source != ReadoutSource::Lamps);
        let (value, u) = (found.readout_s.value, found.readout_s.standard_uncertainty.unwrap());
        // Three standard uncertainties, and these of use: what nobody knows is 11.5 ms.
        assert!((value - TRUTH_S).abs() < 3.0 * u && u < 0.004, "{value} {u}");
        assert_eq!(found.rows, Some(crate::rig::ReadoutDirection::Down));
        assert!(
            found.words().starts_with("rows read from the top down, by the ball's own motion"),
            "{}",
            found.words()
        );
    }

    #[test]
    fn a_stated_readout_is_not_found_again() {
        let stated = measured(&shutter(), "readout = '15 ms u 1 ms'");
        assert_eq!(stated.flights[0].readout, None);
    }

    #[test]
    fn lamps_show_the_readout() {
        let mut scene = shutter();
        scene.light.flicker = Some(Flicker { hz: 100.0, depth: 0.04 });
        let measurement = measured(&scene, "");
        let found = measurement.flights[0].readout.unwrap();
        println!("{found:?}");
        assert_eq!(found.source, ReadoutSource::Lamps);
        // Half a millisecond changes g by 0.05 %.
        assert!((found.readout_s.value - TRUTH_S).abs() < 5e-4, "{found:?}");
        let budget = &measurement.flights[0].budget;
        assert!(budget.iter().any(|line| line.source.contains("readout")), "{budget:?}");
    }
}
