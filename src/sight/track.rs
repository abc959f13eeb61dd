//! From an arc of blobs to sightings, in the arc's frames, in its gaps, and beyond its ends until the ball isn't there.
//!
//! Each arc is followed twice. What is opaque tells whether a thing is there ([`region`](super::region)). A disc whose look is
//! learnt from the flight itself ([`look`](super::look)) tells its place ten times more finely, where it fits.

use rayon::prelude::*;

use crate::sight::arcs::{Arc, median};
use crate::sight::blobs::Blob;
use crate::sight::cutout::{cut_out, cut_out_with};
use crate::sight::disc::{Disc, DiscFit, Patch, Unknowns, fit_disc};
use crate::sight::light::Light;
use crate::sight::look::{BallLook, Known, Lens, guess_ball, learn_ball};
use crate::sight::region::{self, fit_region};
use crate::sight::smooth::{Place, SmoothPath, free_run};
use crate::sight::watch::Window;
use crate::units::PixelPoint;

/// Frames before the first sighting in which the ball is looked for.
const BEYOND: usize = 12;
/// Least share of the ball in view for a sighting: below it, more is guessed than seen.
const LEAST_VISIBLE: f64 = 0.4;
/// Fewest sightings of a track.
pub const FEWEST_SIGHTINGS: usize = 4;

/// A refined sighting, still by its place in the window.
#[derive(Debug, Clone)]
pub struct Refined {
    pub place: usize,
    pub fit: DiscFit,
}

/// By how much the share in view varies by noise.
const HIDDEN_BY_NOISE: f64 = 0.02;

impl Refined {
    /// Widens the place by what a thing that hides this share of the disc draws it aside: a tube's mouth, a cup or a bucket's rim.
    fn widen(&mut self, hidden: f64) {
        /// Standard deviation of the place over hidden share times radius: rendered tubes and buckets drew it by 0.4 to 0.7.
        const DRAWN: f64 = 0.5;
        let variance = (DRAWN * (hidden - HIDDEN_BY_NOISE).max(0.0) * self.fit.disc.radius_px).powi(2);
        self.fit.covariance_px2.xx += variance;
        self.fit.covariance_px2.yy += variance;
    }
}

/// A flight as the pictures tell it.
#[derive(Debug, Clone)]
pub struct Track {
    pub refined: Vec<Refined>,
    pub ball: BallLook,
    /// Places of the frames next before and after the flight in which the ball was looked for and not found on the path;
    /// `None` when the window or the picture ends there.
    pub not_yet: Option<usize>,
    /// Acceleration in the picture, px/s² of the clock in use.
    pub fall_px_per_s2: (f64, f64),
}

/// An arc that the pictures bear out so far.
#[derive(Debug, Clone)]
pub struct Followed {
    guess: BallLook,
    /// The flight of what is opaque; `None` where no region stands out, and an evenly shaded disc alone may tell.
    pub region: Option<Track>,
}

/// Follows what is opaque on an arc, whatever it looks like ([`region`]). `None` when the pictures don't bear it out.
pub fn follow(window: &Window, arc: &Arc, times_s: &[f64], light: &Light, lens: Lens) -> Option<Followed> {
    /// An arc from which on a disc is looked for where no region stands out: small and faint balls.
    const CLEAR_LOG10: f64 = -15.0;
    let guess = guess_ball(window, arc, times_s, light, lens);
    let region = region_track(guess, window, arc, times_s, light);
    (region.is_some() || arc.log10_chance <= CLEAR_LOG10).then_some(Followed { guess, region })
}

/// Places the thing as a disc where it looks like one all along: its places are then known twenty times better ([`disc`](super::disc)).
pub fn refine(followed: Followed, window: &Window, arc: &Arc, times_s: &[f64], light: &Light) -> Option<Track> {
    let scatter = followed.region.as_ref().and_then(|region| scatter_px(&places(&region.refined, times_s)));
    let most_px = scatter.map_or(f64::INFINITY, most_scatter_px);
    let disc = disc_track(followed.guess, window, arc, times_s, light, most_px);
    match (disc, followed.region) {
        (Some(disc), Some(region)) => Some(together(disc, region, times_s)),
        (disc, region) => disc.or(region),
    }
}

