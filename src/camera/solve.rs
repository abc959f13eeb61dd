//! From the numbers of a set-up to the map between plane and picture.

use nalgebra::{Matrix3, SVector};

use super::error::CameraError;
use super::homography;
use super::inputs::Knob;
use super::lens::Lens;
use super::marks::{Placed, Scene};
use super::pose::{Attitude, intrinsics, plane_to_picture, shifted_plane};
use crate::rig::ReadoutDirection;
use crate::units::{MetrePoint, PixelPoint};

/// All numbers that the camera is made of; turning one and solving again gives the camera with that input changed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Setup {
    pub width: usize,
    pub height: usize,
    pub focal_px: f64,
    /// Focal length follows from the distance and the scale.
    pub focal_from_distance: bool,
    pub principal: PixelPoint,
    pub k1: f64,
    pub k2: f64,
    pub yaw: f64,
    pub pitch: f64,
    pub level: Level,
    /// Turn of the vertical on top of what the level says, rad.
    pub level_turn: f64,
    /// Lens to plane of the flight, square to it, m.
    pub distance_m: Option<f64>,
    /// How much nearer to the camera than the flight the scale is, m.
    pub offset_m: f64,
    pub readout_s: f64,
    pub direction: ReadoutDirection,
    pub scale: ScaleSource,
}

/// What gives the scale.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum ScaleSource {
    /// Lengths; the camera's attitude is as stated.
    Lengths(Vec<Line>),
    /// Points whose places in the plane of the scale are known: the map follows from them alone. `shift` moves the map along
    /// the independent directions of its covariance, in px of error of the points.
    Map { points: Vec<(PixelPoint, MetrePoint)>, shift: SVector<f64, 8> },
    /// The marks of cards, weighed against what is known of the camera beforehand.
    Marks(Scene),
}

/// A known length between two points of the picture.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    pub from: PixelPoint,
    pub to: PixelPoint,
    pub length_m: f64,
    /// Standard uncertainty of the length, m.
    pub u_length_m: f64,
    /// Standard uncertainty of the distance between the ends, px.
    pub u_ends_px: f64,
    /// Change of the distance between the ends, px.
    pub stretch_px: f64,
    /// The length lies in the plane of the flight whatever the scale's offset: the ball.
    pub in_flight_plane: bool,
}

/// What gives the vertical.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Level {
    /// Roll of the camera, rad.
    Roll(f64),
    /// Two points of a plumb line.
    Plumb(PixelPoint, PixelPoint),
    /// Two points at one height.
    Horizontal(PixelPoint, PixelPoint),
    /// The map's own y axis: the upright of the first card.
    Upright,
}

/// A length beside what the solved camera makes of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LengthCheck {
    pub stated_m: f64,
    pub seen_m: f64,
    /// Standard uncertainty of the difference from marking and length together, m.
    pub standard_uncertainty_m: f64,
}

/// The solved map.
#[derive(Debug, Clone)]
pub(super) struct Solved {
    /// Plane of the flight (m) to the picture of a perfect pinhole (px).
    pub plane: Matrix3<f64>,
    pub inverse: Matrix3<f64>,
    pub lens: Option<Lens>,
    pub checks: Vec<LengthCheck>,
    /// What the marks of cards gave.
    pub placed: Option<Placed>,
}

impl Setup {
    pub fn turn(&mut self, knob: Knob, delta: f64) {
        match knob {
            Knob::LineLength(i) => self.with_line(i, |line| line.length_m += delta),
            Knob::LineEnds(i) => self.with_line(i, |line| line.stretch_px += delta),
            Knob::RectangleWidth => self.stretch_map(|at, size| MetrePoint::new(at.x * (1.0 + delta / size.x), at.y)),
            Knob::RectangleHeight => self.stretch_map(|at, size| MetrePoint::new(at.x, at.y * (1.0 + delta / size.y))),
            Knob::MapMode(k) => {
                if let ScaleSource::Map { shift, .. } = &mut self.scale {
                    shift[k] += delta;
                }
            }
            Knob::MarksMode(k) => self.with_marks(|scene| scene.shift[k] += delta),
            Knob::MarksTilt(k) => self.with_marks(|scene| scene.shift[k] += delta.to_radians() / scene.tilt_u[k]),
            Knob::Print => self.with_marks(|scene| scene.print += delta),
            Knob::Offset => self.offset_m += delta,
            Knob::Distance => self.distance_m = self.distance_m.map(|distance| distance + delta),
            Knob::Focal => self.focal_px += delta,
            Knob::Yaw => self.yaw += delta.to_radians(),
            Knob::Pitch => self.pitch += delta.to_radians(),
            Knob::Level => self.level_turn += delta.to_radians(),
            Knob::K1 => self.k1 += delta,
            Knob::K2 => self.k2 += delta,
            Knob::Readout => self.readout_s += delta,
        }
    }

