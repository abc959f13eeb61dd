//! Estimates the lens: from a printed card filmed all over the picture, or from edges known to be straight.
//!
//! The first gives focal length, principal point, k1 and k2 together (one plane seen in many attitudes; Zhang, "A flexible new
//! technique for camera calibration", IEEE PAMI 22 (2000) 1330). The second gives k1 and k2 for a focal length that is taken for
//! granted (Devernay and Faugeras, "Straight lines have to be straight", Machine Vision and Applications 13 (2001) 14).

use nalgebra::{DMatrix, DVector, Matrix2};
use thiserror::Error;

use super::homography;
use super::lens::Lens;
use super::marks::Scene;
use super::pose::{Attitude, intrinsics, plane_to_picture};
use super::setup::usual;
use crate::rig::Stated;
use crate::units::{MetrePoint, PixelPoint};

/// Why the lens could not be estimated.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LensError {
    #[error("{found} {} of a card, and {needed} are needed", if *found == 1 { "view" } else { "views" })]
    TooFewViews { found: usize, needed: usize },
    #[error("the card was only in {percent:.0} % of the picture's width and height")]
    NotCovered { percent: f64 },
    #[error("{found} straight {} of at least 5 points, and {needed} are needed", if *found == 1 { "edge" } else { "edges" })]
    TooFewEdges { found: usize, needed: usize },
    #[error("the points of edge {edge} lie within {length_px:.1} px of each other, or {most} of them at one place")]
    NoEdge { edge: usize, length_px: f64, most: usize },
    #[error(
        "{points} points on {edges} edges leave nothing over to tell how well they were marked: {needed} are needed"
    )]
    NothingOver { points: usize, edges: usize, needed: usize },
    #[error("the views leave k1 uncertain by {u:.2}, more than lenses of phones differ")]
    TooUncertain { u: f64 },
    #[error("no lens explains the views: the fit does not settle")]
    Unsettled,
}

impl LensError {
    /// What to film next.
    pub fn hint(&self) -> String {
        match self {
            Self::NoEdge { .. } => "mark five or more places along each edge, spread over its whole length",
            Self::NothingOver { .. } | Self::TooFewEdges { .. } | Self::TooUncertain { .. } => {
                "give more edges, long ones near the border of the picture, or film the card closer, tilted and in all corners"
            }
            _ => "film the card for ten seconds, flat on a board, tilting it and bringing it into every corner of the picture",
        }
        .to_owned()
    }
}

/// A lens with uncertainties, ready for the rig.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LensEstimate {
    /// px.
    pub focal_length_px: Stated,
    pub principal_point_px: PixelPoint,
    pub k1: Stated,
    pub k2: Stated,
    /// How far points stay from the model without and with the lens terms, px RMS.
    pub bend_before_px: f64,
    pub bend_after_px: f64,
    /// Views or edges used.
    pub used: usize,
}

impl LensEstimate {
    /// The lens in use.
    pub fn lens(&self) -> Lens {
        Lens::radial(self.focal_length_px.value, self.principal_point_px, self.k1.value, self.k2.value)
    }
}

/// Corners of one card in one picture: in the picture, and on the page (m).
pub type CardView = Vec<(PixelPoint, MetrePoint)>;

/// ln focal length, principal point, k1, k2: shared by all views.
const SHARED: usize = 5;
/// Yaw, pitch, roll, ln distance, and the card's place x, y.
const POSE: usize = 6;
/// A corner's standard uncertainty that the fit begins with, px; the residuals replace it.
const SIGMA_PX: f64 = 0.1;
const FEWEST_VIEWS: usize = 4;
/// Least share of the picture, along both axes, over which corners must be spread.
const LEAST_COVERED: f64 = 0.6;

/// Estimates the lens from views of cards in a picture of `size_px`.
///
/// # Errors
/// [`LensError`].
pub fn lens_from_cards(views: &[CardView], size_px: (usize, usize)) -> Result<LensEstimate, LensError> {
    let views: Vec<&CardView> = views.iter().filter(|view| view.len() >= 8).collect();
    if views.len() < FEWEST_VIEWS {
        return Err(LensError::TooFewViews { found: views.len(), needed: FEWEST_VIEWS });
    }
    let covered = covered(&views, size_px);
    if covered < LEAST_COVERED {
        return Err(LensError::NotCovered { percent: covered * 100.0 });
    }
    let fit = CardFit { views, size_px };
    let start = fit.first_guess().ok_or(LensError::Unsettled)?;
    let plain = fit.descend(start.clone(), true).ok_or(LensError::Unsettled)?;
    let full = fit.descend(plain.0.clone(), false).ok_or(LensError::Unsettled)?;
    fit.result(&plain, &full)
}

