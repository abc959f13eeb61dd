//! Integrating a flight: adaptive Runge–Kutta with an interpolant that is as accurate as the steps.

use thiserror::Error;

use super::drag::Forces;

/// Place and velocity at an instant; x forward, y up, m and m/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    pub x: f64,
    pub y: f64,
    pub vx: f64,
    pub vy: f64,
}

impl State {
    /// At the origin with a speed and an angle above the horizontal in degrees.
    pub fn launch(speed_m_per_s: f64, angle_deg: f64) -> Self {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        Self { x: 0.0, y: 0.0, vx: speed_m_per_s * cos, vy: speed_m_per_s * sin }
    }

    pub fn speed(&self) -> f64 {
        self.vx.hypot(self.vy)
    }

    /// Direction of motion above the horizontal, degrees; negative when falling.
    pub fn angle_deg(&self) -> f64 {
        self.vy.atan2(self.vx).to_degrees()
    }
}

/// Relative accuracy of each step. The sum over a flight's few dozen steps then stays below 1e-9.
const DEFAULT_TOLERANCE: f64 = 1e-12;

const LARGEST_STEP_S: f64 = 0.05;
const SMALLEST_STEP_S: f64 = 1e-9;

/// Why an integration stopped.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum TrajectoryError {
    #[error("the flight can't be computed: speed {speed} m/s or duration {duration_s} s isn't a usable number")]
    NotFinite { speed: f64, duration_s: f64 },
    #[error("the flight can't be computed past {at_s} s: the forces change too fast there")]
    StepTooSmall { at_s: f64 },
}

