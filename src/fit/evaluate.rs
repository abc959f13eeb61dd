//! Everything the fit stage says of the flights of one clip, from one call.

use serde::{Deserialize, Serialize};

use super::budget::{Budget, Conditions, budgets};
use super::clock::{ClockChoice, choose_clock, with_times};
use super::models::{ModelRow, compare};
use super::result::FlightFit;
use super::terms::Term;
use super::view::FlightView;
use super::{FitError, FitOptions, FlightInput, Launch, fit_flights};
use crate::sight::Sighting;

/// What is to be fitted. Stored with a measurement, it gives the same numbers again without the clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Request {
    pub flights: Vec<RequestedFlight>,
    pub options: FitOptions,
    pub conditions: Conditions,
}

/// One flight of a request.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RequestedFlight {
    pub sightings: Vec<Sighting>,
    pub launch: Launch,
    /// Other clocks that may be right: one time for each sighting, s.
    pub alternative_times_s: Vec<Vec<f64>>,
    /// Exposure time as the streaks show it, s; the fit doesn't use it, and it goes with the flight.
    #[serde(default)]
    pub exposure_s: Option<f64>,
    /// Whether it follows a touch: it is fitted by itself, as a bounce may have turned it out of the plane of the launch.
    #[serde(default)]
    pub after_touch: bool,
}

/// What came out for one flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evaluated {
    pub fit: FlightFit,
    pub budget: Budget,
    /// Fit and budget with gravity taken as given, when it was stated.
    pub gravity_given: Option<(FlightFit, Budget)>,
    /// Fit and budget of the same path at its first sighting in use, which hang on no moment of launch. `None` where the launch is there.
    #[serde(default)]
    pub at_first_sighting: Option<(FlightFit, Budget)>,
    /// How many flights were fitted together: these share gravity and all that the fit found of camera and air.
    pub together: usize,
    pub clock: ClockChoice,
    /// Candidates over the sightings that the fit kept, best first; the same for all flights of a clip.
    pub models: Vec<ModelRow>,
}

/// Chooses each flight's clock, fits all flights together with gravity free and again with gravity given, draws up the
/// budgets and compares the models.
///
/// # Errors
/// As [`super::fit_flight`]: when one flight can't be fitted none of the shared quantities can be trusted, so the caller leaves
/// that flight out and asks again.
pub fn evaluate(request: &Request, view: &dyn FlightView) -> Result<Vec<Evaluated>, FitError> {
    let Fitted { clocks, timed, fits } = fitted(request, view)?;
    let inputs: Vec<FlightInput> =
        timed.iter().zip(&request.flights).map(|(s, f)| FlightInput { sightings: s, launch: f.launch }).collect();
    let all_budgets = budgets(&inputs, &fits, view, &request.options, &request.conditions)?;
    let given = given(&inputs, &fits, view, &request.options, &request.conditions)?;
    let mut first = at_first_sighting(&inputs, &fits, view, request).map(Vec::into_iter);
    let used: Vec<Vec<bool>> = fits.iter().map(|f| f.residuals.iter().map(|r| r.used).collect()).collect();
    let models = compare(&inputs, &used, view, &request.options);
    let (mut given, together) = (given.map(Vec::into_iter), fits.len());
    Ok(fits
        .into_iter()
        .zip(all_budgets)
        .zip(clocks)
        .map(|((fit, budget), clock)| {
            let gravity_given = given.as_mut().and_then(Iterator::next);
            let at_first_sighting = first.as_mut().and_then(Iterator::next);
            Evaluated { fit, budget, gravity_given, at_first_sighting, together, clock, models: models.clone() }
        })
        .collect())
}

/// The fits with gravity free, before anything is made of them.
pub(crate) struct Fitted {
    pub clocks: Vec<ClockChoice>,
    /// Sightings on the chosen clocks.
    pub timed: Vec<Vec<Sighting>>,
    pub fits: Vec<FlightFit>,
}

