//! A folder of PNG or JPEG pictures taken at a stated rate.

use std::cmp::Ordering;
use std::fs::File;
use std::path::{Path, PathBuf};

use image::{ImageReader, RgbImage};

use super::fingerprint::Fingerprint;
use super::{
    ClipError, ClipInfo, ClipReport, ColourMatrix, Frame, FrameSource, MOST_STILL_PIXELS, Picture, Plane, RATES_HZ,
    ReadOptions, Transfer, name_of,
};

/// Pictures of one folder in the natural order of their names, as a [`FrameSource`].
pub(super) struct PictureFolder {
    paths: Vec<PathBuf>,
    rate_hz: f64,
    window_s: Option<(f64, f64)>,
    next: usize,
    info: ClipInfo,
    report: ClipReport,
}

impl PictureFolder {
    pub(super) fn open(path: &Path, options: &ReadOptions) -> Result<Self, ClipError> {
        let paths = pictures_in(path)?;
        let first = paths.first().ok_or_else(|| ClipError::NoPictures(path.to_owned()))?;
        let rate_hz = options.picture_rate_hz.ok_or_else(|| ClipError::NoPictureRate(path.to_owned()))?;
        if !RATES_HZ.contains(&rate_hz) {
            return Err(ClipError::BadRate(rate_hz));
        }
        let image = load(first)?;
        let info = ClipInfo {
            name: name_of(path),
            width: image.width() as usize,
            height: image.height() as usize,
            codec: "pictures".to_owned(),
            container: "folder".to_owned(),
            stated_rate_hz: Some(rate_hz),
            capture_rate_tag_hz: None,
            quarter_turns: 0,
            mirrored: false,
            pixel_aspect_applied: false,
            dynamic_range: "SDR".to_owned(),
            bit_depth: 8,
            rows_along_y: true,
        };
        Ok(Self { paths, rate_hz, window_s: options.window_s, next: 0, info, report: ClipReport::default() })
    }

    fn is_shown(&self, stamp_s: f64) -> bool {
        self.window_s.is_none_or(|(from_s, to_s)| (from_s..=to_s).contains(&stamp_s))
    }
}

impl FrameSource for PictureFolder {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
        while self.next < self.paths.len() {
            let (index, path) = (self.next, self.paths[self.next].clone());
            self.next += 1;
            let stamp_s = index as f64 / self.rate_hz;
            if !self.is_shown(stamp_s) {
                continue;
            }
            let Ok(image) = load(&path) else {
                self.report.decode_errors += 1;
                continue;
            };
            self.same_size(&path, &image)?;
            self.report.frames += 1;
            return Ok(Some(Frame { index, stamp_s: Some(stamp_s), picture: picture_from_rgb(&image) }));
        }
        if self.report.fingerprint.is_none() {
            self.report.fingerprint = fingerprint(&self.paths);
        }
        Ok(None)
    }

    fn report(&self) -> ClipReport {
        self.report.clone()
    }
}

impl PictureFolder {
    fn same_size(&self, path: &Path, image: &RgbImage) -> Result<(), ClipError> {
        let (other_width, other_height) = (image.width() as usize, image.height() as usize);
        let (width, height) = (self.info.width, self.info.height);
        if (other_width, other_height) == (width, height) {
            return Ok(());
        }
        Err(ClipError::SizesDiffer { path: path.to_owned(), width, height, other_width, other_height })
    }
}

fn pictures_in(folder: &Path) -> Result<Vec<PathBuf>, ClipError> {
    let not_readable = |source| ClipError::NotReadable { path: folder.to_owned(), source };
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(not_readable)? {
        let path = entry.map_err(not_readable)?.path();
        let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or("").to_ascii_lowercase();
        if matches!(ending.as_str(), "png" | "jpg" | "jpeg") && path.is_file() && !name_of(&path).starts_with('.') {
            paths.push(path);
        }
    }
    paths.sort_by(|a, b| natural_order(&name_of(a), &name_of(b)));
    Ok(paths)
}

