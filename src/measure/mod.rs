//! The whole way from a clip and a rig to a measurement.
//!
//! [`measure`] is the one way in: the command line, the demo, tests and the page call it and hold no measuring of their own.

mod error;
mod launches;
mod mending;
mod result;
mod view;

use std::path::Path;

use crate::camera::{BallSeen, Camera, View};
use crate::clip::{Clock, FrameSource, ReadOptions};
use crate::fit::{Conditions, FitOptions, Motion, Request, RequestedFlight, Terms, evaluate};
use crate::flight::gravity::{Place, expected_gravity};
use crate::measurement::Measurement;
use crate::report::strobe::StrobeInput;
use crate::rig::Rig;
use crate::sight::arcs::FallPrior;
use crate::sight::{FindOptions, Found, FoundFlight, Progress, find_flights};
use crate::units::{Estimate, PixelPoint};

pub use error::MeasureError;
pub use launches::{Continuation, split_launches};
pub use mending::{Mending, MendingError};
pub use view::CameraView;

/// What is known and wanted beside the clip.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    pub rig: Rig,
    pub find: FindOptions,
    /// Frames per second at which the clip was recorded, when the file doesn't say so or says it wrongly.
    pub capture_rate_hz: Option<f64>,
    /// Frames per second of a folder of pictures.
    pub picture_rate_hz: Option<f64>,
    /// Sightings that the user dropped, moved or added.
    pub mending: Mending,
}

/// A measurement and what is needed to draw its strobe pictures, one a flight.
#[derive(Debug)]
pub struct Outcome {
    pub measurement: Measurement,
    pub strobes: Vec<StrobeInput>,
}

/// Measures the flights of a clip.
///
/// # Inputs
/// `path` of a video file or a folder of pictures; `settings` as known beforehand; `progress` is told how far it is.
///
/// # Errors
/// [`MeasureError`]: the clip can't be read, nothing flies in it, no scale is known, the sightings carry no fit. No number is
/// given then.
pub fn measure(path: &Path, settings: &Settings, progress: &mut dyn FnMut(Progress)) -> Result<Outcome, MeasureError> {
    check_scale(&settings.rig)?;
    let options = ReadOptions { picture_rate_hz: settings.picture_rate_hz, ..ReadOptions::default() };
    let mut source = crate::clip::open(path, &options)?;
    measure_source(&mut *source, settings, progress)
}

/// As [`measure`], from any source of frames.
///
/// # Errors
/// As [`measure`].
pub fn measure_source(
    source: &mut dyn FrameSource,
    settings: &Settings,
    progress: &mut dyn FnMut(Progress),
) -> Result<Outcome, MeasureError> {
    check_scale(&settings.rig)?;
    let capture_rate_hz = settings.capture_rate_hz.or(settings.rig.capture_rate_hz.map(|rate| rate.value));
    let mut find = settings.find.clone();
    find.prior = fall_prior(settings, source.info(), capture_rate_hz);
    let mut found = find_flights(source, &find, progress)?;
    let (info, reading) = (source.info().clone(), source.report());
    settings.mending.apply(&mut found)?;
    if found.flights.is_empty() {
        return Err(MeasureError::NoFlight { seen: found.seen });
    }
    let clock = Clock::build(&found.stamps_s, &info, &reading, capture_rate_hz)?;
    let (flights, continuations) = split_launches(std::mem::take(&mut found.flights));
    let view = view_of(&info, &flights, &clock);
    let camera = CameraView::new(Camera::from_rig(&settings.rig, &view)?);
    let expected_g = gravity_at(&settings.rig);
    let motion = motion_of(&settings.rig)?;
    let request = request(&flights, &clock, settings, &camera, expected_g, motion);
    let evaluated = evaluate_flights(&request, &camera)?;
    let parts = result::Parts {
        settings,
        info: &info,
        reading: &reading,
        clock: &clock,
        camera: &camera,
        flights: &flights,
        request: &request,
        evaluated: &evaluated,
        continuations: &continuations,
    };
    let measurement = result::measurement(&parts);
    let strobes = result::strobes(&flights, &evaluated, &found);
    Ok(Outcome { measurement, strobes })
}

/// Refuses before the clip is decoded when nothing can give a scale.
fn check_scale(rig: &Rig) -> Result<(), MeasureError> {
    let ball = rig.ball.diameter.is_some() || rig.ball.sport.is_some();
    let known = rig.scale.all_lines().next().is_some() || rig.scale.rectangle.is_some() || ball;
    if known { Ok(()) } else { Err(crate::camera::CameraError::NoScale.into()) }
}

/// Accelerations in the picture that a fall can have, when a length and the clock are about known: between a third and
/// three times what gravity gives (a scale far out of the plane, a slow motion of less than two).
fn fall_prior(settings: &Settings, info: &crate::clip::ClipInfo, capture_rate_hz: Option<f64>) -> FallPrior {
    const SPREAD: f64 = 3.0;
    let length = settings.rig.scale.all_lines().next();
    let slow = match (capture_rate_hz.or(info.capture_rate_tag_hz), info.stated_rate_hz) {
        (Some(capture), Some(stated)) if capture > 1.5 * stated => capture / stated,
        _ => 1.0,
    };
    FallPrior {
        acceleration_px_per_s2: length.map(|line| {
            let expected = 9.81 * line.pixels() / line.length.length.metres() / (slow * slow);
            (expected / SPREAD, expected * SPREAD)
        }),
    }
}

