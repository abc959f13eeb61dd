//! `lobline serve`: the page.

use std::path::PathBuf;

use clap::Args;

use super::output::{CommandError, Console, Exit};
use crate::serve::limits::Limits;
use crate::serve::{ServeError, default_folder, serve_alone};

/// Open the page: measure a clip in the browser, without a command line.
#[derive(Debug, Args)]
pub struct ServeArguments {
    /// Listen on this port; else on a free one.
    #[arg(long, value_name = "N")]
    port: Option<u16>,
    /// Keep clips and results in this folder; else in your data folder.
    #[arg(long, value_name = "DIR")]
    folder: Option<PathBuf>,
    /// Don't open the browser.
    #[arg(long)]
    no_open: bool,
}

/// Serves until it is asked to end.
///
/// # Errors
/// When the folder or the port can't be had.
pub fn run(arguments: &ServeArguments, console: &Console) -> Result<(), CommandError> {
    let folder = arguments.folder.clone().map_or_else(default_folder, Ok).map_err(|error| failed(&error))?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| failed(&ServeError::Stopped(error)))?;
    let served = runtime.block_on(serve_alone(arguments.port, folder.clone(), Limits::default(), |address| {
        console.note("The page is open on this machine only. Clips and results are kept in");
        console.note(format!("{}", folder.display()));
        console.note("Open this address (it lets in whoever has it); Ctrl-C ends the server, nothing is lost:\n");
        console.result(address);
        console.note("\nA launched ball can hurt: eye protection, a clear landing zone, nobody in the line of");
        console.note("flight. Your school's and local rules come first.");
        if !arguments.no_open {
            open_browser(address);
        }
    }));
    // What still computes needn't be waited for: it follows from the files.
    runtime.shutdown_timeout(std::time::Duration::from_secs(1));
    served.map_err(|error| failed(&error))
}

/// Asks the desktop to open the address; without one the printed address does.
fn open_browser(address: &str) {
    let opener = if cfg!(target_os = "macos") {
        "open"
    } else if cfg!(windows) {
        "explorer"
    } else {
        "xdg-open"
    };
    let quiet = std::process::Stdio::null;
    let _ = std::process::Command::new(opener).arg(address).stdin(quiet()).stdout(quiet()).stderr(quiet()).spawn();
}

fn failed(error: &ServeError) -> CommandError {
    CommandError::new(Exit::Environment, error).with_hint(error.hint())
}
