//! Measured against true: where the ball really was, and how far a measurement is from it.

use lobline::measurement::{FlightMeasurement, Measurement};
use lobline::units::{Estimate, PixelPoint};

/// One ball in one frame, as it really was.
#[derive(Debug, Clone, Copy)]
pub struct TrueBall {
    /// Number of its flight, from 0.
    pub flight: usize,
    pub in_free_flight: bool,
    /// Share of it that is in view.
    pub visible: f64,
    pub centre_px: PixelPoint,
    pub radius_px: f64,
    pub streak_px: f64,
}

impl TrueBall {
    /// How far from the centre a sighting may lie and still be of this ball, px.
    fn reach_px(&self) -> f64 {
        (self.radius_px + 0.5 * self.streak_px).max(3.0)
    }

    /// Whether it must be found in a clip that asks for balls of which at least the share `visible` is in view.
    fn is_wanted(&self, visible: f64) -> bool {
        self.in_free_flight && self.visible >= visible
    }
}

/// One launch, as it really was.
#[derive(Debug, Clone, Copy)]
pub struct TrueFlight {
    pub speed_m_per_s: f64,
    /// Above the horizontal.
    pub angle_deg: f64,
    pub gravity_m_per_s2: f64,
}

/// What is really in a clip.
#[derive(Debug, Clone)]
pub struct KnownClip {
    pub name: String,
    /// The balls of each frame, in presentation order.
    pub frames: Vec<Vec<TrueBall>>,
    pub flights: Vec<TrueFlight>,
    /// Share of a ball that must be in view for its frame to count.
    pub visible: f64,
    /// Marked length of the scale over its true length, both in pixels: what the marking hand, not the program, got wrong.
    pub marked_over_true: f64,
}

/// A result beside the truth.
#[derive(Debug, Clone, Copy)]
pub struct Compared {
    pub measured: Estimate,
    pub truth: f64,
}

impl Compared {
    pub fn error(&self) -> f64 {
        self.measured.value - self.truth
    }

    /// Whether the truth lies in the stated 95 % interval; a result without an interval has none to lie in.
    pub fn is_inside(&self) -> bool {
        self.measured.expanded_uncertainty_95.is_some_and(|u| self.error().abs() <= u)
    }

    /// Relative error with the marking hand's share taken out.
    pub fn relative_beyond_marking(&self, marked_over_true: f64) -> f64 {
        self.measured.value * marked_over_true / self.truth - 1.0
    }
}

/// A measured flight beside the launch that it belongs to.
#[derive(Debug, Clone, Copy)]
pub struct Pair {
    pub speed: Compared,
    pub angle: Compared,
    pub gravity: Compared,
}

/// How a measurement of a known clip turned out.
#[derive(Debug, Clone)]
pub struct Score {
    pub name: String,
    /// Frames with a ball in free flight and enough of it in view; and those of them that were found.
    pub wanted: usize,
    pub found: usize,
    /// Sightings where no ball is, or a second one of the same ball.
    pub false_points: usize,
    /// Sightings of a ball at rest, after its flight, or mostly hidden.
    pub other: usize,
    /// Root mean square distance from the true centres, px.
    pub rms_px: f64,
    pub worst_px: f64,
    /// Mean of measured minus true, px.
    pub bias_px: PixelPoint,
    pub flights_measured: usize,
    pub flights_true: usize,
    pub pairs: Vec<Pair>,
    pub marked_over_true: f64,
    /// Frames missed, for the message.
    pub missed: Vec<usize>,
}

/// What a score must reach.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    pub found_share: f64,
    pub rms_px: f64,
    /// Relative errors beyond that of marking; `None` asks for nothing but the interval.
    pub speed: Option<f64>,
    pub gravity: Option<f64>,
}

impl Limits {
    /// Good light and ideal geometry.
    pub const IDEAL: Self = Self { found_share: 0.99, rms_px: 0.15, speed: None, gravity: Some(0.005) };
    /// Good light, and a camera or scale that isn't ideal, stated as far as a user can know it.
    pub const CAMERA: Self = Self { found_share: 0.99, rms_px: 0.15, speed: Some(0.01), gravity: Some(0.01) };
    /// Noise, blur or clutter that no method sees through to a sixth of a pixel. Not every test file has such clips.
    #[allow(dead_code)]
    pub const POOR_LIGHT: Self = Self { rms_px: 0.6, ..Self::IDEAL };
}

/// Compares a measurement with what is really in the clip.
pub fn score(known: &KnownClip, measurement: &Measurement) -> Score {
    let wanted: usize = known.frames.iter().flatten().filter(|ball| ball.is_wanted(known.visible)).count();
    let mut score = Score {
        name: known.name.clone(),
        wanted,
        found: 0,
        false_points: 0,
        other: 0,
        rms_px: 0.0,
        worst_px: 0.0,
        bias_px: PixelPoint::new(0.0, 0.0),
        flights_measured: measurement.launches().count(),
        flights_true: known.flights.len(),
        pairs: Vec::new(),
        marked_over_true: known.marked_over_true,
        missed: Vec::new(),
    };
    let mut squares = 0.0;
    let mut seen = std::collections::BTreeSet::new();
    for flight in &measurement.flights {
        let mut votes = vec![0; known.flights.len()];
        for sighting in &flight.sightings {
            let Some(ball) = ball_at(known, sighting.frame, sighting.centre_px) else {
                score.false_points += 1;
                continue;
            };
            votes[ball.flight] += 1;
            if !seen.insert((sighting.frame, ball.flight)) {
                score.false_points += 1;
            } else if ball.is_wanted(known.visible) {
                let distance = sighting.centre_px.distance(ball.centre_px);
                score.found += 1;
                score.worst_px = score.worst_px.max(distance);
                squares += distance * distance;
                score.bias_px.x += sighting.centre_px.x - ball.centre_px.x;
                score.bias_px.y += sighting.centre_px.y - ball.centre_px.y;
            } else {
                score.other += 1;
            }
        }
        let best = (0..votes.len()).max_by_key(|&i| votes[i]).filter(|&i| votes[i] > 0);
        let launched = best.filter(|_| flight.after_bounce.is_none());
        score.pairs.extend(launched.map(|i| pair(flight, &known.flights[i])));
    }
    let count = score.found.max(1) as f64;
    score.rms_px = (squares / count).sqrt();
    score.bias_px = PixelPoint::new(score.bias_px.x / count, score.bias_px.y / count);
    for (frame, balls) in known.frames.iter().enumerate() {
        let missed = balls.iter().any(|ball| ball.is_wanted(known.visible) && !seen.contains(&(frame, ball.flight)));
        score.missed.extend(missed.then_some(frame));
    }
    score
}

