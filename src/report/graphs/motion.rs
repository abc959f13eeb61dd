//! Velocity, acceleration and energy against time.

use super::Subject;
use super::words::BARS;
use crate::measurement::ForecastMotion;
use crate::measurement::motion::{Motion, MotionSample};
use crate::report::figure::{Figure, Layer, Mark, Panel, Series};
use crate::units::Estimate;

type Quantity = fn(&MotionSample) -> &Estimate;

const TIME: &str = "time since launch *t* / s";

/// The figures that the measurement has the samples for.
pub fn figures(subject: &Subject<'_>) -> Vec<Figure> {
    let Some(motion) = &subject.flight.motion else { return Vec::new() };
    let mut figures = Vec::new();
    if !motion.velocities.is_empty() {
        figures.extend([velocity(subject, motion), energy(subject, motion)]);
    }
    if !motion.accelerations.is_empty() {
        figures.push(acceleration(subject, motion));
    }
    figures
}

fn velocity(subject: &Subject<'_>, motion: &Motion) -> Figure {
    let path = &subject.flight.path;
    let law = super::words::polynomial(subject.mark, [path.vy_m_per_s, -path.g_m_per_s2, 0.0]);
    let panel = |y_name: &str, series, of: Quantity, expected: fn(&ForecastMotion) -> f64| Panel {
        x_name: TIME.into(),
        y_name: y_name.into(),
        share: 0.65,
        equal_scales: false,
        counts_along: false,
        layers: [
            Some(band(subject, motion, of, 1.0)),
            forecast(subject, motion, expected),
            Some(fit(subject, motion, of, 1.0, series, "fit")),
            Some(points(subject, &motion.velocities, of, 1.0, series, &from_neighbours(motion.sightings_per_velocity))),
        ]
        .into_iter()
        .flatten()
        .collect(),
    };
    Figure {
        name: subject.name("velocity-time"),
        title: subject.title("velocity against time"),
        panels: vec![
            panel("horizontal *v*_{x} / (m/s)", Series::First, |m| &m.vx_m_per_s, |m| m.vx_m_per_s),
            panel("vertical *v*_{y} / (m/s)", Series::First, |m| &m.vy_m_per_s, |m| m.vy_m_per_s),
        ],
        shared_x: true,
        caption: format!(
            "Lines: the fit to all positions{} *v*_{{y}} = {law} (m/s, s), upwards positive, whose slope is −*g*; {}. \
             Points: each from {} neighbouring positions alone.",
            if subject.flight.air_counted { ", with the air. Without it this launch would give" } else { "," },
            subject.quantity("*g*", &subject.flight.gravity_m_per_s2, "m/s²"),
            motion.sightings_per_velocity
        ),
        note: BARS,
        notice: String::new(),
        alt: "Two graphs over time: horizontal velocity, about level, and vertical velocity, falling along a straight \
              line. Points from neighbouring positions lie about the fitted lines."
            .into(),
    }
}

fn acceleration(subject: &Subject<'_>, motion: &Motion) -> Figure {
    let label = from_neighbours(motion.sightings_per_acceleration);
    let panel = |y_name: &str, of: Quantity| Panel {
        x_name: TIME.into(),
        y_name: y_name.into(),
        share: 0.65,
        equal_scales: false,
        counts_along: false,
        layers: vec![
            band(subject, motion, of, 1.0),
            fit(subject, motion, of, 1.0, Series::First, "fit"),
            points(subject, &motion.accelerations, of, 1.0, Series::First, &label),
        ],
    };
    Figure {
        name: subject.name("acceleration-check"),
        title: subject.title("is the acceleration the same all along?"),
        panels: vec![
            panel("horizontal *a*_{x} / (m/s²)", |m| &m.ax_m_per_s2),
            panel("vertical *a*_{y} / (m/s²)", |m| &m.ay_m_per_s2),
        ],
        shared_x: true,
        caption: format!(
            "Free flight without air has *a*_{{x}} = 0 and *a*_{{y}} = −*g* throughout; here {}. Each point comes from {} \
             neighbouring positions alone. A slope means air resistance or a slanting camera; a single point far off \
             means a wrong position.",
            subject.quantity("*g*", &subject.flight.gravity_m_per_s2, "m/s²"),
            motion.sightings_per_acceleration
        ),
        note: BARS,
        notice: String::new(),
        alt:
            "Two graphs over time: horizontal acceleration about nought and vertical acceleration about minus g, each \
              with the level of the fit."
                .into(),
    }
}

