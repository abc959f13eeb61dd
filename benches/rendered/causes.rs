//! Careful clips made wrong in one way each: does the verdict say in which?

use std::path::Path;

use lobline::clip::{ClipError, ClipInfo, ClipReport, Frame, FrameSource};
use lobline::scene::{Launcher, Scene, SceneSource, Shake, truth};
use lobline::verdict::MOST_JOINTLY;

use super::{Clip, Draw};

/// What is wrong with a clip, or with what was stated of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wrong {
    Time,
    Length,
    Yaw,
    Pitch,
    RollingShutter,
    UprightShutter,
    Drag,
    Lens,
    DroppedFrame,
    DoubledFrame,
    TimeJitter,
    Roll,
    MovingCamera,
    Touched,
}

const ALL: [Wrong; 14] = [
    Wrong::Time,
    Wrong::Length,
    Wrong::Yaw,
    Wrong::Pitch,
    Wrong::RollingShutter,
    Wrong::UprightShutter,
    Wrong::Drag,
    Wrong::Lens,
    Wrong::DroppedFrame,
    Wrong::DoubledFrame,
    Wrong::TimeJitter,
    Wrong::Roll,
    Wrong::MovingCamera,
    Wrong::Touched,
];

/// What is done to the frames on their way.
#[derive(Debug, Clone, Copy, Default)]
pub struct Doctored {
    dropped: Option<usize>,
    doubled: Option<usize>,
    /// Stamps as of an even beat of that many frames per second.
    even_hz: Option<f64>,
}

impl Doctored {
    pub fn put_before(self, inner: SceneSource) -> DoctoredSource {
        DoctoredSource { inner, how: self, given: 0, taken: 0, held: None }
    }
}

/// A source of frames of which one is missing, or shown twice, without a trace in the stamps.
pub struct DoctoredSource {
    inner: SceneSource,
    how: Doctored,
    given: usize,
    taken: usize,
    held: Option<Frame>,
}

impl FrameSource for DoctoredSource {
    fn info(&self) -> &ClipInfo {
        self.inner.info()
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
        let mut frame = match self.held.take() {
            Some(frame) => frame,
            None => loop {
                let Some(frame) = self.inner.next_frame()? else { return Ok(None) };
                self.taken += 1;
                if self.how.dropped != Some(self.taken - 1) {
                    break frame;
                }
            },
        };
        if self.how.doubled == Some(self.given) {
            self.held = Some(frame.clone());
        }
        frame.index = self.given;
        if let Some(rate) = self.how.even_hz {
            frame.stamp_s = Some(self.given as f64 / rate);
        }
        self.given += 1;
        Ok(Some(frame))
    }

    fn report(&self) -> ClipReport {
        ClipReport { frames: self.given, ..self.inner.report() }
    }
}

fn either_way(draw: &mut Draw, low: f64, high: f64) -> f64 {
    let size = draw.between(low, high);
    if draw.between(0.0, 1.0) < 0.5 { size } else { -size }
}

fn one_of<T: Copy>(draw: &mut Draw, from: &[T]) -> T {
    from[(draw.between(0.0, from.len() as f64) as usize).min(from.len() - 1)]
}

