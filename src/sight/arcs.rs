//! Arcs: sets of blobs that one constant acceleration explains.
//!
//! Seeds of three blobs, growth both ways with gaps allowed, and a score of how much better than chance the arc is (the
//! a-contrario rule of Desolneux, Moisan and Morel: expected number of arcs as good as this among random blobs). Physics
//! is the prior: the acceleration points down, the path bends visibly, the look of the ball changes little. Walkers, lamps
//! and shadows lose because they don't fall.

use std::collections::HashMap;

use rayon::prelude::*;
use statrs::distribution::{Binomial, DiscreteCDF};
use statrs::function::gamma::ln_gamma;

use crate::sight::blobs::Blob;
use crate::sight::region::departure;
use crate::sight::smooth::{Place, SmoothPath};
use crate::units::PixelPoint;

/// Arcs expected by chance, at which an arc is still believed.
const BELIEVED_CHANCE: f64 = 0.01;
/// Fewest blobs of an arc: three make it, two more support it.
const LEAST_MEMBERS: usize = 5;
/// Most frames without a blob inside an arc (a pole, a moment before the face of a walker).
const MOST_MISSES: usize = 8;

/// What is believed of the fall before anything is measured.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct FallPrior {
    /// Lowest and highest believable acceleration, px/s², when scale and clock are known well enough.
    pub acceleration_px_per_s2: Option<(f64, f64)>,
}

impl FallPrior {
    /// The same on a clock that is so many times slower.
    pub fn in_slow_motion(self, factor: f64) -> Self {
        let slower = |limit: f64| limit / (factor * factor);
        Self { acceleration_px_per_s2: self.acceleration_px_per_s2.map(|(low, high)| (slower(low), slower(high))) }
    }

    /// Whether a fall is one that scale and clock allow; `true` when they aren't known.
    pub fn allows(&self, acceleration_px_per_s2: f64) -> bool {
        self.acceleration_px_per_s2.is_none_or(|(low, high)| (low..=high).contains(&acceleration_px_per_s2))
    }

    /// Whether it is even within the nearer half of what they allow, by ratio.
    pub fn expects(&self, acceleration_px_per_s2: f64) -> bool {
        let nearer = |(low, high): (f64, f64)| {
            let (middle, half) = ((low * high).sqrt(), (high / low).powf(0.25));
            (middle / half..=middle * half).contains(&acceleration_px_per_s2)
        };
        self.acceleration_px_per_s2.is_none_or(nearer)
    }
}

/// Quadratic path in pixels over time, `c0 + c1·τ + c2·τ²` with τ = t − `reference_s`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PixelPath {
    pub reference_s: f64,
    pub x: [f64; 3],
    pub y: [f64; 3],
}

impl PixelPath {
    pub fn at(&self, time_s: f64) -> PixelPoint {
        let tau = time_s - self.reference_s;
        let value = |c: &[f64; 3]| c[0] + tau * (c[1] + tau * c[2]);
        PixelPoint::new(value(&self.x), value(&self.y))
    }

    /// Velocity in px/s.
    pub fn velocity(&self, time_s: f64) -> (f64, f64) {
        let tau = time_s - self.reference_s;
        (self.x[1] + 2.0 * tau * self.x[2], self.y[1] + 2.0 * tau * self.y[2])
    }

    /// Acceleration in px/s², y down.
    pub fn acceleration(&self) -> (f64, f64) {
        (2.0 * self.x[2], 2.0 * self.y[2])
    }

    /// Least squares through places at times; `None` with fewer than three distinct times.
    pub fn fit(places: &[(f64, PixelPoint)]) -> Option<Self> {
        if places.len() < 3 {
            return None;
        }
        let reference_s = places.iter().map(|(time, _)| time).sum::<f64>() / places.len() as f64;
        let mut normal = nalgebra::Matrix3::<f64>::zeros();
        let (mut right_x, mut right_y) = (nalgebra::Vector3::zeros(), nalgebra::Vector3::zeros());
        for (time, place) in places {
            let tau = time - reference_s;
            let row = nalgebra::Vector3::new(1.0, tau, tau * tau);
            normal += row * row.transpose();
            right_x += row * place.x;
            right_y += row * place.y;
        }
        let solver = normal.full_piv_lu();
        let (x, y) = (solver.solve(&right_x)?, solver.solve(&right_y)?);
        Some(Self { reference_s, x: x.into(), y: y.into() })
    }
}

