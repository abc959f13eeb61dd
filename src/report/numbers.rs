//! Numbers as text: as many digits as the uncertainty deserves, with the reader's decimal mark.

use serde::{Deserialize, Serialize};

use crate::units::Estimate;

/// The decimal mark (ISO 80000-1:2022, 7.3.2 allows both).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum DecimalMark {
    #[default]
    Point,
    Comma,
}

/// A minus sign as printed, U+2212.
const MINUS: char = '−';

impl DecimalMark {
    fn put(self, text: String) -> String {
        match self {
            Self::Point => text,
            Self::Comma => text.replace('.', ","),
        }
    }

    /// `value` with a fixed number of decimals and a printer's minus; no "−0.00".
    pub fn fixed(self, value: f64, decimals: usize) -> String {
        self.bare(value, decimals).replace('-', &MINUS.to_string())
    }

    /// As [`Self::fixed`] with the plain hyphen that spreadsheets read as a minus.
    pub fn bare(self, value: f64, decimals: usize) -> String {
        let text = format!("{value:.decimals$}");
        let is_nought = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
        self.put(if is_nought { text.trim_start_matches('-').to_owned() } else { text })
    }

    /// A sentence whose numbers were written with a point, for readers of this mark. What stands in backquotes is typed as it is, and
    /// `1.2.3` is no number.
    pub fn said(self, text: &str) -> String {
        if self == Self::Point {
            return text.to_owned();
        }
        let characters: Vec<char> = text.chars().collect();
        let digit = |i: usize| characters.get(i).is_some_and(char::is_ascii_digit);
        let one_of_several = |i: usize| {
            let before = (0..i)
                .rev()
                .find(|k| !digit(*k))
                .is_some_and(|k| characters[k] == '.' && digit(k + 1) && k > 0 && digit(k - 1));
            let after = (i + 1..characters.len()).find(|k| !digit(*k));
            before || after.is_some_and(|k| characters[k] == '.' && digit(k + 1))
        };
        let mut quoted = false;
        let mut put = |(i, c): (usize, &char)| {
            quoted ^= *c == '`';
            let between = *c == '.' && i > 0 && digit(i - 1) && digit(i + 1);
            if between && !quoted && !one_of_several(i) { ',' } else { *c }
        };
        characters.iter().enumerate().map(&mut put).collect()
    }

    /// "3.52 ± 0.03" with spaces that don't break; "about 3.52" when the uncertainty isn't known; "unknown" when there is no number.
    pub fn interval(self, estimate: &Estimate) -> String {
        let Some(half_width) = known(estimate.expanded_uncertainty_95) else {
            return format!("about {}", self.significant(estimate.value, 3));
        };
        let place = rounding_place(half_width);
        format!("{}\u{a0}±\u{a0}{}", self.rounded(estimate.value, place), self.rounded(half_width, place))
    }

    /// `48.2° ± 0.4°`, with spaces that don't break. A direction that may be any, as that of a ball that is let go, is none.
    pub fn degrees(self, estimate: &Estimate) -> String {
        /// Half of the directions there are, degrees.
        const ANY: f64 = 90.0;
        if known(estimate.expanded_uncertainty_95).is_some_and(|half_width| half_width >= ANY) {
            return "none: released from rest".to_owned();
        }
        let text = self.interval(estimate);
        if text == "unknown" || text.ends_with("unknown") {
            return text;
        }
        format!("{}°", text.replacen("\u{a0}±", "°\u{a0}±", 1))
    }

    /// With its unit: `1.87 ± 0.04 m`, `48.2° ± 0.4°`.
    pub fn with_unit(self, estimate: &Estimate, unit: &str) -> String {
        if unit == "°" { self.degrees(estimate) } else { format!("{}\u{a0}{unit}", self.interval(estimate)) }
    }

    /// The value alone, rounded as in [`Self::interval`].
    pub fn value(self, estimate: &Estimate) -> String {
        match known(estimate.expanded_uncertainty_95) {
            Some(half_width) => self.rounded(estimate.value, rounding_place(half_width)),
            None => self.significant(estimate.value, 3),
        }
    }

    /// `value` rounded to `digits` significant digits.
    pub fn significant(self, value: f64, digits: i32) -> String {
        if value == 0.0 || !value.is_finite() {
            return if value == 0.0 { "0".to_owned() } else { "unknown".to_owned() };
        }
        self.rounded(value, digits - 1 - value.abs().log10().floor() as i32)
    }

