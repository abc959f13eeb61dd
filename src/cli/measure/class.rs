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
use crate::report::numbers::DecimalMark;
use crate::rig::Rig;
use crate::small_file::{self, MEASUREMENT_BYTES, NOTES_BYTES};

/// Who shot which clip, and how the work is done.
#[derive(Debug, Args)]
#[command(next_help_heading = "Many clips")]
pub struct ClassArguments {
    /// Whose clip is whose: a CSV file with the columns `clip` and `group`, and where rigs differ `rig`, a rig file for that clip; else
    /// each clip's own name stands for its group. A rig file beside a clip, `shot.rig.toml` for `shot.mp4`, is that clip's own as
    /// well. What it doesn't state comes from `--rig`, part by part.
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
    /// What is known of its set-up.
    pub rig: Rig,
    pub result: Measured,
}

/// Groups and rigs by the clip's file name.
#[derive(Debug, Default)]
pub struct Groups {
    names: BTreeMap<String, String>,
    rigs: BTreeMap<String, PathBuf>,
}

impl Groups {
    /// Whose clip it is: by the list, else the clip's own name.
    pub fn of(&self, clip: &Path) -> String {
        let own = clip.file_stem().unwrap_or(clip.as_os_str()).to_string_lossy().into_owned();
        self.names.get(&file_name(clip)).cloned().unwrap_or(own)
    }

    /// The clip's own rig file: by the list, else the one beside the clip.
    fn rig_file(&self, clip: &Path) -> Option<PathBuf> {
        let listed = self.rigs.get(&file_name(clip)).cloned();
        listed.or_else(|| Some(clip.with_extension("rig.toml")).filter(|beside| beside.is_file()))
    }

    /// Reads a list; `None` is an empty one.
    ///
    /// # Errors
    /// When it can't be read.
    pub fn read(path: Option<&Path>) -> Result<Self, CommandError> {
        let Some(path) = path else { return Ok(Self::default()) };
        let bad = |what: String| {
            CommandError::new(Exit::BadInput, format!("the groups in `{}` can't be read: {what}", path.display()))
                .with_hint("its first line is `clip,group`, then a line for each clip, such as `IMG_2041.mp4,Table 3`")
        };
        let text = small_file::text(path, NOTES_BYTES).map_err(|error| bad(error.to_string()))?;
        let mut groups = groups_of(&text).map_err(bad)?;
        // A rig is named as seen from the list.
        let beside = path.parent().unwrap_or(Path::new(""));
        groups.rigs.values_mut().for_each(|rig| *rig = beside.join(&*rig));
        Ok(groups)
    }
}

impl ClassArguments {
    /// # Errors
    /// When the list can't be read.
    pub fn groups(&self) -> Result<Groups, CommandError> {
        Groups::read(self.groups.as_deref())
    }

    /// The list's file, as it was typed.
    pub fn groups_file(&self) -> Option<String> {
        self.groups.as_ref().map(|path| path.display().to_string())
    }
}

impl MeasureArguments {
    /// The settings of one clip: with its own rig where it has one.
    ///
    /// # Errors
    /// When that rig can't be read.
    pub fn settings_of(&self, clip: &Path, groups: &Groups, common: &Settings) -> Result<Settings, CommandError> {
        let Some(file) = groups.rig_file(clip) else { return Ok(common.clone()) };
        let own = Rig::read(&file).map_err(|error| {
            CommandError::new(Exit::WrongUse, format!("the rig of `{}`: {error}", clip.display()))
                .with_hint(error.hint())
        })?;
        Ok(Settings { rig: self.with_scale(own.over(&common.rig))?, ..common.clone() })
    }
}

/// Groups and rigs by the clip's file name, from the text of a table; or what is wrong with it.
fn groups_of(text: &str) -> Result<Groups, String> {
    // Spreadsheets of countries with a decimal comma write semicolons.
    let head = text.lines().next().unwrap_or_default();
    let delimiter = if head.contains(';') { b';' } else { b',' };
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).trim(csv::Trim::All).from_reader(text.as_bytes());
    let mut groups = Groups::default();
    for line in reader.deserialize::<Line>() {
        let line = line.map_err(|error| error.to_string())?;
        let letters = line.group.chars().count();
        if letters > LONGEST_GROUP {
            return Err(format!(
                "the group of `{}` has {letters} letters, and a name may have {LONGEST_GROUP}",
                line.clip
            ));
        }
        let clip = file_name(Path::new(&line.clip));
        groups.rigs.extend(line.rig.filter(|rig| !rig.is_empty()).map(|rig| (clip.clone(), PathBuf::from(rig))));
        groups.names.insert(clip, line.group);
    }
    Ok(groups)
}

