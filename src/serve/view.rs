//! What the page is told, ready to be shown: texts with their units, nothing left to compute.

use std::hash::{DefaultHasher, Hash, Hasher};

use serde::Serialize;

use super::child::{Look, Said};
use super::error::Failure;
use super::id::Id;
use super::measured::Measured;
use super::queue::{Job, JobKind, Place};
use super::recording::{Answer, KeptFrames, Recording, Run, RunState, Shows};
use super::room::{GroupInShort, Mode, Room};
use super::setup::{Prediction, Setup, sentence};
use crate::measurement::{BudgetLine, FlightMeasurement, Remedy, VerdictStatement};
use crate::report::numbers::DecimalMark;
use crate::report::said::said;

/// The group's sheet in short.
#[derive(Serialize)]
pub struct GroupView {
    name: String,
    recordings: Vec<Short>,
    upload_bytes: u64,
    /// Whether there are others beside it, and a teacher.
    of_class: bool,
    teacher_says: Option<String>,
    forecast_for_all: Option<Prediction>,
}

#[derive(Serialize)]
struct Short {
    id: Id,
    name: String,
}

pub fn group(room: &Room, group: &GroupInShort) -> GroupView {
    let short = |recording: &Recording| Short { id: recording.id.clone(), name: recording.name.clone() };
    let common = room.common();
    GroupView {
        name: group.name.clone(),
        recordings: group.recordings.iter().map(short).collect(),
        upload_bytes: room.limits.upload_bytes,
        of_class: room.mode == Mode::Class,
        teacher_says: common.in_words(),
        forecast_for_all: common.forecast,
    }
}

/// Where a recording is at this moment.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Stage {
    Looking {
        ahead: usize,
    },
    /// It can't be opened.
    Refused {
        failure: Failure,
    },
    /// A length is wanted.
    Scale,
    Waiting {
        ahead: usize,
    },
    Working {
        words: String,
        done: Option<f64>,
    },
    Failed {
        failure: Failure,
    },
    Cancelled,
    Done,
}

/// The part of the view that moves by itself, and a number that tells whether it has.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    pub stage: Stage,
    pub overlay: &'static str,
    pub count: u64,
}

pub fn moment(room: &Room, group: &Id, recording: &Recording) -> Moment {
    let stage = stage(room, group, recording);
    let overlay = overlay(recording);
    let mut hasher = DefaultHasher::new();
    (recording.revision, overlay).hash(&mut hasher);
    serde_json::to_string(&stage).unwrap_or_default().hash(&mut hasher);
    // As many bits as a number of the page's language holds.
    Moment { stage, overlay, count: hasher.finish() >> 11 }
}

fn overlay(recording: &Recording) -> &'static str {
    let shown = recording.overlay.as_ref().filter(|overlay| overlay.step == recording.step().serial);
    shown.map_or("none", |overlay| how_far(&overlay.state))
}

const fn how_far(state: &RunState) -> &'static str {
    match state {
        RunState::Cancelled => "none",
        RunState::Wanted => "making",
        RunState::Done => "ready",
        RunState::Failed(_) => "failed",
    }
}

fn stage(room: &Room, group: &Id, recording: &Recording) -> Stage {
    let job = |kind| Job { group: group.clone(), recording: recording.id.clone(), kind };
    if let Some(failure) = recording.refused.clone() {
        return Stage::Refused { failure };
    }
    let Some(look) = &recording.look else {
        let ahead = match room.queue.place(&job(JobKind::Look)) {
            Some(Place::Waiting(ahead)) => ahead,
            _ => 0,
        };
        return Stage::Looking { ahead };
    };
    let settings = match recording.step().setup.settings(&room.common()) {
        Ok(settings) => settings,
        Err(refusal) => {
            let failure = Failure::new(super::error::FailureKind::Setup, refusal.message, refusal.hint);
            return Stage::Failed { failure };
        }
    };
    let Some(run) = recording.run(&settings) else { return Stage::Scale };
    match &run.state {
        RunState::Done => shown(room, &job, run, recording),
        RunState::Cancelled => Stage::Cancelled,
        RunState::Failed(failure) => Stage::Failed { failure: failure.clone() },
        RunState::Wanted => {
            let job = job(JobKind::Measure(run.number));
            match room.queue.place(&job) {
                Some(Place::Waiting(ahead)) => Stage::Waiting { ahead },
                _ => working(room.progress(&job), look),
            }
        }
    }
}

