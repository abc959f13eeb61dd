//! Mains flicker as a clock: lamps flicker at twice the mains frequency, whatever the file says of its frame rate.

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use crate::maths::least_squares::linear_fit;

/// Relative standard uncertainty of the grid's frequency: ±0.02 to 0.05 Hz of 50 Hz (from memory).
pub const GRID_RELATIVE: f64 = 0.0007;

/// Share of the Nyquist frequency below which a flicker is too slow to tell from drifting light.
const SLOWEST_CYCLES_PER_FRAME: f64 = 0.004;

/// A flicker found in the brightness of a clip's frames.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Flicker {
    /// Aliased frequency in cycles per frame, 0 to 0.5: free of any clock.
    pub cycles_per_frame: f64,
    pub standard_uncertainty: f64,
    /// Amplitude over the standard deviation of what is left.
    pub signal_to_noise: f64,
}

/// One way to read a flicker.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FlickerReading {
    pub mains_hz: f64,
    /// True frame rate that it implies, with its relative standard uncertainty (the grid's included).
    pub frame_rate_hz: f64,
    pub relative_standard_uncertainty: f64,
    /// True when the alias runs forwards: brightness phase grows from frame to frame.
    pub forwards: bool,
}

impl FlickerReading {
    /// Stated over true time when the file states that frame rate.
    pub fn time_factor(&self, stated_rate_hz: f64) -> f64 {
        self.frame_rate_hz / stated_rate_hz
    }
}

/// Finds the strongest flicker in the mean brightness of successive frames, evenly spaced; at least 30.
///
/// `None` when no frequency stands out: the chance of a peak that high in plain noise is below one in a thousand (Fisher
/// 1929), or when it is too slow to tell from drifting light.
///
/// The uncertainty is the bound √(24/(S²·N³))/2π cycles per frame (the Cramér–Rao bound of a sinusoid's frequency, with S
/// amplitude over noise).
pub fn find_flicker(brightness: &[f64]) -> Option<Flicker> {
    let n = brightness.len();
    if n < 30 || brightness.iter().any(|b| !b.is_finite()) {
        return None;
    }
    let times: Vec<f64> = (0..n).map(|i| i as f64 - 0.5 * (n - 1) as f64).collect();
    let flat = without_drift(&times, brightness)?;
    let fine = 8 * n;
    let power = |f: f64| spectrum(&times, &flat, f);
    let frequencies = (1..=fine / 2).map(|k| k as f64 / fine as f64).filter(|f| *f >= SLOWEST_CYCLES_PER_FRAME);
    let best = frequencies.max_by(|a, b| power(*a).total_cmp(&power(*b)))?;
    let found = golden(&power, best - 1.0 / fine as f64, (best + 1.0 / fine as f64).min(0.5));
    let total: f64 = flat.iter().map(|v| v * v).sum();
    // Share of the variance in one of n/2 frequencies; its chance in noise is about n/2·(1 − share)^(n/2 − 1).
    let share = (2.0 * power(found) / (n as f64 * total)).min(1.0 - 1e-12);
    let half = 0.5 * n as f64;
    if half * (1.0 - share).powf(half - 1.0) > 1e-3 {
        return None;
    }
    let amplitude = 2.0 * power(found).sqrt() / n as f64;
    let rest = (total * (1.0 - share) / n as f64).sqrt();
    let signal_to_noise = amplitude / rest;
    let standard_uncertainty = (24.0 / (signal_to_noise.powi(2) * (n as f64).powi(3))).sqrt() / std::f64::consts::TAU;
    Some(Flicker { cycles_per_frame: found, standard_uncertainty, signal_to_noise })
}

/// The readings of a flicker whose frame rate lies within `reach` (relative) of one of `rates_hz`, nearest first: the stated
/// rate, and those at which phones record slow motion.
pub fn read_flicker(flicker: &Flicker, rates_hz: &[f64], reach: f64) -> Vec<FlickerReading> {
    let mut readings: Vec<(f64, FlickerReading)> = Vec::new();
    for mains_hz in [50.0, 60.0] {
        for n in 0..12 {
            for (forwards, cycles) in
                [(true, f64::from(n) + flicker.cycles_per_frame), (false, f64::from(n) - flicker.cycles_per_frame)]
            {
                // A 50 Hz lamp flickers 100 times a second, seen `cycles` periods apart.
                let rate = 2.0 * mains_hz / cycles;
                let off = rates_hz.iter().map(|r| (rate / r - 1.0).abs()).fold(f64::INFINITY, f64::min);
                if cycles > 0.1 && off <= reach {
                    let own = flicker.standard_uncertainty / cycles;
                    let relative_standard_uncertainty = own.hypot(GRID_RELATIVE);
                    let reading =
                        FlickerReading { mains_hz, frame_rate_hz: rate, relative_standard_uncertainty, forwards };
                    readings.push((off, reading));
                }
            }
        }
    }
    readings.sort_by(|a, b| a.0.total_cmp(&b.0));
    readings.into_iter().map(|(_, reading)| reading).collect()
}

