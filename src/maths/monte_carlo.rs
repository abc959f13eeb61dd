//! Propagation of distributions by a Monte Carlo method (JCGM 101:2008), seeded and adaptive.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, StudentT};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// How an input is spread (JCGM 101:2008, table 1).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Spread {
    Normal {
        mean: f64,
        sd: f64,
    },
    Rectangular {
        low: f64,
        high: f64,
    },
    Triangular {
        low: f64,
        high: f64,
    },
    Arcsine {
        low: f64,
        high: f64,
    },
    /// Scaled and shifted t: an estimate with ν degrees of freedom (6.4.9).
    Student {
        mean: f64,
        scale: f64,
        degrees_of_freedom: f64,
    },
}

impl Spread {
    /// One draw.
    pub fn draw(&self, random: &mut ChaCha8Rng) -> f64 {
        match *self {
            Self::Normal { mean, sd } => {
                let z: f64 = StandardNormal.sample(random);
                mean + sd * z
            }
            Self::Rectangular { low, high } => low + (high - low) * random.random::<f64>(),
            Self::Triangular { low, high } => {
                low + 0.5 * (high - low) * (random.random::<f64>() + random.random::<f64>())
            }
            Self::Arcsine { low, high } => {
                let turn = std::f64::consts::TAU * random.random::<f64>();
                0.5 * (low + high) + 0.5 * (high - low) * turn.sin()
            }
            Self::Student { mean, scale, degrees_of_freedom } => match StudentT::new(degrees_of_freedom) {
                Ok(student) => mean + scale * student.sample(random),
                Err(_) => f64::NAN,
            },
        }
    }
}

/// How a run is made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RunOptions {
    pub seed: u64,
    /// Level of the coverage interval.
    pub level: f64,
    /// Significant digits of u that shall be stable (7.9.2).
    pub digits: u32,
    /// Trials of a batch; 10⁴ in 7.9.4, fewer where a trial is dear.
    pub batch: usize,
    pub most_trials: usize,
}

impl Default for RunOptions {
    fn default() -> Self {
        Self { seed: 1, level: 0.95, digits: 2, batch: 10_000, most_trials: 2_000_000 }
    }
}

/// What a run gave for one output quantity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    pub mean: f64,
    pub standard_uncertainty: f64,
    /// Probabilistically symmetric interval.
    pub interval: (f64, f64),
    /// Shortest interval (5.3.4).
    pub shortest: (f64, f64),
    pub trials: usize,
    /// Whether all four figures settled within the tolerance before the trials ran out.
    pub settled: bool,
}

/// Why a run gave nothing.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum MonteCarloError {
    #[error("the model gave no number in {failed} of {trials} trials")]
    ModelFailed { failed: usize, trials: usize },
    #[error("a run needs a batch of at least 100 trials and a level between 0 and 1")]
    BadOptions,
}

