//! Measurements to try the outputs on: a wooden catapult lobs an orange foam ball toward a sand bucket.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use super::strobe::{StrobeInput, StrobePatch};
use crate::clip::{ClipInfo, ClipReport, ColourMatrix, Transfer};
use crate::flight::compare::{AlongTheWay, Departure};
use crate::measurement::account::{CoverageStatement, FitQuality};
use crate::measurement::motion::Motion;
use crate::measurement::{
    BudgetLine, ClockStatement, Departures, FORMAT_VERSION, FittedPath, FlightMeasurement, ForecastPoint,
    ForecastStatement, GravityGivenFit, Measurement, Remedy, RemedyChange, ScaleStatement, SightingRow,
    VerdictStatement,
};
use crate::report::rgb;
use crate::units::{Covariance2, Estimate, MetrePoint, PixelPoint};
use crate::warning::Warning;

/// A shot to be made up. Starts as a good one.
#[derive(Debug, Clone)]
pub struct Shot {
    pub points: usize,
    pub rate_hz: f64,
    pub speed_m_per_s: f64,
    pub angle_deg: f64,
    /// Standard uncertainty of a position, m.
    pub sigma_m: f64,
    pub radius_px: f64,
    pub streak: bool,
    pub outlier: bool,
    pub forecast: bool,
    pub mass_kg: Option<f64>,
}

impl Default for Shot {
    fn default() -> Self {
        Self {
            points: 34,
            rate_hz: 60.0,
            speed_m_per_s: 3.5,
            angle_deg: 48.0,
            sigma_m: 0.0008,
            radius_px: 14.0,
            streak: true,
            outlier: false,
            forecast: true,
            mass_kg: None,
        }
    }
}

pub const SIZE: (usize, usize) = (1280, 720);
const METRES_PER_PIXEL: f64 = 0.002;
const LAUNCH_PX: PixelPoint = PixelPoint::new(190.0, 460.0);

impl Shot {
    pub fn flight(&self, number: usize) -> FlightMeasurement {
        let launch_s = 0.4 + 2.0 * (number - 1) as f64;
        let (sin, cos) = self.angle_deg.to_radians().sin_cos();
        let path = FittedPath {
            x0_m: 0.0,
            y0_m: 0.41,
            vx_m_per_s: self.speed_m_per_s * cos,
            vy_m_per_s: self.speed_m_per_s * sin,
            ax_m_per_s2: 0.0,
            g_m_per_s2: 9.78,
        };
        let sightings = self.rows(&path, launch_s, number as u64);
        let span = self.points as f64 / self.rate_hz;
        let u_g = (60.0 * self.sigma_m / (span * span) / (self.points as f64).sqrt()).hypot(0.03);
        let u_v = (6.0 * self.sigma_m / span / (self.points as f64).sqrt()).hypot(0.008);
        let covariance = self.covariance(u_v, u_g);
        let motion = Motion::derive(&path, Some(&covariance), 2.0, launch_s, &sightings, self.mass_kg);
        let forecast = self.forecast.then(|| forecast(&path, span));
        FlightMeasurement {
            after_bounce: None,
            number,
            launch_speed_m_per_s: Estimate::with_coverage_factor(self.speed_m_per_s, u_v, 2.0),
            launch_angle_deg: Estimate::with_coverage_factor(self.angle_deg, 40.0 * u_v / self.speed_m_per_s, 2.0),
            gravity_m_per_s2: Estimate::with_coverage_factor(9.78, u_g, 2.0),
            at_first_sighting: None,
            ball_found: None,
            launch_speed_gravity_given_m_per_s: Some(Estimate::with_coverage_factor(
                self.speed_m_per_s * 1.002,
                u_v / 2.0,
                2.0,
            )),
            gravity_given: Some(self.gravity_given(u_v)),
            quality: Some(self.quality(1.03)),
            launch_time_s: Estimate::with_coverage_factor(launch_s, 0.002, 2.0),
            launch_point_px: LAUNCH_PX,
            launch_point_m: MetrePoint::new(path.x0_m, path.y0_m),
            direction: 1.0,
            residual_rms_px: self.sigma_m / METRES_PER_PIXEL,
            residual_rms_mm: 1e3 * self.sigma_m,
            path,
            air_counted: false,
            path_px: along(&path, span),
            sightings,
            exposure_s: None,
            readout: None,
            vertical_off_deg: Some(Estimate::with_coverage_factor(0.1, 0.1, 2.0)),
            path_covariance: Some(covariance),
            motion: Some(motion),
            forecast,
            budget: budget(u_v, u_g),
            account: None,
            verdict: Some(verdict()),
        }
    }

