//! Measured flights into the shot book.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::{Timestamp, tz::TimeZone};

use crate::book::{Added, Book, RecordInto, Setting, default_book, read_time, written_at};
use crate::cli::book::failed;
use crate::cli::output::{CommandError, Console, Exit};
use crate::measurement::Measurement;
use crate::rig::Rig;

/// Into which book, and as whose shots.
#[derive(Debug, Args)]
pub struct RecordArguments {
    /// Record each flight in the shot book; the same clip isn't counted twice.
    #[arg(long)]
    record: bool,
    /// The launcher; else the rig's.
    #[arg(long, value_name = "NAME", requires = "record")]
    launcher: Option<String>,
    /// The session; else the date of the shot.
    #[arg(long, value_name = "NAME", requires = "record")]
    session: Option<String>,
    /// The launcher's power notch; else the rig's setting.
    #[arg(long, value_name = "NOTCH", requires = "record")]
    setting: Option<String>,
    /// The angle to which the launcher was set, in degrees.
    #[arg(long, value_name = "DEGREES", requires = "record", allow_negative_numbers = true)]
    set_angle: Option<f64>,
    /// The ball that was shot, as the book is to name it.
    #[arg(long, value_name = "NAME", requires = "record")]
    ball_name: Option<String>,
    /// Name of the rig, when it stays the same over sessions.
    #[arg(long, value_name = "NAME", requires = "record")]
    rig_name: Option<String>,
    /// When the clip was shot: RFC 3339, or date and time of day here; else the time of the clip's file.
    #[arg(long, value_name = "TIME", requires = "record")]
    shot_at: Option<String>,
    /// The book's file, made on first use; else the one in your data folder.
    #[arg(long, value_name = "FILE", requires = "record")]
    book: Option<PathBuf>,
}

/// A book that is open for recording.
pub struct Recorder<'a> {
    arguments: &'a RecordArguments,
    book: Book,
    launcher: String,
    notch: Option<String>,
    time: Option<Timestamp>,
}

impl RecordArguments {
    /// Opens the book before anything is measured, so that a wrong name or path is known at once; `None` when nothing is to
    /// be recorded.
    ///
    /// # Errors
    /// Wrong use, or a book that can't be opened.
    pub fn recorder(&self, rig: &Rig) -> Result<Option<Recorder<'_>>, CommandError> {
        if !self.record {
            return Ok(None);
        }
        let launcher = self.launcher.clone().or_else(|| rig.launcher.name.clone()).ok_or_else(|| {
            CommandError::new(Exit::WrongUse, "whose shots these are isn't stated")
                .with_hint("name the launcher with `--launcher`, or in the rig under `[launcher]`")
        })?;
        let time = self.shot_at.as_deref().map(typed_time).transpose()?;
        let path = self.book.clone().map_or_else(default_book, Ok).map_err(failed)?;
        let book = Book::open(&path).map_err(failed)?;
        let notch = self.setting.clone().or_else(|| rig.launcher.setting.clone());
        Ok(Some(Recorder { arguments: self, book, launcher, notch, time }))
    }
}

impl Recorder<'_> {
    /// Records the flights of a clip.
    ///
    /// # Errors
    /// When the book refuses.
    pub fn record(&mut self, clip: &Path, measurement: &Measurement) -> Result<Added, CommandError> {
        let now = Timestamp::now();
        let time = self.time.or_else(|| written_at(clip)).unwrap_or(now);
        let arguments = self.arguments;
        let date = || TimeZone::system().to_datetime(time).date().to_string();
        let into = RecordInto {
            launcher: self.launcher.clone(),
            session: arguments.session.clone().unwrap_or_else(date),
            setting: Setting {
                notch: self.notch.clone(),
                angle_deg: arguments.set_angle,
                ball: arguments.ball_name.clone(),
            },
            rig: arguments.rig_name.clone(),
            time,
            note: None,
        };
        self.book.record_measurement(measurement, &into, now).map_err(failed)
    }
}

/// Says what was recorded, on stderr: the measurement alone is the result.
pub fn report(added: &Added, console: &Console) {
    let list = |shots: &[i64]| shots.iter().map(i64::to_string).collect::<Vec<_>>().join(", ");
    if !added.recorded.is_empty() {
        console.note(format!("recorded in the shot book: shot {}", list(&added.recorded)));
    }
    let before: Vec<i64> = added.already_there.iter().map(|there| there.id).collect();
    if !before.is_empty() {
        console.note(format!("in the shot book already: shot {}", list(&before)));
    }
}

fn typed_time(text: &str) -> Result<Timestamp, CommandError> {
    read_time(text, &TimeZone::system()).ok_or_else(|| {
        CommandError::new(Exit::WrongUse, format!("`--shot-at`: `{text}` is not a time"))
            .with_hint("write it like `2026-05-09 10:30` or `2026-05-09T10:30:00Z`")
    })
}
