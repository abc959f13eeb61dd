use rand::{Rng, RngExt};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::*;
use crate::fit::motion::{BallInAir, Motion};
use crate::fit::trial::{Throw, sighting};
use crate::fit::view::PlainScale;
use crate::fit::{FlightInput, Launch, fit_flight, fit_flights};
use crate::flight::air::AirState;
use crate::units::MetrePoint;

const SCALE: f64 = 0.0013;
const SIGMA: f64 = 0.1;
const RATE: f64 = 60.0;

/// A flight made wrong in one way, and what a careful user knows beside it.
struct Wrong {
    sightings: Vec<Sighting>,
    view: PlainScale,
    /// At launch; nought without air.
    drag_over_weight: f64,
    length_factor: Option<(f64, f64)>,
    time_factor: Option<(f64, f64)>,
    exposure_change_s: Option<(f64, f64)>,
    background_bend_m: Option<(f64, f64, f64)>,
}

fn between(random: &mut impl Rng, low: f64, high: f64) -> f64 {
    random.random_range(low..high)
}

/// Evenly from −high to −low or low to high.
fn either_way(random: &mut impl Rng, low: f64, high: f64) -> f64 {
    between(random, low, high) * if random.random::<bool>() { 1.0 } else { -1.0 }
}

fn noise(random: &mut impl Rng) -> f64 {
    StandardNormal.sample(random)
}

/// Makes a flight wrong. Times, places and pictures are worked out here and not by the code under test: the pinhole in
/// three dimensions, the shutter row by row, the bow of the camera as half a sine, the lens by the division model.
fn made_wrong(kind: CauseKind, upright: bool, random: &mut ChaCha8Rng) -> Wrong {
    let direction = if random.random::<bool>() { 1.0 } else { -1.0 };
    let mut view = PlainScale::new(SCALE, PixelPoint::new(960.0 - direction * 750.0, 800.0));
    view.rows_along_y = !upright;
    view.rows = if upright { 1920.0 } else { 1080.0 };
    let mut camera = view.clone();
    let angle = between(random, 30.0, 65.0);
    let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), between(random, 3.6, 5.0), angle, direction);
    let count = 28 + (between(random, 0.0, 6.0) as usize);
    let mut times: Vec<f64> = (0..count).map(|i| i as f64 / RATE).collect();
    let (mut length, mut time, mut exposure, mut bend) = (1.0, 1.0, 0.0, (0.0, 0.0));
    let (mut turn, mut lens) = ((0.0, 0.0), 0.0);
    let mut jitter = 0.0;
    let mut ball_m = 0.05;
    match kind {
        CauseKind::Time => time = [8.0, 4.0, 2.0, 1.2, 0.8, 1.02, 0.98][random.random_range(0..7)],
        CauseKind::Length => length = [1.03, 0.96, 0.92, 1.06, 2.54, 1.0 / 0.3, 0.1][random.random_range(0..7)],
        CauseKind::Roll => throw.roll_rad = either_way(random, 3.0, 9.0).to_radians(),
        CauseKind::Yaw => turn.0 = either_way(random, 4.0, 12.0).to_radians(),
        CauseKind::Pitch => turn.1 = either_way(random, 4.0, 10.0).to_radians(),
        CauseKind::RollingShutter => camera.readout_s = either_way(random, 0.008, 0.030),
        CauseKind::Drag => {
            let (mass, diameter) = [(0.0027, 0.040), (0.013, 0.070), (0.058, 0.066)][random.random_range(0..3)];
            ball_m = diameter;
            throw.motion = Motion::InAir(BallInAir::new(mass, diameter, &AirState::ROOM).unwrap());
        }
        CauseKind::Lens => lens = either_way(random, 0.015, 0.04),
        CauseKind::FrameCount => {
            let at = random.random_range(3..count - 3);
            let shift = if random.random::<f64>() < 0.8 { 1.0 } else { -1.0 } / RATE;
            times.iter_mut().skip(at).for_each(|t| *t += shift);
        }
        CauseKind::TimeJitter => jitter = between(random, 1e-3, 3e-3),
        CauseKind::MovingCamera => bend = (either_way(random, 0.0, 0.004), either_way(random, 0.003, 0.010)),
        CauseKind::ExposureDrift => exposure = either_way(random, 0.004, 0.010),
        CauseKind::TouchedFrames | CauseKind::TooFewSightings => {}
    }
    // True times of the middle of each exposure; `time` is stated over true.
    let span = times[count - 1];
    let stamps: Vec<f64> = (0..count).map(|i| i as f64 / RATE).collect();
    let true_times: Vec<f64> =
        times.iter().map(|t| t / time + 0.5 * exposure * t / span + jitter * noise(random)).collect();
    let touched = (kind == CauseKind::TouchedFrames).then(|| (random.random_range(2..5usize), random.random::<bool>()));
    let mut sightings = Vec::new();
    for (i, (&stamp, &t)) in stamps.iter().zip(&true_times).enumerate() {
        let place = place_of(&throw, &camera, t, touched, count, i);
        let bow = (std::f64::consts::PI * i as f64 / (count - 1) as f64).sin();
        let moved = MetrePoint::new(place.x + bend.0 * bow, place.y + bend.1 * bow);
        let seen = picture(moved, &view, length, turn, lens);
        let centre = PixelPoint::new(seen.x + SIGMA * noise(random), seen.y + SIGMA * noise(random));
        let radius_px = 0.5 * ball_m * length / SCALE;
        sightings.push(Sighting { radius_px, ..sighting(i, stamp, centre, SIGMA) });
    }
    view.readout_s = 0.0;
    let drag_over_weight = match throw.motion {
        Motion::InAir(ball) => {
            let launch = throw.states(&[0.0]).unwrap()[0];
            ball.deceleration(launch.vx.hypot(launch.vy)) / 9.81
        }
        Motion::Vacuum => 0.0,
    };
    Wrong {
        sightings,
        view,
        drag_over_weight,
        length_factor: Some((length * (1.0 + 0.017 * noise(random)), 0.017)),
        time_factor: Some((time * (1.0 + 2e-4 * noise(random)), 2e-4)),
        exposure_change_s: Some((exposure + 3e-4 * noise(random), 3e-4)),
        background_bend_m: Some((bend.0 + 1e-4 * noise(random), bend.1 + 1e-4 * noise(random), 1e-4)),
    }
}

