//! How many values show a shift: power of the two-sample t test.
//!
//! Shifts are in units of the scatter throughout: a shift of 2 % with a scatter of 1 % is 2.

use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::beta::beta_reg;
use statrs::function::gamma::ln_gamma;

use super::tests_of_means::t_quantile;

/// More values than this are never asked for.
pub const MOST_VALUES: usize = 100_000;

/// Distribution function of the noncentral t: P(T ≤ `t`) with `freedom` degrees of freedom and noncentrality `delta`.
///
/// Twin series of incomplete beta functions, absolute error about 1e-12 for |delta| ≤ 37.
///
/// Source: Lenth, Algorithm AS 243, Applied Statistics 38 (1989) 185–189.
pub fn noncentral_t_cdf(t: f64, freedom: f64, delta: f64) -> f64 {
    if t < 0.0 {
        return 1.0 - noncentral_t_cdf(-t, freedom, -delta);
    }
    let at_zero = Normal::standard().cdf(-delta);
    if t == 0.0 {
        return at_zero;
    }
    (at_zero + lenth_series(t * t / (t * t + freedom), freedom, delta)).clamp(0.0, 1.0)
}

/// ½ Σ [p(j) I(x; j+½, ν/2) + q(j) I(x; j+1, ν/2)], Poisson-like weights with mean δ²/2.
fn lenth_series(x: f64, freedom: f64, delta: f64) -> f64 {
    let mean = delta * delta / 2.0;
    let half_freedom = freedom / 2.0;
    let mut sum = 0.0;
    let mut weight_left = 1.0;
    for j in 0..5_000 {
        let j = f64::from(j);
        // Weights from their logarithms: the first ones underflow for a large noncentrality.
        let log_mean = if mean > 0.0 { mean.ln() } else { f64::NEG_INFINITY };
        let power = if j == 0.0 { 0.0 } else { j * log_mean };
        let p = (-mean + power - ln_gamma(j + 1.0)).exp();
        let q = delta / std::f64::consts::SQRT_2 * (-mean + power - ln_gamma(j + 1.5)).exp();
        sum += p * beta_reg(j + 0.5, half_freedom, x) + q * beta_reg(j + 1.0, half_freedom, x);
        weight_left -= p;
        if j > mean && weight_left < 1e-13 {
            break;
        }
    }
    sum / 2.0
}

/// Probability that the two-sided two-sample t test at significance `alpha` finds a true shift of `shift` scatters between
/// `first` and `second` values; `None` when there aren't three values in all, or a group is empty.
pub fn two_sample_power(shift: f64, first: usize, second: usize, alpha: f64) -> Option<f64> {
    let freedom = (first + second).checked_sub(2).filter(|freedom| *freedom > 0 && first > 0 && second > 0)? as f64;
    let (first, second) = (first as f64, second as f64);
    let delta = shift.abs() * (first * second / (first + second)).sqrt();
    let critical = t_quantile(1.0 - alpha / 2.0, freedom);
    let inside = noncentral_t_cdf(critical, freedom, delta) - noncentral_t_cdf(-critical, freedom, delta);
    Some((1.0 - inside).clamp(0.0, 1.0))
}

/// The question before the shooting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plan {
    /// Shift to be found, in scatters, above nought.
    pub shift: f64,
    /// Significance of the two-sided test.
    pub alpha: f64,
    /// Probability of finding the shift when it is there.
    pub power: f64,
}

impl Plan {
    /// Values in each of two groups; `None` when more than [`MOST_VALUES`] would be needed.
    pub fn per_group(&self) -> Option<usize> {
        self.smallest(2, |n| two_sample_power(self.shift, n, n, self.alpha))
    }

    /// New values against a baseline of `baseline`; `None` when no number of them would do.
    pub fn against_baseline(&self, baseline: usize) -> Option<usize> {
        self.smallest(1, |n| two_sample_power(self.shift, baseline, n, self.alpha))
    }

    /// The power grows with n: doubling, then halving the bracket.
    fn smallest(&self, from: usize, power: impl Fn(usize) -> Option<f64>) -> Option<usize> {
        let enough = |n: usize| power(n).is_some_and(|power| power >= self.power);
        let mut high = from;
        while !enough(high) {
            if high >= MOST_VALUES {
                return None;
            }
            high = (2 * high).min(MOST_VALUES);
        }
        let mut low = (high / 2).max(from.saturating_sub(1));
        while high - low > 1 {
            let middle = (low + high) / 2;
            if enough(middle) { high = middle } else { low = middle }
        }
        Some(high)
    }
}

