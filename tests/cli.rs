//! The program as it is called: exit code, stdout, stderr, and the files it leaves.
//!
//! Clips are rendered and encoded once for all tests here.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use assert_cmd::Command;
use lobline::scene::{Truth, presets, record};
use lobline::units::PixelPoint;
use serde_json::Value;

/// The clips, in a folder of their own.
struct Clips {
    folder: PathBuf,
    lob: Truth,
}

impl Clips {
    fn path(&self, name: &str) -> String {
        self.folder.join(name).to_string_lossy().into_owned()
    }

    /// The batten's ends to the whole pixel, as `--scale` takes them.
    fn scale(&self) -> String {
        let end = |point: Option<PixelPoint>| point.map(|p| (p.x.round(), p.y.round())).unwrap();
        let scale = &self.lob.scales[0];
        let ((ax, ay), (bx, by)) = (end(scale.a_px), end(scale.b_px));
        format!("{ax},{ay} to {bx},{by} = {:.3} m", scale.length_m)
    }
}

/// Names of the clips: a lob, the same cut off, a wall where nothing flies, an empty file and a text.
const LOB: &str = "lob.mp4";
const CUT_OFF: &str = "cut-off.mp4";
const BARE_WALL: &str = "bare-wall.mp4";
const EMPTY: &str = "empty.mp4";
const TEXT: &str = "notes.mp4";

fn clips() -> &'static Clips {
    static CLIPS: OnceLock<Clips> = OnceLock::new();
    CLIPS.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("cli-clips");
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        let mut scene = presets::clean_60fps(5);
        scene.timing.frames = 75;
        let lob = record(&scene, &folder.join(LOB)).unwrap();
        let bytes = std::fs::read(folder.join(LOB)).unwrap();
        std::fs::write(folder.join(CUT_OFF), &bytes[..bytes.len() * 7 / 10]).unwrap();
        scene.launches.clear();
        scene.timing.frames = 20;
        record(&scene, &folder.join(BARE_WALL)).unwrap();
        std::fs::write(folder.join(EMPTY), b"").unwrap();
        std::fs::write(folder.join(TEXT), "what we filmed on the open day\n".repeat(200)).unwrap();
        Clips { folder, lob }
    })
}

/// What a call gave.
struct Transcript {
    code: i32,
    stdout: String,
    stderr: String,
}

fn call(arguments: &[&str]) -> Transcript {
    let output = Command::cargo_bin("lobline").unwrap().args(arguments).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let code = output.status.code().expect("the program ends by itself");
    Transcript { code, stdout: text(&output.stdout), stderr: text(&output.stderr) }
}

impl Transcript {
    /// Refused with `code`, nothing on stdout, `words` in the error, and a way out.
    fn is_refused(&self, code: i32, words: &[&str]) {
        assert_eq!(self.code, code, "{}", self.stderr);
        assert_eq!(self.stdout, "", "a result in spite of the error");
        assert!(self.stderr.starts_with("error: "), "{}", self.stderr);
        assert!(self.stderr.contains("\nhint: "), "no way out in: {}", self.stderr);
        assert!(!self.stderr.contains("panicked"), "{}", self.stderr);
        for word in words {
            assert!(self.stderr.contains(word), "`{word}` not in: {}", self.stderr);
        }
    }
}

#[test]
fn without_a_scale_it_says_how_to_give_one() {
    call(&["measure", &clips().path(LOB)]).is_refused(2, &["lob.mp4", "--scale"]);
}

#[test]
fn a_length_without_a_unit_is_refused_with_the_reason() {
    let scale = clips().scale();
    let bare = scale.trim_end_matches(" m");
    call(&["measure", &clips().path(LOB), "--scale", bare]).is_refused(2, &["--scale", "has no unit", "cm"]);
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let path = clips().path("not-there.mp4");
    call(&["measure", &path, "--scale", &clips().scale()]).is_refused(3, &["not-there.mp4", "check the spelling"]);
}

