//! The readout time from the flicker of lamps: they dim a hundred times a second and draw bands across the rows.
//!
//! Means of the rows, compared between frames, follow A cos(2π f (t + s r/H) + φ): f twice the mains frequency, s the readout
//! time. One fit over all frames gives its size and its sign, because the bands also move from frame to frame.

use nalgebra::{Matrix2, Vector2};

use crate::clip::Plane;
use crate::rig::ReadoutDirection;

/// What the bands say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadoutEstimate {
    /// Time from the first row to the last along the direction asked for, s; negative when the rows run the other way.
    pub readout_s: f64,
    /// Standard uncertainty, s.
    pub standard_uncertainty_s: f64,
    /// Frequency of the flicker, Hz: near 100 or 120.
    pub flicker_hz: f64,
    /// Amplitude of the flicker relative to the light.
    pub amplitude: f64,
    /// Share of the variance of the rows' changes that the flicker explains.
    pub explained: f64,
}

/// Collects the row means of a clip.
#[derive(Debug, Clone)]
pub struct RowMeans {
    along_x: bool,
    frames: Vec<(f64, Vec<f64>)>,
}

/// Rows are gathered into this many bands.
const BANDS: usize = 60;
/// Longest readout that is looked for, s.
const LONGEST_S: f64 = 0.036;
/// Flicker must explain this share of the changes, else something else moved.
const LEAST_EXPLAINED: f64 = 0.5;

impl RowMeans {
    /// Rows are those of the sensor: along the displayed picture's y axis for `Down` and `Up`, along x otherwise.
    pub fn new(direction: ReadoutDirection) -> Self {
        let along_x = matches!(direction, ReadoutDirection::Right | ReadoutDirection::Left);
        Self { along_x, frames: Vec::new() }
    }

    /// Takes a frame's full-range luma and its true time.
    pub fn push(&mut self, luma: &Plane, time_s: f64) {
        let length = if self.along_x { luma.width } else { luma.height };
        let (mut sums, mut counts) = (vec![0.0; BANDS], vec![0.0; BANDS]);
        for (y, row) in luma.samples.chunks_exact(luma.width).enumerate() {
            if self.along_x {
                for (x, sample) in row.iter().enumerate() {
                    sums[x * BANDS / length] += f64::from(*sample);
                    counts[x * BANDS / length] += 1.0;
                }
            } else {
                sums[y * BANDS / length] += row.iter().map(|sample| f64::from(*sample)).sum::<f64>();
                counts[y * BANDS / length] += luma.width as f64;
            }
        }
        let means = sums.iter().zip(counts).map(|(s, n): (&f64, f64)| (s / n.max(1.0)).max(1.0).ln()).collect();
        self.frames.push((time_s, means));
    }

    /// The readout time, where lamps flicker enough. `None` in daylight, under lamps without flicker, with exposures of whole
    /// flicker periods, when the bands stand still, and with fewer than eight frames.
    pub fn estimate(&self) -> Option<ReadoutEstimate> {
        let changes = self.changes()?;
        let total: f64 = changes.iter().flat_map(|(_, bands)| bands).map(|v| v * v).sum();
        let mut best: Option<(f64, f64, f64)> = None;
        for mains in [100.0, 120.0] {
            for step in -4..=4 {
                // The grid strays by some hundredths of a hertz.
                let f = mains + 0.05 * f64::from(step);
                let steps = (LONGEST_S / 2e-4) as i32;
                for s in -steps..=steps {
                    let readout = f64::from(s) * 2e-4;
                    let explained = explained(&changes, f, readout).0;
                    if best.is_none_or(|b| explained > b.0) {
                        best = Some((explained, f, readout));
                    }
                }
            }
        }
        let (_, f, coarse) = best?;
        let readout = sharpen(|s| explained(&changes, f, s).0, coarse, 2e-4);
        self.judge(&changes, total, f, readout)
    }

    fn judge(&self, changes: &[(f64, Vec<f64>)], total: f64, f: f64, readout: f64) -> Option<ReadoutEstimate> {
        let (gain, amplitude) = explained(changes, f, readout);
        // The same bands running the other way fit as well where the flicker's phase doesn't advance between frames.
        let mirrored = explained(changes, f, -readout).0;
        let n = (changes.len() * BANDS) as f64;
        let variance = (total - gain) / n;
        // At best, rows of one frame are as uncertain as their noise; neighbouring bands share what else changes: one in four counts.
        let h = 5e-5;
        let curvature =
            (2.0 * gain - explained(changes, f, readout + h).0 - explained(changes, f, readout - h).0) / (h * h);
        let told_apart = gain - mirrored > 20.0 * variance;
        let clear = gain / total > LEAST_EXPLAINED && curvature > 0.0 && readout.abs() < LONGEST_S - 4e-4;
        (clear && told_apart).then(|| ReadoutEstimate {
            readout_s: readout,
            standard_uncertainty_s: (2.0 * 4.0 * variance / curvature).sqrt(),
            flicker_hz: f,
            amplitude,
            explained: gain / total,
        })
    }

