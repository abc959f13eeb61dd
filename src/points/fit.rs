//! A flight without air through the points of a table.

use super::{Point, PointsError};
use crate::maths::least_squares::{LinearFit, polynomial_fit};
use crate::maths::tests_of_means::t_quantile;
use crate::units::Estimate;

/// Coverage factor of a 95 % interval of a normal distribution (GUM table G.2, infinite degrees of freedom).
const NORMAL_95: f64 = 1.96;
/// Rounds of weighing; each uses the velocities of the one before for what the times are uncertain by.
const ROUNDS: usize = 4;

/// What a table gives.
#[derive(Debug, Clone, PartialEq)]
pub struct PointsFit {
    /// The time from which the speeds below are told: the table's first.
    pub start_s: f64,
    pub speed_m_per_s: Estimate,
    /// Above the horizontal, degrees; `None` without places along the floor.
    pub angle_deg: Option<Estimate>,
    pub gravity_m_per_s2: Estimate,
    /// x = x0 + vx·τ, as fitted; `None` without places along the floor.
    pub along: Option<Coordinate>,
    /// y = y0 + vy·τ − ½·g·τ².
    pub upwards: Coordinate,
}

/// The fit of one coordinate over τ, the time since the first row.
#[derive(Debug, Clone, PartialEq)]
pub struct Coordinate {
    /// Of 1, τ, τ².
    pub terms: Vec<f64>,
    /// Of the terms, in the order of them.
    pub covariance: Vec<Vec<f64>>,
    /// Measured minus fitted, m, row by row.
    pub residuals_m: Vec<f64>,
    /// Coverage factor for 95 %.
    pub coverage_factor: f64,
    /// Sum of squared residuals over their uncertainties, by the degrees of freedom; `None` where none are stated.
    pub reduced_chi_square: Option<f64>,
    /// By how much the stated uncertainties were widened because the points scatter more than they say; 1 where they don't.
    pub widened: f64,
    pub degrees_of_freedom: usize,
}

impl Coordinate {
    pub fn at(&self, tau: f64) -> f64 {
        self.terms.iter().rev().fold(0.0, |sum, term| sum * tau + term)
    }

    fn rate(&self, tau: f64) -> f64 {
        self.terms.get(1).copied().unwrap_or(0.0) + 2.0 * tau * self.terms.get(2).copied().unwrap_or(0.0)
    }

    fn uncertainty(&self, term: usize) -> f64 {
        self.covariance[term][term].sqrt()
    }
}

/// Fits a flight without air.
///
/// Each coordinate by least squares of its own. Where the table states uncertainties of all its rows they weigh the rows, those of the
/// times through the velocity (effective variance; Orear, Am. J. Phys. 50 (1982) 912–916, from memory), and stand for what
/// the fit is uncertain by; points that scatter more than stated widen it by √(χ²/ν) (Birge's ratio, as in the Review of Particle
/// Physics; from memory). Where it doesn't, the scatter of the points tells, with Student's t.
///
/// # Errors
/// [`PointsError::TooFew`], [`PointsError::NoFall`], or the solver's.
pub fn fit(points: &[Point]) -> Result<PointsFit, PointsError> {
    if points.len() < 4 {
        return Err(PointsError::TooFew { found: points.len() });
    }
    let start_s = points.iter().map(|point| point.time_s).fold(f64::INFINITY, f64::min);
    let tau: Vec<f64> = points.iter().map(|point| point.time_s - start_s).collect();
    let of_time: Vec<Option<f64>> = points.iter().map(|point| point.time_uncertainty_s).collect();
    let heights: Vec<f64> = points.iter().map(|point| point.y_m).collect();
    let of_height: Vec<Option<f64>> = points.iter().map(|point| point.y_uncertainty_m).collect();
    let upwards = coordinate(&tau, &heights, &of_time, &of_height, 2)?;
    let places: Option<Vec<f64>> = points.iter().map(|point| point.x_m).collect();
    let of_place: Vec<Option<f64>> = points.iter().map(|point| point.x_uncertainty_m).collect();
    let along = places.map(|places| coordinate(&tau, &places, &of_time, &of_place, 1)).transpose()?;
    let gravity = -2.0 * upwards.terms[2];
    if gravity <= 0.0 {
        return Err(PointsError::NoFall);
    }
    let (speed_m_per_s, angle_deg) = launch(along.as_ref(), &upwards);
    Ok(PointsFit {
        start_s,
        speed_m_per_s,
        angle_deg,
        gravity_m_per_s2: estimate(gravity, 2.0 * upwards.uncertainty(2), upwards.coverage_factor),
        along,
        upwards,
    })
}

