//! The options that state a launch, shared by the commands that look ahead.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Deserialize;

use super::book::failed;
use super::output::{CommandError, Exit};
use crate::book::{Asked, Book, Usual, default_book};
use crate::flight::air::{AirState, standard_pressure_pa};
use crate::flight::drag::Sphere;
use crate::flight::forecast::{LaunchStatement, speed_from_gate};
use crate::flight::gravity::{Place, expected_gravity};
use crate::flight::reading::{Kind, Reading, ReadingError};
use crate::measure::known;
use crate::measurement::FORMAT_VERSION;
use crate::rig::{Rig, RigError};
use crate::units::Estimate;

/// What is known of the launch, the ball and the place. `±` is taken as the 95 % interval, as lobline prints it.
#[derive(Debug, Args)]
pub struct LaunchOptions {
    /// Launch speed, such as `3.52 m/s ± 0.03 m/s` (`+-` works as well)
    #[arg(long, value_name = "SPEED")]
    speed: Option<String>,
    /// Launch angle above the horizontal, such as `48.2° ± 0.4°`
    #[arg(long, value_name = "ANGLE", allow_hyphen_values = true)]
    angle: Option<String>,
    /// Height of the ball's centre above the floor as it leaves the launcher, such as `30 cm ± 0.5 cm`; else the rig's
    #[arg(long, value_name = "LENGTH")]
    height: Option<String>,
    /// Take speed and angle from a measurement (what `lobline measure --json` printed)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["speed", "gate_time"])]
    from: Option<PathBuf>,
    /// Which flight of the measurement
    #[arg(long, value_name = "N", default_value_t = 1, requires = "from")]
    flight: usize,
    /// Take speed, angle and scatter from the shot book: the means of a launcher's latest session
    #[arg(long, conflicts_with_all = ["speed", "from", "gate_time"])]
    from_book: bool,
    /// Whose shots in the book; else the rig's launcher
    #[arg(long, value_name = "NAME", requires = "from_book")]
    launcher: Option<String>,
    /// Only shots at this power notch; else the rig's setting
    #[arg(long, value_name = "NOTCH", requires = "from_book")]
    setting: Option<String>,
    /// Only shots for which the launcher was set to this angle, in degrees
    #[arg(long, value_name = "DEGREES", requires = "from_book", allow_negative_numbers = true)]
    set_angle: Option<f64>,
    /// Only shots of this session; else of the latest
    #[arg(long, value_name = "NAME", requires = "from_book")]
    session: Option<String>,
    /// The book's file; else the one in your data folder
    #[arg(long, value_name = "FILE", requires = "from_book")]
    book: Option<PathBuf>,
    /// Take ball, air, place and the launcher's height and name from a rig file, as far as they aren't typed; else from the
    /// rig that the measurement was made with
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Take the speed from a timing gate: for how long the ball interrupted it, such as `5.68 ms ± 0.02 ms`
    #[arg(long, value_name = "TIME", requires = "gate_length", conflicts_with = "speed")]
    gate_time: Option<String>,
    /// Length of ball that interrupts the gate, its diameter where the beam hits the middle, such as `20.0 mm ± 0.1 mm`
    #[arg(long, value_name = "LENGTH", requires = "gate_time")]
    gate_length: Option<String>,
    /// Diameter of the ball, such as `40 mm`
    #[arg(long, value_name = "LENGTH")]
    ball: Option<String>,
    /// Mass of the ball, such as `2.7 g`; with the diameter, the air is counted in
    #[arg(long, value_name = "MASS", requires = "ball")]
    mass: Option<String>,
    #[command(flatten)]
    place: PlaceOptions,
}

/// Where it happens.
#[derive(Debug, Args)]
pub struct PlaceOptions {
    /// Gravity at the place, such as `9.812 m/s²`; else it follows from the latitude, else it is 9.81 ± 0.04
    #[arg(long, value_name = "G")]
    pub gravity: Option<String>,
    /// Latitude of the place in degrees, north positive
    #[arg(long, value_name = "DEGREES", allow_hyphen_values = true, conflicts_with = "gravity")]
    pub latitude: Option<f64>,
    /// Height of the place above sea level in metres
    #[arg(long, value_name = "METRES", allow_hyphen_values = true, requires = "latitude")]
    pub altitude: Option<f64>,
    /// Temperature of the air, such as `21 °C`
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    temperature: Option<String>,
    /// Pressure of the air at the place, such as `1013 hPa`
    #[arg(long, value_name = "PRESSURE")]
    pressure: Option<String>,
    /// Relative humidity of the air, 0 to 1
    #[arg(long, value_name = "SHARE")]
    humidity: Option<f64>,
}

