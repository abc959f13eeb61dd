//! The shot book after a power cut in the middle of writing: the writes of a change, replayed up to any of them.
//!
//! SQLite writes the old pages into a journal and syncs it, then changes the book's own pages, and removes the journal last ("Atomic Commit In
//! SQLite", sections 3 and 4; from memory). So a cut leaves the old book with any piece of the journal, or the whole journal with any of the
//! pages changed.

use std::path::Path;

use lobline::book::{Book, Selection};

const SHOTS: usize = 40;

/// A book of forty shots, made by the program.
fn make(path: &Path) {
    let speeds = (0..SHOTS).map(|i| format!("4.{:02} m/s", i % 100));
    let done = std::process::Command::new(env!("CARGO_BIN_EXE_lobline"))
        .args(["book", "add", "--launcher", "catapult", "--session", "open day", "--book"])
        .arg(path)
        .args(speeds)
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

/// The book and its journal while a change is half written.
fn half_written(path: &Path) -> (Vec<u8>, Vec<u8>) {
    let connection = rusqlite::Connection::open(path).unwrap();
    // So little memory that changed pages go to the disk before the end.
    connection
        .execute_batch(
            "PRAGMA synchronous = EXTRA; PRAGMA cache_size = 2; BEGIN;
             UPDATE shots SET speed = speed + 1, note = hex(randomblob(3000));",
        )
        .unwrap();
    let journal = path.with_extension("sqlite-journal");
    (std::fs::read(path).unwrap(), std::fs::read(journal).unwrap())
}

/// All shots are there with the speeds that they had.
fn is_whole(path: &Path, what: &str) {
    let book = Book::open(path).unwrap_or_else(|error| panic!("{what}: {error}"));
    let mut speeds = Vec::new();
    book.for_each(&Selection::default(), |shot| speeds.push(shot.record.speed_m_per_s)).unwrap();
    assert_eq!(speeds.len(), SHOTS, "{what}");
    assert!(speeds.iter().all(|speed| (4.0..5.0).contains(speed)), "{what}: {speeds:?}");
    let connection = rusqlite::Connection::open(path).unwrap();
    let verdict: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(verdict, "ok", "{what}");
}

#[test]
fn a_cut_at_any_write_leaves_the_book_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    make(&path);
    let before = std::fs::read(&path).unwrap();
    let (changed, journal) = half_written(&path);
    let page = 4096.min(before.len());
    assert!(journal.len() > page && changed != before, "nothing was half written");
    let (book, beside) = (folder.path().join("cut.sqlite"), folder.path().join("cut.sqlite-journal"));
    let cut = |pages: &[u8], journal: &[u8], what: &str| {
        std::fs::write(&book, pages).unwrap();
        std::fs::write(&beside, journal).unwrap();
        is_whole(&book, what);
        let _ = std::fs::remove_file(&beside);
    };
    // Before the journal is whole.
    let lengths = [0, 1, 27, 28, 511, 512, 513, page, journal.len() / 3, journal.len() / 2, journal.len() - 1];
    for length in lengths {
        cut(&before, &journal[..length], &format!("{length} of {} bytes of the journal", journal.len()));
    }
    // Behind it, when some of the pages are changed, in order or any of them alone.
    let changed_pages = changed.len().div_ceil(page);
    for count in 0..=changed_pages {
        let mut pages = changed[..(count * page).min(changed.len())].to_vec();
        pages.extend(before.get(pages.len()..).unwrap_or_default());
        cut(&pages, &journal, &format!("{count} of {changed_pages} pages changed"));
    }
    for alone in 0..before.len() / page {
        let mut pages = before.clone();
        pages[alone * page..(alone + 1) * page].copy_from_slice(&changed[alone * page..(alone + 1) * page]);
        cut(&pages, &journal, &format!("page {alone} alone changed"));
    }
}
