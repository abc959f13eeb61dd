//! Watches the frames go by once and keeps what moved.
//!
//! One pass has to serve for the background, the candidates and the sub-pixel refinement, or decoding would be paid for
//! twice. So each frame is compared with the resting scene cell by cell, and only the tiles (16×16 px) in which something
//! changed are kept, with a margin around them; elsewhere the frame is the resting scene plus noise and goes into the
//! running mean of it. What is kept grows with what moves, not with the size of the picture, and is bounded: a window of
//! frames is closed when it has grown to [`WatchLimits::bytes`] and the next one begins with its second half.

use std::sync::{Arc, OnceLock};

use crate::clip::{Picture, Plane};
use crate::sight::cells::{CELL, CellMeans, STEPS};
use crate::sight::reference::{BINS, CellNoise, Compared, Reference, drift};
use crate::sight::resting::RunningMean;
use crate::sight::siting::chroma_offset_px;

/// Edge of a tile in luma pixels; its chroma is half of that.
pub const TILE: usize = 16;
pub(super) const CHROMA_TILE: usize = TILE / 2;
/// Cells along the edge of a tile, and in it.
const PER_EDGE: usize = TILE / CELL;
pub const CELLS_PER_TILE: usize = PER_EDGE * PER_EDGE;
const TILE_BYTES: usize = TILE * TILE + 2 * CHROMA_TILE * CHROMA_TILE;
/// Pixels around a changed cell that are kept too: the faint edge of a blurred ball lies there.
const MARGIN: usize = 8;

/// How much a window may hold.
#[derive(Debug, Clone, Copy)]
pub struct WatchLimits {
    pub bytes: usize,
    pub frames: usize,
}

impl Default for WatchLimits {
    fn default() -> Self {
        Self { bytes: 88 << 20, frames: 1200 }
    }
}

/// Noise and drift of one frame against the resting scene, by luma level.
#[derive(Debug, Clone)]
pub struct FrameLevels {
    /// Grey levels by which a pixel of level `i` is brighter in this frame (exposure drift, lamp flicker).
    pub shift: [f32; 256],
}

/// What is kept of one frame.
#[derive(Debug, Clone)]
pub struct KeptFrame {
    /// Number in the clip.
    pub index: usize,
    pub stamp_s: Option<f64>,
    pub levels: FrameLevels,
    /// Tiles in a row of the picture.
    tile_columns: usize,
    /// Numbers of the kept tiles, rising.
    tiles: Vec<u32>,
    /// `TILE_BYTES` for each kept tile: luma, cb, cr. Shared by two windows where they overlap.
    samples: Arc<Vec<u8>>,
    /// Values of the cells of each kept tile, row by row.
    cells: Arc<Vec<[i16; 3]>>,
    /// Numbers of the cells in which something changed, rising.
    pub changed_cells: Vec<u32>,
    /// Luma of cells spread over the whole picture, by which its exposure is compared.
    spread: Arc<Vec<i16>>,
}

/// A window of frames: the resting scene, its noise, and the changed tiles of each frame.
pub struct Window {
    pub width: usize,
    pub height: usize,
    pub frames: Vec<KeptFrame>,
    pub resting: Picture,
    /// Standard deviation of a pixel of level `i`, in grey levels, inferred from the scatter of cell sums.
    pub luma_noise: [f32; 256],
    pub chroma_noise: f32,
    /// The same scene and its noise by cells.
    pub cells: CellScene,
    /// Frames in which a ball moves by about its own width: a twentieth of a second.
    pub moment: usize,
    /// Mean share of changed cells in a frame: near nought with a camera on a stand.
    pub changed_share: f64,
    /// Found when it is first asked for.
    chroma_offset_px: OnceLock<(f64, f64)>,
}

impl Window {
    /// Where chroma samples lie from the middle of their four pixels, px.
    pub fn chroma_offset_px(&self) -> (f64, f64) {
        *self.chroma_offset_px.get_or_init(|| chroma_offset_px(&self.resting))
    }

