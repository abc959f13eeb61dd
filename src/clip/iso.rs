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

/// Boxes that lie one after the other, at most: an hour of fragments of a tenth of a second. What has more was made to be slow.
const MOST_BOXES: usize = 100_000;

/// The boxes that lie one after the other from `from` to `to`, the last perhaps reaching beyond; at most [`MOST_BOXES`].
pub(super) fn boxes(file: &mut File, from: u64, to: u64) -> io::Result<Vec<IsoBox>> {
    let mut found = Vec::new();
    let mut start = from;
    while start.saturating_add(8) <= to && found.len() < MOST_BOXES {
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
    /// Whether its own structure names the place where it ends, …
    pub end_known: bool,
    /// … and it stops before that.
    pub ends_early: bool,
    /// It is an ISO file (mp4, mov, 3gp) without its table of contents.
    pub lacks_contents: bool,
}

impl Completeness {
    fn by_end(end: Option<u64>, length: u64) -> Self {
        Self { end_known: end.is_some(), ends_early: end.is_some_and(|end| end > length), lacks_contents: false }
    }
}

/// Reads how long the file should be: ISO boxes, the RIFF chunk of an AVI file, or the segment of a Matroska or WebM file.
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
        return Ok(Completeness::by_end(known.then_some(stated + 8), length));
    }
    if head[..4] == EBML_HEADER {
        return Ok(Completeness::by_end(segment_end(file, length)?, length));
    }
    if !matches!(&head[4..8], b"ftyp" | b"moov" | b"mdat" | b"free" | b"skip" | b"wide" | b"pnot") {
        return Ok(Completeness::default());
    }
    let found = boxes(file, 0, length)?;
    if found.len() >= MOST_BOXES {
        return Ok(Completeness::default());
    }
    Ok(Completeness {
        end_known: true,
        ends_early: found.last().is_some_and(|last| last.end > length),
        lacks_contents: !found.iter().any(|one| &one.kind == b"moov" && one.end <= length),
    })
}

/// IDs of the elements that a Matroska or WebM file consists of (RFC 8794, 11.2.1; RFC 9559, 5.1; from
/// memory, and borne out by the files that the tests cut).
const EBML_HEADER: [u8; 4] = [0x1a, 0x45, 0xdf, 0xa3];
const SEGMENT: [u8; 4] = [0x18, 0x53, 0x80, 0x67];

/// Where the segment of a Matroska file should end; `None` where its size isn't known, as in a file written as a stream.
fn segment_end(file: &mut File, length: u64) -> io::Result<Option<u64>> {
    let mut start = 0;
    // The header, perhaps some padding, the segment.
    for _ in 0..8 {
        let mut head = [0; 12];
        if start + head.len() as u64 > length {
            break;
        }
        file.seek(SeekFrom::Start(start))?;
        file.read_exact(&mut head)?;
        let id_bytes = head[0].leading_zeros() as usize + 1;
        let Some((size_bytes, size)) = head.get(id_bytes..).and_then(element_size) else { break };
        let Some(size) = size else { break };
        let end = start.saturating_add((id_bytes + size_bytes) as u64).saturating_add(size);
        if head[..4] == SEGMENT {
            return Ok(Some(end));
        }
        start = end;
    }
    Ok(None)
}

/// A variable-size integer of RFC 8794, section 4: its own bytes, and its value unless all its bits are set, which says "unknown".
fn element_size(bytes: &[u8]) -> Option<(usize, Option<u64>)> {
    let count = bytes.first()?.leading_zeros() as usize + 1;
    if count > 8 {
        return None;
    }
    let value = word(bytes.get(..count)?) & !(u64::MAX << (7 * count));
    Some((count, (value != !(u64::MAX << (7 * count))).then_some(value)))
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

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8794, section 4: a value may be written in more bytes than it needs, and all bits set say "unknown" (values made by the
    /// rule, not copied).
    #[test]
    fn element_sizes_are_read_as_the_standard_writes_them() {
        for (bytes, count) in [(&[0x82][..], 1), (&[0x40, 0x02], 2), (&[0x20, 0x00, 0x02], 3), (&[0x10, 0, 0, 0x02], 4)]
        {
            assert_eq!(element_size(bytes), Some((count, Some(2))));
        }
        assert_eq!(element_size(&[0xff]), Some((1, None)));
        assert_eq!(element_size(&[0x01, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]), Some((8, None)));
        assert_eq!(element_size(&[0x40]), None);
        assert_eq!(element_size(&[0x00, 0x01]), None);
    }

    /// A million empty boxes in 8 MB; a file of hundreds of megabytes may hold fifty times as many.
    #[test]
    fn endless_empty_boxes_are_given_up() {
        use std::io::Write;
        let mut file = tempfile::tempfile().unwrap();
        let ftyp = [&[0, 0, 0, 8][..], b"ftyp"].concat();
        let empty = [&[0, 0, 0, 8][..], b"free"].concat().repeat(1 << 20);
        file.write_all(&ftyp).unwrap();
        file.write_all(&empty).unwrap();
        assert_eq!(completeness(&mut file).unwrap(), Completeness::default());
        let length = file.metadata().unwrap().len();
        assert_eq!(boxes(&mut file, 0, length).unwrap().len(), MOST_BOXES);
    }

    /// A phone's file in short: its kind, a track's head, pictures; and the heads of the other containers.
    #[test]
    fn fuzz_boxes() {
        let of = |kind: &[u8; 4], body: &[u8]| [&(body.len() as u32 + 8).to_be_bytes()[..], kind, body].concat();
        let track = of(b"trak", &of(b"tkhd", &[0; 84]));
        let movie = of(b"moov", &[track.clone(), track].concat());
        let phone = [of(b"ftyp", b"isom0000"), of(b"mdat", &[7; 40]), movie].concat();
        let riff = [b"RIFF".as_slice(), &100_u32.to_le_bytes(), b"AVI LIST"].concat();
        let segment = [&EBML_HEADER[..], &[0x84, 1, 2, 3, 4], &SEGMENT, &[0x01, 0, 0, 0, 0, 0, 0, 9], &[0; 9]].concat();
        crate::fuzz::fuzz("boxes", vec![phone, riff, segment], |bytes| {
            use std::io::Write;
            let mut file = tempfile::tempfile().unwrap();
            file.write_all(bytes).unwrap();
            let _ = completeness(&mut file);
            let _ = track_matrices(&mut file);
        });
    }
}
