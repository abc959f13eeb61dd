//! The recording with path, sightings and a running time drawn in.
//!
//! Frames pass one by one from the reader to the writer; only the pixels under the drawing are touched. Until the first
//! landing every frame keeps its own stamp, unless slow motion is asked for.

mod blend;
mod scene;
mod timing;

use std::path::Path;

use crate::camera::steady::SteadySource;
use crate::clip::write::{ClipWriter, WriteOptions};
use crate::clip::{ClipError, FrameSource, Picture};
use crate::measurement::Measurement;
use crate::report::numbers::DecimalMark;
use crate::warning::Warning;

/// How the overlay clip plays.
#[derive(Debug, Clone, PartialEq)]
pub struct OverlayOptions {
    /// Played seconds per second of the clip while a ball flies; 1 keeps the clip's own pace.
    pub slow_factor: f64,
    /// How long the picture stands still at each landing, s.
    pub freeze_s: f64,
    pub decimal_mark: DecimalMark,
    pub writing: WriteOptions,
}

impl Default for OverlayOptions {
    fn default() -> Self {
        Self { slow_factor: 1.0, freeze_s: 2.0, decimal_mark: DecimalMark::Point, writing: WriteOptions::default() }
    }
}

/// Why an overlay clip could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OverlayError {
    #[error("the measurement has no flight to draw")]
    NoFlight,
    #[error("a slow-motion factor of {0} makes no sense")]
    BadFactor(f64),
    #[error("a still of {0} s makes no sense")]
    BadFreeze(f64),
    #[error(transparent)]
    Clip(#[from] ClipError),
}

impl OverlayError {
    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::NoFlight => "measure the clip first; if nothing is found, help with a region or a time",
            Self::BadFactor(_) => "give a factor from 1 (as filmed) to 100, such as 4",
            Self::BadFreeze(_) => "give a time from 0 to 60 s",
            Self::Clip(error) => return error.hint(),
        };
        Some(hint.to_owned())
    }
}

/// Draws `measurement` onto the frames of `source`, from which it was measured, and writes them to `target`.
///
/// `progress` is told the number of each frame done. Frames of odd size lose their last row or column, which the encoder
/// could not hold.
///
/// # Errors
/// [`OverlayError`]; nothing stands at `target` then.
pub fn write(
    source: &mut dyn FrameSource,
    measurement: &Measurement,
    target: &Path,
    options: &OverlayOptions,
    progress: &mut dyn FnMut(usize),
) -> Result<(), OverlayError> {
    check(measurement, options)?;
    // Places are those of the first frame where the camera moved: so must the pictures be.
    let moved = measurement.warnings.iter().any(|warning| matches!(warning, Warning::CameraMoved { .. }));
    let mut steady;
    let source = if moved {
        steady = SteadySource::new(source);
        &mut steady as &mut dyn FrameSource
    } else {
        source
    };
    let mut timing = timing::Timing::new(measurement, options);
    // Slowed or not, at most so many pictures a second are shown.
    let shown_rate_hz = Some(measurement.clock.frame_rate_hz / measurement.clock.slow_factor);
    let writing = WriteOptions { shown_rate_hz, ..options.writing.clone() };
    let mut writer = ClipWriter::create(target, &writing)?;
    while let Some(frame) = source.next_frame()? {
        let mut picture = even(frame.picture);
        scene::draw(measurement, frame.index, options.decimal_mark, &mut picture);
        for stamp_s in timing.stamps(frame.index, frame.stamp_s) {
            writer.push(&picture, stamp_s)?;
        }
        progress(frame.index);
    }
    writer.finish()?;
    Ok(())
}

fn check(measurement: &Measurement, options: &OverlayOptions) -> Result<(), OverlayError> {
    if measurement.flights.iter().all(|f| f.sightings.is_empty()) {
        return Err(OverlayError::NoFlight);
    }
    if !(1.0..=100.0).contains(&options.slow_factor) {
        return Err(OverlayError::BadFactor(options.slow_factor));
    }
    if !(0.0..=60.0).contains(&options.freeze_s) {
        return Err(OverlayError::BadFreeze(options.freeze_s));
    }
    Ok(())
}

/// The picture without the last row or column when their number is odd.
fn even(picture: Picture) -> Picture {
    let (width, height) = (picture.width() & !1, picture.height() & !1);
    if (width, height) == (picture.width(), picture.height()) || width == 0 || height == 0 {
        return picture;
    }
    let cut = |plane: &crate::clip::Plane, width: usize, height: usize| crate::clip::Plane {
        width,
        height,
        samples: plane.samples.chunks(plane.width).take(height).flat_map(|row| row[..width].iter().copied()).collect(),
    };
    Picture {
        luma: cut(&picture.luma, width, height),
        cb: cut(&picture.cb, width / 2, height / 2),
        cr: cut(&picture.cr, width / 2, height / 2),
        ..picture
    }
}

#[cfg(test)]
mod tests;