/// Place at a time, row by row when the camera has a readout; pushed slower by the launcher at first or bounced at last.
fn place_of(
    throw: &Throw,
    camera: &PlainScale,
    t: f64,
    touched: Option<(usize, bool)>,
    count: usize,
    i: usize,
) -> MetrePoint {
    let at = |t: f64| {
        let s = throw.states(&[t]).unwrap()[0];
        (MetrePoint::new(s.x, s.y), s)
    };
    match touched {
        // In the launcher the ball comes up from rest under constant push: x = v·τ/2·(1 + …) behind the release.
        Some((frames, true)) if i < frames => {
            let release = frames as f64 / RATE;
            let (p, s) = at(release);
            let (before, push) = (release - t, 4.0 * release);
            let back = before - 0.5 * before * before / push;
            MetrePoint::new(p.x - s.vx * back, p.y - s.vy * back)
        }
        // A floor that gives back six tenths of the speed down.
        Some((frames, false)) if i + frames >= count => {
            let hit = (count - frames) as f64 / RATE - 0.4 / RATE;
            let ((p, s), since) = (at(hit), t - hit);
            MetrePoint::new(p.x + 0.8 * s.vx * since, p.y + 0.6 * s.vy.abs() * since - 4.905 * since * since)
        }
        _ => {
            let pixel = throw.seen(camera, t).unwrap();
            camera.metre_from_pixel(pixel).unwrap()
        }
    }
}

