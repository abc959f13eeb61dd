//! Control charts of single values: individuals and moving range, EWMA, tabular CUSUM.
//!
//! Values are in any one unit; limits come out in that unit. Rules on patterns of points stand in
//! [`super::run_rules`], the chart for runs without a known centre in [`super::self_starting`].
//!
//! Sources: NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2.2 (individuals and moving range), 6.3.2.3
//! (CUSUM) and 6.3.2.4 (EWMA).

use std::f64::consts::FRAC_2_SQRT_PI;

/// Mean range of two standard normal values, 2/√π; tables print 1.128.
pub const D2_OF_TWO: f64 = FRAC_2_SQRT_PI;

/// Upper limit of the moving range over its mean, 1 + 3·√(2 − 4/π)/(2/√π); tables print 3.267.
pub fn d4_of_two() -> f64 {
    1.0 + 3.0 * (2.0 - 4.0 / std::f64::consts::PI).sqrt() / D2_OF_TWO
}

/// Limits of the individuals and moving-range chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IndividualsLimits {
    /// Mean of the baseline values.
    pub centre: f64,
    /// Scatter from value to value: mean moving range over [`D2_OF_TWO`]. Unlike the standard deviation it is hardly
    /// widened by a slow drift within the baseline.
    pub sigma: f64,
    /// centre + 3·sigma.
    pub upper: f64,
    /// centre − 3·sigma.
    pub lower: f64,
    pub mean_moving_range: f64,
    /// The upper limit of the moving range; its lower limit is nought.
    pub moving_range_upper: f64,
}

/// Limits from the values of a baseline, in the order in which they were taken; `None` below two values.
///
/// With fewer than about 30 values the limits themselves are uncertain and alarm falsely far more often than 3 in 1000:
/// [`baseline_false_alarm_rates`] says how often.
pub fn individuals_limits(baseline: &[f64]) -> Option<IndividualsLimits> {
    individuals_limits_of_runs(&[baseline])
}

/// As [`individuals_limits`], for a baseline of several runs: no moving range is taken across the gap between two runs.
pub fn individuals_limits_of_runs(runs: &[&[f64]]) -> Option<IndividualsLimits> {
    let count: usize = runs.iter().map(|run| run.len()).sum();
    let range_count: usize = runs.iter().map(|run| run.len().saturating_sub(1)).sum();
    if range_count == 0 {
        return None;
    }
    let centre = runs.iter().flat_map(|run| run.iter()).sum::<f64>() / count as f64;
    let range_sum: f64 = runs.iter().flat_map(|run| run.windows(2)).map(|pair| (pair[1] - pair[0]).abs()).sum();
    let mean_moving_range = range_sum / range_count as f64;
    let sigma = mean_moving_range / D2_OF_TWO;
    Some(IndividualsLimits {
        centre,
        sigma,
        upper: centre + 3.0 * sigma,
        lower: centre - 3.0 * sigma,
        mean_moving_range,
        moving_range_upper: d4_of_two() * mean_moving_range,
    })
}

/// |x(i) − x(i−1)|: one fewer than the values.
pub fn moving_ranges(values: &[f64]) -> Vec<f64> {
    values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect()
}

/// Exponentially weighted moving average: e(i) = λ·x(i) + (1 − λ)·e(i−1), e before the first value being `start`.
///
/// `lambda` above 0 and at most 1. Source: e-Handbook 6.3.2.4.
pub fn ewma(values: &[f64], start: f64, lambda: f64) -> Vec<f64> {
    values
        .iter()
        .scan(start, |average, value| {
            *average = lambda * value + (1.0 - lambda) * *average;
            Some(*average)
        })
        .collect()
}

/// Half-width of the EWMA's limits after `taken` values (1 for the first), for scatter 1:
/// `limit`·√(λ/(2 − λ)·(1 − (1 − λ)^(2·taken))).
pub fn ewma_half_width(limit: f64, lambda: f64, taken: usize) -> f64 {
    let settled = 1.0 - (1.0 - lambda).powf(2.0 * taken as f64);
    limit * (lambda / (2.0 - lambda) * settled).sqrt()
}

/// A two-sided tabular CUSUM of values already in units of their scatter about their centre.
///
/// Source: e-Handbook 6.3.2.3; head start: Lucas and Crosier, Technometrics 24 (1982) 199–205.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    /// Allowance; half the shift to be found quickly.
    pub allowance: f64,
    /// Decision interval: a sum above it is a signal.
    pub decision: f64,
    /// Both sums start here; half the decision interval finds a shift that is there from the beginning sooner.
    pub head_start: f64,
}

