//! Writing clips through the real encoder, for demos, tests and overlay clips.

#![allow(unsafe_code, reason = "fields of FFmpeg that its wrapper lacks")]

use std::fs::{self, File};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use ffmpeg_next as ffmpeg;
use ffmpeg_next::format::context::Output;
use ffmpeg_next::util::color;
use ffmpeg_next::{Dictionary, Packet, Rational, codec, encoder, ffi, format, frame};

use super::orientation::{Levels, Orientation, same_levels};
use super::planes::{Sheet, chroma_to_limited, luma_to_limited};
use super::{ClipError, ColourMatrix, Picture, Plane, Transfer, iso};

/// Codecs that can be written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Codec {
    /// H.264, which every phone and browser plays; MPEG-4 where the encoder is missing.
    #[default]
    H264,
    Hevc,
    Vp9,
    Mpeg4,
    Mjpeg,
}

impl Codec {
    fn name(self) -> &'static str {
        match self {
            Self::H264 => "H.264",
            Self::Hevc => "HEVC",
            Self::Vp9 => "VP9",
            Self::Mpeg4 => "MPEG-4",
            Self::Mjpeg => "Motion JPEG",
        }
    }

    fn encoder_name(self) -> &'static str {
        match self {
            Self::H264 => "libx264",
            Self::Hevc => "libx265",
            Self::Vp9 => "libvpx-vp9",
            Self::Mpeg4 => "mpeg4",
            Self::Mjpeg => "mjpeg",
        }
    }

    /// The codec that stands in where this machine has no encoder for `self`.
    fn available(self) -> Result<Self, ClipError> {
        let found = |codec: Self| encoder::find_by_name(codec.encoder_name()).is_some();
        match self {
            _ if found(self) => Ok(self),
            Self::H264 if found(Self::Mpeg4) => Ok(Self::Mpeg4),
            _ => Err(ClipError::NoEncoder(self.name())),
        }
    }

    /// Ticks per second of the encoder's clock: every common rate in whole ticks, and within what each codec's header holds.
    fn ticks_per_second(self) -> i32 {
        match self {
            Self::Mpeg4 => 60_000,
            _ => 90_000,
        }
    }

    fn needs_even_sides(self) -> bool {
        matches!(self, Self::H264 | Self::Hevc)
    }
}

/// How a clip is written. The default is an H.264 clip that phones and browsers play.
#[derive(Debug, Clone, PartialEq)]
pub struct WriteOptions {
    pub codec: Codec,
    /// Constant quality: the rate factor of H.264, HEVC and VP9 (lower is better, 18 is hard to tell from the original),
    /// the quantiser of MPEG-4 and Motion JPEG (2 is best).
    pub quality: u32,
    pub b_frames: u32,
    /// Frames from one key frame to the next.
    pub key_interval: u32,
    /// Codes 0 to 255 instead of 16 to 235; always so in Motion JPEG.
    pub full_range: bool,
    /// Clockwise quarter turns that a player must apply; pictures are pushed as displayed and stored turned back.
    pub quarter_turns: u8,
    /// Whether the player must mirror the picture, left for right, after turning.
    pub mirrored: bool,
    /// Capture rate written as a tag, as phones do for slow motion.
    pub capture_rate_hz: Option<f64>,
    /// Seconds added to every stamp, so that the clip starts late on its own clock.
    pub start_offset_s: f64,
    /// Width over height of a stored pixel, as two whole numbers.
    pub pixel_aspect: (u32, u32),
    /// About how many frames a second are shown, Hz: from it the encoder states which players can keep up. `None`: it doesn't
    /// know, and names the highest class of all, which phones may refuse.
    pub shown_rate_hz: Option<f64>,
    /// Puts the table of contents first, for playing while loading.
    pub contents_first: bool,
}

impl Default for WriteOptions {
    fn default() -> Self {
        Self {
            codec: Codec::H264,
            quality: 18,
            b_frames: 2,
            key_interval: 60,
            full_range: false,
            quarter_turns: 0,
            mirrored: false,
            capture_rate_hz: None,
            start_offset_s: 0.0,
            pixel_aspect: (1, 1),
            shown_rate_hz: None,
            contents_first: true,
        }
    }
}