/// Runs batches until twice the standard deviation of the averages over batches of mean, u and both ends of the interval falls
/// below the numerical tolerance of u, for every output (7.9.4); at least two batches, all trials together then give the result.
///
/// `model` draws its inputs from the generator it is handed and returns its outputs, always as many, or `None` where it can't be
/// evaluated. One generator, one order: the same seed gives the same result.
///
/// # Errors
/// [`MonteCarloError::ModelFailed`] when more than 1 % of the trials give nothing.
pub fn run(
    options: RunOptions,
    mut model: impl FnMut(&mut ChaCha8Rng) -> Option<Vec<f64>>,
) -> Result<Vec<Summary>, MonteCarloError> {
    if options.batch < 100 || !(options.level > 0.0 && options.level < 1.0) {
        return Err(MonteCarloError::BadOptions);
    }
    let mut random = ChaCha8Rng::seed_from_u64(options.seed);
    let mut outputs: Vec<Vec<f64>> = Vec::new();
    let mut batches: Vec<Vec<[f64; 4]>> = Vec::new();
    let (mut trials, mut failed, mut settled) = (0, 0, false);
    while !settled && trials + options.batch <= options.most_trials.max(2 * options.batch) {
        let first = outputs.first().map_or(0, Vec::len);
        for _ in 0..options.batch {
            match model(&mut random).filter(|values| values.iter().all(|v| v.is_finite())) {
                Some(values) => {
                    outputs.resize(values.len(), Vec::new());
                    outputs.iter_mut().zip(values).for_each(|(all, v)| all.push(v));
                }
                None => failed += 1,
            }
        }
        trials += options.batch;
        if failed * 100 > trials {
            return Err(MonteCarloError::ModelFailed { failed, trials });
        }
        batches.resize(outputs.len(), Vec::new());
        for (all, figures) in outputs.iter().zip(&mut batches) {
            let (mean, u, interval) = figures_of(&all[first..], options.level);
            figures.push([mean, u, interval.0, interval.1]);
        }
        settled = batches.iter().all(|figures| is_settled(figures, options.digits));
    }
    let summary = |all: &Vec<f64>| {
        let (mean, standard_uncertainty, interval) = figures_of(all, options.level);
        let shortest = shortest_interval(all, options.level);
        Summary { mean, standard_uncertainty, interval, shortest, trials, settled }
    };
    Ok(outputs.iter().map(summary).collect())
}

fn is_settled(figures: &[[f64; 4]], digits: u32) -> bool {
    let h = figures.len() as f64;
    if figures.len() < 2 {
        return false;
    }
    let u = figures.iter().map(|f| f[1]).sum::<f64>() / h;
    let tolerance = tolerance(u, digits);
    (0..4).all(|k| {
        let mean = figures.iter().map(|f| f[k]).sum::<f64>() / h;
        let variance = figures.iter().map(|f| (f[k] - mean).powi(2)).sum::<f64>() / (h * (h - 1.0));
        2.0 * variance.sqrt() < tolerance
    })
}

/// Half of one unit in the last of `digits` significant digits of u (7.9.2).
fn tolerance(u: f64, digits: u32) -> f64 {
    if u > 0.0 { 0.5 * 10f64.powi(u.log10().floor() as i32 + 1 - digits as i32) } else { f64::INFINITY }
}

fn figures_of(values: &[f64], level: f64) -> (f64, f64, (f64, f64)) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let tail = 0.5 * (1.0 - level);
    (mean, variance.sqrt(), (quantile(&sorted, tail), quantile(&sorted, 1.0 - tail)))
}

/// Linear between the middles of the steps of the empirical distribution.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let place = (p * sorted.len() as f64 - 0.5).clamp(0.0, (sorted.len() - 1) as f64);
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

