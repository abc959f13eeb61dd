//! One running server: its groups, sessions, queue, and where all this is kept.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime};

use serde::{Deserialize, Serialize};
use tokio::sync::watch;

use super::child::{Look, Said};
use super::error::{Refusal, ServeError};
use super::id::{Id, same_secret};
use super::limits::Limits;
use super::measured::Measured;
use super::queue::{Job, JobKind, Queue};
use super::recording::{MendedRun, Recording, RunState, Shows};
use super::setup::Common;
use super::turns::{Turn, Turns};
use crate::measure::Mending;
use crate::report::files::write_durably;
use crate::small_file::{self, NOTES_BYTES};

/// For whom the server is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Mode {
    /// One group: whoever opens the printed address.
    Alone,
    /// Many groups and a teacher.
    Class,
}

/// What a session opens.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Who {
    Group(Id),
    /// Everything.
    Teacher,
}

/// A group in short.
#[derive(Debug, Clone)]
pub struct GroupInShort {
    pub id: Id,
    pub name: String,
    pub recordings: Vec<Recording>,
    /// Clips that are being sent.
    pub arriving: usize,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct Group {
    id: Id,
    name: String,
    /// In the order in which they came.
    order: Vec<Id>,
    #[serde(skip)]
    recordings: HashMap<Id, Recording>,
    #[serde(skip)]
    uploads: usize,
}

/// What is kept of the room itself.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Kept {
    mode: Mode,
    /// Lets in whoever has it: the owner in alone mode, the teacher of a class.
    key: String,
    sessions: HashMap<String, Who>,
    common: Common,
}

struct State {
    kept: Kept,
    groups: BTreeMap<Id, Group>,
    progress: HashMap<Job, Said>,
}

/// Recording, step and run behind what a sheet shows.
type Shown = (Id, u64, u32);

/// A room. Locks are held for moments only, never over an await.
pub struct Room {
    pub mode: Mode,
    pub folder: PathBuf,
    pub limits: Limits,
    pub queue: Queue,
    /// The program that opens clips: this one, with a hidden command.
    pub program: PathBuf,
    /// What whoever starts the server must know of what was found in the folder.
    pub notes: Vec<String>,
    state: Mutex<State>,
    changes: watch::Sender<u64>,
    cache: Mutex<VecDeque<(Shown, Arc<Measured>)>>,
    turns: Turns,
    /// Held as long as the room lives, so that no second server uses the folder.
    _lock: fs::File,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What a room is opened with.
#[derive(Debug, Clone)]
pub struct RoomOptions {
    pub mode: Mode,
    pub folder: PathBuf,
    pub limits: Limits,
    pub program: PathBuf,
}

impl Room {
    /// Opens the folder, or makes it; lines up what was waiting or being worked on when the last server ended.
    ///
    /// # Errors
    /// [`ServeError`]: another server has it, it can't be written, or what stands there isn't ours.
    pub fn open(options: RoomOptions) -> Result<Self, ServeError> {
        let folder = &options.folder;
        let unusable = |source| ServeError::Folder { path: folder.clone(), source };
        private_folder(folder).map_err(unusable)?;
        private_folder(&folder.join("groups")).map_err(unusable)?;
        let file = fs::File::create(folder.join("lock")).map_err(unusable)?;
        if file.try_lock().is_err() {
            return Err(ServeError::FolderInUse { path: folder.clone() });
        }
        let mut notes = Vec::new();
        let kept: Option<Kept> = match read_json(&folder.join("room.json"))? {
            Stands::Whole(kept) => Some(kept),
            Stands::Nothing => None,
            Stands::SetAside => {
                notes.push(damaged(
                    folder,
                    "Keys and sessions are new: let the groups in again. Their clips are whole.",
                ));
                None
            }
        };
        if let Some(other) = kept.as_ref().filter(|kept| kept.mode != options.mode) {
            return Err(ServeError::OtherMode { path: folder.clone(), class: other.mode == Mode::Class });
        }
        let kept = kept.unwrap_or_else(|| Kept {
            mode: options.mode,
            key: Id::random().as_str().to_owned(),
            sessions: HashMap::new(),
            common: Common::default(),
        });
        let groups = read_groups(&folder.join("groups"), options.limits.keep, &mut notes)?;
        // Alone nobody else waits; in a class one place is always for the others.
        let most_of_a_group =
            if options.mode == Mode::Class { options.limits.jobs.saturating_sub(1) } else { options.limits.jobs };
        let turns = Turns::new(options.limits.jobs);
        let state = Mutex::new(State { kept, groups, progress: HashMap::new() });
        let room = Self {
            mode: options.mode,
            folder: options.folder,
            limits: options.limits,
            queue: Queue::new(most_of_a_group),
            notes,
            program: options.program,
            state,
            changes: watch::channel(0).0,
            cache: Mutex::default(),
            turns,
            _lock: file,
        };
        room.keep_room(&lock(&room.state).kept)
            .map_err(|source| ServeError::Folder { path: room.folder.clone(), source })?;
        room.line_up_what_was_waiting();
        Ok(room)
    }

