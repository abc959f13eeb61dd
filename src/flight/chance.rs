//! The chance that a ball drops into an opening, from the scatter of its shots and the steepness of its descent.
//!
//! Seen along its direction of descent (θ below the horizontal) a round opening of radius R is an ellipse with the
//! half-axes R across and R·sin θ along; the ball passes a ring untouched when its centre stays at least its radius r
//! inside that ellipse. That needs sin θ ≥ r/R (Brancazio, *Physics of basketball*, Am. J. Phys. 49 (1981) 356: 32° for a
//! basketball; from memory). A cup has no far rim to clear: there the ball may touch the wall inside.

use std::sync::LazyLock;

use statrs::distribution::{Binomial, Continuous, ContinuousCDF, DiscreteCDF, Normal};
use thiserror::Error;

/// What the opening belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OpeningKind {
    /// A hoop: the ball goes through, clear of the near and the far rim.
    Ring,
    /// A cup or bucket: clear of the near rim, and stopped by the wall inside.
    Cup,
}

impl OpeningKind {
    /// The word in files and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ring => "ring",
            Self::Cup => "cup",
        }
    }

    /// The kind of that word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Ring, Self::Cup].into_iter().find(|kind| kind.word() == word)
    }
}

/// A round level opening, and the ball that must go in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Opening {
    kind: OpeningKind,
    radius_m: f64,
    ball_radius_m: f64,
}

/// Why a chance can't be had.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum ChanceError {
    #[error("a ball {:.0} mm across can't go into an opening of {:.0} mm", ball_m * 1e3, opening_m * 1e3)]
    BallTooLarge { ball_m: f64, opening_m: f64 },
    #[error("{what} must be above zero, and {value} is not")]
    NotPositive { what: &'static str, value: f64 },
}

impl ChanceError {
    /// What to change.
    pub fn hint(&self) -> String {
        match self {
            Self::BallTooLarge { .. } => "take a smaller ball or a wider opening; both are diameters",
            Self::NotPositive { .. } => "state it as the diameter or the standard deviation that was measured",
        }
        .to_owned()
    }
}

/// Scatter of the landing place about the aim, as standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Along the flight, m.
    pub along_m: f64,
    /// Across it, m.
    pub across_m: f64,
}

/// A chance as the two figures that geometry can vouch for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bracket {
    /// Certainly in: the ball clears what it must clear.
    pub clean: f64,
    /// The centre passes inside the opening; more can't go in.
    pub centre_inside: f64,
}

impl Bracket {
    /// The two ends as the reader sees them, in whole per cents; one figure when they look the same.
    pub fn in_words(&self) -> String {
        let percent = |share: f64| format!("{:.0} %", share * 100.0);
        let (clean, centre) = (percent(self.clean), percent(self.centre_inside));
        match (clean == centre, clean.as_str()) {
            (true, "100 %") => "practically certain (over 99.5 %)".to_owned(),
            (true, "0 %") => "practically none (under 0.5 %)".to_owned(),
            (true, _) => clean,
            (false, _) => format!("between {clean} (certainly in) and {centre} (centre inside)"),
        }
    }
}

/// Directions in which the rim is looked at; the error of the boundary falls with the square, below 1e-5 of R here.
const RIM_DIRECTIONS: usize = 360;

/// Nodes of the quadrature across the opening. The chord has a square-root end, so the error is about 1/n²: 1e-4.
const ACROSS_NODES: usize = 128;

/// Sine and cosine of the directions, from along the flight (0°) to across it (90° left out).
static DIRECTIONS: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
    let step = std::f64::consts::FRAC_PI_2 / RIM_DIRECTIONS as f64;
    (0..RIM_DIRECTIONS).map(|i| (i as f64 * step).sin_cos()).collect()
});

