//! How the numbers came about: models side by side, what was left out, how the intervals were put together.

use super::{Block, Table};
use crate::measurement::account::{CoverageStatement, FitAccount};
use crate::measurement::{BudgetLine, FlightMeasurement, Measurement};
use crate::report::ink::text::literal;
use crate::report::numbers::DecimalMark;

/// Models beyond these are far behind.
const MOST_MODELS: usize = 5;

/// The section; empty for a measurement that kept no account.
pub(super) fn blocks(measurement: &Measurement, mark: DecimalMark) -> Vec<Block> {
    let accounts: Vec<(&FlightMeasurement, &FitAccount)> =
        measurement.flights.iter().filter_map(|flight| Some((flight, flight.account.as_ref()?))).collect();
    let Some((_, first)) = accounts.first() else { return Vec::new() };
    let mut blocks = vec![
        Block::Heading { level: 2, text: "How did the numbers come about?".to_owned() },
        Block::Paragraph("For whoever wants to check the reckoning; a report can do without.".to_owned()),
        Block::Paragraph(literal(&format!(
            "Fitted: {}. Best of the models: {}.",
            first.models.used, first.models.summary
        ))),
    ];
    if !first.models.rows.is_empty() {
        blocks.push(Block::Table(models(first, mark)));
    }
    for (flight, account) in &accounts {
        let of = measurement.flights.len();
        blocks.push(Block::Paragraph(literal(&scatter(flight, account, of, mark))));
        let inputs = inputs(flight, of, mark);
        if !inputs.rows.is_empty() {
            blocks.push(Block::Table(inputs));
        }
        blocks.extend(without_weight(flight).map(Block::Paragraph));
        blocks.push(Block::Table(coverage(flight, account, of, mark)));
    }
    blocks
}

fn models(account: &FitAccount, mark: DecimalMark) -> Table {
    let rows = account.models.rows.iter().take(MOST_MODELS).map(|row| {
        vec![
            row.model.clone(),
            row.parameters.to_string(),
            mark.fixed(row.chi_square, 1),
            mark.fixed(row.above_best, 1),
            mark.fixed(row.gravity_m_per_s2, 3),
        ]
    });
    Table {
        caption: format!("Models over the same sightings: {}", account.models.criterion),
        head: ["model", "parameters", "chi-square", "AICc above the best", "*g* / (m/s²)"].map(str::to_owned).to_vec(),
        rows: rows.collect(),
        numbers: true,
    }
}

fn titled(flight: &FlightMeasurement, of: usize, what: &str) -> String {
    if of > 1 { format!("Flight {}: {what}", flight.number) } else { crate::report::graphs::capitalised(what) }
}

fn scatter(flight: &FlightMeasurement, account: &FitAccount, of: usize, mark: DecimalMark) -> String {
    let noise = account.noise;
    let frames: Vec<String> = account.outliers.frames.iter().map(ToString::to_string).collect();
    let left_out = match frames.as_slice() {
        [] => "no sighting was left out".to_owned(),
        [one] => format!("frame {one} was left out"),
        many => format!("frames {} were left out", many.join(", ")),
    };
    let together = if noise.correlation_factor > 1.0 {
        format!(
            "; neighbouring residuals go together (correlation {}), which makes the uncertainties {} times larger",
            mark.fixed(noise.neighbour_correlation, 2),
            mark.fixed(noise.correlation_factor, 1)
        )
    } else {
        String::new()
    };
    format!(
        "{}: {left_out} ({}). The sightings scatter {} times as much as each says of itself{together}.",
        titled(flight, of, "the scatter"),
        account.outliers.rule,
        mark.significant(noise.scale, 2)
    )
}

/// Below this share of every result's squared uncertainty an input is only named.
const LEAST_SHARE: f64 = 5e-4;

fn matters(line: &BudgetLine) -> bool {
    line.shares.is_none_or(|shares| shares.iter().any(|share| *share >= LEAST_SHARE))
}

