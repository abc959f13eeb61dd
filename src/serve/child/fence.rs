//! What the child gives up before it looks at a stranger's file, and a try of it.
//!
//! On Linux: it may read its one clip and write its one folder (Landlock, kernel documentation "Landlock: unprivileged access control"),
//! reach no network, start no program, and gains no rights by any. The system calls for the latter are refused as well (seccomp filter,
//! kernel documentation "Seccomp BPF"), so that two fences stand where one of them is missing. What a system doesn't give isn't an
//! error: [`try_all`] shows it by doing what must not work, when a server starts.

use std::fs;
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use super::Forbidden;

/// Keeps this process to reading `clip` and to `folder`. Threads that are there already aren't kept; so it comes first.
#[cfg(target_os = "linux")]
pub(super) fn keep_within(clip: &Path, folder: &Path) {
    // A kernel without one of them leaves the other.
    let _ = linux::only_these_files(clip, folder);
    let _ = linux::only_harmless_calls();
}

#[cfg(not(target_os = "linux"))]
pub(super) fn keep_within(_: &Path, _: &Path) {}

/// Does what the child must not be able to, and says what worked.
pub(super) fn try_all(forbidden: &Forbidden) -> Vec<String> {
    let mut could = Vec::new();
    let mut note = |worked: bool, what: &str| {
        if worked {
            could.push(what.to_owned());
        }
    };
    note(fs::read(&forbidden.file).is_ok(), "reading other files");
    let made = forbidden.file.with_file_name("rehearsed");
    note(fs::write(&made, b"x").is_ok(), "writing other files");
    let _ = fs::remove_file(&made);
    note(reaches(forbidden.address), "reaching the network");
    let quiet = Stdio::null;
    let started =
        Command::new(&forbidden.program).arg("--version").stdin(quiet()).stdout(quiet()).stderr(quiet()).status();
    note(started.is_ok(), "starting programs");
    could
}

fn reaches(address: SocketAddr) -> bool {
    TcpStream::connect_timeout(&address, Duration::from_secs(2)).is_ok()
}

#[cfg(target_os = "linux")]
mod linux {
    use std::collections::BTreeMap;
    use std::path::Path;

    use landlock::{
        ABI, Access, AccessFs, AccessNet, PathBeneath, PathFd, Ruleset, RulesetAttr, RulesetCreatedAttr, RulesetError,
    };
    use seccompiler::{
        BackendError, BpfProgram, SeccompAction, SeccompCmpArgLen, SeccompCmpOp, SeccompCondition, SeccompFilter,
        SeccompRule, apply_filter,
    };

    /// The rights that are known here; an older kernel takes those that it knows.
    const RIGHTS: ABI = ABI::V5;

    /// Also takes the possibility to gain rights by starting a program (no new privileges).
    pub(super) fn only_these_files(clip: &Path, folder: &Path) -> Result<(), RulesetError> {
        let mut rules = Ruleset::default()
            .handle_access(AccessFs::from_all(RIGHTS))?
            .handle_access(AccessNet::from_all(RIGHTS))?
            .create()?;
        // What isn't there can't be opened either.
        if let Ok(clip) = PathFd::new(clip) {
            rules = rules.add_rule(PathBeneath::new(clip, AccessFs::ReadFile))?;
        }
        if let Ok(folder) = PathFd::new(folder) {
            let here = AccessFs::ReadFile
                | AccessFs::ReadDir
                | AccessFs::WriteFile
                | AccessFs::Truncate
                | AccessFs::MakeReg
                | AccessFs::RemoveFile;
            rules = rules.add_rule(PathBeneath::new(folder, here))?;
        }
        rules.restrict_self().map(|_| ())
    }

    /// Calls that reach out of the process: to programs, networks, other processes, the kernel's own settings.
    const REFUSED: &[libc::c_long] = &[
        libc::SYS_execve,
        libc::SYS_execveat,
        libc::SYS_socket,
        libc::SYS_socketpair,
        libc::SYS_connect,
        libc::SYS_bind,
        libc::SYS_listen,
        libc::SYS_accept4,
        libc::SYS_kill,
        libc::SYS_pidfd_open,
        libc::SYS_pidfd_getfd,
        libc::SYS_pidfd_send_signal,
        libc::SYS_ptrace,
        libc::SYS_process_vm_readv,
        libc::SYS_process_vm_writev,
        libc::SYS_unshare,
        libc::SYS_setns,
        libc::SYS_mount,
        libc::SYS_umount2,
        libc::SYS_pivot_root,
        libc::SYS_chroot,
        libc::SYS_open_by_handle_at,
        libc::SYS_memfd_create,
        libc::SYS_io_uring_setup,
        libc::SYS_userfaultfd,
        libc::SYS_perf_event_open,
        libc::SYS_bpf,
        libc::SYS_add_key,
        libc::SYS_request_key,
        libc::SYS_keyctl,
        libc::SYS_init_module,
        libc::SYS_finit_module,
        libc::SYS_delete_module,
        libc::SYS_kexec_load,
        libc::SYS_reboot,
        libc::SYS_personality,
    ];

    pub(super) fn only_harmless_calls() -> Result<(), seccompiler::Error> {
        let mut refused: BTreeMap<i64, Vec<SeccompRule>> = REFUSED.iter().map(|&call| (call, Vec::new())).collect();
        #[cfg(target_arch = "x86_64")]
        refused.extend([(libc::SYS_fork, Vec::new()), (libc::SYS_vfork, Vec::new())]);
        refused.insert(libc::SYS_clone, vec![new_process()?]);
        apply_filter(&filter(refused, libc::EPERM)?)?;
        // Its flags lie in memory where no filter sees them; the C library then makes threads by the call above.
        apply_filter(&filter(BTreeMap::from([(libc::SYS_clone3, Vec::new())]), libc::ENOSYS)?)
    }

    /// A `clone` that makes anything but a thread.
    fn new_process() -> Result<SeccompRule, BackendError> {
        let thread = libc::CLONE_THREAD as u64;
        SeccompRule::new(vec![SeccompCondition::new(0, SeccompCmpArgLen::Qword, SeccompCmpOp::MaskedEq(thread), 0)?])
    }

    fn filter(refused: BTreeMap<i64, Vec<SeccompRule>>, error: i32) -> Result<BpfProgram, BackendError> {
        let refuse = SeccompAction::Errno(error as u32);
        SeccompFilter::new(refused, SeccompAction::Allow, refuse, std::env::consts::ARCH.try_into()?)?.try_into()
    }
}