/// The shortest interval that holds the share `level` of the values (7.7.4).
pub fn shortest_interval(values: &[f64], level: f64) -> (f64, f64) {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let inside = ((level * sorted.len() as f64).round() as usize).clamp(1, sorted.len()) - 1;
    let width = |i: usize| sorted[i + inside] - sorted[i];
    let best = (0..sorted.len() - inside).min_by(|&a, &b| width(a).total_cmp(&width(b))).unwrap_or(0);
    (sorted[best], sorted[best + inside])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example(group: &str, name: &str) -> toml::Table {
        let file: toml::Table =
            toml::from_str(&std::fs::read_to_string("fixtures/uncertainty.toml").expect("fixture")).expect("toml");
        let table = file[group].as_table().unwrap();
        if name.is_empty() { table.clone() } else { table[name].as_table().unwrap().clone() }
    }

    /// JCGM 101:2008, 9.2.2 to 9.2.4: the additive model with four normal, four rectangular, and one dominant input.
    #[test]
    fn additive_models_of_9_2() {
        let unit = 3f64.sqrt();
        let normal = Spread::Normal { mean: 0.0, sd: 1.0 };
        let flat = |sd: f64| Spread::Rectangular { low: -unit * sd, high: unit * sd };
        let cases = [
            ("additive_normal", [normal; 4]),
            ("additive_rectangular", [flat(1.0); 4]),
            ("additive_dominant", [flat(1.0), flat(1.0), flat(1.0), flat(10.0)]),
        ];
        for (name, inputs) in cases {
            let want = example("jcgm101", name);
            let options = RunOptions { most_trials: 400_000, ..RunOptions::default() };
            let got = run(options, |r| Some(vec![inputs.iter().map(|s| s.draw(r)).sum()])).unwrap()[0];
            let half = want["computed_half_width"].as_float().unwrap();
            // The run settles the ends to half a unit of the second digit of u, at two standard deviations.
            let tolerance = 2.0 * tolerance(got.standard_uncertainty, 2);
            assert!(got.settled, "{name}");
            assert!((got.interval.1 - half).abs() < tolerance, "{name} {got:?}");
            assert!((got.shortest.1 - got.shortest.0 - 2.0 * half).abs() < 2.0 * tolerance, "{name}");
        }
    }

    /// JCGM 101:2008, 9.3: calibration of a mass, where first-order propagation misses a third of u.
    #[test]
    fn mass_calibration_of_9_3() {
        let inputs = [
            Spread::Normal { mean: 100_000.0, sd: 0.050 },
            Spread::Normal { mean: 1.234, sd: 0.020 },
            Spread::Rectangular { low: 1.10, high: 1.30 },
            Spread::Rectangular { low: 7000.0, high: 9000.0 },
            Spread::Rectangular { low: 7950.0, high: 8050.0 },
        ];
        let got = run(RunOptions { most_trials: 300_000, ..RunOptions::default() }, |r| {
            let x: Vec<f64> = inputs.iter().map(|s| s.draw(r)).collect();
            Some(vec![(x[0] + x[1]) * (1.0 + (x[2] - 1.2) * (1.0 / x[3] - 1.0 / x[4])) - 100_000.0])
        })
        .unwrap()[0];
        // Printed: 1.2341, 0.0754, [1.0834, 1.3825]; two digits of u are asked for.
        assert!((got.mean - 1.2341).abs() < 1e-3 && (got.standard_uncertainty - 0.0754).abs() < 1e-3, "{got:?}");
        assert!((got.shortest.0 - 1.0834).abs() < 3e-3 && (got.shortest.1 - 1.3825).abs() < 3e-3, "{got:?}");
    }

    /// NPL Report DEM-ES-011, 9.2: the logarithm of a rectangular quantity, whose interval is far from symmetric.
    #[test]
    fn logarithm_of_a_rectangular_quantity() {
        let want = example("npl_log", "");
        let input = Spread::Rectangular { low: 0.1, high: 1.1 };
        let got = run(RunOptions { most_trials: 300_000, ..RunOptions::default() }, |r| Some(vec![input.draw(r).ln()]))
            .unwrap()[0];
        let of = |key: &str| want[key].as_float().unwrap();
        // Over 1e5 trials and more: u/√M = 0.002 for the mean, about three times that for the far end.
        assert!((got.mean - of("computed_mean")).abs() < 0.006, "{got:?}");
        assert!((got.standard_uncertainty - of("computed_u")).abs() < 0.006, "{got:?}");
        let shortest = want["computed_shortest95"].as_array().unwrap();
        assert!((got.shortest.0 - shortest[0].as_float().unwrap()).abs() < 0.03, "{got:?}");
    }

    #[test]
    fn the_same_seed_gives_the_same_result() {
        let options = RunOptions { batch: 500, most_trials: 2000, ..RunOptions::default() };
        let spread = Spread::Student { mean: 1.0, scale: 0.1, degrees_of_freedom: 5.0 };
        let go = || run(options, |r| Some(vec![spread.draw(r)])).unwrap();
        assert_eq!(go(), go());
    }

    #[test]
    fn a_model_that_gives_nothing_is_an_error() {
        let options = RunOptions { batch: 100, ..RunOptions::default() };
        assert_eq!(run(options, |_| None).unwrap_err(), MonteCarloError::ModelFailed { failed: 100, trials: 100 });
    }
}
