//! Titles, captions and alt texts.

use super::Subject;
use crate::measurement::FlightMeasurement;
use crate::report::numbers::DecimalMark;
use crate::units::Estimate;

/// Said under every graph with bars.
pub const BARS: &str = "Bars and bands show 95\u{a0}% for the scatter of the points; what all share, such as the scale, is in the ± alone. Where no bar \
                        is seen it is smaller than the mark.";

/// "0.412 + 2.63 *t* − 4.88 *t*²": a polynomial in t with as many digits as fit a caption.
pub fn polynomial(mark: DecimalMark, coefficients: [f64; 3]) -> String {
    let mut text = String::new();
    for (value, power) in coefficients.into_iter().zip(["", "\u{a0}*t*", "\u{a0}*t*²"]) {
        // A term that is nought by construction, such as no acceleration along x, is not written.
        if value == 0.0 && !power.is_empty() {
            continue;
        }
        let size = mark.significant(value.abs(), 3);
        let sign = match (text.is_empty(), value < 0.0) {
            (true, false) => "",
            (true, true) => "−",
            (false, false) => " +\u{a0}",
            (false, true) => " −\u{a0}",
        };
        text.push_str(&format!("{sign}{size}{power}"));
    }
    text
}

impl Subject<'_> {
    /// "g = (9.76 ± 0.09) m/s²" in marked text.
    pub fn quantity(&self, symbol: &str, estimate: &Estimate, unit: &str) -> String {
        let text = self.mark.interval(estimate);
        let said = if text.contains('±') { format!("({text}) {unit}") } else { format!("{text} {unit}") };
        let joint = if text.contains('±') { "=" } else { "is" };
        // A result is not broken across lines.
        format!("{symbol} {joint} {said}").replace(' ', "\u{a0}")
    }

    /// "34 points, residuals 0.8 mm (root mean square)".
    pub fn points_and_residual(&self) -> String {
        let flight = self.flight;
        let used = used_count(flight);
        let left_out = flight.sightings.len() - used;
        let rejected = if left_out > 0 { format!(" ({left_out} left out)") } else { String::new() };
        let residual = self.mark.significant(flight.residual_rms_mm, 2);
        format!("{} {}{rejected}, residuals {residual} mm (root mean square)", used, plural(used, "point", "points"))
    }

    /// Numbers of an alt text: from where to where, and over which time.
    pub fn span(&self, value: impl Fn(usize) -> f64, unit: &str) -> String {
        let rows = &self.flight.sightings;
        let Some(last) = rows.len().checked_sub(1) else { return "no points".to_owned() };
        let number = |v: f64| self.mark.significant(v, 3);
        let top = (0..=last).map(&value).fold(f64::NEG_INFINITY, f64::max);
        format!(
            "from {} {unit} at {} s to {} {unit} at {} s, at most {} {unit}",
            number(value(0)),
            number(self.since_launch(rows[0].moment_s())),
            number(value(last)),
            number(self.since_launch(rows[last].moment_s())),
            number(top)
        )
    }
}

/// "48.2° ± 0.4° above the horizontal", or below it.
pub fn launch_angle(mark: DecimalMark, angle_deg: &Estimate) -> String {
    let side = if angle_deg.value < 0.0 { "below" } else { "above" };
    let said = mark.degrees(&Estimate { value: angle_deg.value.abs(), ..*angle_deg });
    format!("{} {side} the horizontal", said.replace(' ', "\u{a0}"))
}

pub fn used_count(flight: &FlightMeasurement) -> usize {
    flight.sightings.iter().filter(|s| s.used).count()
}

pub fn plural<'a>(count: usize, one: &'a str, many: &'a str) -> &'a str {
    if count == 1 { one } else { many }
}

/// What a polynomial in a caption is: the fit, or what the fit would be without the air that it counts in.
pub fn fitted_law(air_counted: bool) -> &'static str {
    if air_counted { "Fitted with the air; without it this launch would give" } else { "Fitted" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_angle_downwards_is_below_the_horizontal() {
        let down = Estimate::with_coverage_factor(-35.0, 0.2, 2.0);
        assert_eq!(launch_angle(DecimalMark::Point, &down), "35.0°\u{a0}±\u{a0}0.4° below the horizontal");
        let up = Estimate::without_uncertainty(48.0);
        assert!(launch_angle(DecimalMark::Comma, &up).ends_with("° above the horizontal"));
    }

    #[test]
    fn a_polynomial_reads_as_written_by_hand() {
        assert_eq!(
            polynomial(DecimalMark::Point, [0.412, 2.63, -4.88]),
            "0.412 +\u{a0}2.63\u{a0}*t* −\u{a0}4.88\u{a0}*t*²"
        );
        assert_eq!(polynomial(DecimalMark::Comma, [-0.4, -2.6301, 0.0]), "−0,400 −\u{a0}2,63\u{a0}*t*");
    }
}
