//! The readout time from the flicker of lamps: they dim a hundred times a second and draw bands across the rows.
//!
//! Means of the rows, compared between frames, follow A cos(2π f (t + s r/H) + φ): f twice the mains frequency, s the readout
//! time. One fit over all frames gives its size and its sign, because the bands also move from frame to frame.

use nalgebra::{Matrix2, Vector2};

use crate::clip::{ClipError, ClipInfo, ClipReport, Frame, FrameSource, Picture, Plane};
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
    /// Logarithms of the bands' means, frame by frame.
    bands: Vec<Vec<f64>>,
}

/// Rows are gathered into this many bands.
const BANDS: usize = 60;
/// One line in so many is read: their noise is still far below the flicker.
const EVERY_LINE: usize = 4;
/// Longest readout that is looked for, s.
const LONGEST_S: f64 = 0.036;
/// Flicker must explain this share of the changes, else something else moved.
const LEAST_EXPLAINED: f64 = 0.5;
/// More frames than this make the readout no surer than the next thing that is uncertain about it.
const MOST_FRAMES: usize = 120;

impl RowMeans {
    /// Rows are those of the sensor: along the displayed picture's y axis for `Down` and `Up`, along x otherwise.
    pub fn new(direction: ReadoutDirection) -> Self {
        let along_x = matches!(direction, ReadoutDirection::Right | ReadoutDirection::Left);
        Self { along_x, bands: Vec::new() }
    }

    /// Takes the next frame's full-range luma.
    pub fn push(&mut self, luma: &Plane) {
        let lines = luma.samples.chunks_exact(luma.width).enumerate().step_by(EVERY_LINE);
        let (mut sums, mut counts) = (vec![0u64; BANDS], vec![0u64; BANDS]);
        if self.along_x {
            let mut columns = vec![0u32; luma.width];
            lines.for_each(|(_, row)| columns.iter_mut().zip(row).for_each(|(sum, s)| *sum += u32::from(*s)));
            for (x, sum) in columns.iter().enumerate() {
                sums[x * BANDS / luma.width] += u64::from(*sum);
                counts[x * BANDS / luma.width] += luma.height.div_ceil(EVERY_LINE) as u64;
            }
        } else {
            for (y, row) in lines {
                sums[y * BANDS / luma.height] += row.iter().map(|s| u64::from(*s)).sum::<u64>();
                counts[y * BANDS / luma.height] += luma.width as u64;
            }
        }
        let mean = |(sum, count): (&u64, &u64)| (*sum as f64 / (*count).max(1) as f64).max(1.0).ln();
        self.bands.push(sums.iter().zip(&counts).map(mean).collect());
    }

    /// Brightness of one band in the middle of the picture, frame by frame: the mean of all would be the flicker's over several
    /// of its periods.
    pub fn middle(&self) -> Vec<f64> {
        let span = BANDS / 2 - 4..BANDS / 2 + 4;
        self.bands.iter().map(|bands| bands[span.clone()].iter().sum::<f64>() / span.len() as f64).collect()
    }

    /// The bands from the first row on, each over the frames.
    pub fn over_time(&self) -> Vec<Vec<f64>> {
        (0..BANDS).map(|band| self.bands.iter().map(|frame| frame[band]).collect()).collect()
    }

    /// The readout time, where lamps flicker enough. `None` in daylight, under lamps without flicker, with exposures of whole
    /// flicker periods, when the bands stand still, and with fewer than eight frames. `times_s` are the frames' true times.
    pub fn estimate(&self, times_s: &[f64]) -> Option<ReadoutEstimate> {
        let changes = self.changes(times_s)?;
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
    fn changes(&self, times_s: &[f64]) -> Option<Vec<(f64, Vec<f64>)>> {
        let n = self.bands.len().min(times_s.len()).min(MOST_FRAMES);
        if n < 8 {
            return None;
        }
        let frames = || self.bands.iter().zip(times_s).take(n);
        let mean = |band: usize| frames().map(|(means, _)| means[band]).sum::<f64>() / n as f64;
        let still: Vec<f64> = (0..BANDS).map(mean).collect();
        let change = |(means, time): (&Vec<f64>, &f64)| {
            let bands: Vec<f64> = means.iter().zip(&still).map(|(v, m)| v - m).collect();
            let own = bands.iter().sum::<f64>() / BANDS as f64;
            (*time, bands.iter().map(|v| v - own).collect())
        };
        Some(frames().map(change).collect())
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

/// Passes frames on and gathers how bright their rows are.
pub struct LampSource<'a> {
    inner: &'a mut dyn FrameSource,
    rows: RowMeans,
}

impl<'a> LampSource<'a> {
    /// `direction` in which the rows follow each other in the displayed picture.
    pub fn new(inner: &'a mut dyn FrameSource, direction: ReadoutDirection) -> Self {
        Self { inner, rows: RowMeans::new(direction) }
    }

    /// What was gathered, as far as frames were read.
    pub fn into_rows(self) -> RowMeans {
        self.rows
    }
}

impl FrameSource for LampSource<'_> {
    fn info(&self) -> &ClipInfo {
        self.inner.info()
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
        let frame = self.inner.next_frame()?;
        if let Some(frame) = &frame
            && self.rows.bands.len() < MOST_LOOKED_AT
        {
            self.rows.push(&frame.picture.luma);
        }
        Ok(frame)
    }

    fn report(&self) -> ClipReport {
        self.inner.report()
    }

    fn frames_stated(&self) -> Option<usize> {
        self.inner.frames_stated()
    }

    fn recycle(&mut self, picture: Picture) {
        self.inner.recycle(picture);
    }
}

/// Frames from which the lamps' frequency is told: ten seconds at 60 a second give it to a millionth, and the grid strays by more.
const MOST_LOOKED_AT: usize = 600;

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    /// Frames of a plain scene with a gradient under lamps that dim by `depth` around their mean.
    fn clip(readout_s: f64, fps: f64, flicker_hz: f64, depth: f64) -> (RowMeans, Vec<f64>) {
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
            means.push(&Plane { width: w, height: h, samples });
        }
        (means, (0..45).map(|k| f64::from(k) / fps).collect())
    }

    #[test]
    fn the_readout_and_its_sign_come_out() {
        for (readout, fps, hz) in
            [(0.015, 30.0, 100.0), (-0.009, 30.0, 100.0), (0.0165, 59.94, 100.05), (0.024, 25.3, 120.0)]
        {
            let (means, times_s) = clip(readout, fps, hz, 0.03);
            let estimate = means.estimate(&times_s).unwrap();
            let error = (estimate.readout_s - readout).abs();
            // Four stated standard uncertainties, and half of the tenth of a millisecond that matters for g.
            assert!(error < 4.0 * estimate.standard_uncertainty_s + 5e-5 && error < 3e-4, "{readout}: {estimate:?}");
            assert!((estimate.flicker_hz - hz).abs() < 0.1);
        }
    }

    #[test]
    fn daylight_and_standing_bands_say_nothing() {
        for (hz, depth) in [(100.0, 0.0), (120.0, 0.03)] {
            // 120 Hz at 30 frames a second: every frame sees the same bands.
            let (means, times_s) = clip(0.015, 30.0, hz, depth);
            assert_eq!(means.estimate(&times_s), None);
        }
    }
}