/// A launch as it was stated.
#[derive(Debug, Clone)]
pub struct Stated {
    pub launch: LaunchStatement,
    pub ball_diameter_m: Option<f64>,
    /// Significant figures of speed, angle and gravity as stated.
    pub figures: [usize; 3],
    pub height: Reading,
    /// Where the speed comes from, in words.
    pub source: String,
    /// Where gravity comes from, in words.
    pub gravity_source: String,
    /// What the shot book says of the launcher, where the speed comes from there.
    pub usual: Option<Usual>,
}

/// Reads a quantity or says what is wrong with which option.
pub fn read(option: &str, kind: Kind, text: &str) -> Result<Reading, CommandError> {
    Reading::parse(kind, text).map_err(|error: ReadingError| wrong(format!("--{option}: {error}"), error.hint()))
}

/// [`read`] for lengths, masses and the like that must be above zero.
pub fn read_positive(option: &str, kind: Kind, text: &str) -> Result<Reading, CommandError> {
    let reading = read(option, kind, text)?;
    if reading.value > 0.0 {
        Ok(reading)
    } else {
        Err(wrong(format!("--{option}: `{text}` isn't above zero"), "check the sign"))
    }
}

/// Wrong use, with the way out.
pub fn wrong(message: impl std::fmt::Display, hint: impl std::fmt::Display) -> CommandError {
    CommandError::new(Exit::WrongUse, message).with_hint(hint)
}

/// Nothing to be had from what was given.
pub fn no_answer(message: impl std::fmt::Display, hint: impl std::fmt::Display) -> CommandError {
    CommandError::new(Exit::NoMeasurement, message).with_hint(hint)
}

impl LaunchOptions {
    /// Puts the statement together.
    pub fn statement(&self) -> Result<Stated, CommandError> {
        self.statement_with(None)
    }

    /// [`Self::statement`] where the angle is looked for: `angle_deg` stands in for one that isn't stated.
    pub fn statement_with(&self, angle_deg: Option<f64>) -> Result<Stated, CommandError> {
        let measured = self.from.as_deref().map(|file| Measured::read(file, self.flight)).transpose()?;
        let rig = self.rig(measured.as_ref())?;
        let usual = self.usual(&rig)?;
        let (speed, source) = self.speed(measured.as_ref(), usual.as_ref())?;
        let angle = self.angle(measured.as_ref(), usual.as_ref(), angle_deg)?;
        let height = self.height(&rig)?;
        let (gravity, gravity_figures, gravity_source) = self.place.gravity(&rig)?;
        let (ball_diameter_m, ball) = self.ball(&rig)?;
        let launch = LaunchStatement {
            speed_m_per_s: speed.0,
            angle_deg: angle.0,
            height_m: height.estimate(),
            gravity_m_per_s2: gravity,
            ball,
            air: self.place.air(&rig)?,
        };
        let figures = [speed.1, angle.1, gravity_figures];
        Ok(Stated { launch, ball_diameter_m, figures, height, source, gravity_source, usual })
    }

    /// The rig file, else the rig of the measurement, else one that knows nothing.
    fn rig(&self, measured: Option<&Measured>) -> Result<Rig, CommandError> {
        match &self.rig {
            Some(file) => Rig::read(file).map_err(|error| {
                let exit = if matches!(error, RigError::Unreadable { .. }) { Exit::BadInput } else { Exit::WrongUse };
                CommandError::new(exit, &error).with_hint(error.hint())
            }),
            None => Ok(measured.and_then(|measured| measured.rig.clone()).unwrap_or_default()),
        }
    }

    fn usual(&self, rig: &Rig) -> Result<Option<Usual>, CommandError> {
        if !self.from_book {
            return Ok(None);
        }
        let launcher = self.launcher.clone().or_else(|| rig.launcher.name.clone()).ok_or_else(|| {
            wrong(
                "whose shots to take isn't stated",
                "name the launcher with `--launcher`, or in a rig under `[launcher]`",
            )
        })?;
        let path = self.book.clone().map_or_else(default_book, Ok).map_err(failed)?;
        let asked = Asked {
            launcher,
            notch: self.setting.clone().or_else(|| rig.launcher.setting.clone()),
            angle_deg: self.set_angle,
            session: self.session.clone(),
        };
        Book::open_existing(&path).and_then(|book| book.usual(&asked)).map(Some).map_err(failed)
    }

