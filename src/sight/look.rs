//! How a ball looks all along its flight, learnt from the flight itself.
//!
//! Each blob's disc is fitted with more and more of its look free; radius, blur, exposure, shading and colour are the same
//! ball in the same light all along, so their medians over the flight are known far better than from one frame.

use nalgebra::{Matrix3, Vector2, Vector3};
use rayon::prelude::*;

use crate::sight::arcs::{Arc, median};
use crate::sight::blobs::Blob;
use crate::sight::cover::light_at;
use crate::sight::cutout::cut_out;
use crate::sight::disc::{Disc, DiscFit, SHADES, Stretch, Tint, Unknowns, fit_disc};
use crate::sight::light::Light;
use crate::sight::watch::Window;
use crate::units::PixelPoint;

/// Most blobs that the ball's look is learnt from.
const LEARNT_FROM: usize = 15;
/// … and of those that the first lesson takes.
const FIRST_LESSON_FROM: usize = 6;

/// How the camera sees, as far as it shapes a ball's outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    pub focal_px: f64,
    pub principal: PixelPoint,
    /// Radial terms of Brown (1971): r″ = r (1 + k1 r² + k2 r⁴) with r the tangent of the angle from the axis.
    pub k1: f64,
    pub k2: f64,
}

impl Lens {
    /// A phone's main camera, when nothing is stated: focal length 0.8 × the longer side (28 mm on the 36 mm of a
    /// small-picture frame; common practice, no source). The outline's stretch is at most 8 % and a fifth of it matters little.
    pub fn of_a_phone(width: usize, height: usize) -> Self {
        let principal = PixelPoint::new(0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0));
        Self { focal_px: 0.8 * width.max(height) as f64, principal, k1: 0.0, k2: 0.0 }
    }

    /// How a ball's outline is drawn out at a place, and how much larger than without a lens's bend its shorter axis there is: a
    /// barrel shrinks what lies off the axis, along the line to the middle three times as much as across it.
    fn draws(&self, place: PixelPoint) -> (Stretch, f64) {
        let pinhole = Stretch::at(place, self.focal_px, self.principal);
        if self.k1 == 0.0 && self.k2 == 0.0 {
            return (pinhole, 1.0);
        }
        let seen = place.distance(self.principal) / self.focal_px;
        let mut r = seen;
        for _ in 0..10 {
            let (across, along) = self.magnifies(r);
            r -= (r * across - seen) / along;
        }
        let (across, along) = self.magnifies(r);
        (Stretch { factor: 1f64.hypot(r) * along / across, ..pinhole }, across)
    }

    /// Magnification across and along the line to the middle at the tangent `r`; kept from folding.
    fn magnifies(&self, r: f64) -> (f64, f64) {
        let (first, second) = (self.k1 * r * r, self.k2 * r.powi(4));
        ((1.0 + first + second).max(0.3), (1.0 + 3.0 * first + 5.0 * second).max(0.1))
    }
}

/// How the ball looks all along its flight.
#[derive(Debug, Clone, Copy)]
pub struct BallLook {
    pub lens: Lens,
    /// Radius in px at the middle of the flight without the lens's bend, and its change by the place in the picture, px/px: what flies
    /// in a plane has a radius that grows evenly across the picture, whichever way the plane is turned.
    pub radius_px: f64,
    radius_change: (f64, f64),
    middle: PixelPoint,
    reference_s: f64,
    pub blur_px: f64,
    /// Exposure time in seconds of the clock in use, from the length of the streaks.
    pub exposure_s: f64,
    /// Light over the disc at the middle of the flight, and its change per second: perspective shows the ball from another
    /// side at the end of its flight than at its beginning, and the light stays where it is.
    pub shading: [f64; SHADES],
    shading_change_per_s: [f64; SHADES],
    shades: usize,
    /// Colour, where luma alone doesn't show the whole rim: chroma is coarser, and not every camera says exactly where its
    /// samples lie.
    pub tint: Option<Tint>,
    /// Whether the ball stands out in luma.
    pub shows_in_luma: bool,
}

impl BallLook {
    /// The disc of this ball at a place, moving at `velocity` px/s.
    pub fn disc(&self, centre: PixelPoint, velocity: (f64, f64), time_s: f64) -> Disc {
        let later_s = time_s - self.reference_s;
        let (stretch, larger) = self.lens.draws(centre);
        let (dx, dy) = (centre.x - self.middle.x, centre.y - self.middle.y);
        Disc {
            centre,
            radius_px: (larger * (self.radius_px + self.radius_change.0 * dx + self.radius_change.1 * dy)).max(1.0),
            blur_px: self.blur_px,
            streak_px: (velocity.0 * self.exposure_s, velocity.1 * self.exposure_s),
            stretch,
            shading: std::array::from_fn(|term| self.shading[term] + self.shading_change_per_s[term] * later_s),
            shades: self.shades,
            tint: self.tint,
        }
    }
}

