//! How the ball moves between the sightings, in the form the fit needs.

use serde::{Deserialize, Serialize};

use crate::flight::air::{AirState, density_kg_per_m3, dynamic_viscosity_pa_s};
use crate::flight::drag::{Correlation, DragLaw, Forces, Sphere, SphereError};

/// Place and velocity in the flight plane, m and m/s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct State {
    pub x: f64,
    pub y: f64,
    pub vx: f64,
    pub vy: f64,
}

/// The law of motion.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Motion {
    /// Constant acceleration.
    #[default]
    Vacuum,
    /// A smooth ball in still air: drag by Reynolds number, buoyancy and added mass.
    InAir(BallInAir),
}

/// A ball of stated mass and size in air of known density and viscosity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BallInAir {
    pub mass_kg: f64,
    pub diameter_m: f64,
    pub air_density_kg_per_m3: f64,
    pub air_viscosity_pa_s: f64,
    /// One stated coefficient for the whole flight; `None` takes a published correlation with the Reynolds number.
    #[serde(default)]
    pub drag_coefficient: Option<f64>,
    /// By which power of the speed the drag departs from the law's: it is multiplied by (v/[`LAW_HOLDS_AT_M_PER_S`]) to this power.
    #[serde(default)]
    pub drag_exponent: f64,
}

/// Speed at which the drag is the law's, whatever its exponent: that of a lesson's throw.
pub const LAW_HOLDS_AT_M_PER_S: f64 = 4.0;

impl BallInAir {
    /// # Errors
    /// [`SphereError`] for a mass or diameter that no ball has.
    pub fn new(mass_kg: f64, diameter_m: f64, air: &AirState) -> Result<Self, SphereError> {
        Sphere::new(mass_kg, diameter_m)?;
        Ok(Self {
            mass_kg,
            diameter_m,
            air_density_kg_per_m3: density_kg_per_m3(air),
            air_viscosity_pa_s: dynamic_viscosity_pa_s(air.temperature_c()),
            drag_coefficient: None,
            drag_exponent: 0.0,
        })
    }

    fn forces(&self, gravity_m_per_s2: f64, drag_factor: f64) -> Option<Forces> {
        Some(Forces {
            sphere: Some(Sphere::new(self.mass_kg, self.diameter_m).ok()?),
            law: self
                .drag_coefficient
                .map_or(DragLaw::ByReynolds(Correlation::default()), |cd| DragLaw::Constant { cd }),
            air_density: self.air_density_kg_per_m3,
            air_viscosity: self.air_viscosity_pa_s,
            buoyancy: true,
            added_mass: true,
            drag_scale: drag_factor,
            ..Forces::gravity_only(gravity_m_per_s2)
        })
    }

    /// Deceleration by drag at a speed, m/s².
    pub fn deceleration(&self, speed_m_per_s: f64) -> f64 {
        self.forces(0.0, 1.0).map_or(0.0, |f| -f.acceleration(speed_m_per_s, 0.0)[0])
    }
}

/// Longest step of the integration. Fourth order at 10 ms leaves under 1e-9 m of the path for a foam ball at 10 m/s, the
/// lightest and fastest of the trade (see the test against the adaptive integration).
const LONGEST_STEP_S: f64 = 0.008;

impl Motion {
    /// States at the times `taus_s` after `start`, under gravity `field` (m/s², x and y), in the order of the times.
    ///
    /// `None` when the motion can't be followed (a parameter ran off to nonsense during the search).
    pub fn states(self, start: State, field: (f64, f64), drag_factor: f64, taus_s: &[f64]) -> Option<Vec<State>> {
        match self {
            Self::Vacuum => Some(taus_s.iter().map(|&tau| parabola(start, field, tau)).collect()),
            Self::InAir(ball) => in_air(&ball, start, field, drag_factor, taus_s),
        }
    }

    /// The same law with another exponent of the drag; a vacuum stays one.
    #[must_use]
    pub fn with_drag_exponent(self, drag_exponent: f64) -> Self {
        match self {
            Self::Vacuum => self,
            Self::InAir(ball) => Self::InAir(BallInAir { drag_exponent, ..ball }),
        }
    }

    /// Acceleration at a velocity, m/s².
    pub fn acceleration(self, velocity: (f64, f64), field: (f64, f64), drag_factor: f64) -> (f64, f64) {
        match self {
            Self::Vacuum => field,
            Self::InAir(ball) => {
                ball.forces(1.0, drag_factor).map_or(field, |f| Push::new(f, ball.drag_exponent, field).at(velocity))
            }
        }
    }
}

fn parabola(start: State, (ax, ay): (f64, f64), tau: f64) -> State {
    State {
        x: start.x + tau * (start.vx + 0.5 * ax * tau),
        y: start.y + tau * (start.vy + 0.5 * ay * tau),
        vx: start.vx + ax * tau,
        vy: start.vy + ay * tau,
    }
}

/// Forces under unit gravity along −y, turned to the field's own direction and size.
struct Push {
    forces: Forces,
    drag_exponent: f64,
    /// Acceleration at rest under unit gravity along −y: −1 less buoyancy and added mass.
    at_rest: f64,
    field: (f64, f64),
}

impl Push {
    fn new(forces: Forces, drag_exponent: f64, field: (f64, f64)) -> Self {
        Self { at_rest: forces.acceleration(0.0, 0.0)[1], forces, drag_exponent, field }
    }

