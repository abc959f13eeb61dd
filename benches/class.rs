//! A class that uploads all at once: how long everybody waits, in what order they come, and what memory it takes.
//!
//! `cargo bench --bench class [-- GROUPS [CLIP]]`: each group joins, sends the clip (the demo's, when none is named) at the same
//! moment, states its length, and follows its sheet until the answer is there. The first group is greedy: it sends four clips before
//! anybody else sends one. Memory is read from `/proc`, on Linux.
//!
//! `cargo bench --bench class -- rude [GROUPS [CLIP]]`: sixty groups, each on a device of its own and with three clips; every other device is
//! rude until the last honest answer is there: it drips and breaks off uploads, sends the same again and again, and what is no clip, no
//! request or no code. Every honest group's answers must come.

#[path = "../tests/page_server/mod.rs"]
mod page_server;

use std::collections::BTreeMap;
use std::io::Write;
use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Barrier, Mutex};
use std::time::{Duration, Instant};

use page_server::{CLASS_ADDRESS, ClassServer, as_device, connect, demo_clip, demo_setup};

/// Clips that the greedy group sends.
const GREEDY: usize = 4;
/// Clips of each honest group beside rude ones.
const CLIPS_BESIDE_RUDE: usize = 3;

/// What one clip went through, s since the start.
#[derive(Debug, Clone, Default)]
struct Course {
    group: usize,
    sent: f64,
    opened: f64,
    done: f64,
    /// Places in the queue that its page showed, and shares of the work.
    places: Vec<u64>,
    shares: usize,
    ended: String,
}

/// Largest memory seen, kB.
#[derive(Debug, Default)]
struct Memory {
    server_rss: u64,
    /// Of one child: resident, and the address space that is limited.
    child_rss: u64,
    child_space: u64,
    children: usize,
    all_rss: u64,
}

fn main() {
    let all: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with("--")).collect();
    let rude = all.first().is_some_and(|first| first == "rude");
    let mut arguments = all.into_iter().skip(usize::from(rude));
    let usual = if rude { 60 } else { 30 };
    let groups: usize = arguments.next().map_or(usual, |count| count.parse().expect("a number of groups"));
    let clip = arguments.next().map_or_else(demo_clip, PathBuf::from);
    let bytes = std::fs::read(&clip).expect("a clip");
    let folder = tempfile::tempdir().unwrap();
    let Some(server) = ClassServer::start(folder.path(), &[]) else { return };
    let cookies: Vec<String> = (0..groups)
        .map(|i| {
            as_device(device(i));
            server.join_as(&format!("Table {}", i + 1))
        })
        .collect();
    let is_rude = |group: usize| rude && group % 2 == 1;
    let honest_left = AtomicUsize::new((0..groups).filter(|group| !is_rude(*group)).count());
    let (start, all_ready) = (Instant::now(), Barrier::new(groups));
    let courses = Mutex::new(Vec::new());
    let over = AtomicBool::new(false);
    let memory = std::thread::scope(|scope| {
        let watch = scope.spawn(|| watch(server.pid(), &over));
        let threads: Vec<_> = cookies
            .iter()
            .enumerate()
            .map(|(group, cookie)| {
                let (server, bytes, courses, all_ready, honest_left) =
                    (&server, &bytes, &courses, &all_ready, &honest_left);
                scope.spawn(move || {
                    as_device(device(group));
                    if is_rude(group) {
                        all_ready.wait();
                        return be_rude(server, cookie, bytes, group, honest_left);
                    }
                    let clips = match (rude, group) {
                        (true, _) => CLIPS_BESIDE_RUDE,
                        (false, 0) => GREEDY,
                        (false, _) => 1,
                    };
                    if group != 0 {
                        all_ready.wait();
                    }
                    let ids: Vec<String> = (0..clips)
                        .map(|i| {
                            // Another clip each time: its own name, a byte more behind its end.
                            let mut own = bytes.clone();
                            own.push(i as u8);
                            server.upload(cookie, &format!("shot-{i}.mp4"), &own)
                        })
                        .collect();
                    let sent = start.elapsed().as_secs_f64();
                    if group == 0 {
                        all_ready.wait();
                    }
                    let follow = |id: &String| {
                        as_device(device(group));
                        follow(server, cookie, id, start, Course { group, sent, ..Course::default() })
                    };
                    std::thread::scope(|inner| {
                        let all: Vec<_> = ids.iter().map(|id| inner.spawn(move || follow(id))).collect();
                        courses.lock().unwrap().extend(all.into_iter().map(|one| one.join().unwrap()));
                    });
                    honest_left.fetch_sub(1, Ordering::Relaxed);
                })
            })
            .collect();
        threads.into_iter().for_each(|thread| thread.join().unwrap());
        over.store(true, Ordering::Relaxed);
        watch.join().unwrap()
    });
    let courses = courses.into_inner().unwrap();
    let unanswered = courses.iter().filter(|course| course.ended != "done").count();
    report(courses, &memory, bytes.len());
    assert!(!rude || unanswered == 0, "{unanswered} honest clips have no answer");
}

