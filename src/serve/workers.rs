//! Takes jobs from the queue, has children do them, and writes down what came of them.

use std::fs;
use std::path::PathBuf;
use std::sync::Arc;

use super::child::{self, Ended, Look, Order, Said, Task};
use super::error::{Failure, FailureKind, Refusal};
use super::limits::ChildLimits;
use super::queue::{Job, JobKind};
use super::recording::{KeptFrames, Recording, RunState};
use super::room::{Room, private_folder};
use crate::measurement::Measurement;
use crate::report::files::write_atomically;
use crate::report::json::document;
use crate::report::numbers::DecimalMark;

/// Starts as many workers as clips may be worked on at a time. They end with the runtime.
pub fn start(room: &Arc<Room>) {
    for _ in 0..room.limits.jobs.max(1) {
        let room = room.clone();
        tokio::spawn(async move {
            loop {
                let (job, cancel) = room.queue.take().await;
                room.changed();
                let ended = one(&room, &job, cancel).await;
                room.note_progress(&job, None);
                room.queue.finished(&job);
                if let Err(refusal) = write_down(&room, &job, ended) {
                    // The recording was removed meanwhile, or the disk is full; the next start lines the job up again.
                    let _ = refusal;
                }
                room.changed();
            }
        });
    }
}

async fn one(room: &Arc<Room>, job: &Job, cancel: tokio::sync::watch::Receiver<bool>) -> Ended {
    let order = match order(room, job) {
        Ok(order) => order,
        Err(refusal) => return Ended::Failed(Failure::new(FailureKind::Fault, refusal.message, refusal.hint)),
    };
    // One clip alone may use all cores; side by side each keeps to one.
    let threads = if room.queue.working() > 1 { 1 } else { room.limits.jobs.max(1) };
    let mut last: Option<Said> = None;
    let hear = |said: Said| {
        if last.as_ref() != Some(&said) {
            room.note_progress(job, Some(said.clone()));
            last = Some(said);
        }
    };
    child::run(&room.program, &order, threads, cancel, hear).await
}

fn order(room: &Room, job: &Job) -> Result<Order, Refusal> {
    let recording = room.recording(&job.group, &job.recording).ok_or_else(Refusal::not_found)?;
    let own = room.recording_folder(&job.group, &job.recording);
    let run = |number: u32| recording.runs.iter().find(|run| run.number == number).ok_or_else(Refusal::not_found);
    let run_folder = |number| room.run_folder(&job.group, &job.recording, number);
    let (task, folder) = match job.kind {
        JobKind::Look => (Task::Look, own.clone()),
        JobKind::Measure(number) => {
            (Task::Measure { settings: Box::new(run(number)?.settings.clone()) }, run_folder(number))
        }
        JobKind::Mend(number, mended) => {
            let run = run(number)?;
            let mended = run.mended.iter().find(|other| other.number == mended).ok_or_else(Refusal::not_found)?;
            (Task::Mend { number: mended.number, mending: mended.mending.clone() }, run_folder(number))
        }
        JobKind::Frames(number) => {
            let frames = run(number)?.frames.clone().ok_or_else(Refusal::not_found)?;
            (Task::Frames { ranges: frames.ranges, cut: frames.cut }, run_folder(number))
        }
        JobKind::Peek => {
            let peek = recording.peek.as_ref().ok_or_else(Refusal::not_found)?;
            (Task::Peek { from: peek.from, step: peek.step, most: MOST_PEEKED }, own.clone())
        }
        JobKind::Overlay => (
            Task::Overlay { measurement: overlay_input(room, job, &recording)?, mark: DecimalMark::Point },
            own.clone(),
        ),
    };
    private_folder(&folder).map_err(Refusal::internal)?;
    let limits = limits(room.limits.child, job.kind, recording.look.as_ref());
    Ok(Order { limits, clip: own.join("clip"), name: recording.name, folder, task })
}

/// No clip may take longer than is in line with its length, whatever it says of itself.
fn limits(most: ChildLimits, kind: JobKind, look: Option<&Look>) -> ChildLimits {
    /// For starting, and for what is done once.
    const START_S: f64 = 60.0;
    /// Twenty times what a 1080p clip takes a pixel of its frames on two busy cores. Common practice, no source.
    const S_PER_PIXEL: f64 = 4e-7;
    let pixels = match (kind, look) {
        (JobKind::Look | JobKind::Mend(..), _) => 0.0,
        (_, Some(look)) => look.frames.unwrap_or(10_000) as f64 * (look.width * look.height) as f64,
        (_, None) => f64::INFINITY,
    };
    let wall_s = (START_S + S_PER_PIXEL * pixels).min(most.wall_s as f64) as u64;
    // Every core may be busy with it.
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    ChildLimits { wall_s, processor_s: most.processor_s.min(wall_s * cores), ..most }
}

/// Writes what is shown for the child to draw.
fn overlay_input(room: &Room, job: &Job, recording: &Recording) -> Result<PathBuf, Refusal> {
    let measured = room.measured(&job.group, recording)?.ok_or_else(Refusal::not_found)?;
    let path = room.recording_folder(&job.group, &job.recording).join("overlay.json");
    write_atomically(&path, document(&measured.shown).as_bytes()).map_err(Refusal::internal)?;
    Ok(path)
}

fn write_down(room: &Room, job: &Job, ended: Ended) -> Result<(), Refusal> {
    match job.kind {
        JobKind::Look => looked(room, job, ended),
        JobKind::Measure(number) => measured(room, job, number, ended),
        JobKind::Mend(number, mended) => mended_once(room, job, (number, mended), ended),
        JobKind::Frames(number) => room.change(&job.group, &job.recording, |recording| {
            recording.revision += 1;
            if let Some(frames) = recording.run_numbered(number).and_then(|run| run.frames.as_mut()) {
                // What can't be had isn't tried again and again: the page shows the cuttings then.
                frames.ready = true;
            }
        }),
        JobKind::Peek => peeked(room, job, ended),
        JobKind::Overlay => room.change(&job.group, &job.recording, |recording| {
            recording.revision += 1;
            if let Some(overlay) = &mut recording.overlay {
                overlay.state = state_of(ended);
            }
        }),
    }
}

