//! From an arc of blobs to sightings: the disc is learnt from the flight itself, then fitted in every frame of it.
//!
//! Two rounds. First each blob's disc is fitted with everything free; radius, blur, exposure and shading are the same ball
//! in the same light all along, so their medians over the flight are known far better than from one frame. Then only the
//! centre (and the brightness) is free, in the arc's frames, in its gaps, and beyond its ends until the ball isn't there.

use rayon::prelude::*;

use crate::sight::arcs::{Arc, median};
use crate::sight::blobs::Blob;
use crate::sight::disc::{Disc, DiscFit, Patch, SHADES, Stretch, Unknowns, fit_disc};
use crate::sight::light::Light;
use crate::sight::smooth::{Place, SmoothPath, degree_for, free_run};
use crate::sight::watch::{TILE, Window};
use crate::units::PixelPoint;

/// Most blobs that the ball's look is learnt from.
const LEARNT_FROM: usize = 15;
/// … and of those that the first lesson takes.
const FIRST_LESSON_FROM: usize = 6;
/// Frames beyond the ends of the arc in which the ball is looked for.
const BEYOND: usize = 12;
/// Least share of the ball in view for a sighting: below it, more is guessed than seen.
const LEAST_VISIBLE: f64 = 0.4;

/// A refined sighting, still by its place in the window.
#[derive(Debug, Clone)]
pub struct Refined {
    pub place: usize,
    pub fit: DiscFit,
}

/// A flight as the pictures tell it.
#[derive(Debug, Clone)]
pub struct Track {
    pub refined: Vec<Refined>,
    pub ball: BallLook,
    /// Places of the frames next before and after the flight in which the ball was looked for and not found on the path;
    /// `None` when the window or the picture ends there.
    pub not_yet: Option<usize>,
    /// Acceleration in the picture, px/s² of the clock in use.
    pub fall_px_per_s2: (f64, f64),
}

/// How the camera sees, as far as it shapes a ball's outline.
#[derive(Debug, Clone, Copy)]
pub struct Lens {
    pub focal_px: f64,
    pub principal: PixelPoint,
}

impl Lens {
    /// A phone's main camera, when nothing is stated: focal length 0.8 × the longer side (28 mm on the 36 mm of a
    /// small-picture frame; common practice, no source). The outline's stretch is at most 8 % and a fifth of it matters little.
    pub fn of_a_phone(width: usize, height: usize) -> Self {
        let principal = PixelPoint::new(0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0));
        Self { focal_px: 0.8 * width.max(height) as f64, principal }
    }
}

/// How the ball looks all along its flight.
#[derive(Debug, Clone, Copy)]
pub struct BallLook {
    pub lens: Lens,
    pub channel: Channel,
    /// Radius in px at the middle of the flight, and its change per second.
    pub radius_px: f64,
    pub radius_change_px_per_s: f64,
    reference_s: f64,
    pub blur_px: f64,
    /// Exposure time in seconds of the clock in use, from the length of the streaks.
    pub exposure_s: f64,
    /// Light over the disc at the middle of the flight, and its change per second: perspective shows the ball from another
    /// side at the end of its flight than at its beginning, and the light stays where it is.
    pub shading: [f64; SHADES],
    shading_change_per_s: [f64; SHADES],
    shades: usize,
}

/// The channel in which the ball stands out: luma where it can be, since chroma is coarser and its place less certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channel {
    Luma,
    Cb,
    Cr,
}

impl BallLook {
    /// The disc of this ball at a place, moving at `velocity` px/s.
    fn disc(&self, centre: PixelPoint, velocity: (f64, f64), time_s: f64) -> Disc {
        let later_s = time_s - self.reference_s;
        Disc {
            centre,
            radius_px: (self.radius_px + self.radius_change_px_per_s * later_s).max(1.0),
            blur_px: self.blur_px,
            streak_px: (velocity.0 * self.exposure_s, velocity.1 * self.exposure_s),
            stretch: Stretch::at(centre, self.lens.focal_px, self.lens.principal),
            shading: std::array::from_fn(|term| self.shading[term] + self.shading_change_per_s[term] * later_s),
            shades: self.shades,
        }
    }
}