/// Each group's own address in the loopback net.
fn device(group: usize) -> Ipv4Addr {
    Ipv4Addr::new(127, 0, 1, group as u8 + 1)
}

/// What a device does that means no good, or is only broken, until the honest ones have their answers.
fn be_rude(server: &ClassServer, cookie: &str, bytes: &[u8], group: usize, honest_left: &AtomicUsize) {
    let head = |length: usize| {
        format!(
            "POST /api/clips?name=a.mp4 HTTP/1.1\r\nHost: {CLASS_ADDRESS}:{0}\r\nCookie: {cookie}\r\nOrigin: \
             http://{CLASS_ADDRESS}:{0}\r\nContent-Length: {length}\r\n\r\n",
            server.port
        )
    };
    let mut held = Vec::new();
    for turn in group / 2.. {
        if honest_left.load(Ordering::Relaxed) == 0 {
            return;
        }
        match turn % 5 {
            // Slow: announced and never sent, as many as one may have.
            0 => {
                let mut stream = connect((CLASS_ADDRESS, server.port));
                let _ = stream.write_all(head(1 << 20).as_bytes()).and_then(|()| stream.write_all(b"abc"));
                held.push(stream);
                if held.len() > 20 {
                    held.clear();
                }
            }
            // Cut off in the middle.
            1 => {
                let mut stream = connect((CLASS_ADDRESS, server.port));
                let _ = stream
                    .write_all(head(bytes.len()).as_bytes())
                    .and_then(|()| stream.write_all(&bytes[..bytes.len() / 2]));
            }
            // The same again and again, and all that it can ask for at once.
            2 => {
                let sent = server.ask(cookie, "POST", "/api/clips?name=again.mp4", bytes);
                if let Ok(sent) = serde_json::from_slice::<serde_json::Value>(&sent.body)
                    && let Some(id) = sent["id"].as_str()
                {
                    for i in 0..20 {
                        let setup = demo_setup(0).replace("70 mm", &format!("{} mm", 60 + i));
                        server.ask(cookie, "POST", &format!("/api/clips/{id}/setup"), setup.as_bytes());
                    }
                }
            }
            // No clip.
            3 => {
                let noise: Vec<u8> = bytes.iter().rev().map(|byte| byte ^ 0x5a).collect();
                server.ask(cookie, "POST", "/api/clips?name=noise.mp4", &noise);
            }
            // No request, no code.
            _ => {
                server.ask(cookie, "POST", "/api/clips/x/mend", &[0xff; 3000]);
                server.ask("", "POST", "/api/join", br#"{"code":"AAAAAA","name":"Guess"}"#);
            }
        }
        std::thread::sleep(Duration::from_millis(100));
    }
}

fn follow(server: &ClassServer, cookie: &str, id: &str, start: Instant, mut course: Course) -> Course {
    let mut stated = false;
    loop {
        let view = server.ask(cookie, "GET", &format!("/api/clips/{id}"), b"").json();
        let stage = &view["stage"];
        let now = start.elapsed().as_secs_f64();
        match stage["kind"].as_str().unwrap_or_default() {
            "scale" if !stated => {
                course.opened = now;
                stated = server.ask(cookie, "POST", &format!("/api/clips/{id}/setup"), demo_setup(0).as_bytes()).status
                    == 204;
            }
            "waiting" => {
                course.places.extend(stage["ahead"].as_u64().filter(|place| course.places.last() != Some(place)))
            }
            "working" => course.shares += usize::from(stage["done"].is_number()),
            kind @ ("done" | "failed" | "refused") => {
                (course.done, course.ended) = (now, kind.to_owned());
                return course;
            }
            _ => {}
        }
        std::thread::sleep(Duration::from_millis(300));
    }
}

fn watch(server: u32, over: &AtomicBool) -> Memory {
    let mut memory = Memory::default();
    while !over.load(Ordering::Relaxed) {
        let own = status(server).map_or(0, |status| status["VmRSS"]);
        memory.server_rss = memory.server_rss.max(own);
        // Between fork and exec a child still has the server's own sizes.
        let is_own =
            |pid: &u32| std::fs::read(format!("/proc/{pid}/cmdline")).is_ok_and(|line| line.ends_with(b"open-clip\0"));
        let children: Vec<_> = children_of(server).into_iter().filter(is_own).filter_map(status).collect();
        memory.children = memory.children.max(children.len());
        memory.all_rss = memory.all_rss.max(own + children.iter().map(|child| child["VmRSS"]).sum::<u64>());
        for child in children {
            memory.child_rss = memory.child_rss.max(child["VmHWM"]);
            memory.child_space = memory.child_space.max(child["VmPeak"]);
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    memory
}

/// The sizes of a process, kB; `None` when it is gone.
fn status(pid: u32) -> Option<BTreeMap<String, u64>> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let size = |line: &str| {
        let (name, rest) = line.split_once(':')?;
        Some((name.to_owned(), rest.trim().strip_suffix(" kB")?.parse().ok()?))
    };
    let sizes: BTreeMap<String, u64> = text.lines().filter_map(size).collect();
    ["VmRSS", "VmHWM", "VmPeak"].iter().all(|name| sizes.contains_key(*name)).then_some(sizes)
}

fn children_of(pid: u32) -> Vec<u32> {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).into_iter().flatten().flatten();
    let of = |task: std::fs::DirEntry| std::fs::read_to_string(task.path().join("children")).unwrap_or_default();
    tasks
        .map(of)
        .flat_map(|text| text.split_whitespace().filter_map(|id| id.parse().ok()).collect::<Vec<u32>>())
        .collect()
}

fn report(mut courses: Vec<Course>, memory: &Memory, bytes: usize) {
    courses.sort_by(|a, b| a.done.total_cmp(&b.done));
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let groups = courses.iter().map(|course| course.group).max().unwrap_or(0) + 1;
    println!("{groups} groups, {} clips of {:.2} MB, {cores} cores", courses.len(), bytes as f64 / 1e6);
    let of = |value: fn(&Course) -> f64| {
        let mut all: Vec<f64> = courses.iter().map(value).collect();
        all.sort_by(f64::total_cmp);
        format!("first {:6.1} s, median {:6.1} s, last {:6.1} s", all[0], all[all.len() / 2], all[all.len() - 1])
    };
    println!("  sent      {}", of(|course| course.sent));
    println!("  opened    {}", of(|course| course.opened));
    println!("  measured  {}", of(|course| course.done));
    let ended = |kind: &str| courses.iter().filter(|course| course.ended == kind).count();
    println!("  ended: {} measured, {} failed, {} refused", ended("done"), ended("failed"), ended("refused"));
    let firsts: Vec<usize> =
        (0..groups).filter_map(|group| courses.iter().position(|course| course.group == group)).collect();
    let last_first = firsts.iter().max().map_or(0, |place| place + 1);
    let greedy: Vec<usize> =
        courses.iter().enumerate().filter(|(_, course)| course.group == 0).map(|(place, _)| place + 1).collect();
    println!(
        "  every group's first clip was among the first {last_first} measured; the greedy group's came as numbers {greedy:?}"
    );
    let fell = |course: &&Course| course.places.windows(2).all(|pair| pair[1] <= pair[0]);
    let waited: Vec<&Course> = courses.iter().filter(|course| !course.places.is_empty()).collect();
    println!(
        "  {} saw their place in the queue ({} saw it only fall), {} a share of the work",
        waited.len(),
        waited.iter().copied().filter(|course| fell(course)).count(),
        courses.iter().filter(|course| course.shares > 0).count()
    );
    let mib = |kilobytes: u64| kilobytes / 1024;
    println!(
        "  memory: server {} MiB; {} children at a time, each at most {} MiB resident and {} MiB of address space; all together {} MiB",
        mib(memory.server_rss),
        memory.children,
        mib(memory.child_rss),
        mib(memory.child_space),
        mib(memory.all_rss)
    );
}
