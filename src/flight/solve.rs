//! Textbook problems of free flight: from whichever quantities are given to all the others, step by step.
//!
//! A table of rules (`rules`), each a law rearranged for one quantity, is applied to what is known until nothing new
//! comes; where a square root has two signs the solution branches. Each branch is put back into all laws (`check`), as
//! squaring brings in roots that no flight has. The steps taken are the worked solution.

mod check;
mod rules;

use std::collections::BTreeMap;

use thiserror::Error;

use check::mismatch;
use rules::{RULES, Roots};
pub use rules::{Rule, placeholder};

use crate::units::Estimate;

/// A quantity of a free flight: x forward, y up from the launch point, angles in degrees above the horizontal.
///
/// The "end" is the instant asked about: a landing, or any other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    Speed,
    Angle,
    SpeedX,
    SpeedY,
    Gravity,
    Time,
    Distance,
    /// Height of the end above the launch point; negative below it.
    Rise,
    EndSpeedY,
    EndSpeed,
    /// Direction of motion at the end, above the horizontal; negative when falling.
    EndAngle,
    /// Of the highest point above the launch point.
    ApexHeight,
    ApexTime,
    ApexDistance,
    /// Distance of the return to the launch height.
    LevelRange,
    LevelTime,
}

/// What an axis of the motion a quantity belongs to; the table of givens has a column for each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    Horizontal,
    Vertical,
    Both,
}

impl Quantity {
    /// All of them, in the order in which they are listed.
    pub const ALL: [Self; 16] = [
        Self::Speed,
        Self::Angle,
        Self::SpeedX,
        Self::SpeedY,
        Self::Gravity,
        Self::Time,
        Self::Distance,
        Self::Rise,
        Self::EndSpeedY,
        Self::EndSpeed,
        Self::EndAngle,
        Self::ApexHeight,
        Self::ApexTime,
        Self::ApexDistance,
        Self::LevelRange,
        Self::LevelTime,
    ];

    /// Symbol, with `_{…}` around a subscript.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Speed => "v_{0}",
            Self::Angle => "α",
            Self::SpeedX => "v_{x}",
            Self::SpeedY => "v_{0y}",
            Self::Gravity => "g",
            Self::Time => "t",
            Self::Distance => "x",
            Self::Rise => "y",
            Self::EndSpeedY => "v_{y}",
            Self::EndSpeed => "v",
            Self::EndAngle => "β",
            Self::ApexHeight => "H",
            Self::ApexTime => "t_{H}",
            Self::ApexDistance => "x_{H}",
            Self::LevelRange => "R",
            Self::LevelTime => "t_{R}",
        }
    }

    pub const fn name(self) -> &'static str {
        match self {
            Self::Speed => "launch speed",
            Self::Angle => "launch angle",
            Self::SpeedX => "horizontal velocity",
            Self::SpeedY => "vertical launch velocity",
            Self::Gravity => "gravity",
            Self::Time => "time of flight",
            Self::Distance => "horizontal distance",
            Self::Rise => "end height above launch",
            Self::EndSpeedY => "vertical end velocity",
            Self::EndSpeed => "end speed",
            Self::EndAngle => "end direction",
            Self::ApexHeight => "apex height above launch",
            Self::ApexTime => "time to apex",
            Self::ApexDistance => "distance to apex",
            Self::LevelRange => "range at launch height",
            Self::LevelTime => "time back at launch height",
        }
    }

    pub const fn unit(self) -> &'static str {
        match self {
            Self::Speed | Self::SpeedX | Self::SpeedY | Self::EndSpeedY | Self::EndSpeed => "m/s",
            Self::Angle | Self::EndAngle => "°",
            Self::Gravity => "m/s²",
            Self::Time | Self::ApexTime | Self::LevelTime => "s",
            Self::Distance | Self::Rise | Self::ApexHeight | Self::ApexDistance | Self::LevelRange => "m",
        }
    }

    pub const fn axis(self) -> Axis {
        match self {
            Self::SpeedX | Self::Distance | Self::ApexDistance | Self::LevelRange => Axis::Horizontal,
            Self::SpeedY | Self::Gravity | Self::Rise | Self::EndSpeedY | Self::ApexHeight => Axis::Vertical,
            _ => Axis::Both,
        }
    }
}

