//! What is known of a launch before the shot, from wherever it is known: typed, a timing gate, a measured clip, the shot book,
//! the rig.
//!
//! One way for all who look ahead: the forecast, the aim, and a measured flight that is set against what was expected.

use serde::Deserialize;
use thiserror::Error;

use crate::book::Usual;
use crate::flight::drag::Sphere;
use crate::flight::forecast::{ForecastError, speed_from_gate};
use crate::measurement::{BallFound, FORMAT_VERSION, FlightMeasurement};
use crate::quantity::Reading;
use crate::rig::{Rig, Stated};
use crate::units::Estimate;

/// Where the speed is known from, and mostly the angle with it.
#[derive(Debug, Clone)]
pub enum Origin {
    Typed(Reading),
    /// Length of ball that interrupts a timing gate, and for how long.
    Gate {
        length: Reading,
        time: Reading,
    },
    Measured(MeasuredLaunch),
    /// Of several flights of today.
    Mean(MeanLaunch),
    Book(Usual),
}

/// What was given of a launch; the rig says the rest.
#[derive(Debug, Clone, Default)]
pub struct Before {
    /// `None`: the rig's `[launcher]` states the speed.
    pub origin: Option<Origin>,
    /// Typed, and then before any that was measured: the launcher may have been turned since.
    pub angle: Option<Reading>,
    /// Of the ball's centre above the floor as it leaves the launcher.
    pub height: Option<Reading>,
}

/// A quantity with the significant figures to which it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figured {
    pub estimate: Estimate,
    pub figures: usize,
}

/// A launch as it is known before the shot.
#[derive(Debug, Clone)]
pub struct KnownLaunch {
    pub speed_m_per_s: Figured,
    pub angle_deg: Figured,
    pub height: Reading,
    /// Where the speed comes from, in few words; `None` when it was typed.
    pub note: Option<String>,
    /// Where speed and angle come from: "the timing gate and the stated angle".
    pub source: String,
    /// Why they may be wrong, in a sentence: the verdict on the measurement that they come from.
    pub doubt: Option<String>,
    /// The ball of a measured flight that nobody weighed, with the relative standard uncertainty of its drag.
    pub ball: Option<(Sphere, f64)>,
}

/// Why a launch isn't known well enough to look ahead.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum BeforeError {
    #[error("the launch speed isn't stated")]
    NoSpeed,
    #[error("the launch angle isn't stated")]
    NoAngle {
        /// Whether the shot book was asked for it.
        asked_the_book: bool,
    },
    #[error("the height of the launch isn't stated")]
    NoHeight,
    #[error(transparent)]
    Gate(#[from] ForecastError),
    #[error("`{name}` isn't a measurement: {message}")]
    NotAMeasurement { name: String, message: String },
    #[error("`{name}` was written by a newer lobline (format {format})")]
    Newer { name: String, format: u32 },
    #[error("`{name}` has no flight {number}; it holds {found}")]
    NoSuchFlight { name: String, number: usize, found: usize },
}

impl BeforeError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::NoSpeed => "give it with `--speed \"3.52 m/s\"`, from a gate with `--gate-length` and `--gate-time`, from a \
                              measured flight with `--from FILE`, from the shot book with `--from-book`, or in the rig under \
                              `[launcher]`"
                .to_owned(),
            Self::NoAngle { asked_the_book: true } => {
                "the book doesn't know it; give it with `--angle \"48° ± 0.5°\"`".to_owned()
            }
            Self::NoAngle { .. } => "give it with `--angle 48°`, or a measured flight with `--from FILE`".to_owned(),
            Self::NoHeight => "give it with `--height 30cm` (ball's centre above the floor), or in the rig under \
                               `[launcher]`"
                .to_owned(),
            Self::Gate(error) => error.hint(),
            Self::NotAMeasurement { .. } => "make one with `lobline measure CLIP --json > FILE`".to_owned(),
            Self::Newer { .. } => "update this program".to_owned(),
            Self::NoSuchFlight { .. } => "choose another with `--from-flight`".to_owned(),
        }
    }
}

