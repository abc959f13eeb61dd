//! Whether the measured gravity agrees with the expected one, and what would explain it when it doesn't.

mod cause;
mod clues;
mod eye;
mod hypothesis;
mod words;

pub use cause::{Cause, CauseKind, RATES_HZ, named_rate};
pub use clues::{Roughness, exposure_change_from_streaks, length_factor_from_ball, roughness};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::fit::view::FlightView;
use crate::fit::{Bends, Evaluated, FitOptions, FlightFit};
use crate::maths::distributions::{coverage_factor, student_two_sided};
use crate::sight::Sighting;
use crate::units::{Covariance2, Estimate, PixelPoint};
use cause::{Stage, length_mix_ups, rate_pairs};
use hypothesis::{Case, Explained, explain};

/// Explanations whose scores lie closer than this can't be told apart: a likelihood ratio of e².
pub const TOLD_APART: f64 = 4.0;

/// So many of them at most are named together as the first entry.
pub const MOST_JOINTLY: usize = 3;

/// At how many sightings at an end the ball may have been touched.
const MOST_TOUCHED: usize = 6;

/// So many sightings rejected in a row at an end want a reason, even when gravity comes out right without them.
const TELLING_RUN: usize = 3;

/// Sightings that lie so many times farther from the path than the picture's own noise puts them want a reason as well. That noise
/// shows across the motion, from one sighting to the next: a poor picture scatters both ways alike, uneven times only along.
const TELLING_SCALE: f64 = 2.0;

/// Sightings so many times farther from the path than the picture's noise are no free flight's, or no ball's: whatever comes out says
/// nothing (common practice, no source).
pub const FAR_OFF: f64 = 5.0;

/// A half-width of more than this share of the expected gravity says nothing about it: in a lesson's clip whatever goes wrong by
/// less than that would pass (common practice, no source).
const TELLS_WITHIN: f64 = 0.10;

/// Below this probability a difference isn't put down to chance (common practice, no source).
const LEAST_CHANCE: f64 = 1e-3;

/// A cause whose score lies so far above the first isn't worth a reader's time: odds under one in a million.
const OUT_OF_THE_QUESTION: f64 = 28.0;

/// A flight among those whose gravity is judged.
#[derive(Clone, Copy)]
pub struct FlightEvidence<'a> {
    /// 1 for the first flight of the clip.
    pub number: usize,
    pub sightings: &'a [Sighting],
    pub fit: &'a FlightFit,
    /// Change of the exposure over the flight as the streaks show it, with its standard uncertainty, s.
    pub exposure_change_s: Option<(f64, f64)>,
    /// How far the background's way bows over the flight (x right, y up) and its standard uncertainty, m in the flight plane.
    pub background_bend_m: Option<(f64, f64, f64)>,
}

/// All that is known of the flights that share gravity and the camera, when that gravity is judged.
pub struct Evidence<'a> {
    /// At least one.
    pub flights: Vec<FlightEvidence<'a>>,
    pub view: &'a dyn FlightView,
    /// As were given to the fit.
    pub options: &'a FitOptions,
    /// With the whole budget in its uncertainty, m/s².
    pub measured_gravity: Estimate,
    pub expected_gravity: Estimate,
    /// Relative standard uncertainty of lengths and times as stated.
    pub length_relative: f64,
    pub time_relative: f64,
    /// Frames per true second as taken: that at which the file plays unless it or the user says otherwise.
    pub taken_rate_hz: f64,
    /// That over the rate at which the clip plays: other than 1 where its file or somebody says that it is slow motion.
    pub slow_factor: f64,
    /// Size of the displayed picture, px.
    pub picture_px: (f64, f64),
    /// Camera to flight, m; `None` takes 1.2 times the width of the field, as phones see it when filming.
    pub camera_distance_m: Option<f64>,
    /// Stated over true length as the ball's own size shows it, with its relative standard uncertainty.
    pub length_factor: Option<(f64, f64)>,
    /// The ball's stated diameter, m, where that alone gives the scale.
    pub ball_as_scale_m: Option<f64>,
    /// Stated over true time as mains flicker or the sound track shows it, with its relative standard uncertainty.
    pub time_factor: Option<(f64, f64)>,
    /// Standard uncertainty of the vertical when a plumb line was in view, rad.
    pub plumb_line_rad: Option<f64>,
}

