//! From a decoded frame to the displayed picture: bit depth, range, dynamic range, pixel aspect and orientation, each only
//! where the frame needs it.

#![allow(unsafe_code, reason = "FFmpeg's table of pixel formats")]

use ffmpeg_next::format::Pixel;
use ffmpeg_next::software::scaling;
use ffmpeg_next::util::color;
use ffmpeg_next::{Rational, ffi, frame};

use crate::clip::orientation::{Levels, Orientation, same_levels};
use crate::clip::planes::{Sheet, chroma_to_full, luma_to_full, stretch_rows};
use crate::clip::tone::{DynamicRange, ToneMap};
use crate::clip::{ColourMatrix, Picture, Plane, Transfer};

/// What of a frame decides how it is converted.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Kind {
    format: Pixel,
    width: usize,
    height: usize,
    full_range: bool,
    range: DynamicRange,
}

impl Kind {
    fn of(frame: &frame::Video) -> Self {
        let format = frame.format();
        Self {
            format,
            width: frame.width() as usize,
            height: frame.height() as usize,
            full_range: frame.color_range() == color::Range::JPEG || is_full_range_format(format),
            range: match frame.color_transfer_characteristic() {
                color::TransferCharacteristic::ARIB_STD_B67 => DynamicRange::Hlg,
                color::TransferCharacteristic::SMPTE2084 => DynamicRange::Pq,
                _ => DynamicRange::Sdr,
            },
        }
    }
}

fn is_full_range_format(format: Pixel) -> bool {
    matches!(format, Pixel::YUVJ420P | Pixel::YUVJ422P | Pixel::YUVJ444P | Pixel::YUVJ440P | Pixel::YUVJ411P)
}

/// Bits per sample of a pixel format.
fn depth(format: Pixel) -> u32 {
    // SAFETY: the returned pointer is null or points to a constant table of the library.
    let descriptor = unsafe { ffi::av_pix_fmt_desc_get(format.into()).as_ref() };
    descriptor.map_or(8, |descriptor| descriptor.comp[0].depth.clamp(1, 16) as u32)
}

fn is_rgb(format: Pixel) -> bool {
    // SAFETY: as in `depth`.
    let descriptor = unsafe { ffi::av_pix_fmt_desc_get(format.into()).as_ref() };
    descriptor.is_some_and(|descriptor| descriptor.flags & ffi::AV_PIX_FMT_FLAG_RGB as u64 != 0)
}

/// Converts the frames of one clip; keeps tables and scratch planes between frames.
pub(super) struct Converter {
    kind: Kind,
    orientation: Orientation,
    /// Width after the pixel aspect, in the stored orientation.
    square_width: usize,
    pixel_aspect: Rational,
    matrix: ColourMatrix,
    transfer: Transfer,
    /// Brings formats other than 4:2:0 planar to it.
    scaler: Option<Scaler>,
    /// Format of the planes that are read: the frame's own, or what the scaler makes.
    plane_depth: u32,
    plane_full_range: bool,
    tone: Option<ToneMap>,
    toned: Plane,
    stretched: Plane,
}

struct Scaler {
    context: scaling::Context,
    output: frame::Video,
}

impl Converter {
    pub(super) fn new(frame: &frame::Video, orientation: Orientation, pixel_aspect: Rational) -> Self {
        let kind = Kind::of(frame);
        let direct = matches!(kind.format, Pixel::YUV420P | Pixel::YUVJ420P | Pixel::YUV420P10LE);
        let target = scaled_format(kind);
        let scaler = if direct { None } else { Scaler::new(frame, target) };
        let plane_depth = if direct { depth(kind.format) } else { depth(target) };
        let plane_full_range = kind.full_range && !is_rgb(kind.format);
        let tone = (plane_depth != 8 || kind.range != DynamicRange::Sdr)
            .then(|| ToneMap::new(plane_depth, plane_full_range, kind.range));
        Self {
            kind,
            orientation,
            square_width: square_width(kind.width, pixel_aspect),
            pixel_aspect,
            matrix: matrix(frame),
            transfer: transfer(frame),
            scaler,
            plane_depth,
            plane_full_range,
            tone,
            toned: empty_plane(),
            stretched: empty_plane(),
        }
    }

    pub(super) fn displayed_size(&self) -> (usize, usize) {
        self.orientation.displayed_size(self.square_width, self.kind.height)
    }

    pub(super) fn pixel_aspect_applied(&self) -> bool {
        self.square_width != self.kind.width
    }

    pub(super) fn dynamic_range(&self) -> DynamicRange {
        self.kind.range
    }

    pub(super) fn bit_depth(&self) -> u32 {
        depth(self.kind.format)
    }

