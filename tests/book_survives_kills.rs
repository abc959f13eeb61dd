//! A program killed in the middle of writing loses no shot that it reported, and leaves a whole book.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use lobline::book::{Book, Selection};
use rand::{RngExt, SeedableRng};

/// Programs killed. Hundreds, because a kill hits the few microseconds between two writes only now and then.
const KILLS: usize = 300;
/// Together they take no longer than this; a slow disk gets fewer kills, and the number is printed.
const LONGEST: Duration = Duration::from_secs(30);

/// Starts the program reading speeds from its input, one transaction a line.
fn start(book: &Path) -> Child {
    let child = Command::new(env!("CARGO_BIN_EXE_lobline"))
        .args(["book", "add", "--launcher", "catapult", "--session", "open day", "--unit", "m/s", "-", "--book"])
        .arg(book)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn();
    child.unwrap()
}

/// Feeds it, kills it after `delay`, and returns the numbers that it reported as recorded.
fn run_and_kill(book: &Path, delay: Duration) -> Vec<i64> {
    let mut child = start(book);
    let mut input = child.stdin.take().unwrap();
    // More lines than it can record before the kill; the pipe breaks with it.
    let feeder = std::thread::spawn(move || (0..2000).try_for_each(|_| writeln!(input, "4.02")).is_ok());
    let output = BufReader::new(child.stdout.take().unwrap());
    let reader = std::thread::spawn(move || {
        let lines = output.lines().map_while(Result::ok);
        lines.filter_map(|line| line.strip_prefix("shot ")?.strip_suffix(" recorded")?.parse().ok()).collect()
    });
    std::thread::sleep(delay);
    // SIGKILL on Unix: nothing in the program runs after it.
    child.kill().unwrap();
    child.wait().unwrap();
    feeder.join().unwrap();
    reader.join().unwrap()
}

fn check_file(path: &Path) {
    let connection = rusqlite::Connection::open(path).unwrap();
    let verdict: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(verdict, "ok");
    let strays: i64 = connection
        .query_row("SELECT count(*) FROM shots WHERE id NOT IN (SELECT shot FROM event_shots)", [], |row| row.get(0))
        .unwrap();
    assert_eq!(strays, 0, "a shot without its event: half a transaction was kept");
}

#[test]
fn killed_programs_lose_nothing_that_they_reported() {
    let folder = tempfile::tempdir().unwrap();
    let started = Instant::now();
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(9);
    let (mut kills, mut reported, mut in_the_middle) = (0, 0, 0);
    let mut path = folder.path().join("0.sqlite");
    let mut known: Vec<i64> = Vec::new();
    while kills < KILLS && started.elapsed() < LONGEST {
        // A fresh book now and then, so that the making of the tables is hit too.
        if kills % 20 == 0 {
            path = folder.path().join(format!("{kills}.sqlite"));
            known.clear();
        }
        let delay = Duration::from_micros(rng.random_range(500..90_000));
        let recorded = run_and_kill(&path, delay);
        let journal = path.with_extension("sqlite-journal");
        in_the_middle += usize::from(std::fs::metadata(&journal).is_ok_and(|file| file.len() > 0));
        reported += recorded.len();
        known.extend(recorded);
        kills += 1;
        // The book may not have been made yet; then nothing may have been reported.
        let book = Book::open(&path).unwrap();
        let mut there = Vec::new();
        book.for_each(&Selection::default(), |shot| there.push(shot.id)).unwrap();
        assert!(known.iter().all(|id| there.binary_search(id).is_ok()), "a reported shot is missing");
        check_file(&path);
    }
    println!(
        "{kills} kills, {in_the_middle} of them in the middle of a transaction; {reported} shots reported, all there"
    );
    assert!(kills >= 100, "only {kills} kills in {LONGEST:?}");
    assert!(reported >= 20, "the kills came before anything was recorded: nothing was tested");
    assert!(in_the_middle > 0, "no kill hit a transaction");
}

/// Two programs write at once; every shot that either reported is there.
#[test]
fn two_programs_at_once_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shots.sqlite");
    let programs: Vec<Child> = (0..2)
        .map(|_| {
            let mut child = start(&path);
            let mut input = child.stdin.take().unwrap();
            for _ in 0..50 {
                writeln!(input, "4.02").unwrap();
            }
            child
        })
        .collect();
    for program in programs {
        let output = program.wait_with_output().unwrap();
        assert!(output.status.success());
        assert_eq!(String::from_utf8(output.stdout).unwrap().lines().count(), 50);
    }
    check_file(&path);
    assert_eq!(Book::open(&path).unwrap().counts().unwrap().shots, 100);
}
