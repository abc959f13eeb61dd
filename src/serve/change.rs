//! What the sheet changes: another setup, a sighting mended, a step back.

use axum::http::StatusCode;
use serde::{Deserialize, Serialize};

use super::aim::Launch;
use super::error::Refusal;
use super::id::Id;
use super::measured::found;
use super::queue::{Job, JobKind};
use super::recording::{Answer, Overlay, Peek, Recording, RunState};
use super::room::{Room, clean_name};
use super::setup::{Known, Like, Prediction, Setup};
use super::workers::MOST_PEEKED;
use crate::measure::{Mending, Origin, Placed};
use crate::measurement::Measurement;
use crate::report::class::Numbers;
use crate::report::numbers::DecimalMark;
use crate::units::PixelPoint;

/// A mended sighting.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Mend {
    /// The step that the page was showing.
    pub step: u64,
    pub change: Change,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// Not the ball.
    Drop(Vec<usize>),
    /// As the program found it.
    Restore(usize),
    /// Moved, or added where none was.
    Place { frame: usize, at: [f64; 2] },
}

/// A hand with a magnifier finds the middle of a ball to about half a pixel (common practice, no source).
const PLACED_U_PX: f64 = 0.5;

fn current(room: &Room, group: &Id, id: &Id, step: u64) -> Result<Recording, Refusal> {
    let recording = room.recording(group, id).ok_or_else(Refusal::not_found)?;
    if recording.step().serial == step { Ok(recording) } else { Err(gone_on()) }
}

fn gone_on() -> Refusal {
    Refusal::new(
        StatusCode::CONFLICT,
        "This sheet was changed somewhere else meanwhile, in another tab or on another phone.",
        "It shows the newest state now; make your change again if you still want it.",
    )
}

/// What stands on the sheet before a change, for the old values in grey.
fn answers(room: &Room, group: &Id, recording: &Recording) -> Vec<Answer> {
    let measured = room.measured(group, recording).ok().flatten();
    measured.map_or_else(Vec::new, |measured| measured.answers(DecimalMark::Point))
}

/// States another setup; the clip is measured again unless that was done before.
///
/// # Errors
/// When something was typed wrongly, the sheet has gone on, or it can't be written down.
pub fn set_up(room: &Room, group: &Id, id: &Id, step: u64, mut setup: Setup, what: &str) -> Result<(), Refusal> {
    let recording = current(room, group, id, step)?;
    if let Some(forecast) = &mut setup.forecast {
        forecast.known = known_by(room, group, forecast, recording.step().setup.forecast.as_ref())?;
    }
    let settings = setup.settings(&room.common())?;
    if let Some(forecast) = &setup.forecast {
        forecast.expected(&settings.rig)?;
    }
    if setup == recording.step().setup {
        return room.measure_if_possible(group, id);
    }
    let before = answers(room, group, &recording);
    let mending = recording.step().mending.clone();
    let what = if what.is_empty() { "changed what is known".to_owned() } else { clean_name(what) };
    go_on(room, group, id, step, |recording| recording.go_on(setup, mending, what, before))?;
    room.measure_if_possible(group, id)
}

/// What is known of the shots by which this one is foretold: as it was when it was first asked for, else as it is now.
fn known_by(room: &Room, group: &Id, wanted: &Prediction, had: Option<&Prediction>) -> Result<Option<Known>, Refusal> {
    let Some(like) = &wanted.like else { return Ok(None) };
    if let Some(had) = had.filter(|had| had.like.as_ref() == Some(like) && had.known.is_some()) {
        return Ok(had.known.clone());
    }
    let Like::Clip(earlier) = like else {
        return Err(Refusal::wrong(
            "The shot book is your teacher's.",
            "Take an earlier clip of your own, or type the speed.",
        ));
    };
    let recording = room.recording(group, earlier).ok_or_else(Refusal::not_found)?;
    let measured = room.measured(group, &recording)?.filter(|measured| !measured.shown.flights.is_empty());
    let measured = measured.ok_or_else(|| {
        Refusal::wrong(format!("{} isn't measured.", recording.name), "Measure it first, or take another clip.")
    })?;
    let numbers: Vec<Numbers> = measured.shown.launches().map(Numbers::of).collect();
    let Some(Launch { origin: Origin::Mean(mean), .. }) = Launch::of_flights(&numbers) else {
        return Err(Refusal::wrong(
            format!("In {} gravity is off, so the speed is off too.", recording.name),
            "Mend that clip first, or take another.",
        ));
    };
    let note = format!("{} of {}", mean.note, recording.name);
    Ok(Some(Known { speed_m_per_s: mean.speed_m_per_s, angle_deg: mean.angle_deg, note }))
}