impl Wrong {
    /// As causes are called in a measurement.
    fn kind(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Length => "length",
            Self::Yaw => "yaw",
            Self::Pitch => "pitch",
            Self::RollingShutter | Self::UprightShutter => "rolling_shutter",
            Self::Drag => "drag",
            Self::Lens => "lens",
            Self::DroppedFrame | Self::DoubledFrame => "frame_count",
            Self::TimeJitter => "time_jitter",
            Self::Roll => "roll",
            Self::MovingCamera => "moving_camera",
            Self::Touched => "touched_frames",
        }
    }

    /// Changes the scene, at sizes that move g by 1 to 5 % and more.
    pub fn spoil(self, scene: &mut Scene, draw: &mut Draw) -> Doctored {
        let rate = 60.0;
        scene.timing.frames = (scene.timing.frames as f64 * rate / scene.timing.capture_hz).ceil() as usize;
        scene.timing.capture_hz = rate;
        scene.shutter.exposure_s = scene.shutter.exposure_s.min(0.004);
        scene.shutter.readout_s = scene.shutter.readout_s.clamp(-0.012, 0.012);
        scene.movers.clear();
        // A ball that air hardly slows, unless that is the question.
        let ball = &mut scene.launches[0].ball;
        let volume = 4.0 / 3.0 * std::f64::consts::PI * ball.radius_m.powi(3);
        ball.mass_kg = volume * if self == Self::Drag { one_of(draw, &[40.0, 80.0, 150.0]) } else { 1000.0 };
        let (aim, square) = ([scene.camera.position_m[0], scene.camera.position_m[1], 0.0], scene.camera.clone());
        match self {
            Self::Time => scene.timing.slow_factor = one_of(draw, &[8.0, 4.0, 2.0, 0.8, 1.03, 0.97]),
            Self::Yaw => scene.camera = square.orbit(aim, either_way(draw, 8.0, 15.0), 0.0),
            Self::Pitch => scene.camera = square.orbit(aim, 0.0, either_way(draw, 6.0, 12.0)),
            Self::RollingShutter => scene.shutter.readout_s = either_way(draw, 0.008, 0.016),
            Self::UprightShutter => {
                scene.shutter.lines = lobline::scene::Lines::Columns;
                scene.shutter.readout_s = either_way(draw, 0.008, 0.016);
            }
            Self::Lens => scene.camera.k1 = either_way(draw, 0.08, 0.25),
            Self::TimeJitter => scene.timing.capture_jitter_s = draw.between(1e-3, 3e-3),
            Self::Roll => scene.camera.roll_deg = either_way(draw, 3.0, 10.0),
            // A bare wall, so that nothing tells the camera's way but the scale and the floor.
            Self::MovingCamera => scene.shake = Shake { shift_m: draw.between(0.003, 0.01), ..Shake::default() },
            // An arm's length of gentle push in full view, released on the way of a frame.
            Self::Touched => scene.launches[0].launcher = Launcher::Rail { stroke_m: draw.between(0.5, 0.8) },
            _ => {}
        }
        let even_hz = Some(rate / scene.timing.slow_factor);
        let flying: Vec<usize> = truth(scene).in_flight(0, 0.9).map(|(frame, _)| frame.frame).collect();
        let inner = flying.get(3..flying.len().saturating_sub(3)).unwrap_or_default();
        let at = inner.get((draw.between(0.0, 1.0) * inner.len() as f64) as usize).copied();
        match self {
            Self::DroppedFrame => Doctored { dropped: at, even_hz, ..Doctored::default() },
            Self::DoubledFrame => Doctored { doubled: at, even_hz, ..Doctored::default() },
            Self::TimeJitter => Doctored { even_hz, ..Doctored::default() },
            _ => Doctored::default(),
        }
    }

    /// Changes what is stated.
    pub fn misstate(self, rig: &mut String, draw: &mut Draw) {
        let replaced = |rig: &str, key: &str, line: &str| -> String {
            let lines = rig.lines().map(|old| if old.starts_with(key) { line } else { old });
            lines.collect::<Vec<_>>().join("\n") + "\n"
        };
        match self {
            Self::Length => {
                let at = rig.find(" = 1.0000 m").map(|at| (at, 1.0)).or(rig.find(" = 0.3000 m").map(|at| (at, 0.3)));
                let (at, length) = at.expect("a marked length");
                let factor = one_of(draw, &[1.03, 0.97, 1.06, 0.93, 2.54, 1.0 / 0.3, 0.1]);
                rig.replace_range(at..at + " = 1.0000 m".len(), &format!(" = {:.4} m", length * factor));
            }
            Self::RollingShutter | Self::UprightShutter => {
                *rig = replaced(rig, "readout = ", "readout = '0 ms u 1 ms'");
                let direction = if self == Self::UprightShutter { "right" } else { "down" };
                *rig = replaced(rig, "readout_direction", &format!("readout_direction = '{direction}'"));
            }
            Self::Drag => *rig = replaced(rig, "mass = ", ""),
            _ => {}
        }
    }
}

