//! Run rules: patterns of points on a control chart that chance seldom makes.
//!
//! Each rule adds false alarms of its own: the four Western Electric rules together cut the mean run length without any
//! change from 370 to 92 points (Champ and Woodall, Technometrics 29 (1987) 393–399). They are pointers for the eye, and
//! no verdict is built on them.

/// A rule on scores z = (value − centre)/sigma. Inequalities are strict; both sides are looked at separately.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RunRule {
    /// One point beyond three sigmas (Western Electric 1).
    BeyondThreeSigmas,
    /// Two of three successive points beyond two sigmas on one side (Western Electric 2).
    TwoOfThreeBeyondTwo,
    /// Four of five successive points beyond one sigma on one side (Western Electric 3).
    FourOfFiveBeyondOne,
    /// Eight successive points on one side (Western Electric 4).
    EightOnOneSide,
    /// Nine successive points on one side (Nelson 2).
    NineOnOneSide,
    /// Six successive points steadily rising or falling (Nelson 3).
    SixInATrend,
    /// Fourteen successive points going up and down in turn (Nelson 4).
    FourteenAlternating,
    /// Fifteen successive points within one sigma (Nelson 7).
    FifteenWithinOne,
    /// Eight successive points outside one sigma, on either side (Nelson 8).
    EightOutsideOne,
    /// One point beyond two sigmas, a warning (Westgard 1-2s).
    BeyondTwoSigmas,
    /// Two successive points beyond two sigmas on one side (Westgard 2-2s).
    TwoBeyondTwo,
    /// Two successive points beyond two sigmas on opposite sides (Westgard R-4s).
    OppositeBeyondTwo,
    /// Four successive points beyond one sigma on one side (Westgard 4-1s).
    FourBeyondOne,
    /// Ten successive points on one side (Westgard 10-x).
    TenOnOneSide,
}

/// The four rules of the Western Electric handbook (1956).
pub const WESTERN_ELECTRIC: [RunRule; 4] =
    [RunRule::BeyondThreeSigmas, RunRule::TwoOfThreeBeyondTwo, RunRule::FourOfFiveBeyondOne, RunRule::EightOnOneSide];

impl RunRule {
    /// Indices of the points that complete the pattern; a pattern may be completed again by the next point.
    pub fn flagged(self, scores: &[f64]) -> Vec<usize> {
        (0..scores.len()).filter(|end| self.completes(&scores[..=*end])).collect()
    }

    /// Whether the last of `scores` completes the pattern.
    pub fn completes(self, scores: &[f64]) -> bool {
        match self {
            Self::BeyondThreeSigmas => some_beyond(scores, 1, 1, 3.0),
            Self::BeyondTwoSigmas => some_beyond(scores, 1, 1, 2.0),
            Self::TwoBeyondTwo => some_beyond(scores, 2, 2, 2.0),
            Self::TwoOfThreeBeyondTwo => some_beyond(scores, 2, 3, 2.0),
            Self::FourBeyondOne => some_beyond(scores, 4, 4, 1.0),
            Self::FourOfFiveBeyondOne => some_beyond(scores, 4, 5, 1.0),
            Self::EightOnOneSide => some_beyond(scores, 8, 8, 0.0),
            Self::NineOnOneSide => some_beyond(scores, 9, 9, 0.0),
            Self::TenOnOneSide => some_beyond(scores, 10, 10, 0.0),
            Self::OppositeBeyondTwo => {
                last(scores, 2).is_some_and(|z| z[0].abs() > 2.0 && z[1].abs() > 2.0 && z[0] * z[1] < 0.0)
            }
            Self::SixInATrend => {
                last(scores, 6).is_some_and(|z| steps(z).all(|d| d > 0.0) || steps(z).all(|d| d < 0.0))
            }
            Self::FourteenAlternating => last(scores, 14).is_some_and(alternates),
            Self::FifteenWithinOne => last(scores, 15).is_some_and(|z| z.iter().all(|z| z.abs() < 1.0)),
            Self::EightOutsideOne => last(scores, 8).is_some_and(|z| z.iter().all(|z| z.abs() > 1.0)),
        }
    }

    /// What was seen, for a reader who doesn't know the rule's name.
    pub const fn in_words(self) -> &'static str {
        match self {
            Self::BeyondThreeSigmas => "outside the control limits",
            Self::TwoOfThreeBeyondTwo => "two of three beyond two sigmas on one side",
            Self::FourOfFiveBeyondOne => "four of five beyond one sigma on one side",
            Self::EightOnOneSide => "eight in a row on one side of the centre",
            Self::NineOnOneSide => "nine in a row on one side of the centre",
            Self::SixInATrend => "six in a row rising or falling",
            Self::FourteenAlternating => "fourteen going up and down in turn",
            Self::FifteenWithinOne => "fifteen in a row close to the centre",
            Self::EightOutsideOne => "eight in a row away from the centre",
            Self::BeyondTwoSigmas => "beyond two sigmas",
            Self::TwoBeyondTwo => "two in a row beyond two sigmas on one side",
            Self::OppositeBeyondTwo => "two in a row beyond two sigmas on opposite sides",
            Self::FourBeyondOne => "four in a row beyond one sigma on one side",
            Self::TenOnOneSide => "ten in a row on one side of the centre",
        }
    }
}

