//! From the evaluated flights to the plain result that every output takes.

use std::fmt::Write;

use super::account;
use super::known::{HEAVIEST_FACTOR, gravity_at};
use super::launches::MARKED_PX;
use super::shutter::readout_found;
use crate::camera::InputKind;
use crate::camera::steady::Wander;
use crate::clip::{ClipInfo, ClipReport, Clock, Finding};
use crate::fit::robust::REJECT_BEYOND;
use crate::fit::{
    BallInAir, Evaluated, FlightFit, Instant, Launch, Motion, Quantity, Request, RowKind, Term, scale_of,
};
use crate::measure::CameraView;
use crate::measurement::basis::{Basis, TimeCheck};
use crate::measurement::motion::{Motion as MotionSamples, MotionSample};
use crate::measurement::{
    AfterBounce, AgreementStatement, AtFirstSighting, BallFound, CauseStatement, ClockStatement, FORMAT_VERSION,
    FlightMeasurement, GravityGivenFit, Measurement, Remedy, RemedyChange, ScaleStatement, SharedGravity, SightingRow,
    VerdictStatement,
};
use crate::report::strobe::{StrobeInput, StrobePatch};
use crate::sight::{Found, FoundFlight, Sighting, SightingSource};
use crate::units::{Estimate, MetrePoint, PixelPoint};
use crate::verdict::{
    Answer, Cause, Circumstances, EvaluatedFlight, Evidence, FAR_OFF, RankedCause, judge, named_rate,
};
use crate::warning::Warning;

/// Everything that a measurement is put together from.
pub(super) struct Parts<'a> {
    pub basis: &'a Basis,
    pub camera: &'a CameraView,
    /// One for each flight; `None` for one that couldn't be fitted.
    pub evaluated: &'a [Option<Evaluated>],
    /// Whether the flights were fitted together and share gravity.
    pub jointly: bool,
    pub info: ClipInfo,
    pub reading: ClipReport,
}

impl Parts<'_> {
    fn request(&self) -> &Request {
        &self.basis.request
    }
}

/// The measurement, but for its basis.
pub(super) fn measurement(parts: Parts<'_>) -> Measurement {
    let fitted: Vec<(usize, &Evaluated)> =
        parts.evaluated.iter().enumerate().filter_map(|(i, e)| Some((i, e.as_ref()?))).collect();
    let timed: Vec<Vec<Sighting>> =
        fitted.iter().map(|(i, evaluated)| on_chosen_clock(&parts.request().flights[*i], evaluated)).collect();
    let verdicts = verdicts(&parts, &fitted, &timed);
    let flights: Vec<FlightMeasurement> = fitted
        .iter()
        .zip(&timed)
        .zip(verdicts)
        .enumerate()
        .map(|(place, (((index, evaluated), timed), verdict))| {
            flight(&parts, place + 1, *index, evaluated, timed, verdict)
        })
        .collect();
    let mut flights = flights;
    for place in 0..flights.len() {
        if parts.request().flights[fitted[place].0].after_touch {
            flights[place].after_bounce = after_bounce(&flights[..place], &flights[place]);
        }
    }
    let scale = scale_statement(&parts);
    Measurement {
        format_version: FORMAT_VERSION,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        clock: clock_statement(&parts, &fitted),
        warnings: warnings(&parts, &fitted, &flights),
        shared_gravity: shared_gravity(&fitted, &flights),
        clip: parts.info,
        reading: parts.reading,
        scale,
        flights,
        basis: None,
    }
}

/// The touch that a flight follows: the end of the one before it in time. `None` where that couldn't be measured.
fn after_bounce(before: &[FlightMeasurement], flight: &FlightMeasurement) -> Option<AfterBounce> {
    let first = flight.sightings.first()?;
    let ended = |one: &&FlightMeasurement| one.sightings.last().is_some_and(|last| last.frame < first.frame);
    let near = |one: &FlightMeasurement| {
        one.sightings.last().map_or(f64::INFINITY, |last| last.centre_px.distance(first.centre_px))
    };
    let one = before.iter().filter(ended).min_by(|a, b| near(a).total_cmp(&near(b)))?;
    let arriving = one.motion.as_ref()?.fitted.last()?;
    let leaving = flight.motion.as_ref()?.fitted.first()?;
    let half_s = 0.5 * (leaving.time_s - arriving.time_s);
    let speed = |sample: &MotionSample, later_s: f64| {
        let (vx, vy) = (sample.vx_m_per_s.value, sample.vy_m_per_s.value);
        (vx + sample.ax_m_per_s2.value * later_s).hypot(vy + sample.ay_m_per_s2.value * later_s)
    };
    let speed_ratio = speed(leaving, -half_s) / speed(arriving, half_s);
    speed_ratio.is_finite().then_some(AfterBounce { of_flight: one.number, speed_ratio })
}

