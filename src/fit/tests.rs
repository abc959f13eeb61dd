use super::trial::{Throw, frame_times, gravity_efficiency};
use super::*;
use crate::units::{Covariance2, MetrePoint, PixelPoint};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

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
            Sighting {
                covariance_px2: covariance,
                ..trial::sighting(i, p * 1001.0 / 30000.0, PixelPoint::new(x[i], -y[i]), 1.0)
            }
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
    let same_time: Vec<Sighting> = (0..6).map(|i| trial::sighting(i, 0.1, PixelPoint::new(1.0, 1.0), 0.1)).collect();
    assert_eq!(fit_flight(&same_time, &view, &plain()).unwrap_err(), FitError::NoPath);
}

/// The default case of the error sizes: 4 m/s at 45°, 1.30 mm/px, picture of 1920 × 1080.
fn field_of_view() -> PlainScale {
    PlainScale::new(0.0013, PixelPoint::new(300.0, 800.0))
}

#[test]
fn the_fit_reaches_the_bound_and_keeps_near_it_among_false_sightings() {
    // Over 600 flights the ratio scatters by √(2/600) = 6 %; the figures aimed at are 0.95 and 0.75 in the long run, which the
    // benchmark checks over more flights.
    let clean = gravity_efficiency(600, 0.0, 1);
    println!("clean {clean:?}");
    assert!(clean.reached > 0.95 - 0.08, "{clean:?}");
    let dirty = gravity_efficiency(600, 0.1, 2);
    println!("with 10 % false {dirty:?}");
    assert!(dirty.reached > 0.75 - 0.08, "{dirty:?}");
    // Among more, it can't reach the bound of all 16, but must stay near a fit that is told which are false: one flight in
    // which it is misled would bring this to a hundredth.
    let dirtier = gravity_efficiency(600, 0.2, 3);
    println!("with 20 % false {dirtier:?}");
    assert!(dirtier.reached > 0.9 * dirtier.told, "{dirtier:?}");
}

/// Mean departure of g over `trials` flights of 31 frames of 60 a second at 0.1 px, per cent, with the fits; filmed by a camera of that
/// readout, and fitted as `known` and `options` say.
fn filmed(
    (speed, angle): (f64, f64),
    readout_ms: f64,
    (known, options): (&PlainScale, &FitOptions),
    (trials, seed): (usize, u64),
) -> (f64, Vec<FlightFit>) {
    let mut camera = field_of_view();
    camera.readout_s = readout_ms * 1e-3;
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut one = |_| {
        let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), speed, angle, 1.0);
        throw.roll_rad = 0.5f64.to_radians();
        let sightings = throw.film(&camera, &frame_times(60.0, 31), 0.1, &mut random);
        fit_flight(&sightings, known, options).unwrap()
    };
    let fits: Vec<FlightFit> = (0..trials).map(&mut one).collect();
    let mean = fits.iter().map(|fit| fit.gravity_m_per_s2.value).sum::<f64>() / trials as f64;
    ((mean / 9.81 - 1.0) * 100.0, fits)
}

/// Readout and roll fitted together with the flight: bias of g and error of the readout over `trials` flights.
fn with_readout(readout_ms: f64, trials: usize, seed: u64) -> (f64, f64, f64) {
    let mut options = FitOptions::default();
    options.terms.roll = Term::Free;
    options.terms.readout = Some(Term::Free);
    let (bias, fits) = filmed((4.0, 45.0), readout_ms, (&field_of_view(), &options), (trials, seed));
    let error = |fit: &FlightFit| fit.value(Quantity::Readout) * 1e3 - readout_ms;
    let u = |fit: &FlightFit| fit.standard_uncertainty(Quantity::Readout).unwrap() * 1e3;
    let n = trials as f64;
    let squared = fits.iter().map(|fit| error(fit).powi(2)).sum::<f64>() / n;
    (bias, squared.sqrt(), fits.iter().map(u).sum::<f64>() / n)
}

