//! The results of a class in one table and one graph: a line for each flight, and what to tell those who shot.

use super::figure::{Figure, Layer, Mark, Panel, Series};
use super::numbers::{DecimalMark, known};
use super::said::{self, Said};
use super::tables::inert;
use crate::measurement::{FlightMeasurement, Measurement};
use crate::units::Estimate;

/// A clip of a class: whose it is, and what came of it.
#[derive(Debug, Clone)]
pub struct ClassEntry<'a> {
    pub group: &'a str,
    pub clip: String,
    /// Or why there is no measurement and what to do about it, in a sentence.
    pub result: Result<&'a Measurement, String>,
}

/// A line of the class's table.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassLine {
    pub group: String,
    pub clip: String,
    /// `None` where nothing was measured.
    pub measured: Option<Numbers>,
    /// What to tell those who shot.
    pub advice: String,
    /// What else must be known of the numbers, beside the verdict.
    pub notes: Vec<Said>,
}

/// The numbers of a flight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Numbers {
    pub flight: usize,
    pub speed_m_per_s: Estimate,
    /// The one for forecasts ([`FlightMeasurement::best_speed_m_per_s`]).
    pub best_speed_m_per_s: Estimate,
    /// Of the same fit.
    pub best_angle_deg: Estimate,
    pub angle_deg: Estimate,
    pub gravity_m_per_s2: Estimate,
    /// Launch speed (m/s) and angle (deg) of the fit with gravity given.
    pub given: Option<[Estimate; 2]>,
    /// What gravity was compared with; `None` when nobody judged.
    pub expected_m_per_s2: Option<f64>,
    /// Whether measured and expected gravity agree; `None` when that can't be told, or nobody judged.
    pub agrees: Option<bool>,
}

impl Numbers {
    pub fn of(flight: &FlightMeasurement) -> Self {
        let agreement = flight.verdict.as_ref().and_then(|verdict| verdict.agreement);
        Self {
            flight: flight.number,
            speed_m_per_s: flight.launch_speed_m_per_s,
            best_speed_m_per_s: flight.best_speed_m_per_s(),
            best_angle_deg: flight.best_angle_deg(),
            angle_deg: flight.launch_angle_deg,
            gravity_m_per_s2: flight.gravity_m_per_s2,
            given: flight.gravity_given.as_ref().map(|given| [given.launch_speed_m_per_s, given.launch_angle_deg]),
            expected_m_per_s2: agreement.map(|agreement| agreement.expected_gravity_m_per_s2.value),
            agrees: flight.verdict.as_ref().and_then(|verdict| verdict.agrees),
        }
    }

    /// "as expected", "off", "can't tell" or a dash.
    pub const fn verdict(&self) -> &'static str {
        match self.agrees {
            Some(true) => "as expected",
            Some(false) => "off",
            None if self.expected_m_per_s2.is_some() => "can't tell",
            None => "–",
        }
    }
}

/// The lines of a class, a line for each flight and one for each clip that couldn't be measured.
pub fn lines(entries: &[ClassEntry<'_>]) -> Vec<ClassLine> {
    let of = |entry: &ClassEntry<'_>| match &entry.result {
        Ok(measurement) => measurement.launches().map(|flight| flight_line(entry, measurement, flight)).collect(),
        Err(why) => vec![line(entry, None, why.clone(), Vec::new())],
    };
    entries.iter().flat_map(of).collect()
}

fn line(entry: &ClassEntry<'_>, measured: Option<Numbers>, advice: String, notes: Vec<Said>) -> ClassLine {
    ClassLine { group: entry.group.to_owned(), clip: entry.clip.clone(), measured, advice, notes }
}

fn flight_line(entry: &ClassEntry<'_>, measurement: &Measurement, flight: &FlightMeasurement) -> ClassLine {
    let verdict = flight.verdict.as_ref();
    let agrees = verdict.and_then(|verdict| verdict.agrees);
    // The likeliest reason carries what to check, and so do those that can't be told from it; without one the sentence says it all.
    let advice = verdict.map_or_else(String::new, |verdict| match verdict.reasons.as_slice() {
        [_, ..] if agrees == Some(false) => {
            verdict.reasons.iter().take(verdict.jointly.max(1)).cloned().collect::<Vec<_>>().join(" ")
        }
        _ => verdict.summary.clone(),
    });
    let notes = said::of_flight(measurement, flight.number).into_iter().filter(|said| !said.is_of_verdict()).collect();
    line(entry, Some(Numbers::of(flight)), advice, notes)
}

