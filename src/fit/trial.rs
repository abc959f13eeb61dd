//! Simulated sightings with a known truth, for checking the fit: no pictures, only places, times and noise.

use rand::{Rng, RngExt};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution as Draw, StandardNormal};

use super::budget::{Budget, BudgetResult, Conditions, budget};
use super::evaluate::given;
use super::launch::Launch;
use super::motion::{BallInAir, Motion, State};
use super::robust::median;
use super::terms::Terms;
use super::view::{FlightView, PlainScale, PlainScaleUncertainty};
use super::{FitOptions, FlightInput, fit_flight};
use crate::flight::air::AirState;
use crate::flight::drag::{DRAG_EXPONENT_UNCERTAINTY, DRAG_RELATIVE_UNCERTAINTY};
use crate::sight::{Sighting, SightingSource};
use crate::units::{Covariance2, MetrePoint, PixelPoint};

/// A throw whose truth is known. The state holds at time nought.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throw {
    pub launch: State,
    pub gravity_m_per_s2: f64,
    /// Direction of gravity from −y of the camera's plane, rad, towards +x.
    pub roll_rad: f64,
    pub motion: Motion,
    pub drag_factor: f64,
    pub drag_exponent: f64,
    /// Acceleration by the launcher beside that of the flight, until time nought, m/s², x and y.
    pub push: (f64, f64),
}

impl Throw {
    /// In a vacuum, square to the camera, from a point with a speed and an angle above the horizontal; `direction` is +1 to
    /// the right and −1 to the left.
    pub fn new(from: MetrePoint, speed_m_per_s: f64, angle_deg: f64, direction: f64) -> Self {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        let launch = State { x: from.x, y: from.y, vx: direction * speed_m_per_s * cos, vy: speed_m_per_s * sin };
        Self {
            launch,
            gravity_m_per_s2: 9.81,
            roll_rad: 0.0,
            motion: Motion::Vacuum,
            drag_factor: 1.0,
            drag_exponent: 0.0,
            push: (0.0, 0.0),
        }
    }

    /// States at times after the launch.
    pub fn states(&self, taus_s: &[f64]) -> Option<Vec<State>> {
        let (sin, cos) = self.roll_rad.sin_cos();
        let field = (self.gravity_m_per_s2 * sin, -self.gravity_m_per_s2 * cos);
        self.motion.with_drag_exponent(self.drag_exponent).states(self.launch, field, self.drag_factor, taus_s)
    }

    /// True launch speed (m/s), angle (deg) and gravity (m/s²).
    pub fn truth(&self) -> [f64; 3] {
        super::launch::derived(self.launch, self.gravity_m_per_s2, self.roll_rad)
    }

    /// Where the camera sees the ball in the frame of time `time_s`: the row time depends on the place and the place on the
    /// row time, which three rounds settle to far below a hundredth of a pixel.
    pub fn seen(&self, camera: &dyn FlightView, time_s: f64) -> Option<PixelPoint> {
        let mut exposed_at = time_s;
        let mut seen = None;
        for _ in 0..6 {
            let state = self.states(&[exposed_at])?[0];
            let pushed = 0.5 * exposed_at.min(0.0).powi(2);
            let (x, y) = (state.x + pushed * self.push.0, state.y + pushed * self.push.1);
            let pixel = camera.pixel_from_metre(MetrePoint::new(x, y))?;
            exposed_at = time_s + camera.row_time_s(pixel);
            seen = Some(pixel);
        }
        seen
    }

    /// Sightings in frames at `times_s`, each coordinate with normal noise of `sigma_px`, which is also what their
    /// covariances say.
    pub fn film(
        &self,
        camera: &dyn FlightView,
        times_s: &[f64],
        sigma_px: f64,
        random: &mut impl Rng,
    ) -> Vec<Sighting> {
        let mut noise = || -> f64 { sigma_px * <StandardNormal as Draw<f64>>::sample(&StandardNormal, random) };
        let seen = times_s.iter().enumerate().filter_map(|(i, &t)| self.seen(camera, t).map(|p| (i, t, p)));
        seen.map(|(i, t, p)| sighting(i, t, PixelPoint::new(p.x + noise(), p.y + noise()), sigma_px)).collect()
    }
}

