//! Where the target goes, in sentences: for the student's sheet and for the teacher's.

use serde::{Deserialize, Serialize};

use super::error::Refusal;
use super::setup::{read, sentence};
use crate::flight::aim::{
    Aim, AimQuestion, Clearance, Obstacle, ObstaclePassage, ShotScatter, aim, angles_to_reach, turned_to,
};
use crate::flight::chance::{Opening, OpeningKind};
use crate::flight::reading::Kind;
use crate::maths::tests_of_means::{Sample, t_quantile};
use crate::measure::Expected;
use crate::measurement::FlightMeasurement;
use crate::report::class::Numbers;
use crate::report::numbers::DecimalMark;
use crate::rig::Rig;
use crate::units::Estimate;

/// What is asked, as typed: texts with their units; empty is not stated.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
pub struct Asked {
    /// Instead of the measured ones.
    pub speed: String,
    pub angle: String,
    /// Of the launch point above the floor.
    pub height: String,
    /// Diameter of the opening.
    pub opening: String,
    /// Of its rim above the floor; the floor when empty.
    pub opening_height: String,
    /// A hoop, which the ball must go through clear of the rim all round.
    pub ring: bool,
    pub ball_diameter: String,
    /// Where the target stands already: then the angle is looked for.
    pub distance: String,
    /// Standard deviations from shot to shot, instead of the measured ones.
    pub scatter_speed: String,
    pub scatter_angle: String,
    pub obstacle_distance: String,
    pub obstacle_height: String,
    pub ceiling: String,
}

/// A launch to aim with.
#[derive(Debug, Clone, PartialEq)]
pub struct Launch {
    pub speed_m_per_s: Estimate,
    pub angle_deg: Estimate,
    pub scatter: Option<ShotScatter>,
    /// Where it comes from, in words.
    pub from: String,
}

/// The answer: instructions for the tape measure, one for each angle that does it, and what else there is to say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    from: String,
    aims: Vec<Placed>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Placed {
    instruction: String,
    rows: Vec<(String, String)>,
    words: Vec<String>,
}

impl Launch {
    /// Of one measured flight. The speed with gravity given is the better one: it leans on one unknown less.
    pub fn of_flight(flight: &FlightMeasurement) -> Self {
        Self {
            speed_m_per_s: flight.launch_speed_gravity_given_m_per_s.unwrap_or(flight.launch_speed_m_per_s),
            angle_deg: flight.launch_angle_deg,
            scatter: None,
            from: format!("flight {}", flight.number),
        }
    }

    /// Mean and scatter of several flights; those whose gravity is off are left out, for their speed is off too. `None` when none
    /// is left. Of a single one its own interval, and no scatter.
    pub fn of_flights(flights: &[Numbers]) -> Option<Self> {
        let good: Vec<&Numbers> = flights.iter().filter(|numbers| numbers.agrees != Some(false)).collect();
        let left_out = flights.len() - good.len();
        let [first, ..] = good.as_slice() else { return None };
        let values = |value: fn(&Numbers) -> Estimate| good.iter().map(|n| value(n).value).collect::<Vec<_>>();
        let (speeds, angles) = (values(Numbers::best_speed), values(|numbers| numbers.angle_deg));
        let (speed, angle) = (Sample::of(&speeds)?, Sample::of(&angles)?);
        let scatter = speed.sd.zip(angle.sd);
        let (speed_m_per_s, angle_deg) =
            if good.len() == 1 { (first.best_speed(), first.angle_deg) } else { (mean_of(&speed), mean_of(&angle)) };
        let count = if good.len() == 1 { "1 flight".to_owned() } else { format!("{} flights", good.len()) };
        let without =
            if left_out == 0 { String::new() } else { format!("; {left_out} whose gravity is off were left out") };
        Some(Self {
            speed_m_per_s,
            angle_deg,
            // Values of no scatter at all promise a hit that nobody can: two equal readings.
            scatter: scatter.filter(|(speed, angle)| *speed > 0.0 && *angle > 0.0).map(|(speed, angle)| ShotScatter {
                speed_m_per_s: speed,
                angle_deg: angle,
                sideways_deg: None,
            }),
            from: format!("the mean of {count}{without}"),
        })
    }
}

/// The mean with its 95 % interval (JCGM 100:2008, 4.2 and G.3).
fn mean_of(sample: &Sample) -> Estimate {
    let n = sample.count as f64;
    match sample.sd {
        Some(sd) => Estimate::with_coverage_factor(sample.mean, sd / n.sqrt(), t_quantile(0.975, n - 1.0)),
        None => Estimate::without_uncertainty(sample.mean),
    }
}

