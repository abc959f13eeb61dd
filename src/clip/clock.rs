//! From presentation timestamps to true times.
//!
//! A stamp says when a player shows a frame. That is also when it was taken, unless the clip is slow motion stored at a
//! playback rate, the file lost stamps, or they were rounded. All of this is undone here, and what was done is said.

use std::fmt::Write;

use super::{ClipError, ClipInfo, ClipReport, RATES_HZ};

/// True times of the frames of a clip, and where they come from.
#[derive(Debug, Clone, PartialEq)]
pub struct Clock {
    /// True seconds of each frame from the first, by its stamp.
    pub times_s: Vec<f64>,
    /// The same by uniform steps, gaps kept as whole numbers of steps; for clips whose stamps jitter more than the camera.
    /// Equal to `times_s` where the rate changes within the clip, so that no one step would do.
    pub uniform_times_s: Vec<f64>,
    /// A sentence that names the clock.
    pub description: String,
    /// Played seconds per true second that were taken out; 1 for real time.
    pub slow_factor: f64,
    /// Usual frame rate in true time, Hz; gaps don't lower it.
    pub frame_rate_hz: f64,
    /// Relative standard uncertainty of the time base.
    pub relative_standard_uncertainty: f64,
    /// Largest distance of a stamp from the uniform steps, in true seconds.
    pub largest_jitter_s: f64,
    pub findings: Vec<Finding>,
}

/// Something about the stamps that the reader of a result must know. Times `at_s` are seconds of the file's clock from
/// the first frame, so that a player shows the place.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Finding {
    /// The file has no stamps at all; times are frame numbers over a stated rate.
    NoStamps { rate_hz: f64 },
    /// Frames without a stamp; theirs were filled in evenly between their neighbours.
    MissingStamps { count: usize },
    /// Stamps that repeat or go back; they were replaced as if missing.
    StampsOutOfOrder { count: usize },
    /// A step much longer than usual.
    Gap { at_s: f64, gap_s: f64, usual_s: f64, frames_missing: usize },
    /// Stamps are a uniform rate rounded to whole multiples of `resolution_s`; the rounding was taken out.
    RoundedStamps { resolution_s: f64 },
    /// The recorded capture rate and the stamps disagree: slow motion (or time lapse), undone.
    SlowMotionUndone { capture_rate_hz: f64, stamp_rate_hz: f64, stated_by_user: bool },
    /// The tag differs a little from the stamps, as a rate's name does from the rate; the stamps were kept.
    TagNotUsed { capture_rate_hz: f64, stamp_rate_hz: f64 },
    /// The spacing of stamps changes for good: the camera changed its rate, or a copy has slow motion baked into its stamps.
    StepChange { at_s: f64, before_s: f64, after_s: f64 },
    /// The maker's player slows down pieces of the clip; the stamps run evenly and nothing was taken from the pieces.
    MakersPieces { count: usize },
}

impl Finding {
    /// What was found, in one sentence.
    pub fn message(&self) -> String {
        match self {
            Self::NoStamps { rate_hz } => {
                format!("the file has no frame times; {rate_hz:.2} frames per second were taken throughout")
            }
            Self::MissingStamps { count } => {
                format!(
                    "{count} frames have no time of their own; theirs were filled in evenly between their neighbours"
                )
            }
            Self::StampsOutOfOrder { count } => {
                format!("{count} frame times repeat or go back; they were filled in evenly between their neighbours")
            }
            Self::Gap { at_s, gap_s, usual_s, frames_missing } => format!(
                "a gap of {:.0} ms at {at_s:.2} s, where {:.0} ms is usual: about {frames_missing} frames are missing",
                gap_s * 1e3,
                usual_s * 1e3
            ),
            Self::RoundedStamps { resolution_s } => {
                format!("frame times are rounded to {:.2} ms; the rounding was taken out", resolution_s * 1e3)
            }
            Self::SlowMotionUndone { capture_rate_hz, stamp_rate_hz, stated_by_user } => format!(
                "{} {capture_rate_hz:.2} frames per second and stored at {stamp_rate_hz:.2}; true time was restored",
                if *stated_by_user { "stated to be recorded at" } else { "tagged as recorded at" }
            ),
            Self::TagNotUsed { capture_rate_hz, stamp_rate_hz } => format!(
                "tagged as {capture_rate_hz:.2} frames per second, but the frame times run at {stamp_rate_hz:.2}; \
                 the frame times were used"
            ),
            Self::StepChange { at_s, before_s, after_s } => format!(
                "the frame spacing changes at {at_s:.2} s from {:.1} ms to {:.1} ms",
                before_s * 1e3,
                after_s * 1e3
            ),
            Self::MakersPieces { count } => {
                format!("the phone's player slows down {count} pieces of the clip; this changes no frame time")
            }
        }
    }
}

