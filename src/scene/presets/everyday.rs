//! Balls and rooms as they are: print, seams and fur, shadows and reflections, long exposures, sharpening, block noise, old
//! cameras, a stand that gives way, hands, passers-by, bounces. One difficulty a preset, and one with several.

use super::*;

/// Light from beside the camera, so that a ball's shadow falls on the wall close to it, `depth` dark at its touching point.
fn from_beside_the_camera(depth: f64) -> Light {
    Light { towards_lamp: [-0.45, 0.5, 0.9], shadow: depth, ..Light::STEADY }
}

const WHITE_WALL: Paint = Paint::Plaster([0.66, 0.66, 0.63]);
const BOARDS: Paint = Paint::Boards([0.42, 0.26, 0.13]);

/// A seamed orange ball, 48 px across, thrown into view past a white wall with its faint shadow, by 30 frames a second; it
/// bounces.
pub fn seamed_ball(seed: u64) -> Scene {
    let ball = Ball {
        radius_m: 0.096,
        albedo: [0.62, 0.17, 0.03],
        ambient: 0.65,
        print: Print::Seams { colour: [0.05, 0.03, 0.02], width: 0.09 },
        spin_per_s: [1.6, 0.5, 0.3],
        ..Ball::orange_foam()
    };
    let launch = Launch { ball, launcher: Launcher::Held, release_m: [4.3, 1.5, 0.0], ..lob(4.6, 125.0) };
    let mut scene = with_launch("seamed_ball", seed, launch);
    scene.timing = Timing::steady(30.0, 60);
    scene.shutter.exposure_s = 0.012;
    scene.set = vec![Piece::wall(-0.5, WHITE_WALL)];
    scene.light = from_beside_the_camera(0.3);
    scene
}

/// A furry yellow-green ball with a seam, filmed from near before posters.
pub fn furry_ball(seed: u64) -> Scene {
    let mut scene = named("furry_ball", seed);
    scene.camera = Camera::square_on(1280, 720, 1000.0, (1.2, 1.3), 2.2);
    scene.scales = vec![ScaleBar::metre([0.2, 0.55, 0.0])];
    scene.set = vec![Piece::wall(-1.0, Paint::Posters { wall: [0.34, 0.33, 0.30], seed: seed as u32 })];
    scene.shutter.exposure_s = 0.004;
    scene.launches[0] = lob(3.6, 60.0);
    scene.launches[0].ball = Ball {
        radius_m: 0.033,
        albedo: [0.50, 0.58, 0.06],
        print: Print::Wave { colour: [0.75, 0.75, 0.70], width: 0.12 },
        fur_m: 0.003,
        spin_per_s: [0.8, 1.4, -2.0],
        ..Ball::orange_foam()
    };
    scene
}

/// A white ball with dark spots, turning fast, before a sports hall's wall.
pub fn spotted_ball(seed: u64) -> Scene {
    let mut scene = named("spotted_ball", seed);
    scene.set = wall(Paint::Hall);
    scene.shutter.exposure_s = 0.004;
    scene.launches[0] = lob(4.6, 52.0);
    scene.launches[0].ball = Ball {
        radius_m: 0.11,
        albedo: [0.75, 0.75, 0.73],
        ambient: 0.6,
        print: Print::Spots { colour: [0.03; 3], radius: 0.36 },
        spin_per_s: [1.0, 0.4, 2.5],
        ..Ball::orange_foam()
    };
    scene
}

/// A ball of red and white leaves, 75 px across, before bricks.
pub fn two_coloured_ball(seed: u64) -> Scene {
    let mut scene = named("two_coloured_ball", seed);
    scene.set = wall(Paint::Bricks { brick: [0.34, 0.13, 0.08], mortar: [0.40, 0.38, 0.35] });
    scene.launches[0].ball = Ball {
        radius_m: 0.15,
        albedo: [0.70, 0.70, 0.68],
        print: Print::Leaves { colour: [0.50, 0.04, 0.05], count: 6 },
        spin_per_s: [0.3, 0.9, 0.7],
        ..Ball::orange_foam()
    };
    scene
}

