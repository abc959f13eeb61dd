//! Balls and rooms as they are: every arc of every ball found, nothing else taken for one, and places as good as is said.
//!
//! An arc runs from the launch or a touch to the next touch; what follows a touch is a flight too. `--nocapture` prints a
//! line for each scene: frames met of each arc, false sightings, RMS error beside the Cramér–Rao bound, and the mean square
//! of the error over its stated uncertainty (1 when it owns up to it).

#[path = "common/scenes.rs"]
mod scenes;

use std::collections::{BTreeMap, BTreeSet};

use lobline::clip::{Picture, Plane};
use lobline::measure::{MeasureError, Outcome, Settings, measure, measure_source};
use lobline::measurement::{Measurement, SightingRow};
use lobline::rig::Rig;
use lobline::scene::{
    BallTruth, Light, Phase, Processing, Scene, Sensor, Shake, Timing, Truth, options_for, presets, record_with,
    render, source, truth,
};
use lobline::units::PixelPoint;
use presets::everyday;
use scenes::{in_the_first_frame, rig_text};

/// The seed of every scene here.
const SEED: u64 = 21;
/// Share of an arc's frames in which the ball must be found.
const FOUND: f64 = 0.95;
/// Frames with at least half of the ball in view that make an arc a flight to be found.
const FEWEST: usize = 5;

/// Good light and an even ball: the project's goal.
const GOOD_PX: f64 = 0.15;
/// A ball of which one side is as dark as the wall, so that only colour shows its rim there: as for the other rendered scenes.
const SHADED_PX: f64 = 0.3;
/// A print that turns, fur, rims that sharpening draws: what no disc of one shading follows. Common practice, no source.
const PRINTED_PX: f64 = 0.5;
/// Streaks of many pixels, coarse grain or blocks of eight pixels. Common practice, no source.
const POOR_PX: f64 = 0.8;
/// Largest mean of the squared error over the stated variance: no uncertainty is told less than half of what it is.
const HONEST: f64 = 4.0;

/// One arc: the frames in which at least half of the ball is in view, clear of touches.
struct Arc {
    launch: usize,
    touches: usize,
    frames: BTreeMap<usize, BallTruth>,
}

/// Number of touches so far of a ball that is in the air; `None` when it is held, lies, or is let go or touches during the
/// exposure.
fn touches_so_far(truth: &Truth, ball: &BallTruth) -> Option<usize> {
    let impacts = &truth.flights[ball.launch].impacts;
    let half_s = 0.5 * truth.exposure_s;
    let release_s = truth.flights[ball.launch].release_s;
    let during = |time_s: f64| (time_s - ball.mid_exposure_s).abs() <= half_s;
    let touching = during(release_s) || impacts.iter().any(|impact| during(impact.time_s));
    let moving = ball.velocity_m_per_s.iter().any(|v| v.abs() > 0.01);
    let in_the_air = ball.phase == Phase::Flight || (ball.phase == Phase::After && moving);
    (in_the_air && !touching).then(|| impacts.iter().filter(|impact| impact.time_s < ball.mid_exposure_s).count())
}

fn arcs(truth: &Truth) -> Vec<Arc> {
    let mut arcs: BTreeMap<(usize, usize), BTreeMap<usize, BallTruth>> = BTreeMap::new();
    for frame in &truth.frames {
        for ball in frame.balls.iter().filter(|ball| ball.visible >= 0.5) {
            if let Some(touches) = touches_so_far(truth, ball) {
                arcs.entry((ball.launch, touches)).or_default().insert(frame.frame, ball.clone());
            }
        }
    }
    let arc = |((launch, touches), frames)| Arc { launch, touches, frames };
    arcs.into_iter().map(arc).filter(|arc| arc.frames.len() >= FEWEST).collect()
}

/// How far from the centre a sighting may lie and still be of this ball, px.
fn reach_px(ball: &BallTruth) -> f64 {
    (ball.radius_px + 0.5 * ball.streak_length_px()).max(3.0)
}

fn meets(ball: &BallTruth, at: PixelPoint) -> bool {
    ball.visible > 0.0 && ball.centre_px.distance(at) <= reach_px(ball)
}

/// How the measurement of a scene turned out.
struct Tally {
    name: String,
    /// Arc by arc: frames met by the flight that meets most of them, frames there are.
    arcs: Vec<(usize, usize)>,
    missed: Vec<usize>,
    flights: usize,
    false_points: Vec<usize>,
    rms_px: f64,
    /// Mean of squared errors over stated variances, per axis.
    honesty: f64,
    bound_px: Option<f64>,
}

