//! Writing a scene to a file through the real encoder.

use std::path::Path;

use super::{Scene, Truth, render, truth};
use crate::clip::{ClipError, ClipWriter, WriteOptions};

/// Writes `scene` as a clip at `path` and gives its truth. Turns and capture-rate tag follow the scene; the rest is the
/// default of [`WriteOptions`].
///
/// # Errors
/// What the encoder or the disk refuses; then nothing stands at `path`.
pub fn record(scene: &Scene, path: &Path) -> Result<Truth, ClipError> {
    record_with(scene, path, &options_for(scene))
}

/// The options that make a file tell what the scene says of itself.
pub fn options_for(scene: &Scene) -> WriteOptions {
    WriteOptions {
        quarter_turns: scene.quarter_turns,
        capture_rate_hz: scene.timing.capture_tag.then_some(scene.timing.capture_hz),
        ..WriteOptions::default()
    }
}

/// As [`record`], with the writer's options given whole.
///
/// # Errors
/// As for [`record`].
pub fn record_with(scene: &Scene, path: &Path, options: &WriteOptions) -> Result<Truth, ClipError> {
    let mut writer = ClipWriter::create(path, options)?;
    for (picture, stamp_s) in render(scene) {
        writer.push(&picture, stamp_s)?;
    }
    writer.finish()?;
    Ok(truth(scene))
}

#[cfg(test)]
mod tests {
    use super::super::{Timing, presets};
    use super::*;
    use crate::clip::ReadOptions;

    #[test]
    fn a_recording_reads_back_as_it_was_rendered() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("portrait.mp4");
        let mut scene = presets::rotated_portrait(2);
        scene.timing = Timing { dropped: vec![5], ..Timing::steady(60.0, 12) };
        let truth = record(&scene, &path).unwrap();
        let mut clip = crate::clip::open(&path, &ReadOptions::default()).unwrap();
        assert_eq!((clip.info().width, clip.info().height, clip.info().rows_along_y), (720, 1280, false));
        for ((picture, _), frame) in render(&scene).zip(&truth.frames) {
            let read = clip.next_frame().unwrap().unwrap();
            // Stamps are whole ticks of 1/90000 s.
            assert!((read.stamp_s.unwrap() - frame.stamp_s).abs() < 1e-5);
            let pairs = read.picture.luma.samples.iter().zip(&picture.luma.samples);
            let squares: f64 = pairs.map(|(a, b)| (f64::from(*a) - f64::from(*b)).powi(2)).sum();
            // The encoder smooths noise of some two codes away; a picture turned the wrong way would be off by tens.
            assert!((squares / picture.luma.samples.len() as f64).sqrt() < 4.0);
        }
        assert!(clip.next_frame().unwrap().is_none());
    }
}
