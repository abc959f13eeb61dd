//! Least squares for one disc: damped Gauss–Newton with an analytic Jacobian.
//!
//! Pixels that neither disc nor background explains (an arm, a pole, a walker behind the ball) lose their weight
//! (Geman–McClure).

use nalgebra::{DMatrix, DVector};

use super::compose::{Composer, MOST, Signal};
use super::cover::PixelModel;
use super::disc::{Disc, DiscFit, Patch, PatchPlane, Unknowns};
use super::light::Light;
use crate::units::{Covariance2, PixelPoint};

/// Residuals larger than about three times this share of the contrast belong to something else in the picture: first
/// loosely, while the disc is still finding its place, then strictly.
const MODEL_SHARES: [f64; 3] = [0.5, 0.12, 0.05];
/// While the disc is finding its place, and in the last, strict fit, which goes on from wherever the loose ones rested.
const FINDING: Patience = Patience { steps: 5, rest_px: 0.05, negligible: 1e-2 };
const LAST: Patience = Patience { steps: 12, rest_px: 2e-3, negligible: 1e-4 };
/// The same while the look is learnt, which changes on where the place rests.
const FINDING_LOOK: Patience = Patience { negligible: 1e-4, ..FINDING };
/// About how many pixels of a patch a fit with free shading uses.
const LEARNING_PIXELS: usize = 700;
/// … a fit of the place alone: a ball of 40 px and more is placed by its long rim well enough; and a disc that is still finding
/// its place.
const PLACING_PIXELS: usize = 3000;
const FINDING_PIXELS: usize = 600;
/// Share of its contrast by which chroma is off at an edge beside its noise: it is coarser, and encoders spare on it.
const CHROMA_DOUBT: f64 = 0.05;

/// When an iteration ends.
#[derive(Clone, Copy)]
struct Patience {
    /// Most steps.
    steps: usize,
    /// The disc rests when its centre would move by less than this, px, …
    rest_px: f64,
    /// … and the cost would fall by less than this share.
    negligible: f64,
}

/// Fits a disc to a patch from a starting disc near it. `None` when the fit runs away or nothing is left to fit.
pub fn fit_disc(patch: &Patch, start: &Disc, unknowns: Unknowns, light: &Light) -> Option<DiscFit> {
    let fitting = Fitting { patch, start, unknowns, light };
    let patience = if unknowns.shades > 0 { FINDING_LOOK } else { FINDING };
    let finding = |disc, share| fitting.settle(disc, share, patience);
    let (disc, _) = finding(*start, MODEL_SHARES[0])?;
    let (disc, _) = finding(disc, MODEL_SHARES[1])?;
    let (disc, state) = fitting.settle(disc, MODEL_SHARES[2], LAST)?;
    finish(patch, disc, &state, light)
}

/// What is fitted to what.
struct Fitting<'a> {
    patch: &'a Patch,
    start: &'a Disc,
    unknowns: Unknowns,
    light: &'a Light,
}

impl Fitting<'_> {
    fn normal(&self, disc: &Disc, model_share: f64) -> Option<Normal> {
        // Many unknowns are learnt from many frames, each of which need not be used to the last pixel.
        let last = if self.unknowns.shades > 0 { LEARNING_PIXELS } else { PLACING_PIXELS };
        let enough = if model_share > MODEL_SHARES[2] { FINDING_PIXELS } else { last };
        Normal::take(self.patch, disc, self.unknowns, self.light, model_share, enough)
    }

    /// Iterates until the disc rests: the next step is short and promises little.
    fn settle(&self, mut disc: Disc, model_share: f64, patience: Patience) -> Option<(Disc, Normal)> {
        let mut damping = 1e-3;
        let mut state = self.normal(&disc, model_share)?;
        for _ in 0..patience.steps {
            if damping > 1e4 {
                break;
            }
            let step = state.step(damping, self.unknowns);
            // Looked at before the step is taken: at rest the tables' coarseness makes each further one worse.
            if step.as_ref().is_some_and(|step| state.rests(step, patience)) {
                break;
            }
            // A step that can't be made, leads nowhere or makes it worse is tried again, shorter.
            let trial = step.and_then(|step| moved(&disc, &step, self.unknowns, self.start));
            let next = trial.and_then(|trial| Some((trial, self.normal(&trial, model_share)?)));
            match next {
                Some((trial, next)) if next.cost <= state.cost => {
                    (disc, state, damping) = (trial, next, (damping * 0.2).max(1e-6));
                }
                _ => damping *= 8.0,
            }
        }
        Some((disc, state))
    }
}

