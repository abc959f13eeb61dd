//! Outside the child: starting it, listening to it, ending it.

use std::net::SocketAddr;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::process::Command;
use tokio::sync::watch;

use super::{COMMAND, Forbidden, Order, Said, Task};
use crate::serve::error::{Failure, FailureKind};
use crate::serve::limits::ChildLimits;
use crate::serve::room::{Room, private_folder};

/// How a child's work ended.
#[derive(Debug, Clone, PartialEq)]
pub enum Ended {
    Done,
    Failed(Failure),
    /// Somebody didn't want it any more.
    Cancelled,
}

/// Runs `program` as a child with an order; `hear` is told each line. Ends it when `cancel` turns true, when its wall time is up,
/// or when this future is dropped.
pub async fn run(
    program: &Path,
    order: &Order,
    threads: usize,
    mut cancel: watch::Receiver<bool>,
    mut hear: impl FnMut(Said),
) -> Ended {
    let wall = Duration::from_secs(order.limits.wall_s);
    let listen = async {
        match listen(program, order, threads, &mut hear).await {
            Ok(ended) => ended,
            Err(error) => Ended::Failed(fault(&error.to_string())),
        }
    };
    let cancelled = async {
        // A sender that is gone can't cancel any more.
        if cancel.wait_for(|cancelled| *cancelled).await.is_err() {
            std::future::pending::<()>().await;
        }
    };
    tokio::select! {
        ended = listen => ended,
        () = cancelled => Ended::Cancelled,
        () = tokio::time::sleep(wall) => Ended::Failed(too_much("time")),
    }
}

/// Where the system looks for the libraries that the program is linked with.
const NEEDED_TO_START: [&str; 4] = [
    "LD_LIBRARY_PATH",
    "DYLD_LIBRARY_PATH",
    "DYLD_FALLBACK_LIBRARY_PATH",
    if cfg!(windows) { "PATH" } else { "SystemRoot" },
];

/// Has a child try what it must not be able to do; a sentence where this system doesn't keep it from something, or none can be started.
pub async fn unguarded(room: &Room, own: SocketAddr) -> Option<String> {
    let folder = room.folder.join("rehearsal");
    let (_keep, cancel) = watch::channel(false);
    let mut could = Vec::new();
    let ended = match private_folder(&folder) {
        Ok(()) => {
            let forbidden =
                Forbidden { file: room.folder.join("room.json"), address: own, program: room.program.clone() };
            let order = Order {
                limits: ChildLimits { wall_s: 20, ..room.limits.child },
                clip: folder.join("clip"),
                name: String::new(),
                folder: folder.clone(),
                task: Task::Rehearse(forbidden),
            };
            let hear = |said| {
                if let Said::Could(what) = said {
                    could = what;
                }
            };
            run(&room.program, &order, 1, cancel, hear).await
        }
        Err(error) => Ended::Failed(fault(&error.to_string())),
    };
    let _ = std::fs::remove_dir_all(&folder);
    match ended {
        Ended::Failed(failure) => Some(format!("clips can't be opened here: {}", failure.message)),
        _ if could.is_empty() => None,
        _ => Some(format!(
            "on this system the program that opens clips isn't kept from {}: let in only whom you know.",
            could.join(", ")
        )),
    }
}

async fn listen(program: &Path, order: &Order, threads: usize, hear: &mut impl FnMut(Said)) -> std::io::Result<Ended> {
    /// No line that the child says is longer; what it writes beyond isn't read.
    const MOST_BYTES: u64 = 4 << 20;
    let mut command = Command::new(program);
    // Nothing of the owner's surroundings: the child needs none of it, and what is in there is nobody's business.
    command.env_clear();
    for name in NEEDED_TO_START {
        if let Some(value) = std::env::var_os(name) {
            command.env(name, value);
        }
    }
    let mut child = command
        .arg(COMMAND)
        .env("RAYON_NUM_THREADS", threads.to_string())
        // Every arena of the C library reserves address space, which is what is limited.
        .env("MALLOC_ARENA_MAX", "2")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .spawn()?;
    let (mut stdin, stdout) = (child.stdin.take(), child.stdout.take());
    if let Some(stdin) = &mut stdin {
        stdin.write_all(&serde_json::to_vec(order)?).await?;
    }
    drop(stdin);
    let Some(stdout) = stdout else { return Ok(Ended::Failed(fault("it can't be heard"))) };
    let mut lines = BufReader::new(stdout.take(MOST_BYTES)).lines();
    let mut ended = None;
    while let Some(line) = lines.next_line().await? {
        match serde_json::from_str::<Said>(&line) {
            Ok(Said::Done) => ended = Some(Ended::Done),
            Ok(Said::Failed(failure)) => ended = Some(Ended::Failed(failure)),
            Ok(said) => hear(said),
            // A library may print a line of its own.
            Err(_) => {}
        }
    }
    let status = child.wait().await?;
    Ok(ended.unwrap_or_else(|| Ended::Failed(died(status))))
}

/// A child that said nothing at its end was ended by a limit, or broke.
fn died(status: std::process::ExitStatus) -> Failure {
    #[cfg(unix)]
    {
        use rustix::process::Signal;
        use std::os::unix::process::ExitStatusExt;
        let signal = status.signal();
        if signal == Some(Signal::XCPU.as_raw()) || signal == Some(Signal::KILL.as_raw()) {
            return too_much("time");
        }
        if signal == Some(Signal::ABORT.as_raw()) {
            return too_much("memory");
        }
        if signal == Some(Signal::XFSZ.as_raw()) {
            return too_much("room on the disk");
        }
    }
    fault(&status.to_string())
}

fn too_much(of_what: &str) -> Failure {
    Failure::new(
        FailureKind::TooMuch,
        format!("This clip needs more {of_what} than I may take."),
        "Cut it on the phone to the few seconds around the shot, and send it again.",
    )
}

fn fault(what: &str) -> Failure {
    Failure::new(
        FailureKind::Fault,
        format!("The program that reads clips stopped: {what}."),
        "Try again; if it stays, the file may be damaged: send the original from the phone.",
    )
}
