//! The still parts of a scene: flat pieces placed in space, and what the camera sees of them.

use std::sync::Arc;

use super::camera::{Vec3, View};
use super::paint::{Paint, Raster, Rgb};

/// The shape of a flat piece, in metres along its own axes.
#[derive(Debug, Clone)]
pub enum Outline {
    Everywhere,
    /// From (0, 0) to (width, height).
    Rectangle {
        width_m: f64,
        height_m: f64,
    },
    /// About (0, 0).
    Disc {
        radius_m: f64,
    },
    /// Corners in order; convex.
    Polygon(Vec<[f64; 2]>),
}

/// A flat piece of the set.
#[derive(Debug, Clone)]
pub struct Piece {
    /// Where u = v = 0 lies, m.
    pub origin_m: [f64; 3],
    /// Unit directions of u and v in the scene, at right angles.
    pub right: [f64; 3],
    pub up: [f64; 3],
    pub outline: Outline,
    pub paint: Paint,
    /// Stands between the camera and the balls.
    pub in_front: bool,
    /// Share of the light mirrored, as on a polished floor.
    pub gloss: f32,
    /// Whether a ball's shadow is seen on it.
    pub takes_shadow: bool,
}

impl Piece {
    /// A piece facing the camera squarely, its origin at `origin_m`.
    pub fn upright(origin_m: [f64; 3], outline: Outline, paint: Paint) -> Self {
        Self {
            origin_m,
            right: [1.0, 0.0, 0.0],
            up: [0.0, 1.0, 0.0],
            outline,
            paint,
            in_front: false,
            gloss: 0.0,
            takes_shadow: false,
        }
    }

    /// A wall all over at `z_m`, its foot at height 0.
    pub fn wall(z_m: f64, paint: Paint) -> Self {
        Self { takes_shadow: true, ..Self::upright([0.0, 0.0, z_m], Outline::Everywhere, paint) }
    }

    /// A level floor all over at `height_m`; u runs along x, v away from the camera.
    pub fn floor(height_m: f64, paint: Paint) -> Self {
        let flat = Self::upright([0.0, height_m, 0.0], Outline::Everywhere, paint);
        Self { up: [0.0, 0.0, -1.0], takes_shadow: true, ..flat }
    }

    /// A beam from `a_m` to `b_m`, `thickness_m` wide as seen from the front.
    pub fn beam(a_m: [f64; 3], b_m: [f64; 3], thickness_m: f64, paint: Paint) -> Self {
        let (a, b) = (Vec3::from(a_m), Vec3::from(b_m));
        let along = (b - a).normalize();
        let up = Vec3::z().cross(&along).normalize();
        let outline = Outline::Rectangle { width_m: (b - a).norm(), height_m: thickness_m };
        let origin = a - up * (thickness_m / 2.0);
        Self { right: along.into(), up: up.into(), ..Self::upright(origin.into(), outline, paint) }
    }

    /// A printed page or other flat picture, `width_m` wide, its centre at `centre_m`, turned by yaw (about the vertical),
    /// pitch (top away from the camera) and roll (anticlockwise as seen), degrees. Its height follows from the picture.
    pub fn planar_image(centre_m: [f64; 3], width_m: f64, turns_deg: [f64; 3], picture: Raster) -> Self {
        let [yaw, pitch, roll] = turns_deg.map(f64::to_radians);
        let turn = nalgebra::Rotation3::from_axis_angle(&Vec3::y_axis(), yaw)
            * nalgebra::Rotation3::from_axis_angle(&Vec3::x_axis(), -pitch)
            * nalgebra::Rotation3::from_axis_angle(&Vec3::z_axis(), roll);
        let height_m = width_m * picture.height as f64 / picture.width as f64;
        let (right, up) = (turn * Vec3::x(), turn * Vec3::y());
        let origin = Vec3::from(centre_m) - right * (width_m / 2.0) - up * (height_m / 2.0);
        let paint = Paint::Image { picture: Arc::new(picture), width_m: width_m as f32, height_m: height_m as f32 };
        Self {
            right: right.into(),
            up: up.into(),
            ..Self::upright(origin.into(), Outline::Rectangle { width_m, height_m }, paint)
        }
    }

    /// The same piece, seen in front of the balls.
    pub fn before_the_balls(self) -> Self {
        Self { in_front: true, ..self }
    }

    /// The place (`u`, `v`) of this piece in the scene, m.
    pub fn place(&self, u: f64, v: f64) -> Vec3 {
        Vec3::from(self.origin_m) + Vec3::from(self.right) * u + Vec3::from(self.up) * v
    }

    /// Unit normal; the side does not matter.
    pub fn normal(&self) -> Vec3 {
        Vec3::from(self.right).cross(&Vec3::from(self.up))
    }

    /// Where a ray meets the piece: its depth along the ray and the place (u, v), or `None`.
    pub fn hit(&self, from: &Vec3, ray: &Vec3) -> Option<(f64, f64, f64)> {
        let normal = self.normal();
        let slope = normal.dot(ray);
        if slope.abs() < 1e-12 {
            return None;
        }
        let depth = normal.dot(&(Vec3::from(self.origin_m) - from)) / slope;
        if depth <= 1e-6 {
            return None;
        }
        let local = from + ray * depth - Vec3::from(self.origin_m);
        let (u, v) = (local.dot(&Vec3::from(self.right)), local.dot(&Vec3::from(self.up)));
        self.outline.contains(u, v).then_some((depth, u, v))
    }