/// Writes a clip frame by frame; nothing stands at the target until [`ClipWriter::finish`].
///
/// The same pictures, stamps and options give the same bytes on the same machine.
pub struct ClipWriter {
    target: PathBuf,
    temporary: Temporary,
    options: WriteOptions,
    codec: Codec,
    container: &'static str,
    orientation: Orientation,
    started: Option<Started>,
    last_tick: Option<i64>,
    last_stamp_s: f64,
}

/// Encoder and muxer, which need the size of the first picture to start.
struct Started {
    output: Output,
    encoder: encoder::video::Encoder,
    frame: frame::Video,
    stored: Plane,
    width: usize,
    height: usize,
    /// Ticks from the frame before to the latest, which also stand for how long the latest is shown.
    step: i64,
}

/// A file beside the target that goes away unless it is put in the target's place.
struct Temporary(PathBuf);

impl Drop for Temporary {
    fn drop(&mut self) {
        // Gone already when the clip was finished.
        let _ = fs::remove_file(&self.0);
    }
}

impl ClipWriter {
    /// Starts a clip at `path`, whose ending names the container.
    ///
    /// # Errors
    /// [`ClipError`] when the ending isn't known, the folder can't be written to, or the encoder is missing.
    pub fn create(path: &Path, options: &WriteOptions) -> Result<Self, ClipError> {
        ffmpeg::init().map_err(|error| not_writable(path, error))?;
        ffmpeg::log::set_level(ffmpeg::log::Level::Quiet);
        let container = container_of(path)?;
        let orientation = Orientation::from_turns(options.quarter_turns, options.mirrored);
        if orientation != Orientation::default() && !holds_matrix(container) {
            return Err(ClipError::NoTurns(path.to_owned()));
        }
        if let Some(rate) = options.capture_rate_hz
            && !(rate.is_finite() && rate > 0.0)
        {
            return Err(ClipError::BadRate(rate));
        }
        let temporary = Temporary(temporary_path(path));
        File::create(&temporary.0).map_err(|error| not_writable(path, error))?;
        Ok(Self {
            target: path.to_owned(),
            temporary,
            options: options.clone(),
            codec: options.codec.available()?,
            container,
            orientation,
            started: None,
            last_tick: None,
            last_stamp_s: f64::NEG_INFINITY,
        })
    }

    /// Adds a picture, as displayed, at `stamp_s` seconds; stamps are rounded to the encoder's tick (1/90000 s; 1/60000 s
    /// for MPEG-4; 1 ms in .webm and .mkv).
    ///
    /// # Errors
    /// [`ClipError::StampsNotRising`], [`ClipError::SizesDiffer`], or what the encoder or the disk refuses.
    pub fn push(&mut self, picture: &Picture, stamp_s: f64) -> Result<(), ClipError> {
        let tick = self.next_tick(stamp_s)?;
        let mut started = match self.started.take() {
            Some(started) => started,
            None => self.start(picture)?,
        };
        self.same_size(&started, picture)?;
        self.fill(&mut started, picture);
        let usual_step = i64::from(self.codec.ticks_per_second()) / 30;
        started.step = started.frame.pts().map_or(usual_step, |previous| tick - previous);
        started.frame.set_pts(Some(tick));
        let pushed = started.encoder.send_frame(&started.frame).and_then(|()| started.write_packets());
        self.started = Some(started);
        pushed.map_err(|error| not_writable(&self.target, error))
    }

    /// Drains the encoder, completes the file and puts it at its target.
    ///
    /// # Errors
    /// [`ClipError::NothingWritten`], or what the encoder or the disk refuses; then nothing stands at the target.
    pub fn finish(mut self) -> Result<(), ClipError> {
        let mut started = self.started.take().ok_or_else(|| ClipError::NothingWritten(self.target.clone()))?;
        let complete = |started: &mut Started| {
            started.encoder.send_eof()?;
            started.write_packets()?;
            started.output.write_trailer()
        };
        complete(&mut started).map_err(|error| not_writable(&self.target, error))?;
        let stored_size = (started.width, started.height);
        drop(started);
        self.write_matrix(stored_size).map_err(|error| not_writable(&self.target, error))?;
        fs::rename(&self.temporary.0, &self.target).map_err(|error| not_writable(&self.target, error))
    }

