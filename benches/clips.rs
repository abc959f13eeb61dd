//! How often the truth lies inside the 95 % intervals on clips that somebody else rendered or filmed, with the truth beside them.
//!
//! `cargo bench --bench clips -- FOLDER… [stated] [table] [kept=FOLDER]` measures every `NAME.truth.json` with its clip as a student would, with
//! the two marked ends of the scale alone; `stated` states ball, distance and depth as well. A line for each class of clips: how often
//! the truth is inside for speed, angle, gravity and the landing place a metre below the launch, the median half-width, and the worst
//! error over its half-width. `table` prints a line a clip. With `kept=FOLDER` what was measured is kept there, and a later run computes
//! its numbers anew from that.
//!
//! The truth file is JSON: `media`; `time` (`capture_fps`, `stored_fps`, `slow_factor`, `tag`); `camera.distance`, m; `scale` (`length`, `z`, m;
//! `clicked_a`, `clicked_b`, `click_sigma`, px); `flights` (`speed`, `angle`, `g`, `pts_start` in file seconds, `mode` of the launcher, `drag_kd` in
//! 1/m, `ball` with `radius`, `mass`, `rho`); `spec.mover`, whatever moves beside the ball. Where it knows drag and no buoyancy, the gravity of
//! a ball in air is compared with g·(1 + q/2)/(1 − q), q the air's density over the ball's.

use std::path::{Path, PathBuf};

use lobline::flight::forecast::{LaunchStatement, forecast};
use lobline::flight::{
    air::AirState,
    drag::{DRAG_RELATIVE_UNCERTAINTY, Sphere},
};
use lobline::measure::{Settings, measure, refit};
use lobline::measurement::{FlightMeasurement, Measurement};
use lobline::rig::Rig;
use lobline::units::Estimate;
use serde_json::Value;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let is = |word: &str| arguments.iter().any(|a| a == word);
    let kept = arguments.iter().find_map(|a| a.strip_prefix("kept=")).map(PathBuf::from);
    let folders = arguments.iter().filter(|a| !["stated", "table"].contains(&a.as_str()) && !a.starts_with("kept="));
    let mut clips: Vec<PathBuf> = folders.flat_map(|folder| truths(Path::new(folder))).collect();
    clips.sort();
    let mut compared = Vec::new();
    let mut unmeasured = 0;
    for truth in &clips {
        let Some(clip) = Clip::read(truth) else { continue };
        match clip.measured(is("stated"), kept.as_deref()) {
            Ok(measurement) => {
                let rows = clip.compared(&measurement, is("stated"));
                if is("table") {
                    rows.iter().for_each(|row| println!("{}", row.line()));
                }
                compared.extend(rows);
            }
            Err(why) => {
                unmeasured += 1;
                if is("table") {
                    println!("{:<28} not measured: {why}", clip.name);
                }
            }
        }
    }
    print(&compared);
    println!("{} clips, {unmeasured} not measured", clips.len());
}

fn truths(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    entries.filter(|path| path.to_string_lossy().ends_with(".truth.json")).collect()
}

struct Clip {
    name: String,
    media: PathBuf,
    truth: Value,
}

impl Clip {
    fn read(path: &Path) -> Option<Self> {
        let truth: Value = serde_json::from_str(&std::fs::read_to_string(path).ok()?).ok()?;
        let media = path.parent()?.join(truth["media"].as_str()?);
        let name = path.file_name()?.to_string_lossy().trim_end_matches(".truth.json").to_owned();
        let flies = truth["flights"].as_array().is_some_and(|flights| !flights.is_empty());
        (flies && truth["scale"].is_object()).then_some(Self { name, media, truth })
    }

    fn number(&self, pointer: &str) -> f64 {
        self.truth.pointer(pointer).and_then(Value::as_f64).unwrap_or(0.0)
    }

    /// As a student or a teacher writes it.
    fn rig(&self, stated: bool) -> String {
        let mut rig = String::new();
        if self.number("/time/slow_factor") > 1.0 && self.truth["time"]["tag"].as_str().is_none_or(str::is_empty) {
            rig += &format!("capture_rate = '{} Hz'\n", self.number("/time/capture_fps"));
        }
        let at = |end: &str, axis: usize| self.number(&format!("/scale/{end}/{axis}"));
        rig += &format!(
            "[scale]\nlengths = ['{:.2},{:.2} to {:.2},{:.2} = {} m']\n",
            at("clicked_a", 0),
            at("clicked_a", 1),
            at("clicked_b", 0),
            at("clicked_b", 1),
            self.number("/scale/length")
        );
        if stated {
            rig += &format!(
                "end_uncertainty = '{} px'\noffset = '{} m u 2 mm'\n[camera]\ndistance = '{} m u 2 cm'\n",
                self.number("/scale/click_sigma").max(0.01),
                self.number("/scale/z"),
                self.number("/camera/distance")
            );
            if let Some((radius_m, mass_kg, _)) = self.ball(0) {
                rig += &format!(
                    "[ball]\ndiameter = '{:.1} mm u 0.1 mm'\nmass = '{:.2} g u 0.02 g'\n",
                    2e3 * radius_m,
                    1e3 * mass_kg
                );
            }
        }
        rig
    }