/// The notes of a class, each once: the groups of which it is said, its code, the sentence.
pub fn notes_of_groups(lines: &[ClassLine]) -> Vec<(Vec<String>, String, String)> {
    let mut all: Vec<(Vec<String>, String, String)> = Vec::new();
    for line in lines {
        for note in &line.notes {
            match all.iter_mut().find(|(_, _, text)| *text == note.text) {
                Some((groups, _, _)) if groups.contains(&line.group) => {}
                Some((groups, _, _)) => groups.push(line.group.clone()),
                None => all.push((vec![line.group.clone()], note.code.clone(), note.text.clone())),
            }
        }
    }
    all
}

/// Names of the columns of [`csv`]; numbers and their 95 % half-widths stand in cells of their own, so that one can go on calculating.
pub const COLUMNS: [&str; 17] = [
    "clip",
    "group",
    "flight",
    "speed / (m/s)",
    "95 % interval of speed, ± / (m/s)",
    "angle / deg",
    "95 % interval of angle, ± / deg",
    "g / (m/s^2)",
    "95 % interval of g, ± / (m/s^2)",
    "g is",
    "what to tell them",
    "speed with g given / (m/s)",
    "95 % interval of speed with g given, ± / (m/s)",
    "angle with g given / deg",
    "95 % interval of angle with g given, ± / deg",
    "notes",
    "notes in words",
];

/// The table for a spreadsheet (RFC 4180); semicolons where the comma is the decimal mark. An empty cell is unknown.
pub fn csv(lines: &[ClassLine], mark: DecimalMark) -> String {
    let delimiter = if mark == DecimalMark::Comma { b';' } else { b',' };
    let mut writer = csv::WriterBuilder::new().delimiter(delimiter).from_writer(Vec::new());
    // Into memory, every record of the same length: nothing can go wrong.
    let _ = writer.write_record(COLUMNS);
    for line in lines {
        let _ = writer.write_record(cells(line, mark));
    }
    String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
}

fn cells(line: &ClassLine, mark: DecimalMark) -> [String; 17] {
    let (clip, group) = (inert(&line.clip), inert(&line.group));
    let empty = String::new;
    let numbers = line.measured.as_ref();
    let pair = |estimate: Option<Estimate>| {
        let Some(estimate) = estimate else { return [empty(), empty()] };
        let half = known(estimate.expanded_uncertainty_95);
        let decimals = half.map_or(3, |half| super::numbers::rounding_place(half).clamp(0, 9) as usize);
        [mark.bare(estimate.value, decimals), half.map_or_else(String::new, |half| mark.bare(half, decimals))]
    };
    let [speed, speed_95] = pair(numbers.map(|n| n.speed_m_per_s));
    let [angle, angle_95] = pair(numbers.map(|n| n.angle_deg));
    let [g, g_95] = pair(numbers.map(|n| n.gravity_m_per_s2));
    let given = |place: usize| numbers.and_then(|n| Some(n.given?[place]));
    let ([given_speed, given_speed_95], [given_angle, given_angle_95]) = (pair(given(0)), pair(given(1)));
    let flight = numbers.map_or_else(String::new, |n| n.flight.to_string());
    let verdict = numbers.map_or("not measured", Numbers::verdict).to_owned();
    let codes: Vec<&str> = line.notes.iter().map(|note| note.code.as_str()).collect();
    let words: Vec<String> = line.notes.iter().map(|note| mark.said(&note.text)).collect();
    [
        clip,
        group,
        flight,
        speed,
        speed_95,
        angle,
        angle_95,
        g,
        g_95,
        verdict,
        inert(&mark.said(&line.advice)),
        given_speed,
        given_speed_95,
        given_angle,
        given_angle_95,
        codes.join(" "),
        inert(&words.join(". ")),
    ]
}

