//! The folder of results.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use crate::cli::output::{CommandError, Exit};
use crate::measure::Outcome;
use crate::report::outputs::{self, OutputOptions};

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
    outputs::write(folder, &outcome.measurement, &outcome.strobes, options)
        .map(|_| ())
        .map_err(|error| CommandError::new(Exit::Environment, &error).with_hint(error.hint()))
}

/// Name of a clip's own folder: its name without ending, made unlike those of clips of the same name before it.
pub fn folder_name(clip: &Path, clips: &[PathBuf]) -> OsString {
    let stem = |path: &Path| path.file_stem().unwrap_or(path.as_os_str()).to_owned();
    let mut name = stem(clip);
    let same = clips.iter().take_while(|other| other.as_path() != clip).filter(|other| stem(other) == name).count();
    if same > 0 {
        name.push(format!("-{}", same + 1));
    }
    name
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clips_of_one_name_get_folders_of_their_own() {
        let clips = [PathBuf::from("a/shot.mp4"), PathBuf::from("b/shot.mp4")];
        assert_eq!(folder_name(&clips[0], &clips), "shot");
        assert_eq!(folder_name(&clips[1], &clips), "shot-2");
    }
}
