//! Reading files that people write by hand or that this program wrote: whole, and never more than was thought of.
//!
//! A pipe without a writer would be waited for for ever, and a device never ends; both are refused before they are opened.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;

/// Rigs, corrections and lists of groups; a hundred times what anybody has written.
pub const NOTES_BYTES: u64 = 4 << 20;
/// Measurement files, which hold every sighting and frame time.
pub const MEASUREMENT_BYTES: u64 = 256 << 20;

/// Opens a plain file for reading.
///
/// # Errors
/// When it isn't there, may not be read, or is a folder, pipe, socket or device.
pub fn open(path: &Path) -> io::Result<File> {
    // Asked before opening: opening a pipe waits for somebody to write.
    plain(&fs::metadata(path)?)?;
    let file = File::open(path)?;
    plain(&file.metadata()?)?;
    Ok(file)
}

/// The bytes of a plain file of at most `most_bytes`.
///
/// # Errors
/// As [`open`], and when the file is longer.
pub fn bytes(path: &Path, most_bytes: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path)?.take(most_bytes + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most_bytes {
        let message = format!("it is longer than the {} MB that such a file may have", most_bytes >> 20);
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, message));
    }
    Ok(bytes)
}

/// The text of a plain file of at most `most_bytes`.
///
/// # Errors
/// As [`bytes`], and when it isn't UTF-8.
pub fn text(path: &Path, most_bytes: u64) -> io::Result<String> {
    String::from_utf8(bytes(path, most_bytes)?)
        .map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is no text (UTF-8)"))
}

fn plain(metadata: &fs::Metadata) -> io::Result<()> {
    if metadata.is_file() {
        return Ok(());
    }
    let what = if metadata.is_dir() { "it is a folder" } else { "it is a pipe or a device, and not a plain file" };
    Err(io::Error::new(io::ErrorKind::InvalidInput, what))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_longer_than_allowed_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notes");
        fs::write(&path, vec![b'x'; 1 << 20]).unwrap();
        assert_eq!(bytes(&path, 1 << 20).unwrap().len(), 1 << 20);
        assert_eq!(bytes(&path, (1 << 20) - 1).unwrap_err().kind(), io::ErrorKind::FileTooLarge);
        fs::write(&path, b"\xff").unwrap();
        assert!(text(&path, 9).unwrap_err().to_string().contains("no text"));
    }

    #[cfg(unix)]
    #[test]
    fn pipes_devices_and_folders_are_refused_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        let made = std::process::Command::new("mkfifo").arg(&pipe).status().unwrap();
        assert!(made.success());
        for path in [pipe.as_path(), Path::new("/dev/zero"), folder.path()] {
            assert_eq!(text(path, 9).unwrap_err().kind(), io::ErrorKind::InvalidInput, "{}", path.display());
        }
    }
}