/// Readout of the shutter from the bands of a flicker, s, above zero when the first row given is read first, and its standard
/// uncertainty.
///
/// `rows` holds the brightness of equal strips of the picture along the readout (at least 8), each over the same successive
/// frames. The light's phase runs on by 2·mains·readout cycles from the first strip to beyond the last. `None` when strips
/// don't flicker or readings run past `longest_s`.
pub fn readout_from_bands(
    rows: &[Vec<f64>],
    flicker: &Flicker,
    reading: &FlickerReading,
    longest_s: f64,
) -> Option<(f64, f64)> {
    let count = rows.len();
    if count < 8 {
        return None;
    }
    let phasors: Vec<(f64, f64)> =
        rows.iter().map(|row| phasor(row, flicker.cycles_per_frame)).collect::<Option<_>>()?;
    // Bands of the picture: cycles from the first strip to beyond the last, up or down.
    let most = 2.0 * reading.mains_hz * longest_s;
    let strength = |bands: f64| {
        let turned = phasors.iter().enumerate().map(|(r, (re, im))| {
            let (sin, cos) = (std::f64::consts::TAU * bands * r as f64 / count as f64).sin_cos();
            (re * cos + im * sin, im * cos - re * sin)
        });
        let (re, im) = turned.fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
        re.hypot(im)
    };
    let steps = (most * 40.0).ceil() as i32;
    let tried = (-steps..=steps).map(|k| f64::from(k) / 40.0);
    let best = tried.max_by(|a, b| strength(*a).total_cmp(&strength(*b)))?;
    let bands = golden(&strength, best - 0.025, best + 0.025);
    let coherence = strength(bands) / phasors.iter().map(|(re, im)| re.hypot(*im)).sum::<f64>();
    if coherence < 0.5 {
        return None;
    }
    // Phase noise of a strip from the coherence, spread over a line of `count` strips.
    let phase_sd = (-2.0 * coherence.min(1.0 - 1e-9).ln()).sqrt();
    let slope_u = phase_sd * (12.0 / count as f64).sqrt() / std::f64::consts::TAU;
    let sign = if reading.forwards { 1.0 } else { -1.0 };
    Some((sign * bands / (2.0 * reading.mains_hz), slope_u / (2.0 * reading.mains_hz)))
}

/// Brightness less a parabola over time: lamps warm up and exposure drifts.
fn without_drift(times: &[f64], values: &[f64]) -> Option<Vec<f64>> {
    let scale = times.last()?.abs().max(1.0);
    let design = DMatrix::from_fn(times.len(), 3, |i, j| (times[i] / scale).powi(j as i32));
    linear_fit(&design, values, None, true).ok().map(|fit| fit.residuals)
}

fn spectrum(times: &[f64], values: &[f64], frequency: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (t, v) in times.iter().zip(values) {
        let (sin, cos) = (std::f64::consts::TAU * frequency * t).sin_cos();
        re += v * cos;
        im += v * sin;
    }
    re * re + im * im
}

fn phasor(row: &[f64], frequency: f64) -> Option<(f64, f64)> {
    let times: Vec<f64> = (0..row.len()).map(|i| i as f64).collect();
    let flat = without_drift(&times, row)?;
    let (mut re, mut im) = (0.0, 0.0);
    for (t, v) in times.iter().zip(&flat) {
        let (sin, cos) = (std::f64::consts::TAU * frequency * t).sin_cos();
        re += v * cos;
        im -= v * sin;
    }
    Some((re, im))
}