#[test]
fn an_empty_file_is_called_empty() {
    call(&["measure", &clips().path(EMPTY), "--scale", &clips().scale()]).is_refused(3, &["empty.mp4", "empty"]);
}

#[test]
fn a_text_named_as_a_video_is_called_no_video() {
    let transcript = call(&["measure", &clips().path(TEXT), "--scale", &clips().scale()]);
    transcript.is_refused(3, &["notes.mp4", "not a video"]);
}

#[test]
fn a_clip_without_a_flight_gives_no_number() {
    let transcript = call(&["measure", &clips().path(BARE_WALL), "--scale", &clips().scale()]);
    transcript.is_refused(1, &["bare-wall.mp4", "no flight found"]);
}

/// What is whole is used and the rest told, or the file is refused: never a result without a word about the loss.
#[test]
fn a_recording_that_was_cut_off_is_told() {
    let transcript = call(&["measure", &clips().path(CUT_OFF), "--scale", &clips().scale()]);
    match transcript.code {
        0 => assert!(transcript.stdout.contains("ends early"), "{}", transcript.stdout),
        1 | 3 => transcript.is_refused(transcript.code, &["cut-off.mp4"]),
        other => panic!("exit code {other}: {}", transcript.stderr),
    }
    println!("cut off at 70 %: exit code {}\n{}{}", transcript.code, transcript.stdout, transcript.stderr);
}

#[test]
fn a_lob_gives_speed_angle_and_gravity_with_their_intervals() {
    let transcript = call(&["measure", &clips().path(LOB), "--scale", &clips().scale()]);
    assert_eq!(transcript.code, 0, "{}", transcript.stderr);
    assert!(transcript.stdout.starts_with("lob.mp4: 1 flight\n"), "{}", transcript.stdout);
    for (name, unit) in [("launch speed", "m/s"), ("launch angle", "°"), ("gravity", "m/s²")] {
        let line = transcript.stdout.lines().find(|line| line.trim_start().starts_with(name));
        let line = line.unwrap_or_else(|| panic!("no {name} in {}", transcript.stdout));
        assert!(line.contains('±') && line.ends_with(unit), "{line}");
    }
    for part in ["sightings", "residual", "px", "mm", "Clock: ", "Scale: ", "95 % interval"] {
        assert!(transcript.stdout.contains(part), "no `{part}` in {}", transcript.stdout);
    }
    let longest = transcript.stdout.lines().map(|line| line.chars().count()).max();
    assert!(longest.unwrap() <= 80, "{}", transcript.stdout);
}

#[test]
fn one_bad_clip_stops_no_other() {
    let (bad, good) = (clips().path(TEXT), clips().path(LOB));
    let transcript = call(&["measure", &bad, &good, "--scale", &clips().scale()]);
    assert_eq!(transcript.code, 3, "{}", transcript.stderr);
    let lines: Vec<&str> = transcript.stdout.lines().collect();
    assert!(lines[0].starts_with(&format!("{bad}: not measured: ")), "{}", lines[0]);
    assert!(lines[1].starts_with(&good) && lines[1].contains("m/s²"), "{}", lines[1]);
    assert_eq!(lines[2], "");
    assert!(lines[3].starts_with("group") && lines[3].contains("g / (m/s²)"), "{}", lines[3]);
    assert!(lines[4].starts_with("notes") && lines[4].contains("not measured"), "{}", lines[4]);
    assert!(lines[5].starts_with("lob"), "{}", lines[5]);
    assert!(transcript.stderr.contains("1 of 2 clips could not be measured"), "{}", transcript.stderr);
}

