//! The lens: where a point that a perfect pinhole would show really lands, and back.

use nalgebra::{Matrix2, Vector2};

use crate::units::PixelPoint;

/// Radial and tangential distortion of Brown and Conrady about a principal point.
///
/// With x, y the ideal place in focal lengths from the principal point and r² = x² + y²:
/// x″ = x(1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 xy + p2(r² + 2x²), y″ = y(…) + p1(r² + 2y²) + 2 p2 xy, y pointing down.
///
/// # Source
/// D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855–866.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Focal lengths along x and y, px.
    pub focal_px: (f64, f64),
    pub principal_px: PixelPoint,
    pub k1: f64,
    pub k2: f64,
    pub k3: f64,
    pub p1: f64,
    pub p2: f64,
}

impl Lens {
    /// A radial lens with square pixels.
    pub const fn radial(focal_px: f64, principal_px: PixelPoint, k1: f64, k2: f64) -> Self {
        Self { focal_px: (focal_px, focal_px), principal_px, k1, k2, k3: 0.0, p1: 0.0, p2: 0.0 }
    }

    /// Where the ideal point lands in the picture.
    pub fn distort(&self, ideal: PixelPoint) -> PixelPoint {
        let (point, _) = self.distort_normalised(self.normalise(ideal));
        self.to_pixels(point)
    }

    /// Where a perfect pinhole would show what stands at `seen`; the inverse of [`Lens::distort`].
    ///
    /// Newton's method on the two equations, to 1e-12 focal lengths. Where the lens folds the picture over (far outside it:
    /// see [`Lens::folds_within`]) there is no answer, and the last step is returned.
    pub fn undistort(&self, seen: PixelPoint) -> PixelPoint {
        let target = self.normalise(seen);
        let mut point = target;
        for _ in 0..50 {
            let (image, jacobian) = self.distort_normalised(point);
            let Some(step) = jacobian.lu().solve(&(target - image)) else { break };
            point += step;
            if step.norm() < 1e-13 {
                break;
            }
        }
        self.to_pixels(point)
    }

    /// Derivative of the distorted by the ideal point, both in pixels.
    pub fn jacobian(&self, ideal: PixelPoint) -> Matrix2<f64> {
        let (_, j) = self.distort_normalised(self.normalise(ideal));
        let aspect = self.focal_px.0 / self.focal_px.1;
        Matrix2::new(j.m11, j.m12 * aspect, j.m21 / aspect, j.m22)
    }

    /// Whether two places share one pixel within `radius_px` of the principal point, so that no inverse exists.
    ///
    /// Judged on the radial terms: r(1 + k1 r² + k2 r⁴ + k3 r⁶) must grow with r.
    pub fn folds_within(&self, radius_px: f64) -> bool {
        let greatest = radius_px / self.focal_px.0.min(self.focal_px.1);
        (1..=200).any(|i| {
            let r2 = (greatest * f64::from(i) / 200.0).powi(2);
            1.0 + r2 * (3.0 * self.k1 + r2 * (5.0 * self.k2 + r2 * 7.0 * self.k3)) <= 0.0
        })
    }

    fn normalise(&self, point: PixelPoint) -> Vector2<f64> {
        Vector2::new(
            (point.x - self.principal_px.x) / self.focal_px.0,
            (point.y - self.principal_px.y) / self.focal_px.1,
        )
    }

    fn to_pixels(self, point: Vector2<f64>) -> PixelPoint {
        PixelPoint::new(
            self.principal_px.x + self.focal_px.0 * point.x,
            self.principal_px.y + self.focal_px.1 * point.y,
        )
    }