fn clock_statement(parts: &Parts<'_>, fitted: &[(usize, &Evaluated)]) -> ClockStatement {
    let mut clock = parts.basis.clock.clone();
    if fitted.iter().any(|(_, evaluated)| evaluated.clock.changed()) {
        clock.description += "; the flight fits uniform steps better, and they were used";
    }
    for check in &parts.basis.time_checks {
        let agrees = if check.contradicts(clock.relative_standard_uncertainty) { "contradicts it" } else { "agrees" };
        let (off, u) = (100.0 * (check.stated_over_true - 1.0), 200.0 * check.relative_standard_uncertainty);
        let _ = write!(clock.description, "; {} {agrees} ({off:+.2} % ± {u:.2} %)", check.words());
    }
    let by = 100.0 * (1.0 / parts.basis.agreed_time().stated_over_true - 1.0);
    // A thousandth of a per cent is a hundredth of any clock's own doubt.
    if by.abs() >= 1e-3 {
        let _ = write!(clock.description, "; times changed by {by:+.3} % to the mean of all that agree");
    }
    clock
}

/// Flights that were fitted together have one gravity. `None` where each was fitted by itself.
fn shared_gravity(fitted: &[(usize, &Evaluated)], flights: &[FlightMeasurement]) -> Option<SharedGravity> {
    let together = fitted.iter().zip(flights).filter(|((_, evaluated), _)| evaluated.together > 1);
    let flights: Vec<&FlightMeasurement> = together.map(|(_, flight)| flight).collect();
    let gravity_m_per_s2 = flights.first()?.gravity_m_per_s2;
    Some(SharedGravity { flights: flights.iter().map(|flight| flight.number).collect(), gravity_m_per_s2 })
}

