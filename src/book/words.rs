//! The answers of the book in words, before any number.

use super::compare::Comparison;
use super::drift::{
    Change, DriftCheck, FoundBy, Judged, Limit, MethodsDiffer, Needed, Scatter, ScatterChange, SignalKind, TooFew,
    Verdict,
};
use super::shot::Source;
use super::target::TargetShift;
use crate::maths::agreement::Agreement;
use crate::maths::control_charts::FalseAlarmRates;
use crate::maths::run_rules::RunRule;

/// The verdict as one sentence or two.
pub fn verdict(check: &DriftCheck) -> String {
    let power = 100.0 * check.question.power;
    match check.verdict {
        Verdict::NoSign { smallest } => format!(
            "No sign of drift. A change of {} or more would have been seen with a chance of {power:.0} %.",
            amount(check, smallest)
        ),
        Verdict::Drifted(change) => drifted(check, &change),
        Verdict::Unsure(change, limit) => unsure(check, &change, limit),
        Verdict::OneShot(change, needed) => one_shot(check, &change, needed),
        Verdict::TooFew(few) => too_few(check, &few),
    }
}

fn drifted(check: &DriftCheck, change: &Change) -> String {
    let manner = if change.gradual { "Drifting little by little: on the whole" } else { "Drifted:" };
    let session = session_name(check, change);
    let date = change.since.time.strftime("%Y-%m-%d");
    format!(
        "{manner} {} since shot {} (session \"{session}\", {date}).",
        change_in_words(check, change),
        change.since.id
    )
}

fn unsure(check: &DriftCheck, change: &Change, limit: Limit) -> String {
    let (shared, advice) = match check.source {
        Some(Source::Gate) => ("the gates’ own errors", "Measure with the same gate, or state its length better."),
        Some(Source::Video) => ("the scales", "Film both days with the same rig, or measure its lengths better."),
        _ => ("what the shots of each rig share", "Measure with the same rig, or its lengths better."),
    };
    let rigs = check.rigs.join("”, “");
    let doer = match limit {
        Limit::Rigs => format!("{shared} of “{rigs}” alone could"),
        Limit::RigsAndScatter => format!("the scatter of so few shots and {shared} of “{rigs}” together could"),
    };
    format!(
        "Too uncertain to tell: the later shots are {}, but {doer} make such a difference. {advice}",
        change_in_words(check, change)
    )
}

fn one_shot(check: &DriftCheck, change: &Change, needed: Needed) -> String {
    let way = if change.test.difference < 0.0 { "below" } else { "above" };
    let (relative, _) = change.relative();
    let start = format!(
        "One shot can't tell a drift from a slip: shot {} lies {} {way} the mean of the earlier ones, farther than chance \
         usually takes one ({}).",
        change.since.id,
        amount(check, relative.abs()),
        chance(Some(change.test.p_two_sided))
    );
    let goal = amount(check, check.question.shift_of_interest);
    let next = match needed {
        Needed::InLatestSession(shots) | Needed::InBothSessions(shots) => {
            format!(
                "Shoot again before anything is moved: {shots} shots in this session would show a change of {goal}."
            )
        }
        Needed::BetterScale => "Shoot again before anything is moved.".to_owned(),
    };
    format!("{start} {next}")
}

/// Whether the scatter from shot to shot has changed; `None` where nothing shows that.
pub fn scatter_change(change: &ScatterChange, mean_speed: f64) -> Option<String> {
    if !change.differs() {
        return None;
    }
    let way = if change.after > change.before { "grown" } else { "become smaller" };
    let what = if change.measured_alike {
        ""
    } else {
        " The sessions weren't measured equally well, so that this may be the measuring."
    };
    Some(format!(
        "The scatter from shot to shot has {way}: {} instead of {} (F test, {}).{what}",
        percent(change.after / mean_speed),
        percent(change.before / mean_speed),
        chance(Some(change.test.p_two_sided))
    ))
}

fn session_name<'c>(check: &'c DriftCheck, change: &Change) -> &'c str {
    check.session_of(change.since.session).map_or("", |session| &session.name)
}

/// "slower by 2.1 % ± 0.8 %".
fn change_in_words(check: &DriftCheck, change: &Change) -> String {
    if check.judged == Judged::Angle {
        let way = if change.test.difference < 0.0 { "flatter" } else { "steeper" };
        return format!("{way} by {}", degrees_with(change.test.difference.abs(), change.test.half_width(0.95)));
    }
    let (relative, half_width) = change.relative();
    let way = if relative < 0.0 { "slower" } else { "faster" };
    format!("{way} by {}", percent_with(relative.abs(), half_width))
}

