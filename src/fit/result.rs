//! What a fit gives.

use serde::{Deserialize, Serialize};

use super::launch::derived;
use super::motion::{Motion, State};
use super::terms::{Quantity, Term};
use super::view::{Distribution, FlightView, ViewInput};
use crate::measurement::FittedPath;
use crate::units::{Estimate, MetrePoint, PixelPoint};

/// A quantity of the fit with how it came about.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    pub quantity: Quantity,
    /// How it entered.
    pub term: Term,
    pub value: f64,
    /// From the scatter of the sightings and what was known beforehand; nought for a fixed quantity.
    pub standard_uncertainty: f64,
}

/// How one sighting came out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Residual {
    /// Measured minus fitted, px.
    pub px: PixelPoint,
    /// Joint distance of both coordinates in units of the sighting's covariance.
    pub distance: f64,
    /// Fitted place, px and m, at the time when the ball's row was exposed.
    pub fitted_px: PixelPoint,
    pub fitted_m: MetrePoint,
    /// When that was, s.
    pub exposed_at_s: f64,
    /// False when it was rejected as an outlier.
    pub used: bool,
}

/// What was done about outliers, correlation and noise that is greater than stated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseStatement {
    /// Factor on the stated standard uncertainties of the sightings, from their scatter and from how far they were trusted.
    pub scale: f64,
    /// Correlation of neighbouring residuals, corrected for the bias that fitting brings.
    pub neighbour_correlation: f64,
    /// Factor on the standard uncertainties for that correlation; 1 when it isn't significant.
    pub correlation_factor: f64,
    /// Degrees of freedom of the scatter: of the residuals, and of the trust in the stated covariances.
    pub degrees_of_freedom: f64,
}

/// One flight, fitted.
///
/// Everything holds at `launch_time_s`. Intervals here hold what the sightings, the terms known beforehand and the launch
/// time leave open; the camera's inputs are added by the budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlightFit {
    pub launch_time_s: Estimate,
    /// Of the launch time: rectangular while the times between which it must lie make most of its uncertainty, normal where
    /// those times themselves aren't sharp.
    pub launch_distribution: Distribution,
    pub parameters: Vec<Parameter>,
    /// Of all entries of `parameters`, in their order; rows of fixed quantities are nought.
    pub covariance: Vec<Vec<f64>>,
    pub motion: Motion,
    pub residuals: Vec<Residual>,
    /// Sum of the squared distances of the sightings in use.
    pub chi_square: f64,
    pub degrees_of_freedom: usize,
    pub residual_rms_px: f64,
    pub residual_rms_mm: f64,
    pub noise: NoiseStatement,
    pub launch_speed_m_per_s: Estimate,
    /// Above the horizontal that gravity defines.
    pub launch_angle_deg: Estimate,
    pub gravity_m_per_s2: Estimate,
    /// Covariance of launch speed, launch angle (deg) and gravity, in this order.
    pub derived_covariance: [[f64; 3]; 3],
    /// Variances that make it up, each for speed, angle, gravity.
    pub contributions: Vec<Contribution>,
    /// Inputs of the camera that were found along; the same for all flights of a joint search.
    pub camera: Vec<CameraFound>,
    /// What the pushes that the launcher may have given to the first sightings do to the result; `None` where none is likely.
    pub pushes: Option<PushedResults>,
}

/// What pushes before the launch do to launch speed (m/s), launch angle (deg) and gravity (m/s²).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PushedResults {
    /// Added to what the sightings alone give.
    pub added: [f64; 3],
    /// Covariance by the spread of all pushes that may have been.
    pub own: [[f64; 3]; 3],
    /// Covariance with the moment of launch, over its standard uncertainty.
    pub with_launch: [f64; 3],
}

/// One instant of a fitted flight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instant {
    pub state: State,
    /// With the air's part, m/s².
    pub acceleration: (f64, f64),
    /// Without it.
    pub field: (f64, f64),
    pub launch: State,
}

/// An input of the camera that was found along with the flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraFound {
    /// Its place among the camera's inputs.
    pub index: usize,
    /// What was known beforehand.
    pub input: ViewInput,
    /// How far from its stated value it was found, and what is left of its standard uncertainty, both as shares of that known
    /// beforehand.
    pub shift: f64,
    pub narrowed: f64,
}

