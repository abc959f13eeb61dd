use proptest::prelude::*;
use toml::Value;

use super::Quantity::*;
use super::*;
use crate::flight::drag::Forces;
use crate::flight::fixture::Fixture;
use crate::flight::path::FlightPath;
use crate::flight::trajectory::State;

fn number(value: &Value) -> f64 {
    match value {
        Value::String(text) => text.parse().unwrap(),
        other => other.as_float().unwrap(),
    }
}

/// The givens of a textbook case in our quantities, by the keys the fixture's header explains.
fn givens(case: &Value) -> Values {
    let mut values = Values::new();
    if let Some(g) = case.get("g") {
        values.insert(Gravity, number(g));
    }
    let kind = case["kind"].as_str().unwrap();
    let given = &case["given"];
    for (key, value) in given.as_table().unwrap() {
        let value = number(value);
        match key.as_str() {
            "v0" if kind == "vertical throw" => drop(values.insert(SpeedY, value)),
            "v0" => drop(values.insert(Speed, value)),
            "angle" => drop(values.insert(Angle, value)),
            "v0x" => drop(values.insert(SpeedX, value)),
            "v0y" => drop(values.insert(SpeedY, value)),
            "dy" | "y" => drop(values.insert(Rise, value)),
            "x" => drop(values.insert(Distance, value)),
            "t" => drop(values.insert(Time, value)),
            "height" | "drop" => drop(values.insert(Rise, -value)),
            "range" => values.extend([(Distance, value), (Rise, 0.0)]),
            "t_level" => values.extend([(Time, value), (Rise, 0.0)]),
            // Used by the case's own second stage, below.
            "t_query" | "target_x" | "gust_loss_at_apex" | "net_x" | "net_height" | "sighted" => {}
            other => panic!("given `{other}` isn't known here"),
        }
    }
    if kind.starts_with("horizontal launch") {
        values.insert(Angle, 0.0);
    }
    if kind == "drop" || kind == "measured g from a drop" {
        values.insert(Speed, 0.0);
    }
    if let Some(rise) = values.get(&Rise).copied()
        && kind == "maximum range"
        && rise == 0.0
    {
        values.insert(Rise, 0.0);
    }
    values
}

/// One answer of a case, by its key.
fn answer(key: &str, case: &Value, solutions: &[Solution]) -> f64 {
    let solution = &solutions[0];
    let get = |quantity: Quantity| solution.values[&quantity];
    let given = |key: &str| number(&case["given"][key]);
    let path =
        || FlightPath::new(State::launch(get(Speed), get(Angle)), &Forces::gravity_only(get(Gravity)), -1e3).unwrap();
    let at = |t: f64| path().at(t);
    match key {
        "vx" => get(SpeedX),
        "v0y" => get(SpeedY),
        "v0" => get(Speed),
        "g" => get(Gravity),
        "h_max" => get(ApexHeight),
        "t_apex" => get(ApexTime),
        "x_apex" => get(ApexDistance),
        "range_level" => get(LevelRange),
        "t_level" => get(LevelTime),
        "displacement" => get(ApexHeight).hypot(get(ApexDistance)),
        "displacement_angle" => get(ApexHeight).atan2(get(ApexDistance)).to_degrees(),
        "t" | "t_land" => get(Time),
        "t_other" => {
            let step = solution.steps.iter().find(|step| step.rule.gives == Time).unwrap();
            step.other_root.unwrap()
        }
        "x" | "x_land" => get(Distance),
        "y" => get(Rise),
        "drop" => -get(Rise),
        "vy" | "vy_end" => get(EndSpeedY),
        "speed_end" => get(EndSpeed),
        "angle_end" => get(EndAngle),
        "path_linear" => get(Angle).to_radians().tan(),
        "path_quadratic" => -get(Gravity) / (2.0 * get(SpeedX).powi(2)),
        "angle_low" => get(Angle),
        "angle_high" => solutions[1].values[&Angle],
        "height_mid" => path().at_distance(get(Distance) / 2.0).unwrap().state.y,
        "short_by" => given("target_x") - get(Distance),
        "x_at_query" => at(given("t_query")).x,
        "y_at_query" => at(given("t_query")).y,
        "x_at_2" | "x_at_4" | "x_at_6" => at(key[5..].parse().unwrap()).x,
        "y_at_2" | "y_at_4" | "y_at_6" => at(key[5..].parse().unwrap()).y,
        "range_with_gust" => get(LevelRange) - given("gust_loss_at_apex") * get(ApexTime),
        other => panic!("answer `{other}` isn't known here"),
    }
}

