//! Agreement of two ways of measuring the same things: bias and limits of agreement.
//!
//! Source: Bland and Altman, Lancet 327 (1986) 307–310.

use super::tests_of_means::{Sample, t_quantile};

/// Two methods compared pair by pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    pub pairs: usize,
    /// Mean of first minus second.
    pub bias: f64,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// Half-width of the 95 % interval of the bias.
    pub bias_half_width: f64,
    /// bias ∓ 1.96·sd: where 95 of 100 differences are expected.
    pub lower: f64,
    pub upper: f64,
    /// Half-width of the 95 % interval of either limit, from the standard error √(3/n)·sd.
    pub limit_half_width: f64,
}

/// `None` below three pairs.
pub fn limits_of_agreement(pairs: &[(f64, f64)]) -> Option<Agreement> {
    let differences: Vec<f64> = pairs.iter().map(|(first, second)| first - second).collect();
    let sample = Sample::of(&differences).filter(|sample| sample.count >= 3)?;
    let sd = sample.sd?;
    let n = sample.count as f64;
    let t = t_quantile(0.975, n - 1.0);
    Some(Agreement {
        pairs: sample.count,
        bias: sample.mean,
        sd,
        bias_half_width: t * sd / n.sqrt(),
        lower: sample.mean - 1.96 * sd,
        upper: sample.mean + 1.96 * sd,
        limit_half_width: t * (3.0 / n).sqrt() * sd,
    })
}

#[cfg(test)]
mod tests {
    use super::super::handbook::assert_close;
    use super::*;

    /// Peak flow in l/min by the two meters of Bland and Altman's paper, first readings; data and answers from memory, the
    /// answers recomputed here by the test itself to every digit that the paper prints.
    const LARGE: [f64; 17] = [
        494.0, 395.0, 516.0, 434.0, 476.0, 557.0, 413.0, 442.0, 650.0, 433.0, 417.0, 656.0, 267.0, 478.0, 178.0, 423.0,
        427.0,
    ];
    const MINI: [f64; 17] = [
        512.0, 430.0, 520.0, 428.0, 500.0, 600.0, 364.0, 380.0, 658.0, 445.0, 432.0, 626.0, 260.0, 477.0, 259.0, 350.0,
        451.0,
    ];

    #[test]
    fn limits_match_the_paper() {
        let pairs: Vec<(f64, f64)> = LARGE.into_iter().zip(MINI).collect();
        let agreement = limits_of_agreement(&pairs).unwrap();
        // Printed: mean difference −2.1, sd 38.8, limits −79.7 and 75.5 (with 2 sd), interval of the bias −22.0 to 17.8.
        assert_close(agreement.bias, -2.1, 0.05);
        assert_close(agreement.sd, 38.8, 0.05);
        // The paper multiplies its rounded sd by 2, so half a unit of each rounded term.
        assert_close(agreement.bias - 2.0 * agreement.sd, -79.7, 0.15);
        assert_close(agreement.bias + 2.0 * agreement.sd, 75.5, 0.15);
        assert_close(agreement.bias - agreement.bias_half_width, -22.0, 0.15);
        assert_close(agreement.bias + agreement.bias_half_width, 17.8, 0.15);
        // Printed interval of the lower limit: −114.3 to −45.1.
        assert_close(agreement.limit_half_width, 34.6, 0.15);
    }

    #[test]
    fn two_pairs_say_nothing() {
        assert_eq!(limits_of_agreement(&[(1.0, 1.1), (2.0, 2.1)]), None);
    }
}
