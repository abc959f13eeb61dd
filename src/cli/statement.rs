//! The options that state a launch, shared by the commands that look ahead.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Deserialize;

use super::output::{CommandError, Exit};
use crate::flight::air::{AirState, standard_pressure_pa};
use crate::flight::drag::Sphere;
use crate::flight::forecast::{LaunchStatement, speed_from_gate};
use crate::flight::gravity::{Place, expected_gravity};
use crate::flight::reading::{Kind, Reading, ReadingError};
use crate::measurement::FORMAT_VERSION;
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
    /// Height of the ball's centre above the floor as it leaves the launcher, such as `30 cm ± 0.5 cm`
    #[arg(long, value_name = "LENGTH")]
    height: String,
    /// Take speed and angle from a measurement (what `lobline measure --json` printed)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["speed", "gate_time"])]
    from: Option<PathBuf>,
    /// Which flight of the measurement
    #[arg(long, value_name = "N", default_value_t = 1, requires = "from")]
    flight: usize,
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
        let (speed, angle, source) = self.speed_and_angle(angle_deg)?;
        let height = read("height", Kind::Length, &self.height)?;
        let (gravity, gravity_figures, gravity_source) = self.place.gravity()?;
        let ball_diameter_m =
            self.ball.as_deref().map(|text| read_positive("ball", Kind::Length, text)).transpose()?.map(|r| r.value);
        let mass_kg =
            self.mass.as_deref().map(|text| read_positive("mass", Kind::Mass, text)).transpose()?.map(|r| r.value);
        let ball = mass_kg.zip(ball_diameter_m).map(|(mass, diameter)| Sphere::new(mass, diameter)).transpose();
        let launch = LaunchStatement {
            speed_m_per_s: speed.0,
            angle_deg: angle.0,
            height_m: height.estimate(),
            gravity_m_per_s2: gravity,
            ball: ball.map_err(|error| wrong(error, error.hint()))?,
            air: self.place.air()?,
        };
        let figures = [speed.1, angle.1, gravity_figures];
        Ok(Stated { launch, ball_diameter_m, figures, height, source, gravity_source })
    }

    /// Speed and angle, each with its significant figures, and where they come from.
    fn speed_and_angle(&self, stand_in_deg: Option<f64>) -> Result<(WithFigures, WithFigures, String), CommandError> {
        if let Some(file) = &self.from {
            let (speed, angle) = measured(file, self.flight)?;
            // A stated angle goes before the measured one: the launcher may have been turned since.
            let angle = match &self.angle {
                Some(text) => stated(&read("angle", Kind::Angle, text)?),
                None => (angle, figures_of(angle)),
            };
            let source = format!("flight {} of {}", self.flight, file.display());
            return Ok(((speed, figures_of(speed)), angle, source));
        }
        let angle = match (&self.angle, stand_in_deg) {
            (Some(text), _) => stated(&read("angle", Kind::Angle, text)?),
            (None, Some(angle)) => (Estimate::without_uncertainty(angle), 3),
            (None, None) => {
                let hint = "give it with `--angle 48°`, or a measured flight with `--from FILE`";
                return Err(wrong("the launch angle isn't stated", hint));
            }
        };
        if let (Some(time), Some(length)) = (&self.gate_time, &self.gate_length) {
            let (time, length) =
                (read_positive("gate-time", Kind::Time, time)?, read_positive("gate-length", Kind::Length, length)?);
            let speed = speed_from_gate(length.estimate(), time.estimate()).map_err(|e| wrong(&e, e.hint()))?;
            return Ok(((speed, time.figures.min(length.figures)), angle, "timing gate".to_owned()));
        }
        let speed = self.speed.as_deref().ok_or_else(|| {
            wrong(
                "the launch speed isn't stated",
                "give it with `--speed \"3.52 m/s\"`, from a gate with `--gate-length` and `--gate-time`, or from a measured \
                 flight with `--from FILE`",
            )
        })?;
        Ok((stated(&read_positive("speed", Kind::Speed, speed)?), angle, "stated".to_owned()))
    }
}

/// A quantity with its significant figures.
type WithFigures = (Estimate, usize);

fn stated(reading: &Reading) -> WithFigures {
    (reading.estimate(), reading.figures)
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
}

#[derive(Debug, Deserialize)]
struct MeasuredLaunch {
    number: usize,
    launch_speed_m_per_s: Estimate,
    launch_angle_deg: Estimate,
    launch_speed_gravity_given_m_per_s: Option<Estimate>,
}

fn measured(file: &Path, number: usize) -> Result<(Estimate, Estimate), CommandError> {
    let bad = |what: String, hint: &str| CommandError::new(Exit::BadInput, what).with_hint(hint);
    let name = file.display();
    let text = std::fs::read_to_string(file).map_err(|error| {
        bad(format!("can't read `{name}`: {error}"), "check the path; `lobline measure CLIP --json > FILE` makes one")
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
    let speed = flight.launch_speed_gravity_given_m_per_s.unwrap_or(flight.launch_speed_m_per_s);
    Ok((speed, flight.launch_angle_deg))
}

impl PlaceOptions {
    /// Gravity, its significant figures, and where it comes from.
    pub fn gravity(&self) -> Result<(Estimate, usize, String), CommandError> {
        if let Some(text) = &self.gravity {
            let reading = read_positive("gravity", Kind::Acceleration, text)?;
            return Ok((reading.estimate(), reading.figures, "stated".to_owned()));
        }
        let Some(latitude) = self.latitude else {
            return Ok((expected_gravity(None), 3, "place not stated: anywhere on Earth".to_owned()));
        };
        let place = Place::new(latitude, self.altitude).map_err(|error| wrong(error, error.hint()))?;
        let source = match self.altitude {
            Some(altitude) => format!("WGS 84 normal gravity at {latitude}°, {altitude} m"),
            None => format!("WGS 84 normal gravity at {latitude}°, height not stated"),
        };
        Ok((expected_gravity(Some(place)), 4, source))
    }

    fn air(&self) -> Result<AirState, CommandError> {
        let number = |option: &str, kind: Kind, text: &Option<String>| {
            text.as_deref().map(|text| read(option, kind, text)).transpose().map(|reading| reading.map(|r| r.value))
        };
        let room = AirState::ROOM;
        let temperature = number("temperature", Kind::Temperature, &self.temperature)?.unwrap_or(room.temperature_c());
        let by_height = self.altitude.map_or(room.pressure_pa(), standard_pressure_pa);
        let pressure = number("pressure", Kind::Pressure, &self.pressure)?.unwrap_or(by_height);
        AirState::new(temperature, pressure, self.humidity.unwrap_or(room.relative_humidity()))
            .map_err(|error| wrong(error, error.hint()))
    }
}
