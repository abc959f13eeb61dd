//! Measured flights into the shot book.

use std::path::Path;

use clap::Args;
use jiff::{Timestamp, tz::TimeZone};

use crate::book::{Added, Book, Outcome, RecordInto, Setting, read_time, written_at};
use crate::cli::book::failed;
use crate::cli::output::{CommandError, Console, Exit};
use crate::cli::statement::{BookOptions, TargetOptions};
use crate::flight::aim::Target;
use crate::measurement::Measurement;
use crate::rig::Rig;

/// Into the shot book.
#[derive(Debug, Args)]
#[command(next_help_heading = "Shot book")]
pub struct RecordArguments {
    /// Record each flight in the shot book; the same clip isn't counted twice.
    #[arg(long)]
    record: bool,
    /// The session; else the date of the shot.
    #[arg(long, value_name = "NAME", requires = "record")]
    session: Option<String>,
    /// The ball that was shot, as the book is to name it.
    #[arg(long, value_name = "NAME", requires = "record")]
    ball_name: Option<String>,
    /// Name of the rig, when it stays the same over sessions.
    #[arg(long, value_name = "NAME", requires = "record")]
    rig_name: Option<String>,
    /// Whether the ball went into the target: `hit` or `miss`, for each flight in turn (`hit,miss,hit`) or once for all.
    #[arg(long, value_name = "HIT|MISS", requires = "record", value_delimiter = ',', value_parser = read_outcome)]
    outcome: Vec<Outcome>,
    #[command(flatten)]
    target: TargetOptions,
    /// When the clip was shot: RFC 3339, or date and time of day here; else the time of the clip's file.
    #[arg(long, value_name = "TIME", requires = "record")]
    shot_at: Option<String>,
}

/// A book that is open for recording.
pub struct Recorder<'a> {
    arguments: &'a RecordArguments,
    of: &'a BookOptions,
    book: Book,
    launcher: String,
    setting: Option<String>,
    time: Option<Timestamp>,
    target: Option<Target>,
}

impl RecordArguments {
    /// Opens the book before anything is measured, so that a wrong name or path is known at once; `None` when nothing is to
    /// be recorded.
    ///
    /// # Errors
    /// Wrong use, or a book that can't be opened.
    pub fn recorder<'a>(&'a self, of: &'a BookOptions, rig: &Rig) -> Result<Option<Recorder<'a>>, CommandError> {
        if !self.record {
            return Ok(None);
        }
        let launcher = of.launcher(rig)?;
        let time = self.shot_at.as_deref().map(typed_time).transpose()?;
        let target = self.target.target()?;
        // Made on first use.
        let book = Book::open(&of.path()?).map_err(failed)?;
        Ok(Some(Recorder { arguments: self, of, book, launcher, setting: of.setting(rig), time, target }))
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
                name: self.setting.clone(),
                angle_deg: self.of.set_angle,
                ball: arguments.ball_name.clone(),
            },
            rig: arguments.rig_name.clone(),
            time,
            outcomes: outcomes_of(&arguments.outcome, measurement.launches().count())?,
            target: self.target,
            note: None,
        };
        self.book.record_measurement(measurement, &into, now).map_err(failed)
    }
}

/// One for each flight of a clip; none when nothing was said.
fn outcomes_of(said: &[Outcome], flights: usize) -> Result<Vec<Option<Outcome>>, CommandError> {
    match said {
        [] => Ok(Vec::new()),
        [one] => Ok(vec![Some(*one); flights]),
        many if many.len() == flights => Ok(many.iter().copied().map(Some).collect()),
        many => {
            let message = format!("`--outcome` names {} flights, and the clip has {flights}", many.len());
            Err(CommandError::new(Exit::WrongUse, message).with_hint("name one for each flight, or one for all"))
        }
    }
}

fn read_outcome(word: &str) -> Result<Outcome, String> {
    Outcome::from_word(word.trim()).ok_or_else(|| "write hit or miss".to_owned())
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