fn scale_statement(parts: &Parts<'_>) -> ScaleStatement {
    let camera = parts.camera.camera();
    let places: Vec<PixelPoint> =
        parts.request().flights.iter().flat_map(|f| f.sightings.iter().map(|s| s.centre_px)).collect();
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

fn flight(
    parts: &Parts<'_>,
    number: usize,
    index: usize,
    evaluated: &Evaluated,
    timed: &[Sighting],
    verdict: VerdictStatement,
) -> FlightMeasurement {
    let fit = &evaluated.fit;
    let requested = &parts.request().flights[index];
    let camera = &parts.camera.as_found(&fit.camera);
    let sightings: Vec<SightingRow> =
        timed.iter().enumerate().map(|(i, sighting)| row(camera, fit, i, sighting)).collect();
    let end_s = sightings.last().map_or(fit.launch_time_s.value, SightingRow::moment_s);
    let start = fit.launch_state();
    let launch_point_m = MetrePoint::new(start.x, start.y);
    let path = fit.path();
    let path_covariance = fit.path_covariance();
    let budget = &evaluated.budget;
    FlightMeasurement {
        number,
        launch_speed_m_per_s: budget.launch_speed_m_per_s.estimate(),
        launch_angle_deg: direction(budget.launch_angle_deg.estimate()),
        gravity_m_per_s2: budget.gravity_m_per_s2.estimate(),
        launch_speed_gravity_given_m_per_s: evaluated
            .gravity_given
            .as_ref()
            .map(|(_, budget)| budget.launch_speed_m_per_s.estimate()),
        gravity_given: evaluated.gravity_given.as_ref().map(|given| {
            let given = account::gravity_given(given, timed.len(), parts.request().conditions.monte_carlo);
            GravityGivenFit { launch_angle_deg: direction(given.launch_angle_deg), ..given }
        }),
        quality: Some(account::quality(fit, timed.len())),
        at_first_sighting: evaluated.at_first_sighting.as_ref().map(|(fit, budget)| AtFirstSighting {
            time_s: fit.launch_time_s.value,
            speed_m_per_s: budget.launch_speed_m_per_s.estimate(),
            angle_deg: direction(budget.launch_angle_deg.estimate()),
        }),
        launch_time_s: fit.launch_time_s,
        launch_point_px: camera.camera().pixel_from_metre(launch_point_m),
        launch_point_m,
        direction: fit.direction(),
        residual_rms_px: fit.residual_rms_px,
        residual_rms_mm: fit.residual_rms_mm,
        path,
        air_counted: fit.motion != Motion::Vacuum,
        ball_found: ball_found(evaluated),
        path_px: fit.sample_pixels(camera, fit.launch_time_s.value, end_s, 200),
        motion: Some(motion(parts, evaluated, &path_covariance, &sightings)),
        exposure_s: requested.exposure_s,
        readout: readout_found(
            parts.camera,
            parts.basis.rig.camera.readout_s.is_some(),
            evaluated,
            verdict.agrees != Some(false),
        ),
        vertical_off_deg: vertical_off_deg(fit),
        path_covariance: Some(path_covariance),
        forecast: None,
        after_bounce: None,
        budget: budget.rows.iter().map(account::budget_line).collect(),
        account: Some(account::account(evaluated, timed, parts.request().conditions.monte_carlo)),
        verdict: Some(verdict),
        sightings,
    }
}

/// The ball as the better fit shows it, where nobody weighed it. No ball is heavier than steel.
fn ball_found(evaluated: &Evaluated) -> Option<BallFound> {
    let fit = evaluated.gravity_given.as_ref().map_or(&evaluated.fit, |(fit, _)| fit);
    let Motion::InAir(ball) = fit.motion else { return None };
    let drag = fit.parameters.iter().find(|parameter| parameter.quantity == Quantity::DragFactor)?;
    let factor = drag.value.max(HEAVIEST_FACTOR);
    ball.of_unknown_mass.then(|| BallFound {
        mass_kg: ball.mass_kg / factor,
        diameter_m: ball.diameter_m,
        drag_relative_uncertainty: drag.standard_uncertainty / factor,
    })
}

/// Angle from the stated vertical to the acceleration that the sightings show, degrees. What was stated beforehand is taken out
/// of the fit's answer again, as two independent values were weighed together (JCGM 100:2008, 5.1).
fn vertical_off_deg(fit: &FlightFit) -> Option<Estimate> {
    /// Sightings that know the vertical so much worse than what was stated say nothing of it.
    const LEAST_WEIGHT: f64 = 0.02;
    let roll = fit.parameters.iter().find(|parameter| parameter.quantity == Quantity::Roll)?;
    let weight = roll.standard_uncertainty.powi(-2);
    let (value, own) = match roll.term {
        Term::Fixed(_) => return None,
        Term::Free => (roll.value, weight),
        Term::Known { value, standard_uncertainty } => {
            let stated = standard_uncertainty.powi(-2);
            let own = weight - stated;
            if own < LEAST_WEIGHT * stated {
                return None;
            }
            ((roll.value * weight - value * stated) / own, own)
        }
    };
    Some(Estimate::with_coverage_factor(value.to_degrees(), own.sqrt().recip().to_degrees(), 1.96))
}

/// Said when the fall leans by more than its own interval and that of the stated vertical, and by more than a phone stood up by eye
/// would.
fn vertical_off(flight: &FlightMeasurement, parts: &Parts<'_>) -> Option<Warning> {
    /// A phone stood up without a spirit level (common practice, no source).
    const BY_EYE_DEG: f64 = 1.0;
    let off = flight.vertical_off_deg?;
    let level = parts.camera.camera().inputs().find(|input| input.kind == InputKind::Level)?;
    let allowed = 2.0 * level.standard_uncertainty.hypot(off.standard_uncertainty?);
    let leans = off.value.abs() > allowed.max(BY_EYE_DEG);
    leans.then_some(Warning::FallLeans {
        flight: flight.number,
        degrees: off.value,
        u95_deg: off.expanded_uncertainty_95?,
    })
}

/// Speeds, accelerations and energies. The band is that of the parabola, which the air changes little; its middle is the fit's own
/// path.
fn motion(
    parts: &Parts<'_>,
    evaluated: &Evaluated,
    path_covariance: &[[f64; 6]; 6],
    sightings: &[SightingRow],
) -> MotionSamples {
    let fit = &evaluated.fit;
    let coverage_factor = evaluated.budget.launch_speed_m_per_s.coverage_factor;
    let mut motion = MotionSamples::derive(
        &fit.path(),
        Some(path_covariance),
        coverage_factor,
        fit.launch_time_s.value,
        sightings,
        parts.basis.rig.ball.mass_kg.map(|mass| mass.value),
    );
    if fit.motion != Motion::Vacuum {
        follow_the_air(&mut motion, fit, coverage_factor);
    }
    motion
}

/// Puts the fit's own path in the place of the parabola, with the band that the drag's doubt is part of.
fn follow_the_air(motion: &mut MotionSamples, fit: &FlightFit, coverage_factor: f64) {
    let times: Vec<f64> = motion.fitted.iter().map(|sample| sample.time_s).collect();
    let shown = |at: &Instant| {
        let (state, kinetic) = (at.state, (at.state.vx * at.state.vx + at.state.vy * at.state.vy) / 2.0);
        let potential = -at.field.1 * (state.y - at.launch.y);
        let (ax, ay) = at.acceleration;
        [state.x, state.y, state.vx, state.vy, ax, ay, kinetic, potential, kinetic + potential]
    };
    let Some((values, uncertainties)) = fit.along(&times, shown).zip(fit.uncertainties_along(&times, shown)) else {
        return;
    };
    for (sample, (values, us)) in motion.fitted.iter_mut().zip(values.into_iter().zip(uncertainties)) {
        let quantities = [
            &mut sample.x_m,
            &mut sample.y_m,
            &mut sample.vx_m_per_s,
            &mut sample.vy_m_per_s,
            &mut sample.ax_m_per_s2,
            &mut sample.ay_m_per_s2,
            &mut sample.kinetic_j_per_kg,
            &mut sample.potential_j_per_kg,
            &mut sample.total_j_per_kg,
        ];
        for (quantity, (value, u)) in quantities.into_iter().zip(values.into_iter().zip(us)) {
            *quantity = Estimate::with_coverage_factor(value, u, coverage_factor);
        }
    }
}

/// The sightings with the times that fit them best.
fn on_chosen_clock(requested: &crate::fit::RequestedFlight, evaluated: &Evaluated) -> Vec<Sighting> {
    match evaluated.clock.chosen.checked_sub(1).and_then(|i| requested.alternative_times_s.get(i)) {
        Some(times) => crate::fit::clock::with_times(&requested.sightings, times),
        None => requested.sightings.clone(),
    }
}

/// Each flight's verdict, in their order: flights that share gravity have one and the same.
fn verdicts(parts: &Parts<'_>, fitted: &[(usize, &Evaluated)], timed: &[Vec<Sighting>]) -> Vec<VerdictStatement> {
    let all: Vec<(usize, EvaluatedFlight<'_>)> = fitted
        .iter()
        .zip(timed)
        .enumerate()
        .map(|(place, ((index, evaluated), sightings))| {
            (*index, EvaluatedFlight { number: place + 1, evaluated, sightings })
        })
        .collect();
    let after_touch = |flight: &(usize, EvaluatedFlight<'_>)| parts.request().flights[flight.0].after_touch;
    let launches: Vec<_> = all.iter().copied().filter(|flight| !after_touch(flight)).collect();
    if !parts.jointly || launches.len() < 2 {
        return all.chunks(1).map(|one| verdict(parts, one)).collect();
    }
    let of_launches = verdict(parts, &launches);
    let each = all.iter().map(|one| if after_touch(one) { verdict(parts, &[*one]) } else { of_launches.clone() });
    each.collect()
}

/// Whether gravity came out as expected, and why not, for flights that share it; each with its place in the request.
fn verdict(parts: &Parts<'_>, flights: &[(usize, EvaluatedFlight<'_>)]) -> VerdictStatement {
    /// More reasons than this are a list nobody works through.
    const MOST_REASONS: usize = 3;
    let rig = &parts.basis.rig;
    let expected = gravity_at(rig);
    let rate_hz = parts.basis.clock.frame_rate_hz;
    let clip = Circumstances {
        view: parts.camera,
        options: &parts.request().options,
        expected_gravity: expected,
        picture_px: (parts.basis.view.width as f64, parts.basis.view.height as f64),
        taken_rate_hz: rate_hz,
        slow_factor: parts.basis.clock.slow_factor,
        ball_diameter_m: ball_beside_scale(parts),
    };
    let evaluated: Vec<EvaluatedFlight<'_>> = flights.iter().map(|(_, flight)| *flight).collect();
    let mut evidence = Evidence {
        camera_distance_m: rig.camera.distance.map(|distance| distance.length.metres()),
        plumb_line_rad: plumb_line_rad(parts),
        ball_as_scale_m: ball_as_scale(parts),
        time_factor: time_factor(parts),
        ..Evidence::from_evaluated(&evaluated, &clip)
    };
    for (seen, (index, _)) in evidence.flights.iter_mut().zip(flights) {
        seen.background_bend_m = background_bend(parts, *index);
    }
    let verdict = judge(&evidence);
    let mut reasons = verdict.reasons();
    reasons.truncate(MOST_REASONS);
    let remedies: Vec<Remedy> = verdict
        .likely()
        .iter()
        .take(MOST_REASONS)
        .enumerate()
        .filter_map(|(reason, ranked)| {
            Some(Remedy { reason, change: remedy(ranked.cause, rate_hz)?, flight: ranked.flight })
        })
        .collect();
    VerdictStatement {
        summary: verdict.sentence,
        reasons,
        agrees: match verdict.answer {
            Answer::Agrees => Some(true),
            Answer::Disagrees => Some(false),
            Answer::CantTell => None,
        },
        remedies,
        agreement: Some(AgreementStatement {
            expected_gravity_m_per_s2: expected,
            difference_m_per_s2: verdict.agreement.difference,
            standard_uncertainty_m_per_s2: verdict.agreement.standard_uncertainty,
            ratio: verdict.agreement.ratio,
            probability: verdict.agreement.probability,
        }),
        causes: verdict.causes.iter().map(cause_statement).collect(),
        jointly: verdict.jointly,
        flights: flights.iter().map(|(_, flight)| flight.number).collect(),
    }
}

fn cause_statement(ranked: &RankedCause) -> CauseStatement {
    CauseStatement {
        kind: ranked.kind.name().to_owned(),
        explanation: ranked.explanation.clone(),
        needed: ranked.needed.clone(),
        check: ranked.check.clone(),
        figure: ranked.figure.filter(|(_, u)| u.is_finite()),
        belief: ranked.belief,
        tied_with_first: ranked.tied_with_first,
        flight: ranked.flight,
    }
}

/// Stated over true time by the sharpest witness, with its relative standard uncertainty.
fn time_factor(parts: &Parts<'_>) -> Option<(f64, f64)> {
    let checks = parts.basis.time_checks.iter();
    let agreed = parts.basis.agreed_time().stated_over_true;
    let factors = checks.map(|check| (check.stated_over_true / agreed, check.relative_standard_uncertainty));
    factors.min_by(|a, b| a.1.total_cmp(&b.1))
}

/// What to state or mend to follow a cause; `None` where only filming again helps. `rate_hz`: frames per true second as taken so far.
fn remedy(cause: Cause, rate_hz: f64) -> Option<RemedyChange> {
    Some(match cause {
        Cause::SlowMotion { recorded_hz, played_hz } => {
            let recorded_hz = rate_hz * recorded_hz / played_hz;
            RemedyChange::CaptureRateHz(named_rate(recorded_hz).unwrap_or((10.0 * recorded_hz).round() / 10.0))
        }
        Cause::LengthMixUp { stated_over_true } => RemedyChange::LengthTimes(1.0 / stated_over_true),
        Cause::LauncherFrames { count, .. } => RemedyChange::LeaveOutFirst(count),
        Cause::BounceFrames { count, .. } => RemedyChange::LeaveOutLast(count),
        Cause::Drag => RemedyChange::StateBall,
        Cause::Roll => RemedyChange::MarkPlumbLine,
        Cause::Length => RemedyChange::StateDistances,
        _ => return None,
    })
}

/// Standard uncertainty of the vertical where a plumb line or a plumb length gives it, rad.
fn plumb_line_rad(parts: &Parts<'_>) -> Option<f64> {
    let rig = &parts.basis.rig;
    let hangs = rig.camera.plumb.is_some() || rig.scale.vertical.is_some();
    let level = parts.camera.camera().inputs().find(|input| input.kind == InputKind::Level)?;
    let unit = if level.unit == "deg" { 1f64.to_radians() } else { 1.0 };
    hangs.then_some(level.standard_uncertainty * unit)
}

/// Diameter of the ball with its standard uncertainty, m, where it can check the scale: not where it is the scale.
fn ball_beside_scale(parts: &Parts<'_>) -> Option<(f64, f64)> {
    /// A calliper at a soft ball (common practice, no source).
    const USUAL_M: f64 = 0.5e-3;
    let (rig, view) = (&parts.basis.rig, &parts.basis.view);
    let lengths = rig.scale.all_lines().next().is_some() || rig.scale.rectangle.is_some();
    let beside = !rig.scale.ball && (lengths || !view.cards.is_empty());
    let diameter = rig.ball.diameter.filter(|_| beside)?;
    Some((diameter.length.metres(), diameter.standard_uncertainty_m.unwrap_or(USUAL_M)))
}

/// The stated diameter where the ball is the only scale, m.
fn ball_as_scale(parts: &Parts<'_>) -> Option<f64> {
    let (rig, view) = (&parts.basis.rig, &parts.basis.view);
    let other = rig.scale.all_lines().next().is_some()
        || rig.scale.rectangle.is_some()
        || (!view.cards.is_empty() && !rig.card.ignore);
    rig.ball.diameter.filter(|_| !other).map(|diameter| diameter.length.metres())
}

/// The background's bend in metres of the flight plane, x right and y up.
fn background_bend(parts: &Parts<'_>, index: usize) -> Option<(f64, f64, f64)> {
    let (x, y, u) = parts.basis.clues.get(index)?.background_bend_px?;
    let sightings = &parts.request().flights[index].sightings;
    let scale = parts.camera.camera().metres_per_pixel(sightings[sightings.len() / 2].centre_px);
    Some((x * scale, -y * scale, u * scale))
}

fn row(camera: &CameraView, fit: &FlightFit, index: usize, sighting: &Sighting) -> SightingRow {
    let camera = camera.camera();
    let residual = &fit.residuals[index];
    // Seen from the fitted place, so that points and path stand to each other as they did in the fit, whichever camera it found.
    let (seen, fitted) = (sighting.centre_px, residual.fitted_px);
    let (seen_m, beside_m) = (camera.metre_from_pixel(seen), camera.metre_from_pixel(fitted));
    let residual_m = MetrePoint::new(seen_m.x - beside_m.x, seen_m.y - beside_m.y);
    let fitted_m = residual.fitted_m;
    let centre_m = MetrePoint::new(fitted_m.x + residual_m.x, fitted_m.y + residual_m.y);
    // What the fit took the sightings to be worth: bars then show how the points really scatter about the path.
    let covariance_px2 = sighting.covariance_px2.widened(scale_of(sighting, fit.noise.scale));
    SightingRow {
        frame: sighting.frame,
        time_s: sighting.time_s,
        exposed_s: Some(residual.exposed_at_s),
        centre_px: sighting.centre_px,
        covariance_px2,
        centre_m,
        covariance_m2: camera.metre_covariance(sighting.centre_px, covariance_px2),
        radius_px: sighting.radius_px,
        streak_px: sighting.streak_px,
        visible: sighting.visible,
        residual_px: residual.px,
        residual_m: Some(residual_m),
        used: residual.used,
        by_hand: sighting.source == SightingSource::ByHand,
    }
}

/// Fewer sightings than this leave little to judge a fit by (common practice, no source).
const FEW_SIGHTINGS: usize = 8;

/// What is odd about clip and clock, whatever flies in it.
pub(super) fn clip_warnings(clock: &Clock, reading: &ClipReport, wander: &Wander) -> Vec<Warning> {
    let mut warnings: Vec<Warning> = clock.findings.iter().filter_map(clock_warning).collect();
    if reading.decode_errors > 0 || reading.damaged_frames > 0 {
        warnings.push(Warning::DecodeErrors { count: reading.decode_errors.max(reading.damaged_frames) });
    }
    if reading.truncated {
        warnings.push(Warning::ClipTruncated { frames_used: reading.frames });
    }
    warnings.extend(reading.remarks.iter().map(|remark| Warning::Clip { message: remark.message() }));
    if wander.from_frame.is_some() {
        warnings.push(Warning::CameraMoved { largest_px: wander.largest_px, lost_frames: wander.lost_frames });
    }
    warnings
}

fn warnings(parts: &Parts<'_>, fitted: &[(usize, &Evaluated)], flights: &[FlightMeasurement]) -> Vec<Warning> {
    let mut warnings = parts.basis.warnings.clone();
    warnings.extend(rate_not_stated(parts, flights));
    let doubted = |check: &&TimeCheck| check.contradicts(parts.basis.clock.relative_standard_uncertainty);
    warnings.extend(parts.basis.time_checks.iter().filter(doubted).map(|check| Warning::TimesDisagree {
        by: check.words().to_owned(),
        percent: 100.0 * (check.stated_over_true - 1.0),
    }));
    warnings.extend_from_slice(parts.camera.camera().warnings());
    for ((index, evaluated), flight) in fitted.iter().zip(flights) {
        if parts.request().flights[*index].after_touch {
            continue;
        }
        let used = evaluated.fit.used();
        if used < FEW_SIGHTINGS {
            warnings.push(Warning::FewSightings { flight: flight.number, count: used });
        }
        if parts.request().flights[*index].launch == Launch::FirstSighting {
            warnings.push(Warning::LaunchNotSeen { flight: flight.number });
        }
        warnings.extend(most_left_out(flight));
        warnings.extend(vertical_off(flight, parts));
        warnings.extend(point_missed(flight, parts));
        warnings.extend(off_the_path(flight, &evaluated.fit));
        warnings.extend(not_weighed(flight.number, evaluated));
    }
    if parts.basis.continuations > 0 {
        warnings.push(Warning::BouncesLeftOut { count: parts.basis.continuations });
    }
    let lost = parts.evaluated.len() - fitted.len();
    if lost > 0 {
        warnings.push(Warning::FlightsNotFitted { count: lost });
    }
    warnings
}

/// Said when nobody stated how fast the clip was recorded, gravity is off by more than a factor of two, and another speed of playing
/// explains that best. All flights of a clip share gravity, so one speaks for all.
fn rate_not_stated(parts: &Parts<'_>, flights: &[FlightMeasurement]) -> Option<Warning> {
    let stated = parts.basis.capture_rate_stated || parts.basis.rig.capture_rate_hz.is_some();
    if stated || parts.info.capture_rate_hz().is_some() {
        return None;
    }
    flights.iter().find_map(|flight| {
        let verdict = flight.verdict.as_ref()?;
        let gravity_m_per_s2 = flight.gravity_m_per_s2.value;
        let expected_m_per_s2 = verdict.agreement?.expected_gravity_m_per_s2.value;
        let far_off = (gravity_m_per_s2 / expected_m_per_s2).ln().abs() > 2f64.ln();
        let first = verdict.remedies.iter().find(|remedy| remedy.reason == 0)?;
        match first.change {
            RemedyChange::CaptureRateHz(capture_rate_hz) if far_off => Some(Warning::CaptureRateNotStated {
                gravity_m_per_s2,
                expected_m_per_s2,
                capture_rate_hz,
                played_rate_hz: parts.basis.clock.frame_rate_hz,
            }),
            _ => None,
        }
    })
}

/// Said when more than a third of a flight's sightings were left out (common practice, no source): what is left may be a smaller part of
/// the flight than what was taken for false.
fn most_left_out(flight: &FlightMeasurement) -> Option<Warning> {
    let frames: Vec<usize> = flight.sightings.iter().filter(|row| !row.used).map(|row| row.frame).collect();
    let sightings = flight.sightings.len();
    (3 * frames.len() > sightings).then_some(Warning::ManyLeftOut {
        flight: flight.number,
        frames,
        sightings,
        beyond: REJECT_BEYOND,
    })
}

/// Said where an interval would be an eighth narrower with the ball weighed.
fn not_weighed(flight: usize, evaluated: &Evaluated) -> Option<Warning> {
    const WORTH_WHILE: f64 = 0.125;
    let Motion::InAir(BallInAir { of_unknown_mass: true, .. }) = evaluated.fit.motion else { return None };
    let drag = evaluated.budget.rows.iter().find(|row| row.kind == RowKind::Known(Quantity::DragFactor))?;
    let narrower = drag.share.iter().map(|share| 1.0 - (1.0 - share).max(0.0).sqrt()).fold(0.0, f64::max);
    (narrower > WORTH_WHILE).then_some(Warning::BallNotWeighed { flight, narrower_percent: 100.0 * narrower })
}

/// Said where the path passes the stated launch point by more than a hand slips and by more than the ball's radius, should the muzzle's
/// edge have been marked.
fn point_missed(flight: &FlightMeasurement, parts: &Parts<'_>) -> Option<Warning> {
    let stated = parts.basis.rig.launcher.point_px?;
    let by_px = stated.distance(flight.launch_point_px);
    let radius_px = flight.sightings.first()?.radius_px;
    (by_px > radius_px.max(3.0 * MARKED_PX)).then_some(Warning::LaunchPointMissed { flight: flight.number, by_px })
}

/// Said where the points lie so far off the path that it is no free flight, whatever comes out.
fn off_the_path(flight: &FlightMeasurement, fit: &FlightFit) -> Option<Warning> {
    let times = fit.noise.scale;
    (times > FAR_OFF).then_some(Warning::PointsOffThePath { flight: flight.number, times })
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
pub(super) fn strobes(flights: &[FoundFlight], measurement: &Measurement, found: &Found) -> Vec<StrobeInput> {
    let Some(background) = &found.resting else { return Vec::new() };
    // A flight that wasn't fitted isn't in the measurement; no two begin with the same frame.
    let first = |flight: &FlightMeasurement| flight.sightings.first().map(|row| row.frame);
    measurement
        .flights
        .iter()
        .filter_map(|fitted| flights.iter().find(|flight| first(fitted) == Some(flight.sightings[0].frame)))
        .map(|flight| StrobeInput {
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

/// A direction is off by half a turn at most: a ball that is let go has none.
fn direction(angle_deg: Estimate) -> Estimate {
    const HALF_TURN_DEG: f64 = 180.0;
    match angle_deg.expanded_uncertainty_95 {
        // Rectangular over the whole turn.
        Some(u) if u > HALF_TURN_DEG => {
            Estimate::with_coverage_factor(angle_deg.value, HALF_TURN_DEG / 3f64.sqrt(), 0.95 * 3f64.sqrt())
        }
        _ => angle_deg,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    /// A third may go; one more, and it is said which by which rule.
    #[test]
    fn many_sightings_left_out_are_said() {
        let mut flight = sample::measurement(&[sample::Shot::default()]).flights.remove(0);
        let count = flight.sightings.len();
        let leave_out = |flight: &mut FlightMeasurement, n: usize| {
            flight.sightings.iter_mut().enumerate().for_each(|(i, row)| row.used = i >= n);
        };
        leave_out(&mut flight, count / 3);
        assert_eq!(most_left_out(&flight), None);
        leave_out(&mut flight, count / 3 + 1);
        let frames: Vec<usize> = flight.sightings[..=count / 3].iter().map(|row| row.frame).collect();
        let said = most_left_out(&flight).unwrap();
        assert_eq!(said, Warning::ManyLeftOut { flight: 1, frames, sightings: count, beyond: 4.0 });
        let words = said.message();
        assert!(words.contains(&format!("{} of the {count} sightings", count / 3 + 1)), "{words}");
        assert!(words.contains("4 standard deviations") && words.contains("frames "), "{words}");
    }
}
