//! Fits the flights that share gravity with gravity known and one cause at work, and says how well that explains the sightings.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use super::cause::{Cause, Effect, Stage};
use super::eye::{Eye, Turn};
use super::{Evidence, FlightEvidence};
use crate::fit::models::aicc_of_share;
use crate::fit::motion::{BallInAir, Lever, Motion, Slopes, State};
use crate::fit::{Bends, Quantity, Term};
use crate::maths::nonlinear::{Residuals, SolverOptions, minimise};
use crate::sight::Sighting;
use crate::units::{Covariance2, MetrePoint, PixelPoint};

/// A cause with the size it needs and how well it then explains the sightings.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Explained {
    pub cause: Cause,
    /// Its parameters and their standard uncertainties: one set, or one for each flight where each has a size of its own.
    pub parameters: Vec<Vec<f64>>,
    pub uncertainties: Vec<Vec<f64>>,
    /// −2·ln(likelihood) up to a constant, prior knowledge included.
    pub misfit: f64,
    /// The part of it that comes from how likely such a size was beforehand.
    pub surprise: f64,
    /// How many parameters the sightings had to find; less than a whole one where what was known beforehand did most of it.
    pub fitted: f64,
    pub values: usize,
}

/// A cause whose figure lies within so many standard uncertainties of nought explains nothing.
const NOUGHT_WITHIN: f64 = 1.0;

/// A size so many of its standard deviations from nought isn't met: a clock that is "a little off" by 70 %.
const FARTHEST: f64 = 6.0;

impl Explained {
    /// Misfit with the price of its parameters and what was known of it beforehand; `noise` divides the misfit.
    pub fn score(&self, noise: f64) -> f64 {
        let price = aicc_of_share(0.0, self.fitted, self.values).unwrap_or(f64::INFINITY);
        self.misfit / noise + price - 2.0 * self.cause.prior_weight().ln()
    }

    /// The score without anything that was thought of the cause beforehand.
    pub fn score_by_data(&self, noise: f64) -> f64 {
        self.score(noise) - self.surprise / noise + 2.0 * self.cause.prior_weight().ln()
    }

    pub fn misfit_per_freedom(&self) -> f64 {
        self.misfit / (self.values as f64 - self.fitted).max(1.0)
    }

    /// Whether no such thing is met: a size far beyond what was known beforehand, or a picture that takes longer to read than the next
    /// one waits. `rate_hz` of the frames.
    pub fn is_out_of_reach(&self, rate_hz: f64) -> bool {
        let too_slow = |(value, u): (f64, f64)| value.abs() - 2.0 * u > rate_hz.recip();
        let reading = self.cause == Cause::RollingShutter && self.figure().is_some_and(too_slow);
        let sizes = self.parameters.iter().map(Vec::len).sum::<usize>();
        reading || self.surprise > FARTHEST * FARTHEST * sizes as f64
    }

    /// The size that the cause needs, with its standard uncertainty: its parameter, or that of its parameters together; of the flight that
    /// needs most. `None` for a cause that has no size, or whose uncertainty isn't known.
    pub fn figure(&self) -> Option<(f64, f64)> {
        self.largest().map(|(_, figure)| figure)
    }

    /// Which set of parameters is the figure's.
    pub fn largest_at(&self) -> usize {
        self.largest().map_or(0, |(place, _)| place)
    }

    fn largest(&self) -> Option<(usize, (f64, f64))> {
        let sets = self.parameters.iter().zip(&self.uncertainties);
        let figures = sets.map(|(values, us)| self.size(values, us)).enumerate();
        let known = figures.filter_map(|(place, figure)| Some((place, figure?)));
        known.max_by(|a, b| a.1.0.abs().total_cmp(&b.1.0.abs()))
    }

    fn size(&self, values: &[f64], us: &[f64]) -> Option<(f64, f64)> {
        let pairs = || values.iter().zip(us);
        let (value, u) = match self.cause {
            Cause::MovingCamera => {
                let size = values.iter().map(|b| b * b).sum::<f64>().sqrt();
                (size, pairs().map(|(b, u)| (b * u).powi(2)).sum::<f64>().sqrt() / size)
            }
            _ => pairs().map(|(value, u)| (*value, *u)).next()?,
        };
        u.is_finite().then_some((value, u))
    }

    /// Whether the size that it needs is none at all, for all that the sightings say.
    pub fn is_nought(&self) -> bool {
        self.figure().is_some_and(|(value, u)| value.abs() < NOUGHT_WITHIN * u)
    }
}

/// Quantities of a flight's path that a hypothesis finds: its launch state.
const PATH: usize = 4;

/// Air of a room; the density is known to a few per cent and drag to ten.
const ROOM_AIR: BallInAir = BallInAir {
    mass_kg: 1.0,
    diameter_m: 0.05,
    air_density_kg_per_m3: 1.2,
    air_viscosity_pa_s: 1.8e-5,
    drag_coefficient: None,
    drag_exponent: 0.0,
    of_unknown_mass: false,
};

