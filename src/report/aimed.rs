//! Where the target goes, in words: the same on the command line and on the page.

use super::numbers::{DecimalMark, known};
use crate::flight::aim::{Aim, AimQuestion, AngleChance, Chance, Clearance, ObstaclePassage, Placed, best_angle};
use crate::flight::aim::{STEEPEST_SENSIBLE_DEG, ShotScatter};
use crate::flight::chance::{OpeningKind, Record, Taught, judge_record, learn_share};
use crate::flight::forecast::{Forecast, LaunchStatement};
use crate::units::Estimate;

/// What an aim was asked for, and what is known beside it.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    pub question: &'a AimQuestion,
    /// The target stands already and the angle was looked for.
    pub angle_wanted: bool,
    pub taught: &'a Taught,
    pub mark: DecimalMark,
}

/// One placed aim in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// The one sentence that is read out beside the tape measure.
    pub instruction: String,
    pub rows: Vec<Row>,
    pub sentences: Vec<String>,
}

/// A named result.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    pub name: &'static str,
    pub value: Estimate,
    pub unit: &'static str,
    pub note: String,
}

/// One aim in words.
pub fn told(placed: &Placed, asked: Asked<'_>) -> Told {
    let aim = &placed.aim;
    let mut sentences = clearances(aim, asked.mark);
    let mut launch = asked.question.launch;
    launch.angle_deg.value = placed.angle_deg;
    sentences.extend(forecast_sentences(&launch, &aim.forecast, asked.mark));
    match &aim.chance {
        Some(chance) => sentences.extend(chance_sentences(chance, asked)),
        None => sentences.push(
            "For the chance of a hit, state how much speed and angle scatter from shot to shot; the shot book knows it \
             from two filmed shots on."
                .to_owned(),
        ),
    }
    let sentences = sentences.iter().map(|text| together(text)).collect();
    Told { instruction: together(&instruction(placed, asked)), rows: rows(aim, asked.mark), sentences }
}

/// A number and its unit stay on one line.
fn together(text: &str) -> String {
    text.replace(" %", "\u{a0}%").replace(" cm", "\u{a0}cm")
}

fn instruction(placed: &Placed, asked: Asked<'_>) -> String {
    let rim = asked.question.opening_height_m;
    let height = if rim.value == 0.0 {
        "lying on the floor".to_owned()
    } else {
        format!("with its rim {} above the floor", with_unit(centimetres(rim), "cm", asked.mark))
    };
    let what = match asked.question.opening.kind() {
        OpeningKind::Cup => "the opening",
        OpeningKind::Ring => "the ring",
    };
    let place = with_unit(centimetres(placed.aim.opening_centre_m), "cm", asked.mark);
    if asked.angle_wanted {
        return format!(
            "Set the launcher to {}°. The centre of {what} stays {place} from the point under the muzzle, {height}.",
            asked.mark.fixed(placed.angle_deg, 1)
        );
    }
    format!(
        "Measure {place} along the floor, from the point under the muzzle in the direction of flight: the centre of {what} goes \
         there, {height}."
    )
}

fn rows(aim: &Aim, mark: DecimalMark) -> Vec<Row> {
    let row = |name, value, unit, note| Row { name, value, unit, note };
    let window = centimetres(Estimate::without_uncertainty(aim.clean_window_m));
    let needed = format!("below the horizontal; needs at least {}°", mark.fixed(aim.least_descent_deg.ceil(), 0));
    vec![
        row("clean window", window, "cm", window_note(aim, mark)),
        row("descent", aim.forecast.descent_angle_deg, "°", needed),
        row("time of flight", aim.forecast.time_of_flight_s, "s", String::new()),
    ]
}

fn window_note(aim: &Aim, mark: DecimalMark) -> String {
    if aim.clean_window_m == 0.0 {
        return "too flat: the ball can't clear the rim".to_owned();
    }
    if aim.aim_offset_m.abs() < 5e-4 {
        return "along the flight, about the centre".to_owned();
    }
    format!("along the flight, {} cm past the centre", mark.fixed(aim.aim_offset_m * 100.0, 1))
}

