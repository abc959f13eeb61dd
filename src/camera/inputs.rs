//! What the camera was made of, number by number, each with its uncertainty.

use serde::{Deserialize, Serialize};

/// The shape of what is known about an input (JCGM 100:2008, 4.3; JCGM 101:2008, 6.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Distribution {
    Normal,
    Rectangular,
}

/// Which part of the set-up an input belongs to; a budget may add up the shares of a kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum InputKind {
    /// A stated length.
    ScaleLength,
    /// Where marks stand in the picture.
    ScaleMarks,
    /// How far the scale is from the plane of the flight.
    ScaleDepth,
    /// The vertical.
    Level,
    /// How squarely the camera looks.
    Tilt,
    /// Focal length, lens terms, principal point.
    Lens,
    /// The rolling shutter.
    Readout,
}

/// One uncertain input of the camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraInput {
    /// In words for the budget, such as "length of the scale".
    pub name: String,
    pub kind: InputKind,
    /// Value used, in `unit`.
    pub value: f64,
    /// In `unit`.
    pub standard_uncertainty: f64,
    pub unit: String,
    pub distribution: Distribution,
    /// False when the rig didn't state it and a usual value was taken; the fit may then estimate it itself.
    pub stated: bool,
}

/// The number that an input turns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Knob {
    LineLength(usize),
    LineEnds(usize),
    RectangleWidth,
    RectangleHeight,
    /// One of the independent combinations of the map's entries.
    MapMode(usize),
    /// One of the independent combinations of what the marks of cards say, in standard deviations.
    MarksMode(usize),
    /// The first two of them, yaw and pitch with all that the marks tie to them, in degrees.
    MarksTilt(usize),
    /// True over nominal size of printed cards.
    Print,
    Offset,
    Distance,
    Focal,
    Yaw,
    Pitch,
    Level,
    K1,
    K2,
    Readout,
}