fn judge(truth: &Truth, measurement: &Measurement, bound_px: Option<f64>) -> Tally {
    let (mut counts, mut missed) = (Vec::new(), Vec::new());
    let (mut squares, mut normalised, mut met_all) = (0.0, 0.0, 0usize);
    for arc in arcs(truth) {
        let meeting = |rows: &[SightingRow]| -> Vec<(SightingRow, BallTruth)> {
            let met = |row: &SightingRow| {
                arc.frames
                    .get(&row.frame)
                    .filter(|ball| meets(ball, row.centre_px))
                    .map(|ball| (row.clone(), ball.clone()))
            };
            rows.iter().filter_map(met).collect()
        };
        let best = measurement.flights.iter().map(|flight| meeting(&flight.sightings)).max_by_key(Vec::len);
        let best = best.unwrap_or_default();
        let seen: BTreeSet<usize> = best.iter().map(|(row, _)| row.frame).collect();
        println!("  ball {} after {} touches: {} of {}", arc.launch, arc.touches, seen.len(), arc.frames.len());
        counts.push((seen.len(), arc.frames.len()));
        missed.extend(arc.frames.keys().filter(|frame| !seen.contains(frame)));
        met_all += best.len();
        for (row, ball) in best {
            let (x, y) = (row.centre_px.x - ball.centre_px.x, row.centre_px.y - ball.centre_px.y);
            let c = row.covariance_px2;
            squares += x * x + y * y;
            normalised += 0.5 * (c.yy * x * x - 2.0 * c.xy * x * y + c.xx * y * y) / (c.xx * c.yy - c.xy * c.xy);
        }
    }
    let met = met_all.max(1) as f64;
    Tally {
        name: truth.name.clone(),
        arcs: counts,
        missed,
        flights: measurement.flights.len(),
        false_points: false_points(truth, measurement),
        rms_px: (squares / met).sqrt(),
        honesty: normalised / met,
        bound_px,
    }
}

/// Frames of sightings where no ball is, or a second one of the same ball.
fn false_points(truth: &Truth, measurement: &Measurement) -> Vec<usize> {
    let mut taken = BTreeSet::new();
    let mut wrong = Vec::new();
    for row in measurement.flights.iter().flat_map(|flight| &flight.sightings) {
        let balls = truth.frames[row.frame].balls.iter().filter(|ball| meets(ball, row.centre_px));
        let near = |ball: &&BallTruth| ball.centre_px.distance(row.centre_px);
        match balls.min_by(|a, b| near(a).total_cmp(&near(b))) {
            Some(ball) if taken.insert((row.frame, ball.launch)) => {}
            _ => wrong.push(row.frame),
        }
    }
    wrong
}

impl Tally {
    fn line(&self) -> String {
        let arcs: Vec<String> = self.arcs.iter().map(|(met, of)| format!("{met}/{of}")).collect();
        let bound = self.bound_px.map_or_else(
            || "bound  n/a (noise isn't white)".to_owned(),
            |bound| format!("bound {bound:.4} px, ratio {:.1}", self.rms_px / bound),
        );
        format!(
            "{:<26} {:<18} flights {}  false {}  rms {:.3} px  {bound}  (error/u)² {:.2}",
            self.name,
            arcs.join(" "),
            self.flights,
            self.false_points.len(),
            self.rms_px,
            self.honesty
        )
    }

    fn complaints(&self, limit_px: f64) -> Vec<String> {
        let mut complaints = Vec::new();
        let mut check = |good: bool, words: String| complaints.extend((!good).then_some(words));
        let short = self.arcs.iter().filter(|(met, of)| (*met as f64) < FOUND * *of as f64).count();
        check(short == 0, format!("{short} of {} arcs not found, missed frames {:?}", self.arcs.len(), self.missed));
        check(self.false_points.is_empty(), format!("false sightings in frames {:?}", self.false_points));
        check(self.rms_px <= limit_px, format!("{:.3} px from the true centres, limit {limit_px} px", self.rms_px));
        check(self.honesty <= HONEST, format!("errors {:.1} times their stated variance", self.honesty));
        complaints
    }
}

