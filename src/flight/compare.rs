//! A measured path against its forecast, along the way and at the target's height, in words.

use serde::{Deserialize, Serialize};

use super::forecast::{ForecastError, LaunchStatement, forecast, height_at_distance};
use crate::units::Estimate;

/// A measured flight in plain numbers, x forward (the way the ball flies) and y up, in metres from the launch point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredPath {
    pub vx_m_per_s: f64,
    pub vy_m_per_s: f64,
    /// Fitted horizontal acceleration, forward positive; drag makes it negative.
    pub ax_m_per_s2: f64,
    pub g_m_per_s2: f64,
    pub speed_m_per_s: Estimate,
    pub angle_deg: Estimate,
    /// Height of the launch point above the floor; the forecast's own unless the measurement knows better.
    pub launch_height_m: f64,
}

impl MeasuredPath {
    /// Place (forward, above the floor) `time_s` after launch.
    pub fn at(&self, time_s: f64) -> (f64, f64) {
        let x = time_s * (self.vx_m_per_s + 0.5 * self.ax_m_per_s2 * time_s);
        (x, self.launch_height_m + time_s * (self.vy_m_per_s - 0.5 * self.g_m_per_s2 * time_s))
    }

    /// Instant and distance of the passage, on the way down, through a height above the floor.
    pub fn falling_through(&self, height_m: f64) -> Option<(f64, f64)> {
        let fall = self.launch_height_m - height_m;
        let root = (self.vy_m_per_s * self.vy_m_per_s + 2.0 * self.g_m_per_s2 * fall).sqrt();
        let time = (self.vy_m_per_s + root) / self.g_m_per_s2;
        (time.is_finite() && time > 0.0).then(|| (time, self.at(time).0))
    }

    /// Standard uncertainty of a distance that the launch's speed and angle carry, by differences.
    fn landing_uncertainty(&self, height_m: f64) -> Option<(f64, f64)> {
        let (u_speed, u_angle) = (self.speed_m_per_s.standard_uncertainty?, self.angle_deg.standard_uncertainty?);
        let moved = |speed_factor: f64, turn_deg: f64| {
            let (sin, cos) = turn_deg.to_radians().sin_cos();
            let (vx, vy) = (self.vx_m_per_s * speed_factor, self.vy_m_per_s * speed_factor);
            let turned = Self { vx_m_per_s: vx * cos - vy * sin, vy_m_per_s: vx * sin + vy * cos, ..*self };
            turned.falling_through(height_m)
        };
        let relative = u_speed / self.speed_m_per_s.value;
        let ((t_fast, x_fast), (t_slow, x_slow)) = (moved(1.0 + relative, 0.0)?, moved(1.0 - relative, 0.0)?);
        let ((t_up, x_up), (t_down, x_down)) = (moved(1.0, u_angle)?, moved(1.0, -u_angle)?);
        let half = |a: f64, b: f64| 0.5 * (a - b);
        Some((half(t_fast, t_slow).hypot(half(t_up, t_down)), half(x_fast, x_slow).hypot(half(x_up, x_down))))
    }
}

/// Measured minus forecast, with the combined 95 % half-width of that difference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Departure {
    pub difference: f64,
    /// `None` when either side's uncertainty isn't known: then nothing can be called a disagreement.
    pub combined_u95: Option<f64>,
}

impl Departure {
    fn new(measured: Estimate, forecast: Estimate) -> Self {
        let combined = measured.standard_uncertainty.zip(forecast.standard_uncertainty);
        Self { difference: measured.value - forecast.value, combined_u95: combined.map(|(a, b)| 1.96 * a.hypot(b)) }
    }

    /// Whether the difference is inside its interval; `None` when that can't be said.
    pub fn agrees(&self) -> Option<bool> {
        self.combined_u95.map(|u95| self.difference.abs() <= u95)
    }

    /// -1, 0 or 1: below, within or above.
    fn sense(&self) -> i8 {
        match self.agrees() {
            Some(false) => self.difference.signum() as i8,
            _ => 0,
        }
    }
}

