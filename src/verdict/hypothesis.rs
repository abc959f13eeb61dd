//! Fits the flight with gravity known and one cause at work, and says how well that explains the sightings.

use nalgebra::DVector;

use super::Evidence;
use super::cause::{Cause, Effect, Stage};
use crate::fit::models::aicc;
use crate::fit::motion::{BallInAir, Motion, State};
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
    pub fitted: usize,
    pub values: usize,
}

impl Explained {
    /// Misfit with the price of its parameters and what was known of it beforehand; `noise` divides the misfit.
    pub fn score(&self, noise: f64) -> f64 {
        let price = aicc(0.0, self.fitted, self.values).unwrap_or(f64::INFINITY);
        self.misfit / noise + price - 2.0 * self.cause.prior_weight().ln()
    }

    /// The score without anything that was thought of the cause beforehand.
    pub fn score_by_data(&self, noise: f64) -> f64 {
        self.score(noise) - self.surprise / noise + 2.0 * self.cause.prior_weight().ln()
    }

    pub fn misfit_per_freedom(&self) -> f64 {
        self.misfit / self.values.saturating_sub(self.fitted).max(1) as f64
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
    Some(Explained {
        cause,
        surprise,
        uncertainties: own.map(|j| cofactor[(j, j)].sqrt()).collect(),
        misfit: minimum.sum_of_squares + hypothesis.log_determinants(&minimum.parameters),
        // A frame left out is one whose two coordinates are explained by two parameters.
        fitted: 4 + found.len() + 2 * touched + jitter,
        values: 2 * case.sightings.len(),
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
        start.extend(self.cause.spread().iter().map(|_| own));
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
        let start = State { x: parameters[0], y: parameters[1], vx: parameters[2], vy: parameters[3] };
        let own = self.own(parameters);
        let effect = Effect { cause: self.cause, parameters: own, stage: self.stage };
        let roll = if self.cause == Cause::Roll { own[0] } else { self.value(parameters, Quantity::Roll) };
        let readout =
            if self.cause == Cause::RollingShutter { own[0] } else { self.value(parameters, Quantity::Readout) };
        let taus: Vec<f64> = self
            .sightings
            .iter()
            .map(|s| {
                let row = readout * self.evidence.view.row_fraction(s.centre_px);
                effect.true_time(s.frame, s.time_s, self.origin_s) + row
            })
            .collect();
        let (motion, factor) = self.motion(parameters, start);
        let field = (parameters[4] * roll.sin(), -parameters[4] * roll.cos());
        motion.states(start, field, factor, &taus)
    }

    fn counts(&self, index: usize) -> bool {
        match self.cause {
            Cause::LauncherFrames { count } => index >= count,
            Cause::BounceFrames { count } => index + count < self.sightings.len(),
            _ => true,
        }
    }

    /// Covariance of a sighting, longer along the motion when the times jitter. Velocity in px/s from the state by the
    /// camera's own scale.
    fn covariance(&self, s: &Sighting, state: &State) -> Option<Covariance2> {
        if self.jitter_s == 0.0 {
            return Some(s.covariance_px2);
        }
        let view = self.evidence.view;
        let here = view.pixel_from_metre(MetrePoint::new(state.x, state.y))?;
        let (dx, dy) = (state.vx * self.jitter_s, state.vy * self.jitter_s);
        let there = view.pixel_from_metre(MetrePoint::new(state.x + dx, state.y + dy))?;
        let (x, y) = (there.x - here.x, there.y - here.y);
        let c = s.covariance_px2;
        Some(Covariance2 { xx: c.xx + x * x, xy: c.xy + x * y, yy: c.yy + y * y })
    }

    /// Σ ln(det C/det C₀): what wider covariances cost.
    fn log_determinants(&self, parameters: &[f64]) -> f64 {
        if self.jitter_s == 0.0 {
            return 0.0;
        }
        let states = self.states(parameters).unwrap_or_default();
        let determinant = |c: Covariance2| c.xx * c.yy - c.xy * c.xy;
        let one = |(state, s): (&State, &Sighting)| {
            self.covariance(s, state).map_or(0.0, |c| (determinant(c) / determinant(s.covariance_px2)).ln())
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
            _ => self.cause.spread().to_vec(),
        }
    }
}

impl Residuals for Hypothesis<'_> {
    fn len(&self) -> usize {
        let e = self.evidence;
        let channels = [e.length_factor.is_some(), e.time_factor.is_some(), e.exposure_change_s.is_some()];
        let beside = channels.into_iter().filter(|c| *c).count() + 2 * usize::from(e.background_bend_m.is_some());
        2 * self.sightings.len() + 1 + self.nuisances.len() + self.cause.spread().len() + beside
    }

    fn residuals(&self, parameters: &[f64]) -> Option<DVector<f64>> {
        let states = self.states(parameters)?;
        let effect = Effect { cause: self.cause, parameters: self.own(parameters), stage: self.stage };
        let shifts = self.shifts(parameters);
        let mut all = Vec::with_capacity(self.len());
        for (i, (state, s)) in states.iter().zip(self.sightings).enumerate() {
            if !self.counts(i) {
                all.extend([0.0, 0.0]);
                continue;
            }
            let progress = (s.time_s - self.stage.first_s) / self.stage.span_s;
            let place = effect.seen_place(MetrePoint::new(state.x, state.y), progress);
            let seen = self.bends.pixel_from_metre(self.evidence.view, &shifts, place)?;
            let residual = PixelPoint::new(s.centre_px.x - seen.x, s.centre_px.y - seen.y);
            let (a, b) = whiten(residual, self.covariance(s, state)?);
            all.extend([a, b]);
        }
        all.extend(self.beside(parameters));
        Some(DVector::from_vec(all))
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
