//! The class's door: a short code that lets groups in, and how often it may be tried.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crate::report::files::write_durably;
use crate::serve::id::{Id, same_secret};
use crate::small_file::{self, NOTES_BYTES};

/// Letters that can't be taken for each other or for a digit when read out or seen from the back row.
const LETTERS: &[u8; 20] = b"ABCDEFGHJKMNPRSTWXYZ";
/// Twenty letters to the sixth power are 64 million codes.
const LENGTH: usize = 6;

/// Wrong codes within [`WINDOW`] from one address, which may be a router behind which half a class stands. When many come from many
/// addresses, each gets fewer; a device that hasn't been wrong is always heard once, so that nobody can lock the door for others.
const WRONG_FROM_ONE: usize = 12;
/// From so many wrong codes of all addresses on, each has that many.
const WRONG_FROM_ONE_LATER: [(usize, usize); 2] = [(120, 3), (600, 1)];
/// New groups from one address, likewise perhaps a router: a holder of the code can't fill the class from one device.
const GROUPS_FROM_ONE: usize = 20;
/// A network of 250 addresses that guesses for three hours has some 15 000 attempts and finds one of 64 million codes with a chance of 1 in
/// 4000.
///
/// Attempts are forgotten when the server ends. Only its owner starts it again, and the few more of 64 million change nothing.
const WINDOW: Duration = Duration::from_secs(600);
/// For so long a group that the teacher lets back in may come by its name.
const LET_IN: Duration = Duration::from_secs(300);

/// What came of an attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Attempt {
    Open,
    Wrong,
    /// Not even looked at.
    TooMany,
}

/// The door.
#[derive(Debug)]
pub struct Door {
    path: PathBuf,
    inner: Mutex<Inner>,
}

#[derive(Debug)]
struct Inner {
    code: String,
    wrong: VecDeque<(Instant, IpAddr)>,
    /// New groups that came from each address.
    groups: HashMap<IpAddr, usize>,
    /// Groups that may come in once more by their name, and since when.
    let_in: Vec<(Instant, Id)>,
}

impl Door {
    /// The door of a room's folder: its code stays the same over restarts.
    ///
    /// # Errors
    /// When the folder can't be written.
    pub fn of(folder: &Path) -> std::io::Result<Self> {
        let path = folder.join("join-code");
        let kept = small_file::text(&path, NOTES_BYTES).ok().and_then(|code| tidy(&code));
        let door = Self::with_code(path, kept.clone().unwrap_or_else(new_code));
        if kept.is_none() {
            write_durably(&door.path, door.code().as_bytes())?;
        }
        Ok(door)
    }

    fn with_code(path: PathBuf, code: String) -> Self {
        Self {
            path,
            inner: Mutex::new(Inner { code, wrong: VecDeque::new(), groups: HashMap::new(), let_in: Vec::new() }),
        }
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn code(&self) -> String {
        self.inner().code.clone()
    }

    /// Another code, for another class; the old one opens nothing any more.
    ///
    /// # Errors
    /// When the folder can't be written; the old code stays.
    pub fn renew(&self) -> std::io::Result<()> {
        let code = new_code();
        write_durably(&self.path, code.as_bytes())?;
        let mut inner = self.inner();
        inner.code = code;
        inner.wrong.clear();
        inner.groups.clear();
        inner.let_in.clear();
        Ok(())
    }

    /// Tries a code as typed, in large or small letters, with spaces or without.
    pub fn attempt(&self, typed: &str, from: IpAddr, now: Instant) -> Attempt {
        let mut inner = self.inner();
        inner.forget_old(now);
        let of_this = inner.wrong.iter().filter(|(_, other)| *other == from).count();
        if of_this >= inner.most_from_one() {
            return Attempt::TooMany;
        }
        if tidy(typed).is_some_and(|code| same_secret(&code, &inner.code)) {
            return Attempt::Open;
        }
        inner.wrong.push_back((now, from));
        Attempt::Wrong
    }

    /// The addresses from which nobody can try at the moment.
    pub fn locked_out(&self, now: Instant) -> Vec<IpAddr> {
        let mut inner = self.inner();
        inner.forget_old(now);
        let mut all: Vec<IpAddr> = inner.wrong.iter().map(|(_, from)| *from).collect();
        let most = inner.most_from_one();
        all.sort_unstable();
        all.chunk_by(|a, b| a == b).filter(|run| run.len() >= most).map(|run| run[0]).collect()
    }

    /// The teacher knows who it was: everybody may try again, and make groups.
    pub fn forgive(&self) {
        let mut inner = self.inner();
        inner.wrong.clear();
        inner.groups.clear();
    }

    /// Whether one more group may be made from this address; counts it.
    pub fn takes_group_from(&self, from: IpAddr) -> bool {
        let mut inner = self.inner();
        let made = inner.groups.entry(from).or_default();
        *made += 1;
        *made <= GROUPS_FROM_ONE
    }

    /// Lets whoever has the code and gives the name of this group in as that group, once: a phone that lost its way, or a
    /// second one.
    pub fn let_in_again(&self, group: Id, now: Instant) {
        self.inner().let_in.push((now, group));
    }

    /// Whether this group may come in once more; then not again.
    pub fn comes_back(&self, group: &Id, now: Instant) -> bool {
        let mut inner = self.inner();
        inner.let_in.retain(|(at, _)| now.duration_since(*at) < LET_IN);
        let place = inner.let_in.iter().position(|(_, other)| other == group);
        place.map(|place| inner.let_in.remove(place)).is_some()
    }
}

impl Inner {
    /// Wrong codes that an address may have given by now.
    fn most_from_one(&self) -> usize {
        let later = WRONG_FROM_ONE_LATER.iter().rev().find(|(from, _)| self.wrong.len() >= *from);
        later.map_or(WRONG_FROM_ONE, |(_, most)| *most)
    }

