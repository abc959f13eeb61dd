//! `lobline serve`: the page, for one on this machine or for a class.

use std::io::{BufRead, IsTerminal, Write};
use std::net::Ipv4Addr;
use std::path::PathBuf;

use clap::Args;

use super::output::{CommandError, Console, Exit};
use crate::book::default_book;
use crate::serve::class::address::{self, Own};
use crate::serve::class::{self, ClassOptions, Opened, serve_class};
use crate::serve::limits::Limits;
use crate::serve::{ServeError, default_folder, serve_alone};

/// Open the page: measure a clip in the browser, without a command line.
#[derive(Debug, Args)]
pub struct ServeArguments {
    /// Let a class in: groups join from their phones with a short code, and you see all of them
    #[arg(long)]
    class: bool,
    /// By which of this machine's addresses the class may reach it; without it you are asked
    #[arg(long, value_name = "ADDRESS", requires = "class")]
    address: Option<Ipv4Addr>,
    /// Encrypt what the class sends, with a certificate of lobline's own making; phones will warn once
    #[arg(long, requires = "class")]
    tls: bool,
    /// The shot book's file for a class; else the one in your data folder
    #[arg(long, value_name = "FILE", requires = "class")]
    book: Option<PathBuf>,
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
/// When the folder or the port can't be had, or it isn't said whom to let in.
pub fn run(arguments: &ServeArguments, console: &Console) -> Result<(), CommandError> {
    enough_file_handles()?;
    let usual = if arguments.class { class::default_folder } else { default_folder };
    let folder = arguments.folder.clone().map_or_else(usual, Ok).map_err(|error| failed(&error))?;
    let options = if arguments.class { Some(class_options(arguments, folder.clone())?) } else { None };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| failed(&ServeError::Stopped(error)))?;
    let served = match options {
        Some(options) => runtime.block_on(serve_class(options, |opened| {
            class_is_open(opened, &folder, console);
            if !arguments.no_open {
                open_browser(&opened.teacher);
            }
        })),
        None => runtime.block_on(serve_alone(arguments.port, folder.clone(), Limits::default(), |address, notes| {
            notes.iter().for_each(|said| console.note(format!("note: {said}\n")));
            page_is_open(address, &folder, console);
            if !arguments.no_open {
                open_browser(address);
            }
        })),
    };
    // What still computes needn't be waited for: it follows from the files.
    runtime.shutdown_timeout(std::time::Duration::from_secs(1));
    served.map_err(|error| failed(&error))
}

/// A server needs some files and connections at a time; what is under it doesn't say so, but stops in the middle.
fn enough_file_handles() -> Result<(), CommandError> {
    const FEWEST: usize = 40;
    let program = std::env::current_exe().map_err(|error| failed(&ServeError::Stopped(error)))?;
    let open = (0..FEWEST).map(|_| std::fs::File::open(&program)).collect::<Result<Vec<_>, _>>();
    open.map(drop).map_err(|error| {
        CommandError::new(Exit::Environment, format!("too few files may be open at a time: {error}"))
            .with_hint("allow more, as with `ulimit -n 1024`, and start it again")
    })
}

fn page_is_open(address: &str, folder: &std::path::Path, console: &Console) {
    console.note("The page is open on this machine only. Clips and results are kept in");
    console.note(format!("{}", folder.display()));
    console.note("Open this address (it lets in whoever has it). Ctrl-C ends the server; nothing");
    console.note("is lost.\n");
    console.result(address);
    caution(console);
}

fn caution(console: &Console) {
    console.note("\nA launched ball can hurt: eye protection, a clear landing zone, nobody in the line");
    console.note("of flight. Your school's and local rules come first.");
}

fn class_options(arguments: &ServeArguments, folder: PathBuf) -> Result<ClassOptions, CommandError> {
    let book = arguments.book.clone().map_or_else(default_book, Ok).map_err(super::book::failed)?;
    let address = match arguments.address {
        Some(address) => address,
        None => asked_address()?,
    };
    Ok(ClassOptions { address, port: arguments.port, folder, limits: Limits::default(), tls: arguments.tls, book })
}

