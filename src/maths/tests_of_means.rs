//! Student's t: one sample, two samples with equal or unequal variances, a straight line's slope; the F test of two variances,
//! and Grubbs' outlier.
//!
//! Sources: NIST/SEMATECH e-Handbook of Statistical Methods, sections 1.3.5.2, 1.3.5.3, 1.3.5.9 and 1.3.5.17.1.

use statrs::distribution::{Continuous, ContinuousCDF, FisherSnedecor, StudentsT};

/// Count, mean and standard deviation of a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    pub count: usize,
    pub mean: f64,
    /// With n − 1; `None` below two values.
    pub sd: Option<f64>,
}

impl Sample {
    /// Two passes, so that values far from nought lose no digits; `None` of no values.
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.is_empty() {
            return None;
        }
        let count = values.len();
        let rough = values.iter().sum::<f64>() / count as f64;
        let mean = rough + values.iter().map(|x| x - rough).sum::<f64>() / count as f64;
        let squares: f64 = values.iter().map(|x| (x - mean).powi(2)).sum();
        let sd = (count > 1).then(|| (squares / (count - 1) as f64).sqrt());
        Some(Self { count, mean, sd })
    }

    /// sd²/n: the variance of the mean.
    fn variance_of_mean(&self) -> Option<f64> {
        self.sd.map(|sd| sd * sd / self.count as f64)
    }
}

/// A difference with its t test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TTest {
    /// First minus second mean (or mean minus the value it is tested against).
    pub difference: f64,
    pub standard_uncertainty: f64,
    /// Infinite for a difference that rests on known uncertainties alone.
    pub degrees_of_freedom: f64,
    pub t: f64,
    pub p_two_sided: f64,
}

impl TTest {
    fn new(difference: f64, standard_uncertainty: f64, degrees_of_freedom: f64) -> Option<Self> {
        // Two samples without any scatter say nothing about chance.
        if standard_uncertainty.is_nan() || standard_uncertainty <= 0.0 {
            return None;
        }
        let t = difference / standard_uncertainty;
        let p_two_sided = t_two_sided_p(t, degrees_of_freedom);
        Some(Self { difference, standard_uncertainty, degrees_of_freedom, t, p_two_sided })
    }

    /// Half-width of the interval that holds the true difference with probability `coverage`.
    pub fn half_width(&self, coverage: f64) -> f64 {
        t_quantile(0.5 + coverage / 2.0, self.degrees_of_freedom) * self.standard_uncertainty
    }
}

/// Tests whether the mean of `sample` is `expected`; `None` below two values or without scatter.
pub fn one_sample(sample: &Sample, expected: f64) -> Option<TTest> {
    TTest::new(sample.mean - expected, sample.variance_of_mean()?.sqrt(), (sample.count - 1) as f64)
}

/// Two samples of the same scatter; `None` when neither has two values.
pub fn pooled(first: &Sample, second: &Sample) -> Option<TTest> {
    pooled_with_common(first, second, 0.0)
}

/// As [`pooled`], with a further standard uncertainty of the difference that more values don't average away; see
/// [`welch_with_common`].
pub fn pooled_with_common(first: &Sample, second: &Sample, common: f64) -> Option<TTest> {
    let freedom = (first.count + second.count).checked_sub(2).filter(|freedom| *freedom > 0)? as f64;
    let squares = |sample: &Sample| sample.sd.map_or(0.0, |sd| sd * sd * (sample.count - 1) as f64);
    let variance = (squares(first) + squares(second)) / freedom;
    let of_difference = variance * (1.0 / first.count as f64 + 1.0 / second.count as f64);
    let total = of_difference + common * common;
    // Welch–Satterthwaite with one estimated and one known term.
    let freedom = if common > 0.0 { freedom * (total / of_difference).powi(2) } else { freedom };
    TTest::new(first.mean - second.mean, total.sqrt(), freedom)
}

/// Welch's test, whose scatters may differ; `None` unless both have two values and some scatter.
///
/// Source: Welch, Biometrika 34 (1947) 28–35; e-Handbook 1.3.5.3.
pub fn welch(first: &Sample, second: &Sample) -> Option<TTest> {
    welch_with_common(first, second, 0.0)
}

