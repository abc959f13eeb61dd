//! Numbers as people write them: with a unit, perhaps with an interval, and with as many figures as they mean.

use thiserror::Error;

use crate::units::{Estimate, Length};

/// What a reading is of; decides which units it may carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// m/s, cm/s, km/h, ft/s → m/s
    Speed,
    /// °, deg, rad → degrees; a bare number counts as degrees
    Angle,
    /// m, cm, mm, in, ft → m; may be nought or negative (heights)
    Length,
    /// s, ms, min → s
    Time,
    /// kg, g → kg
    Mass,
    /// m/s² → m/s²
    Acceleration,
    /// °C; a bare number counts as °C
    Temperature,
    /// Pa, hPa, kPa, mbar → Pa
    Pressure,
}

impl Kind {
    const fn units(self) -> &'static str {
        match self {
            Self::Speed => "m/s, cm/s, km/h or ft/s",
            Self::Angle => "° (or `deg`) or rad",
            Self::Length => "m, cm, mm, in or ft",
            Self::Time => "s, ms or min",
            Self::Mass => "g or kg",
            Self::Acceleration => "m/s²",
            Self::Temperature => "°C",
            Self::Pressure => "Pa, hPa, kPa or mbar",
        }
    }

    const fn example(self) -> &'static str {
        match self {
            Self::Speed => "3.52 m/s",
            Self::Angle => "48.2° ± 0.4°",
            Self::Length => "30 cm ± 0.5 cm",
            Self::Time => "5.68 ms ± 0.02 ms",
            Self::Mass => "2.7 g",
            Self::Acceleration => "9.81 m/s²",
            Self::Temperature => "21 °C",
            Self::Pressure => "1013 hPa",
        }
    }

    /// Units per SI unit (or degree) and SI units per unit; one of them is a whole number, which keeps 50 cm at exactly 0.5 m.
    fn factor(self, unit: &str) -> Option<(f64, f64)> {
        let divide_by = |n: f64| Some((n, 1.0));
        let multiply_by = |n: f64| Some((1.0, n));
        match (self, unit) {
            (Self::Speed, "m/s") | (Self::Time, "s") | (Self::Mass, "kg") | (Self::Pressure, "Pa") => divide_by(1.0),
            (Self::Angle, "°" | "deg" | "") | (Self::Temperature, "°C" | "C" | "") => divide_by(1.0),
            (Self::Acceleration, "m/s²" | "m/s2" | "m/s^2") => divide_by(1.0),
            (Self::Angle, "rad") => multiply_by(1f64.to_degrees()),
            (Self::Speed, "cm/s") => divide_by(100.0),
            (Self::Speed, "km/h") => divide_by(3.6),
            (Self::Speed, "ft/s") => multiply_by(0.3048),
            (Self::Time, "ms") | (Self::Mass, "g") => divide_by(1000.0),
            (Self::Time, "min") => multiply_by(60.0),
            (Self::Pressure, "hPa" | "mbar") => multiply_by(100.0),
            (Self::Pressure, "kPa") => multiply_by(1000.0),
            (Self::Length, "") => None,
            (Self::Length, unit) => {
                let metres = Length::parse(&format!("1 {unit}")).ok()?.metres();
                let per_metre = (1.0 / metres).round();
                if (per_metre * metres - 1.0).abs() < 1e-12 { divide_by(per_metre) } else { multiply_by(metres) }
            }
            _ => None,
        }
    }
}

/// A number as it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// SI units; angles in degrees, temperatures in °C.
    pub value: f64,
    /// Half-width of the 95 % interval, in the same unit; `None` when it wasn't written.
    pub half_width_95: Option<f64>,
    /// Significant figures as written.
    pub figures: usize,
    /// As it was typed, tidied.
    pub text: String,
}

/// Why a reading wasn't understood.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ReadingError {
    #[error("`{text}` is not a number with a unit")]
    NotANumber { kind: Kind, text: String },
    #[error("`{text}` has no unit")]
    NoUnit { kind: Kind, text: String },
    #[error("`{unit}` is not a unit that fits here")]
    UnknownUnit { kind: Kind, unit: String },
    #[error("the ± of `{text}` must be a number above zero")]
    BadInterval { kind: Kind, text: String },
}

impl ReadingError {
    /// What to type instead.
    pub fn hint(&self) -> String {
        let (Self::NotANumber { kind, .. }
        | Self::NoUnit { kind, .. }
        | Self::UnknownUnit { kind, .. }
        | Self::BadInterval { kind, .. }) = self;
        format!(
            "write a number and {}, such as `{}`; add `± …` (or `+- …`) for its 95 % interval",
            kind.units(),
            kind.example()
        )
    }
}