    fn distort_normalised(&self, ideal: Vector2<f64>) -> (Vector2<f64>, Matrix2<f64>) {
        let (x, y) = (ideal.x, ideal.y);
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        // Derivative of the radial factor by r², doubled: it meets 2x and 2y.
        let slope = 2.0 * (self.k1 + r2 * (2.0 * self.k2 + r2 * 3.0 * self.k3));
        let (p1, p2) = (self.p1, self.p2);
        let point = Vector2::new(
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        );
        let mixed = x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y;
        let jacobian = Matrix2::new(
            radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x,
            mixed,
            mixed,
            radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x,
        );
        (point, jacobian)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reference() -> toml::Table {
        include_str!("../../fixtures/camera_geometry.toml").parse().unwrap()
    }

    fn points(value: &toml::Value) -> Vec<(f64, f64)> {
        value.as_array().unwrap().iter().map(|p| (p[0].as_float().unwrap(), p[1].as_float().unwrap())).collect()
    }

    /// Every lens of fixtures/camera_geometry.toml (values compared with OpenCV's projectPoints and undistortPoints).
    fn for_each_reference_lens(check: impl Fn(&str, &Lens, &[(f64, f64)], &[(f64, f64)])) {
        let table = reference();
        let camera = table["camera"].as_table().unwrap();
        let number = |t: &toml::Table, key: &str| t[key].as_float().unwrap();
        for entry in table["distortion"].as_array().unwrap() {
            let d = entry.as_table().unwrap();
            let lens = Lens {
                focal_px: (number(camera, "fx"), number(camera, "fy")),
                principal_px: PixelPoint::new(number(camera, "cx"), number(camera, "cy")),
                k1: number(d, "k1"),
                k2: number(d, "k2"),
                k3: number(d, "k3"),
                p1: number(d, "p1"),
                p2: number(d, "p2"),
            };
            check(d["id"].as_str().unwrap(), &lens, &points(&d["ideal_px"]), &points(&d["distorted_px"]));
        }
    }

    #[test]
    fn distortion_agrees_with_the_reference() {
        for_each_reference_lens(|id, lens, ideal, distorted| {
            for (i, d) in ideal.iter().zip(distorted) {
                let got = lens.distort(PixelPoint::new(i.0, i.1));
                // 1e-9 px: the reference's own tolerance; rounding of f64 is 1e-13 px.
                assert!((got.x - d.0).abs() < 1e-9 && (got.y - d.1).abs() < 1e-9, "{id}: {got:?} {d:?}");
            }
        });
    }

    #[test]
    fn the_inverse_is_iterated_to_convergence() {
        for_each_reference_lens(|id, lens, ideal, distorted| {
            for (i, d) in ideal.iter().zip(distorted) {
                let got = lens.undistort(PixelPoint::new(d.0, d.1));
                // The reference asks for 1e-8 px; five steps of the usual fixed point leave 0.084 px in `wide_barrel`.
                assert!((got.x - i.0).abs() < 1e-8 && (got.y - i.1).abs() < 1e-8, "{id}: {got:?} {i:?}");
            }
        });
    }

    #[test]
    fn the_jacobian_is_the_slope() {
        for_each_reference_lens(|id, lens, ideal, _| {
            for i in ideal {
                let at = |dx: f64, dy: f64| lens.distort(PixelPoint::new(i.0 + dx, i.1 + dy));
                let h = 1e-3;
                let j = lens.jacobian(PixelPoint::new(i.0, i.1));
                let by_x = ((at(h, 0.0).x - at(-h, 0.0).x) / (2.0 * h), (at(h, 0.0).y - at(-h, 0.0).y) / (2.0 * h));
                let by_y = ((at(0.0, h).x - at(0.0, -h).x) / (2.0 * h), (at(0.0, h).y - at(0.0, -h).y) / (2.0 * h));
                // Central differences of values near 1e3 px with steps of 1e-3 px: rounding 1e-13/1e-3.
                for (a, b) in [(j.m11, by_x.0), (j.m21, by_x.1), (j.m12, by_y.0), (j.m22, by_y.1)] {
                    assert!((a - b).abs() < 1e-8, "{id}: {a} {b}");
                }
            }
        });
    }

    #[test]
    fn a_lens_that_folds_is_noticed() {
        let lens = Lens::radial(1000.0, PixelPoint::new(640.0, 360.0), -0.5, 0.0);
        // r(1 - r²/2) turns at r = √(2/3) = 0.816 focal lengths.
        assert!(!lens.folds_within(810.0) && lens.folds_within(825.0));
    }
}
