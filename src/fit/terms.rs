//! Which quantities a fit finds, which it is told, and which it is told with doubt.

use serde::{Deserialize, Serialize};

/// How a quantity enters a fit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Term {
    /// Taken as it stands.
    Fixed(f64),
    /// Found from the sightings alone.
    Free,
    /// Found from the sightings and what is known beforehand: a value with its standard uncertainty enters as one more
    /// observation.
    Known { value: f64, standard_uncertainty: f64 },
}

impl Term {
    /// Where the search begins when nothing better is at hand.
    pub(crate) fn start(self, otherwise: f64) -> f64 {
        match self {
            Self::Fixed(value) | Self::Known { value, .. } => value,
            Self::Free => otherwise,
        }
    }

    pub(crate) fn is_fixed(self) -> bool {
        matches!(self, Self::Fixed(_))
    }
}

/// The quantities that all flights of a clip share.
///
/// Frame of reference: metres of the flight plane as the camera gives them, x right, y up. `roll` is the direction of
/// gravity from −y, rad, above zero towards +x.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Terms {
    /// Magnitude of the acceleration of free fall, m/s².
    pub gravity: Term,
    /// Acceleration along x that nothing else explains, m/s². Don't free it together with `roll`: they are the same to
    /// first order.
    pub horizontal_acceleration: Term,
    pub roll: Term,
    /// Readout of the rolling shutter, s; `None` takes the camera's.
    pub readout: Option<Term>,
    /// Multiplies the drag of the stated ball; without a ball it has no meaning and stays fixed.
    pub drag_factor: Term,
    /// By which power of the speed the drag departs from the law of the stated ball; as the factor.
    #[serde(default = "Terms::no_exponent")]
    pub drag_exponent: Term,
    /// By which share true times are longer than those of the clock. Found along where gravity is given, which then tells it.
    #[serde(default = "Terms::exact_clock")]
    pub clock_rate: Term,
}

impl Terms {
    const fn no_exponent() -> Term {
        Term::Fixed(0.0)
    }

    const fn exact_clock() -> Term {
        Term::Fixed(0.0)
    }
}

impl Default for Terms {
    fn default() -> Self {
        Self {
            gravity: Term::Free,
            horizontal_acceleration: Term::Fixed(0.0),
            roll: Term::Fixed(0.0),
            readout: None,
            drag_factor: Term::Fixed(1.0),
            drag_exponent: Self::no_exponent(),
            clock_rate: Self::exact_clock(),
        }
    }
}

/// A quantity of the fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    X0,
    Y0,
    Vx,
    Vy,
    Gravity,
    HorizontalAcceleration,
    Roll,
    Readout,
    DragFactor,
    DragExponent,
    ClockRate,
    /// One of the camera's inputs that are found along, in its standard uncertainties from its stated value.
    Camera(usize),
}

impl Quantity {
    /// Those of one flight, in the order of the parameter vector.
    pub const OWN: [Self; 4] = [Self::X0, Self::Y0, Self::Vx, Self::Vy];
    /// Those that all flights share.
    pub const SHARED: [Self; 7] = [
        Self::Gravity,
        Self::HorizontalAcceleration,
        Self::Roll,
        Self::Readout,
        Self::DragFactor,
        Self::DragExponent,
        Self::ClockRate,
    ];

    pub fn unit(self) -> &'static str {
        match self {
            Self::X0 | Self::Y0 => "m",
            Self::Vx | Self::Vy => "m/s",
            Self::Gravity | Self::HorizontalAcceleration => "m/s²",
            Self::Roll => "rad",
            Self::Readout => "s",
            Self::DragFactor | Self::DragExponent | Self::ClockRate | Self::Camera(_) => "1",
        }
    }

    /// A change that is small for a thrown ball yet far above rounding: the step of the numeric derivative.
    pub(crate) fn small_step(self) -> f64 {
        match self {
            Self::X0 | Self::Y0 | Self::Vx | Self::Vy => 1e-5,
            Self::Gravity | Self::HorizontalAcceleration | Self::DragFactor => 1e-4,
            Self::Roll => 1e-5,
            Self::Readout | Self::ClockRate => 1e-6,
            Self::DragExponent | Self::Camera(_) => 1e-3,
        }
    }
}
