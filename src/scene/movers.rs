//! Things other than balls that move: a walker, blinking lamps, a rolling ball, and the catapult's arm. All are drawn as
//! rounded limbs.

use super::camera::{Vec3, View};
use super::motion::Path;
use super::paint::Rgb;

/// A moving thing that isn't a launched ball.
#[derive(Debug, Clone, PartialEq)]
pub enum Mover {
    /// A person who walks along x at an even pace, arms and legs swinging.
    Walker {
        /// Where the person is at time 0, on the ground, m.
        start_m: [f64; 3],
        /// To the right above zero.
        speed_m_per_s: f64,
        height_m: f64,
        coat: Rgb,
        trousers: Rgb,
    },
    /// A round light that is on for `on_share` of each period.
    Lamp { centre_m: [f64; 3], radius_m: f64, colour: Rgb, period_s: f64, on_share: f64 },
    /// A ball that rolls on the ground at an even speed.
    Roller { start_m: [f64; 3], speed_m_per_s: f64, radius_m: f64, colour: Rgb },
    /// A bob on a thread, swinging across the view.
    Pendulum { pivot_m: [f64; 3], length_m: f64, swing_deg: f64, radius_m: f64, colour: Rgb },
    /// A ball whirled on a string at an even rate.
    Whirl { pivot_m: [f64; 3], length_m: f64, turns_per_s: f64, radius_m: f64, colour: Rgb },
    /// A ball in a hand that moves evenly to the right, and up and down as people walk.
    Carried { start_m: [f64; 3], speed_m_per_s: f64, rise_m: f64, radius_m: f64, colour: Rgb },
}

/// A rounded stick from `a` to `b`.
#[derive(Debug, Clone, Copy)]
pub struct Limb {
    pub a: Vec3,
    pub b: Vec3,
    pub radius_m: f64,
    pub colour: Rgb,
}

/// A limb as seen, px.
#[derive(Debug, Clone, Copy)]
pub struct SeenLimb {
    pub a: [f64; 2],
    pub b: [f64; 2],
    pub radius: f64,
    pub colour: Rgb,
}

const SKIN: Rgb = [0.42, 0.25, 0.17];
const HAIR: Rgb = [0.03, 0.02, 0.015];
const SLEEVE: Rgb = [0.10, 0.13, 0.20];
const WOOD: Rgb = [0.33, 0.17, 0.07];

impl Mover {
    /// Depth in the scene, to sort by, m.
    pub const fn z_m(&self) -> f64 {
        match self {
            Self::Walker { start_m, .. } | Self::Roller { start_m, .. } | Self::Carried { start_m, .. } => start_m[2],
            Self::Lamp { centre_m, .. } => centre_m[2],
            Self::Pendulum { pivot_m, .. } | Self::Whirl { pivot_m, .. } => pivot_m[2],
        }
    }

    /// Its limbs at `t` s, the farther first; none when nothing shows.
    pub fn limbs(&self, t: f64) -> Vec<Limb> {
        match self {
            Self::Walker { start_m, speed_m_per_s, height_m, coat, trousers } => walker(
                Vec3::from(*start_m) + Vec3::x() * (speed_m_per_s * t),
                *speed_m_per_s,
                *height_m,
                t,
                [*coat, *trousers],
            ),
            Self::Lamp { centre_m, radius_m, colour, period_s, on_share } => {
                let on = (t / period_s).rem_euclid(1.0) < *on_share;
                let c = Vec3::from(*centre_m);
                if on { vec![Limb { a: c, b: c, radius_m: *radius_m, colour: *colour }] } else { Vec::new() }
            }
            Self::Roller { start_m, speed_m_per_s, radius_m, colour } => {
                let c = Vec3::from(*start_m) + Vec3::new(speed_m_per_s * t, *radius_m, 0.0);
                vec![Limb { a: c, b: c, radius_m: *radius_m, colour: *colour }]
            }
            Self::Pendulum { pivot_m, length_m, swing_deg, radius_m, colour } => {
                let pivot = Vec3::from(*pivot_m);
                let rate = (9.81 / length_m).sqrt();
                let angle = swing_deg.to_radians() * (rate * t).cos();
                on_a_thread(pivot, angle, *length_m, *radius_m, *colour)
            }
            Self::Whirl { pivot_m, length_m, turns_per_s, radius_m, colour } => {
                let angle = std::f64::consts::TAU * turns_per_s * t;
                on_a_thread(Vec3::from(*pivot_m), angle, *length_m, *radius_m, *colour)
            }
            Self::Carried { start_m, speed_m_per_s, rise_m, radius_m, colour } => {
                // Two steps a second.
                let lift = rise_m * (std::f64::consts::TAU * t).sin();
                let c = Vec3::from(*start_m) + Vec3::new(speed_m_per_s * t, lift, 0.0);
                let ball = Limb { a: c, b: c, radius_m: *radius_m, colour: *colour };
                let mut limbs = palm(c, *radius_m);
                limbs.push(ball);
                limbs
            }
        }
    }
}