/// A black ball before a white wall with its shadow close by.
pub fn dark_ball_with_shadow(seed: u64) -> Scene {
    let mut scene = named("dark_ball_with_shadow", seed);
    scene.set = vec![Piece::wall(-0.25, WHITE_WALL)];
    scene.light = from_beside_the_camera(0.6);
    scene.launches[0].ball = Ball { albedo: [0.03, 0.03, 0.035], specular: 0.15, ..Ball::orange_foam() };
    scene
}

/// A green ball whose shadow makes a second parabola on the wall and runs over the floor, by 30 frames a second.
pub fn green_ball_with_shadows(seed: u64) -> Scene {
    let mut scene = named("green_ball_with_shadows", seed);
    scene.timing = Timing::steady(30.0, 46);
    scene.shutter.exposure_s = 0.01;
    scene.set = vec![Piece::wall(-0.3, WHITE_WALL), Piece::floor(-0.1, BOARDS)];
    scene.light = from_beside_the_camera(0.6);
    scene.launches[0].ball = Ball { radius_m: 0.045, albedo: [0.08, 0.30, 0.10], ..Ball::orange_foam() };
    scene
}

/// A polished floor that mirrors the ball, and its shadow there.
pub fn polished_floor(seed: u64) -> Scene {
    let mut scene = named("polished_floor", seed);
    scene.camera = Camera::square_on(1280, 720, 1000.0, (1.5, 0.9), 4.0).orbit([1.5, 0.6, 0.0], 0.0, -9.0);
    scene.set = vec![
        Piece::wall(-2.2, Paint::Plain([0.36, 0.37, 0.36])),
        Piece { gloss: 0.35, ..Piece::floor(-0.1, Paint::Boards([0.30, 0.19, 0.10])) },
    ];
    scene.light.shadow = 0.5;
    scene.launches[0].ball.radius_m = 0.05;
    scene
}

/// A dark window behind the flight that mirrors it, weaker and smaller.
pub fn window_reflection(seed: u64) -> Scene {
    let mut scene = named("window_reflection", seed);
    let pane = Outline::Rectangle { width_m: 2.6, height_m: 1.7 };
    let glass = Paint::Gradient { bottom: [0.05, 0.06, 0.07], top: [0.12, 0.14, 0.16], height_m: 1.7 };
    scene.set.push(Piece { gloss: 0.35, ..Piece::upright([0.3, 0.3, -0.5], pane, glass) });
    scene
}

/// The shutter open for the whole thirtieth of a second: streaks of some 40 px that touch each other.
pub fn long_exposure(seed: u64) -> Scene {
    let paint = Paint::Gradient { bottom: [0.16, 0.17, 0.18], top: [0.34, 0.35, 0.37], height_m: 2.6 };
    let mut scene = named("long_exposure", seed);
    scene.timing = Timing::steady(30.0, 46);
    scene.set = wall(paint);
    scene.shutter.exposure_s = 0.033;
    scene.launches[0] = lob(5.0, 60.0);
    scene
}

/// A phone's strong sharpening: bright and dark rims about every edge.
pub fn sharpened(seed: u64) -> Scene {
    let mut scene = named("sharpened", seed);
    scene.set = wall(Paint::Posters { wall: [0.34, 0.33, 0.30], seed: seed as u32 });
    scene.processing.sharpening = Some(Sharpening { amount: 1.4, radius_px: 1.4 });
    scene
}

/// Block noise as in a copy sent through a messenger.
pub fn strongly_compressed(seed: u64) -> Scene {
    let mut scene = named("strongly_compressed", seed);
    scene.set = wall(Paint::Posters { wall: [0.34, 0.33, 0.30], seed: seed as u32 });
    scene.processing.block_quality = Some(14);
    scene
}

