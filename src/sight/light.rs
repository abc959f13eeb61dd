//! Between the levels of a picture and light.
//!
//! A blurred edge mixes light, not levels: at the rim of a white ball before a dark wall, half the light is nearly three
//! quarters of the levels. The disc is therefore composed in linear light and compared in levels, where the noise is
//! about even.

use crate::clip::Transfer;

/// Steps of the table from light to levels.
const STEPS: usize = 4096;
/// Brightest light in the table; white is 1. A highlight that the camera clipped may come out above white.
const BRIGHTEST: f32 = 1.5;

/// Tables for one transfer characteristic.
pub struct Light {
    linear: [f32; 257],
    levels: Vec<f32>,
}

impl Light {
    pub fn new(transfer: Transfer) -> Self {
        let linear = std::array::from_fn(|level| linear_from_signal(transfer, level as f32 / 255.0));
        let levels = (0..=STEPS)
            .map(|step| 255.0 * signal_from_linear(transfer, step as f32 / STEPS as f32 * BRIGHTEST))
            .collect();
        Self { linear, levels }
    }

    /// Linear light (white = 1) of a level, which may lie between whole levels.
    pub fn linear(&self, level: f32) -> f32 {
        let level = level.clamp(0.0, 255.0);
        let low = level as usize;
        self.linear[low] + (self.linear[low + 1] - self.linear[low]) * (level - low as f32)
    }

    /// Level of linear light, and its slope in levels per unit of light.
    pub fn level(&self, light: f32) -> (f32, f32) {
        let place = (light / BRIGHTEST * STEPS as f32).clamp(0.0, STEPS as f32 - 1.001);
        let low = place as usize;
        let rise = self.levels[low + 1] - self.levels[low];
        (self.levels[low] + rise * (place - low as f32), rise * (STEPS as f32 / BRIGHTEST))
    }
}

/// Inverse of the camera's curve: ITU-R BT.709-6, item 1.2, or IEC 61966-2-1 (sRGB).
fn linear_from_signal(transfer: Transfer, signal: f32) -> f32 {
    match transfer {
        Transfer::Linear => signal,
        Transfer::Bt709 if signal < 0.081 => signal / 4.5,
        Transfer::Bt709 => ((signal + 0.099) / 1.099).powf(1.0 / 0.45),
        Transfer::Srgb if signal <= 0.04045 => signal / 12.92,
        Transfer::Srgb => ((signal + 0.055) / 1.055).powf(2.4),
    }
}

fn signal_from_linear(transfer: Transfer, light: f32) -> f32 {
    match transfer {
        Transfer::Linear => light,
        Transfer::Bt709 if light < 0.018 => 4.5 * light,
        Transfer::Bt709 => 1.099 * light.powf(0.45) - 0.099,
        Transfer::Srgb if light <= 0.003_130_8 => 12.92 * light,
        Transfer::Srgb => 1.055 * light.powf(1.0 / 2.4) - 0.055,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_and_light_are_inverse_to_each_other() {
        for transfer in [Transfer::Bt709, Transfer::Srgb, Transfer::Linear] {
            let light = Light::new(transfer);
            for level in 0..=255 {
                let (back, _) = light.level(light.linear(level as f32));
                // Linear interpolation over 1/2730 of white: the curve's bend there stays under a twentieth of a level.
                assert!((back - level as f32).abs() < 0.05, "{transfer:?} {level} {back}");
            }
        }
    }

    #[test]
    fn bt709_meets_the_standards_points() {
        // ITU-R BT.709-6 item 1.2: V = 1.099 L^0.45 - 0.099; L = 0.18 gives V = 0.409 (from the formula).
        assert!((signal_from_linear(Transfer::Bt709, 0.18) - 0.409_0).abs() < 5e-4);
        assert!((linear_from_signal(Transfer::Bt709, 1.0) - 1.0).abs() < 1e-6);
    }
}
