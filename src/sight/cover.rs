//! What a disc does to one pixel: how much of it the ball covers, and with how much light.

use super::disc::{Disc, SHADES, Shading, Unknowns};

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

/// The terms uⁱ·vʲ at a place, or sums of them over the moments of an exposure, by rising degree d = i + j, within a degree by rising j; that of
/// number j in degree d stands at d·(d + 1)/2 + j.
type Terms = [f64; SHADES];

/// The shading of a disc, made ready: its own weights, those of its slopes by u and v, which are polynomials of one degree less, and
/// those of its slope along the radius, u·∂/∂u + v·∂/∂v, which multiplies each term by its degree (Euler on homogeneous functions).
struct Shades {
    count: usize,
    light: Shading,
    by_u: [f64; SLOPE_TERMS],
    by_v: [f64; SLOPE_TERMS],
    outward: Shading,
}

impl Shades {
    fn new(shading: &Shading, count: usize) -> Self {
        let light = std::array::from_fn(|term| if term < count.max(1) { shading[term] } else { 0.0 });
        let mut shades =
            Self { count, light, by_u: [0.0; SLOPE_TERMS], by_v: [0.0; SLOPE_TERMS], outward: [0.0; SHADES] };
        for degree in 1..=4 {
            let (own, below) = (degree * (degree + 1) / 2, degree * (degree - 1) / 2);
            for j in 0..degree {
                shades.by_u[below + j] = (degree - j) as f64 * light[own + j];
                shades.by_v[below + j] = (j + 1) as f64 * light[own + j + 1];
            }
            for j in 0..=degree {
                shades.outward[own + j] = degree as f64 * light[own + j];
            }
        }
        shades
    }

    /// Light at a place.
    fn at(&self, u: f64, v: f64) -> f64 {
        product::<SHADES>(&self.light, &terms::<SHADES>(u * held(u, v), v * held(u, v)))
    }
}

/// Just outside the rim the polynomial must not run away: by how much a place is drawn back, to a little over one radius.
#[inline(always)]
fn held(u: f64, v: f64) -> f64 {
    let squared = u * u + v * v;
    if squared > 1.1 * 1.1 { 1.1 / squared.sqrt() } else { 1.0 }
}

/// The first `TERMS` terms at a place; the others are nought.
#[inline(always)]
fn terms<const TERMS: usize>(u: f64, v: f64) -> Terms {
    let mut terms = [0.0; SHADES];
    terms[0] = 1.0;
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

/// Sum of the first `N` products, in four sums that the processor adds side by side.
#[inline(always)]
fn product<const N: usize>(weights: &[f64], terms: &Terms) -> f64 {
    let mut sums = [0.0; 4];
    for (i, (weight, term)) in weights[..N].iter().zip(&terms[..N]).enumerate() {
        sums[i % 4] += weight * term;
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3])
}

/// Places along a stretch, −½ to ½, and their shares, by which the mean of a polynomial up to the fifth degree is had (Gauss–Legendre with
/// three nodes, ±√(3/5); NIST Digital Library of Mathematical Functions, 3.5(v); from memory, checked below against a fine comb). That of the shading is of the fourth, and a
/// streak's slope of one more.
const INNER: [(f64, f64); 3] = {
    const NODE: f64 = 0.387_298_334_620_741_7;
    [(-NODE, 5.0 / 18.0), (0.0, 8.0 / 18.0), (NODE, 5.0 / 18.0)]
};

