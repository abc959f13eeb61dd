//! Where to put the target so that the ball lands in it, and what could go wrong on the way.

use thiserror::Error;

use super::chance::{Bracket, ChanceError, Opening, OpeningKind, Scatter};
use super::forecast::{Forecast, ForecastError, LaunchStatement, forecast, height_at_distance};
use crate::units::Estimate;

/// How one shot differs from the next, as standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShotScatter {
    pub speed_m_per_s: f64,
    pub angle_deg: f64,
    /// Of the direction to the sides; `None` is taken as large as that of the angle.
    pub sideways_deg: Option<f64>,
}

/// Something the ball must fly over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Obstacle {
    /// From the point under the muzzle, m.
    pub distance_m: f64,
    /// Above the floor, m.
    pub height_m: f64,
}

/// What the aim is for.
#[derive(Debug, Clone, PartialEq)]
pub struct AimQuestion {
    pub launch: LaunchStatement,
    /// Of the opening's rim above the floor.
    pub opening_height_m: Estimate,
    pub opening: Opening,
    pub ball_radius_m: f64,
    pub scatter: Option<ShotScatter>,
    pub obstacle: Option<Obstacle>,
    /// Above the floor.
    pub ceiling_m: Option<f64>,
}

/// Gap between the ball's outline and a thing, m; below zero it touches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clearance {
    pub gap_m: Estimate,
}

impl Clearance {
    /// Whether the gap stays open over the whole 95 % interval; without an interval, whether it is open at all.
    pub fn is_safe(&self) -> bool {
        self.gap_m.value - self.gap_m.expanded_uncertainty_95.unwrap_or(0.0) > 0.0
    }
}

/// The answer to an [`AimQuestion`].
#[derive(Debug, Clone, PartialEq)]
pub struct Aim {
    pub forecast: Forecast,
    /// From the point on the floor under the muzzle to the point under the opening's centre, m.
    pub opening_centre_m: Estimate,
    /// How far beyond the opening's centre the ball is meant to come down, m.
    pub aim_offset_m: f64,
    /// Length of the clean window along the flight, m.
    pub clean_window_m: f64,
    /// Flattest descent with any clean window, degrees.
    pub least_descent_deg: f64,
    /// `None` without an obstacle.
    pub over_obstacle: Option<ObstaclePassage>,
    /// `None` without a ceiling, or for a launch that doesn't rise.
    pub under_ceiling: Option<Clearance>,
    /// `None` when the scatter isn't stated.
    pub chance: Option<Chance>,
}

/// How the ball passes the obstacle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ObstaclePassage {
    Over(Clearance),
    /// The obstacle stands beyond the landing or behind the launcher, so it doesn't matter.
    NotInTheWay,
}

/// Chance of a hit and the scatter it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chance {
    pub bracket: Bracket,
    pub scatter: Scatter,
    /// The scatter to the sides wasn't stated.
    pub sideways_assumed: bool,
}

/// Why there is no aim.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum AimError {
    #[error(transparent)]
    Forecast(#[from] ForecastError),
    #[error("the ball would come down behind the launcher, {:.2} m away on the wrong side", -range_m)]
    Backwards { range_m: f64 },
    #[error("{}", out_of_reach(*distance_m, *farthest))]
    OutOfReach {
        distance_m: f64,
        /// The angle, degrees, and the distance, m, of the farthest place; `None` when no angle brings the ball high enough.
        farthest: Option<(f64, f64)>,
    },
}

fn out_of_reach(distance_m: f64, farthest: Option<(f64, f64)>) -> String {
    match farthest {
        Some((angle_deg, range_m)) if range_m < distance_m => format!(
            "{distance_m:.2} m is out of reach at this speed: the farthest is {range_m:.2} m, at {angle_deg:.0}°, {:.2} m too short",
            distance_m - range_m
        ),
        Some(_) => format!("{distance_m:.2} m is too near: the ball comes down to that height only farther off"),
        None => "at no angle does the ball get as high as the opening".to_owned(),
    }
}

impl AimError {
    /// What to change.
    pub fn hint(&self) -> String {
        match self {
            Self::Forecast(error) => error.hint(),
            Self::Backwards { .. } => "launch below 90°".to_owned(),
            Self::OutOfReach { .. } => "move the target, lower it, or launch faster".to_owned(),
        }
    }
}

