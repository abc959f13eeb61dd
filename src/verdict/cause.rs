//! What can put g off: the causes, how likely each is beforehand, and what they do to times and places.

use serde::{Deserialize, Serialize};

use crate::units::MetrePoint;

/// A reason for which the measured g can be off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Cause {
    /// The clip was recorded at one rate and plays at another, which is the one that was taken for the rate of recording: recorded,
    /// played, Hz.
    SlowMotion {
        recorded_hz: f64,
        played_hz: f64,
    },
    /// The clock is off by a little: a nominal instead of the true frame rate.
    Clock,
    /// The length of the scale was stated in another unit, or is a usual mix-up: the stated length over the true one.
    LengthMixUp {
        stated_over_true: f64,
    },
    /// The scale isn't as long as stated, or isn't as far away as the ball.
    Length,
    Roll,
    Yaw,
    Pitch,
    RollingShutter,
    Drag,
    Lens,
    /// A wide-angle or action camera's, which bends several times as much as a phone's main camera.
    WideLens,
    /// A frame is missing before that frame without a gap in the times.
    DroppedFrame {
        before: usize,
    },
    /// That frame is the one before it shown again.
    DoubledFrame {
        before: usize,
    },
    TimeJitter,
    MovingCamera,
    ExposureDrift,
    /// The ball still touched the launcher in so many of the first sightings of that flight of the clip.
    LauncherFrames {
        flight: usize,
        count: usize,
    },
    /// The ball had already hit something in so many of the last sightings of that flight.
    BounceFrames {
        flight: usize,
        count: usize,
    },
    /// The sightings are too few or too rough to fix g, and chance put it off.
    TooFewSightings,
}

/// A cause without its figures, for grouping and for tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CauseKind {
    Time,
    Length,
    Roll,
    Yaw,
    Pitch,
    RollingShutter,
    Drag,
    Lens,
    FrameCount,
    TimeJitter,
    MovingCamera,
    ExposureDrift,
    TouchedFrames,
    TooFewSightings,
}

impl CauseKind {
    /// As it stands in files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Length => "length",
            Self::Roll => "roll",
            Self::Yaw => "yaw",
            Self::Pitch => "pitch",
            Self::RollingShutter => "rolling_shutter",
            Self::Drag => "drag",
            Self::Lens => "lens",
            Self::FrameCount => "frame_count",
            Self::TimeJitter => "time_jitter",
            Self::MovingCamera => "moving_camera",
            Self::ExposureDrift => "exposure_drift",
            Self::TouchedFrames => "touched_frames",
            Self::TooFewSightings => "too_few_sightings",
        }
    }
}

impl Cause {
    pub fn kind(self) -> CauseKind {
        match self {
            Self::SlowMotion { .. } | Self::Clock => CauseKind::Time,
            Self::LengthMixUp { .. } | Self::Length => CauseKind::Length,
            Self::Roll => CauseKind::Roll,
            Self::Yaw => CauseKind::Yaw,
            Self::Pitch => CauseKind::Pitch,
            Self::RollingShutter => CauseKind::RollingShutter,
            Self::Drag => CauseKind::Drag,
            Self::Lens | Self::WideLens => CauseKind::Lens,
            Self::DroppedFrame { .. } | Self::DoubledFrame { .. } => CauseKind::FrameCount,
            Self::TimeJitter => CauseKind::TimeJitter,
            Self::MovingCamera => CauseKind::MovingCamera,
            Self::ExposureDrift => CauseKind::ExposureDrift,
            Self::LauncherFrames { .. } | Self::BounceFrames { .. } => CauseKind::TouchedFrames,
            Self::TooFewSightings => CauseKind::TooFewSightings,
        }
    }

