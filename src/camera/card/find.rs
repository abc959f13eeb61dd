//! Finds marks in a picture: dark patches with four corners on a light ground, whose cells spell a mark of the family.

use super::family::{CELLS, MARKS, cells, turned};
use super::light::Light;
use crate::camera::homography;
use crate::units::PixelPoint;

/// A mark as first seen, corners to about a pixel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    pub id: usize,
    /// Top left, top right, bottom right, bottom left of the black square as printed, px.
    pub corners: [PixelPoint; 4],
}

/// Sides of the tiles over which black and white are judged, px: the smallest that holds both decides, so that narrow borders and
/// the wide plain cells of a near card are both read.
const TILES: [usize; 3] = [FINEST, 16, 64];
const FINEST: usize = 4;
/// A neighbourhood holds black and white when its darkest pixel has less than this share of the light of its lightest; paper alone
/// varies less, ink on paper far more.
const DARK_SHARE: f32 = 0.6;
/// And when the two differ by at least this much light, of 1: less is noise in the dark.
const LEAST_CONTRAST: f32 = 0.02;
/// A patch narrower than this can't hold eight cells that could be told apart, px.
const NARROWEST: usize = 9;

/// The quadrangles that look like marks, and how many were looked at.
pub(super) fn candidates(light: &Light) -> (Vec<Candidate>, usize) {
    let dark = dark_pixels(light);
    let quads: Vec<_> =
        patches(light.width, light.height, &dark).iter().filter_map(|hull| four_corners(hull)).collect();
    (quads.iter().filter_map(|quad| read(light, *quad)).collect(), quads.len())
}

/// Dark against the middle between the darkest and the lightest pixel around, which is one for each of the finest tiles.
fn dark_pixels(light: &Light) -> Vec<bool> {
    let levels = Level::all_of(light);
    let (width, height) = (light.width, light.height);
    let mut dark = vec![false; width * height];
    for row in 0..height.div_ceil(FINEST) {
        for column in 0..width.div_ceil(FINEST) {
            let Some(middle) = levels.iter().find_map(|level| level.middle(column, row)) else { continue };
            let across = column * FINEST..((column + 1) * FINEST).min(width);
            for y in row * FINEST..((row + 1) * FINEST).min(height) {
                for x in across.clone() {
                    dark[y * width + x] = light.at(x, y) < middle;
                }
            }
        }
    }
    dark
}

/// Darkest and lightest pixel around each tile of one size.
struct Level {
    /// Of the finest tiles along a side of these.
    finest: usize,
    columns: usize,
    around: Vec<(f32, f32)>,
}

impl Level {
    /// One for each of [`TILES`], each made of the one before.
    fn all_of(light: &Light) -> [Self; 3] {
        let mut tile = FINEST;
        let mut extremes = extremes_of_tiles(light);
        TILES.map(|wanted| {
            let step = wanted / tile;
            if step > 1 {
                extremes = extremes.gathered(step);
            }
            tile = wanted;
            let around = neighbourhoods(&extremes.values, extremes.columns, extremes.rows);
            Self { finest: wanted / FINEST, columns: extremes.columns, around }
        })
    }

    /// The light between black and white around one of the finest tiles; `None` where there is only one of them.
    fn middle(&self, column: usize, row: usize) -> Option<f32> {
        let (low, high) = self.around[row / self.finest * self.columns + column / self.finest];
        (low < DARK_SHARE * high && high - low >= LEAST_CONTRAST).then_some((low + high) / 2.0)
    }
}

/// Darkest and lightest pixel of each tile.
struct Extremes {
    columns: usize,
    rows: usize,
    values: Vec<(f32, f32)>,
}

impl Extremes {
    fn none(columns: usize, rows: usize) -> Self {
        Self { columns, rows, values: vec![(f32::MAX, f32::MIN); columns * rows] }
    }

    /// Of tiles that are `step` of these along a side.
    fn gathered(&self, step: usize) -> Self {
        let mut larger = Self::none(self.columns.div_ceil(step), self.rows.div_ceil(step));
        for (i, (low, high)) in self.values.iter().enumerate() {
            let place = &mut larger.values[i / self.columns / step * larger.columns + i % self.columns / step];
            *place = (place.0.min(*low), place.1.max(*high));
        }
        larger
    }
}

fn extremes_of_tiles(light: &Light) -> Extremes {
    let mut tiles = Extremes::none(light.width.div_ceil(FINEST), light.height.div_ceil(FINEST));
    for (y, line) in light.values.chunks_exact(light.width.max(1)).enumerate() {
        let row = &mut tiles.values[y / FINEST * tiles.columns..][..tiles.columns];
        for (place, pixels) in row.iter_mut().zip(line.chunks(FINEST)) {
            *place = pixels.iter().fold(*place, |both, v| (both.0.min(*v), both.1.max(*v)));
        }
    }
    tiles
}

