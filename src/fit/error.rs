//! Why a flight could not be fitted.

use thiserror::Error;

use crate::maths::nonlinear::SolverError;

/// Why a flight could not be fitted.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum FitError {
    #[error("{found} sightings on the path, and a fit with an uncertainty needs at least {needed}")]
    TooFewSightings { found: usize, needed: usize },
    #[error("the sighting in frame {frame} has no usable place, time or covariance")]
    BadSighting { frame: usize },
    #[error("the sighting in frame {frame} lies where the camera cannot see the plane of the flight")]
    OutsideView { frame: usize },
    #[error("the sightings do not lie on the path of a thrown ball")]
    NoPath,
    #[error("the sightings do not fix everything the fit was asked for")]
    Degenerate,
    #[error("a known quantity needs a standard uncertainty above zero")]
    BadTerm,
    #[error("the {found} times given do not belong to {sightings} sightings")]
    TimesMismatch { found: usize, sightings: usize },
    #[error("the search for the best path did not end")]
    Search(#[source] SolverError),
}

impl FitError {
    /// What to do about it.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::TooFewSightings { .. } => "film at a higher frame rate, or with the whole flight in view",
            Self::BadSighting { .. } => "drop that sighting, or place it by hand",
            Self::OutsideView { .. } => "check the marks of the scale, or drop that sighting",
            Self::NoPath => "look at the sightings on the strobe picture and drop those that are not the ball",
            Self::Degenerate | Self::Search(_) => {
                "fix the shutter's readout or the camera's level, or state the ball's mass and size"
            }
            Self::BadTerm => "give the standard uncertainty, or take the quantity as fixed",
            Self::TimesMismatch { .. } => "give one time for each sighting",
        }
    }
}

impl From<SolverError> for FitError {
    fn from(error: SolverError) -> Self {
        match error {
            SolverError::TooFewResiduals { .. } | SolverError::Degenerate => Self::Degenerate,
            SolverError::BadStart => Self::NoPath,
            other => Self::Search(other),
        }
    }
}
