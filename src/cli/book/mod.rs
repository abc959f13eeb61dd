//! `book`: the shot book of every launcher.

mod compare;
mod drift;
mod failure;
mod land;
mod list;
mod record;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use jiff::Timestamp;

pub(super) use self::failure::failed;
use super::output::{CommandError, Console, Exit};
use super::statement::TargetOptions;
use crate::book::{Book, Outcome, Selection, Setting, Source, default_book, rescue};
use crate::quantity::{Kind, Reading};
use crate::units::Length;

/// Keep the launchers' shots, and see whether a launcher has drifted.
#[derive(Debug, Args)]
pub struct BookArguments {
    /// The book's file; made on first use. Without it, the one in your data folder.
    #[arg(long, value_name = "FILE", global = true)]
    book: Option<PathBuf>,
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Record speeds that you read off a timing gate.
    Add(record::AddArguments),
    /// Record shots by where they landed: distance, height and angle by tape measure, the air counted in.
    Land(land::LandArguments),
    /// Record the readings of a timing gate from a CSV file.
    ImportGate(record::GateArguments),
    /// Take in a file written by `export`.
    Import {
        /// The file, `.csv` or `.json`.
        file: PathBuf,
    },
    /// Write shots to a file.
    Export {
        /// The file, `.csv` or `.json`.
        file: PathBuf,
        #[command(flatten)]
        which: Which,
    },
    /// Show the latest shots.
    List(list::ListArguments),
    /// Show all that is known of a shot.
    Show {
        /// Number of the shot.
        shot: i64,
        /// Print its measurement file instead.
        #[arg(long)]
        measurement: bool,
    },
    /// Leave shots out of the counting, with the reason; they stay in the book.
    SetAside {
        /// Numbers of the shots.
        #[arg(required = true)]
        shots: Vec<i64>,
        /// Why, such as "ball hit the frame".
        #[arg(long)]
        reason: String,
    },
    /// Count shots again that were set aside.
    PutBack {
        /// Numbers of the shots.
        #[arg(required = true)]
        shots: Vec<i64>,
    },
    /// Say of recorded shots whether the ball went in, and at which target; what was said before is replaced.
    Outcome {
        /// hit, miss, or unknown.
        #[arg(value_parser = read_outcome)]
        outcome: Said,
        /// Numbers of the shots.
        #[arg(required = true)]
        shots: Vec<i64>,
        #[command(flatten)]
        target: TargetOptions,
    },
    /// Take back what was done last; repeat to go further back.
    Undo,
    /// Show what was done, newest first.
    History {
        /// How many lines.
        #[arg(long, default_value_t = 20)]
        count: usize,
    },
    /// Has the launcher drifted since the baseline session?
    Drift(drift::DriftArguments),
    /// Draw the control chart: as text, or to a picture.
    Chart(drift::ChartArguments),
    /// Compare two launchers, settings, sessions, or gate against video.
    Compare(compare::CompareArguments),
    /// How many shots would show a change? Answered before shooting.
    ShotsNeeded(drift::PlanArguments),
    /// Save what can be read of a damaged book.
    Rescue {
        /// Where to: `.csv` or `.json`.
        file: PathBuf,
    },
    /// Show where the book is and how much stands in it.
    Where,
}

/// Which shots.
#[derive(Debug, Clone, Args)]
struct Which {
    /// Only this launcher's.
    #[arg(long)]
    launcher: Option<String>,
    /// Only this session's.
    #[arg(long)]
    session: Option<String>,
    /// Only at this setting, as it was typed, such as "notch 3".
    #[arg(long, alias = "notch")]
    setting: Option<String>,
    /// Only at this launch angle, in degrees.
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    angle: Option<f64>,
    /// Only with this ball.
    #[arg(long)]
    ball: Option<String>,
    /// Only from here: video, gate, landing or import.
    #[arg(long, value_parser = read_source)]
    source: Option<Source>,
    /// Only measured with this rig or gate.
    #[arg(long)]
    rig: Option<String>,
}

impl Which {
    fn selection(&self) -> Selection {
        Selection {
            launcher: self.launcher.clone(),
            session: self.session.clone(),
            setting: self.setting.clone(),
            angle_deg: self.angle,
            ball: self.ball.clone(),
            source: self.source,
            rig: self.rig.clone(),
            other_than_clip: None,
            with_set_aside: false,
        }
    }
}

fn read_source(word: &str) -> Result<Source, String> {
    Source::from_word(word).ok_or_else(|| "write video, gate, landing or import".to_owned())
}

/// What is said of a shot.
type Said = Option<Outcome>;

fn read_outcome(word: &str) -> Result<Said, String> {
    match word {
        "unknown" => Ok(None),
        word => Outcome::from_word(word).map(Some).ok_or_else(|| "write hit, miss or unknown".to_owned()),
    }
}

