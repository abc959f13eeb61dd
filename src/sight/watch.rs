//! Watches the frames go by once and keeps what moved.
//!
//! One pass has to serve for the background, the candidates and the sub-pixel refinement, or decoding would be paid for
//! twice. So each frame is compared with the resting scene cell by cell, and only the tiles (16×16 px) in which something
//! changed are kept, with a margin around them; elsewhere the frame is the resting scene plus noise and goes into the
//! running mean of it. What is kept grows with what moves, not with the size of the picture, and is bounded: a window of
//! frames is closed when it has grown to [`WatchLimits::bytes`] and the next one begins with its second half.

use std::sync::{Arc, OnceLock};

use crate::clip::{ColourMatrix, Picture, Plane, Transfer};
use crate::sight::cells::{CELL, CellSums};
use crate::sight::siting::chroma_offset_px;

/// Edge of a tile in luma pixels; its chroma is half of that.
pub const TILE: usize = 16;
const CHROMA_TILE: usize = TILE / 2;
const TILE_BYTES: usize = TILE * TILE + 2 * CHROMA_TILE * CHROMA_TILE;
/// Pixels around a changed cell that are kept too: the faint edge of a blurred ball lies there.
const MARGIN: usize = 8;
/// A cell has changed when it departs by so many standard deviations of its kind …
const CHANGE_SIGMAS: f32 = 6.0;
/// … and by at least so many grey levels on average: below that lies the rounding of the encoder.
const CHANGE_FLOOR_LEVELS: f32 = 0.75;
/// Frames that the mean of the resting scene takes in: beyond 64 its noise is an eighth of a frame's, and no longer matters.
const MEAN_FRAMES: u16 = 64;
/// Levels into which luma is sorted for the noise and the drift of exposure.
const BINS: usize = 16;

/// How much a window may hold.
#[derive(Debug, Clone, Copy)]
pub struct WatchLimits {
    pub bytes: usize,
    pub frames: usize,
}

impl Default for WatchLimits {
    fn default() -> Self {
        Self { bytes: 56 << 20, frames: 1200 }
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
    /// Numbers of the kept tiles, rising.
    tiles: Vec<u32>,
    /// `TILE_BYTES` for each kept tile: luma, cb, cr. Shared by two windows where they overlap.
    samples: Arc<Vec<u8>>,
    /// Numbers of the cells in which something changed, rising.
    pub changed_cells: Vec<u32>,
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
    sums: CellSums,
    reference: Option<Reference>,
    frames: Vec<KeptFrame>,
    bytes: usize,
    changed_share_sum: f64,
    changed_share_count: usize,
}

/// The resting scene as it is being learnt.
struct Reference {
    /// Sixteenfold cell sums, slowly following.
    luma: Vec<i32>,
    cb: Vec<i32>,
    cr: Vec<i32>,
    luma_sigma: [f32; BINS],
    chroma_sigma: f32,
    mean: RunningMean,
}

/// Sums of the pixels of each tile over the frames in which it rested.
struct RunningMean {
    columns: usize,
    rows: usize,
    luma: Vec<u16>,
    cb: Vec<u16>,
    cr: Vec<u16>,
    count: Vec<u16>,
    matrix: ColourMatrix,
    transfer: Transfer,
}

impl Watch {
    pub fn new(width: usize, height: usize, limits: WatchLimits) -> Self {
        Self {
            width,
            height,
            limits,
            sums: CellSums::new(width, height),
            reference: None,
            frames: Vec::new(),
            bytes: 0,
            changed_share_sum: 0.0,
            changed_share_count: 0,
        }
    }