/// Cases in two stages: first an angle through one place, then a question about another.
fn two_stages(case: &Value) -> Option<BTreeMap<&'static str, f64>> {
    let given = |key: &str| number(&case["given"][key]);
    let g = number(case.get("g")?);
    let angle_through = |x: f64, y: f64| {
        let values = Values::from([(Speed, given("v0")), (Distance, x), (Rise, y), (Gravity, g)]);
        solve(&values).unwrap()[0].values[&Angle]
    };
    match case["id"].as_str().unwrap() {
        "tennis_serve" => {
            let angle = angle_through(given("net_x"), given("net_height") - given("height"));
            let values = Values::from([(Speed, given("v0")), (Angle, angle), (Rise, -given("height")), (Gravity, g)]);
            let beyond = solve(&values).unwrap()[0].values[&Distance] - given("net_x");
            Some(BTreeMap::from([("angle_below", -angle), ("beyond_net", beyond)]))
        }
        "gun_sight" => {
            let angle = angle_through(given("sighted"), 0.0);
            let values = Values::from([(Speed, given("v0")), (Angle, angle), (Distance, given("x")), (Gravity, g)]);
            Some(BTreeMap::from([("angle", angle), ("y", solve(&values).unwrap()[0].values[&Rise])]))
        }
        _ => None,
    }
}

/// Half a unit of the last printed place.
fn half_last_place(printed: &str) -> f64 {
    let (mantissa, exponent) = printed.split_once('e').unwrap_or((printed, "0"));
    let decimals = mantissa.split_once('.').map_or(0, |(_, decimals)| decimals.len() as i32);
    0.5 * 10f64.powi(exponent.parse::<i32>().unwrap() - decimals)
}

#[test]
fn all_textbook_cases_come_out() {
    let table = Fixture::read("projectile_textbook.toml");
    let cases = table["case"].as_array().unwrap();
    // 40 is what the header says; a shorter file would pass unseen.
    assert_eq!(cases.len(), table["meta"]["cases"].as_integer().unwrap() as usize);
    for case in cases {
        let id = case["id"].as_str().unwrap();
        let staged = two_stages(case);
        let solutions = if staged.is_some() { Vec::new() } else { solve(&givens(case)).unwrap() };
        let value = |key: &str| staged.as_ref().map_or_else(|| answer(key, case, &solutions), |staged| staged[key]);
        for (key, expected) in case["computed"].as_table().unwrap() {
            let expected = number(expected);
            // Unrounded answers to 40 digits; rounding in a chain of some ten operations on f64.
            assert!((value(key) - expected).abs() <= 1e-11 * expected.abs(), "{id} {key}: {} {expected}", value(key));
        }
        let mismatch: Vec<&str> = case
            .get("mismatch")
            .map(|list| list.as_array().unwrap().iter().map(|key| key.as_str().unwrap()).collect())
            .unwrap_or_default();
        for (key, printed) in case["printed"].as_table().unwrap() {
            let text = printed.as_str().unwrap();
            // Books round halves upwards and trailing zeros of whole numbers: the mismatch list names all such answers
            // but `110` and `560`, which it explains.
            let off = (value(key) - number(printed)).abs();
            let tolerance = half_last_place(text) * (1.0 + 1e-9);
            assert!(off <= tolerance || mismatch.contains(&key.as_str()), "{id} {key}: {} printed {text}", value(key));
            assert!(off > tolerance || !mismatch.contains(&key.as_str()), "{id} {key}: no mismatch any more");
        }
    }
}