/// What all hypotheses share.
#[derive(Clone, Copy)]
pub(super) struct Case<'a> {
    pub evidence: &'a Evidence<'a>,
    pub bends: &'a Bends,
    /// Those to explain, flight by flight, in the order of the evidence.
    pub sightings: &'a [Vec<Sighting>],
}

/// Its parameters are gravity, the nuisances and what the cause has for the clip; then, flight by flight, the launch state and what the
/// cause has for that flight.
struct Hypothesis<'a> {
    evidence: &'a Evidence<'a>,
    bends: &'a Bends,
    /// Where the cause is an input of the camera, which is then turned itself.
    turn: Option<Turn>,
    cause: Cause,
    /// Extra standard deviation of each sighting's time, s.
    jitter_s: f64,
    nuisances: Vec<(Quantity, f64, f64)>,
    /// What was known beforehand of the cause's size for the clip; empty where each flight has its own.
    spread: Vec<f64>,
    flights: Vec<Track<'a>>,
}

/// A flight of a hypothesis.
struct Track<'a> {
    of: &'a FlightEvidence<'a>,
    sightings: &'a [Sighting],
    stage: Stage,
    origin_s: f64,
    /// What was known beforehand of the cause's size in this flight.
    spread: Vec<f64>,
    /// Where its launch state begins among the parameters, and its first sighting among all.
    first: usize,
    first_sighting: usize,
}

/// The hypothesis that `cause` was at work; `None` when no such paths can be found.
pub(super) fn explain(case: &Case<'_>, cause: Cause, jitter_s: f64) -> Option<Explained> {
    let hypothesis = Hypothesis::new(case, cause, jitter_s)?;
    let start = hypothesis.start();
    let options = SolverOptions { max_iterations: 100, relative_decrease: 1e-9, relative_step: 1e-9, damping: 1e-9 };
    let minimum = minimise(&hypothesis, &start, options).ok()?;
    let cofactor = minimum.cofactor()?;
    let touched = match cause {
        Cause::LauncherFrames { count, .. } | Cause::BounceFrames { count, .. } => count,
        _ => 0,
    };
    let jitter = usize::from(jitter_s > 0.0);
    let (mut parameters, mut uncertainties) = (Vec::new(), Vec::new());
    let (mut surprise, mut of_the_cause) = (0.0, 0.0);
    for (own, spread) in hypothesis.own_sets() {
        let found = minimum.parameters[own.clone()].to_vec();
        let us: Vec<f64> = own.map(|j| cofactor[(j, j)].sqrt()).collect();
        surprise += found.iter().zip(spread).map(|(value, sd)| (value / sd).powi(2)).sum::<f64>();
        let by_sightings = |(j, (u, sd)): (usize, (&f64, &f64))| {
            let first = cause.spread().len();
            if j < first { 1.0 } else { (1.0 - (u / sd).powi(2)).max(0.0) }
        };
        of_the_cause += us.iter().zip(spread).enumerate().map(by_sightings).sum::<f64>();
        let shown = hypothesis.shown(&minimum.parameters);
        parameters.push(found.iter().map(|value| value * shown).collect());
        uncertainties.push(us.iter().map(|u| u * shown).collect());
    }
    if jitter > 0 {
        (parameters, uncertainties) = (vec![vec![jitter_s]], Vec::new());
    }
    Some(Explained {
        cause,
        surprise,
        misfit: minimum.sum_of_squares + hypothesis.log_determinants(&minimum.parameters),
        // A frame left out is one whose two coordinates are explained by two parameters.
        fitted: (PATH * hypothesis.flights.len()) as f64 + of_the_cause + (2 * touched + jitter) as f64,
        values: 2 * hypothesis.sightings(),
        parameters,
        uncertainties,
    })
}

impl<'a> Hypothesis<'a> {
    fn new(case: &Case<'a>, cause: Cause, jitter_s: f64) -> Option<Self> {
        let Case { evidence, bends, sightings } = *case;
        let terms = &evidence.options.terms;
        let known = |quantity, term: Option<Term>| match term {
            Some(Term::Known { value, standard_uncertainty }) => Some((quantity, value, standard_uncertainty)),
            Some(Term::Free) => Some((quantity, 0.0, 1e3)),
            _ => None,
        };
        let held = [
            known(Quantity::Roll, Some(terms.roll)),
            known(Quantity::Readout, terms.readout),
            known(Quantity::DragFactor, Some(terms.drag_factor)),
            known(Quantity::DragExponent, Some(terms.drag_exponent)),
        ];
        let taken = match cause {
            Cause::Roll => Some(Quantity::Roll),
            Cause::RollingShutter => Some(Quantity::Readout),
            Cause::Drag => Some(Quantity::DragFactor),
            _ => None,
        };
        let own = held.into_iter().flatten().filter(|(q, ..)| Some(*q) != taken);
        let known_bends = (0..bends.count()).filter(|knob| !is_of(cause, &bends.input(*knob).1.name));
        let nuisances: Vec<_> = own.chain(known_bends.map(|knob| (Quantity::Camera(knob), 0.0, 1.0))).collect();
        let spread = if cause.by_flight() { Vec::new() } else { clip_spread(cause, evidence) };
        let (mut first, mut first_sighting) = (1 + nuisances.len() + spread.len(), 0);
        let mut flights = Vec::new();
        for (of, sightings) in evidence.flights.iter().zip(sightings) {
            let stage = evidence.stage(of, sightings)?;
            let spread = if cause.by_flight() { flight_spread(cause, of, sightings, &stage) } else { Vec::new() };
            let next = first + PATH + spread.len();
            flights.push(Track {
                of,
                sightings,
                stage,
                origin_s: of.fit.launch_time_s.value,
                spread,
                first,
                first_sighting,
            });
            (first, first_sighting) = (next, first_sighting + sightings.len());
        }
        let turn = Turn::of(cause, evidence.view, &flights.first()?.stage);
        Some(Self { evidence, bends, turn, cause, jitter_s, nuisances, spread, flights })
    }

