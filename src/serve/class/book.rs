//! The shot book as the teacher's page uses it.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::Class;
use crate::book::chart::control_chart;
use crate::book::drift::{DriftCheck, DriftQuestion, check, check_angles};
use crate::book::{Asked, Book, BookError, Outcome, RecordInto, Selection, Series, Setting, Usual, words, written_at};
use crate::flight::aim::Target;
use crate::flight::chance::OpeningKind;
use crate::quantity::Kind;
use crate::serve::error::Refusal;
use crate::serve::id::Id;
use crate::serve::room::{GroupInShort, Room};
use crate::serve::setup::{Known, reading, sentence};

/// What is to be recorded, and as whose shots.
#[derive(Debug, Deserialize)]
pub struct Recorded {
    launcher: String,
    /// The date of the shot when empty.
    #[serde(default)]
    session: String,
    #[serde(default, alias = "notch")]
    setting: String,
    #[serde(default)]
    ball: String,
    /// To which the launcher was set, degrees.
    #[serde(default)]
    angle_deg: Option<f64>,
    /// Recording and number of each flight that counts.
    flights: Vec<(Id, usize)>,
    /// Of those that somebody saw, whether they went in.
    #[serde(default)]
    outcomes: Vec<(Id, usize, Outcome)>,
    /// What was aimed at, with units; not stated without opening and distance.
    #[serde(default)]
    opening: String,
    #[serde(default)]
    opening_height: String,
    #[serde(default)]
    opening_distance: String,
    #[serde(default)]
    ring: bool,
}

impl Recorded {
    fn outcome(&self, recording: &Id, number: usize) -> Option<Outcome> {
        self.outcomes.iter().find(|(id, n, _)| id == recording && *n == number).map(|(.., outcome)| *outcome)
    }

    /// # Errors
    /// What was typed wrongly, or what is missing of it.
    fn target(&self) -> Result<Option<Target>, Refusal> {
        let read = |name: &str, text: &str| {
            typed(text).map(|text| reading(name, Kind::Length, &text).map(|reading| reading.value)).transpose()
        };
        let opening = read("opening of the bucket", &self.opening)?;
        let distance = read("distance of the bucket", &self.opening_distance)?;
        let height = read("height of the bucket", &self.opening_height)?;
        if opening.is_none() && distance.is_none() && height.is_none() {
            return Ok(None);
        }
        let (Some(opening_m), Some(distance_m)) = (opening, distance) else {
            return Err(Refusal::wrong(
                "Of the bucket at least its opening and its distance are wanted.",
                "Type both, or leave all three empty.",
            ));
        };
        let kind = if self.ring { OpeningKind::Ring } else { OpeningKind::Cup };
        Ok(Some(Target { kind, opening_m, height_m: height.unwrap_or(0.0), distance_m }))
    }
}

/// An answer in sentences.
#[derive(Debug, Serialize)]
pub struct Said {
    words: Vec<String>,
    /// Whether there is a control chart to go with them.
    chart: bool,
}

fn typed(text: &str) -> Option<String> {
    Some(text.trim().to_owned()).filter(|text| !text.is_empty())
}

/// Records the flights that count; the same flight isn't counted twice.
pub fn record(room: &Room, class: &Class, wanted: &Recorded) -> Result<Said, Refusal> {
    let launcher = typed(&wanted.launcher)
        .ok_or_else(|| Refusal::wrong("Whose shots these are isn't stated.", "Give the launcher a name."))?;
    let target = wanted.target()?;
    let mut book = Book::open(&class.book).map_err(refusal)?;
    let (mut new, mut before) = (0, 0);
    for group in room.groups() {
        for recording in &group.recordings {
            let wants = |number: usize| wanted.flights.iter().any(|(id, n)| *id == recording.id && *n == number);
            if !wanted.flights.iter().any(|(id, _)| *id == recording.id) {
                continue;
            }
            let measured = room.measured(&group.id, recording)?.ok_or_else(Refusal::not_found)?;
            let mut measurement = measured.shown.clone();
            measurement.flights.retain(|flight| wants(flight.number));
            let clip = room.recording_folder(&group.id, &recording.id).join("clip");
            let outcomes = measurement.flights.iter().map(|flight| wanted.outcome(&recording.id, flight.number));
            let into = RecordInto {
                outcomes: outcomes.collect(),
                target,
                ..into(wanted, &launcher, &group, written_at(&clip).unwrap_or_else(Timestamp::now))
            };
            let added = book.record_measurement(&measurement, &into, Timestamp::now()).map_err(refusal)?;
            (new, before) = (new + added.recorded.len(), before + added.already_there.len());
        }
    }
    room.changed();
    Ok(Said { words: vec![in_words(new, before)], chart: false })
}

