//! What the rig says of place, ball and air.

use super::MeasureError;
use crate::fit::{BallInAir, Motion};
use crate::flight::air::AirState;
use crate::flight::drag::Sphere;
use crate::flight::gravity::{Place, expected_gravity};
use crate::rig::{Rig, sport_ball};
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

/// The ball, where its mass and size are stated, by themselves or by its sport.
///
/// # Errors
/// [`MeasureError::Ball`].
pub(crate) fn ball_of(rig: &Rig) -> Result<Option<Sphere>, MeasureError> {
    let sport = rig.ball.sport.as_deref().and_then(sport_ball);
    let diameter = ball_diameter_m(rig);
    let mass = rig.ball.mass_kg.map(|m| m.value).or(sport.and_then(|ball| ball.mass_kg()).map(|mass| mass.0));
    let ball = mass.zip(diameter).map(|(mass_kg, diameter_m)| Sphere::new(mass_kg, diameter_m));
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

/// The law of motion: drag where the ball's mass and size are stated.
///
/// # Errors
/// [`MeasureError::Ball`].
pub(super) fn motion_of(rig: &Rig) -> Result<Motion, MeasureError> {
    let Some(ball) = ball_of(rig)? else { return Ok(Motion::Vacuum) };
    let mut ball = BallInAir::new(ball.mass_kg(), ball.diameter_m(), &air_of(rig)?)
        .map_err(|error| MeasureError::Ball(error.to_string()))?;
    if let Some(density) = rig.air.density_kg_per_m3 {
        ball.air_density_kg_per_m3 = density.value;
    }
    Ok(Motion::InAir(ball))
}

/// Deceleration by the air at launch, m/s², of a ball of stated size and unknown mass: were it foam, and were it solid
/// rubber. `None` for a size that no ball has.
pub(super) fn likely_drag(diameter_m: f64, speed_m_per_s: f64) -> Option<(f64, f64)> {
    /// Density of soft toy foam and of solid rubber, kg/m³; common practice, no source.
    const FOAM: f64 = 50.0;
    const RUBBER: f64 = 1000.0;
    let drag = |density: f64| {
        let mass_kg = density * std::f64::consts::PI / 6.0 * diameter_m.powi(3);
        Some(BallInAir::new(mass_kg, diameter_m, &AirState::ROOM).ok()?.deceleration(speed_m_per_s))
    };
    Some((drag(FOAM)?, drag(RUBBER)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_foam_ball_is_slowed_as_the_drag_equation_says() {
        // F = ½·ρ·v²·c·A with c = 0.4 to 0.5 for a smooth sphere at a Reynolds number of 2·10⁴ (White, Fluid Mechanics, fig. 7.16;
        // from memory), ρ = 1.2 kg/m³: a 7 cm foam ball of 50 kg/m³ (9.0 g) at 4 m/s is slowed by 1.6 to 2.1 m/s².
        let (foam, rubber) = likely_drag(0.07, 4.0).unwrap();
        assert!((1.6..2.1).contains(&foam), "{foam}");
        // The same force on twenty times the mass; added mass of the displaced air is 1.2 % of the foam ball's.
        assert!((foam / rubber - 20.0).abs() < 0.5, "{}", foam / rubber);
    }
}
