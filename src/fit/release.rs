//! When the ball left the launcher, by what the first sightings show.
//!
//! While a launcher still pushes, the ball is ahead of its later path by ½·a·δ², δ before the release. That is less than
//! the noise of a sighting for some milliseconds, so that a sighting from before the release can lie on the path. The moment of
//! launch is therefore weighed against all pushes that launchers give: beforehand any time is alike, and sightings that a
//! push would have moved rule later times out. Where a mouth hid the ball, it may have been off before it was seen.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use super::launch::Mouth;
use super::motion::State;
use super::problem::{Problem, whiten};
use super::view::Distribution;
use crate::maths::nonlinear::Residuals;
use crate::sight::Sighting;
use crate::units::{MetrePoint, PixelPoint};

/// How far a launcher pushes, m: a spring's few millimetres to an arm's swing. The mean acceleration over a push of length s is
/// v²/(2s). Common practice, no source.
const PUSH_M: (f64, f64) = (0.005, 0.6);

/// A launcher carries the weight at least, and one that gives hardly any speed isn't known to give a small acceleration, m/s².
const LEAST_PUSH: (f64, f64) = (9.81, 100.0);

/// A push doesn't point against the flight: it speeds the ball up, turns it on an arm, and carries it. Half of the directions'
/// range about that of the flight, rad.
const ASIDE_RAD: f64 = 105.0 * std::f64::consts::PI / 180.0;

/// First sightings that are looked at, and how long after the first, s: even the gentlest push shows by then.
const FIRST: usize = 6;
const SHOWS_WITHIN_S: f64 = 0.025;

/// A sighting that lies farther from the path than this many standard deviations is false at times.
const FALSE_BEYOND: f64 = 4.0;

const DIRECTIONS: usize = 9;
const SIZES: usize = 13;
const TIMES: usize = 160;

/// As many launchers hide the ball until it is off as show it all the while; common practice, no source.
const HAS_A_MOUTH: f64 = 0.5;

/// How far past a mouth's edge, in radii, the ball's centre is when the ball begins to be found, when it always is, and from where on it
/// counts as in full view: it is found with four tenths of its disc in view, and drawn aside by what is hidden.
const FOUND_PAST: (f64, f64) = (-0.2, 0.9);
const FULL_PAST: (f64, f64) = (0.7, 1.0);

/// What a launcher beside the ball does to a sighting that noise doesn't, px and as a share of the radius: it hides a rim, or casts a
/// shadow. As far as sightings of a smooth path are let off (half of it, as a standard deviation).
const LAUNCHER_PX: f64 = 0.12;
const LAUNCHER_OF_RADIUS: f64 = 0.01;

/// How far a mouth may be from a straight edge across the path in the plane of the flight, in radii: it is nearer to the camera by a radius,
/// and seldom cut square. Rendered tubes and arms were off by up to that much.
const MOUTH_OFF: f64 = 0.9;

/// Way past its launcher, in radii, after which no part of the ball is behind it. A mouth is left behind with the ball's diameter; an arm
/// that is stopped over a way s runs on beside the ball and has fallen back by Δ after 2·√(s·Δ)/v: with s = 10 cm and Δ = 6 cm for both
/// half widths the ball is 15 cm away by then.
const APART: f64 = 4.0;

/// What is known of the moment of launch beside the path.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known {
    /// The last frame without the ball on its path, and the first with it, s.
    pub from_s: f64,
    pub to_s: f64,
    pub mouth: Option<Mouth>,
}

impl Known {
    /// The earliest possible moment, s.
    fn earliest_s(&self) -> f64 {
        self.mouth.map_or(self.from_s, |mouth| self.from_s - FOUND_PAST.1 * mouth.radius_s)
    }

    /// Chance that the ball would be found and not found as it was, had it left at `time_s`.
    fn chance(&self, time_s: f64) -> f64 {
        let indicator = |so: bool| f64::from(u8::from(so));
        let open = indicator(time_s >= self.from_s);
        let Some(Mouth { radius_s, past }) = self.mouth else { return open };
        let rising = |(low, high): (f64, f64), past: f64| ((past - low) / (high - low)).clamp(0.0, 1.0);
        let past_at = |frame_s: f64| (frame_s - time_s) / radius_s;
        let missed_before = 1.0 - rising(FOUND_PAST, past_at(self.from_s));
        match past {
            Some(past) => {
                let at_the_edge = indicator((past_at(self.to_s) - past).abs() <= MOUTH_OFF);
                // An arm or a cup hides a part of the ball as well, and is no mouth; but it was at the ball not long ago.
                let near = indicator(past_at(self.to_s) <= APART);
                HAS_A_MOUTH * missed_before * at_the_edge + (1.0 - HAS_A_MOUTH) * open * near
            }
            None => HAS_A_MOUTH * missed_before * rising(FULL_PAST, past_at(self.to_s)) + (1.0 - HAS_A_MOUTH) * open,
        }
    }

