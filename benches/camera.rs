//! How far speed and *g* are off when the camera isn't as one would wish: turned, tilted, rolled, with a bent lens, a rolling
//! shutter, its scale out of the plane, or held in the hand.
//!
//! `cargo bench --bench camera [-- NAMES]` renders each recording with its own camera model, states what a user could know of it
//! (once a marked batten and a tape, once a scale card in view and no number at all), and prints the errors. Pictures go
//! to the program as rendered, without an encoder.

#[path = "../tests/card_page/mod.rs"]
mod card_page;

use card_page::card_page;
use lobline::measure::{Settings, measure_source};
use lobline::measurement::Measurement;
use lobline::rig::Rig;
use lobline::scene::{Camera, Piece, Scene, presets, source, truth};
use lobline::units::{Estimate, PixelPoint};

const SEED: u64 = 11;

/// A kind of recording and what is known of it besides the scale.
struct Case {
    name: &'static str,
    scene: fn(u64) -> Scene,
    /// Lines of the rig's `[camera]` section.
    camera: &'static str,
    /// Those that a user with a card in view would still state.
    camera_with_card: &'static str,
}

const LENS: &str = "focal_length = '1000 px u 5 px'\nk1 = '-0.16 u 0.005'\nk2 = '0.03 u 0.005'";
/// The same lens in the larger pictures with a card.
const LENS_LARGER: &str = "focal_length = '1500 px u 7 px'\nk1 = '-0.16 u 0.005'\nk2 = '0.03 u 0.005'";

const CASES: [Case; 11] = [
    Case { name: "square", scene: presets::clean_60fps, camera: "", camera_with_card: "" },
    Case { name: "yaw 12°", scene: presets::yaw, camera: "yaw = '-12 deg u 0.5 deg'", camera_with_card: "" },
    Case { name: "pitch 8°", scene: presets::pitch, camera: "pitch = '8 deg u 0.5 deg'", camera_with_card: "" },
    Case { name: "roll 3°", scene: presets::roll, camera: "roll = '3 deg u 0.2 deg'", camera_with_card: "" },
    Case { name: "barrel", scene: presets::barrel, camera: LENS, camera_with_card: LENS_LARGER },
    Case {
        name: "rolling shutter, stated",
        scene: presets::rolling_shutter,
        camera: "readout = '15 ms u 1 ms'",
        camera_with_card: "readout = '15 ms u 1 ms'",
    },
    Case { name: "rolling shutter, unknown", scene: presets::rolling_shutter, camera: "", camera_with_card: "" },
    Case {
        name: "held upright",
        scene: presets::rotated_portrait,
        camera: "readout = '12 ms u 1 ms'\nreadout_direction = 'right'",
        camera_with_card: "readout = '12 ms u 1 ms'\nreadout_direction = 'right'",
    },
    Case { name: "scale 0.4 m behind", scene: presets::scale_behind_plane, camera: "", camera_with_card: "" },
    Case { name: "held in the hand", scene: presets::shake, camera: "", camera_with_card: "" },
    Case {
        name: "all at once, small",
        scene: presets::hurried,
        camera: "yaw = '-4 deg u 1 deg'\npitch = '2 deg u 1 deg'\nroll = '0.8 deg u 0.5 deg'\nreadout = '12 ms u 1 ms'\n\
                 focal_length = '1000 px u 10 px'\nk1 = '0.03 u 0.01'",
        camera_with_card: "readout = '12 ms u 1 ms'\nfocal_length = '1500 px u 15 px'\nk1 = '0.03 u 0.01'",
    },
];

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    let wanted = |case: &&Case| wanted.is_empty() || wanted.iter().any(|name| case.name.contains(name.as_str()));
    println!(
        "{:<26}{:<10}{:>9}{:>8}{:>9}{:>8}   truth inside   scale",
        "recording", "scale", "speed %", "U95 %", "g %", "U95 %"
    );
    for case in CASES.iter().filter(wanted) {
        with_batten(case);
        with_cards(case, 1);
        with_cards(case, 2);
    }
}

/// As rendered, but released between two frames: every bracket's edge is a special case.
fn scene_of(case: &Case) -> Scene {
    let mut scene = (case.scene)(SEED);
    let beat_s = 1.0 / scene.timing.capture_hz;
    scene.launches.iter_mut().for_each(|launch| launch.release_s += 0.4 * beat_s);
    scene
}

