//! Whether the background stood still behind the flight, from what was kept of the frames around the ball.

use nalgebra::{Matrix3, Vector2, Vector3};

use crate::clip::{Picture, Plane};
use crate::sight::find::Cutting;

/// Fewest cuttings that tell a bend from noise: three quantities on either axis, and two to spare.
const FEWEST: usize = 5;

/// A cutting whose place along either axis isn't known better than this tells nothing, px.
const ROUGHEST_PX: f64 = 0.5;

/// What interpolation and shadows leave of a place at least, px.
const FLOOR_PX: f64 = 0.03;

/// How far the background's way bows over the flight, px (x right, y down), with the standard uncertainty of either axis; `None`
/// where the background around the ball is too plain to tell.
///
/// The bow is 4·p·(1 − p) with p from 0 at the first cutting to 1 at the last; an even drift of the camera is put aside, as it
/// leaves gravity alone.
pub(super) fn bend(cuttings: &[Cutting], resting: &Picture) -> Option<(f64, f64, f64)> {
    let (first, last) = (cuttings.first()?.frame as f64, cuttings.last()?.frame as f64);
    let shifts: Vec<(f64, Shift)> = cuttings
        .iter()
        .filter_map(|cutting| Some(((cutting.frame as f64 - first) / (last - first), shift(cutting, &resting.luma)?)))
        .collect();
    if shifts.len() < FEWEST {
        return None;
    }
    let (x, u_x) = bow(shifts.iter().map(|(p, s)| (*p, s.x, s.u_x)))?;
    let (y, u_y) = bow(shifts.iter().map(|(p, s)| (*p, s.y, s.u_y)))?;
    Some((x, y, u_x.max(u_y).hypot(FLOOR_PX)))
}

/// Where the background of a cutting is, less where it rests, px.
#[derive(Debug, Clone, Copy)]
struct Shift {
    x: f64,
    y: f64,
    u_x: f64,
    u_y: f64,
}

/// By least squares on the slopes of the resting picture (Lucas & Kanade 1981), with a change of the light, away from the ball.
fn shift(cutting: &Cutting, resting: &Plane) -> Option<Shift> {
    let (mut normal, mut right, mut squares, mut count) = (Matrix3::<f64>::zeros(), Vector3::zeros(), 0.0, 0.0);
    let seen = &cutting.picture.luma;
    for (row, column) in (0..seen.height).flat_map(|row| (0..seen.width).map(move |column| (row, column))) {
        let (x, y) = (cutting.left + column, cutting.top + row);
        if x == 0 || y == 0 || x + 1 >= resting.width || y + 1 >= resting.height || near_the_ball(cutting, x, y) {
            continue;
        }
        let at = |x: usize, y: usize| f64::from(resting.samples[y * resting.width + x]);
        let slopes = Vector3::new((at(x + 1, y) - at(x - 1, y)) / 2.0, (at(x, y + 1) - at(x, y - 1)) / 2.0, -1.0);
        // I(x) = B(x − s) + c, so that I − B = −slope·s + c.
        let difference = at(x, y) - f64::from(seen.samples[row * seen.width + column]);
        normal += slopes * slopes.transpose();
        right += slopes * difference;
        squares += difference * difference;
        count += 1.0;
    }
    let inverse = normal.try_inverse().filter(|_| count > 50.0)?;
    let found = inverse * right;
    let variance = (squares - found.dot(&right)).max(0.0) / (count - 3.0);
    // Noise of a still and of a moving picture: an encoder's is alike over blocks of eight pixels.
    let u = |i: usize| (inverse[(i, i)] * variance).sqrt() * 8.0;
    let known = u(0) < ROUGHEST_PX && u(1) < ROUGHEST_PX;
    known.then(|| Shift { x: found[0], y: found[1], u_x: u(0).hypot(FLOOR_PX), u_y: u(1).hypot(FLOOR_PX) })
}

/// Within the streaked disc, its blur and the cutting's own slope.
fn near_the_ball(cutting: &Cutting, x: usize, y: usize) -> bool {
    let disc = &cutting.disc;
    let (sx, sy) = disc.streak_px;
    let from = Vector2::new(x as f64 - disc.centre.x, y as f64 - disc.centre.y);
    let half = Vector2::new(sx, sy) / 2.0;
    let along = if half.norm_squared() > 0.0 { (from.dot(&half) / half.norm_squared()).clamp(-1.0, 1.0) } else { 0.0 };
    let nearest = half * along;
    (from - nearest).norm() < 1.15 * disc.radius_px + 3.0 * disc.blur_px + 2.0
}

/// The coefficient of the bow beside a constant and an even drift, with its standard uncertainty.
fn bow(shifts: impl Iterator<Item = (f64, f64, f64)>) -> Option<(f64, f64)> {
    let (mut normal, mut right) = (Matrix3::<f64>::zeros(), Vector3::zeros());
    for (p, value, u) in shifts {
        let row = Vector3::new(1.0, p, 4.0 * p * (1.0 - p));
        normal += row * row.transpose() / (u * u);
        right += row * (value / (u * u));
    }
    let covariance = normal.try_inverse()?;
    let solution = covariance * right;
    let known = covariance[(2, 2)].is_finite() && covariance[(2, 2)] > 0.0;
    known.then(|| (solution[2], covariance[(2, 2)].sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{presets, source};
    use crate::sight::{FindOptions, find_flights};

    fn seen_bend(scene: &crate::scene::Scene) -> Option<(f64, f64, f64)> {
        let found = find_flights(&mut source(scene), &FindOptions::default(), &mut |_| {}).unwrap();
        bend(&found.flights[0].cuttings, found.resting.as_ref().unwrap())
    }

    /// Before shelves and a camera on a stand nothing bows: nought within three standard uncertainties, and those below two tenths of
    /// a pixel, a sixth of what moves g by 1 %.
    #[test]
    fn a_camera_on_a_stand_shows_no_bend() {
        let mut scene = presets::clutter_walker(11);
        scene.movers.clear();
        let (x, y, u) = seen_bend(&scene).unwrap();
        println!("{x:.3} {y:.3} ± {u:.3} px");
        assert!(u < 0.2 && x.abs() < 3.0 * u && y.abs() < 3.0 * u, "{x} {y} {u}");
    }

    /// A plain wall looks the same wherever the camera looks.
    #[test]
    fn a_plain_wall_tells_nothing() {
        let mut scene = presets::clean_60fps(11);
        scene.sensor.vignette = 0.0;
        assert!(seen_bend(&scene).is_none_or(|(.., u)| u > 0.05));
    }
}
