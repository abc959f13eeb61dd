//! The search itself: start, rejection of outliers, final least squares, and what follows from it.

use nalgebra::{DMatrix, DVector};

use super::bends::Bends;
use super::budget::{Part, cover};
use super::launch::derived;
use super::noise;
use super::problem::{Problem, Track};
use super::release::{self, Ahead};
use super::result::{
    CameraFound, Contribution, ContributionSource, FlightFit, NoiseStatement, Parameter, PushedResults, Residual,
};
use super::robust::{REJECT_BEYOND, ROUGH_START, Start, least_likely_chance, robust_scale, start_distances, tukey};
use super::terms::{Quantity, Term};
use super::view::{Distribution, FlightView};
use super::{FEWEST_SIGHTINGS, FitError, FitOptions, FlightInput, Launch};
use crate::maths::nonlinear::{Minimum, Residuals, SolverError, SolverOptions, cofactor, minimise};
use crate::sight::Sighting;
use crate::units::{Estimate, MetrePoint, PixelPoint};

/// A path is nearly linear in all its parameters, and some are hard to tell apart: more damping would only crawl along the
/// directions in which they are.
const NEARLY_LINEAR: f64 = 1e-11;

/// When a search stops whose result only serves to weigh the sightings: a thousandth of a standard uncertainty.
const ROUGH: SolverOptions =
    SolverOptions { max_iterations: 200, relative_decrease: 1e-7, relative_step: 1e-8, damping: NEARLY_LINEAR };

/// Rounds of re-weighting; the weights settle within a dozen.
const MOST_ROUNDS: usize = 30;

pub(super) fn fit(
    flights: &[FlightInput],
    view: &dyn FlightView,
    options: &FitOptions,
) -> Result<Vec<FlightFit>, FitError> {
    check(flights, options)?;
    let mut launches: Vec<LaunchTime> = flights.iter().map(|flight| LaunchTime::first_guess(flight, view)).collect();
    let starts = Starts::of(flights, &launches, view)?;
    let mut solved = solve(flights, &launches, view, options, &starts)?;
    if flights.iter().any(|f| matches!(f.launch, Launch::Near { .. } | Launch::Between { .. })) {
        let mut ahead = vec![None; flights.len()];
        for (index, flight) in flights.iter().enumerate() {
            match flight.launch {
                Launch::Near { .. } => launches[index] = solved.launch_near(index, flight.launch, launches[index])?,
                Launch::Between { from_s, to_s, mouth, .. } => {
                    let known = release::Known { from_s, to_s, mouth };
                    (launches[index], ahead[index]) = solved.released(index, known, launches[index])?;
                }
                Launch::At { .. } | Launch::FirstSighting => {}
            }
        }
        solved = solved.relaunched(&launches, options)?;
        solved.take_off_pushes(ahead)?;
    }
    (0..flights.len()).map(|index| solved.flight(index, launches[index])).collect()
}

fn check(flights: &[FlightInput], options: &FitOptions) -> Result<(), FitError> {
    for flight in flights {
        if flight.sightings.len() < FEWEST_SIGHTINGS {
            return Err(FitError::TooFewSightings { found: flight.sightings.len(), needed: FEWEST_SIGHTINGS });
        }
        if let Some(bad) = flight.sightings.iter().find(|s| !usable(s)) {
            return Err(FitError::BadSighting { frame: bad.frame });
        }
    }
    let t = &options.terms;
    let air = [Some(t.drag_factor), Some(t.drag_exponent)];
    let terms = [Some(t.gravity), Some(t.horizontal_acceleration), Some(t.roll), t.readout].into_iter().chain(air);
    let bad = |term: Term| match term {
        Term::Fixed(value) => !value.is_finite(),
        Term::Free => false,
        Term::Known { value, standard_uncertainty } => !(value.is_finite() && standard_uncertainty > 0.0),
    };
    if flights.is_empty() || terms.flatten().any(bad) { Err(FitError::BadTerm) } else { Ok(()) }
}

fn usable(s: &Sighting) -> bool {
    let c = s.covariance_px2;
    let finite = [s.time_s, s.centre_px.x, s.centre_px.y, c.xx, c.xy, c.yy].iter().all(|v| v.is_finite());
    finite && c.xx > 0.0 && c.xx * c.yy - c.xy * c.xy > 0.0
}

/// When the ball left: a time, s, and a share of the readout after it, which the fit may be finding.
#[derive(Debug, Clone, Copy)]
pub(super) struct LaunchTime {
    pub time_s: f64,
    pub row: f64,
    pub standard_uncertainty_s: f64,
    pub distribution: Distribution,
}

impl LaunchTime {
    fn first_guess(flight: &FlightInput, view: &dyn FlightView) -> Self {
        let first = &flight.sightings[0];
        let (time_s, standard_uncertainty_s, distribution) = match flight.launch {
            // Rectangular between the two: (JCGM 100:2008, 4.3.7).
            Launch::Between { from_s, to_s, .. } => {
                (0.5 * (from_s + to_s), (to_s - from_s).abs() / 12f64.sqrt(), Distribution::Rectangular)
            }
            Launch::At { time_s, standard_uncertainty_s } => (time_s, standard_uncertainty_s, Distribution::Normal),
            Launch::Near { .. } | Launch::FirstSighting => (first.time_s, 0.0, Distribution::Normal),
        };
        Self { time_s, row: flight.launch.row_fraction(first, view), standard_uncertainty_s, distribution }
    }