/// Values by quantity, SI units, angles in degrees.
pub type Values = BTreeMap<Quantity, f64>;

/// Estimates by quantity, in the same units.
pub type Estimates = BTreeMap<Quantity, Estimate>;

/// One application of a rule.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    pub rule: &'static Rule,
    pub value: f64,
    /// The other root, when the rule has two.
    pub other_root: Option<f64>,
}

/// One flight that fits the givens.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// Givens and everything that follows from them.
    pub values: Values,
    /// In the order taken.
    pub steps: Vec<Step>,
}

/// Why a problem has no solution.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum SolveError {
    #[error("{} can't be {value} {}", quantity.name(), quantity.unit())]
    OutOfRange { quantity: Quantity, value: f64 },
    #[error("what is given doesn't settle {}", wanted.map_or("the flight", Quantity::name))]
    NotEnough { wanted: Option<Quantity> },
    #[error(
        "the givens contradict each other: {} is given as {given:.4} {unit}, but the others make it {computed:.4} {unit}",
        quantity.name(), unit = quantity.unit()
    )]
    Contradiction { quantity: Quantity, given: f64, computed: f64 },
    #[error(
        "the ball never gets {} m above its launch point: the highest point is {} m, {} too low",
        told_apart(*rise_m, *apex_m), told_apart(*apex_m, *rise_m), short_length(rise_m - apex_m)
    )]
    TooHigh { rise_m: f64, apex_m: f64 },
    #[error(
        "the place {distance_m:.3} m away and {rise_m:.3} m above the launch is out of reach: at this speed the best shot passes \
         {:.3} m below it{}; it needs at least {least_speed:.3} m/s",
        rise_m - envelope_m,
        farthest_m.map_or_else(String::new, |farthest| format!(", and at that height gets {farthest:.3} m far"))
    )]
    OutOfReach {
        distance_m: f64,
        rise_m: f64,
        /// Greatest height above the launch that any angle reaches at that distance.
        envelope_m: f64,
        /// Greatest distance at that height; `None` when no angle gets so high.
        farthest_m: Option<f64>,
        least_speed: f64,
    },
    #[error("no speed reaches that place at {angle_deg}°: the ball would have to fly straighter than a straight line")]
    AngleTooFlat { angle_deg: f64 },
    #[error("no flight fits: {0}")]
    NoFlight(&'static str),
}

/// A height with as many decimals as show how far it is from `other`, three at least.
pub(super) fn told_apart(value: f64, other: f64) -> String {
    let places = (-(value - other).abs().log10()).ceil().clamp(3.0, 12.0) as usize;
    format!("{value:.places$}")
}

/// A length in metres, or where these would show as nought in millimetres of two figures.
pub(super) fn short_length(metres: f64) -> String {
    if metres >= 0.001 || metres <= 0.0 {
        return format!("{metres:.3} m");
    }
    let millimetres = 1000.0 * metres;
    let places = (1.0 - millimetres.log10().floor()).clamp(0.0, 12.0) as usize;
    format!("{millimetres:.places$} mm")
}

impl SolveError {
    /// What to give instead.
    pub fn hint(&self) -> String {
        match self {
            Self::OutOfRange { .. } => "check the sign and the unit: up and forward are positive",
            Self::NotEnough { .. } => {
                "a flight needs three of speed, angle, time, distance and rise (or apex height), besides gravity"
            }
            Self::Contradiction { .. } => "leave out the one that is to be computed",
            Self::TooHigh { .. } => "launch faster or steeper, or lower the end",
            Self::OutOfReach { .. } => "bring the target nearer, lower it, or launch faster",
            Self::AngleTooFlat { .. } => "launch steeper than the straight line to the target",
            Self::NoFlight(_) => "check the givens and their units",
        }
        .to_owned()
    }
}