    fn next_tick(&mut self, stamp_s: f64) -> Result<i64, ClipError> {
        let tick = ((stamp_s + self.options.start_offset_s) * f64::from(self.codec.ticks_per_second())).round();
        let not_rising = ClipError::StampsNotRising { stamp_s, previous_s: self.last_stamp_s };
        if !tick.is_finite() || self.last_tick.is_some_and(|last| tick as i64 <= last) {
            return Err(not_rising);
        }
        (self.last_tick, self.last_stamp_s) = (Some(tick as i64), stamp_s);
        Ok(tick as i64)
    }

    fn same_size(&self, started: &Started, picture: &Picture) -> Result<(), ClipError> {
        let (width, height) = self.orientation.displayed_size(started.width, started.height);
        if (width, height) == (picture.width(), picture.height()) {
            return Ok(());
        }
        Err(ClipError::SizesDiffer {
            path: self.target.clone(),
            width,
            height,
            other_width: picture.width(),
            other_height: picture.height(),
        })
    }

    fn start(&self, picture: &Picture) -> Result<Started, ClipError> {
        let (width, height) = self.orientation.inverse().displayed_size(picture.width(), picture.height());
        if self.codec.needs_even_sides() && (width % 2 == 1 || height % 2 == 1) {
            return Err(ClipError::OddSize { codec: self.codec.name(), width, height });
        }
        let open = || -> Result<Started, ffmpeg::Error> {
            let mut output = format::output_as(&url(&self.temporary.0)?, self.container)?;
            let encoder = self.open_encoder(&output, picture, width, height)?;
            let time_base = Rational::new(1, self.codec.ticks_per_second());
            let mut stream = output.add_stream_with(&encoder)?;
            stream.set_time_base(time_base);
            self.write_header(&mut output)?;
            let frame = self.new_frame(picture, width, height);
            Ok(Started { output, encoder, frame, stored: empty_plane(), width, height, step: 0 })
        };
        open().map_err(|error| not_writable(&self.target, error))
    }

    fn open_encoder(
        &self,
        output: &Output,
        picture: &Picture,
        width: usize,
        height: usize,
    ) -> Result<encoder::video::Encoder, ffmpeg::Error> {
        let codec = encoder::find_by_name(self.codec.encoder_name()).ok_or(ffmpeg::Error::EncoderNotFound)?;
        let mut context = codec::Context::new_with_codec(codec);
        let mut flags = codec::Flags::BITEXACT;
        if output.format().flags().contains(format::Flags::GLOBAL_HEADER) {
            flags |= codec::Flags::GLOBAL_HEADER;
        }
        if matches!(self.codec, Codec::Mpeg4 | Codec::Mjpeg) {
            flags |= codec::Flags::QSCALE;
        }
        context.set_flags(flags);
        // More threads would cut frames elsewhere and so give other bytes on another machine.
        context.set_threading(codec::threading::Config { count: 1, ..Default::default() });
        let mut video = context.encoder().video()?;
        video.set_width(width as u32);
        video.set_height(height as u32);
        video.set_format(self.pixel_format());
        video.set_time_base(Rational::new(1, self.codec.ticks_per_second()));
        if let Some(rate) = self.options.shown_rate_hz.filter(|rate| rate.is_finite() && *rate >= 1.0) {
            video.set_frame_rate(Some(Rational::new((1000.0 * rate.min(1000.0)).round() as i32, 1000)));
        }
        let (wide, high) = self.options.pixel_aspect;
        video.set_aspect_ratio(Rational::new(wide as i32, high as i32));
        video.set_gop(self.options.key_interval);
        if !matches!(self.codec, Codec::Mjpeg | Codec::Vp9) {
            video.set_max_b_frames(self.options.b_frames as usize);
        }
        self.describe_colour(&mut video, picture);
        if matches!(self.codec, Codec::Mpeg4 | Codec::Mjpeg) {
            video.set_quality((self.options.quality.clamp(1, 31) as i32 * ffi::FF_QP2LAMBDA) as usize);
        }
        video.open_with(self.encoder_options())
    }

