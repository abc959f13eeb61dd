//! Outliers: a start that false sightings can't spoil, then Tukey's weights on the joint distance of both coordinates.

use rand::seq::index::sample;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

use super::FEWEST_SIGHTINGS;
use super::motion::State;
use super::problem::{Problem, whiten};
use super::view::FlightView;
use crate::sight::Sighting;
use crate::units::{MetrePoint, PixelPoint};

/// Tukey's constant for the joint distance of two coordinates with known noise: 95 % efficiency for clean data in two
/// dimensions.
pub const TUKEY_JOINT: f64 = 6.08;

/// Beyond this joint distance a sighting is rejected for good: chance of it in clean data exp(−4²/2) = 0.03 % a sighting.
pub const REJECT_BEYOND: f64 = 4.0;

/// How many triplets are tried at most for the start: all of 17 sightings. Of more, with half of them false the chance that none
/// is clean is (1 − 1/8)^700, and among so many some clean one is spread over the flight.
const TRIPLETS: usize = 700;

/// Distances below this many standard deviations count as this many: that a triplet happens to run through others' noise
/// tells nothing. Seven in eight of clean sightings lie within it.
const NO_NEARER: f64 = 2.0;

/// Beyond so many standard deviations a start is rougher than wrong covariances alone make it: either the path is bent, or false
/// sightings lie about it in a band. Both are then tried. Covariances are met that are four times too small, and clean sightings
/// lie within four of their standard deviations.
pub(super) const ROUGH_START: f64 = 16.0;

/// A parabola through three sightings: state at `reference_s`, and its acceleration.
#[derive(Debug, Clone, Copy)]
pub(super) struct Start {
    pub state: State,
    pub acceleration: (f64, f64),
    /// Standard deviation of the joint distances of the sightings that lie on it, 1 when their covariances are right.
    pub scale: f64,
}

/// The triplet's parabola that chance would explain least. `None` when no three sightings have distinct times and places in
/// the plane.
///
/// A parabola with k of n sightings within a joint distance r is met by chance so many times among false sightings spread over
/// the flight's box: C(n, k)·C(k, 3)·p^(k − 3), p the share of the box within r. The least of it over k is the
/// parabola's score (a-contrario rule with a free threshold: Moisan & Stival 2004). Unlike the least median it needs no
/// majority of true sightings, and unlike a fixed threshold no knowledge of the noise. Distances above `within` aren't considered.
pub(super) fn least_likely_chance(
    sightings: &[Sighting],
    view: &dyn FlightView,
    reference_s: f64,
    within: f64,
) -> Option<Start> {
    let points: Vec<(f64, MetrePoint)> = sightings
        .iter()
        .map(|s| Some((s.time_s + view.row_time_s(s.centre_px) - reference_s, view.metre_from_pixel(s.centre_px)?)))
        .collect::<Option<_>>()?;
    let chance = Chance::over(sightings);
    let candidates = triplets(points.len()).into_iter().filter_map(|triplet| {
        let (state, acceleration) = parabola_through(triplet.map(|i| points[i]))?;
        let mut start = Start { state, acceleration, scale: f64::NAN };
        let mut distances = start_distances(&start, sightings, view, reference_s)?;
        distances.sort_by(f64::total_cmp);
        let (score, inside) = chance.of(&distances, within)?;
        start.scale = scale_of_median(median(&mut distances[..inside]).powi(2), inside);
        Some((score, start))
    });
    candidates.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, start)| start)
}

/// What chance does to false sightings spread evenly over the box of the flight.
struct Chance {
    /// ln of the share of the box within one standard deviation of a point.
    ln_share: f64,
    /// ln(C(n, k)·C(k, 3)) by k.
    ln_choices: Vec<f64>,
}

impl Chance {
    fn over(sightings: &[Sighting]) -> Self {
        let n = sightings.len();
        let extent = |value: fn(&Sighting) -> f64| {
            let (low, high) = sightings
                .iter()
                .map(value)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
            high - low
        };
        // A drop has a narrow box; false sightings are as wide as long.
        let side = extent(|s| s.centre_px.x).max(extent(|s| s.centre_px.y)).max(1.0);
        let ln_area = |s: &Sighting| {
            let c = s.covariance_px2;
            0.5 * (c.xx * c.yy - c.xy * c.xy).ln()
        };
        let ln_spot = std::f64::consts::PI.ln() + sightings.iter().map(ln_area).sum::<f64>() / n as f64;
        let mut ln_factorial = vec![0.0; n + 1];
        (1..=n).for_each(|i| ln_factorial[i] = ln_factorial[i - 1] + (i as f64).ln());
        let choices = |n: usize, k: usize| ln_factorial[n] - ln_factorial[k] - ln_factorial[n - k];
        let ln_choices = (0..=n).map(|k| if k < 3 { 0.0 } else { choices(n, k) + choices(k, 3) }).collect();
        Self { ln_share: ln_spot - 2.0 * side.ln(), ln_choices }
    }

