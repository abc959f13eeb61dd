//! Whole transcripts of the commands that look ahead: exit code, stdout, stderr.

use assert_cmd::Command;
use std::fmt::Write;

fn transcript(arguments: &[&str]) -> String {
    let output = Command::cargo_bin("lobline").unwrap().args(arguments).output().unwrap();
    let mut text = String::new();
    writeln!(text, "exit code: {}", output.status.code().unwrap()).unwrap();
    for (name, bytes) in [("stdout", &output.stdout), ("stderr", &output.stderr)] {
        writeln!(text, "----- {name} -----\n{}", String::from_utf8_lossy(bytes).trim_end()).unwrap();
    }
    text
}

fn json(arguments: &[&str]) -> serde_json::Value {
    let output = Command::cargo_bin("lobline").unwrap().args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

const SHOT: [&str; 7] =
    ["--speed", "4.00 m/s ± 0.05 m/s", "--angle", "52° ± 0.5°", "--height", "30 cm ± 0.5 cm", "--latitude=52"];

fn with<'a>(command: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    [command].into_iter().chain(SHOT).chain(more.iter().copied()).collect()
}

#[test]
fn forecast_in_words() {
    insta::assert_snapshot!(transcript(&with("forecast", &["--target-height", "24 cm"])));
}

#[test]
fn aim_in_words() {
    let more = [
        "--ball",
        "70 mm",
        "--mass",
        "13 g",
        "--opening",
        "25 cm",
        "--opening-height",
        "24 cm",
        "--scatter-speed",
        "0.08 m/s",
        "--scatter-angle",
        "1°",
        "--hits",
        "17",
        "--misses",
        "3",
        "--ceiling",
        "2.6 m",
        "--obstacle-distance",
        "80 cm",
        "--obstacle-height",
        "50 cm",
    ];
    insta::assert_snapshot!(transcript(&with("aim", &more)));
}

#[test]
fn both_angles_to_a_ring() {
    let arguments = [
        "aim",
        "--speed",
        "4.00 m/s",
        "--height",
        "30 cm",
        "--ball",
        "40 mm",
        "--opening",
        "12 cm",
        "--target",
        "ring",
        "--distance",
        "1.40 m",
        "--working",
    ];
    insta::assert_snapshot!(transcript(&arguments));
}

#[test]
fn a_problem_worked_out() {
    insta::assert_snapshot!(transcript(&[
        "solve",
        "--speed",
        "25.0 m/s",
        "--angle",
        "35.0°",
        "--drop",
        "20.0 m",
        "--gravity",
        "9.80 m/s²",
        "--find",
        "time",
        "--working",
        "--title",
        "Off a volcano"
    ]));
}

#[test]
fn a_level_launch_is_solved_from_distance_and_drop() {
    insta::assert_snapshot!(transcript(&["solve", "--angle", "0", "--distance", "2.40 m", "--drop", "0.80 m"]));
}

#[test]
fn a_small_worksheet() {
    insta::assert_snapshot!(transcript(&[
        "worksheet",
        "--groups",
        "2",
        "--speed",
        "3.6 .. 4.4 m/s",
        "--angle",
        "40° .. 70°",
        "--height",
        "25 cm .. 45 cm",
        "--target-height",
        "10 cm .. 24 cm",
        "--room",
        "4 m",
        "--ceiling",
        "2.7 m",
        "--ball",
        "70 mm",
        "--mass",
        "13 g"
    ]));
}

#[test]
fn what_cannot_be_says_why_and_what_to_do() {
    let cases: [&[&str]; 7] = [
        &["solve", "--speed", "4.00 m/s", "--distance", "2 m", "--rise", "0 m"],
        &["solve", "--speed", "4.00 m/s"],
        &["forecast", "--speed", "4.00", "--angle", "45°", "--height", "30 cm"],
        &["forecast", "--speed", "4.00 m/s", "--angle", "45°", "--height", "30 cm", "--target-height", "2 m"],
        &["forecast", "--from", "no-such-file.json", "--height", "30 cm"],
        &["aim", "--speed", "4 m/s", "--angle", "45°", "--height", "30 cm", "--ball", "9 cm", "--opening", "8 cm"],
        &[
            "worksheet",
            "--groups",
            "4",
            "--speed",
            "20 m/s",
            "--angle",
            "45°",
            "--height",
            "1 m",
            "--room",
            "60 m",
            "--ceiling",
            "20 m",
            "--ball",
            "40 mm",
        ],
    ];
    let all: Vec<String> = cases.iter().map(|case| transcript(case)).collect();
    insta::assert_snapshot!(all.join("\n"));
}

#[test]
fn json_has_a_version_units_and_null_for_the_unknown() {
    let forecast = json(&[
        "forecast",
        "--speed",
        "4 m/s",
        "--angle",
        "45°",
        "--height",
        "0 m",
        "--gravity",
        "9.81 m/s²",
        "--json",
    ]);
    assert_eq!(forecast["format_version"], 1);
    // v²/g on the level, to rounding.
    let range = forecast["forecast"]["range_m"]["value"].as_f64().unwrap();
    assert!((range - 16.0 / 9.81).abs() < 1e-12);
    assert!(forecast["forecast"]["range_m"]["standard_uncertainty"].is_null());
    assert!(forecast["forecast"]["air_shift_m"].is_null());
    let aim = json(&with("aim", &["--ball", "40 mm", "--opening", "12 cm", "--json"]));
    assert!(aim["aims"][0]["opening_centre_m"]["value"].is_f64() && aim["aims"][0]["chance"].is_null());
    let solved = json(&["solve", "--speed", "4 m/s", "--distance", "1 m", "--rise", "0 m", "--json"]);
    assert_eq!(solved["solutions"].as_array().unwrap().len(), 2);
}

