//! The pictures of rendered recordings with known truth, to see balls, rims and labels on real pixels.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::folder;
use crate::clip::{self, Picture, Plane, ReadOptions};
use crate::measurement::{FittedPath, FlightMeasurement, SightingRow};
use crate::report::files::{png, write_atomically};
use crate::report::numbers::DecimalMark;
use crate::report::overlay::{self, OverlayOptions};
use crate::report::sample::{Shot, measurement};
use crate::report::strobe::{self, StrobeInput, StrobePatch};
use crate::units::{Estimate, MetrePoint, PixelPoint};

#[test]
#[ignore = "writes pictures to look at"]
fn recorded_gallery() {
    let clips = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips/range");
    if !clips.exists() {
        println!("skipped: {} is not there", clips.display());
        return;
    }
    for name in ["easy", "fps240", "clutter-person", "drag-light-ball"] {
        show(&clips, name);
    }
}

fn show(clips: &Path, name: &str) {
    let truth: Value =
        serde_json::from_str(&std::fs::read_to_string(clips.join(format!("{name}.truth.json"))).unwrap()).unwrap();
    let clip: PathBuf = clips.join(format!("{name}.mp4"));
    let rows = rows(&truth);
    let mut measured = measurement(&[Shot { forecast: false, ..Shot::default() }]);
    let flight = &mut measured.flights[0];
    with_truth(flight, &truth, rows);
    let scale = &truth["scale"];
    let end = |key: &str, i: usize| scale[key][i].as_f64().unwrap();
    let length_px = (end("a", 0) - end("b", 0)).hypot(end("a", 1) - end("b", 1));
    measured.scale.metres_per_pixel = Estimate::without_uncertainty(scale["length"].as_f64().unwrap() / length_px);
    let input = input(&clip, &measured.flights[0]);
    let image = strobe::picture(&input, &measured.flights[0], &measured, DecimalMark::Point);
    let folder = folder("recorded");
    write_atomically(&folder.join(format!("{name}.png")), &png(&image, None)).unwrap();
    let mut source = clip::open(&clip, &ReadOptions::default()).unwrap();
    let target = folder.join(format!("{name}.mp4"));
    let options = OverlayOptions { slow_factor: 2.0, ..OverlayOptions::default() };
    overlay::write(source.as_mut(), &measured, &target, &options, &mut |_| {}).unwrap();
}

fn rows(truth: &Value) -> Vec<SightingRow> {
    let template = measurement(&[Shot::default()]).flights[0].sightings[0].clone();
    let number = |v: &Value| v.as_f64().unwrap();
    let frames = truth["frames"].as_array().unwrap().iter();
    frames
        .flat_map(|f| f["balls"].as_array().unwrap().iter().map(move |b| (f, b)))
        .filter(|(_, b)| b["phase"] == "flight" && b["visible"].as_f64().unwrap() > 0.9)
        .map(|(frame, ball)| {
            let streak = &ball["streak"];
            let end = |i: usize| streak[i].as_f64();
            let streak_px = end(0).and_then(|x| Some((end(2)? - x, end(3)? - end(1)?)));
            SightingRow {
                frame: frame["i"].as_u64().unwrap() as usize,
                time_s: number(&ball["t_mid"]),
                exposed_s: None,
                centre_px: PixelPoint::new(number(&ball["px"]), number(&ball["py"])),
                centre_m: MetrePoint::new(number(&ball["x"]), number(&ball["y"])),
                radius_px: number(&ball["radius_px"]),
                streak_px,
                ..template.clone()
            }
        })
        .collect()
}

fn with_truth(flight: &mut FlightMeasurement, truth: &Value, rows: Vec<SightingRow>) {
    let of = |key: &str| truth["flights"][0][key].as_f64().unwrap();
    let (sin, cos) = of("angle").to_radians().sin_cos();
    flight.launch_time_s = Estimate::without_uncertainty(of("t_start"));
    flight.path = FittedPath {
        x0_m: 0.0,
        y0_m: 0.0,
        vx_m_per_s: of("speed") * cos,
        vy_m_per_s: of("speed") * sin,
        ax_m_per_s2: 0.0,
        g_m_per_s2: of("g"),
    };
    flight.path_px = rows.iter().map(|r| r.centre_px).collect();
    flight.sightings = rows;
}

/// The median of some frames as background, and a cut of every frame with a sighting.
fn input(clip: &Path, flight: &FlightMeasurement) -> StrobeInput {
    let mut source = clip::open(clip, &ReadOptions::default()).unwrap();
    let (mut some, mut patches) = (Vec::new(), Vec::new());
    while let Some(frame) = source.next_frame().unwrap() {
        if let Some(row) = flight.sightings.iter().find(|s| s.frame == frame.index) {
            patches.push(patch(&frame.picture, row));
        }
        if frame.index % 12 == 0 && some.len() < 15 {
            some.push(frame.picture);
        }
    }
    let median = |plane: fn(&Picture) -> &Plane| {
        let first = plane(&some[0]);
        let samples = (0..first.samples.len()).map(|i| {
            let mut values: Vec<u8> = some.iter().map(|p| plane(p).samples[i]).collect();
            values.sort_unstable();
            values[values.len() / 2]
        });
        Plane { width: first.width, height: first.height, samples: samples.collect() }
    };
    let background =
        Picture { luma: median(|p| &p.luma), cb: median(|p| &p.cb), cr: median(|p| &p.cr), ..some[0].clone() };
    StrobeInput { background, patches }
}

fn patch(picture: &Picture, row: &SightingRow) -> StrobePatch {
    let (dx, dy) = row.streak_px.unwrap_or((0.0, 0.0));
    let reach = row.radius_px + dx.hypot(dy) / 2.0 + 6.0;
    let even = |v: f64, limit: usize| (v.clamp(0.0, limit as f64) as usize) & !1;
    let x = even(row.centre_px.x - reach, picture.width() - 2);
    let y = even(row.centre_px.y - reach, picture.height() - 2);
    let w = (even(2.0 * reach + 3.0, 4000)).min((picture.width() - x) & !1);
    let h = (even(2.0 * reach + 3.0, 4000)).min((picture.height() - y) & !1);
    let cut = |plane: &Plane, x: usize, y: usize, w: usize, h: usize| Plane {
        width: w,
        height: h,
        samples: (y..y + h)
            .flat_map(|r| plane.samples[r * plane.width + x..r * plane.width + x + w].to_vec())
            .collect(),
    };
    StrobePatch {
        frame: row.frame,
        origin_px: (x, y),
        crop: Picture {
            luma: cut(&picture.luma, x, y, w, h),
            cb: cut(&picture.cb, x / 2, y / 2, w / 2, h / 2),
            cr: cut(&picture.cr, x / 2, y / 2, w / 2, h / 2),
            ..picture.clone()
        },
        centre_px: row.centre_px,
        radius_px: row.radius_px,
        streak_px: row.streak_px,
        coverage: 1.0,
    }
}
