//! What moving things add to a picture: their cover and light, averaged over the exposure of each line.

use nalgebra::Matrix3;

use super::camera::{Shutter, Vec3, View};
use super::motion::Ball;
use super::movers::{Limb, see};
use super::print::Print;

/// A rectangle of the picture: x from, x past, y from, y past.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    pub x: [usize; 2],
    pub y: [usize; 2],
}

impl Frame {
    /// The whole pixels that `bounds` (x from, x to, y from, y to) touch, with `margin` more, within the picture.
    pub fn around(bounds: [f64; 4], margin: f64, size: [usize; 2]) -> Option<Self> {
        let span = |from: f64, to: f64, size: usize| {
            let low = (from - margin).floor().max(0.0);
            let high = (to + margin).ceil().min(size as f64 - 1.0);
            (low <= high).then_some([low as usize, high as usize + 1])
        };
        Some(Self { x: span(bounds[0], bounds[1], size[0])?, y: span(bounds[2], bounds[3], size[1])? })
    }

    pub const fn width(&self) -> usize {
        self.x[1] - self.x[0]
    }

    pub const fn height(&self) -> usize {
        self.y[1] - self.y[0]
    }

    pub const fn meets(&self, other: &Self) -> bool {
        self.x[0] < other.x[1] && other.x[0] < self.x[1] && self.y[0] < other.y[1] && other.y[0] < self.y[1]
    }

    pub fn join(&self, other: &Self) -> Self {
        let both = |a: [usize; 2], b: [usize; 2]| [a[0].min(b[0]), a[1].max(b[1])];
        Self { x: both(self.x, other.x), y: both(self.y, other.y) }
    }
}

/// Cover (0 to 1) and light, already weighed by the cover, of the pixels of a rectangle.
#[derive(Debug, Clone)]
pub struct Coat {
    pub frame: Frame,
    pub cover: Vec<f32>,
    pub light: Vec<[f32; 3]>,
}

impl Coat {
    /// Nothing at all over `frame`.
    pub fn empty(frame: Frame) -> Self {
        let size = frame.width() * frame.height();
        Self { frame, cover: vec![0.0; size], light: vec![[0.0; 3]; size] }
    }

    fn add(&mut self, i: usize, cover: f32, colour: [f32; 3]) {
        self.cover[i] += cover;
        (0..3).for_each(|c| self.light[i][c] += cover * colour[c]);
    }
}

/// A sphere on its way, to be exposed.
pub struct Sphere<'a> {
    pub ball: &'a Ball,
    pub centre: &'a dyn Fn(f64) -> Vec3,
    /// From a direction in the scene to that in the ball's own frame.
    pub turn: &'a dyn Fn(f64) -> Matrix3<f64>,
    /// Unit direction to the lamp.
    pub to_lamp: Vec3,
    pub level: f32,
}

/// One exposure of the camera.
pub struct Shot<'a> {
    pub view: &'a View,
    pub shutter: &'a Shutter,
    /// Start of line 0, s.
    pub start_s: f64,
    pub size: [usize; 2],
}

