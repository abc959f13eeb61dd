//! What a disc does to pixels: how much of each the ball covers, and with how much light.
//!
//! Four pixels at a time, in single precision: here is where the time of a measurement goes, and seven digits are enough for levels.

use wide::f32x4;

use super::disc::{Disc, SHADES, Shading, Stretch, Unknowns};

/// Unknowns of the disc's outline: the centre's two, radius, blur, streak.
pub(super) const OUTLINE: usize = 5;

/// Coverage, light and their slopes at one pixel. Unknowns in this order: centre x, y; radius, blur, streak as far as they
/// are free; the free terms of the shading, or the brightness as a whole.
#[derive(Clone, Copy)]
pub(super) struct PixelModel {
    pub coverage: f64,
    /// Light of the ball that arrives, coverage times shading.
    pub ball: f64,
    pub coverage_slopes: [f64; OUTLINE],
    pub ball_slopes: [f64; OUTLINE + SHADES],
}

impl PixelModel {
    pub(super) const NOTHING: Self =
        Self { coverage: 0.0, ball: 0.0, coverage_slopes: [0.0; OUTLINE], ball_slopes: [0.0; OUTLINE + SHADES] };
}

/// Terms of a polynomial of the third degree.
const SLOPE_TERMS: usize = 10;

/// The terms uⁱ·vʲ at four places, or sums of them over the moments of an exposure, by rising degree d = i + j, within a degree by rising j;
/// that of number j in degree d stands at d·(d + 1)/2 + j.
type Terms = [f32x4; SHADES];

/// The shading of a disc, made ready: its own weights, those of its slopes by u and v, which are polynomials of one degree less, and
/// those of its slope along the radius, u·∂/∂u + v·∂/∂v, which multiplies each term by its degree (Euler on homogeneous functions).
struct Shades {
    count: usize,
    light: [f32; SHADES],
    by_u: [f32; SLOPE_TERMS],
    by_v: [f32; SLOPE_TERMS],
    outward: [f32; SHADES],
}

impl Shades {
    fn new(shading: &Shading, count: usize) -> Self {
        let light = std::array::from_fn(|term| if term < count.max(1) { shading[term] as f32 } else { 0.0 });
        let mut shades =
            Self { count, light, by_u: [0.0; SLOPE_TERMS], by_v: [0.0; SLOPE_TERMS], outward: [0.0; SHADES] };
        for degree in 1..=4 {
            let (own, below) = (degree * (degree + 1) / 2, degree * (degree - 1) / 2);
            for j in 0..degree {
                shades.by_u[below + j] = (degree - j) as f32 * light[own + j];
                shades.by_v[below + j] = (j + 1) as f32 * light[own + j + 1];
            }
            for j in 0..=degree {
                shades.outward[own + j] = degree as f32 * light[own + j];
            }
        }
        shades
    }

    /// Light at a place.
    fn at(&self, u: f64, v: f64) -> f64 {
        let (u, v) = (f32x4::splat(u as f32), f32x4::splat(v as f32));
        let hold = held(u * u + v * v);
        weighted(&self.light, &terms::<SHADES>(u * hold, v * hold)).to_array()[0].into()
    }
}

/// Greatest distance from the centre, in radii, at which the polynomial is taken as it is. Just outside the rim it must not run away.
const HELD_FROM: f32 = 1.1;

/// By how much a place at this squared distance, in radii, is drawn back.
fn held(squared: f32x4) -> f32x4 {
    f32x4::splat(HELD_FROM) / squared.fast_max(f32x4::splat(HELD_FROM * HELD_FROM)).sqrt()
}

/// The first `TERMS` terms at four places; the others are nought.
#[inline(always)]
fn terms<const TERMS: usize>(u: f32x4, v: f32x4) -> Terms {
    let mut terms = [f32x4::ZERO; SHADES];
    terms[0] = f32x4::ONE;
    let mut degree = 1;
    while degree * (degree + 1) / 2 < TERMS {
        let (own, below) = (degree * (degree + 1) / 2, degree * (degree - 1) / 2);
        for j in 0..degree {
            terms[own + j] = u * terms[below + j];
        }
        terms[own + degree] = v * terms[below + degree - 1];
        degree += 1;
    }
    terms
}