    fn at_s(&self, readout_s: f64) -> f64 {
        self.time_s + readout_s * self.row
    }
}

/// Where an earlier fit ended: it starts a nearby one and holds its weights and noise.
#[derive(Debug, Clone)]
pub(super) struct Warm {
    pub parameters: Vec<f64>,
    pub weights: Vec<Vec<f64>>,
    pub noise_scale: f64,
    pub readout_s: f64,
}

impl Warm {
    /// From the fits of all flights of one joint search.
    pub fn from_fits(fits: &[FlightFit]) -> Self {
        let value = |fit: &FlightFit, own: bool| -> Vec<f64> {
            let wanted = fit.parameters.iter().filter(|p| Quantity::OWN.contains(&p.quantity) == own);
            wanted.filter(|p| !p.term.is_fixed()).map(|p| p.value).collect()
        };
        let mut parameters: Vec<f64> = fits.iter().flat_map(|fit| value(fit, true)).collect();
        parameters.extend(fits.first().map(|fit| value(fit, false)).unwrap_or_default());
        let weights = fits.iter().map(|f| f.residuals.iter().map(|r| f64::from(u8::from(r.used))).collect()).collect();
        let noise_scale = fits.first().map_or(1.0, |f| f.noise.scale * f.noise.correlation_factor);
        let readout_s = fits.first().map_or(0.0, |f| f.value(Quantity::Readout));
        Self { parameters, weights, noise_scale, readout_s }
    }
}

/// Speed, angle and gravity of each flight when everything but the weights and the noise may have moved a little since the fit
/// that `warm` comes from. `launches_s` are those of that fit, rows counted in; they move with the readout where it counts.
pub(super) fn refit(
    flights: &[FlightInput],
    launches_s: &[f64],
    view: &dyn FlightView,
    options: &FitOptions,
    warm: &Warm,
) -> Result<Vec<[f64; 3]>, FitError> {
    let tracks = flights.iter().zip(launches_s).zip(&warm.weights).map(|((f, &launch_s), weights)| {
        let reference_row = f.launch.row_fraction(&f.sightings[0], view);
        let reference_s = launch_s - warm.readout_s * reference_row;
        Track { sightings: f.sightings, reference_s, reference_row, weights: weights.clone() }
    });
    let (terms, motion) = (options.terms, options.motion);
    let problem = Problem {
        tracks: tracks.collect(),
        terms,
        motion,
        view,
        bends: Bends::among(view, &options.bends),
        expected_bends: options.bends.expected.clone(),
        noise_scale: warm.noise_scale,
    };
    // Far below the standard uncertainty, which is all that differences of refits need.
    let stop =
        SolverOptions { max_iterations: 100, relative_decrease: 1e-13, relative_step: 1e-10, damping: NEARLY_LINEAR };
    let parameters = minimise(&problem, &warm.parameters, stop)?.parameters;
    let shared = problem.shared(&parameters);
    Ok((0..flights.len()).map(|f| derived(problem.start_of(f, &parameters), shared.gravity, shared.roll)).collect())
}

/// A finished search.
struct Solved<'a> {
    problem: Problem<'a>,
    minimum: Minimum,
    /// The parameters while the sightings were taken to be as good as they say, where a search over the same sightings begins.
    at_stated_noise: Vec<f64>,
    chi_square: f64,
    degrees_of_freedom: usize,
    noise: NoiseStatement,
    /// Covariance of the parameter vector, correlation factor included.
    covariance: DMatrix<f64>,
    /// The part of it that comes from the sightings.
    from_sightings: DMatrix<f64>,
    /// What launchers may have done to the first sightings of each flight; empty where none was thought of.
    pushes: Vec<Option<Pushed>>,
    /// Change of the parameters by the mean of all pushes.
    pushed_by: DVector<f64>,
}

/// What the pushes that a launcher may have given do to a fit that takes the pushed sightings for flight.
struct Pushed {
    /// Change of the parameters for one of each whitened coordinate of the first sightings.
    slopes: DMatrix<f64>,
    ahead: Ahead,
}

/// Where a search begins: for each flight the parabola of three of its sightings that chance would explain least.
pub(super) struct Starts {
    free: Vec<Start>,
    /// Among parabolas near enough to be no band of false sightings, where the free one isn't.
    near: Option<Vec<Start>>,
}

impl Starts {
    fn of(flights: &[FlightInput], launches: &[LaunchTime], view: &dyn FlightView) -> Result<Self, FitError> {
        let within = |within: f64| -> Option<Vec<Start>> {
            let pairs = flights.iter().zip(launches);
            pairs.map(|(f, l)| least_likely_chance(f.sightings, view, l.at_s(view.readout_s()), within)).collect()
        };
        let free = within(f64::INFINITY).ok_or(FitError::NoPath)?;
        let near = free.iter().any(|s| s.scale > ROUGH_START).then(|| within(ROUGH_START)).flatten();
        Ok(Self { free, near })
    }
}

