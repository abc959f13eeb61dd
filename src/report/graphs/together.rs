//! All flights of a clip in one graph each: how alike the shots were.

use super::capitalised;
use crate::measurement::{FlightMeasurement, Measurement, SightingRow};
use crate::report::figure::{Figure, Layer, Mark, Panel, Series};

const SERIES: [Series; 5] = [Series::First, Series::Second, Series::Third, Series::Fourth, Series::Fifth];
/// Marks of a flight before it is thinned out, so that five flights can be told apart.
const MOST_MARKS: usize = 16;

/// The paths and the heights over time of all flights; none for fewer than two, which have nothing to be compared with.
pub fn figures(measurement: &Measurement) -> Vec<Figure> {
    if measurement.flights.len() < 2 {
        return Vec::new();
    }
    vec![paths(measurement), heights(measurement)]
}

fn paths(measurement: &Measurement) -> Figure {
    figure(
        measurement,
        ("all-flights-path", "paths of all flights"),
        ("horizontal distance *x* / m", true),
        |_, row| row.centre_m.x,
        |_, t| t.0,
    )
}

fn heights(measurement: &Measurement) -> Figure {
    figure(
        measurement,
        ("all-flights-height-time", "heights of all flights"),
        ("time since the launch of each *t* / s", false),
        |flight, row| row.moment_s() - flight.launch_time_s.value,
        |flight, t| t.1 - flight.launch_time_s.value,
    )
}

type Along = fn(&FlightMeasurement, &SightingRow) -> f64;
/// Of a fitted sample (x, time).
type FittedAlong = fn(&FlightMeasurement, (f64, f64)) -> f64;

fn figure(
    measurement: &Measurement,
    (name, title): (&str, &str),
    (x_name, equal_scales): (&str, bool),
    x: Along,
    fitted_x: FittedAlong,
) -> Figure {
    let mut layers: Vec<Layer> = measurement.flights.iter().map(|flight| fit(flight, fitted_x)).collect();
    layers.extend(measurement.flights.iter().enumerate().map(|(i, flight)| points(i, flight, x)));
    let count = measurement.flights.len();
    Figure {
        name: name.to_owned(),
        title: capitalised(title),
        panels: vec![Panel {
            x_name: x_name.to_owned(),
            y_name: "height *y* / m".to_owned(),
            share: 1.0,
            equal_scales,
            counts_along: false,
            layers,
        }],
        shared_x: false,
        caption: format!(
            "Lines: the fit of each flight. Marks: measured places, at most {MOST_MARKS} of each flight, without their intervals. \
             Where the lines part, the shots differed."
        ),
        note: "",
        notice: String::new(),
        alt: format!("{count} flights in one graph, each with its own marks and the fitted line through them."),
    }
}

fn fit(flight: &FlightMeasurement, x: FittedAlong) -> Layer {
    let samples = flight.motion.iter().flat_map(|motion| &motion.fitted);
    let points = samples.map(|m| (x(flight, (m.x_m.value, m.time_s)), m.y_m.value)).collect();
    Layer::Fit { series: Series::First, label: "fits".into(), points }
}

fn points(index: usize, flight: &FlightMeasurement, x: Along) -> Layer {
    let used: Vec<&SightingRow> = flight.sightings.iter().filter(|row| row.used).collect();
    let every = used.len().div_ceil(MOST_MARKS).max(1);
    let marks = used
        .into_iter()
        .step_by(every)
        .map(|row| Mark { x: x(flight, row), y: row.centre_m.y, x_half_width: None, y_half_width: None, used: true })
        .collect();
    Layer::Points { series: SERIES[index % SERIES.len()], label: format!("flight {}", flight.number), marks }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{Shot, measurement};

    #[test]
    fn every_flight_has_its_line_and_its_marks() {
        assert!(figures(&measurement(&[Shot::default()])).is_empty());
        for figure in figures(&measurement(&[Shot::default(), Shot { points: 90, ..Shot::default() }])) {
            let layers = &figure.panels[0].layers;
            assert_eq!(layers.len(), 4, "{}", figure.name);
            for layer in layers {
                match layer {
                    Layer::Points { marks, .. } => assert!((10..=MOST_MARKS).contains(&marks.len())),
                    Layer::Fit { points, .. } => assert!(points.len() > 50),
                    other => panic!("{other:?}"),
                }
            }
        }
    }
}
