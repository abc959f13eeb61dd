//! A smooth path through sightings, with its own uncertainty: what tells a ball in flight from one that was touched.
//!
//! Not a parabola: drag, a lens, a tilted camera and a rolling shutter bend a free flight by up to several pixels, and that is
//! no reason to cut it. A bounce or a push changes the velocity at once, which no smooth path follows. How much a flight may
//! bend is a prior on the higher derivatives, so that a few places a thirtieth of a second apart are held against what a
//! flight can do and many against what this one does.

use nalgebra::{DMatrix, DVector};

use crate::units::PixelPoint;

/// A place at a time with its standard uncertainty, taken alike on both axes.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    pub time_s: f64,
    pub centre: PixelPoint,
    pub sigma_px: f64,
}

/// Polynomials x(t) and y(t) of one degree.
#[derive(Debug, Clone)]
pub struct SmoothPath {
    reference_s: f64,
    unit_s: f64,
    x: DVector<f64>,
    y: DVector<f64>,
    /// Inverse of the normal matrix, for weights 1/σ².
    inverse: DMatrix<f64>,
    determined: f64,
}

/// Degree of a flight's path in time.
const FLIGHT_DEGREE: i32 = 5;
/// Rate, 1/s, at which the acceleration of a flight changes in the picture, as a standard deviation: that the n-th derivative is
/// the acceleration times this to the power of n − 2. A table tennis ball of 3 g that falls by a wide lens a metre away
/// (rendered) reached 2 /s in the third derivative and 4.6 /s in the fourth.
const BENDING_PER_S: f64 = 3.5;

impl SmoothPath {
    /// Weighted least squares of `degree`; `None` with fewer places than coefficients.
    pub fn fit(places: &[Place], degree: usize) -> Option<Self> {
        if places.len() <= degree {
            return None;
        }
        Self::solve(places, &vec![0.0; degree + 1])
    }

    /// Path of a flight: a parabola that may bend on as drag, a lens and a shutter bend it, as far as the places tell and a
    /// flight can. `None` with fewer than three places.
    pub fn flight(places: &[Place]) -> Option<Self> {
        let (ax, ay) = Self::fit(places, 2)?.acceleration();
        let (_, unit_s) = span(places);
        let (mut derivative, mut factorial) = (ax.hypot(ay).max(1.0) * unit_s * unit_s, 2.0);
        let mut precisions = vec![0.0; 3];
        for order in 3..=FLIGHT_DEGREE {
            derivative *= BENDING_PER_S * unit_s;
            factorial *= f64::from(order);
            precisions.push((factorial / derivative).powi(2));
        }
        Self::solve(places, &precisions)
    }

    /// Weighted least squares for as many coefficients as there are `precisions`: those of their priors about nought, 1/px².
    fn solve(places: &[Place], precisions: &[f64]) -> Option<Self> {
        let degree = precisions.len() - 1;
        let (reference_s, unit_s) = span(places);
        let mut normal = DMatrix::from_diagonal(&DVector::from_row_slice(precisions));
        let (mut right_x, mut right_y) = (DVector::zeros(degree + 1), DVector::zeros(degree + 1));
        for place in places {
            let row = powers((place.time_s - reference_s) / unit_s, degree);
            let weight = place.sigma_px.powi(-2);
            normal += weight * &row * row.transpose();
            right_x += weight * place.centre.x * &row;
            right_y += weight * place.centre.y * &row;
        }
        let inverse = normal.cholesky()?.inverse();
        let assumed: f64 = precisions.iter().enumerate().map(|(i, precision)| precision * inverse[(i, i)]).sum();
        let determined = precisions.len() as f64 - assumed;
        Some(Self { reference_s, unit_s, x: &inverse * right_x, y: &inverse * right_y, inverse, determined })
    }

    /// Coefficients that the places determine on each axis; those of a prior count in part.
    pub fn determined(&self) -> f64 {
        self.determined
    }