    /// The latest possible moment as far as the ball was hidden, s.
    fn latest_s(&self) -> f64 {
        let hidden_until = self.mouth.and_then(|mouth| Some((MOUTH_OFF - mouth.past?) * mouth.radius_s));
        hidden_until.map_or(self.to_s, |late_s| self.to_s + late_s.max(0.0))
    }
}

/// One of the first sightings.
#[derive(Debug, Clone, Copy)]
pub(super) struct FirstSighting {
    /// On the clock of the launch, s.
    pub time_s: f64,
    /// Whitened residual, px over px.
    pub residual: (f64, f64),
    /// Whitened change of the place for one metre along the flight, and for one metre square to it (to the left).
    pub along: (f64, f64),
    pub across: (f64, f64),
    pub used: bool,
    /// Inverse of what the launcher adds to the whitened covariance.
    pub launcher: Matrix2<f64>,
}

/// What is known of the first sightings of one flight.
#[derive(Debug, Clone)]
pub(super) struct Evidence {
    pub known: Known,
    pub speed_m_per_s: f64,
    pub first: Vec<FirstSighting>,
    /// Gradient and curvature of χ² in what moved the sightings in use, over both coordinates of `first`.
    gradient: DVector<f64>,
    curvature: DMatrix<f64>,
}

/// A moment with its standard uncertainty, and how far the launcher's push had the first sightings ahead of the path by then.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Release {
    pub time_s: f64,
    pub standard_uncertainty_s: f64,
    pub distribution: Distribution,
    /// `None` where no push is likely.
    pub ahead: Option<Ahead>,
}

/// What pushes did to the first sightings, over all that may have been.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ahead {
    /// Whitened, both coordinates of each of the first sightings; nought for those that the fit left out.
    pub mean: DVector<f64>,
    pub covariance: DMatrix<f64>,
    /// Covariance with the moment of launch, s.
    pub with_time_s: DVector<f64>,
}

/// How many of a flight's sightings are looked at.
pub(super) fn looked_at(times_s: impl Iterator<Item = f64>, count: usize) -> usize {
    let mut times = times_s.peekable();
    let first_s = times.peek().copied().unwrap_or(0.0);
    let near = times.take_while(|t| *t <= first_s + SHOWS_WITHIN_S).count();
    // Those after them make the path.
    (near + 1).min(FIRST).min(count.saturating_sub(super::FEWEST_SIGHTINGS))
}

/// A flight as it was fitted.
pub(super) struct Path<'a> {
    pub problem: &'a Problem<'a>,
    pub parameters: &'a [f64],
    /// Of the parameters.
    pub covariance: &'a DMatrix<f64>,
    pub flight: usize,
    /// Share of the readout that passes between the launch's clock and the launch.
    pub row: f64,
}

