//! Reads the texts of a rig: quantities with their unit and uncertainty, points of the picture, and lines of known length.

use thiserror::Error;

use super::{Stated, StatedLength};
use crate::units::{Length, LengthError, PixelPoint};

/// Why a text of the rig, or the same text on the command line, could not be read.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TextError {
    #[error(transparent)]
    Length(#[from] LengthError),
    #[error("`{0}` is not a point of the picture")]
    NotAPoint(String),
    #[error("`{0}` is not a line of known length")]
    NotALine(String),
    #[error("`{0}` has both ends at the same place")]
    NoExtent(String),
    #[error("`{text}` is not a number{}", with_unit(units))]
    NotAQuantity { text: String, units: String },
    #[error("`{0}` does not say what ± means: a standard uncertainty or a 95 % interval")]
    PlusMinus(String),
    #[error("`{0}` has an uncertainty that is not a number above zero in a unit of its quantity")]
    BadUncertainty(String),
}

impl TextError {
    /// What to write instead.
    pub fn hint(&self) -> String {
        match self {
            Self::Length(error) => error.hint(),
            Self::NotAPoint(_) => {
                "write x and y in pixels with a comma between them, such as `120,640`; (0, 0) is the top left"
                    .to_owned()
            }
            Self::NotALine(_) | Self::NoExtent(_) => {
                "write both ends in pixels and the length between them, such as `120,640 to 880,642 = 0.500 m`"
                    .to_owned()
            }
            Self::NotAQuantity { units, .. } if units.is_empty() => {
                "write a number without a unit, such as `-0.08`, or with its standard uncertainty `-0.08(1)`".to_owned()
            }
            Self::NotAQuantity { units, .. } => format!("write a number and its unit ({units})"),
            Self::PlusMinus(_) | Self::BadUncertainty(_) => {
                "write the standard uncertainty as `3.00 m u 0.02 m` or `3.00(2) m`; half the width of a 95 % interval \
                 is about twice the standard uncertainty"
                    .to_owned()
            }
        }
    }
}

/// Two points of the picture and the length between them in the world.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ScaleLine {
    pub from: PixelPoint,
    pub to: PixelPoint,
    pub length: StatedLength,
}

impl ScaleLine {
    /// Reads `120,640 to 880,642 = 0.500 m`, where the length may carry a standard uncertainty (`0.500(1) m`).
    ///
    /// The rig file and the command line's option share this.
    ///
    /// # Errors
    /// [`TextError`].
    ///
    /// # Examples
    /// ```
    /// use lobline::rig::ScaleLine;
    /// let line = ScaleLine::parse("120,640 to 880,642 = 0.500(1) m")?;
    /// assert_eq!(line.length.length.metres(), 0.5);
    /// assert_eq!(line.length.standard_uncertainty_m, Some(0.001));
    /// # Ok::<(), lobline::rig::TextError>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, TextError> {
        let not_a_line = || TextError::NotALine(text.trim().to_owned());
        let (points, length) = text.split_once('=').ok_or_else(not_a_line)?;
        let (from, to) = parse_segment(points)?;
        Ok(Self { from, to, length: parse_length(length)? })
    }

    /// Distance between the ends, px.
    pub fn pixels(&self) -> f64 {
        self.from.distance(self.to)
    }
}

/// Reads `x,y`.
pub fn parse_point(text: &str) -> Result<PixelPoint, TextError> {
    let not_a_point = || TextError::NotAPoint(text.trim().to_owned());
    let (x, y) = text.split_once(',').ok_or_else(not_a_point)?;
    let number = |part: &str| part.trim().parse::<f64>().ok().filter(|value| value.is_finite());
    match (number(x), number(y)) {
        (Some(x), Some(y)) => Ok(PixelPoint::new(x, y)),
        _ => Err(not_a_point()),
    }
}

/// Reads `x,y to x,y`, two points that differ.
pub fn parse_segment(text: &str) -> Result<(PixelPoint, PixelPoint), TextError> {
    let trimmed = text.trim();
    let (from, to) = trimmed.split_once("to").ok_or_else(|| TextError::NotALine(trimmed.to_owned()))?;
    let (from, to) = (parse_point(from)?, parse_point(to)?);
    // Ends closer than a pixel are a slip of the hand: no scale can come of them.
    if from.distance(to) < 1.0 { Err(TextError::NoExtent(trimmed.to_owned())) } else { Ok((from, to)) }
}

