//! The path of one flight: in closed form where gravity alone acts, integrated where the air does.

use super::drag::{DragLaw, Forces};
use super::trajectory::{State, Trajectory, TrajectoryError, integrate};

/// An instant of a flight with its state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instant {
    /// s after launch
    pub time_s: f64,
    pub state: State,
}

/// A flight from its launch down to a lowest height. x forward from the muzzle, y up from wherever `start.y` counts from.
#[derive(Debug, Clone, PartialEq)]
pub struct FlightPath {
    start: State,
    kind: Kind,
}

#[derive(Debug, Clone, PartialEq)]
enum Kind {
    /// Constant downward acceleration, m/s².
    Parabola {
        downward: f64,
    },
    Integrated(Trajectory),
}

/// Longest flight that is integrated; no classroom ball stays up a minute.
const LONGEST_FLIGHT_S: f64 = 64.0;

impl FlightPath {
    /// The flight from `start` under `forces`, computed until it has fallen to `lowest_y_m`.
    ///
    /// # Errors
    /// [`TrajectoryError`] for numbers that aren't finite or forces no ball has.
    pub fn new(start: State, forces: &Forces, lowest_y_m: f64) -> Result<Self, TrajectoryError> {
        let numbers = [start.x, start.y, start.vx, start.vy, forces.gravity_m_per_s2, lowest_y_m];
        if !numbers.iter().all(|value| value.is_finite()) {
            return Err(TrajectoryError::NotFinite { speed: start.speed(), duration_s: 0.0 });
        }
        let kind = if forces.sphere.is_none() || forces.law == DragLaw::None {
            Kind::Parabola { downward: -forces.acceleration(0.0, 0.0)[1] }
        } else {
            Kind::Integrated(fall_to(start, forces, lowest_y_m)?)
        };
        Ok(Self { start, kind })
    }

    pub const fn start(&self) -> State {
        self.start
    }

    /// Place and velocity `time_s` after launch.
    pub fn at(&self, time_s: f64) -> State {
        match &self.kind {
            Kind::Parabola { downward } => State {
                x: self.start.x + self.start.vx * time_s,
                y: self.start.y + time_s * (self.start.vy - 0.5 * downward * time_s),
                vx: self.start.vx,
                vy: self.start.vy - downward * time_s,
            },
            Kind::Integrated(trajectory) => trajectory.at(time_s),
        }
    }

    /// The highest point; `None` when the ball never rises.
    pub fn apex(&self) -> Option<Instant> {
        if self.start.vy <= 0.0 {
            return None;
        }
        let time_s = match &self.kind {
            Kind::Parabola { downward } => self.start.vy / downward,
            Kind::Integrated(trajectory) => trajectory.apex_s()?,
        };
        Some(self.instant(time_s))
    }

    /// The passage through height `y_m` on the way down; `None` when the ball never is that high or lies there already.
    pub fn falling_through(&self, y_m: f64) -> Option<Instant> {
        let time_s = match &self.kind {
            Kind::Parabola { downward } => {
                let rise = y_m - self.start.y;
                let root = (self.start.vy * self.start.vy - 2.0 * downward * rise).sqrt();
                // The form without cancellation when the ball is thrown downwards (NaN when the height isn't reached).
                let time = if self.start.vy >= 0.0 {
                    (self.start.vy + root) / downward
                } else {
                    -2.0 * rise / (root - self.start.vy)
                };
                (time.is_finite() && time > 0.0).then_some(time)?
            }
            Kind::Integrated(trajectory) => trajectory.crossing_s(y_m, true, 0.0)?,
        };
        Some(self.instant(time_s))
    }

    /// The passage at `x_m` forward of the muzzle; `None` when the ball never is there.
    pub fn at_distance(&self, x_m: f64) -> Option<Instant> {
        let time_s = match &self.kind {
            Kind::Parabola { .. } => {
                let time = (x_m - self.start.x) / self.start.vx;
                (time.is_finite() && time >= 0.0).then_some(time)?
            }
            Kind::Integrated(_) if x_m == self.start.x => 0.0,
            Kind::Integrated(trajectory) => trajectory.at_distance_s(x_m)?,
        };
        Some(self.instant(time_s))
    }

    /// `count` states evenly spaced in time from launch to `end_s`, for drawing.
    pub fn sample(&self, end_s: f64, count: usize) -> Vec<Instant> {
        let last = count.max(2) - 1;
        (0..=last).map(|i| self.instant(end_s * i as f64 / last as f64)).collect()
    }

    fn instant(&self, time_s: f64) -> Instant {
        Instant { time_s, state: self.at(time_s) }
    }
}

/// Integrates until the ball is below `lowest_y_m` and falling.
fn fall_to(start: State, forces: &Forces, lowest_y_m: f64) -> Result<Trajectory, TrajectoryError> {
    let g = forces.gravity_m_per_s2.abs().max(1e-3);
    let drop = (start.y - lowest_y_m).max(0.0);
    let vacuum_s = (start.vy.max(0.0) + (start.vy * start.vy + 2.0 * g * drop).sqrt()) / g;
    let mut duration_s = (1.25 * vacuum_s + 0.05).min(LONGEST_FLIGHT_S);
    loop {
        let trajectory = integrate(forces, start, duration_s)?;
        let end = trajectory.at(duration_s);
        if (end.y < lowest_y_m && end.vy < 0.0) || duration_s >= LONGEST_FLIGHT_S {
            return Ok(trajectory);
        }
        duration_s *= 2.0;
    }
}

