//! The book as a whole: recording, setting aside, undoing, out and in again, damage.

use std::path::Path;

use jiff::Timestamp;

use super::*;
use crate::flight::aim::Target;
use crate::flight::chance::OpeningKind;

fn at(seconds: i64) -> Timestamp {
    Timestamp::from_second(1_778_320_800 + seconds).unwrap()
}

fn shot(number: i64) -> ShotRecord {
    ShotRecord {
        launcher: "wooden catapult".into(),
        setting: Setting { name: Some("2".into()), angle_deg: Some(45.0), ball: Some("orange foam".into()) },
        session: "open day".into(),
        time: at(number),
        // A number without a short decimal form: exports must keep every digit.
        speed_m_per_s: 4.0 + (number as f64).sin() / 30.0,
        standard_uncertainty_m_per_s: (number % 3 != 0).then_some(0.1 / 3.0),
        common_uncertainty_m_per_s: (number % 3 == 1).then_some(0.07 / 3.0),
        rig: None,
        source: if number % 2 == 0 { Source::Gate } else { Source::Video },
        clip: (number % 2 == 1).then(|| ClipFlight { fingerprint: format!("{number:016x}"), flight: 1 }),
        outcome: [None, Some(Outcome::Hit), Some(Outcome::Miss)][number as usize % 3],
        target: (number % 3 == 1).then(|| Target {
            kind: OpeningKind::Cup,
            opening_m: 0.28,
            height_m: 0.24,
            distance_m: 1.0 + number as f64 / 30.0,
        }),
        note: (number % 4 == 0).then(|| "hit the frame; \"again\",\n second line".into()),
        measurement: (number % 2 == 1).then(|| "{\"format_version\":1}".into()),
        launch_angle: None,
        landing: None,
    }
}

fn filled(path: &Path, count: i64) -> Book {
    let mut book = Book::open(path).unwrap();
    book.add((0..count).map(shot).collect(), at(1000)).unwrap();
    book
}

fn all() -> Selection {
    Selection { with_set_aside: true, ..Selection::default() }
}

fn shots(book: &Book, selection: &Selection) -> Vec<Shot> {
    let mut shots = Vec::new();
    book.for_each(selection, |shot| shots.push(shot)).unwrap();
    shots
}

#[test]
fn what_is_recorded_is_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a folder").join("shots.sqlite");
    let book = filled(&path, 10);
    drop(book);
    let book = Book::open_existing(&path).unwrap();
    let read = shots(&book, &all());
    assert_eq!(read.iter().map(|shot| shot.record.clone()).collect::<Vec<_>>(), (0..10).map(shot).collect::<Vec<_>>());
    assert_eq!(book.shot(3).unwrap(), read[2]);
    assert!(matches!(book.shot(11), Err(BookError::NoSuchShot { id: 11 })));
    let latest = book.latest(&Selection { launcher: Some("wooden catapult".into()), ..all() }, 2).unwrap();
    assert_eq!(latest.iter().map(|shot| shot.id).collect::<Vec<_>>(), [9, 10]);
    let gate = Selection { source: Some(Source::Gate), setting: Some("2".into()), angle_deg: Some(45.0), ..all() };
    assert_eq!(shots(&book, &gate).len(), 5);
    assert_eq!(shots(&book, &Selection { setting: Some("3".into()), ..all() }), []);
    let wrong = book.latest(&Selection { launcher: Some("catapolt".into()), ..all() }, 1).unwrap_err();
    assert_eq!(wrong.hint().unwrap(), "known: wooden catapult");
    assert_eq!(book.counts().unwrap(), Counts { shots: 10, set_aside: 0, launchers: 1, sessions: 1 });
}

#[test]
fn the_same_flight_is_not_counted_twice() {
    let folder = tempfile::tempdir().unwrap();
    let mut book = filled(&folder.path().join("shots.sqlite"), 2);
    let added = book.add(vec![shot(1), shot(3), shot(3)], at(2000)).unwrap();
    assert_eq!(added.recorded, [3]);
    assert_eq!(added.already_there, [AlreadyThere { index: 0, id: 2 }, AlreadyThere { index: 2, id: 3 }]);
}

