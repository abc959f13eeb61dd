//! Who comes next: round robin over the groups, three lanes one before the other.

use std::collections::{HashMap, VecDeque};
use std::sync::{Mutex, MutexGuard, PoisonError};

use tokio::sync::{Notify, watch};

use super::id::Id;

/// Something that a child process is to do for a recording.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Job {
    pub group: Id,
    pub recording: Id,
    pub kind: JobKind,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum JobKind {
    Look,
    /// The run of that number.
    Measure(u32),
    Overlay,
    Frames(u32),
    Peek,
    /// A run's numbers again with the mending of that number.
    Mend(u32, u32),
}

impl JobKind {
    /// A look takes a moment, and so do new numbers of a clip that was measured; frames are made ready for later.
    const fn lane(self) -> usize {
        match self {
            Self::Look | Self::Mend(..) => 0,
            Self::Measure(_) | Self::Overlay | Self::Peek => 1,
            Self::Frames(_) => 2,
        }
    }
}

const LANES: usize = 3;

#[derive(Default)]
struct Lane {
    /// Groups with something waiting; the first is next.
    turn: VecDeque<Id>,
    waiting: HashMap<Id, VecDeque<Job>>,
}

impl Lane {
    fn push(&mut self, job: Job) {
        let jobs = self.waiting.entry(job.group.clone()).or_default();
        if jobs.is_empty() {
            self.turn.push_back(job.group.clone());
        }
        if !jobs.contains(&job) {
            jobs.push_back(job);
        }
    }

    /// The next job of a group that may have one more place.
    fn take(&mut self, may: impl Fn(&Id) -> bool) -> Option<Job> {
        let next = self.turn.iter().position(may)?;
        let group = self.turn.remove(next)?;
        let jobs = self.waiting.get_mut(&group)?;
        let job = jobs.pop_front();
        if jobs.is_empty() {
            self.waiting.remove(&group);
        } else {
            self.turn.push_back(group);
        }
        job
    }

    fn remove(&mut self, wanted: impl Fn(&Job) -> bool) {
        for jobs in self.waiting.values_mut() {
            jobs.retain(|job| !wanted(job));
        }
        self.waiting.retain(|_, jobs| !jobs.is_empty());
        self.turn.retain(|group| self.waiting.contains_key(group));
    }

    /// How many of this lane are taken before the job: each group's turn comes once a round.
    fn ahead(&self, job: &Job) -> Option<usize> {
        let rounds = self.waiting.get(&job.group)?.iter().position(|other| other == job)?;
        let own_turn = self.turn.iter().position(|group| *group == job.group)?;
        let of_others = self.turn.iter().enumerate().filter(|(_, group)| **group != job.group).map(|(turn, group)| {
            let waiting = self.waiting.get(group).map_or(0, VecDeque::len);
            waiting.min(rounds + usize::from(turn < own_turn))
        });
        Some(rounds + of_others.sum::<usize>())
    }

    fn len(&self) -> usize {
        self.waiting.values().map(VecDeque::len).sum()
    }
}

#[derive(Default)]
struct Inner {
    lanes: [Lane; LANES],
    working: Vec<(Job, watch::Sender<bool>)>,
}

/// Where a job is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// So many come before it.
    Waiting(usize),
    Working,
}

/// The queue.
pub struct Queue {
    inner: Mutex<Inner>,
    wake: Notify,
    /// Jobs of one group at a time.
    most_of_a_group: usize,
}