/// Places the opening for one launch.
///
/// # Errors
/// [`AimError`]; among them an opening higher than the ball gets.
pub fn aim(question: &AimQuestion) -> Result<Aim, AimError> {
    let forecast = forecast(&question.launch, question.opening_height_m)?;
    if forecast.range_m.value < 0.0 {
        return Err(AimError::Backwards { range_m: forecast.range_m.value });
    }
    let descent = forecast.descent_angle_deg.value;
    let offset = question.opening.aim_offset_m(descent);
    let opening_centre_m = Estimate { value: forecast.range_m.value - offset, ..forecast.range_m };
    Ok(Aim {
        opening_centre_m,
        aim_offset_m: offset,
        clean_window_m: question.opening.clean_window_m(descent),
        least_descent_deg: question.opening.least_descent_deg(),
        over_obstacle: question.obstacle.map(|obstacle| passage(question, &forecast, obstacle)).transpose()?,
        under_ceiling: under_ceiling(question, &forecast),
        chance: question.scatter.map(|scatter| chance(question, &forecast, scatter, offset)),
        forecast,
    })
}

fn passage(question: &AimQuestion, forecast: &Forecast, obstacle: Obstacle) -> Result<ObstaclePassage, ForecastError> {
    if obstacle.distance_m < 0.0 || obstacle.distance_m > forecast.range_m.value {
        return Ok(ObstaclePassage::NotInTheWay);
    }
    let height = height_at_distance(&question.launch, obstacle.distance_m)?;
    Ok(height.map_or(ObstaclePassage::NotInTheWay, |height| {
        // The nearest point of the ball's outline to the obstacle's top lies along the normal of the path; taking the
        // radius straight down, over the cosine of the slope, allows for that.
        let slope = forecast.path.at_distance(obstacle.distance_m).map_or(0.0, |passing| passing.state.angle_deg());
        let drop = question.ball_radius_m / slope.to_radians().cos().max(0.1);
        ObstaclePassage::Over(Clearance {
            gap_m: Estimate { value: height.value - drop - obstacle.height_m, ..height },
        })
    }))
}

fn under_ceiling(question: &AimQuestion, forecast: &Forecast) -> Option<Clearance> {
    let apex = forecast.apex?.height_m;
    let gap = question.ceiling_m? - apex.value - question.ball_radius_m;
    Some(Clearance { gap_m: Estimate { value: gap, ..apex } })
}

/// An aim, and the launch angle that it is for, degrees.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    pub angle_deg: f64,
    pub aim: Aim,
}

/// One aim at the stated angle, or where the target stands already, `distance_m` away, one for each angle that reaches it.
///
/// # Errors
/// [`AimError`]; among them a target that no angle reaches.
pub fn place(question: &AimQuestion, distance_m: Option<f64>) -> Result<Vec<Placed>, AimError> {
    let angles = match distance_m {
        None => vec![question.launch.angle_deg.value],
        Some(distance_m) => angles_to_reach(question, distance_m)?,
    };
    if let (Some(distance_m), []) = (distance_m, angles.as_slice()) {
        let at = |angle: i32| Some((f64::from(angle), aim(&turned_to(question, f64::from(angle))).ok()?));
        let reached = (1..90).filter_map(at).map(|(angle, aim)| (angle, aim.opening_centre_m.value));
        return Err(AimError::OutOfReach { distance_m, farthest: reached.max_by(|a, b| a.1.total_cmp(&b.1)) });
    }
    let placed = |angle_deg: f64| Ok(Placed { angle_deg, aim: aim(&turned_to(question, angle_deg))? });
    angles.into_iter().map(placed).collect()
}

/// A target that stands somewhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    pub kind: OpeningKind,
    /// Inner diameter of the opening, m.
    pub opening_m: f64,
    /// Of its rim above the floor, m.
    pub height_m: f64,
    /// From the point under the muzzle to the point under the opening's centre, m.
    pub distance_m: f64,
}

impl Target {
    /// "cup 28 cm wide, rim 24 cm above the floor, 142 cm away".
    pub fn in_words(&self) -> String {
        let cm = |metres: f64| format!("{}", (metres * 1000.0).round() / 10.0);
        format!(
            "{} {} cm wide, rim {} cm above the floor, {} cm away",
            self.kind.word(),
            cm(self.opening_m),
            cm(self.height_m),
            cm(self.distance_m)
        )
    }
}