/// Smallest shift, in scatters, that the test finds with probability `power`; `None` as for [`two_sample_power`].
pub fn smallest_shift(first: usize, second: usize, alpha: f64, power: f64) -> Option<f64> {
    two_sample_power(1.0, first, second, alpha)?;
    let enough = |shift: f64| two_sample_power(shift, first, second, alpha).is_some_and(|found| found >= power);
    let mut high = 1.0;
    // One degree of freedom needs tens of scatters; the series holds to a noncentrality of 37.
    while !enough(high) {
        high *= 1.5;
        if high * (first * second) as f64 > 37.0 * 37.0 * (first + second) as f64 {
            return None;
        }
    }
    let mut low = 0.0;
    while high - low > 1e-4 * high {
        let middle = (low + high) / 2.0;
        if enough(middle) { high = middle } else { low = middle }
    }
    Some(high)
}

#[cfg(test)]
mod tests {
    use super::super::handbook::assert_close;
    use super::*;

    /// Computed with scipy 1.17 `stats.nct.cdf`, an independent implementation.
    #[test]
    fn noncentral_t_agrees_with_an_independent_implementation() {
        NONCENTRAL.iter().for_each(|(t, freedom, delta, want)| {
            assert_close(noncentral_t_cdf(*t, *freedom, *delta), *want, 1e-10);
        });
    }

    const NONCENTRAL: [(f64, f64, f64, f64); 8] = [
        (2.0, 5.0, 1.0, 0.7780746626162148),
        (2.306, 8.0, 3.1622776601683795, 0.2094572755126384),
        (-2.306, 8.0, 3.1622776601683795, 7.464448651994023e-07),
        (0.5, 1.0, -2.0, 0.9896386173596441),
        (12.7, 1.0, 10.0, 0.43247003407750917),
        (1.96, 1000.0, 0.5, 0.927595034145059),
        (30.0, 10.0, 20.0, 0.922318616706945),
        (0.0, 4.0, 1.5, 0.06680720126885809),
    ];

    /// Shots per group for a two-sided 5 % test: 64, 17, 9, 6, 4 at d = 0.5, 1, 1.5, 2, 3 and 80 % power are the values of
    /// the published tables (Cohen, Statistical Power Analysis, 2nd ed. (1988), table 2.4.1: 64 and 17 for d = 0.5 and 1,
    /// from memory); the rest computed for this project beforehand by an independent program.
    #[test]
    fn shots_per_group_are_the_published_ones() {
        let table =
            [(0.5, 64, 105), (0.75, 29, 48), (1.0, 17, 27), (1.5, 9, 13), (2.0, 6, 8), (3.0, 4, 5), (4.0, 3, 4)];
        for (shift, at_80, at_95) in table {
            let plan = Plan { shift, alpha: 0.05, power: 0.80 };
            assert_eq!(plan.per_group(), Some(at_80), "d = {shift}");
            assert_eq!(Plan { power: 0.95, ..plan }.per_group(), Some(at_95), "d = {shift}");
        }
    }

    /// New shots against a baseline of 10 and of 20 at 80 % power.
    #[test]
    fn shots_against_a_baseline_are_the_computed_ones() {
        let table = [
            (0.5, None, None),
            (0.75, None, Some(51)),
            (1.0, Some(45), Some(15)),
            (1.5, Some(7), Some(5)),
            (2.0, Some(4), Some(3)),
            (3.0, Some(2), Some(2)),
            (4.0, Some(1), Some(1)),
        ];
        for (shift, ten, twenty) in table {
            let plan = Plan { shift, alpha: 0.05, power: 0.80 };
            assert_eq!(plan.against_baseline(10), ten, "d = {shift}");
            assert_eq!(plan.against_baseline(20), twenty, "d = {shift}");
        }
    }

    /// Smallest shift per group size at 80 %, two decimals given.
    #[test]
    fn smallest_shifts_are_the_computed_ones() {
        for (n, shift, tolerance) in
            [(5, 2.0, 0.05), (8, 1.5, 0.05), (10, 1.3, 0.05), (15, 1.06, 0.006), (20, 0.91, 0.006), (30, 0.74, 0.006)]
        {
            assert_close(smallest_shift(n, n, 0.05, 0.80).unwrap(), shift, tolerance);
        }
        assert_eq!(smallest_shift(1, 1, 0.05, 0.8), None);
    }
}
