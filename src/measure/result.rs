//! From the evaluated flights to the plain result that every output takes.

use crate::clip::{ClipInfo, ClipReport, Clock, Finding};
use crate::fit::{BudgetRow, Evaluated, FlightFit, Launch, Request, RowKind};
use crate::measure::{CameraView, Continuation, Settings};
use crate::measurement::motion::Motion as MotionSamples;
use crate::measurement::{
    BudgetLine, ClockStatement, FORMAT_VERSION, FlightMeasurement, Measurement, ScaleStatement, SightingRow,
};
use crate::report::strobe::{StrobeInput, StrobePatch};
use crate::sight::{Found, FoundFlight, Sighting, SightingSource};
use crate::units::{Estimate, MetrePoint, PixelPoint};
use crate::warning::Warning;

/// Everything that a measurement is put together from.
pub(super) struct Parts<'a> {
    pub settings: &'a Settings,
    pub info: &'a ClipInfo,
    pub reading: &'a ClipReport,
    pub clock: &'a Clock,
    pub camera: &'a CameraView,
    pub flights: &'a [FoundFlight],
    pub request: &'a Request,
    /// One for each flight; `None` for one that couldn't be fitted.
    pub evaluated: &'a [Option<Evaluated>],
    pub continuations: &'a [Continuation],
}

pub(super) fn measurement(parts: &Parts<'_>) -> Measurement {
    let fitted: Vec<(usize, &Evaluated)> =
        parts.evaluated.iter().enumerate().filter_map(|(i, e)| Some((i, e.as_ref()?))).collect();
    let flights = fitted
        .iter()
        .enumerate()
        .map(|(place, (index, evaluated))| flight(parts, place + 1, *index, evaluated))
        .collect();
    Measurement {
        format_version: FORMAT_VERSION,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        clip: parts.info.clone(),
        reading: parts.reading.clone(),
        clock: clock_statement(parts, &fitted),
        scale: scale_statement(parts),
        flights,
        warnings: warnings(parts, &fitted),
    }
}

fn clock_statement(parts: &Parts<'_>, fitted: &[(usize, &Evaluated)]) -> ClockStatement {
    let changed = fitted.iter().any(|(_, evaluated)| evaluated.clock.changed());
    let description = if changed {
        format!("{}; the flight fits uniform steps better, and they were used", parts.clock.description)
    } else {
        parts.clock.description.clone()
    };
    ClockStatement {
        description,
        slow_factor: parts.clock.slow_factor,
        frame_rate_hz: parts.clock.frame_rate_hz,
        relative_standard_uncertainty: parts.clock.relative_standard_uncertainty,
    }
}

fn scale_statement(parts: &Parts<'_>) -> ScaleStatement {
    let camera = parts.camera.camera();
    let places: Vec<PixelPoint> = parts.flights.iter().flat_map(|f| f.sightings.iter().map(|s| s.centre_px)).collect();
    let count = places.len().max(1) as f64;
    let middle = PixelPoint::new(
        places.iter().map(|p| p.x).sum::<f64>() / count,
        places.iter().map(|p| p.y).sum::<f64>() / count,
    );
    let value = camera.metres_per_pixel(middle);
    // Each input moved by its standard uncertainty; the squares add up (JCGM 100:2008, 5.1.2).
    let variance: f64 = camera
        .inputs()
        .enumerate()
        .filter_map(|(i, input)| camera.with_input(i, input.standard_uncertainty).ok())
        .map(|moved| (moved.metres_per_pixel(middle) - value).powi(2))
        .sum();
    ScaleStatement {
        description: camera.description().to_owned(),
        metres_per_pixel: Estimate::with_coverage_factor(value, variance.sqrt(), 1.96),
    }
}

fn flight(parts: &Parts<'_>, number: usize, index: usize, evaluated: &Evaluated) -> FlightMeasurement {
    let fit = &evaluated.fit;
    let requested = &parts.request.flights[index];
    let times = chosen_times(requested, evaluated);
    let sightings: Vec<SightingRow> =
        requested.sightings.iter().zip(times).enumerate().map(|(i, (s, time))| row(parts, fit, i, s, time)).collect();
    let end_s = sightings.last().map_or(fit.launch_time_s.value, |row| row.time_s);
    let start = fit.launch_state();
    let launch_point_m = MetrePoint::new(start.x, start.y);
    let path = fit.path();
    let budget = &evaluated.budget;
    FlightMeasurement {
        number,
        launch_speed_m_per_s: budget.launch_speed_m_per_s.estimate(),
        launch_angle_deg: budget.launch_angle_deg.estimate(),
        gravity_m_per_s2: budget.gravity_m_per_s2.estimate(),
        launch_speed_gravity_given_m_per_s: evaluated
            .gravity_given
            .as_ref()
            .map(|(_, budget)| budget.launch_speed_m_per_s.estimate()),
        launch_time_s: fit.launch_time_s,
        launch_point_px: parts.camera.camera().pixel_from_metre(launch_point_m),
        launch_point_m,
        direction: fit.direction(),
        residual_rms_px: fit.residual_rms_px,
        residual_rms_mm: fit.residual_rms_mm,
        path,
        path_px: fit.sample_pixels(parts.camera, fit.launch_time_s.value, end_s, 200),
        motion: Some(MotionSamples::derive(
            &path,
            None,
            2.0,
            fit.launch_time_s.value,
            &sightings,
            parts.settings.rig.ball.mass_kg.map(|mass| mass.value),
        )),
        path_covariance: None,
        forecast: None,
        budget: budget.rows.iter().map(budget_line).collect(),
        verdict: None,
        sightings,
    }
}