    /// The speed with its significant figures, and where it comes from.
    fn speed(&self, measured: Option<&Measured>, usual: Option<&Usual>) -> Result<(WithFigures, String), CommandError> {
        if let (Some(measured), Some(file)) = (measured, &self.from) {
            let name =
                file.file_name().map_or_else(|| file.display().to_string(), |n| n.to_string_lossy().into_owned());
            let source = format!("flight {} of {name}", self.flight);
            return Ok((with_figures(measured.speed_m_per_s), source));
        }
        if let Some(usual) = usual {
            let shots = if usual.shots == 1 { "1 shot".to_owned() } else { format!("mean of {} shots", usual.shots) };
            return Ok((with_figures(usual.speed_m_per_s), format!("{shots}, {}", usual.session)));
        }
        if let (Some(time), Some(length)) = (&self.gate_time, &self.gate_length) {
            let (time, length) =
                (read_positive("gate-time", Kind::Time, time)?, read_positive("gate-length", Kind::Length, length)?);
            let speed = speed_from_gate(length.estimate(), time.estimate()).map_err(|e| wrong(&e, e.hint()))?;
            return Ok(((speed, time.figures.min(length.figures)), "timing gate".to_owned()));
        }
        let speed = self.speed.as_deref().ok_or_else(|| {
            wrong(
                "the launch speed isn't stated",
                "give it with `--speed \"3.52 m/s\"`, from a gate with `--gate-length` and `--gate-time`, from a measured flight \
                 with `--from FILE`, or from the shot book with `--from-book`",
            )
        })?;
        Ok((stated(&read_positive("speed", Kind::Speed, speed)?), "stated".to_owned()))
    }

    /// The angle with its significant figures: stated before measured, because the launcher may have been turned since.
    fn angle(
        &self,
        measured: Option<&Measured>,
        usual: Option<&Usual>,
        stand_in_deg: Option<f64>,
    ) -> Result<WithFigures, CommandError> {
        if let Some(text) = &self.angle {
            return Ok(stated(&read("angle", Kind::Angle, text)?));
        }
        let known = measured.map(|measured| measured.angle_deg).or(usual.and_then(|usual| usual.angle_deg));
        // Where the angle is looked for, what was measured still says how well the launcher is set.
        if let Some(angle) = known {
            return Ok(with_figures(angle));
        }
        let stand_in = stand_in_deg.map(|angle| (Estimate::without_uncertainty(angle), 3));
        stand_in.ok_or_else(|| {
            let hint = if usual.is_some() {
                "the book doesn't know it; give it with `--angle \"48° ± 0.5°\"`"
            } else {
                "give it with `--angle 48°`, or a measured flight with `--from FILE`"
            };
            wrong("the launch angle isn't stated", hint)
        })
    }

    fn height(&self, rig: &Rig) -> Result<Reading, CommandError> {
        if let Some(text) = &self.height {
            return read("height", Kind::Length, text);
        }
        let stated = rig.launcher.height.ok_or_else(|| {
            wrong(
                "the height of the launch isn't stated",
                "give it with `--height 30cm` (ball's centre above the floor), or in the rig under `[launcher]`",
            )
        })?;
        let u = stated.standard_uncertainty_m.map_or(String::new(), |u| format!(" ± {} m", 1.96 * u));
        // As if it had been typed, so that figures and interval follow the same rules.
        read("height", Kind::Length, &format!("{} m{u}", stated.length.metres()))
    }

    /// Diameter, and with the mass the ball in air. A typed diameter is another ball than the rig's, which then says nothing.
    fn ball(&self, rig: &Rig) -> Result<(Option<f64>, Option<Sphere>), CommandError> {
        let Some(text) = &self.ball else {
            let sphere = known::ball_of(rig).map_err(|error| wrong(&error, error.hint().unwrap_or_default()))?;
            return Ok((known::ball_diameter_m(rig), sphere));
        };
        let diameter_m = read_positive("ball", Kind::Length, text)?.value;
        let mass = self.mass.as_deref().map(|text| read_positive("mass", Kind::Mass, text)).transpose()?;
        let sphere = mass.map(|mass| Sphere::new(mass.value, diameter_m)).transpose();
        Ok((Some(diameter_m), sphere.map_err(|error| wrong(error, error.hint()))?))
    }
}

/// A quantity with its significant figures.
type WithFigures = (Estimate, usize);

fn stated(reading: &Reading) -> WithFigures {
    (reading.estimate(), reading.figures)
}

fn with_figures(estimate: Estimate) -> WithFigures {
    (estimate, figures_of(estimate))
}

/// Figures that an interval leaves meaning to: down to the place of its first figure.
fn figures_of(estimate: Estimate) -> usize {
    let Some(half_width) = estimate.expanded_uncertainty_95.filter(|half_width| *half_width > 0.0) else { return 3 };
    let places = estimate.value.abs().log10().floor() - half_width.log10().floor() + 1.0;
    places.clamp(1.0, 6.0) as usize
}

