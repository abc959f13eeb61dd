//! The drift check: has the launcher changed since the baseline session?
//!
//! Four tests share one 5 % chance of a false "drifted" (measured by simulation in the tests of this file): the t test
//! of the latest session against the baseline (Welch's when the two were measured differently well), a self-starting CUSUM of the whole run, the largest split of the run, and
//! its trend. The charts beside them (individuals and moving range, EWMA, run rules) show where to look; a single point
//! outside its limits is a shot to look at, not yet a drift.
//!
//! Whether the scatter itself has changed is tested beside them (F test), and said; it isn't a drift of the mean.
//!
//! Measurement uncertainty is kept apart from shot-to-shot scatter: what a rig's shots share goes into every comparison
//! of rigs and isn't averaged away; a shot measured much worse than the others is shown but not tested.

use jiff::Timestamp;

use super::series::{Series, SeriesShot, common_uncertainty_of_difference};
use super::shot::{Setting, Source};
use crate::maths::change_point::{block_means, chance_of_split, largest_split};
use crate::maths::control_charts::{
    Cusum, FalseAlarmRates, IndividualsLimits, baseline_false_alarm_rates, ewma, ewma_half_width, individuals_limits,
};
use crate::maths::power::{Plan, smallest_shift};
use crate::maths::run_rules::{RunRule, WESTERN_ELECTRIC};
use crate::maths::self_starting::self_starting_scores;
use crate::maths::tests_of_means::{
    Sample, TTest, Trend, VarianceRatio, grubbs, pooled_with_common, t_two_sided_p, trend, variance_ratio,
    welch_with_common,
};

/// Significance of the session test; the other tests have what is left of 5 %.
pub const SESSION_LEVEL: f64 = 0.03;
const SPLIT_LEVEL: f64 = 0.01;
const TREND_LEVEL: f64 = 0.005;
/// Share of runs in which the CUSUM alarms falsely, as a mean-run-length argument.
const CUSUM_LEVEL: f64 = 0.01;

/// EWMA weight and limit: mean run length 362 without a change, 9 at one sigma.
pub const EWMA_WEIGHT: f64 = 0.2;
pub const EWMA_LIMIT: f64 = 2.86;

/// Significance of the test whether the scatter changed.
const SCATTER_LEVEL: f64 = 0.05;

/// So many measured angles are the least that are judged.
pub const FEWEST_ANGLES: usize = 4;

/// Significance of the test whether two ways of measuring differ.
const METHODS_LEVEL: f64 = 0.05;

/// Longer runs are tested for a split in this many block means.
const SPLIT_BLOCKS: usize = 100;
const SPLIT_HISTORIES: usize = 5_000;

/// Scatter taken for planning when too few shots tell it.
pub const ASSUMED_RELATIVE_SCATTER: f64 = 0.01;

/// A shot whose own uncertainty is this many times the usual one, and twice the scatter, isn't tested (common practice, no
/// source).
const MUCH_WORSE: f64 = 3.0;

/// What is asked of a check.
#[derive(Debug, Clone, PartialEq)]
pub struct DriftQuestion {
    /// Name of the baseline session; `None` for the first.
    pub baseline: Option<String>,
    /// Relative change of speed that matters.
    pub shift_of_interest: f64,
    /// Probability with which it should be found.
    pub power: f64,
}

impl Default for DriftQuestion {
    fn default() -> Self {
        Self { baseline: None, shift_of_interest: 0.02, power: 0.8 }
    }
}

/// Why a series can't be checked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DriftError {
    #[error("no counted shots to check")]
    NoShots,
    #[error("the shots are from {} launchers: {}", .0.len(), .0.join(", "))]
    MixedLaunchers(Vec<String>),
    #[error("the shots have {} different settings: {}", .0.len(), settings_in_words(.0))]
    MixedSettings(Vec<Setting>),
    #[error("no session of these shots is called `{name}`")]
    NoSuchSession { name: String, known: Vec<String> },
}

fn settings_in_words(settings: &[Setting]) -> String {
    settings.iter().map(Setting::in_words).collect::<Vec<_>>().join("; ")
}

impl DriftError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::NoShots => {
                "record shots first, or ask for other ones; `lobline book list` shows what is there".to_owned()
            }
            Self::MixedLaunchers(_) => "name one with `--launcher`".to_owned(),
            Self::MixedSettings(_) => "choose one with `--setting`, `--angle` or `--ball`".to_owned(),
            Self::NoSuchSession { known, .. } => format!("known: {}", known.join(", ")),
        }
    }
}

/// A session within the check.
#[derive(Debug, Clone, PartialEq)]
pub struct SessionSummary {
    /// Index of the session in the series.
    pub session: usize,
    pub name: String,
    pub first_time: Timestamp,
    /// Mean and scatter of its tested shots.
    pub sample: Sample,
    /// Difference from the baseline's mean; `None` for the baseline itself and where too few shots tell.
    pub difference: Option<TTest>,
}