fn mended_once(room: &Room, job: &Job, (run, number): (u32, u32), ended: Ended) -> Result<(), Refusal> {
    room.change(&job.group, &job.recording, |recording| {
        recording.revision += 1;
        let run = recording.run_numbered(run);
        // One that was given up meanwhile isn't there any more.
        let mended = run.and_then(|run| run.mended.iter_mut().find(|mended| mended.number == number));
        if let Some(mended) = mended {
            mended.state = state_of(ended);
        }
    })
}

/// Frames that are shown at a time to find the ball in.
pub const MOST_PEEKED: usize = 150;

fn peeked(room: &Room, job: &Job, ended: Ended) -> Result<(), Refusal> {
    let folder = room.recording_folder(&job.group, &job.recording);
    let read = || serde_json::from_slice(&fs::read(folder.join("peek.json")).ok()?).ok();
    let frames: Option<Vec<(usize, Option<f64>)>> = (ended == Ended::Done).then(read).flatten();
    room.change(&job.group, &job.recording, |recording| {
        recording.revision += 1;
        if let Some(peek) = &mut recording.peek {
            peek.state = state_of(ended);
            peek.frames = frames.unwrap_or_default();
        }
    })
}

fn state_of(ended: Ended) -> RunState {
    match ended {
        Ended::Done => RunState::Done,
        Ended::Failed(failure) => RunState::Failed(failure),
        Ended::Cancelled => RunState::Cancelled,
    }
}

fn looked(room: &Room, job: &Job, ended: Ended) -> Result<(), Refusal> {
    let path = room.recording_folder(&job.group, &job.recording).join("look.json");
    let look = fs::read(path).ok().and_then(|bytes| serde_json::from_slice::<Look>(&bytes).ok());
    let failure = match (ended, look) {
        (Ended::Done, Some(look)) => return room.looked(&job.group, &job.recording, look),
        (Ended::Failed(failure), _) => failure,
        _ => Failure::new(FailureKind::Fault, "The first look was stopped.", "Send the clip again."),
    };
    room.change(&job.group, &job.recording, |recording| {
        recording.refused = Some(failure);
        recording.revision += 1;
    })
}

fn measured(room: &Room, job: &Job, number: u32, ended: Ended) -> Result<(), Refusal> {
    let path = room.run_folder(&job.group, &job.recording, number).join("measurement.json");
    let read = || fs::read(&path).ok().and_then(|bytes| serde_json::from_slice::<Measurement>(&bytes).ok());
    let frames = (ended == Ended::Done).then(read).flatten().map(|measurement| frames_to_keep(&measurement));
    let wanted = frames.is_some();
    let again = room.change(&job.group, &job.recording, |recording| {
        recording.revision += 1;
        let Some(run) = recording.run_numbered(number) else { return false };
        // Cancelled, and wanted again before the child had ended.
        let again = ended == Ended::Cancelled && run.state == RunState::Wanted;
        if !again {
            run.state = state_of(ended);
            run.frames = frames;
        }
        again
    })?;
    if again {
        room.queue.push(job.clone());
    }
    if wanted {
        room.queue.push(Job { kind: JobKind::Frames(number), ..job.clone() });
        room.mend_if_needed(&job.group, &job.recording)?;
    }
    Ok(())
}

/// The frames of the flights and a few around them, cut to where the balls fly with room about them.
fn frames_to_keep(measurement: &Measurement) -> KeptFrames {
    const BEFORE: usize = 6;
    const AFTER: usize = 6;
    /// More than this would fill the disk; a flight of a second at 240 frames per second fits.
    const MOST: usize = 400;
    let mut left = MOST;
    let mut ranges = Vec::new();
    for flight in &measurement.flights {
        let (Some(first), Some(last)) = (flight.sightings.first(), flight.sightings.last()) else { continue };
        let from = first.frame.saturating_sub(BEFORE);
        let to = (last.frame + AFTER).min(from + left.saturating_sub(1));
        if left > 0 {
            left -= (to - from + 1).min(left);
            ranges.push((from, to));
        }
    }
    KeptFrames { ranges, cut: cut(measurement), ready: false }
}

fn cut(measurement: &Measurement) -> (u32, u32, u32, u32) {
    let (width, height) = (measurement.clip.width as f64, measurement.clip.height as f64);
    let points = || measurement.flights.iter().flat_map(|flight| flight.sightings.iter().map(|s| s.centre_px));
    let radius = measurement.flights.iter().flat_map(|f| f.sightings.iter().map(|s| s.radius_px)).fold(0.0, f64::max);
    let margin = (0.15 * width.max(height)).max(6.0 * radius);
    let low = |value: fn(crate::units::PixelPoint) -> f64| {
        (points().map(value).fold(f64::MAX, f64::min) - margin).max(0.0).floor()
    };
    let high = |value: fn(crate::units::PixelPoint) -> f64, limit: f64| {
        (points().map(value).fold(0.0, f64::max) + margin).min(limit).ceil()
    };
    let (left, top) = (low(|p| p.x).min(width - 1.0), low(|p| p.y).min(height - 1.0));
    let (right, bottom) = (high(|p| p.x, width), high(|p| p.y, height));
    (left as u32, top as u32, (right - left).max(1.0) as u32, (bottom - top).max(1.0) as u32)
}
