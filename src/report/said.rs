//! What a reader must be told beside the numbers: verdict and warnings, one list that every output takes.
//!
//! Text, page, lab sheet and spreadsheet show the sentences; tables show codes, as one can sort by them, and the sentences in a file or
//! below; pictures have room for a few words.

use serde::Serialize;

use super::ink::text::literal;
use super::numbers::DecimalMark;
use crate::measurement::{FlightMeasurement, Measurement, VerdictStatement};
use crate::warning::{flights_in_words, grouped};

/// Something that belongs to the numbers.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Said {
    /// Short and lasting, for machines and for sorting, such as `scale_depth_unknown`; `g_as_expected`, `g_off`, `g_cant_tell`, `cause_…` and `g_shared`
    /// for what isn't a warning.
    pub code: String,
    /// Whose it is; empty where it is the whole clip's.
    pub flights: Vec<usize>,
    /// A few words, without a full stop.
    pub short: String,
    /// In full, numbers with a point.
    pub text: String,
}

impl Said {
    /// Whether it is the verdict on gravity, or a cause that goes with it.
    pub fn is_of_verdict(&self) -> bool {
        self.is_verdict() || self.code.starts_with("cause_")
    }

    fn is_verdict(&self) -> bool {
        ["g_off", "g_as_expected", "g_cant_tell", "verdict"].contains(&self.code.as_str())
    }

    /// Whether it tells something of this flight.
    pub fn is_of(&self, flight: usize) -> bool {
        self.flights.is_empty() || self.flights.contains(&flight)
    }
}

/// All there is to be said of a measurement: verdicts with their causes, a gravity that is shared, warnings. What is the same of
/// several flights is said once.
pub fn said(measurement: &Measurement) -> Vec<Said> {
    let mut list = Vec::new();
    for (verdict, flights) in verdicts(&measurement.flights) {
        list.extend(of_verdict(verdict, &flights));
    }
    list.extend(shared(measurement));
    let warnings = grouped(&measurement.warnings);
    list.extend(warnings.into_iter().map(|group| Said {
        code: group.code,
        flights: group.flights,
        short: group.short,
        text: group.text,
    }));
    list
}

/// What is said of one flight, and of the clip.
pub fn of_flight(measurement: &Measurement, flight: usize) -> Vec<Said> {
    said(measurement).into_iter().filter(|said| said.is_of(flight)).collect()
}

/// Verdicts with the flights of which they are the same.
pub fn verdicts(flights: &[FlightMeasurement]) -> Vec<(&VerdictStatement, Vec<usize>)> {
    let mut all: Vec<(&VerdictStatement, Vec<usize>)> = Vec::new();
    for flight in flights {
        let Some(verdict) = &flight.verdict else { continue };
        let same = |other: &VerdictStatement| other.summary == verdict.summary && other.reasons == verdict.reasons;
        match all.iter_mut().find(|(other, _)| same(other)) {
            Some((_, numbers)) => numbers.push(flight.number),
            None => all.push((verdict, vec![flight.number])),
        }
    }
    all
}

fn of_verdict(verdict: &VerdictStatement, flights: &[usize]) -> Vec<Said> {
    let (code, short) = match (verdict.agrees, verdict.agreement) {
        (Some(true), _) => ("g_as_expected", "g is as expected".to_owned()),
        (Some(false), Some(agreement)) => {
            let percent = 100.0 * agreement.difference_m_per_s2 / agreement.expected_gravity_m_per_s2.value;
            let size = if percent < 0.0 { "small" } else { "large" };
            ("g_off", format!("g is too {size} by {:.1} %", percent.abs()))
        }
        (Some(false), None) => ("g_off", "g is off".to_owned()),
        (None, Some(_)) => ("g_cant_tell", "can't tell whether g is as expected".to_owned()),
        (None, None) => ("verdict", "see the verdict".to_owned()),
    };
    let said = |code: String, short: String, text: &str| Said {
        code,
        flights: flights.to_vec(),
        short,
        text: text.to_owned(),
    };
    let mut list = vec![said(code.to_owned(), short, &verdict.summary)];
    let kind = |place: usize| verdict.causes.get(place).map_or("other", |cause| cause.kind.as_str());
    list.extend(
        verdict
            .reasons
            .iter()
            .enumerate()
            .map(|(place, reason)| said(format!("cause_{}", kind(place)), String::new(), reason)),
    );
    list
}

