//! The options that state a launch, shared by the commands that look ahead.

use std::path::PathBuf;

use clap::Args;

use super::book::failed;
use super::output::{CommandError, Exit};
use crate::book::{Asked, Book, Usual, default_book};
use crate::flight::aim::Target;
use crate::flight::air::{AirState, standard_pressure_pa};
use crate::flight::chance::OpeningKind;
use crate::flight::drag::{DRAG_RELATIVE_UNCERTAINTY, Sphere};
use crate::flight::forecast::LaunchStatement;
use crate::flight::gravity::{Place, expected_gravity};
use crate::measure::{Before, BeforeError, Figured, MeasuredLaunch, Origin, known};
use crate::quantity::{Kind, Reading, ReadingError};
use crate::rig::{Rig, RigError};
use crate::small_file;
use crate::units::Estimate;

/// What is known of the launch, the ball and the place. `±` is taken as the 95 % interval, as lobline prints it.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("with_book").arg("from_book"))]
pub struct LaunchOptions {
    #[command(flatten)]
    source: SourceOptions,
    #[command(flatten)]
    of: BookOptions,
    /// Take ball, air, place and what isn't typed of the launcher from a rig file; else from the rig that the measurement was
    /// made with
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Diameter of the ball, such as `40 mm`
    #[arg(long, value_name = "LENGTH")]
    ball: Option<String>,
    /// Mass of the ball, such as `2.7 g`; with the diameter, the air is counted in
    #[arg(long, value_name = "MASS", requires = "ball")]
    mass: Option<String>,
    #[command(flatten)]
    place: PlaceOptions,
}

/// Where speed, angle and height of a launch are known from; the rig says what isn't given.
#[derive(Debug, Args)]
pub struct SourceOptions {
    /// Launch speed, such as `3.52 m/s ± 0.03 m/s` (`+-` works as well)
    #[arg(long, value_name = "SPEED")]
    speed: Option<String>,
    /// Launch angle above the horizontal, such as `48.2° ± 0.4°`
    #[arg(long, value_name = "ANGLE", allow_hyphen_values = true)]
    angle: Option<String>,
    /// Height of the ball's centre above the floor as it leaves the launcher, such as `30 cm ± 0.5 cm`
    #[arg(long, value_name = "LENGTH")]
    height: Option<String>,
    /// Take speed and angle from a measurement (what `lobline measure --json` printed)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["speed", "gate_time"])]
    from: Option<PathBuf>,
    /// Which flight of that measurement
    #[arg(long, value_name = "N", default_value_t = 1, requires = "from")]
    from_flight: usize,
    /// Take speed, angle and scatter from the shot book: the means of a launcher's latest session
    #[arg(long, conflicts_with_all = ["speed", "from", "gate_time"])]
    from_book: bool,
    /// The session of those shots, instead of the latest
    #[arg(long, value_name = "NAME", requires = "from_book")]
    from_session: Option<String>,
    /// Take the speed from a timing gate: for how long the ball interrupted it, such as `5.68 ms ± 0.02 ms`
    #[arg(long, value_name = "TIME", requires = "gate_length", conflicts_with = "speed")]
    gate_time: Option<String>,
    /// Length of ball that interrupts the gate, its diameter where the beam hits the middle, such as `20.0 mm ± 0.1 mm`
    #[arg(long, value_name = "LENGTH", requires = "gate_time")]
    gate_length: Option<String>,
}

/// Whose shots in the book. Needs a group `with_book` of the options that use the book.
#[derive(Debug, Args)]
pub struct BookOptions {
    /// Whose shots in the shot book; else the launcher of the rig
    #[arg(long, value_name = "NAME", requires = "with_book")]
    pub launcher: Option<String>,
    /// How the launcher was loaded, in its own word, such as "notch 3"; else the setting of the rig
    #[arg(long, value_name = "SETTING", requires = "with_book")]
    pub setting: Option<String>,
    /// The angle to which the launcher was set, in degrees
    #[arg(long, value_name = "DEGREES", requires = "with_book", allow_negative_numbers = true)]
    pub set_angle: Option<f64>,
    /// The book's file; else the one in your data folder
    #[arg(long, value_name = "FILE", requires = "with_book")]
    pub book: Option<PathBuf>,
}

impl BookOptions {
    /// What was typed, as options and their values.
    pub fn typed(&self) -> Vec<(&'static str, String)> {
        let given = [
            ("launcher", self.launcher.clone()),
            ("setting", self.setting.clone()),
            ("set-angle", self.set_angle.map(|angle| angle.to_string())),
            ("book", self.book.as_ref().map(|book| book.display().to_string())),
        ];
        given.into_iter().filter_map(|(name, value)| Some((name, value?))).collect()
    }