    /// Degrees of freedom that `count` places leave, both axes together.
    pub fn freedom(&self, count: usize) -> f64 {
        2.0 * (count as f64 - self.determined)
    }

    pub fn at(&self, time_s: f64) -> PixelPoint {
        let row = powers((time_s - self.reference_s) / self.unit_s, self.x.len() - 1);
        PixelPoint::new(row.dot(&self.x), row.dot(&self.y))
    }

    /// Velocity, px/s.
    pub fn velocity(&self, time_s: f64) -> (f64, f64) {
        let tau = (time_s - self.reference_s) / self.unit_s;
        let degree = self.x.len() - 1;
        let slope = |c: &DVector<f64>| (1..=degree).map(|i| i as f64 * c[i] * tau.powi(i as i32 - 1)).sum::<f64>();
        (slope(&self.x) / self.unit_s, slope(&self.y) / self.unit_s)
    }

    /// Acceleration at the mean time, px/s².
    pub fn acceleration(&self) -> (f64, f64) {
        let curve = |c: &DVector<f64>| if c.len() > 2 { 2.0 * c[2] / (self.unit_s * self.unit_s) } else { 0.0 };
        (curve(&self.x), curve(&self.y))
    }

    /// Standard uncertainty of the path itself at a time, px, for places as uncertain as stated.
    pub fn sigma_px(&self, time_s: f64) -> f64 {
        let row = powers((time_s - self.reference_s) / self.unit_s, self.x.len() - 1);
        (row.transpose() * &self.inverse * &row)[(0, 0)].max(0.0).sqrt()
    }

    /// Greater of the departures of `centre` from the path along x and y.
    pub fn distance(&self, place: &Place) -> f64 {
        self.at(place.time_s).distance(place.centre)
    }
}

/// Mean time of places and the longest time from it, s.
fn span(places: &[Place]) -> (f64, f64) {
    let mean_s = places.iter().map(|place| place.time_s).sum::<f64>() / places.len() as f64;
    (mean_s, places.iter().map(|place| (place.time_s - mean_s).abs()).fold(1e-9, f64::max))
}

fn powers(tau: f64, degree: usize) -> DVector<f64> {
    DVector::from_fn(degree + 1, |i, _| tau.powi(i as i32))
}

/// Sightings after an odd one within which the ball must be back on its path.
const RETURN_WITHIN: usize = 4;

/// Places with uncertainties raised to the scatter that the settled part of the flight shows: stamps that jitter and a
/// picture that was squeezed too hard scatter sightings by more than the disc fits know.
fn honest(places: &[Place], settled: std::ops::Range<usize>) -> Vec<Place> {
    let part = &places[settled];
    let ratio = SmoothPath::flight(part).filter(|path| path.freedom(part.len()) > 1.0).map_or(1.0, |path| {
        let chi2: f64 = part.iter().map(|place| (path.distance(place) / place.sigma_px).powi(2)).sum();
        // The part was chosen for its small scatter, so its scatter is taken half as much again.
        (2.25 * chi2 / path.freedom(part.len())).max(1.0).sqrt()
    });
    places.iter().map(|place| Place { sigma_px: place.sigma_px * ratio, ..*place }).collect()
}