fn energy(subject: &Subject<'_>, motion: &Motion) -> Figure {
    let (factor, unit) = match motion.ball_mass_kg {
        // A lobbed ball has a few hundredths of a joule: millijoules read better.
        Some(mass) => (1e3 * mass, "mJ"),
        None => (1.0, "(J/kg)"),
    };
    let kinds: [(Quantity, Series, &str); 3] = [
        (|m| &m.kinetic_j_per_kg, Series::First, "of motion"),
        (|m| &m.potential_j_per_kg, Series::Second, "of height"),
        (|m| &m.total_j_per_kg, Series::Third, "sum of both"),
    ];
    let mut layers = vec![band(subject, motion, kinds[2].0, factor)];
    // Heights above the launch point with the fitted g, as the measured ones, so that the lines can be compared.
    let (g, start) = (subject.flight.path.g_m_per_s2, subject.flight.launch_point_m.y);
    let kinetic = |m: &ForecastMotion| (m.vx_m_per_s.powi(2) + m.vy_m_per_s.powi(2)) / 2.0;
    let potential = move |m: &ForecastMotion| g * (m.y_m - start);
    layers.extend(forecast(subject, motion, |m| factor * kinetic(m)));
    layers.extend(forecast(subject, motion, |m| factor * potential(m)));
    layers.extend(forecast(subject, motion, |m| factor * (kinetic(m) + potential(m))));
    for (of, series, name) in kinds {
        layers.push(fit(subject, motion, of, factor, series, &format!("{name}, fit")));
    }
    for (of, series, name) in kinds {
        layers.push(points(subject, &motion.velocities, of, factor, series, name));
    }
    let per = if motion.ball_mass_kg.is_some() { "" } else { " per kilogram, as the ball's mass was not given" };
    Figure {
        name: subject.name("energy-time"),
        title: subject.title("energy against time"),
        panels: vec![Panel {
            x_name: TIME.into(),
            y_name: format!("energy *E* / {unit}"),
            share: 1.1,
            equal_scales: false,
            counts_along: false,
            layers,
        }],
        shared_x: false,
        caption: format!(
            "Energy{per}: of motion ½*mv*², of height *mgh* above the launch point with the fitted *g*, and their sum, which \
             stays the same when air takes nothing away. Spin is not seen."
        ),
        note: BARS,
        notice: String::new(),
        alt:
            "Energy over time: energy of motion falls while energy of height rises and the other way round; their sum \
              is about level."
                .into(),
    }
}

/// What was expected, as far as the flight was seen; `None` without a forecast.
fn forecast(subject: &Subject<'_>, motion: &Motion, of: impl Fn(&ForecastMotion) -> f64) -> Option<Layer> {
    let end = motion.fitted.last().map_or(0.0, |m| subject.since_launch(m.time_s));
    let expected = subject.flight.forecast.as_ref()?.velocities();
    let points: Vec<(f64, f64)> =
        expected.iter().filter(|m| m.since_launch_s <= end).map(|m| (m.since_launch_s, of(m))).collect();
    (!points.is_empty()).then(|| Layer::Forecast { label: "forecast".into(), points })
}

fn from_neighbours(count: usize) -> String {
    format!("from {count} neighbouring positions")
}

fn band(subject: &Subject<'_>, motion: &Motion, of: Quantity, factor: f64) -> Layer {
    let edges = motion.fitted.iter().filter_map(|m| {
        let (value, half) = (of(m).value, of(m).expanded_uncertainty_95?);
        Some((subject.since_launch(m.time_s), factor * (value - half), factor * (value + half)))
    });
    let edges: Vec<_> = edges.collect();
    // Without a band there is nothing for the legend to explain.
    let label = if edges.is_empty() { String::new() } else { "fit, 95 % band".to_owned() };
    Layer::Band { label, edges }
}

fn fit(subject: &Subject<'_>, motion: &Motion, of: Quantity, factor: f64, series: Series, label: &str) -> Layer {
    let points = motion.fitted.iter().map(|m| (subject.since_launch(m.time_s), factor * of(m).value)).collect();
    Layer::Fit { series, label: label.into(), points }
}

fn points(
    subject: &Subject<'_>,
    samples: &[MotionSample],
    of: Quantity,
    factor: f64,
    series: Series,
    label: &str,
) -> Layer {
    let marks = samples.iter().map(|m| Mark {
        x: subject.since_launch(m.time_s),
        y: factor * of(m).value,
        x_half_width: None,
        y_half_width: of(m).expanded_uncertainty_95.map(|half| factor * half),
        used: true,
    });
    Layer::Points { series, label: label.into(), marks: marks.collect() }
}
