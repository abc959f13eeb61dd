//! Axes with ticks at round numbers: steps of 1, 2 or 5 times a power of ten.

use std::ops::Range;

use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};

use super::numbers::DecimalMark;

/// The range of an axis and its ticks.
#[derive(Debug, Clone, PartialEq)]
pub struct RoundAxis {
    pub low: f64,
    pub high: f64,
    step: f64,
    mark: DecimalMark,
}

impl RoundAxis {
    /// An axis from `low` to `high` (`low < high`, both finite) with at most `most_ticks` + 1 ticks.
    pub fn new(low: f64, high: f64, most_ticks: usize, mark: DecimalMark) -> Self {
        let step = round_step((high - low) / most_ticks.max(1) as f64);
        let axis = Self { low, high, step, mark };
        // One or two ticks say too little, and the next finer step adds at most twice as many and a half.
        if axis.ticks().len() < 3 { axis.with_step(round_step(step / 2.6)) } else { axis }
    }

    /// The same with ticks at whole numbers alone.
    pub fn counting(self) -> Self {
        let step = self.step.max(1.0);
        self.with_step(step)
    }

    fn with_step(self, step: f64) -> Self {
        Self { step, ..self }
    }

    /// Places of the ticks, from low to high.
    pub fn ticks(&self) -> Vec<f64> {
        // A tick that misses the end by rounding alone still counts.
        let slack = 1e-9;
        let first = (self.low / self.step - slack).ceil() as i64;
        let last = (self.high / self.step + slack).floor() as i64;
        (first..=last).map(|i| i as f64 * self.step).collect()
    }

    /// The number at a tick, with the decimals that the step needs.
    pub fn label(&self, value: f64) -> String {
        let decimals = (-self.step.log10().floor()).max(0.0) as usize;
        self.mark.fixed(value, decimals)
    }
}

/// The smallest of 1, 2, 5 times a power of ten that isn't below `at_least` (above zero).
pub fn round_step(at_least: f64) -> f64 {
    let power = 10_f64.powi(at_least.log10().floor() as i32);
    // Rounding must not push an exact 0.2 up to 0.5.
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|step| *step >= at_least * (1.0 - 1e-9))
        .unwrap_or(10.0 * power)
}

/// The range for an axis that shows everything from `low` to `high`, with some air, and nought when it is near.
pub fn comfortable_range(low: f64, high: f64) -> Range<f64> {
    let span = high - low;
    if !span.is_finite() {
        return 0.0..1.0;
    }
    // A single value still needs an axis: a tenth of it to each side, or half a unit about nought.
    let air = if span > 0.0 { 0.05 * span } else { (0.1 * low.abs()).max(0.5) };
    // A mark on the very edge would be cut in half, so nought itself gets some air too.
    let towards_nought = |distance: f64| match distance {
        d if d < 0.5 * air => air,
        d if d <= 0.35 * span => d,
        _ => air,
    };
    let lower = low - if low >= 0.0 { towards_nought(low) } else { air };
    let upper = high + if high <= 0.0 { towards_nought(-high) } else { air };
    lower..upper
}

impl Ranged for RoundAxis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        let share = (value - self.low) / (self.high - self.low);
        (f64::from(limit.0) + share * f64::from(limit.1 - limit.0)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, _hint: Hint) -> Vec<f64> {
        self.ticks()
    }

    fn range(&self) -> Range<f64> {
        self.low..self.high
    }
}

impl ValueFormatter<f64> for RoundAxis {
    fn format_ext(&self, value: &f64) -> String {
        self.label(*value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_counted_has_no_halves() {
        let of = |count: f64| RoundAxis::new(0.5, count + 0.5, 6, DecimalMark::Point).counting().ticks();
        assert_eq!((of(1.0), of(2.0), of(3.0)), (vec![1.0], vec![1.0, 2.0], vec![1.0, 2.0, 3.0]));
        assert!(of(30.0).iter().all(|tick| tick.fract() == 0.0));
    }
    use proptest::prelude::*;

    #[test]
    fn steps_are_one_two_or_five() {
        for (at_least, step) in [(0.13, 0.2), (0.2, 0.2), (0.21, 0.5), (0.6, 1.0), (3.0, 5.0), (70.0, 100.0)] {
            assert!((round_step(at_least) / step - 1.0_f64).abs() < 1e-12, "{at_least}");
        }
    }

    #[test]
    fn labels_have_the_decimals_of_their_step() {
        let axis = RoundAxis::new(-0.3, 0.52, 5, DecimalMark::Comma);
        let labels: Vec<String> = axis.ticks().into_iter().map(|t| axis.label(t)).collect();
        assert_eq!(labels, ["−0,2", "0,0", "0,2", "0,4"]);
    }

    #[test]
    fn nought_is_shown_when_it_is_near() {
        assert_eq!(comfortable_range(0.1, 1.0).start, 0.0);
        assert_eq!(comfortable_range(0.0, 1.0).start, -0.05);
        assert!(comfortable_range(5.0, 6.0).start > 4.9);
        assert_eq!(comfortable_range(-1.0, -0.1).end, 0.0);
    }

    proptest! {
        #[test]
        fn the_data_lie_inside_and_ticks_lie_in_the_axis(low in -1e4..1e4_f64, span in 0.0..1e4_f64) {
            let range = comfortable_range(low, low + span);
            prop_assert!(range.start <= low && low + span <= range.end && range.start < range.end);
            let axis = RoundAxis::new(range.start, range.end, 6, DecimalMark::Point);
            let ticks = axis.ticks();
            let slack = 1e-8 * (range.end - range.start);
            prop_assert!(ticks.iter().all(|t| *t >= range.start - slack && *t <= range.end + slack));
            prop_assert!((3..=7).contains(&ticks.len()), "{:?}", ticks);
        }
    }
}
