//! `lobline lens`: focal length and distortion of a camera, from a card filmed all over the picture or from straight edges.

use std::path::{Path, PathBuf};

use clap::Args;

use super::output::{CommandError, Console, Exit};
use super::rig::clip_error;
use crate::camera::calibrate::{CardView, LensError, LensEstimate, lens_from_cards, lens_from_edges};
use crate::camera::card::find_cards;
use crate::clip::{self, ReadOptions};
use crate::rig::parse_points;
use crate::units::PixelPoint;

/// Estimate a camera's lens: film a scale card for ten seconds, tilting it and bringing it into every corner.
#[derive(Debug, Args)]
pub struct LensArguments {
    /// Clips, or folders of pictures, of the card on a flat board; all by one camera at one zoom.
    clips: Vec<PathBuf>,
    /// Instead of clips: five or more points along an edge that is straight in the world, `x,y x,y x,y …` in pixels. Give at
    /// least two edges, best near the picture's border.
    #[arg(long = "edge", value_name = "POINTS", conflicts_with = "clips")]
    edges: Vec<String>,
    /// Size of the picture, for edges, such as `1920x1080`.
    #[arg(long, value_name = "WxH", requires = "edges")]
    size: Option<String>,
    /// Focal length to take for granted with edges, px; four fifths of the picture's longer side where it isn't known.
    #[arg(long, value_name = "PX", requires = "edges")]
    focal_length: Option<f64>,
}

/// Views of the card that are enough; more would only take longer.
const MOST_VIEWS: usize = 40;
/// Time between frames that are looked at, s: a card in the hand has moved by then.
const BETWEEN_VIEWS_S: f64 = 0.25;

/// Relative standard uncertainty of a focal length that nobody stated: phones differ by as much. Edges don't show it.
const GUESSED_FOCAL_SHARE: f64 = 0.15;

/// Estimates and prints the lines for the rig.
pub fn run(arguments: &LensArguments, console: &Console) -> Result<(), CommandError> {
    let found =
        if arguments.clips.is_empty() { from_edges(arguments)? } else { from_clips(&arguments.clips, console)? };
    console.result(rig_lines(&found));
    console.note(format!(
        "\n{} used; bends of {:.2} px before, {:.2} px after. Put these lines into the rig of every clip by this\n\
         camera at this size and zoom.",
        if arguments.clips.is_empty() { format!("{} edges", found.used) } else { format!("{} views", found.used) },
        found.bend_before_px,
        found.bend_after_px
    ));
    if arguments.clips.is_empty() && arguments.focal_length.is_none() {
        console.note(
            "\nThe focal length is a guess, known to 15 %: straight edges don't show it. `--focal-length`, or a card filmed all\n\
             over the picture, makes it better.",
        );
    }
    Ok(())
}

fn from_clips(paths: &[PathBuf], console: &Console) -> Result<LensEstimate, CommandError> {
    let mut views = Vec::new();
    let mut size = None;
    for path in paths {
        let (found, of) = views_of(path)?;
        if *size.get_or_insert(of) != of {
            return Err(CommandError::new(
                Exit::WrongUse,
                format!("`{}` has pictures of another size", path.display()),
            )
            .with_hint("give clips of one camera at one size and zoom"));
        }
        console.note(format!("{}: the card in {} pictures", path.display(), found.len()));
        views.extend(found);
    }
    lens_from_cards(&views, size.unwrap_or((0, 0))).map_err(|error| lens_error(&error))
}

/// The cards in pictures of a clip a quarter of a second apart; folders of pictures count as stills, a second apart.
fn views_of(path: &Path) -> Result<(Vec<CardView>, (usize, usize)), CommandError> {
    let options = ReadOptions { picture_rate_hz: Some(1.0), ..ReadOptions::default() };
    let mut source = clip::open(path, &options).map_err(|error| clip_error(&error))?;
    let size = (source.info().width, source.info().height);
    let mut views = Vec::new();
    let mut last = None;
    while let Some(frame) = source.next_frame().map_err(|error| clip_error(&error))? {
        let due = match (frame.stamp_s, last) {
            (Some(now), Some(before)) => now - before >= BETWEEN_VIEWS_S,
            (Some(_), None) => true,
            (None, _) => false,
        };
        if due && views.len() < MOST_VIEWS {
            last = frame.stamp_s;
            views.extend(find_cards(&frame.picture.luma, frame.picture.transfer).iter().map(|card| card.corners()));
        }
    }
    Ok((views, size))
}