/// What came out for a flight, with its sightings on the clock that was chosen.
#[derive(Clone, Copy)]
pub struct EvaluatedFlight<'a> {
    /// 1 for the first flight of the clip.
    pub number: usize,
    pub evaluated: &'a Evaluated,
    pub sightings: &'a [Sighting],
}

/// What the clip says beside its flights.
#[derive(Clone, Copy)]
pub struct Circumstances<'a> {
    pub view: &'a dyn FlightView,
    /// As were given to the fit.
    pub options: &'a FitOptions,
    pub expected_gravity: Estimate,
    /// Size of the displayed picture, px.
    pub picture_px: (f64, f64),
    /// Frames per true second as taken.
    pub taken_rate_hz: f64,
    /// That over the rate at which the clip plays.
    pub slow_factor: f64,
    /// The ball's diameter and its standard uncertainty, m, where it is stated beside another scale.
    pub ball_diameter_m: Option<(f64, f64)>,
}

impl<'a> Evidence<'a> {
    /// From what the fit stage gave for flights that share gravity, at least one. What the sightings show besides is worked out
    /// (streaks, and the ball's size); the other clues can be set on the result.
    pub fn from_evaluated(flights: &[EvaluatedFlight<'a>], clip: &Circumstances<'a>) -> Self {
        let view = clip.view;
        let budget = &flights[0].evaluated.budget;
        let of_flight = |flight: &EvaluatedFlight<'a>| FlightEvidence {
            number: flight.number,
            sightings: flight.sightings,
            fit: &flight.evaluated.fit,
            exposure_change_s: exposure_change_from_streaks(flight.sightings, &flight.evaluated.fit, view),
            background_bend_m: None,
        };
        // What blurs the ball's edge is alike in all flights, so that they know its size no better than one.
        let all: Vec<Sighting> = flights.iter().flat_map(|flight| flight.sightings.iter().cloned()).collect();
        Self {
            flights: flights.iter().map(of_flight).collect(),
            view,
            options: clip.options,
            measured_gravity: budget.gravity_m_per_s2.estimate(),
            expected_gravity: clip.expected_gravity,
            length_relative: budget.length_relative(),
            time_relative: budget.time_relative(),
            taken_rate_hz: clip.taken_rate_hz,
            slow_factor: clip.slow_factor,
            picture_px: clip.picture_px,
            camera_distance_m: None,
            length_factor: clip.ball_diameter_m.and_then(|d| length_factor_from_ball(&all, view, d)),
            ball_as_scale_m: None,
            time_factor: None,
            plumb_line_rad: None,
        }
    }

    /// Expected gravity with what lengths and times leave open.
    fn gravity_known(&self) -> (f64, f64) {
        let g = self.expected_gravity.value;
        let own = self.expected_gravity.standard_uncertainty.unwrap_or(0.03);
        let u = own.hypot(g * self.length_relative).hypot(2.0 * g * self.time_relative);
        // Known to a tenth of a per mille at best: local anomalies.
        (g, u.max(1e-4 * g))
    }

    fn stage(&self, of: &FlightEvidence<'_>, sightings: &[Sighting]) -> Option<Stage> {
        let (width, height) = self.picture_px;
        let (first, last) = (sightings.first()?, sightings.last()?);
        let middle = self.view.metre_from_pixel(PixelPoint::new(0.5 * width, 0.5 * height))?;
        let edge = self.view.metre_from_pixel(PixelPoint::new(width, 0.5 * height))?;
        let half_width_m = edge.distance(middle);
        let mut steps: Vec<f64> = sightings.windows(2).map(|w| w[1].time_s - w[0].time_s).collect();
        steps.sort_by(f64::total_cmp);
        let mut radii: Vec<f64> = self.flights.iter().flat_map(|f| f.sightings.iter().map(|s| s.radius_px)).collect();
        radii.sort_by(f64::total_cmp);
        let launch = of.fit.launch_state();
        Some(Stage {
            middle,
            ball_diameter_m: 4.0 * radii[radii.len() / 2] * half_width_m / width,
            half_width_m,
            distance_m: self.camera_distance_m.unwrap_or(4.0 * half_width_m * 0.6),
            launch_speed_m_per_s: launch.vx.hypot(launch.vy),
            first_s: first.time_s,
            span_s: last.time_s - first.time_s,
            frame_step_s: *steps.get(steps.len() / 2)?,
        })
    }

