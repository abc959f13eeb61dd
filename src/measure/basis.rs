//! From what was found in the clip to the basis of the numbers, and from there to the numbers.

use super::known::{Air, air_on_the_ball, gravity_at};
use super::launches::FirstLook;
use super::{CameraView, Continuation, MeasureError, Settings, background, launches, plausible, result};
use crate::camera::steady::Wander;
use crate::camera::{BallSeen, Camera, View, card};
use crate::clip::{ClipInfo, ClipReport, Clock, Picture};
use crate::fit::{
    BendTerms, Conditions, Evaluated, FitError, FitOptions, Fitted, Request, RequestedFlight, Term, Terms, evaluate,
    fitted,
};
use crate::maths::monte_carlo::RunOptions;
use crate::measurement::basis::{Basis, FlightClues, TimeCheck, agreed_time};
use crate::measurement::{ClockStatement, Measurement};
use crate::rig::Rig;
use crate::sight::{FoundFlight, Sighting};
use crate::units::PixelPoint;

/// Standard deviation of what the model of the ball's picture leaves in a place, px, and as a share of the ball's radius: measured
/// on rendered clips (`cargo bench --bench rendered`).
const MODEL_PX: f64 = 0.03;
const MODEL_OF_RADIUS: f64 = 0.004;

/// What a clip showed, before any number is made of it.
#[derive(Clone, Copy)]
pub(super) struct Seen<'a> {
    pub settings: &'a Settings,
    pub info: &'a ClipInfo,
    pub reading: &'a ClipReport,
    pub clock: &'a Clock,
    pub flights: &'a [FoundFlight],
    pub continuations: &'a [Continuation],
    pub resting: Option<&'a Picture>,
    /// Cards in the resting scene.
    pub cards: &'a [card::FoundCard],
    pub wander: &'a Wander,
    /// Readout by the lamps along the clip's own rows, and its standard uncertainty, s.
    pub lamps_readout_s: Option<(f64, f64)>,
    pub time_checks: &'a [TimeCheck],
}

/// # Errors
/// As [`super::measure`], where the rig gives no camera or no ball.
pub(super) fn basis(seen: &Seen<'_>) -> Result<Basis, MeasureError> {
    let rig = seen.settings.rig.clone();
    let view = view_of(seen);
    let camera = CameraView::new(Camera::from_rig(&rig, &view)?);
    let air = air_seen(&rig, &view, &camera)?;
    let request = request(seen, &camera, air);
    Ok(Basis {
        rig,
        view,
        request,
        clues: clues(seen),
        capture_rate_stated: seen.settings.capture_rate_hz.is_some(),
        clock: ClockStatement {
            description: seen.clock.description.clone(),
            slow_factor: seen.clock.slow_factor,
            frame_rate_hz: seen.clock.frame_rate_hz,
            relative_standard_uncertainty: seen.clock.relative_standard_uncertainty,
        },
        warnings: result::clip_warnings(seen.clock, seen.reading, seen.wander),
        time_checks: seen.time_checks.to_vec(),
        continuations: seen.continuations.len() - seen.flights.iter().filter(|flight| flight.after_touch).count(),
    })
}

/// Each flight as a first fit has it, in their order; `None` for one that can't be fitted.
///
/// # Errors
/// As [`super::measure`].
pub(super) fn first_looks(seen: &Seen<'_>) -> Result<Vec<Option<FirstLook>>, MeasureError> {
    let rig = &seen.settings.rig;
    let view = view_of(seen);
    let camera = CameraView::new(Camera::from_rig(rig, &view)?);
    let request = request(seen, &camera, air_seen(rig, &view, &camera)?);
    let looks = for_flights(&request, &|request| {
        let Fitted { timed, fits, .. } = fitted(request, &camera)?;
        Ok(timed.into_iter().zip(fits).map(|(sightings, fit)| FirstLook { sightings, fit }).collect())
    })?;
    Ok(looks.flights)
}

