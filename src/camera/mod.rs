//! From pixels to metres: scale, vertical, perspective, lens and rolling shutter of one clip.
//!
//! [`Camera`] is the whole stage as the fit sees it: a map between the plane of the flight and the picture, and the list of
//! the uncertain numbers it was made of. Turning one of them ([`Camera::with_input`]) gives the camera that would have come
//! of it, from which the budget takes its sensitivities.
//!
//! # Frame of reference in metres
//! The plane of the flight, x right as the camera sees it, y up along the vertical. The origin is where the line of sight to
//! the scale's first mark meets that plane: the first end of the first length, the first corner of the rectangle (bottom
//! left), or the left edge of the ball when that alone is the scale.

pub mod calibrate;
pub mod card;
mod error;
pub mod flicker;
pub(crate) mod homography;
mod inputs;
mod lens;
mod marks;
mod pose;
mod setup;
mod shutter;
mod solve;
pub mod steady;
pub mod still;

use nalgebra::{Matrix2, Vector2};
use serde::{Deserialize, Serialize};

use crate::clip::ClipInfo;
use crate::rig::{ReadoutDirection, Rig, StatedLength};
use crate::units::{Covariance2, MetrePoint, PixelPoint};
use crate::warning::Warning;

pub use error::CameraError;
pub use inputs::{CameraInput, Distribution, InputKind};
pub use lens::Lens;
pub use shutter::{Shutter, displayed_direction};
pub use solve::LengthCheck;

use inputs::Knob;
use setup::{Prepared, prepare};
use solve::{ScaleSource, Setup, Solved};

/// What of a clip the camera must know besides the rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// Size of the displayed picture, px.
    pub width: usize,
    pub height: usize,
    /// Which way the sensor's rows follow each other in the displayed picture, unless the rig says otherwise.
    pub rows: ReadoutDirection,
    /// True frame rate, Hz; bounds an unknown readout time.
    pub frame_rate_hz: Option<f64>,
    /// Top left and bottom right of the flight in the picture; decides whether marks span enough of it for a full map.
    /// `None`: the middle half of the picture is taken.
    pub flight_box: Option<(PixelPoint, PixelPoint)>,
    /// The ball as seen, where its size was measured.
    pub ball: Option<BallSeen>,
    /// Cards found in the still background (see [`card::find_cards`]).
    pub cards: Vec<card::FoundCard>,
    /// Readout time along `rows` from the flicker of lamps, with its standard uncertainty, s.
    #[serde(default)]
    pub lamps_readout_s: Option<(f64, f64)>,
}

/// Size of the ball in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BallSeen {
    pub centre_px: PixelPoint,
    pub diameter_px: f64,
    /// Random part only, px; what glare and threshold do to the edges is added here.
    pub standard_uncertainty_px: f64,
}

impl View {
    /// A view of which only the size is known; rows run down.
    pub const fn new(width: usize, height: usize) -> Self {
        let rows = ReadoutDirection::Down;
        Self {
            width,
            height,
            rows,
            frame_rate_hz: None,
            flight_box: None,
            ball: None,
            cards: Vec::new(),
            lamps_readout_s: None,
        }
    }

    /// A view of a clip.
    pub fn of_clip(info: &ClipInfo, frame_rate_hz: Option<f64>) -> Self {
        Self { rows: displayed_direction(info), frame_rate_hz, ..Self::new(info.width, info.height) }
    }

    /// Centre of the picture.
    pub fn centre(&self) -> PixelPoint {
        PixelPoint::new((self.width as f64 - 1.0) / 2.0, (self.height as f64 - 1.0) / 2.0)
    }

    fn middle(&self) -> (PixelPoint, PixelPoint) {
        let (w, h) = (self.width as f64, self.height as f64);
        (PixelPoint::new(0.25 * w, 0.25 * h), PixelPoint::new(0.75 * w, 0.75 * h))
    }
}

/// The map between the plane of the flight and the picture, with what is uncertain about it.
#[derive(Debug, Clone)]
pub struct Camera {
    setup: Setup,
    solved: Solved,
    inputs: Vec<(CameraInput, Knob)>,
    description: String,
    warnings: Vec<Warning>,
}

