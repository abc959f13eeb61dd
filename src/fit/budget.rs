//! The uncertainty budget of a flight: every input a row, combined by the GUM, and a Monte Carlo run to confirm it.

use nalgebra::Matrix3;
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution as _, StandardNormal};
use serde::{Deserialize, Serialize};

use super::motion::Motion;
use super::result::{ContributionSource, FlightFit};
use super::solve::{Warm, refit};
use super::terms::{Quantity, Term, Terms};
use super::view::{Distribution, FlightView, InputKind, ViewInput};
use super::{FitError, FitOptions, FlightInput};
use crate::flight::drag::DRAG_EXPONENT_UNCERTAINTY;
use crate::maths::gum::{coverage_factor_with_rectangular, welch_satterthwaite};
use crate::maths::monte_carlo::{RunOptions, Summary, run};
use crate::sight::Sighting;
use crate::units::{Estimate, PixelPoint};

/// What a row stands for; the words for it are chosen where it is shown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RowKind {
    Sightings,
    LaunchTime,
    TimeBase,
    Camera(InputKind),
    /// A quantity of the fit that was known beforehand with doubt.
    Known(Quantity),
    Other,
}

/// One input of the budget. Lists of three are for launch speed (m/s), launch angle (deg) and gravity (m/s²).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BudgetRow {
    pub kind: RowKind,
    pub name: String,
    pub unit: String,
    /// `None` where an input isn't one number (the sightings).
    pub value: Option<f64>,
    /// In `unit`; `None` where it isn't one number.
    pub standard_uncertainty: Option<f64>,
    pub distribution: Distribution,
    pub degrees_of_freedom: Option<f64>,
    /// Change of the result for one unit of the input; `None` where the input isn't one number.
    pub sensitivity: Option<[f64; 3]>,
    /// Sensitivity times standard uncertainty, signed.
    pub contribution: [f64; 3],
    /// Part of the variance, 0 to 1.
    pub share: [f64; 3],
}

/// An interval by Monte Carlo confirms that of the budget when each of its ends lies within this share of the interval's width: the
/// half digit by which an uncertainty of two digits is rounded (JCGM 101:2008, 8.1.2, asks for half of its last digit; of 10 to
/// 99 a half is 0.5 to 5 %).
pub const CONFIRMS_WITHIN: f64 = 0.05;

/// A result of the budget.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BudgetResult {
    pub value: f64,
    pub combined_standard_uncertainty: f64,
    /// `None` when infinite.
    pub effective_degrees_of_freedom: Option<f64>,
    pub coverage_factor: f64,
    pub expanded_uncertainty_95: f64,
    /// Monte Carlo, when it was run (JCGM 101).
    pub monte_carlo: Option<Summary>,
}

impl BudgetResult {
    /// The interval of the budget; that of Monte Carlo in its place where that was run and doesn't confirm it (JCGM 101:2008,
    /// 8.1.3), drawn to the farther of its two ends.
    pub fn estimate(&self) -> Estimate {
        match self.monte_carlo {
            Some(drawn) if self.confirmed(CONFIRMS_WITHIN) == Some(false) => {
                let half = (drawn.interval.1 - self.value).max(self.value - drawn.interval.0);
                Estimate::with_coverage_factor(
                    self.value,
                    drawn.standard_uncertainty,
                    half / drawn.standard_uncertainty,
                )
            }
            _ => Estimate::with_coverage_factor(self.value, self.combined_standard_uncertainty, self.coverage_factor),
        }
    }

    /// Whether Monte Carlo gives the same interval to within `share` of its width; `None` when it wasn't run.
    pub fn confirmed(&self, share: f64) -> Option<bool> {
        let u = self.expanded_uncertainty_95;
        self.monte_carlo.map(|m| {
            let (low, high) = (self.value - u, self.value + u);
            (m.interval.0 - low).abs() <= 2.0 * share * u && (m.interval.1 - high).abs() <= 2.0 * share * u
        })
    }
}

