//! `book drift`, `book chart` and `book shots-needed`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::failure::failed;
use super::list::{numbers, speed_with, told};
use super::{Place, Which, read_length};
use crate::book::chart::control_chart;
use crate::book::drift::{
    ChartPoint, DriftCheck, DriftQuestion, SessionSummary, SignalKind, Verdict, baseline_worth, check as check_series,
    check_angles,
};
use crate::book::target::{landing_without_air, target_shift};
use crate::book::{Series, text_chart, words};
use crate::cli::output::{CommandError, Console, Exit};
use crate::maths::power::{Plan, smallest_shift};
use crate::maths::tests_of_means::t_quantile;
use crate::units::Length;

#[derive(Debug, Args)]
pub(super) struct DriftArguments {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    question: QuestionArguments,
    /// How far the target's opening lies below the launch point, such as "0.40 m"; without it, at the same height.
    #[arg(long, value_parser = read_length, value_name = "LENGTH")]
    drop: Option<Length>,
    /// Change of launch angle that matters, in degrees; angles are judged where they were measured.
    #[arg(long, default_value_t = 1.0, value_name = "DEGREES")]
    angle_shift: f64,
    /// Acceleration of free fall where you are, m/s².
    #[arg(long, default_value_t = 9.81)]
    gravity: f64,
}

#[derive(Debug, Args)]
pub(super) struct ChartArguments {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    question: QuestionArguments,
    /// How many of the latest shots to draw as text.
    #[arg(long, default_value_t = 40)]
    count: usize,
    /// Draw to this picture instead, `.png` or `.svg`.
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
}

#[derive(Debug, Args)]
struct QuestionArguments {
    /// The baseline session; without it, the first one.
    #[arg(long)]
    baseline: Option<String>,
    /// Change of speed that matters, in per cent.
    #[arg(long, default_value_t = 2.0, value_name = "PERCENT")]
    shift: f64,
}

#[derive(Debug, Args)]
pub(super) struct PlanArguments {
    /// Change of speed that is to be found, in per cent.
    #[arg(long, default_value_t = 2.0, value_name = "PERCENT")]
    shift: f64,
    /// Scatter from shot to shot, in per cent: the standard deviation.
    #[arg(long, default_value_t = 1.0, value_name = "PERCENT")]
    scatter: f64,
    /// Shots that a baseline has already.
    #[arg(long, value_name = "SHOTS")]
    baseline: Option<usize>,
    /// Chance of finding the change when it is there, in per cent.
    #[arg(long, default_value_t = 80.0, value_name = "PERCENT")]
    power: f64,
}

impl QuestionArguments {
    fn question(&self) -> Result<DriftQuestion, CommandError> {
        let shift_of_interest = per_cent("--shift", self.shift)?;
        Ok(DriftQuestion { baseline: self.baseline.clone(), shift_of_interest, ..DriftQuestion::default() })
    }
}

/// A share from per cent, above nought and below a hundred.
fn per_cent(option: &str, value: f64) -> Result<f64, CommandError> {
    if value > 0.0 && value < 100.0 {
        return Ok(value / 100.0);
    }
    Err(CommandError::new(Exit::WrongUse, format!("{option} {value} is not possible"))
        .with_hint("give per cent above 0 and below 100"))
}

fn checked(place: &Place, which: &Which, question: &QuestionArguments) -> Result<DriftCheck, CommandError> {
    Ok(checked_of(place, which, question)?.0)
}

/// The check, and the series that it is of.
fn checked_of(
    place: &Place,
    which: &Which,
    question: &QuestionArguments,
) -> Result<(DriftCheck, Series), CommandError> {
    let question = question.question()?;
    let series = place.open()?.series(&which.selection()).map_err(failed)?;
    Ok((check_series(&series, &question).map_err(failed)?, series))
}