impl Before {
    /// Puts together what is known: what was typed goes before what was measured or booked, and that before the rig.
    ///
    /// `stand_in_deg` stands in for an angle that nobody states, where the angle is what is looked for.
    ///
    /// # Errors
    /// [`BeforeError`]: which quantity nobody states.
    pub fn launch(&self, rig: &Rig, stand_in_deg: Option<f64>) -> Result<KnownLaunch, BeforeError> {
        let (speed_m_per_s, note) = self.speed(rig)?;
        let (angle_deg, typed) = self.angle(rig, stand_in_deg)?;
        let source = in_words(self.origin.as_ref(), note.as_deref(), typed);
        let (doubt, ball) = match &self.origin {
            Some(Origin::Measured(measured)) => (measured.doubt.clone(), measured.ball),
            _ => (None, None),
        };
        Ok(KnownLaunch { speed_m_per_s, angle_deg, height: self.height(rig)?, note, source, doubt, ball })
    }

    fn speed(&self, rig: &Rig) -> Result<(Figured, Option<String>), BeforeError> {
        match &self.origin {
            Some(Origin::Typed(speed)) => Ok((Figured::typed(speed), None)),
            Some(Origin::Gate { length, time }) => {
                let estimate = speed_from_gate(length.estimate(), time.estimate())?;
                Ok((Figured { estimate, figures: time.figures.min(length.figures) }, Some("timing gate".to_owned())))
            }
            Some(Origin::Measured(measured)) => {
                let note = format!("flight {} of {}", measured.number, measured.name);
                Ok((Figured::of(measured.speed_m_per_s), Some(note)))
            }
            Some(Origin::Mean(mean)) => Ok((Figured::of(mean.speed_m_per_s), Some(mean.note.clone()))),
            Some(Origin::Book(usual)) => {
                let shots =
                    if usual.shots == 1 { "1 shot".to_owned() } else { format!("mean of {} shots", usual.shots) };
                Ok((Figured::of(usual.speed_m_per_s), Some(format!("{shots}, {}", usual.session))))
            }
            None => {
                let stated = rig.launcher.speed_m_per_s.ok_or(BeforeError::NoSpeed)?;
                Ok((Figured::of(of_rig(stated)), Some("the rig's launcher".to_owned())))
            }
        }
    }

    /// The angle, and whether it was typed.
    fn angle(&self, rig: &Rig, stand_in_deg: Option<f64>) -> Result<(Figured, bool), BeforeError> {
        if let Some(typed) = &self.angle {
            return Ok((Figured::typed(typed), true));
        }
        let asked_the_book = matches!(self.origin, Some(Origin::Book(_)));
        let known = match &self.origin {
            Some(Origin::Measured(measured)) => Some(measured.angle_deg),
            Some(Origin::Mean(mean)) => mean.angle_deg,
            Some(Origin::Book(usual)) => usual.angle_deg,
            _ => None,
        };
        // Where the angle is looked for, what was measured still says how well the launcher is set.
        let known = known.or(rig.launcher.angle_deg.map(of_rig)).map(Figured::of);
        let stand_in = || stand_in_deg.map(|angle| Figured::of(Estimate::without_uncertainty(angle)));
        known.or_else(stand_in).map(|angle| (angle, false)).ok_or(BeforeError::NoAngle { asked_the_book })
    }

    fn height(&self, rig: &Rig) -> Result<Reading, BeforeError> {
        if let Some(typed) = &self.height {
            return Ok(typed.clone());
        }
        let stated = rig.launcher.height.ok_or(BeforeError::NoHeight)?;
        let value = stated.length.metres();
        let estimate = stated
            .standard_uncertainty_m
            .map_or(Estimate::without_uncertainty(value), |u| Estimate::with_coverage_factor(value, u, 1.96));
        // Where nothing is said of its uncertainty, a tape is read to the centimetre.
        let to_centimetres = (value.log10().floor() + 3.0).max(1.0) as usize;
        Ok(Reading {
            value,
            standard_uncertainty: estimate.standard_uncertainty,
            half_width_95: estimate.expanded_uncertainty_95,
            figures: estimate.expanded_uncertainty_95.map_or(to_centimetres, |_| Figured::of(estimate).figures),
            text: format!("{value} m"),
        })
    }
}

