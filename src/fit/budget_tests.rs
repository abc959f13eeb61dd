use super::*;
use crate::fit::trial::{Throw, frame_times};
use crate::fit::view::{PlainScale, PlainScaleUncertainty};
use crate::fit::{Launch, fit_flight};
use crate::units::MetrePoint;
use rand_chacha::rand_core::SeedableRng;

fn careful_camera() -> PlainScale {
    let mut view = PlainScale::new(0.0013, PixelPoint::new(300.0, 800.0));
    view.uncertainty = PlainScaleUncertainty {
        scale_relative: Some(0.001),
        distance_relative: Some(0.0033),
        level_rad: Some(1f64.to_radians()),
        readout_s: Some(0.010),
    };
    view
}

fn case() -> (PlainScale, Vec<Sighting>, FitOptions) {
    let view = careful_camera();
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let sightings = throw.film(&view, &frame_times(60.0, 31), 0.1, &mut random);
    let launch = Launch::Between { from_s: -1.0 / 60.0, to_s: 0.0, seen_px: None, mouth: None };
    let options = FitOptions { launch, terms: Terms::default().informed_by(&view), ..FitOptions::default() };
    (view, sightings, options)
}

#[test]
fn rows_add_up_and_have_the_sensitivities_of_the_formula() {
    let (view, sightings, options) = case();
    let fit = fit_flight(&sightings, &view, &options).unwrap();
    let conditions = Conditions { time_base_relative: 0.0002, ..Conditions::default() };
    let budget = budget(&sightings, &fit, &view, &options, &conditions).unwrap();
    let row = |kind: RowKind| budget.rows.iter().find(|r| r.kind == kind).unwrap();
    let (v, g) = (budget.launch_speed_m_per_s.value, budget.gravity_m_per_s2.value);
    // All lengths in proportion: v and g in the same proportion. A factor on time: v as its inverse, g as its inverse square.
    let scale = row(RowKind::Camera(InputKind::Scale)).sensitivity.unwrap();
    assert!((scale[0] / v - 1.0).abs() < 1e-3 && (scale[2] / g - 1.0).abs() < 1e-3, "{scale:?}");
    let clock = row(RowKind::TimeBase).sensitivity.unwrap();
    // The readout's prior is on the true clock and doesn't stretch with the frames: a few parts in a thousand.
    assert!((clock[0] / v + 1.0).abs() < 1e-2 && (clock[2] / g + 2.0).abs() < 2e-2, "{clock:?}");
    let shares: f64 = budget.rows.iter().map(|r| r.share[2]).sum();
    assert!((shares - 1.0).abs() < 1e-12);
    // Level and readout are quantities of the fit here, so they must not be counted twice.
    assert!(budget.rows.iter().all(|r| r.kind != RowKind::Camera(InputKind::Level)));
    assert!(budget.rows.iter().any(|r| r.kind == RowKind::Known(Quantity::Roll)));
    // A tape's centimetre at three metres leads, as in any careful set-up.
    let largest = budget.rows.iter().max_by(|a, b| a.share[2].total_cmp(&b.share[2])).unwrap();
    assert_eq!(largest.kind, RowKind::Camera(InputKind::Distance));
    assert!((budget.gravity_m_per_s2.combined_standard_uncertainty / g - 0.0035).abs() < 3e-4);
}

/// A camera that gives its level in degrees.
struct InDegrees(PlainScale);

impl FlightView for InDegrees {
    fn pixel_from_metre(&self, point: MetrePoint) -> Option<PixelPoint> {
        self.0.pixel_from_metre(point)
    }

    fn metre_from_pixel(&self, point: PixelPoint) -> Option<MetrePoint> {
        self.0.metre_from_pixel(point)
    }

    fn row_fraction(&self, point: PixelPoint) -> f64 {
        self.0.row_fraction(point)
    }

    fn readout_s(&self) -> f64 {
        self.0.readout_s()
    }

    fn inputs(&self) -> Vec<ViewInput> {
        let mut inputs = self.0.inputs();
        for input in inputs.iter_mut().filter(|i| i.kind == InputKind::Level) {
            (input.unit, input.standard_uncertainty) = ("deg".to_owned(), input.standard_uncertainty.to_degrees());
        }
        inputs
    }

    fn perturbed(&self, index: usize, delta: f64) -> Box<dyn FlightView> {
        self.0.perturbed(index, delta)
    }
}

#[test]
fn a_level_in_degrees_is_taken_as_such() {
    let view = careful_camera();
    let (in_radians, in_degrees) =
        (Terms::default().informed_by(&view), Terms::default().informed_by(&InDegrees(view)));
    let (Term::Known { standard_uncertainty: a, .. }, Term::Known { standard_uncertainty: b, .. }) =
        (in_radians.roll, in_degrees.roll)
    else {
        panic!("the level is known with doubt");
    };
    assert!((a - b).abs() < 1e-15 && (a - 1f64.to_radians()).abs() < 1e-15);
}

