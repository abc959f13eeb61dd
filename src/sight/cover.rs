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

/// The shading of a disc, made ready: its own weights, and those of its slopes by u and v, which are polynomials of one
/// degree less.
///
/// The terms are uⁱ·vʲ by rising degree d = i + j, within a degree by rising j; that of number j in degree d stands at
/// d·(d + 1)/2 + j.
struct Shades {
    count: usize,
    light: Shading,
    by_u: [f64; SLOPE_TERMS],
    by_v: [f64; SLOPE_TERMS],
}

impl Shades {
    fn new(shading: &Shading, count: usize) -> Self {
        let light = std::array::from_fn(|term| if term < count.max(1) { shading[term] } else { 0.0 });
        let mut shades = Self { count, light, by_u: [0.0; SLOPE_TERMS], by_v: [0.0; SLOPE_TERMS] };
        for degree in 1..=4 {
            let (own, below) = (degree * (degree + 1) / 2, degree * (degree - 1) / 2);
            for j in 0..degree {
                shades.by_u[below + j] = (degree - j) as f64 * light[own + j];
                shades.by_v[below + j] = (j + 1) as f64 * light[own + j + 1];
            }
        }
        shades
    }

    fn at(&self, u: f64, v: f64) -> Shade {
        // Loops of a known length unroll: this is called for every pixel and every part of a streak.
        match self.count {
            0 | 1 => Shade { terms: EVEN, light: self.light[0], by_u: 0.0, by_v: 0.0 },
            2..=6 => self.polynomial::<6, 3>(u, v),
            _ => self.polynomial::<SHADES, SLOPE_TERMS>(u, v),
        }
    }

    /// With the first `TERMS` terms, and `SLOPES` of the slopes. Just outside the rim the polynomial must not run away, and it is
    /// held at a little over one radius.
    fn polynomial<const TERMS: usize, const SLOPES: usize>(&self, u: f64, v: f64) -> Shade {
        let squared = u * u + v * v;
        let hold = if squared > 1.1 * 1.1 { 1.1 / squared.sqrt() } else { 1.0 };
        let (u, v) = (u * hold, v * hold);
        let mut terms = EVEN;
        let mut degree = 1;
        while degree * (degree + 1) / 2 < TERMS {
            let (own, below) = (degree * (degree + 1) / 2, degree * (degree - 1) / 2);
            for j in 0..degree {
                terms[own + j] = u * terms[below + j];
            }
            terms[own + degree] = v * terms[below + degree - 1];
            degree += 1;
        }
        Shade {
            light: product::<TERMS>(&self.light, &terms),
            by_u: hold * product::<SLOPES>(&self.by_u, &terms),
            by_v: hold * product::<SLOPES>(&self.by_v, &terms),
            terms,
        }
    }
}

/// The terms of an even disc.
const EVEN: [f64; SHADES] = {
    let mut terms = [0.0; SHADES];
    terms[0] = 1.0;
    terms
};

/// Sum of the first `N` products, in four sums that the processor adds side by side.
fn product<const N: usize>(weights: &[f64], terms: &[f64; SHADES]) -> f64 {
    let mut sums = [0.0; 4];
    for (i, (weight, term)) in weights[..N].iter().zip(&terms[..N]).enumerate() {
        sums[i % 4] += weight * term;
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3])
}

/// Places along a streak, −½ to ½, and their shares, by which the mean of a polynomial up to the fifth degree is had (Gauss–Legendre with
/// three nodes, ±√(3/5); NIST Digital Library of Mathematical Functions, 3.5(v); from memory, checked below against a fine comb). That of the shading is of the fourth, and a
/// streak's slope of one more.
const INNER: [(f64, f64); 3] = {
    const NODE: f64 = 0.387_298_334_620_741_7;
    [(-NODE, 5.0 / 18.0), (0.0, 8.0 / 18.0), (NODE, 5.0 / 18.0)]
};

