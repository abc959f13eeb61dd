//! The verdict in words: short sentences for a 16-year-old, the next step always named.

use super::hypothesis::Explained;
use super::{Agreement, Answer, Cause, Evidence, RankedCause, TELLING_RUN};
use crate::maths::gum::{Rounded, round_together};
use crate::units::PixelPoint;

/// The answer in a sentence or two, with the statistic; the causes speak for themselves, but for how many of them the data can't tell
/// apart.
pub(super) fn verdict(
    evidence: &Evidence,
    answer: Answer,
    agreement: &Agreement,
    causes: &[RankedCause],
    jointly: usize,
) -> String {
    let expected = evidence.expected_gravity.value;
    let statistic = statistic(agreement);
    let untold = untold(jointly, evidence);
    let but = if causes.is_empty() { String::new() } else { but(evidence) };
    match answer {
        Answer::Agrees => format!("Agrees with {expected:.2} m/s² here: {statistic}.{but}{untold}"),
        Answer::CantTell => {
            let share = 100.0 * agreement.half_width() / expected;
            let why = if share > 10.0 {
                format!("the measured value is only good to {share:.0} %")
            } else {
                "the points lie too far from any ball's path".to_owned()
            };
            format!("Can't tell whether it agrees with {expected:.2} m/s² here: {why} ({statistic}).{but}{untold}")
        }
        Answer::Disagrees => {
            let percent = 100.0 * agreement.difference.abs() / expected;
            let side = if agreement.difference > 0.0 { "large" } else { "small" };
            let digits = usize::from(percent < 10.0);
            let unexplained = match causes.first() {
                Some(cause) if cause.cause != Cause::TooFewSightings || jointly > 1 => "",
                _ => " No single cause that I know explains it.",
            };
            format!("Too {side} by {percent:.digits$} % for {expected:.2} m/s²: {statistic}.{unexplained}{untold}")
        }
    }
}

/// What wants a reason though gravity came out right.
fn but(evidence: &Evidence) -> String {
    let (run, flight) = evidence.longest_rejected_run();
    if run < TELLING_RUN {
        let times = evidence.rough();
        return format!(" But the points lie {times:.0} times farther from the curve than they should.");
    }
    let of = if evidence.flights.len() > 1 { format!(" of flight {flight}") } else { String::new() };
    format!(" But {run} points at one end{of} don't lie on the curve.")
}

/// That the first reasons can't be told apart.
fn untold(jointly: usize, evidence: &Evidence) -> String {
    let what = if evidence.flights.len() > 1 { "These flights alone" } else { "This flight alone" };
    let count = match jointly {
        0 | 1 => return String::new(),
        2 => "two",
        _ => "three",
    };
    format!(" {what} can't tell which of the first {count} reasons is the right one.")
}

/// How far measured and expected lie apart, and how often chance alone does that.
fn statistic(agreement: &Agreement) -> String {
    let apart = apart(agreement.ratio.abs());
    let p = chance(agreement.probability);
    format!("{apart} ({p}: as far apart or farther by chance alone)")
}

/// A probability in per cent, as exactly as it matters.
fn chance(probability: f64) -> String {
    match 100.0 * probability {
        p if p >= 99.5 => "p > 99 %".to_owned(),
        p if p >= 9.95 => format!("p = {p:.0} %"),
        p if p >= 0.995 => format!("p = {p:.1} %"),
        p if p >= 0.01 => format!("p = {p:.2} %"),
        _ => "p < 0.01 %".to_owned(),
    }
}

/// How far measured and expected lie apart.
fn apart(ratio: f64) -> String {
    match ratio {
        r if r < 9.95 => format!("{r:.1} standard uncertainties apart"),
        r if r < 1000.0 => format!("{r:.0} standard uncertainties apart"),
        _ => "over 1000 standard uncertainties apart".to_owned(),
    }
}

