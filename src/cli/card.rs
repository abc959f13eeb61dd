//! `lobline card`: the scale card, ready to print.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::output::{CommandError, Console, Exit};
use crate::camera::card::sheet::{Paper, SheetError, Typeface, pdf};
use crate::camera::card::{BAR_M, CardKind, CardName};
use crate::report::fonts::Face;

/// Write scale cards as a PDF: print one, hang it where the ball flies, and no length needs to be marked.
#[derive(Debug, Args)]
pub struct CardArguments {
    /// How many cards, each with its own number, a page each. Two at the ends of the flight are better than one.
    #[arg(long, default_value_t = 1, value_name = "N")]
    count: usize,
    /// Number of the first card.
    #[arg(long, default_value_t = 1, value_name = "N")]
    first: usize,
    /// One mark of 160 mm a page instead of four of 80 mm: for cameras more than 6 m away.
    #[arg(long)]
    large: bool,
    /// Paper to print on.
    #[arg(long, value_enum, default_value_t = PaperName::A4)]
    paper: PaperName,
    /// Where to write the PDF; else `scale-card.pdf` here, or with a number where that exists.
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum PaperName {
    A4,
    Letter,
}

/// Writes the pages.
pub fn run(arguments: &CardArguments, console: &Console) -> Result<(), CommandError> {
    let kind = if arguments.large { CardKind::Sheet } else { CardKind::Card };
    let paper = match arguments.paper {
        PaperName::A4 => Paper::A4,
        PaperName::Letter => Paper::Letter,
    };
    if arguments.count == 0 {
        return Err(CommandError::new(Exit::WrongUse, "`--count` must be at least 1"));
    }
    // The first number beyond the set ends the list: pages are refused by number, and nobody waits for a billion.
    let numbers = (0..arguments.count.min(100)).map(|i| arguments.first.saturating_add(i));
    let cards: Vec<CardName> = numbers.map(|number| CardName { kind, number }).collect();
    let typeface = Typeface { regular: Face::Regular.bytes(), bold: Face::Bold.bytes() };
    let bytes = pdf(&cards, paper, typeface).map_err(|error| {
        let exit = if matches!(error, SheetError::NoSuchCard(_)) { Exit::WrongUse } else { Exit::Environment };
        CommandError::new(exit, &error).with_hint(error.hint())
    })?;
    let output = arguments.output.clone().unwrap_or_else(|| console.free_place("scale-card.pdf".as_ref()));
    console.write(&output, &bytes)?;
    console.result(output.display());
    console.note(format!(
        "\nPrint at 100 %, then measure the bar: it must be {:.1} mm. If it isn't, write what it measures as\n\
         measured_bar under [card] in the rig.",
        BAR_M * 1000.0
    ));
    Ok(())
}