/// Places the target; the same functions as behind `lobline aim`.
///
/// # Errors
/// What was typed wrongly, or why there is no such place.
pub fn answer(launch: Option<Launch>, asked: &Asked, rig: &Rig, mark: DecimalMark) -> Result<Told, Refusal> {
    let launch = stated(launch, asked)?;
    let question = question(&launch, asked, rig)?;
    let angles = match typed(&asked.distance) {
        None => vec![launch.angle_deg.value],
        Some(text) => {
            let distance = above_zero("distance of the target", Kind::Length, text)?.value;
            let angles = angles_to_reach(&question, distance)
                .map_err(|error| Refusal::wrong(sentence(&error.to_string()), sentence(&error.hint())))?;
            if angles.is_empty() {
                return Err(Refusal::wrong(
                    "At this speed no angle brings the ball there.",
                    "Move the target, lower it, or launch faster.",
                ));
            }
            angles
        }
    };
    let placed = |angle: &f64| {
        let turned = turned_to(&question, *angle);
        let found =
            aim(&turned).map_err(|error| Refusal::wrong(sentence(&error.to_string()), sentence(&error.hint())))?;
        Ok(in_words(&found, asked, &question, typed(&asked.distance).map(|_| *angle), mark))
    };
    let aims = angles.iter().map(placed).collect::<Result<Vec<_>, Refusal>>()?;
    let interval = |value: &Estimate, unit: &str| format!("{} {unit}", mark.interval(value));
    let from = format!(
        "Launch: {} at {}, from {}.",
        interval(&launch.speed_m_per_s, "m/s"),
        interval(&launch.angle_deg, "°"),
        launch.from
    );
    Ok(Told { from, aims })
}

fn typed(text: &str) -> Option<&str> {
    Some(text.trim()).filter(|text| !text.is_empty())
}

fn above_zero(name: &str, kind: Kind, text: &str) -> Result<Estimate, Refusal> {
    let value = read(name, kind, text)?;
    if value.value > 0.0 {
        return Ok(value);
    }
    Err(Refusal::wrong(format!("The {name} must be above zero."), "Check the sign."))
}

/// The launch with what was typed instead of what was measured.
fn stated(launch: Option<Launch>, asked: &Asked) -> Result<Launch, Refusal> {
    let speed = typed(&asked.speed).map(|text| above_zero("speed", Kind::Speed, text)).transpose()?;
    let angle = typed(&asked.angle).map(|text| read("angle", Kind::Angle, text)).transpose()?;
    let stated = match (speed.is_some(), angle.is_some()) {
        (true, true) => "what you typed".to_owned(),
        (true, false) => "the speed you typed and the measured angle".to_owned(),
        (false, true) => "the measured speed and the angle you typed".to_owned(),
        (false, false) => launch.as_ref().map_or_else(String::new, |launch| launch.from.clone()),
    };
    let missing = || Refusal::wrong("Nothing is measured yet to aim with.", "Type a launch speed and an angle.");
    Ok(Launch {
        speed_m_per_s: speed.or(launch.as_ref().map(|l| l.speed_m_per_s)).ok_or_else(missing)?,
        angle_deg: angle.or(launch.as_ref().map(|l| l.angle_deg)).ok_or_else(missing)?,
        scatter: launch.and_then(|launch| launch.scatter),
        from: stated,
    })
}

fn question(launch: &Launch, asked: &Asked, rig: &Rig) -> Result<AimQuestion, Refusal> {
    let length = |name: &str, text: &str| typed(text).map(|text| above_zero(name, Kind::Length, text)).transpose();
    let wanted = |name: &str, text: &str, example: &str| {
        length(name, text)?
            .ok_or_else(|| Refusal::wrong(format!("The {name} isn't stated."), format!("Write it like `{example}`.")))
    };
    let height = read("height of the launch", Kind::Length, typed(&asked.height).unwrap_or("0 m"))?;
    let rim = read("height of the opening", Kind::Length, typed(&asked.opening_height).unwrap_or("0 m"))?;
    let ball = match length("diameter of the ball", &asked.ball_diameter)? {
        Some(ball) => ball.value,
        None => match rig.ball.diameter {
            Some(diameter) => diameter.length.metres(),
            None => wanted("diameter of the ball", "", "70 mm")?.value,
        },
    };
    let kind = if asked.ring { OpeningKind::Ring } else { OpeningKind::Cup };
    let opening = wanted("diameter of the opening", &asked.opening, "25 cm")?.value;
    let opening = Opening::new(kind, opening, ball)
        .map_err(|error| Refusal::wrong(sentence(&error.to_string()), sentence(&error.hint())))?;
    let expected = Expected::with_rig(launch.speed_m_per_s, launch.angle_deg, height, rim, launch.from.clone(), rig)
        .map_err(|error| Refusal::wrong(sentence(&error.to_string()), "Check the ball's mass and diameter."))?;
    let obstacle = length("distance of the obstacle", &asked.obstacle_distance)?
        .zip(length("height of the obstacle", &asked.obstacle_height)?);
    Ok(AimQuestion {
        launch: expected.launch,
        opening_height_m: rim,
        opening,
        ball_radius_m: ball / 2.0,
        scatter: scatter(launch, asked)?,
        obstacle: obstacle.map(|(distance, height)| Obstacle { distance_m: distance.value, height_m: height.value }),
        ceiling_m: length("height of the ceiling", &asked.ceiling)?.map(|ceiling| ceiling.value),
    })
}