/// A sighting with nothing but what the fit uses.
pub fn sighting(frame: usize, time_s: f64, centre_px: PixelPoint, sigma_px: f64) -> Sighting {
    Sighting {
        frame,
        time_s,
        centre_px,
        covariance_px2: Covariance2::isotropic(sigma_px),
        radius_px: 10.0,
        streak_px: None,
        visible: 1.0,
        signal_to_noise: 30.0,
        source: SightingSource::Found,
    }
}

/// Moves a share of the sightings to false places, evenly within `reach_px` on either axis of the true ones; gives how
/// many were moved.
pub fn make_false(sightings: &mut [Sighting], share: f64, reach_px: f64, random: &mut impl Rng) -> usize {
    let mut moved = 0;
    for s in sightings.iter_mut() {
        if random.random::<f64>() < share {
            s.centre_px.x += random.random_range(-reach_px..reach_px);
            s.centre_px.y += random.random_range(-reach_px..reach_px);
            moved += 1;
        }
    }
    moved
}

/// Frame times `0, 1/rate, …`.
pub fn frame_times(rate_hz: f64, count: usize) -> Vec<f64> {
    (0..count).map(|i| i as f64 / rate_hz).collect()
}

/// Least possible standard uncertainty of g from N places `dt` apart with noise `sigma` (m) on each: the Cramér–Rao bound
/// 12·√5·σ/(dt²·√(N(N²−1)(N²−4))).
pub fn gravity_bound(sigma_m: f64, dt_s: f64, count: usize) -> f64 {
    let n = count as f64;
    12.0 * 5f64.sqrt() * sigma_m / (dt_s * dt_s * (n * (n * n - 1.0) * (n * n - 4.0)).sqrt())
}

/// How near a fit comes to the bound: the bound on the variance of g over its mean squared error; 1 is perfect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Efficiency {
    pub reached: f64,
    /// What a fit would reach that was told which sightings are false.
    pub told: f64,
}

/// Efficiency for g over `trials` flights of 16 sightings (4 m/s at 45°, 30 Hz, 0.1 px, 1.30 mm/px). `false_share` of the
/// sightings lie up to 60 px off; the bound is that of all 16.
pub fn gravity_efficiency(trials: usize, false_share: f64, seed: u64) -> Efficiency {
    let view = PlainScale::new(0.0013, PixelPoint::new(300.0, 800.0));
    let (sigma, times) = (0.1, frame_times(30.0, 16));
    let bound = gravity_bound(sigma * 0.0013, 1.0 / 30.0, 16);
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    // A flight that can't be fitted counts as one that is wholly wrong.
    let squared_error = |sightings: &[Sighting], options: &FitOptions| {
        fit_flight(sightings, &view, options).map_or(9.81, |fit| fit.gravity_m_per_s2.value - 9.81).powi(2)
    };
    let plain = FitOptions { robust: false, ..FitOptions::default() };
    let (mut reached, mut told) = (0.0, 0.0);
    for _ in 0..trials {
        let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
        let mut sightings = throw.film(&view, &times, sigma, &mut random);
        let clean = sightings.clone();
        make_false(&mut sightings, false_share, 60.0, &mut random);
        reached += squared_error(&sightings, &FitOptions::default());
        let kept: Vec<Sighting> = sightings.into_iter().zip(&clean).filter(|(s, c)| s == *c).map(|(s, _)| s).collect();
        told += squared_error(&kept, &plain);
    }
    let efficiency = |squared: f64| bound * bound * trials as f64 / squared;
    Efficiency { reached: efficiency(reached), told: efficiency(told) }
}

