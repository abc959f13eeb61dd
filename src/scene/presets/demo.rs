//! The demo: a school open day in the sports hall. A wooden catapult lobs an orange foam ball toward a sand bucket; a
//! metre batten beside its path gives the scale.

use super::*;

const BUCKET_X_M: f64 = 2.75;
const RIM_Y_M: f64 = 0.40;
const RIM_RADIUS_M: f64 = 0.17;
const RELEASE_M: [f64; 3] = [-0.35, 0.74, 0.0];
const LAUNCH_DEG: f64 = 50.0;
const ARM_M: f64 = 0.5;
/// Farther from the camera than the arm and the ball by this, so that they pass in front.
const BEHIND_M: f64 = -0.04;

/// The demo's recording: 1280×720 at 60 frames a second, 2 s. The ball is a heavy foam ball of 70 mm and 80 g; the air is
/// there and slows it by 4 % of its weight at launch.
pub fn demo(seed: u64) -> Scene {
    let mut scene = Scene::plain("demo", seed);
    scene.camera = Camera::square_on(1280, 720, 1000.0, (1.25, 1.12), 4.3);
    scene.timing = Timing::steady(60.0, 120);
    scene.shutter.exposure_s = 0.003;
    scene.light = Light { towards_lamp: [-0.35, 1.0, 0.30], shadow: 0.55, ..Light::STEADY };
    scene.sensor = Sensor { vignette: 0.15, ..Sensor::GOOD_LIGHT };
    scene.air = Air { density: 1.2, drag_coefficient: 0.47, buoyancy: true, added_mass: true };
    scene.set = room();
    scene.set.extend(bunting());
    scene.set.extend(catapult());
    scene.set.extend(bucket());
    scene.scales = vec![ScaleBar { thickness_m: 0.04, ..ScaleBar::metre([0.75, 0.30, 0.0]) }];
    scene.set.extend(trestles());
    scene.surfaces = surfaces();
    scene.launches = vec![aimed_at_the_bucket(&scene)];
    scene
}

fn surfaces() -> Vec<Surface> {
    let half = RIM_RADIUS_M - 0.03;
    vec![
        Surface { height_m: 0.0, from_x_m: -20.0, to_x_m: 20.0, restitution: Some(0.5), grip: 0.8 },
        Surface {
            height_m: RIM_Y_M - 0.05,
            from_x_m: BUCKET_X_M - half,
            to_x_m: BUCKET_X_M + half,
            restitution: None,
            grip: 0.0,
        },
    ]
}

/// The launch that drops into the middle of the sand, found by halving the speed's bracket.
fn aimed_at_the_bucket(scene: &Scene) -> Launch {
    let shot = |speed_m_per_s: f64| Launch {
        ball: Ball { mass_kg: 0.080, ..Ball::orange_foam() },
        launcher: Launcher::Arm { length_m: ARM_M, swing_deg: 72.0 },
        placed_s: -1.0,
        release_s: 0.55,
        release_m: RELEASE_M,
        speed_m_per_s,
        angle_deg: LAUNCH_DEG,
    };
    let sand = [Surface { from_x_m: -20.0, to_x_m: 20.0, ..scene.surfaces[1].clone() }];
    let lands_at = |speed: f64| {
        let path = Path::new(&shot(speed), &scene.air, scene.gravity_m_per_s2, &sand, 4.0);
        path.impacts.first().map_or(f64::MAX, |i| i.x_m)
    };
    let (mut low, mut high) = (2.0, 9.0);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if lands_at(middle) < BUCKET_X_M { low = middle } else { high = middle }
    }
    // Stated to the centimetre per second, as a launcher's label would.
    shot((100.0 * low).round() / 100.0)
}

fn room() -> Vec<Piece> {
    let blots = vec![
        [-0.03, 0.03, 0.95, 0.30, 0.6],
        [BUCKET_X_M as f32 + 0.03, 0.02, 0.33, 0.26, 0.6],
        [1.25, 0.0, 0.75, 0.16, 0.3],
    ];
    let boards = Paint::Shadowed { base: Box::new(Paint::Boards([0.46, 0.29, 0.14])), blots };
    let mut set = vec![
        Piece { takes_shadow: true, ..Piece::wall(-2.6, Paint::Hall) },
        Piece { gloss: 0.10, ..Piece::floor(0.0, boards) },
    ];
    let skirting = Outline::Rectangle { width_m: 30.0, height_m: 0.10 };
    set.push(Piece::upright([-15.0, 0.0, -2.59], skirting, Paint::Wood([0.20, 0.12, 0.06])));
    set.extend(court_lines());
    set.extend(wall_bars(3.2));
    set.extend(notice_board());
    set
}

