//! The camera as the fit sees it.

use crate::camera::{self, Camera, Shutter};
use crate::fit::{CameraFound, Distribution, FlightView, InputKind, ViewInput};
use crate::units::{MetrePoint, PixelPoint};

/// A [`Camera`] in the shape that the fit asks for.
#[derive(Debug, Clone)]
pub struct CameraView {
    camera: Camera,
}

impl CameraView {
    pub const fn new(camera: Camera) -> Self {
        Self { camera }
    }

    pub const fn camera(&self) -> &Camera {
        &self.camera
    }

    /// The camera with the tilt and lens that a flight showed.
    pub fn as_found(&self, found: &[CameraFound]) -> Self {
        self.moved(found.iter().map(|found| (found.index, found.shift * found.input.standard_uncertainty)))
    }

    /// The camera with inputs, by their places, moved; one that can't be moved so far stays.
    pub fn moved(&self, inputs: impl Iterator<Item = (usize, f64)>) -> Self {
        let moved = |camera: Camera, (index, by): (usize, f64)| camera.with_input(index, by).unwrap_or(camera);
        Self { camera: inputs.fold(self.camera.clone(), moved) }
    }
}

fn finite(x: f64, y: f64) -> bool {
    x.is_finite() && y.is_finite()
}

impl FlightView for CameraView {
    fn pixel_from_metre(&self, point: MetrePoint) -> Option<PixelPoint> {
        let at = self.camera.pixel_from_metre(point);
        finite(at.x, at.y).then_some(at)
    }

    fn metre_from_pixel(&self, point: PixelPoint) -> Option<MetrePoint> {
        let at = self.camera.metre_from_pixel(point);
        finite(at.x, at.y).then_some(at)
    }

    fn row_fraction(&self, point: PixelPoint) -> f64 {
        Shutter { readout_s: 1.0, ..self.camera.shutter() }.row_time_s(point)
    }

    fn readout_s(&self) -> f64 {
        self.camera.shutter().readout_s
    }

    fn inputs(&self) -> Vec<ViewInput> {
        self.camera
            .inputs()
            .map(|input| ViewInput {
                name: input.name.clone(),
                kind: kind(input.kind),
                unit: input.unit.clone(),
                value: input.value,
                standard_uncertainty: input.standard_uncertainty,
                distribution: match input.distribution {
                    camera::Distribution::Normal => Distribution::Normal,
                    camera::Distribution::Rectangular => Distribution::Rectangular,
                },
                degrees_of_freedom: None,
            })
            .collect()
    }

    fn perturbed(&self, index: usize, delta: f64) -> Box<dyn FlightView> {
        // An input that can't be moved so far leaves the camera as it is: its sensitivity then comes out as nought on that
        // side, and the other side still tells it.
        Box::new(Self { camera: self.camera.with_input(index, delta).unwrap_or_else(|_| self.camera.clone()) })
    }
}

fn kind(kind: camera::InputKind) -> InputKind {
    match kind {
        camera::InputKind::ScaleLength => InputKind::Scale,
        camera::InputKind::ScaleMarks => InputKind::Marks,
        camera::InputKind::ScaleDepth => InputKind::Distance,
        camera::InputKind::Level => InputKind::Level,
        camera::InputKind::Tilt => InputKind::Tilt,
        camera::InputKind::Lens => InputKind::Lens,
        camera::InputKind::Readout => InputKind::Readout,
    }
}
