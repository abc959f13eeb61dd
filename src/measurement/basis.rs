//! What a measurement was computed from: with it the numbers come out again, to the last digit, without the clip.

use serde::{Deserialize, Serialize};

use super::ClockStatement;
use crate::camera::View;
use crate::fit::{ClockWitness, Request};
use crate::rig::Rig;
use crate::warning::Warning;

/// Everything between the pictures and the numbers.
///
/// The camera isn't kept: it follows from the rig and the view.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Basis {
    /// What was stated beforehand.
    pub rig: Rig,
    /// What of the clip the camera was made from: size, rows, the ball's size, the cards found.
    pub view: View,
    /// Sightings with their covariances, launches, terms and circumstances as the fit took them.
    pub request: Request,
    /// What else was seen, one entry a flight of the request.
    #[serde(default)]
    pub clues: Vec<FlightClues>,
    /// Whether somebody said at what rate the clip was recorded, beside the rig.
    #[serde(default)]
    pub capture_rate_stated: bool,
    /// The clock before a flight was asked which one it fits.
    pub clock: ClockStatement,
    /// What was odd about clip and clock.
    pub warnings: Vec<Warning>,
    /// What else told the time.
    #[serde(default)]
    pub time_checks: Vec<TimeCheck>,
    /// How often the ball went on after a touch.
    pub continuations: usize,
}

impl Basis {
    /// The rate of the clock by all that tell it; the request's times go by it already.
    pub fn agreed_time(&self) -> AgreedTime {
        agreed_time(self.clock.relative_standard_uncertainty, &self.time_checks)
    }
}

/// What was seen of a flight beside the ball's places.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct FlightClues {
    /// How far the background around the ball bows from its straight way over the flight, px (x right, y down), and the standard
    /// uncertainty of either; `None` where the background is too plain to tell.
    pub background_bend_px: Option<(f64, f64, f64)>,
}

/// What tells the time besides the stamps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeWitness {
    /// Lamps on alternating current, whose bands run down the picture.
    Lamps,
    /// The sound of launch and landing.
    Sound,
}

/// The clock beside another witness of time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TimeCheck {
    pub witness: TimeWitness,
    /// Time as the clock has it over time as the witness has it; 1 when both agree.
    pub stated_over_true: f64,
    pub relative_standard_uncertainty: f64,
}

impl TimeCheck {
    /// Whether the witness contradicts a clock of that relative standard uncertainty, by more than three standard uncertainties.
    pub fn contradicts(&self, clock_relative: f64) -> bool {
        (self.stated_over_true - 1.0).abs() > 3.0 * self.relative_standard_uncertainty.hypot(clock_relative)
    }

    /// "the flicker of the lamps" and the like.
    pub fn words(&self) -> &'static str {
        match self.witness {
            TimeWitness::Lamps => "the flicker of the lamps",
            TimeWitness::Sound => "the sound of launch and landing",
        }
    }
}

/// The rate of a clock by all that tell it: the weighted mean of the clock itself and of the witnesses that don't contradict it (JCGM
/// 100:2008, 5.1; independent of each other).
#[derive(Debug, Clone, PartialEq)]
pub struct AgreedTime {
    /// By which the clock's times are too long.
    pub stated_over_true: f64,
    pub relative_standard_uncertainty: f64,
    /// The clock first; empty where nobody but the clock tells.
    pub witnesses: Vec<ClockWitness>,
}

/// See [`AgreedTime`]. `clock_relative`: relative standard uncertainty of the clock by itself.
pub fn agreed_time(clock_relative: f64, checks: &[TimeCheck]) -> AgreedTime {
    let agreeing: Vec<&TimeCheck> = checks.iter().filter(|check| !check.contradicts(clock_relative)).collect();
    let exact = clock_relative <= 0.0 || agreeing.iter().any(|check| check.relative_standard_uncertainty <= 0.0);
    if agreeing.is_empty() || exact {
        let witnesses = Vec::new();
        return AgreedTime { stated_over_true: 1.0, relative_standard_uncertainty: clock_relative, witnesses };
    }
    let witness = |name: &str, stated_over_true: f64, relative_standard_uncertainty: f64| ClockWitness {
        name: name.to_owned(),
        true_over_stated: 1.0 / stated_over_true,
        relative_standard_uncertainty,
    };
    let mut witnesses = vec![witness("the clip's own clock", 1.0, clock_relative)];
    witnesses.extend(agreeing.iter().map(|c| witness(c.words(), c.stated_over_true, c.relative_standard_uncertainty)));
    let weight = |w: &ClockWitness| w.relative_standard_uncertainty.powi(-2);
    let total: f64 = witnesses.iter().map(weight).sum();
    let true_over_stated = witnesses.iter().map(|w| weight(w) * w.true_over_stated).sum::<f64>() / total;
    AgreedTime {
        stated_over_true: 1.0 / true_over_stated,
        relative_standard_uncertainty: total.sqrt().recip(),
        witnesses,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_witness_that_agrees_sharpens_a_rough_clock() {
        let check = |stated_over_true| TimeCheck {
            witness: TimeWitness::Lamps,
            stated_over_true,
            relative_standard_uncertainty: 1e-3,
        };
        // Two equal uncertainties: 1/√2, and the middle between the two. One far off says nothing.
        let both = agreed_time(1e-3, &[check(1.001)]);
        assert!((both.relative_standard_uncertainty - 1e-3 / 2f64.sqrt()).abs() < 1e-9);
        // The mean is of true over stated times: to the square of a thousandth that of the other way round.
        assert!((both.stated_over_true - 1.0005).abs() < 1e-6, "{both:?}");
        assert_eq!(both.witnesses.len(), 2);
        let alone = agreed_time(1e-3, &[check(1.01)]);
        assert_eq!((alone.stated_over_true, alone.relative_standard_uncertainty), (1.0, 1e-3));
        assert!(alone.witnesses.is_empty());
        assert_eq!(agreed_time(0.0, &[check(1.0)]).relative_standard_uncertainty, 0.0);
        assert!(check(1.01).contradicts(1e-3) && !check(1.003).contradicts(1e-3));
    }
}
