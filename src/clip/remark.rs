//! What a reader of a result must know of how a clip was stored.

use serde::{Deserialize, Serialize};

/// Something about the file, beside its times, that was met while reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Remark {
    /// So many of the frames hold two half-pictures each, taken one after the other (Rec. ITU-R BT.601: fields).
    Interlaced { frames: usize, of: usize },
    /// The file asks for a turn that isn't by quarters, or for stretching or slanting; the nearest quarter turn was taken.
    OddTurn,
    /// Pictures of a wider range of brightness than usual; they were brought to the ordinary one.
    WideRange { curve: String },
    /// There are other moving pictures in the file.
    OtherTracks { used: usize, tracks: usize },
    /// The tag names a rate at which no camera records; it wasn't used.
    ImpossibleRate { capture_rate_hz: f64 },
}

impl Remark {
    /// What was met and what to do, in a sentence or two.
    pub fn message(&self) -> String {
        match self {
            Self::Interlaced { frames, of } => format!(
                "{frames} of {of} frames are interlaced: each holds two half-pictures of two moments, so that a moving ball is torn into a \
                 comb and its place and time are doubtful. Film again with the camera set to progressive (`p` instead of `i`)."
            ),
            Self::OddTurn => {
                "the file asks for a picture that is slanted, stretched or turned by other than quarters; the nearest \
                              quarter turn was taken. Check the level by a stated plumb line."
                    .to_owned()
            }
            Self::WideRange { curve } => {
                format!(
                    "filmed with a wide range of brightness ({curve}); brought to ordinary range. Places aren't changed by it."
                )
            }
            Self::OtherTracks { used, tracks } => format!(
                "the file holds {tracks} moving pictures, and number {used} was measured. `--track N` takes another."
            ),
            Self::ImpossibleRate { capture_rate_hz } => format!(
                "tagged as recorded at {capture_rate_hz} frames per second, which no camera does; the frame times were used. If it is slow \
                 motion, state the rate of recording."
            ),
        }
    }
}
