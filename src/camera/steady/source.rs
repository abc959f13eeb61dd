//! A clip whose camera moved, seen as if it had stood still.

use std::collections::BTreeMap;

use super::warp::Warp;
use super::{Registered, Steady, SteadyError};
use crate::clip::{ClipError, ClipInfo, ClipReport, Frame, FrameSource, Picture, Plane};
use crate::units::{Covariance2, PixelPoint};

/// One frame in so many is looked at while the camera stands still.
const LOOK_EVERY: usize = 6;
/// After so many lost frames in a row only one in [`LOOK_EVERY`] is searched: each search that finds nothing takes its time.
const LOST_FOR_GOOD: usize = 12;
/// For so many frames in a row a background that isn't found is taken to stay where it was, give or take so many pixels a frame.
const HELD_FRAMES: usize = 150;
const HELD_PX: f64 = 0.1;
/// A picture that nowhere moves by more than this stands still, px: a bend of the path by a tenth of a pixel is harmless.
const STILL_PX: f64 = 0.3;
/// And the motion must be clear against its own uncertainty.
const CLEAR: f64 = 5.0;
/// A hand moves the phone to and fro besides turning it, and the flight, nearer than the background, then moves by more: share
/// of the motion that is taken for uncertain on that account (common practice, no source).
const PARALLAX_SHARE: f64 = 0.03;

/// Passes frames on as they come while the camera stands still, and from its first motion on as the first frame's place would
/// show them.
///
/// The first look is cheap: some patches in one frame of six. Where the background is too plain to be followed nothing is
/// changed: on it a motion doesn't show either.
pub struct SteadySource<'a> {
    inner: &'a mut dyn FrameSource,
    follower: Option<Follower>,
    wander: Wander,
}

struct Follower {
    steady: Steady,
    warp: Warp,
    first: Picture,
    /// A frame that was put back already, in whose memory the next one is: each picture that came in goes out once.
    spare: Option<Picture>,
    /// Frames lost in a row.
    lost: usize,
}

impl<'a> SteadySource<'a> {
    pub fn new(inner: &'a mut dyn FrameSource) -> Self {
        Self { inner, follower: None, wander: Wander::default() }
    }

    /// How the camera moved, as far as frames were read.
    pub fn into_wander(self) -> Wander {
        self.wander
    }

    fn pass(&mut self, frame: Frame) -> Frame {
        if frame.index == 0 {
            let follow =
                |steady| Follower { steady, warp: Warp::new(), first: frame.picture.clone(), spare: None, lost: 0 };
            self.follower = Steady::new(&frame.picture.luma).ok().map(follow);
            return frame;
        }
        let Some(follower) = &mut self.follower else { return frame };
        if self.wander.from_frame.is_none() {
            if !frame.index.is_multiple_of(LOOK_EVERY) || !follower.sees_motion(&frame.picture) {
                return frame;
            }
            self.wander.from_frame = Some(frame.index);
        }
        let picture = follower.put_back(&frame, &mut self.wander);
        let Frame { index, stamp_s, picture: used } = frame;
        follower.spare = Some(used);
        Frame { index, stamp_s, picture }
    }
}

impl Follower {
    fn sees_motion(&mut self, picture: &Picture) -> bool {
        let luma = &picture.luma;
        let worth_following = match self.steady.look(luma) {
            // A look at some patches may be fooled by what passes before them; all together are not.
            Some(seen) => moved(&seen, luma),
            // Somebody stands before the lens, or it was swung far in the time between two looks.
            None => !self.steady.is_as_at_first(luma) && !self.steady.rests_in_part(luma),
        };
        let moves = worth_following
            && match self.steady.register(luma) {
                Ok(seen) => moved(&seen, luma) && self.steady.is_borne_out(luma, &seen.motion),
                Err(_) => !self.steady.rests_in_part(luma),
            };
        if worth_following && !moves {
            self.steady.begin_anew();
        }
        moves
    }

