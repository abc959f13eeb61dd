//! What the camera's inputs do to the picture, so that the fit can find them along with the flight: tilt and lens always, scale, marks
//! and distances where gravity is given.
//!
//! Tilt and lens bend the path as it is seen, by far more than a sighting's noise: a lens term that nobody stated by several pixels at the
//! picture's edge. What a flight shows of them narrows what is known beforehand, and a bend that no one expected is
//! not taken for outliers. Scale and distances stretch the path, which looks like another gravity and another speed: while gravity is
//! free nothing can be told from that, and where it is given the fall measures them.

use nalgebra::Matrix2;

use super::BendTerms;
use super::view::{FlightView, InputKind, ViewInput};
use crate::units::{MetrePoint, PixelPoint};

/// The inputs of a camera that a fit finds, each in its own standard uncertainties from its stated value.
pub struct Bends {
    knobs: Vec<Knob>,
}

/// Where a point is seen, and what moves it there.
pub struct Seen {
    pub pixel: PixelPoint,
    /// px/m: rows the pixel's x and y, columns the point's.
    pub by_place: Matrix2<f64>,
    /// Change of the pixel for one standard uncertainty of each input.
    pub by_shift: Vec<PixelPoint>,
}

struct Knob {
    index: usize,
    input: ViewInput,
    /// The camera with this input one standard uncertainty higher, and lower.
    above: Box<dyn FlightView>,
    below: Box<dyn FlightView>,
}

impl BendTerms {
    /// Whether an input of the camera is found along. Level and readout are quantities of their own.
    pub(super) fn holds(&self, kind: InputKind) -> bool {
        match kind {
            InputKind::Tilt | InputKind::Lens => self.fitted,
            InputKind::Scale | InputKind::Marks | InputKind::Distance | InputKind::Other => self.lengths,
            InputKind::Level | InputKind::Readout => false,
        }
    }
}

impl Bends {
    /// Tilt and lens of a camera; none when they aren't to be found.
    pub fn of(view: &dyn FlightView, fitted: bool) -> Self {
        Self::among(view, &BendTerms { fitted, ..BendTerms::default() })
    }

    /// Those of a camera that are to be found.
    pub fn among(view: &dyn FlightView, terms: &BendTerms) -> Self {
        let inputs = view.inputs().into_iter().enumerate();
        let wanted = inputs.filter(|(_, input)| terms.holds(input.kind) && input.standard_uncertainty > 0.0);
        let knob = |(index, input): (usize, ViewInput)| Knob {
            index,
            above: view.perturbed(index, input.standard_uncertainty),
            below: view.perturbed(index, -input.standard_uncertainty),
            input,
        };
        Self { knobs: wanted.map(knob).collect() }
    }

    pub fn count(&self) -> usize {
        self.knobs.len()
    }

    /// Place among the camera's inputs, and the input.
    pub fn input(&self, knob: usize) -> (usize, &ViewInput) {
        (self.knobs[knob].index, &self.knobs[knob].input)
    }

    /// Where a point is seen when the inputs are off by `shifts` standard uncertainties: to second order in each.
    pub fn pixel_from_metre(&self, view: &dyn FlightView, shifts: &[f64], at: MetrePoint) -> Option<PixelPoint> {
        let base = view.pixel_from_metre(at)?;
        let mut seen = base;
        for (knob, &shift) in self.knobs.iter().zip(shifts).filter(|(_, shift)| **shift != 0.0) {
            let (above, below) = (knob.above.pixel_from_metre(at)?, knob.below.pixel_from_metre(at)?);
            let moved = |above: f64, below: f64, base: f64| {
                0.5 * shift * ((above - below) + shift * (above + below - 2.0 * base))
            };
            seen.x += moved(above.x, below.x, base.x);
            seen.y += moved(above.y, below.y, base.y);
        }
        Some(seen)
    }

    /// The same with its derivatives.
    pub fn seen(&self, view: &dyn FlightView, shifts: &[f64], at: MetrePoint) -> Option<Seen> {
        let (base, by_base) = (view.pixel_from_metre(at)?, view.pixel_jacobian(at)?);
        let mut seen = Seen { pixel: base, by_place: by_base, by_shift: Vec::with_capacity(self.count()) };
        for (knob, &shift) in self.knobs.iter().zip(shifts) {
            let (above, below) = (knob.above.pixel_from_metre(at)?, knob.below.pixel_from_metre(at)?);
            let slope =
                |above: f64, below: f64, base: f64| 0.5 * (above - below) + shift * (above + below - 2.0 * base);
            seen.by_shift.push(PixelPoint::new(slope(above.x, below.x, base.x), slope(above.y, below.y, base.y)));
            if shift != 0.0 {
                let moved = |above: f64, below: f64, base: f64| {
                    0.5 * shift * ((above - below) + shift * (above + below - 2.0 * base))
                };
                seen.pixel.x += moved(above.x, below.x, base.x);
                seen.pixel.y += moved(above.y, below.y, base.y);
                let (above, below) = (knob.above.pixel_jacobian(at)?, knob.below.pixel_jacobian(at)?);
                seen.by_place += 0.5 * shift * ((above - below) + shift * (above + below - 2.0 * by_base));
            }
        }
        Some(seen)
    }

    /// The point that is seen at a pixel.
    pub fn metre_from_pixel(&self, view: &dyn FlightView, shifts: &[f64], at: PixelPoint) -> Option<MetrePoint> {
        let mut aim = at;
        let mut found = view.metre_from_pixel(aim)?;
        // A bend changes little over its own size: each round wins two digits.
        for _ in 0..if shifts.is_empty() { 0 } else { 8 } {
            let seen = self.pixel_from_metre(view, shifts, found)?;
            aim = PixelPoint::new(aim.x + at.x - seen.x, aim.y + at.y - seen.y);
            found = view.metre_from_pixel(aim)?;
        }
        Some(found)
    }
}
