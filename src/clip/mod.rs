//! Frames with true times: video files, picture folders, the time base, and writing clips.
//!
//! The measuring core takes frames through [`FrameSource`] and knows no decoder, so that pictures, tests and other
//! decoders can feed it. Rotation, mirroring and pixel aspect are applied here, once; every picture that leaves this
//! folder is the displayed one. Decoding is streamed: memory does not grow with the clip's length.

pub mod clock;
mod error;
mod fingerprint;
mod iso;
mod orientation;
mod pictures;
mod planes;
mod remark;
pub mod sound;
mod tone;
mod trailer;
mod video;
pub mod write;

use std::ops::RangeInclusive;
use std::path::Path;

use serde::{Deserialize, Serialize};

pub use clock::{Clock, Finding};
pub use error::ClipError;
pub use fingerprint::of_file as fingerprint_of;
pub use remark::Remark;
pub use write::{ClipWriter, Codec, WriteOptions};

/// Frames per second at which cameras record: from a picture a second to special cameras' small pictures. Common practice, no source.
pub const RATES_HZ: RangeInclusive<f64> = 1.0..=100_000.0;
/// Pixels of the largest moving pictures: those of 8K cameras (8192 × 4320).
pub const MOST_PIXELS: usize = 8192 * 4320;
/// Pixels of the largest stills, as of cameras with 100 million of them. Common practice, no source.
const MOST_STILL_PIXELS: u64 = 110_000_000;

/// What the caller states about a clip before it is read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReadOptions {
    /// Frames per second of a folder of pictures, which say nothing of time themselves.
    pub picture_rate_hz: Option<f64>,
    /// Only frames from the first to the second time are given, in seconds of the clip's own clock after its first frame.
    /// Frame numbers stay those of the whole clip.
    pub window_s: Option<(f64, f64)>,
    /// Which of several moving pictures in the file, counted from 1; else the one that the file prefers.
    pub track: Option<usize>,
    /// Only containers and codecs in which phones and usual cameras record, for files of strangers.
    pub as_phones_record: bool,
}

/// Opens a video file or a folder of pictures.
///
/// # Errors
/// [`ClipError`] when `path` isn't there, isn't a clip, or holds not one whole frame.
pub fn open(path: &Path, options: &ReadOptions) -> Result<Box<dyn FrameSource>, ClipError> {
    let metadata =
        std::fs::metadata(path).map_err(|source| ClipError::NotReadable { path: path.to_owned(), source })?;
    if let Some((from_s, to_s)) = options.window_s
        && (from_s.is_nan() || to_s.is_nan() || from_s >= to_s)
    {
        return Err(ClipError::BadWindow { from_s, to_s });
    }
    if metadata.is_dir() {
        return Ok(Box::new(pictures::PictureFolder::open(path, options)?));
    }
    Ok(Box::new(video::VideoFile::open(path, options)?))
}

/// Name of a file or folder without its path.
fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// One 8-bit plane of a picture, rows from top to bottom without padding.
#[derive(Debug, PartialEq, Eq)]
pub struct Plane {
    pub width: usize,
    pub height: usize,
    /// `width * height` samples, 0 to 255 full range.
    pub samples: Vec<u8>,
}

impl Clone for Plane {
    fn clone(&self) -> Self {
        Self { width: self.width, height: self.height, samples: self.samples.clone() }
    }

    /// In the memory that is there already.
    fn clone_from(&mut self, other: &Self) {
        (self.width, self.height) = (other.width, other.height);
        self.samples.clone_from(&other.samples);
    }
}

/// Which luma coefficients turn the planes into red, green and blue (ITU-R BT.601, BT.709, BT.2020).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ColourMatrix {
    Bt601,
    Bt709,
    Bt2020,
}

/// How samples relate to light, needed to bring luma back to linear light.
///
/// HLG and PQ pictures are brought to the BT.709 curve at reading, so this says what `Picture` holds, not the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Transfer {
    Bt709,
    Srgb,
    Linear,
}