/// One arc: its blobs in order of time, one a frame.
#[derive(Debug, Clone)]
pub struct Arc {
    pub blobs: Vec<Blob>,
    pub path: PixelPath,
    /// Root mean square distance of the blobs from the path, px.
    pub rms_px: f64,
    /// Height of the bent path over its chord, px.
    pub sagitta_px: f64,
    /// Decimal logarithm of the number of arcs as good as this expected by chance.
    pub log10_chance: f64,
    /// Whether the fall is one that scale and clock allow; `true` when they aren't known.
    pub fall_believable: bool,
}

impl Arc {
    pub fn first_frame(&self) -> usize {
        self.blobs[0].frame
    }

    pub fn last_frame(&self) -> usize {
        self.blobs[self.blobs.len() - 1].frame
    }

    /// How far a blob departs from what is behind it, levels.
    pub fn blob_departure(&self, blob: &Blob) -> f64 {
        departure(std::array::from_fn(|i| blob.colour[i] - blob.behind[i])).into()
    }

    /// How far the thing usually departs from what is behind it, levels.
    pub fn opacity(&self) -> f64 {
        median(self.blobs.iter().map(|blob| self.blob_departure(blob)).collect())
    }

    /// What an arc is tried by before others: how far chance is from explaining it, as far as that counts, and how clearly it falls.
    pub fn worth(&self) -> f64 {
        const MOST: f64 = 40.0;
        const OF_FALL: f64 = 6.0;
        (-self.log10_chance).min(MOST) + OF_FALL * self.fall_shows().max(1.0).log10()
    }

    /// How clearly the path bends: its sagitta over what the scatter of the blobs leaves open, as a number of standard deviations.
    pub fn fall_shows(&self) -> f64 {
        const LEAST_SCATTER_PX: f64 = 0.5;
        let (first, last) = (&self.blobs[0], &self.blobs[self.blobs.len() - 1]);
        let sag = self.sagitta_px.abs() * (self.blobs.len() as f64).sqrt();
        let known = (last.frame - first.frame + 1) as f64 / self.blobs.len() as f64;
        sag / (self.rms_px.max(LEAST_SCATTER_PX) * known)
    }

    /// Whether two arcs are of one thing: they share a good part of their time, and their paths are about one there.
    pub fn is_the_same_as(&self, other: &Self) -> bool {
        let (from, till) = (self.first_frame().max(other.first_frame()), self.last_frame().min(other.last_frame()));
        if from > till {
            return false;
        }
        let near = |blob: &&Blob| {
            (from..=till).contains(&blob.frame)
                && other.blobs.iter().any(|its| {
                    let reach = 0.75 * blob.diameter().max(its.diameter()) + 2.0;
                    its.frame == blob.frame && its.centre.distance(blob.centre) < reach
                })
        };
        let shared = self.blobs.iter().filter(near).count();
        shared > 1 && 3 * shared >= self.blobs.len().min(other.blobs.len())
    }

    /// Whether most of this arc is the other one, grown from another seed.
    pub fn repeats(&self, other: &Self) -> bool {
        2 * self.shared_blobs(other) > self.blobs.len()
    }

    fn shared_blobs(&self, other: &Self) -> usize {
        self.blobs.iter().filter(|blob| other.blobs.contains(blob)).count()
    }

    /// Whether the path is about where the user showed the ball: within a ball's width, or what a finger covers.
    fn passes(&self, time_s: f64, place: PixelPoint) -> bool {
        let reach = (1.5 * self.blobs[self.blobs.len() / 2].diameter()).max(25.0);
        self.path.at(time_s).distance(place) < reach
    }
}