/// The documented object: version, units in the keys, `null` for what isn't known.
#[test]
fn the_json_is_one_object_with_its_version() {
    let transcript = call(&["measure", &clips().path(LOB), "--scale", &clips().scale(), "--json"]);
    assert_eq!(transcript.code, 0, "{}", transcript.stderr);
    let document: Value = serde_json::from_str(&transcript.stdout).unwrap();
    assert_eq!(document["format_version"], 1);
    let flight = &document["flights"][0];
    for key in ["launch_speed_m_per_s", "launch_angle_deg", "gravity_m_per_s2"] {
        let estimate = &flight[key];
        assert!(estimate["value"].is_f64() && estimate["standard_uncertainty"].is_f64(), "{key}: {estimate}");
        assert!(estimate["expanded_uncertainty_95"].as_f64() > estimate["standard_uncertainty"].as_f64(), "{key}");
    }
    assert!(flight["verdict"]["summary"].is_string() && flight["forecast"].is_null());
    // Clean light, scale marked to a third of a pixel in 250: within a per cent of the scene's 9.81 m/s².
    let g = flight["gravity_m_per_s2"]["value"].as_f64().unwrap();
    assert!((g / 9.81 - 1.0).abs() < 0.01, "{g}");
    let both = call(&["measure", &clips().path(LOB), &clips().path(EMPTY), "--scale", &clips().scale(), "--json"]);
    assert_eq!(both.code, 3);
    let document: Value = serde_json::from_str(&both.stdout).unwrap();
    assert_eq!(document["format_version"], 1);
    assert!(document["clips"][0]["error"].is_null() && document["clips"][1]["measurement"].is_null());
}

/// What a folder of results must hold.
fn holds_results(folder: &Path) {
    let read = |name: &str| {
        std::fs::read(folder.join(name)).unwrap_or_else(|error| panic!("{}: {error}", folder.join(name).display()))
    };
    let document: Value = serde_json::from_slice(&read("measurement.json")).unwrap();
    let sightings = document["flights"][0]["sightings"].as_array().unwrap();
    let mut table = csv::Reader::from_reader(std::io::Cursor::new(read("sightings.csv")));
    let headers = table.headers().unwrap().iter().map(str::to_owned).collect::<Vec<_>>();
    for needed in ["frame", "time / s", "x / px", "y / px", "x / m", "y / m", "u(x) / m"] {
        assert!(headers.iter().any(|header| header == needed), "no {needed} in {headers:?}");
    }
    assert_eq!(table.records().map(Result::unwrap).count(), sightings.len());
    assert!(read("strobe.png").starts_with(b"\x89PNG\r\n\x1a\n"));
    let names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    let ending = |ending: &str| names.iter().filter_map(|name| name.strip_suffix(ending)).collect::<Vec<_>>();
    let (png, svg) = (ending(".png"), ending(".svg"));
    // x–t, y–t and the path, each as PNG and SVG.
    let graphs: Vec<&&str> = svg.iter().filter(|name| png.contains(name)).collect();
    assert!(graphs.len() >= 3, "{names:?}");
    for name in &graphs {
        assert!(read(&format!("{name}.png")).starts_with(b"\x89PNG\r\n\x1a\n"), "{name}");
        let drawing = String::from_utf8(read(&format!("{name}.svg"))).unwrap();
        assert!(drawing.contains("<svg") && drawing.trim_end().ends_with("</svg>"), "{name}");
    }
    assert!(names.iter().all(|name| !name.contains("tmp")), "half-written: {names:?}");
}

#[test]
fn the_folder_of_results_is_whole_and_quiet_is_quiet() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("results");
    let out_text = out.to_string_lossy();
    let transcript = call(&["measure", &clips().path(LOB), "--scale", &clips().scale(), "--out", &out_text, "--quiet"]);
    assert_eq!((transcript.code, transcript.stderr.as_str()), (0, ""));
    assert!(transcript.stdout.contains("gravity"));
    holds_results(&out);
}