/// Where the scatter from shot to shot comes from, m/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Standard deviation within sessions.
    pub total: f64,
    pub degrees_of_freedom: usize,
    /// Root mean square of the shots' own standard uncertainties; `None` where they aren't known.
    pub measuring: Option<f64>,
    /// What is left for the launcher, √(total² − measuring²), nought when measuring explains it all: the excess variance
    /// (Vaughan et al., Mon. Not. R. Astron. Soc. 345 (2003) 1271–1284, equation 8, from memory).
    pub launcher: Option<f64>,
}

/// The scatter of the latest session against that of the baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScatterChange {
    /// Standard deviations, m/s.
    pub before: f64,
    pub after: f64,
    pub test: VarianceRatio,
    /// Whether both were measured equally well, as far as is known; where not, the measuring may be what changed.
    pub measured_alike: bool,
}

impl ScatterChange {
    /// Whether the scatter has changed beyond chance at 5 %.
    pub fn differs(&self) -> bool {
        self.test.p_two_sided < SCATTER_LEVEL
    }
}

/// A shot on the charts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChartPoint {
    pub shot: SeriesShot,
    /// Limits are centre ± 3·sigma; wider than the baseline's for a shot that was measured worse.
    pub sigma: f64,
    /// (speed − centre)/sigma.
    pub score: f64,
    /// In units of the score.
    pub ewma: f64,
    /// Left out of the tests as measured too badly.
    pub left_out: bool,
}

/// Something a chart shows about one shot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Signal {
    /// Index into the points.
    pub point: usize,
    pub kind: SignalKind,
}

/// Which pattern a shot completes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignalKind {
    Rule(RunRule),
    Ewma,
}

/// How a change was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FoundBy {
    Sessions,
    Cusum,
    Split,
    Trend,
}

/// Evidence of each test.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evidence {
    /// p of the latest session against the baseline.
    pub sessions: Option<f64>,
    /// Index in the run at which the self-starting CUSUM signals, and its decision interval.
    pub cusum_signal: Option<usize>,
    pub cusum_decision: f64,
    /// Chance of the largest split; `None` when it is plainly too large to matter.
    pub split: Option<f64>,
    /// p of the slope over the order of shots, and relative change over the whole run.
    pub trend: Option<f64>,
    pub trend_over_run: Option<f64>,
    pub found_by: Vec<FoundBy>,
}

/// A change of speed with its evidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Later minus earlier mean, m/s, with every uncertainty that applies.
    pub test: TTest,
    pub speed_before_m_per_s: f64,
    pub speed_after_m_per_s: f64,
    /// First shot of the later part, and how many it has.
    pub since: SeriesShot,
    pub shots_after: usize,
    /// The run changes little by little rather than at once.
    pub gradual: bool,
}

impl Change {
    /// Relative change, and the half-width of its 95 % interval.
    pub fn relative(&self) -> (f64, f64) {
        (self.test.difference / self.speed_before_m_per_s, self.test.half_width(0.95) / self.speed_before_m_per_s)
    }
}

/// The answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// Nothing found, and a shift of `smallest` (relative) would have been, with the probability asked for.
    NoSign {
        smallest: f64,
    },
    Drifted(Change),
    /// The speeds differ, but that needn't be the launcher's doing.
    Unsure(Change, Limit),
    /// The later part is a single shot: it differs from the others, and can't tell a drift from a slip. With how many shots in its
    /// place would tell.
    OneShot(Change, Needed),
    TooFew(TooFew),
}

/// What else could make a difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// What the shots of each rig or gate share, alone.
    Rigs,
    /// That and the scatter of so few shots together.
    RigsAndScatter,
}

/// Why nothing can be told yet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TooFew {
    /// Smallest relative shift that these shots would show; `None` when they show none at all.
    pub smallest: Option<f64>,
    pub needed: Needed,
    /// Whether the scatter had to be assumed.
    pub scatter_assumed: bool,
}

/// How many shots would tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Needed {
    /// So many in the latest session, the baseline staying as it is.
    InLatestSession(usize),
    /// So many in the baseline and in the latest session each.
    InBothSessions(usize),
    /// No number of shots: the rigs' shared uncertainty is too large.
    BetterScale,
}

/// What is judged: speeds, or the angles in their place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Judged {
    Speed,
    Angle,
}

/// Two ways of measuring that don't agree within a session.
#[derive(Debug, Clone, PartialEq)]
pub struct MethodsDiffer {
    pub session: String,
    pub first: Source,
    pub second: Source,
    /// First minus second, with what the shots of each share.
    pub test: TTest,
    /// Of the second.
    pub mean: f64,
}