    /// The displayed picture, in the memory of `spare` where given; `None` when the frame has another size than the first.
    pub(super) fn convert(&mut self, frame: &frame::Video, spare: Option<Picture>) -> Option<Picture> {
        if Kind::of(frame) != self.kind {
            let renewed = Self::new(frame, self.orientation, self.pixel_aspect);
            if renewed.displayed_size() != self.displayed_size() {
                return None;
            }
            *self = renewed;
        }
        let mut picture = spare.unwrap_or_else(|| Picture {
            luma: empty_plane(),
            cb: empty_plane(),
            cr: empty_plane(),
            matrix: self.matrix,
            transfer: self.transfer,
        });
        (picture.matrix, picture.transfer) = (self.matrix, self.transfer);
        let mut scaler = self.scaler.take();
        let planes = match &mut scaler {
            Some(scaler) => scaler.run(frame)?,
            None if self.needs_scaler() => return None,
            None => frame,
        };
        for (index, out) in [&mut picture.luma, &mut picture.cb, &mut picture.cr].into_iter().enumerate() {
            self.convert_plane(planes, index, out);
        }
        self.scaler = scaler;
        Some(picture)
    }

    fn needs_scaler(&self) -> bool {
        !matches!(self.kind.format, Pixel::YUV420P | Pixel::YUVJ420P | Pixel::YUV420P10LE)
    }

    fn convert_plane(&mut self, planes: &frame::Video, index: usize, out: &mut Plane) {
        let stored = sheet(planes, index, self.plane_depth);
        let mut current = stored;
        if let Some(tone) = &self.tone {
            match index {
                0 => tone.luma(&stored, &mut self.toned),
                _ => tone.chroma(&stored, &sheet(planes, 0, self.plane_depth), &mut self.toned),
            }
            current = Sheet::of(&self.toned);
        }
        if self.square_width != self.kind.width {
            let width = if index == 0 { self.square_width } else { self.square_width.div_ceil(2) };
            stretch_rows(&current, width, &mut self.stretched);
            current = Sheet::of(&self.stretched);
        }
        let levels: Levels = match (self.tone.is_none() && !self.plane_full_range, index) {
            (false, _) => same_levels,
            (true, 0) => luma_to_full,
            (true, _) => chroma_to_full,
        };
        self.orientation.apply(&current, out, levels);
    }
}

impl Scaler {
    fn new(frame: &frame::Video, target: Pixel) -> Option<Self> {
        let (width, height) = (frame.width(), frame.height());
        let flags = scaling::Flags::BILINEAR | scaling::Flags::ACCURATE_RND | scaling::Flags::FULL_CHR_H_INP;
        let context = scaling::Context::get(frame.format(), width, height, target, width, height, flags).ok()?;
        Some(Self { context, output: frame::Video::empty() })
    }

    fn run(&mut self, frame: &frame::Video) -> Option<&frame::Video> {
        self.context.run(frame, &mut self.output).ok()?;
        Some(&self.output)
    }
}

/// 4:2:0 planar with as many bits as the tone curve needs.
fn scaled_format(kind: Kind) -> Pixel {
    match (kind.range, is_full_range_format(kind.format)) {
        (DynamicRange::Sdr, true) => Pixel::YUVJ420P,
        (DynamicRange::Sdr, false) => Pixel::YUV420P,
        _ => Pixel::YUV420P10LE,
    }
}

/// View of plane `index`; the width is in bytes for samples of more than 8 bits.
fn sheet(planes: &frame::Video, index: usize, depth: u32) -> Sheet<'_> {
    let bytes = if depth == 8 { 1 } else { 2 };
    Sheet {
        samples: planes.data(index),
        stride: planes.stride(index),
        width: planes.plane_width(index) as usize * bytes,
        height: planes.plane_height(index) as usize,
    }
}

/// Width in square pixels; the height stays.
fn square_width(width: usize, aspect: Rational) -> usize {
    let ratio = f64::from(aspect.numerator()) / f64::from(aspect.denominator());
    // Beyond these bounds the entry is a mistake, not a shape of pixel that any camera has.
    if (0.2..=5.0).contains(&ratio) { (width as f64 * ratio).round().max(1.0) as usize } else { width }
}

fn matrix(frame: &frame::Video) -> ColourMatrix {
    if is_rgb(frame.format()) {
        return ColourMatrix::Bt601; // what the scaler makes of red, green and blue
    }
    match frame.color_space() {
        color::Space::BT709 => ColourMatrix::Bt709,
        color::Space::BT470BG | color::Space::SMPTE170M | color::Space::FCC => ColourMatrix::Bt601,
        color::Space::BT2020NCL | color::Space::BT2020CL => ColourMatrix::Bt2020,
        // Unstated: high definition is BT.709 and the rest BT.601, as players take it. Common practice, no source.
        _ if frame.width().min(frame.height()) >= 720 => ColourMatrix::Bt709,
        _ => ColourMatrix::Bt601,
    }
}

fn transfer(frame: &frame::Video) -> Transfer {
    match frame.color_transfer_characteristic() {
        color::TransferCharacteristic::Linear => Transfer::Linear,
        color::TransferCharacteristic::IEC61966_2_1 => Transfer::Srgb,
        _ => Transfer::Bt709,
    }
}

fn empty_plane() -> Plane {
    Plane { width: 0, height: 0, samples: Vec::new() }
}