/// The inputs of the budget that are one number and matter.
fn inputs(flight: &FlightMeasurement, of: usize, mark: DecimalMark) -> Table {
    let row = |line: &BudgetLine| {
        let input = line.input.as_ref()?;
        let number = |value: f64| if value == 0.0 { "0".to_owned() } else { mark.significant(value, 3) };
        // Where a result doesn't hang on the input, what rounding left of the slope says nothing.
        let slope = |k: usize| match (input.sensitivity, line.shares) {
            (Some(_), Some(shares)) if shares[k] < 1e-6 => "0".to_owned(),
            (Some(slope), _) => mark.significant(slope[k], 2),
            (None, _) => String::new(),
        };
        let percent = line.shares.map_or_else(String::new, |shares| mark.fixed(100.0 * shares[2], 1));
        let unit = if input.unit == "1" { String::new() } else { format!(" {}", input.unit) };
        Some(vec![
            literal(&line.source),
            format!("{}{unit}", number(input.value)),
            format!("{}{unit}", number(input.standard_uncertainty)),
            line.distribution.clone(),
            slope(0),
            slope(2),
            percent,
        ])
    };
    Table {
        caption: format!(
            "{}: what was taken for each, its standard uncertainty *u*, and how much speed and *g* change for one unit of it",
            titled(flight, of, "the inputs of the budget")
        ),
        head: ["input", "value", "*u*", "distribution", "speed", "*g*", "% of *u*²(*g*)"].map(str::to_owned).to_vec(),
        rows: flight.budget.iter().filter(|line| matters(line)).filter_map(row).collect(),
        numbers: true,
    }
}

/// The inputs that were tried and don't matter; `None` where all do.
fn without_weight(flight: &FlightMeasurement) -> Option<String> {
    let names: Vec<String> = flight
        .budget
        .iter()
        .filter(|line| line.input.is_some() && !matters(line))
        .map(|line| literal(&line.source))
        .collect();
    let (is, its) = if names.len() == 1 { ("is", "its part") } else { ("are", "the part of each") };
    (!names.is_empty())
        .then(|| format!("Counted in as well {is} {}; {its} in any *u*² is below 0.05 %.", names.join(", ")))
}

fn coverage(flight: &FlightMeasurement, account: &FitAccount, of: usize, mark: DecimalMark) -> Table {
    let results = [
        ("Launch speed / (m/s)", &account.launch_speed),
        ("Launch angle / °", &account.launch_angle),
        ("*g* / (m/s²)", &account.gravity),
    ];
    let row = |(name, c): &(&str, &CoverageStatement)| {
        let freedom = c.effective_degrees_of_freedom.filter(|f| *f < 1e4);
        let mut cells = vec![
            (*name).to_owned(),
            mark.significant(c.combined_standard_uncertainty, 2),
            freedom.map_or_else(|| "∞".to_owned(), |f| mark.fixed(f.floor(), 0)),
            mark.fixed(c.coverage_factor, 2),
        ];
        cells.push(c.monte_carlo.map_or_else(String::new, |run| {
            let (low, high) = (mark.significant(run.low, 4), mark.significant(run.high, 4));
            format!("{low} to {high}, {}", if run.confirms { "confirmed" } else { "differs" })
        }));
        cells
    };
    let drawn = results.iter().any(|(_, c)| c.monte_carlo.is_some());
    let mut head: Vec<String> =
        ["result", "combined *u*", "effective degrees of freedom", "coverage factor"].map(str::to_owned).to_vec();
    let mut rows: Vec<Vec<String>> = results.iter().map(row).collect();
    if drawn {
        head.push("95 % by Monte Carlo".to_owned());
    } else {
        rows.iter_mut().for_each(|cells| cells.truncate(head.len()));
    }
    let caption = format!("{} (GUM, annex G)", titled(flight, of, "how the 95 % intervals were put together"));
    Table { caption, head, rows, numbers: true }
}