/// Everything that a check found.
#[derive(Debug, Clone, PartialEq)]
pub struct DriftCheck {
    /// Where it is the angle, all that is called a speed here is one, in degrees.
    pub judged: Judged,
    pub question: DriftQuestion,
    pub launcher: Option<String>,
    pub setting: Option<Setting>,
    /// From the baseline on, in the order of time; the first is the baseline.
    pub sessions: Vec<SessionSummary>,
    /// Shots from before the baseline session, which aren't looked at.
    pub before_baseline: usize,
    pub scatter: Option<Scatter>,
    /// `None` where either session has too few shots to scatter.
    pub scatter_change: Option<ScatterChange>,
    /// What the tested shots were measured with, and by which way of measuring.
    pub rigs: Vec<String>,
    pub source: Option<Source>,
    /// Where shots of one session were measured in several ways that don't agree.
    pub methods: Vec<MethodsDiffer>,
    /// `None` while the baseline has fewer than two shots.
    pub limits: Option<IndividualsLimits>,
    pub points: Vec<ChartPoint>,
    pub signals: Vec<Signal>,
    /// Points that lie too far from their own session (Grubbs, 5 %).
    pub suspects: Vec<usize>,
    pub evidence: Evidence,
    /// Whether the scale's share isn't known for shots of different rigs.
    pub common_unknown: bool,
    pub verdict: Verdict,
}

impl DriftCheck {
    /// The session with that index in the series; `None` for one that has no tested shots.
    pub fn session_of(&self, session: usize) -> Option<&SessionSummary> {
        self.sessions.iter().find(|summary| summary.session == session)
    }
}

/// Checks a series.
///
/// # Errors
/// [`DriftError`] when the series mixes what can't be compared, or is empty.
pub fn check(series: &Series, question: &DriftQuestion) -> Result<DriftCheck, DriftError> {
    checked(series, question, Judged::Speed)
}

/// As [`check`], of the measured launch angles, with `shift_of_interest_deg` as the change that matters; `None` where fewer than
/// [`FEWEST_ANGLES`] shots have one.
///
/// # Errors
/// As [`check`].
pub fn check_angles(
    series: &Series,
    question: &DriftQuestion,
    shift_of_interest_deg: f64,
) -> Option<Result<DriftCheck, DriftError>> {
    let angles = series.of_angles();
    let mean = Sample::of(&angles.speeds()).filter(|sample| sample.count >= FEWEST_ANGLES)?.mean;
    // Of a level launch no share can be told.
    (mean.abs() > 1.0).then(|| {
        let question = DriftQuestion { shift_of_interest: shift_of_interest_deg / mean.abs(), ..question.clone() };
        checked(&angles, &question, Judged::Angle)
    })
}

fn checked(series: &Series, question: &DriftQuestion, judged: Judged) -> Result<DriftCheck, DriftError> {
    refuse_mixtures(series)?;
    let run = Run::of(series, question)?;
    let limits = individuals_limits(&speeds(run.baseline()));
    let points = chart_points(&run, limits.as_ref());
    let scatter = run.scatter();
    let evidence = run.evidence();
    Ok(DriftCheck {
        judged,
        question: question.clone(),
        launcher: series.launchers.first().cloned(),
        setting: series.settings.first().cloned(),
        sessions: run.summaries(series),
        before_baseline: run.before,
        scatter_change: run.scatter_change(),
        rigs: run.rigs(series),
        source: Some(series.sources.as_slice()).filter(|sources| sources.len() == 1).map(|sources| sources[0]),
        methods: run.methods(series),
        signals: signals(&points),
        suspects: run.suspects(),
        common_unknown: run.latest_comparison().is_some_and(|compared| compared.common_unknown),
        verdict: run.verdict(question, &evidence, scatter.as_ref()),
        scatter,
        limits,
        points,
        evidence,
    })
}

fn refuse_mixtures(series: &Series) -> Result<(), DriftError> {
    if series.shots.is_empty() {
        return Err(DriftError::NoShots);
    }
    if series.launchers.len() > 1 {
        return Err(DriftError::MixedLaunchers(series.launchers.clone()));
    }
    if series.settings.len() > 1 {
        return Err(DriftError::MixedSettings(series.settings.clone()));
    }
    Ok(())
}

/// What a baseline of so many shots is worth over the next ten; a very long one is as good as known limits.
pub fn baseline_worth(baseline: usize) -> Option<FalseAlarmRates> {
    const LONG: usize = 300;
    let baseline = baseline.min(LONG);
    let histories = (2_000_000 / (baseline + 10)).clamp(4_000, 20_000);
    baseline_false_alarm_rates(baseline, 10, histories)
}

fn speeds(shots: &[SeriesShot]) -> Vec<f64> {
    shots.iter().map(|shot| shot.speed_m_per_s).collect()
}

