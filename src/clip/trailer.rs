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
/// Longest directory that is looked at: some thousand blocks, and a phone writes a handful.
const DIRECTORY_BYTES: u64 = 1 << 16;
const NAME: &[u8] = b"SlowMotion_Data";
/// Longest list of pieces that is read.
const DATA_BYTES: u64 = 1 << 16;

/// The slowed-down pieces named in the trailer; empty when there is none or it doesn't hold together.
pub(super) fn slow_segments(file: &mut File) -> Vec<SlowSegment> {
    read(file).unwrap_or_default()
}

fn read(file: &mut File) -> Option<Vec<SlowSegment>> {
    let length = file.seek(SeekFrom::End(0)).ok()?;
    let tail = bytes(file, length.checked_sub(TAIL_BYTES)?, TAIL_BYTES, TAIL_BYTES)?;
    if &tail[4..] != b"SEFT" {
        return None;
    }
    let directory_length = u64::from(number(&tail)?);
    let directory_start = length.checked_sub(TAIL_BYTES)?.checked_sub(directory_length)?;
    let directory = bytes(file, directory_start, directory_length, DIRECTORY_BYTES)?;
    if directory.get(..4)? != b"SEFH" {
        return None;
    }
    let entries = directory.get(12..)?.chunks_exact(ENTRY_BYTES).take(number(&directory[8..])? as usize);
    for entry in entries {
        let start = directory_start.checked_sub(u64::from(number(&entry[4..])?))?;
        let head_length = 8 + NAME.len() as u64;
        let block_length = u64::from(number(&entry[8..])?);
        // The name alone tells; blocks may be photographs of any size, and many entries may point at one of them.
        let Some(head) = bytes(file, start, head_length, block_length) else { continue };
        if number(&head[4..])? as usize != NAME.len() || &head[8..] != NAME {
            continue;
        }
        let data = bytes(file, start + head_length, block_length - head_length, DATA_BYTES)?;
        return Some(segments(std::str::from_utf8(&data).ok()?));
    }
    None
}

/// `length` bytes from `start` on; `None` where they are more than `most` or the file has fewer.
fn bytes(file: &mut File, start: u64, length: u64, most: u64) -> Option<Vec<u8>> {
    if length > most {
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

    /// A trailer of blocks `(name, data)`, with a directory that names each of them `times` times.
    fn trailer(blocks: &[(&[u8], &[u8])], times: usize) -> Vec<u8> {
        let (mut file, mut starts) = (Vec::new(), Vec::new());
        for (name, data) in blocks {
            starts.push(file.len());
            file.extend([0, 0, 0x90, 0x08]);
            file.extend((name.len() as u32).to_le_bytes());
            file.extend([*name, *data].concat());
        }
        let directory_start = file.len();
        let mut directory =
            [b"SEFH".as_slice(), &106_u32.to_le_bytes(), &((blocks.len() * times) as u32).to_le_bytes()].concat();
        for ((name, data), start) in blocks.iter().zip(starts) {
            let entry = [
                &[0, 0, 0x90, 0x08][..],
                &((directory_start - start) as u32).to_le_bytes(),
                &((8 + name.len() + data.len()) as u32).to_le_bytes(),
            ];
            directory.extend(entry.concat().repeat(times));
        }
        file.extend(&directory);
        file.extend((directory.len() as u32).to_le_bytes());
        file.extend(b"SEFT");
        file
    }

    fn read_back(bytes: &[u8]) -> (Vec<SlowSegment>, std::time::Duration) {
        use std::io::Write;
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(bytes).unwrap();
        let began = std::time::Instant::now();
        (slow_segments(&mut file), began.elapsed())
    }

    #[test]
    fn the_block_is_found_behind_others() {
        let (found, _) = read_back(&trailer(&[(b"Image", b"picture"), (NAME, b"88:879:2")], 1));
        assert_eq!(found, [SlowSegment { from_s: 0.088, to_s: 0.879, factor: 2.0 }]);
    }

    /// Two hundred thousand entries, all of one block of 8 MiB: read as often, it would be 1.6 TB.
    #[test]
    fn many_entries_of_one_large_block_cost_nothing() {
        let large = vec![0; 8 << 20];
        for times in [5_000, 200_000] {
            let (found, took) = read_back(&trailer(&[(b"name", &large)], times));
            assert_eq!(found, []);
            assert!(took.as_secs_f64() < 2.0, "{times} entries took {took:?}");
        }
    }

    #[test]
    fn fuzz_trailers() {
        let seeds = vec![trailer(&[(b"Image", b"picture"), (NAME, b"88:879:2*1255:1970:4")], 1), trailer(&[], 1)];
        crate::fuzz::fuzz("trailers", seeds, |bytes| drop(read_back(bytes)));
    }
}
