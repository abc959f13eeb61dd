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
    /// Whether the mass isn't known: it is then `mass_kg` over the drag factor, and buoyancy and added mass go with it.
    #[serde(default)]
    pub of_unknown_mass: bool,
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
            of_unknown_mass: false,
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

/// Longest step of the integration: half of a frame at 60 a second. Fourth order at 10 ms leaves under 1e-9 m of the path for a foam ball
/// at 10 m/s, the lightest and fastest of the trade (see the test against the adaptive integration).
const LONGEST_STEP_S: f64 = 0.0084;

/// What the state at a time depends on besides place and time of the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lever {
    Vx,
    Vy,
    /// Gravity along x and along y.
    FieldX,
    FieldY,
    DragFactor,
    DragExponent,
}

/// Derivatives of a state by each [`Lever`], in the order of their naming.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slopes([State; 6]);

impl Slopes {
    /// At the start itself.
    const AT_START: Self = {
        let mut slopes = [State::NOUGHT; 6];
        slopes[Lever::Vx as usize].vx = 1.0;
        slopes[Lever::Vy as usize].vy = 1.0;
        Self(slopes)
    };

    /// Change of the state for a unit of the lever.
    pub fn by(&self, lever: Lever) -> State {
        self.0[lever as usize]
    }
}

impl Motion {
    /// States at the times `taus_s` after `start`, under gravity `field` (m/s², x and y), in the order of the times.
    ///
    /// `None` when the motion can't be followed (a parameter ran off to nonsense during the search).
    pub fn states(self, start: State, field: (f64, f64), drag_factor: f64, taus_s: &[f64]) -> Option<Vec<State>> {
        match self {
            Self::Vacuum => Some(taus_s.iter().map(|&tau| parabola(start, field, tau)).collect()),
            Self::InAir(ball) => {
                let push = Push::new(&ball, field, drag_factor)?;
                in_order(start, taus_s, |state, h| runge_kutta(&push, state, h))
            }
        }
    }