/// The last `count` scores, or `None` when there are fewer.
fn last(scores: &[f64], count: usize) -> Option<&[f64]> {
    scores.len().checked_sub(count).map(|start| &scores[start..])
}

/// Whether the last point and `need` in all of the last `window` lie beyond `line` on one side; a shorter start counts as
/// a window.
fn some_beyond(scores: &[f64], need: usize, window: usize, line: f64) -> bool {
    let recent = &scores[scores.len().saturating_sub(window)..];
    [1.0, -1.0].into_iter().any(|side| {
        recent.last().is_some_and(|z| side * z > line) && recent.iter().filter(|z| side * **z > line).count() >= need
    })
}

fn steps(scores: &[f64]) -> impl Iterator<Item = f64> {
    scores.windows(2).map(|pair| pair[1] - pair[0])
}

fn alternates(scores: &[f64]) -> bool {
    scores.windows(3).all(|z| (z[1] - z[0]) * (z[2] - z[1]) < 0.0)
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::super::control_charts::{Cusum, ewma, ewma_half_width};
    use super::super::handbook::{at, fixture, number, numbers};
    use super::*;

    const NAMED: [(&str, RunRule); 14] = [
        ("beyond_3s", RunRule::BeyondThreeSigmas),
        ("2_of_3_beyond_2s", RunRule::TwoOfThreeBeyondTwo),
        ("4_of_5_beyond_1s", RunRule::FourOfFiveBeyondOne),
        ("8_same_side", RunRule::EightOnOneSide),
        ("9_same_side", RunRule::NineOnOneSide),
        ("6_trend", RunRule::SixInATrend),
        ("14_alternating", RunRule::FourteenAlternating),
        ("15_within_1s", RunRule::FifteenWithinOne),
        ("8_outside_1s", RunRule::EightOutsideOne),
        ("w_1_2s", RunRule::BeyondTwoSigmas),
        ("w_2_2s", RunRule::TwoBeyondTwo),
        ("w_R_4s", RunRule::OppositeBeyondTwo),
        ("w_4_1s", RunRule::FourBeyondOne),
        ("w_10_x", RunRule::TenOnOneSide),
    ];

    /// Western Electric (1956), Nelson (J. Quality Technology 16 (1984) 237–239), Westgard et al. (Clin. Chem. 27 (1981)
    /// 493–501): every rule on every constructed series, flags exact.
    #[test]
    fn every_rule_flags_what_its_source_says() {
        let rules = fixture("chart_rules.toml");
        for series in at(&rules, "series").as_array().unwrap() {
            let id = at(series, "id").as_str().unwrap();
            let z = numbers(series, "z");
            for (name, rule) in NAMED {
                let wanted: Vec<usize> = match at(series, "flags").get(name) {
                    Some(flags) => flags.as_array().unwrap().iter().map(|i| i.as_integer().unwrap() as usize).collect(),
                    None => Vec::new(),
                };
                assert_eq!(rule.flagged(&z), wanted, "{name} on {id}");
            }
        }
    }

    #[test]
    fn ewma_and_cusum_signal_where_the_series_say() {
        let rules = fixture("chart_rules.toml");
        for series in at(&rules, "series").as_array().unwrap() {
            let z = numbers(series, "z");
            let outside =
                ewma(&z, 0.0, 0.2).iter().enumerate().position(|(i, e)| e.abs() > ewma_half_width(2.962, 0.2, i + 1));
            let wanted = |key: &str| usize::try_from(at(series, key).as_integer().unwrap()).ok();
            assert_eq!(outside, wanted("ewma_02_first_outside"));
            for (key, decision) in [("cusum_05_4_first", 4.0), ("cusum_05_5_first", 5.0)] {
                assert_eq!(Cusum::new(0.5, decision).run(z.iter().copied()).first_signal, wanted(key));
            }
        }
    }

    /// Champ and Woodall, Technometrics 29 (1987) 393–399, by simulation: within four standard errors.
    #[test]
    fn western_electric_run_lengths_are_the_published_ones() {
        let rules = fixture("chart_rules.toml");
        for (seed, case) in at(&rules, "run_length.we").as_array().unwrap().iter().enumerate() {
            let used: Vec<RunRule> = numbers(case, "rules").iter().map(|n| WESTERN_ELECTRIC[*n as usize - 1]).collect();
            for (shift, key) in [(0.0, "computed_arl0"), (1.0, "computed_arl_shift_1"), (2.0, "computed_arl_shift_2")] {
                let (mean, error) = simulated_run_length(&used, shift, seed as u64);
                let published = number(case, key);
                assert!((mean - published).abs() < 4.0 * error, "{used:?} {shift}: {mean} ± {error}, {published}");
            }
        }
    }

    fn simulated_run_length(rules: &[RunRule], shift: f64, seed: u64) -> (f64, f64) {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let runs = 3_000;
        let lengths: Vec<f64> = (0..runs)
            .map(|_| {
                let mut scores: Vec<f64> = Vec::new();
                loop {
                    let z: f64 = StandardNormal.sample(&mut rng);
                    scores.push(z + shift);
                    if rules.iter().any(|rule| rule.completes(&scores)) {
                        return scores.len() as f64;
                    }
                }
            })
            .collect();
        let mean = lengths.iter().sum::<f64>() / f64::from(runs);
        let variance = lengths.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / f64::from(runs - 1);
        (mean, (variance / f64::from(runs)).sqrt())
    }
}