/// The arm of a catapult with a small cup at its end; nothing for other launchers.
pub fn arm(path: &Path, t: f64) -> Vec<Limb> {
    let (Some(pivot), Some(angle)) = (path.pivot(), path.arm_angle(t)) else { return Vec::new() };
    let direction = Vec3::new(angle.cos(), angle.sin(), 0.0);
    let across = Vec3::new(-angle.sin(), angle.cos(), 0.0);
    let launch = path.launch();
    let radius = launch.ball.radius_m;
    let tip = pivot + direction * (Vec3::from(launch.release_m) - pivot).norm();
    // The cup sits behind the ball, on the side away from the throw (the arm turns clockwise for a throw to the right).
    let seat = tip + across * (radius + 0.011);
    let stick = |a: Vec3, b: Vec3, radius_m: f64, tone: f32| Limb { a, b, radius_m, colour: WOOD.map(|c| c * tone) };
    vec![
        stick(pivot - direction * 0.10, seat - direction * (radius * 0.9), 0.021, 1.0),
        stick(seat - direction * (radius * 1.0), seat + direction * (radius * 0.9), 0.011, 0.75),
    ]
}

fn on_a_thread(pivot: Vec3, angle: f64, length_m: f64, radius_m: f64, colour: Rgb) -> Vec<Limb> {
    let bob = pivot + Vec3::new(angle.sin(), -angle.cos(), 0.0) * length_m;
    vec![Limb { a: pivot, b: bob, radius_m: 0.004, colour: [0.1; 3] }, Limb { a: bob, b: bob, radius_m, colour }]
}

/// The hand that tosses a ball; nothing for other launchers.
pub fn hand(path: &Path, t: f64) -> Vec<Limb> {
    path.in_hand(t).map_or_else(Vec::new, |centre| palm(centre, path.launch().ball.radius_m))
}

/// A hand under a ball and the forearm that comes from the left, as seen by the camera. Sizes are common practice in figure
/// drawing, no source.
fn palm(centre: Vec3, radius_m: f64) -> Vec<Limb> {
    let at = |x: f64, y: f64| centre + Vec3::new(x, y, 0.0);
    let under = -radius_m - 0.012;
    let limb = |a: Vec3, b: Vec3, radius_m: f64, colour: Rgb| Limb { a, b, radius_m, colour };
    let (wrist, elbow) = (at(-0.085 - 0.3 * radius_m, under - 0.015), at(-0.34, under - 0.11));
    vec![
        limb(wrist, elbow, 0.028, SKIN),
        limb(elbow + (wrist - elbow) * 0.35, elbow, 0.042, SLEEVE),
        limb(wrist, at(0.6 * radius_m, under), 0.019, SKIN),
        limb(at(0.5 * radius_m, under), at(1.15 * radius_m + 0.012, under + 0.03), 0.009, SKIN),
        limb(at(-0.8 * radius_m, under), at(-1.1 * radius_m - 0.012, under + 0.03), 0.010, SKIN),
    ]
}

