//! The command line: one file a command; parse, call the library, print.
//!
//! Results alone go to stdout; progress, warnings and errors to stderr. This is the only place that prints an error and
//! picks the exit code.

pub mod aim;
pub mod book;
pub mod card;
pub mod class;
pub mod demo;
pub mod forecast;
pub mod lens;
pub mod measure;
pub mod output;
pub mod overlay;
pub mod points;
pub mod refit;
pub mod rig;
pub mod rows;
pub mod serve;
pub mod solve;
pub mod statement;
pub mod worksheet;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use output::{CommandError, Console, Exit};

/// Measures a launched ball from a phone recording.
#[derive(Debug, Parser)]
#[command(name = "lobline", version, about, after_help = EXIT_CODES)]
struct Arguments {
    /// Print results only: no progress, no hints on stderr except errors.
    #[arg(long, global = true)]
    quiet: bool,
    /// Replace files and results that exist; without it they are kept, and the command says so.
    #[arg(long, global = true)]
    overwrite: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Measure(Box<measure::MeasureArguments>),
    Refit(refit::RefitArguments),
    Class(class::ClassOptions),
    Points(points::PointsOptions),
    Overlay(overlay::OverlayArguments),
    Demo(demo::DemoArguments),
    Forecast(forecast::ForecastOptions),
    Aim(Box<aim::AimOptions>),
    Solve(solve::SolveOptions),
    Worksheet(worksheet::WorksheetOptions),
    Book(book::BookArguments),
    Card(card::CardArguments),
    Rig(rig::RigArguments),
    Lens(lens::LensArguments),
    Serve(serve::ServeArguments),
    /// Opens a clip for the page, within limits.
    #[command(name = crate::serve::child::COMMAND, hide = true)]
    OpenClip,
}

/// The table of exit codes, shown under `--help` and in the README.
const EXIT_CODES: &str = "Exit codes:
  0  done
  1  no measurement could be made: no flight found, or too little to go by
  2  wrong use: an argument, a unit or the rig file
  3  an input file can't be read
  4  an output can't be written, or something on this machine is missing";

/// Runs the program with the arguments of the process.
pub fn run() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version are results and go to stdout with exit code 0; clap knows which is which.
            let console = Console::new(false, false);
            if error.use_stderr() {
                console.note(error.render().to_string().trim_end());
                return ExitCode::from(Exit::WrongUse as u8);
            }
            console.result(error.render().to_string().trim_end());
            return exit_code(console.finish(), &console);
        }
    };
    let console = Console::new(arguments.quiet, arguments.overwrite);
    let done = dispatch(arguments.command, &console);
    exit_code(done.and_then(|()| console.finish()), &console)
}

fn exit_code(done: Result<(), CommandError>, console: &Console) -> ExitCode {
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            console.error(&error);
            ExitCode::from(error.exit as u8)
        }
    }
}

fn dispatch(command: Command, console: &Console) -> Result<(), CommandError> {
    match command {
        Command::Measure(arguments) => measure::run(&arguments, console),
        Command::Class(options) => class::run(&options, console),
        Command::Points(options) => points::run(&options, console),
        Command::Refit(arguments) => refit::run(&arguments, console),
        Command::Overlay(arguments) => overlay::run(&arguments, console),
        Command::Demo(arguments) => demo::run(&arguments, console),
        Command::Forecast(options) => forecast::run(&options, console),
        Command::Aim(options) => aim::run(&options, console),
        Command::Solve(options) => solve::run(&options, console),
        Command::Worksheet(options) => worksheet::run(&options, console),
        Command::Book(arguments) => book::run(arguments, console),
        Command::Card(arguments) => card::run(&arguments, console),
        Command::Rig(arguments) => rig::run(&arguments, console),
        Command::Lens(arguments) => lens::run(&arguments, console),
        Command::Serve(arguments) => serve::run(&arguments, console),
        Command::OpenClip => {
            crate::serve::child::work(std::io::stdin(), std::io::stdout());
            Ok(())
        }
    }
}