/// A relative change of what is judged: "2.1 %", or of angles "1.1°".
fn amount(check: &DriftCheck, relative: f64) -> String {
    match check.judged {
        Judged::Speed => percent(relative),
        Judged::Angle => {
            let mean = check.sessions.first().map_or(f64::NAN, |baseline| baseline.sample.mean);
            let degrees = (relative * mean).abs();
            format!("{degrees:.*}°", decimals(degrees))
        }
    }
}

/// "2.0° ± 0.3°", both to the place that the half-width deserves.
fn degrees_with(value: f64, half_width: f64) -> String {
    let places = decimals(half_width);
    format!("{value:.places$}° ± {half_width:.places$}°")
}

/// Two ways of measuring that don't agree.
pub fn methods(differ: &MethodsDiffer, judged: Judged) -> String {
    let half_width = differ.test.half_width(0.95);
    let by = match judged {
        Judged::Speed => percent_with(differ.test.difference.abs() / differ.mean, half_width / differ.mean),
        Judged::Angle => degrees_with(differ.test.difference.abs(), half_width),
    };
    let way = if differ.test.difference < 0.0 { "lower" } else { "higher" };
    format!(
        "In session \"{}\" two ways of measuring disagree: {} reads {way} than {} by {by} ({}). Until that is understood, a change \
         between days that were measured in different ways may be the measuring.",
        differ.session,
        differ.first.word(),
        differ.second.word(),
        chance(Some(differ.test.p_two_sided))
    )
}

fn too_few(check: &DriftCheck, few: &TooFew) -> String {
    let start = match few.smallest {
        None => "Too few shots to tell.".to_owned(),
        Some(smallest) => {
            format!("Too few shots to tell: these would show a change of {} or more.", amount(check, smallest))
        }
    };
    let goal = amount(check, check.question.shift_of_interest);
    let assumed = if few.scatter_assumed { " (if the launcher scatters by 1 %, which is assumed)" } else { "" };
    let have = check.sessions.last().filter(|_| check.sessions.len() > 1).map_or(0, |latest| latest.sample.count);
    let baseline = check.sessions.first().map_or(0, |baseline| baseline.sample.count);
    match few.needed {
        Needed::InLatestSession(shots) => {
            format!("{start} To show {goal}, the session to compare needs {shots} shots{assumed}; it has {have}.")
        }
        Needed::InBothSessions(shots) => format!(
            "{start} To show {goal}, baseline and later session need {shots} shots each{assumed}; they have {baseline} and {have}."
        ),
        Needed::BetterScale => format!(
            "{start} No number of shots would show {goal} while the rigs are uncertain by so much: film both days with the \
             same rig, or measure its lengths better."
        ),
    }
}

/// How the change was found.
pub fn found_by(check: &DriftCheck) -> Option<String> {
    let evidence = &check.evidence;
    let texts: Vec<String> = evidence
        .found_by
        .iter()
        .map(|by| match by {
            FoundBy::Sessions => format!("the latest session against the baseline ({})", chance(evidence.sessions)),
            FoundBy::Cusum => "the self-starting CUSUM of the whole run".to_owned(),
            FoundBy::Split => format!("the best split of the run ({})", chance(evidence.split)),
            FoundBy::Trend => format!("the trend over the run ({})", chance(evidence.trend)),
        })
        .collect();
    (!texts.is_empty()).then(|| format!("Found by {}.", texts.join(", ")))
}

/// A probability with its name.
pub fn chance(p: Option<f64>) -> String {
    match p {
        None => "p unknown".to_owned(),
        Some(p) if p < 0.0005 => "p below 0.0005".to_owned(),
        Some(p) => format!("p = {p:.4}"),
    }
}

/// Shot-to-shot scatter and its two parts.
pub fn scatter(scatter: &Scatter, mean_speed: f64) -> String {
    let share = |value: f64| percent(value / mean_speed);
    let start = format!("Scatter from shot to shot {}", share(scatter.total));
    match (scatter.measuring, scatter.launcher) {
        (Some(measuring), Some(launcher)) if launcher > 0.0 => {
            format!("{start}: measuring {}, the launcher itself {}.", share(measuring), share(launcher))
        }
        (Some(measuring), _) => format!("{start}, no more than measuring alone makes ({}).", share(measuring)),
        _ => format!("{start}; how much of it is measuring isn't known."),
    }
}

/// What a baseline is worth.
pub fn baseline_worth(shots: usize, rates: Option<&FalseAlarmRates>) -> String {
    match rates {
        None => format!("A baseline of {shots} shots sets no control limits; take at least 10, better 20."),
        Some(rates) => format!(
            "Limits from {shots} baseline shots: within the next ten shots of an unchanged launcher the chart alarms falsely \
             with a chance of {:.0} % (3 % if the limits were known).",
            100.0 * rates.individuals
        ),
    }
}

