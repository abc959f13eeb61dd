//! The strobe picture: the ball of every frame on one sharp still, with the fitted path, a scale bar and times.
//!
//! Each ball is cut from its own frame and laid on the background as it was filmed, neither mixed with other frames nor
//! brightened, so that nobody looks at a ghost. The path runs beneath the balls and hides none of them.

mod labels;

pub(super) use labels::dashes;

use image::{Rgb, RgbImage, imageops};

use super::ink::{Colour, Drawing, Paint, Stroke, raster};
use super::numbers::DecimalMark;
use super::rgb;
use crate::clip::Picture;
use crate::measurement::{FlightMeasurement, Measurement, SightingRow};
use crate::units::PixelPoint;

/// What the ball finder has kept of a clip for its strobe picture.
#[derive(Debug, Clone, PartialEq)]
pub struct StrobeInput {
    /// The scene without the ball.
    pub background: Picture,
    /// One per sighting, in order of time.
    pub patches: Vec<StrobePatch>,
}

/// The surroundings of the ball in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct StrobePatch {
    pub frame: usize,
    /// Column and row of the crop's upper left pixel in the displayed picture. Even numbers keep chroma in its place.
    pub origin_px: (usize, usize),
    pub crop: Picture,
    /// Middle of the (streaked) disc in the displayed picture.
    pub centre_px: PixelPoint,
    pub radius_px: f64,
    /// From the start to the end of one exposure; `None` for a round ball.
    pub streak_px: Option<(f64, f64)>,
    /// Share of the light of the disc's middle that comes from the ball, 0 to 1; below 1 for streaks longer than the
    /// ball, through which the background shows.
    pub coverage: f64,
}

/// Widths below this are enlarged, so that the labels have room.
const LEAST_WIDTH: u32 = 960;
/// Every so many balls a time is written.
const LABEL_EVERY: usize = 5;

/// Makes the strobe picture of `flight`. Sightings that the fit left out are shown with a ring, and counted in the legend;
/// patches without a sighting are not. The legend says what must be known of the numbers.
pub fn picture(input: &StrobeInput, flight: &FlightMeasurement, of: &Measurement, mark: DecimalMark) -> RgbImage {
    let balls = shown(input, flight);
    let mut image = rgb::from_picture(&input.background);
    let enlarged = LEAST_WIDTH.div_ceil(image.width().max(1)).max(1);
    image = enlarge(&image, enlarged);
    let lines = path_drawing(&image, flight, enlarged);
    raster::onto(&lines, &mut image, 1.0);
    for (patch, _) in &balls {
        paste(patch, &mut image, enlarged);
    }
    let labels = labels::drawing(&image, &balls, flight, of, f64::from(enlarged), mark);
    raster::onto(&labels, &mut image, 1.0);
    image
}

type Ball<'a> = (&'a StrobePatch, &'a SightingRow);

fn shown<'a>(input: &'a StrobeInput, flight: &'a FlightMeasurement) -> Vec<Ball<'a>> {
    let row = |patch: &StrobePatch| flight.sightings.iter().find(|s| s.frame == patch.frame);
    input.patches.iter().filter_map(|patch| row(patch).map(|row| (patch, row))).collect()
}

fn enlarge(image: &RgbImage, times: u32) -> RgbImage {
    if times == 1 {
        return image.clone();
    }
    imageops::resize(image, image.width() * times, image.height() * times, imageops::FilterType::CatmullRom)
}

/// Size of the text and the unit of line widths, in pixels: a thirty-sixth of the height can be read from the back
/// row; upright pictures have room for half a legend beside the scale bar.
pub(super) fn em_px(width: u32, height: u32) -> f32 {
    (height as f32 / 36.0).min(width as f32 / 34.0).max(12.0)
}

/// A point of the picture in the coordinates of drawings, whose origin is the corner of the upper left pixel.
pub(super) fn drawn_at(point: PixelPoint, enlarged: f64) -> (f32, f32) {
    (((point.x + 0.5) * enlarged) as f32, ((point.y + 0.5) * enlarged) as f32)
}

fn path_drawing(image: &RgbImage, flight: &FlightMeasurement, enlarged: u32) -> Drawing {
    let em = em_px(image.width(), image.height());
    let mut drawing = Drawing::new(image.width() as f32, image.height() as f32, None);
    let place = |p: &PixelPoint| drawn_at(*p, f64::from(enlarged));
    if let Some(forecast) = &flight.forecast {
        let points: Vec<_> = forecast.path_px.iter().map(place).collect();
        for dash in labels::dashes(&points, 0.7 * em, 0.45 * em) {
            drawing.line(&dash, Stroke { paint: labels::WHITE.into(), width: 0.26 * em });
            drawing.line(&dash, Stroke { paint: labels::VERMILLION.into(), width: 0.16 * em });
        }
    }
    let points: Vec<_> = flight.path_px.iter().map(place).collect();
    // White with dark edges shows on any wall.
    drawing.line(&points, Stroke { paint: Paint { colour: Colour(0, 0, 0), opacity: 0.75 }, width: 0.21 * em });
    drawing.line(&points, Stroke { paint: labels::WHITE.into(), width: 0.11 * em });
    drawing
}

/// Lays the patch's disc on `image`, with a soft rim of little more than a pixel outside it.
fn paste(patch: &StrobePatch, image: &mut RgbImage, enlarged: u32) {
    let crop = enlarge(&rgb::from_picture(&patch.crop), enlarged);
    let times = f64::from(enlarged);
    let origin = (patch.origin_px.0 as u32 * enlarged, patch.origin_px.1 as u32 * enlarged);
    for (x, y, pixel) in crop.enumerate_pixels() {
        let (column, row) = (origin.0 + x, origin.1 + y);
        if column >= image.width() || row >= image.height() {
            continue;
        }
        let at = PixelPoint::new((f64::from(column) + 0.5) / times - 0.5, (f64::from(row) + 0.5) / times - 0.5);
        let share = share(patch, at);
        if share > 0.0 {
            let below = image.get_pixel_mut(column, row);
            *below = mixed(*below, *pixel, share);
        }
    }
}

/// 1 on the (streaked) disc, falling to 0 over the rim.
fn share(patch: &StrobePatch, at: PixelPoint) -> f64 {
    const RIM_PX: f64 = 1.3;
    let outside = distance_to_streak(patch, at) - patch.radius_px - 0.3;
    let t = (1.0 - outside / RIM_PX).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Distance to the line along which the ball's centre moved during the exposure.
fn distance_to_streak(patch: &StrobePatch, at: PixelPoint) -> f64 {
    let (dx, dy) = patch.streak_px.unwrap_or((0.0, 0.0));
    let start = PixelPoint::new(patch.centre_px.x - dx / 2.0, patch.centre_px.y - dy / 2.0);
    let length_squared = dx * dx + dy * dy;
    let along = if length_squared > 0.0 {
        (((at.x - start.x) * dx + (at.y - start.y) * dy) / length_squared).clamp(0.0, 1.0)
    } else {
        0.0
    };
    at.distance(PixelPoint::new(start.x + along * dx, start.y + along * dy))
}

fn mixed(below: Rgb<u8>, above: Rgb<u8>, share: f64) -> Rgb<u8> {
    Rgb(std::array::from_fn(|i| {
        (f64::from(below.0[i]) + share * (f64::from(above.0[i]) - f64::from(below.0[i]))).round() as u8
    }))
}

#[cfg(test)]
mod tests;
