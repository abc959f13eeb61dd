//! Rounding numbers for people.

use crate::report::numbers::{DecimalMark, known, rounding_place};

/// A number to `figures` significant figures, with a true minus sign; in scientific form where trailing zeros would pretend
/// to more figures, or leading ones would be many. Superscripts as `^{…}` (see `markup`).
///
/// # Examples
/// ```
/// use lobline::report::worked::figures::to_figures;
/// assert_eq!(to_figures(9.996, 3), "10.0");
/// assert_eq!(to_figures(3394.8, 3), "3.39 · 10^{3}");
/// ```
pub fn to_figures(value: f64, figures: usize) -> String {
    let figures = figures.max(1);
    if value == 0.0 || !value.is_finite() {
        return minus(format!("{value:.*}", figures - 1));
    }
    // Formatting rounds the mantissa and carries into the exponent, so that 9.996 becomes 10.0.
    let scientific = format!("{value:.*e}", figures - 1);
    let (mantissa, exponent) = scientific.split_once('e').expect("scientific form has an exponent");
    let exponent: i32 = exponent.parse().expect("an exponent is a whole number");
    let decimals = figures as i32 - 1 - exponent;
    if decimals < 0 || exponent < -4 {
        return minus(format!("{mantissa} · 10^{{{exponent}}}"));
    }
    // The rounded number, not the raw one: it has been rounded once.
    let rounded: f64 = scientific.parse().expect("what was formatted can be parsed");
    minus(format!("{rounded:.*}", decimals as usize))
}

/// A number in its shortest exact form, with a true minus sign.
pub fn plain(value: f64) -> String {
    minus(format!("{value}"))
}

/// To a number of decimals.
pub fn to_decimals(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    // "-0.00" says nothing more than "0.00".
    let is_nought = text.trim_start_matches('-').chars().all(|c| matches!(c, '0' | '.'));
    minus(if is_nought { text.trim_start_matches('-').to_owned() } else { text })
}

fn minus(text: String) -> String {
    text.replace('-', "−")
}

/// Value and 95 % half-width rounded together, by the same rule as every measured number ([`rounding_place`]).
///
/// # Examples
/// ```
/// use lobline::report::worked::figures::with_interval;
/// assert_eq!(with_interval(3.5241, 0.0412), ("3.52".to_owned(), "0.04".to_owned()));
/// assert_eq!(with_interval(1.43216, 0.0123), ("1.432".to_owned(), "0.012".to_owned()));
/// ```
pub fn with_interval(value: f64, half_width: f64) -> (String, String) {
    let Some(known) = known(Some(half_width)) else { return (plain(value), plain(half_width)) };
    let place = rounding_place(known);
    (DecimalMark::Point.rounded(value, place), DecimalMark::Point.rounded(half_width, place))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn significant_figures_are_kept_by_the_usual_rules() {
        // OpenStax, College Physics 2e, section 1.3 and 3.4: placeholders don't count, trailing noughts after the point do.
        let cases = [
            (233.253_175, 3, "233"),
            (6.899_470_2, 3, "6.90"),
            (125.0, 3, "125"),
            (0.282_24, 2, "0.28"),
            (9.996, 3, "10.0"),
            (0.099_96, 3, "0.100"),
            (3394.82, 3, "3.39 · 10^{3}"),
            (8000.0, 3, "8.00 · 10^{3}"),
            (560.0, 2, "5.6 · 10^{2}"),
            (129.903_8, 3, "130"),
            (-44.271_887, 3, "−44.3"),
            (0.000_012_3, 2, "1.2 · 10^{−5}"),
            (0.0, 2, "0.0"),
            (16.4, 1, "2 · 10^{1}"),
        ];
        for (value, figures, text) in cases {
            assert_eq!(to_figures(value, figures), text, "{value} to {figures}");
        }
    }

    #[test]
    fn intervals_are_rounded_as_measured_ones_are() {
        // Particle Data Group, Review of Particle Physics, introduction (from memory): 0.827 ± 0.119 → 0.83 ± 0.12, 0.827 ± 0.367 →
        // 0.8 ± 0.4. JCGM 100:2008, 7.2.6 (from memory): 28.05 kHz → 28 kHz, 10.057 62 Ω with 27 mΩ → 10.058 Ω.
        assert_eq!(with_interval(0.827, 0.119), ("0.83".to_owned(), "0.12".to_owned()));
        assert_eq!(with_interval(0.827, 0.367), ("0.8".to_owned(), "0.4".to_owned()));
        assert_eq!(with_interval(10.0576, 0.027), ("10.058".to_owned(), "0.027".to_owned()));
        assert_eq!(with_interval(0.0, 28.05).1, "28");
        assert_eq!(with_interval(-0.0004, 0.5), ("0.0".to_owned(), "0.5".to_owned()));
        assert_eq!(with_interval(-1.4, 0.0), ("−1.4".to_owned(), "0".to_owned()));
    }
}