/// Standard uncertainty of a centre, both axes together, that no method can beat: the inverse of the Fisher information
/// Σ (∂I/∂c)²/σ² of white noise (METHODS for the centre of a disc; Kay, *Fundamentals of Statistical Signal Processing*,
/// 1993, eq. 3.31), for a ball whose size and look are known. The picture's change with the centre is rendered, so that
/// streak, print and shading are in it; noise is that of the wall, luma and both chroma planes taken as independent. `None`
/// where the noise isn't white.
fn bound_px(scene: &Scene, truth: &Truth) -> Option<f64> {
    if scene.processing != Processing::default() {
        return None;
    }
    let flying: Vec<(f64, &BallTruth)> = truth.in_flight(0, 0.99).map(|(frame, ball)| (frame.start_s, ball)).collect();
    let chosen = [1, 3, 5].map(|sixth| flying.get(sixth * flying.len() / 6));
    let mut variance = 0.0;
    for (start_s, ball) in chosen.iter().flatten() {
        let one = one_frame(scene, *start_s);
        let information = information(&one, ball, &noise_variances(scene, ball)?);
        let [xx, xy, yy] = information;
        variance += (xx + yy) / (xx * yy - xy * xy);
    }
    let count = chosen.iter().flatten().count();
    (count > 0).then(|| (variance / count as f64).sqrt())
}

/// The scene's first launch as the frame that starts at `start_s` shows it, alone and without noise.
fn one_frame(scene: &Scene, start_s: f64) -> Scene {
    let mut one = quiet(scene);
    one.launches = scene.launches[..1].to_vec();
    one.launches[0].release_s -= start_s;
    one.launches[0].placed_s -= start_s;
    one.timing = Timing::steady(scene.timing.capture_hz, 1);
    one.sensor = Sensor { noisy: false, ..scene.sensor.clone() };
    one
}

/// The scene with nothing in it that moves, still and under steady lamps.
fn quiet(scene: &Scene) -> Scene {
    let light = Light { flicker: None, drift_per_s: 0.0, ..scene.light.clone() };
    Scene { launches: Vec::new(), movers: Vec::new(), shake: Shake::default(), light, ..scene.clone() }
}

/// The samples of a plane about a ball, `step` pixels apart.
fn about<'a>(plane: &'a Plane, ball: &BallTruth, step: f64) -> impl Iterator<Item = f64> + 'a {
    let reach = ball.radius_px + 0.5 * ball.streak_length_px() + 5.0;
    let span = |centre: f64, size: usize| {
        let to = |v: f64| (v / step).round().clamp(0.0, size as f64) as usize;
        to(centre - reach)..to(centre + reach)
    };
    let (columns, rows) = (span(ball.centre_px.x, plane.width), span(ball.centre_px.y, plane.height));
    rows.flat_map(move |y| columns.clone().map(move |x| f64::from(plane.samples[y * plane.width + x])))
}

/// The three planes of a picture, each with its samples' distance in pixels.
fn planes(picture: &Picture) -> [(&Plane, f64); 3] {
    [(&picture.luma, 1.0), (&picture.cb, 2.0), (&picture.cr, 2.0)]
}

/// Variance of each plane's noise on the wall where the ball flies by; `None` without noise.
fn noise_variances(scene: &Scene, ball: &BallTruth) -> Option<[f64; 3]> {
    let mut empty = quiet(scene);
    empty.timing = Timing::steady(scene.timing.capture_hz, 2);
    let pictures: Vec<Picture> = render(&empty).map(|(picture, _)| picture).collect();
    let variance = |k: usize| {
        let ((a, step), (b, _)) = (planes(&pictures[0])[k], planes(&pictures[1])[k]);
        let squares: Vec<f64> =
            about(a, ball, step).zip(about(b, ball, step)).map(|(a, b)| 0.5 * (a - b).powi(2)).collect();
        squares.iter().sum::<f64>() / squares.len() as f64
    };
    let variances = [0, 1, 2].map(variance);
    (variances[0] > 0.0).then(|| variances.map(|v| v.max(1.0 / 12.0)))
}

/// Fisher information xx, xy, yy of the centre, 1/px².
fn information(one: &Scene, ball: &BallTruth, variances: &[f64; 3]) -> [f64; 3] {
    let pixel_m = one.launches[0].ball.radius_m / ball.radius_px;
    let shifted = |axis: usize, px: f64| {
        let mut scene = one.clone();
        scene.launches[0].release_m[axis] += px * pixel_m;
        render(&scene).next().expect("a frame").0
    };
    // Half a pixel either way: large beside the rounding of codes, small beside the blur of an edge.
    let sides = [0, 1].map(|axis| (shifted(axis, -0.5), shifted(axis, 0.5)));
    let mut sums = [0.0; 3];
    for (k, variance) in variances.iter().enumerate() {
        let slope = |axis: usize| -> Vec<f64> {
            let ((before, step), (after, _)) = (planes(&sides[axis].0)[k], planes(&sides[axis].1)[k]);
            about(before, ball, step).zip(about(after, ball, step)).map(|(a, b)| b - a).collect()
        };
        for (x, y) in slope(0).into_iter().zip(slope(1)) {
            sums[0] += x * x / variance;
            sums[1] += x * y / variance;
            sums[2] += y * y / variance;
        }
    }
    sums
}

