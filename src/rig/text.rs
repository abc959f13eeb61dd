//! Reads the texts of a rig: quantities with their unit and uncertainty, points of the picture, and lines of known length.

use thiserror::Error;

use super::{Stated, StatedLength};
use crate::quantity::{Kind, Reading, ReadingError};
use crate::units::{Length, PixelPoint};

/// Why a text of the rig, or the same text on the command line, could not be read.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TextError {
    #[error(transparent)]
    Quantity(#[from] ReadingError),
    #[error("a length must be above zero, and `{0}` is not")]
    NotPositive(String),
    #[error("`{0}` is not a point of the picture")]
    NotAPoint(String),
    #[error("`{0}` is not a line of known length")]
    NotALine(String),
    #[error("`{0}` has both ends at the same place")]
    NoExtent(String),
}

impl TextError {
    /// What to write instead.
    pub fn hint(&self) -> String {
        match self {
            Self::Quantity(error) => error.hint(),
            Self::NotPositive(_) => "write a number above zero and its unit, such as `0.500 m` or `50 cm`".to_owned(),
            Self::NotAPoint(_) => {
                "write x and y in pixels with a comma between them, such as `120,640`; (0, 0) is the top left"
                    .to_owned()
            }
            Self::NotALine(_) | Self::NoExtent(_) => {
                "write both ends in pixels and the length between them, such as `120,640 to 880,642 = 0.500 m`"
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
    /// Reads `120,640 to 880,642 = 0.500 m`, where the length may carry an uncertainty (`0.500(1) m`, `0.500 m ± 2 mm`).
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

/// Reads a length above zero with an optional uncertainty: `0.500 m`, `0.500(1) m`, `0.500 m ± 2 mm`.
pub fn parse_length(text: &str) -> Result<StatedLength, TextError> {
    let read = Reading::parse(Kind::Length, text)?;
    let length = Length::from_metres(read.value).ok_or_else(|| TextError::NotPositive(text.trim().to_owned()))?;
    Ok(StatedLength { length, standard_uncertainty_m: read.standard_uncertainty })
}

/// Reads a quantity of the rig.
pub(super) fn parse_quantity(text: &str, kind: Kind) -> Result<Stated, TextError> {
    let Reading { value, standard_uncertainty, .. } = Reading::parse(kind, text)?;
    Ok(Stated { value, standard_uncertainty })
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
        assert!(matches!(ScaleLine::parse("1,2 to 30,4 = 0.5"), Err(TextError::Quantity(ReadingError::NoUnit { .. }))));
        assert!(matches!(ScaleLine::parse("1,2 to 1,2 = 1 m"), Err(TextError::NoExtent(_))));
        assert!(matches!(ScaleLine::parse("1,2 - 3,4 = 1 m"), Err(TextError::NotALine(_))));
        assert!(matches!(ScaleLine::parse("1 to 3,4 = 1 m"), Err(TextError::NotAPoint(_))));
        assert!(matches!(ScaleLine::parse("1,2 to 30,4 = 0 m"), Err(TextError::NotPositive(_))));
        assert!(matches!(ScaleLine::parse("1,2 to 30,4 = -1 m"), Err(TextError::NotPositive(_))));
    }
}
