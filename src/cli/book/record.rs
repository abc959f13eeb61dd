//! Recording: typed readings and files of readings.

use std::io::BufRead;
use std::path::PathBuf;

use clap::Args;
use jiff::{Timestamp, ZonedDateTime, tz::TimeZone};

use super::failure::failed;
use super::{Place, SettingArguments};
use crate::book::{Added, Book, BookError, GateDefaults, Outcome, Reading, ShotRecord, Source, read_speed, read_time};
use crate::cli::output::{CommandError, Console, Exit};
use crate::cli::statement::TargetOptions;

#[derive(Debug, Args)]
pub(super) struct AddArguments {
    /// Speeds with their unit, such as "4.02 m/s" or "4.02 ± 0.03 m/s", and `hit` or `miss` behind it where somebody aimed:
    /// "4.02 m/s hit"; `-` reads them line by line from stdin and records
    /// each at once.
    #[arg(required = true, value_name = "SPEED")]
    speeds: Vec<String>,
    /// The launcher.
    #[arg(long)]
    launcher: String,
    /// The session; without it, today's date.
    #[arg(long)]
    session: Option<String>,
    #[command(flatten)]
    setting: SettingArguments,
    #[command(flatten)]
    target: TargetOptions,
    /// Unit of speeds that are written without one: m/s, cm/s or km/h.
    #[arg(long)]
    unit: Option<String>,
    /// Standard uncertainty that all readings of this gate share, such as "0.02 m/s".
    #[arg(long, value_name = "SPEED")]
    shared_uncertainty: Option<String>,
    /// Name of the gate.
    #[arg(long)]
    rig: Option<String>,
    /// When: RFC 3339, or date and time of day here. Without it, now.
    #[arg(long)]
    time: Option<String>,
    /// A note.
    #[arg(long)]
    note: Option<String>,
    /// The speeds are from another record, not from a gate.
    #[arg(long)]
    imported: bool,
    /// Record speeds beyond what launchers give as well: they are meant.
    #[arg(long)]
    confirm: bool,
}

#[derive(Debug, Args)]
pub(super) struct GateArguments {
    /// The CSV file. Its first line names the columns with their units: `speed / m/s`, or `gate time / ms` and `width / mm`;
    /// and as wanted `uncertainty / m/s`, `shared uncertainty / m/s`, `time`, `launcher`, `session`, `setting`, `angle / deg`,
    /// `ball`, `rig`, `note`; where somebody aimed `outcome` (hit or miss), `opening / cm`, `opening height / cm`,
    /// `opening distance / m`, `target` (cup or ring).
    file: PathBuf,
    /// The launcher, where the file has no such column.
    #[arg(long)]
    launcher: Option<String>,
    /// The session, where the file has no such column; without it, today's date.
    #[arg(long)]
    session: Option<String>,
    #[command(flatten)]
    setting: SettingArguments,
    /// Name of the gate.
    #[arg(long)]
    rig: Option<String>,
    /// Record speeds beyond what launchers give as well: they are meant.
    #[arg(long)]
    confirm: bool,
}

pub(super) fn add(place: &Place, arguments: &AddArguments) -> Result<(), CommandError> {
    let time = arguments.time.as_deref().map(typed_time).transpose()?;
    let target = arguments.target.target()?;
    let shared = arguments.shared_uncertainty.as_deref().map(|text| reading(text, arguments)).transpose()?;
    let record = |(reading, outcome): (Reading, Option<Outcome>)| ShotRecord {
        launcher: arguments.launcher.clone(),
        setting: arguments.setting.setting(),
        session: arguments.session.clone().unwrap_or_else(today),
        time: time.unwrap_or_else(Timestamp::now),
        speed_m_per_s: reading.speed_m_per_s,
        standard_uncertainty_m_per_s: reading.standard_uncertainty_m_per_s,
        common_uncertainty_m_per_s: shared.map(|(shared, _)| shared.speed_m_per_s),
        rig: arguments.rig.clone(),
        source: if arguments.imported { Source::Import } else { Source::Gate },
        clip: None,
        outcome,
        target,
        note: arguments.note.clone(),
        measurement: None,
        launch_angle: None,
        landing: None,
    };
    if arguments.speeds.iter().any(|speed| speed == "-") {
        return add_line_by_line(place, arguments, record);
    }
    let readings = arguments.speeds.iter().map(|text| reading(text, arguments)).collect::<Result<Vec<_>, _>>()?;
    let records: Vec<ShotRecord> = readings.into_iter().map(record).collect();
    confirmed(&records, arguments.confirm)?;
    report(&place.console, &place.open_or_make()?.add(records, Timestamp::now()).map_err(failed)?);
    Ok(())
}

