//! Simulated sightings with a known truth, for checking the fit: no pictures, only places, times and noise.

use rand::{Rng, RngExt};
use rand_distr::StandardNormal;

use super::motion::{Motion, State};
use super::view::FlightView;
use crate::sight::{Sighting, SightingSource};
use crate::units::{Covariance2, MetrePoint, PixelPoint};

/// A throw whose truth is known. The state holds at time nought.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throw {
    pub launch: State,
    pub gravity_m_per_s2: f64,
    /// Direction of gravity from −y of the camera's plane, rad, towards +x.
    pub roll_rad: f64,
    pub motion: Motion,
    pub drag_factor: f64,
}

impl Throw {
    /// In a vacuum, square to the camera, from a point with a speed and an angle above the horizontal; `direction` is +1 to
    /// the right and −1 to the left.
    pub fn new(from: MetrePoint, speed_m_per_s: f64, angle_deg: f64, direction: f64) -> Self {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        let launch = State { x: from.x, y: from.y, vx: direction * speed_m_per_s * cos, vy: speed_m_per_s * sin };
        Self { launch, gravity_m_per_s2: 9.81, roll_rad: 0.0, motion: Motion::Vacuum, drag_factor: 1.0 }
    }

    /// States at times after the launch.
    pub fn states(&self, taus_s: &[f64]) -> Option<Vec<State>> {
        let (sin, cos) = self.roll_rad.sin_cos();
        let field = (self.gravity_m_per_s2 * sin, -self.gravity_m_per_s2 * cos);
        self.motion.states(self.launch, field, self.drag_factor, taus_s)
    }

    /// True launch speed (m/s), angle (deg) and gravity (m/s²).
    pub fn truth(&self) -> [f64; 3] {
        super::launch::derived(self.launch, self.gravity_m_per_s2, self.roll_rad)
    }

    /// Where the camera sees the ball in the frame of time `time_s`: the row time depends on the place and the place on the
    /// row time, which three rounds settle to far below a hundredth of a pixel.
    pub fn seen(&self, camera: &dyn FlightView, time_s: f64) -> Option<PixelPoint> {
        let mut exposed_at = time_s;
        let mut seen = None;
        for _ in 0..6 {
            let state = self.states(&[exposed_at])?[0];
            let pixel = camera.pixel_from_metre(MetrePoint::new(state.x, state.y))?;
            exposed_at = time_s + camera.row_time_s(pixel);
            seen = Some(pixel);
        }
        seen
    }

    /// Sightings in frames at `times_s`, each coordinate with normal noise of `sigma_px`, which is also what their
    /// covariances say.
    pub fn film(
        &self,
        camera: &dyn FlightView,
        times_s: &[f64],
        sigma_px: f64,
        random: &mut impl Rng,
    ) -> Vec<Sighting> {
        let mut noise = || -> f64 { sigma_px * <StandardNormal as rand_distr::Distribution<f64>>::sample(&StandardNormal, random) };
        let seen = times_s.iter().enumerate().filter_map(|(i, &t)| self.seen(camera, t).map(|p| (i, t, p)));
        seen.map(|(i, t, p)| sighting(i, t, PixelPoint::new(p.x + noise(), p.y + noise()), sigma_px)).collect()
    }
}

/// A sighting with nothing but what the fit uses.
pub fn sighting(frame: usize, time_s: f64, centre_px: PixelPoint, sigma_px: f64) -> Sighting {
    Sighting {
        frame,
        time_s,
        centre_px,
        covariance_px2: Covariance2::isotropic(sigma_px),
        radius_px: 10.0,
        streak_px: None,
        visible: 1.0,
        signal_to_noise: 30.0,
        source: SightingSource::Found,
    }
}

/// Moves a share of the sightings to false places, evenly within `reach_px` on either axis of the true ones; gives how
/// many were moved.
pub fn make_false(sightings: &mut [Sighting], share: f64, reach_px: f64, random: &mut impl Rng) -> usize {
    let mut moved = 0;
    for s in sightings.iter_mut() {
        if random.random::<f64>() < share {
            s.centre_px.x += random.random_range(-reach_px..reach_px);
            s.centre_px.y += random.random_range(-reach_px..reach_px);
            moved += 1;
        }
    }
    moved
}

/// Frame times `0, 1/rate, …`.
pub fn frame_times(rate_hz: f64, count: usize) -> Vec<f64> {
    (0..count).map(|i| i as f64 / rate_hz).collect()
}

/// Least possible standard uncertainty of g from N places `dt` apart with noise `sigma` (m) on each: the Cramér–Rao bound
/// 12·√5·σ/(dt²·√(N(N²−1)(N²−4))).
pub fn gravity_bound(sigma_m: f64, dt_s: f64, count: usize) -> f64 {
    let n = count as f64;
    12.0 * 5f64.sqrt() * sigma_m / (dt_s * dt_s * (n * (n * n - 1.0) * (n * n - 4.0)).sqrt())
}
