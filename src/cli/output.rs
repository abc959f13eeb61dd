//! What every command prints with: results, notes, errors and their hints, and the exit codes.

use std::fmt::Display;
use std::io::{self, IsTerminal, Write};

/// Exit codes; documented under `--help` and in the README.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// No measurement could be made of what was given.
    NoMeasurement = 1,
    /// Wrong use: an argument, a unit, the rig file.
    WrongUse = 2,
    /// An input file can't be read.
    BadInput = 3,
    /// An output can't be written, or the machine lacks something.
    Environment = 4,
}

/// An error on its way to the user: what is wrong, and what to do next.
#[derive(Debug, Clone, PartialEq)]
pub struct CommandError {
    pub exit: Exit,
    /// What is wrong and where, lower case, without full stop.
    pub message: String,
    /// What to do next.
    pub hint: Option<String>,
}

impl CommandError {
    pub fn new(exit: Exit, message: impl Display) -> Self {
        Self { exit, message: message.to_string(), hint: None }
    }

    pub fn with_hint(mut self, hint: impl Display) -> Self {
        self.hint = Some(hint.to_string());
        self
    }
}

/// Where words go. Made once from `--quiet` and the terminal; commands hold no such decision of their own.
#[derive(Debug, Clone, Copy)]
pub struct Console {
    quiet: bool,
    stderr_is_terminal: bool,
}

impl Console {
    pub fn new(quiet: bool) -> Self {
        Self { quiet, stderr_is_terminal: io::stderr().is_terminal() }
    }

    /// The same without progress, for work side by side.
    pub fn without_progress(self) -> Self {
        Self { stderr_is_terminal: false, ..self }
    }

    /// Whether progress may be drawn: stderr is a terminal and `--quiet` wasn't asked for.
    pub fn shows_progress(&self) -> bool {
        self.stderr_is_terminal && !self.quiet
    }

    /// A line of the result, to stdout. A reader that closed the pipe has had enough; that isn't an error.
    pub fn result(&self, text: impl Display) {
        let _ = writeln!(io::stdout().lock(), "{text}");
    }

    /// A note for the person at the terminal, to stderr; silent under `--quiet`.
    pub fn note(&self, text: impl Display) {
        if !self.quiet {
            let _ = writeln!(io::stderr().lock(), "{text}");
        }
    }

    /// The one place where an error is printed.
    pub fn error(&self, error: &CommandError) {
        let mut stderr = io::stderr().lock();
        let _ = writeln!(stderr, "error: {}", error.message);
        if let Some(hint) = &error.hint {
            let _ = writeln!(stderr, "\nhint: {hint}");
        }
    }
}