/// What the camera needs to know of the clip and of the ball as seen.
fn view_of(info: &crate::clip::ClipInfo, flights: &[FoundFlight], clock: &Clock) -> View {
    let places = || flights.iter().flat_map(|flight| flight.sightings.iter().map(|sighting| sighting.centre_px));
    let bound =
        |value: fn(PixelPoint) -> f64, pick: fn(f64, f64) -> f64| places().map(value).reduce(pick).unwrap_or(0.0);
    let longest = flights.iter().max_by_key(|flight| flight.sightings.len());
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
        ..View::of_clip(info, Some(clock.frame_rate_hz))
    }
}

/// Gravity expected at the place of the rig.
fn gravity_at(rig: &Rig) -> Estimate {
    if let Some(stated) = rig.place.g_m_per_s2 {
        return Estimate::with_coverage_factor(stated.value, stated.standard_uncertainty.unwrap_or(0.0005), 1.96);
    }
    let place = rig
        .place
        .latitude_deg
        .and_then(|latitude| Place::new(latitude.value, rig.place.height_m.map(|height| height.value)).ok());
    expected_gravity(place)
}

/// The law of motion: drag where the ball's mass and size are stated.
fn motion_of(rig: &Rig) -> Result<Motion, MeasureError> {
    use crate::fit::BallInAir;
    use crate::flight::air::AirState;
    let sport = rig.ball.sport.as_deref().and_then(crate::rig::sport_ball);
    let diameter = rig.ball.diameter.map(|d| d.length.metres()).or(sport.map(|ball| ball.diameter_m().0));
    let mass = rig.ball.mass_kg.map(|m| m.value).or(sport.and_then(|ball| ball.mass_kg()).map(|mass| mass.0));
    let (Some(mass_kg), Some(diameter_m)) = (mass, diameter) else { return Ok(Motion::Vacuum) };
    let air = AirState::new(
        rig.air.temperature_celsius.map_or(AirState::ROOM.temperature_c(), |t| t.value),
        rig.air.pressure_pa.map_or(AirState::ROOM.pressure_pa(), |p| p.value),
        rig.air.relative_humidity.map_or(0.5, |h| h.value),
    )
    .map_err(|error| MeasureError::Ball(error.to_string()))?;
    let mut ball = BallInAir::new(mass_kg, diameter_m, &air).map_err(|error| MeasureError::Ball(error.to_string()))?;
    if let Some(density) = rig.air.density_kg_per_m3 {
        ball.air_density_kg_per_m3 = density.value;
    }
    Ok(Motion::InAir(ball))
}

fn request(
    flights: &[FoundFlight],
    clock: &Clock,
    settings: &Settings,
    camera: &CameraView,
    expected_g: Estimate,
    motion: Motion,
) -> Request {
    let requested = flights
        .iter()
        .map(|flight| {
            let sightings = launches::on_clock(flight, clock);
            let uniform: Vec<f64> = sightings.iter().map(|s| clock.uniform_times_s[s.frame]).collect();
            RequestedFlight {
                launch: launches::launch(flight, &sightings, clock, &settings.rig),
                alternative_times_s: if clock.largest_jitter_s > 0.0 { vec![uniform] } else { Vec::new() },
                sightings,
            }
        })
        .collect();
    let terms = Terms::default().informed_by(camera);
    let gravity_given = Some((expected_g.value, expected_g.standard_uncertainty.unwrap_or(0.0)));
    Request {
        flights: requested,
        options: FitOptions { terms, motion, gravity_given, ..FitOptions::default() },
        conditions: Conditions {
            time_base_relative: clock.relative_standard_uncertainty,
            others: Vec::new(),
            monte_carlo: None,
        },
    }
}

/// Evaluates all flights together; where one of them can't be fitted, each by itself, so that one bad flight doesn't take the
/// others with it.
fn evaluate_flights(
    request: &Request,
    camera: &CameraView,
) -> Result<Vec<Option<crate::fit::Evaluated>>, MeasureError> {
    if let Ok(all) = evaluate(request, camera) {
        return Ok(all.into_iter().map(Some).collect());
    }
    let mut first_error = None;
    let mut single = |flight: &RequestedFlight| {
        let request = Request { flights: vec![flight.clone()], ..request.clone() };
        match evaluate(&request, camera) {
            Ok(mut evaluated) => Some(evaluated.remove(0)),
            Err(error) => {
                first_error.get_or_insert(error);
                None
            }
        }
    };
    let evaluated: Vec<_> = request.flights.iter().map(&mut single).collect();
    match first_error {
        Some(error) if evaluated.iter().all(Option::is_none) => Err(error.into()),
        _ => Ok(evaluated),
    }
}

impl Found {
    /// The frame numbers are those of the clip; `true` when the clip has this frame.
    pub(crate) fn has_frame(&self, frame: usize) -> bool {
        frame < self.stamps_s.len()
    }
}