/// How well models explain the same flights.
pub(super) struct Models<'a> {
    flights: &'a [FlightInput<'a>],
    view: &'a dyn FlightView,
    launches: Vec<LaunchTime>,
    starts: Starts,
}

/// How well one model explains them.
pub(super) struct Judged {
    pub chi_square: f64,
    pub noise_scale: f64,
    /// How many quantities were found beside those of the single flights.
    pub shared: usize,
    pub gravity: f64,
}

impl<'a> Models<'a> {
    pub fn new(flights: &'a [FlightInput<'a>], view: &'a dyn FlightView) -> Result<Self, FitError> {
        let launches: Vec<LaunchTime> = flights.iter().map(|flight| LaunchTime::first_guess(flight, view)).collect();
        let starts = Starts::of(flights, &launches, view)?;
        Ok(Self { flights, view, launches, starts })
    }

    /// The path is the same whenever it began, so that the moment of launch isn't looked for.
    pub fn judged(&self, options: &FitOptions) -> Result<Judged, FitError> {
        check(self.flights, options)?;
        let solved = solve(self.flights, &self.launches, self.view, options, &self.starts)?;
        let shared = Quantity::SHARED.into_iter().filter(|q| !solved.problem.term(*q).is_fixed()).count();
        Ok(Judged {
            chi_square: solved.chi_square,
            noise_scale: solved.noise.scale,
            shared: shared + solved.problem.bends.count(),
            gravity: solved.problem.shared(&solved.minimum.parameters).gravity,
        })
    }
}

fn solve<'a>(
    flights: &[FlightInput<'a>],
    launches: &[LaunchTime],
    view: &'a dyn FlightView,
    options: &FitOptions,
    starts: &Starts,
) -> Result<Solved<'a>, FitError> {
    let weights = |flight: usize| match options.kept.as_ref().and_then(|kept| kept.get(flight)) {
        Some(kept) => kept.iter().map(|used| f64::from(u8::from(*used))).collect(),
        None => vec![1.0; flights[flight].sightings.len()],
    };
    let tracks = flights.iter().zip(launches).enumerate().map(|(flight, (f, l))| Track {
        sightings: f.sightings,
        reference_s: l.time_s,
        reference_row: l.row,
        weights: weights(flight),
    });
    let mut problem = Problem {
        tracks: tracks.collect(),
        terms: options.terms,
        motion: options.motion,
        view,
        bends: Bends::among(view, &options.bends),
        expected_bends: options.bends.expected.clone(),
        noise_scale: 1.0,
    };
    let parameters = if options.robust {
        better_of(&mut problem, &starts.free, starts.near.as_deref())?
    } else {
        let start = start_vector(&problem, &starts.free);
        approach(&mut problem, start)
    };
    finish(problem, parameters, options)
}

/// Rejects outliers from either start and keeps the result that explains the sightings better, as their covariances have it.
fn better_of(problem: &mut Problem, free: &[Start], near: Option<&[Start]>) -> Result<Vec<f64>, FitError> {
    let start = start_vector(problem, free);
    let by_free = reject_outliers(problem, start, free);
    let Some(near) = near else { return by_free };
    let free_weights: Vec<Vec<f64>> = problem.tracks.iter().map(|t| t.weights.clone()).collect();
    let free_cost = by_free.as_ref().map_or(f64::INFINITY, |p| limited_squares(problem, p));
    let start = start_vector(problem, near);
    let by_near = reject_outliers(problem, start, near);
    if by_near.as_ref().is_ok_and(|p| limited_squares(problem, p) < free_cost) {
        return by_near;
    }
    problem.tracks.iter_mut().zip(free_weights).for_each(|(track, weights)| track.weights = weights);
    by_free
}

/// Sum of squared distances, each no more than that at which a sighting is rejected.
fn limited_squares(problem: &Problem, parameters: &[f64]) -> f64 {
    let flight = |f: usize| {
        let distances = problem.distances(f, parameters).unwrap_or_else(|| vec![f64::INFINITY]);
        distances.into_iter().map(|r| r.min(REJECT_BEYOND).powi(2)).sum::<f64>()
    };
    (0..problem.tracks.len()).map(flight).sum()
}

fn start_vector(problem: &Problem, starts: &[Start]) -> Vec<f64> {
    let own = starts.iter().flat_map(|s| [s.state.x, s.state.y, s.state.vx, s.state.vy]);
    let falls: Vec<f64> = starts.iter().map(|s| -s.acceleration.1).collect();
    let gravity = falls.iter().sum::<f64>() / falls.len() as f64;
    let shared = Quantity::SHARED.into_iter().filter(|&q| !problem.term(q).is_fixed()).map(|q| match q {
        Quantity::Gravity => gravity,
        Quantity::DragFactor => problem.term(q).start(1.0),
        _ => problem.term(q).start(0.0),
    });
    let bends = (0..problem.bends.count()).map(|knob| problem.term(Quantity::Camera(knob)).start(0.0));
    own.chain(shared).chain(bends).collect()
}