/// Where the numbers are that a step shows of a run that is done.
fn shown(room: &Room, job: &dyn Fn(JobKind) -> Job, run: &Run, recording: &Recording) -> Stage {
    let mended = match run.mended_as(&recording.step().mending) {
        Shows::Found => return Stage::Done,
        Shows::NotYet => return Stage::Waiting { ahead: 0 },
        Shows::Mended(mended) => mended,
    };
    match &mended.state {
        // Why there is no answer stands on the sheet, with what can be undone.
        RunState::Done | RunState::Failed(_) => Stage::Done,
        RunState::Cancelled => Stage::Cancelled,
        RunState::Wanted => match room.queue.place(&job(JobKind::Mend(run.number, mended.number))) {
            Some(Place::Waiting(ahead)) => Stage::Waiting { ahead },
            _ => Stage::Working { words: "Working it out again.".to_owned(), done: None },
        },
    }
}

fn working(said: Option<Said>, look: &Look) -> Stage {
    let (words, done) = match said {
        Some(Said::Reading { frames, of }) => match of.or(look.frames).filter(|of| *of >= frames) {
            Some(of) => (format!("Looking at frame {frames} of {of}."), Some(0.8 * frames as f64 / of as f64)),
            None => (format!("Looking at frame {frames}."), None),
        },
        Some(Said::Searching { frames }) => {
            (format!("Searching {frames} frames for something that falls like a ball."), Some(0.85))
        }
        _ => ("Opening the clip.".to_owned(), Some(0.0)),
    };
    Stage::Working { words, done }
}

/// The whole sheet of a recording.
#[derive(Serialize)]
pub struct RecordingView {
    id: Id,
    name: String,
    /// Give it back as `after` to wait for the next.
    count: u64,
    step: u64,
    stage: Stage,
    megabytes: String,
    look: Option<Look>,
    setup: Setup,
    /// What undo would take back.
    undo: Option<String>,
    redo: Option<String>,
    result: Option<ResultView>,
    /// Why the measurement that is there can't be shown.
    trouble: Option<Trouble>,
    overlay: &'static str,
    peek: Option<PeekView>,
}

#[derive(Serialize)]
struct PeekView {
    state: &'static str,
    step: usize,
    frames: Vec<(usize, Option<f64>)>,
}

#[derive(Serialize)]
struct Trouble {
    message: String,
    hint: String,
}

#[derive(Serialize)]
struct ResultView {
    flights: Vec<FlightView>,
    clock: String,
    frame_rate_hz: f64,
    scale: String,
    warnings: Vec<String>,
    size: (usize, usize),
    frames: Option<KeptFrames>,
}

#[derive(Serialize)]
struct FlightView {
    number: usize,
    answers: Vec<Shown>,
    summary: String,
    agrees: Option<bool>,
    reasons: Vec<Reason>,
    sightings: Vec<SightingView>,
    /// Found by the program and left out by hand.
    dropped: Vec<SightingView>,
    path_px: Vec<(f64, f64)>,
    budget: Vec<Share>,
    forecast: Option<String>,
    graphs: Vec<Graph>,
    residual: String,
    /// The fit with g given beside that with g free: names and two texts each.
    fits: Vec<[String; 3]>,
    /// Where the fall points to, and how long the shutter was open.
    beside: Vec<String>,
}

/// A number in words, with the old one when it has changed.
#[derive(Serialize)]
struct Shown {
    name: String,
    value: String,
    unit: String,
    before: Option<String>,
}

#[derive(Serialize)]
struct Reason {
    text: String,
    remedies: Vec<Remedy>,
}