/// The exposure of a disc: its centre goes along the streak, and is looked at in the middle of `moments` equal parts of it.
pub(super) struct Exposure {
    moments: usize,
    /// Square of the distance from the centre within which the ball covers all of a pixel, px²; nought where it doesn't anywhere.
    inner_squared: f64,
    /// Square of the greatest distance from the centre at which the ball still covers anything, px².
    reach_squared: f64,
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
        let reach = disc.radius_px + END * disc.blur_px;
        Self {
            moments: count,
            inner_squared: (disc.radius_px - END * disc.blur_px).max(0.0).powi(2),
            reach_squared: reach * reach,
            streak: disc.streak_px,
            undone: disc.stretch.undo(disc.streak_px),
            shades: Shades::new(&disc.shading, disc.shades.max(unknowns.shades)),
            used: (unknowns.outline(), unknowns.outline() + unknowns.light()),
        }
    }

    pub(super) fn pixel(&self, disc: &Disc, x: f64, y: f64, unknowns: Unknowns, model: &mut PixelModel) {
        let offset = disc.stretch.undo((x - disc.centre.x, y - disc.centre.y));
        // Loops of a known length unroll: this is called for every pixel of every fit.
        let sums = match self.shades.count {
            0 | 1 => self.sums::<1>(disc, offset, unknowns.streak),
            2..=6 => self.sums::<6>(disc, offset, unknowns.streak),
            _ => self.sums::<SHADES>(disc, offset, unknowns.streak),
        };
        match sums {
            Some(sums) => self.slopes(disc, &sums, unknowns, model),
            None => {
                (model.coverage, model.ball) = (0.0, 0.0);
                model.coverage_slopes[..self.used.0].fill(0.0);
                model.ball_slopes[..self.used.1].fill(0.0);
            }
        }
    }

    /// Sums over the moments of the exposure for a pixel at `offset` from the disc's centre, both with the stretch undone. `None` where the
    /// ball covers nothing.
    #[inline(always)]
    fn sums<const TERMS: usize>(&self, disc: &Disc, offset: (f64, f64), by_streak: bool) -> Option<Sums> {
        let (first, last) = self.moments_within(offset, self.reach_squared)?;
        let mut sums = Sums::NOTHING;
        let share = 1.0 / self.moments as f64;
        let at = |part: f64, share: f64| Moment {
            offset: (offset.0 - part * self.undone.0, offset.1 - part * self.undone.1),
            share,
            part: if by_streak { part } else { 0.0 },
        };
        let part = |moment: usize| (moment as f64 + 0.5) * share - 0.5;
        // While it covers all of the pixel, that sees the shading alone, which three places tell exactly.
        let inner = self.moments_within(offset, self.inner_squared);
        let (inner_first, inner_last) =
            inner.filter(|(from, to)| to - from >= INNER.len()).map_or((last + 1, last), |ends| ends);
        if inner_last >= inner_first {
            let length = (inner_last + 1 - inner_first) as f64 * share;
            let middle = 0.5 * (part(inner_first) + part(inner_last));
            for (node, weight) in INNER {
                sums.add_covered::<TERMS>(disc, &at(middle + node * length, weight * length));
            }
        }
        for moment in (first..inner_first.min(last + 1)).chain(inner_last + 1..last + 1) {
            sums.add::<TERMS>(disc, &self.shades, self.inner_squared, &at(part(moment), share));
        }
        Some(sums)
    }

    /// The first and last moment at which the centre lies within a distance of a pixel.
    #[inline(always)]
    fn moments_within(&self, offset: (f64, f64), squared: f64) -> Option<(usize, usize)> {
        let along = self.undone.0 * self.undone.0 + self.undone.1 * self.undone.1;
        if self.moments == 1 || along < 1e-12 {
            let within = offset.0 * offset.0 + offset.1 * offset.1 < squared;
            return within.then_some((0, self.moments - 1));
        }
        let middle = (offset.0 * self.undone.0 + offset.1 * self.undone.1) / along;
        let across = offset.0 * self.undone.1 - offset.1 * self.undone.0;
        let half_squared = (squared - across * across / along) / along;
        if half_squared <= 0.0 {
            return None;
        }
        let (half, count) = (half_squared.sqrt(), self.moments as f64);
        // The middle of moment m lies at (m + ½)/count − ½.
        let first = ((middle - half + 0.5) * count - 0.5).ceil().max(0.0);
        let last = ((middle + half + 0.5) * count - 0.5).floor().min(count - 1.0);
        (first <= last).then_some((first as usize, last as usize))
    }

    /// From sums over the exposure to coverage, light and slopes.
    fn slopes(&self, disc: &Disc, sums: &Sums, unknowns: Unknowns, model: &mut PixelModel) {
        let radius = disc.radius_px;
        let shades = &self.shades;
        let body = |terms: &Terms, held: &Terms| {
            let slope = |weights: &[f64; SLOPE_TERMS]| {
                (product::<SLOPE_TERMS>(weights, terms) - product::<SLOPE_TERMS>(weights, held)) / radius
            };
            (slope(&shades.by_u), slope(&shades.by_v))
        };
        model.coverage = sums.terms[0];
        model.ball = product::<SHADES>(&shades.light, &sums.terms);
        let (by_u, by_v) = body(&sums.terms, &sums.held);
        let cover = disc.stretch.undo(sums.edge);
        let ball = disc.stretch.undo((sums.lit_edge.0 - by_u, sums.lit_edge.1 - by_v));
        let mut place = 0;
        let mut put = |cover: f64, ball: f64| {
            (model.coverage_slopes[place], model.ball_slopes[place]) = (cover, ball);
            place += 1;
        };
        put(cover.0, ball.0);
        put(cover.1, ball.1);
        if unknowns.radius {
            put(sums.rim, sums.lit_rim - product::<SHADES>(&shades.outward, &sums.terms) / radius);
        }
        if unknowns.blur {
            put(-sums.deep_rim, -sums.lit_deep_rim);
        }
        if unknowns.streak {
            let length = self.streak.0.hypot(self.streak.1).max(1e-9);
            let along = |(x, y): (f64, f64)| (x * self.streak.0 + y * self.streak.1) / length;
            let (by_u, by_v) = body(&sums.late_terms, &sums.late_held);
            let ball = (sums.late_lit_edge.0 - by_u, sums.late_lit_edge.1 - by_v);
            put(along(disc.stretch.undo(sums.late_edge)), along(disc.stretch.undo(ball)));
        }
        if unknowns.shades == 0 {
            model.ball_slopes[place] = model.ball;
        }
        model.ball_slopes[place..place + unknowns.shades].copy_from_slice(&sums.terms[..unknowns.shades]);
    }
}

