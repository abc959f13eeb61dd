//! The opaque, blurred, streaked disc over a known background, fitted to the picture itself.
//!
//! The picture is I = (1 − a)·B + a·C with the background B, the ball's light C and its time-averaged coverage a
//! (the disc edge is the normal integral of the distance to the rim over the blur). Over a
//! textured wall this is ten times better than the difference picture, whose centroid the texture pulls about. C may
//! vary over the disc: a lit ball is brighter on one side, and an even disc would be pulled there.

use nalgebra::{DMatrix, DVector};

use crate::sight::light::Light;
use crate::units::{Covariance2, PixelPoint};

/// Terms of the shading over the disc: the monomials uⁱ·vʲ up to the fourth degree, by rising degree, with u, v in radii
/// from the centre. The first 1, 3, 6, 10 or 15 are a whole polynomial of degree 0 to 4.
pub const SHADES: usize = 15;

/// Exponents of u and v in the shading's terms.
const POWERS: [(i32, i32); SHADES] = [
    (0, 0),
    (1, 0),
    (0, 1),
    (2, 0),
    (1, 1),
    (0, 2),
    (3, 0),
    (2, 1),
    (1, 2),
    (0, 3),
    (4, 0),
    (3, 1),
    (2, 2),
    (1, 3),
    (0, 4),
];

/// Light of the ball over its disc, white = 1.
pub type Shading = [f64; SHADES];

/// How perspective draws a sphere out: its outline is an ellipse, longer by 1/cos θ along the line to the picture's middle
/// when it is seen at the angle θ from the optical axis (8 % at the edge of a phone's picture).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Longer over shorter axis, 1 for a disc.
    pub factor: f64,
    /// Unit vector of the longer axis.
    pub along: (f64, f64),
}

impl Stretch {
    /// No stretch: a disc in the middle of the picture.
    pub const NONE: Self = Self { factor: 1.0, along: (1.0, 0.0) };

    /// Stretch at `place` for a camera with this focal length and principal point, both px.
    pub fn at(place: PixelPoint, focal_px: f64, principal: PixelPoint) -> Self {
        let (dx, dy) = (place.x - principal.x, place.y - principal.y);
        let off = dx.hypot(dy);
        if off < 1e-6 {
            return Self::NONE;
        }
        Self { factor: 1.0f64.hypot(off / focal_px), along: (dx / off, dy / off) }
    }

    /// Shrinks a vector along the longer axis, so that the ellipse becomes a disc; symmetric, so slopes take it alike.
    fn undo(&self, (dx, dy): (f64, f64)) -> (f64, f64) {
        let part = (1.0 / self.factor - 1.0) * (dx * self.along.0 + dy * self.along.1);
        (dx + part * self.along.0, dy + part * self.along.1)
    }
}

/// Projection of a sphere's centre from the centre of its outline: the outline's centre lies farther out by ρ·R²/f with
/// ρ = distance from the principal point over f (second order of the tangent; 0.07 px for R = 15 px at the edge).
pub fn sphere_centre(outline: PixelPoint, radius_px: f64, focal_px: f64, principal: PixelPoint) -> PixelPoint {
    let inwards = radius_px * radius_px / (focal_px * focal_px);
    PixelPoint::new(outline.x - (outline.x - principal.x) * inwards, outline.y - (outline.y - principal.y) * inwards)
}

/// A ball as it appears in one exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Disc {
    /// Centre at mid-exposure.
    pub centre: PixelPoint,
    pub radius_px: f64,
    /// Standard deviation of the edge's blur, px.
    pub blur_px: f64,
    /// Way of the centre during the exposure, from its start to its end, px.
    pub streak_px: (f64, f64),
    pub stretch: Stretch,
    pub shading: Shading,
    /// How many terms of the shading are in use; the rest are nought.
    pub shades: usize,
}

/// A cut-out of a frame with the resting scene behind it, in levels.
#[derive(Debug, Clone)]
pub struct Patch {
    pub left: isize,
    pub top: isize,
    pub width: usize,
    pub height: usize,
    pub levels: Vec<f32>,
    /// The resting scene with the frame's drift of exposure added.
    pub background: Vec<f32>,
    /// Standard deviation of the noise, levels; infinite where the frame wasn't kept or ends.
    pub noise: Vec<f32>,
}