/// A place along the way.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AlongTheWay {
    /// From the muzzle, m.
    pub distance_m: f64,
    /// Measured minus forecast height there, m.
    pub height_m: Departure,
}

/// How a flight differs from its forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sense {
    Fast,
    Slow,
    Steep,
    Flat,
    Early,
    Late,
    Long,
    Short,
}

impl Sense {
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fast => "fast",
            Self::Slow => "slow",
            Self::Steep => "steep",
            Self::Flat => "flat",
            Self::Early => "early",
            Self::Late => "late",
            Self::Long => "long",
            Self::Short => "short",
        }
    }
}

/// A measured flight set against its forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    pub speed_m_per_s: Departure,
    pub angle_deg: Departure,
    /// At the target's height on the way down, along the flight; `None` when the measured path never gets there.
    pub landing_m: Option<Departure>,
    pub landing_time_s: Option<Departure>,
    pub along: Vec<AlongTheWay>,
    /// Which differences lie outside their intervals; empty when all agree, or nothing can be said.
    pub senses: Vec<Sense>,
    /// `false` when an uncertainty is missing, so that agreement can't be judged.
    pub judged: bool,
}

/// Compares a measured path with the forecast of `launch`.
///
/// A difference counts when it is larger than 1.96 times the combined standard uncertainty, measurement and forecast taken
/// as independent; where both rest on the same scale or clip that makes the test too lenient, never too strict.
///
/// # Errors
/// [`ForecastError`] when there is no forecast to compare with.
pub fn compare(
    measured: &MeasuredPath,
    launch: &LaunchStatement,
    target_height_m: Estimate,
) -> Result<Comparison, ForecastError> {
    let expected = forecast(launch, target_height_m)?;
    let speed = Departure::new(measured.speed_m_per_s, launch.speed_m_per_s);
    let angle = Departure::new(measured.angle_deg, launch.angle_deg);
    let landing = measured.falling_through(target_height_m.value);
    let spread = measured.landing_uncertainty(target_height_m.value);
    let with = |value: f64, u: Option<f64>| Estimate {
        value,
        standard_uncertainty: u,
        expanded_uncertainty_95: u.map(|u| 1.96 * u),
    };
    let landing_m = landing.map(|(_, x)| Departure::new(with(x, spread.map(|(_, u)| u)), expected.range_m));
    let landing_time_s =
        landing.map(|(t, _)| Departure::new(with(t, spread.map(|(u, _)| u)), expected.time_of_flight_s));
    let along = along_the_way(measured, launch, expected.range_m.value)?;
    let judged = speed.combined_u95.is_some() && angle.combined_u95.is_some();
    let senses = [
        pick(Some(speed), Sense::Slow, Sense::Fast),
        pick(Some(angle), Sense::Flat, Sense::Steep),
        pick(landing_time_s, Sense::Early, Sense::Late),
        pick(landing_m, Sense::Short, Sense::Long),
    ];
    let senses = senses.into_iter().flatten().collect();
    Ok(Comparison { speed_m_per_s: speed, angle_deg: angle, landing_m, landing_time_s, along, senses, judged })
}

fn pick(departure: Option<Departure>, below: Sense, above: Sense) -> Option<Sense> {
    match departure?.sense() {
        -1 => Some(below),
        1 => Some(above),
        _ => None,
    }
}

/// Departures in height at fifths of the forecast's range.
fn along_the_way(
    measured: &MeasuredPath,
    launch: &LaunchStatement,
    range_m: f64,
) -> Result<Vec<AlongTheWay>, ForecastError> {
    let mut rows = Vec::new();
    for fifth in 1..=5 {
        let distance_m = range_m * f64::from(fifth) / 5.0;
        let Some(time_s) = time_at(measured, distance_m) else { continue };
        let Some(expected) = height_at_distance(launch, distance_m)? else { continue };
        let measured_height = Estimate {
            value: measured.at(time_s).1,
            standard_uncertainty: height_uncertainty(measured, distance_m),
            expanded_uncertainty_95: None,
        };
        rows.push(AlongTheWay { distance_m, height_m: Departure::new(measured_height, expected) });
    }
    Ok(rows)
}