/// A displayed picture: full-range 8-bit luma and chroma at half size (4:2:0), upright and with square pixels.
///
/// Chroma planes have `(width + 1) / 2` by `(height + 1) / 2` samples; chroma sample (i, j) is the mean of the 2×2 luma
/// places below it (centred siting), whatever the file's own siting was up to half a pixel: measure places on luma.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    pub luma: Plane,
    pub cb: Plane,
    pub cr: Plane,
    pub matrix: ColourMatrix,
    pub transfer: Transfer,
}

impl Picture {
    pub fn width(&self) -> usize {
        self.luma.width
    }

    pub fn height(&self) -> usize {
        self.luma.height
    }
}

/// A picture with its place in the clip and its presentation timestamp.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Position in presentation order among the frames shown, from 0.
    pub index: usize,
    /// Presentation time in seconds on the container's clock, edit list applied; `None` when the file has none for it.
    pub stamp_s: Option<f64>,
    pub picture: Picture,
}

/// Gives the frames of a clip one after the other, in presentation order.
///
/// The measuring core sees only this trait.
pub trait FrameSource {
    /// What is known before the first frame is read.
    fn info(&self) -> &ClipInfo;

    /// The next frame, or `None` at the end. Damaged packets are counted in [`FrameSource::report`] and skipped.
    ///
    /// # Errors
    /// [`ClipError`] when nothing more can be read and nothing has been.
    fn next_frame(&mut self) -> Result<Option<Frame>, ClipError>;

    /// What was met on the way; complete once `next_frame` has returned `None`.
    fn report(&self) -> ClipReport;

    /// How many frames the clip says it has, or its length and rate make likely; for showing how far one is, nothing else.
    fn frames_stated(&self) -> Option<usize> {
        None
    }

    /// Takes back a picture that is no longer needed, so that its memory serves for a later frame.
    fn recycle(&mut self, _picture: Picture) {}
}

/// What a clip says of itself before it is decoded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClipInfo {
    /// File or folder name without its path.
    pub name: String,
    /// Size of the displayed picture in pixels, after rotation and pixel aspect.
    pub width: usize,
    pub height: usize,
    /// Codec name, or "pictures".
    pub codec: String,
    /// Container name as the demuxer gives it.
    pub container: String,
    /// Mean rate as the container states it; for information only, never used as a clock.
    pub stated_rate_hz: Option<f64>,
    /// Capture rate from the file's tags, in frames per second.
    pub capture_rate_tag_hz: Option<f64>,
    /// Clockwise quarter turns applied to the stored picture, 0 to 3.
    pub quarter_turns: u8,
    /// Whether the displayed picture is the stored one mirrored.
    pub mirrored: bool,
    /// Whether rows were stretched to make pixels square.
    pub pixel_aspect_applied: bool,
    /// "SDR", "HLG" or "PQ", as found in the file.
    pub dynamic_range: String,
    /// Bits per sample in the file.
    pub bit_depth: u32,
    /// Whether the sensor rows of the stored picture run along the displayed picture's y axis (no quarter turn, or two).
    pub rows_along_y: bool,
}

impl ClipInfo {
    /// The tagged capture rate, where it is one at which cameras record.
    pub fn capture_rate_hz(&self) -> Option<f64> {
        self.capture_rate_tag_hz.filter(|rate| RATES_HZ.contains(rate))
    }
}

/// What was met while reading.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ClipReport {
    pub frames: usize,
    pub frames_without_stamp: usize,
    /// Errors that the decoder reported and that were passed over.
    pub decode_errors: usize,
    /// Whether the file ends before its header says.
    pub truncated: bool,
    /// Frames whose picture the decoder marked as damaged.
    pub damaged_frames: usize,
    /// Slowed-down pieces that the phone's maker recorded: file time from, to (s) and the factor by which they are slow.
    pub slow_segments: Vec<SlowSegment>,
    /// What else must be known of the file.
    #[serde(default)]
    pub remarks: Vec<Remark>,
    /// SHA-256 or the like is not taken here; a 64-bit fingerprint of the file's bytes, hexadecimal.
    pub fingerprint: Option<String>,
}

/// A piece of a clip that plays slower than it was recorded.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SlowSegment {
    pub from_s: f64,
    pub to_s: f64,
    /// Played seconds per true second.
    pub factor: f64,
}

#[cfg(test)]
mod tests;