/// One moment of the exposure, or a few together.
struct Moment {
    /// From the centre to the pixel, px, perspective's stretch undone.
    offset: (f64, f64),
    /// Of the exposure.
    share: f64,
    /// Where on the streak, −½ to ½.
    part: f64,
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
    edge: (f64, f64),
    lit_edge: (f64, f64),
    late_edge: (f64, f64),
    late_lit_edge: (f64, f64),
    rim: f64,
    lit_rim: f64,
    deep_rim: f64,
    lit_deep_rim: f64,
}

impl Sums {
    const NOTHING: Self = Self {
        terms: [0.0; SHADES],
        late_terms: [0.0; SHADES],
        held: [0.0; SHADES],
        late_held: [0.0; SHADES],
        edge: (0.0, 0.0),
        lit_edge: (0.0, 0.0),
        late_edge: (0.0, 0.0),
        late_lit_edge: (0.0, 0.0),
        rim: 0.0,
        lit_rim: 0.0,
        deep_rim: 0.0,
        lit_deep_rim: 0.0,
    };

    #[inline(always)]
    fn add_terms<const TERMS: usize>(&mut self, moment: &Moment, weight: f64, terms: &Terms) {
        for (sum, term) in self.terms[..TERMS].iter_mut().zip(terms) {
            *sum += weight * term;
        }
        if moment.part != 0.0 {
            for (sum, term) in self.late_terms[..TERMS].iter_mut().zip(terms) {
                *sum += weight * moment.part * term;
            }
        }
    }