    /// Takes in a frame. Returns a window when it is full.
    pub fn push(&mut self, index: usize, stamp_s: Option<f64>, picture: &Picture) -> Option<Window> {
        self.sums.take(picture);
        let reference = self.reference.get_or_insert_with(|| Reference::new(&self.sums, picture));
        let (levels, changed) = reference.compare(&self.sums);
        let kept_tiles = tiles_around(&changed, &self.sums, self.width, self.height);
        reference.learn(&self.sums, &levels, &changed);
        reference.mean.add(picture, &kept_tiles);
        self.changed_share_sum += changed.len() as f64 / self.sums.luma.len().max(1) as f64;
        self.changed_share_count += 1;
        let frame = keep(index, stamp_s, picture, levels, kept_tiles, changed);
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
        let reference = self.reference.take().expect("a window has frames");
        let resting = reference.mean.picture(&self.frames, self.width, self.height);
        let window_frames = std::mem::take(&mut self.frames);
        if more {
            let mut sums = CellSums::new(self.width, self.height);
            sums.take(&resting);
            let mut next = Reference::new(&sums, &resting);
            (next.luma_sigma, next.chroma_sigma) = (reference.luma_sigma, reference.chroma_sigma);
            // Where nothing rests from now on, what rested before stands for the scene.
            next.mean.add(&resting, &[]);
            self.reference = Some(next);
            self.frames = window_frames[window_frames.len() / 2..].to_vec();
        }
        self.bytes = self.frames.iter().map(|frame| frame.samples.len()).sum();
        let changed_share = self.changed_share_sum / self.changed_share_count.max(1) as f64;
        let (luma_noise, chroma_noise) = pixel_noise(&window_frames, &resting);
        Window {
            width: self.width,
            height: self.height,
            frames: window_frames,
            resting,
            luma_noise,
            chroma_noise,
            changed_share,
            chroma_offset_px: OnceLock::new(),
        }
    }
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

/// Adds the absolute residuals of a frame's kept tiles, without changed cells and their neighbours.
fn count_residuals(frame: &KeptFrame, resting: &Picture, luma: &mut [[u32; 256]], chroma: &mut [u32; 256]) {
    let (width, height) = (resting.width(), resting.height());
    let (columns, cell_columns) = (width.div_ceil(TILE), width / CELL);
    let changed = |x: usize, y: usize| {
        let cell = |x: usize, y: usize| (y / CELL * cell_columns + x / CELL) as u32;
        let around = [(x, y), (x + CELL, y), (x.wrapping_sub(CELL), y), (x, y + CELL), (x, y.wrapping_sub(CELL))];
        around.iter().any(|&(x, y)| x < width && y < height && frame.changed_cells.binary_search(&cell(x, y)).is_ok())
    };
    for &tile in frame.tiles() {
        let Some((samples, cb, _)) = frame.tile(tile) else { continue };
        let (left, top) = (tile as usize % columns * TILE, tile as usize / columns * TILE);
        for cell in 0..(TILE / CELL) * (TILE / CELL) {
            let (column, row) = (cell % (TILE / CELL) * CELL, cell / (TILE / CELL) * CELL);
            let (x, y) = (left + column, top + row);
            if x + CELL > width || y + CELL > height || changed(x, y) {
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

impl Reference {
    fn new(sums: &CellSums, picture: &Picture) -> Self {
        let scaled = |sums: &[u16]| sums.iter().map(|&sum| i32::from(sum) << 4).collect();
        Self {
            luma: scaled(&sums.luma),
            cb: scaled(&sums.cb),
            cr: scaled(&sums.cr),
            luma_sigma: [8.0; BINS],
            chroma_sigma: 2.0,
            mean: RunningMean::new(picture),
        }
    }

    /// Drift of exposure, and the cells that depart from the resting scene by more than noise and drift explain.
    fn compare(&mut self, sums: &CellSums) -> (FrameLevels, Vec<u32>) {
        let (shift, sigma) = level_statistics(&sums.luma, &self.luma);
        let (cb_shift, cb_sigma) = plain_statistics(&sums.cb, &self.cb);
        let (cr_shift, cr_sigma) = plain_statistics(&sums.cr, &self.cr);
        self.follow_noise(&sigma, cb_sigma.max(cr_sigma));
        let chroma_limit = CHANGE_SIGMAS * self.chroma_sigma + 4.0 * CHANGE_FLOOR_LEVELS;
        let limits = self.luma_sigma.map(|sigma| CHANGE_SIGMAS * sigma + 16.0 * CHANGE_FLOOR_LEVELS);
        // Sixteenfold, as the references are.
        let luma_shift = shift.map(|value| (value * 16.0) as i32);
        let luma_limit = limits.map(|value| (value * 16.0) as i32);
        let (cb_shift, cr_shift) = ((cb_shift * 16.0) as i32, (cr_shift * 16.0) as i32);
        let chroma_limit = (chroma_limit * 16.0) as i32;
        let mut changed = Vec::new();
        for cell in 0..sums.luma.len() {
            let bin = bin_of(self.luma[cell]);
            let luma = (i32::from(sums.luma[cell]) << 4) - self.luma[cell] - luma_shift[bin];
            let cb = (i32::from(sums.cb[cell]) << 4) - self.cb[cell] - cb_shift;
            let cr = (i32::from(sums.cr[cell]) << 4) - self.cr[cell] - cr_shift;
            if luma.abs() > luma_limit[bin] || cb.abs() > chroma_limit || cr.abs() > chroma_limit {
                changed.push(cell as u32);
            }
        }
        (FrameLevels { shift: shift_by_level(&shift) }, changed)
    }

    /// Lets the noise level follow slowly: one odd frame (an encoder's key frame) shouldn't make it jump.
    fn follow_noise(&mut self, sigma: &[Option<f32>; BINS], chroma: f32) {
        for (known, seen) in self.luma_sigma.iter_mut().zip(sigma) {
            if let Some(seen) = seen {
                *known += (seen - *known) * 0.25;
            }
        }
        self.chroma_sigma += (chroma - self.chroma_sigma) * 0.25;
    }

    /// Takes resting cells into the reference sums, an eighth at a time, with the drift of exposure taken out.
    fn learn(&mut self, sums: &CellSums, levels: &FrameLevels, changed: &[u32]) {
        let shift: [i32; BINS] = std::array::from_fn(|bin| (levels.shift[bin * 16 + 8] * 256.0) as i32);
        let mut next_changed = changed.iter().copied().peekable();
        for cell in 0..sums.luma.len() {
            if next_changed.next_if_eq(&(cell as u32)).is_some() {
                continue;
            }
            let bin = bin_of(self.luma[cell]);
            self.luma[cell] += ((i32::from(sums.luma[cell]) << 4) - shift[bin] - self.luma[cell]) >> 3;
            self.cb[cell] += ((i32::from(sums.cb[cell]) << 4) - self.cb[cell]) >> 3;
            self.cr[cell] += ((i32::from(sums.cr[cell]) << 4) - self.cr[cell]) >> 3;
        }
    }
}

/// Bin of a sixteenfold cell sum.
fn bin_of(reference: i32) -> usize {
    (reference as usize >> 12).min(BINS - 1)
}

/// Median shift and scatter (1.4826 × median absolute deviation) of cell sums, by level; `None` where too few cells are.
fn level_statistics(sums: &[u16], reference: &[i32]) -> ([f32; BINS], [Option<f32>; BINS]) {
    /// Fewer cells than this say nothing certain about their level.
    const ENOUGH: usize = 40;
    let mut differences: [Vec<i16>; BINS] = Default::default();
    for (&sum, &known) in sums.iter().zip(reference).step_by(3) {
        differences[bin_of(known)].push((i32::from(sum) - (known >> 4)) as i16);
    }
    let mut known: Vec<LevelShift> = Vec::new();
    for (bin, differences) in differences.iter_mut().enumerate().filter(|(_, some)| some.len() >= ENOUGH) {
        let (shift, sigma) = median_and_scatter(differences);
        known.push(LevelShift { bin, cells: differences.len(), shift, sigma });
    }
    keep_common_drift(&mut known);
    let mut shift = [f32::NAN; BINS];
    let mut sigma = [None; BINS];
    for one in &known {
        (shift[one.bin], sigma[one.bin]) = (one.shift, Some(one.sigma));
    }
    fill_from_neighbours(&mut shift);
    (shift, sigma)
}

/// Shift and scatter of the cell sums of one bin of levels.
struct LevelShift {
    bin: usize,
    cells: usize,
    shift: f32,
    sigma: f32,
}

impl LevelShift {
    /// Cell sum in the middle of the bin.
    fn middle(&self) -> f32 {
        (self.bin as f32 + 0.5) * 16.0 * 256.0 / BINS as f32
    }
}

/// Leaves out levels that drift unlike the picture as a whole: where most of a level is a walker's clothes, what shifts when the
/// walker goes isn't the exposure.
fn keep_common_drift(known: &mut Vec<LevelShift>) {
    /// Levels by which a curve of tones may depart from a gain, and share of the gain.
    const LEVELS: f32 = 6.0;
    const SHARE: f32 = 0.5;
    known.sort_by(|a, b| (a.shift / a.middle()).total_cmp(&(b.shift / b.middle())));
    let half = known.iter().map(|one| one.cells).sum::<usize>() / 2;
    let mut below = 0;
    let middle = known.iter().find(|one| {
        below += one.cells;
        below > half
    });
    let Some(gain) = middle.map(|one| one.shift / one.middle()) else { return };
    known.retain(|one| {
        let common = gain * one.middle();
        (one.shift - common).abs() < 16.0 * LEVELS + SHARE * common.abs()
    });
}

/// Gives levels without cells the shift of the nearest level that has some.
fn fill_from_neighbours(shift: &mut [f32; BINS]) {
    let known: Vec<usize> = (0..BINS).filter(|&bin| !shift[bin].is_nan()).collect();
    for bin in 0..BINS {
        if shift[bin].is_nan() {
            shift[bin] = known.iter().min_by_key(|&&other| other.abs_diff(bin)).map_or(0.0, |&other| shift[other]);
        }
    }
}

fn plain_statistics(sums: &[u16], reference: &[i32]) -> (f32, f32) {
    let mut differences: Vec<i16> =
        sums.iter().zip(reference).step_by(5).map(|(&sum, &known)| (i32::from(sum) - (known >> 4)) as i16).collect();
    if differences.is_empty() { (0.0, 2.0) } else { median_and_scatter(&mut differences) }
}

/// Median and 1.4826 × median absolute deviation; the factor makes it the standard deviation for normal noise.
fn median_and_scatter(values: &mut [i16]) -> (f32, f32) {
    let half = values.len() / 2;
    let middle = *values.select_nth_unstable(half).1;
    for value in values.iter_mut() {
        *value = (*value - middle).abs();
    }
    let spread = *values.select_nth_unstable(half).1;
    (f32::from(middle), 1.4826 * f32::from(spread).max(0.5))
}

/// Shift of a pixel by its level, from the shifts of cell sums (16 pixels) by bin.
fn shift_by_level(shift: &[f32; BINS]) -> [f32; 256] {
    std::array::from_fn(|level| {
        let value = shift[level * BINS / 256] / 16.0;
        // Less than a third of a level isn't drift but the rounding of medians.
        if value.abs() < 0.34 { 0.0 } else { value }
    })
}

/// Tiles that hold a changed cell or lie within the margin of one.
fn tiles_around(changed: &[u32], sums: &CellSums, width: usize, height: usize) -> Vec<u32> {
    let (columns, rows) = (width.div_ceil(TILE), height.div_ceil(TILE));
    let mut marked = vec![false; columns * rows];
    for &cell in changed {
        let (x, y) = (cell as usize % sums.columns * CELL, cell as usize / sums.columns * CELL);
        let across = x.saturating_sub(MARGIN) / TILE..=((x + CELL + MARGIN) / TILE).min(columns - 1);
        for row in y.saturating_sub(MARGIN) / TILE..=((y + CELL + MARGIN) / TILE).min(rows - 1) {
            marked[row * columns + across.start()..=row * columns + across.end()].fill(true);
        }
    }
    (0..marked.len() as u32).filter(|&tile| marked[tile as usize]).collect()
}

fn keep(
    index: usize,
    stamp_s: Option<f64>,
    picture: &Picture,
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
    KeptFrame { index, stamp_s, levels, tiles, samples: Arc::new(samples), changed_cells }
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

    /// Numbers of the kept tiles, rising.
    pub fn tiles(&self) -> &[u32] {
        &self.tiles
    }
}

impl RunningMean {
    fn new(first: &Picture) -> Self {
        let (columns, rows) = (first.width().div_ceil(TILE), first.height().div_ceil(TILE));
        Self {
            columns,
            rows,
            luma: vec![0; first.luma.samples.len()],
            cb: vec![0; first.cb.samples.len()],
            cr: vec![0; first.cr.samples.len()],
            count: vec![0; columns * rows],
            matrix: first.matrix,
            transfer: first.transfer,
        }
    }

    /// Adds the tiles of `picture` that aren't in `kept`.
    fn add(&mut self, picture: &Picture, kept: &[u32]) {
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

    /// The resting scene: the mean where a tile rested at least half of the time, else the median of the kept samples.
    fn picture(&self, frames: &[KeptFrame], width: usize, height: usize) -> Picture {
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
            if times as usize * 2 > frames.len() {
                median_of_tile(tile as u32, self.columns, frames, (width, height), &mut resting);
            }
        }
        resting
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
                // Every tile has rested once: the first frame is compared with itself.
                *sample = ((total + count / 2) / count.max(1)) as u8;
            }
        }
    }
}

/// Replaces one tile of `resting` by the median over frames spread through the window; frames that didn't keep the tile
/// count with the mean that stands there.
fn median_of_tile(
    tile: u32,
    columns: usize,
    frames: &[KeptFrame],
    (width, height): (usize, usize),
    resting: &mut Picture,
) {
    /// Samples taken for the median: enough to be robust, few enough to be quick.
    const SAMPLES: usize = 15;
    let step = frames.len().div_ceil(SAMPLES).max(1);
    let chosen: Vec<_> = frames.iter().skip(step / 2).step_by(step).map(|frame| frame.tile(tile)).collect();
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Cell sums of a picture at rest and of a frame a tenth brighter: a wall of level 150, and things of level 50, of which most
    /// have gone in the frame.
    fn a_walker_goes() -> (Vec<u16>, Vec<i32>) {
        let (wall, thing) = (16 * 150, 16 * 50);
        let reference = [vec![wall << 4; 6000], vec![thing << 4; 600]].concat();
        let brighter = |sum: i32| (sum * 11 / 10) as u16;
        ([vec![brighter(wall); 6000], vec![brighter(wall); 400], vec![brighter(thing); 200]].concat(), reference)
    }

    #[test]
    fn a_walker_who_goes_is_no_drift_of_the_exposure() {
        let (sums, reference) = a_walker_goes();
        let (shift, _) = level_statistics(&sums, &reference);
        let shift = shift_by_level(&shift);
        assert!((shift[150] - 15.0).abs() < 1.0, "{}", shift[150]);
        // No cell tells how dark levels drift: they are taken to drift as the next level does, not by the hundred of the walker.
        assert!((0.0..20.0).contains(&shift[50]), "{}", shift[50]);
    }
}