fn of_rig(stated: Stated) -> Estimate {
    stated
        .standard_uncertainty
        .map_or(Estimate::without_uncertainty(stated.value), |u| Estimate::with_coverage_factor(stated.value, u, 1.96))
}

/// Where a forecast comes from, as part of a sentence.
fn in_words(origin: Option<&Origin>, note: Option<&str>, angle_typed: bool) -> String {
    let note = note.unwrap_or_default();
    let of = match origin {
        Some(Origin::Typed(_)) if angle_typed => return "the stated speed and angle".to_owned(),
        Some(Origin::Typed(_)) => return "the stated speed and the rig's angle".to_owned(),
        Some(Origin::Gate { .. }) if !angle_typed => return "the timing gate and the rig's angle".to_owned(),
        Some(Origin::Gate { .. }) => "the timing gate".to_owned(),
        Some(Origin::Measured(_) | Origin::Mean(_)) => note.to_owned(),
        Some(Origin::Book(usual)) => {
            let shots =
                if usual.shots == 1 { "1 shot".to_owned() } else { format!("the mean of {} shots", usual.shots) };
            format!("{shots} of the {} in the book (session {})", usual.launcher, usual.session)
        }
        None if angle_typed => "the rig's speed".to_owned(),
        None => return "the rig's speed and angle".to_owned(),
    };
    if angle_typed { format!("{of} and the stated angle") } else { of }
}

impl Figured {
    pub fn typed(reading: &Reading) -> Self {
        Self { estimate: reading.estimate(), figures: reading.figures }
    }

    /// Figures that an interval leaves meaning to, down to the place of its first figure; three where there is none.
    pub fn of(estimate: Estimate) -> Self {
        let half_width = estimate.expanded_uncertainty_95.filter(|half_width| *half_width > 0.0);
        let figures = half_width.map_or(3, |half_width| {
            let places = estimate.value.abs().log10().floor() - half_width.log10().floor() + 1.0;
            places.clamp(1.0, 6.0) as usize
        });
        Self { estimate, figures }
    }
}

/// The mean of several flights.
#[derive(Debug, Clone, PartialEq)]
pub struct MeanLaunch {
    pub speed_m_per_s: Estimate,
    /// `None` where none is known.
    pub angle_deg: Option<Estimate>,
    /// Whose, in few words: "the mean of 5 flights".
    pub note: String,
}

/// A launch as a clip showed it.
#[derive(Debug, Clone)]
pub struct MeasuredLaunch {
    /// Of the file that holds it.
    pub name: String,
    /// From 1.
    pub number: usize,
    /// Speed and angle of one and the same fit.
    pub speed_m_per_s: Estimate,
    pub angle_deg: Estimate,
    /// Why they may be wrong, in a sentence; `None` where gravity came out as expected.
    pub doubt: Option<String>,
    /// As [`KnownLaunch::ball`].
    pub ball: Option<(Sphere, f64)>,
    /// With which it was measured; `None` where the file doesn't hold one that this program understands.
    pub rig: Option<Box<Rig>>,
}

/// The part of a `Measurement`'s JSON that a forecast needs; whatever else the file holds may change between versions.
#[derive(Deserialize)]
struct Launches {
    format_version: u32,
    flights: Vec<Launch>,
    #[serde(default)]
    basis: Option<Basis>,
}

#[derive(Deserialize)]
struct Launch {
    number: usize,
    launch_speed_m_per_s: Estimate,
    launch_angle_deg: Estimate,
    launch_speed_gravity_given_m_per_s: Option<Estimate>,
    #[serde(default)]
    gravity_given: Option<Given>,
    #[serde(default)]
    verdict: Option<Judged>,
    #[serde(default)]
    ball_found: Option<BallFound>,
}

/// The ball with the doubt of its drag; `None` for one that can't be.
fn ball(found: Option<BallFound>) -> Option<(Sphere, f64)> {
    let BallFound { mass_kg, diameter_m, drag_relative_uncertainty } = found?;
    Sphere::new(mass_kg, diameter_m).ok().map(|sphere| (sphere, drag_relative_uncertainty))
}

#[derive(Deserialize)]
struct Given {
    launch_angle_deg: Estimate,
}