    /// The fit of the first flight: what is shared is alike in all.
    fn fit(&self) -> &'a crate::fit::FlightFit {
        self.flights[0].of.fit
    }

    fn sightings(&self) -> usize {
        self.flights.iter().map(|track| track.sightings.len()).sum()
    }

    /// From the fit, brought to the true clock and length where the cause says how they differ.
    fn start(&self) -> Vec<f64> {
        let (time, length) = match self.cause {
            Cause::SlowMotion { recorded_hz, played_hz } => (recorded_hz / played_hz, 1.0),
            Cause::LengthMixUp { stated_over_true } => (1.0, stated_over_true),
            _ => (1.0, 1.0),
        };
        let speed = time / length;
        // Some drag to begin with: none would need a ball of infinite mass.
        let own = if self.cause == Cause::Drag { 0.05 } else { 0.0 };
        let mut start = vec![self.evidence.expected_gravity.value];
        start.extend(self.nuisances.iter().map(|(q, ..)| self.fit().value(*q)));
        start.extend(self.spread.iter().map(|_| own));
        for track in &self.flights {
            let launch = track.of.fit.launch_state();
            start.extend([launch.x / length, launch.y / length, launch.vx * speed, launch.vy * speed]);
            start.extend(track.spread.iter().map(|_| own));
        }
        start
    }

    fn value(&self, parameters: &[f64], quantity: Quantity) -> f64 {
        let place = self.nuisances.iter().position(|(q, ..)| *q == quantity);
        place.map_or_else(|| self.fit().value(quantity), |i| parameters[1 + i])
    }

    /// The camera's tilt and lens; the one that is the cause itself stays as stated.
    fn shifts(&self, parameters: &[f64]) -> Vec<f64> {
        let shift = |knob: usize| {
            let place = self.nuisances.iter().position(|(q, ..)| *q == Quantity::Camera(knob));
            place.map_or(0.0, |i| parameters[1 + i])
        };
        (0..self.bends.count()).map(shift).collect()
    }

    /// Where the cause's own parameters for a flight stand: those of the clip, or the flight's.
    fn own_range(&self, flight: usize) -> std::ops::Range<usize> {
        if self.cause.by_flight() {
            let track = &self.flights[flight];
            return track.first + PATH..track.first + PATH + track.spread.len();
        }
        let first = 1 + self.nuisances.len();
        first..first + self.spread.len()
    }

    /// Each set of the cause's own parameters once, with what was known of it beforehand.
    fn own_sets(&self) -> Vec<(std::ops::Range<usize>, &[f64])> {
        if self.cause.by_flight() {
            return (0..self.flights.len()).map(|f| (self.own_range(f), self.flights[f].spread.as_slice())).collect();
        }
        vec![(self.own_range(0), self.spread.as_slice())]
    }

    fn own<'b>(&self, parameters: &'b [f64], flight: usize) -> &'b [f64] {
        &parameters[self.own_range(flight)]
    }

    /// Motion and drag factor, alike for all flights, which are one ball's; the drag cause sets drag over weight at the first launch. Air
    /// only slows: a drag below nought gives a ball that can't be, and the search turns back.
    fn motion(&self, parameters: &[f64]) -> (Motion, f64) {
        let motion = self.fit().motion;
        if self.cause != Cause::Drag {
            let motion = motion.with_drag_exponent(self.value(parameters, Quantity::DragExponent));
            return (motion, self.value(parameters, Quantity::DragFactor));
        }
        // The ball's size is seen; its mass is the one that makes drag so large, and buoyancy follows from both.
        let stage = &self.flights[0].stage;
        let probe = BallInAir { mass_kg: 1.0, diameter_m: stage.ball_diameter_m, ..ROOM_AIR };
        let force = probe.deceleration(stage.launch_speed_m_per_s);
        let mass_kg = force / (self.own(parameters, 0)[0] * parameters[0]);
        (Motion::InAir(BallInAir { mass_kg, ..probe }), 1.0)
    }

    /// What the cause's own parameters are multiplied by for a reader: drag over weight at the launch that was found, and not at that of
    /// the fit without the cause, which is slower.
    fn shown(&self, parameters: &[f64]) -> f64 {
        let Motion::InAir(ball) = self.motion(parameters).0 else { return 1.0 };
        if self.cause != Cause::Drag {
            return 1.0;
        }
        let first = &self.flights[0];
        let found = parameters[first.first + 2].hypot(parameters[first.first + 3]);
        ball.deceleration(found) / ball.deceleration(first.stage.launch_speed_m_per_s)
    }

    fn states(&self, parameters: &[f64], flight: usize) -> Option<Vec<State>> {
        let path = self.path(parameters, flight);
        path.motion.states(path.start, path.field(), path.drag_factor, &self.taus(parameters, flight))
    }

    /// When each sighting was taken after the launch, s, as the cause has it.
    fn taus(&self, parameters: &[f64], flight: usize) -> Vec<f64> {
        let track = &self.flights[flight];
        let effect = self.effect(parameters, flight);
        let readout = if self.cause == Cause::RollingShutter {
            self.own(parameters, flight)[0]
        } else {
            self.value(parameters, Quantity::Readout)
        };
        let tau = |s: &Sighting| {
            let row = readout * self.evidence.view.row_fraction(s.centre_px);
            effect.true_time(s.frame, s.time_s, track.origin_s) + row
        };
        track.sightings.iter().map(tau).collect()
    }

    fn path(&self, parameters: &[f64], flight: usize) -> Path {
        let first = self.flights[flight].first;
        let [x, y, vx, vy] = std::array::from_fn(|i| parameters[first + i]);
        let roll = if self.cause == Cause::Roll {
            self.own(parameters, flight)[0]
        } else {
            self.value(parameters, Quantity::Roll)
        };
        let (motion, drag_factor) = self.motion(parameters);
        Path { start: State { x, y, vx, vy }, gravity: parameters[0], roll, motion, drag_factor }
    }

    fn effect<'b>(&self, parameters: &'b [f64], flight: usize) -> Effect<'b> {
        let by_camera = self.turn.is_some();
        let stage = self.flights[flight].stage;
        Effect { cause: self.cause, parameters: self.own(parameters, flight), stage, by_camera }
    }

    /// The camera that the cause supposes.
    fn eye(&self, parameters: &[f64]) -> Eye<'_> {
        let stated = Eye::Stated { view: self.evidence.view, bends: self.bends };
        self.turn.map_or(stated, |turn| turn.turned(self.evidence.view, self.bends, self.own(parameters, 0)[0]))
    }

    fn counts(&self, track: &Track<'_>, index: usize) -> bool {
        match self.cause {
            Cause::LauncherFrames { flight, count } => flight != track.of.number || index >= count,
            Cause::BounceFrames { flight, count } => flight != track.of.number || index + count < track.sightings.len(),
            _ => true,
        }
    }

    /// Covariance of a sighting, longer along the motion when the times jitter: velocity in px/s from the state by the
    /// camera's own scale there.
    fn covariance(&self, s: &Sighting, scale: &Matrix2<f64>, (vx, vy): (f64, f64)) -> Covariance2 {
        let moved = scale * Vector2::new(vx, vy) * self.jitter_s;
        let c = s.covariance_px2;
        Covariance2 { xx: c.xx + moved.x * moved.x, xy: c.xy + moved.x * moved.y, yy: c.yy + moved.y * moved.y }
    }

    /// The camera's scale at a state, px/m; nought where it doesn't count.
    fn scale_at(&self, state: &State) -> Option<Matrix2<f64>> {
        match self.jitter_s {
            0.0 => Some(Matrix2::zeros()),
            _ => self.evidence.view.pixel_jacobian(MetrePoint::new(state.x, state.y)),
        }
    }

    /// Σ ln(det C/det C₀): what wider covariances cost.
    fn log_determinants(&self, parameters: &[f64]) -> f64 {
        if self.jitter_s == 0.0 {
            return 0.0;
        }
        let determinant = |c: Covariance2| c.xx * c.yy - c.xy * c.xy;
        let one = |(state, s): (&State, &Sighting)| {
            self.scale_at(state).map_or(0.0, |scale| {
                let wider = self.covariance(s, &scale, (state.vx, state.vy));
                (determinant(wider) / determinant(s.covariance_px2)).ln()
            })
        };
        let of_flight = |(flight, track): (usize, &Track<'_>)| {
            let states = self.states(parameters, flight).unwrap_or_default();
            states.iter().zip(track.sightings).map(one).sum::<f64>()
        };
        self.flights.iter().enumerate().map(of_flight).sum()
    }

    /// Everything that is known beside the sightings.
    fn beside(&self, parameters: &[f64]) -> Vec<f64> {
        let evidence = self.evidence;
        let own = self.own(parameters, 0);
        let (expected, u) = evidence.gravity_known();
        let mut all = vec![(parameters[0] - expected) / u];
        all.extend(self.nuisances.iter().enumerate().map(|(i, (_, value, u))| (parameters[1 + i] - value) / u));
        for (range, spread) in self.own_sets() {
            all.extend(parameters[range].iter().zip(spread).map(|(value, sd)| value / sd));
        }
        all.extend(evidence.length_factor.map(|(k, u)| {
            let factor = match self.cause {
                Cause::Length => own[0],
                Cause::LengthMixUp { stated_over_true } => stated_over_true.ln(),
                _ => 0.0,
            };
            (k.ln() - factor) / u.hypot(evidence.length_relative)
        }));
        all.extend(evidence.time_factor.map(|(k, u)| {
            let factor = match self.cause {
                Cause::Clock => own[0],
                Cause::SlowMotion { recorded_hz, played_hz } => (recorded_hz / played_hz).ln(),
                _ => 0.0,
            };
            (k.ln() - factor) / u.hypot(evidence.time_relative)
        }));
        for (flight, track) in self.flights.iter().enumerate() {
            let own = self.own(parameters, flight);
            let drift = if self.cause == Cause::ExposureDrift { own[0] } else { 0.0 };
            all.extend(track.of.exposure_change_s.map(|(change, u)| (change - drift) / u));
            let Some((x, y, u)) = track.of.background_bend_m else { continue };
            let bow = if self.cause == Cause::MovingCamera { (own[0], own[1]) } else { (0.0, 0.0) };
            all.extend([(x - bow.0) / u, (y - bow.1) / u]);
        }
        all
    }
}

