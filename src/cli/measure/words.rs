//! A measurement in words for the terminal, 80 columns wide.

use std::fmt::Write;
use std::path::Path;

use super::class::Row;
use crate::cli::output::CommandError;
use crate::measurement::account::FitQuality;
use crate::measurement::{BudgetLine, FlightMeasurement, Measurement, SharedGravity, VerdictStatement};
use crate::report::class::{ClassEntry, ClassLine, notes_of_groups};
use crate::report::graphs::capitalised;
use crate::report::numbers::DecimalMark;
use crate::report::reckoned;
use crate::report::said::verdicts;
use crate::units::Estimate;
use crate::warning::{flights_in_words, in_sentences, runs};

const WIDTH: usize = 80;

/// The whole result of one clip.
pub fn measurement(measurement: &Measurement, mark: DecimalMark) -> String {
    let mut text = String::new();
    let flights = measurement.flights.len();
    let _ = writeln!(text, "{}: {flights} {}", measurement.clip.name, plural("flight", flights));
    let clip = Clip::of(measurement, mark);
    let together = clip.together();
    if !together.is_empty() {
        let _ = write!(text, "\n{together}");
    }
    for flight in &measurement.flights {
        let _ = write!(text, "\n{}", clip.one_flight(flight));
    }
    let _ = writeln!(text, "\n± is the 95 % interval.");
    let _ = writeln!(text, "{}", wrapped("Clock: ", &mark.said(&measurement.clock.description)));
    let _ = writeln!(text, "{}", wrapped("Scale: ", &mark.said(&measurement.scale.description)));
    for line in how(measurement, mark) {
        let _ = writeln!(text, "{}", mark.said(&line));
    }
    for said in in_sentences(&measurement.warnings) {
        let _ = writeln!(text, "\n{}", wrapped("Note: ", &mark.said(&said)));
    }
    text.trim_end().to_owned()
}

/// A clip whose flights are put into words.
struct Clip<'a> {
    measurement: &'a Measurement,
    mark: DecimalMark,
    /// Flights that share gravity, and so what is said of it.
    shared: Option<&'a SharedGravity>,
    /// Whether gravity was given for a second fit.
    given: bool,
}

