//! Pictures against reference pictures that were looked at.
//!
//! After a wanted change: `LOBLINE_NEW_REFERENCES=1 cargo test --release --lib report::reference`, then look at what
//! changed in `fixtures/report/` before it is committed.

use std::fs;
use std::path::PathBuf;

use image::RgbImage;

use super::figure::{Sheet, Style, Theme};
use super::files::{png, write_atomically};
use super::graphs::{self, Choice};
use super::ink::raster;
use super::numbers::DecimalMark;
use super::sample::{Shot, measurement, strobe_input};
use super::strobe;

/// Small, but large enough that every mark and letter is there.
const WIDTH: u32 = 640;

fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fixtures/report").join(format!("{name}.png"))
}

fn compare(name: &str, image: &RgbImage) {
    if std::env::var_os("LOBLINE_NEW_REFERENCES").is_some() {
        fs::create_dir_all(path(name).parent().unwrap()).unwrap();
        write_atomically(&path(name), &png(image, None)).unwrap();
    }
    check(name, image);
}

fn check(name: &str, image: &RgbImage) {
    let reference = image::open(path(name)).unwrap().to_rgb8();
    assert_eq!(reference.dimensions(), image.dimensions(), "{name}");
    // The same arithmetic everywhere should give the same pixels; where a machine fuses a multiplication and an addition,
    // an edge may fall one grey level of 256 to the other side, and hardly any by more.
    let differs = |(a, b): &(&u8, &u8)| a.abs_diff(**b) > 2;
    let share = reference.iter().zip(image.iter()).filter(differs).count() as f64 / image.len() as f64;
    assert!(share < 1e-4, "{name}: {:.3} % of the samples differ", 100.0 * share);
}

fn graph(shot: Shot, file: &str, style: &Style) -> RgbImage {
    let measurement = measurement(&[shot]);
    let figures = graphs::figures(&measurement.flights[0], 1, Choice::All, style.decimal_mark);
    let figure = figures.iter().find(|f| f.name == file).unwrap();
    raster::rgb(&figure.drawing(style), WIDTH)
}

#[test]
fn graphs_look_as_they_did() {
    let light = Style::default();
    let dark =
        Style { theme: Theme::Dark, sheet: Sheet::Slide, decimal_mark: DecimalMark::Comma, without_caption: false };
    let hard = Shot { points: 12, rate_hz: 25.0, sigma_m: 0.08, outlier: true, ..Shot::default() };
    let many = Shot { points: 240, rate_hz: 240.0, forecast: false, ..Shot::default() };
    compare("height-time", &graph(Shot::default(), "height-time", &light));
    compare("height-time-many", &graph(many, "height-time", &light));
    compare("path-unsure", &graph(hard, "path", &light));
    compare("energy-time-dark-slide", &graph(Shot::default(), "energy-time", &dark));
    compare("velocity-time", &graph(Shot::default(), "velocity-time", &light));
}

#[test]
fn the_strobe_picture_looks_as_it_did() {
    let measurement = measurement(&[Shot { points: 14, rate_hz: 25.0, ..Shot::default() }]);
    let flight = &measurement.flights[0];
    let image = strobe::picture(&strobe_input(flight), flight, &measurement, DecimalMark::Point);
    compare("strobe", &image::imageops::thumbnail(&image, WIDTH, WIDTH * 9 / 16));
}

/// The comparison must notice what an eye would.
#[test]
#[should_panic(expected = "of the samples differ")]
fn a_changed_picture_is_noticed() {
    let shot = Shot { speed_m_per_s: 3.49, ..Shot::default() };
    check("height-time", &graph(shot, "height-time", &Style::default()));
}

/// Nothing is drawn outside the axes: beyond the frame's right edge and above its top there is only paper.
#[test]
fn nothing_is_drawn_outside_the_axes() {
    for (name, measurement) in super::gallery::cases() {
        for flight in &measurement.flights {
            for figure in graphs::figures(flight, 1, Choice::All, DecimalMark::Point) {
                let image = raster::rgb(&figure.drawing(&Style::default()), 500);
                // The right margin is 1.8 of 50 em; half of a tick label may stand in it below the frame.
                let title = image.height() / 6;
                let beside = (title..image.height() / 2)
                    .all(|y| (490..500).all(|x| image.get_pixel(x, y).0.iter().all(|v| *v == 255)));
                assert!(beside, "{name}: {}", figure.name);
            }
        }
    }
}