/// A readout that is given, exactly or with a doubt, leaves g unbiased in any direction of the throw; one that is passed over doesn't.
#[test]
fn a_readout_that_is_given_leaves_g_unbiased() {
    const TRIALS: (usize, u64) = (60, 11);
    for throw in [(4.0, 45.0), (2.5, 0.0), (4.5, 70.0)] {
        for readout_ms in [-30.0, -15.0, 5.0, 15.0, 30.0] {
            let mut camera = field_of_view();
            camera.readout_s = readout_ms * 1e-3;
            let exactly = FitOptions { terms: Terms { roll: Term::Free, ..Terms::default() }, ..FitOptions::default() };
            let mut with_doubt = exactly.clone();
            with_doubt.terms.readout = Some(Term::Known { value: readout_ms * 1e-3, standard_uncertainty: 1e-3 });
            let passed_over = filmed(throw, readout_ms, (&field_of_view(), &exactly), TRIALS).0;
            let (exactly, fits) = filmed(throw, readout_ms, (&camera, &exactly), TRIALS);
            let with_doubt = filmed(throw, readout_ms, (&camera, &with_doubt), TRIALS).0;
            let u = fits[0].gravity_m_per_s2.standard_uncertainty.unwrap() / 9.81 * 100.0;
            println!(
                "{throw:?} {readout_ms} ms: g off {exactly:+.4} % given, {with_doubt:+.4} % ± 1 ms, {passed_over:+.2} % passed over"
            );
            // The aim is 0.05 %; the mean of 60 flights of 0.03 % each scatters by 0.004 %, with a readout found along by half as much again.
            assert!(exactly.abs() <= 0.05 && with_doubt.abs() <= 0.05, "{throw:?} {readout_ms}");
            assert!(u < 0.05, "{u}");
            // What it mends: more than a tenth of a per cent a millisecond in a throw that only falls.
            assert!(throw.1 > 0.0 || passed_over.abs() > 0.1 * f64::abs(readout_ms), "{passed_over}");
        }
    }
}

#[test]
fn readout_and_roll_are_found_from_one_flight() {
    for readout_ms in [-30.0, -15.0, 0.0, 5.0, 15.0, 30.0] {
        let (bias, readout, u) = with_readout(readout_ms, 100, 7);
        println!("{readout_ms} ms: g off {bias:+.4} %, readout ±{readout:.2} ms (stated {u:.2})");
        // The aim: bias of g at most 0.05 %, one flight's readout within 0.5 ms. The mean of 100 flights scatters by 0.003 %.
        assert!(bias.abs() <= 0.05 && readout <= 0.5);
        // 100 flights fix a standard deviation to 7 %.
        assert!((readout / u - 1.0).abs() < 0.25);
    }
}

#[test]
fn a_streaks_covariance_is_a_weight() {
    // Errors along the motion five times those across: weighted by covariance g keeps the across accuracy's benefit.
    let view = field_of_view();
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let (mut weighted, mut plain) = (0.0, 0.0);
    for _ in 0..200 {
        let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
        let times = frame_times(60.0, 31);
        let exact = throw.film(&view, &times, 0.0, &mut random);
        let states = throw.states(&times).unwrap();
        let mut sightings = Vec::new();
        for (s, state) in exact.iter().zip(&states) {
            let speed = state.vx.hypot(state.vy);
            let (ex, ey) = (state.vx / speed, -state.vy / speed);
            let draw = |random: &mut ChaCha8Rng| -> f64 {
                rand_distr::Distribution::<f64>::sample(&rand_distr::StandardNormal, random)
            };
            let (along, across) = (0.5 * draw(&mut random), 0.1 * draw(&mut random));
            let centre_px =
                PixelPoint::new(s.centre_px.x + along * ex - across * ey, s.centre_px.y + along * ey + across * ex);
            let (a2, c2) = (0.25, 0.01);
            let covariance_px2 = Covariance2 {
                xx: a2 * ex * ex + c2 * ey * ey,
                xy: (a2 - c2) * ex * ey,
                yy: a2 * ey * ey + c2 * ex * ex,
            };
            sightings.push(Sighting { centre_px, covariance_px2, ..s.clone() });
        }
        let options = FitOptions::default();
        weighted += (fit_flight(&sightings, &view, &options).unwrap().gravity_m_per_s2.value - 9.81).powi(2);
        sightings.iter_mut().for_each(|s| s.covariance_px2 = Covariance2::isotropic(0.36));
        plain += (fit_flight(&sightings, &view, &options).unwrap().gravity_m_per_s2.value - 9.81).powi(2);
    }
    // By the covariance formula the variance of g falls to 0.65; the two share their errors, so the ratio scatters little.
    assert!(weighted < 0.8 * plain, "{weighted} {plain}");
}

