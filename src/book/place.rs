//! Where the book lies when nobody says.

use std::ffi::OsString;
use std::path::PathBuf;

use super::error::BookError;

/// File name of the book in the user's data folder.
const FILE: &str = "shots.sqlite";

/// The book in the user's data folder: `$XDG_DATA_HOME/lobline/shots.sqlite` or `~/.local/share/lobline/shots.sqlite`;
/// `~/Library/Application Support` on macOS and `%APPDATA%` on Windows.
///
/// # Errors
/// [`BookError::NoDataFolder`] when the environment names no such folder.
pub fn default_book() -> Result<PathBuf, BookError> {
    data_folder(|name| std::env::var_os(name)).map(|folder| folder.join("lobline").join(FILE))
}

fn data_folder(variable: impl Fn(&str) -> Option<OsString>) -> Result<PathBuf, BookError> {
    // A relative XDG_DATA_HOME is invalid by the XDG base directory specification and is ignored.
    let absolute = |name: &str| variable(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let platform = if cfg!(windows) {
        absolute("APPDATA")
    } else if cfg!(target_os = "macos") {
        absolute("HOME").map(|home| home.join("Library").join("Application Support"))
    } else {
        absolute("HOME").map(|home| home.join(".local").join("share"))
    };
    absolute("XDG_DATA_HOME").or(platform).ok_or(BookError::NoDataFolder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(target_os = "linux")]
    #[test]
    fn the_data_folder_follows_the_base_directory_specification() {
        let folder = |variables: &'static [(&str, &str)]| {
            data_folder(move |name| variables.iter().find(|(known, _)| *known == name).map(|(_, value)| value.into()))
                .ok()
        };
        assert_eq!(folder(&[("XDG_DATA_HOME", "/data"), ("HOME", "/home/t")]), Some("/data".into()));
        assert_eq!(folder(&[("XDG_DATA_HOME", "data"), ("HOME", "/home/t")]), Some("/home/t/.local/share".into()));
        assert_eq!(folder(&[("HOME", "/home/t")]), Some("/home/t/.local/share".into()));
        assert_eq!(folder(&[]), None);
    }
}