impl Path<'_> {
    /// Time of a sighting on the launch's clock, s.
    fn clock(&self, s: &Sighting) -> f64 {
        let readout = self.problem.shared(self.parameters).readout;
        s.time_s + readout * (self.problem.view.row_fraction(s.centre_px) - self.row)
    }

    pub fn evidence(&self, known: Known) -> Option<Evidence> {
        let (problem, parameters) = (self.problem, self.parameters);
        let sightings = problem.tracks[self.flight].sightings;
        let count = looked_at(sightings.iter().map(|s| self.clock(s)), sightings.len());
        let begins = 2 * problem.tracks[..self.flight].iter().map(|t| t.sightings.len()).sum::<usize>();
        let rows = problem.jacobian(parameters)?.rows(begins, 2 * count).into_owned();
        // Unit matrix less the projection on what the path can follow.
        let stiffness = DMatrix::identity(2 * count, 2 * count) - &rows * self.covariance * rows.transpose();
        let states = problem.states(self.flight, parameters)?;
        let residuals = problem.pixel_residuals(self.flight, parameters)?;
        let first: Vec<FirstSighting> =
            (0..count).map(|i| self.first(i, states[i], residuals[i])).collect::<Option<_>>()?;
        let speed_m_per_s = states[0].vx.hypot(states[0].vy);
        Evidence::new(known, speed_m_per_s, first, &stiffness)
    }

    fn first(&self, index: usize, state: State, residual: PixelPoint) -> Option<FirstSighting> {
        const STEP_M: f64 = 1e-3;
        let track = &self.problem.tracks[self.flight];
        let sighting = &track.sightings[index];
        let white = |px: PixelPoint| {
            let (a, b) = whiten(px, sighting.covariance_px2);
            (a / self.problem.noise_scale, b / self.problem.noise_scale)
        };
        let seen =
            |x: f64, y: f64| self.problem.pixel_from_metre(self.parameters, MetrePoint::new(state.x + x, state.y + y));
        let here = seen(0.0, 0.0)?;
        let per_metre = |x: f64, y: f64| {
            let there = seen(STEP_M * x, STEP_M * y)?;
            Some(white(PixelPoint::new((there.x - here.x) / STEP_M, (there.y - here.y) / STEP_M)))
        };
        let speed = state.vx.hypot(state.vy).max(1e-9);
        let (cos, sin) = (state.vx / speed, state.vy / speed);
        Some(FirstSighting {
            time_s: self.clock(sighting),
            residual: white(residual),
            along: per_metre(cos, sin)?,
            across: per_metre(-sin, cos)?,
            used: track.weights[index] > 0.0,
            launcher: self.launcher(sighting),
        })
    }

    /// The launcher's share as a normal displacement alike on both axes, whitened and inverted: n²·Lᵀ·L/s² with C = L·Lᵀ.
    fn launcher(&self, sighting: &Sighting) -> Matrix2<f64> {
        let s = LAUNCHER_PX + LAUNCHER_OF_RADIUS * sighting.radius_px;
        let c = sighting.covariance_px2;
        let l11 = c.xx.sqrt();
        let l21 = c.xy / l11;
        let l = Matrix2::new(l11, 0.0, l21, (c.yy - l21 * l21).sqrt());
        l.transpose() * l * (self.problem.noise_scale / s).powi(2)
    }

    /// The launch of a ball that was let go, which isn't seen before it has left a part of its place free: when its path comes from
    /// rest, where that is less than a radius before the first sighting.
    pub fn let_go(&self) -> Option<Release> {
        /// Speed that a hand gives a ball that it lets go, m/s; common practice, no source.
        const AT_REST_M_PER_S: f64 = 0.1;
        let sighting = self.problem.tracks[self.flight].sightings.first()?;
        let first = *self.problem.states(self.flight, self.parameters)?.first()?;
        let (ax, ay) = self.problem.shared(self.parameters).field();
        let fall = ax.hypot(ay);
        let since_s = (first.vx * ax + first.vy * ay) / (fall * fall);
        let aside = (first.vx * ay - first.vy * ax).abs() / fall;
        let here = self.problem.pixel_from_metre(self.parameters, MetrePoint::new(first.x, first.y))?;
        let fallen_m = 0.5 * fall * since_s * since_s;
        let from = MetrePoint::new(first.x - fallen_m * ax / fall, first.y - fallen_m * ay / fall);
        let fallen_px = self.problem.pixel_from_metre(self.parameters, from)?.distance(here);
        let let_go = since_s > 0.0 && fallen_px < sighting.radius_px && aside < AT_REST_M_PER_S;
        // A hand that moves by a tenth of a metre a second is at rest a hundredth of a second away.
        let standard_uncertainty_s = AT_REST_M_PER_S / fall / 12f64.sqrt();
        let distribution = Distribution::Normal;
        let time_s = self.clock(sighting) - since_s;
        let_go.then_some(Release { time_s, standard_uncertainty_s, distribution, ahead: None })
    }
}

