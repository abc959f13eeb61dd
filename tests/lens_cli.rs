//! `lobline lens` from end to end: a card filmed all over the picture, and straight edges, by a camera with a known barrel lens.

mod card_page;

use assert_cmd::Command;
use card_page::card_page;
use lobline::clip::{ClipWriter, FrameSource, WriteOptions};
use lobline::report::rgb::from_picture;
use lobline::rig::{Rig, Stated};
use lobline::scene::{Camera, Paint, Piece, Scene, Timing, source};

const FOCAL_PX: f64 = 1500.0;
const LENS: (f64, f64) = (-0.08, 0.02);

/// A phone's picture, with more barrel than phones leave.
fn camera() -> Camera {
    let mut camera = Camera::square_on(1920, 1080, FOCAL_PX, (0.0, 0.0), 0.9);
    (camera.k1, camera.k2) = LENS;
    camera
}

fn lens_of(arguments: &[&str]) -> (Rig, String) {
    let output = Command::cargo_bin("lobline").unwrap().arg("lens").args(arguments).output().unwrap();
    let (text, notes) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
    assert!(output.status.success(), "{notes}");
    println!("{text}{notes}");
    (Rig::parse(&text).unwrap(), notes)
}

/// How far off in standard uncertainties.
fn off(found: Option<Stated>, truth: f64) -> f64 {
    let found = found.unwrap();
    (found.value - truth).abs() / found.standard_uncertainty.unwrap()
}

#[test]
fn a_card_filmed_or_in_stills_gives_the_lens() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("card.mp4");
    let stills = folder.path().join("stills");
    std::fs::create_dir(&stills).unwrap();
    let mut writer = ClipWriter::create(&path, &WriteOptions::default()).unwrap();
    let places = [(-0.42, -0.18), (0.0, -0.2), (0.42, -0.18), (-0.44, 0.0), (0.0, 0.0), (0.44, 0.0)];
    let more = [(-0.42, 0.18), (0.0, 0.2), (0.42, 0.18), (-0.2, 0.1), (0.2, -0.1), (0.0, 0.05)];
    for (k, (x, y)) in places.into_iter().chain(more).enumerate() {
        let t = k as f64;
        // Tilted to all sides by up to 30°, as a hand does.
        let turns = [30.0 * (1.3 * t).sin(), 30.0 * (1.7 * t + 1.0).cos(), 40.0 * (0.9 * t).sin()];
        let (page, width_m) = card_page(1);
        let mut scene = Scene::plain("lens", 3 + k as u64);
        scene.camera = camera();
        scene.scales.clear();
        scene.launches.clear();
        scene.timing = Timing::steady(2.0, 1);
        scene.set = vec![
            Piece::wall(-0.5, Paint::Plain([0.3, 0.31, 0.33])),
            Piece::planar_image([x, y, 0.0], width_m, turns, page),
        ];
        let frame = source(&scene).next_frame().unwrap().unwrap();
        from_picture(&frame.picture).save(stills.join(format!("{k:02}.png"))).unwrap();
        writer.push(&frame.picture, 0.5 * t).unwrap();
    }
    writer.finish().unwrap();
    for views in [path, stills] {
        let (rig, notes) = lens_of(&[views.to_str().unwrap()]);
        // Four standard uncertainties; and each as small as a rig needs, or "uncertain" would pass.
        assert!(off(rig.camera.focal_length_px, FOCAL_PX) < 4.0 && off(rig.camera.k1, LENS.0) < 4.0, "{rig:?}");
        assert!(rig.camera.focal_length_px.unwrap().standard_uncertainty.unwrap() < 5.0);
        assert!(rig.camera.k1.unwrap().standard_uncertainty.unwrap() < 0.01);
        assert!(notes.contains("views used; bends of"), "{notes}");
    }
}

/// Door frames, shelves and table edges, marked by hand to the whole pixel.
#[test]
fn marked_edges_give_the_lens() {
    let view = camera().view();
    let lines = [
        ([-0.55, -0.3], [0.55, -0.3]),
        ([-0.55, 0.3], [0.55, 0.31]),
        ([-0.53, -0.3], [-0.53, 0.3]),
        ([0.54, -0.3], [0.52, 0.3]),
        ([-0.5, 0.22], [0.5, 0.2]),
        ([-0.5, -0.3], [0.5, 0.28]),
    ];
    let edges: Vec<String> = lines
        .iter()
        .map(|(a, b)| {
            let at = |i: i32| {
                let s = f64::from(i) / 14.0;
                let place = [a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1]), 0.0];
                let seen = view.project(&place.into()).unwrap();
                format!("{:.0},{:.0}", seen.x, seen.y)
            };
            (0..15).map(at).collect::<Vec<_>>().join(" ")
        })
        .collect();
    let mut arguments = vec!["--size", "1920x1080", "--focal-length", "1500"];
    edges.iter().for_each(|edge| arguments.extend(["--edge", edge.as_str()]));
    let (rig, notes) = lens_of(&arguments);
    // Rounding to whole pixels is stated by the scatter that is left; four standard uncertainties.
    assert!(off(rig.camera.k1, LENS.0) < 4.0, "{rig:?}");
    assert!(rig.camera.k1.unwrap().standard_uncertainty.unwrap() < 0.03, "{rig:?}");
    assert!(notes.contains("6 edges used; bends of"), "{notes}");
}

#[test]
fn a_clip_without_a_card_is_refused_with_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wall.mp4");
    let mut scene = Scene::plain("wall", 1);
    scene.launches.clear();
    scene.timing = Timing::steady(2.0, 3);
    lobline::scene::record(&scene, &path).unwrap();
    let output = Command::cargo_bin("lobline").unwrap().arg("lens").arg(&path).output().unwrap();
    let error = String::from_utf8(output.stderr).unwrap();
    assert!(
        !output.status.success() && error.contains("0 views of a card") && error.contains("film the card"),
        "{error}"
    );
}
