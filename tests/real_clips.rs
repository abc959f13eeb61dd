//! Recordings made by others, each with the facts that a reader must get out of it.
//!
//! They lie beside the project, not in it; where they are absent the test says so and passes.

use std::path::{Path, PathBuf};

use lobline::clip::{self, ClipInfo, ClipReport, Clock, Finding, ReadOptions};
use toml::{Table, Value};

/// What one clip gave: the facts the manifest speaks of, and how long its pictures were.
struct Seen {
    info: ClipInfo,
    report: ClipReport,
    stamps_s: Vec<Option<f64>>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips/real")
}

fn manifest() -> Option<Vec<Table>> {
    let path = folder().join("MANIFEST.toml");
    let Ok(text) = std::fs::read_to_string(&path) else {
        eprintln!("skipped: no recordings at {}", path.display());
        return None;
    };
    let table: Table = text.parse().unwrap();
    Some(table["clip"].as_array().unwrap().iter().map(|clip| clip.as_table().unwrap().clone()).collect())
}

fn read(path: &Path) -> Seen {
    let mut source = clip::open(path, &ReadOptions::default()).unwrap();
    let info = source.info().clone();
    let mut stamps_s = Vec::new();
    while let Some(frame) = source.next_frame().unwrap() {
        assert_eq!(frame.index, stamps_s.len());
        assert_eq!((frame.picture.width(), frame.picture.height()), (info.width, info.height));
        let (width, height) = (info.width.div_ceil(2), info.height.div_ceil(2));
        assert_eq!((frame.picture.cb.width, frame.picture.cb.height), (width, height));
        assert_eq!(frame.picture.cr.samples.len(), width * height);
        stamps_s.push(frame.stamp_s);
        source.recycle(frame.picture);
    }
    Seen { info, report: source.report(), stamps_s }
}

fn integer(expected: &Table, key: &str) -> Option<i64> {
    expected.get(key).and_then(Value::as_integer)
}

fn float(expected: &Table, key: &str) -> f64 {
    expected[key].as_float().unwrap()
}

fn check(file: &str, expected: &Table, seen: &Seen) {
    let size = |square: &str, plain: &str| integer(expected, square).or_else(|| integer(expected, plain)).unwrap();
    let width = size("displayed_width_square_pixels", "displayed_width");
    let height = size("displayed_height_square_pixels", "displayed_height");
    assert_eq!((seen.info.width as i64, seen.info.height as i64), (width, height), "{file}: size");
    assert_eq!(seen.info.codec, expected["codec"].as_str().unwrap(), "{file}: codec");
    assert_eq!(seen.info.container, expected["container"].as_str().unwrap(), "{file}: container");
    assert_eq!(seen.info.mirrored, expected["mirrored"].as_bool().unwrap(), "{file}: mirrored");
    assert_eq!(Some(seen.stamps_s.len() as i64), integer(expected, "frames_decoded"), "{file}: frames");
    assert_eq!(seen.report.frames, seen.stamps_s.len(), "{file}: frames reported");
    let without = seen.stamps_s.iter().filter(|stamp| stamp.is_none()).count();
    assert_eq!(Some(without as i64), integer(expected, "frames_without_time"), "{file}: frames without time");
    check_times(file, expected, &seen.stamps_s);
    check_colour(file, expected, &seen.info);
    check_turn(file, expected, &seen.info);
    let tag = expected["tags"].get("com.android.capture.fps").map(|tag| tag.as_str().unwrap().parse::<f64>().unwrap());
    assert_eq!(seen.info.capture_rate_tag_hz, tag, "{file}: capture rate");
    assert!(!seen.report.truncated, "{file}: taken for cut off");
    assert_eq!(seen.report.fingerprint.as_ref().map(String::len), Some(16), "{file}: fingerprint");
}