/// Finds the arcs among the blobs of a window's frames, best first; [`one_at_a_time`] chooses among those that share a moment.
///
/// `times_s` are the frames' times on any steady clock; `blobs[i]` belong to frame `i`.
///
/// `through` is a place (of a frame) that the user showed: only arcs that pass there count.
pub fn find_arcs(
    blobs: &[Vec<Blob>],
    times_s: &[f64],
    size: (usize, usize),
    prior: FallPrior,
    through: Option<(usize, PixelPoint)>,
) -> Vec<Arc> {
    let by_x: Vec<ByX> = blobs.iter().map(|blobs| ByX::new(blobs)).collect();
    let search = Search { blobs, by_x: &by_x, times_s, size, prior, strict: true };
    let mut arcs = search.grow_all();
    if arcs.is_empty() && prior.acceleration_px_per_s2.is_some() {
        // A wrong clock or a wrong scale makes a true fall look unbelievable: it is found all the same, and said to be so.
        arcs = Search { strict: false, ..search }.grow_all();
    }
    arcs.retain(|arc| through.is_none_or(|(frame, place)| arc.passes(times_s[frame], place)));
    arcs.sort_by(|a, b| b.fall_believable.cmp(&a.fall_believable).then(b.worth().total_cmp(&a.worth())));
    arcs
}

/// Takes the best of the arcs, and the next ones that are other things, up to so many.
pub fn take_different(arcs: &mut Vec<Arc>, most: usize) -> Vec<Arc> {
    let mut chosen: Vec<Arc> = Vec::new();
    let mut waiting = Vec::new();
    for arc in arcs.drain(..) {
        let another = chosen.len() < most && !chosen.iter().any(|other| arc.is_the_same_as(other));
        if another { &mut chosen } else { &mut waiting }.push(arc);
    }
    *arcs = waiting;
    chosen
}

/// Frames between the blobs of a seed.
const STRIDES: [usize; 4] = [1, 2, 4, 8];

/// Pairs of blobs that have been part of something grown, so that its other seeds need not grow it again.
#[derive(Default)]
struct Grown {
    pairs: HashMap<(Member, Member), u8>,
}

impl Grown {
    /// Growths without result that a pair may be part of before no more are tried: one could have been led astray.
    const TRIES: u8 = 2;

    fn knows(&self, seed: [Member; 3]) -> bool {
        let known = |pair| self.pairs.get(&pair).is_some_and(|&tries| tries >= Self::TRIES);
        known((seed[0], seed[1])) && known((seed[1], seed[2]))
    }

    fn note(&mut self, members: &[Member], is_arc: bool) {
        for (i, &one) in members.iter().enumerate() {
            let longest = STRIDES[STRIDES.len() - 1];
            for &other in members[i + 1..].iter().take_while(|other| other.0 - one.0 <= longest) {
                let tries = self.pairs.entry((one, other)).or_default();
                *tries = if is_arc { Self::TRIES } else { tries.saturating_add(1) };
            }
        }
    }
}

/// The blobs of a frame in order of their x, for finding those near a place.
struct ByX {
    /// X, px, and place among the frame's blobs.
    order: Vec<(f64, usize)>,
}

impl ByX {
    fn new(blobs: &[Blob]) -> Self {
        let mut order: Vec<(f64, usize)> = blobs.iter().map(|blob| blob.centre.x).zip(0..).collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self { order }
    }

    /// Places of the blobs whose x is within `gate` of `x`.
    fn near(&self, x: f64, gate: f64) -> impl Iterator<Item = usize> + '_ {
        let first = self.order.partition_point(|(other, _)| *other <= x - gate);
        self.order[first..].iter().take_while(move |(other, _)| *other < x + gate).map(|(_, place)| *place)
    }
}

struct Search<'a> {
    blobs: &'a [Vec<Blob>],
    by_x: &'a [ByX],
    times_s: &'a [f64],
    size: (usize, usize),
    prior: FallPrior,
    /// Whether seeds must fall as the prior says.
    strict: bool,
}