    /// Whether a pixel of a frame departs from the resting scene by more than noise makes it, in luma or in colour.
    pub fn departs(&self, place: usize, x: usize, y: usize) -> bool {
        /// In standard deviations.
        const BEYOND: f32 = 4.0;
        let (frame, resting) = (&self.frames[place], &self.resting);
        let tile = (y / TILE) * self.width.div_ceil(TILE) + x / TILE;
        // A tile that wasn't kept has nothing that changed.
        let Some((luma, cb, cr)) = frame.tile(tile as u32) else { return false };
        let level = resting.luma.samples[y * resting.luma.width + x];
        let expected = f32::from(level) + frame.levels.shift[usize::from(level)];
        let by_luma = (f32::from(luma[(y % TILE) * TILE + x % TILE]) - expected).abs();
        let (here, below) = ((y % TILE) / 2 * CHROMA_TILE + (x % TILE) / 2, y / 2 * resting.cb.width + x / 2);
        let by_chroma = |seen: u8, rests: u8| (f32::from(seen) - f32::from(rests)).abs();
        let by_colour =
            by_chroma(cb[here], resting.cb.samples[below]).max(by_chroma(cr[here], resting.cr.samples[below]));
        by_luma > BEYOND * self.luma_noise[usize::from(level)] || by_colour > BEYOND * self.chroma_noise
    }
}

/// Collects frames into windows.
pub struct Watch {
    width: usize,
    height: usize,
    limits: WatchLimits,
    means: CellMeans,
    reference: Option<(Reference, RunningMean)>,
    frames: Vec<KeptFrame>,
    bytes: usize,
    changed_share_sum: f64,
    changed_share_count: usize,
}

impl Watch {
    pub fn new(width: usize, height: usize, limits: WatchLimits) -> Self {
        Self {
            width,
            height,
            limits,
            means: CellMeans::new(width, height),
            reference: None,
            frames: Vec::new(),
            bytes: 0,
            changed_share_sum: 0.0,
            changed_share_count: 0,
        }
    }

    /// Takes in a frame. Returns a window when it is full.
    pub fn push(&mut self, index: usize, stamp_s: Option<f64>, picture: &Picture) -> Option<Window> {
        self.means.take(picture);
        let (reference, mean) =
            self.reference.get_or_insert_with(|| (Reference::new(&self.means), RunningMean::new(picture)));
        let Compared { levels, changed, settled } = reference.compare(&self.means);
        mean.forget(&settled, self.means.columns);
        let kept_tiles = tiles_around(&changed, self.means.columns, self.width, self.height);
        mean.add(picture, &kept_tiles);
        self.changed_share_sum += changed.len() as f64 / self.means.planes[0].len().max(1) as f64;
        self.changed_share_count += 1;
        let frame = keep((index, stamp_s), picture, &self.means, levels, kept_tiles, changed);
        self.bytes += frame.samples.len();
        self.frames.push(frame);
        let full = self.bytes >= self.limits.bytes || self.frames.len() >= self.limits.frames;
        full.then(|| self.close(true))
    }

    /// Closes the last window; `None` when no frame came since the one before.
    pub fn finish(mut self) -> Option<Window> {
        (!self.frames.is_empty()).then(|| self.close(false))
    }

    /// Makes a window of what was kept. With `more` to come, the next window begins with the second half of this one, so
    /// that a flight across the border lies whole in one of them.
    fn close(&mut self, more: bool) -> Window {
        let (reference, mean) = self.reference.take().expect("a window has frames");
        let resting = mean.picture(&self.frames, self.width);
        let frames = std::mem::take(&mut self.frames);
        let means = CellMeans::of(&resting);
        if more {
            // Where nothing rests from now on, what rested before stands for the scene.
            let mut mean = RunningMean::new(&resting);
            mean.add(&resting, &[]);
            self.reference = Some((reference.about(&means), mean));
            self.frames = frames[frames.len() / 2..].to_vec();
        }
        self.bytes = self.frames.iter().map(|frame| frame.samples.len()).sum();
        let changed_share = self.changed_share_sum / self.changed_share_count.max(1) as f64;
        let at_rest = spread(&means);
        let mut frames = frames;
        for frame in &mut frames {
            frame.levels = drift(&frame.spread, &at_rest);
        }
        let (luma_noise, chroma_noise) = pixel_noise(&frames, &resting);
        Window {
            width: self.width,
            height: self.height,
            cells: CellScene { means, noise: reference.noise() },
            moment: moment(&frames),
            frames,
            resting,
            luma_noise,
            chroma_noise,
            changed_share,
            chroma_offset_px: OnceLock::new(),
        }
    }
}