    /// The longest run of sightings that a fit rejected at an end of a flight, with that flight's number.
    fn longest_rejected_run(&self) -> (usize, usize) {
        let runs = self.flights.iter().map(|flight| {
            let (first, last) = flight.rejected_runs();
            (first.max(last), flight.number)
        });
        runs.max_by_key(|(run, number)| (*run, std::cmp::Reverse(*number))).unwrap_or((0, 1))
    }

    /// The sightings to explain, flight by flight.
    fn to_explain(&self) -> Vec<Vec<Sighting>> {
        let noise = self.picture_noise();
        self.flights.iter().map(|flight| flight.wanting_reasons(noise)).collect()
    }

    /// Root mean square over the flights, which one camera filmed; `None` where none of them tells.
    fn roughness(&self) -> Option<Roughness> {
        let each = self.flights.iter().filter_map(|flight| Some((flight.fit.used() as f64, flight.roughness()?)));
        let each: Vec<(f64, Roughness)> = each.collect();
        let count: f64 = each.iter().map(|(count, _)| count).sum();
        let mean = |of: fn(&Roughness) -> f64| {
            (each.iter().map(|(count, rough)| count * of(rough).powi(2)).sum::<f64>() / count).sqrt()
        };
        (count > 0.0).then(|| Roughness { along: mean(|r| r.along), across: mean(|r| r.across) })
    }

    /// How many times rougher than their covariances the picture makes the sightings; 1 where it doesn't.
    fn picture_noise(&self) -> f64 {
        self.roughness().map_or(1.0, |rough| rough.across.max(1.0))
    }

    /// How many times farther than their covariances say the sightings lie from the path.
    fn rough(&self) -> f64 {
        let along = self.roughness().map_or(0.0, |rough| rough.along);
        self.flights.iter().map(|flight| flight.fit.noise.scale).fold(along, f64::max)
    }

    /// Whether the sightings lie farther from the path than the picture makes them.
    fn is_rough(&self) -> bool {
        self.rough() > TELLING_SCALE * self.picture_noise()
    }
}

impl FlightEvidence<'_> {
    fn roughness(&self) -> Option<Roughness> {
        roughness(self.sightings, self.fit)
    }

    /// How many sightings the fit rejected in a row at the beginning and at the end.
    fn rejected_runs(&self) -> (usize, usize) {
        let used: Vec<bool> = self.fit.residuals.iter().map(|r| r.used).collect();
        let first = used.iter().position(|u| *u).unwrap_or(0);
        (first, used.iter().rev().position(|u| *u).unwrap_or(0))
    }

    /// The sightings that the fit kept, and those that it rejected in a row at either end: a touched ball is rejected, and so is
    /// all that lies beyond a missing frame. Single false sightings stay out. Each so many times rougher than stated.
    fn wanting_reasons(&self, noise: f64) -> Vec<Sighting> {
        let (first, last) = self.rejected_runs();
        let end = self.sightings.len() - last;
        let all = self.sightings.iter().zip(&self.fit.residuals).enumerate();
        let rougher = |s: &Sighting| {
            let c = s.covariance_px2;
            let covariance_px2 =
                Covariance2 { xx: c.xx * noise * noise, xy: c.xy * noise * noise, yy: c.yy * noise * noise };
            Sighting { covariance_px2, ..s.clone() }
        };
        all.filter(|(i, (_, r))| r.used || *i < first || *i >= end).map(|(_, (s, _))| rougher(s)).collect()
    }
}

/// Whether two values agree, and the statistic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Agreement {
    /// Measured minus expected, m/s².
    pub difference: f64,
    /// Standard uncertainty of the difference.
    pub standard_uncertainty: f64,
    /// Difference over its standard uncertainty.
    pub ratio: f64,
    /// Chance of a difference at least as large when nothing is wrong.
    pub probability: f64,
    /// Whether the difference is within its 95 % interval.
    pub consistent: bool,
}

impl Agreement {
    /// Of the difference's interval, about, m/s².
    pub(crate) fn half_width(&self) -> f64 {
        1.96 * self.standard_uncertainty
    }
}