/// A blob by its frame and its place among the blobs of the frame.
type Member = (usize, usize);

impl Search<'_> {
    fn blob(&self, member: Member) -> &Blob {
        &self.blobs[member.0][member.1]
    }

    fn grow_all(&self) -> Vec<Arc> {
        let mut arcs: Vec<Arc> = Vec::new();
        let mut grown = Grown::default();
        for stride in STRIDES {
            let firsts = 0..self.blobs.len().saturating_sub(2 * stride);
            // Seeds don't depend on each other; what is grown from them does.
            let seeds: Vec<Vec<[Member; 3]>> =
                firsts.into_par_iter().map(|first| self.seeds_from(first, stride)).collect();
            for seed in seeds.into_iter().flatten() {
                if grown.knows(seed) {
                    continue;
                }
                let members = self.grow(seed);
                let arc = self.judge(&members);
                grown.note(&members, arc.is_some());
                arcs.extend(arc);
            }
        }
        arcs
    }

    /// The triples that begin in frame `first` and could lie on one falling path.
    fn seeds_from(&self, first: usize, stride: usize) -> Vec<[Member; 3]> {
        let (mut seeds, mut near) = (Vec::new(), Vec::new());
        let (second, third) = (first + stride, first + 2 * stride);
        let (dt1, dt2) = (self.times_s[second] - self.times_s[first], self.times_s[third] - self.times_s[second]);
        if dt1 <= 0.0 || dt2 <= 0.0 {
            return seeds;
        }
        for (a, one) in self.blobs[first].iter().enumerate() {
            for (b, two) in self.blobs[second].iter().enumerate() {
                let step = one.centre.distance(two.centre);
                if step < step_floor(one) || step > self.longest_step(stride) || !look_alike(one, two) {
                    continue;
                }
                let ratio = dt2 / dt1;
                let straight = PixelPoint::new(
                    two.centre.x + (two.centre.x - one.centre.x) * ratio,
                    two.centre.y + (two.centre.y - one.centre.y) * ratio,
                );
                let slack = 1.5 + 0.1 * one.diameter() + 0.05 * step;
                let (least, most) = self.fall_limits(dt1, dt2, step, slack);
                near.clear();
                near.extend(self.by_x[third].near(straight.x, slack + 0.6 * most.max(0.0)));
                near.sort_unstable();
                for &c in &near {
                    let three = &self.blobs[third][c];
                    let (dx, fall) = (three.centre.x - straight.x, three.centre.y - straight.y);
                    // A phone held at up to 30° lets the fall lean by as much.
                    let believable = fall > least && fall < most && dx.abs() < slack + 0.6 * fall.max(0.0);
                    let seed = [(first, a), (second, b), (third, c)];
                    if believable && look_alike(two, three) && self.has_a_fourth(seed, stride) {
                        seeds.push(seed);
                    }
                }
            }
        }
        seeds
    }

    /// Least and greatest departure downwards of a seed's third blob from the straight line through the first two.
    fn fall_limits(&self, dt1: f64, dt2: f64, step: f64, slack: f64) -> (f64, f64) {
        match self.prior.acceleration_px_per_s2.filter(|_| self.strict) {
            // Over steps dt1 and dt2, acceleration a bends the line by a·dt2·(dt1 + dt2)/2.
            Some((low, high)) => {
                let lever = 0.5 * dt2 * (dt1 + dt2);
                (low * lever - slack, high * lever + slack)
            }
            None => (-slack, 0.6 * step + 12.0 * slack),
        }
    }

    /// Whether a fourth blob, a stride before or after the seed, lies where the seed's path leads: a cheap look that spares
    /// most chance seeds the growing.
    fn has_a_fourth(&self, seed: [Member; 3], stride: usize) -> bool {
        let middle = self.blob(seed[1]);
        let gate = 3.0 + 0.2 * middle.diameter() + 0.1 * self.blob(seed[0]).centre.distance(middle.centre);
        let near = |frame: Option<usize>| {
            frame.filter(|&frame| frame < self.blobs.len()).is_some_and(|frame| {
                let expected = self.through_three(seed, self.times_s[frame]);
                self.by_x[frame].near(expected.x, gate).any(|place| {
                    let blob = &self.blobs[frame][place];
                    blob.centre.distance(expected) < gate && look_alike(blob, middle)
                })
            })
        };
        near(Some(seed[2].0 + stride)) || near(seed[0].0.checked_sub(stride)) || near(seed[2].0.checked_add(2 * stride))
    }

    /// The parabola through a seed's three blobs at a time (Lagrange's form).
    fn through_three(&self, seed: [Member; 3], time_s: f64) -> PixelPoint {
        let times = seed.map(|member| self.times_s[member.0]);
        let weight = |i: usize, j: usize, k: usize| {
            (time_s - times[j]) * (time_s - times[k]) / ((times[i] - times[j]) * (times[i] - times[k]))
        };
        let weights = [weight(0, 1, 2), weight(1, 0, 2), weight(2, 0, 1)];
        let sum = |value: fn(PixelPoint) -> f64| {
            seed.iter().zip(weights).map(|(&member, weight)| weight * value(self.blob(member).centre)).sum()
        };
        PixelPoint::new(sum(|place| place.x), sum(|place| place.y))
    }

    /// Longest step of a ball over `stride` frames: it must be seen in five frames while it crosses the picture.
    fn longest_step(&self, stride: usize) -> f64 {
        let across = self.size.0.max(self.size.1) as f64;
        (across / 4.0 * stride as f64).min(across / 2.0)
    }

    fn grow(&self, seed: [Member; 3]) -> Vec<Member> {
        let mut members: Vec<Member> = seed.to_vec();
        self.fill_between(&mut members);
        // Twice: what is found backwards steadies the path forwards.
        for _ in 0..2 {
            self.extend(&mut members, 1);
            self.extend(&mut members, -1);
        }
        self.fill_between(&mut members);
        members
    }

    fn places(&self, members: &[Member]) -> Vec<(f64, PixelPoint)> {
        members.iter().map(|&member| (self.times_s[member.0], self.blob(member).centre)).collect()
    }

    /// Path through the last (or first) members, so that drag and a rolling shutter don't add up along a long flight.
    fn local_path(&self, members: &[Member], direction: isize) -> Option<PixelPath> {
        const LOCAL: usize = 12;
        let near = if direction > 0 {
            &members[members.len().saturating_sub(LOCAL)..]
        } else {
            &members[..members.len().min(LOCAL)]
        };
        PixelPath::fit(&self.places(near))
    }

    fn extend(&self, members: &mut Vec<Member>, direction: isize) {
        let mut misses = 0;
        let end = |members: &[Member]| if direction > 0 { members[members.len() - 1].0 } else { members[0].0 };
        let mut frame = end(members) as isize + direction;
        let allowed = MOST_MISSES.min(2 + members.len() / 2);
        while misses <= allowed && frame >= 0 && (frame as usize) < self.blobs.len() {
            let Some(path) = self.local_path(members, direction) else { return };
            match self.best_match(&path, frame as usize, members, misses) {
                Some(member) if direction > 0 => members.push(member),
                Some(member) => members.insert(0, member),
                None => misses += 1,
            }
            if end(members) as isize == frame {
                misses = 0;
            }
            frame += direction;
        }
    }

    /// Looks into the frames between members that have none yet.
    fn fill_between(&self, members: &mut Vec<Member>) {
        let Some(path) = PixelPath::fit(&self.places(members)) else { return };
        let (first, last) = (members[0].0, members[members.len() - 1].0);
        for frame in first + 1..last {
            let place = members.partition_point(|member| member.0 < frame);
            if members[place].0 == frame {
                continue;
            }
            if let Some(member) = self.best_match(&path, frame, members, 0) {
                members.insert(place, member);
            }
        }
    }

    /// Nearest blob of the frame within the gate that looks like the arc's.
    fn best_match(&self, path: &PixelPath, frame: usize, members: &[Member], misses: usize) -> Option<Member> {
        let expected = path.at(self.times_s[frame]);
        let middle = self.blob(members[members.len() / 2]);
        let (vx, vy) = path.velocity(self.times_s[frame]);
        let step = vx.hypot(vy) * self.usual_step();
        // Three blobs predict badly; a long arc does it within a fraction of a pixel.
        let youth = 1.0 + 6.0 / members.len() as f64;
        let gate =
            (0.8 + 0.06 * middle.diameter() + 0.02 * step + middle.ends_px()) * youth * (1.0 + 0.4 * misses as f64);
        self.by_x[frame]
            .near(expected.x, gate)
            .map(|place| (place, &self.blobs[frame][place]))
            .map(|(place, blob)| (place, blob, blob.centre.distance(expected)))
            .filter(|(_, blob, distance)| *distance < gate && look_alike(blob, middle))
            .min_by(|a, b| a.2.total_cmp(&b.2))
            .map(|(place, ..)| (frame, place))
    }

    fn usual_step(&self) -> f64 {
        let count = self.times_s.len();
        (self.times_s[count - 1] - self.times_s[0]) / (count - 1).max(1) as f64
    }

    /// Makes an arc of the members when it bends downwards as a fall does and chance doesn't explain it.
    fn judge(&self, members: &[Member]) -> Option<Arc> {
        if members.len() < LEAST_MEMBERS {
            return None;
        }
        let places = self.places(members);
        let path = PixelPath::fit(&places)?;
        let scatter = Scatter::of(&places, &path)?;
        let rms_px = scatter.across_px.hypot(scatter.along_px);
        let blobs: Vec<Blob> = members.iter().map(|&member| *self.blob(member)).collect();
        let diameter = median(blobs.iter().map(Blob::diameter).collect());
        let duration_s = places[places.len() - 1].0 - places[0].0;
        let (ax, ay) = path.acceleration();
        // Sagitta of the path over its chord.
        let sag = ay * duration_s * duration_s / 8.0;
        let ends_px = median(blobs.iter().map(Blob::ends_px).collect());
        // Twice what missed ends of streaks alone make of a path's bend to the side: see `Bend::is_clear`.
        let (dx, dy) = (places[places.len() - 1].1.x - places[0].1.x, places[places.len() - 1].1.y - places[0].1.y);
        let open = 2.0 * 3.35 * ends_px * dx.abs() / dx.hypot(dy).max(1.0) / (places.len() as f64).sqrt();
        let sideways = ax.abs() * duration_s * duration_s / 8.0 - open;
        let bends = sag > (2.0_f64).max(4.0 * scatter.down_px).max(0.12 * diameter) && sideways < 0.6 * sag;
        let near = 0.7 + 0.08 * diameter;
        let close = scatter.across_px.hypot(scatter.along_px * near / (near + ends_px)) < near;
        let travels = travelled(&path, &places) > (2.0 * diameter).max(25.0 * rms_px).max(12.0);
        let mostly_seen = 2 * members.len() > members[members.len() - 1].0 - members[0].0 + 1;
        if !(bends && close && travels && mostly_seen) {
            return None;
        }
        let log10_chance = self.log10_chance(&blobs, rms_px);
        let fall_believable = self.prior.allows(ay);
        (log10_chance < BELIEVED_CHANCE.log10()).then_some(Arc {
            blobs,
            path,
            rms_px,
            sagitta_px: sag,
            log10_chance,
            fall_believable,
        })
    }

    /// Expected number of arcs this good among as many random blobs that look like these.
    fn log10_chance(&self, blobs: &[Blob], rms_px: f64) -> f64 {
        let middle = &blobs[blobs.len() / 2];
        let (first, last) = (blobs[0].frame, blobs[blobs.len() - 1].frame);
        let frames = last - first + 1;
        let alike: usize = self.blobs[first..=last]
            .iter()
            .map(|blobs| blobs.iter().filter(|blob| look_alike(blob, middle)).count())
            .sum();
        let per_frame = (alike as f64 / frames as f64).max(0.2);
        let gate = (2.5 * rms_px).max(1.5);
        let area = (self.size.0 * self.size.1) as f64;
        // Moving things crowd together: blobs lie ten times closer around the arc than in the picture at large.
        let hit = 1.0 - (-10.0 * per_frame * std::f64::consts::PI * gate * gate / area).exp();
        let trials = (frames - 3) as u64;
        let hits = (blobs.len() - 3) as u64;
        let tail = match Binomial::new(hit.clamp(1e-12, 1.0), trials) {
            Ok(binomial) if hits > 0 => binomial.sf(hits - 1),
            _ => 1.0,
        };
        // The survival function underflows for long arcs; its leading term does not.
        let leading = ln_choose(trials, hits) + hits as f64 * hit.ln();
        let log10_tail = if tail > 1e-280 { tail.log10() } else { leading / std::f64::consts::LN_10 };
        let tests = ln_choose(frames as u64, 3) / std::f64::consts::LN_10 + 3.0 * per_frame.max(1.0).log10();
        tests + log10_tail
    }
}

