//! `lobline demo`: a recording of our own with a known truth, through the real encoder and the real `measure`.

use std::path::PathBuf;

use clap::Args;

use super::measure::{measured, wrapped, write_outputs};
use super::output::{CommandError, Console, Exit};
use crate::measure::Settings;
use crate::measurement::{FlightMeasurement, Measurement};
use crate::report::numbers::DecimalMark;
use crate::report::outputs::OutputOptions;
use crate::report::said::said;
use crate::rig::Rig;
use crate::scene::{FlightTruth, Truth, presets, record};
use crate::units::Estimate;

/// Record a demo clip with a known truth, measure it, and show both.
#[derive(Debug, Args)]
pub struct DemoArguments {
    /// Folder for the clip, the rig and the results; else `lobline-demo` here, or with a number where that exists.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Seed of the noise and the small accidents of the recording.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
}

/// Renders, encodes, reads back, measures.
///
/// # Errors
/// When the folder can't be written, the encoder is missing, or the clip can't be measured.
pub fn run(arguments: &DemoArguments, console: &Console) -> Result<(), CommandError> {
    let folder = &arguments.out.clone().unwrap_or_else(|| console.free_place("lobline-demo".as_ref()));
    std::fs::create_dir_all(folder).map_err(|error| {
        CommandError::new(Exit::Environment, format!("cannot make the folder `{}`: {error}", folder.display()))
            .with_hint("choose another place with `--out`")
    })?;
    console.note("School open day: a wooden catapult lobs an orange foam ball toward a sand bucket.");
    console.note("Recording the demo clip …");
    let clip = folder.join("catapult.mp4");
    let (rig_path, truth_path) = (folder.join("rig.toml"), folder.join("truth.json"));
    [&clip, &rig_path, &truth_path].into_iter().try_for_each(|path| console.may_write(path))?;
    let truth = record(&presets::demo(arguments.seed), &clip).map_err(|error| {
        let shown = CommandError::new(Exit::Environment, &error);
        match error.hint() {
            Some(hint) => shown.with_hint(hint),
            None => shown,
        }
    })?;
    let rig_text = rig_of(&truth);
    console.write(&rig_path, rig_text.as_bytes())?;
    console.write(&truth_path, serde_json::to_string_pretty(&truth).expect("plain numbers").as_bytes())?;
    let rig = Rig::read(&rig_path).map_err(|error| CommandError::new(Exit::Environment, error))?;
    console.note("Measuring it …\n");
    let outcome = measured(&clip, &Settings { rig, ..Settings::default() }, console)?;
    let command = format!("lobline measure {} --rig {}", clip.display(), rig_path.display());
    let keep_existing = !console.overwrites();
    let options =
        OutputOptions { hand_in: true, command: Some(command.clone()), keep_existing, ..OutputOptions::default() };
    write_outputs(&folder.join("results"), &outcome, &options)?;
    for (flight, truth) in outcome.measurement.flights.iter().zip(&truth.flights) {
        console.result(comparison(flight, truth));
    }
    console.result(format!("\n{}", what_is_said(&outcome.measurement)));
    console.note(format!(
        "\nSee {} for the lab sheet, the strobe picture and the graphs.",
        folder.join("results").display()
    ));
    console.note(format!("Again by hand: {command}"));
    console.note("\nA launched ball can hurt: eye protection, a clear landing zone, nobody in the line of");
    console.note("flight. Your school's and local rules come first.");
    Ok(())
}

/// The verdict and all else that must be known of the numbers.
pub(crate) fn what_is_said(measurement: &Measurement) -> String {
    said(measurement).iter().map(|said| wrapped("  ", &said.text)).collect::<Vec<_>>().join("\n")
}

/// The rig as somebody at the open day would write it: the batten's ends marked in the picture, ball on the kitchen scale.
fn rig_of(truth: &Truth) -> String {
    let mut text = "# What is known of the demo's set-up.\n".to_owned();
    if let Some(scale) = truth.scales.first()
        && let (Some(a), Some(b)) = (scale.a_px, scale.b_px)
    {
        let ends = format!("{:.0},{:.0} to {:.0},{:.0} = {:.3} m", a.x, a.y, b.x, b.y, scale.length_m);
        text += &format!(
            "\n[scale]\nlengths = [\"{ends}\"]   # the batten's painted ends\noffset = \"0 m u 0.002 m\"   # it stands in the ball's plane\n"
        );
    }
    if let Some(flight) = truth.flights.first() {
        text += &format!(
            "\n[ball]\ndiameter = \"{:.0} mm u 0.3 mm\"\nmass = \"{:.0} g u 1 g\"\n",
            flight.radius_m * 2000.0,
            flight.mass_kg * 1000.0
        );
    }
    text
}

fn comparison(flight: &FlightMeasurement, truth: &FlightTruth) -> String {
    let mark = DecimalMark::Point;
    let row = |name: &str, measured: &Estimate, true_value: f64, unit: &str| {
        let error = measured.value - true_value;
        let inside = measured
            .expanded_uncertainty_95
            .map_or("", |half_width| if error.abs() <= half_width { "yes" } else { "no" });
        let true_shown = match unit {
            "°" => format!("{}°", mark.fixed(true_value, 3)),
            _ => format!("{} {unit}", mark.fixed(true_value, 3)),
        };
        format!("  {name:<14}{:<20}{true_shown:<14}{inside}", mark.with_unit(measured, unit))
    };
    let used = flight.sightings.iter().filter(|row| row.used).count();
    [
        format!("  {:<14}{:<20}{:<14}within", "", "measured", "true"),
        row("launch speed", &flight.launch_speed_m_per_s, truth.speed_m_per_s, "m/s"),
        row("launch angle", &flight.launch_angle_deg, truth.angle_deg, "°"),
        row("gravity", &flight.gravity_m_per_s2, truth.gravity_m_per_s2, "m/s²"),
        format!("\n  {used} sightings, residual {} px (root mean square)", mark.significant(flight.residual_rms_px, 2)),
    ]
    .join("\n")
}
