//! Weighted linear least squares by orthogonal decomposition, with what a fit owes its reader.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Why a linear fit could not be made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LeastSquaresError {
    #[error("{rows} rows of the design, {values} values and {weights} weights don't belong together")]
    LengthMismatch { rows: usize, values: usize, weights: usize },
    #[error("{found} values cannot fix {parameters} parameters and leave something to judge by")]
    TooFewValues { found: usize, parameters: usize },
    #[error("value {index} is not a finite number, or its weight isn't above zero")]
    NotFinite { index: usize },
    #[error("the values don't fix all parameters: column {column} depends on the others")]
    Degenerate { column: usize },
}

impl LeastSquaresError {
    /// What to do about it.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::LengthMismatch { .. } => "give as many values and weights as there are rows",
            Self::TooFewValues { .. } => "take more values, or fix some parameters",
            Self::NotFinite { .. } => "leave that value out, or mend it",
            Self::Degenerate { .. } => "spread the values out, or fix one of the parameters",
        }
    }
}

/// A linear fit `y ≈ X·β`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinearFit {
    pub estimate: Vec<f64>,
    /// Standard uncertainties from the scatter of the residuals: square roots of `residual_sd² · cofactor`.
    pub standard_error: Vec<f64>,
    /// (Xᵀ W X)⁻¹. It is the covariance of `estimate` when the weights are 1/σ² with known σ; times `residual_sd²` it is
    /// the covariance from the residuals.
    pub cofactor: Vec<Vec<f64>>,
    /// Value minus fit, in the unit of the values, not weighted.
    pub residuals: Vec<f64>,
    /// √(weighted sum of squares / degrees of freedom).
    pub residual_sd: f64,
    pub ss_residual: f64,
    /// About the weighted mean when there is a constant term, about nought otherwise.
    pub ss_regression: f64,
    pub r_squared: f64,
    /// Mean square of the regression over that of the residuals; infinite for an exact fit.
    pub f_statistic: f64,
    pub degrees_of_freedom: usize,
}

impl LinearFit {
    /// Covariance of the estimate from the scatter of the residuals.
    pub fn covariance(&self) -> Vec<Vec<f64>> {
        let s2 = self.residual_sd * self.residual_sd;
        self.cofactor.iter().map(|row| row.iter().map(|c| c * s2).collect()).collect()
    }
}

/// Fits `y ≈ X·β` by weighted least squares: Householder QR of the column-scaled design, then refinement.
///
/// # Inputs
/// - `design`: N×p.
/// - `values`: N.
/// - `weights`: N, relative weights or 1/σ²; `None` weighs all alike.
/// - `has_constant`: whether the columns span a constant term, which decides what R² and F compare with.
///
/// # Errors
/// [`LeastSquaresError`]: lengths that don't match, fewer than p + 1 values, numbers that aren't finite, dependent columns.
///
/// # Source
/// Golub & Van Loan, *Matrix Computations*, 4th ed., 5.3; checked against the NIST StRD linear sets.
pub fn linear_fit(
    design: &DMatrix<f64>,
    values: &[f64],
    weights: Option<&[f64]>,
    has_constant: bool,
) -> Result<LinearFit, LeastSquaresError> {
    check(design, values, weights)?;
    let (n, p) = design.shape();
    let root: Vec<f64> = (0..n).map(|i| weights.map_or(1.0, |w| w[i].sqrt())).collect();
    let mut scaled = DMatrix::from_fn(n, p, |i, j| design[(i, j)] * root[i]);
    let target = DVector::from_fn(n, |i, _| values[i] * root[i]);
    let norms: Vec<f64> = (0..p).map(|j| scaled.column(j).norm()).collect();
    for (j, &norm) in norms.iter().enumerate() {
        if norm == 0.0 {
            return Err(LeastSquaresError::Degenerate { column: j });
        }
        scaled.column_mut(j).unscale_mut(norm);
    }
    let decomposition = Qr::new(scaled.clone())?;
    let (beta, weighted_residual) = decomposition.refined(&scaled, &target);
    let cofactor = decomposition.cofactor(&norms);
    let estimate: Vec<f64> = (0..p).map(|j| beta[j] / norms[j]).collect();
    Ok(summarise(estimate, cofactor, &weighted_residual, &root, &target, has_constant))
}

/// Fits a polynomial `β0 + β1·x + … + βd·x^d`; see [`linear_fit`].
///
/// # Errors
/// As [`linear_fit`].
pub fn polynomial_fit(
    x: &[f64],
    y: &[f64],
    weights: Option<&[f64]>,
    degree: usize,
) -> Result<LinearFit, LeastSquaresError> {
    let design = DMatrix::from_fn(x.len(), degree + 1, |i, j| x[i].powi(j as i32));
    linear_fit(&design, y, weights, true)
}