fn from_edges(arguments: &LensArguments) -> Result<LensEstimate, CommandError> {
    if arguments.edges.is_empty() {
        return Err(CommandError::new(Exit::WrongUse, "neither clips nor edges are given")
            .with_hint("film the scale card all over the picture: `lobline card`, then `lobline lens CLIP`"));
    }
    let (width, height) = picture_size(arguments.size.as_deref())?;
    let edges: Vec<Vec<PixelPoint>> =
        arguments
            .edges
            .iter()
            .map(|text| parse_points(text))
            .collect::<Result<_, _>>()
            .map_err(|error| CommandError::new(Exit::WrongUse, &error).with_hint(error.hint()))?;
    let focal = arguments.focal_length.unwrap_or(0.8 * width.max(height));
    if !(focal.is_finite() && focal > 0.0) {
        return Err(CommandError::new(Exit::WrongUse, format!("{focal} px is not a focal length")));
    }
    let centre = PixelPoint::new((width - 1.0) / 2.0, (height - 1.0) / 2.0);
    let mut found = lens_from_edges(&edges, focal, centre).map_err(|error| lens_error(&error))?;
    if arguments.focal_length.is_none() {
        found.focal_length_px.standard_uncertainty = Some(GUESSED_FOCAL_SHARE * focal);
    }
    Ok(found)
}

fn picture_size(text: Option<&str>) -> Result<(f64, f64), CommandError> {
    let sides = text.and_then(|text| text.split_once('x'));
    let number = |side: &str| side.trim().parse::<u32>().ok().filter(|side| *side > 0).map(f64::from);
    sides.and_then(|(w, h)| Some((number(w)?, number(h)?))).ok_or_else(|| {
        CommandError::new(Exit::WrongUse, "edges need the size of the picture they were marked in")
            .with_hint("add `--size 1920x1080`")
    })
}

fn lens_error(error: &LensError) -> CommandError {
    CommandError::new(Exit::NoMeasurement, error).with_hint(error.hint())
}

/// The lines of the rig, each number with its standard uncertainty.
fn rig_lines(found: &LensEstimate) -> String {
    let with_u = |value: f64, u: Option<f64>, digits: usize, unit: &str| match u {
        Some(u) => format!("{value:.digits$}{unit} u {u:.digits$}{unit}"),
        None => format!("{value:.digits$}{unit}"),
    };
    let focal = found.focal_length_px;
    format!(
        "[camera]\nfocal_length = \"{}\"\nprincipal_point = \"{:.1},{:.1}\"\nk1 = \"{}\"\nk2 = \"{}\"",
        with_u(focal.value, focal.standard_uncertainty.map(|u| u.max(0.1)), 1, " px"),
        found.principal_point_px.x,
        found.principal_point_px.y,
        with_u(found.k1.value, found.k1.standard_uncertainty.map(|u| u.max(1e-4)), 4, ""),
        with_u(found.k2.value, found.k2.standard_uncertainty.map(|u| u.max(1e-4)), 4, ""),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::{Rig, Stated};

    #[test]
    fn the_lines_are_those_of_a_rig() {
        let found = LensEstimate {
            focal_length_px: Stated::with_u(1480.3, 0.04),
            principal_point_px: PixelPoint::new(961.25, 540.5),
            k1: Stated::with_u(-0.0797, 0.0003),
            k2: Stated::plain(0.0),
            bend_before_px: 1.0,
            bend_after_px: 0.1,
            used: 5,
        };
        let rig = Rig::parse(&rig_lines(&found)).unwrap();
        assert_eq!(rig.camera.focal_length_px, Some(Stated::with_u(1480.3, 0.1)));
        assert_eq!(rig.camera.k1, Some(Stated::with_u(-0.0797, 0.0003)));
        assert_eq!(rig.camera.k2, Some(Stated::plain(0.0)));
    }
}