/// An old camera: 640×480, soft, with strong, coloured, coarse grain.
pub fn old_camera(seed: u64) -> Scene {
    let mut scene = named("old_camera", seed);
    scene.camera = Camera::square_on(640, 480, 520.0, (1.5, 1.2), 4.0);
    scene.timing = Timing::steady(30.0, 46);
    scene.shutter = Shutter { exposure_s: 0.015, readout_s: 0.02, lines: Lines::Rows };
    scene.sensor = Sensor { full_well: 1500.0, blur_px: 1.2, vignette: 0.3, ..Sensor::GOOD_LIGHT };
    scene.processing = Processing {
        grain: Some(Grain { luma: 6.0, chroma: 6.0, size_px: 1.0 }),
        sharpening: Some(Sharpening { amount: 0.6, radius_px: 1.2 }),
        block_quality: Some(40),
    };
    scene.launches[0].ball.radius_m = 0.06;
    scene
}

/// A stand that gives way by some 4 px over the recording.
pub fn drifting_stand(seed: u64) -> Scene {
    let mut scene = named("drifting_stand", seed);
    scene.set = wall(Paint::Posters { wall: [0.30, 0.31, 0.33], seed: seed as u32 });
    scene.shake = Shake { drift_deg_per_s: [0.12, -0.08], ..Shake::default() };
    scene
}

/// Somebody who stands at (`x_m`, −0.1) m.
fn bystander(x_m: f64) -> Mover {
    person(x_m, 0.0, -0.25)
}

/// A hand tosses a ball straight up and catches it, by 30 frames a second in a room.
pub fn vertical_toss(seed: u64) -> Scene {
    let ball = Ball { radius_m: 0.034, albedo: [0.70, 0.12, 0.08], ..Ball::orange_foam() };
    let launch = Launch {
        ball,
        launcher: Launcher::Hand { stroke_m: 0.25 },
        release_s: 0.42,
        release_m: [1.6, 1.0, 0.0],
        ..lob(4.6, 90.0)
    };
    let mut scene = with_launch("vertical_toss", seed, launch);
    let palm = Surface { height_m: 1.0 - 0.034, from_x_m: 1.4, to_x_m: 1.8, restitution: None, grip: 0.0 };
    scene.surfaces.push(palm);
    scene.movers.push(bystander(1.2));
    scene.timing = Timing::steady(30.0, 48);
    scene.shutter.exposure_s = 0.016;
    scene.set = wall(Paint::Posters { wall: [0.16, 0.15, 0.13], seed: seed as u32 });
    scene
}

/// Somebody in a reddish coat walks past behind the launcher before and during the launch.
pub fn person_behind_launcher(seed: u64) -> Scene {
    let mut scene = named("person_behind_launcher", seed);
    scene.movers.push(Mover::Walker {
        start_m: [-0.35, -0.1, -0.6],
        speed_m_per_s: 1.0,
        height_m: 1.7,
        coat: [0.35, 0.13, 0.09],
        trousers: [0.06, 0.07, 0.10],
    });
    scene
}

/// A lively ball pushed off a ledge bounces along a floor: three flights, the second and third after a touch.
pub fn bounces(seed: u64) -> Scene {
    let launch = Launch { release_m: [-0.6, 1.5, 0.0], ..lob(2.0, 10.0) };
    let mut scene = with_launch("bounces", seed, launch);
    scene.launches[0].ball.radius_m = 0.05;
    scene.surfaces[0] = Surface { height_m: -0.1, from_x_m: -20.0, to_x_m: 20.0, restitution: Some(0.78), grip: 0.95 };
    scene.set = vec![Piece::wall(-1.2, Paint::Plain([0.30, 0.31, 0.32])), Piece::floor(-0.1, BOARDS)];
    scene.light.shadow = 0.5;
    scene.timing = Timing::steady(60.0, 160);
    scene
}

/// Two balls in the air at once, one from either side, a quarter of a metre apart in depth.
pub fn two_at_once(seed: u64) -> Scene {
    let mut scene = named("two_at_once", seed);
    let second = Launch { release_m: [2.9, 0.8, -0.25], release_s: 0.55, ..lob(4.0, 122.0) };
    scene.launches.push(second);
    scene.launches[1].ball.albedo = [0.70, 0.66, 0.06];
    scene
}

/// The top of the arc lies at the picture's upper edge, which cuts the ball there.
pub fn cut_by_the_frame(seed: u64) -> Scene {
    let mut scene = named("cut_by_the_frame", seed);
    scene.camera = Camera::square_on(1280, 720, 1000.0, (1.5, 0.0), 4.0);
    scene.surfaces[0].height_m = -1.2;
    scene.launches[0].ball.radius_m = 0.07;
    scene
}

