//! Every output for good and hard shots, written to `target/gallery` to be looked at:
//! `cargo test --release --lib gallery -- --ignored`.

mod recorded;

use std::fs;
use std::path::PathBuf;

use super::figure::{Sheet, Style, Theme};
use super::files::{png, write_atomically};
use super::graphs::{self, Choice};
use super::numbers::DecimalMark;
use super::outputs::{self, OutputOptions};
use super::sample::{Shot, measurement, strobe_input};
use super::sheet::SheetInput;
use super::{json, strobe, tables, workbook};
use crate::measurement::Measurement;

/// The shots, good and hard, that every output must stand.
pub fn cases() -> Vec<(&'static str, Measurement)> {
    let good = Shot::default();
    let many =
        Shot { points: 240, rate_hz: 240.0, streak: false, forecast: false, mass_kg: Some(0.012), ..good.clone() };
    let few = Shot { points: 4, rate_hz: 10.0, forecast: false, radius_px: 8.0, ..good.clone() };
    let unsure = Shot { points: 12, rate_hz: 25.0, sigma_m: 0.08, outlier: true, ..good.clone() };
    let down = Shot { points: 18, angle_deg: -35.0, speed_m_per_s: 1.8, mass_kg: Some(0.012), ..good.clone() };
    let five = [2.6, 2.9, 3.1, 3.3, 3.5].map(|speed_m_per_s| Shot { points: 26, speed_m_per_s, ..good.clone() });
    vec![
        ("good", measurement(&[good])),
        ("many", measurement(&[many])),
        ("few", measurement(&[few])),
        ("unsure", measurement(&[unsure])),
        ("down", measurement(&[down])),
        ("five", measurement(&five)),
    ]
}

fn folder(name: &str) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/gallery").join(name);
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// Prints how long the outputs of one flight take.
#[test]
#[ignore = "prints times"]
fn time_of_outputs() {
    let measurement = measurement(&[Shot::default()]);
    let strobes = [strobe_input(&measurement.flights[0])];
    for hand_in in [false, true] {
        let options = OutputOptions { hand_in, ..OutputOptions::default() };
        let start = std::time::Instant::now();
        outputs::write(&folder("timed"), &measurement, &strobes, &options).unwrap();
        println!("hand-in {hand_in}: {:.0} ms", 1e3 * start.elapsed().as_secs_f64());
    }
}

#[test]
#[ignore = "writes pictures to look at"]
fn gallery() {
    for (name, measurement) in cases() {
        let folder = folder(name);
        graphs::write(&folder, &measurement, Choice::All, &Style::default()).unwrap();
        let mark = DecimalMark::Point;
        write_atomically(&folder.join("sightings.csv"), tables::sightings_csv(&measurement, mark).as_bytes()).unwrap();
        let mut strobes = Vec::new();
        for flight in &measurement.flights {
            let image = strobe::picture(&strobe_input(flight), flight, &measurement, mark);
            write_atomically(&folder.join(format!("strobe-{}.png", flight.number)), &png(&image, None)).unwrap();
            strobes.push(image);
        }
        let command = Some("lobline measure catapult.mp4 --rig rig.toml");
        let sheet = SheetInput { measurement: &measurement, strobes: &strobes, decimal_mark: mark, command };
        write_atomically(&folder.join("measurement.json"), json::document(&measurement).as_bytes()).unwrap();
        write_atomically(&folder.join("shot.xlsx"), &workbook::xlsx(&measurement).unwrap()).unwrap();
        write_atomically(&folder.join("sheet.html"), sheet.html().as_bytes()).unwrap();
        write_atomically(&folder.join("sheet.pdf"), &sheet.pdf().unwrap()).unwrap();
    }
    let dark =
        Style { theme: Theme::Dark, sheet: Sheet::Slide, decimal_mark: DecimalMark::Comma, without_caption: false };
    graphs::write(&folder("slide-dark"), &measurement(&[Shot::default()]), Choice::All, &dark).unwrap();
}