    fn keep_room(&self, kept: &Kept) -> std::io::Result<()> {
        write_durably(&self.folder.join("room.json"), &serde_json::to_vec_pretty(kept)?)
    }

    fn line_up_what_was_waiting(&self) {
        let mut jobs = Vec::new();
        for group in lock(&self.state).groups.values() {
            for recording in group.order.iter().filter_map(|id| group.recordings.get(id)) {
                let mut push = |kind| jobs.push(Job { group: group.id.clone(), recording: recording.id.clone(), kind });
                if recording.look.is_none() && recording.refused.is_none() {
                    push(JobKind::Look);
                }
                for run in &recording.runs {
                    if run.state == RunState::Wanted {
                        push(JobKind::Measure(run.number));
                    }
                    for mended in run.mended.iter().filter(|mended| mended.state == RunState::Wanted) {
                        push(JobKind::Mend(run.number, mended.number));
                    }
                    if run.frames.as_ref().is_some_and(|frames| !frames.ready) {
                        push(JobKind::Frames(run.number));
                    }
                }
                if recording.peek.as_ref().is_some_and(|peek| peek.state == RunState::Wanted) {
                    push(JobKind::Peek);
                }
                if recording.overlay.as_ref().is_some_and(|overlay| overlay.state == RunState::Wanted) {
                    push(JobKind::Overlay);
                }
            }
        }
        jobs.into_iter().for_each(|job| self.queue.push(job));
        // Sheets that were left while their numbers were mended, or before those were kept.
        let of = |group: &Group| group.order.iter().map(|id| (group.id.clone(), id.clone())).collect::<Vec<_>>();
        let all: Vec<(Id, Id)> = lock(&self.state).groups.values().flat_map(of).collect();
        for (group, recording) in all {
            let shows = |recording: Recording| {
                let settings = recording.step().setup.settings(&self.common()).ok()?;
                let run = recording.run(&settings).filter(|run| run.state == RunState::Done)?;
                Some(run.mended_as(&recording.step().mending) == Shows::NotYet)
            };
            if self.recording(&group, &recording).and_then(shows) == Some(true) {
                // Its own sheet says what is wrong with it.
                let _ = self.mend_if_needed(&group, &recording);
            }
        }
    }

    /// A turn to compute an answer for a group.
    pub async fn turn(&self, group: &Id) -> Turn {
        self.turns.of(group).await
    }

    /// The key that the printed address carries.
    pub fn key(&self) -> String {
        lock(&self.state).kept.key.clone()
    }

    /// A session for whoever brings the key: the one group in alone mode, the teacher in a class.
    ///
    /// # Errors
    /// A wrong key, or the folder can't be written.
    pub fn enter(&self, key: &str) -> Result<String, Refusal> {
        if !same_secret(key, &self.key()) {
            return Err(Refusal::no_session());
        }
        match self.mode {
            Mode::Class => self.new_session(Who::Teacher),
            Mode::Alone => {
                let there = lock(&self.state).groups.keys().next().cloned();
                let group = match there {
                    Some(group) => group,
                    None => self.new_group("My recordings")?,
                };
                self.new_session(Who::Group(group))
            }
        }
    }

