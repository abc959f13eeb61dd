//! The surroundings of a disc, cut out of a kept frame together with the resting scene behind them.

use nalgebra::{Matrix3, Vector3};

use crate::sight::arcs::median;
use crate::sight::disc::{Disc, Patch, PatchPlane};
use crate::sight::watch::{KeptFrame, TILE, Window};

/// Largest half width or height of a cut-out, px.
const LARGEST: f64 = 400.0;
/// By how much of its radius the centre of a disc may lie outside the picture: 37 % of it show then.
const MAY_LIE_OUTSIDE: f64 = 0.2;

/// Cuts out the surroundings of a disc; with chroma where the disc has a tint. `None` outside the picture, and for a disc that
/// is too large to be a ball.
pub fn cut_out(window: &Window, place: usize, disc: &Disc) -> Option<Patch> {
    cut_out_with(window, place, disc, 5.0 + 3.0 * disc.blur_px)
}

/// The same with as many pixels beyond the disc's outline.
pub fn cut_out_with(window: &Window, place: usize, disc: &Disc, margin: f64) -> Option<Patch> {
    let reach = |streak: f64| disc.radius_px + 0.5 * streak.abs() + margin;
    let (half_width, half_height) = (reach(disc.streak_px.0), reach(disc.streak_px.1));
    // Where a ball that leaves the picture is expected, its centre may lie a little outside while nearly half of it still shows.
    let beyond = MAY_LIE_OUTSIDE * disc.radius_px;
    let within = |place: f64, size: usize| (-beyond..=size as f64 + beyond).contains(&place);
    let inside = within(disc.centre.x, window.width) && within(disc.centre.y, window.height);
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
    let around = fill_luma(window, frame, disc, &mut patch);
    fill_chroma(window, frame, &mut patch);
    if let Some(gain) = Gain::of(&around) {
        gain.take_out(disc, &mut patch);
    }
    Some(patch)
}

/// A kept pixel beside the ball.
struct Beside {
    /// From the disc's centre, px.
    x: f64,
    y: f64,
    level: f64,
    background: f64,
}

/// How much brighter the surroundings of the ball are than in the resting scene, as a plane over them: lamps that flicker
/// under a rolling shutter draw bands over the picture, and a person's shadow dims a part of it. The light falls on the ball
/// alike, and a camera's curve is nearly a power law, so one factor serves both.
struct Gain([f64; 3]);

impl Gain {
    /// Robust fit of level = background × gain; `None` where that explains hardly more than the noise.
    fn of(around: &[Beside]) -> Option<Self> {
        const ENOUGH: usize = 60;
        /// Share of the departures that must go with the gain.
        const BETTER: f64 = 0.6;
        const ROUNDS: usize = 6;
        if around.len() < ENOUGH {
            return None;
        }
        let departure = |gain: &Self| {
            median(around.iter().map(|one| (one.level - one.background * gain.at(one.x, one.y)).abs()).collect())
        };
        let before = departure(&Self([1.0, 0.0, 0.0]));
        let mut gain = Self([median(around.iter().map(|one| one.level / one.background).collect()), 0.0, 0.0]);
        for _ in 0..ROUNDS {
            gain = gain.refined(around, departure(&gain).max(0.5))?;
        }
        let sane = around.iter().all(|one| (0.5..2.0).contains(&gain.at(one.x, one.y)));
        (sane && departure(&gain) < BETTER * before).then_some(gain)
    }

    /// One round of weighted least squares; pixels beyond some typical departures count for little (Geman–McClure).
    fn refined(&self, around: &[Beside], typical: f64) -> Option<Self> {
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for one in around {
            let residual = (one.level - one.background * self.at(one.x, one.y)) / (4.0 * typical);
            let weight = (1.0 + residual * residual).powi(-2);
            let row = one.background * Vector3::new(1.0, one.x, one.y);
            normal += weight * row * row.transpose();
            right += weight * one.level * row;
        }
        Some(Self(normal.cholesky()?.solve(&right).into()))
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        self.0[0] + self.0[1] * x + self.0[2] * y
    }

    /// Brings a patch into the light of the resting scene.
    fn take_out(&self, disc: &Disc, patch: &mut Patch) {
        let (left, top) = (patch.left as f64 - disc.centre.x, patch.top as f64 - disc.centre.y);
        let gain = |place: usize, width: usize, step: f64| {
            self.at(left + step * (place % width) as f64, top + step * (place / width) as f64).clamp(0.4, 2.5)
        };
        let width = patch.width;
        patch.luma.divide(0.0, |place| gain(place, width, 1.0));
        for plane in patch.chroma.iter_mut().flatten() {
            plane.divide(128.0, |place| gain(place, width / 2, 2.0));
        }
    }
}