/// What is known beforehand of a cause that has one size for the clip. A plumb line narrows what the roll can be; a ball that is the
/// scale may be quite another ball than the stated one.
fn clip_spread(cause: Cause, evidence: &Evidence<'_>) -> Vec<f64> {
    /// ln of one ball's diameter over another's: table tennis, tennis and handball are a factor of 1.7 and 2.2 apart.
    const ANOTHER_BALL: f64 = 0.4;
    match (cause, evidence.plumb_line_rad) {
        (Cause::Roll, Some(u)) => vec![u],
        (Cause::Length, _) if evidence.ball_as_scale_m.is_some() => vec![ANOTHER_BALL],
        _ => cause.spread().to_vec(),
    }
}

/// What is known beforehand of a cause that each flight has by itself.
fn flight_spread(cause: Cause, of: &FlightEvidence<'_>, sightings: &[Sighting], stage: &Stage) -> Vec<f64> {
    let mut spread = cause.spread().to_vec();
    if cause == Cause::MovingCamera {
        let bow = spread[0];
        let most = swings(of, sightings, stage);
        spread.extend((2..=most).flat_map(|half_swings| [bow / (half_swings as f64).sqrt(); 2]));
    }
    spread
}

/// In how many half swings at most a moving camera goes to and fro during the flight.
fn swings(of: &FlightEvidence<'_>, sightings: &[Sighting], stage: &Stage) -> usize {
    /// A hand trembles at up to so many half swings a second: 6 Hz (common practice, no source).
    const A_SECOND: f64 = 12.0;
    const MOST: usize = 14;
    /// Each takes two parameters, and two places are worth a sighting.
    const SIGHTINGS_EACH: usize = 5;
    // A background that was seen to stand still leaves no swings.
    let still = |(x, y, u): (f64, f64, f64)| x.hypot(y) < 3.0 * u;
    if of.background_bend_m.is_some_and(still) {
        return 1;
    }
    let within = (A_SECOND * stage.span_s).ceil() as usize;
    within.min(sightings.len() / SIGHTINGS_EACH).clamp(1, MOST)
}

