//! How the balls of a scene move: launcher, free flight with air, bounces, rest. Own integration, independent of `flight`.

use nalgebra::{Matrix3, Rotation3};

use super::camera::Vec3;
use super::print::Print;

/// A ball and how it looks.
#[derive(Debug, Clone, PartialEq)]
pub struct Ball {
    pub radius_m: f64,
    pub mass_kg: f64,
    /// Reflectance in linear light, red, green, blue, 0 to 1.
    pub albedo: [f64; 3],
    /// Share of the light that comes from everywhere; the rest comes from the lamp. 1 makes a flat disc.
    pub ambient: f64,
    /// Strength of the highlight, 0 for foam.
    pub specular: f64,
    /// Turns with the ball.
    pub print: Print,
    /// How far fur stands out, m; the edge fades over twice that, about the radius.
    pub fur_m: f64,
    /// Turns a second about the scene's x, y and z while the ball flies and bounces.
    pub spin_per_s: [f64; 3],
}

impl Ball {
    /// An orange foam ball, 70 mm across.
    pub const fn orange_foam() -> Self {
        Self {
            radius_m: 0.035,
            mass_kg: 0.025,
            albedo: [0.82, 0.24, 0.03],
            ambient: 0.5,
            specular: 0.0,
            print: Print::Plain,
            fur_m: 0.0,
            spin_per_s: [0.0; 3],
        }
    }
}

/// The air that a ball meets: quadratic drag with a constant coefficient, in still air.
#[derive(Debug, Clone, PartialEq)]
pub struct Air {
    /// kg/m³; 0 for none.
    pub density: f64,
    pub drag_coefficient: f64,
    pub buoyancy: bool,
    /// Half the displaced mass moves with the sphere (Batchelor, *An Introduction to Fluid Dynamics*, §6.8).
    pub added_mass: bool,
}

impl Air {
    pub const NONE: Self = Self { density: 0.0, drag_coefficient: 0.0, buoyancy: false, added_mass: false };

    /// A room's; 0.45 is the middle of the flat part of a sphere's drag (Clift, Grace and Weber, *Bubbles, Drops, and Particles*, ch. 5).
    pub const ROOM: Self = Self { density: 1.2, drag_coefficient: 0.45, buoyancy: true, added_mass: true };
}

/// What brings the ball to its launch speed.
#[derive(Debug, Clone, PartialEq)]
pub enum Launcher {
    /// Pushed from rest with even acceleration along a straight stroke inside a tube that hides it.
    Tube { stroke_m: f64 },
    /// As a tube, but open: the ball is seen all the while.
    Rail { stroke_m: f64 },
    /// A catapult: a visible arm swings through an angle with even angular acceleration and lets the ball go when square to
    /// the launch direction.
    Arm { length_m: f64, swing_deg: f64 },
    /// Tossed by a hand in view, which pushes it from rest with even acceleration, follows on and comes back to where it let go.
    Hand { stroke_m: f64 },
    /// Held still and let go, or thrown from outside what can be seen: at rest until the release.
    Held,
}

/// One launch.
#[derive(Debug, Clone, PartialEq)]
pub struct Launch {
    pub ball: Ball,
    pub launcher: Launcher,
    /// When the ball is first there at all, s; before it the ball isn't in the scene.
    pub placed_s: f64,
    /// When free flight begins, s.
    pub release_s: f64,
    /// Ball centre at the release, m.
    pub release_m: [f64; 3],
    pub speed_m_per_s: f64,
    /// Above the horizontal, towards +x; more than 90° throws to the left.
    pub angle_deg: f64,
}

/// What a ball meets: a level piece of ground, bench or sand.
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    pub height_m: f64,
    pub from_x_m: f64,
    pub to_x_m: f64,
    /// Upward over downward speed; `None` holds the ball where it touches.
    pub restitution: Option<f64>,
    /// Share of the speed along the surface that is left after a touch.
    pub grip: f64,
}

/// What a ball is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    Rest,
    Launch,
    Flight,
    After,
}

/// A touch of a surface.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Impact {
    pub time_s: f64,
    /// Ball centre, m.
    pub x_m: f64,
    pub y_m: f64,
    /// Velocity on arrival, m/s.
    pub vx_m_per_s: f64,
    pub vy_m_per_s: f64,
}

