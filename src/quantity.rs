//! Quantities as people write them: the one grammar for rig files, command line, page, shot book and gate files.
//!
//! A number, its unit, and what it is uncertain by in one of three ways: `3.00 m ± 0.04 m` is the half-width of the 95 % interval, as this
//! program prints it; `3.00(2) m` and `3.00 m u 2 cm` are standard uncertainties, the compact forms of JCGM 100:2008, 7.2.2.
//! A decimal comma is understood. A bare number is refused with the units to choose from; only nought is nought in any unit.

use thiserror::Error;

use crate::units::Estimate;

/// Coverage factor of a 95 % interval of a normal distribution (GUM table G.2, infinite degrees of freedom).
const NORMAL_95: f64 = 1.96;

/// What a quantity is of; decides which units it may carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// → m/s
    Speed,
    /// → degrees
    Angle,
    /// → m; may be nought or negative (heights)
    Length,
    /// → s
    Time,
    /// → kg
    Mass,
    /// → m/s²
    Acceleration,
    /// → °C
    Temperature,
    /// → Pa
    Pressure,
    /// → kg/m³
    Density,
    /// → Hz
    Rate,
    /// → 1
    Share,
    /// → px
    Pixels,
    /// Without a unit.
    Number,
}

/// A unit: so many of it in one of those that the program reckons in, and so many of these in one of it. One of the two is a whole
/// number where there is one, which keeps 50 cm at exactly 0.5 m.
#[derive(Debug, Clone, Copy)]
struct Unit {
    name: &'static str,
    divide: f64,
    multiply: f64,
}

const fn over(name: &'static str, divide: f64) -> Unit {
    Unit { name, divide, multiply: 1.0 }
}

const fn times(name: &'static str, multiply: f64) -> Unit {
    Unit { name, divide: 1.0, multiply }
}

impl Kind {
    /// The first is the one that errors offer first.
    ///
    /// 1 in = 0.0254 m and 1 ft = 0.3048 m exactly (international yard of 1959), 1 oz = 28.349523125 g exactly (avoirdupois).
    const fn units(self) -> &'static [Unit] {
        match self {
            Self::Speed => const { &[over("m/s", 1.0), over("cm/s", 100.0), over("km/h", 3.6), times("ft/s", 0.3048)] },
            Self::Angle => const { &[over("°", 1.0), over("deg", 1.0), times("rad", 180.0 / std::f64::consts::PI)] },
            Self::Length => {
                const { &[over("m", 1.0), over("cm", 100.0), over("mm", 1000.0), times("in", 0.0254), times("ft", 0.3048)] }
            }
            Self::Time => {
                const { &[over("s", 1.0), over("ms", 1000.0), over("us", 1e6), over("µs", 1e6), times("min", 60.0)] }
            }
            Self::Mass => const { &[over("g", 1000.0), over("kg", 1.0), times("oz", 0.028_349_523_125)] },
            Self::Acceleration => const { &[over("m/s²", 1.0), over("m/s2", 1.0), over("m/s^2", 1.0)] },
            Self::Temperature => const { &[over("°C", 1.0), over("degC", 1.0), over("C", 1.0)] },
            Self::Pressure => {
                const { &[times("hPa", 100.0), over("Pa", 1.0), times("kPa", 1000.0), times("mbar", 100.0)] }
            }
            Self::Density => const { &[over("kg/m³", 1.0), over("kg/m3", 1.0), over("kg/m^3", 1.0)] },
            Self::Rate => const { &[over("Hz", 1.0), over("fps", 1.0)] },
            Self::Share => const { &[over("%", 100.0)] },
            Self::Pixels => const { &[over("px", 1.0)] },
            Self::Number => const { &[over("", 1.0)] },
        }
    }

    /// "m, cm, mm, in or ft"; empty for a plain number.
    fn unit_names(self) -> String {
        let names: Vec<&str> = self.units().iter().map(|unit| unit.name).collect();
        match names.as_slice() {
            [] => String::new(),
            [one] => (*one).to_owned(),
            [first @ .., last] => format!("{} or {last}", first.join(", ")),
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
            Self::Density => "1.20 kg/m³",
            Self::Rate => "240 Hz",
            Self::Share => "50 %",
            Self::Pixels => "1480(30) px",
            Self::Number => "-0.08(1)",
        }
    }

    fn unit(self, name: &str) -> Option<Unit> {
        self.units().iter().find(|unit| unit.name == name).copied()
    }

    /// A value of the program in the unit that is offered first: 0.1 in seconds is 0.1 s.
    pub fn in_first_unit(self, value: f64) -> String {
        let unit = self.units()[0];
        format!("{} {}", value * unit.divide / unit.multiply, unit.name).trim_end().to_owned()
    }

    /// Whether nought needs no unit. Of temperatures it does.
    const fn nought_is_nought(self) -> bool {
        !matches!(self, Self::Temperature)
    }
}

/// A quantity as it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// SI units; angles in degrees, temperatures in °C, shares of 1.
    pub value: f64,
    /// In the same unit; `None` when none was written.
    pub standard_uncertainty: Option<f64>,
    /// Half-width of the 95 % interval.
    pub half_width_95: Option<f64>,
    /// Significant figures as written.
    pub figures: usize,
    /// As it was typed, tidied.
    pub text: String,
}