/// How the verdicts on one kind came out.
#[derive(Debug, Clone, Copy, Default)]
struct Counts {
    clips: usize,
    not_measured: usize,
    /// Gravity came out right: what was wrong was found along, or did no harm.
    harmless: usize,
    first: usize,
    /// First, or named in the first reason together with others that the data can't tell from it.
    joint: usize,
    /// Second at least, a joint first reason counted as one.
    among_two: usize,
}

impl Counts {
    fn add(&mut self, other: Self) {
        self.clips += other.clips;
        self.not_measured += other.not_measured;
        self.harmless += other.harmless;
        self.first += other.first;
        self.among_two += other.among_two;
        self.joint += other.joint;
    }

    fn print(&self, name: &str) {
        let judged = self.clips - self.not_measured - self.harmless;
        println!(
            "{name:<16} {:>6} {:>12} {:>9} {:>7} {:>6} {:>9} {:>10}",
            self.clips, self.not_measured, self.harmless, judged, self.first, self.joint, self.among_two
        );
    }
}

/// Clips `from` to `from + clips` of each way.
pub fn run(from: usize, clips: usize, table: bool, only: Option<&str>, kept: Option<&Path>) {
    println!(
        "{:<16} {:>6} {:>12} {:>9} {:>7} {:>6} {:>9} {:>10}",
        "made wrong", "clips", "not measured", "harmless", "judged", "first", "or joint", "among two"
    );
    let mut all = Counts::default();
    for (place, wrong) in ALL.into_iter().enumerate().filter(|(_, wrong)| only.is_none_or(|o| wrong.kind() == o)) {
        let mut counts = Counts::default();
        for clip in from..from + clips {
            let clip = Clip::draw(9000 + 100 * place as u64 + clip as u64, true, Some(wrong));
            let one = judged(wrong, &clip, table, kept);
            counts.add(one);
        }
        counts.print(&format!("{wrong:?}"));
        all.add(counts);
    }
    all.print("all");
}

fn judged(wrong: Wrong, clip: &Clip, table: bool, kept: Option<&Path>) -> Counts {
    let one = Counts { clips: 1, ..Counts::default() };
    let measurement = match clip.outcome(kept) {
        Ok(measurement) => measurement,
        Err(error) => {
            if table {
                println!("  {wrong:?} {}: {error}", clip.name);
            }
            return Counts { not_measured: 1, ..one };
        }
    };
    let flight = measurement.flights.iter().max_by_key(|flight| flight.sightings.len());
    let Some((flight, verdict)) = flight.and_then(|flight| Some((flight, flight.verdict.as_ref()?))) else {
        return Counts { not_measured: 1, ..one };
    };
    let place = verdict.causes.iter().position(|cause| cause.kind == wrong.kind());
    if table {
        let kinds: Vec<&str> = verdict.causes.iter().take(3).map(|cause| cause.kind.as_str()).collect();
        let g = flight.gravity_m_per_s2;
        println!(
            "  {wrong:?} {}: g {:.3} ± {:.3}, {kinds:?}",
            clip.name,
            g.value,
            g.expanded_uncertainty_95.unwrap_or(f64::NAN)
        );
    }
    let off = flight.gravity_m_per_s2;
    let right = off.expanded_uncertainty_95.is_some_and(|u| (off.value - 9.81).abs() <= u);
    if right && place.is_none() {
        return Counts { harmless: 1, ..one };
    }
    let tied = verdict.causes.iter().filter(|cause| cause.tied_with_first).take(MOST_JOINTLY);
    let joint = tied.clone().any(|cause| cause.kind == wrong.kind());
    // The first reason takes as many places as it names.
    let places = 1 + tied.count().max(1);
    Counts {
        first: usize::from(place == Some(0)),
        joint: usize::from(place == Some(0) || joint),
        among_two: usize::from(place.is_some_and(|place| place < places) || joint),
        ..one
    }
}
