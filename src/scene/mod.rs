//! Renders recordings with a known truth, for the demo, the tests and the benchmarks.
//!
//! A [`Scene`] says what there is: camera, clock, lamps, sensor, set, balls and other movers. [`render`] gives its pictures
//! one after the other, [`truth`] where everything really is, [`source`] feeds the measuring core without an encoder.
//! The physics and the projection here are written apart from those of the measuring stages, so that one can check the other.
//!
//! Frame of reference: metres, x right as the camera sees it, y up, z towards the camera; balls fly in planes of constant
//! z. Light is linear, 0 to 1, until the sensor's noise is added; then the BT.709 curve and 8 bits. Everything random
//! comes from the scene's seed; the result does not depend on the number of threads.
//!
//! ```
//! use lobline::scene::{presets, render, truth};
//! let mut scene = presets::clean_60fps(7);
//! scene.timing.frames = 30;
//! let (picture, stamp_s) = render(&scene).nth(24).expect("a 25th frame");
//! assert_eq!((picture.width(), stamp_s), (1280, 24.0 / 60.0));
//! let truth = truth(&scene);
//! let (frame, ball) = truth.in_flight(0, 1.0).next().expect("a frame of free flight");
//! assert!(frame.start_s > truth.flights[0].release_s && ball.radius_px > 8.0);
//! ```

mod camera;
mod coat;
mod light;
mod motion;
mod movers;
mod paint;
mod print;
mod processing;
mod record;
mod render;
mod sensor;
mod set;
mod stage;
mod timing;
mod truth;
mod warp;

pub mod presets;

pub use camera::{Camera, Lines, Shutter, Vec3, View};
pub use light::{Flicker, Light};
pub use motion::{Air, Ball, Impact, Launch, Launcher, Path, Phase, Surface};
pub use movers::Mover;
pub use paint::{Paint, Raster, Rgb};
pub use print::Print;
pub use processing::{Grain, Processing, Sharpening};
pub use record::{options_for, record, record_with};
pub use render::{Renderer, SceneSource, render, source};
pub use sensor::{Sensor, bt709_oetf};
pub use set::{Outline, Piece};
pub use timing::{Ramp, Shake, Tick, Timing};
pub use truth::{BallTruth, FlightTruth, FrameTruth, ScaleTruth, Truth, truth};

/// A length that is marked in the scene, between two end marks.
#[derive(Debug, Clone, PartialEq)]
pub struct ScaleBar {
    /// Ends, m.
    pub a_m: [f64; 3],
    pub b_m: [f64; 3],
    pub thickness_m: f64,
    /// Dark and light bands from end to end.
    pub bands: u32,
}

impl ScaleBar {
    /// A level batten of one metre, its left end at `a_m`.
    pub const fn metre(a_m: [f64; 3]) -> Self {
        Self { a_m, b_m: [a_m[0] + 1.0, a_m[1], a_m[2]], thickness_m: 0.03, bands: 10 }
    }

    /// Distance between the end marks, m.
    pub fn length_m(&self) -> f64 {
        (Vec3::from(self.b_m) - Vec3::from(self.a_m)).norm()
    }

    /// The batten and its end marks as pieces of the set.
    fn pieces(&self) -> Vec<Piece> {
        let paint = Paint::Batten { length_m: self.length_m() as f32, bands: self.bands };
        let beam = Piece::beam(self.a_m, self.b_m, self.thickness_m, paint);
        let radius = 0.6 * self.thickness_m;
        let mark = |at: [f64; 3]| {
            let paint = Paint::Target { radius_m: radius as f32, outer: [0.0, 0.16, 0.45], inner: [0.85; 3] };
            // A millimetre nearer than the batten, so that the mark lies on it.
            Piece::upright([at[0], at[1], at[2] + 1e-3], Outline::Disc { radius_m: radius }, paint)
        };
        vec![beam, mark(self.a_m), mark(self.b_m)]
    }
}