/// Re-weights until the weights settle, then keeps or rejects each sighting for good. Leaves 0 and 1 as weights.
///
/// The first weights come from the distances to the start, so that outliers never pull; the final least squares
/// over the kept sightings wins back what Tukey's weights lose on clean data.
fn reject_outliers(problem: &mut Problem, start: Vec<f64>, starts: &[Start]) -> Result<Vec<f64>, FitError> {
    let mut parameters = start;
    let worst = starts.iter().map(|s| s.scale).fold(1.0, f64::max);
    let mut scale = if worst > 1.5 { worst } else { 1.0 };
    for round in 0..MOST_ROUNDS {
        let before: Vec<Vec<f64>> = problem.tracks.iter().map(|t| t.weights.clone()).collect();
        if round == 0 {
            weigh_by_starts(problem, starts, scale)?;
        } else {
            set_weights(problem, &parameters, |r| tukey(r / scale))?;
        }
        if problem.tracks.iter().any(|t| t.weights.iter().filter(|w| **w > 0.0).count() < FEWEST_SIGHTINGS) {
            return Err(FitError::NoPath);
        }
        if round == 0 {
            parameters = approach(problem, parameters);
        }
        parameters = roughly(problem, parameters)?;
        scale = robust_scale(problem, &parameters).ok_or(FitError::NoPath)?;
        if round > 0 && change(&before, problem) < 1e-4 {
            break;
        }
    }
    set_weights(problem, &parameters, |r| if r <= REJECT_BEYOND * scale { 1.0 } else { 0.0 })?;
    Ok(parameters)
}

/// From a parabola to near the least squares. Sightings count for little at first, so that what is known beforehand of camera and air
/// stays about where it is known to be: far from the path, what sightings alone make of it is nonsense.
fn approach(problem: &mut Problem, start: Vec<f64>) -> Vec<f64> {
    let mut parameters = start;
    for noise_scale in [1000.0, 100.0, 10.0] {
        problem.noise_scale = noise_scale;
        if let Ok(minimum) = minimise(problem, &parameters, ROUGH) {
            parameters = minimum.parameters;
        }
    }
    problem.noise_scale = 1.0;
    parameters
}

/// The start's own parabola bends freely, so that what the terms don't explain isn't taken for outliers.
fn weigh_by_starts(problem: &mut Problem, starts: &[Start], scale: f64) -> Result<(), FitError> {
    for (track, start) in problem.tracks.iter_mut().zip(starts) {
        let reference_s = track.reference_s + problem.view.readout_s() * track.reference_row;
        let distances = start_distances(start, track.sightings, problem.view, reference_s).ok_or(FitError::NoPath)?;
        track.weights = distances.into_iter().map(|r| tukey(r / scale)).collect();
    }
    Ok(())
}

fn set_weights(problem: &mut Problem, parameters: &[f64], weight: impl Fn(f64) -> f64) -> Result<(), FitError> {
    for flight in 0..problem.tracks.len() {
        let distances = problem.distances(flight, parameters).ok_or(FitError::NoPath)?;
        problem.tracks[flight].weights = distances.into_iter().map(&weight).collect();
    }
    Ok(())
}

fn change(before: &[Vec<f64>], problem: &Problem) -> f64 {
    let pairs = before.iter().zip(&problem.tracks).flat_map(|(b, t)| b.iter().zip(&t.weights));
    pairs.map(|(b, a)| (a - b).abs()).fold(0.0, f64::max)
}

/// A search whose result only serves to weigh the sightings: one that doesn't end changes nothing.
fn roughly(problem: &Problem, start: Vec<f64>) -> Result<Vec<f64>, FitError> {
    match minimise(problem, &start, ROUGH) {
        Ok(minimum) => Ok(minimum.parameters),
        Err(SolverError::NotConverged { .. }) => Ok(start),
        Err(error) => Err(error.into()),
    }
}

/// Far from any path, as with a clock or a length that is wrong by a factor, what is known beforehand and the sightings pull apart, and
/// the last digits take too long; some digits fewer are then enough, as the uncertainty is wide.
fn search(problem: &Problem, start: &[f64]) -> Result<Minimum, FitError> {
    let fine =
        SolverOptions { max_iterations: 200, relative_decrease: 1e-14, relative_step: 1e-12, damping: NEARLY_LINEAR };
    let coarse = SolverOptions { max_iterations: 2000, relative_decrease: 1e-9, relative_step: 1e-9, damping: 1e-3 };
    match minimise(problem, start, fine) {
        Err(SolverError::NotConverged { .. }) => Ok(minimise(problem, start, coarse)?),
        found => Ok(found?),
    }
}