/// Where the first frame shows a place, to the whole pixel.
fn marked(scene: &Scene, at_m: [f64; 3]) -> PixelPoint {
    let first_s = truth(scene).frames[0].start_s;
    let at = scene.view_at(first_s).project(&at_m.into()).expect("in view");
    PixelPoint::new(at.x.round(), at.y.round())
}

fn launcher(scene: &Scene) -> String {
    let at = marked(scene, scene.launches[0].release_m);
    format!("[launcher]\npoint = '{},{}'\n", at.x, at.y)
}

/// A metre's ends clicked to the whole pixel (u = 1/√12), distance and depth by tape, the launch point clicked.
fn with_batten(case: &Case) {
    let scene = scene_of(case);
    let bar = &scene.scales[0];
    let (a, b) = (marked(&scene, bar.a_m), marked(&scene, bar.b_m));
    let rig = format!(
        "[scale]\nlengths = ['{},{} to {},{} = 1 m']\nend_uncertainty = '0.29 px'\noffset = '{} m u 2 mm'\n\
         [camera]\ndistance = '{:.2} m u 2 cm'\n{}\n{}",
        a.x,
        a.y,
        b.x,
        b.y,
        bar.a_m[2],
        scene.camera.position_m[2],
        case.camera,
        launcher(&scene)
    );
    show(case.name, "batten", &scene, &rig);
}

/// The card hangs where the ball flies (a clip on the launcher, a string), which is stated; no length, no distance.
fn with_cards(case: &Case, cards: usize) {
    let mut scene = larger(scene_of(case));
    scene.scales.clear();
    for (number, at) in [(1, [0.35, 0.35, 0.0]), (2, [1.9, 1.15, 0.0])].into_iter().take(cards) {
        let (page, width_m) = card_page(number);
        scene.set.push(Piece::planar_image(at, width_m, [0.0; 3], page));
    }
    let rig = format!("[scale]\noffset = '0 m u 2 mm'\n[camera]\n{}\n{}", case.camera_with_card, launcher(&scene));
    show(case.name, if cards == 1 { "one card" } else { "two cards" }, &scene, &rig);
}

/// The same view on half as many pixels again, so that a cell of a card's mark is some pixels wide, as in a phone's picture.
fn larger(mut scene: Scene) -> Scene {
    let Camera { width, height, focal_px, principal_px, .. } = &mut scene.camera;
    (*width, *height) = (*width * 3 / 2, *height * 3 / 2);
    *focal_px *= 1.5;
    *principal_px = PixelPoint::new((principal_px.x + 0.5) * 1.5 - 0.5, (principal_px.y + 0.5) * 1.5 - 0.5);
    scene
}

fn show(name: &str, scale: &str, scene: &Scene, rig: &str) {
    let truth = truth(scene);
    let rig = Rig::parse(rig).unwrap_or_else(|error| panic!("{name}: {error}\n{rig}"));
    let outcome = measure_source(&mut source(scene), &Settings { rig, ..Settings::default() }, &mut |_| {});
    let measurement = match outcome {
        Ok(outcome) => outcome.measurement,
        Err(error) => {
            println!("{name:<26}{scale:<10}  {error}");
            return;
        }
    };
    let flight = &truth.flights[0];
    println!("{name:<26}{scale:<10}{}", row(&measurement, flight.speed_m_per_s, flight.gravity_m_per_s2));
}

fn row(measurement: &Measurement, speed: f64, gravity: f64) -> String {
    let flight = &measurement.flights[0];
    let percent = |estimate: Estimate, truth: f64| {
        let half = estimate.expanded_uncertainty_95.unwrap_or(f64::NAN);
        let inside = if (estimate.value - truth).abs() <= half { "yes" } else { "NO" };
        (100.0 * (estimate.value / truth - 1.0), 100.0 * half / truth, inside)
    };
    let (v, g) = (percent(flight.launch_speed_m_per_s, speed), percent(flight.gravity_m_per_s2, gravity));
    let more = if measurement.flights.len() > 1 { " (and more flights)" } else { "" };
    format!(
        "{:>9.2}{:>8.2}{:>9.2}{:>8.2}   {:<4}{:<10} {}{more}",
        v.0, v.1, g.0, g.1, v.2, g.2, measurement.scale.description
    )
}
