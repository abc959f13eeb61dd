//! Challenges for a class: different for every group, equally hard, possible and safe, with one answer key.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use thiserror::Error;

use super::worked::figures::{to_decimals, to_figures};
use super::worked::sheet::{Block, Sheet};
use super::worked::sketch;
use super::worked::{Given, worked_solution};
use crate::flight::air::AirState;
use crate::flight::drag::{DRAG_RELATIVE_UNCERTAINTY, Sphere};
use crate::flight::forecast::{Forecast, LaunchStatement, forecast};
use crate::flight::path::reach;
use crate::flight::safety::CAUTIONS;
use crate::flight::solve::{Quantity, Values, solve};
use crate::units::Estimate;

/// From and to, both included; equal for what is fixed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    pub from: f64,
    pub to: f64,
}

/// What the room and the launcher allow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    pub speed_m_per_s: Span,
    pub angle_deg: Span,
    /// Of the ball's centre at launch, above the floor.
    pub height_m: Span,
    /// Of the target's opening above the floor.
    pub target_height_m: Span,
    /// Clear floor from the point under the muzzle to the far wall, m.
    pub room_m: f64,
    /// Above the floor, m.
    pub ceiling_m: f64,
    pub ball_diameter_m: f64,
    /// Then the key also says where the air lets the ball land.
    pub ball_mass_kg: Option<f64>,
    pub gravity_m_per_s2: f64,
}

/// What every group has to find.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Task {
    /// Where the target must stand.
    Distance,
    /// The launch angle for a target that stands.
    Angle,
    /// The launch speed for a target that stands.
    Speed,
}

impl Task {
    const fn wanted(self) -> Quantity {
        match self {
            Self::Distance => Quantity::Distance,
            Self::Angle => Quantity::Angle,
            Self::Speed => Quantity::Speed,
        }
    }
}

/// One group's challenge; the numbers are those printed, so that the key follows from them exactly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Challenge {
    pub speed_m_per_s: f64,
    pub angle_deg: f64,
    pub height_m: f64,
    pub target_height_m: f64,
    pub distance_m: f64,
    /// How much the landing moves for 1 % of speed and 1° of angle, added in squares, m: the measure of hardness.
    pub touchiness_m: f64,
    /// Highest point above the floor, m.
    pub apex_m: f64,
    /// Landing in air minus landing without, m; `None` when the ball's mass isn't stated.
    pub air_shift_m: Option<f64>,
}

/// A set of challenges.
#[derive(Debug, Clone, PartialEq)]
pub struct ChallengeSet {
    pub task: Task,
    pub seed: u64,
    pub limits: Limits,
    pub challenges: Vec<Challenge>,
}