fn shared(measurement: &Measurement) -> Option<Said> {
    let shared = measurement.shared_gravity.as_ref()?;
    Some(Said {
        code: "g_shared".to_owned(),
        flights: shared.flights.clone(),
        short: "one g for all flights".to_owned(),
        text: format!(
            "{} were fitted together and have one g: it, its interval and the verdict on it belong to the clip. They are one \
             measurement of g, not {}",
            flights_in_words(&shared.flights),
            shared.flights.len()
        ),
    })
}

/// For the foot of a picture: "g is as expected. Mind: air left out; launch not seen." `flight`: of one flight, or of all.
pub fn in_few_words(measurement: &Measurement, flight: Option<usize>, mark: DecimalMark) -> String {
    let all = said(measurement);
    let shown = all.iter().filter(|said| !said.short.is_empty() && flight.is_none_or(|number| said.is_of(number)));
    let (verdicts, rest): (Vec<&Said>, Vec<&Said>) = shown.partition(|said| said.is_verdict());
    let several = verdicts.len() > 1;
    let verdicts: Vec<String> =
        verdicts
            .iter()
            .map(|said| {
                if several {
                    format!("{}: {}", flights_in_words(&said.flights), said.short)
                } else {
                    said.short.clone()
                }
            })
            .collect();
    let rest: Vec<&str> = rest.iter().map(|said| said.short.as_str()).collect();
    let mut sentences = Vec::new();
    if !verdicts.is_empty() {
        sentences.push(format!("{}.", verdicts.join("; ")));
    }
    if !rest.is_empty() {
        sentences.push(format!("Mind: {}.", rest.join("; ")));
    }
    mark.said(&sentences.join(" "))
}

/// The same as marked text, *g* in italics.
pub fn in_few_marked_words(measurement: &Measurement, flight: Option<usize>, mark: DecimalMark) -> String {
    marked(&in_few_words(measurement, flight, mark))
}

/// A sentence as marked text, *g* in italics.
pub fn marked(text: &str) -> String {
    let word = |word: &str| match word.strip_prefix('g') {
        Some(rest) if rest.chars().all(|c| ":;.,?!)".contains(c)) => format!("*g*{}", literal(rest)),
        _ => literal(word),
    };
    text.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

/// Names of the columns of [`csv`].
pub const COLUMNS: [&str; 3] = ["flights", "code", "what is said"];

/// The list as a table (RFC 4180): flights by their numbers, "all" for what is the whole clip's. Semicolons where the comma is the
/// decimal mark.
pub fn csv(measurement: &Measurement, mark: DecimalMark) -> String {
    let delimiter = if mark == DecimalMark::Comma { b';' } else { b',' };
    let mut writer =
        csv::WriterBuilder::new().delimiter(delimiter).terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    // Into memory, every record of the same length: nothing can go wrong.
    let _ = writer.write_record(COLUMNS);
    for said in said(measurement) {
        let numbers: Vec<String> = said.flights.iter().map(usize::to_string).collect();
        let flights = if numbers.is_empty() { "all".to_owned() } else { numbers.join(" ") };
        let _ = writer.write_record([flights, said.code, mark.said(&said.text)]);
    }
    String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
}

/// The codes of what is said of a flight, for a cell of a table.
pub fn codes(measurement: &Measurement, flight: usize) -> String {
    let mut codes: Vec<String> = of_flight(measurement, flight).into_iter().map(|said| said.code).collect();
    codes.dedup();
    codes.join(" ")
}

#[cfg(test)]
#[path = "said_tests.rs"]
mod tests;