/// Mean and standard deviation of the moment of launch, all moments alike beforehand, and of what pushes then did to the first sightings.
pub(super) fn release(evidence: &Evidence) -> Release {
    let known = &evidence.known;
    let from_s = known.earliest_s();
    let step = (evidence.latest_s() - from_s) / TIMES as f64;
    let mut sums = Sums::new(2 * evidence.first.len());
    for i in 0..TIMES {
        let since_s = step * (i as f64 + 0.5);
        evidence.weigh(from_s + since_s, since_s, known.chance(from_s + since_s), &mut sums);
    }
    if !(sums.area > 0.0 && step > 0.0) {
        let standard_uncertainty_s = (known.to_s - known.from_s).abs() / 12f64.sqrt();
        let time_s = 0.5 * (known.from_s + known.to_s);
        let distribution = Distribution::Rectangular;
        return Release { time_s, standard_uncertainty_s, distribution, ahead: None };
    }
    let mean = sums.time / sums.area;
    let variance = sums.time_squared / sums.area - mean * mean;
    // A flat top of this area and height; what is beyond it comes from the slopes at its ends.
    let flat = (sums.area * step / sums.highest).powi(2) / 12.0;
    let distribution = if 2.0 * flat > variance { Distribution::Rectangular } else { Distribution::Normal };
    let standard_uncertainty_s = variance.max(0.0).sqrt();
    Release { time_s: from_s + mean, standard_uncertainty_s, distribution, ahead: sums.ahead(mean) }
}

/// Weighted sums over moments and pushes.
struct Sums {
    area: f64,
    /// Greatest weight of a moment.
    highest: f64,
    /// s after the earliest moment.
    time: f64,
    time_squared: f64,
    ahead: DVector<f64>,
    ahead_squared: DMatrix<f64>,
    ahead_by_time: DVector<f64>,
}

impl Sums {
    fn new(coordinates: usize) -> Self {
        Self {
            area: 0.0,
            highest: 0.0,
            time: 0.0,
            time_squared: 0.0,
            ahead: DVector::zeros(coordinates),
            ahead_squared: DMatrix::zeros(coordinates, coordinates),
            ahead_by_time: DVector::zeros(coordinates),
        }
    }

    /// A moment, whatever was pushed before it.
    fn add(&mut self, since_s: f64, weight: f64) {
        self.area += weight;
        self.highest = self.highest.max(weight);
        self.time += weight * since_s;
        self.time_squared += weight * since_s * since_s;
    }

    /// All sizes of one push: what one of unit size does, the sums of their weights times their size and its square.
    fn add_push(&mut self, since_s: f64, unit: &DVector<f64>, by_size: f64, by_size_squared: f64) {
        self.ahead.axpy(by_size, unit, 1.0);
        self.ahead_by_time.axpy(by_size * since_s, unit, 1.0);
        self.ahead_squared.ger(by_size_squared, unit, unit, 1.0);
    }

    fn ahead(&self, mean_s: f64) -> Option<Ahead> {
        let mean = &self.ahead / self.area;
        let covariance = &self.ahead_squared / self.area - &mean * mean.transpose();
        let with_time_s = &self.ahead_by_time / self.area - &mean * mean_s;
        (self.ahead_squared.trace() > 0.0).then_some(Ahead { mean, covariance, with_time_s })
    }
}

impl Evidence {
    /// The launcher's share of each sighting is whatever explains it best: with r the residuals, M the stiffness, E⁻¹ the launcher's share
    /// and A = (M + E⁻¹)⁻¹ that leaves the gradient r − M·A·r and the curvature M − M·A·M.
    fn new(known: Known, speed_m_per_s: f64, first: Vec<FirstSighting>, stiffness: &DMatrix<f64>) -> Option<Self> {
        let mut stiffer = stiffness.clone();
        for (i, sighting) in first.iter().enumerate() {
            let mut block = stiffer.fixed_view_mut::<2, 2>(2 * i, 2 * i);
            block += sighting.launcher;
        }
        let inverse = stiffer.try_inverse()?;
        let own = first.iter().flat_map(|s| if s.used { [s.residual.0, s.residual.1] } else { [0.0; 2] });
        let residuals = DVector::from_iterator(2 * first.len(), own);
        let gradient = &residuals - stiffness * (&inverse * &residuals);
        let curvature = stiffness - stiffness * inverse * stiffness;
        Some(Self { known, speed_m_per_s, first, gradient, curvature })
    }

    /// The latest moment that is weighed, s: until any push would show. A launch that lies before all sightings is known by other
    /// means.
    fn latest_s(&self) -> f64 {
        let at = |sighting: Option<&FirstSighting>| sighting.map_or(self.known.to_s, |s| s.time_s);
        let first_s = at(self.first.first());
        let shown_s = at(self.first.last()).min(first_s + SHOWS_WITHIN_S);
        let latest_s = self.known.latest_s();
        if self.known.to_s >= first_s - 1e-9 { latest_s.max(shown_s) } else { latest_s }
    }

