//! Starts the command line.

fn main() -> std::process::ExitCode {
    lobline::cli::run()
}