impl Residuals for Hypothesis<'_> {
    fn len(&self) -> usize {
        let e = self.evidence;
        let clues = usize::from(e.length_factor.is_some()) + usize::from(e.time_factor.is_some());
        let of_flight = |track: &Track<'_>| {
            let seen = usize::from(track.of.exposure_change_s.is_some());
            track.spread.len() + seen + 2 * usize::from(track.of.background_bend_m.is_some())
        };
        let beside = clues + self.flights.iter().map(of_flight).sum::<usize>();
        2 * self.sightings() + 1 + self.nuisances.len() + self.spread.len() + beside
    }

    fn residuals(&self, parameters: &[f64]) -> Option<DVector<f64>> {
        let (eye, shifts) = (self.eye(parameters), self.shifts(parameters));
        let mut all = Vec::with_capacity(self.len());
        for (flight, track) in self.flights.iter().enumerate() {
            let states = self.states(parameters, flight)?;
            let effect = self.effect(parameters, flight);
            for (i, (state, s)) in states.iter().zip(track.sightings).enumerate() {
                if !self.counts(track, i) {
                    all.extend([0.0, 0.0]);
                    continue;
                }
                let place = effect.seen_place(MetrePoint::new(state.x, state.y), track.progress(s));
                let seen = eye.pixel_from_metre(&shifts, place)?;
                let residual = PixelPoint::new(s.centre_px.x - seen.x, s.centre_px.y - seen.y);
                let (a, b) = whiten(residual, self.covariance(s, &self.scale_at(state)?, (state.vx, state.vy)));
                all.extend([a, b]);
            }
        }
        all.extend(self.beside(parameters));
        Some(DVector::from_vec(all))
    }

    /// In closed form, but for what the cause itself does to times and places and for the air's part, which is integrated along.
    fn jacobian(&self, parameters: &[f64]) -> Option<DMatrix<f64>> {
        let mut jacobian = DMatrix::zeros(self.len(), parameters.len());
        let eyes = Eyes::new(self, parameters);
        for (flight, track) in self.flights.iter().enumerate() {
            let moves = Moves::new(self, parameters, flight, &eyes)?;
            let levers: Vec<(usize, Moved)> = self.levers(flight);
            for (i, s) in track.sightings.iter().enumerate().filter(|(i, _)| self.counts(track, *i)) {
                let (at, row) = (moves.at(i, s)?, 2 * (track.first_sighting + i));
                for (j, lever) in &levers {
                    let (a, b) = moves.slope(&at, i, *lever)?;
                    (jacobian[(row, *j)], jacobian[(row + 1, *j)]) = (a, b);
                }
            }
        }
        // What is known beside the sightings is linear in the parameters: a step of one is as good as any.
        let (first, here) = (2 * self.sightings(), self.beside(parameters));
        let mut moved = parameters.to_vec();
        for j in 0..parameters.len() {
            moved[j] = parameters[j] + 1.0;
            for (k, (there, here)) in self.beside(&moved).into_iter().zip(&here).enumerate() {
                jacobian[(first + k, j)] = there - here;
            }
            moved[j] = parameters[j];
        }
        Some(jacobian)
    }
}

