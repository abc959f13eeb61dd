//! How the ball moves between the sightings, in the form the fit needs.

use serde::{Deserialize, Serialize};

use crate::flight::air::{AirState, density_kg_per_m3, dynamic_viscosity_pa_s};
use crate::flight::drag::{Correlation, DragLaw, Forces, Sphere, SphereError};
use crate::flight::trajectory::{ERROR_WEIGHTS, STAGES};

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

/// Sightings no farther apart than this are joined by one step of the classical fourth-order method: half of a frame at 60 a second. At
/// 10 ms it leaves under 1e-9 m of the path for a foam ball at 10 m/s, the lightest and fastest of the trade (see the test against the
/// adaptive integration).
const NEAR_S: f64 = 0.0084;
/// Accuracy of a longer step, relative to the larger of the state's size and one metre or metre per second.
const TOLERANCE: f64 = 1e-10;
/// A ball whose path needs more steps than this between two sightings isn't one: followed backwards, drag drives a speed to anything.
const MOST_STEPS: usize = 2000;

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
                in_order(start, taus_s, |state: &State| {
                    let (ax, ay) = push.at((state.vx, state.vy));
                    State { x: state.vx, y: state.vy, vx: ax, vy: ay }
                })
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
                in_order((start, Slopes::AT_START), taus_s, |at| push.rates(at))
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
fn in_order<S: Moves>(start: S, taus_s: &[f64], rate: impl Fn(&S) -> S) -> Option<Vec<S>> {
    let mut order: Vec<usize> = (0..taus_s.len()).collect();
    order.sort_by(|&a, &b| taus_s[a].total_cmp(&taus_s[b]));
    let mut states = vec![start; taus_s.len()];
    let first_after = order.partition_point(|&i| taus_s[i] < 0.0);
    let (before, after) = order.split_at(first_after);
    walk(start, taus_s, before.iter().rev(), &rate, &mut states)?;
    walk(start, taus_s, after.iter(), &rate, &mut states)?;
    Some(states)
}

fn walk<'a, S: Moves>(
    start: S,
    taus_s: &[f64],
    order: impl Iterator<Item = &'a usize>,
    rate: &impl Fn(&S) -> S,
    states: &mut [S],
) -> Option<()> {
    let (mut state, mut tau, mut step_s) = (start, 0.0, NEAR_S);
    for &i in order {
        let span: f64 = taus_s[i] - tau;
        if span.is_nan() || span.abs() >= 30.0 {
            return None;
        }
        state = if span.abs() <= NEAR_S {
            runge_kutta(rate, state, span)
        } else {
            dormand_prince(rate, state, span, &mut step_s)?
        };
        tau = taus_s[i];
        states[i] = state;
    }
    state.is_finite().then_some(())
}

/// What is integrated.
trait Moves: Copy {
    /// This with `rate` added for `h`.
    fn after(&self, rate: &Self, h: f64) -> Self;
    fn scaled(&self, factor: f64) -> Self;
    /// Place and velocity, by which steps are judged.
    fn state(&self) -> &State;
    /// Whether it has run off to nonsense.
    fn is_finite(&self) -> bool;
}

impl Moves for State {
    fn after(&self, rate: &Self, h: f64) -> Self {
        Self { x: self.x + h * rate.x, y: self.y + h * rate.y, vx: self.vx + h * rate.vx, vy: self.vy + h * rate.vy }
    }

    fn scaled(&self, factor: f64) -> Self {
        Self::NOUGHT.after(self, factor)
    }

    fn state(&self) -> &State {
        self
    }

    fn is_finite(&self) -> bool {
        self.x.is_finite() && self.y.is_finite()
    }
}

impl Moves for (State, Slopes) {
    fn after(&self, rate: &Self, h: f64) -> Self {
        (self.0.after(&rate.0, h), Slopes(std::array::from_fn(|k| self.1.0[k].after(&rate.1.0[k], h))))
    }

    fn scaled(&self, factor: f64) -> Self {
        (self.0.scaled(factor), Slopes(self.1.0.map(|slope| slope.scaled(factor))))
    }

    fn state(&self) -> &State {
        &self.0
    }

    fn is_finite(&self) -> bool {
        self.0.is_finite() && self.1.0.iter().all(State::is_finite)
    }
}

impl State {
    const NOUGHT: Self = Self { x: 0.0, y: 0.0, vx: 0.0, vy: 0.0 };
}

/// One step of the classical fourth-order method.
fn runge_kutta<S: Moves>(rate: &impl Fn(&S) -> S, s: S, h: f64) -> S {
    let a = rate(&s);
    let b = rate(&s.after(&a, h / 2.0));
    let c = rate(&s.after(&b, h / 2.0));
    let d = rate(&s.after(&c, h));
    let mean = a.after(&d, 1.0).after(&b, 2.0).after(&c, 2.0).scaled(1.0 / 6.0);
    s.after(&mean, h)
}