/// The picture of a place of the flight plane in a camera three metres off, whose plane is turned by yaw and pitch about the
/// middle of the picture, whose scale is wrong and whose lens bends.
fn picture(p: MetrePoint, view: &PlainScale, length: f64, (yaw, pitch): (f64, f64), lens: f64) -> PixelPoint {
    let distance = 3.0;
    let middle = view.metre_from_pixel(PixelPoint::new(960.0, 540.0)).unwrap();
    let (x, y) = (p.x - middle.x, p.y - middle.y);
    let (across, up) = (x * yaw.cos(), y * pitch.cos());
    let depth = distance + x * yaw.sin() + y * pitch.sin();
    let (mut sx, mut sy) = (across * distance / depth, up * distance / depth);
    if lens != 0.0 {
        // Division model: undistorted = distorted/(1 + λ·r²), by fixed-point iteration.
        let half = 960.0 * SCALE;
        let (ux, uy) = (sx, sy);
        for _ in 0..50 {
            let stretch = 1.0 + lens * (sx * sx + sy * sy) / (half * half);
            (sx, sy) = (ux * stretch, uy * stretch);
        }
    }
    let seen = MetrePoint::new((middle.x + sx) * length, (middle.y + sy) * length);
    view.pixel_from_metre(seen).unwrap()
}

/// How the phone was held and what was known.
#[derive(Debug, Clone, Copy, Default)]
struct How {
    upright: bool,
    /// Ball size, flicker, streaks and a still background.
    clues: bool,
    /// Level and shutter known with doubt and fitted along, as `measure` does it.
    informed: bool,
}

fn ranked(wrong: &Wrong, how: How) -> Option<(Vec<RankedCause>, f64)> {
    let launch = Launch::At { time_s: 0.0, standard_uncertainty_s: 0.0 };
    let mut options = FitOptions { launch, ..FitOptions::default() };
    if how.informed {
        options.terms.roll = crate::fit::Term::Known { value: 0.0, standard_uncertainty: 0.017 };
        options.terms.readout = Some(crate::fit::Term::Known { value: 0.0, standard_uncertainty: 0.008 });
    }
    let fit = fit_flight(&wrong.sightings, &wrong.view, &options).ok()?;
    let evidence = evidence(std::slice::from_ref(wrong), std::slice::from_ref(&fit), &options, how.clues);
    Some((ranked_causes(&evidence), fit.gravity_m_per_s2.value / 9.81))
}

/// Flights of one clip, numbered from 1, with the clues of the first where a careful user has them.
fn evidence<'a>(wrong: &'a [Wrong], fits: &'a [FlightFit], options: &'a FitOptions, clues: bool) -> Evidence<'a> {
    let clue = |c: Option<(f64, f64)>| c.filter(|_| clues);
    let flight = |(i, (wrong, fit)): (usize, (&'a Wrong, &'a FlightFit))| FlightEvidence {
        number: i + 1,
        sightings: &wrong.sightings,
        fit,
        exposure_change_s: clue(wrong.exposure_change_s),
        background_bend_m: wrong.background_bend_m.filter(|_| clues),
    };
    Evidence {
        flights: wrong.iter().zip(fits).enumerate().map(flight).collect(),
        view: &wrong[0].view,
        options,
        measured_gravity: fits[0].gravity_m_per_s2,
        expected_gravity: Estimate::with_coverage_factor(9.81, 0.002, 1.96),
        length_relative: 0.002,
        time_relative: 2e-4,
        taken_rate_hz: 30.0,
        slow_factor: 1.0,
        picture_px: (1920.0, 1080.0),
        camera_distance_m: Some(3.0),
        length_factor: clue(wrong[0].length_factor),
        ball_as_scale_m: None,
        time_factor: clue(wrong[0].time_factor),
        plumb_line_rad: None,
    }
}

/// Counts of flights, of the truth in first place, among the first two, and within the tied group of the first.
fn score(kind: CauseKind, how: How, flights: usize, seed: u64) -> [usize; 4] {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut counts = [0; 4];
    let mut instead = Vec::new();
    for _ in 0..flights {
        let wrong = made_wrong(kind, how.upright, &mut random);
        let Some((causes, ratio)) = ranked(&wrong, how) else {
            instead.push("no fit".to_owned());
            counts[0] += 1;
            continue;
        };
        let place = causes.iter().position(|c| c.kind == kind);
        counts[0] += 1;
        counts[1] += usize::from(place == Some(0));
        counts[2] += usize::from(place.is_some_and(|p| p < 2));
        counts[3] += usize::from(place.is_some_and(|p| causes[p].tied_with_first));
        if place != Some(0) {
            let above = place.map_or(f64::NAN, |p| causes[p].above_first);
            instead.push(format!("{:?}(+{above:.1}, g×{ratio:.3})", causes[0].kind));
        }
    }
    println!("{kind:?} {how:?}: {counts:?} instead {}", instead.join(" "));
    counts
}

