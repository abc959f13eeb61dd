//! Takes the camera's own motion out of a clip: shift, turn and scale of the still background, frame by frame.
//!
//! Small patches of the first picture that can't be mistaken for their neighbourhood are found again in every later one; a
//! perspective map through their places, robust to those that move with people and balls, is the motion. A similarity wouldn't
//! do: a turn by half a degree moves the edges of a phone's picture by 3 px more than its middle.

mod source;
mod warp;

use nalgebra::{DMatrix, DVector, Matrix2, SMatrix, SVector, Vector2};
use thiserror::Error;

use crate::clip::Plane;
use crate::units::{Covariance2, PixelPoint};

pub use source::{SteadySource, Wander};

/// Why the background could not be followed.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum SteadyError {
    #[error("the background shows {patches} places that could be followed, and {needed} are needed")]
    TooPlain { patches: usize, needed: usize },
    #[error("the camera moved so far that only {patches} of {of} followed places are still in view")]
    PannedAway { patches: usize, of: usize },
    #[error("the background of this frame can't be matched with the first one's")]
    Unmatched,
    #[error("the picture is {found:?} pixels large, and the first one was {expected:?}")]
    SizeChanged { found: (usize, usize), expected: (usize, usize) },
}

impl SteadyError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::TooPlain { .. } => "put something with pattern behind the flight, or the camera on a stand",
            Self::PannedAway { .. } => {
                "keep scale and background in view: put the camera on a stand and let the ball cross the picture"
            }
            Self::Unmatched => "put the camera on a stand; cut the clip so that it begins when the camera is at rest",
            Self::SizeChanged { .. } => "give the frames of one clip only",
        }
        .to_owned()
    }
}

/// Where the background of the first picture is in another one: shift, turn, scale, and the keystone and stretch that turns of
/// the camera and its rolling shutter bring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// Middle of the picture, about which it is stated.
    pub centre: PixelPoint,
    /// Half of the picture's diagonal, px: the unit of length of `stretch` and `keystone`.
    pub reach_px: f64,
    /// Shift of the middle, px.
    pub shift_px: (f64, f64),
    /// Scale · cos and scale · sin of the clockwise turn.
    pub linear: (f64, f64),
    /// Lengthening along x and shortening along y, and the like along the diagonals.
    pub stretch: (f64, f64),
    /// How much smaller things get per half diagonal to the right and down.
    pub keystone: (f64, f64),
}

impl Motion {
    /// No motion, in a picture of that size.
    pub fn rest(width: usize, height: usize) -> Self {
        let centre = PixelPoint::new((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
        let reach_px = 0.5 * (width as f64).hypot(height as f64);
        let none = (0.0, 0.0);
        Self { centre, reach_px, shift_px: none, linear: (1.0, 0.0), stretch: none, keystone: none }
    }

    /// Row by row: shift, then what multiplies the place from the middle.
    fn matrix(&self) -> Matrix2<f64> {
        let ((a, b), (e, f)) = (self.linear, self.stretch);
        Matrix2::new(a + e, f - b, b + f, a - e)
    }

    /// Where a place of the first picture is now.
    pub fn to_frame(&self, first: PixelPoint) -> PixelPoint {
        let from_middle = Vector2::new(first.x - self.centre.x, first.y - self.centre.y);
        let moved = self.matrix() * from_middle;
        let w = 1.0 + (self.keystone.0 * from_middle.x + self.keystone.1 * from_middle.y) / self.reach_px;
        PixelPoint::new(
            self.centre.x + (self.shift_px.0 + moved.x) / w,
            self.centre.y + (self.shift_px.1 + moved.y) / w,
        )
    }

    /// Where a place of this picture was in the first one.
    pub fn to_first(&self, now: PixelPoint) -> PixelPoint {
        let (u, v) = (now.x - self.centre.x, now.y - self.centre.y);
        let (p, q) = (self.keystone.0 / self.reach_px, self.keystone.1 / self.reach_px);
        let m = self.matrix() - Matrix2::new(u * p, u * q, v * p, v * q);
        // A motion that squeezes a picture to nothing is never found.
        let back =
            m.try_inverse().unwrap_or_else(Matrix2::identity) * Vector2::new(u - self.shift_px.0, v - self.shift_px.1);
        PixelPoint::new(self.centre.x + back.x, self.centre.y + back.y)
    }

    /// Over a patch a motion is straight: where it puts the middle, and what it makes of steps from there. In a large picture a keystone
    /// of 0.02 bends it by some thousandths of a pixel.
    fn straight_at(&self, first: PixelPoint) -> Straight {
        let (x, y) = (first.x - self.centre.x, first.y - self.centre.y);
        let (p, q) = (self.keystone.0 / self.reach_px, self.keystone.1 / self.reach_px);
        let at = self.to_frame(first);
        let (u, v) = (at.x - self.centre.x, at.y - self.centre.y);
        let slopes = (self.matrix() - Matrix2::new(u * p, u * q, v * p, v * q)) / (1.0 + p * x + q * y);
        Straight { at, slopes }
    }

    /// Clockwise turn of the background, rad.
    pub fn turn_rad(&self) -> f64 {
        self.linear.1.atan2(self.linear.0)
    }

    /// Size of the background over that in the first picture.
    pub fn scale(&self) -> f64 {
        self.linear.0.hypot(self.linear.1)
    }

    fn state(&self) -> State {
        let (t, l, s, k) = (self.shift_px, self.linear, self.stretch, self.keystone);
        State::from_column_slice(&[t.0, t.1, l.0, l.1, s.0, s.1, k.0, k.1])
    }

    fn with_state(&self, s: &State) -> Self {
        Self { shift_px: (s[0], s[1]), linear: (s[2], s[3]), stretch: (s[4], s[5]), keystone: (s[6], s[7]), ..*self }
    }

    /// Derivatives of the place in the frame by the state, for x and for y.
    fn slopes(&self, first: PixelPoint) -> (State, State) {
        let (x, y) = (first.x - self.centre.x, first.y - self.centre.y);
        let w = 1.0 + (self.keystone.0 * x + self.keystone.1 * y) / self.reach_px;
        let at = self.to_frame(first);
        let (u, v) = (at.x - self.centre.x, at.y - self.centre.y);
        let (kx, ky) = (x / self.reach_px, y / self.reach_px);
        let of_x = State::from_column_slice(&[1.0, 0.0, x, -y, x, y, -u * kx, -u * ky]) / w;
        let of_y = State::from_column_slice(&[0.0, 1.0, y, x, -y, x, -v * kx, -v * ky]) / w;
        (of_x, of_y)
    }
}

/// A motion about one place.
#[derive(Debug, Clone, Copy)]
struct Straight {
    at: PixelPoint,
    slopes: Matrix2<f64>,
}

impl Straight {
    fn at(&self, dx: f64, dy: f64) -> PixelPoint {
        let m = &self.slopes;
        PixelPoint::new(self.at.x + m.m11 * dx + m.m12 * dy, self.at.y + m.m21 * dx + m.m22 * dy)
    }

    fn moved(self, by: Vector2<f64>) -> Self {
        Self { at: PixelPoint::new(self.at.x + by.x, self.at.y + by.y), ..self }
    }

    /// Whether a patch about it has so many pixels of the frame around each of its places.
    fn is_inside(&self, frame: &Plane, margin: f64) -> bool {
        let reach = REACH as f64;
        [(-reach, -reach), (reach, -reach), (-reach, reach), (reach, reach)].into_iter().all(|(dx, dy)| {
            let at = self.at(dx, dy);
            at.x >= margin
                && at.y >= margin
                && at.x + margin + 1.0 < frame.width as f64
                && at.y + margin + 1.0 < frame.height as f64
        })
    }
}

/// Shift x and y, linear, stretch, keystone.
type State = SVector<f64, 8>;

/// The motion of one frame and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Registered {
    pub motion: Motion,
    /// Covariance of shift, linear, stretch and keystone, in this order.
    pub covariance: SMatrix<f64, 8, 8>,
    /// Patches that took part.
    pub patches: usize,
    /// Root mean square of their distances from the motion, px, both axes together.
    pub residual_rms_px: f64,
}

impl Registered {
    /// What the motion's uncertainty does to a place of the first picture, px². Scales near 1 and small turns change that little.
    pub fn covariance_at(&self, first: PixelPoint) -> Matrix2<f64> {
        let (x, y) = self.motion.slopes(first);
        let xy = x.dot(&(self.covariance * y));
        Matrix2::new(x.dot(&(self.covariance * x)), xy, xy, y.dot(&(self.covariance * y)))
    }