fn finish<'a>(mut problem: Problem<'a>, start: Vec<f64>, options: &FitOptions) -> Result<Solved<'a>, FitError> {
    let used: usize = problem.tracks.iter().map(|t| t.weights.iter().filter(|w| **w > 0.0).count()).sum();
    let few = problem.tracks.iter().map(|t| t.weights.iter().filter(|w| **w > 0.0).count()).min().unwrap_or(0);
    if few < FEWEST_SIGHTINGS {
        return Err(FitError::TooFewSightings { found: few, needed: FEWEST_SIGHTINGS });
    }
    let free = problem.layout().iter().filter(|(_, q)| matches!(problem.term(*q), Term::Free)).count();
    let degrees_of_freedom = (2 * used).saturating_sub(free);
    let mut minimum = search(&problem, &start)?;
    let at_stated_noise = minimum.parameters.clone();
    let mut noise = noise_of(&problem, &minimum, degrees_of_freedom, options);
    // Prior knowledge weighs against sightings as noisy as they turned out, so the search is repeated with their scale.
    if problem.layout().iter().any(|(_, q)| matches!(problem.term(*q), Term::Known { .. })) {
        for _ in 0..2 {
            problem.noise_scale = noise.scale * noise.correlation_factor;
            minimum = search(&problem, &minimum.parameters)?;
            noise = noise_of(&problem, &minimum, degrees_of_freedom, options);
        }
    }
    problem.noise_scale = noise.scale * noise.correlation_factor;
    let chi_square = chi_square(&problem, &minimum.parameters);
    let jacobian = problem.jacobian(&minimum.parameters).ok_or(FitError::NoPath)?;
    let covariance = cofactor(&jacobian).ok_or(FitError::Degenerate)?;
    let data = jacobian.rows(0, problem.sighting_residuals()).into_owned();
    let from_sightings = &covariance * (data.transpose() * &data) * &covariance;
    let (pushes, pushed_by) = (Vec::new(), DVector::zeros(minimum.parameters.len()));
    Ok(Solved {
        problem,
        minimum,
        at_stated_noise,
        chi_square,
        degrees_of_freedom,
        noise,
        covariance,
        from_sightings,
        pushes,
        pushed_by,
    })
}

fn chi_square(problem: &Problem, parameters: &[f64]) -> f64 {
    let flight = |f: usize| {
        let distances = problem.distances(f, parameters).unwrap_or_default();
        distances.iter().zip(&problem.tracks[f].weights).map(|(r, w)| w * r * r).sum::<f64>()
    };
    (0..problem.tracks.len()).map(flight).sum()
}

fn noise_of(problem: &Problem, minimum: &Minimum, dof: usize, options: &FitOptions) -> NoiseStatement {
    noise::judge(problem, &minimum.parameters, chi_square(problem, &minimum.parameters), dof, options)
}

impl<'a> Solved<'a> {
    /// The same search with its flights' quantities counted from other moments: the path stays, and so do the sightings in use.
    fn relaunched(self, launches: &[LaunchTime], options: &FitOptions) -> Result<Self, FitError> {
        let Self { mut problem, at_stated_noise: mut parameters, .. } = self;
        let shared = problem.shared(&parameters);
        for (flight, launch) in launches.iter().enumerate() {
            let track = &problem.tracks[flight];
            let later_s = launch.at_s(shared.readout) - (track.reference_s + shared.readout * track.reference_row);
            let start = problem.start_of(flight, &parameters);
            let later_s = shared.true_s(later_s);
            let at = problem.moved(start, &shared, &[later_s]).ok_or(FitError::NoPath)?[0];
            parameters[4 * flight..4 * flight + 4].copy_from_slice(&[at.x, at.y, at.vx, at.vy]);
            let track = &mut problem.tracks[flight];
            (track.reference_s, track.reference_row) = (launch.time_s, launch.row);
        }
        problem.noise_scale = 1.0;
        finish(problem, parameters, options)
    }

    /// The launch where the path passes nearest to the stated point, at or before the first sighting.
    fn launch_near(&self, flight: usize, launch: Launch, guess: LaunchTime) -> Result<LaunchTime, FitError> {
        let Launch::Near { point_px, standard_uncertainty_px } = launch else { return Ok(guess) };
        let metre_from_pixel = |px| self.problem.metre_from_pixel(&self.minimum.parameters, px);
        let point = metre_from_pixel(point_px).ok_or(FitError::NoPath)?;
        let (start, shared) =
            (self.problem.start_of(flight, &self.minimum.parameters), self.problem.shared(&self.minimum.parameters));
        // Launch is looked for from a second before the first sighting to the next one, in steps that a parabola can't hide in. A sighting
        // is as late after its frame's beginning as its row.
        let sightings = self.problem.tracks[flight].sightings;
        let late_s =
            |s: &Sighting| s.time_s - guess.time_s + shared.readout * self.problem.view.row_fraction(s.centre_px);
        let latest_s = sightings.get(1).map_or(0.0, late_s);
        let taus: Vec<f64> = (0..=10_000).map(|i| latest_s - 1e-4 * f64::from(i)).collect();
        let true_taus: Vec<f64> = taus.iter().map(|tau| shared.true_s(*tau)).collect();
        let states = self.problem.moved(start, &shared, &true_taus).ok_or(FitError::NoPath)?;
        let distance = |i: usize| MetrePoint::new(states[i].x, states[i].y).distance(point);
        let nearest = (0..taus.len()).min_by(|&a, &b| distance(a).total_cmp(&distance(b))).ok_or(FitError::NoPath)?;
        let state = states[nearest];
        let aside = metre_from_pixel(PixelPoint::new(point_px.x + 1.0, point_px.y));
        let metres_per_pixel = aside.map_or(f64::NAN, |p| p.distance(point));
        // A path that misses the point knows its place along the path no better than that.
        let known_m = (standard_uncertainty_px * metres_per_pixel).max(distance(nearest));
        Ok(LaunchTime {
            time_s: guess.time_s + taus[nearest],
            row: 0.0,
            standard_uncertainty_s: known_m / state.vx.hypot(state.vy),
            distribution: Distribution::Normal,
        })
    }

