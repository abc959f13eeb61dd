//! The one plain result of a measurement, which the terminal, JSON, CSV, graphs, page and shot book all take.
//!
//! None of the outputs computes anything: what they show stands here.

pub mod account;
pub mod basis;
pub mod motion;

use serde::{Deserialize, Serialize};

use crate::clip::{ClipInfo, ClipReport};
use crate::flight::compare::{AlongTheWay, Comparison, Departure};
use crate::rig::ReadoutDirection;
use crate::units::{Covariance2, Estimate, MetrePoint, PixelPoint};
use crate::warning::Warning;

/// Version of the JSON form of [`Measurement`]; raised when a key changes its meaning or goes.
pub const FORMAT_VERSION: u32 = 1;

/// Everything that came out of one clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    pub format_version: u32,
    pub program_version: String,
    pub clip: ClipInfo,
    pub reading: ClipReport,
    pub clock: ClockStatement,
    pub scale: ScaleStatement,
    pub flights: Vec<FlightMeasurement>,
    pub warnings: Vec<Warning>,
    /// Gravity, where several flights were fitted together and have one: then it, its interval and what it is compared with belong to the
    /// clip, and aren't so many measurements.
    #[serde(default)]
    pub shared_gravity: Option<SharedGravity>,
    /// What the numbers were computed from; gives them again without the clip. `None` in files of before it was kept.
    #[serde(default)]
    pub basis: Option<basis::Basis>,
}

/// One gravity of several flights.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SharedGravity {
    /// Numbers of the flights.
    pub flights: Vec<usize>,
    pub gravity_m_per_s2: Estimate,
}

/// Which clock the times come from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockStatement {
    /// A sentence that names the clock: stamps, uniform steps, capture rate.
    pub description: String,
    /// Played seconds per true second that were taken out (1 for real time).
    pub slow_factor: f64,
    /// Mean frame rate in true time, Hz.
    pub frame_rate_hz: f64,
    /// Relative standard uncertainty of the time base.
    pub relative_standard_uncertainty: f64,
}

/// What turned pixels into metres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScaleStatement {
    pub description: String,
    /// Metres per pixel at the middle of the flight.
    pub metres_per_pixel: Estimate,
}

/// One flight, measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlightMeasurement {
    /// 1 for the first flight of the clip.
    pub number: usize,
    /// At the launch point, not at the first sighting.
    pub launch_speed_m_per_s: Estimate,
    /// Above the horizontal; positive upwards, whichever way the ball flies, -90° to 90°.
    pub launch_angle_deg: Estimate,
    pub gravity_m_per_s2: Estimate,
    /// Launch speed when gravity is taken as given; the same as in `gravity_given`.
    pub launch_speed_gravity_given_m_per_s: Option<Estimate>,
    /// The second fit, with gravity taken as given. `None` where none was asked for, or no path with that gravity lies near the
    /// sightings.
    #[serde(default)]
    pub gravity_given: Option<GravityGivenFit>,
    /// How well the fit with gravity free goes with the sightings.
    #[serde(default)]
    pub quality: Option<account::FitQuality>,
    /// Speed and angle that hang on no moment of launch. `None` where the launch is at the first sighting itself.
    #[serde(default)]
    pub at_first_sighting: Option<AtFirstSighting>,
    pub launch_time_s: Estimate,
    pub launch_point_px: PixelPoint,
    pub launch_point_m: MetrePoint,
    /// +1 when the ball flies to the right in the picture, -1 to the left.
    pub direction: f64,
    /// Root mean square of the residuals, both axes taken together.
    pub residual_rms_px: f64,
    pub residual_rms_mm: f64,
    /// Coefficients of the fitted path about `launch_time_s`, in metres as [`MetrePoint`]. Where the air is counted they are the
    /// state at launch and gravity alone, and the path itself is in `motion.fitted`.
    pub path: FittedPath,
    /// Whether the fit counts the air in.
    #[serde(default)]
    pub air_counted: bool,
    /// The ball as the flight showed it, where nobody weighed it: what a forecast of the next shot reckons with.
    #[serde(default)]
    pub ball_found: Option<BallFound>,
    /// The fitted path in pixels, finely sampled from launch to the last sighting, for drawing.
    pub path_px: Vec<PixelPoint>,
    pub sightings: Vec<SightingRow>,
    /// Exposure time as the streaks show it, true s; `None` where they are too short to tell.
    #[serde(default)]
    pub exposure_s: Option<f64>,
    /// Readout of the rolling shutter, where the rig doesn't state it and the clip shows it.
    #[serde(default)]
    pub readout: Option<ReadoutFound>,
    /// Angle from the stated vertical to the fitted acceleration, degrees, above zero when that leans to the right of straight
    /// down; by the sightings alone, without what was stated of the level. `None` where they don't tell.
    #[serde(default)]
    pub vertical_off_deg: Option<Estimate>,
    /// Covariance of `path` in the order of its fields, in the products of their units; `None` when it isn't known.
    #[serde(default)]
    pub path_covariance: Option<[[f64; 6]; 6]>,
    /// Speeds, accelerations and energies along the flight, for the graphs; see [`motion::Motion::derive`].
    #[serde(default)]
    pub motion: Option<motion::Motion>,
    /// What was expected before the shot, when a launcher or a stated speed was given.
    #[serde(default)]
    pub forecast: Option<ForecastStatement>,
    /// Where the uncertainty comes from.
    #[serde(default)]
    pub budget: Vec<BudgetLine>,
    /// What was left out, which models were compared, and how the intervals were put together.
    #[serde(default)]
    pub account: Option<account::FitAccount>,
    /// The touch that it follows, for what isn't a launch.
    #[serde(default)]
    pub after_bounce: Option<AfterBounce>,
    /// Whether measured and expected agree, in words; one and the same for flights that share gravity.
    #[serde(default)]
    pub verdict: Option<VerdictStatement>,
}

