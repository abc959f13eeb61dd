//! Speeds, accelerations and energies along a flight: what the graphs beyond position show.
//!
//! Two views side by side. The *fitted* one is the fit's own path, finely sampled, with its band. The *stepwise* one
//! asks a few neighbouring sightings at a time and knows nothing of the fit, so that the eye can judge the fit by it.

use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use super::{FittedPath, SightingRow};
use crate::units::Estimate;

/// Coverage factor for 95 % of a normal distribution with known standard deviation (JCGM 100:2008, table G.1).
pub const NORMAL_95: f64 = 1.96;

/// Steps of the fine sampling between launch and last sighting.
const FINE_STEPS: usize = 120;

/// Motion along one flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Motion {
    /// The fit, from launch to the last sighting.
    pub fitted: Vec<MotionSample>,
    /// Velocities from parabolas through few neighbouring sightings, without overlap.
    pub velocities: Vec<MotionSample>,
    /// Accelerations from parabolas through more neighbouring sightings, without overlap.
    pub accelerations: Vec<MotionSample>,
    /// Sightings behind each sample of `velocities` and of `accelerations` (some have a few more).
    pub sightings_per_velocity: usize,
    pub sightings_per_acceleration: usize,
    /// Mass of the ball; `None` leaves energies per kilogram.
    pub ball_mass_kg: Option<f64>,
}

/// Position, velocity, acceleration and energy at one time. Metres x right, y up.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MotionSample {
    /// On the clock of the sightings.
    pub time_s: f64,
    pub x_m: Estimate,
    pub y_m: Estimate,
    pub vx_m_per_s: Estimate,
    pub vy_m_per_s: Estimate,
    pub ax_m_per_s2: Estimate,
    pub ay_m_per_s2: Estimate,
    /// ½·v², without spin.
    pub kinetic_j_per_kg: Estimate,
    /// g·(y − y of the launch point) with the fitted g.
    pub potential_j_per_kg: Estimate,
    pub total_j_per_kg: Estimate,
}

impl Motion {
    /// Works out all samples of a flight.
    ///
    /// # Inputs
    /// - `path` about `launch_time_s`; `covariance` in the order of its fields, `None` when it isn't known: then the
    ///   band isn't either.
    /// - `coverage_factor`: expanded over standard uncertainty of the fit.
    /// - `sightings`: in order of time; those that the fit rejected are passed over.
    pub fn derive(
        path: &FittedPath,
        covariance: Option<&[[f64; 6]; 6]>,
        coverage_factor: f64,
        launch_time_s: f64,
        sightings: &[SightingRow],
        ball_mass_kg: Option<f64>,
    ) -> Self {
        let used: Vec<&SightingRow> = sightings.iter().filter(|s| s.used).collect();
        let end_s = used.last().map_or(launch_time_s, |s| s.moment_s());
        let fitted = (0..=FINE_STEPS)
            .map(|i| (end_s - launch_time_s) * i as f64 / FINE_STEPS as f64)
            .map(|tau| fitted_sample(path, covariance, coverage_factor, launch_time_s, tau))
            .collect();
        let per_velocity = (used.len() / 12).max(3);
        let per_acceleration = if used.len() < 10 { (used.len() / 2).max(3) } else { (used.len() / 5).max(5) };
        Self {
            fitted,
            velocities: stepwise(&used, per_velocity, path),
            accelerations: stepwise(&used, per_acceleration, path),
            sightings_per_velocity: per_velocity,
            sightings_per_acceleration: per_acceleration,
            ball_mass_kg,
        }
    }
}