/// The budget of one flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    pub rows: Vec<BudgetRow>,
    pub launch_speed_m_per_s: BudgetResult,
    pub launch_angle_deg: BudgetResult,
    pub gravity_m_per_s2: BudgetResult,
}

impl Budget {
    /// Relative standard uncertainty of lengths: scale, marks and distances, as they act on the launch speed.
    pub fn length_relative(&self) -> f64 {
        let lengths = [InputKind::Scale, InputKind::Marks, InputKind::Distance];
        self.relative(|kind| lengths.iter().any(|length| *kind == RowKind::Camera(*length)))
    }

    /// Relative standard uncertainty of the time base, as it acts on the launch speed.
    pub fn time_relative(&self) -> f64 {
        self.relative(|kind| *kind == RowKind::TimeBase)
    }

    fn relative(&self, counts: impl Fn(&RowKind) -> bool) -> f64 {
        let chosen = self.rows.iter().filter(|row| counts(&row.kind));
        let variance: f64 = chosen.map(|row| row.contribution[0].powi(2)).sum();
        variance.sqrt() / self.launch_speed_m_per_s.value
    }
}

/// An input that neither the fit nor the camera knows, with its effect already worked out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OtherInput {
    pub name: String,
    pub unit: String,
    pub value: f64,
    pub standard_uncertainty: f64,
    pub distribution: Distribution,
    pub degrees_of_freedom: Option<f64>,
    pub sensitivity: [f64; 3],
}

/// One that tells the rate of the clock. Independent of the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockWitness {
    /// For "rate of the clock, by …".
    pub name: String,
    /// True time over that of the clock, as the witness has it.
    pub true_over_stated: f64,
    pub relative_standard_uncertainty: f64,
}

/// What else is known of the circumstances.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// Relative standard uncertainty of the time base.
    pub time_base_relative: f64,
    /// The witnesses of which the time base is the weighted mean, a row of the budget each; empty where it is one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub time_base: Vec<ClockWitness>,
    pub others: Vec<OtherInput>,
    /// `None` leaves the Monte Carlo run out.
    pub monte_carlo: Option<RunOptions>,
}

impl Terms {
    /// These terms with the camera's own doubts about level and readout taken as prior knowledge of roll and readout, so
    /// that the flight itself can sharpen them. A term that is already free or known stays.
    pub fn informed_by(self, view: &dyn FlightView) -> Self {
        let known = |kind: InputKind| view.inputs().into_iter().find(|input| input.kind == kind);
        let mut terms = self;
        if let (Term::Fixed(value), Some(level)) = (self.roll, known(InputKind::Level)) {
            terms.roll = Term::Known { value, standard_uncertainty: level.standard_uncertainty * si_unit(&level.unit) };
        }
        if let (None, Some(readout)) = (self.readout, known(InputKind::Readout)) {
            let (value, standard_uncertainty) =
                (view.readout_s(), readout.standard_uncertainty * si_unit(&readout.unit));
            terms.readout = Some(Term::Known { value, standard_uncertainty });
        }
        terms
    }

    /// These terms with the drag of a stated ball known with a relative standard uncertainty, and how it grows with the speed; a
    /// vacuum changes nothing. A term
    /// that is already free or known stays.
    pub fn with_air(self, motion: Motion, relative: f64) -> Self {
        match (motion, self.drag_factor) {
            (Motion::InAir(_), Term::Fixed(value)) => {
                let standard_uncertainty = relative * value;
                let drag_exponent = Term::Known { value: 0.0, standard_uncertainty: DRAG_EXPONENT_UNCERTAINTY };
                Self { drag_factor: Term::Known { value, standard_uncertainty }, drag_exponent, ..self }
            }
            _ => self,
        }
    }

    /// Whether the fit already holds this input of the camera, as a quantity of its own.
    fn holds(&self, kind: InputKind) -> bool {
        match kind {
            InputKind::Level => !self.roll.is_fixed(),
            InputKind::Readout => self.readout.is_some(),
            _ => false,
        }
    }
}

