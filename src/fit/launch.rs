//! When and where the flight begins, and what is stated there.

use serde::{Deserialize, Serialize};

use super::motion::State;
use super::view::FlightView;
use crate::sight::{Flight, Sighting};
use crate::units::PixelPoint;

/// What is known of the instant at which the ball left the launcher.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Launch {
    /// Some time between the two, nothing preferred, or a little later, where the first sightings can't tell a push from a flight; s
    /// on the clip's clock. Times of frames show what is at `seen_px` only when
    /// its row is exposed, and the row's part of the readout is added to both; `None` for true times.
    Between {
        from_s: f64,
        to_s: f64,
        #[serde(default)]
        seen_px: Option<PixelPoint>,
        /// What is known should the ball have come out of a mouth that hid it; `None` where it was in view all along.
        #[serde(default)]
        mouth: Option<Mouth>,
    },
    /// At that time.
    At { time_s: f64, standard_uncertainty_s: f64 },
    /// Where the path passes nearest to a point marked in the picture, known to `standard_uncertainty_px`.
    Near { point_px: PixelPoint, standard_uncertainty_px: f64 },
    /// At the first sighting, by definition: when its row was exposed.
    FirstSighting,
}

/// How a mouth may have hidden the ball, which leaves when its widest part passes the edge.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mouth {
    /// How long the ball takes for its own radius, s.
    pub radius_s: f64,
    /// How far the ball's centre was past the edge at the first sighting, in radii; `None` where the ball was in full view.
    pub past: Option<f64>,
}

impl Launch {
    /// Between the ends of the flight's release bracket.
    pub fn from_bracket(flight: &Flight) -> Self {
        let (from_s, to_s) = flight.release_bracket_s;
        let seen_px = flight.sightings.first().map(|sighting| sighting.centre_px);
        Self::Between { from_s, to_s, seen_px, mouth: None }
    }

    /// Share of the readout that passes between the times that are stated and the launch itself, 0 to 1.
    pub(super) fn row_fraction(self, first: &Sighting, view: &dyn FlightView) -> f64 {
        match self {
            Self::Between { seen_px: Some(at), .. } => view.row_fraction(at),
            Self::FirstSighting => view.row_fraction(first.centre_px),
            Self::Between { seen_px: None, .. } | Self::At { .. } | Self::Near { .. } => 0.0,
        }
    }
}

/// Launch speed (m/s), angle above the horizontal that gravity defines (deg), gravity (m/s²).
pub(super) fn derived(start: State, gravity: f64, roll: f64) -> [f64; 3] {
    let (sin, cos) = roll.sin_cos();
    let along = start.vx * cos + start.vy * sin;
    let up = start.vy * cos - start.vx * sin;
    [start.vx.hypot(start.vy), up.atan2(along.abs()).to_degrees(), gravity]
}