#[test]
fn a_gate_and_a_measurement_are_sources_of_the_speed() {
    let gate = json(&[
        "forecast",
        "--gate-length",
        "20.0 mm",
        "--gate-time",
        "5.00 ms",
        "--angle",
        "45°",
        "--height",
        "0 m",
        "--json",
    ]);
    // 20 mm in 5 ms.
    assert!((gate["launch"]["speed_m_per_s"]["value"].as_f64().unwrap() - 4.0).abs() < 1e-12);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shot.json");
    std::fs::write(&file, serde_json::to_string(&measurement()).unwrap()).unwrap();
    let file = file.to_str().unwrap();
    let measured = json(&["forecast", "--from", file, "--height", "30 cm", "--json"]);
    assert_eq!(measured["launch"]["speed_m_per_s"]["value"], 3.52);
    assert_eq!(measured["launch"]["angle_deg"]["value"], 48.2);
    assert!(measured["forecast"]["range_m"]["expanded_uncertainty_95"].is_f64());
    insta::assert_snapshot!(
        transcript(&["forecast", "--from", file, "--from-flight", "3", "--height", "30 cm"]).replace(file, "shot.json"),
        @r"
    exit code: 1
    ----- stdout -----

    ----- stderr -----
    error: `shot.json` has no flight 3; it holds 1

    hint: choose another with `--from-flight`
    "
    );
}

/// The part of a measurement file that these commands read.
fn measurement() -> serde_json::Value {
    let estimate = |value: f64, u: f64| serde_json::json!({ "value": value, "standard_uncertainty": u, "expanded_uncertainty_95": 2.0 * u });
    serde_json::json!({
        "format_version": 1,
        "flights": [{
            "number": 1,
            "launch_speed_m_per_s": estimate(3.55, 0.04),
            "launch_angle_deg": estimate(48.2, 0.2),
            "gravity_m_per_s2": estimate(9.76, 0.045),
            "launch_speed_gravity_given_m_per_s": estimate(3.52, 0.015),
            "gravity_given": { "launch_angle_deg": estimate(48.2, 0.2) },
        }],
    })
}

/// A book of six shots at one setting, three of which somebody saw go in.
fn book(folder: &std::path::Path) -> String {
    let book = folder.join("shots.sqlite").to_str().unwrap().to_owned();
    let shots = ["4.02 m/s hit", "4.05 m/s miss", "3.99 m/s hit", "4.01 m/s hit", "3.97 m/s miss", "4.03 m/s"];
    let of = [
        "book",
        "--book",
        &book,
        "add",
        "--launcher",
        "wooden catapult",
        "--session",
        "spring",
        "--setting",
        "notch 3",
    ];
    let at = ["--angle", "52", "--time", "2026-05-09T10:00:00Z"];
    let bucket = ["--opening", "14 cm", "--opening-height", "24 cm", "--opening-distance", "1.52 m"];
    Command::cargo_bin("lobline").unwrap().args(of).args(at).args(bucket).args(shots).assert().success();
    book
}

#[test]
fn the_book_says_where_the_bucket_goes() {
    let folder = tempfile::tempdir().unwrap();
    let book = book(folder.path());
    let rig = folder.path().join("rig.toml");
    std::fs::write(
        &rig,
        "[ball]\ndiameter = '70 mm'\nmass = '13 g'\n[launcher]\nname = 'wooden catapult'\nsetting = 'notch 3'\nheight = '30 cm'\n\
         [place]\nlatitude = '52 deg'\n",
    )
    .unwrap();
    let rig = rig.to_str().unwrap();
    let from = ["--from-book", "--book", &book, "--rig", rig, "--angle", "52° ± 0.5°"];
    let opening = ["--opening", "14 cm", "--opening-height", "24 cm", "--scatter-angle", "1°"];
    let aim: Vec<&str> = ["aim"].into_iter().chain(from).chain(opening).collect();
    let forecast: Vec<&str> = ["forecast"].into_iter().chain(from).collect();
    let lost =
        ["aim", "--from-book", "--book", &book, "--launcher", "sling", "--height", "30 cm", "--opening", "14 cm"];
    let all = [transcript(&aim), transcript(&forecast), transcript(&lost)].join("\n");
    insta::assert_snapshot!(all);
    assert!(all.lines().all(|line| line.chars().count() <= 80), "wider than a terminal");
}

#[test]
fn the_book_lists_and_mends_what_went_in() {
    let folder = tempfile::tempdir().unwrap();
    let book = book(folder.path());
    let with = |more: &[&str]| {
        transcript(&["book", "--book", &book].into_iter().chain(more.iter().copied()).collect::<Vec<_>>())
    };
    let farther = ["outcome", "hit", "6", "5", "--opening", "20 cm", "--opening-distance", "1.60 m"];
    let shown = |shot: &str| {
        let all = with(&["show", shot]);
        all.lines()
            .filter(|line| line.starts_with("outcome") || line.starts_with("target"))
            .collect::<Vec<_>>()
            .join("\n")
    };
    let all = [with(&farther), with(&["list"]), shown("4"), shown("5"), with(&["outcome", "maybe", "5"])].join("\n");
    insta::assert_snapshot!(all);
}