/// Unit in which a quantity of the fit stands in the budget, and how many of it make one of the fit's own.
pub(crate) fn shown_unit(quantity: Quantity) -> (&'static str, f64) {
    match quantity {
        // As the tilts of the camera.
        Quantity::Roll => ("deg", 1f64.to_degrees()),
        Quantity::Readout => ("ms", 1e3),
        other => (other.unit(), 1.0),
    }
}

/// Radians or seconds in one unit of an input of the camera.
pub(crate) fn si_unit(unit: &str) -> f64 {
    match unit {
        "deg" | "°" => 1f64.to_radians(),
        "ms" => 1e-3,
        _ => 1.0,
    }
}

/// Budgets of flights that were fitted together, one a flight.
///
/// # Inputs
/// As were given to the fit, with its results; `conditions` for what it could not know.
///
/// # Errors
/// Those of a fit: an input moved by its own uncertainty can make one impossible.
///
/// # Source
/// JCGM 100:2008, 5.1 and annex G; JCGM 101:2008, clause 7.
pub fn budgets(
    flights: &[FlightInput],
    fits: &[FlightFit],
    view: &dyn FlightView,
    options: &FitOptions,
    conditions: &Conditions,
) -> Result<Vec<Budget>, FitError> {
    let case = Case { flights, fits, view, options, conditions, warm: Warm::from_fits(fits) };
    let camera = case.camera_rows()?;
    let clock = case.time_base()?;
    let summaries = match conditions.monte_carlo {
        Some(run_options) => Some(case.monte_carlo(run_options)?),
        None => None,
    };
    let budget = |index: usize| {
        let mut rows = fit_rows(&fits[index], conditions);
        rows.extend(camera.iter().map(|(input, effect)| camera_row(input, effect[index])));
        rows.extend(clock.iter().flat_map(|effect| time_base_rows(conditions, effect[index])));
        rows.extend(conditions.others.iter().map(other_row));
        combine(rows, &fits[index], summaries.as_ref().map(|s| s[index]))
    };
    Ok((0..fits.len()).map(budget).collect())
}

/// The budget of one flight that was fitted by itself; see [`budgets`].
///
/// # Errors
/// As [`budgets`].
pub fn budget(
    sightings: &[Sighting],
    fit: &FlightFit,
    view: &dyn FlightView,
    options: &FitOptions,
    conditions: &Conditions,
) -> Result<Budget, FitError> {
    let input = FlightInput { sightings, launch: options.launch };
    let mut all = budgets(&[input], std::slice::from_ref(fit), view, options, conditions)?;
    Ok(all.remove(0))
}

struct Case<'a> {
    flights: &'a [FlightInput<'a>],
    fits: &'a [FlightFit],
    view: &'a dyn FlightView,
    options: &'a FitOptions,
    conditions: &'a Conditions,
    warm: Warm,
}

/// Speed, angle and gravity of each flight.
type Outputs = Vec<[f64; 3]>;