/// Which unknowns of a disc are fitted beside its centre.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unknowns {
    pub radius: bool,
    pub blur: bool,
    /// Length of the streak along its given direction.
    pub streak: bool,
    /// How many terms of the shading are free, 0 to [`SHADES`]; with 0 the brightness as a whole is free.
    pub shades: usize,
}

/// A fitted disc.
#[derive(Debug, Clone, PartialEq)]
pub struct DiscFit {
    pub disc: Disc,
    pub covariance_px2: Covariance2,
    /// Standard deviation of the pixel residuals over the expected noise.
    pub misfit: f64,
    /// Share of the departure from the background that the disc explains, up to 1.
    pub explained: f64,
    /// Share of the disc's area that looks like the ball, 0 to 1.
    pub visible: f64,
    /// Contrast of the ball against the background over the noise, per pixel.
    pub signal_to_noise: f64,
}

/// Residuals larger than about three times this share of the contrast belong to something else in the picture: first
/// loosely, while the disc is still finding its place, then strictly.
const MODEL_SHARES: [f64; 3] = [0.5, 0.12, 0.05];
const ITERATIONS: usize = 12;
/// About how many pixels of a patch a fit with free shading uses.
const LEARNING_PIXELS: usize = 700;
/// … and a fit of the place alone: a ball of 40 px and more is placed by its long rim well enough.
const PLACING_PIXELS: usize = 3000;

/// Fits a disc to a patch from a starting disc near it. `None` when the fit runs away or nothing is left to fit.
///
/// Gauss–Newton with damping and an analytic Jacobian; pixels that neither disc nor background explains (an arm, a pole,
/// a walker behind the ball) lose their weight (Geman–McClure).
pub fn fit_disc(patch: &Patch, start: &Disc, unknowns: Unknowns, light: &Light) -> Option<DiscFit> {
    let (disc, _) = settle(patch, *start, start, unknowns, light, MODEL_SHARES[0])?;
    let (disc, _) = settle(patch, disc, start, unknowns, light, MODEL_SHARES[1])?;
    let (disc, state) = settle(patch, disc, start, unknowns, light, MODEL_SHARES[2])?;
    finish(patch, disc, state, light)
}

/// Iterates until the disc rests.
fn settle(
    patch: &Patch,
    mut disc: Disc,
    start: &Disc,
    unknowns: Unknowns,
    light: &Light,
    model_share: f64,
) -> Option<(Disc, Normal)> {
    let mut damping = 1e-3;
    let mut state = Normal::take(patch, &disc, unknowns, light, model_share)?;
    for _ in 0..ITERATIONS {
        if damping > 1e4 {
            break;
        }
        // A step that can't be made, leads nowhere or makes it worse is tried again, shorter.
        let trial = state.step(damping).and_then(|step| Some((moved(&disc, &step, unknowns, start)?, step)));
        let next = trial
            .and_then(|(trial, step)| Some((trial, step, Normal::take(patch, &trial, unknowns, light, model_share)?)));
        match next {
            Some((trial, step, next)) if next.cost <= state.cost => {
                let settled = step[0].hypot(step[1]) < 2e-3 && state.cost - next.cost < 1e-4 * state.cost;
                (disc, state, damping) = (trial, next, (damping * 0.2).max(1e-6));
                if settled {
                    break;
                }
            }
            _ => damping *= 8.0,
        }
    }
    Some((disc, state))
}