#[derive(Serialize)]
struct SightingView {
    frame: usize,
    x: f64,
    y: f64,
    radius: f64,
    time: String,
    used: bool,
    by_hand: bool,
}

/// A part of what limits the result: shares of the variance of g, which add up to one.
#[derive(Serialize)]
struct Share {
    source: String,
    percent: f64,
}

#[derive(Serialize)]
struct Graph {
    name: String,
    title: String,
    caption: String,
    alt: String,
}

pub fn recording(room: &Room, group: &Id, recording: &Recording, moment: Moment, mark: DecimalMark) -> RecordingView {
    let (result, trouble) = match room.measured(group, recording) {
        Ok(measured) => (measured.map(|measured| result(room, recording, &measured, mark)), None),
        Err(refusal) => (None, Some(Trouble { message: refusal.message, hint: refusal.hint })),
    };
    let step = recording.step();
    RecordingView {
        id: recording.id.clone(),
        name: recording.name.clone(),
        count: moment.count,
        step: step.serial,
        stage: moment.stage,
        megabytes: mark.fixed(recording.bytes as f64 / 1e6, 1),
        look: recording.look.clone(),
        setup: step.setup.clone(),
        undo: (recording.at > 0).then(|| step.what.clone()),
        redo: recording.steps.get(recording.at + 1).map(|step| step.what.clone()),
        result,
        trouble,
        overlay: moment.overlay,
        peek: recording.peek.as_ref().map(|peek| PeekView {
            state: how_far(&peek.state),
            step: peek.step,
            frames: peek.frames.clone(),
        }),
    }
}

fn result(room: &Room, recording: &Recording, measured: &Measured, mark: DecimalMark) -> ResultView {
    let shown = &measured.shown;
    let settings = recording.step().setup.settings(&room.common()).ok();
    let run = settings.and_then(|settings| recording.run(&settings).cloned());
    let answers = measured.answers(mark);
    // Old values are kept with a decimal point.
    let plain = measured.answers(DecimalMark::Point);
    let before =
        recording.at.checked_sub(1).map(|before| recording.steps[before].answers.as_slice()).unwrap_or_default();
    ResultView {
        flights: shown
            .flights
            .iter()
            .map(|flight| flight_view(flight, measured, &shown_answers(flight, &answers, &plain, before, mark), mark))
            .collect(),
        clock: sentence(&shown.clock.description),
        frame_rate_hz: shown.clock.frame_rate_hz,
        scale: sentence(&shown.scale.description),
        // The verdict stands with each flight.
        warnings: said(shown).iter().filter(|said| !said.is_of_verdict()).map(|said| sentence(&said.text)).collect(),
        size: (shown.clip.width, shown.clip.height),
        frames: run.and_then(|run| run.frames),
    }
}

fn shown_answers(
    flight: &FlightMeasurement,
    answers: &[Answer],
    plain: &[Answer],
    before: &[Answer],
    mark: DecimalMark,
) -> Vec<(Answer, Option<String>)> {
    let pairs = answers.iter().zip(plain).filter(|(answer, _)| answer.flight == flight.number);
    let old = |now: &Answer| {
        let old =
            before.iter().find(|old| old.flight == now.flight && old.name == now.name && old.value != now.value)?;
        Some(if mark == DecimalMark::Comma { old.value.replace('.', ",") } else { old.value.clone() })
    };
    pairs.map(|(answer, plain)| (answer.clone(), old(plain))).collect()
}

