//! One uploaded clip: what was stated about it, step by step, and what came of it.

use serde::{Deserialize, Serialize};

use super::child::Look;
use super::error::Failure;
use super::id::Id;
use super::setup::{RunSettings, Setup};
use crate::measure::Mending;

/// Steps beyond this forget the oldest.
const MOST_STEPS: usize = 200;

/// A recording as it stands in its file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recording {
    pub id: Id,
    /// As its owner named the file; only shown.
    pub name: String,
    pub bytes: u64,
    /// Counts every change.
    pub revision: u64,
    pub look: Option<Look>,
    /// Why it can't be opened at all.
    pub refused: Option<Failure>,
    pub steps: Vec<Step>,
    /// The step that is shown.
    pub at: usize,
    pub next_serial: u64,
    pub runs: Vec<Run>,
    /// So many runs there were, those that were given up among them: a number isn't used twice.
    #[serde(default)]
    pub runs_made: u32,
    pub overlay: Option<Overlay>,
    /// Frames of the whole clip to find the ball in by eye.
    #[serde(default)]
    pub peek: Option<Peek>,
}

/// Where the undo history can go back to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// Never used twice in a recording.
    pub serial: u64,
    pub setup: Setup,
    pub mending: Mending,
    /// What was done, such as "moved the ball in frame 12".
    pub what: String,
    /// What stood on the sheet when this step was left, for the old values in grey.
    pub answers: Vec<Answer>,
}

/// A result in the reader's words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    pub flight: usize,
    pub name: String,
    pub value: String,
    pub unit: String,
}

/// What the child process makes of the clip under one set of settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Run {
    pub number: u32,
    pub settings: RunSettings,
    pub state: RunState,
    /// Its numbers with sightings mended by hand.
    #[serde(default)]
    pub mended: Vec<MendedRun>,
    /// So many there were, those that were given up among them: a child that is just being ended may still write under its number.
    #[serde(default)]
    pub mended_made: u32,
    /// Frames kept to be looked at: their numbers, and where they were cut out of the picture.
    pub frames: Option<KeptFrames>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RunState {
    /// In the queue or being worked on.
    Wanted,
    Done,
    Failed(Failure),
    Cancelled,
}

/// What comes of a run under one mending; in the run's folder as `mended-N.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MendedRun {
    pub number: u32,
    pub mending: Mending,
    pub state: RunState,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptFrames {
    pub ranges: Vec<(usize, usize)>,
    /// Left, top, width, height, px.
    pub cut: (u32, u32, u32, u32),
    pub ready: bool,
}

/// The clip with the path drawn in, made on demand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Overlay {
    pub step: u64,
    pub state: RunState,
}

/// Frames made small, to show the ball in: from `from` on every `step`th.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Peek {
    pub from: usize,
    pub step: usize,
    pub state: RunState,
    /// Numbers of the frames that are there, and their times on the file's clock, s.
    pub frames: Vec<(usize, Option<f64>)>,
}

impl Recording {
    pub fn new(id: Id, name: String, bytes: u64) -> Self {
        let first = Step {
            serial: 0,
            setup: Setup::default(),
            mending: Mending::default(),
            what: "sent the clip".to_owned(),
            answers: Vec::new(),
        };
        Self {
            id,
            name,
            bytes,
            revision: 1,
            look: None,
            refused: None,
            steps: vec![first],
            at: 0,
            next_serial: 1,
            runs: Vec::new(),
            runs_made: 0,
            overlay: None,
            peek: None,
        }
    }

    /// Whether what was read from a file can be worked with: there is a step to show.
    pub fn is_whole(&self) -> bool {
        self.at < self.steps.len()
    }

    pub fn step(&self) -> &Step {
        &self.steps[self.at.min(self.steps.len() - 1)]
    }

    /// Goes on from the step shown; what was undone is forgotten.
    pub fn go_on(&mut self, setup: Setup, mending: Mending, what: String, answers: Vec<Answer>) {
        self.steps.truncate(self.at + 1);
        self.steps[self.at].answers = answers;
        self.steps.push(Step { serial: self.next_serial, setup, mending, what, answers: Vec::new() });
        self.next_serial += 1;
        if self.steps.len() > MOST_STEPS {
            self.steps.remove(0);
        }
        self.at = self.steps.len() - 1;
        self.revision += 1;
    }

    /// Goes one step back or forth; `false` when there is none.
    pub fn walk(&mut self, back: bool, answers: Vec<Answer>) -> bool {
        let to = if back { self.at.checked_sub(1) } else { Some(self.at + 1).filter(|to| *to < self.steps.len()) };
        let Some(to) = to else { return false };
        self.steps[self.at].answers = answers;
        self.at = to;
        self.revision += 1;
        true
    }

    pub fn run(&self, settings: &RunSettings) -> Option<&Run> {
        self.runs.iter().find(|run| run.settings.gives_the_run_of(settings))
    }

    pub fn run_numbered(&mut self, number: u32) -> Option<&mut Run> {
        self.runs.iter_mut().find(|run| run.number == number)
    }

    /// A new run of these settings, or the old one wanted again.
    pub fn want(&mut self, settings: &RunSettings) -> u32 {
        self.revision += 1;
        if let Some(run) = self.runs.iter_mut().find(|run| run.settings.gives_the_run_of(settings)) {
            if run.state != RunState::Done {
                run.state = RunState::Wanted;
            }
            return run.number;
        }
        let number = self.runs.iter().map(|run| run.number).max().unwrap_or(0).max(self.runs_made) + 1;
        self.runs_made = number;
        self.runs.push(Run {
            number,
            settings: settings.clone(),
            state: RunState::Wanted,
            mended: Vec::new(),
            mended_made: 0,
            frames: None,
        });
        number
    }
}

