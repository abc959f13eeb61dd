//! The block that one maker's phones append to a recording, with the pieces that their player shows slowed down.
//!
//! What the bytes show (little-endian throughout): data blocks, each `u16` 0, `u16` kind, `u32` length of the name, the
//! name, the data; then `SEFH`, `u32` version, `u32` count, and per block `u16` 0, `u16` kind, `u32` distance back from
//! `SEFH`, `u32` length; then `u32` length of that directory and `SEFT`, which ends the file. The block named
//! `SlowMotion_Data` holds text: `first:last:mode` in milliseconds of file time, joined by `*`.
//!
//! The pieces say where a player slows down. The stamps in such a file already run evenly at the playback rate, so the
//! clock takes nothing from them.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

use super::SlowSegment;

const TAIL_BYTES: u64 = 8;
const ENTRY_BYTES: usize = 12;
/// Longest trailer that is looked at; photographs taken while filming may lie in it too.
const LONGEST_BYTES: u64 = 1 << 24;

/// The slowed-down pieces named in the trailer; empty when there is none or it doesn't hold together.
pub(super) fn slow_segments(file: &mut File) -> Vec<SlowSegment> {
    read(file).unwrap_or_default()
}

fn read(file: &mut File) -> Option<Vec<SlowSegment>> {
    let length = file.seek(SeekFrom::End(0)).ok()?;
    let tail = bytes(file, length.checked_sub(TAIL_BYTES)?, TAIL_BYTES)?;
    if &tail[4..] != b"SEFT" {
        return None;
    }
    let directory_length = u64::from(number(&tail)?);
    let directory_start = length.checked_sub(TAIL_BYTES)?.checked_sub(directory_length)?;
    let directory = bytes(file, directory_start, directory_length)?;
    if directory.get(..4)? != b"SEFH" {
        return None;
    }
    let entries = directory.get(12..)?.chunks_exact(ENTRY_BYTES).take(number(&directory[8..])? as usize);
    for entry in entries {
        let start = directory_start.checked_sub(u64::from(number(&entry[4..])?))?;
        let block = bytes(file, start, u64::from(number(&entry[8..])?))?;
        let name_end = 8 + number(block.get(4..)?)? as usize;
        if block.get(8..name_end)? == b"SlowMotion_Data" {
            return Some(segments(std::str::from_utf8(block.get(name_end..)?).ok()?));
        }
    }
    None
}

fn bytes(file: &mut File, start: u64, length: u64) -> Option<Vec<u8>> {
    if length > LONGEST_BYTES {
        return None;
    }
    let mut buffer = vec![0; usize::try_from(length).ok()?];
    file.seek(SeekFrom::Start(start)).ok()?;
    file.read_exact(&mut buffer).ok()?;
    Some(buffer)
}

fn number(bytes: &[u8]) -> Option<u32> {
    Some(u32::from_le_bytes(bytes.get(..4)?.try_into().ok()?))
}

fn segments(text: &str) -> Vec<SlowSegment> {
    text.split('*').filter_map(segment).collect()
}

fn segment(text: &str) -> Option<SlowSegment> {
    let mut parts = text.trim().split(':');
    let from_ms: f64 = parts.next()?.parse().ok()?;
    let to_ms: f64 = parts.next()?.parse().ok()?;
    let mode: i32 = parts.next()?.parse().ok()?;
    // Each mode halves the speed of the one before; mode 1 plays at the speed of life.
    ((1..=8).contains(&mode) && to_ms > from_ms).then(|| SlowSegment {
        from_s: from_ms / 1e3,
        to_s: to_ms / 1e3,
        factor: 2_f64.powi(mode - 1),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn segments_are_read_and_nonsense_is_left_out() {
        let found = segments("88:879:2*1255:1970:4*nonsense*9:3:2*1:2");
        assert_eq!(
            found,
            [
                SlowSegment { from_s: 0.088, to_s: 0.879, factor: 2.0 },
                SlowSegment { from_s: 1.255, to_s: 1.970, factor: 8.0 }
            ]
        );
    }

    #[test]
    fn a_trailer_cut_or_lying_about_its_length_gives_nothing() {
        let mut file = tempfile::tempfile().unwrap();
        for tail in [&b"\xff\xff\xff\x00SEFT"[..], b"\x00\x00\x00\x00SEFT", b"SEFT", b""] {
            use std::io::Write;
            file.set_len(0).unwrap();
            file.rewind().unwrap();
            file.write_all(tail).unwrap();
            assert_eq!(slow_segments(&mut file), []);
        }
    }
}
