//! The camera's place from the marks of cards, all together and with what is known beforehand.
//!
//! A small card says little about tilt and a large span of marks says all: the fit weighs both against what is usual for a
//! camera that was set up square, and its covariance says how far each was heard. So no rule has to choose between a similarity
//! and a full perspective map.

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};

use super::homography;
use super::pose::{Attitude, intrinsics, plane_to_picture};
use crate::units::{MetrePoint, PixelPoint};

/// Corners of cards and what is known of the camera beforehand, each with its standard uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Scene {
    /// For each card, its corners in the picture and on the page (m).
    pub cards: Vec<Vec<(PixelPoint, MetrePoint)>>,
    /// Standard uncertainty of a corner's coordinate, px.
    pub sigma_px: f64,
    /// True size over nominal size of the print.
    pub print: f64,
    /// Standard uncertainty of the print's width over its height: paper feed and carriage of a printer have each their own error.
    pub aspect_u: f64,
    /// Which of the cards hang on their side.
    pub sideways: Vec<bool>,
    /// Yaw and pitch, rad.
    pub tilt: [(f64, f64); 2],
    /// Natural logarithm of the focal length in px.
    pub ln_focal: (f64, f64),
    /// Lens to the plane of the marks, square to it, m.
    pub distance_m: Option<(f64, f64)>,
    /// Where to start from; found by trial where it is `None`.
    pub start: Option<DVector<f64>>,
    /// Changes along the independent directions of the covariance, in standard deviations.
    pub shift: DVector<f64>,
    /// What one such change is for yaw, and for pitch when yaw is known, rad; 1 until the marks were placed.
    pub tilt_u: [f64; 2],
}

/// Yaw, pitch, roll, ln distance, ln focal length, and the place of each card: x, y, and but for the first, its turn. Last comes
/// the logarithm of width over height of the print.
const CAMERA: usize = 5;

/// What came out.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    pub parameters: DVector<f64>,
    pub covariance: DMatrix<f64>,
    /// Root mean square distance of the corners from where the camera puts them, px.
    pub residual_rms_px: f64,
}

impl Scene {
    /// Number of parameters.
    pub fn unknowns(&self) -> usize {
        CAMERA + 3 * self.cards.len()
    }

    /// Fits all parameters; `None` when the marks can't be those of a card in front of the camera.
    pub fn place(&self, principal: PixelPoint, ideal: impl Fn(PixelPoint) -> PixelPoint) -> Option<Placed> {
        let seen: Vec<Vec<PixelPoint>> =
            self.cards.iter().map(|card| card.iter().map(|(px, _)| ideal(*px)).collect()).collect();
        let starts = match &self.start {
            Some(start) => vec![start.clone()],
            // Two attitudes look nearly alike when perspective is weak: begin at both sides and keep the better.
            None => [(0.0, 0.0), (0.25, 0.0), (-0.25, 0.0), (0.0, 0.25), (0.0, -0.25)]
                .iter()
                .filter_map(|(yaw, pitch)| self.first_guess(principal, &seen, *yaw, *pitch))
                .collect(),
        };
        let mut best = starts
            .into_iter()
            .filter_map(|start| self.descend(principal, &seen, start))
            .min_by(|a, b| a.2.total_cmp(&b.2))?;
        let covariance = best.1.clone().cholesky()?.inverse();
        let modes = covariance.clone().cholesky()?.l();
        best.0 += modes * &self.shift;
        let (r, _) = self.residuals(principal, &seen, &best.0);
        let corners = seen.iter().map(Vec::len).sum::<usize>();
        let squares: f64 = r.iter().take(2 * corners).map(|v| v * v).sum();
        let residual_rms_px = (squares / corners as f64).sqrt() * self.sigma_px;
        Some(Placed { parameters: best.0, covariance, residual_rms_px })
    }

