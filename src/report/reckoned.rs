//! How the numbers were reckoned, in sentences that text and lab sheet share: what limits them, what a Monte Carlo run said of them, what
//! the fit with gravity given asks of scale and clock.

use super::numbers::{DecimalMark, known};
use crate::measurement::account::{CoverageStatement, FitQuality, MonteCarloStatement};
use crate::measurement::{BudgetLine, FlightMeasurement, GravityGivenFit};

/// The results in the order of the budget's lists: what they are called, and their unit.
pub const RESULTS: [(&str, &str); 3] = [("launch speed", "m/s"), ("launch angle", "°"), ("g", "m/s²")];

/// The sources that make up most of the uncertainty of a result, largest first, with their shares; `result` by its place in
/// [`RESULTS`].
pub fn shares(budget: &[BudgetLine], result: usize) -> Vec<(f64, &str)> {
    let mut shares: Vec<(f64, &str)> =
        budget.iter().filter_map(|line| Some((line.shares?[result], line.source.as_str()))).collect();
    shares.sort_by(|a, b| b.0.total_cmp(&a.0));
    shares
}

/// A number with the unit of an input: degrees stand close, and a ratio has none.
pub fn with_input_unit(number: &str, unit: &str) -> String {
    match unit {
        "1" => number.to_owned(),
        "deg" => format!("{number}°"),
        _ => format!("{number} {unit}"),
    }
}

/// Degrees of freedom, rounded down as a table of factors is entered (JCGM 100:2008, G.4.1).
pub fn freedom(degrees: Option<f64>, mark: DecimalMark) -> String {
    degrees.filter(|f| *f < 1e4).map_or_else(|| "∞".to_owned(), |f| mark.fixed(f.floor(), 0))
}

/// "4.00 m, u = 0.05 m, normal, ν = ∞" of a line of the budget.
pub fn input(line: &BudgetLine, mark: DecimalMark) -> String {
    let number = |value: f64| if value == 0.0 { "0".to_owned() } else { mark.significant(value, 3) };
    let known = line.input.as_ref().map_or_else(String::new, |input| {
        let shown = |value: f64| with_input_unit(&number(value), &input.unit);
        format!("{}, u = {}, ", shown(input.value), shown(input.standard_uncertainty))
    });
    let kind = if line.evaluation == "A" { ", type A" } else { "" };
    format!("{known}{}, ν = {}{kind}", line.distribution, freedom(line.degrees_of_freedom, mark))
}

/// "speed 0.21 m/s (12.0 %), angle 0° (0.0 %), g 0.55 m/s² (40.1 %) per m" of a line of the budget, for as many results.
pub fn effects(line: &BudgetLine, results: usize, mark: DecimalMark) -> String {
    let shares = line.shares.unwrap_or_default();
    let slopes = line.input.as_ref().and_then(|input| input.sensitivity);
    let of = |k: usize| {
        let (name, unit) = RESULTS[k];
        let name = name.trim_start_matches("launch ");
        let percent = format!("{} %", mark.fixed(100.0 * shares[k], 1));
        // Where a result doesn't hang on the input, what rounding left of the slope says nothing.
        let slope = slopes.map(|slopes| if shares[k] < 1e-6 { "0".to_owned() } else { mark.significant(slopes[k], 2) });
        match slope {
            Some(slope) if unit == "°" => format!("{name} {slope}° ({percent})"),
            Some(slope) => format!("{name} {slope} {unit} ({percent})"),
            None => format!("{name} {percent}"),
        }
    };
    let parts: Vec<String> = (0..results).map(of).collect();
    let per = match line.input.as_ref().filter(|_| slopes.is_some()).map(|input| input.unit.as_str()) {
        None => String::new(),
        Some("1") => " per 1".to_owned(),
        Some("deg") => " per 1°".to_owned(),
        Some(unit) => format!(" per {unit}"),
    };
    format!("{}{per}", parts.join(", "))
}

/// "0.93 (ν = 91)": chi-square over its degrees of freedom.
pub fn chi_square(quality: &FitQuality, mark: DecimalMark) -> String {
    match quality.reduced_chi_square() {
        Some(reduced) => format!("{} (ν = {})", mark.significant(reduced, 2), quality.degrees_of_freedom),
        None => "unknown (ν = 0)".to_owned(),
    }
}