/// Two cells: with gravity free, and with gravity given.
type Pair = (&'static str, String, Option<String>);

impl<'a> Clip<'a> {
    fn of(measurement: &'a Measurement, mark: DecimalMark) -> Self {
        let asked = measurement.basis.as_ref().is_some_and(|basis| basis.request.options.gravity_given.is_some());
        let given = asked || measurement.flights.iter().any(|flight| flight.gravity_given.is_some());
        Self { measurement, mark, shared: measurement.shared_gravity.as_ref(), given }
    }

    /// What the flights that were fitted together have in common; empty where each stands by itself.
    fn together(&self) -> String {
        let (mut text, mark) = (String::new(), self.mark);
        let Some(shared) = self.shared else { return text };
        let Some(first) = self.measurement.flights.iter().find(|flight| shared.flights.contains(&flight.number)) else {
            return text;
        };
        let all = flights_in_words(&shared.flights);
        let said = format!("{all} together: they have one g. It, its interval and the verdict belong to the clip.");
        let _ = writeln!(text, "{}", wrapped("", &capitalised(&said)));
        text.push_str(&self.pairs(&[self.gravity(first, &shared.gravity_m_per_s2), self.chi_square(first)]));
        self.limits(&mut text, first, &[2]);
        self.shared_by_light(&mut text, first);
        for (verdict, flights) in verdicts(&self.measurement.flights) {
            let of =
                if flights == shared.flights { String::new() } else { format!("{}: ", flights_in_words(&flights)) };
            text.push_str(&judged(&of, verdict, mark));
        }
        text
    }

    fn one_flight(&self, flight: &FlightMeasurement) -> String {
        let (mut text, mark) = (String::new(), self.mark);
        let alone = self.shared.is_none_or(|shared| !shared.flights.contains(&flight.number));
        if self.measurement.flights.len() > 1 {
            let at = mark.fixed(flight.launch_time_s.value, 2);
            let _ = match flight.after_bounce {
                None => writeln!(text, "Flight {}, launched at {at} s", flight.number),
                Some(bounce) => writeln!(
                    text,
                    "Flight {}, after a bounce of flight {} at {at} s, with {} of its speed",
                    flight.number,
                    bounce.of_flight,
                    mark.fixed(bounce.speed_ratio, 2)
                ),
            };
        }
        let given = flight.gravity_given.as_ref();
        let mut pairs: Vec<Pair> = vec![
            (
                "launch speed",
                mark.with_unit(&flight.launch_speed_m_per_s, "m/s"),
                given.map(|given| mark.with_unit(&given.launch_speed_m_per_s, "m/s")),
            ),
            (
                "launch angle",
                mark.degrees(&flight.launch_angle_deg),
                given.map(|given| mark.degrees(&given.launch_angle_deg)),
            ),
        ];
        if alone {
            pairs.push(self.gravity(flight, &flight.gravity_m_per_s2));
        }
        let residual = |px: f64, mm: f64| format!("{} px, {} mm", mark.significant(px, 2), mark.significant(mm, 2));
        let quality = given.map(|given| given.quality);
        pairs.push((
            "residual (RMS)",
            residual(flight.residual_rms_px, flight.residual_rms_mm),
            quality.map(|quality| residual(quality.residual_rms_px, quality.residual_rms_mm)),
        ));
        if alone {
            pairs.push(self.chi_square(flight));
        }
        text.push_str(&self.pairs(&pairs));
        if let Some(first) = &flight.at_first_sighting {
            let (speed, angle) = (mark.with_unit(&first.speed_m_per_s, "m/s"), mark.degrees(&first.angle_deg));
            let _ = writeln!(text, "  {:<22}{speed} at {angle}", "at first sighting");
        }
        self.sightings(&mut text, flight);
        self.limits(&mut text, flight, if alone { &[0, 1, 2] } else { &[0, 1] });
        if alone {
            self.shared_by_light(&mut text, flight);
        }
        if let Some(exposure_s) = flight.exposure_s {
            let _ = writeln!(text, "  {:<22}{} ms, by the streaks", "exposure", mark.significant(1e3 * exposure_s, 2));
        }
        if let Some(verdict) = flight.verdict.as_ref().filter(|_| alone) {
            text.push_str(&judged("", verdict, mark));
        }
        if let Some(comparison) = flight.forecast.as_ref().and_then(|forecast| forecast.comparison.as_ref()) {
            let _ = writeln!(text, "\n{}", wrapped("Forecast: ", &mark.said(comparison)));
        }
        text
    }

    fn gravity(&self, flight: &FlightMeasurement, gravity: &Estimate) -> Pair {
        let given = flight.gravity_given.as_ref().map(|given| self.mark.with_unit(&given.gravity_m_per_s2, "m/s²"));
        ("gravity", self.mark.with_unit(gravity, "m/s²"), given)
    }

    fn chi_square(&self, flight: &FlightMeasurement) -> Pair {
        let words = |quality: &FitQuality| reckoned::chi_square(quality, self.mark);
        let free = flight.quality.as_ref().map_or_else(|| "unknown".to_owned(), words);
        ("reduced chi-square", free, flight.gravity_given.as_ref().map(|given| words(&given.quality)))
    }

    /// Rows of two columns, the numbers of each aligned at the decimal mark.
    fn pairs(&self, pairs: &[Pair]) -> String {
        const SECOND: usize = 26;
        // Signs and digits before the decimal mark, or before whatever else follows a whole number.
        let before_mark = |value: &str| value.chars().take_while(|c| c.is_ascii_digit() || "−-".contains(*c)).count();
        let lead =
            |values: &mut dyn Iterator<Item = &String>| values.map(|value| before_mark(value)).max().unwrap_or(0);
        let first = lead(&mut pairs.iter().map(|(_, free, _)| free));
        let second = lead(&mut pairs.iter().filter_map(|(_, _, given)| given.as_ref()));
        let aligned =
            |value: &str, lead: usize| format!("{}{value}", " ".repeat(lead.saturating_sub(before_mark(value))));
        let mut text = String::new();
        if pairs.iter().any(|(_, _, given)| given.is_some()) {
            let _ = writeln!(text, "  {:<22}{:<SECOND$}g given", "", "g free");
        }
        for (name, free, given) in pairs {
            let free = aligned(free, first);
            let given = given.as_ref().map(|given| aligned(given, second)).unwrap_or_default();
            let _ = writeln!(text, "{}", format!("  {name:<22}{free:<SECOND$}{given}").trim_end());
        }
        text
    }

    fn sightings(&self, text: &mut String, flight: &FlightMeasurement) {
        let used = flight.sightings.iter().filter(|row| row.used).count();
        let left_out = flight.sightings.len() - used;
        let both = if flight.gravity_given.is_some() { " in both fits" } else { "" };
        let out = if left_out > 0 { format!(", {left_out} more left out") } else { String::new() };
        let _ = writeln!(text, "  {:<22}{used}{both}{out}", "sightings");
        let frames = flight.account.as_ref().map(|account| account.outliers.frames.as_slice()).unwrap_or_default();
        if !frames.is_empty() {
            let _ = writeln!(text, "  {:<22}{} {}", "left out", plural("frame", frames.len()), runs(frames));
        }
        if self.given && flight.gravity_given.is_none() {
            let none = "no path with it lies near the sightings";
            let _ = writeln!(text, "  {:<22}{none}", "with g given");
        }
        if let Some(strained) = flight.gravity_given.as_ref().and_then(|given| reckoned::strained(given, self.mark)) {
            let _ = writeln!(text, "{}", wrapped(&format!("  {:<22}", "g given would need"), &strained));
        }
    }

    /// What limits the results, by their places among those of the budget.
    fn limits(&self, text: &mut String, flight: &FlightMeasurement, results: &[usize]) {
        let names = ["speed is limited by", "angle is limited by", "g is limited by"];
        for &result in results {
            if let Some(limits) = limits(&flight.budget, result, self.mark) {
                let _ = writeln!(text, "  {:<22}{limits}", names[result]);
            }
            // Nothing hangs on a gravity that is given; and what limits both fits is said once.
            let first =
                |budget: &[BudgetLine]| reckoned::shares(budget, result).first().map(|(_, name)| name.to_string());
            let given = flight.gravity_given.as_ref().map(|given| given.budget.as_slice());
            let other = given.filter(|given| result < 2 && first(given) != first(&flight.budget));
            if let Some(limits) = other.and_then(|given| limits(given, result, self.mark)) {
                let _ = writeln!(text, "  {:<22}{limits}", " with g given by");
            }
        }
    }

    /// What shutter and vertical are by the ball's own path; flights that were fitted together share it.
    fn shared_by_light(&self, text: &mut String, flight: &FlightMeasurement) {
        let mark = self.mark;
        if let Some(off) = &flight.vertical_off_deg {
            let _ = writeln!(text, "  {:<22}{} off the stated vertical", "direction of the fall", mark.degrees(off));
        }
        if let Some(found) = flight.readout {
            let said = format!("{}, {}", mark.with_unit(&found.shown_ms(), "ms"), found.words());
            let _ = writeln!(text, "{}", wrapped(&format!("  {:<22}", "readout"), &said));
        }
    }
}

/// A verdict and its reasons, below an empty line; `of` names the flights where that isn't plain.
fn judged(of: &str, verdict: &VerdictStatement, mark: DecimalMark) -> String {
    let mut text = format!("\n{}\n", wrapped("", &mark.said(&format!("{of}{}", verdict.summary))));
    for reason in &verdict.reasons {
        let _ = writeln!(text, "{}", wrapped("  – ", &mark.said(reason)));
    }
    text
}

/// The uncertainty budgets in full: of each flight, with gravity free and with gravity given.
pub fn budgets(measurement: &Measurement, mark: DecimalMark) -> String {
    let how = "Each source: its value, standard uncertainty u, distribution and degrees of freedom ν; then what one unit of it does to \
               each result, and its share of that result's squared uncertainty.";
    let mut text = format!("{}\n\n", wrapped("", how));
    for flight in &measurement.flights {
        let of = if measurement.flights.len() > 1 { format!("flight {}: ", flight.number) } else { String::new() };
        text.push_str(&budget(&format!("{of}uncertainty budget, g free"), &flight.budget, 3, mark));
        if let Some(given) = &flight.gravity_given {
            text.push_str(&budget(&format!("{of}uncertainty budget, g given"), &given.budget, 2, mark));
        }
    }
    text.trim_end().to_owned()
}

fn budget(title: &str, lines: &[BudgetLine], results: usize, mark: DecimalMark) -> String {
    let mut text = format!("{}\n", capitalised(title));
    for line in lines {
        let _ = writeln!(text, "{}", wrapped("  ", &line.source));
        let _ = writeln!(text, "{}", wrapped("      ", &reckoned::input(line, mark)));
        let _ = writeln!(text, "{}", wrapped("      ", &reckoned::effects(line, results, mark)));
    }
    text.push('\n');
    text
}

/// The sources that make up most of the uncertainty of a result, with their shares; as many as fit on the line.
fn limits(budget: &[BudgetLine], result: usize, mark: DecimalMark) -> Option<String> {
    let part = |(share, source): &(f64, &str)| format!("{source} {} %", mark.fixed(100.0 * share, 0));
    let shares = reckoned::shares(budget, result);
    let parts: Vec<String> = shares.iter().take(2).filter(|(share, _)| *share > 0.1).map(part).collect();
    let both = parts.join(", ");
    let fits = |text: &str| text.chars().count() <= WIDTH - 24;
    parts.first().map(|first| if fits(&both) { both.clone() } else { first.clone() })
}

fn plural(word: &str, count: usize) -> String {
    if count == 1 { word.to_owned() } else { format!("{word}s") }
}

/// How models compared and by which rule sightings were left out; once for the clip, whose flights share them.
fn how(measurement: &Measurement, mark: DecimalMark) -> Vec<String> {
    let accounts: Vec<_> = measurement.flights.iter().filter_map(|flight| flight.account.as_ref()).collect();
    let Some(first) = accounts.first() else { return Vec::new() };
    let models = &first.models;
    let mut lines = vec![
        wrapped("Model: ", &format!("{}.", models.used)),
        wrapped("       ", &format!("Of the models tried, {} (AICc; over 4 lower is clearly better).", models.summary)),
    ];
    if let Some(run) = first.gravity.monte_carlo {
        lines.push(wrapped("Monte Carlo: ", &format!("{}.", reckoned::run_in_words(&run))));
        for flight in &measurement.flights {
            let of = if accounts.len() > 1 { format!("flight {}: ", flight.number) } else { String::new() };
            let said = reckoned::monte_carlo(flight, mark);
            lines.extend(said.iter().map(|said| wrapped("  – ", &format!("{of}{said}"))));
        }
    }
    if accounts.iter().any(|account| !account.outliers.frames.is_empty()) {
        lines.push(wrapped("Left out: ", &format!("{}.", first.outliers.rule)));
    }
    lines
}

/// `head` and `text` broken into lines of at most 80 columns, later lines indented under the text.
pub fn wrapped(head: &str, text: &str) -> String {
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
        "{} at {}, g = {}",
        mark.with_unit(&flight.launch_speed_m_per_s, "m/s"),
        mark.degrees(&flight.launch_angle_deg),
        mark.with_unit(&flight.gravity_m_per_s2, "m/s²")
    )
}