fn estimate(value: f64, u: f64, coverage_factor: f64) -> Estimate {
    Estimate::with_coverage_factor(value, u, coverage_factor)
}

/// Speed and angle at the first row; the two coordinates are independent (GUM 5.1.2).
fn launch(along: Option<&Coordinate>, upwards: &Coordinate) -> (Estimate, Option<Estimate>) {
    let (vy, u_y) = (upwards.terms[1], upwards.uncertainty(1));
    let Some(along) = along else { return (estimate(vy.abs(), u_y, upwards.coverage_factor), None) };
    let (vx, u_x) = (along.terms[1].abs(), along.uncertainty(1));
    let speed = vx.hypot(vy);
    let factor = along.coverage_factor.max(upwards.coverage_factor);
    let u_speed = (vx * u_x).hypot(vy * u_y) / speed;
    let u_angle = (vy * u_x).hypot(vx * u_y) / (speed * speed);
    let angle = estimate(vy.atan2(vx).to_degrees(), u_angle.to_degrees(), factor);
    (estimate(speed, u_speed, factor), Some(angle))
}

fn coordinate(
    tau: &[f64],
    values: &[f64],
    of_time: &[Option<f64>],
    of_value: &[Option<f64>],
    degree: usize,
) -> Result<Coordinate, PointsError> {
    let plain = polynomial_fit(tau, values, None, degree)?;
    let plain = settled(&plain, plain.covariance(), 1.0, None);
    // Without uncertainties of the places those of the times alone would leave points at rest without any.
    let Some(of_value) = of_value.iter().copied().collect::<Option<Vec<f64>>>() else { return Ok(plain) };
    let mut last = plain;
    for _ in 0..ROUNDS {
        let through_time = |i: usize| of_time[i].map_or(0.0, |u| u * last.rate(tau[i]));
        let weights: Vec<f64> = (0..tau.len()).map(|i| of_value[i].hypot(through_time(i)).powi(-2)).collect();
        let fit = polynomial_fit(tau, values, Some(&weights), degree)?;
        let reduced = fit.ss_residual / fit.degrees_of_freedom as f64;
        let widened = reduced.sqrt().max(1.0);
        let covariance: Vec<Vec<f64>> =
            fit.cofactor.iter().map(|row| row.iter().map(|c| c * widened * widened).collect()).collect();
        last = settled(&fit, covariance, widened, Some(reduced));
    }
    Ok(last)
}