fn check(design: &DMatrix<f64>, values: &[f64], weights: Option<&[f64]>) -> Result<(), LeastSquaresError> {
    let (rows, parameters) = design.shape();
    let weight_count = weights.map_or(rows, <[f64]>::len);
    if rows != values.len() || rows != weight_count {
        return Err(LeastSquaresError::LengthMismatch { rows, values: values.len(), weights: weight_count });
    }
    if rows <= parameters {
        return Err(LeastSquaresError::TooFewValues { found: rows, parameters });
    }
    let bad = (0..rows).find(|&i| {
        let weight = weights.map_or(1.0, |w| w[i]);
        !(values[i].is_finite() && weight.is_finite() && weight > 0.0) || design.row(i).iter().any(|v| !v.is_finite())
    });
    bad.map_or(Ok(()), |index| Err(LeastSquaresError::NotFinite { index }))
}

/// Q and R of a design whose columns have unit length.
struct Qr {
    q: DMatrix<f64>,
    r: DMatrix<f64>,
}

impl Qr {
    fn new(design: DMatrix<f64>) -> Result<Self, LeastSquaresError> {
        let qr = design.qr();
        let (q, r) = (qr.q(), qr.r());
        // Columns have unit length, so a diagonal at the level of rounding means a dependent column.
        match (0..r.ncols()).find(|&j| r[(j, j)].abs() < 1e-15) {
            Some(column) => Err(LeastSquaresError::Degenerate { column }),
            None => Ok(Self { q, r }),
        }
    }

    fn solve(&self, target: &DVector<f64>) -> DVector<f64> {
        let rhs = self.q.tr_mul(target);
        self.r.solve_upper_triangular(&rhs).expect("the diagonal was checked")
    }

    /// Solution and residual, refined together (Björck 1967): estimate and residual are improved as one system, which keeps
    /// the digits also where the residuals are large.
    fn refined(&self, design: &DMatrix<f64>, target: &DVector<f64>) -> (DVector<f64>, DVector<f64>) {
        let mut beta = self.solve(target);
        let mut residual = DVector::from_fn(target.len(), |i, _| {
            compensated(target[i], design.row(i).iter().copied().zip(beta.iter().map(|b| -b)))
        });
        for _ in 0..REFINEMENTS {
            let misfit = DVector::from_fn(target.len(), |i, _| {
                let row = design.row(i);
                let terms = row.iter().copied().zip(beta.iter().map(|b| -b));
                compensated(target[i], terms.chain(std::iter::once((-1.0, residual[i]))))
            });
            let along = DVector::from_fn(beta.len(), |j, _| {
                compensated(0.0, design.column(j).iter().copied().zip(residual.iter().map(|r| -r)))
            });
            let inside = self.r.tr_solve_upper_triangular(&along).expect("the diagonal was checked");
            let projected = self.q.tr_mul(&misfit);
            beta += self.r.solve_upper_triangular(&(&projected - &inside)).expect("the diagonal was checked");
            residual += &misfit - &self.q * (projected - inside);
        }
        (beta, residual)
    }

    /// (Xᵀ W X)⁻¹ of the design before its columns were scaled by `norms`.
    fn cofactor(&self, norms: &[f64]) -> Vec<Vec<f64>> {
        let p = norms.len();
        let inverse = self.r.solve_upper_triangular(&DMatrix::identity(p, p)).expect("the diagonal was checked");
        let product = &inverse * inverse.transpose();
        (0..p).map(|i| (0..p).map(|j| product[(i, j)] / (norms[i] * norms[j])).collect()).collect()
    }
}

/// Rounds of refinement; the third changes nothing any more in the hardest certified set.
const REFINEMENTS: usize = 2;

/// `start + Σ a·b` with every product and sum carried in twice the working precision (Ogita, Rump & Oishi 2005, Dot2).
fn compensated(start: f64, products: impl Iterator<Item = (f64, f64)>) -> f64 {
    let (mut high, mut low) = (start, 0.0);
    for (a, b) in products {
        let product = a * b;
        let product_error = a.mul_add(b, -product);
        let sum = high + product;
        let part = sum - high;
        low += (high - (sum - part)) + (product - part) + product_error;
        high = sum;
    }
    high + low
}

