//! The camera of a scene: pose, pinhole, radial lens distortion, shutter. Written for the renderer alone, so that it can
//! check the measuring code instead of sharing its mistakes.

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::units::PixelPoint;

/// A point or direction of the scene in metres: x right as the camera sees it, y up, z towards the camera; flights lie in
/// planes of constant z.
pub type Vec3 = Vector3<f64>;

/// A pinhole camera with radial distortion.
#[derive(Debug, Clone, PartialEq)]
pub struct Camera {
    /// Size of the displayed picture, px.
    pub width: usize,
    pub height: usize,
    pub focal_px: f64,
    /// Where the optical axis meets the picture.
    pub principal_px: PixelPoint,
    /// Radial terms of Brown (1971) on normalised coordinates: r″ = r (1 + k1 r² + k2 r⁴).
    pub k1: f64,
    pub k2: f64,
    /// Optical centre, m.
    pub position_m: [f64; 3],
    /// Turn of the optical axis to the right, about the vertical.
    pub yaw_deg: f64,
    /// Turn of the optical axis upwards.
    pub pitch_deg: f64,
    /// Turn of the camera clockwise about its optical axis, as seen from behind it; the picture's contents turn the other way.
    pub roll_deg: f64,
}

impl Camera {
    /// A camera square to the flight plane z = 0 at `distance_m`, aimed at (`aim_x_m`, `aim_y_m`).
    pub fn square_on(width: usize, height: usize, focal_px: f64, aim_m: (f64, f64), distance_m: f64) -> Self {
        Self {
            width,
            height,
            focal_px,
            principal_px: PixelPoint::new((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0),
            k1: 0.0,
            k2: 0.0,
            position_m: [aim_m.0, aim_m.1, distance_m],
            yaw_deg: 0.0,
            pitch_deg: 0.0,
            roll_deg: 0.0,
        }
    }

    /// Moves the camera on an arc about `target_m`, keeping its distance and turning it so that the target stays on the axis.
    pub fn orbit(mut self, target_m: [f64; 3], yaw_deg: f64, pitch_deg: f64) -> Self {
        let distance = (Vec3::from(self.position_m) - Vec3::from(target_m)).norm();
        self.yaw_deg = yaw_deg;
        self.pitch_deg = pitch_deg;
        let axis = self.view().forward();
        self.position_m = (Vec3::from(target_m) - axis * distance).into();
        self
    }

    /// The camera made ready for projecting.
    pub fn view(&self) -> View {
        self.view_shaken(0.0, 0.0, 0.0, Vec3::zeros())
    }

    /// As [`Camera::view`], with small further turns (degrees) and a shift (m).
    pub fn view_shaken(&self, yaw_deg: f64, pitch_deg: f64, roll_deg: f64, shift_m: Vec3) -> View {
        let radians = |deg: f64| deg.to_radians();
        // Camera axes: x right, y down, z forward. The three turns act in the camera's frame: yaw first, roll last.
        let square = Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0);
        let yaw = Rotation3::from_axis_angle(&Vec3::y_axis(), -radians(self.yaw_deg + yaw_deg));
        let pitch = Rotation3::from_axis_angle(&Vec3::x_axis(), -radians(self.pitch_deg + pitch_deg));
        let roll = Rotation3::from_axis_angle(&Vec3::z_axis(), -radians(self.roll_deg + roll_deg));
        View {
            camera_from_scene: roll.matrix() * pitch.matrix() * yaw.matrix() * square,
            position: Vec3::from(self.position_m) + shift_m,
            focal_px: self.focal_px,
            principal: self.principal_px,
            k1: self.k1,
            k2: self.k2,
        }
    }
}

/// A camera with its rotation worked out.
#[derive(Debug, Clone)]
pub struct View {
    camera_from_scene: Matrix3<f64>,
    pub position: Vec3,
    focal_px: f64,
    principal: PixelPoint,
    k1: f64,
    k2: f64,
}

impl View {
    /// Direction of the optical axis.
    pub fn forward(&self) -> Vec3 {
        self.camera_from_scene.row(2).transpose()
    }

