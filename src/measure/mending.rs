//! Sightings dropped, moved or added by hand, in a small file that `measure` reads back.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use thiserror::Error;

use crate::rig::parse_point;
use crate::sight::{Found, Sighting, SightingSource};
use crate::units::{Covariance2, PixelPoint};

/// What the user changed about the sightings of a clip.
///
/// The file is TOML:
/// ```toml
/// drop = [17, 18]            # frames whose sighting is not the ball
///
/// [[place]]                  # moves the sighting of a frame, or adds one
/// frame = 21
/// at = "512.4, 301.0"        # px, x right and y down from the centre of the top left pixel
/// uncertainty = 0.5          # px, standard uncertainty; 1 when left out
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Mending {
    pub drop: Vec<usize>,
    pub place: Vec<Placed>,
}

/// A sighting placed by hand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    pub frame: usize,
    pub at: PixelPoint,
    pub standard_uncertainty_px: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    #[serde(default)]
    drop: Vec<usize>,
    #[serde(default)]
    place: Vec<WrittenPlace>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPlace {
    frame: usize,
    at: String,
    uncertainty: Option<f64>,
}

/// Why a mending file can't be used.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum MendingError {
    #[error("cannot read the file of mended sightings `{}`: {source}", path.display())]
    Unreadable { path: PathBuf, source: std::io::Error },
    #[error("the file of mended sightings is not as expected: {0}")]
    Form(String),
    #[error("the mended frame {frame} isn't in the clip, which has {frames} frames")]
    NoSuchFrame { frame: usize, frames: usize },
}

impl MendingError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::Unreadable { .. } => "check the path".to_owned(),
            Self::Form(_) => {
                "it holds `drop = [17, 18]` and pieces `[[place]]` with `frame = 21` and `at = \"512.4, 301.0\"`"
                    .to_owned()
            }
            Self::NoSuchFrame { .. } => {
                "frames are counted from 0; the table of sightings (`--out`) gives their numbers".to_owned()
            }
        }
    }
}

impl Mending {
    /// Reads a mending file.
    ///
    /// # Errors
    /// [`MendingError`].
    pub fn read(path: &Path) -> Result<Self, MendingError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| MendingError::Unreadable { path: path.to_owned(), source })?;
        Self::parse(&text)
    }

    /// # Errors
    /// [`MendingError::Form`].
    pub fn parse(text: &str) -> Result<Self, MendingError> {
        let written: Written = toml::from_str(text).map_err(|error| MendingError::Form(error.message().to_owned()))?;
        let place = written.place.iter().map(placed).collect::<Result<_, _>>()?;
        Ok(Self { drop: written.drop, place })
    }

    /// Applies the changes. A place in a frame outside all flights joins the flight nearest in time; flights that lose all
    /// their sightings go.
    ///
    /// # Errors
    /// [`MendingError::NoSuchFrame`].
    pub fn apply(&self, found: &mut Found) -> Result<(), MendingError> {
        let frames = self.drop.iter().copied().chain(self.place.iter().map(|placed| placed.frame));
        if let Some(frame) = frames.into_iter().find(|&frame| !found.has_frame(frame)) {
            return Err(MendingError::NoSuchFrame { frame, frames: found.stamps_s.len() });
        }
        for flight in &mut found.flights {
            flight.sightings.retain(|sighting| !self.drop.contains(&sighting.frame));
            flight.cuttings.retain(|cutting| !self.drop.contains(&cutting.frame));
        }
        found.flights.retain(|flight| !flight.sightings.is_empty());
        for placed in &self.place {
            place(placed, found);
        }
        Ok(())
    }
}

fn placed(written: &WrittenPlace) -> Result<Placed, MendingError> {
    let at = parse_point(&written.at).map_err(|error| MendingError::Form(error.to_string()))?;
    // A hand marks the middle of a ball to about a pixel (common practice, no source).
    let standard_uncertainty_px = written.uncertainty.unwrap_or(1.0);
    if !(standard_uncertainty_px.is_finite() && standard_uncertainty_px > 0.0) {
        return Err(MendingError::Form(format!("the uncertainty in frame {} must be above zero", written.frame)));
    }
    Ok(Placed { frame: written.frame, at, standard_uncertainty_px })
}

fn place(placed: &Placed, found: &mut Found) {
    let distance =
        |first: usize, last: usize| first.saturating_sub(placed.frame).max(placed.frame.saturating_sub(last));
    let nearest = found
        .flights
        .iter_mut()
        .min_by_key(|flight| distance(flight.sightings[0].frame, flight.sightings[flight.sightings.len() - 1].frame));
    let Some(flight) = nearest else { return };
    let at = flight.sightings.partition_point(|sighting| sighting.frame < placed.frame);
    let like = flight.sightings[at.min(flight.sightings.len() - 1)].clone();
    let sighting = Sighting {
        frame: placed.frame,
        time_s: found.stamps_s[placed.frame].unwrap_or(placed.frame as f64 / 30.0),
        centre_px: placed.at,
        covariance_px2: Covariance2::isotropic(placed.standard_uncertainty_px),
        source: SightingSource::ByHand,
        ..like
    };
    match flight.sightings.get(at) {
        Some(there) if there.frame == placed.frame => flight.sightings[at] = sighting,
        _ => flight.sightings.insert(at, sighting),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mending_file_is_read() {
        let text = "drop = [17]\n[[place]]\nframe = 21\nat = \"512.4, 301.0\"\n";
        let expected = Placed { frame: 21, at: PixelPoint::new(512.4, 301.0), standard_uncertainty_px: 1.0 };
        assert_eq!(Mending::parse(text).unwrap(), Mending { drop: vec![17], place: vec![expected] });
    }

    #[test]
    fn slips_are_refused() {
        for text in
            ["dorp = [1]", "[[place]]\nframe = 2\nat = \"here\"", "[[place]]\nframe = 2\nat = \"1,2\"\nuncertainty = 0"]
        {
            assert!(matches!(Mending::parse(text), Err(MendingError::Form(_))), "{text}");
        }
    }
}