/// Lines of a playing field on the floor.
fn court_lines() -> Vec<Piece> {
    let strip = |origin: [f64; 3], width_m: f64, height_m: f64, colour: Rgb| {
        let flat = Piece::floor(0.0, Paint::Plain(colour));
        Piece { origin_m: origin, outline: Outline::Rectangle { width_m, height_m }, takes_shadow: false, ..flat }
    };
    vec![
        strip([-15.0, 0.001, -1.2], 30.0, 0.06, [0.60, 0.60, 0.56]),
        strip([0.45, 0.001, -1.26], 0.06, 1.4, [0.60, 0.60, 0.56]),
        strip([-15.0, 0.0015, 0.95], 30.0, 0.05, [0.08, 0.22, 0.42]),
    ]
}

/// A board with papers beside the bars.
fn notice_board() -> Vec<Piece> {
    let sheet = |x: f64, y: f64, width_m: f64, height_m: f64, colour: Rgb| {
        Piece::upright([x, y, -2.55], Outline::Rectangle { width_m, height_m }, Paint::Plain(colour))
    };
    let frame = Outline::Rectangle { width_m: 1.20, height_m: 0.80 };
    let cork = Outline::Rectangle { width_m: 1.12, height_m: 0.72 };
    vec![
        Piece::upright([-1.25, 1.28, -2.57], frame, Paint::Wood([0.30, 0.18, 0.08])),
        Piece::upright([-1.21, 1.32, -2.56], cork, Paint::Sand([0.42, 0.29, 0.17])),
        sheet(-1.14, 1.52, 0.26, 0.37, [0.62, 0.62, 0.58]),
        sheet(-0.82, 1.60, 0.30, 0.21, [0.10, 0.28, 0.45]),
        sheet(-0.80, 1.37, 0.21, 0.19, [0.60, 0.50, 0.16]),
        sheet(-0.45, 1.42, 0.28, 0.40, [0.58, 0.60, 0.62]),
        sheet(-0.41, 1.66, 0.20, 0.12, [0.12, 0.34, 0.20]),
    ]
}

/// A ladder of wooden bars on the wall.
fn wall_bars(x_m: f64) -> Vec<Piece> {
    let wood = || Paint::Wood([0.44, 0.29, 0.14]);
    let bar = |i: usize| {
        let y = 0.35 + 0.16 * i as f64;
        Piece::beam([x_m, y, -2.52], [x_m + 1.0, y, -2.52], 0.04, wood())
    };
    let post = |x: f64| Piece::beam([x, 0.1, -2.5], [x, 2.9, -2.5], 0.06, wood());
    (0..16).map(bar).chain([post(x_m), post(x_m + 1.0)]).collect()
}

/// Pennants on a sagging string.
fn bunting() -> Vec<Piece> {
    const COLOURS: [Rgb; 5] =
        [[0.45, 0.07, 0.08], [0.60, 0.45, 0.06], [0.06, 0.25, 0.42], [0.10, 0.32, 0.14], [0.55, 0.54, 0.50]];
    let string = |x: f64| {
        let span = (x + 3.0).rem_euclid(2.9) / 2.9;
        2.66 - 0.95 * span * (1.0 - span)
    };
    let pennant = |i: usize| {
        let x = -2.6 + 0.29 * i as f64;
        let (left, right) = (string(x + 0.02), string(x + 0.25));
        let corners = vec![[x + 0.02, left], [x + 0.25, right], [x + 0.135, 0.5 * (left + right) - 0.27]];
        Piece::upright([0.0, 0.0, -2.45], Outline::Polygon(corners), Paint::Plain(COLOURS[i % COLOURS.len()]))
    };
    let cord = |i: usize| {
        let x = -2.6 + 0.145 * i as f64;
        Piece::beam([x, string(x), -2.44], [x + 0.15, string(x + 0.1449), -2.44], 0.012, Paint::Plain([0.5; 3]))
    };
    (0..27).map(pennant).chain((0..54).map(cord)).collect()
}

