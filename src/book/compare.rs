//! Two groups of shots side by side: launchers, settings, sessions, or timing gate against video.

use std::time::Duration;

use thiserror::Error;

use super::series::{Series, SeriesShot, common_uncertainty_of_difference};
use crate::maths::agreement::{Agreement, limits_of_agreement};
use crate::maths::power::Plan;
use crate::maths::tests_of_means::{Sample, TTest, welch_with_common};

/// Why two groups can't be compared.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum CompareError {
    #[error("{group} has {found} counted shots, and a comparison needs at least 2")]
    TooFewShots { group: String, found: usize },
    #[error("all shots of both groups have the same speed, so there is no scatter to judge by")]
    NoScatter,
    #[error("{found} pairs were found, and limits of agreement need at least 3")]
    TooFewPairs { found: usize },
}

impl CompareError {
    /// What to do next.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::TooFewShots { .. } => Some("record more shots, or ask for other ones".to_owned()),
            Self::NoScatter => Some("record the speeds with more digits".to_owned()),
            Self::TooFewPairs { .. } => Some(
                "measure the same shots both ways in one session; pairs lie within `--within` seconds of each other, or are \
                 taken in order with `--in-order`"
                    .to_owned(),
            ),
        }
    }
}

/// Two groups compared by their means.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    pub first: Sample,
    pub second: Sample,
    /// First minus second, by Welch's test with the rigs' shared errors.
    pub test: TTest,
    /// Standard uncertainty of the difference from the rigs alone, m/s.
    pub common_uncertainty_m_per_s: f64,
    /// Whether the shared errors of some rig aren't known, so that the interval lacks them.
    pub common_unknown: bool,
    /// Shots per group that would show a difference as large as `shift_of_interest`, at 5 % and 80 %.
    pub needed_per_group: Option<usize>,
}

impl Comparison {
    /// Whether the difference is beyond chance and rigs at 5 %.
    pub fn differs(&self) -> bool {
        self.test.p_two_sided < 0.05
    }
}

/// Compares two series by their means; `names` for the errors, `shift_of_interest` relative.
///
/// # Errors
/// [`CompareError::TooFewShots`], [`CompareError::NoScatter`].
pub fn compare(
    first: &Series,
    second: &Series,
    names: [&str; 2],
    shift_of_interest: f64,
) -> Result<Comparison, CompareError> {
    for (series, name) in [(first, names[0]), (second, names[1])] {
        let found = series.shots.len();
        if found < 2 {
            return Err(CompareError::TooFewShots { group: name.to_owned(), found });
        }
    }
    let second_shots = with_rigs_of(second, first);
    let (common, unknown) = common_uncertainty_of_difference(&first.shots, &second_shots);
    let sample = |series: &Series| Sample::of(&series.speeds()).ok_or(CompareError::NoScatter);
    let (a, b) = (sample(first)?, sample(second)?);
    let test = welch_with_common(&a, &b, common).ok_or(CompareError::NoScatter)?;
    Ok(Comparison {
        first: a,
        second: b,
        test,
        common_uncertainty_m_per_s: common,
        common_unknown: unknown,
        needed_per_group: needed_per_group(&a, &b, shift_of_interest),
    })
}

fn needed_per_group(first: &Sample, second: &Sample, shift: f64) -> Option<usize> {
    let scatter = (first.sd?.powi(2) / 2.0 + second.sd?.powi(2) / 2.0).sqrt();
    let mean = (first.mean + second.mean) / 2.0;
    Plan { shift: shift * mean / scatter, alpha: 0.05, power: 0.8 }.per_group()
}

/// The shots of `series` with their rigs numbered as in `other`, so that the same rig has the same number in both.
fn with_rigs_of(series: &Series, other: &Series) -> Vec<SeriesShot> {
    let renumbered: Vec<usize> = series
        .rigs
        .iter()
        .enumerate()
        .map(|(own, name)| other.rigs.iter().position(|known| known == name).unwrap_or(other.rigs.len() + own))
        .collect();
    series.shots.iter().map(|shot| SeriesShot { rig: renumbered[shot.rig], ..*shot }).collect()
}

/// How readings of the same shot find each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pairing {
    /// Each with the nearest in time, at most so far away.
    Within(Duration),
    /// The first with the first of the same session, and so on.
    InOrder,
}

/// Agreement of two ways of measuring the same shots: bias with limits of agreement (Bland and Altman), in m/s.
///
/// # Errors
/// [`CompareError::TooFewPairs`].
pub fn agreement(first: &Series, second: &Series, pairing: Pairing) -> Result<Agreement, CompareError> {
    let pairs = match pairing {
        Pairing::Within(within) => pairs_by_time(&first.shots, &second.shots, within),
        Pairing::InOrder => pairs_in_order(first, second),
    };
    let speeds: Vec<(f64, f64)> = pairs.iter().map(|(a, b)| (a.speed_m_per_s, b.speed_m_per_s)).collect();
    limits_of_agreement(&speeds).ok_or(CompareError::TooFewPairs { found: speeds.len() })
}