/// Solves a problem from its givens.
///
/// # Inputs
/// Values in SI units and degrees. Distances count forward, so a horizontal launch has the angle 0 and a drop the speed 0.
///
/// # Result
/// Every flight that fits, at least one: flatter angle first, and of two instants the later one (coming down) first.
///
/// # Errors
/// [`SolveError`]: too few or contradicting givens; or nothing reaches the place, and by how much.
///
/// # Examples
/// ```
/// use lobline::flight::solve::{Quantity, Values, solve};
/// let given = Values::from([(Quantity::Speed, 4.0), (Quantity::Distance, 1.5), (Quantity::Rise, 0.0), (Quantity::Gravity, 9.81)]);
/// let angles: Vec<f64> = solve(&given)?.iter().map(|flight| flight.values[&Quantity::Angle]).collect();
/// assert!((angles[0] + angles[1] - 90.0).abs() < 1e-9);
/// # Ok::<(), lobline::flight::solve::SolveError>(())
/// ```
pub fn solve(given: &Values) -> Result<Vec<Solution>, SolveError> {
    for (&quantity, &value) in given {
        check_range(quantity, value)?;
    }
    let start = Solution { values: given.clone(), steps: Vec::new() };
    let mut failures = Vec::new();
    let mut solutions = Vec::new();
    close(start, given, &mut solutions, &mut failures);
    if solutions.is_empty() {
        return Err(failures.into_iter().next().unwrap_or(SolveError::NotEnough { wanted: None }));
    }
    Ok(solutions)
}

/// [`solve`], keeping only flights in which `wanted` came out.
///
/// # Errors
/// As [`solve`], and [`SolveError::NotEnough`] when `wanted` stays unknown.
pub fn solve_for(given: &Values, wanted: Quantity) -> Result<Vec<Solution>, SolveError> {
    let solutions = solve(given)?;
    let settled: Vec<_> = solutions.into_iter().filter(|solution| solution.values.contains_key(&wanted)).collect();
    if settled.is_empty() { Err(SolveError::NotEnough { wanted: Some(wanted) }) } else { Ok(settled) }
}

fn check_range(quantity: Quantity, value: f64) -> Result<(), SolveError> {
    let fits = match quantity {
        Quantity::Speed
        | Quantity::SpeedX
        | Quantity::EndSpeed
        | Quantity::Time
        | Quantity::Distance
        | Quantity::ApexHeight
        | Quantity::ApexTime
        | Quantity::ApexDistance
        | Quantity::LevelTime
        | Quantity::LevelRange => value >= 0.0,
        Quantity::Gravity => value > 0.0,
        Quantity::Angle => (-90.0..=90.0).contains(&value),
        _ => true,
    };
    if fits && value.is_finite() { Ok(()) } else { Err(SolveError::OutOfRange { quantity, value }) }
}

/// Applies rules until nothing new comes, branching at two roots.
fn close(mut solution: Solution, given: &Values, solutions: &mut Vec<Solution>, failures: &mut Vec<SolveError>) {
    while let Some((rule, roots)) = next_step(&solution.values) {
        match roots {
            Roots::One(value) => solution.take(rule, value, None),
            Roots::OneOf(value, other) => solution.take(rule, value, Some(other)),
            // A double root is one flight, not two alike.
            Roots::Two(first, second) if (first - second).abs() <= 1e-9 * first.abs() => {
                solution.take(rule, first, Some(second));
            }
            Roots::Two(first, second) => {
                for (value, other) in [(first, second), (second, first)] {
                    let mut branch = solution.clone();
                    branch.take(rule, value, Some(other));
                    close(branch, given, solutions, failures);
                }
                return;
            }
            Roots::None(error) => return failures.push(error),
        }
    }
    // A flight that hasn't even a velocity isn't settled.
    match refusal(&solution.values, given) {
        Some(error) => failures.push(error),
        None if solution.steps.is_empty() => failures.push(SolveError::NotEnough { wanted: None }),
        None => solutions.push(solution),
    }
}