/// The greatest height and distance that a speed can reach at any angle, air left out: never less than the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Highest point above the floor, m, straight up.
    pub height_m: f64,
    /// Farthest landing on the floor from the point under the muzzle, m.
    pub distance_m: f64,
}

/// Reach of a launcher on level floor: v²/2g above the muzzle and (v/g)·√(v² + 2gh) away.
pub fn reach(speed_m_per_s: f64, launch_height_m: f64, gravity_m_per_s2: f64) -> Reach {
    let v2 = speed_m_per_s * speed_m_per_s;
    Reach {
        height_m: launch_height_m + v2 / (2.0 * gravity_m_per_s2),
        distance_m: speed_m_per_s / gravity_m_per_s2 * (v2 + 2.0 * gravity_m_per_s2 * launch_height_m.max(0.0)).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::air::AirState;
    use crate::flight::drag::Sphere;
    use proptest::prelude::*;

    fn vacuum(speed: f64, angle: f64) -> FlightPath {
        FlightPath::new(State::launch(speed, angle), &Forces::gravity_only(9.81), -10.0).unwrap()
    }

    proptest! {
        #[test]
        fn energy_is_kept_without_air(speed in 0.5..12.0, angle in -80.0..85.0, t in 0.0..1.5) {
            let state = vacuum(speed, angle).at(t);
            let energy = 0.5 * state.speed().powi(2) + 9.81 * state.y;
            // A handful of roundings of terms up to about 200 J/kg.
            prop_assert!((energy - 0.5 * speed * speed).abs() < 1e-12 * (1.0 + speed * speed + 9.81 * t * t * 9.81));
        }

        #[test]
        fn energy_only_falls_in_air(speed in 1.0..10.0, angle in -60.0..80.0) {
            let sphere = Sphere::new(0.0027, 0.040).unwrap();
            // Buoyancy and added mass change the bookkeeping; without them the kinetic and potential energy is plain.
            let forces = Forces { buoyancy: false, added_mass: false, ..Forces::in_air(9.81, sphere, &AirState::ROOM) };
            let path = FlightPath::new(State::launch(speed, angle), &forces, -1.0).unwrap();
            let energy = |t: f64| { let s = path.at(t); 0.5 * s.speed().powi(2) + 9.81 * s.y };
            for step in 0..10 {
                prop_assert!(energy(0.04 * f64::from(step + 1)) < energy(0.04 * f64::from(step)));
            }
        }

        #[test]
        fn complementary_angles_land_together_on_the_level(speed in 1.0..12.0, angle in 5.0..44.0) {
            let range = |a: f64| vacuum(speed, a).falling_through(0.0).unwrap().state.x;
            let (low, high) = (range(angle), range(90.0 - angle));
            prop_assert!((low - high).abs() < 1e-12 * low.max(1.0));
        }

        #[test]
        fn no_angle_beats_the_reach(speed in 0.5..12.0, angle in -80.0..89.0, height in 0.0..2.0) {
            let start = State { y: height, ..State::launch(speed, angle) };
            let path = FlightPath::new(start, &Forces::gravity_only(9.81), 0.0).unwrap();
            let limit = reach(speed, height, 9.81);
            if let Some(landing) = path.falling_through(0.0) {
                prop_assert!(landing.state.x <= limit.distance_m * (1.0 + 1e-12));
            }
            if let Some(apex) = path.apex() {
                prop_assert!(apex.state.y <= limit.height_m * (1.0 + 1e-12));
            }
        }
    }

    #[test]
    fn air_with_next_to_no_drag_falls_together_with_the_parabola() {
        let sphere = Sphere::new(1000.0, 0.02).unwrap();
        let start = State { y: 0.4, ..State::launch(4.0, 50.0) };
        let heavy = FlightPath::new(start, &Forces::in_air(9.81, sphere, &AirState::ROOM), 0.0).unwrap();
        let plain = FlightPath::new(start, &Forces::gravity_only(9.81), 0.0).unwrap();
        let (a, b) = (heavy.falling_through(0.1).unwrap(), plain.falling_through(0.1).unwrap());
        // Drag on a tonne: about 1e-7 of g.
        assert!((a.state.x - b.state.x).abs() < 1e-6 && (a.time_s - b.time_s).abs() < 1e-6);
    }

    #[test]
    fn heights_and_places_never_reached_are_none() {
        let path = vacuum(4.0, 45.0);
        assert_eq!(path.falling_through(2.0), None);
        assert_eq!(path.at_distance(-1.0), None);
        assert_eq!(vacuum(4.0, -10.0).apex(), None);
        assert_eq!(vacuum(4.0, 0.0).falling_through(0.0), None);
    }
}