/// A flight as a hypothesis has it.
struct Path {
    start: State,
    gravity: f64,
    roll: f64,
    motion: Motion,
    drag_factor: f64,
}

impl Path {
    fn field(&self) -> (f64, f64) {
        let (sin, cos) = self.roll.sin_cos();
        (self.gravity * sin, -self.gravity * cos)
    }
}

/// What a parameter of a hypothesis moves.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Moved {
    X,
    Y,
    Vx,
    Vy,
    Gravity,
    Roll,
    Readout,
    DragFactor,
    DragExponent,
    /// One of the camera's tilts and lens terms.
    Bend(usize),
    /// The cause itself, by its own parameter of that number.
    Own(usize),
    Nothing,
}

impl Track<'_> {
    /// Share of the flight that has passed.
    fn progress(&self, s: &Sighting) -> f64 {
        (s.time_s - self.stage.first_s) / self.stage.span_s
    }
}

impl Hypothesis<'_> {
    /// The parameters that move the sightings of a flight, with what each of them moves.
    fn levers(&self, flight: usize) -> Vec<(usize, Moved)> {
        let (first, own) = (self.flights[flight].first, self.own_range(flight));
        let nuisances = self.nuisances.iter().map(|(quantity, ..)| self.moved_by(*quantity));
        let launch = [Moved::X, Moved::Y, Moved::Vx, Moved::Vy];
        let of_the_cause = own.clone().map(|j| {
            let moved = match self.cause {
                Cause::Roll => Moved::Roll,
                Cause::RollingShutter => Moved::Readout,
                _ => Moved::Own(j - own.start),
            };
            (j, moved)
        });
        std::iter::once((0, Moved::Gravity))
            .chain(nuisances.enumerate().map(|(i, moved)| (1 + i, moved)))
            .chain(launch.into_iter().enumerate().map(|(i, moved)| (first + i, moved)))
            .chain(of_the_cause)
            .collect()
    }

    fn moved_by(&self, quantity: Quantity) -> Moved {
        match quantity {
            Quantity::Roll => Moved::Roll,
            Quantity::Readout => Moved::Readout,
            // The cause has a drag of its own.
            Quantity::DragFactor | Quantity::DragExponent if self.cause == Cause::Drag => Moved::Nothing,
            Quantity::DragFactor => Moved::DragFactor,
            Quantity::DragExponent => Moved::DragExponent,
            Quantity::Camera(knob) => Moved::Bend(knob),
            _ => Moved::Nothing,
        }
    }

    /// Moved in one parameter of the cause, up and down.
    fn own_moved(&self, parameters: &[f64], at: usize) -> (Vec<f64>, Vec<f64>) {
        let by = |by: f64| {
            let mut moved = parameters.to_vec();
            moved[at] += by;
            moved
        };
        (by(OWN_STEP), by(-OWN_STEP))
    }
}

/// Step of the differences in what a cause itself does: all its parameters are of the size of a thousandth to one.
const OWN_STEP: f64 = 1e-6;

/// The cameras that all derivatives at one point need.
struct Eyes<'a> {
    here: Eye<'a>,
    /// Where the cause turns the camera: with its parameter a little above and below.
    beyond: Option<[Eye<'a>; 2]>,
    shifts: Vec<f64>,
}

