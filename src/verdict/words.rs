//! The verdict in words: short sentences for a 16-year-old, the next step always named.

use super::hypothesis::Explained;
use super::{Agreement, Cause, Evidence, RankedCause, TELLING_RUN};
use crate::maths::gum::{Rounded, round_together};

/// The answer in a sentence or two; the causes speak for themselves.
pub(super) fn verdict(
    evidence: &Evidence,
    agreement: &Agreement,
    left_out: usize,
    first: Option<&RankedCause>,
) -> String {
    let expected = evidence.expected_gravity.value;
    let apart = apart(agreement.ratio.abs());
    if agreement.consistent {
        let share = 100.0 * 1.96 * agreement.standard_uncertainty / expected;
        let rough = if share > 10.0 {
            format!(" That says little: the measurement itself is only good to {share:.0} %.")
        } else {
            String::new()
        };
        let but = match first {
            None => String::new(),
            Some(_) if left_out >= TELLING_RUN => format!(" But {left_out} points at one end don't lie on the curve."),
            Some(_) => format!(
                " But the points lie {:.0} times farther from the curve than they should.",
                evidence.fit.noise.scale
            ),
        };
        return format!("Agrees with {expected:.2} m/s² here ({apart}).{rough}{but}");
    }
    let percent = 100.0 * agreement.difference.abs() / expected;
    let side = if agreement.difference > 0.0 { "large" } else { "small" };
    let digits = usize::from(percent < 10.0);
    let unexplained = match first {
        Some(cause) if cause.cause != Cause::TooFewSightings => "",
        _ => " No single cause that I know explains it.",
    };
    format!("Too {side} by {percent:.digits$} % for {expected:.2} m/s² ({apart}).{unexplained}")
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
        Cause::Lens => "a lens that bends straight lines",
        Cause::DroppedFrame { .. } => "a missing frame",
        Cause::DoubledFrame { .. } => "a frame shown twice",
        Cause::TimeJitter => "uneven times of the frames",
        Cause::MovingCamera => "a camera that moved",
        Cause::ExposureDrift => "an exposure that changed during the flight",
        Cause::LauncherFrames { .. } => "first points at which the launcher still pushed",
        Cause::BounceFrames { .. } => "last points after the ball hit something",
        Cause::TooFewSightings => "too few points",
    }
}

/// What happened, as a question. Causes that the data can't tell apart, the likeliest first, are asked for together.
pub(super) fn explanation(cause: Cause, jointly: &[Cause], evidence: &Evidence) -> String {
    match jointly {
        [first, _, ..] if *first == cause => {
            let names: Vec<&str> = jointly.iter().map(|cause| name(*cause, evidence)).collect();
            let (last, others) = names.split_last().unwrap_or((&"", &[]));
            format!("Is the reason {}, or {last}? This flight alone can't tell.", others.join(", "))
        }
        [_, others @ ..] if others.contains(&cause) => format!("Or is it {}?", name(cause, evidence)),
        _ => alone(cause, evidence),
    }
}

fn alone(cause: Cause, evidence: &Evidence) -> String {
    match cause {
        Cause::SlowMotion { recorded_hz, played_hz } if recorded_hz > played_hz => "Was this slow motion?".to_owned(),
        Cause::SlowMotion { .. } => "Was the clip sped up?".to_owned(),
        Cause::LauncherFrames { count } => {
            format!("Did the launcher still push the ball at the first {}?", points(count))
        }
        Cause::BounceFrames { count } => format!("Had the ball already hit something at the last {}?", points(count)),
        Cause::TooFewSightings => "The points are too few or too rough to fix g.".to_owned(),
        other => format!("Is the reason {}?", name(other, evidence)),
    }
}

/// "point" or "4 points", after "the first" or "the last".
fn points(count: usize) -> String {
    if count == 1 { "point".to_owned() } else { format!("{count} points") }
}

