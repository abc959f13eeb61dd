//! Starts the command line.

fn main() -> std::process::ExitCode {
    return_large_blocks_at_once();
    lobline::cli::run()
}

/// Pictures and windows of frames go back to the system as soon as they are done with. By itself glibc learns from the first
/// freed picture to keep all that are smaller, and a 4K recording then costs 70 MiB that nobody uses.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn return_large_blocks_at_once() {
    const LARGE_BYTES: libc::c_int = 1 << 20;
    // SAFETY: sets a number of the allocator, before there is a second thread.
    unsafe { libc::mallopt(libc::M_MMAP_THRESHOLD, LARGE_BYTES) };
}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn return_large_blocks_at_once() {}
