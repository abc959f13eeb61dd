//! Maps of one plane to another that keep straight lines straight.

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3, SMatrix, Vector3};

/// Applies `h` to a point: (x, y, 1) → (u, v, w) → (u/w, v/w).
pub(crate) fn apply(h: &Matrix3<f64>, x: f64, y: f64) -> (f64, f64) {
    let p = h * Vector3::new(x, y, 1.0);
    (p.x / p.z, p.y / p.z)
}

/// Derivative of [`apply`] by x and y.
pub(crate) fn jacobian(h: &Matrix3<f64>, x: f64, y: f64) -> Matrix2<f64> {
    let p = h * Vector3::new(x, y, 1.0);
    let (u, v) = (p.x / p.z, p.y / p.z);
    Matrix2::new(
        (h.m11 - u * h.m31) / p.z,
        (h.m12 - u * h.m32) / p.z,
        (h.m21 - v * h.m31) / p.z,
        (h.m22 - v * h.m32) / p.z,
    )
}

/// A fitted homography with the covariance of its eight free entries.
#[derive(Debug, Clone)]
pub(crate) struct FittedHomography {
    /// Scaled so that its last entry is 1.
    pub h: Matrix3<f64>,
    /// Covariance of the entries, row by row without the last, for equal independent errors of standard deviation 1 px.
    pub unit_covariance: SMatrix<f64, 8, 8>,
}

/// Fits the homography that takes `from` to `to` (at least four pairs) with the least squared distances in `to`.
///
/// Direct linear solution with normalised points, then Gauss–Newton on the distances. `None` when the points don't
/// determine it: fewer than four, or three on one line with only four in all.
///
/// # Source
/// Hartley and Zisserman, *Multiple View Geometry*, 2nd ed. 2004, algorithm 4.2 and section 4.4.
pub(crate) fn fit(from: &[(f64, f64)], to: &[(f64, f64)]) -> Option<FittedHomography> {
    if from.len() != to.len() || from.len() < 4 {
        return None;
    }
    let (t_from, t_to) = (normaliser(from)?, normaliser(to)?);
    let normalised = direct_linear(&mapped(&t_from, from), &mapped(&t_to, to))?;
    let mut h = t_to.try_inverse()? * normalised * t_from;
    h /= h.m33;
    if !h.iter().all(|entry| entry.is_finite()) {
        return None;
    }
    refine(h, from, to)
}

/// Moves the mean to the origin and the mean distance from it to √2.
fn normaliser(points: &[(f64, f64)]) -> Option<Matrix3<f64>> {
    let n = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |(sx, sy), p| (sx + p.0 / n, sy + p.1 / n));
    let spread = points.iter().map(|p| (p.0 - mx).hypot(p.1 - my)).sum::<f64>() / n;
    let s = std::f64::consts::SQRT_2 / spread;
    s.is_finite().then(|| Matrix3::new(s, 0.0, -s * mx, 0.0, s, -s * my, 0.0, 0.0, 1.0))
}

fn mapped(h: &Matrix3<f64>, points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    points.iter().map(|p| apply(h, p.0, p.1)).collect()
}

fn direct_linear(from: &[(f64, f64)], to: &[(f64, f64)]) -> Option<Matrix3<f64>> {
    // Nine rows at least, so that the decomposition gives all nine right singular vectors.
    let mut a = DMatrix::zeros((2 * from.len()).max(9), 9);
    for (i, (&(x, y), &(u, v))) in from.iter().zip(to).enumerate() {
        a.row_mut(2 * i).copy_from_slice(&[x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y, -u]);
        a.row_mut(2 * i + 1).copy_from_slice(&[0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y, -v]);
    }
    let svd = a.svd(false, true);
    let (singular, v_t) = (svd.singular_values, svd.v_t?);
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|&i, &j| singular[i].total_cmp(&singular[j]));
    // Two vanishing values: the points leave a family of maps.
    if singular[order[1]] < 1e-9 * singular[order[8]] {
        return None;
    }
    let row = v_t.row(order[0]);
    Some(Matrix3::from_row_iterator(row.iter().copied()))
}