#[test]
fn flights_that_share_gravity_sharpen_it() {
    let view = field_of_view();
    let mut random = ChaCha8Rng::seed_from_u64(12);
    let throws = [(4.0, 45.0, 1.0), (3.5, 60.0, -1.0), (4.5, 35.0, 1.0)];
    let films: Vec<Vec<Sighting>> = throws
        .iter()
        .map(|&(speed, angle, direction)| {
            let from = MetrePoint::new(if direction > 0.0 { 0.0 } else { 1.8 }, 0.0);
            Throw::new(from, speed, angle, direction).film(&view, &frame_times(60.0, 31), 0.1, &mut random)
        })
        .collect();
    let inputs: Vec<FlightInput> =
        films.iter().map(|s| FlightInput { sightings: s, launch: Launch::FirstSighting }).collect();
    let mut options = FitOptions::default();
    options.terms.roll = Term::Free;
    options.terms.readout = Some(Term::Free);
    let together = fit_flights(&inputs, &view, &options).unwrap();
    let alone = fit_flight(&films[0], &view, &options).unwrap();
    let u = |fit: &FlightFit| fit.gravity_m_per_s2.standard_uncertainty.unwrap();
    assert!(together.iter().all(|f| f.gravity_m_per_s2 == together[0].gravity_m_per_s2));
    assert!(u(&together[0]) < 0.7 * u(&alone));
    assert!((together[0].gravity_m_per_s2.value - 9.81).abs() < 4.0 * u(&together[0]));
    for (fit, (speed, ..)) in together.iter().zip(throws) {
        assert!(
            (fit.launch_speed_m_per_s.value - speed).abs()
                < 4.0 * fit.launch_speed_m_per_s.standard_uncertainty.unwrap()
        );
    }
    assert_eq!(together[1].direction(), -1.0);
}

#[test]
fn the_launch_is_where_it_is_said_to_be() {
    let view = field_of_view();
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    // Filming begins 50 ms after the launch.
    let times: Vec<f64> = frame_times(60.0, 30).iter().map(|t| t + 0.05).collect();
    let sightings = throw.film(&view, &times, 0.05, &mut ChaCha8Rng::seed_from_u64(13));
    let with = |launch| fit_flight(&sightings, &view, &FitOptions { launch, ..FitOptions::default() }).unwrap();
    let point_px = view.pixel_from_metre(MetrePoint::new(0.0, 0.0)).unwrap();
    let near = with(Launch::Near { point_px, standard_uncertainty_px: 2.0 });
    assert!(near.launch_time_s.value.abs() < 2e-3, "{:?}", near.launch_time_s);
    assert!((near.launch_speed_m_per_s.value - 4.0).abs() < 0.02);
    assert!((near.launch_angle_deg.value - 45.0).abs() < 0.2);
    // 2 px of 1.3 mm at 4 m/s.
    assert!((near.launch_time_s.standard_uncertainty.unwrap() - 0.65e-3).abs() < 0.02e-3);
    let between = with(Launch::Between { from_s: -0.01, to_s: 0.01, seen_px: None, mouth: None });
    let part = between.contributions.iter().find(|c| c.source == ContributionSource::LaunchTime).unwrap();
    // dv/dt = −g·sin(45°) at launch, times 0.02/√12 s.
    let expected = 9.81 * 45f64.to_radians().sin() * 0.02 / 12f64.sqrt();
    assert!((part.standard[0].abs() / expected - 1.0).abs() < 0.01);
}