/// Refines an arc. `None` when the pictures don't bear it out.
pub fn refine(window: &Window, arc: &Arc, times_s: &[f64], light: &Light) -> Option<Track> {
    let known: Vec<Known> = arc
        .blobs
        .iter()
        .map(|blob| Known { place: blob.frame, centre: blob.centre, velocity: arc.path.velocity(times_s[blob.frame]) })
        .collect();
    let ball = learn_ball(window, &known, times_s, guess_ball(window, arc, times_s, light), light)?;
    let refiner = Refiner { window, times_s, light, ball };
    let refined = refiner.follow(refiner.look_at_all(&known))?;
    if refined.len() * 4 < arc.blobs.len() * 5 {
        return finish(&refiner, refined);
    }
    // The arc's blobs covered a part of the flight only: learn once more, from all of it.
    let path = refiner.path(&refined)?;
    let known: Vec<Known> = refined
        .iter()
        .map(|one| Known { place: one.place, centre: one.fit.disc.centre, velocity: path.velocity(times_s[one.place]) })
        .collect();
    let ball = learn_ball(window, &known, times_s, ball, light)?;
    let refiner = Refiner { window, times_s, light, ball };
    let refined = refiner.follow(refiner.look_at_all(&known))?;
    finish(&refiner, refined)
}

fn finish(refiner: &Refiner<'_>, refined: Vec<Refined>) -> Option<Track> {
    let not_yet = refined.first()?.place.checked_sub(1);
    let places = refiner.places(&refined);
    let fall_px_per_s2 = SmoothPath::fit(&places, 2)?.acceleration();
    let radius_px = refiner.ball.radius_px;
    let span = refined.last()?.place - refined[0].place + 1;
    let mostly_seen = 2 * refined.len() > span;
    let credible = mostly_seen && is_a_fall(&places, fall_px_per_s2, radius_px) && holds_together(&places, radius_px);
    (refined.len() >= 4 && credible).then_some(Track { refined, ball: refiner.ball, not_yet, fall_px_per_s2 })
}

/// Whether refined places still tell of a fall: a spot that flickers on one place, or a thing that slides along a line,
/// can pass for an arc of blobs but not here.
fn is_a_fall(places: &[Place], (ax, ay): (f64, f64), radius_px: f64) -> bool {
    let travelled: f64 = places.windows(2).map(|pair| pair[0].centre.distance(pair[1].centre)).sum();
    let duration_s = places[places.len() - 1].time_s - places[0].time_s;
    let sag = ay * duration_s * duration_s / 8.0;
    travelled > (4.0 * radius_px).max(12.0) && sag > (0.2 * radius_px).max(1.5) && ax.abs() < 0.7 * ay
}

/// Whether the places scatter about a smooth path by no more than a ball's centre does: part of a pixel, and of a ball whose
/// pattern turns as it flies.
fn holds_together(places: &[Place], radius_px: f64) -> bool {
    let degree = degree_for(places.len());
    let even: Vec<Place> = places.iter().map(|place| Place { sigma_px: 1.0, ..*place }).collect();
    let Some(path) = SmoothPath::fit(&even, degree) else { return false };
    let squares: f64 = even.iter().map(|place| path.distance(place).powi(2)).sum();
    let freedom = (2 * places.len()) as f64 - 2.0 * (degree as f64 + 1.0);
    (squares / freedom.max(1.0)).sqrt() < 0.6 + 0.08 * radius_px
}

struct Refiner<'a> {
    window: &'a Window,
    times_s: &'a [f64],
    light: &'a Light,
    ball: BallLook,
}