/// What a verdict may ask beside the sightings, flight by flight.
fn clues(seen: &Seen<'_>) -> Vec<FlightClues> {
    let of = |flight: &FoundFlight| FlightClues {
        // Frames that were put back where the first one stood show a still background, and a ball before it that still sways.
        background_bend_px: seen
            .resting
            .filter(|_| seen.wander.from_frame.is_none())
            .and_then(|resting| background::bend(&flight.cuttings, resting)),
    };
    seen.flights.iter().map(of).collect()
}

/// The cards in the resting scene, unless the rig forbids to look for them.
pub(super) fn cards(resting: Option<&Picture>, rig: &Rig) -> Vec<card::FoundCard> {
    match resting {
        Some(resting) if !rig.card.ignore => card::find_cards(&resting.luma, resting.transfer),
        _ => Vec::new(),
    }
}

/// What the camera needs to know of the clip and of the ball as seen.
fn view_of(seen: &Seen<'_>) -> View {
    let places = || seen.flights.iter().flat_map(|flight| flight.sightings.iter().map(|sighting| sighting.centre_px));
    let bound =
        |value: fn(PixelPoint) -> f64, pick: fn(f64, f64) -> f64| places().map(value).reduce(pick).unwrap_or(0.0);
    let longest = seen.flights.iter().max_by_key(|flight| flight.sightings.len());
    let ball = longest.map(|flight| {
        let middle = &flight.sightings[flight.sightings.len() / 2];
        BallSeen {
            centre_px: middle.centre_px,
            diameter_px: 2.0 * middle.radius_px,
            // The radius is a median over the flight; its scatter is a few hundredths of a pixel.
            standard_uncertainty_px: 0.1,
        }
    });
    View {
        flight_box: Some((
            PixelPoint::new(bound(|p| p.x, f64::min), bound(|p| p.y, f64::min)),
            PixelPoint::new(bound(|p| p.x, f64::max), bound(|p| p.y, f64::max)),
        )),
        ball,
        cards: seen.cards.to_vec(),
        lamps_readout_s: seen.lamps_readout_s,
        ..View::of_clip(seen.info, Some(seen.clock.frame_rate_hz))
    }
}

/// Adds to the covariances what no fit of a disc knows of: light from one side, an edge that isn't sharp, an encoder, a lens. These
/// errors are alike in neighbouring frames, so the residuals show little of them; see `benches/rendered.rs`.
fn no_better_than_the_model(mut sightings: Vec<Sighting>) -> Vec<Sighting> {
    for sighting in &mut sightings {
        let floor = MODEL_PX.hypot(MODEL_OF_RADIUS * sighting.radius_px);
        sighting.covariance_px2.xx += floor * floor;
        sighting.covariance_px2.yy += floor * floor;
    }
    sightings
}

/// What the air does to the ball, with its size as the picture shows it where nobody states it.
fn air_seen(rig: &Rig, view: &View, camera: &CameraView) -> Result<Air, MeasureError> {
    /// Bias of the ball's edge that threshold, glare and gamma leave, px.
    const EDGE_PX: f64 = 0.25;
    // Without any sighting there is no flight to be fitted either.
    let Some(ball) = view.ball else { return air_on_the_ball(rig, (0.05, 0.05)) };
    let metres_per_pixel = camera.camera().metres_per_pixel(ball.centre_px);
    air_on_the_ball(rig, (ball.diameter_px * metres_per_pixel, 2.0 * EDGE_PX * metres_per_pixel))
}