/// Upper and lower sum after each value, both at least nought.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CusumTrace {
    pub high: Vec<f64>,
    pub low: Vec<f64>,
    /// Index of the first value after which either sum is above the decision interval.
    pub first_signal: Option<usize>,
}

impl Cusum {
    /// A chart without head start.
    pub const fn new(allowance: f64, decision: f64) -> Self {
        Self { allowance, decision, head_start: 0.0 }
    }

    /// Runs over `scores`; the sums aren't reset after a signal.
    pub fn run(&self, scores: impl IntoIterator<Item = f64>) -> CusumTrace {
        let mut trace = CusumTrace::default();
        let (mut high, mut low) = (self.head_start, self.head_start);
        for (index, score) in scores.into_iter().enumerate() {
            high = (high + score - self.allowance).max(0.0);
            low = (low - score - self.allowance).max(0.0);
            trace.high.push(high);
            trace.low.push(low);
            if trace.first_signal.is_none() && high.max(low) > self.decision {
                trace.first_signal = Some(index);
            }
        }
        trace
    }
}

/// How often limits set from a baseline alarm although nothing has changed, within the next `next` values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FalseAlarmRates {
    /// Individuals chart, three sigmas from the mean moving range.
    pub individuals: f64,
    /// CUSUM of allowance 0.5 and decision interval 4.77 with the baseline's mean and standard deviation.
    pub cusum: f64,
    /// Standard uncertainty of both from the finite number of simulated histories (at most).
    pub standard_uncertainty: f64,
}

/// Simulates `histories` normal histories with a baseline of `baseline` values (seeded: the same answer every time).
///
/// `None` below three baseline values, where the limits mean nothing.
pub fn baseline_false_alarm_rates(baseline: usize, next: usize, histories: usize) -> Option<FalseAlarmRates> {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    if baseline < 3 || next == 0 || histories == 0 {
        return None;
    }
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(BASELINE_SEED);
    let (mut individuals, mut cusum) = (0_usize, 0_usize);
    let mut values = vec![0.0; baseline + next];
    for _ in 0..histories {
        values.fill_with(|| StandardNormal.sample(&mut rng));
        let (known, new) = values.split_at(baseline);
        individuals += usize::from(individuals_alarm(known, new));
        cusum += usize::from(cusum_alarm(known, new));
    }
    let share = |count: usize| count as f64 / histories as f64;
    let widest = share(individuals).max(share(cusum));
    Some(FalseAlarmRates {
        individuals: share(individuals),
        cusum: share(cusum),
        standard_uncertainty: (widest * (1.0 - widest) / histories as f64).sqrt(),
    })
}

/// Any fixed number does; it only has to stay the same.
const BASELINE_SEED: u64 = 20_370;

fn individuals_alarm(known: &[f64], new: &[f64]) -> bool {
    individuals_limits(known).is_some_and(|limits| new.iter().any(|x| *x > limits.upper || *x < limits.lower))
}

