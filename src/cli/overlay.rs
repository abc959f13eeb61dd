//! `lobline overlay`: the recording with path, sightings and a running time drawn in.

use std::path::PathBuf;

use clap::Args;

use super::output::{CommandError, Console, Exit};
use super::refit::read_measurement;
use crate::clip::{self, ClipError, ReadOptions, fingerprint_of};
use crate::report::numbers::DecimalMark;
use crate::report::overlay::{OverlayError, OverlayOptions, write};

/// Write the recording again with path, points, velocity and a running time drawn in.
#[derive(Debug, Args)]
pub struct OverlayArguments {
    /// The recording, or the folder of pictures.
    #[arg(value_name = "CLIP")]
    clip: PathBuf,
    /// Its measurement file: `measurement.json`.
    #[arg(long, value_name = "FILE")]
    measurement: PathBuf,
    /// The clip to write, such as `shot-overlay.mp4`.
    #[arg(long, value_name = "FILE")]
    output: PathBuf,
    /// Play so many times slower while a ball flies.
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    slow: f64,
    /// Hold the picture so many seconds at each landing.
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0)]
    freeze: f64,
    /// Frames per second of a folder of pictures.
    #[arg(long, value_name = "HZ")]
    picture_rate: Option<f64>,
    /// Write numbers with a decimal comma.
    #[arg(long)]
    decimal_comma: bool,
}

/// Reads, draws, writes.
///
/// # Errors
/// When clip or measurement can't be read or don't belong together, or the new clip can't be written.
pub fn run(arguments: &OverlayArguments, console: &Console) -> Result<(), CommandError> {
    console.may_write(&arguments.output)?;
    let measurement = read_measurement(&arguments.measurement)?;
    if let (Some(of_file), Some(of_clip)) = (&measurement.reading.fingerprint, fingerprint_of(&arguments.clip))
        && *of_file != of_clip
    {
        let message = format!("the measurement is of another recording than `{}`", arguments.clip.display());
        return Err(CommandError::new(Exit::WrongUse, message).with_hint("measure this clip first, with `--out`"));
    }
    let reading = ReadOptions { picture_rate_hz: arguments.picture_rate, ..ReadOptions::default() };
    let mut source = clip::open(&arguments.clip, &reading).map_err(|error| failed(&OverlayError::Clip(error)))?;
    let options = OverlayOptions {
        slow_factor: arguments.slow,
        freeze_s: arguments.freeze,
        decimal_mark: if arguments.decimal_comma { DecimalMark::Comma } else { DecimalMark::Point },
        ..OverlayOptions::default()
    };
    write(&mut *source, &measurement, &arguments.output, &options, &mut |_| ()).map_err(|error| failed(&error))?;
    console.note(format!("written to {}", arguments.output.display()));
    Ok(())
}

fn failed(error: &OverlayError) -> CommandError {
    let exit = match error {
        OverlayError::NoFlight => Exit::NoMeasurement,
        OverlayError::Clip(ClipError::BadRate(_) | ClipError::NoPictureRate(_) | ClipError::UnknownEnding(_))
        | OverlayError::BadFactor(_)
        | OverlayError::BadFreeze(_) => Exit::WrongUse,
        OverlayError::Clip(ClipError::NoEncoder(_) | ClipError::NotWritable { .. }) => Exit::Environment,
        OverlayError::Clip(_) => Exit::BadInput,
    };
    let shown = CommandError::new(exit, error);
    match error.hint() {
        Some(hint) => shown.with_hint(hint),
        None => shown,
    }
}