/// The ball's diameter as the camera sees it beside the stated one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BallCheck {
    /// Seen over stated diameter.
    pub ratio: f64,
    /// Standard uncertainty of the ratio: edges in the picture and the stated diameter.
    pub standard_uncertainty: f64,
    /// How much nearer to the camera than the scale the ball would have to be, m; negative when farther. `None` where the
    /// camera's distance isn't stated.
    pub nearer_by_m: Option<f64>,
    /// Whether the two disagree by more than twice the standard uncertainty and 3 %.
    pub disagrees: bool,
}

impl Camera {
    /// Makes the camera of a rig and a view.
    ///
    /// The scale is, in this order: the marks of cards in view, weighed together with what is known of the camera; the rectangle's four corners where they span at least half of the flight along both axes,
    /// else its sides as lengths; all known lengths adjusted together by weighted least squares; the ball's diameter, where it
    /// is asked for or nothing else is known.
    ///
    /// # Errors
    /// [`CameraError`].
    pub fn from_rig(rig: &Rig, view: &View) -> Result<Self, CameraError> {
        let Prepared { mut setup, mut inputs, mut scale_words, level_words } = prepare(rig, view)?;
        let mut solved = setup.solve()?;
        if let (ScaleSource::Marks(scene), Some(placed)) = (&mut setup.scale, &solved.placed) {
            // Changed inputs move the solution a little: they needn't search for it again.
            scene.start = Some(placed.parameters.clone());
            setup::name_tilts(scene, placed, &mut inputs);
            scale_words = format!("{scale_words}, {}", tilt_words(placed.tilt_u_deg()));
            solved.checks = setup.checks_of_lines(rig, &solved);
        }
        let residual_px = solved.placed.as_ref().map_or(0.0, |placed| placed.residual_rms_px);
        let mut warnings = Vec::new();
        if inputs.iter().any(|(input, knob)| *knob == Knob::Offset && !input.stated) {
            warnings.push(Warning::ScaleDepthUnknown);
        }
        if let Some(at) = setup::end_beyond(rig, view) {
            warnings.push(Warning::ScaleEndOutside { x_px: at.x, y_px: at.y });
        }
        // Corners are good to a tenth of a pixel, and a lens that isn't stated bends a card by a few more.
        if residual_px > 0.5 {
            warnings.push(Warning::MarksDontFit { residual_px });
        }
        warnings.extend(disagreement(&solved.checks));
        warnings.extend(setup::hanging_warnings(rig, view));
        let apart = apart_words(&solved.checks, solved.placed.is_some());
        let description = format!("scale from {scale_words}{apart}; vertical from {level_words}");
        let mut camera = Self { setup, solved, inputs, description, warnings };
        camera.check_horizon()?;
        camera.warnings.extend(camera.ball_beside(rig, view));
        Ok(camera)
    }

    /// Where a point of the plane of the flight is seen.
    pub fn pixel_from_metre(&self, at: MetrePoint) -> PixelPoint {
        let ideal = self.ideal(at);
        self.solved.lens.map_or(ideal, |lens| lens.distort(ideal))
    }

    /// Which point of the plane of the flight is seen at a place of the picture.
    pub fn metre_from_pixel(&self, at: PixelPoint) -> MetrePoint {
        let ideal = self.solved.lens.map_or(at, |lens| lens.undistort(at));
        let (x, y) = homography::apply(&self.solved.inverse, ideal.x, ideal.y);
        MetrePoint::new(x, y)
    }

    /// Derivative of [`Camera::pixel_from_metre`]: rows the pixel's x and y, columns the metre point's x and y, px/m.
    pub fn pixel_jacobian(&self, at: MetrePoint) -> Matrix2<f64> {
        let plane = homography::jacobian(&self.solved.plane, at.x, at.y);
        self.solved.lens.map_or(plane, |lens| lens.jacobian(self.ideal(at)) * plane)
    }

    /// Derivative of [`Camera::metre_from_pixel`], m/px.
    pub fn metre_jacobian(&self, at: PixelPoint) -> Matrix2<f64> {
        let j = self.pixel_jacobian(self.metre_from_pixel(at));
        // The map is invertible wherever it was accepted (see `check_horizon`).
        j.try_inverse().unwrap_or_else(Matrix2::zeros)
    }