/// A limb projected; `None` when an end is behind the camera.
pub fn see(limb: &Limb, view: &View) -> Option<SeenLimb> {
    let (a, b) = (view.project(&limb.a)?, view.project(&limb.b)?);
    let radius = limb.radius_m * view.pixels_per_metre(&((limb.a + limb.b) / 2.0));
    Some(SeenLimb { a: [a.x, a.y], b: [b.x, b.y], radius, colour: limb.colour })
}

impl SeenLimb {
    /// Distance of a place outside the limb's edge, px; below zero inside.
    pub fn distance(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (self.b[0] - self.a[0], self.b[1] - self.a[1]);
        let length2 = dx * dx + dy * dy;
        let along = if length2 > 0.0 { ((x - self.a[0]) * dx + (y - self.a[1]) * dy) / length2 } else { 0.0 };
        let s = along.clamp(0.0, 1.0);
        (x - self.a[0] - s * dx).hypot(y - self.a[1] - s * dy) - self.radius
    }

    /// Bounding box with a pixel to spare: x from, x to, y from, y to.
    pub fn bounds(&self) -> [f64; 4] {
        let r = self.radius + 1.5;
        [
            self.a[0].min(self.b[0]) - r,
            self.a[0].max(self.b[0]) + r,
            self.a[1].min(self.b[1]) - r,
            self.a[1].max(self.b[1]) + r,
        ]
    }
}

/// A person as limbs; `foot` is the point on the ground below the hips. Proportions are common practice in figure drawing, no
/// source.
fn walker(foot: Vec3, speed: f64, height: f64, t: f64, [coat, trousers]: [Rgb; 2]) -> Vec<Limb> {
    // Who stands shifts a little from foot to foot.
    let length = if speed == 0.0 { 0.12 } else { 1.0 };
    let stride = length * (t * std::f64::consts::TAU * 0.9 * speed.abs().max(0.3) / 1.2).sin();
    let facing = if speed < 0.0 { -1.0 } else { 1.0 };
    let at = |x: f64, y: f64| foot + Vec3::new(facing * x * height, y * height, 0.0);
    let limb = |a: Vec3, b: Vec3, r: f64, colour: Rgb| Limb { a, b, radius_m: r * height, colour };
    let (hip, shoulder) = (at(0.0, 0.50), at(0.0, 0.79));
    let mut limbs = Vec::new();
    for (side, tone) in [(-1.0, 0.75_f32), (1.0, 1.0)] {
        let swing = side * stride;
        let knee = at(0.11 * swing + 0.02, 0.28);
        let sole = at(0.17 * swing - 0.03 * (1.0 - swing.abs()), 0.03 + 0.03 * (-swing).max(0.0));
        let dark = trousers.map(|c| c * tone);
        limbs.push(limb(hip, knee, 0.045, dark));
        limbs.push(limb(knee, sole, 0.034, dark));
        limbs.push(limb(sole, sole + Vec3::new(facing * 0.05 * height, 0.0, 0.0), 0.025, HAIR));
        let elbow = at(-0.09 * swing, 0.62);
        let hand = at(-0.15 * swing + 0.04, 0.47);
        limbs.push(limb(shoulder, elbow, 0.030, coat.map(|c| c * tone * 0.9)));
        limbs.push(limb(elbow, hand, 0.025, coat.map(|c| c * tone * 0.9)));
        limbs.push(limb(hand, hand, 0.024, SKIN));
        if side < 0.0 {
            limbs.push(limb(hip, at(0.0, 0.77), 0.075, coat));
            limbs.push(limb(shoulder, at(0.01, 0.86), 0.030, SKIN));
            limbs.push(limb(at(0.015, 0.915), at(0.015, 0.93), 0.058, SKIN));
            limbs.push(limb(at(-0.005, 0.945), at(0.0, 0.955), 0.052, HAIR));
        }
    }
    limbs
}