#[derive(Deserialize)]
struct Judged {
    summary: String,
    #[serde(default)]
    agrees: Option<bool>,
    /// `None` where nobody judged.
    #[serde(default)]
    agreement: Option<serde::de::IgnoredAny>,
}

impl Judged {
    /// What to mind when the launch is used to look ahead.
    fn doubt(&self, number: usize) -> Option<String> {
        let judged = self.agrees.is_some() || self.agreement.is_some();
        (judged && self.agrees != Some(true)).then(|| doubt(number, self.agrees, &self.summary))
    }
}

/// That the gravity of a flight isn't as expected, so that its speed isn't to be trusted either.
fn doubt(number: usize, agrees: Option<bool>, summary: &str) -> String {
    let what = match agrees {
        Some(false) => "is off, so that its speed and angle are off as well: find out why before you rely on this",
        _ => "can't be judged, so that nothing bears its speed and angle out",
    };
    format!("mind: the gravity measured with flight {number} {what}. ({summary})")
}

#[derive(Deserialize)]
struct Basis {
    rig: serde_json::Value,
}

impl MeasuredLaunch {
    /// A flight as it was measured; `name` is the clip's.
    pub fn of(flight: &FlightMeasurement, name: &str) -> Self {
        Self {
            name: name.to_owned(),
            number: flight.number,
            speed_m_per_s: flight.best_speed_m_per_s(),
            angle_deg: flight.best_angle_deg(),
            doubt: flight.verdict.as_ref().and_then(|verdict| {
                let judged = verdict.agrees.is_some() || verdict.agreement.is_some();
                (judged && verdict.agrees != Some(true)).then(|| doubt(flight.number, verdict.agrees, &verdict.summary))
            }),
            ball: ball(flight.ball_found),
            rig: None,
        }
    }

