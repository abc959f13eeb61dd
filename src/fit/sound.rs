//! The sound track as a clock: from the launcher's click to the landing's thud.

use serde::{Deserialize, Serialize};

/// Speed of sound in air of 20 °C, m/s (ISO 9613-1 gives 343.2).
pub const SPEED_OF_SOUND_M_PER_S: f64 = 343.2;

/// Length of the windows in which loudness is taken, s; the standard uncertainty of an onset is about as much.
const WINDOW_S: f64 = 0.001;

/// Loudness over the usual level, both as root mean square, from which a sound counts as sudden.
const SUDDEN: f64 = 5.0;

/// After an onset nothing is an onset for so long: the click rings.
const DEAF_S: f64 = 0.060;

/// A sudden sound.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Onset {
    /// On the clock of the sound track, s from its first sample.
    pub time_s: f64,
    pub standard_uncertainty_s: f64,
    /// Loudness over the usual level just before it.
    pub strength: f64,
}

/// Finds sudden sounds in one channel of samples, in order of time.
///
/// Works on differences of neighbouring samples, in which hum is weak and clicks are strong; loudness in windows of 1 ms is
/// compared with the median of the 100 ms before. Too short a track (under 0.15 s) or a rate below 4 kHz gives none.
pub fn onsets(samples: &[f32], rate_hz: f64) -> Vec<Onset> {
    let window = (WINDOW_S * rate_hz).round() as usize;
    if window < 4 || (samples.len() as f64) < 0.15 * rate_hz {
        return Vec::new();
    }
    let loudness: Vec<f64> = samples
        .windows(2)
        .map(|w| f64::from(w[1] - w[0]))
        .collect::<Vec<f64>>()
        .chunks_exact(window)
        .map(|c| (c.iter().map(|d| d * d).sum::<f64>() / window as f64).sqrt())
        .collect();
    let before = (0.100 / WINDOW_S) as usize;
    let mut found: Vec<Onset> = Vec::new();
    // Digital silence has no level: a thousandth of the loudest stands in.
    let floor = 1e-3 * loudness.iter().copied().fold(0.0, f64::max);
    for i in 20..loudness.len() {
        let usual = median(&loudness[i.saturating_sub(before)..i]).max(floor).max(f64::MIN_POSITIVE);
        let strength = loudness[i] / usual;
        let time_s = i as f64 * window as f64 / rate_hz;
        let deaf = found.last().is_some_and(|o| time_s - o.time_s < DEAF_S);
        if strength > SUDDEN && !deaf {
            found.push(Onset { time_s: time_s + 0.5 * WINDOW_S, standard_uncertainty_s: WINDOW_S, strength });
        }
    }
    found
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// A flight time from the sound track.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SoundFlight {
    pub launch: Onset,
    pub landing: Onset,
    pub duration_s: f64,
    pub standard_uncertainty_s: f64,
}

impl SoundFlight {
    /// Stated over true time, with its relative standard uncertainty, when the picture gives `pictured_s` for the same flight.
    pub fn time_factor(&self, pictured_s: f64, pictured_u_s: f64) -> (f64, f64) {
        let relative = (self.standard_uncertainty_s / self.duration_s).hypot(pictured_u_s / pictured_s);
        (pictured_s / self.duration_s, relative)
    }
}

/// The pair of onsets that belongs to a flight which the picture has begin and end at these times (on the sound track's
/// clock) to within `reach_s` each; the strongest pair when there are several.
///
/// `farther_m` is how much farther the landing is from the phone than the launcher, with its standard uncertainty: a metre
/// is 3 ms of delay, which is taken off.
pub fn flight_by_sound(
    onsets: &[Onset],
    (begins_s, ends_s): (f64, f64),
    reach_s: f64,
    farther_m: (f64, f64),
) -> Option<SoundFlight> {
    let near = |at: f64| {
        let close = onsets.iter().filter(move |o| (o.time_s - at).abs() <= reach_s);
        close.max_by(|a, b| a.strength.total_cmp(&b.strength)).copied()
    };
    let (launch, landing) = (near(begins_s)?, near(ends_s)?);
    let duration_s = landing.time_s - launch.time_s - farther_m.0 / SPEED_OF_SOUND_M_PER_S;
    let standard_uncertainty_s =
        launch.standard_uncertainty_s.hypot(landing.standard_uncertainty_s).hypot(farther_m.1 / SPEED_OF_SOUND_M_PER_S);
    (duration_s > 0.0).then_some(SoundFlight { launch, landing, duration_s, standard_uncertainty_s })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// A room with hum and noise, a click at one time and a duller thud at another.
    fn room(rate: f64, seconds: f64, click_s: f64, thud_s: f64, seed: u64) -> Vec<f32> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..(seconds * rate) as usize)
            .map(|i| {
                let t = i as f64 / rate;
                let z: f64 = StandardNormal.sample(&mut random);
                let hum = 0.05 * (std::f64::consts::TAU * 50.0 * t).sin();
                let burst = |at: f64, pitch: f64, decay: f64, loud: f64| {
                    let since = t - at;
                    if since < 0.0 {
                        0.0
                    } else {
                        loud * (-since / decay).exp() * (std::f64::consts::TAU * pitch * since).sin()
                    }
                };
                (hum + 0.003 * z + burst(click_s, 2500.0, 0.004, 0.5) + burst(thud_s, 700.0, 0.015, 0.6)) as f32
            })
            .collect()
    }

    #[test]
    fn click_and_thud_give_the_flight_time() {
        for seed in 0..20 {
            let (click, thud) = (0.61234 + 0.001 * seed as f64, 1.17291);
            let found = onsets(&room(44_100.0, 2.0, click, thud, seed), 44_100.0);
            assert_eq!(found.len(), 2, "{found:?}");
            let flight = flight_by_sound(&found, (0.6, 1.2), 0.1, (0.0, 0.3)).unwrap();
            // The aim is 1 to 2 ms.
            assert!((flight.duration_s - (thud - click)).abs() < 2e-3, "{flight:?}");
            assert!(flight.standard_uncertainty_s < 2e-3);
        }
    }

    #[test]
    fn distance_delays_the_thud() {
        let onset = |time_s: f64| Onset { time_s, standard_uncertainty_s: 0.001, strength: 10.0 };
        let flight = flight_by_sound(&[onset(1.0), onset(1.5)], (1.0, 1.5), 0.05, (1.7160, 0.0)).unwrap();
        assert!((flight.duration_s - 0.495).abs() < 1e-12);
        let (factor, u) = flight.time_factor(0.99, 0.0);
        assert!((factor - 2.0).abs() < 1e-12 && (u - 0.002_f64.sqrt() * 0.001_f64.sqrt() / 0.495).abs() < 1e-6);
    }

    #[test]
    fn silence_and_noise_have_no_onsets() {
        assert!(onsets(&[0.0; 44_100], 44_100.0).is_empty());
        let quiet = room(44_100.0, 2.0, 9.0, 9.0, 3);
        assert!(onsets(&quiet, 44_100.0).is_empty());
        assert!(onsets(&[], 44_100.0).is_empty());
        assert!(onsets(&quiet, 10.0).is_empty());
    }
}