fn summarise(
    estimate: Vec<f64>,
    cofactor: Vec<Vec<f64>>,
    weighted_residual: &DVector<f64>,
    root_weights: &[f64],
    weighted_target: &DVector<f64>,
    has_constant: bool,
) -> LinearFit {
    let (n, p) = (root_weights.len(), estimate.len());
    let degrees_of_freedom = n - p;
    let ss_residual = weighted_residual.norm_squared();
    let weight_sum: f64 = root_weights.iter().map(|r| r * r).sum();
    let mean = weighted_target.iter().zip(root_weights).map(|(t, r)| t * r).sum::<f64>() / weight_sum;
    let centre = if has_constant { mean } else { 0.0 };
    let fitted_from_centre = |i: usize| weighted_target[i] - weighted_residual[i] - centre * root_weights[i];
    let ss_regression: f64 = (0..n).map(|i| fitted_from_centre(i).powi(2)).sum();
    let residual_sd = (ss_residual / degrees_of_freedom as f64).sqrt();
    let regression_df = if has_constant { p.saturating_sub(1) } else { p };
    LinearFit {
        standard_error: (0..p).map(|j| residual_sd * cofactor[j][j].sqrt()).collect(),
        residuals: (0..n).map(|i| weighted_residual[i] / root_weights[i]).collect(),
        residual_sd,
        ss_residual,
        ss_regression,
        r_squared: ss_regression / (ss_regression + ss_residual),
        f_statistic: (ss_regression / regression_df as f64) / (residual_sd * residual_sd),
        degrees_of_freedom,
        estimate,
        cofactor,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Deserialize)]
    struct File {
        dataset: Vec<Set>,
    }

    #[derive(Deserialize)]
    struct Set {
        name: String,
        intercept: bool,
        parameters: usize,
        y: Vec<f64>,
        x: toml::Value,
        certified: Certified,
    }

    #[derive(Deserialize)]
    struct Certified {
        estimate: Vec<f64>,
        std_error: Vec<f64>,
        residual_sd: f64,
        r_squared: f64,
        f_statistic: Option<f64>,
    }

    fn number(v: &toml::Value) -> f64 {
        v.as_float().or_else(|| v.as_integer().map(|i| i as f64)).expect("a number")
    }

    fn design(set: &Set) -> DMatrix<f64> {
        let rows = set.x.as_array().expect("an array");
        if rows[0].is_array() {
            DMatrix::from_fn(rows.len(), set.parameters, |i, j| {
                if j == 0 { 1.0 } else { number(&rows[i].as_array().unwrap()[j - 1]) }
            })
        } else {
            let first_power = if set.intercept { 0 } else { 1 };
            DMatrix::from_fn(rows.len(), set.parameters, |i, j| number(&rows[i]).powi((j + first_power) as i32))
        }
    }

    /// Relative agreement; absolute where the certified value is nought (Wampler1's errors).
    fn close(got: f64, want: f64, tolerance: f64) -> bool {
        if want == 0.0 { got.abs() < tolerance } else { ((got - want) / want).abs() < tolerance }
    }

    /// NIST Statistical Reference Datasets, linear regression (DOI 10.18434/T43G6C), all eleven sets.
    /// The tolerances are the fixture's, which give what QR in 64 bits can keep of the raw powers.
    #[test]
    fn nist_linear_sets_agree_in_their_digits() {
        let file: File =
            toml::from_str(&std::fs::read_to_string("fixtures/strd_linear.toml").expect("fixture")).expect("toml");
        assert_eq!(file.dataset.len(), 11);
        for set in &file.dataset {
            let tolerance = match set.name.as_str() {
                "Norris" | "NoInt1" | "NoInt2" => 1e-12,
                "Pontius" => 1e-11,
                "Longley" => 1e-8,
                "Filip" => 1e-6,
                _ => 1e-7,
            };
            let fit = linear_fit(&design(set), &set.y, None, set.intercept).unwrap();
            for j in 0..set.parameters {
                let (got, want) = (fit.estimate[j], set.certified.estimate[j]);
                assert!(close(got, want, tolerance), "{} β{j}: {got} for {want}", set.name);
                let (got, want) = (fit.standard_error[j], set.certified.std_error[j]);
                assert!(close(got, want, tolerance.max(1e-9)), "{} u(β{j}): {got} for {want}", set.name);
            }
            assert!(close(fit.residual_sd, set.certified.residual_sd, tolerance.max(1e-9)), "{}", set.name);
            assert!(close(fit.r_squared, set.certified.r_squared, tolerance.max(1e-11)), "{}", set.name);
            if let Some(f) = set.certified.f_statistic.filter(|f| f.is_finite()) {
                assert!(close(fit.f_statistic, f, tolerance.max(1e-9) * 10.0), "{} F {}", set.name, fit.f_statistic);
            }
        }
    }

    #[test]
    fn weights_are_one_over_sigma_squared() {
        // Two values of one constant: the mean weighted by 1/σ², with u² = 1/Σ(1/σ²) (JCGM 100, H.5 and any textbook).
        let design = DMatrix::from_element(3, 1, 1.0);
        let fit = linear_fit(&design, &[1.0, 2.0, 2.0], Some(&[4.0, 1.0, 1.0]), true).unwrap();
        assert!((fit.estimate[0] - 8.0 / 6.0).abs() < 1e-15);
        assert!((fit.cofactor[0][0] - 1.0 / 6.0).abs() < 1e-15);
    }

    #[test]
    fn what_cannot_be_fitted_is_said() {
        let x = [1.0, 2.0, 3.0];
        assert_eq!(
            polynomial_fit(&x, &[1.0; 3], None, 2).unwrap_err(),
            LeastSquaresError::TooFewValues { found: 3, parameters: 3 }
        );
        assert_eq!(
            polynomial_fit(&[1.0; 5], &[1.0; 5], None, 1).unwrap_err(),
            LeastSquaresError::Degenerate { column: 1 }
        );
        assert_eq!(
            polynomial_fit(&x, &[1.0, f64::NAN, 1.0], None, 1).unwrap_err(),
            LeastSquaresError::NotFinite { index: 1 }
        );
        assert!(matches!(
            polynomial_fit(&x, &[1.0; 2], None, 1).unwrap_err(),
            LeastSquaresError::LengthMismatch { .. }
        ));
    }
}
