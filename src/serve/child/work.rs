//! Inside the child: limits first, then the task.

use std::io::{Read, Write};
use std::path::Path;

use image::codecs::jpeg::JpegEncoder;
use image::{RgbImage, imageops};

use super::keep::write_strobes;
use super::{Look, Order, Said, SeenCard, Task, fence, mended_name};
use crate::camera::CameraError;
use crate::camera::card::find_cards;
use crate::clip::{self, ClipError, ClipInfo, Frame, FrameSource, ReadOptions};
use crate::measure::{MeasureError, Mending, measure_source, mend};
use crate::report::files::write_atomically;
use crate::report::json::document;
use crate::report::overlay::{self, OverlayOptions};
use crate::report::rgb;
use crate::serve::error::{Failure, FailureKind};
use crate::serve::limits::ChildLimits;
use crate::serve::setup::{RunSettings, sentence};
use crate::sight::Progress;
use crate::small_file::{self, MEASUREMENT_BYTES};

/// Reads an order, carries it out and says how it goes. The hidden command does this and nothing else.
pub fn work(mut input: impl Read, output: impl Write) {
    let mut said = Voice { output, last: None };
    let mut text = String::new();
    let order = input.read_to_string(&mut text).map_err(|e| e.to_string());
    let order = order.and_then(|_| serde_json::from_str::<Order>(&text).map_err(|e| e.to_string()));
    let done = order.map_err(fault).and_then(|order| {
        limit(&order.limits)?;
        fence::keep_within(&order.clip, &order.folder);
        carry_out(&order, &mut said)
    });
    said.say(match done {
        Ok(()) => Said::Done,
        Err(failure) => Said::Failed(failure),
    });
}

struct Voice<W> {
    output: W,
    last: Option<std::time::Instant>,
}

impl<W: Write> Voice<W> {
    /// Nobody listening means that nobody wants it any more; the parent ends the child then.
    fn say(&mut self, said: Said) {
        let line = serde_json::to_string(&said).expect("plain numbers and text");
        let _ = writeln!(self.output, "{line}").and_then(|()| self.output.flush());
    }

    /// Progress, a few times a second.
    fn progress(&mut self, said: Said) {
        const PAUSE: std::time::Duration = std::time::Duration::from_millis(200);
        if self.last.is_none_or(|last| last.elapsed() >= PAUSE) {
            self.last = Some(std::time::Instant::now());
            self.say(said);
        }
    }
}

fn fault(what: impl std::fmt::Display) -> Failure {
    Failure::new(
        FailureKind::Fault,
        format!("The program stumbled: {what}."),
        "Try again; if it stays, tell those who look after it.",
    )
}

#[cfg(unix)]
fn limit(limits: &ChildLimits) -> Result<(), Failure> {
    use rustix::process::{Resource, Rlimit, setrlimit};
    let set =
        |resource, value| setrlimit(resource, Rlimit { current: Some(value), maximum: Some(value) }).map_err(fault);
    set(Resource::As, limits.memory_bytes)?;
    set(Resource::Cpu, limits.processor_s)?;
    set(Resource::Fsize, limits.file_bytes)?;
    // The clip, its results, a few pipes; and no more threads than any machine's work takes.
    set(Resource::Nofile, 64)?;
    set(Resource::Nproc, 8192)?;
    // A crash writes no picture of anybody's clip to the disk.
    set(Resource::Core, 0)?;
    // The page stays quick while clips are worked on; where this isn't allowed nothing is lost.
    let _ = rustix::process::nice(5);
    #[cfg(target_os = "linux")]
    let _ = rustix::process::set_parent_process_death_signal(Some(rustix::process::Signal::KILL));
    Ok(())
}

/// Elsewhere only the wall time is limited, by the parent.
#[cfg(not(unix))]
fn limit(_: &ChildLimits) -> Result<(), Failure> {
    Ok(())
}

fn carry_out<W: Write>(order: &Order, voice: &mut Voice<W>) -> Result<(), Failure> {
    match &order.task {
        Task::Mend { number, mending } => return mended(&order.folder, *number, mending),
        Task::Rehearse(forbidden) => {
            voice.say(Said::Could(fence::try_all(forbidden)));
            return Ok(());
        }
        _ => {}
    }
    let mut source = open(order)?;
    match &order.task {
        Task::Mend { .. } | Task::Rehearse(_) => Ok(()),
        Task::Look => look(&mut *source, &order.folder),
        Task::Measure { settings } => measure(&mut *source, order, settings, voice),
        Task::Frames { ranges, cut } => frames(&mut *source, &order.folder, ranges, *cut),
        Task::Peek { from, step, most } => peek(&mut *source, &order.folder, *from, *step, *most),
        Task::Overlay { measurement, mark } => {
            let text = std::fs::read_to_string(measurement).map_err(fault)?;
            let measurement = serde_json::from_str(&text).map_err(fault)?;
            let options = OverlayOptions { decimal_mark: *mark, ..OverlayOptions::default() };
            let of = source.frames_stated();
            let mut progress = |frames| voice.progress(Said::Reading { frames, of });
            overlay::write(&mut *source, &measurement, &order.folder.join("overlay.mp4"), &options, &mut progress)
                .map_err(|error| {
                    Failure::new(
                        FailureKind::Fault,
                        sentence(&error.to_string()),
                        error.hint().map_or_else(String::new, |h| sentence(&h)),
                    )
                })
        }
    }
}