    /// Radius, mass and the air's density; `None` for a ball without a mass, which feels no air.
    fn ball(&self, flight: usize) -> Option<(f64, f64, f64)> {
        let of = |what: &str| self.number(&format!("/flights/{flight}/ball/{what}"));
        (of("mass") > 0.0).then(|| (of("radius"), of("mass"), of("rho")))
    }

    fn measured(&self, stated: bool, kept: Option<&Path>) -> Result<Measurement, String> {
        let how = if stated { "stated" } else { "bare" };
        let file = kept.map(|folder| folder.join(format!("{}-{how}.json", self.name)));
        if let Some(text) = file.as_ref().and_then(|file| std::fs::read_to_string(file).ok()) {
            let before: Result<Measurement, String> = serde_json::from_str(&text).map_err(|error| error.to_string())?;
            return before.and_then(|before| refit(&before).map_err(|error| error.to_string()));
        }
        let rig = Rig::parse(&self.rig(stated)).map_err(|error| error.to_string())?;
        let picture_rate_hz = self.media.is_dir().then(|| self.number("/time/capture_fps"));
        let settings = Settings { rig, picture_rate_hz, ..Settings::default() };
        let outcome = measure(&self.media, &settings, &mut |_| {});
        let measured = outcome.map(|outcome| outcome.measurement).map_err(|error| error.to_string());
        if let (Some(folder), Some(file)) = (kept, file) {
            let text = serde_json::to_string(&measured).map_err(|error| error.to_string())?;
            std::fs::create_dir_all(folder)
                .and_then(|()| std::fs::write(file, text))
                .map_err(|error| error.to_string())?;
        }
        measured
    }

    /// Each measured flight beside the true one that began nearest to it.
    fn compared(&self, measurement: &Measurement, stated: bool) -> Vec<Row> {
        let mut left: Vec<usize> = (0..self.truth["flights"].as_array().map_or(0, Vec::len)).collect();
        let mut rows = Vec::new();
        for flight in measurement.launches() {
            let apart = |at: &usize| (self.number(&format!("/flights/{at}/pts_start")) - self.file_s(flight)).abs();
            let Some(place) = (0..left.len()).min_by(|a, b| apart(&left[*a]).total_cmp(&apart(&left[*b]))) else {
                break;
            };
            rows.push(self.row(flight, left.remove(place), stated));
        }
        rows
    }

    /// Launch in seconds of the file.
    fn file_s(&self, flight: &FlightMeasurement) -> f64 {
        flight.launch_time_s.value * self.number("/time/slow_factor").max(1.0)
    }

    fn row(&self, flight: &FlightMeasurement, at: usize, stated: bool) -> Row {
        let of = |what: &str| self.number(&format!("/flights/{at}/{what}"));
        let (speed, angle, g, kd) = (of("speed"), of("angle"), of("g"), of("drag_kd"));
        let above = angle.to_radians().sin().asin().to_degrees();
        let buoyant = self.ball(at).filter(|_| flight.air_counted).map_or(1.0, |(radius, mass, rho)| {
            let q = rho * 4.0 / 3.0 * std::f64::consts::PI * radius.powi(3) / mass;
            (1.0 + 0.5 * q) / (1.0 - q)
        });
        let landing = self.landing(flight, at, stated).unwrap_or(Estimate::without_uncertainty(f64::NAN));
        let people = self.truth["spec"]["mover"]
            .as_array()
            .is_some_and(|movers| movers.iter().any(|mover| mover["kind"] == "person"));
        let rate = self.number("/time/capture_fps");
        let mode = self.truth["flights"][at]["mode"].as_str().unwrap_or("");
        let classes = vec![
            "all",
            if people { "people about" } else { "nobody about" },
            if rate < 45.0 {
                "30 a second"
            } else if rate < 100.0 {
                "60 a second"
            } else {
                "120 and more"
            },
            if mode == "arm" {
                "arm"
            } else if mode == "tube" {
                "tube"
            } else {
                "in view"
            },
            // Slowed by a twentieth of its weight at 3 m/s.
            if kd * 9.0 > 0.05 * 9.81 { "light ball" } else { "heavy ball" },
        ];
        Row {
            name: format!("{} {}", self.name, flight.number),
            classes,
            results: [
                (flight.launch_speed_m_per_s, speed, speed),
                (flight.launch_angle_deg, above, 1.0),
                (flight.gravity_m_per_s2, g * buoyant, g),
                (landing, landing_m(speed, angle, g, kd), landing_m(speed, angle, g, kd)),
            ],
            agrees: flight.verdict.as_ref().and_then(|verdict| verdict.agrees),
            first_cause: flight
                .verdict
                .as_ref()
                .and_then(|verdict| verdict.causes.first())
                .map_or(String::new(), |cause| cause.kind.clone()),
        }
    }