/// Reads points separated by blanks: `410,300 1500,352 1432,1011 468,934`.
pub fn parse_points(text: &str) -> Result<Vec<PixelPoint>, TextError> {
    text.split_whitespace().map(parse_point).collect()
}

/// Reads a length above zero with an optional standard uncertainty: `0.500 m`, `0.500(1) m`, `0.500 m u 1 mm`.
pub fn parse_length(text: &str) -> Result<StatedLength, TextError> {
    let (main, uncertainty) = split_uncertainty(text)?;
    let length = Length::parse(&main)?;
    let standard_uncertainty_m = match uncertainty {
        None => None,
        Some(text) => Some(Length::parse(&text).map_err(|_| TextError::BadUncertainty(text))?.metres()),
    };
    Ok(StatedLength { length, standard_uncertainty_m })
}

/// Units of a quantity and what one of them is in the unit that the rig holds.
pub(super) type Units = &'static [(&'static str, f64)];

/// Signed lengths, m.
pub(super) const OFFSET: Units = &[("m", 1.0), ("cm", 0.01), ("mm", 0.001), ("in", 0.0254), ("ft", 0.3048)];
/// Masses, kg (1 oz = 28.349523125 g exactly, the international avoirdupois ounce of 1959).
pub(super) const MASS: Units = &[("g", 1e-3), ("kg", 1.0), ("oz", 0.028_349_523_125)];
/// Times, s.
pub(super) const TIME: Units = &[("ms", 1e-3), ("s", 1.0), ("us", 1e-6)];
/// Angles, degrees.
pub(super) const ANGLE: Units = &[("deg", 1.0), ("°", 1.0), ("", 1.0)];
/// Speeds, m/s.
pub(super) const SPEED: Units = &[("m/s", 1.0), ("cm/s", 0.01), ("km/h", 1.0 / 3.6), ("ft/s", 0.3048)];
/// Accelerations, m/s².
pub(super) const ACCELERATION: Units = &[("m/s2", 1.0), ("m/s²", 1.0), ("m/s^2", 1.0), ("", 1.0)];
/// Rates, Hz.
pub(super) const RATE: Units = &[("Hz", 1.0), ("fps", 1.0), ("", 1.0)];
/// Temperatures, °C.
pub(super) const TEMPERATURE: Units = &[("degC", 1.0), ("°C", 1.0)];
/// Pressures, Pa.
pub(super) const PRESSURE: Units = &[("hPa", 100.0), ("kPa", 1000.0), ("Pa", 1.0), ("mbar", 100.0)];
/// Shares, 1.
pub(super) const SHARE: Units = &[("%", 0.01)];
/// Densities, kg/m³.
pub(super) const DENSITY: Units = &[("kg/m3", 1.0), ("kg/m³", 1.0), ("kg/m^3", 1.0)];
/// Pixels.
pub(super) const PIXELS: Units = &[("px", 1.0), ("", 1.0)];
/// Plain numbers.
pub(super) const NUMBER: Units = &[("", 1.0)];

/// Reads a number with one of `units` and an optional standard uncertainty.
pub(super) fn parse_quantity(text: &str, units: Units) -> Result<Stated, TextError> {
    let (main, uncertainty) = split_uncertainty(text)?;
    let value = number_with_unit(&main, units)
        .ok_or_else(|| TextError::NotAQuantity { text: text.trim().to_owned(), units: unit_names(units) })?;
    let standard_uncertainty = match uncertainty {
        None => None,
        Some(text) => match number_with_unit(&text, units) {
            Some(u) if u > 0.0 => Some(u),
            _ => return Err(TextError::BadUncertainty(text)),
        },
    };
    Ok(Stated { value, standard_uncertainty })
}

/// The units by name; empty where there is none.
fn unit_names(units: Units) -> String {
    units.iter().map(|(name, _)| *name).filter(|name| !name.is_empty()).collect::<Vec<_>>().join(", ")
}

fn with_unit(units: &str) -> String {
    if units.is_empty() { String::new() } else { format!(" with the unit {units}") }
}