fn check_times(file: &str, expected: &Table, stamps_s: &[Option<f64>]) {
    // The manifest gives six decimals.
    let close = |got: f64, wanted: f64, what: &str| assert!((got - wanted).abs() < 1e-6, "{file}: {what} {got}");
    let stamps_s: Vec<f64> = stamps_s.iter().flatten().copied().collect();
    close(stamps_s[0], float(expected, "first_pts_s"), "first stamp");
    close(stamps_s[stamps_s.len() - 1], float(expected, "last_pts_s"), "last stamp");
    let steps: Vec<f64> = stamps_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    // The differences of stamps that the manifest rounded one by one.
    let near = |got: f64, wanted: f64, what: &str| assert!((got - wanted).abs() < 2.1e-6, "{file}: {what} {got}");
    near(steps.iter().copied().fold(f64::INFINITY, f64::min), float(expected, "min_interval_s"), "shortest step");
    near(steps.iter().copied().fold(0.0, f64::max), float(expected, "max_interval_s"), "longest step");
}

fn check_colour(file: &str, expected: &Table, info: &ClipInfo) {
    let depth = if expected["pixel_format"].as_str().unwrap().contains("10") { 10 } else { 8 };
    assert_eq!(info.bit_depth, depth, "{file}: bit depth");
    let range = if expected["color_transfer"].as_str() == Some("arib-std-b67") { "HLG" } else { "SDR" };
    assert_eq!(info.dynamic_range, range, "{file}: dynamic range");
}

fn check_turn(file: &str, expected: &Table, info: &ClipInfo) {
    let rotation = integer(expected, "rotation_side_data").unwrap();
    // The side data count anticlockwise degrees.
    let turns = (-rotation / 90).rem_euclid(4);
    assert_eq!(i64::from(info.quarter_turns), turns, "{file}: quarter turns");
    assert_eq!(info.rows_along_y, turns % 2 == 0, "{file}: direction of rows");
}

#[test]
fn every_recording_gives_the_facts_of_the_manifest() {
    let Some(clips) = manifest() else { return };
    assert!(!clips.is_empty());
    for clip in clips {
        let file = clip["file"].as_str().unwrap();
        let expected = clip["expected"].as_table().unwrap();
        assert_eq!(expected["opens"].as_bool(), Some(true), "{file}");
        check(file, expected, &read(&folder().join(file)));
    }
}

#[test]
fn a_damaged_packet_is_passed_over_and_counted() {
    let Some(_) = manifest() else { return };
    let seen = read(&folder().join("decord-corrupted.mp4"));
    assert!(seen.report.decode_errors + seen.report.damaged_frames > 0, "{:?}", seen.report);
}

#[test]
fn the_slow_pieces_of_a_trailing_block_are_found() {
    let Some(_) = manifest() else { return };
    let seen = read(&folder().join("media3-sample_sef_slow_motion.mp4"));
    let pieces: Vec<_> = seen.report.slow_segments.iter().map(|one| (one.from_s, one.to_s, one.factor)).collect();
    assert_eq!(pieces, [(0.088, 0.879, 2.0), (1.255, 1.970, 8.0)]);
}

#[test]
fn a_colour_chart_in_high_dynamic_range_keeps_grey_neutral_and_colours_apart() {
    let Some(_) = manifest() else { return };
    let mut source = clip::open(&folder().join("media3-hlg10-color-test.mp4"), &ReadOptions::default()).unwrap();
    let picture = source.next_frame().unwrap().unwrap().picture;
    let spread = |samples: &[u8]| {
        let mut sorted = samples.to_vec();
        sorted.sort_unstable();
        f64::from(sorted[sorted.len() * 99 / 100]) - f64::from(sorted[sorted.len() / 100])
    };
    // A chart of 24 patches fills the frame: saturated ones lie far on both sides of grey, black and white far apart.
    assert!(spread(&picture.luma.samples) > 120.0, "luma {}", spread(&picture.luma.samples));
    assert!(spread(&picture.cb.samples) > 60.0, "cb {}", spread(&picture.cb.samples));
    assert!(spread(&picture.cr.samples) > 60.0, "cr {}", spread(&picture.cr.samples));
}

fn clock(file: &str) -> Clock {
    let seen = read(&folder().join(file));
    Clock::build(&seen.stamps_s, &seen.info, &seen.report, None).unwrap()
}