/// One explanation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RankedCause {
    pub cause: Cause,
    pub kind: CauseKind,
    /// The figure it would need, in words with its unit.
    pub needed: String,
    /// That figure and its standard uncertainty in SI units; `None` for a discrete cause.
    pub figure: Option<(f64, f64)>,
    /// What would have happened, and how to check it: one or two sentences.
    pub explanation: String,
    pub check: String,
    /// Score above that of the first: small is good.
    pub above_first: f64,
    /// Share of the belief among the causes considered, 0 to 1.
    pub belief: f64,
    /// Whether the data can't tell it from the first, whatever was thought likely beforehand.
    pub tied_with_first: bool,
    /// The flight of the clip that it is about; `None` for a cause of the whole clip.
    pub flight: Option<usize>,
}

/// Whether gravity came out as expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    Agrees,
    Disagrees,
    /// The interval holds the expected value and so much else that it says nothing.
    CantTell,
}

/// The verdict on one flight, or on several that share gravity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    pub answer: Answer,
    pub agreement: Agreement,
    /// The answer in a sentence.
    pub sentence: String,
    /// What would explain a disagreement, most likely first; empty when there is none.
    pub causes: Vec<RankedCause>,
    /// How many of the first causes the data can't tell apart; nought or one when there is nothing of the kind.
    pub jointly: usize,
}

impl Verdict {
    /// The causes that are worth a reader's time: those that can't be told from the first, and those with some belief left.
    pub fn likely(&self) -> &[RankedCause] {
        /// Less isn't worth looking into (common practice, no source).
        const LEAST_BELIEF: f64 = 0.01;
        let unlikely = |cause: &RankedCause| !cause.tied_with_first && cause.belief < LEAST_BELIEF;
        let count = self.causes.iter().position(unlikely).unwrap_or(self.causes.len());
        &self.causes[..count]
    }

    /// The likely reasons as whole sentences, the likeliest first, each with what it needs and how to check it.
    pub fn reasons(&self) -> Vec<String> {
        self.likely().iter().map(|c| format!("{} {} {}", c.explanation, c.needed, c.check)).collect()
    }
}

/// Compares measured and expected gravity.
pub fn agreement(measured: Estimate, expected: Estimate) -> Agreement {
    let u = |e: Estimate| e.standard_uncertainty.unwrap_or(0.0);
    let difference = measured.value - expected.value;
    let standard_uncertainty = u(measured).hypot(u(expected));
    let ratio = difference / standard_uncertainty;
    // The interval of the measured value keeps its own coverage factor.
    let normal = coverage_factor(0.95, f64::INFINITY);
    let factor = measured
        .expanded_uncertainty_95
        .map_or(normal, |e| if u(measured) > 0.0 { (e / u(measured)).max(1.65) } else { normal });
    let probability = probability(ratio, factor);
    Agreement { difference, standard_uncertainty, ratio, probability, consistent: ratio.abs() <= factor }
}

/// Chance of a ratio at least as large, for a value whose 95 % interval has that coverage factor: Student's distribution with the
/// degrees of freedom of the factor. A factor below the normal one comes of a distribution with short tails; there the normal one is
/// drawn together until its interval is that one, so that 5 % and the interval's end are the same in every case.
fn probability(ratio: f64, factor: f64) -> f64 {
    let normal = coverage_factor(0.95, f64::INFINITY);
    if factor <= normal {
        return student_two_sided(ratio * normal / factor, f64::INFINITY);
    }
    let (mut low, mut high) = (1f64, 1e6f64);
    // The factor falls as the degrees of freedom rise; halved until they are known to a millionth.
    for _ in 0..60 {
        let middle = (low * high).sqrt();
        if coverage_factor(0.95, middle) > factor { low = middle } else { high = middle }
    }
    student_two_sided(ratio, (low * high).sqrt())
}