fn ln_choose(n: u64, k: u64) -> f64 {
    ln_gamma(n as f64 + 1.0) - ln_gamma(k as f64 + 1.0) - ln_gamma((n - k) as f64 + 1.0)
}

/// A ball that flies moves by a fair part of itself between the frames of a seed.
fn step_floor(blob: &Blob) -> f64 {
    (0.15 * blob.diameter()).max(1.5)
}

/// Whether two blobs can be the same ball: alike in size and colour. Loose, since blur and background tinge small balls.
fn look_alike(one: &Blob, other: &Blob) -> bool {
    let widths = one.axes.1 / other.axes.1;
    let areas = one.area / other.area;
    let colour: [f32; 3] = std::array::from_fn(|i| (one.colour[i] - other.colour[i]).abs());
    (0.55..1.8).contains(&widths) && (0.33..3.0).contains(&areas) && colour[0] < 60.0 && colour[1].max(colour[2]) < 28.0
}

/// Root mean square distance of places from a smooth path: drag bends the path of a light ball away from any parabola by more than
/// blobs scatter.
struct Scatter {
    across_px: f64,
    along_px: f64,
    down_px: f64,
}

impl Scatter {
    /// Across and along the `way`; `None` with too few places.
    fn of(places: &[(f64, PixelPoint)], way: &PixelPath) -> Option<Self> {
        let places: Vec<Place> =
            places.iter().map(|&(time_s, centre)| Place { time_s, centre, sigma_px: 1.0 }).collect();
        let path = SmoothPath::flight(&places)?;
        let (mut across, mut along, mut down) = (0.0, 0.0, 0.0);
        for place in &places {
            let on_path = path.at(place.time_s);
            let (dx, dy) = (place.centre.x - on_path.x, place.centre.y - on_path.y);
            let (vx, vy) = way.velocity(place.time_s);
            let speed = vx.hypot(vy).max(1e-9);
            along += ((dx * vx + dy * vy) / speed).powi(2);
            across += ((dx * vy - dy * vx) / speed).powi(2);
            down += dy * dy;
        }
        let freedom = (places.len() as f64 - 0.5 * path.determined()).max(1.0);
        let rms = |squares: f64| (squares / freedom).sqrt();
        Some(Self { across_px: rms(across), along_px: rms(along), down_px: rms(down) })
    }
}

/// Length of a smooth path over the time of the places, px: what only trembles goes nowhere.
fn travelled(path: &PixelPath, places: &[(f64, PixelPoint)]) -> f64 {
    const STEPS: i32 = 16;
    let (from, till) = (places[0].0, places[places.len() - 1].0);
    let at = |step: i32| path.at(from + (till - from) * f64::from(step) / f64::from(STEPS));
    (0..STEPS).map(|step| at(step).distance(at(step + 1))).sum()
}

/// The middle value, the upper of two; of one at least.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    let half = values.len() / 2;
    *values.select_nth_unstable_by(half, f64::total_cmp).1
}
