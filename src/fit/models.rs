//! Which model the sightings ask for: candidates side by side by a corrected information criterion.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::motion::Motion;
use super::solve::Models;
use super::terms::{Term, Terms};
use super::view::FlightView;
use super::{FitOptions, FlightInput};
use crate::sight::Sighting;

/// By how much the criterion must fall before the data are said to ask for a model.
pub const CLEARLY_BETTER_AICC: f64 = 4.0;

/// What a candidate frees or adds, beyond a parabola with gravity free.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Candidate {
    Parabola,
    /// Gravity may point aside.
    Roll,
    /// Rows are exposed one after the other.
    Readout,
    RollAndReadout,
    /// Air on the stated ball.
    Air,
    AirAndRoll,
    AirAndReadout,
    AirRollAndReadout,
    /// Air on the stated ball with its drag fitted.
    FittedDrag,
}

impl Candidate {
    pub const ALL: [Self; 9] = [
        Self::Parabola,
        Self::Roll,
        Self::Readout,
        Self::RollAndReadout,
        Self::Air,
        Self::AirAndRoll,
        Self::AirAndReadout,
        Self::AirRollAndReadout,
        Self::FittedDrag,
    ];

    /// What it is, for a table.
    pub fn description(self) -> &'static str {
        match self {
            Self::Parabola => "parabola",
            Self::Roll => "parabola, camera not level",
            Self::Readout => "parabola, rolling shutter",
            Self::RollAndReadout => "parabola, camera not level, rolling shutter",
            Self::Air => "air on the ball",
            Self::AirAndRoll => "air on the ball, camera not level",
            Self::AirAndReadout => "air on the ball, rolling shutter",
            Self::AirRollAndReadout => "air on the ball, camera not level, rolling shutter",
            Self::FittedDrag => "air on the ball, drag fitted",
        }
    }

    fn needs_ball(self) -> bool {
        !matches!(self, Self::Parabola | Self::Roll | Self::Readout | Self::RollAndReadout)
    }

    /// The options of this candidate; prior knowledge in `options` is put aside so that χ² alone speaks.
    fn options(self, options: &FitOptions, stated_readout_s: f64) -> FitOptions {
        let free_roll = matches!(self, Self::Roll | Self::RollAndReadout | Self::AirAndRoll | Self::AirRollAndReadout);
        let free_readout =
            matches!(self, Self::Readout | Self::RollAndReadout | Self::AirAndReadout | Self::AirRollAndReadout);
        let terms = Terms {
            roll: if free_roll { Term::Free } else { Term::Fixed(options.terms.roll.start(0.0)) },
            readout: Some(if free_readout { Term::Free } else { Term::Fixed(stated_readout_s) }),
            drag_factor: if self == Self::FittedDrag { Term::Free } else { Term::Fixed(1.0) },
            drag_exponent: Term::Fixed(0.0),
            ..options.terms
        };
        let motion = if self.needs_ball() { options.motion } else { Motion::Vacuum };
        FitOptions { terms, motion, robust: false, gravity_given: None, ..options.clone() }
    }
}

/// A line of the table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ModelRow {
    pub candidate: Candidate,
    /// Number of fitted parameters.
    pub parameters: usize,
    /// Over the noise variance that the best fitting candidate leaves, so that sightings rougher than they say don't make
    /// every difference look large.
    pub chi_square: f64,
    /// χ² + 2k + 2k(k + 1)/(n − k − 1) (Hurvich & Tsai 1989), n counting both coordinates.
    pub aicc: f64,
    /// Above the least of the table.
    pub above_best: f64,
    /// What this model gives for gravity, m/s².
    pub gravity_m_per_s2: f64,
}

/// The candidates over the same sightings, best first; those that couldn't be fitted are left out, and those with air when no
/// ball is stated.
///
/// `used` holds, for each flight, which sightings the main fit kept: all candidates are judged on these.
pub fn compare(
    flights: &[FlightInput],
    used: &[Vec<bool>],
    view: &dyn FlightView,
    options: &FitOptions,
) -> Vec<ModelRow> {
    let kept: Vec<Vec<Sighting>> = flights
        .iter()
        .zip(used)
        .map(|(f, used)| f.sightings.iter().zip(used).filter(|(_, u)| **u).map(|(s, _)| s.clone()).collect())
        .collect();
    let inputs: Vec<FlightInput> =
        kept.iter().zip(flights).map(|(s, f)| FlightInput { sightings: s, launch: f.launch }).collect();
    let values: usize = kept.iter().map(|s| 2 * s.len()).sum();
    let has_ball = options.motion != Motion::Vacuum;
    let stated_readout = options.terms.readout.map_or(view.readout_s(), |t| t.start(view.readout_s()));
    let Ok(models) = Models::new(&inputs, view) else { return Vec::new() };
    let wanted: Vec<Candidate> = Candidate::ALL.into_iter().filter(|c| has_ball || !c.needs_ball()).collect();
    let rows: Vec<RawRow> = wanted
        .into_par_iter()
        .filter_map(|c| raw_row(c, &models, &c.options(options, stated_readout), inputs.len()))
        .collect();
    let noise = rows.iter().map(|row| row.variance).fold(f64::INFINITY, f64::min);
    let mut rows: Vec<ModelRow> = rows.into_iter().filter_map(|row| row.judged(noise, values)).collect();
    rows.sort_by(|a, b| a.aicc.total_cmp(&b.aicc));
    let best = rows.first().map_or(0.0, |r| r.aicc);
    rows.iter_mut().for_each(|r| r.above_best = r.aicc - best);
    rows
}

/// A candidate before the noise is known.
struct RawRow {
    row: ModelRow,
    /// Of the noise, in units of the stated covariances, as this candidate has it.
    variance: f64,
}

impl RawRow {
    fn judged(self, noise: f64, values: usize) -> Option<ModelRow> {
        let chi_square = self.row.chi_square / noise;
        let aicc = aicc(chi_square, self.row.parameters, values)?;
        Some(ModelRow { chi_square, aicc, ..self.row })
    }
}

fn raw_row(candidate: Candidate, models: &Models<'_>, options: &FitOptions, flights: usize) -> Option<RawRow> {
    let judged = models.judged(options).ok()?;
    let row = ModelRow {
        candidate,
        parameters: 4 * flights + judged.shared,
        chi_square: judged.chi_square,
        aicc: 0.0,
        above_best: 0.0,
        gravity_m_per_s2: judged.gravity,
    };
    Some(RawRow { row, variance: judged.noise_scale.powi(2) })
}

/// The corrected criterion for known noise; `None` when there are too few values for its correction.
pub fn aicc(chi_square: f64, parameters: usize, values: usize) -> Option<f64> {
    aicc_of_share(chi_square, parameters as f64, values)
}

/// The same where what was known beforehand found a share of some parameters (effective number of parameters: Hastie & Tibshirani
/// 1990).
pub(crate) fn aicc_of_share(chi_square: f64, parameters: f64, values: usize) -> Option<f64> {
    let k = parameters;
    let left = values as f64 - k - 1.0;
    (left > 0.0).then(|| chi_square + 2.0 * k + 2.0 * k * (k + 1.0) / left)
}
