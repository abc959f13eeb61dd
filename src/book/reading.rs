//! Speeds as people type them: a number, perhaps with its standard uncertainty, and a unit.

use thiserror::Error;

/// Why a reading could not be understood.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum ReadingError {
    #[error("`{0}` has no unit")]
    NoUnit(String),
    #[error("`{0}` is not a speed")]
    NotASpeed(String),
    #[error("`{unit}` is not a unit of speed that lobline knows")]
    UnknownUnit { unit: String },
}

impl ReadingError {
    /// What to type instead.
    pub fn hint(&self) -> String {
        "write a number and one of m/s, cm/s, km/h, such as `4.02 m/s` or `4.02 ± 0.03 m/s`".to_owned()
    }
}

/// A speed and its standard uncertainty, m/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    pub speed_m_per_s: f64,
    pub standard_uncertainty_m_per_s: Option<f64>,
}

/// Reads `4.02 m/s`, `4.02 ± 0.03 m/s` or `4.02 +- 0.03 m/s`; a number without unit is taken in `unit` where one is given.
///
/// # Errors
/// [`ReadingError`].
pub fn read_speed(text: &str, unit: Option<&str>) -> Result<Reading, ReadingError> {
    let text = text.trim();
    let split = text.find(|c: char| c.is_alphabetic()).unwrap_or(text.len());
    let (numbers, written) = (text[..split].trim(), text[split..].trim());
    let written = if written.is_empty() { unit.map(str::trim) } else { Some(written) };
    let written = written.ok_or_else(|| ReadingError::NoUnit(text.to_owned()))?;
    let per_unit = match written {
        "m/s" => 1.0,
        "cm/s" => 0.01,
        "km/h" => 1.0 / 3.6,
        other => return Err(ReadingError::UnknownUnit { unit: other.to_owned() }),
    };
    let number = |part: &str| {
        part.trim().parse::<f64>().map(|value| value * per_unit).map_err(|_| ReadingError::NotASpeed(text.to_owned()))
    };
    let (speed, uncertainty) = match numbers.split_once('±').or_else(|| numbers.split_once("+-")) {
        Some((speed, uncertainty)) => (speed, Some(uncertainty)),
        None => (numbers, None),
    };
    Ok(Reading { speed_m_per_s: number(speed)?, standard_uncertainty_m_per_s: uncertainty.map(number).transpose()? })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speeds_are_read_with_their_unit() {
        let read = |text: &str| read_speed(text, None).map(|r| (r.speed_m_per_s, r.standard_uncertainty_m_per_s));
        assert_eq!(read("4.02 m/s"), Ok((4.02, None)));
        assert_eq!(read("4.02±0.03m/s"), Ok((4.02, Some(0.03))));
        assert_eq!(read(" 400 +- 2 cm/s "), Ok((4.0, Some(0.02))));
        assert_eq!(read_speed("4.02", Some("m/s")).unwrap().speed_m_per_s, 4.02);
        assert_eq!(read("4.02"), Err(ReadingError::NoUnit("4.02".into())));
        assert_eq!(read("fast m/s"), Err(ReadingError::UnknownUnit { unit: "fast m/s".into() }));
        assert_eq!(read("4..2 m/s"), Err(ReadingError::NotASpeed("4..2 m/s".into())));
        assert_eq!(read("4 knots"), Err(ReadingError::UnknownUnit { unit: "knots".into() }));
    }
}