proptest! {
    #[test]
    fn solving_undoes_predicting(
        speed in 1.0..10.0, angle in -60.0..80.0, time in 0.05..1.0, g in 9.7..9.9
    ) {
        let predicted = solve(&Values::from([(Speed, speed), (Angle, angle), (Time, time), (Gravity, g)])).unwrap();
        let all = &predicted[0].values;
        prop_assume!(all[&Distance] > 1e-2 && f64::abs(angle) > 0.1);
        // Slopes of the inverse grow without limit where the two roots meet; stay off that edge.
        let edge = speed.powi(4) - g * (g * all[&Distance].powi(2) + 2.0 * all[&Rise] * speed * speed);
        prop_assume!(edge > 1e-2 * speed.powi(4) && all[&EndSpeedY].abs() > 0.1);
        let ways: [&[Quantity]; 9] = [
            &[Speed, Angle, Rise],
            &[Speed, Angle, Distance],
            &[Angle, Distance, Rise],
            &[Speed, Distance, Rise],
            &[Distance, Time, Rise],
            &[Angle, Time, Rise],
            &[Angle, Time, Distance],
            &[SpeedX, SpeedY, Time],
            &[SpeedX, Distance, Rise],
        ];
        for way in ways {
            let mut given: Values = way.iter().map(|quantity| (*quantity, all[quantity])).collect();
            given.insert(Gravity, g);
            let solutions = solve(&given).unwrap();
            let same = solutions.iter().any(|solution| {
                [Speed, Angle, Time, Distance, Rise, EndSpeed, EndAngle]
                    .iter()
                    .all(|quantity| (solution.values[quantity] - all[quantity]).abs() < 1e-9 * all[quantity].abs().max(1.0))
            });
            prop_assert!(same, "{way:?}: {all:?} not among {solutions:?}");
        }
    }

    #[test]
    fn gravity_comes_back_from_a_flight(speed in 1.0..10.0, angle in 5.0..80.0, x in 0.3..2.0, g in 1.6..25.0) {
        let flight = solve(&Values::from([(Speed, speed), (Angle, angle), (Distance, x), (Gravity, g)])).unwrap();
        let given = Values::from([(Speed, speed), (Angle, angle), (Distance, x), (Rise, flight[0].values[&Rise])]);
        let back = solve(&given).unwrap()[0].values[&Gravity];
        prop_assert!((back - g).abs() < 1e-9 * g);
    }
}

/// Place and velocity after `time` by Runge and Kutta's classical method (Abramowitz and Stegun 25.5.10), which shares nothing
/// with the rules.
fn integrated(vx: f64, vy: f64, g: f64, time: f64) -> [f64; 4] {
    // Exact for a constant acceleration, whatever the step.
    const STEPS: usize = 8;
    let rates = |state: [f64; 4]| [state[2], state[3], 0.0, -g];
    let moved = |state: [f64; 4], rate: [f64; 4], by: f64| std::array::from_fn(|i| state[i] + by * rate[i]);
    let step = time / STEPS as f64;
    (0..STEPS).fold([0.0, 0.0, vx, vy], |state, _| {
        let first = rates(state);
        let second = rates(moved(state, first, 0.5 * step));
        let third = rates(moved(state, second, 0.5 * step));
        let fourth = rates(moved(state, third, step));
        std::array::from_fn(|i| state[i] + step / 6.0 * (first[i] + 2.0 * second[i] + 2.0 * third[i] + fourth[i]))
    })
}

/// The greatest height on the way, found by narrowing thirds.
fn highest(vx: f64, vy: f64, g: f64) -> f64 {
    let height = |time: f64| integrated(vx, vy, g, time)[1];
    let (mut low, mut high) = (0.0, 3.0);
    for _ in 0..100 {
        let third = (high - low) / 3.0;
        if height(low + third) < height(high - third) { low += third } else { high -= third }
    }
    height(0.5 * (low + high)).max(0.0)
}

/// What a command line can state of a flight, from its launch velocity, its gravity and the instant of its end.
fn stated(vx: f64, vy: f64, g: f64, time: f64) -> Values {
    let [x, y, ..] = integrated(vx, vy, g, time);
    Values::from([
        (Speed, vx.hypot(vy)),
        (Angle, vy.atan2(vx).to_degrees()),
        (SpeedX, vx),
        (SpeedY, vy),
        (Time, time),
        (Distance, x),
        (Rise, y),
        (ApexHeight, highest(vx, vy, g)),
    ])
}

/// The 40 triples of those that settle a flight: not three of the launch alone, and not two that say the same.
fn settling_triples() -> Vec<[Quantity; 3]> {
    let all = [Speed, Angle, SpeedX, SpeedY, Time, Distance, Rise, ApexHeight];
    let launch = [Speed, Angle, SpeedX, SpeedY, ApexHeight];
    let idle: [&[Quantity]; 4] =
        [&[SpeedY, ApexHeight], &[SpeedX, Time, Distance], &[SpeedY, Time, Rise], &[ApexHeight, Time, Rise]];
    let mut triples = Vec::new();
    for i in 0..8 {
        for j in i + 1..8 {
            for k in j + 1..8 {
                let triple = [all[i], all[j], all[k]];
                let is_idle = |few: &&[Quantity]| few.iter().all(|quantity| triple.contains(quantity));
                if !triple.iter().all(|quantity| launch.contains(quantity)) && !idle.iter().any(is_idle) {
                    triples.push(triple);
                }
            }
        }
    }
    triples
}