/// The numbers of a run again, with sightings that were dropped, moved or added by hand.
fn mended(folder: &Path, number: u32, mending: &Mending) -> Result<(), Failure> {
    let read = |name: &str| small_file::bytes(&folder.join(name), MEASUREMENT_BYTES).map_err(fault);
    let found = serde_json::from_slice(&read("measurement.json")?).map_err(fault)?;
    let times = serde_json::from_slice(&read("times.json")?).map_err(fault)?;
    let mended = mend(&found, mending, &times).map_err(|error| {
        let hint = error.hint().map_or_else(|| "Undo it.".to_owned(), |hint| sentence(&hint));
        Failure::new(FailureKind::NoFit, format!("With that change there is no answer: {error}."), hint)
    })?;
    write_atomically(&folder.join(mended_name(number)), document(&mended).as_bytes()).map_err(fault)
}

/// Opens the clip and refuses pictures larger than any phone's.
fn open(order: &Order) -> Result<Box<dyn FrameSource>, Failure> {
    let source = clip::open(&order.clip, &ReadOptions { as_phones_record: true, ..ReadOptions::default() })
        .map_err(|error| clip_failure(&error))?;
    let (width, height) = (source.info().width, source.info().height);
    if (width * height) as u64 > order.limits.picture_pixels {
        return Err(Failure::new(
            FailureKind::TooMuch,
            format!("The pictures of this clip are too large: {width} × {height} pixels."),
            "Film at 1080p or 4K; more pixels don't help.",
        ));
    }
    Ok(source)
}

fn clip_failure(error: &ClipError) -> Failure {
    let hint = error.hint().map_or_else(String::new, |hint| sentence(&hint));
    // The path is the server's own and says nothing to the student.
    let message = match error {
        ClipError::NotAVideo(_) | ClipError::Unreadable(_) | ClipError::NotReadable { .. } => {
            "I can't read this as a video."
        }
        ClipError::Empty(_) => "This file is empty.",
        ClipError::NoFrames(_) => "There isn't one whole picture in this clip.",
        ClipError::NoVideoStream(_) => "There is only sound in this file, no pictures.",
        ClipError::TableOfContentsMissing(_) => {
            "The end of this clip is missing, and with it the list of its pictures."
        }
        other => return Failure::new(FailureKind::NotAClip, sentence(&other.to_string()), hint),
    };
    Failure::new(FailureKind::NotAClip, message, hint)
}

fn look(source: &mut dyn FrameSource, folder: &Path) -> Result<(), Failure> {
    /// In a handful of frames a card is seen, whatever passes before it.
    const LOOKED_AT: usize = 6;
    let frames_stated = source.frames_stated();
    let mut still = None;
    let mut cards = Vec::new();
    for index in 0..LOOKED_AT {
        let Some(frame) = source.next_frame().map_err(|error| clip_failure(&error))? else { break };
        if index % 3 == 0 {
            let found = find_cards(&frame.picture.luma, frame.picture.transfer);
            if found.len() > cards.len() {
                cards = found;
            }
        }
        if still.is_none() {
            still = Some(rgb::from_picture(&frame.picture));
        }
    }
    let still = still.ok_or_else(|| {
        Failure::new(FailureKind::NotAClip, "There isn't one whole picture in this clip.", "Film again for longer.")
    })?;
    write_jpeg(&folder.join("still.jpg"), &still)?;
    let card = |card: &crate::camera::card::FoundCard| SeenCard {
        name: card.name.words(),
        marks: card.marks.iter().map(|mark| mark.corners.map(|p| [p.x, p.y])).collect(),
    };
    let ClipInfo { width, height, codec, stated_rate_hz, capture_rate_tag_hz, .. } = source.info().clone();
    let cards = cards.iter().map(card).collect();
    let look = Look { width, height, codec, stated_rate_hz, capture_rate_tag_hz, frames: frames_stated, cards };
    write_json(&folder.join("look.json"), &look)
}

