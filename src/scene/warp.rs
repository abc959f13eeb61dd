//! The still light as a turned camera sees it: resampled, for turning a camera about its optical centre changes no outline.

use rayon::prelude::*;

use super::camera::View;
use super::stage::Planes;

/// Places are worked out exactly on a lattice this wide, px, and evenly between: over 16 px a turn of a degree and a lens
/// bend a line by less than 0.001 px.
const LATTICE: usize = 16;

/// Resamples `light` (size `from`, seen by `wide`) to what `view` sees in a picture of size `to`, by Catmull–Rom cubics;
/// beyond the edge the outermost pixels are repeated.
pub fn turn(light: &Planes, from: [usize; 2], wide: &View, view: &View, to: [usize; 2]) -> Planes {
    let columns = to[0].div_ceil(LATTICE) + 1;
    let place = |i: usize| {
        let ray = view.ray((i % columns * LATTICE) as f64, (i / columns * LATTICE) as f64);
        wide.project(&(wide.position + ray)).map_or([0.0; 2], |p| [p.x as f32, p.y as f32])
    };
    let lattice: Vec<[f32; 2]> = (0..columns * (to[1].div_ceil(LATTICE) + 1)).map(place).collect();
    let rows: Vec<Planes> = (0..to[1]).into_par_iter().map(|y| row(light, from, &lattice, columns, y, to[0])).collect();
    let mut all: Planes = Default::default();
    for (c, plane) in all.iter_mut().enumerate() {
        *plane = rows.iter().flat_map(|r| &r[c]).copied().collect();
    }
    all
}

fn row(light: &Planes, size: [usize; 2], lattice: &[[f32; 2]], columns: usize, y: usize, width: usize) -> Planes {
    let top = y / LATTICE * columns;
    let down = (y % LATTICE) as f32 / LATTICE as f32;
    let value = |x: usize| {
        let cell = top + x / LATTICE;
        let right = (x % LATTICE) as f32 / LATTICE as f32;
        let at = |k: usize| {
            let along = |cell: usize| lattice[cell][k] + (lattice[cell + 1][k] - lattice[cell][k]) * right;
            let (upper, lower) = (along(cell), along(cell + columns));
            (upper + (lower - upper) * down).clamp(0.0, size[k] as f32 - 1.0)
        };
        sample(light, size, at(0), at(1))
    };
    let values: Vec<[f32; 3]> = (0..width).map(value).collect();
    [0, 1, 2].map(|c| values.iter().map(|v| v[c]).collect())
}

fn sample(light: &Planes, size: [usize; 2], x: f32, y: f32) -> [f32; 3] {
    let (x0, y0) = (x as usize, y as usize);
    let (wx, wy) = (catmull_rom(x - x0 as f32), catmull_rom(y - y0 as f32));
    let column = |i: usize| (x0 + i).saturating_sub(1).min(size[0] - 1);
    let mut sum = [0.0; 3];
    for (j, wy) in wy.iter().enumerate() {
        let start = (y0 + j).saturating_sub(1).min(size[1] - 1) * size[0];
        for (i, wx) in wx.iter().enumerate() {
            let (at, weight) = (start + column(i), wx * wy);
            (0..3).for_each(|c| sum[c] += weight * light[c][at]);
        }
    }
    sum
}

/// Weights of four neighbours for a place `t` (0 to 1) between the middle two (Catmull and Rom, 1974).
fn catmull_rom(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (2.0 * t2 - t3 - t), 0.5 * (3.0 * t3 - 5.0 * t2 + 2.0), 0.5 * (4.0 * t2 - 3.0 * t3 + t), 0.5 * (t3 - t2)]
}
