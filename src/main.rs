//! Starts the command line.

#![allow(unsafe_code, reason = "numbers of the C library's allocator")]

fn main() -> std::process::ExitCode {
    set_allocator();
    lobline::cli::run()
}

/// Pictures and windows of frames go back to the system as soon as they are done with. By itself glibc learns from the first
/// freed picture to keep all that are smaller, and a 4K recording then costs 70 MiB that nobody uses. Small blocks stay: given back
/// and fetched again they cost a tenth of the time.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn set_allocator() {
    const LARGE_BYTES: libc::c_int = 1 << 20;
    const KEPT_BYTES: libc::c_int = 64 << 20;
    // SAFETY: sets numbers of the allocator, before there is a second thread.
    unsafe {
        libc::mallopt(libc::M_MMAP_THRESHOLD, LARGE_BYTES);
        libc::mallopt(libc::M_TRIM_THRESHOLD, KEPT_BYTES);
    }
}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn set_allocator() {}