fn name(cause: Cause, evidence: &Evidence) -> &'static str {
    match cause {
        Cause::Length | Cause::LengthMixUp { .. } if evidence.ball_as_scale_m.is_some() => {
            "a ball of another size than stated, which is the only scale"
        }
        Cause::SlowMotion { .. } => "a clip that plays at another speed than it was filmed",
        Cause::Clock => "a clock that is a little off",
        Cause::LengthMixUp { .. } => "a mixed-up length",
        Cause::Length => "a scale of another length or at another distance than the ball",
        Cause::Roll => "a camera that isn't level",
        Cause::Yaw => "a camera that looks from the side",
        Cause::Pitch => "a camera that looks up or down",
        Cause::RollingShutter => "a shutter that reads row by row",
        Cause::Drag => "air on the ball",
        Cause::Lens | Cause::WideLens => "a lens that bends straight lines",
        Cause::DroppedFrame { .. } => "a missing frame",
        Cause::DoubledFrame { .. } => "a frame shown twice",
        Cause::TimeJitter => "uneven times of the frames",
        Cause::MovingCamera => "a camera that moved",
        Cause::ExposureDrift => "an exposure that changed during the flight",
        Cause::LauncherFrames { .. } => "first points at which the launcher still pushed",
        Cause::BounceFrames { .. } => "last points after the ball hit something",
        Cause::TooFewSightings => "chance",
    }
}

/// What happened, as a question; `or` where it can't be told from the one before.
pub(super) fn explanation(explained: &Explained, or: bool, evidence: &Evidence) -> String {
    let question = question(explained, evidence);
    if !or {
        return question;
    }
    let mut letters = question.chars();
    let first = letters.next().map(|letter| letter.to_lowercase().to_string()).unwrap_or_default();
    format!("Or {first}{}", letters.as_str())
}

fn question(explained: &Explained, evidence: &Evidence) -> String {
    if is_poorly_seen(explained.cause, evidence) {
        return "Is the ball hard to see?".to_owned();
    }
    let several = evidence.flights.len() > 1;
    let of = |flight: usize| if several { format!(" of flight {flight}") } else { String::new() };
    match explained.cause {
        Cause::SlowMotion { .. } if rate_is_claimed(evidence) => {
            "Was it recorded at another rate than was taken?".to_owned()
        }
        Cause::SlowMotion { recorded_hz, played_hz } if recorded_hz > played_hz => "Was this slow motion?".to_owned(),
        Cause::SlowMotion { .. } => "Was the clip sped up?".to_owned(),
        Cause::LauncherFrames { flight, count } => {
            format!("Did the launcher still push the ball at the first {}{}?", points(count), of(flight))
        }
        Cause::BounceFrames { flight, count } => {
            format!("Had the ball already hit something at the last {}{}?", points(count), of(flight))
        }
        other => format!("Is the reason {}?", name(other, evidence)),
    }
}

/// "point" or "4 points", after "the first" or "the last".
fn points(count: usize) -> String {
    if count == 1 { "point".to_owned() } else { format!("{count} points") }
}