    /// A place of this frame as one of the first picture, the uncertainty of the motion added to its own.
    pub fn to_first(&self, now: PixelPoint, covariance: Covariance2) -> (PixelPoint, Covariance2) {
        let first = self.motion.to_first(now);
        let own = Matrix2::new(covariance.xx, covariance.xy, covariance.xy, covariance.yy);
        let (a, b) = self.motion.linear;
        let back = Matrix2::new(a, b, -b, a) / (a * a + b * b);
        let c = back * (own + self.covariance_at(first)) * back.transpose();
        (first, Covariance2 { xx: c.m11, xy: c.m12, yy: c.m22 })
    }
}

/// Half the side of a patch, px.
const REACH: i64 = 8;
/// One patch is taken from each cell of a grid of this many columns; rows to match.
const COLUMNS: usize = 18;
/// A similarity needs two; this many make outliers visible.
const FEWEST: usize = 10;
/// Of these so many must be seen again, with what is known of hands beforehand.
const FEWEST_SEEN: usize = 6;
/// Greatest squared difference from a patch, over its own contrast, at which it is still the same.
const MOST_UNLIKE: f64 = 0.4;
/// Mean unlikeness of the patches from which a motion is doubted: noise makes a tenth, people that hide a third a third.
const DOUBTFUL: f64 = 0.12;
/// How far from its expected place a patch is looked for, px: as far as its samples reach, and less than from one line of print to
/// the next where the motion is about known.
const FAR_PX: f64 = REACH as f64;
const NEAR_PX: f64 = 2.5;
/// Patches that a look takes at most.
const LOOKED_AT: usize = 24;
/// Standard deviation of a patch's place while all count alike, and the least of one by itself, px.
const ALIKE_PX: f64 = 0.02;
/// How far off a patch may be at first and still be heard, px.
const WIDE_PX: f64 = 2.0;
/// A patch that went its own way is trusted again after some frames.
const TRUST_STEP: f64 = 0.3;
const LEAST_TRUST: f64 = 0.02;
const LEAST_PX: f64 = 0.01;
/// Least strength of a patch: smaller eigenvalue of the mean squared slopes, (grey levels/px)².
const LEAST_SLOPE: f64 = 8.0;
/// How much smaller the picture is in which a motion is looked for first, the first of them that shows enough.
const SMALLER: [usize; 2] = [4, 2];
/// Pixels of the coarse picture are this much larger, for steps that are too long for the patches.
const COARSE: usize = 8;

/// A motion, and how far each patch was heard for it, 0 to 1.
struct Followed {
    registered: Registered,
    heard: Vec<f64>,
}

/// A patch of the first picture that was found again.
#[derive(Debug, Clone, Copy)]
struct Match {
    first: PixelPoint,
    now: PixelPoint,
    /// Inverse of the covariance of `now` as the patch's own slopes and what is left of its differences make it, px⁻².
    weight: Matrix2<f64>,
    /// How far the patch was heard lately, 0 to 1.
    trust: f64,
    /// Its place among the patches.
    patch: usize,
}

#[derive(Debug, Clone)]
struct Patch {
    middle: PixelPoint,
    /// Samples less their mean, and their slopes along x and y.
    samples: Vec<(f64, f64, f64)>,
    /// Inverse of the sum of the slopes' products.
    inverse: Matrix2<f64>,
    /// Sum of the squared samples.
    contrast: f64,
}

/// Follows the background of one clip.
#[derive(Debug, Clone)]
pub struct Steady {
    fine: Field,
    /// The same in a picture that is smaller by so many; `None` where that shows too little.
    small: Option<(usize, Field)>,
    coarse_first: Coarse,
    last: Motion,
    before: Motion,
}

impl Steady {
    /// Takes the first picture's full-range luma; all later ones are compared with it.
    ///
    /// # Errors
    /// [`SteadyError::TooPlain`].
    pub fn new(first: &Plane) -> Result<Self, SteadyError> {
        let fine = Field::of(first);
        if fine.patches.len() < FEWEST {
            return Err(SteadyError::TooPlain { patches: fine.patches.len(), needed: FEWEST });
        }
        let small = SMALLER.iter().map(|by| (*by, Field::of(&reduced(first, *by))));
        let small = small.into_iter().find(|(_, field)| field.patches.len() >= 2 * FEWEST);
        let last = fine.rest();
        Ok(Self { fine, small, coarse_first: Coarse::of(first), last, before: last })
    }

