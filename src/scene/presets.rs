//! Named scenes: the demo, and one for each kind of recording that is hard to measure.

use super::*;

mod demo;
pub mod everyday;
mod varied;

pub use demo::demo;
pub use everyday::EVERYDAY;
pub use varied::{Spread, varied};

/// A launch from a hidden tube at (0.1, 0.8) m, 0.3 s into the recording, of the orange foam ball.
pub fn lob(speed_m_per_s: f64, angle_deg: f64) -> Launch {
    Launch {
        ball: Ball::orange_foam(),
        launcher: Launcher::Tube { stroke_m: 0.2 },
        placed_s: -1.0,
        release_s: 0.3,
        release_m: [0.1, 0.8, 0.0],
        speed_m_per_s,
        angle_deg,
    }
}

/// A foam ball lobbed from a hidden tube before a plain wall, in good light: the base of the other presets.
pub fn clean_60fps(seed: u64) -> Scene {
    let mut scene = Scene::plain("clean_60fps", seed);
    scene.launches = vec![lob(4.2, 55.0)];
    scene
}

fn with_launch(name: &str, seed: u64, launch: Launch) -> Scene {
    Scene { launches: vec![launch], ..Scene::plain(name, seed) }
}

fn named(name: &str, seed: u64) -> Scene {
    with_launch(name, seed, lob(4.2, 55.0))
}

fn wall(paint: Paint) -> Vec<Piece> {
    vec![Piece::wall(-1.5, paint)]
}

fn person(start_x_m: f64, speed_m_per_s: f64, z_m: f64) -> Mover {
    Mover::Walker {
        start_m: [start_x_m, -0.1, z_m],
        speed_m_per_s,
        height_m: 1.74,
        coat: [0.10, 0.16, 0.32],
        trousers: [0.05, 0.05, 0.06],
    }
}

/// 30 frames a second before a wall that shades off.
pub fn clean_30fps(seed: u64) -> Scene {
    let paint = Paint::Gradient { bottom: [0.16, 0.17, 0.18], top: [0.34, 0.35, 0.37], height_m: 2.6 };
    Scene { timing: Timing::steady(30.0, 46), set: wall(paint), ..named("clean_30fps", seed) }
}

/// Streaks longer than the ball: 1/50 s exposures at 30 frames a second.
pub fn streaks(seed: u64) -> Scene {
    let mut scene = named("streaks", seed);
    scene.timing = Timing::steady(30.0, 46);
    scene.shutter.exposure_s = 0.02;
    scene.launches[0].speed_m_per_s = 4.8;
    scene.launches[0].ball.radius_m = 0.022;
    scene
}

/// A dim room: strong noise, soft lens, long exposures.
pub fn low_light_noise(seed: u64) -> Scene {
    let mut scene = named("low_light_noise", seed);
    scene.timing = Timing::steady(30.0, 46);
    scene.shutter.exposure_s = 0.012;
    scene.light.level = 0.3;
    scene.sensor = Sensor { full_well: 500.0, read_noise: 4.0, blur_px: 1.1, vignette: 0.3, ..Sensor::GOOD_LIGHT };
    scene
}

/// Shelves behind the flight, a walker and a blinking lamp before them.
pub fn clutter_walker(seed: u64) -> Scene {
    let mut scene = named("clutter_walker", seed);
    scene.set = wall(Paint::Shelves { seed: seed as u32 });
    scene.movers = vec![
        person(3.6, -1.3, -1.0),
        Mover::Lamp {
            centre_m: [3.3, 2.2, -1.4],
            radius_m: 0.04,
            colour: [1.0, 0.2, 0.1],
            period_s: 0.35,
            on_share: 0.5,
        },
    ];
    scene
}

/// A phone held upright: the sensor's lines run along the displayed picture's columns.
pub fn rotated_portrait(seed: u64) -> Scene {
    let mut scene = named("rotated_portrait", seed);
    scene.camera = Camera::square_on(720, 1280, 1000.0, (1.1, 1.1), 4.5);
    scene.shutter = Shutter { exposure_s: 0.002, readout_s: 0.012, lines: Lines::Columns };
    scene.quarter_turns = 1;
    scene.launches[0] = lob(3.4, 65.0);
    scene
}

/// Dropped frames, an uneven beat, and stamps that are a little off.
pub fn variable_rate_drops(seed: u64) -> Scene {
    let mut scene = named("variable_rate_drops", seed);
    scene.timing =
        Timing { capture_jitter_s: 0.001, stamp_jitter_s: 0.0001, drop_share: 0.12, ..Timing::steady(30.0, 46) };
    scene
}

