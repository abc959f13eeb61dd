//! How the ball moves between the sightings, in the form the fit needs.

use serde::{Deserialize, Serialize};

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
}

impl Motion {
    /// States at the times `taus_s` after `start`, under the acceleration `field` (m/s², x and y).
    ///
    /// `None` when the motion can't be followed (a parameter ran off to nonsense during the search).
    pub fn states(self, start: State, field: (f64, f64), _drag_factor: f64, taus_s: &[f64]) -> Option<Vec<State>> {
        match self {
            Self::Vacuum => Some(taus_s.iter().map(|&tau| parabola(start, field, tau)).collect()),
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