/// When the measured ball is `distance_m` forward.
fn time_at(measured: &MeasuredPath, distance_m: f64) -> Option<f64> {
    let (v, a) = (measured.vx_m_per_s, measured.ax_m_per_s2);
    // 2d/(v + √(v² + 2ad)) has no cancellation and no special case for a = 0.
    let time = 2.0 * distance_m / (v + (v * v + 2.0 * a * distance_m).sqrt());
    (time.is_finite() && time >= 0.0).then_some(time)
}

fn height_uncertainty(measured: &MeasuredPath, distance_m: f64) -> Option<f64> {
    let relative = measured.speed_m_per_s.standard_uncertainty? / measured.speed_m_per_s.value;
    let turn = measured.angle_deg.standard_uncertainty?.to_radians();
    let height = |factor: f64, turn: f64| {
        let (sin, cos) = turn.sin_cos();
        let (vx, vy) = (measured.vx_m_per_s * factor, measured.vy_m_per_s * factor);
        let moved = MeasuredPath { vx_m_per_s: vx * cos - vy * sin, vy_m_per_s: vx * sin + vy * cos, ..*measured };
        Some(moved.at(time_at(&moved, distance_m)?).1)
    };
    let by_speed = 0.5 * (height(1.0 + relative, 0.0)? - height(1.0 - relative, 0.0)?);
    let by_angle = 0.5 * (height(1.0, turn)? - height(1.0, -turn)?);
    Some(by_speed.hypot(by_angle))
}

impl Comparison {
    /// The result in one or two sentences.
    pub fn sentence(&self) -> String {
        let landing = format!("{}{}", self.on_the_way(), self.at_the_target());
        if !self.judged {
            return format!(
                "Whether the flight agrees with its forecast can't be said: the ± of a speed or an angle isn't stated.{landing}"
            );
        }
        if self.senses.is_empty() && self.landing_m.is_some() {
            return format!("The flight agrees with its forecast.{landing}");
        }
        let words: Vec<&str> = self.senses.iter().map(|sense| sense.word()).collect();
        match words.split_last() {
            Some((last, [])) => format!("The flight was {last}, against its forecast.{landing}"),
            Some((last, rest)) => {
                format!("The flight was {} and {last}, against its forecast.{landing}", rest.join(", "))
            }
            None => format!("Speed and angle agree with the forecast.{landing}"),
        }
    }

    /// Where the heights differ most.
    fn on_the_way(&self) -> String {
        let size = |row: &&AlongTheWay| row.height_m.difference.abs();
        let Some(worst) = self.along.iter().max_by(|a, b| size(a).total_cmp(&size(b))) else { return String::new() };
        let side = if worst.height_m.difference < 0.0 { "lower" } else { "higher" };
        let allowed = allowed(worst.height_m);
        format!(
            " On the way it flew at most {:.1} cm {side} than forecast, at {:.2} m from the launch{allowed}.",
            size(&worst) * 100.0,
            worst.distance_m
        )
    }

    fn at_the_target(&self) -> String {
        let Some(departure) = self.landing_m else { return " It never came down to the target's height.".to_owned() };
        let side = if departure.difference < 0.0 { "short of" } else { "beyond" };
        let allowed = allowed(departure);
        format!(
            " At the target's height it came down {:.1} cm {side} the forecast{allowed}.",
            departure.difference.abs() * 100.0
        )
    }
}