/// Why there is no set.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum WorksheetError {
    #[error("{what} from {from} to {to} isn't a usable range")]
    BadRange { what: &'static str, from: f64, to: f64 },
    #[error("a launch speed of {0} m/s is more than the {FASTEST_M_PER_S} m/s that worksheets allow")]
    TooFast(f64),
    #[error("{0} groups are not between 1 and {MOST_GROUPS}")]
    Groups(usize),
    #[error("only {found} of {wanted} different challenges fit; most others fail because {reason}")]
    TooFew { found: usize, wanted: usize, reason: &'static str },
    #[error("the ball can't be as stated: {0}")]
    Ball(String),
}

impl WorksheetError {
    /// What to change.
    pub fn hint(&self) -> String {
        match self {
            Self::BadRange { .. } => "give the smaller number first, such as `35° .. 70°`".to_owned(),
            Self::TooFast(_) => "load the launcher less".to_owned(),
            Self::Groups(_) => "make several sheets with different seeds".to_owned(),
            Self::TooFew { .. } => "widen the ranges of speed, angle or height, or use a larger room".to_owned(),
            Self::Ball(_) => "check its mass and diameter".to_owned(),
        }
    }
}

// The bounds of what is set as a challenge. Common practice, no source.
const FASTEST_M_PER_S: f64 = 12.0;
const FLATTEST_DEG: f64 = 15.0;
const STEEPEST_DEG: f64 = crate::flight::aim::STEEPEST_SENSIBLE_DEG;
const NEAREST_M: f64 = 0.5;
/// Clear floor behind the target.
const BEHIND_TARGET_M: f64 = 1.0;
const BELOW_CEILING_M: f64 = 0.2;
/// A flatter descent glances off the rim.
const FLATTEST_DESCENT_DEG: f64 = 35.0;
/// Challenges of one set differ in touchiness by no more than this share of the middle.
const HARDNESS_BAND: f64 = 0.15;
/// Two challenges differ in distance by at least this, so that no group can copy.
const DISTINCT_M: f64 = 0.04;
const MOST_GROUPS: usize = 40;
const DRAWS: usize = 3000;

/// Makes `groups` challenges within the limits; the same seed makes the same set.
///
/// All ask for the same quantity, lie on the same side of the launch height and are alike in touchiness to ±15 %. Every one is
/// computed back from its printed numbers; it clears the ceiling by 20 cm, comes down at 35° or steeper, at least half
/// a metre away and with a metre of clear floor behind.
///
/// # Errors
/// [`WorksheetError`], with the limit that is most in the way.
pub fn make(limits: &Limits, task: Task, groups: usize, seed: u64) -> Result<ChallengeSet, WorksheetError> {
    check(limits, groups)?;
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut fitting = Vec::new();
    let mut refusals: Vec<&'static str> = Vec::new();
    for _ in 0..DRAWS {
        match draw(limits, task, &mut random) {
            Ok(challenge) => fitting.push(challenge),
            Err(reason) => refusals.push(reason),
        }
    }
    let mut challenges = choose(&fitting, groups);
    if challenges.len() < groups {
        let reason = if fitting.len() < DRAWS / 20 { most_common(&refusals) } else { "they are too much alike" };
        return Err(WorksheetError::TooFew { found: challenges.len(), wanted: groups, reason });
    }
    // Integrating is left to the few that are set.
    if let Some(sphere) = ball(limits)? {
        for challenge in &mut challenges {
            challenge.air_shift_m = in_air(limits, sphere, challenge);
        }
    }
    Ok(ChallengeSet { task, seed, limits: *limits, challenges })
}

fn check(limits: &Limits, groups: usize) -> Result<(), WorksheetError> {
    if !(1..=MOST_GROUPS).contains(&groups) {
        return Err(WorksheetError::Groups(groups));
    }
    let spans = [
        ("the launch speed", limits.speed_m_per_s, f64::MIN_POSITIVE),
        ("the launch angle", limits.angle_deg, -90.0),
        ("the launch height", limits.height_m, 0.0),
        ("the target's height", limits.target_height_m, 0.0),
        ("the room's length", Span { from: limits.room_m, to: limits.room_m }, f64::MIN_POSITIVE),
        ("the ceiling", Span { from: limits.ceiling_m, to: limits.ceiling_m }, f64::MIN_POSITIVE),
    ];
    for (what, span, least) in spans {
        if !(span.from >= least && span.from <= span.to && span.to.is_finite()) {
            return Err(WorksheetError::BadRange { what, from: span.from, to: span.to });
        }
    }
    if limits.speed_m_per_s.to > FASTEST_M_PER_S {
        return Err(WorksheetError::TooFast(limits.speed_m_per_s.to));
    }
    ball(limits).map(|_| ())
}

fn ball(limits: &Limits) -> Result<Option<Sphere>, WorksheetError> {
    let sphere = limits.ball_mass_kg.map(|mass| Sphere::new(mass, limits.ball_diameter_m)).transpose();
    sphere.map_err(|error| WorksheetError::Ball(error.to_string()))
}

/// A number of the span in whole steps; the span itself where it is narrower than a step.
fn pick(span: Span, step: f64, random: &mut ChaCha8Rng) -> f64 {
    let steps = ((span.to - span.from) / step + 1e-9).floor();
    if steps < 1.0 {
        return span.from;
    }
    let first = (span.from / step).ceil();
    let last = (span.to / step + 1e-9).floor();
    let n: i64 = random.random_range(first as i64..=last as i64);
    // Dividing by the whole number of steps in one keeps 0.35 at 0.35.
    n as f64 / (1.0 / step).round().max(1.0) * if step >= 1.0 { step } else { 1.0 }
}

/// One candidate, or why it was refused.
fn draw(limits: &Limits, task: Task, random: &mut ChaCha8Rng) -> Result<Challenge, &'static str> {
    let angle_span = Span { from: limits.angle_deg.from.max(FLATTEST_DEG), to: limits.angle_deg.to.min(STEEPEST_DEG) };
    if angle_span.from > angle_span.to {
        return Err("the launch angle is flatter than 15° or steeper than 75°");
    }
    let speed = pick(limits.speed_m_per_s, 0.05, random);
    let angle = pick(angle_span, 1.0, random);
    let height_m = pick(limits.height_m, 0.01, random);
    let target_height_m = pick(limits.target_height_m, 0.01, random);
    let landing = fly(limits, speed, angle, height_m, target_height_m)?;
    let (speed, angle, distance_m) = match task {
        Task::Distance => (speed, angle, landing.range_m.value),
        // The printed distance is whole centimetres; what is asked for follows from it.
        Task::Angle | Task::Speed => {
            let printed = (landing.range_m.value * 100.0).round() / 100.0;
            let (speed, angle) = answer_for(task, (speed, angle), printed, target_height_m - height_m, limits)?;
            (speed, angle, printed)
        }
    };
    let final_flight = fly(limits, speed, angle, height_m, target_height_m)?;
    judge(limits, &final_flight)?;
    Ok(Challenge {
        speed_m_per_s: speed,
        angle_deg: angle,
        height_m,
        target_height_m,
        distance_m,
        touchiness_m: final_flight.range_per_percent_speed_m.hypot(final_flight.range_per_degree_m),
        apex_m: final_flight.apex.map_or(height_m, |apex| apex.height_m.value),
        air_shift_m: None,
    })
}

