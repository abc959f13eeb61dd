//! Self-starting scores: a chart for short runs whose centre and scatter nobody knows beforehand.
//!
//! Each value is compared with all the values before it; as long as nothing changes the scores are independent standard
//! normal values, whatever the centre and scatter are, so that a CUSUM of them keeps its false-alarm rate from the first
//! shots on.
//!
//! Sources: Hawkins, The Statistician 36 (1987) 299–315; Quesenberry, J. Quality Technology 23 (1991) 213–224 (the same
//! scores on Q charts).

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Above this many degrees of freedom the closed form of [`normal_score`] is used.
const CLOSED_FORM_FROM: f64 = 1000.0;

/// Scores of the third and later values; `None` for the first two, and as long as all values before are equal.
pub fn self_starting_scores(values: &[f64]) -> Vec<Option<f64>> {
    let mut before = Running::default();
    values
        .iter()
        .map(|value| {
            let score = before.score_of(*value);
            before.take(*value);
            score
        })
        .collect()
}

/// Count, mean and sum of squares about it, updated value by value (Welford, Technometrics 4 (1962) 419–420).
#[derive(Debug, Clone, Copy, Default)]
struct Running {
    count: f64,
    mean: f64,
    squares: f64,
}

impl Running {
    fn take(&mut self, value: f64) {
        self.count += 1.0;
        let step = value - self.mean;
        self.mean += step / self.count;
        self.squares += step * (value - self.mean);
    }

    fn score_of(&self, value: f64) -> Option<f64> {
        if self.count < 2.0 || self.squares <= 0.0 {
            return None;
        }
        let freedom = self.count - 1.0;
        let sd = (self.squares / freedom).sqrt();
        let t = (value - self.mean) / (sd * (1.0 + 1.0 / self.count).sqrt());
        Some(normal_score(t, freedom))
    }
}

/// The standard normal value with the same tail probability as `t` with `freedom` degrees of freedom.
///
/// From a thousand degrees of freedom on by the closed form of Wallace (Annals of Mathematical Statistics 30 (1959)
/// 1124–1130, from memory, checked by a test), which makes a run of a million values quick.
pub fn normal_score(t: f64, freedom: f64) -> f64 {
    if freedom >= CLOSED_FORM_FROM {
        let size = (freedom * (t * t / freedom).ln_1p()).sqrt() * (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0);
        return size.copysign(t);
    }
    let student = StudentsT::new(0.0, 1.0, freedom).expect("degrees of freedom are above zero");
    // A tail below the smallest number would score infinity; 37 sigmas is already beyond all doubt.
    let tail = student.sf(t.abs()).max(1e-300);
    (-Normal::standard().inverse_cdf(tail)).copysign(t)
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::super::control_charts::Cusum;
    use super::super::handbook::assert_close;
    use super::*;

    #[test]
    fn the_third_value_is_scored_by_hand() {
        // Mean of 1 and 3 is 2, sd √2; t = (5 − 2)/(√2·√1.5) = √3 with one degree of freedom, a Cauchy variable:
        // tail ½ − atan(√3)/π = 1/6, and Φ(0.967421566) = 5/6.
        let scores = self_starting_scores(&[1.0, 3.0, 5.0]);
        assert_eq!(scores[..2], [None, None]);
        assert_close(scores[2].unwrap(), 0.967_421_566_101_701, 1e-9);
        assert_eq!(self_starting_scores(&[1.0, 1.0, 2.0])[2], None);
    }

    #[test]
    fn the_closed_form_joins_the_exact_one() {
        for t in [-6.0, -2.0, 0.0, 0.5, 1.0, 3.0, 4.5] {
            let exact = {
                let student = StudentsT::new(0.0, 1.0, 1000.0).unwrap();
                (-Normal::standard().inverse_cdf(student.sf(f64::abs(t)))).copysign(t)
            };
            // Its error at a thousand degrees of freedom, computed apart: 4e-6 at t = 6, less below.
            assert_close(normal_score(t, 1000.0), exact, 5e-6);
        }
    }

    /// Share of 20-shot histories with a signal of the self-starting CUSUM, allowance 0.5, a step of `step` sd at shot 10.
    fn share_of_signals(decision: f64, step: f64) -> f64 {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(10);
        let histories = 4_000;
        let signals = (0..histories)
            .filter(|_| {
                let values: Vec<f64> = (1..=20)
                    .map(|shot| {
                        let z: f64 = StandardNormal.sample(&mut rng);
                        z + if shot > 10 { step } else { 0.0 }
                    })
                    .collect();
                let scores = self_starting_scores(&values).into_iter().map(|score| score.unwrap_or(0.0));
                Cusum::new(0.5, decision).run(scores).first_signal.is_some()
            })
            .count();
        signals as f64 / f64::from(histories)
    }

    /// False alarms and power over 20 shots, computed for this project beforehand by an independent program and rounded to
    /// a per cent; Monte Carlo error of 4 000 histories at most 0.8 %, both programs together 1.1 %, taken three times.
    #[test]
    fn short_runs_alarm_and_find_as_often_as_computed_elsewhere() {
        assert_close(share_of_signals(4.77, 0.0), 0.03, 0.012);
        assert_close(share_of_signals(4.0, 0.0), 0.07, 0.016);
        assert_close(share_of_signals(4.77, 2.0), 0.79, 0.035);
        assert_close(share_of_signals(4.0, 2.0), 0.89, 0.03);
        assert_close(share_of_signals(4.77, 1.0), 0.24, 0.035);
    }
}