/// The run of places, as a range of indices, that one free flight explains, grown from the middle to both sides; and
/// whether each place inside it lies on the path. `None` when even the middle doesn't hold together.
///
/// `slack_px` is the departure that no uncertainty explains but that is still no touch. It lets a place in that is a fraction of a pixel
/// off; where places are missing next to it, because somebody passes behind the ball, that one would turn the path past all that
/// follows, and such ones are left out where the others agree without them.
pub fn free_run(places: &[Place], slack_px: f64) -> Option<(std::ops::Range<usize>, Vec<bool>)> {
    let count = places.len();
    let mut run = most_settled_third(places)?;
    let places = &honest(places, run.clone());
    // Odd sightings inside the flight, which must not bend the path that the next ones are held against.
    let mut odd = vec![false; count];
    for forward in [true, false] {
        loop {
            let next = if forward { run.end } else { run.start.wrapping_sub(1) };
            if next >= count {
                break;
            }
            let inside: Vec<Place> = run.clone().filter(|&i| !odd[i]).map(|i| places[i]).collect();
            let Some(path) = local_path(&inside, forward) else { break };
            if !lies_on(&path, &places[next], slack_px) {
                let astray = led_astray(places, &run, &odd, (next, forward), slack_px);
                if !astray.is_empty() {
                    astray.into_iter().for_each(|place| odd[place] = true);
                    continue;
                }
                // A few odd sightings inside a flight are odd sightings; after a touch the ball doesn't come back.
                let comes_back = (1..=RETURN_WITHIN).any(|step| {
                    let later = beside(next, step, forward).and_then(|later| places.get(later));
                    later.is_some_and(|place| lies_on(&path, place, slack_px))
                });
                if !comes_back {
                    break;
                }
                odd[next] = true;
            }
            if forward {
                run.end += 1;
            } else {
                run.start -= 1;
            }
        }
    }
    let run = without_pushed_start(places, run);
    let kept: Vec<Place> = places[run.clone()].to_vec();
    let on_path = trimmed(&kept, &odd[run.clone()], slack_px)?;
    Some((run, on_path))
}

fn beside(place: usize, step: usize, forward: bool) -> Option<usize> {
    if forward { place.checked_add(step) } else { place.checked_sub(step) }
}

/// The places at an end of the run that keep the `next` ones off the path: without them these lie there, and they don't by chance.
fn led_astray(
    places: &[Place],
    run: &std::ops::Range<usize>,
    odd: &[bool],
    (next, forward): (usize, bool),
    slack_px: f64,
) -> Vec<usize> {
    /// Most places left out at a time, and places beyond them that must agree without them.
    const MOST: usize = 3;
    const AGREE: usize = 3;
    /// Places that make the path without them; fewer say too little.
    const LEAST: usize = 8;
    let beyond: Vec<&Place> = (0..AGREE).filter_map(|step| places.get(beside(next, step, forward)?)).collect();
    let inside: Vec<usize> = run.clone().filter(|&i| !odd[i]).collect();
    if beyond.len() < AGREE {
        return Vec::new();
    }
    for count in 1..=MOST.min(inside.len().saturating_sub(LEAST)) {
        let (left_out, others) = if forward {
            let (others, left_out) = inside.split_at(inside.len() - count);
            (left_out, others)
        } else {
            inside.split_at(count)
        };
        let others: Vec<Place> = others.iter().map(|&i| places[i]).collect();
        let Some(path) = local_path(&others, forward) else { continue };
        let astray: Vec<usize> = left_out.iter().copied().filter(|&i| !lies_on(&path, &places[i], 0.0)).collect();
        if !astray.is_empty() && beyond.iter().all(|place| lies_on(&path, place, slack_px)) {
            return astray;
        }
    }
    Vec::new()
}

/// Takes off the first place where it departs from the path of those after it by more than scatter: just before the release
/// the ball is a fraction of a pixel off its free path. (After a touch it is soon far off, and that ends the run by itself.)
fn without_pushed_start(places: &[Place], run: std::ops::Range<usize>) -> std::ops::Range<usize> {
    /// Neighbours that make the path; fewer say too little.
    const NEIGHBOURS: usize = 8;
    /// Departure, px, that blur and glare make without a touch.
    const SLACK_PX: f64 = 0.25;
    if run.len() <= NEIGHBOURS + 2 {
        return run;
    }
    let (place, neighbours) = (&places[run.start], &places[run.start + 1..run.start + 1 + NEIGHBOURS]);
    let departs = SmoothPath::flight(neighbours)
        .is_some_and(|path| path.distance(place) > 4.0 * place.sigma_px.hypot(path.sigma_px(place.time_s)) + SLACK_PX);
    run.start + usize::from(departs)..run.end
}