fn covered(views: &[&CardView], (width, height): (usize, usize)) -> f64 {
    let span = |values: Vec<f64>| {
        values.iter().copied().fold(f64::MIN, f64::max) - values.iter().copied().fold(f64::MAX, f64::min)
    };
    let all = || views.iter().flat_map(|view| view.iter());
    let x = span(all().map(|(px, _)| px.x).collect()) / width as f64;
    let y = span(all().map(|(px, _)| px.y).collect()) / height as f64;
    x.min(y)
}

struct CardFit<'a> {
    views: Vec<&'a CardView>,
    size_px: (usize, usize),
}

type Settled = (DVector<f64>, DMatrix<f64>, f64);

impl CardFit<'_> {
    fn centre(&self) -> PixelPoint {
        PixelPoint::new((self.size_px.0 as f64 - 1.0) / 2.0, (self.size_px.1 as f64 - 1.0) / 2.0)
    }

    fn usual_focal(&self) -> f64 {
        usual::FOCAL_SHARE * self.size_px.0.max(self.size_px.1) as f64
    }

    /// Each view placed on its own with the usual lens.
    fn first_guess(&self) -> Option<DVector<f64>> {
        let mut p = DVector::zeros(SHARED + POSE * self.views.len());
        p[0] = self.usual_focal().ln();
        (p[1], p[2]) = (self.centre().x, self.centre().y);
        for (i, view) in self.views.iter().enumerate() {
            let mut scene = Scene {
                cards: vec![(*view).clone()],
                sigma_px: 0.5,
                print: 1.0,
                // The views together weigh that; here it would only hide their tilt.
                aspect_u: 1e-4,
                sideways: vec![false],
                tilt: [(0.0, 0.5); 2],
                ln_focal: (p[0], 0.01),
                distance_m: None,
                start: None,
                shift: DVector::zeros(0),
                tilt_u: [1.0; 2],
            };
            scene.shift = DVector::zeros(scene.unknowns());
            let placed = scene.place(self.centre(), |px| px)?.parameters;
            let k = SHARED + POSE * i;
            for (slot, from) in [0, 1, 2, 3, 5, 6].into_iter().enumerate() {
                p[k + slot] = placed[from];
            }
        }
        Some(p)
    }

    /// Residuals of one view, px.
    fn view_residuals(&self, view: &CardView, shared: &[f64], pose: &[f64]) -> Vec<f64> {
        let principal = PixelPoint::new(shared[1], shared[2]);
        let focal = shared[0].exp();
        let lens = Lens::radial(focal, principal, shared[3], shared[4]);
        let attitude = Attitude { yaw: pose[0], pitch: pose[1], roll: pose[2] };
        let h = plane_to_picture(&intrinsics(focal, principal), attitude, pose[3].exp());
        view.iter()
            .flat_map(|(px, page)| {
                let (x, y) = homography::apply(&h, page.x + pose[4], page.y + pose[5]);
                let seen = lens.distort(PixelPoint::new(x, y));
                [px.x - seen.x, px.y - seen.y]
            })
            .collect()
    }

    /// What is known beforehand: value, place among the parameters, and standard uncertainty. Wide: it only keeps what the
    /// views don't show from running away.
    fn known(&self, pinhole: bool) -> [(usize, f64, f64); SHARED] {
        let c = self.centre();
        let shift = 0.02 * self.size_px.0 as f64;
        let (u1, u2) = if pinhole { (1e-9, 1e-9) } else { (0.3, 0.5) };
        [(0, self.usual_focal().ln(), 0.3), (1, c.x, shift), (2, c.y, shift), (3, 0.0, u1), (4, 0.0, u2)]
    }

    fn sum(&self, p: &DVector<f64>, pinhole: bool) -> f64 {
        let shared = &p.as_slice()[..SHARED];
        let views: f64 = self
            .views
            .iter()
            .enumerate()
            .flat_map(|(i, view)| self.view_residuals(view, shared, self.pose(p, i)))
            .map(|r| (r / SIGMA_PX).powi(2))
            .sum();
        views + self.known(pinhole).iter().map(|(k, value, u)| ((value - p[*k]) / u).powi(2)).sum::<f64>()
    }

    fn pose<'p>(&self, p: &'p DVector<f64>, view: usize) -> &'p [f64] {
        &p.as_slice()[SHARED + POSE * view..SHARED + POSE * (view + 1)]
    }

    fn normal_equations(&self, p: &DVector<f64>, pinhole: bool) -> (DMatrix<f64>, DVector<f64>) {
        let n = p.len();
        let (mut normal, mut right) = (DMatrix::zeros(n, n), DVector::zeros(n));
        for (i, view) in self.views.iter().enumerate() {
            let columns: Vec<usize> = (0..SHARED).chain(SHARED + POSE * i..SHARED + POSE * (i + 1)).collect();
            let at = |q: &DVector<f64>| self.view_residuals(view, &q.as_slice()[..SHARED], self.pose(q, i));
            let r = DVector::from_vec(at(p)) / SIGMA_PX;
            let mut j = DMatrix::zeros(r.len(), columns.len());
            for (slot, k) in columns.iter().enumerate() {
                let h = 1e-6 * p[*k].abs().max(1.0);
                let (mut up, mut down) = (p.clone(), p.clone());
                up[*k] += h;
                down[*k] -= h;
                let slope = (DVector::from_vec(at(&down)) - DVector::from_vec(at(&up))) / (2.0 * h * SIGMA_PX);
                j.set_column(slot, &slope);
            }
            let (jj, jr) = (j.tr_mul(&j), j.tr_mul(&r));
            for (a, ka) in columns.iter().enumerate() {
                right[*ka] += jr[a];
                for (b, kb) in columns.iter().enumerate() {
                    normal[(*ka, *kb)] += jj[(a, b)];
                }
            }
        }
        for (k, value, u) in self.known(pinhole) {
            normal[(k, k)] += 1.0 / (u * u);
            right[k] += (value - p[k]) / (u * u);
        }
        (normal, right)
    }

    /// Levenberg–Marquardt; with `pinhole`, lens terms are held at nought.
    fn descend(&self, mut p: DVector<f64>, pinhole: bool) -> Option<Settled> {
        let mut sum = self.sum(&p, pinhole);
        let mut damping = 1e-4;
        let mut normal = self.normal_equations(&p, pinhole);
        for _ in 0..80 {
            let mut damped = normal.0.clone();
            (0..p.len()).for_each(|k| damped[(k, k)] *= 1.0 + damping);
            let step = damped.cholesky()?.solve(&normal.1);
            let next = &p + step;
            let next_sum = self.sum(&next, pinhole);
            if next_sum.is_finite() && next_sum <= sum {
                let settled = sum - next_sum <= 1e-10 * (1.0 + sum);
                (p, sum) = (next, next_sum);
                damping = (damping * 0.1).max(1e-12);
                normal = self.normal_equations(&p, pinhole);
                if settled {
                    break;
                }
            } else {
                damping *= 10.0;
                if damping > 1e10 {
                    break;
                }
            }
        }
        Some((p, normal.0, sum))
    }

    fn rms(&self, p: &DVector<f64>) -> (f64, usize) {
        let shared = &p.as_slice()[..SHARED];
        let all: Vec<f64> = self
            .views
            .iter()
            .enumerate()
            .flat_map(|(i, view)| self.view_residuals(view, shared, self.pose(p, i)))
            .collect();
        // Both axes of a corner together.
        ((2.0 * all.iter().map(|r| r * r).sum::<f64>() / all.len() as f64).sqrt(), all.len())
    }

    fn result(&self, plain: &Settled, full: &Settled) -> Result<LensEstimate, LensError> {
        let (after, count) = self.rms(&full.0);
        let spare = count.saturating_sub(full.0.len()).max(1) as f64;
        let covariance = full.1.clone().cholesky().ok_or(LensError::Unsettled)?.inverse();
        // The residuals tell how good corners really are.
        let factor = (after * after / 2.0 * count as f64 / spare) / (SIGMA_PX * SIGMA_PX);
        let u = |k: usize| (covariance[(k, k)] * factor).sqrt();
        if u(3) > usual::K1 {
            return Err(LensError::TooUncertain { u: u(3) });
        }
        let p = &full.0;
        let focal = p[0].exp();
        Ok(LensEstimate {
            focal_length_px: Stated::with_u(focal, focal * u(0)),
            principal_point_px: PixelPoint::new(p[1], p[2]),
            k1: Stated::with_u(p[3], u(3)),
            k2: Stated::with_u(p[4], u(4)),
            bend_before_px: self.rms(&plain.0).0,
            bend_after_px: after,
            used: self.views.len(),
        })
    }
}