/// Why a quantity wasn't understood.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ReadingError {
    #[error("`{text}` is not a number with a unit")]
    NotANumber { kind: Kind, text: String },
    #[error("`{text}` has no unit")]
    NoUnit { kind: Kind, text: String },
    #[error("`{unit}` is not a unit that fits here")]
    UnknownUnit { kind: Kind, unit: String },
    #[error("the uncertainty of `{text}` must be one number above zero")]
    BadInterval { kind: Kind, text: String },
}

impl ReadingError {
    /// What to type instead.
    pub fn hint(&self) -> String {
        match self {
            Self::NoUnit { kind, text } => {
                let first = kind.units()[0].name;
                let blank = if first == "°" { "" } else { " " };
                format!("write `{text}{blank}{first}`, or with another unit: {}", kind.unit_names())
            }
            Self::NotANumber { kind: Kind::Number, .. } | Self::UnknownUnit { kind: Kind::Number, .. } => {
                "write a number without a unit, such as `-0.08`, or with its standard uncertainty `-0.08(1)`".to_owned()
            }
            Self::NotANumber { kind, .. } | Self::UnknownUnit { kind, .. } | Self::BadInterval { kind, .. } => format!(
                "write a number and {}, such as `{}`; add `± …` (or `+- …`) for its 95 % interval, or `u …` for its standard \
                 uncertainty",
                kind.unit_names(),
                kind.example()
            ),
        }
    }
}

/// What stands behind a number.
enum Uncertainty<'t> {
    None,
    /// Half-width of the 95 % interval.
    Interval(&'t str),
    Standard(&'t str),
}

impl Reading {
    /// Reads a quantity in the grammar of this module.
    ///
    /// # Errors
    /// [`ReadingError`]; a bare number is refused, because a wrong guess of its unit can't be seen in the result.
    ///
    /// # Examples
    /// ```
    /// use lobline::quantity::{Kind, Reading};
    /// let speed = Reading::parse(Kind::Speed, "3.52 ± 0.03 m/s")?;
    /// assert_eq!((speed.value, speed.half_width_95, speed.figures), (3.52, Some(0.03), 3));
    /// let mass = Reading::parse(Kind::Mass, "2,70(1) g")?;
    /// assert_eq!((mass.value, mass.standard_uncertainty), (0.0027, Some(0.00001)));
    /// # Ok::<(), lobline::quantity::ReadingError>(())
    /// ```
    pub fn parse(kind: Kind, text: &str) -> Result<Self, ReadingError> {
        let text = text.trim();
        let (main, uncertainty) = parts(text);
        let bad = || ReadingError::BadInterval { kind, text: text.to_owned() };
        let Written { number, bracket, unit } = Written::of(main).ok_or_else(bad)?;
        let behind = match uncertainty {
            Uncertainty::None => None,
            Uncertainty::Interval(text) | Uncertainty::Standard(text) => Some(split_unit(text)),
        };
        if bracket.is_some() && behind.is_some() {
            return Err(bad());
        }
        // One unit may serve both numbers: `12.0 ± 0.5 cm`.
        let unit = if unit.is_empty() { behind.map_or("", |behind| behind.1) } else { unit };
        let value = to_number(number).ok_or_else(|| ReadingError::NotANumber { kind, text: text.to_owned() })?;
        let width = match (bracket, behind) {
            (Some(digits), _) => Some((compact(digits, number).ok_or_else(bad)?, unit)),
            (None, Some((width, of_its_own))) => {
                let width = to_number(width).filter(|width| *width > 0.0).ok_or_else(bad)?;
                Some((width, if of_its_own.is_empty() { unit } else { of_its_own }))
            }
            (None, None) => None,
        };
        let width = width.map(|(width, unit)| convert(kind, width, unit, text)).transpose()?;
        let is_interval = matches!(uncertainty, Uncertainty::Interval(_));
        Ok(Self {
            value: convert(kind, value, unit, text)?,
            standard_uncertainty: width.map(|width| if is_interval { width / NORMAL_95 } else { width }),
            half_width_95: width.map(|width| if is_interval { width } else { NORMAL_95 * width }),
            figures: figures_after(kind, unit, value, significant_figures(number)),
            text: text.split_whitespace().collect::<Vec<_>>().join(" "),
        })
    }

    /// As an estimate with a coverage factor of 1.96.
    pub fn estimate(&self) -> Estimate {
        Estimate {
            value: self.value,
            standard_uncertainty: self.standard_uncertainty,
            expanded_uncertainty_95: self.half_width_95,
        }
    }
}

/// The number with its unit, and what stands behind it.
fn parts(text: &str) -> (&str, Uncertainty<'_>) {
    let interval = ["±", "+-", "+/-"].into_iter().find_map(|sign| text.split_once(sign));
    if let Some((main, width)) = interval {
        return (main.trim(), Uncertainty::Interval(width.trim()));
    }
    match text.split_once(" u ") {
        Some((main, width)) => (main.trim(), Uncertainty::Standard(width.trim())),
        None => (text, Uncertainty::None),
    }
}

/// `3.00(2) m` in its parts.
struct Written<'t> {
    number: &'t str,
    /// Between the brackets.
    bracket: Option<&'t str>,
    unit: &'t str,
}