/// The better of two tracks of one thing, with what only the other has where both agree.
fn together(mut disc: Track, region: Track, times_s: &[f64]) -> Track {
    /// Share of the region's frames in which the disc must have been found.
    const MOSTLY: f64 = 0.8;
    /// A place beyond the disc's path by more than this, in its standard uncertainties, isn't added.
    const AGREES: f64 = 3.0;
    /// Standard uncertainty over the radius of a place that is added at an end.
    const WELL_KNOWN: f64 = 0.15;
    let has = |track: &Track, place: usize| track.refined.binary_search_by_key(&place, |one| one.place).is_ok();
    let common = region.refined.iter().filter(|one| has(&disc, one.place)).count();
    let scatter = |track: &Track| scatter_px(&places(&track.refined, times_s)).unwrap_or(f64::INFINITY);
    if (common as f64) < MOSTLY * region.refined.len() as f64 || scatter(&disc) > most_scatter_px(scatter(&region)) {
        return region;
    }
    let Some(path) = SmoothPath::flight(&places(&disc.refined, times_s)) else { return disc };
    let middle = disc.refined[disc.refined.len() / 2].place;
    // From the middle outwards, so that what is added at an end can be gone on from.
    let (before, after) = region.refined.split_at(region.refined.partition_point(|one| one.place < middle));
    for one in after.iter().chain(before.iter().rev()) {
        let Err(at) = disc.refined.binary_search_by_key(&one.place, |other| other.place) else { continue };
        let place = places(std::slice::from_ref(one), times_s)[0];
        let inside = (1..disc.refined.len()).contains(&at);
        let nearest = disc.refined[at.saturating_sub(1)].place;
        let goes_on = nearest.abs_diff(one.place) == 1 && place.sigma_px < WELL_KNOWN * one.fit.disc.radius_px;
        if (inside || goes_on) && path.distance(&place) < AGREES * place.sigma_px.hypot(path.sigma_px(place.time_s)) {
            disc.refined.insert(at, one.clone());
        }
    }
    disc
}

/// Scatter from which on a disc is no model of a thing whose region scatters by so much: its print turns.
fn most_scatter_px(of_region_px: f64) -> f64 {
    const MUCH: f64 = 2.5;
    const MUCH_PX: f64 = 0.25;
    MUCH * of_region_px + MUCH_PX
}

/// The flight of whatever is opaque on an arc.
fn region_track(guess: BallLook, window: &Window, arc: &Arc, times_s: &[f64], light: &Light) -> Option<Track> {
    let known = known_places(arc, times_s);
    let mut ball = guess;
    ball.tint = Some([0.0; 2]);
    let undiluted = arc.blobs.iter().zip(&known).map(|(blob, one)| {
        let disc = ball.disc(one.centre, one.velocity, times_s[one.place]);
        arc.blob_departure(blob) / region::dilution(&disc)
    });
    let typical = median(undiluted.collect());
    let step = known.len().div_ceil(RADIUS_FROM).max(1);
    let radii: Vec<f64> = known
        .iter()
        .step_by(step)
        .filter_map(|one| {
            let disc = ball.disc(one.centre, one.velocity, times_s[one.place]);
            region::covering_radius(&region_patch(window, one.place, &disc)?, &disc, typical * region::dilution(&disc))
        })
        .collect();
    if radii.is_empty() {
        return None;
    }
    ball.radius_px = median(radii).clamp(0.6 * ball.radius_px, 1.5 * ball.radius_px).max(1.0);
    let (refiner, refined) = Refiner::begin(window, times_s, light, ball, How::Region { typical }, &known);
    let refined = refiner.follow(refined)?;
    finish(&refiner, refined)
}

/// Most blobs whose size tells that of the thing.
const RADIUS_FROM: usize = 12;

fn region_patch(window: &Window, place: usize, disc: &Disc) -> Option<Patch> {
    cut_out_with(window, place, disc, disc.radius_px + 10.0)
}

fn known_places(arc: &Arc, times_s: &[f64]) -> Vec<Known> {
    let known = |blob: &Blob| Known {
        place: blob.frame,
        centre: blob.centre,
        velocity: arc.path.velocity(times_s[blob.frame]),
    };
    arc.blobs.iter().map(known).collect()
}