    /// Standard deviations of its parameters beforehand, in their units (see [`Effect`]); their number is that of the
    /// parameters. Common practice, no source, except where named: readouts and lenses as published calibrations have them.
    pub(super) fn spread(self) -> &'static [f64] {
        match self {
            // ln k: nominal against true rates differ by up to 1 %.
            Self::Clock => &[0.01],
            // ln k: a decimetre of depth at three metres is 3 %.
            Self::Length => &[0.05],
            Self::Roll => &[0.05],
            Self::Yaw | Self::Pitch => &[0.10],
            // Readouts of phones lie between 3 and 34 ms, either way round.
            Self::RollingShutter => &[0.018],
            // Drag over weight at launch: 0.2 % for steel to 45 % for the lightest balls.
            Self::Drag => &[0.15],
            // Distortion at the half-width: 1.3 % at 0.8 of it, published median, 90 % below 2.1 %.
            Self::Lens => &[0.025],
            // A lens of 90° to 120° across that nobody corrects draws its edge in by 5 to 20 % (between the tangent and the equidistant
            // projection: θ/tan θ is 0.79 at 45°, of which makers correct the most).
            Self::WideLens => &[0.10],
            // Bow of the camera's way over the flight, m; its swings come after it.
            Self::MovingCamera => &[0.003, 0.003],
            // Change of the exposure over the flight, s.
            Self::ExposureDrift => &[0.006],
            _ => &[],
        }
    }

    /// Whether each flight has a size of its own: a camera sways and an exposure drifts otherwise from throw to throw. All else is the
    /// clip's, with one size for all flights, or has none.
    pub(super) fn by_flight(self) -> bool {
        matches!(self, Self::MovingCamera | Self::ExposureDrift)
    }

    /// The flight that it is about, where it is about one.
    pub(super) fn of_flight(self) -> Option<usize> {
        match self {
            Self::LauncherFrames { flight, .. } | Self::BounceFrames { flight, .. } => Some(flight),
            _ => None,
        }
    }

    /// How often it is met among wrong results, relative to the others. Common practice, no source.
    pub(super) fn prior_weight(self) -> f64 {
        match self {
            // Phones record at 2, 4 or 8 times the rate at which they play, and no camera records at 61.9 frames per second: a clip that
            // says so was given another speed. Other pairs take a wrong setting.
            Self::SlowMotion { recorded_hz, played_hz } => {
                let usual = [2.0, 4.0, 8.0].iter().any(|factor| (recorded_hz / played_hz / factor - 1.0).abs() < 0.02);
                let retimed = named_rate(recorded_hz).is_some() && named_rate(played_hz).is_none();
                if usual || retimed { 0.4 } else { 0.03 }
            }
            // One that is no usual mix-up is a slip of the pen.
            Self::LengthMixUp { stated_over_true } if is_usual_mix_up(stated_over_true) => 0.1,
            Self::LengthMixUp { .. } => 0.003,
            Self::Length => 2.0,
            Self::RollingShutter | Self::Drag | Self::Roll => 1.0,
            Self::Yaw | Self::Pitch | Self::Clock | Self::Lens => 0.5,
            // One clip in several is filmed with such a camera.
            Self::WideLens => 0.15,
            Self::MovingCamera | Self::ExposureDrift => 0.3,
            // One of many places in the flight.
            Self::DroppedFrame { .. } => 0.03,
            Self::DoubledFrame { .. } => 0.01,
            Self::TimeJitter => 0.1,
            Self::LauncherFrames { .. } | Self::BounceFrames { .. } => 0.3,
            Self::TooFewSightings => 0.3,
        }
    }
}

/// Rates at which cameras record and clips play, Hz; 100 and 200 are multiples of the 25 of lands with alternating current of 50 Hz.
pub const RATES_HZ: [f64; 12] = [24.0, 25.0, 30.0, 48.0, 50.0, 60.0, 100.0, 120.0, 200.0, 240.0, 480.0, 960.0];

/// The rate by which settings name this one: 239.76 is called 240. `None` for one that no camera has.
pub fn named_rate(rate_hz: f64) -> Option<f64> {
    RATES_HZ.into_iter().find(|name| (rate_hz / name - 1.0).abs() < 0.01)
}

/// Slow motion and its opposite: every usual rate of recording for a clip that was taken to be recorded at `taken_hz`, and an editor's
/// halves and doubles of that.
pub(super) fn rate_pairs(taken_hz: f64) -> Vec<Cause> {
    let played_hz = named_rate(taken_hz).unwrap_or(taken_hz);
    let edited = [0.125, 0.25, 0.5, 2.0, 4.0, 8.0].map(|factor| factor * played_hz);
    let mut rates: Vec<f64> = Vec::new();
    for rate in RATES_HZ.into_iter().chain(edited) {
        if rates.iter().chain([&played_hz]).all(|known| (rate / known - 1.0).abs() > 0.01) {
            rates.push(rate);
        }
    }
    rates.into_iter().map(|recorded_hz| Cause::SlowMotion { recorded_hz, played_hz }).collect()
}