impl Reading {
    /// Reads `3.52 m/s`, `3.52 m/s ± 0.03 m/s`, `3.52 +- 0.03 m/s` or `3,52 m/s`. The interval is taken as the half-width at
    /// 95 %, as this program prints it.
    ///
    /// # Errors
    /// [`ReadingError`]; a bare number is refused where a wrong guess of its unit couldn't be seen.
    ///
    /// # Examples
    /// ```
    /// use lobline::flight::reading::{Kind, Reading};
    /// let speed = Reading::parse(Kind::Speed, "3.52 ± 0.03 m/s")?;
    /// assert_eq!((speed.value, speed.half_width_95, speed.figures), (3.52, Some(0.03), 3));
    /// # Ok::<(), lobline::flight::reading::ReadingError>(())
    /// ```
    pub fn parse(kind: Kind, text: &str) -> Result<Self, ReadingError> {
        let text = text.trim();
        let (main, interval) =
            match text.split_once('±').or_else(|| text.split_once("+-")).or_else(|| text.split_once("+/-")) {
                Some((main, interval)) => (main.trim(), Some(interval.trim())),
                None => (text, None),
            };
        let (number, unit) = split_unit(main);
        let (width, width_unit) = interval.map_or(("", ""), split_unit);
        // One unit may serve both numbers: `12.0 ± 0.5 cm`.
        let unit = if unit.is_empty() { width_unit } else { unit };
        let width_unit = if width_unit.is_empty() { unit } else { width_unit };
        let not_a_number = || ReadingError::NotANumber { kind, text: text.to_owned() };
        let value = to_number(number).ok_or_else(not_a_number)?;
        let half_width_95 = match interval {
            None => None,
            Some(_) => {
                let width = to_number(width).filter(|width| *width > 0.0);
                let bad = || ReadingError::BadInterval { kind, text: text.to_owned() };
                Some(convert(kind, width.ok_or_else(bad)?, width_unit, text)?)
            }
        };
        Ok(Self {
            value: convert(kind, value, unit, text)?,
            half_width_95,
            figures: figures_after(kind, unit, value, significant_figures(number)),
            text: text.split_whitespace().collect::<Vec<_>>().join(" "),
        })
    }

    /// As an estimate with a coverage factor of 1.96.
    pub fn estimate(&self) -> Estimate {
        match self.half_width_95 {
            Some(half_width) => Estimate {
                value: self.value,
                standard_uncertainty: Some(half_width / 1.96),
                expanded_uncertainty_95: Some(half_width),
            },
            None => Estimate::without_uncertainty(self.value),
        }
    }
}

/// Significant figures in the SI unit: as many as keep the place of the last figure typed. 0.9 rad, good to 0.1 rad or 6°, is 52° and not
/// 5·10¹°. A power of ten changes nothing.
fn figures_after(kind: Kind, unit: &str, value: f64, figures: usize) -> usize {
    let Some((divide, multiply)) = kind.factor(unit) else { return figures };
    let shift = (multiply / divide).log10();
    if value == 0.0 || (shift - shift.round()).abs() < 1e-9 {
        return figures;
    }
    let first = value.abs().log10();
    let last = first.floor() - figures as f64 + 1.0;
    ((first + shift).floor() - (last + shift).floor() + 1.0).max(1.0) as usize
}

fn split_unit(text: &str) -> (&str, &str) {
    let is_number = |i: usize, c: char| {
        c.is_ascii_digit()
            || matches!(c, '.' | ',' | '-' | '+' | '−')
            // The e of 1.3e3, but not of a unit.
            || (matches!(c, 'e' | 'E')
                && text[i + 1..].starts_with(|next: char| next.is_ascii_digit() || matches!(next, '-' | '+')))
    };
    let end = text.char_indices().find(|(i, c)| !is_number(*i, *c)).map_or(text.len(), |(i, _)| i);
    (text[..end].trim(), text[end..].trim())
}

/// A decimal comma is understood; two of them, or a comma beside a point, are not guessed at.
fn to_number(text: &str) -> Option<f64> {
    let text = text.replace('−', "-");
    let text = if text.contains('.') { text } else { text.replacen(',', ".", 1) };
    text.parse().ok().filter(|value: &f64| value.is_finite())
}

fn convert(kind: Kind, value: f64, unit: &str, text: &str) -> Result<f64, ReadingError> {
    match kind.factor(unit) {
        Some((divisor, factor)) => Ok(value / divisor * factor),
        None if unit.is_empty() => Err(ReadingError::NoUnit { kind, text: text.to_owned() }),
        None => Err(ReadingError::UnknownUnit { kind, unit: unit.to_owned() }),
    }
}

