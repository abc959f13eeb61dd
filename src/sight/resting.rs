//! The resting scene at full size: the mean of each tile over frames in which it rested.

use crate::clip::{ColourMatrix, Picture, Plane, Transfer};
use crate::sight::cells::CELL;
use crate::sight::watch::{CHROMA_TILE, KeptFrame, TILE};

/// Most frames that the mean takes in, so that its sums fit 16 bits.
const MEAN_FRAMES: u16 = 250;
/// At first one frame in so many goes in, as neighbours share what an encoder made of them; twice as rarely after each so many that did.
const MEAN_EVERY: usize = 4;
const RARER_AFTER: usize = 16;

/// Sums of the pixels of each tile over the frames in which it rested.
pub(super) struct RunningMean {
    width: usize,
    columns: usize,
    rows: usize,
    luma: Vec<u16>,
    cb: Vec<u16>,
    cr: Vec<u16>,
    count: Vec<u16>,
    /// Frames offered so far, and those that went in.
    frames: usize,
    added: usize,
    matrix: ColourMatrix,
    transfer: Transfer,
}

impl RunningMean {
    pub(super) fn new(first: &Picture) -> Self {
        let (columns, rows) = (first.width().div_ceil(TILE), first.height().div_ceil(TILE));
        Self {
            width: first.width(),
            columns,
            rows,
            luma: vec![0; first.luma.samples.len()],
            cb: vec![0; first.cb.samples.len()],
            cr: vec![0; first.cr.samples.len()],
            count: vec![0; columns * rows],
            frames: 0,
            added: 0,
            matrix: first.matrix,
            transfer: first.transfer,
        }
    }

    /// Adds the tiles of `picture` that aren't in `kept`.
    pub(super) fn add(&mut self, picture: &Picture, kept: &[u32]) {
        self.frames += 1;
        let every = MEAN_EVERY << (self.added / RARER_AFTER).min(6);
        if self.added >= MEAN_EVERY && !self.frames.is_multiple_of(every) {
            return;
        }
        self.added += 1;
        let mut wanted = vec![true; self.columns * self.rows];
        for &tile in kept {
            wanted[tile as usize] = false;
        }
        for (tile, wanted) in wanted.iter_mut().enumerate() {
            *wanted &= self.count[tile] < MEAN_FRAMES;
            self.count[tile] += u16::from(*wanted);
        }
        add_rows(&picture.luma, TILE, self.columns, &wanted, &mut self.luma);
        add_rows(&picture.cb, CHROMA_TILE, self.columns, &wanted, &mut self.cb);
        add_rows(&picture.cr, CHROMA_TILE, self.columns, &wanted, &mut self.cr);
    }

    /// Forgets the tiles that hold any of these cells, of which there are so many in a row.
    pub(super) fn forget(&mut self, cells: &[u32], cell_columns: usize) {
        for &cell in cells {
            let (x, y) = (cell as usize % cell_columns * CELL, cell as usize / cell_columns * CELL);
            let (column, row) = (x / TILE, y / TILE);
            if std::mem::take(&mut self.count[row * self.columns + column]) == 0 {
                continue;
            }
            let chroma_width = self.width.div_ceil(2);
            clear(&mut self.luma, self.width, (column * TILE, row * TILE), TILE);
            for plane in [&mut self.cb, &mut self.cr] {
                clear(plane, chroma_width, (column * CHROMA_TILE, row * CHROMA_TILE), CHROMA_TILE);
            }
        }
    }

    /// The resting scene: the mean where a tile rested at least half of the time, else the median of the kept samples.
    pub(super) fn picture(&self, frames: &[KeptFrame], width: usize) -> Picture {
        let plane = |totals: &[u16], edge: usize, width: usize| {
            let samples = vec![0; totals.len()];
            let mut plane = Plane { width, height: totals.len() / width.max(1), samples };
            divide_rows(totals, edge, self.columns, &self.count, &mut plane);
            plane
        };
        let chroma_width = width.div_ceil(2);
        let mut resting = Picture {
            luma: plane(&self.luma, TILE, width),
            cb: plane(&self.cb, CHROMA_TILE, chroma_width),
            cr: plane(&self.cr, CHROMA_TILE, chroma_width),
            matrix: self.matrix,
            transfer: self.transfer,
        };
        let mut kept_in = vec![0u32; self.columns * self.rows];
        for frame in frames {
            for &tile in frame.tiles() {
                kept_in[tile as usize] += 1;
            }
        }
        for (tile, &times) in kept_in.iter().enumerate() {
            if times as usize * 2 > frames.len() || (self.count[tile] == 0 && times > 0) {
                median_of_tile(tile as u32, self.columns, frames, self.count[tile] > 0, &mut resting);
            }
        }
        resting
    }
}