    /// Makes a group of a class and a session for it.
    ///
    /// # Errors
    /// When the folder can't be written.
    pub fn admit(&self, name: &str) -> Result<(Id, String), Refusal> {
        let group = self.new_group(name)?;
        Ok((group.clone(), self.new_session(Who::Group(group))?))
    }

    /// One more session for a group that is there, such as a second phone of it.
    ///
    /// # Errors
    /// When there is no such group, or the folder can't be written.
    pub fn admit_again(&self, group: &Id) -> Result<String, Refusal> {
        if !lock(&self.state).groups.contains_key(group) {
            return Err(Refusal::not_found());
        }
        self.new_session(Who::Group(group.clone()))
    }

    fn new_group(&self, name: &str) -> Result<Id, Refusal> {
        let group = Group {
            id: Id::random(),
            name: name.to_owned(),
            order: Vec::new(),
            recordings: HashMap::new(),
            uploads: 0,
        };
        private_folder(&self.group_folder(&group.id)).map_err(Refusal::internal)?;
        self.keep_group(&group)?;
        let id = group.id.clone();
        lock(&self.state).groups.insert(id.clone(), group);
        self.changed();
        Ok(id)
    }

    fn new_session(&self, who: Who) -> Result<String, Refusal> {
        /// Old sessions beyond this many are forgotten: a browser makes a new one whenever its address is opened.
        const MOST: usize = 1000;
        let secret = Id::random().as_str().to_owned();
        let mut state = lock(&self.state);
        if state.kept.sessions.len() >= MOST {
            state.kept.sessions.clear();
        }
        state.kept.sessions.insert(secret.clone(), who);
        self.keep_room(&state.kept).map_err(Refusal::internal)?;
        Ok(secret)
    }

    pub fn who(&self, session: &str) -> Option<Who> {
        lock(&self.state).kept.sessions.get(session).cloned()
    }

    /// Where somebody without a session is sent.
    pub const fn door(&self) -> &'static str {
        match self.mode {
            Mode::Alone => "/closed",
            Mode::Class => "/join",
        }
    }

