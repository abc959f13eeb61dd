//! Speeds as people type them, by the one grammar of [`crate::quantity`].

use crate::quantity::{Kind, Reading as Typed, ReadingError};

/// A speed and its standard uncertainty, m/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    pub speed_m_per_s: f64,
    pub standard_uncertainty_m_per_s: Option<f64>,
}

/// Reads `4.02 m/s`, `4.02 ± 0.03 m/s` (half-width of the 95 % interval, as everywhere) or `4.02 m/s u 0.015 m/s`; a number without
/// unit is taken in `unit` where one is given.
///
/// # Errors
/// [`ReadingError`].
pub fn read_speed(text: &str, unit: Option<&str>) -> Result<Reading, ReadingError> {
    let read = match (Typed::parse(Kind::Speed, text), unit) {
        (Err(ReadingError::NoUnit { .. }), Some(unit)) => Typed::parse(Kind::Speed, &format!("{text} {}", unit.trim())),
        (read, _) => read,
    }?;
    let estimate = read.estimate();
    Ok(Reading { speed_m_per_s: estimate.value, standard_uncertainty_m_per_s: estimate.standard_uncertainty })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speeds_are_read_with_their_unit() {
        let read = |text: &str| read_speed(text, None).map(|r| (r.speed_m_per_s, r.standard_uncertainty_m_per_s));
        assert_eq!(read("4.02 m/s"), Ok((4.02, None)));
        // ± is the 95 % half-width, 1.96 standard uncertainties (JCGM 100:2008, table G.1).
        assert_eq!(read("4.02±0.03m/s"), Ok((4.02, Some(0.03 / 1.96))));
        assert_eq!(read(" 400 +- 2 cm/s "), Ok((4.0, Some(0.02 / 1.96))));
        assert_eq!(read("4,02 m/s"), Ok((4.02, None)));
        assert_eq!(read("4.02(3) m/s"), Ok((4.02, Some(0.03))));
        assert_eq!(read("4.02 m/s u 3 cm/s"), Ok((4.02, Some(0.03))));
        assert_eq!(read_speed("4.02", Some("m/s")).unwrap().speed_m_per_s, 4.02);
        assert_eq!(read_speed("4.02 ± 0.05", Some("m/s")).unwrap().standard_uncertainty_m_per_s, Some(0.05 / 1.96));
        assert!(matches!(read("4.02"), Err(ReadingError::NoUnit { .. })));
        assert!(matches!(read("4..2 m/s"), Err(ReadingError::NotANumber { .. })));
        assert!(matches!(read("4 knots"), Err(ReadingError::UnknownUnit { .. })));
    }
}
