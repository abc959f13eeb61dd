//! The still picture: what the camera sees of the set, made once for each pose of the camera.

use rayon::prelude::*;

use super::camera::{Vec3, View};
use super::set::{Piece, Seen, SeenSet};

/// Three planes of linear light, row by row.
pub type Planes = [Vec<f32>; 3];

/// The set as seen, in linear light before noise.
pub struct Stage {
    pub width: usize,
    pub height: usize,
    /// Everything still, blurred and vignetted.
    pub still: Planes,
    pub seen: SeenSet,
    view: View,
    level: f32,
    /// The sharp set, when it was painted whole.
    sharp: Option<Sharp>,
}

/// The sharp set: what is behind the balls, and how much of each pixel is covered by what is in front of them.
struct Sharp {
    back: Strip,
    /// Empty when nothing is in front.
    cover: Vec<f32>,
}

/// How the still picture is made.
#[derive(Debug, Clone, Copy)]
pub struct Finish {
    pub level: f32,
    pub blur_px: f64,
    pub vignette: f64,
}

const TILE: usize = 32;
/// Rays a side for a pixel at the edge of a piece, and for one where only the paint changes.
const FINE_AT_EDGES: usize = 4;
const FINE_IN_PAINT: usize = 3;

impl Stage {
    /// Paints the whole set as `view` sees it.
    pub fn new(pieces: &[Piece], view: &View, width: usize, height: usize, finish: Finish) -> Self {
        let seen = SeenSet::new(pieces, view);
        let paint = |front: bool| {
            let strips: Vec<Strip> = (0..height.div_ceil(TILE))
                .into_par_iter()
                .map(|i| {
                    Brush { seen: &seen, view, front, level: finish.level }
                        .strip([0, width], [i * TILE, ((i + 1) * TILE).min(height)])
                })
                .collect();
            join(strips)
        };
        let back = paint(false);
        let (mut still, mut cover) = (back.light.clone(), Vec::new());
        if pieces.iter().any(|p| p.in_front) {
            let front = paint(true);
            for (s, f) in still.iter_mut().zip(&front.light) {
                s.iter_mut().zip(f).zip(&front.cover).for_each(|((s, f), a)| *s = *s * (1.0 - a) + f);
            }
            cover = front.cover;
        }
        for plane in &mut still {
            blur(plane, width, height, finish.blur_px);
            vignette_plane(plane, width, height, finish.vignette);
        }
        let sharp = Some(Sharp { back, cover });
        Self { width, height, still, seen, view: view.clone(), level: finish.level, sharp }
    }

    /// The set as a camera sees it that was turned, without moving, since `wide` was painted, whose picture reaches
    /// farther on all sides and isn't vignetted. The still light is resampled, which the blur allows; sharp parts are painted
    /// when they are asked for.
    pub fn turned(wide: &Self, pieces: &[Piece], view: &View, width: usize, height: usize, vignette: f64) -> Self {
        let mut still = super::warp::turn(&wide.still, [wide.width, wide.height], &wide.view, view, [width, height]);
        still.iter_mut().for_each(|plane| vignette_plane(plane, width, height, vignette));
        let seen = SeenSet::new(pieces, view);
        Self { width, height, still, seen, view: view.clone(), level: wide.level, sharp: None }
    }

    /// The sharp light behind the balls in a rectangle, row by row, and the share of each pixel that is covered in front.
    pub fn sharp_within(&self, x: [usize; 2], y: [usize; 2]) -> (Planes, Vec<f32>) {
        let Some(sharp) = &self.sharp else {
            let brush = |front| Brush { seen: &self.seen, view: &self.view, front, level: self.level };
            return (brush(false).strip(x, y).light, brush(true).strip(x, y).cover);
        };
        let cut = |plane: &Vec<f32>| -> Vec<f32> {
            (y[0]..y[1]).flat_map(|row| &plane[row * self.width + x[0]..row * self.width + x[1]]).copied().collect()
        };
        let light = [0, 1, 2].map(|c| cut(&sharp.back.light[c]));
        let cover = if sharp.cover.is_empty() { vec![0.0; light[0].len()] } else { cut(&sharp.cover) };
        (light, cover)
    }

    /// Whether piece `index` is what a pixel shows behind the balls.
    pub fn shows(&self, x: usize, y: usize, index: u8) -> bool {
        if let Some(sharp) = &self.sharp {
            return sharp.back.piece[y * self.width + x] == index;
        }
        let (px, py) = (x as f64, y as f64);
        let candidates = self.seen.within([px, px], [py, py], |p| !p.in_front);
        self.seen.look(&self.view.position, &self.view.ray(px, py), &candidates).piece == index
    }
}

/// Factor of the light at a place of the picture: 1 at the centre, 1 − `loss` at the corners.
pub fn vignette_at(x: usize, y: usize, width: usize, height: usize, loss: f64) -> f32 {
    let (cx, cy) = ((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
    let r2 = ((x as f64 - cx).powi(2) + (y as f64 - cy).powi(2)) / (cx * cx + cy * cy);
    (1.0 - loss * r2) as f32
}

fn vignette_plane(plane: &mut [f32], width: usize, height: usize, loss: f64) {
    if loss == 0.0 {
        return;
    }
    plane.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        row.iter_mut().enumerate().for_each(|(x, v)| *v *= vignette_at(x, y, width, height, loss));
    });
}

/// A rectangle of the set, painted.
struct Strip {
    light: Planes,
    cover: Vec<f32>,
    /// Which piece each pixel shows; only of what is behind the balls.
    piece: Vec<u8>,
}

