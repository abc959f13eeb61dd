//! The lamps of a scene.

use super::camera::Vec3;
use super::sensor::Gain;

/// How the scene is lit.
#[derive(Debug, Clone, PartialEq)]
pub struct Light {
    /// Direction from the scene to the lamp; its length does not matter.
    pub towards_lamp: [f64; 3],
    /// Factor on everything; a white wall of reflectance 1 fills the sensor at 1.
    pub level: f64,
    /// How dark a ball's shadow is at its touching point, 0 to 1; 0 for none.
    pub shadow: f64,
    pub flicker: Option<Flicker>,
    /// Change of the exposure a second, as a share.
    pub drift_per_s: f64,
}

/// The flicker of lamps on alternating current: twice the mains frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flicker {
    /// 100 or 120 Hz.
    pub hz: f64,
    /// Amplitude as a share of the mean.
    pub depth: f64,
}

impl Light {
    /// Steady light from above the camera's left shoulder, without shadows.
    pub const STEADY: Self =
        Self { towards_lamp: [-0.5, 0.75, 0.55], level: 1.0, shadow: 0.0, flicker: None, drift_per_s: 0.0 };

    pub fn direction(&self) -> Vec3 {
        Vec3::from(self.towards_lamp).normalize()
    }

    /// Brightness of a line exposed from `start_s` for `exposure_s`, against the mean: the flicker's mean over the exposure.
    pub fn gain(&self, start_s: f64, exposure_s: f64) -> f64 {
        let middle = start_s + exposure_s / 2.0;
        let flicker = self.flicker.map_or(0.0, |f| {
            let half_turn = std::f64::consts::PI * f.hz * exposure_s;
            let kept = if half_turn > 1e-9 { half_turn.sin() / half_turn } else { 1.0 };
            f.depth * kept * (std::f64::consts::TAU * f.hz * middle).sin()
        });
        (1.0 + self.drift_per_s * middle) * (1.0 + flicker)
    }

    fn is_steady(&self) -> bool {
        self.drift_per_s == 0.0 && self.flicker.is_none()
    }

    /// The gain of each line of a frame, from the delays of its lines.
    pub fn gains(&self, start_s: f64, shutter: &super::Shutter, width: usize, height: usize) -> Gain {
        if self.is_steady() {
            return Gain::Even(1.0);
        }
        let (lines, rows) = match shutter.lines {
            super::Lines::Rows => (height, true),
            super::Lines::Columns => (width, false),
        };
        let line =
            |i: usize| self.gain(start_s + shutter.readout_s * i as f64 / lines as f64, shutter.exposure_s) as f32;
        if shutter.readout_s == 0.0 {
            Gain::Even(line(0))
        } else if rows {
            Gain::Rows((0..lines).map(line).collect())
        } else {
            Gain::Columns((0..lines).map(line).collect())
        }
    }
}
