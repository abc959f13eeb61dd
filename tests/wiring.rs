//! The commands that lead from a clip to all that is made of it, as a user meets them.

mod card_page;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use card_page::card_page;
use lobline::clip::{self, ReadOptions};
use lobline::measurement::Measurement;
use lobline::scene::{Camera, Truth, presets, record};

/// The demo's clip with its rig, recorded once for all tests.
struct Demo {
    _folder: tempfile::TempDir,
    clip: PathBuf,
    rig: PathBuf,
    truth: Truth,
}

fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let (clip, rig) = (folder.path().join("catapult.mp4"), folder.path().join("rig.toml"));
        let truth = record(&presets::demo(1), &clip).unwrap();
        let scale = &truth.scales[0];
        let (a, b) = (scale.a_px.unwrap(), scale.b_px.unwrap());
        let ends = format!("{:.1},{:.1} to {:.1},{:.1} = {} m", a.x, a.y, b.x, b.y, scale.length_m);
        let flight = &truth.flights[0];
        let text = format!(
            "[scale]\nlengths = [\"{ends}\"]\noffset = \"0 m u 0.002 m\"\n[ball]\ndiameter = \"{} mm\"\nmass = \"{} g\"\n\
             [launcher]\nname = \"wooden catapult\"\nheight = \"0.900 m\"\n",
            2000.0 * flight.radius_m,
            1000.0 * flight.mass_kg
        );
        std::fs::write(&rig, text).unwrap();
        Demo { _folder: folder, clip, rig, truth }
    })
}