    /// The motion of the next frame's background against the first one's. Frames are to come in order: each search begins
    /// where the last one ended.
    ///
    /// # Errors
    /// [`SteadyError::PannedAway`] when too little of the first picture is left in view, [`SteadyError::Unmatched`].
    pub fn register(&mut self, frame: &Plane) -> Result<Registered, SteadyError> {
        let (found, expected) = ((frame.width, frame.height), self.fine.size);
        if found != expected {
            return Err(SteadyError::SizeChanged { found, expected });
        }
        let found = self.search(frame)?;
        self.fine.learn(&found.heard);
        (self.before, self.last) = (self.last, found.registered.motion);
        Ok(found.registered)
    }

    /// Print, bricks and shelves look alike a line farther on, and patches may agree on the wrong one: a smaller picture tells
    /// which line it is, and the whole of a wrong one doesn't look like itself.
    fn search(&mut self, frame: &Plane) -> Result<Followed, SteadyError> {
        let goes_on = self.last.with_state(&(2.0 * self.last.state() - self.before.state()));
        let about = self.about(frame, goes_on);
        let found = match about {
            Some(about) => self.fine.follow(frame, about, NEAR_PX),
            None => Err(SteadyError::Unmatched),
        };
        let found = found.or_else(|_| self.fine.follow(frame, self.last, FAR_PX));
        let found = found.or_else(|_| self.fine.follow(frame, goes_on, FAR_PX));
        let unlike = |found: &Followed| self.fine.unlikeness(frame, &found.registered.motion);
        if found.as_ref().is_ok_and(|found| unlike(found) < DOUBTFUL) {
            return found;
        }
        let again = self
            .fine
            .follow(frame, self.fine.likeliest_shift(frame, goes_on), NEAR_PX)
            .or_else(|_| self.fine.follow(frame, self.coarse_guess(frame), FAR_PX));
        match (again, found) {
            (Ok(again), Ok(found)) => Ok(if unlike(&again) < unlike(&found) { again } else { found }),
            (Ok(again), Err(_)) => Ok(again),
            (Err(_), found) => found,
        }
    }

    /// The motion as a smaller picture shows it, to some tenths of a pixel.
    fn about(&mut self, frame: &Plane, goes_on: Motion) -> Option<Motion> {
        let (by, field) = self.small.as_mut()?;
        let (frame, by) = (reduced(frame, *by), *by as f64);
        let rest = field.rest();
        let smaller = |motion: Motion| Motion {
            shift_px: (motion.shift_px.0 / by, motion.shift_px.1 / by),
            centre: rest.centre,
            reach_px: rest.reach_px,
            ..motion
        };
        let found = field.follow(&frame, smaller(self.last), FAR_PX);
        let found = found.or_else(|_| field.follow(&frame, smaller(goes_on), FAR_PX)).ok()?;
        field.learn(&found.heard);
        let Motion { centre, reach_px, .. } = self.last;
        let motion = found.registered.motion;
        Some(Motion { shift_px: (motion.shift_px.0 * by, motion.shift_px.1 * by), centre, reach_px, ..motion })
    }

    /// The motion by some of the patches, for a camera that probably stands still; `None` where they don't tell.
    fn look(&self, frame: &Plane) -> Option<Registered> {
        let step = self.fine.patches.len().div_ceil(LOOKED_AT);
        let rest = self.fine.rest();
        let places = self.fine.matches(frame, &rest, FAR_PX, step);
        robust_motion(&places, rest).map(|(registered, _)| registered)
    }

    /// Whether most of the patches look more like themselves where a motion puts them than where they were: a leg before the lens
    /// moves as one too, and the wall beside it doesn't.
    fn is_borne_out(&self, frame: &Plane, motion: &Motion) -> bool {
        let rest = self.fine.rest();
        let unlike = |patch: &Patch, motion: &Motion| patch.unlikeness(frame, motion, 2).unwrap_or(1.0);
        let moved = self.fine.patches.iter().filter(|patch| unlike(patch, motion) < unlike(patch, &rest)).count();
        2 * moved > self.fine.patches.len()
    }

    /// Whether many of the patches are still where they were: somebody who stood before the lens and went takes theirs along, and a camera
    /// that was swung takes all.
    fn rests_in_part(&self, frame: &Plane) -> bool {
        const PART: usize = 4;
        let rest = self.fine.rest();
        let rests = |patch: &&Patch| patch.unlikeness(frame, &rest, 2).is_some_and(|unlike| unlike < MOST_UNLIKE);
        PART * self.fine.patches.iter().filter(rests).count() > self.fine.patches.len()
    }

    /// Forgets what was followed so far.
    fn begin_anew(&mut self) {
        let rest = self.fine.rest();
        (self.last, self.before) = (rest, rest);
        let small = self.small.as_mut().map(|(_, field)| field);
        std::iter::once(&mut self.fine).chain(small).for_each(|field| field.trust.fill(1.0));
    }

    /// Whether most of a frame is as the first one was, place by place.
    fn is_as_at_first(&self, frame: &Plane) -> bool {
        /// Levels by which noise and a lamp's flicker change the mean of many pixels.
        const ALIKE_LEVELS: f64 = 4.0;
        let (first, now) = (&self.coarse_first.values, &Coarse::of(frame).values);
        let differences: Vec<f64> = now.iter().zip(first.iter()).map(|(now, first)| now - first).collect();
        let brighter = median(&differences);
        median(&differences.iter().map(|d| (d - brighter).abs()).collect::<Vec<_>>()) < ALIKE_LEVELS
    }

