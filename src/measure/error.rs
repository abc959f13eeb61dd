//! Why a clip could not be measured, and what to do about it.

use crate::camera::CameraError;
use crate::camera::steady::SteadyError;
use crate::clip::{ClipError, Remark};
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
    #[error("no flight found in {} frames{}: {}", seen.frames, what_was_read(seen), what_was_seen(seen))]
    NoFlight { seen: Seen, remarks: Vec<Remark> },
    #[error("flight {flight} is no ball's: {reason}")]
    NotABall { flight: usize, reason: String },
    #[error("the ball was shown in frame {frame}, which isn't in the clip: it has {frames} frames")]
    NoShownFrame { frame: usize, frames: usize },
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
            Self::NoFlight { seen, remarks } => Some(with_remarks(film_differently(seen), remarks)),
            Self::NotABall { .. } => Some(
                "check the scale, the rate of recording, and in the clip what moves there; `--region`, `--time` or `--ball-at` show the ball"
                    .to_owned(),
            ),
            Self::NoShownFrame { .. } => {
                Some("frames are counted from 0; see that the number and the clip belong together".to_owned())
            }
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

/// What was odd about the file may be the reason.
fn with_remarks(advice: String, remarks: &[Remark]) -> String {
    remarks.iter().fold(advice, |advice, remark| {
        let said = remark.message();
        format!("{advice}. The clip: {}", said.trim_end_matches('.'))
    })
}

/// That the file wasn't whole, which may be why nothing was found.
fn what_was_read(seen: &Seen) -> String {
    let cut = if seen.truncated { " before the file's early end" } else { "" };
    match seen.decode_errors {
        0 => cut.to_owned(),
        1 => format!("{cut}, with 1 error while decoding"),
        errors => format!("{cut}, with {errors} errors while decoding"),
    }
}

fn what_was_seen(seen: &Seen) -> String {
    match seen {
        _ if seen.changed_share > 0.3 => "nearly the whole picture moves".to_owned(),
        _ if seen.arcs_refused > 0 => {
            let (number, them) = (seen.arcs_refused, if seen.arcs_refused == 1 { "it" } else { "them" });
            let plural = if number == 1 { "" } else { "s" };
            format!("{number} movement{plural} looked like a fall, but no ball could be made out on {them}")
        }
        _ if seen.blobs_per_frame < 0.3 && seen.narrowed => {
            "hardly anything moves where and when lobline was to look".to_owned()
        }
        _ if seen.blobs_per_frame < 0.3 => "hardly anything moves".to_owned(),
        _ if seen.blobs_per_frame < 1.5 => "about one thing moves in a frame, and it doesn't fall".to_owned(),
        _ => format!("about {:.0} things move in a frame, and none of them falls", seen.blobs_per_frame),
    }
}

fn film_differently(seen: &Seen) -> String {
    let advice = match seen {
        _ if seen.changed_share > 0.3 => "put the camera on a stand, switch stabilisation off, and lock the exposure",
        _ if seen.blobs_per_frame < 0.3 && seen.narrowed => {
            "widen the part of the picture and the time that were given, leave out the colour, and see that they belong to this clip"
        }
        _ if seen.blobs_per_frame < 0.3 => {
            "film closer, against a background that the ball stands out from, with the whole flight in the picture"
        }
        _ => "use a ball that stands out, more light (a shorter exposure), and keep people out of the picture",
    };
    format!(
        "{advice}. If the ball can be seen in the clip, help with `--region`, `--time`, `--ball-colour` or `--ball-at`"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whoever looked beside the ball isn't told to film again.
    #[test]
    fn a_search_that_was_narrowed_is_told_to_look_wider() {
        let of = |narrowed| {
            let seen = Seen { frames: 45, narrowed, ..Seen::default() };
            MeasureError::NoFlight { seen, remarks: Vec::new() }
        };
        assert_eq!(of(false).to_string(), "no flight found in 45 frames: hardly anything moves");
        assert!(of(false).hint().unwrap().starts_with("film closer"));
        assert!(of(true).to_string().ends_with("hardly anything moves where and when lobline was to look"));
        assert!(of(true).hint().unwrap().starts_with("widen the part of the picture and the time"));
    }

    #[test]
    fn what_is_odd_about_the_file_is_said_where_nothing_was_found() {
        let remarks = vec![Remark::Interlaced { frames: 20, of: 21 }];
        let error = MeasureError::NoFlight { seen: Seen { frames: 21, ..Seen::default() }, remarks };
        assert!(error.hint().unwrap().contains("20 of 21 frames are interlaced"), "{:?}", error.hint());
    }

    #[test]
    fn a_file_that_is_not_whole_is_said_to_be_so() {
        let of = |truncated, decode_errors| {
            let seen = Seen { frames: 29, truncated, decode_errors, ..Seen::default() };
            MeasureError::NoFlight { seen, remarks: Vec::new() }.to_string()
        };
        assert!(of(true, 0).starts_with("no flight found in 29 frames before the file's early end: "));
        assert!(of(false, 5).starts_with("no flight found in 29 frames, with 5 errors while decoding: "));
    }

    #[test]
    fn one_movement_is_not_spoken_of_as_many() {
        let said = |arcs_refused| what_was_seen(&Seen { arcs_refused, ..Seen::default() });
        assert_eq!(said(1), "1 movement looked like a fall, but no ball could be made out on it");
        assert_eq!(said(2), "2 movements looked like a fall, but no ball could be made out on them");
    }
}
