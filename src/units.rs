//! Quantities that carry their frame of reference or their uncertainty in their type.
//!
//! A point in pixels and a point in metres are two types, so that one cannot be taken for the other. How they are written is
//! the matter of [`crate::quantity`].

use serde::{Deserialize, Serialize};

/// A point of the displayed picture in pixels: x right, y down, (0, 0) the centre of the top left pixel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PixelPoint {
    pub x: f64,
    pub y: f64,
}

impl PixelPoint {
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Distance to `other` in pixels.
    pub fn distance(self, other: Self) -> f64 {
        // Not `hypot`: pixels neither overflow nor underflow, and the search for arcs takes millions of distances.
        let (dx, dy) = (self.x - other.x, self.y - other.y);
        (dx * dx + dy * dy).sqrt()
    }
}

/// A point in the plane of the flight in metres: x right as the camera sees it, y up.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MetrePoint {
    pub x: f64,
    pub y: f64,
}

impl MetrePoint {
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Distance to `other` in metres.
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }
}

/// Covariance of a point, `[[xx, xy], [xy, yy]]`, in the square of the point's unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Covariance2 {
    pub xx: f64,
    pub xy: f64,
    pub yy: f64,
}

impl Covariance2 {
    /// Equal and independent standard uncertainty `sigma` on both axes.
    pub const fn isotropic(sigma: f64) -> Self {
        Self { xx: sigma * sigma, xy: 0.0, yy: sigma * sigma }
    }

    /// That of standard uncertainties `factor` times as large.
    pub fn widened(self, factor: f64) -> Self {
        let square = factor * factor;
        Self { xx: square * self.xx, xy: square * self.xy, yy: square * self.yy }
    }

    /// Standard uncertainties along x and y.
    pub fn sigmas(self) -> (f64, f64) {
        (self.xx.sqrt(), self.yy.sqrt())
    }
}

/// A measured quantity in the words of the GUM (JCGM 100:2008): value, standard uncertainty and 95 % interval.
///
/// `None` means that the uncertainty isn't known, never that it is nought.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    pub value: f64,
    /// Combined standard uncertainty (1 σ), in the unit of `value`.
    pub standard_uncertainty: Option<f64>,
    /// Half-width of the 95 % coverage interval (expanded uncertainty U95), in the unit of `value`.
    pub expanded_uncertainty_95: Option<f64>,
}

impl Estimate {
    /// A value with standard uncertainty `u` and coverage factor `k` for 95 %.
    pub const fn with_coverage_factor(value: f64, u: f64, k: f64) -> Self {
        Self { value, standard_uncertainty: Some(u), expanded_uncertainty_95: Some(k * u) }
    }

    /// A value whose uncertainty isn't known.
    pub const fn without_uncertainty(value: f64) -> Self {
        Self { value, standard_uncertainty: None, expanded_uncertainty_95: None }
    }
}

/// A length in metres, above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Length {
    metres: f64,
}

impl Length {
    /// A length of `metres`; `None` when that isn't a finite number above zero.
    pub fn from_metres(metres: f64) -> Option<Self> {
        (metres.is_finite() && metres > 0.0).then_some(Self { metres })
    }

    /// The length in metres.
    pub const fn metres(self) -> f64 {
        self.metres
    }
}
