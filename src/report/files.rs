//! Writing files so that a reader never meets half of one.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use image::RgbImage;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use tempfile::NamedTempFile;

/// Why an output could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    #[error("cannot write `{}`: {source}", path.display())]
    NotWritten { path: PathBuf, source: io::Error },
    #[error("`{}` is there already", path.display())]
    AlreadyThere { path: PathBuf },
}

impl FileError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::NotWritten { .. } => {
                "check that the folder exists, may be written to, and that the disk isn't full; or give another folder"
            }
            Self::AlreadyThere { .. } => "give another name or folder, or say `--overwrite` to replace what is there",
        }
        .to_owned()
    }
}

/// Writes `bytes` to a temporary file beside `path` and renames it there, so that `path` is either whole or as before.
///
/// # Errors
/// [`FileError::NotWritten`]; the temporary file is then removed.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), FileError> {
    // Not forced to the disk: that costs tens of milliseconds a file, and any file here can be made again.
    let written = shared_beside(path).and_then(|file| filled(file, bytes));
    written
        .and_then(|file| Ok(file.persist(path)?))
        .map(drop)
        .map_err(|source| FileError::NotWritten { path: path.to_owned(), source })
}

/// As [`write_atomically`], but what stands at `path` already is never replaced, also when it came there this moment.
///
/// # Errors
/// [`FileError::AlreadyThere`], [`FileError::NotWritten`].
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<(), FileError> {
    let not_written = |source: io::Error| match source.kind() {
        io::ErrorKind::AlreadyExists => FileError::AlreadyThere { path: path.to_owned() },
        _ => FileError::NotWritten { path: path.to_owned(), source },
    };
    let file = shared_beside(path).and_then(|file| filled(file, bytes)).map_err(not_written)?;
    file.persist_noclobber(path).map(drop).map_err(|error| not_written(error.error))
}

/// As [`write_atomically`], for what can't be made again: it is on the disk before it bears its name, so that a power cut leaves the old
/// file or the new one. Nobody but the owner may read it, from its first byte on.
///
/// # Errors
/// When it can't be written; `path` is then as before.
pub fn write_durably(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let file = filled(beside(path)?, bytes)?;
    file.as_file().sync_all()?;
    file.persist(path)?;
    sync_folder(path)
}

/// The rename itself is kept by the folder.
fn sync_folder(path: &Path) -> io::Result<()> {
    // Other systems don't open folders as files, and keep renames by themselves.
    if cfg!(unix)
        && let Some(folder) = path.parent()
    {
        File::open(if folder.as_os_str().is_empty() { Path::new(".") } else { folder })?.sync_all()?;
    }
    Ok(())
}

fn filled(mut file: NamedTempFile, bytes: &[u8]) -> io::Result<NamedTempFile> {
    file.write_all(bytes)?;
    file.flush()?;
    Ok(file)
}

/// A new file in the folder of `path`, under a name that nothing else bears, for its owner alone; removed unless it is renamed.
fn beside(path: &Path) -> io::Result<NamedTempFile> {
    builder(path, &mut tempfile::Builder::new())
}

/// As [`beside`], with the rights that files usually get here.
fn shared_beside(path: &Path) -> io::Result<NamedTempFile> {
    let mut named = tempfile::Builder::new();
    #[cfg(unix)]
    named.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder(path, &mut named)
}

fn builder(path: &Path, named: &mut tempfile::Builder<'_, '_>) -> io::Result<NamedTempFile> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    named.suffix(".part").tempfile_in(folder)
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
    use std::fs;

    #[test]
    fn what_is_there_is_kept_unless_it_is_to_be_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("shot.csv");
        write_new(&path, b"mine").unwrap();
        let refused = write_new(&path, b"other").unwrap_err();
        assert!(matches!(refused, FileError::AlreadyThere { .. }) && refused.hint().contains("--overwrite"));
        assert_eq!(fs::read(&path).unwrap(), b"mine");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn what_is_kept_for_good_is_its_owner_s_and_other_files_everybody_s() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (secret, table) = (folder.path().join("room.json"), folder.path().join("shot.csv"));
        write_durably(&secret, b"{}").unwrap();
        write_durably(&secret, b"[]").unwrap();
        write_atomically(&table, b"x").unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&secret), fs::read(&secret).unwrap().as_slice()), (0o600, &b"[]"[..]));
        // The usual mask takes the right to write from the others.
        assert!(mode(&table) & 0o444 == 0o444, "{:o}", mode(&table));
    }

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