    fn quality(&self, chi_square_over: f64) -> FitQuality {
        let out = usize::from(self.outlier);
        let degrees_of_freedom = 2 * (self.points - out) - 5;
        FitQuality {
            sightings_used: self.points - out,
            sightings_left_out: out,
            residual_rms_px: self.sigma_m / METRES_PER_PIXEL,
            residual_rms_mm: 1e3 * self.sigma_m,
            chi_square: chi_square_over * degrees_of_freedom as f64,
            degrees_of_freedom,
        }
    }

    fn gravity_given(&self, u_v: f64) -> GravityGivenFit {
        let coverage = |value: f64, u: f64| CoverageStatement {
            by_budget: Some((value - 2.0 * u, value + 2.0 * u)),
            combined_standard_uncertainty: u,
            effective_degrees_of_freedom: Some(60.0),
            coverage_factor: 2.0,
            monte_carlo: None,
        };
        let (speed, u_angle) = (1.002 * self.speed_m_per_s, 20.0 * u_v / self.speed_m_per_s);
        GravityGivenFit {
            gravity_m_per_s2: Estimate::with_coverage_factor(9.81, 0.005, 1.96),
            launch_speed_m_per_s: Estimate::with_coverage_factor(speed, u_v / 2.0, 2.0),
            launch_angle_deg: Estimate::with_coverage_factor(self.angle_deg, u_angle, 2.0),
            quality: self.quality(1.05),
            launch_speed: coverage(speed, u_v / 2.0),
            launch_angle: coverage(self.angle_deg, u_angle),
            budget: budget(u_v / 2.0, 0.005),
            found: Vec::new(),
        }
    }

    fn covariance(&self, u_v: f64, u_g: f64) -> [[f64; 6]; 6] {
        let diagonal = [self.sigma_m, self.sigma_m, u_v, u_v, 0.0, u_g];
        std::array::from_fn(|i| std::array::from_fn(|j| if i == j { diagonal[i] * diagonal[i] } else { 0.0 }))
    }

    fn rows(&self, path: &FittedPath, launch_s: f64, seed: u64) -> Vec<SightingRow> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let noise = Normal::new(0.0, self.sigma_m).expect("a width above nought");
        (0..self.points)
            .map(|i| {
                let tau = (i as f64 + 0.4) / self.rate_hz;
                // The fit of so many points is as good as the truth: residuals scatter about nought.
                let fitted = at(path, tau);
                let wild = if self.outlier && i == self.points / 2 { 0.04 } else { 0.0 };
                let centre_m =
                    MetrePoint::new(fitted.x + noise.sample(&mut random), fitted.y + noise.sample(&mut random) + wild);
                let residual = MetrePoint::new(centre_m.x - fitted.x, centre_m.y - fitted.y);
                let v = (path.vx_m_per_s, path.vy_m_per_s - path.g_m_per_s2 * tau);
                // A quarter of the time between frames at 60 frames per second.
                let blur = 0.004 / METRES_PER_PIXEL;
                SightingRow {
                    frame: ((launch_s + tau) * self.rate_hz).round() as usize,
                    time_s: launch_s + tau,
                    exposed_s: None,
                    centre_px: pixel(centre_m),
                    covariance_px2: Covariance2::isotropic(self.sigma_m / METRES_PER_PIXEL),
                    centre_m,
                    covariance_m2: Covariance2::isotropic(self.sigma_m),
                    radius_px: self.radius_px,
                    streak_px: self.streak.then_some((blur * v.0, -blur * v.1)),
                    visible: 1.0,
                    residual_px: PixelPoint::new(residual.x / METRES_PER_PIXEL, -residual.y / METRES_PER_PIXEL),
                    residual_m: Some(residual),
                    used: wild == 0.0,
                    by_hand: false,
                }
            })
            .collect()
    }
}

