//! What the bytes of a file say of its own length, read without a decoder.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

/// A box of an ISO base media file (ISO/IEC 14496-12, section 4.2), places counted from the start of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct IsoBox {
    pub kind: [u8; 4],
    pub start: u64,
    /// First byte after the header.
    pub body: u64,
    pub end: u64,
}

/// The boxes that lie one after the other from `from` to `to`, the last perhaps reaching beyond.
pub(super) fn boxes(file: &mut File, from: u64, to: u64) -> io::Result<Vec<IsoBox>> {
    let mut found = Vec::new();
    let mut start = from;
    while start + 8 <= to {
        let mut header = [0; 16];
        file.seek(SeekFrom::Start(start))?;
        file.read_exact(&mut header[..8])?;
        let size = u64::from(u32::from_be_bytes([header[0], header[1], header[2], header[3]]));
        let kind = [header[4], header[5], header[6], header[7]];
        let (body, end) = match size {
            0 => (start + 8, to),
            1 => {
                if start + 16 > to {
                    break;
                }
                file.read_exact(&mut header[8..])?;
                (start + 16, start.saturating_add(word(&header[8..])))
            }
            _ => (start + 8, start + size),
        };
        if end < body || !kind.iter().all(|byte| matches!(byte, 0x20..=0x7e | 0xa9)) {
            break;
        }
        found.push(IsoBox { kind, start, body, end });
        start = end;
    }
    Ok(found)
}

fn word(bytes: &[u8]) -> u64 {
    bytes.iter().take(8).fold(0, |word, &byte| word << 8 | u64::from(byte))
}

/// What the outermost structure of a file says of its completeness.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Completeness {
    /// The file stops before the place that its own structure names as the end.
    pub ends_early: bool,
    /// It is an ISO file (mp4, mov, 3gp) without its table of contents.
    pub lacks_contents: bool,
}

/// Reads how long the file should be: ISO boxes, or the RIFF chunk of an AVI file.
pub(super) fn completeness(file: &mut File) -> io::Result<Completeness> {
    let length = file.seek(SeekFrom::End(0))?;
    let mut head = [0; 12];
    file.seek(SeekFrom::Start(0))?;
    if length < 12 || file.read_exact(&mut head).is_err() {
        return Ok(Completeness::default());
    }
    if &head[..4] == b"RIFF" {
        let stated = u64::from(u32::from_le_bytes([head[4], head[5], head[6], head[7]]));
        // 0 and the highest number stand for "not known" in files written as a stream.
        let known = stated != 0 && stated != u64::from(u32::MAX);
        return Ok(Completeness { ends_early: known && stated + 8 > length, lacks_contents: false });
    }
    if !matches!(&head[4..8], b"ftyp" | b"moov" | b"mdat" | b"free" | b"skip" | b"wide" | b"pnot") {
        return Ok(Completeness::default());
    }
    let found = boxes(file, 0, length)?;
    Ok(Completeness {
        ends_early: found.last().is_some_and(|last| last.end > length),
        lacks_contents: !found.iter().any(|one| &one.kind == b"moov" && one.end <= length),
    })
}

/// Offsets of the display matrices of all tracks, for writing into them.
pub(super) fn track_matrices(file: &mut File) -> io::Result<Vec<u64>> {
    let length = file.seek(SeekFrom::End(0))?;
    let mut offsets = Vec::new();
    for movie in boxes(file, 0, length)?.iter().filter(|one| &one.kind == b"moov") {
        for track in boxes(file, movie.body, movie.end)?.iter().filter(|one| &one.kind == b"trak") {
            for header in boxes(file, track.body, track.end)?.iter().filter(|one| &one.kind == b"tkhd") {
                let mut version = [0];
                file.seek(SeekFrom::Start(header.body))?;
                file.read_exact(&mut version)?;
                // ISO/IEC 14496-12, 8.3.2: times and durations take 20 bytes in version 0 and 32 in version 1.
                offsets.push(header.body + 4 + if version[0] == 1 { 32 } else { 20 } + 16);
            }
        }
    }
    Ok(offsets)
}