/// The part of a `Measurement`'s JSON that a forecast needs; whatever else the file holds may change between versions.
#[derive(Debug, Deserialize)]
struct MeasuredLaunches {
    format_version: u32,
    flights: Vec<MeasuredLaunch>,
    #[serde(default)]
    basis: Option<MeasuredBasis>,
}

#[derive(Debug, Deserialize)]
struct MeasuredLaunch {
    number: usize,
    launch_speed_m_per_s: Estimate,
    launch_angle_deg: Estimate,
    launch_speed_gravity_given_m_per_s: Option<Estimate>,
}

#[derive(Debug, Deserialize)]
struct MeasuredBasis {
    rig: serde_json::Value,
}

/// A launch as a clip showed it.
struct Measured {
    speed_m_per_s: Estimate,
    angle_deg: Estimate,
    /// With which it was measured; `None` where the file doesn't hold one that this program understands.
    rig: Option<Rig>,
}

impl Measured {
    fn read(file: &Path, number: usize) -> Result<Self, CommandError> {
        let bad = |what: String, hint: &str| CommandError::new(Exit::BadInput, what).with_hint(hint);
        let name = file.display();
        let text = std::fs::read_to_string(file).map_err(|error| {
            bad(
                format!("can't read `{name}`: {error}"),
                "check the path; `lobline measure CLIP --json > FILE` makes one",
            )
        })?;
        let measurement: MeasuredLaunches = serde_json::from_str(&text).map_err(|error| {
            bad(format!("`{name}` isn't a measurement: {error}"), "make one with `lobline measure CLIP --json > FILE`")
        })?;
        if measurement.format_version > FORMAT_VERSION {
            let message = format!("`{name}` was written by a newer lobline (format {})", measurement.format_version);
            return Err(bad(message, "update this program"));
        }
        let found = measurement.flights.len();
        let flight = measurement.flights.iter().find(|flight| flight.number == number).ok_or_else(|| {
            no_answer(format!("`{name}` has no flight {number}; it holds {found}"), "choose another with `--flight`")
        })?;
        // The speed with gravity given is the better one for a forecast: it leans on one unknown less.
        let speed_m_per_s = flight.launch_speed_gravity_given_m_per_s.unwrap_or(flight.launch_speed_m_per_s);
        let rig = measurement.basis.and_then(|basis| serde_json::from_value(basis.rig).ok());
        Ok(Self { speed_m_per_s, angle_deg: flight.launch_angle_deg, rig })
    }
}

impl PlaceOptions {
    /// Gravity, its significant figures, and where it comes from.
    /// What is typed goes before the place of the rig.
    pub fn gravity(&self, rig: &Rig) -> Result<(Estimate, usize, String), CommandError> {
        if let Some(text) = &self.gravity {
            let reading = read_positive("gravity", Kind::Acceleration, text)?;
            return Ok((reading.estimate(), reading.figures, "stated".to_owned()));
        }
        let Some(latitude) = self.latitude else {
            let place = &rig.place;
            if place.g_m_per_s2.is_some() || place.latitude_deg.is_some() {
                let gravity = known::gravity_at(rig);
                return Ok((gravity, figures_of(gravity), "the rig's place".to_owned()));
            }
            return Ok((expected_gravity(None), 3, "place not stated: anywhere on Earth".to_owned()));
        };
        let place = Place::new(latitude, self.altitude).map_err(|error| wrong(error, error.hint()))?;
        let source = match self.altitude {
            Some(altitude) => format!("WGS 84 normal gravity at {latitude}°, {altitude} m"),
            None => format!("WGS 84 normal gravity at {latitude}°, height not stated"),
        };
        Ok((expected_gravity(Some(place)), 4, source))
    }

    /// What is typed, else what the rig says, else the air of a room at the place's height.
    fn air(&self, rig: &Rig) -> Result<AirState, CommandError> {
        let number = |option: &str, kind: Kind, text: &Option<String>| {
            text.as_deref().map(|text| read(option, kind, text)).transpose().map(|reading| reading.map(|r| r.value))
        };
        let room = known::air_of(rig).map_err(|error| wrong(&error, error.hint().unwrap_or_default()))?;
        let temperature = number("temperature", Kind::Temperature, &self.temperature)?.unwrap_or(room.temperature_c());
        let by_height = self.altitude.map_or(room.pressure_pa(), standard_pressure_pa);
        let pressure = number("pressure", Kind::Pressure, &self.pressure)?.unwrap_or(by_height);
        AirState::new(temperature, pressure, self.humidity.unwrap_or(room.relative_humidity()))
            .map_err(|error| wrong(error, error.hint()))
    }
}