/// All measured values of *g*, launch speed and angle with their 95 % bars, flights numbered in the order of the lines; `None`
/// when there are none.
pub fn figure(lines: &[ClassLine], mark: DecimalMark) -> Option<Figure> {
    let all: Vec<(&ClassLine, &Numbers)> =
        lines.iter().filter_map(|line| Some((line, line.measured.as_ref()?))).collect();
    if all.is_empty() {
        return None;
    }
    let panel = |y_name: &str, value: &dyn Fn(&Numbers) -> Estimate, levels: &[f64]| {
        let marks = all.iter().enumerate().map(|(i, (_, numbers))| {
            let estimate = value(numbers);
            let y_half_width = known(estimate.expanded_uncertainty_95);
            Mark { x: (i + 1) as f64, y: estimate.value, x_half_width: None, y_half_width, used: true }
        });
        let mut layers: Vec<Layer> = Vec::new();
        let label = |y: f64| format!("{} m/s² expected", mark.fixed(y, 2));
        layers.extend(levels.iter().map(|y| Layer::Level { label: label(*y), y: *y }));
        layers.push(Layer::Points { series: Series::First, label: "measured".into(), marks: marks.collect() });
        let x_name = "number of the flight".to_owned();
        Panel { x_name, y_name: y_name.to_owned(), share: 0.6, equal_scales: false, counts_along: true, layers }
    };
    let panels = vec![
        panel("*g* / (m/s²)", &|n| n.gravity_m_per_s2, &expected(&all)),
        panel("speed *v*_{0} / (m/s)", &|n| n.speed_m_per_s, &[]),
        panel("angle *α* / °", &|n| n.angle_deg, &[]),
    ];
    let names: Vec<String> = all
        .iter()
        .enumerate()
        .map(|(i, (line, _))| format!("{} {}", i + 1, super::ink::text::literal(&line.group)))
        .collect();
    let agree = all.iter().filter(|(_, numbers)| numbers.agrees == Some(true)).count();
    Some(Figure {
        name: "class".to_owned(),
        title: "What the class measured".to_owned(),
        panels,
        shared_x: true,
        caption: format!("Flights: {}.", names.join(", ")),
        note: "Bars show 95 % intervals.",
        notice: String::new(),
        alt: format!(
            "Three panels: gravity, launch speed and launch angle of {} flights with their 95 % intervals; in {agree} of them gravity \
             is as expected.",
            all.len()
        ),
    })
}

/// Table and graph as one self-contained web page.
pub fn html(lines: &[ClassLine], mark: DecimalMark) -> String {
    super::sheet::class_html(lines, mark)
}

/// Table and graph as PDF on A4.
///
/// # Errors
/// When the PDF writer refuses the content.
pub fn pdf(lines: &[ClassLine], mark: DecimalMark) -> Result<Vec<u8>, super::pdf::PdfError> {
    super::sheet::class_pdf(lines, mark)
}

/// What gravity was compared with, as it reads with two decimals: one value for a class in one place, more where groups stated
/// several places.
fn expected(all: &[(&ClassLine, &Numbers)]) -> Vec<f64> {
    let mut levels: Vec<f64> = all.iter().filter_map(|(_, numbers)| numbers.expected_m_per_s2).collect();
    levels.sort_by(f64::total_cmp);
    levels.dedup_by(|a, b| (*a * 100.0).round() == (*b * 100.0).round());
    levels
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{Shot, measurement};

    #[test]
    fn the_table_has_numbers_in_cells_of_their_own_and_inert_names() {
        let measured = measurement(&[Shot::default()]);
        let entries = [
            ClassEntry { group: "=HYPERLINK(1)", clip: "a.mp4".into(), result: Ok(&measured) },
            ClassEntry { group: "Table 2", clip: "b.mp4".into(), result: Err("no flight found".into()) },
        ];
        let text = csv(&lines(&entries), DecimalMark::Comma);
        let mut reader = csv::ReaderBuilder::new().delimiter(b';').from_reader(text.as_bytes());
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!((&rows[0][1], &rows[0][3]), ("'=HYPERLINK(1)", "3,500"));
        assert_eq!((&rows[1][1], &rows[1][3], &rows[1][10]), ("Table 2", "", "no flight found"));
    }

    #[test]
    fn the_graph_shows_each_measured_flight_once() {
        let measured = measurement(&[Shot::default(), Shot::default()]);
        let entries = [
            ClassEntry { group: "A_*1*", clip: "a".into(), result: Ok(&measured) },
            ClassEntry { group: "B", clip: "b".into(), result: Err("dark".into()) },
        ];
        let figure = figure(&lines(&entries), DecimalMark::Point).unwrap();
        let points = |panel: &Panel| match panel.layers.last() {
            Some(Layer::Points { marks, .. }) => marks.len(),
            _ => 0,
        };
        assert!(figure.panels.iter().all(|panel| points(panel) == 2));
        assert!(figure.panels.iter().all(|panel| panel.counts_along));
        assert!(super::figure(&lines(&entries[1..]), DecimalMark::Point).is_none());
        if let Some(folder) = std::env::var_os("LOBLINE_KEEP") {
            let path = std::path::Path::new(&folder).join("class.png");
            std::fs::write(path, figure.png(&crate::report::figure::Style::default())).unwrap();
        }
    }
}