    fn describe_colour(&self, video: &mut encoder::video::Video, picture: &Picture) {
        video.set_colorspace(space(picture.matrix));
        video.set_color_range(if self.full_range() { color::Range::JPEG } else { color::Range::MPEG });
        // SAFETY: the context is owned by `video` and not opened yet; both fields are meant to be set by the caller, and
        // the wrapper has no setter for them.
        unsafe {
            let raw = video.as_mut_ptr();
            (*raw).color_trc = transfer(picture.transfer).into();
            (*raw).color_primaries = primaries(picture.matrix).into();
        }
    }

    fn encoder_options(&self) -> Dictionary<'static> {
        let mut options = Dictionary::new();
        let quality = self.options.quality.to_string();
        match self.codec {
            Codec::H264 => {
                options.set("crf", &quality);
                options.set("preset", "medium");
            }
            Codec::Hevc => {
                options.set("crf", &quality);
                options.set("preset", "fast");
                let b_frames = self.options.b_frames;
                let key_interval = self.options.key_interval;
                let parameters = format!(
                    "log-level=none:pools=1:frame-threads=1:bframes={b_frames}:keyint={key_interval}:info=0:open-gop=0"
                );
                options.set("x265-params", &parameters);
            }
            Codec::Vp9 => {
                options.set("crf", &quality);
                options.set("b", "0");
                options.set("deadline", "good");
                options.set("cpu-used", "4");
            }
            Codec::Mpeg4 | Codec::Mjpeg => {}
        }
        options
    }

    /// Motion JPEG knows no other range (Rec. ITU-T T.871).
    fn full_range(&self) -> bool {
        self.options.full_range || self.codec == Codec::Mjpeg
    }

    fn pixel_format(&self) -> format::Pixel {
        if self.codec == Codec::Mjpeg { format::Pixel::YUVJ420P } else { format::Pixel::YUV420P }
    }

    fn new_frame(&self, picture: &Picture, width: usize, height: usize) -> frame::Video {
        let mut frame = frame::Video::new(self.pixel_format(), width as u32, height as u32);
        frame.set_color_space(space(picture.matrix));
        frame.set_color_range(if self.full_range() { color::Range::JPEG } else { color::Range::MPEG });
        frame
    }

    fn write_header(&self, output: &mut Output) -> Result<(), ffmpeg::Error> {
        let mut options = Dictionary::new();
        options.set("fflags", "+bitexact");
        if holds_matrix(self.container) {
            let mut flags = String::new();
            if self.options.contents_first {
                flags.push_str("+faststart");
            }
            if let Some(rate) = self.options.capture_rate_hz {
                flags.push_str("+use_metadata_tags");
                let mut tags = Dictionary::new();
                tags.set("com.android.capture.fps", &format!("{rate:.6}"));
                output.set_metadata(tags);
            }
            if !flags.is_empty() {
                options.set("movflags", &flags);
            }
            // The edit list counts in these ticks; the usual 1/1000 s would round the start of the clip.
            options.set("movie_timescale", "90000");
        } else if let Some(rate) = self.options.capture_rate_hz {
            let mut tags = Dictionary::new();
            tags.set("com.android.capture.fps", &format!("{rate:.6}"));
            output.set_metadata(tags);
        }
        output.write_header_with(options).map(|_| ())
    }

    /// Lays the displayed picture into the encoder's frame, turned back and in the range of the file.
    fn fill(&self, started: &mut Started, picture: &Picture) {
        // SAFETY: the frame is owned here; the encoder may still hold its buffers, and this gives us our own.
        unsafe { ffi::av_frame_make_writable(started.frame.as_mut_ptr()) };
        for (index, plane) in [&picture.luma, &picture.cb, &picture.cr].into_iter().enumerate() {
            let levels: Levels = match (self.full_range(), index) {
                (true, _) => same_levels,
                (false, 0) => luma_to_limited,
                (false, _) => chroma_to_limited,
            };
            self.orientation.inverse().apply(&Sheet::of(plane), &mut started.stored, levels);
            let stride = started.frame.stride(index);
            let rows = started.frame.data_mut(index).chunks_mut(stride);
            for (target, row) in rows.zip(started.stored.samples.chunks_exact(started.stored.width)) {
                target[..row.len()].copy_from_slice(row);
            }
        }
    }

    /// Writes the display matrix over the muxer's own, which knows nothing of mirroring in every version of the library.
    fn write_matrix(&self, (width, height): (usize, usize)) -> io::Result<()> {
        if self.orientation == Orientation::default() {
            return Ok(());
        }
        let mut file = File::options().read(true).write(true).open(&self.temporary.0)?;
        for offset in iso::track_matrices(&mut file)? {
            file.seek(SeekFrom::Start(offset))?;
            for number in self.orientation.display_matrix(width, height) {
                file.write_all(&number.to_be_bytes())?;
            }
        }
        file.sync_all()
    }
}