/// A touch between two flights.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AfterBounce {
    /// Number of the flight that ended with it.
    pub of_flight: usize,
    /// Speed after it over the speed before it, both by the fitted paths halfway between the last sighting before and the first after.
    pub speed_ratio: f64,
}

impl Measurement {
    /// The flights that began with a launch.
    pub fn launches(&self) -> impl Iterator<Item = &FlightMeasurement> {
        self.flights.iter().filter(|flight| flight.after_bounce.is_none())
    }
}

impl FlightMeasurement {
    /// The speed for forecasts and for the shot book: that with gravity given leans on one unknown less; else the one with gravity
    /// measured.
    pub fn best_speed_m_per_s(&self) -> Estimate {
        self.launch_speed_gravity_given_m_per_s.unwrap_or(self.launch_speed_m_per_s)
    }

    /// The angle that goes with it, of the same fit.
    pub fn best_angle_deg(&self) -> Estimate {
        match (&self.gravity_given, self.launch_speed_gravity_given_m_per_s) {
            (Some(given), Some(_)) => given.launch_angle_deg,
            _ => self.launch_angle_deg,
        }
    }

    /// What [`Self::best_speed_m_per_s`] shares with other shots of the same set-up, as a standard uncertainty; `None` where the
    /// budget doesn't tell.
    pub fn shared_uncertainty_of_best_speed(&self) -> Option<f64> {
        let budget = match (&self.gravity_given, self.launch_speed_gravity_given_m_per_s) {
            (Some(fit), Some(_)) => &fit.budget,
            (None, Some(_)) => return None,
            _ => &self.budget,
        };
        BudgetLine::shared_part(budget, |line| line.launch_speed_m_per_s)
    }

    /// As [`Self::shared_uncertainty_of_best_speed`], of the launch angle, degrees.
    pub fn shared_uncertainty_of_angle_deg(&self) -> Option<f64> {
        BudgetLine::shared_part(&self.budget, |line| line.launch_angle_deg)
    }
}

/// A ball that nobody weighed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BallFound {
    /// Of the mass that the air's part in the flight shows, with what was known of balls beforehand.
    pub mass_kg: f64,
    /// As stated, else as seen.
    pub diameter_m: f64,
    /// Of the drag, relative, its standard uncertainty.
    pub drag_relative_uncertainty: f64,
}

/// The ball on its free path at the first sighting in use.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AtFirstSighting {
    /// When its row was exposed.
    pub time_s: f64,
    pub speed_m_per_s: Estimate,
    /// As [`FlightMeasurement::launch_angle_deg`].
    pub angle_deg: Estimate,
}

/// A flight fitted with gravity taken as given, over the sightings that the fit with gravity free kept. What is known of scale and
/// clock gives way to the fall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GravityGivenFit {
    /// As it was given.
    pub gravity_m_per_s2: Estimate,
    pub launch_speed_m_per_s: Estimate,
    /// As [`FlightMeasurement::launch_angle_deg`].
    pub launch_angle_deg: Estimate,
    pub quality: account::FitQuality,
    pub launch_speed: account::CoverageStatement,
    pub launch_angle: account::CoverageStatement,
    /// Where the uncertainty comes from.
    pub budget: Vec<BudgetLine>,
    /// What was known beforehand of camera, clock, air and gravity, and where the fit found it.
    pub found: Vec<account::FoundQuantity>,
}