    /// ln of the least expected number, and how many sightings then lie on the path; `distances` in rising order. `None` where
    /// too few lie within the limit.
    fn of(&self, distances: &[f64], within: f64) -> Option<(f64, usize)> {
        let score = |k: usize| {
            let share = (self.ln_share + 2.0 * distances[k - 1].max(NO_NEARER).ln()).min(0.0);
            self.ln_choices[k] + (k - 3) as f64 * share
        };
        let most = distances.partition_point(|r| *r <= within);
        (FEWEST_SIGHTINGS..=most).map(|k| (score(k), k)).min_by(|a, b| a.0.total_cmp(&b.0))
    }
}

/// Standard deviation from the median of squared joint distances: for two normal coordinates the median is 2·ln 2. The
/// factor for few sightings is the usual one, 1 + 5/(n − p).
pub(super) fn scale_of_median(median_squared: f64, count: usize) -> f64 {
    let few = 1.0 + 5.0 / (2 * count).saturating_sub(5).max(1) as f64;
    few * (median_squared / (2.0 * std::f64::consts::LN_2)).sqrt()
}

pub(super) fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n % 2 == 1 { values[n / 2] } else { 0.5 * (values[n / 2 - 1] + values[n / 2]) }
}

fn triplets(n: usize) -> Vec<[usize; 3]> {
    let all = n * n.saturating_sub(1) * n.saturating_sub(2) / 6;
    if all <= TRIPLETS {
        return (0..n).flat_map(|i| (i + 1..n).flat_map(move |j| (j + 1..n).map(move |k| [i, j, k]))).collect();
    }
    // A fixed seed: the same clip gives the same start every time.
    let mut random = ChaCha8Rng::seed_from_u64(0x10b1);
    (0..TRIPLETS)
        .map(|_| {
            let chosen = sample(&mut random, n, 3);
            [chosen.index(0), chosen.index(1), chosen.index(2)]
        })
        .collect()
}

/// Constant acceleration through three timed places, by divided differences; state at time nought.
fn parabola_through([a, b, c]: [(f64, MetrePoint); 3]) -> Option<(State, (f64, f64))> {
    let coordinate = |pa: f64, pb: f64, pc: f64| {
        let first = (pb - pa) / (b.0 - a.0);
        let second = ((pc - pb) / (c.0 - b.0) - first) / (c.0 - a.0);
        let velocity = first - second * (a.0 + b.0);
        (pa - a.0 * (velocity + second * a.0), velocity, 2.0 * second)
    };
    let (x, vx, ax) = coordinate(a.1.x, b.1.x, c.1.x);
    let (y, vy, ay) = coordinate(a.1.y, b.1.y, c.1.y);
    [x, y, vx, vy, ax, ay].iter().all(|v| v.is_finite()).then_some((State { x, y, vx, vy }, (ax, ay)))
}

/// Joint distances of all sightings from a start's own parabola, in units of their covariances.
pub(super) fn start_distances(
    start: &Start,
    sightings: &[Sighting],
    view: &dyn FlightView,
    reference_s: f64,
) -> Option<Vec<f64>> {
    let (ax, ay) = start.acceleration;
    let distance = |s: &Sighting| {
        let tau = s.time_s + view.row_time_s(s.centre_px) - reference_s;
        let x = start.state.x + tau * (start.state.vx + 0.5 * ax * tau);
        let y = start.state.y + tau * (start.state.vy + 0.5 * ay * tau);
        let seen = view.pixel_from_metre(MetrePoint::new(x, y))?;
        let residual = PixelPoint::new(s.centre_px.x - seen.x, s.centre_px.y - seen.y);
        let (a, b) = whiten(residual, s.covariance_px2);
        Some(a.hypot(b))
    };
    sightings.iter().map(distance).collect()
}

/// Tukey's weight at a distance of `r` standard deviations.
pub(super) fn tukey(r: f64) -> f64 {
    let inside = 1.0 - (r / TUKEY_JOINT).powi(2);
    if inside > 0.0 { inside * inside } else { 0.0 }
}

/// How much worse than their covariances the sightings in use of all flights lie from the fit, judged by the median; 1 unless it
/// is plainly (half as much again) more.
pub(super) fn robust_scale(problem: &Problem, parameters: &[f64]) -> Option<f64> {
    let mut squared = Vec::new();
    for (flight, track) in problem.tracks.iter().enumerate() {
        let distances = problem.distances(flight, parameters)?;
        squared.extend(distances.iter().zip(&track.weights).filter(|(_, w)| **w > 0.0).map(|(r, _)| r * r));
    }
    let scale = scale_of_median(median(&mut squared), squared.len());
    Some(if scale > 1.5 { scale } else { 1.0 })
}
