//! What the fit must know of the camera: where a point of the flight plane is seen, and when its row is exposed.

use nalgebra::Matrix2;
use serde::{Deserialize, Serialize};

use crate::units::{MetrePoint, PixelPoint};

/// How an input's value is spread, for the budget and for Monte Carlo (JCGM 101:2008, 6.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Distribution {
    Normal,
    /// Between two limits, nothing preferred: half-width = u·√3.
    Rectangular,
    /// Half-width = u·√6.
    Triangular,
    /// Half-width = u·√2.
    Arcsine,
}

/// What kind of input of the camera it is; the fit treats level and readout as parameters where it frees them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum InputKind {
    /// The stated length of the scale.
    Scale,
    /// Where the ends of the scale were marked.
    Marks,
    /// The direction of the vertical.
    Level,
    /// Distances of the camera, the scale and the flight.
    Distance,
    Lens,
    /// The rolling shutter's readout time.
    Readout,
    /// The camera's turn about the vertical or the level axis.
    Tilt,
    Other,
}

/// One uncertain input of the camera, in its own unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ViewInput {
    pub name: String,
    pub kind: InputKind,
    pub unit: String,
    pub value: f64,
    pub standard_uncertainty: f64,
    pub distribution: Distribution,
    /// Degrees of freedom of the standard uncertainty (GUM G.4.2); `None` when it is taken as exactly known.
    pub degrees_of_freedom: Option<f64>,
}

/// A camera as the fit sees it.
///
/// `row_fraction` grows along the readout from 0 (first row read) to 1 (last); which way that runs in the displayed
/// picture is the camera's business. Time of a pixel = time of its frame + `readout_s` · `row_fraction`.
pub trait FlightView: Send + Sync {
    /// Where a point of the flight plane is seen; `None` when it is behind the camera or off the lens model.
    fn pixel_from_metre(&self, point: MetrePoint) -> Option<PixelPoint>;

    /// Derivative of [`FlightView::pixel_from_metre`], px/m: rows the pixel's x and y, columns the point's. By default central
    /// differences, for maps that bend little within a tenth of a millimetre.
    fn pixel_jacobian(&self, point: MetrePoint) -> Option<Matrix2<f64>> {
        const STEP_M: f64 = 1e-4;
        let along = |x: f64, y: f64| {
            let above = self.pixel_from_metre(MetrePoint::new(point.x + x, point.y + y))?;
            let below = self.pixel_from_metre(MetrePoint::new(point.x - x, point.y - y))?;
            Some(((above.x - below.x) / (2.0 * STEP_M), (above.y - below.y) / (2.0 * STEP_M)))
        };
        let (by_x, by_y) = (along(STEP_M, 0.0)?, along(0.0, STEP_M)?);
        Some(Matrix2::new(by_x.0, by_y.0, by_x.1, by_y.1))
    }

    /// The point of the flight plane seen at a pixel.
    fn metre_from_pixel(&self, point: PixelPoint) -> Option<MetrePoint>;

    /// Share of the readout that has passed when this pixel's row is exposed, 0 to 1.
    fn row_fraction(&self, point: PixelPoint) -> f64;

    /// The readout in use, s; 0 for a global shutter or when nothing is stated.
    fn readout_s(&self) -> f64;

    /// How long after its frame's time a pixel's row is exposed, s.
    fn row_time_s(&self, point: PixelPoint) -> f64 {
        self.readout_s() * self.row_fraction(point)
    }

    /// The uncertain inputs, for the budget.
    fn inputs(&self) -> Vec<ViewInput>;

    /// The same camera with the input of that index off by `delta` of its unit.
    fn perturbed(&self, index: usize, delta: f64) -> Box<dyn FlightView>;
}

/// The simplest camera: square to the flight, one scale for the whole picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlainScale {
    pub metres_per_pixel: f64,
    /// The pixel where the metres begin.
    pub origin_px: PixelPoint,
    /// Direction of the true horizontal in the picture, rad; above zero when a level line rises towards the right.
    pub level_rad: f64,
    /// Readout from the first row to the last, s; below zero when read from the bottom.
    pub readout_s: f64,
    /// Number of rows of the readout, in pixels of the displayed picture.
    pub rows: f64,
    /// Whether rows lie along y (phone held level) or along x (upright).
    pub rows_along_y: bool,
    pub uncertainty: PlainScaleUncertainty,
}