/// The chance at a target wherever it stands, for launch, ball and scatter of the question; `None` without a scatter.
///
/// # Errors
/// [`AimError`], or that the ball doesn't fit.
pub fn chance_at(question: &AimQuestion, target: &Target) -> Result<Option<Bracket>, TargetError> {
    let Some(scatter) = question.scatter else { return Ok(None) };
    let opening = Opening::new(target.kind, target.opening_m, 2.0 * question.ball_radius_m)?;
    let question = AimQuestion { opening, ..question.clone() };
    let forecast =
        forecast(&question.launch, Estimate::without_uncertainty(target.height_m)).map_err(AimError::from)?;
    let offset = forecast.range_m.value - target.distance_m;
    Ok(Some(chance(&question, &forecast, scatter, offset).bracket))
}

/// Why there is no chance at a target.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TargetError {
    #[error(transparent)]
    Aim(#[from] AimError),
    #[error(transparent)]
    Opening(#[from] ChanceError),
}

/// Scatter of the landing place: shot-to-shot speed and angle, with the forecast's own uncertainty added in squares. The ball is
/// meant to come down `offset_m` beyond the opening's centre.
fn chance(question: &AimQuestion, forecast: &Forecast, shots: ShotScatter, offset_m: f64) -> Chance {
    let per_speed = forecast.range_per_percent_speed_m / (0.01 * question.launch.speed_m_per_s.value);
    let along_m = (per_speed * shots.speed_m_per_s)
        .hypot(forecast.range_per_degree_m * shots.angle_deg)
        .hypot(forecast.range_m.standard_uncertainty.unwrap_or(0.0));
    let sideways_deg = shots.sideways_deg.unwrap_or(shots.angle_deg);
    let scatter = Scatter { along_m, across_m: forecast.range_m.value * sideways_deg.to_radians().tan() };
    let descent = forecast.descent_angle_deg.value;
    let bracket = question.opening.chance(descent, scatter, offset_m);
    Chance { bracket, scatter, sideways_assumed: shots.sideways_deg.is_none() }
}

/// A launch angle with what it promises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AngleChance {
    pub angle_deg: f64,
    pub range_m: f64,
    pub bracket: Bracket,
    /// Clear of obstacle and ceiling.
    pub clear: bool,
}

/// Chance by launch angle, the target moved to wherever the ball then lands, in whole steps of `step_deg` from 5° to 85°.
///
/// Angles at which the ball doesn't reach the opening's height are left out; empty without a stated scatter.
pub fn chance_by_angle(question: &AimQuestion, step_deg: f64) -> Vec<AngleChance> {
    let steps = (80.0 / step_deg).floor() as usize;
    (0..=steps)
        .filter_map(|i| {
            let angle_deg = 5.0 + step_deg * i as f64;
            let turned = turned_to(question, angle_deg);
            let aim = aim(&turned).ok()?;
            Some(AngleChance {
                angle_deg,
                range_m: aim.forecast.range_m.value,
                bracket: aim.chance?.bracket,
                clear: is_clear(&aim),
            })
        })
        .collect()
}

/// The same question at another launch angle.
pub fn turned_to(question: &AimQuestion, angle_deg: f64) -> AimQuestion {
    let mut turned = question.clone();
    turned.launch.angle_deg = Estimate { value: angle_deg, ..question.launch.angle_deg };
    turned
}

fn is_clear(aim: &Aim) -> bool {
    let obstacle = match aim.over_obstacle {
        Some(ObstaclePassage::Over(clearance)) => clearance.is_safe(),
        _ => true,
    };
    obstacle && aim.under_ceiling.is_none_or(|clearance| clearance.is_safe())
}

/// Steeper shots come down beside the launcher and the people at it. Common practice, no source.
pub const STEEPEST_SENSIBLE_DEG: f64 = 75.0;

/// Chances closer than this are the same: half a percent, as they are shown in whole ones.
const SAME_CHANCE: f64 = 0.005;

/// The clear angle up to [`STEEPEST_SENSIBLE_DEG`] whose chance is largest: by the clean chance, then by the centre's; among
/// those with the same chance the least steep. `None` when none is clear.
pub fn best_angle(chances: &[AngleChance]) -> Option<AngleChance> {
    let worth = |chance: &AngleChance| (chance.bracket.clean, chance.bracket.centre_inside);
    let sensible =
        || chances.iter().filter(|chance| chance.clear && chance.angle_deg <= STEEPEST_SENSIBLE_DEG).copied();
    let (clean, centre_inside) =
        sensible().map(|c| worth(&c)).max_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal))?;
    sensible()
        .filter(|c| c.bracket.clean >= clean - SAME_CHANCE && c.bracket.centre_inside >= centre_inside - SAME_CHANCE)
        .min_by(|a, b| a.angle_deg.total_cmp(&b.angle_deg))
}