/// The launch is seen when its row is exposed: with 25 ms from top to bottom a third of a frame's step and more after the frame's
/// own time, 2 to 3 % of a steep throw's speed.
#[test]
fn the_launch_counts_its_row() {
    let mut view = field_of_view();
    view.readout_s = 0.025;
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 65.0, 1.0);
    let point_px = view.pixel_from_metre(MetrePoint::new(0.0, 0.0)).unwrap();
    let row_s = view.row_time_s(point_px);
    assert!(row_s > 0.01, "{row_s}");
    let times: Vec<f64> = frame_times(30.0, 16).iter().map(|t| t - row_s + 1e-3).collect();
    let sightings = throw.film(&view, &times, 0.05, &mut ChaCha8Rng::seed_from_u64(19));
    // The readout as known, and as the flight itself shows it to one who takes the shutter for a global one.
    let mut found = FitOptions::default();
    found.terms.readout = Some(Term::Free);
    let mut unaware = view.clone();
    unaware.readout_s = 0.0;
    for (view, options) in [(&view, FitOptions::default()), (&unaware, found)] {
        let (from_s, to_s) = (-row_s - 1e-3, -row_s + 1e-3);
        let between = Launch::Between { from_s, to_s, seen_px: Some(point_px), mouth: None };
        for launch in [between, Launch::Near { point_px, standard_uncertainty_px: 1.0 }] {
            let fit = fit_flight(&sightings, view, &FitOptions { launch, ..options.clone() }).unwrap();
            // 0.05 px at 16 frames: 0.3 ms of the readout at worst, and three times 0.4 % at the end of the flight for the speed. A
            // bracket's middle lies up to 2 ms late, as the first sighting may still be pushed.
            let late_s = if matches!(launch, Launch::Near { .. }) { 0.0 } else { 2e-3 };
            assert!((-1e-3..1e-3 + late_s).contains(&fit.launch_time_s.value), "{launch:?}: {:?}", fit.launch_time_s);
            assert!(
                (fit.launch_speed_m_per_s.value / 4.0 - 1.0).abs() < 4e-3 + late_s * 9.81 / 4.0,
                "{launch:?}: {:?}",
                fit.launch_speed_m_per_s
            );
        }
    }
}

#[test]
fn the_paths_covariance_is_that_of_its_accelerations() {
    let view = field_of_view();
    let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    throw.roll_rad = 0.1;
    let sightings = throw.film(&view, &frame_times(60.0, 31), 0.1, &mut ChaCha8Rng::seed_from_u64(18));
    let mut rolled = FitOptions::default();
    rolled.terms.roll = Term::Free;
    let mut aside = FitOptions::default();
    aside.terms.horizontal_acceleration = Term::Free;
    // Roll and sideways acceleration are two ways to say the same: constant acceleration in the plane.
    let (a, b) = (fit_flight(&sightings, &view, &rolled).unwrap(), fit_flight(&sightings, &view, &aside).unwrap());
    let (ca, cb) = (a.path_covariance(), b.path_covariance());
    for i in 0..6 {
        for j in 0..6 {
            let size = (ca[i][i] * ca[j][j]).sqrt();
            assert!((ca[i][j] - cb[i][j]).abs() < 1e-5 * size, "{i} {j}");
        }
    }
}

#[test]
fn uniform_steps_win_over_jittered_stamps_and_stamps_over_uniform_steps() {
    let view = field_of_view();
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    let mut random = ChaCha8Rng::seed_from_u64(14);
    let even = frame_times(60.0, 31);
    let uneven: Vec<f64> = even.iter().enumerate().map(|(i, t)| t + if i % 3 == 0 { 2e-3 } else { 0.0 }).collect();
    let on = |s: &[Sighting], t: &[f64]| clock::with_times(s, t);
    let filmed_even = throw.film(&view, &even, 0.1, &mut random);
    let options = FitOptions::default();
    let (_, choice) = choose_clock(&on(&filmed_even, &uneven), std::slice::from_ref(&even), &view, &options).unwrap();
    assert_eq!(choice.chosen, 1, "{choice:?}");
    let filmed_uneven = throw.film(&view, &uneven, 0.1, &mut random);
    let (_, choice) = choose_clock(&filmed_uneven, std::slice::from_ref(&even), &view, &options).unwrap();
    assert_eq!(choice.chosen, 0, "{choice:?}");
    // Where both serve, the stamps stay.
    let (_, choice) = choose_clock(&filmed_even, &[even], &view, &options).unwrap();
    assert!(!choice.changed());
    let short = choose_clock(&filmed_even, &[vec![0.0; 3]], &view, &options).unwrap_err();
    assert_eq!(short, FitError::TimesMismatch { found: 3, sightings: 31 });
}

