//! Where in a run the mean changed: the split whose two parts differ most.
//!
//! Source: Hawkins, J. American Statistical Association 72 (1977) 180–186; Worsley, ibid. 74 (1979) 365–367.

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

/// One odd value at an end isn't a change: each part has at least this many.
pub const SHORTEST_PART: usize = 2;

/// The split of a run into two parts with the largest |t|.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Split {
    /// Index of the first value of the second part.
    pub at: usize,
    /// Student's t of second minus first mean with pooled scatter.
    pub t: f64,
}

/// Looks at every split with at least [`SHORTEST_PART`] values on each side; `None` below four values or without scatter.
pub fn largest_split(values: &[f64]) -> Option<Split> {
    let count = values.len();
    if count < 4 {
        return None;
    }
    let n = count as f64;
    let mean = values.iter().sum::<f64>() / n;
    let total: f64 = values.iter().map(|x| (x - mean).powi(2)).sum();
    let mut sum = 0.0;
    let mut best: Option<Split> = None;
    for at in 1..=count - SHORTEST_PART {
        sum += values[at - 1] - mean;
        if at < SHORTEST_PART {
            continue;
        }
        let left = at as f64;
        // The sums of the two parts about the whole mean are opposite, so one gives the square between the parts.
        let between = sum * sum * n / (left * (n - left));
        let within = (total - between).max(total * 1e-15);
        let t = -(between / (within / (n - 2.0))).sqrt().copysign(sum);
        if total > 0.0 && best.is_none_or(|best| t.abs() > best.t.abs()) {
            best = Some(Split { at, t });
        }
    }
    best
}

/// Probability that chance alone makes the largest |t| of `count` normal values reach `t`, from `histories` seeded
/// histories; `None` below four values.
pub fn chance_of_split(t: f64, count: usize, histories: usize) -> Option<f64> {
    if count < 4 || histories == 0 {
        return None;
    }
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(SPLIT_SEED);
    let mut values = vec![0.0; count];
    let mut reached = 0_usize;
    for _ in 0..histories {
        values.fill_with(|| StandardNormal.sample(&mut rng));
        reached += usize::from(largest_split(&values).is_some_and(|split| split.t.abs() >= t.abs()));
    }
    // One is added to both: the history at hand is itself one that reached it (Davison and Hinkley, Bootstrap Methods,
    // section 4.2), so that no finite simulation says "never".
    Some((reached + 1) as f64 / (histories + 1) as f64)
}

/// Any fixed number does; it only has to stay the same.
const SPLIT_SEED: u64 = 1_977;

/// Means of at most `blocks` successive blocks of equal size (a last, shorter one is left out), and the block size: a long
/// run keeps the same test with fewer values.
pub fn block_means(values: &[f64], blocks: usize) -> (Vec<f64>, usize) {
    let size = values.len().div_ceil(blocks.max(1)).max(1);
    (values.chunks_exact(size).map(|block| block.iter().sum::<f64>() / size as f64).collect(), size)
}

#[cfg(test)]
mod tests {
    use super::super::handbook::assert_close;
    use super::super::tests_of_means::{Sample, pooled};
    use super::*;

    #[test]
    fn the_split_is_the_best_of_all_pooled_t_tests() {
        let values = [3.9, 4.1, 4.0, 3.95, 4.3, 4.35, 4.2, 4.4];
        let slow = (SHORTEST_PART..=values.len() - SHORTEST_PART)
            .filter_map(|at| {
                let (a, b) = values.split_at(at);
                Some((at, pooled(&Sample::of(b)?, &Sample::of(a)?)?.t))
            })
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
            .unwrap();
        let quick = largest_split(&values).unwrap();
        assert_eq!(quick.at, slow.0);
        assert_close(quick.t, slow.1, 1e-9);
        assert_eq!(largest_split(&[1.0; 9]), None);
    }

    /// Five per cent points of the largest two-sample t (parts of two or more), computed for this project beforehand by an independent program:
    /// 3.35, 3.25, 3.20, 3.15 for n = 12, 16, 20, 30, rounded to 0.05. The density there is about 0.1 a unit, so the
    /// rounding is 0.3 % of probability, the Monte Carlo error of 10 000 histories 0.2 %, taken four times.
    #[test]
    fn chance_matches_the_critical_values() {
        for (count, critical) in [(12, 3.35), (16, 3.25), (20, 3.20), (30, 3.15)] {
            assert_close(chance_of_split(critical, count, 10_000).unwrap(), 0.05, 0.003 + 0.009);
        }
        assert_eq!(chance_of_split(3.0, 3, 100), None);
    }

    #[test]
    fn blocks_keep_the_mean() {
        let values: Vec<f64> = (0..1000).map(f64::from).collect();
        let (means, size) = block_means(&values, 100);
        assert_eq!((means.len(), size), (100, 10));
        assert_eq!(means[0], 4.5);
        assert_eq!(block_means(&[1.0, 2.0], 100), (vec![1.0, 2.0], 1));
    }
}