fn lies_on(path: &SmoothPath, place: &Place, slack_px: f64) -> bool {
    path.distance(place) <= 4.0 * place.sigma_px.hypot(path.sigma_px(place.time_s)) + slack_px
}

/// Flags the places that a robust fit keeps.
fn trimmed(places: &[Place], odd: &[bool], slack_px: f64) -> Option<Vec<bool>> {
    let mut good: Vec<bool> = odd.iter().map(|odd| !odd).collect();
    for _ in 0..4 {
        let chosen: Vec<Place> = places.iter().zip(&good).filter(|(_, good)| **good).map(|(place, _)| *place).collect();
        let path = SmoothPath::flight(&chosen)?;
        let next: Vec<bool> =
            places.iter().map(|place| path.distance(place) < 5.0 * place.sigma_px + 1.5 * slack_px).collect();
        if next == good {
            break;
        }
        good = next;
    }
    Some(good)
}

fn local_path(inside: &[Place], forward: bool) -> Option<SmoothPath> {
    const LOCAL: usize = 16;
    let near = if forward { &inside[inside.len().saturating_sub(LOCAL)..] } else { &inside[..inside.len().min(LOCAL)] };
    SmoothPath::flight(near)
}

/// The third of the places (at least five) that a parabola fits best: surely inside one flight.
fn most_settled_third(places: &[Place]) -> Option<std::ops::Range<usize>> {
    let length = (places.len() / 3).max(5).min(places.len());
    if places.len() < 4 {
        return None;
    }
    (0..=places.len() - length)
        .filter_map(|start| {
            let part = &places[start..start + length];
            let path = SmoothPath::fit(part, 2)?;
            let chi2: f64 = part.iter().map(|place| (path.distance(place) / place.sigma_px).powi(2)).sum();
            Some((start, chi2))
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(start, _)| start..start + length)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flight(count: usize) -> Vec<Place> {
        (0..count)
            .map(|i| {
                let t = i as f64 / 60.0;
                // A fixed, even-handed wobble of a tenth of the uncertainty stands in for noise.
                let wobble = 0.01 * f64::from(i as i32 % 3 - 1);
                let centre = PixelPoint::new(100.0 + 900.0 * t + wobble, 400.0 - 1200.0 * t + 2500.0 * t * t - wobble);
                Place { time_s: t, centre, sigma_px: 0.1 }
            })
            .collect()
    }

    #[test]
    fn a_flight_is_kept_whole() {
        let (run, good) = free_run(&flight(40), 0.3).unwrap();
        assert_eq!(run, 0..40);
        assert!(good.iter().all(|good| *good));
    }

    #[test]
    fn a_bounce_and_a_push_end_it() {
        let mut places = flight(40);
        for (i, place) in places.iter_mut().enumerate() {
            if i >= 33 {
                place.centre.y -= 40.0 * (i as f64 - 32.4);
            }
            if i < 4 {
                place.centre.x += 3.0 * (4 - i) as f64;
            }
        }
        assert_eq!(free_run(&places, 0.3).unwrap().0, 4..33);
    }

    #[test]
    fn one_odd_sighting_inside_is_flagged_not_the_end() {
        let mut places = flight(40);
        places[25].centre.x += 9.0;
        let (run, good) = free_run(&places, 0.3).unwrap();
        assert_eq!(run, 0..40);
        assert_eq!(good.iter().filter(|good| !**good).count(), 1);
        assert!(!good[25]);
    }

    /// As before a head that passes behind the ball: no places for some frames, and the one beside them drawn aside.
    #[test]
    fn a_place_drawn_aside_before_a_gap_does_not_end_it() {
        let mut places: Vec<Place> = flight(40).into_iter().map(|place| Place { sigma_px: 0.02, ..place }).collect();
        places[14].centre.x -= 0.39;
        places.drain(11..14);
        let (run, good) = free_run(&places, 0.39).unwrap();
        assert_eq!(run, 0..37);
        assert!(good.iter().filter(|good| !**good).count() <= 1);
    }
}
