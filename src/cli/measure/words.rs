//! A measurement in words for the terminal, 80 columns wide.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use crate::cli::output::CommandError;
use crate::measurement::{FlightMeasurement, Measurement};
use crate::report::numbers::DecimalMark;
use crate::units::Estimate;

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
    let _ = writeln!(text, "{}", wrapped("Clock: ", &measurement.clock.description));
    let _ = writeln!(text, "{}", wrapped("Scale: ", &measurement.scale.description));
    for warning in &measurement.warnings {
        let _ = writeln!(text, "\n{}", wrapped("Note: ", &warning.message()));
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
    let before_mark = |value: &str| value.find(['.', ',']).or_else(|| value.find(' ')).unwrap_or(value.len());
    let lead = rows.iter().map(|(_, value, _)| before_mark(value)).max().unwrap_or(0);
    for (name, value, unit) in &rows {
        let pad = " ".repeat(lead - before_mark(value));
        let _ = writeln!(text, "  {name:<22}{pad}{value} {unit}");
    }
    let used = flight.sightings.iter().filter(|row| row.used).count();
    let left_out = flight.sightings.len() - used;
    let _ = write!(text, "  {:<22}{used}", "sightings");
    let _ = writeln!(text, "{}", if left_out > 0 { format!(" ({left_out} more left out)") } else { String::new() });
    let (px, mm) = (mark.significant(flight.residual_rms_px, 2), mark.significant(flight.residual_rms_mm, 2));
    let _ = writeln!(text, "  {:<22}{px} px, {mm} mm (root mean square)", "residual");
    if let Some(verdict) = &flight.verdict {
        let _ = writeln!(text, "\n{}", wrapped("", &verdict.summary));
        for reason in &verdict.reasons {
            let _ = writeln!(text, "{}", wrapped("  – ", reason));
        }
    }
    text
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

/// The table of all clips: a row for each flight.
pub fn table(rows: &[(&PathBuf, Result<Measurement, CommandError>)], mark: DecimalMark) -> String {
    let mut cells = vec![["clip", "flight", "speed / (m/s)", "angle / °", "g / (m/s²)"].map(str::to_owned)];
    for (clip, result) in rows {
        let name = clip.file_name().unwrap_or(clip.as_os_str()).to_string_lossy().into_owned();
        match result {
            Ok(measurement) => cells.extend(measurement.flights.iter().map(|flight| {
                let value = |estimate: &Estimate| mark.interval(estimate);
                [
                    name.clone(),
                    flight.number.to_string(),
                    value(&flight.launch_speed_m_per_s),
                    value(&flight.launch_angle_deg),
                    value(&flight.gravity_m_per_s2),
                ]
            })),
            Err(_) => cells.push([name, "–".into(), "not measured".into(), String::new(), String::new()]),
        }
    }
    let widths: [usize; 5] = std::array::from_fn(|i| cells.iter().map(|row| row[i].chars().count()).max().unwrap_or(0));
    let lines: Vec<String> = cells
        .iter()
        .map(|row| {
            let padded = row.iter().zip(widths).map(|(cell, width)| format!("{cell:<width$}")).collect::<Vec<_>>();
            padded.join("  ").trim_end().to_owned()
        })
        .collect();
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_sentences_stay_within_eighty_columns() {
        let text = wrapped("Note: ", &"seven words of a rather long sentence ".repeat(6));
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH));
        assert!(text.lines().skip(1).all(|line| line.starts_with("      ")));
    }
}