/// The flight of an evenly shaded disc.
///
/// A ball that luma shows must be borne out by luma alone: limbs have colour too. Where colour sets the rim off as well, the
/// places that both signals give together are taken, unless they scatter more. One that scatters by more than `most_px` is given up early.
fn disc_track(
    guess: BallLook,
    window: &Window,
    arc: &Arc,
    times_s: &[f64],
    light: &Light,
    most_px: f64,
) -> Option<Track> {
    if guess.tint.is_none() {
        return refine_with(guess, window, arc, times_s, light, most_px);
    }
    let mut in_luma = guess;
    in_luma.tint = None;
    let plain = refine_with(in_luma, window, arc, times_s, light, most_px);
    if plain.is_none() && guess.shows_in_luma {
        return None;
    }
    let coloured = refine_with(guess, window, arc, times_s, light, most_px);
    match (coloured, plain) {
        (Some(coloured), Some(plain)) => Some(if is_better(&coloured, &plain, times_s) { coloured } else { plain }),
        (coloured, plain) => coloured.or(plain),
    }
}

/// Whether a track from luma and chroma is to be preferred to that from luma alone: where it scatters less in the frames that
/// both have. Before a wall as bright as the ball, luma loses frames.
fn is_better(coloured: &Track, plain: &Track, times_s: &[f64]) -> bool {
    /// Luma finds the ball in some frames where the launcher still holds it.
    const MAY_MISS: f64 = 0.1;
    /// By how much more it may scatter for each frame that luma lost, and at most.
    const WORTH: f64 = 0.1;
    const MOST: f64 = 2.0;
    let scatter = |track: &Track, other: &Track| {
        let common = |one: &&Refined| other.refined.binary_search_by_key(&one.place, |other| other.place).is_ok();
        let common: Vec<Refined> = track.refined.iter().filter(common).cloned().collect();
        scatter_px(&places(&common, times_s)).unwrap_or(f64::INFINITY)
    };
    let enough = coloured.refined.len() as f64 >= (1.0 - MAY_MISS) * plain.refined.len() as f64;
    let gained = coloured.refined.len().saturating_sub(plain.refined.len());
    enough && scatter(coloured, plain) <= (1.0 + WORTH * gained as f64).min(MOST) * scatter(plain, coloured)
}

fn refine_with(
    guess: BallLook,
    window: &Window,
    arc: &Arc,
    times_s: &[f64],
    light: &Light,
    most_px: f64,
) -> Option<Track> {
    let known = known_places(arc, times_s);
    let ball = learn_ball(window, &known, times_s, guess, light)?;
    let (refiner, refined) = Refiner::begin(window, times_s, light, ball, How::Disc, &known);
    let refined = refiner.keep_free_flight(refined)?;
    if scatter_px(&places(&refined, times_s))? > most_px {
        return None;
    }
    let refined = refiner.follow(refined)?;
    if refined.len() * 4 < arc.blobs.len() * 5 {
        return finish(&refiner, refined);
    }
    // The arc's blobs covered a part of the flight only: learn once more, from all of it.
    let path = refiner.path(&refined)?;
    let known: Vec<Known> = refined
        .iter()
        .map(|one| Known { place: one.place, centre: one.fit.disc.centre, velocity: path.velocity(times_s[one.place]) })
        .collect();
    let ball = learn_ball(window, &known, times_s, ball, light)?;
    let (refiner, refined) = Refiner::begin(window, times_s, light, ball, How::Disc, &known);
    let refined = refiner.follow(refined)?;
    finish(&refiner, refined)
}

fn finish(refiner: &Refiner<'_>, mut refined: Vec<Refined>) -> Option<Track> {
    refiner.doubt_the_ends(&mut refined);
    refiner.drop_unknown_ends(&mut refined);
    doubt_by_scatter(&mut refined, refiner.times_s);
    let not_yet = refiner.not_yet(&refined)?;
    let places = places(&refined, refiner.times_s);
    let fall_px_per_s2 = SmoothPath::fit(&places, 2)?.acceleration();
    let radius_px = refiner.ball.radius_px;
    let span = refined.last()?.place - refined[0].place + 1;
    let mostly_seen = 2 * refined.len() > span;
    let credible = mostly_seen && is_a_fall(&places, fall_px_per_s2, radius_px) && holds_together(&places, radius_px);
    (refined.len() >= FEWEST_SIGHTINGS && credible).then_some(Track {
        refined,
        ball: refiner.ball,
        not_yet,
        fall_px_per_s2,
    })
}

