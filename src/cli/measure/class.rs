//! Many clips at once: the evening after a lesson.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use clap::Args;
use serde::Deserialize;

use super::{MeasureArguments, outputs, record, words};
use crate::cli::output::{CommandError, Console, Exit};
use crate::clip::fingerprint_of;
use crate::measure::Settings;
use crate::measurement::Measurement;
use crate::report::class;
use crate::report::files::write_atomically;
use crate::small_file::{self, MEASUREMENT_BYTES, NOTES_BYTES};

/// Who shot which clip, and how the work is done.
#[derive(Debug, Args)]
#[command(next_help_heading = "Many clips")]
pub struct ClassArguments {
    /// Whose clip is whose: a CSV file with the columns `clip` and `group`; else each clip's own name stands for its group.
    #[arg(long, value_name = "FILE")]
    groups: Option<PathBuf>,
    /// Go on with what stands under `--out`: clips with the same results as before are left out, the tables made anew.
    #[arg(long, requires = "out")]
    resume: bool,
    /// Measure so many clips at a time.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=64))]
    jobs: u16,
}

/// Letters of a group's name: more fit no table and no label.
const LONGEST_GROUP: usize = 80;

/// What came of one clip.
pub type Measured = Result<Measurement, CommandError>;

/// A clip, whose it is, and what came of it.
pub struct Row<'a> {
    pub clip: &'a Path,
    pub group: String,
    pub result: Measured,
}

impl ClassArguments {
    /// Groups by the clip's file name.
    fn names(&self) -> Result<BTreeMap<String, String>, CommandError> {
        let Some(path) = &self.groups else { return Ok(BTreeMap::new()) };
        let bad = |what: String| {
            CommandError::new(Exit::BadInput, format!("the groups in `{}` can't be read: {what}", path.display()))
                .with_hint("its first line is `clip,group`, then a line for each clip, such as `IMG_2041.mp4,Table 3`")
        };
        let text = small_file::text(path, NOTES_BYTES).map_err(|error| bad(error.to_string()))?;
        groups_of(&text).map_err(bad)
    }
}

/// Groups by the clip's file name, from the text of a table; or what is wrong with it.
fn groups_of(text: &str) -> Result<BTreeMap<String, String>, String> {
    // Spreadsheets of countries with a decimal comma write semicolons.
    let head = text.lines().next().unwrap_or_default();
    let delimiter = if head.contains(';') { b';' } else { b',' };
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).trim(csv::Trim::All).from_reader(text.as_bytes());
    let named = |line: Line| match line.group.chars().count() {
        letters if letters > LONGEST_GROUP => {
            Err(format!("the group of `{}` has {letters} letters, and a name may have {LONGEST_GROUP}", line.clip))
        }
        _ => Ok((file_name(Path::new(&line.clip)), line.group)),
    };
    reader.deserialize::<Line>().map(|line| named(line.map_err(|error| error.to_string())?)).collect()
}

#[derive(Deserialize)]
struct Line {
    clip: String,
    group: String,
}

fn file_name(clip: &Path) -> String {
    clip.file_name().unwrap_or(clip.as_os_str()).to_string_lossy().into_owned()
}

/// Refuses, before anything is measured, to replace results that stand under `--out`. With `--resume` they are gone on with.
///
/// # Errors
/// For the first file that is there.
pub fn may_write(clips: &[PathBuf], arguments: &MeasureArguments, console: &Console) -> Result<(), CommandError> {
    let Some(out) = arguments.out.as_ref().filter(|_| !arguments.class.resume) else { return Ok(()) };
    outputs::may_fill(out, &outputs::OF_ALL, console)?;
    outputs::folder_names(clips).iter().try_for_each(|name| outputs::may_fill_of_one(&out.join(name), console))
}

