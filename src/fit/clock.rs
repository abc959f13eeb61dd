//! Which clock the flight supports: stamps or uniform steps.

use serde::{Deserialize, Serialize};

use super::robust::REJECT_BEYOND;
use super::{FitError, FitOptions, FlightFit, FlightView, fit_flight};
use crate::sight::Sighting;

/// By how much χ² must fall before another clock is believed: three standard deviations of one degree of freedom.
pub const CLEARLY_BETTER: f64 = 9.0;

/// How the clocks compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockChoice {
    /// Place of the chosen clock: 0 for the sightings' own times, 1 for the first alternative, and so on.
    pub chosen: usize,
    /// χ² of each in the same order, over the noise of the roughest of them and at most 16 a sighting; `None` where that clock
    /// gave no fit.
    pub chi_squares: Vec<Option<f64>>,
}

impl ClockChoice {
    /// Whether another than the first was clearly better.
    pub fn changed(&self) -> bool {
        self.chosen != 0
    }
}

/// Fits with the sightings' own times and with each alternative, and keeps the own times unless another lowers χ² by more
/// than [`CLEARLY_BETTER`].
///
/// Each alternative holds one time for each sighting, in true seconds.
///
/// # Errors
/// [`FitError::TimesMismatch`]; otherwise the error of the fit with the own times.
pub fn choose_clock(
    sightings: &[Sighting],
    alternatives: &[Vec<f64>],
    view: &dyn FlightView,
    options: &FitOptions,
) -> Result<(FlightFit, ClockChoice), FitError> {
    if let Some(times) = alternatives.iter().find(|times| times.len() != sightings.len()) {
        return Err(FitError::TimesMismatch { found: times.len(), sightings: sightings.len() });
    }
    let mut fits = vec![Some(fit_flight(sightings, view, options)?)];
    fits.extend(alternatives.iter().map(|times| fit_flight(&with_times(sightings, times), view, options).ok()));
    let chi_squares: Vec<Option<f64>> = {
        let roughest = fits.iter().flatten().map(|fit| fit.noise.scale).fold(1.0, f64::max);
        fits.iter().map(|fit| fit.as_ref().map(|fit| chi_square(fit, roughest))).collect()
    };
    let mut chosen = 0;
    for (index, value) in chi_squares.iter().enumerate() {
        let limit = chi_squares[chosen].unwrap_or(f64::INFINITY) - if chosen == 0 { CLEARLY_BETTER } else { 0.0 };
        if value.is_some_and(|v| v < limit) {
            chosen = index;
        }
    }
    let fit = fits.swap_remove(chosen).expect("a clock with a χ² has a fit");
    Ok((fit, ClockChoice { chosen, chi_squares }))
}

/// χ² of all sightings over a noise that is the same for every clock, each at most what a rejected one counts.
///
/// A wrong clock shows as sightings that the fit rejects, so these count as well. Were each clock judged by its own noise, or by
/// the stated one without the limit, a clock that rejects most of a flight and fits the rest closely would win over one that
/// fits all of it a little roughly.
fn chi_square(fit: &FlightFit, noise: f64) -> f64 {
    fit.residuals.iter().map(|r| (r.distance / noise).min(REJECT_BEYOND).powi(2)).sum()
}

/// The sightings on another clock.
pub fn with_times(sightings: &[Sighting], times_s: &[f64]) -> Vec<Sighting> {
    sightings.iter().zip(times_s).map(|(s, &time_s)| Sighting { time_s, ..s.clone() }).collect()
}
