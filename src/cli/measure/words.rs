//! A measurement in words for the terminal, 80 columns wide.

use std::fmt::Write;
use std::path::Path;

use super::class::Row;
use crate::cli::output::CommandError;
use crate::measurement::{FlightMeasurement, Measurement};
use crate::report::class::{ClassEntry, ClassLine};
use crate::report::numbers::DecimalMark;
use crate::warning::in_sentences;

const WIDTH: usize = 80;

/// The whole result of one clip.
pub fn measurement(measurement: &Measurement, mark: DecimalMark) -> String {
    let mut text = String::new();
    let flights = measurement.flights.len();
    let plural = if flights == 1 { "flight" } else { "flights" };
    let _ = writeln!(text, "{}: {flights} {plural}", measurement.clip.name);
    for flight in &measurement.flights {
        let _ = write!(text, "\n{}", one_flight(flight, flights, mark));
    }
    let _ = writeln!(text, "\n± is the 95 % interval.");
    let _ = writeln!(text, "{}", wrapped("Clock: ", &mark.said(&measurement.clock.description)));
    let _ = writeln!(text, "{}", wrapped("Scale: ", &mark.said(&measurement.scale.description)));
    for line in how(measurement) {
        let _ = writeln!(text, "{}", mark.said(&line));
    }
    for said in in_sentences(&measurement.warnings) {
        let _ = writeln!(text, "\n{}", wrapped("Note: ", &mark.said(&said)));
    }
    text.trim_end().to_owned()
}

fn one_flight(flight: &FlightMeasurement, of: usize, mark: DecimalMark) -> String {
    let mut text = String::new();
    if of > 1 {
        let at = mark.fixed(flight.launch_time_s.value, 2);
        let _ = writeln!(text, "Flight {}, launched at {at} s", flight.number);
    }
    let mut rows = vec![
        ("launch speed", mark.interval(&flight.launch_speed_m_per_s), "m/s"),
        ("launch angle", mark.interval(&flight.launch_angle_deg), "°"),
        ("gravity", mark.interval(&flight.gravity_m_per_s2), "m/s²"),
    ];
    if let Some(speed) = &flight.launch_speed_gravity_given_m_per_s {
        rows.push(("speed, gravity given", mark.interval(speed), "m/s"));
    }
    // Signs and digits before the decimal mark, or before whatever else follows a whole number.
    let before_mark = |value: &str| value.chars().take_while(|c| c.is_ascii_digit() || "−-".contains(*c)).count();
    let lead = rows.iter().map(|(_, value, _)| before_mark(value)).max().unwrap_or(0);
    for (name, value, unit) in &rows {
        let pad = " ".repeat(lead - before_mark(value));
        let _ = writeln!(text, "  {name:<22}{pad}{value} {unit}");
    }
    let used = flight.sightings.iter().filter(|row| row.used).count();
    let left_out = flight.sightings.len() - used;
    let _ = write!(text, "  {:<22}{used}", "sightings");
    let _ = writeln!(text, "{}", if left_out > 0 { format!(" ({left_out} more left out)") } else { String::new() });
    let frames = flight.account.as_ref().map(|account| account.outliers.frames.as_slice()).unwrap_or_default();
    if !frames.is_empty() {
        let _ = writeln!(text, "  {:<22}{} {}", "left out", plural("frame", frames.len()), runs(frames));
    }
    let (px, mm) = (mark.significant(flight.residual_rms_px, 2), mark.significant(flight.residual_rms_mm, 2));
    let _ = writeln!(text, "  {:<22}{px} px, {mm} mm (root mean square)", "residual");
    if let Some(limits) = limits(flight, mark) {
        let _ = writeln!(text, "  {:<22}{limits}", "g is limited by");
    }
    if let Some(off) = &flight.vertical_off_deg {
        let _ = writeln!(text, "  {:<22}{}° off the stated vertical", "direction of the fall", mark.interval(off));
    }
    if let Some(exposure_s) = flight.exposure_s {
        let _ = writeln!(text, "  {:<22}{} ms, by the streaks", "exposure", mark.significant(1e3 * exposure_s, 2));
    }
    if let Some(found) = flight.readout {
        let value = mark.interval(&found.shown_ms());
        let _ =
            writeln!(text, "{}", wrapped(&format!("  {:<22}", "readout"), &format!("{value} ms, {}", found.words())));
    }
    if let Some(verdict) = &flight.verdict {
        let _ = writeln!(text, "\n{}", wrapped("", &mark.said(&verdict.summary)));
        for reason in &verdict.reasons {
            let _ = writeln!(text, "{}", wrapped("  – ", &mark.said(reason)));
        }
    }
    if let Some(comparison) = flight.forecast.as_ref().and_then(|forecast| forecast.comparison.as_ref()) {
        let _ = writeln!(text, "\n{}", wrapped("Forecast: ", &mark.said(comparison)));
    }
    text
}