/// The combined interval of a length, behind its departure.
fn allowed(departure: Departure) -> String {
    departure.combined_u95.map_or_else(String::new, |u95| format!(" (± {:.1} cm is what the two allow)", u95 * 100.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::air::AirState;
    use crate::flight::drag::DRAG_RELATIVE_UNCERTAINTY;

    fn estimate(value: f64, u: f64) -> Estimate {
        Estimate::with_coverage_factor(value, u, 1.96)
    }

    fn launch() -> LaunchStatement {
        LaunchStatement {
            speed_m_per_s: estimate(4.0, 0.02),
            angle_deg: estimate(50.0, 0.3),
            height_m: estimate(0.3, 0.002),
            gravity_m_per_s2: estimate(9.81, 0.001),
            ball: None,
            drag_doubt: DRAG_RELATIVE_UNCERTAINTY,
            air: AirState::ROOM,
        }
    }

    fn measured(speed: f64, angle: f64) -> MeasuredPath {
        let (sin, cos) = f64::to_radians(angle).sin_cos();
        MeasuredPath {
            vx_m_per_s: speed * cos,
            vy_m_per_s: speed * sin,
            ax_m_per_s2: 0.0,
            g_m_per_s2: 9.81,
            speed_m_per_s: estimate(speed, 0.01),
            angle_deg: estimate(angle, 0.1),
            launch_height_m: 0.3,
        }
    }

    fn senses(speed: f64, angle: f64) -> Vec<Sense> {
        compare(&measured(speed, angle), &launch(), estimate(0.1, 0.0)).unwrap().senses
    }

    #[test]
    fn an_equal_flight_agrees_exactly() {
        let comparison = compare(&measured(4.0, 50.0), &launch(), estimate(0.1, 0.0)).unwrap();
        assert!(comparison.senses.is_empty());
        // The same parabola by two routes: rounding.
        assert!(comparison.landing_m.unwrap().difference.abs() < 1e-12);
        assert_eq!(comparison.along.len(), 5);
        assert!(comparison.along.iter().all(|row| row.height_m.difference.abs() < 1e-12));
        assert!(comparison.sentence().starts_with("The flight agrees"));
    }

    #[test]
    fn each_departure_has_its_word() {
        assert_eq!(senses(4.2, 50.0), [Sense::Fast, Sense::Late, Sense::Long]);
        assert_eq!(senses(3.8, 50.0), [Sense::Slow, Sense::Early, Sense::Short]);
        assert!(senses(4.0, 54.0).starts_with(&[Sense::Steep, Sense::Late]));
        assert!(senses(4.0, 46.0).starts_with(&[Sense::Flat, Sense::Early]));
    }

    #[test]
    fn the_way_is_compared_with_the_closed_form() {
        let comparison = compare(&measured(4.2, 50.0), &launch(), estimate(0.1, 0.0)).unwrap();
        let last = comparison.along.last().unwrap();
        // y = x·tan a − g·x²/(2·v²·cos² a): at the same x the heights differ by g·x²/(2·cos² a)·(1/v₀² − 1/v²).
        let (x, cos) = (last.distance_m, 50f64.to_radians().cos());
        let difference = 9.81 * x * x / (2.0 * cos * cos) * (1.0 / 16.0 - 1.0 / (4.2 * 4.2));
        assert!((last.height_m.difference - difference).abs() < 1e-9, "{last:?} {difference}");
        let said = format!("flew at most {:.1} cm higher than forecast, at {x:.2} m", 100.0 * difference);
        assert!(comparison.sentence().contains(&said), "{}", comparison.sentence());
    }

    #[test]
    fn the_combined_interval_decides() {
        // Combined u of the speeds √(0.02² + 0.01²) = 0.0224, times 1.96 = 0.0438.
        assert!(senses(4.043, 50.0).is_empty());
        assert!(senses(4.045, 50.0).contains(&Sense::Fast));
    }

    #[test]
    fn without_intervals_nothing_is_judged() {
        let vague = LaunchStatement { speed_m_per_s: Estimate::without_uncertainty(4.0), ..launch() };
        let comparison = compare(&measured(5.0, 50.0), &vague, estimate(0.1, 0.0)).unwrap();
        assert!(!comparison.judged && !comparison.senses.contains(&Sense::Fast));
        assert!(comparison.sentence().contains(" cm beyond the forecast"), "the difference is said all the same");
        assert!(comparison.sentence().contains("can't be said"));
    }
}