/// Welch's test with a further standard uncertainty of the difference that more values don't average away, such as the
/// scales of two rigs. Its degrees of freedom are taken as infinite in the Welch–Satterthwaite formula (JCGM 100:2008,
/// G.4.1), because it is known from elsewhere.
pub fn welch_with_common(first: &Sample, second: &Sample, common: f64) -> Option<TTest> {
    let (a, b) = (first.variance_of_mean()?, second.variance_of_mean()?);
    let total = a + b + common * common;
    let spread = a * a / (first.count - 1) as f64 + b * b / (second.count - 1) as f64;
    let freedom = if spread > 0.0 { total * total / spread } else { f64::INFINITY };
    TTest::new(first.mean - second.mean, total.sqrt(), freedom)
}

/// Two sample variances with the test of their ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceRatio {
    /// First over second variance.
    pub f: f64,
    pub degrees_of_freedom: (f64, f64),
    /// Chance of a ratio at least as far from one, either way, when both samples scatter alike.
    pub p_two_sided: f64,
}

/// F test for the equality of two variances of normal samples; `None` unless both have two values and some scatter.
///
/// Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.9.
pub fn variance_ratio(first: &Sample, second: &Sample) -> Option<VarianceRatio> {
    let sd = |sample: &Sample| sample.sd.filter(|sd| *sd > 0.0);
    let f = (sd(first)? / sd(second)?).powi(2);
    let degrees_of_freedom = ((first.count - 1) as f64, (second.count - 1) as f64);
    let distribution = FisherSnedecor::new(degrees_of_freedom.0, degrees_of_freedom.1).ok()?;
    let tail = distribution.cdf(f).min(distribution.sf(f));
    Some(VarianceRatio { f, degrees_of_freedom, p_two_sided: (2.0 * tail).min(1.0) })
}

/// A straight line through points, judged by its slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    pub slope: f64,
    pub slope_standard_uncertainty: f64,
    pub degrees_of_freedom: f64,
    pub p_two_sided: f64,
}

/// Slope of `y` over `x` by least squares; `None` below three points, without spread in x, or on an exact line.
pub fn trend(x: &[f64], y: &[f64]) -> Option<Trend> {
    let count = x.len().min(y.len());
    if count < 3 {
        return None;
    }
    let (x, y) = (&x[..count], &y[..count]);
    let (mean_x, mean_y) = (Sample::of(x)?.mean, Sample::of(y)?.mean);
    let sxx: f64 = x.iter().map(|x| (x - mean_x).powi(2)).sum();
    let sxy: f64 = x.iter().zip(y).map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
    let slope = sxy / sxx;
    let residuals: f64 = x.iter().zip(y).map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2)).sum();
    let degrees_of_freedom = (count - 2) as f64;
    let slope_standard_uncertainty = (residuals / degrees_of_freedom / sxx).sqrt();
    let test = TTest::new(slope, slope_standard_uncertainty, degrees_of_freedom)?;
    Some(Trend { slope, slope_standard_uncertainty, degrees_of_freedom, p_two_sided: test.p_two_sided })
}

/// Grubbs' test for one outlier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grubbs {
    /// Index of the value farthest from the mean.
    pub suspect: usize,
    /// Its distance from the mean in standard deviations.
    pub g: f64,
    /// What `g` exceeds by chance alone with the probability asked for, two-sided.
    pub critical: f64,
}

impl Grubbs {
    pub fn is_outlier(&self) -> bool {
        self.g > self.critical
    }
}

/// Grubbs' two-sided test at significance `alpha`; `None` below three values or without scatter.
///
/// Source: Grubbs, Technometrics 11 (1969) 1–21; e-Handbook 1.3.5.17.1.
pub fn grubbs(values: &[f64], alpha: f64) -> Option<Grubbs> {
    let sample = Sample::of(values).filter(|sample| sample.count >= 3)?;
    let sd = sample.sd.filter(|sd| *sd > 0.0)?;
    let distance = |value: &f64| (value - sample.mean).abs();
    let (suspect, value) = values.iter().enumerate().max_by(|a, b| distance(a.1).total_cmp(&distance(b.1)))?;
    Some(Grubbs { suspect, g: distance(value) / sd, critical: grubbs_critical(sample.count, alpha, 2) })
}