impl Shot<'_> {
    /// Middle of the exposure of the line on which a moving point is seen, s: a fixed point, as the line's time decides
    /// where the point is and the point decides the line. Points move slower than the readout, so that it contracts.
    pub fn own_mid_time(&self, centre: &dyn Fn(f64) -> Vec3) -> f64 {
        let base = self.start_s + self.shutter.exposure_s / 2.0;
        let mut t = base;
        for _ in 0..30 {
            let Some(p) = self.view.project(&centre(t)) else { return base };
            let next = base + self.shutter.delay_s(p, self.size[0], self.size[1]);
            if (next - t).abs() < 1e-12 {
                return next;
            }
            t = next;
        }
        t
    }

    /// Bounds of the sphere over the exposure, px, and the length of its streak, px.
    fn reach(&self, sphere: &Sphere) -> Option<([f64; 4], f64)> {
        let middle = self.own_mid_time(sphere.centre);
        let c = (sphere.centre)(middle);
        let radius = sphere.ball.radius_m * self.view.pixels_per_metre(&c) * 1.15 + 1.5;
        let lines = self.size[0].max(self.size[1]) as f64;
        let half = self.shutter.exposure_s / 2.0 + self.shutter.readout_s.abs() * (radius + 2.0) / lines * 2.0;
        let mut b = [f64::MAX, f64::MIN, f64::MAX, f64::MIN];
        let mut ends = [None, None];
        for i in 0..=8 {
            let p = self.view.project(&(sphere.centre)(middle + half * (f64::from(i) / 4.0 - 1.0)))?;
            b = [b[0].min(p.x), b[1].max(p.x), b[2].min(p.y), b[3].max(p.y)];
            ends = [ends[0].or(Some(p)), Some(p)];
        }
        let streak = (b[1] - b[0]).hypot(b[3] - b[2]);
        Some(([b[0] - radius, b[1] + radius, b[2] - radius, b[3] + radius], streak))
    }

    /// The sphere's coat; `None` when none of it is in the picture.
    pub fn coat_sphere(&self, sphere: &Sphere) -> Option<Coat> {
        let (bounds, streak) = self.reach(sphere)?;
        let frame = Frame::around(bounds, 0.0, self.size)?;
        // Steps of a third of a pixel: the sum of shifted, already smooth edges is then even to a thousandth.
        let steps = if streak < 0.01 { 1 } else { ((streak * 3.0).ceil() as usize).clamp(4, 600) };
        let rays = RayGrid::new(self.view, frame);
        let mut coat = Coat::empty(frame);
        let along_rows = self.shutter.lines == super::Lines::Rows;
        let (lines, cross) = if along_rows { (frame.y, frame.x) } else { (frame.x, frame.y) };
        for line in lines[0]..lines[1] {
            let at = crate::units::PixelPoint::new(line as f64, line as f64);
            let line_start = self.start_s + self.shutter.delay_s(at, self.size[0], self.size[1]);
            for step in 0..steps {
                let t = line_start + self.shutter.exposure_s * (step as f64 + 0.5) / steps as f64;
                let centre = (sphere.centre)(t);
                let Some(p) = self.view.project(&centre) else { continue };
                let radius = sphere.ball.radius_m * self.view.pixels_per_metre(&centre) * 1.15 + 1.5;
                let (own, other) = if along_rows { (p.y, p.x) } else { (p.x, p.y) };
                if (line as f64 - own).abs() > radius {
                    continue;
                }
                let low = ((other - radius).floor().max(cross[0] as f64)) as usize;
                let high = ((other + radius).ceil() + 1.0).clamp(0.0, cross[1] as f64) as usize;
                let pixel_m = 1.0 / self.view.pixels_per_metre(&centre);
                let turn = (sphere.ball.print != Print::Plain).then(|| (sphere.turn)(t));
                let lit = Lit { sphere, offset: centre - self.view.position, pixel_m, turn };
                for c in low..high {
                    let (x, y) = if along_rows { (c, line) } else { (line, c) };
                    let i = (y - frame.y[0]) * frame.width() + x - frame.x[0];
                    let cover = lit.cover(&rays, x - frame.x[0], y - frame.y[0]);
                    if let Some((cover, colour)) = cover {
                        coat.add(i, cover / steps as f32, colour);
                    }
                }
            }
        }
        Some(coat)
    }

    /// The coat of limbs that move together.
    pub fn coat_limbs(&self, limbs_at: &dyn Fn(f64) -> Vec<Limb>, level: f32) -> Option<Coat> {
        let first = limbs_at(self.start_s + self.shutter.exposure_s / 2.0);
        let centre = |t: f64| limbs_at(t).first().map_or_else(Vec3::zeros, |l| (l.a + l.b) / 2.0);
        let middle = if first.is_empty() { return None } else { self.own_mid_time(&centre) };
        let at = |t: f64| -> Vec<_> { limbs_at(t).iter().filter_map(|l| see(l, self.view)).collect() };
        let half = self.shutter.exposure_s / 2.0;
        let (early, late) = (at(middle - half), at(middle + half));
        let mut bounds = [f64::MAX, f64::MIN, f64::MAX, f64::MIN];
        for b in early.iter().chain(&late).map(super::movers::SeenLimb::bounds) {
            bounds = [bounds[0].min(b[0]), bounds[1].max(b[1]), bounds[2].min(b[2]), bounds[3].max(b[3])];
        }
        let moved = early.iter().zip(&late).map(|(a, b)| (a.b[0] - b.b[0]).hypot(a.b[1] - b.b[1])).fold(0.0, f64::max);
        let steps = (moved.ceil() as usize).clamp(1, 60);
        let frame = Frame::around(bounds, 1.0, self.size)?;
        let mut coat = Coat::empty(frame);
        for step in 0..steps {
            let t = middle - half + 2.0 * half * (step as f64 + 0.5) / steps as f64;
            let mut instant = Coat::empty(frame);
            at(t).iter().for_each(|limb| over(&mut instant, limb, level));
            for i in 0..coat.cover.len() {
                coat.cover[i] += instant.cover[i] / steps as f32;
                (0..3).for_each(|c| coat.light[i][c] += instant.light[i][c] / steps as f32);
            }
        }
        Some(coat)
    }
}