/// The table of all clips, a row for each flight, and below it what to tell each group.
pub fn table(rows: &[Row<'_>], mark: DecimalMark) -> String {
    let head = ["group", "flight", "speed / (m/s)", "angle / °", "g / (m/s²)", "g is", "notes"];
    let mut cells = vec![head.map(str::to_owned)];
    let class = class_lines(rows);
    cells.extend(class.iter().map(|line| cells_of(line, mark)));
    let widths: [usize; 7] = std::array::from_fn(|i| cells.iter().map(|row| row[i].chars().count()).max().unwrap_or(0));
    let mut lines: Vec<String> = cells
        .iter()
        .map(|row| {
            let padded = row.iter().zip(widths).map(|(cell, width)| padded(cell, width)).collect::<Vec<_>>();
            padded.join("  ").trim_end().to_owned()
        })
        .collect();
    lines.push("\nWhat to tell them".to_owned());
    lines.extend(class.iter().map(|line| wrapped(&format!("  {}: ", line.group), &mark.said(&line.advice))));
    let notes = notes_of_groups(&class);
    if !notes.is_empty() {
        lines.push("\nNotes".to_owned());
    }
    for (groups, code, said) in notes {
        lines.push(wrapped("  ", &format!("{} ({code}): {}", groups.join(", "), mark.said(&said))));
    }
    lines.join("\n")
}

/// The cell with blanks up to `width` letters, however wide that is: `format!` knows no width beyond 65 535.
fn padded(cell: &str, width: usize) -> String {
    format!("{cell}{}", " ".repeat(width.saturating_sub(cell.chars().count())))
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

fn cells_of(line: &ClassLine, mark: DecimalMark) -> [String; 7] {
    let dash = || "–".to_owned();
    match &line.measured {
        None => [line.group.clone(), dash(), "not measured".into(), dash(), dash(), dash(), dash()],
        Some(numbers) => [
            line.group.clone(),
            numbers.flight.to_string(),
            mark.interval(&numbers.speed_m_per_s),
            mark.interval(&numbers.angle_deg),
            mark.interval(&numbers.gravity_m_per_s2),
            numbers.verdict().to_owned(),
            line.notes.len().to_string(),
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