impl Case<'_> {
    /// Whether the fit already holds this input of the camera.
    fn holds(&self, kind: InputKind) -> bool {
        self.options.terms.holds(kind) || self.options.bends.holds(kind)
    }

    fn holds_clock(&self) -> bool {
        !self.options.terms.clock_rate.is_fixed()
    }

    fn launches(&self) -> Vec<f64> {
        self.fits.iter().map(|f| f.launch_time_s.value).collect()
    }

    /// Change of the results for one unit of each input of the camera, by refits one standard uncertainty to either side.
    fn camera_rows(&self) -> Result<Vec<(ViewInput, Outputs)>, FitError> {
        let inputs = self.view.inputs().into_iter().enumerate();
        inputs
            .filter(|(_, input)| !self.holds(input.kind) && input.standard_uncertainty > 0.0)
            .map(|(index, input)| {
                let u = input.standard_uncertainty;
                let at = |delta: f64| {
                    let moved = self.view.perturbed(index, delta);
                    refit(self.flights, &self.launches(), moved.as_ref(), self.options, &self.warm)
                };
                Ok((input, slopes(&at(u)?, &at(-u)?, 2.0 * u)))
            })
            .collect()
    }

    /// Change of the results for a clock that runs slow by a whole (relative).
    fn time_base(&self) -> Result<Option<Outputs>, FitError> {
        let u = self.conditions.time_base_relative;
        if u == 0.0 || self.holds_clock() {
            return Ok(None);
        }
        let at = |delta: f64| self.on_clock(1.0 + delta);
        Ok(Some(slopes(&at(u)?, &at(-u)?, 2.0 * u)))
    }

    fn on_clock(&self, factor: f64) -> Result<Outputs, FitError> {
        let stretched: Vec<Vec<Sighting>> = self.flights.iter().map(|f| on_clock(f.sightings, factor)).collect();
        let launches: Vec<f64> = self.launches().iter().map(|t| t * factor).collect();
        refit(&self.inputs(&stretched), &launches, self.view, self.options, &self.warm)
    }

    fn inputs<'b>(&self, sightings: &'b [Vec<Sighting>]) -> Vec<FlightInput<'b>> {
        let pairs = sightings.iter().zip(self.flights);
        pairs.map(|(sightings, flight)| FlightInput { sightings, launch: flight.launch }).collect()
    }

    /// Draws every input from its distribution and refits, seeded.
    fn monte_carlo(&self, options: RunOptions) -> Result<Vec<[Summary; 3]>, FitError> {
        let summaries = run(options, |random| self.trial(random).ok().map(|out| out.into_flattened()))
            .map_err(|_| FitError::NoPath)?;
        Ok(summaries.chunks_exact(3).map(|c| [c[0], c[1], c[2]]).collect())
    }

    fn trial(&self, random: &mut ChaCha8Rng) -> Result<Outputs, FitError> {
        let options = self.drawn_options(random);
        let view = self.drawn_view(random);
        let clock_u = if self.holds_clock() { 0.0 } else { self.conditions.time_base_relative };
        let clock = 1.0 + clock_u * normal(random);
        let sightings = self.drawn_sightings(clock, random);
        let drawn: Vec<f64> = self.fits.iter().map(|fit| draw(fit.launch_distribution, random)).collect();
        let launches: Vec<f64> =
            self.fits.iter().zip(&drawn).map(|(fit, drawn)| clock * launch_at(fit, *drawn)).collect();
        let view = view.as_deref().unwrap_or(self.view);
        let mut out = refit(&self.inputs(&sightings), &launches, view, &options, &self.warm)?;
        for ((fit, drawn), out) in self.fits.iter().zip(drawn).zip(&mut out) {
            let pushed = drawn_push(fit, drawn, random);
            (0..3).for_each(|k| out[k] += pushed[k]);
        }
        for other in &self.conditions.others {
            let delta = other.standard_uncertainty * draw(other.distribution, random);
            out.iter_mut().for_each(|o| (0..3).for_each(|k| o[k] += other.sensitivity[k] * delta));
        }
        Ok(out)
    }

    fn drawn_options(&self, random: &mut ChaCha8Rng) -> FitOptions {
        let mut options = self.options.clone();
        let t = &mut options.terms;
        let mut shift = |term: &mut Term| {
            if let Term::Known { value, standard_uncertainty } = term {
                *value += *standard_uncertainty * normal(random);
            }
        };
        let air = [&mut t.drag_factor, &mut t.drag_exponent];
        let others = [&mut t.gravity, &mut t.horizontal_acceleration, &mut t.roll, &mut t.clock_rate];
        others.into_iter().chain(air).for_each(&mut shift);
        t.readout.iter_mut().for_each(shift);
        options.bends.expected = self.fits[0].camera.iter().map(|_| normal(random)).collect();
        options
    }

    fn drawn_view(&self, random: &mut ChaCha8Rng) -> Option<Box<dyn FlightView>> {
        let mut drawn: Option<Box<dyn FlightView>> = None;
        for (index, input) in self.view.inputs().into_iter().enumerate() {
            if !self.holds(input.kind) {
                let delta = input.standard_uncertainty * draw(input.distribution, random);
                drawn = Some(drawn.as_deref().unwrap_or(self.view).perturbed(index, delta));
            }
        }
        drawn
    }

    /// Sightings moved by noise of their covariance and of the scale found, whose own doubt is drawn with it (6.4.9).
    fn drawn_sightings(&self, clock: f64, random: &mut ChaCha8Rng) -> Vec<Vec<Sighting>> {
        let noise = self.fits[0].noise;
        let chi =
            ChiSquared::new(noise.degrees_of_freedom).map_or(1.0, |c| c.sample(random) / noise.degrees_of_freedom);
        let scale = self.warm.noise_scale / chi.sqrt();
        let moved = |s: &Sighting, random: &mut ChaCha8Rng| {
            let c = s.covariance_px2;
            let l11 = c.xx.sqrt();
            let l21 = c.xy / l11;
            let (a, b) = (scale * normal(random), scale * normal(random));
            let dy = l21 * a + (c.yy - l21 * l21).max(0.0).sqrt() * b;
            let centre_px = PixelPoint::new(s.centre_px.x + l11 * a, s.centre_px.y + dy);
            Sighting { centre_px, time_s: s.time_s * clock, ..s.clone() }
        };
        self.flights.iter().map(|f| f.sightings.iter().map(|s| moved(s, random)).collect()).collect()
    }
}

