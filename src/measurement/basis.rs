//! What a measurement was computed from: with it the numbers come out again, to the last digit, without the clip.

use serde::{Deserialize, Serialize};

use super::ClockStatement;
use crate::camera::View;
use crate::fit::Request;
use crate::rig::Rig;
use crate::warning::Warning;

/// Everything between the pictures and the numbers.
///
/// The camera isn't kept: it follows from the rig and the view.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Basis {
    /// What was stated beforehand.
    pub rig: Rig,
    /// What of the clip the camera was made from: size, rows, the ball's size, the cards found.
    pub view: View,
    /// Sightings with their covariances, launches, terms and circumstances as the fit took them.
    pub request: Request,
    /// What else was seen, one entry a flight of the request.
    #[serde(default)]
    pub clues: Vec<FlightClues>,
    /// Whether somebody said at what rate the clip was recorded, beside the rig.
    #[serde(default)]
    pub capture_rate_stated: bool,
    /// The clock before a flight was asked which one it fits.
    pub clock: ClockStatement,
    /// What was odd about clip and clock.
    pub warnings: Vec<Warning>,
    /// How often the ball went on after a touch.
    pub continuations: usize,
}

/// What was seen of a flight beside the ball's places.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct FlightClues {
    /// How far the background around the ball bows from its straight way over the flight, px (x right, y down), and the standard
    /// uncertainty of either; `None` where the background is too plain to tell.
    pub background_bend_px: Option<(f64, f64, f64)>,
}