/// Each line is in the book before it is reported; a bad line is named and the next one read.
fn add_line_by_line(
    place: &Place,
    arguments: &AddArguments,
    record: impl Fn((Reading, Option<Outcome>)) -> ShotRecord,
) -> Result<(), CommandError> {
    let mut book = place.open_or_make()?;
    let mut bad_lines = 0;
    for (index, line) in std::io::stdin().lock().lines().enumerate() {
        let line = line.map_err(|error| CommandError::new(Exit::BadInput, format!("stdin can't be read: {error}")))?;
        if line.trim().is_empty() {
            continue;
        }
        match add_line(&mut book, &line, arguments, &record) {
            Ok(added) => report(&place.console, &added),
            Err(error) if error.exit == Exit::WrongUse => {
                bad_lines += 1;
                place
                    .console
                    .error(&CommandError { message: format!("line {}: {}", index + 1, error.message), ..error });
            }
            Err(error) => return Err(error),
        }
    }
    if bad_lines == 0 {
        return Ok(());
    }
    Err(CommandError::new(Exit::WrongUse, format!("{bad_lines} lines were not recorded"))
        .with_hint("the other lines are in the book; type only these again"))
}

fn add_line(
    book: &mut Book,
    line: &str,
    arguments: &AddArguments,
    record: impl Fn((Reading, Option<Outcome>)) -> ShotRecord,
) -> Result<Added, CommandError> {
    let record = record(reading(line, arguments)?);
    confirmed(std::slice::from_ref(&record), arguments.confirm)?;
    book.add(vec![record], Timestamp::now()).map_err(|error: BookError| failed(error))
}

/// Speeds that no launcher of a lesson gives are asked back.
pub(super) fn confirmed(records: &[ShotRecord], confirm: bool) -> Result<(), CommandError> {
    let Some(record) = records.iter().find(|record| !confirm && record.is_beyond_launchers()) else { return Ok(()) };
    let speed = record.speed_m_per_s;
    Err(CommandError::new(Exit::WrongUse, format!("{speed} m/s is faster than launchers throw; nothing was recorded"))
        .with_hint("check the number and its unit; if it is meant, add `--confirm`"))
}

/// A speed and, behind it, whether the ball went in.
fn reading(text: &str, arguments: &AddArguments) -> Result<(Reading, Option<Outcome>), CommandError> {
    let (speed, outcome) = split_outcome(text);
    Ok((read_speed(speed, arguments.unit.as_deref()).map_err(failed)?, outcome))
}

/// What was read, and whether the ball went in, where that stands behind it.
pub(super) fn split_outcome(text: &str) -> (&str, Option<Outcome>) {
    match text.trim().rsplit_once(char::is_whitespace) {
        Some((read, word)) if Outcome::from_word(word).is_some() => (read, Outcome::from_word(word)),
        _ => (text, None),
    }
}

pub(super) fn typed_time(text: &str) -> Result<Timestamp, CommandError> {
    read_time(text, &TimeZone::system()).ok_or_else(|| {
        CommandError::new(Exit::WrongUse, format!("`{text}` is not a time"))
            .with_hint("write it like `2026-05-09 10:30` or `2026-05-09T10:30:00Z`")
    })
}

pub(super) fn today() -> String {
    ZonedDateTime::now().date().to_string()
}

pub(super) fn import_gate(place: &Place, arguments: &GateArguments) -> Result<(), CommandError> {
    let now = Timestamp::now();
    let defaults = GateDefaults {
        launcher: arguments.launcher.clone(),
        session: Some(arguments.session.clone().unwrap_or_else(today)),
        setting: arguments.setting.setting(),
        rig: arguments.rig.clone(),
        time: now,
        zone: TimeZone::system(),
        confirmed: arguments.confirm,
    };
    let added = place.open_or_make()?.import_gate(&arguments.file, &defaults, now).map_err(failed)?;
    report(&place.console, &added);
    Ok(())
}

/// What was recorded, in a line; printed only after it is in the book.
pub(super) fn report(console: &Console, added: &Added) {
    match added.recorded.as_slice() {
        [] => console.result("nothing new"),
        [one] => console.result(format!("shot {one} recorded")),
        [first, .., last] => console.result(format!("{} shots recorded: {first} to {last}", added.recorded.len())),
    }
    if !added.already_there.is_empty() {
        console.note(format!("{} were in the book already and aren't counted again", added.already_there.len()));
    }
}
