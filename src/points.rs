//! Times and places from anywhere, such as a student's own table: read, and fitted with a flight without air.
//!
//! What comes in are texts and numbers, nothing of pictures; so this knows nothing of clips and the camera.

pub mod fit;
pub mod graph;
mod table;

pub use fit::{PointsFit, fit};
pub use table::{Column, PointsError, read_table};

/// A row of a table. x along the floor, y up, from wherever the table counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub time_s: f64,
    pub y_m: f64,
    /// `None` in a table of a fall or of a throw straight up.
    pub x_m: Option<f64>,
    /// Standard uncertainties; `None` where the table doesn't state them.
    pub time_uncertainty_s: Option<f64>,
    pub y_uncertainty_m: Option<f64>,
    pub x_uncertainty_m: Option<f64>,
}