#[test]
fn a_folder_that_cannot_be_made_is_told_before_anything_is_decoded() {
    let blocked = format!("{}/below", clips().path(TEXT));
    let transcript = call(&["measure", &clips().path(LOB), "--scale", &clips().scale(), "--out", &blocked]);
    transcript.is_refused(4, &["cannot make the folder", "--out"]);
}

/// The demo must go the whole way and agree with its own known truth.
#[test]
fn the_demo_agrees_with_its_truth() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("demo");
    let transcript = call(&["demo", "--out", &out.to_string_lossy(), "--quiet"]);
    assert_eq!((transcript.code, transcript.stderr.as_str()), (0, ""));
    let read = |name: &str| -> Value { serde_json::from_slice(&std::fs::read(out.join(name)).unwrap()).unwrap() };
    assert!(std::fs::metadata(out.join("catapult.mp4")).unwrap().len() > 10_000);
    assert!(out.join("rig.toml").is_file());
    holds_results(&out.join("results"));
    let (truth, measured) = (read("truth.json"), read("results/measurement.json"));
    assert_eq!(measured["flights"].as_array().unwrap().len(), 1);
    let pairs = [
        ("launch_speed_m_per_s", "speed_m_per_s"),
        ("launch_angle_deg", "angle_deg"),
        ("gravity_m_per_s2", "gravity_m_per_s2"),
    ];
    for (measured_key, true_key) in pairs {
        let estimate = &measured["flights"][0][measured_key];
        let truth = truth["flights"][0][true_key].as_f64().unwrap();
        let (value, u) = (estimate["value"].as_f64().unwrap(), estimate["expanded_uncertainty_95"].as_f64().unwrap());
        println!("{measured_key}: {value:.4} ± {u:.4}, true {truth:.4}");
        assert!((value - truth).abs() <= u, "{measured_key}: {value} ± {u}, true {truth}");
        // An interval that holds everything would prove nothing: 5 % of the value (a batten marked to the pixel gives 1 %).
        assert!(u < 0.05 * value.abs(), "{measured_key}: ± {u}");
    }
    assert!(!transcript.stdout.contains(" no "), "{}", transcript.stdout);
    assert_eq!(transcript.stdout.lines().filter(|line| line.ends_with(" yes")).count(), 3, "{}", transcript.stdout);
}

/// A folder with copies of the lob under these names, and the program called in it.
fn beside(names: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in names {
        std::fs::copy(clips().path(LOB), folder.path().join(name)).unwrap();
    }
    folder
}

fn call_in(folder: &Path, arguments: &[&str]) -> Transcript {
    let output = Command::cargo_bin("lobline").unwrap().current_dir(folder).args(arguments).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let code = output.status.code().expect("the program ends by itself");
    Transcript { code, stdout: text(&output.stdout), stderr: text(&output.stderr) }
}