fn ball_at(known: &KnownClip, frame: usize, at: PixelPoint) -> Option<TrueBall> {
    let distance = |ball: &TrueBall| ball.centre_px.distance(at);
    let near = |ball: &&TrueBall| ball.visible > 0.0 && distance(ball) <= ball.reach_px();
    let balls = known.frames.get(frame)?.iter().filter(near);
    balls.min_by(|a, b| distance(a).total_cmp(&distance(b))).copied()
}

fn pair(flight: &FlightMeasurement, truth: &TrueFlight) -> Pair {
    let compared = |measured: Estimate, truth: f64| Compared { measured, truth };
    Pair {
        speed: compared(flight.launch_speed_m_per_s, truth.speed_m_per_s),
        angle: compared(flight.launch_angle_deg, truth.angle_deg),
        gravity: compared(flight.gravity_m_per_s2, truth.gravity_m_per_s2),
    }
}

impl Score {
    pub const HEAD: &str = "clip                    flights   found  false other   rms px  worst   bias x,y px | speed %  U95 %  in | angle °   U95  in |    g %  U95 %  in";

    /// A line of the table for each flight. Errors are as measured, the marking hand's share in them.
    pub fn rows(&self) -> String {
        let head = format!(
            "{:<24}{:>4}/{:<2} {:>4}/{:<4} {:>4} {:>5} {:>8.3} {:>6.2} {:>+6.2} {:>+6.2}",
            self.name,
            self.flights_measured,
            self.flights_true,
            self.found,
            self.wanted,
            self.false_points,
            self.other,
            self.rms_px,
            self.worst_px,
            self.bias_px.x,
            self.bias_px.y
        );
        let inside = |c: &Compared| if c.is_inside() { "yes" } else { "NO" };
        let relative = |c: &Compared| {
            let percent = |value: f64| 100.0 * value / c.truth.abs();
            let u = c.measured.expanded_uncertainty_95.map_or(f64::NAN, percent);
            format!("{:>+7.2} {u:>6.2} {:>3}", percent(c.error()), inside(c))
        };
        let line = |(i, pair): (usize, &Pair)| {
            let head = if i == 0 { head.clone() } else { " ".repeat(head.len()) };
            let u = pair.angle.measured.expanded_uncertainty_95.unwrap_or(f64::NAN);
            format!(
                "{head} | {} | {:>+7.3} {u:>5.2} {:>3} | {}",
                relative(&pair.speed),
                pair.angle.error(),
                inside(&pair.angle),
                relative(&pair.gravity)
            )
        };
        if self.pairs.is_empty() {
            return head;
        }
        self.pairs.iter().enumerate().map(line).collect::<Vec<_>>().join("\n")
    }

    /// What falls short of `limits`, in words; empty when nothing does.
    pub fn complaints(&self, limits: &Limits) -> Vec<String> {
        let mut complaints = Vec::new();
        let mut check = |good: bool, words: String| complaints.extend((!good).then_some(words));
        check(
            self.flights_measured == self.flights_true,
            format!("{} flights measured of {}", self.flights_measured, self.flights_true),
        );
        check(
            self.found as f64 >= limits.found_share * self.wanted as f64,
            format!("found {} of {}, missed frames {:?}", self.found, self.wanted, self.missed),
        );
        check(self.false_points == 0, format!("{} false points", self.false_points));
        check(self.rms_px <= limits.rms_px, format!("{:.3} px from the true centres", self.rms_px));
        for (i, pair) in self.pairs.iter().enumerate() {
            let named = [("speed", &pair.speed, limits.speed), ("g", &pair.gravity, limits.gravity)];
            for (name, compared, limit) in named {
                let error = compared.relative_beyond_marking(self.marked_over_true);
                let good = limit.is_none_or(|limit| error.abs() <= limit);
                check(good, format!("flight {}: {name} off by {:+.2} % beyond the marking", i + 1, 100.0 * error));
            }
            for (name, compared) in [("speed", &pair.speed), ("angle", &pair.angle), ("g", &pair.gravity)] {
                let u = compared.measured.expanded_uncertainty_95;
                let words = format!(
                    "flight {}: {name} {:.4} ± {u:.4?}, truth {:.4} outside",
                    i + 1,
                    compared.measured.value,
                    compared.truth
                );
                // A ball let go at rest has no direction.
                let directed = name != "angle" || pair.speed.truth > 0.0;
                check(compared.is_inside() || !directed, words);
            }
        }
        complaints.iter().map(|words| format!("{}: {words}", self.name)).collect()
    }
}