fn scatter(launch: &Launch, asked: &Asked) -> Result<Option<ShotScatter>, Refusal> {
    match (typed(&asked.scatter_speed), typed(&asked.scatter_angle)) {
        (None, None) => Ok(launch.scatter),
        (Some(speed), Some(angle)) => Ok(Some(ShotScatter {
            speed_m_per_s: above_zero("scatter of the speed", Kind::Speed, speed)?.value,
            angle_deg: above_zero("scatter of the angle", Kind::Angle, angle)?.value,
            sideways_deg: None,
        })),
        _ => Err(Refusal::wrong(
            "The chance of a hit needs both scatters, of speed and of angle.",
            "Give both, such as `0.04 m/s` and `0.5°`, or neither.",
        )),
    }
}

fn in_words(found: &Aim, asked: &Asked, question: &AimQuestion, angle: Option<f64>, mark: DecimalMark) -> Placed {
    let centimetres = |metres: Estimate| {
        let hundred = |value: f64| value * 100.0;
        let scaled = Estimate {
            value: hundred(metres.value),
            standard_uncertainty: metres.standard_uncertainty.map(hundred),
            expanded_uncertainty_95: metres.expanded_uncertainty_95.map(hundred),
        };
        format!("{} cm", mark.interval(&scaled))
    };
    let what = if asked.ring { "the ring" } else { "the opening" };
    let rim = question.opening_height_m.value;
    let height = if rim == 0.0 {
        "lying on the floor".to_owned()
    } else {
        format!("with its rim {} cm above the floor", mark.significant(rim * 100.0, 3))
    };
    let place = format!("{} m", mark.interval(&found.opening_centre_m));
    let instruction = match angle {
        Some(angle) => format!(
            "Set the launcher to {}°. The centre of {what} stays {place} from the point under the launch, {height}.",
            mark.fixed(angle, 1)
        ),
        None => format!(
            "Measure {place} along the floor, from the point under the launch in the direction of flight: the centre of {what} \
             goes there, {height}."
        ),
    };
    let window = if found.clean_window_m == 0.0 {
        "none: it comes down too flat to clear the rim".to_owned()
    } else {
        format!("{} cm along the flight", mark.fixed(found.clean_window_m * 100.0, 1))
    };
    let rows = vec![
        ("it may come down within".to_owned(), window),
        ("time of flight".to_owned(), format!("{} s", mark.interval(&found.forecast.time_of_flight_s))),
        ("steepness of descent".to_owned(), format!("{} °", mark.interval(&found.forecast.descent_angle_deg))),
    ];
    Placed { instruction, rows, words: remarks(found, mark, &centimetres) }
}