impl Refiner<'_> {
    /// Fits the disc where it is expected in a frame; `None` when it isn't seen there.
    fn look(&self, place: usize, expected: PixelPoint, velocity: (f64, f64)) -> Option<Refined> {
        let start = self.ball.disc(expected, velocity, self.times_s[place]);
        let patch = cut(self.window, place, &start, self.ball.channel)?;
        let unknowns = Unknowns { radius: false, blur: false, streak: false, shades: 0 };
        let fit = fit_disc(&patch, &start, unknowns, self.light)?;
        (fit.explained > 0.5 && fit.visible > LEAST_VISIBLE).then_some(Refined { place, fit })
    }

    fn look_at_all(&self, known: &[Known]) -> Vec<Refined> {
        known.par_iter().filter_map(|one| self.look(one.place, one.centre, one.velocity)).collect()
    }

    /// Cuts to the free flight, fills gaps and goes on beyond the ends, until the flight is whole.
    fn follow(&self, mut refined: Vec<Refined>) -> Option<Vec<Refined>> {
        for _ in 0..2 {
            refined = self.keep_free_flight(refined)?;
            let before = refined.len();
            self.fill_gaps(&mut refined);
            self.go_on(&mut refined, true);
            self.go_on(&mut refined, false);
            if refined.len() == before {
                return Some(refined);
            }
        }
        self.keep_free_flight(refined)
    }

    fn places(&self, refined: &[Refined]) -> Vec<Place> {
        refined
            .iter()
            .map(|one| {
                let covariance = one.fit.covariance_px2;
                let sigma_px = (0.5 * (covariance.xx + covariance.yy)).sqrt().max(0.02);
                Place { time_s: self.times_s[one.place], centre: one.fit.disc.centre, sigma_px }
            })
            .collect()
    }

    /// Departure from the path that is still no touch: a part of the ball, for glare and flattened rims.
    fn slack_px(&self) -> f64 {
        0.25 + 0.02 * self.ball.radius_px
    }

    /// Cuts the flight where the launcher still pushed or something touched the ball, and drops odd sightings.
    fn keep_free_flight(&self, refined: Vec<Refined>) -> Option<Vec<Refined>> {
        let (run, good) = free_run(&self.places(&refined), self.slack_px())?;
        let kept: Vec<Refined> =
            refined[run].iter().zip(good).filter(|(_, good)| *good).map(|(one, _)| one.clone()).collect();
        (kept.len() >= 4).then_some(kept)
    }

    fn path(&self, refined: &[Refined]) -> Option<SmoothPath> {
        SmoothPath::fit(&self.places(refined), degree_for(refined.len()))
    }

    fn accept(&self, path: &SmoothPath, one: &Refined) -> bool {
        let place = self.places(std::slice::from_ref(one))[0];
        let allowed = 4.0 * place.sigma_px.hypot(path.sigma_px(place.time_s)) + self.slack_px();
        path.distance(&place) < allowed
    }

    fn fill_gaps(&self, refined: &mut Vec<Refined>) {
        let Some(path) = self.path(refined) else { return };
        for place in refined[0].place + 1..refined[refined.len() - 1].place {
            let at = refined.partition_point(|one| one.place < place);
            if refined[at].place == place {
                continue;
            }
            let time = self.times_s[place];
            if let Some(one) =
                self.look(place, path.at(time), path.velocity(time)).filter(|one| self.accept(&path, one))
            {
                refined.insert(at, one);
            }
        }
    }

    /// Follows the ball beyond an end of the flight until it isn't seen on the path for some frames.
    fn go_on(&self, refined: &mut Vec<Refined>, forward: bool) {
        let mut misses = 0;
        let end = if forward { refined[refined.len() - 1].place } else { refined[0].place };
        for step in 1..=BEYOND {
            let Some(place) = (if forward { Some(end + step) } else { end.checked_sub(step) }) else { return };
            if place >= self.times_s.len() || misses > 3 {
                return;
            }
            let near =
                if forward { &refined[refined.len().saturating_sub(16)..] } else { &refined[..refined.len().min(16)] };
            let Some(path) = self.path(near) else { return };
            let time = self.times_s[place];
            let seen = self.look(place, path.at(time), path.velocity(time)).filter(|one| self.accept(&path, one));
            match seen {
                Some(one) if forward => refined.push(one),
                Some(one) => refined.insert(0, one),
                None => misses += 1,
            }
        }
    }
}

/// Cuts out the surroundings of a disc from a frame.
fn cut(window: &Window, place: usize, disc: &Disc, channel: Channel) -> Option<Patch> {
    let margin = 5.0 + 3.0 * disc.blur_px;
    let reach = |streak: f64| disc.radius_px + 0.5 * streak.abs() + margin;
    let (half_width, half_height) = (reach(disc.streak_px.0), reach(disc.streak_px.1));
    if half_width.max(half_height) > 400.0 {
        return None;
    }
    let left = (disc.centre.x - half_width).floor() as isize;
    let top = (disc.centre.y - half_height).floor() as isize;
    let width = (2.0 * half_width).ceil() as usize + 1;
    let height = (2.0 * half_height).ceil() as usize + 1;
    let outside = disc.centre.x < 0.0
        || disc.centre.y < 0.0
        || disc.centre.x > window.width as f64
        || disc.centre.y > window.height as f64;
    if outside {
        return None;
    }
    let size = width * height;
    let mut patch = Patch {
        left,
        top,
        width,
        height,
        levels: vec![0.0; size],
        background: vec![0.0; size],
        noise: vec![f32::INFINITY; size],
    };
    fill(window, place, channel, &mut patch);
    Some(patch)
}