/// 240 frames a second stored at 30, with nothing in the file to say so.
pub fn slow_motion_240_as_30(seed: u64) -> Scene {
    let mut scene = named("slow_motion_240_as_30", seed);
    scene.timing = Timing { slow_factor: 8.0, ..Timing::steady(240.0, 320) };
    scene.shutter.exposure_s = 0.001;
    scene
}

/// As [`slow_motion_240_as_30`], with the capture rate in the file.
pub fn slow_motion_240_tagged(seed: u64) -> Scene {
    let mut scene = slow_motion_240_as_30(seed);
    "slow_motion_240_tagged".clone_into(&mut scene.name);
    scene.timing.capture_tag = true;
    scene
}

/// An exported copy of a 240 frames a second recording: the flight plays eight times slow, the rest at true speed, all at an
/// even 30 frames a second.
pub fn slow_motion_ramped(seed: u64) -> Scene {
    let mut scene = slow_motion_240_as_30(seed);
    "slow_motion_ramped".clone_into(&mut scene.name);
    scene.timing.slow_factor = 1.0;
    scene.timing.ramp = Some(Ramp { from_s: 0.25, to_s: 1.2, factor: 8 });
    scene
}

/// Five launches, each a little slower than the last, into a sand pit that holds the balls.
pub fn five_launches(seed: u64) -> Scene {
    let mut scene = Scene::plain("five_launches", seed);
    scene.timing = Timing::steady(60.0, 420);
    scene.surfaces[0].restitution = None;
    scene.launches = (0..5)
        .map(|i| {
            let start = 1.3 * f64::from(i);
            Launch { placed_s: start - 1.0, release_s: start + 0.4, ..lob(4.2 - 0.07 * f64::from(i), 50.0) }
        })
        .collect();
    scene
}

/// Nobody launches anything: a walker, a blinking lamp, a rolling ball and a pendulum.
pub fn no_ball_walker(seed: u64) -> Scene {
    let mut scene = Scene::plain("no_ball_walker", seed);
    scene.set = wall(Paint::Posters { wall: [0.34, 0.33, 0.30], seed: seed as u32 });
    scene.movers = vec![
        person(-0.6, 1.4, -0.8),
        Mover::Lamp { centre_m: [3.0, 2.2, -1.3], radius_m: 0.05, colour: [1.0; 3], period_s: 0.4, on_share: 0.4 },
        Mover::Roller { start_m: [3.5, -0.1, 0.1], speed_m_per_s: -1.1, radius_m: 0.04, colour: [0.6, 0.5, 0.05] },
        Mover::Pendulum {
            pivot_m: [0.4, 2.5, -0.5],
            length_m: 0.8,
            swing_deg: 25.0,
            radius_m: 0.05,
            colour: [0.05, 0.3, 0.5],
        },
    ];
    scene
}

/// A bounce on a bench on the way.
pub fn bounce_in_flight(seed: u64) -> Scene {
    let mut scene = named("bounce_in_flight", seed);
    scene.launches[0] = lob(3.2, 50.0);
    scene.surfaces.push(Surface { height_m: 0.55, from_x_m: 0.9, to_x_m: 2.2, restitution: Some(0.75), grip: 0.9 });
    let top = Outline::Rectangle { width_m: 1.3, height_m: 0.05 };
    scene.set.push(Piece::upright([0.9, 0.50, -0.1], top, Paint::Wood([0.38, 0.24, 0.12])));
    for x in [0.95, 2.09] {
        let leg = Outline::Rectangle { width_m: 0.06, height_m: 0.6 };
        scene.set.push(Piece::upright([x, -0.1, -0.11], leg, Paint::Wood([0.28, 0.17, 0.08])));
    }
    scene
}

/// The camera turned 12° about the vertical, about the middle of the flight.
pub fn yaw(seed: u64) -> Scene {
    let mut scene = named("yaw", seed);
    scene.camera = scene.camera.orbit([1.5, 1.2, 0.0], 12.0, 0.0);
    scene
}

/// The camera low and looking 8° upwards.
pub fn pitch(seed: u64) -> Scene {
    let mut scene = named("pitch", seed);
    scene.camera = scene.camera.orbit([1.5, 1.2, 0.0], 0.0, 8.0);
    scene
}

/// The camera 3° out of level.
pub fn roll(seed: u64) -> Scene {
    let mut scene = named("roll", seed);
    scene.camera.roll_deg = 3.0;
    scene
}