    fn at(&self, (vx, vy): (f64, f64)) -> (f64, f64) {
        // A ball at rest feels no drag, whatever the exponent.
        let speed = vx.hypot(vy).max(1e-3);
        let drag_scale = self.forces.drag_scale * (speed / LAW_HOLDS_AT_M_PER_S).powf(self.drag_exponent);
        let [dx, dy] = Forces { drag_scale, ..self.forces }.acceleration(vx, vy);
        (dx - self.at_rest * self.field.0, dy - self.at_rest - self.at_rest * self.field.1)
    }
}

fn in_air(ball: &BallInAir, start: State, field: (f64, f64), drag_factor: f64, taus_s: &[f64]) -> Option<Vec<State>> {
    let push = Push::new(ball.forces(1.0, drag_factor)?, ball.drag_exponent, field);
    let mut order: Vec<usize> = (0..taus_s.len()).collect();
    order.sort_by(|&a, &b| taus_s[a].total_cmp(&taus_s[b]));
    let mut states = vec![start; taus_s.len()];
    let first_after = order.partition_point(|&i| taus_s[i] < 0.0);
    let (before, after) = order.split_at(first_after);
    walk(&push, start, taus_s, before.iter().rev(), &mut states)?;
    walk(&push, start, taus_s, after.iter(), &mut states)?;
    Some(states)
}

/// Integrates from time nought through the listed times, each from the one before.
fn walk<'a>(
    push: &Push,
    start: State,
    taus_s: &[f64],
    order: impl Iterator<Item = &'a usize>,
    states: &mut [State],
) -> Option<()> {
    let (mut state, mut tau) = (start, 0.0);
    for &i in order {
        let span: f64 = taus_s[i] - tau;
        if span.is_nan() || span.abs() >= 30.0 {
            return None;
        }
        let steps = (span.abs() / LONGEST_STEP_S).ceil().max(1.0);
        for _ in 0..steps as usize {
            state = runge_kutta(push, state, span / steps);
        }
        tau = taus_s[i];
        states[i] = state;
    }
    (state.x.is_finite() && state.y.is_finite()).then_some(())
}

/// One step of the classical fourth-order method.
fn runge_kutta(push: &Push, s: State, h: f64) -> State {
    let rate = |s: State| {
        let (ax, ay) = push.at((s.vx, s.vy));
        State { x: s.vx, y: s.vy, vx: ax, vy: ay }
    };
    let add = |s: State, d: State, h: f64| State {
        x: s.x + h * d.x,
        y: s.y + h * d.y,
        vx: s.vx + h * d.vx,
        vy: s.vy + h * d.vy,
    };
    let a = rate(s);
    let b = rate(add(s, a, h / 2.0));
    let c = rate(add(s, b, h / 2.0));
    let d = rate(add(s, c, h));
    let middle = add(b, c, 1.0);
    add(add(add(s, a, h / 6.0), middle, h / 3.0), d, h / 6.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::trajectory::{State as FlightState, integrate};

    #[test]
    fn fixed_steps_agree_with_the_adaptive_integration() {
        // The foam ball of the demo, fast: drag twice its weight.
        let ball = BallInAir::new(0.013, 0.070, &AirState::ROOM).unwrap();
        let start = State { x: 0.0, y: 0.0, vx: 7.0, vy: 7.0 };
        let trajectory =
            integrate(&ball.forces(9.81, 1.0).unwrap(), FlightState { x: 0.0, y: 0.0, vx: 7.0, vy: 7.0 }, 0.9).unwrap();
        let taus = [0.9, 0.1, 0.45];
        let states = Motion::InAir(ball).states(start, (0.0, -9.81), 1.0, &taus).unwrap();
        for (state, tau) in states.iter().zip(taus) {
            let want = trajectory.at(tau);
            assert!((state.x - want.x).hypot(state.y - want.y) < 1e-9, "{state:?} {want:?}");
            assert!((state.vx - want.vx).hypot(state.vy - want.vy) < 1e-8);
        }
    }

    #[test]
    fn a_stated_coefficient_is_the_one_of_the_drag_equation() {
        let ball =
            BallInAir { drag_coefficient: Some(0.45), ..BallInAir::new(0.0027, 0.040, &AirState::ROOM).unwrap() };
        // ½·ρ·v²·c·A over the mass and half that of the displaced air, by hand: ρ 1.199 kg/m³ (a room's, CIPM-2007), A 1.2566e-3 m²,
        // V 3.351e-5 m³; 16 m²/s² of v².
        let by_hand = 0.5 * 1.199 * 16.0 * 0.45 * 1.2566e-3 / (0.0027 + 0.5 * 1.199 * 3.351e-5);
        assert!((ball.deceleration(4.0) / by_hand - 1.0).abs() < 1e-3, "{} {by_hand}", ball.deceleration(4.0));
    }

    #[test]
    fn backwards_undoes_forwards() {
        let ball = BallInAir::new(0.0027, 0.040, &AirState::ROOM).unwrap();
        let start = State { x: 0.1, y: 1.0, vx: 3.0, vy: 4.0 };
        let motion = Motion::InAir(ball);
        let later = motion.states(start, (0.2, -9.8), 1.1, &[0.5]).unwrap()[0];
        let back = motion.states(later, (0.2, -9.8), 1.1, &[-0.5]).unwrap()[0];
        assert!((back.x - start.x).hypot(back.vy - start.vy) < 1e-9);
    }
}
