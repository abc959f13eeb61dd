//! The uncertainty budget as one bar per source.

use crate::measurement::BudgetLine;
use crate::report::ink::text::{rich, width_em};
use crate::report::ink::{Anchor, Colour, Drawing, UNITS_PER_EM};
use crate::report::numbers::DecimalMark;

const INK: Colour = Colour(0x1a, 0x1a, 0x1a);
const BAR: Colour = Colour(0x00, 0x9e, 0x73);
const WIDTH: f32 = 50.0;
const ROW: f32 = 1.8;

/// Sources with their share of the squared uncertainty, largest first; empty when no source says anything.
///
/// Shares are of the sum of squares, which adds up as independent contributions do (JCGM 100:2008, 5.1.2).
pub fn shares(lines: &[BudgetLine], of: fn(&BudgetLine) -> Option<f64>) -> Vec<(String, f64)> {
    let squares: Vec<(String, f64)> =
        lines.iter().filter_map(|l| of(l).filter(|u| u.is_finite()).map(|u| (l.source.clone(), u * u))).collect();
    let sum: f64 = squares.iter().map(|s| s.1).sum();
    if sum <= 0.0 {
        return Vec::new();
    }
    let mut shares: Vec<_> = squares.into_iter().map(|(source, square)| (source, square / sum)).collect();
    shares.sort_by(|a, b| b.1.total_cmp(&a.1));
    shares
}

/// Those that show as whole per cents; what is below is put together under one name.
pub fn worth_showing(shares: Vec<(String, f64)>) -> Vec<(String, f64)> {
    let (mut shown, small): (Vec<_>, Vec<_>) = shares.into_iter().partition(|share| share.1 >= LEAST_SHARE);
    match small.len() {
        0 => {}
        1 => shown.extend(small),
        count => shown.push((format!("{count} smaller sources together"), small.iter().map(|share| share.1).sum())),
    }
    shown
}

/// Half a per cent: below it a share is shown as nought.
const LEAST_SHARE: f64 = 0.005;

/// One bar per share, with its name before and its percentage behind it.
pub fn drawing(shares: &[(String, f64)], mark: DecimalMark) -> Drawing {
    let u = UNITS_PER_EM;
    let mut drawing = Drawing::new(WIDTH * u, (shares.len() as f32 * ROW + 0.8) * u, Some(Colour(0xff, 0xff, 0xff)));
    let names = shares.iter().map(|s| width_em(&rich(&s.0))).fold(0.0, f32::max).min(28.0);
    let left = names + 1.5;
    let longest = WIDTH - left - 4.5;
    for (i, (source, share)) in shares.iter().enumerate() {
        let middle = (i as f32 + 0.5) * ROW + 0.4;
        let baseline = (middle + 0.36) * u;
        // A name longer than its room is set smaller.
        let size = (28.0 / width_em(&rich(source))).min(1.0) * u;
        drawing.words(source, ((left - 0.6) * u, baseline), size, Anchor::End, INK);
        let long = (longest * *share as f32).max(0.05);
        drawing.rectangle((left * u, (middle - 0.55) * u), (long * u, 1.1 * u), BAR);
        let percent = format!("{} %", mark.fixed(100.0 * share, 0));
        drawing.words(&percent, ((left + long + 0.5) * u, baseline), u, Anchor::Start, INK);
    }
    drawing
}

/// "length of the ruler 61 %, distance 22 %".
pub fn in_words(shares: &[(String, f64)], mark: DecimalMark) -> String {
    let parts: Vec<String> = shares.iter().map(|(s, v)| format!("{s} {} %", mark.fixed(100.0 * v, 0))).collect();
    parts.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_of_the_squares_and_fall() {
        let line = |source: &str, u: Option<f64>| BudgetLine {
            source: source.into(),
            evaluation: "B".into(),
            launch_speed_m_per_s: None,
            launch_angle_deg: None,
            gravity_m_per_s2: u,
        };
        let lines = [line("times", Some(0.03)), line("ruler", Some(0.04)), line("lens", None)];
        let shares = shares(&lines, |l| l.gravity_m_per_s2);
        // 3² and 4² of 5²: exact but for the rounding of the squares.
        assert_eq!(shares[0].0, "ruler");
        assert!((shares[0].1 - 0.64).abs() < 1e-12 && (shares[1].1 - 0.36).abs() < 1e-12);
        assert_eq!(shares.len(), 2);
    }
}