/// A barrel lens, before bricks whose bent joints show it.
pub fn barrel(seed: u64) -> Scene {
    let mut scene = named("barrel", seed);
    (scene.camera.k1, scene.camera.k2) = (-0.16, 0.03);
    scene.set = wall(Paint::Bricks { brick: [0.34, 0.13, 0.08], mortar: [0.40, 0.38, 0.35] });
    scene.launches[0].ball.albedo = [0.75, 0.76, 0.70];
    scene
}

/// Rows read over 15 ms.
pub fn rolling_shutter(seed: u64) -> Scene {
    let mut scene = named("rolling_shutter", seed);
    scene.shutter.readout_s = 0.015;
    scene
}

/// The batten stands 0.4 m behind the plane of the flight.
pub fn scale_behind_plane(seed: u64) -> Scene {
    let mut scene = named("scale_behind_plane", seed);
    scene.scales = vec![ScaleBar::metre([0.0, 0.05, -0.4])];
    scene
}

/// Held in the hand: some 5 px of wandering, before posters.
pub fn shake(seed: u64) -> Scene {
    let mut scene = named("shake", seed);
    scene.set = wall(Paint::Posters { wall: [0.30, 0.31, 0.33], seed: seed as u32 });
    scene.shake = Shake { turn_deg: 0.25, roll_deg: 0.1, ..Shake::default() };
    scene
}

/// A pole hides part of the flight.
pub fn pole(seed: u64) -> Scene {
    let mut scene = named("pole", seed);
    let upright = Outline::Rectangle { width_m: 0.12, height_m: 4.0 };
    scene.set.push(Piece::upright([1.2, -0.6, 0.2], upright, Paint::Plain([0.10, 0.22, 0.14])).before_the_balls());
    scene
}

/// A ball 4 px across.
pub fn small_ball(seed: u64) -> Scene {
    let mut scene = named("small_ball", seed);
    scene.launches[0].ball = Ball { radius_m: 0.008, albedo: [0.85; 3], ..Ball::orange_foam() };
    scene
}

/// A ball 100 px across, filmed from near.
pub fn big_ball(seed: u64) -> Scene {
    let mut scene = named("big_ball", seed);
    scene.camera = Camera::square_on(1280, 720, 1000.0, (1.2, 1.3), 2.2);
    // As heavy as balls of that size are: a light ball in the air would be another test.
    scene.launches[0].ball = Ball { radius_m: 0.11, mass_kg: 0.6, ..scene.launches[0].ball.clone() };
    scene
}

/// A nearly black ball before a bright wall.
pub fn dark_ball_on_bright(seed: u64) -> Scene {
    let mut scene = named("dark_ball_on_bright", seed);
    scene.set = wall(Paint::Plain([0.72, 0.72, 0.70]));
    scene.launches[0].ball.albedo = [0.03, 0.03, 0.035];
    scene
}

/// A flat red ball of the same luma as the greenish wall: only its colour tells it apart.
pub fn isoluminant(seed: u64) -> Scene {
    let mut scene = named("isoluminant", seed);
    let red = [0.40, 0.06, 0.05];
    // Luma is summed after the curve, so the green is sought there.
    let luma = |c: [f64; 3]| {
        let [r, g, b] = c.map(bt709_oetf);
        0.2126 * r + 0.7152 * g + 0.0722 * b
    };
    let wall_at = |green: f64| [0.5 * green, green, 0.8 * green];
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if luma(wall_at(middle)) < luma(red) { low = middle } else { high = middle }
    }
    scene.set = wall(Paint::Plain(wall_at(low).map(|c| c as f32)));
    scene.launches[0].ball = Ball { albedo: red, ambient: 1.0, ..Ball::orange_foam() };
    scene.sensor.vignette = 0.0;
    scene
}

/// Let go at rest from 2.2 m.
pub fn vertical_drop(seed: u64) -> Scene {
    let launch = Launch { launcher: Launcher::Held, release_m: [1.5, 2.2, 0.0], ..lob(0.0, 0.0) };
    with_launch("vertical_drop", seed, launch)
}

/// 12 m/s across the view, nearly flat.
pub fn fast(seed: u64) -> Scene {
    let mut scene = with_launch("fast", seed, Launch { release_m: [-0.7, 1.1, 0.0], ..lob(12.0, 12.0) });
    scene.shutter.exposure_s = 0.001;
    scene
}

/// Thrown from right to left.
pub fn leftward(seed: u64) -> Scene {
    with_launch("leftward", seed, Launch { release_m: [2.9, 0.8, 0.0], ..lob(4.2, 125.0) })
}

