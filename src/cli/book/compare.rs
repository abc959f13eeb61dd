//! `book compare`.

use std::time::Duration;

use clap::{ArgGroup, Args};

use super::failure::failed;
use super::list::{speed_with, told};
use super::{Place, Which, read_source};
use crate::book::compare::{Comparison, Pairing, agreement, compare};
use crate::book::{Selection, Series, Source, setting_in_words, words};
use crate::cli::output::{CommandError, Exit};
use crate::maths::tests_of_means::{Sample, t_quantile};

#[derive(Debug, Args)]
#[command(group = ArgGroup::new("what").required(true).args(["launchers", "settings", "angles", "balls", "sessions", "sources"]))]
pub(super) struct CompareArguments {
    /// Two launchers.
    #[arg(long, num_args = 2, value_name = "NAME")]
    launchers: Vec<String>,
    /// Two settings, such as "notch 2" "notch 3".
    #[arg(long, num_args = 2, value_name = "SETTING", alias = "notches")]
    settings: Vec<String>,
    /// Two launch angles.
    #[arg(long, num_args = 2, value_name = "DEGREES", allow_negative_numbers = true)]
    angles: Vec<f64>,
    /// Two balls.
    #[arg(long, num_args = 2, value_name = "BALL")]
    balls: Vec<String>,
    /// Two sessions.
    #[arg(long, num_args = 2, value_name = "NAME")]
    sessions: Vec<String>,
    /// Two sources that measured the same shots, such as `gate video`: bias with limits of agreement.
    #[arg(long, num_args = 2, value_name = "SOURCE", value_parser = read_source)]
    sources: Vec<Source>,
    #[command(flatten)]
    which: Which,
    /// Readings of the same shot lie at most so many seconds apart.
    #[arg(long, default_value_t = 30, value_name = "SECONDS")]
    within: u64,
    /// Pair readings in their order within each session instead.
    #[arg(long)]
    in_order: bool,
    /// Difference that matters, in per cent.
    #[arg(long, default_value_t = 2.0, value_name = "PERCENT")]
    shift: f64,
}

/// One side of the comparison.
struct Side {
    name: String,
    selection: Selection,
}

impl CompareArguments {
    fn sides(&self) -> Vec<Side> {
        let base = self.which.selection();
        let side = |name: String, change: &dyn Fn(&mut Selection)| {
            let mut selection = base.clone();
            change(&mut selection);
            Side { name, selection }
        };
        let mut sides = Vec::new();
        for name in &self.launchers {
            sides.push(side(name.clone(), &|selection| selection.launcher = Some(name.clone())));
        }
        for name in &self.settings {
            sides.push(side(setting_in_words(name), &|selection| selection.setting = Some(name.clone())));
        }
        for angle in &self.angles {
            sides.push(side(format!("{angle}°"), &|selection| selection.angle_deg = Some(*angle)));
        }
        for ball in &self.balls {
            sides.push(side(ball.clone(), &|selection| selection.ball = Some(ball.clone())));
        }
        for name in &self.sessions {
            sides.push(side(name.clone(), &|selection| selection.session = Some(name.clone())));
        }
        for source in &self.sources {
            sides.push(side(source.word().to_owned(), &|selection| selection.source = Some(*source)));
        }
        sides
    }
}

pub(super) fn run(place: &Place, arguments: &CompareArguments) -> Result<(), CommandError> {
    let sides = arguments.sides();
    let [first, second] = sides.as_slice() else {
        return Err(CommandError::new(Exit::WrongUse, "two groups are compared").with_hint("name one pair only"));
    };
    let book = place.open()?;
    let series = [&first.selection, &second.selection].map(|selection| book.series(selection).map_err(failed));
    let [a, b] = series;
    let (a, b) = (a?, b?);
    let names = [first.name.as_str(), second.name.as_str()];
    warn_of_mixtures(place, &a, &b, arguments);
    if !arguments.sources.is_empty() {
        let pairing =
            if arguments.in_order { Pairing::InOrder } else { Pairing::Within(Duration::from_secs(arguments.within)) };
        let found = agreement(&a, &b, pairing).map_err(failed)?;
        told(&place.console, &words::agreement(&found, names));
        return Ok(());
    }
    let found = compare(&a, &b, names, arguments.shift / 100.0).map_err(failed)?;
    told(&place.console, &words::comparison(&found, names));
    report(place, &found, names, arguments.shift);
    Ok(())
}

/// A difference in something else than what is compared may be what is seen.
fn warn_of_mixtures(place: &Place, first: &Series, second: &Series, arguments: &CompareArguments) {
    let joined = |a: &[String], b: &[String]| {
        let mut all: Vec<String> = a.iter().chain(b).cloned().collect();
        all.sort();
        all.dedup();
        all
    };
    let launchers = joined(&first.launchers, &second.launchers);
    if arguments.launchers.is_empty() && launchers.len() > 1 {
        place.console.note(format!("the shots are from several launchers: {}", launchers.join(", ")));
    }
    let in_words = |series: &Series| series.settings.iter().map(|s| s.in_words()).collect::<Vec<_>>();
    let settings = joined(&in_words(first), &in_words(second));
    let compares_settings =
        !(arguments.settings.is_empty() && arguments.angles.is_empty() && arguments.balls.is_empty());
    if settings.len() > 1 + usize::from(compares_settings) {
        place.console.note(format!("the shots have several settings: {}", settings.join("; ")));
    }
}

fn report(place: &Place, found: &Comparison, names: [&str; 2], shift: f64) {
    let console = &place.console;
    for (name, sample) in names.into_iter().zip([&found.first, &found.second]) {
        console.result(group_line(name, sample));
    }
    let chance = words::chance(Some(found.test.p_two_sided));
    console.result(format!("  chance of so large a difference without a cause: {chance}"));
    // What is left of a rig that both groups share is rounding.
    if found.common_uncertainty_m_per_s > 1e-9 {
        console.result(format!(
            "  standard uncertainty from the rigs' scales: {:.4} m/s (more shots don't lessen it)",
            found.common_uncertainty_m_per_s
        ));
    }
    if found.common_unknown {
        console.note("how uncertain the scales are isn't recorded for some shots; the interval lacks that part");
    }
    if let Some(needed) = found.needed_per_group.filter(|_| !found.differs()) {
        console.result(format!("  {needed} shots in each group would show a difference of {shift} % (chance 80 %)"));
    }
}

fn group_line(name: &str, sample: &Sample) -> String {
    let count = sample.count as f64;
    let half_width = sample.sd.map(|sd| t_quantile(0.975, count - 1.0) * sd / count.sqrt());
    let scatter = sample.sd.map_or_else(String::new, |sd| format!("scatter {}", words::percent(sd / sample.mean)));
    format!("  {name:<20.20}  {:>6} shots  {:<22}  {scatter}", sample.count, speed_with(sample.mean, half_width))
}
