//! How noisy the sightings turned out, and whether neighbouring residuals go together.

use super::FitOptions;
use super::problem::{Problem, whiten};
use super::result::NoiseStatement;
use crate::sight::{Sighting, SightingSource};

/// Factor on the uncertainty of one sighting where the flight's sightings scatter by `scale` times what they state. That the pictures'
/// places turned out better than stated says nothing of a place that a hand put: its uncertainty isn't narrowed.
pub(crate) fn scale_of(sighting: &Sighting, scale: f64) -> f64 {
    match sighting.source {
        SightingSource::ByHand => scale.max(1.0),
        SightingSource::Found => scale,
    }
}

/// Judges the residuals of the sightings in use.
///
/// The stated covariances count as an earlier estimate with ν₀ = 1/(2·doubt²) degrees of freedom (JCGM 100:2008, G.4.2), which
/// is pooled with the scatter of the residuals: s² = (ν₀ + χ²)/(ν₀ + ν). A few residuals then can't shrink or swell the
/// result much, and many outvote a wrong statement.
pub(super) fn judge(
    problem: &Problem,
    parameters: &[f64],
    chi_square: f64,
    dof: usize,
    options: &FitOptions,
) -> NoiseStatement {
    let trusted = 0.5 / (options.covariance_doubt * options.covariance_doubt).max(1e-12);
    let degrees_of_freedom = trusted + dof as f64;
    let (neighbour_correlation, correlation_factor) = neighbours(problem, parameters);
    let scale = ((trusted + chi_square) / degrees_of_freedom).sqrt();
    NoiseStatement { scale, neighbour_correlation, correlation_factor, degrees_of_freedom }
}

/// Correlation of neighbouring residuals over both coordinates of all flights, and the factor √((1 + ρ)/(1 − ρ)) on slowly
/// varying estimates (first-order autoregressive noise; Bayley & Hammersley 1946) where ρ is significant.
///
/// Fitting p coefficients to N values of one coordinate biases the plain estimate by about −p/N; that is put back.
fn neighbours(problem: &Problem, parameters: &[f64]) -> (f64, f64) {
    let (mut products, mut squares, mut pairs, mut bias) = (0.0, 0.0, 0usize, 0.0);
    for (flight, track) in problem.tracks.iter().enumerate() {
        let Some(residuals) = problem.pixel_residuals(flight, parameters) else { continue };
        let white: Vec<Option<[f64; 2]>> = residuals
            .iter()
            .zip(track.sightings)
            .zip(&track.weights)
            .map(|((r, s), w)| (*w > 0.0).then(|| <[f64; 2]>::from(whiten(*r, s.covariance_px2))))
            .collect();
        let count = white.iter().flatten().count();
        squares += white.iter().flatten().map(|[a, b]| a * a + b * b).sum::<f64>();
        for pair in white.windows(2) {
            if let [Some(a), Some(b)] = pair {
                products += a[0] * b[0] + a[1] * b[1];
                pairs += 2;
            }
        }
        bias += 2.5 * 2.0 * count as f64 / count.max(1) as f64;
    }
    if squares == 0.0 || pairs < 8 {
        return (0.0, 1.0);
    }
    let correlation = (products / squares + bias / pairs as f64).clamp(-0.9, 0.9);
    // Two standard deviations of the estimate for white noise, 1/√pairs.
    let significant = correlation > 2.0 / (pairs as f64).sqrt();
    (correlation, if significant { ((1.0 + correlation) / (1.0 - correlation)).sqrt() } else { 1.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Covariance2, PixelPoint};

    #[test]
    fn a_place_put_by_hand_is_never_narrowed() {
        let found = Sighting {
            frame: 3,
            time_s: 0.1,
            centre_px: PixelPoint::new(10.0, 20.0),
            covariance_px2: Covariance2::isotropic(0.25),
            radius_px: 9.0,
            streak_px: None,
            visible: 1.0,
            signal_to_noise: 20.0,
            source: SightingSource::Found,
        };
        let by_hand = Sighting { source: SightingSource::ByHand, ..found.clone() };
        assert_eq!([0.6, 1.4].map(|scale| scale_of(&found, scale)), [0.6, 1.4]);
        assert_eq!([0.6, 1.4].map(|scale| scale_of(&by_hand, scale)), [1.0, 1.4]);
    }
}
