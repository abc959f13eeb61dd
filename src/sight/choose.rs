//! Which of the things that fall are balls: shadows and mirror images fall along with the ball, and one thing can be followed twice.

use crate::sight::arcs::{Arc, median};
use crate::sight::track::Track;

/// A track with the arc that it came of.
pub(super) type Fall = (Arc, Track);

/// Frames that two tracks must share to be compared.
const ENOUGH_FRAMES: usize = 4;

/// Leaves out what is another one's shadow or mirror image, or was followed twice.
pub(super) fn only_balls(mut tracks: Vec<Fall>) -> Vec<Fall> {
    let stand_out = that_stand_out(&tracks.iter().map(|(arc, track)| (arc, track)).collect::<Vec<_>>());
    let mut stand_out = stand_out.into_iter();
    tracks.retain(|_| stand_out.next() == Some(true));
    let clearest = tracks.iter().max_by(|a, b| clearness(a).total_cmp(&clearness(b)));
    if let Some(plumb) = clearest.map(Plumb::of) {
        tracks.retain(|one| Plumb::of(one).is_like(&plumb));
    }
    tracks
}

/// Which of the tracks are things of their own: of those that lie on one thing the longest, and none that another one casts.
pub(super) fn that_stand_out(tracks: &[(&Arc, &Track)]) -> Vec<bool> {
    let mut longest_first: Vec<usize> = (0..tracks.len()).collect();
    longest_first.sort_by_key(|&place| std::cmp::Reverse(tracks[place].1.refined.len()));
    let mut kept: Vec<usize> = Vec::new();
    for one in longest_first {
        if !kept.iter().any(|&other| is_the_same(tracks[one].1, tracks[other].1)) {
            kept.push(one);
        }
    }
    let is_cast = |one: usize| kept.iter().any(|&other| one != other && is_cast_by(tracks[one], tracks[other]));
    (0..tracks.len()).map(|place| kept.contains(&place) && !is_cast(place)).collect()
}

/// What a track is believed before others by: whether scale and clock allow its fall, and how clearly it is one.
fn clearness((arc, _): &Fall) -> f64 {
    /// Of a fall that scale and clock allow, over one that they don't.
    const ALLOWED: f64 = 15.0;
    arc.worth() + if arc.fall_believable { ALLOWED } else { 0.0 }
}

/// Standard uncertainty of the direction in which an arc's fall bends, rad: that of a second difference of n even places over T,
/// 26.8 σ/(√n·T²), over a fall that sags by a·T²/8.
fn direction_doubt(arc: &Arc) -> f64 {
    3.4 * arc.rms_px / ((arc.blobs.len() as f64).sqrt() * arc.sagitta_px)
}

/// Which way plumb lines hang where a track falls, as far as it tells.
struct Plumb {
    acceleration_px_per_s2: f64,
    /// Least and greatest lean, rad: the air holds back what flies along, and so turns its acceleration.
    lean_rad: (f64, f64),
    doubt_rad: f64,
}

impl Plumb {
    fn of((arc, track): &Fall) -> Self {
        /// What the air takes of a light ball's speed, over gravity: a foam ball of 25 g and 68 mm at 6 m/s loses a seventh of g, a hollow one
        /// of 2.7 g and 40 mm at 5 m/s a third.
        const DRAG: f64 = 0.35;
        let places = || track.refined.iter().map(|one| one.fit.disc.centre);
        let way: f64 = places().zip(places().skip(1)).map(|(a, b)| a.distance(b)).sum();
        let along = track.refined[track.refined.len() - 1].fit.disc.centre.x - track.refined[0].fit.disc.centre.x;
        let (ax, ay) = track.fall_px_per_s2;
        let (lean, without_air) = (ax.atan2(ay), ax.atan2(ay) + DRAG * along / way.max(1.0));
        Self {
            acceleration_px_per_s2: ax.hypot(ay),
            lean_rad: (lean.min(without_air), lean.max(without_air)),
            doubt_rad: direction_doubt(arc),
        }
    }

    /// Whether one thing falls about as another does: one gravity acts on both, and what is twice as far away falls half as fast in the
    /// picture. A hand or a head that moves along doesn't.
    fn is_like(&self, other: &Self) -> bool {
        const NEARER: f64 = 2.0;
        /// Of plumb lines in one picture: a camera that looks up or down by 10° sees them lean by 5° at its sides.
        const LEAN_RAD: f64 = 0.1;
        let apart_rad = (self.lean_rad.0 - other.lean_rad.1).max(other.lean_rad.0 - self.lean_rad.1);
        let ratio = self.acceleration_px_per_s2 / other.acceleration_px_per_s2;
        (1.0 / NEARER..=NEARER).contains(&ratio) && apart_rad < LEAN_RAD + 3.0 * self.doubt_rad.hypot(other.doubt_rad)
    }
}