    /// The same states with their derivatives, of which an integration makes as much as of two paths.
    pub fn states_with_slopes(
        self,
        start: State,
        field: (f64, f64),
        drag_factor: f64,
        taus_s: &[f64],
    ) -> Option<Vec<(State, Slopes)>> {
        match self {
            Self::Vacuum => {
                Some(taus_s.iter().map(|&tau| (parabola(start, field, tau), parabola_slopes(tau))).collect())
            }
            Self::InAir(ball) => {
                let push = Push::new(&ball, field, drag_factor)?;
                in_order((start, Slopes::AT_START), taus_s, |at, h| runge_kutta_with_slopes(&push, at, h))
            }
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
            Self::InAir(ball) => Push::new(&ball, field, drag_factor).map_or(field, |push| push.at(velocity)),
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

fn parabola_slopes(tau: f64) -> Slopes {
    let along_x = |x: f64, vx: f64| State { x, vx, ..State::NOUGHT };
    let along_y = |y: f64, vy: f64| State { y, vy, ..State::NOUGHT };
    let fallen = 0.5 * tau * tau;
    Slopes([
        along_x(tau, 1.0),
        along_y(tau, 1.0),
        along_x(fallen, tau),
        along_y(fallen, tau),
        State::NOUGHT,
        State::NOUGHT,
    ])
}

/// What accelerates the ball.
struct Push {
    /// With unit drag.
    forces: Forces,
    drag_exponent: f64,
    /// Acceleration at rest in a unit field, and its derivative by the drag factor.
    share_of_field: f64,
    share_by_factor: f64,
    /// Drag over that of the ball with unit drag, and its derivative by the drag factor.
    drag: f64,
    drag_by_factor: f64,
    field: (f64, f64),
}

/// Drag over speed and what it depends on.
struct Damping {
    /// 1/s
    value: f64,
    /// Its derivative by the speed, 1/m.
    by_speed: f64,
    /// By the factor and by the exponent.
    by_factor: f64,
    by_exponent: f64,
}

impl Push {
    /// A ball at rest feels no drag, whatever the exponent, m/s.
    const AT_REST: f64 = 1e-3;

    fn new(ball: &BallInAir, field: (f64, f64), drag_factor: f64) -> Option<Self> {
        let forces = ball.forces(1.0, 1.0)?;
        let push = Self {
            share_of_field: forces.share_of_gravity(),
            share_by_factor: 0.0,
            drag: drag_factor,
            drag_by_factor: 1.0,
            forces,
            drag_exponent: ball.drag_exponent,
            field,
        };
        Some(if ball.of_unknown_mass { push.with_mass_over(ball, drag_factor) } else { push })
    }

    /// The same for a ball whose mass is the stated one over the factor f: with q the displaced air's mass over the stated one, the
    /// share of gravity is (1 − f·q)/(1 + f·q/2) and the drag goes with f/(1 + f·q/2).
    fn with_mass_over(self, ball: &BallInAir, factor: f64) -> Self {
        let displaced_kg = ball.air_density_kg_per_m3 * std::f64::consts::PI / 6.0 * ball.diameter_m.powi(3);
        let q = displaced_kg / ball.mass_kg;
        let inertia = 1.0 + 0.5 * factor * q;
        let drag_by_factor = (1.0 + 0.5 * q) / (inertia * inertia);
        Self {
            share_of_field: (1.0 - factor * q) / inertia,
            share_by_factor: -1.5 * q / (inertia * inertia),
            drag: factor * drag_by_factor * inertia,
            drag_by_factor,
            ..self
        }
    }

    fn damping(&self, speed: f64) -> Damping {
        let speed = speed.max(Self::AT_REST);
        let (law, slope) = self.forces.damping_with_slope(speed);
        let ratio = speed / LAW_HOLDS_AT_M_PER_S;
        let power = if self.drag_exponent == 0.0 { 1.0 } else { ratio.powf(self.drag_exponent) };
        let value = self.drag * power * law;
        let by_speed = self.drag * power * slope + value * self.drag_exponent / speed;
        Damping { value, by_speed, by_factor: self.drag_by_factor * power * law, by_exponent: value * ratio.ln() }
    }

    fn at(&self, (vx, vy): (f64, f64)) -> (f64, f64) {
        let damping = self.damping((vx * vx + vy * vy).sqrt()).value;
        (self.share_of_field * self.field.0 - damping * vx, self.share_of_field * self.field.1 - damping * vy)
    }

    /// Rates of a state and of its slopes: the variational equations.
    fn rates(&self, (state, slopes): &(State, Slopes)) -> (State, Slopes) {
        let (vx, vy) = (state.vx, state.vy);
        let speed = (vx * vx + vy * vy).sqrt();
        let damping = self.damping(speed);
        let bend = damping.by_speed / speed.max(Self::AT_REST);
        let (xx, xy, yy) = (-damping.value - bend * vx * vx, -bend * vx * vy, -damping.value - bend * vy * vy);
        let share = self.share_of_field;
        let own = [
            (0.0, 0.0),
            (0.0, 0.0),
            (share, 0.0),
            (0.0, share),
            (
                self.share_by_factor * self.field.0 - damping.by_factor * vx,
                self.share_by_factor * self.field.1 - damping.by_factor * vy,
            ),
            (-damping.by_exponent * vx, -damping.by_exponent * vy),
        ];
        let mut rates = [State::NOUGHT; 6];
        for ((rate, slope), own) in rates.iter_mut().zip(&slopes.0).zip(own) {
            let (vx, vy) = (slope.vx, slope.vy);
            *rate = State { x: vx, y: vy, vx: xx * vx + xy * vy + own.0, vy: xy * vx + yy * vy + own.1 };
        }
        let (ax, ay) = (share * self.field.0 - damping.value * vx, share * self.field.1 - damping.value * vy);
        (State { x: vx, y: vy, vx: ax, vy: ay }, Slopes(rates))
    }
}

/// Integrates from time nought through the times, before and after it, each from its neighbour.
fn in_order<S: Copy + Finite>(start: S, taus_s: &[f64], step: impl Fn(S, f64) -> S) -> Option<Vec<S>> {
    let mut order: Vec<usize> = (0..taus_s.len()).collect();
    order.sort_by(|&a, &b| taus_s[a].total_cmp(&taus_s[b]));
    let mut states = vec![start; taus_s.len()];
    let first_after = order.partition_point(|&i| taus_s[i] < 0.0);
    let (before, after) = order.split_at(first_after);
    walk(start, taus_s, before.iter().rev(), &step, &mut states)?;
    walk(start, taus_s, after.iter(), &step, &mut states)?;
    Some(states)
}

fn walk<'a, S: Copy + Finite>(
    start: S,
    taus_s: &[f64],
    order: impl Iterator<Item = &'a usize>,
    step: &impl Fn(S, f64) -> S,
    states: &mut [S],
) -> Option<()> {
    let (mut state, mut tau) = (start, 0.0);
    for &i in order {
        let span: f64 = taus_s[i] - tau;
        if span.is_nan() || span.abs() >= 30.0 {
            return None;
        }
        let steps = (span.abs() / LONGEST_STEP_S).ceil().max(1.0);
        for _ in 0..steps as usize {
            state = step(state, span / steps);
        }
        tau = taus_s[i];
        states[i] = state;
    }
    state.is_finite().then_some(())
}

/// What can run off to nonsense.
trait Finite {
    fn is_finite(&self) -> bool;
}

impl Finite for State {
    fn is_finite(&self) -> bool {
        self.x.is_finite() && self.y.is_finite()
    }
}

impl Finite for (State, Slopes) {
    fn is_finite(&self) -> bool {
        self.0.is_finite() && self.1.0.iter().all(State::is_finite)
    }
}

impl State {
    const NOUGHT: Self = Self { x: 0.0, y: 0.0, vx: 0.0, vy: 0.0 };

    /// This state with `rate` added for `h`.
    fn after(self, rate: Self, h: f64) -> Self {
        Self { x: self.x + h * rate.x, y: self.y + h * rate.y, vx: self.vx + h * rate.vx, vy: self.vy + h * rate.vy }
    }

    /// The mean rate of a step of the classical fourth-order method.
    fn mean(a: Self, b: Self, c: Self, d: Self) -> Self {
        let mean = |a: f64, b: f64, c: f64, d: f64| (a + 2.0 * (b + c) + d) / 6.0;
        Self {
            x: mean(a.x, b.x, c.x, d.x),
            y: mean(a.y, b.y, c.y, d.y),
            vx: mean(a.vx, b.vx, c.vx, d.vx),
            vy: mean(a.vy, b.vy, c.vy, d.vy),
        }
    }
}

/// One step of the classical fourth-order method.
fn runge_kutta(push: &Push, s: State, h: f64) -> State {
    let rate = |s: State| {
        let (ax, ay) = push.at((s.vx, s.vy));
        State { x: s.vx, y: s.vy, vx: ax, vy: ay }
    };
    let a = rate(s);
    let b = rate(s.after(a, h / 2.0));
    let c = rate(s.after(b, h / 2.0));
    let d = rate(s.after(c, h));
    s.after(State::mean(a, b, c, d), h)
}

/// The same step with its derivatives.
fn runge_kutta_with_slopes(push: &Push, s: (State, Slopes), h: f64) -> (State, Slopes) {
    type At = (State, Slopes);
    let after = |s: At, rate: &At, h: f64| -> At {
        (s.0.after(rate.0, h), Slopes(std::array::from_fn(|k| s.1.0[k].after(rate.1.0[k], h))))
    };
    let a = push.rates(&s);
    let b = push.rates(&after(s, &a, h / 2.0));
    let c = push.rates(&after(s, &b, h / 2.0));
    let d = push.rates(&after(s, &c, h));
    let slopes = std::array::from_fn(|k| State::mean(a.1.0[k], b.1.0[k], c.1.0[k], d.1.0[k]));
    after(s, &(State::mean(a.0, b.0, c.0, d.0), Slopes(slopes)), h)
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

    /// A factor of two over an unknown mass is a ball of half the mass, with its own buoyancy.
    #[test]
    fn the_factor_divides_an_unknown_mass() {
        let of = |mass_kg| BallInAir::new(mass_kg, 0.070, &AirState::ROOM).unwrap();
        let start = State { x: 0.0, y: 0.0, vx: 4.0, vy: 3.0 };
        let unweighed = Motion::InAir(BallInAir { of_unknown_mass: true, ..of(0.026) });
        let seen = unweighed.states(start, (0.0, -9.81), 2.0, &[0.5]).unwrap()[0];
        let weighed = Motion::InAir(of(0.013)).states(start, (0.0, -9.81), 1.0, &[0.5]).unwrap()[0];
        assert!((seen.x - weighed.x).hypot(seen.y - weighed.y) < 1e-12, "{seen:?} {weighed:?}");
    }

    /// Against differences of whole paths, from a throw, from rest, and backwards in time.
    #[test]
    fn slopes_are_those_of_the_states() {
        let ball = BallInAir { drag_exponent: 0.08, ..BallInAir::new(0.0027, 0.040, &AirState::ROOM).unwrap() };
        let taus = [0.4, -0.1, 0.05];
        let unweighed = Motion::InAir(BallInAir { of_unknown_mass: true, ..ball });
        let motions = [(Motion::InAir(ball), 5.0), (Motion::InAir(ball), 0.0), (unweighed, 5.0), (Motion::Vacuum, 5.0)];
        for (motion, vx) in motions {
            let at = |moved: [f64; 6]| {
                let start = State { x: 0.1, y: 1.0, vx: vx + moved[0], vy: 0.8 * vx + moved[1] };
                let motion = motion.with_drag_exponent(0.08 + moved[5]);
                motion.states(start, (0.2 + moved[2], -9.8 + moved[3]), 1.1 + moved[4], &taus).unwrap()
            };
            let start = State { x: 0.1, y: 1.0, vx, vy: 0.8 * vx };
            let found = motion.states_with_slopes(start, (0.2, -9.8), 1.1, &taus).unwrap();
            use Lever::{DragExponent, DragFactor, FieldX, FieldY, Vx, Vy};
            for lever in [Vx, Vy, FieldX, FieldY, DragFactor, DragExponent] {
                let moved = |by: f64| at(std::array::from_fn(|k| if k == lever as usize { by } else { 0.0 }));
                let (above, here, below) = (moved(1e-4), moved(0.0), moved(-1e-4));
                for i in 0..taus.len() {
                    let slope = found[i].1.by(lever);
                    let numeric = |of: fn(&State) -> f64| (of(&above[i]) - of(&below[i])) / 2e-4;
                    // The step squared times third derivatives of about one; a ball at rest has a kink there.
                    let off = (slope.x - numeric(|s| s.x)).hypot(slope.y - numeric(|s| s.y));
                    let off_v = (slope.vx - numeric(|s| s.vx)).hypot(slope.vy - numeric(|s| s.vy));
                    assert!(off < 1e-6 && off_v < 1e-5, "{motion:?} {lever:?} {off} {off_v}");
                    assert!((found[i].0.x - here[i].x).hypot(found[i].0.y - here[i].y) < 1e-12);
                }
            }
        }
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
