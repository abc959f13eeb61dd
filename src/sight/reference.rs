//! The resting scene as it is learnt while frames go by, cell by cell: its level, its noise, and what departs from it.

use crate::sight::cells::{CellMeans, STEPS};
use crate::sight::watch::FrameLevels;

/// A cell has changed when it departs by so many standard deviations, of its level in the picture or of its own, whichever are larger …
const CHANGE_SIGMAS: f32 = 6.0;
/// … and by at least so many grey levels on average: below that lies the rounding of the encoder.
const CHANGE_FLOOR_LEVELS: f32 = 0.75;
/// A cell that departs by this many times that counts alone; any other needs a neighbour that has changed too.
const STRONG: i32 = 2;
/// Levels into which luma is sorted for the noise and the drift of exposure.
pub(super) const BINS: usize = 16;
/// Frames after which limits are made anew.
const LIMITS_EVERY: usize = 4;
/// Frames for which a cell must hold a new level until that is the resting scene: a chair that was moved, a ball that has come to rest. A ball
/// at the top of its flight covers a cell for less, in slow motion too.
const SETTLED_FRAMES: u8 = 60;
/// Turns after which a cell flickers.
const FLICKERS: u8 = 8;
/// Standard deviation of normal noise over its mean absolute deviation.
const SIGMA_OVER_MEAN: f32 = 1.2533;

/// The resting scene, slowly following.
pub(super) struct Reference {
    columns: usize,
    /// Luma, cb, cr, in [`STEPS`] to a level.
    planes: [Vec<i16>; 3],
    /// Sixteenfold mean absolute deviation of luma, and of the worse of cb and cr, in those steps.
    deviation: [Vec<u16>; 2],
    limits: [Vec<i16>; 2],
    luma_sigma: [f32; BINS],
    chroma_sigma: f32,
    frames: usize,
    departs: Vec<u8>,
    /// Luma of a cell while it departs, and for how many frames it has held that.
    other: Vec<i16>,
    held: Vec<u8>,
    /// Whether it jumped upwards last, and how often it has turned.
    upwards: Vec<bool>,
    turns: Vec<u8>,
}

/// Standard deviation of a resting cell in levels: luma, and the worse of cb and cr.
pub struct CellNoise {
    pub luma: Vec<f32>,
    pub chroma: Vec<f32>,
}

/// A frame against the resting scene.
pub(super) struct Compared {
    pub levels: FrameLevels,
    /// Cells that depart from it.
    pub changed: Vec<u32>,
    /// Cells that have held a new level for so long that this is the resting scene from now on.
    pub settled: Vec<u32>,
}

impl Reference {
    pub(super) fn new(means: &CellMeans) -> Self {
        let size = means.columns * means.rows;
        Self {
            columns: means.columns,
            planes: means.planes.clone(),
            deviation: [vec![0; size], vec![0; size]],
            limits: [vec![0; size], vec![0; size]],
            luma_sigma: [0.5; BINS],
            chroma_sigma: 0.5,
            frames: 0,
            departs: vec![0; size],
            other: vec![0; size],
            held: vec![0; size],
            upwards: vec![false; size],
            turns: vec![0; size],
        }
    }

    /// The same noise about another scene.
    pub(super) fn about(&self, means: &CellMeans) -> Self {
        Self {
            deviation: self.deviation.clone(),
            luma_sigma: self.luma_sigma,
            chroma_sigma: self.chroma_sigma,
            frames: self.frames,
            ..Self::new(means)
        }
    }

    /// Drift of exposure, and the cells that depart from the resting scene by more than noise and drift explain; what rests is learnt.
    pub(super) fn compare(&mut self, means: &CellMeans) -> Compared {
        let step = (means.planes[0].len() / 16_384).max(3);
        let (shift, sigma) = level_statistics(&means.planes[0], &self.planes[0], step);
        let chroma = [1, 2].map(|i| plain_statistics(&means.planes[i], &self.planes[i], step));
        self.follow_noise(&sigma, chroma[0].1.max(chroma[1].1));
        if self.frames.is_multiple_of(LIMITS_EVERY) || self.frames < 2 * LIMITS_EVERY {
            self.make_limits();
        }
        self.frames += 1;
        let levels = FrameLevels { shift: shift_by_level(&shift) };
        let luma_shift: [i16; BINS] = std::array::from_fn(|bin| steps(levels.shift[bin * 16 + 8]));
        self.mark(means, &luma_shift, [chroma[0].0, chroma[1].0].map(steps));
        let changed = self.changed();
        self.learn(means, &luma_shift);
        let settled = self.settle(means, &changed);
        Compared { levels, changed, settled }
    }

