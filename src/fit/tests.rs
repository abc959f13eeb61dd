use super::*;
use crate::sight::SightingSource;
use crate::units::{Covariance2, PixelPoint};

/// A sighting with nothing but what the fit uses.
pub(super) fn sighting(frame: usize, time_s: f64, x: f64, y: f64, covariance_px2: Covariance2) -> Sighting {
    Sighting {
        frame,
        time_s,
        centre_px: PixelPoint::new(x, y),
        covariance_px2,
        radius_px: 10.0,
        streak_px: None,
        visible: 1.0,
        signal_to_noise: 30.0,
        source: SightingSource::Found,
    }
}

/// One pixel a metre with y upside down: the fit's pixels are then the fixture's metres.
fn metres_as_pixels() -> PlainScale {
    PlainScale::new(1.0, PixelPoint::new(0.0, 0.0))
}

fn fixture() -> toml::Table {
    toml::from_str(&std::fs::read_to_string("fixtures/parabola_fit.toml").expect("fixture")).expect("toml")
}

fn numbers(v: &toml::Value) -> Vec<f64> {
    let number = |x: &toml::Value| x.as_float().or_else(|| x.as_integer().map(|i| i as f64)).unwrap();
    v.as_array().unwrap().iter().map(number).collect()
}

/// Sightings of the fixture with the standard uncertainties (x, y) of each point, m.
fn constructed(points: &[f64], sigma: impl Fn(usize) -> (f64, f64)) -> Vec<Sighting> {
    let file = fixture();
    let data = file["data"].as_table().unwrap();
    let (x, y) = (numbers(&data["x"]), numbers(&data["y"]));
    points
        .iter()
        .map(|&p| {
            let (i, (sx, sy)) = (p as usize, sigma(p as usize));
            let covariance = Covariance2 { xx: sx * sx, xy: 0.0, yy: sy * sy };
            sighting(i, p * 1001.0 / 30000.0, x[i], -y[i], covariance)
        })
        .collect()
}

/// The stated covariances taken as exact, and nothing rejected: plain weighted least squares.
fn plain() -> FitOptions {
    let launch = Launch::At { time_s: 0.0, standard_uncertainty_s: 0.0 };
    FitOptions { launch, covariance_doubt: 1e-9, robust: false, ..FitOptions::default() }
}

fn assert_close(got: f64, want: f64, relative: f64, what: &str) {
    assert!(((got - want) / want).abs() < relative, "{what}: {got} for {want}");
}

/// Exact rational fits of constructed data (fixtures/parabola_fit.toml). Residual sd of each axis is given as the
/// sighting's standard uncertainty, so that the covariance from the weights is the one from the residuals.
#[test]
fn constructed_parabolas_agree_with_exact_fits() {
    let file = fixture();
    for name in ["all", "with_gap"] {
        let want = file["fit"][name].as_table().unwrap();
        let of = |key: &str| want[key].as_float().unwrap();
        let sigma = (of("residual_sd_x"), of("residual_sd_y"));
        let sightings = constructed(&numbers(&want["points"]), |_| sigma);
        let fit = fit_flight(&sightings, &metres_as_pixels(), &plain()).unwrap();
        let quantities = [
            (Quantity::X0, "x0"),
            (Quantity::Vx, "vx"),
            (Quantity::Y0, "y0"),
            (Quantity::Vy, "vy"),
            (Quantity::Gravity, "g"),
        ];
        for (quantity, key) in quantities {
            // The fixture asks for 1e-10 in estimates and 1e-9 in their uncertainties.
            assert_close(fit.value(quantity), of(key), 1e-10, key);
            assert_close(fit.standard_uncertainty(quantity).unwrap(), of(&format!("u_{key}")), 1e-9, key);
        }
        let place = |q: Quantity| fit.parameters.iter().position(|p| p.quantity == q).unwrap();
        let covariance = |a, b| fit.covariance[place(a)][place(b)];
        assert_close(covariance(Quantity::Vy, Quantity::Gravity), of("cov_vy_g"), 1e-9, "cov");
        assert_close(covariance(Quantity::X0, Quantity::Vx), of("cov_x0_vx"), 1e-9, "cov");
        let (speed, angle) = (fit.launch_speed_m_per_s, fit.launch_angle_deg);
        assert_close(speed.value, of("speed"), 1e-10, "speed");
        assert_close(angle.value, of("angle_deg"), 1e-10, "angle");
        // Derivatives of speed and angle are central differences with steps of 1e-5: truncation near 1e-11.
        assert_close(speed.standard_uncertainty.unwrap(), of("u_speed"), 1e-8, "u(speed)");
        assert_close(angle.standard_uncertainty.unwrap(), of("u_angle_deg"), 1e-8, "u(angle)");
    }
}

#[test]
fn gravity_given_agrees_with_the_exact_fit() {
    let file = fixture();
    let want = file["fit"]["g_fixed_9_81"].as_table().unwrap();
    let of = |key: &str| want[key].as_float().unwrap();
    let all: Vec<f64> = (0..16).map(f64::from).collect();
    let sd = of("residual_sd_y");
    let mut options = plain();
    options.terms.gravity = Term::Fixed(9.81);
    let fit = fit_flight(&constructed(&all, |_| (sd, sd)), &metres_as_pixels(), &options).unwrap();
    for (quantity, key) in [(Quantity::Y0, "y0"), (Quantity::Vy, "vy")] {
        assert_close(fit.value(quantity), of(key), 1e-10, key);
        assert_close(fit.standard_uncertainty(quantity).unwrap(), of(&format!("u_{key}")), 1e-9, key);
    }
    assert_eq!(fit.standard_uncertainty(Quantity::Gravity), None);
}

#[test]
fn what_cannot_be_fitted_is_said() {
    let view = metres_as_pixels();
    let three = constructed(&[0.0, 1.0, 2.0], |_| (0.001, 0.001));
    assert_eq!(fit_flight(&three, &view, &plain()).unwrap_err(), FitError::TooFewSightings { found: 3, needed: 4 });
    let mut bad = constructed(&[0.0, 1.0, 2.0, 3.0, 4.0], |_| (0.001, 0.001));
    bad[2].centre_px.x = f64::NAN;
    assert_eq!(fit_flight(&bad, &view, &plain()).unwrap_err(), FitError::BadSighting { frame: 2 });
    let same_time: Vec<Sighting> = (0..6).map(|i| sighting(i, 0.1, 1.0, 1.0, Covariance2::isotropic(0.1))).collect();
    assert_eq!(fit_flight(&same_time, &view, &plain()).unwrap_err(), FitError::NoPath);
}