    /// Counts up whenever anything in the room changes.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.changes.subscribe()
    }

    pub fn changed(&self) {
        self.changes.send_modify(|count| *count += 1);
    }

    pub fn common(&self) -> Common {
        lock(&self.state).kept.common.clone()
    }

    /// States a rig and a forecast for all; clips whose settings change by it are measured again.
    ///
    /// # Errors
    /// When the rig or the forecast can't be read.
    pub fn set_common(&self, common: Common) -> Result<(), Refusal> {
        let settings = super::setup::Setup::default().settings(&common)?;
        if let Some(forecast) = &common.forecast {
            forecast.expected(&settings.rig)?;
        }
        let recordings: Vec<(Id, Id)> = {
            let mut state = lock(&self.state);
            state.kept.common = common;
            self.keep_room(&state.kept).map_err(Refusal::internal)?;
            let of = |group: &Group| group.order.iter().map(|id| (group.id.clone(), id.clone())).collect::<Vec<_>>();
            state.groups.values().flat_map(of).collect()
        };
        lock(&self.cache).clear();
        for (group, recording) in recordings {
            // What one group has typed may not go with it, or its clip was removed this moment: its own sheet says so, and the
            // others' are measured all the same.
            let _ = self
                .change(&group, &recording, |recording| recording.revision += 1)
                .and_then(|()| self.measure_if_possible(&group, &recording));
        }
        Ok(())
    }

    /// Removes a group, its clips, and the sessions that open it.
    ///
    /// # Errors
    /// When it isn't there or the folder can't be written.
    pub fn remove_group(&self, id: &Id) -> Result<(), Refusal> {
        self.queue.cancel(|job| job.group == *id);
        let mut state = lock(&self.state);
        if state.groups.remove(id).is_none() {
            return Err(Refusal::not_found());
        }
        state.kept.sessions.retain(|_, who| *who != Who::Group(id.clone()));
        self.keep_room(&state.kept).map_err(Refusal::internal)?;
        drop(state);
        // A child that still writes there may keep it from going; the next start removes what has no group.
        let _ = fs::remove_file(self.group_folder(id).join("group.json"));
        let _ = fs::remove_dir_all(self.group_folder(id));
        self.changed();
        Ok(())
    }

    /// Removes all groups, and what was common to them.
    ///
    /// # Errors
    /// When the folder can't be written.
    pub fn clear(&self) -> Result<(), Refusal> {
        for group in self.groups() {
            self.remove_group(&group.id)?;
        }
        let mut state = lock(&self.state);
        state.kept.common = Common::default();
        self.keep_room(&state.kept).map_err(Refusal::internal)?;
        drop(state);
        self.changed();
        Ok(())
    }

    pub fn groups(&self) -> Vec<GroupInShort> {
        lock(&self.state).groups.values().map(in_short).collect()
    }

    pub fn group(&self, id: &Id) -> Option<GroupInShort> {
        lock(&self.state).groups.get(id).map(in_short)
    }

    /// The group that a recording belongs to.
    pub fn owner(&self, recording: &Id) -> Option<Id> {
        let state = lock(&self.state);
        state.groups.values().find(|group| group.recordings.contains_key(recording)).map(|group| group.id.clone())
    }

    pub fn recording(&self, group: &Id, id: &Id) -> Option<Recording> {
        lock(&self.state).groups.get(group)?.recordings.get(id).cloned()
    }

    pub fn progress(&self, job: &Job) -> Option<Said> {
        lock(&self.state).progress.get(job).cloned()
    }

    pub fn note_progress(&self, job: &Job, said: Option<Said>) {
        let mut state = lock(&self.state);
        match said {
            Some(said) => state.progress.insert(job.clone(), said),
            None => state.progress.remove(job),
        };
        drop(state);
        self.changed();
    }

    pub fn group_folder(&self, group: &Id) -> PathBuf {
        self.folder.join("groups").join(group.as_str())
    }

    pub fn recording_folder(&self, group: &Id, recording: &Id) -> PathBuf {
        self.group_folder(group).join(recording.as_str())
    }

    pub fn run_folder(&self, group: &Id, recording: &Id, run: u32) -> PathBuf {
        self.recording_folder(group, recording).join(format!("run-{run}"))
    }

    fn keep_group(&self, group: &Group) -> Result<(), Refusal> {
        let path = self.group_folder(&group.id).join("group.json");
        write_durably(&path, &serde_json::to_vec_pretty(group).map_err(Refusal::internal)?).map_err(Refusal::internal)
    }

    /// Changes a recording and writes it down; what `change` gives is handed on. Nothing is changed when it can't be written.
    ///
    /// # Errors
    /// When it isn't there or can't be written.
    pub fn change<T>(&self, group: &Id, id: &Id, change: impl FnOnce(&mut Recording) -> T) -> Result<T, Refusal> {
        let mut state = lock(&self.state);
        let recordings = &mut state.groups.get_mut(group).ok_or_else(Refusal::not_found)?.recordings;
        let recording = recordings.get_mut(id).ok_or_else(Refusal::not_found)?;
        let mut changed = recording.clone();
        let given = change(&mut changed);
        self.keep_recording(group, &changed)?;
        *recording = changed;
        drop(state);
        self.changed();
        Ok(given)
    }

    fn keep_recording(&self, group: &Id, recording: &Recording) -> Result<(), Refusal> {
        let path = self.recording_folder(group, &recording.id).join("recording.json");
        let text = serde_json::to_vec(recording).map_err(Refusal::internal)?;
        write_durably(&path, &text).map_err(Refusal::internal)
    }

    /// Makes room for an upload: its id, and what may still be sent. Ends with the guard.
    ///
    /// # Errors
    /// When the group has as much as it may.
    pub fn begin_upload(self: &Arc<Self>, group: &Id) -> Result<Upload, Refusal> {
        let mut state = lock(&self.state);
        let all = |group: &Group| group.recordings.values().map(|recording| recording.bytes).sum::<u64>();
        let room_left = self.limits.room_bytes.saturating_sub(state.groups.values().map(all).sum());
        let there = state.groups.get_mut(group).ok_or_else(Refusal::not_found)?;
        let full =
            |message: &str, hint: &str| Err(Refusal::new(axum::http::StatusCode::TOO_MANY_REQUESTS, message, hint));
        if there.uploads >= self.limits.uploads_of_a_group {
            return full(
                "Other clips of yours are still arriving.",
                "Wait until one of them is there, then send this one again.",
            );
        }
        if there.order.len() + there.uploads >= self.limits.recordings_of_a_group {
            return full("You have as many clips as there is room for.", "Remove some that you don't need any more.");
        }
        let used: u64 = there.recordings.values().map(|recording| recording.bytes).sum();
        let left = self.limits.group_bytes.saturating_sub(used).min(self.limits.upload_bytes).min(room_left);
        if room_left == 0 {
            return full("All clips together take all the room there is.", "Ask your teacher to remove some.");
        }
        if left == 0 {
            return full("Your clips take all the room there is.", "Remove some that you don't need any more.");
        }
        there.uploads += 1;
        drop(state);
        self.changed();
        Ok(Upload { room: self.clone(), group: group.clone(), id: Id::random(), most_bytes: left, done: false })
    }

    /// Removes a recording and all that came of it.
    ///
    /// # Errors
    /// When it isn't there or the group can't be written.
    pub fn remove(&self, group: &Id, id: &Id) -> Result<(), Refusal> {
        self.queue.cancel(|job| job.recording == *id);
        let mut state = lock(&self.state);
        let there = state.groups.get_mut(group).ok_or_else(Refusal::not_found)?;
        if there.recordings.remove(id).is_none() {
            return Err(Refusal::not_found());
        }
        there.order.retain(|other| other != id);
        self.keep_group(there)?;
        drop(state);
        let _ = fs::remove_dir_all(self.recording_folder(group, id));
        self.changed();
        Ok(())
    }

    /// Lines up the measurement of the step shown, when it has a scale and isn't there yet.
    ///
    /// # Errors
    /// When what was stated can't be read.
    pub fn measure_if_possible(&self, group: &Id, id: &Id) -> Result<(), Refusal> {
        let recording = self.recording(group, id).ok_or_else(Refusal::not_found)?;
        let Some(look) = &recording.look else { return Ok(()) };
        let settings = recording.step().setup.settings(&self.common())?;
        if !settings.has_scale(!look.cards.is_empty()) {
            return Ok(());
        }
        if recording.run(&settings).is_some() {
            return self.mend_if_needed(group, id);
        }
        self.want(group, id, &settings)
    }

    /// Lines up the numbers of the step shown with its mending, when the clip is measured and they aren't there. What was lined up for this
    /// sheet before isn't wanted any more.
    ///
    /// # Errors
    /// When what was stated can't be read, or it can't be written down.
    pub fn mend_if_needed(&self, group: &Id, id: &Id) -> Result<(), Refusal> {
        let recording = self.recording(group, id).ok_or_else(Refusal::not_found)?;
        let settings = recording.step().setup.settings(&self.common())?;
        let mending = recording.step().mending.clone();
        let Some(run) = recording.run(&settings).filter(|run| run.state == RunState::Done).map(|run| run.number) else {
            return Ok(());
        };
        let (wanted, given_up) = self.change(group, id, |recording| {
            recording.revision += 1;
            match recording.run_numbered(run) {
                // As it was found: nothing needs to be computed.
                Some(run) if mending == Mending::default() => (None, run.give_up_mended()),
                Some(run) => run.want_mended(&mending),
                None => (None, Vec::new()),
            }
        })?;
        self.queue.cancel(|job| {
            job.recording == *id
                && matches!(job.kind, JobKind::Mend(of, number) if of == run && given_up.contains(&number))
        });
        if let Some(number) = wanted {
            self.queue.push(Job { group: group.clone(), recording: id.clone(), kind: JobKind::Mend(run, number) });
            self.changed();
        }
        Ok(())
    }

    /// Lines up a run.
    ///
    /// # Errors
    /// When it can't be written down.
    pub fn want(&self, group: &Id, id: &Id, settings: &super::setup::RunSettings) -> Result<(), Refusal> {
        let (number, state, given_up) = self.change(group, id, |recording| {
            let number = recording.want(settings);
            let given_up = recording.give_up_all_but(number);
            (number, recording.run(settings).map(|run| run.state.clone()), given_up)
        })?;
        // Nobody's turn is spent on what was stated before.
        self.queue.cancel(|job| {
            job.recording == *id && matches!(job.kind, JobKind::Measure(other) if given_up.contains(&other))
        });
        if state == Some(RunState::Wanted) {
            self.queue.push(Job { group: group.clone(), recording: id.clone(), kind: JobKind::Measure(number) });
            self.changed();
        }
        Ok(())
    }

    /// Writes down what a first look showed, and goes on when a scale is known.
    pub fn looked(&self, group: &Id, id: &Id, look: Look) -> Result<(), Refusal> {
        self.change(group, id, |recording| {
            recording.look = Some(look);
            recording.revision += 1;
        })?;
        self.measure_if_possible(group, id)
    }

    /// The measurement of the step shown; `None` while there is none. Computed when it is first asked for: call it where
    /// blocking is allowed.
    ///
    /// # Errors
    /// When what is left of the sightings carries no fit, or the files can't be read.
    pub fn measured(&self, group: &Id, recording: &Recording) -> Result<Option<Arc<Measured>>, Refusal> {
        /// A few sheets are looked at at a time.
        const MOST: usize = 12;
        let common = self.common();
        let settings = recording.step().setup.settings(&common)?;
        let Some(run) = recording.run(&settings).filter(|run| run.state == RunState::Done) else { return Ok(None) };
        let key = (recording.id.clone(), recording.step().serial, run.number);
        if let Some((_, measured)) = lock(&self.cache).iter().find(|(other, _)| *other == key) {
            return Ok(Some(measured.clone()));
        }
        let mended = match run.mended_as(&recording.step().mending) {
            Shows::Found => None,
            Shows::Mended(MendedRun { number, state: RunState::Done, .. }) => Some(*number),
            Shows::Mended(MendedRun { state: RunState::Failed(failure), .. }) => {
                return Err(Refusal::wrong(&failure.message, &failure.hint));
            }
            Shows::Mended(_) | Shows::NotYet => return Ok(None),
        };
        let folder = self.run_folder(group, &recording.id, run.number);
        let measured = Arc::new(Measured::of(&folder, mended, recording.step(), &settings, &common)?);
        let mut cache = lock(&self.cache);
        if cache.len() >= MOST {
            cache.pop_front();
        }
        cache.push_back((key, measured.clone()));
        Ok(Some(measured))
    }
}