#[test]
fn one_bad_shot_and_none_is_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let mut book = filled(&folder.path().join("shots.sqlite"), 0);
    for bad in [
        ShotRecord { speed_m_per_s: f64::NAN, ..shot(1) },
        ShotRecord { speed_m_per_s: 0.0, ..shot(1) },
        ShotRecord { standard_uncertainty_m_per_s: Some(0.0), ..shot(1) },
        ShotRecord { common_uncertainty_m_per_s: Some(1.0), ..shot(1) },
        ShotRecord { launcher: "  ".into(), ..shot(1) },
        ShotRecord { session: "a\tb".into(), ..shot(1) },
        ShotRecord { clip: Some(ClipFlight { fingerprint: "f".into(), flight: 0 }), ..shot(1) },
    ] {
        assert!(matches!(book.add(vec![shot(0), bad], at(0)), Err(BookError::BadShot(_))));
    }
    assert_eq!(book.counts().unwrap().shots, 0);
}

#[test]
fn shots_are_set_aside_with_a_reason_and_everything_can_be_undone() {
    let folder = tempfile::tempdir().unwrap();
    let mut book = filled(&folder.path().join("shots.sqlite"), 5);
    assert!(matches!(book.set_aside(&[1], "  ", at(1)), Err(BookError::NoReason)));
    assert!(matches!(book.set_aside(&[1, 99], "x", at(1)), Err(BookError::NoSuchShot { id: 99 })));
    assert!(matches!(book.put_back(&[1], at(1)), Err(BookError::NotSetAside { id: 1 })));
    book.set_aside(&[2, 3], "hit the frame", at(1)).unwrap();
    assert!(matches!(book.set_aside(&[2], "again", at(1)), Err(BookError::AlreadySetAside { id: 2, .. })));
    assert_eq!(shots(&book, &Selection::default()).len(), 3);
    assert_eq!(book.shot(2).unwrap().set_aside.as_deref(), Some("hit the frame"));
    book.put_back(&[2], at(2)).unwrap();
    assert_eq!(book.undo(at(3)).unwrap().kind, "put back");
    assert_eq!(book.shot(2).unwrap().set_aside.as_deref(), Some("hit the frame"));
    assert_eq!(book.undo(at(4)).unwrap().kind, "set aside");
    assert_eq!(shots(&book, &Selection::default()).len(), 5);
    assert_eq!(book.undo(at(5)).unwrap().kind, "added");
    assert_eq!(shots(&book, &Selection::default()).len(), 0);
    assert_eq!(book.counts().unwrap().shots, 5);
    assert!(matches!(book.undo(at(6)), Err(BookError::NothingToUndo)));
    let history = book.history(100).unwrap();
    assert_eq!(history.len(), 6);
    assert_eq!(history.iter().filter(|event| event.undone).count(), 3);
}

#[test]
fn exports_come_back_without_a_digit_lost() {
    let folder = tempfile::tempdir().unwrap();
    let mut book = filled(&folder.path().join("shots.sqlite"), 40);
    book.set_aside(&[4, 5], "slipped", at(1)).unwrap();
    for form in ["csv", "json"] {
        let first = folder.path().join(format!("first.{form}"));
        assert_eq!(book.export(&all(), &first).unwrap(), 40);
        let mut other = Book::open(&folder.path().join(format!("{form}.sqlite"))).unwrap();
        assert_eq!(other.import(&first, at(2)).unwrap().recorded.len(), 40);
        assert_eq!(shots(&other, &all()), shots(&book, &all()), "{form}");
        let again = other.import(&first, at(3)).unwrap();
        assert_eq!((again.recorded.len(), again.already_there.len()), (0, 40), "{form}");
        let second = folder.path().join(format!("second.{form}"));
        other.export(&all(), &second).unwrap();
        let shots_of = |path: &Path| {
            let text = std::fs::read_to_string(path).unwrap();
            text.split("], \"events\": [").next().unwrap().to_owned()
        };
        assert_eq!(shots_of(&first), shots_of(&second), "{form}");
    }
    let json = Book::open(&folder.path().join("json.sqlite")).unwrap();
    let kinds: Vec<String> = json.history(10).unwrap().into_iter().map(|event| event.kind).collect();
    assert_eq!(kinds, ["set aside", "added", "added"]);
}