fn neighbourhoods(extremes: &[(f32, f32)], columns: usize, rows: usize) -> Vec<(f32, f32)> {
    let mut around = Vec::with_capacity(extremes.len());
    for row in 0..rows {
        for column in 0..columns {
            let mut both = (f32::MAX, f32::MIN);
            for r in row.saturating_sub(1)..(row + 2).min(rows) {
                for tile in &extremes[r * columns + column.saturating_sub(1)..r * columns + (column + 2).min(columns)] {
                    both = (both.0.min(tile.0), both.1.max(tile.1));
                }
            }
            around.push(both);
        }
    }
    around
}

/// Convex outlines of the connected dark patches that are large enough and don't touch the picture's edge.
fn patches(width: usize, height: usize, dark: &[bool]) -> Vec<Vec<(f64, f64)>> {
    let mut seen = vec![false; dark.len()];
    let mut stack = Vec::new();
    let mut outlines = Vec::new();
    for start in 0..dark.len() {
        if !dark[start] || seen[start] {
            continue;
        }
        let mut patch = Vec::new();
        let mut touches_edge = false;
        seen[start] = true;
        stack.push(start);
        while let Some(i) = stack.pop() {
            patch.push(i);
            let (x, y) = (i % width, i / width);
            if x == 0 || y == 0 || x + 1 == width || y + 1 == height {
                touches_edge = true;
                continue;
            }
            for n in [i - width - 1, i - width, i - width + 1, i - 1, i + 1, i + width - 1, i + width, i + width + 1] {
                if dark[n] && !seen[n] {
                    seen[n] = true;
                    stack.push(n);
                }
            }
        }
        if !touches_edge && patch.len() >= 2 * NARROWEST {
            outlines.extend(outline(width, &patch));
        }
    }
    outlines
}

/// Convex hull of a patch's pixels, corners of the pixels included.
fn outline(width: usize, patch: &[usize]) -> Option<Vec<(f64, f64)>> {
    let (mut left, mut right, mut top, mut bottom) = (usize::MAX, 0, usize::MAX, 0);
    for &i in patch {
        let (x, y) = (i % width, i / width);
        (left, right, top, bottom) = (left.min(x), right.max(x), top.min(y), bottom.max(y));
    }
    let (w, h) = (right - left + 1, bottom - top + 1);
    // The border alone fills 7/16 of a mark seen squarely, about half of that of its bounding box when turned by 45°.
    if w.max(h) < NARROWEST || w.min(h) < NARROWEST / 2 || patch.len() * 6 < w * h {
        return None;
    }
    let mut ends = vec![(usize::MAX, 0); h];
    for &i in patch {
        let row = &mut ends[i / width - top];
        *row = (row.0.min(i % width), row.1.max(i % width));
    }
    let mut points = Vec::with_capacity(4 * h);
    for (row, (l, r)) in ends.iter().enumerate() {
        let y = (row + top) as f64;
        for x in [*l as f64 - 0.5, *r as f64 + 0.5] {
            points.push((x, y - 0.5));
            points.push((x, y + 0.5));
        }
    }
    Some(convex_hull(points))
}