/// Estimates k1 and k2 from points along edges that are straight in the world, for a focal length and a principal point taken
/// for granted.
///
/// # Errors
/// [`LensError`].
pub fn lens_from_edges(
    edges: &[Vec<PixelPoint>],
    focal_px: f64,
    principal: PixelPoint,
) -> Result<LensEstimate, LensError> {
    let edges: Vec<&Vec<PixelPoint>> = edges.iter().filter(|edge| edge.len() >= 5).collect();
    if edges.len() < 2 {
        return Err(LensError::TooFewEdges { found: edges.len(), needed: 2 });
    }
    edges.iter().enumerate().try_for_each(|(i, edge)| is_edge(i + 1, edge))?;
    let bends = |k: [f64; 2]| -> Vec<f64> {
        let lens = Lens::radial(focal_px, principal, k[0], k[1]);
        edges.iter().flat_map(|edge| bends_of(&lens, edge)).collect()
    };
    let mut k = [0.0, 0.0];
    let before = bends(k);
    let mut normal = Matrix2::identity();
    for _ in 0..30 {
        let r = DVector::from_vec(bends(k));
        let h = 1e-5;
        let slope =
            |up: [f64; 2], down: [f64; 2]| (DVector::from_vec(bends(up)) - DVector::from_vec(bends(down))) / (2.0 * h);
        let columns = [slope([k[0] + h, k[1]], [k[0] - h, k[1]]), slope([k[0], k[1] + h], [k[0], k[1] - h])];
        let j = DMatrix::from_columns(&columns);
        // Points to a tenth of a pixel against phones' usual k1 and k2: what a single edge can't tell stays near nought.
        let prior = [(SIGMA_PX / 0.3).powi(2), (SIGMA_PX / 0.5).powi(2)];
        let jj = j.tr_mul(&j);
        normal = Matrix2::new(jj[(0, 0)] + prior[0], jj[(0, 1)], jj[(1, 0)], jj[(1, 1)] + prior[1]);
        let g = j.tr_mul(&r);
        let right = nalgebra::Vector2::new(-g[0] - prior[0] * k[0], -g[1] - prior[1] * k[1]);
        let step = normal.cholesky().ok_or(LensError::Unsettled)?.solve(&right);
        (k[0], k[1]) = (k[0] + step.x, k[1] + step.y);
        if step.norm() < 1e-10 {
            break;
        }
    }
    edge_result(&edges, &before, &bends(k), k, &normal, (focal_px, principal))
}

