//! Scenes drawn at random within what a class films, for measuring how often stated intervals hold the truth.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;

/// How far a recording strays from a square camera, a plane scale and a still air: standard deviations, or limits where
/// that is said. What is 0 does not stray.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Of yaw and pitch, degrees.
    pub tilt_deg: f64,
    pub roll_deg: f64,
    /// Of the radial term k1.
    pub lens_k1: f64,
    /// Largest readout either way, s.
    pub readout_s: f64,
    /// Of the scale's depth before or behind the flight, m.
    pub scale_depth_m: f64,
    /// Density of the air, kg/m³.
    pub air_density: f64,
    /// Chance that somebody walks through.
    pub walkers: f64,
}

impl Spread {
    /// A tripod, square on, a scale in the plane, no air: only the sightings' own noise is left.
    pub const NONE: Self = Self {
        tilt_deg: 0.0,
        roll_deg: 0.0,
        lens_k1: 0.0,
        readout_s: 0.0,
        scale_depth_m: 0.0,
        air_density: 0.0,
        walkers: 0.0,
    };

    /// What careful students reach without measuring: common practice, no source.
    pub const HANDHELD_STUDENT: Self = Self {
        tilt_deg: 2.0,
        roll_deg: 0.7,
        lens_k1: 0.02,
        readout_s: 0.015,
        scale_depth_m: 0.03,
        air_density: 1.2,
        walkers: 0.25,
    };
}

/// A scene drawn with `seed`: speed, angle, side, size of ball and picture, rate, exposure, background, colours, noise; the
/// camera frames the flight. Everything that `spread` names strays by it.
pub fn varied(seed: u64, spread: &Spread) -> Scene {
    let mut draw = Draw(ChaCha8Rng::seed_from_u64(seed ^ 0x7A51));
    let mut scene = Scene::plain(&format!("varied_{seed}"), seed);
    scene.air = Air { density: spread.air_density, drag_coefficient: 0.45, buoyancy: true, added_mass: true };
    scene.surfaces[0].height_m = 0.0;
    let rate = draw.pick(&[30.0, 60.0, 60.0, 120.0]);
    let launch = random_launch(&mut draw, &scene);
    frame_flight(&mut scene, launch, &mut draw, spread);
    let duration = scene.paths()[0].flight_end_s().unwrap_or(1.5) + 0.2;
    scene.timing = Timing::steady(rate, (duration * rate).ceil() as usize);
    scene.shutter.exposure_s = draw.between(0.0008, 0.006_f64.min(0.4 / rate));
    scene.shutter.readout_s = draw.between(-1.0, 1.0) * spread.readout_s;
    let tone = scene_colours(&mut scene, &mut draw, seed);
    scene.sensor = Sensor {
        full_well: draw.between(1500.0, 8000.0),
        blur_px: draw.between(0.6, 1.1),
        vignette: draw.between(0.0, 0.25),
        ..Sensor::GOOD_LIGHT
    };
    if draw.between(0.0, 1.0) < spread.walkers {
        let speed_m_per_s = draw.between(0.8, 1.5) * draw.pick(&[-1.0, 1.0]);
        let start = scene.camera.position_m[0] - 1.2 * speed_m_per_s;
        scene.movers.push(Mover::Walker {
            start_m: [start, 0.0, -1.0],
            speed_m_per_s,
            height_m: draw.between(1.5, 1.9),
            coat: [0.7 * tone, 0.3 * tone, 0.4 * tone],
            trousers: [0.05; 3],
        });
    }
    scene
}

struct Draw(ChaCha8Rng);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[(self.between(0.0, from.len() as f64) as usize).min(from.len() - 1)]
    }

    /// Normal with the standard deviation `sigma`, by the sum of twelve even draws: within six of it.
    fn normal(&mut self, sigma: f64) -> f64 {
        sigma * ((0..12).map(|_| self.0.random::<f64>()).sum::<f64>() - 6.0)
    }
}