impl GravityGivenFit {
    /// What had to give way most, by how many of its standard uncertainties; `None` where nothing did by more than two.
    pub fn strained(&self) -> Option<(&account::FoundQuantity, f64)> {
        let by = |found: &account::FoundQuantity| (found.found - found.value) / found.standard_uncertainty;
        let most = self.found.iter().max_by(|a, b| by(a).abs().total_cmp(&by(b).abs()))?;
        (by(most).abs() > 2.0).then(|| (most, by(most)))
    }
}

/// A rolling shutter's readout that the clip itself shows.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReadoutFound {
    /// From the picture's first row (or column) to its last; below zero when they run the other way.
    pub readout_s: Estimate,
    pub source: ReadoutSource,
    /// How the rows are read in the picture as it is shown; `None` where the interval holds nought, and in files of before it was kept.
    #[serde(default)]
    pub rows: Option<ReadoutDirection>,
}

impl ReadoutFound {
    /// In milliseconds, without the sign where it is known: that is the direction's.
    pub fn shown_ms(&self) -> Estimate {
        let Estimate { value, standard_uncertainty, expanded_uncertainty_95 } = self.readout_s;
        let ms = |seconds: f64| 1e3 * seconds;
        Estimate {
            value: ms(if self.rows.is_some() { value.abs() } else { value }),
            standard_uncertainty: standard_uncertainty.map(ms),
            expanded_uncertainty_95: expanded_uncertainty_95.map(ms),
        }
    }

    /// How the rows run, and what shows it: "rows read from the top down, by the ball's own motion".
    pub fn words(&self) -> String {
        let rows = match self.rows {
            Some(ReadoutDirection::Down) => "rows read from the top down",
            Some(ReadoutDirection::Up) => "rows read from the bottom up",
            Some(ReadoutDirection::Right) => "columns read from left to right",
            Some(ReadoutDirection::Left) => "columns read from right to left",
            None => "so which way the rows are read can't be told",
        };
        format!("{rows}, by {}", self.source.words())
    }
}

/// What shows a readout.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ReadoutSource {
    /// Bands of lamps on alternating current.
    Lamps,
    /// The ball's own motion.
    Flight,
    /// The ball's own motion, gravity being given.
    FlightWithGravity,
}

impl ReadoutSource {
    /// For "readout, by …".
    pub const fn words(self) -> &'static str {
        match self {
            Self::Lamps => "the flicker of the lamps",
            Self::Flight => "the ball's own motion",
            Self::FlightWithGravity => "the ball's own motion, g being given",
        }
    }
}

/// The path that was expected, on the same axes as the measured one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ForecastStatement {
    /// Where the forecast comes from, such as "the last ten shots of this launcher".
    pub description: String,
    /// About the flight's launch time.
    pub path: FittedPath,
    /// The forecast path in pixels, finely sampled, for drawing.
    pub path_px: Vec<PixelPoint>,
    /// The forecast path with whatever the air does, finely sampled to the landing; empty when only `path` is known.
    #[serde(default)]
    pub points: Vec<ForecastPoint>,
    pub landing_x_m: Option<Estimate>,
    pub measured_landing_x_m: Option<Estimate>,
    /// How the flight compares with it, in a sentence or two; `None` when nobody compared.
    #[serde(default)]
    pub comparison: Option<String>,
    /// The numbers behind that sentence.
    #[serde(default)]
    pub departures: Option<Departures>,
}

/// How far a flight departs from its forecast: measured minus expected, each with what both uncertainties allow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Departures {
    pub launch_speed_m_per_s: Departure,
    pub launch_angle_deg: Departure,
    /// Place at the target's height, along the flight; `None` when it never came down there.
    pub landing_m: Option<Departure>,
    pub landing_time_s: Option<Departure>,
    /// Heights at fifths of the forecast's range.
    pub along: Vec<AlongTheWay>,
}

impl From<&Comparison> for Departures {
    fn from(comparison: &Comparison) -> Self {
        Self {
            launch_speed_m_per_s: comparison.speed_m_per_s,
            launch_angle_deg: comparison.angle_deg,
            landing_m: comparison.landing_m,
            landing_time_s: comparison.landing_time_s,
            along: comparison.along.clone(),
        }
    }
}

/// Where the ball was expected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ForecastPoint {
    pub since_launch_s: f64,
    pub place_m: MetrePoint,
}