fn at(path: &FittedPath, t: f64) -> MetrePoint {
    MetrePoint::new(
        path.x0_m + path.vx_m_per_s * t + 0.5 * path.ax_m_per_s2 * t * t,
        path.y0_m + path.vy_m_per_s * t - 0.5 * path.g_m_per_s2 * t * t,
    )
}

fn pixel(point: MetrePoint) -> PixelPoint {
    PixelPoint::new(LAUNCH_PX.x + point.x / METRES_PER_PIXEL, LAUNCH_PX.y - (point.y - 0.41) / METRES_PER_PIXEL)
}

fn along(path: &FittedPath, span_s: f64) -> Vec<PixelPoint> {
    (0..=200).map(|i| pixel(at(path, span_s * f64::from(i) / 200.0))).collect()
}

fn forecast(path: &FittedPath, span_s: f64) -> ForecastStatement {
    let path = FittedPath {
        vx_m_per_s: 1.03 * path.vx_m_per_s,
        vy_m_per_s: 1.03 * path.vy_m_per_s,
        g_m_per_s2: 9.81,
        ..*path
    };
    ForecastStatement {
        description: "the last ten shots of this catapult".into(),
        path,
        path_px: along(&path, span_s),
        points: (0..=120)
            .map(|i| 1.05 * span_s * f64::from(i) / 120.0)
            .map(|t| ForecastPoint { since_launch_s: t, place_m: at(&path, t) })
            .collect(),
        landing_x_m: Some(Estimate::with_coverage_factor(1.43, 0.02, 2.0)),
        measured_landing_x_m: Some(Estimate::with_coverage_factor(1.37, 0.01, 2.0)),
        comparison: None,
        departures: Some(departures()),
    }
}

fn departures() -> Departures {
    let of = |difference: f64, u95: f64| Departure { difference, combined_u95: Some(u95) };
    Departures {
        launch_speed_m_per_s: of(-0.11, 0.05),
        launch_angle_deg: of(0.2, 0.8),
        landing_m: Some(of(-0.06, 0.04)),
        landing_time_s: Some(Departure { difference: -0.012, combined_u95: None }),
        along: vec![AlongTheWay { distance_m: 0.7, height_m: of(-0.018, 0.012) }],
    }
}

fn budget(u_v: f64, u_g: f64) -> Vec<BudgetLine> {
    let line = |source: &str, evaluation: &str, share: f64| BudgetLine {
        source: source.into(),
        evaluation: evaluation.into(),
        launch_speed_m_per_s: Some(u_v * share.sqrt()),
        launch_angle_deg: None,
        gravity_m_per_s2: Some(u_g * share.sqrt()),
        ..BudgetLine::default()
    };
    vec![
        line("length of the ruler", "B", 0.61),
        line("distance of the ruler from the flight", "B", 0.22),
        line("positions of the ball", "A", 0.12),
        line("times of the frames", "B", 0.05),
    ]
}

fn verdict() -> VerdictStatement {
    VerdictStatement {
        summary: "g agrees with 9.81 m/s² here; the ball landed 6 cm short of the forecast".into(),
        reasons: vec!["the catapult was 3 % slower than in its last ten shots: look at the band and the latch".into()],
        agrees: Some(true),
        remedies: vec![Remedy { reason: 0, change: RemedyChange::LeaveOutFirst(2), flight: None }],
        agreement: None,
        causes: Vec::new(),
        jointly: 0,
        flights: Vec::new(),
    }
}