fn measure<W: Write>(
    source: &mut dyn FrameSource,
    order: &Order,
    settings: &RunSettings,
    voice: &mut Voice<W>,
) -> Result<(), Failure> {
    let of = source.frames_stated();
    let mut progress = |progress: Progress| match progress {
        Progress::Reading { frames } => voice.progress(Said::Reading { frames, of }),
        Progress::Searching { frames } => voice.say(Said::Searching { frames }),
    };
    let outcome = measure_source(source, &settings.to_settings(), &mut progress);
    let mut outcome = outcome.map_err(|error| measure_failure(&error))?;
    outcome.measurement.clip.name.clone_from(&order.name);
    write_strobes(&order.folder, &outcome.strobes).map_err(fault)?;
    write_json(&order.folder.join("times.json"), &outcome.times)?;
    // Last, so that a folder that holds it is whole.
    write_atomically(&order.folder.join("measurement.json"), document(&outcome.measurement).as_bytes()).map_err(fault)
}

fn measure_failure(error: &MeasureError) -> Failure {
    let message = sentence(&error.to_string());
    let hint = || error.hint().map_or_else(String::new, |hint| sentence(&hint));
    match error {
        MeasureError::Clip(error) => clip_failure(error),
        MeasureError::NoFlight { .. } => {
            let all = hint();
            // The rest of the hint names options of the command line.
            let film = all.split(". If the ball").next().unwrap_or_default();
            Failure::new(FailureKind::NoFlight, message, format!("{film}."))
        }
        MeasureError::Camera(CameraError::NoScale) => Failure::new(
            FailureKind::NoScale,
            "Nothing tells me yet how long anything in the picture is.",
            "Drag the two ends of something whose length you know.",
        ),
        MeasureError::Fit(_) | MeasureError::NotABall { .. } => Failure::new(FailureKind::NoFit, message, hint()),
        MeasureError::Camera(_)
        | MeasureError::Ball(_)
        | MeasureError::Mending(_)
        | MeasureError::NoShownFrame { .. } => Failure::new(FailureKind::Setup, message, hint()),
        _ => Failure::new(FailureKind::Fault, message, hint()),
    }
}

fn frames(
    source: &mut dyn FrameSource,
    folder: &Path,
    ranges: &[(usize, usize)],
    cut: (u32, u32, u32, u32),
) -> Result<(), Failure> {
    let last = ranges.iter().map(|range| range.1).max().unwrap_or(0);
    while let Some(frame) = source.next_frame().map_err(|error| clip_failure(&error))? {
        if ranges.iter().any(|(from, to)| (from..=to).contains(&&frame.index)) {
            write_frame(folder, &frame, cut)?;
        }
        if frame.index >= last {
            break;
        }
        source.recycle(frame.picture);
    }
    Ok(())
}

fn peek(source: &mut dyn FrameSource, folder: &Path, from: usize, step: usize, most: usize) -> Result<(), Failure> {
    /// As wide as a phone's screen has pixels; a ball of a hundredth of that can still be pointed at.
    const WIDEST: u32 = 1280;
    let mut made = Vec::new();
    while let Some(frame) = source.next_frame().map_err(|error| clip_failure(&error))? {
        if frame.index >= from && (frame.index - from).is_multiple_of(step.max(1)) {
            let picture = rgb::from_picture(&frame.picture);
            let height = (u64::from(picture.height()) * u64::from(WIDEST) / u64::from(picture.width().max(1))) as u32;
            let small = if picture.width() > WIDEST {
                imageops::resize(&picture, WIDEST, height.max(1), imageops::FilterType::Triangle)
            } else {
                picture
            };
            write_jpeg(&folder.join(format!("peek-{}.jpg", frame.index)), &small)?;
            made.push((frame.index, frame.stamp_s));
        }
        if made.len() >= most {
            break;
        }
        source.recycle(frame.picture);
    }
    write_json(&folder.join("peek.json"), &made)
}

fn write_frame(folder: &Path, frame: &Frame, (left, top, width, height): (u32, u32, u32, u32)) -> Result<(), Failure> {
    let picture = rgb::from_picture(&frame.picture);
    let picture = imageops::crop_imm(&picture, left, top, width, height).to_image();
    write_jpeg(&folder.join(format!("frame-{}.jpg", frame.index)), &picture)
}

fn write_jpeg(path: &Path, picture: &RgbImage) -> Result<(), Failure> {
    /// High enough that nobody sees a difference at four times the size.
    const QUALITY: u8 = 90;
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY).encode_image(picture).map_err(fault)?;
    write_atomically(path, &bytes).map_err(fault)
}

fn write_json(path: &Path, value: &impl serde::Serialize) -> Result<(), Failure> {
    write_atomically(path, &serde_json::to_vec(value).map_err(fault)?).map_err(fault)
}
