//! A measured flight set against what was expected of it.

use super::before::KnownLaunch;
use super::known::{air_of, ball_of, gravity_at};
use super::{CameraView, MeasureError};
use crate::camera::Camera;
use crate::flight::compare::{Departure, MeasuredPath, compare};
use crate::flight::drag::DRAG_RELATIVE_UNCERTAINTY;
use crate::flight::forecast::{Forecast, LaunchStatement, forecast};
use crate::measurement::{FittedPath, FlightMeasurement, ForecastPoint, ForecastStatement, Measurement};
use crate::rig::Rig;
use crate::units::{Estimate, MetrePoint, PixelPoint};

/// What was expected before the shot.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    pub launch: LaunchStatement,
    /// Height of the ball's centre above the floor at which the landing is asked for, m.
    pub target_height_m: Estimate,
    /// Where it comes from: "the stated speed and angle".
    pub source: String,
}

impl Expected {
    /// From a launch as it is known before the shot, with ball, air and gravity of the rig.
    ///
    /// # Errors
    /// [`MeasureError::Ball`] when ball or air of the rig are none.
    pub fn of_launch(launch: &KnownLaunch, target_height_m: Estimate, rig: &Rig) -> Result<Self, MeasureError> {
        let source = launch.source.clone();
        let (ball, drag_doubt) = match (ball_of(rig)?, launch.ball) {
            (Some(ball), _) => (Some(ball), DRAG_RELATIVE_UNCERTAINTY),
            (None, Some((ball, doubt))) => (Some(ball), doubt),
            (None, None) => (None, DRAG_RELATIVE_UNCERTAINTY),
        };
        let launch = LaunchStatement {
            speed_m_per_s: launch.speed_m_per_s.estimate,
            angle_deg: launch.angle_deg.estimate,
            height_m: launch.height.estimate(),
            gravity_m_per_s2: gravity_at(rig),
            ball,
            drag_doubt,
            air: air_of(rig)?,
        };
        Ok(Self { launch, target_height_m, source })
    }
}

/// Sets every flight of a measurement against what was expected: the forecast's path from the flight's own launch point, where
/// it was to land and where the measured path comes down, and the comparison in words.
///
/// # Errors
/// [`MeasureError::Forecast`] when the launch can't be forecast; [`MeasureError::NoBasis`] when the measurement has lost its camera.
pub fn set_against(measurement: &mut Measurement, expected: &Expected) -> Result<(), MeasureError> {
    let basis = measurement.basis.as_ref().ok_or(MeasureError::NoBasis)?;
    let camera = CameraView::new(Camera::from_rig(&basis.rig, &basis.view)?);
    let forecast = forecast(&expected.launch, expected.target_height_m)?;
    for flight in measurement.flights.iter_mut().filter(|flight| flight.after_bounce.is_none()) {
        let found = flight.account.iter().flat_map(|account| &account.camera);
        let camera = camera.moved(found.map(|found| (found.input, found.quantity.found - found.quantity.value)));
        flight.forecast = Some(statement(flight, expected, &forecast, camera.camera())?);
    }
    Ok(())
}

fn statement(
    flight: &FlightMeasurement,
    expected: &Expected,
    forecast: &Forecast,
    camera: &Camera,
) -> Result<ForecastStatement, MeasureError> {
    /// As finely as the fitted path is drawn.
    const POINTS: usize = 121;
    let measured = measured_path(flight, expected.launch.height_m.value);
    let comparison = compare(&measured, &expected.launch, expected.target_height_m)?;
    let (start, side) = (flight.launch_point_m, flight.direction);
    let points: Vec<ForecastPoint> = forecast
        .path
        .sample(forecast.landing.time_s, POINTS)
        .into_iter()
        .map(|instant| ForecastPoint {
            since_launch_s: instant.time_s,
            place_m: MetrePoint::new(
                start.x + side * instant.state.x,
                start.y + instant.state.y - expected.launch.height_m.value,
            ),
        })
        .collect();
    let seen = |point: &ForecastPoint| camera.pixel_from_metre(point.place_m);
    let path_px: Vec<PixelPoint> = points.iter().map(seen).filter(|p| p.x.is_finite() && p.y.is_finite()).collect();
    let in_clip = |distance: Estimate| Estimate { value: start.x + side * distance.value, ..distance };
    Ok(ForecastStatement {
        description: expected.source.clone(),
        path: parabola(&expected.launch, start, side),
        path_px,
        points,
        landing_x_m: Some(in_clip(forecast.range_m)),
        measured_landing_x_m: comparison.landing_m.map(|d| in_clip(measured_landing(d, forecast.range_m))),
        comparison: Some(comparison.sentence()),
        departures: Some((&comparison).into()),
    })
}

/// The measured distance behind a departure, with the part of the combined uncertainty that is its own.
fn measured_landing(departure: Departure, expected: Estimate) -> Estimate {
    let value = expected.value + departure.difference;
    match departure.combined_u95.zip(expected.standard_uncertainty) {
        Some((u95, u)) => Estimate::with_coverage_factor(value, ((u95 / 1.96).powi(2) - u * u).max(0.0).sqrt(), 1.96),
        None => Estimate::without_uncertainty(value),
    }
}

/// Launch and gravity of the statement as a path; the air is in [`ForecastStatement::points`] alone.
fn parabola(launch: &LaunchStatement, start: MetrePoint, side: f64) -> FittedPath {
    let (sin, cos) = launch.angle_deg.value.to_radians().sin_cos();
    let speed = launch.speed_m_per_s.value;
    FittedPath {
        x0_m: start.x,
        y0_m: start.y,
        vx_m_per_s: side * speed * cos,
        vy_m_per_s: speed * sin,
        ax_m_per_s2: 0.0,
        g_m_per_s2: launch.gravity_m_per_s2.value,
    }
}

/// The flight as constant accelerations from its launch: those of the fit, and where the air is in the fit those that lead from
/// the launch to the last place that it fitted.
fn measured_path(flight: &FlightMeasurement, launch_height_m: f64) -> MeasuredPath {
    let path = &flight.path;
    let last = flight.motion.as_ref().filter(|_| flight.air_counted).and_then(|motion| motion.fitted.last());
    let (ax, g) = match last {
        Some(end) if end.time_s > flight.launch_time_s.value => {
            let time = end.time_s - flight.launch_time_s.value;
            let mean = |from: f64, speed: f64, to: f64| 2.0 * (to - from - speed * time) / (time * time);
            (mean(path.x0_m, path.vx_m_per_s, end.x_m.value), -mean(path.y0_m, path.vy_m_per_s, end.y_m.value))
        }
        _ => (path.ax_m_per_s2, path.g_m_per_s2),
    };
    MeasuredPath {
        vx_m_per_s: flight.direction * path.vx_m_per_s,
        vy_m_per_s: path.vy_m_per_s,
        ax_m_per_s2: flight.direction * ax,
        g_m_per_s2: g,
        speed_m_per_s: flight.launch_speed_m_per_s,
        angle_deg: flight.launch_angle_deg,
        launch_height_m,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_landing_keeps_its_own_part_of_the_uncertainty() {
        // 3-4-5: combined u = 5 cm of a forecast's 4 cm leaves 3 cm.
        let departure = Departure { difference: -0.1, combined_u95: Some(1.96 * 0.05) };
        let landing = measured_landing(departure, Estimate::with_coverage_factor(2.0, 0.04, 1.96));
        assert!((landing.value - 1.9).abs() < 1e-12 && (landing.standard_uncertainty.unwrap() - 0.03).abs() < 1e-12);
    }
}