/// The disc after a step of its unknowns, kept within what a ball can be.
pub(super) fn moved(disc: &Disc, step: &DVector<f64>, unknowns: Unknowns, start: &Disc) -> Option<Disc> {
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
    if let Some(tint) = next.tint.as_mut().filter(|_| unknowns.tint) {
        tint.iter_mut().for_each(|part| *part = (*part + take()).clamp(-2.0, 2.0));
    }
    let sane = next.centre.x.is_finite() && next.centre.distance(start.centre) < reach;
    sane.then_some(next)
}

/// Accumulated normal equations of one disc.
struct Normal {
    count: usize,
    /// Lower triangle, in rows of `MOST`.
    matrix: [[f64; MOST]; MOST],
    right: [f64; MOST],
    cost: f64,
    weight: f64,
    weighted_squares: f64,
    /// Over the samples that depend on the disc: their shares of full weight, and the second derivatives of their costs as such shares.
    weights: f64,
    curvatures: f64,
}

impl Normal {
    /// The normal equations at `disc`, from about as many pixels as are `enough`.
    fn take(
        patch: &Patch,
        disc: &Disc,
        unknowns: Unknowns,
        light: &Light,
        model_share: f64,
        enough: usize,
    ) -> Option<Self> {
        let composer = Composer::new(patch, disc, unknowns, light);
        let mut normal = Self {
            count: composer.count(),
            matrix: [[0.0; MOST]; MOST],
            right: [0.0; MOST],
            cost: 0.0,
            weight: 0.0,
            weighted_squares: 0.0,
            weights: 0.0,
            curvatures: 0.0,
        };
        let contrast = composer.contrast();
        let every = (patch.luma.levels.len() / enough).max(1);
        let mut used = 0usize;
        let chosen = |&(column, row): &(usize, usize)| (row / 2 + column).is_multiple_of(every);
        let (mut models, mut signal) = ([PixelModel::NOTHING; 4], Signal::NOTHING);
        for (column, row) in composer.blocks().filter(chosen) {
            composer.pixels((column, row), &mut models);
            for (i, model) in models.iter().enumerate() {
                let place = (row + i / 2) * patch.width + column + i % 2;
                if patch.luma.noise[place].is_finite() {
                    composer.luma(model, patch.luma.background[place], &mut signal);
                    normal.add_sample(&patch.luma, place, &signal, 0.0, model_share * contrast[0]);
                    used += 1;
                }
            }
            let Some((planes, _)) = composer.chroma() else { continue };
            let place = row / 2 * (patch.width / 2) + column / 2;
            for (which, plane) in planes.iter().enumerate().filter(|(_, plane)| plane.noise[place].is_finite()) {
                composer.chroma_of(&models, which, plane.background[place], &mut signal);
                let contrast = contrast[1 + which];
                normal.add_sample(plane, place, &signal, CHROMA_DOUBT * contrast, model_share * contrast);
            }
        }
        (used > normal.count + 3).then_some(normal)
    }

    /// Adds a sample; `doubt` is what the model may be off beside noise, `tolerated` what it may be off before the sample counts
    /// as something else in the picture, both in levels.
    fn add_sample(&mut self, plane: &PatchPlane, place: usize, signal: &Signal, doubt: f64, tolerated: f64) {
        let residual = f64::from(plane.levels[place]) - signal.level;
        let variance = f64::from(plane.noise[place]).powi(2) + doubt * doubt;
        // Geman–McClure: full weight well inside the spread, none far outside; the cost it belongs to stays bounded.
        let spread = 9.0 * (variance + tolerated * tolerated);
        let ratio = residual * residual / spread;
        let share = (1.0 + ratio).powi(-2);
        let weight = share / variance;
        self.cost += residual * residual / (1.0 + ratio) / variance;
        self.weight += weight * variance;
        self.weighted_squares += weight * residual * residual;
        let slopes = &signal.slopes[..self.count];
        if slopes.iter().all(|value| *value == 0.0) {
            return;
        }
        self.weights += share;
        self.curvatures += share * (1.0 - 3.0 * ratio) / (1.0 + ratio);
        for (i, by) in slopes.iter().enumerate() {
            let scaled = weight * by;
            self.right[i] += scaled * residual;
            for (sum, other) in self.matrix[i].iter_mut().zip(&slopes[..=i]) {
                *sum += scaled * other;
            }
        }
    }

