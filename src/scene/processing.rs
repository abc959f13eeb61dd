//! What cameras do to a picture after it was exposed, and what recordings lose on their way: coarse coloured grain,
//! sharpening, block noise. All in 8-bit codes, as it is in the devices.

use rayon::prelude::*;

use super::sensor::{Stream, normal_quantiles};
use super::stage::{blur, blur_weights};
use crate::clip::{Picture, Plane};

/// The steps, in the order in which they are taken; none by default.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Processing {
    pub grain: Option<Grain>,
    pub sharpening: Option<Sharpening>,
    /// Quality of a block transform coder, 1 (coarsest) to 100.
    pub block_quality: Option<u32>,
}

/// Noise whose grains are larger than a pixel, as old and small cameras give it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grain {
    /// Standard deviation in luma and in each chroma plane, codes.
    pub luma: f64,
    pub chroma: f64,
    /// Standard deviation of the Gaussian that a grain is, samples of the plane.
    pub size_px: f64,
}

/// An unsharp mask on luma: each code moves away from the mean about it, so that edges get a bright and a dark rim.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sharpening {
    pub amount: f64,
    pub radius_px: f64,
}

/// A scene's processing with its tables made.
pub struct Processor {
    steps: Processing,
    draws: Vec<f32>,
}

impl Processor {
    pub fn new(steps: Processing) -> Self {
        Self { steps, draws: if steps.grain.is_some() { normal_quantiles() } else { Vec::new() } }
    }

    /// Takes all steps on a picture; grain is drawn from `frame_seed`.
    pub fn apply(&self, picture: &mut Picture, frame_seed: u64) {
        if let Some(grain) = &self.steps.grain {
            for (k, (plane, codes)) in
                planes(picture).into_iter().zip([grain.luma, grain.chroma, grain.chroma]).enumerate()
            {
                self.add_grain(plane, codes, grain.size_px, frame_seed.wrapping_add(0x6A09_E667 * (k as u64 + 1)));
            }
        }
        if let Some(sharpening) = &self.steps.sharpening {
            sharpen(&mut picture.luma, sharpening);
        }
        if let Some(quality) = self.steps.block_quality {
            for (plane, table) in planes(picture).into_iter().zip([&LUMA_STEPS, &CHROMA_STEPS, &CHROMA_STEPS]) {
                code_blocks(plane, &scaled(table, quality));
            }
        }
    }

    fn add_grain(&self, plane: &mut Plane, codes: f64, size_px: f64, seed: u64) {
        let (width, height) = (plane.width, plane.height);
        let mut field = vec![0.0f32; width * height];
        field.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let mut stream = Stream::new(seed, y as u64);
            row.iter_mut().for_each(|v| *v = self.draws[stream.next() as u16 as usize]);
        });
        blur(&mut field, width, height, size_px);
        // Independent draws under weights w keep the variance Σw² along each axis.
        let weights = blur_weights(size_px);
        let kept = weights[0] * weights[0] + 2.0 * weights[1..].iter().map(|w| w * w).sum::<f32>();
        let factor = codes as f32 / kept;
        plane.samples.iter_mut().zip(&field).for_each(|(v, f)| *v = code(f32::from(*v) + factor * f));
    }
}

fn planes(picture: &mut Picture) -> [&mut Plane; 3] {
    [&mut picture.luma, &mut picture.cb, &mut picture.cr]
}

fn code(v: f32) -> u8 {
    (v + 0.5).clamp(0.0, 255.0) as u8
}

fn sharpen(plane: &mut Plane, sharpening: &Sharpening) {
    let mut mean: Vec<f32> = plane.samples.iter().map(|&v| f32::from(v)).collect();
    blur(&mut mean, plane.width, plane.height, sharpening.radius_px);
    let amount = sharpening.amount as f32;
    plane.samples.iter_mut().zip(&mean).for_each(|(v, mean)| {
        let own = f32::from(*v);
        *v = code(own + amount * (own - mean));
    });
}

const SIDE: usize = 8;
type Steps = [u16; SIDE * SIDE];

/// Quantiser steps of ITU-T T.81 (1992), Annex K, tables K.1 and K.2; from memory.
const LUMA_STEPS: Steps = [
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51,
    87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101,
    72, 92, 95, 98, 112, 100, 103, 99,
];
const CHROMA_STEPS: Steps = [
    17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99,
    99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99,
    99, 99, 99, 99, 99, 99,
];

/// Steps for a quality: twice as coarse at 25 as at 50, none to speak of at 100 (common practice, no source).
fn scaled(table: &Steps, quality: u32) -> [f32; SIDE * SIDE] {
    let quality = quality.clamp(1, 100) as f32;
    let percent = if quality < 50.0 { 5000.0 / quality } else { 200.0 - 2.0 * quality };
    table.map(|step| (f32::from(step) * percent / 100.0).round().clamp(1.0, 255.0))
}

/// Cuts the plane into blocks, and rounds the coefficients of each to whole steps.
fn code_blocks(plane: &mut Plane, steps: &[f32; SIDE * SIDE]) {
    let (width, height) = (plane.width, plane.height);
    let basis = cosines();
    plane.samples.par_chunks_mut(width * SIDE).enumerate().for_each(|(band, rows)| {
        let tall = SIDE.min(height - band * SIDE);
        for left in (0..width).step_by(SIDE) {
            let wide = SIDE.min(width - left);
            // A block that runs over the edge repeats the last row and column.
            let place = |i: usize| (i / SIDE).min(tall - 1) * width + left + (i % SIDE).min(wide - 1);
            let block: [f32; SIDE * SIDE] = std::array::from_fn(|i| f32::from(rows[place(i)]) - 128.0);
            let mut coefficients = both_ways(&basis, &block, false);
            coefficients.iter_mut().zip(steps).for_each(|(c, step)| *c = (*c / step).round() * step);
            let back = both_ways(&basis, &coefficients, true);
            for y in 0..tall {
                for x in 0..wide {
                    rows[y * width + left + x] = code(back[y * SIDE + x] + 128.0);
                }
            }
        }
    });
}

