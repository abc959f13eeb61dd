//! A measurement file gives every number again, bit for bit, without the clip: whatever the measurement was made of.

mod card_page;

use card_page::card_page;
use lobline::measure::{Mending, Placed, QUICK_RUN, Settings, measure_source, refit, refit_with};
use lobline::measurement::Measurement;
use lobline::report::json::document;
use lobline::rig::Rig;
use lobline::scene::{Camera, Scene, presets, source, truth};
use lobline::units::PixelPoint;

const SEED: u64 = 3;

fn rig(scene: &Scene, more: &str) -> Rig {
    let scale = &truth(scene).scales[0];
    let (a, b) = (scale.a_px.unwrap(), scale.b_px.unwrap());
    let ends = format!("{:.0},{:.0} to {:.0},{:.0} = {} m", a.x, a.y, b.x, b.y, scale.length_m);
    Rig::parse(&format!("[scale]\nlengths = ['{ends}']\n{more}")).unwrap()
}

fn measured(scene: &Scene, settings: &Settings) -> Measurement {
    measure_source(&mut source(scene), settings, &mut |_| {}).unwrap().measurement
}

/// Through the file: what it holds, read back and computed anew, is the file again, to the last digit of every number.
#[track_caller]
fn comes_out_again(measurement: &Measurement) {
    let file = document(measurement);
    let read: Measurement = serde_json::from_str(&file).unwrap();
    let again = refit(&read).unwrap();
    assert!(again.flights == measurement.flights, "the flights differ");
    assert!(document(&again) == file, "the files differ");
}

#[test]
fn a_plain_flight() {
    let scene = presets::clean_60fps(SEED);
    let settings = Settings { rig: rig(&scene, ""), ..Settings::default() };
    comes_out_again(&measured(&scene, &settings));
}

#[test]
fn five_flights_that_share_gravity() {
    let scene = presets::five_launches(SEED);
    let settings = Settings { rig: rig(&scene, ""), ..Settings::default() };
    let measurement = measured(&scene, &settings);
    assert_eq!(measurement.flights.len(), 5);
    comes_out_again(&measurement);
}

#[test]
fn a_light_ball_in_air() {
    let scene = presets::light_ball_in_air(SEED);
    let ball = "[ball]\nmass = '2.70 g u 0.02 g'\ndiameter = '40.0 mm u 0.1 mm'\n";
    let settings = Settings { rig: rig(&scene, ball), ..Settings::default() };
    let measurement = measured(&scene, &settings);
    assert!(measurement.flights[0].air_counted);
    comes_out_again(&measurement);
}

#[test]
fn sightings_changed_by_hand() {
    let scene = presets::clean_60fps(SEED);
    let plain = measured(&scene, &Settings { rig: rig(&scene, ""), ..Settings::default() });
    let rows = &plain.flights[0].sightings;
    let at = rows[12].centre_px;
    let moved = Placed { frame: rows[12].frame, at: PixelPoint::new(at.x + 0.3, at.y), standard_uncertainty_px: 0.5 };
    let mending = Mending { drop: vec![rows[8].frame], place: vec![moved] };
    let settings = Settings { rig: rig(&scene, ""), mending, ..Settings::default() };
    let measurement = measured(&scene, &settings);
    let by_hand = measurement.flights[0].sightings.iter().filter(|row| row.by_hand).count();
    assert_eq!((by_hand, measurement.flights[0].sightings.len()), (1, rows.len() - 1));
    comes_out_again(&measurement);
}

#[test]
fn times_that_were_mended_and_a_rate_that_was_stated() {
    let scene = presets::variable_rate_drops(SEED);
    comes_out_again(&measured(&scene, &Settings { rig: rig(&scene, ""), ..Settings::default() }));
    let mut scene = presets::slow_motion_240_as_30(SEED);
    scene.timing.frames = 310;
    let settings = Settings { rig: rig(&scene, ""), capture_rate_hz: Some(240.0), ..Settings::default() };
    comes_out_again(&measured(&scene, &settings));
}

#[test]
fn a_card_for_a_scale() {
    let (page, width_m) = card_page(1);
    let mut scene = presets::printed_page(1, page, width_m, [0.6, 0.4, 0.0], [0.0; 3]);
    let plain = &scene.camera;
    let aim = (plain.position_m[0], plain.position_m[1]);
    scene.camera = Camera::square_on(1920, 1080, 1.5 * plain.focal_px, aim, plain.position_m[2]);
    let measurement = measured(&scene, &Settings::default());
    assert!(measurement.scale.description.contains("card"), "{}", measurement.scale.description);
    comes_out_again(&measurement);
}

/// A Monte Carlo run is part of the file, seeded: it comes out again as well, and can be asked for without the clip.
#[test]
fn a_monte_carlo_run_comes_out_again() {
    let scene = presets::clean_60fps(SEED);
    let camera = "[camera]\nyaw = '0 deg u 0.5 deg'\npitch = '0 deg u 0.5 deg'\n";
    let plain = measured(&scene, &Settings { rig: rig(&scene, camera), ..Settings::default() });
    let run = lobline::maths::monte_carlo::RunOptions { batch: 500, most_trials: 1000, ..QUICK_RUN };
    let drawn = refit_with(&plain, Some(run)).unwrap();
    let gravity = drawn.flights[0].account.as_ref().unwrap().gravity;
    let monte_carlo = gravity.monte_carlo.unwrap();
    println!("{gravity:?}");
    // 1000 draws fix a standard deviation to 2.2 %; four of those, and what the propagation to first order leaves out.
    assert!((monte_carlo.standard_uncertainty / gravity.combined_standard_uncertainty - 1.0).abs() < 0.12);
    assert_eq!((monte_carlo.seed, monte_carlo.trials), (1, 1000));
    comes_out_again(&drawn);
}