    /// The launch between two times, or a little later where the first sightings can't tell a push from a flight; where a ball was
    /// let go, when the path comes from rest.
    fn released(
        &self,
        flight: usize,
        known: release::Known,
        guess: LaunchTime,
    ) -> Result<(LaunchTime, Option<Ahead>), FitError> {
        let path = release::Path {
            problem: &self.problem,
            parameters: &self.minimum.parameters,
            covariance: &self.covariance,
            flight,
            row: guess.row,
        };
        let found = match path.let_go() {
            Some(found) => found,
            None => release::release(&path.evidence(known).ok_or(FitError::NoPath)?),
        };
        let release::Release { time_s, standard_uncertainty_s, distribution, ahead } = found;
        Ok((LaunchTime { time_s, row: guess.row, standard_uncertainty_s, distribution }, ahead))
    }

    /// Takes the mean of what pushes did to the first sightings off the result, and keeps their spread. Given a push, the pushed
    /// sightings are as good as any, so that the result is a mean over all pushes by how likely they are (law of total variance).
    fn take_off_pushes(&mut self, ahead: Vec<Option<Ahead>>) -> Result<(), FitError> {
        let jacobian = self.problem.jacobian(&self.minimum.parameters).ok_or(FitError::NoPath)?;
        let mut first = 0;
        for (track, ahead) in self.problem.tracks.iter().zip(ahead) {
            self.pushes.push(ahead.map(|ahead| {
                let rows = jacobian.rows(first, ahead.mean.len());
                let slopes = &self.covariance * rows.transpose();
                self.pushed_by -= &slopes * &ahead.mean;
                Pushed { slopes, ahead }
            }));
            first += 2 * track.sightings.len();
        }
        self.minimum.parameters.iter_mut().zip(&self.pushed_by).for_each(|(p, by)| *p -= by);
        self.chi_square = chi_square(&self.problem, &self.minimum.parameters);
        Ok(())
    }

    /// Covariance of the parameters by sightings, prior knowledge and pushes.
    fn whole_covariance(&self) -> DMatrix<f64> {
        let spread = |pushed: &Pushed| &pushed.slopes * &pushed.ahead.covariance * pushed.slopes.transpose();
        self.pushes.iter().flatten().fold(self.covariance.clone(), |sum, pushed| sum + spread(pushed))
    }

    fn flight(&self, index: usize, launch: LaunchTime) -> Result<FlightFit, FitError> {
        let (parameters, covariance) = self.parameters_of(index);
        let residuals = self.residuals_of(index)?;
        let contributions = self.contributions(index, launch)?;
        let derived_covariance = self.derived_covariance(index, launch)?;
        let shared = self.problem.shared(&self.minimum.parameters);
        let values = derived(self.problem.start_of(index, &self.minimum.parameters), shared.gravity, shared.roll);
        let estimate = |k: usize| {
            let parts: Vec<Part> = contributions.iter().map(|c| part_of(c, k, launch.distribution)).collect();
            let (u, _, factor) = cover(&parts);
            Estimate::with_coverage_factor(values[k], u, factor)
        };
        let (rms_px, rms_mm) = self.rms(index, &residuals)?;
        let (_, _, launch_interval) = cover(&[Part::new(launch.standard_uncertainty_s, None, launch.distribution)]);
        Ok(FlightFit {
            launch_time_s: Estimate::with_coverage_factor(
                launch.at_s(shared.readout),
                launch.standard_uncertainty_s,
                launch_interval,
            ),
            launch_distribution: launch.distribution,
            parameters,
            covariance,
            motion: self.problem.motion,
            residuals,
            chi_square: self.chi_square,
            degrees_of_freedom: self.degrees_of_freedom,
            residual_rms_px: rms_px,
            residual_rms_mm: rms_mm,
            noise: self.noise,
            launch_speed_m_per_s: estimate(0),
            launch_angle_deg: estimate(1),
            gravity_m_per_s2: estimate(2),
            derived_covariance,
            contributions,
            camera: self.camera_found(),
            pushes: self.pushed(index, launch)?,
        })
    }

    /// The camera's inputs as they were found.
    fn camera_found(&self) -> Vec<CameraFound> {
        let layout = self.problem.layout();
        let found = |knob: usize| {
            let (index, input) = self.problem.bends.input(knob);
            let place = layout.iter().position(|entry| *entry == (None, Quantity::Camera(knob)));
            let shift = place.map_or(0.0, |p| self.minimum.parameters[p]);
            let narrowed = place.map_or(1.0, |p| self.covariance[(p, p)].sqrt());
            CameraFound { index, input: input.clone(), shift, narrowed }
        };
        (0..self.problem.bends.count()).map(found).collect()
    }

    /// Places in the parameter vector of this flight's quantities and the shared ones, fixed ones as `None`.
    fn places(&self, flight: usize) -> Vec<(Quantity, Option<usize>)> {
        let layout = self.problem.layout();
        let place = |q: Quantity, f: Option<usize>| layout.iter().position(|entry| *entry == (f, q));
        let own = Quantity::OWN.into_iter().map(|q| (q, place(q, Some(flight))));
        let bends = (0..self.problem.bends.count()).map(Quantity::Camera);
        own.chain(Quantity::SHARED.into_iter().chain(bends).map(|q| (q, place(q, None)))).collect()
    }