impl Started {
    fn write_packets(&mut self) -> Result<(), ffmpeg::Error> {
        let from = self.encoder.time_base();
        let to = self.output.stream(0).ok_or(ffmpeg::Error::StreamNotFound)?.time_base();
        let mut packet = Packet::empty();
        loop {
            match self.encoder.receive_packet(&mut packet) {
                Ok(()) => {
                    packet.set_stream(0);
                    // Encoders leave this open; a last frame without duration would lie outside the edit list.
                    packet.set_duration(self.step);
                    packet.rescale_ts(from, to);
                    packet.write_interleaved(&mut self.output)?;
                }
                Err(ffmpeg::Error::Eof) => return Ok(()),
                Err(ffmpeg::Error::Other { errno }) if errno == ffmpeg::error::EAGAIN => return Ok(()),
                Err(error) => return Err(error),
            }
        }
    }
}

fn not_writable(path: &Path, reason: impl std::fmt::Display) -> ClipError {
    ClipError::NotWritable { path: path.to_owned(), reason: reason.to_string() }
}

fn container_of(path: &Path) -> Result<&'static str, ClipError> {
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or("").to_ascii_lowercase();
    match ending.as_str() {
        "mp4" | "m4v" => Ok("mp4"),
        "mov" => Ok("mov"),
        "3gp" => Ok("3gp"),
        "webm" => Ok("webm"),
        "mkv" => Ok("matroska"),
        "avi" => Ok("avi"),
        _ => Err(ClipError::UnknownEnding(path.to_owned())),
    }
}

/// Containers of the ISO family have a display matrix and tags of free name.
fn holds_matrix(container: &str) -> bool {
    matches!(container, "mp4" | "mov" | "3gp")
}

/// Beside the target, so that renaming stays within one file system, and hidden from listings.
fn temporary_path(target: &Path) -> PathBuf {
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    target.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

fn url(path: &Path) -> Result<String, ffmpeg::Error> {
    let name = path.to_str().ok_or(ffmpeg::Error::Other { errno: ffmpeg::error::EINVAL })?;
    Ok(format!("file:{name}"))
}

fn space(matrix: ColourMatrix) -> color::Space {
    match matrix {
        ColourMatrix::Bt601 => color::Space::SMPTE170M,
        ColourMatrix::Bt709 => color::Space::BT709,
        ColourMatrix::Bt2020 => color::Space::BT2020NCL,
    }
}

fn primaries(matrix: ColourMatrix) -> color::Primaries {
    match matrix {
        ColourMatrix::Bt601 => color::Primaries::SMPTE170M,
        ColourMatrix::Bt709 => color::Primaries::BT709,
        ColourMatrix::Bt2020 => color::Primaries::BT2020,
    }
}

fn transfer(transfer: Transfer) -> color::TransferCharacteristic {
    match transfer {
        Transfer::Bt709 => color::TransferCharacteristic::BT709,
        Transfer::Srgb => color::TransferCharacteristic::IEC61966_2_1,
        Transfer::Linear => color::TransferCharacteristic::Linear,
    }
}

fn empty_plane() -> Plane {
    Plane { width: 0, height: 0, samples: Vec::new() }
}