/// The fit with gravity free and that with gravity given, side by side: a name and two texts a row. Empty where gravity wasn't given.
pub fn side_by_side(flight: &FlightMeasurement, mark: DecimalMark) -> Vec<[String; 3]> {
    let Some(given) = &flight.gravity_given else { return Vec::new() };
    let residual = |px: f64, mm: f64| format!("{} px, {} mm", mark.significant(px, 2), mark.significant(mm, 2));
    let quality = &given.quality;
    let row = |name: &str, free: String, given: String| [name.to_owned(), free, given];
    let most = |budget: &[BudgetLine], result: usize| {
        let part = |(share, source): &(f64, &str)| format!("{source} {} %", mark.fixed(100.0 * share, 0));
        shares(budget, result).first().map_or_else(String::new, part)
    };
    vec![
        row(
            "launch speed",
            mark.with_unit(&flight.launch_speed_m_per_s, "m/s"),
            mark.with_unit(&given.launch_speed_m_per_s, "m/s"),
        ),
        row("launch angle", mark.degrees(&flight.launch_angle_deg), mark.degrees(&given.launch_angle_deg)),
        row("g", mark.with_unit(&flight.gravity_m_per_s2, "m/s²"), mark.with_unit(&given.gravity_m_per_s2, "m/s²")),
        row(
            "residuals (RMS)",
            residual(flight.residual_rms_px, flight.residual_rms_mm),
            residual(quality.residual_rms_px, quality.residual_rms_mm),
        ),
        row(
            "reduced chi-square",
            flight.quality.as_ref().map_or_else(String::new, |quality| chi_square(quality, mark)),
            chi_square(quality, mark),
        ),
        row("speed is limited by", most(&flight.budget, 0), most(&given.budget, 0)),
        row("angle is limited by", most(&flight.budget, 1), most(&given.budget, 1)),
    ]
}

/// "length of the scale 3.1 standard uncertainties lower": what a given gravity asks to give way; `None` where it asks for little.
pub fn strained(given: &GravityGivenFit, mark: DecimalMark) -> Option<String> {
    let (found, by) = given.strained()?;
    let way = if by < 0.0 { "lower" } else { "higher" };
    Some(format!("{} {} standard uncertainties {way} than stated", found.name, mark.fixed(by.abs(), 1)))
}

/// What a Monte Carlo run said of each result of a flight: which intervals it confirms, which it takes the place of, and the ends by
/// either way. Empty where none was run.
pub fn monte_carlo(flight: &FlightMeasurement, mark: DecimalMark) -> Vec<String> {
    let Some(account) = &flight.account else { return Vec::new() };
    let free = [account.launch_speed, account.launch_angle, account.gravity];
    let free = RESULTS.iter().zip(free).filter_map(|((name, unit), coverage)| drawn(name, unit, &coverage, mark));
    let given = flight.gravity_given.iter().flat_map(|given| {
        let both = RESULTS.iter().zip([given.launch_speed, given.launch_angle]);
        both.filter_map(|((name, unit), coverage)| drawn(&format!("{name} with g given"), unit, &coverage, mark))
    });
    free.chain(given).collect()
}

fn drawn(name: &str, unit: &str, coverage: &CoverageStatement, mark: DecimalMark) -> Option<String> {
    let run = coverage.monte_carlo?;
    let half = (run.high - run.low) / 2.0;
    // Two digits of the half-width: the two ways are compared to a half of the last.
    let place = known(Some(half)).map_or(3, |half| 1 - half.log10().floor() as i32);
    let ends = |low: f64, high: f64| match unit {
        "°" => format!("{}° to {}°", mark.rounded(low, place), mark.rounded(high, place)),
        _ => format!("{} to {} {unit}", mark.rounded(low, place), mark.rounded(high, place)),
    };
    let outcome = if run.confirms { "confirmed" } else { "replaced" };
    let budget =
        coverage.by_budget.map_or_else(String::new, |(low, high)| format!(" {} by the budget,", ends(low, high)));
    let farther = if run.confirms { "" } else { "; ± is drawn to the farther of these two ends" };
    Some(format!("{name} {outcome}:{budget} {} by the draws{farther}", ends(run.low, run.high)))
}

/// "20000 draws with seed 1", and whether they settled.
pub fn run_in_words(run: &MonteCarloStatement) -> String {
    let settled = if run.settled { "" } else { "; its figures hadn't settled when the draws ran out" };
    format!("{} draws of all inputs with seed {}{settled}", run.trials, run.seed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_names_what_it_confirms_and_what_it_takes_the_place_of() {
        let run = |low: f64, high: f64, confirms: bool| MonteCarloStatement {
            seed: 7,
            trials: 20_000,
            mean: 50.0,
            standard_uncertainty: 0.5,
            low,
            high,
            settled: true,
            confirms,
        };
        let of = |confirms: bool, low: f64| CoverageStatement {
            by_budget: Some((49.02, 50.98)),
            combined_standard_uncertainty: 0.5,
            effective_degrees_of_freedom: None,
            coverage_factor: 1.96,
            monte_carlo: Some(run(low, 51.0, confirms)),
        };
        let said = |coverage| drawn("launch angle", "°", &coverage, DecimalMark::Comma).unwrap();
        assert_eq!(
            said(of(true, 49.0)),
            "launch angle confirmed: 49,0° to 51,0° by the budget, 49,0° to 51,0° by the draws"
        );
        assert_eq!(
            said(of(false, 47.4)),
            "launch angle replaced: 49,0° to 51,0° by the budget, 47,4° to 51,0° by the draws; ± is drawn to the farther of \
             these two ends"
        );
        assert!(run_in_words(&run(1.0, 2.0, true)).starts_with("20000 draws of all inputs with seed 7"));
    }
}