/// Frames taken by a phone that keeps no even pace (± 1.5 ms), stamped a little roughly (0.3 ms): steps on an even clock fit a part
/// of the flight closely by chance, the stamps all of it, only not as closely as the sightings say of themselves.
#[test]
fn rough_stamps_of_all_frames_win_over_even_steps_that_fit_a_few() {
    let view = field_of_view();
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    let even = frame_times(60.0, 31);
    for seed in 0..20 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut off =
            |u: f64| -> f64 { u * rand_distr::Distribution::<f64>::sample(&rand_distr::StandardNormal, &mut random) };
        let (taken, stamps): (Vec<f64>, Vec<f64>) = even
            .iter()
            .map(|t| {
                let taken = t + off(1.5e-3);
                (taken, taken + off(0.3e-3))
            })
            .unzip();
        let filmed = throw.film(&view, &taken, 0.05, &mut random);
        let stamped = clock::with_times(&filmed, &stamps);
        let (fit, choice) = choose_clock(&stamped, std::slice::from_ref(&even), &view, &FitOptions::default()).unwrap();
        assert_eq!(choice.chosen, 0, "{seed}: {choice:?}");
        // Normal noise of which every sighting has its share: at most a few lie beyond four standard deviations.
        assert!(fit.residuals.iter().filter(|r| r.used).count() >= 26, "{seed}");
    }
}

#[test]
fn correlated_residuals_widen_the_interval() {
    let view = field_of_view();
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    let mut random = ChaCha8Rng::seed_from_u64(15);
    let mut inside = [0, 0];
    let mut widened = [0, 0];
    for (case, correlation) in [0.0, 0.7f64].into_iter().enumerate() {
        for _ in 0..100 {
            let mut sightings = throw.film(&view, &frame_times(120.0, 61), 0.0, &mut random);
            let (mut ex, mut ey) = (0.0, 0.0);
            let fresh = (1.0 - correlation * correlation).sqrt() * 0.1;
            for s in &mut sightings {
                let mut draw =
                    || -> f64 { rand_distr::Distribution::<f64>::sample(&rand_distr::StandardNormal, &mut random) };
                (ex, ey) = (correlation * ex + fresh * draw(), correlation * ey + fresh * draw());
                s.centre_px.x += ex;
                s.centre_px.y += ey;
                s.covariance_px2 = Covariance2::isotropic(0.1);
            }
            let fit = fit_flight(&sightings, &view, &FitOptions::default()).unwrap();
            let g = fit.gravity_m_per_s2;
            inside[case] += usize::from((g.value - 9.81).abs() <= g.expanded_uncertainty_95.unwrap());
            widened[case] += usize::from(fit.noise.correlation_factor > 1.0);
        }
    }
    println!("inside {inside:?} widened {widened:?}");
    // 95 of 100 scatters by 2.2; white noise is seldom taken for correlated.
    assert!(inside[0] >= 88 && inside[1] >= 86 && widened[0] <= 10 && widened[1] >= 90, "{inside:?} {widened:?}");
}