/// A line of the uncertainty budget: one source and what it does to each result, as standard uncertainties.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// In words, such as "length of the ruler".
    pub source: String,
    /// "A" from the scatter of the data, "B" from other knowledge (JCGM 100:2008, 4.2 and 4.3).
    pub evaluation: String,
    pub launch_speed_m_per_s: Option<f64>,
    pub launch_angle_deg: Option<f64>,
    pub gravity_m_per_s2: Option<f64>,
    /// The input itself; `None` where it isn't one number, as the places of the ball aren't.
    #[serde(default)]
    pub input: Option<BudgetInput>,
    /// "normal", "rectangular", "triangular" or "arcsine"; empty in files of before it was kept.
    #[serde(default)]
    pub distribution: String,
    /// `None` when infinite.
    #[serde(default)]
    pub degrees_of_freedom: Option<f64>,
    /// Parts of the variances of launch speed, launch angle and gravity, 0 to 1.
    #[serde(default)]
    pub shares: Option<[f64; 3]>,
    /// Whether another shot of the same set-up would err by this source anew, as by the places of the ball and the moment of launch,
    /// and not alike, as by the scale. `None` in files of before it was kept.
    #[serde(default)]
    pub each_shots_own: Option<bool>,
}

impl BudgetLine {
    /// What shots of one set-up share of a result's uncertainty; `None` where it isn't kept which lines those are.
    pub fn shared_part(lines: &[Self], of: impl Fn(&Self) -> Option<f64>) -> Option<f64> {
        let shared =
            lines.iter().map(|line| line.each_shots_own.map(|own| if own { 0.0 } else { of(line).unwrap_or(0.0) }));
        let squares: Option<f64> = shared.map(|part| part.map(|part| part * part)).sum();
        squares.filter(|_| !lines.is_empty()).map(f64::sqrt)
    }
}

/// An input of the budget that is one number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BudgetInput {
    pub value: f64,
    pub standard_uncertainty: f64,
    /// Of both; "1" for a ratio.
    pub unit: String,
    /// Change of launch speed (m/s), launch angle (deg) and gravity (m/s²) for one unit of the input; `None` for an input that is
    /// known exactly.
    pub sensitivity: Option<[f64; 3]>,
}

/// The answer to "is this what one should expect, and if not, why?".
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VerdictStatement {
    /// One sentence.
    pub summary: String,
    /// Likely reasons, the likeliest first, each with what to check.
    pub reasons: Vec<String>,
    /// Whether measured and expected gravity agree within the interval; `None` when the flight can't tell (then there is an
    /// `agreement`), or that wasn't kept.
    #[serde(default)]
    pub agrees: Option<bool>,
    /// What could be changed to follow the reasons, where there is something to change.
    #[serde(default)]
    pub remedies: Vec<Remedy>,
    /// What gravity was compared with, and how the comparison came out.
    #[serde(default)]
    pub agreement: Option<AgreementStatement>,
    /// The causes that were found to explain a disagreement, likeliest first; the first few are `reasons` in words.
    #[serde(default)]
    pub causes: Vec<CauseStatement>,
    /// So many of the first causes can't be told apart by the flights; nought where the first stands by itself.
    #[serde(default)]
    pub jointly: usize,
    /// Numbers of the flights whose gravity it is: all that were fitted together share one gravity and have one verdict. Empty in files of
    /// before it was kept.
    #[serde(default)]
    pub flights: Vec<usize>,
}

/// The statistic behind a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AgreementStatement {
    pub expected_gravity_m_per_s2: Estimate,
    /// Measured minus expected, m/s².
    pub difference_m_per_s2: f64,
    /// Of the difference.
    pub standard_uncertainty_m_per_s2: f64,
    /// Difference over its standard uncertainty.
    pub ratio: f64,
    /// Chance of a difference at least as large when nothing is wrong.
    pub probability: f64,
}

/// A cause that would explain what was seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CauseStatement {
    /// "time", "length", "roll", "yaw", "pitch", "rolling_shutter", "drag", "lens", "frame_count", "time_jitter",
    /// "moving_camera", "exposure_drift", "touched_frames" or "too_few_sightings".
    pub kind: String,
    /// What would have happened.
    pub explanation: String,
    /// The figure it would need.
    pub needed: String,
    /// How to check it.
    pub check: String,
    /// That figure in SI units with its standard uncertainty; `None` for a cause that is or isn't.
    pub figure: Option<(f64, f64)>,
    /// Share of the belief among the causes considered, 0 to 1.
    pub belief: f64,
    /// Whether the data can't tell it from the first.
    pub tied_with_first: bool,
    /// The flight that it is about; `None` for a cause of the whole clip.
    #[serde(default)]
    pub flight: Option<usize>,
}

