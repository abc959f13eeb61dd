//! Where everything really is, worked out from the geometry alone, without rendering.

use serde::{Deserialize, Serialize};

use super::Scene;
use super::camera::{Vec3, View};
use super::coat::Shot;
use super::motion::{Impact, Launcher, Path, Phase};
use super::movers::see;
use super::set::SeenSet;
use super::timing::Tick;
use crate::units::PixelPoint;

/// The truth of one rendered recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    pub name: String,
    pub seed: u64,
    /// m/s², downwards.
    pub gravity_m_per_s2: f64,
    pub capture_hz: f64,
    /// Played seconds per true second.
    pub slow_factor: f64,
    pub exposure_s: f64,
    pub readout_s: f64,
    pub scales: Vec<ScaleTruth>,
    /// One for each launch, in the scene's order.
    pub flights: Vec<FlightTruth>,
    pub frames: Vec<FrameTruth>,
}

/// A marked length: its ends as seen by the camera before any shake.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScaleTruth {
    pub length_m: f64,
    /// Height of its plane over the plane z = 0, towards the camera, m (of its first end).
    pub z_m: f64,
    /// `None` when an end is out of the camera's sight.
    pub a_px: Option<PixelPoint>,
    pub b_px: Option<PixelPoint>,
}

/// A launch and its free flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlightTruth {
    pub release_s: f64,
    /// Ball centre at the release, m.
    pub release_m: [f64; 3],
    pub speed_m_per_s: f64,
    pub angle_deg: f64,
    pub gravity_m_per_s2: f64,
    /// When the launcher began to move the ball, s.
    pub stroke_start_s: f64,
    /// Whether the ball is seen before the release.
    pub hidden_before_release: bool,
    /// End of free flight, `None` when the recording ends before it.
    pub landing: Option<Impact>,
    /// All touches.
    pub impacts: Vec<Impact>,
    pub radius_m: f64,
    pub mass_kg: f64,
    /// Deceleration by drag over speed squared, 1/m; 0 without air.
    pub drag_per_m: f64,
}

/// One frame that reached the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameTruth {
    /// In presentation order, from 0.
    pub frame: usize,
    /// What the file says, s. Stamps count from the first frame that is in the file, true times from the start of the
    /// recording's beat: with jitter, or the first frames lost, the two differ by a constant.
    pub stamp_s: f64,
    /// True start of the exposure of line 0 of the displayed picture, s.
    pub start_s: f64,
    pub balls: Vec<BallTruth>,
}

/// One ball in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BallTruth {
    /// Number of its launch.
    pub launch: usize,
    pub phase: Phase,
    /// Middle of the exposure of the ball's own line, s.
    pub mid_exposure_s: f64,
    /// Projected centre then; it may lie outside the picture.
    pub centre_px: PixelPoint,
    /// Centroid of the outline's area then, without streak or hiding. Perspective puts it slightly outside the projected
    /// centre.
    pub outline_px: PixelPoint,
    /// Radius of the disc with the outline's area.
    pub radius_px: f64,
    /// Projected centre at the start and at the end of the exposure.
    pub streak_px: [PixelPoint; 2],
    /// Share of the streaked outline within the picture and not hidden.
    pub visible: f64,
    /// Centre at mid-exposure, m, and velocity, m/s.
    pub position_m: [f64; 3],
    pub velocity_m_per_s: [f64; 3],
}

impl Truth {
    /// The frames in which ball `launch` is in free flight with at least the share `visible` of it in view.
    pub fn in_flight(&self, launch: usize, visible: f64) -> impl Iterator<Item = (&FrameTruth, &BallTruth)> {
        let wanted = move |b: &&BallTruth| b.launch == launch && b.phase == Phase::Flight && b.visible >= visible;
        self.frames.iter().filter_map(move |f| f.balls.iter().find(wanted).map(|b| (f, b)))
    }
}

impl BallTruth {
    /// Length of the streak, px.
    pub fn streak_length_px(&self) -> f64 {
        self.streak_px[0].distance(self.streak_px[1])
    }
}

