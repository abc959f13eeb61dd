//! Writing files so that a reader never meets half of one.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use image::RgbImage;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};

/// Why an output could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    #[error("cannot write `{}`: {source}", path.display())]
    NotWritten { path: PathBuf, source: io::Error },
}

impl FileError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        "check that the folder exists, may be written to, and that the disk isn't full; or give another folder"
            .to_owned()
    }
}

/// Writes `bytes` to a temporary file beside `path` and renames it there, so that `path` is either whole or as before.
///
/// # Errors
/// [`FileError::NotWritten`]; the temporary file is then removed.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), FileError> {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".part");
    let temporary = path.with_file_name(name);
    // Not forced to the disk: that costs tens of milliseconds a file, and any file here can be made again.
    let written = fs::write(&temporary, bytes).and_then(|()| fs::rename(&temporary, path));
    written.map_err(|source| {
        // Nothing is lost when this fails too: the first failure is the one to report.
        let _ = fs::remove_file(&temporary);
        FileError::NotWritten { path: path.to_owned(), source }
    })
}

/// `image` as the bytes of a PNG file, with its size in the world when `dots_per_inch` is given.
pub fn png(image: &RgbImage, dots_per_inch: Option<f64>) -> Vec<u8> {
    use image::ImageEncoder;
    let mut bytes = Vec::new();
    let encoder = PngEncoder::new_with_quality(&mut bytes, CompressionType::Default, FilterType::Adaptive);
    encoder
        .write_image(image.as_raw(), image.width(), image.height(), image::ExtendedColorType::Rgb8)
        .expect("writing to memory, of a picture whose size fits its pixels");
    match dots_per_inch {
        Some(dpi) => with_density(bytes, dpi),
        None => bytes,
    }
}

/// Puts a `pHYs` chunk behind the header (PNG specification, 3rd edition, §11.3.5.3), so that a word processor places
/// the picture at its intended size.
fn with_density(png: Vec<u8>, dots_per_inch: f64) -> Vec<u8> {
    const AFTER_HEADER: usize = 8 + 25;
    let per_metre = (dots_per_inch / 0.0254).round() as u32;
    let mut chunk = b"pHYs".to_vec();
    chunk.extend(per_metre.to_be_bytes());
    chunk.extend(per_metre.to_be_bytes());
    chunk.push(1);
    let mut out = png[..AFTER_HEADER].to_vec();
    out.extend(9_u32.to_be_bytes());
    out.extend(&chunk);
    out.extend(crc32(&chunk).to_be_bytes());
    out.extend(&png[AFTER_HEADER..]);
    out
}

/// The checksum of PNG chunks (PNG specification, annex D), bit by bit: it runs over 13 bytes.
fn crc32(bytes: &[u8]) -> u32 {
    let step = |crc: u32, _| if crc & 1 == 1 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 };
    !bytes.iter().fold(u32::MAX, |crc, &byte| (0..8).fold(crc ^ u32::from(byte), step))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_whole_and_nothing_is_left_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("shot.csv");
        write_atomically(&path, b"old").unwrap();
        write_atomically(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_missing_folder_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("missing").join("shot.csv");
        let error = write_atomically(&path, b"x").unwrap_err();
        assert!(error.to_string().contains("missing"), "{error}");
    }

    /// Check value of CRC-32 for the string "123456789" as the usual catalogues of CRCs give it (from memory).
    #[test]
    fn checksum_matches_its_catalogue_value() {
        assert_eq!(crc32(b"123456789"), 0xcbf4_3926);
    }

    #[test]
    fn a_png_with_density_is_still_read() {
        let image = RgbImage::from_pixel(5, 3, image::Rgb([1, 2, 3]));
        let bytes = png(&image, Some(300.0));
        assert_eq!(image::load_from_memory(&bytes).unwrap().to_rgb8(), image);
        // 300 dots per inch are 11 811 per metre.
        assert!(bytes.windows(8).any(|w| w == [0, 0, 0x2e, 0x23, 0, 0, 0x2e, 0x23]));
    }
}
