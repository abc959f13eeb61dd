//! Balls really thrown, filmed by others; and recordings in which nothing flies, which must give no number.
//!
//! They lie beside the project, not in it; where they are absent the test says so and passes.

use std::path::{Path, PathBuf};

use lobline::measure::{MeasureError, Outcome, Settings, measure};
use lobline::measurement::FlightMeasurement;
use lobline::rig::Rig;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips/real")
}

/// The recording, or `None`, said aloud, where it is absent.
fn clip(file: &str) -> Option<PathBuf> {
    let path = folder().join(file);
    if path.is_file() {
        return Some(path);
    }
    eprintln!("skipped: no recording at {}", path.display());
    None
}

fn measured(path: &Path, scale: &str) -> Result<Outcome, MeasureError> {
    let rig = Rig::parse(&format!("[scale]\nlengths = ['{scale}']")).unwrap();
    measure(path, &Settings { rig, ..Settings::default() }, &mut |_| {})
}

/// First and last frame, and the results, for messages.
fn summary(flight: &FlightMeasurement) -> String {
    let (first, last) = (&flight.sightings[0], &flight.sightings[flight.sightings.len() - 1]);
    let g = flight.gravity_m_per_s2;
    format!(
        "frames {}..{}, ({:.0}, {:.0}) to ({:.0}, {:.0}), {} sightings, radius {:.1} px, residual {:.2} px, g {:.2} ± {:.2?}",
        first.frame,
        last.frame,
        first.centre_px.x,
        first.centre_px.y,
        last.centre_px.x,
        last.centre_px.y,
        flight.sightings.len(),
        first.radius_px,
        flight.residual_rms_px,
        g.value,
        g.expanded_uncertainty_95
    )
}

/// Centres of the ball by a plain threshold of its colour against the median picture: frame, x, y.
type Places = &'static [(usize, f64, f64)];

/// The place at which the ball was in a frame; `None` for frames in which nobody looked.
fn place(places: Places, frame: usize) -> Option<(f64, f64)> {
    places.iter().find(|place| place.0 == frame).map(|place| (place.1, place.2))
}

/// How far the sightings of a flight lie from the places; and how many of the frames `from..=to` have one within `near_px`.
fn on_the_ball(flight: &FlightMeasurement, places: Places, near_px: f64) -> (usize, Vec<String>) {
    let mut near = 0;
    let mut off = Vec::new();
    for sighting in &flight.sightings {
        let Some((x, y)) = place(places, sighting.frame) else { continue };
        let distance = (sighting.centre_px.x - x).hypot(sighting.centre_px.y - y);
        if distance <= near_px {
            near += 1;
        } else {
            off.push(format!("frame {}: {distance:.0} px off", sighting.frame));
        }
    }
    (near, off)
}

/// Acceleration of the sightings down the picture, by a parabola of least squares through them and nothing else.
fn fall_px_per_s2(flight: &FlightMeasurement) -> f64 {
    let rows = &flight.sightings;
    let middle_s = rows.iter().map(|row| row.time_s).sum::<f64>() / rows.len() as f64;
    let (mut normal, mut right) = (nalgebra::Matrix3::zeros(), nalgebra::Vector3::zeros());
    for row in rows {
        let t = row.time_s - middle_s;
        let powers = nalgebra::Vector3::new(1.0, t, 0.5 * t * t);
        normal += powers * powers.transpose();
        right += powers * row.centre_px.y;
    }
    normal.cholesky().expect("three sightings and more").solve(&right)[2]
}

/// The free throw: ball of about 14 px, red like much else. It leaves the hand about frame 83 and reaches the hoop about
/// frame 115.
const FREE_THROW: Places = &[
    (84, 256.0, 167.5),
    (85, 248.0, 156.9),
    (86, 240.5, 147.5),
    (87, 231.6, 134.8),
    (88, 224.7, 126.3),
    (89, 216.9, 116.7),
    (90, 207.9, 107.6),
    (91, 201.4, 101.1),
    (92, 193.6, 94.7),
    (93, 185.6, 89.2),
    (94, 178.6, 84.9),
    (95, 171.2, 79.5),
    (96, 164.5, 74.3),
    (97, 155.6, 72.8),
    (98, 149.0, 70.5),
    (99, 140.9, 67.4),
    (100, 135.1, 67.1),
    (101, 126.3, 67.0),
    (102, 121.4, 67.4),
    (103, 115.1, 68.4),
    (104, 107.6, 70.4),
    (105, 100.9, 72.3),
    (106, 93.7, 75.5),
    (107, 87.0, 78.1),
    (108, 80.0, 83.2),
    (109, 73.6, 86.0),
    (110, 68.5, 92.5),
    (111, 61.2, 98.1),
    (112, 54.9, 103.7),
];