    fn parameters_of(&self, flight: usize) -> (Vec<Parameter>, Vec<Vec<f64>>) {
        let places = self.places(flight);
        let whole = self.whole_covariance();
        let entry = |a: Option<usize>, b: Option<usize>| a.zip(b).map_or(0.0, |(a, b)| whole[(a, b)]);
        let parameters = places.iter().map(|&(quantity, place)| {
            let term = self.problem.term(quantity);
            let value = place.map_or(term.start(0.0), |p| self.minimum.parameters[p]);
            Parameter { quantity, term, value, standard_uncertainty: entry(place, place).sqrt() }
        });
        let covariance = places.iter().map(|(_, a)| places.iter().map(|(_, b)| entry(*a, *b)).collect());
        (parameters.collect(), covariance.collect())
    }

    fn residuals_of(&self, flight: usize) -> Result<Vec<Residual>, FitError> {
        let (problem, parameters) = (&self.problem, &self.minimum.parameters);
        let px = problem.pixel_residuals(flight, parameters).ok_or(FitError::NoPath)?;
        let distances = problem.distances(flight, parameters).ok_or(FitError::NoPath)?;
        let states = problem.states(flight, parameters).ok_or(FitError::NoPath)?;
        let (track, readout) = (&problem.tracks[flight], problem.shared(parameters).readout);
        let row = |i: usize| {
            let s = &track.sightings[i];
            Residual {
                px: px[i],
                distance: distances[i],
                fitted_px: PixelPoint::new(s.centre_px.x - px[i].x, s.centre_px.y - px[i].y),
                fitted_m: MetrePoint::new(states[i].x, states[i].y),
                exposed_at_s: s.time_s + readout * problem.view.row_fraction(s.centre_px),
                used: track.weights[i] > 0.0,
            }
        };
        Ok((0..px.len()).map(row).collect())
    }

    /// Root mean square over both coordinates of the sightings in use, px and mm.
    fn rms(&self, flight: usize, residuals: &[Residual]) -> Result<(f64, f64), FitError> {
        let sightings = self.problem.tracks[flight].sightings;
        let (mut px2, mut mm2, mut count) = (0.0, 0.0, 0.0);
        for (r, s) in residuals.iter().zip(sightings).filter(|(r, _)| r.used) {
            let seen = self
                .problem
                .metre_from_pixel(&self.minimum.parameters, s.centre_px)
                .ok_or(FitError::OutsideView { frame: s.frame })?;
            px2 += r.px.x * r.px.x + r.px.y * r.px.y;
            mm2 += (1e3 * seen.distance(r.fitted_m)).powi(2);
            count += 2.0;
        }
        Ok(((px2 / count).sqrt(), (mm2 / count).sqrt()))
    }

    /// Speed, angle and gravity as a function of the parameter vector and a shift of the launch.
    fn derived_at(&self, flight: usize, parameters: &[f64], later_s: f64) -> Option<[f64; 3]> {
        let (start, shared) = (self.problem.start_of(flight, parameters), self.problem.shared(parameters));
        let at = self.problem.moved(start, &shared, &[shared.true_s(later_s)])?;
        Some(derived(at[0], shared.gravity, shared.roll))
    }

    /// Derivatives of speed, angle and gravity, one row a parameter.
    fn gradients(&self, flight: usize) -> Result<Vec<[f64; 3]>, FitError> {
        let mut moved = self.minimum.parameters.clone();
        let mut rows = Vec::with_capacity(moved.len());
        for (j, (_, quantity)) in self.problem.layout().into_iter().enumerate() {
            let (middle, step) = (moved[j], quantity.small_step());
            moved[j] = middle + step;
            let above = self.derived_at(flight, &moved, 0.0).ok_or(FitError::NoPath)?;
            moved[j] = middle - step;
            let below = self.derived_at(flight, &moved, 0.0).ok_or(FitError::NoPath)?;
            moved[j] = middle;
            rows.push(std::array::from_fn(|k| (above[k] - below[k]) / (2.0 * step)));
        }
        Ok(rows)
    }

    /// Change of speed, angle and gravity for a launch later by its standard uncertainty: its first and its second order, which counts where
    /// a ball that was let go is no faster before than after (note to 5.1.2: ½·(f″·u²)² of the variance).
    fn later(&self, flight: usize, launch: LaunchTime) -> Result<([f64; 3], [f64; 3]), FitError> {
        let u = launch.standard_uncertainty_s;
        let at = |later_s| self.derived_at(flight, &self.minimum.parameters, later_s).ok_or(FitError::NoPath);
        let (above, here, below) = (at(u)?, at(0.0)?, at(-u)?);
        let first = std::array::from_fn(|k| 0.5 * (above[k] - below[k]));
        Ok((first, std::array::from_fn(|k| (above[k] + below[k] - 2.0 * here[k]) / 2f64.sqrt())))
    }

