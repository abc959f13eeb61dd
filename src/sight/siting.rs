//! Where the samples of chroma lie among those of luma, as the resting scene itself tells.
//!
//! A file says where its chroma belongs, and cameras don't keep to it: half a pixel between what H.264 takes for granted
//! (the left pixel of each pair) and what most phones write (the middle of the four). A ball that is placed by its colour would
//! be off by as much. But wherever two coloured things meet, luma and chroma change at the same edge; the offset at which
//! chroma is most nearly a straight-line function of luma, block by block, is the true one.

use crate::clip::{Picture, Plane};

/// Where chroma may lie from the middle of its four pixels, px: there, or at one of its edges. (In the stored picture that is
/// the left one, ITU-T H.264 figure E-1, type 0; a phone that was turned shows it elsewhere.)
const OFFSETS: [(isize, isize); 5] = [(0, 0), (-1, 0), (1, 0), (0, -1), (0, 1)];
/// Edge of a block and distance between blocks, in chroma samples.
const BLOCK: usize = 9;
/// Most blocks that are looked at across the picture.
const MOST_ACROSS: usize = 120;
/// Variances, levels², below which a block has no edge worth comparing.
const LEAST_CHROMA_VARIANCE: f64 = 20.0;
const LEAST_LUMA_VARIANCE: f64 = 50.0;
/// Share of the chroma's variance that luma must explain: two things meet there, not three.
const LEAST_EXPLAINED: f64 = 0.6;
/// Blocks below which nothing is concluded.
const ENOUGH_BLOCKS: usize = 20;
/// Share of the middle's residuals that another place must not exceed to be believed.
const CLEARLY_BETTER: f64 = 0.95;

/// Offset of chroma samples from the middle of their four pixels, px, as displayed: nought or half a pixel. The middle, where
/// the scene doesn't tell.
pub fn chroma_offset_px(scene: &Picture) -> (f64, f64) {
    let step = (scene.cb.width / MOST_ACROSS).max(BLOCK - 1);
    let mut residuals = [0.0; OFFSETS.len()];
    let mut blocks = 0;
    let last = |size: usize| size.saturating_sub(BLOCK + 1);
    for top in (1..last(scene.cb.height)).step_by(step) {
        for left in (1..last(scene.cb.width)).step_by(step) {
            for chroma in [&scene.cb, &scene.cr] {
                if let Some(shares) = unexplained(&scene.luma, chroma, left, top) {
                    residuals.iter_mut().zip(shares).for_each(|(sum, share)| *sum += share);
                    blocks += 1;
                }
            }
        }
    }
    let best = (0..OFFSETS.len()).min_by(|&a, &b| residuals[a].total_cmp(&residuals[b])).unwrap_or(0);
    let clear = blocks >= ENOUGH_BLOCKS && residuals[best] < CLEARLY_BETTER * residuals[0];
    let (x, y) = OFFSETS[if clear { best } else { 0 }];
    (0.5 * x as f64, 0.5 * y as f64)
}

/// Share of a block's chroma variance that luma leaves unexplained, at each offset; `None` for a block without a fit edge.
fn unexplained(luma: &Plane, chroma: &Plane, left: usize, top: usize) -> Option<[f64; OFFSETS.len()]> {
    let places = || (0..BLOCK * BLOCK).map(|i| (left + i % BLOCK, top + i / BLOCK));
    let seen: Vec<f64> = places().map(|(x, y)| f64::from(chroma.samples[y * chroma.width + x])).collect();
    let (mean, variance) = moments(&seen);
    if variance < LEAST_CHROMA_VARIANCE {
        return None;
    }
    let mut best = 1.0f64;
    let mut shares = [1.0; OFFSETS.len()];
    for (share, offset) in shares.iter_mut().zip(OFFSETS) {
        let below: Vec<f64> = places().map(|(x, y)| luma_at(luma, x, y, offset)).collect();
        let (luma_mean, luma_variance) = moments(&below);
        if luma_variance < LEAST_LUMA_VARIANCE {
            return None;
        }
        let products = seen.iter().zip(&below).map(|(c, l)| (c - mean) * (l - luma_mean)).sum::<f64>();
        let covariance = products / seen.len() as f64;
        *share = 1.0 - covariance * covariance / (variance * luma_variance);
        best = best.min(*share);
    }
    (best < 1.0 - LEAST_EXPLAINED).then_some(shares)
}

/// Luma where a chroma sample lies: the mean of the four pixels about the place, or of the six about one on their edge, the
/// middle ones counting twice.
fn luma_at(luma: &Plane, x: usize, y: usize, (dx, dy): (isize, isize)) -> f64 {
    let row = |value: isize| value.clamp(0, luma.height as isize - 1) as usize * luma.width;
    let column = |value: isize| value.clamp(0, luma.width as isize - 1) as usize;
    let four = |shift: (isize, isize)| -> f64 {
        let (left, top) = (2 * x as isize + shift.0, 2 * y as isize + shift.1);
        let all = (0..4).map(|i| f64::from(luma.samples[row(top + i / 2) + column(left + i % 2)]));
        0.25 * all.sum::<f64>()
    };
    // A place half a pixel to one side is the mean of the fours here and one pixel to that side.
    0.5 * (four((0, 0)) + four((dx, dy)))
}

fn moments(values: &[f64]) -> (f64, f64) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (mean, values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / values.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{ColourMatrix, Transfer};

    /// A wall of coloured squares with blurred edges, its chroma taken at an offset from the middle of the four pixels.
    fn wall((dx, dy): (f64, f64)) -> Picture {
        let (width, height) = (360usize, 240usize);
        let ramp = |t: f64| (0.5 + 0.6 * t).clamp(0.0, 1.0);
        // Light of one of two things, with slanted borders every 23 px.
        let of_first = |x: f64, y: f64| {
            let stripe = |t: f64| ramp(((t / 23.0 * std::f64::consts::PI).sin()) * 7.0);
            0.5 * (stripe(x + 0.2 * y) + stripe(y - 0.15 * x))
        };
        let plane = |width: usize, height: usize, at: &dyn Fn(f64, f64) -> f64| Plane {
            width,
            height,
            samples: (0..width * height).map(|i| at((i % width) as f64, (i / width) as f64).round() as u8).collect(),
        };
        let chroma = |from: f64, to: f64| {
            plane(width / 2, height / 2, &|x, y| {
                let (x, y) = (2.0 * x + 0.5 + dx, 2.0 * y + 0.5 + dy);
                let four = [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)];
                let share = four.map(|(a, b)| of_first(x + a, y + b)).iter().sum::<f64>() / 4.0;
                from + (to - from) * share
            })
        };
        Picture {
            luma: plane(width, height, &|x, y| 60.0 + 90.0 * of_first(x, y)),
            cb: chroma(150.0, 100.0),
            cr: chroma(110.0, 160.0),
            matrix: ColourMatrix::Bt709,
            transfer: Transfer::Bt709,
        }
    }

    #[test]
    fn the_scene_tells_where_its_chroma_lies() {
        for offset in [(0.0, 0.0), (-0.5, 0.0), (0.5, 0.0), (0.0, -0.5), (0.0, 0.5)] {
            assert_eq!(chroma_offset_px(&wall(offset)), offset);
        }
    }

    #[test]
    fn a_grey_wall_tells_nothing() {
        let mut grey = wall((-0.5, 0.0));
        grey.cb.samples.fill(128);
        grey.cr.samples.fill(128);
        assert_eq!(chroma_offset_px(&grey), (0.0, 0.0));
    }
}
