//! `lobline refit`: the numbers of a measurement file again, without the clip.

use std::path::{Path, PathBuf};

use clap::Args;

use super::measure::{budgets_in_words, command_error, measurement_in_words};
use super::output::{CommandError, Console, Exit};
use crate::measure::{QUICK_RUN, refit_with};
use crate::measurement::{FORMAT_VERSION, Measurement};
use crate::report::json::document;
use crate::report::numbers::DecimalMark;
use crate::small_file;

/// Compute a measurement anew from its own file, without the clip.
#[derive(Debug, Args)]
pub struct RefitArguments {
    /// The measurement file: `measurement.json`, or what `lobline measure --json` printed.
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Write the new measurement file here.
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Confirm the intervals by a Monte Carlo run over all inputs; takes some seconds more.
    #[arg(long)]
    monte_carlo: bool,
    /// Print the uncertainty budget in full.
    #[arg(long, conflicts_with = "json")]
    budget: bool,
    /// Print one JSON object instead of words.
    #[arg(long)]
    json: bool,
    /// Write numbers with a decimal comma.
    #[arg(long)]
    decimal_comma: bool,
}

/// Reads, computes, compares, prints.
///
/// # Errors
/// When the file is no measurement, carries no basis, or the new one can't be written.
pub fn run(arguments: &RefitArguments, console: &Console) -> Result<(), CommandError> {
    let before = read_measurement(&arguments.file)?;
    arguments.output.as_deref().map_or(Ok(()), |path| console.may_write(path))?;
    let run = arguments.monte_carlo.then_some(QUICK_RUN);
    let again = refit_with(&before, run).map_err(|error| command_error(&arguments.file, &error))?;
    if let Some(path) = &arguments.output {
        console.write(path, document(&again).as_bytes())?;
    }
    let mark = if arguments.decimal_comma { DecimalMark::Comma } else { DecimalMark::Point };
    if arguments.json {
        console.result(document(&again).trim_end());
    } else {
        console.result(measurement_in_words(&again, mark));
        if arguments.budget {
            console.result(format!("\n{}", budgets_in_words(&again, mark)));
        }
    }
    // A run that the file didn't have adds to it.
    if !arguments.monte_carlo {
        console.note(format!("\n{}", sameness(&before, &again)));
    }
    Ok(())
}

fn sameness(before: &Measurement, again: &Measurement) -> String {
    if before.flights == again.flights {
        return "The numbers are those of the file, to the last digit.".to_owned();
    }
    if before.program_version == again.program_version {
        return "The numbers are not those of the file: it was changed after it was measured, or another build of this version \
                measured it."
            .to_owned();
    }
    format!(
        "The numbers differ from those of the file: version {} measured, this is {}.",
        before.program_version, again.program_version
    )
}

/// Reads a measurement file.
///
/// # Errors
/// When it can't be read, or is of a newer program.
pub fn read_measurement(path: &Path) -> Result<Measurement, CommandError> {
    let bad = |what: String, hint: &str| CommandError::new(Exit::BadInput, what).with_hint(hint);
    let text = small_file::text(path, small_file::MEASUREMENT_BYTES).map_err(|error| {
        bad(
            format!("can't read `{}`: {error}", path.display()),
            "check the path; `lobline measure CLIP --out DIR` makes one",
        )
    })?;
    let version = serde_json::from_str::<serde_json::Value>(&text).ok().and_then(|v| v.get("format_version")?.as_u64());
    if version.is_some_and(|version| version > u64::from(FORMAT_VERSION)) {
        return Err(bad(format!("`{}` was written by a newer lobline", path.display()), "update this program"));
    }
    serde_json::from_str(&text).map_err(|error| {
        bad(
            format!("`{}` is not a measurement: {error}", path.display()),
            "give the `measurement.json` of a measured clip",
        )
    })
}