pub(super) fn check(place: &Place, arguments: &DriftArguments) -> Result<(), CommandError> {
    if !(arguments.angle_shift > 0.0 && arguments.angle_shift < 90.0) {
        return Err(CommandError::new(
            Exit::WrongUse,
            format!("--angle-shift {} is not possible", arguments.angle_shift),
        )
        .with_hint("give degrees above 0 and below 90"));
    }
    let (check, series) = checked_of(place, &arguments.which, &arguments.question)?;
    let console = &place.console;
    told(console, &words::verdict(&check));
    if let Some(found_by) = words::found_by(&check) {
        told(console, &found_by);
    }
    if let Some(sentence) = target_sentence(&check, arguments) {
        told(console, &sentence);
    }
    console.result("");
    let header = [check.launcher.clone(), check.setting.as_ref().map(|setting| setting.in_words())];
    console.result(header.into_iter().flatten().collect::<Vec<_>>().join(", "));
    check.sessions.iter().for_each(|session| console.result(session_line(session)));
    console.result("");
    report_quality(console, &check);
    report_signals(console, &check);
    match check_angles(&series, &check.question, arguments.angle_shift) {
        Some(angles) => report_angles(console, &angles.map_err(failed)?),
        None => Ok(()),
    }
}

/// The launch angle, where enough shots have a measured one.
fn report_angles(console: &Console, check: &DriftCheck) -> Result<(), CommandError> {
    console.result("");
    let shots: usize = check.sessions.iter().map(|session| session.sample.count).sum();
    told(console, &format!("Launch angle, measured in {shots} shots: {}", words::verdict(check)));
    if let Some(found_by) = words::found_by(check) {
        told(console, &found_by);
    }
    check.methods.iter().for_each(|differ| told(console, &words::methods(differ, check.judged)));
    Ok(())
}

fn target_sentence(check: &DriftCheck, arguments: &DriftArguments) -> Option<String> {
    let Verdict::Drifted(change) = check.verdict else { return None };
    let angle = check.setting.as_ref()?.angle_deg?;
    let drop_m = arguments.drop.map_or(0.0, Length::metres);
    let landing = |speed: f64| landing_without_air(speed, angle, drop_m, arguments.gravity);
    target_shift(change.speed_before_m_per_s, change.speed_after_m_per_s, landing).map(|shift| words::target(&shift))
}

/// Name, number, mean with interval, difference from the baseline.
fn session_line(session: &SessionSummary) -> String {
    let sample = &session.sample;
    let count = sample.count as f64;
    let half_width = sample.sd.map(|sd| t_quantile(0.975, count - 1.0) * sd / count.sqrt());
    let difference = match &session.difference {
        Some(test) => {
            let baseline = sample.mean - test.difference;
            words::percent_with(test.difference / baseline, test.half_width(0.95) / baseline)
        }
        None => String::new(),
    };
    format!(
        "  {:<20.20}  {:>6} shots  {:<22}  {difference}",
        session.name,
        sample.count,
        speed_with(sample.mean, half_width)
    )
    .trim_end()
    .to_owned()
}

fn report_quality(console: &Console, check: &DriftCheck) {
    let baseline = &check.sessions.first().map(|session| session.sample);
    if let (Some(scatter), Some(baseline)) = (&check.scatter, baseline) {
        told(console, &words::scatter(scatter, baseline.mean));
    }
    if let (Some(change), Some(baseline)) = (&check.scatter_change, baseline)
        && let Some(sentence) = words::scatter_change(change, baseline.mean)
    {
        told(console, &sentence);
    }
    let shots = baseline.map_or(0, |sample| sample.count);
    told(console, &words::baseline_worth(shots, baseline_worth(shots).as_ref()));
    check.methods.iter().for_each(|differ| told(console, &words::methods(differ, check.judged)));
    if check.common_unknown {
        told(
            console,
            "How uncertain the scale or the gate is isn't recorded for some shots. If it differed between sessions, 1 % of its \
             length is 1 % of false drift.",
        );
    }
    if check.before_baseline > 0 {
        console.note(format!("{} shots from before the baseline were not looked at", check.before_baseline));
    }
}

fn report_signals(console: &Console, check: &DriftCheck) {
    let id = |point: usize| check.points[point].shot.id;
    for suspect in &check.suspects {
        told(
            console,
            &format!(
                "Shot {} lies far from its session (Grubbs' test, 5 %): if something went wrong with it, set it aside.",
                id(*suspect)
            ),
        );
    }
    let left_out = |point: &&ChartPoint| point.left_out;
    let left_out: Vec<i64> = check.points.iter().filter(left_out).map(|point| point.shot.id).collect();
    if !left_out.is_empty() {
        told(console, &format!("Left out as measured much worse than the others: shots {}.", numbers(&left_out)));
    }
    for (kind, shots) in by_kind(check) {
        told(console, &format!("On the chart, {}: shots {}.", words::signal(kind), numbers(&shots)));
    }
}