#[derive(Deserialize)]
struct Line {
    clip: String,
    group: String,
    #[serde(default)]
    rig: Option<String>,
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

/// Measures the clips, each with its own settings, several at a time when that was asked for, and says each one's result as it comes;
/// the rows in the order of the clips.
///
/// # Errors
/// When the groups can't be read. What is wrong with a clip stands in its row.
pub fn measure_all<'a>(
    clips: &'a [PathBuf],
    arguments: &MeasureArguments,
    settings: &[Settings],
    groups: &Groups,
    console: &Console,
) -> Result<Vec<Row<'a>>, CommandError> {
    let folders = outputs::folder_names(clips);
    let next = AtomicUsize::new(0);
    let results: Mutex<Vec<Option<Measured>>> = Mutex::new(clips.iter().map(|_| None).collect());
    // A spinner a thread would overwrite each other.
    let console_of_one = if arguments.class.jobs == 1 { *console } else { console.without_progress() };
    let work = || {
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let (Some(clip), Some(folder)) = (clips.get(place), folders.get(place)) else { break };
            let result = one_of_many(clip, folder, arguments, &settings[place], &console_of_one);
            if !arguments.json {
                console.result(words::line(clip, &result, arguments.decimal_mark()));
            }
            results.lock().unwrap_or_else(std::sync::PoisonError::into_inner)[place] = Some(result);
        }
    };
    std::thread::scope(|scope| (0..arguments.class.jobs).for_each(|_| _ = scope.spawn(work)));
    let results = results.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    let row = |((clip, result), settings): ((&'a PathBuf, Option<Measured>), &Settings)| {
        Some(Row { clip, group: groups.of(clip), rig: settings.rig.clone(), result: result? })
    };
    Ok(clips.iter().zip(results).zip(settings).filter_map(row).collect())
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
pub fn keep(rows: &[Row<'_>], arguments: &MeasureArguments, console: &Console) -> Result<(), CommandError> {
    for row in rows {
        let Ok(measurement) = &row.result else { continue };
        // Each rig may name another launcher.
        if let Some(mut recorder) = arguments.record.recorder(&arguments.shots_of, &row.rig)? {
            record::report(&recorder.record(row.clip, measurement)?, console);
        }
    }
    match &arguments.out {
        // Made of what stands in the folders, so that going on with them replaces the tables.
        Some(out) if arguments.class.resume => {
            write_tables(rows, out, arguments.decimal_mark(), |path, text| Ok(write_atomically(path, text)?))
        }
        Some(out) => write_tables(rows, out, arguments.decimal_mark(), |path, text| console.write(path, text)),
        None => Ok(()),
    }
}

/// The table of a class: for a spreadsheet, and with the graph as a web page.
///
/// # Errors
/// When a file refuses.
pub fn write_tables(
    rows: &[Row<'_>],
    out: &Path,
    mark: DecimalMark,
    write: impl Fn(&Path, &[u8]) -> Result<(), CommandError>,
) -> Result<(), CommandError> {
    let lines = words::class_lines(rows);
    let texts = [class::csv(&lines, mark), class::html(&lines, mark)];
    for (name, text) in outputs::OF_ALL.iter().zip(texts) {
        write(&out.join(name), text.as_bytes())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(clap::Parser)]
    struct Typed {
        #[command(flatten)]
        measure: MeasureArguments,
    }

    fn settings(folder: &Path, clip: &str) -> Settings {
        let place = |name: &str| folder.join(name).display().to_string();
        let typed = ["lobline", &place(clip), "--rig", &place("common.toml"), "--groups", &place("groups.csv")];
        let arguments = <Typed as clap::Parser>::parse_from(typed).measure;
        let (groups, common) = (arguments.class.groups().unwrap(), arguments.settings().unwrap());
        arguments.settings_of(&folder.join(clip), &groups, &common).unwrap()
    }

    #[test]
    fn a_clips_own_rig_goes_before_the_common_one_part_by_part() {
        let folder = tempfile::tempdir().unwrap();
        let files = [
            ("common.toml", "[ball]\ndiameter = '70 mm'\n[camera]\ndistance = '3 m'\n"),
            ("beside.rig.toml", "[camera]\ndistance = '4 m'\n"),
            ("third.toml", "[camera]\nyaw = '5 deg'\n"),
            ("groups.csv", "clip,group,rig\nbeside.mp4,A,\nlisted.mp4,B,third.toml\n"),
        ];
        for (name, text) in files {
            std::fs::write(folder.path().join(name), text).unwrap();
        }
        let of = |clip: &str| {
            let rig = settings(folder.path(), clip).rig;
            let metres = |length: Option<crate::rig::StatedLength>| length.map(|length| length.length.metres());
            (metres(rig.ball.diameter), metres(rig.camera.distance), rig.camera.yaw_deg.map(|yaw| yaw.value))
        };
        assert_eq!(of("plain.mp4"), (Some(0.07), Some(3.0), None));
        assert_eq!(of("beside.mp4"), (Some(0.07), Some(4.0), None));
        assert_eq!(of("listed.mp4"), (Some(0.07), None, Some(5.0)));
    }

    #[test]
    fn fuzz_groups() {
        crate::fuzz::fuzz("groups", Vec::new(), |bytes| {
            let Ok(text) = std::str::from_utf8(bytes) else { return };
            match groups_of(text) {
                Ok(groups) => assert!(groups.names.values().all(|group| group.chars().count() <= LONGEST_GROUP)),
                Err(what) => assert!(!what.is_empty()),
            }
        });
    }
}