const ALL: [CauseKind; 13] = [
    CauseKind::Time,
    CauseKind::Length,
    CauseKind::Roll,
    CauseKind::Yaw,
    CauseKind::Pitch,
    CauseKind::RollingShutter,
    CauseKind::Drag,
    CauseKind::Lens,
    CauseKind::FrameCount,
    CauseKind::TimeJitter,
    CauseKind::MovingCamera,
    CauseKind::ExposureDrift,
    CauseKind::TouchedFrames,
];

/// With everything a careful user can know (ball size, flicker, streaks, a still background) all causes can be told apart.
#[test]
fn the_true_cause_comes_first() {
    let mut totals = [0; 4];
    for (i, kind) in ALL.into_iter().enumerate() {
        let counts = score(kind, How { clues: true, ..How::default() }, 25, 100 + i as u64);
        // The aim is 90 % over all causes; of 25 of one kind at a true rate of 95 % at least 19 come out in 99 % of draws.
        assert!(counts[1] >= 19, "{kind:?} {counts:?}");
        totals.iter_mut().zip(counts).for_each(|(t, c)| *t += c);
    }
    println!("{totals:?}");
    assert!(totals[1] * 100 >= totals[0] * 90 && totals[2] * 100 >= totals[0] * 98, "{totals:?}");
}

/// From the sightings alone some causes leave the same trace: then the verdict must say so, and the truth must be among
/// those it names; the others must still come first.
#[test]
fn what_cannot_be_told_apart_is_said() {
    let smooth = [CauseKind::Time, CauseKind::Length, CauseKind::MovingCamera, CauseKind::ExposureDrift];
    let (mut first, mut second, mut named, mut all) = (0, 0, 0, 0);
    for (i, kind) in ALL.into_iter().enumerate() {
        let counts = score(kind, How::default(), 20, 300 + i as u64);
        if smooth.contains(&kind) {
            named += counts[3];
            assert!(counts[3] * 10 >= counts[0] * 9, "{kind:?} {counts:?}");
        } else {
            all += counts[0];
            first += counts[1];
            second += counts[2];
        }
    }
    println!("first {first}, among two {second} of {all}; named among the tied {named} of 80");
    assert!(first * 100 >= all * 90 && second * 100 >= all * 98);
}

/// With level and shutter fitted along, as `measure` does it, more causes look alike; the truth stays among those named.
#[test]
fn the_true_cause_is_named_when_level_and_shutter_are_fitted_along() {
    let how = How { clues: true, informed: true, ..How::default() };
    let mut totals = [0; 4];
    for (i, kind) in ALL.into_iter().enumerate() {
        let counts = score(kind, how, 20, 700 + i as u64);
        totals.iter_mut().zip(counts).for_each(|(t, c)| *t += c);
    }
    println!("{totals:?}");
    assert!(totals[1] * 100 >= totals[0] * 85 && totals[3] * 100 >= totals[0] * 95, "{totals:?}");
}

/// With the phone upright the rows run along the flight and leave the trace of a wrong clock: nothing in the sightings shows it.
#[test]
fn an_upright_shutter_is_among_the_named() {
    let counts = score(CauseKind::RollingShutter, How { upright: true, ..How::default() }, 20, 500);
    assert!(counts[3] * 10 >= counts[0] * 9, "{counts:?}");
    // Flicker rules the clock out and the streaks the exposure; the ball's size is good to 1.7 % and so leaves small ones open.
    let counts = score(CauseKind::RollingShutter, How { upright: true, clues: true, informed: false }, 20, 501);
    assert!(counts[2] * 10 >= counts[0] * 9 && counts[3] * 10 >= counts[0] * 9, "{counts:?}");
}