/// Sum of products of weights and the first terms.
#[inline(always)]
fn weighted(weights: &[f32], terms: &Terms) -> f32x4 {
    weights.iter().zip(terms).fold(f32x4::ZERO, |sum, (weight, term)| sum + *term * f32x4::splat(*weight))
}

/// Places along a stretch, −½ to ½, and their shares, by which the mean of a polynomial up to the fifth degree is had (Gauss–Legendre with
/// three nodes, ±√(3/5); NIST Digital Library of Mathematical Functions, 3.5(v); from memory, checked below against a fine comb). That of the shading is of the fourth, and a
/// streak's slope of one more.
const INNER: [(f64, f64); 3] = {
    const NODE: f64 = 0.387_298_334_620_741_7;
    [(-NODE, 5.0 / 18.0), (0.0, 8.0 / 18.0), (NODE, 5.0 / 18.0)]
};

/// Standard deviations beyond which the normal integral is taken to be nought or one.
const END: f64 = 4.2;

/// The exposure of a disc: its centre goes along the streak, and is looked at in the middle of `moments` equal parts of it.
pub(super) struct Exposure {
    moments: usize,
    /// Distance from the centre within which the ball covers all of a pixel; and the greatest at which it still covers anything, px.
    inner_px: f64,
    reach_px: f64,
    /// Half of a block's diagonal, px, once perspective's stretch is undone.
    half_block_px: f64,
    /// The streak, px: as it is, and with perspective's stretch undone.
    streak: (f64, f64),
    undone: (f64, f64),
    shades: Shades,
    /// Slopes in use of coverage and of light.
    used: (usize, usize),
}

impl Exposure {
    pub(super) fn new(disc: &Disc, unknowns: Unknowns) -> Self {
        /// A comb of normal curves a step apart departs from its mean by 2·exp(−2π²/step²), the step in standard deviations: by
        /// 3e-4 at this step.
        const STEP_IN_BLURS: f64 = 1.5;
        let length = disc.streak_px.0.hypot(disc.streak_px.1);
        let count = ((length / (STEP_IN_BLURS * disc.blur_px)).ceil() as usize).clamp(1, 200);
        Self {
            moments: count,
            inner_px: disc.radius_px - END * disc.blur_px,
            reach_px: disc.radius_px + END * disc.blur_px,
            half_block_px: std::f64::consts::FRAC_1_SQRT_2 / disc.stretch.factor.min(1.0),
            streak: disc.streak_px,
            undone: disc.stretch.undo(disc.streak_px),
            shades: Shades::new(&disc.shading, disc.shades.max(unknowns.shades)),
            used: (unknowns.outline(), unknowns.outline() + unknowns.light()),
        }
    }

    /// The four pixels of a block, by rows; `x` and `y` of the first.
    pub(super) fn block(&self, disc: &Disc, (x, y): (f64, f64), unknowns: Unknowns, models: &mut [PixelModel; 4]) {
        let middle = disc.stretch.undo((x + 0.5 - disc.centre.x, y + 0.5 - disc.centre.y));
        let Some(moments) = self.moments_within(middle, self.reach_px + self.half_block_px) else {
            for model in models {
                (model.coverage, model.ball) = (0.0, 0.0);
                model.coverage_slopes[..self.used.0].fill(0.0);
                model.ball_slopes[..self.used.1].fill(0.0);
            }
            return;
        };
        // Loops of a known length unroll: this is called for every block of every fit.
        let sums = match (self.shades.count, unknowns.streak) {
            (0 | 1, false) => self.sums::<1, false>(disc, (x, y), middle, moments),
            (0 | 1, true) => self.sums::<1, true>(disc, (x, y), middle, moments),
            (2..=6, false) => self.sums::<6, false>(disc, (x, y), middle, moments),
            (2..=6, true) => self.sums::<6, true>(disc, (x, y), middle, moments),
            (_, false) => self.sums::<SHADES, false>(disc, (x, y), middle, moments),
            (_, true) => self.sums::<SHADES, true>(disc, (x, y), middle, moments),
        };
        self.slopes(disc, &sums, unknowns, models);
    }