fn number_with_unit(text: &str, units: Units) -> Option<f64> {
    let trimmed = text.trim();
    let split = trimmed.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))).unwrap_or(trimmed.len());
    let value: f64 = trimmed[..split].parse().ok()?;
    let unit = trimmed[split..].trim();
    units.iter().find(|(name, _)| *name == unit).map(|(_, factor)| value * factor)
}

/// Splits `3.00(5) m` and `3.00 m u 0.05 m` into `3.00 m` and `0.05 m`.
///
/// The bracket holds the standard uncertainty in units of the last digits, or as a number of its own when it has a decimal
/// point: the two compact forms of JCGM 100:2008, 7.2.2, examples 2 and 3.
fn split_uncertainty(text: &str) -> Result<(String, Option<String>), TextError> {
    let trimmed = text.trim();
    if trimmed.contains('±') || trimmed.contains("+-") || trimmed.contains("+/-") {
        return Err(TextError::PlusMinus(trimmed.to_owned()));
    }
    if let Some((main, u)) = trimmed.split_once(" u ") {
        return Ok((main.to_owned(), Some(u.to_owned())));
    }
    let Some((number, rest)) = trimmed.split_once('(') else { return Ok((trimmed.to_owned(), None)) };
    let (digits, unit) = rest.split_once(')').ok_or_else(|| TextError::BadUncertainty(trimmed.to_owned()))?;
    let decimals = number.split_once('.').map_or(0, |(_, fraction)| fraction.trim().len());
    let u = compact_uncertainty(digits, decimals).ok_or_else(|| TextError::BadUncertainty(trimmed.to_owned()))?;
    Ok((format!("{number}{unit}"), Some(format!("{u}{unit}"))))
}

fn compact_uncertainty(digits: &str, decimals: usize) -> Option<f64> {
    let value: f64 = digits.trim().parse().ok().filter(|u| *u > 0.0)?;
    Some(if digits.contains('.') { value } else { value / 10f64.powi(decimals as i32) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_line_holds_two_ends_and_a_length() {
        let line = ScaleLine::parse(" 120,640 to 880.5,642 = 50 cm").unwrap();
        assert_eq!((line.from, line.to), (PixelPoint::new(120.0, 640.0), PixelPoint::new(880.5, 642.0)));
        assert_eq!((line.length.length.metres(), line.length.standard_uncertainty_m), (0.5, None));
    }

    #[test]
    fn scale_lines_that_could_mislead_are_refused() {
        assert!(matches!(ScaleLine::parse("1,2 to 30,4 = 0.5"), Err(TextError::Length(LengthError::NoUnit(_)))));
        assert!(matches!(ScaleLine::parse("1,2 to 1,2 = 1 m"), Err(TextError::NoExtent(_))));
        assert!(matches!(ScaleLine::parse("1,2 - 3,4 = 1 m"), Err(TextError::NotALine(_))));
        assert!(matches!(ScaleLine::parse("1 to 3,4 = 1 m"), Err(TextError::NotAPoint(_))));
        assert!(matches!(ScaleLine::parse("1,2 to 30,4 = 1 ± 0.1 m"), Err(TextError::PlusMinus(_))));
    }

    #[test]
    fn the_compact_forms_of_the_guide_are_read() {
        // JCGM 100:2008, 7.2.2, examples 1 to 3: m = 100.02147 g with u = 0.35 mg.
        for text in ["100.02147 g u 0.00035 g", "100.02147(35) g", "100.02147(0.00035) g"] {
            let mass = parse_quantity(text, MASS).unwrap();
            // A few roundings of f64 between grams and kilograms.
            assert!((mass.value - 0.100_021_47).abs() < 1e-15, "{text}");
            assert!((mass.standard_uncertainty.unwrap() - 0.35e-6).abs() < 1e-15, "{text}");
        }
    }

    #[test]
    fn quantities_name_the_units_they_would_take() {
        let error = parse_quantity("15", TIME).unwrap_err();
        assert_eq!(error, TextError::NotAQuantity { text: "15".into(), units: "ms, s, us".into() });
        assert_eq!(parse_quantity("-10 cm", OFFSET).unwrap().value, -0.1);
    }
}