    /// Reads one flight of a measurement's JSON; `name` is the file's.
    ///
    /// # Errors
    /// [`BeforeError`]: no measurement, one of a newer program, or without this flight.
    pub fn parse(json: &str, name: &str, number: usize) -> Result<Self, BeforeError> {
        let name = name.to_owned();
        let measurement: Launches = serde_json::from_str(json)
            .map_err(|error| BeforeError::NotAMeasurement { name: name.clone(), message: error.to_string() })?;
        if measurement.format_version > FORMAT_VERSION {
            return Err(BeforeError::Newer { name, format: measurement.format_version });
        }
        let found = measurement.flights.len();
        let Some(flight) = measurement.flights.into_iter().find(|flight| flight.number == number) else {
            return Err(BeforeError::NoSuchFlight { name, number, found });
        };
        // The fit with gravity given is the better one for a forecast: it leans on one unknown less. Speed and angle are those of one
        // fit, as either gives way to the other.
        let (speed_m_per_s, angle_deg) = match (flight.launch_speed_gravity_given_m_per_s, flight.gravity_given) {
            (Some(speed), Some(given)) => (speed, given.launch_angle_deg),
            _ => (flight.launch_speed_m_per_s, flight.launch_angle_deg),
        };
        let doubt = flight.verdict.and_then(|verdict| verdict.doubt(number));
        let rig = measurement.basis.and_then(|basis| serde_json::from_value(basis.rig).ok().map(Box::new));
        Ok(Self { name, number, speed_m_per_s, angle_deg, doubt, ball: ball(flight.ball_found), rig })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Kind;

    fn read(kind: Kind, text: &str) -> Reading {
        Reading::parse(kind, text).unwrap()
    }

    fn rig() -> Rig {
        Rig::parse("[launcher]\nspeed = '4.00(2) m/s'\nangle = '52 deg'\nheight = '30.0(2) cm'").unwrap()
    }

    #[test]
    fn the_rig_alone_is_enough() {
        let known = Before::default().launch(&rig(), None).unwrap();
        assert_eq!(known.source, "the rig's speed and angle");
        assert_eq!((known.angle_deg.estimate.value, known.angle_deg.estimate.standard_uncertainty), (52.0, None));
        // 4.00(2) m/s: standard uncertainty 0.02 m/s, 95 % half-width 1.96 times as much (GUM G.1.3).
        let half_width = known.speed_m_per_s.estimate.expanded_uncertainty_95.unwrap();
        assert!((half_width - 0.0392).abs() < 1e-12 && known.speed_m_per_s.figures == 3);
        // 30.0(2) cm: ± 4 mm leaves the millimetres meaning.
        assert!((known.height.value - 0.3).abs() < 1e-12 && known.height.figures == 3);
        let tape = Rig::parse("[launcher]\nspeed = '4.00 m/s'\nangle = '52 deg'\nheight = '30 cm'").unwrap();
        assert_eq!(Before::default().launch(&tape, None).unwrap().height.figures, 2);
    }

    #[test]
    fn what_was_typed_goes_first() {
        let before = Before {
            origin: Some(Origin::Typed(read(Kind::Speed, "3.5 m/s"))),
            angle: Some(read(Kind::Angle, "-10°")),
            height: Some(read(Kind::Length, "1.2 m")),
        };
        let known = before.launch(&rig(), Some(45.0)).unwrap();
        assert_eq!((known.speed_m_per_s.estimate.value, known.angle_deg.estimate.value), (3.5, -10.0));
        assert_eq!((known.height.value, known.speed_m_per_s.figures), (1.2, 2));
        assert_eq!(known.source, "the stated speed and angle");
        let turned = Before { angle: None, ..before }.launch(&rig(), Some(45.0)).unwrap();
        assert_eq!(
            (turned.angle_deg.estimate.value, turned.source.as_str()),
            (52.0, "the stated speed and the rig's angle")
        );
    }

    #[test]
    fn what_nobody_states_is_named() {
        let empty = Before::default();
        assert_eq!(empty.launch(&Rig::default(), None).unwrap_err(), BeforeError::NoSpeed);
        let speed = Before { origin: Some(Origin::Typed(read(Kind::Speed, "3.5 m/s"))), ..empty };
        let no_angle = BeforeError::NoAngle { asked_the_book: false };
        assert_eq!(speed.launch(&Rig::default(), None).unwrap_err(), no_angle);
        assert_eq!(speed.launch(&Rig::default(), Some(45.0)).unwrap_err(), BeforeError::NoHeight);
    }

    /// Speed and angle of the fit with gravity given, read from a file or not, and a word where gravity was off.
    #[test]
    fn a_forecast_takes_one_fit_and_its_verdict() {
        let mut measurement = crate::report::sample::measurement(&[Default::default()]);
        let flight = &mut measurement.flights[0];
        flight.verdict.as_mut().unwrap().agrees = Some(false);
        let want = (flight.best_speed_m_per_s(), flight.gravity_given.as_ref().unwrap().launch_angle_deg);
        let here = MeasuredLaunch::of(flight, "this clip");
        let read = MeasuredLaunch::parse(&crate::report::json::document(&measurement), "shot.json", 1).unwrap();
        for launch in [here, read] {
            assert_eq!((launch.speed_m_per_s, launch.angle_deg), want);
            let before = Before { origin: Some(Origin::Measured(launch)), ..Before::default() };
            let known = before.launch(&rig(), None).unwrap();
            assert!(known.doubt.unwrap().contains("its speed and angle are off as well"));
        }
    }

    #[test]
    fn a_measurement_says_speed_angle_and_rig() {
        let mut measurement = crate::report::sample::measurement(&[Default::default()]);
        measurement.flights[0].launch_speed_gravity_given_m_per_s = None;
        let text = crate::report::json::document(&measurement);
        let launch = MeasuredLaunch::parse(&text, "shot.json", 1).unwrap();
        assert_eq!(launch.speed_m_per_s, measurement.flights[0].launch_speed_m_per_s);
        assert_eq!((launch.angle_deg, launch.doubt), (measurement.flights[0].launch_angle_deg, None));
        let missing = MeasuredLaunch::parse(&text, "shot.json", 2).unwrap_err();
        assert_eq!(missing.to_string(), "`shot.json` has no flight 2; it holds 1");
        let newer = text.replacen(&format!("\"format_version\": {FORMAT_VERSION}"), "\"format_version\": 999", 1);
        assert!(matches!(MeasuredLaunch::parse(&newer, "x", 1), Err(BeforeError::Newer { format: 999, .. })));
        assert!(matches!(MeasuredLaunch::parse("{}", "x", 1), Err(BeforeError::NotAMeasurement { .. })));
    }
}
