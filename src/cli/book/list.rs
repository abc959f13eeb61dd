//! Showing what stands in the book.

use clap::Args;

use super::failure::failed;
use super::{Place, Which};
use crate::book::{Event, Outcome, Selection, Shot, words};
use crate::cli::output::{CommandError, Console, Exit};

#[derive(Debug, Args)]
pub(super) struct ListArguments {
    #[command(flatten)]
    which: Which,
    /// How many, the latest ones.
    #[arg(long, default_value_t = 20)]
    count: usize,
    /// Also the shots that are set aside.
    #[arg(long)]
    with_set_aside: bool,
}

pub(super) fn list(place: &Place, arguments: &ListArguments) -> Result<(), CommandError> {
    let selection = Selection { with_set_aside: arguments.with_set_aside, ..arguments.which.selection() };
    let shots = place.open()?.latest(&selection, arguments.count).map_err(failed)?;
    if shots.is_empty() {
        place.console.result("no such shots");
        return Ok(());
    }
    place.console.result(format!(
        "{:>5}  {:<16}  {:<13}  {:<11}  {:>7}  {:<7}  {:<7}  {}",
        "shot", "time (UTC)", "launcher", "session", "m/s", "95 %", "from", "outcome"
    ));
    for shot in &shots {
        place.console.result(line(shot));
        if let Some(reason) = &shot.set_aside {
            place.console.result(format!("{:>5}  set aside: {reason}", ""));
        }
    }
    Ok(())
}

fn line(shot: &Shot) -> String {
    let record = &shot.record;
    let uncertainty =
        record.standard_uncertainty_m_per_s.map_or("unknown".to_owned(), |u| format!("± {:.3}", 1.96 * u));
    let line = format!(
        "{:>5}  {:<16}  {:<13}  {:<11}  {:>7.3}  {uncertainty:<7}  {:<7}  {}",
        shot.id,
        record.time.strftime("%Y-%m-%d %H:%M"),
        cut(&record.launcher, 13),
        cut(&record.session, 11),
        record.speed_m_per_s,
        record.source.word(),
        record.outcome.map_or("", Outcome::word)
    );
    line.trim_end().to_owned()
}

/// The text, or its beginning and a sign that it goes on.
fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width - 1).chain(['…']).collect()
}

pub(super) fn show(place: &Place, id: i64, measurement: bool) -> Result<(), CommandError> {
    let shot = place.open()?.shot(id).map_err(failed)?;
    let record = &shot.record;
    if measurement {
        let json = record.measurement.as_ref().ok_or_else(|| {
            CommandError::new(Exit::NoMeasurement, format!("shot {id} has no measurement file"))
                .with_hint("only shots measured from a clip have one")
        })?;
        place.console.result(json);
        return Ok(());
    }
    let metres_per_second = |value: Option<f64>| value.map_or("unknown".to_owned(), |value| format!("{value} m/s"));
    let text = |value: &Option<String>| value.clone().unwrap_or_else(|| "none".to_owned());
    let clip = record.clip.as_ref().map(|clip| format!("{}, flight {}", clip.fingerprint, clip.flight));
    let rows = [
        ("shot", format!("{} (key {})", shot.id, shot.key)),
        ("time", record.time.to_string()),
        ("launcher", record.launcher.clone()),
        ("setting", record.setting.in_words()),
        ("session", record.session.clone()),
        ("speed", format!("{} m/s", record.speed_m_per_s)),
        ("standard uncertainty", metres_per_second(record.standard_uncertainty_m_per_s)),
        ("shared by the rig", metres_per_second(record.common_uncertainty_m_per_s)),
        ("rig", text(&record.rig)),
        ("source", record.source.word().to_owned()),
        ("clip", text(&clip)),
        ("outcome", record.outcome.map_or("unknown", Outcome::word).to_owned()),
        ("target", record.target.map_or_else(|| "unknown".to_owned(), |target| target.in_words())),
        ("launch angle", record.launch_angle.map_or_else(|| "not measured".to_owned(), |angle| angle.in_words())),
        ("landed", record.landing.map_or_else(|| "not measured".to_owned(), |landing| landing.in_words())),
        ("note", text(&record.note)),
        ("measurement file", record.measurement.as_ref().map_or("none", |_| "yes (`--measurement`)").to_owned()),
        ("set aside", shot.set_aside.clone().unwrap_or_else(|| "no".to_owned())),
    ];
    rows.iter().for_each(|(name, value)| place.console.result(format!("{name:<22}{value}")));
    Ok(())
}

pub(super) fn history(place: &Place, count: usize) -> Result<(), CommandError> {
    for event in place.open()?.history(count).map_err(failed)? {
        let undone = if event.undone { " (taken back later)" } else { "" };
        place.console.result(format!("{}  {}{undone}", event.at, event_in_words(&event)));
    }
    Ok(())
}

/// "set aside: 2 shots from shot 14 on (hit the frame)".
pub(super) fn event_in_words(event: &Event) -> String {
    let shots = match (event.shots, event.first_shot) {
        (1, Some(first)) => format!("shot {first}"),
        (count, Some(first)) => format!("{count} shots from shot {first} on"),
        (_, None) => "no shots".to_owned(),
    };
    let reason = event.reason.as_ref().map(|reason| format!(" ({reason})")).unwrap_or_default();
    format!("{}: {shots}{reason}", event.kind)
}

pub(super) fn place(place: &Place) -> Result<(), CommandError> {
    place.console.result(place.path.display());
    if !place.path.exists() {
        place.console.result("not made yet");
        return Ok(());
    }
    let book = place.open()?;
    let counts = book.counts().map_err(failed)?;
    place.console.result(format!(
        "{} shots ({} set aside), {} launchers, {} sessions",
        counts.shots, counts.set_aside, counts.launchers, counts.sessions
    ));
    for launcher in book.launchers().map_err(failed)? {
        place.console.result(format!("  {launcher}"));
    }
    Ok(())
}

/// "1, 2, 3", cut short after a score.
pub(super) fn numbers(ids: &[i64]) -> String {
    const SHOWN: usize = 20;
    let texts: Vec<String> = ids.iter().take(SHOWN).map(i64::to_string).collect();
    let rest = if ids.len() > SHOWN { format!(" and {} more", ids.len() - SHOWN) } else { String::new() };
    format!("{}{rest}", texts.join(", "))
}

/// "3.520 ± 0.031 m/s" or without interval where there is none.
pub(super) fn speed_with(value: f64, half_width: Option<f64>) -> String {
    half_width.map_or_else(|| format!("{value:.3} m/s"), |half_width| words::metres_per_second_with(value, half_width))
}

/// A sentence of the result, broken at the width of a terminal.
pub(super) fn told(console: &Console, sentence: &str) {
    const WIDTH: usize = 80;
    let mut line = String::new();
    for word in sentence.split(' ') {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > WIDTH {
            console.result(&line);
            // What belongs to the sentence stands a little to the right.
            line = format!("  {word}");
            continue;
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    console.result(line);
}