fn cusum_alarm(known: &[f64], new: &[f64]) -> bool {
    let mean = known.iter().sum::<f64>() / known.len() as f64;
    let variance = known.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (known.len() - 1) as f64;
    let sd = variance.sqrt();
    Cusum::new(0.5, 4.77).run(new.iter().map(|x| (x - mean) / sd)).first_signal.is_some()
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::super::handbook::{assert_all_close, assert_close, at, fixture, number, numbers};
    use super::*;

    /// e-Handbook 6.3.2.2: ten flow-rate batches.
    #[test]
    fn individuals_chart_matches_the_handbook() {
        let spc = fixture("spc_handbook.toml");
        let x = numbers(&spc, "individuals.x");
        let limits = individuals_limits(&x).unwrap();
        // Decimal data of three digits: a few roundings of f64.
        assert_close(limits.centre, number(&spc, "individuals.computed.mean"), 1e-12);
        assert_close(limits.mean_moving_range, number(&spc, "individuals.computed.mr_bar"), 1e-12);
        assert_close(limits.sigma, number(&spc, "individuals.computed.sigma_from_mr"), 1e-12);
        assert_close(limits.upper, number(&spc, "individuals.computed.ucl_exact_d2"), 1e-11);
        assert_close(limits.lower, number(&spc, "individuals.computed.lcl_exact_d2"), 1e-11);
        assert_close(limits.moving_range_upper, number(&spc, "individuals.computed.mr_ucl"), 1e-11);
        assert_all_close(&moving_ranges(&x), &numbers(&spc, "individuals.printed.moving_range"), 1e-12);
        // The handbook prints limits with d2 rounded to 1.128: half a unit of its last place once that is put back.
        let printed_half_width = 3.0 * limits.mean_moving_range / number(&spc, "individuals.printed.d2");
        assert_close(limits.centre + printed_half_width, number(&spc, "individuals.printed.ucl"), 5e-5);
        assert_close(limits.centre - printed_half_width, number(&spc, "individuals.printed.lcl"), 5e-5);
    }

    /// ASTM E2587 / e-Handbook 6.3.2.1 factors for subgroups of two.
    #[test]
    fn factors_of_two_match_the_tables() {
        let spc = fixture("spc_handbook.toml");
        let d2 = numbers(&spc, "constants.computed.d2")[0];
        assert_close(D2_OF_TWO, d2, 1e-15);
        assert_close(3.0 / D2_OF_TWO, numbers(&spc, "constants.computed.E2")[0], 1e-14);
        assert_close(3.0 / D2_OF_TWO, number(&spc, "constants.printed.E2_n2"), 0.002);
        // d3, hence D4, is given to about 12 digits.
        assert_close(d4_of_two(), numbers(&spc, "constants.computed.D4")[0], 1e-10);
    }

    #[test]
    fn no_moving_range_is_taken_across_a_gap() {
        let limits = individuals_limits_of_runs(&[&[1.0, 2.0], &[9.0, 8.0]]).unwrap();
        assert_eq!(limits.mean_moving_range, 1.0);
        assert_eq!(limits.centre, 5.0);
        assert_eq!(individuals_limits(&[1.0]), None);
        assert_eq!(individuals_limits_of_runs(&[&[1.0], &[2.0]]), None);
    }

    /// e-Handbook 6.3.2.4.
    #[test]
    fn ewma_matches_the_handbook() {
        let spc = fixture("spc_handbook.toml");
        let (target, s) = (number(&spc, "ewma.target"), number(&spc, "ewma.s"));
        let (lambda, limit) = (number(&spc, "ewma.lambda"), number(&spc, "ewma.k"));
        let x = numbers(&spc, "ewma.x");
        let averages = ewma(&x, target, lambda);
        assert_all_close(&averages, &numbers(&spc, "ewma.computed.ewma"), 1e-12);
        assert_all_close(&averages, &numbers(&spc, "ewma.printed.ewma"), 5.1e-3);
        let half_widths: Vec<f64> = (1..=x.len()).map(|n| s * ewma_half_width(limit, lambda, n)).collect();
        assert_all_close(&half_widths, &numbers(&spc, "ewma.computed.half_width_exact_i"), 1e-12);
        let settled = s * ewma_half_width(limit, lambda, 10_000);
        assert_close(target + settled, number(&spc, "ewma.printed.ucl"), 5e-5);
        // The lower limit is printed 47.4115 because the source rounds its factor to 0.4201: the exact one is 47.41157.
        assert_close(target - settled, number(&spc, "ewma.computed.lcl"), 1e-9);
        assert_close(target - settled, number(&spc, "ewma.printed.lcl"), 1e-4);
    }

    /// e-Handbook 6.3.2.3; its `325 − k − x` column has two wrong signs and isn't used.
    #[test]
    fn cusum_matches_the_handbook() {
        let spc = fixture("spc_handbook.toml");
        let target = number(&spc, "cusum.target");
        let chart = Cusum::new(number(&spc, "cusum.k"), number(&spc, "cusum.h"));
        let trace = chart.run(numbers(&spc, "cusum.x").iter().map(|x| x - target));
        // Values near 325 with three decimals: twenty roundings of 6e-14 each.
        assert_all_close(&trace.high, &numbers(&spc, "cusum.computed.s_high"), 2e-12);
        assert_all_close(&trace.low, &numbers(&spc, "cusum.computed.s_low"), 2e-12);
        assert_all_close(&trace.high, &numbers(&spc, "cusum.printed.s_high"), 5.1e-3);
        let first = at(&spc, "cusum.printed.first_signal_group").as_integer().unwrap() as usize;
        assert_eq!(trace.first_signal, Some(first - 1));
    }

    /// Mean and standard error of run lengths of `alarm_after`, over `runs` simulated histories.
    fn mean_run_length(runs: usize, seed: u64, mut run: impl FnMut(&mut dyn FnMut() -> f64) -> usize) -> (f64, f64) {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut draw = || StandardNormal.sample(&mut rng);
        let lengths: Vec<f64> = (0..runs).map(|_| run(&mut draw) as f64).collect();
        let mean = lengths.iter().sum::<f64>() / runs as f64;
        let variance = lengths.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / (runs - 1) as f64;
        (mean, (variance / runs as f64).sqrt())
    }

    /// Four standard errors: a right chart fails once in 16 000 seeds, and the seed is fixed.
    #[track_caller]
    fn assert_run_length((mean, error): (f64, f64), published: f64) {
        assert!((mean - published).abs() < 4.0 * error, "simulated {mean:.3} ± {error:.3}, published {published}");
    }

    /// Montgomery, Introduction to Statistical Quality Control, CUSUM table for k = 1/2.
    #[test]
    fn cusum_run_lengths_are_the_published_ones() {
        let spc = fixture("spc_handbook.toml");
        for (table, decision) in [("arl.cusum_k05_h4", 4.0), ("arl.cusum_k05_h5", 5.0)] {
            let shifts = numbers(&spc, &format!("{table}.shift"));
            for (index, shift) in shifts.iter().enumerate() {
                let simulated = mean_run_length(4_000, 7 + index as u64, |draw| {
                    let (mut high, mut low, mut taken) = (0.0_f64, 0.0_f64, 0);
                    let chart = Cusum::new(0.5, decision);
                    while high.max(low) <= decision {
                        let step = Cusum { head_start: 0.0, ..chart };
                        let score = draw() + shift;
                        high = (high + score - step.allowance).max(0.0);
                        low = (low - score - step.allowance).max(0.0);
                        taken += 1;
                    }
                    taken
                });
                assert_run_length(simulated, numbers(&spc, &format!("{table}.computed"))[index]);
            }
        }
    }

    /// Lucas and Saccucci, Technometrics 32 (1990) 1–12: designs with an in-control run length of 500.
    #[test]
    fn ewma_run_lengths_are_the_published_ones() {
        let spc = fixture("spc_handbook.toml");
        for (index, design) in at(&spc, "arl.ewma").as_array().unwrap().iter().enumerate() {
            let (lambda, limit) = (number(design, "lambda"), number(design, "L"));
            // The published run lengths are for the settled limits, not for those that widen.
            let half_width = ewma_half_width(limit, lambda, 100_000);
            for (shift, key) in [(0.0, "computed_arl0"), (1.0, "computed_arl_shift1")] {
                let simulated = mean_run_length(4_000, 40 + index as u64, |draw| {
                    let (mut average, mut taken) = (0.0_f64, 0);
                    while average.abs() <= half_width {
                        average = ewma(&[draw() + shift], average, lambda)[0];
                        taken += 1;
                    }
                    taken
                });
                assert_run_length(simulated, number(design, key));
            }
        }
    }

    /// 1/P(|z| > 3): 370.4 in control.
    #[test]
    fn individuals_run_lengths_are_the_published_ones() {
        let spc = fixture("spc_handbook.toml");
        let shifts = numbers(&spc, "arl.shewhart_3sigma.shift");
        for (index, shift) in shifts.iter().enumerate() {
            let simulated = mean_run_length(4_000, 70 + index as u64, |draw| {
                let mut taken = 1;
                while (draw() + shift).abs() <= 3.0 {
                    taken += 1;
                }
                taken
            });
            assert_run_length(simulated, numbers(&spc, "arl.shewhart_3sigma.arl")[index]);
        }
    }

    /// False alarms within ten shots of limits from m baseline shots, in per cent. Computed for this project beforehand by
    /// an independent program and rounded to whole per cents, hence half a per cent beside the Monte Carlo error.
    #[test]
    fn a_short_baseline_alarms_falsely() {
        let table = [(8, 18.0, 15.0), (10, 16.0, 12.0), (15, 12.0, 7.0), (20, 9.0, 6.0), (30, 7.0, 4.0)];
        for (baseline, individuals, cusum) in table {
            let rates = baseline_false_alarm_rates(baseline, 10, 20_000).unwrap();
            let tolerance = 0.5 + 400.0 * rates.standard_uncertainty + 0.6;
            assert_close(100.0 * rates.individuals, individuals, tolerance);
            assert_close(100.0 * rates.cusum, cusum, tolerance);
        }
        assert_eq!(baseline_false_alarm_rates(2, 10, 100), None);
    }
}
