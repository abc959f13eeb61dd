//! All groups of a class: what each is doing and what it has measured.

use std::sync::PoisonError;

use serde::Serialize;

use super::Class;
use crate::report::class::{ClassEntry, ClassLine, lines};
use crate::report::numbers::DecimalMark;
use crate::serve::error::Refusal;
use crate::serve::id::Id;
use crate::serve::recording::Recording;
use crate::serve::room::{GroupInShort, Room};
use crate::serve::setup::sentence;
use crate::serve::view::{Stage, moment};

/// A group in the teacher's list.
#[derive(Serialize)]
pub struct GroupRow {
    id: Id,
    name: String,
    /// Clips on their way here.
    arriving: usize,
    rows: Vec<Row>,
}

/// A line of the list: a flight, or a clip that has none yet.
#[derive(Serialize)]
struct Row {
    clip: Id,
    name: String,
    /// `None` where nothing is measured.
    flight: Option<usize>,
    /// What is being done, or why it can't go on; empty when it is measured.
    state: String,
    /// How far, from 0 to 1; `None` when it isn't being worked on or nobody knows.
    done: Option<f64>,
    /// Whether somebody has to do something.
    stuck: bool,
    speed: String,
    angle: String,
    gravity: String,
    agrees: Option<bool>,
    verdict: &'static str,
    tell: String,
    /// What else must be known of the numbers.
    notes: Vec<String>,
}

/// The groups by their names: `Table 2` comes before `Table 10`.
pub fn sorted(room: &Room) -> Vec<GroupInShort> {
    let mut groups = room.groups();
    groups.sort_by_cached_key(|group| in_order(&group.name));
    groups
}

/// Names as people put them in order: numbers in them by their value.
fn in_order(name: &str) -> Vec<(u64, String)> {
    let lower = name.to_lowercase();
    let letters: Vec<char> = lower.chars().collect();
    let runs = letters.chunk_by(|a, b| a.is_ascii_digit() == b.is_ascii_digit());
    runs.map(|run| run.iter().collect::<String>())
        .map(|run| match run.parse() {
            Ok(number) => (number, String::new()),
            // Letters behind numbers.
            Err(_) => (u64::MAX, run),
        })
        .collect()
}

pub fn groups(room: &Room, class: &Class, mark: DecimalMark) -> Vec<GroupRow> {
    let all = sorted(room);
    forget_removed(class, &all);
    let of = |group: &GroupInShort| GroupRow {
        id: group.id.clone(),
        name: group.name.clone(),
        arriving: group.arriving,
        rows: group.recordings.iter().flat_map(|recording| rows(room, class, group, recording, mark)).collect(),
    };
    all.iter().map(of).collect()
}

fn forget_removed(class: &Class, groups: &[GroupInShort]) {
    let is_there = |id: &Id| groups.iter().any(|group| group.recordings.iter().any(|recording| recording.id == *id));
    class.lines.lock().unwrap_or_else(PoisonError::into_inner).retain(|id, _| is_there(id));
}

fn rows(room: &Room, class: &Class, group: &GroupInShort, recording: &Recording, mark: DecimalMark) -> Vec<Row> {
    let row = || Row {
        clip: recording.id.clone(),
        name: recording.name.clone(),
        flight: None,
        state: String::new(),
        done: None,
        stuck: false,
        speed: String::new(),
        angle: String::new(),
        gravity: String::new(),
        agrees: None,
        verdict: "",
        tell: String::new(),
        notes: Vec::new(),
    };
    let doing = |state: String, done: Option<f64>| vec![Row { state, done, ..row() }];
    let stuck = |state: &str, tell: String| vec![Row { state: state.to_owned(), stuck: true, tell, ..row() }];
    match moment(room, &group.id, recording).stage {
        Stage::Looking { ahead: 0 } => doing("opening the clip".to_owned(), None),
        Stage::Looking { ahead } | Stage::Waiting { ahead } => doing(format!("waiting, {ahead} before it"), None),
        Stage::Working { words, done } => doing(words, done),
        Stage::Scale => {
            stuck("a known length is wanted", "Mark the two ends of something whose length you know.".to_owned())
        }
        Stage::Cancelled => stuck("cancelled", "Press `measure it again` when you want it after all.".to_owned()),
        Stage::Refused { failure } | Stage::Failed { failure } => {
            stuck("not measured", format!("{} {}", failure.message, failure.hint))
        }
        Stage::Done => match lines_of(room, class, group, recording) {
            Ok(lines) => lines.iter().map(|line| done_row(row(), line, mark)).collect(),
            Err(refusal) => stuck("not measured", format!("{} {}", refusal.message, refusal.hint)),
        },
    }
}