/// The shots from the baseline on; `tested` without those measured too badly, the baseline's first.
struct Run {
    all: Vec<SeriesShot>,
    left_out: Vec<bool>,
    tested: Vec<SeriesShot>,
    /// `tested` by session, sessions in the order in which they first appear.
    groups: Vec<(usize, Vec<SeriesShot>)>,
    /// How many of `tested` are the baseline's.
    baseline_count: usize,
    before: usize,
    baseline_session: usize,
}

impl Run {
    fn of(series: &Series, question: &DriftQuestion) -> Result<Self, DriftError> {
        let baseline_session = match &question.baseline {
            None => series.shots[0].session,
            Some(name) => series
                .sessions
                .iter()
                .position(|known| known == name)
                .ok_or_else(|| DriftError::NoSuchSession { name: name.clone(), known: series.sessions.clone() })?,
        };
        let start = series.shots.iter().position(|shot| shot.session == baseline_session).unwrap_or(0);
        // Stable: the baseline first even when sessions overlap in time, each part in the order of time.
        let (mut all, later): (Vec<_>, Vec<_>) =
            series.shots[start..].iter().partition(|shot| shot.session == baseline_session);
        all.extend(later);
        let left_out = measured_much_worse(&all);
        let tested: Vec<SeriesShot> =
            all.iter().zip(&left_out).filter(|(_, left_out)| !**left_out).map(|(shot, _)| *shot).collect();
        let baseline_count = tested.iter().filter(|shot| shot.session == baseline_session).count();
        let groups = by_session(&tested);
        Ok(Self { all, left_out, tested, groups, baseline_count, before: start, baseline_session })
    }

    fn baseline(&self) -> &[SeriesShot] {
        &self.tested[..self.baseline_count]
    }

    /// The session with the latest shot, when it isn't the baseline.
    fn latest(&self) -> Option<&[SeriesShot]> {
        let others = self.groups.iter().filter(|(session, _)| *session != self.baseline_session);
        let newest = |shots: &[SeriesShot]| shots.iter().map(|shot| (shot.time, shot.id)).max();
        others.max_by_key(|(_, shots)| newest(shots)).map(|(_, shots)| shots.as_slice())
    }

    fn scatter(&self) -> Option<Scatter> {
        let samples: Vec<Sample> = self.groups.iter().filter_map(|(_, shots)| Sample::of(&speeds(shots))).collect();
        let squares: f64 = samples.iter().filter_map(|s| s.sd.map(|sd| sd * sd * (s.count - 1) as f64)).sum();
        let degrees_of_freedom = self.tested.len() - samples.len();
        if degrees_of_freedom == 0 {
            return None;
        }
        let total = (squares / degrees_of_freedom as f64).sqrt();
        let own: Vec<f64> = self.tested.iter().filter_map(|shot| shot.random_uncertainty_m_per_s).collect();
        let measuring = (own.len() == self.tested.len()).then(|| root_mean_square(&own));
        let launcher = measuring.map(|measuring| (total * total - measuring * measuring).max(0.0).sqrt());
        Some(Scatter { total, degrees_of_freedom, measuring, launcher })
    }

    fn scatter_change(&self) -> Option<ScatterChange> {
        let latest = self.latest()?;
        let (before, after) = (Sample::of(&speeds(self.baseline()))?, Sample::of(&speeds(latest))?);
        Some(ScatterChange {
            before: before.sd?,
            after: after.sd?,
            test: variance_ratio(&after, &before)?,
            measured_alike: measured_alike(self.baseline(), latest),
        })
    }

    /// Ways of measuring that disagree, session by session. Two ways of one session see the same launcher on the same day.
    fn methods(&self, series: &Series) -> Vec<MethodsDiffer> {
        let mut found = Vec::new();
        for (session, shots) in &self.groups {
            let by = |source: Source| -> Vec<SeriesShot> {
                shots.iter().filter(|shot| shot.source == source).copied().collect()
            };
            for (i, first) in series.sources.iter().enumerate() {
                for second in &series.sources[i + 1..] {
                    let (a, b) = (by(*first), by(*second));
                    let (Some(of_a), Some(of_b)) = (Sample::of(&speeds(&a)), Sample::of(&speeds(&b))) else { continue };
                    let (common, _) = common_uncertainty_of_difference(&a, &b);
                    let test = welch_with_common(&of_a, &of_b, common);
                    found.extend(test.filter(|test| test.p_two_sided < METHODS_LEVEL).map(|test| MethodsDiffer {
                        session: series.sessions[*session].clone(),
                        first: *first,
                        second: *second,
                        test,
                        mean: of_b.mean,
                    }));
                }
            }
        }
        found
    }

    /// Names of what was measured with, in the order in which they come.
    fn rigs(&self, series: &Series) -> Vec<String> {
        let mut places: Vec<usize> = Vec::new();
        for shot in &self.tested {
            if !places.contains(&shot.rig) {
                places.push(shot.rig);
            }
        }
        places.into_iter().filter_map(|place| series.rigs.get(place).cloned()).collect()
    }

