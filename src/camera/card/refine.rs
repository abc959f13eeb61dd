//! Fits the whole known pattern of a mark to the picture: corners to hundredths of a pixel.
//!
//! Every edge of the mark takes part, not its outline alone: black grown by ink or shrunk by glare moves edges of either sense
//! against each other and so can't pass for size.

use nalgebra::{Matrix3, SMatrix, SVector};

use super::chance::Reading;
use super::family::{CELLS, cells};
use super::find::Candidate;
use super::light::Light;
use crate::camera::homography;
use crate::units::PixelPoint;

/// A mark whose corners are known to a fraction of a pixel.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FoundMark {
    /// Number in the family.
    pub id: usize,
    /// Top left, top right, bottom right, bottom left of the black square as printed, px.
    pub corners: [PixelPoint; 4],
    /// Standard uncertainty of a corner's coordinate from the noise of the picture, px; root mean square over the eight.
    pub corner_sigma_px: f64,
    /// Edge blur of the picture there, px (standard deviation).
    pub blur_px: f64,
}

/// Map of the picture to the mark (8 entries), black, white, two slopes of the lighting, blur, and the curve of the tones.
const PARAMETERS: usize = 14;
type Vector = SVector<f64, PARAMETERS>;
type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// How far around the black square the paper is taken to be white, cells.
const MARGIN: f64 = 0.9;
/// Pixels that take part; a larger mark is sampled on a slanted grid that meets every column.
const MOST_PIXELS: f64 = 3000.0;
/// Least share of the picture's variance that the fitted pattern must explain.
const LEAST_EXPLAINED: f64 = 0.8;

/// Noise of a median picture in light from 0 to 1, against which what is known beforehand is weighed.
const USUAL_NOISE: f64 = 0.01;

struct Problem<'a> {
    pattern: [[bool; CELLS]; CELLS],
    /// Offset from the mark's middle in units of its half size, and light.
    pixels: Vec<(f64, f64, f64)>,
    middle: PixelPoint,
    half_size: f64,
    light: &'a Light,
}

/// The mark with its corners as the whole pattern has them, and how the picture speaks against it; `None` where no pattern fits.
pub(super) fn refined(light: &Light, candidate: &Candidate) -> Option<(FoundMark, Reading)> {
    let pattern = cells(candidate.id)?;
    let middle = mean(&candidate.corners);
    let half_size = candidate.corners.iter().map(|c| c.distance(middle)).fold(0.0, f64::max);
    let mut problem = Problem { pattern, pixels: Vec::new(), middle, half_size, light };
    let mut state = problem.start(&candidate.corners)?;
    // The pixels that take part are chosen twice: by the first corners and by better ones.
    let mut fit = None;
    for _ in 0..2 {
        problem.choose_pixels(&state)?;
        fit = problem.fit(&mut state);
    }
    let (normal, residual_variance) = fit?;
    let mark = problem.result(candidate.id, &state, &normal, residual_variance)?;
    Some((mark, problem.reading(&state)))
}

fn mean(corners: &[PixelPoint; 4]) -> PixelPoint {
    let (x, y) = corners.iter().fold((0.0, 0.0), |s, c| (s.0 + c.x / 4.0, s.1 + c.y / 4.0));
    PixelPoint::new(x, y)
}