/// Everything that a recording shows and how it is taken.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Short name, used for files.
    pub name: String,
    pub seed: u64,
    pub camera: Camera,
    pub shutter: Shutter,
    pub shake: Shake,
    pub timing: Timing,
    pub light: Light,
    pub sensor: Sensor,
    /// What happens to the picture afterwards, in the device or on its way.
    pub processing: Processing,
    /// The still set, nearest wins; at most 250 pieces.
    pub set: Vec<Piece>,
    pub scales: Vec<ScaleBar>,
    pub movers: Vec<Mover>,
    pub launches: Vec<Launch>,
    pub surfaces: Vec<Surface>,
    pub air: Air,
    /// m/s², downwards.
    pub gravity_m_per_s2: f64,
    /// Clockwise quarter turns that a player applies to the stored picture; the pictures here are the displayed ones.
    pub quarter_turns: u8,
}

impl Scene {
    /// An empty scene before a plain grey wall: 1280×720 at 60 frames a second, camera 4 m from the flight plane at height
    /// 1.2 m, 250 px/m.
    pub fn plain(name: &str, seed: u64) -> Self {
        Self {
            name: name.to_owned(),
            seed,
            camera: Camera::square_on(1280, 720, 1000.0, (1.5, 1.2), 4.0),
            shutter: Shutter { exposure_s: 0.002, readout_s: 0.0, lines: Lines::Rows },
            shake: Shake::default(),
            timing: Timing::steady(60.0, 90),
            light: Light::STEADY,
            sensor: Sensor::GOOD_LIGHT,
            processing: Processing::default(),
            set: vec![Piece::wall(-1.5, Paint::Plain([0.22, 0.23, 0.24]))],
            scales: vec![ScaleBar::metre([0.0, 0.05, 0.0])],
            movers: Vec::new(),
            launches: Vec::new(),
            surfaces: vec![Surface {
                height_m: -0.1,
                from_x_m: -20.0,
                to_x_m: 20.0,
                restitution: Some(0.55),
                grip: 0.85,
            }],
            air: Air::ROOM,
            gravity_m_per_s2: 9.81,
            quarter_turns: 0,
        }
    }

    /// The paths of all balls over the recording.
    pub fn paths(&self) -> Vec<Path> {
        let until = self.timing.duration_s() + 0.5;
        let path = |l: &Launch| Path::new(l, &self.air, self.gravity_m_per_s2, &self.surfaces, until);
        self.launches.iter().map(path).collect()
    }

    /// All still pieces: the set, the scales, and the tubes of hidden launchers.
    pub fn pieces(&self) -> Vec<Piece> {
        let mut pieces = self.set.clone();
        pieces.extend(self.scales.iter().flat_map(ScaleBar::pieces));
        let mut tubes: Vec<Piece> = Vec::new();
        for tube in self.launches.iter().filter_map(tube) {
            let twin = tubes.iter().any(|t| t.origin_m == tube.origin_m && t.right == tube.right);
            if !twin {
                tubes.push(tube);
            }
        }
        pieces.extend(tubes);
        pieces
    }

    /// The camera's pose for a frame whose line 0 is exposed from `start_s`.
    pub fn view_at(&self, start_s: f64) -> View {
        if self.shake.is_still() {
            return self.camera.view();
        }
        let ([yaw, pitch, roll], shift) = self.shake.at(start_s + self.shutter.exposure_s / 2.0, self.seed);
        self.camera.view_shaken(yaw, pitch, roll, shift)
    }
}

/// The tube that hides a ball until it leaves the muzzle.
fn tube(launch: &Launch) -> Option<Piece> {
    let Launcher::Tube { stroke_m } = launch.launcher else { return None };
    let angle = launch.angle_deg.to_radians();
    let along = Vec3::new(angle.cos(), angle.sin(), 0.0);
    let radius = launch.ball.radius_m;
    let mut muzzle = Vec3::from(launch.release_m);
    muzzle.z += radius + 0.005;
    let butt = muzzle - along * (stroke_m + 2.0 * radius);
    Some(Piece::beam(butt.into(), muzzle.into(), 2.6 * radius, Paint::Plain([0.05, 0.055, 0.065])).before_the_balls())
}

#[cfg(test)]
mod tests;