/// An upload under way; when dropped before it is done, nothing stays of it.
pub struct Upload {
    room: Arc<Room>,
    group: Id,
    pub id: Id,
    pub most_bytes: u64,
    done: bool,
}

impl Upload {
    pub fn folder(&self) -> PathBuf {
        self.room.recording_folder(&self.group, &self.id)
    }

    /// Makes the recording's folder.
    ///
    /// # Errors
    /// When it can't be made.
    pub fn prepare(&self) -> std::io::Result<()> {
        private_folder(&self.folder())
    }

    /// The clip is there: makes a recording of it and lines up the first look.
    ///
    /// # Errors
    /// When it can't be written down.
    pub fn finish(mut self, name: &str, bytes: u64) -> Result<Id, Refusal> {
        let recording = Recording::new(self.id.clone(), clean_name(name), bytes);
        self.room.keep_recording(&self.group, &recording)?;
        {
            let mut state = lock(&self.room.state);
            let group = state.groups.get_mut(&self.group).ok_or_else(Refusal::not_found)?;
            group.order.push(self.id.clone());
            group.recordings.insert(self.id.clone(), recording);
            self.room.keep_group(group)?;
        }
        self.done = true;
        self.room.queue.push(Job { group: self.group.clone(), recording: self.id.clone(), kind: JobKind::Look });
        self.room.changed();
        Ok(self.id.clone())
    }
}

