//! The levels that a disc before its background should give, and how they change with the disc.
//!
//! Two by two pixels at a time, because these share one sample of cb and cr.

use super::cover::{Exposure, OUTLINE, PixelModel};
use super::disc::{Disc, Patch, PatchPlane, SHADES, Tint, Unknowns};
use super::light::Light;

/// Most unknowns of a disc: its outline, its shading, its tint.
pub(super) const MOST: usize = OUTLINE + SHADES + 2;

/// The expected level of one sample, and its slopes by the unknowns.
#[derive(Clone, Copy)]
pub(super) struct Signal {
    pub level: f64,
    pub slopes: [f64; MOST],
}

impl Signal {
    pub(super) const NOTHING: Self = Self { level: 0.0, slopes: [0.0; MOST] };
}

/// Composes the levels of a patch.
pub(super) struct Composer<'a> {
    patch: &'a Patch,
    disc: &'a Disc,
    unknowns: Unknowns,
    light: &'a Light,
    exposure: Exposure,
    /// How many unknowns of the outline, and of shading or brightness, are free.
    outline: usize,
    shades: usize,
}

impl<'a> Composer<'a> {
    pub(super) fn new(patch: &'a Patch, disc: &'a Disc, unknowns: Unknowns, light: &'a Light) -> Self {
        let exposure = Exposure::new(disc, unknowns);
        Self { patch, disc, unknowns, light, exposure, outline: unknowns.outline(), shades: unknowns.light() }
    }

    /// Number of unknowns.
    pub(super) fn count(&self) -> usize {
        self.outline + self.shades + if self.free_tint() { 2 } else { 0 }
    }

    fn free_tint(&self) -> bool {
        self.unknowns.tint && self.disc.tint.is_some()
    }

    /// Cb and cr of the patch with the disc's tint, where both are there.
    pub(super) fn chroma(&self) -> Option<(&'a [PatchPlane; 2], Tint)> {
        self.patch.chroma.as_ref().zip(self.disc.tint)
    }

    /// Corners of the blocks that the ball's way reaches.
    pub(super) fn blocks(&self) -> impl Iterator<Item = (usize, usize)> {
        let corners = (0..self.patch.height)
            .step_by(2)
            .flat_map(|row| (0..self.patch.width).step_by(2).map(move |column| (column, row)));
        corners.filter(|&(column, row)| {
            let (x, y) = self.at(column, row);
            !self.disc.clears(x + 0.5 - self.disc.centre.x, y + 0.5 - self.disc.centre.y)
        })
    }

    fn at(&self, column: usize, row: usize) -> (f64, f64) {
        ((self.patch.left + column as isize) as f64, (self.patch.top + row as isize) as f64)
    }

    /// The four pixels of a block, by rows.
    pub(super) fn pixels(&self, (column, row): (usize, usize), models: &mut [PixelModel; 4]) {
        self.exposure.block(self.disc, self.at(column, row), self.unknowns, models);
    }

    /// Expected luma of a pixel before this background.
    pub(super) fn luma(&self, model: &PixelModel, background: f32, signal: &mut Signal) {
        let behind = f64::from(self.light.linear(background));
        let (level, slope) = self.light.level((behind * (1.0 - model.coverage) + model.ball) as f32);
        let slope = f64::from(slope);
        signal.level = f64::from(level);
        let (by_look, by_tint) = signal.slopes.split_at_mut(self.outline + self.shades);
        for (target, by) in by_look.iter_mut().zip(&model.ball_slopes) {
            *target = slope * by;
        }
        for (target, by) in by_look.iter_mut().zip(&model.coverage_slopes[..self.outline]) {
            *target -= slope * behind * by;
        }
        by_tint.fill(0.0);
    }

    /// Expected cb or cr of a block before this background: the mean of its pixels, mixed in levels. (Mixing light would move
    /// the middle of the edge by some hundredths of a pixel, outwards all round.)
    pub(super) fn chroma_of(&self, models: &[PixelModel; 4], which: usize, background: f32, signal: &mut Signal) {
        let tint = self.disc.tint.map_or(0.0, |tint| tint[which]);
        let behind = f64::from(background) - 128.0;
        *signal = Signal { level: 128.0 + behind, slopes: [0.0; MOST] };
        let own_tint = self.outline + self.shades + which;
        for model in models.iter().filter(|model| model.coverage > 1e-6) {
            let cover = model.coverage;
            let mean = model.ball / cover;
            let (level, slope) = self.light.level(mean as f32);
            let (level, slope) = (f64::from(level), f64::from(slope));
            signal.level += 0.25 * cover * (tint * level - behind);
            for (target, by) in signal.slopes.iter_mut().zip(&model.ball_slopes[..self.outline + self.shades]) {
                *target += 0.25 * tint * slope * by;
            }
            let by_cover = tint * (level - slope * mean) - behind;
            for (target, by) in signal.slopes.iter_mut().zip(&model.coverage_slopes[..self.outline]) {
                *target += 0.25 * by_cover * by;
            }
            if self.free_tint() {
                signal.slopes[own_tint] += 0.25 * cover * level;
            }
        }
    }