/// Points at one place lie on any line, and say nothing of a lens however many they are.
fn is_edge(number: usize, edge: &[PixelPoint]) -> Result<(), LensError> {
    /// Shorter than this, no lens bends an edge by what a hand marks.
    const SHORTEST_PX: f64 = 50.0;
    const APART_PX: f64 = 1.0;
    let mut places: Vec<PixelPoint> = Vec::new();
    for point in edge {
        if places.iter().all(|place| place.distance(*point) >= APART_PX) {
            places.push(*point);
        }
    }
    let length_px = places.iter().flat_map(|a| places.iter().map(|b| a.distance(*b))).fold(0.0, f64::max);
    if places.len() >= 5 && length_px >= SHORTEST_PX {
        return Ok(());
    }
    Err(LensError::NoEdge { edge: number, length_px, most: edge.len() + 1 - places.len() })
}

fn edge_result(
    edges: &[&Vec<PixelPoint>],
    before: &[f64],
    after: &[f64],
    k: [f64; 2],
    normal: &Matrix2<f64>,
    (focal_px, principal): (f64, PixelPoint),
) -> Result<LensEstimate, LensError> {
    let squares = |r: &[f64]| r.iter().map(|v| v * v).sum::<f64>();
    let n = after.len() as f64;
    let spare = n - 2.0 * edges.len() as f64 - 2.0;
    if spare < 1.0 {
        let needed = 2 * edges.len() + 3;
        return Err(LensError::NothingOver { points: after.len(), edges: edges.len(), needed });
    }
    // Points that lie on their lines by chance, or were computed, are no better known than a hand marks them.
    let variance = (squares(after) / spare).max(SIGMA_PX * SIGMA_PX);
    let covariance = normal.try_inverse().ok_or(LensError::Unsettled)? * variance;
    let u = |i: usize| covariance[(i, i)].sqrt();
    if !k[0].is_finite() || u(0) > usual::K1 {
        return Err(LensError::TooUncertain { u: u(0) });
    }
    Ok(LensEstimate {
        focal_length_px: Stated::plain(focal_px),
        principal_point_px: principal,
        k1: Stated::with_u(k[0], u(0)),
        k2: Stated::with_u(k[1], u(1)),
        bend_before_px: (squares(before) / n).sqrt(),
        bend_after_px: (squares(after) / n).sqrt(),
        used: edges.len(),
    })
}