fn done_row(row: Row, line: &ClassLine, mark: DecimalMark) -> Row {
    let tell = line.advice.clone();
    let Some(numbers) = &line.measured else {
        return Row { state: "not measured".to_owned(), stuck: true, tell, ..row };
    };
    Row {
        flight: Some(numbers.flight),
        speed: mark.interval(&numbers.speed_m_per_s),
        angle: mark.interval(&numbers.angle_deg),
        gravity: mark.interval(&numbers.gravity_m_per_s2),
        agrees: numbers.agrees,
        verdict: numbers.verdict(),
        tell,
        notes: line.notes.iter().map(|note| sentence(&mark.said(&note.text))).collect(),
        ..row
    }
}

/// The lines of a recording that is measured. Only what was measured is kept: why something couldn't be shown may be over the
/// next moment.
fn lines_of(
    room: &Room,
    class: &Class,
    group: &GroupInShort,
    recording: &Recording,
) -> Result<Vec<ClassLine>, Refusal> {
    let common = room.common();
    let settings = recording.step().setup.settings(&common)?;
    let run = recording.run(&settings).ok_or_else(Refusal::not_found)?.number;
    let of = (recording.step().serial, run, common);
    let kept = class.lines.lock().unwrap_or_else(PoisonError::into_inner).get(&recording.id).cloned();
    if let Some((_, lines)) = kept.filter(|(other, _)| *other == of) {
        return Ok(lines);
    }
    let measured = room.measured(&group.id, recording)?.ok_or_else(Refusal::not_found)?;
    let entry = ClassEntry { group: &group.name, clip: recording.name.clone(), result: Ok(&measured.shown) };
    let found = lines(&[entry]);
    let mut cache = class.lines.lock().unwrap_or_else(PoisonError::into_inner);
    cache.insert(recording.id.clone(), (of, found.clone()));
    Ok(found)
}

/// All lines of the class that can be stated now.
pub fn all_lines(room: &Room, class: &Class) -> Vec<ClassLine> {
    sorted(room).iter().flat_map(|group| lines_of_group(room, class, group)).collect()
}

/// The lines of one group.
pub fn lines_of_group(room: &Room, class: &Class, group: &GroupInShort) -> Vec<ClassLine> {
    let failed = |recording: &Recording, message: String, hint: String| {
        let result = Err(format!("{message} {hint}"));
        lines(&[ClassEntry { group: &group.name, clip: recording.name.clone(), result }])
    };
    let of = |recording: &Recording| match moment(room, &group.id, recording).stage {
        Stage::Done => lines_of(room, class, group, recording)
            .unwrap_or_else(|refusal| failed(recording, refusal.message, refusal.hint)),
        Stage::Refused { failure } | Stage::Failed { failure } => failed(recording, failure.message, failure.hint),
        _ => Vec::new(),
    };
    group.recordings.iter().flat_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stand_in_the_order_of_their_numbers() {
        let mut names = ["table 10", "Table 2", "Äpfel", "Table 2b", "7"];
        names.sort_by_cached_key(|name| in_order(name));
        assert_eq!(names, ["7", "Table 2", "Table 2b", "table 10", "Äpfel"]);
    }
}