proptest! {
    /// Every flight that comes out is one: integrated, it has what was given. And the flight that the givens are of is among
    /// them, so that none is lost.
    #[test]
    fn from_any_three_givens_come_flights_that_have_them(
        speed in 1.0..10.0, angle in -80.0..85.0, time in 0.05..1.5, g in 9.7..9.9
    ) {
        let (sine, cosine) = f64::to_radians(angle).sin_cos();
        let (vx, vy) = (speed * cosine, speed * sine);
        let truth = stated(vx, vy, g, time);
        // Where two roots meet, the slope of the inverse has no bound; stay off those edges.
        let edge = f64::powi(speed, 4) - g * (g * truth[&Distance].powi(2) + 2.0 * truth[&Rise] * speed * speed);
        prop_assume!(edge > 1e-2 * f64::powi(speed, 4) && f64::abs(vy - g * time) > 0.1 && f64::abs(vy) > 0.1);
        prop_assume!(truth[&Rise].abs() > 1e-3);
        let triples = settling_triples();
        prop_assert_eq!(triples.len(), 40);
        for triple in triples {
            if vy < 0.0 && triple.contains(&ApexHeight) {
                continue;
            }
            let mut given: Values = triple.iter().map(|quantity| (*quantity, truth[quantity])).collect();
            given.insert(Gravity, g);
            let flights = solve(&given).unwrap();
            // At least one sees a fifth of a millionth of what the roots can be off by.
            let near = |a: f64, b: f64| (a - b).abs() <= 1e-6 * (1.0 + b.abs());
            for flight in &flights {
                let get = |quantity: Quantity| flight.values[&quantity];
                let again = stated(get(SpeedX), get(SpeedY), g, get(Time));
                for (quantity, value) in &again {
                    let known = flight.values.get(quantity).copied().unwrap_or(*value);
                    prop_assert!(near(known, *value), "{:?}: {:?} is {} and integrated {}", triple, quantity, known, value);
                }
                prop_assert!(triple.iter().all(|quantity| near(again[quantity], truth[quantity])), "{triple:?}: {flight:?}");
            }
            let is_true = |flight: &Solution| {
                [SpeedX, SpeedY, Time].iter().all(|quantity| near(flight.values[quantity], truth[quantity]))
            };
            prop_assert!(flights.iter().filter(|flight| is_true(flight)).count() == 1, "{triple:?}: {flights:?}");
        }
    }
}

#[test]
fn only_flights_that_exist_come_out() {
    // From time, distance and rise there is one flight: v_x = 1.50/0.60, v_0y = −0.40/0.60 + 9.81·0.60/2, by hand.
    let given = Values::from([(Time, 0.60), (Distance, 1.50), (Rise, -0.40), (Gravity, 9.81)]);
    let flights = solve(&given).unwrap();
    assert_eq!(flights.len(), 1);
    let angle = (-0.40 / 0.60 + 0.5 * 9.81 * 0.60f64).atan2(2.5).to_degrees();
    assert!((flights[0].values[&Angle] - angle).abs() < 1e-9 && (angle - 42.3).abs() < 0.05);
    // 3² + 4² = 5²: upwards or downwards.
    let given = Values::from([(SpeedX, 3.0), (Speed, 5.0), (Time, 0.5), (Gravity, 9.81)]);
    let up: Vec<f64> = solve(&given).unwrap().iter().map(|flight| flight.values[&SpeedY]).collect();
    assert_eq!(up, [4.0, -4.0]);
}

#[test]
fn straight_up_is_not_a_little_to_the_side() {
    let flight = &solve(&Values::from([(Speed, 4.0), (Angle, 90.0), (Gravity, 9.81)])).unwrap()[0];
    assert!([SpeedX, ApexDistance, LevelRange].iter().all(|quantity| flight.values[quantity] == 0.0));
}