fn flight_view(
    flight: &FlightMeasurement,
    measured: &Measured,
    answers: &[(Answer, Option<String>)],
    mark: DecimalMark,
) -> FlightView {
    let verdict = flight.verdict.as_ref();
    let reasons = verdict.map_or_else(Vec::new, |verdict| {
        let remedies = |i| {
            // What is to be left out of one flight is no remedy for another.
            let here =
                |remedy: &&Remedy| remedy.reason == i && remedy.flight.is_none_or(|number| number == flight.number);
            verdict.remedies.iter().filter(here).cloned().collect()
        };
        let reason = |(i, text): (usize, &String)| Reason { text: text.clone(), remedies: remedies(i) };
        verdict.reasons.iter().enumerate().map(reason).collect()
    });
    let shown = |(answer, before): &(Answer, Option<String>)| Shown {
        name: answer.name.clone(),
        value: answer.value.clone(),
        unit: answer.unit.clone(),
        before: before.clone(),
    };
    FlightView {
        number: flight.number,
        answers: answers.iter().map(shown).collect(),
        summary: verdict.map_or_else(String::new, without_reason),
        agrees: verdict.and_then(|verdict| verdict.agrees),
        reasons,
        sightings: flight.sightings.iter().map(|row| sighting(row, flight, mark)).collect(),
        dropped: dropped(flight, measured, mark),
        path_px: flight.path_px.iter().map(|p| (p.x, p.y)).collect(),
        budget: shares(&flight.budget),
        forecast: flight.forecast.as_ref().and_then(|forecast| forecast.comparison.clone()),
        graphs: graphs(flight, measured, mark),
        residual: mark.significant(flight.residual_rms_mm, 2),
        fits: crate::report::reckoned::side_by_side(flight, mark),
        beside: crate::report::beside::sentences(flight, mark),
    }
}

/// The verdict without the reason that stands below it with its remedy.
fn without_reason(verdict: &VerdictStatement) -> String {
    let question = verdict.reasons.first().and_then(|reason| reason.find('?').map(|end| &reason[..=end]));
    let place = question.and_then(|question| verdict.summary.find(question));
    let alone = place.map_or(verdict.summary.as_str(), |place| verdict.summary[..place].trim_end());
    let kept = if alone.is_empty() { &verdict.summary } else { alone };
    kept.strip_suffix(" But").unwrap_or(kept).to_owned()
}

fn sighting(row: &crate::measurement::SightingRow, flight: &FlightMeasurement, mark: DecimalMark) -> SightingView {
    SightingView {
        frame: row.frame,
        x: row.centre_px.x,
        y: row.centre_px.y,
        radius: row.radius_px,
        time: mark.fixed(row.time_s - flight.launch_time_s.value, 3),
        used: row.used,
        by_hand: row.by_hand,
    }
}

/// Sightings that were found in the time of this flight and aren't in what is shown.
fn dropped(flight: &FlightMeasurement, measured: &Measured, mark: DecimalMark) -> Vec<SightingView> {
    let is_shown = |frame| measured.shown.flights.iter().any(|f| f.sightings.iter().any(|row| row.frame == frame));
    let overlaps = |found: &&FlightMeasurement| {
        found.sightings.iter().any(|row| flight.sightings.iter().any(|shown| shown.frame == row.frame))
    };
    let found = measured.found.flights.iter().filter(overlaps).flat_map(|found| &found.sightings);
    found.filter(|row| !is_shown(row.frame)).map(|row| sighting(row, flight, mark)).collect()
}

fn shares(budget: &[BudgetLine]) -> Vec<Share> {
    let variance = |line: &BudgetLine| line.gravity_m_per_s2.unwrap_or(0.0).powi(2);
    let total: f64 = budget.iter().map(variance).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let mut shares: Vec<Share> = budget
        .iter()
        .map(|line| Share { source: line.source.clone(), percent: 100.0 * variance(line) / total })
        .filter(|share| share.percent >= 0.5)
        .collect();
    shares.sort_by(|a, b| b.percent.total_cmp(&a.percent));
    shares
}

fn graphs(flight: &FlightMeasurement, measured: &Measured, mark: DecimalMark) -> Vec<Graph> {
    let of = measured.shown.flights.len();
    let figures = crate::report::graphs::figures(flight, of, crate::report::graphs::Choice::All, mark);
    // The marks of a graph's text: italics by stars, subscripts as `v_{0}`.
    let plain = |text: &str| text.replace('*', "").replace("_{", "").replace("^{", "").replace('}', "");
    figures
        .into_iter()
        .map(|figure| Graph {
            title: plain(&figure.title),
            caption: plain(&figure.whole_caption()),
            alt: plain(&figure.alt),
            name: figure.name,
        })
        .collect()
}
