//! Whether the measured gravity agrees with the expected one, and what would explain it when it doesn't.

mod cause;
mod clues;
mod eye;
mod hypothesis;
mod words;

pub use cause::{Cause, CauseKind, RATES_HZ};
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

/// A cause whose score lies so far above the first isn't worth a reader's time: odds under one in a million.
const OUT_OF_THE_QUESTION: f64 = 28.0;

/// All that is known of one flight when its gravity is judged.
pub struct Evidence<'a> {
    pub sightings: &'a [Sighting],
    pub fit: &'a FlightFit,
    pub view: &'a dyn FlightView,
    /// As were given to the fit.
    pub options: &'a FitOptions,
    /// With the whole budget in its uncertainty, m/s².
    pub measured_gravity: Estimate,
    pub expected_gravity: Estimate,
    /// Relative standard uncertainty of lengths and times as stated.
    pub length_relative: f64,
    pub time_relative: f64,
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
    /// Change of the exposure over the flight as the streaks show it, with its standard uncertainty, s.
    pub exposure_change_s: Option<(f64, f64)>,
    /// How far the background's way bows over the flight (x right, y up) and its standard uncertainty, m in the flight plane.
    pub background_bend_m: Option<(f64, f64, f64)>,
    /// Standard uncertainty of the vertical when a plumb line was in view, rad.
    pub plumb_line_rad: Option<f64>,
}