/// Relative standard uncertainty of a phone's own clock and stamps. Common practice, no source: crystals are good to some
/// 50 ppm, and stamps are taken at arrival rather than at exposure.
const STAMP_UNCERTAINTY: f64 = 1e-4;
/// Relative standard uncertainty of a rate known by its name only, such as 240. Common practice, no source: names
/// differ from rates by 0.1 % where 239.76 is called 240, and now and then by a few times that.
const NAMED_RATE_UNCERTAINTY: f64 = 1e-3;
/// A rate that the user states within this much of the stamps' own is its name.
const SAME_RATE: f64 = 0.005;
/// A gap further than this from whole steps, as a part of a step, is a cut and not a few dropped frames.
const NOT_WHOLE: f64 = 0.1;
/// A step that lasts and differs by this factor is another rate, such as 24 after 30 when the light fades.
const LASTING_CHANGE: f64 = 1.15;
/// Within this factor a tag doesn't mean slow motion: cameras lower their rate in poor light and keep the tag.
const NOT_SLOW_MOTION: f64 = 1.5;

impl Clock {
    /// Builds the clock of the frames whose stamps are given, in presentation order.
    ///
    /// `capture_rate_hz` is the user's word on how many frames per second were recorded; it goes before the file's tag.
    /// Fewer than two frames give a clock without steps, whose rate is that of `info` or the user.
    ///
    /// # Errors
    /// [`ClipError::BadRate`]; [`ClipError::BadTimes`] when no camera takes pictures so fast or slowly; [`ClipError::NoTimes`] when neither
    /// the file nor the user says anything of time.
    pub fn build(
        stamps_s: &[Option<f64>],
        info: &ClipInfo,
        report: &ClipReport,
        capture_rate_hz: Option<f64>,
    ) -> Result<Self, ClipError> {
        if let Some(rate) = capture_rate_hz
            && !RATES_HZ.contains(&rate)
        {
            return Err(ClipError::BadRate(rate));
        }
        let mut findings = Vec::new();
        let filled = match filled(stamps_s, &mut findings) {
            Some(filled) => filled,
            None => return without_stamps(stamps_s.len(), info, capture_rate_hz),
        };
        let mut grid = Grid::of(&filled);
        find_gaps(&filled, &grid, &mut findings);
        let one_rate = !find_step_change(&filled, &mut findings);
        if !one_rate {
            grid.step_s = median(&mut steps(&filled));
        }
        let file_times = unrounded(filled, &grid, &mut findings);
        if !report.slow_segments.is_empty() {
            findings.push(Finding::MakersPieces { count: report.slow_segments.len() });
        }
        let (slow_factor, source) = slow_factor(1.0 / grid.step_s, info, capture_rate_hz, &mut findings);
        let frame_rate_hz = slow_factor / grid.step_s;
        if !RATES_HZ.contains(&frame_rate_hz) {
            return Err(ClipError::BadTimes { rate_hz: frame_rate_hz });
        }
        let times_s: Vec<f64> = file_times.iter().map(|time| time / slow_factor).collect();
        let uniform_times_s = if one_rate { grid.times(slow_factor) } else { times_s.clone() };
        Ok(Self {
            largest_jitter_s: largest_distance(&times_s, &uniform_times_s),
            frame_rate_hz,
            relative_standard_uncertainty: source.uncertainty(),
            description: describe(source, slow_factor, grid.step_s, &findings),
            times_s,
            uniform_times_s,
            slow_factor,
            findings,
        })
    }
}