    /// Lets the noise level follow slowly: one odd frame (an encoder's key frame) shouldn't make it jump.
    fn follow_noise(&mut self, sigma: &[Option<f32>; BINS], chroma: f32) {
        // The first frames are all there is.
        let share = (1.0 / (self.frames as f32 + 1.0)).max(0.25);
        for (known, seen) in self.luma_sigma.iter_mut().zip(sigma) {
            if let Some(seen) = seen {
                *known += (seen - *known) * share;
            }
        }
        self.chroma_sigma += (chroma - self.chroma_sigma) * share;
    }

    fn make_limits(&mut self) {
        let limit = |sigma: f32| steps(CHANGE_SIGMAS * sigma + CHANGE_FLOOR_LEVELS);
        let by_level = self.luma_sigma.map(limit);
        // Sixteenfold deviation to steps at the limit, in 256ths.
        let factor = (CHANGE_SIGMAS * SIGMA_OVER_MEAN * 256.0 / 16.0) as u32;
        let floor = u32::from(steps(CHANGE_FLOOR_LEVELS) as u16);
        let own = |deviation: u16| (((u32::from(deviation) * factor) >> 8) + floor).min(i16::MAX as u32) as i16;
        let [luma, chroma] = &mut self.limits;
        for ((limit, &deviation), &level) in luma.iter_mut().zip(&self.deviation[0]).zip(&self.planes[0]) {
            *limit = own(deviation).max(by_level[bin_of(level)]);
        }
        let everywhere = limit(self.chroma_sigma);
        for (limit, &deviation) in chroma.iter_mut().zip(&self.deviation[1]) {
            *limit = own(deviation).max(everywhere);
        }
    }

    /// Marks the cells that depart: 1, or 2 where they do so strongly.
    fn mark(&mut self, means: &CellMeans, luma_shift: &[i16; BINS], chroma_shift: [i16; 2]) {
        let Self { planes, limits, departs, .. } = self;
        if luma_shift.iter().all(|shift| *shift == 0) {
            departures(&means.planes[0], &planes[0], &limits[0], 0, departs, true);
        } else {
            let cells = means.planes[0].iter().zip(&planes[0]).zip(&limits[0]).zip(departs.iter_mut());
            for (((&seen, &known), &limit), departs) in cells {
                *departs = departure(seen, known.saturating_add(luma_shift[bin_of(known)]), limit);
            }
        }
        for i in [1, 2] {
            departures(&means.planes[i], &planes[i], &limits[1], chroma_shift[i - 1], departs, false);
        }
    }

    /// Numbers of the marked cells, without those that depart alone and hardly.
    fn changed(&self) -> Vec<u32> {
        let (columns, departs) = (self.columns, &self.departs);
        let mut changed = Vec::new();
        for (row, cells) in departs.chunks_exact(columns.max(1)).enumerate() {
            for (column, &one) in cells.iter().enumerate() {
                if one == 0 {
                    continue;
                }
                let beside =
                    |x: usize, y: usize| x < columns && departs.get(y * columns + x).is_some_and(|one| *one > 0);
                let around = || {
                    (row.saturating_sub(1)..=row + 1).any(|y| {
                        (column.saturating_sub(1)..=column + 1).any(|x| (x, y) != (column, row) && beside(x, y))
                    })
                };
                if i32::from(one) >= STRONG || around() {
                    changed.push((row * columns + column) as u32);
                }
            }
        }
        changed
    }

