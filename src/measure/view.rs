//! The camera as the fit sees it.

use nalgebra::Matrix2;

use crate::camera::{self, Camera, CameraInput, Shutter};
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

    fn pixel_jacobian(&self, point: MetrePoint) -> Option<Matrix2<f64>> {
        Some(self.camera.pixel_jacobian(point)).filter(|jacobian| jacobian.iter().all(|entry| entry.is_finite()))
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
                kind: kind(input),
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

fn kind(input: &CameraInput) -> InputKind {
    match input.kind {
        // A focal length bends nothing by itself; beside a lens term the flight can't tell it.
        camera::InputKind::Lens if input.unit == "px" => InputKind::Other,
        camera::InputKind::ScaleLength => InputKind::Scale,
        camera::InputKind::ScaleMarks => InputKind::Marks,
        camera::InputKind::ScaleDepth => InputKind::Distance,
        camera::InputKind::Level => InputKind::Level,
        camera::InputKind::Tilt => InputKind::Tilt,
        camera::InputKind::Lens => InputKind::Lens,
        camera::InputKind::Readout => InputKind::Readout,
    }
}

#[cfg(test)]
mod tests {
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;

    use super::*;
    use crate::camera::View;
    use crate::fit::trial::{Throw, frame_times};
    use crate::fit::{BendTerms, FitOptions, Quantity, fit_flight};
    use crate::rig::Rig;

    /// A metre along the bottom of a picture of 1280 × 720, the camera four metres off and square as far as anybody knows.
    fn camera() -> CameraView {
        let rig = "[scale]\nlengths = ['200,680 to 450,680 = 1.000 m']\n[camera]\ndistance = '4 m u 1 cm'\nreadout = '0 ms u 0.1 ms'";
        CameraView::new(Camera::from_rig(&Rig::parse(rig).unwrap(), &View::new(1280, 720)).unwrap())
    }

    /// A flight across the picture through a camera that is off by what is usual: the lens bends and the phone leans back.
    fn seen(truly: &CameraView, seed: u64) -> Vec<crate::sight::Sighting> {
        let throw = Throw::new(MetrePoint::new(0.2, 0.4), 5.0, 55.0, 1.0);
        throw.film(truly, &frame_times(60.0, 55), 0.05, &mut ChaCha8Rng::seed_from_u64(seed))
    }

    #[test]
    fn tilt_and_lens_are_found_with_the_flight() {
        let camera = camera();
        let place = |name: &str| camera.inputs().iter().position(|input| input.name.starts_with(name)).unwrap();
        let truly = camera.moved([(place("lens term k1"), 0.06), (place("pitch"), 2.0)].into_iter());
        let bends = BendTerms { fitted: true, ..BendTerms::default() };
        let (mut worst, mut plain_left_out) = (0.0f64, 0);
        for seed in 0..10 {
            let sightings = seen(&truly, seed);
            let plain = fit_flight(&sightings, &camera, &FitOptions::default()).unwrap();
            let fit =
                fit_flight(&sightings, &camera, &FitOptions { bends: bends.clone(), ..FitOptions::default() }).unwrap();
            plain_left_out += sightings.len() - plain.used();
            // Of clean sightings one in 3000 is rejected.
            assert!(sightings.len() - fit.used() <= 1, "{} of {}", fit.used(), sightings.len());
            let g = fit.gravity_m_per_s2;
            worst = worst.max((g.value - 9.81).abs() / g.standard_uncertainty.unwrap());
            let lens = fit.camera.iter().find(|found| found.input.name.starts_with("lens term k1")).unwrap();
            assert!(
                (lens.shift * lens.input.standard_uncertainty - 0.06).abs() < 3.0 * lens.narrowed * 0.05,
                "{lens:?}"
            );
            assert!(lens.narrowed < 0.5, "{lens:?}");
            let last = fit.parameters.last().unwrap();
            assert!(matches!(last.quantity, Quantity::Camera(_)));
        }
        println!("worst {worst:.2} u; left out without the bends: {plain_left_out}");
        // Ten draws of a normal distribution lie within 3.3 u in 99 % of cases; the same tilt in all of them, within 4.
        assert!(worst < 4.0 && plain_left_out > 10, "{worst} {plain_left_out}");
    }

    /// The picture bent to second order is the picture of the camera turned in earnest, to a twentieth of a pixel for a usual lens.
    #[test]
    fn bends_are_those_of_the_camera_itself() {
        let camera = camera();
        let bends = crate::fit::Bends::of(&camera, true);
        let lens = (0..bends.count()).find(|knob| bends.input(*knob).1.name.starts_with("lens term k1")).unwrap();
        let mut shifts = vec![0.0; bends.count()];
        shifts[lens] = 0.8;
        let (index, input) = bends.input(lens);
        let truly = camera.moved(std::iter::once((index, 0.8 * input.standard_uncertainty)));
        for at in [MetrePoint::new(-0.5, 0.1), MetrePoint::new(1.5, 1.2), MetrePoint::new(3.5, 2.3)] {
            let seen = bends.pixel_from_metre(&camera, &shifts, at).unwrap();
            let want = truly.pixel_from_metre(at).unwrap();
            assert!(seen.distance(want) < 0.05, "{seen:?} {want:?}");
            let back = bends.metre_from_pixel(&camera, &shifts, seen).unwrap();
            assert!(back.distance(at) < 1e-6, "{back:?} {at:?}");
        }
    }
}