/// Luma of every so manieth cell, some thousands in all.
fn spread(means: &CellMeans) -> Vec<i16> {
    const CELLS: usize = 4096;
    let luma = &means.planes[0];
    // An odd step walks through the columns from row to row.
    luma.iter().copied().step_by((luma.len() / CELLS) | 1).collect()
}

/// The resting scene of a window by cells.
pub struct CellScene {
    means: CellMeans,
    noise: CellNoise,
}

impl CellScene {
    /// Luma, cb and cr of the resting scene in a cell, levels.
    pub fn resting(&self, cell: usize) -> [f32; 3] {
        levels(self.means.cell(cell))
    }

    /// By how many standard deviations a cell of a frame departs from the resting scene, all three signals together, and its levels.
    /// `shift` is the frame's drift of exposure by level.
    pub fn departure(&self, cell: usize, value: [i16; 3], shift: &[f32; 256]) -> (f32, [f32; 3]) {
        let (seen, rests) = (levels(value), self.resting(cell));
        let expected = [rests[0] + shift[rests[0] as usize], rests[1], rests[2]];
        (self.sigmas(cell, seen, expected), seen)
    }

    /// By how many standard deviations a cell of `seen` levels departs from what another frame shows there.
    pub fn apart(&self, cell: usize, seen: [f32; 3], other: &KeptFrame, columns: usize) -> f32 {
        let there = other.cell(cell, columns).map_or_else(|| self.resting(cell), levels);
        self.sigmas(cell, seen, there) * std::f32::consts::FRAC_1_SQRT_2
    }

    fn sigmas(&self, cell: usize, seen: [f32; 3], expected: [f32; 3]) -> f32 {
        /// What rounding leaves of a mean at least, levels.
        const FLOOR: f32 = 0.25;
        let (luma, chroma) = (self.noise.luma[cell].max(FLOOR), self.noise.chroma[cell].max(FLOOR));
        let z = |i: usize, sigma: f32| ((seen[i] - expected[i]) / sigma).powi(2);
        (z(0, luma) + z(1, chroma) + z(2, chroma)).sqrt()
    }
}

fn levels(value: [i16; 3]) -> [f32; 3] {
    value.map(|part| f32::from(part) / f32::from(STEPS))
}

/// Frames of a window in a twentieth of a second, by its stamps.
fn moment(frames: &[KeptFrame]) -> usize {
    const MOMENT_S: f64 = 0.05;
    let rate = match (frames.first().and_then(|first| first.stamp_s), frames.last().and_then(|last| last.stamp_s)) {
        (Some(first), Some(last)) if last > first => (frames.len() - 1) as f64 / (last - first),
        _ => 30.0,
    };
    ((MOMENT_S * rate).round() as usize).clamp(1, 16)
}

/// Standard deviation of pixels about the resting scene by luma level, and that of chroma, from kept tiles outside the
/// cells that changed.
///
/// The greater of what the middle and what the tail of the residuals say: an encoder leaves most pixels as they were and a
/// few far off, and those few are what a candidate has to stand out from.
fn pixel_noise(frames: &[KeptFrame], resting: &Picture) -> ([f32; 256], f32) {
    /// Frames that are looked at; their tiles hold some ten thousand pixels.
    const FRAMES: usize = 24;
    let mut luma = vec![[0u32; 256]; BINS];
    let mut chroma = [0u32; 256];
    for frame in frames.iter().step_by(frames.len().div_ceil(FRAMES).max(1)) {
        count_residuals(frame, resting, &mut luma, &mut chroma);
    }
    let known: Vec<(f32, f32)> =
        luma.iter().enumerate().filter_map(|(bin, counts)| Some((bin as f32 + 0.5, spread_of(counts)?))).collect();
    let by_level =
        std::array::from_fn(|level| interpolated(&known, level as f32 / 256.0 * BINS as f32).unwrap_or(2.0).max(0.8));
    (by_level, spread_of(&chroma).unwrap_or(1.0).max(0.5))
}