impl Drop for Upload {
    fn drop(&mut self) {
        if let Some(group) = lock(&self.room.state).groups.get_mut(&self.group) {
            group.uploads = group.uploads.saturating_sub(1);
        }
        self.room.changed();
        if !self.done {
            let _ = fs::remove_dir_all(self.folder());
        }
    }
}

fn in_short(group: &Group) -> GroupInShort {
    let recordings = group.order.iter().filter_map(|id| group.recordings.get(id)).cloned().collect();
    GroupInShort { id: group.id.clone(), name: group.name.clone(), recordings, arriving: group.uploads }
}

/// A name as it may be shown and written into files: one line, no longer than a line.
pub fn clean_name(name: &str) -> String {
    const LONGEST: usize = 80;
    let clean = one_line(name.rsplit(['/', '\\']).next().unwrap_or_default(), LONGEST);
    if clean.is_empty() { "clip".to_owned() } else { clean }
}

/// A text as one line of at most so many letters, without what can't be seen or turns the writing around.
pub fn one_line(text: &str, longest: usize) -> String {
    let unseen = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
    };
    let words: Vec<&str> = text.split_whitespace().collect();
    let clean: String = words.join(" ").chars().filter(|c| !unseen(*c)).take(longest).collect();
    clean.trim().to_owned()
}