impl PatchPlane {
    /// Divides the levels' departure from `zero` and the noise by a gain; where the frame wasn't kept, nothing is seen of it.
    fn divide(&mut self, zero: f32, gain: impl Fn(usize) -> f64) {
        for place in 0..self.levels.len() {
            if self.levels[place] != self.background[place] {
                let by = gain(place) as f32;
                self.levels[place] = zero + (self.levels[place] - zero) / by;
                self.noise[place] /= by;
            }
        }
    }
}

/// Copies luma of frame and resting scene, and its noise, into a patch. Where the frame wasn't kept, it is the resting scene
/// plus noise: level and background are alike there, with the noise that goes with them. Gives the kept pixels beside the disc.
fn fill_luma(window: &Window, frame: &KeptFrame, disc: &Disc, patch: &mut Patch) -> Vec<Beside> {
    /// Darker pixels say nothing of a gain.
    const LEAST_LEVEL: f32 = 16.0;
    let mut around = Vec::new();
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
        if let Some(level) = level.filter(|_| background > LEAST_LEVEL) {
            let (x, y) = (x as f64 - disc.centre.x, y as f64 - disc.centre.y);
            if disc.clears(x, y) {
                around.push(Beside { x, y, level: level.into(), background: background.into() });
            }
        }
    }
    around
}

/// The same for cb and cr, at half the width and height, each as it would be in the middle of its four pixels: where samples lie
/// to one side, a part of the neighbour's comes in.
fn fill_chroma(window: &Window, frame: &KeptFrame, patch: &mut Patch) {
    const EDGE: usize = TILE / 2;
    let columns = window.width.div_ceil(TILE);
    let resting = [&window.resting.cb, &window.resting.cr];
    let (width, height) = (resting[0].width, resting[0].height);
    let places: Vec<_> = inside(patch, (width, height), 2).collect();
    let Some(planes) = &mut patch.chroma else { return };
    let (dx, dy) = window.chroma_offset_px();
    // Samples are two pixels apart.
    let share = 0.5 * dx.abs().max(dy.abs()) as f32;
    let beside = |at: usize, offset: f64, size: usize| match offset {
        o if o < 0.0 => (at + 1).min(size - 1),
        o if o > 0.0 => at.saturating_sub(1),
        _ => at,
    };
    let mut tiles = TileReader { frame, known: None };
    // Level and resting level of both signals.
    let mut seen = |x: usize, y: usize| {
        let samples = tiles.samples((y / EDGE * columns + x / EDGE) as u32);
        let within = y % EDGE * EDGE + x % EDGE;
        let levels = samples.map(|(_, cb, cr)| [cb[within], cr[within]]);
        [0, 1].map(|which| {
            let background = resting[which].samples[y * width + x];
            (f32::from(levels.map_or(background, |levels| levels[which])), f32::from(background))
        })
    };
    for (place, x, y) in places {
        let here = seen(x, y);
        let there = if share > 0.0 { seen(beside(x, dx, width), beside(y, dy, height)) } else { here };
        for (which, plane) in planes.iter_mut().enumerate() {
            let mixed = |here: f32, there: f32| here + (there - here) * share;
            plane.levels[place] = mixed(here[which].0, there[which].0);
            plane.background[place] = mixed(here[which].1, there[which].1);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A ring of pixels about a ball: a striped wall in a light that falls off over it, with a little noise.
    fn ring(gain: impl Fn(f64, f64) -> f64) -> Vec<Beside> {
        let places = (0..3600).map(|i| (f64::from(i % 60) - 30.0, f64::from(i / 60) - 30.0));
        places
            .filter(|(x, y)| x.hypot(*y) > 18.0)
            .map(|(x, y)| {
                let background = if (x / 7.0).sin() > 0.0 { 60.0 } else { 140.0 };
                let noise = ((x * 12.9898 + y * 78.233).sin() * 43_758.545).fract();
                Beside { x, y, level: background * gain(x, y) + 2.0 * noise, background }
            })
            .collect()
    }

    #[test]
    fn a_band_of_light_is_seen_in_the_surroundings() {
        let band = |x: f64, y: f64| 0.9 + 0.001 * x + 0.004 * y;
        let gain = Gain::of(&ring(band)).unwrap();
        for (x, y) in [(0.0, 0.0), (20.0, -20.0), (-25.0, 25.0)] {
            // 1.2 levels of noise over 2500 pixels of about 100: far below a thousandth.
            assert!((gain.at(x, y) - band(x, y)).abs() < 1e-3);
        }
    }

    #[test]
    fn somebody_behind_the_ball_is_no_band_of_light() {
        let light = |_: f64, _: f64| 1.0;
        let mut around = ring(light);
        around.iter_mut().filter(|one| one.x < -5.0).for_each(|one| one.level = 90.0 + 20.0 * (one.y / 5.0).sin());
        let seen = Gain::of(&around);
        // Either nothing is taken out, or what is leaves the wall as it is.
        assert!(seen.is_none_or(|gain| (gain.at(15.0, 0.0) - 1.0).abs() < 0.02));
        assert!(Gain::of(&ring(light)).is_none(), "noise alone is no gain");
    }
}