impl<'a> Eyes<'a> {
    fn new(of: &'a Hypothesis<'a>, parameters: &[f64]) -> Self {
        let turned = |turn: Turn| {
            let (above, below) = of.own_moved(parameters, of.own_range(0).start);
            [above, below].map(|moved| turn.turned(of.evidence.view, of.bends, of.own(&moved, 0)[0]))
        };
        Self { here: of.eye(parameters), beyond: of.turn.map(turned), shifts: of.shifts(parameters) }
    }
}

/// What all derivatives of one flight's sightings need.
struct Moves<'a> {
    of: &'a Hypothesis<'a>,
    parameters: &'a [f64],
    flight: usize,
    path: Path,
    states: Vec<(State, Slopes)>,
    eyes: &'a Eyes<'a>,
    /// For each parameter of the cause, all above it and below it.
    own: Vec<[Beyond; 2]>,
    /// By the mass that the drag's cause supposes: states at a mass higher and lower, and the change of the mass for a unit of gravity
    /// and of the cause's own parameter.
    mass: Option<([Vec<State>; 2], [f64; 2])>,
}

/// The cause's parameter moved a little.
struct Beyond {
    parameters: Vec<f64>,
    taus: Vec<f64>,
}

/// One sighting.
struct At {
    seen: crate::fit::Seen,
    /// Of the seen place by the true one.
    by_place: Matrix2<f64>,
    place: MetrePoint,
    progress: f64,
    late: f64,
    residual: PixelPoint,
    scale: Matrix2<f64>,
    sighting: Sighting,
}

impl<'a> Moves<'a> {
    fn new(of: &'a Hypothesis<'a>, parameters: &'a [f64], flight: usize, eyes: &'a Eyes<'a>) -> Option<Self> {
        let path = of.path(parameters, flight);
        let taus = of.taus(parameters, flight);
        let states = path.motion.states_with_slopes(path.start, path.field(), path.drag_factor, &taus)?;
        let beyond = |moved: Vec<f64>| Beyond { taus: of.taus(&moved, flight), parameters: moved };
        let own = of.own_range(flight).map(|at| {
            let (above, below) = of.own_moved(parameters, at);
            [beyond(above), beyond(below)]
        });
        let mass = if of.cause == Cause::Drag { Some(of.by_mass(parameters, &path, &taus)?) } else { None };
        Some(Self { of, parameters, flight, path, states, eyes, own: own.collect(), mass })
    }

    fn at(&self, i: usize, s: &Sighting) -> Option<At> {
        /// A step that is small in a room, m.
        const STEP_M: f64 = 1e-5;
        let of = self.of;
        let state = self.states[i].0;
        let progress = of.flights[self.flight].progress(s);
        let place = MetrePoint::new(state.x, state.y);
        let effect = of.effect(self.parameters, self.flight);
        let moved = |x: f64, y: f64| effect.seen_place(MetrePoint::new(place.x + x, place.y + y), progress);
        let along = |x: f64, y: f64| {
            let (above, below) = (moved(x, y), moved(-x, -y));
            ((above.x - below.x) / (2.0 * STEP_M), (above.y - below.y) / (2.0 * STEP_M))
        };
        let (by_x, by_y) = (along(STEP_M, 0.0), along(0.0, STEP_M));
        let seen = self.eyes.here.seen(&self.eyes.shifts, effect.seen_place(place, progress))?;
        Some(At {
            by_place: Matrix2::new(by_x.0, by_y.0, by_x.1, by_y.1),
            place,
            progress,
            late: of.evidence.view.row_fraction(s.centre_px),
            residual: PixelPoint::new(s.centre_px.x - seen.pixel.x, s.centre_px.y - seen.pixel.y),
            scale: of.scale_at(&state)?,
            sighting: s.clone(),
            seen,
        })
    }

    /// Change of a whitened residual for a unit of a parameter.
    fn slope(&self, at: &At, i: usize, lever: Moved) -> Option<(f64, f64)> {
        let state = &self.states[i].0;
        let moved = match lever {
            Moved::Bend(knob) => at.seen.by_shift[knob],
            _ => {
                let moved = self.state_by(lever, i, at.late);
                let px = at.seen.by_place * at.by_place * Vector2::new(moved.x, moved.y);
                let beside = self.seen_by(lever, at)?;
                PixelPoint::new(px.x + beside.x, px.y + beside.y)
            }
        };
        let covariance = self.of.covariance(&at.sighting, &at.scale, (state.vx, state.vy));
        let (a, b) = whiten(moved, covariance);
        if self.of.jitter_s == 0.0 {
            return Some((-a, -b));
        }
        // A faster ball's sighting is worth less along its way.
        let by = self.state_by(lever, i, at.late);
        let at_velocity = |sign: f64| {
            let step = sign * 1e-4;
            let velocity = (state.vx + step * by.vx, state.vy + step * by.vy);
            whiten(at.residual, self.of.covariance(&at.sighting, &at.scale, velocity))
        };
        let (above, below) = (at_velocity(1.0), at_velocity(-1.0));
        Some(((above.0 - below.0) / 2e-4 - a, (above.1 - below.1) / 2e-4 - b))
    }