    /// The last motion with the shift that makes coarse pictures agree best.
    fn coarse_guess(&self, frame: &Plane) -> Motion {
        let coarse = Coarse::of(frame);
        let (sx, sy) = self.last.shift_px;
        let (cx, cy) = ((sx / COARSE as f64).round() as i64, (sy / COARSE as f64).round() as i64);
        let reach = 10;
        let best = (-reach..=reach).flat_map(|dy| (-reach..=reach).map(move |dx| (cx + dx, cy + dy))).min_by(|a, b| {
            self.coarse_first.difference(&coarse, *a).total_cmp(&self.coarse_first.difference(&coarse, *b))
        });
        let (dx, dy) = best.unwrap_or((cx, cy));
        Motion { shift_px: (dx as f64 * COARSE as f64, dy as f64 * COARSE as f64), ..self.last }
    }
}

/// The patches of a first picture.
#[derive(Debug, Clone)]
struct Field {
    size: (usize, usize),
    patches: Vec<Patch>,
    /// How far each patch was heard lately, 0 to 1: what stands on a walker or behind one isn't background.
    trust: Vec<f64>,
}

impl Field {
    fn of(first: &Plane) -> Self {
        let patches = choose_patches(first);
        let trust = vec![1.0; patches.len()];
        Self { size: (first.width, first.height), patches, trust }
    }

    fn rest(&self) -> Motion {
        Motion::rest(self.size.0, self.size.1)
    }

    fn learn(&mut self, heard: &[f64]) {
        self.trust.iter_mut().zip(heard).for_each(|(trust, heard)| *trust += TRUST_STEP * (heard - *trust));
    }

    /// Every `step`-th patch that is found again near where `motion` puts it.
    fn matches(&self, frame: &Plane, motion: &Motion, reach_px: f64, step: usize) -> Vec<Match> {
        let find = |patch: usize| {
            let (now, weight) = self.patches[patch].find(frame, motion, reach_px)?;
            let trust = self.trust[patch].max(LEAST_TRUST);
            Some(Match { first: self.patches[patch].middle, now, weight, trust, patch })
        };
        (0..self.patches.len()).step_by(step).filter_map(find).collect()
    }

    /// The motion near `start`; no patch is looked for farther than `reach_px` from where that puts it.
    fn follow(&self, frame: &Plane, start: Motion, reach_px: f64) -> Result<Followed, SteadyError> {
        let mut motion = start;
        let mut result = None;
        // Twice: the second time patches are turned and scaled as the first has found.
        for _ in 0..2 {
            let in_view = self.patches.iter().filter(|patch| is_inside(frame, motion.to_frame(patch.middle))).count();
            let of = self.patches.len();
            let lost = if in_view * 2 < of {
                SteadyError::PannedAway { patches: in_view, of }
            } else {
                SteadyError::Unmatched
            };
            let places = self.matches(frame, &motion, reach_px, 1);
            let fitted = robust_motion(&places, motion);
            // A third of what should be seen must agree: walkers and balls hide the rest.
            let Some((registered, weights)) =
                fitted.filter(|(f, _)| f.patches >= FEWEST_SEEN && f.patches * 3 >= in_view)
            else {
                return Err(lost);
            };
            motion = registered.motion;
            let mut heard = vec![0.0; of];
            places.iter().zip(weights).for_each(|(place, weight)| heard[place.patch] = weight);
            result = Some(Followed { registered, heard });
        }
        result.ok_or(SteadyError::Unmatched)
    }

    /// Median over the patches of how little the frame looks like them where a motion puts them: 0 alike, 1 as any other place. A walker
    /// hides some of them, and a wrong line of print is wrong everywhere.
    fn unlikeness(&self, frame: &Plane, motion: &Motion) -> f64 {
        self.unlikeness_of(1, 2, frame, motion)
    }

    /// The same by every `patch`-th patch and every `step`-th sample of it.
    fn unlikeness_of(&self, patch: usize, step: usize, frame: &Plane, motion: &Motion) -> f64 {
        let some = self.patches.iter().step_by(patch);
        let unlike: Vec<f64> = some.filter_map(|patch| patch.unlikeness(frame, motion, step)).collect();
        if unlike.is_empty() { 1.0 } else { median(&unlike) }
    }

    /// A motion moved to where the frame looks most like the first one, within reach of what a hand does between two frames.
    fn likeliest_shift(&self, frame: &Plane, from: Motion) -> Motion {
        const STEP_PX: f64 = 2.5;
        const STEPS: i32 = 5;
        /// Patches that tell a likeness well enough.
        const ENOUGH: usize = 60;
        let every = self.patches.len().div_ceil(ENOUGH);
        let steps = || (-STEPS..=STEPS).map(|k| STEP_PX * f64::from(k));
        let moved = |dx: f64, dy: f64| Motion { shift_px: (from.shift_px.0 + dx, from.shift_px.1 + dy), ..from };
        let tried = steps().flat_map(|dy| steps().map(move |dx| moved(dx, dy)));
        let judged = tried.map(|motion| (self.unlikeness_of(every, 3, frame, &motion), motion));
        judged.min_by(|a, b| a.0.total_cmp(&b.0)).map_or(from, |(_, motion)| motion)
    }
}

/// A picture that is smaller by `by`, by means.
fn reduced(plane: &Plane, by: usize) -> Plane {
    let (width, height) = (plane.width / by, plane.height / by);
    let half = (by * by / 2) as u32;
    let mean = |x: usize, y: usize| {
        let rows = (y * by..(y + 1) * by).map(|row| row * plane.width + x * by);
        let sum: u32 = rows.flat_map(|start| &plane.samples[start..start + by]).map(|s| u32::from(*s)).sum();
        ((sum + half) / (by * by) as u32) as u8
    };
    let samples = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| mean(x, y)).collect();
    Plane { width, height, samples }
}

fn is_inside(frame: &Plane, at: PixelPoint) -> bool {
    let margin = REACH as f64 + 3.0;
    at.x > margin
        && at.y > margin
        && at.x < frame.width as f64 - 1.0 - margin
        && at.y < frame.height as f64 - 1.0 - margin
}

fn sample(plane: &Plane, x: i64, y: i64) -> f64 {
    f64::from(plane.samples[y as usize * plane.width + x as usize])
}