/// A dim room: warm lamps, the shutter open for the whole frame, noise that the phone smeared into grain.
pub fn dim_room(seed: u64) -> Scene {
    let mut scene = named("dim_room", seed);
    scene.timing = Timing::steady(30.0, 46);
    scene.shutter.exposure_s = 0.033;
    scene.light.level = 0.2;
    scene.sensor = Sensor { full_well: 700.0, read_noise: 4.0, blur_px: 1.2, vignette: 0.3, ..Sensor::GOOD_LIGHT };
    scene.processing.grain = Some(Grain { luma: 2.0, chroma: 3.0, size_px: 1.5 });
    scene.set = wall(Paint::Plaster([0.42, 0.34, 0.24]));
    scene.launches[0].ball.radius_m = 0.05;
    scene
}

/// 240 frames a second under lamps on 50 Hz mains, dim, with the rate in the file.
pub fn slow_motion_flicker(seed: u64) -> Scene {
    let mut scene = slow_motion_240_tagged(seed);
    "slow_motion_flicker".clone_into(&mut scene.name);
    scene.timing.frames = 260;
    scene.light = Light { level: 0.4, flicker: Some(Flicker { hz: 100.0, depth: 0.3 }), ..scene.light };
    scene.shutter = Shutter { exposure_s: 0.002, readout_s: 0.003, lines: Lines::Rows };
    scene.sensor = Sensor { full_well: 1500.0, ..Sensor::GOOD_LIGHT };
    scene
}

/// A phone's clip of a classroom with several of these at once, each in a usual measure.
pub fn classroom(seed: u64) -> Scene {
    let mut scene = seamed_ball(seed);
    "classroom".clone_into(&mut scene.name);
    scene.set = vec![
        Piece::wall(-0.6, Paint::Posters { wall: [0.5, 0.49, 0.46], seed: seed as u32 }),
        Piece::floor(-0.1, BOARDS),
    ];
    scene.movers.push(person(-0.4, 0.5, -0.3));
    scene.shutter = Shutter { exposure_s: 0.010, readout_s: 0.012, lines: Lines::Rows };
    scene.sensor = Sensor { full_well: 2500.0, ..Sensor::GOOD_LIGHT };
    scene.processing = Processing {
        grain: None,
        sharpening: Some(Sharpening { amount: 0.9, radius_px: 1.3 }),
        block_quality: Some(45),
    };
    scene.shake = Shake { drift_deg_per_s: [-0.05, 0.06], ..Shake::default() };
    scene
}

/// Nothing flies: a ball carried by a hand, and one whirled on a string.
pub fn carried_and_whirled(seed: u64) -> Scene {
    let mut scene = Scene::plain("carried_and_whirled", seed);
    scene.set = wall(WHITE_WALL);
    scene.timing = Timing::steady(30.0, 75);
    scene.shutter.exposure_s = 0.012;
    scene.movers = vec![
        Mover::Carried {
            start_m: [-0.6, 1.0, 0.0],
            speed_m_per_s: 0.9,
            rise_m: 0.12,
            radius_m: 0.05,
            colour: [0.62, 0.17, 0.03],
        },
        Mover::Whirl {
            pivot_m: [3.1, 1.7, -0.3],
            length_m: 0.5,
            turns_per_s: 1.3,
            radius_m: 0.04,
            colour: [0.08, 0.30, 0.10],
        },
    ];
    scene
}

/// Every preset here.
pub const EVERYDAY: &[Preset] = &[
    seamed_ball,
    furry_ball,
    spotted_ball,
    two_coloured_ball,
    dark_ball_with_shadow,
    green_ball_with_shadows,
    polished_floor,
    window_reflection,
    long_exposure,
    sharpened,
    strongly_compressed,
    old_camera,
    drifting_stand,
    vertical_toss,
    person_behind_launcher,
    bounces,
    two_at_once,
    cut_by_the_frame,
    dim_room,
    slow_motion_flicker,
    classroom,
    carried_and_whirled,
];