fn names_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name());
    let mut names: Vec<String> = entries.map(|name| name.to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// Names that lead to the folder above, to the folder itself, and onto the table of the class.
#[test]
fn no_clip_s_name_leads_outside_its_folder() {
    let hostile = ["...mov", "..mov", "class.csv.mov"];
    let folder = beside(&hostile);
    let scale = clips().scale();
    let mut call = vec!["measure"];
    call.extend(hostile);
    call.extend(["--scale", &scale, "--out", "results", "--quiet"]);
    let transcript = call_in(folder.path(), &call);
    assert_eq!(transcript.code, 0, "{}", transcript.stderr);
    let mut expected = hostile.to_vec();
    expected.push("results");
    expected.sort_unstable();
    assert_eq!(names_in(folder.path()), expected);
    assert_eq!(names_in(&folder.path().join("results")), ["class.csv", "class.csv-2", "class.html", "clip", "clip-2"]);
    for name in ["clip", "clip-2", "class.csv-2"] {
        holds_results(&folder.path().join("results").join(name));
    }
}

#[test]
fn nothing_that_exists_is_replaced_unasked() {
    let folder = beside(&["shot.mp4", "other.mp4"]);
    let scale = clips().scale();
    let measure = |more: &[&str]| {
        call_in(folder.path(), &[&["measure", "shot.mp4", "--scale", &scale, "--quiet"], more].concat())
    };
    assert_eq!(measure(&["--out", "one"]).code, 0);
    let file = folder.path().join("one/sightings.csv");
    std::fs::write(&file, "with notes of my own").unwrap();
    measure(&["--out", "one"]).is_refused(2, &["sightings.csv", "there already", "--overwrite"]);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "with notes of my own");
    assert_eq!(measure(&["--out", "one", "--overwrite"]).code, 0);
    assert!(std::fs::read_to_string(&file).unwrap().contains("frame"));
    // Many clips: results of another rig are kept by `--resume` too, and what is gone on with isn't.
    assert_eq!(measure(&["other.mp4", "--out", "many"]).code, 0);
    measure(&["other.mp4", "--out", "many"]).is_refused(2, &["class.csv", "--overwrite"]);
    assert_eq!(measure(&["other.mp4", "--out", "many", "--resume"]).code, 0);
    std::fs::remove_file(folder.path().join("many/other/measurement.json")).unwrap();
    assert_eq!(measure(&["other.mp4", "--out", "many", "--resume"]).code, 0);
    holds_results(&folder.path().join("many/other"));
    let other_scale = scale.replace(" = ", " = 2");
    let again = ["measure", "shot.mp4", "other.mp4", "--scale", &other_scale, "--out", "many", "--resume"];
    let kept = call_in(folder.path(), &again);
    assert!(kept.code == 2 && kept.stdout.contains("--overwrite"), "{}", kept.stdout);
    // A place that nobody named gets a number, a named one is refused.
    assert_eq!(call_in(folder.path(), &["card"]).stdout.trim(), "scale-card.pdf");
    assert_eq!(call_in(folder.path(), &["card"]).stdout.trim(), "scale-card-2.pdf");
    call_in(folder.path(), &["card", "-o", "scale-card.pdf"]).is_refused(2, &["scale-card.pdf", "--overwrite"]);
    let refit = ["refit", "one/measurement.json", "--output", "one/measurement.json"];
    call_in(folder.path(), &refit).is_refused(2, &["there already"]);
}