/// Shares of truths inside the 95 % intervals, for launch speed, launch angle and gravity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    pub flights: usize,
    pub inside: [f64; 3],
    /// Median half-width of the intervals over the true value.
    pub relative_width: [f64; 3],
    /// Median of standard uncertainty over the least possible one: what is stated, sightings exactly as rough as stated, none lost.
    pub width_over_bound: [f64; 3],
    /// Of the same flights fitted with gravity given.
    pub given: GivenCoverage,
    pub failed: usize,
}

/// Shares of truths inside the 95 % intervals with gravity given, for launch speed and launch angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GivenCoverage {
    pub inside: [f64; 2],
    /// Median half-width of the intervals over the true value.
    pub relative_width: [f64; 2],
    /// Median of the half-width over that with gravity free.
    pub over_free: [f64; 2],
    /// Share of the flights that couldn't be fitted so.
    pub failed: f64,
}

/// One flight as it was, and as a user would state it.
struct Filmed {
    throw: Throw,
    sightings: Vec<Sighting>,
    stated: PlainScale,
    options: FitOptions,
    conditions: Conditions,
}

/// Standard uncertainty of a gravity that is given for a place on the map, m/s²: a tenth of its range over the Earth.
const GIVEN_GRAVITY_U: f64 = 0.005;

/// Results of one flight, with gravity free and with gravity given.
struct Results {
    free: [BudgetResult; 3],
    given: Option<[BudgetResult; 2]>,
}

/// Simulates varied flights and counts how often their truths lie inside the stated intervals.
pub fn cover_flights(flights: usize, seed: u64) -> Coverage {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    // Its own draws, so that the flights are the same whatever is asked of them.
    let mut places = ChaCha8Rng::seed_from_u64(seed.wrapping_add(1));
    let (mut inside, mut failed) = ([0usize; 3], 0);
    let mut widths: [Vec<f64>; 3] = Default::default();
    let mut over_bound: [Vec<f64>; 3] = Default::default();
    let mut tally = GivenTally::default();
    for _ in 0..flights {
        let mut filmed = film_at_random(&mut random);
        let off: f64 = StandardNormal.sample(&mut places);
        let gravity = filmed.throw.gravity_m_per_s2 + GIVEN_GRAVITY_U * off;
        filmed.options.gravity_given = Some((gravity, GIVEN_GRAVITY_U));
        let Some((results, bound)) = measured(&filmed) else {
            failed += 1;
            continue;
        };
        let truth = filmed.throw.truth();
        for k in 0..3 {
            let (result, half) = (results.free[k], results.free[k].expanded_uncertainty_95);
            inside[k] += usize::from((result.value - truth[k]).abs() <= half);
            widths[k].push(half / truth[k].abs());
            over_bound[k].push(result.combined_standard_uncertainty / bound[k]);
        }
        tally.count(&results, truth);
    }
    let fitted = (flights - failed).max(1) as f64;
    Coverage {
        flights,
        inside: inside.map(|n| n as f64 / fitted),
        relative_width: widths.map(|mut w| median(&mut w)),
        width_over_bound: over_bound.map(|mut w| median(&mut w)),
        given: tally.coverage(fitted),
        failed,
    }
}

#[derive(Default)]
struct GivenTally {
    inside: [usize; 2],
    relative_width: [Vec<f64>; 2],
    over_free: [Vec<f64>; 2],
    failed: usize,
}

impl GivenTally {
    fn count(&mut self, results: &Results, truth: [f64; 3]) {
        let Some(given) = results.given else {
            self.failed += 1;
            return;
        };
        for k in 0..2 {
            let half = given[k].expanded_uncertainty_95;
            self.inside[k] += usize::from((given[k].value - truth[k]).abs() <= half);
            self.relative_width[k].push(half / truth[k].abs());
            self.over_free[k].push(half / results.free[k].expanded_uncertainty_95);
        }
    }

    fn coverage(self, fitted: f64) -> GivenCoverage {
        let with = (fitted - self.failed as f64).max(1.0);
        GivenCoverage {
            inside: self.inside.map(|n| n as f64 / with),
            relative_width: self.relative_width.map(|mut w| median(&mut w)),
            over_free: self.over_free.map(|mut w| median(&mut w)),
            failed: self.failed as f64 / fitted,
        }
    }
}