    /// Distance of `point_m` in front of the camera along the optical axis, m.
    pub fn depth(&self, point_m: &Vec3) -> f64 {
        (self.camera_from_scene * (point_m - self.position)).z
    }

    /// Where `point_m` is seen; `None` behind the camera or where the lens model folds back on itself.
    pub fn project(&self, point_m: &Vec3) -> Option<PixelPoint> {
        let c = self.camera_from_scene * (point_m - self.position);
        if c.z <= 1e-6 {
            return None;
        }
        let (x, y) = (c.x / c.z, c.y / c.z);
        let r2 = x * x + y * y;
        if 1.0 + 3.0 * self.k1 * r2 + 5.0 * self.k2 * r2 * r2 <= 0.0 {
            return None;
        }
        let stretch = 1.0 + self.k1 * r2 + self.k2 * r2 * r2;
        Some(PixelPoint::new(
            self.principal.x + self.focal_px * x * stretch,
            self.principal.y + self.focal_px * y * stretch,
        ))
    }

    /// Direction in the scene, of unit depth along the optical axis, of what is seen at a place of the picture.
    pub fn ray(&self, x_px: f64, y_px: f64) -> Vec3 {
        let xd = (x_px - self.principal.x) / self.focal_px;
        let yd = (y_px - self.principal.y) / self.focal_px;
        let shrink = self.undistortion(xd.hypot(yd));
        self.camera_from_scene.tr_mul(&Vec3::new(xd * shrink, yd * shrink, 1.0))
    }

    /// Pixels per metre at `point_m`, for a thing square to the line of sight near the optical axis.
    pub fn pixels_per_metre(&self, point_m: &Vec3) -> f64 {
        self.focal_px / self.depth(point_m)
    }

    /// Undistorted over distorted radius, by Newton's method on the one unknown. Beyond the fold of a strong barrel lens it
    /// stays at the fold.
    fn undistortion(&self, distorted: f64) -> f64 {
        if (self.k1 == 0.0 && self.k2 == 0.0) || distorted < 1e-9 {
            return 1.0;
        }
        let mut r = distorted;
        for _ in 0..30 {
            let r2 = r * r;
            let slope = 1.0 + 3.0 * self.k1 * r2 + 5.0 * self.k2 * r2 * r2;
            if slope <= 0.05 {
                r *= 0.9;
                continue;
            }
            let step = (r * (1.0 + self.k1 * r2 + self.k2 * r2 * r2) - distorted) / slope;
            r -= step;
            if step.abs() < 1e-14 {
                break;
            }
        }
        r / distorted
    }
}

/// Which lines of the displayed picture the sensor reads one after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lines {
    /// Rows, along y: a phone held level.
    Rows,
    /// Columns, along x: a phone held upright.
    Columns,
}

/// When each line of a frame is exposed.
#[derive(Debug, Clone, PartialEq)]
pub struct Shutter {
    pub exposure_s: f64,
    /// From the exposure of the first displayed line to that of the one past the last; below zero when read the other way; 0
    /// for a global shutter.
    pub readout_s: f64,
    pub lines: Lines,
}

