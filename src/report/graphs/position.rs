//! Position against time with residuals, the path, and how the residuals are spread.

use super::Subject;
use super::words::{self, BARS};
use crate::measurement::motion::{MotionSample, NORMAL_95};
use crate::measurement::{FittedPath, ForecastStatement, SightingRow};
use crate::report::figure::{Figure, Layer, Mark, Panel, Series};
use crate::units::Estimate;

/// Steps of a fitted or forecast line.
const STEPS: usize = 120;

/// One of the two coordinates, and how to get at it.
#[derive(Clone, Copy)]
struct Coordinate {
    position: fn(&SightingRow) -> f64,
    variance: fn(&SightingRow) -> f64,
    residual_mm: fn(&SightingRow) -> Option<f64>,
    residual_px: fn(&SightingRow) -> f64,
    sample: fn(&MotionSample) -> &Estimate,
    variance_px: fn(&SightingRow) -> f64,
    /// This one of x and y.
    pick: fn(f64, f64) -> f64,
}

const X: Coordinate = Coordinate {
    position: |s| s.centre_m.x,
    variance: |s| s.covariance_m2.xx,
    residual_mm: |s| s.residual_m.map(|r| 1e3 * r.x),
    residual_px: |s| s.residual_px.x,
    sample: |m| &m.x_m,
    variance_px: |s| s.covariance_px2.xx,
    pick: |x, _| x,
};

const Y: Coordinate = Coordinate {
    position: |s| s.centre_m.y,
    variance: |s| s.covariance_m2.yy,
    residual_mm: |s| s.residual_m.map(|r| 1e3 * r.y),
    residual_px: |s| s.residual_px.y,
    sample: |m| &m.y_m,
    variance_px: |s| s.covariance_px2.yy,
    pick: |_, y| y,
};

/// 95 % half-width from a variance; `None` when that says nothing.
fn half_width(variance: f64) -> Option<f64> {
    (variance.is_finite() && variance > 0.0).then(|| NORMAL_95 * variance.sqrt())
}

/// x against t with residuals.
pub fn along_time(subject: &Subject<'_>) -> Figure {
    let path = &subject.flight.path;
    let law = words::polynomial(subject.mark, [path.x0_m, path.vx_m_per_s, 0.5 * path.ax_m_per_s2]);
    Figure {
        name: subject.name("distance-time"),
        title: subject.title("distance against time"),
        panels: position_panels(subject, X, "horizontal distance *x* / m"),
        shared_x: true,
        caption: format!(
            "{}: *x* = {law} (m, s), with *t* from the launch and *x* to the right; {}.",
            words::fitted_law(subject.flight.air_counted),
            subject.points_and_residual()
        ),
        note: BARS,
        notice: String::new(),
        alt: format!(
            "Graph of horizontal distance against time. {} measured points run {}. The fitted line follows them; \
             a second panel shows what remains between points and line.",
            subject.flight.sightings.len(),
            subject.span(|i| subject.flight.sightings[i].centre_m.x, "m")
        ),
    }
}

/// y against t with residuals.
pub fn height_time(subject: &Subject<'_>) -> Figure {
    let path = &subject.flight.path;
    let law = words::polynomial(subject.mark, [path.y0_m, path.vy_m_per_s, -0.5 * path.g_m_per_s2]);
    Figure {
        name: subject.name("height-time"),
        title: subject.title("height against time"),
        panels: position_panels(subject, Y, "height *y* / m"),
        shared_x: true,
        caption: format!(
            "{}: *y* = {law} (m, s), with *t* from the launch and *y* upwards; {}; {}.",
            words::fitted_law(subject.flight.air_counted),
            subject.quantity("*g*", &subject.flight.gravity_m_per_s2, "m/s²"),
            subject.points_and_residual()
        ),
        note: BARS,
        notice: String::new(),
        alt: format!(
            "Graph of height against time. {} measured points run {}. The fitted parabola follows them; \
             a second panel shows what remains between points and parabola.",
            subject.flight.sightings.len(),
            subject.span(|i| subject.flight.sightings[i].centre_m.y, "m")
        ),
    }
}