    /// As typed, else as the rig has it.
    pub fn launcher(&self, rig: &Rig) -> Result<String, CommandError> {
        self.launcher.clone().or_else(|| rig.launcher.name.clone()).ok_or_else(|| {
            wrong(
                "whose shots are meant isn't stated",
                "name the launcher with `--launcher`, or in the rig under `[launcher]`",
            )
        })
    }

    /// As typed, else as the rig has it.
    pub fn setting(&self, rig: &Rig) -> Option<String> {
        self.setting.clone().or_else(|| rig.launcher.setting.clone())
    }

    /// The file that was named, else the usual one.
    pub fn path(&self) -> Result<PathBuf, CommandError> {
        self.book.clone().map_or_else(default_book, Ok).map_err(failed)
    }
}

/// At what the shots were aimed, for the shot book.
#[derive(Debug, Clone, Args)]
pub struct TargetOptions {
    /// What was aimed at
    #[arg(long, value_name = "CUP|RING", value_parser = read_kind, requires = "opening")]
    target: Option<OpeningKind>,
    /// Inner diameter of its opening, such as `25 cm`
    #[arg(long, value_name = "LENGTH", requires = "opening_distance")]
    opening: Option<String>,
    /// Height of its rim above the floor, such as `24 cm`; the floor when left out
    #[arg(long, value_name = "LENGTH", requires = "opening")]
    opening_height: Option<String>,
    /// Distance of its centre from the point under the muzzle, such as `1.42 m`
    #[arg(long, value_name = "LENGTH", requires = "opening")]
    opening_distance: Option<String>,
}

impl TargetOptions {
    /// What was stated; a cup, where nothing is said of its kind.
    pub fn target(&self) -> Result<Option<Target>, CommandError> {
        let Some((opening, distance)) = self.opening.as_ref().zip(self.opening_distance.as_ref()) else {
            return Ok(None);
        };
        let height = self.opening_height.as_deref().unwrap_or("0 m");
        Ok(Some(Target {
            kind: self.target.unwrap_or(OpeningKind::Cup),
            opening_m: read_positive("opening", Kind::Length, opening)?.value,
            height_m: read("opening-height", Kind::Length, height)?.value,
            distance_m: read_positive("opening-distance", Kind::Length, distance)?.value,
        }))
    }
}