/// The shots of each pattern, patterns in the order in which they first appear.
fn by_kind(check: &DriftCheck) -> Vec<(SignalKind, Vec<i64>)> {
    let mut kinds: Vec<(SignalKind, Vec<i64>)> = Vec::new();
    for signal in &check.signals {
        let id = check.points[signal.point].shot.id;
        match kinds.iter_mut().find(|kind| kind.0 == signal.kind) {
            Some(kind) => kind.1.push(id),
            None => kinds.push((signal.kind, vec![id])),
        }
    }
    kinds
}

pub(super) fn chart(place: &Place, arguments: &ChartArguments) -> Result<(), CommandError> {
    let check = checked(place, &arguments.which, &arguments.question)?;
    match &arguments.output {
        None => {
            told(&place.console, &words::verdict(&check));
            place.console.result(text_chart(&check, arguments.count));
        }
        Some(path) => {
            let picture = picture(&check, path)?;
            place.console.write(path, &picture)?;
            place.console.result(format!("chart of {} shots drawn to {}", check.points.len(), path.display()));
        }
    }
    Ok(())
}

/// The chart in the form that the file's ending asks for.
fn picture(check: &DriftCheck, path: &Path) -> Result<Vec<u8>, CommandError> {
    let ending = path.extension().and_then(|ending| ending.to_str()).map(str::to_ascii_lowercase);
    let drawn = control_chart(check).ok_or_else(|| {
        CommandError::new(Exit::NoMeasurement, "the baseline has fewer than two shots, so there are no control limits")
            .with_hint("record more shots, or choose another baseline with `--baseline`")
    })?;
    match ending.as_deref() {
        Some("png") => Ok(drawn.png()),
        Some("svg") => Ok(drawn.svg().into_bytes()),
        _ => Err(CommandError::new(Exit::WrongUse, format!("{} ends neither in .png nor in .svg", path.display()))
            .with_hint("name the picture `….png` or `….svg`")),
    }
}

pub(super) fn shots_needed(place: &Place, arguments: &PlanArguments) -> Result<(), CommandError> {
    let (shift, scatter) = (per_cent("--shift", arguments.shift)?, per_cent("--scatter", arguments.scatter)?);
    let plan = Plan { shift: shift / scatter, alpha: 0.05, power: per_cent("--power", arguments.power)? };
    let number = |shots: Option<usize>| shots.map_or("more than 100000".to_owned(), |shots| shots.to_string());
    let console = &place.console;
    let goal = words::percent(shift);
    let given =
        format!("with {} of scatter, 5 % false alarms and a {:.0} % chance", words::percent(scatter), arguments.power);
    match arguments.baseline {
        None => console
            .result(format!("To show a change of {goal} {given}: {} shots in each session.", number(plan.per_group()))),
        Some(baseline) => {
            match plan.against_baseline(baseline) {
                Some(shots) => told(
                    console,
                    &format!("To show a change of {goal} {given}: {shots} shots against a baseline of {baseline}."),
                ),
                None => told(
                    console,
                    &format!(
                        "A baseline of {baseline} shots can't show a change of {goal} {given}, however many follow; {} shots in \
                     each session can.",
                        number(plan.per_group())
                    ),
                ),
            }
            told(console, &words::baseline_worth(baseline, baseline_worth(baseline).as_ref()));
        }
    }
    told(console, &smallest_changes(&plan, scatter));
    Ok(())
}

/// What usual numbers of shots would show.
fn smallest_changes(plan: &Plan, scatter: f64) -> String {
    let texts: Vec<String> = [5, 8, 10, 15, 20, 30]
        .into_iter()
        .filter_map(|shots| {
            let smallest = smallest_shift(shots, shots, plan.alpha, plan.power)? * scatter;
            Some(format!("{shots} shots {}", words::percent(smallest)))
        })
        .collect();
    format!("The smallest change that so many shots in each session show: {}.", texts.join(", "))
}