impl Opening {
    /// # Errors
    /// [`ChanceError`] for a ball that doesn't fit or sizes that aren't above zero.
    pub fn new(kind: OpeningKind, diameter_m: f64, ball_diameter_m: f64) -> Result<Self, ChanceError> {
        let sizes = [("the opening's diameter", diameter_m), ("the ball's diameter", ball_diameter_m)];
        for (what, value) in sizes {
            if !(value.is_finite() && value > 0.0) {
                return Err(ChanceError::NotPositive { what, value });
            }
        }
        if ball_diameter_m >= diameter_m {
            return Err(ChanceError::BallTooLarge { ball_m: ball_diameter_m, opening_m: diameter_m });
        }
        Ok(Self { kind, radius_m: diameter_m / 2.0, ball_radius_m: ball_diameter_m / 2.0 })
    }

    pub const fn kind(&self) -> OpeningKind {
        self.kind
    }

    /// The flattest descent, degrees below the horizontal, at which the ball can clear the rim: asin(r/R) for a ring; for a
    /// cup the near rim alone counts, so sin θ = r/(2R − r).
    pub fn least_descent_deg(&self) -> f64 {
        let (r, big) = (self.ball_radius_m, self.radius_m);
        let sine = match self.kind {
            OpeningKind::Ring => r / big,
            OpeningKind::Cup => r / (2.0 * big - r),
        };
        sine.asin().to_degrees()
    }

    /// Length along the flight, on the middle line, within which the ball's centre must cross the opening to go in clean, m;
    /// 0 when the descent is too flat.
    pub fn clean_window_m(&self, descent_deg: f64) -> f64 {
        self.clean_limits(descent_deg, 0.0).map_or(0.0, |(near, far)| far - near)
    }

    /// How far beyond the opening's centre the middle of the clean window lies, m: where to aim.
    pub fn aim_offset_m(&self, descent_deg: f64) -> f64 {
        self.clean_limits(descent_deg, 0.0).map_or(0.0, |(near, far)| 0.5 * (near + far))
    }

    /// Chance of a hit when the landing place scatters normally about `offset_m` beyond the opening's centre.
    pub fn chance(&self, descent_deg: f64, scatter: Scatter, offset_m: f64) -> Bracket {
        let centre = |y: f64| {
            let half = (self.radius_m * self.radius_m - y * y).max(0.0).sqrt();
            Some((-half, half))
        };
        Bracket {
            clean: self.integrate(scatter, offset_m, |y| self.clean_limits(descent_deg, y)),
            centre_inside: self.integrate(scatter, offset_m, centre),
        }
    }

    /// Nearest and farthest crossing, along the flight from the centre, of a clean hit `y` off the middle line.
    fn clean_limits(&self, descent_deg: f64, y: f64) -> Option<(f64, f64)> {
        let sine = descent_deg.to_radians().sin();
        if sine <= 0.0 {
            return None;
        }
        let rim = self.rim_half_chord(sine, y.abs());
        let far = match self.kind {
            OpeningKind::Ring => rim?,
            OpeningKind::Cup => {
                let inner = self.radius_m - self.ball_radius_m;
                if y.abs() > inner {
                    return None;
                }
                (inner * inner - y * y).sqrt()
            }
        };
        // The near rim of a cup may be cleared even where the far half of the ellipse leaves no room.
        let near = match self.kind {
            OpeningKind::Ring => -rim?,
            OpeningKind::Cup => -self.near_half_chord(sine, y.abs()),
        };
        (far > near).then_some((near, far))
    }

    /// Half-length, on the level, of the ring's clean chord at `y`; `None` where the ball can't pass.
    ///
    /// The centres that stay r inside a convex outline are those with p·n ≤ h(n) − r for every direction n, h being the
    /// outline's support function, here √((a n₁)² + (b n₂)²). That form needs no distance to an ellipse.
    fn rim_half_chord(&self, sine: f64, y: f64) -> Option<f64> {
        let half = self.near_half_chord(sine, y);
        let across_free = y <= self.radius_m - self.ball_radius_m;
        (half >= 0.0 && across_free).then_some(half)
    }

    /// How far before the centre the near rim lets the ball pass at `y`; negative when only beyond the centre.
    fn near_half_chord(&self, sine: f64, y: f64) -> f64 {
        let (along, across) = (self.radius_m * sine, self.radius_m);
        let limit = DIRECTIONS.iter().map(|(n_across, n_along)| {
            let support = ((along * n_along).powi(2) + (across * n_across).powi(2)).sqrt();
            (support - self.ball_radius_m - y * n_across) / n_along
        });
        limit.fold(f64::INFINITY, f64::min) / sine
    }