    /// The frame at the first one's place; where it doesn't reach, and where its background is lost, the first one itself.
    fn put_back(&mut self, frame: &Frame, wander: &mut Wander) -> Picture {
        let mut canvas = self.blank();
        let looks = self.lost < LOST_FOR_GOOD || frame.index.is_multiple_of(LOOK_EVERY);
        let found = if looks { Some(self.steady.register(&frame.picture.luma)) } else { None };
        let registered = match found {
            Some(Ok(registered)) => {
                self.lost = 0;
                Some(registered)
            }
            lost => {
                self.lost += 1;
                wander.lost_frames += 1;
                wander.lost = lost.and_then(Result::err).or_else(|| wander.lost.take());
                // Before a plain wall a camera that drifts is where it was a moment ago, as nearly as can be told.
                wander.held(HELD_PX).filter(|_| self.lost <= HELD_FRAMES)
            }
        };
        if let Some(registered) = registered {
            self.warp.onto(&mut canvas, &frame.picture, &registered.motion);
            wander.add(frame.index, registered, &frame.picture.luma);
        }
        canvas
    }
}

impl Follower {
    /// The first frame's picture, in memory that is free.
    fn blank(&mut self) -> Picture {
        let Some(mut canvas) = self.spare.take() else { return self.first.clone() };
        for (plane, first) in
            [(&mut canvas.luma, &self.first.luma), (&mut canvas.cb, &self.first.cb), (&mut canvas.cr, &self.first.cr)]
        {
            plane.clone_from(first);
        }
        (canvas.matrix, canvas.transfer) = (self.first.matrix, self.first.transfer);
        canvas
    }
}

/// Whether a motion is more than what harms nobody, and more than its own uncertainty.
fn moved(seen: &Registered, luma: &Plane) -> bool {
    let (largest, uncertainty) = corners(luma)
        .map(|corner| (seen.motion.to_frame(corner).distance(corner), seen.covariance_at(corner).trace().sqrt()))
        .fold((0.0f64, 0.0f64), |most, one| (most.0.max(one.0), most.1.max(one.1)));
    largest > STILL_PX && largest > CLEAR * uncertainty
}

fn corners(luma: &Plane) -> impl Iterator<Item = PixelPoint> {
    let (right, bottom) = (luma.width as f64 - 1.0, luma.height as f64 - 1.0);
    [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)].into_iter().map(|(x, y)| PixelPoint::new(x, y))
}

/// How the camera moved over a clip.
#[derive(Debug, Clone, Default)]
pub struct Wander {
    /// Of the frames that were put back, by their number.
    motions: BTreeMap<usize, Registered>,
    /// First frame that was put back; `None` when the camera stood still, or nothing shows whether it did.
    pub from_frame: Option<usize>,
    /// Frames whose background couldn't be found.
    pub lost_frames: usize,
    /// Why the last of them was lost.
    pub lost: Option<SteadyError>,
    /// Farthest that a corner of the picture was from its first place, px.
    pub largest_px: f64,
}

impl Wander {
    /// The last motion, less well known by one frame; `None` where there is none, or the camera was on its way.
    fn held(&self, px: f64) -> Option<Registered> {
        /// Way between the last two frames from which a camera doesn't drift but swings, px.
        const SWINGS_PX: f64 = 3.0;
        let mut latest = self.motions.values().rev();
        let (mut last, before) = (*latest.next()?, latest.next()?);
        let (a, b) = (last.motion.shift_px, before.motion.shift_px);
        last.covariance[(0, 0)] += px * px;
        last.covariance[(1, 1)] += px * px;
        ((a.0 - b.0).hypot(a.1 - b.1) < SWINGS_PX).then_some(last)
    }