/// "move the target 7 cm nearer".
pub fn target(shift: &TargetShift) -> String {
    let farther_cm = 100.0 * shift.farther_m();
    if farther_cm.abs() < 0.5 {
        return "The target may stay where it is: the landing point moves by less than half a centimetre.".to_owned();
    }
    let way = if farther_cm < 0.0 { "nearer" } else { "farther away" };
    format!(
        "Move the target {:.0} cm {way}: the ball now lands at {:.2} m instead of {:.2} m (reckoned without air).",
        farther_cm.abs(),
        shift.after_m,
        shift.before_m
    )
}

/// The pattern that a shot completes on the chart.
pub fn signal(kind: SignalKind) -> &'static str {
    match kind {
        SignalKind::Rule(rule) => rule.in_words(),
        SignalKind::Ewma => "weighted average outside its limits",
    }
}

/// The same in at most 22 characters, for the chart of the terminal.
pub fn signal_briefly(kind: SignalKind) -> &'static str {
    match kind {
        SignalKind::Rule(RunRule::BeyondThreeSigmas) => "outside its limits",
        SignalKind::Rule(RunRule::TwoOfThreeBeyondTwo) => "2 of 3 beyond 2 sigmas",
        SignalKind::Rule(RunRule::FourOfFiveBeyondOne) => "4 of 5 beyond 1 sigma",
        SignalKind::Rule(RunRule::EightOnOneSide) => "8 on one side",
        SignalKind::Rule(_) => "unlikely pattern",
        SignalKind::Ewma => "average outside limits",
    }
}

/// Two groups by their means.
pub fn comparison(comparison: &Comparison, names: [&str; 2]) -> String {
    let relative = comparison.test.difference / comparison.second.mean;
    let half_width = comparison.test.half_width(0.95) / comparison.second.mean;
    let way = if relative < 0.0 { "slower" } else { "faster" };
    let [first, second] = names;
    if comparison.differs() {
        return format!("They differ: {first} is {way} than {second} by {}.", percent_with(relative.abs(), half_width));
    }
    format!(
        "No difference seen: {first} is {way} than {second} by {}, which chance and rigs can make.",
        percent_with(relative.abs(), half_width)
    )
}

/// Two ways of measuring the same shots.
pub fn agreement(agreement: &Agreement, names: [&str; 2]) -> String {
    let [first, second] = names;
    let way = if agreement.bias < 0.0 { "lower" } else { "higher" };
    let start = if agreement.bias.abs() > agreement.bias_half_width {
        format!("{first} reads {way} than {second}")
    } else {
        format!("No bias seen between {first} and {second}")
    };
    format!(
        "{start}: by {} on average of {} pairs. Of a hundred such pairs, 95 should differ by {:.3} to {:.3} m/s (each limit \
         ± {:.3} m/s).",
        metres_per_second_with(agreement.bias.abs(), agreement.bias_half_width),
        agreement.pairs,
        agreement.lower,
        agreement.upper,
        agreement.limit_half_width
    )
}

/// Two significant digits: "2.1 %".
pub fn percent(relative: f64) -> String {
    let value = 100.0 * relative;
    format!("{value:.*} %", decimals(value))
}

/// "2.1 % ± 0.8 %", both to the place that the half-width deserves.
pub fn percent_with(relative: f64, half_width: f64) -> String {
    let places = decimals(100.0 * half_width);
    format!("{:.places$} % ± {:.places$} %", 100.0 * relative, 100.0 * half_width)
}

/// "3.520 ± 0.031 m/s", both to the place that the half-width deserves.
pub fn metres_per_second_with(value: f64, half_width: f64) -> String {
    let places = decimals(half_width);
    format!("{value:.places$} ± {half_width:.places$} m/s")
}

/// Decimals that leave two significant digits (JCGM 100:2008, 7.2.6), at most six.
fn decimals(value: f64) -> usize {
    if !(value.abs() > 0.0 && value.is_finite()) {
        return 1;
    }
    (1 - value.abs().log10().floor() as i32).clamp(0, 6) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_carry_two_digits_of_their_uncertainty() {
        assert_eq!(percent(0.0213), "2.1 %");
        assert_eq!(percent(0.2), "20 %");
        assert_eq!(percent_with(0.021_34, 0.0078), "2.13 % ± 0.78 %");
        assert_eq!(metres_per_second_with(3.5204, 0.0312), "3.520 ± 0.031 m/s");
        assert_eq!(metres_per_second_with(3.5204, 0.0), "3.5 ± 0.0 m/s");
    }
}