/// A measurement of `shots`, all in one clip.
pub fn measurement(shots: &[Shot]) -> Measurement {
    Measurement {
        format_version: FORMAT_VERSION,
        program_version: "0.1.0".into(),
        clip: ClipInfo {
            name: "catapult.mp4".into(),
            width: SIZE.0,
            height: SIZE.1,
            codec: "h264".into(),
            container: "mp4".into(),
            stated_rate_hz: Some(60.0),
            capture_rate_tag_hz: None,
            quarter_turns: 0,
            mirrored: false,
            pixel_aspect_applied: false,
            dynamic_range: "SDR".into(),
            bit_depth: 8,
            rows_along_y: true,
        },
        reading: ClipReport { frames: 240, ..ClipReport::default() },
        clock: ClockStatement {
            description: "the times written in the file, frame by frame".into(),
            slow_factor: 1.0,
            frame_rate_hz: 60.0,
            relative_standard_uncertainty: 1e-4,
        },
        scale: ScaleStatement {
            description: "two marks 0.500 m apart, placed by hand".into(),
            metres_per_pixel: Estimate::with_coverage_factor(METRES_PER_PIXEL, 4e-6, 2.0),
        },
        flights: shots.iter().enumerate().map(|(i, shot)| shot.flight(i + 1)).collect(),
        warnings: vec![Warning::ScaleDepthUnknown],
        shared_gravity: None,
        basis: None,
    }
}

/// Patches for the strobe picture of `flight`, on a wall with a table and a bucket.
pub fn strobe_input(flight: &FlightMeasurement) -> StrobeInput {
    let wall = wall();
    let patches = flight.sightings.iter().map(|row| patch(&wall, row)).collect();
    StrobeInput { background: rgb::to_picture(&wall, ColourMatrix::Bt709, Transfer::Bt709), patches }
}

fn wall() -> image::RgbImage {
    image::RgbImage::from_fn(SIZE.0 as u32, SIZE.1 as u32, |x, y| {
        let brick = if y % 48 < 3 || (x + 60 * ((y / 48) % 2)) % 120 < 3 { 20 } else { 0 };
        let shade = (x / 16) as u8;
        match (x, y) {
            (0..=320, 520..=545) => image::Rgb([120, 82, 48]),
            (150..=230, 470..=519) => image::Rgb([150, 105, 60]),
            (_, 640..) => image::Rgb([96, 92, 88]),
            (850..=960, 560..=639) => image::Rgb([60, 90, 140]),
            _ => image::Rgb([188 - brick - shade / 2, 180 - brick - shade / 2, 168 - brick - shade / 3]),
        }
    })
}

fn patch(wall: &image::RgbImage, row: &SightingRow) -> StrobePatch {
    let (sx, sy) = row.streak_px.unwrap_or((0.0, 0.0));
    let reach = row.radius_px + sx.hypot(sy) / 2.0 + 6.0;
    let even = |v: f64| (v.max(0.0) as usize) & !1;
    let origin_px = (even(row.centre_px.x - reach), even(row.centre_px.y - reach));
    let side = (2.0 * reach) as u32 + 2;
    let crop = image::RgbImage::from_fn(side, side, |x, y| {
        let (column, line) = (origin_px.0 as u32 + x, origin_px.1 as u32 + y);
        let ground = wall.get_pixel_checked(column, line).copied().unwrap_or(image::Rgb([0, 0, 0]));
        let steps = 40;
        let hits = (0..steps).filter(|i| {
            let s = (f64::from(*i) + 0.5) / f64::from(steps) - 0.5;
            let centre = PixelPoint::new(row.centre_px.x + s * sx, row.centre_px.y + s * sy);
            centre.distance(PixelPoint::new(f64::from(column), f64::from(line))) < row.radius_px
        });
        let a = hits.count() as f64 / f64::from(steps);
        let ball = [240.0, 120.0, 30.0];
        image::Rgb(std::array::from_fn(|i| (f64::from(ground.0[i]) * (1.0 - a) + ball[i] * a).round() as u8))
    });
    StrobePatch {
        frame: row.frame,
        origin_px,
        crop: rgb::to_picture(&crop, ColourMatrix::Bt709, Transfer::Bt709),
        centre_px: row.centre_px,
        radius_px: row.radius_px,
        streak_px: row.streak_px,
        coverage: 1.0,
    }
}
