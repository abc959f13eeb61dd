//! The whole way from rendered pictures, with what a user would state: how often the truth lies inside the 95 % intervals, and
//! how far the sightings' own covariances can be believed.
//!
//! `cargo bench --bench rendered [-- CLIPS]` renders that many (300) varied clips: size, place, speed and rate of the flight, ball and
//! wall, light from one side, noise and a walker are drawn; so are the errors of everything that is stated, from the
//! distributions that are stated or taken as usual. Half of the clips are a hurried class's, which states a marked length and the
//! ball; half a careful one's, which states distance, depth, level, tilt, lens and readout as well. `-- CLIPS table` prints a line a clip;
//! `from=N` begins with another than the first, `rig` prints what was stated, what sight missed, and where it erred, and
//! `rig pictures=DIR` writes the frames there as well.
//!
//! `cargo bench --bench rendered -- causes [CLIPS]` renders careful clips made wrong in one way each, that many (20) a way, `from=N` on, and counts how
//! often the verdict names the true cause first, in a first reason that says it can't be told from another, and among the first two.
//!
//! With `kept=FOLDER` what was measured is kept there, and a later run computes its numbers anew from that, in a hundredth of the time:
//! for work on all that follows the finding of the ball.

mod causes;

use std::path::{Path, PathBuf};

use lobline::clip::FrameSource;
use lobline::flight::air::AirState;
use lobline::flight::drag::{Correlation, Forces, Sphere};
use lobline::maths::least_squares::polynomial_fit;
use lobline::measure::{Settings, measure_source, refit};
use lobline::measurement::{FlightMeasurement, Measurement};
use lobline::report::rgb::from_picture;
use lobline::rig::Rig;
use lobline::scene::presets::{Spread, varied};
use lobline::scene::{Air, Camera, Lines, Phase, Scene, Shutter, Truth, source, truth};
use lobline::sight::{FindOptions, find_flights};
use lobline::units::{Estimate, PixelPoint};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let count = arguments.iter().find_map(|a| a.parse().ok());
    let table = arguments.iter().any(|a| a == "table");
    let kept = arguments.iter().find_map(|a| a.strip_prefix("kept=")).map(PathBuf::from);
    let from = arguments.iter().find_map(|a| a.strip_prefix("from=")).and_then(|a| a.parse().ok()).unwrap_or(0);
    if arguments.iter().any(|a| a == "causes") {
        let only = arguments.iter().find_map(|a| a.strip_prefix("only="));
        return causes::run(from, count.unwrap_or(20), table, only, kept.as_deref());
    }
    let clips = count.unwrap_or(300);
    let mut groups = [Group::new("hurried"), Group::new("careful")];
    for seed in from..from + clips {
        let careful = seed % 2 == 1;
        let clip = Clip::draw(5000 + seed as u64, careful, None);
        if arguments.iter().any(|a| a == "rig") {
            println!("{}\n{:?}", clip.rig, clip.scene.camera);
            clip.print_sight();
            clip.print_starts();
            if let Some(folder) = arguments.iter().find_map(|a| a.strip_prefix("pictures=")) {
                clip.draw_pictures(Path::new(folder));
            }
        }
        let row = clip.measured(kept.as_deref());
        if table {
            println!("{}", row.line());
        }
        groups[usize::from(careful)].add(row);
    }
    groups.iter().for_each(Group::print);
    Group::print_sightings(&groups);
}

/// A scene with its true circumstances, and the rig as its user writes it.
struct Clip {
    name: String,
    scene: Scene,
    truth: Truth,
    rig: String,
    doctored: causes::Doctored,
}

