//! What a change of speed does to the target.

/// How far the landing point moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TargetShift {
    pub before_m: f64,
    pub after_m: f64,
}

impl TargetShift {
    /// Metres farther from the launcher; negative when nearer.
    pub fn farther_m(&self) -> f64 {
        self.after_m - self.before_m
    }
}

/// The shift for two speeds by any forecast `landing` from speed (m/s) to landing distance (m); `None` when either speed
/// doesn't reach the target's height.
pub fn target_shift(before: f64, after: f64, landing: impl Fn(f64) -> Option<f64>) -> Option<TargetShift> {
    Some(TargetShift { before_m: landing(before)?, after_m: landing(after)? })
}

/// Horizontal distance from the launch point to where the ball comes down through a height `drop_m` below it (negative:
/// above it), without air.
///
/// v·cos α·(v·sin α + √(v²·sin²α + 2·g·drop))/g; `None` when the ball never gets so high.
///
/// Source: any mechanics text, such as OpenStax University Physics 1, section 4.3.
pub fn landing_without_air(speed: f64, angle_deg: f64, drop_m: f64, gravity: f64) -> Option<f64> {
    let (sine, cosine) = angle_deg.to_radians().sin_cos();
    let up = speed * sine;
    let square = up * up + 2.0 * gravity * drop_m;
    (square >= 0.0).then(|| speed * cosine * (up + square.sqrt()) / gravity)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// OpenStax University Physics 1, section 4.3: a shot at 70 m/s and 75° that explodes at its apex, 233 m up and 125 m
    /// away, so that a level flight lands at twice that.
    #[test]
    fn landing_matches_a_textbook_flight() {
        let level = landing_without_air(70.0, 75.0, 0.0, 9.8).unwrap();
        // The book's 125 m is given to three figures.
        assert!((level / 2.0 - 125.0).abs() < 0.5);
        let apex = (70.0 * 75.0_f64.to_radians().sin()).powi(2) / (2.0 * 9.8);
        assert!((apex - 233.0).abs() < 0.5);
        assert_eq!(landing_without_air(70.0, 75.0, -apex - 1.0, 9.8), None);
    }

    /// Level at 45°: dx/x = 2·dv/v.
    #[test]
    fn two_per_cent_of_speed_are_four_of_distance() {
        let shift = target_shift(4.0, 3.92, |speed| landing_without_air(speed, 45.0, 0.0, 9.81)).unwrap();
        assert!((shift.farther_m() / shift.before_m + 0.0396).abs() < 1e-12);
    }
}