/// The sources that make up most of the uncertainty of g, with their shares; as many as fit on the line.
fn limits(flight: &FlightMeasurement, mark: DecimalMark) -> Option<String> {
    let mut shares: Vec<(f64, &str)> =
        flight.budget.iter().filter_map(|line| Some((line.shares?[2], line.source.as_str()))).collect();
    shares.sort_by(|a, b| b.0.total_cmp(&a.0));
    let part = |(share, source): &(f64, &str)| format!("{source} {} %", mark.fixed(100.0 * share, 0));
    let parts: Vec<String> = shares.iter().take(2).filter(|(share, _)| *share > 0.1).map(part).collect();
    let both = parts.join(", ");
    let fits = |text: &str| text.chars().count() <= WIDTH - 24;
    parts.first().map(|first| if fits(&both) { both.clone() } else { first.clone() })
}

fn plural(word: &str, count: usize) -> String {
    if count == 1 { word.to_owned() } else { format!("{word}s") }
}

/// Numbers in rising order as "15, 25, 70–74".
fn runs(numbers: &[usize]) -> String {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for &number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => runs.push((number, number)),
        }
    }
    let one = |&(first, last): &(usize, usize)| match last - first {
        0 => first.to_string(),
        1 => format!("{first}, {last}"),
        _ => format!("{first}–{last}"),
    };
    runs.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// How models compared and by which rule sightings were left out; once for the clip, whose flights share them.
fn how(measurement: &Measurement) -> Vec<String> {
    let accounts: Vec<_> = measurement.flights.iter().filter_map(|flight| flight.account.as_ref()).collect();
    let Some(first) = accounts.first() else { return Vec::new() };
    let models = &first.models;
    let mut lines = vec![
        wrapped("Model: ", &format!("{}.", models.used)),
        wrapped("       ", &format!("Of the models tried, {} (AICc; over 4 lower is clearly better).", models.summary)),
    ];
    if let Some(run) = first.gravity.monte_carlo {
        let all =
            accounts.iter().flat_map(|a| [a.launch_speed, a.launch_angle, a.gravity]).filter_map(|c| c.monte_carlo);
        let confirmed = all.clone().filter(|run| run.confirms).count();
        let settled = if run.settled { "" } else { " Its figures hadn't settled when the draws ran out." };
        let outcome = match all.count() - confirmed {
            0 => "confirm every interval".to_owned(),
            1 => "give one of the intervals another width, which stands here".to_owned(),
            n => format!("give {n} of the intervals another width, and those stand here"),
        };
        lines.push(wrapped("Monte Carlo: ", &format!("{} draws {outcome}.{settled}", run.trials)));
    }
    if accounts.iter().any(|account| !account.outliers.frames.is_empty()) {
        lines.push(wrapped("Left out: ", &format!("{}.", first.outliers.rule)));
    }
    lines
}