/// Why a branch isn't a flight: a given that the laws don't return, else any quantity that they don't or that can't be.
fn refusal(values: &Values, given: &Values) -> Option<SolveError> {
    if let Some((quantity, computed)) = mismatch(values, |quantity| given.contains_key(&quantity)) {
        return Some(SolveError::Contradiction { quantity, given: given[&quantity], computed });
    }
    let impossible = values.iter().any(|(&quantity, &value)| check_range(quantity, value).is_err());
    (impossible || mismatch(values, |_| true).is_some())
        .then_some(SolveError::NoFlight("the givens contradict each other"))
}

impl Solution {
    fn take(&mut self, rule: &'static Rule, value: f64, other_root: Option<f64>) {
        self.values.insert(rule.gives, value);
        self.steps.push(Step { rule, value, other_root });
    }

    /// The steps that `wanted` rests on, in order.
    pub fn steps_for(&self, wanted: Quantity) -> Vec<&Step> {
        let mut needed = vec![wanted];
        let mut kept = Vec::new();
        for step in self.steps.iter().rev() {
            if needed.contains(&step.rule.gives) {
                needed.extend(step.rule.from);
                kept.push(step);
            }
        }
        kept.reverse();
        kept
    }
}

/// The first rule that gives something new. Rules with two roots wait until no other applies: what another rule settles
/// needs no choice.
fn next_step(values: &Values) -> Option<(&'static Rule, Roots)> {
    let applies = |rule: &'static Rule| {
        if values.contains_key(&rule.gives) {
            return None;
        }
        let inputs: Option<Vec<f64>> = rule.from.iter().map(|quantity| values.get(quantity).copied()).collect();
        Some((rule, (rule.compute)(&inputs?)?))
    };
    let settled = RULES.iter().filter_map(applies).find(|(_, roots)| !matches!(roots, Roots::Two(..)));
    settled.or_else(|| RULES.iter().find_map(applies))
}

/// The values of each solution with the uncertainty that the givens carry into them.
///
/// Law of propagation (GUM 5.1.2) with central differences; givens without an uncertainty count as exact. A quantity has no
/// uncertainty when no given has one, or when the problem loses its solution on one side.
///
/// # Errors
/// As [`solve`].
pub fn solve_with_uncertainty(given: &Estimates) -> Result<Vec<(Solution, Estimates)>, SolveError> {
    let values: Values = given.iter().map(|(quantity, estimate)| (*quantity, estimate.value)).collect();
    let solutions = solve(&values)?;
    let count = solutions.len();
    let uncertain: Vec<(Quantity, f64)> =
        given.iter().filter_map(|(quantity, estimate)| Some((*quantity, estimate.standard_uncertainty?))).collect();
    let mut variances = vec![BTreeMap::<Quantity, Option<f64>>::new(); count];
    for (input, sigma) in &uncertain {
        let shifted = |sign: f64| {
            let mut moved = values.clone();
            *moved.get_mut(input)? += sign * sigma;
            solve(&moved).ok().filter(|moved| moved.len() == count)
        };
        let sides = shifted(1.0).zip(shifted(-1.0));
        for (i, solution) in solutions.iter().enumerate() {
            for quantity in solution.values.keys() {
                let change = sides
                    .as_ref()
                    .and_then(|(up, down)| Some(0.5 * (up[i].values.get(quantity)? - down[i].values.get(quantity)?)));
                let sum = variances[i].entry(*quantity).or_insert(Some(0.0));
                *sum = sum.zip(change).map(|(sum, change)| sum + change * change);
            }
        }
    }
    let estimates = |i: usize, solution: &Solution| {
        solution
            .values
            .iter()
            .map(|(quantity, value)| {
                let u = variances[i].get(quantity).copied().flatten().filter(|variance| *variance > 0.0);
                let estimate = u.map_or(Estimate::without_uncertainty(*value), |variance| {
                    Estimate::with_coverage_factor(*value, variance.sqrt(), 1.96)
                });
                (*quantity, estimate)
            })
            .collect()
    };
    let all = solutions.iter().enumerate().map(|(i, solution)| (solution.clone(), estimates(i, solution))).collect();
    Ok(all)
}

#[cfg(test)]
mod tests;