impl TrajectoryError {
    /// What to check.
    pub fn hint(&self) -> String {
        "check the ball's mass and diameter and the launch speed: one of them is far from any real ball's".to_owned()
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Knot {
    t: f64,
    state: State,
    acceleration: [f64; 2],
}

/// A flight computed from its launch, to be asked at any instant within it.
#[derive(Debug, Clone, PartialEq)]
pub struct Trajectory {
    /// In rising order of time.
    knots: Vec<Knot>,
}

/// Integrates the flight from `start` at t = 0 over `duration_s` (backwards when negative).
///
/// Dormand–Prince 5(4) pair (J. Comput. Appl. Math. 6 (1980) 19–26) with step control; between the steps a quintic
/// through place, velocity and acceleration of both ends. Accurate to 1e-9 of the flight's size.
///
/// # Errors
/// [`TrajectoryError`] for numbers that aren't finite or forces no ball has.
///
/// # Examples
/// ```
/// use lobline::flight::drag::Forces;
/// use lobline::flight::trajectory::{State, integrate};
/// let path = integrate(&Forces::gravity_only(9.81), State::launch(4.0, 45.0), 0.5)?;
/// assert!((path.at(0.5).x - 4.0 * 0.5 / 2f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), lobline::flight::trajectory::TrajectoryError>(())
/// ```
pub fn integrate(forces: &Forces, start: State, duration_s: f64) -> Result<Trajectory, TrajectoryError> {
    integrate_to(forces, start, duration_s, DEFAULT_TOLERANCE)
}

/// [`integrate`] with the relative accuracy of a step stated: 1e-8 is ample, and faster, where pixels are fitted.
///
/// # Errors
/// As [`integrate`].
pub fn integrate_to(
    forces: &Forces,
    start: State,
    duration_s: f64,
    tolerance: f64,
) -> Result<Trajectory, TrajectoryError> {
    let finite = [start.x, start.y, start.vx, start.vy, duration_s, tolerance].iter().all(|value| value.is_finite());
    if !finite {
        return Err(TrajectoryError::NotFinite { speed: start.speed(), duration_s });
    }
    let mut knot = Knot { t: 0.0, state: start, acceleration: forces.acceleration(start.vx, start.vy) };
    let mut knots = vec![knot];
    let direction = duration_s.signum();
    let mut step = direction * (0.01f64).min(duration_s.abs());
    while (duration_s - knot.t) * direction > 0.0 {
        let left = duration_s - knot.t;
        let last = step.abs() >= left.abs();
        let (mut next, error) = dormand_prince_step(forces, &knot, if last { left } else { step }, tolerance);
        if error <= 1.0 {
            if last {
                next.t = duration_s;
            }
            knot = next;
            knots.push(knot);
        }
        let factor = if error > 0.0 { (0.9 * error.powf(-0.2)).clamp(0.2, 5.0) } else { 5.0 };
        step = direction * (step.abs().min(left.abs()) * factor).min(LARGEST_STEP_S);
        // Also true for NaN, which compares as neither.
        if error.is_nan() || (error > 1.0 && step.abs() < SMALLEST_STEP_S) {
            return Err(TrajectoryError::StepTooSmall { at_s: knot.t });
        }
    }
    if direction < 0.0 {
        knots.reverse();
    }
    Ok(Trajectory { knots })
}

/// Of the Dormand–Prince pair.
pub(crate) const STAGES: [[f64; 6]; 6] = [
    [1.0 / 5.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    [3.0 / 40.0, 9.0 / 40.0, 0.0, 0.0, 0.0, 0.0],
    [44.0 / 45.0, -56.0 / 15.0, 32.0 / 9.0, 0.0, 0.0, 0.0],
    [19372.0 / 6561.0, -25360.0 / 2187.0, 64448.0 / 6561.0, -212.0 / 729.0, 0.0, 0.0],
    [9017.0 / 3168.0, -355.0 / 33.0, 46732.0 / 5247.0, 49.0 / 176.0, -5103.0 / 18656.0, 0.0],
    [35.0 / 384.0, 0.0, 500.0 / 1113.0, 125.0 / 192.0, -2187.0 / 6784.0, 11.0 / 84.0],
];

/// Fifth- minus fourth-order weights.
pub(crate) const ERROR_WEIGHTS: [f64; 7] =
    [71.0 / 57600.0, 0.0, -71.0 / 16695.0, 71.0 / 1920.0, -17253.0 / 339200.0, 22.0 / 525.0, -1.0 / 40.0];

/// One step, and its error in units of the tolerance.
fn dormand_prince_step(forces: &Forces, from: &Knot, h: f64, tolerance: f64) -> (Knot, f64) {
    let start = [from.state.x, from.state.y, from.state.vx, from.state.vy];
    let mut slopes = [[0.0; 4]; 7];
    slopes[0] = [start[2], start[3], from.acceleration[0], from.acceleration[1]];
    let mut end = start;
    for (stage, weights) in STAGES.iter().enumerate() {
        end = start;
        for (weight, slope) in weights.iter().zip(&slopes) {
            for axis in 0..4 {
                end[axis] += h * weight * slope[axis];
            }
        }
        let [ax, ay] = forces.acceleration(end[2], end[3]);
        slopes[stage + 1] = [end[2], end[3], ax, ay];
    }
    let mut worst = 0.0f64;
    for axis in 0..4 {
        let error: f64 = ERROR_WEIGHTS.iter().zip(&slopes).map(|(weight, slope)| h * weight * slope[axis]).sum();
        let size = 1.0 + start[axis].abs().max(end[axis].abs());
        // f64::max would swallow a NaN.
        worst = if error.is_nan() { error } else { worst.max(error.abs() / (tolerance * size)) };
    }
    let state = State { x: end[0], y: end[1], vx: end[2], vy: end[3] };
    (Knot { t: from.t + h, state, acceleration: [slopes[6][2], slopes[6][3]] }, worst)
}

impl Trajectory {
    /// First and last instant, s after the start.
    pub fn span_s(&self) -> (f64, f64) {
        (self.knots[0].t, self.knots[self.knots.len() - 1].t)
    }

    /// Place and velocity `t` seconds after the start; outside the span the nearest end's polynomial is followed, which
    /// is meant for a rounding error's worth only.
    pub fn at(&self, t: f64) -> State {
        if self.knots.len() == 1 {
            return self.knots[0].state;
        }
        let upper = self.knots.partition_point(|knot| knot.t <= t).clamp(1, self.knots.len() - 1);
        interpolate(&self.knots[upper - 1], &self.knots[upper], t)
    }

    /// The first instant after `after_s` at which the ball passes `y_m` upwards or downwards; `None` when it doesn't within
    /// the span.
    pub fn crossing_s(&self, y_m: f64, downwards: bool, after_s: f64) -> Option<f64> {
        self.first_sign_change(after_s, |state| if downwards { y_m - state.y } else { state.y - y_m })
    }

    /// The instant of the highest point; `None` when it isn't within the span.
    pub fn apex_s(&self) -> Option<f64> {
        self.first_sign_change(self.knots[0].t, |state| -state.vy)
    }

    /// The instant at which the ball is `x_m` forward; `None` when it never is within the span.
    pub fn at_distance_s(&self, x_m: f64) -> Option<f64> {
        self.first_sign_change(self.knots[0].t, |state| state.x - x_m)
    }

    /// First change of `f` from below zero to zero or above.
    fn first_sign_change(&self, after_s: f64, f: impl Fn(&State) -> f64) -> Option<f64> {
        // The value at `after_s` itself starts the search, so that a crossing inside the first step isn't missed.
        let mut previous = (after_s, f(&self.at(after_s)));
        for knot in self.knots.iter().filter(|knot| knot.t > after_s) {
            let value = f(&knot.state);
            if previous.1 < 0.0 && value >= 0.0 {
                return Some(self.bisect(previous.0, knot.t, &f));
            }
            previous = (knot.t, value);
        }
        None
    }

    fn bisect(&self, mut low: f64, mut high: f64, f: &impl Fn(&State) -> f64) -> f64 {
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if f(&self.at(middle)) < 0.0 { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }
}

fn interpolate(from: &Knot, to: &Knot, t: f64) -> State {
    let h = to.t - from.t;
    let s = (t - from.t) / h;
    let (x, vx) = quintic(
        s,
        h,
        [from.state.x, from.state.vx, from.acceleration[0]],
        [to.state.x, to.state.vx, to.acceleration[0]],
    );
    let (y, vy) = quintic(
        s,
        h,
        [from.state.y, from.state.vy, from.acceleration[1]],
        [to.state.y, to.state.vy, to.acceleration[1]],
    );
    State { x, y, vx, vy }
}

/// Value and slope at `s` in 0..1 of the quintic with place, velocity and acceleration given at both ends of a step `h`.
fn quintic(s: f64, h: f64, from: [f64; 3], to: [f64; 3]) -> (f64, f64) {
    let (p0, v0, a0) = (from[0], h * from[1], 0.5 * h * h * from[2]);
    // What the far end has beyond the near end's parabola, as value, slope and half the curvature.
    let d = to[0] - p0 - v0 - a0;
    let e = h * to[1] - v0 - 2.0 * a0;
    let c = 0.5 * h * h * to[2] - a0;
    let (q3, q4, q5) = (10.0 * d - 4.0 * e + c, -15.0 * d + 7.0 * e - 2.0 * c, 6.0 * d - 3.0 * e + c);
    let value = p0 + s * (v0 + s * (a0 + s * (q3 + s * (q4 + s * q5))));
    let slope = v0 + s * (2.0 * a0 + s * (3.0 * q3 + s * (4.0 * q4 + s * 5.0 * q5)));
    (value, slope / h)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::drag::{Correlation, DragLaw, Sphere};
    use crate::flight::fixture::{Fixture, numbers};

    /// Relative to the larger of the value and one metre (or m/s, s): the accuracy promised.
    fn close(value: f64, expected: f64, what: &str) {
        assert!((value - expected).abs() < 1e-9 * expected.abs().max(1.0), "{what}: {value} against {expected}");
    }

    fn forces(case: &toml::Value) -> Forces {
        let number = |key: &str| case[key].as_float().unwrap();
        let law = match case.get("cd").and_then(toml::Value::as_float) {
            Some(cd) => DragLaw::Constant { cd },
            None => DragLaw::ByReynolds(Correlation::BrownLawler),
        };
        Forces {
            sphere: Some(Sphere::new(number("mass"), number("diameter")).unwrap()),
            law,
            air_density: case.get("rho").map_or(1.2, |rho| rho.as_float().unwrap()),
            air_viscosity: 1.81e-5,
            buoyancy: case.get("buoyancy").is_some_and(|switch| switch.as_bool().unwrap()),
            ..Forces::gravity_only(case.get("g").map_or(9.81, |g| g.as_float().unwrap()))
        }
    }

    #[test]
    fn flights_with_drag_agree_with_thirteen_digit_trajectories() {
        let table = Fixture::read("drag_air.toml");
        for case in table["trajectory"].as_array().unwrap() {
            let number = |key: &str| case[key].as_float().unwrap();
            let start = State::launch(number("v0"), number("angle"));
            let path = integrate(&forces(case), start, number("t_land") + 0.1).unwrap();
            for row in case["path"].as_array().unwrap() {
                let row = numbers(row);
                let state = path.at(row[0]);
                for (value, expected) in [state.x, state.y, state.vx, state.vy].into_iter().zip(&row[1..]) {
                    close(value, *expected, &format!("{} at {}", case["id"], row[0]));
                }
            }
            let landing = path.crossing_s(number("dy"), true, 0.0).unwrap();
            close(landing, number("t_land"), "landing time");
            close(path.at(landing).x, number("x_land"), "landing place");
            close(path.at(landing).vy, number("vy_land"), "landing velocity");
            if let Some(apex) = case.get("t_apex") {
                close(path.apex_s().unwrap(), apex.as_float().unwrap(), "apex time");
                close(path.at(path.apex_s().unwrap()).y, number("y_apex"), "apex height");
            }
        }
    }

    #[test]
    fn drops_and_throws_with_drag_agree_with_the_closed_form() {
        let table = Fixture::read("drag_air.toml");
        for case in table["vertical"].as_array().unwrap() {
            let number = |key: &str| case[key].as_float().unwrap();
            let at_rest = State { x: 0.0, y: 0.0, vx: 0.0, vy: 0.0 };
            let drop = integrate(&forces(case), at_rest, 0.8).unwrap();
            close(-drop.at(0.5).vy, number("v_after_0_5s"), "speed after half a second");
            close(-drop.at(0.5).y, number("fall_in_0_5s"), "fall in half a second");
            close(drop.crossing_s(-2.0, true, 0.0).unwrap(), number("time_to_fall_2m"), "two metres");
            let up = integrate(&forces(case), State { vy: 6.0, ..at_rest }, 1.5).unwrap();
            let apex = up.apex_s().unwrap();
            close(apex, number("up_6_t"), "time of ascent");
            close(up.at(apex).y, number("up_6_height"), "height");
            let back = up.crossing_s(0.0, true, apex).unwrap();
            close(-up.at(back).vy, number("up_6_return_speed"), "speed on return");
        }
    }

    #[test]
    fn backwards_undoes_forwards() {
        let sphere = Sphere::new(0.013, 0.070).unwrap();
        let forces = Forces::in_air(9.81, sphere, &crate::flight::air::AirState::ROOM);
        let start = State::launch(5.0, 55.0);
        let end = integrate(&forces, start, 0.7).unwrap().at(0.7);
        let back = integrate(&forces, end, -0.7).unwrap();
        assert_eq!(back.span_s(), (-0.7, 0.0));
        let again = back.at(-0.7);
        for (value, expected) in [(again.x, 0.0), (again.y, 0.0), (again.vx, start.vx), (again.vy, start.vy)] {
            close(value, expected, "there and back");
        }
    }

    #[test]
    fn nonsense_is_refused() {
        let forces = Forces::gravity_only(9.81);
        let error = integrate(&forces, State::launch(f64::NAN, 45.0), 1.0).unwrap_err();
        assert!(matches!(error, TrajectoryError::NotFinite { .. }));
        let explosive = Forces {
            sphere: Some(Sphere::new(0.01, 0.07).unwrap()),
            law: DragLaw::Constant { cd: -1e9 },
            air_density: 1.2,
            ..forces
        };
        assert!(matches!(
            integrate(&explosive, State::launch(5.0, 45.0), 1.0),
            Err(TrajectoryError::StepTooSmall { .. })
        ));
    }
}