fn is_usual_mix_up(stated_over_true: f64) -> bool {
    length_mix_ups().contains(&Cause::LengthMixUp { stated_over_true })
}

/// Usual mix-ups of a length: unit (cm, mm, in, ft for one another), 30 cm for 1 m, 50 cm for 1 m, and their opposites.
pub(super) fn length_mix_ups() -> Vec<Cause> {
    let more = [10.0, 100.0, 1000.0, 2.54, 25.4, 39.37, 3.2808, 12.0, 1.0 / 0.3, 2.0];
    more.into_iter().flat_map(|k| [k, 1.0 / k]).map(|k| Cause::LengthMixUp { stated_over_true: k }).collect()
}

/// Where the picture's middle lies and how far the camera stands, for the causes that need it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stage {
    pub middle: MetrePoint,
    pub half_width_m: f64,
    pub distance_m: f64,
    pub ball_diameter_m: f64,
    /// By the fit; what the air does at launch is counted at it, m/s.
    pub launch_speed_m_per_s: f64,
    /// Time of the first sighting and the span to the last, s.
    pub first_s: f64,
    pub span_s: f64,
    pub frame_step_s: f64,
}

/// What a cause does, given its parameters.
#[derive(Debug, Clone, Copy)]
pub(super) struct Effect<'a> {
    pub cause: Cause,
    pub parameters: &'a [f64],
    pub stage: Stage,
    /// Whether the camera itself is turned, so that places stay where they are.
    pub by_camera: bool,
}

impl Effect<'_> {
    fn parameter(&self) -> f64 {
        self.parameters.first().copied().unwrap_or(0.0)
    }

    /// True time of a sighting stamped `time_s`, both counted from `origin_s`.
    pub fn true_time(&self, frame: usize, time_s: f64, origin_s: f64) -> f64 {
        let since = time_s - origin_s;
        let progress = (time_s - self.stage.first_s) / self.stage.span_s;
        match self.cause {
            Cause::SlowMotion { recorded_hz, played_hz } => since * played_hz / recorded_hz,
            Cause::Clock => since * (-self.parameter()).exp(),
            Cause::DroppedFrame { before } if frame >= before => since + self.stage.frame_step_s,
            Cause::DoubledFrame { before } if frame >= before => since - self.stage.frame_step_s,
            // The middle of the exposure moves by half its change.
            Cause::ExposureDrift => since + 0.5 * self.parameter() * progress,
            _ => since,
        }
    }

    /// Where a true place is taken to be, in the metres of the stated camera.
    pub fn seen_place(&self, p: MetrePoint, progress: f64) -> MetrePoint {
        let Stage { middle, half_width_m, distance_m, .. } = self.stage;
        let (x, y) = (p.x - middle.x, p.y - middle.y);
        let at = |x: f64, y: f64| MetrePoint::new(middle.x + x, middle.y + y);
        match self.cause {
            _ if self.by_camera => p,
            Cause::Length => {
                let k = self.parameter().exp();
                MetrePoint::new(p.x * k, p.y * k)
            }
            Cause::LengthMixUp { stated_over_true: k } => MetrePoint::new(p.x * k, p.y * k),
            // The flight's plane turned about the vertical through the picture's middle, seen by a pinhole.
            Cause::Yaw => {
                let (sin, cos) = self.parameter().sin_cos();
                let nearer = 1.0 + x * sin / distance_m;
                at(x * cos / nearer, y / nearer)
            }
            Cause::Pitch => {
                let (sin, cos) = self.parameter().sin_cos();
                let nearer = 1.0 + y * sin / distance_m;
                at(x / nearer, y * cos / nearer)
            }
            Cause::Lens | Cause::WideLens => {
                let stretch = 1.0 + self.parameter() * (x * x + y * y) / (half_width_m * half_width_m);
                at(x * stretch, y * stretch)
            }
            // A bow, which looks like gravity, and sines of 2, 3 … half swings; an even drift leaves gravity alone.
            Cause::MovingCamera => {
                let bow = 4.0 * progress * (1.0 - progress);
                let swing = |half_swings: usize| (std::f64::consts::PI * half_swings as f64 * progress).sin();
                self.parameters.chunks_exact(2).enumerate().fold(p, |p, (i, size)| {
                    let share = if i == 0 { bow } else { swing(i + 1) };
                    MetrePoint::new(p.x + size[0] * share, p.y + size[1] * share)
                })
            }
            _ => p,
        }
    }
}