/// Makes a folder that only its owner may enter.
pub fn private_folder(path: &Path) -> std::io::Result<()> {
    fs::create_dir_all(path)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(path, fs::Permissions::from_mode(0o700))?;
    }
    Ok(())
}

/// What stands in a file of the room.
enum Stands<T> {
    Whole(T),
    Nothing,
    /// It can't be read, and was set aside.
    SetAside,
}

/// Reads a file of the room. One that is empty or torn, as after a power cut or by another hand, is set aside and not lost, so that it stops
/// nobody's work.
fn read_json<T: serde::de::DeserializeOwned>(path: &Path) -> Result<Stands<T>, ServeError> {
    let unusable = |source| ServeError::Folder { path: path.to_owned(), source };
    match small_file::bytes(path, ROOM_FILE_BYTES) {
        Ok(bytes) => match serde_json::from_slice(&bytes) {
            Ok(read) => Ok(Stands::Whole(read)),
            Err(_) => set_aside(path).map(|()| Stands::SetAside).map_err(unusable),
        },
        // Ended between setting it aside and writing it anew.
        Err(error) if error.kind() == std::io::ErrorKind::NotFound && was_set_aside(path) => Ok(Stands::SetAside),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Stands::Nothing),
        Err(error) if matches!(error.kind(), std::io::ErrorKind::FileTooLarge | std::io::ErrorKind::InvalidInput) => {
            set_aside(path).map(|()| Stands::SetAside).map_err(unusable)
        }
        Err(source) => Err(unusable(source)),
    }
}

/// Largest file of a room: a recording with all its steps takes some hundred kilobytes.
const ROOM_FILE_BYTES: u64 = 16 * NOTES_BYTES;

fn set_aside(path: &Path) -> std::io::Result<()> {
    let free = (1..).map(|number| aside(path, number)).find(|other| !other.exists());
    fs::rename(path, free.unwrap_or_else(|| aside(path, 0)))
}

fn was_set_aside(path: &Path) -> bool {
    aside(path, 1).exists()
}

fn aside(path: &Path, number: u32) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!("{name}.damaged-{number}"))
}

/// What is said of a file that was set aside.
fn damaged(folder: &Path, instead: &str) -> String {
    format!("a file in `{}` couldn't be read and was set aside there. {instead}", folder.display())
}

type Groups = BTreeMap<Id, Group>;