/// The launch angles, flattest first, whose flight comes down through the opening's middle at `distance_m`; none, one or two.
///
/// Found numerically, so that the air may be counted in: signs of the miss on a grid of 1/4°, then bisection to 1e-6°.
///
/// # Errors
/// [`ForecastError`] for a launch that makes no sense; angles that don't reach are no error.
pub fn angles_to_reach(question: &AimQuestion, distance_m: f64) -> Result<Vec<f64>, ForecastError> {
    let miss = |angle_deg: f64| -> Option<f64> {
        let turned = turned_to(question, angle_deg);
        Some(aim(&turned).ok()?.opening_centre_m.value - distance_m)
    };
    // The launch itself must make sense; only then does "no angle" mean out of reach.
    if let Err(error @ (ForecastError::NotPositive { .. } | ForecastError::Trajectory(_))) =
        forecast(&question.launch, question.opening_height_m)
    {
        return Err(error);
    }
    let grid: Vec<(f64, Option<f64>)> = (-320..360).map(|i| f64::from(i) * 0.25).map(|a| (a, miss(a))).collect();
    let mut angles = Vec::new();
    for pair in grid.windows(2) {
        if let [(low, Some(before)), (high, Some(after))] = *pair
            && (before < 0.0) != (after < 0.0)
        {
            angles.push(bisect(low, high, before < 0.0, &miss));
        }
    }
    Ok(angles)
}

