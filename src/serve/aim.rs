//! Where the target goes, in sentences: for the student's sheet and for the teacher's.

use serde::{Deserialize, Serialize};

use super::error::Refusal;
use super::setup::{TypedLaunch, reading, refused, sentence};
use crate::book::{Usual, mean_of_shots};
use crate::flight::aim::{AimQuestion, Obstacle, ShotScatter, chance_by_angle, place};
use crate::flight::chance::{Opening, OpeningKind};
use crate::flight::safety::CAUTIONS;
use crate::maths::tests_of_means::Sample;
use crate::measure::{Expected, Figured, KnownLaunch, MeanLaunch, MeasuredLaunch, Origin, taught_by_book};
use crate::measurement::FlightMeasurement;
use crate::quantity::{Kind, Reading};
use crate::report::aimed::{self, best_sentence, scatter_of, with_unit};
use crate::report::chance_graph;
use crate::report::class::Numbers;
use crate::report::figure::Style;
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

/// A launch to aim with: where it is known from, and how it scatters from shot to shot.
#[derive(Debug, Clone)]
pub struct Launch {
    pub origin: Origin,
    pub scatter: Option<ShotScatter>,
}

/// The answer: instructions for the tape measure, one for each angle that does it, and what else there is to say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    from: String,
    aims: Vec<Placed>,
    /// At which angle the chance would be larger; `None` where no scatter is known.
    best: Option<String>,
    cautions: [&'static str; CAUTIONS.len()],
    /// The chance by launch angle as a small graph, SVG; `None` where no scatter is known.
    graph: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Placed {
    instruction: String,
    rows: Vec<(String, String)>,
    words: Vec<String>,
}

impl Launch {
    /// Of one measured flight.
    pub fn of_flight(flight: &FlightMeasurement) -> Self {
        Self { origin: Origin::Measured(MeasuredLaunch::of(flight, "this clip")), scatter: None }
    }

    /// Of what the shot book says that a launcher usually does.
    pub fn of_book(usual: Usual) -> Self {
        let scatter = scatter_of(usual.speed_scatter_m_per_s, usual.angle_scatter_deg);
        Self { origin: Origin::Book(usual), scatter }
    }

    /// Mean and scatter of several flights; those whose gravity is off are left out, for their speed is off too. `None` when none
    /// is left. Of a single one its own interval, and no scatter.
    pub fn of_flights(flights: &[Numbers]) -> Option<Self> {
        let good: Vec<&Numbers> = flights.iter().filter(|numbers| numbers.agrees != Some(false)).collect();
        let left_out = flights.len() - good.len();
        let [first, ..] = good.as_slice() else { return None };
        let values = |value: fn(&Numbers) -> Estimate| good.iter().map(|n| value(n).value).collect::<Vec<_>>();
        let (speeds, angles) = (values(|numbers| numbers.best_speed_m_per_s), values(|numbers| numbers.best_angle_deg));
        let deviation = |values: &[f64]| Sample::of(values).and_then(|sample| sample.sd);
        let each = |of: fn(&Numbers) -> Estimate| good.iter().map(|n| of(n)).collect::<Vec<Estimate>>();
        let (speed_m_per_s, angle_deg) = if good.len() == 1 {
            (first.best_speed_m_per_s, first.best_angle_deg)
        } else {
            (mean_of_groups(&each(|n| n.best_speed_m_per_s))?, mean_of_groups(&each(|n| n.best_angle_deg))?)
        };
        let count = if good.len() == 1 { "1 flight".to_owned() } else { format!("the mean of {} flights", good.len()) };
        let without =
            if left_out == 0 { String::new() } else { format!("; {left_out} whose gravity is off were left out") };
        Some(Self {
            origin: Origin::Mean(MeanLaunch { speed_m_per_s, angle_deg: Some(angle_deg), note: count + &without }),
            scatter: scatter_of(deviation(&speeds), deviation(&angles)),
        })
    }

    fn usual(&self) -> Option<&Usual> {
        match &self.origin {
            Origin::Book(usual) => Some(usual),
            _ => None,
        }
    }
}

/// Mean of what groups measured, each with its own phone and ruler, whose errors aren't shared: with the interval that the scatter of
/// the values gives, or that of their own uncertainties (JCGM 100:2008, 5.1.2), whichever is wider. A few values may lie close by
/// chance.
fn mean_of_groups(values: &[Estimate]) -> Option<Estimate> {
    let mean = mean_of_shots(&values.iter().map(|value| value.value).collect::<Vec<_>>(), None, None)?;
    let variances: Option<Vec<f64>> = values.iter().map(|value| value.standard_uncertainty.map(|u| u * u)).collect();
    let own = variances.map(|variances| variances.iter().sum::<f64>().sqrt() / values.len() as f64);
    let own = own.map(|u| Estimate::with_coverage_factor(mean.value, u, 1.96));
    let half_width = |estimate: &Estimate| estimate.expanded_uncertainty_95.unwrap_or(0.0);
    Some(own.filter(|own| half_width(own) > half_width(&mean)).unwrap_or(mean))
}

/// Places the target; the same functions as behind `lobline aim`.
///
/// # Errors
/// What was typed wrongly, or why there is no such place.
pub fn answer(launch: Option<Launch>, asked: &Asked, rig: &Rig, mark: DecimalMark) -> Result<Told, Refusal> {
    let distance = typed(&asked.distance)
        .map(|text| above_zero("distance of the target", Kind::Length, text))
        .transpose()?
        .map(|distance| distance.value);
    let known = known(launch.as_ref(), asked, rig, distance)?;
    let question = question(&known, launch.as_ref(), asked, rig)?;
    let placed = place(&question, distance)
        .map_err(|error| Refusal::wrong(sentence(&error.to_string()), sentence(&error.hint())))?;
    let taught = launch.as_ref().and_then(Launch::usual).map(|usual| taught_by_book(usual, &question));
    let taught = taught.unwrap_or_default();
    let wanted = aimed::Asked { question: &question, angle_wanted: distance.is_some(), taught: &taught, mark };
    let by_angle = question.scatter.map(|_| chance_by_angle(&question, 1.0)).unwrap_or_default();
    let style = Style { decimal_mark: mark, ..Style::default() };
    let graph = (!by_angle.is_empty()).then(|| chance_graph::figure(&by_angle, placed[0].angle_deg).svg(&style));
    Ok(Told {
        from: from_words(&known, distance.is_some(), mark),
        aims: placed.iter().map(|placed| in_words(&aimed::told(placed, wanted), mark)).collect(),
        best: best_sentence(&by_angle, &placed, mark),
        cautions: CAUTIONS,
        graph,
    })
}

fn from_words(known: &KnownLaunch, angle_wanted: bool, mark: DecimalMark) -> String {
    let speed = with_unit(known.speed_m_per_s.estimate, "m/s", mark);
    let doubt = known.doubt.as_ref().map_or(String::new(), |doubt| format!(" {}", sentence(doubt)));
    if angle_wanted {
        return format!("Launch: {speed}, from {}.{doubt}", known.source);
    }
    format!("Launch: {speed} at {}, from {}.{doubt}", with_unit(known.angle_deg.estimate, "°", mark), known.source)
}

fn in_words(told: &aimed::Told, mark: DecimalMark) -> Placed {
    let row = |row: &aimed::Row| {
        let value = with_unit(row.value, row.unit, mark);
        (row.name.to_owned(), if row.note.is_empty() { value } else { format!("{value}, {}", row.note) })
    };
    Placed {
        instruction: told.instruction.clone(),
        rows: told.rows.iter().map(row).collect(),
        words: told.sentences.clone(),
    }
}

fn typed(text: &str) -> Option<&str> {
    Some(text.trim()).filter(|text| !text.is_empty())
}

fn above_zero(name: &str, kind: Kind, text: &str) -> Result<Reading, Refusal> {
    let value = reading(name, kind, text)?;
    if value.value > 0.0 {
        return Ok(value);
    }
    Err(Refusal::wrong(format!("The {name} must be above zero."), "Check the sign."))
}

/// The launch with what was typed instead of what was measured.
fn known(launch: Option<&Launch>, asked: &Asked, rig: &Rig, distance: Option<f64>) -> Result<KnownLaunch, Refusal> {
    let text =
        TypedLaunch { speed: &asked.speed, angle: &asked.angle, height: &asked.height, ..TypedLaunch::default() };
    let mut before = text.before(launch.map(|launch| launch.origin.clone()))?;
    // A speed that was typed is another shot's, and still at the measured angle where nobody says another.
    if let (Some(launch), None, Some(Origin::Typed(_))) = (launch, &before.angle, &before.origin) {
        let measured = crate::measure::Before { origin: Some(launch.origin.clone()), ..before.clone() };
        before.angle = measured.launch(rig, None).ok().map(|known| as_reading(known.angle_deg));
    }
    // Where the angle is looked for, any will do to begin with.
    before.launch(rig, distance.map(|_| 45.0)).map_err(|error| refused(&error))
}

fn as_reading(figured: Figured) -> Reading {
    Reading {
        value: figured.estimate.value,
        standard_uncertainty: figured.estimate.standard_uncertainty,
        half_width_95: figured.estimate.expanded_uncertainty_95,
        figures: figured.figures,
        text: format!("{}°", figured.estimate.value),
    }
}

fn question(known: &KnownLaunch, launch: Option<&Launch>, asked: &Asked, rig: &Rig) -> Result<AimQuestion, Refusal> {
    let length = |name: &str, text: &str| {
        typed(text).map(|text| above_zero(name, Kind::Length, text).map(|reading| reading.value)).transpose()
    };
    let wanted = |name: &str, text: &str, example: &str| {
        length(name, text)?
            .ok_or_else(|| Refusal::wrong(format!("The {name} isn't stated."), format!("Write it like `{example}`.")))
    };
    let rim = reading("height of the opening", Kind::Length, typed(&asked.opening_height).unwrap_or("0 m"))?;
    let ball = match length("diameter of the ball", &asked.ball_diameter)? {
        Some(ball) => ball,
        None => match rig.ball.diameter {
            Some(diameter) => diameter.length.metres(),
            None => wanted("diameter of the ball", "", "70 mm")?,
        },
    };
    let kind = if asked.ring { OpeningKind::Ring } else { OpeningKind::Cup };
    let opening = wanted("diameter of the opening", &asked.opening, "25 cm")?;
    let opening = Opening::new(kind, opening, ball)
        .map_err(|error| Refusal::wrong(sentence(&error.to_string()), sentence(&error.hint())))?;
    let expected = Expected::of_launch(known, rim.estimate(), rig)
        .map_err(|error| Refusal::wrong(sentence(&error.to_string()), "Check the ball's mass and diameter."))?;
    let obstacle = length("distance of the obstacle", &asked.obstacle_distance)?
        .zip(length("height of the obstacle", &asked.obstacle_height)?);
    Ok(AimQuestion {
        launch: expected.launch,
        opening_height_m: rim.estimate(),
        opening,
        ball_radius_m: ball / 2.0,
        scatter: scatter(launch, asked)?,
        obstacle: obstacle.map(|(distance_m, height_m)| Obstacle { distance_m, height_m }),
        ceiling_m: length("height of the ceiling", &asked.ceiling)?,
    })
}

fn scatter(launch: Option<&Launch>, asked: &Asked) -> Result<Option<ShotScatter>, Refusal> {
    match (typed(&asked.scatter_speed), typed(&asked.scatter_angle)) {
        (None, None) => Ok(launch.and_then(|launch| launch.scatter)),
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

#[cfg(test)]
mod tests {
    use super::*;

    fn launch() -> Launch {
        let mean = MeanLaunch {
            speed_m_per_s: Estimate::with_coverage_factor(5.0, 0.01, 2.0),
            angle_deg: Some(Estimate::with_coverage_factor(45.0, 0.1, 2.0)),
            note: "flight 1".to_owned(),
        };
        Launch { origin: Origin::Mean(mean), scatter: None }
    }

    fn asked() -> Asked {
        Asked { height: "0 m".into(), opening: "25 cm".into(), ball_diameter: "7 cm".into(), ..Asked::default() }
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
        let known = known(Some(&launch()), &asked(), &rig(), None).unwrap();
        let question = question(&known, None, &asked(), &rig()).unwrap();
        let offset = super::place(&question, None).unwrap()[0].aim.aim_offset_m;
        // One decimal of a centimetre is printed.
        assert!((place / 100.0 + offset - 25.0 / 9.81).abs() < 0.0006, "{text}");
        let back = Asked { distance: format!("{:.4} m", 25.0 / 9.81 - 0.4), ..asked() };
        let told = answer(Some(launch()), &back, &rig(), DecimalMark::Comma).unwrap();
        assert_eq!(told.aims.len(), 2, "a flat and a steep one");
        assert!(told.aims[0].instruction.contains(','), "{told:?}");
    }

    #[test]
    fn a_known_scatter_brings_the_chance_its_graph_and_the_best_angle() {
        let scattered = Launch { scatter: scatter_of(Some(0.1), Some(1.0)), ..launch() };
        let told = answer(Some(scattered), &asked(), &rig(), DecimalMark::Point).unwrap();
        assert!(told.graph.unwrap().starts_with("<svg") && told.best.unwrap().contains("angle"));
        assert!(told.aims[0].words.iter().any(|text| text.starts_with("Chance of a hit")));
    }

    /// A typed speed is at the measured angle; 4²/9.81 = 1.631 m.
    #[test]
    fn a_typed_speed_goes_with_the_measured_angle() {
        let slower = Asked { speed: "4 m/s".into(), ring: true, ..asked() };
        let told = answer(Some(launch()), &slower, &rig(), DecimalMark::Point).unwrap();
        assert!(told.aims[0].instruction.starts_with("Measure 163\u{a0}cm"), "{told:?}");
        assert_eq!(told.from, "Launch: 4.00 m/s at 45.00°\u{a0}±\u{a0}0.20°, from the stated speed and angle.");
    }

    #[test]
    fn what_is_missing_is_asked_for() {
        let refused = |asked: &Asked| answer(Some(launch()), asked, &rig(), DecimalMark::Point).unwrap_err();
        assert!(refused(&Asked { height: "0 m".into(), ..Asked::default() }).message.contains("ball"));
        assert!(refused(&Asked { opening: String::new(), ..asked() }).message.contains("opening"));
        assert!(refused(&Asked { distance: "40 m".into(), ..asked() }).hint.contains("faster"));
        assert!(refused(&Asked { scatter_speed: "0.1 m/s".into(), ..asked() }).message.contains("both"));
        assert!(refused(&Asked { height: String::new(), ..asked() }).message.contains("height of the launch"));
        assert!(answer(None, &asked(), &rig(), DecimalMark::Point).unwrap_err().message.contains("speed"));
    }

    /// Mean 4, s = 0.1, t(0.975; 2) = 4.303 (a table of Student's t, such as JCGM 100:2008 table G.2).
    #[test]
    fn several_flights_give_mean_and_scatter_without_those_that_are_off() {
        let numbers = |speed: f64, agrees| Numbers {
            flight: 1,
            speed_m_per_s: Estimate::with_coverage_factor(speed, 0.02, 2.0),
            best_speed_m_per_s: Estimate::with_coverage_factor(speed, 0.02, 2.0),
            best_angle_deg: Estimate::with_coverage_factor(40.0 + speed, 0.2, 2.0),
            angle_deg: Estimate::with_coverage_factor(40.0 + speed, 0.2, 2.0),
            gravity_m_per_s2: Estimate::without_uncertainty(9.8),
            given: None,
            expected_m_per_s2: None,
            agrees,
        };
        let flights =
            [numbers(3.9, Some(true)), numbers(4.0, None), numbers(4.1, Some(true)), numbers(16.0, Some(false))];
        let mean = |launch: &Launch| match &launch.origin {
            Origin::Mean(mean) => mean.clone(),
            other => panic!("{other:?}"),
        };
        let launch = Launch::of_flights(&flights).unwrap();
        assert!((mean(&launch).speed_m_per_s.value - 4.0).abs() < 1e-12);
        let half = mean(&launch).speed_m_per_s.expanded_uncertainty_95.unwrap();
        // The table has three decimals.
        assert!((half - 4.303 * 0.1 / 3_f64.sqrt()).abs() < 1e-4, "{half}");
        assert!((launch.scatter.unwrap().speed_m_per_s - 0.1).abs() < 1e-12);
        // Two equal values say nothing of the scatter: u = 0.02 m/s of each leaves 0.02/√2 of their mean.
        let equal = mean(&Launch::of_flights(&[flights[0], flights[0]]).unwrap()).speed_m_per_s;
        assert!((equal.standard_uncertainty.unwrap() - 0.02 / 2_f64.sqrt()).abs() < 1e-12);
        let one = Launch::of_flights(&flights[..1]).unwrap();
        assert_eq!((mean(&one).speed_m_per_s, one.scatter), (flights[0].speed_m_per_s, None));
        assert!(Launch::of_flights(&flights[3..]).is_none());
    }
}