fn read_length(text: &str) -> Result<Length, String> {
    let read = Reading::parse(Kind::Length, text).map_err(|error| format!("{error}; {}", error.hint()))?;
    Length::from_metres(read.value).ok_or_else(|| "write a length above zero".to_owned())
}

/// Runs the command.
pub fn run(arguments: BookArguments, console: &Console) -> Result<(), CommandError> {
    let path = match arguments.book {
        Some(path) => path,
        None => default_book().map_err(failed)?,
    };
    let place = Place { path, console: *console };
    match arguments.action {
        Action::Add(add) => record::add(&place, &add),
        Action::Land(arguments) => land::land(&place, &arguments),
        Action::ImportGate(gate) => record::import_gate(&place, &gate),
        Action::Import { file } => {
            let added = place.open_or_make()?.import(&file, Timestamp::now()).map_err(failed)?;
            record::report(console, &added);
            Ok(())
        }
        Action::Export { file, which } => {
            console.may_write(&file)?;
            let selection = Selection { with_set_aside: true, ..which.selection() };
            let count = place.open()?.export(&selection, &file).map_err(failed)?;
            console.result(format!("{count} shots written to {}", file.display()));
            Ok(())
        }
        Action::List(which) => list::list(&place, &which),
        Action::Show { shot, measurement } => list::show(&place, shot, measurement),
        Action::SetAside { shots, reason } => {
            place.open()?.set_aside(&shots, &reason, Timestamp::now()).map_err(failed)?;
            console.result(format!("set aside: {}", list::numbers(&shots)));
            Ok(())
        }
        Action::PutBack { shots } => {
            place.open()?.put_back(&shots, Timestamp::now()).map_err(failed)?;
            console.result(format!("counted again: {}", list::numbers(&shots)));
            Ok(())
        }
        Action::Outcome { outcome, shots, target } => {
            let target = target.target()?;
            place.open()?.set_outcome(&shots, outcome, target.as_ref()).map_err(failed)?;
            console.result(format!("{}: {}", outcome.map_or("unknown", Outcome::word), list::numbers(&shots)));
            Ok(())
        }
        Action::Undo => {
            let event = place.open()?.undo(Timestamp::now()).map_err(failed)?;
            console.result(format!("taken back: {}", list::event_in_words(&event)));
            Ok(())
        }
        Action::History { count } => list::history(&place, count),
        Action::Drift(arguments) => drift::check(&place, &arguments),
        Action::Chart(arguments) => drift::chart(&place, &arguments),
        Action::Compare(arguments) => compare::run(&place, &arguments),
        Action::ShotsNeeded(arguments) => drift::shots_needed(&place, &arguments),
        Action::Rescue { file } => rescue_book(&place, &file),
        Action::Where => list::place(&place),
    }
}

/// The book's file and the terminal.
struct Place {
    path: PathBuf,
    console: Console,
}

impl Place {
    /// The book, which must be there.
    fn open(&self) -> Result<Book, CommandError> {
        self.noted(Book::open_existing(&self.path).map_err(failed)?)
    }

    /// The book, made when there is none yet.
    fn open_or_make(&self) -> Result<Book, CommandError> {
        self.noted(Book::open(&self.path).map_err(failed)?)
    }

    fn noted(&self, book: Book) -> Result<Book, CommandError> {
        if let Some(backup) = book.migrated_from() {
            self.console.note(format!("the book was of an older version; a copy of it is {}", backup.display()));
        }
        Ok(book)
    }
}

fn rescue_book(place: &Place, file: &std::path::Path) -> Result<(), CommandError> {
    place.console.may_write(file)?;
    let rescued = rescue(&place.path, file).map_err(failed)?;
    place.console.result(format!("{} shots saved to {}", rescued.shots, file.display()));
    if !rescued.unreadable.is_empty() {
        place.console.result(format!(
            "{} shots can't be read: {}",
            rescued.unreadable.len(),
            list::numbers(&rescued.unreadable)
        ));
    }
    if rescued.without_measurement > 0 {
        place.console.result(format!("{} shots lost their measurement file", rescued.without_measurement));
    }
    rescued.findings.iter().for_each(|finding| place.console.note(format!("found: {finding}")));
    if rescued.shots == 0 {
        return Err(CommandError::new(Exit::BadInput, "no shot of the book can be read")
            .with_hint("look for a copy of the book, or of an export"));
    }
    Ok(())
}

/// How a launcher was set, for recording.
#[derive(Debug, Clone, Args)]
struct SettingArguments {
    /// How the launcher was loaded, in its own word, such as "notch 3".
    #[arg(long, alias = "notch")]
    setting: Option<String>,
    /// Launch angle above the horizontal, in degrees.
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    angle: Option<f64>,
    /// The ball.
    #[arg(long)]
    ball: Option<String>,
}

impl SettingArguments {
    fn setting(&self) -> Setting {
        Setting { name: self.setting.clone(), angle_deg: self.angle, ball: self.ball.clone() }
    }
}