/// Between pixels by cubic convolution (R. G. Keys, 1981); for places with a pixel more on every side.
///
/// Bilinear values would be smoothed between pixels and not on them, which pulls places towards whole pixels.
fn between(plane: &Plane, at: PixelPoint) -> f64 {
    // Above nought, so that cutting the fraction off is rounding down, without a call.
    let (x0, y0) = (at.x as usize, at.y as usize);
    let (wx, wy) = (cubic_weights(at.x - x0 as f64), cubic_weights(at.y - y0 as f64));
    let mut sum = 0.0;
    for (row, v) in wy.iter().enumerate() {
        let start = (y0 + row - 1) * plane.width + x0 - 1;
        let line = &plane.samples[start..start + 4];
        sum += v * line.iter().zip(wx).map(|(s, w)| f64::from(*s) * w).sum::<f64>();
    }
    sum
}

/// Between pixels by straight lines, which is enough for a likeness.
fn linear_between(plane: &Plane, at: PixelPoint) -> f64 {
    let (x, y) = (at.x as usize, at.y as usize);
    let (u, v) = (at.x - x as f64, at.y - y as f64);
    let start = y * plane.width + x;
    let line = |pair: &[u8]| f64::from(pair[0]) * (1.0 - u) + f64::from(pair[1]) * u;
    let below = start + plane.width;
    line(&plane.samples[start..start + 2]) * (1.0 - v) + line(&plane.samples[below..below + 2]) * v
}

fn cubic_weights(t: f64) -> [f64; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [-0.5 * t + t2 - 0.5 * t3, 1.0 - 2.5 * t2 + 1.5 * t3, 0.5 * t + 2.0 * t2 - 1.5 * t3, -0.5 * t2 + 0.5 * t3]
}

/// The strongest patch of each cell of a grid.
fn choose_patches(first: &Plane) -> Vec<Patch> {
    let cell = (first.width / COLUMNS).max(4 * REACH as usize);
    let (columns, rows) = (first.width / cell, first.height / cell);
    let mut patches = Vec::new();
    for row in 0..rows {
        for column in 0..columns {
            // The strongest by a few samples; whether it is strong enough is asked of all.
            let places = grid_places(first, column * cell, row * cell, cell);
            let best = places.max_by(|a, b| strength(first, *a, 4).total_cmp(&strength(first, *b, 4)));
            let strong = best.filter(|place| strength(first, *place, 2) > LEAST_SLOPE);
            patches.extend(strong.and_then(|(x, y)| Patch::of(first, x, y)));
        }
    }
    patches
}

/// Places in a cell at every eighth pixel, those too near to the picture's edge left out.
fn grid_places(plane: &Plane, left: usize, top: usize, cell: usize) -> impl Iterator<Item = (i64, i64)> {
    let margin = REACH as usize + 3;
    let (right, bottom) = (plane.width.saturating_sub(margin), plane.height.saturating_sub(margin));
    (top.max(margin)..(top + cell).min(bottom)).step_by(REACH as usize).flat_map(move |y| {
        (left.max(margin)..(left + cell).min(right)).step_by(REACH as usize).map(move |x| (x as i64, y as i64))
    })
}

/// Smaller eigenvalue of the mean products of the slopes at every `step`-th pixel: how well a patch holds against sliding in
/// its worst direction.
fn strength(plane: &Plane, (x, y): (i64, i64), step: usize) -> f64 {
    let (mut xx, mut xy, mut yy, mut n) = (0.0, 0.0, 0.0, 0.0);
    for dy in (-REACH..=REACH).step_by(step) {
        for dx in (-REACH..=REACH).step_by(step) {
            let gx = (sample(plane, x + dx + 1, y + dy) - sample(plane, x + dx - 1, y + dy)) / 2.0;
            let gy = (sample(plane, x + dx, y + dy + 1) - sample(plane, x + dx, y + dy - 1)) / 2.0;
            (xx, xy, yy, n) = (xx + gx * gx, xy + gx * gy, yy + gy * gy, n + 1.0);
        }
    }
    (xx + yy - ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt()) / 2.0 / n
}

impl Patch {
    fn of(plane: &Plane, x: i64, y: i64) -> Option<Self> {
        let mut samples = Vec::new();
        for dy in -REACH..=REACH {
            for dx in -REACH..=REACH {
                let (px, py) = (x + dx, y + dy);
                let gx = (sample(plane, px + 1, py) - sample(plane, px - 1, py)) / 2.0;
                let gy = (sample(plane, px, py + 1) - sample(plane, px, py - 1)) / 2.0;
                samples.push((sample(plane, px, py), gx, gy));
            }
        }
        let n = samples.len() as f64;
        let mean = samples.iter().map(|s| s.0).sum::<f64>() / n;
        let mut products = Matrix2::zeros();
        for s in &mut samples {
            s.0 -= mean;
            products += Vector2::new(s.1, s.2) * Vector2::new(s.1, s.2).transpose();
        }
        let contrast = samples.iter().map(|(value, ..)| value * value).sum();
        let (middle, inverse) = (PixelPoint::new(x as f64, y as f64), products.try_inverse()?);
        Some(Self { middle, samples, inverse, contrast })
    }

    /// Where the patch is in a frame, near where `motion` puts it. `None` when it runs away or out of the picture.
    /// The inverse of its covariance comes with it.
    fn find(&self, frame: &Plane, motion: &Motion, reach_px: f64) -> Option<(PixelPoint, Matrix2<f64>)> {
        const STEPS: usize = 12;
        let (linear, expected) = (motion.matrix(), motion.straight_at(self.middle));
        let mut offset = Vector2::zeros();
        for _ in 0..STEPS {
            let (seen, mean) = self.seen(frame, &expected.moved(offset))?;
            let (mut push, mut unlike) = (Vector2::zeros(), 0.0);
            for (value, (wanted, gx, gy)) in seen.iter().zip(&self.samples) {
                let error = value - mean - wanted;
                push += Vector2::new(gx * error, gy * error);
                unlike += error * error;
            }
            let step = linear * (self.inverse * push);
            offset -= step;
            if offset.norm() > reach_px {
                return None;
            }
            if step.norm() < 0.003 {
                // Lines of print look alike one by one; what surrounds them doesn't.
                if unlike > MOST_UNLIKE * self.contrast {
                    return None;
                }
                // Mean and place were fitted. Levels are rounded in both pictures: 1/12 each.
                let variance = (unlike / (self.samples.len() - 3) as f64).max(1.0 / 6.0);
                let covariance = self.inverse * variance + Matrix2::identity() * LEAST_PX.powi(2);
                return Some((expected.moved(offset).at, covariance.try_inverse()?));
            }
        }
        None
    }

