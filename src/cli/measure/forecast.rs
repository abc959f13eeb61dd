//! What was expected before the shot.

use std::path::Path;

use clap::Args;

use crate::cli::output::{CommandError, Exit};
use crate::cli::statement::{BookOptions, SourceOptions, before_error, read, wrong};
use crate::clip::fingerprint_of;
use crate::measure::Expected;
use crate::quantity::Kind;
use crate::rig::Rig;

/// A forecast to set the flights against. Ball, air and place are those of the rig.
#[derive(Debug, Args)]
#[command(next_help_heading = "What was expected")]
pub struct ForecastArguments {
    /// Set each flight against a forecast: of a launch as typed, as measured before, as the shot book knows it, or as the rig
    /// states it.
    #[arg(long)]
    forecast: bool,
    #[command(flatten)]
    source: SourceOptions,
    /// Height above the floor at which the landing is wanted, such as `25 cm`.
    #[arg(long, value_name = "LENGTH", default_value = "0 m")]
    target_height: String,
}

impl ForecastArguments {
    /// What was typed, as options and their values; empty when no forecast was asked for.
    pub fn typed(&self, of: &BookOptions) -> Vec<(&'static str, String)> {
        if !self.forecast {
            return Vec::new();
        }
        let mut typed = vec![("forecast", String::new())];
        typed.extend(self.source.typed());
        if typed.iter().any(|(name, _)| *name == "from-book") {
            typed.extend(of.typed());
        }
        typed.push(("target-height", self.target_height.clone()));
        typed
    }

    /// What was expected; `None` when no forecast was asked for. The clip's own shots in the book say nothing of it.
    ///
    /// # Errors
    /// Wrong use, with what to type instead.
    pub fn expected(&self, of: &BookOptions, rig: &Rig, clip: Option<&Path>) -> Result<Option<Expected>, CommandError> {
        if !self.forecast {
            return self.source.first_given().map_or(Ok(None), |option| {
                Err(wrong(
                    format!("`{option}` belongs to a forecast"),
                    "add `--forecast`, and the flights are set against it",
                ))
            });
        }
        let before = self.source.before(self.source.measured()?, of, rig, clip.and_then(fingerprint_of))?;
        let target = read("target-height", Kind::Length, &self.target_height)?.estimate();
        Expected::of_launch(&before.launch(rig, None).map_err(|error| before_error(&error))?, target, rig)
            .map(Some)
            .map_err(|error| CommandError::new(Exit::WrongUse, &error).with_hint(error.hint().unwrap_or_default()))
    }
}