fn refine(mut h: Matrix3<f64>, from: &[(f64, f64)], to: &[(f64, f64)]) -> Option<FittedHomography> {
    let scale = column_scale(from);
    for _ in 0..20 {
        let (j, r) = residuals(&h, from, to, &scale);
        let step = (j.tr_mul(&j)).cholesky()?.solve(&j.tr_mul(&r));
        h = stepped(&h, &step, &scale);
        if step.norm() < 1e-13 * (1.0 + h.norm()) {
            break;
        }
    }
    let (j, _) = residuals(&h, from, to, &scale);
    let scaled = j.tr_mul(&j).cholesky()?.inverse();
    let unit_covariance = SMatrix::<f64, 8, 8>::from_fn(|i, k| scaled[(i, k)] * scale[i] * scale[k]);
    Some(FittedHomography { h, unit_covariance })
}

/// Sizes of the eight entries' effects, so that the normal equations stay well conditioned whatever the units of `from`.
fn column_scale(from: &[(f64, f64)]) -> [f64; 8] {
    let reach = from.iter().map(|p| p.0.hypot(p.1)).fold(f64::MIN_POSITIVE, f64::max);
    let mut scale = [1.0; 8];
    for i in [0, 1, 3, 4] {
        scale[i] = 1.0 / reach;
    }
    scale[6] = 1e-3 / reach;
    scale[7] = 1e-3 / reach;
    scale
}

fn stepped(h: &Matrix3<f64>, step: &DVector<f64>, scale: &[f64; 8]) -> Matrix3<f64> {
    let mut next = *h;
    for k in 0..8 {
        next[(k / 3, k % 3)] += step[k] * scale[k];
    }
    next
}

fn residuals(
    h: &Matrix3<f64>,
    from: &[(f64, f64)],
    to: &[(f64, f64)],
    scale: &[f64; 8],
) -> (DMatrix<f64>, DVector<f64>) {
    let mut j = DMatrix::zeros(2 * from.len(), 8);
    let mut r = DVector::zeros(2 * from.len());
    for (i, (&(x, y), &(tu, tv))) in from.iter().zip(to).enumerate() {
        let p = h * Vector3::new(x, y, 1.0);
        let (u, v) = (p.x / p.z, p.y / p.z);
        let row_u = [x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y];
        let row_v = [0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y];
        for k in 0..8 {
            j[(2 * i, k)] = row_u[k] / p.z * scale[k];
            j[(2 * i + 1, k)] = row_v[k] / p.z * scale[k];
        }
        (r[2 * i], r[2 * i + 1]) = (tu - u, tv - v);
    }
    (j, r)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pairs(value: &toml::Value) -> Vec<(f64, f64)> {
        value.as_array().unwrap().iter().map(|p| (p[0].as_float().unwrap(), p[1].as_float().unwrap())).collect()
    }

    #[test]
    fn four_corners_agree_with_the_reference() {
        // fixtures/camera_geometry.toml: exact rational solutions, compared with OpenCV's getPerspectiveTransform.
        let table: toml::Table = include_str!("../../fixtures/camera_geometry.toml").parse().unwrap();
        for entry in table["homography"].as_array().unwrap() {
            let fitted = fit(&pairs(&entry["world_mm"]), &pairs(&entry["image_px"])).unwrap();
            for row in 0..3 {
                for column in 0..3 {
                    let want = entry["h"][row][column].as_float().unwrap();
                    let got = fitted.h[(row, column)];
                    // 1e-9 relative is the reference's tolerance; entries that are 0 compare against the affine ones' size.
                    assert!((got - want).abs() <= 1e-9 * want.abs() + 1e-12, "{row},{column}: {got} {want}");
                }
            }
            for (w, p) in pairs(&entry["test_world"]).iter().zip(pairs(&entry["test_image"])) {
                let (u, v) = apply(&fitted.h, w.0, w.1);
                assert!((u - p.0).abs() < 1e-8 && (v - p.1).abs() < 1e-8);
            }
        }
    }

    #[test]
    fn corners_on_one_line_are_refused() {
        let world = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];
        let bent = [(0.0, 0.0), (10.0, 0.0), (20.0, 0.0), (0.0, 10.0)];
        // A map may exist that sends a line to infinity; then it isn't invertible, or it misses the corners.
        let misses = |h: &Matrix3<f64>| {
            world.iter().zip(bent).any(|(w, p)| {
                let (u, v) = apply(h, w.0, w.1);
                (u - p.0).hypot(v - p.1) > 1e-3
            })
        };
        assert!(fit(&world, &bent).is_none_or(|f| f.h.determinant().abs() < 1e-6 || misses(&f.h)));
        assert!(fit(&world[..3], &world[..3]).is_none());
    }
}
