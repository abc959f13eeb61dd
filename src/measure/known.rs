//! What the rig says of place, ball and air.

use super::MeasureError;
use crate::fit::{BallInAir, Motion, Term, Terms};
use crate::flight::air::AirState;
use crate::flight::drag::{DRAG_EXPONENT_UNCERTAINTY, DRAG_RELATIVE_UNCERTAINTY, Sphere};
use crate::flight::gravity::{Place, expected_gravity};
use crate::rig::{Rig, Stated, sport_ball};
use crate::units::Estimate;

/// Gravity expected at the place of the rig.
pub(crate) fn gravity_at(rig: &Rig) -> Estimate {
    if let Some(stated) = rig.place.g_m_per_s2 {
        return Estimate::with_coverage_factor(stated.value, stated.standard_uncertainty.unwrap_or(0.0005), 1.96);
    }
    let place = rig
        .place
        .latitude_deg
        .and_then(|latitude| Place::new(latitude.value, rig.place.height_m.map(|height| height.value)).ok());
    expected_gravity(place)
}

/// The ball's diameter, stated or by its sport.
pub(crate) fn ball_diameter_m(rig: &Rig) -> Option<f64> {
    let sport = rig.ball.sport.as_deref().and_then(sport_ball);
    rig.ball.diameter.map(|d| d.length.metres()).or(sport.map(|ball| ball.diameter_m().0))
}

/// The ball's mass, stated or by its sport.
fn ball_mass_kg(rig: &Rig) -> Option<f64> {
    let sport = rig.ball.sport.as_deref().and_then(sport_ball);
    rig.ball.mass_kg.map(|mass| mass.value).or(sport.and_then(|ball| ball.mass_kg()).map(|mass| mass.0))
}

/// The ball, where its mass and size are stated, by themselves or by its sport.
///
/// # Errors
/// [`MeasureError::Ball`].
pub(crate) fn ball_of(rig: &Rig) -> Result<Option<Sphere>, MeasureError> {
    let diameter = ball_diameter_m(rig);
    let ball = ball_mass_kg(rig).zip(diameter).map(|(mass_kg, diameter_m)| Sphere::new(mass_kg, diameter_m));
    ball.transpose().map_err(|error| MeasureError::Ball(error.to_string()))
}

/// The air as stated; of a room where it isn't.
///
/// # Errors
/// [`MeasureError::Ball`].
pub(crate) fn air_of(rig: &Rig) -> Result<AirState, MeasureError> {
    AirState::new(
        rig.air.temperature_celsius.map_or(AirState::ROOM.temperature_c(), |t| t.value),
        rig.air.pressure_pa.map_or(AirState::ROOM.pressure_pa(), |p| p.value),
        rig.air.relative_humidity.map_or(AirState::ROOM.relative_humidity(), |h| h.value),
    )
    .map_err(|error| MeasureError::Ball(error.to_string()))
}

/// What the air does to the ball, as far as it is known before the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Air {
    pub motion: Motion,
    /// The drag over that of `motion`, with its standard uncertainty.
    pub factor: (f64, f64),
}

impl Air {
    /// These terms with the drag and how it grows with the speed as quantities of the fit.
    pub fn into_terms(self, terms: Terms) -> Terms {
        let (value, standard_uncertainty) = self.factor;
        Terms {
            drag_factor: Term::Known { value, standard_uncertainty },
            drag_exponent: Term::Known { value: 0.0, standard_uncertainty: DRAG_EXPONENT_UNCERTAINTY },
            ..terms
        }
    }
}

/// What the air does to the ball: by mass and size as stated, else as seen and as balls are.
///
/// `seen_m`: the ball's diameter in the picture and its standard uncertainty, m, which stands in for one that isn't stated.
///
/// # Errors
/// [`MeasureError::Ball`].
pub(super) fn air_on_the_ball(rig: &Rig, seen_m: (f64, f64)) -> Result<Air, MeasureError> {
    let air = air_of(rig)?;
    let diameter_m = ball_diameter_m(rig).unwrap_or(seen_m.0);
    let mass_kg = ball_mass_kg(rig);
    let ball = BallInAir::new(mass_kg.unwrap_or(usual_mass_kg(diameter_m)), diameter_m, &air)
        .map_err(|error| MeasureError::Ball(error.to_string()))?;
    let ball = BallInAir {
        air_density_kg_per_m3: rig.air.density_kg_per_m3.map_or(ball.air_density_kg_per_m3, |density| density.value),
        drag_coefficient: rig.ball.drag_coefficient.map(|coefficient| coefficient.value),
        of_unknown_mass: mass_kg.is_none(),
        ..ball
    };
    // Drag goes with the square of the diameter.
    let of_size = if ball_diameter_m(rig).is_some() { 0.0 } else { 2.0 * seen_m.1 / seen_m.0 };
    let doubt = drag_doubt(rig).hypot(of_size);
    let factor = match mass_kg {
        Some(_) => (1.0, doubt),
        None => (usual_factor().0, usual_factor().1.hypot(usual_factor().0 * doubt)),
    };
    Ok(Air { motion: Motion::InAir(ball), factor })
}