/// Andrew's monotone chain, clockwise as seen in the picture (y down).
fn convex_hull(mut points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    points.dedup();
    let half = |points: &mut dyn Iterator<Item = (f64, f64)>| {
        let mut chain: Vec<(f64, f64)> = Vec::new();
        for p in points {
            while chain.len() >= 2 && cross(chain[chain.len() - 2], chain[chain.len() - 1], p) <= 0.0 {
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut hull = half(&mut points.iter().copied());
    hull.extend(half(&mut points.iter().rev().copied()));
    hull
}

fn cross(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> f64 {
    (b.0 - a.0) * (c.1 - a.1) - (b.1 - a.1) * (c.0 - a.0)
}

fn area(polygon: &[(f64, f64)]) -> f64 {
    (0..polygon.len())
        .map(|i| (polygon[i], polygon[(i + 1) % polygon.len()]))
        .map(|(a, b)| a.0 * b.1 - a.1 * b.0)
        .sum::<f64>()
        .abs()
        / 2.0
}

/// The quadrangle around a convex outline: sides are dropped, longest kept, until four are left, and their meeting points
/// are the corners. `None` for an outline that isn't nearly one.
fn four_corners(hull: &[(f64, f64)]) -> Option<[(f64, f64); 4]> {
    let mut polygon = hull.to_vec();
    if polygon.len() < 4 {
        return None;
    }
    while polygon.len() > 4 {
        let n = polygon.len();
        // The side whose removal, with its neighbours prolonged, adds least.
        let best = (0..n)
            .filter_map(|i| {
                let (a, b, c, d) = (polygon[(i + n - 1) % n], polygon[i], polygon[(i + 1) % n], polygon[(i + 2) % n]);
                let meet = meeting_point(a, b, d, c)?;
                Some((i, meet, area(&[b, meet, c])))
            })
            .min_by(|x, y| x.2.total_cmp(&y.2))?;
        let next = (best.0 + 1) % n;
        polygon[best.0] = best.1;
        polygon.remove(next);
    }
    let quad: [(f64, f64); 4] = polygon.try_into().ok()?;
    let shortest = (0..4).map(|i| distance(quad[i], quad[(i + 1) % 4])).fold(f64::MAX, f64::min);
    let fits = area(hull) > 0.8 * area(&quad) && shortest >= NARROWEST as f64 * 0.7;
    fits.then_some(quad)
}

fn distance(a: (f64, f64), b: (f64, f64)) -> f64 {
    (a.0 - b.0).hypot(a.1 - b.1)
}

/// Where the lines from `a` through `b` and from `d` through `c` meet, beyond `b` and `c`.
fn meeting_point(a: (f64, f64), b: (f64, f64), d: (f64, f64), c: (f64, f64)) -> Option<(f64, f64)> {
    let (ux, uy) = (b.0 - a.0, b.1 - a.1);
    let (vx, vy) = (c.0 - d.0, c.1 - d.1);
    let denominator = ux * vy - uy * vx;
    let t = ((d.0 - a.0) * vy - (d.1 - a.1) * vx) / denominator;
    let s = ((d.0 - a.0) * uy - (d.1 - a.1) * ux) / denominator;
    (t.is_finite() && s.is_finite() && t >= 1.0 && s >= 1.0).then_some((a.0 + t * ux, a.1 + t * uy))
}

/// Least correlation of the cells seen with a mark's. Of 64 marks in four turns, chance alone often reaches 0.5 and sometimes this:
/// it only saves the work of fitting, and [`super::chance`] decides.
const LEAST_LIKENESS: f64 = 0.68;

/// Reads the 36 cells inside a quadrangle and compares them with every mark in every turn.
///
/// The light of the cells is compared, not black-or-white decisions: at three pixels a cell, blur mixes neighbours.
fn read(light: &Light, quad: [(f64, f64); 4]) -> Option<Candidate> {
    // Corners in the order top left, top right, bottom right, bottom left of a mark that isn't turned.
    let side = CELLS as f64;
    let square = [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)];
    let h = homography::fit(&square, &quad)?.h;
    let mut seen = [[0.0; CELLS]; CELLS];
    for (row, line) in seen.iter_mut().enumerate() {
        for (column, value) in line.iter_mut().enumerate() {
            *value = cell_light(light, &h, column as f64, row as f64)?;
        }
    }
    let (id, turns, likeness) = most_alike(&seen);
    if likeness < LEAST_LIKENESS {
        return None;
    }
    // A pattern that matches after turning clockwise has its own top left corner that many corners further on.
    let corner = |i: usize| {
        let p = quad[(i + turns) % 4];
        PixelPoint::new(p.0, p.1)
    };
    Some(Candidate { id, corners: [corner(0), corner(1), corner(2), corner(3)] })
}

/// Mean light of the middle of a cell.
fn cell_light(light: &Light, h: &nalgebra::Matrix3<f64>, column: f64, row: f64) -> Option<f64> {
    let mut sum = 0.0;
    for (du, dv) in [(0.5, 0.5), (0.35, 0.35), (0.65, 0.35), (0.35, 0.65), (0.65, 0.65)] {
        let (x, y) = homography::apply(h, column + du, row + dv);
        sum += light.between(x, y)?;
    }
    Some(sum / 5.0)
}

fn most_alike(seen: &[[f64; CELLS]; CELLS]) -> (usize, usize, f64) {
    let mut best = (0, 0, f64::MIN);
    for id in 0..MARKS {
        let Some(mut pattern) = cells(id) else { continue };
        for turns in 0..4 {
            let likeness = correlation(seen, &pattern);
            if likeness > best.2 {
                best = (id, turns, likeness);
            }
            pattern = turned(&pattern);
        }
    }
    best
}

/// Correlation over the 36 inner cells.
fn correlation(seen: &[[f64; CELLS]; CELLS], pattern: &[[bool; CELLS]; CELLS]) -> f64 {
    let inner = || (1..CELLS - 1).flat_map(|r| (1..CELLS - 1).map(move |c| (r, c)));
    let n = 36.0;
    let white = |r: usize, c: usize| f64::from(u8::from(pattern[r][c]));
    let (mut s, mut p, mut ss, mut pp, mut sp) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (r, c) in inner() {
        let (a, b) = (seen[r][c], white(r, c));
        (s, p, ss, pp, sp) = (s + a, p + b, ss + a * a, pp + b * b, sp + a * b);
    }
    let spread = ((ss - s * s / n) * (pp - p * p / n)).sqrt();
    if spread > 0.0 { (sp - s * p / n) / spread } else { 0.0 }
}