/// Standard uncertainties of the inputs of [`PlainScale`]; `None` leaves a row out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PlainScaleUncertainty {
    /// Of the scale's length, relative.
    pub scale_relative: Option<f64>,
    /// Of the ratio of the distances of ball and scale, relative.
    pub distance_relative: Option<f64>,
    pub level_rad: Option<f64>,
    pub readout_s: Option<f64>,
}

impl PlainScale {
    /// A camera with `metres_per_pixel` whose metres begin at `origin_px`, level, with a global shutter.
    pub fn new(metres_per_pixel: f64, origin_px: PixelPoint) -> Self {
        Self {
            metres_per_pixel,
            origin_px,
            level_rad: 0.0,
            readout_s: 0.0,
            rows: 1080.0,
            rows_along_y: true,
            uncertainty: PlainScaleUncertainty::default(),
        }
    }

    fn input_list(&self) -> Vec<ViewInput> {
        let input = |kind, name: &str, unit: &str, value, u: Option<f64>, distribution| {
            u.map(|standard_uncertainty| {
                let (name, unit) = (name.to_owned(), unit.to_owned());
                let degrees_of_freedom = None;
                ViewInput { name, kind, unit, value, standard_uncertainty, distribution, degrees_of_freedom }
            })
        };
        let u = &self.uncertainty;
        [
            input(InputKind::Scale, "length of the scale", "1", 1.0, u.scale_relative, Distribution::Normal),
            input(InputKind::Distance, "distance of the scale", "1", 1.0, u.distance_relative, Distribution::Normal),
            input(InputKind::Level, "level of the camera", "rad", self.level_rad, u.level_rad, Distribution::Normal),
            input(InputKind::Readout, "readout of the shutter", "s", self.readout_s, u.readout_s, Distribution::Normal),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

impl FlightView for PlainScale {
    fn pixel_from_metre(&self, point: MetrePoint) -> Option<PixelPoint> {
        let (sin, cos) = self.level_rad.sin_cos();
        let (x, y) = (point.x / self.metres_per_pixel, point.y / self.metres_per_pixel);
        Some(PixelPoint::new(self.origin_px.x + x * cos - y * sin, self.origin_px.y - (x * sin + y * cos)))
    }

    fn metre_from_pixel(&self, point: PixelPoint) -> Option<MetrePoint> {
        let (sin, cos) = self.level_rad.sin_cos();
        let (right, up) = (point.x - self.origin_px.x, self.origin_px.y - point.y);
        Some(MetrePoint::new(
            (right * cos + up * sin) * self.metres_per_pixel,
            (up * cos - right * sin) * self.metres_per_pixel,
        ))
    }

    fn row_fraction(&self, point: PixelPoint) -> f64 {
        (if self.rows_along_y { point.y } else { point.x }) / self.rows
    }

    fn readout_s(&self) -> f64 {
        self.readout_s
    }

    fn inputs(&self) -> Vec<ViewInput> {
        self.input_list()
    }

    fn perturbed(&self, index: usize, delta: f64) -> Box<dyn FlightView> {
        let mut moved = self.clone();
        match self.input_list().get(index).map(|input| input.kind) {
            Some(InputKind::Scale | InputKind::Distance) => moved.metres_per_pixel *= 1.0 + delta,
            Some(InputKind::Level) => moved.level_rad += delta,
            Some(InputKind::Readout) => moved.readout_s += delta,
            _ => {}
        }
        Box::new(moved)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_scale_goes_there_and_back() {
        let mut view = PlainScale::new(0.0013, PixelPoint::new(100.0, 900.0));
        view.level_rad = 0.05;
        let point = MetrePoint::new(0.7, 0.4);
        let back = view.metre_from_pixel(view.pixel_from_metre(point).unwrap()).unwrap();
        // Rounding of a few operations on numbers near one.
        assert!(back.distance(point) < 1e-14);
    }

    #[test]
    fn a_level_line_that_rises_rises_in_the_picture() {
        let mut view = PlainScale::new(0.001, PixelPoint::new(0.0, 0.0));
        view.level_rad = 0.1;
        let right = view.pixel_from_metre(MetrePoint::new(1.0, 0.0)).unwrap();
        assert!(right.x > 0.0 && right.y < 0.0);
    }
}
