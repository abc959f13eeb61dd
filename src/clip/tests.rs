//! The way through a real encoder and back: what is pushed into a clip must come out of it.

use std::fs;
use std::path::{Path, PathBuf};

use super::*;

/// A picture whose four corners differ, with soft edges that every codec keeps.
fn picture(width: usize, height: usize, step: usize) -> Picture {
    let plane = |width: usize, height: usize, levels: [f64; 4]| Plane {
        width,
        height,
        samples: (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64 / width as f64, (i / width) as f64 / height as f64);
                let top = levels[0] * (1.0 - x) + levels[1] * x;
                let bottom = levels[2] * (1.0 - x) + levels[3] * x;
                (top * (1.0 - y) + bottom * y) as u8
            })
            .collect(),
    };
    let level = 30.0 + 4.0 * step as f64;
    Picture {
        luma: plane(width, height, [level, 230.0, 120.0, 170.0]),
        cb: plane(width.div_ceil(2), height.div_ceil(2), [60.0, 128.0, 128.0, 190.0]),
        cr: plane(width.div_ceil(2), height.div_ceil(2), [128.0, 190.0, 60.0, 128.0]),
        matrix: ColourMatrix::Bt709,
        transfer: Transfer::Bt709,
    }
}

fn mean_difference(a: &Plane, b: &Plane) -> f64 {
    assert_eq!((a.width, a.height), (b.width, b.height));
    let total: u64 = a.samples.iter().zip(&b.samples).map(|(a, b)| u64::from(a.abs_diff(*b))).sum();
    total as f64 / a.samples.len() as f64
}

fn write(path: &Path, options: &WriteOptions, pictures: &[Picture], stamps_s: &[f64]) {
    let mut writer = ClipWriter::create(path, options).unwrap();
    for (picture, &stamp_s) in pictures.iter().zip(stamps_s) {
        writer.push(picture, stamp_s).unwrap();
    }
    writer.finish().unwrap();
}

fn read(path: &Path) -> (ClipInfo, Vec<Frame>, ClipReport) {
    let mut source = open(path, &ReadOptions::default()).unwrap();
    let mut frames = Vec::new();
    while let Some(frame) = source.next_frame().unwrap() {
        frames.push(frame);
    }
    (source.info().clone(), frames, source.report())
}

fn pictures(width: usize, height: usize, count: usize) -> Vec<Picture> {
    (0..count).map(|step| picture(width, height, step)).collect()
}

fn steps(count: usize, rate_hz: f64) -> Vec<f64> {
    (0..count).map(|i| i as f64 / rate_hz).collect()
}

fn folder() -> (tempfile::TempDir, impl Fn(&str) -> PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_owned();
    (folder, move |name| path.join(name))
}

/// One tick of the encoder's clock; a stamp that is a whole number of ticks must come back to rounding error.
const TICK_S: f64 = 1.0 / 90_000.0;

fn assert_stamps(frames: &[Frame], stamps_s: &[f64], within_s: f64) {
    assert_eq!(frames.len(), stamps_s.len());
    for (frame, stamp_s) in frames.iter().zip(stamps_s) {
        let got = frame.stamp_s.unwrap();
        assert!((got - stamp_s).abs() <= within_s, "frame {}: {got} s for {stamp_s} s", frame.index);
    }
}

#[test]
fn all_eight_orientations_come_back_as_displayed() {
    let (_keep, file) = folder();
    for (turns, mirrored) in (0..4).flat_map(|turns| [(turns, false), (turns, true)]) {
        let path = file(&format!("turned-{turns}-{mirrored}.mp4"));
        let options = WriteOptions { quarter_turns: turns, mirrored, ..WriteOptions::default() };
        let shown = pictures(96, 64, 3);
        write(&path, &options, &shown, &steps(3, 30.0));
        let (info, frames, _) = read(&path);
        assert_eq!((info.width, info.height), (96, 64));
        assert_eq!((info.quarter_turns, info.mirrored), (turns, mirrored));
        assert_eq!(info.rows_along_y, turns % 2 == 0);
        for (frame, shown) in frames.iter().zip(&shown) {
            // A wrong orientation differs by tens of levels; a good encoding of so smooth a picture by about one.
            for (got, wanted) in
                [(&frame.picture.luma, &shown.luma), (&frame.picture.cb, &shown.cb), (&frame.picture.cr, &shown.cr)]
            {
                assert!(mean_difference(got, wanted) < 2.0, "{turns} {mirrored}");
            }
        }
    }
}

