//! When frames are taken, which of them reach the file and with what stamp; and how the camera shakes meanwhile.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use super::camera::Vec3;

/// The clock of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Timing {
    /// Frames taken a true second.
    pub capture_hz: f64,
    /// Frames taken, those dropped among them.
    pub frames: usize,
    /// Standard deviation of the true times about an even beat, s.
    pub capture_jitter_s: f64,
    /// Share of frames that never reach the file.
    pub drop_share: f64,
    /// Capture numbers that never reach the file.
    pub dropped: Vec<usize>,
    /// Standard deviation of the stamps about the true times, s of the file's clock.
    pub stamp_jitter_s: f64,
    /// Played seconds per true second: 8 for 240 fps stored at 30.
    pub slow_factor: f64,
    /// An exported slow-motion copy, its ramps baked in: only this piece plays slowly.
    pub ramp: Option<Ramp>,
    /// Whether the file's tags give the capture rate.
    pub capture_tag: bool,
    /// Stamp of the first frame, s.
    pub first_stamp_s: f64,
}

impl Timing {
    /// An even beat, all frames kept, stamps true.
    pub const fn steady(capture_hz: f64, frames: usize) -> Self {
        Self {
            capture_hz,
            frames,
            capture_jitter_s: 0.0,
            drop_share: 0.0,
            dropped: Vec::new(),
            stamp_jitter_s: 0.0,
            slow_factor: 1.0,
            ramp: None,
            capture_tag: false,
            first_stamp_s: 0.0,
        }
    }

    /// True length of the recording, s.
    pub fn duration_s(&self) -> f64 {
        self.frames as f64 / self.capture_hz
    }

    /// The frames that reach the file. Jitter is held to a quarter of the beat, so that times and stamps always rise.
    pub fn schedule(&self, seed: u64) -> Vec<Tick> {
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x71C4);
        let beat = 1.0 / self.capture_hz;
        let mut draw = |sigma: f64, limit: f64| {
            let normal = Normal::new(0.0, sigma).map_or(0.0, |n| n.sample(&mut random));
            (normal.clamp(-limit, limit), random.random::<f64>())
        };
        let mut ticks = Vec::new();
        for capture in 0..self.frames {
            let (late, chance) = draw(self.capture_jitter_s, beat / 4.0);
            let (stamp_error, _) = draw(self.stamp_jitter_s, self.slow_factor * beat / 4.0);
            let even_s = capture as f64 * beat;
            let left_out = self.ramp.is_some_and(|r| !r.keeps(capture, even_s));
            let lost = self.dropped.contains(&capture) || (capture > 0 && chance < self.drop_share);
            if !lost && !left_out {
                let start_s = even_s + late;
                let played_s = self.ramp.map_or(start_s, |r| r.played_s(start_s)) * self.slow_factor;
                ticks.push(Tick { capture, start_s, stamp_s: played_s + stamp_error });
            }
        }
        let first = ticks.first().map_or(0.0, |t| t.stamp_s);
        ticks.iter_mut().for_each(|t| t.stamp_s += self.first_stamp_s - first);
        ticks
    }
}

/// A piece of a recording that plays slowly, at the file's even rate; before and after it the recording plays at true
/// speed, with all but every `factor`-th frame left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ramp {
    /// Its ends, true s.
    pub from_s: f64,
    pub to_s: f64,
    /// Played seconds per true second, a whole number above 1.
    pub factor: u32,
}

impl Ramp {
    /// Played time of a true time, s.
    fn played_s(&self, t: f64) -> f64 {
        let slow = t.clamp(self.from_s, self.to_s) - self.from_s;
        t + slow * (f64::from(self.factor) - 1.0)
    }

    fn keeps(&self, capture: usize, t: f64) -> bool {
        (self.from_s..self.to_s).contains(&t) || capture.is_multiple_of(self.factor as usize)
    }
}

/// One frame that reaches the file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tick {
    /// Number among the frames taken.
    pub capture: usize,
    /// True start of the exposure of line 0 of the displayed picture, s.
    pub start_s: f64,
    /// What the file says, s.
    pub stamp_s: f64,
}