/// Densities of what is thrown in lessons, kg/m³: soft foam (a volleyball has 55, a football 77, a table tennis ball 80) to steel.
/// Masses and sizes of the laws of those sports; foam and steel are common practice, no source.
const DENSITIES: (f64, f64) = (50.0, 7800.0);

/// That at which the factor counts as one, kg/m³.
const LIGHT: f64 = 100.0;

/// Drag of a ball of the heaviest of them over that of a light one.
pub(super) const HEAVIEST_FACTOR: f64 = LIGHT / DENSITIES.1;

/// Mass of a ball of that density, kg.
fn usual_mass_kg(diameter_m: f64) -> f64 {
    LIGHT * std::f64::consts::PI / 6.0 * diameter_m.powi(3)
}

/// Drag over that of a light ball, with its standard deviation, of a ball of which only the size is known: any density between the two is
/// as likely by its logarithm, so that of 1/ρ the mean is (1/a − 1/b)/ln(b/a) and the mean square (1/a² − 1/b²)/(2·ln(b/a)).
fn usual_factor() -> (f64, f64) {
    let (low, high) = (HEAVIEST_FACTOR, LIGHT / DENSITIES.0);
    let span = (high / low).ln();
    let (mean, mean_square) = ((high - low) / span, (high * high - low * low) / (2.0 * span));
    (mean, (mean_square - mean * mean).sqrt())
}

/// Relative standard uncertainty of the drag: as stated for a stated coefficient, else that of published correlations. What is
/// stated of the ball's mass and diameter (drag goes with its square) adds to it.
pub(super) fn drag_doubt(rig: &Rig) -> f64 {
    let relative =
        |stated: Stated| stated.standard_uncertainty.map(|u| (u / stated.value).abs()).filter(|u| u.is_finite());
    let law = rig.ball.drag_coefficient.and_then(relative).unwrap_or(DRAG_RELATIVE_UNCERTAINTY);
    let mass = rig.ball.mass_kg.and_then(relative).unwrap_or(0.0);
    let diameter = rig.ball.diameter.and_then(|d| Some(d.standard_uncertainty_m? / d.length.metres())).unwrap_or(0.0);
    law.hypot(mass).hypot(2.0 * diameter)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_ball_of_a_lesson_lies_within_what_is_known_of_one_that_nobody_weighed() {
        let rig = Rig::parse("[ball]\ndiameter = '40 mm'").unwrap();
        let air = air_on_the_ball(&rig, (0.041, 0.001)).unwrap();
        let Motion::InAir(ball) = air.motion else { panic!("no air") };
        let unweighed = |sigmas: f64| (air.factor.0 + sigmas * air.factor.1) * ball.deceleration(4.0);
        let weighed = Rig::parse("[ball]\ndiameter = '40 mm'\nmass = '2.7 g'").unwrap();
        let known = air_on_the_ball(&weighed, (0.041, 0.001)).unwrap();
        let Motion::InAir(table_tennis) = known.motion else { panic!("no air") };
        // F = ½·ρ·v²·c·A over the mass, with c = 0.4 to 0.5 for a smooth sphere at a Reynolds number of 10⁴ (White, Fluid Mechanics, fig.
        // 7.16; from memory): a table tennis ball (40 mm, 2.7 g by the laws of the game) is slowed by 1.8 to 2.2 m/s² at 4 m/s, one of
        // steel (7800 kg/m³: 261 g) by a hundredth of that.
        let slowed = table_tennis.deceleration(4.0);
        assert!((1.8..2.2).contains(&slowed) && known.factor.0 == 1.0 && known.factor.1 < 0.2, "{slowed}");
        assert!(unweighed(1.96) > slowed && unweighed(-1.96) < 0.02, "{} {}", unweighed(-1.96), unweighed(1.96));
    }
}