fn launch(limits: &Limits, speed: f64, angle: f64, height_m: f64, ball: Option<Sphere>) -> LaunchStatement {
    LaunchStatement {
        speed_m_per_s: Estimate::without_uncertainty(speed),
        angle_deg: Estimate::without_uncertainty(angle),
        height_m: Estimate::without_uncertainty(height_m),
        gravity_m_per_s2: Estimate::without_uncertainty(limits.gravity_m_per_s2),
        ball,
        drag_doubt: DRAG_RELATIVE_UNCERTAINTY,
        air: AirState::ROOM,
    }
}

fn fly(limits: &Limits, speed: f64, angle: f64, height: f64, target: f64) -> Result<Forecast, &'static str> {
    let flight = forecast(&launch(limits, speed, angle, height, None), Estimate::without_uncertainty(target));
    flight.map_err(|_| "the target is higher than the ball gets")
}

fn in_air(limits: &Limits, sphere: Sphere, challenge: &Challenge) -> Option<f64> {
    let launch = launch(limits, challenge.speed_m_per_s, challenge.angle_deg, challenge.height_m, Some(sphere));
    forecast(&launch, Estimate::without_uncertainty(challenge.target_height_m)).ok()?.air_shift_m
}

/// Speed and angle that the printed numbers lead to; exactly one angle must lie within the launcher's range.
fn answer_for(
    task: Task,
    (speed, angle): (f64, f64),
    distance_m: f64,
    rise: f64,
    limits: &Limits,
) -> Result<(f64, f64), &'static str> {
    let mut given = Values::from([
        (Quantity::Distance, distance_m),
        (Quantity::Rise, rise),
        (Quantity::Gravity, limits.gravity_m_per_s2),
    ]);
    match task {
        Task::Angle => given.insert(Quantity::Speed, speed),
        _ => given.insert(Quantity::Angle, angle),
    };
    let solutions = solve(&given).map_err(|_| "the target is out of reach")?;
    if task == Task::Angle {
        let within = |angle: f64| angle >= limits.angle_deg.from - 0.5 && angle <= limits.angle_deg.to + 0.5;
        let angles: Vec<f64> =
            solutions.iter().map(|flight| flight.values[&Quantity::Angle]).filter(|angle| within(*angle)).collect();
        return match angles[..] {
            [angle] => Ok((speed, angle)),
            _ => Err("two angles of the launcher's range reach the target"),
        };
    }
    let speed = solutions[0].values[&Quantity::Speed];
    let span = limits.speed_m_per_s;
    // The centimetre of the distance moves the speed by about 1 %.
    let fits = speed >= 0.99 * span.from && speed <= 1.01 * span.to && speed <= FASTEST_M_PER_S;
    if fits { Ok((speed, angle)) } else { Err("the speed leaves the launcher's range") }
}