#[test]
fn the_fit_alone_and_the_budgets_fit_rows_agree() {
    let (view, sightings, options) = case();
    let fit = fit_flight(&sightings, &view, &options).unwrap();
    let parts = |k: usize| fit.contributions.iter().map(|c| c.standard[k].powi(2)).sum::<f64>();
    for k in 0..3 {
        // The split C = C·(H_sightings + H_prior)·C is exact up to the rounding of the inverse.
        assert!((parts(k) / fit.derived_covariance[k][k] - 1.0).abs() < 1e-6);
    }
}

#[test]
fn monte_carlo_confirms_the_budget_and_repeats_itself() {
    let (view, sightings, options) = case();
    let fit = fit_flight(&sightings, &view, &options).unwrap();
    let run_options = RunOptions { batch: 1000, most_trials: 3000, ..RunOptions::default() };
    let conditions = Conditions { time_base_relative: 0.0002, monte_carlo: Some(run_options), ..Conditions::default() };
    let first = budget(&sightings, &fit, &view, &options, &conditions).unwrap();
    for result in [first.launch_speed_m_per_s, first.launch_angle_deg, first.gravity_m_per_s2] {
        let monte_carlo = result.monte_carlo.unwrap();
        let ratio = monte_carlo.standard_uncertainty / result.combined_standard_uncertainty;
        // u over 3000 trials is known to 1/√(2·3000) = 1.3 %; four of those.
        assert!((ratio - 1.0).abs() < 0.06, "{ratio}");
        // Ends of an interval over 3000 trials scatter by about 2.5 % of its half-width.
        assert_eq!(result.confirmed(0.06), Some(true), "{result:?}");
    }
    assert_eq!(first, budget(&sightings, &fit, &view, &options, &conditions).unwrap());
}

#[test]
fn every_witness_of_the_time_is_a_row_and_they_add_up_to_the_clock() {
    let (view, sightings, options) = case();
    let fit = fit_flight(&sightings, &view, &options).unwrap();
    let witness = |name: &str, u: f64| ClockWitness {
        name: name.to_owned(),
        true_over_stated: 1.0,
        relative_standard_uncertainty: u,
    };
    // 3 and 4 in ten thousand: their mean is good to 3·4/5 = 2.4.
    let whole = Conditions { time_base_relative: 0.00024, ..Conditions::default() };
    let parts = Conditions { time_base: vec![witness("stamps", 0.0003), witness("lamps", 0.0004)], ..whole.clone() };
    let of = |conditions: &Conditions| budget(&sightings, &fit, &view, &options, conditions).unwrap();
    let rows = |budget: &Budget| -> Vec<BudgetRow> {
        budget.rows.iter().filter(|row| row.kind == RowKind::TimeBase).cloned().collect()
    };
    let (one, two) = (rows(&of(&whole)), rows(&of(&parts)));
    assert_eq!((one.len(), two.len()), (1, 2));
    assert_eq!(two[1].name, "rate of the clock, by lamps");
    // Weights of a mean are as the inverse squares: 16 to 9.
    let weights = [16.0 / 25.0, 9.0 / 25.0];
    for (row, weight) in two.iter().zip(weights) {
        let sensitivity = row.sensitivity.unwrap()[0];
        assert!((sensitivity / one[0].sensitivity.unwrap()[0] - weight).abs() < 1e-9, "{row:?}");
    }
    let together = two[0].contribution[2].hypot(two[1].contribution[2]);
    assert!((together / one[0].contribution[2].abs() - 1.0).abs() < 1e-9);
    let u = |conditions: &Conditions| of(conditions).gravity_m_per_s2.combined_standard_uncertainty;
    assert!((u(&parts) / u(&whole) - 1.0).abs() < 1e-12);
}

#[test]
fn tilts_and_level_stand_in_degrees_alike() {
    let (view, sightings, options) = case();
    let fit = fit_flight(&sightings, &view, &options).unwrap();
    let budget = budget(&sightings, &fit, &view, &options, &Conditions::default()).unwrap();
    let level = budget.rows.iter().find(|row| row.kind == RowKind::Known(Quantity::Roll)).unwrap();
    assert_eq!((level.unit.as_str(), level.standard_uncertainty), ("deg", Some(1.0)));
    // One unit is one degree: sensitivity times uncertainty is what it contributes.
    let (sensitivity, u) = (level.sensitivity.unwrap(), level.standard_uncertainty.unwrap());
    assert!((0..3).all(|k| (sensitivity[k] * u - level.contribution[k]).abs() < 1e-12));
    let readout = budget.rows.iter().find(|row| row.kind == RowKind::Known(Quantity::Readout)).unwrap();
    assert_eq!((readout.unit.as_str(), readout.standard_uncertainty), ("ms", Some(10.0)));
}