    fn add(&mut self, frame: usize, registered: Registered, luma: &Plane) {
        let away = |corner: PixelPoint| registered.motion.to_frame(corner).distance(corner);
        self.largest_px = corners(luma).map(away).fold(self.largest_px, f64::max);
        self.motions.insert(frame, registered);
    }

    /// Whether a frame of a picture of that size shows a place of the first frame. What a moved frame doesn't show was filled in from the
    /// first one, and says nothing of what was there.
    pub fn shows(&self, frame: usize, at: PixelPoint, (width, height): (usize, usize)) -> bool {
        if self.from_frame.is_none_or(|from_frame| frame < from_frame) {
            return true;
        }
        self.motions.get(&frame).is_some_and(|registered| {
            let now = registered.motion.to_frame(at);
            (0.0..=width as f64 - 1.0).contains(&now.x) && (0.0..=height as f64 - 1.0).contains(&now.y)
        })
    }

    /// Adds to the covariances of a flight's sightings what the registered motion leaves open: its own uncertainty, and that
    /// a background farther away moves by less than the flight. Frame, place and covariance of each.
    pub fn widen(&self, sightings: &mut [(usize, PixelPoint, &mut Covariance2)]) {
        let Some(from_frame) = self.from_frame else { return };
        let shift = |frame: usize, at: PixelPoint| {
            let now = self.motions.get(&frame)?.motion.to_frame(at);
            Some((now.x - at.x, now.y - at.y))
        };
        let shifts: Vec<(f64, f64)> = sightings.iter().filter_map(|(frame, at, _)| shift(*frame, *at)).collect();
        let mean = |of: fn(&(f64, f64)) -> f64| shifts.iter().map(of).sum::<f64>() / shifts.len().max(1) as f64;
        let (mean_x, mean_y) = (mean(|s| s.0), mean(|s| s.1));
        for (frame, at, covariance) in sightings {
            let more = match (self.motions.get(frame), shift(*frame, *at)) {
                (Some(registered), Some((x, y))) => {
                    let own = registered.covariance_at(*at);
                    let (x, y) = (PARALLAX_SHARE * (x - mean_x), PARALLAX_SHARE * (y - mean_y));
                    Covariance2 { xx: own.m11 + x * x, xy: own.m12 + x * y, yy: own.m22 + y * y }
                }
                // Passed on as it came, before the motion was noticed.
                _ if *frame < from_frame => Covariance2::isotropic(STILL_PX),
                _ => continue,
            };
            let c = &mut **covariance;
            **covariance = Covariance2 { xx: c.xx + more.xx, xy: c.xy + more.xy, yy: c.yy + more.yy };
        }
    }
}

impl FrameSource for SteadySource<'_> {
    fn info(&self) -> &ClipInfo {
        self.inner.info()
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
        let Some(frame) = self.inner.next_frame()? else { return Ok(None) };
        Ok(Some(self.pass(frame)))
    }

    fn report(&self) -> ClipReport {
        self.inner.report()
    }

    fn frames_stated(&self) -> Option<usize> {
        self.inner.frames_stated()
    }

    fn recycle(&mut self, picture: Picture) {
        self.inner.recycle(picture);
    }
}

#[cfg(test)]
mod tests {
    use super::super::Motion;
    use super::*;
    use crate::scene::{Scene, presets, source};

    /// What was found over the first frames of a scene, and how many of them were passed on as they came.
    fn followed(scene: &Scene, frames: usize) -> (Wander, usize) {
        let mut scene = scene.clone();
        scene.timing.frames = frames;
        let mut inner = source(&scene);
        let mut steady = SteadySource::new(&mut inner);
        let (mut untouched, mut raw) = (0, source(&scene));
        while let Some(frame) = steady.next_frame().unwrap() {
            untouched += usize::from(raw.next_frame().unwrap().unwrap().picture == frame.picture);
        }
        (steady.into_wander(), untouched)
    }

