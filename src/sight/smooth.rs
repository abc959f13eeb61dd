//! A smooth path through sightings, with its own uncertainty: what tells a ball in flight from one that was touched.
//!
//! A cubic in time, not a parabola: drag and a rolling shutter bend a free flight by up to several pixels, and that is no
//! reason to cut it. A bounce or a push changes the velocity at once, which no cubic follows.

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
}

impl SmoothPath {
    /// Weighted least squares of `degree`; `None` with fewer places than coefficients.
    pub fn fit(places: &[Place], degree: usize) -> Option<Self> {
        if places.len() <= degree {
            return None;
        }
        let reference_s = places.iter().map(|place| place.time_s).sum::<f64>() / places.len() as f64;
        let unit_s = places.iter().map(|place| (place.time_s - reference_s).abs()).fold(1e-9, f64::max);
        let mut normal = DMatrix::zeros(degree + 1, degree + 1);
        let (mut right_x, mut right_y) = (DVector::zeros(degree + 1), DVector::zeros(degree + 1));
        for place in places {
            let row = powers((place.time_s - reference_s) / unit_s, degree);
            let weight = place.sigma_px.powi(-2);
            normal += weight * &row * row.transpose();
            right_x += weight * place.centre.x * &row;
            right_y += weight * place.centre.y * &row;
        }
        let inverse = normal.cholesky()?.inverse();
        Some(Self { reference_s, unit_s, x: &inverse * right_x, y: &inverse * right_y, inverse })
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

fn powers(tau: f64, degree: usize) -> DVector<f64> {
    DVector::from_fn(degree + 1, |i, _| tau.powi(i as i32))
}

/// Sightings after an odd one within which the ball must be back on its path.
const RETURN_WITHIN: usize = 4;

/// Places with uncertainties raised to the scatter that the settled part of the flight shows: stamps that jitter and a
/// picture that was squeezed too hard scatter sightings by more than the disc fits know.
fn honest(places: &[Place], settled: std::ops::Range<usize>) -> Vec<Place> {
    let part = &places[settled];
    let freedom = (2 * part.len()) as f64 - 6.0;
    let ratio = SmoothPath::fit(part, 2).filter(|_| freedom > 0.0).map_or(1.0, |path| {
        let chi2: f64 = part.iter().map(|place| (path.distance(place) / place.sigma_px).powi(2)).sum();
        // The part was chosen for its small scatter, so its scatter is taken half as much again.
        (2.25 * chi2 / freedom).max(1.0).sqrt()
    });
    places.iter().map(|place| Place { sigma_px: place.sigma_px * ratio, ..*place }).collect()
}

/// The run of places, as a range of indices, that one free flight explains, grown from the middle to both sides; and
/// whether each place inside it lies on the path. `None` when even the middle doesn't hold together.
///
/// `slack_px` is the departure that no uncertainty explains but that is still no touch.
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
                // A few odd sightings inside a flight are odd sightings; after a touch the ball doesn't come back.
                let comes_back = (1..=RETURN_WITHIN).any(|step| {
                    let later = if forward { next + step } else { next.wrapping_sub(step) };
                    places.get(later).is_some_and(|place| lies_on(&path, place, slack_px))
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
    let on_path = trimmed(&kept, &odd[run.clone()], degree_for(kept.len()), slack_px)?;
    Some((run, on_path))
}

/// Degree of a polynomial that follows a free flight of so many places to a fraction of a pixel: drag on a light ball, a
/// rolling shutter and a tilted camera bend a long one by more than a cubic does.
pub fn degree_for(count: usize) -> usize {
    match count {
        0..9 => 2,
        9..20 => 3,
        _ => 4,
    }
}

/// Takes off the first place where it departs from the parabola of those after it by more than scatter: just before the release
/// the ball is a fraction of a pixel off its free path. (After a touch it is soon far off, and that ends the run by itself.)
fn without_pushed_start(places: &[Place], run: std::ops::Range<usize>) -> std::ops::Range<usize> {
    /// Neighbours that make the parabola; fewer say too little.
    const NEIGHBOURS: usize = 8;
    /// Departure, px, that blur and glare make without a touch.
    const SLACK_PX: f64 = 0.25;
    if run.len() <= NEIGHBOURS + 2 {
        return run;
    }
    let (place, neighbours) = (&places[run.start], &places[run.start + 1..run.start + 1 + NEIGHBOURS]);
    let departs = SmoothPath::fit(neighbours, 2)
        .is_some_and(|path| path.distance(place) > 4.0 * place.sigma_px.hypot(path.sigma_px(place.time_s)) + SLACK_PX);
    run.start + usize::from(departs)..run.end
}

fn lies_on(path: &SmoothPath, place: &Place, slack_px: f64) -> bool {
    path.distance(place) <= 4.0 * place.sigma_px.hypot(path.sigma_px(place.time_s)) + slack_px
}

/// Flags the places that a robust fit keeps.
fn trimmed(places: &[Place], odd: &[bool], degree: usize, slack_px: f64) -> Option<Vec<bool>> {
    let mut good: Vec<bool> = odd.iter().map(|odd| !odd).collect();
    for _ in 0..4 {
        let chosen: Vec<Place> = places.iter().zip(&good).filter(|(_, good)| **good).map(|(place, _)| *place).collect();
        let path = SmoothPath::fit(&chosen, degree)?;
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
    SmoothPath::fit(near, if near.len() >= 9 { 3 } else { 2 })
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
}