fn clearances(aim: &Aim, mark: DecimalMark) -> Vec<String> {
    let gap = |what: &str, clearance: &Clearance| {
        let judged = if clearance.is_safe() {
            "clear"
        } else if clearance.gap_m.value > 0.0 {
            "TOO CLOSE: not clear over its whole interval"
        } else {
            "IT HITS"
        };
        format!("{what}: {} between them: {judged}.", with_unit(centimetres(clearance.gap_m), "cm", mark))
    };
    let over = aim.over_obstacle.as_ref().map(|passage| match passage {
        ObstaclePassage::Over(clearance) => gap("Ball over the obstacle", clearance),
        ObstaclePassage::NotInTheWay => "The obstacle isn't in the way.".to_owned(),
    });
    let under = aim.under_ceiling.as_ref().map(|clearance| gap("Ball under the ceiling", clearance));
    over.into_iter().chain(under).collect()
}

/// Sensitivities, budget, air and missing intervals of a forecast, a sentence each.
pub fn forecast_sentences(launch: &LaunchStatement, forecast: &Forecast, mark: DecimalMark) -> Vec<String> {
    let mut lines = Vec::new();
    if forecast.range_per_percent_speed_m.is_finite() {
        let shift = signed_cm(forecast.range_per_percent_speed_m, mark);
        lines.push(format!("1 % more speed moves the landing by {shift}."));
    }
    if forecast.range_per_degree_m.is_finite() {
        lines.push(format!("1° more angle moves it by {}.", signed_cm(forecast.range_per_degree_m, mark)));
    }
    let parts = shares(forecast);
    if !parts.is_empty() {
        lines.push(format!("What limits it: {}.", parts.join(", ")));
    }
    lines.push(match forecast.air_shift_m {
        Some(shift) => format!("The air moves the landing by {}; that is counted in.", signed_cm(shift, mark)),
        None => "The air is left out; with the ball's diameter and mass it is counted in.".to_owned(),
    });
    if forecast.range_m.standard_uncertainty.is_none() {
        lines.push(format!("No interval: the ± of {} isn't stated.", unstated(launch)));
    }
    lines
}

fn shares(forecast: &Forecast) -> Vec<String> {
    let rows = forecast.budget.iter().filter_map(|row| Some((row.input.name(), row.share?)));
    let mut shares: Vec<(&str, f64)> = rows.filter(|(_, share)| *share >= 0.005).collect();
    shares.sort_by(|a, b| b.1.total_cmp(&a.1));
    shares.iter().map(|(name, share)| format!("{name} {}", percent(*share))).collect()
}

fn unstated(launch: &LaunchStatement) -> &'static str {
    let known = |estimate: Estimate| estimate.standard_uncertainty.is_some();
    match (known(launch.speed_m_per_s), known(launch.angle_deg)) {
        (false, false) => "speed and angle",
        (false, true) => "the speed",
        _ => "the angle",
    }
}

fn chance_sentences(chance: &Chance, asked: Asked<'_>) -> Vec<String> {
    let mark = asked.mark;
    let mut lines = vec![
        format!("Chance of a hit: {}.", chance.bracket.in_words()),
        format!(
            "That is with landings that scatter by {} cm along and {} cm across{}.",
            mark.fixed(chance.scatter.along_m * 100.0, 1),
            mark.fixed(chance.scatter.across_m * 100.0, 1),
            if chance.sideways_assumed { " (sideways taken like the angle)" } else { "" }
        ),
    ];
    lines.extend(taught_sentence(chance, asked.taught));
    if asked.taught.unplaced > 0 {
        lines.push(unplaced_sentence(asked.taught.unplaced));
    }
    lines
}