    /// A covariance in the picture (px²) as one in the plane (m²).
    pub fn metre_covariance(&self, at: PixelPoint, covariance: Covariance2) -> Covariance2 {
        let j = self.metre_jacobian(at);
        let c = j * Matrix2::new(covariance.xx, covariance.xy, covariance.xy, covariance.yy) * j.transpose();
        Covariance2 { xx: c.m11, xy: c.m12, yy: c.m22 }
    }

    /// Metres per pixel around a place: the square root of the area that one pixel covers.
    pub fn metres_per_pixel(&self, at: PixelPoint) -> f64 {
        self.metre_jacobian(at).determinant().abs().sqrt()
    }

    /// Time after the start of a frame at which the row through `at` was taken, s; 0 when the readout isn't known.
    pub fn row_time_s(&self, at: PixelPoint) -> f64 {
        self.shutter().row_time_s(at)
    }

    /// The rolling shutter in use.
    pub fn shutter(&self) -> Shutter {
        Shutter {
            readout_s: self.setup.readout_s,
            direction: self.setup.direction,
            size_px: (self.setup.width as f64, self.setup.height as f64),
        }
    }

    /// The same camera with another readout time, s; negative when the rows run the other way.
    pub fn with_readout(&self, readout_s: f64) -> Self {
        let mut other = self.clone();
        other.setup.readout_s = readout_s;
        other
    }

    /// Direction of the vertical (up) at a place of the picture, as a unit vector in pixels.
    pub fn up_px(&self, at: PixelPoint) -> (f64, f64) {
        let up = (self.pixel_jacobian(self.metre_from_pixel(at)) * Vector2::new(0.0, 1.0)).normalize();
        (up.x, up.y)
    }

    /// How scale and vertical came about, in a sentence without full stop.
    pub fn description(&self) -> &str {
        &self.description
    }

    /// Odd but usable things about the scale.
    pub fn warnings(&self) -> &[Warning] {
        &self.warnings
    }

    /// Each known length beside what the camera makes of it, in the order of the rig: how far they disagree.
    pub fn length_checks(&self) -> &[LengthCheck] {
        &self.solved.checks
    }

    /// The uncertain numbers that the camera is made of.
    pub fn inputs(&self) -> impl ExactSizeIterator<Item = &CameraInput> {
        self.inputs.iter().map(|(input, _)| input)
    }

    /// The camera that would have come of input `i` being larger by `delta`, in the input's own unit.
    ///
    /// # Errors
    /// [`CameraError`] where no camera is possible with that value. An `i` that is out of range changes nothing.
    pub fn with_input(&self, i: usize, delta: f64) -> Result<Self, CameraError> {
        let mut deltas = vec![0.0; self.inputs.len()];
        if let Some(slot) = deltas.get_mut(i) {
            *slot = delta;
        }
        self.with_inputs(&deltas)
    }

    /// The camera with all inputs changed at once, for a Monte Carlo run; `deltas` in the order of [`Camera::inputs`].
    ///
    /// # Errors
    /// [`CameraError`] where no camera is possible with those values.
    pub fn with_inputs(&self, deltas: &[f64]) -> Result<Self, CameraError> {
        let mut other = self.clone();
        for ((_, knob), delta) in self.inputs.iter().zip(deltas) {
            other.setup.turn(*knob, *delta);
        }
        other.solved = other.setup.solve()?;
        Ok(other)
    }

    /// Compares the ball's stated diameter with the one seen through this camera.
    ///
    /// An edge that is off by a quarter of a pixel on each side, as glare and threshold make it, is 3.3 % of a ball of 15 px
    /// and 0.8 % of one of 60 px: a cross-check, rarely a good scale.
    pub fn ball_check(&self, seen: BallSeen, diameter: StatedLength) -> BallCheck {
        let half = seen.diameter_px / 2.0;
        let edge = |dx: f64| self.metre_from_pixel(PixelPoint::new(seen.centre_px.x + dx, seen.centre_px.y));
        let ratio = edge(-half).distance(edge(half)) / diameter.length.metres();
        let edges =
            seen.standard_uncertainty_px.hypot(2.0 * setup::usual::BALL_EDGE_PX / 3f64.sqrt()) / seen.diameter_px;
        let stated = diameter.standard_uncertainty_m.unwrap_or(setup::usual::LENGTH_M) / diameter.length.metres();
        let standard_uncertainty = ratio * edges.hypot(stated);
        let off = (ratio - 1.0).abs();
        BallCheck {
            ratio,
            standard_uncertainty,
            nearer_by_m: self.setup.distance_m.map(|distance| distance * (1.0 - 1.0 / ratio)),
            disagrees: off > 2.0 * standard_uncertainty && off > 0.03,
        }
    }