/// Chooses each flight's clock and fits all flights together with gravity free.
///
/// # Errors
/// As [`evaluate`].
pub(crate) fn fitted(request: &Request, view: &dyn FlightView) -> Result<Fitted, FitError> {
    // Gravity given has a fit and a budget of its own.
    let free = FitOptions { gravity_given: None, ..request.options.clone() };
    let mut alone = Vec::new();
    let mut clocks = Vec::new();
    for flight in &request.flights {
        if flight.alternative_times_s.is_empty() {
            clocks.push(ClockChoice { chosen: 0, chi_squares: Vec::new() });
            continue;
        }
        let options = FitOptions { launch: flight.launch, ..free.clone() };
        let (fit, clock) = choose_clock(&flight.sightings, &flight.alternative_times_s, view, &options)?;
        alone.push(fit);
        clocks.push(clock);
    }
    let timed: Vec<Vec<Sighting>> =
        request.flights.iter().zip(&clocks).map(|(flight, clock)| on_chosen_clock(flight, clock)).collect();
    // A flight that shares nothing with others is fitted already where its clock was chosen.
    let fits = if request.flights.len() == 1 && alone.len() == 1 {
        alone
    } else {
        let pairs = timed.iter().zip(&request.flights);
        let inputs: Vec<FlightInput> = pairs.map(|(s, f)| FlightInput { sightings: s, launch: f.launch }).collect();
        fit_flights(&inputs, view, &free)?
    };
    Ok(Fitted { clocks, timed, fits })
}

/// The same flights counted from their first sighting in use; `None` where they begin there, or can't be.
fn at_first_sighting(
    inputs: &[FlightInput],
    fits: &[FlightFit],
    view: &dyn FlightView,
    request: &Request,
) -> Option<Vec<(FlightFit, Budget)>> {
    if inputs.iter().all(|input| input.launch == Launch::FirstSighting) {
        return None;
    }
    let used = |fit: &FlightFit| fit.residuals.iter().map(|residual| residual.used).collect::<Vec<bool>>();
    let from = |fit: &FlightFit| used(fit).iter().position(|used| *used).unwrap_or(0);
    let counted: Vec<FlightInput> = inputs
        .iter()
        .zip(fits)
        .map(|(input, fit)| FlightInput { sightings: &input.sightings[from(fit)..], launch: Launch::FirstSighting })
        .collect();
    let kept = fits.iter().map(|fit| used(fit)[from(fit)..].to_vec()).collect();
    let options = FitOptions { robust: false, gravity_given: None, kept: Some(kept), ..request.options.clone() };
    let conditions = Conditions { monte_carlo: None, ..request.conditions.clone() };
    let fits = fit_flights(&counted, view, &options).ok()?;
    let budgets = budgets(&counted, &fits, view, &options, &conditions).ok()?;
    Some(fits.into_iter().zip(budgets).collect())
}

fn on_chosen_clock(flight: &RequestedFlight, clock: &ClockChoice) -> Vec<Sighting> {
    match clock.chosen.checked_sub(1).and_then(|i| flight.alternative_times_s.get(i)) {
        Some(times) => with_times(&flight.sightings, times),
        None => flight.sightings.clone(),
    }
}

/// The same flights with gravity known, over the sightings that the free fit kept.
///
/// A given gravity says how far the ball fell in a time, so that the fall measures scale and clock. Both are found along from what is
/// known of them; held where they were stated, they would contradict the fall, and speed and angle would give way.
pub(super) fn given(
    inputs: &[FlightInput],
    fits: &[FlightFit],
    view: &dyn FlightView,
    options: &FitOptions,
    conditions: &Conditions,
) -> Result<Option<Vec<(FlightFit, Budget)>>, FitError> {
    let Some((value, standard_uncertainty)) = options.gravity_given else { return Ok(None) };
    let known = |value: f64, standard_uncertainty: f64| {
        if standard_uncertainty > 0.0 { Term::Known { value, standard_uncertainty } } else { Term::Fixed(value) }
    };
    let mut options = FitOptions { robust: false, gravity_given: None, ..options.clone() };
    options.terms.gravity = known(value, standard_uncertainty);
    options.terms.clock_rate = known(0.0, conditions.time_base_relative);
    options.bends.lengths = true;
    options.kept = Some(fits.iter().map(|fit| fit.residuals.iter().map(|residual| residual.used).collect()).collect());
    let fits = fit_flights(inputs, view, &options)?;
    // Draws may lead where no path with that gravity is; the budget then stands by itself.
    let undrawn = || Conditions { monte_carlo: None, ..conditions.clone() };
    let budgets = budgets(inputs, &fits, view, &options, conditions)
        .or_else(|_| budgets(inputs, &fits, view, &options, &undrawn()))?;
    Ok(Some(fits.into_iter().zip(budgets).collect()))
}
