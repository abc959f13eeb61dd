//! Fits the flight with gravity known and one cause at work, and says how well that explains the sightings.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use super::Evidence;
use super::cause::{Cause, Effect, Stage};
use super::eye::{Eye, Turn};
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
    /// Its parameters and their standard uncertainties.
    pub parameters: Vec<f64>,
    pub uncertainties: Vec<f64>,
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

    /// The size that the cause needs, with its standard uncertainty: its parameter, or that of its parameters together. `None` for a cause
    /// that has no size, or whose uncertainty isn't known.
    pub fn figure(&self) -> Option<(f64, f64)> {
        let pairs = || self.parameters.iter().zip(&self.uncertainties);
        let (value, u) = match self.cause {
            Cause::MovingCamera => {
                let size = self.parameters.iter().map(|b| b * b).sum::<f64>().sqrt();
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

/// Quantities of the path that a hypothesis finds: launch state, gravity, and what the fit itself held as uncertain.
const PATH: usize = 5;

/// Air of a room; the density is known to a few per cent and drag to ten.
const ROOM_AIR: BallInAir = BallInAir {
    mass_kg: 1.0,
    diameter_m: 0.05,
    air_density_kg_per_m3: 1.2,
    air_viscosity_pa_s: 1.8e-5,
    drag_coefficient: None,
    drag_exponent: 0.0,
};

/// What all hypotheses of one flight share.
#[derive(Clone, Copy)]
pub(super) struct Case<'a> {
    pub evidence: &'a Evidence<'a>,
    pub bends: &'a Bends,
    pub sightings: &'a [Sighting],
}

struct Hypothesis<'a> {
    evidence: &'a Evidence<'a>,
    bends: &'a Bends,
    /// Where the cause is an input of the camera, which is then turned itself.
    turn: Option<Turn>,
    sightings: &'a [Sighting],
    /// Place of each sighting among all: the frame count doesn't care which were dropped.
    stage: Stage,
    cause: Cause,
    /// Extra standard deviation of each sighting's time, s.
    jitter_s: f64,
    nuisances: Vec<(Quantity, f64, f64)>,
    origin_s: f64,
}

/// The hypothesis that `cause` was at work; `None` when no such path can be found.
pub(super) fn explain(case: &Case<'_>, cause: Cause, jitter_s: f64) -> Option<Explained> {
    let hypothesis = Hypothesis::new(case, cause, jitter_s)?;
    let start = hypothesis.start();
    let options = SolverOptions { max_iterations: 100, relative_decrease: 1e-9, relative_step: 1e-9, damping: 1e-9 };
    let minimum = minimise(&hypothesis, &start, options).ok()?;
    let cofactor = minimum.cofactor()?;
    let first = PATH + hypothesis.nuisances.len();
    let own = first..minimum.parameters.len();
    let found = minimum.parameters[own.clone()].to_vec();
    let touched = match cause {
        Cause::LauncherFrames { count } | Cause::BounceFrames { count } => count,
        _ => 0,
    };
    let jitter = usize::from(jitter_s > 0.0);
    let surprise = found.iter().zip(hypothesis.spread()).map(|(value, sd)| (value / sd).powi(2)).sum();
    let uncertainties: Vec<f64> = own.map(|j| cofactor[(j, j)].sqrt()).collect();
    let by_sightings = |(j, (u, sd)): (usize, (&f64, f64))| {
        let first = cause.spread().len();
        if j < first { 1.0 } else { (1.0 - (u / sd).powi(2)).max(0.0) }
    };
    let of_the_cause: f64 = uncertainties.iter().zip(hypothesis.spread()).enumerate().map(by_sightings).sum();
    Some(Explained {
        cause,
        surprise,
        misfit: minimum.sum_of_squares + hypothesis.log_determinants(&minimum.parameters),
        // A frame left out is one whose two coordinates are explained by two parameters.
        fitted: 4.0 + of_the_cause + (2 * touched + jitter) as f64,
        values: 2 * case.sightings.len(),
        uncertainties: if jitter > 0 { Vec::new() } else { uncertainties },
        parameters: if jitter > 0 { vec![jitter_s] } else { found },
    })
}

impl<'a> Hypothesis<'a> {
    fn new(case: &Case<'a>, cause: Cause, jitter_s: f64) -> Option<Self> {
        let Case { evidence, bends, sightings } = *case;
        let stage = evidence.stage(sightings)?;
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
        let nuisances = own.chain(known_bends.map(|knob| (Quantity::Camera(knob), 0.0, 1.0))).collect();
        Some(Self {
            evidence,
            bends,
            turn: Turn::of(cause, evidence.view, &stage),
            sightings,
            stage,
            cause,
            jitter_s,
            nuisances,
            origin_s: evidence.fit.launch_time_s.value,
        })
    }

    /// From the fit, brought to the true clock and length where the cause says how they differ.
    fn start(&self) -> Vec<f64> {
        let fit = self.evidence.fit;
        let launch = fit.launch_state();
        let (time, length) = match self.cause {
            Cause::SlowMotion { recorded_hz, played_hz } => (recorded_hz / played_hz, 1.0),
            Cause::LengthMixUp { stated_over_true } => (1.0, stated_over_true),
            _ => (1.0, 1.0),
        };
        let speed = time / length;
        let expected = self.evidence.expected_gravity.value;
        let mut start = vec![launch.x / length, launch.y / length, launch.vx * speed, launch.vy * speed, expected];
        start.extend(self.nuisances.iter().map(|(q, ..)| fit.value(*q)));
        // Some drag to begin with: none would need a ball of infinite mass.
        let own = if self.cause == Cause::Drag { 0.05 } else { 0.0 };
        start.extend(self.spread().iter().map(|_| own));
        start
    }

    fn value(&self, parameters: &[f64], quantity: Quantity) -> f64 {
        let place = self.nuisances.iter().position(|(q, ..)| *q == quantity);
        place.map_or_else(|| self.evidence.fit.value(quantity), |i| parameters[PATH + i])
    }

    /// The camera's tilt and lens; the one that is the cause itself stays as stated.
    fn shifts(&self, parameters: &[f64]) -> Vec<f64> {
        let shift = |knob: usize| {
            let place = self.nuisances.iter().position(|(q, ..)| *q == Quantity::Camera(knob));
            place.map_or(0.0, |i| parameters[PATH + i])
        };
        (0..self.bends.count()).map(shift).collect()
    }

    fn own<'b>(&self, parameters: &'b [f64]) -> &'b [f64] {
        &parameters[PATH + self.nuisances.len()..]
    }

    /// Motion and drag factor; the drag cause sets drag over weight at launch. Air only slows: a drag below nought gives a ball
    /// that can't be, and the search turns back.
    fn motion(&self, parameters: &[f64], start: State) -> (Motion, f64) {
        let motion = self.evidence.fit.motion;
        if self.cause != Cause::Drag {
            let motion = motion.with_drag_exponent(self.value(parameters, Quantity::DragExponent));
            return (motion, self.value(parameters, Quantity::DragFactor));
        }
        // The ball's size is seen; its mass is the one that makes drag so large, and buoyancy follows from both.
        let probe = BallInAir { mass_kg: 1.0, diameter_m: self.stage.ball_diameter_m, ..ROOM_AIR };
        let force = probe.deceleration(start.vx.hypot(start.vy));
        let mass_kg = force / (self.own(parameters)[0] * parameters[4]);
        (Motion::InAir(BallInAir { mass_kg, ..probe }), 1.0)
    }

    fn states(&self, parameters: &[f64]) -> Option<Vec<State>> {
        let path = self.path(parameters);
        path.motion.states(path.start, path.field(), path.drag_factor, &self.taus(parameters))
    }

    /// When each sighting was taken after the launch, s, as the cause has it.
    fn taus(&self, parameters: &[f64]) -> Vec<f64> {
        let own = self.own(parameters);
        let effect = self.effect(parameters);
        let readout =
            if self.cause == Cause::RollingShutter { own[0] } else { self.value(parameters, Quantity::Readout) };
        let tau = |s: &Sighting| {
            let row = readout * self.evidence.view.row_fraction(s.centre_px);
            effect.true_time(s.frame, s.time_s, self.origin_s) + row
        };
        self.sightings.iter().map(tau).collect()
    }

    fn path(&self, parameters: &[f64]) -> Path {
        let start = State { x: parameters[0], y: parameters[1], vx: parameters[2], vy: parameters[3] };
        let roll =
            if self.cause == Cause::Roll { self.own(parameters)[0] } else { self.value(parameters, Quantity::Roll) };
        let (motion, drag_factor) = self.motion(parameters, start);
        Path { start, gravity: parameters[4], roll, motion, drag_factor }
    }

    fn effect<'b>(&self, parameters: &'b [f64]) -> Effect<'b> {
        let by_camera = self.turn.is_some();
        Effect { cause: self.cause, parameters: self.own(parameters), stage: self.stage, by_camera }
    }

    /// The camera that the cause supposes.
    fn eye(&self, parameters: &[f64]) -> Eye<'_> {
        let stated = Eye::Stated { view: self.evidence.view, bends: self.bends };
        self.turn.map_or(stated, |turn| turn.turned(self.evidence.view, self.bends, self.own(parameters)[0]))
    }

    fn counts(&self, index: usize) -> bool {
        match self.cause {
            Cause::LauncherFrames { count } => index >= count,
            Cause::BounceFrames { count } => index + count < self.sightings.len(),
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
        let states = self.states(parameters).unwrap_or_default();
        let determinant = |c: Covariance2| c.xx * c.yy - c.xy * c.xy;
        let one = |(state, s): (&State, &Sighting)| {
            self.scale_at(state).map_or(0.0, |scale| {
                let wider = self.covariance(s, &scale, (state.vx, state.vy));
                (determinant(wider) / determinant(s.covariance_px2)).ln()
            })
        };
        states.iter().zip(self.sightings).map(one).sum()
    }

    /// Everything that is known beside the sightings.
    fn beside(&self, parameters: &[f64]) -> Vec<f64> {
        let evidence = self.evidence;
        let own = self.own(parameters);
        let (expected, u) = evidence.gravity_known();
        let mut all = vec![(parameters[4] - expected) / u];
        all.extend(self.nuisances.iter().enumerate().map(|(i, (_, value, u))| (parameters[PATH + i] - value) / u));
        all.extend(own.iter().zip(self.spread()).map(|(value, sd)| value / sd));
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
        all.extend(
            evidence
                .exposure_change_s
                .map(|(change, u)| (change - if self.cause == Cause::ExposureDrift { own[0] } else { 0.0 }) / u),
        );
        for (axis, bend) in evidence.background_bend_m.iter().flat_map(|b| [(0, b.0), (1, b.1)]) {
            let u = evidence.background_bend_m.map_or(1.0, |b| b.2);
            all.push((bend - if self.cause == Cause::MovingCamera { own[axis] } else { 0.0 }) / u);
        }
        all
    }

    /// A plumb line narrows what the roll can be; a ball that is the scale may be quite another ball than the stated one.
    fn spread(&self) -> Vec<f64> {
        /// ln of one ball's diameter over another's: table tennis, tennis and handball are a factor of 1.7 and 2.2 apart.
        const ANOTHER_BALL: f64 = 0.4;
        match (self.cause, self.evidence.plumb_line_rad) {
            (Cause::Roll, Some(u)) => vec![u],
            (Cause::Length, _) if self.evidence.ball_as_scale_m.is_some() => vec![ANOTHER_BALL],
            (Cause::MovingCamera, _) => {
                let mut spread = self.cause.spread().to_vec();
                let bow = spread[0];
                let swings = (2..=self.swings()).flat_map(|half_swings| [bow / (half_swings as f64).sqrt(); 2]);
                spread.extend(swings);
                spread
            }
            _ => self.cause.spread().to_vec(),
        }
    }

    /// In how many half swings at most a moving camera goes to and fro during the flight.
    fn swings(&self) -> usize {
        /// A hand trembles at up to so many half swings a second: 6 Hz (common practice, no source).
        const A_SECOND: f64 = 12.0;
        const MOST: usize = 14;
        /// Each takes two parameters, and two places are worth a sighting.
        const SIGHTINGS_EACH: usize = 5;
        // A background that was seen to stand still leaves no swings.
        let still = |(x, y, u): (f64, f64, f64)| x.hypot(y) < 3.0 * u;
        if self.evidence.background_bend_m.is_some_and(still) {
            return 1;
        }
        let within = (A_SECOND * self.stage.span_s).ceil() as usize;
        within.min(self.sightings.len() / SIGHTINGS_EACH).clamp(1, MOST)
    }
}