impl Shutter {
    /// Delay of the line at `point` behind line 0 of the displayed picture, s.
    pub fn delay_s(&self, point: PixelPoint, width: usize, height: usize) -> f64 {
        match self.lines {
            Lines::Rows => self.readout_s * point.y / height as f64,
            Lines::Columns => self.readout_s * point.x / width as f64,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_camera_projects_as_worked_by_hand() {
        // f = 1000 px at 4 m: 250 px/m. A point 0.6 m right of and 0.4 m above the aim: 150 px right, 100 px up.
        let view = Camera::square_on(1280, 720, 1000.0, (1.0, 1.0), 4.0).view();
        let seen = view.project(&Vec3::new(1.6, 1.4, 0.0)).unwrap();
        assert!((seen.x - 789.5).abs() < 1e-9 && (seen.y - 259.5).abs() < 1e-9, "{seen:?}");
        // 1 m behind the plane: 200 px/m.
        let behind = view.project(&Vec3::new(1.6, 1.4, -1.0)).unwrap();
        assert!((behind.x - 759.5).abs() < 1e-9 && (behind.y - 279.5).abs() < 1e-9, "{behind:?}");
    }

    #[test]
    fn turns_have_the_stated_sense() {
        let turned = |yaw, pitch, roll| Camera {
            yaw_deg: yaw,
            pitch_deg: pitch,
            roll_deg: roll,
            ..Camera::square_on(1280, 720, 1000.0, (0.0, 0.0), 4.0)
        };
        let at = |camera: Camera, x, y| camera.view().project(&Vec3::new(x, y, 0.0)).unwrap();
        // Turning right moves the scene left by f tan(yaw) on the axis; up moves it down; clockwise turns it the other way.
        let tan5 = 5f64.to_radians().tan();
        assert!((at(turned(5.0, 0.0, 0.0), 0.0, 0.0).x - (639.5 - 1000.0 * tan5)).abs() < 1e-9);
        assert!((at(turned(0.0, 5.0, 0.0), 0.0, 0.0).y - (359.5 + 1000.0 * tan5)).abs() < 1e-9);
        let rolled = at(turned(0.0, 0.0, 5.0), 1.0, 0.0);
        assert!((rolled.y - (359.5 - 250.0 * 5f64.to_radians().sin())).abs() < 1e-9, "{rolled:?}");
    }

    #[test]
    fn rays_undo_projection_through_a_strong_lens() {
        let mut camera = Camera::square_on(1280, 720, 900.0, (0.3, 0.9), 3.0).orbit([0.3, 0.9, 0.0], 14.0, -6.0);
        (camera.k1, camera.k2, camera.roll_deg) = (-0.22, 0.05, 3.0);
        let view = camera.view();
        for (x, y) in [(0.0, 0.0), (1279.0, 0.0), (100.5, 700.25), (639.5, 359.5), (1270.0, 719.0)] {
            let seen = view.project(&(view.position + view.ray(x, y) * 2.7)).unwrap();
            // Newton stops at 1e-14 in normalised units, 1e-11 px.
            assert!((seen.x - x).abs() < 1e-9 && (seen.y - y).abs() < 1e-9, "{x} {y}: {seen:?}");
        }
    }

    #[test]
    fn orbiting_keeps_the_target_on_the_axis() {
        let camera = Camera::square_on(1280, 720, 900.0, (0.0, 1.0), 3.0).orbit([0.5, 1.2, 0.0], 12.0, 5.0);
        let seen = camera.view().project(&Vec3::new(0.5, 1.2, 0.0)).unwrap();
        assert!(seen.distance(camera.principal_px) < 1e-9);
    }

    /// Against the sample points of `fixtures/camera_geometry.toml` (Brown 1971 in the parameter order documented by OpenCV,
    /// radial terms only).
    #[test]
    fn distortion_agrees_with_the_published_model() {
        let text = include_str!("../../fixtures/camera_geometry.toml");
        let file: toml::Table = toml::from_str(text).unwrap();
        let pairs = |value: &toml::Value| -> Vec<[f64; 2]> { value.clone().try_into().unwrap() };
        let lens = file["camera"].as_table().unwrap();
        let number = |key: &str| lens[key].as_float().unwrap();
        let case =
            file["distortion"].as_array().unwrap().iter().find(|c| c["id"].as_str() == Some("radial_only")).unwrap();
        let view = Camera {
            k1: case["k1"].as_float().unwrap(),
            principal_px: PixelPoint::new(number("cx"), number("cy")),
            ..Camera::square_on(1920, 1080, number("fx"), (0.0, 0.0), 1.0)
        }
        .view();
        for (n, expected) in pairs(&lens["normalised"]).iter().zip(pairs(&case["distorted_px"])) {
            let seen = view.project(&Vec3::new(n[0], -n[1], 0.0)).unwrap();
            assert!((seen.x - expected[0]).abs() < 1e-9);
            // The file's fy differs from fx; ours is one focal length, so y is compared in normalised units.
            let expected_y = (expected[1] - number("cy")) / number("fy") * number("fx") + number("cy");
            assert!((seen.y - expected_y).abs() < 1e-9);
        }
    }
}