#[test]
fn uneven_stamps_and_reordered_frames_come_back_to_the_tick() {
    let (_keep, file) = folder();
    let ticks = [0, 3003, 6006, 6100, 15_015, 15_016, 18_018, 40_000, 43_003, 46_006, 46_907, 50_000];
    let stamps_s: Vec<f64> = ticks.iter().map(|&tick| f64::from(tick) * TICK_S).collect();
    let options = WriteOptions { b_frames: 3, ..WriteOptions::default() };
    let shown = pictures(64, 48, ticks.len());
    write(&file("uneven.mp4"), &options, &shown, &stamps_s);
    let (_, frames, report) = read(&file("uneven.mp4"));
    assert_stamps(&frames, &stamps_s, 1e-9);
    for (i, (frame, shown)) in frames.iter().zip(&shown).enumerate() {
        assert_eq!(frame.index, i);
        // Pictures of neighbouring steps differ by one level on average, so order shows in the corner's level of 4.
        assert!(frame.picture.luma.samples[0].abs_diff(shown.luma.samples[0]) <= 2, "frame {i}");
    }
    assert_eq!((report.frames, report.decode_errors, report.truncated), (ticks.len(), 0, false));
}

#[test]
fn the_start_offset_is_kept() {
    let (_keep, file) = folder();
    for offset_s in [10.0, 0.031] {
        let options = WriteOptions { start_offset_s: offset_s, ..WriteOptions::default() };
        write(&file("late.mp4"), &options, &pictures(64, 48, 6), &steps(6, 30.0));
        let (_, frames, _) = read(&file("late.mp4"));
        let wanted: Vec<f64> = steps(6, 30.0).iter().map(|stamp| stamp + offset_s).collect();
        assert_stamps(&frames, &wanted, 1e-9);
    }
}

#[test]
fn the_capture_rate_tag_comes_back() {
    let (_keep, file) = folder();
    for name in ["tag.mp4", "tag.mov"] {
        let options = WriteOptions { capture_rate_hz: Some(239.76), ..WriteOptions::default() };
        write(&file(name), &options, &pictures(64, 48, 3), &steps(3, 30.0));
        assert_eq!(read(&file(name)).0.capture_rate_tag_hz, Some(239.76), "{name}");
    }
    write(&file("none.mp4"), &WriteOptions::default(), &pictures(64, 48, 3), &steps(3, 30.0));
    assert_eq!(read(&file("none.mp4")).0.capture_rate_tag_hz, None);
}

#[test]
fn limited_and_full_range_show_the_same_picture() {
    let (_keep, file) = folder();
    for full_range in [false, true] {
        let options = WriteOptions { full_range, quality: 4, ..WriteOptions::default() };
        let flat = |level: u8| {
            let mut picture = picture(64, 48, 0);
            picture.luma.samples.fill(level);
            picture
        };
        let shown = [flat(0), flat(128), flat(255)];
        write(&file("range.mp4"), &options, &shown, &steps(3, 30.0));
        for (frame, shown) in read(&file("range.mp4")).1.iter().zip(&shown) {
            // One level for the range, one for the encoder; black and white taken for the other range would be 16 off.
            assert!(mean_difference(&frame.picture.luma, &shown.luma) <= 2.0, "{full_range}");
            assert!(mean_difference(&frame.picture.cb, &shown.cb) <= 2.0, "{full_range}");
        }
    }
}

#[test]
fn odd_sizes_come_through_codecs_that_hold_them() {
    let (_keep, file) = folder();
    for (codec, name) in [(Codec::Vp9, "odd.webm"), (Codec::Mpeg4, "odd.mp4"), (Codec::Mjpeg, "odd.avi")] {
        let options = WriteOptions { codec, quality: 3, b_frames: 0, ..WriteOptions::default() };
        let shown = pictures(161, 121, 4);
        write(&file(name), &options, &shown, &steps(4, 25.0));
        let (info, frames, _) = read(&file(name));
        assert_eq!((info.width, info.height), (161, 121), "{name}");
        assert_eq!((frames[0].picture.cb.width, frames[0].picture.cb.height), (81, 61), "{name}");
        assert_stamps(&frames, &steps(4, 25.0), 1e-9);
        assert!(mean_difference(&frames[3].picture.luma, &shown[3].luma) < 2.0, "{name}");
    }
    let mut writer = ClipWriter::create(&file("odd-h264.mp4"), &WriteOptions::default()).unwrap();
    let refused = writer.push(&picture(161, 121, 0), 0.0).unwrap_err();
    assert!(matches!(refused, ClipError::OddSize { width: 161, height: 121, .. }));
}