    /// Takes resting cells in, an eighth of the way, with the drift of exposure taken out, and their deviation a sixteenth.
    fn learn(&mut self, means: &CellMeans, luma_shift: &[i16; BINS]) {
        let Self { planes, deviation, departs, .. } = self;
        let [luma, cb, cr] = planes;
        let shifts = luma_shift.iter().any(|shift| *shift != 0);
        if shifts {
            for (i, &departs) in departs.iter().enumerate().filter(|(_, departs)| **departs == 0) {
                let _ = departs;
                let difference = means.planes[0][i].saturating_sub(luma[i]).saturating_sub(luma_shift[bin_of(luma[i])]);
                follow(difference, &mut luma[i], &mut deviation[0][i]);
            }
        } else {
            for ((known, spread), (&seen, &departs)) in
                luma.iter_mut().zip(&mut deviation[0]).zip(means.planes[0].iter().zip(departs.iter()))
            {
                follow_if(departs == 0, seen.wrapping_sub(*known), known, spread);
            }
        }
        let chroma = cb.iter_mut().zip(cr).zip(&mut deviation[1]);
        let seen = means.planes[1].iter().zip(&means.planes[2]).zip(departs.iter());
        for (((cb, cr), spread), ((&seen_cb, &seen_cr), &departs)) in chroma.zip(seen) {
            let (of_cb, of_cr) = (seen_cb.wrapping_sub(*cb), seen_cr.wrapping_sub(*cr));
            let rests = departs == 0;
            *cr = cr.wrapping_add(if rests { of_cr >> 3 } else { 0 });
            let worse = of_cb.wrapping_abs().max(of_cr.wrapping_abs());
            *cb = cb.wrapping_add(if rests { of_cb >> 3 } else { 0 });
            spread_towards(rests, worse, spread);
        }
    }

    /// What jumps up and down again and again flickers, and that is its noise; a ball makes a cell turn once as it passes.
    fn note_jump(&mut self, cell: usize, seen: i16) {
        let up = seen > self.other[cell];
        let turns = &mut self.turns[cell];
        *turns = turns.saturating_add(u8::from(up != self.upwards[cell]));
        self.upwards[cell] = up;
        if *turns > FLICKERS {
            let size = seen.wrapping_sub(self.planes[0][cell]).wrapping_abs();
            spread_towards(true, size, &mut self.deviation[0][cell]);
        }
    }

    /// Takes what has held a new level for long into the resting scene; gives those cells.
    fn settle(&mut self, means: &CellMeans, changed: &[u32]) -> Vec<u32> {
        let mut settled = Vec::new();
        for &cell in changed {
            let cell = cell as usize;
            let seen = means.planes[0][cell];
            if departure(seen, self.other[cell], self.limits[0][cell]) > 0 {
                self.note_jump(cell, seen);
                (self.other[cell], self.held[cell]) = (seen, 0);
                continue;
            }
            self.other[cell] += (seen - self.other[cell]) >> 3;
            self.held[cell] += 1;
            if self.held[cell] >= SETTLED_FRAMES {
                self.held[cell] = 0;
                for (known, seen) in self.planes.iter_mut().zip(&means.planes) {
                    known[cell] = seen[cell];
                }
                settled.push(cell as u32);
            }
        }
        settled
    }

    /// What is known of the noise of each cell.
    pub(super) fn noise(&self) -> CellNoise {
        let own = |deviation: u16| f32::from(deviation) / 16.0 * SIGMA_OVER_MEAN / f32::from(STEPS);
        let luma = self.planes[0].iter().zip(&self.deviation[0]);
        CellNoise {
            luma: luma.map(|(&level, &deviation)| own(deviation).max(self.luma_sigma[bin_of(level)])).collect(),
            chroma: self.deviation[1].iter().map(|&deviation| own(deviation).max(self.chroma_sigma)).collect(),
        }
    }
}

/// Levels in steps.
fn steps(levels: f32) -> i16 {
    (levels * f32::from(STEPS)).clamp(-32_000.0, 32_000.0) as i16
}

/// 0, 1 or, strongly, 2.
fn departure(seen: i16, known: i16, limit: i16) -> u8 {
    let size = seen.wrapping_sub(known).wrapping_abs();
    u8::from(size > limit) + u8::from(size > limit.saturating_add(limit))
}

/// As [`departure`] over a plane; what is marked stays marked unless it is the first plane.
fn departures(seen: &[i16], known: &[i16], limits: &[i16], shift: i16, departs: &mut [u8], first: bool) {
    let cells = seen.iter().zip(known).zip(limits).zip(departs.iter_mut());
    for (((&seen, &known), &limit), departs) in cells {
        let before = if first { 0 } else { *departs };
        *departs = departure(seen, known.wrapping_add(shift), limit).max(before);
    }
}

