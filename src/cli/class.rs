//! `lobline class`: one table of measurements that were made anywhere.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Deserialize;

use super::measure::{Groups, Row, as_json, class_table, prepare_folder, write_tables};
use super::output::{CommandError, Console, Exit};
use crate::measurement::{FORMAT_VERSION, Measurement};
use crate::report::numbers::DecimalMark;
use crate::rig::Rig;

/// Put measurement files together into the table of a class, wherever their clips were measured.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  lobline class results/*/measurement.json --groups groups.csv --out evening")]
pub struct ClassOptions {
    /// Measurement files (`measurement.json`, or what `measure --json` printed), or folders that hold one.
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Whose clip is whose: a CSV file with the columns `clip` and `group`; else the clip's own name stands for its group.
    #[arg(long, value_name = "FILE")]
    groups: Option<PathBuf>,
    /// Write the table into this folder, as `class.csv` and `class.html`.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print one JSON object instead of words.
    #[arg(long)]
    json: bool,
    /// Write numbers with a decimal comma.
    #[arg(long)]
    decimal_comma: bool,
}

/// What `measure --json` prints of several clips.
#[derive(Deserialize)]
struct Document {
    format_version: u32,
    clips: Vec<OfClip>,
}

#[derive(Deserialize)]
struct OfClip {
    path: PathBuf,
    #[serde(default)]
    group: Option<String>,
    measurement: Option<Measurement>,
    error: Option<Refused>,
}

#[derive(Deserialize)]
struct Refused {
    message: String,
    #[serde(default)]
    hint: Option<String>,
}

/// A clip, whose it is, and what came of it.
struct Taken {
    clip: PathBuf,
    group: String,
    result: Result<Measurement, CommandError>,
}

/// Reads, puts together, prints and writes.
///
/// # Errors
/// When a file is no measurement, or the table can't be written.
pub fn run(options: &ClassOptions, console: &Console) -> Result<(), CommandError> {
    let groups = Groups::read(options.groups.as_deref())?;
    if let Some(folder) = &options.out {
        prepare_folder(folder)?;
    }
    let mut taken: Vec<Taken> = Vec::new();
    for file in &options.files {
        for one in read(file, &groups)? {
            match taken.iter().find(|other| same_clip(other, &one)) {
                Some(other) => console.note(format!(
                    "{} is the same clip as {}, and counts once",
                    one.clip.display(),
                    other.clip.display()
                )),
                None => taken.push(one),
            }
        }
    }
    let row = |taken: &'_ Taken| (taken.clip.clone(), taken.group.clone());
    let names: Vec<(PathBuf, String)> = taken.iter().map(row).collect();
    let rows: Vec<Row<'_>> = names
        .iter()
        .zip(taken)
        .map(|((clip, group), taken)| Row { clip, group: group.clone(), rig: Rig::default(), result: taken.result })
        .collect();
    let mark = if options.decimal_comma { DecimalMark::Comma } else { DecimalMark::Point };
    if options.json {
        console.result(as_json(&rows));
    } else {
        console.result(class_table(&rows, mark));
    }
    match &options.out {
        Some(folder) => write_tables(&rows, folder, mark, |path, text| console.write(path, text)),
        None => Ok(()),
    }
}

fn same_clip(first: &Taken, second: &Taken) -> bool {
    let fingerprint = |taken: &Taken| taken.result.as_ref().ok().and_then(|found| found.reading.fingerprint.clone());
    fingerprint(first).is_some_and(|known| fingerprint(second).as_ref() == Some(&known))
}

/// The measurements of a file, or of the one in a folder.
fn read(file: &Path, groups: &Groups) -> Result<Vec<Taken>, CommandError> {
    let file = if file.is_dir() { file.join("measurement.json") } else { file.to_owned() };
    let bad = |what: String| {
        CommandError::new(Exit::BadInput, format!("`{}` isn't a measurement file: {what}", file.display()))
            .with_hint("give a `measurement.json`, or what `lobline measure --json` printed")
    };
    let text = std::fs::read_to_string(&file).map_err(|error| bad(error.to_string()))?;
    let newer =
        |version: u32| (version > FORMAT_VERSION).then(|| bad(format!("a newer lobline wrote it (format {version})")));
    if let Ok(document) = serde_json::from_str::<Document>(&text) {
        return match newer(document.format_version) {
            Some(error) => Err(error),
            None => Ok(document.clips.into_iter().map(|clip| clip.taken(groups)).collect()),
        };
    }
    let measurement: Measurement = serde_json::from_str(&text).map_err(|error| bad(error.to_string()))?;
    if let Some(error) = newer(measurement.format_version) {
        return Err(error);
    }
    let clip = PathBuf::from(&measurement.clip.name);
    Ok(vec![Taken { group: groups.of(&clip), clip, result: Ok(measurement) }])
}

impl OfClip {
    fn taken(self, groups: &Groups) -> Taken {
        let listed = groups.of(&self.path);
        let own = self.path.file_stem().map(|stem| stem.to_string_lossy().into_owned());
        // A list given here goes before the group that stands in the file.
        let group = if own.as_ref() == Some(&listed) { self.group.unwrap_or(listed) } else { listed };
        let refused = |error: Option<Refused>| {
            let Refused { message, hint } = error.unwrap_or(Refused { message: "not measured".to_owned(), hint: None });
            let error = CommandError::new(Exit::NoMeasurement, message);
            match hint {
                Some(hint) => error.with_hint(hint),
                None => error,
            }
        };
        Taken { clip: self.path, group, result: self.measurement.ok_or_else(|| refused(self.error)) }
    }
}
