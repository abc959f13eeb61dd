//! What every command prints and writes with: results, notes, errors and their hints, files, and the exit codes.

use std::borrow::Cow;
use std::fmt::Display;
use std::fmt::Write as _;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use crate::report::files::{FileError, write_atomically, write_new};

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

/// A file that can't be written, on its way to the user. One that is there already is a matter of what was typed.
impl From<FileError> for CommandError {
    fn from(error: FileError) -> Self {
        let exit = if matches!(error, FileError::AlreadyThere { .. }) { Exit::WrongUse } else { Exit::Environment };
        Self::new(exit, &error).with_hint(error.hint())
    }
}

/// The first failure of writing to stdout, of which the process has one.
static STDOUT_FAILED: Mutex<Option<io::Error>> = Mutex::new(None);

/// Where words and files go. Made once from `--quiet`, `--overwrite` and the terminal; commands hold no such decision of their own.
#[derive(Debug, Clone, Copy)]
pub struct Console {
    quiet: bool,
    overwrite: bool,
    stderr_is_terminal: bool,
}

impl Console {
    pub fn new(quiet: bool, overwrite: bool) -> Self {
        Self { quiet, overwrite, stderr_is_terminal: io::stderr().is_terminal() }
    }

    /// The same without progress, for work side by side.
    pub fn without_progress(self) -> Self {
        Self { stderr_is_terminal: false, ..self }
    }

    /// Whether progress may be drawn: stderr is a terminal and `--quiet` wasn't asked for.
    pub fn shows_progress(&self) -> bool {
        self.stderr_is_terminal && !self.quiet
    }

    /// Whether files that exist may be replaced.
    pub fn overwrites(&self) -> bool {
        self.overwrite
    }

    /// A line of the result, to stdout. Whether it came through is said by [`Self::finish`].
    pub fn result(&self, text: impl Display) {
        let text = text.to_string();
        if let Err(error) = writeln!(io::stdout().lock(), "{}", harmless(&text)) {
            note_failure(error);
        }
    }

    /// A note for the person at the terminal, to stderr; silent under `--quiet`.
    pub fn note(&self, text: impl Display) {
        self.drawn_note(harmless(&text.to_string()));
    }

    /// As [`Self::note`], for what the program itself draws with the terminal's colours.
    pub fn drawn_note(&self, text: impl Display) {
        if !self.quiet {
            // Where stderr is closed nobody can be told.
            let _ = writeln!(io::stderr().lock(), "{text}");
        }
    }

    /// The one place where an error is printed.
    pub fn error(&self, error: &CommandError) {
        let mut stderr = io::stderr().lock();
        let _ = writeln!(stderr, "error: {}", harmless(&error.message));
        if let Some(hint) = &error.hint {
            let _ = writeln!(stderr, "\nhint: {}", harmless(hint));
        }
    }

    /// To be called when all is printed: a result that didn't come through whole isn't a success.
    ///
    /// # Errors
    /// For the first piece that stdout didn't take. A reader that closed the pipe has had enough; that isn't an error.
    pub fn finish(&self) -> Result<(), CommandError> {
        if let Err(error) = io::stdout().lock().flush() {
            note_failure(error);
        }
        let failed = STDOUT_FAILED.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take();
        match failed {
            None => Ok(()),
            Some(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
            Some(error) => {
                Err(CommandError::new(Exit::Environment, format!("the result could not be printed: {error}"))
                    .with_hint("make room where the output goes, and run the command again"))
            }
        }
    }

    /// Writes a file whole or not at all; one that is there already only with `--overwrite`.
    ///
    /// # Errors
    /// When it is there already or can't be written.
    pub fn write(&self, path: &Path, bytes: &[u8]) -> Result<(), CommandError> {
        if self.overwrite {
            write_atomically(path, bytes)?
        } else {
            write_new(path, bytes)?
        }
        Ok(())
    }

    /// Asks beforehand, where much is done between now and writing.
    ///
    /// # Errors
    /// When the file is there already and `--overwrite` wasn't said.
    pub fn may_write(&self, path: &Path) -> Result<(), CommandError> {
        if path.exists() && !self.overwrite {
            return Err(FileError::AlreadyThere { path: path.to_owned() }.into());
        }
        Ok(())
    }

    /// `usual` where nobody named a place: as it is when it is free or may be replaced, else with the first free number, as `name-2`.
    pub fn free_place(&self, usual: &Path) -> PathBuf {
        if self.overwrite || !usual.exists() {
            return usual.to_owned();
        }
        let (stem, ending) = (usual.file_stem().unwrap_or_default(), usual.extension());
        let numbered = |number: u64| {
            let mut name = stem.to_owned();
            name.push(format!("-{number}"));
            if let Some(ending) = ending {
                name.push(".");
                name.push(ending);
            }
            usual.with_file_name(name)
        };
        (2..).map(numbered).find(|path| !path.exists()).unwrap_or_else(|| usual.to_owned())
    }
}

fn note_failure(error: io::Error) {
    STDOUT_FAILED.lock().unwrap_or_else(std::sync::PoisonError::into_inner).get_or_insert(error);
}

/// Text whose characters can't steer a terminal or turn the writing around: names of files and groups come from others. Each such character
/// is shown as JSON writes it, so that JSON stays the same JSON.
fn harmless(text: &str) -> Cow<'_, str> {
    let harms = |c: char| {
        (c.is_control() && !matches!(c, '\n' | '\t'))
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    if !text.contains(harms) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if harms(c) {
            // Writing to a string can't fail.
            let _ = write!(shown, "\\u{:04x}", u32::from(c));
        } else {
            shown.push(c);
        }
    }
    Cow::Owned(shown)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_would_steer_the_terminal_is_shown_and_json_stays_the_same() {
        assert_eq!(harmless("shot \x1b[31m.mp4\n"), "shot \\u001b[31m.mp4\n");
        assert_eq!(harmless("a\u{202e}4pm.b\u{9b}"), "a\\u202e4pm.b\\u009b");
        assert_eq!(harmless("Prüfung – g = 9.81 m/s²\t±"), "Prüfung – g = 9.81 m/s²\t±");
        let name = "\u{9b}31m\u{202e}";
        let json = serde_json::to_string(name).unwrap();
        assert_eq!(serde_json::from_str::<String>(&harmless(&json)).unwrap(), name);
    }

    #[test]
    fn a_place_that_nobody_named_gets_a_number() {
        let folder = tempfile::tempdir().unwrap();
        let usual = folder.path().join("scale-card.pdf");
        let (keeps, replaces) = (Console::new(true, false), Console::new(true, true));
        assert_eq!(keeps.free_place(&usual), usual);
        keeps.write(&usual, b"one").unwrap();
        assert_eq!(keeps.free_place(&usual), folder.path().join("scale-card-2.pdf"));
        assert_eq!(replaces.free_place(&usual), usual);
        assert_eq!(keeps.write(&usual, b"two").unwrap_err().exit, Exit::WrongUse);
        assert!(keeps.may_write(&usual).is_err() && replaces.may_write(&usual).is_ok());
        assert_eq!(std::fs::read(&usual).unwrap(), b"one");
        replaces.write(&usual, b"two").unwrap();
        assert_eq!(std::fs::read(&usual).unwrap(), b"two");
    }
}