/// Compares names with runs of digits taken as numbers, so that `frame9` comes before `frame10`.
fn natural_order(a: &str, b: &str) -> Ordering {
    let (mut rest_a, mut rest_b) = (a, b);
    while let (Some(next_a), Some(next_b)) = (rest_a.chars().next(), rest_b.chars().next()) {
        let order = if next_a.is_ascii_digit() && next_b.is_ascii_digit() {
            let (number_a, number_b) = (leading_digits(rest_a), leading_digits(rest_b));
            (rest_a, rest_b) = (&rest_a[number_a.len()..], &rest_b[number_b.len()..]);
            let (value_a, value_b) = (number_a.trim_start_matches('0'), number_b.trim_start_matches('0'));
            // Without leading zeros the longer number is the greater; this holds for numbers of any length.
            value_a.len().cmp(&value_b.len()).then_with(|| value_a.cmp(value_b))
        } else {
            (rest_a, rest_b) = (&rest_a[next_a.len_utf8()..], &rest_b[next_b.len_utf8()..]);
            next_a.cmp(&next_b)
        };
        if order != Ordering::Equal {
            return order;
        }
    }
    rest_a.len().cmp(&rest_b.len()).then_with(|| a.cmp(b))
}

fn leading_digits(text: &str) -> &str {
    &text[..text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len())]
}

fn load(path: &Path) -> Result<RgbImage, ClipError> {
    let unreadable = |error: &dyn std::fmt::Display| ClipError::Unreadable(format!("{error}: `{}`", path.display()));
    let reader = || ImageReader::open(path).map_err(|error| unreadable(&error));
    // Its head tells how large it would be, before there is any memory for it.
    let (width, height) = reader()?.into_dimensions().map_err(|error| unreadable(&error))?;
    if u64::from(width) * u64::from(height) > MOST_STILL_PIXELS {
        let (width, height) = (width as usize, height as usize);
        return Err(ClipError::TooLarge { path: path.to_owned(), width, height });
    }
    Ok(reader()?.decode().map_err(|error| unreadable(&error))?.into_rgb8())
}

fn fingerprint(paths: &[PathBuf]) -> Option<String> {
    let mut fingerprint = Fingerprint::new();
    for path in paths {
        fingerprint.read(File::open(path).ok()?).ok()?;
    }
    Some(fingerprint.hexadecimal())
}

/// Luma and chroma of an sRGB picture with the coefficients of Rec. ITU-R BT.601-7 in full range, as JPEG files have them;
/// chroma is the mean over 2×2 pixels.
pub fn picture_from_rgb(image: &RgbImage) -> Picture {
    let (width, height) = (image.width() as usize, image.height() as usize);
    let bright = image.pixels().map(|pixel| (luma(pixel.0) + 0.5) as u8).collect();
    let (chroma_width, chroma_height) = (width.div_ceil(2), height.div_ceil(2));
    let (mut cb, mut cr) = (Vec::new(), Vec::new());
    for y in 0..chroma_height {
        for x in 0..chroma_width {
            let [red, green, blue] = mean_of_four(image, 2 * x as u32, 2 * y as u32);
            let grey = luma([red, green, blue]);
            cb.push(chroma(f64::from(blue) - grey, 1.772));
            cr.push(chroma(f64::from(red) - grey, 1.402));
        }
    }
    let plane = |samples| Plane { width: chroma_width, height: chroma_height, samples };
    Picture {
        luma: Plane { width, height, samples: bright },
        cb: plane(cb),
        cr: plane(cr),
        matrix: ColourMatrix::Bt601,
        transfer: Transfer::Srgb,
    }
}

fn luma<T: Into<f64>>([red, green, blue]: [T; 3]) -> f64 {
    0.299 * red.into() + 0.587 * green.into() + 0.114 * blue.into()
}

fn chroma(difference: f64, full_scale: f64) -> u8 {
    (128.0 + difference / full_scale).round().clamp(0.0, 255.0) as u8
}

