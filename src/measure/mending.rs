//! Sightings dropped, moved or added by hand, in a small file that `measure` reads back.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::{MeasureError, basis};
use crate::fit::RequestedFlight;
use crate::measurement::Measurement;
use crate::rig::parse_point;
use crate::sight::{Found, Sighting, SightingSource};
use crate::small_file;
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
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Mending {
    pub drop: Vec<usize>,
    pub place: Vec<Placed>,
}

/// A sighting placed by hand.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
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
    #[error("no sighting is left")]
    NothingLeft,
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
            Self::NothingLeft => "put some of them back".to_owned(),
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
        let text = small_file::text(path, small_file::NOTES_BYTES)
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
    let nearest = found.flights.iter_mut().min_by_key(|flight| frames_away(&flight.sightings, placed.frame));
    if let Some(flight) = nearest {
        put(&mut flight.sightings, placed, found.stamps_s[placed.frame].unwrap_or(placed.frame as f64 / 30.0));
    }
}

/// True times of all frames of a clip, s, in the two ways of [`crate::clip::Clock`].
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameTimes {
    pub times_s: Vec<f64>,
    pub uniform_times_s: Vec<f64>,
}

/// Computes a measurement anew with sightings dropped, moved or added, without the clip: the changes go into its basis, which
/// is then fitted again. `times` are those of the clip's frames.
///
/// A place in a frame outside all flights joins the flight nearest in time; flights that lose all their sightings go. What was
/// said of a forecast doesn't stay, since the launch point moves: set the result against it again.
///
/// # Errors
/// [`MeasureError::NoBasis`], [`MendingError`], or why the rest carries no fit.
pub fn mend(measured: &Measurement, mending: &Mending, times: &FrameTimes) -> Result<Measurement, MeasureError> {
    let mut basis = measured.basis.clone().ok_or(MeasureError::NoBasis)?;
    let flights = &mut basis.request.flights;
    let frames = mending.drop.iter().copied().chain(mending.place.iter().map(|placed| placed.frame));
    if let Some(frame) = frames.into_iter().find(|&frame| frame >= times.times_s.len()) {
        return Err(MendingError::NoSuchFrame { frame, frames: times.times_s.len() }.into());
    }
    for flight in flights.iter_mut() {
        drop_from(flight, &mending.drop);
    }
    flights.retain(|flight| !flight.sightings.is_empty());
    if flights.is_empty() {
        return Err(MendingError::NothingLeft.into());
    }
    for placed in &mending.place {
        place_in(flights, placed, times);
    }
    basis::measurement(basis, measured.clip.clone(), measured.reading.clone())
}

fn drop_from(flight: &mut RequestedFlight, frames: &[usize]) {
    let kept: Vec<bool> = flight.sightings.iter().map(|sighting| !frames.contains(&sighting.frame)).collect();
    for times in &mut flight.alternative_times_s {
        let mut keeps = kept.iter();
        times.retain(|_| keeps.next().copied().unwrap_or(true));
    }
    flight.sightings.retain(|sighting| !frames.contains(&sighting.frame));
}

fn place_in(flights: &mut [RequestedFlight], placed: &Placed, times: &FrameTimes) {
    let Some(flight) = flights.iter_mut().min_by_key(|flight| frames_away(&flight.sightings, placed.frame)) else {
        return;
    };
    let time_s = times.times_s[placed.frame];
    if put(&mut flight.sightings, placed, time_s) {
        let at = flight.sightings.partition_point(|sighting| sighting.frame < placed.frame);
        for alternative in &mut flight.alternative_times_s {
            alternative.insert(at, times.uniform_times_s.get(placed.frame).copied().unwrap_or(time_s));
        }
    }
}

/// How many frames lie between a frame and a flight.
fn frames_away(sightings: &[Sighting], frame: usize) -> usize {
    let (first, last) = (sightings[0].frame, sightings[sightings.len() - 1].frame);
    first.saturating_sub(frame).max(frame.saturating_sub(last))
}

/// Puts a sighting like its neighbour at the place; gives whether it is a new one.
fn put(sightings: &mut Vec<Sighting>, placed: &Placed, time_s: f64) -> bool {
    let at = sightings.partition_point(|sighting| sighting.frame < placed.frame);
    let like = sightings[at.min(sightings.len() - 1)].clone();
    let sighting = Sighting {
        frame: placed.frame,
        time_s,
        centre_px: placed.at,
        covariance_px2: Covariance2::isotropic(placed.standard_uncertainty_px),
        source: SightingSource::ByHand,
        ..like
    };
    match sightings.get_mut(at) {
        Some(there) if there.frame == placed.frame => {
            *there = sighting;
            false
        }
        _ => {
            sightings.insert(at, sighting);
            true
        }
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

    #[test]
    fn fuzz_corrections() {
        crate::fuzz::fuzz("corrections", Vec::new(), |bytes| {
            let Ok(text) = std::str::from_utf8(bytes) else { return };
            if let Err(error) = Mending::parse(text) {
                assert!(!error.hint().is_empty());
            }
        });
    }

    /// A file that somebody changed gives numbers that a ball has, or a reason.
    #[test]
    fn fuzz_measurement_files() {
        let seed = crate::report::json::document(&crate::report::sample::measurement(&[Default::default()]));
        crate::fuzz::fuzz("measurement_files", vec![seed.into_bytes()], |bytes| {
            let Ok(measured) = serde_json::from_slice::<Measurement>(bytes) else { return };
            if let Ok(again) = crate::measure::refit(&measured) {
                let speeds = again.flights.iter().map(|flight| flight.launch_speed_m_per_s.value);
                assert!(speeds.into_iter().all(|speed| speed.is_finite() && speed <= 300.0));
            }
        });
    }
}