    /// Sums over some moments of the exposure for the block at (x, y), the middle of which lies at `middle` from the disc's with the
    /// stretch undone.
    fn sums<const TERMS: usize, const LATE: bool>(
        &self,
        disc: &Disc,
        (x, y): (f64, f64),
        middle: (f64, f64),
        (first, last): (usize, usize),
    ) -> Sums {
        let corners: [(f64, f64); 4] = std::array::from_fn(|i| {
            disc.stretch.undo((x + (i % 2) as f64 - disc.centre.x, y + (i / 2) as f64 - disc.centre.y))
        });
        let offset = (f32x4::new(corners.map(|at| at.0 as f32)), f32x4::new(corners.map(|at| at.1 as f32)));
        let share = 1.0 / self.moments as f64;
        let at = |part: f64, share: f64| Moment {
            offset: (
                offset.0 - f32x4::splat((part * self.undone.0) as f32),
                offset.1 - f32x4::splat((part * self.undone.1) as f32),
            ),
            share: f32x4::splat(share as f32),
            part: f32x4::splat(part as f32),
        };
        let part = |moment: usize| (moment as f64 + 0.5) * share - 0.5;
        let rim = Rim::of(disc);
        let mut sums = Sums::NOTHING;
        // While it covers the whole block, that sees the shading alone, which three places tell exactly.
        let inner = self.moments_within(middle, self.inner_px - self.half_block_px);
        let inner = inner.filter(|(from, to)| to - from >= INNER.len());
        let (inner_first, inner_last) = inner.unwrap_or((last + 1, last));
        if inner_last >= inner_first {
            let length = (inner_last + 1 - inner_first) as f64 * share;
            let middle = 0.5 * (part(inner_first) + part(inner_last));
            for (node, weight) in INNER {
                sums.add_covered::<TERMS, LATE>(&rim, &at(middle + node * length, weight * length));
            }
        }
        for moment in (first..inner_first.min(last + 1)).chain(inner_last + 1..last + 1) {
            sums.add::<TERMS, LATE>(&rim, &self.shades, &at(part(moment), share));
        }
        sums
    }

    /// The first and last moment at which the centre lies within a distance of a place.
    fn moments_within(&self, offset: (f64, f64), distance: f64) -> Option<(usize, usize)> {
        let squared = distance.max(0.0).powi(2);
        let along = self.undone.0 * self.undone.0 + self.undone.1 * self.undone.1;
        if self.moments == 1 {
            return (offset.0 * offset.0 + offset.1 * offset.1 < squared).then_some((0, 0));
        }
        let middle = (offset.0 * self.undone.0 + offset.1 * self.undone.1) / along;
        let across = offset.0 * self.undone.1 - offset.1 * self.undone.0;
        let half_squared = (squared - across * across / along) / along;
        if half_squared <= 0.0 {
            return None;
        }
        let (half, count) = (half_squared.sqrt(), self.moments as f64);
        // The middle of moment m lies at (m + ½)/count − ½.
        let first = ((middle - half + 0.5) * count - 0.5).max(0.0).ceil();
        let last = ((middle + half + 0.5) * count - 0.5).min(count - 1.0).floor();
        (first <= last).then_some((first as usize, last as usize))
    }

    /// From sums over the exposure to coverage, light and slopes.
    fn slopes(&self, disc: &Disc, sums: &Sums, unknowns: Unknowns, models: &mut [PixelModel; 4]) {
        let shades = &self.shades;
        let per_radius = f32x4::splat(1.0 / disc.radius_px as f32);
        let body = |terms: &Terms, held: &Terms| {
            let slope =
                |weights: &[f32; SLOPE_TERMS]| (weighted(weights, terms) - weighted(weights, held)) * per_radius;
            (slope(&shades.by_u), slope(&shades.by_v))
        };
        let undo = |vector| undo(disc.stretch, vector);
        let less = |one: Vector, other: Vector| (one.0 - other.0, one.1 - other.1);
        let light = weighted(&shades.light, &sums.terms);
        let (covers, lights) = (sums.terms[0].to_array(), light.to_array());
        for ((model, cover), light) in models.iter_mut().zip(covers).zip(lights) {
            (model.coverage, model.ball) = (cover.into(), light.into());
        }
        let mut place = 0;
        let mut put = |cover: f32x4, ball: f32x4| {
            let (cover, ball) = (cover.to_array(), ball.to_array());
            for (i, model) in models.iter_mut().enumerate() {
                (model.coverage_slopes[place], model.ball_slopes[place]) = (cover[i].into(), ball[i].into());
            }
            place += 1;
        };
        let cover = undo(sums.edge);
        let ball = undo(less(sums.lit_edge, body(&sums.terms, &sums.held)));
        put(cover.0, ball.0);
        put(cover.1, ball.1);
        if unknowns.radius {
            put(sums.rim, sums.lit_rim - weighted(&shades.outward, &sums.terms) * per_radius);
        }
        if unknowns.blur {
            put(-sums.deep_rim, -sums.lit_deep_rim);
        }
        if unknowns.streak {
            let length = self.streak.0.hypot(self.streak.1).max(1e-9);
            let direction =
                (f32x4::splat((self.streak.0 / length) as f32), f32x4::splat((self.streak.1 / length) as f32));
            let along = |(x, y): Vector| x * direction.0 + y * direction.1;
            let ball = undo(less(sums.late_lit_edge, body(&sums.late_terms, &sums.late_held)));
            put(along(undo(sums.late_edge)), along(ball));
        }
        let mut put_light = |ball: f32x4| {
            for (model, ball) in models.iter_mut().zip(ball.to_array()) {
                model.ball_slopes[place] = ball.into();
            }
            place += 1;
        };
        if unknowns.shades == 0 {
            put_light(light);
        }
        sums.terms[..unknowns.shades].iter().for_each(|term| put_light(*term));
    }
}

