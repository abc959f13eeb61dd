//! What can go wrong with the book file, and what to do about it.

use std::path::PathBuf;

use rusqlite::ErrorCode;
use thiserror::Error;

/// Why the shot book could not do what was asked.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum BookError {
    #[error("no folder for the shot book: neither XDG_DATA_HOME nor the home folder is known")]
    NoDataFolder,
    #[error("no shot book at {}", path.display())]
    NoBook { path: PathBuf },
    #[error("cannot make the folder for the shot book {}", path.display())]
    CannotMakeFolder {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error("{} is a database of something else, not a shot book", path.display())]
    NotABook { path: PathBuf },
    #[error("the shot book {} has version {found}, and this program knows versions up to {known}", path.display())]
    Newer { path: PathBuf, found: i64, known: i64 },
    #[error("the shot book {} is damaged: {detail}", path.display())]
    Damaged { path: PathBuf, detail: String },
    #[error("another program keeps the shot book {} locked", path.display())]
    Busy { path: PathBuf },
    #[error("the shot book {} can't be read or written: {detail}", path.display())]
    Storage { path: PathBuf, detail: String },
    #[error("the copy {} of the older book can't be made, so the book was left as it is: {detail}", backup.display())]
    NoBackup { backup: PathBuf, detail: String },
    #[error("there is no shot {id} in the book")]
    NoSuchShot { id: i64 },
    #[error("no {what} is called `{name}` in the book")]
    NoSuchName { what: &'static str, name: String, known: Vec<String> },
    #[error("shot {id} is already set aside: {reason}")]
    AlreadySetAside { id: i64, reason: String },
    #[error("shot {id} isn't set aside")]
    NotSetAside { id: i64 },
    #[error("a shot is set aside only with a reason")]
    NoReason,
    #[error("the book has no shot of {launcher}{}", if with.is_empty() { String::new() } else { format!(" with {with}") })]
    NoShots { launcher: String, with: String },
    #[error("these shots were made at more than one setting: {}", settings.join("; "))]
    SeveralSettings { settings: Vec<String> },
    #[error("there is nothing to undo")]
    NothingToUndo,
    #[error(transparent)]
    BadShot(#[from] ShotError),
}

/// Why a shot can't be recorded.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ShotError {
    #[error("the {field} is missing")]
    Missing { field: &'static str },
    #[error("a {field} of {value} is not possible")]
    Impossible { field: &'static str, value: f64 },
    #[error("the uncertainty shared by the session, {common} m/s, is larger than the whole, {whole} m/s")]
    CommonTooLarge { common: f64, whole: f64 },
    #[error("flight number 0: flights are counted from 1")]
    FlightZero,
    #[error("the {field} holds a control character")]
    ControlCharacter { field: &'static str },
}

impl ShotError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::Missing { field } => format!("give the {field}"),
            Self::Impossible { .. } => {
                "speeds and uncertainties are above nought and below 1000 m/s, angles from -90 to 90 degrees; a target has an \
                 opening and a distance above nought"
                    .to_owned()
            }
            Self::CommonTooLarge { .. } => "the shared part is contained in the whole uncertainty".to_owned(),
            Self::FlightZero => "number the flights of a clip 1, 2, 3, …".to_owned(),
            Self::ControlCharacter { .. } => "type the name on one line, without tabs".to_owned(),
        }
    }
}

impl BookError {
    /// What to do next.
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            Self::NoDataFolder => "name the book with `--book FILE`".to_owned(),
            Self::NoBook { .. } => "record a shot first, or name another book with `--book FILE`".to_owned(),
            Self::CannotMakeFolder { .. } => "name a book in a folder you may write to with `--book FILE`".to_owned(),
            Self::NotABook { .. } => "name the right file with `--book FILE`".to_owned(),
            Self::Newer { .. } => "use the newer lobline that wrote it; the book was not touched".to_owned(),
            Self::Damaged { path, .. } => format!(
                "keep a copy of the file, then save what can be read: \
                 `lobline book --book {} rescue rescued.json`, and import that into a new book",
                path.display()
            ),
            Self::Busy { .. } => "close the other program, or try again in a moment".to_owned(),
            Self::Storage { .. } | Self::NoBackup { .. } => {
                "check the free space and your right to write in that folder".to_owned()
            }
            Self::NoSuchShot { .. } => "`lobline book list` shows the numbers".to_owned(),
            Self::NoSuchName { known, .. } if known.is_empty() => "the book is still empty".to_owned(),
            Self::NoSuchName { known, .. } => format!("known: {}", known.join(", ")),
            Self::NoShots { .. } => "`lobline book list` shows what there is".to_owned(),
            Self::SeveralSettings { .. } => {
                "name one with `--setting` and `--set-angle`, or one session with `--from-session`".to_owned()
            }
            Self::AlreadySetAside { .. } => "put it back first to give another reason".to_owned(),
            Self::NoReason => "say why, such as `--reason \"ball hit the frame\"`".to_owned(),
            Self::NotSetAside { .. } | Self::NothingToUndo => return None,
            Self::BadShot(error) => error.hint(),
        })
    }

    /// Tells what SQLite met: a damaged file, a locked one, or something of the machine.
    pub(crate) fn from_sqlite(path: &std::path::Path, error: rusqlite::Error) -> Self {
        let path = path.to_owned();
        let detail = error.to_string();
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Self::Damaged { path, detail },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { path },
            // A value of the wrong kind in a column comes only from damage or another hand.
            None if is_wrong_value(&error) => Self::Damaged { path, detail },
            _ => Self::Storage { path, detail },
        }
    }
}

fn is_wrong_value(error: &rusqlite::Error) -> bool {
    use rusqlite::Error::{FromSqlConversionFailure, IntegralValueOutOfRange, InvalidColumnType, Utf8Error};
    matches!(error, FromSqlConversionFailure(..) | IntegralValueOutOfRange(..) | InvalidColumnType(..) | Utf8Error(..))
}
