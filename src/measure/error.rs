//! Why a clip could not be measured, and what to do about it.

use crate::camera::CameraError;
use crate::camera::steady::SteadyError;
use crate::clip::ClipError;
use crate::fit::FitError;
use crate::flight::forecast::ForecastError;
use crate::measure::MendingError;
use crate::sight::find::Seen;

/// Why a clip could not be measured.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum MeasureError {
    #[error(transparent)]
    Clip(#[from] ClipError),
    #[error("no flight found in {} frames: {}", seen.frames, what_was_seen(seen))]
    NoFlight { seen: Seen },
    #[error("no flight found: {0}")]
    Unsteady(SteadyError),
    #[error(transparent)]
    Camera(#[from] CameraError),
    #[error("the flight could not be fitted: {0}")]
    Fit(#[from] FitError),
    #[error(transparent)]
    Mending(#[from] MendingError),
    #[error("the ball or the air is not as stated: {0}")]
    Ball(String),
    #[error("there is no forecast to compare with: {0}")]
    Forecast(#[from] ForecastError),
    #[error("the measurement doesn't say what it was computed from")]
    NoBasis,
}

impl MeasureError {
    /// What to film or type next.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Clip(error) => error.hint(),
            Self::NoFlight { seen } => Some(film_differently(seen)),
            Self::Unsteady(error) => Some(error.hint()),
            Self::Camera(error) => Some(error.hint()),
            Self::Fit(error) => Some(error.hint().to_owned()),
            Self::Mending(error) => Some(error.hint()),
            Self::Forecast(error) => Some(error.hint()),
            Self::NoBasis => {
                Some("measure the clip again with this program; older files carry results alone".to_owned())
            }
            Self::Ball(_) => Some("check mass, diameter and air in the rig, and their units".to_owned()),
        }
    }
}

fn what_was_seen(seen: &Seen) -> String {
    match seen {
        _ if seen.changed_share > 0.3 => "nearly the whole picture moves".to_owned(),
        _ if seen.arcs_refused > 0 => {
            format!("{} movements looked like a fall, but no ball could be made out on them", seen.arcs_refused)
        }
        _ if seen.blobs_per_frame < 0.3 => "hardly anything moves".to_owned(),
        _ if seen.blobs_per_frame < 1.5 => "about one thing moves in a frame, and it doesn't fall".to_owned(),
        _ => format!("about {:.0} things move in a frame, and none of them falls", seen.blobs_per_frame),
    }
}

fn film_differently(seen: &Seen) -> String {
    let advice = match seen {
        _ if seen.changed_share > 0.3 => "put the camera on a stand, switch stabilisation off, and lock the exposure",
        _ if seen.blobs_per_frame < 0.3 => {
            "film closer, against a background that the ball stands out from, with the whole flight in the picture"
        }
        _ => "use a ball that stands out, more light (a shorter exposure), and keep people out of the picture",
    };
    format!(
        "{advice}. If the ball can be seen in the clip, help with `--region`, `--time`, `--ball-colour` or `--ball-at`"
    )
}