/// Presets release on the very start of an exposure, the edge of every bracket; these release between two frames.
fn released_between_frames(mut scene: Scene) -> Scene {
    let beat_s = 1.0 / scene.timing.capture_hz;
    scene.launches.iter_mut().for_each(|launch| launch.release_s += 0.4 * beat_s);
    scene
}

fn settings(scene: &Scene, truth: &Truth, camera: &str) -> Settings {
    let text = rig_text(scene, truth, camera);
    let rig = Rig::parse(&text).unwrap_or_else(|error| panic!("{}: {error}\n{text}", truth.name));
    Settings { rig, ..Settings::default() }
}

fn hold(truth: &Truth, outcome: Result<Outcome, MeasureError>, bound_px: Option<f64>, limit_px: f64) {
    let outcome = outcome.unwrap_or_else(|error| panic!("{}: {error}", truth.name));
    let result = judge(truth, &outcome.measurement, bound_px);
    println!("{}", result.line());
    let complaints = result.complaints(limit_px);
    assert!(complaints.is_empty(), "{}:\n  {}", result.name, complaints.join("\n  "));
}

/// Measures the scene's own pictures; `camera` is what a data sheet says of it.
fn check(preset: presets::Preset, camera: &str, limit_px: f64) {
    let scene = released_between_frames(preset(SEED));
    let truth = in_the_first_frame(&scene, truth(&scene));
    let outcome = measure_source(&mut source(&scene), &settings(&scene, &truth, camera), &mut |_| {});
    hold(&truth, outcome, bound_px(&scene, &truth), limit_px);
}

/// As [`check`], through the real encoder at the given rate factor: the codes that come back have no white noise.
fn check_recorded(preset: presets::Preset, quality: u32, limit_px: f64) {
    let scene = released_between_frames(preset(SEED));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    let options = lobline::clip::WriteOptions { quality, ..options_for(&scene) };
    let truth = in_the_first_frame(&scene, record_with(&scene, &path, &options).unwrap());
    hold(&truth, measure(&path, &settings(&scene, &truth, ""), &mut |_| {}), None, limit_px);
}

#[test]
fn a_seamed_ball_that_turns_and_bounces_before_a_white_wall() {
    check(everyday::seamed_ball, "", PRINTED_PX);
}

#[test]
#[ignore = "fails: .39 px from the true centres, but errors 4.2 times their stated variance"]
fn a_furry_ball_with_a_seam() {
    check(everyday::furry_ball, "", PRINTED_PX);
}

#[test]
#[ignore = "fails: 1.3 px from the true centres: what turns isn't the disc's middle, and the doubt says so"]
fn a_white_ball_with_dark_spots() {
    check(everyday::spotted_ball, "", PRINTED_PX);
}

#[test]
#[ignore = "fails: .75 px from the true centres: what turns isn't the disc's middle, and the doubt says so"]
fn a_ball_of_two_colours() {
    check(everyday::two_coloured_ball, "", PRINTED_PX);
}

#[test]
#[ignore = "fails: .13 px from the true centres, but errors 35 times their stated variance"]
fn a_dark_ball_and_not_its_shadow() {
    check(everyday::dark_ball_with_shadow, "", GOOD_PX);
}

#[test]
fn a_green_ball_and_not_its_shadows() {
    check(everyday::green_ball_with_shadows, "", SHADED_PX);
}

#[test]
#[ignore = "fails: .12 px from the true centres, but errors 8.9 times their stated variance"]
fn a_ball_and_not_its_image_in_a_polished_floor() {
    check(everyday::polished_floor, "", SHADED_PX);
}

#[test]
#[ignore = "fails: .14 px from the true centres, but errors 4.3 times their stated variance"]
fn a_ball_and_not_its_image_in_a_window() {
    check(everyday::window_reflection, "", SHADED_PX);
}

#[test]
#[ignore = "fails: .22 px from the true centres, but errors 16 times their stated variance"]
fn a_shutter_that_is_open_for_the_whole_frame() {
    check(everyday::long_exposure, "", POOR_PX);
}

#[test]
fn edges_that_the_phone_sharpened() {
    check(everyday::sharpened, "", PRINTED_PX);
}

#[test]
fn block_noise() {
    check(everyday::strongly_compressed, "", POOR_PX);
}