    /// `value` rounded at `place` decimals; negative places are tens, hundreds and so on.
    pub fn rounded(self, value: f64, place: i32) -> String {
        if !value.is_finite() {
            return "unknown".to_owned();
        }
        if place >= 0 {
            return self.fixed(value, place as usize);
        }
        let unit = 10_f64.powi(-place);
        self.fixed((value / unit).round() * unit, 0)
    }
}

/// An uncertainty that says something: finite and above zero.
pub fn known(uncertainty: Option<f64>) -> Option<f64> {
    uncertainty.filter(|u| u.is_finite() && *u > 0.0)
}

/// Decimals to which a value of this uncertainty is rounded: two digits of the uncertainty when its first three are 100
/// to 354, one digit from 355 to 949, and two of the next power of ten above.
///
/// Rule of the Particle Data Group, *Review of Particle Physics*, introduction, "Rounding" (from memory); within the "at
/// most two significant digits" of JCGM 100:2008, 7.2.6.
///
/// `uncertainty` must be above zero and finite.
pub fn rounding_place(uncertainty: f64) -> i32 {
    let exponent = uncertainty.log10().floor() as i32;
    let three_digits = (uncertainty / 10_f64.powi(exponent - 2)).round();
    // From 950 the value rounds up to the next power of ten, whose two digits end at the same place.
    if three_digits < 355.0 { 1 - exponent } else { -exponent }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(value: f64, u95: f64) -> Estimate {
        Estimate { value, standard_uncertainty: Some(u95 / 2.0), expanded_uncertainty_95: Some(u95) }
    }

    /// The examples that the Particle Data Group gives for its rule: 0.827 ± 0.119 → 0.83 ± 0.12 and
    /// 0.827 ± 0.367 → 0.8 ± 0.4 (from memory); 0.963 rounds up to 1.0.
    #[test]
    fn rounding_follows_its_published_examples() {
        let point = DecimalMark::Point;
        assert_eq!(point.interval(&estimate(0.827, 0.119)), "0.83\u{a0}±\u{a0}0.12");
        assert_eq!(point.interval(&estimate(0.827, 0.367)), "0.8\u{a0}±\u{a0}0.4");
        assert_eq!(point.interval(&estimate(0.827, 0.963)), "0.8\u{a0}±\u{a0}1.0");
    }

    #[test]
    fn intervals_read_well_at_every_size() {
        let point = DecimalMark::Point;
        assert_eq!(point.interval(&estimate(1234.0, 350.0)), "1230\u{a0}±\u{a0}350");
        assert_eq!(point.interval(&estimate(-48.23, 0.41)), "−48.2\u{a0}±\u{a0}0.4");
        assert_eq!(point.interval(&Estimate::without_uncertainty(9.8123)), "about 9.81");
        assert_eq!(point.interval(&estimate(9.81, f64::INFINITY)), "about 9.81");
        assert_eq!(DecimalMark::Comma.interval(&estimate(3.524, 0.031)), "3,524\u{a0}±\u{a0}0,031");
    }

    #[test]
    fn each_number_of_an_angle_has_its_degrees() {
        let point = DecimalMark::Point;
        assert_eq!(point.degrees(&estimate(50.46, 0.83)), "50.5°\u{a0}±\u{a0}0.8°");
        assert_eq!(point.degrees(&Estimate::without_uncertainty(48.0)), "about 48.0°");
        // Half of all directions to either side: none.
        assert_eq!(point.degrees(&estimate(90.0, 170.0)), "none: released from rest");
        assert_eq!(point.degrees(&estimate(60.0, 80.0)), "60°\u{a0}±\u{a0}80°");
        assert_eq!(DecimalMark::Comma.with_unit(&estimate(-3.2, 1.2), "°"), "−3,2°\u{a0}±\u{a0}1,2°");
        assert_eq!(point.with_unit(&estimate(3.524, 0.031), "m/s"), "3.524\u{a0}±\u{a0}0.031\u{a0}m/s");
    }

    #[test]
    fn sentences_take_the_reader_s_mark() {
        let text = "Off by 3.5 %. `--rate 29.97` and 1.2.3 stay. 0.25 s.";
        assert_eq!(DecimalMark::Comma.said(text), "Off by 3,5 %. `--rate 29.97` and 1.2.3 stay. 0,25 s.");
        assert_eq!(DecimalMark::Point.said(text), text);
    }

    #[test]
    fn nought_has_no_sign() {
        assert_eq!(DecimalMark::Point.fixed(-0.001, 2), "0.00");
        assert_eq!(DecimalMark::Comma.fixed(-0.01, 2), "−0,01");
        assert_eq!(DecimalMark::Comma.bare(-0.01, 2), "-0,01");
    }
}
