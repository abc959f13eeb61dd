//! What the main job costs: `lobline measure` against plain decoding of the same clip, and its peak memory.
//!
//! `cargo bench --bench main_job [RUNS] [WORD…]`: medians of RUNS (3) runs of every clip whose set or name holds one of the
//! words. Runs alternate, so that what else the machine does meets both; with other work on it, go by the processor times.
//! Prints "skipped" where clips, ffmpeg or `/proc` are absent.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use lobline::scene::{Camera, Timing, presets, record};
use serde_json::Value;

/// What one run of a program cost.
#[derive(Debug, Clone, Copy)]
struct Cost {
    wall_s: f64,
    /// User and system time of all threads.
    cpu_s: f64,
    peak_mib: f64,
}

/// Sets of recordings beside the project.
const SETS: [&str; 6] = ["footage", "range", "hard", "random", "cost", "real"];
/// The goals: processor time over decoding's, or what it may be above it where decoding is that short; and the peak.
const RATIO: f64 = 2.0;
const OVER_S: f64 = 0.3;
const PEAK_MIB: f64 = 300.0;
/// A run that takes longer is ended.
const PATIENCE: Duration = Duration::from_secs(300);

fn main() {
    if !Path::new("/proc/self/stat").exists() {
        println!("skipped: no /proc on this system");
        return;
    }
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    let runs = arguments.iter().find_map(|argument| argument.parse().ok()).unwrap_or(3).max(1);
    let words: Vec<&String> = arguments.iter().filter(|argument| argument.parse::<usize>().is_err()).collect();
    let wanted = |name: &str| words.is_empty() || words.iter().any(|word| name.contains(word.as_str()));
    println!("load average {}", std::fs::read_to_string("/proc/loadavg").unwrap_or_default().trim());
    println!(
        "`lobline measure` over `ffmpeg -i CLIP -f null -`, medians of {runs} runs; goals: processor {RATIO} ×, or"
    );
    println!("{OVER_S} s over it; {PEAK_MIB} MiB\n");
    println!("{:<44}{:>8}{:>8}{:>9}{:>10}{:>8}{:>8}", "clip", "cpu ×", "wall ×", "cpu s", "ffmpeg s", "over s", "MiB");
    let clips = SETS.iter().flat_map(|set| clips_of(set)).chain(rendered_4k());
    let ratios: Vec<(f64, String)> = clips
        .filter(|(name, ..)| wanted(name))
        .filter_map(|(name, clip, scale)| Some((compare(&name, &clip, &scale, runs)?, name)))
        .collect();
    if let Some((worst, name)) = ratios.iter().max_by(|a, b| a.0.total_cmp(&b.0)) {
        let mean = (ratios.iter().map(|(ratio, _)| ratio.ln()).sum::<f64>() / ratios.len() as f64).exp();
        println!(
            "\nprocessor time over decoding, {} clips: geometric mean {mean:.2}, worst {worst:.2} ({name})",
            ratios.len()
        );
    }
    println!("load average {}", std::fs::read_to_string("/proc/loadavg").unwrap_or_default().trim());
}

/// The clips of a set in order of name: name, path, and the scale to measure with.
fn clips_of(set: &str) -> Vec<(String, PathBuf, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips").join(set);
    let Ok(entries) = std::fs::read_dir(&folder) else {
        println!("{set}: skipped, nothing at {}", folder.display());
        return Vec::new();
    };
    const KINDS: [&str; 5] = ["mp4", "mov", "avi", "webm", "mkv"];
    let is_clip = |path: &PathBuf| {
        path.extension().is_some_and(|kind| KINDS.iter().any(|known| kind.eq_ignore_ascii_case(known)))
    };
    let mut paths: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).filter(is_clip).collect();
    paths.sort();
    let name = |path: &Path| format!("{set}/{}", path.file_name().unwrap_or_default().to_string_lossy());
    paths.into_iter().map(|path| (name(&path), path.clone(), scale(&path))).collect()
}