    fn summaries(&self, series: &Series) -> Vec<SessionSummary> {
        let baseline = Sample::of(&speeds(self.baseline()));
        self.groups
            .iter()
            .filter_map(|(session, shots)| {
                let session = *session;
                let sample = Sample::of(&speeds(shots))?;
                let (common, _) = common_uncertainty_of_difference(shots, self.baseline());
                let difference = baseline
                    .filter(|_| session != self.baseline_session)
                    .and_then(|baseline| welch_with_common(&sample, &baseline, common));
                let name = series.sessions[session].clone();
                Some(SessionSummary { session, name, first_time: shots[0].time, sample, difference })
            })
            .collect()
    }

    /// Grubbs' test within each session; a launcher's slip shows here rather than as a drift.
    fn suspects(&self) -> Vec<usize> {
        self.groups
            .iter()
            .filter_map(|(_, shots)| {
                let outlier = grubbs(&speeds(shots), 0.05).filter(|grubbs| grubbs.is_outlier())?;
                self.all.iter().position(|shot| shot.id == shots[outlier.suspect].id)
            })
            .collect()
    }

    /// The latest session against the baseline, with the rigs' shared errors, and whether some of those aren't known.
    fn latest_comparison(&self) -> Option<Compared> {
        let latest = self.latest()?;
        let first = latest[0];
        compare_parts(self.baseline(), latest, first, false)
    }

    fn evidence(&self) -> Evidence {
        let values = speeds(&self.tested);
        let sessions = self.latest_comparison().map(|compared| compared.change.test.p_two_sided);
        // Without a second session the CUSUM has the session test's share of the false alarms too.
        let level = if self.latest().is_some() { CUSUM_LEVEL } else { CUSUM_LEVEL + SESSION_LEVEL };
        let cusum_decision = cusum_decision(values.len(), level);
        let scores = self_starting_scores(&values).into_iter().map(|score| score.unwrap_or(0.0));
        let cusum_signal = Cusum::new(0.5, cusum_decision).run(scores).first_signal;
        let (blocks, _) = block_means(&values, SPLIT_BLOCKS);
        let split = largest_split(&blocks).and_then(|split| plausible_chance(split.t, blocks.len()));
        let slope = trend_of_readings(&values);
        let mean = Sample::of(&values).map(|sample| sample.mean);
        let mut evidence = Evidence {
            sessions,
            cusum_signal,
            cusum_decision,
            split,
            trend: slope.map(|trend| trend.p_two_sided),
            trend_over_run: slope.zip(mean).map(|(trend, mean)| trend.slope * (values.len() - 1) as f64 / mean),
            found_by: Vec::new(),
        };
        evidence.found_by = evidence.found();
        evidence
    }

    fn verdict(&self, question: &DriftQuestion, evidence: &Evidence, scatter: Option<&Scatter>) -> Verdict {
        let Some(found) = self.change(evidence) else { return self.no_change(question, scatter) };
        let change = found.change;
        if change.shots_after < 2 && !change.gradual {
            return Verdict::OneShot(change, self.needed(question, scatter));
        }
        // The run as a whole moved; whether the launcher did is a matter of what else differs between its parts.
        match found.limit() {
            Some(limit) => Verdict::Unsure(change, limit),
            None => Verdict::Drifted(change),
        }
    }

    /// The change that the tests found; `None` when they found none.
    fn change(&self, evidence: &Evidence) -> Option<Compared> {
        let found = |by| evidence.found_by.contains(&by);
        if evidence.found_by.is_empty() {
            return None;
        }
        let gradual = found(FoundBy::Trend) && !found(FoundBy::Split) && !found(FoundBy::Sessions);
        let by_sessions = !found(FoundBy::Split) && !found(FoundBy::Cusum) && found(FoundBy::Sessions);
        // A latest session of one shot is told as such, whichever test saw it.
        if by_sessions || self.latest().is_some_and(|latest| latest.len() == 1) && found(FoundBy::Sessions) {
            return self.latest_comparison();
        }
        let (blocks, size) = block_means(&speeds(&self.tested), SPLIT_BLOCKS);
        let at = largest_split(&blocks)?.at * size;
        let (before, after) = self.tested.split_at(at);
        let parts = compare_parts(before, after, after[0], gradual)?;
        if gradual { self.creep(parts) } else { Some(parts) }
    }