#[test]
fn a_place_at_the_highest_point_is_reached_once_and_one_above_it_is_told_from_it() {
    // 4 m/s straight up: H = 16/19.62 m.
    let apex = 16.0 / 19.62;
    let at = |rise: f64| solve(&Values::from([(Speed, 4.0), (Angle, 90.0), (Rise, rise), (Gravity, 9.81)]));
    assert_eq!(at(apex).unwrap().len(), 1);
    let error = at(apex + 2.1e-5).unwrap_err().to_string();
    assert!(
        error.contains("0.81552 m") && error.contains("0.81549 m") && error.ends_with("0.021 mm too low"),
        "{error}"
    );
}

#[test]
fn out_of_reach_says_by_how_much() {
    let given = Values::from([(Speed, 4.0), (Distance, 2.0), (Rise, 0.0), (Gravity, 9.81)]);
    let SolveError::OutOfReach { envelope_m, least_speed, farthest_m, .. } = solve(&given).unwrap_err() else {
        panic!()
    };
    // Enveloping parabola v²/2g − g x²/2v², and v² = g x on the level: any mechanics textbook ("parabola of safety").
    assert!((envelope_m - (16.0 / 19.62 - 9.81 * 4.0 / 32.0)).abs() < 1e-12);
    assert!((least_speed - (9.81f64 * 2.0).sqrt()).abs() < 1e-12);
    assert!((farthest_m.unwrap() - 16.0 / 9.81).abs() < 1e-12);
    let just = Values::from([(Speed, least_speed * 1.0001), (Distance, 2.0), (Rise, 0.0), (Gravity, 9.81)]);
    assert_eq!(solve(&just).unwrap().len(), 2);
}

#[test]
fn heights_out_of_reach_and_flat_angles_are_named() {
    let high = Values::from([(Speed, 4.0), (Angle, 30.0), (Rise, 1.0), (Gravity, 9.81)]);
    assert!(matches!(solve(&high), Err(SolveError::TooHigh { .. })));
    let flat = Values::from([(Angle, 10.0), (Distance, 1.0), (Rise, 1.0), (Gravity, 9.81)]);
    assert_eq!(solve(&flat), Err(SolveError::AngleTooFlat { angle_deg: 10.0 }));
}

#[test]
fn too_little_and_too_much_are_refused() {
    let little = Values::from([(Speed, 4.0), (Gravity, 9.81)]);
    assert_eq!(solve(&little), Err(SolveError::NotEnough { wanted: None }));
    let not_that = Values::from([(Speed, 4.0), (Angle, 40.0), (Gravity, 9.81)]);
    assert_eq!(solve_for(&not_that, Distance), Err(SolveError::NotEnough { wanted: Some(Distance) }));
    let much = Values::from([(Speed, 4.0), (Angle, 45.0), (Distance, 1.0), (Rise, 0.0), (Gravity, 9.81)]);
    assert!(matches!(solve(&much), Err(SolveError::Contradiction { .. })));
    let negative = Values::from([(Speed, -4.0), (Angle, 45.0), (Gravity, 9.81)]);
    assert_eq!(solve(&negative), Err(SolveError::OutOfRange { quantity: Speed, value: -4.0 }));
}

#[test]
fn uncertainties_follow_the_closed_form() {
    let given = BTreeMap::from([
        (Speed, Estimate::with_coverage_factor(4.0, 0.02, 1.96)),
        (Angle, Estimate::with_coverage_factor(60.0, 0.3, 1.96)),
        (Rise, Estimate::without_uncertainty(0.0)),
        (Gravity, Estimate::without_uncertainty(9.81)),
    ]);
    let (_, estimates) = &solve_with_uncertainty(&given).unwrap()[0];
    let range = 16.0 / 9.81 * 120f64.to_radians().sin();
    let by_angle = 2.0 * 16.0 / 9.81 * 120f64.to_radians().cos() * 0.3f64.to_radians();
    let u = (2.0 * range * 0.02 / 4.0).hypot(by_angle);
    // Differences over ± one standard uncertainty: off by its square, a few 1e-5 here.
    assert!((estimates[&Distance].standard_uncertainty.unwrap() / u - 1.0).abs() < 1e-4);
    assert_eq!(estimates[&Gravity].standard_uncertainty, None);
}

#[test]
fn only_the_steps_that_matter_are_shown() {
    let given = Values::from([(Speed, 4.0), (Angle, 45.0), (Rise, -0.3), (Gravity, 9.81)]);
    let solution = &solve(&given).unwrap()[0];
    let shown: Vec<Quantity> = solution.steps_for(Distance).iter().map(|step| step.rule.gives).collect();
    assert_eq!(shown, [SpeedX, SpeedY, Time, Distance]);
}
