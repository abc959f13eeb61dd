//! The folder of results.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use crate::cli::output::{CommandError, Console, Exit};
use crate::measure::Outcome;
use crate::report::files::FileError;
use crate::report::outputs::{self, ALWAYS_WRITTEN, OutputError, OutputOptions};

/// Makes the folder before anything is decoded, so that a wrong path is known at once.
///
/// # Errors
/// When the folder can't be made.
pub fn prepare(folder: &Path) -> Result<(), CommandError> {
    std::fs::create_dir_all(folder).map_err(|error| {
        CommandError::new(Exit::Environment, format!("cannot make the folder `{}`: {error}", folder.display()))
            .with_hint("choose another place with `--out`")
    })
}

/// Writes everything about one clip.
///
/// # Errors
/// For the first file that can't be written; those before it are whole.
pub fn write(folder: &Path, outcome: &Outcome, options: &OutputOptions) -> Result<(), CommandError> {
    prepare(folder)?;
    outputs::write(folder, &outcome.measurement, &outcome.strobes, options).map(|_| ()).map_err(|error| {
        let exit = match &error {
            OutputError::File(FileError::AlreadyThere { .. }) => Exit::WrongUse,
            _ => Exit::Environment,
        };
        CommandError::new(exit, &error).with_hint(error.hint())
    })
}

/// Refuses, before anything is measured, a folder in which results stand that would be replaced.
///
/// # Errors
/// For the first file that is there.
pub fn may_fill(folder: &Path, names: &[&str], console: &Console) -> Result<(), CommandError> {
    names.iter().try_for_each(|name| console.may_write(&folder.join(name)))
}

/// As [`may_fill`], for the folder of one clip.
pub fn may_fill_of_one(folder: &Path, console: &Console) -> Result<(), CommandError> {
    may_fill(folder, &ALWAYS_WRITTEN, console)
}

/// Whether a folder was left before its results were whole, so that what stands in it is no result yet.
pub fn is_unfinished(folder: &Path) -> bool {
    !ALWAYS_WRITTEN.last().is_some_and(|whole| folder.join(whole).exists())
}

/// Files of the folder that are about all clips.
pub const OF_ALL: [&str; 2] = ["class.csv", "class.html"];

/// Names of the clips' own folders, in the order of the clips: each name without ending, made harmless, and unlike all others and the
/// files beside it, also where a system takes large and small letters as the same.
pub fn folder_names(clips: &[PathBuf]) -> Vec<String> {
    let mut taken: HashSet<String> = OF_ALL.iter().map(|&name| name.to_owned()).collect();
    let free = |clip: &PathBuf| {
        let stem = safe_stem(clip);
        let numbered = std::iter::once(stem.clone()).chain((2_u64..).map(|number| format!("{stem}-{number}")));
        // Of endless names one is free.
        numbered.into_iter().find(|name| taken.insert(name.to_lowercase())).unwrap_or(stem)
    };
    clips.iter().map(free).collect()
}

/// A clip's name without ending as one folder's name on any system: never `.` or `..`, no separators, no devices, not too long.
fn safe_stem(clip: &Path) -> String {
    /// With a number behind it, it stays below the 255 bytes that file systems take.
    const MOST_LETTERS: usize = 60;
    const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];
    let stem = clip.file_stem().unwrap_or(clip.as_os_str()).to_string_lossy();
    let plain = |c: char| {
        if c.is_control() || "/\\:*?\"<>|".contains(c) || matches!(c, '\u{202a}'..='\u{202e}') { '_' } else { c }
    };
    let name: String = stem.chars().map(plain).take(MOST_LETTERS).collect();
    // What begins with a point is hidden, and Windows drops points and spaces at the end.
    let name = name.trim_start_matches(['.', ' ']).trim_end_matches(['.', ' ']);
    let lower = name.to_lowercase();
    let numbered_device = |kind: &str| {
        lower.strip_prefix(kind).is_some_and(|rest| rest.len() == 1 && rest.bytes().all(|b| b.is_ascii_digit()))
    };
    if name.is_empty() || DEVICES.contains(&lower.as_str()) || numbered_device("com") || numbered_device("lpt") {
        return format!("clip {name}").trim_end().to_owned();
    }
    name.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(clips: &[&str]) -> Vec<String> {
        folder_names(&clips.iter().map(PathBuf::from).collect::<Vec<_>>())
    }

    #[test]
    fn clips_of_one_name_get_folders_of_their_own() {
        assert_eq!(names(&["a/shot.mp4", "b/shot.mp4", "c/SHOT.mov"]), ["shot", "shot-2", "SHOT-3"]);
        assert_eq!(names(&["shot.mp4", "shot-2.mp4", "b/shot.mp4"]), ["shot", "shot-2", "shot-3"]);
        assert_eq!(names(&["b/shot.mp4", "shot.mp4", "shot-2.mp4"]), ["shot", "shot-2", "shot-2-2"]);
    }

    #[test]
    fn no_name_leads_outside_or_onto_another_file() {
        let hostile = [
            "...mov",
            "..mov",
            "....mov",
            ".mov",
            "class.csv.mov",
            "Class.HTML.mov",
            "a\\..\\b.mov",
            "con.mov",
            "lpt1.mov",
            "x .mov",
            "\u{1b}[31m.mov",
            "..",
        ];
        let names = names(&hostile);
        let mut seen = HashSet::new();
        for name in &names {
            let mut parts = Path::new(name).components();
            assert!(matches!((parts.next(), parts.next()), (Some(std::path::Component::Normal(_)), None)), "{name:?}");
            assert!(!name.starts_with('.') && !name.contains(char::is_control) && !name.contains('\\'), "{name:?}");
            assert!(seen.insert(name.to_lowercase()) && !OF_ALL.contains(&name.to_lowercase().as_str()), "{name:?}");
        }
        let long = format!("{}.mov", "ü".repeat(200));
        assert!(folder_names(&[PathBuf::from(&long), PathBuf::from(&long)]).iter().all(|name| name.len() < 255));
    }
}