fn request(seen: &Seen<'_>, camera: &CameraView, air: Air) -> Request {
    let clock = seen.clock;
    let requested = seen
        .flights
        .iter()
        .map(|flight| {
            let sightings = no_better_than_the_model(launches::on_clock(flight, clock));
            let late_s = launches::half_exposure_s(flight, clock);
            let uniform: Vec<f64> = sightings.iter().map(|s| clock.uniform_times_s[s.frame] + late_s).collect();
            RequestedFlight {
                launch: launches::launch(flight, &sightings, clock, &seen.settings.rig),
                exposure_s: flight.exposure_s.map(|exposure_s| exposure_s / clock.slow_factor),
                after_touch: flight.after_touch,
                alternative_times_s: if clock.largest_jitter_s > 0.0 { vec![uniform] } else { Vec::new() },
                sightings,
            }
        })
        .collect();
    let expected = gravity_at(&seen.settings.rig);
    let time = agreed_time(clock.relative_standard_uncertainty, seen.time_checks);
    Request {
        flights: requested,
        options: FitOptions {
            terms: air.into_terms(Terms::default().informed_by(camera)),
            motion: air.motion,
            bends: BendTerms { fitted: true, ..BendTerms::default() },
            gravity_given: Some((expected.value, expected.standard_uncertainty.unwrap_or(0.0))),
            ..FitOptions::default()
        },
        conditions: Conditions {
            time_base_relative: time.relative_standard_uncertainty,
            time_base: time.witnesses,
            others: Vec::new(),
            monte_carlo: seen.settings.monte_carlo,
        },
    }
}

/// The numbers of a basis. The same basis gives the same numbers.
///
/// # Errors
/// [`MeasureError`]: no camera can be made, or no flight fitted.
pub(super) fn measurement(basis: Basis, info: ClipInfo, reading: ClipReport) -> Result<Measurement, MeasureError> {
    let camera = CameraView::new(Camera::from_rig(&basis.rig, &basis.view)?);
    let fitted = for_flights(&basis.request, &|request| evaluate(request, &camera))?;
    let parts = result::Parts {
        basis: &basis,
        camera: &camera,
        evaluated: &fitted.flights,
        jointly: fitted.jointly,
        info,
        reading,
    };
    let measurement = result::measurement(parts);
    plausible::check(&measurement)?;
    Ok(Measurement { basis: Some(basis), ..measurement })
}

/// What a fit used of a flight.
trait Used {
    /// Share of the sightings, 0 to 1.
    fn share_used(&self) -> f64;
}

impl Used for FirstLook {
    fn share_used(&self) -> f64 {
        self.fit.used() as f64 / self.sightings.len().max(1) as f64
    }
}

impl Used for Evaluated {
    fn share_used(&self) -> f64 {
        self.fit.used() as f64 / self.fit.residuals.len().max(1) as f64
    }
}

/// What came of the flights of a request.
struct FittedFlights<T> {
    /// `None` for one that couldn't be fitted.
    flights: Vec<Option<T>>,
    /// Whether they were fitted together and share gravity.
    jointly: bool,
}

/// Fits all launches together, and what follows a touch by itself.
fn for_flights<T: Used>(
    request: &Request,
    fit: &dyn Fn(&Request) -> Result<Vec<T>, FitError>,
) -> Result<FittedFlights<T>, MeasureError> {
    let (bounces, launches): (Vec<RequestedFlight>, Vec<RequestedFlight>) =
        request.flights.iter().cloned().partition(|flight| flight.after_touch);
    if bounces.is_empty() || launches.is_empty() {
        return together_or_apart(request, fit);
    }
    let of_launches = together_or_apart(&Request { flights: launches, ..request.clone() }, fit)?;
    let of_bounce = |flight: RequestedFlight| {
        let alone = together_or_apart(&Request { flights: vec![flight], ..request.clone() }, fit);
        alone.ok().and_then(|mut fitted| fitted.flights.remove(0))
    };
    let mut of_bounces = bounces.into_iter().map(of_bounce);
    let mut launched = of_launches.flights.into_iter();
    let of = |flight: &RequestedFlight| if flight.after_touch { of_bounces.next() } else { launched.next() };
    Ok(FittedFlights {
        flights: request.flights.iter().map(of).map(Option::flatten).collect(),
        jointly: of_launches.jointly,
    })
}