fn fitted_sample(
    path: &FittedPath,
    covariance: Option<&[[f64; 6]; 6]>,
    k: f64,
    launch_time_s: f64,
    tau: f64,
) -> MotionSample {
    let half_square = tau * tau / 2.0;
    let estimate = |value: f64, gradient: [f64; 6]| match covariance {
        Some(c) => Estimate::with_coverage_factor(value, quadratic_form(c, &gradient).max(0.0).sqrt(), k),
        None => Estimate::without_uncertainty(value),
    };
    let (vx, vy) = (path.vx_m_per_s + path.ax_m_per_s2 * tau, path.vy_m_per_s - path.g_m_per_s2 * tau);
    let rise = path.vy_m_per_s * tau - path.g_m_per_s2 * half_square;
    let vx_gradient = [0.0, 0.0, 1.0, 0.0, tau, 0.0];
    let vy_gradient = [0.0, 0.0, 0.0, 1.0, 0.0, -tau];
    let kinetic: [f64; 6] = std::array::from_fn(|i| vx * vx_gradient[i] + vy * vy_gradient[i]);
    // The launch height drops out: both heights move with it.
    let g = path.g_m_per_s2;
    let potential = [0.0, 0.0, 0.0, g * tau, 0.0, rise - g * half_square];
    let total = std::array::from_fn(|i| kinetic[i] + potential[i]);
    let (kinetic_value, potential_value) = ((vx * vx + vy * vy) / 2.0, g * rise);
    MotionSample {
        time_s: launch_time_s + tau,
        x_m: estimate(
            path.x0_m + path.vx_m_per_s * tau + path.ax_m_per_s2 * half_square,
            [1.0, 0.0, tau, 0.0, half_square, 0.0],
        ),
        y_m: estimate(path.y0_m + rise, [0.0, 1.0, 0.0, tau, 0.0, -half_square]),
        vx_m_per_s: estimate(vx, vx_gradient),
        vy_m_per_s: estimate(vy, vy_gradient),
        ax_m_per_s2: estimate(path.ax_m_per_s2, [0.0, 0.0, 0.0, 0.0, 1.0, 0.0]),
        ay_m_per_s2: estimate(-path.g_m_per_s2, [0.0, 0.0, 0.0, 0.0, 0.0, -1.0]),
        kinetic_j_per_kg: estimate(kinetic_value, kinetic),
        potential_j_per_kg: estimate(potential_value, potential),
        total_j_per_kg: estimate(kinetic_value + potential_value, total),
    }
}

fn quadratic_form(c: &[[f64; 6]; 6], g: &[f64; 6]) -> f64 {
    (0..6).map(|i| (0..6).map(|j| g[i] * c[i][j] * g[j]).sum::<f64>()).sum()
}

/// Parabolas through groups of at least `size` neighbours, all of nearly the same number.
fn stepwise(used: &[&SightingRow], size: usize, path: &FittedPath) -> Vec<MotionSample> {
    let groups = used.len() / size;
    (0..groups)
        .map(|i| &used[i * used.len() / groups..(i + 1) * used.len() / groups])
        .filter_map(|group| group_sample(group, path))
        .collect()
}

/// `None` when the times of the group don't carry a parabola.
fn group_sample(group: &[&SightingRow], path: &FittedPath) -> Option<MotionSample> {
    let time_s = group.iter().map(|s| s.moment_s()).sum::<f64>() / group.len() as f64;
    let taus: Vec<f64> = group.iter().map(|s| s.moment_s() - time_s).collect();
    let along = |value: fn(&SightingRow) -> (f64, f64)| {
        let values: Vec<(f64, f64)> = group.iter().map(|s| value(s)).collect();
        local_parabola(&taus, &values)
    };
    let x = along(|s| (s.centre_m.x, s.covariance_m2.xx))?;
    let y = along(|s| (s.centre_m.y, s.covariance_m2.yy))?;
    let (vx, vy) = (x[1], y[1]);
    let of = |(value, u): (f64, f64)| Estimate::with_coverage_factor(value, u, NORMAL_95);
    let kinetic = ((vx.0 * vx.0 + vy.0 * vy.0) / 2.0, (vx.0 * vx.1).hypot(vy.0 * vy.1));
    let potential = (path.g_m_per_s2 * (y[0].0 - path.y0_m), path.g_m_per_s2.abs() * y[0].1);
    Some(MotionSample {
        time_s,
        x_m: of(x[0]),
        y_m: of(y[0]),
        vx_m_per_s: of(vx),
        vy_m_per_s: of(vy),
        ax_m_per_s2: of(x[2]),
        ay_m_per_s2: of(y[2]),
        kinetic_j_per_kg: of(kinetic),
        potential_j_per_kg: of(potential),
        total_j_per_kg: of((kinetic.0 + potential.0, kinetic.1.hypot(potential.1))),
    })
}

