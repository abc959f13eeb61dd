//! Why a clip could not be read or written, and what to do about it.

use std::io;
use std::path::PathBuf;

/// Why a clip could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClipError {
    #[error("cannot read the clip: {0}")]
    Unreadable(String),
    #[error("cannot read `{}`{}", path.display(), reason(source))]
    NotReadable { path: PathBuf, source: io::Error },
    #[error("the file is empty: `{0}`")]
    Empty(PathBuf),
    #[error("not a video that can be read: `{0}`")]
    NotAVideo(PathBuf),
    #[error("the file ends before its table of contents, without which no frame can be found: `{0}`")]
    TableOfContentsMissing(PathBuf),
    #[error("no video in the file, only sound or other data: `{0}`")]
    NoVideoStream(PathBuf),
    #[error("no decoder for `{codec}` on this machine: `{path}`")]
    NoDecoder { codec: String, path: PathBuf },
    #[error("not one whole frame in the file: `{0}`")]
    NoFrames(PathBuf),
    #[error("the name of the file is not valid text: `{0}`")]
    NameNotText(PathBuf),
    #[error("no pictures in the folder: `{0}`")]
    NoPictures(PathBuf),
    #[error("pictures say nothing of time, and no frame rate was stated: `{0}`")]
    NoPictureRate(PathBuf),
    #[error("the clip says nothing of time, and no capture rate was stated")]
    NoTimes,
    #[error("no camera records {0} frames per second")]
    BadRate(f64),
    #[error("by the file's times the clip runs at {rate_hz:.4e} frames per second, which no camera records")]
    BadTimes { rate_hz: f64 },
    #[error("pictures of {width}×{height} pixels are larger than any camera's: `{path}`")]
    TooLarge { path: PathBuf, width: usize, height: usize },
    #[error("there is no moving picture number {track} in the file, which has {tracks}: `{path}`")]
    NoSuchTrack { path: PathBuf, track: usize, tracks: usize },
    #[error("phones don't record in `{codec}`, and clips of this kind aren't opened here: `{path}`")]
    CodecNotTaken { codec: String, path: PathBuf },
    #[error("the time window from {from_s} s to {to_s} s holds no time")]
    BadWindow { from_s: f64, to_s: f64 },
    #[error("pictures of {width}×{height} and {other_width}×{other_height} pixels in one clip: `{path}`")]
    SizesDiffer { path: PathBuf, width: usize, height: usize, other_width: usize, other_height: usize },
    #[error("`{0}` does not end in a kind of clip that can be written")]
    UnknownEnding(PathBuf),
    #[error("no encoder for {0} on this machine")]
    NoEncoder(&'static str),
    #[error("{codec} cannot hold pictures of {width}×{height} pixels, because a side is odd")]
    OddSize { codec: &'static str, width: usize, height: usize },
    #[error("a frame at {stamp_s} s cannot follow one at {previous_s} s")]
    StampsNotRising { stamp_s: f64, previous_s: f64 },
    #[error("a clip of this kind cannot be marked as turned or mirrored: `{0}`")]
    NoTurns(PathBuf),
    #[error("no frame was written, so there is no clip: `{0}`")]
    NothingWritten(PathBuf),
    #[error("cannot write `{path}`: {reason}")]
    NotWritable { path: PathBuf, reason: String },
}

/// What the system or the reader says beyond "no such file".
fn reason(source: &io::Error) -> String {
    if source.kind() == io::ErrorKind::NotFound { String::new() } else { format!(": {source}") }
}

impl ClipError {
    /// What to do next, where there is something to do.
    pub fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::NotReadable { source, .. } if source.kind() == io::ErrorKind::NotFound => {
                "check the spelling of the path"
            }
            Self::NotReadable { source, .. } if source.kind() == io::ErrorKind::InvalidInput => {
                "give the recording itself, as a file, or a folder of pictures"
            }
            Self::NotReadable { .. } => "check that you may read it, and that the card or drive is still there",
            Self::Empty(_) => "copy the recording from the phone again; the copy was cut off at the start",
            Self::NotAVideo(_) | Self::Unreadable(_) => {
                "give the recording itself, such as an .mp4, .mov, .webm, .mkv or .avi file"
            }
            Self::TableOfContentsMissing(_) => {
                "copy the recording from the phone again; phones write the table of contents last, and a cut copy lacks it"
            }
            Self::NoVideoStream(_) => "give the recording itself, not its sound track",
            Self::NoDecoder { .. } => {
                "convert the clip to H.264 without changing its frame times, or install the decoder"
            }
            Self::NoFrames(_) => "copy the recording from the phone again, or film again for longer",
            Self::NameNotText(_) => "rename the file with plain letters and digits",
            Self::NoPictures(_) => "put the frames into the folder as .png, .jpg or .jpeg files, named in their order",
            Self::NoPictureRate(_) => "state how many pictures were taken per second, as in `--picture-rate 240`",
            Self::NoTimes => "state how many frames were recorded per second",
            Self::BadRate(_) => "state frames per second, from 1 to 100000, such as 240",
            Self::BadTimes { .. } => {
                "give the recording itself, not a copy whose times were changed; or state how many frames per second were recorded"
            }
            Self::TooLarge { .. } => "film at 1080p or 4K; more pixels don't help",
            Self::NoSuchTrack { .. } => "count the moving pictures of the file from 1, or leave `--track` out",
            Self::CodecNotTaken { .. } => "convert the clip to H.264 without changing its frame times",
            Self::BadWindow { .. } => "give the earlier time first, in seconds from the first frame",
            Self::SizesDiffer { .. } => "keep the pictures of one clip in a folder of their own",
            Self::UnknownEnding(_) => "let the name end in .mp4, .m4v, .mov, .3gp, .webm, .mkv or .avi",
            Self::NoEncoder(_) => "choose another codec",
            Self::OddSize { .. } => "cut the pictures to even sides, or choose VP9 or MPEG-4",
            Self::NoTurns(_) => "write an .mp4 or .mov file, or turn the pictures themselves",
            Self::StampsNotRising { .. } => "push frames in the order of their times",
            Self::NotWritable { .. } => "check that the folder is there, may be written to, and has room",
            Self::NothingWritten(_) => "push at least one picture",
        };
        Some(hint.to_owned())
    }
}