/// Of four pixels, x and y.
type Vector = (f32x4, f32x4);

/// [`Stretch::undo`] for four.
fn undo(stretch: Stretch, (dx, dy): Vector) -> Vector {
    let along = (f32x4::splat(stretch.along.0 as f32), f32x4::splat(stretch.along.1 as f32));
    let part = f32x4::splat((1.0 / stretch.factor - 1.0) as f32) * (dx * along.0 + dy * along.1);
    (dx + part * along.0, dy + part * along.1)
}

/// One moment of the exposure, or a few together.
struct Moment {
    /// From the centre to the pixels, px, perspective's stretch undone.
    offset: Vector,
    /// Of the exposure.
    share: f32x4,
    /// Where on the streak, −½ to ½.
    part: f32x4,
}

/// The disc's outline, made ready.
struct Rim {
    radius_px: f32x4,
    per_radius: f32x4,
    per_blur: f32x4,
}

impl Rim {
    fn of(disc: &Disc) -> Self {
        Self {
            radius_px: f32x4::splat(disc.radius_px as f32),
            per_radius: f32x4::splat(1.0 / disc.radius_px as f32),
            per_blur: f32x4::splat(1.0 / disc.blur_px as f32),
        }
    }
}

/// What the slopes need, summed over an exposure. "Lit" is multiplied with the light, "late" with the place on the streak.
struct Sums {
    /// Coverage times each term of the shading.
    terms: Terms,
    late_terms: Terms,
    /// By how much less of these the slopes have just outside the rim, where the shading is held.
    held: Terms,
    late_held: Terms,
    /// Density at the rim, px⁻¹: along the outward direction, as it is, and times the depth in blurs.
    edge: Vector,
    lit_edge: Vector,
    late_edge: Vector,
    late_lit_edge: Vector,
    rim: f32x4,
    lit_rim: f32x4,
    deep_rim: f32x4,
    lit_deep_rim: f32x4,
}

impl Sums {
    const NOTHING: Self = {
        const NONE: f32x4 = f32x4::ZERO;
        Self {
            terms: [NONE; SHADES],
            late_terms: [NONE; SHADES],
            held: [NONE; SHADES],
            late_held: [NONE; SHADES],
            edge: (NONE, NONE),
            lit_edge: (NONE, NONE),
            late_edge: (NONE, NONE),
            late_lit_edge: (NONE, NONE),
            rim: NONE,
            lit_rim: NONE,
            deep_rim: NONE,
            lit_deep_rim: NONE,
        }
    };

    #[inline(always)]
    fn add_terms<const TERMS: usize, const LATE: bool>(&mut self, part: f32x4, weight: f32x4, terms: &Terms) {
        add(&mut self.terms[..TERMS], weight, terms);
        if LATE {
            add(&mut self.late_terms[..TERMS], part * weight, terms);
        }
    }

    /// Adds a moment at which the ball covers all of the block.
    #[inline(always)]
    fn add_covered<const TERMS: usize, const LATE: bool>(&mut self, rim: &Rim, moment: &Moment) {
        let terms = terms::<TERMS>(moment.offset.0 * rim.per_radius, moment.offset.1 * rim.per_radius);
        self.add_terms::<TERMS, LATE>(moment.part, moment.share, &terms);
    }