fn settled(fit: &LinearFit, covariance: Vec<Vec<f64>>, widened: f64, reduced_chi_square: Option<f64>) -> Coordinate {
    let by_scatter = reduced_chi_square.is_none() || widened > 1.0;
    let freedom = fit.degrees_of_freedom as f64;
    Coordinate {
        terms: fit.estimate.clone(),
        covariance,
        residuals_m: fit.residuals.clone(),
        coverage_factor: if by_scatter { t_quantile(0.975, freedom) } else { NORMAL_95 },
        reduced_chi_square,
        widened,
        degrees_of_freedom: fit.degrees_of_freedom,
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    fn table() -> (Vec<Point>, toml::Value) {
        let text = std::fs::read_to_string("fixtures/parabola_fit.toml").expect("fixture");
        let fixture: toml::Value = toml::from_str(&text).expect("toml");
        let list = |name: &str| -> Vec<f64> {
            fixture["data"][name].as_array().unwrap().iter().map(|v| v.as_float().unwrap()).collect()
        };
        let points = list("x").into_iter().zip(list("y")).enumerate().map(|(frame, (x, y))| Point {
            time_s: frame as f64 * 1001.0 / 30000.0,
            y_m: y,
            x_m: Some(x),
            time_uncertainty_s: None,
            y_uncertainty_m: None,
            x_uncertainty_m: None,
        });
        (points.collect(), fixture)
    }

    /// Exact rational fits, compared with another program (head of the fixture).
    #[test]
    fn a_table_gives_the_exact_fit_with_its_uncertainties() {
        let (points, fixture) = table();
        let want = |name: &str| fixture["fit"]["all"][name].as_float().unwrap();
        let found = fit(&points).unwrap();
        let angle = found.angle_deg.unwrap();
        // 1e-10 and 1e-9 of the fixture's head.
        for (estimate, name) in [(found.gravity_m_per_s2, "g"), (found.speed_m_per_s, "speed"), (angle, "angle_deg")] {
            let u = want(&format!("u_{name}"));
            assert!((estimate.value / want(name) - 1.0).abs() < 1e-10, "{name}: {estimate:?}");
            assert!((estimate.standard_uncertainty.unwrap() / u - 1.0).abs() < 1e-9, "{name}: {estimate:?}");
        }
        // Student's t for 95 % and 13 degrees of freedom: 2.16 (GUM table G.2).
        let factor = found.gravity_m_per_s2.expanded_uncertainty_95.unwrap() / want("u_g");
        assert!((factor - 2.16).abs() < 0.005);
    }

    /// Stated uncertainties weigh the rows; the fixture's fit with known ones.
    #[test]
    fn stated_uncertainties_stand_when_the_points_keep_them() {
        let (points, _) = table();
        let with = |u: f64| -> Vec<Point> {
            points.iter().map(|p| Point { y_uncertainty_m: Some(u), x_uncertainty_m: Some(u), ..*p }).collect()
        };
        let (kept, broken) = (fit(&with(0.005)).unwrap(), fit(&with(0.0005)).unwrap());
        assert_eq!((kept.upwards.widened, kept.upwards.coverage_factor), (1.0, NORMAL_95));
        assert!(broken.upwards.widened > 2.0);
        // Alike for all rows they change nothing but the width: u(g) goes with them.
        let u = |fit: &PointsFit| fit.gravity_m_per_s2.standard_uncertainty.unwrap();
        let scale = u(&fit(&points).unwrap()) / 0.001_378_331_989_571_287_6;
        assert!((u(&kept) / (scale * 0.005) - 1.0).abs() < 1e-9);
        assert!((u(&broken) / u(&fit(&points).unwrap()) - 1.0).abs() < 1e-9);
    }

    /// 1000 simulated tables with stated scatter of places and times: 95 % intervals hold the truth in 95 % of them; Monte Carlo error
    /// 0.7 %, taken twice. (Points that chance scatters more than stated are widened, so that a little more is right.)
    #[test]
    fn intervals_hold_the_truth_as_often_as_they_say() {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let (vx, vy, g, u, u_t) = (3.0, 3.5, 9.81, 0.004, 0.001);
        let mut held = [0usize; 2];
        for _ in 0..1000 {
            let points: Vec<Point> = (0..15)
                .map(|i| {
                    let t = 0.045 * f64::from(i);
                    Point {
                        time_s: t + u_t * normal(),
                        y_m: vy * t - 0.5 * g * t * t + u * normal(),
                        x_m: Some(vx * t + u * normal()),
                        time_uncertainty_s: Some(u_t),
                        y_uncertainty_m: Some(u),
                        x_uncertainty_m: Some(u),
                    }
                })
                .collect();
            let found = fit(&points).unwrap();
            // Speeds are told at the first row's time.
            let true_vy = vy - g * found.start_s;
            let holds = |e: Estimate, truth: f64| (e.value - truth).abs() <= e.expanded_uncertainty_95.unwrap();
            held[0] += usize::from(holds(found.gravity_m_per_s2, g));
            held[1] += usize::from(holds(found.speed_m_per_s, f64::hypot(vx, true_vy)));
        }
        println!("{held:?}");
        assert!(held.iter().all(|held| (936..=990).contains(held)), "{held:?}");
    }

    #[test]
    fn too_few_rows_and_heights_that_rise_are_refused() {
        let (points, _) = table();
        assert_eq!(fit(&points[..3]), Err(PointsError::TooFew { found: 3 }));
        let turned: Vec<Point> = points.iter().map(|p| Point { y_m: -p.y_m, ..*p }).collect();
        assert_eq!(fit(&turned), Err(PointsError::NoFall));
    }
}
