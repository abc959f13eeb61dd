//! The still picture: what the camera sees of the set, made once for each pose of the camera.

use rayon::prelude::*;

use super::camera::View;
use super::set::{Piece, SeenSet};

/// Three planes of linear light, row by row.
pub type Planes = [Vec<f32>; 3];

/// The set as seen, in linear light before vignetting and noise.
pub struct Stage {
    pub width: usize,
    pub height: usize,
    /// Sharp, without the pieces in front of the balls.
    pub back: Planes,
    /// Share of each pixel covered by pieces in front; empty when there are none.
    pub cover: Vec<f32>,
    /// Everything still, blurred and vignetted.
    pub still: Planes,
    /// Which piece each pixel of `back` shows.
    pub piece: Vec<u8>,
    pub seen: SeenSet,
}

/// How the still picture is made.
#[derive(Debug, Clone, Copy)]
pub struct Finish {
    pub level: f32,
    pub blur_px: f64,
    pub vignette: f64,
}

const TILE: usize = 32;
/// Rays a side for a pixel that isn't of one colour.
const FINE: usize = 4;

impl Stage {
    pub fn new(pieces: &[Piece], view: &View, width: usize, height: usize, finish: Finish) -> Self {
        let seen = SeenSet::new(pieces, view);
        let paint = |front: bool| {
            let bands: Vec<Band> = (0..height.div_ceil(TILE))
                .into_par_iter()
                .map(|band| {
                    Band::paint(&seen, view, width, [band * TILE, ((band + 1) * TILE).min(height)], front, finish.level)
                })
                .collect();
            join(bands)
        };
        let back = paint(false);
        let has_front = pieces.iter().any(|p| p.in_front);
        let (mut still, mut cover) = (back.light.clone(), Vec::new());
        if has_front {
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
        Self { width, height, back: back.light, cover, still, piece: back.piece, seen }
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

/// A strip of rows of the still picture.
struct Band {
    light: Planes,
    cover: Vec<f32>,
    piece: Vec<u8>,
}

fn join(bands: Vec<Band>) -> Band {
    let mut all = Band { light: Default::default(), cover: Vec::new(), piece: Vec::new() };
    for band in bands {
        for (whole, part) in all.light.iter_mut().zip(band.light) {
            whole.extend(part);
        }
        all.cover.extend(band.cover);
        all.piece.extend(band.piece);
    }
    all
}

impl Band {
    fn paint(seen: &SeenSet, view: &View, width: usize, y: [usize; 2], front: bool, level: f32) -> Self {
        let size = width * (y[1] - y[0]);
        let mut band = Self {
            light: [vec![0.0; size], vec![0.0; size], vec![0.0; size]],
            cover: if front { vec![0.0; size] } else { Vec::new() },
            piece: if front { Vec::new() } else { vec![u8::MAX; size] },
        };
        for x in (0..width).step_by(TILE) {
            band.paint_tile(seen, view, width, [x, (x + TILE).min(width)], y, front, level);
        }
        band
    }

    #[expect(clippy::too_many_arguments, reason = "one call, and each is a plain number")]
    fn paint_tile(
        &mut self,
        seen: &SeenSet,
        view: &View,
        width: usize,
        x: [usize; 2],
        y: [usize; 2],
        front: bool,
        level: f32,
    ) {
        let span = |r: [usize; 2]| [r[0] as f64 - 1.5, r[1] as f64 + 0.5];
        let candidates = seen.within(span(x), span(y), |p| p.in_front == front);
        if candidates.is_empty() {
            return;
        }
        let look = |px: f64, py: f64| seen.look(&view.position, &view.ray(px, py), &candidates);
        let (columns, rows) = (x[1] - x[0] + 2, y[1] - y[0] + 2);
        let coarse: Vec<_> = (0..rows * columns)
            .map(|i| look((x[0] + i % columns) as f64 - 1.0, (y[0] + i / columns) as f64 - 1.0))
            .collect();
        for py in y[0]..y[1] {
            for px in x[0]..x[1] {
                let i = (py - y[0] + 1) * columns + px - x[0] + 1;
                let here = coarse[i];
                let around = [coarse[i - 1], coarse[i + 1], coarse[i - columns], coarse[i + columns]];
                let differs = around.iter().any(|s| {
                    s.piece != here.piece || s.colour.iter().zip(here.colour).any(|(a, b)| (a - b).abs() > 0.004)
                });
                let mut sum = [0.0; 4];
                if differs {
                    for k in 0..FINE * FINE {
                        let offset = |n: usize| (n as f64 + 0.5) / FINE as f64 - 0.5;
                        let s = look(px as f64 + offset(k % FINE), py as f64 + offset(k / FINE));
                        add(&mut sum, s.colour, s.piece, 1.0 / (FINE * FINE) as f32);
                    }
                } else {
                    add(&mut sum, here.colour, here.piece, 1.0);
                }
                let out = (py - y[0]) * width + px;
                (0..3).for_each(|c| self.light[c][out] = sum[c] * level);
                if front { self.cover[out] = sum[3] } else { self.piece[out] = here.piece }
            }
        }
    }
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