/// The figure that the cause would need.
pub(super) fn needed(explained: &Explained, evidence: &Evidence) -> String {
    let (value, u) = explained.figure().unwrap_or((explained.parameters.first().copied().unwrap_or(0.0), 0.0));
    let figure = |scale: f64, unit: &str| size(value * scale, u * scale, unit);
    match explained.cause {
        Cause::SlowMotion { recorded_hz, played_hz } => {
            format!("{recorded_hz:.0} frames per second played at {played_hz:.0} would do exactly that.")
        }
        Cause::Clock => format!("The stated times would have to be off by {}.", figure(100.0, "%")),
        Cause::LengthMixUp { stated_over_true } if evidence.ball_as_scale_m.is_some() => {
            let stated = evidence.ball_as_scale_m.unwrap_or(f64::NAN);
            let would_be = stated / stated_over_true;
            format!("It would have to measure {} instead of {}.", millimetres(would_be), millimetres(stated))
        }
        Cause::LengthMixUp { stated_over_true } if stated_over_true > 1.0 => {
            format!("A length stated {stated_over_true:.3} times too large would do it.")
        }
        Cause::LengthMixUp { stated_over_true } => {
            format!("A length stated {:.3} times too small would do it.", 1.0 / stated_over_true)
        }
        Cause::Length if evidence.ball_as_scale_m.is_some() => {
            let stated = evidence.ball_as_scale_m.unwrap_or(f64::NAN);
            let would_be = |share: f64| millimetres(stated * (-share).exp());
            // A size that the interval doesn't tell from the stated one, or that is written like it, says nothing by itself.
            if may_be_nought(value, u) || would_be(value) == millimetres(stated) {
                let (low, high) = (would_be(value + HALF_WIDTH * u), would_be(value - HALF_WIDTH * u));
                return format!(
                    "It would have to measure between {low} and {high} instead of {}.",
                    millimetres(stated)
                );
            }
            format!("It would have to measure {} instead of {}.", would_be(value), millimetres(stated))
        }
        Cause::Length => {
            let distance_m = evidence.camera_distance_m.unwrap_or(3.0);
            // A scale is placed by hand.
            let length = |metres: f64| {
                if metres < 0.01 { format!("{:.0} mm", 1e3 * metres) } else { format!("{:.0} cm", 100.0 * metres) }
            };
            let off = figure(100.0, "%");
            if may_be_nought(value, u) {
                let apart = length((value.abs() + HALF_WIDTH * u) * distance_m);
                return format!(
                    "The stated length would have to be off by {off}, or the scale nearer or farther away than the ball by up to {apart}."
                );
            }
            let (side, place) = if value > 0.0 { ("large", "farther away") } else { ("small", "nearer") };
            let apart = length(value.abs() * distance_m);
            format!("The stated length would have to be {off} too {side}, or the scale {apart} {place} than the ball.")
        }
        Cause::Roll => format!("It would have to lean by {}.", figure(1f64.to_degrees(), "degrees")),
        Cause::Yaw | Cause::Pitch => format!("It would have to be turned by {}.", figure(1f64.to_degrees(), "degrees")),
        Cause::RollingShutter => format!("Reading one picture would have to take {}.", figure(1e3, "ms")),
        Cause::Drag => {
            format!("The air would have to brake the ball at launch with {} of its weight.", figure(100.0, "%"))
        }
        Cause::Lens => format!("It would have to bend by {} at the edge of the picture.", figure(100.0, "%")),
        Cause::DroppedFrame { before } => format!("It would have to be missing just before frame {before}."),
        Cause::DoubledFrame { before } => format!("It would be frame {before}."),
        Cause::TimeJitter => format!("The times would have to be uneven by {}.", figure(1e3, "ms")),
        Cause::MovingCamera => format!("It would have to have swayed by {} at the ball.", figure(1e3, "mm")),
        Cause::ExposureDrift => format!("It would have to have changed by {}.", figure(1e3, "ms")),
        Cause::LauncherFrames { .. } | Cause::BounceFrames { .. } => {
            "Without those points g comes out right.".to_owned()
        }
        Cause::TooFewSightings => "A difference this large would be chance.".to_owned(),
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
        Cause::SlowMotion { .. } => "Look up the recording rate in the phone's details of the clip, and give it here.",
        Cause::Clock => "Film a stopwatch with the same phone and compare ten seconds.",
        Cause::LengthMixUp { .. } => "Look at the marks and the unit of the scale again.",
        Cause::Length => {
            "Hang the scale exactly where the ball flies, or measure both distances from the camera; compare the ball's own diameter."
        }
        Cause::Roll => "Hang a thread with a weight in view, or level the phone.",
        Cause::Yaw => "Stand so that you look straight at the plane of the flight; does the ball grow along its way?",
        Cause::Pitch => "Put the camera at half the height of the flight and keep it upright.",
        Cause::RollingShutter => "Throw once the other way: this error then turns round. Or give the phone's readout time.",
        Cause::Drag => "Weigh the ball and measure it; then the air can be reckoned with.",
        Cause::Lens => "Film from farther off with the flight in the middle; do straight edges look bent near the rim?",
        Cause::DroppedFrame { .. } | Cause::DoubledFrame { .. } => {
            "Look at the strobe picture: is one gap twice as wide, or one ball there twice?"
        }
        Cause::TimeJitter => "Film in better light with a fixed frame rate; the original file keeps the true times.",
        Cause::MovingCamera => "Put the phone on a stand and turn stabilisation off; does the background stay still?",
        Cause::ExposureDrift => "Lock the exposure; do the streaks grow or shrink along the way?",
        Cause::LauncherFrames { .. } => "Drop the first points, up to the one where nothing touches the ball.",
        Cause::BounceFrames { .. } => "Drop the last points, from the one where the ball meets something.",
        Cause::TooFewSightings => "Film at a higher frame rate, closer, and with more light.",
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
