//! Recordings rendered by others, truth beside each, as what is known of a clip. They lie beside the project, not in it.

use std::path::{Path, PathBuf};

use lobline::measure::{MeasureError, Outcome, Settings, measure};
use lobline::rig::Rig;
use lobline::units::PixelPoint;
use serde_json::Value;

use crate::common::{KnownClip, TrueBall, TrueFlight};

/// Where a set of recordings lies, beside the project.
pub fn folder(set: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips").join(set)
}

/// The truth of a clip, or `None`, said aloud, where it is absent.
pub fn truth(set: &str, name: &str) -> Option<Value> {
    let path = folder(set).join(format!("{name}.truth.json"));
    match std::fs::read_to_string(&path) {
        Ok(text) => Some(serde_json::from_str(&text).unwrap()),
        Err(_) => {
            eprintln!("skipped: no recording at {}", path.display());
            None
        }
    }
}

pub fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key} in {value}"))
}

fn point(value: &Value) -> PixelPoint {
    PixelPoint::new(value[0].as_f64().unwrap(), value[1].as_f64().unwrap())
}

/// What a user knows: the length of the scale and where it was clicked, the distances by tape, the ball where it was
/// weighed, and `camera`, what the clip's description says.
fn rig_text(truth: &Value, camera: &str) -> String {
    let scale = &truth["scale"];
    let (a, b) = (point(&scale["clicked_a"]), point(&scale["clicked_b"]));
    let ball = truth["flights"].get(0).map(|flight| &flight["ball"]).filter(|ball| number(ball, "mass") > 0.0);
    let ball = ball.map_or(String::new(), |ball| {
        let (mm, g) = (2e3 * number(ball, "radius"), 1e3 * number(ball, "mass"));
        format!("[ball]\ndiameter = '{mm:.1} mm u 0.1 mm'\nmass = '{g:.2} g u 0.02 g'")
    });
    format!(
        "[scale]\nlengths = ['{:.2},{:.2} to {:.2},{:.2} = {} m']\nend_uncertainty = '{} px'\noffset = '{} m u 2 mm'\n\
         [camera]\ndistance = '{} m u 2 cm'\n{camera}\n{ball}\n",
        a.x,
        a.y,
        b.x,
        b.y,
        number(scale, "length"),
        number(scale, "click_sigma"),
        number(scale, "z"),
        number(&truth["camera"], "distance")
    )
}

pub fn known(truth: &Value) -> KnownClip {
    let scale = &truth["scale"];
    let pixels = |a: &str, b: &str| point(&scale[a]).distance(point(&scale[b]));
    let frames = truth["frames"].as_array().unwrap();
    KnownClip {
        name: truth["name"].as_str().unwrap().to_owned(),
        frames: frames.iter().map(balls).collect(),
        flights: truth["flights"].as_array().unwrap().iter().map(flight).collect(),
        visible: 0.5,
        marked_over_true: pixels("clicked_a", "clicked_b") / pixels("a", "b"),
    }
}

fn balls(frame: &Value) -> Vec<TrueBall> {
    let seen = |ball: &&Value| ball["px"].is_number();
    let ball = |ball: &Value| TrueBall {
        flight: ball["ball"].as_u64().unwrap() as usize,
        in_free_flight: ball["phase"] == "flight",
        visible: number(ball, "visible"),
        centre_px: PixelPoint::new(number(ball, "px"), number(ball, "py")),
        radius_px: number(ball, "radius_px"),
        streak_px: number(ball, "streak_px"),
    };
    frame["balls"].as_array().unwrap().iter().filter(seen).map(ball).collect()
}

fn flight(flight: &Value) -> TrueFlight {
    TrueFlight {
        speed_m_per_s: number(flight, "speed"),
        angle_deg: number(flight, "angle").to_radians().sin().asin().to_degrees(),
        gravity_m_per_s2: number(flight, "g") * without_buoyancy(&flight["ball"]),
    }
}

/// The simulator knows drag alone. Who counts buoyancy and added mass too, as there are in true air, finds a g that is larger by
/// (1 + q/2)/(1 − q), q the air's density over the ball's: 2.3 % for the hollow ball.
fn without_buoyancy(ball: &Value) -> f64 {
    let mass = number(ball, "mass");
    if mass <= 0.0 {
        return 1.0;
    }
    let volume = 4.0 / 3.0 * std::f64::consts::PI * number(ball, "radius").powi(3);
    let q = number(ball, "rho") * volume / mass;
    (1.0 + 0.5 * q) / (1.0 - q)
}

/// Measures the clip of a set with what its user knows of it.
pub fn measured(set: &str, truth: &Value, camera: &str) -> Result<Outcome, MeasureError> {
    let rig = Rig::parse(&rig_text(truth, camera)).unwrap();
    let path = folder(set).join(truth["media"].as_str().unwrap());
    measure(&path, &Settings { rig, ..Settings::default() }, &mut |_| {})
}