/// The device that takes nothing, as a full disk does.
#[cfg(target_os = "linux")]
#[test]
fn a_result_that_was_not_written_is_no_success() {
    let folder = beside(&["shot.mp4"]);
    let scale = clips().scale();
    for arguments in [
        vec!["--help"],
        vec!["--version"],
        vec!["forecast", "--speed", "4 m/s", "--angle", "50 deg", "--height", "1 m"],
        vec!["solve", "--speed", "4 m/s", "--angle", "50 deg", "--json"],
        vec!["rig", "shot.mp4"],
        vec!["measure", "shot.mp4", "--scale", &scale, "--json"],
        vec!["measure", "shot.mp4", "--scale", &scale],
    ] {
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let child = std::process::Command::new(env!("CARGO_BIN_EXE_lobline"))
            .args(&arguments)
            .current_dir(folder.path())
            .stdout(full)
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let output = child.wait_with_output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(4), "{arguments:?}: {told}");
        assert!(told.contains("could not be printed") && told.contains("hint: "), "{told}");
    }
    // Whoever closes the pipe has had enough.
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_lobline"))
        .args(["--help"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn names_can_t_steer_the_terminal_or_break_a_table() {
    let name = "shot\u{1b}[2J\u{1b}[31m.mp4";
    let folder = beside(&[name, "other.mp4"]);
    let scale = clips().scale();
    let transcript = call_in(folder.path(), &["measure", name, "absent\u{9b}.mp4", "--scale", &scale]);
    for text in [&transcript.stdout, &transcript.stderr] {
        assert!(!text.contains(['\u{1b}', '\u{9b}']), "{text:?}");
    }
    assert!(transcript.stdout.contains("shot\\u001b[2J"), "{}", transcript.stdout);
    // A group's name as long as no table is wide is told before anything is measured.
    std::fs::write(folder.path().join("groups.csv"), format!("clip,group\nother.mp4,{}\n", "x".repeat(65_536)))
        .unwrap();
    let long = ["measure", name, "other.mp4", "--scale", &scale, "--groups", "groups.csv"];
    call_in(folder.path(), &long).is_refused(3, &["groups", "65536 letters"]);
}

#[cfg(unix)]
#[test]
fn pipes_and_devices_are_neither_waited_for_nor_read_to_their_end() {
    let folder = beside(&["shot.mp4"]);
    let pipe = folder.path().join("pipe.mp4");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let scale = clips().scale();
    let measure = |more: &[&str]| call_in(folder.path(), &[&["measure", "--scale", &scale], more].concat());
    measure(&["pipe.mp4"]).is_refused(3, &["pipe.mp4", "not a plain file"]);
    measure(&["shot.mp4", "--rig", "pipe.mp4"]).is_refused(2, &["pipe.mp4", "not a plain file"]);
    measure(&["shot.mp4", "--rig", "/dev/zero"]).is_refused(2, &["/dev/zero"]);
    measure(&["shot.mp4", "--mend", "/dev/zero"]).is_refused(2, &["/dev/zero"]);
    measure(&["shot.mp4", "shot.mp4", "--groups", "/dev/zero"]).is_refused(3, &["/dev/zero"]);
    call_in(folder.path(), &["refit", "/dev/zero"]).is_refused(3, &["/dev/zero"]);
    let book = ["book", "--book", "book.sqlite", "import", "pipe.csv"];
    std::fs::rename(&pipe, folder.path().join("pipe.csv")).unwrap();
    let refused = call_in(folder.path(), &book);
    assert!(refused.code == 3 && refused.stderr.contains("plain file"), "{}", refused.stderr);
}

#[test]
fn what_would_fill_the_memory_is_refused_with_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    // A GIF of 16 000² pixels in 40 bytes (GIF89a specification: head, screen, one image of one colour).
    let side = 16_000_u16.to_le_bytes();
    let screen = [&b"GIF89a"[..], &side, &side, &[0x80, 0, 0, 0, 0, 0, 255, 255, 255]].concat();
    let image = [&[0x2c, 0, 0, 0, 0][..], &side, &side, &[0, 2, 2, 0x44, 1, 0, 0x3b]].concat();
    std::fs::write(folder.path().join("huge.gif"), [screen, image].concat()).unwrap();
    let measure = ["measure", "huge.gif", "--scale", "1,1 to 9,1 = 1 m"];
    call_in(folder.path(), &measure).is_refused(3, &["16000×16000", "larger than any camera's"]);
    call_in(folder.path(), &["card", "--first", "18446744073709551615"]).is_refused(2, &["card"]);
    assert_eq!(names_in(folder.path()), ["huge.gif"], "no empty sheet");
}

/// Out of file handles before anything could start.
#[cfg(target_os = "linux")]
#[test]
fn a_server_without_file_handles_says_so() {
    let folder = tempfile::tempdir().unwrap();
    for handles in [4, 6, 8, 10] {
        let shell = format!("ulimit -n {handles}; exec \"$0\" serve --no-open --folder \"$1\"");
        let program = env!("CARGO_BIN_EXE_lobline");
        let mut child = std::process::Command::new("sh")
            .args(["-c", &shell, program])
            .arg(folder.path().join("room"))
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        std::thread::sleep(std::time::Duration::from_millis(1500));
        // With a few more it may run.
        let _ = child.kill();
        let output = child.wait_with_output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!told.contains("panicked"), "{handles}: {told}");
        assert!(output.status.code().is_none_or(|code| code == 4), "{handles}: {:?} {told}", output.status);
    }
}