    #[inline(always)]
    fn add<const TERMS: usize, const LATE: bool>(&mut self, rim: &Rim, shades: &Shades, moment: &Moment) {
        let (dx, dy) = moment.offset;
        let distance = (dx * dx + dy * dy).sqrt();
        let depth = (rim.radius_px - distance) * rim.per_blur;
        let (coverage, density) = normal_integral(depth);
        let (u, v) = (dx * rim.per_radius, dy * rim.per_radius);
        let squared = u * u + v * v;
        let outside = TERMS > 1 && squared.simd_gt(f32x4::splat(HELD_FROM * HELD_FROM)).any();
        let hold = if outside { held(squared) } else { f32x4::ONE };
        let terms = terms::<TERMS>(u * hold, v * hold);
        let weight = moment.share * coverage;
        self.add_terms::<TERMS, LATE>(moment.part, weight, &terms);
        if outside {
            let less = weight * (f32x4::ONE - hold);
            add(&mut self.held[..TERMS], less, &terms);
            add(&mut self.late_held[..TERMS], moment.part * less, &terms);
        }
        let edge = moment.share * density * rim.per_blur;
        let lit = edge * weighted(&shades.light[..TERMS], &terms);
        let nearness = f32x4::ONE / distance.fast_max(f32x4::splat(1e-6));
        let outward = (dx * nearness, dy * nearness);
        add_vector(&mut self.edge, edge, outward);
        add_vector(&mut self.lit_edge, lit, outward);
        if LATE {
            add_vector(&mut self.late_edge, moment.part * edge, outward);
            add_vector(&mut self.late_lit_edge, moment.part * lit, outward);
        }
        self.rim += edge;
        self.lit_rim += lit;
        self.deep_rim += edge * depth;
        self.lit_deep_rim += lit * depth;
    }
}

#[inline(always)]
fn add(sums: &mut [f32x4], weight: f32x4, terms: &Terms) {
    for (sum, term) in sums.iter_mut().zip(terms) {
        *sum += weight * *term;
    }
}

#[inline(always)]
fn add_vector(sum: &mut Vector, weight: f32x4, vector: Vector) {
    sum.0 += weight * vector.0;
    sum.1 += weight * vector.1;
}

/// Light of the disc at a place in radii from its centre.
pub(super) fn light_at(disc: &Disc, u: f64, v: f64) -> f64 {
    Shades::new(&disc.shading, disc.shades).at(u, v)
}