    /// The rectangle of the picture that can show the piece: x from, x to, y from, y to; `None` for "anywhere".
    fn reach(&self, view: &View) -> Option<[f64; 4]> {
        let corners = self.outline.corners()?;
        let mut reach = [f64::MAX, f64::MIN, f64::MAX, f64::MIN];
        for [u, v] in corners {
            let p = view.project(&self.place(u, v))?;
            reach = [reach[0].min(p.x), reach[1].max(p.x), reach[2].min(p.y), reach[3].max(p.y)];
        }
        // A lens bends straight edges out of the corners' rectangle.
        let slack = 2.0 + 0.1 * (reach[1] - reach[0]).max(reach[3] - reach[2]);
        Some([reach[0] - slack, reach[1] + slack, reach[2] - slack, reach[3] + slack])
    }

    /// Averages a printed picture down to about two texels a picture pixel, so that it isn't undersampled.
    pub fn suited_to(mut self, view: &View) -> Self {
        if let Paint::Image { picture, width_m, .. } = &mut self.paint {
            let centre = Vec3::from(self.origin_m);
            let columns = 2.0 * view.pixels_per_metre(&centre).abs() * f64::from(*width_m);
            *picture = Arc::new(picture.as_ref().clone().reduced_to(columns));
        }
        self
    }
}

impl Outline {
    fn contains(&self, u: f64, v: f64) -> bool {
        match self {
            Self::Everywhere => true,
            Self::Rectangle { width_m, height_m } => (0.0..=*width_m).contains(&u) && (0.0..=*height_m).contains(&v),
            Self::Disc { radius_m } => u * u + v * v <= radius_m * radius_m,
            Self::Polygon(corners) => inside(corners, u, v),
        }
    }

    fn corners(&self) -> Option<Vec<[f64; 2]>> {
        match self {
            Self::Everywhere => None,
            Self::Rectangle { width_m: w, height_m: h } => Some(vec![[0.0, 0.0], [*w, 0.0], [*w, *h], [0.0, *h]]),
            Self::Disc { radius_m: r } => Some(vec![[-r, -r], [*r, -r], [*r, *r], [-r, *r]]),
            Self::Polygon(corners) => Some(corners.clone()),
        }
    }
}

/// Whether a point lies within a convex polygon, whichever way round its corners run.
fn inside(corners: &[[f64; 2]], u: f64, v: f64) -> bool {
    let side = |i: usize| {
        let (a, b) = (corners[i], corners[(i + 1) % corners.len()]);
        (b[0] - a[0]) * (v - a[1]) - (b[1] - a[1]) * (u - a[0])
    };
    let mut sides = (0..corners.len()).map(side);
    let (mut any_left, mut any_right) = (false, false);
    sides.by_ref().for_each(|s| {
        any_left |= s > 0.0;
        any_right |= s < 0.0;
    });
    !(any_left && any_right)
}

/// What a ray meets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Index of the piece, `u8::MAX` for nothing.
    pub piece: u8,
    pub colour: Rgb,
}

const NOTHING: Seen = Seen { piece: u8::MAX, colour: [0.0; 3] };

/// The pieces as one camera pose sees them.
#[derive(Debug, Clone)]
pub struct SeenSet {
    pub pieces: Vec<Piece>,
    reaches: Vec<Option<[f64; 4]>>,
}

impl SeenSet {
    pub fn new(pieces: &[Piece], view: &View) -> Self {
        let pieces = pieces.to_vec();
        let reaches = pieces.iter().map(|p| p.reach(view)).collect();
        Self { pieces, reaches }
    }

    /// The pieces that can be seen somewhere in a rectangle of the picture.
    pub fn within(&self, x: [f64; 2], y: [f64; 2], wanted: impl Fn(&Piece) -> bool) -> Vec<u8> {
        let meets = |r: &[f64; 4]| r[0] <= x[1] && r[1] >= x[0] && r[2] <= y[1] && r[3] >= y[0];
        (0..self.pieces.len())
            .filter(|&i| wanted(&self.pieces[i]) && self.reaches[i].as_ref().is_none_or(meets))
            .map(|i| i as u8)
            .collect()
    }

    /// The nearest of `candidates` along a ray.
    pub fn look(&self, from: &Vec3, ray: &Vec3, candidates: &[u8]) -> Seen {
        let mut best = (f64::MAX, NOTHING, 0.0, 0.0);
        for &i in candidates {
            if let Some((depth, u, v)) = self.pieces[i as usize].hit(from, ray)
                && depth < best.0
            {
                best = (depth, Seen { piece: i, colour: [0.0; 3] }, u, v);
            }
        }
        let (_, mut seen, u, v) = best;
        if seen.piece != u8::MAX {
            seen.colour = self.pieces[seen.piece as usize].paint.at(u as f32, v as f32);
        }
        seen
    }

    /// Whether a piece in front of the balls hides `point_m`.
    pub fn hides(&self, view: &View, point_m: &Vec3) -> bool {
        let ray = point_m - view.position;
        self.pieces.iter().any(|p| p.in_front && p.hit(&view.position, &ray).is_some_and(|(depth, ..)| depth < 1.0))
    }
}