fn random_launch(draw: &mut Draw, scene: &Scene) -> Launch {
    let steep = draw.between(15.0, 75.0);
    let angle_deg = draw.pick(&[steep, steep, 180.0 - steep]);
    let radius_m = draw.between(0.015, 0.05);
    let density = draw.pick(&[120.0, 350.0, 1000.0]);
    let ball = Ball {
        radius_m,
        mass_kg: density * 4.0 / 3.0 * std::f64::consts::PI * radius_m.powi(3),
        ambient: draw.between(0.4, 1.0),
        ..Ball::orange_foam()
    };
    let launcher = if draw.between(0.0, 1.0) < 0.7 {
        Launcher::Tube { stroke_m: 0.2 }
    } else {
        Launcher::Rail { stroke_m: draw.between(0.1, 0.25) }
    };
    let release_y = scene.surfaces[0].height_m + draw.between(0.7, 1.2);
    let speed_m_per_s = draw.between(2.6, 5.5);
    Launch { ball, launcher, release_m: [0.0, release_y, 0.0], ..lob(speed_m_per_s, angle_deg) }
}

/// Puts the camera where the flight fills the picture, and the scale near the ground of it.
fn frame_flight(scene: &mut Scene, mut launch: Launch, draw: &mut Draw, spread: &Spread) {
    let path = Path::new(&launch, &scene.air, scene.gravity_m_per_s2, &scene.surfaces, 4.0);
    let end = path.flight_end_s().unwrap_or(2.0);
    let mut bounds = [f64::MAX, f64::MIN, f64::MAX, f64::MIN];
    for i in 0..=60 {
        let p = path.position(launch.release_s + (end - launch.release_s) * f64::from(i) / 60.0);
        bounds = [bounds[0].min(p.x), bounds[1].max(p.x), bounds[2].min(p.y), bounds[3].max(p.y)];
    }
    let aim = (0.5 * (bounds[0] + bounds[1]), 0.5 * (bounds[2] + bounds[3]));
    let distance = draw.between(2.5, 5.0);
    let fill = draw.between(0.60, 0.80);
    let tall = 720.0 * fill / (bounds[3] - bounds[2]);
    let pixels_per_metre = tall.min(1280.0 * fill / (bounds[1] - bounds[0]));
    launch.ball.radius_m = launch.ball.radius_m.max(4.0 / pixels_per_metre);
    scene.camera = Camera::square_on(1280, 720, pixels_per_metre * distance, aim, distance).orbit(
        [aim.0, aim.1, 0.0],
        draw.normal(spread.tilt_deg),
        draw.normal(spread.tilt_deg),
    );
    scene.camera.roll_deg = draw.normal(spread.roll_deg);
    scene.camera.k1 = draw.normal(spread.lens_k1);
    let length = if 900.0 / pixels_per_metre > 1.0 { 1.0 } else { 0.3 };
    let start = [aim.0 - length / 2.0, bounds[2] + 0.08, draw.normal(spread.scale_depth_m)];
    let bar = ScaleBar::metre(start);
    scene.scales = vec![ScaleBar { b_m: [start[0] + length, start[1], start[2]], ..bar }];
    scene.launches = vec![launch];
}

/// Wall and ball, told apart by at least 0.1 in linear light; gives the wall's tone.
fn scene_colours(scene: &mut Scene, draw: &mut Draw, seed: u64) -> f32 {
    let tone = draw.between(0.06, 0.5) as f32;
    let plain = Paint::Plain([tone, tone, 0.95 * tone]);
    let shaded = Paint::Gradient { bottom: [0.7 * tone; 3], top: [1.2 * tone, 1.2 * tone, 1.25 * tone], height_m: 2.5 };
    let bricks = Paint::Bricks { brick: [1.1 * tone, 0.7 * tone, 0.6 * tone], mortar: [1.2 * tone; 3] };
    let posters = Paint::Posters { wall: [tone; 3], seed: seed as u32 };
    let paint = match draw.pick(&[0, 0, 1, 1, 2, 3, 4]) {
        0 => plain,
        1 => shaded,
        2 => bricks,
        3 => posters,
        _ => Paint::Hall,
    };
    scene.set = vec![Piece::wall(-draw.between(0.5, 2.0), paint)];
    const BALLS: [[f64; 3]; 5] =
        [[0.82, 0.24, 0.03], [0.85, 0.85, 0.82], [0.75, 0.70, 0.06], [0.03, 0.03, 0.035], [0.65, 0.05, 0.06]];
    let light = |c: [f64; 3]| 0.2126 * c[0] + 0.7152 * c[1] + 0.0722 * c[2];
    let differs = |c: &[f64; 3]| (light(*c) - f64::from(tone)).abs() > 0.1;
    let first = draw.pick(&[0, 1, 2, 3, 4]);
    let ball = BALLS.iter().cycle().skip(first).take(BALLS.len()).find(|c| differs(c));
    scene.launches[0].ball.albedo = *ball.unwrap_or(&BALLS[1]);
    tone
}