fn follow(difference: i16, known: &mut i16, spread: &mut u16) {
    follow_if(true, difference, known, spread);
}

fn follow_if(rests: bool, difference: i16, known: &mut i16, spread: &mut u16) {
    *known = known.wrapping_add(if rests { difference >> 3 } else { 0 });
    spread_towards(rests, difference.wrapping_abs(), spread);
}

/// The spread holds sixteen times its value, so that nothing is lost to rounding.
fn spread_towards(rests: bool, size: i16, spread: &mut u16) {
    /// Sixteen levels: what fits.
    const MOST: i16 = 16 * STEPS - 1;
    let next = *spread - (*spread >> 4) + size.min(MOST) as u16;
    *spread = if rests { next } else { *spread };
}

/// Bin of a cell's value.
fn bin_of(level: i16) -> usize {
    (level.max(0) as usize >> 11).min(BINS - 1)
}

/// Levels by which each of a frame's levels is brighter than in the resting scene, from cells at the same places of both.
pub(super) fn drift(seen: &[i16], known: &[i16]) -> FrameLevels {
    FrameLevels { shift: shift_by_level(&level_statistics(seen, known, 1).0) }
}

/// Median shift and scatter (1.4826 × median absolute deviation) of cells, by level, in levels; `None` where too few cells are. One
/// cell in `step` is looked at.
fn level_statistics(seen: &[i16], known: &[i16], step: usize) -> ([f32; BINS], [Option<f32>; BINS]) {
    /// Fewer cells than this say nothing certain about their level.
    const ENOUGH: usize = 40;
    let mut differences: [Vec<i16>; BINS] = Default::default();
    for (&seen, &known) in seen.iter().zip(known).step_by(step) {
        differences[bin_of(known)].push(seen.wrapping_sub(known));
    }
    let mut known: Vec<LevelShift> = Vec::new();
    for (bin, differences) in differences.iter_mut().enumerate().filter(|(_, some)| some.len() >= ENOUGH) {
        let (shift, sigma) = median_and_scatter(differences);
        known.push(LevelShift { bin, cells: differences.len(), shift, sigma });
    }
    keep_common_drift(&mut known);
    let mut shift = [f32::NAN; BINS];
    let mut sigma = [None; BINS];
    for one in &known {
        (shift[one.bin], sigma[one.bin]) = (one.shift, Some(one.sigma));
    }
    fill_from_neighbours(&mut shift);
    (shift, sigma)
}

/// Shift and scatter of the cells of one bin of levels, in levels.
struct LevelShift {
    bin: usize,
    cells: usize,
    shift: f32,
    sigma: f32,
}

impl LevelShift {
    /// Level in the middle of the bin.
    fn middle(&self) -> f32 {
        (self.bin as f32 + 0.5) * 256.0 / BINS as f32
    }
}

/// Leaves out levels that drift unlike the picture as a whole: where most of a level is a walker's clothes, what shifts when the
/// walker goes isn't the exposure.
fn keep_common_drift(known: &mut Vec<LevelShift>) {
    /// Levels by which a curve of tones may depart from a gain, and share of the gain.
    const LEVELS: f32 = 6.0;
    const SHARE: f32 = 0.5;
    known.sort_by(|a, b| (a.shift / a.middle()).total_cmp(&(b.shift / b.middle())));
    let half = known.iter().map(|one| one.cells).sum::<usize>() / 2;
    let mut below = 0;
    let middle = known.iter().find(|one| {
        below += one.cells;
        below > half
    });
    let Some(gain) = middle.map(|one| one.shift / one.middle()) else { return };
    known.retain(|one| {
        let common = gain * one.middle();
        (one.shift - common).abs() < LEVELS + SHARE * common.abs()
    });
}

/// Gives levels without cells the shift of the nearest level that has some.
fn fill_from_neighbours(shift: &mut [f32; BINS]) {
    let known: Vec<usize> = (0..BINS).filter(|&bin| !shift[bin].is_nan()).collect();
    for bin in 0..BINS {
        if shift[bin].is_nan() {
            shift[bin] = known.iter().min_by_key(|&&other| other.abs_diff(bin)).map_or(0.0, |&other| shift[other]);
        }
    }
}