/// The disc after a step of its unknowns, kept within what a ball can be.
fn moved(disc: &Disc, step: &DVector<f64>, unknowns: Unknowns, start: &Disc) -> Option<Disc> {
    let mut next = *disc;
    let mut place = 2;
    let mut take = || {
        place += 1;
        step[place - 1]
    };
    let reach = start.radius_px + 0.5 * start.streak_px.0.hypot(start.streak_px.1) + 4.0;
    next.centre = PixelPoint::new(disc.centre.x + step[0], disc.centre.y + step[1]);
    if unknowns.radius {
        next.radius_px = (disc.radius_px + take()).clamp(0.4 * start.radius_px, 2.5 * start.radius_px).max(0.8);
    }
    if unknowns.blur {
        next.blur_px = (disc.blur_px + take()).clamp(0.35, 4.0);
    }
    if unknowns.streak {
        let length = disc.streak_px.0.hypot(disc.streak_px.1);
        let factor = ((length + take()) / length).clamp(0.2, 3.0);
        next.streak_px = (disc.streak_px.0 * factor, disc.streak_px.1 * factor);
    }
    if unknowns.shades == 0 {
        let factor = (1.0 + take()).clamp(0.2, 5.0);
        next.shading = disc.shading.map(|shade| shade * factor);
    }
    for shade in 0..unknowns.shades {
        next.shading[shade] += take();
    }
    next.shades = next.shades.max(unknowns.shades);
    let sane = next.centre.x.is_finite() && next.centre.distance(start.centre) < reach;
    sane.then_some(next)
}

/// Coverage, light and their derivatives at one pixel.
struct PixelModel {
    coverage: f64,
    /// Light of the ball that arrives, coverage times shading.
    ball: f64,
    /// Derivatives of the pixel's light by the unknowns.
    slopes: [f64; 5 + SHADES],
}

/// Accumulated normal equations of one disc.
struct Normal {
    matrix: DMatrix<f64>,
    right: DVector<f64>,
    cost: f64,
    weight: f64,
    weighted_squares: f64,
}

impl Normal {
    fn take(patch: &Patch, disc: &Disc, unknowns: Unknowns, light: &Light, model_share: f64) -> Option<Self> {
        let count = 2
            + usize::from(unknowns.radius)
            + usize::from(unknowns.blur)
            + usize::from(unknowns.streak)
            + unknowns.shades.max(1);
        let mut normal = Self {
            matrix: DMatrix::zeros(count, count),
            right: DVector::zeros(count),
            cost: 0.0,
            weight: 0.0,
            weighted_squares: 0.0,
        };
        let steps = Exposure::new(disc);
        let tolerated = model_share * contrast_levels(patch, disc, light);
        // Many unknowns are learnt from many frames, each of which need not be used to the last pixel.
        let enough = if unknowns.shades > 0 { LEARNING_PIXELS } else { PLACING_PIXELS };
        let every = (patch.levels.len() / enough).max(1);
        let mut used = 0usize;
        for row in 0..patch.height {
            for column in 0..patch.width {
                let place = row * patch.width + column;
                let noise = f64::from(patch.noise[place]);
                let x = (patch.left + column as isize) as f64;
                let y = (patch.top + row as isize) as f64;
                if (row + 2 * column) % every != 0 || !noise.is_finite() || !steps.reaches(disc, x, y) {
                    continue;
                }
                let background = f64::from(light.linear(patch.background[place]));
                let model = steps.pixel(disc, x, y, background, unknowns);
                let (level, slope) = light.level((background * (1.0 - model.coverage) + model.ball) as f32);
                let residual = f64::from(patch.levels[place] - level);
                used += 1;
                normal.add(residual, noise, tolerated, f64::from(slope), &model.slopes[..count]);
            }
        }
        (used > count + 3).then_some(normal)
    }

    fn add(&mut self, residual: f64, noise: f64, tolerated: f64, slope: f64, slopes: &[f64]) {
        // Geman–McClure: full weight well inside the spread, none far outside; the cost it belongs to stays bounded.
        let spread = 9.0 * (noise * noise + tolerated * tolerated);
        let ratio = residual * residual / spread;
        let weight = (1.0 + ratio).powi(-2) / (noise * noise);
        self.cost += residual * residual / (1.0 + ratio) / (noise * noise);
        self.weight += weight * noise * noise;
        self.weighted_squares += weight * residual * residual;
        if slopes.iter().all(|value| *value == 0.0) {
            return;
        }
        for (i, left) in slopes.iter().enumerate() {
            let scaled = weight * slope * left;
            self.right[i] += scaled * residual;
            for (j, right) in slopes.iter().enumerate().take(i + 1) {
                self.matrix[(i, j)] += scaled * slope * right;
            }
        }
    }

