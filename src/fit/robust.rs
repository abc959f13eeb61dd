//! Outliers: a start that half the sightings can't spoil, then Tukey's weights on the joint distance of both coordinates.

use rand::seq::index::sample;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

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

/// How many triplets are tried at most for the start: with 40 % false sightings the chance that none is clean is under 1e-9.
const TRIPLETS: usize = 400;

/// A parabola through three sightings: state at `reference_s`, and its acceleration.
#[derive(Debug, Clone, Copy)]
pub(super) struct Start {
    pub state: State,
    pub acceleration: (f64, f64),
    /// Least median of squared joint distances, brought to the scale of one standard deviation (Rousseeuw 1984).
    pub scale: f64,
}

/// The triplet's parabola whose median squared distance from all sightings is least. `None` when no three sightings have
/// distinct times and places in the plane.
pub(super) fn least_median_start(sightings: &[Sighting], view: &dyn FlightView, reference_s: f64) -> Option<Start> {
    let points: Vec<(f64, MetrePoint)> = sightings
        .iter()
        .map(|s| Some((s.time_s + view.row_time_s(s.centre_px) - reference_s, view.metre_from_pixel(s.centre_px)?)))
        .collect::<Option<_>>()?;
    let candidates = triplets(points.len()).into_iter().filter_map(|triplet| {
        let (state, acceleration) = parabola_through(triplet.map(|i| points[i]))?;
        let mut start = Start { state, acceleration, scale: f64::NAN };
        let mut distances = start_distances(&start, sightings, view, reference_s)?;
        start.scale = scale_of_median(median(&mut distances).powi(2), points.len());
        Some(start)
    });
    candidates.min_by(|a, b| a.scale.total_cmp(&b.scale))
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

/// How much worse than their covariances the sightings of all flights lie from the fit, judged by the median; 1 unless it
/// is plainly (half as much again) more.
pub(super) fn robust_scale(problem: &Problem, parameters: &[f64]) -> Option<f64> {
    let mut squared = Vec::new();
    for flight in 0..problem.tracks.len() {
        squared.extend(problem.distances(flight, parameters)?.iter().map(|r| r * r));
    }
    let scale = scale_of_median(median(&mut squared), squared.len());
    Some(if scale > 1.5 { scale } else { 1.0 })
}