    /// What a steady change comes to over the run; `parts` say what of it the rigs may have made.
    fn creep(&self, parts: Compared) -> Option<Compared> {
        let values = speeds(&self.tested);
        let line = trend_of_readings(&values)?;
        let steps = (values.len() - 1) as f64;
        let by_scatter = line.slope_standard_uncertainty * steps;
        let difference = line.slope * steps;
        let test_with = |common: f64| {
            let standard_uncertainty = by_scatter.hypot(common);
            // Welch–Satterthwaite with one estimated and one known term.
            let degrees_of_freedom = line.degrees_of_freedom * (standard_uncertainty / by_scatter).powi(4);
            let t = difference / standard_uncertainty;
            let p_two_sided = t_two_sided_p(t, degrees_of_freedom);
            TTest { difference, standard_uncertainty, degrees_of_freedom, t, p_two_sided }
        };
        let middle = Sample::of(&values)?.mean;
        let change = Change {
            test: test_with(parts.common),
            speed_before_m_per_s: middle - difference / 2.0,
            speed_after_m_per_s: middle + difference / 2.0,
            since: self.tested[0],
            shots_after: values.len(),
            gradual: true,
        };
        Some(Compared { change, by_scatter_alone: test_with(0.0).p_two_sided, ..parts })
    }

    fn needed(&self, question: &DriftQuestion, scatter: Option<&Scatter>) -> Needed {
        self.detection(question, scatter).0.needed(question.shift_of_interest, self.baseline_count)
    }

    /// What the session test would find, and the relative scatter where it is known.
    fn detection(&self, question: &DriftQuestion, scatter: Option<&Scatter>) -> (Detection, Option<f64>) {
        let mean = Sample::of(&speeds(&self.tested)).map_or(f64::NAN, |sample| sample.mean);
        // Two shots' scatter is hardly a figure to plan with.
        let known = scatter.filter(|scatter| scatter.degrees_of_freedom >= 3).map(|scatter| scatter.total / mean);
        let relative_scatter = known.filter(|scatter| *scatter > 0.0).unwrap_or(ASSUMED_RELATIVE_SCATTER);
        let (common, _) = common_uncertainty_of_difference(self.latest().unwrap_or_default(), self.baseline());
        (Detection { scatter: relative_scatter, common: common / mean, power: question.power }, known)
    }

    fn no_change(&self, question: &DriftQuestion, scatter: Option<&Scatter>) -> Verdict {
        let latest = self.latest().unwrap_or_default();
        let (plan, known) = self.detection(question, scatter);
        let smallest = plan.smallest(self.baseline_count, latest.len());
        if let Some(smallest) = smallest.filter(|smallest| *smallest <= question.shift_of_interest && known.is_some()) {
            return Verdict::NoSign { smallest };
        }
        let needed = plan.needed(question.shift_of_interest, self.baseline_count);
        Verdict::TooFew(TooFew { smallest, needed, scatter_assumed: known.is_none() })
    }
}

impl Evidence {
    /// Which tests go beyond their share of false alarms.
    fn found(&self) -> Vec<FoundBy> {
        let below = |p: Option<f64>, level: f64| p.is_some_and(|p| p < level);
        let tests = [
            (FoundBy::Sessions, below(self.sessions, SESSION_LEVEL)),
            (FoundBy::Cusum, self.cusum_signal.is_some()),
            (FoundBy::Split, below(self.split, SPLIT_LEVEL)),
            (FoundBy::Trend, below(self.trend, TREND_LEVEL)),
        ];
        tests.into_iter().filter(|(_, found)| *found).map(|(by, _)| by).collect()
    }
}

/// The chance of a split, simulated only when it can matter: even if the place had been known beforehand, the chance would
/// have to be below the level.
fn plausible_chance(t: f64, count: usize) -> Option<f64> {
    let known_place = t_two_sided_p(t, count as f64 - 2.0);
    (known_place < SPLIT_LEVEL).then(|| chance_of_split(t, count, SPLIT_HISTORIES)).flatten()
}

/// Sessions in the order in which they first appear, each with its shots.
fn by_session(shots: &[SeriesShot]) -> Vec<(usize, Vec<SeriesShot>)> {
    let mut groups: Vec<(usize, Vec<SeriesShot>)> = Vec::new();
    let mut place = std::collections::BTreeMap::new();
    for run in shots.chunk_by(|a, b| a.session == b.session) {
        let at = *place.entry(run[0].session).or_insert_with(|| {
            groups.push((run[0].session, Vec::new()));
            groups.len() - 1
        });
        groups[at].1.extend_from_slice(run);
    }
    groups
}

/// Two parts of a run; `None` when either has fewer than two shots, or no scatter at all.
fn compare_parts(before: &[SeriesShot], after: &[SeriesShot], since: SeriesShot, gradual: bool) -> Option<Compared> {
    let (earlier, later) = (Sample::of(&speeds(before))?, Sample::of(&speeds(after))?);
    let (common, common_unknown) = common_uncertainty_of_difference(after, before);
    let scatter_alike = variance_ratio(&later, &earlier).is_none_or(|ratio| ratio.p_two_sided >= SCATTER_LEVEL);
    let test_with = |common: f64| match measured_alike(before, after) && scatter_alike {
        true => pooled_with_common(&later, &earlier, common),
        false => welch_with_common(&later, &earlier, common),
    };
    let change = Change {
        test: test_with(common)?,
        speed_before_m_per_s: earlier.mean,
        speed_after_m_per_s: later.mean,
        since,
        shots_after: after.len(),
        gradual,
    };
    let one_rig = before.iter().chain(after).all(|shot| shot.rig == since.rig);
    // Of shots measured with one and the same thing, what they share is in both parts.
    let common = if one_rig { 0.0 } else { common };
    Some(Compared { change, common, common_unknown, by_scatter_alone: test_with(0.0)?.p_two_sided })
}

