//! A shot as the book keeps it.

use jiff::{RoundMode, Timestamp, TimestampRound, Unit};
use serde::{Deserialize, Serialize};

use super::error::ShotError;
use super::landing::Landing;
use crate::flight::aim::Target;

/// Where a speed comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// Measured from a clip.
    Video,
    /// Read from a timing gate.
    Gate,
    /// Taken from another record.
    Import,
    /// Reckoned back from where the ball landed.
    Landing,
}

impl Source {
    /// The word in the file and on the screen.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Video => "video",
            Self::Gate => "gate",
            Self::Import => "import",
            Self::Landing => "landing",
        }
    }

    /// The source of that word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Video, Self::Gate, Self::Import, Self::Landing].into_iter().find(|source| source.word() == word)
    }
}

/// Whether the ball went into the target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    Hit,
    Miss,
}

impl Outcome {
    /// The word in the file and on the screen.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Hit => "hit",
            Self::Miss => "miss",
        }
    }

    /// The outcome of that word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Hit, Self::Miss].into_iter().find(|outcome| outcome.word() == word)
    }
}

/// How the launcher was set. `None`: not stated.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Setting {
    /// As it was typed, such as "notch 3": the launcher's own word for how strongly it was loaded.
    pub name: Option<String>,
    /// Degrees above the horizontal.
    pub angle_deg: Option<f64>,
    pub ball: Option<String>,
}

impl Setting {
    /// "notch 2, 45°, orange foam ball", or "setting not stated"; a bare number is told as what it is, "setting 3".
    pub fn in_words(&self) -> String {
        let parts: Vec<String> = [
            self.name.as_ref().map(|name| setting_in_words(name)),
            self.angle_deg.map(|angle| format!("{angle}°")),
            self.ball.clone(),
        ]
        .into_iter()
        .flatten()
        .collect();
        if parts.is_empty() { "setting not stated".to_owned() } else { parts.join(", ") }
    }
}

/// A setting as it is shown.
pub fn setting_in_words(name: &str) -> String {
    let bare = name.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | ','));
    if bare { format!("setting {name}") } else { name.to_owned() }
}

/// A launch angle that was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredAngle {
    /// Above the horizontal.
    pub angle_deg: f64,
    /// Combined standard uncertainty; `None` when it isn't known.
    pub standard_uncertainty_deg: Option<f64>,
    /// The part of it that all shots taken with the same rig share, such as the camera's tilt.
    pub common_uncertainty_deg: Option<f64>,
}

impl MeasuredAngle {
    /// "48.2° (u 0.3°)".
    pub fn in_words(&self) -> String {
        match self.standard_uncertainty_deg {
            Some(u) => format!("{:.2}° (u {u:.2}°)", self.angle_deg),
            None => format!("{:.2}°", self.angle_deg),
        }
    }
}

/// Which flight of which clip; the same one isn't counted twice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClipFlight {
    /// Fingerprint of the clip's bytes.
    pub fingerprint: String,
    /// 1 for the first flight of the clip.
    pub flight: u32,
}

/// What is recorded of a shot.
#[derive(Debug, Clone, PartialEq)]
pub struct ShotRecord {
    pub launcher: String,
    pub setting: Setting,
    pub session: String,
    /// Kept to the millisecond.
    pub time: Timestamp,
    pub speed_m_per_s: f64,
    /// Combined standard uncertainty of this one measurement; `None` when it isn't known.
    pub standard_uncertainty_m_per_s: Option<f64>,
    /// The part of it that all shots taken with the same rig share: scale, time base, a gate's flag width. It isn't
    /// averaged away over shots. `None` when it isn't known.
    pub common_uncertainty_m_per_s: Option<f64>,
    /// Name of the rig or gate. Two sessions with the same rig share its error, which then cancels in their difference.
    pub rig: Option<String>,
    pub source: Source,
    pub clip: Option<ClipFlight>,
    /// `None` when nobody aimed or nobody wrote it down.
    pub outcome: Option<Outcome>,
    /// What the shot was for; `None` when it isn't stated.
    pub target: Option<Target>,
    pub note: Option<String>,
    /// The measurement file, JSON.
    pub measurement: Option<String>,
    /// `None` where none was measured; the angle that was set stands in the setting.
    pub launch_angle: Option<MeasuredAngle>,
    /// Where it landed, of a shot that is known by that.
    pub landing: Option<Landing>,
}