    /// Scale and place from a similarity of each card, seen squarely.
    fn first_guess(
        &self,
        principal: PixelPoint,
        seen: &[Vec<PixelPoint>],
        yaw: f64,
        pitch: f64,
    ) -> Option<DVector<f64>> {
        let mut p = DVector::zeros(self.unknowns());
        let focal = self.ln_focal.0.exp();
        (p[0], p[1], p[4]) = (yaw, pitch, self.ln_focal.0);
        let mut scale = 0.0;
        for (i, (card, px)) in self.cards.iter().zip(seen).enumerate() {
            let (pixels_per_metre, turn) = similarity(card, px)?;
            if i == 0 {
                // The page's upright seen leaning to the left: the camera is rolled clockwise.
                (scale, p[2]) = (pixels_per_metre, turn);
                p[3] = (focal / pixels_per_metre).ln();
            }
            // Undo the roll about the principal point to get the place in the plane.
            let (s, c) = p[2].sin_cos();
            let at = |px: PixelPoint| {
                let (x, y) = ((px.x - principal.x) / scale, (principal.y - px.y) / scale);
                (c * x + s * y, c * y - s * x)
            };
            let (x, y) = at(px[0]);
            let turn = turn - p[2];
            let (st, ct) = turn.sin_cos();
            let page = card[0].1;
            let k = self.place_of(i);
            p[k] = x - (ct * page.x - st * page.y);
            p[k + 1] = y - (st * page.x + ct * page.y);
            if i > 0 {
                p[k + 2] = turn;
            }
        }
        Some(p)
    }

    fn place_of(&self, card: usize) -> usize {
        if card == 0 { CAMERA } else { CAMERA + 3 * card - 1 }
    }

    /// Where a corner of a card lies in the plane, m.
    fn in_plane(&self, p: &DVector<f64>, card: usize, page: MetrePoint) -> (f64, f64) {
        let k = self.place_of(card);
        let (s, c) = if card == 0 { (0.0, 1.0) } else { p[k + 2].sin_cos() };
        let longer = if self.sideways[card] { -0.5 } else { 0.5 } * p[self.unknowns() - 1];
        let (x, y) = (page.x * self.print * (1.0 + longer), page.y * self.print * (1.0 - longer));
        (p[k] + c * x - s * y, p[k + 1] + s * x + c * y)
    }

    /// Residuals in standard uncertainties (corners first, then what is known beforehand), and their sum of squares.
    fn residuals(&self, principal: PixelPoint, seen: &[Vec<PixelPoint>], p: &DVector<f64>) -> (Vec<f64>, f64) {
        let (h, attitude) = self.map(principal, p);
        let mut r = Vec::new();
        for (i, (card, px)) in self.cards.iter().zip(seen).enumerate() {
            for ((_, page), px) in card.iter().zip(px) {
                let (x, y) = self.in_plane(p, i, *page);
                let (u, v) = homography::apply(&h, x, y);
                r.push((px.x - u) / self.sigma_px);
                r.push((px.y - v) / self.sigma_px);
            }
        }
        for (k, (value, u)) in self.tilt.iter().enumerate() {
            r.push((value - p[k]) / u);
        }
        r.push((self.ln_focal.0 - p[4]) / self.ln_focal.1);
        r.push(-p[self.unknowns() - 1] / self.aspect_u);
        if let Some((distance, u)) = self.distance_m {
            r.push((distance - p[3].exp() * attitude.foreshortening()) / u);
        }
        let sum = r.iter().map(|v| v * v).sum();
        (r, sum)
    }

    fn map(&self, principal: PixelPoint, p: &DVector<f64>) -> (Matrix3<f64>, Attitude) {
        let attitude = Attitude { yaw: p[0], pitch: p[1], roll: p[2] };
        (plane_to_picture(&intrinsics(p[4].exp(), principal), attitude, p[3].exp()), attitude)
    }

    /// The map from the plane to the picture, with the origin at the first card's.
    pub fn plane(&self, principal: PixelPoint, placed: &Placed) -> Matrix3<f64> {
        let p = &placed.parameters;
        let (h, _) = self.map(principal, p);
        h * Matrix3::from_columns(&[Vector3::x(), Vector3::y(), Vector3::new(p[CAMERA], p[CAMERA + 1], 1.0)])
    }