/// Copies frame, resting scene and noise into a patch. Where the frame wasn't kept, it is the resting scene plus noise:
/// level and background are alike there, with the noise that goes with them.
fn fill(window: &Window, place: usize, channel: Channel, patch: &mut Patch) {
    let frame = &window.frames[place];
    let columns = window.width.div_ceil(TILE);
    for row in 0..patch.height {
        let y = patch.top + row as isize;
        if y < 0 || y >= window.height as isize {
            continue;
        }
        let y = y as usize;
        let mut tile_samples = None;
        for column in 0..patch.width {
            let x = patch.left + column as isize;
            if x < 0 || x >= window.width as isize {
                continue;
            }
            let x = x as usize;
            let tile = (y / TILE * columns + x / TILE) as u32;
            if tile_samples.is_none_or(|(known, _)| known != tile) {
                tile_samples = Some((tile, frame.tile(tile)));
            }
            let kept = tile_samples.and_then(|(_, samples)| samples);
            let target = row * patch.width + column;
            let (level, background, noise) = sample(window, frame.levels.shift.as_slice(), kept, channel, x, y);
            patch.levels[target] = level.unwrap_or(background);
            patch.background[target] = background;
            patch.noise[target] = noise;
        }
    }
}

type TileSamples<'a> = Option<(&'a [u8], &'a [u8], &'a [u8])>;

/// Level of the frame (if kept), of the resting scene, and the noise at a pixel.
fn sample(
    window: &Window,
    shift: &[f32],
    kept: TileSamples<'_>,
    channel: Channel,
    x: usize,
    y: usize,
) -> (Option<f32>, f32, f32) {
    let (row, column) = (y % TILE, x % TILE);
    let resting = &window.resting;
    if channel == Channel::Luma {
        let level = resting.luma.samples[y * window.width + x];
        let background = f32::from(level) + shift[level as usize];
        return (
            kept.map(|(luma, ..)| f32::from(luma[row * TILE + column])),
            background,
            window.luma_noise[level as usize],
        );
    }
    let chroma = row / 2 * (TILE / 2) + column / 2;
    let below = y / 2 * resting.cb.width + x / 2;
    // Four pixels share a chroma sample: taken as four, each must count as a quarter of one.
    let noise = 2.0 * window.chroma_noise;
    match channel {
        Channel::Cb => (kept.map(|(_, cb, _)| f32::from(cb[chroma])), f32::from(resting.cb.samples[below]), noise),
        _ => (kept.map(|(.., cr)| f32::from(cr[chroma])), f32::from(resting.cr.samples[below]), noise),
    }
}

/// A centre from which the ball's look can be learnt.
#[derive(Clone, Copy)]
struct Known {
    place: usize,
    centre: PixelPoint,
    velocity: (f64, f64),
}

/// Learns blur and exposure, then the radius, then the shading from known centres; `None` when too few bear them out.
///
/// One after the other, because a freely shaded disc can pass a wrong radius off as shading, and a wrong blur as both.
fn learn_ball(
    window: &Window,
    known: &[Known],
    times_s: &[f64],
    first_guess: BallLook,
    light: &Light,
) -> Option<BallLook> {
    let mut ball = first_guess;
    // The first lesson takes few: most arcs that aren't a ball's fail there.
    let lessons = [
        (Lesson::Size, FIRST_LESSON_FROM),
        (Lesson::Size, LEARNT_FROM),
        (Lesson::Radius, LEARNT_FROM),
        (Lesson::Shading, LEARNT_FROM),
    ];
    for (lesson, most) in lessons {
        let step = known.len().div_ceil(most).max(1);
        let fits: Vec<Taught> = known
            .par_iter()
            .step_by(step)
            .filter_map(|one| {
                let time = times_s[one.place];
                fit_for(lesson, window, one, time, &ball, light).map(|fit| (time, one.velocity, fit))
            })
            .filter(|(.., fit)| fit.explained > 0.6 && fit.visible > 0.7)
            .collect();
        if fits.len() < 3 {
            return None;
        }
        ball.learn(lesson, &fits);
    }
    Some(ball)
}

