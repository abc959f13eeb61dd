//! `lobline measure`: clips in, launch speed, angle and gravity out.

mod options;
mod outputs;
mod words;

use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;

use super::output::{CommandError, Console, Exit};
use crate::measure::{MeasureError, Outcome, Settings, measure};
use crate::sight::Progress;

pub use options::MeasureArguments;
pub(super) use outputs::write as write_outputs;

/// Measures one clip or many.
///
/// # Errors
/// For one clip, why it couldn't be measured. For many, each says so itself and the others go on; the error at the end
/// counts them.
pub fn run(arguments: &MeasureArguments, console: &Console) -> Result<(), CommandError> {
    let settings = arguments.settings()?;
    if let Some(folder) = &arguments.out {
        outputs::prepare(folder)?;
    }
    match arguments.clips.as_slice() {
        [clip] => one(clip, arguments, &settings, console),
        clips => many(clips, arguments, &settings, console),
    }
}

fn one(clip: &Path, arguments: &MeasureArguments, settings: &Settings, console: &Console) -> Result<(), CommandError> {
    let outcome = measured(clip, settings, console)?;
    if let Some(folder) = &arguments.out {
        outputs::write(folder, &outcome, arguments.decimal_mark())?;
    }
    if arguments.json {
        console.result(crate::report::json::document(&outcome.measurement).trim_end());
    } else {
        console.result(words::measurement(&outcome.measurement, arguments.decimal_mark()));
        if let Some(folder) = &arguments.out {
            console.note(format!("\nwritten to {}", folder.display()));
        }
    }
    Ok(())
}

fn many(
    clips: &[PathBuf],
    arguments: &MeasureArguments,
    settings: &Settings,
    console: &Console,
) -> Result<(), CommandError> {
    let mut rows = Vec::new();
    for clip in clips {
        let result = measured(clip, settings, console).and_then(|outcome| {
            if let Some(folder) = &arguments.out {
                outputs::write(&folder.join(outputs::folder_name(clip, clips)), &outcome, arguments.decimal_mark())?;
            }
            Ok(outcome.measurement)
        });
        if !arguments.json {
            console.result(words::line(clip, &result, arguments.decimal_mark()));
        }
        rows.push((clip, result));
    }
    if arguments.json {
        let clips: Vec<_> = rows
            .iter()
            .map(|(clip, result)| match result {
                Ok(measurement) => json!({ "path": clip, "measurement": measurement, "error": null }),
                Err(error) => {
                    json!({ "path": clip, "measurement": null, "error": { "message": error.message, "hint": error.hint } })
                }
            })
            .collect();
        let document = json!({ "format_version": crate::measurement::FORMAT_VERSION, "clips": clips });
        console.result(serde_json::to_string_pretty(&document).expect("a plain tree of numbers and text"));
    } else {
        console.result(format!("\n{}", words::table(&rows, arguments.decimal_mark())));
    }
    let failed: Vec<Exit> =
        rows.iter().filter_map(|(_, result)| result.as_ref().err()).map(|error| error.exit).collect();
    match failed.first() {
        None => Ok(()),
        Some(&exit) => {
            Err(CommandError::new(exit, format!("{} of {} clips could not be measured", failed.len(), rows.len()))
                .with_hint("the lines above say why, clip by clip"))
        }
    }
}

/// Measures a clip with progress on the terminal.
pub(super) fn measured(clip: &Path, settings: &Settings, console: &Console) -> Result<Outcome, CommandError> {
    let bar = console.shows_progress().then(progress_bar);
    let mut progress = |progress: Progress| {
        let Some(bar) = &bar else { return };
        match progress {
            Progress::Reading { frames } => bar.set_message(format!("reading, frame {frames}")),
            Progress::Searching { frames } => bar.set_message(format!("looking for the ball in {frames} frames")),
        }
        bar.tick();
    };
    let result = measure(clip, settings, &mut progress);
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    result.map_err(|error| command_error(clip, &error))
}

fn progress_bar() -> ProgressBar {
    let bar = ProgressBar::new_spinner().with_style(
        ProgressStyle::with_template("{spinner} {msg} ({elapsed})").expect("the template is a constant that parses"),
    );
    bar.enable_steady_tick(Duration::from_millis(150));
    bar
}

fn command_error(clip: &Path, error: &MeasureError) -> CommandError {
    use crate::clip::ClipError;
    let exit = match error {
        MeasureError::NoFlight { .. } | MeasureError::Fit(_) => Exit::NoMeasurement,
        MeasureError::Clip(ClipError::BadRate(_) | ClipError::NoPictureRate(_) | ClipError::NoTimes)
        | MeasureError::Camera(_)
        | MeasureError::Mending(_)
        | MeasureError::Ball(_) => Exit::WrongUse,
        MeasureError::Clip(_) | MeasureError::NoBasis => Exit::BadInput,
    };
    let command_error = CommandError::new(exit, format!("could not measure `{}`: {error}", clip.display()));
    match error.hint() {
        Some(hint) => command_error.with_hint(hint),
        None => command_error,
    }
}
