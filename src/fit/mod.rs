//! From sightings to launch speed, launch angle and gravity, with their uncertainties.
//!
//! The trajectory is fitted in the picture: residuals are differences in pixels between a sighting and where the camera
//! would see the ball at the time its row was exposed, weighted by the sighting's covariance, both coordinates at once.

mod bends;
pub mod budget;
pub mod clock;
pub mod error;
pub mod evaluate;
pub mod flicker;
pub mod launch;
pub mod models;
pub mod motion;
mod noise;
mod problem;
mod release;
pub mod result;
pub mod robust;
mod solve;
pub mod sound;
pub mod terms;
pub mod trial;
pub mod view;

pub use bends::{Bends, Seen};
pub use budget::{Budget, BudgetResult, BudgetRow, ClockWitness, Conditions, OtherInput, RowKind, budget, budgets};
pub(crate) use budget::{known_name, shown_unit, si_unit};
pub use clock::{ClockChoice, choose_clock};
pub use error::FitError;
pub use evaluate::{Evaluated, Request, RequestedFlight, evaluate};
pub(crate) use evaluate::{Fitted, fitted};
pub use launch::{Launch, Mouth};
pub use models::{Candidate, ModelRow};
pub use motion::{BallInAir, Lever, Motion, Slopes, State};
pub(crate) use noise::scale_of;
pub use result::{
    CameraFound, Contribution, ContributionSource, FlightFit, Instant, NoiseStatement, Parameter, PushedResults,
    Residual,
};
pub use terms::{Quantity, Term, Terms};
pub use view::{Distribution, FlightView, InputKind, PlainScale, PlainScaleUncertainty, ViewInput};

use serde::{Deserialize, Serialize};

use crate::sight::Sighting;

/// Fewest sightings of a fit: three fix a parabola and leave nothing to judge by.
pub const FEWEST_SIGHTINGS: usize = 4;

/// How a fit is made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitOptions {
    pub launch: Launch,
    pub terms: Terms,
    pub motion: Motion,
    /// Gravity at the place with its standard uncertainty, m/s²: [`evaluate()`] then fits once more with it as given.
    pub gravity_given: Option<(f64, f64)>,
    /// How far the covariances of the sightings are trusted: relative standard uncertainty of their standard
    /// uncertainties. 0.25 counts as 8 degrees of freedom (JCGM 100:2008, G.4.2).
    pub covariance_doubt: f64,
    /// Whether outliers are rejected.
    pub robust: bool,
    /// The sightings in use, flight by flight, where an earlier fit has chosen them. Those left out still show when the ball was launched.
    #[serde(skip)]
    pub kept: Option<Vec<Vec<bool>>>,
    /// Which inputs of the camera are found along with the flight, from what is known of them.
    #[serde(default)]
    pub bends: BendTerms,
}

/// The camera's inputs in a fit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BendTerms {
    /// Tilt and lens are found along.
    pub fitted: bool,
    /// So are scale, marks and distances, which only a given gravity can tell.
    #[serde(default)]
    pub lengths: bool,
    /// What is expected of each beforehand, in its standard uncertainties from its stated value; nought where nothing stands. Monte
    /// Carlo draws them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub expected: Vec<f64>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            launch: Launch::FirstSighting,
            terms: Terms::default(),
            motion: Motion::Vacuum,
            gravity_given: None,
            covariance_doubt: 0.25,
            robust: true,
            kept: None,
            bends: BendTerms::default(),
        }
    }
}

/// One flight to be fitted together with others.
#[derive(Debug, Clone, Copy)]
pub struct FlightInput<'a> {
    pub sightings: &'a [Sighting],
    pub launch: Launch,
}

/// Fits one flight.
///
/// # Inputs
/// - `sightings`: at least four, in order of time, pixels of the displayed picture.
/// - `view`: the camera.
/// - `options`: what is found, what is told; by default a parabola with gravity free, outliers rejected.
///
/// # Result
/// Everything at the launch, with the parts of the variance that come from sightings, launch time and terms known beforehand.
///
/// # Errors
/// [`FitError`]: too few sightings, numbers that aren't finite, sightings that aren't on any path, terms that the
/// sightings can't tell apart.
pub fn fit_flight(sightings: &[Sighting], view: &dyn FlightView, options: &FitOptions) -> Result<FlightFit, FitError> {
    let input = FlightInput { sightings, launch: options.launch };
    let mut fits = fit_flights(&[input], view, options)?;
    Ok(fits.remove(0))
}

/// Fits several flights that share gravity and the camera's unknowns; one result a flight, in their order.
///
/// `options.launch` isn't used: each flight brings its own.
///
/// # Errors
/// As [`fit_flight`].
pub fn fit_flights(
    flights: &[FlightInput],
    view: &dyn FlightView,
    options: &FitOptions,
) -> Result<Vec<FlightFit>, FitError> {
    solve::fit(flights, view, options)
}

#[cfg(test)]
mod tests;