#[test]
fn hevc_and_mkv_come_back_too() {
    let (_keep, file) = folder();
    let options = WriteOptions { codec: Codec::Hevc, ..WriteOptions::default() };
    write(&file("h.mov"), &options, &pictures(64, 64, 5), &steps(5, 60.0));
    let (info, frames, _) = read(&file("h.mov"));
    assert_eq!(info.codec, "hevc");
    assert_stamps(&frames, &steps(5, 60.0), 1e-9);
    write(&file("m.mkv"), &WriteOptions::default(), &pictures(64, 64, 5), &steps(5, 60.0));
    // Matroska counts in milliseconds here.
    assert_stamps(&read(&file("m.mkv")).1, &steps(5, 60.0), 0.5e-3 + 1e-9);
}

#[test]
fn pixels_that_are_not_square_are_made_so() {
    let (_keep, file) = folder();
    let options = WriteOptions { pixel_aspect: (1137, 800), ..WriteOptions::default() };
    write(&file("wide.mp4"), &options, &pictures(160, 64, 2), &steps(2, 30.0));
    let (info, frames, _) = read(&file("wide.mp4"));
    assert_eq!((info.width, info.height, info.pixel_aspect_applied), (227, 64, true));
    // The same gradient, sampled more finely: the far corners keep their levels.
    let luma = &frames[0].picture.luma;
    assert!(luma.samples[0].abs_diff(30) <= 3 && luma.samples[226].abs_diff(229) <= 3);
    assert_eq!(frames[0].picture.cb.width, 114);
}

#[test]
fn the_same_pictures_give_the_same_bytes() {
    let (_keep, file) = folder();
    for name in ["a.mp4", "b.mp4"] {
        write(&file(name), &WriteOptions::default(), &pictures(64, 48, 8), &steps(8, 30.0));
    }
    assert_eq!(fs::read(file("a.mp4")).unwrap(), fs::read(file("b.mp4")).unwrap());
    assert_eq!(read(&file("a.mp4")).2.fingerprint, read(&file("b.mp4")).2.fingerprint);
}

#[test]
fn a_time_window_keeps_numbers_and_stamps_of_the_whole_clip() {
    let (_keep, file) = folder();
    let options = WriteOptions { start_offset_s: 2.0, ..WriteOptions::default() };
    write(&file("w.mp4"), &options, &pictures(64, 48, 10), &steps(10, 10.0));
    let window = ReadOptions { window_s: Some((0.25, 0.55)), ..ReadOptions::default() };
    let mut source = open(&file("w.mp4"), &window).unwrap();
    let mut seen = Vec::new();
    while let Some(frame) = source.next_frame().unwrap() {
        seen.push((frame.index, (frame.stamp_s.unwrap() * 10.0).round() as usize));
    }
    assert_eq!(seen, [(3, 23), (4, 24), (5, 25)]);
    let backwards = ReadOptions { window_s: Some((2.0, 1.0)), ..ReadOptions::default() };
    assert!(matches!(open(&file("w.mp4"), &backwards), Err(ClipError::BadWindow { .. })));
}

#[test]
fn a_cut_clip_gives_its_whole_frames_and_says_so() {
    let (_keep, file) = folder();
    for (codec, ending) in [(Codec::H264, "mp4"), (Codec::H264, "mkv"), (Codec::Vp9, "webm"), (Codec::Mjpeg, "avi")] {
        let (whole, cut) = (file(&format!("whole.{ending}")), file(&format!("cut.{ending}")));
        let options = WriteOptions { codec, ..WriteOptions::default() };
        write(&whole, &options, &pictures(320, 240, 40), &steps(40, 30.0));
        assert!(!read(&whole).2.truncated, "{ending}");
        let bytes = fs::read(&whole).unwrap();
        fs::write(&cut, &bytes[..bytes.len() * 3 / 4]).unwrap();
        let (_, frames, report) = read(&cut);
        assert!(report.truncated, "{ending}");
        assert!((5..40).contains(&frames.len()), "{ending}: {} frames", frames.len());
        assert_eq!(report.frames, frames.len());
        for (frame, shown) in frames.iter().zip(pictures(320, 240, 40)) {
            assert!(mean_difference(&frame.picture.luma, &shown.luma) < 3.0, "{ending}: frame {} is torn", frame.index);
        }
    }
}

#[test]
fn a_clip_cut_before_its_contents_is_refused_with_that_reason() {
    let (_keep, file) = folder();
    let options = WriteOptions { contents_first: false, ..WriteOptions::default() };
    write(&file("whole.mp4"), &options, &pictures(320, 240, 20), &steps(20, 30.0));
    let bytes = fs::read(file("whole.mp4")).unwrap();
    fs::write(file("cut.mp4"), &bytes[..bytes.len() / 2]).unwrap();
    let error = open(&file("cut.mp4"), &ReadOptions::default()).err().unwrap();
    assert!(matches!(error, ClipError::TableOfContentsMissing(_)), "{error}");
}

