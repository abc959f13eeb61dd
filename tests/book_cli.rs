//! The `book` command as a user meets it: what it prints, where, and with which exit code.

use std::path::Path;
use std::process::Command;

/// Exit code, stdout and stderr of the program with a book in `folder`.
fn book(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    book_at(folder, "shots.sqlite", arguments)
}

fn book_at(folder: &Path, file: &str, arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_lobline"))
        .current_dir(folder)
        .env("TZ", "UTC")
        .args(["book", "--book", file])
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

#[track_caller]
fn done(folder: &Path, arguments: &[&str]) -> String {
    let (code, stdout, stderr) = book(folder, arguments);
    assert_eq!(code, 0, "{stderr}");
    stdout
}

/// A school open day in May and a lesson in September, when the launcher has become 2.5 % slower.
const READINGS: &str = "\
session;time;speed / m/s;uncertainty / m/s
open day;2026-05-09 10:00;4,012;0,01
open day;2026-05-09 10:01;3,979;0,01
open day;2026-05-09 10:02;4,051;0,01
open day;2026-05-09 10:03;3,988;0,01
open day;2026-05-09 10:04;4,020;0,01
open day;2026-05-09 10:05;3,962;0,01
open day;2026-05-09 10:06;4,003;0,01
open day;2026-05-09 10:07;4,031;0,01
open day;2026-05-09 10:08;3,995;0,01
open day;2026-05-09 10:09;3,969;0,01
lesson;2026-09-14 08:30;3,902;0,01
lesson;2026-09-14 08:31;3,925;0,01
lesson;2026-09-14 08:32;3,871;0,01
lesson;2026-09-14 08:33;3,918;0,01
lesson;2026-09-14 08:34;3,880;0,01
lesson;2026-09-14 08:35;3,909;0,01
";

fn with_readings() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("gate.csv"), READINGS).unwrap();
    let told = done(
        folder.path(),
        &["import-gate", "gate.csv", "--launcher", "catapult", "--angle", "45", "--ball", "orange foam"],
    );
    assert_eq!(told, "16 shots recorded: 1 to 16\n");
    folder
}