    fn with_line(&mut self, i: usize, change: impl Fn(&mut Line)) {
        if let ScaleSource::Lengths(lines) = &mut self.scale {
            change(&mut lines[i]);
        }
    }

    fn with_marks(&mut self, change: impl Fn(&mut Scene)) {
        if let ScaleSource::Marks(scene) = &mut self.scale {
            change(scene);
        }
    }

    fn stretch_map(&mut self, change: impl Fn(MetrePoint, MetrePoint) -> MetrePoint) {
        if let ScaleSource::Map { points, .. } = &mut self.scale {
            let size = points
                .iter()
                .fold(MetrePoint::new(0.0, 0.0), |m, (_, at)| MetrePoint::new(m.x.max(at.x), m.y.max(at.y)));
            points.iter_mut().for_each(|(_, at)| *at = change(*at, size));
        }
    }

    pub fn lens(&self) -> Option<Lens> {
        (self.k1 != 0.0 || self.k2 != 0.0).then(|| Lens::radial(self.focal_px, self.principal, self.k1, self.k2))
    }

    pub fn solve(&self) -> Result<Solved, CameraError> {
        let lens = self.lens();
        if let Some(lens) = &lens
            && lens.folds_within(self.farthest_corner())
        {
            return Err(CameraError::LensFolds { k1: self.k1, k2: self.k2 });
        }
        let mut solved = match &self.scale {
            ScaleSource::Lengths(lines) => self.solve_lengths(lines, lens)?,
            ScaleSource::Map { points, shift } => self.solve_map(points, shift, lens)?,
            ScaleSource::Marks(scene) => self.solve_marks(scene, lens)?,
        };
        solved.inverse = solved.plane.try_inverse().ok_or(CameraError::CornersDegenerate)?;
        Ok(solved)
    }