/// Results with the budget, and the least possible standard uncertainties: the same knowledge, sightings exactly as rough as
/// stated, none lost and nothing pooled.
fn measured(filmed: &Filmed) -> Option<(Results, [f64; 3])> {
    let Filmed { throw, sightings, stated, options, conditions } = filmed;
    let three = |b: &Budget| [b.launch_speed_m_per_s, b.launch_angle_deg, b.gravity_m_per_s2];
    let results = |sightings: &[Sighting], options: &FitOptions| {
        let fit = fit_flight(sightings, stated, options).ok()?;
        let budget = budget(sightings, &fit, stated, options, conditions).ok()?;
        Some((fit, three(&budget)))
    };
    let perfect: Vec<Sighting> = sightings
        .iter()
        .map(|s| Some(Sighting { centre_px: throw.seen(stated, s.time_s)?, ..s.clone() }))
        .collect::<Option<_>>()?;
    let exact = FitOptions { covariance_doubt: 1e-9, robust: false, ..options.clone() };
    let bound = results(&perfect, &exact)?.1.map(|r| r.combined_standard_uncertainty);
    let (fit, free) = results(sightings, options)?;
    let input = [FlightInput { sightings, launch: options.launch }];
    let with = given(&input, std::slice::from_ref(&fit), stated, options, conditions).ok().flatten();
    let given = with.map(|fits| [fits[0].1.launch_speed_m_per_s, fits[0].1.launch_angle_deg]);
    Some((Results { free, given }, bound))
}