/// What recorded hits and misses say of the chance; `None` where there are none.
fn taught_sentence(chance: &Chance, taught: &Taught) -> Option<String> {
    let hits: u32 = taught.tried.iter().map(|tried| tried.hits).sum();
    let shots = hits + taught.tried.iter().map(|tried| tried.misses).sum::<u32>();
    if shots == 0 {
        return None;
    }
    // A record that contradicts the bracket teaches nothing about the share within it.
    Some(match (judge_record(&taught.tried), learn_share(&taught.tried)) {
        (Record::TooFewHits, _) => format!(
            "But only {hits} of {shots} recorded shots went in, fewer than that lets expect: is the scatter larger than stated, or \
             did the target stand in the wrong place?"
        ),
        (Record::TooManyHits, _) => format!(
            "But {hits} of {shots} recorded shots went in, more than that lets expect: the scatter may be smaller than stated."
        ),
        (Record::Fits, Some(share)) => {
            let (mean, low, high) = share.chance(chance.bracket);
            format!(
                "With what the recorded shots teach ({hits} of {shots} went in): {}, 95 % interval {} to {}.",
                percent(mean),
                percent(low),
                percent(high)
            )
        }
        (Record::Fits, None) => format!("{hits} of {shots} recorded shots went in, which fits."),
    })
}

fn unplaced_sentence(unplaced: u32) -> String {
    let shots = if unplaced == 1 {
        "1 recorded hit or miss doesn't".to_owned()
    } else {
        format!("{unplaced} recorded hits and misses don't")
    };
    format!("{shots} count here: the book doesn't say at which target, or it is one that this shot can't reach.")
}

/// A chance that no one can tell from another: what is shown is rounded to whole per cents.
const NO_DIFFERENCE: f64 = 0.01;

/// At which angle the chance would be larger; `None` where no chance is known.
pub fn best_sentence(by_angle: &[AngleChance], placed: &[Placed], mark: DecimalMark) -> Option<String> {
    if by_angle.is_empty() {
        return None;
    }
    let Some(best) = best_angle(by_angle) else {
        return Some("No angle is clear of what is in the way.".to_owned());
    };
    let here = match placed {
        [only] => only.aim.chance.map(|chance| chance.bracket),
        _ => None,
    };
    if here.is_some_and(|here| here.clean > best.bracket.clean - NO_DIFFERENCE) {
        return Some("No other launch angle promises more at this speed.".to_owned());
    }
    Some(together(&format!(
        "Best angle at this speed (up to {STEEPEST_SENSIBLE_DEG:.0}°): {:.0}°, with the target at {} cm: {}.",
        best.angle_deg,
        mark.fixed(100.0 * best.range_m, 0),
        best.bracket.in_words()
    )))
}

/// A scatter that says something: both parts known and above nought. Two equal readings promise a hit that nobody can.
pub fn scatter_of(speed_m_per_s: Option<f64>, angle_deg: Option<f64>) -> Option<ShotScatter> {
    let above = |scatter: Option<f64>| scatter.filter(|scatter| *scatter > 0.0);
    let (speed_m_per_s, angle_deg) = above(speed_m_per_s).zip(above(angle_deg))?;
    Some(ShotScatter { speed_m_per_s, angle_deg, sideways_deg: None })
}

/// `1.87 ± 0.04 m`, `48.2° ± 0.4°`, or three figures where there is no interval.
pub fn with_unit(value: Estimate, unit: &str, mark: DecimalMark) -> String {
    if known(value.expanded_uncertainty_95).is_none() {
        let text = mark.significant(value.value, 3);
        return if unit == "°" { format!("{text}°") } else { format!("{text} {unit}") };
    }
    if unit == "°" { mark.degrees(&value) } else { format!("{} {unit}", mark.interval(&value)) }
}

/// The same length in centimetres.
pub fn centimetres(metres: Estimate) -> Estimate {
    let hundred = |value: f64| value * 100.0;
    Estimate {
        value: hundred(metres.value),
        standard_uncertainty: metres.standard_uncertainty.map(hundred),
        expanded_uncertainty_95: metres.expanded_uncertainty_95.map(hundred),
    }
}