/// Possible and safe.
fn judge(limits: &Limits, flight: &Forecast) -> Result<(), &'static str> {
    let range = flight.range_m.value;
    let top = flight.apex.map_or(0.0, |apex| apex.height_m.value) + limits.ball_diameter_m / 2.0;
    if top + BELOW_CEILING_M > limits.ceiling_m {
        return Err("the ball would come within 20 cm of the ceiling");
    }
    if range + BEHIND_TARGET_M > limits.room_m {
        return Err("less than a metre of clear floor would be left behind the target");
    }
    if range < NEAREST_M {
        return Err("the target would stand within half a metre of the launcher");
    }
    if flight.descent_angle_deg.value < FLATTEST_DESCENT_DEG {
        return Err("the ball would come down flatter than 35°");
    }
    Ok(())
}

fn most_common(reasons: &[&'static str]) -> &'static str {
    let count = |reason: &str| reasons.iter().filter(|other| **other == reason).count();
    reasons.iter().copied().max_by_key(|reason| count(reason)).unwrap_or("they are too much alike")
}

/// The first `groups` candidates that are alike in hardness and differ in their numbers.
fn choose(fitting: &[Challenge], groups: usize) -> Vec<Challenge> {
    let Some(first) = fitting.first() else { return Vec::new() };
    let side = |challenge: &Challenge| (challenge.target_height_m - challenge.height_m).partial_cmp(&0.0);
    // The commoner side of the launch height, so that nobody has the easier quadratic.
    let same = |challenge: &&Challenge| side(challenge) == side(first);
    let (mine, others): (Vec<Challenge>, Vec<Challenge>) = fitting.iter().partition(|challenge| same(challenge));
    let pool = if mine.len() >= others.len() { mine } else { others };
    let reference = pool[0];
    let pool: Vec<Challenge> = pool.into_iter().filter(|challenge| side(challenge) == side(&reference)).collect();
    let mut hardness: Vec<f64> = pool.iter().map(|challenge| challenge.touchiness_m).collect();
    hardness.sort_by(f64::total_cmp);
    let middle = hardness[hardness.len() / 2];
    let mut chosen: Vec<Challenge> = Vec::new();
    for challenge in pool {
        let alike = (challenge.touchiness_m / middle - 1.0).abs() <= HARDNESS_BAND;
        let distinct = chosen.iter().all(|other| (other.distance_m - challenge.distance_m).abs() >= DISTINCT_M);
        if alike && distinct && chosen.len() < groups {
            chosen.push(challenge);
        }
    }
    chosen
}

/// Figures of all that is printed as given. An answer has as many as the least precise given (the rule of school books); with three in
/// all of them, whoever follows it comes to the key's number.
const DATA_FIGURES: usize = 3;

/// A number as all data are printed; the floor is exact.
fn data(value: f64) -> String {
    if value == 0.0 { "0".to_owned() } else { to_figures(value, DATA_FIGURES) }
}

impl ChallengeSet {
    /// A page a group, then the key; with `working`, every solution worked out behind it.
    pub fn sheet(&self, title: &str, working: bool) -> Sheet {
        let mut blocks = Vec::new();
        for (i, challenge) in self.challenges.iter().enumerate() {
            blocks.extend(self.page(i, challenge));
            blocks.push(Block::PageBreak);
        }
        blocks.extend(self.key());
        if working {
            blocks.extend(self.workings());
        }
        Sheet { title: title.to_owned(), blocks }
    }

    fn page(&self, index: usize, challenge: &Challenge) -> Vec<Block> {
        let drawing = self.common_sketch(challenge);
        vec![
            Block::Heading(format!("Group {}: {}", index + 1, self.question())),
            Block::Paragraph(self.story(challenge)),
            Block::Sketch(drawing),
            Block::Paragraph(format!(
                "Show how you get there: what is known for the horizontal and the vertical motion, the formula, the numbers \
                     with their units, and the answer. Everything given has {DATA_FIGURES} significant figures: carry more on \
                     the way, and round the answer to {DATA_FIGURES}."
            )),
            Block::WritingLines(7),
            Block::Answer("Our answer: ____________________".to_owned()),
            Block::Paragraph(
                "The ball:   □ went in \u{a0}\u{a0}□ fell short by ______ cm \u{a0}\u{a0}□ flew beyond by ______ cm"
                    .to_owned(),
            ),
            Block::Cautions(CAUTIONS.iter().map(|&caution| caution.to_owned()).collect()),
        ]
    }

    const fn question(&self) -> &'static str {
        match self.task {
            Task::Distance => "where must the target stand?",
            Task::Angle => "at which angle must you launch?",
            Task::Speed => "how fast must the ball start?",
        }
    }

    fn story(&self, challenge: &Challenge) -> String {
        let cm = |metres: f64| data(metres * 100.0);
        let speed = format!("{} m/s", data(challenge.speed_m_per_s));
        let angle = format!("{}°", data(challenge.angle_deg));
        let heights = format!(
            "The ball's centre leaves the launcher {} cm above the floor. The opening of the target is {} cm above the floor.",
            cm(challenge.height_m),
            cm(challenge.target_height_m)
        );
        let place = format!("It stands {} cm from the point on the floor under the muzzle.", cm(challenge.distance_m));
        let span = self.limits.angle_deg;
        let g = data(self.limits.gravity_m_per_s2);
        let (known, asked) = match self.task {
            Task::Distance => (
                format!("Your launcher gives the ball {speed} at {angle} above the horizontal. {heights}"),
                "How far from the point under the muzzle must the centre of the opening be?".to_owned(),
            ),
            Task::Angle => (
                format!("Your launcher gives the ball {speed}. {heights} {place}"),
                format!(
                    "Which launch angle between {}° and {}° brings the ball into the opening?",
                    to_decimals(span.from, 0),
                    to_decimals(span.to, 0)
                ),
            ),
            Task::Speed => (
                format!("Your launcher is set to {angle} above the horizontal. {heights} {place}"),
                "Which launch speed brings the ball into the opening?".to_owned(),
            ),
        };
        format!("{known} Take g = {g} m/s² and leave the air out. {asked}")
    }

    fn givens(&self, challenge: &Challenge) -> Vec<Given> {
        let given = |quantity, value: f64| Given::new(quantity, value, Some(DATA_FIGURES));
        // The difference of two heights, whose figures count; shown to the millimetre that both have. None is exact.
        let rise = (1000.0 * (challenge.target_height_m - challenge.height_m)).round() / 1000.0;
        let figures = (rise != 0.0).then_some(DATA_FIGURES);
        let rise = Given { decimals: figures, ..Given::new(Quantity::Rise, rise, figures) };
        let all = [
            given(Quantity::Speed, challenge.speed_m_per_s),
            given(Quantity::Angle, challenge.angle_deg),
            given(Quantity::Distance, challenge.distance_m),
            rise,
            given(Quantity::Gravity, self.limits.gravity_m_per_s2),
        ];
        // The quantity asked for, and in the distance task the distance, isn't given.
        all.into_iter().filter(|given| given.quantity != self.task.wanted()).collect()
    }

    /// The same shape for every group: a drawing to scale could be measured.
    fn common_sketch(&self, challenge: &Challenge) -> sketch::Drawing {
        let rise = 0.15 * (challenge.target_height_m - challenge.height_m).signum();
        let rise = if challenge.target_height_m == challenge.height_m { 0.0 } else { rise };
        let shape = Values::from([
            (Quantity::Speed, 4.0),
            (Quantity::Angle, 52.0),
            (Quantity::Rise, rise),
            (Quantity::Gravity, 9.81),
        ]);
        let flight = &solve(&shape).expect("a shot at 4 m/s and 52° comes down through ±15 cm")[0];
        let mut drawing = sketch::of_flight(flight, &self.givens(challenge), self.task.wanted());
        drawing.description = "Sketch of the flight with what is given; not to scale.".to_owned();
        drawing
    }

    fn key(&self) -> Vec<Block> {
        let head =
            ["group", "v_{0} / m/s", "α / °", "launch / cm", "target / cm", "x / m", "±1 %, 1° / cm", "in air / m"];
        let rows = self.challenges.iter().enumerate().map(|(i, challenge)| {
            vec![
                (i + 1).to_string(),
                self.mark(Task::Speed, data(challenge.speed_m_per_s)),
                self.mark(Task::Angle, data(challenge.angle_deg)),
                data(challenge.height_m * 100.0),
                data(challenge.target_height_m * 100.0),
                self.mark(Task::Distance, data(challenge.distance_m)),
                to_decimals(challenge.touchiness_m * 100.0, 1),
                challenge
                    .air_shift_m
                    .map_or_else(|| "–".to_owned(), |shift| to_decimals(challenge.distance_m + shift, 2)),
            ]
        });
        let fastest = self.challenges.iter().map(|challenge| challenge.speed_m_per_s).fold(0.0, f64::max);
        let highest = self.challenges.iter().map(|challenge| challenge.height_m).fold(0.0, f64::max);
        let limit = reach(fastest, highest, self.limits.gravity_m_per_s2);
        let air = if self.limits.ball_mass_kg.is_some() {
            "The last column says where this ball lands with the air counted: put the target there when the answer is right."
        } else {
            "The air is left out; a light ball lands shorter. State its mass to have that in the last column."
        };
        vec![
            Block::Heading("Answer key (for the teacher)".to_owned()),
            Block::Paragraph(format!(
                "Answers are marked with →. Seed {}: the same seed and limits make the same challenges. The column “±1 %, 1°” is by \
                 how much 1 % of speed and 1° of angle together move the landing: alike for all. {air}",
                self.seed
            )),
            Block::Table { head: head.map(str::to_owned).to_vec(), rows: rows.collect() },
            Block::Paragraph(format!(
                "At these speeds the ball can get {:.1} m far and {:.1} m up if it is aimed so. Keep that much clear.",
                (limit.distance_m * 10.0).ceil() / 10.0,
                (limit.height_m * 10.0).ceil() / 10.0
            )),
            Block::Cautions(CAUTIONS.iter().map(|&caution| caution.to_owned()).collect()),
        ]
    }

    /// The answer carries an arrow, so that it is found without colour.
    fn mark(&self, task: Task, text: String) -> String {
        if task == self.task { format!("→ {text}") } else { text }
    }

    fn workings(&self) -> Vec<Block> {
        let mut blocks = Vec::new();
        for (i, challenge) in self.challenges.iter().enumerate() {
            // Every challenge was solved when it was made.
            let Ok(worked) = worked_solution("", &self.givens(challenge), self.task.wanted()) else { continue };
            blocks.push(Block::PageBreak);
            blocks.push(Block::Heading(format!("Group {}, worked out", i + 1)));
            blocks.push(Block::Paragraph(format!(
                "y is {} cm − {} cm, target less launch; for the figures the two heights count.",
                data(challenge.target_height_m * 100.0),
                data(challenge.height_m * 100.0)
            )));
            blocks.extend(worked.blocks.into_iter().filter(|block| !matches!(block, Block::Cautions(_))));
        }
        blocks
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::worked::{html, pdf, text};

    fn limits() -> Limits {
        Limits {
            speed_m_per_s: Span { from: 3.6, to: 4.4 },
            angle_deg: Span { from: 40.0, to: 70.0 },
            height_m: Span { from: 0.25, to: 0.45 },
            target_height_m: Span { from: 0.10, to: 0.24 },
            room_m: 4.0,
            ceiling_m: 2.7,
            ball_diameter_m: 0.07,
            ball_mass_kg: Some(0.013),
            gravity_m_per_s2: 9.81,
        }
    }

    #[test]
    fn challenges_are_within_the_limits_alike_and_different() {
        for task in [Task::Distance, Task::Angle, Task::Speed] {
            for seed in 0..8 {
                let set = make(&limits(), task, 8, seed).unwrap();
                assert_eq!(set.challenges.len(), 8);
                let hardness = set.challenges.iter().map(|challenge| challenge.touchiness_m);
                let (least, most) = hardness.fold((f64::MAX, 0f64), |(a, b), h| (a.min(h), b.max(h)));
                // ±15 % about the middle.
                assert!(most / least <= 1.15 / 0.85 + 1e-12, "{task:?} {seed}");
                for (i, challenge) in set.challenges.iter().enumerate() {
                    assert!(challenge.distance_m >= 0.5 && challenge.distance_m + 1.0 <= 4.0 + 1e-9);
                    assert!(challenge.apex_m + 0.035 + 0.2 <= 2.7);
                    assert!(challenge.target_height_m < challenge.height_m);
                    let others = &set.challenges[i + 1..];
                    assert!(others.iter().all(|other| (other.distance_m - challenge.distance_m).abs() >= 0.04));
                }
            }
        }
    }

    #[test]
    fn the_key_follows_from_the_printed_numbers() {
        for task in [Task::Distance, Task::Angle, Task::Speed] {
            let set = make(&limits(), task, 6, 3).unwrap();
            for challenge in &set.challenges {
                let values: Values = set.givens(challenge).iter().map(|given| (given.quantity, given.value)).collect();
                let expected = match task {
                    Task::Distance => challenge.distance_m,
                    Task::Angle => challenge.angle_deg,
                    Task::Speed => challenge.speed_m_per_s,
                };
                let wanted = task.wanted();
                let found = solve(&values).unwrap().iter().any(|s| (s.values[&wanted] - expected).abs() < 1e-9);
                assert!(found, "{task:?} {challenge:?}");
            }
        }
    }

    /// The significant figures of a printed number: all digits from the first that isn't nought (any school book's rule).
    fn figures_of(printed: &str) -> usize {
        printed.chars().filter(char::is_ascii_digit).skip_while(|digit| *digit == '0').count()
    }

    /// A pupil who takes the numbers as printed, reckons with the textbook's formulas, and rounds as the sheet says.
    #[test]
    fn whoever_follows_the_sheet_comes_to_the_keys_number() {
        for (task, seed) in [(Task::Distance, 4), (Task::Distance, 9), (Task::Angle, 5), (Task::Speed, 6)] {
            let set = make(&limits(), task, 8, seed).unwrap();
            let key = set.key().into_iter().find_map(|block| match block {
                Block::Table { rows, .. } => Some(rows),
                _ => None,
            });
            for (challenge, row) in set.challenges.iter().zip(key.unwrap()) {
                let printed = |column: usize| row[column].trim_start_matches("→ ").to_owned();
                let asked = match task {
                    Task::Speed => 1,
                    Task::Angle => 2,
                    Task::Distance => 5,
                };
                // The distance is printed in centimetres on the sheet, and three figures in either unit.
                for column in (1..=5).filter(|column| *column != asked) {
                    assert_eq!(figures_of(&printed(column)), 3, "{task:?} {row:?}");
                    let story = set.story(challenge);
                    let shown = if column == 5 { data(challenge.distance_m * 100.0) } else { printed(column) };
                    assert!(task == Task::Distance && column == 5 || story.contains(&shown), "{shown} in {story}");
                }
                let number = |column: usize| printed(column).parse::<f64>().unwrap();
                let rise = (number(4) - number(3)) / 100.0;
                let g = 9.81;
                let (v, a) = (number(1), number(2).to_radians());
                let mine = match task {
                    Task::Distance => {
                        let up = v * a.sin();
                        v * a.cos() * (up + (up * up - 2.0 * g * rise).sqrt()) / g
                    }
                    Task::Speed => {
                        let x = number(5);
                        x / a.cos() * (g / (2.0 * (x * a.tan() - rise))).sqrt()
                    }
                    Task::Angle => {
                        let x = number(5);
                        let root = (v.powi(4) - g * (g * x * x + 2.0 * rise * v * v)).sqrt();
                        let angles = [1.0, -1.0].map(|sign: f64| ((v * v + sign * root) / (g * x)).atan().to_degrees());
                        angles.into_iter().find(|angle| (angle - challenge.angle_deg).abs() < 1.0).unwrap()
                    }
                };
                assert_eq!(to_figures(mine, 3), printed(asked), "{task:?} {row:?}");
            }
        }
    }

    #[test]
    fn the_same_seed_makes_the_same_sheet() {
        let of = |seed| make(&limits(), Task::Distance, 5, seed).unwrap();
        assert_eq!(of(7), of(7));
        assert_ne!(of(7).challenges, of(8).challenges);
    }

    #[test]
    fn impossible_and_dangerous_limits_are_refused_with_the_reason() {
        let low = Limits { ceiling_m: 0.7, ..limits() };
        let error = make(&low, Task::Distance, 4, 1).unwrap_err();
        assert!(matches!(error, WorksheetError::TooFew { found: 0, .. }), "{error}");
        assert!(error.to_string().contains("ceiling"), "{error}");
        let short = make(&Limits { room_m: 1.6, ..limits() }, Task::Distance, 4, 1).unwrap_err();
        assert!(short.to_string().contains("behind the target"), "{short}");
        let fast = Limits { speed_m_per_s: Span { from: 10.0, to: 20.0 }, ..limits() };
        assert_eq!(make(&fast, Task::Distance, 4, 1), Err(WorksheetError::TooFast(20.0)));
        let turned = Limits { angle_deg: Span { from: 70.0, to: 40.0 }, ..limits() };
        assert!(matches!(make(&turned, Task::Distance, 4, 1), Err(WorksheetError::BadRange { .. })));
        assert_eq!(make(&limits(), Task::Distance, 0, 1), Err(WorksheetError::Groups(0)));
    }

    #[test]
    fn every_form_carries_the_cautions() {
        let sheet = make(&limits(), Task::Angle, 3, 2).unwrap().sheet("Open day challenge", true);
        let (words, page) = (text::render(&sheet), html::render(&sheet).replace("&#39;", "'"));
        for caution in CAUTIONS {
            let first = caution.split(' ').take(6).collect::<Vec<_>>().join(" ");
            // Once a group and once on the key.
            assert_eq!(words.matches(&first).count(), 4, "{caution}");
            assert_eq!(page.matches(&first).count(), 4);
        }
        let document = pdf::render(&sheet).unwrap();
        assert!(document.starts_with(b"%PDF"));
        if let Some(folder) = std::env::var_os("LOBLINE_KEEP") {
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::write(std::path::Path::new(&folder).join("worksheet.pdf"), document).unwrap();
        }
    }
}
