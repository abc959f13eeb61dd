//! What was expected before the shot, as typed.

use clap::Args;

use crate::cli::output::{CommandError, Exit};
use crate::cli::statement::{read, read_positive, wrong};
use crate::flight::forecast::speed_from_gate;
use crate::flight::reading::Kind;
use crate::measure::Expected;
use crate::rig::Rig;
use crate::units::Estimate;

/// A forecast to set the flights against. Ball, air and place are those of the rig.
#[derive(Debug, Args)]
pub struct ForecastArguments {
    /// Set each flight against the forecast of a stated launch (`--speed` or a timing gate, and `--angle`).
    #[arg(long, requires = "angle")]
    forecast: bool,
    /// Expected launch speed, such as `3.52 m/s ± 0.03 m/s` (`+-` works as well).
    #[arg(long, value_name = "SPEED", requires = "forecast")]
    speed: Option<String>,
    /// Expected launch angle above the horizontal, such as `48.2° ± 0.4°`.
    #[arg(long, value_name = "ANGLE", requires = "forecast", allow_hyphen_values = true)]
    angle: Option<String>,
    /// Height of the ball's centre above the floor as it leaves the launcher, such as `30 cm`; else the rig's.
    #[arg(long, value_name = "LENGTH", requires = "forecast")]
    height: Option<String>,
    /// Height above the floor at which the landing is wanted, such as `25 cm`.
    #[arg(long, value_name = "LENGTH", default_value = "0 m")]
    target_height: String,
    /// Expected speed from a timing gate: for how long the ball interrupted it, such as `5.68 ms ± 0.02 ms`.
    #[arg(long, value_name = "TIME", requires_all = ["forecast", "gate_length"], conflicts_with = "speed")]
    gate_time: Option<String>,
    /// Length of ball that interrupts the gate, such as `20.0 mm ± 0.1 mm`.
    #[arg(long, value_name = "LENGTH", requires = "gate_time")]
    gate_length: Option<String>,
}

impl ForecastArguments {
    /// What was expected; `None` when no forecast was asked for.
    ///
    /// # Errors
    /// Wrong use, with what to type instead.
    pub fn expected(&self, rig: &Rig) -> Result<Option<Expected>, CommandError> {
        let Some(angle) = self.angle.as_deref().filter(|_| self.forecast) else { return Ok(None) };
        let angle = read("angle", Kind::Angle, angle)?.estimate();
        let (speed, source) = self.speed()?;
        let target = read("target-height", Kind::Length, &self.target_height)?.estimate();
        Expected::with_rig(speed, angle, self.height(rig)?, target, source.to_owned(), rig)
            .map(Some)
            .map_err(|error| CommandError::new(Exit::WrongUse, &error).with_hint(error.hint().unwrap_or_default()))
    }

    fn speed(&self) -> Result<(Estimate, &'static str), CommandError> {
        if let (Some(time), Some(length)) = (&self.gate_time, &self.gate_length) {
            let time = read_positive("gate-time", Kind::Time, time)?;
            let length = read_positive("gate-length", Kind::Length, length)?;
            let speed = speed_from_gate(length.estimate(), time.estimate()).map_err(|e| wrong(&e, e.hint()))?;
            return Ok((speed, "the timing gate and the stated angle"));
        }
        let speed = self.speed.as_deref().ok_or_else(|| {
            wrong(
                "the expected speed isn't stated",
                "give it with `--speed \"3.52 m/s\"`, or from a gate with `--gate-length` and `--gate-time`",
            )
        })?;
        Ok((read_positive("speed", Kind::Speed, speed)?.estimate(), "the stated speed and angle"))
    }

    fn height(&self, rig: &Rig) -> Result<Estimate, CommandError> {
        if let Some(text) = &self.height {
            return Ok(read("height", Kind::Length, text)?.estimate());
        }
        let stated = rig.launcher.height.ok_or_else(|| {
            wrong(
                "the height of the launch isn't stated",
                "give it with `--height 30cm`, or in the rig under `[launcher]`",
            )
        })?;
        let value = stated.length.metres();
        Ok(stated
            .standard_uncertainty_m
            .map_or(Estimate::without_uncertainty(value), |u| Estimate::with_coverage_factor(value, u, 1.96)))
    }
}
