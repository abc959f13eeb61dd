//! How much anybody may ask of the server. Values are common practice, no source, but for those whose reason is given.

use std::time::Duration;

use serde::{Deserialize, Serialize};

/// Limits of a room.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Largest upload, bytes. A minute of 4K at 60 frames per second is about 400 MB on usual phones.
    pub upload_bytes: u64,
    /// All recordings of one group together, bytes.
    pub group_bytes: u64,
    /// The recordings of all groups together, bytes: a gigabyte for each of thirty groups.
    pub room_bytes: u64,
    pub recordings_of_a_group: usize,
    /// Uploads of one group at the same time.
    pub uploads_of_a_group: usize,
    /// An upload from which nothing comes for so long is cut off.
    pub upload_silence: Duration,
    /// After `upload_silence`, an upload slower than this on average is cut off, bytes per second.
    pub upload_bytes_per_s: u64,
    pub connections: usize,
    /// Of one address, which may be a router behind which half a class stands with six connections each.
    pub connections_of_one: usize,
    /// A small request's body from which nothing comes for so long is given up, …
    pub body_silence: Duration,
    /// … and a request that isn't answered by then, as when its body drips.
    pub answer: Duration,
    /// A reader that takes less than [`Self::reader_bytes`] of an answer in this time is cut off.
    pub reader: Duration,
    pub reader_bytes: usize,
    /// Of an upload that is refused, so much is read so that the sender comes to read why.
    pub refused_bytes: u64,
    pub refused: Duration,
    /// For the head of a request to arrive.
    pub head: Duration,
    /// Clips worked on at the same time.
    pub jobs: usize,
    pub child: ChildLimits,
    /// Recordings untouched for so long are removed when the server starts.
    pub keep: Duration,
}

/// Limits of the child process that opens a clip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChildLimits {
    /// Address space, bytes. Measured on 4K clips with two threads: 732 MiB for H.264, 790 MiB for HEVC of 10 bits (420 and 590 MiB
    /// of them resident); FFmpeg takes some tens of MiB more for each further core.
    pub memory_bytes: u64,
    /// Processor time, s.
    pub processor_s: u64,
    /// Time on the wall, s.
    pub wall_s: u64,
    /// Largest file it may write, bytes.
    pub file_bytes: u64,
    /// Largest picture, pixels: 4K at 4 : 3 is 13 million. What is larger wouldn't fit the memory.
    pub picture_pixels: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            upload_bytes: 1 << 30,
            group_bytes: 4 << 30,
            room_bytes: 32 << 30,
            recordings_of_a_group: 40,
            uploads_of_a_group: 3,
            upload_silence: Duration::from_secs(20),
            upload_bytes_per_s: 4096,
            connections: 512,
            connections_of_one: 96,
            body_silence: Duration::from_secs(10),
            answer: Duration::from_secs(60),
            reader: Duration::from_secs(20),
            reader_bytes: 64 << 10,
            refused_bytes: 64 << 20,
            refused: Duration::from_secs(20),
            head: Duration::from_secs(10),
            jobs: std::thread::available_parallelism().map_or(1, usize::from),
            child: ChildLimits::default(),
            keep: Duration::from_secs(60 * 24 * 3600),
        }
    }
}

impl Default for ChildLimits {
    fn default() -> Self {
        Self { memory_bytes: 2 << 30, processor_s: 1200, wall_s: 1800, file_bytes: 1 << 30, picture_pixels: 13_000_000 }
    }
}