fn judged(kind: CauseKind, seed: u64) -> Verdict {
    judged_as(kind, seed, 1.0)
}

/// With sightings that claim to be better than they are, so many times.
fn judged_as(kind: CauseKind, seed: u64, better: f64) -> Verdict {
    let mut wrong = made_wrong(kind, false, &mut ChaCha8Rng::seed_from_u64(seed));
    wrong.sightings.iter_mut().for_each(|s| s.covariance_px2 = crate::units::Covariance2::isotropic(SIGMA / better));
    let launch = Launch::At { time_s: 0.0, standard_uncertainty_s: 0.0 };
    let options = FitOptions { launch, ..FitOptions::default() };
    let fit = fit_flight(&wrong.sightings, &wrong.view, &options).unwrap();
    judge(&evidence(std::slice::from_ref(&wrong), std::slice::from_ref(&fit), &options, false))
}

#[test]
fn a_good_flight_has_no_causes() {
    let verdict = judged(CauseKind::TooFewSightings, 1);
    assert!(verdict.agreement.consistent && verdict.causes.is_empty(), "{verdict:?}");
    let ratio = verdict.agreement.ratio.abs();
    let p = 100.0 * verdict.agreement.probability;
    assert!(p > 10.0, "{verdict:?}");
    let said = format!(
        "Agrees with 9.81 m/s² here: {ratio:.1} standard uncertainties apart (p = {p:.0} %: as far apart or farther by chance alone)."
    );
    assert_eq!(verdict.sentence, said);
}

/// ± 5 m/s² hold 9.81 and say nothing; 14.7 ± 0.4 is too large, and a scale of one and a half times the length gives it, where 25
/// frames a second played at 30 give 14.1.
#[test]
fn an_interval_that_says_nothing_gets_no_tick_and_a_length_is_named_that_gives_what_was_measured() {
    let wrong = made_wrong(CauseKind::TooFewSightings, false, &mut ChaCha8Rng::seed_from_u64(1));
    let launch = Launch::At { time_s: 0.0, standard_uncertainty_s: 0.0 };
    let options = FitOptions { launch, ..FitOptions::default() };
    let fit = fit_flight(&wrong.sightings, &wrong.view, &options).unwrap();
    let evidence = evidence(std::slice::from_ref(&wrong), std::slice::from_ref(&fit), &options, false);
    let rough = Evidence { measured_gravity: Estimate::with_coverage_factor(9.0, 2.5, 2.0), ..evidence };
    let verdict = judge(&rough);
    assert_eq!(verdict.answer, Answer::CantTell);
    assert!(
        verdict.sentence.starts_with("Can't tell") && verdict.sentence.contains("only good to 50 %"),
        "{verdict:?}"
    );
    let off = Evidence { measured_gravity: Estimate::with_coverage_factor(14.7, 0.2, 2.0), ..rough };
    let factors: Vec<f64> = candidates(&off, std::slice::from_ref(&wrong.sightings))
        .into_iter()
        .filter_map(|(cause, _)| match cause {
            Cause::LengthMixUp { stated_over_true } => Some(stated_over_true),
            _ => None,
        })
        .collect();
    assert!(factors.iter().any(|factor| (factor - 14.7 / 9.81).abs() < 1e-9), "{factors:?}");
    assert_eq!(answer(&off, &agreement(off.measured_gravity, off.expected_gravity)), Answer::Disagrees);
}

/// Noise that is alike in neighbouring pixels places sightings worse than their covariances say, along the motion and across it; uneven
/// times do so along it alone.
#[test]
fn a_poor_picture_is_no_cause() {
    let named = |kind, better| {
        let verdicts = (0..20).map(|seed| judged_as(kind, seed, better));
        verdicts.filter(|v| v.causes.first().is_some_and(|c| c.kind == CauseKind::TimeJitter)).count()
    };
    // One in twenty disagrees by the luck of a 95 % interval.
    assert!(named(CauseKind::TooFewSightings, 3.0) <= 1, "{}", named(CauseKind::TooFewSightings, 3.0));
    assert!(named(CauseKind::TimeJitter, 3.0) >= 18, "{}", named(CauseKind::TimeJitter, 3.0));
}

