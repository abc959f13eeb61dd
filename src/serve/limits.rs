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
    /// Address space, bytes. A 4K clip needs about half a gigabyte; threads and FFmpeg reserve more than they use.
    pub memory_bytes: u64,
    /// Processor time, s.
    pub processor_s: u64,
    /// Time on the wall, s.
    pub wall_s: u64,
    /// Largest file it may write, bytes.
    pub file_bytes: u64,
    /// Largest picture, pixels: 8K UHD is 33 million.
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
            head: Duration::from_secs(10),
            jobs: std::thread::available_parallelism().map_or(1, usize::from),
            child: ChildLimits::default(),
            keep: Duration::from_secs(60 * 24 * 3600),
        }
    }
}

impl Default for ChildLimits {
    fn default() -> Self {
        Self { memory_bytes: 3 << 30, processor_s: 1200, wall_s: 1800, file_bytes: 1 << 30, picture_pixels: 36_000_000 }
    }
}