/// Lays a limb over what is already in the coat.
fn over(coat: &mut Coat, limb: &super::movers::SeenLimb, level: f32) {
    let frame = coat.frame;
    let Some(part) = Frame::around(limb.bounds(), 0.0, [frame.x[1], frame.y[1]]) else { return };
    for y in part.y[0].max(frame.y[0])..part.y[1] {
        for x in part.x[0].max(frame.x[0])..part.x[1] {
            let distance = limb.distance(x as f64, y as f64);
            if distance >= 0.5 {
                continue;
            }
            let cover = (0.5 - distance).clamp(0.0, 1.0) as f32;
            // Rounded limbs darken towards their edges.
            let round = 1.0 - 0.35 * (1.0 + distance / limb.radius).clamp(0.0, 1.0).powi(3) as f32;
            let i = (y - frame.y[0]) * frame.width() + x - frame.x[0];
            coat.cover[i] += cover * (1.0 - coat.cover[i]);
            for c in 0..3 {
                coat.light[i][c] = coat.light[i][c] * (1.0 - cover) + cover * limb.colour[c] * round * level;
            }
        }
    }
}

/// Directions of the pixels of a rectangle, with a border of one.
struct RayGrid {
    rays: Vec<Vec3>,
    width: usize,
}

impl RayGrid {
    fn new(view: &View, frame: Frame) -> Self {
        let (width, height) = (frame.width() + 2, frame.height() + 2);
        let place =
            |i: usize| (frame.x[0] as f64 + (i % width) as f64 - 1.0, frame.y[0] as f64 + (i / width) as f64 - 1.0);
        let rays = (0..width * height).map(place).map(|(x, y)| view.ray(x, y)).collect();
        Self { rays, width }
    }

    /// Direction at a pixel of the rectangle, and its change a pixel right and a pixel down.
    fn at(&self, x: usize, y: usize) -> (&Vec3, Vec3, Vec3) {
        let i = (y + 1) * self.width + x + 1;
        let across = (self.rays[i + 1] - self.rays[i - 1]) / 2.0;
        let down = (self.rays[i + self.width] - self.rays[i - self.width]) / 2.0;
        (&self.rays[i], across, down)
    }
}

/// A sphere at one instant.
struct Lit<'a> {
    sphere: &'a Sphere<'a>,
    /// From the camera to the centre.
    offset: Vec3,
    /// A pixel's size at the sphere, m.
    pixel_m: f64,
    /// `None` for a ball without a print.
    turn: Option<Matrix3<f64>>,
}