fn bisect(mut low: f64, mut high: f64, rising: bool, miss: &impl Fn(f64) -> Option<f64>) -> f64 {
    while high - low > 1e-6 {
        let middle = 0.5 * (low + high);
        if miss(middle).is_some_and(|value| (value < 0.0) == rising) { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::air::AirState;
    use crate::flight::drag::{DRAG_RELATIVE_UNCERTAINTY, Sphere};

    fn estimate(value: f64, u: f64) -> Estimate {
        Estimate::with_coverage_factor(value, u, 1.96)
    }

    fn question(height: f64) -> AimQuestion {
        AimQuestion {
            launch: LaunchStatement {
                speed_m_per_s: estimate(4.0, 0.0),
                angle_deg: estimate(45.0, 0.0),
                height_m: estimate(height, 0.0),
                gravity_m_per_s2: estimate(9.81, 0.0),
                ball: None,
                drag_doubt: DRAG_RELATIVE_UNCERTAINTY,
                air: AirState::ROOM,
            },
            opening_height_m: estimate(0.0, 0.0),
            opening: Opening::new(OpeningKind::Ring, 0.09, 0.04).unwrap(),
            ball_radius_m: 0.02,
            scatter: Some(ShotScatter { speed_m_per_s: 0.04, angle_deg: 0.5, sideways_deg: None }),
            obstacle: None,
            ceiling_m: None,
        }
    }

    #[test]
    fn a_ring_stands_where_the_ball_lands_and_a_cup_a_little_nearer() {
        let ring = aim(&question(0.0)).unwrap();
        // v²/g at 45°.
        assert!((ring.opening_centre_m.value - 16.0 / 9.81).abs() < 1e-12);
        let mut cup = question(0.0);
        cup.opening = Opening::new(OpeningKind::Cup, 0.09, 0.04).unwrap();
        let offset = 0.01 * (2f64.sqrt() - 1.0);
        let placed = aim(&cup).unwrap();
        assert!((ring.opening_centre_m.value - placed.opening_centre_m.value - offset).abs() < 1e-12);
        assert!(placed.chance.unwrap().bracket.clean > ring.chance.unwrap().bracket.clean);
    }

    #[test]
    fn the_longest_throw_is_at_the_published_angle() {
        // tan of the best angle for a drop h: v/√(v² + 2gh) (College Physics, and any textbook).
        let question = question(1.0);
        let longest =
            chance_by_angle(&question, 0.05).into_iter().max_by(|a, b| a.range_m.total_cmp(&b.range_m)).unwrap();
        let best = (4.0 / (16.0 + 2.0 * 9.81 * 1.0f64).sqrt()).atan().to_degrees();
        // Half a step of the scan.
        assert!((longest.angle_deg - best).abs() <= 0.026, "{} against {best}", longest.angle_deg);
    }

    #[test]
    fn both_angles_to_a_distance_are_complementary_on_the_level() {
        let angles = angles_to_reach(&question(0.0), 1.4).unwrap();
        let low = 0.5 * (1.4 * 9.81 / 16.0f64).asin().to_degrees();
        // Bisection to 1e-6°.
        assert_eq!(angles.len(), 2);
        assert!((angles[0] - low).abs() < 2e-6 && (angles[1] - (90.0 - low)).abs() < 2e-6, "{angles:?}");
        assert!(angles_to_reach(&question(0.0), 1.7).unwrap().is_empty());
        // v²/g on the level, at 45°.
        let far = place(&question(0.0), Some(1.7)).unwrap_err();
        let AimError::OutOfReach { farthest: Some((angle, range)), .. } = far else { panic!("{far:?}") };
        assert!(angle == 45.0 && (range - 16.0 / 9.81).abs() < 1e-12, "{far}");
    }

    /// A target where the aim would put it has the aim's own chance; one a metre off has none.
    #[test]
    fn the_chance_at_a_target_is_that_of_the_aim_where_it_stands_right() {
        let question = question(0.3);
        let placed = aim(&question).unwrap();
        let at = |distance_m| Target { kind: OpeningKind::Ring, opening_m: 0.09, height_m: 0.0, distance_m };
        let there = chance_at(&question, &at(placed.opening_centre_m.value)).unwrap().unwrap();
        let meant = placed.chance.unwrap().bracket;
        assert!((there.clean - meant.clean).abs() < 1e-12 && (there.centre_inside - meant.centre_inside).abs() < 1e-12);
        // The scatter along is 4 cm.
        assert!(chance_at(&question, &at(placed.opening_centre_m.value + 1.0)).unwrap().unwrap().centre_inside < 1e-9);
        let small = Target { opening_m: 0.03, ..at(1.0) };
        assert!(matches!(chance_at(&question, &small), Err(TargetError::Opening(ChanceError::BallTooLarge { .. }))));
    }

    #[test]
    fn the_air_asks_for_other_angles() {
        let mut foam = question(0.0);
        foam.launch.ball = Some(Sphere::new(0.010, 0.070).unwrap());
        let angles = angles_to_reach(&foam, 1.3).unwrap();
        for angle in &angles {
            let placed = aim(&turned_to(&foam, *angle)).unwrap();
            // 1e-6° is below a tenth of a micrometre here.
            assert!((placed.opening_centre_m.value - 1.3).abs() < 1e-6);
        }
        let vacuum = angles_to_reach(&question(0.0), 1.3).unwrap();
        assert!(angles[0] > vacuum[0] && angles[1] < vacuum[1], "{angles:?} {vacuum:?}");
    }

    #[test]
    fn clearances_are_counted_from_the_balls_outline() {
        let mut question = question(0.0);
        question.ceiling_m = Some(0.45);
        question.obstacle = Some(Obstacle { distance_m: 8.0 / 9.81, height_m: 0.35 });
        let aim = aim(&question).unwrap();
        // Apex v²sin²a/2g = 0.4077 m at half the range, where the path is level.
        let apex = 4.0 / 9.81;
        let ceiling = aim.under_ceiling.unwrap();
        assert!((ceiling.gap_m.value - (0.45 - apex - 0.02)).abs() < 1e-12 && ceiling.is_safe());
        let Some(ObstaclePassage::Over(over)) = aim.over_obstacle else { panic!("{:?}", aim.over_obstacle) };
        assert!((over.gap_m.value - (apex - 0.02 - 0.35)).abs() < 1e-12 && over.is_safe());
        question.obstacle = Some(Obstacle { distance_m: 3.0, height_m: 1.0 });
        assert_eq!(super::aim(&question).unwrap().over_obstacle, Some(ObstaclePassage::NotInTheWay));
    }

    #[test]
    fn among_certain_hits_the_least_steep_angle_is_best() {
        let mut wide = question(0.0);
        wide.opening = Opening::new(OpeningKind::Ring, 1.0, 0.04).unwrap();
        let all = chance_by_angle(&wide, 1.0);
        let best = best_angle(&all).unwrap();
        assert!(best.bracket.clean > 0.995 && best.angle_deg < 45.0, "{best:?}");
        let flatter = all.iter().filter(|c| c.angle_deg < best.angle_deg);
        assert!(flatter.into_iter().all(|c| c.bracket.clean < best.bracket.clean));
    }

    #[test]
    fn the_best_angle_respects_the_ceiling() {
        let free = question(0.0);
        let mut low_room = free.clone();
        low_room.ceiling_m = Some(0.40);
        let best = |question: &AimQuestion| best_angle(&chance_by_angle(question, 1.0)).unwrap();
        assert!(best(&low_room).bracket.clean <= best(&free).bracket.clean);
        assert!(aim(&turned_to(&low_room, best(&low_room).angle_deg)).unwrap().under_ceiling.unwrap().is_safe());
    }
}
