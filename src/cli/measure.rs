//! `lobline measure`: clips in, launch speed, angle and gravity out.

mod class;
mod forecast;
mod options;
mod outputs;
mod progress;
mod record;
#[cfg(test)]
mod said_everywhere;
mod words;

use std::path::{Path, PathBuf};

use serde_json::json;

use super::output::{CommandError, Console, Exit};
use crate::measure::{MeasureError, Outcome, Settings, measure_counted, set_against};
use crate::sight::Progress;

pub(super) use class::{Groups, Row, write_tables};
use progress::ProgressLine;

pub use options::MeasureArguments;
pub(super) use outputs::{prepare as prepare_folder, write as write_outputs};
pub(super) use words::{
    budgets as budgets_in_words, measurement as measurement_in_words, table as class_table, wrapped,
};

/// Measures one clip or many.
///
/// # Errors
/// For one clip, why it couldn't be measured. For many, each says so itself and the others go on; the error at the end
/// counts them.
pub fn run(arguments: &MeasureArguments, console: &Console) -> Result<(), CommandError> {
    let common = arguments.settings()?;
    let groups = arguments.class.groups()?;
    let of = |clip: &PathBuf| arguments.settings_of(clip, &groups, &common);
    let settings = arguments.clips.iter().map(of).collect::<Result<Vec<_>, _>>()?;
    // Slips of the pen are to be known before anything is decoded.
    for settings in &settings {
        arguments.forecast.expected(&arguments.shots_of, &settings.rig, None)?;
        arguments.record.recorder(&arguments.shots_of, &settings.rig)?;
    }
    if let Some(folder) = &arguments.out {
        outputs::prepare(folder)?;
    }
    match arguments.clips.as_slice() {
        [clip] => one(clip, arguments, &settings[0], console),
        clips => many(clips, arguments, &settings, &groups, console),
    }
}

fn one(clip: &Path, arguments: &MeasureArguments, settings: &Settings, console: &Console) -> Result<(), CommandError> {
    if let Some(folder) = &arguments.out {
        outputs::may_fill_of_one(folder, console)?;
    }
    let outcome = measured_and_compared(clip, arguments, settings, console)?;
    if let Some(folder) = &arguments.out {
        outputs::write(folder, &outcome, &arguments.output_options(clip, console))?;
    }
    if arguments.json {
        console.result(crate::report::json::document(&outcome.measurement).trim_end());
    } else {
        console.result(words::measurement(&outcome.measurement, arguments.decimal_mark()));
        if arguments.budget {
            console.result(format!("\n{}", words::budgets(&outcome.measurement, arguments.decimal_mark())));
        }
        if let Some(folder) = &arguments.out {
            console.note(format!("\nwritten to {}", folder.display()));
        }
    }
    if let Some(mut recorder) = arguments.record.recorder(&arguments.shots_of, &settings.rig)? {
        record::report(&recorder.record(clip, &outcome.measurement)?, console);
    }
    Ok(())
}

fn many(
    clips: &[PathBuf],
    arguments: &MeasureArguments,
    settings: &[Settings],
    groups: &Groups,
    console: &Console,
) -> Result<(), CommandError> {
    class::may_write(clips, arguments, console)?;
    let rows = class::measure_all(clips, arguments, settings, groups, console)?;
    if arguments.json {
        console.result(as_json(&rows));
    } else {
        console.result(format!("\n{}", words::table(&rows, arguments.decimal_mark())));
    }
    class::keep(&rows, arguments, console)?;
    let failed: Vec<Exit> = rows.iter().filter_map(|row| row.result.as_ref().err()).map(|error| error.exit).collect();
    match failed.first() {
        None => Ok(()),
        Some(&exit) => {
            Err(CommandError::new(exit, format!("{} of {} clips could not be measured", failed.len(), rows.len()))
                .with_hint("the lines above say why, clip by clip"))
        }
    }
}

pub(super) fn as_json(rows: &[class::Row<'_>]) -> String {
    let clip = |row: &class::Row<'_>| match &row.result {
        Ok(measurement) => {
            json!({ "path": row.clip, "group": row.group, "measurement": measurement, "error": null })
        }
        Err(error) => {
            let error = json!({ "message": error.message, "hint": error.hint });
            json!({ "path": row.clip, "group": row.group, "measurement": null, "error": error })
        }
    };
    let clips: Vec<_> = rows.iter().map(clip).collect();
    let document = json!({ "format_version": crate::measurement::FORMAT_VERSION, "clips": clips });
    serde_json::to_string_pretty(&document).expect("a plain tree of numbers and text")
}

/// Measures a clip, and sets its flights against the forecast when there is one.
fn measured_and_compared(
    clip: &Path,
    arguments: &MeasureArguments,
    settings: &Settings,
    console: &Console,
) -> Result<Outcome, CommandError> {
    let expected = arguments.forecast.expected(&arguments.shots_of, &settings.rig, Some(clip))?;
    let mut outcome = measured(clip, settings, console)?;
    if let Some(expected) = expected {
        set_against(&mut outcome.measurement, &expected).map_err(|error| command_error(clip, &error))?;
    }
    Ok(outcome)
}

/// Measures a clip with progress on the terminal.
pub(super) fn measured(clip: &Path, settings: &Settings, console: &Console) -> Result<Outcome, CommandError> {
    let line = console.shows_progress().then(ProgressLine::new);
    let mut progress = |progress: Progress, of: Option<usize>| {
        if let Some(line) = &line {
            line.tell(progress, of);
        }
    };
    measure_counted(clip, settings, &mut progress).map_err(|error| command_error(clip, &error))
}

pub(super) fn command_error(clip: &Path, error: &MeasureError) -> CommandError {
    use crate::clip::ClipError;
    let exit = match error {
        MeasureError::NoFlight { .. }
        | MeasureError::NotABall { .. }
        | MeasureError::Unsteady(_)
        | MeasureError::Fit(_) => Exit::NoMeasurement,
        MeasureError::Clip(ClipError::BadRate(_) | ClipError::NoPictureRate(_) | ClipError::NoTimes)
        | MeasureError::Camera(_)
        | MeasureError::NoShownFrame { .. }
        | MeasureError::Mending(_)
        | MeasureError::Ball(_)
        | MeasureError::Forecast(_) => Exit::WrongUse,
        MeasureError::Clip(_) | MeasureError::NoBasis => Exit::BadInput,
    };
    let command_error = CommandError::new(exit, format!("could not measure `{}`: {error}", clip.display()));
    match error.hint() {
        Some(hint) => command_error.with_hint(hint),
        None => command_error,
    }
}