    fn forget_old(&mut self, now: Instant) {
        while self.wrong.front().is_some_and(|(at, _)| now.duration_since(*at) >= WINDOW) {
            self.wrong.pop_front();
        }
    }
}

fn tidy(typed: &str) -> Option<String> {
    let code: String =
        typed.chars().filter(|c| !c.is_whitespace() && *c != '-').map(|c| c.to_ascii_uppercase()).collect();
    (code.len() == LENGTH && code.bytes().all(|byte| LETTERS.contains(&byte))).then_some(code)
}

/// From the operating system's generator. 128 bits leave no letter likelier than another by more than 2⁻⁹⁰.
fn new_code() -> String {
    let mut bits = u128::from_le_bytes(rand::random());
    let mut letter = || {
        let letter = LETTERS[(bits % 20) as usize];
        bits /= 20;
        char::from(letter)
    };
    (0..LENGTH).map(|_| letter()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::Ipv4Addr;

    fn door() -> Door {
        Door::with_code(PathBuf::from("nowhere"), "ABCDEF".to_owned())
    }

    fn address(last: u8) -> IpAddr {
        Ipv4Addr::new(192, 0, 2, last).into()
    }

    #[test]
    fn attempts_are_limited_by_address_and_over_all() {
        let (door, start) = (door(), Instant::now());
        for _ in 0..WRONG_FROM_ONE {
            assert_eq!(door.attempt("ABCDEX", address(1), start), Attempt::Wrong);
        }
        // Now even the right code isn't looked at, from this address alone and for a while.
        assert_eq!(door.attempt("ABCDEF", address(1), start), Attempt::TooMany);
        assert_eq!(door.locked_out(start), [address(1)]);
        assert_eq!(door.attempt("abc def", address(2), start), Attempt::Open);
        assert_eq!(door.attempt("ABCDEF", address(1), start + WINDOW), Attempt::Open);
        door.attempt("WRONG", address(1), start + WINDOW);
        for _ in 0..WRONG_FROM_ONE {
            door.attempt("WRONG", address(1), start + WINDOW);
        }
        door.forgive();
        assert_eq!(door.attempt("ABCDEF", address(1), start + WINDOW), Attempt::Open);
    }

    /// Ten addresses with twelve wrong codes each lock themselves out and nobody else.
    #[test]
    fn wrong_codes_of_many_lock_nobody_out_who_was_not_wrong() {
        let (door, start) = (door(), Instant::now());
        for last in 0..10 {
            (0..WRONG_FROM_ONE).for_each(|_| _ = door.attempt("XXXXXX", address(last), start));
        }
        assert_eq!(door.attempt("ABCDEF", address(3), start), Attempt::TooMany);
        assert_eq!(door.attempt("ABCDEF", address(250), start), Attempt::Open);
        // One who mistypes in such a time has three attempts, later one.
        let mistypes = |last| (0..5).map(|_| door.attempt("XXXXXX", address(last), start)).collect::<Vec<_>>();
        assert_eq!(mistypes(200).iter().filter(|attempt| **attempt == Attempt::Wrong).count(), 3);
        for last in 20..190 {
            mistypes(last);
        }
        assert_eq!(mistypes(201).iter().filter(|attempt| **attempt == Attempt::Wrong).count(), 1);
        assert_eq!(door.attempt("ABCDEF", address(251), start), Attempt::Open);
        let all: usize = (0..=255).map(|last| mistypes(last).iter().filter(|a| **a == Attempt::Wrong).count()).sum();
        assert!(
            all < 256 && door.inner().wrong.len() < 900,
            "a whole network's guesses end: {}",
            door.inner().wrong.len()
        );
    }

    #[test]
    fn one_device_can_t_fill_the_class() {
        let door = door();
        let made = (0..80).filter(|_| door.takes_group_from(address(1))).count();
        assert_eq!(made, GROUPS_FROM_ONE);
        assert!(door.takes_group_from(address(2)));
        door.forgive();
        assert!(door.takes_group_from(address(1)));
    }

    #[test]
    fn a_group_that_is_let_back_in_comes_once_and_soon() {
        let (door, start, group) = (door(), Instant::now(), Id::random());
        assert!(!door.comes_back(&group, start));
        door.let_in_again(group.clone(), start);
        assert!(door.comes_back(&group, start + LET_IN / 2));
        assert!(!door.comes_back(&group, start + LET_IN / 2));
        door.let_in_again(group.clone(), start);
        assert!(!door.comes_back(&group, start + LET_IN));
    }

    #[test]
    fn the_code_outlives_a_restart() {
        let folder = tempfile::tempdir().unwrap();
        let first = Door::of(folder.path()).unwrap();
        assert_eq!(Door::of(folder.path()).unwrap().code(), first.code());
        assert!(first.code().len() == LENGTH && tidy(&first.code()).is_some());
        let old = first.code();
        first.renew().unwrap();
        assert_ne!(first.code(), old);
        assert_eq!(Door::of(folder.path()).unwrap().code(), first.code());
        assert_ne!(new_code(), new_code());
    }
}