#[test]
fn a_bad_import_names_its_lines_and_takes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut book = filled(&folder.path().join("shots.sqlite"), 3);
    let path = folder.path().join("readings.csv");
    let text = "launcher,session,time,speed_m_per_s,source\n\
                a,s,2026-05-09T10:00:00Z,4.0,gate\n\
                a,s,2026-05-09T10:00:00Z,quick,gate\n\
                a,s,today,4.0,gate\n\
                a,s,2026-05-09T10:00:00Z,4.0\n";
    std::fs::write(&path, text).unwrap();
    let Err(ExchangeError::BadLines { lines, .. }) = book.import(&path, at(0)) else { panic!("taken") };
    assert_eq!(lines.iter().map(|bad| bad.line).collect::<Vec<_>>(), [3, 4, 5]);
    assert_eq!(book.counts().unwrap().shots, 3);
    for (name, text) in [("a.csv", "x,y\n1,2\n"), ("a.json", "{}"), ("b.json", "[1, 2")] {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        assert!(matches!(book.import(&path, at(0)), Err(ExchangeError::NotAnExport { .. })), "{name}");
    }
    assert!(matches!(book.export(&all(), Path::new("book.txt")), Err(ExchangeError::UnknownForm { .. })));
    let missing = folder.path().join("no such folder").join("book.csv");
    assert!(matches!(book.export(&all(), &missing), Err(ExchangeError::CannotWrite { .. })));
}

/// Overwrites whole pages of the file; what lies on the others must come out.
#[test]
fn of_a_damaged_book_everything_readable_is_rescued() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shots.sqlite");
    drop(filled(&path, 2000));
    let (root, page_size) = {
        let connection = rusqlite::Connection::open(&path).unwrap();
        let number = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap() as usize;
        (number("SELECT rootpage FROM sqlite_schema WHERE name = 'shots'"), number("PRAGMA page_size"))
    };
    let whole = std::fs::read(&path).unwrap();
    let leaves: Vec<usize> = (0..whole.len() / page_size)
        .filter(|page| *page + 1 != root && holds_shots(&whole[page * page_size..(page + 1) * page_size]))
        .collect();
    let mut damaged = whole.clone();
    for page in leaves.iter().step_by(10) {
        damaged[page * page_size..(page + 1) * page_size].fill(0xA5);
    }
    std::fs::write(&path, &damaged).unwrap();
    let book = Book::open_existing(&path).unwrap();
    let error = book.for_each(&all(), |_| ()).unwrap_err();
    assert!(matches!(error, BookError::Damaged { .. }), "{error}");
    drop(book);
    let to = folder.path().join("rescued.json");
    let rescued = rescue(&path, &to).unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), damaged, "the damaged file was touched");
    assert!(!rescued.unreadable.is_empty());
    assert_eq!(rescued.shots + rescued.unreadable.len(), 2000);
    assert!(rescued.shots > 1600, "{rescued:?}");
    let mut fresh = Book::open(&folder.path().join("fresh.sqlite")).unwrap();
    assert_eq!(fresh.import(&to, at(0)).unwrap().recorded.len(), rescued.shots);
}

/// The first page holds the header and the definitions of all tables; without it SQLite opens nothing.
#[test]
fn a_book_without_its_first_page_is_rescued_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shots.sqlite");
    let book = filled(&path, 500);
    let all_shots = shots(&book, &all());
    drop(book);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[..4096].fill(0x5A);
    std::fs::write(&path, &bytes).unwrap();
    assert!(matches!(Book::open(&path), Err(BookError::Damaged { .. })));
    let to = folder.path().join("rescued.json");
    let rescued = rescue(&path, &to).unwrap();
    assert_eq!((rescued.shots, rescued.unreadable.len(), rescued.without_measurement), (500, 0, 0));
    let mut fresh = Book::open(&folder.path().join("fresh.sqlite")).unwrap();
    fresh.import(&to, at(0)).unwrap();
    assert_eq!(shots(&fresh, &all()), all_shots);
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|file| file.unwrap().file_name()).collect();
    assert_eq!(left.len(), 3, "{left:?}");
}

/// A table leaf (first byte 13, SQLite file format 1.6) with the launcher's shots on it: their source word is there.
fn holds_shots(page: &[u8]) -> bool {
    let has = |word: &[u8]| page.windows(word.len()).any(|part| part == word);
    page[0] == 13 && has(b"video") && has(b"Z@")
}