#[test]
fn a_drift_is_told_in_words_first() {
    let folder = with_readings();
    insta::assert_snapshot!(done(folder.path(), &["drift"]), @r#"
    Drifted: slower by 2.50 % ± 0.72 % since shot 11 (session "lesson", 2026-09-14).
    Found by the latest session against the baseline (p below 0.0005), the
      self-starting CUSUM of the whole run, the best split of the run (p below
      0.0005), the trend over the run (p below 0.0005).
    Move the target 8 cm nearer: the ball now lands at 1.55 m instead of 1.63 m
      (reckoned without air).

    catapult, 45°, orange foam
      open day                  10 shots  4.001 ± 0.020 m/s
      lesson                     6 shots  3.901 ± 0.022 m/s       -2.50 % ± 0.67 %

    Scatter from shot to shot 0.65 %: measuring 0.25 %, the launcher itself 0.60 %.
    Limits from 10 baseline shots: within the next ten shots of an unchanged
      launcher the chart alarms falsely with a chance of 16 % (3 % if the limits
      were known).
    How uncertain the scale or the gate is isn't recorded for some shots. If it
      differed between sessions, 1 % of its length is 1 % of false drift.
    On the chart, outside the control limits: shots 13, 15.
    On the chart, two of three beyond two sigmas on one side: shots 13, 14, 15, 16.
    On the chart, weighted average outside its limits: shots 13, 14, 15, 16.
    On the chart, four of five beyond one sigma on one side: shots 14, 15, 16.
    On the chart, eight in a row on one side of the centre: shots 16.
    "#);
}

#[test]
fn the_chart_fits_a_terminal() {
    let folder = with_readings();
    let chart = done(folder.path(), &["chart", "--count", "8"]);
    assert!(chart.lines().all(|line| line.chars().count() <= 80), "{chart}");
    insta::assert_snapshot!(chart, @r#"
    Drifted: slower by 2.50 % ± 0.72 % since shot 11 (session "lesson", 2026-09-14).
       shot      m/s lower 3.886, centre 4.001, upper 4.116 m/s
    -- open day
          9    3.995      |            o:             |
         10    3.969      |         o   :             |
    -- lesson
         11    3.902      | o           :             |
         12    3.925      |    o        :             |
         13    3.871    X |             :             |      outside its limits
         14    3.918      |   X         :             |      2 of 3 beyond 2 sigmas
         15    3.880     X|             :             |      outside its limits
         16    3.909      |  X          :             |      2 of 3 beyond 2 sigmas
    "#);
}

#[test]
fn shots_needed_are_told_before_shooting() {
    let folder = tempfile::tempdir().unwrap();
    insta::assert_snapshot!(done(folder.path(), &["shots-needed", "--baseline", "10"]), @r#"
    To show a change of 2.0 % with 1.0 % of scatter, 5 % false alarms and a 80 %
      chance: 4 shots against a baseline of 10.
    Limits from 10 baseline shots: within the next ten shots of an unchanged
      launcher the chart alarms falsely with a chance of 16 % (3 % if the limits
      were known).
    The smallest change that so many shots in each session show: 5 shots 2.0 %, 8
      shots 1.5 %, 10 shots 1.3 %, 15 shots 1.1 %, 20 shots 0.91 %, 30 shots 0.74 %.
    "#);
}

#[test]
fn setting_aside_needs_a_reason_and_can_be_undone() {
    let folder = with_readings();
    assert_eq!(book(folder.path(), &["set-aside", "3"]).0, 2);
    assert_eq!(book(folder.path(), &["set-aside", "3", "--reason", " "]).0, 2);
    assert_eq!(done(folder.path(), &["set-aside", "3", "--reason", "hit the frame"]), "set aside: 3\n");
    assert_eq!(
        done(folder.path(), &["list", "--session", "open day", "--with-set-aside", "--count", "8"])
            .lines()
            .skip(1)
            .take(2)
            .collect::<Vec<_>>(),
        [
            "    3  2026-05-09 10:02  catapult       open day       4.051  ± 0.020  gate",
            "       set aside: hit the frame"
        ]
    );
    assert_eq!(done(folder.path(), &["undo"]), "taken back: set aside: shot 3 (hit the frame)\n");
    assert!(!done(folder.path(), &["list", "--with-set-aside"]).contains("set aside"));
}

#[test]
fn errors_name_the_way_out() {
    let folder = with_readings();
    let (code, stdout, stderr) = book(folder.path(), &["drift", "--launcher", "trebuchet"]);
    assert_eq!((code, stdout.as_str()), (2, ""));
    assert_eq!(stderr, "error: no launcher is called `trebuchet` in the book\n\nhint: known: catapult\n");
    let (code, _, stderr) = book(folder.path(), &["add", "--launcher", "catapult", "4.02"]);
    assert_eq!(code, 2);
    assert!(
        stderr.starts_with("error: `4.02` has no unit\n\nhint: write `4.02 m/s`, or with another unit: m/s"),
        "{stderr}"
    );
    std::fs::write(folder.path().join("bad.csv"), "speed / m/s\n4.0\nfast\n").unwrap();
    let (code, _, stderr) = book(folder.path(), &["import-gate", "bad.csv", "--launcher", "catapult"]);
    assert_eq!(code, 3);
    assert!(stderr.contains("nothing was taken from bad.csv: line 3: speed `fast` is not a number"), "{stderr}");
    let elsewhere = tempfile::tempdir().unwrap();
    assert_eq!(book(elsewhere.path(), &["list"]).0, 2);
    assert!(!elsewhere.path().join("shots.sqlite").exists(), "reading made a book");
}

#[test]
fn a_speed_beyond_launchers_is_asked_back() {
    let folder = tempfile::tempdir().unwrap();
    let (code, _, stderr) = book(folder.path(), &["add", "--launcher", "catapult", "400 m/s"]);
    assert_eq!(code, 2);
    assert!(stderr.contains("--confirm"), "{stderr}");
    assert_eq!(done(folder.path(), &["add", "--launcher", "catapult", "--confirm", "400 m/s"]), "shot 1 recorded\n");
}

#[test]
fn shots_enter_by_where_they_landed_and_are_judged_with_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let of = ["--launcher", "catapult", "--session", "open day", "--setting", "notch 3"];
    let tape = ["--angle", "45° ± 0.5°", "--height", "0 m"];
    // Level at 45°: v = √(9.81·1.60) = 3.962 m/s (OpenStax University Physics 1, section 4.3).
    let distances = ["1.60 m ± 1 cm", "1.61 m ± 1 cm", "1.59 m ± 1 cm hit", "1.60 m ± 1 cm"];
    done(folder.path(), &[&["land"], &of[..], &tape, &["--gravity", "9.81 m/s²"], &distances].concat());
    let shown = done(folder.path(), &["show", "1"]);
    assert!(shown.contains("3.9618") && shown.contains("landing"), "{shown}");
    let gate = ["--angle", "45", "4.06 m/s", "4.05 m/s", "4.07 m/s", "4.06 m/s"];
    done(folder.path(), &[&["add"], &of[..], &gate].concat());
    let told = done(folder.path(), &["drift"]);
    assert!(told.contains("two ways of measuring disagree") && told.contains("landing"), "{told}");
    let (code, _, stderr) = book(folder.path(), &[&["land"], &of[..], &tape, &["1.60"]].concat());
    assert_eq!(code, 2);
    assert!(stderr.contains("`1.60 m`"), "{stderr}");
}

#[test]
fn five_falling_shots_are_a_drift() {
    let folder = tempfile::tempdir().unwrap();
    let shots = ["4.00 m/s", "3.93 m/s", "3.86 m/s", "3.79 m/s", "3.72 m/s"];
    done(folder.path(), &[&["add", "--launcher", "catapult", "--session", "a"], &shots[..]].concat());
    let told = done(folder.path(), &["drift"]);
    assert!(told.starts_with("Drifting little by little") && !told.contains("scales"), "{told}");
}

#[test]
fn gate_and_video_are_compared_pair_by_pair() {
    let folder = with_readings();
    let (code, _, stderr) = book(folder.path(), &["compare", "--sources", "gate", "video"]);
    assert_eq!(code, 1, "{stderr}");
    let told = done(folder.path(), &["compare", "--sessions", "open day", "lesson"]);
    assert!(told.starts_with("They differ: open day is faster than lesson by 2."), "{told}");
}

#[test]
fn a_book_goes_out_and_in_again() {
    let folder = with_readings();
    for form in ["csv", "json"] {
        let (file, other) = (format!("out.{form}"), format!("{form}.sqlite"));
        assert_eq!(done(folder.path(), &["export", &file]), format!("16 shots written to {file}\n"));
        let import = || book_at(folder.path(), &other, &["import", &file]).1;
        assert_eq!(import(), "16 shots recorded: 1 to 16\n");
        assert_eq!(import(), "nothing new\n");
    }
}

#[test]
fn a_picture_is_drawn_or_refused() {
    let folder = with_readings();
    done(folder.path(), &["chart", "--output", "chart.svg"]);
    assert!(std::fs::read_to_string(folder.path().join("chart.svg")).unwrap().contains("<svg"));
    assert_eq!(book(folder.path(), &["chart", "--output", "chart.doc"]).0, 2);
    assert!(!folder.path().join("chart.doc").exists());
}
