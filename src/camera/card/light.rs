//! A picture in linear light, where optical blur is what it was in the lens.

use crate::clip::{Plane, Transfer};

/// Linear light of each pixel, 0 to 1.
///
/// An edge blurred by the lens is symmetric in light, not in luma: located in luma, the edges of a black mark on white would
/// shift by about half of the blur, and a mark of 50 px would seem 1 to 2 % too small.
#[derive(Debug, Clone)]
pub(super) struct Light {
    pub width: usize,
    pub height: usize,
    pub values: Vec<f32>,
}

impl Light {
    pub fn of(plane: &Plane, transfer: Transfer) -> Self {
        let table: Vec<f32> = (0..=255u8).map(|sample| linear(sample, transfer)).collect();
        let values = plane.samples.iter().map(|sample| table[usize::from(*sample)]).collect();
        Self { width: plane.width, height: plane.height, values }
    }

    pub fn at(&self, x: usize, y: usize) -> f32 {
        self.values[y * self.width + x]
    }

    /// Between pixels, bilinear; `None` outside the picture.
    pub fn between(&self, x: f64, y: f64) -> Option<f64> {
        let (w, h) = (self.width as f64, self.height as f64);
        if !(x >= 0.0 && y >= 0.0 && x < w - 1.0 && y < h - 1.0) {
            return None;
        }
        let (x0, y0) = (x as usize, y as usize);
        let (fx, fy) = (x - x0 as f64, y - y0 as f64);
        let row = |y: usize| f64::from(self.at(x0, y)) * (1.0 - fx) + f64::from(self.at(x0 + 1, y)) * fx;
        Some(row(y0) * (1.0 - fy) + row(y0 + 1) * fy)
    }
}

/// Light of an 8-bit sample: BT.709's camera curve (ITU-R BT.709-6, 1.2) or sRGB's (IEC 61966-2-1), inverted.
fn linear(sample: u8, transfer: Transfer) -> f32 {
    let v = f32::from(sample) / 255.0;
    match transfer {
        Transfer::Linear => v,
        Transfer::Bt709 if v < 0.081 => v / 4.5,
        Transfer::Bt709 => ((v + 0.099) / 1.099).powf(1.0 / 0.45),
        Transfer::Srgb if v <= 0.04045 => v / 12.92,
        Transfer::Srgb => ((v + 0.055) / 1.055).powf(2.4),
    }
}