/// Φ(t) and its density φ(t): Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26, off by less than 1.5e-7 (coefficients from
/// memory, checked below).
#[inline(always)]
fn normal_integral(t: f32x4) -> (f32x4, f32x4) {
    const SLOPE: f32 = 0.327_591_1;
    const COEFFICIENTS: [f32; 5] = [1.061_405_4, -1.453_152, 1.421_413_7, -0.284_496_74, 0.254_829_6];
    const PER_ROOT_TWO_PI: f32 = 0.398_942_3;
    // Beyond this the density is nought in single precision, and its square would overflow.
    let t = t.fast_max(f32x4::splat(-12.0)).fast_min(f32x4::splat(12.0));
    let bell = (t * t * f32x4::splat(-0.5)).exp();
    let x = t.abs() * f32x4::splat(std::f32::consts::FRAC_1_SQRT_2);
    let k = f32x4::ONE / (f32x4::ONE + x * f32x4::splat(SLOPE));
    let sum = COEFFICIENTS.iter().fold(f32x4::ZERO, |sum, by| sum * k + f32x4::splat(*by)) * k;
    let tail = f32x4::splat(0.5) * sum * bell;
    let integral = t.simd_gt(f32x4::ZERO).bitselect(f32x4::ONE - tail, tail);
    (integral, bell * f32x4::splat(PER_ROOT_TWO_PI))
}

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::*;
    use crate::sight::settle::moved;
    use crate::units::PixelPoint;

    #[test]
    fn slopes_agree_with_finite_differences() {
        let unknowns = Unknowns { radius: true, blur: true, streak: true, shades: SHADES, tint: false };
        let terms = [0.5, 0.08, -0.12, -0.08, 0.03, -0.12, 0.02, 0.01];
        let disc = Disc {
            centre: PixelPoint::new(27.3, 26.8),
            radius_px: 9.2,
            blur_px: 0.9,
            streak_px: (7.0, -3.0),
            stretch: Stretch { factor: 1.07, along: (0.8, 0.6) },
            shading: std::array::from_fn(|i| terms.get(i).copied().unwrap_or(0.0)),
            shades: SHADES,
            tint: None,
        };
        // The number of moments must not change with the length, or the difference would see the jump.
        let at = |disc: &Disc, x: f64, y: f64| {
            let mut models = [PixelModel::NOTHING; 4];
            Exposure::new(disc, unknowns).block(disc, (x, y), unknowns, &mut models);
            models[0]
        };
        for (x, y) in [(18.0, 30.0), (35.0, 22.0), (27.0, 27.0), (30.0, 17.0)] {
            let model = at(&disc, x, y);
            for i in 0..OUTLINE + SHADES {
                let h = 1e-3;
                let shifted = |sign: f64| {
                    let step = DVector::from_fn(OUTLINE + SHADES, |row, _| if row == i { sign * h } else { 0.0 });
                    let model = at(&moved(&disc, &step, unknowns, &disc).unwrap(), x, y);
                    (model.coverage, model.ball)
                };
                let ((cover_up, ball_up), (cover_down, ball_down)) = (shifted(1.0), shifted(-1.0));
                let cover = (cover_up - cover_down) / (2.0 * h);
                let ball = (ball_up - ball_down) / (2.0 * h);
                let cover_slope = model.coverage_slopes.get(i).copied().unwrap_or(0.0);
                // Single precision over the step leaves about 1e-4.
                assert!((cover - cover_slope).abs() < 2e-3, "cover by {i} at {x},{y}: {cover} {cover_slope}");
                let ball_slope = model.ball_slopes[i];
                assert!((ball - ball_slope).abs() < 2e-3, "light by {i} at {x},{y}: {ball} {ball_slope}");
            }
        }
    }

    /// Well inside a streaked disc, three moments give what a comb of many gives: it differs from the mean by its own step alone.
    #[test]
    fn a_few_moments_suffice_where_the_disc_covers_all_of_the_exposure() {
        let unknowns = Unknowns { radius: true, blur: true, streak: true, shades: SHADES, tint: false };
        let disc = Disc {
            centre: PixelPoint::new(40.2, 39.7),
            radius_px: 30.0,
            blur_px: 0.9,
            streak_px: (14.0, -9.0),
            stretch: Stretch { factor: 1.05, along: (0.8, 0.6) },
            shading: std::array::from_fn(|i| 0.5 / (1.0 + i as f64) * if i % 3 == 1 { -1.0 } else { 1.0 }),
            shades: SHADES,
            tint: None,
        };
        let quick = Exposure::new(&disc, unknowns);
        let mut fine = Exposure::new(&disc, unknowns);
        (fine.moments, fine.inner_px) = (1000, 0.0);
        for (x, y) in [(40.0, 40.0), (46.0, 33.0), (33.0, 47.0)] {
            let (mut a, mut b) = ([PixelModel::NOTHING; 4], [PixelModel::NOTHING; 4]);
            quick.block(&disc, (x, y), unknowns, &mut a);
            fine.block(&disc, (x, y), unknowns, &mut b);
            for (a, b) in a.iter().zip(&b) {
                // Sums of a thousand in single precision.
                assert!((a.ball - b.ball).abs() < 1e-5 && (a.coverage - 1.0).abs() < 1e-6, "{} {}", a.ball, b.ball);
                for (one, other) in a.ball_slopes.iter().zip(&b.ball_slopes) {
                    assert!((one - other).abs() < 1e-5, "{one} {other}");
                }
            }
        }
    }

    /// Against the complementary error function of a reference library.
    #[test]
    fn the_normal_integral_is_good_to_single_precision() {
        for i in -60..=60 {
            let t = f64::from(i) * 0.1;
            let (integral, density) = normal_integral(f32x4::splat(t as f32));
            let expected = 0.5 * statrs::function::erf::erfc(-t / std::f64::consts::SQRT_2);
            assert!((f64::from(integral.to_array()[0]) - expected).abs() < 5e-7, "{t}");
            let expected = (-0.5 * t * t).exp() / (2.0 * std::f64::consts::PI).sqrt();
            assert!((f64::from(density.to_array()[3]) - expected).abs() < 5e-7, "{t}");
        }
    }
}