/// Critical value of Grubbs' statistic for `count` ≥ 3 values and 1 or 2 `sides`.
pub fn grubbs_critical(count: usize, alpha: f64, sides: u32) -> f64 {
    let n = count as f64;
    let t = t_quantile(1.0 - alpha / (f64::from(sides) * n), n - 2.0);
    (n - 1.0) / n.sqrt() * (t * t / (n - 2.0 + t * t)).sqrt()
}

/// Quantile of Student's t at `probability` (above 0, below 1); `freedom` may be infinite.
///
/// The library's quantile is good to about 8 digits; two Newton steps on its distribution function make it 12.
pub fn t_quantile(probability: f64, freedom: f64) -> f64 {
    if freedom > 1e9 {
        return normal_quantile(probability);
    }
    let upper = probability.max(1.0 - probability);
    let distribution = student(freedom);
    let mut t = distribution.inverse_cdf(upper);
    for _ in 0..2 {
        t += (distribution.sf(t) - (1.0 - upper)) / distribution.pdf(t);
    }
    if probability < 0.5 { -t } else { t }
}

/// Probability that |t| is exceeded by chance alone.
pub fn t_two_sided_p(t: f64, freedom: f64) -> f64 {
    if freedom > 1e9 {
        return 2.0 * statrs::distribution::Normal::standard().sf(t.abs());
    }
    2.0 * student(freedom).sf(t.abs())
}

/// Quantile of the standard normal distribution.
pub fn normal_quantile(probability: f64) -> f64 {
    statrs::distribution::Normal::standard().inverse_cdf(probability)
}

fn student(freedom: f64) -> StudentsT {
    StudentsT::new(0.0, 1.0, freedom.max(1e-3)).expect("degrees of freedom are above zero")
}

#[cfg(test)]
mod tests {
    use super::super::handbook::{assert_close, at, fixture, number, numbers};
    use super::*;

    /// e-Handbook 1.3.5.3, AUTO83B.DAT.
    #[test]
    fn two_sample_tests_match_the_handbook() {
        let tests = fixture("handbook_tests.toml");
        let want = |key: &str| number(&tests, &format!("two_sample.computed.{key}"));
        let us = Sample::of(&numbers(&tests, "two_sample.us")).unwrap();
        let japan = Sample::of(&numbers(&tests, "two_sample.japan")).unwrap();
        assert_close(us.mean, want("mean1"), 1e-12 * us.mean);
        assert_close(us.sd.unwrap(), want("sd1"), 1e-11);
        assert_close(japan.sd.unwrap(), want("sd2"), 1e-11);
        let equal = pooled(&us, &japan).unwrap();
        assert_close(equal.t, want("t_equal_var"), 1e-10);
        assert_close(equal.t, number(&tests, "two_sample.printed.t_equal_var"), 5e-6);
        assert_eq!(equal.degrees_of_freedom, 326.0);
        assert_close(equal.p_two_sided / want("p_two_sided_equal_var"), 1.0, 1e-8);
        let unequal = welch(&us, &japan).unwrap();
        assert_close(unequal.t, want("t_unequal_var"), 1e-10);
        assert_close(unequal.degrees_of_freedom, want("df_unequal_var"), 1e-9);
        assert_close(unequal.p_two_sided / want("p_two_sided_unequal_var"), 1.0, 1e-8);
        assert_close(unequal.difference - unequal.half_width(0.95), want("ci95_welch_low"), 1e-9);
        assert_close(unequal.difference + unequal.half_width(0.95), want("ci95_welch_high"), 1e-9);
        assert_close(t_quantile(0.975, 326.0), want("t_critical_975_326"), 1e-10);
        assert_close(t_quantile(0.025, 326.0), -want("t_critical_975_326"), 1e-10);
    }

