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
    /// χ² of each in the same order, a rejected sighting counting 16; `None` where that clock gave no fit.
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
    // A wrong clock shows as sightings that the fit rejects, so these count as well, each with the limit of rejection.
    let limit = REJECT_BEYOND * REJECT_BEYOND;
    let chi_square = |fit: &FlightFit| {
        fit.residuals.iter().map(|r| if r.used { r.distance * r.distance } else { limit }).sum::<f64>()
    };
    let chi_squares: Vec<Option<f64>> = fits.iter().map(|fit| fit.as_ref().map(chi_square)).collect();
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

/// The sightings on another clock.
pub fn with_times(sightings: &[Sighting], times_s: &[f64]) -> Vec<Sighting> {
    sightings.iter().zip(times_s).map(|(s, &time_s)| Sighting { time_s, ..s.clone() }).collect()
}