/// Exit code, stdout and stderr of the program in `folder`.
fn run(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_lobline"))
        .current_dir(folder)
        .env("TZ", "UTC")
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

#[track_caller]
fn done(folder: &Path, arguments: &[&str]) -> (String, String) {
    let (code, stdout, stderr) = run(folder, arguments);
    assert_eq!(code, 0, "{stdout}{stderr}");
    (stdout, stderr)
}

/// `measure` of the demo's clip with more arguments.
#[track_caller]
fn measure(folder: &Path, more: &[&str]) -> (String, String) {
    let demo = demo();
    let given = ["measure", demo.clip.to_str().unwrap(), "--rig", demo.rig.to_str().unwrap()];
    done(folder, &[&given, more].concat())
}

fn read(path: &Path) -> Measurement {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn a_measurement_file_gives_its_numbers_again_to_the_last_digit() {
    let folder = tempfile::tempdir().unwrap();
    measure(folder.path(), &["--out", "shot"]);
    let (_, note) = done(folder.path(), &["refit", "shot/measurement.json", "--output", "again.json"]);
    assert!(note.contains("to the last digit"), "{note}");
    let text = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap();
    assert!(text("shot/measurement.json") == text("again.json"));
    // A sighting moved by hand in the file changes the numbers, and is told.
    let mut moved = read(&folder.path().join("again.json"));
    moved.basis.as_mut().unwrap().request.flights[0].sightings[5].centre_px.x += 3.0;
    std::fs::write(folder.path().join("moved.json"), serde_json::to_string(&moved).unwrap()).unwrap();
    let (_, note) = done(folder.path(), &["refit", "moved.json"]);
    assert!(note.contains("changed after it was measured"), "{note}");
    // Without what it was computed from there is nothing to compute.
    moved.basis = None;
    std::fs::write(folder.path().join("bare.json"), serde_json::to_string(&moved).unwrap()).unwrap();
    let (code, _, error) = run(folder.path(), &["refit", "bare.json"]);
    assert!(code == 3 && error.contains("hint: measure the clip again"), "{code} {error}");
}

#[test]
fn the_demo_is_measured_with_its_verdict_and_what_is_handed_in() {
    let folder = tempfile::tempdir().unwrap();
    let (text, _) = measure(folder.path(), &["--out", "shot", "--hand-in"]);
    assert!(text.contains("9.81 m/s² here"), "{text}");
    for name in ["lab-sheet.html", "lab-sheet.pdf", "sightings.xlsx", "strobe.png", "velocity-time.svg"] {
        assert!(folder.path().join("shot").join(name).is_file(), "{name}");
    }
    let measurement = read(&folder.path().join("shot/measurement.json"));
    let (flight, truth) = (&measurement.flights[0], &demo().truth.flights[0]);
    let inside = |estimate: &lobline::units::Estimate, truth: f64| {
        (estimate.value - truth).abs() <= estimate.expanded_uncertainty_95.unwrap()
    };
    assert!(inside(&flight.launch_speed_m_per_s, truth.speed_m_per_s));
    assert!(inside(&flight.gravity_m_per_s2, truth.gravity_m_per_s2));
    assert!(flight.air_counted && flight.verdict.is_some() && flight.path_covariance.is_some());
    // The drawn path follows the ball through the air: at the last sighting it is where the fit is, within the residual.
    let (end, last) = (flight.motion.as_ref().unwrap().fitted.last().unwrap(), flight.sightings.last().unwrap());
    let fitted_x = last.centre_m.x - last.residual_m.unwrap().x;
    assert!(!last.used || (end.x_m.value - fitted_x).abs() < 0.03, "{} {fitted_x}", end.x_m.value);
}

#[test]
fn budget_and_monte_carlo_are_printed_in_full() {
    let folder = tempfile::tempdir().unwrap();
    measure(folder.path(), &["--out", "shot"]);
    let (text, _) = done(folder.path(), &["refit", "shot/measurement.json", "--budget", "--monte-carlo"]);
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for name in ["launch speed", "launch angle", "g", "launch speed with g given", "launch angle with g given"] {
        // Which of the two it is depends on the launch; both ends stand there by either way.
        let said = ["confirmed", "replaced"].iter().find_map(|way| flat.split_once(&format!("– {name} {way}: ")));
        let ends = said.unwrap_or_else(|| panic!("no {name} in {text}")).1.split('–').next().unwrap();
        assert!(
            ends.contains("by the budget, ") && ends.contains("by the draws") && ends.matches(" to ").count() >= 2,
            "{ends}"
        );
    }
    assert!(flat.contains("draws of all inputs with seed 1"), "{text}");
    for part in
        ["Uncertainty budget, g free", "Uncertainty budget, g given", "ν = ∞", "type A", "per 1°", "rate of the clock"]
    {
        assert!(flat.contains(part), "no `{part}` in {text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn a_flight_is_set_against_its_forecast() {
    let folder = tempfile::tempdir().unwrap();
    let truth = &demo().truth.flights[0];
    let (angle, speed) = (format!("{}° ± 0.5°", truth.angle_deg), format!("{} m/s ± 0.05 m/s", truth.speed_m_per_s));
    let forecast = ["--forecast", "--angle", &angle, "--target-height", "0.25 m", "--json", "--speed"];
    let of = |speed: &str| -> Measurement {
        serde_json::from_str(&measure(folder.path(), &[&forecast[..], &[speed]].concat()).0).unwrap()
    };
    let right = of(&speed);
    let said = right.flights[0].forecast.as_ref().unwrap();
    assert!(said.comparison.as_ref().unwrap().starts_with("The flight agrees"), "{:?}", said.comparison);
    assert!(said.points.len() > 50 && said.path_px.len() == said.points.len());
    let wrong = of("3.5 m/s ± 0.05 m/s");
    let comparison = wrong.flights[0].forecast.as_ref().unwrap().comparison.clone().unwrap();
    assert!(comparison.contains("fast"), "{comparison}");
    let given = ["measure", demo().clip.to_str().unwrap(), "--rig", demo().rig.to_str().unwrap()];
    let (code, _, error) = run(folder.path(), &[&given[..], &["--forecast", "--angle", "48°"]].concat());
    assert!(code == 2 && error.contains("hint: give it with `--speed"), "{code} {error}");
}

#[test]
fn a_shot_is_set_against_the_shots_before_it_but_not_against_itself() {
    let folder = tempfile::tempdir().unwrap();
    let shots = ["book", "--book", "shots.sqlite", "add", "--launcher", "wooden catapult", "--session", "spring"];
    done(folder.path(), &[&shots[..], &["--angle", "50", "5.38 m/s", "5.40 m/s", "5.39 m/s"]].concat());
    let of = ["--launcher", "wooden catapult", "--set-angle", "50", "--book", "shots.sqlite", "--height", "0.74 m"];
    let both = [&of[..], &["--forecast", "--from-book", "--record", "--session", "spring", "--json"]].concat();
    // Once before the clip's shot is in the book, and once after.
    for _ in 0..2 {
        let measurement: Measurement = serde_json::from_str(&measure(folder.path(), &both).0).unwrap();
        let forecast = measurement.flights[0].forecast.as_ref().unwrap();
        assert_eq!(forecast.description, "the mean of 3 shots of the wooden catapult in the book (session spring)");
        // The demo's truth is 5.39 m/s, within its interval of some 0.15 m/s.
        let departures = forecast.departures.as_ref().unwrap();
        assert_eq!(departures.launch_speed_m_per_s.agrees(), Some(true));
        assert_eq!(departures.launch_angle_deg.agrees(), None, "a set angle has no interval");
    }
}

#[test]
fn a_class_is_measured_recorded_once_and_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::copy(&demo().clip, folder.path().join("a.mp4")).unwrap();
    std::fs::write(folder.path().join("b.mp4"), "not a clip").unwrap();
    std::fs::write(folder.path().join("groups.csv"), "clip;group\na.mp4;Table 1\nb.mp4;Table 2\n").unwrap();
    let rig = demo().rig.to_str().unwrap();
    let class = [
        "measure",
        "a.mp4",
        "b.mp4",
        "--rig",
        rig,
        "--groups",
        "groups.csv",
        "--out",
        "class",
        "--resume",
        "--jobs",
        "2",
        "--record",
        "--session",
        "open day",
        "--book",
        "shots.sqlite",
    ];
    let (code, table, error) = run(folder.path(), &class);
    assert_eq!(code, 3, "{table}{error}");
    assert!(error.contains("recorded in the shot book: shot 1") && error.contains("1 of 2 clips"), "{error}");
    for word in ["Table 1", "Table 2", "not measured", "What to tell them"] {
        assert!(table.contains(word), "{word} in {table}");
    }
    let csv = std::fs::read_to_string(folder.path().join("class/class.csv")).unwrap();
    assert!(csv.lines().count() == 3 && csv.contains("a.mp4,Table 1,1,"), "{csv}");
    let page = std::fs::read_to_string(folder.path().join("class/class.html")).unwrap();
    assert!(page.contains("Table 2") && page.contains("data:image/svg+xml"), "table and graph");
    let written = || std::fs::metadata(folder.path().join("class/a/measurement.json")).unwrap().modified().unwrap();
    let first = written();
    let (_, _, error) = run(folder.path(), &class);
    assert!(first == written() && error.contains("in the shot book already: shot 1"), "{error}");
    // Another clip under the same name is measured.
    std::fs::copy(folder.path().join("b.mp4"), folder.path().join("a.mp4")).unwrap();
    let (_, table, _) = run(folder.path(), &class);
    assert_eq!(table.matches("not measured:").count(), 2, "{table}");
}

/// What a teacher does before the lesson: film a shot, and know where the target goes.
#[test]
fn from_a_clip_to_the_tape_measure_in_two_commands() {
    let folder = tempfile::tempdir().unwrap();
    measure(folder.path(), &["--out", "shot"]);
    let flight = &demo().truth.flights[0];
    let landing = flight.landing.as_ref().unwrap();
    // The scene's floor is at height nought, and the ball's centre is what comes down through the ring.
    let (height, rim) = (format!("{} m", flight.release_m[1]), format!("{} m", landing.y_m));
    let given = ["aim", "--from", "shot/measurement.json", "--height", &height, "--opening-height", &rim];
    let (words, _) = done(folder.path(), &[&given[..], &["--opening", "28 cm", "--target", "ring"]].concat());
    let instruction = words.lines().find(|line| line.starts_with("Measure ")).expect(&words);
    let number = |word: usize| instruction.split(' ').nth(word).unwrap().parse::<f64>().unwrap();
    let (centre_cm, half_width_cm) = (number(1), number(3));
    assert!(instruction.contains(" cm along the floor"), "{instruction}");
    // Where the scene's own physics lets it come down.
    let truth_cm = 100.0 * (landing.x_m - flight.release_m[0]).abs();
    assert!((centre_cm - truth_cm).abs() <= half_width_cm, "{instruction}; in truth {truth_cm:.1} cm");
    // An interval that can be used: the scale of the demo is good to about 3 %.
    assert!(half_width_cm < 0.06 * truth_cm, "{instruction}");
}

#[test]
fn an_overlay_is_drawn_onto_its_own_clip_alone() {
    let folder = tempfile::tempdir().unwrap();
    measure(folder.path(), &["--out", "shot"]);
    let clip = demo().clip.to_str().unwrap();
    done(folder.path(), &["overlay", clip, "--measurement", "shot/measurement.json", "--output", "drawn.mp4"]);
    let mut drawn = clip::open(&folder.path().join("drawn.mp4"), &ReadOptions::default()).unwrap();
    let mut frames = 0;
    while drawn.next_frame().unwrap().is_some() {
        frames += 1;
    }
    assert!(frames >= demo().truth.frames.len(), "{frames}");
    let given = ["overlay", "drawn.mp4", "--measurement", "shot/measurement.json", "--output", "twice.mp4"];
    let (code, _, error) = run(folder.path(), &given);
    assert!(code == 2 && error.contains("another recording"), "{code} {error}");
    assert!(!folder.path().join("twice.mp4").exists());
}

#[test]
fn with_a_card_in_view_no_number_is_typed() {
    let folder = tempfile::tempdir().unwrap();
    let clip = folder.path().join("card.mp4");
    let (page, width_m) = card_page(1);
    // In the plane of the flight, beside the path.
    let mut scene = presets::printed_page(1, page, width_m, [CARD_AT[0], CARD_AT[1], 0.0], [0.0; 3]);
    // 1080 rows, so that a cell of a mark is some four pixels wide.
    let plain = &scene.camera;
    let (focal, distance) = (1.5 * plain.focal_px, plain.position_m[2]);
    let aim = (plain.position_m[0], plain.position_m[1]);
    scene.camera = Camera::square_on(1920, 1080, focal, aim, distance);
    // Between two frames: the very start of an exposure is the edge of what can be told.
    scene.launches[0].release_s += 0.4 / scene.timing.capture_hz;
    let truth = record(&scene, &clip).unwrap();
    let (json, _) = done(folder.path(), &["measure", clip.to_str().unwrap(), "--json"]);
    let measurement: Measurement = serde_json::from_str(&json).unwrap();
    assert!(measurement.scale.description.contains("scale card 1"), "{}", measurement.scale.description);
    let (speed, truth) = (measurement.flights[0].launch_speed_m_per_s, truth.flights[0].speed_m_per_s);
    assert!((speed.value - truth).abs() <= speed.expanded_uncertainty_95.unwrap(), "{speed:?} {truth}");
    println!("with a card and nothing else: speed {speed:?}, truth {truth}");
    // The moment of launch is known to half a frame, 60 a second: 1.5 % of this throw's speed.
    assert!((speed.value / truth - 1.0).abs() < 0.015, "{speed:?} {truth}");
    let gravity = measurement.flights[0].gravity_m_per_s2;
    // The goal with a card in view.
    assert!((gravity.value / 9.81 - 1.0).abs() < 0.005, "{gravity:?}");
}

const CARD_AT: [f64; 2] = [0.6, 0.4];

#[test]
fn nothing_in_view_of_known_length_is_said_so() {
    let folder = tempfile::tempdir().unwrap();
    let (code, _, error) = run(folder.path(), &["measure", demo().clip.to_str().unwrap()]);
    assert!(code == 2 && error.contains("how long") && error.contains("scale card"), "{code} {error}");
}