    #[test]
    fn a_camera_on_a_stand_is_left_alone() {
        for preset in [presets::clean_60fps, presets::clutter_walker, presets::low_light_noise, presets::barrel] {
            let (wander, untouched) = followed(&preset(3), 40);
            assert_eq!((wander.from_frame, untouched), (None, 40));
        }
    }

    /// Counts the pictures that come back.
    struct Counting<'a> {
        inner: &'a mut dyn FrameSource,
        back: usize,
    }

    impl FrameSource for Counting<'_> {
        fn info(&self) -> &ClipInfo {
            self.inner.info()
        }

        fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
            self.inner.next_frame()
        }

        fn report(&self) -> ClipReport {
            self.inner.report()
        }

        fn recycle(&mut self, _picture: Picture) {
            self.back += 1;
        }
    }

    #[test]
    fn what_a_moved_frame_does_not_show_is_known() {
        let mut wander = Wander { from_frame: Some(4), ..Wander::default() };
        let motion = Motion { shift_px: (-100.0, 0.0), ..Motion::rest(640, 360) };
        let covariance = nalgebra::SMatrix::zeros();
        let registered = Registered { motion, covariance, patches: 9, residual_rms_px: 0.0 };
        wander.motions.insert(5, registered);
        let shows = |frame, x| wander.shows(frame, PixelPoint::new(x, 180.0), (640, 360));
        // Everything has gone 100 px to the left: the left 100 px of the first picture are out of view.
        assert!(shows(5, 101.0) && !shows(5, 99.0));
        // Before the motion all is in view, and a frame that was lost shows nothing.
        assert!(shows(3, 99.0) && !shows(6, 300.0));
    }

    /// Were more pictures given back than came in, those waiting for use would fill the memory as the clip goes on.
    #[test]
    fn no_picture_is_given_back_twice() {
        let mut scene = presets::shake(3);
        scene.timing.frames = 30;
        let mut inner = source(&scene);
        let mut counting = Counting { inner: &mut inner, back: 0 };
        let mut steady = SteadySource::new(&mut counting);
        let mut frames = 0;
        while let Some(frame) = steady.next_frame().unwrap() {
            frames += 1;
            steady.recycle(frame.picture);
        }
        assert!(steady.into_wander().from_frame.is_some());
        assert_eq!((frames, counting.back), (30, 30));
    }

    #[test]
    fn a_hand_is_noticed_and_followed() {
        // In the second the picture runs by a line of the posters' print between two frames.
        [3, 11].into_iter().for_each(hand);
    }

    fn hand(seed: u64) {
        let scene = presets::shake(seed);
        let (wander, untouched) = followed(&scene, 75);
        assert_eq!(wander.lost_frames, 0);
        assert!(wander.from_frame.unwrap() <= 2 * LOOK_EVERY && untouched <= 2 * LOOK_EVERY, "{wander:?}");
        let start = |frame: usize| frame as f64 / scene.timing.capture_hz;
        let (mut squares, mut expected, mut n) = (0.0, 0.0, 0.0);
        for (frame, registered) in &wander.motions {
            for at in [[0.3, 0.4, 0.0], [1.2, 1.4, 0.0], [2.0, 0.8, 0.0]] {
                let seen = |frame| scene.view_at(start(frame)).project(&at.into()).unwrap();
                let miss = registered.motion.to_first(seen(*frame)).distance(seen(0));
                squares += miss * miss;
                expected += registered.covariance_at(seen(0)).trace();
                n += 1.0;
            }
        }
        let (rms, stated): (f64, f64) = ((squares / n).sqrt(), (expected / n).sqrt());
        println!("held in the hand: {rms:.3} px RMS off, {stated:.3} px stated, {:.1} px moved", wander.largest_px);
        // A tenth of a pixel bends a flight harmlessly, this is a third. All frames share the first one's noise: a factor of three.
        assert!(rms < 0.03 && rms < 3.0 * stated, "{rms} {stated}");
    }
}
