//! The whole way from a clip and a rig to a measurement.
//!
//! [`measure`] is the one way in: the command line, the demo, tests and the page call it and hold no measuring of their own.

mod account;
mod background;
mod basis;
mod before;
mod checks;
mod error;
mod forecast;
pub(crate) mod known;
mod launches;
mod mending;
mod plausible;
mod result;
mod shutter;
mod teaching;
mod view;

use std::path::Path;

use crate::camera::displayed_direction;
use crate::camera::flicker::LampSource;
use crate::camera::steady::{SteadySource, Wander};
use crate::clip::{Clock, FrameSource, ReadOptions, Remark};
use crate::maths::monte_carlo::RunOptions;
use crate::measurement::Measurement;
use crate::measurement::basis::TimeCheck;
use crate::report::strobe::StrobeInput;
use crate::rig::Rig;
use crate::sight::arcs::FallPrior;
use crate::sight::find::Seen;
use crate::sight::look::Lens;
use crate::sight::{FindOptions, Found, FoundFlight, Progress, find_flights};

use checks::Lamps;
use launches::FirstLook;

pub use account::QUICK_RUN;
pub use basis::{refit, refit_with};
pub use before::{Before, BeforeError, Figured, KnownLaunch, MeanLaunch, MeasuredLaunch, Origin};
pub use error::MeasureError;
pub use forecast::{Expected, set_against};
pub use launches::{Continuation, mark_bounces};
pub use mending::{FrameTimes, Mending, MendingError, Placed, mend};
pub use teaching::taught_by_book;
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
    /// Which of several moving pictures of the file, counted from 1.
    pub track: Option<usize>,
    /// Sightings that the user dropped, moved or added.
    pub mending: Mending,
    /// Whether a Monte Carlo run over all inputs is to confirm the intervals; `None` leaves it out.
    pub monte_carlo: Option<RunOptions>,
}

/// A measurement and what is needed to draw its strobe pictures, one a flight.
#[derive(Debug)]
pub struct Outcome {
    pub measurement: Measurement,
    pub strobes: Vec<StrobeInput>,
    /// For [`mend`], which adds sightings without the clip.
    pub times: FrameTimes,
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
    measure_counted(path, settings, &mut |told, _| progress(told))
}

/// As [`measure`]; `progress` is also told how many frames the clip has, as far as its file says so.
///
/// # Errors
/// As [`measure`].
pub fn measure_counted(
    path: &Path,
    settings: &Settings,
    progress: &mut dyn FnMut(Progress, Option<usize>),
) -> Result<Outcome, MeasureError> {
    check_scale(&settings.rig)?;
    let options =
        ReadOptions { picture_rate_hz: settings.picture_rate_hz, track: settings.track, ..ReadOptions::default() };
    let mut source = crate::clip::open(path, &options)?;
    let of = source.frames_stated();
    measured(&mut *source, Some(path), settings, &mut |told| progress(told, of))
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
    measured(source, None, settings, progress)
}

/// `path` is where the clip's sound is, if anywhere.
fn measured(
    source: &mut dyn FrameSource,
    path: Option<&Path>,
    settings: &Settings,
    progress: &mut dyn FnMut(Progress),
) -> Result<Outcome, MeasureError> {
    let capture_rate_hz = settings.capture_rate_hz.or(settings.rig.capture_rate_hz.map(|rate| rate.value));
    let mut find = settings.find.clone();
    let slow = slow_factor(source.info(), capture_rate_hz);
    find.prior = fall_prior(settings).in_slow_motion(slow);
    find.slow_factor = Some(slow);
    find.lens = find.lens.or(stated_lens(&settings.rig, source.info()));
    let rows_run = displayed_direction(source.info());
    let mut lamps = LampSource::new(source, rows_run);
    let mut steady = SteadySource::new(&mut lamps);
    let mut found = find_flights(&mut steady, &find, progress)?;
    let wander = steady.into_wander();
    let rows = lamps.into_rows();
    for flight in &mut found.flights {
        let places = flight.sightings.iter_mut().map(|s| (s.frame, s.centre_px, &mut s.covariance_px2));
        wander.widen(&mut places.collect::<Vec<_>>());
        launches::forget_unseen_launch(flight, &wander, (source.info().width, source.info().height));
    }
    let (info, reading) = (source.info().clone(), source.report());
    check_shown_frame(&find, found.stamps_s.len())?;
    found.seen.truncated = reading.truncated;
    found.seen.decode_errors = reading.decode_errors.max(reading.damaged_frames);
    settings.mending.apply(&mut found)?;
    if found.flights.is_empty() {
        return Err(no_flight(found.seen, reading.remarks, &wander));
    }
    let clock = Clock::build(&found.stamps_s, &info, &reading, capture_rate_hz)?;
    // A camera that moves brightens and darkens rows by itself.
    let by_lamps = || match wander.from_frame {
        None => checks::by_lamps(&rows, &clock).along(rows_run),
        Some(_) => Lamps::default(),
    };
    let (lamps, cards) = rayon::join(by_lamps, || basis::cards(found.resting.as_ref(), &settings.rig));
    let mut time_checks: Vec<TimeCheck> = lamps.check.into_iter().collect();
    let mut flights = std::mem::take(&mut found.flights);
    let continuations = mark_bounces(&mut flights);
    if let Some(point_px) = settings.rig.launcher.point_px {
        flights
            .iter_mut()
            .filter(|flight| !flight.after_touch)
            .for_each(|flight| launches::drop_before_point(flight, point_px));
    }
    let seen = basis::Seen {
        settings,
        info: &info,
        reading: &reading,
        clock: &clock,
        flights: &[],
        continuations: &continuations,
        resting: found.resting.as_ref(),
        cards: &cards,
        wander: &wander,
        lamps_readout_s: lamps.readout_s,
        time_checks: &[],
    };
    // A first fit tells what belongs to the flights; the numbers are made of what is left.
    let looks = basis::first_looks(&basis::Seen { flights: &flights, time_checks: &time_checks, ..seen })?;
    let looks = keep_what_belongs(&mut flights, looks);
    if flights.is_empty() {
        return Err(MeasureError::NoFlight { seen: found.seen, remarks: reading.remarks });
    }
    if let Some(path) = path
        && let Some(Some(first_stamp_s)) = found.stamps_s.first()
    {
        time_checks.extend(checks::by_sound(path, &looks, &continuations, &clock, *first_stamp_s));
    }
    let clock = checks::agreed(&clock, &time_checks);
    let basis = basis::basis(&basis::Seen { clock: &clock, flights: &flights, time_checks: &time_checks, ..seen })?;
    let measurement = basis::measurement(basis, info.clone(), reading.clone())?;
    let strobes = result::strobes(&flights, &measurement, &found);
    let times = FrameTimes { times_s: clock.times_s, uniform_times_s: clock.uniform_times_s };
    Ok(Outcome { measurement, strobes, times })
}