/// Follows `s` for `span` in steps as long as the accuracy allows, beginning with `step_s`, in which the next span finds the last.
///
/// The pair and its step control are those of [`crate::flight::trajectory`]; here the slopes go along.
fn dormand_prince<S: Moves>(rate: &impl Fn(&S) -> S, mut s: S, span: f64, step_s: &mut f64) -> Option<S> {
    let (direction, mut left) = (span.signum(), span.abs());
    let mut first = rate(&s);
    for _ in 0..MOST_STEPS {
        let last = *step_s >= left;
        let h = if last { left } else { *step_s };
        let mut rates = [first; 7];
        let mut end = s;
        for (stage, weights) in STAGES.iter().enumerate() {
            end = weights
                .iter()
                .zip(&rates)
                .take(stage + 1)
                .fold(s, |end, (weight, rate)| end.after(rate, direction * h * weight));
            rates[stage + 1] = rate(&end);
        }
        let error = error_of(&rates, h, s.state(), end.state());
        let factor = if error > 0.0 { (0.9 * error.powf(-0.2)).clamp(0.2, 5.0) } else { 5.0 };
        if error.is_nan() {
            return None;
        }
        if error <= 1.0 {
            (s, first, left) = (end, rates[6], left - h);
            // The rest of a span says nothing of how long a step may be, unless it forbids it.
            *step_s = if last { step_s.max(h * factor) } else { h * factor };
            if last {
                return Some(s);
            }
        } else {
            *step_s = h * factor;
        }
    }
    None
}

/// Of a step of the fifth-order method against that of fourth order, in units of [`TOLERANCE`].
fn error_of<S: Moves>(rates: &[S; 7], h: f64, from: &State, to: &State) -> f64 {
    let sum =
        ERROR_WEIGHTS.iter().zip(rates).fold(State::NOUGHT, |sum, (weight, rate)| sum.after(rate.state(), h * weight));
    let parts = [(sum.x, from.x, to.x), (sum.y, from.y, to.y), (sum.vx, from.vx, to.vx), (sum.vy, from.vy, to.vy)];
    let relative = |(error, from, to): (f64, f64, f64)| error.abs() / (TOLERANCE * (1.0 + from.abs().max(to.abs())));
    // f64::max would swallow a NaN.
    parts.into_iter().map(relative).fold(0.0, |worst: f64, error| if error.is_nan() { error } else { worst.max(error) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::trajectory::{State as FlightState, integrate};

    #[test]
    fn steps_near_and_far_agree_with_the_integration_of_forecasts() {
        // The foam ball of the demo, fast: drag twice its weight.
        let ball = BallInAir::new(0.013, 0.070, &AirState::ROOM).unwrap();
        let start = State { x: 0.0, y: 0.0, vx: 7.0, vy: 7.0 };
        let trajectory =
            integrate(&ball.forces(9.81, 1.0).unwrap(), FlightState { x: 0.0, y: 0.0, vx: 7.0, vy: 7.0 }, 0.9).unwrap();
        // Far from each other, and as near as frames are.
        let near: Vec<f64> = (1..=108).map(|i| f64::from(i) / 120.0).collect();
        for taus in [vec![0.9, 0.1, 0.45], near] {
            let states = Motion::InAir(ball).states(start, (0.0, -9.81), 1.0, &taus).unwrap();
            for (state, tau) in states.iter().zip(taus) {
                let want = trajectory.at(tau);
                assert!((state.x - want.x).hypot(state.y - want.y) < 1e-9, "{state:?} {want:?}");
                assert!((state.vx - want.vx).hypot(state.vy - want.vy) < 1e-8);
            }
        }
    }

    /// A ball dropped from rest under quadratic drag: the fall is vₜ²/g · ln cosh(g t/vₜ), the speed vₜ · tanh(g t/vₜ), with
    /// vₜ² = 2 m g/(ρ c A) (any textbook of mechanics; from memory). At its final speed nothing changes, and steps grow.
    #[test]
    fn a_long_fall_at_its_final_speed_takes_few_steps() {
        let (k, g) = (0.126, 9.81_f64);
        let final_speed = (g / k).sqrt();
        let evaluations = std::cell::Cell::new(0);
        let rate = |s: &State| {
            evaluations.set(evaluations.get() + 1);
            State { x: s.vx, y: s.vy, vx: -k * s.vx.hypot(s.vy) * s.vx, vy: -g - k * s.vx.hypot(s.vy) * s.vy }
        };
        let taus: Vec<f64> = (1..=29).map(f64::from).collect();
        let states = in_order(State::NOUGHT, &taus, rate).unwrap();
        for (state, t) in states.iter().zip(&taus) {
            let fallen = final_speed.powi(2) / g * (g * t / final_speed).cosh().ln();
            assert!((state.y + fallen).abs() < 1e-8 * fallen.max(1.0), "{t}: {} {fallen}", state.y);
            assert!((state.vy + final_speed * (g * t / final_speed).tanh()).abs() < 1e-8);
        }
        // In steps of 8.4 ms it would be 14 000.
        assert!(evaluations.get() < 1500, "{}", evaluations.get());
    }

    /// Backwards in time a falling ball comes from ever higher speeds; that is given up and not waited for.
    #[test]
    fn what_runs_off_is_given_up() {
        let ball = BallInAir::new(0.0027, 0.040, &AirState::ROOM).unwrap();
        let start = State { x: 0.0, y: 0.0, vx: 1.0, vy: -30.0 };
        assert!(Motion::InAir(ball).states(start, (0.0, -9.81), 1.0, &[-20.0]).is_none());
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
