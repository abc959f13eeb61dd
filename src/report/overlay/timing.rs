//! When each frame of the overlay clip is shown.

use super::OverlayOptions;
use crate::measurement::Measurement;

/// How often a standing picture is repeated, so that players which seek by frames don't get lost, s.
const STILL_STEP_S: f64 = 0.1;

/// Turns the stamps of the clip into those of the overlay clip, frame after frame.
pub struct Timing {
    slow_factor: f64,
    freeze_s: f64,
    /// First and last frame of each flight.
    flights: Vec<(usize, usize)>,
    usual_step_s: f64,
    /// Stamp of the frame before in the clip and in the overlay clip.
    previous: Option<(f64, f64)>,
    /// Still to be put between the frame before and the next.
    pause_s: f64,
}

impl Timing {
    pub fn new(measurement: &Measurement, options: &OverlayOptions) -> Self {
        let ends = |f: &crate::measurement::FlightMeasurement| {
            Some((f.sightings.first()?.frame.saturating_sub(1), f.sightings.last()?.frame))
        };
        let played_rate = measurement.clock.frame_rate_hz / measurement.clock.slow_factor;
        Self {
            slow_factor: options.slow_factor,
            freeze_s: options.freeze_s,
            flights: measurement.flights.iter().filter_map(ends).collect(),
            usual_step_s: if played_rate.is_finite() && played_rate > 0.0 { 1.0 / played_rate } else { 1.0 / 30.0 },
            previous: None,
            pause_s: 0.0,
        }
    }

    /// The stamps at which frame `index` is shown: one, or several where the picture stands still.
    ///
    /// A frame without a stamp follows the one before after the usual time.
    pub fn stamps(&mut self, index: usize, stamp_s: Option<f64>) -> Vec<f64> {
        let stamp = stamp_s.unwrap_or_else(|| self.previous.map_or(0.0, |p| p.0 + self.usual_step_s));
        let shown = match self.previous {
            None => stamp,
            Some((before, shown)) => shown + self.pause_s + (stamp - before) * self.pace(index),
        };
        self.previous = Some((stamp, shown));
        self.pause_s = if self.flights.iter().any(|f| f.1 == index) { self.freeze_s } else { 0.0 };
        let repeats = (self.pause_s / STILL_STEP_S).floor() as usize;
        (0..=repeats).map(|i| shown + i as f64 * STILL_STEP_S).filter(|s| *s < shown + self.pause_s.max(1e-9)).collect()
    }

    fn pace(&self, index: usize) -> f64 {
        if self.flights.iter().any(|f| (f.0..=f.1).contains(&index)) { self.slow_factor } else { 1.0 }
    }
}
