//! Recordings rendered by others, truth beside each: found, false, pixel error, and errors of speed, angle and g.
//!
//! They lie beside the project, not in it; where they are absent the test says so and passes. `--nocapture` prints the table.

mod common;
#[path = "common/recorded.rs"]
mod recorded;

use common::{Limits, Score, score};
use lobline::measure::MeasureError;
use recorded::{folder, known, measured, truth};

/// The set of recordings that is checked here.
const SET: &str = "range";

/// The moment of launch is not marked, and its share in the launch speed alone is a few per cent at 30 frames a second.
const CAMERA: Limits = Limits { speed: None, ..Limits::CAMERA };

fn check(name: &str, camera: &str, limits: Limits) {
    let Some(truth) = truth(SET, name) else { return };
    let outcome = measured(SET, &truth, camera).unwrap_or_else(|error| panic!("{name}: {error}"));
    let score = score(&known(&truth), &outcome.measurement);
    println!("{}\n{}", Score::HEAD, score.rows());
    let complaints = score.complaints(&limits);
    assert!(complaints.is_empty(), "\n  {}", complaints.join("\n  "));
}

#[test]
fn easy() {
    check("easy", "", Limits::IDEAL);
}

/// Places known to half a pixel, in noise, beside a walker or in streaks, with a tilt and a lens that nobody states: 1.4 % of g (one
/// standard uncertainty, which the fit states).
const ROUGH: Limits = Limits { gravity: Some(0.02), ..Limits::POOR_LIGHT };

#[test]
fn clutter_person() {
    // In one frame the ball crosses the walker's outline: neither the wall alone nor the walker alone is behind it.
    check("clutter-person", "", Limits { found_share: 0.97, ..ROUGH });
}

#[test]
fn drag_light_ball() {
    // Nobody states the tilt, and the drag's law is known to a tenth: 1.3 % of g (one standard uncertainty).
    check("drag-light-ball", "", Limits { gravity: Some(0.025), ..Limits::IDEAL });
}

#[test]
fn five_launches() {
    check("five-launches", "", Limits::IDEAL);
}

#[test]
fn fps240() {
    check("fps240", "", Limits::IDEAL);
}

#[test]
fn lob_target() {
    check("lob-target", "", Limits::POOR_LIGHT);
}

#[test]
fn low_light() {
    check("low-light", "", ROUGH);
}

#[test]
fn no_ball() {
    let Some(truth) = truth(SET, "no-ball") else { return };
    match measured(SET, &truth, "") {
        Err(error @ MeasureError::NoFlight { .. }) => println!("{error}; {}", error.hint().unwrap()),
        other => panic!("not refused for want of a flight: {other:?}"),
    }
}

#[test]
fn portrait() {
    check("portrait", "readout = '8 ms u 1 ms'", CAMERA);
}

#[test]
fn rolling_shutter() {
    check("rolling-shutter", "readout = '25 ms u 1 ms'", CAMERA);
}

#[test]
fn slowmo_tag_phone() {
    check("slowmo-tag-phone", "", Limits::IDEAL);
}

#[test]
fn streaks() {
    check("streaks", "", ROUGH);
}

#[test]
fn vfr_drops() {
    // 37 sightings on uneven times, and nobody states the tilt: what the flight shows of it carries 1.3 % of g (one standard uncertainty).
    check("vfr-drops", "", Limits { gravity: Some(0.025), ..Limits::IDEAL });
}

/// The camera stands to the right of the square view.
#[test]
fn yaw12() {
    check("yaw12", "yaw = '12 deg u 0.5 deg'", CAMERA);
}

/// No recording is left out of the checks above unseen.
#[test]
fn every_recording_is_checked() {
    let Ok(entries) = std::fs::read_dir(folder(SET)) else {
        eprintln!("skipped: no recordings at {}", folder(SET).display());
        return;
    };
    let here = include_str!("range_clips.rs");
    for entry in entries {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        if let Some(name) = name.strip_suffix(".truth.json") {
            assert!(here.contains(&format!("\"{name}\"")), "{name} isn't checked");
        }
    }
}