/// A centre from which the ball's look can be learnt.
#[derive(Clone, Copy)]
pub struct Known {
    /// Of the frame in the window.
    pub place: usize,
    pub centre: PixelPoint,
    /// Px/s.
    pub velocity: (f64, f64),
}

/// Learns blur and exposure, then the radius, then the shading from known centres; `None` when too few bear them out.
///
/// One after the other, because a freely shaded disc can pass a wrong radius off as shading, and a wrong blur as both.
pub fn learn_ball(
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
        let mut fits: Vec<Taught> = known
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
        keep_the_clear(&mut fits);
        ball.learn(lesson, &fits);
    }
    if ball.tint.is_some() && luma_shows_the_rim(window, known, times_s, &ball, light) {
        ball.tint = None;
    }
    Some(ball)
}

/// Leaves out fits that explain their picture clearly worse than most do: somebody walks behind the ball there.
fn keep_the_clear(fits: &mut Vec<Taught>) {
    const MUCH_WORSE: f64 = 1.5;
    let usual = median(fits.iter().map(|(.., fit)| fit.misfit).collect());
    let clear = |(.., fit): &Taught| fit.misfit < MUCH_WORSE * usual;
    if 2 * fits.iter().filter(|one| clear(one)).count() > fits.len() + 1 {
        fits.retain(clear);
    }
}

/// Whether the ball's rim stands out in luma nearly all round, all along its flight. A lit ball is often as bright as the wall on
/// one side, and there only its colour shows where it ends.
fn luma_shows_the_rim(window: &Window, known: &[Known], times_s: &[f64], ball: &BallLook, light: &Light) -> bool {
    /// Directions in which the rim is looked at.
    const DIRECTIONS: usize = 16;
    /// Share of the usual contrast below which the rim doesn't show, and share of the rim that may be so.
    const FAINT: f64 = 0.3;
    const MAY_BE_FAINT: f64 = 0.08;
    let contrasts: Vec<f64> = known
        .iter()
        .step_by(known.len().div_ceil(LEARNT_FROM).max(1))
        .flat_map(|one| {
            let disc = ball.disc(one.centre, one.velocity, times_s[one.place]);
            (0..DIRECTIONS).map(move |i| {
                let (v, u) = (i as f64 / DIRECTIONS as f64 * std::f64::consts::TAU).sin_cos();
                let (level, _) = light.level(light_at(&disc, 0.9 * u, 0.9 * v) as f32);
                let at = PixelPoint::new(disc.centre.x + disc.radius_px * u, disc.centre.y + disc.radius_px * v);
                f64::from((level - resting_at(window, at)[0]).abs())
            })
        })
        .collect();
    let usual = median(contrasts.clone());
    let faint = contrasts.iter().filter(|contrast| **contrast < FAINT * usual).count();
    (faint as f64) < MAY_BE_FAINT * contrasts.len() as f64
}

/// Luma, cb and cr of the resting scene at a place.
fn resting_at(window: &Window, at: PixelPoint) -> [f32; 3] {
    let resting = &window.resting;
    let x = (at.x.round().max(0.0) as usize).min(window.width - 1);
    let y = (at.y.round().max(0.0) as usize).min(window.height - 1);
    let below = y / 2 * resting.cb.width + x / 2;
    [resting.luma.samples[y * window.width + x], resting.cb.samples[below], resting.cr.samples[below]].map(f32::from)
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
    let patch = cut_out(window, known.place, &start)?;
    let streaks = start.streak_px.0.hypot(start.streak_px.1) > 0.8;
    let unknowns = match lesson {
        Lesson::Size => Unknowns {
            radius: true,
            blur: start.radius_px > 2.5,
            streak: streaks,
            shades: ball.shades.min(6),
            tint: true,
        },
        Lesson::Radius => Unknowns { radius: true, shades: ball.shades.min(10), tint: true, ..Unknowns::PLACE },
        Lesson::Shading => Unknowns { shades: ball.shades, tint: true, ..Unknowns::PLACE },
    };
    fit_disc(&patch, &start, unknowns, light)
}

/// How many terms of the shading the pictures can carry: a small or faint disc can't tell shading from place.
fn shades_for(radius_px: f64, signal_to_noise: f64) -> usize {
    match radius_px * (signal_to_noise / 20.0).min(1.0) {
        size if size >= 8.0 => 15,
        size if size >= 5.0 => 6,
        size if size >= 2.2 => 3,
        _ => 1,
    }
}