/// The truth of `scene`.
pub fn truth(scene: &Scene) -> Truth {
    let paths = scene.paths();
    let ticks = scene.timing.schedule(scene.seed);
    let base = scene.camera.view();
    let pieces = scene.pieces();
    let frame = |(i, tick): (usize, &Tick)| {
        let view = scene.view_at(tick.start_s);
        let seen = SeenSet::new(&pieces, &view);
        let eye = Eye { scene, view: &view, seen: &seen, start_s: tick.start_s };
        let balls = paths.iter().enumerate().filter_map(|(launch, path)| eye.ball(launch, path)).collect();
        FrameTruth { frame: i, stamp_s: tick.stamp_s, start_s: tick.start_s, balls }
    };
    Truth {
        name: scene.name.clone(),
        seed: scene.seed,
        gravity_m_per_s2: scene.gravity_m_per_s2,
        capture_hz: scene.timing.capture_hz,
        slow_factor: scene.timing.slow_factor,
        exposure_s: scene.shutter.exposure_s,
        readout_s: scene.shutter.readout_s,
        scales: scene.scales.iter().map(|s| scale_truth(s, &base)).collect(),
        flights: paths.iter().map(|p| flight_truth(scene, p)).collect(),
        frames: ticks.iter().enumerate().map(frame).collect(),
    }
}

fn scale_truth(scale: &super::ScaleBar, view: &View) -> ScaleTruth {
    ScaleTruth {
        length_m: scale.length_m(),
        z_m: scale.a_m[2],
        a_px: view.project(&scale.a_m.into()),
        b_px: view.project(&scale.b_m.into()),
    }
}

fn flight_truth(scene: &Scene, path: &Path) -> FlightTruth {
    let l = path.launch();
    FlightTruth {
        release_s: l.release_s,
        release_m: l.release_m,
        speed_m_per_s: l.speed_m_per_s,
        angle_deg: l.angle_deg,
        gravity_m_per_s2: scene.gravity_m_per_s2,
        stroke_start_s: path.stroke_start_s(),
        hidden_before_release: matches!(l.launcher, Launcher::Tube { .. }),
        landing: path.impacts.first().copied(),
        impacts: path.impacts.clone(),
        radius_m: l.ball.radius_m,
        mass_kg: l.ball.mass_kg,
        drag_per_m: scene.air.density
            * scene.air.drag_coefficient
            * std::f64::consts::PI
            * l.ball.radius_m
            * l.ball.radius_m
            / (2.0 * l.ball.mass_kg),
    }
}

/// One frame's way of seeing.
struct Eye<'a> {
    scene: &'a Scene,
    view: &'a View,
    seen: &'a SeenSet,
    start_s: f64,
}

impl Eye<'_> {
    fn ball(&self, launch: usize, path: &Path) -> Option<BallTruth> {
        let shutter = &self.scene.shutter;
        let size = [self.scene.camera.width, self.scene.camera.height];
        let shot = Shot { view: self.view, shutter, start_s: self.start_s, size };
        let t = shot.own_mid_time(&|t| path.position(t));
        let phase = path.phase(t)?;
        let centre = path.position(t);
        let radius_m = path.launch().ball.radius_m;
        let (outline_px, radius_px) = outline(self.view, &centre, radius_m)?;
        let ends = [t - shutter.exposure_s / 2.0, t + shutter.exposure_s / 2.0];
        Some(BallTruth {
            launch,
            phase,
            mid_exposure_s: t,
            centre_px: self.view.project(&centre)?,
            outline_px,
            radius_px,
            streak_px: [self.view.project(&path.position(ends[0]))?, self.view.project(&path.position(ends[1]))?],
            visible: self.visible(path, ends, radius_m),
            position_m: centre.into(),
            velocity_m_per_s: path.velocity(t).into(),
        })
    }

    /// Share of points spread evenly over the disc and the exposure that reach the picture.
    fn visible(&self, path: &Path, ends: [f64; 2], radius_m: f64) -> f64 {
        const TIMES: usize = 5;
        const POINTS: usize = 64;
        let mut reached = 0;
        for k in 0..TIMES {
            let t = ends[0] + (ends[1] - ends[0]) * (k as f64 + 0.5) / TIMES as f64;
            let centre = path.position(t);
            let rim = Rim::new(self.view, &centre, radius_m);
            let hiders = self.hiders(path, t);
            reached += (0..POINTS).filter(|&i| self.reaches(&rim.within(i, POINTS), &hiders)).count();
        }
        reached as f64 / (TIMES * POINTS) as f64
    }

    fn hiders(&self, path: &Path, t: f64) -> Vec<super::movers::SeenLimb> {
        let z = path.launch().release_m[2];
        let nearer = self.scene.movers.iter().filter(|m| m.z_m() > z);
        nearer.flat_map(|m| m.limbs(t)).filter_map(|l| see(&l, self.view)).collect()
    }

    fn reaches(&self, point: &Vec3, hiders: &[super::movers::SeenLimb]) -> bool {
        let Some(p) = self.view.project(point) else { return false };
        let (width, height) = (self.scene.camera.width as f64, self.scene.camera.height as f64);
        let inside = p.x > -0.5 && p.x < width - 0.5 && p.y > -0.5 && p.y < height - 0.5;
        inside && !self.seen.hides(self.view, point) && !hiders.iter().any(|l| l.distance(p.x, p.y) < 0.0)
    }
}