/// Measures the clips, several at a time when that was asked for, and says each one's result as it comes; the rows in the order
/// of the clips.
///
/// # Errors
/// When the groups can't be read. What is wrong with a clip stands in its row.
pub fn measure_all<'a>(
    clips: &'a [PathBuf],
    arguments: &MeasureArguments,
    settings: &Settings,
    console: &Console,
) -> Result<Vec<Row<'a>>, CommandError> {
    let names = arguments.class.names()?;
    let folders = outputs::folder_names(clips);
    let next = AtomicUsize::new(0);
    let results: Mutex<Vec<Option<Measured>>> = Mutex::new(clips.iter().map(|_| None).collect());
    // A spinner a thread would overwrite each other.
    let console_of_one = if arguments.class.jobs == 1 { *console } else { console.without_progress() };
    let work = || {
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let (Some(clip), Some(folder)) = (clips.get(place), folders.get(place)) else { break };
            let result = one_of_many(clip, folder, arguments, settings, &console_of_one);
            if !arguments.json {
                console.result(words::line(clip, &result, arguments.decimal_mark()));
            }
            results.lock().unwrap_or_else(std::sync::PoisonError::into_inner)[place] = Some(result);
        }
    };
    std::thread::scope(|scope| (0..arguments.class.jobs).for_each(|_| _ = scope.spawn(work)));
    let results = results.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    let group = |clip: &Path| {
        let own = clip.file_stem().unwrap_or(clip.as_os_str()).to_string_lossy().into_owned();
        names.get(&file_name(clip)).cloned().unwrap_or(own)
    };
    let row = |(clip, result): (&'a PathBuf, Option<Measured>)| Some(Row { clip, group: group(clip), result: result? });
    Ok(clips.iter().zip(results).filter_map(row).collect())
}

fn one_of_many(
    clip: &Path,
    folder: &str,
    arguments: &MeasureArguments,
    settings: &Settings,
    console: &Console,
) -> Measured {
    let folder = arguments.out.as_ref().map(|out| out.join(folder));
    let mut options = arguments.output_options(clip, console);
    if let Some(folder) = folder.as_deref().filter(|_| arguments.class.resume) {
        if let Some(measurement) = already_measured(folder, clip, settings) {
            return Ok(measurement);
        }
        // What an interrupted run left is no result; one of another clip or rig is kept unless the word is given.
        options.keep_existing &= !outputs::is_unfinished(folder);
        if options.keep_existing {
            outputs::may_fill_of_one(folder, console)?;
        }
    }
    let outcome = super::measured_and_compared(clip, arguments, settings, console)?;
    if let Some(folder) = folder {
        outputs::write(&folder, &outcome, &options)?;
    }
    Ok(outcome.measurement)
}

/// The measurement that stands in the folder, if it is of this very clip, this rig and this version of the program. The outputs
/// write it last: where it stands, all stand.
fn already_measured(folder: &Path, clip: &Path, settings: &Settings) -> Option<Measurement> {
    let text = small_file::text(&folder.join("measurement.json"), MEASUREMENT_BYTES).ok()?;
    let measurement: Measurement = serde_json::from_str(&text).ok()?;
    let same_clip =
        measurement.reading.fingerprint.is_some() && measurement.reading.fingerprint == fingerprint_of(clip);
    let same_rig = measurement.basis.as_ref().is_some_and(|basis| basis.rig == settings.rig);
    (same_clip && same_rig && measurement.program_version == env!("CARGO_PKG_VERSION")).then_some(measurement)
}

/// Records what was measured, one row after the other so that the book's numbers follow the clips, and writes the table: for a
/// spreadsheet, and with the graph as a web page.
///
/// # Errors
/// When the book or the table's file refuses.
pub fn keep(
    rows: &[Row<'_>],
    arguments: &MeasureArguments,
    settings: &Settings,
    console: &Console,
) -> Result<(), CommandError> {
    if let Some(mut recorder) = arguments.record.recorder(&arguments.shots_of, &settings.rig)? {
        for row in rows {
            if let Ok(measurement) = &row.result {
                record::report(&recorder.record(row.clip, measurement)?, console);
            }
        }
    }
    let Some(out) = &arguments.out else { return Ok(()) };
    let (lines, mark) = (words::class_lines(rows), arguments.decimal_mark());
    let texts = [class::csv(&lines, mark), class::html(&lines, mark)];
    for (name, text) in outputs::OF_ALL.iter().zip(texts) {
        // Made of what stands in the folders, so that going on with them replaces the tables.
        if arguments.class.resume {
            write_atomically(&out.join(name), text.as_bytes())?;
        } else {
            console.write(&out.join(name), text.as_bytes())?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fuzz_groups() {
        crate::fuzz::fuzz("groups", Vec::new(), |bytes| {
            let Ok(text) = std::str::from_utf8(bytes) else { return };
            match groups_of(text) {
                Ok(groups) => assert!(groups.values().all(|group| group.chars().count() <= LONGEST_GROUP)),
                Err(what) => assert!(!what.is_empty()),
            }
        });
    }
}