/// A shift in centimetres with its sign.
pub fn signed_cm(metres: f64, mark: DecimalMark) -> String {
    let sign = if metres < 0.0 { '−' } else { '+' };
    format!("{sign}{} cm", mark.fixed(metres.abs() * 100.0, 1))
}

fn percent(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::aim::place;
    use crate::flight::air::AirState;
    use crate::flight::chance::{Opening, Tried};
    use crate::flight::drag::DRAG_RELATIVE_UNCERTAINTY;

    fn question() -> AimQuestion {
        AimQuestion {
            launch: LaunchStatement {
                speed_m_per_s: Estimate::with_coverage_factor(5.0, 0.01, 2.0),
                angle_deg: Estimate::with_coverage_factor(45.0, 0.1, 2.0),
                height_m: Estimate::without_uncertainty(0.0),
                gravity_m_per_s2: Estimate::without_uncertainty(9.81),
                ball: None,
                drag_doubt: DRAG_RELATIVE_UNCERTAINTY,
                air: AirState::ROOM,
            },
            opening_height_m: Estimate::without_uncertainty(0.0),
            opening: Opening::new(OpeningKind::Ring, 0.25, 0.07).unwrap(),
            ball_radius_m: 0.035,
            scatter: scatter_of(Some(0.1), Some(1.0)),
            obstacle: None,
            ceiling_m: None,
        }
    }

    fn words(distance_m: Option<f64>, taught: &Taught, mark: DecimalMark) -> Told {
        let question = question();
        let asked = Asked { question: &question, angle_wanted: distance_m.is_some(), taught, mark };
        told(&place(&question, distance_m).unwrap()[0], asked)
    }

    /// R = v²·sin 2α/g = 25/9.81 = 2.548 m on level ground without air (any mechanics text, such as OpenStax University Physics 1,
    /// section 4.3); a ring stands where the ball comes down.
    #[test]
    fn the_tape_measure_is_told_in_centimetres() {
        let told = words(None, &Taught::default(), DecimalMark::Point);
        // 95 %: 2·R/v·0.02 m/s = 2.0 cm of the speed; at 45° the angle moves nothing.
        assert!(
            told.instruction.starts_with("Measure 254.8\u{a0}±\u{a0}2.0\u{a0}cm along the floor"),
            "{}",
            told.instruction
        );
        let comma = words(None, &Taught::default(), DecimalMark::Comma);
        assert!(comma.instruction.contains("254,8"), "{}", comma.instruction);
        let turned = words(Some(2.0), &Taught::default(), DecimalMark::Point);
        // asin(2·9.81/25)/2 = 25.9°.
        assert!(turned.instruction.starts_with("Set the launcher to 25.9°."), "{}", turned.instruction);
    }

    #[test]
    fn recorded_shots_are_told_with_those_that_teach_nothing() {
        let bracket = question_bracket();
        let taught = Taught { tried: vec![Tried { bracket, hits: 7, misses: 3 }], unplaced: 2 };
        let told = words(None, &taught, DecimalMark::Point);
        let all = told.sentences.join(" ");
        assert!(
            all.contains("(7 of 10 went in)") && all.contains("2 recorded hits and misses don't count here"),
            "{all}"
        );
        let few = Taught { tried: vec![Tried { bracket, hits: 0, misses: 30 }], unplaced: 0 };
        assert!(words(None, &few, DecimalMark::Point).sentences.join(" ").contains("But only 0 of 30"));
    }

    fn question_bracket() -> crate::flight::chance::Bracket {
        place(&question(), None).unwrap()[0].aim.chance.unwrap().bracket
    }

    #[test]
    fn angles_carry_their_sign_twice() {
        let angle = Estimate::with_coverage_factor(48.23, 0.2, 2.0);
        assert_eq!(with_unit(angle, "°", DecimalMark::Point), "48.2°\u{a0}±\u{a0}0.4°");
        assert_eq!(with_unit(Estimate::without_uncertainty(1.4), "m", DecimalMark::Point), "1.40 m");
    }
}
