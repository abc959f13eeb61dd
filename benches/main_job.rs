//! What the main job costs: `lobline measure` against plain decoding of the same clip, and its peak memory on 4K.
//!
//! `cargo bench --bench main_job [RUNS]`. Runs alternate, so that what else the machine does meets both; with other work on
//! it, go by the CPU times. Prints "skipped" where clips, ffmpeg or `/proc` are absent.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use lobline::scene::{Camera, Timing, presets, record};

/// What one run of a program cost.
#[derive(Debug, Clone, Copy)]
struct Cost {
    wall_s: f64,
    /// User and system time of all threads.
    cpu_s: f64,
    peak_mib: f64,
    succeeded: bool,
}

fn main() {
    let runs = std::env::args().skip(1).find_map(|argument| argument.parse().ok()).unwrap_or(5);
    if !Path::new("/proc/self/stat").exists() {
        println!("skipped: no /proc on this system");
        return;
    }
    println!("load average {}", std::fs::read_to_string("/proc/loadavg").unwrap_or_default().trim());
    println!("\ntime of `lobline measure` over that of `ffmpeg -i CLIP -f null -`, {runs} runs each");
    println!(
        "{:<26}{:>22}{:>22}{:>22}{:>22}",
        "clip", "wall lobline/ffmpeg s", "ratio min  median", "CPU lobline/ffmpeg s", "ratio min  median"
    );
    for clip in full_hd_clips() {
        compare(&clip, runs);
    }
    println!("\npeak memory of `lobline measure` on 4K");
    for (clip, scale) in [rendered_4k(), real_4k()].into_iter().flatten() {
        match cost(&mut measure(&clip, &scale)) {
            Some(cost) => println!("{:<44}{:>8.0} MiB  {:>6.2} s", name(&clip), cost.peak_mib, cost.wall_s),
            None => println!("{:<44}skipped: the program can't be run", name(&clip)),
        }
    }
    println!("\nload average {}", std::fs::read_to_string("/proc/loadavg").unwrap_or_default().trim());
}

fn name(clip: &Path) -> String {
    clip.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

fn shared(part: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips").join(part)
}

/// The recordings of 1920×1080, in either direction.
fn full_hd_clips() -> Vec<PathBuf> {
    let names = ["easy.mp4", "clutter-person.mp4", "lob-target.mp4", "portrait.mov", "rolling-shutter.mp4"];
    let paths = names.map(|name| shared("range").join(name));
    paths
        .into_iter()
        .filter(|path| {
            let there = path.is_file();
            if !there {
                println!("{:<26}skipped: not at {}", name(path), path.display());
            }
            there
        })
        .collect()
}

/// A length that the clip's own size makes plausible; what the numbers say doesn't matter here.
const SCALE: &str = "100,900 to 600,900 = 1 m";

fn measure(clip: &Path, scale: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lobline"));
    command.arg("measure").arg(clip).args(["--scale", scale]);
    command
}

fn decode(clip: &Path) -> Command {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-nostdin", "-i"]).arg(clip).args(["-f", "null", "-"]);
    command
}

fn compare(clip: &Path, runs: usize) {
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    // The first run of each warms the file's pages.
    for run in 0..=runs {
        let (Some(a), Some(b)) = (cost(&mut measure(clip, SCALE)), cost(&mut decode(clip))) else {
            println!("{:<26}skipped: ffmpeg can't be run", name(clip));
            return;
        };
        if !a.succeeded || !b.succeeded {
            println!("{:<26}a run failed: lobline {}, ffmpeg {}", name(clip), a.succeeded, b.succeeded);
            return;
        }
        if run > 0 {
            ours.push(a);
            theirs.push(b);
        }
    }
    let of = |what: fn(&Cost) -> f64| {
        let (a, b): (Vec<f64>, Vec<f64>) = (ours.iter().map(what).collect(), theirs.iter().map(what).collect());
        let ratios: Vec<f64> = a.iter().zip(&b).map(|(a, b)| a / b).collect();
        // The fastest runs are the least disturbed ones.
        let fastest = smallest(&a) / smallest(&b);
        format!("{:>13.2} /{:>6.2}{:>13.2}{:>9.2}", median(&a), median(&b), fastest, median(&ratios))
    };
    println!("{:<26}{}{}", name(clip), of(|cost| cost.wall_s), of(|cost| cost.cpu_s));
}

fn smallest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    0.5 * (sorted[(sorted.len() - 1) / 2] + sorted[sorted.len() / 2])
}

/// Runs a program to its end. `None` when it can't be started.
fn cost(command: &mut Command) -> Option<Cost> {
    let began = Instant::now();
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().ok()?;
    let folder = PathBuf::from(format!("/proc/{}", child.id()));
    let mut peak_mib = 0.0f64;
    // A process that has ended keeps its times until it is waited for, but not its memory: that is read on the way.
    while let Some((state, _)) = state_and_cpu_s(&folder)
        && state != 'Z'
    {
        peak_mib = peak_mib.max(peak_memory_mib(&folder).unwrap_or(0.0));
        std::thread::sleep(Duration::from_millis(2));
    }
    let wall_s = began.elapsed().as_secs_f64();
    let cpu_s = state_and_cpu_s(&folder).map_or(f64::NAN, |(_, cpu_s)| cpu_s);
    let status = child.wait().ok()?;
    Some(Cost { wall_s, cpu_s, peak_mib, succeeded: status.success() })
}

/// State and user plus system time of a process, from fields 3, 14 and 15 of its `stat` (proc(5)).
fn state_and_cpu_s(folder: &Path) -> Option<(char, f64)> {
    /// Ticks a second in which Linux counts there, on every architecture (USER_HZ).
    const TICKS: f64 = 100.0;
    let text = std::fs::read_to_string(folder.join("stat")).ok()?;
    // The name before may hold blanks and brackets.
    let fields: Vec<&str> = text.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks = |i: usize| fields.get(i)?.parse::<f64>().ok();
    Some((fields.first()?.chars().next()?, (ticks(11)? + ticks(12)?) / TICKS))
}

/// Largest resident size so far, MiB (`VmHWM`, proc(5)).
fn peak_memory_mib(folder: &Path) -> Option<f64> {
    let text = std::fs::read_to_string(folder.join("status")).ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().trim_end_matches("kB").trim().parse::<f64>().ok()? / 1024.0)
}

/// A lob of 60 frames at 3840×2160, rendered once.
fn rendered_4k() -> Option<(PathBuf, String)> {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("lob-4k.mp4");
    if !path.is_file() {
        let mut scene = presets::clean_60fps(3);
        scene.camera = Camera::square_on(3840, 2160, 3000.0, (1.5, 1.2), 4.0);
        scene.timing = Timing::steady(60.0, 60);
        if let Err(error) = record(&scene, &path) {
            println!("{:<44}skipped: {error}", name(&path));
            return None;
        }
    }
    // 750 px/m: the batten from (0.0, 0.05) to (1.0, 0.05) m about the aim (1.5, 1.2) in the picture's middle.
    Some((path, "794.5,1942 to 1544.5,1942 = 1 m".to_owned()))
}

fn real_4k() -> Option<(PathBuf, String)> {
    let path = shared("real/media3-portrait_4k60.mp4");
    if path.is_file() {
        return Some((path, "100,900 to 900,900 = 1 m".to_owned()));
    }
    println!("{:<44}skipped: not at {}", name(&path), path.display());
    None
}