/// A first idea of the ball from the blobs' sizes, shapes and colours.
pub fn guess_ball(window: &Window, arc: &Arc, times_s: &[f64], light: &Light, lens: Lens) -> BallLook {
    let blobs = &arc.blobs;
    // A cell that is covered in part counts as more than that, so that blobs come out a little too wide.
    let radius_px = (median(blobs.iter().map(|blob| 0.5 * blob.diameter()).collect()) - 0.5).max(1.2);
    let speed = |blob: &Blob| {
        let (vx, vy) = arc.path.velocity(times_s[blob.frame]);
        vx.hypot(vy).max(1e-9)
    };
    let streak_px = exposure_s(arc, times_s) * median(blobs.iter().map(speed).collect());
    let exposure_s = exposure_s(arc, times_s);
    // A streak longer than the ball shows it diluted.
    let dilution = (1.8 * radius_px / streak_px.max(1e-9)).min(1.0);
    let colours = Colours::of(blobs);
    let shows_in_luma = colours.show_in_luma(window);
    let shades = shades_for(radius_px, colours.signal_to_noise(window) / dilution);
    BallLook {
        lens,
        radius_px,
        radius_change: (0.0, 0.0),
        middle: PixelPoint::new(
            median(blobs.iter().map(|blob| blob.centre.x).collect()),
            median(blobs.iter().map(|blob| blob.centre.y).collect()),
        ),
        reference_s: 0.5 * (times_s[arc.first_frame()] + times_s[arc.last_frame()]),
        blur_px: 0.8,
        exposure_s,
        shading: std::array::from_fn(|term| if term == 0 { colours.shade(dilution, light) } else { 0.0 }),
        shading_change_per_s: [0.0; SHADES],
        shades,
        tint: colours.tint(window, dilution),
        shows_in_luma,
    }
}

/// Streak, px, of which the pictures themselves are asked at least: cells can't tell one that short from none.
const LEAST_STREAK_PX: f64 = 1.5;

/// Exposure by how much longer the blobs are along their way than across it, s: a line of length L has the variance L²/12.
fn exposure_s(arc: &Arc, times_s: &[f64]) -> f64 {
    let speed_of = |blob: &Blob| {
        let (vx, vy) = arc.path.velocity(times_s[blob.frame]);
        vx.hypot(vy).max(1e-9)
    };
    let usual_speed = median(arc.blobs.iter().map(speed_of).collect());
    let squared = arc.blobs.iter().map(|blob| {
        let (vx, vy) = arc.path.velocity(times_s[blob.frame]);
        let speed = speed_of(blob);
        let cosine = (f64::from(blob.direction.0) * vx + f64::from(blob.direction.1) * vy) / speed;
        let excess = f64::from(blob.axes.0.powi(2) - blob.axes.1.powi(2)) * (2.0 * cosine * cosine - 1.0);
        12.0 * excess / (speed * speed)
    });
    median(squared.collect()).max(0.0).sqrt().max(LEAST_STREAK_PX / usual_speed)
}

/// Medians over an arc's blobs, of luma, cb and cr.
struct Colours {
    background: [f64; 3],
    departure: [f64; 3],
    /// Size of the departure, whichever its sense: a textured wall may be brighter here and darker there.
    size: [f64; 3],
}

impl Colours {
    fn of(blobs: &[Blob]) -> Self {
        let pairs: Vec<([f32; 3], [f32; 3])> = blobs.iter().map(|blob| (blob.colour, blob.behind)).collect();
        let over = |value: &dyn Fn(f64, f64) -> f64| {
            std::array::from_fn(|part| {
                median(pairs.iter().map(|(seen, resting)| value(seen[part].into(), resting[part].into())).collect())
            })
        };
        Self {
            background: over(&|_, resting| resting),
            departure: over(&|seen, resting| seen - resting),
            size: over(&|seen, resting| (seen - resting).abs()),
        }
    }

    /// The ball's light in luma.
    fn shade(&self, dilution: f64, light: &Light) -> f64 {
        let seen = f64::from(light.linear((self.background[0] + self.departure[0]) as f32));
        let background = f64::from(light.linear(self.background[0] as f32));
        background + (seen - background) / dilution
    }

    /// Contrast over the noise, all three signals together; chroma has a quarter of the samples.
    fn signal_to_noise(&self, window: &Window) -> f64 {
        let luma = self.size[0] / f64::from(window.luma_noise[128]);
        let chroma = 2.0 * f64::from(window.chroma_noise);
        luma.hypot(self.size[1] / chroma).hypot(self.size[2] / chroma)
    }

