//! The command line: one file a command; parse, call the library, print.

use std::process::ExitCode;

/// Runs the program with the arguments of the process.
pub fn run() -> ExitCode {
    ExitCode::SUCCESS
}
