//! The points of a table and the flight through them, as a graph.

use super::{Point, PointsFit};
use crate::report::figure::{Figure, Layer, Mark, Panel, Series};

/// Steps of the drawn curve.
const STEPS: usize = 120;

/// Heights, and places where there are any, over time.
pub fn figure(points: &[Point], fit: &PointsFit) -> Figure {
    let end = points.iter().map(|point| point.time_s).fold(fit.start_s, f64::max);
    let curve = |at: &dyn Fn(f64) -> f64| -> Vec<(f64, f64)> {
        let tau = |i: usize| (end - fit.start_s) * i as f64 / STEPS as f64;
        (0..=STEPS).map(|i| (fit.start_s + tau(i), at(tau(i)))).collect()
    };
    let panel = |y_name: &str, marks: Vec<Mark>, points: Vec<(f64, f64)>| Panel {
        x_name: "time *t* / s".to_owned(),
        y_name: y_name.to_owned(),
        share: 0.8,
        equal_scales: false,
        counts_along: false,
        layers: vec![
            Layer::Fit { series: Series::First, label: "fit".to_owned(), points },
            Layer::Points { series: Series::First, label: "table".to_owned(), marks },
        ],
    };
    let mark = |time: f64, value: f64, u_time: Option<f64>, u: Option<f64>| Mark {
        x: time,
        y: value,
        x_half_width: u_time.map(|u| 1.96 * u),
        y_half_width: u.map(|u| 1.96 * u),
        used: true,
    };
    let heights =
        points.iter().map(|p| mark(p.time_s, p.y_m, p.time_uncertainty_s, p.y_uncertainty_m)).collect::<Vec<_>>();
    let mut panels = vec![panel("height *y* / m", heights, curve(&|tau| fit.upwards.at(tau)))];
    if let Some(along) = &fit.along {
        let of = |p: &Point| Some(mark(p.time_s, p.x_m?, p.time_uncertainty_s, p.x_uncertainty_m));
        let places = points.iter().filter_map(of).collect();
        panels.push(panel("distance *x* / m", places, curve(&|tau| along.at(tau))));
    }
    Figure {
        name: "points".to_owned(),
        title: "A table of times and places".to_owned(),
        panels,
        shared_x: true,
        caption: "The flight without air that goes best with the table.".to_owned(),
        note: "Bars show 95 % intervals.",
        notice: String::new(),
        alt: format!("{} rows of a table over time, with the fitted flight without air.", points.len()),
    }
}