/// The frame that carries the arm; the arm itself moves.
fn catapult() -> Vec<Piece> {
    let wood = |tone: f32| Paint::Wood([0.27 * tone, 0.125 * tone, 0.045 * tone]);
    let angle = (LAUNCH_DEG + 90.0).to_radians();
    let pivot = [RELEASE_M[0] - ARM_M * angle.cos(), RELEASE_M[1] - ARM_M * angle.sin()];
    let z = BEHIND_M;
    let beam = |a: [f64; 2], b: [f64; 2], thickness: f64, dz: f64, tone: f32| {
        Piece::beam([a[0], a[1], z + dz], [b[0], b[1], z + dz], thickness, wood(tone))
    };
    let disc = |at: [f64; 2], dz: f64, radius_m: f64, paint: Paint| {
        Piece::upright([at[0], at[1], z + dz], Outline::Disc { radius_m }, paint)
    };
    // Where the arm is stopped: a padded bar across its way, on a slanted post.
    let stop = [pivot[0] + 0.27 * angle.cos() + 0.045, pivot[1] + 0.27 * angle.sin() + 0.05];
    let along = [0.035 * angle.cos(), 0.035 * angle.sin()];
    let pad = Piece::beam(
        [stop[0] - along[0], stop[1] - along[1], z],
        [stop[0] + along[0], stop[1] + along[1], z],
        0.05,
        Paint::Plain([0.20, 0.03, 0.03]),
    );
    let mut set = vec![
        beam([-0.72, 0.13], [0.66, 0.13], 0.09, 0.0, 1.0),
        beam([-0.66, 0.17], [-0.66, 0.30], 0.06, -0.001, 0.9),
        beam([pivot[0] - 0.27, 0.14], [pivot[0] + 0.01, pivot[1] + 0.02], 0.07, -0.01, 0.85),
        beam([pivot[0] + 0.34, 0.14], [pivot[0] - 0.01, pivot[1] + 0.02], 0.07, -0.012, 0.75),
        beam([pivot[0] + 0.02, pivot[1] - 0.02], stop, 0.05, -0.014, 0.7),
        pad,
        disc(pivot, 0.001, 0.026, Paint::Plain([0.20, 0.20, 0.21])).before_the_balls(),
    ];
    for x in [-0.52, 0.48] {
        set.push(disc([x, 0.10], 0.002, 0.10, Paint::Plain([0.10, 0.045, 0.02])));
        set.push(disc([x, 0.10], 0.0025, 0.082, Paint::Wood([0.24, 0.115, 0.045])));
        set.push(disc([x, 0.10], 0.003, 0.022, Paint::Plain([0.20, 0.20, 0.21])));
    }
    set
}

/// Two feet that hold the batten level.
fn trestles() -> Vec<Piece> {
    let foot = |x: f64| {
        [
            Piece::beam([x - 0.06, 0.0, -0.02], [x, 0.30, -0.02], 0.025, Paint::Wood([0.30, 0.18, 0.08])),
            Piece::beam([x + 0.06, 0.0, -0.021], [x, 0.30, -0.021], 0.025, Paint::Wood([0.26, 0.16, 0.07])),
        ]
    };
    [0.95, 1.55].into_iter().flat_map(foot).collect()
}

/// A bucket of sand: the near half of rim and sand, and the body, stand before the ball, so that it sinks in.
fn bucket() -> Vec<Piece> {
    const BLUE: Rgb = [0.04, 0.16, 0.34];
    let half_disc = |radius: f64, near: bool| {
        let turn = |i: usize| std::f64::consts::PI * (i as f64 / 24.0 + if near { 1.0 } else { 0.0 });
        Outline::Polygon((0..=24).map(|i| [radius * turn(i).cos(), radius * turn(i).sin()]).collect())
    };
    let lid = |radius: f64, near: bool, y: f64, paint: Paint| Piece {
        origin_m: [BUCKET_X_M, y, 0.0],
        outline: half_disc(radius, near),
        in_front: near,
        takes_shadow: false,
        ..Piece::floor(y, paint)
    };
    let foot = 0.75 * RIM_RADIUS_M;
    let body = vec![[-foot, 0.0], [foot, 0.0], [RIM_RADIUS_M, RIM_Y_M], [-RIM_RADIUS_M, RIM_Y_M]];
    let side = Paint::Tube { colour: BLUE, width_m: (2.0 * RIM_RADIUS_M) as f32 };
    let rim = || Paint::Plain([0.10, 0.28, 0.50]);
    let sand = || Paint::Sand([0.52, 0.40, 0.22]);
    vec![
        Piece::upright([BUCKET_X_M, 0.0, 0.001], Outline::Polygon(body), side).before_the_balls(),
        lid(RIM_RADIUS_M, true, RIM_Y_M, rim()),
        lid(RIM_RADIUS_M, false, RIM_Y_M, rim()),
        lid(0.9 * RIM_RADIUS_M, true, RIM_Y_M + 0.001, sand()),
        lid(0.9 * RIM_RADIUS_M, false, RIM_Y_M + 0.001, sand()),
    ]
}