/// Significant figures of a decimal number as written.
///
/// Leading zeros don't count, zeros after the point do. Zeros at the end of a whole number do as well: somebody who types
/// `100 cm` read a tape to the centimetre; `1.0e2` says two figures (OpenStax, College Physics 2e, section 1.3, leaves such
/// zeros to the writer's meaning).
pub fn significant_figures(number: &str) -> usize {
    let mantissa = number.split(['e', 'E']).next().unwrap_or(number);
    let digits: String = mantissa.chars().filter(char::is_ascii_digit).collect();
    let significant = digits.trim_start_matches('0').len();
    // Of a nought only the places after the point mean anything: 0.00 is known to two places; say one figure at least.
    significant.max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_keep_the_place_of_the_last_one_typed() {
        // By hand: 0.1 rad is 5.7°, 1 km/h is 0.28 m/s, 1 ft is 0.30 m.
        let cases = [
            (Kind::Angle, ".9 rad", 2),
            (Kind::Angle, "0.90 rad", 3),
            (Kind::Angle, "48.2°", 3),
            (Kind::Speed, "15 km/h", 2),
            (Kind::Speed, "36 km/h", 3),
            (Kind::Length, "3 ft", 1),
            (Kind::Length, "30 cm", 2),
            (Kind::Length, "1.50 m", 3),
        ];
        for (kind, text, figures) in cases {
            assert_eq!(Reading::parse(kind, text).unwrap().figures, figures, "{text}");
        }
    }

    #[test]
    fn readings_carry_unit_and_interval() {
        let cases = [
            (Kind::Speed, "3.52 m/s", 3.52, None),
            (Kind::Speed, "3.52 m/s ± 0.03", 3.52, Some(0.03)),
            (Kind::Speed, "3.52+-0.03 m/s", 3.52, Some(0.03)),
            (Kind::Speed, "3,52 m/s", 3.52, None),
            (Kind::Speed, "36 km/h", 10.0, None),
            (Kind::Angle, "48.2° ± 0.4°", 48.2, Some(0.4)),
            (Kind::Angle, "48", 48.0, None),
            (Kind::Length, "50 cm +/- 5 mm", 0.5, Some(0.005)),
            (Kind::Length, "-20 cm", -0.2, None),
            (Kind::Length, "0 m", 0.0, None),
            (Kind::Length, "12 in", 0.3048, None),
            (Kind::Time, "5.68 ms", 0.00568, None),
            (Kind::Mass, "2.7 g", 0.0027, None),
            (Kind::Acceleration, "9.81 m/s^2", 9.81, None),
            (Kind::Pressure, "1013.25 hPa", 101_325.0, None),
            (Kind::Length, "1.3e-1 m", 0.13, None),
        ];
        for (kind, text, value, width) in cases {
            let reading = Reading::parse(kind, text).unwrap();
            // One multiplication or division.
            assert!((reading.value - value).abs() <= 2e-16 * value.abs(), "{text}: {}", reading.value);
            match (reading.half_width_95, width) {
                (Some(read), Some(width)) => assert!((read - width).abs() < 1e-15, "{text}"),
                (read, width) => assert_eq!(read, width, "{text}"),
            }
        }
    }

    #[test]
    fn readings_that_could_mislead_are_refused() {
        let error = |kind, text: &str| Reading::parse(kind, text).unwrap_err();
        assert!(matches!(error(Kind::Length, "30"), ReadingError::NoUnit { .. }));
        assert!(matches!(error(Kind::Speed, "3.52"), ReadingError::NoUnit { .. }));
        assert!(matches!(error(Kind::Speed, "fast"), ReadingError::NotANumber { .. }));
        assert!(matches!(error(Kind::Speed, "3 kn"), ReadingError::UnknownUnit { .. }));
        assert!(matches!(error(Kind::Speed, "3 m/s ± -1 m/s"), ReadingError::BadInterval { .. }));
        assert!(matches!(error(Kind::Length, "1,000.5 m"), ReadingError::NotANumber { .. }));
        assert!(error(Kind::Length, "30").hint().contains("30 cm"));
    }

    #[test]
    fn significant_figures_follow_the_usual_rules() {
        // The table of OpenStax, College Physics 2e, section 1.3: placekeeping zeros don't count, others do.
        let cases = [
            ("3.52", 3),
            ("0.0520", 3),
            ("70.0", 3),
            ("10.053", 5),
            ("0.053", 2),
            ("1300", 4),
            ("1.3e3", 2),
            ("1.30e2", 3),
            ("100.0", 4),
            ("0.5", 1),
            ("00.50", 2),
            ("-4.20", 3),
            ("0", 1),
        ];
        for (text, figures) in cases {
            assert_eq!(significant_figures(text), figures, "{text}");
        }
    }
}