    /// Where a ball launched as measured comes down a metre below, by the forecast.
    fn landing(&self, flight: &FlightMeasurement, at: usize, stated: bool) -> Option<Estimate> {
        let ball = self.ball(at).filter(|_| stated).and_then(|(radius, mass, _)| Sphere::new(mass, 2.0 * radius).ok());
        let seen = flight.ball_found.and_then(|found| Sphere::new(found.mass_kg, found.diameter_m).ok());
        let launch = LaunchStatement {
            speed_m_per_s: flight.best_speed_m_per_s(),
            angle_deg: flight.best_angle_deg(),
            height_m: Estimate::without_uncertainty(1.0),
            gravity_m_per_s2: Estimate::without_uncertainty(9.81),
            ball: seen.or(ball),
            drag_doubt: flight.ball_found.map_or(DRAG_RELATIVE_UNCERTAINTY, |found| found.drag_relative_uncertainty),
            air: AirState::ROOM,
        };
        forecast(&launch, Estimate::without_uncertainty(0.0)).ok().map(|forecast| forecast.range_m)
    }
}

/// By the truth's own law: gravity and a drag with the square of the speed, in steps of a tenth of a millisecond.
fn landing_m(speed: f64, angle_deg: f64, g: f64, kd: f64) -> f64 {
    const STEP_S: f64 = 1e-4;
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    let (mut x, mut y, mut vx, mut vy) = (0.0, 0.0, speed * cos.abs(), speed * sin);
    while y > -1.0 {
        let drag = kd * f64::hypot(vx, vy);
        let (mx, my) = (vx - 0.5 * STEP_S * drag * vx, vy - 0.5 * STEP_S * (g + drag * vy));
        let drag = kd * f64::hypot(mx, my);
        (x, y) = (x + STEP_S * mx, y + STEP_S * my);
        (vx, vy) = (vx - STEP_S * drag * mx, vy - STEP_S * (g + drag * my));
    }
    x
}

struct Row {
    name: String,
    classes: Vec<&'static str>,
    /// Measured, true, and what the width is counted in: speed, angle, gravity, landing.
    results: [(Estimate, f64, f64); 4],
    agrees: Option<bool>,
    first_cause: String,
}

impl Row {
    /// Error over half-width.
    fn over(&self, k: usize) -> f64 {
        let (measured, truth, _) = self.results[k];
        (measured.value - truth) / measured.expanded_uncertainty_95.unwrap_or(f64::NAN)
    }

    fn line(&self) -> String {
        let one = |k: usize| {
            let (measured, truth, _) = self.results[k];
            let u = measured.expanded_uncertainty_95.unwrap_or(f64::NAN);
            let mark = if self.over(k).abs() <= 1.0 { " " } else { "!" };
            format!("{:>+9.4} {u:>8.4}{mark}", measured.value - truth)
        };
        let agrees = match self.agrees {
            Some(true) => "agrees",
            Some(false) => "OFF",
            None => "can't tell",
        };
        format!("{:<28} {} {} {} {} {agrees} {}", self.name, one(0), one(1), one(2), one(3), self.first_cause)
    }
}

fn print(rows: &[Row]) {
    println!("\n{:<14} {:>5}  {:^23}  {:^23}  {:^23}  {:^23}", "", "", "speed", "angle", "g", "landing 1 m below");
    let head = format!("{:>7} {:>8} {:>6}", "inside", "U95", "worst");
    println!("{:<14} {:>5}  {head}  {head}  {head}  {head}", "", "n");
    let mut classes: Vec<&str> = Vec::new();
    rows.iter().flat_map(|row| &row.classes).for_each(|class| {
        if !classes.contains(class) {
            classes.push(class);
        }
    });
    for class in classes {
        let of: Vec<&Row> = rows.iter().filter(|row| row.classes.contains(&class)).collect();
        let cells: Vec<String> = (0..4).map(|k| cell(&of, k)).collect();
        println!("{class:<14} {:>5}  {}", of.len(), cells.join("  "));
    }
    let count = |answer: Option<bool>| rows.iter().filter(|row| row.agrees == answer).count();
    println!(
        "\ng agrees {}, disagrees {}, can't tell {}; half-widths are the median, per cent of the truth, degrees for the angle; worst is the \
         largest error over its half-width",
        count(Some(true)),
        count(Some(false)),
        count(None)
    );
}

fn cell(rows: &[&Row], k: usize) -> String {
    let over: Vec<f64> = rows.iter().map(|row| row.over(k).abs()).filter(|z| z.is_finite()).collect();
    let inside = 100.0 * over.iter().filter(|z| **z <= 1.0).count() as f64 / over.len().max(1) as f64;
    let worst = over.iter().copied().fold(0.0, f64::max);
    let (per_cent, unit) = if k == 1 { (1.0, "°") } else { (100.0, "%") };
    let mut widths: Vec<f64> = rows
        .iter()
        .filter_map(|row| Some(per_cent * row.results[k].0.expanded_uncertainty_95? / row.results[k].2))
        .collect();
    widths.sort_by(f64::total_cmp);
    let width = widths.get(widths.len() / 2).copied().unwrap_or(f64::NAN);
    format!("{inside:>5.0} % {width:>6.2} {unit} {worst:>6.2}")
}