    /// The whole matrix with `damping` added to its diagonal, in its own terms and in terms of its largest.
    fn damped(&self, damping: f64, of_largest: f64) -> DMatrix<f64> {
        let largest = (0..self.count).map(|i| self.matrix[i][i]).fold(0.0, f64::max);
        DMatrix::from_fn(self.count, self.count, |i, j| {
            let value = self.matrix[i.max(j)][i.min(j)];
            if i == j { value * (1.0 + damping) + of_largest * largest } else { value }
        })
    }

    /// Whether a step leads nowhere: its product with the right side is half of what the cost falls by at most.
    fn rests(&self, step: &DVector<f64>, patience: Patience) -> bool {
        let promised: f64 = 2.0 * step.iter().zip(&self.right).map(|(step, right)| step * right).sum::<f64>();
        step[0].hypot(step[1]) < patience.rest_px && promised < patience.negligible * self.cost
    }

    /// The next step of the disc.
    ///
    /// Weights that fall with the residual bend the cost less than they weigh: steps by weight alone leave about half of the way each
    /// time. The mean bend, as a share of the mean weight, makes up for that where the place alone is sought; of the many unknowns of a look
    /// not all are bent alike, and longer steps lead astray.
    fn step(&self, damping: f64, unknowns: Unknowns) -> Option<DVector<f64>> {
        const LEAST_BEND: f64 = 0.4;
        let bend =
            if unknowns.shades > 0 { 1.0 } else { (self.curvatures / self.weights.max(1e-9)).clamp(LEAST_BEND, 1.0) };
        let right = DVector::from_column_slice(&self.right[..self.count]) / bend;
        Some(self.damped(damping, 1e-12).cholesky()?.solve(&right))
    }
}

fn finish(patch: &Patch, disc: Disc, state: &Normal, light: &Light) -> Option<DiscFit> {
    /// An encoder's noise reaches over neighbouring pixels: about two of them say what one would.
    const CORRELATION: f64 = 2.0;
    // Radius, blur and a short streak are nearly the same to a small disc: a touch of damping keeps their matrix invertible,
    // and leaves the place, which the rim fixes well, as it is.
    let inverse = state.damped(0.0, 1e-9).cholesky()?.inverse();
    let misfit2 = (state.weighted_squares / state.weight.max(1e-9)).max(0.0);
    let scale = misfit2.max(1.0) * CORRELATION;
    let covariance_px2 =
        Covariance2 { xx: inverse[(0, 0)] * scale, xy: inverse[(1, 0)] * scale, yy: inverse[(1, 1)] * scale };
    let composer = Composer::new(patch, &disc, Unknowns::PLACE, light);
    let likeness = Likeness::of(patch, &composer);
    let contrast = composer.contrast();
    let noise = |plane: &PatchPlane| {
        f64::from(plane.noise.iter().copied().filter(|noise| noise.is_finite()).fold(0.0f32, f32::max).max(0.3))
    };
    let chroma = composer.chroma().map_or([0.0; 2], |(planes, _)| [0, 1].map(|i| contrast[1 + i] / noise(&planes[i])));
    let signal_to_noise = (contrast[0] / noise(&patch.luma)).hypot(chroma[0]).hypot(chroma[1]);
    (covariance_px2.xx > 0.0 && covariance_px2.yy > 0.0).then_some(DiscFit {
        disc,
        covariance_px2,
        misfit: misfit2.sqrt(),
        explained: likeness.all.explained(),
        explained_in_view: likeness.in_view.explained(),
        visible: likeness.visible,
        shown: likeness.shown,
        signal_to_noise,
    })
}

/// How well a patch looks like the disc.
struct Likeness {
    /// What the disc explains inside it, and in the part of it that looks like the ball.
    all: Squares,
    in_view: Squares,
    /// Share of its area that looks like the ball, and that shows it against something else.
    visible: f64,
    shown: f64,
}

/// Squared departures from the background without the disc and with it, levels².
#[derive(Clone, Copy, Default)]
struct Squares {
    without: f64,
    with: f64,
}

impl Squares {
    fn add(&mut self, departures: impl Iterator<Item = Departure>) {
        for one in departures {
            self.without += one.seen * one.seen;
            self.with += (one.seen - one.expected).powi(2);
        }
    }

