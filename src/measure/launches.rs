//! Which of the found flights are launches, and when each left its launcher.

use crate::camera::steady::Wander;
use crate::clip::Clock;
use crate::fit::{FlightFit, Launch, Mouth, Residual};
use crate::rig::Rig;
use crate::sight::arcs::median;
use crate::sight::find::goes_on_after_a_touch;
use crate::sight::track::usual_least;
use crate::sight::{FoundFlight, Sighting, SightingSource};
use crate::units::PixelPoint;

/// A flight that began where another ended: the ball after a bounce.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Continuation {
    /// Number of the first frame after the touch.
    pub frame: usize,
}

/// Share of the disc from which the ball counts as in full view: glare and noise alone make a few per cent look unlike it.
const IN_FULL_VIEW: f64 = 0.97;

/// A hand marks a point to about a pixel or two, px (common practice, no source).
pub(super) const MARKED_PX: f64 = 1.5;

/// Leaves out the sightings from before the ball passed the stated launch point: the launcher still carried it, whatever they look
/// like. A ball may pass the point again on its way down, so that the first time counts.
pub(super) fn drop_before_point(flight: &mut FoundFlight, point_px: PixelPoint) {
    /// Fewer sightings than this aren't cut further.
    const FEWEST: usize = 6;
    let places: Vec<PixelPoint> = flight.sightings.iter().map(|sighting| sighting.centre_px).collect();
    let Some(radius_px) = flight.sightings.first().map(|sighting| sighting.radius_px) else { return };
    let passed: Vec<(f64, f64)> = places.windows(2).map(|pair| beside(pair[0], pair[1], point_px)).collect();
    let near = |(distance, _): &(f64, f64)| *distance < radius_px.max(3.0 * MARKED_PX);
    let Some(mut at) = passed.iter().position(near) else { return };
    while passed.get(at + 1).is_some_and(|next| next.0 < passed[at].0) {
        at += 1;
    }
    let held = at + usize::from(passed[at].1 > 0.0);
    if held == 0 || places.len() < FEWEST + held {
        return;
    }
    flight.not_yet_frame = Some(flight.sightings[held - 1].frame);
    let first = flight.sightings[held].frame;
    flight.sightings.retain(|sighting| sighting.frame >= first);
    flight.cuttings.retain(|cutting| cutting.frame >= first);
}

/// Distance of a point from the line between two, and which share of it lies before the nearest place.
fn beside(from: PixelPoint, to: PixelPoint, point: PixelPoint) -> (f64, f64) {
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    let length2 = (dx * dx + dy * dy).max(1e-12);
    let share = (((point.x - from.x) * dx + (point.y - from.y) * dy) / length2).clamp(0.0, 1.0);
    (point.distance(PixelPoint::new(from.x + share * dx, from.y + share * dy)), share)
}

/// Marks the flights that follow a touch, and says where they begin. Flights are in order of time.
///
/// A ball that comes off a floor, a wall or a bench begins where the flight before ended and is not faster than it arrived;
/// one that is thrown, kicked or launched anew is faster, or begins elsewhere.
pub fn mark_bounces(flights: &mut [FoundFlight]) -> Vec<Continuation> {
    let mut continuations = Vec::new();
    for place in 0..flights.len() {
        let (before, after) = flights.split_at_mut(place);
        let flight = &mut after[0];
        flight.after_touch = before.iter().any(|before| goes_on_after_a_touch(&before.sightings, &flight.sightings));
        if flight.after_touch {
            continuations.push(Continuation { frame: flight.sightings[0].frame });
        }
    }
    continuations
}

/// A flight as a first fit has it: enough to tell what belongs to it.
pub(super) struct FirstLook {
    /// On the clock that was chosen.
    pub sightings: Vec<Sighting>,
    pub fit: FlightFit,
}