/// Nobody is let in who wasn't meant to be: which network may come is asked, and without a terminal it must be said.
fn asked_address() -> Result<Ipv4Addr, CommandError> {
    let own = address::own().map_err(|error| failed(&ServeError::Stopped(error)))?;
    if own.is_empty() {
        let message = "this machine is in no network that a class could come by";
        return Err(CommandError::new(Exit::Environment, message).with_hint("join the class's Wi-Fi first"));
    }
    let list = || own.iter().enumerate().map(|(i, own)| format!("  {}  {} ({})", i + 1, own.address, own.card));
    if !(std::io::stdin().is_terminal() && std::io::stderr().is_terminal()) {
        return Err(CommandError::new(Exit::WrongUse, "it isn't said by which address the class may come")
            .with_hint(format!("give one of these with `--address`:\n{}", list().collect::<Vec<_>>().join("\n"))));
    }
    let mut stderr = std::io::stderr().lock();
    let _ = writeln!(stderr, "Whoever is in the same network as this machine will reach the page, and come in");
    let _ = writeln!(stderr, "with the code.");
    let _ = writeln!(stderr, "By which of its addresses may the class come?\n");
    list().for_each(|line| _ = writeln!(stderr, "{line}"));
    let _ = write!(stderr, "\nIts number, or nothing to stop: ");
    let _ = stderr.flush();
    let mut typed = String::new();
    let _ = std::io::stdin().lock().read_line(&mut typed);
    chosen(&own, &typed).ok_or_else(|| {
        CommandError::new(Exit::WrongUse, "no address was chosen, so nobody was let in")
            .with_hint("start again and type one of the numbers, or give the address with `--address`")
    })
}

fn chosen(own: &[Own], typed: &str) -> Option<Ipv4Addr> {
    let number: usize = typed.trim().parse().ok()?;
    Some(own.get(number.checked_sub(1)?)?.address)
}

fn class_is_open(opened: &Opened, folder: &std::path::Path, console: &Console) {
    opened.notes.iter().for_each(|said| console.note(format!("note: {said}\n")));
    let (first, second) = opened.code.split_at(opened.code.len() / 2);
    console.note("The class is open. Whoever is in this network and has the code can send clips;");
    console.note("nobody sees another group's. Clips and results are kept in");
    console.note(format!("{}\n", folder.display()));
    console.drawn_note(qr_for(&opened.qr, std::io::stderr().is_terminal()));
    console.note("Groups scan this with the phone's camera, or open the address and type the code.\n");
    console.result(format!("join     {}", opened.join));
    console.result(format!("code     {first} {second}"));
    console.result(format!("teacher  {}", opened.teacher));
    console.note("\nThe teacher's address works on this machine only. It opens everything: don't show");
    console.note("it.");
    match &opened.fingerprint {
        Some(fingerprint) => {
            console.note("\nEncrypted, with a certificate that lobline made itself: no authority vouches for");
            console.note("it, so each phone warns once. Go on only if the fingerprint (SHA-256) that it shows");
            console.note("is this one:\n");
            fingerprint_lines(fingerprint).iter().for_each(|line| console.note(line));
        }
        None => {
            console.note("\nNot encrypted: others in this network could read along. With `--tls` they can't,");
            console.note("and each phone warns once.");
        }
    }
    caution(console);
    console.note("Ctrl-C ends the server; nothing is lost.");
}

/// 32 pairs of digits in two lines that fit the terminal.
fn fingerprint_lines(fingerprint: &str) -> Vec<String> {
    let pairs: Vec<&str> = fingerprint.split(':').collect();
    pairs.chunks(16).map(|half| format!("  {}", half.join(":"))).collect()
}

/// Dark on light, whatever the terminal's colours are: cameras read it best so.
fn qr_for(qr: &str, colours: bool) -> String {
    if !colours {
        return qr.to_owned();
    }
    qr.lines().map(|line| format!("\x1b[30;107m{line}\x1b[0m")).collect::<Vec<_>>().join("\n")
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
    let exit = if matches!(error, ServeError::Address { .. }) { Exit::WrongUse } else { Exit::Environment };
    CommandError::new(exit, error).with_hint(error.hint())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_number_of_the_list_lets_anybody_in() {
        let own = [Own { card: "wlan0".into(), address: Ipv4Addr::new(192, 0, 2, 7) }];
        assert_eq!(chosen(&own, "1\n"), Some(own[0].address));
        for typed in ["", "\n", "0", "2", "y", "192.0.2.7", "-1"] {
            assert_eq!(chosen(&own, typed), None, "{typed}");
        }
    }
}