/// Leaves out a first or last sighting that is alone beyond a gap, in a flight that has hardly any: something else that moves lay on the path.
fn drop_lone_ends(refined: &mut Vec<Refined>) {
    /// Share of its frames in which a flight without gaps is seen.
    const WHOLE: f64 = 0.9;
    let whole = |part: &[Refined]| match part {
        [first, .., last] => part.len() as f64 >= WHOLE * (last.place - first.place + 1) as f64,
        _ => false,
    };
    if let [first, rest @ ..] = refined.as_slice()
        && whole(rest)
        && rest[0].place > first.place + 1
    {
        refined.remove(0);
    }
    if let [rest @ .., last] = refined.as_slice()
        && whole(rest)
        && last.place > rest[rest.len() - 1].place + 1
    {
        refined.pop();
    }
}

/// Widens all places by how much more they scatter about a smooth path than they say: seams that turn and an encoder aren't in the model.
fn doubt_by_scatter(refined: &mut [Refined], times_s: &[f64]) {
    let all = places(refined, times_s);
    let Some(path) = SmoothPath::flight(&all) else { return };
    let freedom = path.freedom(all.len());
    if freedom < 2.0 {
        return;
    }
    // The median of the squares, so that an odd place doesn't speak for all: that of chi-squared with two degrees of freedom is 1.386.
    let squares = all.iter().map(|place| (path.distance(place) / place.sigma_px).powi(2)).collect();
    let ratio = median(squares) / 1.386 * (2.0 * all.len() as f64 / freedom);
    if ratio > 1.0 {
        for one in refined {
            let covariance = &mut one.fit.covariance_px2;
            (covariance.xx, covariance.xy, covariance.yy) =
                (covariance.xx * ratio, covariance.xy * ratio, covariance.yy * ratio);
        }
    }
}

/// Whether refined places still tell of a fall: a spot that flickers on one place, or a thing that slides along a line,
/// can pass for an arc of blobs but not here. (Walkers' heads were met that nod by up to a third of their radius. In
/// five frames of thirty a second a ball of 40 mm sags by its radius; one of 240 mm needs seven to sag by four tenths of it.)
fn is_a_fall(places: &[Place], (ax, ay): (f64, f64), radius_px: f64) -> bool {
    let travelled: f64 = places.windows(2).map(|pair| pair[0].centre.distance(pair[1].centre)).sum();
    let duration_s = places[places.len() - 1].time_s - places[0].time_s;
    let sag = ay * duration_s * duration_s / 8.0;
    travelled > (4.0 * radius_px).max(12.0) && sag > (0.4 * radius_px).max(1.5) && ax.abs() < 0.7 * ay
}

/// Whether the places scatter about a smooth path by no more than a ball's centre does: part of a pixel, and of a ball whose
/// pattern turns as it flies.
fn holds_together(places: &[Place], radius_px: f64) -> bool {
    scatter_px(places).is_some_and(|scatter| scatter < 0.6 + 0.08 * radius_px)
}

/// Root mean square distance of places from a smooth path through them, all weighing alike but those that are doubted; `None` with
/// too few.
fn scatter_px(places: &[Place]) -> Option<f64> {
    /// Uncertainty, px, that doesn't set a place apart from the others.
    const USUAL_PX: f64 = 0.2;
    let even = |place: &Place| Place { sigma_px: (place.sigma_px / USUAL_PX).max(1.0), ..*place };
    let even: Vec<Place> = places.iter().map(even).collect();
    let path = SmoothPath::flight(&even)?;
    let squares: f64 = even.iter().map(|place| (path.distance(place) / place.sigma_px).powi(2)).sum();
    Some((squares / path.freedom(places.len()).max(1.0)).sqrt())
}

/// Whether a fitted disc is the ball: it explains the picture.
fn is_seen(one: &Refined) -> bool {
    one.fit.explained > 0.5 && one.fit.visible > LEAST_VISIBLE
}

/// The same between sightings on both sides: a faint ball that lies where its path says needn't tell more than the noise does.
fn is_seen_between(one: &Refined) -> bool {
    one.fit.explained > 0.35 && one.fit.visible > LEAST_VISIBLE
}

/// The value that all but a few are above: nine tenths, or all but two of some; `None` for none.
pub fn usual_least(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get((values.len() / 10).max((values.len() / 4).min(2))).copied()
}