#[derive(Debug, Clone, Copy)]
struct Knot {
    t: f64,
    p: Vec3,
    v: Vec3,
}

/// Where one ball is at any time.
#[derive(Debug, Clone)]
pub struct Path {
    launch: Launch,
    stroke_s: f64,
    knots: Vec<Knot>,
    pub impacts: Vec<Impact>,
}

/// Steps this short keep the error of the fourth-order rule under 1e-11 m for a table-tennis ball, and find every touch.
const STEP_S: f64 = 1e-3;
/// Below this upward speed a bouncing ball is taken to have come to rest.
const REST_SPEED: f64 = 0.12;

impl Path {
    /// Works out the path of `launch` until `until_s`.
    pub fn new(launch: &Launch, air: &Air, gravity: f64, surfaces: &[Surface], until_s: f64) -> Self {
        // A launcher that gives no speed moves nothing.
        let stroke_s = match launch.launcher {
            _ if launch.speed_m_per_s <= 0.0 => 0.0,
            Launcher::Tube { stroke_m } | Launcher::Rail { stroke_m } | Launcher::Hand { stroke_m } => {
                2.0 * stroke_m / launch.speed_m_per_s
            }
            Launcher::Arm { length_m, swing_deg } => 2.0 * swing_deg.to_radians() * length_m / launch.speed_m_per_s,
            Launcher::Held => 0.0,
        };
        let mut path = Self { launch: launch.clone(), stroke_s, knots: Vec::new(), impacts: Vec::new() };
        path.integrate(&Force::new(&launch.ball, air, gravity), surfaces, until_s);
        path
    }

    /// The whole path's launch.
    pub const fn launch(&self) -> &Launch {
        &self.launch
    }

    /// When the launcher starts to move the ball, s.
    pub fn stroke_start_s(&self) -> f64 {
        self.launch.release_s - self.stroke_s
    }

    /// When free flight ends: the first touch, if there is one.
    pub fn flight_end_s(&self) -> Option<f64> {
        self.impacts.first().map(|i| i.time_s)
    }

    /// What the ball is doing at `t` s; `None` before it is in the scene.
    pub fn phase(&self, t: f64) -> Option<Phase> {
        if t < self.launch.placed_s {
            return None;
        }
        Some(if t < self.stroke_start_s() {
            Phase::Rest
        } else if t < self.launch.release_s {
            Phase::Launch
        } else if self.flight_end_s().is_none_or(|end| t < end) {
            Phase::Flight
        } else {
            Phase::After
        })
    }

    /// Ball centre at `t` s; the place of rest for times before the ball is put there.
    pub fn position(&self, t: f64) -> Vec3 {
        if t >= self.launch.release_s { self.free_position(t) } else { self.stroke_position(t) }
    }

    /// Velocity by a central difference over 20 µs; used for drawing and reporting, not for the physics.
    pub fn velocity(&self, t: f64) -> Vec3 {
        (self.position(t + 1e-5) - self.position(t - 1e-5)) / 2e-5
    }

    /// Direction of the catapult's arm from its pivot at `t`, radians from +x; `None` for other launchers. After the release it
    /// runs on, is stopped and springs back a little.
    pub fn arm_angle(&self, t: f64) -> Option<f64> {
        let Launcher::Arm { length_m, swing_deg } = self.launch.launcher else { return None };
        let at_release = self.launch.angle_deg.to_radians() + std::f64::consts::FRAC_PI_2;
        let after = t - self.launch.release_s;
        Some(if after < 0.0 {
            let share = ((t - self.stroke_start_s()) / self.stroke_s).clamp(0.0, 1.0);
            at_release + swing_deg.to_radians() * (1.0 - share * share)
        } else {
            // A stiff stop: damped swing about its end place, leaving with the release's angular speed.
            let (rate, damping) = (55.0, 18.0);
            let omega = self.launch.speed_m_per_s / length_m;
            at_release - omega / rate * (-damping * after).exp() * (rate * after).sin()
        })
    }