/// Position, velocity and acceleration at τ = 0 with standard uncertainties, by weighted least squares through
/// (value, variance) at `taus`. `None` for fewer than three distinct times or a variance that isn't above zero.
fn local_parabola(taus: &[f64], values: &[(f64, f64)]) -> Option<[(f64, f64); 3]> {
    // In units of the group's own length the normal equations stay well conditioned.
    let length = taus.iter().fold(0.0_f64, |m, t| m.max(t.abs()));
    if length == 0.0 || values.iter().any(|v| v.1.is_nan() || v.1 <= 0.0) {
        return None;
    }
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (tau, (value, variance)) in taus.iter().zip(values) {
        let s = tau / length;
        let row = Vector3::new(1.0, s, s * s / 2.0);
        normal += row * row.transpose() / *variance;
        right += row * (value / variance);
    }
    let covariance = normal.try_inverse()?;
    let solution = covariance * right;
    let part = |i: usize, power: i32| {
        (solution[i] / length.powi(power), covariance[(i, i)].max(0.0).sqrt() / length.powi(power))
    };
    Some([part(0, 0), part(1, 1), part(2, 2)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Covariance2, MetrePoint, PixelPoint};

    const PATH: FittedPath =
        FittedPath { x0_m: 0.1, y0_m: 0.4, vx_m_per_s: 2.5, vy_m_per_s: 2.7, ax_m_per_s2: 0.0, g_m_per_s2: 9.81 };

    fn sightings(count: usize) -> Vec<SightingRow> {
        (0..count)
            .map(|frame| {
                let tau = frame as f64 / 60.0;
                let centre_m = MetrePoint::new(0.1 + 2.5 * tau, 0.4 + 2.7 * tau - 4.905 * tau * tau);
                SightingRow {
                    frame,
                    time_s: 1.0 + tau,
                    exposed_s: None,
                    centre_px: PixelPoint::new(0.0, 0.0),
                    covariance_px2: Covariance2::isotropic(0.1),
                    centre_m,
                    covariance_m2: Covariance2::isotropic(0.001),
                    radius_px: 9.0,
                    streak_px: None,
                    visible: 1.0,
                    residual_px: PixelPoint::new(0.0, 0.0),
                    residual_m: None,
                    used: true,
                    by_hand: false,
                }
            })
            .collect()
    }

    #[test]
    fn groups_of_an_exact_flight_give_its_velocity_and_acceleration() {
        let motion = Motion::derive(&PATH, None, 2.0, 1.0, &sightings(36), None);
        assert_eq!(motion.velocities.len(), 12);
        for sample in &motion.velocities {
            // Exact data: the rounding of positions (1e-16 m) over the square of a sixtieth of a second, and some room.
            let expected = 2.7 - 9.81 * (sample.time_s - 1.0);
            assert!((sample.vy_m_per_s.value - expected).abs() < 1e-9);
            assert!((sample.ay_m_per_s2.value + 9.81).abs() < 1e-8);
        }
    }

    /// The slope between the ends of three evenly spaced points has the standard uncertainty σ·√2 / (2·Δt).
    #[test]
    fn uncertainty_of_a_velocity_is_that_of_the_difference_of_its_ends() {
        let motion = Motion::derive(&PATH, None, 2.0, 1.0, &sightings(9), None);
        let u = motion.velocities[0].vy_m_per_s.standard_uncertainty.unwrap();
        assert!((u - 0.001 * 2.0_f64.sqrt() * 30.0).abs() < 1e-9);
    }

    #[test]
    fn energy_of_a_flight_without_air_is_kept() {
        let motion = Motion::derive(&PATH, None, 2.0, 1.0, &sightings(30), None);
        for sample in &motion.fitted {
            assert!((sample.total_j_per_kg.value - (2.5_f64.powi(2) + 2.7_f64.powi(2)) / 2.0).abs() < 1e-12);
        }
    }

    /// Band against the spread of paths drawn by hand: the gradient is checked by finite differences.
    #[test]
    fn the_band_follows_from_the_covariance() {
        let mut covariance = [[0.0; 6]; 6];
        covariance[5][5] = 0.04;
        let motion = Motion::derive(&PATH, Some(&covariance), 2.0, 1.0, &sightings(30), None);
        let last = motion.fitted.last().unwrap();
        let tau: f64 = last.time_s - 1.0;
        // Only g is uncertain, by 0.2 m/s²: y by 0.2·τ²/2 and vy by 0.2·τ.
        assert!((last.y_m.standard_uncertainty.unwrap() - 0.1 * tau * tau).abs() < 1e-12);
        assert!((last.vy_m_per_s.standard_uncertainty.unwrap() - 0.2 * tau).abs() < 1e-12);
        let energy = |g: f64| {
            let rise = 2.7 * tau - g * tau * tau / 2.0;
            (2.5_f64.powi(2) + (2.7 - g * tau).powi(2)) / 2.0 + g * rise
        };
        let slope = (energy(9.81 + 1e-5) - energy(9.81 - 1e-5)) / 2e-5;
        // The total doesn't depend on g when every part uses the same one: both ways must say so.
        assert!((last.total_j_per_kg.standard_uncertainty.unwrap() - 0.2 * slope.abs()).abs() < 1e-6);
    }

    #[test]
    fn too_few_sightings_give_no_steps() {
        let motion = Motion::derive(&PATH, None, 2.0, 1.0, &sightings(2), None);
        assert!(motion.velocities.is_empty() && motion.accelerations.is_empty());
    }
}