#[test]
fn a_free_throw_gives_a_flight_on_the_ball() {
    let Some(path) = clip("ibm-basketball.mp4") else { return };
    // The ball's own size, 0.24 m, in a frame of its flight: good to a tenth.
    let outcome = measured(&path, "164,67 to 178,67 = 0.24 m").unwrap_or_else(|error| panic!("{error}"));
    let flights = &outcome.measurement.flights;
    let seen: Vec<String> = flights.iter().map(summary).collect();
    println!("free throw: {seen:#?}");
    let flight = flights.iter().find(|flight| on_the_ball(flight, FREE_THROW, 4.0).0 >= 10);
    let flight = flight.unwrap_or_else(|| panic!("no flight on the ball: {seen:#?}"));
    // The threshold's centres scatter by about a pixel; four are a quarter of the ball.
    let (near, off) = on_the_ball(flight, FREE_THROW, 4.0);
    assert!(off.is_empty(), "{off:?}");
    assert!(near >= 25, "only {near} of {} frames", FREE_THROW.len());
    // +614 px/s² by the same threshold, over pixels that scatter by 0.9 px: a few per cent.
    let acceleration = fall_px_per_s2(flight);
    assert!((acceleration / 614.0 - 1.0).abs() < 0.05, "{acceleration} px/s²");
    let g = flight.gravity_m_per_s2;
    let by_threshold = 614.0 * outcome.measurement.scale.metres_per_pixel.value;
    assert!((g.value - by_threshold).abs() < g.expanded_uncertainty_95.unwrap(), "{g:?} {by_threshold}");
    assert_eq!(flights.len(), 1, "something else was taken for a flight: {seen:#?}");
}

/// The juggled football of about 82 px: from the hand to the foot, and two rises and falls between touches.
const JUGGLED: [Places; 3] = [
    &[
        (9, 677.0, 270.0),
        (10, 683.0, 299.0),
        (11, 685.0, 319.0),
        (12, 687.0, 344.0),
        (13, 689.0, 373.0),
        (14, 693.0, 445.0),
        (15, 695.0, 485.0),
        (16, 697.0, 531.0),
    ],
    &[
        (18, 706.0, 543.0),
        (19, 709.0, 516.0),
        (20, 713.0, 493.0),
        (21, 716.0, 473.0),
        (22, 724.0, 447.0),
        (23, 727.0, 439.0),
        (24, 730.0, 435.0),
        (25, 733.0, 435.0),
        (26, 740.0, 448.0),
        (27, 742.0, 461.0),
        (28, 745.0, 479.0),
        (29, 747.0, 501.0),
        (30, 752.0, 558.0),
    ],
    &[
        (32, 748.0, 534.0),
        (33, 744.0, 508.0),
        (34, 735.0, 467.0),
        (35, 731.0, 453.0),
        (36, 727.0, 443.0),
        (37, 722.0, 438.0),
        (38, 714.0, 438.0),
        (39, 709.0, 444.0),
        (40, 705.0, 454.0),
        (41, 701.0, 469.0),
        (42, 692.0, 510.0),
        (43, 688.0, 536.0),
        (44, 684.0, 564.0),
    ],
];

#[test]
#[ignore = "the flights between the first touches have few frames and are missed; residuals of 3 to 5 px in the others, because hands and legs hide the rim"]
fn a_juggled_ball_gives_flights_between_touches() {
    let Some(path) = clip("sam2-juggle.mp4") else { return };
    // The ball's own size, 0.22 m, as seen about frame 24.
    let outcome = measured(&path, "689,435 to 771,435 = 0.22 m").unwrap_or_else(|error| panic!("{error}"));
    let flights = &outcome.measurement.flights;
    let seen: Vec<String> = flights.iter().map(summary).collect();
    println!("juggling: {seen:#?}\n{:?}", outcome.measurement.warnings);
    for (i, places) in JUGGLED.into_iter().enumerate() {
        // The threshold takes the lit part of the ball; an eighth of its width.
        let best = flights.iter().map(|flight| on_the_ball(flight, places, 10.0).0).max().unwrap_or(0);
        assert!(best >= places.len().min(6), "flight {} between touches: {best} frames; {seen:#?}", i + 1);
    }
    for flight in flights {
        let touched = JUGGLED.iter().filter(|places| on_the_ball(flight, places, 1e9).0 > 1).count();
        assert!(touched <= 1, "one parabola through a touch: {}", summary(flight));
    }
}