#[test]
fn slow_motion_of_phones_is_brought_to_true_time() {
    let Some(_) = manifest() else { return };
    let cut = clock("media3-sample_android_slow_motion.mp4");
    // Stamps in 1/90000 s over a handful of 1/30 s steps: a third of a tick in 3000.
    assert!((cut.slow_factor - 8.0).abs() < 2e-3, "{}", cut.slow_factor);
    assert!(cut.findings.iter().any(|f| matches!(f, Finding::Gap { gap_s, .. } if (gap_s - 0.325).abs() < 1e-3)));
    let pieces = clock("media3-sample_sef_slow_motion.mp4");
    assert!((pieces.slow_factor - 8.0).abs() < 2e-3, "{}", pieces.slow_factor);
    assert!(pieces.findings.contains(&Finding::MakersPieces { count: 2 }));
    let real_time = clock("media3-h265_with_metadata_track.mp4");
    assert_eq!((real_time.slow_factor, real_time.findings.len()), (1.0, 0));
}

#[test]
fn lost_frames_and_rounded_stamps_of_phones_are_told() {
    let Some(_) = manifest() else { return };
    let damaged = clock("decord-corrupted.mp4");
    assert!(damaged.findings.iter().any(|f| matches!(f, Finding::Gap { frames_missing: 1, .. })));
    let photo = clock("media3-pixel-motion-photo-2-hevc-tracks.mp4");
    assert!(photo.findings.iter().any(|f| matches!(f, Finding::Gap { .. })));
    // 41 steps of 33.3 ms and then 41.7 ms, with one gap: the light was poor.
    assert!(photo.findings.iter().any(|f| matches!(f, Finding::StepChange { .. })), "{:?}", photo.findings);
    assert!((photo.frame_rate_hz - 30.0).abs() < 0.3, "{}", photo.frame_rate_hz);
    let milliseconds = clock("flow3d-ball.mp4");
    assert!(milliseconds.findings.iter().any(|f| matches!(f, Finding::RoundedStamps { .. })), "{milliseconds:?}");
    // The manifest's mean interval: 1.267 s over 38 steps.
    assert!((milliseconds.frame_rate_hz - 29.99).abs() < 0.05, "{}", milliseconds.frame_rate_hz);
}

/// Rendered recordings with the truth beside them.
fn truths() -> Vec<(PathBuf, serde_json::Value)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips/range");
    let Ok(entries) = std::fs::read_dir(&folder) else {
        eprintln!("skipped: no recordings at {}", folder.display());
        return Vec::new();
    };
    let mut clips: Vec<PathBuf> = entries
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "mp4" || ending == "mov"))
        .collect();
    clips.sort();
    let truth = |clip: &Path| {
        let text = std::fs::read_to_string(clip.with_extension("truth.json")).unwrap();
        serde_json::from_str(&text).unwrap()
    };
    clips.iter().map(|clip| (clip.clone(), truth(clip))).collect()
}

#[test]
fn rendered_recordings_give_their_true_times() {
    for (path, truth) in truths() {
        let seen = read(&path);
        let number = |value: &serde_json::Value, key: &str| value[key].as_f64().unwrap();
        let frames = truth["frames"].as_array().unwrap();
        assert_eq!(seen.stamps_s.len(), frames.len(), "{}", path.display());
        assert_eq!(seen.info.width as f64, number(&truth, "width"), "{}", path.display());
        assert_eq!(seen.info.height as f64, number(&truth, "height"), "{}", path.display());
        let clock = Clock::build(&seen.stamps_s, &seen.info, &seen.report, None).unwrap();
        let factor = number(&truth["time"], "slow_factor");
        assert!((clock.slow_factor - factor).abs() < 1e-4 * factor, "{}: {}", path.display(), clock.slow_factor);
        for (i, frame) in frames.iter().enumerate() {
            let stamp_s = seen.stamps_s[i].unwrap();
            assert!((stamp_s - number(frame, "pts")).abs() < 1e-6, "{} frame {i}", path.display());
            let true_s = number(frame, "t0") - number(&frames[0], "t0");
            // The recordings' stamps jitter by up to a millisecond about the truth where frames were dropped.
            assert!((clock.times_s[i] - true_s).abs() < 1.1e-3, "{} frame {i}: {}", path.display(), clock.times_s[i]);
        }
    }
}