/// Leaves out flights that are no ball's, and first sightings at which the launcher still pushed; gives the looks at the flights that
/// are left.
fn keep_what_belongs(flights: &mut Vec<FoundFlight>, looks: Vec<Option<FirstLook>>) -> Vec<FirstLook> {
    let mut kept = Vec::new();
    for (mut flight, look) in std::mem::take(flights).into_iter().zip(looks) {
        if look.as_ref().is_some_and(launches::is_misfit) {
            continue;
        }
        if let Some(look) = look {
            launches::drop_rejected_start(&mut flight, &look);
            kept.push(look);
        }
        flights.push(flight);
    }
    kept
}

/// A place shown in a frame that the clip doesn't have belongs to another clip, or is a slip of the pen.
fn check_shown_frame(find: &FindOptions, frames: usize) -> Result<(), MeasureError> {
    match find.shown_at {
        Some((frame, _)) if frame >= frames => Err(MeasureError::NoShownFrame { frame, frames }),
        _ => Ok(()),
    }
}

/// Why nothing was found: the camera may have looked elsewhere.
fn no_flight(seen: Seen, remarks: Vec<Remark>, wander: &Wander) -> MeasureError {
    match &wander.lost {
        // A few frames that are lost to a jerk don't hide a flight.
        Some(lost) if 4 * wander.lost_frames > seen.frames => MeasureError::Unsteady(lost.clone()),
        _ => MeasureError::NoFlight { seen, remarks },
    }
}

/// Refuses before the clip is decoded when nothing can give a scale: no length is stated and cards are not to be looked for.
fn check_scale(rig: &Rig) -> Result<(), MeasureError> {
    let ball = rig.ball.diameter.is_some() || rig.ball.sport.is_some();
    let stated = rig.scale.all_lines().next().is_some() || rig.scale.rectangle.is_some() || ball;
    if stated || !rig.card.ignore { Ok(()) } else { Err(crate::camera::CameraError::NoScale.into()) }
}

/// The lens that the rig states, which shapes the ball's outline; `None` where it states no focal length.
fn stated_lens(rig: &Rig, info: &crate::clip::ClipInfo) -> Option<Lens> {
    let value = |stated: Option<crate::rig::Stated>| stated.map_or(0.0, |stated| stated.value);
    let Lens { principal, .. } = Lens::of_a_phone(info.width, info.height);
    rig.camera.focal_length_px.map(|focal| Lens {
        focal_px: focal.value,
        principal: rig.camera.principal_point_px.unwrap_or(principal),
        k1: value(rig.camera.k1),
        k2: value(rig.camera.k2),
    })
}

/// Played seconds for a true one, as far as file and user say it.
fn slow_factor(info: &crate::clip::ClipInfo, capture_rate_hz: Option<f64>) -> f64 {
    match (capture_rate_hz.or(info.capture_rate_hz()), info.stated_rate_hz) {
        (Some(capture), Some(stated)) if capture > 1.5 * stated => capture / stated,
        _ => 1.0,
    }
}

/// Accelerations in the picture that a fall can have, when a length and the clock are about known: between a third and
/// three times what gravity gives (a scale far out of the plane, a slow motion of less than two).
fn fall_prior(settings: &Settings) -> FallPrior {
    const SPREAD: f64 = 3.0;
    let length = settings.rig.scale.all_lines().next();
    FallPrior {
        acceleration_px_per_s2: length.map(|line| {
            let expected = 9.81 * line.pixels() / line.length.length.metres();
            (expected / SPREAD, expected * SPREAD)
        }),
    }
}

impl Found {
    /// The frame numbers are those of the clip; `true` when the clip has this frame.
    pub(crate) fn has_frame(&self, frame: usize) -> bool {
        frame < self.stamps_s.len()
    }
}