/// Time, velocity (px/s) and fit of one disc that the ball's look is learnt from.
type Taught = (f64, (f64, f64), DiscFit);

/// What a round of fits is to teach.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lesson {
    /// Radius, blur and exposure together, with a simple shading.
    Size,
    /// The radius, blur and exposure being known.
    Radius,
    /// The shading, the outline being known.
    Shading,
}

fn fit_for(
    lesson: Lesson,
    window: &Window,
    known: &Known,
    time: f64,
    ball: &BallLook,
    light: &Light,
) -> Option<DiscFit> {
    let start = ball.disc(known.centre, known.velocity, time);
    let patch = cut(window, known.place, &start, ball.channel)?;
    let streaks = start.streak_px.0.hypot(start.streak_px.1) > 0.8;
    let unknowns = match lesson {
        Lesson::Size => {
            Unknowns { radius: true, blur: start.radius_px > 2.5, streak: streaks, shades: ball.shades.min(6) }
        }
        Lesson::Radius => Unknowns { radius: true, blur: false, streak: false, shades: ball.shades.min(10) },
        Lesson::Shading => Unknowns { radius: false, blur: false, streak: false, shades: ball.shades },
    };
    fit_disc(&patch, &start, unknowns, light)
}

/// How many terms of the shading the pictures can carry: a small or faint disc can't tell shading from place.
fn shades_for(channel: Channel, radius_px: f64, signal_to_noise: f64) -> usize {
    match radius_px * (signal_to_noise / 20.0).min(1.0) {
        _ if channel != Channel::Luma => 1,
        size if size >= 8.0 => 15,
        size if size >= 5.0 => 6,
        size if size >= 3.5 => 3,
        _ => 1,
    }
}

/// A first idea of the ball from the blobs' sizes, shapes and colours.
fn guess_ball(window: &Window, arc: &Arc, times_s: &[f64], light: &Light) -> BallLook {
    let blobs = &arc.blobs;
    // Blobs are seen through a 3×3 mean and so come out about half a pixel too wide.
    let radius_px = (median(blobs.iter().map(|blob| 0.5 * blob.diameter()).collect()) - 0.5).max(1.2);
    let exposure_s = median(
        blobs
            .iter()
            .map(|blob| {
                let (vx, vy) = arc.path.velocity(times_s[blob.frame]);
                let spread = f64::from(blob.axes.0.powi(2) - blob.axes.1.powi(2)).max(0.0);
                // A line of length L has the variance L²/12.
                (12.0 * spread).sqrt() / vx.hypot(vy).max(1e-9)
            })
            .collect(),
    );
    let (channel, shade, signal_to_noise) = guess_shade(window, arc, radius_px, exposure_s, times_s, light);
    let reference_s = 0.5 * (times_s[arc.first_frame()] + times_s[arc.last_frame()]);
    BallLook {
        lens: Lens::of_a_phone(window.width, window.height),
        channel,
        radius_px,
        radius_change_px_per_s: 0.0,
        reference_s,
        blur_px: 0.8,
        exposure_s,
        shading: std::array::from_fn(|term| if term == 0 { shade } else { 0.0 }),
        shading_change_per_s: [0.0; SHADES],
        shades: shades_for(channel, radius_px, signal_to_noise),
    }
}