impl Residuals for Hypothesis<'_> {
    fn len(&self) -> usize {
        let e = self.evidence;
        let channels = [e.length_factor.is_some(), e.time_factor.is_some(), e.exposure_change_s.is_some()];
        let beside = channels.into_iter().filter(|c| *c).count() + 2 * usize::from(e.background_bend_m.is_some());
        2 * self.sightings.len() + 1 + self.nuisances.len() + self.spread().len() + beside
    }

    fn residuals(&self, parameters: &[f64]) -> Option<DVector<f64>> {
        let states = self.states(parameters)?;
        let effect = self.effect(parameters);
        let (eye, shifts) = (self.eye(parameters), self.shifts(parameters));
        let mut all = Vec::with_capacity(self.len());
        for (i, (state, s)) in states.iter().zip(self.sightings).enumerate() {
            if !self.counts(i) {
                all.extend([0.0, 0.0]);
                continue;
            }
            let place = effect.seen_place(MetrePoint::new(state.x, state.y), self.progress(s));
            let seen = eye.pixel_from_metre(&shifts, place)?;
            let residual = PixelPoint::new(s.centre_px.x - seen.x, s.centre_px.y - seen.y);
            let (a, b) = whiten(residual, self.covariance(s, &self.scale_at(state)?, (state.vx, state.vy)));
            all.extend([a, b]);
        }
        all.extend(self.beside(parameters));
        Some(DVector::from_vec(all))
    }

    /// In closed form, but for what the cause itself does to times and places and for the air's part, which is integrated along.
    fn jacobian(&self, parameters: &[f64]) -> Option<DMatrix<f64>> {
        let mut jacobian = DMatrix::zeros(self.len(), parameters.len());
        let moves = Moves::new(self, parameters)?;
        let levers: Vec<Moved> = (0..parameters.len()).map(|j| self.moved_by(j)).collect();
        for (i, s) in self.sightings.iter().enumerate().filter(|(i, _)| self.counts(*i)) {
            let at = moves.at(i, s)?;
            for (j, lever) in levers.iter().enumerate() {
                let (a, b) = moves.slope(&at, i, *lever)?;
                (jacobian[(2 * i, j)], jacobian[(2 * i + 1, j)]) = (a, b);
            }
        }
        // What is known beside the sightings is linear in the parameters: a step of one is as good as any.
        let (first, here) = (2 * self.sightings.len(), self.beside(parameters));
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

impl Hypothesis<'_> {
    fn moved_by(&self, j: usize) -> Moved {
        let nuisances = PATH + self.nuisances.len();
        match j {
            0 => Moved::X,
            1 => Moved::Y,
            2 => Moved::Vx,
            3 => Moved::Vy,
            4 => Moved::Gravity,
            _ if j < nuisances => match self.nuisances[j - PATH].0 {
                Quantity::Roll => Moved::Roll,
                Quantity::Readout => Moved::Readout,
                // The cause has a drag of its own.
                Quantity::DragFactor | Quantity::DragExponent if self.cause == Cause::Drag => Moved::Nothing,
                Quantity::DragFactor => Moved::DragFactor,
                Quantity::DragExponent => Moved::DragExponent,
                Quantity::Camera(knob) => Moved::Bend(knob),
                _ => Moved::Nothing,
            },
            _ => match self.cause {
                Cause::Roll => Moved::Roll,
                Cause::RollingShutter => Moved::Readout,
                _ => Moved::Own(j - nuisances),
            },
        }
    }

    /// Share of the flight that has passed.
    fn progress(&self, s: &Sighting) -> f64 {
        (s.time_s - self.stage.first_s) / self.stage.span_s
    }

    /// Moved in one parameter of the cause, up and down.
    fn own_moved(&self, parameters: &[f64], own: usize) -> (Vec<f64>, Vec<f64>) {
        let at = |by: f64| {
            let mut moved = parameters.to_vec();
            moved[PATH + self.nuisances.len() + own] += by;
            moved
        };
        (at(OWN_STEP), at(-OWN_STEP))
    }
}