/// Where the factor between file time and true time comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Source {
    Stamps,
    Tag(f64),
    User(f64),
}

impl Source {
    fn uncertainty(self) -> f64 {
        match self {
            Self::Stamps => STAMP_UNCERTAINTY,
            Self::Tag(_) | Self::User(_) => NAMED_RATE_UNCERTAINTY,
        }
    }
}

/// Stamps from the first one, with missing and disordered ones filled in; `None` when fewer than two can be used.
fn filled(stamps_s: &[Option<f64>], findings: &mut Vec<Finding>) -> Option<Vec<f64>> {
    let stated: Vec<(usize, f64)> =
        stamps_s.iter().enumerate().filter_map(|(i, stamp)| stamp.filter(|s| s.is_finite()).map(|s| (i, s))).collect();
    let rising = longest_rising(&stated);
    if rising.len() < 2 {
        return None;
    }
    let missing = stamps_s.len() - stated.len();
    if missing > 0 {
        findings.push(Finding::MissingStamps { count: missing });
    }
    if rising.len() < stated.len() {
        findings.push(Finding::StampsOutOfOrder { count: stated.len() - rising.len() });
    }
    let times = fill(&rising, stamps_s.len());
    Some(times.iter().map(|time| time - times[0]).collect())
}

/// The longest run of strictly rising stamps, others left out, so that a few wild ones don't take the good ones with them.
fn longest_rising(stated: &[(usize, f64)]) -> Vec<(usize, f64)> {
    // `tails[k]` ends the rising run of length k + 1 with the lowest last stamp (Schensted 1961).
    let mut tails: Vec<usize> = Vec::new();
    let mut before: Vec<Option<usize>> = vec![None; stated.len()];
    for (place, &(_, stamp)) in stated.iter().enumerate() {
        let length = tails.partition_point(|&tail| stated[tail].1 < stamp);
        before[place] = length.checked_sub(1).map(|shorter| tails[shorter]);
        if length == tails.len() {
            tails.push(place);
        } else if stamp < stated[tails[length]].1 {
            // Of equal stamps the first is kept: the later frame is the one that lacks a time of its own.
            tails[length] = place;
        }
    }
    let mut run = Vec::new();
    let mut place = tails.last().copied();
    while let Some(at) = place {
        run.push(stated[at]);
        place = before[at];
    }
    run.reverse();
    run
}

/// Times for all frames from those known: straight between neighbours, and by the usual step beyond the ends.
fn fill(known: &[(usize, f64)], count: usize) -> Vec<f64> {
    let mut steps: Vec<f64> =
        known.windows(2).map(|pair| (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0) as f64).collect();
    let usual = median(&mut steps);
    let (first, last) = (known[0], known[known.len() - 1]);
    let mut times = Vec::with_capacity(count);
    times.extend((0..first.0).map(|i| first.1 - (first.0 - i) as f64 * usual));
    for pair in known.windows(2) {
        let ((from, start), (to, end)) = (pair[0], pair[1]);
        times.extend((from..to).map(|i| start + (end - start) * (i - from) as f64 / (to - from) as f64));
    }
    times.extend((last.0..count).map(|i| last.1 + (i - last.0) as f64 * usual));
    times
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 { values[middle] } else { 0.5 * (values[middle - 1] + values[middle]) }
}

fn steps(times: &[f64]) -> Vec<f64> {
    times.windows(2).map(|pair| pair[1] - pair[0]).collect()
}

/// The uniform steps that the stamps follow.
#[derive(Debug, Clone, PartialEq)]
struct Grid {
    /// Usual step in seconds of file time.
    step_s: f64,
    /// Number of steps from the first frame to each.
    places: Vec<usize>,
}