/// Two parts compared.
#[derive(Debug, Clone, Copy)]
struct Compared {
    change: Change,
    /// Standard uncertainty of the difference from what differs between the rigs, m/s; nought for one rig.
    common: f64,
    common_unknown: bool,
    /// p without that.
    by_scatter_alone: f64,
}

impl Compared {
    /// What keeps the difference from being the launcher's. The tests of the whole run have told it from chance already: only
    /// what they don't know of is left, the rigs.
    fn limit(&self) -> Option<Limit> {
        if self.common == 0.0 || self.change.test.p_two_sided < SESSION_LEVEL {
            return None;
        }
        let alone = t_two_sided_p(self.change.test.difference / self.common, f64::INFINITY);
        let by_rigs = alone >= SESSION_LEVEL || self.by_scatter_alone < SESSION_LEVEL;
        Some(if by_rigs { Limit::Rigs } else { Limit::RigsAndScatter })
    }
}

/// The trend over the order of shots. Readings of few digits may lie on a line to the last one: their residuals are at least those of
/// rounding, d/√12 (JCGM 100:2008, 4.3.7).
fn trend_of_readings(values: &[f64]) -> Option<Trend> {
    let order: Vec<f64> = (0..values.len()).map(|index| index as f64).collect();
    let found = trend(&order, values);
    let Some(step) = last_digit(values) else { return found };
    let squares: f64 = Sample::of(&order)?.sd?.powi(2) * (order.len() - 1) as f64;
    let least = step / 12f64.sqrt() / squares.sqrt();
    let (slope, uncertainty) = match found {
        Some(trend) => (trend.slope, trend.slope_standard_uncertainty.max(least)),
        None if values.len() >= 3 => ((values[values.len() - 1] - values[0]) / order[order.len() - 1], least),
        None => return None,
    };
    let degrees_of_freedom = (values.len() - 2) as f64;
    let p_two_sided = t_two_sided_p(slope / uncertainty, degrees_of_freedom);
    Some(Trend { slope, slope_standard_uncertainty: uncertainty, degrees_of_freedom, p_two_sided })
}

/// The decimal place to which all values are rounded, 0.1 to 0.0001; `None` where they have more.
fn last_digit(values: &[f64]) -> Option<f64> {
    let whole = |value: f64, per_unit: f64| (value * per_unit - (value * per_unit).round()).abs() < 1e-6;
    [1e1, 1e2, 1e3, 1e4]
        .into_iter()
        .find(|per_unit| values.iter().all(|value| whole(*value, *per_unit)))
        .map(f64::recip)
}

/// Whether both parts were measured equally well, as far as is known. The scatter is then the launcher's in both, and one
/// estimate of it from both finds a change with fewer shots than Welch's test, which a noisy clip needs.
fn measured_alike(first: &[SeriesShot], second: &[SeriesShot]) -> bool {
    let own = |shots: &[SeriesShot]| {
        let known: Vec<f64> = shots.iter().filter_map(|shot| shot.random_uncertainty_m_per_s).collect();
        (known.len() == shots.len()).then(|| root_mean_square(&known))
    };
    match (own(first), own(second)) {
        (Some(first), Some(second)) => first.max(second) <= 1.5 * first.min(second),
        (None, None) => true,
        _ => false,
    }
}

