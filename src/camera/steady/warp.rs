//! Puts a moved picture back where the first one stood.

use rayon::prelude::*;

use super::Motion;
use crate::clip::{Picture, Plane};

/// Neighbours that a value between pixels is made of, along each axis.
const TAPS: usize = 6;
/// Steps between two pixels for which the weights are tabled: a step is 1/256 px, far below what registration knows.
const STEPS: usize = 256;

/// Brings frames back onto the first one.
pub(super) struct Warp {
    weights: Vec<[f32; TAPS]>,
    between: Vec<f32>,
}

impl Warp {
    pub fn new() -> Self {
        let weights = (0..=STEPS).map(|step| lanczos(step as f32 / STEPS as f32)).collect();
        Self { weights, between: Vec::new() }
    }

    /// The frame as the first one's place would show it. What lies outside the frame keeps the sample that `canvas` holds.
    pub fn onto(&mut self, canvas: &mut Picture, frame: &Picture, motion: &Motion) {
        self.plane(&mut canvas.luma, &frame.luma, &Map::of(motion, 1.0));
        let half = Map::of(motion, 2.0);
        self.plane(&mut canvas.cb, &frame.cb, &half);
        self.plane(&mut canvas.cr, &frame.cr, &half);
    }

    /// Two passes, along the rows and then along the columns: for a perspective map they are exact, and need twice the
    /// taps of one axis instead of their square.
    fn plane(&mut self, target: &mut Plane, source: &Plane, map: &Map) {
        let (width, height) = (source.width, source.height);
        if (target.width, target.height) != (width, height) || width < TAPS || height < TAPS {
            return;
        }
        self.between.resize(width * height, 0.0);
        let weights = &self.weights;
        self.between.par_chunks_exact_mut(width).zip(source.samples.par_chunks_exact(width)).enumerate().for_each(
            |(v, (line, row))| {
                let u = map.column_in_frame(v as f64);
                for (x, value) in line.iter_mut().enumerate() {
                    *value = along_row(row, u.at(x as f64), weights);
                }
            },
        );
        let between = &self.between;
        let (right, bottom) = (width as f64 - 1.0, height as f64 - 1.0);
        target.samples.par_chunks_exact_mut(width).enumerate().for_each(|(y, line)| {
            let (u, v) = map.place_in_frame(y as f64);
            for (x, sample) in line.iter_mut().enumerate() {
                let (u, v) = (u.at(x as f64), v.at(x as f64));
                if u >= 0.0 && v >= 0.0 && u <= right && v <= bottom {
                    *sample = along_column(between, width, height, x, v, weights);
                }
            }
        });
    }
}

/// Where a place of the first plane is in the frame's: along the row of the frame, and the row itself. On one row each is a quotient of
/// straight lines.
struct Map<'a> {
    motion: &'a Motion,
    /// Distance between samples in luma pixels: 2 for chroma, whose samples lie in the middle of four pixels.
    step: f64,
    first: f64,
}

/// (a + b·x)/(c + d·x).
struct Quotient {
    above: (f64, f64),
    below: (f64, f64),
}

impl Quotient {
    fn at(&self, x: f64) -> f64 {
        (self.above.0 + self.above.1 * x) / (self.below.0 + self.below.1 * x)
    }
}

impl<'a> Map<'a> {
    fn of(motion: &'a Motion, step: f64) -> Self {
        Self { motion, step, first: (step - 1.0) / 2.0 }
    }

    /// A quotient in places from the middle, px of luma, as one in samples that gives samples of an axis with its middle at `centre`.
    fn in_samples(&self, of: Quotient, centre: f64) -> Quotient {
        let (step, start) = (self.step, self.first - self.motion.centre.x);
        let line = |(at_middle, slope): (f64, f64)| (at_middle + slope * start, slope * step);
        let (above, below, shift) = (line(of.above), line(of.below), centre - self.first);
        Quotient {
            above: (above.0 + shift * below.0, above.1 + shift * below.1),
            below: (step * below.0, step * below.1),
        }
    }

    fn keystone(&self) -> (f64, f64) {
        (self.motion.keystone.0 / self.motion.reach_px, self.motion.keystone.1 / self.motion.reach_px)
    }

    /// Column and row in the frame of what row `y` of the first plane showed, by its columns.
    fn place_in_frame(&self, y: f64) -> (Quotient, Quotient) {
        let (m, (p, q), motion) = (self.motion.matrix(), self.keystone(), self.motion);
        let y = self.step * y + self.first - motion.centre.y;
        let below = (1.0 + q * y, p);
        let column = Quotient { above: (motion.shift_px.0 + m.m12 * y, m.m11), below };
        let row = Quotient { above: (motion.shift_px.1 + m.m22 * y, m.m21), below };
        (self.in_samples(column, motion.centre.x), self.in_samples(row, motion.centre.y))
    }

    /// Column of the frame's row `v` that holds what a column of the first plane showed there: the row that this is of the first
    /// plane follows from (ty + m21 x + m22 y) = v (1 + p x + q y), places counted from the middle.
    fn column_in_frame(&self, v: f64) -> Quotient {
        let (m, (p, q), motion) = (self.motion.matrix(), self.keystone(), self.motion);
        let v = self.step * v + self.first - motion.centre.y;
        let below = m.m22 - v * q;
        let (y, slope) = ((v - motion.shift_px.1) / below, (v * p - m.m21) / below);
        let column = Quotient {
            above: (motion.shift_px.0 + m.m12 * y, m.m11 + m.m12 * slope),
            below: (1.0 + q * y, p + q * slope),
        };
        self.in_samples(column, motion.centre.x)
    }
}