    fn step(&self, damping: f64) -> Option<DVector<f64>> {
        let mut matrix = self.matrix.clone();
        let largest = matrix.diagonal().max();
        for i in 0..matrix.nrows() {
            matrix[(i, i)] += damping * matrix[(i, i)] + 1e-12 * largest;
        }
        Some(matrix.cholesky()?.solve(&self.right))
    }
}

/// Contrast of the disc's mean light against the background at its centre, in levels.
fn contrast_levels(patch: &Patch, disc: &Disc, light: &Light) -> f64 {
    let column = (disc.centre.x.round() as isize - patch.left).clamp(0, patch.width as isize - 1) as usize;
    let row = (disc.centre.y.round() as isize - patch.top).clamp(0, patch.height as isize - 1) as usize;
    let (ball, _) = light.level(disc.shading[0].max(0.0) as f32);
    f64::from((ball - patch.background[row * patch.width + column]).abs())
}

/// The places of the centre during the exposure, relative to mid-exposure.
struct Exposure {
    parts: Vec<f64>,
}

impl Exposure {
    fn new(disc: &Disc) -> Self {
        let length = disc.streak_px.0.hypot(disc.streak_px.1);
        // Steps shorter than the blur leave no ripples.
        let count = ((length / 0.8).ceil() as usize).clamp(1, 200);
        Self { parts: (0..count).map(|i| (i as f64 + 0.5) / count as f64 - 0.5).collect() }
    }

    /// Whether a pixel lies near enough to the ball's way to tell anything; the rest is background by itself.
    fn reaches(&self, disc: &Disc, x: f64, y: f64) -> bool {
        let (sx, sy) = disc.streak_px;
        let (dx, dy) = (x - disc.centre.x, y - disc.centre.y);
        let squared = sx * sx + sy * sy;
        let part = if squared > 0.0 { ((dx * sx + dy * sy) / squared).clamp(-0.5, 0.5) } else { 0.0 };
        let reach = disc.stretch.factor * (disc.radius_px + 3.2 * disc.blur_px) + 1.5;
        (dx - part * sx).powi(2) + (dy - part * sy).powi(2) < reach * reach
    }

    fn pixel(&self, disc: &Disc, x: f64, y: f64, background: f64, unknowns: Unknowns) -> PixelModel {
        let mut model = PixelModel { coverage: 0.0, ball: 0.0, slopes: [0.0; 5 + SHADES] };
        let share = 1.0 / self.parts.len() as f64;
        let length = disc.streak_px.0.hypot(disc.streak_px.1).max(1e-9);
        let along = (disc.streak_px.0 / length, disc.streak_px.1 / length);
        let reach = disc.stretch.factor * (disc.radius_px + 4.0 * disc.blur_px);
        for &part in &self.parts {
            let dx = x - disc.centre.x - part * disc.streak_px.0;
            let dy = y - disc.centre.y - part * disc.streak_px.1;
            if dx * dx + dy * dy > reach * reach {
                continue;
            }
            let (dx, dy) = disc.stretch.undo((dx, dy));
            add_part(&mut model, disc, (dx, dy, (dx * dx + dy * dy).sqrt()), background, share, part, along, unknowns);
        }
        model
    }
}