    /// Contrast of the disc's mean light against the background at its centre, in levels of luma, cb and cr.
    pub(super) fn contrast(&self) -> [f64; 3] {
        let (patch, disc) = (self.patch, self.disc);
        let column = (disc.centre.x.round() as isize - patch.left).clamp(0, patch.width as isize - 1) as usize;
        let row = (disc.centre.y.round() as isize - patch.top).clamp(0, patch.height as isize - 1) as usize;
        let (level, _) = self.light.level(disc.shading[0].max(0.0) as f32);
        let level = f64::from(level);
        let mut contrast = [(level - f64::from(patch.luma.background[row * patch.width + column])).abs(), 0.0, 0.0];
        if let Some((planes, tint)) = self.chroma() {
            let place = row / 2 * (patch.width / 2) + column / 2;
            for which in 0..2 {
                let behind = f64::from(planes[which].background[place]) - 128.0;
                contrast[1 + which] = (tint[which] * level - behind).abs();
            }
        }
        contrast
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::*;
    use crate::clip::Transfer;
    use crate::sight::disc::Stretch;
    use crate::sight::settle::moved;
    use crate::units::PixelPoint;

    #[test]
    fn slopes_of_all_three_signals_agree_with_finite_differences() {
        let light = Light::new(Transfer::Bt709);
        let unknowns = Unknowns { radius: true, blur: true, streak: false, shades: 6, tint: true };
        let terms = [0.3, 0.05, -0.06, -0.04, 0.02, -0.05];
        let disc = Disc {
            centre: PixelPoint::new(15.3, 14.8),
            radius_px: 7.2,
            blur_px: 1.1,
            streak_px: (0.0, 0.0),
            stretch: Stretch::NONE,
            shading: std::array::from_fn(|i| terms.get(i).copied().unwrap_or(0.0)),
            shades: 6,
            tint: Some([-0.4, 0.5]),
        };
        let plane = |size: usize, level: f32| PatchPlane {
            levels: vec![level; size],
            background: vec![level; size],
            noise: vec![1.0; size],
        };
        let patch = Patch {
            left: 0,
            top: 0,
            width: 32,
            height: 32,
            luma: plane(1024, 120.0),
            chroma: Some([plane(256, 130.0), plane(256, 126.0)]),
        };
        let signals = |disc: &Disc, corner| {
            let composer = Composer::new(&patch, disc, unknowns, &light);
            let mut models = [PixelModel::NOTHING; 4];
            composer.pixels(corner, &mut models);
            let mut signals = [Signal::NOTHING; 3];
            composer.luma(&models[0], 120.0, &mut signals[0]);
            composer.chroma_of(&models, 0, 130.0, &mut signals[1]);
            composer.chroma_of(&models, 1, 126.0, &mut signals[2]);
            signals
        };
        let count = Composer::new(&patch, &disc, unknowns, &light).count();
        for corner in [(14, 14), (8, 14), (20, 18), (16, 8)] {
            let here = signals(&disc, corner);
            for i in 0..count {
                let h = 2e-3;
                let shifted = |sign: f64| {
                    let step = DVector::from_fn(count, |row, _| if row == i { sign * h } else { 0.0 });
                    signals(&moved(&disc, &step, unknowns, &disc).unwrap(), corner)
                };
                let (up, down) = (shifted(1.0), shifted(-1.0));
                for which in 0..3 {
                    let difference = (up[which].level - down[which].level) / (2.0 * h);
                    let slope = here[which].slopes[i];
                    // The tables of light and of the normal integral are linear between their steps, and the levels 32-bit.
                    assert!(
                        (difference - slope).abs() < 0.02 * slope.abs() + 0.15,
                        "{which} by {i} at {corner:?}: {difference} {slope}"
                    );
                }
            }
        }
    }
}
