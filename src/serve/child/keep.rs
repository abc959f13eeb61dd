//! The cuttings of a strobe picture in two files: what they are as JSON, their samples as they are.

use std::fs;
use std::io;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::clip::{ColourMatrix, Picture, Plane, Transfer};
use crate::report::files::{FileError, write_atomically};
use crate::report::strobe::{StrobeInput, StrobePatch};
use crate::units::PixelPoint;

#[derive(Serialize, Deserialize)]
struct KeptStrobe {
    background: KeptPicture,
    patches: Vec<KeptPatch>,
}

/// Where a picture's samples stand in the raw file, and what they are.
#[derive(Clone, Copy, PartialEq, Serialize, Deserialize)]
struct KeptPicture {
    at: usize,
    size: (usize, usize),
    chroma: (usize, usize),
    matrix: ColourMatrix,
    transfer: Transfer,
}

#[derive(Serialize, Deserialize)]
struct KeptPatch {
    frame: usize,
    origin_px: (usize, usize),
    crop: KeptPicture,
    centre_px: PixelPoint,
    radius_px: f64,
    streak_px: Option<(f64, f64)>,
    coverage: f64,
}

/// Writes `strobes.raw`, then `strobes.json` into `folder`.
///
/// # Errors
/// [`FileError`].
pub fn write_strobes(folder: &Path, strobes: &[StrobeInput]) -> Result<(), FileError> {
    let mut samples = Vec::new();
    let mut background: Option<(&Picture, KeptPicture)> = None;
    let kept: Vec<KeptStrobe> = strobes
        .iter()
        .map(|strobe| {
            // All flights of a clip stand before the same scene: it is written once.
            let place = match background {
                Some((picture, place)) if *picture == strobe.background => place,
                _ => put(&strobe.background, &mut samples),
            };
            background = Some((&strobe.background, place));
            KeptStrobe {
                background: place,
                patches: strobe.patches.iter().map(|p| kept_patch(p, &mut samples)).collect(),
            }
        })
        .collect();
    write_atomically(&folder.join("strobes.raw"), &samples)?;
    write_atomically(&folder.join("strobes.json"), &serde_json::to_vec(&kept).expect("plain numbers"))
}

fn put(picture: &Picture, samples: &mut Vec<u8>) -> KeptPicture {
    let at = samples.len();
    for plane in [&picture.luma, &picture.cb, &picture.cr] {
        samples.extend_from_slice(&plane.samples);
    }
    KeptPicture {
        at,
        size: (picture.luma.width, picture.luma.height),
        chroma: (picture.cb.width, picture.cb.height),
        matrix: picture.matrix,
        transfer: picture.transfer,
    }
}

fn kept_patch(patch: &StrobePatch, samples: &mut Vec<u8>) -> KeptPatch {
    KeptPatch {
        frame: patch.frame,
        origin_px: patch.origin_px,
        crop: put(&patch.crop, samples),
        centre_px: patch.centre_px,
        radius_px: patch.radius_px,
        streak_px: patch.streak_px,
        coverage: patch.coverage,
    }
}

/// Reads what [`write_strobes`] wrote.
///
/// # Errors
/// When the files aren't there or don't belong together.
pub fn read_strobes(folder: &Path) -> io::Result<Vec<StrobeInput>> {
    let kept: Vec<KeptStrobe> = serde_json::from_slice(&fs::read(folder.join("strobes.json"))?)?;
    let samples = fs::read(folder.join("strobes.raw"))?;
    kept.iter()
        .map(|strobe| {
            let patches = strobe.patches.iter().map(|patch| read_patch(patch, &samples)).collect::<Option<_>>()?;
            Some(StrobeInput { background: read_picture(&strobe.background, &samples)?, patches })
        })
        .collect::<Option<_>>()
        .ok_or_else(|| io::Error::other("the strobe cuttings are not whole"))
}

fn read_patch(patch: &KeptPatch, samples: &[u8]) -> Option<StrobePatch> {
    Some(StrobePatch {
        frame: patch.frame,
        origin_px: patch.origin_px,
        crop: read_picture(&patch.crop, samples)?,
        centre_px: patch.centre_px,
        radius_px: patch.radius_px,
        streak_px: patch.streak_px,
        coverage: patch.coverage,
    })
}

fn read_picture(kept: &KeptPicture, samples: &[u8]) -> Option<Picture> {
    let mut at = kept.at;
    let mut plane = |(width, height): (usize, usize)| {
        let end = at.checked_add(width.checked_mul(height)?)?;
        let samples = samples.get(at..end)?.to_vec();
        at = end;
        Some(Plane { width, height, samples })
    };
    let (luma, cb, cr) = (plane(kept.size)?, plane(kept.chroma)?, plane(kept.chroma)?);
    Some(Picture { luma, cb, cr, matrix: kept.matrix, transfer: kept.transfer })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{Shot, measurement, strobe_input};

    #[test]
    fn cuttings_come_back_as_they_went() {
        let folder = tempfile::tempdir().unwrap();
        let measurement = measurement(&[Shot::default(), Shot { points: 5, ..Shot::default() }]);
        let strobes: Vec<StrobeInput> = measurement.flights.iter().map(strobe_input).collect();
        write_strobes(folder.path(), &strobes).unwrap();
        assert_eq!(read_strobes(folder.path()).unwrap(), strobes);
        fs::write(folder.path().join("strobes.raw"), b"short").unwrap();
        assert!(read_strobes(folder.path()).is_err());
    }
}
