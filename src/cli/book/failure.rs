//! From the book's errors to an exit code with a hint.

use crate::book::compare::CompareError;
use crate::book::drift::DriftError;
use crate::book::{BookError, ExchangeError};
use crate::cli::output::{CommandError, Exit};
use crate::quantity::ReadingError;

/// An error of the book on its way to the user.
pub(in crate::cli) trait Failure: std::fmt::Display {
    fn exit(&self) -> Exit;
    fn hint(&self) -> Option<String>;
}

pub(in crate::cli) fn failed(error: impl Failure) -> CommandError {
    let command = CommandError::new(error.exit(), &error);
    match error.hint() {
        Some(hint) => command.with_hint(hint),
        None => command,
    }
}

impl Failure for BookError {
    fn exit(&self) -> Exit {
        match self {
            Self::NoShots { .. } => Exit::NoMeasurement,
            Self::NotABook { .. } | Self::Newer { .. } | Self::Damaged { .. } => Exit::BadInput,
            Self::CannotMakeFolder { .. }
            | Self::Busy { .. }
            | Self::Storage { .. }
            | Self::NoBackup { .. }
            | Self::NoDataFolder => Exit::Environment,
            _ => Exit::WrongUse,
        }
    }

    fn hint(&self) -> Option<String> {
        self.hint()
    }
}

impl Failure for ExchangeError {
    fn exit(&self) -> Exit {
        match self {
            Self::UnknownForm { .. } => Exit::WrongUse,
            Self::CannotWrite { .. } => Exit::Environment,
            Self::Book(error) => error.exit(),
            _ => Exit::BadInput,
        }
    }

    fn hint(&self) -> Option<String> {
        self.hint()
    }
}

impl Failure for DriftError {
    fn exit(&self) -> Exit {
        if *self == Self::NoShots { Exit::NoMeasurement } else { Exit::WrongUse }
    }

    fn hint(&self) -> Option<String> {
        Some(self.hint())
    }
}

impl Failure for CompareError {
    fn exit(&self) -> Exit {
        Exit::NoMeasurement
    }

    fn hint(&self) -> Option<String> {
        self.hint()
    }
}

impl Failure for ReadingError {
    fn exit(&self) -> Exit {
        Exit::WrongUse
    }

    fn hint(&self) -> Option<String> {
        Some(self.hint())
    }
}