    /// How little a frame looks like the patch where a motion puts it, by every `step`-th of its samples along both sides; `None`
    /// outside the picture.
    fn unlikeness(&self, frame: &Plane, motion: &Motion, step: usize) -> Option<f64> {
        const EDGE: usize = 2 * REACH as usize + 1;
        let place = motion.straight_at(self.middle);
        if !place.is_inside(frame, 0.0) {
            return None;
        }
        let places = (0..EDGE).step_by(step).flat_map(|row| (0..EDGE).step_by(step).map(move |column| (row, column)));
        let (mut count, mut sum, mut squares, mut wanted_squares) = (0.0, 0.0, 0.0, 0.0);
        for (row, column) in places {
            let at = place.at(column as f64 - REACH as f64, row as f64 - REACH as f64);
            let wanted = self.samples[row * EDGE + column].0;
            let off = linear_between(frame, at) - wanted;
            (count, sum, squares) = (count + 1.0, sum + off, squares + off * off);
            wanted_squares += wanted * wanted;
        }
        Some(((squares - sum * sum / count) / f64::max(wanted_squares, 1.0)).min(1.0))
    }

    /// What a frame shows in the patch's place, and the mean of it.
    fn seen(&self, frame: &Plane, place: &Straight) -> Option<(Vec<f64>, f64)> {
        if !place.is_inside(frame, 1.0) {
            return None;
        }
        let mut values = Vec::with_capacity(self.samples.len());
        for dy in -REACH..=REACH {
            values.extend((-REACH..=REACH).map(|dx| between(frame, place.at(dx as f64, dy as f64))));
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        Some((values, mean))
    }
}

/// The motion through the places of patches, those far off left out; `start` is a motion not far from it. How far each place was
/// heard comes with it.
///
/// First patches count by what they were worth before: the edges of a walker are sharper than any wallpaper and would outweigh
/// it. Then, near the motion of most of them, each counts by how well it is placed.
fn robust_motion(places: &[Match], start: Motion) -> Option<(Registered, Vec<f64>)> {
    if places.len() < FEWEST_SEEN {
        return None;
    }
    let alike = |place: &Match| Match { weight: Matrix2::identity() * (place.trust / ALIKE_PX.powi(2)), ..*place };
    let alike: Vec<Match> = places.iter().map(alike).collect();
    let (motion, _) = reweighted(&alike, least_median(places, start), WIDE_PX / ALIKE_PX)?;
    let (motion, weights) = reweighted(places, motion, 0.0)?;
    Some((registered(places, &weights, motion)?, weights))
}

/// Least squares with Tukey's biweight at 4.685 robust standard deviations, at first no narrower than `wide` of a patch's own, so
/// that one which alone holds a side of the picture isn't lost for a start that is off there.
fn reweighted(places: &[Match], from: Motion, mut wide: f64) -> Option<(Motion, Vec<f64>)> {
    let (mut motion, mut weights) = (from, vec![1.0; places.len()]);
    for round in 0..30 {
        let mut change = f64::MAX;
        if round > 0 {
            let next = weighted_motion(places, &weights, motion)?;
            change = (next.state() - motion.state()).norm();
            motion = next;
        }
        let distances: Vec<f64> = places.iter().map(|place| unlikely(&motion, place)).collect();
        // The median distance of a normal error on two axes is 1.177 σ; patches are never placed better than they say.
        let reach = (4.685 * (median(&distances) / 1.177).max(1.0)).max(wide);
        for (w, d) in weights.iter_mut().zip(&distances) {
            *w = if *d < reach { (1.0 - (d / reach).powi(2)).powi(2) } else { 0.0 };
        }
        if round > 2 && change < 1e-9 && wide < reach {
            break;
        }
        wide *= 0.5;
    }
    Some((motion, weights))
}

/// Of the motion to start from and the similarities through two of the places the one that leaves the least median distance:
/// walkers may hold up to half of them.
fn least_median(places: &[Match], start: Motion) -> Motion {
    let n = places.len();
    let pairs = (0..n).flat_map(|i| [n / 2, n / 3, n / 5 + 1, 1].map(|step| (i, (i + step) % n)));
    let apart = pairs.filter(|(i, j)| places[*i].first.distance(places[*j].first) > 4.0 * REACH as f64);
    let motions = apart.map(|(i, j)| similarity(&places[i], &places[j], start)).chain([start]);
    let judged = motions.map(|motion| {
        let distances: Vec<f64> = places.iter().map(|place| miss(&motion, place).norm()).collect();
        (median(&distances), motion)
    });
    judged.min_by(|a, b| a.0.total_cmp(&b.0)).map_or(start, |(_, motion)| motion)
}

/// The similarity that takes two places to two others; they mustn't be one.
fn similarity(one: &Match, other: &Match, about: Motion) -> Motion {
    let (dx, dy) = (other.first.x - one.first.x, other.first.y - one.first.y);
    let (du, dv) = (other.now.x - one.now.x, other.now.y - one.now.y);
    let size = dx * dx + dy * dy;
    let (a, b) = ((dx * du + dy * dv) / size, (dx * dv - dy * du) / size);
    let centre = about.centre;
    let (x, y) = (one.first.x - centre.x, one.first.y - centre.y);
    let shift_px = (one.now.x - centre.x - a * x + b * y, one.now.y - centre.y - b * x - a * y);
    Motion { shift_px, linear: (a, b), stretch: (0.0, 0.0), keystone: (0.0, 0.0), ..about }
}

fn registered(places: &[Match], weights: &[f64], motion: Motion) -> Option<Registered> {
    let used: Vec<Match> = places.iter().zip(weights).filter(|(_, w)| **w > 0.1).map(|(place, _)| *place).collect();
    if used.len() < 6 {
        return None;
    }
    let squares: f64 = used.iter().map(|place| unlikely(&motion, place).powi(2)).sum();
    let (normal, _) = normal_equations(&used, &vec![1.0; used.len()], &motion);
    // What patches say of themselves holds for noise alone; blur, shade and people's edges are seen in how they disagree.
    let excess = (squares / (2 * used.len() - 8) as f64).max(1.0);
    let squares_px: f64 = used.iter().map(|place| miss(&motion, place).norm_squared()).sum();
    Some(Registered {
        motion,
        covariance: normal.try_inverse()? * excess,
        patches: used.len(),
        residual_rms_px: (squares_px / used.len() as f64).sqrt(),
    })
}

/// Standard deviations of stretch and keystone before they are looked at: what a hand that turns a phone by some degrees within
/// the readout, and by some degrees in all, brings (common practice, no source). With some dozens of patches they have no
/// say, with a handful they keep these from inventing either.
const STRETCH_PRIOR: f64 = 0.02;
const KEYSTONE_PRIOR: f64 = 0.04;

fn normal_equations(places: &[Match], weights: &[f64], motion: &Motion) -> (SMatrix<f64, 8, 8>, State) {
    let (mut normal, mut right) = (SMatrix::<f64, 8, 8>::zeros(), State::zeros());
    for (place, w) in places.iter().zip(weights) {
        let ((of_x, of_y), miss, of) = (motion.slopes(place.first), miss(motion, place), place.weight * *w);
        let cross = of_x * of_y.transpose();
        normal +=
            of_x * of_x.transpose() * of.m11 + of_y * of_y.transpose() * of.m22 + (cross + cross.transpose()) * of.m12;
        let push = of * miss;
        right += of_x * push.x + of_y * push.y;
    }
    let state = motion.state();
    for (k, prior) in [(4, STRETCH_PRIOR), (5, STRETCH_PRIOR), (6, KEYSTONE_PRIOR), (7, KEYSTONE_PRIOR)] {
        normal[(k, k)] += prior.powi(-2);
        right[k] -= state[k] / (prior * prior);
    }
    (normal, right)
}

/// A step of Gauss and Newton from a motion nearby; the keystone alone isn't linear, and hardly bends.
fn weighted_motion(places: &[Match], weights: &[f64], from: Motion) -> Option<Motion> {
    let (normal, right) = normal_equations(places, weights, &from);
    let step = normal.cholesky()?.solve(&right);
    Some(from.with_state(&(from.state() + step)))
}

/// Seen minus expected place, px.
fn miss(motion: &Motion, place: &Match) -> Vector2<f64> {
    let expected = motion.to_frame(place.first);
    Vector2::new(place.now.x - expected.x, place.now.y - expected.y)
}

/// How far off a patch is, in its own standard deviations.
fn unlikely(motion: &Motion, place: &Match) -> f64 {
    let miss = miss(motion, place);
    miss.dot(&(place.weight * miss)).sqrt()
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// A picture of an eighth of the size, by means.
#[derive(Debug, Clone)]
struct Coarse {
    values: DMatrix<f64>,
}

impl Coarse {
    fn of(plane: &Plane) -> Self {
        let (columns, rows) = (plane.width / COARSE, plane.height / COARSE);
        let mean = |row: usize, column: usize| {
            let mut sum = 0.0;
            for y in row * COARSE..(row + 1) * COARSE {
                let start = y * plane.width + column * COARSE;
                sum += plane.samples[start..start + COARSE].iter().map(|s| f64::from(*s)).sum::<f64>();
            }
            sum / (COARSE * COARSE) as f64
        };
        Self { values: DMatrix::from_fn(rows, columns, mean) }
    }

    /// Mean absolute difference where both overlap when `other` is shifted by (dx, dy) against this one, means taken out.
    fn difference(&self, other: &Self, (dx, dy): (i64, i64)) -> f64 {
        let (rows, columns) = (self.values.nrows() as i64, self.values.ncols() as i64);
        let mut pairs = Vec::new();
        for y in 0.max(-dy)..rows.min(rows - dy) {
            for x in 0.max(-dx)..columns.min(columns - dx) {
                pairs
                    .push(other.values[((y + dy) as usize, (x + dx) as usize)] - self.values[(y as usize, x as usize)]);
            }
        }
        // Less than a third of overlap says too little.
        if (pairs.len() as i64) * 3 < rows * columns {
            return f64::MAX;
        }
        let differences = DVector::from_vec(pairs);
        let mean = differences.mean();
        differences.iter().map(|d| (d - mean).abs()).sum::<f64>() / differences.len() as f64
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};

    use super::*;

    const SIZE: (usize, usize) = (480, 320);

    /// A wall with soft spots, defined everywhere, so that a moved picture is rendered and not resampled.
    struct Wall {
        spots: Vec<(f64, f64, f64, f64)>,
    }

    impl Wall {
        fn new() -> Self {
            let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
            let spots = (0..900)
                .map(|_| {
                    let (x, y) = (rng.random_range(-400.0..900.0), rng.random_range(-200.0..500.0));
                    (x, y, rng.random_range(1.5..5.0), rng.random_range(-70.0..70.0))
                })
                .collect();
            Self { spots }
        }

        fn picture(&self, motion: &Motion, seed: u64) -> Plane {
            let (w, h) = SIZE;
            let mut values = vec![120.0; w * h];
            let firsts: Vec<PixelPoint> =
                (0..w * h).map(|i| motion.to_first(PixelPoint::new((i % w) as f64, (i / w) as f64))).collect();
            for (x, y, size, height) in &self.spots {
                let middle = motion.to_frame(PixelPoint::new(*x, *y));
                let reach = 5.0 * size;
                let range = |c: f64, n: usize| {
                    ((c - reach).ceil().max(0.0) as usize, (c + reach).floor().clamp(-1.0, n as f64 - 1.0))
                };
                let ((x0, x1), (y0, y1)) = (range(middle.x, w), range(middle.y, h));
                for py in y0..(y1 + 1.0) as usize {
                    for px in x0..(x1 + 1.0) as usize {
                        let at = firsts[py * w + px];
                        let d2 = (at.x - x).powi(2) + (at.y - y).powi(2);
                        values[py * w + px] += height * (-d2 / (2.0 * size * size)).exp();
                    }
                }
            }
            let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
            let noise = Normal::new(0.0, 2.0).unwrap();
            let samples = values.iter().map(|v| (v + noise.sample(&mut rng)).round().clamp(0.0, 255.0) as u8).collect();
            Plane { width: w, height: h, samples }
        }
    }

    fn rest() -> Motion {
        Motion::rest(SIZE.0, SIZE.1)
    }

    fn shaken(dx: f64, dy: f64, turn: f64, scale: f64) -> Motion {
        Motion { shift_px: (dx, dy), linear: (scale * turn.cos(), scale * turn.sin()), ..rest() }
    }

    /// Greatest error over the corners of the picture's middle three quarters, px: what lies farther out is beyond the patches.
    fn worst(found: &Motion, truth: &Motion) -> f64 {
        let (left, top) = (SIZE.0 as f64 / 8.0, SIZE.1 as f64 / 8.0);
        [(left, top), (7.0 * left, top), (left, 7.0 * top), (7.0 * left, 7.0 * top)]
            .iter()
            .map(|c| found.to_first(truth.to_frame(PixelPoint::new(c.0, c.1))).distance(PixelPoint::new(c.0, c.1)))
            .fold(0.0, f64::max)
    }

    /// A walker: a bright block with stripes that covers part of the picture and moves by itself.
    fn with_walker(mut plane: Plane, left: usize) -> Plane {
        for y in 60..300 {
            for x in left..left + 70 {
                plane.samples[y * SIZE.0 + x] = if ((x - left + y) / 9).is_multiple_of(2) { 230 } else { 40 };
            }
        }
        plane
    }

    #[test]
    fn shake_is_found_to_hundredths_of_a_pixel() {
        let wall = Wall::new();
        let mut steady = Steady::new(&with_walker(wall.picture(&rest(), 1), 40)).unwrap();
        let (mut squares, mut expected) = (0.0, 0.0);
        let frames = 40;
        for k in 0..frames {
            let t = f64::from(k);
            let truth = Motion {
                // Half a degree of turn to either side: at the corners, some pixels.
                keystone: (0.009 * (0.3 * t).sin(), 0.006 * (0.35 * t).sin()),
                ..shaken(
                    6.0 * (0.4 * t).sin(),
                    4.0 * (0.3 * t).cos() - 4.0,
                    0.01 * (0.2 * t).sin(),
                    1.0 + 0.004 * (0.25 * t).sin(),
                )
            };
            let frame = with_walker(wall.picture(&truth, 100 + k as u64), 40 + 5 * k as usize);
            let found = steady.register(&frame).unwrap();
            let at = PixelPoint::new(100.0, 80.0);
            let none = Covariance2 { xx: 0.0, xy: 0.0, yy: 0.0 };
            let (first, covariance) = found.to_first(truth.to_frame(at), none);
            squares += first.distance(at).powi(2);
            expected += covariance.xx + covariance.yy;
            // A small picture of which a walker hides a fifth; where the flight would be, a third of this is asked below.
            assert!(worst(&found.motion, &truth) < 0.15, "frame {k}: {}", worst(&found.motion, &truth));
        }
        let (rms, stated) = ((squares / f64::from(frames)).sqrt(), (expected / f64::from(frames)).sqrt());
        println!("shake: {rms:.3} px RMS off, {stated:.3} px stated");
        // Frames share the first picture's noise, so forty of them don't average it: a factor of two either way.
        assert!(rms < 0.05 && rms < 2.0 * stated && rms > 0.4 * stated, "{rms} {stated}");
    }

    #[test]
    fn a_jerk_is_caught_up_with() {
        let wall = Wall::new();
        let mut steady = Steady::new(&wall.picture(&rest(), 1)).unwrap();
        let truth = shaken(41.0, -27.0, 0.01, 1.0);
        let found = steady.register(&wall.picture(&truth, 2)).unwrap();
        assert!(worst(&found.motion, &truth) < 0.15, "{found:?}");
    }

    #[test]
    fn a_pan_that_loses_the_first_view_is_refused() {
        let wall = Wall::new();
        let mut steady = Steady::new(&wall.picture(&rest(), 1)).unwrap();
        let lost = (1..=50).find_map(|k| {
            let truth = shaken(-9.0 * f64::from(k), 0.0, 0.0, 1.0);
            steady.register(&wall.picture(&truth, k as u64)).err()
        });
        assert!(matches!(lost, Some(SteadyError::PannedAway { .. })), "{lost:?}");
    }

    #[test]
    fn a_motion_is_straight_over_a_patch() {
        let motion = Motion { keystone: (0.02, -0.015), stretch: (0.002, -0.001), ..shaken(6.0, -4.0, 0.01, 1.004) };
        for (x, y) in [(20.0, 20.0), (240.0, 160.0), (460.0, 300.0)] {
            let near = motion.straight_at(PixelPoint::new(x, y));
            for (dx, dy) in [(-8.0, -8.0), (8.0, -8.0), (0.0, 8.0)] {
                // The keystone's second order: 0.025 · 11² / 288 half diagonals.
                let off = near.at(dx, dy).distance(motion.to_frame(PixelPoint::new(x + dx, y + dy)));
                assert!(off < 0.02, "{x},{y} {dx},{dy}: {off} px");
            }
        }
    }

    /// A picture whose left part is that of another one.
    fn with_left_of(picture: &Plane, other: &Plane, columns: usize) -> Plane {
        let mut both = picture.clone();
        let rows = both.samples.chunks_exact_mut(SIZE.0).zip(other.samples.chunks_exact(SIZE.0));
        rows.for_each(|(row, other)| row[..columns].copy_from_slice(&other[..columns]));
        both
    }

    #[test]
    fn a_leg_before_the_lens_is_no_moving_camera() {
        let wall = Wall::new();
        let steady = Steady::new(&wall.picture(&rest(), 1)).unwrap();
        let (still, motion) = (wall.picture(&rest(), 2), shaken(3.0, 2.0, 0.0, 1.0));
        let moved = wall.picture(&motion, 3);
        assert!(steady.is_borne_out(&moved, &motion));
        assert!(!steady.is_borne_out(&with_left_of(&still, &moved, SIZE.0 * 2 / 5), &motion));
        // Another place of the wall, as if the camera had been swung, or somebody had stood before three fifths of the first one.
        let elsewhere = wall.picture(&shaken(70.0, 45.0, 0.0, 1.0), 4);
        assert!(!steady.rests_in_part(&elsewhere));
        assert!(steady.rests_in_part(&with_left_of(&still, &elsewhere, SIZE.0 * 3 / 5)));
    }

    #[test]
    fn a_plain_wall_is_refused() {
        let plain = Plane { width: 480, height: 320, samples: vec![128; 480 * 320] };
        assert_eq!(Steady::new(&plain).unwrap_err(), SteadyError::TooPlain { patches: 0, needed: FEWEST });
    }
}