#[test]
fn slow_motion_is_named_with_its_rates() {
    // The first draws of these seeds give clocks 8, 4 or 2 times too slow.
    let verdicts: Vec<Verdict> = (0..40).map(|seed| judged(CauseKind::Time, seed)).collect();
    let quarter = verdicts.iter().find(|v| (v.agreement.difference / 9.81 + 1.0 - 1.0 / 64.0).abs() < 0.005).unwrap();
    assert_eq!(
        quarter.sentence,
        "Too small by 98 % for 9.81 m/s²: over 1000 standard uncertainties apart (p < 0.01 %: as far apart or farther by chance alone)."
    );
    assert_eq!(
        quarter.reasons()[0],
        "Was this slow motion? 240 frames per second played at 30 would give 0.153 m/s², measured 0.149 ± 0.005. Look up the rate \
         of recording in the phone's details of the clip, and state it."
    );
    let json = serde_json::to_string(quarter).unwrap();
    assert_eq!(&serde_json::from_str::<Verdict>(&json).unwrap(), quarter);
}

/// A cause whose figure is nought within its doubt explains nothing; it was once worded "0 ± 5 % too small, or the scale 0 cm nearer".
#[test]
fn no_cause_needs_nought() {
    let mut told = 0;
    for (i, kind) in ALL.into_iter().enumerate() {
        let mut random = ChaCha8Rng::seed_from_u64(900 + i as u64);
        for _ in 0..10 {
            let wrong = made_wrong(kind, i % 2 == 0, &mut random);
            let how = How { clues: i % 3 == 0, informed: true, ..How::default() };
            let Some((causes, _)) = ranked(&wrong, how) else { continue };
            for cause in causes {
                told += 1;
                assert!(cause.figure.is_none_or(|(value, u)| value.abs() >= u), "{cause:?}");
                let may_be_nought = cause.figure.is_some_and(|(value, u)| value.abs() < 1.96 * u);
                // Such a size isn't needed, and isn't said to be.
                assert_eq!(may_be_nought, cause.needed.contains("up to "), "{cause:?}");
                assert!(!(may_be_nought && cause.needed.contains("would have to")), "{cause:?}");
                let words: Vec<&str> = cause.needed.split(' ').collect();
                let numbers = words.iter().filter_map(|word| word.parse::<f64>().ok());
                assert!(numbers.clone().all(|number| number > 0.0), "{cause:?}");
            }
        }
    }
    assert!(told > 300, "{told}");
}

/// Rows that run along the flight leave the trace of a wrong length: each is asked for once, with its own figure and check, and the
/// verdict says that they can't be told apart.
#[test]
fn what_cannot_be_told_apart_stands_side_by_side() {
    let wrong = made_wrong(CauseKind::RollingShutter, true, &mut ChaCha8Rng::seed_from_u64(500));
    let launch = Launch::At { time_s: 0.0, standard_uncertainty_s: 0.0 };
    let options = FitOptions { launch, ..FitOptions::default() };
    let fit = fit_flight(&wrong.sightings, &wrong.view, &options).unwrap();
    let verdict = judge(&evidence(std::slice::from_ref(&wrong), std::slice::from_ref(&fit), &options, false));
    println!("{} {:#?}", verdict.sentence, verdict.reasons());
    assert!(verdict.jointly > 1);
    let said = ["", "", "two", "three"][verdict.jointly];
    let untold = format!(" This flight alone can't tell which of the first {said} reasons is the right one.");
    assert!(verdict.sentence.ends_with(&untold), "{}", verdict.sentence);
    let tied: Vec<bool> = verdict.causes.iter().map(|cause| cause.tied_with_first).collect();
    assert!(tied[..verdict.jointly].iter().all(|tied| *tied), "{tied:?}");
    let kinds: Vec<CauseKind> = verdict.causes[..verdict.jointly].iter().map(|cause| cause.kind).collect();
    assert!(kinds.contains(&CauseKind::RollingShutter) && kinds.contains(&CauseKind::Length), "{kinds:?}");
    for (place, reason) in verdict.reasons().iter().take(verdict.jointly).enumerate() {
        assert_eq!(reason.starts_with("Or "), place > 0, "{reason}");
        assert!(reason.contains("would have to") || reason.contains("would do exactly that"), "{reason}");
    }
    let shutter = verdict.causes.iter().find(|cause| cause.kind == CauseKind::RollingShutter).unwrap();
    assert!(shutter.needed.contains("column"), "{}", shutter.needed);
}