/// Step of the differences in what a cause itself does: all its parameters are of the size of a thousandth to one.
const OWN_STEP: f64 = 1e-6;

/// What all derivatives at one point need.
struct Moves<'a> {
    of: &'a Hypothesis<'a>,
    parameters: &'a [f64],
    path: Path,
    states: Vec<(State, Slopes)>,
    eye: Eye<'a>,
    shifts: Vec<f64>,
    /// For each parameter of the cause, all above it and below it: taus and the camera.
    own: Vec<[Beyond<'a>; 2]>,
    /// By the mass that the drag's cause supposes: states at a mass higher and lower, and the change of the mass for a unit of Vx, Vy,
    /// gravity and the cause's own parameter.
    mass: Option<([Vec<State>; 2], [f64; 4])>,
}

/// The cause's parameter moved a little.
struct Beyond<'a> {
    parameters: Vec<f64>,
    taus: Vec<f64>,
    eye: Option<Eye<'a>>,
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
    fn new(of: &'a Hypothesis<'a>, parameters: &'a [f64]) -> Option<Self> {
        let path = of.path(parameters);
        let taus = of.taus(parameters);
        let states = path.motion.states_with_slopes(path.start, path.field(), path.drag_factor, &taus)?;
        let beyond = |moved: Vec<f64>| Beyond {
            taus: of.taus(&moved),
            eye: of.turn.map(|turn| turn.turned(of.evidence.view, of.bends, of.own(&moved)[0])),
            parameters: moved,
        };
        let own = (0..of.own(parameters).len()).map(|own| {
            let (above, below) = of.own_moved(parameters, own);
            [beyond(above), beyond(below)]
        });
        let mass = if of.cause == Cause::Drag { Some(of.by_mass(parameters, &path, &taus)?) } else { None };
        Some(Self {
            of,
            parameters,
            states,
            eye: of.eye(parameters),
            shifts: of.shifts(parameters),
            own: own.collect(),
            mass,
            path,
        })
    }

    fn at(&self, i: usize, s: &Sighting) -> Option<At> {
        /// A step that is small in a room, m.
        const STEP_M: f64 = 1e-5;
        let of = self.of;
        let state = self.states[i].0;
        let progress = of.progress(s);
        let place = MetrePoint::new(state.x, state.y);
        let effect = of.effect(self.parameters);
        let moved = |x: f64, y: f64| effect.seen_place(MetrePoint::new(place.x + x, place.y + y), progress);
        let along = |x: f64, y: f64| {
            let (above, below) = (moved(x, y), moved(-x, -y));
            ((above.x - below.x) / (2.0 * STEP_M), (above.y - below.y) / (2.0 * STEP_M))
        };
        let (by_x, by_y) = (along(STEP_M, 0.0), along(0.0, STEP_M));
        let seen = self.eye.seen(&self.shifts, effect.seen_place(place, progress))?;
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
            Moved::Vx => self.with_mass(slopes.by(Lever::Vx), i, 0),
            Moved::Vy => self.with_mass(slopes.by(Lever::Vy), i, 1),
            Moved::Gravity => self.with_mass(field(sin, -cos), i, 2),
            Moved::Roll => field(self.path.gravity * cos, self.path.gravity * sin),
            Moved::Readout => later(late),
            Moved::DragFactor => slopes.by(Lever::DragFactor),
            Moved::DragExponent => slopes.by(Lever::DragExponent),
            Moved::Own(own) => {
                let [above, below] = &self.own[own];
                self.with_mass(later((above.taus[i] - below.taus[i]) / (2.0 * OWN_STEP)), i, 3)
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
        let one = |beyond: &Beyond<'_>| {
            let place = self.of.effect(&beyond.parameters).seen_place(at.place, at.progress);
            beyond.eye.as_ref().unwrap_or(&self.eye).pixel_from_metre(&self.shifts, place)
        };
        let (above, below) = (one(&self.own[own][0])?, one(&self.own[own][1])?);
        Some(PixelPoint::new((above.x - below.x) / (2.0 * OWN_STEP), (above.y - below.y) / (2.0 * OWN_STEP)))
    }
}