/// Channel of the greatest departure, luma preferred; the ball's light in it, and its contrast over the noise.
fn guess_shade(
    window: &Window,
    arc: &Arc,
    radius_px: f64,
    exposure_s: f64,
    times_s: &[f64],
    light: &Light,
) -> (Channel, f64, f64) {
    let resting = &window.resting;
    let at = |blob: &Blob| {
        let x = (blob.centre.x.round().max(0.0) as usize).min(window.width - 1);
        let y = (blob.centre.y.round().max(0.0) as usize).min(window.height - 1);
        let below = y / 2 * resting.cb.width + x / 2;
        [resting.luma.samples[y * window.width + x], resting.cb.samples[below], resting.cr.samples[below]]
            .map(f32::from)
    };
    let departure =
        |part: usize| median(arc.blobs.iter().map(|blob| f64::from(blob.colour[part] - at(blob)[part])).collect());
    let size = |part: usize| {
        median(arc.blobs.iter().map(|blob| f64::from((blob.colour[part] - at(blob)[part]).abs())).collect())
    };
    let luma_noise = f64::from(window.luma_noise[128]);
    let chroma_noise = f64::from(window.chroma_noise);
    let strengths = [size(0) / luma_noise, size(1) / chroma_noise / 3.0, size(2) / chroma_noise / 3.0];
    let channel = if strengths[0] > 8.0 || strengths[0] > strengths[1].max(strengths[2]) {
        Channel::Luma
    } else if strengths[1] > strengths[2] {
        Channel::Cb
    } else {
        Channel::Cr
    };
    let part = channel as usize;
    // A streak longer than the ball shows it diluted.
    let streak = exposure_s
        * median(
            arc.blobs
                .iter()
                .map(|blob| {
                    let (vx, vy) = arc.path.velocity(times_s[blob.frame]);
                    vx.hypot(vy)
                })
                .collect(),
        );
    let dilution = (1.8 * radius_px / streak.max(1e-9)).min(1.0);
    let background = median(arc.blobs.iter().map(|blob| f64::from(at(blob)[part])).collect());
    let seen = background + departure(part);
    let (seen, background) = (f64::from(light.linear(seen as f32)), f64::from(light.linear(background as f32)));
    let noise = if channel == Channel::Luma { luma_noise } else { 2.0 * chroma_noise };
    (channel, background + (seen - background) / dilution, size(part) / dilution / noise)
}

impl BallLook {
    /// Takes the medians of a round of fits (time, velocity, fit).
    fn learn(&mut self, lesson: Lesson, fits: &[Taught]) {
        let line = |value: &dyn Fn(&DiscFit) -> f64| {
            let points: Vec<(f64, f64)> =
                fits.iter().map(|(time, _, fit)| (time - self.reference_s, value(fit))).collect();
            median_line(&points)
        };
        let middle = |value: &dyn Fn(&Taught) -> f64| median(fits.iter().map(value).collect());
        let shades: [(f64, f64); SHADES] = std::array::from_fn(|term| line(&|fit| fit.disc.shading[term]));
        let radius = line(&|fit| fit.disc.radius_px);
        match lesson {
            Lesson::Size => {
                self.radius_px = middle(&|(.., fit)| fit.disc.radius_px);
                self.blur_px = middle(&|(.., fit)| fit.disc.blur_px);
                self.exposure_s = middle(&|(_, velocity, fit)| {
                    fit.disc.streak_px.0.hypot(fit.disc.streak_px.1) / velocity.0.hypot(velocity.1).max(1e-9)
                });
            }
            Lesson::Radius => (self.radius_px, self.radius_change_px_per_s) = radius,
            Lesson::Shading => {}
        }
        self.shading = shades.map(|(middle, _)| middle);
        self.shading_change_per_s = shades.map(|(_, change)| change);
    }
}

/// Robust line through (time, value): its value at nought and its slope; without a slope when the points are few.
fn median_line(points: &[(f64, f64)]) -> (f64, f64) {
    let change = if points.len() >= 8 { significant_slope(points) } else { 0.0 };
    (median(points.iter().map(|(time, value)| value - change * time).collect()), change)
}

/// The median slope where it stands out of the scatter about it, else nought.
fn significant_slope(points: &[(f64, f64)]) -> f64 {
    let slope = median_slope(points);
    let middle = median(points.iter().map(|(time, value)| value - slope * time).collect());
    let scatter = 1.4826 * median(points.iter().map(|(time, value)| (value - slope * time - middle).abs()).collect());
    let mean = points.iter().map(|(time, _)| time).sum::<f64>() / points.len() as f64;
    let lever = points.iter().map(|(time, _)| (time - mean).powi(2)).sum::<f64>().sqrt();
    if slope.abs() * lever > 6.0 * scatter { slope } else { 0.0 }
}

/// Median of the slopes between all pairs (Theil–Sen): robust against the odd frame.
fn median_slope(points: &[(f64, f64)]) -> f64 {
    let mut slopes = Vec::new();
    for (i, one) in points.iter().enumerate() {
        for other in &points[i + 1..] {
            if (other.0 - one.0).abs() > 1e-9 {
                slopes.push((other.1 - one.1) / (other.0 - one.0));
            }
        }
    }
    if slopes.is_empty() { 0.0 } else { median(slopes) }
}
