//! Mutated files for everything that reads what others wrote, on the stable toolchain.
//!
//! A target is a test whose name begins with `fuzz_`. Its seeds lie in `fixtures/fuzz/<target>/`, where an input that once broke it is added and
//! replayed from then on. In a usual run each takes a moment; `LOBLINE_FUZZ_SECONDS` makes it longer, up to days:
//!
//! ```text
//! LOBLINE_FUZZ_SECONDS=3600 cargo test --release --lib fuzz_ -- --nocapture
//! ```

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Nothing small may take longer than this, on a machine with much else to do.
const LONGEST: Duration = Duration::from_secs(20);

/// Runs `target` on the seeds of the folder of that name and on `more`, then on mutations of them.
///
/// # Panics
/// When the target panics or takes too long; the input is then printed, and kept in the system's folder for temporary files.
pub(crate) fn fuzz(name: &str, more: Vec<Vec<u8>>, target: impl Fn(&[u8])) {
    let seconds = std::env::var("LOBLINE_FUZZ_SECONDS").ok().and_then(|seconds| seconds.parse().ok()).unwrap_or(0.3);
    let mut seeds = kept(name);
    seeds.extend(more);
    assert!(!seeds.is_empty(), "{name} has no seed");
    seeds.iter().for_each(|seed| once(name, seed, &target));
    // Long runs are to see other inputs each time, short ones the same.
    let mut random = ChaCha8Rng::seed_from_u64(if seconds > 1.0 { rand::random() } else { 1 });
    let began = Instant::now();
    let mut runs = 0_u64;
    while began.elapsed().as_secs_f64() < seconds {
        let mut input = seeds[random.random_range(0..seeds.len())].clone();
        for _ in 0..random.random_range(1..8) {
            mutate(&mut input, &seeds, &mut random);
        }
        once(name, &input, &target);
        runs += 1;
    }
    println!("{name}: {} seeds, {runs} mutations in {:.1} s", seeds.len(), began.elapsed().as_secs_f64());
}

fn kept(name: &str) -> Vec<Vec<u8>> {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/fuzz").join(name);
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.iter().map(|path| std::fs::read(path).unwrap()).collect()
}

fn once(name: &str, input: &[u8], target: &impl Fn(&[u8])) {
    let began = Instant::now();
    let whole = catch_unwind(AssertUnwindSafe(|| target(input))).is_ok();
    if whole && began.elapsed() < LONGEST {
        return;
    }
    let path = std::env::temp_dir().join(format!("lobline-fuzz-{name}-{}", input.len()));
    let _ = std::fs::write(&path, input);
    panic!(
        "{name} broke in {:?} on {} ({} bytes): {}",
        began.elapsed(),
        path.display(),
        input.len(),
        input.escape_ascii()
    );
}

/// Numbers at which arithmetic turns around.
const EDGES: [&[u8]; 14] = [
    &[0],
    &[0xff],
    &[0x7f, 0xff, 0xff, 0xff],
    &[0x80, 0, 0, 0],
    &[0xff, 0xff, 0xff, 0xff],
    &[0xff; 8],
    &[0; 8],
    b"-1",
    b"0",
    b"1e308",
    b"NaN",
    b"18446744073709551615",
    b"\xf0\x9f\x8e\x88",
    b"\r\n",
];

fn mutate(input: &mut Vec<u8>, seeds: &[Vec<u8>], random: &mut impl Rng) {
    let at = random.random_range(0..=input.len());
    let span = |random: &mut dyn FnMut(usize) -> usize, length: usize| {
        let from = random(length + 1);
        let to = (from + random(64)).min(length);
        (from, to)
    };
    let mut below = |most: usize| random.random_range(0..most.max(1));
    match below(7) {
        0 if !input.is_empty() => {
            let at = at.min(input.len() - 1);
            input[at] ^= 1 << below(8);
        }
        1 => {
            let edge = EDGES[below(EDGES.len())];
            let end = (at + edge.len()).min(input.len());
            input.splice(at..end, edge.iter().copied());
        }
        2 => _ = input.splice(at..at, EDGES[below(EDGES.len())].iter().copied()),
        3 => {
            let (from, to) = span(&mut below, input.len());
            input.drain(from..to);
        }
        4 => {
            let (from, to) = span(&mut below, input.len());
            let piece = input[from..to].to_vec();
            let times = below(20);
            input.splice(at..at, piece.repeat(times));
        }
        5 => {
            let other = &seeds[below(seeds.len())];
            let (from, to) = span(&mut below, other.len());
            input.splice(at..at, other[from..to].iter().copied());
        }
        _ => input.truncate(at),
    }
    // What grows for ever only gets slow.
    input.truncate(1 << 20);
}