#[test]
fn a_stored_request_gives_the_same_numbers_again() {
    let mut view = field_of_view();
    view.uncertainty.scale_relative = Some(0.002);
    view.uncertainty.readout_s = Some(0.008);
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    let sightings = throw.film(&view, &frame_times(60.0, 31), 0.1, &mut ChaCha8Rng::seed_from_u64(16));
    let flight = RequestedFlight {
        after_touch: false,
        sightings,
        launch: Launch::Between { from_s: -1.0 / 60.0, to_s: 0.0, seen_px: None, mouth: None },
        alternative_times_s: vec![frame_times(60.0, 31)],
        exposure_s: None,
    };
    let options = FitOptions {
        terms: Terms::default().informed_by(&view),
        gravity_given: Some((9.81, 0.02)),
        ..FitOptions::default()
    };
    let request = Request { flights: vec![flight], options, conditions: Conditions::default() };
    let first = evaluate(&request, &view).unwrap();
    let stored: Request = serde_json::from_str(&serde_json::to_string(&request).unwrap()).unwrap();
    let stored_view: PlainScale = serde_json::from_str(&serde_json::to_string(&view).unwrap()).unwrap();
    assert_eq!(evaluate(&stored, &stored_view).unwrap(), first);
    let json = serde_json::to_string(&first).unwrap();
    assert_eq!(serde_json::from_str::<Vec<Evaluated>>(&json).unwrap(), first);
    // With gravity given the launch speed is the sharper of the two.
    let (given, _) = first[0].gravity_given.as_ref().unwrap();
    let u = |fit: &FlightFit| fit.contributions[0].standard[0];
    assert!(u(given) < u(&first[0].fit));
    assert_eq!(first[0].models[0].above_best, 0.0);
}

#[test]
fn the_data_ask_for_air_only_when_it_is_there() {
    let view = field_of_view();
    let ball = BallInAir::new(0.013, 0.070, &crate::flight::air::AirState::ROOM).unwrap();
    let mut random = ChaCha8Rng::seed_from_u64(17);
    for (truth, with_air) in [(Motion::InAir(ball), true), (Motion::Vacuum, false)] {
        let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
        throw.motion = truth;
        let sightings = throw.film(&view, &frame_times(60.0, 31), 0.1, &mut random);
        let input = FlightInput { sightings: &sightings, launch: Launch::FirstSighting };
        let options = FitOptions { motion: Motion::InAir(ball), ..FitOptions::default() };
        let rows = models::compare(&[input], &[vec![true; 31]], &view, &options);
        let place = |c: Candidate| rows.iter().find(|r| r.candidate == c).unwrap();
        let (air, parabola) = (place(Candidate::Air), place(Candidate::Parabola));
        // A foam ball: signal over noise of hundreds.
        let clear = models::CLEARLY_BETTER_AICC;
        if with_air {
            assert!(air.above_best + clear < parabola.above_best, "{rows:?}");
            assert!((air.gravity_m_per_s2 / 9.81 - 1.0).abs() < 2e-3);
        } else {
            assert!(parabola.above_best + clear < air.above_best, "{rows:?}");
        }
    }
}

#[test]
fn the_band_is_that_of_the_paths_covariance_and_the_drag_widens_it() {
    let view = field_of_view();
    let ball = BallInAir::new(0.013, 0.070, &crate::flight::air::AirState::ROOM).unwrap();
    let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    let height = |at: &Instant| [at.state.x, at.state.y];
    let (last_s, mut random) = (0.5, ChaCha8Rng::seed_from_u64(18));
    let sightings = throw.film(&view, &frame_times(60.0, 31), 0.1, &mut random);
    let fit = fit_flight(&sightings, &view, &FitOptions::default()).unwrap();
    // x = x0 + vx·τ and y = y0 + vy·τ − g·τ²/2, by hand from the covariance of the path.
    let c = fit.path_covariance();
    let by_hand =
        |g: [f64; 6]| (0..6).flat_map(|i| (0..6).map(move |j| (i, j))).map(|(i, j)| g[i] * c[i][j] * g[j]).sum::<f64>();
    let tau = last_s - fit.launch_time_s.value;
    let want =
        [by_hand([1.0, 0.0, tau, 0.0, 0.0, 0.0]).sqrt(), by_hand([0.0, 1.0, 0.0, tau, 0.0, -0.5 * tau * tau]).sqrt()];
    let got = fit.uncertainties_along(&[last_s], height).unwrap()[0];
    // Central differences of a parabola leave rounding alone.
    assert!((got[0] / want[0] - 1.0).abs() < 1e-6 && (got[1] / want[1] - 1.0).abs() < 1e-6, "{got:?} {want:?}");

    throw.motion = Motion::InAir(ball);
    let sightings = throw.film(&view, &frame_times(60.0, 31), 0.1, &mut random);
    // Half a second beyond the last sighting, where the drag matters.
    let beyond = |relative: f64| {
        let terms = Terms::default().with_air(throw.motion, relative);
        let fit = fit_flight(&sightings, &view, &FitOptions { terms, motion: throw.motion, ..FitOptions::default() })
            .unwrap();
        fit.uncertainties_along(&[1.0], height).unwrap()[0]
    };
    let (sure, doubtful) = (beyond(1e-6), beyond(0.1));
    assert!(doubtful[0] > 1.5 * sure[0] && doubtful[1] > sure[1], "{sure:?} {doubtful:?}");
}

