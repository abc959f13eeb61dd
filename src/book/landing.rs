//! A shot known by where it landed: from distance, heights and angle back to the launch speed, the air counted in.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::flight::air::AirState;
use crate::flight::drag::Sphere;
use crate::flight::forecast::{ForecastError, LaunchStatement, forecast};
use crate::flight::solve::{Quantity, SolveError, Values, solve};
use crate::units::Estimate;

/// Coverage factor of a 95 % interval of a normal distribution (GUM table G.2, infinite degrees of freedom).
const NORMAL_95: f64 = 1.96;

/// Steps of the search for the speed; each gains digits as Newton's method does.
const MOST_STEPS: usize = 40;

/// What the tape measure says of a shot. Lengths are of the ball's centre, above the floor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Landing {
    /// Along the floor, from the point under the muzzle to where the ball came down.
    pub distance_m: Estimate,
    /// Height at which it came down there; nought for the floor less the ball's radius.
    pub landing_height_m: Estimate,
    pub launch_height_m: Estimate,
    /// To which the launcher was set, above the horizontal.
    pub angle_deg: Estimate,
    pub gravity_m_per_s2: Estimate,
    /// `None`: the air is left out.
    #[serde(default)]
    pub air: Option<InAir>,
}

/// The ball, and the air that it flew through.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct InAir {
    pub diameter_m: f64,
    pub mass_kg: f64,
    pub temperature_c: f64,
    pub pressure_pa: f64,
    /// 0 to 1.
    pub relative_humidity: f64,
}

/// Why a landing gives no speed.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LandingError {
    #[error("a landing {0} m away is not possible")]
    Distance(f64),
    #[error("no speed lands there: {0}")]
    NoSpeed(SolveError),
    #[error("ball or air can't be as stated: {0}")]
    Air(String),
    #[error("with this ball's air resistance no speed gets so far")]
    TooFarForTheAir,
    #[error(transparent)]
    Forecast(#[from] ForecastError),
}

impl LandingError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::Distance(_) => "measure from the point on the floor under the muzzle, forwards".to_owned(),
            Self::NoSpeed(error) => error.hint(),
            Self::Air(_) | Self::TooFarForTheAir => "check diameter and mass of the ball".to_owned(),
            Self::Forecast(error) => error.hint(),
        }
    }
}

/// The launch speed behind a landing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedOfLanding {
    /// Without an uncertainty where that of the distance or of the angle isn't stated.
    pub speed_m_per_s: Estimate,
    /// What shots of one set-up share of it: angle, heights, gravity and drag; each has its own distance. `None` where the angle's
    /// isn't stated.
    pub common_uncertainty_m_per_s: Option<f64>,
}

impl Landing {
    /// "1.52 m away, from 0.30 m up at 52°, the air counted".
    pub fn in_words(&self) -> String {
        let air = if self.air.is_some() { ", the air counted" } else { ", without air" };
        format!(
            "{:.3} m away and {:.3} m up, launched from {:.3} m up at {}°{air}",
            self.distance_m.value, self.landing_height_m.value, self.launch_height_m.value, self.angle_deg.value
        )
    }

    /// The launch speed that lands there.
    ///
    /// Found by Newton's method on the forecast's range, from the speed that gravity alone would need; uncertainties by the law of
    /// propagation (GUM 5.1.2), the sensitivities those of the forecast over the range's slope in the speed.
    ///
    /// # Errors
    /// [`LandingError`].
    pub fn speed(&self) -> Result<SpeedOfLanding, LandingError> {
        let distance = self.distance_m.value;
        if !(distance.is_finite() && distance > 0.0) {
            return Err(LandingError::Distance(distance));
        }
        let mut speed = self.without_air()?;
        let mut last = None;
        for _ in 0..MOST_STEPS {
            let flight = forecast(&self.launch(speed)?, self.landing_height_m)?;
            let slope = flight.range_per_percent_speed_m / (0.01 * speed);
            let step = (distance - flight.range_m.value) / slope;
            if !step.is_finite() || speed > 1000.0 {
                return Err(LandingError::TooFarForTheAir);
            }
            last = Some((flight, slope));
            // Never more than doubled or halved at once: far from the answer the slope tells little.
            let next = (speed + step).clamp(0.5 * speed, 2.0 * speed);
            let settled = (next - speed).abs() <= 1e-12 * speed;
            speed = next;
            if settled {
                break;
            }
        }
        let (flight, slope) = last.ok_or(LandingError::TooFarForTheAir)?;
        if (flight.range_m.value - distance).abs() > 1e-9 * distance {
            return Err(LandingError::TooFarForTheAir);
        }
        let parts =
            flight.budget.iter().map(|row| row.standard_uncertainty.map(|u| (row.sensitivity * u / slope).powi(2)));
        let common: Option<f64> = parts.sum::<Option<f64>>().map(f64::sqrt);
        let own = self.distance_m.standard_uncertainty.map(|u| u / slope);
        let speed_m_per_s = match common.zip(own) {
            Some((common, own)) => Estimate::with_coverage_factor(speed, common.hypot(own), NORMAL_95),
            None => Estimate::without_uncertainty(speed),
        };
        Ok(SpeedOfLanding { speed_m_per_s, common_uncertainty_m_per_s: common })
    }