fn on_clock(sightings: &[Sighting], factor: f64) -> Vec<Sighting> {
    sightings.iter().map(|s| Sighting { time_s: s.time_s * factor, ..s.clone() }).collect()
}

/// The launch, so many standard uncertainties after its mean.
fn launch_at(fit: &FlightFit, drawn: f64) -> f64 {
    fit.launch_time_s.value + drawn * fit.launch_time_s.standard_uncertainty.unwrap_or(0.0)
}

/// What a push did, of those that go with a launch so many standard uncertainties after its mean. The draw is normal, about a line in
/// the moment of launch.
fn drawn_push(fit: &FlightFit, launch: f64, random: &mut ChaCha8Rng) -> [f64; 3] {
    let Some(pushes) = fit.pushes else { return [0.0; 3] };
    let left = Matrix3::from_fn(|a, b| pushes.own[a][b] - pushes.with_launch[a] * pushes.with_launch[b]);
    let spread = left.symmetric_eigen();
    let sizes = spread.eigenvalues.map(|variance| variance.max(0.0).sqrt() * normal(random));
    let drawn = spread.eigenvectors * sizes;
    std::array::from_fn(|k| pushes.added[k] + pushes.with_launch[k] * launch + drawn[k])
}

fn normal(random: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(random)
}

/// A draw with unit standard deviation.
fn draw(distribution: Distribution, random: &mut ChaCha8Rng) -> f64 {
    use crate::maths::monte_carlo::Spread;
    let symmetric = |half: f64| (-half, half);
    let spread = match distribution {
        Distribution::Normal => return normal(random),
        Distribution::Rectangular => {
            let (low, high) = symmetric(3f64.sqrt());
            Spread::Rectangular { low, high }
        }
        Distribution::Triangular => {
            let (low, high) = symmetric(6f64.sqrt());
            Spread::Triangular { low, high }
        }
        Distribution::Arcsine => {
            let (low, high) = symmetric(2f64.sqrt());
            Spread::Arcsine { low, high }
        }
    };
    spread.draw(random)
}

fn slopes(above: &Outputs, below: &Outputs, span: f64) -> Outputs {
    let slope = |(a, b): (&[f64; 3], &[f64; 3])| std::array::from_fn(|k| (a[k] - b[k]) / span);
    above.iter().zip(below).map(slope).collect()
}