/// Takes off first sightings that the fit rejected for more than being partly hidden: the launcher was still at the ball, and they
/// would put the launch too early. Sightings placed by hand stay.
pub(super) fn drop_rejected_start(flight: &mut FoundFlight, look: &FirstLook) {
    /// Fewer sightings than this aren't cut further.
    const FEWEST: usize = 6;
    // A mouth that hides part of the ball draws the sighting aside too, but by less than a push does.
    let aside = |s: &Sighting, r: &Residual| r.px.x.hypot(r.px.y) > 0.8 + 0.03 * s.radius_px;
    let pushed = |(s, r): &(&Sighting, &Residual)| {
        !r.used && s.source != SightingSource::ByHand && (s.visible >= IN_FULL_VIEW || aside(s, r))
    };
    let leading = look.sightings.iter().zip(&look.fit.residuals).take_while(pushed).count();
    // More than two in a row aren't a push but a model that doesn't fit, and are the verdict's business.
    if !(1..=2).contains(&leading) || look.sightings.len() < FEWEST + leading {
        return;
    }
    flight.not_yet_frame = Some(look.sightings[leading - 1].frame);
    let first = look.sightings[leading].frame;
    flight.sightings.retain(|sighting| sighting.frame >= first);
    flight.cuttings.retain(|cutting| cutting.frame >= first);
}

/// Takes back that a frame shows the launcher still holding the ball when the camera looked elsewhere in it: the flight then begins
/// where it came into view. `size` of the picture, px.
pub(super) fn forget_unseen_launch(flight: &mut FoundFlight, wander: &Wander, size: (usize, usize)) {
    let Some(not_yet) = flight.not_yet_frame else { return };
    let [first, second, ..] = flight.sightings.as_slice() else { return };
    let frames_back = first.frame.saturating_sub(not_yet) as f64 / (second.frame - first.frame).max(1) as f64;
    let (a, b) = (first.centre_px, second.centre_px);
    let before = PixelPoint::new(a.x - frames_back * (b.x - a.x), a.y - frames_back * (b.y - a.y));
    if !wander.shows(not_yet, before, size) {
        flight.not_yet_frame = None;
    }
}

/// Whether a flight's sightings lie so far from the fitted path that they are no ball's, by more than a pixel and an
/// eighth of the radius and by more than they are uncertain, or are those of a thing that doesn't fall.
///
/// Each counts by how well it is known: a first sighting in a hand, good to some pixels, says nothing against twenty clear ones.
pub(super) fn is_misfit(look: &FirstLook) -> bool {
    /// What no sighting is known better than here, px.
    const FLOOR_PX: f64 = 0.3;
    let radius = look.sightings[look.sightings.len() / 2].radius_px;
    let (mut weights, mut squares, mut count) = (0.0, 0.0, 0.0);
    for (sighting, residual) in look.sightings.iter().zip(&look.fit.residuals).filter(|(_, residual)| residual.used) {
        let covariance = sighting.covariance_px2;
        let variance = covariance.xx + covariance.yy + FLOOR_PX * FLOOR_PX;
        weights += 1.0 / variance;
        squares += (residual.px.x.powi(2) + residual.px.y.powi(2)) / variance;
        count += 1.0;
    }
    let (rms_px, known_px) = ((squares / weights).sqrt(), (count / weights).sqrt());
    rms_px >= (1.0 + 0.12 * radius).max(1.5 * known_px) || look.fit.gravity_m_per_s2.value <= 0.0
}

/// The sightings of a flight with the times of the clock: a stamp is that of the frame's beginning, and a sighting's place that
/// of mid-exposure.
pub(super) fn on_clock(flight: &FoundFlight, clock: &Clock) -> Vec<Sighting> {
    let late_s = half_exposure_s(flight, clock);
    flight.sightings.iter().map(|s| Sighting { time_s: clock.times_s[s.frame] + late_s, ..s.clone() }).collect()
}

/// Half of the exposure as the streaks show it, true s; nought where they are too short to tell. It moves all times of a flight
/// alike, so that only its place on the clock depends on it.
pub(super) fn half_exposure_s(flight: &FoundFlight, clock: &Clock) -> f64 {
    flight.exposure_s.map_or(0.0, |exposure_s| 0.5 * exposure_s / clock.slow_factor)
}

/// When the ball left the launcher: where the rig marks the launch point, else between the last frame in which the ball was
/// not yet on its path and the first in which it was, with what is known should a mouth have hidden it.
pub(super) fn launch(flight: &FoundFlight, sightings: &[Sighting], clock: &Clock, rig: &Rig) -> Launch {
    if flight.after_touch {
        return Launch::FirstSighting;
    }
    if let Some(point_px) = rig.launcher.point_px {
        return Launch::Near { point_px, standard_uncertainty_px: MARKED_PX };
    }
    let Some(not_yet) = flight.not_yet_frame else { return Launch::FirstSighting };
    let mouth = crossing_s(sightings).map(|radius_s| Mouth { radius_s, past: past_the_edge(sightings) });
    Launch::Between {
        from_s: clock.times_s[not_yet] + half_exposure_s(flight, clock),
        to_s: sightings[0].time_s,
        seen_px: Some(sightings[0].centre_px),
        mouth,
    }
}