/// Whether a result says more than a recording without a launch can bear: g to better than half its value.
fn is_confident(flight: &FlightMeasurement) -> bool {
    let g = flight.gravity_m_per_s2;
    g.expanded_uncertainty_95.is_none_or(|u| u < 0.5 * g.value.abs())
}

/// A reason and a way out, or nothing that could be taken for a result.
fn gives_no_number(file: &str, scale: &str) {
    let Some(path) = clip(file) else { return };
    match measured(&path, scale) {
        Err(error) => {
            println!("{file}: {error}");
            assert!(error.hint().is_some_and(|hint| !hint.is_empty()), "{file}: {error} without a way out");
        }
        Ok(outcome) => {
            let confident = outcome.measurement.flights.iter().filter(|flight| is_confident(flight));
            let seen: Vec<String> = confident.map(summary).collect();
            assert!(seen.is_empty(), "{file}: {seen:#?}");
            println!("{file}: {:?}", outcome.measurement.warnings);
        }
    }
}

/// 200 px for a metre: the usual size of things in such pictures.
const USUAL: &str = "20,100 to 220,100 = 1 m";

#[test]
fn a_rolling_ball_is_no_flight() {
    // 200 px is what the tennis ball of 67 mm spans.
    gives_no_number("flow3d-ball.mp4", "900,500 to 1100,500 = 67 mm");
    gives_no_number("flow3d-ball.mp4", USUAL);
}

/// Its container claims 6 frames a second, which is somebody's choice for playing it.
#[test]
fn a_falling_pen_gives_no_confident_g() {
    gives_no_number("defmo-falling_pen.avi", "20,100 to 220,100 = 0.5 m");
    gives_no_number("defmo-falling_pen.avi", USUAL);
}

macro_rules! no_flight {
    ($($name:ident: $file:literal,)*) => {$(
        #[test]
        fn $name() {
            gives_no_number($file, USUAL);
        }
    )*
        const WITHOUT_FLIGHT: &[&str] = &[$($file),*];
    };
}

no_flight! {
    a_dolby_vision_phone_clip: "media3-dolbyVision-hdr.MOV",
    a_clip_with_an_edit_list: "media3-sample_edit_list.mp4",
    a_clip_with_a_track_of_metadata: "media3-h265_with_metadata_track.mp4",
    a_colour_chart: "media3-hlg10-color-test.mp4",
    a_slow_motion_by_tag: "media3-sample_android_slow_motion.mp4",
    a_slow_motion_by_trailer: "media3-sample_sef_slow_motion.mp4",
    an_upright_4k_clip: "media3-portrait_4k60.mp4",
    a_turned_and_mirrored_clip: "media3-sample_rotate_and_reflect.mp4",
    a_clip_of_wide_pixels: "media3-bbb_sar_firstpts_10s.mp4",
    a_motion_photo: "media3-pixel-motion-photo-2-hevc-tracks.mp4",
    a_clip_of_odd_size: "media3-bear-vp9-odd-dimensions.webm",
    a_hand_held_clip_in_the_dark: "moviepy-fire2.mp4",
    a_damaged_clip: "decord-corrupted.mp4",
    many_waved_lights: "ofxcv-lights.mov",
}

/// No recording without a flight is left out of the checks above unseen.
#[test]
fn every_recording_without_a_flight_is_checked() {
    let path = folder().join("MANIFEST.toml");
    let Ok(text) = std::fs::read_to_string(&path) else {
        eprintln!("skipped: no recordings at {}", path.display());
        return;
    };
    let manifest: toml::Table = text.parse().unwrap();
    let without = manifest["clip"].as_array().unwrap().iter().filter(|clip| clip["flight"].as_str() == Some("none"));
    let mut listed: Vec<&str> = without.map(|clip| clip["file"].as_str().unwrap()).collect();
    let mut checked = WITHOUT_FLIGHT.to_vec();
    listed.sort_unstable();
    checked.sort_unstable();
    assert_eq!(listed, checked);
}