/// Adds the coverage and slopes of one moment of the exposure.
#[allow(clippy::too_many_arguments)]
fn add_part(
    model: &mut PixelModel,
    disc: &Disc,
    (dx, dy, distance): (f64, f64, f64),
    background: f64,
    share: f64,
    part: f64,
    along: (f64, f64),
    unknowns: Unknowns,
) {
    let (radius, blur) = (disc.radius_px, disc.blur_px);
    let rim = (radius - distance) / blur;
    let (coverage, density) = normal_integral(rim);
    if coverage == 0.0 {
        return;
    }
    let (u, v) = (dx / radius, dy / radius);
    let (terms, shade, by_u, by_v) = shade_at(&disc.shading, disc.shades.max(unknowns.shades), u, v);
    model.coverage += share * coverage;
    model.ball += share * coverage * shade;
    let lift = (shade - background) * density / blur;
    let outward = if distance > 1e-9 { (dx / distance, dy / distance) } else { (0.0, 0.0) };
    let by_place =
        (share * (lift * outward.0 - coverage * by_u / radius), share * (lift * outward.1 - coverage * by_v / radius));
    let (by_x, by_y) = disc.stretch.undo(by_place);
    model.slopes[0] += by_x;
    model.slopes[1] += by_y;
    let mut place = 2;
    let mut put = |value: f64| {
        model.slopes[place] += value;
        place += 1;
    };
    if unknowns.radius {
        put(share * (lift - coverage * (by_u * u + by_v * v) / radius));
    }
    if unknowns.blur {
        put(-share * lift * rim);
    }
    if unknowns.streak {
        put(part * (by_x * along.0 + by_y * along.1));
    }
    if unknowns.shades == 0 {
        put(share * coverage * shade);
    }
    for term in terms.iter().take(unknowns.shades) {
        put(share * coverage * term);
    }
}

/// The terms of the shading at a place of the disc, the shading there, and its slopes by u and v.
fn shade_at(shading: &Shading, count: usize, u: f64, v: f64) -> ([f64; SHADES], f64, f64, f64) {
    if count <= 1 {
        let mut terms = [0.0; SHADES];
        terms[0] = 1.0;
        return (terms, shading[0], 0.0, 0.0);
    }
    // Just outside the rim the polynomial must not run away: it is held at a little over one radius.
    let reach = (u * u + v * v).sqrt().max(1.0);
    let hold = if reach > 1.1 { 1.1 / reach } else { 1.0 };
    let (u, v) = (u * hold, v * hold);
    let powers = |x: f64| [1.0, x, x * x, x * x * x, x * x * x * x];
    let (pu, pv) = (powers(u), powers(v));
    let (mut terms, mut shade, mut by_u, mut by_v) = ([0.0; SHADES], 0.0, 0.0, 0.0);
    for (term, (&(i, j), weight)) in terms.iter_mut().zip(POWERS.iter().zip(shading)).take(count) {
        let (i, j) = (i as usize, j as usize);
        *term = pu[i] * pv[j];
        shade += weight * *term;
        if i > 0 {
            by_u += weight * i as f64 * pu[i - 1] * pv[j];
        }
        if j > 0 {
            by_v += weight * j as f64 * pu[i] * pv[j - 1];
        }
    }
    (terms, shade, by_u * hold, by_v * hold)
}

/// Φ(t) and its density φ(t), from a table: off by less than 2e-6.
fn normal_integral(t: f64) -> (f64, f64) {
    use std::sync::LazyLock;
    const STEPS_PER_UNIT: f64 = 256.0;
    const END: f64 = 4.2;
    static TABLE: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
        let count = (2.0 * END * STEPS_PER_UNIT) as usize + 2;
        (0..count)
            .map(|i| {
                let t = i as f64 / STEPS_PER_UNIT - END;
                let integral = 0.5 * statrs::function::erf::erfc(-t / std::f64::consts::SQRT_2);
                (integral, (-0.5 * t * t).exp() / (2.0 * std::f64::consts::PI).sqrt())
            })
            .collect()
    });
    if t >= END {
        return (1.0, 0.0);
    }
    if t <= -END {
        return (0.0, 0.0);
    }
    let place = (t + END) * STEPS_PER_UNIT;
    let low = place as usize;
    let part = place - low as f64;
    let (a, b) = (TABLE[low], TABLE[low + 1]);
    (a.0 + (b.0 - a.0) * part, a.1 + (b.1 - a.1) * part)
}