    /// Logarithms of the bands less their mean over time, and less each frame's own mean (exposure control).
    fn changes(&self) -> Option<Vec<(f64, Vec<f64>)>> {
        let n = self.frames.len();
        if n < 8 {
            return None;
        }
        let mean = |band: usize| self.frames.iter().map(|(_, means)| means[band]).sum::<f64>() / n as f64;
        let still: Vec<f64> = (0..BANDS).map(mean).collect();
        let change = |(time, means): &(f64, Vec<f64>)| {
            let bands: Vec<f64> = means.iter().zip(&still).map(|(v, m)| v - m).collect();
            let own = bands.iter().sum::<f64>() / BANDS as f64;
            (*time, bands.iter().map(|v| v - own).collect())
        };
        Some(self.frames.iter().map(change).collect())
    }
}

/// Sum of squares that flicker of frequency `f` seen with a readout explains, and its amplitude.
fn explained(changes: &[(f64, Vec<f64>)], f: f64, readout: f64) -> (f64, f64) {
    // One cosine and sine per band, turned by each frame's phase; the frame's mean is taken out of the model as of the data.
    let waves: Vec<(f64, f64)> = (0..BANDS)
        .map(|band| (std::f64::consts::TAU * f * readout * (band as f64 + 0.5) / BANDS as f64).sin_cos())
        .map(|(s, c)| (c, s))
        .collect();
    let mean = waves.iter().fold((0.0, 0.0), |m, w| (m.0 + w.0 / BANDS as f64, m.1 + w.1 / BANDS as f64));
    let (mut normal, mut right) = (Matrix2::zeros(), Vector2::zeros());
    for (time, bands) in changes {
        let (s, c) = (std::f64::consts::TAU * f * time).sin_cos();
        for (value, (wc, ws)) in bands.iter().zip(&waves) {
            let (wc, ws) = (wc - mean.0, ws - mean.1);
            let row = Vector2::new(c * wc - s * ws, s * wc + c * ws);
            normal += row * row.transpose();
            right += row * *value;
        }
    }
    let Some(solution) = normal.cholesky().map(|factor| factor.solve(&right)) else { return (0.0, 0.0) };
    (solution.dot(&right), solution.norm())
}

/// Top of a smooth hill near `start`, by halving the step.
fn sharpen(height: impl Fn(f64) -> f64, start: f64, step: f64) -> f64 {
    let (mut at, mut top, mut step) = (start, height(start), step / 2.0);
    while step > 1e-7 {
        let better = [at - step, at + step].into_iter().map(|s| (height(s), s)).find(|(h, _)| *h > top);
        match better {
            Some((h, s)) => (top, at) = (h, s),
            None => step /= 2.0,
        }
    }
    at
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    /// Frames of a plain scene with a gradient under lamps that dim by `depth` around their mean.
    fn clip(readout_s: f64, fps: f64, flicker_hz: f64, depth: f64) -> RowMeans {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(2);
        let noise = Normal::new(0.0, 2.5).unwrap();
        let mut means = RowMeans::new(ReadoutDirection::Down);
        let (w, h) = (160, 240);
        for k in 0..45 {
            let t = f64::from(k) / fps;
            let mut samples = Vec::with_capacity(w * h);
            for y in 0..h {
                let phase = std::f64::consts::TAU * flicker_hz * (t + readout_s * (y as f64 + 0.5) / h as f64) + 0.7;
                let light = (90.0 + 0.2 * y as f64) * (1.0 + depth * phase.cos());
                samples.extend((0..w).map(|_| (light + noise.sample(&mut rng)).round().clamp(0.0, 255.0) as u8));
            }
            means.push(&Plane { width: w, height: h, samples }, t);
        }
        means
    }

    #[test]
    fn the_readout_and_its_sign_come_out() {
        for (readout, fps, hz) in
            [(0.015, 30.0, 100.0), (-0.009, 30.0, 100.0), (0.0165, 59.94, 100.05), (0.024, 25.3, 120.0)]
        {
            let estimate = clip(readout, fps, hz, 0.03).estimate().unwrap();
            println!("{estimate:?}");
            let error = (estimate.readout_s - readout).abs();
            // Four stated standard uncertainties, and half of the tenth of a millisecond that matters for g.
            assert!(error < 4.0 * estimate.standard_uncertainty_s + 5e-5 && error < 3e-4, "{readout}: {estimate:?}");
            assert!((estimate.flicker_hz - hz).abs() < 0.1);
        }
    }

    #[test]
    fn daylight_and_standing_bands_say_nothing() {
        assert_eq!(clip(0.015, 30.0, 100.0, 0.0).estimate(), None);
        // 120 Hz at 30 frames a second: every frame sees the same bands.
        assert_eq!(clip(0.015, 30.0, 120.0, 0.03).estimate(), None);
    }
}