/// Row k holds the k-th cosine of the orthonormal discrete cosine transform of eight samples.
fn cosines() -> [f32; SIDE * SIDE] {
    std::array::from_fn(|i| {
        let (k, n) = ((i / SIDE) as f64, (i % SIDE) as f64);
        let size = if i < SIDE { (1.0 / SIDE as f64).sqrt() } else { (2.0 / SIDE as f64).sqrt() };
        (size * ((2.0 * n + 1.0) * k * std::f64::consts::PI / (2.0 * SIDE as f64)).cos()) as f32
    })
}

/// The transform along rows and columns: B X Bᵀ, or back: Bᵀ X B.
fn both_ways(basis: &[f32; SIDE * SIDE], block: &[f32; SIDE * SIDE], back: bool) -> [f32; SIDE * SIDE] {
    let b = |k: usize, n: usize| if back { basis[n * SIDE + k] } else { basis[k * SIDE + n] };
    let half: [f32; SIDE * SIDE] =
        std::array::from_fn(|i| (0..SIDE).map(|n| b(i / SIDE, n) * block[n * SIDE + i % SIDE]).sum());
    std::array::from_fn(|i| (0..SIDE).map(|n| half[i / SIDE * SIDE + n] * b(i % SIDE, n)).sum())
}

#[cfg(test)]
mod tests {
    use super::super::sensor::blank_picture;
    use super::*;

    /// Mean, variance and correlation of neighbours along a row.
    fn statistics(plane: &Plane) -> (f64, f64, f64) {
        let n = plane.samples.len() as f64;
        let mean = plane.samples.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let off = |v: &u8| f64::from(*v) - mean;
        let variance = plane.samples.iter().map(|v| off(v).powi(2)).sum::<f64>() / n;
        let beside = plane.samples.iter().zip(&plane.samples[1..]).map(|(a, b)| off(a) * off(b)).sum::<f64>() / n;
        (mean, variance, beside / variance)
    }

    #[test]
    fn grain_has_the_stated_size_and_strength() {
        let grain = Grain { luma: 6.0, chroma: 4.0, size_px: 1.2 };
        let processor = Processor::new(Processing { grain: Some(grain), ..Processing::default() });
        let mut picture = blank_picture(640, 480);
        processor.apply(&mut picture, 5);
        for (plane, codes) in [(&picture.luma, 6.0f64), (&picture.cb, 4.0), (&picture.cr, 4.0)] {
            let (mean, variance, beside) = statistics(plane);
            assert!((mean - 128.0).abs() < 0.2, "{mean}");
            // Some 17 samples share a grain: of 77000 samples 4500 are independent, good to 1 % of the deviation.
            assert!((variance.sqrt() / (codes * codes + 1.0 / 12.0).sqrt() - 1.0).abs() < 0.05, "{variance}");
            // Two Gaussians a sample apart: exp(−1/(4 · 1.2²)).
            assert!((beside - (-1.0_f64 / (4.0 * 1.44)).exp()).abs() < 0.02, "{beside}");
        }
    }

    #[test]
    fn sharpening_rims_an_edge_and_leaves_even_places_alone() {
        let mut picture = blank_picture(64, 16);
        picture.luma.samples.iter_mut().enumerate().for_each(|(i, v)| *v = if i % 64 < 32 { 80 } else { 160 });
        let steps =
            Processing { sharpening: Some(Sharpening { amount: 1.0, radius_px: 1.5 }), ..Processing::default() };
        Processor::new(steps).apply(&mut picture, 1);
        let row = &picture.luma.samples[8 * 64..9 * 64];
        assert_eq!((row[10], row[50]), (80, 160));
        // Half a pixel from the edge the mean is Φ(0.5/1.5) = 0.63 of the way: 0.37 · 80 = 29.6 codes beyond.
        assert!(
            (i32::from(row[32]) - 190).abs() <= 2 && (i32::from(row[31]) - 50).abs() <= 2,
            "{} {}",
            row[31],
            row[32]
        );
    }

    #[test]
    fn block_coding_keeps_means_and_gets_coarser_with_quality() {
        let wave = |i: usize| (128.0 + 60.0 * ((i % 70) as f64 * 0.9).sin() * ((i / 70) as f64 * 0.7).cos()) as u8;
        let error = |quality: u32| {
            let mut picture = blank_picture(70, 45);
            picture.luma.samples.iter_mut().enumerate().for_each(|(i, v)| *v = wave(i));
            let before = picture.luma.clone();
            let steps = Processing { block_quality: Some(quality), ..Processing::default() };
            Processor::new(steps).apply(&mut picture, 1);
            let squares =
                picture.luma.samples.iter().zip(&before.samples).map(|(a, b)| f64::from(a.abs_diff(*b)).powi(2));
            (squares.sum::<f64>() / before.samples.len() as f64).sqrt()
        };
        // Steps of 1 leave what rounding leaves; a step q of a coefficient leaves q/√12 at most.
        assert!(error(100) < 0.6, "{}", error(100));
        let (fine, coarse) = (error(60), error(10));
        assert!(fine < coarse && (1.0..40.0).contains(&coarse), "{fine} {coarse}");
    }
}