fn plain_statistics(seen: &[i16], known: &[i16], step: usize) -> (f32, f32) {
    let pairs = seen.iter().zip(known).step_by(step);
    let mut differences: Vec<i16> = pairs.map(|(&seen, &known)| seen.wrapping_sub(known)).collect();
    if differences.is_empty() { (0.0, 0.5) } else { median_and_scatter(&mut differences) }
}

/// Median and 1.4826 × median absolute deviation, levels; the factor makes it the standard deviation for normal noise.
fn median_and_scatter(values: &mut [i16]) -> (f32, f32) {
    /// Scatter of a cell that an encoder holds still.
    const LEAST_LEVELS: f32 = 0.03;
    let half = values.len() / 2;
    let middle = *values.select_nth_unstable(half).1;
    for value in values.iter_mut() {
        *value = (*value - middle).saturating_abs();
    }
    let spread = *values.select_nth_unstable(half).1;
    let levels = |steps: i16| f32::from(steps) / f32::from(STEPS);
    (levels(middle), 1.4826 * levels(spread).max(LEAST_LEVELS))
}

/// Shift of a pixel by its level, from the shifts of cells by bin.
fn shift_by_level(shift: &[f32; BINS]) -> [f32; 256] {
    std::array::from_fn(|level| {
        let value = shift[level * BINS / 256];
        // Less than a third of a level isn't drift but the rounding of medians.
        if value.abs() < 0.34 { 0.0 } else { value }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cells of a picture at rest and of a frame a tenth brighter: a wall of level 150, and things of level 50, of which most have gone
    /// in the frame.
    fn a_walker_goes() -> (Vec<i16>, Vec<i16>) {
        let (wall, thing) = (STEPS * 150, STEPS * 50);
        let reference = [vec![wall; 6000], vec![thing; 600]].concat();
        let brighter = |level: i16| (i32::from(level) * 11 / 10) as i16;
        ([vec![brighter(wall); 6000], vec![brighter(wall); 400], vec![brighter(thing); 200]].concat(), reference)
    }

    #[test]
    fn a_walker_who_goes_is_no_drift_of_the_exposure() {
        let (seen, reference) = a_walker_goes();
        let (shift, _) = level_statistics(&seen, &reference, 3);
        let shift = shift_by_level(&shift);
        assert!((shift[150] - 15.0).abs() < 1.0, "{}", shift[150]);
        // No cell tells how dark levels drift: they are taken to drift as the next level does, not by the hundred of the walker.
        assert!((0.0..20.0).contains(&shift[50]), "{}", shift[50]);
    }

    fn flat(level: i16) -> CellMeans {
        let mut means = CellMeans::new(160, 120);
        for (plane, level) in means.planes.iter_mut().zip([level, 128 * STEPS, 128 * STEPS]) {
            plane.fill(level);
        }
        means
    }

    /// A wall at rest and then one whose cells flicker: what always flickers is no change, and what doesn't, is.
    #[test]
    fn a_cell_is_judged_by_its_own_noise() {
        let mut reference = Reference::new(&flat(100 * STEPS));
        let mut frame = flat(100 * STEPS);
        let noisy = 40 * 10 + 20;
        for number in 0..200 {
            // A few cells that flicker by ± 2 levels, close together.
            for cell in noisy..noisy + 4 {
                frame.planes[0][cell] = 100 * STEPS + if number % 2 == 0 { 2 } else { -2 } * STEPS;
            }
            reference.compare(&frame);
        }
        for cell in [noisy, noisy + 1, 500, 501] {
            frame.planes[0][cell] = 104 * STEPS;
        }
        assert_eq!(reference.compare(&frame).changed, [500, 501]);
    }

    /// A ball of one cell counts when it is clear, a speck of noise doesn't.
    #[test]
    fn one_cell_alone_must_be_clear() {
        let changed = |levels: i16| {
            let mut reference = Reference::new(&flat(100 * STEPS));
            let mut frame = flat(100 * STEPS);
            reference.compare(&frame);
            frame.planes[0][333] += levels * STEPS;
            reference.compare(&frame).changed
        };
        assert_eq!(changed(8), [333]);
        assert!(changed(1).is_empty());
    }
}
