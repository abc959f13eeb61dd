//! The surroundings of a disc, cut out of a kept frame together with the resting scene behind them.

use crate::sight::disc::{Disc, Patch, PatchPlane};
use crate::sight::watch::{KeptFrame, TILE, Window};

/// Largest half width or height of a cut-out, px.
const LARGEST: f64 = 400.0;

/// Cuts out the surroundings of a disc; with chroma where the disc has a tint. `None` outside the picture, and for a disc that
/// is too large to be a ball.
pub fn cut_out(window: &Window, place: usize, disc: &Disc) -> Option<Patch> {
    let margin = 5.0 + 3.0 * disc.blur_px;
    let reach = |streak: f64| disc.radius_px + 0.5 * streak.abs() + margin;
    let (half_width, half_height) = (reach(disc.streak_px.0), reach(disc.streak_px.1));
    let inside =
        (0.0..=window.width as f64).contains(&disc.centre.x) && (0.0..=window.height as f64).contains(&disc.centre.y);
    if half_width.max(half_height) > LARGEST || !inside {
        return None;
    }
    let even_below = |value: f64| (value / 2.0).floor() as isize * 2;
    let even_size = |half: f64| half.ceil() as usize * 2 + 2;
    let (width, height) = (even_size(half_width), even_size(half_height));
    let mut patch = Patch {
        left: even_below(disc.centre.x - half_width),
        top: even_below(disc.centre.y - half_height),
        width,
        height,
        luma: PatchPlane::unknown(width * height),
        chroma: disc.tint.map(|_| [0, 1].map(|_| PatchPlane::unknown(width * height / 4))),
    };
    let frame = &window.frames[place];
    fill_luma(window, frame, &mut patch);
    fill_chroma(window, frame, &mut patch);
    Some(patch)
}

/// Copies luma of frame and resting scene, and its noise, into a patch. Where the frame wasn't kept, it is the resting scene
/// plus noise: level and background are alike there, with the noise that goes with them.
fn fill_luma(window: &Window, frame: &KeptFrame, patch: &mut Patch) {
    let columns = window.width.div_ceil(TILE);
    let mut tiles = TileReader { frame, known: None };
    for (place, x, y) in inside(patch, (window.width, window.height), 1) {
        let samples = tiles.samples((y / TILE * columns + x / TILE) as u32);
        let resting = window.resting.luma.samples[y * window.width + x];
        let background = f32::from(resting) + frame.levels.shift[resting as usize];
        let level = samples.map(|(luma, ..)| f32::from(luma[y % TILE * TILE + x % TILE]));
        patch.luma.background[place] = background;
        patch.luma.levels[place] = level.unwrap_or(background);
        patch.luma.noise[place] = window.luma_noise[resting as usize];
    }
}

/// The same for cb and cr, at half the width and height.
fn fill_chroma(window: &Window, frame: &KeptFrame, patch: &mut Patch) {
    const EDGE: usize = TILE / 2;
    let columns = window.width.div_ceil(TILE);
    let resting = [&window.resting.cb, &window.resting.cr];
    let places: Vec<_> = inside(patch, (resting[0].width, resting[0].height), 2).collect();
    let Some(planes) = &mut patch.chroma else { return };
    let mut tiles = TileReader { frame, known: None };
    for (place, x, y) in places {
        let samples = tiles.samples((y / EDGE * columns + x / EDGE) as u32);
        let within = y % EDGE * EDGE + x % EDGE;
        let levels = samples.map(|(_, cb, cr)| [cb[within], cr[within]]);
        for (which, plane) in planes.iter_mut().enumerate() {
            let background = resting[which].samples[y * resting[which].width + x];
            plane.background[place] = f32::from(background);
            plane.levels[place] = f32::from(levels.map_or(background, |levels| levels[which]));
            plane.noise[place] = window.chroma_noise;
        }
    }
}

/// Samples of a patch that lie in a plane of this size: their number in the patch, and their column and row in the plane, for a
/// plane of one sample every `step` pixels.
fn inside(
    patch: &Patch,
    (width, height): (usize, usize),
    step: usize,
) -> impl Iterator<Item = (usize, usize, usize)> + use<> {
    let (left, top) = (patch.left / step as isize, patch.top / step as isize);
    let (columns, rows) = (patch.width / step, patch.height / step);
    (0..rows).flat_map(move |row| (0..columns).map(move |column| (column, row))).filter_map(move |(column, row)| {
        let x = usize::try_from(left + column as isize).ok().filter(|x| *x < width)?;
        let y = usize::try_from(top + row as isize).ok().filter(|y| *y < height)?;
        Some((row * columns + column, x, y))
    })
}

/// Luma, cb and cr of a tile.
type Samples<'a> = (&'a [u8], &'a [u8], &'a [u8]);

/// Finds tiles of a frame, quickly where the same one is asked for again.
struct TileReader<'a> {
    frame: &'a KeptFrame,
    known: Option<(u32, Option<Samples<'a>>)>,
}

impl<'a> TileReader<'a> {
    fn samples(&mut self, tile: u32) -> Option<Samples<'a>> {
        if self.known.is_none_or(|(known, _)| known != tile) {
            self.known = Some((tile, self.frame.tile(tile)));
        }
        self.known.and_then(|(_, samples)| samples)
    }
}
