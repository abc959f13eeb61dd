//! Where an opaque thing is that no disc of an even look describes: seams, print, fur, sharpening, a blur of a thirtieth of a second.
//!
//! Every pixel is asked one thing: does it show something else than the resting scene? The answers, from nought to one, make a picture
//! of what hides the background, whatever it looks like. Its centroid within the outline that size, speed and exposure give is the place.

use crate::sight::disc::{Disc, DiscFit, Patch};
use crate::units::{Covariance2, PixelPoint};

/// Departure, as shares of what the thing usually shows, from which a pixel begins to count as covered, and from which it is wholly: what
/// lies between is the blurred edge. A shadow beside the ball mostly stays below.
const COVERED_FROM: f32 = 0.3;
const COVERED_TO: f32 = 0.7;
/// Weight of a level of cb or cr against one of luma: colours differ by fewer levels.
const CHROMA_WEIGHT: f32 = 2.0;
/// Departures below so many standard deviations of a pixel's noise are smoothed before they are judged.
const FAINT_SIGMAS: f32 = 8.0;
/// The outline is widened by this for the centroid, and by this for its surroundings.
const NEAR: f64 = 1.35;
const AROUND: f64 = 2.0;
/// Rounds until the centroid rests, and the step that counts as rest, px.
const ROUNDS: usize = 12;
const REST_PX: f64 = 0.02;
/// Standard uncertainty of a centroid: of the diameter, of the streak along it, and at least, px. Labels set by hand on real recordings and
/// rendered truths lie within it.
const OF_DIAMETER: f64 = 0.02;
const OF_STREAK: f64 = 0.06;
const LEAST_PX: f64 = 0.15;

/// How much of each pixel of a patch is covered.
struct Cover {
    /// 0 to 1; nothing is known outside the picture.
    share: Vec<Option<f32>>,
    signal_to_noise: f64,
}

/// Finds the opaque thing in a patch near the disc `start`, whose departure from what is behind it is usually `typical` levels (see
/// [`departure`]). `None` where nothing of the patch lies in the picture.
pub fn fit_region(patch: &Patch, start: &Disc, typical: f64) -> Option<DiscFit> {
    let cover = Cover::of(patch, typical as f32);
    let mut disc = *start;
    for _ in 0..ROUNDS {
        let seen = Seen::of(patch, &cover, &disc)?;
        let (dx, dy) = seen.step()?;
        // A thing that is hardly there pulls far: the outline doesn't run after it.
        let longest = 0.7 * disc.radius_px + 1.0;
        let shorter = (longest / dx.hypot(dy).max(1e-9)).min(1.0);
        disc.centre = PixelPoint::new(disc.centre.x + shorter * dx, disc.centre.y + shorter * dy);
        if dx.hypot(dy) < REST_PX {
            break;
        }
    }
    let seen = Seen::of(patch, &cover, &disc)?;
    let fill = (seen.inside / seen.outline.max(1e-9)).min(1.0);
    let in_picture = (seen.outline / area(&disc)).min(1.0);
    let explained = seen.inside / (seen.near + seen.around).max(1e-9);
    Some(DiscFit {
        disc,
        covariance_px2: covariance(&disc, 1.0 - in_picture),
        misfit: 1.0,
        explained,
        explained_in_view: explained,
        visible: fill * in_picture.max(0.0),
        shown: fill,
        signal_to_noise: cover.signal_to_noise,
    })
}

/// Size of a departure from the resting scene (luma, cb, cr, levels).
pub fn departure(levels: [f32; 3]) -> f32 {
    let [luma, cb, cr] = levels;
    (luma * luma + CHROMA_WEIGHT * CHROMA_WEIGHT * (cb * cb + cr * cr)).sqrt()
}

/// Share of the exposure for which a ball covers the places along its way: a streak that is longer than the ball shows it diluted.
pub fn dilution(disc: &Disc) -> f64 {
    let length = disc.streak_px.0.hypot(disc.streak_px.1);
    (1.8 * disc.radius_px / length.max(1e-9)).min(1.0)
}

/// Radius of a disc that covers as much as is covered in a patch about `disc`, which is streaked alike, px.
pub fn covering_radius(patch: &Patch, disc: &Disc, typical: f64) -> Option<f64> {
    let seen = Seen::of(patch, &Cover::of(patch, typical as f32), disc)?;
    let length = disc.streak_px.0.hypot(disc.streak_px.1);
    // π·R² + 2·R·L is the area of a stadium.
    let pi = std::f64::consts::PI;
    Some(((length * length + pi * seen.near).sqrt() - length) / pi)
}

fn area(disc: &Disc) -> f64 {
    disc.radius_px * (std::f64::consts::PI * disc.radius_px + 2.0 * disc.streak_px.0.hypot(disc.streak_px.1))
}

