//! The process in which a clip is opened.
//!
//! What a stranger uploads is decoded by a large library; so this is done in a process of its own, the program itself with a
//! hidden command, that has limits on memory, time and file size, is kept to its own files (`fence`), and whose end harms nobody. The order goes to its stdin as
//! JSON; what it says comes from its stdout, a JSON object a line. Files go into the recording's own folder.

mod fence;
mod keep;
mod run;
mod work;

use std::net::SocketAddr;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::error::Failure;
use super::limits::ChildLimits;
use super::setup::RunSettings;
use crate::measure::Mending;
use crate::report::numbers::DecimalMark;

pub use keep::{read_strobes, write_strobes};
pub use run::{Ended, run, unguarded};
pub use work::work;

/// The hidden command's name.
pub const COMMAND: &str = "open-clip";

/// What the child is to do, and within which limits.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Order {
    pub limits: ChildLimits,
    /// The uploaded file, under a name of our own.
    pub clip: PathBuf,
    /// The name that its owner gave it; only shown.
    pub name: String,
    /// Where the results go; it is there.
    pub folder: PathBuf,
    pub task: Task,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Task {
    /// Writes `still.jpg` and `look.json`.
    Look,
    /// Writes `measurement.json`, `times.json`, `strobes.json` and `strobes.raw`.
    Measure { settings: Box<RunSettings> },
    /// Writes `frame-N.jpg` for the frames from the first to the last number of each pair, cut to `cut` (left, top, width, height).
    Frames { ranges: Vec<(usize, usize)>, cut: (u32, u32, u32, u32) },
    /// Writes `peek-N.jpg`, made small, for every `step`th frame from `from` on, at most so many, and their numbers and times as
    /// `peek.json`.
    Peek { from: usize, step: usize, most: usize },
    /// Tries what a child must not be able to do; the clip isn't opened.
    Rehearse(Forbidden),
    /// Writes the run's measurement with sightings mended as `mended-N.json`; the clip isn't opened.
    Mend { number: u32, mending: Mending },
    /// Writes `overlay.mp4` of the measurement in that file.
    Overlay { measurement: PathBuf, mark: DecimalMark },
}

/// The file of a run's measurement with the mending of that number.
pub fn mended_name(number: u32) -> String {
    format!("mended-{number}.json")
}

/// A line of what the child says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Said {
    /// So many frames have been read, of how many where the file says so.
    Reading {
        frames: usize,
        of: Option<usize>,
    },
    /// So many frames are being searched.
    Searching {
        frames: usize,
    },
    /// What of the forbidden worked.
    Could(Vec<String>),
    Done,
    Failed(Failure),
}

/// Things outside the child's own folder, to try whether it is kept from them.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Forbidden {
    /// A file that is there.
    pub file: PathBuf,
    /// Where somebody listens.
    pub address: SocketAddr,
    pub program: PathBuf,
}

/// What a first look at a clip shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Look {
    pub width: usize,
    pub height: usize,
    pub codec: String,
    pub stated_rate_hz: Option<f64>,
    pub capture_rate_tag_hz: Option<f64>,
    pub frames: Option<usize>,
    /// Cards in view: name, and the corners of their marks, px.
    pub cards: Vec<SeenCard>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeenCard {
    pub name: String,
    pub marks: Vec<[[f64; 2]; 4]>,
}