/// Judges flights that share gravity; causes are sought when measured and expected gravity disagree, when the fit had to leave out a run
/// of sightings at an end, or when the sightings lie far rougher about the path than they should.
pub fn judge(evidence: &Evidence) -> Verdict {
    let agreement = agreement(evidence.measured_gravity, evidence.expected_gravity);
    let (run, _) = evidence.longest_rejected_run();
    let seek = !agreement.consistent || run >= TELLING_RUN || evidence.is_rough();
    let mut causes = if seek { ranked_causes(evidence) } else { Vec::new() };
    causes.retain(|c| c.above_first < OUT_OF_THE_QUESTION);
    // Chance that has just been said to make so much less than once in a thousand times is no reason.
    let chance = |c: &RankedCause| c.cause == Cause::TooFewSightings && !agreement.consistent;
    causes.retain(|c| !chance(c) || agreement.probability > LEAST_CHANCE);
    // Those that can't be told from the first stand beside it, in their own order.
    causes.sort_by_key(|cause| !cause.tied_with_first);
    let tied = causes.iter().filter(|cause| cause.tied_with_first).count().min(MOST_JOINTLY);
    let jointly = if tied > 1 { tied } else { 0 };
    let answer = answer(evidence, &agreement);
    Verdict {
        answer,
        sentence: words::verdict(evidence, answer, &agreement, &causes, jointly),
        agreement,
        causes,
        jointly,
    }
}

fn answer(evidence: &Evidence, agreement: &Agreement) -> Answer {
    let far_off = evidence.flights.iter().any(|flight| flight.fit.noise.scale > FAR_OFF);
    if !agreement.consistent {
        Answer::Disagrees
    } else if far_off || agreement.half_width() > TELLS_WITHIN * evidence.expected_gravity.value {
        Answer::CantTell
    } else {
        Answer::Agrees
    }
}

/// All causes that can be brought to explain the sightings, most likely first.
///
/// Each is fitted by itself with gravity known, one extra parameter or one corrected input, and scored by the
/// corrected information criterion and how often it is met. One entry a kind, and one a flight where a cause is a flight's. A cause that would
/// need no more than nought, for all that the sightings say, explains nothing and is left out, and so is one that isn't met in such a
/// size. Those that the data can't tell from the first are named together with it.
pub fn ranked_causes(evidence: &Evidence) -> Vec<RankedCause> {
    let sightings = evidence.to_explain();
    // A fit that had to do without them has found none.
    let found = evidence.options.bends.fitted && evidence.flights.iter().all(|flight| !flight.fit.camera.is_empty());
    let bends = Bends::of(evidence.view, found);
    let case = Case { evidence, bends: &bends, sightings: &sightings };
    // In their order, whichever is done first: the same flight gives the same list.
    let candidates = candidates(evidence, &sightings).into_par_iter();
    let mut explained: Vec<Explained> =
        candidates.filter_map(|(cause, jitter_s)| explain(&case, cause, jitter_s)).collect();
    explained.extend(frame_counts(&case));
    explained.retain(|e| !e.is_nought() && !e.is_out_of_reach(evidence.taken_rate_hz));
    // Sightings rougher than stated make every misfit larger alike.
    let noise = explained.iter().map(Explained::misfit_per_freedom).fold(f64::INFINITY, f64::min).max(1.0);
    explained.sort_by(|a, b| a.score(noise).total_cmp(&b.score(noise)));
    let mut seen: Vec<(CauseKind, Option<usize>)> = Vec::new();
    explained.retain(|e| {
        let entry = (e.cause.kind(), e.cause.of_flight());
        let fresh = !seen.contains(&entry);
        seen.push(entry);
        fresh
    });
    let first = explained.first().map_or(0.0, |e| e.score(noise));
    let first_by_sightings = explained.first().map_or(0.0, |e| e.score_by_data(noise));
    let total: f64 = explained.iter().map(|e| (-0.5 * (e.score(noise) - first)).exp()).sum();
    let tied: Vec<bool> = explained.iter().map(|e| e.score_by_data(noise) - first_by_sightings < TOLD_APART).collect();
    let rank = |(e, tied_with_first): (&Explained, &bool)| {
        let above_first = e.score(noise) - first;
        RankedCause {
            cause: e.cause,
            kind: e.cause.kind(),
            needed: words::needed(e, evidence),
            figure: e.figure(),
            explanation: words::explanation(e, *tied_with_first && above_first > 0.0, evidence),
            check: words::check(e.cause, evidence),
            flight: e.cause.of_flight(),
            above_first,
            belief: (-0.5 * above_first).exp() / total,
            tied_with_first: *tied_with_first,
        }
    };
    explained.iter().zip(&tied).map(rank).collect()
}

/// How many places for a missing or doubled frame are tried before the best are looked at more closely.
const PLACES: usize = 15;