    /// Change of the state for a unit of a parameter.
    fn state_by(&self, lever: Moved, i: usize, late: f64) -> State {
        let (state, slopes) = &self.states[i];
        let (sin, cos) = self.path.roll.sin_cos();
        let field = |x: f64, y: f64| {
            let (a, b) = (slopes.by(Lever::FieldX), slopes.by(Lever::FieldY));
            State { x: x * a.x + y * b.x, y: x * a.y + y * b.y, vx: x * a.vx + y * b.vx, vy: x * a.vy + y * b.vy }
        };
        // The air's part of the velocity's change within a readout isn't felt.
        let later = |seconds: f64| State {
            x: seconds * state.vx,
            y: seconds * state.vy,
            vx: seconds * self.path.field().0,
            vy: seconds * self.path.field().1,
        };
        let none = State { x: 0.0, y: 0.0, vx: 0.0, vy: 0.0 };
        match lever {
            Moved::X => State { x: 1.0, ..none },
            Moved::Y => State { y: 1.0, ..none },
            Moved::Vx => slopes.by(Lever::Vx),
            Moved::Vy => slopes.by(Lever::Vy),
            Moved::Gravity => self.with_mass(field(sin, -cos), i, 0),
            Moved::Roll => field(self.path.gravity * cos, self.path.gravity * sin),
            Moved::Readout => later(late),
            Moved::DragFactor => slopes.by(Lever::DragFactor),
            Moved::DragExponent => slopes.by(Lever::DragExponent),
            Moved::Own(own) => {
                let [above, below] = &self.own[own];
                self.with_mass(later((above.taus[i] - below.taus[i]) / (2.0 * OWN_STEP)), i, 1)
            }
            Moved::Bend(_) | Moved::Nothing => none,
        }
    }

    /// A change of the state with what the mass that changes along adds.
    fn with_mass(&self, plain: State, i: usize, cause: usize) -> State {
        let Some(([above, below], by)) = &self.mass else { return plain };
        let slope = |of: fn(&State) -> f64| of(&plain) + by[cause] * (of(&above[i]) - of(&below[i]));
        State { x: slope(|s| s.x), y: slope(|s| s.y), vx: slope(|s| s.vx), vy: slope(|s| s.vy) }
    }

    /// Change of the pixel beside that of the state: what the cause does to places and to the camera.
    fn seen_by(&self, lever: Moved, at: &At) -> Option<PixelPoint> {
        let Moved::Own(own) = lever else { return Some(PixelPoint::new(0.0, 0.0)) };
        let one = |side: usize| {
            let beyond = &self.own[own][side];
            let place = self.of.effect(&beyond.parameters, self.flight).seen_place(at.place, at.progress);
            let eye = self.eyes.beyond.as_ref().map_or(&self.eyes.here, |eyes| &eyes[side]);
            eye.pixel_from_metre(&self.eyes.shifts, place)
        };
        let (above, below) = (one(0)?, one(1)?);
        Some(PixelPoint::new((above.x - below.x) / (2.0 * OWN_STEP), (above.y - below.y) / (2.0 * OWN_STEP)))
    }
}

impl Hypothesis<'_> {
    /// States at a mass higher and lower, over the span of the masses; and the mass's change, kg, for a unit of gravity and of the drag over
    /// weight, to both of which it is inversely proportional.
    fn by_mass(&self, parameters: &[f64], path: &Path, taus: &[f64]) -> Option<([Vec<State>; 2], [f64; 2])> {
        /// Relative steps.
        const STEP: f64 = 1e-4;
        let Motion::InAir(ball) = path.motion else { return None };
        let states = |factor: f64| {
            let motion = Motion::InAir(BallInAir { mass_kg: ball.mass_kg * factor, ..ball });
            let states = motion.states(path.start, path.field(), path.drag_factor, taus)?;
            let span = 2.0 * STEP * ball.mass_kg;
            let over = |s: State| State { x: s.x / span, y: s.y / span, vx: s.vx / span, vy: s.vy / span };
            Some(states.into_iter().map(over).collect())
        };
        let by = [parameters[0], self.own(parameters, 0)[0]].map(|value| -ball.mass_kg / value);
        Some(([states(1.0 + STEP)?, states(1.0 - STEP)?], by))
    }
}

/// Whether an input of the camera is what a cause is about.
fn is_of(cause: Cause, input: &str) -> bool {
    match cause {
        Cause::Yaw => input.starts_with("yaw"),
        Cause::Pitch => input.starts_with("pitch"),
        Cause::Lens | Cause::WideLens => input.starts_with("lens term"),
        _ => false,
    }
}

/// The residual in units of its covariance: L⁻¹·r with C = L·Lᵀ.
fn whiten(r: PixelPoint, c: Covariance2) -> (f64, f64) {
    let l11 = c.xx.sqrt();
    let l21 = c.xy / l11;
    let a = r.x / l11;
    (a, (r.y - l21 * a) / (c.yy - l21 * l21).sqrt())
}