/// A catapult's arm swings in view until it lets the ball go.
pub fn visible_arm(seed: u64) -> Scene {
    let launcher = Launcher::Arm { length_m: 0.5, swing_deg: 75.0 };
    with_launch("visible_arm", seed, Launch { launcher, release_s: 0.5, ..lob(4.2, 50.0) })
}

/// A hollow ball of 2.7 g and 40 mm in air of 1.2 kg/m³.
pub fn light_ball_in_air(seed: u64) -> Scene {
    let mut scene = named("light_ball_in_air", seed);
    scene.launches[0] = lob(6.0, 45.0);
    scene.launches[0].ball = Ball { radius_m: 0.020, mass_kg: 0.0027, albedo: [0.8; 3], ..Ball::orange_foam() };
    scene
}

/// Lamps on 50 Hz mains under a rolling shutter: dark bands wander through the picture.
pub fn lamp_flicker(seed: u64) -> Scene {
    let mut scene = named("lamp_flicker", seed);
    scene.light.flicker = Some(Flicker { hz: 100.0, depth: 0.2 });
    scene.shutter = Shutter { exposure_s: 0.003, readout_s: 0.015, lines: Lines::Rows };
    scene
}

/// The exposure creeps up by a tenth a second.
pub fn exposure_drift(seed: u64) -> Scene {
    let mut scene = named("exposure_drift", seed);
    scene.light.drift_per_s = 0.1;
    scene
}

/// The ball's shadow runs over wall and floor, and a polished floor mirrors it.
pub fn shadow_and_mirror(seed: u64) -> Scene {
    let mut scene = named("shadow_and_mirror", seed);
    let boards = Paint::Boards([0.42, 0.26, 0.13]);
    scene.set =
        vec![Piece::wall(-0.9, Paint::Plain([0.42, 0.43, 0.42])), Piece { gloss: 0.25, ..Piece::floor(-0.1, boards) }];
    scene.light.shadow = 0.6;
    scene
}

/// Everything at once, each in a small measure: what a hurried student films.
pub fn hurried(seed: u64) -> Scene {
    let mut scene = named("hurried", seed);
    scene.camera = scene.camera.orbit([1.5, 1.2, 0.0], 4.0, 2.0);
    (scene.camera.roll_deg, scene.camera.k1) = (0.8, 0.03);
    scene.shutter = Shutter { exposure_s: 0.005, readout_s: 0.012, lines: Lines::Rows };
    scene.set = wall(Paint::Posters { wall: [0.34, 0.33, 0.30], seed: seed as u32 });
    scene.movers = vec![person(4.2, -0.9, -1.0)];
    scene.light.shadow = 0.4;
    scene.sensor = Sensor { full_well: 2500.0, ..Sensor::GOOD_LIGHT };
    scene.timing = Timing { drop_share: 0.03, capture_jitter_s: 0.0002, ..Timing::steady(60.0, 90) };
    scene
}

/// A print of `picture`, `width_m` wide, hung at `centre_m` and turned by yaw, pitch and roll (degrees), in the plain scene.
pub fn printed_page(seed: u64, picture: Raster, width_m: f64, centre_m: [f64; 3], turns_deg: [f64; 3]) -> Scene {
    let mut scene = named("printed_page", seed);
    scene.scales.clear();
    scene.set.push(Piece::planar_image(centre_m, width_m, turns_deg, picture));
    scene
}

/// Makes a scene from a seed.
pub type Preset = fn(u64) -> Scene;

/// Every preset that needs nothing but a seed, but for those of [`everyday`].
pub const ALL: &[Preset] = &[
    demo,
    clean_60fps,
    clean_30fps,
    streaks,
    low_light_noise,
    clutter_walker,
    rotated_portrait,
    variable_rate_drops,
    slow_motion_240_as_30,
    slow_motion_240_tagged,
    slow_motion_ramped,
    five_launches,
    no_ball_walker,
    bounce_in_flight,
    yaw,
    pitch,
    roll,
    barrel,
    rolling_shutter,
    scale_behind_plane,
    shake,
    pole,
    small_ball,
    big_ball,
    dark_ball_on_bright,
    isoluminant,
    vertical_drop,
    fast,
    leftward,
    visible_arm,
    light_ball_in_air,
    lamp_flicker,
    exposure_drift,
    shadow_and_mirror,
    hurried,
];

/// Every preset with the seed `seed`.
pub fn all(seed: u64) -> Vec<Scene> {
    ALL.iter().chain(EVERYDAY).map(|preset| preset(seed)).collect()
}