fn read_groups(folder: &Path, keep: Duration, notes: &mut Vec<String>) -> Result<Groups, ServeError> {
    let unusable = |source| ServeError::Folder { path: folder.to_owned(), source };
    let mut groups = BTreeMap::new();
    for entry in fs::read_dir(folder).map_err(unusable)? {
        let path = entry.map_err(unusable)?.path();
        let Some(id) = path.file_name().and_then(|name| Id::read(name.to_str()?)) else { continue };
        let file = path.join("group.json");
        let (mut group, group_lost) = match read_json::<Group>(&file)? {
            Stands::Whole(group) if group.id == id => (group, false),
            lost @ (Stands::Whole(_) | Stands::SetAside) => {
                if matches!(lost, Stands::Whole(_)) {
                    set_aside(&file).map_err(unusable)?;
                }
                notes.push(damaged(&path, "The group is there again with its clips, under a name of its number."));
                (Group::restored(id, &path), true)
            }
            // Left behind when a group was removed while its clip was being worked on.
            Stands::Nothing => {
                let _ = fs::remove_dir_all(&path);
                continue;
            }
        };
        let recordings_lost = read_recordings(&path, &mut group, keep, notes)?;
        if group_lost || recordings_lost {
            // At once: a file that isn't there means that it was removed.
            keep_in(&file, &group)?;
        }
        // A group that nobody came back to.
        if group.order.is_empty() && older(&file, keep) {
            let _ = fs::remove_dir_all(&path);
        } else {
            groups.insert(group.id.clone(), group);
        }
    }
    Ok(groups)
}

impl Group {
    /// A group whose own file is lost: its clips are those that stand in its folder.
    fn restored(id: Id, folder: &Path) -> Self {
        let ids = fs::read_dir(folder).into_iter().flatten().flatten();
        let mut order: Vec<Id> = ids.filter_map(|entry| Id::read(entry.file_name().to_str()?)).collect();
        let written =
            |id: &Id| fs::metadata(folder.join(id.as_str()).join("clip")).and_then(|clip| clip.modified()).ok();
        order.sort_by_key(written);
        let name = format!("Group {}", &id.as_str()[..4]);
        Self { id, name, order, recordings: HashMap::new(), uploads: 0 }
    }
}

/// Reads the recordings of a group; removes what nobody touched for long, and uploads that were cut off. Gives whether one had to be begun
/// anew.
fn read_recordings(
    folder: &Path,
    group: &mut Group,
    keep: Duration,
    notes: &mut Vec<String>,
) -> Result<bool, ServeError> {
    let mut lost = false;
    let unusable = |source| ServeError::Folder { path: folder.to_owned(), source };
    for entry in fs::read_dir(folder).map_err(unusable)? {
        let path = entry.map_err(unusable)?.path();
        let Some(id) = path.file_name().and_then(|name| Id::read(name.to_str()?)) else { continue };
        let file = path.join("recording.json");
        let clip = fs::metadata(path.join("clip")).ok().filter(|clip| clip.len() > 0);
        let recording = match read_json::<Recording>(&file)? {
            Stands::Whole(recording) if recording.id == id && recording.is_whole() => {
                Some(recording).filter(|_| group.order.contains(&id) && !older(&file, keep))
            }
            Stands::Whole(_) | Stands::SetAside => match clip {
                Some(clip) => {
                    if file.exists() {
                        set_aside(&file).map_err(unusable)?;
                    }
                    notes.push(damaged(
                        &path,
                        "The clip is whole and is looked at anew; what was stated about it is lost.",
                    ));
                    if !group.order.contains(&id) {
                        group.order.push(id.clone());
                    }
                    let anew = Recording::new(id.clone(), "clip".to_owned(), clip.len());
                    keep_in(&file, &anew)?;
                    lost = true;
                    Some(anew)
                }
                None => None,
            },
            Stands::Nothing => None,
        };
        match recording {
            Some(recording) => _ = group.recordings.insert(id, recording),
            None => {
                let _ = fs::remove_dir_all(&path);
            }
        }
    }
    group.order.retain(|id| group.recordings.contains_key(id));
    Ok(lost)
}

fn keep_in(path: &Path, value: &impl Serialize) -> Result<(), ServeError> {
    let written = serde_json::to_vec(value).map_err(std::io::Error::other).and_then(|text| write_durably(path, &text));
    written.map_err(|source| ServeError::Folder { path: path.to_owned(), source })
}

fn older(path: &Path, keep: Duration) -> bool {
    let modified = fs::metadata(path).and_then(|metadata| metadata.modified());
    let age = modified.ok().and_then(|modified| SystemTime::now().duration_since(modified).ok());
    age.is_some_and(|age| age > keep)
}