/// The figure that the cause would need. One whose interval holds nought isn't needed: then it is how large it may be at most.
pub(super) fn needed(explained: &Explained, evidence: &Evidence) -> String {
    let first = explained.parameters.first().and_then(|set| set.first()).copied().unwrap_or(0.0);
    let (value, u) = explained.figure().unwrap_or((first, 0.0));
    let open = may_be_nought(value, u);
    let figure = |scale: f64, unit: &str| size(value * scale, u * scale, unit);
    let sized = |needs: &str, may: &str, figure: String| {
        if open { format!("{may} {figure}, or not at all.") } else { format!("{needs} {figure}.") }
    };
    match explained.cause {
        Cause::SlowMotion { recorded_hz, played_hz } => {
            let (recorded, played) = (rate(recorded_hz), rate(played_hz));
            let gives = would_give(evidence, (played_hz / recorded_hz).powi(2));
            if rate_is_claimed(evidence) {
                return format!("{recorded} frames per second instead of {played} {gives}.");
            }
            format!("{recorded} frames per second played at {played} {gives}.")
        }
        Cause::Clock if open => format!("The stated times may be off by {}, or not at all.", figure(100.0, "%")),
        Cause::Clock => {
            let side = if value > 0.0 { "long" } else { "short" };
            format!("The stated times would have to be {} too {side}.", figure(100.0, "%"))
        }
        Cause::LengthMixUp { stated_over_true } if evidence.ball_as_scale_m.is_some() => {
            let stated = evidence.ball_as_scale_m.unwrap_or(f64::NAN);
            let would_be = stated / stated_over_true;
            format!("It would have to measure {} instead of {}.", millimetres(would_be), millimetres(stated))
        }
        Cause::LengthMixUp { stated_over_true } if stated_over_true > 1.0 => {
            let gives = would_give(evidence, stated_over_true);
            format!("A length stated {} times too large {gives}.", factor(stated_over_true))
        }
        Cause::LengthMixUp { stated_over_true } => {
            let gives = would_give(evidence, stated_over_true);
            format!("A length stated {} times too small {gives}.", factor(1.0 / stated_over_true))
        }
        Cause::Length if evidence.ball_as_scale_m.is_some() => {
            let stated = evidence.ball_as_scale_m.unwrap_or(f64::NAN);
            let would_be = |share: f64| millimetres(stated * (-share).exp());
            // A size that the interval doesn't tell from the stated one, or that is written like it, says nothing by itself.
            if open || would_be(value) == millimetres(stated) {
                let (low, high) = (would_be(value + HALF_WIDTH * u), would_be(value - HALF_WIDTH * u));
                return format!("It may measure between {low} and {high} instead of {}.", millimetres(stated));
            }
            format!("It would have to measure {} instead of {}.", would_be(value), millimetres(stated))
        }
        Cause::Length => {
            let distance_m = evidence.camera_distance_m.unwrap_or(3.0);
            // A scale is placed by hand.
            let length = |metres: f64| {
                if metres < 0.01 { format!("{:.0} mm", 1e3 * metres) } else { format!("{:.0} cm", 100.0 * metres) }
            };
            // Where nobody said how far away the camera is, the figure holds for a usual distance.
            let at = if evidence.camera_distance_m.is_some() { "" } else { " (with the camera 3 m away)" };
            let off = figure(100.0, "%");
            if open {
                let apart = length((value.abs() + HALF_WIDTH * u) * distance_m);
                return format!(
                    "The stated length may be off by {off}, or the scale nearer or farther away than the ball by up to {apart}{at}, or \
                     neither."
                );
            }
            let (side, place) = if value > 0.0 { ("large", "farther away") } else { ("small", "nearer") };
            let apart = length(value.abs() * distance_m);
            format!(
                "The stated length would have to be {off} too {side}, or the scale {apart} {place} than the ball{at}."
            )
        }
        Cause::Roll => sized("It would have to lean by", "It may lean by", figure(1f64.to_degrees(), "degrees")),
        Cause::Yaw | Cause::Pitch => {
            sized("It would have to be turned by", "It may be turned by", figure(1f64.to_degrees(), "degrees"))
        }
        Cause::RollingShutter if open => format!(
            "Reading one picture may take {}, or no time at all; which way the rows are read can't be told.",
            figure(1e3, "ms")
        ),
        Cause::RollingShutter => {
            let rows = rows_run(evidence, value);
            format!("Reading one picture would have to take {}, {rows}.", figure(1e3, "ms"))
        }
        Cause::Drag => sized(
            "The air would have to brake the ball at launch with",
            "The air may brake the ball at launch with",
            format!("{} of its weight", figure(100.0, "%")),
        ),
        Cause::Lens | Cause::WideLens => {
            let at_edge = format!("{} at the edge of the picture", figure(100.0, "%"));
            sized("It would have to bend by", "It may bend by", at_edge)
        }
        Cause::DroppedFrame { before } => {
            format!("It would have to be missing just before frame {before}{}.", in_flight(before, evidence))
        }
        Cause::DoubledFrame { before } => format!("It would be frame {before}{}.", in_flight(before, evidence)),
        // Tried at doubled sizes only.
        Cause::TimeJitter => format!("The times would have to be uneven by about {}.", figure(1e3, "ms")),
        Cause::MovingCamera => {
            let at_ball = format!("{} at the ball{}", figure(1e3, "mm"), most_in(explained, evidence));
            sized("It would have to have swayed by", "It may have swayed by", at_ball)
        }
        Cause::ExposureDrift => {
            let by = format!("{}{}", figure(1e3, "ms"), most_in(explained, evidence));
            sized("It would have to have changed by", "It may have changed by", by)
        }
        Cause::LauncherFrames { .. } | Cause::BounceFrames { .. } => {
            "Without those points g comes out right.".to_owned()
        }
        Cause::TooFewSightings if is_poorly_seen(explained.cause, evidence) => {
            "Then its places are rough, and that is all.".to_owned()
        }
        Cause::TooFewSightings => {
            "Then nothing is wrong, and the next throw is as likely to be off to the other side.".to_owned()
        }
    }
}