    /// e-Handbook 1.3.5.2, ZARR13.DAT, from its summary.
    #[test]
    fn one_sample_test_matches_the_handbook() {
        let tests = fixture("handbook_tests.toml");
        let want = |key: &str| number(&tests, &format!("one_sample.computed.{key}"));
        let sample = Sample { count: 195, mean: want("mean"), sd: Some(want("sd")) };
        let test = one_sample(&sample, number(&tests, "one_sample.mu0")).unwrap();
        // The difference of two numbers of order 5 over 1.6e-3: 1e-15 relative becomes 1e-12, times t = 2600.
        assert_close(test.t, want("t"), 1e-8);
        assert_close(test.difference + 5.0 - test.half_width(0.95), want("ci95_low"), 1e-10);
        assert_close(test.difference + 5.0 + test.half_width(0.95), want("ci95_high"), 1e-10);
    }

    /// e-Handbook 1.3.5.17.1 (Tietjen and Moore's eight isotope ratios) and computed critical values for n = 3 to 30.
    #[test]
    fn grubbs_matches_the_handbook() {
        let tests = fixture("handbook_tests.toml");
        let result = grubbs(&numbers(&tests, "grubbs.x"), 0.05).unwrap();
        assert_eq!(result.suspect, 7);
        assert_close(result.g, number(&tests, "grubbs.computed.g"), 1e-10);
        // Printed truncated: 2.4687 for 2.46876.
        assert_close(result.g, number(&tests, "grubbs.printed.g"), 1e-4);
        assert_close(result.critical, number(&tests, "grubbs.computed.critical_two_sided_005"), 1e-9);
        assert!(result.is_outlier());
        for table in at(&tests, "grubbs.critical").as_array().unwrap() {
            let sides = number(table, "sides") as u32;
            for (n, critical) in numbers(table, "n").iter().zip(numbers(table, "computed")) {
                // Nine decimals are given.
                assert_close(grubbs_critical(*n as usize, 0.05, sides), critical, 1e-9);
            }
        }
        assert_eq!(grubbs(&[1.0, 1.0, 1.0], 0.05), None);
    }

    /// e-Handbook 2.3.6.7.3, CALIBRATIONLINE.DAT: slope and its standard error.
    #[test]
    fn trend_matches_the_handbook() {
        let tests = fixture("handbook_tests.toml");
        let line = trend(&numbers(&tests, "line_calibration.x"), &numbers(&tests, "line_calibration.y")).unwrap();
        assert_close(line.slope, number(&tests, "line_calibration.computed.b"), 1e-12);
        assert_close(line.slope_standard_uncertainty, number(&tests, "line_calibration.computed.se_b"), 1e-12);
        assert_eq!(line.degrees_of_freedom, 38.0);
        assert_eq!(trend(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]), None);
    }

    /// Upper 5 % points of F: e-Handbook 1.3.6.7.3; and section 1.3.5.9's example (JAHANMI2.DAT: F = 1.123 037 with 239 and 239, critical
    /// 0.7756 and 1.2894 at 5 %). From memory.
    #[test]
    fn variance_ratios_match_the_handbook() {
        let of = |count: usize, variance: f64| Sample { count, mean: 4.0, sd: Some(variance.sqrt()) };
        let p = |f: f64, a: usize, b: usize| variance_ratio(&of(a + 1, f), &of(b + 1, 1.0)).unwrap().p_two_sided;
        for (f, a, b) in [(3.633, 4, 9), (2.978, 10, 10), (3.326, 5, 10), (4.965, 1, 10), (2.124, 20, 20)] {
            // Three decimals of F are given: a few 1e-4 of p.
            assert_close(p(f, a, b), 0.10, 2e-4);
        }
        assert_close(p(1.2894, 239, 239), 0.05, 1e-4);
        assert_close(p(0.7756, 239, 239), 0.05, 1e-4);
        assert!(p(1.123_037, 239, 239) > 0.05);
        assert_eq!(variance_ratio(&of(5, 0.0), &of(5, 1.0)), None);
    }

    #[test]
    fn a_common_uncertainty_is_not_averaged_away() {
        let first = Sample { count: 100, mean: 4.0, sd: Some(0.04) };
        let second = Sample { count: 100, mean: 4.04, sd: Some(0.04) };
        assert!(welch(&first, &second).unwrap().p_two_sided < 1e-9);
        let test = welch_with_common(&first, &second, 0.04).unwrap();
        assert!(test.standard_uncertainty > 0.04);
        assert!(test.p_two_sided > 0.3);
    }
}
