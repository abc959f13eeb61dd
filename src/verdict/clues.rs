//! What the sightings show beside their places: the ball's size against the scale, and the exposure by the streaks.

use crate::fit::FlightFit;
use crate::fit::view::FlightView;
use crate::maths::least_squares::polynomial_fit;
use crate::sight::Sighting;
use crate::units::{MetrePoint, PixelPoint};

/// Bias of the ball's edge that threshold, glare and gamma leave, px.
const EDGE_BIAS_PX: f64 = 0.25;

/// What the blur of the edge, shading and compression leave in the length of a streak, px.
const STREAK_BIAS_PX: f64 = 1.0;

/// Stated over true length from the ball's own diameter (m, with its standard uncertainty), and its relative standard
/// uncertainty; `None` without sightings that the camera can place.
///
/// The ball lies in the plane of the flight by nature. An edge that is off by a quarter pixel all round leaves 2·0.25/D.
pub fn length_factor_from_ball(
    sightings: &[Sighting],
    view: &dyn FlightView,
    diameter_m: (f64, f64),
) -> Option<(f64, f64)> {
    let mut diameters: Vec<(f64, f64)> = sightings
        .iter()
        .filter(|s| s.visible > 0.95)
        .filter_map(|s| {
            let (c, r) = (s.centre_px, s.radius_px);
            let low = view.metre_from_pixel(PixelPoint::new(c.x, c.y + r))?;
            let high = view.metre_from_pixel(PixelPoint::new(c.x, c.y - r))?;
            Some((low.distance(high), 2.0 * r))
        })
        .collect();
    if diameters.is_empty() {
        return None;
    }
    diameters.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (seen_m, seen_px) = diameters[diameters.len() / 2];
    let u = (2.0 * EDGE_BIAS_PX / seen_px).hypot(diameter_m.1 / diameter_m.0);
    Some((seen_m / diameter_m.0, u))
}

/// Change of the exposure from the first sighting to the last, s, with its standard uncertainty, from the lengths of the
/// streaks over the fitted speed; `None` with fewer than five streaks.
pub fn exposure_change_from_streaks(
    sightings: &[Sighting],
    fit: &FlightFit,
    view: &dyn FlightView,
) -> Option<(f64, f64)> {
    let exposures: Vec<(f64, f64, f64)> = sightings
        .iter()
        .zip(&fit.residuals)
        .filter(|(_, r)| r.used)
        .filter_map(|(s, r)| exposure(s, r.exposed_at_s, fit, view))
        .collect();
    if exposures.len() < 5 {
        return None;
    }
    let times: Vec<f64> = exposures.iter().map(|e| e.0).collect();
    let values: Vec<f64> = exposures.iter().map(|e| e.1).collect();
    let span = times.last()? - times.first()?;
    let line = polynomial_fit(&times, &values, None, 1).ok()?;
    // A streak's length is off by a like amount all along, which looks like a longer exposure where the ball is slower.
    let slowest = exposures.iter().map(|e| e.2).fold(f64::INFINITY, f64::min);
    Some((line.estimate[1] * span, (line.standard_error[1] * span).hypot(STREAK_BIAS_PX / slowest)))
}

/// How the sightings scatter from one to the next, in units of what their covariances say: along the motion and across it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Roughness {
    pub along: f64,
    pub across: f64,
}

/// From second differences of the residuals, so that a path that is smoothly off doesn't count: of white noise they have six times
/// its variance. `None` with too few sightings in a row to tell.
pub fn roughness(sightings: &[Sighting], fit: &FlightFit) -> Option<Roughness> {
    const FEWEST: usize = 8;
    let residuals: Vec<_> = sightings.iter().zip(&fit.residuals).filter(|(_, r)| r.used).collect();
    let turned = |i: usize| {
        let before = residuals[i.saturating_sub(1)].1.fitted_px;
        let after = residuals[(i + 1).min(residuals.len() - 1)].1.fitted_px;
        let length = before.distance(after).max(1e-9);
        let (cos, sin) = ((after.x - before.x) / length, (after.y - before.y) / length);
        let (s, r) = residuals[i];
        let c = s.covariance_px2;
        let spread = |x: f64, y: f64| (x * x * c.xx + 2.0 * x * y * c.xy + y * y * c.yy).sqrt();
        let along = (r.px.x * cos + r.px.y * sin) / spread(cos, sin);
        let across = (r.px.y * cos - r.px.x * sin) / spread(-sin, cos);
        [along, across]
    };
    let turned: Vec<[f64; 2]> = (0..residuals.len()).map(turned).collect();
    if turned.len() < FEWEST {
        return None;
    }
    let scatter = |axis: usize| {
        let squares = turned.windows(3).map(|w| (w[0][axis] - 2.0 * w[1][axis] + w[2][axis]).powi(2));
        (squares.sum::<f64>() / (6.0 * (turned.len() - 2) as f64)).sqrt()
    };
    Some(Roughness { along: scatter(0), across: scatter(1) })
}

/// When, the exposure, s, and the ball's speed, px/s.
fn exposure(s: &Sighting, exposed_at_s: f64, fit: &FlightFit, view: &dyn FlightView) -> Option<(f64, f64, f64)> {
    let (dx, dy) = s.streak_px?;
    let state = fit.states_at(&[exposed_at_s])?[0];
    let here = view.pixel_from_metre(MetrePoint::new(state.x, state.y))?;
    let step = 1e-3;
    let there = view.pixel_from_metre(MetrePoint::new(state.x + state.vx * step, state.y + state.vy * step))?;
    let speed = here.distance(there) / step;
    (speed > 0.0).then_some((exposed_at_s, dx.hypot(dy) / speed, speed))
}