fn read_kind(word: &str) -> Result<OpeningKind, String> {
    OpeningKind::from_word(word).ok_or_else(|| "write cup or ring".to_owned())
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
    /// Why speed and angle may be wrong.
    pub doubt: Option<String>,
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
        let measured = self.source.measured()?;
        let rig = self.rig(measured.as_ref())?;
        let before = self.source.before(measured, &self.of, &rig, None)?;
        let known = before.launch(&rig, angle_deg).map_err(|error| before_error(&error))?;
        let (gravity, gravity_figures, gravity_source) = self.place.gravity(&rig)?;
        let (ball_diameter_m, weighed) = self.ball(&rig)?;
        // A typed diameter is another ball than the measured one.
        let seen = known.ball.filter(|_| weighed.is_none() && self.ball.is_none());
        let (ball, drag_doubt) = seen.map_or((weighed, DRAG_RELATIVE_UNCERTAINTY), |(ball, doubt)| (Some(ball), doubt));
        let launch = LaunchStatement {
            speed_m_per_s: known.speed_m_per_s.estimate,
            angle_deg: known.angle_deg.estimate,
            height_m: known.height.estimate(),
            gravity_m_per_s2: gravity,
            ball,
            drag_doubt,
            air: self.place.air(&rig)?,
        };
        let figures = [known.speed_m_per_s.figures, known.angle_deg.figures, gravity_figures];
        let (source, doubt) = (known.note.unwrap_or_else(|| "stated".to_owned()), known.doubt);
        let usual = match before.origin {
            Some(Origin::Book(usual)) => Some(usual),
            _ => None,
        };
        Ok(Stated { launch, ball_diameter_m, figures, height: known.height, source, gravity_source, usual, doubt })
    }

    /// The rig file, else the rig of the measurement, else one that knows nothing.
    fn rig(&self, measured: Option<&MeasuredLaunch>) -> Result<Rig, CommandError> {
        match &self.rig {
            Some(file) => Rig::read(file).map_err(|error| {
                let exit = if matches!(error, RigError::Unreadable { .. }) { Exit::BadInput } else { Exit::WrongUse };
                CommandError::new(exit, &error).with_hint(error.hint())
            }),
            None => Ok(measured.and_then(|measured| measured.rig.as_deref().cloned()).unwrap_or_default()),
        }
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

impl SourceOptions {
    /// The first of these options that was typed; they mean nothing where no launch is asked for.
    pub fn first_given(&self) -> Option<&'static str> {
        let given = [
            ("--speed", self.speed.is_some()),
            ("--angle", self.angle.is_some()),
            ("--height", self.height.is_some()),
            ("--from", self.from.is_some()),
            ("--from-book", self.from_book),
            ("--gate-time", self.gate_time.is_some()),
        ];
        given.into_iter().find(|(_, given)| *given).map(|(name, _)| name)
    }

    /// What was typed, as options and their values; a flag has an empty one.
    pub fn typed(&self) -> Vec<(&'static str, String)> {
        let path = |path: &Option<PathBuf>| path.as_ref().map(|path| path.display().to_string());
        let given = [
            ("speed", self.speed.clone()),
            ("angle", self.angle.clone()),
            ("height", self.height.clone()),
            ("from", path(&self.from)),
            ("from-flight", self.from.as_ref().map(|_| self.from_flight.to_string())),
            ("from-book", self.from_book.then(String::new)),
            ("from-session", self.from_session.clone()),
            ("gate-time", self.gate_time.clone()),
            ("gate-length", self.gate_length.clone()),
        ];
        given.into_iter().filter_map(|(name, value)| Some((name, value?))).collect()
    }

    /// The flight of the measurement that `--from` names.
    pub fn measured(&self) -> Result<Option<MeasuredLaunch>, CommandError> {
        let Some(file) = &self.from else { return Ok(None) };
        let text = small_file::text(file, small_file::MEASUREMENT_BYTES).map_err(|error| {
            CommandError::new(Exit::BadInput, format!("can't read `{}`: {error}", file.display()))
                .with_hint("check the path; `lobline measure CLIP --json > FILE` makes one")
        })?;
        let name = file.file_name().unwrap_or(file.as_os_str()).to_string_lossy();
        MeasuredLaunch::parse(&text, &name, self.from_flight).map(Some).map_err(|error| before_error(&error))
    }

    /// What was given, for the library to put together. Shots of the clip with the fingerprint `other_than` don't count, where the
    /// book is asked: a shot isn't to be its own forecast.
    pub fn before(
        &self,
        measured: Option<MeasuredLaunch>,
        of: &BookOptions,
        rig: &Rig,
        other_than: Option<String>,
    ) -> Result<Before, CommandError> {
        let origin = match (measured, &self.gate_time, &self.gate_length, &self.speed) {
            (Some(measured), ..) => Some(Origin::Measured(measured)),
            _ if self.from_book => Some(Origin::Book(self.usual(of, rig, other_than)?)),
            (_, Some(time), Some(length), _) => Some(Origin::Gate {
                length: read_positive("gate-length", Kind::Length, length)?,
                time: read_positive("gate-time", Kind::Time, time)?,
            }),
            (.., Some(speed)) => Some(Origin::Typed(read_positive("speed", Kind::Speed, speed)?)),
            _ => None,
        };
        let read = |option: &str, kind: Kind, text: &Option<String>| {
            text.as_deref().map(|text| read(option, kind, text)).transpose()
        };
        let angle = read("angle", Kind::Angle, &self.angle)?;
        Ok(Before { origin, angle, height: read("height", Kind::Length, &self.height)? })
    }

    fn usual(&self, of: &BookOptions, rig: &Rig, other_than: Option<String>) -> Result<Usual, CommandError> {
        let asked = Asked {
            launcher: of.launcher(rig)?,
            setting: of.setting(rig),
            angle_deg: of.set_angle,
            session: self.from_session.clone(),
            other_than_clip: other_than,
        };
        Book::open_existing(&of.path()?).and_then(|book| book.usual(&asked)).map_err(failed)
    }
}

/// An unknown launch on its way to the user.
pub fn before_error(error: &BeforeError) -> CommandError {
    let exit = match error {
        BeforeError::NotAMeasurement { .. } | BeforeError::Newer { .. } => Exit::BadInput,
        BeforeError::NoSuchFlight { .. } => Exit::NoMeasurement,
        _ => Exit::WrongUse,
    };
    CommandError::new(exit, error).with_hint(error.hint())
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
                return Ok((gravity, Figured::of(gravity).figures, "the rig's place".to_owned()));
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
    pub fn air(&self, rig: &Rig) -> Result<AirState, CommandError> {
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