fn remarks(found: &Aim, mark: DecimalMark, centimetres: &dyn Fn(Estimate) -> String) -> Vec<String> {
    let mut words = Vec::new();
    let gap = |what: &str, clearance: &Clearance| {
        let judged = if clearance.is_safe() {
            "clear"
        } else if clearance.gap_m.value > 0.0 {
            "too close: not clear over its whole interval"
        } else {
            "it hits"
        };
        format!("{what}: {} between them: {judged}.", centimetres(clearance.gap_m))
    };
    match &found.over_obstacle {
        Some(ObstaclePassage::Over(clearance)) => words.push(gap("Ball over the obstacle", clearance)),
        Some(ObstaclePassage::NotInTheWay) => words.push("The obstacle isn't in the way.".to_owned()),
        None => {}
    }
    words.extend(found.under_ceiling.as_ref().map(|clearance| gap("Ball under the ceiling", clearance)));
    words.push(match &found.chance {
        Some(chance) => {
            let percent = |share: f64| format!("{:.0} %", share * 100.0);
            let (least, most) = (percent(chance.bracket.clean), percent(chance.bracket.centre_inside));
            let share = if least == most { least } else { format!("{least} to {most}") };
            format!(
                "Chance of a hit: {share}, with landings that scatter by {} cm along and {} cm across.",
                mark.fixed(chance.scatter.along_m * 100.0, 1),
                mark.fixed(chance.scatter.across_m * 100.0, 1)
            )
        }
        None => "For the chance of a hit I need to know how the shots scatter: film several, or type the scatter."
            .to_owned(),
    });
    words.push(
        "Nobody between launcher and target, eye protection on; your school's and local rules come first.".to_owned(),
    );
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn launch() -> Launch {
        Launch {
            speed_m_per_s: Estimate::with_coverage_factor(5.0, 0.01, 2.0),
            angle_deg: Estimate::with_coverage_factor(45.0, 0.1, 2.0),
            scatter: None,
            from: "flight 1".to_owned(),
        }
    }

    fn asked() -> Asked {
        Asked { opening: "25 cm".into(), ball_diameter: "7 cm".into(), ..Asked::default() }
    }

    fn rig() -> Rig {
        Rig::parse("[place]\ng = '9.81 m/s²'").unwrap()
    }

    /// R = v²·sin 2α/g = 25/9.81 = 2.548 m on level ground without air (any mechanics text, such as OpenStax University Physics 1,
    /// section 4.3). The ball is aimed beyond the middle of a cup, because it must clear the near rim and not the far one.
    #[test]
    fn the_target_goes_where_the_parabola_ends() {
        let told = answer(Some(launch()), &asked(), &rig(), DecimalMark::Point).unwrap();
        let text = &told.aims[0].instruction;
        let place: f64 = text["Measure ".len()..].split(char::is_whitespace).next().unwrap().parse().unwrap();
        let offset = aim(&question(&launch(), &asked(), &rig()).unwrap()).unwrap().aim_offset_m;
        // Two decimals are printed.
        assert!((place + offset - 25.0 / 9.81).abs() < 0.006, "{text}");
        let back = Asked { distance: format!("{:.4} m", 25.0 / 9.81 - 0.4), ..asked() };
        let told = answer(Some(launch()), &back, &rig(), DecimalMark::Comma).unwrap();
        assert_eq!(told.aims.len(), 2, "a flat and a steep one");
        assert!(told.aims[0].instruction.contains(','), "{told:?}");
    }

    #[test]
    fn what_is_missing_is_asked_for() {
        let refused = |asked: &Asked| answer(Some(launch()), asked, &rig(), DecimalMark::Point).unwrap_err();
        assert!(refused(&Asked::default()).message.contains("ball"));
        assert!(refused(&Asked { opening: String::new(), ..asked() }).message.contains("opening"));
        assert!(refused(&Asked { distance: "40 m".into(), ..asked() }).hint.contains("faster"));
        assert!(refused(&Asked { scatter_speed: "0.1 m/s".into(), ..asked() }).message.contains("both"));
        assert!(answer(None, &asked(), &rig(), DecimalMark::Point).unwrap_err().message.contains("measured"));
    }

    /// Mean 4, s = 0.1, t(0.975; 2) = 4.303 (a table of Student's t, such as JCGM 100:2008 table G.2).
    #[test]
    fn several_flights_give_mean_and_scatter_without_those_that_are_off() {
        let numbers = |speed: f64, agrees| Numbers {
            flight: 1,
            speed_m_per_s: Estimate::with_coverage_factor(speed, 0.02, 2.0),
            speed_gravity_given_m_per_s: None,
            angle_deg: Estimate::with_coverage_factor(40.0 + speed, 0.2, 2.0),
            gravity_m_per_s2: Estimate::without_uncertainty(9.8),
            agrees,
        };
        let flights =
            [numbers(3.9, Some(true)), numbers(4.0, None), numbers(4.1, Some(true)), numbers(16.0, Some(false))];
        let launch = Launch::of_flights(&flights).unwrap();
        assert!((launch.speed_m_per_s.value - 4.0).abs() < 1e-12);
        let half = launch.speed_m_per_s.expanded_uncertainty_95.unwrap();
        // The table has three decimals.
        assert!((half - 4.303 * 0.1 / 3_f64.sqrt()).abs() < 1e-4, "{half}");
        assert!((launch.scatter.unwrap().speed_m_per_s - 0.1).abs() < 1e-12);
        let one = Launch::of_flights(&flights[..1]).unwrap();
        assert_eq!((one.speed_m_per_s, one.scatter), (flights[0].speed_m_per_s, None));
        assert_eq!(Launch::of_flights(&flights[3..]), None);
    }
}