/// `head` and `text` broken into lines of at most 80 columns, later lines indented under the text.
fn wrapped(head: &str, text: &str) -> String {
    let indent = " ".repeat(head.chars().count());
    let mut lines = vec![head.to_owned()];
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("there is always a line");
        let empty = line.trim().is_empty() || line == head;
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            lines.push(format!("{indent}{word}"));
        } else {
            if !empty {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines.join("\n")
}

/// One clip in one line, as it is done.
pub fn line(clip: &Path, result: &Result<Measurement, CommandError>, mark: DecimalMark) -> String {
    match result {
        Ok(measurement) => match measurement.flights.as_slice() {
            [flight] => format!("{}: {}", clip.display(), short(flight, mark)),
            flights => format!("{}: {} flights", clip.display(), flights.len()),
        },
        Err(error) => match &error.hint {
            Some(hint) => format!("{}: not measured: {}; {hint}", clip.display(), error.message),
            None => format!("{}: not measured: {}", clip.display(), error.message),
        },
    }
}

fn short(flight: &FlightMeasurement, mark: DecimalMark) -> String {
    format!(
        "{} m/s at {}°, g = {} m/s²",
        mark.interval(&flight.launch_speed_m_per_s),
        mark.interval(&flight.launch_angle_deg),
        mark.interval(&flight.gravity_m_per_s2)
    )
}

/// The table of all clips, a row for each flight, and below it what to tell each group.
pub fn table(rows: &[Row<'_>], mark: DecimalMark) -> String {
    let head = ["group", "flight", "speed / (m/s)", "angle / °", "g / (m/s²)", "g is"];
    let mut cells = vec![head.map(str::to_owned)];
    let class = class_lines(rows);
    cells.extend(class.iter().map(|line| cells_of(line, mark)));
    let widths: [usize; 6] = std::array::from_fn(|i| cells.iter().map(|row| row[i].chars().count()).max().unwrap_or(0));
    let mut lines: Vec<String> = cells
        .iter()
        .map(|row| {
            let padded = row.iter().zip(widths).map(|(cell, width)| format!("{cell:<width$}")).collect::<Vec<_>>();
            padded.join("  ").trim_end().to_owned()
        })
        .collect();
    lines.push("\nWhat to tell them".to_owned());
    lines.extend(class.iter().map(|line| wrapped(&format!("  {}: ", line.group), &line.advice)));
    lines.join("\n")
}

/// The rows as the library's lines of a class.
pub fn class_lines(rows: &[Row<'_>]) -> Vec<ClassLine> {
    let why = |error: &CommandError| match &error.hint {
        Some(hint) => format!("{}; {hint}", error.message),
        None => error.message.clone(),
    };
    let entries: Vec<ClassEntry<'_>> = rows
        .iter()
        .map(|row| ClassEntry {
            group: &row.group,
            clip: row.clip.display().to_string(),
            result: row.result.as_ref().map_err(why),
        })
        .collect();
    crate::report::class::lines(&entries)
}

fn cells_of(line: &ClassLine, mark: DecimalMark) -> [String; 6] {
    let dash = || "–".to_owned();
    match &line.measured {
        None => [line.group.clone(), dash(), "not measured".into(), dash(), dash(), dash()],
        Some(numbers) => [
            line.group.clone(),
            numbers.flight.to_string(),
            mark.interval(&numbers.speed_m_per_s),
            mark.interval(&numbers.angle_deg),
            mark.interval(&numbers.gravity_m_per_s2),
            numbers.verdict().to_owned(),
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbouring_frames_are_drawn_together() {
        assert_eq!(runs(&[15, 25, 26, 70, 71, 72]), "15, 25, 26, 70–72");
    }

    #[test]
    fn long_sentences_stay_within_eighty_columns() {
        let text = wrapped("Note: ", &"seven words of a rather long sentence ".repeat(6));
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH));
        assert!(text.lines().skip(1).all(|line| line.starts_with("      ")));
    }
}