    /// Whether luma departs by clearly more than the noise, or by more than chroma does.
    fn show_in_luma(&self, window: &Window) -> bool {
        let luma = self.size[0] / f64::from(window.luma_noise[128]);
        let chroma = self.size[1].max(self.size[2]) / f64::from(window.chroma_noise);
        luma > 8.0 || luma > chroma / 3.0
    }

    /// The ball's colour, when it differs from that of the scene behind by clearly more than the noise.
    fn tint(&self, window: &Window, dilution: f64) -> Option<Tint> {
        /// Levels below which a difference of colour is what a codec makes of anything.
        const LEAST_LEVELS: f64 = 6.0;
        let strongest = self.size[1].max(self.size[2]);
        let luma = (self.background[0] + self.departure[0] / dilution).max(16.0);
        let tint = |part: usize| (self.background[part] + self.departure[part] / dilution - 128.0) / luma;
        (strongest > LEAST_LEVELS.max(6.0 * f64::from(window.chroma_noise))).then(|| [tint(1), tint(2)])
    }
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
        let radius = |fit: &DiscFit| fit.disc.radius_px / self.lens.draws(fit.disc.centre).1;
        match lesson {
            Lesson::Size => {
                self.radius_px = middle(&|(.., fit)| radius(fit));
                self.blur_px = middle(&|(.., fit)| fit.disc.blur_px);
                self.exposure_s = middle(&|(_, velocity, fit)| {
                    fit.disc.streak_px.0.hypot(fit.disc.streak_px.1) / velocity.0.hypot(velocity.1).max(1e-9)
                });
            }
            Lesson::Radius => {
                let from_middle = |at: PixelPoint| (at.x - self.middle.x, at.y - self.middle.y);
                let points: Vec<_> = fits.iter().map(|(.., fit)| (from_middle(fit.disc.centre), radius(fit))).collect();
                // The plane of a flight may be turned by some ten degrees against the picture's (common practice, no source).
                let steepest = 0.2 * self.radius_px / self.lens.focal_px;
                (self.radius_px, self.radius_change) = robust_plane(&points, steepest);
            }
            Lesson::Shading => {}
        }
        self.tint =
            self.tint.map(|_| [0, 1].map(|part| middle(&|(.., fit)| fit.disc.tint.map_or(0.0, |tint| tint[part]))));
        self.shading = shades.map(|(middle, _)| middle);
        self.shading_change_per_s = shades.map(|(_, change)| change);
    }
}

/// Robust plane through ((x, y), value): its value at nought and its slopes, which are about as large as `usual` beforehand; without
/// slopes when the points are few or scatter too much to show them.
fn robust_plane(points: &[((f64, f64), f64)], usual: f64) -> (f64, (f64, f64)) {
    let flat = (median(points.iter().map(|(_, value)| *value).collect()), (0.0, 0.0));
    if points.len() < 8 {
        return flat;
    }
    let row = |(x, y): (f64, f64)| Vector3::new(1.0, x, y);
    let (mut plane, mut weights) = (Vector3::new(flat.0, 0.0, 0.0), vec![1.0; points.len()]);
    let (mut normal, mut scatter) = (Matrix3::zeros(), 0.0);
    for _ in 0..10 {
        let off: Vec<f64> = points.iter().map(|(at, value)| value - row(*at).dot(&plane)).collect();
        scatter = (1.4826 * median(off.iter().map(|off| off.abs()).collect())).max(1e-3);
        for (w, off) in weights.iter_mut().zip(&off) {
            *w = (1.0 - (off / (4.685 * scatter)).powi(2)).max(0.0).powi(2);
        }
        normal = Matrix3::from_diagonal(&Vector3::new(0.0, 1.0, 1.0)) * (scatter / usual).powi(2);
        let mut right = Vector3::zeros();
        for ((at, value), w) in points.iter().zip(&weights) {
            normal += row(*at) * row(*at).transpose() * *w;
            right += row(*at) * (value * w);
        }
        let Some(solved) = normal.try_inverse().map(|inverse| inverse * right) else { return flat };
        plane = solved;
    }
    let slopes = Vector2::new(plane.y, plane.z);
    let Some(known) = normal.try_inverse().and_then(|c| c.fixed_view::<2, 2>(1, 1).into_owned().try_inverse()) else {
        return flat;
    };
    // Six standard deviations: a slope that is none does more harm than one that is missed.
    if slopes.dot(&(known * slopes)) > (6.0 * scatter).powi(2) { (plane.x, (plane.y, plane.z)) } else { flat }
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