/// One independent part of the variance of launch speed (m/s), launch angle (deg) and gravity (m/s²).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    pub source: ContributionSource,
    /// Signed standard contributions: sensitivity times standard uncertainty.
    pub standard: [f64; 3],
    pub degrees_of_freedom: Option<f64>,
}

/// Where a part of the variance comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ContributionSource {
    Sightings,
    LaunchTime,
    /// A quantity known beforehand with doubt.
    Known(Quantity),
}

impl FlightFit {
    /// Value of a quantity.
    pub fn value(&self, quantity: Quantity) -> f64 {
        self.parameters.iter().find(|p| p.quantity == quantity).map_or(f64::NAN, |p| p.value)
    }

    /// Standard uncertainty of a quantity; `None` when it was fixed.
    pub fn standard_uncertainty(&self, quantity: Quantity) -> Option<f64> {
        let parameter = self.parameters.iter().find(|p| p.quantity == quantity)?;
        (!parameter.term.is_fixed()).then_some(parameter.standard_uncertainty)
    }

    /// Number of sightings in use.
    pub fn used(&self) -> usize {
        self.residuals.iter().filter(|r| r.used).count()
    }

    /// State at launch.
    pub fn launch_state(&self) -> State {
        use Quantity::{Vx, Vy, X0, Y0};
        State { x: self.value(X0), y: self.value(Y0), vx: self.value(Vx), vy: self.value(Vy) }
    }

    /// Acceleration without air, m/s², x and y of the flight plane.
    pub fn field(&self) -> (f64, f64) {
        let (sin, cos) = self.value(Quantity::Roll).sin_cos();
        let g = self.value(Quantity::Gravity);
        (self.value(Quantity::HorizontalAcceleration) + g * sin, -g * cos)
    }

    /// States at times of the clip's clock, s. `None` when the motion can't be followed that far.
    pub fn states_at(&self, times_s: &[f64]) -> Option<Vec<State>> {
        let rate = 1.0 + self.value(Quantity::ClockRate);
        let taus: Vec<f64> = times_s.iter().map(|t| rate * (t - self.launch_time_s.value)).collect();
        self.motion_found().states(self.launch_state(), self.field(), self.value(Quantity::DragFactor), &taus)
    }

    /// The law of motion with the exponent of the drag as found.
    fn motion_found(&self) -> Motion {
        self.motion.with_drag_exponent(self.value(Quantity::DragExponent))
    }

    /// The path in the flight plane from `from_s` to `to_s`, `count` points (at least two).
    pub fn sample_metres(&self, from_s: f64, to_s: f64, count: usize) -> Vec<MetrePoint> {
        let count = count.max(2);
        let step = (to_s - from_s) / (count - 1) as f64;
        let times: Vec<f64> = (0..count).map(|i| from_s + step * i as f64).collect();
        self.states_at(&times).unwrap_or_default().iter().map(|s| MetrePoint::new(s.x, s.y)).collect()
    }

    /// The same path as it is seen in the picture; points that the camera can't see are left out.
    pub fn sample_pixels(&self, view: &dyn FlightView, from_s: f64, to_s: f64, count: usize) -> Vec<PixelPoint> {
        self.sample_metres(from_s, to_s, count).into_iter().filter_map(|p| view.pixel_from_metre(p)).collect()
    }

    /// Coefficients of constant acceleration about the launch; with drag they are the state at launch and gravity alone.
    pub fn path(&self) -> FittedPath {
        let (start, (ax, ay)) = (self.launch_state(), self.field());
        FittedPath {
            x0_m: start.x,
            y0_m: start.y,
            vx_m_per_s: start.vx,
            vy_m_per_s: start.vy,
            ax_m_per_s2: ax,
            g_m_per_s2: -ay,
        }
    }