/// How the camera moves, as in a hand: sums of slow swings. The pose of a frame is that of the middle of its exposure.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Shake {
    /// Standard deviation of the turns right and up, degrees.
    pub turn_deg: f64,
    /// Standard deviation of the turn about the axis, degrees.
    pub roll_deg: f64,
    /// Standard deviation of the shift along each axis, m.
    pub shift_m: f64,
    /// Even turns right and up of a stand that gives way, degrees a second.
    pub drift_deg_per_s: [f64; 2],
}

impl Shake {
    pub fn is_still(&self) -> bool {
        *self == Self::default()
    }

    /// How far the turns can move a picture's edge in `duration_s`, px: five sines of equal size together reach √10 standard
    /// deviations.
    pub fn reach_px(&self, camera: &super::Camera, duration_s: f64) -> usize {
        let most = 10.0_f64.sqrt();
        let half_diagonal = (camera.width as f64).hypot(camera.height as f64) / 2.0;
        let drift = self.drift_deg_per_s[0].hypot(self.drift_deg_per_s[1]) * duration_s;
        let turn = 1.5 * camera.focal_px * (most * self.turn_deg + drift).to_radians().tan();
        (turn + half_diagonal * (most * self.roll_deg).to_radians() + 8.0).ceil() as usize
    }

    /// Turns (degrees: right, up, clockwise) and shift (m) at `t` s.
    pub fn at(&self, t: f64, seed: u64) -> ([f64; 3], Vec3) {
        let swing = |axis: u64| swing(seed ^ (0xA5 + axis), t);
        let [right, up] = self.drift_deg_per_s.map(|rate| rate * t);
        let turns = [self.turn_deg * swing(0) + right, self.turn_deg * swing(1) + up, self.roll_deg * swing(2)];
        (turns, Vec3::new(swing(3), swing(4), swing(5)) * self.shift_m)
    }
}

/// A sum of five sines between 0.4 and 6 Hz, slow ones larger, of unit variance.
fn swing(seed: u64, t: f64) -> f64 {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (mut sum, mut variance) = (0.0, 0.0);
    for _ in 0..5 {
        let hz = 0.4 * (15.0_f64).powf(random.random::<f64>());
        let phase = std::f64::consts::TAU * random.random::<f64>();
        let size = 1.0 / hz.sqrt();
        sum += size * (std::f64::consts::TAU * hz * t + phase).sin();
        variance += size * size / 2.0;
    }
    sum / variance.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dropped_frames_leave_gaps_and_stamps_keep_rising() {
        let timing = Timing {
            dropped: vec![3, 4],
            drop_share: 0.1,
            capture_jitter_s: 0.004,
            stamp_jitter_s: 0.006,
            ..Timing::steady(30.0, 200)
        };
        let ticks = timing.schedule(5);
        assert!(ticks.len() < 195 && ticks.len() > 150, "{}", ticks.len());
        assert!(ticks.iter().all(|t| t.capture != 3 && t.capture != 4));
        assert!(ticks.windows(2).all(|w| w[1].stamp_s > w[0].stamp_s && w[1].start_s > w[0].start_s));
    }

    #[test]
    fn a_baked_in_ramp_keeps_the_files_even_beat() {
        let ramp = Some(Ramp { from_s: 0.5, to_s: 1.0, factor: 8 });
        let ticks = Timing { ramp, ..Timing::steady(240.0, 360) }.schedule(1);
        // 15 frames of 1/30 s, 120 slowed ones, 15 more.
        assert_eq!(ticks.len(), 15 + 120 + 15);
        assert!(ticks.windows(2).all(|w| (w[1].stamp_s - w[0].stamp_s - 1.0 / 30.0).abs() < 1e-9));
        assert!((ticks[16].start_s - ticks[15].start_s - 1.0 / 240.0).abs() < 1e-12);
    }

    #[test]
    fn slow_motion_stretches_the_stamps() {
        let ticks = Timing { slow_factor: 8.0, ..Timing::steady(240.0, 9) }.schedule(1);
        assert!((ticks[8].stamp_s - 8.0 / 30.0).abs() < 1e-12 && (ticks[8].start_s - 8.0 / 240.0).abs() < 1e-12);
    }
}