fn go_on(room: &Room, group: &Id, id: &Id, step: u64, change: impl FnOnce(&mut Recording)) -> Result<(), Refusal> {
    let done = room.change(group, id, |recording| {
        // Another tab may have come first since it was looked at.
        let same = recording.step().serial == step;
        if same {
            change(recording);
        }
        same
    })?;
    if done { Ok(()) } else { Err(gone_on()) }
}

/// Drops, moves, adds or restores sightings. The new numbers are lined up as measuring is; where a change leaves none, the sheet says so.
///
/// # Errors
/// As [`set_up`], or when nothing is measured yet.
pub fn mend(room: &Room, group: &Id, id: &Id, wanted: &Mend) -> Result<(), Refusal> {
    let recording = current(room, group, id, wanted.step)?;
    let settings = recording.step().setup.settings(&room.common())?;
    let run = recording.run(&settings).filter(|run| run.state == RunState::Done).ok_or_else(Refusal::not_found)?;
    let found = found(&room.run_folder(group, id, run.number))?;
    let mending = mended(&recording.step().mending, &wanted.change, &found)?;
    let what = match &wanted.change {
        Change::Drop(frames) if frames.len() > 1 => format!("left out {} sightings", frames.len()),
        Change::Drop(frames) => format!("left out the sighting in frame {}", frames.first().unwrap_or(&0)),
        Change::Restore(frame) => format!("put back the sighting in frame {frame}"),
        Change::Place { frame, .. } => format!("placed the ball in frame {frame}"),
    };
    let before = answers(room, group, &recording);
    go_on(room, group, id, wanted.step, |recording| {
        recording.go_on(recording.step().setup.clone(), mending, what, before);
    })?;
    room.mend_if_needed(group, id)
}

fn mended(now: &Mending, change: &Change, found: &Measurement) -> Result<Mending, Refusal> {
    let mut mending = now.clone();
    let was_found = |frame: usize| found.flights.iter().any(|f| f.sightings.iter().any(|s| s.frame == frame));
    match change {
        Change::Drop(frames) => {
            mending.place.retain(|placed| !frames.contains(&placed.frame));
            for &frame in frames {
                if was_found(frame) && !mending.drop.contains(&frame) {
                    mending.drop.push(frame);
                }
            }
        }
        Change::Restore(frame) => {
            mending.drop.retain(|dropped| dropped != frame);
            mending.place.retain(|placed| placed.frame != *frame);
        }
        Change::Place { frame, at } => {
            let [x, y] = *at;
            let (width, height) = (found.clip.width as f64, found.clip.height as f64);
            if !((-1.0..=width).contains(&x) && (-1.0..=height).contains(&y)) {
                return Err(Refusal::wrong("That place isn't in the picture.", "Put the cross on the ball."));
            }
            mending.drop.retain(|dropped| dropped != frame);
            mending.place.retain(|placed| placed.frame != *frame);
            let at = PixelPoint::new(x, y);
            mending.place.push(Placed { frame: *frame, at, standard_uncertainty_px: PLACED_U_PX });
            mending.place.sort_by_key(|placed| placed.frame);
        }
    }
    Ok(mending)
}

/// Goes a step back or forth.
///
/// # Errors
/// When there is none, the sheet has gone on, or it can't be written down.
pub fn walk(room: &Room, group: &Id, id: &Id, step: u64, back: bool) -> Result<(), Refusal> {
    let recording = current(room, group, id, step)?;
    let before = answers(room, group, &recording);
    let mut walked = false;
    go_on(room, group, id, step, |recording| walked = recording.walk(back, before))?;
    if !walked {
        return Err(Refusal::wrong("There is nothing more to undo.", "Go on with the sheet."));
    }
    room.measure_if_possible(group, id)
}