    /// Share of the departure that the disc explains, up to 1.
    fn explained(&self) -> f64 {
        if self.without > 0.0 { 1.0 - self.with / self.without } else { 0.0 }
    }
}

/// A sample's departure from the background, as seen and as expected, levels; and its noise.
#[derive(Clone, Copy)]
struct Departure {
    seen: f64,
    expected: f64,
    noise: f64,
}

impl Departure {
    fn of(plane: &PatchPlane, place: usize, signal: &Signal) -> Self {
        let background = f64::from(plane.background[place]);
        let seen = f64::from(plane.levels[place]) - background;
        Self { seen, expected: signal.level - background, noise: f64::from(plane.noise[place]) }
    }
}

impl Likeness {
    fn of(patch: &Patch, composer: &Composer<'_>) -> Self {
        /// Share of its greatest contrast above which the ball shows.
        const SHOWS: f64 = 0.35;
        let (mut all, mut in_view) = (Squares::default(), Squares::default());
        let (mut area, mut area_in_view) = (0.0, 0.0);
        // Covered area that looks like the ball, with the contrast expected there.
        let mut alike: Vec<(f64, f64)> = Vec::new();
        let mut greatest = 0.0f64;
        let (mut models, mut signal) = ([PixelModel::NOTHING; 4], Signal::NOTHING);
        for (column, row) in composer.blocks() {
            composer.pixels((column, row), &mut models);
            let chroma = chroma_departures(patch, composer, &models, (column, row));
            for (i, model) in models.iter().enumerate().filter(|(_, model)| model.coverage >= 0.02) {
                let place = (row + i / 2) * patch.width + column + i % 2;
                area += model.coverage;
                if !patch.luma.noise[place].is_finite() {
                    continue;
                }
                composer.luma(model, patch.luma.background[place], &mut signal);
                let here = || chroma.iter().copied().chain([Departure::of(&patch.luma, place, &signal)]);
                all.add(here());
                let expected = contrast(here());
                greatest = greatest.max(if model.coverage > 0.5 { expected / model.coverage } else { 0.0 });
                if looks_like_ball(here()) {
                    in_view.add(here());
                    area_in_view += model.coverage;
                    alike.push((model.coverage, expected / model.coverage));
                }
            }
        }
        let area_shown: f64 =
            alike.iter().filter(|(_, expected)| *expected > SHOWS * greatest).map(|(area, _)| area).sum();
        let share = |part: f64| if area > 0.0 { part / area } else { 0.0 };
        Self { all, in_view, visible: share(area_in_view), shown: share(area_shown) }
    }
}

fn chroma_departures(
    patch: &Patch,
    composer: &Composer<'_>,
    models: &[PixelModel; 4],
    (column, row): (usize, usize),
) -> Vec<Departure> {
    let Some((planes, _)) = composer.chroma() else { return Vec::new() };
    let place = row / 2 * (patch.width / 2) + column / 2;
    let known = planes.iter().enumerate().filter(|(_, plane)| plane.noise[place].is_finite());
    known
        .map(|(which, plane)| {
            let mut signal = Signal::NOTHING;
            composer.chroma_of(models, which, plane.background[place], &mut signal);
            Departure::of(plane, place, &signal)
        })
        .collect()
}

/// Departure that the ball is expected to make, in units of noise.
fn contrast(departures: impl Iterator<Item = Departure>) -> f64 {
    departures.map(|one| (one.expected / one.noise).powi(2)).sum::<f64>().sqrt()
}