impl Problem<'_> {
    fn local(&self, p: PixelPoint) -> (f64, f64) {
        ((p.x - self.middle.x) / self.half_size, (p.y - self.middle.y) / self.half_size)
    }

    fn start(&self, corners: &[PixelPoint; 4]) -> Option<Vector> {
        let side = CELLS as f64;
        let square = [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)];
        let local: Vec<_> = corners.iter().map(|c| self.local(*c)).collect();
        let map = homography::fit(&local, &square)?.h;
        let mut state = Vector::zeros();
        for k in 0..8 {
            state[k] = map[(k / 3, k % 3)];
        }
        let inside = self.between_extremes(corners)?;
        (state[8], state[9]) = inside;
        state[12] = 0.9;
        state[13] = 1.0;
        Some(state)
    }

    /// Black and white to start from: a dark and a light quantile inside the mark.
    fn between_extremes(&self, corners: &[PixelPoint; 4]) -> Option<(f64, f64)> {
        let mut values: Vec<f64> = Vec::new();
        for i in 0..24 {
            for j in 0..24 {
                let (s, t) = (f64::from(i) / 23.0, f64::from(j) / 23.0);
                let mix = |f: fn(&PixelPoint) -> f64| {
                    let (a, b, c, d) = (f(&corners[0]), f(&corners[1]), f(&corners[2]), f(&corners[3]));
                    (a * (1.0 - s) + b * s) * (1.0 - t) + (d * (1.0 - s) + c * s) * t
                };
                values.extend(self.light.between(mix(|p| p.x), mix(|p| p.y)));
            }
        }
        values.sort_by(f64::total_cmp);
        let n = values.len();
        (n > 100).then(|| (values[n / 20], values[n - 1 - n / 20]))
    }

    /// The pixels on the mark and its white margin, by the present map.
    fn choose_pixels(&mut self, state: &Vector) -> Option<()> {
        let reach = (self.half_size * (1.0 + 2.5 * MARGIN / CELLS as f64)).ceil() + 1.0;
        let step = ((reach * reach * 2.0 / MOST_PIXELS).ceil() as usize).max(1);
        let range = |middle: f64, size: usize| {
            let low = (middle - reach).floor().max(0.0) as usize;
            (low, ((middle + reach).ceil().max(0.0) as usize).min(size.saturating_sub(1)))
        };
        let (x_range, y_range) = (range(self.middle.x, self.light.width), range(self.middle.y, self.light.height));
        self.pixels.clear();
        for y in y_range.0..=y_range.1 {
            for x in x_range.0..=x_range.1 {
                if (x + 3 * y) % step != 0 {
                    continue;
                }
                let (lx, ly) = self.local(PixelPoint::new(x as f64, y as f64));
                let (u, v, _) = mapped(state, lx, ly);
                let near = |t: f64| t > -MARGIN && t < CELLS as f64 + MARGIN;
                if near(u) && near(v) {
                    self.pixels.push((lx, ly, f64::from(self.light.at(x, y))));
                }
            }
        }
        (self.pixels.len() > 3 * PARAMETERS).then_some(())
    }

    /// Levenberg–Marquardt; the normal matrix at the end and the variance of the residuals.
    fn fit(&self, state: &mut Vector) -> Option<(Matrix, f64)> {
        let mut damping = 1e-3;
        let (mut normal, mut gradient, mut sum) = self.normal_equations(state);
        for _ in 0..40 {
            let mut damped = normal;
            for k in 0..PARAMETERS {
                damped[(k, k)] *= 1.0 + damping;
            }
            let step = damped.cholesky()?.solve(&gradient);
            let next = bounded(*state + step);
            let (n, g, s) = self.normal_equations(&next);
            if s < sum {
                let gain = (sum - s) / sum;
                (*state, normal, gradient, sum) = (next, n, g, s);
                damping = (damping * 0.2).max(1e-9);
                if gain < 1e-7 {
                    break;
                }
            } else {
                damping *= 8.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
        Some((normal, sum / (self.pixels.len() - PARAMETERS) as f64))
    }

    fn normal_equations(&self, state: &Vector) -> (Matrix, Vector, f64) {
        let (mut normal, mut gradient, mut sum) = (Matrix::zeros(), Vector::zeros(), 0.0);
        for &(x, y, light) in &self.pixels {
            let (model, slope) = self.model(state, x, y);
            let residual = light - model;
            normal.syger(1.0, &slope, &slope, 1.0);
            gradient.axpy(residual, &slope, 1.0);
            sum += residual * residual;
        }
        normal.fill_upper_triangle_with_lower_triangle();
        // What is known of blur and tones beforehand holds them where a small mark can't tell: blur 0.9 ± 0.6 px, curve 1 ± 0.2.
        for (k, expected, spread) in [(12, 0.9, 0.6), (13, 1.0, 0.2)] {
            let weight = USUAL_NOISE * USUAL_NOISE / (spread * spread);
            normal[(k, k)] += weight;
            gradient[k] += weight * (expected - state[k]);
            sum += weight * (expected - state[k]).powi(2);
        }
        (normal, gradient, sum)
    }

    /// Light that the pattern gives at a place, and its derivative by all parameters.
    fn model(&self, state: &Vector, x: f64, y: f64) -> (f64, Vector) {
        let (u, v, w) = mapped(state, x, y);
        let (su, sv) = (self.cells_a_pixel(state, 0, u, w), self.cells_a_pixel(state, 3, v, w));
        let blur = state[12];
        let (bu, du, eu) = shares(u, su * blur);
        let (bv, dv, ev) = shares(v, sv * blur);
        let (mut black, mut black_u, mut black_v, mut black_s) = (0.0, 0.0, 0.0, 0.0);
        for (row, line) in self.pattern.iter().enumerate() {
            let (mut b, mut d, mut e) = (0.0, 0.0, 0.0);
            for (column, white) in line.iter().enumerate() {
                if !white {
                    b += bu[column];
                    d += du[column];
                    e += eu[column];
                }
            }
            black += b * bv[row];
            black_u += d * bv[row];
            black_v += b * dv[row];
            black_s += e * su * bv[row] + b * ev[row] * sv;
        }
        self.shaded(state, (x, y), (u, v, w), (black, black_u, black_v, black_s))
    }

    fn shaded(
        &self,
        state: &Vector,
        (x, y): (f64, f64),
        (u, v, w): (f64, f64, f64),
        (black, black_u, black_v, black_s): (f64, f64, f64, f64),
    ) -> (f64, Vector) {
        let white_share = (1.0 - black).clamp(1e-6, 1.0);
        let (low, high, curve) = (state[8], state[9], state[13]);
        let tone = white_share.powf(curve);
        let lighting = 1.0 + state[10] * x + state[11] * y;
        let plain = low + (high - low) * tone;
        // Derivative of the light by the share of black.
        let by_black = -lighting * (high - low) * curve * tone / white_share;
        let (by_u, by_v) = (by_black * black_u / w, by_black * black_v / w);
        let mut slope = Vector::zeros();
        slope[0] = by_u * x;
        slope[1] = by_u * y;
        slope[2] = by_u;
        slope[3] = by_v * x;
        slope[4] = by_v * y;
        slope[5] = by_v;
        let common = -(by_u * u + by_v * v);
        slope[6] = common * x;
        slope[7] = common * y;
        slope[8] = lighting * (1.0 - tone);
        slope[9] = lighting * tone;
        slope[10] = plain * x;
        slope[11] = plain * y;
        slope[12] = by_black * black_s;
        slope[13] = lighting * (high - low) * tone * white_share.ln();
        (lighting * plain, slope)
    }

    /// Turns each cell to the other colour and counts where the picture likes that better.
    fn reading(&self, state: &Vector) -> Reading {
        let mut gains = [[0.0; CELLS]; CELLS];
        for &(x, y, light) in &self.pixels {
            let (u, v, w) = mapped(state, x, y);
            let (bu, _, _) = shares(u, self.cells_a_pixel(state, 0, u, w) * state[12]);
            let (bv, _, _) = shares(v, self.cells_a_pixel(state, 3, v, w) * state[12]);
            let black = self.black(&bu, &bv);
            let residual = light - toned(state, (x, y), black);
            for (row, line) in gains.iter_mut().enumerate().filter(|(row, _)| bv[*row] > 1e-3) {
                for (column, gain) in line.iter_mut().enumerate() {
                    let part = bu[column] * bv[row];
                    let turned = if self.pattern[row][column] { black + part } else { black - part };
                    let other = light - toned(state, (x, y), turned);
                    *gain += residual * residual - other * other;
                }
            }
        }
        let on_border = |i: usize| i == 0 || i + 1 == CELLS;
        let (mut wrong_inside, mut wrong_border) = (0, 0);
        for (i, gain) in gains.iter().flatten().enumerate().filter(|(_, gain)| **gain > 0.0) {
            debug_assert!(gain.is_finite());
            let border = on_border(i / CELLS) || on_border(i % CELLS);
            *(if border { &mut wrong_border } else { &mut wrong_inside }) += 1;
        }
        Reading { wrong_inside, wrong_border, breadth: breadth(state) }
    }

    /// Share of black seen at a place, of the shares of the columns and the rows.
    fn black(&self, bu: &[f64; CELLS], bv: &[f64; CELLS]) -> f64 {
        let of_row =
            |line: &[bool; CELLS]| line.iter().zip(bu).filter(|(white, _)| !**white).map(|(_, b)| b).sum::<f64>();
        self.pattern.iter().zip(bv).map(|(line, b)| of_row(line) * b).sum()
    }

    /// Slope of one of the mark's coordinates (`k` 0 for columns, 3 for rows) along the picture, cells a pixel.
    fn cells_a_pixel(&self, state: &Vector, k: usize, t: f64, w: f64) -> f64 {
        let gx = (state[k] - t * state[6]) / w / self.half_size;
        let gy = (state[k + 1] - t * state[7]) / w / self.half_size;
        gx.hypot(gy)
    }

    fn result(&self, id: usize, state: &Vector, normal: &Matrix, variance: f64) -> Option<FoundMark> {
        let (n, sum, squares) =
            self.pixels.iter().fold((0.0, 0.0, 0.0), |(n, s, q): (f64, f64, f64), p| (n + 1.0, s + p.2, q + p.2 * p.2));
        let total = squares / n - (sum / n).powi(2);
        if variance > (1.0 - LEAST_EXPLAINED) * total || state[9] <= state[8] {
            return None;
        }
        let map = matrix(state);
        let back = map.try_inverse()?;
        let side = CELLS as f64;
        let covariance = normal.cholesky()?.inverse() * variance;
        let mut corners = [PixelPoint::new(0.0, 0.0); 4];
        let mut squared = 0.0;
        for (corner, (u, v)) in corners.iter_mut().zip([(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)]) {
            let (x, y) = homography::apply(&back, u, v);
            *corner = PixelPoint::new(self.middle.x + self.half_size * x, self.middle.y + self.half_size * y);
            squared += self.corner_variance(state, &covariance, (x, y), (u, v))?;
        }
        Some(FoundMark { id, corners, corner_sigma_px: (squared / 8.0).sqrt(), blur_px: state[12] })
    }

    /// Sum of the variances of a corner's two coordinates, px².
    ///
    /// The corner is where the map gives (u, v): a change of the map moves it by minus the inverse of the map's slope.
    fn corner_variance(
        &self,
        state: &Vector,
        covariance: &Matrix,
        (x, y): (f64, f64),
        (u, v): (f64, f64),
    ) -> Option<f64> {
        let (_, _, w) = mapped(state, x, y);
        let mut by_map = SMatrix::<f64, 2, 8>::zeros();
        by_map.row_mut(0).copy_from_slice(&[x / w, y / w, 1.0 / w, 0.0, 0.0, 0.0, -u * x / w, -u * y / w]);
        by_map.row_mut(1).copy_from_slice(&[0.0, 0.0, 0.0, x / w, y / w, 1.0 / w, -v * x / w, -v * y / w]);
        let slope = homography::jacobian(&matrix(state), x, y).try_inverse()?;
        let j = slope * by_map;
        let c = covariance.fixed_view::<8, 8>(0, 0);
        Some((j * c * j.transpose()).trace() * self.half_size.powi(2))
    }
}

/// Light at a place of which that share is black.
fn toned(state: &Vector, (x, y): (f64, f64), black: f64) -> f64 {
    let tone = (1.0 - black).clamp(1e-6, 1.0).powf(state[13]);
    (1.0 + state[10] * x + state[11] * y) * (state[8] + (state[9] - state[8]) * tone)
}

/// Breadth over length in the picture of a small square in the mark's middle.
fn breadth(state: &Vector) -> f64 {
    let Some(back) = matrix(state).try_inverse() else { return 0.0 };
    let middle = CELLS as f64 / 2.0;
    let sizes = homography::jacobian(&back, middle, middle).singular_values();
    sizes.min() / sizes.max()
}

fn matrix(state: &Vector) -> Matrix3<f64> {
    Matrix3::new(state[0], state[1], state[2], state[3], state[4], state[5], state[6], state[7], 1.0)
}

/// Place on the mark in cells, and the denominator of the map.
fn mapped(state: &Vector, x: f64, y: f64) -> (f64, f64, f64) {
    let w = state[6] * x + state[7] * y + 1.0;
    let u = (state[0] * x + state[1] * y + state[2]) / w;
    let v = (state[3] * x + state[4] * y + state[5]) / w;
    (u, v, w)
}

/// Keeps blur and tone curve where they have a meaning.
fn bounded(mut state: Vector) -> Vector {
    state[12] = state[12].clamp(0.25, 6.0);
    state[13] = state[13].clamp(0.3, 3.0);
    state
}

/// How much of each cell is seen at `t` through a Gaussian blur `s` (cells), with derivatives by t and by s.
fn shares(t: f64, s: f64) -> ([f64; CELLS], [f64; CELLS], [f64; CELLS]) {
    let mut edge = [(0.0, 0.0, 0.0); CELLS + 1];
    for (k, value) in edge.iter_mut().enumerate() {
        let z = (t - k as f64) / s;
        *value = if z > 5.0 {
            (1.0, 0.0, 0.0)
        } else if z < -5.0 {
            (0.0, 0.0, 0.0)
        } else {
            let density = (-0.5 * z * z).exp() / (std::f64::consts::TAU.sqrt() * s);
            (normal_share(z), density, -density * z)
        };
    }
    let (mut b, mut d, mut e) = ([0.0; CELLS], [0.0; CELLS], [0.0; CELLS]);
    for k in 0..CELLS {
        b[k] = edge[k].0 - edge[k + 1].0;
        d[k] = edge[k].1 - edge[k + 1].1;
        e[k] = edge[k].2 - edge[k + 1].2;
    }
    (b, d, e)
}

/// Normal distribution function to 7.5e-8 (Abramowitz and Stegun, *Handbook of Mathematical Functions*, 26.2.17).
fn normal_share(z: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let poly =
        t * (0.319_381_530 + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt() * poly;
    if z >= 0.0 { 1.0 - tail } else { tail }
}