    /// Where the ball's centre lies, or would lie, in the hand that tosses it; `None` for other launchers.
    pub fn in_hand(&self, t: f64) -> Option<Vec3> {
        let Launcher::Hand { .. } = self.launch.launcher else { return None };
        let after = t - self.launch.release_s;
        if after < 0.0 {
            return Some(self.stroke_position(t));
        }
        // Leaves with half the ball's speed, and is back after some tenths of a second.
        let way = 0.5 * self.launch.speed_m_per_s * after * (-after / 0.06).exp();
        Some(Vec3::from(self.launch.release_m) + self.direction() * way)
    }

    /// From a direction in the scene to that in the turned ball's own frame, at `t` s.
    pub fn turn(&self, t: f64) -> Matrix3<f64> {
        let start = self.launch.release_s;
        let end = self.knots.last().map_or(start, |k| k.t);
        let turns = Vec3::from(self.launch.ball.spin_per_s) * (t.clamp(start, end.max(start)) - start);
        // Turned askew at first, so that no pole faces the camera.
        let askew = Rotation3::from_euler_angles(0.5, 0.7, 0.2);
        (Rotation3::from_scaled_axis(turns * std::f64::consts::TAU) * askew).inverse().into_inner()
    }

    /// Where the arm turns.
    pub fn pivot(&self) -> Option<Vec3> {
        let Launcher::Arm { length_m, .. } = self.launch.launcher else { return None };
        let angle = self.launch.angle_deg.to_radians() + std::f64::consts::FRAC_PI_2;
        Some(Vec3::from(self.launch.release_m) - Vec3::new(angle.cos(), angle.sin(), 0.0) * length_m)
    }

    fn stroke_position(&self, t: f64) -> Vec3 {
        let release = Vec3::from(self.launch.release_m);
        match self.launch.launcher {
            Launcher::Held => release,
            Launcher::Arm { length_m, .. } => {
                let angle = self.arm_angle(t).unwrap_or_default();
                self.pivot().unwrap_or(release) + Vec3::new(angle.cos(), angle.sin(), 0.0) * length_m
            }
            Launcher::Tube { stroke_m } | Launcher::Rail { stroke_m } | Launcher::Hand { stroke_m } => {
                let share = ((t - self.stroke_start_s()) / self.stroke_s).clamp(0.0, 1.0);
                release - self.direction() * (stroke_m * (1.0 - share * share))
            }
        }
    }

    fn direction(&self) -> Vec3 {
        let angle = self.launch.angle_deg.to_radians();
        Vec3::new(angle.cos(), angle.sin(), 0.0)
    }

    fn free_position(&self, t: f64) -> Vec3 {
        let after = self.knots.partition_point(|k| k.t <= t);
        let a = self.knots[after.saturating_sub(1)];
        let Some(b) = self.knots.get(after) else { return a.p };
        hermite(&a, b, t)
    }

    fn integrate(&mut self, force: &Force, surfaces: &[Surface], until_s: f64) {
        let l = &self.launch;
        let mut now = Knot { t: l.release_s, p: l.release_m.into(), v: self.direction() * l.speed_m_per_s };
        self.knots.push(now);
        while now.t < until_s {
            let next = force.step(&now, STEP_S);
            let Some((surface, touch)) = first_touch(force, &now, &next, surfaces, l.ball.radius_m) else {
                self.knots.push(next);
                now = next;
                continue;
            };
            self.knots.push(touch);
            self.impacts.push(impact_of(&touch));
            match surface.restitution {
                Some(e) if -touch.v.y * e > REST_SPEED => {
                    now = Knot { v: Vec3::new(touch.v.x * surface.grip, -touch.v.y * e, touch.v.z), ..touch };
                    self.knots.push(now);
                }
                _ => {
                    self.knots.push(Knot { v: Vec3::zeros(), ..touch });
                    return;
                }
            }
        }
    }
}

fn impact_of(k: &Knot) -> Impact {
    Impact { time_s: k.t, x_m: k.p.x, y_m: k.p.y, vx_m_per_s: k.v.x, vy_m_per_s: k.v.y }
}