fn finish(patch: &Patch, disc: Disc, state: Normal, light: &Light) -> Option<DiscFit> {
    /// An encoder's noise reaches over neighbouring pixels: about two of them say what one would.
    const CORRELATION: f64 = 2.0;
    // Radius, blur and a short streak are nearly the same to a small disc: a touch of damping keeps their matrix invertible,
    // and leaves the place, which the rim fixes well, as it is.
    let mut matrix = state.matrix.clone();
    let largest = matrix.diagonal().max();
    for i in 0..matrix.nrows() {
        matrix[(i, i)] += 1e-9 * largest;
    }
    let inverse = matrix.cholesky()?.inverse();
    let misfit2 = (state.weighted_squares / state.weight.max(1e-9)).max(0.0);
    let scale = misfit2.max(1.0) * CORRELATION;
    let covariance_px2 =
        Covariance2 { xx: inverse[(0, 0)] * scale, xy: inverse[(1, 0)] * scale, yy: inverse[(1, 1)] * scale };
    let (explained, visible) = explained_and_visible(patch, &disc, light);
    let noise = patch.noise.iter().copied().filter(|noise| noise.is_finite()).fold(0.0f32, f32::max).max(0.3);
    let signal_to_noise = contrast_levels(patch, &disc, light) / f64::from(noise);
    (covariance_px2.xx > 0.0 && covariance_px2.yy > 0.0).then_some(DiscFit {
        disc,
        covariance_px2,
        misfit: misfit2.sqrt(),
        explained,
        visible,
        signal_to_noise,
    })
}