/// Places of two tracks in the frames that both have.
fn common<'a>(one: &'a Track, other: &'a Track) -> impl Iterator<Item = (usize, Place, Place)> + 'a {
    one.refined.iter().filter_map(|a| {
        let b = other.refined.binary_search_by_key(&a.place, |b| b.place).ok()?;
        let (a_at, b_at) = (a.fit.disc.centre, other.refined[b].fit.disc.centre);
        Some((a.place, (a_at.x, a_at.y), (b_at.x, b_at.y)))
    })
}

type Place = (f64, f64);

/// Whether two tracks lie on one thing in the frames that both have.
fn is_the_same(one: &Track, other: &Track) -> bool {
    let apart: Vec<f64> = common(one, other).map(|(_, a, b)| (a.0 - b.0).hypot(a.1 - b.1)).collect();
    let reach = 0.75 * one.ball.radius_px.max(other.ball.radius_px) + 2.0;
    let shorter = one.refined.len().min(other.refined.len());
    3 * apart.len() >= shorter && !apart.is_empty() && median(apart) < reach
}

/// Whether the first track is what the second thing throws on a wall, a floor or a window: it departs less from what is behind it, and it
/// moves as the other does, enlarged by one factor from a fixed place.
fn is_cast_by(one: (&Arc, &Track), other: (&Arc, &Track)) -> bool {
    /// Departure from the background, of the ball's, from which a thing is one of its own right.
    const FAINTER: f64 = 0.75;
    /// Enlargements that light from a lamp and a wall at some distance give.
    const ENLARGED: std::ops::RangeInclusive<f64> = 0.4..=2.5;
    /// By how much the factors along x and y may differ, since the wall isn't quite parallel to the flight.
    const UNEVEN: f64 = 1.5;
    /// Departure of a soft shadow, and of their ways the scatter that is allowed: a soft shadow's middle is known less well.
    const FAINT: f64 = 0.3;
    const SCATTER: f64 = 0.04;
    const SCATTER_OF_FAINT: f64 = 0.12;
    if one.0.opacity() > FAINTER * other.0.opacity() {
        return false;
    }
    let shared: Vec<(usize, Place, Place)> = common(one.1, other.1).collect();
    if shared.len() < ENOUGH_FRAMES || 2 * shared.len() < one.1.refined.len() {
        return false;
    }
    let xs: Vec<(f64, f64)> = shared.iter().map(|(_, a, b)| (b.0, a.0)).collect();
    let ys: Vec<(f64, f64)> = shared.iter().map(|(_, a, b)| (b.1, a.1)).collect();
    let (Some((by_x, rms_x, way_x)), Some((by_y, rms_y, way_y))) = (line(&xs), line(&ys)) else { return false };
    let close = 1.0 + 0.12 * one.1.ball.radius_px;
    let moves = |way: f64| way > 4.0 * close;
    let scatter = if one.0.opacity() < FAINT * other.0.opacity() { SCATTER_OF_FAINT } else { SCATTER };
    let along = |by: f64, rms: f64, way: f64| !moves(way) || (ENLARGED.contains(&by) && rms < close.max(scatter * way));
    let alike = !(moves(way_x) && moves(way_y)) || (1.0 / UNEVEN..=UNEVEN).contains(&(by_x / by_y));
    along(by_x, rms_x, way_x) && along(by_y, rms_y, way_y) && alike && (moves(way_x) || moves(way_y))
}

/// Slope and scatter of the straight line through (x, y), and the way that y goes; `None` where x doesn't move.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let count = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0 / count, y + p.1 / count));
    let xx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let xy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if xx < 1e-6 {
        return None;
    }
    let slope = xy / xx;
    let squares: f64 = points.iter().map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    let least = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let most = points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    Some((slope, (squares / count).sqrt(), most - least))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plumb(lean_rad: f64, without_air_rad: f64, doubt_rad: f64) -> Plumb {
        let lean_rad = (lean_rad.min(without_air_rad), lean_rad.max(without_air_rad));
        Plumb { acceleration_px_per_s2: 2400.0, lean_rad, doubt_rad }
    }

    #[test]
    fn a_turning_hand_leans_where_no_air_explains_it() {
        let tossed_up = plumb(0.0, 0.0, 0.002);
        // A hand goes to and fro: it gets nowhere, and the air has no say.
        assert!(!plumb(-0.165, -0.165, 0.02).is_like(&tossed_up));
        assert!(plumb(-0.08, -0.08, 0.02).is_like(&tossed_up));
    }

    #[test]
    fn a_light_ball_and_its_slower_rebound_fall_alike() {
        // Rendered: to the left, 25 g, with drag of a fifth of g before the touch and hardly any after it.
        let (flight, rebound) = (plumb(0.19, -0.12, 0.001), plumb(0.03, -0.07, 0.013));
        assert!(flight.is_like(&rebound) && rebound.is_like(&flight));
        // Twice as near is as much as one picture shows.
        let nearer = Plumb { acceleration_px_per_s2: 5000.0, ..flight };
        assert!(!nearer.is_like(&rebound));
    }
}