impl Grid {
    fn of(times: &[f64]) -> Self {
        let steps = steps(times);
        let usual = median(&mut steps.clone());
        let mut places = vec![0];
        places.extend(steps.iter().scan(0, |place, step| {
            *place += whole_steps(*step, usual);
            Some(*place)
        }));
        let singles: Vec<f64> = steps.iter().copied().filter(|step| whole_steps(*step, usual) == 1).collect();
        let mean_single = singles.iter().sum::<f64>() / singles.len() as f64;
        let all_whole = steps.iter().all(|step| {
            let count = whole_steps(*step, usual);
            count == 1 || (step - count as f64 * mean_single).abs() < NOT_WHOLE * mean_single
        });
        // A cut of any length belongs to no grid, and its length would pull the slope.
        let step_s = if all_whole { slope(&places, times) } else { mean_single };
        Self { step_s, places }
    }
}

impl Grid {
    /// Times of the frames by uniform steps, in true seconds when `slow_factor` file seconds go into one of them.
    fn times(&self, slow_factor: f64) -> Vec<f64> {
        self.places.iter().map(|&place| place as f64 * self.step_s / slow_factor).collect()
    }
}

fn whole_steps(step: f64, usual: f64) -> usize {
    (step / usual).round().max(1.0) as usize
}

/// Slope of the straight line through times over places, by least squares.
fn slope(places: &[usize], times: &[f64]) -> f64 {
    let count = places.len() as f64;
    let mean_place = places.iter().map(|&k| k as f64).sum::<f64>() / count;
    let mean_time = times.iter().sum::<f64>() / count;
    let (mut products, mut squares) = (0.0, 0.0);
    for (&place, time) in places.iter().zip(times) {
        let from_mean = place as f64 - mean_place;
        products += from_mean * (time - mean_time);
        squares += from_mean * from_mean;
    }
    products / squares
}

fn find_gaps(times: &[f64], grid: &Grid, findings: &mut Vec<Finding>) {
    for (i, pair) in times.windows(2).enumerate() {
        let count = grid.places[i + 1] - grid.places[i];
        if count > 1 {
            findings.push(Finding::Gap {
                at_s: pair[0],
                gap_s: pair[1] - pair[0],
                usual_s: grid.step_s,
                frames_missing: count - 1,
            });
        }
    }
}

/// Looks for places where several even steps of one length are followed by several of another.
fn find_step_change(times: &[f64], findings: &mut Vec<Finding>) -> bool {
    const RUN: usize = 5;
    let known = findings.len();
    let steps = steps(times);
    let mut i = RUN;
    while i + RUN <= steps.len() {
        let (before, after) = (&steps[i - RUN..i], &steps[i..i + RUN]);
        let (usual_before, usual_after) = (median(&mut before.to_vec()), median(&mut after.to_vec()));
        let ratio = usual_after / usual_before;
        if !(1.0 / LASTING_CHANGE..=LASTING_CHANGE).contains(&ratio)
            && is_even(before, before[RUN - 1], usual_before)
            && is_even(after, after[0], usual_after)
        {
            findings.push(Finding::StepChange { at_s: times[i], before_s: usual_before, after_s: usual_after });
            i += RUN;
        } else {
            i += 1;
        }
    }
    findings.len() > known
}

/// Whether the steps keep to `usual` but for one, which may be a gap and isn't the one `at_turn`.
fn is_even(steps: &[f64], at_turn: f64, usual: f64) -> bool {
    let keeps = |step: f64| (step - usual).abs() < 0.08 * usual;
    keeps(at_turn) && steps.iter().filter(|step| !keeps(**step)).count() <= 1
}

/// Times with the rounding of the stamps taken out, where they are a uniform rate rounded to a coarse unit.
fn unrounded(times: Vec<f64>, grid: &Grid, findings: &mut Vec<Finding>) -> Vec<f64> {
    /// Units in which files count: hundredths and thousandths of a second, and QuickTime's 600ths.
    const RESOLUTIONS_S: [f64; 3] = [1e-2, 1.0 / 600.0, 1e-3];
    let is_multiple = |time: f64, unit: f64| (time / unit - (time / unit).round()).abs() < 1e-3;
    let Some(&resolution_s) = RESOLUTIONS_S.iter().find(|&&unit| times.iter().all(|&time| is_multiple(time, unit)))
    else {
        return times;
    };
    let uniform = grid.times(1.0);
    let offsets: Vec<f64> = times.iter().zip(&uniform).map(|(time, uniform)| time - uniform).collect();
    let highest = offsets.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest = offsets.iter().copied().fold(f64::INFINITY, f64::min);
    // Rounding to the nearest, or cutting off, moves a stamp within one unit in all; the slope is off by less than that.
    let is_rounding = highest - lowest <= 1.1 * resolution_s;
    let already_uniform = highest - lowest < 1e-6;
    if !is_rounding || already_uniform {
        return times;
    }
    findings.push(Finding::RoundedStamps { resolution_s });
    uniform
}

