//! How the numbers came about: models side by side, what was left out, how the intervals were put together.

use super::{Block, Table};
use crate::measurement::account::{CoverageStatement, FitAccount};
use crate::measurement::{BudgetInput, BudgetLine, FlightMeasurement, Measurement};
use crate::report::graphs::capitalised;
use crate::report::ink::text::literal;
use crate::report::numbers::DecimalMark;
use crate::report::reckoned::{self, freedom, with_input_unit};

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
    // Those of the other flights stand with each.
    let (flight, account) = accounts[0];
    blocks.extend(of_flight(flight, account, measurement.flights.len(), mark));
    blocks
}

/// What was left out of a flight, its budget in full for either fit, and how its intervals came about.
pub(super) fn of_flight(flight: &FlightMeasurement, account: &FitAccount, of: usize, mark: DecimalMark) -> Vec<Block> {
    let mut blocks = vec![Block::Paragraph(literal(&scatter(flight, account, of, mark)))];
    blocks.extend(budget_in_full(&flight.budget, &titled(flight, of, "the inputs of the budget"), &RESULTS, mark));
    if let Some(given) = &flight.gravity_given {
        let title = titled(flight, of, "the inputs of the budget with g given");
        blocks.extend(budget_in_full(&given.budget, &title, &RESULTS[..2], mark));
    }
    blocks.push(Block::Table(coverage(flight, account, of, mark)));
    let drawn = reckoned::monte_carlo(flight, mark);
    if let Some(run) = account.gravity.monte_carlo.filter(|_| !drawn.is_empty()) {
        blocks.push(Block::Paragraph(format!("Monte Carlo: {}.", reckoned::run_in_words(&run))));
        blocks.push(Block::List(drawn.iter().map(|said| format!("{}.", capitalised(said))).collect()));
    }
    blocks
}

/// Symbol and unit of the results, in the order of the budget's lists.
const RESULTS: [(&str, &str); 3] = [("*v*_{0}", "m/s"), ("*α*", "°"), ("*g*", "m/s²")];

/// The inputs, then what each does to the results, then the names of those that do nothing.
fn budget_in_full(budget: &[BudgetLine], title: &str, results: &[(&str, &str)], mark: DecimalMark) -> Vec<Block> {
    let mut blocks = Vec::new();
    let inputs = inputs(budget, title, results.len(), mark);
    if !inputs.rows.is_empty() {
        blocks.extend([Block::Table(inputs), Block::Table(effects(budget, title, results, mark))]);
    }
    blocks.extend(without_weight(budget, results.len()).map(Block::Paragraph));
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

fn matters(line: &BudgetLine, results: usize) -> bool {
    line.shares.is_none_or(|shares| shares[..results].iter().any(|share| *share >= LEAST_SHARE))
}

/// The inputs of the budget that matter.
fn inputs(budget: &[BudgetLine], title: &str, results: usize, mark: DecimalMark) -> Table {
    let number = |value: f64| if value == 0.0 { "0".to_owned() } else { mark.significant(value, 3) };
    let row = |line: &BudgetLine| {
        let input = line.input.as_ref();
        let shown =
            |of: fn(&BudgetInput) -> f64| input.map_or_else(String::new, |i| with_input_unit(&number(of(i)), &i.unit));
        vec![
            literal(&line.source),
            line.evaluation.clone(),
            shown(|input| input.value),
            shown(|input| input.standard_uncertainty),
            freedom(line.degrees_of_freedom, mark),
            line.distribution.clone(),
        ]
    };
    Table {
        caption: format!(
            "{title}: what was taken for each, its standard uncertainty *u* and the degrees of freedom *ν* of that (∞: taken as \
             known). Type A comes from the scatter of the data, B from other knowledge"
        ),
        head: ["input", "type", "value", "*u*", "*ν*", "distribution"].map(str::to_owned).to_vec(),
        rows: budget.iter().filter(|line| matters(line, results)).map(row).collect(),
        numbers: true,
    }
}

/// Sensitivities and shares of the inputs that matter.
fn effects(budget: &[BudgetLine], title: &str, results: &[(&str, &str)], mark: DecimalMark) -> Table {
    let row = |line: &BudgetLine| {
        let sensitivity = line.input.as_ref().and_then(|input| input.sensitivity);
        // Where a result doesn't hang on the input, what rounding left of the slope says nothing.
        let slope = |k: usize| match (sensitivity, line.shares) {
            (Some(_), Some(shares)) if shares[k] < 1e-6 => "0".to_owned(),
            (Some(slope), _) => mark.significant(slope[k], 2),
            (None, _) => String::new(),
        };
        let percent = |k: usize| line.shares.map_or_else(String::new, |shares| mark.fixed(100.0 * shares[k], 1));
        let unit = line.input.as_ref().map_or(String::new(), |input| input.unit.replace("deg", "°"));
        let mut cells = vec![literal(&line.source), unit];
        cells.extend((0..results.len()).map(slope));
        cells.extend((0..results.len()).map(percent));
        cells
    };
    let mut head = vec!["input".to_owned(), "its unit".to_owned()];
    head.extend(results.iter().map(|(symbol, unit)| format!("{symbol} / ({unit})")));
    head.extend(results.iter().map(|(symbol, _)| format!("% of *u*²({symbol})")));
    Table {
        caption: format!(
            "{title}: how much each result changes for one unit of the input (its sensitivity), and its part of the squared uncertainty"
        ),
        head,
        rows: budget.iter().filter(|line| matters(line, results.len())).map(row).collect(),
        numbers: true,
    }
}

/// The inputs that were tried and don't matter; `None` where all do.
fn without_weight(budget: &[BudgetLine], results: usize) -> Option<String> {
    let names: Vec<String> = budget
        .iter()
        .filter(|line| line.input.is_some() && !matters(line, results))
        .map(|line| literal(&line.source))
        .collect();
    let (is, its) = if names.len() == 1 { ("is", "its part") } else { ("are", "the part of each") };
    (!names.is_empty())
        .then(|| format!("Counted in as well {is} {}; {its} in any *u*² is below 0.05 %.", names.join(", ")))
}

fn coverage(flight: &FlightMeasurement, account: &FitAccount, of: usize, mark: DecimalMark) -> Table {
    let mut results = vec![
        ("Launch speed / (m/s)", &account.launch_speed),
        ("Launch angle / °", &account.launch_angle),
        ("*g* / (m/s²)", &account.gravity),
    ];
    if let Some(given) = &flight.gravity_given {
        results.push(("Launch speed / (m/s), *g* given", &given.launch_speed));
        results.push(("Launch angle / °, *g* given", &given.launch_angle));
    }
    let row = |(name, c): &(&str, &CoverageStatement)| {
        let mut cells = vec![
            (*name).to_owned(),
            mark.significant(c.combined_standard_uncertainty, 2),
            freedom(c.effective_degrees_of_freedom, mark),
            mark.fixed(c.coverage_factor, 2),
        ];
        cells.push(c.monte_carlo.map_or_else(String::new, |run| {
            let (low, high) = (mark.significant(run.low, 4), mark.significant(run.high, 4));
            format!("{low} to {high}, {}", if run.confirms { "confirmed" } else { "replaced" })
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
