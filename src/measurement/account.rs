//! How the numbers of a flight came about: what was left out, how rough the sightings were, which models were compared, and
//! how the uncertainties were put together.

use serde::{Deserialize, Serialize};

/// The account of one flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitAccount {
    pub outliers: OutlierStatement,
    pub noise: NoiseAccount,
    /// Tilt and lens of the camera as the flight showed them; empty where nothing was found along.
    #[serde(default)]
    pub camera: Vec<FoundInput>,
    pub models: ModelStatement,
    pub launch_speed: CoverageStatement,
    pub launch_angle: CoverageStatement,
    pub gravity: CoverageStatement,
}

/// Which sightings the fit left out, and by which rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutlierStatement {
    /// The rule in a sentence.
    pub rule: String,
    /// Frames of the sightings left out.
    pub frames: Vec<usize>,
}

/// How rough the sightings turned out against what they said of themselves, and what that did to the uncertainties.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseAccount {
    /// Factor on the sightings' own standard uncertainties, from their scatter and from how far they were trusted.
    pub scale: f64,
    /// Correlation of neighbouring residuals.
    pub neighbour_correlation: f64,
    /// Factor on the standard uncertainties for that correlation; 1 when it isn't significant.
    pub correlation_factor: f64,
    /// Of the scatter.
    pub degrees_of_freedom: f64,
}

/// An input of the camera that was found along with the flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FoundInput {
    /// Its place among the camera's inputs.
    pub input: usize,
    #[serde(flatten)]
    pub quantity: FoundQuantity,
}

/// How well a fit goes with the sightings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FitQuality {
    /// Of this flight.
    pub sightings_used: usize,
    /// Of this flight.
    pub sightings_left_out: usize,
    /// Root mean square over both coordinates of the sightings in use.
    pub residual_rms_px: f64,
    pub residual_rms_mm: f64,
    /// Sum of the squared distances of the sightings in use, each in units of what it says of itself; of all flights that were fitted
    /// together.
    pub chi_square: f64,
    /// Values less quantities found from the sightings alone, of the same flights.
    pub degrees_of_freedom: usize,
}

impl FitQuality {
    /// Chi-square over its degrees of freedom: 1 where the sightings scatter as much as they say. `None` where none is left.
    pub fn reduced_chi_square(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0).then(|| self.chi_square / self.degrees_of_freedom as f64)
    }
}

/// A quantity that was known beforehand and found along with the flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FoundQuantity {
    pub name: String,
    /// Of all that follows.
    pub unit: String,
    /// Stated, or usual.
    pub value: f64,
    pub standard_uncertainty: f64,
    pub found: f64,
    pub found_standard_uncertainty: f64,
}

/// Models of the flight over the same sightings, side by side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModelStatement {
    /// What the numbers of this measurement were fitted with.
    pub used: String,
    /// How models are compared, in a sentence.
    pub criterion: String,
    /// What came out, in a sentence or two.
    pub summary: String,
    /// Best first.
    pub rows: Vec<ModelLine>,
}

/// One model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModelLine {
    pub model: String,
    /// Number of fitted parameters.
    pub parameters: usize,
    /// Over the roughness of the sightings as the measurement found it.
    pub chi_square: f64,
    pub aicc: f64,
    /// Above the best.
    pub above_best: f64,
    /// What this model by itself gives.
    pub gravity_m_per_s2: f64,
}

/// How the interval of a result was put together (JCGM 100:2008, 6.2 and annex G).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CoverageStatement {
    /// Ends of the 95 % interval by the budget; `None` in files of before they were kept.
    #[serde(default)]
    pub by_budget: Option<(f64, f64)>,
    pub combined_standard_uncertainty: f64,
    /// `None` when infinite.
    pub effective_degrees_of_freedom: Option<f64>,
    /// For 95 %.
    pub coverage_factor: f64,
    /// A Monte Carlo run over all inputs (JCGM 101:2008), when one was asked for.
    pub monte_carlo: Option<MonteCarloStatement>,
}

/// What a Monte Carlo run gave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MonteCarloStatement {
    pub seed: u64,
    pub trials: usize,
    pub mean: f64,
    pub standard_uncertainty: f64,
    /// Ends of the 95 % interval that leaves out as many trials below as above.
    pub low: f64,
    pub high: f64,
    /// Whether the figures settled before the trials ran out (JCGM 101:2008, 7.9.4).
    pub settled: bool,
    /// Whether it confirms the interval of the budget; where not, its own ends are the better ones.
    pub confirms: bool,
}
