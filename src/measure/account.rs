//! How the numbers of a flight came about, for those who want to know.

use crate::fit::budget::CONFIRMS_WITHIN;
use crate::fit::robust::REJECT_BEYOND;
use crate::fit::{
    BallInAir, Budget, BudgetResult, BudgetRow, CameraFound, Distribution, Evaluated, FlightFit, ModelRow, Motion,
    Parameter, Quantity, RowKind, Term, known_name, models, shown_unit,
};
use crate::maths::monte_carlo::RunOptions;
use crate::measurement::account::{
    CoverageStatement, FitAccount, FitQuality, FoundInput, FoundQuantity, ModelLine, ModelStatement,
    MonteCarloStatement, NoiseAccount, OutlierStatement,
};
use crate::measurement::motion::NORMAL_95;
use crate::measurement::{BudgetInput, BudgetLine, GravityGivenFit};
use crate::sight::Sighting;
use crate::units::Estimate;

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
    let quantity = FoundQuantity {
        name: input.name.clone(),
        unit: input.unit.clone(),
        value: input.value,
        standard_uncertainty: input.standard_uncertainty,
        found: input.value + found.shift * input.standard_uncertainty,
        found_standard_uncertainty: found.narrowed * input.standard_uncertainty,
    };
    FoundInput { input: found.index, quantity }
}

/// How the fit goes with a flight of so many sightings.
pub(super) fn quality(fit: &FlightFit, sightings: usize) -> FitQuality {
    FitQuality {
        sightings_used: fit.used(),
        sightings_left_out: sightings - fit.used(),
        residual_rms_px: fit.residual_rms_px,
        residual_rms_mm: fit.residual_rms_mm,
        chi_square: fit.chi_square,
        degrees_of_freedom: fit.degrees_of_freedom,
    }
}

/// The fit with gravity given beside that of `sightings` sightings with gravity free.
pub(super) fn gravity_given(
    (fit, budget): &(FlightFit, Budget),
    sightings: usize,
    monte_carlo: Option<RunOptions>,
) -> GravityGivenFit {
    let gravity = fit.parameters.iter().find(|parameter| parameter.quantity == Quantity::Gravity);
    let given = match gravity.map(|parameter| parameter.term) {
        Some(Term::Known { value, standard_uncertainty }) => {
            Estimate::with_coverage_factor(value, standard_uncertainty, NORMAL_95)
        }
        _ => Estimate::with_coverage_factor(fit.value(Quantity::Gravity), 0.0, NORMAL_95),
    };
    GravityGivenFit {
        gravity_m_per_s2: given,
        launch_speed_m_per_s: budget.launch_speed_m_per_s.estimate(),
        launch_angle_deg: budget.launch_angle_deg.estimate(),
        quality: quality(fit, sightings),
        launch_speed: coverage(&budget.launch_speed_m_per_s, monte_carlo),
        launch_angle: coverage(&budget.launch_angle_deg, monte_carlo),
        budget: budget.rows.iter().map(budget_line).collect(),
        found: found(fit),
    }
}

/// All that was known beforehand with doubt, and where the fit found it.
fn found(fit: &FlightFit) -> Vec<FoundQuantity> {
    let of = |parameter: &Parameter| {
        let Term::Known { value, standard_uncertainty } = parameter.term else { return None };
        if let Quantity::Camera(knob) = parameter.quantity {
            return Some(found_input(&fit.camera[knob]).quantity);
        }
        let (unit, per_own) = shown_unit(parameter.quantity);
        // As in the budget: one is a clock that is right.
        let right = if parameter.quantity == Quantity::ClockRate { 1.0 } else { 0.0 };
        Some(FoundQuantity {
            name: known_name(parameter.quantity).to_owned(),
            unit: unit.to_owned(),
            value: right + per_own * value,
            standard_uncertainty: per_own * standard_uncertainty,
            found: right + per_own * parameter.value,
            found_standard_uncertainty: per_own * parameter.standard_uncertainty,
        })
    };
    fit.parameters.iter().filter_map(of).collect()
}

fn coverage(result: &BudgetResult, run: Option<RunOptions>) -> CoverageStatement {
    let half = result.expanded_uncertainty_95;
    CoverageStatement {
        by_budget: Some((result.value - half, result.value + half)),
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
    let path = match fit.motion {
        Motion::Vacuum => "a parabola",
        Motion::InAir(BallInAir { of_unknown_mass: true, .. }) => "a path with air on a ball of unknown mass",
        Motion::InAir(_) => "a path with air on the stated ball",
    };
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
        each_shots_own: Some(matches!(row.kind, RowKind::Sightings | RowKind::LaunchTime)),
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