fn join(strips: Vec<Strip>) -> Strip {
    let mut all = Strip { light: Default::default(), cover: Vec::new(), piece: Vec::new() };
    for strip in strips {
        for (whole, part) in all.light.iter_mut().zip(strip.light) {
            whole.extend(part);
        }
        all.cover.extend(strip.cover);
        all.piece.extend(strip.piece);
    }
    all
}

/// Paints what is behind the balls, or what is in front of them.
struct Brush<'a> {
    seen: &'a SeenSet,
    view: &'a View,
    front: bool,
    level: f32,
}

impl Brush<'_> {
    fn strip(&self, x: [usize; 2], y: [usize; 2]) -> Strip {
        let size = (x[1] - x[0]) * (y[1] - y[0]);
        let mut strip = Strip {
            light: [vec![0.0; size], vec![0.0; size], vec![0.0; size]],
            cover: vec![0.0; size],
            piece: vec![u8::MAX; size],
        };
        for left in (x[0]..x[1]).step_by(TILE) {
            self.tile([left, (left + TILE).min(x[1])], y, left - x[0], x[1] - x[0], &mut strip);
        }
        strip
    }

    /// Paints the tile `x` by `y` into a strip `width` wide, from its column `column` on.
    fn tile(&self, x: [usize; 2], y: [usize; 2], column: usize, width: usize, strip: &mut Strip) {
        let span = |r: [usize; 2]| [r[0] as f64 - 1.5, r[1] as f64 + 0.5];
        let candidates = self.seen.within(span(x), span(y), |p| p.in_front == self.front);
        if candidates.is_empty() {
            return;
        }
        let look = |ray: &Vec3| self.seen.look(&self.view.position, ray, &candidates);
        let (columns, rows) = (x[1] - x[0] + 2, y[1] - y[0] + 2);
        let place = |i: usize| ((x[0] + i % columns) as f64 - 1.0, (y[0] + i / columns) as f64 - 1.0);
        let rays: Vec<Vec3> = (0..rows * columns).map(place).map(|(px, py)| self.view.ray(px, py)).collect();
        let coarse: Vec<Seen> = rays.iter().map(look).collect();
        for (py, px) in (y[0]..y[1]).flat_map(|py| (x[0]..x[1]).map(move |px| (py, px))) {
            let i = (py - y[0] + 1) * columns + px - x[0] + 1;
            let here = coarse[i];
            let around = [i - 1, i + 1, i - columns, i + columns];
            let mut sum = [0.0; 4];
            if around.iter().any(|&other| differs(&here, &coarse[other])) {
                let edge = around.iter().any(|&other| coarse[other].piece != here.piece);
                let fine = if edge { FINE_AT_EDGES } else { FINE_IN_PAINT };
                // Within a pixel rays change evenly, whatever the lens.
                let (right, down) = ((rays[i + 1] - rays[i - 1]) / 2.0, (rays[i + columns] - rays[i - columns]) / 2.0);
                for k in 0..fine * fine {
                    let offset = |n: usize| (n as f64 + 0.5) / fine as f64 - 0.5;
                    let seen = look(&(rays[i] + right * offset(k % fine) + down * offset(k / fine)));
                    add(&mut sum, seen.colour, seen.piece, 1.0 / (fine * fine) as f32);
                }
            } else {
                add(&mut sum, here.colour, here.piece, 1.0);
            }
            let out = (py - y[0]) * width + column + px - x[0];
            (0..3).for_each(|c| strip.light[c][out] = sum[c] * self.level);
            strip.cover[out] = sum[3];
            strip.piece[out] = here.piece;
        }
    }
}

/// Whether two neighbours call for a closer look between them.
fn differs(a: &Seen, b: &Seen) -> bool {
    a.piece != b.piece || a.colour.iter().zip(b.colour).any(|(p, q)| (p - q).abs() > 0.004)
}

fn add(sum: &mut [f32; 4], colour: [f32; 3], piece: u8, weight: f32) {
    if piece != u8::MAX {
        (0..3).for_each(|c| sum[c] += weight * colour[c]);
        sum[3] += weight;
    }
}

/// Weights of a Gaussian from its centre outwards, their whole sum 1; one weight alone when `sigma_px` is 0.
pub fn blur_weights(sigma_px: f64) -> Vec<f32> {
    if sigma_px <= 0.0 {
        return vec![1.0];
    }
    let reach = (3.5 * sigma_px).ceil() as usize;
    let raw: Vec<f64> = (0..=reach).map(|i| (-0.5 * (i as f64 / sigma_px).powi(2)).exp()).collect();
    let sum = raw[0] + 2.0 * raw[1..].iter().sum::<f64>();
    raw.iter().map(|w| (w / sum) as f32).collect()
}

/// Gaussian blur of a plane in place, edges repeated.
pub fn blur(plane: &mut Vec<f32>, width: usize, height: usize, sigma_px: f64) {
    let weights = blur_weights(sigma_px);
    if weights.len() == 1 {
        return;
    }
    plane.par_chunks_mut(width).for_each(|row| blur_row(row, &weights));
    let source = std::mem::take(plane);
    *plane = vec![0.0; width * height];
    plane.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
        for (k, &w) in weights.iter().enumerate() {
            let sides: &[usize] = &[y.saturating_sub(k), (y + k).min(height - 1)];
            for &from in if k == 0 { &sides[..1] } else { sides } {
                out.iter_mut().zip(&source[from * width..(from + 1) * width]).for_each(|(o, s)| *o += w * s);
            }
        }
    });
}

fn blur_row(row: &mut [f32], weights: &[f32]) {
    let source = row.to_vec();
    let last = source.len() - 1;
    for (x, out) in row.iter_mut().enumerate() {
        *out = weights[0] * source[x];
        for (k, w) in weights.iter().enumerate().skip(1) {
            *out += w * (source[x.saturating_sub(k)] + source[(x + k).min(last)]);
        }
    }
}