    /// Adds what is to be said for a moment, `since_s` after the earliest: the mean likelihood of the first sightings over all pushes, times
    /// the `chance` that it has beside them.
    fn weigh(&self, time_s: f64, since_s: f64, chance: f64, sums: &mut Sums) {
        let pushed = self.first.iter().take_while(|s| s.time_s < time_s).count();
        let beside = chance * self.unexplained(pushed);
        if pushed == 0 || beside == 0.0 {
            return sums.add(since_s, beside);
        }
        let least = self.speed_m_per_s.powi(2) / (2.0 * PUSH_M.1);
        let most = self.speed_m_per_s.powi(2) / (2.0 * PUSH_M.0);
        let (ln_least, ln_most) = (least.max(LEAST_PUSH.0).ln(), most.max(LEAST_PUSH.1).ln());
        let share = beside / (SIZES * DIRECTIONS) as f64;
        let mut total = 0.0;
        for direction in 0..DIRECTIONS {
            let angle = ASIDE_RAD * ((2 * direction + 1) as f64 / DIRECTIONS as f64 - 1.0);
            let push = self.push(time_s, pushed, angle);
            let (mut by_size, mut by_size_squared) = (0.0, 0.0);
            for size in 0..SIZES {
                let size = (ln_least + (ln_most - ln_least) * (size as f64 + 0.5) / SIZES as f64).exp();
                let weight = share * push.likelihood(size);
                total += weight;
                by_size += weight * size;
                by_size_squared += weight * size * size;
            }
            sums.add_push(since_s, &push.unit, by_size, by_size_squared);
        }
        sums.add(since_s, total);
    }

    /// What a push of one metre per second squared at an angle to the flight did to the first `pushed` sightings.
    fn push(&self, time_s: f64, pushed: usize, angle: f64) -> Push<'_> {
        let (sin, cos) = angle.sin_cos();
        let mut unit = DVector::zeros(2 * self.first.len());
        let mut left_out = Vec::new();
        for (i, s) in self.first[..pushed].iter().enumerate() {
            let metres = 0.5 * (time_s - s.time_s).powi(2);
            let moved = |along: f64, across: f64| metres * (cos * along + sin * across);
            let (x, y) = (moved(s.along.0, s.across.0), moved(s.along.1, s.across.1));
            if s.used {
                (unit[2 * i], unit[2 * i + 1]) = (x, y);
            } else {
                left_out.push((s, x, y));
            }
        }
        let squared = unit.dot(&(&self.curvature * &unit));
        Push { squared, crossed: self.gradient.dot(&unit), unit, left_out }
    }

    /// Likelihood of the rejected sightings from `since` on, which no push explains.
    fn unexplained(&self, since: usize) -> f64 {
        let rejected = self.first[since..].iter().filter(|s| !s.used);
        let apart: f64 = rejected.map(|s| s.misfit(0.0, 0.0)).sum();
        (-0.5 * apart).exp()
    }
}

/// Pushes of one direction until one moment.
struct Push<'a> {
    /// Whitened change of the first sightings in use by one of unit size.
    unit: DVector<f64>,
    /// What χ² gains with the square of the size, and loses with twice the size.
    squared: f64,
    crossed: f64,
    /// Sightings that the fit rejected, with their change.
    left_out: Vec<(&'a FirstSighting, f64, f64)>,
}

impl Push<'_> {
    /// Likelihood of one size, over that of no push at the sightings in use.
    fn likelihood(&self, size: f64) -> f64 {
        let left_out: f64 = self.left_out.iter().map(|(s, x, y)| s.misfit(size * x, size * y)).sum();
        (-0.5 * (left_out + size * (size * self.squared - 2.0 * self.crossed))).exp()
    }
}

impl FirstSighting {
    /// Squared distance from a path that is moved by (x, y), whitened, in units of its noise and the launcher's share; any sighting
    /// can be false.
    fn misfit(&self, x: f64, y: f64) -> f64 {
        let apart = Vector2::new(self.residual.0 - x, self.residual.1 - y);
        let spread = Matrix2::identity() + self.launcher.try_inverse().unwrap_or_else(Matrix2::zeros);
        let squared = spread.try_inverse().map_or(0.0, |inverse| apart.dot(&(inverse * apart)));
        squared.min(FALSE_BEYOND * FALSE_BEYOND)
    }
}