/// Halfway between background and ball, or better, counts as ball; all signals together, in units of their noise.
fn looks_like_ball(departures: impl Iterator<Item = Departure>) -> bool {
    let (mut off, mut expected, mut count) = (0.0, 0.0, 0.0);
    for one in departures {
        off += ((one.seen - one.expected) / one.noise).powi(2);
        expected += (one.expected / one.noise).powi(2);
        count += 1.0f64;
    }
    off.sqrt() < 0.5 * expected.sqrt() + 1.5 * count.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::Transfer;
    use crate::sight::disc::{SHADES, Shading, Stretch};

    /// The disc drawn over a wall: luma by `texture`, and grey.
    fn patch_of(disc: &Disc, light: &Light, texture: impl Fn(f64, f64) -> f32) -> Patch {
        let (width, height) = (64, 48);
        let plane = |size: usize, level: f32| PatchPlane {
            levels: vec![level; size],
            background: vec![level; size],
            noise: vec![1.0; size],
        };
        let mut patch = Patch { left: -4, top: 4, width, height, luma: plane(width * height, 0.0), chroma: None };
        patch.chroma = disc.tint.map(|_| [0, 1].map(|_| plane(width * height / 4, 128.0)));
        for place in 0..width * height {
            patch.luma.background[place] = texture((place % width) as f64 - 4.0, (place / width) as f64 + 4.0);
        }
        let mut drawn = patch.clone();
        drawn.luma.levels.copy_from_slice(&patch.luma.background);
        let composer = Composer::new(&patch, disc, Unknowns::PLACE, light);
        let (mut models, mut signal) = ([PixelModel::NOTHING; 4], Signal::NOTHING);
        for (column, row) in composer.blocks() {
            composer.pixels((column, row), &mut models);
            for (i, model) in models.iter().enumerate() {
                let place = (row + i / 2) * width + column + i % 2;
                composer.luma(model, patch.luma.background[place], &mut signal);
                drawn.luma.levels[place] = signal.level as f32;
            }
            for (which, plane) in drawn.chroma.iter_mut().flatten().enumerate() {
                composer.chroma_of(&models, which, 128.0, &mut signal);
                plane.levels[row / 2 * (width / 2) + column / 2] = signal.level as f32;
            }
        }
        drawn
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
            tint: None,
        }
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
            shading: shading(&[0.45]),
            shades: 1,
            ..truth
        };
        let unknowns = Unknowns { radius: true, blur: true, streak: true, shades: SHADES, tint: false };
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
            for column in 37..patch.width {
                patch.luma.levels[row * patch.width + column] = 60.0;
            }
        }
        let start = Disc { centre: PixelPoint::new(26.9, 26.9), ..truth };
        let fit = fit_disc(&patch, &start, Unknowns::PLACE, &light).unwrap();
        // The blurred edge of the pole keeps some weight and pulls by up to a tenth of a pixel; unweighted it would be 1 px.
        assert!(fit.disc.centre.distance(truth.centre) < 0.12, "{:?}", fit.disc);
        // A chord 5.7 px right of the centre of a disc of 9.2 px leaves 86 % of it in view.
        assert!((fit.visible - 0.86).abs() < 0.05, "{}", fit.visible);
    }

    /// A ball half before a tube of its own level: all of it looks like the ball, and half of it shows that it is there.
    #[test]
    fn what_looks_like_the_ball_without_it_shows_nothing() {
        let light = Light::new(Transfer::Bt709);
        let (ball_level, wall) = (60.0, 150.0);
        let level = f64::from(light.linear(ball_level));
        let truth = Disc { streak_px: (0.0, 0.0), shading: shading(&[level]), shades: 1, ..ball() };
        let patch = patch_of(&truth, &light, |x, _| if x < 27.3 { ball_level } else { wall });
        let fit = fit_disc(&patch, &truth, Unknowns::PLACE, &light).unwrap();
        assert!(fit.visible > 0.97, "{}", fit.visible);
        // The tube's edge passes through the middle of the disc, to half a column of some sixteen.
        assert!((fit.shown - 0.5).abs() < 0.04, "{}", fit.shown);
    }

    /// An orange ball whose dark side is as bright as the grey wall: in luma alone it seems smaller and farther to the light.
    #[test]
    fn colour_shows_the_rim_that_luma_does_not() {
        let light = Light::new(Transfer::Bt709);
        let wall = 125.0;
        let level = f64::from(light.linear(wall));
        let lit = shading(&[level + 0.12, -0.09, -0.09]);
        let truth = Disc { streak_px: (0.0, 0.0), shading: lit, shades: 3, tint: Some([-0.35, 0.4]), ..ball() };
        let patch = patch_of(&truth, &light, |_, _| wall);
        let start = Disc {
            centre: PixelPoint::new(26.7, 26.3),
            radius_px: 8.0,
            shading: shading(&[level + 0.15]),
            shades: 1,
            tint: Some([-0.3, 0.3]),
            ..truth
        };
        let unknowns = Unknowns { radius: true, blur: false, streak: false, shades: 6, tint: true };
        let fit = fit_disc(&patch, &start, unknowns, &light).unwrap();
        // Noise-free, with the true model: as near as the iterations go.
        assert!(fit.disc.centre.distance(truth.centre) < 0.02, "{:?}", fit.disc);
        assert!((fit.disc.radius_px - truth.radius_px).abs() < 0.05, "{:?}", fit.disc);
    }
}