impl Lit<'_> {
    /// Share of a pixel that the sphere covers, and its colour there. The outline is found by the ray's distance from the
    /// centre, brought to pixels by its gradient, and the pixel is cut by the straight edge through that place: exact but
    /// for the outline's bend within one pixel.
    fn cover(&self, rays: &RayGrid, x: usize, y: usize) -> Option<(f32, [f32; 3])> {
        let radius = self.sphere.ball.radius_m;
        let ray = &rays.rays[(y + 1) * rays.width + x + 1];
        let depth = ray.dot(&self.offset) / ray.norm_squared();
        let across = self.offset - ray * depth;
        let distance = across.norm();
        let fur = self.sphere.ball.fur_m;
        if distance > radius + 2.0 * self.pixel_m + fur {
            return None;
        }
        if fur > self.pixel_m {
            let inward = ((radius + fur - distance) / (2.0 * fur)).clamp(0.0, 1.0);
            let cover = inward * inward * (3.0 - 2.0 * inward);
            return (cover > 0.0).then(|| (cover as f32, self.shade(ray, &across, distance)));
        }
        let (_, right, down) = rays.at(x, y);
        let pixel = depth * right.norm().max(down.norm());
        if distance < radius - 1.5 * pixel {
            return Some((1.0, self.shade(ray, &across, distance)));
        }
        let gradient = [-depth * across.dot(&right) / distance, -depth * across.dot(&down) / distance];
        let steepness = gradient[0].hypot(gradient[1]).max(1e-12);
        let cover = half_plane((radius - distance) / steepness, gradient[0] / steepness, gradient[1] / steepness);
        (cover > 0.0).then(|| (cover as f32, self.shade(ray, &across, distance)))
    }

    /// Light from the sphere's surface where the ray meets it, or at its edge.
    fn shade(&self, ray: &Vec3, across: &Vec3, distance: f64) -> [f32; 3] {
        let ball = self.sphere.ball;
        let toward = -ray.normalize();
        let rise = (ball.radius_m * ball.radius_m - distance * distance).max(0.0).sqrt();
        let normal = (toward * rise - across).normalize();
        let facing = normal.dot(&self.sphere.to_lamp).max(0.0);
        let diffuse = ball.ambient + (1.0 - ball.ambient) * facing;
        let halfway = (toward + self.sphere.to_lamp).normalize();
        let highlight = ball.specular * normal.dot(&halfway).max(0.0).powi(30);
        let paint = self.turn.map_or(ball.albedo, |turn| {
            // Towards the edge a pixel spans more of the surface.
            let pixel = self.pixel_m / ball.radius_m / normal.dot(&toward).max(0.2);
            ball.print.at(ball.albedo, &(turn * normal), pixel)
        });
        [0, 1, 2].map(|c| (paint[c] * diffuse + highlight) as f32 * self.sphere.level)
    }
}

/// Area of the unit square about the origin that lies on the inner side of a straight edge; the centre is `inside` px from
/// the edge (above zero: inside), and (`nx`, `ny`) is the edge's unit normal. The sum of two even distributions.
fn half_plane(inside: f64, nx: f64, ny: f64) -> f64 {
    let (long, short) = if nx.abs() > ny.abs() { (nx.abs(), ny.abs()) } else { (ny.abs(), nx.abs()) };
    let (flat, full) = ((long - short) / 2.0, (long + short) / 2.0);
    let s = inside.abs();
    let beyond = if s >= full {
        0.0
    } else if s <= flat {
        0.5 - s / long
    } else {
        (full - s).powi(2) / (2.0 * long * short)
    };
    if inside >= 0.0 { 1.0 - beyond } else { beyond }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_plane_cuts_agree_with_counting() {
        for (inside, degrees) in [(0.0, 10.0), (0.3, 45.0), (-0.2, 70.0), (0.55, 30.0), (0.1, 0.0), (-0.6, 45.0)] {
            let (ny, nx) = f64::to_radians(degrees).sin_cos();
            let n = 400;
            let at = |i: usize| (i as f64 + 0.5) / n as f64 - 0.5;
            let count = (0..n * n).filter(|i| nx * at(i % n) + ny * at(i / n) < inside).count();
            // Counting on a 400 grid is good to about one row of it.
            assert!((half_plane(inside, nx, ny) - count as f64 / (n * n) as f64).abs() < 0.003, "{inside} {degrees}");
        }
    }
}