    fn without_air(&self) -> Result<f64, LandingError> {
        let given = Values::from([
            (Quantity::Distance, self.distance_m.value),
            (Quantity::Rise, self.landing_height_m.value - self.launch_height_m.value),
            (Quantity::Angle, self.angle_deg.value),
            (Quantity::Gravity, self.gravity_m_per_s2.value),
        ]);
        let flights = solve(&given).map_err(LandingError::NoSpeed)?;
        let speed = flights.first().and_then(|flight| flight.values.get(&Quantity::Speed)).copied();
        speed.ok_or(LandingError::NoSpeed(SolveError::NotEnough { wanted: Some(Quantity::Speed) }))
    }

    /// The speed counts as known: what it is uncertain by is what is looked for.
    fn launch(&self, speed: f64) -> Result<LaunchStatement, LandingError> {
        let of = |air: &InAir| -> Result<(Sphere, AirState), LandingError> {
            let ball =
                Sphere::new(air.mass_kg, air.diameter_m).map_err(|error| LandingError::Air(error.to_string()))?;
            let state = AirState::new(air.temperature_c, air.pressure_pa, air.relative_humidity);
            Ok((ball, state.map_err(|error| LandingError::Air(error.to_string()))?))
        };
        let air = self.air.as_ref().map(of).transpose()?;
        Ok(LaunchStatement {
            speed_m_per_s: Estimate::with_coverage_factor(speed, 0.0, NORMAL_95),
            angle_deg: self.angle_deg,
            height_m: self.launch_height_m,
            gravity_m_per_s2: self.gravity_m_per_s2,
            ball: air.map(|(ball, _)| ball),
            air: air.map_or(AirState::ROOM, |(_, state)| state),
            drag_doubt: crate::flight::drag::DRAG_RELATIVE_UNCERTAINTY,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stated(value: f64, u: f64) -> Estimate {
        Estimate::with_coverage_factor(value, u, NORMAL_95)
    }

    fn landing(distance_m: Estimate) -> Landing {
        Landing {
            distance_m,
            landing_height_m: Estimate::without_uncertainty(0.0),
            launch_height_m: Estimate::without_uncertainty(0.0),
            angle_deg: stated(45.0, 0.5),
            gravity_m_per_s2: Estimate::without_uncertainty(9.81),
            air: None,
        }
    }

    /// Level at 45°: v = √(g·x) and dv/v = ½·dx/x; the angle matters only to second order there (OpenStax University Physics 1, section
    /// 4.3).
    #[test]
    fn a_level_landing_gives_the_textbooks_speed() {
        let found = landing(stated(1.60, 0.02)).speed().unwrap();
        let speed = (9.81f64 * 1.60).sqrt();
        assert!((found.speed_m_per_s.value - speed).abs() < 1e-9);
        let own = 0.5 * speed * 0.02 / 1.60;
        // The angle's part is nought but for the rounding of the differences.
        assert!((found.speed_m_per_s.standard_uncertainty.unwrap() / own - 1.0).abs() < 1e-4);
        assert!(found.common_uncertainty_m_per_s.unwrap() < 1e-4);
    }

    #[test]
    fn a_level_launch_from_a_table_gives_its_speed() {
        // x = v·√(2h/g): 1.20 m from 0.80 m up; u(h) = 1 cm moves v by ½·u(h)/h.
        let table =
            Landing { launch_height_m: stated(0.80, 0.01), angle_deg: stated(0.0, 0.0), ..landing(stated(1.20, 0.0)) };
        let found = table.speed().unwrap();
        let speed = 1.20 / (2.0f64 * 0.80 / 9.81).sqrt();
        assert!((found.speed_m_per_s.value - speed).abs() < 1e-9);
        assert!((found.common_uncertainty_m_per_s.unwrap() / (0.5 * speed * 0.01 / 0.80) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn the_air_asks_for_more_speed_and_the_forecast_agrees() {
        let air = InAir {
            diameter_m: 0.07,
            mass_kg: 0.013,
            temperature_c: 20.0,
            pressure_pa: 101_325.0,
            relative_humidity: 0.5,
        };
        let foam = Landing { air: Some(air), ..landing(stated(1.60, 0.02)) };
        let found = foam.speed().unwrap();
        assert!(found.speed_m_per_s.value > 1.01 * (9.81f64 * 1.60).sqrt());
        let again = forecast(&foam.launch(found.speed_m_per_s.value).unwrap(), foam.landing_height_m).unwrap();
        assert!((again.range_m.value - 1.60).abs() < 1e-9);
        // The drag's 10 % is shared.
        assert!(found.common_uncertainty_m_per_s.unwrap() > 0.002);
    }

    #[test]
    fn what_is_not_stated_is_not_known() {
        let vague = landing(Estimate::without_uncertainty(1.60)).speed().unwrap();
        assert!(vague.speed_m_per_s.standard_uncertainty.is_none() && vague.common_uncertainty_m_per_s.is_some());
        let angle = Landing { angle_deg: Estimate::without_uncertainty(45.0), ..landing(stated(1.60, 0.02)) };
        assert!(angle.speed().unwrap().common_uncertainty_m_per_s.is_none());
        assert!(matches!(landing(stated(-1.0, 0.1)).speed(), Err(LandingError::Distance(_))));
        let steep = Landing { landing_height_m: Estimate::without_uncertainty(5.0), ..landing(stated(1.60, 0.02)) };
        assert!(matches!(steep.speed(), Err(LandingError::NoSpeed(_))));
    }
}