struct Draw(ChaCha8Rng);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// Normal, by Box and Muller.
    fn normal(&mut self, sigma: f64) -> f64 {
        let (a, b) = (1.0 - self.0.random::<f64>(), self.0.random::<f64>());
        sigma * (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}

/// Standard uncertainties of what a user states, or the usual ones for what isn't stated.
struct Knows {
    end_px: f64,
    tilt_deg: f64,
    roll_deg: f64,
    k1: f64,
    depth_m: f64,
    readout_s: f64,
}

const HURRIED: Knows =
    Knows { end_px: 1.0, tilt_deg: 2.0, roll_deg: 1.0, k1: 0.05, depth_m: 0.05 / 1.732, readout_s: 0.020 / 1.732 };
const CAREFUL: Knows = Knows { end_px: 0.5, tilt_deg: 0.5, roll_deg: 0.3, k1: 0.01, depth_m: 0.003, readout_s: 0.001 };

impl Clip {
    fn draw(seed: u64, careful: bool, wrong: Option<causes::Wrong>) -> Self {
        let mut draw = Draw(ChaCha8Rng::seed_from_u64(seed ^ 0xC0FE));
        let knows = if careful { CAREFUL } else { HURRIED };
        let mut scene = varied(seed, &Spread { walkers: 0.2, air_density: 1.2, ..Spread::NONE });
        // Released anywhere in a frame's time.
        scene.launches[0].release_s += draw.between(0.0, 1.0) / scene.timing.capture_hz;
        let square = scene.camera.clone();
        let field_m = square.width as f64 * square.position_m[2] / square.focal_px;
        let aim = (square.position_m[0], square.position_m[1]);
        // A phone's focal length, 0.8 of the picture's width within 15 %.
        let distance = 0.8 * (1.0 + draw.normal(0.15).clamp(-0.4, 0.6)) * field_m;
        let focal = square.width as f64 * distance / field_m;
        let tilts = (draw.normal(knows.tilt_deg), draw.normal(knows.tilt_deg));
        scene.camera = Camera::square_on(square.width, square.height, focal, aim, distance).orbit(
            [aim.0, aim.1, 0.0],
            tilts.0,
            tilts.1,
        );
        scene.camera.roll_deg = draw.normal(knows.roll_deg);
        scene.camera.k1 = draw.normal(knows.k1);
        let longest = (1.0 / scene.timing.capture_hz).min(0.020);
        let stated_readout = draw.between(-0.9, 0.9) * longest;
        let readout =
            if careful { stated_readout + draw.normal(knows.readout_s) } else { draw.between(-1.0, 1.0) * longest };
        scene.shutter = Shutter { readout_s: readout, lines: Lines::Rows, ..scene.shutter };
        let depth = if careful { draw.normal(knows.depth_m) } else { draw.between(-0.05, 0.05) };
        for scale in &mut scene.scales {
            (scale.a_m[2], scale.b_m[2]) = (depth, depth);
        }
        scene.air = drawn_air(&scene, &mut draw);
        let doctored = wrong.map_or_else(causes::Doctored::default, |wrong| wrong.spoil(&mut scene, &mut draw));
        let truth = truth(&scene);
        let mut rig = rig(&scene, &truth, careful, &knows, stated_readout, distance, &mut draw);
        wrong.into_iter().for_each(|wrong| wrong.misstate(&mut rig, &mut draw));
        let name = format!("{seed} {}", if careful { "careful" } else { "hurried" });
        Self { name, scene, truth, rig, doctored }
    }

    /// Measured, or computed anew from what was kept of it.
    fn outcome(&self, kept: Option<&Path>) -> Result<Measurement, String> {
        let file = kept.map(|folder| folder.join(format!("{}.json", self.name.replace(' ', "-"))));
        let Some(file) = file else { return self.measure() };
        if let Ok(text) = std::fs::read_to_string(&file) {
            let before: Result<Measurement, String> = serde_json::from_str(&text).expect("what an earlier run kept");
            return before.and_then(|before| refit(&before).map_err(|error| error.to_string()));
        }
        let outcome = self.measure();
        let text = serde_json::to_string(&outcome).expect("a plain tree of numbers and text");
        std::fs::create_dir_all(kept.unwrap_or(Path::new(".")))
            .and_then(|()| std::fs::write(&file, text))
            .expect("a folder to write to");
        outcome
    }

    fn measure(&self) -> Result<Measurement, String> {
        let rig = Rig::parse(&self.rig).unwrap_or_else(|error| panic!("{}: {error}\n{}", self.name, self.rig));
        let settings = Settings { rig, ..Settings::default() };
        let mut source = self.doctored.put_before(source(&self.scene));
        let outcome = measure_source(&mut source, &settings, &mut |_| {});
        outcome.map(|outcome| outcome.measurement).map_err(|error| error.to_string())
    }

    /// What sight finds by itself beside what was there: frames missed, and places more than half a pixel off.
    fn print_sight(&self) {
        let found = find_flights(&mut source(&self.scene), &FindOptions::default(), &mut |_| {});
        let flights = found.map(|found| found.flights).unwrap_or_default();
        for flight in &flights {
            let ends = (flight.sightings.first().map(|one| one.frame), flight.sightings.last().map(|one| one.frame));
            println!("flight {ends:?}, not yet in {:?}", flight.not_yet_frame);
        }
        for (frame, ball) in self.truth.frames.iter().filter_map(|frame| Some((frame.frame, frame.balls.first()?))) {
            let seen = flights.iter().flat_map(|flight| &flight.sightings).find(|one| one.frame == frame);
            let error = seen.map(|one| (one.centre_px.x - ball.centre_px.x, one.centre_px.y - ball.centre_px.y));
            let missed = error.is_none() && ball.phase == Phase::Flight;
            if missed || error.is_some_and(|(x, y)| x.hypot(y) > 0.5 || ball.phase != Phase::Flight) {
                let at = (ball.centre_px.x, ball.centre_px.y);
                println!("{frame} {:?} at {at:.1?}, in view {:.2}, error {error:.2?}", ball.phase, ball.visible);
            }
        }
    }

    /// The first sightings as the measurement uses them.
    fn print_starts(&self) {
        let flights = self.outcome(None).map(|measurement| measurement.flights).unwrap_or_default();
        for flight in &flights {
            println!("launch at {:?}; truly at {:?}", flight.launch_time_s, self.truth.flights[0].release_s);
            for row in flight.sightings.iter().take(4) {
                let (residual, u) = (row.residual_px, row.covariance_px2);
                let u = (u.xx.sqrt(), u.yy.sqrt());
                let at = (row.frame, row.time_s, row.used, row.visible);
                println!("  {at:.4?} residual {:+.2} {:+.2} px, u {u:.2?}", residual.x, residual.y);
            }
        }
    }

    /// Writes every frame.
    fn draw_pictures(&self, folder: &Path) {
        std::fs::create_dir_all(folder).expect("a folder for pictures");
        let mut source = source(&self.scene);
        while let Ok(Some(frame)) = source.next_frame() {
            let picture = from_picture(&frame.picture);
            picture.save(folder.join(format!("{}-{:03}.png", self.name, frame.index))).expect("a picture is written");
        }
    }

    fn measured(&self, kept: Option<&Path>) -> Row {
        let compared = |measurement| compared(&measurement, &self.truth).ok_or_else(|| "no such flight".to_owned());
        Row { name: self.name.clone(), result: self.outcome(kept).and_then(compared) }
    }
}

/// The drag that the published correlation gives at the launch, within its tenth.
fn drawn_air(scene: &Scene, draw: &mut Draw) -> Air {
    let launch = &scene.launches[0];
    let sphere = Sphere::new(launch.ball.mass_kg, 2.0 * launch.ball.radius_m).expect("a ball of the scene");
    let forces = Forces::in_air(9.81, sphere, &AirState::ROOM);
    let coefficient = Correlation::default().drag_coefficient(forces.reynolds(launch.speed_m_per_s));
    Air { density: 1.2, drag_coefficient: coefficient * (1.0 + draw.normal(0.1)), buoyancy: true, added_mass: true }
}

fn rig(
    scene: &Scene,
    truth: &Truth,
    careful: bool,
    knows: &Knows,
    readout_s: f64,
    distance_m: f64,
    draw: &mut Draw,
) -> String {
    let scale = &truth.scales[0];
    let mut marked = |point: Option<PixelPoint>| {
        let point = point.expect("the scale's ends are in view");
        (point.x + draw.normal(knows.end_px), point.y + draw.normal(knows.end_px))
    };
    let (a, b) = (marked(scale.a_px), marked(scale.b_px));
    let ball = &scene.launches[0].ball;
    let mut rig = format!(
        "[scale]\nlengths = ['{:.2},{:.2} to {:.2},{:.2} = {:.4} m']\nend_uncertainty = '{} px'\n",
        a.0, a.1, b.0, b.1, scale.length_m, knows.end_px
    );
    if careful {
        rig += &format!("offset = '0 mm u {:.1} mm'\n", 1e3 * knows.depth_m);
    }
    rig += &format!("[ball]\ndiameter = '{:.1} mm'\nmass = '{:.3} g'\n", 2e3 * ball.radius_m, 1e3 * ball.mass_kg);
    rig += "[air]\ndensity = '1.20 kg/m3'\n[place]\ng = '9.81 m/s2'\n[camera]\n";
    if careful {
        rig += &format!(
            "distance = '{:.3} m u 2 cm'\nyaw = '0 deg u {t} deg'\npitch = '0 deg u {t} deg'\nroll = '0 deg u {} deg'\n\
             focal_length = '{:.0} px u 15 px'\nk1 = '0 u {}'\nreadout = '{:.2} ms u {:.1} ms'\nreadout_direction = '{}'\n",
            distance_m + draw.normal(0.02),
            knows.roll_deg,
            scene.camera.focal_px + draw.normal(15.0),
            knows.k1,
            1e3 * readout_s.abs(),
            1e3 * knows.readout_s,
            if readout_s < 0.0 { "up" } else { "down" },
            t = knows.tilt_deg,
        );
    }
    rig
}

/// Measured minus true with its interval, and what the sightings were worth.
struct Compared {
    results: [(Estimate, f64); 3],
    /// Root mean square distance from the true centres; the same after a parabola in time is taken out of it on either axis; median
    /// stated standard uncertainty; all px a coordinate.
    off_px: f64,
    shape_px: f64,
    stated_px: f64,
    residual_px: f64,
    scale: f64,
    correlation_factor: f64,
    radius_px: f64,
    /// Measured less true moment of launch, and the interval's half-width, ms; with the rate of the frames.
    launch_ms: (f64, f64),
    rate_hz: f64,
    first_visible: f64,
    left_out: usize,
    sightings: usize,
    agrees: bool,
    first_cause: String,
}

fn compared(measurement: &Measurement, truth: &Truth) -> Option<Compared> {
    let flight = measurement.flights.iter().max_by_key(|flight| flight.sightings.len())?;
    let launch = &truth.flights[0];
    let above = launch.angle_deg.to_radians().sin().asin().to_degrees();
    let (off_px, shape_px) = errors(flight, truth)?;
    let mut stated: Vec<f64> =
        flight.sightings.iter().map(|s| (0.5 * (s.covariance_px2.xx + s.covariance_px2.yy)).sqrt()).collect();
    let account = flight.account.as_ref()?;
    let verdict = flight.verdict.as_ref()?;
    Some(Compared {
        results: [
            (flight.launch_speed_m_per_s, launch.speed_m_per_s),
            (flight.launch_angle_deg, above),
            (flight.gravity_m_per_s2, launch.gravity_m_per_s2),
        ],
        off_px,
        shape_px,
        stated_px: median(&mut stated),
        residual_px: flight.residual_rms_px,
        scale: account.noise.scale,
        correlation_factor: account.noise.correlation_factor,
        radius_px: flight.sightings[flight.sightings.len() / 2].radius_px,
        launch_ms: launch_error_ms(flight, truth),
        rate_hz: truth.frames.len() as f64 / truth.frames.last()?.start_s,
        first_visible: flight.sightings[0].visible,
        left_out: account.outliers.frames.len(),
        sightings: flight.sightings.len(),
        agrees: verdict.agrees == Some(true),
        first_cause: verdict.causes.first().map_or(String::new(), |cause| cause.kind.clone()),
    })
}

/// On the clock of the scene, which begins with the first frame; less the delay of the row at which the ball left.
fn launch_error_ms(flight: &FlightMeasurement, truth: &Truth) -> (f64, f64) {
    let launch = flight.launch_time_s;
    let begins_s = truth.frames[0].start_s;
    let u = launch.expanded_uncertainty_95.unwrap_or(f64::NAN);
    (1e3 * (launch.value + begins_s - truth.flights[0].release_s), 1e3 * u)
}

/// Root mean square a coordinate of the errors of the sightings in use, as they are and less a parabola in time.
fn errors(flight: &FlightMeasurement, truth: &Truth) -> Option<(f64, f64)> {
    let mut rows: Vec<(f64, f64, f64)> = Vec::new();
    for sighting in flight.sightings.iter().filter(|s| s.used) {
        let ball = truth.frames.get(sighting.frame)?.balls.first()?;
        let (dx, dy) = (sighting.centre_px.x - ball.centre_px.x, sighting.centre_px.y - ball.centre_px.y);
        rows.push((sighting.time_s, dx, dy));
    }
    let times: Vec<f64> = rows.iter().map(|row| row.0).collect();
    let (mut off, mut shape) = (0.0, 0.0);
    for axis in [rows.iter().map(|r| r.1).collect::<Vec<_>>(), rows.iter().map(|r| r.2).collect()] {
        let fit = polynomial_fit(&times, &axis, None, 2).ok()?;
        let left = |(t, v): (&f64, &f64)| v - fit.estimate.iter().rev().fold(0.0, |sum, c| sum * t + c);
        off += axis.iter().map(|v| v * v).sum::<f64>();
        shape += times.iter().zip(&axis).map(left).map(|d| d * d).sum::<f64>();
    }
    let count = 2.0 * rows.len() as f64;
    Some(((off / count).sqrt(), (shape / count).sqrt()))
}

struct Row {
    name: String,
    result: Result<Compared, String>,
}

impl Row {
    fn line(&self) -> String {
        let c = match &self.result {
            Ok(compared) => compared,
            Err(why) => return format!("{:<13} not measured: {why}", self.name),
        };
        let one = |(measured, truth): &(Estimate, f64)| {
            let (error, u) = (measured.value - truth, measured.expanded_uncertainty_95.unwrap_or(f64::NAN));
            format!("{error:>+8.4} {u:>7.4}{}", if error.abs() <= u { " " } else { "!" })
        };
        format!(
            "{:<13} {} {} {} | t {:>+6.2} {:>5.2} ms {:>3.0}/s view {:.2} R {:>5.1} off {:.3} shape {:.3} stated {:.3} rms {:.3} scale {:>5.2} corr {:.2} out {:>2}/{:<3} {} {}",
            self.name,
            one(&c.results[0]),
            one(&c.results[1]),
            one(&c.results[2]),
            c.launch_ms.0,
            c.launch_ms.1,
            c.rate_hz,
            c.first_visible,
            c.radius_px,
            c.off_px,
            c.shape_px,
            c.stated_px,
            c.residual_px,
            c.scale,
            c.correlation_factor,
            c.left_out,
            c.sightings,
            if c.agrees { "agrees" } else { "OFF" },
            c.first_cause
        )
    }
}

struct Group {
    name: &'static str,
    rows: Vec<Row>,
}

impl Group {
    fn new(name: &'static str) -> Self {
        Self { name, rows: Vec::new() }
    }

    fn add(&mut self, row: Row) {
        self.rows.push(row);
    }

    fn compared(&self) -> impl Iterator<Item = &Compared> {
        self.rows.iter().filter_map(|row| row.result.as_ref().ok())
    }

    fn print(&self) {
        let count = self.compared().count();
        println!("\n{}: {} clips, {} not measured", self.name, self.rows.len(), self.rows.len() - count);
        println!(
            "{:<10} {:>8} {:>14} {:>22} {:>20}",
            "", "inside", "error / u, rms", "median U95, relative", "median error"
        );
        for (k, name) in ["speed", "angle", "gravity"].into_iter().enumerate() {
            let results: Vec<(Estimate, f64)> = self.compared().map(|c| c.results[k]).collect();
            let error = |(m, t): &(Estimate, f64)| m.value - t;
            let inside =
                results.iter().filter(|r| r.0.expanded_uncertainty_95.is_some_and(|u| error(r).abs() <= u)).count();
            let z2 =
                results.iter().map(|r| (error(r) / r.0.standard_uncertainty.unwrap_or(f64::NAN)).powi(2)).sum::<f64>();
            let over = |r: &(Estimate, f64), v: f64| if k == 1 { v } else { 100.0 * v / r.1 };
            let mut widths: Vec<f64> =
                results.iter().map(|r| over(r, r.0.expanded_uncertainty_95.unwrap_or(f64::NAN))).collect();
            let mut errors: Vec<f64> = results.iter().map(|r| over(r, error(r).abs())).collect();
            println!(
                "{name:<10} {:>6.1} % {:>14.2} {:>20.2} {} {:>18.2} {}",
                100.0 * inside as f64 / count.max(1) as f64,
                (z2 / count.max(1) as f64).sqrt(),
                median(&mut widths),
                if k == 1 { "°" } else { "%" },
                median(&mut errors),
                if k == 1 { "°" } else { "%" },
            );
        }
        let agree = self.compared().filter(|c| c.agrees).count();
        println!("g agrees with the true one, says the verdict: {:.1} %", 100.0 * agree as f64 / count.max(1) as f64);
        let blamed = self.compared().filter(|c| !c.first_cause.is_empty()).count();
        println!("something is to blame, says the verdict: {:.1} %", 100.0 * blamed as f64 / count.max(1) as f64);
    }

    fn print_sightings(groups: &[Self]) {
        let of = |value: fn(&Compared) -> f64| {
            let mut all: Vec<f64> = groups.iter().flat_map(Self::compared).map(value).collect();
            all.sort_by(f64::total_cmp);
            let at = |share: f64| all.get((share * all.len() as f64) as usize).copied().unwrap_or(f64::NAN);
            format!("{:.3}  {:.3}  {:.3}", at(0.1), at(0.5), at(0.9))
        };
        println!("\nsightings in use, a coordinate; a tenth, half and nine tenths of the clips lie below");
        println!("  from the true centre, px          {}", of(|c| c.off_px));
        println!("  less a parabola in time, px       {}", of(|c| c.shape_px));
        println!("  as stated, px                     {}", of(|c| c.stated_px));
        println!("  less a parabola, over stated      {}", of(|c| c.shape_px / c.stated_px));
        println!("  residual over stated              {}", of(|c| c.residual_px / c.stated_px));
        println!("  scale of the noise, by the fit    {}", of(|c| c.scale));
        println!("  factor for correlation            {}", of(|c| c.correlation_factor));
        println!("  share left out                    {}", of(|c| c.left_out as f64 / c.sightings as f64));
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