/// The places of sightings, with the uncertainties that their fits state.
fn places(refined: &[Refined], times_s: &[f64]) -> Vec<Place> {
    refined
        .iter()
        .map(|one| {
            let covariance = one.fit.covariance_px2;
            let sigma_px = (0.5 * (covariance.xx + covariance.yy)).sqrt().max(0.02);
            Place { time_s: times_s[one.place], centre: one.fit.disc.centre, sigma_px }
        })
        .collect()
}

/// By what the thing is placed in a frame.
#[derive(Debug, Clone, Copy)]
enum How {
    /// As a disc of the look that was learnt.
    Disc,
    /// As what hides the background, which departs from it by usually so many levels.
    Region { typical: f64 },
}

struct Refiner<'a> {
    window: &'a Window,
    times_s: &'a [f64],
    light: &'a Light,
    ball: BallLook,
    how: How,
    /// Share of the ball's disc that looks like it in all but a few frames, noise, glare and an encoder take a part everywhere; and
    /// that shows against what is behind it.
    usually_visible: f64,
    usually_shown: f64,
}

impl<'a> Refiner<'a> {
    /// Looks where the ball is known to be, and learns from it how much of a ball in full view looks like one.
    fn begin(
        window: &'a Window,
        times_s: &'a [f64],
        light: &'a Light,
        ball: BallLook,
        how: How,
        known: &[Known],
    ) -> (Self, Vec<Refined>) {
        let mut refiner = Self { window, times_s, light, ball, how, usually_visible: 0.0, usually_shown: 0.0 };
        let mut refined = refiner.look_at_all(known);
        let usual = |share: fn(&DiscFit) -> f64| usual_least(refined.iter().map(|one| share(&one.fit)).collect());
        refiner.usually_visible = usual(|fit| fit.visible).unwrap_or(1.0);
        refiner.usually_shown = usual(|fit| fit.shown).unwrap_or(1.0);
        // Before a tube that looks like the ball, nothing tells that it is there yet.
        let shown = |one: &Refined| refiner.shows_enough(one);
        let from = refined.iter().position(shown).unwrap_or(0);
        refined.truncate(refined.iter().rposition(shown).map_or(0, |last| last + 1));
        refined.drain(..from.min(refined.len()));
        refined.iter_mut().for_each(|one| refiner.doubt_the_hidden(one));
        (refiner, refined)
    }

    /// Widens the place of a ball that something hides in part.
    fn doubt_the_hidden(&self, one: &mut Refined) {
        one.widen(self.usually_visible - one.fit.visible);
    }

    /// The same at the ends of the flight for what a launcher or a bucket may hide that looks like the ball.
    fn doubt_the_ends(&self, refined: &mut [Refined]) {
        let unlike = |one: &Refined| self.usually_shown - one.fit.shown > HIDDEN_BY_NOISE;
        let first = refined.iter().take_while(|one| unlike(one)).count();
        let last = refined[first..].iter().rev().take_while(|one| unlike(one)).count();
        let count = refined.len();
        let ends = refined.iter_mut().enumerate().filter(|(i, _)| *i < first || i + last >= count);
        for (_, one) in ends {
            let known = (self.usually_visible - one.fit.visible).max(0.0);
            one.widen(self.usually_shown - one.fit.shown - known);
        }
    }

    /// Leaves out first and last sightings whose place is hardly known: they lie on any path, and would only move the launch.
    fn drop_unknown_ends(&self, refined: &mut Vec<Refined>) {
        /// Standard uncertainty over the radius; that of a ball half hidden by a mouth is a quarter.
        const OF_RADIUS: f64 = 0.4;
        /// The same over what is usual in the flight.
        const TIMES_USUAL: f64 = 4.0;
        let sigmas: Vec<f64> = places(refined, self.times_s).iter().map(|place| place.sigma_px).collect();
        if sigmas.is_empty() {
            return;
        }
        let most = (OF_RADIUS * self.ball.radius_px).max(TIMES_USUAL * median(sigmas.clone()));
        let known = |sigma: &f64| *sigma <= most;
        let (first, last) = (sigmas.iter().position(known), sigmas.iter().rposition(known));
        if let (Some(first), Some(last)) = (first, last) {
            refined.truncate(last + 1);
            refined.drain(..first);
        }
        drop_lone_ends(refined);
    }