/// A shot in the book.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    /// Number in this book, from 1 in the order of recording.
    pub id: i64,
    /// Sixteen hexadecimal digits that follow the shot through exports and imports.
    pub key: String,
    pub record: ShotRecord,
    /// Why it isn't counted; `None` when it is.
    pub set_aside: Option<String>,
}

/// Faster than any launcher of a lesson gives; such a speed is recorded when it is confirmed. Common practice, no source: pitching
/// machines throw at up to about 45 m/s.
const FASTEST_USUAL_M_PER_S: f64 = 50.0;

impl ShotRecord {
    /// Whether the speed is beyond what launchers give, so that a slip of the pen is likelier than the shot.
    pub fn is_beyond_launchers(&self) -> bool {
        self.speed_m_per_s > FASTEST_USUAL_M_PER_S
    }

    /// The record as the book will keep it: names trimmed, empty texts taken as not stated, time to the millisecond.
    ///
    /// # Errors
    /// [`ShotError`] for a missing name or an impossible number.
    pub fn checked(mut self) -> Result<Self, ShotError> {
        self.launcher = required("launcher", &self.launcher)?;
        self.session = required("session", &self.session)?;
        self.setting.name = optional("setting", self.setting.name)?;
        self.setting.ball = optional("ball", self.setting.ball)?;
        self.rig = optional("rig", self.rig)?;
        self.note = self.note.filter(|note| !note.trim().is_empty());
        self.check_numbers()?;
        self.time = to_millisecond(self.time);
        Ok(self)
    }

    fn check_numbers(&self) -> Result<(), ShotError> {
        possible("speed", Some(self.speed_m_per_s), |speed| speed > 0.0 && speed < 1000.0)?;
        possible("standard uncertainty", self.standard_uncertainty_m_per_s, |u| u > 0.0 && u < 1000.0)?;
        possible("shared uncertainty", self.common_uncertainty_m_per_s, |u| (0.0..1000.0).contains(&u))?;
        possible("launch angle", self.setting.angle_deg, |angle| (-90.0..=90.0).contains(&angle))?;
        if let Some(target) = &self.target {
            check_target(target)?;
        }
        possible("launch angle", self.launch_angle.map(|angle| angle.angle_deg), |angle| {
            (-90.0..=90.0).contains(&angle)
        })?;
        let of_angle = self.launch_angle.and_then(|angle| angle.standard_uncertainty_deg);
        possible("standard uncertainty of the angle", of_angle, |u| u > 0.0 && u < 180.0)?;
        if let (Some(common), Some(whole)) = (self.common_uncertainty_m_per_s, self.standard_uncertainty_m_per_s)
            && common > whole
        {
            return Err(ShotError::CommonTooLarge { common, whole });
        }
        if self.clip.as_ref().is_some_and(|clip| clip.flight == 0) {
            return Err(ShotError::FlightZero);
        }
        Ok(())
    }
}

/// A target as it can stand.
///
/// # Errors
/// [`ShotError::Impossible`].
pub fn check_target(target: &Target) -> Result<(), ShotError> {
    possible("opening of the target", Some(target.opening_m), |opening| opening > 0.0 && opening < 100.0)?;
    possible("height of the target", Some(target.height_m), |height| height.abs() < 1000.0)?;
    possible("distance of the target", Some(target.distance_m), |distance| distance > 0.0 && distance < 1000.0)
}

fn required(field: &'static str, text: &str) -> Result<String, ShotError> {
    optional(field, Some(text.to_owned()))?.ok_or(ShotError::Missing { field })
}

fn optional(field: &'static str, text: Option<String>) -> Result<Option<String>, ShotError> {
    let Some(text) = text else { return Ok(None) };
    let trimmed = text.trim();
    if trimmed.chars().any(char::is_control) {
        return Err(ShotError::ControlCharacter { field });
    }
    Ok((!trimmed.is_empty()).then(|| trimmed.to_owned()))
}

fn possible(field: &'static str, value: Option<f64>, holds: impl Fn(f64) -> bool) -> Result<(), ShotError> {
    match value {
        Some(value) if !(value.is_finite() && holds(value)) => Err(ShotError::Impossible { field, value }),
        _ => Ok(()),
    }
}

/// Rounded down, so that a shot never lies in the future of its own recording.
pub(crate) fn to_millisecond(time: Timestamp) -> Timestamp {
    let round = TimestampRound::new().smallest(Unit::Millisecond).mode(RoundMode::Floor);
    time.round(round).unwrap_or(time)
}

/// RFC 3339 in UTC with milliseconds always written, so that texts sort as times do.
pub(crate) fn time_text(time: Timestamp) -> String {
    format!("{time:.3}")
}