impl<'a> Evidence<'a> {
    /// From what the fit stage gave for a flight; `sightings` on the clock that was chosen. What the sightings show besides
    /// is worked out (streaks, and the ball's size when its diameter and standard uncertainty, m, are stated); the other
    /// clues can be set on the result.
    pub fn from_evaluated(
        evaluated: &'a Evaluated,
        sightings: &'a [Sighting],
        view: &'a dyn FlightView,
        options: &'a FitOptions,
        expected_gravity: Estimate,
        picture_px: (f64, f64),
        ball_diameter_m: Option<(f64, f64)>,
    ) -> Self {
        Self {
            sightings,
            fit: &evaluated.fit,
            view,
            options,
            measured_gravity: evaluated.budget.gravity_m_per_s2.estimate(),
            expected_gravity,
            length_relative: evaluated.budget.length_relative(),
            time_relative: evaluated.budget.time_relative(),
            picture_px,
            camera_distance_m: None,
            length_factor: ball_diameter_m.and_then(|d| length_factor_from_ball(sightings, view, d)),
            ball_as_scale_m: None,
            time_factor: None,
            exposure_change_s: exposure_change_from_streaks(sightings, &evaluated.fit, view),
            background_bend_m: None,
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

    fn stage(&self, sightings: &[Sighting]) -> Option<Stage> {
        let (width, height) = self.picture_px;
        let (first, last) = (sightings.first()?, sightings.last()?);
        let middle = self.view.metre_from_pixel(PixelPoint::new(0.5 * width, 0.5 * height))?;
        let edge = self.view.metre_from_pixel(PixelPoint::new(width, 0.5 * height))?;
        let half_width_m = edge.distance(middle);
        let mut steps: Vec<f64> = sightings.windows(2).map(|w| w[1].time_s - w[0].time_s).collect();
        steps.sort_by(f64::total_cmp);
        let mut radii: Vec<f64> = sightings.iter().map(|s| s.radius_px).collect();
        radii.sort_by(f64::total_cmp);
        Some(Stage {
            middle,
            ball_diameter_m: 4.0 * radii[radii.len() / 2] * half_width_m / width,
            half_width_m,
            distance_m: self.camera_distance_m.unwrap_or(4.0 * half_width_m * 0.6),
            first_s: first.time_s,
            span_s: last.time_s - first.time_s,
            frame_step_s: *steps.get(steps.len() / 2)?,
        })
    }

    /// How many sightings the fit rejected in a row at the beginning and at the end.
    fn rejected_runs(&self) -> (usize, usize) {
        let used: Vec<bool> = self.fit.residuals.iter().map(|r| r.used).collect();
        let first = used.iter().position(|u| *u).unwrap_or(0);
        (first, used.iter().rev().position(|u| *u).unwrap_or(0))
    }

    /// The sightings that the fit kept, and those that it rejected in a row at either end: a touched ball is rejected, and so is
    /// all that lies beyond a missing frame. Single false sightings stay out.
    fn to_explain(&self) -> Vec<Sighting> {
        let (first, last) = self.rejected_runs();
        let end = self.sightings.len() - last;
        let all = self.sightings.iter().zip(&self.fit.residuals).enumerate();
        let noise = self.picture_noise();
        let rougher = |s: &Sighting| {
            let c = s.covariance_px2;
            let covariance_px2 =
                Covariance2 { xx: c.xx * noise * noise, xy: c.xy * noise * noise, yy: c.yy * noise * noise };
            Sighting { covariance_px2, ..s.clone() }
        };
        all.filter(|(i, (_, r))| r.used || *i < first || *i >= end).map(|(_, (s, _))| rougher(s)).collect()
    }

    /// How many times rougher than their covariances the picture makes the sightings; 1 where it doesn't.
    fn picture_noise(&self) -> f64 {
        roughness(self.sightings, self.fit).map_or(1.0, |rough| rough.across.max(1.0))
    }

    /// Whether the sightings lie farther from the path than the picture makes them.
    fn is_rough(&self) -> bool {
        let along = roughness(self.sightings, self.fit).map_or(0.0, |rough| rough.along);
        self.fit.noise.scale.max(along) > TELLING_SCALE * self.picture_noise()
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
}

/// The verdict on one flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    pub agreement: Agreement,
    /// The answer in a sentence.
    pub sentence: String,
    /// What would explain a disagreement, most likely first; empty when there is none.
    pub causes: Vec<RankedCause>,
}

impl Verdict {
    /// The likely reasons as whole sentences, the likeliest first, each with what it needs and how to check it.
    pub fn reasons(&self) -> Vec<String> {
        self.causes.iter().map(|c| format!("{} {} {}", c.explanation, c.needed, c.check)).collect()
    }
}

/// Compares measured and expected gravity.
pub fn agreement(measured: Estimate, expected: Estimate) -> Agreement {
    let u = |e: Estimate| e.standard_uncertainty.unwrap_or(0.0);
    let difference = measured.value - expected.value;
    let standard_uncertainty = u(measured).hypot(u(expected));
    let ratio = difference / standard_uncertainty;
    let probability = student_two_sided(ratio, f64::INFINITY);
    // The interval of the measured value keeps its own coverage factor.
    let factor = measured.expanded_uncertainty_95.map_or(coverage_factor(0.95, f64::INFINITY), |e| {
        if u(measured) > 0.0 { (e / u(measured)).max(1.65) } else { 1.96 }
    });
    Agreement { difference, standard_uncertainty, ratio, probability, consistent: ratio.abs() <= factor }
}

/// Judges a flight; causes are sought when measured and expected gravity disagree, when the fit had to leave out a run of
/// sightings at an end, or when the sightings lie far rougher about the path than they should.
pub fn judge(evidence: &Evidence) -> Verdict {
    let agreement = agreement(evidence.measured_gravity, evidence.expected_gravity);
    let (first, last) = evidence.rejected_runs();
    let seek = !agreement.consistent || first.max(last) >= TELLING_RUN || evidence.is_rough();
    let mut causes = if seek { ranked_causes(evidence) } else { Vec::new() };
    causes.retain(|c| c.above_first < OUT_OF_THE_QUESTION);
    Verdict { sentence: words::verdict(evidence, &agreement, first.max(last), causes.first()), agreement, causes }
}

/// All causes that can be brought to explain the sightings, most likely first.
///
/// Each is fitted by itself with gravity known, one extra parameter or one corrected input, and scored by the
/// corrected information criterion and how often it is met. One entry a kind. A cause that would need no more than nought, for all that
/// the sightings say, explains nothing and is left out. Those that the data can't tell from the first are named together with it.
pub fn ranked_causes(evidence: &Evidence) -> Vec<RankedCause> {
    let sightings = evidence.to_explain();
    // A fit that had to do without them has found none.
    let found = evidence.options.bends.fitted && !evidence.fit.camera.is_empty();
    let bends = Bends::of(evidence.view, found);
    let case = Case { evidence, bends: &bends, sightings: &sightings };
    // In their order, whichever is done first: the same flight gives the same list.
    let candidates = candidates(evidence, &sightings).into_par_iter();
    let mut explained: Vec<Explained> =
        candidates.filter_map(|(cause, jitter_s)| explain(&case, cause, jitter_s)).collect();
    explained.extend(frame_counts(&case));
    explained.retain(|e| !e.is_nought());
    // Sightings rougher than stated make every misfit larger alike.
    let noise = explained.iter().map(Explained::misfit_per_freedom).fold(f64::INFINITY, f64::min).max(1.0);
    explained.sort_by(|a, b| a.score(noise).total_cmp(&b.score(noise)));
    let mut seen: Vec<CauseKind> = Vec::new();
    explained.retain(|e| {
        let fresh = !seen.contains(&e.cause.kind());
        seen.push(e.cause.kind());
        fresh
    });
    let first = explained.first().map_or(0.0, |e| e.score(noise));
    let first_by_sightings = explained.first().map_or(0.0, |e| e.score_by_data(noise));
    let total: f64 = explained.iter().map(|e| (-0.5 * (e.score(noise) - first)).exp()).sum();
    let tied: Vec<bool> = explained.iter().map(|e| e.score_by_data(noise) - first_by_sightings < TOLD_APART).collect();
    let jointly: Vec<Cause> =
        explained.iter().zip(&tied).filter(|(_, tied)| **tied).map(|(e, _)| e.cause).take(MOST_JOINTLY).collect();
    let rank = |(e, tied_with_first): (&Explained, &bool)| {
        let above_first = e.score(noise) - first;
        RankedCause {
            cause: e.cause,
            kind: e.cause.kind(),
            needed: words::needed(e, evidence),
            figure: e.figure(),
            explanation: words::explanation(e.cause, &jointly, evidence),
            check: words::check(e.cause, evidence),
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
    let sightings = case.sightings;
    let stride = sightings.len().div_ceil(PLACES);
    let kinds: [fn(usize) -> Cause; 2] =
        [|before| Cause::DroppedFrame { before }, |before| Cause::DoubledFrame { before }];
    let mut all = Vec::new();
    for kind in kinds {
        let try_at = |i: usize| sightings.get(i).and_then(|s| explain(case, kind(s.frame), 0.0));
        let places: Vec<usize> = (1..sightings.len()).step_by(stride).collect();
        let mut coarse: Vec<(usize, Explained)> =
            places.into_par_iter().filter_map(|i| Some((i, try_at(i)?))).collect();
        coarse.sort_by(|a, b| a.1.misfit.total_cmp(&b.1.misfit));
        let near =
            coarse.iter().take(2).flat_map(|(i, _)| (i.saturating_sub(stride - 1).max(1)..*i).chain(i + 1..i + stride));
        let near: Vec<usize> = near.collect();
        all.par_extend(near.into_par_iter().filter_map(try_at));
        all.extend(coarse.into_iter().map(|(_, explained)| explained));
    }
    all
}

/// Causes worth a fit, each with the jitter to suppose (0 for all but jitter).
fn candidates(evidence: &Evidence, sightings: &[Sighting]) -> Vec<(Cause, f64)> {
    let count = sightings.len();
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
        Cause::MovingCamera,
        Cause::ExposureDrift,
    ];
    let ratio = evidence.measured_gravity.value / evidence.expected_gravity.value;
    // A discrete factor has to bring g to within a quarter of the expected value; the fit does the rest.
    let near = |factor: f64| (ratio / factor).ln().abs() < 0.25;
    let pairs = rate_pairs().into_iter().filter(|c| match c {
        Cause::SlowMotion { recorded_hz, played_hz } => near((played_hz / recorded_hz).powi(2)),
        _ => false,
    });
    let mix_ups = length_mix_ups().into_iter().filter(|c| match c {
        Cause::LengthMixUp { stated_over_true } => near(*stated_over_true),
        _ => false,
    });
    let touched = (1..=MOST_TOUCHED.min(count.saturating_sub(5)))
        .flat_map(|count| [Cause::LauncherFrames { count }, Cause::BounceFrames { count }]);
    let plain = simple.into_iter().chain(pairs).chain(mix_ups).chain(touched).map(|c| (c, 0.0));
    let jitters = [0.05e-3, 0.1e-3, 0.2e-3, 0.4e-3, 0.8e-3, 1.5e-3, 3e-3, 6e-3].map(|s| (Cause::TimeJitter, s));
    plain.chain(jitters).collect()
}

#[cfg(test)]
mod tests;