impl<'t> Written<'t> {
    /// `None` for a bracket that doesn't close.
    fn of(text: &'t str) -> Option<Self> {
        let (number, rest) = split_unit(text);
        let Some(rest) = rest.strip_prefix('(') else { return Some(Self { number, bracket: None, unit: rest }) };
        let (digits, unit) = rest.split_once(')')?;
        Some(Self { number, bracket: Some(digits.trim()), unit: unit.trim() })
    }
}

/// What the bracket of `3.00(2)` says: units of the last digits, or a number of its own when it has a decimal sign (JCGM 100:2008, 7.2.2,
/// examples 2 and 3).
fn compact(digits: &str, number: &str) -> Option<f64> {
    let value = to_number(digits).filter(|u| *u > 0.0)?;
    if digits.contains(['.', ',']) {
        return Some(value);
    }
    let (mantissa, exponent) = number.split_once(['e', 'E']).unwrap_or((number, "0"));
    let decimals = mantissa.split_once(['.', ',']).map_or(0, |(_, decimals)| decimals.len() as i32);
    Some(value / 10f64.powi(decimals - exponent.parse::<i32>().ok()?))
}

/// Significant figures in the SI unit: as many as keep the place of the last figure typed. 0.9 rad, good to 0.1 rad or 6°, is 52° and not
/// 5·10¹°. A power of ten changes nothing.
fn figures_after(kind: Kind, unit: &str, value: f64, figures: usize) -> usize {
    let Some(unit) = kind.unit(unit) else { return figures };
    let shift = (unit.multiply / unit.divide).log10();
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
    match kind.unit(unit) {
        Some(unit) => Ok(value / unit.divide * unit.multiply),
        None if unit.is_empty() && value == 0.0 && kind.nought_is_nought() => Ok(0.0),
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
    fn the_compact_forms_of_the_guide_are_read() {
        // JCGM 100:2008, 7.2.2, examples 1 to 3: m = 100.02147 g with u = 0.35 mg.
        for text in ["100.02147 g u 0.00035 g", "100.02147(35) g", "100.02147(0.00035) g", "100,02147(35) g"] {
            let mass = Reading::parse(Kind::Mass, text).unwrap();
            // A few roundings of f64 between grams and kilograms.
            assert!((mass.value - 0.100_021_47).abs() < 1e-15, "{text}");
            assert!((mass.standard_uncertainty.unwrap() - 0.35e-6).abs() < 1e-15, "{text}");
        }
    }

    /// The same number behind ± is the half-width of the 95 % interval: 1.96 standard uncertainties (JCGM 100:2008, table G.1).
    #[test]
    fn plus_minus_is_the_95_per_cent_half_width() {
        let u = |text: &str| Reading::parse(Kind::Length, text).unwrap().standard_uncertainty.unwrap();
        assert_eq!(u("3.00 m ± 2 cm"), 0.02 / 1.96);
        assert_eq!(u("3.00 m u 2 cm"), 0.02);
        assert_eq!(u("3.00(2) m"), 0.02);
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
            (Kind::Angle, "0", 0.0, None),
            (Kind::Length, "0", 0.0, None),
            (Kind::Mass, "1 oz", 0.028_349_523_125, None),
            (Kind::Time, "2 min", 120.0, None),
            (Kind::Share, "50 %", 0.5, None),
            (Kind::Rate, "240 fps", 240.0, None),
            (Kind::Number, "-0,08", -0.08, None),
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
        for (kind, text, offered) in
            [(Kind::Angle, "48", "`48°`"), (Kind::Acceleration, "9.81", "`9.81 m/s²`"), (Kind::Rate, "240", "`240 Hz`")]
        {
            assert!(error(kind, text).hint().contains(offered), "{}", error(kind, text).hint());
        }
        assert!(matches!(error(Kind::Temperature, "0"), ReadingError::NoUnit { .. }));
        assert!(matches!(error(Kind::Number, "1 m"), ReadingError::UnknownUnit { .. }));
        assert!(matches!(error(Kind::Length, "3.00(2 m"), ReadingError::BadInterval { .. }));
        assert!(matches!(error(Kind::Length, "3.00(2) m ± 1 cm"), ReadingError::BadInterval { .. }));
        assert!(matches!(error(Kind::Speed, "fast"), ReadingError::NotANumber { .. }));
        assert!(matches!(error(Kind::Speed, "3 kn"), ReadingError::UnknownUnit { .. }));
        assert!(matches!(error(Kind::Speed, "3 m/s ± -1 m/s"), ReadingError::BadInterval { .. }));
        assert!(matches!(error(Kind::Length, "1,000.5 m"), ReadingError::NotANumber { .. }));
        assert!(error(Kind::Length, "30").hint().contains("`30 m`") && error(Kind::Length, "30").hint().contains("cm"));
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