#[test]
fn an_old_cameras_grain() {
    check(everyday::old_camera, "readout = '20 ms u 1 ms'", POOR_PX);
}

#[test]
fn a_stand_that_gives_way() {
    check(everyday::drifting_stand, "", SHADED_PX);
}

#[test]
fn a_toss_straight_up_from_a_hand_and_back() {
    check(everyday::vertical_toss, "", SHADED_PX);
}

#[test]
fn somebody_behind_the_launcher() {
    check(everyday::person_behind_launcher, "", SHADED_PX);
}

#[test]
#[ignore = "fails: .11 px from the true centres, but errors 8.6 times their stated variance"]
fn three_flights_with_bounces_between() {
    check(everyday::bounces, "", SHADED_PX);
}

#[test]
#[ignore = "fails: .19 px from the true centres, but errors 67 times their stated variance"]
fn two_balls_at_once() {
    check(everyday::two_at_once, "", SHADED_PX);
}

#[test]
#[ignore = "fails: .14 px from the true centres, but errors 9.2 times their stated variance"]
fn a_ball_cut_by_the_pictures_edge() {
    check(everyday::cut_by_the_frame, "", SHADED_PX);
}

#[test]
#[ignore = "fails: 19 of 26 frames, 2.9 px from the true centres"]
fn a_dim_room() {
    check(everyday::dim_room, "", POOR_PX);
}

#[test]
fn slow_motion_under_flickering_lamps() {
    check(everyday::slow_motion_flicker, "readout = '3 ms u 0.3 ms'", SHADED_PX);
}

#[test]
fn a_classroom_with_several_of_these_at_once() {
    check(everyday::classroom, "readout = '12 ms u 1 ms'", POOR_PX);
}

/// A rate factor of 36 is what a messenger's copy has.
#[test]
fn a_seamed_ball_through_a_coarse_encoder() {
    check_recorded(everyday::seamed_ball, 36, POOR_PX);
}

#[test]
#[ignore = "fails: 1.2 px from the true centres; a hand that turns makes a false flight of 8 sightings"]
fn a_toss_through_a_coarse_encoder() {
    check_recorded(everyday::vertical_toss, 34, POOR_PX);
}

#[test]
fn a_carried_and_a_whirled_ball_are_no_flights() {
    let scene = everyday::carried_and_whirled(SEED);
    let truth = truth(&scene);
    match measure_source(&mut source(&scene), &settings(&scene, &truth, ""), &mut |_| {}) {
        Err(error @ MeasureError::NoFlight { .. }) => println!("{error}"),
        Err(other) => panic!("refused for another reason: {other}"),
        Ok(outcome) => {
            let frames = |rows: &[SightingRow]| (rows[0].frame, rows[rows.len() - 1].frame);
            let seen: Vec<_> = outcome.measurement.flights.iter().map(|flight| frames(&flight.sightings)).collect();
            panic!("flights where nothing flies, frames {seen:?}");
        }
    }
}

/// The bound against the closed form for a disc of one colour in METHODS: 1.50 √(σ_b/D)/S an axis.
#[test]
fn the_rendered_bound_agrees_with_the_closed_form() {
    let mut scene = presets::clean_60fps(SEED);
    scene.launches[0].ball.ambient = 1.0;
    scene.launches[0].ball.albedo = [0.7; 3];
    scene.launches[0].ball.radius_m = 0.08;
    scene.shutter.exposure_s = 1e-5;
    scene.sensor.vignette = 0.0;
    let truth = truth(&scene);
    let (_, ball) = truth.in_flight(0, 0.99).nth(10).unwrap();
    let variances = noise_variances(&scene, ball).unwrap();
    let code = |light: f64| 255.0 * lobline::scene::bt709_oetf(light);
    let contrast = code(0.7) - code(0.23);
    let closed = 1.5 * (scene.sensor.blur_px / (2.0 * ball.radius_px)).sqrt() * variances[0].sqrt() / contrast;
    let rendered = bound_px(&scene, &truth).unwrap() / std::f64::consts::SQRT_2;
    println!("closed form {closed:.4} px, rendered {rendered:.4} px an axis");
    // The curve makes the edge steeper on its dark side, the pixel's own square adds 1/√12 px to the blur.
    assert!((rendered / closed - 1.0).abs() < 0.25, "{rendered} against {closed}");
}

/// No preset is left out of the checks above unseen.
#[test]
fn every_everyday_preset_is_checked() {
    let here = include_str!("found_presets.rs");
    for preset in presets::EVERYDAY {
        let name = preset(1).name;
        assert!(here.contains(&format!("everyday::{name}")), "{name} isn't checked");
    }
}