/// Cubic through both ends with both velocities.
fn hermite(a: &Knot, b: &Knot, t: f64) -> Vec3 {
    let h = b.t - a.t;
    if h <= 0.0 {
        return a.p;
    }
    let s = (t - a.t) / h;
    let (s2, s3) = (s * s, s * s * s);
    a.p * (2.0 * s3 - 3.0 * s2 + 1.0)
        + a.v * (h * (s3 - 2.0 * s2 + s))
        + b.p * (3.0 * s2 - 2.0 * s3)
        + b.v * (h * (s3 - s2))
}

/// The surface that the ball's underside meets between two knots, and the knot of that moment.
fn first_touch<'s>(
    force: &Force,
    from: &Knot,
    to: &Knot,
    surfaces: &'s [Surface],
    radius_m: f64,
) -> Option<(&'s Surface, Knot)> {
    let touched = surfaces.iter().filter(|s| {
        let level = s.height_m + radius_m;
        let x = to.p.x;
        from.p.y >= level && to.p.y < level && to.v.y < 0.0 && (s.from_x_m..=s.to_x_m).contains(&x)
    });
    let surface = touched.max_by(|a, b| a.height_m.total_cmp(&b.height_m))?;
    let level = surface.height_m + radius_m;
    let (mut low, mut high) = (0.0, to.t - from.t);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if force.step(from, middle).p.y >= level { low = middle } else { high = middle }
    }
    let mut touch = force.step(from, low);
    touch.p.y = level;
    Some((surface, touch))
}

/// Acceleration of a ball: weight less buoyancy, and drag against the velocity.
struct Force {
    weight: f64,
    drag_per_m: f64,
}

impl Force {
    fn new(ball: &Ball, air: &Air, gravity: f64) -> Self {
        let displaced = air.density * 4.0 / 3.0 * std::f64::consts::PI * ball.radius_m.powi(3) / ball.mass_kg;
        let inertia = if air.added_mass { 1.0 + 0.5 * displaced } else { 1.0 };
        let lift = if air.buoyancy { displaced } else { 0.0 };
        let area = std::f64::consts::PI * ball.radius_m * ball.radius_m;
        Self {
            weight: gravity * (1.0 - lift) / inertia,
            drag_per_m: air.density * air.drag_coefficient * area / (2.0 * ball.mass_kg) / inertia,
        }
    }

    fn acceleration(&self, v: &Vec3) -> Vec3 {
        Vec3::new(0.0, -self.weight, 0.0) - v * (self.drag_per_m * v.norm())
    }