fn split(place: f64) -> (isize, usize) {
    // Cutting off rounds towards nought; floor would be a call where the processor's oldest kind must do.
    let whole = place as isize - isize::from(place < 0.0);
    (whole, ((place - whole as f64) * STEPS as f64 + 0.5) as usize)
}

fn along_row(row: &[u8], u: f64, weights: &[[f32; TAPS]]) -> f32 {
    let (left, step) = split(u);
    let first = left - 2;
    let w = &weights[step];
    if first >= 0 && (first as usize) + TAPS <= row.len() {
        let taps = &row[first as usize..first as usize + TAPS];
        return taps.iter().zip(w).map(|(s, w)| f32::from(*s) * w).sum();
    }
    let at = |k: usize| f32::from(row[(first + k as isize).clamp(0, row.len() as isize - 1) as usize]);
    (0..TAPS).map(|k| at(k) * w[k]).sum()
}

fn along_column(between: &[f32], width: usize, height: usize, x: usize, v: f64, weights: &[[f32; TAPS]]) -> u8 {
    let (top, step) = split(v);
    let first = top - 2;
    let w = &weights[step];
    if first >= 0 && first as usize + TAPS <= height {
        let lines = between[first as usize * width + x..].iter().step_by(width);
        let value: f32 = lines.zip(w).map(|(s, w)| s * w).sum();
        return (value + 0.5).clamp(0.0, 255.0) as u8;
    }
    let at = |k: usize| between[(first + k as isize).clamp(0, height as isize - 1) as usize * width + x];
    let value: f32 = (0..TAPS).map(|k| at(k) * w[k]).sum();
    (value + 0.5).clamp(0.0, 255.0) as u8
}

/// Weights of a Lanczos window of three lobes (C. Lanczos, *Applied Analysis*, 1956, σ-factors), normed so that plain light
/// stays as it is. Straight lines between pixels would blur frames differently, by where they fall.
fn lanczos(t: f32) -> [f32; TAPS] {
    let kernel = |d: f32| {
        let x = std::f32::consts::PI * d;
        if d.abs() < 1e-6 { 1.0 } else { 3.0 * x.sin() * (x / 3.0).sin() / (x * x) }
    };
    let mut weights: [f32; TAPS] = std::array::from_fn(|k| kernel(k as f32 - 2.0 - t));
    let sum: f32 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w /= sum);
    weights
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{ColourMatrix, Transfer};
    use crate::units::PixelPoint;

    /// A smooth pattern, known everywhere.
    fn light(x: f64, y: f64) -> f64 {
        128.0 + 60.0 * (x / 7.0).sin() * (y / 9.0).cos() + 20.0 * (x / 23.0 + y / 31.0).sin()
    }

    fn picture(seen: impl Fn(f64, f64) -> f64) -> Picture {
        let plane = |width: usize, height: usize, step: f64| {
            let first = (step - 1.0) / 2.0;
            let samples = (0..width * height)
                .map(|i| seen(step * (i % width) as f64 + first, step * (i / width) as f64 + first).round() as u8)
                .collect();
            Plane { width, height, samples }
        };
        Picture {
            luma: plane(160, 120, 1.0),
            cb: plane(80, 60, 2.0),
            cr: plane(80, 60, 2.0),
            matrix: ColourMatrix::Bt709,
            transfer: Transfer::Bt709,
        }
    }

    #[test]
    fn a_moved_picture_comes_back() {
        let motion = Motion {
            shift_px: (3.3, -2.6),
            linear: (1.004, 0.012),
            stretch: (0.002, -0.001),
            keystone: (0.006, -0.004),
            ..Motion::rest(160, 120)
        };
        let moved = picture(|x, y| {
            let at = motion.to_first(PixelPoint::new(x, y));
            light(at.x, at.y)
        });
        let still = picture(light);
        let mut back = still.clone();
        back.luma.samples.fill(0);
        Warp::new().onto(&mut back, &moved, &motion);
        for y in 10..110 {
            for x in 10..150 {
                let (a, b) = (back.luma.samples[y * 160 + x], still.luma.samples[y * 160 + x]);
                // Rounding to whole levels at both ends, and the window's ripple of under a hundredth.
                assert!(a.abs_diff(b) <= 2, "{x},{y}: {a} {b}");
            }
        }
        for y in 6..54 {
            for x in 6..74 {
                assert!(back.cb.samples[y * 80 + x].abs_diff(still.cb.samples[y * 80 + x]) <= 3, "{x},{y}");
            }
        }
    }

    #[test]
    fn what_the_frame_does_not_show_stays() {
        let motion = Motion { shift_px: (-30.0, 0.0), ..Motion::rest(160, 120) };
        let mut canvas = picture(|_, _| 7.0);
        Warp::new().onto(&mut canvas, &picture(|_, _| 200.0), &motion);
        assert_eq!((canvas.luma.samples[60 * 160 + 20], canvas.luma.samples[60 * 160 + 60]), (7, 200));
    }
}