/// The scale as a user marked it, from the truth beside the clip; any other where there is none, as the numbers don't matter.
fn scale(clip: &Path) -> String {
    let marked = || -> Option<String> {
        let truth: Value =
            serde_json::from_str(&std::fs::read_to_string(clip.with_extension("truth.json")).ok()?).ok()?;
        let scale = &truth["scale"];
        let at = |end: &str, axis: usize| scale[end][axis].as_f64();
        let (ax, ay, bx, by) = (at("clicked_a", 0)?, at("clicked_a", 1)?, at("clicked_b", 0)?, at("clicked_b", 1)?);
        Some(format!("{ax:.1},{ay:.1} to {bx:.1},{by:.1} = {} m", scale["length"].as_f64()?))
    };
    marked().unwrap_or_else(|| "100,100 to 300,100 = 0.5 m".to_owned())
}

fn measure(clip: &Path, scale: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lobline"));
    command.arg("measure").arg(clip).args(["--scale", scale, "--quiet"]);
    command
}

fn decode(clip: &Path) -> Command {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "quiet", "-nostdin", "-i"]).arg(clip).args(["-f", "null", "-"]);
    command
}

/// Prints a clip's line and gives the ratio of processor times. A clip in which nothing is found, and one that can't be
/// read, cost something too.
fn compare(name: &str, clip: &Path, scale: &str, runs: usize) -> Option<f64> {
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for _ in 0..runs {
        let (Some(a), Some(b)) = (cost(&mut measure(clip, scale)), cost(&mut decode(clip))) else {
            println!("{name:<44}skipped: ffmpeg can't be run, or no answer in {} s", PATIENCE.as_secs());
            return None;
        };
        ours.push(a);
        theirs.push(b);
    }
    let of = |costs: &[Cost], what: fn(&Cost) -> f64| median(&costs.iter().map(what).collect::<Vec<_>>());
    // The kernel counts in hundredths of a second.
    let ratio = |what: fn(&Cost) -> f64| of(&ours, what) / of(&theirs, what).max(0.01);
    let (cpu_s, decoding_s, peak_mib) = (of(&ours, |c| c.cpu_s), of(&theirs, |c| c.cpu_s), of(&ours, |c| c.peak_mib));
    let cpu = ratio(|c| c.cpu_s);
    let beyond = (cpu > RATIO && cpu_s - decoding_s > OVER_S) || peak_mib > PEAK_MIB;
    println!(
        "{name:<44}{cpu:>8.2}{:>8.2}{cpu_s:>9.2}{decoding_s:>10.2}{:>8.2}{peak_mib:>8.0}{}",
        ratio(|c| c.wall_s),
        cpu_s - decoding_s,
        if beyond { "  beyond" } else { "" }
    );
    Some(cpu)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    0.5 * (sorted[(sorted.len() - 1) / 2] + sorted[sorted.len() / 2])
}

/// Runs a program to its end. `None` when it can't be started or isn't done after [`PATIENCE`].
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
        if began.elapsed() > PATIENCE {
            child.kill().ok()?;
            child.wait().ok()?;
            return None;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    let wall_s = began.elapsed().as_secs_f64();
    let cpu_s = state_and_cpu_s(&folder).map_or(f64::NAN, |(_, cpu_s)| cpu_s);
    child.wait().ok()?;
    Some(Cost { wall_s, cpu_s, peak_mib })
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
fn rendered_4k() -> Option<(String, PathBuf, String)> {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("lob-4k.mp4");
    let name = "rendered/lob-4k.mp4".to_owned();
    if !path.is_file() {
        let mut scene = presets::clean_60fps(3);
        scene.camera = Camera::square_on(3840, 2160, 3000.0, (1.5, 1.2), 4.0);
        scene.timing = Timing::steady(60.0, 60);
        if let Err(error) = record(&scene, &path) {
            println!("{name:<44}skipped: {error}");
            return None;
        }
    }
    // 750 px/m: the batten from (0.0, 0.05) to (1.0, 0.05) m about the aim (1.5, 1.2) in the picture's middle.
    Some((name, path, "794.5,1942 to 1544.5,1942 = 1 m".to_owned()))
}
