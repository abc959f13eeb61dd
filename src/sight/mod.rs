//! Finding the ball without a click: background, candidate blobs, arcs, and the sub-pixel refinement.
//!
//! Takes frames, gives flights: the sightings of each free flight in pixels with their covariances. The frames go by once
//! ([`watch`]); what moved is kept, sorted into candidates ([`blobs`]), searched for falling arcs ([`arcs`]), and each arc
//! is refined against the pictures ([`track`], [`disc`]).

pub mod arcs;
pub mod blobs;
pub mod cells;
mod choose;
mod compose;
mod cover;
pub mod cutout;
pub mod disc;
pub mod find;
pub mod light;
pub mod look;
mod reference;
pub mod region;
mod resting;
mod settle;
mod siting;
pub mod smooth;
pub mod track;
pub mod watch;

pub use find::{FindOptions, Found, FoundFlight, Progress, find_flights};

use serde::{Deserialize, Serialize};

use crate::units::{Covariance2, PixelPoint};

/// The ball in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sighting {
    /// Frame number in presentation order, from 0.
    pub frame: usize,
    /// Time of the frame on the clock in use, in true seconds. A rolling shutter's row time is added by `camera`, later.
    pub time_s: f64,
    /// Centre of the ball at mid-exposure.
    pub centre_px: PixelPoint,
    pub covariance_px2: Covariance2,
    /// Radius of the disc in pixels.
    pub radius_px: f64,
    /// Streak of one exposure: vector from its start to its end, in pixels; `None` when it is too short to be seen.
    pub streak_px: Option<(f64, f64)>,
    /// Share of the disc that is in view, 0 to 1.
    pub visible: f64,
    /// Contrast of the ball against its surroundings in units of the noise.
    pub signal_to_noise: f64,
    /// How the sighting came about.
    pub source: SightingSource,
}

/// How a sighting came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum SightingSource {
    /// Found and refined by the program.
    Found,
    /// Placed or moved by the user.
    ByHand,
}

/// The sightings of one free flight, in order of time, from leaving the launcher to the first touch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Flight {
    pub sightings: Vec<Sighting>,
    /// Earliest and latest true time at which the ball can have left the launcher, s: after the last frame in which it was
    /// not yet on the path, at or before the first in which it was.
    pub release_bracket_s: (f64, f64),
}