/// A launcher that still pushes with 20 m/s² two milliseconds before the release moves the ball by 0.04 mm, a thirtieth of a pixel: that
/// sighting lies on the path, and yet the ball wasn't off. One that is pushed by 2.5 mm says that the launch came after it.
#[test]
fn a_launch_may_come_after_the_first_sightings() {
    let view = field_of_view();
    let pushed = |early_s: f64, push: f64| {
        let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
        throw.push = (push * 0.5f64.sqrt(), push * 0.5f64.sqrt());
        let times: Vec<f64> = frame_times(60.0, 31).iter().map(|t| t - early_s).collect();
        let sightings = throw.film(&view, &times, 0.05, &mut ChaCha8Rng::seed_from_u64(20));
        let launch = Launch::Between { from_s: times[0] - 1.0 / 60.0, to_s: times[0], seen_px: None, mouth: None };
        fit_flight(&sightings, &view, &FitOptions { launch, ..FitOptions::default() }).unwrap()
    };
    let hidden = pushed(0.002, 20.0);
    let launch = hidden.launch_time_s;
    assert!(launch.value.abs() < launch.expanded_uncertainty_95.unwrap(), "{launch:?}");
    // A frame over √12, and a quarter: 13 m/s² move the ball by three standard deviations within 5 ms.
    assert!(launch.standard_uncertainty.unwrap() < 1.25 / 60.0 / 12f64.sqrt(), "{launch:?}");
    let plain = pushed(0.010, 50.0);
    let launch = plain.launch_time_s;
    assert!(!plain.residuals[0].used && launch.value > -0.010, "{launch:?}");
    assert!(launch.value.abs() < launch.expanded_uncertainty_95.unwrap(), "{launch:?}");
}

/// A ball that is let go is seen when it has left its place by some pixels, frames after; its path still comes from rest.
#[test]
fn a_ball_that_is_let_go_starts_from_rest() {
    let view = field_of_view();
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 0.0, 0.0, 1.0);
    let times: Vec<f64> = frame_times(60.0, 30).iter().map(|t| t + 0.025).collect();
    let sightings = throw.film(&view, &times, 0.05, &mut ChaCha8Rng::seed_from_u64(21));
    let launch = Launch::Between { from_s: times[0] - 1.0 / 60.0, to_s: times[0], seen_px: None, mouth: None };
    let fit = fit_flight(&sightings, &view, &FitOptions { launch, ..FitOptions::default() }).unwrap();
    // 0.05 px a sighting at either end of 0.5 s: some 2 mm/s, which g makes up in 0.2 ms.
    assert!(fit.launch_time_s.value.abs() < 2e-3, "{:?}", fit.launch_time_s);
    let speed = fit.launch_speed_m_per_s;
    assert!(speed.value < speed.expanded_uncertainty_95.unwrap(), "{speed:?}");
    // A hand that moves by a tenth of a metre a second.
    assert!(speed.expanded_uncertainty_95.unwrap() < 0.1, "{speed:?}");
}