/// Linear interpolation in a table of rising places; its ends hold beyond it.
fn interpolated(table: &[(f32, f32)], place: f32) -> Option<f32> {
    let after = table.partition_point(|(known, _)| *known < place);
    let (low, high) = (table.get(after.wrapping_sub(1)), table.get(after));
    match (low, high) {
        (Some((x0, y0)), Some((x1, y1))) => Some(y0 + (y1 - y0) * (place - x0) / (x1 - x0)),
        (Some((_, y)), None) | (None, Some((_, y))) => Some(*y),
        (None, None) => None,
    }
}

/// Standard deviation that a histogram of absolute residuals stands for; `None` with too few to tell.
fn spread_of(counts: &[u32; 256]) -> Option<f32> {
    let total: u32 = counts.iter().sum();
    // Normal noise stays within 0.674 standard deviations half of the time and within 1.96 in 95 % of it.
    let quantile = |share: f32| {
        let mut left = share * total as f32;
        for (size, &count) in counts.iter().enumerate() {
            if left <= count as f32 {
                return (size as f32 - 0.5).max(0.0) + left / count as f32;
            }
            left -= count as f32;
        }
        255.0
    };
    (total >= 300).then(|| (quantile(0.5) / 0.674).max(quantile(0.95) / 1.96))
}

/// Which cells of a frame changed, or have one that did beside, above or below them.
fn near_changed(frame: &KeptFrame, columns: usize, rows: usize) -> Vec<bool> {
    let mut near = vec![false; columns * rows];
    for &cell in &frame.changed_cells {
        let (x, y) = (cell as usize % columns, cell as usize / columns);
        for (x, y) in [(x, y), (x + 1, y), (x.wrapping_sub(1), y), (x, y + 1), (x, y.wrapping_sub(1))] {
            if x < columns && y < rows {
                near[y * columns + x] = true;
            }
        }
    }
    near
}

/// Adds the absolute residuals of a frame's kept tiles, without changed cells and their neighbours.
fn count_residuals(frame: &KeptFrame, resting: &Picture, luma: &mut [[u32; 256]], chroma: &mut [u32; 256]) {
    let (width, height) = (resting.width(), resting.height());
    let (columns, cell_columns) = (width.div_ceil(TILE), width / CELL);
    let near_changed = near_changed(frame, cell_columns, height / CELL);
    for &tile in frame.tiles() {
        let Some((samples, cb, _)) = frame.tile(tile) else { continue };
        let (left, top) = (tile as usize % columns * TILE, tile as usize / columns * TILE);
        for cell in 0..(TILE / CELL) * (TILE / CELL) {
            let (column, row) = (cell % (TILE / CELL) * CELL, cell / (TILE / CELL) * CELL);
            let (x, y) = (left + column, top + row);
            if x + CELL > width || y + CELL > height || near_changed[y / CELL * cell_columns + x / CELL] {
                continue;
            }
            for i in 0..CELL * CELL {
                let (dx, dy) = (i % CELL, i / CELL);
                let level = resting.luma.samples[(y + dy) * width + x + dx];
                let expected = f32::from(level) + frame.levels.shift[level as usize];
                let residual = (f32::from(samples[(row + dy) * TILE + column + dx]) - expected).abs();
                luma[level as usize * BINS / 256][residual.min(255.0) as usize] += 1;
            }
            let below = resting.cb.samples[y / 2 * resting.cb.width + x / 2];
            chroma[cb[row / 2 * CHROMA_TILE + column / 2].abs_diff(below) as usize] += 1;
        }
    }
}

/// Tiles that hold a changed cell or lie within the margin of one.
fn tiles_around(changed: &[u32], cell_columns: usize, width: usize, height: usize) -> Vec<u32> {
    let (columns, rows) = (width.div_ceil(TILE), height.div_ceil(TILE));
    let mut marked = vec![false; columns * rows];
    for &cell in changed {
        let (x, y) = (cell as usize % cell_columns * CELL, cell as usize / cell_columns * CELL);
        let across = x.saturating_sub(MARGIN) / TILE..=((x + CELL + MARGIN) / TILE).min(columns - 1);
        for row in y.saturating_sub(MARGIN) / TILE..=((y + CELL + MARGIN) / TILE).min(rows - 1) {
            marked[row * columns + across.start()..=row * columns + across.end()].fill(true);
        }
    }
    (0..marked.len() as u32).filter(|&tile| marked[tile as usize]).collect()
}