fn in_words(new: usize, before: usize) -> String {
    let shots = |count: usize| if count == 1 { "1 shot".to_owned() } else { format!("{count} shots") };
    match (new, before) {
        (0, 0) => "No flight was ticked, so nothing was recorded.".to_owned(),
        (0, _) => format!("{} stood in the book already; nothing is counted twice.", shots(before)),
        (_, 0) => format!("{} recorded.", shots(new)),
        _ => format!("{} recorded; {} stood in the book already.", shots(new), shots(before)),
    }
}

fn into(wanted: &Recorded, launcher: &str, group: &GroupInShort, time: Timestamp) -> RecordInto {
    let date = || TimeZone::system().to_datetime(time).date().to_string();
    let session = typed(&wanted.session).unwrap_or_else(date);
    RecordInto {
        launcher: launcher.to_owned(),
        setting: Setting { name: typed(&wanted.setting), angle_deg: wanted.angle_deg, ball: typed(&wanted.ball) },
        // Each group films with its own phone and ruler: their errors aren't shared.
        rig: Some(format!("{}, {session}", group.name)),
        session,
        time,
        outcomes: Vec::new(),
        target: None,
        note: Some(format!("group {}", group.name)),
    }
}

/// What a launcher usually does, by the shots of its latest session; the same as `lobline aim --from-book` takes.
pub fn usual(class: &Class, launcher: &str) -> Result<Usual, Refusal> {
    let asked = Asked { launcher: launcher.to_owned(), ..Asked::default() };
    Book::open_existing(&class.book).and_then(|book| book.usual(&asked)).map_err(refusal)
}

/// The same as what is known of the next shot.
///
/// # Errors
/// When the book knows no such launcher, or its shots were made at several settings.
pub fn known(class: &Class, launcher: &str) -> Result<Known, Refusal> {
    let usual = usual(class, launcher)?;
    let shots = if usual.shots == 1 { "1 shot".to_owned() } else { format!("the mean of {} shots", usual.shots) };
    Ok(Known {
        speed_m_per_s: usual.speed_m_per_s,
        angle_deg: usual.angle_deg,
        note: format!("{shots} of the {} in the shot book (session {})", usual.launcher, usual.session),
    })
}

pub fn launchers(class: &Class) -> Vec<String> {
    Book::open_existing(&class.book).and_then(|book| book.launchers()).unwrap_or_default()
}

fn refusal(error: BookError) -> Refusal {
    Refusal::wrong(sentence(&error.to_string()), error.hint().map_or_else(String::new, |hint| sentence(&hint)))
}

/// The drift check of a launcher, the same as on the command line.
pub fn checked(class: &Class, launcher: Option<String>) -> Result<DriftCheck, Refusal> {
    judged(&series_of(class, launcher)?)
}

fn series_of(class: &Class, launcher: Option<String>) -> Result<Series, Refusal> {
    let book = Book::open_existing(&class.book).map_err(refusal)?;
    book.series(&Selection { launcher, ..Selection::default() }).map_err(refusal)
}

fn judged(series: &Series) -> Result<DriftCheck, Refusal> {
    check(series, &DriftQuestion::default())
        .map_err(|error| Refusal::wrong(sentence(&error.to_string()), sentence(&error.hint())))
}

/// Change of launch angle that matters, degrees; as the command line has it.
const ANGLE_SHIFT_DEG: f64 = 1.0;

pub fn drift(class: &Class, launcher: Option<String>) -> Result<Said, Refusal> {
    let series = series_of(class, launcher)?;
    let check = judged(&series)?;
    let mut said = vec![words::verdict(&check)];
    said.extend(words::found_by(&check));
    if let (Some(scatter), Some(baseline)) = (&check.scatter, check.sessions.first()) {
        said.push(words::scatter(scatter, baseline.sample.mean));
        said.extend(check.scatter_change.and_then(|change| words::scatter_change(&change, baseline.sample.mean)));
    }
    said.extend(check.methods.iter().map(|differ| words::methods(differ, check.judged)));
    if let Some(Ok(angles)) = check_angles(&series, &check.question, ANGLE_SHIFT_DEG) {
        said.push(format!("Launch angle: {}", words::verdict(&angles)));
    }
    Ok(Said { words: said.iter().map(|text| sentence(text)).collect(), chart: control_chart(&check).is_some() })
}