    /// One step of the classical fourth-order Runge–Kutta rule.
    fn step(&self, k: &Knot, h: f64) -> Knot {
        let a1 = self.acceleration(&k.v);
        let v2 = k.v + a1 * (h / 2.0);
        let a2 = self.acceleration(&v2);
        let v3 = k.v + a2 * (h / 2.0);
        let a3 = self.acceleration(&v3);
        let v4 = k.v + a3 * h;
        let a4 = self.acceleration(&v4);
        Knot {
            t: k.t + h,
            p: k.p + (k.v + v2 * 2.0 + v3 * 2.0 + v4) * (h / 6.0),
            v: k.v + (a1 + a2 * 2.0 + a3 * 2.0 + a4) * (h / 6.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn launch(ball: Ball, launcher: Launcher, speed: f64, angle: f64) -> Launch {
        Launch {
            ball,
            launcher,
            placed_s: 0.0,
            release_s: 0.5,
            release_m: [0.0, 1.0, 0.0],
            speed_m_per_s: speed,
            angle_deg: angle,
        }
    }

    fn ball(mass_kg: f64, diameter: f64) -> Ball {
        Ball { radius_m: diameter / 2.0, mass_kg, ..Ball::orange_foam() }
    }

    /// Against the trajectories of `fixtures/drag_air.toml` with a constant coefficient (Taylor series, tolerance 1e-17).
    #[test]
    fn drag_agrees_with_the_high_precision_trajectories() {
        let file: toml::Table = toml::from_str(include_str!("../../fixtures/drag_air.toml")).unwrap();
        let mut checked = 0;
        for case in file["trajectory"].as_array().unwrap() {
            let Some(cd) = case.get("cd").and_then(toml::Value::as_float) else { continue };
            let number = |key: &str| case[key].as_float().unwrap();
            let air = Air {
                density: number("rho"),
                drag_coefficient: cd,
                buoyancy: case["buoyancy"].as_bool().unwrap(),
                added_mass: false,
            };
            let l = launch(ball(number("mass"), number("diameter")), Launcher::Held, number("v0"), number("angle"));
            let path = Path::new(&l, &air, number("g"), &[], 3.0);
            let rows: Vec<[f64; 5]> = case["path"].clone().try_into().unwrap();
            for [t, x, y, ..] in rows {
                let p = path.position(0.5 + t);
                // The step's error is of order 1e-12 m; the file gives 13 digits.
                assert!((p.x - x).abs() < 1e-10 && (p.y - 1.0 - y).abs() < 1e-10, "{} at {t}: {p}", case["id"]);
                checked += 1;
            }
        }
        assert!(checked >= 40, "{checked} points");
    }

    /// Against the closed form of a drop with quadratic drag in `fixtures/drag_air.toml`.
    #[test]
    fn a_drop_agrees_with_the_closed_form() {
        let file: toml::Table = toml::from_str(include_str!("../../fixtures/drag_air.toml")).unwrap();
        for case in file["vertical"].as_array().unwrap() {
            let number = |key: &str| case[key].as_float().unwrap();
            let air = Air { density: 1.2, drag_coefficient: number("cd"), buoyancy: false, added_mass: false };
            let l = launch(ball(number("mass"), number("diameter")), Launcher::Held, 0.0, 0.0);
            let path = Path::new(&l, &air, 9.81, &[], 2.0);
            let fall = 1.0 - path.position(1.0).y;
            assert!((fall - number("fall_in_0_5s")).abs() < 1e-10, "{}: {fall}", case["ball"]);
        }
    }

    #[test]
    fn touches_are_found_where_the_parabola_meets_the_ground() {
        let ground = Surface { height_m: 0.0, from_x_m: -9.0, to_x_m: 9.0, restitution: Some(0.5), grip: 0.8 };
        let l = launch(Ball::orange_foam(), Launcher::Held, 4.0, 30.0);
        let path = Path::new(&l, &Air::NONE, 9.81, &[ground], 6.0);
        // y = 1 + 2 t − 4.905 t² = 0.035
        let t = (2.0 + (4.0_f64 + 4.0 * 4.905 * 0.965).sqrt()) / 9.81;
        let touch = path.impacts[0];
        // Bisection over a 1 ms step, 60 halvings: rounding only.
        assert!((touch.time_s - 0.5 - t).abs() < 1e-12, "{touch:?}");
        assert!((touch.vy_m_per_s + (4.0 + 2.0 * 9.81 * 0.965_f64).sqrt()).abs() < 1e-11);
        // Second hop lasts 2 e v / g.
        let hop = 2.0 * 0.5 * -touch.vy_m_per_s / 9.81;
        assert!((path.impacts[1].time_s - touch.time_s - hop).abs() < 1e-11);
        assert_eq!(path.phase(touch.time_s + 0.01), Some(Phase::After));
    }

    #[test]
    fn every_launcher_hands_over_place_and_velocity_without_a_jump() {
        let all = [
            Launcher::Tube { stroke_m: 0.2 },
            Launcher::Rail { stroke_m: 0.1 },
            Launcher::Arm { length_m: 0.5, swing_deg: 70.0 },
        ];
        for launcher in all {
            let path = Path::new(&launch(Ball::orange_foam(), launcher, 4.0, 50.0), &Air::NONE, 9.81, &[], 2.0);
            let before = (path.position(0.5 - 1e-7) - path.position(0.5 - 2e-7)) / 1e-7;
            let after = (path.position(0.5 + 2e-7) - path.position(0.5 + 1e-7)) / 1e-7;
            // Accelerations of some 100 m/s² over 3e-7 s: 3e-5 m/s; rounding of the difference is 1e-9 / 1e-7.
            assert!((before - after).norm() < 1e-3, "{before} {after}");
            assert_eq!(path.phase(0.49), Some(Phase::Launch));
        }
    }
}