/// How much of the departure inside the disc the disc explains, and how much of its area looks like the ball.
fn explained_and_visible(patch: &Patch, disc: &Disc, light: &Light) -> (f64, f64) {
    let steps = Exposure::new(disc);
    let none = Unknowns { radius: false, blur: false, streak: false, shades: 0 };
    let (mut without, mut with, mut area, mut seen) = (0.0, 0.0, 0.0, 0.0);
    for row in 0..patch.height {
        for column in 0..patch.width {
            let place = row * patch.width + column;
            let x = (patch.left + column as isize) as f64;
            let y = (patch.top + row as isize) as f64;
            let background = f64::from(light.linear(patch.background[place]));
            let model = steps.pixel(disc, x, y, background, none);
            if model.coverage < 0.02 {
                continue;
            }
            area += model.coverage;
            if !patch.noise[place].is_finite() {
                continue;
            }
            let (level, _) = light.level((background * (1.0 - model.coverage) + model.ball) as f32);
            let departure = f64::from(patch.levels[place] - patch.background[place]);
            let expected = f64::from(level - patch.background[place]);
            let residual = departure - expected;
            without += departure * departure;
            with += residual * residual;
            // Halfway between background and ball or better counts as ball.
            let like_ball = residual.abs() < 0.5 * expected.abs() + 1.5 * f64::from(patch.noise[place]);
            seen += if like_ball { model.coverage } else { 0.0 };
        }
    }
    let explained = if without > 0.0 { 1.0 - with / without } else { 0.0 };
    (explained, if area > 0.0 { seen / area } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::Transfer;

    fn patch_of(disc: &Disc, light: &Light, texture: impl Fn(f64, f64) -> f32) -> Patch {
        let (width, height) = (64, 48);
        let steps = Exposure::new(disc);
        let none = Unknowns { radius: false, blur: false, streak: false, shades: 0 };
        let mut patch = Patch {
            left: -3,
            top: 5,
            width,
            height,
            levels: vec![0.0; width * height],
            background: vec![0.0; width * height],
            noise: vec![1.0; width * height],
        };
        for row in 0..height {
            for column in 0..width {
                let (x, y) = (column as f64 - 3.0, row as f64 + 5.0);
                let place = row * width + column;
                patch.background[place] = texture(x, y);
                let background = f64::from(light.linear(patch.background[place]));
                let model = steps.pixel(disc, x, y, background, none);
                patch.levels[place] = light.level((background * (1.0 - model.coverage) + model.ball) as f32).0;
            }
        }
        patch
    }

    fn shading(terms: &[f64]) -> Shading {
        std::array::from_fn(|i| terms.get(i).copied().unwrap_or(0.0))
    }

    fn ball() -> Disc {
        Disc {
            centre: PixelPoint::new(27.3, 26.8),
            radius_px: 9.2,
            blur_px: 0.9,
            streak_px: (7.0, -3.0),
            stretch: Stretch { factor: 1.07, along: (0.8, 0.6) },
            shading: shading(&[0.5, 0.08, -0.12, -0.08, 0.03, -0.12, 0.02, 0.01]),
            shades: SHADES,
        }
    }

    #[test]
    fn slopes_agree_with_finite_differences() {
        let light = Light::new(Transfer::Linear);
        let unknowns = Unknowns { radius: true, blur: true, streak: true, shades: SHADES };
        let disc = ball();
        let value = |disc: &Disc, x: f64, y: f64| {
            // The number of moments must not change with the length, or the difference would see the jump.
            let steps = Exposure::new(&ball());
            let model = steps.pixel(disc, x, y, 0.2, unknowns);
            0.2 * (1.0 - model.coverage) + model.ball
        };
        for (x, y) in [(18.0, 30.0), (35.0, 22.0), (27.0, 27.0), (30.0, 17.0)] {
            let slopes = Exposure::new(&disc).pixel(&disc, x, y, 0.2, unknowns).slopes;
            for (i, slope) in slopes.iter().enumerate() {
                let h = 1e-3;
                let shifted = |sign: f64| {
                    let step = DVector::from_fn(5 + SHADES, |row, _| if row == i { sign * h } else { 0.0 });
                    value(&moved(&disc, &step, unknowns, &disc).unwrap(), x, y)
                };
                let difference = (shifted(1.0) - shifted(-1.0)) / (2.0 * h);
                // The table of the normal integral is linear between steps of 1/256: slopes are good to about 1e-3.
                assert!((difference - slope).abs() < 2e-3, "unknown {i} at {x},{y}: {difference} {slope}");
            }
        }
        let _ = light;
    }

    #[test]
    fn a_disc_over_a_textured_wall_is_found_where_it_is() {
        let light = Light::new(Transfer::Bt709);
        let truth = ball();
        let patch = patch_of(&truth, &light, |x, y| 70.0 + 30.0 * ((x * 0.7).sin() * (y * 0.5).cos()) as f32);
        let start = Disc {
            centre: PixelPoint::new(28.5, 25.6),
            radius_px: 8.0,
            blur_px: 0.7,
            streak_px: (5.6, -2.4),
            stretch: truth.stretch,
            shading: shading(&[0.45]),
            shades: 1,
        };
        let unknowns = Unknowns { radius: true, blur: true, streak: true, shades: SHADES };
        let fit = fit_disc(&patch, &start, unknowns, &light).unwrap();
        // Noise-free: what is left is the table of the normal integral and the number of moments.
        assert!(fit.disc.centre.distance(truth.centre) < 0.01, "{:?}", fit.disc);
        assert!((fit.disc.radius_px - truth.radius_px).abs() < 0.05, "{:?}", fit.disc);
        assert!(fit.visible > 0.98 && fit.explained > 0.99);
    }

    #[test]
    fn a_pole_before_the_ball_does_not_pull_it() {
        let light = Light::new(Transfer::Bt709);
        let truth = Disc { streak_px: (0.0, 0.0), ..ball() };
        let mut patch = patch_of(&truth, &light, |_, _| 60.0);
        for row in 0..patch.height {
            for column in 36..patch.width {
                patch.levels[row * patch.width + column] = 60.0;
            }
        }
        let start = Disc { centre: PixelPoint::new(26.9, 26.9), ..truth };
        let unknowns = Unknowns { radius: false, blur: false, streak: false, shades: 0 };
        let fit = fit_disc(&patch, &start, unknowns, &light).unwrap();
        // The blurred edge of the pole keeps some weight and pulls by up to a tenth of a pixel; unweighted it would be 1 px.
        assert!(fit.disc.centre.distance(truth.centre) < 0.12, "{:?}", fit.disc);
        // A chord 5.7 px right of the centre of a disc of 9.2 px leaves 86 % of it in view.
        assert!((fit.visible - 0.86).abs() < 0.05, "{}", fit.visible);
    }
}