    fn farthest_corner(&self) -> f64 {
        let (w, h) = (self.width as f64 - 1.0, self.height as f64 - 1.0);
        [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h)]
            .iter()
            .map(|c| self.principal.distance(PixelPoint::new(c.0, c.1)))
            .fold(0.0, f64::max)
    }

    fn solve_map(
        &self,
        points: &[(PixelPoint, MetrePoint)],
        shift: &SVector<f64, 8>,
        lens: Option<Lens>,
    ) -> Result<Solved, CameraError> {
        let from: Vec<_> = points.iter().map(|(_, at)| (at.x, at.y)).collect();
        let to: Vec<_> = points.iter().map(|(px, _)| ideal(&lens, *px)).map(|p| (p.x, p.y)).collect();
        let fitted = homography::fit(&from, &to).ok_or(CameraError::CornersDegenerate)?;
        let modes = fitted.unit_covariance.cholesky().ok_or(CameraError::CornersDegenerate)?.l();
        let moved = modes * shift;
        let mut h = fitted.h;
        for k in 0..8 {
            h[(k / 3, k % 3)] += moved[k];
        }
        let k = intrinsics(self.focal_px, self.principal);
        // The flight is behind a scale that is nearer to the camera.
        let h = shifted_plane(&h, &k, -self.offset_m).ok_or(CameraError::CornersDegenerate)?;
        let alpha = self.up_angle(&h, &lens)? + self.level_turn;
        Ok(Solved { plane: h * turned(alpha), inverse: Matrix3::identity(), lens, checks: Vec::new(), placed: None })
    }

    fn solve_marks(&self, scene: &Scene, lens: Option<Lens>) -> Result<Solved, CameraError> {
        let mut scene = scene.clone();
        // The distance is stated to the plane of the flight, the marks are nearer by the offset.
        if let (Some(distance), Some((to_marks, _))) = (self.distance_m, &mut scene.distance_m) {
            *to_marks = distance - self.offset_m;
        }
        let placed = scene.place(self.principal, |px| ideal(&lens, px)).ok_or(CameraError::MarksUnplaced)?;
        let h = scene.plane(self.principal, &placed);
        let k = intrinsics(placed.focal_px(), self.principal);
        let h = shifted_plane(&h, &k, -self.offset_m).ok_or(CameraError::MarksUnplaced)?;
        let alpha = self.up_angle(&h, &lens)? + self.level_turn;
        Ok(Solved {
            plane: h * turned(alpha),
            inverse: Matrix3::identity(),
            lens,
            checks: Vec::new(),
            placed: Some(placed),
        })
    }

    fn solve_lengths(&self, lines: &[Line], lens: Option<Lens>) -> Result<Solved, CameraError> {
        let mut focal = self.focal_px;
        for _ in 0..30 {
            let attitude = self.levelled(focal, &lens)?;
            let distance = self.distance_of(lines, focal, attitude, &lens)?;
            let wanted = self.distance_m.filter(|_| self.focal_from_distance);
            let next = wanted.map_or(focal, |d| focal * d / (distance * attitude.foreshortening()));
            if (next / focal - 1.0).abs() < 1e-13 {
                break;
            }
            focal = next;
        }
        let attitude = self.levelled(focal, &lens)?;
        let distance = self.distance_of(lines, focal, attitude, &lens)?;
        let plane = plane_to_picture(&intrinsics(focal, self.principal), attitude, distance);
        let inverse = plane.try_inverse().ok_or(CameraError::PastHorizon)?;
        let start = ideal(&lens, lines[0].from);
        let origin = homography::apply(&inverse, start.x, start.y);
        let moved = Matrix3::new(1.0, 0.0, origin.0, 0.0, 1.0, origin.1, 0.0, 0.0, 1.0);
        let checks = self.checks(lines, focal, attitude, distance, &lens)?;
        Ok(Solved { plane: plane * moved, inverse: Matrix3::identity(), lens, checks, placed: None })
    }

    /// The attitude whose roll makes the stated vertical upright.
    fn levelled(&self, focal: f64, lens: &Option<Lens>) -> Result<Attitude, CameraError> {
        let mut attitude = Attitude { yaw: self.yaw, pitch: self.pitch, roll: 0.0 };
        if let Level::Roll(roll) = self.level {
            attitude.roll = roll + self.level_turn;
            return Ok(attitude);
        }
        let k = intrinsics(focal, self.principal);
        for _ in 0..20 {
            let alpha = self.up_angle(&plane_to_picture(&k, attitude, 1.0), lens)?;
            attitude.roll += alpha;
            if alpha.abs() < 1e-14 {
                break;
            }
        }
        attitude.roll += self.level_turn;
        Ok(attitude)
    }

    /// Angle by which the vertical leans to the left of the map's y axis, rad.
    fn up_angle(&self, h: &Matrix3<f64>, lens: &Option<Lens>) -> Result<f64, CameraError> {
        let inverse = h.try_inverse().ok_or(CameraError::CornersDegenerate)?;
        let direction = |a: PixelPoint, b: PixelPoint| {
            let (a, b) = (ideal(lens, a), ideal(lens, b));
            let (a, b) = (homography::apply(&inverse, a.x, a.y), homography::apply(&inverse, b.x, b.y));
            (b.0 - a.0, b.1 - a.1)
        };
        Ok(match self.level {
            Level::Upright => 0.0,
            Level::Plumb(a, b) => {
                let (bottom, top) = if a.y > b.y { (a, b) } else { (b, a) };
                let (x, y) = direction(bottom, top);
                (-x).atan2(y)
            }
            Level::Horizontal(a, b) => {
                let (left, right) = if a.x < b.x { (a, b) } else { (b, a) };
                let (x, y) = direction(left, right);
                y.atan2(x)
            }
            Level::Roll(roll) => {
                let c = self.principal;
                let (x, y) = direction(c, PixelPoint::new(c.x - 50.0 * roll.sin(), c.y - 50.0 * roll.cos()));
                (-x).atan2(y)
            }
        })
    }

    /// Distance along the line of sight that agrees best with all lengths, m.
    ///
    /// With d = 1 m the picture's lengths are l; a length L in the plane of the flight says L = l d. One in a plane nearer by
    /// the offset z says L = l d (1 − z/D), D the distance square to the plane: either known, or d times the foreshortening.
    fn distance_of(
        &self,
        lines: &[Line],
        focal: f64,
        attitude: Attitude,
        lens: &Option<Lens>,
    ) -> Result<f64, CameraError> {
        let (mut top, mut bottom) = (0.0, 0.0);
        for line in lines {
            let unit = self.unit_length(line, focal, attitude, lens)?;
            let (a, b) = match (line.in_flight_plane, self.distance_m) {
                (true, _) => (unit, line.length_m),
                (false, Some(known)) => (unit * self.depth_factor(known)?, line.length_m),
                (false, None) => (unit, line.length_m + unit * self.offset_m / attitude.foreshortening()),
            };
            let w = line.variance().recip();
            top += w * a * b;
            bottom += w * a * a;
        }
        let distance = top / bottom;
        if !(distance.is_finite() && distance * attitude.foreshortening() > self.offset_m.max(0.0)) {
            return Err(CameraError::ScaleBehindCamera { offset_m: self.offset_m, distance_m: distance });
        }
        Ok(distance)
    }

    fn depth_factor(&self, distance_m: f64) -> Result<f64, CameraError> {
        let factor = 1.0 - self.offset_m / distance_m;
        let error = CameraError::ScaleBehindCamera { offset_m: self.offset_m, distance_m };
        if factor > 0.0 { Ok(factor) } else { Err(error) }
    }

    /// Length of a line in the plane of the flight if that were 1 m away.
    fn unit_length(
        &self,
        line: &Line,
        focal: f64,
        attitude: Attitude,
        lens: &Option<Lens>,
    ) -> Result<f64, CameraError> {
        let h = plane_to_picture(&intrinsics(focal, self.principal), attitude, 1.0);
        let inverse = h.try_inverse().ok_or(CameraError::PastHorizon)?;
        let map = |p: PixelPoint| {
            let p = ideal(lens, p);
            homography::apply(&inverse, p.x, p.y)
        };
        let (a, b) = (map(line.from), map(line.to));
        Ok((b.0 - a.0).hypot(b.1 - a.1) * (1.0 + line.stretch_px / line.from.distance(line.to)))
    }

    fn checks(
        &self,
        lines: &[Line],
        focal: f64,
        attitude: Attitude,
        distance: f64,
        lens: &Option<Lens>,
    ) -> Result<Vec<LengthCheck>, CameraError> {
        let square = self.distance_m.unwrap_or(distance * attitude.foreshortening());
        lines
            .iter()
            .map(|line| {
                let depth = if line.in_flight_plane { 1.0 } else { self.depth_factor(square)? };
                let seen_m = self.unit_length(line, focal, attitude, lens)? * distance * depth;
                let standard_uncertainty_m = line.variance().sqrt();
                Ok(LengthCheck { stated_m: line.length_m, seen_m, standard_uncertainty_m })
            })
            .collect()
    }
}

impl Line {
    /// Variance of the length as stated and as marked, m².
    fn variance(&self) -> f64 {
        let metres_per_pixel = self.length_m / self.from.distance(self.to);
        self.u_length_m.powi(2) + (self.u_ends_px * metres_per_pixel).powi(2)
    }
}

fn ideal(lens: &Option<Lens>, seen: PixelPoint) -> PixelPoint {
    lens.map_or(seen, |lens| lens.undistort(seen))
}

/// Turns the plane so that its y axis points along what leaned to the left by `alpha`.
fn turned(alpha: f64) -> Matrix3<f64> {
    let (s, c) = alpha.sin_cos();
    Matrix3::new(c, -s, 0.0, s, c, 0.0, 0.0, 0.0, 1.0)
}
