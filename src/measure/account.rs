//! How the numbers of a flight came about, for those who want to know.

use crate::fit::budget::CONFIRMS_WITHIN;
use crate::fit::robust::REJECT_BEYOND;
use crate::fit::{
    BudgetResult, BudgetRow, CameraFound, Distribution, Evaluated, FlightFit, ModelRow, Motion, Quantity, RowKind,
    models,
};
use crate::maths::monte_carlo::RunOptions;
use crate::measurement::account::{
    CoverageStatement, FitAccount, FoundInput, ModelLine, ModelStatement, MonteCarloStatement, NoiseAccount,
    OutlierStatement,
};
use crate::measurement::{BudgetInput, BudgetLine};
use crate::sight::Sighting;

/// A run that takes some seconds: one significant digit of the uncertainty settled.
pub const QUICK_RUN: RunOptions = RunOptions { seed: 1, level: 0.95, digits: 1, batch: 2000, most_trials: 20_000 };

pub(super) fn account(evaluated: &Evaluated, timed: &[Sighting], monte_carlo: Option<RunOptions>) -> FitAccount {
    let (fit, budget) = (&evaluated.fit, &evaluated.budget);
    let rejected = timed.iter().zip(&fit.residuals).filter(|(_, residual)| !residual.used);
    let coverage = |result: &BudgetResult| coverage(result, monte_carlo);
    FitAccount {
        outliers: OutlierStatement {
            rule: format!(
                "a sighting is left out when it lies more than {REJECT_BEYOND:.0} standard deviations from the path, both \
                 coordinates together, after Tukey's weights have settled"
            ),
            frames: rejected.map(|(sighting, _)| sighting.frame).collect(),
        },
        noise: NoiseAccount {
            scale: fit.noise.scale,
            neighbour_correlation: fit.noise.neighbour_correlation,
            correlation_factor: fit.noise.correlation_factor,
            degrees_of_freedom: fit.noise.degrees_of_freedom,
        },
        camera: fit.camera.iter().map(found_input).collect(),
        models: models(fit, &evaluated.models),
        launch_speed: coverage(&budget.launch_speed_m_per_s),
        launch_angle: coverage(&budget.launch_angle_deg),
        gravity: coverage(&budget.gravity_m_per_s2),
    }
}

fn found_input(found: &CameraFound) -> FoundInput {
    let input = &found.input;
    FoundInput {
        input: found.index,
        name: input.name.clone(),
        unit: input.unit.clone(),
        value: input.value,
        standard_uncertainty: input.standard_uncertainty,
        found: input.value + found.shift * input.standard_uncertainty,
        found_standard_uncertainty: found.narrowed * input.standard_uncertainty,
    }
}

fn coverage(result: &BudgetResult, run: Option<RunOptions>) -> CoverageStatement {
    CoverageStatement {
        combined_standard_uncertainty: result.combined_standard_uncertainty,
        effective_degrees_of_freedom: result.effective_degrees_of_freedom,
        coverage_factor: result.coverage_factor,
        monte_carlo: result.monte_carlo.zip(run).map(|(summary, run)| MonteCarloStatement {
            seed: run.seed,
            trials: summary.trials,
            mean: summary.mean,
            standard_uncertainty: summary.standard_uncertainty,
            low: summary.interval.0,
            high: summary.interval.1,
            settled: summary.settled,
            confirms: result.confirmed(CONFIRMS_WITHIN).unwrap_or(false),
        }),
    }
}

fn models(fit: &FlightFit, rows: &[ModelRow]) -> ModelStatement {
    let lines: Vec<ModelLine> = rows.iter().map(model_line).collect();
    ModelStatement {
        used: used(fit),
        criterion: format!(
            "chi-square plus a price for each fitted parameter (corrected Akaike criterion, AICc); a model is clearly better when \
             it lies more than {:.0} lower",
            models::CLEARLY_BETTER_AICC
        ),
        summary: summary(fit, rows),
        rows: lines,
    }
}

fn model_line(row: &ModelRow) -> ModelLine {
    ModelLine {
        model: row.candidate.description().to_owned(),
        parameters: row.parameters,
        chi_square: row.chi_square,
        aicc: row.aicc,
        above_best: row.above_best,
        gravity_m_per_s2: row.gravity_m_per_s2,
    }
}

/// The model of the numbers, with what was fitted along.
fn used(fit: &FlightFit) -> String {
    let along: Vec<&str> = [
        (Quantity::Roll, "level of the camera"),
        (Quantity::Readout, "readout of the shutter"),
        (Quantity::DragFactor, "drag of the ball"),
        (Quantity::Camera(0), "tilt and lens of the camera"),
    ]
    .into_iter()
    .filter(|(quantity, _)| fit.standard_uncertainty(*quantity).is_some())
    .map(|(_, name)| name)
    .collect();
    let path = if fit.motion == Motion::Vacuum { "a parabola" } else { "a path with air on the stated ball" };
    match along.as_slice() {
        [] => path.to_owned(),
        [one] => format!("{path}; {one} fitted along, from what is known of it"),
        [first @ .., last] => {
            format!("{path}; {} and {last} fitted along, from what is known of them", first.join(", "))
        }
    }
}

/// The best of the table, what is as good, and what a plain parabola would have given where it is clearly worse.
fn summary(fit: &FlightFit, rows: &[ModelRow]) -> String {
    let Some(best) = rows.first() else { return "too few sightings to compare models".to_owned() };
    let near = rows.iter().skip(1).filter(|row| row.above_best <= models::CLEARLY_BETTER_AICC).count();
    let alike = match near {
        0 => ", and clearly so".to_owned(),
        1 => "; one other lies within 4 of it".to_owned(),
        n => format!("; {n} others lie within 4 of it"),
    };
    let plain = rows
        .iter()
        .find(|row| row.candidate == crate::fit::Candidate::Parabola && row.above_best > models::CLEARLY_BETTER_AICC);
    let plain = plain.map_or(String::new(), |row| {
        format!(
            ". A plain parabola lies {:.0} higher and would give g = {:.2} m/s²",
            row.above_best, row.gravity_m_per_s2
        )
    });
    let air =
        if fit.motion == Motion::Vacuum { ". Air can't be compared: the ball's mass or size isn't stated" } else { "" };
    format!("“{}” fits best{alike}{plain}{air}", best.candidate.description())
}

pub(super) fn budget_line(row: &BudgetRow) -> BudgetLine {
    let [speed, angle, gravity] = row.contribution.map(f64::abs);
    let input = row.value.zip(row.standard_uncertainty);
    BudgetLine {
        source: row.name.clone(),
        evaluation: if row.kind == RowKind::Sightings { "A" } else { "B" }.to_owned(),
        launch_speed_m_per_s: Some(speed),
        launch_angle_deg: Some(angle),
        gravity_m_per_s2: Some(gravity),
        input: input.map(|(value, standard_uncertainty)| BudgetInput {
            value,
            standard_uncertainty,
            unit: row.unit.clone(),
            sensitivity: row.sensitivity,
        }),
        distribution: distribution(row.distribution).to_owned(),
        degrees_of_freedom: row.degrees_of_freedom,
        shares: Some(row.share),
    }
}

fn distribution(distribution: Distribution) -> &'static str {
    match distribution {
        Distribution::Normal => "normal",
        Distribution::Rectangular => "rectangular",
        Distribution::Triangular => "triangular",
        Distribution::Arcsine => "arcsine",
    }
}