/// Draws a flight and its camera, then states them with errors drawn from the stated uncertainties.
fn film_at_random(random: &mut ChaCha8Rng) -> Filmed {
    let mut uniform = |low: f64, high: f64| random.random_range(low..high);
    let (speed, angle, duration) = (uniform(2.5, 6.0), uniform(20.0, 75.0), uniform(0.35, 0.7));
    let direction = if uniform(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 };
    let rate = [30.0, 60.0, 120.0, 240.0][uniform(0.0, 4.0) as usize];
    let (sigma, sigma_wrong_by) = (uniform(0.04, 0.3), uniform(0.75, 1.25));
    let false_share = if uniform(0.0, 1.0) < 0.3 { 0.05 } else { 0.0 };
    let u_scale = uniform(0.0005, 0.004);
    let u_distance = uniform(0.002, 0.01);
    let u_level = uniform(0.3, 1.5).to_radians();
    let u_clock = uniform(0.0001, 0.001);
    let readout_known = uniform(0.0, 1.0) < 0.5;
    let u_readout = if readout_known { 0.001 } else { 0.015f64.min(1.0 / rate / 2.0) };
    let ball = [(0.028, 0.019), (0.058, 0.066), (0.013, 0.070)][uniform(0.0, 3.0) as usize];
    let rows_along_y = uniform(0.0, 1.0) < 0.7;
    let phase = uniform(0.0, 1.0) / rate;
    let (hidden_before, turn) = (uniform(0.0, 1.0), uniform(-1.2, 1.2));
    let stroke_m = uniform(0.01f64.ln(), 0.4f64.ln()).exp();
    let readout_stated = if readout_known { uniform(0.003, 0.015).min(1.0 / rate) } else { 0.0 };
    let mut stated = PlainScale::new(0.0013, PixelPoint::new(if direction > 0.0 { 300.0 } else { 1600.0 }, 800.0));
    stated.rows_along_y = rows_along_y;
    stated.readout_s = readout_stated;
    stated.uncertainty = PlainScaleUncertainty {
        scale_relative: Some(u_scale),
        distance_relative: Some(u_distance),
        level_rad: Some(u_level),
        readout_s: Some(u_readout),
    };
    let mut normal = |u: f64| -> f64 { u * <StandardNormal as Draw<f64>>::sample(&StandardNormal, random) };
    let mut camera = stated.clone();
    camera.metres_per_pixel *= (1.0 + normal(u_scale)) * (1.0 + normal(u_distance));
    camera.readout_s += normal(u_readout);
    let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), speed, angle, direction);
    throw.roll_rad = normal(u_level);
    throw.drag_factor = 1.0 + normal(DRAG_RELATIVE_UNCERTAINTY);
    throw.drag_exponent = normal(DRAG_EXPONENT_UNCERTAINTY);
    let clock = 1.0 + normal(u_clock);
    throw.motion = BallInAir::new(ball.0, ball.1, &AirState::ROOM).map_or(Motion::Vacuum, Motion::InAir);
    let count = (duration * rate) as usize;
    // The launcher's row is exposed a part of the readout after its frame.
    let row_s = camera.pixel_from_metre(MetrePoint::new(0.0, 0.0)).map_or(0.0, |at| camera.row_time_s(at));
    let times: Vec<f64> = (0..count.max(8)).map(|i| phase - row_s + i as f64 / rate).collect();
    let mut sightings = throw.film(&camera, &times, sigma, random);
    make_false(&mut sightings, false_share, 60.0, random);
    let mut not_yet_s = times[0] - 1.0 / rate;
    if hidden_before > 0.5 {
        let (sin, cos) = (turn.sin(), turn.cos());
        let along = 0.5 * speed.powi(2) / stroke_m / speed;
        throw.push = (
            along * (throw.launch.vx * cos - throw.launch.vy * sin),
            along * (throw.launch.vx * sin + throw.launch.vy * cos),
        );
        while let Some(pushed) = taken_for_flight(&throw, &camera, not_yet_s, sigma, random) {
            sightings.insert(0, pushed);
            not_yet_s -= 1.0 / rate;
        }
    }
    for s in &mut sightings {
        s.time_s *= clock;
        s.covariance_px2 = Covariance2::isotropic(sigma * sigma_wrong_by);
    }
    // The last frame before the first on the path is the one in which the ball was not yet off.
    let launch = Launch::Between {
        from_s: not_yet_s * clock,
        to_s: sightings[0].time_s,
        seen_px: Some(sightings[0].centre_px),
        mouth: None,
    };
    let terms = Terms::default().informed_by(&stated).with_air(throw.motion, DRAG_RELATIVE_UNCERTAINTY);
    let options = FitOptions { launch, terms, motion: throw.motion, ..FitOptions::default() };
    let conditions = Conditions { time_base_relative: u_clock, ..Conditions::default() };
    Filmed { throw, sightings, stated, options, conditions }
}

/// The sighting of a frame before the release, where it lies so near the path that it is taken for flight: within four of its
/// standard deviations, and a quarter pixel that blur and glare are allowed.
fn taken_for_flight(
    throw: &Throw,
    camera: &PlainScale,
    time_s: f64,
    sigma_px: f64,
    random: &mut ChaCha8Rng,
) -> Option<Sighting> {
    let free = Throw { push: (0.0, 0.0), ..*throw }.seen(camera, time_s)?;
    let one = throw.film(camera, &[time_s], sigma_px, random).pop()?;
    (free.distance(one.centre_px) < 4.0 * sigma_px + 0.25).then_some(one)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_hold_the_truth_as_often_as_they_say() {
        let coverage = cover_flights(80, 5);
        println!("{coverage:?}");
        assert_eq!(coverage.failed, 0);
        for inside in coverage.inside.into_iter().chain(coverage.given.inside) {
            // 95 % of 80 scatters by 2.4 %: two to three of those. The benchmark runs more flights for 93 to 97 %.
            assert!((0.89..=1.0).contains(&inside), "{coverage:?}");
        }
        assert_eq!(coverage.given.failed, 0.0);
        // Knowing gravity can't make the launch less well known.
        assert!(coverage.given.over_free.iter().all(|ratio| *ratio < 1.0), "{coverage:?}");
    }
}