/// The places of the centre during the exposure, relative to mid-exposure.
pub(super) struct Exposure {
    parts: Vec<f64>,
    /// Square of the distance from the centre within which the ball covers all of a pixel, px²; nought where it doesn't anywhere.
    inner_squared: f64,
    shades: Shades,
    /// Direction of the streak.
    along: (f64, f64),
    /// Square of the greatest distance from the centre at which the ball still covers anything, px².
    reach_squared: f64,
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
        let reach = disc.stretch.factor.max(1.0) * (disc.radius_px + 4.0 * disc.blur_px);
        Self {
            parts: (0..count).map(|i| (i as f64 + 0.5) / count as f64 - 0.5).collect(),
            inner_squared: (disc.radius_px - END * disc.blur_px).max(0.0).powi(2),
            shades: Shades::new(&disc.shading, disc.shades.max(unknowns.shades)),
            along: (disc.streak_px.0 / length.max(1e-9), disc.streak_px.1 / length.max(1e-9)),
            reach_squared: reach * reach,
            used: (unknowns.outline(), unknowns.outline() + unknowns.light()),
        }
    }

    pub(super) fn pixel(&self, disc: &Disc, x: f64, y: f64, unknowns: Unknowns, model: &mut PixelModel) {
        (model.coverage, model.ball) = (0.0, 0.0);
        model.coverage_slopes[..self.used.0].fill(0.0);
        model.ball_slopes[..self.used.1].fill(0.0);
        let from_centre =
            |part: f64| (x - disc.centre.x - part * disc.streak_px.0, y - disc.centre.y - part * disc.streak_px.1);
        let mut add = |part: f64, share: f64, offset: (f64, f64)| {
            let moment = Moment { offset: disc.stretch.undo(offset), share, part, along: self.along };
            moment.add_to(model, disc, unknowns, &self.shades);
        };
        let within = |part: f64| {
            let (dx, dy) = disc.stretch.undo(from_centre(part));
            dx * dx + dy * dy < self.inner_squared
        };
        // Covered from beginning to end, a pixel sees the shading alone, which a few moments tell exactly.
        if self.parts.len() > INNER.len() && within(-0.5) && within(0.5) {
            for (part, share) in INNER {
                add(part, share, from_centre(part));
            }
            return;
        }
        let share = 1.0 / self.parts.len() as f64;
        for &part in &self.parts {
            let (dx, dy) = from_centre(part);
            if dx * dx + dy * dy <= self.reach_squared {
                add(part, share, (dx, dy));
            }
        }
    }
}

/// One moment of the exposure.
struct Moment {
    /// From the centre to the pixel, px, perspective's stretch undone.
    offset: (f64, f64),
    /// Of the exposure.
    share: f64,
    /// Where on the streak, −½ to ½.
    part: f64,
    /// The streak's direction.
    along: (f64, f64),
}

impl Moment {
    fn add_to(&self, model: &mut PixelModel, disc: &Disc, unknowns: Unknowns, shades: &Shades) {
        let (radius, blur, share) = (disc.radius_px, disc.blur_px, self.share);
        let (dx, dy) = self.offset;
        let distance = (dx * dx + dy * dy).sqrt();
        let rim = (radius - distance) / blur;
        let (coverage, density) = normal_integral(rim);
        if coverage == 0.0 {
            return;
        }
        let (u, v) = (dx / radius, dy / radius);
        let Shade { terms, light, by_u, by_v } = shades.at(u, v);
        model.coverage += share * coverage;
        model.ball += share * coverage * light;
        let edge = share * density / blur;
        let body = share * coverage / radius;
        let outward = if distance > 1e-9 { (dx / distance, dy / distance) } else { (0.0, 0.0) };
        let cover_by = disc.stretch.undo((edge * outward.0, edge * outward.1));
        let ball_by =
            disc.stretch.undo((edge * light * outward.0 - body * by_u, edge * light * outward.1 - body * by_v));
        let mut place = 0;
        let mut put = |cover: f64, ball: f64| {
            model.coverage_slopes[place] += cover;
            model.ball_slopes[place] += ball;
            place += 1;
        };
        put(cover_by.0, ball_by.0);
        put(cover_by.1, ball_by.1);
        if unknowns.radius {
            put(edge, edge * light - body * (by_u * u + by_v * v));
        }
        if unknowns.blur {
            put(-edge * rim, -edge * rim * light);
        }
        if unknowns.streak {
            let (ax, ay) = (self.part * self.along.0, self.part * self.along.1);
            put(cover_by.0 * ax + cover_by.1 * ay, ball_by.0 * ax + ball_by.1 * ay);
        }
        if unknowns.shades == 0 {
            model.ball_slopes[place] += share * coverage * light;
        }
        for (slope, term) in model.ball_slopes[place..].iter_mut().zip(&terms[..unknowns.shades]) {
            *slope += share * coverage * term;
        }
    }
}

/// The shading at a place of the disc.
struct Shade {
    terms: [f64; SHADES],
    light: f64,
    by_u: f64,
    by_v: f64,
}

/// Light of the disc at a place in radii from its centre.
pub(super) fn light_at(disc: &Disc, u: f64, v: f64) -> f64 {
    Shades::new(&disc.shading, disc.shades).at(u, v).light
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
        let count = 4000;
        fine.parts = (0..count).map(|i| (f64::from(i) + 0.5) / f64::from(count) - 0.5).collect();
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