    /// Whether a fitted disc is the ball at an end of its flight, where a mouth or a bucket may hide a part and tell against it:
    /// then it explains what is in view of it. A thing that never looks wholly like a ball isn't given that.
    fn is_seen_in_part(&self, one: &Refined) -> bool {
        self.shows_enough(one) && self.looks_seen(one)
    }

    fn looks_seen(&self, one: &Refined) -> bool {
        const MOSTLY: f64 = 0.6;
        const EXPLAINED: f64 = 0.6;
        const A_BALL: f64 = 0.85;
        let fit = &one.fit;
        is_seen(one) || (self.usually_visible > A_BALL && fit.visible > MOSTLY && fit.explained_in_view > EXPLAINED)
    }

    /// Whether so much of the ball shows as a sighting needs, by what usually does.
    fn shows_enough(&self, one: &Refined) -> bool {
        one.fit.shown > LEAST_VISIBLE * self.usually_shown
    }

    /// Fits the disc where it is expected in a frame.
    fn fit(&self, place: usize, expected: PixelPoint, velocity: (f64, f64)) -> Option<Refined> {
        let start = self.ball.disc(expected, velocity, self.times_s[place]);
        let fit = match self.how {
            How::Disc => fit_disc(&cut_out(self.window, place, &start)?, &start, Unknowns::PLACE, self.light),
            How::Region { typical } => {
                fit_region(&region_patch(self.window, place, &start)?, &start, typical * region::dilution(&start))
            }
        }?;
        let mut one = Refined { place, fit };
        self.doubt_the_hidden(&mut one);
        Some(one)
    }

    fn look_at_all(&self, known: &[Known]) -> Vec<Refined> {
        known.par_iter().filter_map(|one| self.fit(one.place, one.centre, one.velocity).filter(is_seen)).collect()
    }

    /// The last place before the flight in which the ball was not yet on its path. A frame in which it isn't seen doesn't count
    /// when it would hardly have moved till the first sighting, since a ball that is let go hides in the resting scene where it
    /// hung; nor when the ball may be there and hardly shows; nor when something else than the resting scene is seen there, which
    /// may hide it. Where the path comes from beyond the picture's edge, nobody saw the ball not yet on it.
    #[expect(clippy::option_option, reason = "no path is a fault of the track, no place before it is none")]
    fn not_yet(&self, refined: &[Refined]) -> Option<Option<usize>> {
        /// Way, in radii, by which a ball leaves its ghost in the resting scene.
        const CLEAR: f64 = 0.25;
        /// A ball that lies off the path by fewer times the scatter of its flight may be on it.
        const SCATTERS: f64 = 6.0;
        /// How well, in radii, the path must be known where the ball is to be missed on it.
        const KNOWN_TO: f64 = 0.5;
        let first = refined.first()?;
        let path = self.path(&refined[..refined.len().min(16)])?;
        let scatter_px = scatter_px(&places(refined, self.times_s)).unwrap_or(0.0);
        let mut earliest = None;
        for place in (0..first.place).rev().take(BEYOND) {
            let time_s = self.times_s[place];
            let at = path.at(time_s);
            if !self.is_in_the_picture(at) {
                return Some(None);
            }
            earliest = Some(place);
            let one = self.fit(place, at, path.velocity(time_s));
            let in_its_ghost = at.distance(first.fit.disc.centre) < CLEAR * self.ball.radius_px
                && !one.as_ref().is_some_and(|one| self.is_seen_in_part(one));
            let hardly_shows =
                |one: &Refined| self.looks_seen(one) && !self.shows_enough(one) && self.accept(&path, one);
            let off_px = |one: &Refined| path.distance(&places(std::slice::from_ref(one), self.times_s)[0]);
            let elsewhere = |one: &Refined| {
                self.is_seen_in_part(one) && !self.accept(&path, one) && off_px(one) > SCATTERS * scatter_px
            };
            let anywhere = path.sigma_px(time_s) > KNOWN_TO * self.ball.radius_px;
            let hidden = !one.as_ref().is_some_and(elsewhere) && (anywhere || self.is_covered(place, at));
            if !(in_its_ghost || hidden || one.as_ref().is_some_and(hardly_shows)) {
                return Some(Some(place));
            }
        }
        Some(earliest)
    }