fn fit_rows(fit: &FlightFit, conditions: &Conditions) -> Vec<BudgetRow> {
    let rows = |c: &super::Contribution| match c.source {
        ContributionSource::Known(Quantity::Camera(knob)) => {
            let input = &fit.camera[knob].input;
            vec![camera_row(input, c.standard.map(|s| s / input.standard_uncertainty))]
        }
        ContributionSource::Known(Quantity::ClockRate) => {
            time_base_rows(conditions, c.standard.map(|s| s / conditions.time_base_relative))
        }
        _ => vec![fit_row(fit, c)],
    };
    fit.contributions.iter().flat_map(rows).collect()
}

fn fit_row(fit: &FlightFit, c: &super::Contribution) -> BudgetRow {
    let (kind, name, unit, value, u) = match c.source {
        ContributionSource::Sightings => (RowKind::Sightings, "places of the ball", "px", None, None),
        ContributionSource::LaunchTime => {
            let t = fit.launch_time_s;
            (RowKind::LaunchTime, "moment of launch", "s", Some(t.value), t.standard_uncertainty)
        }
        ContributionSource::Known(q) => {
            let parameter = fit.parameters.iter().find(|p| p.quantity == q);
            let known = parameter.and_then(|p| match p.term {
                Term::Known { value, standard_uncertainty } => Some((value, standard_uncertainty)),
                Term::Fixed(_) | Term::Free => None,
            });
            let (unit, per_own) = shown_unit(q);
            (RowKind::Known(q), known_name(q), unit, known.map(|k| per_own * k.0), known.map(|k| per_own * k.1))
        }
    };
    BudgetRow {
        distribution: if kind == RowKind::LaunchTime { fit.launch_distribution } else { Distribution::Normal },
        kind,
        name: name.to_owned(),
        unit: unit.to_owned(),
        value,
        standard_uncertainty: u,
        degrees_of_freedom: c.degrees_of_freedom,
        sensitivity: u.filter(|u| *u > 0.0).map(|u| c.standard.map(|s| s / u)),
        contribution: c.standard,
        share: [0.0; 3],
    }
}

pub(crate) fn known_name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Gravity => "gravity at the place",
        Quantity::HorizontalAcceleration => "sideways acceleration",
        Quantity::Roll => "level of the camera",
        Quantity::Readout => "readout of the shutter",
        Quantity::DragFactor => "drag of the ball",
        Quantity::DragExponent => "how the drag grows with the speed",
        Quantity::ClockRate => "rate of the clock",
        Quantity::Camera(_) => "an input of the camera",
        Quantity::X0 | Quantity::Y0 => "launch point",
        Quantity::Vx | Quantity::Vy => "launch velocity",
    }
}

fn camera_row(input: &ViewInput, sensitivity: [f64; 3]) -> BudgetRow {
    let u = input.standard_uncertainty;
    BudgetRow {
        kind: RowKind::Camera(input.kind),
        name: input.name.clone(),
        unit: input.unit.clone(),
        value: Some(input.value),
        standard_uncertainty: Some(u),
        distribution: input.distribution,
        degrees_of_freedom: input.degrees_of_freedom,
        sensitivity: Some(sensitivity),
        contribution: sensitivity.map(|s| s * u),
        share: [0.0; 3],
    }
}

