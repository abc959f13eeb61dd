//! A 64-bit fingerprint of a file's bytes, to tell whether two results come from the same recording.
//!
//! It guards against mix-ups, not against forgery: FNV-1a (Fowler, Noll and Vo; RFC 9923) taken over words of eight bytes, so
//! that a long clip is read as fast as the disk gives it, with the length mixed in at the end.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

const OFFSET_BASIS: u64 = 0xcbf2_9ce4_8422_2325;
const PRIME: u64 = 0x0000_0100_0000_01b3;
const CHUNK_BYTES: usize = 1 << 16;

/// Bytes taken in so far.
#[derive(Debug, Clone)]
pub(super) struct Fingerprint {
    state: u64,
    length: u64,
}

impl Fingerprint {
    pub(super) fn new() -> Self {
        Self { state: OFFSET_BASIS, length: 0 }
    }

    /// Takes in the whole of `reader`.
    pub(super) fn read(&mut self, mut reader: impl Read) -> io::Result<()> {
        let mut chunk = vec![0; CHUNK_BYTES];
        loop {
            let filled = fill(&mut reader, &mut chunk)?;
            for word in chunk[..filled].chunks(8) {
                let mut bytes = [0; 8];
                bytes[..word.len()].copy_from_slice(word);
                self.mix(u64::from_le_bytes(bytes));
            }
            self.length += filled as u64;
            if filled < chunk.len() {
                return Ok(());
            }
        }
    }

    pub(super) fn hexadecimal(mut self) -> String {
        self.mix(self.length);
        format!("{:016x}", self.state)
    }

    fn mix(&mut self, word: u64) {
        // The rotation carries the high bits down, which a product alone never does.
        self.state = (self.state ^ word).wrapping_mul(PRIME).rotate_left(29);
    }
}

/// Fills `chunk` as far as `reader` has bytes, so that words fall on the same places whatever the reader's own steps.
fn fill(reader: &mut impl Read, chunk: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0;
    while filled < chunk.len() {
        match reader.read(&mut chunk[filled..]) {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// Fingerprint of one file, or `None` when it can no longer be read.
pub fn of_file(path: &Path) -> Option<String> {
    let mut fingerprint = Fingerprint::new();
    fingerprint.read(File::open(path).ok()?).ok()?;
    Some(fingerprint.hexadecimal())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(bytes: &[u8]) -> String {
        let mut fingerprint = Fingerprint::new();
        fingerprint.read(bytes).unwrap();
        fingerprint.hexadecimal()
    }

    #[test]
    fn every_bit_and_the_length_count() {
        let mut bytes = vec![7_u8; CHUNK_BYTES + 13];
        let whole = of(&bytes);
        assert_eq!(whole, of(&bytes));
        for place in [0, 7, 8, CHUNK_BYTES, CHUNK_BYTES + 12] {
            bytes[place] ^= 0x80;
            assert_ne!(whole, of(&bytes), "byte {place}");
            bytes[place] ^= 0x80;
        }
        // A zero at the end fills the same word but isn't the same file.
        assert_ne!(of(b"ab"), of(b"ab\0"));
    }
}
