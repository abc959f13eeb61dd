//! `book land`: shots by where they landed.

use clap::Args;
use jiff::Timestamp;

use super::failure::failed;
use super::record::{confirmed, report, split_outcome, today, typed_time};
use super::{Place, SettingArguments};
use crate::book::landing::{InAir, Landing, LandingError};
use crate::book::{Outcome, ShotRecord, Source};
use crate::cli::output::{CommandError, Exit};
use crate::cli::statement::{PlaceOptions, TargetOptions, read, read_positive};
use crate::quantity::Kind;
use crate::rig::Rig;
use crate::units::Estimate;

#[derive(Debug, Args)]
pub(super) struct LandArguments {
    /// Distances along the floor from the point under the muzzle to where the ball came down, such as "1.52 m ± 1 cm", and `hit` or
    /// `miss` behind it where somebody aimed.
    #[arg(required = true, value_name = "DISTANCE")]
    distances: Vec<String>,
    /// The launcher.
    #[arg(long)]
    launcher: String,
    /// The session; without it, today's date.
    #[arg(long)]
    session: Option<String>,
    /// How the launcher was loaded, in its own word, such as "notch 3".
    #[arg(long)]
    setting: Option<String>,
    /// Launch angle above the horizontal, such as "52° ± 0.5°".
    #[arg(long, value_name = "ANGLE", allow_hyphen_values = true)]
    angle: String,
    /// Height of the ball's centre above the floor as it leaves the launcher, such as "30 cm ± 0.5 cm".
    #[arg(long, value_name = "LENGTH")]
    height: String,
    /// Height of the ball's centre above the floor where it came down; without it, half the ball's diameter, or the floor.
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    landing_height: Option<String>,
    /// Diameter of the ball, such as "70 mm".
    #[arg(long, value_name = "LENGTH")]
    diameter: Option<String>,
    /// Mass of the ball, such as "13 g"; with the diameter, the air is counted in.
    #[arg(long, value_name = "MASS", requires = "diameter")]
    mass: Option<String>,
    /// The ball's name in the book.
    #[arg(long, value_name = "NAME")]
    ball: Option<String>,
    #[command(flatten)]
    place: PlaceOptions,
    #[command(flatten)]
    target: TargetOptions,
    /// Name of the set-up, when it stays the same over sessions.
    #[arg(long, value_name = "NAME")]
    rig: Option<String>,
    /// When: RFC 3339, or date and time of day here. Without it, now.
    #[arg(long)]
    time: Option<String>,
    /// A note.
    #[arg(long)]
    note: Option<String>,
    /// Record speeds beyond what launchers give as well: they are meant.
    #[arg(long)]
    confirm: bool,
}

pub(super) fn land(place: &Place, arguments: &LandArguments) -> Result<(), CommandError> {
    let time = arguments.time.as_deref().map(typed_time).transpose()?.unwrap_or_else(Timestamp::now);
    let target = arguments.target.target()?;
    let stated = arguments.landing()?;
    let record = |text: &String| -> Result<ShotRecord, CommandError> {
        let (distance, outcome) = split_outcome(text);
        let distance_m = read_positive("DISTANCE", Kind::Length, distance)?.estimate();
        arguments.record(Landing { distance_m, ..stated }, outcome, time, target)
    };
    let records = arguments.distances.iter().map(record).collect::<Result<Vec<_>, _>>()?;
    confirmed(&records, arguments.confirm)?;
    for record in &records {
        place.console.note(format!("launch speed {:.3} m/s", record.speed_m_per_s));
    }
    report(&place.console, &place.open_or_make()?.add(records, Timestamp::now()).map_err(failed)?);
    Ok(())
}

impl LandArguments {
    /// What all shots have in common; the distance is each shot's own.
    fn landing(&self) -> Result<Landing, CommandError> {
        let positive = |option: &str, kind: Kind, text: &Option<String>| {
            text.as_deref().map(|text| read_positive(option, kind, text).map(|read| read.value)).transpose()
        };
        let diameter = positive("diameter", Kind::Length, &self.diameter)?;
        let mass = positive("mass", Kind::Mass, &self.mass)?;
        let room = self.place.air(&Rig::default())?;
        let air = diameter.zip(mass).map(|(diameter_m, mass_kg)| InAir {
            diameter_m,
            mass_kg,
            temperature_c: room.temperature_c(),
            pressure_pa: room.pressure_pa(),
            relative_humidity: room.relative_humidity(),
        });
        let landing_height_m = match &self.landing_height {
            Some(text) => read("landing-height", Kind::Length, text)?.estimate(),
            None => Estimate::without_uncertainty(diameter.map_or(0.0, |diameter| 0.5 * diameter)),
        };
        Ok(Landing {
            distance_m: Estimate::without_uncertainty(f64::NAN),
            landing_height_m,
            launch_height_m: read("height", Kind::Length, &self.height)?.estimate(),
            angle_deg: read("angle", Kind::Angle, &self.angle)?.estimate(),
            gravity_m_per_s2: self.place.gravity(&Rig::default())?.0,
            air,
        })
    }

    fn record(
        &self,
        landing: Landing,
        outcome: Option<Outcome>,
        time: Timestamp,
        target: Option<crate::flight::aim::Target>,
    ) -> Result<ShotRecord, CommandError> {
        let found = landing.speed().map_err(|error| landing_error(&error))?;
        let speed = found.speed_m_per_s;
        let setting = SettingArguments {
            setting: self.setting.clone(),
            angle: Some(landing.angle_deg.value),
            ball: self.ball.clone(),
        };
        Ok(ShotRecord {
            launcher: self.launcher.clone(),
            setting: setting.setting(),
            session: self.session.clone().unwrap_or_else(today),
            time,
            speed_m_per_s: speed.value,
            standard_uncertainty_m_per_s: speed.standard_uncertainty.filter(|u| *u > 0.0),
            common_uncertainty_m_per_s: found.common_uncertainty_m_per_s,
            rig: self.rig.clone(),
            source: Source::Landing,
            clip: None,
            outcome,
            target,
            note: self.note.clone(),
            measurement: None,
            launch_angle: None,
            landing: Some(landing),
        })
    }
}

fn landing_error(error: &LandingError) -> CommandError {
    CommandError::new(Exit::WrongUse, error).with_hint(error.hint())
}