/// A row for each witness of the time, weighted as in their mean (JCGM 100:2008, 5.1); one row where nobody said who they are.
/// `sensitivity` is that of the whole clock.
fn time_base_rows(conditions: &Conditions, sensitivity: [f64; 3]) -> Vec<BudgetRow> {
    let row = |name: String, value: f64, u: f64, weight: f64| {
        let sensitivity = sensitivity.map(|s| weight * s);
        BudgetRow {
            kind: RowKind::TimeBase,
            name,
            unit: "1".to_owned(),
            value: Some(value),
            standard_uncertainty: Some(u),
            distribution: Distribution::Normal,
            degrees_of_freedom: None,
            sensitivity: Some(sensitivity),
            contribution: sensitivity.map(|s| s * u),
            share: [0.0; 3],
        }
    };
    let name = "rate of the clock";
    let mean = conditions.time_base_relative;
    if conditions.time_base.is_empty() {
        return vec![row(name.to_owned(), 1.0, mean, 1.0)];
    }
    let witnessed = |w: &ClockWitness| {
        let u = w.relative_standard_uncertainty;
        row(format!("{name}, by {}", w.name), w.true_over_stated, u, (mean / u).powi(2))
    };
    conditions.time_base.iter().map(witnessed).collect()
}

fn other_row(other: &OtherInput) -> BudgetRow {
    BudgetRow {
        kind: RowKind::Other,
        name: other.name.clone(),
        unit: other.unit.clone(),
        value: Some(other.value),
        standard_uncertainty: Some(other.standard_uncertainty),
        distribution: other.distribution,
        degrees_of_freedom: other.degrees_of_freedom,
        sensitivity: Some(other.sensitivity),
        contribution: other.sensitivity.map(|s| s * other.standard_uncertainty),
        share: [0.0; 3],
    }
}

fn combine(mut rows: Vec<BudgetRow>, fit: &FlightFit, summaries: Option<[Summary; 3]>) -> Budget {
    let values = fit.derived();
    let variance: [f64; 3] = std::array::from_fn(|k| rows.iter().map(|r| r.contribution[k].powi(2)).sum());
    for row in &mut rows {
        row.share =
            std::array::from_fn(|k| if variance[k] > 0.0 { row.contribution[k].powi(2) / variance[k] } else { 0.0 });
    }
    let result = |k: usize| {
        let parts: Vec<Part> =
            rows.iter().map(|r| Part::new(r.contribution[k], r.degrees_of_freedom, r.distribution)).collect();
        let (combined, dof, factor) = cover(&parts);
        BudgetResult {
            value: values[k],
            combined_standard_uncertainty: combined,
            effective_degrees_of_freedom: dof.is_finite().then_some(dof),
            coverage_factor: factor,
            expanded_uncertainty_95: factor * combined,
            monte_carlo: summaries.map(|s| s[k]),
        }
    };
    let (launch_speed_m_per_s, launch_angle_deg, gravity_m_per_s2) = (result(0), result(1), result(2));
    Budget { rows, launch_speed_m_per_s, launch_angle_deg, gravity_m_per_s2 }
}

/// A part of a combined uncertainty.
pub(super) struct Part {
    standard: f64,
    degrees_of_freedom: f64,
    rectangular: bool,
}

impl Part {
    pub fn new(standard: f64, degrees_of_freedom: Option<f64>, distribution: Distribution) -> Self {
        let rectangular = distribution == Distribution::Rectangular;
        Self { standard, degrees_of_freedom: degrees_of_freedom.unwrap_or(f64::INFINITY), rectangular }
    }
}

/// Combined standard uncertainty, effective degrees of freedom and coverage factor for 95 %.
pub(super) fn cover(parts: &[Part]) -> (f64, f64, f64) {
    let variance: f64 = parts.iter().map(|p| p.standard * p.standard).sum();
    let combined = variance.sqrt();
    let dof = welch_satterthwaite(combined, parts.iter().map(|p| (p.standard, p.degrees_of_freedom)));
    let largest = parts.iter().filter(|p| p.rectangular).map(|p| p.standard.abs()).fold(0.0, f64::max);
    let rest = (variance - largest * largest).max(0.0).sqrt();
    let rest_dof = welch_satterthwaite(rest, parts.iter().map(|p| (p.standard, p.degrees_of_freedom)));
    let factor = coverage_factor_with_rectangular(0.95, rest, rest_dof, largest);
    (combined, dof, if combined > 0.0 { factor } else { 0.0 })
}

#[cfg(test)]
#[path = "budget_tests.rs"]
mod tests;