fn root_mean_square(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

/// Which shots are measured so badly that they say nothing about the launcher.
fn measured_much_worse(shots: &[SeriesShot]) -> Vec<bool> {
    let own: Vec<f64> = shots.iter().filter_map(|shot| shot.random_uncertainty_m_per_s).collect();
    let (Some(usual), Some(centre)) = (median(own), median(speeds(shots))) else { return vec![false; shots.len()] };
    let deviations = shots.iter().map(|shot| (shot.speed_m_per_s - centre).abs()).collect();
    // 1.4826 times the median deviation is the scatter of a normal sample, and doesn't mind the bad shots.
    let scatter = 1.4826 * median(deviations).unwrap_or(0.0);
    let too_much = (MUCH_WORSE * usual).max(2.0 * scatter);
    shots.iter().map(|shot| shot.random_uncertainty_m_per_s.is_some_and(|own| own > too_much)).collect()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// Decision interval of a two-sided CUSUM of allowance 0.5 that alarms falsely in about `level` of runs of `count` shots.
///
/// From the mean run length (e^b − b − 1) with b = h + 1.166 of the two-sided chart of allowance 0.5 (Siegmund, Sequential
/// Analysis (1985), section 2.6, from memory; checked against the published run lengths by a test), never below 4.77,
/// whose mean run length is 370.
fn cusum_decision(count: usize, level: f64) -> f64 {
    let wanted = count as f64 / level;
    let mut b = (wanted + 1.0).ln();
    for _ in 0..20 {
        b = (wanted + 1.0 + b).ln();
    }
    (b - 1.166).max(4.77)
}

/// Mean run length of the same chart without a change; the inverse of [`cusum_decision`].
#[cfg(test)]
fn cusum_run_length(decision: f64) -> f64 {
    let b = decision + 1.166;
    b.exp() - b - 1.0
}

/// What the session test would find.
struct Detection {
    /// Relative scatter from shot to shot.
    scatter: f64,
    /// Relative standard uncertainty of the difference from the rigs.
    common: f64,
    power: f64,
}

impl Detection {
    /// Smallest relative shift that the test finds with the power asked for: that of the t test, with the rigs' share added
    /// to the uncertainty of the difference.
    fn smallest(&self, baseline: usize, latest: usize) -> Option<f64> {
        let in_scatters =
            smallest_shift(baseline, latest, SESSION_LEVEL, self.power).filter(|_| baseline.min(latest) > 1)?;
        let of_difference = (1.0 / baseline as f64 + 1.0 / latest as f64).sqrt();
        let factor = in_scatters / of_difference;
        Some(factor * (self.scatter * of_difference).hypot(self.common))
    }

    fn needed(&self, shift: f64, baseline: usize) -> Needed {
        // The rigs' share is known, not estimated: what it leaves of the shift must be found in the scatter.
        let normal = crate::maths::tests_of_means::normal_quantile;
        let beyond = (normal(1.0 - SESSION_LEVEL / 2.0) + normal(self.power)) * self.common;
        let left = (shift * shift - beyond * beyond).max(0.0).sqrt();
        let plan = Plan { shift: left / self.scatter, alpha: SESSION_LEVEL, power: self.power };
        let with_baseline = (baseline > 1).then(|| plan.against_baseline(baseline)).flatten();
        match (with_baseline, plan.per_group()) {
            // A baseline that would ask for a long session is better enlarged.
            (Some(latest), Some(both)) if latest <= 3 * both => Needed::InLatestSession(latest.max(2)),
            (_, Some(both)) => Needed::InBothSessions(both),
            _ => Needed::BetterScale,
        }
    }
}

fn chart_points(run: &Run, limits: Option<&IndividualsLimits>) -> Vec<ChartPoint> {
    let usual: Vec<f64> = run.baseline().iter().filter_map(|shot| shot.random_uncertainty_m_per_s).collect();
    let usual_square = if usual.is_empty() { None } else { Some(root_mean_square(&usual).powi(2)) };
    let centre = limits.map_or_else(|| run.all[0].speed_m_per_s, |limits| limits.centre);
    let sigma = limits.map_or(0.0, |limits| limits.sigma);
    let mut average = 0.0;
    run.all
        .iter()
        .zip(&run.left_out)
        .map(|(shot, left_out)| {
            let own = shot.random_uncertainty_m_per_s.map(|own| own * own);
            let extra = own.zip(usual_square).map_or(0.0, |(own, usual)| (own - usual).max(0.0));
            let sigma = (sigma * sigma + extra).sqrt();
            let score = if sigma > 0.0 { (shot.speed_m_per_s - centre) / sigma } else { 0.0 };
            if !left_out {
                average = ewma(&[score], average, EWMA_WEIGHT)[0];
            }
            ChartPoint { shot: *shot, sigma, score, ewma: average, left_out: *left_out }
        })
        .collect()
}

fn signals(points: &[ChartPoint]) -> Vec<Signal> {
    let places: Vec<usize> = (0..points.len()).filter(|place| !points[*place].left_out).collect();
    let scores: Vec<f64> = places.iter().map(|place| points[*place].score).collect();
    let mut signals: Vec<Signal> = Vec::new();
    for rule in WESTERN_ELECTRIC {
        let flagged = rule.flagged(&scores);
        signals.extend(flagged.into_iter().map(|at| Signal { point: places[at], kind: SignalKind::Rule(rule) }));
    }
    for (taken, place) in places.iter().enumerate() {
        if points[*place].ewma.abs() > ewma_half_width(EWMA_LIMIT, EWMA_WEIGHT, taken + 1) {
            signals.push(Signal { point: *place, kind: SignalKind::Ewma });
        }
    }
    signals.sort_by_key(|signal| signal.point);
    signals
}

#[cfg(test)]
mod tests;