/// Three flights of one clip: what is wrong with the clip has one size, what is wrong with one throw belongs to it.
fn clip(kind: CauseKind, of_all: bool, seed: u64) -> Vec<RankedCause> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut flights: Vec<Wrong> = Vec::new();
    while flights.len() < 3 {
        let which = if of_all || flights.len() == 1 { kind } else { CauseKind::TooFewSightings };
        // What the clip has wrong is drawn anew for each flight: the same seed draws it alike.
        let mut same = ChaCha8Rng::seed_from_u64(seed);
        let mut wrong = made_wrong(which, false, if of_all { &mut same } else { &mut random });
        if of_all {
            let more: Vec<f64> = wrong.sightings.iter().map(|_| SIGMA * noise(&mut random)).collect();
            wrong.sightings.iter_mut().zip(more).for_each(|(s, dx)| s.centre_px.x += dx);
        }
        // One camera: what flies to the left would be another's view.
        let (first, here) = (flights.first().map(|one| one.view.clone()), &wrong.view);
        if first.is_none_or(|view| view == *here) {
            flights.push(wrong);
        }
    }
    let launch = Launch::At { time_s: 0.0, standard_uncertainty_s: 0.0 };
    let options = FitOptions { launch, ..FitOptions::default() };
    let inputs: Vec<FlightInput> =
        flights.iter().map(|one| FlightInput { sightings: &one.sightings, launch }).collect();
    let fits = fit_flights(&inputs, &flights[0].view, &options).unwrap();
    ranked_causes(&evidence(&flights, &fits, &options, false))
}

#[test]
fn flights_that_share_gravity_have_one_verdict() {
    for (kind, seed) in [(CauseKind::Yaw, 3), (CauseKind::RollingShutter, 4), (CauseKind::Drag, 5)] {
        let causes = clip(kind, true, seed);
        assert_eq!((causes[0].kind, causes[0].flight), (kind, None), "{causes:#?}");
    }
}

#[test]
fn a_touch_belongs_to_its_flight() {
    for seed in [1, 2, 3] {
        let causes = clip(CauseKind::TouchedFrames, false, seed);
        let first = &causes[0];
        assert_eq!((first.kind, first.flight), (CauseKind::TouchedFrames, Some(2)), "{causes:#?}");
        assert!(first.explanation.ends_with(" of flight 2?"), "{}", first.explanation);
    }
}

/// The drag at the true launch, not at that of the fit that knows no air and is slower.
#[test]
fn the_drag_is_that_of_the_launch() {
    for seed in 0..6 {
        let wrong = made_wrong(CauseKind::Drag, false, &mut ChaCha8Rng::seed_from_u64(seed));
        let (causes, _) = ranked(&wrong, How::default()).unwrap();
        let (found, u) = causes.iter().find(|cause| cause.kind == CauseKind::Drag).unwrap().figure.unwrap();
        let truth = wrong.drag_over_weight;
        // The ball's size is read off the picture, which moves Reynolds number and buoyancy a little: 3 %.
        assert!((found - truth).abs() < 4.0 * u + 0.03 * truth, "{seed}: {found} ± {u}, {truth}");
    }
}

/// A length that is wrong by no usual factor is no clock that is "a little off" by three quarters.
#[test]
fn a_slip_of_the_pen_is_a_length() {
    let mut wrong = made_wrong(CauseKind::TooFewSightings, false, &mut ChaCha8Rng::seed_from_u64(8));
    wrong.view = PlainScale { metres_per_pixel: 5.76 * SCALE, ..wrong.view };
    let (causes, ratio) = ranked(&wrong, How::default()).unwrap();
    assert!((ratio / 5.76 - 1.0).abs() < 0.01, "{ratio}");
    assert_eq!(causes[0].kind, CauseKind::Length, "{causes:#?}");
    assert!(
        causes[0].needed.starts_with("A length stated 5.7") && causes[0].needed.contains("too large"),
        "{}",
        causes[0].needed
    );
    let clocks = causes.iter().filter(|cause| cause.cause == Cause::Clock);
    assert_eq!(clocks.count(), 0);
}