/// Sets a block of a plane to nought.
fn clear(totals: &mut [u16], width: usize, (left, top): (usize, usize), edge: usize) {
    for line in totals.chunks_exact_mut(width).skip(top).take(edge) {
        line[left..(left + edge).min(width)].fill(0);
    }
}

fn add_rows(plane: &Plane, edge: usize, columns: usize, wanted: &[bool], totals: &mut [u16]) {
    for (y, (samples, totals)) in
        plane.samples.chunks_exact(plane.width).zip(totals.chunks_exact_mut(plane.width)).enumerate()
    {
        let row = &wanted[(y / edge).min(wanted.len() / columns - 1) * columns..][..columns];
        for ((samples, totals), _) in
            samples.chunks(edge).zip(totals.chunks_mut(edge)).zip(row).filter(|(_, wanted)| **wanted)
        {
            for (total, &sample) in totals.iter_mut().zip(samples) {
                *total += u16::from(sample);
            }
        }
    }
}

fn divide_rows(totals: &[u16], edge: usize, columns: usize, count: &[u16], plane: &mut Plane) {
    let width = plane.width;
    for (y, (samples, totals)) in plane.samples.chunks_exact_mut(width).zip(totals.chunks_exact(width)).enumerate() {
        let row = &count[(y / edge).min(count.len() / columns - 1) * columns..][..columns];
        for ((samples, totals), &count) in samples.chunks_mut(edge).zip(totals.chunks(edge)).zip(row) {
            for (sample, &total) in samples.iter_mut().zip(totals) {
                // A tile that was forgotten and has not rested since is filled by what was kept of it.
                *sample = ((total + count / 2) / count.max(1)) as u8;
            }
        }
    }
}

/// Replaces one tile of `resting` by the median over frames spread through the window; frames that didn't keep the tile
/// count with the mean that stands there, where it `rested`.
fn median_of_tile(tile: u32, columns: usize, frames: &[KeptFrame], rested: bool, resting: &mut Picture) {
    /// Samples taken for the median: enough to be robust, few enough to be quick.
    const SAMPLES: usize = 15;
    let (width, height) = (resting.width(), resting.height());
    let samples: Vec<_> = frames.iter().map(|frame| frame.tile(tile)).filter(|kept| rested || kept.is_some()).collect();
    let step = samples.len().div_ceil(SAMPLES).max(1);
    let chosen: Vec<_> = samples.into_iter().skip(step / 2).step_by(step).collect();
    let (x, y) = (tile as usize % columns * TILE, tile as usize / columns * TILE);
    let mut values = Vec::with_capacity(chosen.len());
    let mut fill = |out: &mut Plane, edge: usize, part: usize, limit: (usize, usize)| {
        let (x, y) = (x * edge / TILE, y * edge / TILE);
        for row in y..(y + edge).min(limit.1) {
            for column in x..(x + edge).min(limit.0) {
                let place = (row - y) * edge + column - x;
                let mean = out.samples[row * out.width + column];
                values.clear();
                values.extend(chosen.iter().map(|kept| match kept {
                    Some((luma, cb, cr)) => [luma, cb, cr][part][place],
                    None => mean,
                }));
                let half = values.len() / 2;
                out.samples[row * out.width + column] = *values.select_nth_unstable(half).1;
            }
        }
    };
    let chroma = (resting.cb.width, resting.cb.height);
    fill(&mut resting.luma, TILE, 0, (width, height));
    fill(&mut resting.cb, CHROMA_TILE, 1, chroma);
    fill(&mut resting.cr, CHROMA_TILE, 2, chroma);
}
