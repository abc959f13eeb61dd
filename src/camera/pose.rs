//! A pinhole camera in front of the plane of the flight.

use nalgebra::{Matrix3, Vector3};

use crate::units::PixelPoint;

/// How the camera is turned away from the square view, rad; signs as in the rig.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Attitude {
    /// Camera stands to the right of the square view.
    pub yaw: f64,
    /// Camera looks up.
    pub pitch: f64,
    /// Camera turned clockwise as seen from behind it.
    pub roll: f64,
}

impl Attitude {
    /// Rows: the camera's right, down and forward in the world (x right, y up, z from the plane towards the camera).
    pub fn rotation(self) -> Matrix3<f64> {
        let (sy, cy) = self.yaw.sin_cos();
        let (sp, cp) = self.pitch.sin_cos();
        let (sr, cr) = self.roll.sin_cos();
        let forward = Vector3::new(-sy * cp, sp, -cy * cp);
        let right = Vector3::new(cy, 0.0, -sy);
        let down = forward.cross(&right);
        let (right, down) = (right * cr + down * sr, down * cr - right * sr);
        Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()])
    }

    /// Distance square to the plane over distance along the line of sight.
    pub fn foreshortening(self) -> f64 {
        self.yaw.cos() * self.pitch.cos()
    }
}

/// Focal length and principal point as a matrix.
pub(crate) fn intrinsics(focal_px: f64, principal: PixelPoint) -> Matrix3<f64> {
    Matrix3::new(focal_px, 0.0, principal.x, 0.0, focal_px, principal.y, 0.0, 0.0, 1.0)
}

/// Plane (m) to picture (px) of a camera whose line of sight meets the plane's origin at `distance_m`.
pub(crate) fn plane_to_picture(k: &Matrix3<f64>, attitude: Attitude, distance_m: f64) -> Matrix3<f64> {
    let r = attitude.rotation();
    k * Matrix3::from_columns(&[r.column(0).into(), r.column(1).into(), Vector3::new(0.0, 0.0, distance_m)])
}

/// Moves the plane of a plane-to-picture map by `towards_camera_m` along its normal.
///
/// The map says where the camera stands once focal length and principal point are known; a wrong focal length leaves the two
/// axes unequal or askew, and their mean is taken.
pub(crate) fn shifted_plane(h: &Matrix3<f64>, k: &Matrix3<f64>, towards_camera_m: f64) -> Option<Matrix3<f64>> {
    let bare = k.try_inverse()? * h;
    let (r1, r2, t): (Vector3<f64>, Vector3<f64>, Vector3<f64>) =
        (bare.column(0).into(), bare.column(1).into(), bare.column(2).into());
    let size = (r1.norm() + r2.norm()) / 2.0 * t.z.signum();
    let normal = r1.cross(&r2).try_normalize(0.0)? * size.abs();
    let moved = t + normal * t.z.signum() * towards_camera_m;
    Some(k * Matrix3::from_columns(&[r1, r2, moved]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::homography::apply;

    #[test]
    fn yaw_has_the_sign_of_the_rendered_clips() {
        // A rendered view 12° to the right of square: rows of its rotation, and where a metre rule's ends land
        // (clips/range/yaw12.truth.json: f 1000 px, centre 639.5, 359.5, 3 m).
        let r = Attitude { yaw: 12f64.to_radians(), ..Attitude::default() }.rotation();
        let want = Matrix3::new(0.978_147_6, 0.0, -0.207_911_7, 0.0, -1.0, 0.0, -0.207_911_7, 0.0, -0.978_147_6);
        // Printed to ten decimals, compared to seven.
        assert!((r - want).norm() < 1e-6, "{r}");
    }

    #[test]
    fn a_shifted_plane_is_the_camera_moved() {
        let k = intrinsics(1000.0, PixelPoint::new(640.0, 360.0));
        let attitude = Attitude { yaw: 0.1, pitch: -0.05, roll: 0.02 };
        let h = plane_to_picture(&k, attitude, 3.0);
        let moved = shifted_plane(&h, &k, 0.2).unwrap();
        // A point 0.2 m in front of the plane, seen directly.
        let r = attitude.rotation();
        let p = k * (r * Vector3::new(0.3, 0.4, 0.2) + Vector3::new(0.0, 0.0, 3.0));
        let (u, v) = apply(&moved, 0.3, 0.4);
        // Rounding of f64 on values near 1e3 px.
        assert!((u - p.x / p.z).abs() < 1e-9 && (v - p.y / p.z).abs() < 1e-9);
    }
}