/// A missing or doubled frame at its best places: every so many frames first, then all around the best two of either kind.
fn frame_counts(case: &Case<'_>) -> Vec<Explained> {
    // Before the first sighting of a flight it would be the same as none.
    let frames: Vec<usize> = case.sightings.iter().flat_map(|flight| flight.iter().skip(1).map(|s| s.frame)).collect();
    let stride = frames.len().div_ceil(PLACES).max(1);
    let kinds: [fn(usize) -> Cause; 2] =
        [|before| Cause::DroppedFrame { before }, |before| Cause::DoubledFrame { before }];
    let mut all = Vec::new();
    for kind in kinds {
        let try_at = |i: usize| frames.get(i).and_then(|frame| explain(case, kind(*frame), 0.0));
        let places: Vec<usize> = (0..frames.len()).step_by(stride).collect();
        let mut coarse: Vec<(usize, Explained)> =
            places.into_par_iter().filter_map(|i| Some((i, try_at(i)?))).collect();
        coarse.sort_by(|a, b| a.1.misfit.total_cmp(&b.1.misfit));
        let near =
            coarse.iter().take(2).flat_map(|(i, _)| ((i + 1).saturating_sub(stride)..*i).chain(i + 1..i + stride));
        let near: Vec<usize> = near.collect();
        all.par_extend(near.into_par_iter().filter_map(try_at));
        all.extend(coarse.into_iter().map(|(_, explained)| explained));
    }
    all
}

/// Causes worth a fit, each with the jitter to suppose (0 for all but jitter).
fn candidates(evidence: &Evidence, sightings: &[Vec<Sighting>]) -> Vec<(Cause, f64)> {
    let simple = [
        Cause::TooFewSightings,
        Cause::Clock,
        Cause::Length,
        Cause::Roll,
        Cause::Yaw,
        Cause::Pitch,
        Cause::RollingShutter,
        Cause::Drag,
        Cause::Lens,
        Cause::WideLens,
        Cause::MovingCamera,
        Cause::ExposureDrift,
    ];
    let ratio = evidence.measured_gravity.value / evidence.expected_gravity.value;
    // A discrete factor has to bring g to within a quarter of the expected value; the fit does the rest.
    let near = |factor: f64| (ratio / factor).ln().abs() < 0.25;
    let pairs = rate_pairs(evidence.taken_rate_hz).into_iter().filter(|c| match c {
        Cause::SlowMotion { recorded_hz, played_hz } => near((played_hz / recorded_hz).powi(2)),
        _ => false,
    });
    let mix_ups = length_mix_ups().into_iter().filter(|c| match c {
        Cause::LengthMixUp { stated_over_true } => near(*stated_over_true),
        _ => false,
    });
    let (pairs, mix_ups): (Vec<Cause>, Vec<Cause>) = (pairs.collect(), mix_ups.collect());
    // A length may be mistyped by any factor; where a usual one gives what was measured, that explains more.
    let u = evidence.measured_gravity.standard_uncertainty.unwrap_or(0.0) / evidence.measured_gravity.value.abs();
    let gives_it = |cause: &Cause| match cause {
        Cause::SlowMotion { recorded_hz, played_hz } => {
            (ratio * (recorded_hz / played_hz).powi(2)).ln().abs() < 2.0 * u
        }
        Cause::LengthMixUp { stated_over_true } => (ratio / stated_over_true).ln().abs() < 2.0 * u,
        _ => false,
    };
    let unusual = ratio.is_finite() && ratio > 0.0 && !near(1.0) && !pairs.iter().chain(&mix_ups).any(gives_it);
    let mistyped = unusual.then_some(Cause::LengthMixUp { stated_over_true: ratio });
    let touched = evidence.flights.iter().zip(sightings).flat_map(|(of, sightings)| {
        let flight = of.number;
        (1..=MOST_TOUCHED.min(sightings.len().saturating_sub(5)))
            .flat_map(move |count| [Cause::LauncherFrames { flight, count }, Cause::BounceFrames { flight, count }])
    });
    let plain = simple.into_iter().chain(pairs).chain(mix_ups).chain(mistyped).chain(touched).map(|c| (c, 0.0));
    let jitters =
        [0.05e-3, 0.1e-3, 0.2e-3, 0.4e-3, 0.8e-3, 1.5e-3, 3e-3, 6e-3, 12e-3, 25e-3].map(|s| (Cause::TimeJitter, s));
    plain.chain(jitters).collect()
}

#[cfg(test)]
mod tests;