#[test]
fn a_file_that_is_no_book_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shots.sqlite");
    std::fs::write(&path, "not a database, but long enough to have a header of one hundred bytes or so".repeat(9))
        .unwrap();
    let before = std::fs::read(&path).unwrap();
    assert!(matches!(Book::open(&path), Err(BookError::Damaged { .. })));
    assert!(matches!(
        rescue(&path, &folder.path().join("r.json")),
        Err(ExchangeError::Book(BookError::Damaged { .. }))
    ));
    assert_eq!(std::fs::read(&path).unwrap(), before);
    assert!(matches!(Book::open_existing(&folder.path().join("none")), Err(BookError::NoBook { .. })));
}

#[test]
fn two_writers_at_once_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shots.sqlite");
    std::thread::scope(|scope| {
        for writer in 0..4 {
            let path = &path;
            scope.spawn(move || {
                let mut book = Book::open(path).unwrap();
                for number in 0..25 {
                    book.add(vec![shot(2 * (100 * writer + number) + 1)], at(0)).unwrap();
                }
            });
        }
    });
    assert_eq!(Book::open(&path).unwrap().counts().unwrap().shots, 100);
}

/// A damaged book is refused or read, and every import is taken whole or not at all.
#[test]
fn fuzz_book() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("seed.sqlite");
    drop(filled(&path, 3));
    let seed = std::fs::read(&path).unwrap();
    crate::fuzz::fuzz("book", vec![seed], |bytes| {
        let path = folder.path().join("mutated.sqlite");
        std::fs::write(&path, bytes).unwrap();
        if let Ok(book) = Book::open_existing(&path) {
            let _ = book.for_each(&all(), |_| ());
        }
        let _ = rescue(&path, &folder.path().join("rescued.json"));
        for entry in std::fs::read_dir(folder.path()).unwrap() {
            let _ = std::fs::remove_file(entry.unwrap().path());
        }
    });
}

#[test]
fn fuzz_exports() {
    for form in ["csv", "json"] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(format!("seed.{form}"));
        filled(&folder.path().join("seed.sqlite"), 2).export(&all(), &path).unwrap();
        let seed = std::fs::read(&path).unwrap();
        let into = std::cell::RefCell::new(Book::open(&folder.path().join("into.sqlite")).unwrap());
        crate::fuzz::fuzz(&format!("exports-{form}"), vec![seed], |bytes| {
            std::fs::write(&path, bytes).unwrap();
            let mut into = into.borrow_mut();
            let before = shots(&into, &all()).len();
            let added = into.import(&path, at(9)).map_or(0, |added| added.recorded.len());
            assert_eq!(shots(&into, &all()).len(), before + added, "all or nothing");
        });
    }
}

/// A spreadsheet computes nothing of what people wrote, and the texts come back.
#[test]
fn formulas_leave_the_book_as_text() {
    let folder = tempfile::tempdir().unwrap();
    let mut book = filled(&folder.path().join("book.sqlite"), 1);
    let hostile = ["=HYPERLINK(\"http://x\")", "+1", "-1", "@SUM(A1)", "'=1"];
    let with = |text: &str| ShotRecord {
        launcher: text.to_owned(),
        session: text.to_owned(),
        note: Some(text.to_owned()),
        rig: Some(text.to_owned()),
        ..shot(7)
    };
    book.add(hostile.into_iter().map(with).collect(), at(9)).unwrap();
    let path = folder.path().join("shots.csv");
    book.export(&all(), &path).unwrap();
    let mut csv = csv::Reader::from_path(&path).unwrap();
    for record in csv.records() {
        // Numbers may begin with a sign.
        let computed = |cell: &&str| cell.starts_with(['=', '+', '-', '@']) && cell.parse::<f64>().is_err();
        assert_eq!(record.unwrap().iter().find(computed), None);
    }
    let mut again = Book::open(&folder.path().join("again.sqlite")).unwrap();
    again.import(&path, at(10)).unwrap();
    let launchers = |book: &Book| shots(book, &all()).into_iter().map(|shot| shot.record.launcher).collect::<Vec<_>>();
    assert_eq!(launchers(&again), launchers(&book));
}