/// What a cause that multiplies gravity by a factor makes of it, beside what was measured: the reader sees how well that fits.
fn would_give(evidence: &Evidence, factor: f64) -> String {
    let measured = evidence.measured_gravity;
    let u95 = measured.expanded_uncertainty_95.unwrap_or(f64::NAN);
    let gives = three_digits(factor * evidence.expected_gravity.value);
    match round_together(measured.value, u95, 1) {
        Some(r) => format!("would give {gives} m/s², measured {} ± {}", r.value, r.uncertainty),
        None => format!("would give {gives} m/s²"),
    }
}

/// 0.61, 14.1, 2510.
fn three_digits(value: f64) -> String {
    let digits = (2.0 - value.abs().log10().floor()).max(0.0) as usize;
    format!("{value:.digits$}")
}

/// Whether gravity came out right, so that nothing but rough points is left to explain.
fn is_poorly_seen(cause: Cause, evidence: &Evidence) -> bool {
    let agreement = super::agreement(evidence.measured_gravity, evidence.expected_gravity);
    cause == Cause::TooFewSightings && agreement.consistent
}

/// Whether the file or somebody says at what rate the clip was recorded.
fn rate_is_claimed(evidence: &Evidence) -> bool {
    (evidence.slow_factor - 1.0).abs() > 1e-6
}