/// A sighting from up to 7 ms before the release passes for flight, up to half a pixel ahead of it, and bends the path. A part of that is
/// taken off, and what is left is in the interval.
#[test]
fn a_push_that_passes_for_flight_is_taken_off_on_average() {
    const RATE: f64 = 60.0;
    let view = PlainScale::new(0.0013, PixelPoint::new(300.0, 800.0));
    let mut random = ChaCha8Rng::seed_from_u64(77);
    let (mut with, mut without, mut squares, mut count) = (0.0, 0.0, 0.0, 0.0);
    for flight in 0..300 {
        let mut throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 50.0, 1.0);
        // Along the flight, over a stroke of a quarter of a metre.
        throw.push = (30.0 * throw.launch.vx / 4.0, 30.0 * throw.launch.vy / 4.0);
        let before_s = 7e-3 * (f64::from(flight) + 0.5) / 300.0;
        let times: Vec<f64> = (0..30).map(|i| f64::from(i) / RATE - before_s).collect();
        let sightings = throw.film(&view, &times, 0.15, &mut random);
        let launch = Launch::Between { from_s: times[0] - 1.0 / RATE, to_s: times[0], seen_px: None, mouth: None };
        let fit = fit_flight(&sightings, &view, &FitOptions { launch, ..FitOptions::default() }).unwrap();
        let g = fit.gravity_m_per_s2;
        let (error, added) = (g.value - 9.81, fit.pushes.map_or(0.0, |pushes| pushes.added[2]));
        with += error;
        without += error - added;
        squares += (error / g.standard_uncertainty.unwrap()).powi(2);
        count += 1.0;
    }
    let (with, without, spread): (f64, f64, f64) = (with / count, without / count, (squares / count).sqrt());
    println!("bias of g {with:+.4} m/s², {without:+.4} with pushes taken for flight; errors over u {spread:.2}");
    // Beforehand any moment is alike, so that less than the whole is taken off.
    assert!(with.abs() < without.abs(), "{with} {without}");
    // 300 flights: one scatters by 0.04.
    assert!(spread < 1.15, "{spread}");
}

/// A length or a clock that is off by what was stated of it: a given gravity finds it, and with it the speed.
#[test]
fn a_given_gravity_measures_scale_and_clock() {
    let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
    for (scale_off, scale_u, clock_off, clock_u, quantity) in
        [(0.02, 0.02, 0.0, 1e-5, "length of the scale"), (0.0, 1e-5, 0.01, 0.01, "rate of the clock")]
    {
        let mut stated = field_of_view();
        stated.uncertainty.scale_relative = Some(scale_u);
        let mut truly = stated.clone();
        truly.metres_per_pixel *= 1.0 + scale_off;
        let mut sightings = throw.film(&truly, &frame_times(60.0, 31), 0.05, &mut ChaCha8Rng::seed_from_u64(21));
        sightings.iter_mut().for_each(|s| s.time_s /= 1.0 + clock_off);
        let flight = RequestedFlight {
            after_touch: false,
            sightings,
            launch: Launch::At { time_s: 0.0, standard_uncertainty_s: 0.0 },
            alternative_times_s: Vec::new(),
            exposure_s: None,
        };
        let options = FitOptions { gravity_given: Some((9.81, 0.001)), ..FitOptions::default() };
        let conditions = Conditions { time_base_relative: clock_u, ..Conditions::default() };
        let request = Request { flights: vec![flight], options, conditions };
        let evaluated = evaluate(&request, &stated).unwrap().remove(0);
        let (given, budget) = evaluated.gravity_given.unwrap();
        let (free, with) = (evaluated.budget.launch_speed_m_per_s, budget.launch_speed_m_per_s);
        let u = with.combined_standard_uncertainty;
        // Four standard uncertainties, of some tenths of a per cent; free it is off by what scale or clock are off.
        assert!((with.value - 4.0).abs() < 4.0 * u, "{quantity}: {with:?}");
        assert!(u < 0.3 * free.combined_standard_uncertainty, "{quantity}: {with:?} {free:?}");
        assert!((free.value / 4.0 - 1.0).abs() > 0.008, "{quantity}: {free:?}");
        let found = match quantity {
            "rate of the clock" => given.value(Quantity::ClockRate),
            _ => given.camera[0].shift * scale_u,
        };
        assert!((found - scale_off - clock_off).abs() < 0.003, "{quantity}: {found}");
        // The path is the same through the same points.
        assert!((given.residual_rms_px / evaluated.fit.residual_rms_px - 1.0).abs() < 0.05, "{quantity}");
    }
}