    /// A warning when the ball is seen larger or smaller than stated, and something else is the scale.
    fn ball_beside(&self, rig: &Rig, view: &View) -> Option<Warning> {
        let other =
            !matches!(&self.setup.scale, ScaleSource::Lengths(lines) if lines.iter().any(|l| l.in_flight_plane));
        let (seen, diameter) = view.ball.zip(rig.ball.diameter).filter(|_| other)?;
        let check = self.ball_check(seen, diameter);
        check.disagrees.then_some(Warning::BallDisagrees {
            percent: 100.0 * (check.ratio - 1.0),
            u95_percent: 100.0 * 2.0 * check.standard_uncertainty,
            nearer_by_m: check.nearer_by_m,
        })
    }

    fn ideal(&self, at: MetrePoint) -> PixelPoint {
        let (x, y) = homography::apply(&self.solved.plane, at.x, at.y);
        PixelPoint::new(x, y)
    }

    /// Every corner of the picture must look at the plane, not past its horizon.
    fn check_horizon(&self) -> Result<(), CameraError> {
        let (w, h) = (self.setup.width as f64 - 1.0, self.setup.height as f64 - 1.0);
        let depth = |p: PixelPoint| {
            let ideal = self.solved.lens.map_or(p, |lens| lens.undistort(p));
            (self.solved.inverse * nalgebra::Vector3::new(ideal.x, ideal.y, 1.0)).z
        };
        let middle = depth(PixelPoint::new(w / 2.0, h / 2.0));
        let corners = [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h)];
        let seen = corners.iter().all(|c| depth(PixelPoint::new(c.0, c.1)) * middle > 0.0);
        if seen && self.solved.plane.iter().all(|entry| entry.is_finite()) {
            Ok(())
        } else {
            Err(CameraError::PastHorizon)
        }
    }
}

/// What the marks say about tilt, for the description.
fn tilt_words(u_deg: f64) -> String {
    // Half of what was taken for granted beforehand: below it the marks have the word.
    if u_deg < 0.5 * setup::usual::MARKS_TILT_DEG {
        format!("tilt of the camera from the marks to {u_deg:.1}°")
    } else {
        format!("marks too close together to show tilt, which may be {u_deg:.0}°")
    }
}

/// How far known lengths contradict each other, or a card, in the description; empty where there is nothing to compare.
fn apart_words(checks: &[LengthCheck], by_card: bool) -> String {
    let off = |check: &LengthCheck| 100.0 * (check.seen_m / check.stated_m - 1.0).abs();
    let worst = checks.iter().map(off).fold(0.0, f64::max);
    match checks.len() {
        0 => String::new(),
        1 if !by_card => String::new(),
        1 => format!(", from which the marked length differs by {worst:.1} %"),
        _ if by_card => format!(", from which marked lengths differ by up to {worst:.1} %"),
        _ => format!(", from which they differ by up to {worst:.1} %"),
    }
}

/// A warning when a known length is off by more than three standard uncertainties.
fn disagreement(checks: &[LengthCheck]) -> Option<Warning> {
    let off = |check: &LengthCheck| (check.seen_m - check.stated_m).abs() / check.standard_uncertainty_m;
    let worst = checks.iter().max_by(|a, b| off(a).total_cmp(&off(b)))?;
    (off(worst) > 3.0).then(|| Warning::LengthsDisagree {
        worst_percent: (worst.seen_m / worst.stated_m - 1.0).abs() * 100.0,
        standard_uncertainties: off(worst),
    })
}

#[cfg(test)]
mod tests;