    /// Covariance of [`FlightFit::path`] in the order of its fields, in the products of their units: what sightings and terms
    /// known beforehand leave open, without the camera's inputs.
    pub fn path_covariance(&self) -> [[f64; 6]; 6] {
        let (sin, cos) = self.value(Quantity::Roll).sin_cos();
        let g = self.value(Quantity::Gravity);
        // Each field as a sum over quantities: only the two accelerations mix gravity, roll and sideways acceleration.
        let rows: [Vec<(Quantity, f64)>; 6] = [
            vec![(Quantity::X0, 1.0)],
            vec![(Quantity::Y0, 1.0)],
            vec![(Quantity::Vx, 1.0)],
            vec![(Quantity::Vy, 1.0)],
            vec![(Quantity::HorizontalAcceleration, 1.0), (Quantity::Gravity, sin), (Quantity::Roll, g * cos)],
            vec![(Quantity::Gravity, cos), (Quantity::Roll, -g * sin)],
        ];
        let place = |q: Quantity| self.parameters.iter().position(|p| p.quantity == q);
        let entry = |a: Quantity, b: Quantity| place(a).zip(place(b)).map_or(0.0, |(a, b)| self.covariance[a][b]);
        let rows = &rows;
        let pairs = |i: usize, j: usize| rows[i].iter().flat_map(move |a| rows[j].iter().map(move |b| (*a, *b)));
        std::array::from_fn(|i| {
            std::array::from_fn(|j| pairs(i, j).map(|((a, ca), (b, cb))| ca * cb * entry(a, b)).sum())
        })
    }

    /// Standard uncertainties of `of` at each of `times_s`, by what sightings and terms known beforehand leave open, the drag
    /// among them. `of` takes the state at a time, the acceleration there, the field without air and the launch state.
    /// `None` when the motion can't be followed that far.
    pub fn uncertainties_along<const N: usize>(
        &self,
        times_s: &[f64],
        of: impl Fn(&Instant) -> [f64; N],
    ) -> Option<Vec<[f64; N]>> {
        let free: Vec<usize> = (0..self.parameters.len()).filter(|&j| self.covariance[j][j] > 0.0).collect();
        let slopes: Vec<Vec<[f64; N]>> = free
            .iter()
            .map(|&j| {
                let step = self.parameters[j].quantity.small_step();
                let (above, below) =
                    (self.moved(j, step).along(times_s, &of)?, self.moved(j, -step).along(times_s, &of)?);
                let slope = |(a, b): (&[f64; N], &[f64; N])| std::array::from_fn(|k| (a[k] - b[k]) / (2.0 * step));
                Some(above.iter().zip(&below).map(slope).collect())
            })
            .collect::<Option<_>>()?;
        let pairs = || (0..free.len()).flat_map(|a| (0..free.len()).map(move |b| (a, b)));
        let variance = |i: usize, k: usize| -> f64 {
            pairs().map(|(a, b)| slopes[a][i][k] * self.covariance[free[a]][free[b]] * slopes[b][i][k]).sum()
        };
        Some((0..times_s.len()).map(|i| std::array::from_fn(|k| variance(i, k).max(0.0).sqrt())).collect())
    }

    fn moved(&self, parameter: usize, by: f64) -> Self {
        let mut moved = self.clone();
        moved.parameters[parameter].value += by;
        moved
    }

    /// `of` at each of `times_s`. `None` when the motion can't be followed that far.
    pub fn along<const N: usize>(&self, times_s: &[f64], of: impl Fn(&Instant) -> [f64; N]) -> Option<Vec<[f64; N]>> {
        let (launch, field, drag) = (self.launch_state(), self.field(), self.value(Quantity::DragFactor));
        let motion = self.motion_found();
        let instant = |state: State| Instant {
            acceleration: motion.acceleration((state.vx, state.vy), field, drag),
            state,
            field,
            launch,
        };
        Some(self.states_at(times_s)?.into_iter().map(|state| of(&instant(state))).collect())
    }

    /// +1 when the ball flies to the right, −1 to the left.
    pub fn direction(&self) -> f64 {
        if self.value(Quantity::Vx) < 0.0 { -1.0 } else { 1.0 }
    }

    /// Launch speed (m/s), angle (deg) and gravity (m/s²) from the parameters.
    pub fn derived(&self) -> [f64; 3] {
        derived(self.launch_state(), self.value(Quantity::Gravity), self.value(Quantity::Roll))
    }
}