/// Signed distances, in the picture as seen, of an edge's points from the straight line that fits them best once the lens is
/// taken out.
fn bends_of(lens: &Lens, edge: &[PixelPoint]) -> Vec<f64> {
    let ideal: Vec<PixelPoint> = edge.iter().map(|p| lens.undistort(*p)).collect();
    let n = ideal.len() as f64;
    let (mx, my) = ideal.iter().fold((0.0, 0.0), |m, p| (m.0 + p.x / n, m.1 + p.y / n));
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in &ideal {
        let (x, y) = (p.x - mx, p.y - my);
        (xx, xy, yy) = (xx + x * x, xy + x * y, yy + y * y);
    }
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    let (s, c) = angle.sin_cos();
    ideal
        .iter()
        .zip(edge)
        .map(|(p, seen)| {
            let off = (p.y - my) * c - (p.x - mx) * s;
            let foot = lens.distort(PixelPoint::new(p.x + off * s, p.y - off * c));
            // Measured where the points were seen, so that a lens that shrinks the picture doesn't shrink the bends.
            foot.distance(*seen) * off.signum()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use nalgebra::{Matrix3, Vector3};
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};

    use super::*;
    use crate::camera::card::{CardKind, CardName};

    const TRUTH: Lens = Lens::radial(1480.0, PixelPoint::new(968.0, 533.0), -0.08, 0.03);
    const SIZE: (usize, usize) = (1920, 1080);

    /// Corners of a card's marks in one view of it, with errors of `sigma` px.
    fn view(
        place: (f64, f64),
        tilt: (f64, f64),
        distance: f64,
        sigma: f64,
        rng: &mut rand_chacha::ChaCha8Rng,
    ) -> CardView {
        let normal = Normal::new(0.0, sigma).unwrap();
        let r = Attitude { yaw: tilt.0, pitch: tilt.1, roll: 0.1 }.rotation();
        let k = Matrix3::new(1480.0, 0.0, 968.0, 0.0, 1480.0, 533.0, 0.0, 0.0, 1.0);
        let name = CardName { kind: CardKind::Card, number: 1 };
        let mut corners = Vec::new();
        for (_, at, side) in name.marks().unwrap() {
            for (x, y) in [(0.0, 1.0), (1.0, 1.0), (1.0, 0.0), (0.0, 0.0)] {
                let page = MetrePoint::new(at.x + side * x, at.y + side * y);
                let p = r * Vector3::new(page.x - 0.09, page.y - 0.1, 0.0);
                let p = k * (p + Vector3::new(place.0, place.1, 1.0) * distance);
                let seen = TRUTH.distort(PixelPoint::new(p.x / p.z, p.y / p.z));
                let (dx, dy) = (normal.sample(rng), normal.sample(rng));
                corners.push((PixelPoint::new(seen.x + dx, seen.y + dy), page));
            }
        }
        corners
    }

    #[test]
    fn a_card_all_over_the_picture_gives_the_lens() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let mut views = Vec::new();
        for i in 0..18 {
            let place = (-0.5 + 0.2 * f64::from(i % 6), -0.24 + 0.24 * f64::from(i / 6));
            let tilt = (rng.random_range(-0.6..0.6), rng.random_range(-0.6..0.6));
            views.push(view(place, tilt, rng.random_range(0.6..0.9), 0.05, &mut rng));
        }
        let found = lens_from_cards(&views, SIZE).unwrap();
        println!("{found:?}");
        // Truth within four stated standard uncertainties (one in 16 000), which are small themselves.
        let off = |stated: Stated, truth: f64| (stated.value - truth).abs() / stated.standard_uncertainty.unwrap();
        assert!(off(found.focal_length_px, 1480.0) < 4.0 && off(found.k1, -0.08) < 4.0 && off(found.k2, 0.03) < 4.0);
        assert!(
            found.k1.standard_uncertainty.unwrap() < 0.005 && found.focal_length_px.standard_uncertainty.unwrap() < 8.0
        );
        // Errors of 0.05 px on both axes, less what 113 parameters take of 576 numbers: 0.0634 px.
        assert!(found.bend_before_px > 10.0 * found.bend_after_px && (found.bend_after_px - 0.0634).abs() < 0.006);
        // What counts: the direction in which a point of the picture is seen. 1 px in 1480 is a third of what would be noticed.
        for at in [(100.0, 100.0), (1800.0, 950.0), (960.0, 60.0)] {
            let at = PixelPoint::new(at.0, at.1);
            let ray = |lens: &Lens| {
                let p = lens.undistort(at);
                (
                    (p.x - lens.principal_px.x) / lens.focal_px.0 * 1480.0,
                    (p.y - lens.principal_px.y) / lens.focal_px.1 * 1480.0,
                )
            };
            let (a, b) = (ray(&found.lens()), ray(&TRUTH));
            let principal = (found.principal_point_px.x - 968.0, found.principal_point_px.y - 533.0);
            // A shifted principal point turns the camera, which no length depends on.
            assert!((a.0 - b.0 + principal.0).hypot(a.1 - b.1 + principal.1) < 1.0, "{a:?} {b:?}");
        }
    }

    #[test]
    fn straight_edges_give_the_radial_terms() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(9);
        let normal = Normal::new(0.0, 0.3).unwrap();
        let ends = [
            ((60.0, 40.0), (1850.0, 70.0)),
            ((50.0, 1040.0), (1880.0, 1010.0)),
            ((70.0, 60.0), (110.0, 1030.0)),
            ((1840.0, 50.0), (1800.0, 1020.0)),
            ((300.0, 200.0), (1500.0, 900.0)),
        ];
        let mut edge = |((ax, ay), (bx, by)): ((f64, f64), (f64, f64))| -> Vec<PixelPoint> {
            (0..25)
                .map(|i| f64::from(i) / 24.0)
                .map(|t| TRUTH.distort(PixelPoint::new(ax + t * (bx - ax), ay + t * (by - ay))))
                .map(|p| PixelPoint::new(p.x + normal.sample(&mut rng), p.y + normal.sample(&mut rng)))
                .collect()
        };
        let edges: Vec<_> = ends.into_iter().map(&mut edge).collect();
        let found = lens_from_edges(&edges, 1480.0, PixelPoint::new(968.0, 533.0)).unwrap();
        println!("{found:?}");
        let off = |stated: Stated, truth: f64| (stated.value - truth).abs() / stated.standard_uncertainty.unwrap();
        assert!(off(found.k1, -0.08) < 4.0 && off(found.k2, 0.03) < 4.0);
        // What is left is the noise put in, 0.3 px across the edges.
        assert!(found.bend_before_px > 2.0 && found.bend_after_px < 0.35);
    }

    #[test]
    fn too_little_to_go_by_is_refused() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let views: Vec<_> = (0..6).map(|_| view((0.0, 0.0), (0.3, 0.1), 0.8, 0.05, &mut rng)).collect();
        assert!(matches!(lens_from_cards(&views, SIZE), Err(LensError::NotCovered { .. })));
        assert_eq!(lens_from_cards(&views[..2], SIZE), Err(LensError::TooFewViews { found: 2, needed: 4 }));
        assert_eq!(
            lens_from_edges(&[], 1480.0, PixelPoint::new(960.0, 540.0)),
            Err(LensError::TooFewEdges { found: 0, needed: 2 })
        );
    }

    /// Five equal points lie on any line: they are no edge, and no lens is claimed from them.
    #[test]
    fn equal_points_are_no_edge() {
        let centre = PixelPoint::new(960.0, 540.0);
        let edge = |y: f64| (0..6).map(|i| PixelPoint::new(100.0 + 300.0 * f64::from(i), y)).collect::<Vec<_>>();
        let equal = vec![PixelPoint::new(100.0, 100.0); 5];
        let short: Vec<_> = (0..5).map(|i| PixelPoint::new(100.0 + 2.0 * f64::from(i), 100.0)).collect();
        for bad in [&equal, &short] {
            let refused = lens_from_edges(&[edge(90.0), bad.clone()], 1480.0, centre).unwrap_err();
            assert!(matches!(refused, LensError::NoEdge { edge: 2, .. }), "{refused}");
        }
        // Exact points are known no better than a hand marks them.
        let found = lens_from_edges(&[edge(60.0), edge(1020.0)], 1480.0, centre).unwrap();
        assert!(found.k1.value.abs() < 1e-3 && found.k1.standard_uncertainty.unwrap() > 1e-4, "{found:?}");
    }
}