    /// Covariance of speed, angle and gravity by the moment of launch and by the pushes before it, which go together.
    fn launch_covariance(&self, flight: usize, launch: LaunchTime) -> Result<[[f64; 3]; 3], FitError> {
        let (first, second) = self.later(flight, launch)?;
        let pushed = self.pushed(flight, launch)?;
        let entry = |a: usize, b: usize| {
            let pushes = pushed
                .as_ref()
                .map_or(0.0, |p| p.own[a][b] + p.with_launch[a] * first[b] + first[a] * p.with_launch[b]);
            first[a] * first[b] + second[a] * second[b] + pushes
        };
        Ok(std::array::from_fn(|a| std::array::from_fn(|b| entry(a, b))))
    }

    /// What the spread of the pushes does to speed, angle and gravity of a flight.
    fn pushed(&self, flight: usize, launch: LaunchTime) -> Result<Option<PushedResults>, FitError> {
        if self.pushes.iter().all(Option::is_none) {
            return Ok(None);
        }
        let gradients = self.gradients(flight)?;
        let gradients = DMatrix::from_fn(gradients.len(), 3, |j, k| gradients[j][k]);
        let mut own = DMatrix::zeros(3, 3);
        let mut with_launch = DVector::zeros(3);
        for (index, pushed) in self.pushes.iter().enumerate() {
            let Some(Pushed { slopes, ahead }) = pushed else { continue };
            // What is taken off is what a push did.
            let by = gradients.transpose() * slopes;
            own += &by * &ahead.covariance * by.transpose();
            // Other flights are launched by themselves.
            if index == flight && launch.standard_uncertainty_s > 0.0 {
                with_launch += by * &ahead.with_time_s / launch.standard_uncertainty_s;
            }
        }
        let without: Vec<f64> = self.minimum.parameters.iter().zip(&self.pushed_by).map(|(p, by)| p + by).collect();
        let without = self.derived_at(flight, &without, 0.0).ok_or(FitError::NoPath)?;
        let with = self.derived_at(flight, &self.minimum.parameters, 0.0).ok_or(FitError::NoPath)?;
        Ok(Some(PushedResults {
            added: std::array::from_fn(|k| with[k] - without[k]),
            own: std::array::from_fn(|a| std::array::from_fn(|b| own[(a, b)])),
            with_launch: std::array::from_fn(|k| with_launch[k]),
        }))
    }

    fn derived_covariance(&self, flight: usize, launch: LaunchTime) -> Result<[[f64; 3]; 3], FitError> {
        let mut total = sandwich(&self.gradients(flight)?, &self.covariance);
        let launched = self.launch_covariance(flight, launch)?;
        for (row, launched) in total.iter_mut().zip(launched) {
            row.iter_mut().zip(launched).for_each(|(entry, launched)| *entry += launched);
        }
        Ok(total)
    }

    /// The independent parts of the variance. They add up to it exactly: C = C·(H_sightings + H_prior)·C.
    fn contributions(&self, flight: usize, launch: LaunchTime) -> Result<Vec<Contribution>, FitError> {
        let gradients = self.gradients(flight)?;
        let data = sandwich(&gradients, &self.from_sightings);
        let mut all = vec![Contribution {
            source: ContributionSource::Sightings,
            standard: std::array::from_fn(|k| data[k][k].max(0.0).sqrt()),
            degrees_of_freedom: Some(self.noise.degrees_of_freedom),
        }];
        for (place, (_, quantity)) in self.problem.layout().into_iter().enumerate() {
            if let Term::Known { standard_uncertainty, .. } = self.problem.term(quantity) {
                let along =
                    |k: usize| (0..gradients.len()).map(|j| gradients[j][k] * self.covariance[(j, place)]).sum::<f64>();
                let standard = std::array::from_fn(|k| along(k) / standard_uncertainty);
                all.push(Contribution {
                    source: ContributionSource::Known(quantity),
                    standard,
                    degrees_of_freedom: None,
                });
            }
        }
        if launch.standard_uncertainty_s > 0.0 {
            let (first, _) = self.later(flight, launch)?;
            let covariance = self.launch_covariance(flight, launch)?;
            let standard = std::array::from_fn(|k| covariance[k][k].max(0.0).sqrt().copysign(first[k]));
            all.push(Contribution { source: ContributionSource::LaunchTime, standard, degrees_of_freedom: None });
        }
        Ok(all)
    }
}

fn sandwich(gradients: &[[f64; 3]], covariance: &DMatrix<f64>) -> [[f64; 3]; 3] {
    let n = gradients.len();
    std::array::from_fn(|a| {
        std::array::from_fn(|b| {
            (0..n)
                .flat_map(|i| (0..n).map(move |j| (i, j)))
                .map(|(i, j)| gradients[i][a] * covariance[(i, j)] * gradients[j][b])
                .sum()
        })
    })
}

/// A contribution to the `k`-th of speed, angle and gravity.
fn part_of(contribution: &Contribution, k: usize, launch: Distribution) -> Part {
    let distribution = match contribution.source {
        ContributionSource::LaunchTime => launch,
        ContributionSource::Sightings | ContributionSource::Known(_) => Distribution::Normal,
    };
    Part::new(contribution.standard[k], contribution.degrees_of_freedom, distribution)
}