fn keep(
    (index, stamp_s): (usize, Option<f64>),
    picture: &Picture,
    means: &CellMeans,
    levels: FrameLevels,
    tiles: Vec<u32>,
    changed_cells: Vec<u32>,
) -> KeptFrame {
    let columns = picture.width().div_ceil(TILE);
    let mut samples = Vec::with_capacity(tiles.len() * TILE_BYTES);
    for &tile in &tiles {
        let (column, row) = (tile as usize % columns, tile as usize / columns);
        append_block(&picture.luma, column * TILE, row * TILE, TILE, &mut samples);
        append_block(&picture.cb, column * CHROMA_TILE, row * CHROMA_TILE, CHROMA_TILE, &mut samples);
        append_block(&picture.cr, column * CHROMA_TILE, row * CHROMA_TILE, CHROMA_TILE, &mut samples);
    }
    let mut cells = Vec::with_capacity(tiles.len() * CELLS_PER_TILE);
    for &tile in &tiles {
        let (column, row) = (tile as usize % columns * PER_EDGE, tile as usize / columns * PER_EDGE);
        cells.extend((0..CELLS_PER_TILE).map(|i| {
            let (x, y) = (column + i % PER_EDGE, row + i / PER_EDGE);
            if x < means.columns && y < means.rows { means.cell(y * means.columns + x) } else { [0; 3] }
        }));
    }
    KeptFrame {
        index,
        stamp_s,
        levels,
        tile_columns: columns,
        tiles,
        samples: Arc::new(samples),
        cells: Arc::new(cells),
        changed_cells,
        spread: Arc::new(spread(means)),
    }
}

/// Appends an `edge`×`edge` block; beyond the picture's border its last row and column are repeated.
fn append_block(plane: &Plane, x: usize, y: usize, edge: usize, out: &mut Vec<u8>) {
    let whole = x + edge <= plane.width;
    for row in y..y + edge {
        let start = row.min(plane.height - 1) * plane.width;
        if whole {
            out.extend_from_slice(&plane.samples[start + x..start + x + edge]);
        } else {
            out.extend((x..x + edge).map(|column| plane.samples[start + column.min(plane.width - 1)]));
        }
    }
}

impl KeptFrame {
    /// Samples of a kept tile: luma, cb and cr, row by row.
    pub fn tile(&self, tile: u32) -> Option<(&[u8], &[u8], &[u8])> {
        let place = self.tiles.binary_search(&tile).ok()?;
        let samples = &self.samples[place * TILE_BYTES..(place + 1) * TILE_BYTES];
        let (luma, chroma) = samples.split_at(TILE * TILE);
        let (cb, cr) = chroma.split_at(CHROMA_TILE * CHROMA_TILE);
        Some((luma, cb, cr))
    }

    /// The kept cells of a picture of that many columns and rows of cells, with their values.
    pub fn cells(&self, columns: usize, rows: usize) -> impl Iterator<Item = (usize, [i16; 3])> + '_ {
        let tile_columns = self.tile_columns;
        self.tiles.iter().zip(self.cells.chunks_exact(CELLS_PER_TILE)).flat_map(move |(&tile, cells)| {
            let (column, row) = (tile as usize % tile_columns * PER_EDGE, tile as usize / tile_columns * PER_EDGE);
            cells.iter().enumerate().filter_map(move |(i, &value)| {
                let (x, y) = (column + i % PER_EDGE, row + i / PER_EDGE);
                (x < columns && y < rows).then_some((y * columns + x, value))
            })
        })
    }

    /// Value of a kept cell of a picture of that many columns of cells.
    pub fn cell(&self, cell: usize, columns: usize) -> Option<[i16; 3]> {
        let (x, y) = (cell % columns, cell / columns);
        let tile = (y / PER_EDGE * self.tile_columns + x / PER_EDGE) as u32;
        let place = self.tiles.binary_search(&tile).ok()?;
        Some(self.cells[place * CELLS_PER_TILE + y % PER_EDGE * PER_EDGE + x % PER_EDGE])
    }

    /// Numbers of the kept tiles, rising.
    pub fn tiles(&self) -> &[u32] {
        &self.tiles
    }
}