/// Ends whatever is waiting or being done for the step shown.
///
/// # Errors
/// When it can't be written down.
pub fn cancel(room: &Room, group: &Id, id: &Id) -> Result<(), Refusal> {
    let recording = room.recording(group, id).ok_or_else(Refusal::not_found)?;
    let settings = recording.step().setup.settings(&room.common())?;
    let Some(run) = recording.run(&settings) else { return Ok(()) };
    let number = run.number;
    room.change(group, id, |recording| {
        recording.revision += 1;
        let Some(run) = recording.run_numbered(number) else { return };
        let states = std::iter::once(&mut run.state).chain(run.mended.iter_mut().map(|mended| &mut mended.state));
        states.filter(|state| **state == RunState::Wanted).for_each(|state| *state = RunState::Cancelled);
    })?;
    room.queue.cancel(|job| {
        job.recording == *id && matches!(job.kind, JobKind::Measure(of) | JobKind::Mend(of, _) if of == number)
    });
    Ok(())
}

/// Measures once more what failed or was cancelled, or measures a clip in which no card was seen at the first look.
///
/// # Errors
/// When what was stated can't be read, or it can't be written down.
pub fn again(room: &Room, group: &Id, id: &Id) -> Result<(), Refusal> {
    let recording = room.recording(group, id).ok_or_else(Refusal::not_found)?;
    let settings = recording.step().setup.settings(&room.common())?;
    if recording.run(&settings).is_some_and(|run| run.state == RunState::Done) {
        return room.mend_if_needed(group, id);
    }
    room.want(group, id, &settings)
}

/// Has frames of the clip made ready to find the ball in: all over the clip, or one by one around a frame.
///
/// # Errors
/// When the clip can't be opened, or it can't be written down.
pub fn peek(room: &Room, group: &Id, id: &Id, around: Option<usize>) -> Result<(), Refusal> {
    let recording = room.recording(group, id).ok_or_else(Refusal::not_found)?;
    let look = recording.look.as_ref().ok_or_else(Refusal::not_found)?;
    let wanted = match around {
        Some(frame) => (frame.saturating_sub(MOST_PEEKED / 2), 1),
        // A clip that doesn't say how long it is: a hundred seconds at thirty a second.
        None => (0, look.frames.unwrap_or(20 * MOST_PEEKED).div_ceil(MOST_PEEKED).max(1)),
    };
    let there = recording.peek.as_ref().is_some_and(|peek| {
        (peek.from, peek.step) == wanted && matches!(peek.state, RunState::Done | RunState::Wanted)
    });
    if there {
        return Ok(());
    }
    for (number, _) in recording.peek.iter().flat_map(|peek| &peek.frames) {
        let _ = std::fs::remove_file(room.recording_folder(group, id).join(format!("peek-{number}.jpg")));
    }
    room.change(group, id, |recording| {
        recording.peek = Some(Peek { from: wanted.0, step: wanted.1, state: RunState::Wanted, frames: Vec::new() });
        recording.revision += 1;
    })?;
    room.queue.push(Job { group: group.clone(), recording: id.clone(), kind: JobKind::Peek });
    Ok(())
}

/// Has the clip drawn with the path of the step shown.
///
/// # Errors
/// When there is no measurement, or it can't be written down.
pub fn overlay(room: &Room, group: &Id, id: &Id) -> Result<(), Refusal> {
    let recording = room.recording(group, id).ok_or_else(Refusal::not_found)?;
    let settings = recording.step().setup.settings(&room.common())?;
    let step = recording.step().serial;
    if recording.run(&settings).is_none() || room.measured(group, &recording)?.is_none() {
        return Err(Refusal::not_found());
    }
    if recording
        .overlay
        .as_ref()
        .is_some_and(|o| o.step == step && matches!(o.state, RunState::Done | RunState::Wanted))
    {
        return Ok(());
    }
    room.change(group, id, |recording| {
        recording.overlay = Some(Overlay { step, state: RunState::Wanted });
        recording.revision += 1;
    })?;
    room.queue.push(Job { group: group.clone(), recording: id.clone(), kind: JobKind::Overlay });
    Ok(())
}