fn chosen_times<'a>(
    requested: &'a crate::fit::RequestedFlight,
    evaluated: &'a Evaluated,
) -> Box<dyn Iterator<Item = f64> + 'a> {
    match evaluated.clock.chosen.checked_sub(1).and_then(|i| requested.alternative_times_s.get(i)) {
        Some(times) => Box::new(times.iter().copied()),
        None => Box::new(requested.sightings.iter().map(|s| s.time_s)),
    }
}

fn row(parts: &Parts<'_>, fit: &FlightFit, index: usize, sighting: &Sighting, time_s: f64) -> SightingRow {
    let camera = parts.camera.camera();
    let residual = &fit.residuals[index];
    let centre_m = camera.metre_from_pixel(sighting.centre_px);
    let fitted_m = residual.fitted_m;
    SightingRow {
        frame: sighting.frame,
        time_s,
        centre_px: sighting.centre_px,
        covariance_px2: sighting.covariance_px2,
        centre_m,
        covariance_m2: camera.metre_covariance(sighting.centre_px, sighting.covariance_px2),
        radius_px: sighting.radius_px,
        streak_px: sighting.streak_px,
        visible: sighting.visible,
        residual_px: residual.px,
        residual_m: Some(MetrePoint::new(centre_m.x - fitted_m.x, centre_m.y - fitted_m.y)),
        used: residual.used,
        by_hand: sighting.source == SightingSource::ByHand,
    }
}

fn budget_line(row: &BudgetRow) -> BudgetLine {
    let [speed, angle, gravity] = row.contribution.map(f64::abs);
    BudgetLine {
        source: row.name.clone(),
        evaluation: if row.kind == RowKind::Sightings { "A" } else { "B" }.to_owned(),
        launch_speed_m_per_s: Some(speed),
        launch_angle_deg: Some(angle),
        gravity_m_per_s2: Some(gravity),
    }
}

/// Fewer sightings than this leave little to judge a fit by (common practice, no source).
const FEW_SIGHTINGS: usize = 8;

fn warnings(parts: &Parts<'_>, fitted: &[(usize, &Evaluated)]) -> Vec<Warning> {
    let mut warnings: Vec<Warning> = parts.clock.findings.iter().filter_map(clock_warning).collect();
    let reading = parts.reading;
    if reading.decode_errors > 0 || reading.damaged_frames > 0 {
        warnings.push(Warning::DecodeErrors { count: reading.decode_errors.max(reading.damaged_frames) });
    }
    if reading.truncated {
        warnings.push(Warning::ClipTruncated { frames_used: reading.frames });
    }
    warnings.extend_from_slice(parts.camera.camera().warnings());
    for (place, (index, evaluated)) in fitted.iter().enumerate() {
        let used = evaluated.fit.used();
        if used < FEW_SIGHTINGS {
            warnings.push(Warning::FewSightings { flight: place + 1, count: used });
        }
        if parts.request.flights[*index].launch == Launch::FirstSighting {
            warnings.push(Warning::LaunchNotSeen { flight: place + 1 });
        }
    }
    if !parts.continuations.is_empty() {
        warnings.push(Warning::BouncesLeftOut { count: parts.continuations.len() });
    }
    let lost = parts.evaluated.len() - fitted.len();
    if lost > 0 {
        warnings.push(Warning::FlightsNotFitted { count: lost });
    }
    warnings
}

fn clock_warning(finding: &Finding) -> Option<Warning> {
    Some(match finding {
        Finding::MissingStamps { count } => Warning::FramesWithoutStamp { count: *count },
        Finding::Gap { at_s, gap_s, usual_s, .. } => {
            Warning::GapInStamps { at_s: *at_s, gap_s: *gap_s, usual_s: *usual_s }
        }
        Finding::SlowMotionUndone { capture_rate_hz, stamp_rate_hz, .. } => {
            Warning::SlowMotionUndone { capture_rate_hz: *capture_rate_hz, stamp_rate_hz: *stamp_rate_hz }
        }
        // Part of the clock's description already, and nothing for the reader to do.
        Finding::RoundedStamps { .. } => return None,
        other => Warning::Clock { message: other.message() },
    })
}

/// Input of the strobe pictures, one for each fitted flight.
pub(super) fn strobes(flights: &[FoundFlight], evaluated: &[Option<Evaluated>], found: &Found) -> Vec<StrobeInput> {
    let Some(background) = &found.resting else { return Vec::new() };
    flights
        .iter()
        .zip(evaluated)
        .filter(|(_, evaluated)| evaluated.is_some())
        .map(|(flight, _)| StrobeInput {
            background: background.clone(),
            patches: flight.cuttings.iter().map(patch).collect(),
        })
        .collect()
}

fn patch(cutting: &crate::sight::find::Cutting) -> StrobePatch {
    let streak = cutting.disc.streak_px;
    let length = streak.0.hypot(streak.1);
    StrobePatch {
        frame: cutting.frame,
        origin_px: (cutting.left, cutting.top),
        crop: cutting.picture.clone(),
        centre_px: cutting.disc.centre,
        radius_px: cutting.disc.radius_px,
        streak_px: (length > 1.0).then_some(streak),
        // In the middle of a streak longer than the ball, the ball is there for its diameter's share of the time.
        coverage: (2.0 * cutting.disc.radius_px / length.max(1e-9)).min(1.0),
    }
}