    /// Levenberg–Marquardt with numeric slopes; parameters, normal matrix and sum of squares at the end.
    fn descend(
        &self,
        principal: PixelPoint,
        seen: &[Vec<PixelPoint>],
        mut p: DVector<f64>,
    ) -> Option<(DVector<f64>, DMatrix<f64>, f64)> {
        let (mut r, mut sum) = self.residuals(principal, seen, &p);
        let mut damping = 1e-4;
        let mut normal = DMatrix::zeros(p.len(), p.len());
        for _ in 0..100 {
            let j = self.slopes(principal, seen, &p, r.len());
            normal = j.tr_mul(&j);
            let gradient = j.tr_mul(&DVector::from_column_slice(&r));
            let mut damped = normal.clone();
            (0..p.len()).for_each(|k| damped[(k, k)] *= 1.0 + damping);
            let step = damped.cholesky()?.solve(&gradient);
            let next = &p + &step;
            let (next_r, next_sum) = self.residuals(principal, seen, &next);
            if next_sum.is_finite() && next_sum <= sum {
                let settled = sum - next_sum <= 1e-12 * (1.0 + sum);
                (p, r, sum) = (next, next_r, next_sum);
                damping = (damping * 0.1).max(1e-12);
                if settled {
                    break;
                }
            } else {
                damping *= 10.0;
                if damping > 1e8 {
                    break;
                }
            }
        }
        Some((p, normal, sum))
    }

    /// Minus the derivative of the residuals by the parameters.
    fn slopes(&self, principal: PixelPoint, seen: &[Vec<PixelPoint>], p: &DVector<f64>, rows: usize) -> DMatrix<f64> {
        let mut j = DMatrix::zeros(rows, p.len());
        for k in 0..p.len() {
            let h = 1e-6;
            let at = |delta: f64| {
                let mut q = p.clone();
                q[k] += delta;
                self.residuals(principal, seen, &q).0
            };
            for (row, (a, b)) in at(h).iter().zip(at(-h)).enumerate() {
                j[(row, k)] = (b - a) / (2.0 * h);
            }
        }
        j
    }
}

impl Placed {
    /// Focal length that came out, px.
    pub fn focal_px(&self) -> f64 {
        self.parameters[4].exp()
    }

    /// Standard uncertainties of yaw, and of pitch when yaw is known, rad: the first two independent directions.
    pub fn tilt_u(&self) -> Option<[f64; 2]> {
        let modes = self.covariance.clone().cholesky()?.l();
        Some([modes[(0, 0)], modes[(1, 1)]])
    }

    /// Larger of the standard uncertainties of yaw and pitch, degrees.
    pub fn tilt_u_deg(&self) -> f64 {
        self.covariance[(0, 0)].max(self.covariance[(1, 1)]).sqrt().to_degrees()
    }
}

/// Pixels per metre and anticlockwise turn of a card in the picture, by least squares.
pub(super) fn similarity(card: &[(PixelPoint, MetrePoint)], seen: &[PixelPoint]) -> Option<(f64, f64)> {
    let n = card.len() as f64;
    let page = card.iter().fold((0.0, 0.0), |s, (_, at)| (s.0 + at.x / n, s.1 + at.y / n));
    let px = seen.iter().fold((0.0, 0.0), |s, p| (s.0 + p.x / n, s.1 + p.y / n));
    let (mut along, mut across, mut size) = (0.0, 0.0, 0.0);
    for ((_, at), p) in card.iter().zip(seen) {
        let (x, y, u, v) = (at.x - page.0, at.y - page.1, p.x - px.0, px.1 - p.y);
        along += x * u + y * v;
        across += x * v - y * u;
        size += x * x + y * y;
    }
    let scale = along.hypot(across) / size;
    (scale.is_finite() && scale > 0.0).then(|| (scale, across.atan2(along)))
}