/// A change that would follow a reason of the verdict. `reason` is its place in [`VerdictStatement::reasons`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Remedy {
    pub reason: usize,
    pub change: RemedyChange,
    /// The flight that it is about; `None` for the whole clip.
    #[serde(default)]
    pub flight: Option<usize>,
}

/// What would be stated or mended.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum RemedyChange {
    /// State that so many frames per second were recorded, Hz.
    CaptureRateHz(f64),
    /// State the known length so many times as long.
    LengthTimes(f64),
    /// Leave out so many sightings at the beginning.
    LeaveOutFirst(usize),
    /// Leave out so many sightings at the end.
    LeaveOutLast(usize),
    /// State mass and diameter of the ball.
    StateBall,
    /// Mark a plumb line.
    MarkPlumbLine,
    /// State how far camera and scale are from the flight.
    StateDistances,
}

/// x = x0 + vx·τ + ½·ax·τ², y = y0 + vy·τ − ½·g·τ² with τ = t − launch time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FittedPath {
    pub x0_m: f64,
    pub y0_m: f64,
    pub vx_m_per_s: f64,
    pub vy_m_per_s: f64,
    pub ax_m_per_s2: f64,
    pub g_m_per_s2: f64,
}

/// A line of the table of sightings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SightingRow {
    pub frame: usize,
    /// The frame's time.
    pub time_s: f64,
    /// When the ball's own row was exposed: the frame's time and the row's part of the readout, which the fit goes by. `None` in
    /// files of before it was kept.
    #[serde(default)]
    pub exposed_s: Option<f64>,
    pub centre_px: PixelPoint,
    /// As the fit took it: what the picture says, widened by how the points scatter about the path.
    pub covariance_px2: Covariance2,
    pub centre_m: MetrePoint,
    pub covariance_m2: Covariance2,
    pub radius_px: f64,
    pub streak_px: Option<(f64, f64)>,
    pub visible: f64,
    /// Measured minus fitted, px.
    pub residual_px: PixelPoint,
    /// Measured minus fitted, m.
    #[serde(default)]
    pub residual_m: Option<MetrePoint>,
    /// False when the fit rejected it as an outlier; then it is drawn hollow with a cross.
    pub used: bool,
    pub by_hand: bool,
}

impl SightingRow {
    /// The moment at which the ball was where it is seen: that of its row, as far as it is known.
    pub fn moment_s(&self) -> f64 {
        self.exposed_s.unwrap_or(self.time_s)
    }
}

/// The forecast ball at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForecastMotion {
    pub since_launch_s: f64,
    pub vx_m_per_s: f64,
    pub vy_m_per_s: f64,
    pub y_m: f64,
}

impl ForecastStatement {
    /// Velocities along the forecast path, from each of its points to the next, at the middle between them; exact for constant
    /// acceleration, and for the air as good as the points lie close. Empty when only [`ForecastStatement::path`] is known.
    pub fn velocities(&self) -> Vec<ForecastMotion> {
        self.points
            .windows(2)
            .filter(|pair| pair[1].since_launch_s > pair[0].since_launch_s)
            .map(|pair| {
                let step = pair[1].since_launch_s - pair[0].since_launch_s;
                let (a, b) = (pair[0].place_m, pair[1].place_m);
                ForecastMotion {
                    since_launch_s: pair[0].since_launch_s + step / 2.0,
                    vx_m_per_s: (b.x - a.x) / step,
                    vy_m_per_s: (b.y - a.y) / step,
                    y_m: (a.y + b.y) / 2.0,
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_forecast_moves_as_its_points_say() {
        let at =
            |t: f64| ForecastPoint { since_launch_s: t, place_m: MetrePoint::new(3.0 * t, 2.0 * t - 4.905 * t * t) };
        let path =
            FittedPath { x0_m: 0.0, y0_m: 0.0, vx_m_per_s: 3.0, vy_m_per_s: 2.0, ax_m_per_s2: 0.0, g_m_per_s2: 9.81 };
        let forecast = ForecastStatement {
            description: String::new(),
            path,
            path_px: Vec::new(),
            points: (0..50).map(|i| at(0.01 * f64::from(i))).collect(),
            landing_x_m: None,
            measured_landing_x_m: None,
            comparison: None,
            departures: None,
        };
        for motion in forecast.velocities() {
            // Differences of a parabola over equal halves are exact; rounding over a step of 10 ms remains.
            assert!((motion.vx_m_per_s - 3.0).abs() < 1e-12);
            assert!((motion.vy_m_per_s - (2.0 - 9.81 * motion.since_launch_s)).abs() < 1e-12);
        }
    }
}