/// Fits all flights together; where one of them can't be fitted, or balls flew at other depths and most of what was seen of one isn't
/// used, each by itself, so that one flight doesn't spoil the others.
fn together_or_apart<T: Used>(
    request: &Request,
    fit: &dyn Fn(&Request) -> Result<Vec<T>, FitError>,
) -> Result<FittedFlights<T>, MeasureError> {
    /// Share of a flight's sightings that a fit of all must use.
    const MOST: f64 = 2.0 / 3.0;
    let together = fit(request);
    let spoilt = |all: &Vec<T>| request.flights.len() > 1 && all.iter().any(|one| one.share_used() < MOST);
    match together {
        Ok(all) if spoilt(&all) => {
            let each = request.flights.iter().map(|flight| {
                fit(&Request { flights: vec![flight.clone()], ..request.clone() }).ok().map(|mut one| one.remove(0))
            });
            let each: Vec<Option<T>> = each.collect();
            let better = each.iter().all(|one| one.as_ref().is_some_and(|one| one.share_used() >= MOST));
            let (flights, jointly) = if better { (each, false) } else { (all.into_iter().map(Some).collect(), true) };
            return Ok(FittedFlights { flights, jointly });
        }
        Ok(all) => return Ok(FittedFlights { flights: all.into_iter().map(Some).collect(), jointly: true }),
        Err(_) => {}
    }
    // Sightings that fit no camera near the stated one, as those of a wrong clock, carry no tilt and lens, nor more of the air than is
    // known of it.
    let options = &request.options;
    let simpler = if options.bends.fitted {
        Some(FitOptions { bends: BendTerms::default(), ..options.clone() })
    } else if matches!(options.terms.drag_exponent, Term::Known { .. }) {
        let terms = Terms { drag_exponent: Term::Fixed(0.0), ..options.terms };
        Some(FitOptions { terms, ..options.clone() })
    } else {
        None
    };
    if let Some(options) = simpler {
        return together_or_apart(&Request { options, ..request.clone() }, fit);
    }
    let mut first_error = None;
    let mut single = |flight: &RequestedFlight| {
        let request = Request { flights: vec![flight.clone()], ..request.clone() };
        // A clock that is wrong by a factor leaves no path on which gravity is what was given; what was measured stands without it.
        let free = || Request { options: FitOptions { gravity_given: None, ..options.clone() }, ..request.clone() };
        match fit(&request).or_else(|error| fit(&free()).map_err(|_| error)) {
            Ok(mut fitted) => Some(fitted.remove(0)),
            Err(error) => {
                first_error.get_or_insert(error);
                None
            }
        }
    };
    let fitted: Vec<_> = request.flights.iter().map(&mut single).collect();
    match first_error {
        Some(error) if fitted.iter().all(Option::is_none) => Err(error.into()),
        _ => Ok(FittedFlights { flights: fitted, jointly: false }),
    }
}

/// Computes a measurement anew from its own basis, without the clip.
///
/// What was said of a forecast stays: it doesn't come from the clip.
///
/// # Errors
/// [`MeasureError::NoBasis`] where the measurement carries none; else as [`super::measure`].
pub fn refit(measured: &Measurement) -> Result<Measurement, MeasureError> {
    refit_with(measured, None)
}

/// As [`refit`], with a Monte Carlo run that the first measurement may not have had.
///
/// # Errors
/// As [`refit`].
pub fn refit_with(measured: &Measurement, monte_carlo: Option<RunOptions>) -> Result<Measurement, MeasureError> {
    let mut basis = measured.basis.clone().ok_or(MeasureError::NoBasis)?;
    if monte_carlo.is_some() {
        basis.request.conditions.monte_carlo = monte_carlo;
    }
    let mut again = measurement(basis, measured.clip.clone(), measured.reading.clone())?;
    for flight in &mut again.flights {
        let before = measured.flights.iter().find(|before| before.number == flight.number);
        flight.forecast = before.and_then(|before| before.forecast.clone());
    }
    Ok(again)
}
