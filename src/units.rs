//! Quantities that carry their frame of reference or their uncertainty in their type.
//!
//! A point in pixels and a point in metres are two types, so that one cannot be taken for the other; lengths come in
//! through [`Length::parse`], which refuses a number without a unit.

use serde::{Deserialize, Serialize};
use thiserror::Error;

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

/// Why a length could not be read.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LengthError {
    #[error("`{0}` has no unit, and 0.5 m taken for 0.5 ft would put every result off by a factor of 3.3")]
    NoUnit(String),
    #[error("`{0}` is not a length")]
    NotALength(String),
    #[error("`{0}` has a comma, and numbers are written with a decimal point here")]
    Comma(String),
    #[error("`{unit}` is not a unit of length that lobline knows")]
    UnknownUnit { unit: String },
    #[error("a length must be above zero, and `{0}` is not")]
    NotPositive(String),
}

impl LengthError {
    /// What to type instead.
    pub fn hint(&self) -> String {
        "write a number and one of m, cm, mm, in, ft, such as `0.500 m` or `50 cm`".to_owned()
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

    /// Reads a number and its unit: m, cm, mm, in or ft (1 in = 0.0254 m and 1 ft = 0.3048 m exactly, the international
    /// inch and foot of 1959).
    ///
    /// # Errors
    /// [`LengthError`]; a bare number is refused, because a wrong guess of the unit can't be seen in the result.
    ///
    /// # Examples
    /// ```
    /// use lobline::units::{Length, LengthError};
    /// assert_eq!(Length::parse("50 cm")?.metres(), 0.5);
    /// assert_eq!(Length::parse("1ft")?.metres(), 0.3048);
    /// assert!(matches!(Length::parse("0.5"), Err(LengthError::NoUnit(_))));
    /// # Ok::<(), LengthError>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, LengthError> {
        let trimmed = text.trim();
        let split =
            trimmed.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))).unwrap_or(trimmed.len());
        let (number, unit) = (&trimmed[..split], trimmed[split..].trim());
        let value: f64 = number.parse().map_err(|_| LengthError::NotALength(trimmed.to_owned()))?;
        let metres_per_unit = match unit {
            "" => return Err(LengthError::NoUnit(trimmed.to_owned())),
            comma if comma.starts_with(',') => return Err(LengthError::Comma(trimmed.to_owned())),
            "m" => 1.0,
            "cm" => 0.01,
            "mm" => 0.001,
            "in" => 0.0254,
            "ft" => 0.3048,
            other => return Err(LengthError::UnknownUnit { unit: other.to_owned() }),
        };
        // Dividing by the whole number of units in a metre keeps 50 cm at exactly 0.5 m.
        let metres = match unit {
            "cm" => value / 100.0,
            "mm" => value / 1000.0,
            _ => value * metres_per_unit,
        };
        Self::from_metres(metres).ok_or_else(|| LengthError::NotPositive(trimmed.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_with_their_unit() {
        let cases = [("0.500 m", 0.5), ("160mm", 0.16), (" 12 in ", 0.3048), ("3 ft", 0.9144), ("2.5 cm", 0.025)];
        for (text, metres) in cases {
            // One rounding in the multiplication: a few units in the last place.
            assert!((Length::parse(text).unwrap().metres() - metres).abs() < 1e-15, "{text}");
        }
    }

    #[test]
    fn lengths_that_could_mislead_are_refused() {
        assert_eq!(Length::parse("0.5"), Err(LengthError::NoUnit("0.5".into())));
        assert_eq!(Length::parse("-1 m"), Err(LengthError::NotPositive("-1 m".into())));
        assert_eq!(Length::parse("0 m"), Err(LengthError::NotPositive("0 m".into())));
        assert_eq!(Length::parse("0,500 m"), Err(LengthError::Comma("0,500 m".into())));
        assert_eq!(Length::parse("2 yd"), Err(LengthError::UnknownUnit { unit: "yd".into() }));
        assert_eq!(Length::parse("ruler"), Err(LengthError::NotALength("ruler".into())));
    }
}