/// A factor with three digits, and no more than it has: 2.54, 3.33, 10.
fn factor(value: f64) -> String {
    let digits = (2.0 - value.abs().log10().floor()).max(0.0) as usize;
    let text = format!("{value:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A rate as settings name it: whole where it is, else with one decimal.
fn rate(hz: f64) -> String {
    if (hz - hz.round()).abs() < 0.05 { format!("{hz:.0}") } else { format!("{hz:.1}") }
}

/// The flight in which a frame lies, where there are several.
fn in_flight(frame: usize, evidence: &Evidence) -> String {
    let holds = |flight: &&super::FlightEvidence<'_>| flight.sightings.iter().any(|s| s.frame == frame);
    let flight = evidence.flights.iter().find(holds).filter(|_| evidence.flights.len() > 1);
    flight.map_or(String::new(), |flight| format!(" in flight {}", flight.number))
}

/// The flight that needs most of a cause of which each has its own size.
fn most_in(explained: &Explained, evidence: &Evidence) -> String {
    if evidence.flights.len() < 2 {
        return String::new();
    }
    let number = evidence.flights[explained.largest_at()].number;
    format!(" in flight {number}, and by less in the others")
}

/// How the rows of a readout run in the picture as it is shown.
fn rows_run(evidence: &Evidence, readout_s: f64) -> &'static str {
    let (width, height) = evidence.picture_px;
    let late = |x: f64, y: f64| evidence.view.row_fraction(PixelPoint::new(x * width, y * height)) * readout_s;
    let (right, down) = (late(1.0, 0.5) - late(0.0, 0.5), late(0.5, 1.0) - late(0.5, 0.0));
    match down.abs() >= right.abs() {
        true if down > 0.0 => "from the top row down",
        true => "from the bottom row up",
        false if right > 0.0 => "from the left column to the right one",
        false => "from the right column to the left one",
    }
}

/// Half of a 95 % interval in standard uncertainties.
const HALF_WIDTH: f64 = 1.96;

/// Whether the 95 % interval of a size holds nought.
fn may_be_nought(value: f64, u: f64) -> bool {
    value.abs() < HALF_WIDTH * u
}

/// A size with its 95 % interval; by itself in two digits where that isn't known; and how large it is at most where it may be none.
fn size(value: f64, u: f64, unit: &str) -> String {
    let (value, half) = (value.abs(), HALF_WIDTH * u.abs());
    if may_be_nought(value, u.abs()) {
        return format!("up to {} {unit}", two_digits(value + half));
    }
    // One digit may widen the interval until it seems to hold nought, which two don't.
    let apart = |r: &Rounded| r.value.parse::<f64>().ok() > r.uncertainty.parse().ok();
    match round_together(value, half, 1).filter(apart).or_else(|| round_together(value, half, 2)) {
        Some(r) => format!("{} ± {} {unit}", r.value, r.uncertainty),
        None => format!("{} {unit}", two_digits(value)),
    }
}

fn two_digits(value: f64) -> String {
    let digits = if value > 0.0 { (1.0 - value.log10().floor()).max(0.0) as usize } else { 0 };
    format!("{value:.digits$}")
}

fn millimetres(metres: f64) -> String {
    let millimetres = 1e3 * metres;
    if millimetres < 99.5 { format!("{millimetres:.1} mm") } else { format!("{millimetres:.0} mm") }
}

/// How to check it.
pub(super) fn check(cause: Cause, evidence: &Evidence) -> String {
    match cause {
        Cause::Length | Cause::LengthMixUp { .. } if evidence.ball_as_scale_m.is_some() => {
            "Measure the ball with callipers, or put a ruler where it flies and mark that."
        }
        Cause::SlowMotion { .. } => "Look up the rate of recording in the phone's details of the clip, and state it.",
        Cause::Clock => "Film a stopwatch with the same phone and compare ten seconds.",
        Cause::LengthMixUp { .. } => "Look at the marks and the unit of the scale again.",
        Cause::Length => {
            "Hang the scale exactly where the ball flies, or measure both distances from the camera; compare the ball's own diameter."
        }
        Cause::Roll => "Hang a thread with a weight in view, or level the phone.",
        Cause::Yaw => "Stand so that you look straight at the plane of the flight; does the ball grow along its way?",
        Cause::Pitch => "Put the camera at half the height of the flight and keep it upright.",
        Cause::RollingShutter => "Throw once the other way: this error then turns round. Or state the phone's readout time.",
        Cause::Drag => "Weigh the ball and measure it; then the air can be reckoned with.",
        Cause::Lens | Cause::WideLens => "Film from farther off with the flight in the middle; do straight edges look bent near the rim?",
        Cause::DroppedFrame { .. } | Cause::DoubledFrame { .. } => {
            "Look at the strobe picture: is one gap twice as wide, or one ball there twice?"
        }
        Cause::TimeJitter => "Film in better light with a fixed frame rate; the original file keeps the true times.",
        Cause::MovingCamera => "Put the phone on a stand and turn stabilisation off; does the background stay still?",
        Cause::ExposureDrift => "Lock the exposure; do the streaks grow or shrink along the way?",
        Cause::LauncherFrames { .. } => "Drop the first points, up to the one where nothing touches the ball.",
        Cause::BounceFrames { .. } => "Drop the last points, from the one where the ball meets something.",
        Cause::TooFewSightings if is_poorly_seen(cause, evidence) => {
            "Film closer, with more light and before a plain background; is the ball partly hidden?"
        }
        Cause::TooFewSightings => "Measure a few more throws: what is wrong puts all of them off the same way.",
    }
    .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Figures as small as a cause may need, and as large, with an uncertainty and without.
    #[test]
    fn no_size_reads_as_nought() {
        for exponent in -6..3 {
            for leading in [1.0, 1.04, 2.5, 9.96] {
                let value = leading * 10f64.powi(exponent);
                for u in [0.0, 2.0 * value, 0.6 * value, 0.5 * value, 0.3 * value, 1e-3 * value] {
                    let text = size(value, u, "mm");
                    let number: f64 = text.split([' ', '±']).find_map(|word| word.parse().ok()).unwrap();
                    let at_most = text.starts_with("up to ");
                    // With its interval rounded to one digit, a value of at least that size keeps half of itself.
                    assert!(number > 0.0 && (at_most || (number / value - 1.0).abs() <= 0.5), "{value} {u}: {text}");
                    assert_eq!(at_most, value < 1.96 * u, "{value} {u}: {text}");
                }
            }
        }
        assert_eq!(size(-0.0312, 0.0025, "%"), "0.031 ± 0.005 %");
        assert_eq!(size(0.0312, 0.0, "%"), "0.031 %");
        // Rounded to one digit this would be 1 ± 2 %, though nought is excluded.
        assert_eq!(size(-1.346, 0.563, "%"), "1.3 ± 1.1 %");
        assert_eq!(size(-0.3, 2.5, "%"), "up to 5.2 %");
    }
}