    /// Adds a moment at which the ball covers all of the pixel.
    #[inline(always)]
    fn add_covered<const TERMS: usize>(&mut self, disc: &Disc, moment: &Moment) {
        let terms = terms::<TERMS>(moment.offset.0 / disc.radius_px, moment.offset.1 / disc.radius_px);
        self.add_terms::<TERMS>(moment, moment.share, &terms);
    }

    #[inline(always)]
    fn add<const TERMS: usize>(&mut self, disc: &Disc, shades: &Shades, inner_squared: f64, moment: &Moment) {
        let (dx, dy) = moment.offset;
        let squared = dx * dx + dy * dy;
        if squared < inner_squared {
            return self.add_covered::<TERMS>(disc, moment);
        }
        let distance = squared.sqrt();
        let rim = (disc.radius_px - distance) / disc.blur_px;
        let (coverage, density) = normal_integral(rim);
        let (u, v) = (dx / disc.radius_px, dy / disc.radius_px);
        let hold = held(u, v);
        let terms = terms::<TERMS>(u * hold, v * hold);
        let weight = moment.share * coverage;
        self.add_terms::<TERMS>(moment, weight, &terms);
        if hold < 1.0 {
            for (i, term) in terms[..TERMS].iter().enumerate() {
                let less = weight * (1.0 - hold) * term;
                self.held[i] += less;
                self.late_held[i] += moment.part * less;
            }
        }
        let edge = moment.share * density / disc.blur_px;
        let lit = edge * product::<TERMS>(&shades.light, &terms);
        let outward = if distance > 1e-9 { (dx / distance, dy / distance) } else { (0.0, 0.0) };
        add_vector(&mut self.edge, edge, outward);
        add_vector(&mut self.lit_edge, lit, outward);
        add_vector(&mut self.late_edge, moment.part * edge, outward);
        add_vector(&mut self.late_lit_edge, moment.part * lit, outward);
        self.rim += edge;
        self.lit_rim += lit;
        self.deep_rim += edge * rim;
        self.lit_deep_rim += lit * rim;
    }
}

#[inline(always)]
fn add_vector(sum: &mut (f64, f64), weight: f64, vector: (f64, f64)) {
    sum.0 += weight * vector.0;
    sum.1 += weight * vector.1;
}

/// Light of the disc at a place in radii from its centre.
pub(super) fn light_at(disc: &Disc, u: f64, v: f64) -> f64 {
    Shades::new(&disc.shading, disc.shades).at(u, v)
}

/// Standard deviations beyond which the normal integral is taken to be nought or one.
const END: f64 = 4.2;

/// Φ(t) and its density φ(t), from a table: off by less than 2e-6.
fn normal_integral(t: f64) -> (f64, f64) {
    use std::sync::LazyLock;
    const STEPS_PER_UNIT: f64 = 256.0;
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

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::*;
    use crate::sight::disc::Stretch;
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
            let mut model = PixelModel::NOTHING;
            Exposure::new(disc, unknowns).pixel(disc, x, y, unknowns, &mut model);
            model
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
                // The table of the normal integral is linear between steps of 1/256: slopes are good to about 1e-3.
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
        fine.moments = 4000;
        fine.inner_squared = 0.0;
        for (x, y) in [(40.0, 40.0), (46.0, 33.0), (33.0, 47.0)] {
            let (mut a, mut b) = (PixelModel::NOTHING, PixelModel::NOTHING);
            quick.pixel(&disc, x, y, unknowns, &mut a);
            fine.pixel(&disc, x, y, unknowns, &mut b);
            assert!((a.ball - b.ball).abs() < 1e-6 && (a.coverage - 1.0).abs() < 1e-12, "{} {}", a.ball, b.ball);
            for (one, other) in a.ball_slopes.iter().zip(&b.ball_slopes) {
                assert!((one - other).abs() < 1e-6, "{one} {other}");
            }
        }
    }
}