/// Played seconds per true second, and on whose word.
fn slow_factor(
    stamp_rate_hz: f64,
    info: &ClipInfo,
    user_rate_hz: Option<f64>,
    findings: &mut Vec<Finding>,
) -> (f64, Source) {
    if let Some(rate) = user_rate_hz {
        let factor = rate / stamp_rate_hz;
        if (factor - 1.0).abs() <= SAME_RATE {
            return (1.0, Source::Stamps);
        }
        findings.push(Finding::SlowMotionUndone { capture_rate_hz: rate, stamp_rate_hz, stated_by_user: true });
        return (factor, Source::User(rate));
    }
    let Some(rate) = info.capture_rate_hz() else {
        return (1.0, Source::Stamps);
    };
    let factor = rate / stamp_rate_hz;
    if (1.0 / NOT_SLOW_MOTION..NOT_SLOW_MOTION).contains(&factor) {
        if (factor - 1.0).abs() > SAME_RATE {
            findings.push(Finding::TagNotUsed { capture_rate_hz: rate, stamp_rate_hz });
        }
        return (1.0, Source::Stamps);
    }
    findings.push(Finding::SlowMotionUndone { capture_rate_hz: rate, stamp_rate_hz, stated_by_user: false });
    (factor, Source::Tag(rate))
}

fn largest_distance(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

/// The clock of a clip without usable stamps: frame numbers over the rate that the user, the tag or the container states.
fn without_stamps(count: usize, info: &ClipInfo, user_rate_hz: Option<f64>) -> Result<Clock, ClipError> {
    let usable = |rate: &f64| RATES_HZ.contains(rate);
    let rate_hz =
        user_rate_hz.or(info.capture_rate_hz()).or(info.stated_rate_hz.filter(usable)).ok_or(ClipError::NoTimes)?;
    let times_s: Vec<f64> = (0..count).map(|i| i as f64 / rate_hz).collect();
    let findings = if count > 1 { vec![Finding::NoStamps { rate_hz }] } else { Vec::new() };
    Ok(Clock {
        uniform_times_s: times_s.clone(),
        times_s,
        description: format!("frame numbers at {rate_hz:.2} frames per second, because the file has no frame times"),
        slow_factor: 1.0,
        frame_rate_hz: rate_hz,
        relative_standard_uncertainty: NAMED_RATE_UNCERTAINTY,
        largest_jitter_s: 0.0,
        findings,
    })
}

fn describe(source: Source, slow_factor: f64, step_s: f64, findings: &[Finding]) -> String {
    let stored = 1.0 / step_s;
    let rounded = findings.iter().any(|finding| matches!(finding, Finding::RoundedStamps { .. }));
    let stamps =
        if rounded { "the file's frame times with their rounding taken out" } else { "the file's frame times" };
    let mut text = match source {
        Source::Stamps => format!("{stamps}, {stored:.2} frames per second"),
        Source::Tag(rate) => format!(
            "{stamps}, brought to true time by the file's capture rate: recorded at {rate:.2} frames per second, stored at \
             {stored:.2}, slowed {slow_factor:.2} times"
        ),
        Source::User(rate) => format!(
            "{stamps}, brought to true time by the stated capture rate: recorded at {rate:.2} frames per second, stored at \
             {stored:.2}, slowed {slow_factor:.2} times"
        ),
    };
    let gaps = findings.iter().filter(|finding| matches!(finding, Finding::Gap { .. })).count();
    if gaps > 0 {
        // Writing to a string can't fail.
        let _ = write!(text, "; {gaps} {}", if gaps == 1 { "gap" } else { "gaps" });
    }
    text
}

#[cfg(test)]
mod tests;