fn mean_of_four(image: &RgbImage, x: u32, y: u32) -> [f32; 3] {
    let (right, below) = ((x + 1).min(image.width() - 1), (y + 1).min(image.height() - 1));
    let places = [(x, y), (right, y), (x, below), (right, below)];
    std::array::from_fn(|channel| {
        places.iter().map(|&(x, y)| f32::from(image.get_pixel(x, y).0[channel])).sum::<f32>() / 4.0
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_sort_as_people_count() {
        let mut names = ["b1", "a10.png", "a9.png", "a09.png", "a1b2", "a1b10", "A"];
        names.sort_by(|a, b| natural_order(a, b));
        assert_eq!(names, ["A", "a1b2", "a1b10", "a09.png", "a9.png", "a10.png", "b1"]);
    }

    #[test]
    fn colour_bars_get_the_luma_and_chroma_of_the_standard() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/color_transfer.toml");
        let table: toml::Table = std::fs::read_to_string(path).unwrap().parse().unwrap();
        for bar in table["limited_range"]["bars_bt601"].as_array().unwrap() {
            let rgb = bar["rgb"].as_array().unwrap();
            let pixel: [u8; 3] = std::array::from_fn(|i| (rgb[i].as_float().unwrap() * 255.0).round() as u8);
            let picture = picture_from_rgb(&RgbImage::from_pixel(3, 3, image::Rgb(pixel)));
            let exact = bar["ycbcr_exact"].as_array().unwrap();
            let got = [picture.luma.samples[4], picture.cb.samples[3], picture.cr.samples[3]];
            for (i, got) in got.into_iter().enumerate() {
                let offset = if i == 0 { 0.0 } else { 128.0 };
                let wanted = (exact[i].as_float().unwrap() * 255.0 + offset).clamp(0.0, 255.0);
                // Rounding of the result, and of half grey to 128/255.
                assert!((f64::from(got) - wanted).abs() <= 1.0, "{} {i}", bar["name"]);
            }
        }
    }

    fn folder_with(names: &[&str]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (i, name) in names.iter().enumerate() {
            RgbImage::from_pixel(7, 5, image::Rgb([40 * i as u8; 3])).save(folder.path().join(name)).unwrap();
        }
        folder
    }

    #[test]
    fn pictures_come_in_order_at_the_stated_rate() {
        let folder = folder_with(&["f2.png", "f10.png", "f1.png"]);
        std::fs::write(folder.path().join("notes.txt"), "not a picture").unwrap();
        let options = ReadOptions { picture_rate_hz: Some(50.0), ..ReadOptions::default() };
        let mut source = super::super::open(folder.path(), &options).unwrap();
        let mut greys = Vec::new();
        while let Some(frame) = source.next_frame().unwrap() {
            assert_eq!(frame.stamp_s, Some(frame.index as f64 / 50.0));
            greys.push(frame.picture.luma.samples[0]);
        }
        assert_eq!(greys, [80, 0, 40]);
        assert_eq!(source.report().frames, 3);
        assert!(source.report().fingerprint.is_some());
    }

    #[test]
    fn folders_that_give_no_clip_are_refused_with_the_reason() {
        let empty = tempfile::tempdir().unwrap();
        let with_rate = ReadOptions { picture_rate_hz: Some(50.0), ..ReadOptions::default() };
        let open = |path: &Path, options: &ReadOptions| super::super::open(path, options).err().unwrap();
        assert!(matches!(open(empty.path(), &with_rate), ClipError::NoPictures(_)));
        let folder = folder_with(&["a.png"]);
        assert!(matches!(open(folder.path(), &ReadOptions::default()), ClipError::NoPictureRate(_)));
        for rate in [0.0, 0.5, 1e9, f64::NAN, f64::INFINITY] {
            let bad = ReadOptions { picture_rate_hz: Some(rate), ..ReadOptions::default() };
            assert!(matches!(open(folder.path(), &bad), ClipError::BadRate(_)));
        }
    }

    /// A head of 33 bytes that promises 400 million pixels (PNG specification, 3rd edition, §11.2.1).
    #[test]
    fn pictures_larger_than_any_camera_s_are_refused_by_their_head() {
        let folder = tempfile::tempdir().unwrap();
        let small = crate::report::files::png(&RgbImage::from_pixel(1, 1, image::Rgb([0; 3])), None);
        let mut head = small[..33].to_vec();
        head[16..20].copy_from_slice(&20_000_u32.to_be_bytes());
        head[20..24].copy_from_slice(&20_000_u32.to_be_bytes());
        let checksum = head[12..29].iter().fold(u32::MAX, |crc, &byte| {
            (0..8).fold(crc ^ u32::from(byte), |crc, _| if crc & 1 == 1 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 })
        });
        head[29..33].copy_from_slice(&(!checksum).to_be_bytes());
        std::fs::write(folder.path().join("a.png"), [&head, &small[33..]].concat()).unwrap();
        let options = ReadOptions { picture_rate_hz: Some(50.0), ..ReadOptions::default() };
        let refused = super::super::open(folder.path(), &options).err().unwrap();
        assert!(matches!(refused, ClipError::TooLarge { width: 20_000, height: 20_000, .. }), "{refused}");
    }
}