/// Points that are rough all over don't hide what puts g off, and a picture isn't read for longer than until the next one.
#[test]
fn rough_points_do_not_hide_a_wrong_length() {
    for seed in 0..6 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut wrong = made_wrong(CauseKind::TooFewSightings, false, &mut random);
        wrong.view = PlainScale { metres_per_pixel: 1.3 * SCALE, ..wrong.view };
        for sighting in &mut wrong.sightings {
            sighting.centre_px.x += 1.5 * noise(&mut random);
            sighting.centre_px.y += 1.5 * noise(&mut random);
        }
        let (causes, _) = ranked(&wrong, How::default()).unwrap();
        assert_eq!(causes[0].kind, CauseKind::Length, "{causes:#?}");
        let readout = causes.iter().find(|cause| cause.kind == CauseKind::RollingShutter);
        assert!(readout.and_then(|cause| cause.figure).is_none_or(|(s, u)| s.abs() - 2.0 * u <= 1.0 / 30.0));
    }
}

/// Rates are the clip's own: one that plays at 30 frames per second is never said to play at 60.
#[test]
fn pairs_of_rates_have_the_clips_own() {
    for (taken, played) in [(29.97, 30.0), (30.0, 30.0), (59.94, 60.0), (23.976, 24.0), (7.5, 7.5), (61.86, 61.86)] {
        let pairs = cause::rate_pairs(taken);
        let mut ratios = Vec::new();
        for pair in pairs {
            let Cause::SlowMotion { recorded_hz, played_hz } = pair else { panic!("{pair:?}") };
            assert!(played_hz == played && recorded_hz != played, "{taken}: {pair:?}");
            ratios.push(recorded_hz / played_hz);
        }
        ratios.sort_by(f64::total_cmp);
        assert!(ratios.windows(2).all(|pair| pair[1] / pair[0] > 1.005), "{taken}: {ratios:?}");
        let has = |ratio: f64| ratios.iter().any(|one| (one / ratio - 1.0).abs() < 0.01);
        assert!([2.0, 4.0, 8.0, 0.5].into_iter().all(has), "{taken}: {ratios:?}");
    }
}

/// The chance crosses 5 % where the interval ends, whatever its coverage factor; with few degrees of freedom a difference is met more
/// often (t(0.975, 4) = 2.776, GUM table G.2).
#[test]
fn the_chance_goes_with_the_interval() {
    for factor in [1.65, 1.8, 1.96, 2.2, 2.776, 4.3] {
        let measured = Estimate {
            value: 9.81 + 0.1 * factor,
            standard_uncertainty: Some(0.1),
            expanded_uncertainty_95: Some(0.1 * factor),
        };
        let agreement = agreement(measured, Estimate::with_coverage_factor(9.81, 0.0, 1.96));
        assert!((agreement.probability - 0.05).abs() < 1e-3, "{factor}: {agreement:?}");
    }
    // t = 4.604 with 4 degrees of freedom: 1 % (the same table).
    let measured = Estimate { value: 14.414, standard_uncertainty: Some(1.0), expanded_uncertainty_95: Some(2.776) };
    let agreement = agreement(measured, Estimate::with_coverage_factor(9.81, 0.0, 1.96));
    assert!((agreement.probability - 0.01).abs() < 2e-4, "{agreement:?}");
}

#[test]
fn every_cause_says_what_it_needs_and_how_to_check_it() {
    for kind in ALL {
        let verdict = judged(kind, 77);
        for cause in &verdict.causes {
            assert!(cause.explanation.ends_with(['?', '.']) && cause.check.ends_with(['?', '.']), "{cause:?}");
            assert!(cause.needed.ends_with('.'), "{cause:?}");
        }
        println!("{kind:?}: {} {}", verdict.sentence, verdict.reasons().first().map_or("", String::as_str));
    }
}