    fn is_in_the_picture(&self, at: PixelPoint) -> bool {
        let (right, bottom) = (self.window.width as f64 - 0.5, self.window.height as f64 - 0.5);
        (-0.5..right).contains(&at.x) && (-0.5..bottom).contains(&at.y)
    }

    /// Whether most of a ball at this place would lie on what departs from the resting scene.
    fn is_covered(&self, place: usize, at: PixelPoint) -> bool {
        const MOST: f64 = 0.5;
        let radius = self.ball.radius_px;
        let reach = |middle: f64, size: usize| {
            let low = (middle - radius).ceil().max(0.0) as usize;
            low..(((middle + radius).floor() + 1.0).max(0.0) as usize).min(size)
        };
        let (mut inside, mut departs) = (0usize, 0usize);
        for y in reach(at.y, self.window.height) {
            for x in reach(at.x, self.window.width) {
                if (x as f64 - at.x).hypot(y as f64 - at.y) <= radius {
                    inside += 1;
                    departs += usize::from(self.window.departs(place, x, y));
                }
            }
        }
        departs as f64 > MOST * inside as f64
    }

    /// Cuts to the free flight, fills gaps and goes on beyond the ends, until the flight is whole.
    fn follow(&self, mut refined: Vec<Refined>) -> Option<Vec<Refined>> {
        const ROUNDS: usize = 4;
        for _ in 0..ROUNDS {
            refined = self.keep_free_flight(refined)?;
            let before = refined.len();
            self.fill_gaps(&mut refined);
            self.go_on(&mut refined, true);
            self.go_on(&mut refined, false);
            if refined.len() == before {
                return Some(refined);
            }
        }
        self.keep_free_flight(refined)
    }

    /// Departure from the path that is still no touch: a part of the ball, for glare and flattened rims.
    fn slack_px(&self) -> f64 {
        0.25 + 0.02 * self.ball.radius_px
    }

    /// Cuts the flight where the launcher still pushed or something touched the ball, and drops odd sightings.
    fn keep_free_flight(&self, refined: Vec<Refined>) -> Option<Vec<Refined>> {
        let (run, good) = free_run(&places(&refined, self.times_s), self.slack_px())?;
        let kept: Vec<Refined> =
            refined[run].iter().zip(good).filter(|(_, good)| *good).map(|(one, _)| one.clone()).collect();
        (kept.len() >= 4).then_some(kept)
    }

    fn path(&self, refined: &[Refined]) -> Option<SmoothPath> {
        SmoothPath::flight(&places(refined, self.times_s))
    }

    fn accept(&self, path: &SmoothPath, one: &Refined) -> bool {
        let place = places(std::slice::from_ref(one), self.times_s)[0];
        let allowed = 4.0 * place.sigma_px.hypot(path.sigma_px(place.time_s)) + self.slack_px();
        path.distance(&place) < allowed
    }

    fn fill_gaps(&self, refined: &mut Vec<Refined>) {
        let Some(path) = self.path(refined) else { return };
        for place in refined[0].place + 1..refined[refined.len() - 1].place {
            let at = refined.partition_point(|one| one.place < place);
            if refined[at].place == place {
                continue;
            }
            let time = self.times_s[place];
            if let Some(one) = self
                .fit(place, path.at(time), path.velocity(time))
                .filter(|one| is_seen_between(one) && self.accept(&path, one))
            {
                refined.insert(at, one);
            }
        }
    }

    /// Follows the ball beyond an end of the flight until it isn't seen on the path for some frames.
    fn go_on(&self, refined: &mut Vec<Refined>, forward: bool) {
        let mut misses = 0;
        let end = if forward { refined[refined.len() - 1].place } else { refined[0].place };
        for step in 1..=self.times_s.len() {
            let Some(place) = (if forward { Some(end + step) } else { end.checked_sub(step) }) else { return };
            if place >= self.times_s.len() || misses > 3 {
                return;
            }
            let near =
                if forward { &refined[refined.len().saturating_sub(16)..] } else { &refined[..refined.len().min(16)] };
            let Some(path) = self.path(near) else { return };
            let time = self.times_s[place];
            let fit = self.fit(place, path.at(time), path.velocity(time));
            match fit.filter(|one| self.is_seen_in_part(one) && self.accept(&path, one)) {
                Some(one) => {
                    refined.insert(if forward { refined.len() } else { 0 }, one);
                    misses = 0;
                }
                None => misses += 1,
            }
        }
    }
}