    fn integrate(&self, scatter: Scatter, offset_m: f64, limits: impl Fn(f64) -> Option<(f64, f64)>) -> f64 {
        let within = |y: f64| {
            limits(y).map_or(0.0, |(near, far)| probability_between(near - offset_m, far - offset_m, scatter.along_m))
        };
        if scatter.across_m <= 0.0 {
            return within(0.0);
        }
        // y = R sin φ crowds the nodes where the chord shrinks; symmetric, so one half is computed.
        let normal = Normal::new(0.0, scatter.across_m).expect("a standard deviation above zero");
        let step = std::f64::consts::FRAC_PI_2 / ACROSS_NODES as f64;
        let sum: f64 = (0..ACROSS_NODES)
            .map(|i| {
                let (sin, cos) = ((i as f64 + 0.5) * step).sin_cos();
                let y = self.radius_m * sin;
                normal.pdf(y) * within(y) * self.radius_m * cos
            })
            .sum();
        (2.0 * sum * step).clamp(0.0, 1.0)
    }
}

/// P(a < X < b) for X normal about nought; a spread of nought is a certain place.
fn probability_between(a: f64, b: f64, sigma: f64) -> f64 {
    match Normal::new(0.0, sigma) {
        Ok(normal) if sigma > 0.0 => normal.cdf(b) - normal.cdf(a),
        _ => f64::from(u8::from(a < 0.0 && b > 0.0)),
    }
}

/// What recorded hits and misses teach about the share of the doubtful shots (between clean and centre inside) that go in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LearntShare {
    pub mean: f64,
    /// Equal-tailed 95 % interval.
    pub low: f64,
    pub high: f64,
}

impl LearntShare {
    /// The chance, with its interval, that this share makes of a bracket.
    pub fn chance(&self, bracket: Bracket) -> (f64, f64, f64) {
        let at = |share: f64| bracket.clean + share * (bracket.centre_inside - bracket.clean);
        (at(self.mean), at(self.low), at(self.high))
    }
}

/// Hits and misses at a target for which `bracket` was predicted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tried {
    pub bracket: Bracket,
    pub hits: u32,
    pub misses: u32,
}

/// All that recorded hits and misses can teach.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Taught {
    pub tried: Vec<Tried>,
    /// Hits and misses that don't count: at which target isn't stated, or it is one that this ball doesn't fit or reach.
    pub unplaced: u32,
}

impl Tried {
    const fn shots(&self) -> u32 {
        self.hits + self.misses
    }

    fn width(&self) -> f64 {
        self.bracket.centre_inside - self.bracket.clean
    }
}

/// Learns the share from what was shot at each target: it is the same at all of them, for it is the rim's and the ball's.
///
/// Bayes with a flat prior and the binomial likelihood of P = clean + share·(inside − clean) for each target, on a grid; with one
/// bracket from 0 to 1 that is the Beta(hits + 1, misses + 1) posterior. `None` without shots, or when no bracket has a width and
/// the share therefore doesn't matter.
pub fn learn_share(tried: &[Tried]) -> Option<LearntShare> {
    const CELLS: usize = 4000;
    if !tried.iter().any(|tried| tried.shots() > 0 && tried.width() > 1e-9) {
        return None;
    }
    let share = |i: usize| (i as f64 + 0.5) / CELLS as f64;
    let log_of_one = |tried: &Tried, i: usize| {
        let p = (tried.bracket.clean + share(i) * tried.width()).clamp(1e-12, 1.0 - 1e-12);
        f64::from(tried.hits) * p.ln() + f64::from(tried.misses) * (1.0 - p).ln()
    };
    let log_likelihood = |i: usize| tried.iter().map(|tried| log_of_one(tried, i)).sum::<f64>();
    let logs: Vec<f64> = (0..CELLS).map(log_likelihood).collect();
    let largest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = logs.iter().map(|log| (log - largest).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mean = weights.iter().enumerate().map(|(i, weight)| share(i) * weight).sum::<f64>() / total;
    let quantile = |q: f64| {
        let mut sum = 0.0;
        let reached = weights.iter().position(|weight| {
            sum += weight / total;
            sum >= q
        });
        share(reached.unwrap_or(CELLS - 1))
    };
    Some(LearntShare { mean, low: quantile(0.025), high: quantile(0.975) })
}

/// How recorded shots stand to the bracket that was predicted for them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Record {
    /// Between the two figures, as far as so many shots can tell.
    Fits,
    /// Fewer hits than even the lower figure lets expect.
    TooFewHits,
    /// More hits than even the upper figure lets expect.
    TooManyHits,
}