/// Which of a run's numbers a step shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shows<'a> {
    /// Those that were found.
    Found,
    Mended(&'a MendedRun),
    /// Mended ones that nobody has asked for.
    NotYet,
}

impl Run {
    /// Which of its numbers a step with this mending shows.
    pub fn mended_as(&self, mending: &Mending) -> Shows<'_> {
        match self.mended(mending) {
            _ if *mending == Mending::default() => Shows::Found,
            Some(mended) => Shows::Mended(mended),
            None => Shows::NotYet,
        }
    }

    /// Nobody waits for mended numbers any more; gives which were waited for.
    pub fn give_up_mended(&mut self) -> Vec<u32> {
        let wanted = |other: &MendedRun| other.state == RunState::Wanted;
        let old = self.mended.iter().filter(|other| wanted(other)).map(|other| other.number).collect();
        self.mended.retain(|other| !wanted(other));
        old
    }

    /// What comes of it under `mending`; `None` where nothing was asked for, or nothing is mended.
    pub fn mended(&self, mending: &Mending) -> Option<&MendedRun> {
        self.mended.iter().find(|mended| mended.mending == *mending)
    }

    /// Wants it under `mending`, unless that is there or couldn't be computed; gives the number, and the numbers of those that nobody waits
    /// for any more.
    pub fn want_mended(&mut self, mending: &Mending) -> (Option<u32>, Vec<u32>) {
        let given_up = |other: &MendedRun| other.state == RunState::Wanted && other.mending != *mending;
        let old = self.mended.iter().filter(|other| given_up(other)).map(|other| other.number).collect();
        self.mended.retain(|other| !given_up(other));
        let next = self.mended.iter().map(|other| other.number).max().unwrap_or(0).max(self.mended_made) + 1;
        let wanted = match self.mended.iter_mut().find(|other| other.mending == *mending) {
            Some(other) if matches!(other.state, RunState::Cancelled | RunState::Wanted) => {
                other.state = RunState::Wanted;
                Some(other.number)
            }
            Some(_) => None,
            None => {
                self.mended_made = next;
                self.mended.push(MendedRun { number: next, mending: mending.clone(), state: RunState::Wanted });
                Some(next)
            }
        };
        if self.mended.len() > MOST_STEPS {
            self.mended.remove(0);
        }
        (wanted, old)
    }
}

impl Recording {
    /// Gives up the runs that nobody waits for since `number` was wanted; their numbers. Whoever goes back to their settings has
    /// them measured then.
    pub fn give_up_all_but(&mut self, number: u32) -> Vec<u32> {
        let given_up = |run: &Run| run.state == RunState::Wanted && run.number != number;
        let numbers = self.runs.iter().filter(|run| given_up(run)).map(|run| run.number).collect();
        self.runs.retain(|run| !given_up(run));
        numbers
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::serve::setup::Common;

    fn rate(hz: f64) -> Setup {
        Setup { capture_rate_hz: Some(hz), ..Setup::default() }
    }

    #[test]
    fn steps_go_back_and_forth_and_a_new_one_forgets_what_was_undone() {
        let mut recording = Recording::new(Id::random(), "shot.mp4".into(), 9);
        recording.go_on(rate(120.0), Mending::default(), "120".into(), Vec::new());
        recording.go_on(rate(240.0), Mending::default(), "240".into(), Vec::new());
        assert!(recording.walk(true, Vec::new()) && recording.step().setup == rate(120.0));
        assert!(recording.walk(false, Vec::new()) && !recording.walk(false, Vec::new()));
        recording.walk(true, Vec::new());
        recording.go_on(rate(60.0), Mending::default(), "60".into(), Vec::new());
        assert!(!recording.walk(false, Vec::new()) && recording.steps.len() == 3);
    }

    #[test]
    fn the_same_settings_are_one_run() {
        let mut recording = Recording::new(Id::random(), "shot.mp4".into(), 9);
        let settings = |hz| rate(hz).settings(&Common::default()).unwrap();
        let first = recording.want(&settings(120.0));
        assert_ne!(recording.want(&settings(240.0)), first);
        assert_eq!(recording.want(&settings(120.0)), first);
        // Of what still waits only the newest is wanted, and no number comes twice.
        assert_eq!(recording.give_up_all_but(first), [2]);
        assert_eq!(recording.want(&settings(240.0)), 3);
        recording.run_numbered(3).unwrap().state = RunState::Done;
        assert_eq!(recording.give_up_all_but(first), [0; 0]);
    }

    #[test]
    fn the_newest_mending_is_the_one_that_is_computed() {
        let mut recording = Recording::new(Id::random(), "shot.mp4".into(), 9);
        let number = recording.want(&rate(120.0).settings(&Common::default()).unwrap());
        let run = recording.run_numbered(number).unwrap();
        let without = |frame| Mending { drop: vec![frame], ..Mending::default() };
        assert_eq!(run.want_mended(&without(1)), (Some(1), vec![]));
        assert_eq!(run.want_mended(&without(2)), (Some(2), vec![1]), "the older one isn't wanted any more");
        run.mended[0].state = RunState::Done;
        assert_eq!(run.want_mended(&without(3)), (Some(3), vec![]));
        assert_eq!(run.want_mended(&without(2)), (None, vec![3]), "it is there");
        assert!(run.mended(&without(2)).is_some() && run.mended(&without(3)).is_none());
    }
}