fn covariance(disc: &Disc, outside: f64) -> Covariance2 {
    let (sx, sy) = disc.streak_px;
    let across = (OF_DIAMETER * 2.0 * disc.radius_px).max(LEAST_PX).powi(2) + (outside * disc.radius_px).powi(2);
    let along = OF_STREAK * OF_STREAK;
    Covariance2 { xx: across + along * sx * sx, xy: along * sx * sy, yy: across + along * sy * sy }
}

impl Cover {
    fn of(patch: &Patch, typical: f32) -> Self {
        let (width, height) = (patch.width, patch.height);
        let mut noise: Vec<f32> = patch.luma.noise.iter().copied().filter(|noise| noise.is_finite()).collect();
        let middle = noise.len() / 2;
        let noise = if noise.is_empty() { 1.0 } else { *noise.select_nth_unstable_by(middle, f32::total_cmp).1 };
        let mut away = departures(patch);
        let signal_to_noise = typical / noise.max(0.3);
        if signal_to_noise < FAINT_SIGMAS {
            away = smoothed(&away, width, height);
        }
        let (from, to) = (COVERED_FROM * typical, COVERED_TO * typical);
        let share = |away: [f32; 3]| ((departure(away) - from) / (to - from).max(1e-6)).clamp(0.0, 1.0);
        Self { share: away.into_iter().map(|away| away.map(share)).collect(), signal_to_noise: signal_to_noise.into() }
    }
}

/// Departure of each pixel of a patch from the resting scene; `None` outside the picture.
fn departures(patch: &Patch) -> Vec<Option<[f32; 3]>> {
    (0..patch.width * patch.height)
        .map(|place| {
            let plane = &patch.luma;
            let luma = plane.noise[place].is_finite().then(|| plane.levels[place] - plane.background[place])?;
            let below = place / patch.width / 2 * (patch.width / 2) + place % patch.width / 2;
            let chroma = |which: usize| {
                patch
                    .chroma
                    .as_ref()
                    .map_or(0.0, |planes| planes[which].levels[below] - planes[which].background[below])
            };
            Some([luma, chroma(0), chroma(1)])
        })
        .collect()
}

/// Means over 3×3 pixels.
fn smoothed(away: &[Option<[f32; 3]>], width: usize, height: usize) -> Vec<Option<[f32; 3]>> {
    (0..away.len())
        .map(|place| {
            away[place]?;
            let (x, y) = (place % width, place / width);
            let (mut sum, mut count) = ([0.0f32; 3], 0.0);
            for y in y.saturating_sub(1)..(y + 2).min(height) {
                for x in x.saturating_sub(1)..(x + 2).min(width) {
                    if let Some(one) = away[y * width + x] {
                        sum.iter_mut().zip(one).for_each(|(sum, one)| *sum += one);
                        count += 1.0;
                    }
                }
            }
            Some(sum.map(|sum| sum / count))
        })
        .collect()
}

/// What is covered in and about an outline, px².
#[derive(Default)]
struct Seen {
    /// Covered inside the outline, near it (that included), and in its surroundings.
    inside: f64,
    near: f64,
    around: f64,
    /// The part of the outline that lies in the picture.
    outline: f64,
    /// Moments about the middle of the outline, of what is covered near it and of the outline itself.
    covered: (f64, f64),
    expected: (f64, f64),
}

impl Seen {
    fn of(patch: &Patch, cover: &Cover, disc: &Disc) -> Option<Self> {
        let mut seen = Self::default();
        let (near, around) = (NEAR * disc.radius_px + 2.0, AROUND * disc.radius_px + 4.0);
        for (place, share) in cover.share.iter().enumerate() {
            let Some(share) = share.map(f64::from) else { continue };
            let x = (patch.left + (place % patch.width) as isize) as f64 - disc.centre.x;
            let y = (patch.top + (place / patch.width) as isize) as f64 - disc.centre.y;
            let away = from_streak(x, y, disc.streak_px);
            if away < near {
                let outline = (disc.radius_px - away + 0.5).clamp(0.0, 1.0);
                seen.inside += outline * share;
                seen.near += share;
                seen.outline += outline;
                seen.covered.0 += share * x;
                seen.covered.1 += share * y;
                seen.expected.0 += outline * x;
                seen.expected.1 += outline * y;
            } else if away < around {
                seen.around += share;
            }
        }
        (seen.outline > 0.0).then_some(seen)
    }

    /// From the outline's centroid to that of what is covered; where the picture ends, both are cut alike.
    fn step(&self) -> Option<(f64, f64)> {
        let enough = self.near > 0.05 * self.outline;
        enough.then(|| {
            let part = |covered: f64, expected: f64| covered / self.near - expected / self.outline;
            (part(self.covered.0, self.expected.0), part(self.covered.1, self.expected.1))
        })
    }
}

/// Distance of a place, from the middle of a streak, to the line that the centre drew during the exposure.
fn from_streak(x: f64, y: f64, (sx, sy): (f64, f64)) -> f64 {
    let squared = sx * sx + sy * sy;
    let part = if squared > 0.0 { ((x * sx + y * sy) / squared).clamp(-0.5, 0.5) } else { 0.0 };
    (x - part * sx).hypot(y - part * sy)
}