/// Tests hits and misses against what was predicted: the record doesn't fit when the binomial tail beyond it is below 2.5 %.
///
/// Over several targets with the mean of their chances, weighted by the shots: a sum of trials with unequal chances scatters less
/// than a binomial of their mean (Hoeffding, Ann. Math. Stat. 27 (1956) 713; from memory), so that no record is doubted too early.
pub fn judge_record(tried: &[Tried]) -> Record {
    let total = |of: fn(&Tried) -> u32| tried.iter().map(|tried| u64::from(of(tried))).sum::<u64>();
    let (hits, shots) = (total(|tried| tried.hits), total(Tried::shots));
    if shots == 0 {
        return Record::Fits;
    }
    let mean = |of: fn(&Bracket) -> f64| {
        tried.iter().map(|tried| f64::from(tried.shots()) * of(&tried.bracket)).sum::<f64>() / shots as f64
    };
    let bracket = Bracket { clean: mean(|b| b.clean), centre_inside: mean(|b| b.centre_inside) };
    let at_most = |chance: f64, count: u64| Binomial::new(chance.clamp(0.0, 1.0), shots).map_or(1.0, |b| b.cdf(count));
    let at_least = |chance: f64, count: u64| count.checked_sub(1).map_or(1.0, |below| 1.0 - at_most(chance, below));
    if at_most(bracket.clean, hits) < 0.025 {
        Record::TooFewHits
    } else if at_least(bracket.centre_inside, hits) < 0.025 {
        Record::TooManyHits
    } else {
        Record::Fits
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand_distr::Distribution;

    fn ring(diameter: f64, ball: f64) -> Opening {
        Opening::new(OpeningKind::Ring, diameter, ball).unwrap()
    }

    #[test]
    fn straight_down_with_equal_scatter_is_a_rayleigh_probability() {
        // For a round target and circular normal scatter P(distance < a) = 1 − exp(−a²/2s²).
        let scatter = Scatter { along_m: 0.03, across_m: 0.03 };
        let bracket = ring(0.09, 0.04).chance(90.0, scatter, 0.0);
        let rayleigh = |a: f64| 1.0 - (-a * a / (2.0 * 0.03 * 0.03f64)).exp();
        // Quadrature with 128 nodes: below 1e-4.
        assert!((bracket.centre_inside - rayleigh(0.045)).abs() < 1e-4, "{bracket:?}");
        assert!((bracket.clean - rayleigh(0.025)).abs() < 1e-4, "{bracket:?}");
    }

    #[test]
    fn the_middle_line_has_the_published_windows() {
        let (r, big, theta) = (0.02, 0.045, 55f64);
        let sine = theta.to_radians().sin();
        let ring = ring(2.0 * big, 2.0 * r);
        // Ring 2(R − r/sin θ), cup 2R − r(1 + 1/sin θ) with its middle (r/2)(1/sin θ − 1) beyond the centre. The scan over
        // directions contains the deciding one, so only rounding remains.
        assert!((ring.clean_window_m(theta) - 2.0 * (big - r / sine)).abs() < 1e-12);
        let cup = Opening::new(OpeningKind::Cup, 2.0 * big, 2.0 * r).unwrap();
        assert!((cup.clean_window_m(theta) - (2.0 * big - r * (1.0 + 1.0 / sine))).abs() < 1e-12);
        assert!((cup.aim_offset_m(theta) - 0.5 * r * (1.0 / sine - 1.0)).abs() < 1e-12);
    }

    #[test]
    fn the_least_angle_of_a_basketball_is_brancazios() {
        // Ball 9.5 in, ring 18 in: 32° (Brancazio 1981, from memory), given to the degree.
        let basket = ring(18.0 * 0.0254, 9.5 * 0.0254);
        assert!((basket.least_descent_deg() - 32.0).abs() < 0.5, "{}", basket.least_descent_deg());
        assert_eq!(basket.clean_window_m(31.0), 0.0);
        assert!(basket.clean_window_m(33.0) > 0.0);
        let scatter = Scatter { along_m: 0.01, across_m: 0.01 };
        assert_eq!(basket.chance(31.0, scatter, 0.0).clean, 0.0);
    }

    #[test]
    fn the_clean_chance_agrees_with_throwing_balls_at_a_rim() {
        // Independent of the support function: distance of the ball's path from points all round the rim.
        let (r, big, theta) = (0.02, 0.045, 50f64.to_radians());
        let scatter = Scatter { along_m: 0.022, across_m: 0.015 };
        let along = rand_distr::Normal::new(0.0, scatter.along_m).unwrap();
        let across = rand_distr::Normal::new(0.0, scatter.across_m).unwrap();
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let clears = |x: f64, y: f64| {
            x.hypot(y) < big
                && (0..360).all(|degree| {
                    let (sin, cos) = f64::from(degree).to_radians().sin_cos();
                    let (dx, dy) = (big * cos - x, big * sin - y);
                    // Distance from a rim point to the line through (x, y) along (cos θ, 0, −sin θ).
                    (dx * theta.sin()).hypot(dy) >= r
                })
        };
        let trials = 20_000;
        let hits = (0..trials).filter(|_| clears(along.sample(&mut random), across.sample(&mut random))).count();
        let simulated = hits as f64 / f64::from(trials);
        let computed = ring(2.0 * big, 2.0 * r).chance(50.0, scatter, 0.0).clean;
        // Binomial sd 0.0035; three of them, and 1e-4 of quadrature.
        assert!((simulated - computed).abs() < 0.0107, "{simulated} against {computed}");
    }

    #[test]
    fn a_measured_set_of_free_throws_lies_in_the_bracket() {
        // 125 recorded throws, 70.4 % made: ring 228.6 mm, ball 120 mm (radii), entry 43.9°, scatter 102 along and 90 across.
        let basket = ring(2.0 * 0.2286, 2.0 * 0.120);
        let bracket = basket.chance(43.9, Scatter { along_m: 0.102, across_m: 0.090 }, 0.0);
        assert!(bracket.clean < 0.704 && 0.704 < bracket.centre_inside, "{bracket:?}");
        // 7 % of the centres passed outside; a binomial count of about 9 in 125 scatters by 2.3 %.
        assert!((bracket.centre_inside - 0.93).abs() < 0.05, "{bracket:?}");
    }

    #[test]
    fn chances_of_a_level_shot_at_a_cup_agree_with_earlier_quadrature() {
        // Ball 40 mm, cup 90 mm, 4 m/s; computed beforehand by another quadrature, two figures: speed scatter, angle scatter
        // (both ways), chance at 45° and at 60°.
        let cup = Opening::new(OpeningKind::Cup, 0.090, 0.040).unwrap();
        for (relative, degrees, at_45, at_60) in
            [(0.005, 0.25, 0.77, 0.85), (0.01, 0.5, 0.38, 0.47), (0.02, 1.0, 0.12, 0.16)]
        {
            for (angle, expected) in [(45f64, at_45), (60.0, at_60)] {
                let range = 16.0 / 9.81 * (2.0 * angle).to_radians().sin();
                let per_degree = 2.0 * 16.0 / 9.81 * (2.0 * angle).to_radians().cos() * 1f64.to_radians();
                let along_m = (2.0 * range * relative).hypot(per_degree * degrees);
                let scatter = Scatter { along_m, across_m: range * degrees.to_radians() };
                let chance = cup.chance(angle, scatter, cup.aim_offset_m(angle)).clean;
                assert!((chance - expected).abs() < 0.02, "{angle}° {relative}: {chance} against {expected}");
            }
        }
    }

    fn tried(bracket: Bracket, hits: u32, misses: u32) -> Tried {
        Tried { bracket, hits, misses }
    }

    /// Targets teach one share together: split over two with the same bracket it is learnt as from one, and one where nothing is
    /// doubtful teaches nothing.
    #[test]
    fn several_targets_teach_one_share() {
        let bracket = Bracket { clean: 0.3, centre_inside: 0.9 };
        let sure = Bracket { clean: 1.0, centre_inside: 1.0 };
        let one = learn_share(&[tried(bracket, 7, 3)]).unwrap();
        let two = learn_share(&[tried(bracket, 5, 1), tried(bracket, 2, 2), tried(sure, 9, 0)]).unwrap();
        // Sums in another order.
        assert!((one.mean - two.mean).abs() < 1e-12 && (one.low - two.low).abs() < 1e-12, "{one:?} {two:?}");
        assert_eq!(learn_share(&[tried(sure, 9, 0)]), None);
    }

    #[test]
    fn a_full_bracket_learns_the_beta_posterior() {
        let whole = Bracket { clean: 0.0, centre_inside: 1.0 };
        let share = learn_share(&[tried(whole, 7, 3)]).unwrap();
        let beta = statrs::distribution::Beta::new(8.0, 4.0).unwrap();
        // Cells of 1/4000.
        assert!((share.mean - 8.0 / 12.0).abs() < 3e-4);
        assert!((share.low - beta.inverse_cdf(0.025)).abs() < 5e-4);
        assert!((share.high - beta.inverse_cdf(0.975)).abs() < 5e-4);
    }

    #[test]
    fn records_that_do_not_fit_are_noticed() {
        let bracket = Bracket { clean: 0.6, centre_inside: 0.8 };
        assert_eq!(judge_record(&[tried(bracket, 7, 3)]), Record::Fits);
        // Binomial table, n = 10, p = 0.6: P(X ≤ 2) = 0.0123 and P(X ≤ 3) = 0.0548; p = 0.8: P(X = 10) = 0.107.
        assert_eq!(judge_record(&[tried(bracket, 2, 8)]), Record::TooFewHits);
        assert_eq!(judge_record(&[tried(bracket, 3, 7)]), Record::Fits);
        assert_eq!(judge_record(&[tried(bracket, 10, 0)]), Record::Fits);
        // 0.8^20 = 0.0115.
        assert_eq!(judge_record(&[tried(bracket, 20, 0)]), Record::TooManyHits);
        assert_eq!(judge_record(&[tried(bracket, 0, 0)]), Record::Fits);
    }

    #[test]
    fn nothing_is_learnt_from_nothing() {
        assert_eq!(learn_share(&[tried(Bracket { clean: 0.3, centre_inside: 0.9 }, 0, 0)]), None);
        assert_eq!(learn_share(&[tried(Bracket { clean: 0.5, centre_inside: 0.5 }, 5, 5)]), None);
    }

    #[test]
    fn balls_that_do_not_fit_are_refused() {
        assert!(matches!(Opening::new(OpeningKind::Ring, 0.05, 0.05), Err(ChanceError::BallTooLarge { .. })));
        assert!(matches!(Opening::new(OpeningKind::Cup, -0.05, 0.05), Err(ChanceError::NotPositive { .. })));
    }

    proptest! {
        #[test]
        fn chances_are_ordered(
            ball in 0.2..0.95, theta in 5.0..90.0, along in 0.001..0.1, across in 0.0..0.1, offset in -0.02..0.02
        ) {
            let scatter = Scatter { along_m: along, across_m: across };
            let ring = ring(0.1, 0.1 * ball).chance(theta, scatter, offset);
            let cup = Opening::new(OpeningKind::Cup, 0.1, 0.1 * ball).unwrap().chance(theta, scatter, offset);
            // The scan over directions makes the chord of a ring up to 1e-5 of R too long: 0.5 µm here, against a spread of
            // 1 mm at least 2e-4 of probability.
            prop_assert!(ring.clean <= cup.clean + 5e-4);
            prop_assert!(cup.clean <= cup.centre_inside + 1e-9);
            prop_assert!((0.0..=1.0).contains(&ring.clean) && cup.centre_inside <= 1.0);
        }
    }
}
