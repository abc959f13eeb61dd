//! A book of a million shots: how long recording, listing, checking and drawing take.
//!
//! `cargo bench --bench book [SHOTS]`; prints seconds. All shots are of one launcher, which is the hardest case: a check
//! looks at every one of them.

use std::time::Instant;

use jiff::{SignedDuration, Timestamp};
use lobline::book::chart::control_chart;
use lobline::book::drift::{DriftQuestion, check};
use lobline::book::{Book, Selection, Setting, ShotRecord, Source, text_chart, words};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

/// Shots in one session; a school's year.
const SESSION: usize = 1_000;

fn main() {
    let wanted = std::env::args().skip(1).find_map(|argument| argument.parse().ok());
    let count: usize = wanted.unwrap_or(1_000_000);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("shots.sqlite");
    let mut book = Book::open(&path).expect("a new book");
    timed("record", || record(&mut book, count));
    let size = std::fs::metadata(&path).map_or(0, |file| file.len());
    println!("{:<28}{:>8.1} MB", "file", size as f64 / 1e6);
    drop(book);
    let book = timed("open", || Book::open_existing(&path).expect("the book"));
    let launcher = Selection { launcher: Some("catapult".into()), ..Selection::default() };
    timed("list, latest 20", || book.latest(&launcher, 20).expect("shots").len());
    timed("list, latest 20 of all", || book.latest(&Selection::default(), 20).expect("shots").len());
    timed("counts", || book.counts().expect("counts"));
    let found = timed("check, whole", || {
        let series = timed("  read", || book.series(&launcher).expect("a series"));
        timed("  test", || check(&series, &DriftQuestion::default()).expect("a check"))
    });
    println!("{}", words::verdict(&found));
    timed("chart as text", || text_chart(&found, 40).len());
    let drawn = timed("chart: draw", || control_chart(&found).expect("a chart"));
    timed("chart: PNG", || drawn.png().len());
    timed("chart: SVG", || drawn.svg().len());
    timed("read every shot whole", || {
        let mut shots = 0_usize;
        book.for_each(&Selection::default(), |_| shots += 1).expect("shots");
        shots
    });
}

fn timed<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let (begun, cpu) = (Instant::now(), on_cpu_s());
    let result = work();
    let cpu = cpu
        .zip(on_cpu_s())
        .map_or(String::new(), |(before, after)| format!("{:>8.3} s on the processor", after - before));
    println!("{what:<28}{:>8.3} s{cpu}", begun.elapsed().as_secs_f64());
    result
}

/// Seconds that this thread has run, which a busy machine doesn't lengthen; `None` where the system doesn't tell.
fn on_cpu_s() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    Some(text.split(' ').next()?.parse::<f64>().ok()? / 1e9)
}

/// An unchanged launcher of 4 m/s with 1 % scatter.
fn record(book: &mut Book, count: usize) {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    let start: Timestamp = "2026-01-01T08:00:00Z".parse().expect("a time");
    let shot = |number: usize| {
        let z: f64 = StandardNormal.sample(&mut rng);
        ShotRecord {
            launcher: "catapult".into(),
            setting: Setting { name: Some("notch 2".into()), angle_deg: Some(45.0), ball: Some("orange foam".into()) },
            session: format!("session {}", number / SESSION),
            time: start + SignedDuration::from_secs(60 * number as i64),
            speed_m_per_s: 4.0 + 0.04 * z,
            standard_uncertainty_m_per_s: Some(0.02),
            common_uncertainty_m_per_s: Some(0.01),
            rig: Some("blue gate".into()),
            source: Source::Gate,
            clip: None,
            outcome: None,
            target: None,
            note: None,
            measurement: None,
            launch_angle: None,
            landing: None,
        }
    };
    let shots: Vec<ShotRecord> = (0..count).map(shot).collect();
    book.add(shots, start).expect("recorded");
}