/// The circle on a sphere that the camera sees as its outline.
struct Rim {
    centre: Vec3,
    radius: f64,
    across: [Vec3; 2],
}

impl Rim {
    fn new(view: &View, centre: &Vec3, radius_m: f64) -> Self {
        let line = centre - view.position;
        let distance = line.norm();
        let axis = line / distance;
        // The rays that graze the sphere touch it on a circle nearer to the camera than its centre.
        let near = radius_m * radius_m / distance;
        let helper = if axis.x.abs() < 0.9 { Vec3::x() } else { Vec3::y() };
        let first = axis.cross(&helper).normalize();
        Self {
            centre: centre - axis * near,
            radius: (radius_m * radius_m - near * near).sqrt(),
            across: [first, axis.cross(&first)],
        }
    }

    fn point(&self, share: f64, turn: f64) -> Vec3 {
        let (sin, cos) = turn.sin_cos();
        self.centre + (self.across[0] * cos + self.across[1] * sin) * (self.radius * share)
    }

    /// Point `i` of `n` spread evenly over the disc, on a spiral of golden angles.
    fn within(&self, i: usize, n: usize) -> Vec3 {
        self.point(((i as f64 + 0.5) / n as f64).sqrt(), i as f64 * 2.399_963_229_728_653)
    }
}

/// Centroid and equal-area radius of a sphere's outline, from a polygon of 720 points through the whole camera model. The
/// polygon's area is 13 parts in a million short of a circle's, which is put right.
fn outline(view: &View, centre: &Vec3, radius_m: f64) -> Option<(PixelPoint, f64)> {
    const N: usize = 720;
    let rim = Rim::new(view, centre, radius_m);
    let step = std::f64::consts::TAU / N as f64;
    let points: Option<Vec<PixelPoint>> = (0..N).map(|i| view.project(&rim.point(1.0, i as f64 * step))).collect();
    let points = points?;
    let origin = points[0];
    let (mut area, mut mx, mut my) = (0.0, 0.0, 0.0);
    for (p, q) in points.iter().zip(points.iter().cycle().skip(1)) {
        let (px, py, qx, qy) = (p.x - origin.x, p.y - origin.y, q.x - origin.x, q.y - origin.y);
        let cross = px * qy - qx * py;
        area += cross / 2.0;
        mx += (px + qx) * cross / 6.0;
        my += (py + qy) * cross / 6.0;
    }
    let circle = area.abs() * step / step.sin();
    Some((PixelPoint::new(origin.x + mx / area, origin.y + my / area), (circle / std::f64::consts::PI).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the ellipses of `fixtures/camera_geometry.toml` (exact conic of a sphere).
    #[test]
    fn outlines_agree_with_the_exact_ellipse() {
        let file: toml::Table = toml::from_str(include_str!("../../fixtures/camera_geometry.toml")).unwrap();
        let cases = file["sphere"].as_array().unwrap();
        for case in cases {
            let number = |key: &str| case[key].as_float().unwrap();
            let camera = super::super::Camera {
                principal_px: PixelPoint::new(0.0, 0.0),
                ..super::super::Camera::square_on(4000, 3000, number("f"), (0.0, 0.0), number("Z"))
            };
            // The file's y runs down, as the picture's does; the scene's runs up.
            let centre = Vec3::new(number("X"), -number("Y"), 0.0);
            let (seen, radius) = outline(&camera.view(), &centre, number("R")).unwrap();
            let expected: [f64; 2] = case["centre_px"].clone().try_into().unwrap();
            let axes: [f64; 2] = case["semi_axes_px"].clone().try_into().unwrap();
            // The polygon's corners crowd a little on the far side of the ellipse; with 720 that moves its centroid by
            // 8e-6 px for the largest of them, and the more the wider they are seen.
            assert!((seen.x - expected[0]).abs() < 2e-5 && (seen.y - expected[1]).abs() < 2e-5, "{seen:?}");
            assert!((radius - (axes[0] * axes[1]).sqrt()).abs() < 2e-5, "{radius}");
        }
        assert!(cases.len() >= 4);
    }
}
