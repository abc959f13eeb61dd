//! Who has had enough of waiting is free at once: an interrupt at the terminal, and the page's cancel.
#![cfg(target_os = "linux")]

mod page_server;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use lobline::scene::{Camera, Timing, presets, record};
use page_server::Server;

/// From the wish to the end of the work.
const AT_ONCE: Duration = Duration::from_millis(200);
/// What else runs on the machine may take the processor away for that long; the best of so many tries counts.
const TRIES: usize = 3;

/// A small clip that takes some seconds to measure.
fn long_clip(folder: &Path) -> PathBuf {
    let path = folder.join("long.mp4");
    let mut scene = presets::five_launches(5);
    scene.camera = Camera::square_on(640, 360, 500.0, (1.5, 1.2), 4.0);
    scene.timing = Timing::steady(60.0, 1500);
    record(&scene, &path).unwrap();
    path
}

#[test]
fn an_interrupt_ends_measuring_at_once_and_leaves_nothing_half_written() {
    use std::os::unix::process::ExitStatusExt;
    let folder = tempfile::tempdir().unwrap();
    let clip = long_clip(folder.path());
    let out = folder.path().join("out");
    let mut best = Duration::MAX;
    for _ in 0..TRIES {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lobline"));
        command.arg("measure").arg(&clip).args(["--scale", "100,100 to 300,100 = 0.5 m", "--out"]).arg(&out);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        // Well into the clip, and far from its end.
        wait_until("the program is busy", || processor_s(child.id()) > 0.3);
        assert!(child.try_wait().unwrap().is_none(), "the clip is too short for this test");
        let pid = rustix::process::Pid::from_raw(child.id().cast_signed()).unwrap();
        let asked = Instant::now();
        rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
        let status = child.wait().unwrap();
        best = best.min(asked.elapsed());
        assert_eq!(status.signal(), Some(rustix::process::Signal::INT.as_raw()), "{status}");
        let left: Vec<_> = fs::read_dir(&out).into_iter().flatten().map(|entry| entry.unwrap().file_name()).collect();
        assert!(left.is_empty(), "{left:?}");
    }
    println!("ended after {best:?}");
    assert!(best <= AT_ONCE, "{best:?}");
}

#[test]
fn the_pages_cancel_ends_the_work_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(&folder.path().join("room"), None);
    let cookie = server.enter();
    let bytes = fs::read(long_clip(folder.path())).unwrap();
    let mut best = Duration::MAX;
    for step in 0..TRIES {
        let id = server.upload(&cookie, &format!("long-{step}.mp4"), &bytes);
        server.wait_for(&cookie, &id, &["scale"]);
        let length = r#"{"from":[100,100],"to":[300,100],"length":"0.5 m"}"#;
        let setup = format!(r#"{{"step":0,"setup":{{"length":{length}}}}}"#);
        let answer = server.own(&cookie, "POST", &format!("/api/clips/{id}/setup"), setup.as_bytes());
        assert_eq!(answer.status, 204, "{}", answer.text());
        server.wait_for(&cookie, &id, &["working"]);
        wait_until("a child is busy", || children(server.pid()).iter().any(|&child| processor_s(child) > 0.3));
        let asked = Instant::now();
        let answer = server.own(&cookie, "POST", &format!("/api/clips/{id}/cancel"), b"");
        assert_eq!(answer.status, 204, "{}", answer.text());
        wait_until("no child is left", || children(server.pid()).is_empty());
        best = best.min(asked.elapsed());
        server.wait_for(&cookie, &id, &["cancelled"]);
    }
    println!("ended after {best:?}");
    assert!(best <= AT_ONCE, "{best:?}");
}

fn wait_until(what: &str, is_so: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < Duration::from_secs(60), "{what}: not in a minute");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// The fields of a process's `stat` (proc(5)) from the third on; none when there is no such process.
fn fields(pid: u32) -> Vec<String> {
    let text = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    // The name before may hold blanks and brackets.
    let after_name = text.rsplit_once(')').map_or("", |(_, rest)| rest);
    after_name.split_whitespace().map(str::to_owned).collect()
}

/// User and system time, s, counted in hundredths on every architecture (USER_HZ).
fn processor_s(pid: u32) -> f64 {
    let fields = fields(pid);
    let ticks = |i: usize| fields.get(i).and_then(|field| field.parse::<f64>().ok()).unwrap_or(0.0);
    (ticks(11) + ticks(12)) / 100.0
}

/// The processes that `parent` started and that haven't ended.
fn children(parent: u32) -> Vec<u32> {
    let pids = fs::read_dir("/proc").unwrap().filter_map(|entry| entry.ok()?.file_name().to_str()?.parse::<u32>().ok());
    let runs = |pid: &u32| {
        let fields = fields(*pid);
        let state = fields.first().map_or("Z", String::as_str);
        fields.get(1) == Some(&parent.to_string()) && !matches!(state, "Z" | "X")
    };
    pids.filter(runs).collect()
}
