//! The camera that a cause supposes: as stated, or with one of its own inputs turned.

use super::cause::{Cause, Stage};
use crate::fit::view::FlightView;
use crate::fit::{Bends, Seen, si_unit};
use crate::units::{MetrePoint, PixelPoint};

/// An input of the camera that a cause turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Turn {
    /// Its place among the camera's inputs.
    index: usize,
    /// Of the input's unit, for one of the cause's own parameter.
    units: f64,
}

impl Turn {
    /// `None` where the cause is no input of this camera.
    pub fn of(cause: Cause, view: &dyn FlightView, stage: &Stage) -> Option<Self> {
        let name = match cause {
            Cause::Yaw => "yaw",
            Cause::Pitch => "pitch",
            Cause::Lens | Cause::WideLens => "lens term k1",
            _ => return None,
        };
        let (index, input) = view.inputs().into_iter().enumerate().find(|(_, input)| input.name.starts_with(name))?;
        let units = match cause {
            // The term counts in focal lengths from the middle, the cause in half-widths of the picture.
            Cause::Lens | Cause::WideLens => (stage.distance_m / stage.half_width_m).powi(2),
            _ => si_unit(&input.unit).recip(),
        };
        Some(Self { index, units })
    }

    /// The camera with the cause's parameter at `own`; a camera that can't be turned so far stays.
    pub fn turned(self, view: &dyn FlightView, bends: &Bends, own: f64) -> Eye<'static> {
        let view = view.perturbed(self.index, self.units * own);
        let bends = Bends::of(view.as_ref(), bends.count() > 0);
        Eye::Turned { view, bends }
    }
}

/// A camera, and how its tilt and lens bend the picture.
pub(super) enum Eye<'a> {
    Stated { view: &'a dyn FlightView, bends: &'a Bends },
    Turned { view: Box<dyn FlightView>, bends: Bends },
}

impl Eye<'_> {
    fn parts(&self) -> (&dyn FlightView, &Bends) {
        match self {
            Self::Stated { view, bends } => (*view, bends),
            Self::Turned { view, bends } => (view.as_ref(), bends),
        }
    }

    pub fn pixel_from_metre(&self, shifts: &[f64], at: MetrePoint) -> Option<PixelPoint> {
        let (view, bends) = self.parts();
        bends.pixel_from_metre(view, shifts, at)
    }

    pub fn seen(&self, shifts: &[f64], at: MetrePoint) -> Option<Seen> {
        let (view, bends) = self.parts();
        bends.seen(view, shifts, at)
    }
}