fn position_panels(subject: &Subject<'_>, c: Coordinate, name: &str) -> Vec<Panel> {
    let flight = subject.flight;
    let marks = flight.sightings.iter().map(|s| Mark {
        x: subject.since_launch(s.moment_s()),
        y: (c.position)(s),
        x_half_width: None,
        y_half_width: half_width((c.variance)(s)),
        used: s.used,
    });
    let mut layers = band(subject, c);
    layers.extend(forecast_over_time(subject, c));
    let points = fitted(subject).into_iter().map(|(t, x, y)| (t, (c.pick)(x, y))).collect();
    layers.push(Layer::Fit { series: Series::First, label: "fit".into(), points });
    layers.push(Layer::Points { series: Series::First, label: "measured".into(), marks: marks.collect() });
    let x_name = "time since launch *t* / s".to_owned();
    let main = Panel {
        x_name: x_name.clone(),
        y_name: name.into(),
        share: 1.0,
        equal_scales: false,
        counts_along: false,
        layers,
    };
    vec![main, residual_panel(subject, c, x_name)]
}

/// Time since launch, x and y along constant accelerations.
fn along(subject: &Subject<'_>, p: &FittedPath) -> Vec<(f64, f64, f64)> {
    let x = |t: f64| p.x0_m + p.vx_m_per_s * t + 0.5 * p.ax_m_per_s2 * t * t;
    let y = |t: f64| p.y0_m + p.vy_m_per_s * t - 0.5 * p.g_m_per_s2 * t * t;
    times(subject).map(|t| (t, x(t), y(t))).collect()
}

/// The fitted path; where the air is counted in, it isn't a parabola.
fn fitted(subject: &Subject<'_>) -> Vec<(f64, f64, f64)> {
    match &subject.flight.motion {
        Some(motion) if subject.flight.air_counted => {
            motion.fitted.iter().map(|m| (subject.since_launch(m.time_s), m.x_m.value, m.y_m.value)).collect()
        }
        _ => along(subject, &subject.flight.path),
    }
}

fn expected(subject: &Subject<'_>, forecast: &ForecastStatement) -> Vec<(f64, f64, f64)> {
    if forecast.points.is_empty() {
        return along(subject, &forecast.path);
    }
    forecast.points.iter().map(|p| (p.since_launch_s, p.place_m.x, p.place_m.y)).collect()
}

/// Fine steps from the launch to the last sighting.
fn times(subject: &Subject<'_>) -> impl Iterator<Item = f64> + use<> {
    let end = subject.flight.sightings.last().map_or(0.0, |s| subject.since_launch(s.moment_s()));
    (0..=STEPS).map(move |i| end * i as f64 / STEPS as f64)
}

/// The fit's own band, where the measurement has it.
fn band(subject: &Subject<'_>, c: Coordinate) -> Vec<Layer> {
    let Some(motion) = &subject.flight.motion else { return Vec::new() };
    let edges: Vec<(f64, f64, f64)> = motion
        .fitted
        .iter()
        .filter_map(|m| {
            let estimate = (c.sample)(m);
            let half = estimate.expanded_uncertainty_95?;
            Some((subject.since_launch(m.time_s), estimate.value - half, estimate.value + half))
        })
        .collect();
    if edges.is_empty() { Vec::new() } else { vec![Layer::Band { label: "fit, 95 % band".into(), edges }] }
}

fn forecast_over_time(subject: &Subject<'_>, c: Coordinate) -> Option<Layer> {
    let forecast = subject.flight.forecast.as_ref()?;
    let points = expected(subject, forecast).into_iter().map(|(t, x, y)| (t, (c.pick)(x, y))).collect();
    Some(Layer::Forecast { label: "forecast".into(), points })
}

fn residual_panel(subject: &Subject<'_>, c: Coordinate, x_name: String) -> Panel {
    let rows = &subject.flight.sightings;
    let in_mm = rows.iter().all(|s| (c.residual_mm)(s).is_some());
    let marks = rows
        .iter()
        .map(|s| {
            let (y, half) = match (c.residual_mm)(s) {
                Some(mm) if in_mm => (mm, half_width((c.variance)(s)).map(|h| 1e3 * h)),
                _ => ((c.residual_px)(s), half_width((c.variance_px)(s))),
            };
            Mark { x: subject.since_launch(s.moment_s()), y, x_half_width: None, y_half_width: half, used: s.used }
        })
        .collect();
    let y_name = if in_mm { "residual / mm" } else { "residual / px" }.to_owned();
    // Nought must be in the picture: residuals are judged by it.
    let level = Layer::Level { label: String::new(), y: 0.0 };
    let points = Layer::Points { series: Series::First, label: "measured".into(), marks };
    Panel { x_name, y_name, share: 0.5, equal_scales: false, counts_along: false, layers: vec![level, points] }
}