/// Place of the greatest value between two ends, by golden sections.
fn golden(function: &impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let ratio = 0.5 * (5f64.sqrt() - 1.0);
    for _ in 0..60 {
        let (a, b) = (high - ratio * (high - low), low + ratio * (high - low));
        if function(a) < function(b) { low = a } else { high = b }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn lamp(rate: f64, mains: f64, frames: usize, signal_to_noise: f64, row: f64, readout: f64, seed: u64) -> Vec<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..frames)
            .map(|k| {
                let t = k as f64 / rate + readout * row;
                let z: f64 = StandardNormal.sample(&mut random);
                100.0 + 0.02 * k as f64 + signal_to_noise * (std::f64::consts::TAU * 2.0 * mains * t + 0.7).cos() + z
            })
            .collect()
    }

    /// Aliases as published for lamps at 100 Hz ("Analysis of rolling shutter effect on ENF based video forensics", 2019):
    /// 30 fps → 10.00 Hz, 29.97 → 10.09, 60 → 20.0.
    #[test]
    fn aliases_fall_where_they_are_known_to() {
        for (rate, alias) in [(30.0, 10.0), (30.0 / 1.001, 10.09), (60.0, 20.0)] {
            let flicker = find_flicker(&lamp(rate, 50.0, 90, 5.0, 0.0, 0.0, 1)).unwrap();
            assert!((flicker.cycles_per_frame * rate - alias).abs() < 0.03, "{rate}: {flicker:?}");
        }
    }

    #[test]
    fn the_true_rate_comes_out_within_its_uncertainty() {
        // A file that says 30 and was filmed at 29.871: a real phone's, off by 0.9 % of g.
        let mut outside = 0;
        for seed in 0..60 {
            let flicker = find_flicker(&lamp(29.871, 50.0, 90, 5.0, 0.0, 0.0, seed)).unwrap();
            let reading = read_flicker(&flicker, &[30.0], 0.02)[0];
            let own = (reading.relative_standard_uncertainty.powi(2) - GRID_RELATIVE.powi(2)).sqrt();
            outside += usize::from((reading.frame_rate_hz / 29.871 - 1.0).abs() > 2.0 * own);
            assert!((reading.time_factor(30.0) - 29.871 / 30.0).abs() < 5e-4);
        }
        // 5 % of 60 is 3; nine or more would be a chance of one in a thousand.
        assert!(outside < 9, "{outside}");
    }

    #[test]
    fn slow_motion_shows_in_the_flicker() {
        // Filmed at 240, stated as 30.
        let flicker = find_flicker(&lamp(240.0, 50.0, 300, 3.0, 0.0, 0.0, 4)).unwrap();
        let readings = read_flicker(&flicker, &[30.0, 120.0, 240.0], 0.01);
        assert!(readings.iter().any(|r| (r.frame_rate_hz - 240.0).abs() < 0.1), "{readings:?}");
    }

    #[test]
    fn noise_and_useless_rates_give_nothing() {
        // 60 Hz mains at 60 and 30 fps: the alias is at nought.
        assert_eq!(find_flicker(&lamp(60.0, 60.0, 120, 5.0, 0.0, 0.0, 2)), None);
        let false_alarms = (0..50).filter(|s| find_flicker(&lamp(30.0, 50.0, 90, 0.0, 0.0, 0.0, *s)).is_some()).count();
        assert!(false_alarms <= 1, "{false_alarms}");
        assert_eq!(find_flicker(&[1.0; 10]), None);
        assert_eq!(find_flicker(&[f64::NAN; 40]), None);
    }

    #[test]
    fn bands_give_the_readout_and_its_direction() {
        for (rate, readout) in [(30.0, 0.015), (30.0, -0.0225), (59.94, 0.008), (24.0, 0.012)] {
            let rows: Vec<Vec<f64>> =
                (0..32).map(|r| lamp(rate, 50.0, 90, 5.0, f64::from(r) / 32.0, readout, r as u64)).collect();
            let mean: Vec<f64> = (0..90).map(|k| rows.iter().map(|r| r[k]).sum::<f64>() / 32.0).collect();
            let flicker = find_flicker(&mean).unwrap();
            let reading = read_flicker(&flicker, &[rate], 0.01)[0];
            let (got, u) = readout_from_bands(&rows, &flicker, &reading, 0.035).unwrap();
            assert!((got - readout).abs() < 4.0 * u + 1e-4, "{readout}: {got} ± {u}");
            assert!(u < 0.5e-3);
        }
    }
}