impl Queue {
    /// A queue in which no group has more than so many jobs worked on at a time: where there are more places than that, one clip that takes
    /// long leaves the others theirs.
    pub fn new(most_of_a_group: usize) -> Self {
        Self { inner: Mutex::default(), wake: Notify::new(), most_of_a_group: most_of_a_group.max(1) }
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lines a job up; one that waits or is worked on isn't lined up twice.
    pub fn push(&self, job: Job) {
        let mut inner = self.inner();
        if inner.working.iter().all(|(other, _)| *other != job) {
            inner.lanes[job.kind.lane()].push(job);
        }
        drop(inner);
        self.wake.notify_one();
    }

    /// The next job, and what tells that it isn't wanted any more; waits until there is one.
    pub async fn take(&self) -> (Job, watch::Receiver<bool>) {
        loop {
            if let Some(taken) = self.try_take() {
                // Another worker may be asleep while more is waiting.
                self.wake.notify_one();
                return taken;
            }
            self.wake.notified().await;
        }
    }

    fn try_take(&self) -> Option<(Job, watch::Receiver<bool>)> {
        let mut inner = self.inner();
        let Inner { lanes, working } = &mut *inner;
        let has = |group: &Id| working.iter().filter(|(job, _)| job.group == *group).count();
        let job = lanes.iter_mut().find_map(|lane| lane.take(|group| has(group) < self.most_of_a_group))?;
        let (sender, receiver) = watch::channel(false);
        inner.working.push((job.clone(), sender));
        Some((job, receiver))
    }

    pub fn finished(&self, job: &Job) {
        self.inner().working.retain(|(other, _)| other != job);
        // Its group may have another place now.
        self.wake.notify_one();
    }

    /// Takes the jobs that fit out of the queue and ends those that are being worked on.
    pub fn cancel(&self, wanted: impl Fn(&Job) -> bool) {
        let mut inner = self.inner();
        for lane in &mut inner.lanes {
            lane.remove(&wanted);
        }
        for (_, sender) in inner.working.iter().filter(|(job, _)| wanted(job)) {
            let _ = sender.send(true);
        }
    }

    /// `None` when the job is neither waiting nor worked on.
    pub fn place(&self, job: &Job) -> Option<Place> {
        let inner = self.inner();
        if inner.working.iter().any(|(other, _)| other == job) {
            return Some(Place::Working);
        }
        let lane = job.kind.lane();
        let before: usize = inner.lanes[..lane].iter().map(Lane::len).sum();
        Some(Place::Waiting(before + inner.lanes[lane].ahead(job)?))
    }

    /// How many jobs are worked on.
    pub fn working(&self) -> usize {
        self.inner().working.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn job(group: &Id) -> Job {
        Job { group: group.clone(), recording: Id::random(), kind: JobKind::Measure(1) }
    }

    #[test]
    fn groups_take_turns_and_everybody_knows_their_place() {
        let queue = Queue::new(2);
        let (greedy, late) = (Id::random(), Id::random());
        let many: Vec<Job> = (0..5).map(|_| job(&greedy)).collect();
        many.iter().for_each(|job| queue.push(job.clone()));
        let one = job(&late);
        queue.push(one.clone());
        queue.push(one.clone());
        let all: Vec<&Job> = many.iter().chain([&one]).collect();
        let foretold: Vec<_> = all.iter().map(|job| queue.place(job).unwrap()).collect();
        let mut order = Vec::new();
        while let Some((job, _)) = queue.try_take() {
            queue.finished(&job);
            order.push(job);
        }
        assert_eq!(order.len(), 6);
        assert_eq!(order[1], one);
        for (job, place) in all.iter().zip(foretold) {
            assert_eq!(Place::Waiting(order.iter().position(|other| other == *job).unwrap()), place);
        }
    }

    #[test]
    fn a_look_goes_first_and_what_is_cancelled_is_told() {
        let queue = Queue::new(2);
        let group = Id::random();
        let measuring = job(&group);
        queue.push(measuring.clone());
        queue.push(Job { kind: JobKind::Look, ..measuring.clone() });
        assert_eq!(queue.try_take().unwrap().0.kind, JobKind::Look);
        let (taken, cancelled) = queue.try_take().unwrap();
        assert_eq!(queue.place(&taken), Some(Place::Working));
        queue.cancel(|job| *job == measuring);
        assert!(*cancelled.borrow());
    }

    #[test]
    fn a_group_s_second_clip_leaves_the_last_place_to_others() {
        let queue = Queue::new(1);
        let (greedy, late) = (Id::random(), Id::random());
        let many: Vec<Job> = (0..3).map(|_| job(&greedy)).collect();
        many.iter().for_each(|job| queue.push(job.clone()));
        assert_eq!(queue.try_take().unwrap().0, many[0]);
        assert!(queue.try_take().is_none(), "its first is still worked on");
        let one = job(&late);
        queue.push(one.clone());
        assert_eq!(queue.try_take().unwrap().0, one);
        queue.finished(&many[0]);
        assert_eq!(queue.try_take().unwrap().0, many[1]);
    }
}