/// Share of the first sighting's disc that is in view by what usually is; `None` where that is the whole, within what noise and glare
/// make of it.
fn part_in_view(sightings: &[Sighting]) -> Option<f64> {
    /// Noise of the share: that, and of the rim's pixels.
    const NOISE: f64 = 0.02;
    const NOISE_PX: f64 = 0.15;
    let shares: Vec<f64> = sightings.iter().map(|sighting| sighting.visible).collect();
    let least = usual_least(shares.clone())?;
    let usual = median(shares).max(0.5);
    let first = sightings.first()?;
    let noise = NOISE + NOISE_PX / first.radius_px.max(1.0);
    (first.visible < IN_FULL_VIEW * usual && first.visible < least - noise).then_some(first.visible / usual)
}

/// How far the ball's centre was past the edge of a mouth at the first sighting, in radii; `None` when the ball was in full view.
///
/// The mouth is taken as a straight edge across the path: a disc of radius R whose share h is hidden has the edge at u·R
/// behind its centre, where h = (acos u − u·√(1 − u²))/π.
fn past_the_edge(sightings: &[Sighting]) -> Option<f64> {
    let in_view = part_in_view(sightings)?;
    let (mut low, mut high) = (-1.0f64, 1.0f64);
    for _ in 0..40 {
        let u = 0.5 * (low + high);
        let hidden = (u.acos() - u * (1.0 - u * u).sqrt()) / std::f64::consts::PI;
        if hidden > 1.0 - in_view { low = u } else { high = u }
    }
    Some(low)
}

/// How long the ball takes for its own radius at the first sighting, s.
fn crossing_s(sightings: &[Sighting]) -> Option<f64> {
    let [first, next, ..] = sightings else { return None };
    let speed_px_per_s = first.centre_px.distance(next.centre_px) / (next.time_s - first.time_s);
    let radius_s = first.radius_px / speed_px_per_s;
    (radius_s.is_finite() && radius_s > 0.0).then_some(radius_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Covariance2;

    fn flight(places: &[(f64, f64)]) -> FoundFlight {
        let sighting = |(frame, (x, y)): (usize, &(f64, f64))| Sighting {
            frame,
            time_s: frame as f64 / 60.0,
            centre_px: PixelPoint::new(*x, *y),
            covariance_px2: Covariance2 { xx: 0.01, xy: 0.0, yy: 0.01 },
            radius_px: 6.0,
            streak_px: None,
            visible: 1.0,
            signal_to_noise: 50.0,
            source: SightingSource::Found,
        };
        FoundFlight {
            after_touch: false,
            sightings: places.iter().enumerate().map(sighting).collect(),
            cuttings: Vec::new(),
            not_yet_frame: None,
            exposure_s: None,
            blur_px: 0.6,
            log10_chance: -20.0,
            fall_px_per_s2: 3000.0,
        }
    }

    /// Up past the point and down past it again: what lies before the first passage goes, and nothing else.
    #[test]
    fn a_stated_point_drops_what_lies_before_it() {
        let places: Vec<(f64, f64)> =
            (0..20).map(|i| (100.0 + f64::from(i), 500.0 - 40.0 * f64::from(i) + 2.0 * f64::from(i * i))).collect();
        let mut thrown = flight(&places);
        // Between the third place and the fourth, and near a place on the way down.
        drop_before_point(&mut thrown, PixelPoint::new(103.0, 410.0));
        assert_eq!((thrown.sightings[0].frame, thrown.sightings.len()), (3, 17));
        assert_eq!(thrown.not_yet_frame, Some(2));
        let mut whole = flight(&places);
        drop_before_point(&mut whole, PixelPoint::new(98.0, 540.0));
        drop_before_point(&mut whole, PixelPoint::new(300.0, 400.0));
        assert_eq!((whole.sightings.len(), whole.not_yet_frame), (20, None));
    }
}