/// y against x with equal scales.
pub fn path(subject: &Subject<'_>) -> Figure {
    let flight = subject.flight;
    let marks = flight.sightings.iter().map(|s| Mark {
        x: s.centre_m.x,
        y: s.centre_m.y,
        x_half_width: half_width(s.covariance_m2.xx),
        y_half_width: half_width(s.covariance_m2.yy),
        used: s.used,
    });
    let without_time = |points: Vec<(f64, f64, f64)>| points.into_iter().map(|(_, x, y)| (x, y)).collect();
    let mut layers = Vec::new();
    if let Some(forecast) = &flight.forecast {
        layers.push(Layer::Forecast { label: "forecast".into(), points: without_time(expected(subject, forecast)) });
    }
    layers.push(Layer::Fit { series: Series::First, label: "fit".into(), points: without_time(fitted(subject)) });
    layers.push(Layer::Points { series: Series::First, label: "measured".into(), marks: marks.collect() });
    let (x_name, y_name) = ("horizontal distance *x* / m".to_owned(), "height *y* / m".to_owned());
    Figure {
        name: subject.name("path"),
        title: subject.title("path of the ball"),
        panels: vec![Panel { x_name, y_name, share: 1.0, equal_scales: true, counts_along: false, layers }],
        shared_x: false,
        caption: format!(
            "Both axes have the same scale. Launch {} at {}; {}.",
            subject.quantity("speed *v*_{0}", &flight.launch_speed_m_per_s, "m/s"),
            words::launch_angle(subject.mark, &flight.launch_angle_deg),
            subject.points_and_residual()
        ),
        note: BARS,
        notice: String::new(),
        alt: format!(
            "Path of the ball, height against horizontal distance, both to the same scale: {} measured points with \
             the fitted curve through them. Heights run {}.",
            flight.sightings.len(),
            subject.span(|i| flight.sightings[i].centre_m.y, "m")
        ),
    }
}

/// How often residuals of each size occur; `None` for fewer than eight, which have no shape to see.
pub fn residual_distribution(subject: &Subject<'_>) -> Option<Figure> {
    const FEWEST: usize = 8;
    let used: Vec<&SightingRow> = subject.flight.sightings.iter().filter(|s| s.used).collect();
    if used.len() < FEWEST {
        return None;
    }
    let in_mm = used.iter().all(|s| s.residual_m.is_some());
    let unit = if in_mm { "mm" } else { "px" };
    let values = |c: Coordinate| -> Vec<f64> {
        used.iter().map(|s| (c.residual_mm)(s).filter(|_| in_mm).unwrap_or((c.residual_px)(s))).collect()
    };
    let panels = [(X, "*x*"), (Y, "*y*")]
        .map(|(c, symbol)| Panel {
            x_name: format!("residual of {symbol} / {unit}"),
            y_name: "number of points".into(),
            share: 0.55,
            equal_scales: false,
            counts_along: false,
            layers: vec![Layer::Bars { label: "points in each range".into(), bars: histogram(&values(c)) }],
        })
        .to_vec();
    Some(Figure {
        name: subject.name("residual-distribution"),
        title: subject.title("how the residuals are spread"),
        panels,
        shared_x: false,
        caption: format!(
            "Measured minus fitted, {}. Chance alone gives a heap about nought with few far out.",
            subject.points_and_residual()
        ),
        note: "",
        notice: String::new(),
        alt: format!("Two histograms of the residuals of {} points, along x and along y.", used.len()),
    })
}

/// Somewhat more than √N bars of round width at most, with a limit of a bar at nought. Common practice, no source.
fn histogram(values: &[f64]) -> Vec<(f64, f64, f64)> {
    let reach = values.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    if reach == 0.0 {
        return vec![(-0.5, 0.5, values.len() as f64)];
    }
    let width = crate::report::axis::round_step(2.0 * reach / (1.6 * (values.len() as f64).sqrt()).max(5.0));
    let bin = |v: f64| (v / width).floor() as i64;
    let low = values.iter().map(|v| bin(*v)).min().unwrap_or(0);
    let high = values.iter().map(|v| bin(*v)).max().unwrap_or(0);
    (low..=high)
        .map(|i| {
            let count = values.iter().filter(|v| bin(**v) == i).count();
            (i as f64 * width, (i + 1) as f64 * width, count as f64)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_is_in_one_bar() {
        let values = [-1.2, -0.4, -0.1, 0.0, 0.0, 0.3, 0.31, 0.9, 1.1];
        let bars = histogram(&values);
        assert_eq!(bars.iter().map(|b| b.2).sum::<f64>(), values.len() as f64);
        assert!(bars.windows(2).all(|w| w[0].1 == w[1].0));
    }
}