/// Pairs in which each is the other's nearest; both slices in the order of time.
fn pairs_by_time(first: &[SeriesShot], second: &[SeriesShot], within: Duration) -> Vec<(SeriesShot, SeriesShot)> {
    first
        .iter()
        .filter_map(|shot| {
            let partner = nearest(second, shot)?;
            let back = nearest(first, partner)?;
            (back.id == shot.id && gap(shot, partner) <= within).then_some((*shot, *partner))
        })
        .collect()
}

fn gap(first: &SeriesShot, second: &SeriesShot) -> Duration {
    first.time.duration_since(second.time).unsigned_abs()
}

fn nearest<'s>(shots: &'s [SeriesShot], to: &SeriesShot) -> Option<&'s SeriesShot> {
    let after = shots.partition_point(|shot| shot.time < to.time);
    let candidates = [after.checked_sub(1), Some(after)];
    candidates.into_iter().flatten().filter_map(|at| shots.get(at)).min_by_key(|shot| gap(shot, to))
}

/// Sessions with as many shots in both series, shot by shot; a session with a missing reading can't be paired by order.
fn pairs_in_order(first: &Series, second: &Series) -> Vec<(SeriesShot, SeriesShot)> {
    let of_session = |series: &Series, name: &str| -> Vec<SeriesShot> {
        series.shots.iter().filter(|shot| series.sessions[shot.session] == name).copied().collect()
    };
    first
        .sessions
        .iter()
        .flat_map(|name| {
            let (a, b) = (of_session(first, name), of_session(second, name));
            let count = if a.len() == b.len() { a.len() } else { 0 };
            a.into_iter().zip(b).take(count).collect::<Vec<_>>()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::super::shot::Source;
    use super::*;

    fn series(session: &str, start: i64, speeds: &[f64], common: Option<f64>) -> Series {
        let shots = speeds
            .iter()
            .enumerate()
            .map(|(index, speed)| SeriesShot {
                id: start + index as i64,
                time: Timestamp::from_second(60 * index as i64 + start).unwrap(),
                session: 0,
                speed_m_per_s: *speed,
                random_uncertainty_m_per_s: None,
                common_uncertainty_m_per_s: common,
                rig: 0,
                source: Source::Gate,
                angle: None,
            })
            .collect();
        Series { shots, sessions: vec![session.into()], rigs: vec![session.into()], ..Series::default() }
    }

    #[test]
    fn a_shared_rig_cancels_and_two_rigs_do_not() {
        let (a, b) = ([4.0, 4.02, 3.98, 4.01, 3.99], [4.06, 4.08, 4.04, 4.07, 4.05]);
        let same = compare(&series("s", 0, &a, Some(0.05)), &series("s", 1, &b, Some(0.05)), ["a", "b"], 0.02).unwrap();
        // 0.05 shares of fifths, summed and subtracted: a few roundings remain.
        assert!(same.common_uncertainty_m_per_s < 1e-15 && same.differs());
        let two = compare(&series("s", 0, &a, Some(0.05)), &series("t", 1, &b, Some(0.05)), ["a", "b"], 0.02).unwrap();
        assert!((two.common_uncertainty_m_per_s - 0.05 * 2.0_f64.sqrt()).abs() < 1e-12 && !two.differs());
        let unknown = compare(&series("s", 0, &a, None), &series("t", 1, &b, None), ["a", "b"], 0.02).unwrap();
        assert!(unknown.common_unknown);
        assert!(compare(&series("s", 0, &[4.0], None), &series("t", 1, &b, None), ["a", "b"], 0.02).is_err());
    }

    #[test]
    fn readings_of_one_shot_find_each_other() {
        let gate = series("s", 0, &[4.0, 4.1, 4.2, 4.3], None);
        let mut video = series("s", 5, &[4.05, 4.12, 4.27, 4.31], None);
        let found = agreement(&gate, &video, Pairing::Within(Duration::from_secs(30))).unwrap();
        assert_eq!(found.pairs, 4);
        // Differences −0.05, −0.02, −0.07, −0.01.
        assert!((found.bias + 0.0375).abs() < 1e-12);
        video.shots.remove(1);
        assert_eq!(agreement(&gate, &video, Pairing::Within(Duration::from_secs(30))).unwrap().pairs, 3);
        assert_eq!(agreement(&gate, &video, Pairing::InOrder), Err(CompareError::TooFewPairs { found: 0 }));
        assert!(agreement(&gate, &video, Pairing::Within(Duration::from_secs(1))).is_err());
    }
}