#[test]
fn a_damaged_clip_is_read_to_its_end_and_the_errors_are_counted() {
    let (_keep, file) = folder();
    for codec in [Codec::H264, Codec::Hevc] {
        let options = WriteOptions { codec, ..WriteOptions::default() };
        write(&file("good.mp4"), &options, &pictures(320, 240, 40), &steps(40, 30.0));
        let mut bytes = fs::read(file("good.mp4")).unwrap();
        let middle = bytes.len() * 6 / 10;
        // Several pictures: a few bytes inside of one may still decode to something, and then no one can tell.
        bytes[middle..middle + 900].fill(0xff);
        fs::write(file("bad.mp4"), &bytes).unwrap();
        let (_, _, report) = read(&file("good.mp4"));
        assert_eq!((report.decode_errors, report.damaged_frames), (0, 0), "{report:?}");
        let counts: Vec<usize> = (0..8)
            .map(|_| {
                let (_, frames, report) = read(&file("bad.mp4"));
                assert!(frames.len() >= 30, "{codec:?}: {}", frames.len());
                report.decode_errors
            })
            .collect();
        println!("{codec:?}: {counts:?}");
        // However many threads decode, and whichever is first.
        assert!(counts[0] > 0 && counts.iter().all(|count| *count == counts[0]), "{codec:?}: {counts:?}");
    }
}

/// What others have recorded is whole, but for the one whose name says otherwise.
#[test]
fn whole_recordings_are_not_called_damaged() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips/real");
    let Ok(entries) = fs::read_dir(&folder) else {
        eprintln!("skipped: no recordings at {}", folder.display());
        return;
    };
    for path in entries.map(|entry| entry.unwrap().path()) {
        let Ok(mut source) = open(&path, &ReadOptions::default()) else { continue };
        while source.next_frame().unwrap().is_some() {}
        let report = source.report();
        println!("{}: {} errors, {} damaged", path.display(), report.decode_errors, report.damaged_frames);
        let damaged = path.to_str().unwrap().contains("corrupted");
        assert_eq!(report.decode_errors > 0, damaged, "{}: {report:?}", path.display());
    }
}

#[test]
fn what_is_no_clip_is_refused_with_reason_and_next_step() {
    let (_keep, file) = folder();
    fs::write(file("empty.mp4"), b"").unwrap();
    let noise: Vec<u8> = (0..20_000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    fs::write(file("noise.mp4"), &noise).unwrap();
    fs::write(file("text.txt"), "the catapult stood three metres from the bucket\n".repeat(50)).unwrap();
    let refused = |name: &str| open(&file(name), &ReadOptions::default()).err().unwrap();
    assert!(matches!(refused("empty.mp4"), ClipError::Empty(_)));
    assert!(matches!(refused("noise.mp4"), ClipError::NotAVideo(_)));
    assert!(matches!(refused("missing.mp4"), ClipError::NotReadable { .. }));
    for name in ["empty.mp4", "noise.mp4", "missing.mp4", "text.txt"] {
        let error = refused(name);
        assert!(error.hint().is_some() && error.to_string().contains(name), "{error}");
    }
}

#[test]
fn nothing_half_written_is_left_behind() {
    let (keep, file) = folder();
    let mut writer = ClipWriter::create(&file("left.mp4"), &WriteOptions::default()).unwrap();
    writer.push(&picture(64, 48, 0), 0.0).unwrap();
    assert!(matches!(writer.push(&picture(64, 48, 0), 0.0), Err(ClipError::StampsNotRising { .. })));
    assert!(matches!(writer.push(&picture(80, 48, 0), 1.0), Err(ClipError::SizesDiffer { .. })));
    drop(writer);
    let unused = ClipWriter::create(&file("unused.mp4"), &WriteOptions::default()).unwrap();
    assert!(matches!(unused.finish(), Err(ClipError::NothingWritten(_))));
    assert_eq!(fs::read_dir(keep.path()).unwrap().count(), 0);
    let create = |name: &str, options: &WriteOptions| ClipWriter::create(&file(name), options).err().unwrap();
    assert!(matches!(create("clip.gif", &WriteOptions::default()), ClipError::UnknownEnding(_)));
    assert!(matches!(create("none/clip.mp4", &WriteOptions::default()), ClipError::NotWritable { .. }));
    let turned = WriteOptions { quarter_turns: 1, ..WriteOptions::default() };
    assert!(matches!(create("clip.webm", &turned), ClipError::NoTurns(_)));
}