impl Hypothesis<'_> {
    /// States at a mass higher and lower, over the span of the masses; and the mass's change for a unit of Vx, Vy, gravity and the drag over
    /// weight, kg.
    fn by_mass(&self, parameters: &[f64], path: &Path, taus: &[f64]) -> Option<([Vec<State>; 2], [f64; 4])> {
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
        let mass = |j: usize, by: f64| {
            let mut moved = parameters.to_vec();
            moved[j] += by;
            let start = State { vx: moved[2], vy: moved[3], ..path.start };
            match self.motion(&moved, start).0 {
                Motion::InAir(ball) => ball.mass_kg,
                Motion::Vacuum => f64::NAN,
            }
        };
        let own = PATH + self.nuisances.len();
        let by = [2, 3, 4, own].map(|j| {
            let step = 1e-4 * parameters[j].abs().max(1e-3);
            (mass(j, step) - mass(j, -step)) / (2.0 * step)
        });
        Some(([states(1.0 + STEP)?, states(1.0 - STEP)?], by))
    }
}

/// Whether an input of the camera is what a cause is about.
fn is_of(cause: Cause, input: &str) -> bool {
    match cause {
        Cause::Yaw => input.starts_with("yaw"),
        Cause::Pitch => input.starts_with("pitch"),
        Cause::Lens => input.starts_with("lens term"),
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
