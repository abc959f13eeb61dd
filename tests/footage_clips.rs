//! Real recordings, labelled by hand: every labelled flight found, no other.
//!
//! A label is met when a sighting of its frame lies within a third of the ball's diameter of it, at least 4 px or three times
//! the label's own doubt; where the camera moved, places are those of the first frame and only frames are compared. A flight
//! counts by the one measured flight that meets most of its labels; a measured flight is false when it meets no label and
//! none of its frames lies within a labelled flight.
//!
//! The recordings lie beside the project, not in it; where they are absent the test says so and passes. `--nocapture`
//! prints a line for each.

use std::path::{Path, PathBuf};

use lobline::measure::{Settings, measure};
use lobline::measurement::{FlightMeasurement, Measurement};
use lobline::rig::Rig;
use lobline::units::PixelPoint;
use lobline::warning::Warning;
use serde_json::Value;

/// Share of a flight's labels that must be met.
const MET: f64 = 0.95;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips/footage")
}

/// What is labelled, clip by clip; `None`, said aloud, where the recordings are absent.
fn labels() -> Option<Vec<Value>> {
    let path = folder().join("LABELS.json");
    match std::fs::read_to_string(&path) {
        Ok(text) => Some(serde_json::from_str(&text).unwrap()),
        Err(_) => {
            eprintln!("skipped: no labels at {}", path.display());
            None
        }
    }
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key} in {value}"))
}

/// Where a ball was labelled, and how far a sighting may lie from it.
struct Label {
    frame: usize,
    at: PixelPoint,
    reach_px: f64,
}

/// A labelled flight; its labels may be none where nobody could tell the places.
struct Labelled {
    first_frame: usize,
    last_frame: usize,
    labels: Vec<Label>,
}

fn labelled(flight: &Value) -> Labelled {
    let doubt_px = flight["label_sigma_px"].as_f64().unwrap_or(1.5);
    let label = |label: &Value| Label {
        frame: label["frame"].as_u64().unwrap() as usize,
        at: PixelPoint::new(number(label, "x"), number(label, "y")),
        reach_px: (number(label, "diameter_px") / 3.0).max(4.0).max(3.0 * doubt_px),
    };
    Labelled {
        first_frame: flight["first_frame"].as_u64().unwrap() as usize,
        last_frame: flight["last_frame"].as_u64().unwrap() as usize,
        labels: flight["labels"].as_array().unwrap().iter().map(label).collect(),
    }
}

impl Labelled {
    fn met_by(&self, flight: &FlightMeasurement, camera_moved: bool) -> usize {
        let met = |label: &&Label| {
            let near = |at: PixelPoint| camera_moved || at.distance(label.at) <= label.reach_px;
            flight.sightings.iter().any(|row| row.frame == label.frame && near(row.centre_px))
        };
        self.labels.iter().filter(met).count()
    }

    fn lasts_over(&self, flight: &FlightMeasurement) -> bool {
        flight.sightings.iter().any(|row| (self.first_frame..=self.last_frame).contains(&row.frame))
    }
}

/// The flights of a recording; none where it is refused, the reason printed.
fn measured(file: &str) -> Option<Measurement> {
    let rig = Rig::parse("[scale]\nlengths = ['100,100 to 300,100 = 0.5 m']").unwrap();
    match measure(&folder().join(file), &Settings { rig, ..Settings::default() }, &mut |_| {}) {
        Ok(outcome) => Some(outcome.measurement),
        Err(error) => {
            println!("{file}: {error}");
            None
        }
    }
}

fn check(file: &str) {
    let Some(clips) = labels() else { return };
    let clip = clips.iter().find(|clip| clip["file"] == file).unwrap_or_else(|| panic!("{file} isn't labelled"));
    let wanted: Vec<Labelled> = clip["flights"].as_array().unwrap().iter().map(labelled).collect();
    let measurement = measured(file);
    let flights = measurement.as_ref().map_or(&[][..], |m| &m.flights);
    let warnings = measurement.as_ref().map_or(&[][..], |m| &m.warnings);
    let moved = warnings.iter().any(|warning| matches!(warning, Warning::CameraMoved { .. }));
    let (mut counts, mut short, mut used) = (Vec::new(), 0, vec![false; flights.len()]);
    for flight in wanted.iter().filter(|flight| !flight.labels.is_empty()) {
        let met: Vec<usize> = flights.iter().map(|found| flight.met_by(found, moved)).collect();
        used.iter_mut().zip(&met).for_each(|(used, met)| *used |= *met > 0);
        let best = met.into_iter().max().unwrap_or(0);
        counts.push(format!("{best}/{}", flight.labels.len()));
        short += usize::from((best as f64) < MET * flight.labels.len() as f64);
    }
    // A rebound of a labelled flight is one, though nobody labelled it.
    let follows = |found: &FlightMeasurement| !wanted.is_empty() && found.after_bounce.is_some();
    let is_false = |(found, used): (&FlightMeasurement, &bool)| {
        !used && !follows(found) && !wanted.iter().any(|w| w.lasts_over(found))
    };
    let wrong = flights.iter().zip(&used).filter(|&pair| is_false(pair)).count();
    println!("{file:<28} labels met {:<16} false flights {wrong}", counts.join(" "));
    assert_eq!(short, 0, "{file}: labels met {}", counts.join(" "));
    assert_eq!(wrong, 0, "{file}: flights where none is");
}

#[test]
fn a_seamed_ball_off_the_rim_and_the_board() {
    check("toybasket_a.mp4");
}

#[test]
fn a_seamed_ball_off_the_rim() {
    check("toybasket_b.mp4");
}

#[test]
fn a_seamed_ball_off_the_floor() {
    check("toybasket_c.mp4");
}

#[test]
#[ignore = "fails: labels met 6/7: frame 7 lies before the disc's track begins"]
fn a_green_ball_and_its_shadow() {
    check("green_ball_wall.mp4");
}

#[test]
fn a_furry_ball_before_a_poster() {
    check("tennis_poster.mp4");
}

#[test]
#[ignore = "fails: labels met 6/7: frame 19 lies before the disc's track begins"]
fn a_toss_straight_up_in_a_dim_room() {
    check("vertical_toss.mp4");
}

#[test]
#[ignore = "fails: no flight: labels met 0/4; the streaks are as long as the way between frames"]
fn streaks_of_dropped_things() {
    check("streaks_falling.avi");
}

#[test]
fn a_fast_ball_by_an_old_camera() {
    check("floorball_streak.avi");
}

#[test]
#[ignore = "fails: labels met 6/8 4/9: the stand drifts and the flights are found in parts"]
fn a_drop_and_its_bounce_in_slow_motion() {
    check("drop_120fps.mp4");
}

#[test]
fn a_carried_ball_is_no_flight() {
    check("neg_hand_carried.mp4");
}

#[test]
fn a_whirled_ball_is_no_flight() {
    check("neg_whirled_on_string.avi");
}

#[test]
fn a_rolling_ball_is_no_flight() {
    check("neg_rolling_occluded.avi");
}

/// No recording is left out of the checks above unseen.
#[test]
fn every_recording_is_checked() {
    let here = include_str!("footage_clips.rs");
    for clip in labels().unwrap_or_default() {
        let file = clip["file"].as_str().unwrap();
        assert!(here.contains(&format!("\"{file}\"")), "{file} isn't checked");
    }
}
