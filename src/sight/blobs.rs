//! Candidate blobs: connected places of a frame that depart from the resting scene, in units of the noise.
//!
//! Bright, dark and coloured departures count alike. Many are kept: the ball need not be the best blob of its frame, only
//! the one that falls.

use crate::sight::cells::{CELL, regions};
use crate::sight::parts::discs_within;
use crate::sight::watch::{KeptFrame, TILE, Window};
use crate::units::PixelPoint;

/// A pixel belongs to a blob when the mean departure of its 3×3 neighbourhood is above this many standard deviations. The
/// noise of that mean is a third of a pixel's where noise is white, and near a pixel's where an encoder has smeared it.
const JOIN_SIGMAS: f32 = 2.6;
/// … and a blob must hold a pixel above this.
const PEAK_SIGMAS: f32 = 4.5;
/// Blobs with fewer pixels are noise; a ball of 4 px has 12.
const LEAST_AREA: usize = 6;
/// Larger ones are people and doors: a disc of 240 px.
const GREATEST_AREA: usize = 45_000;
/// Most blobs kept of one frame, the strongest first.
const MOST_PER_FRAME: usize = 120;

/// A connected departure from the resting scene.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blob {
    /// Place of the frame in its window.
    pub frame: usize,
    /// Centroid, weighted by the departure.
    pub centre: PixelPoint,
    /// Pixels.
    pub area: f32,
    /// Standard deviations of the pixels' places along the longer and the shorter axis, px.
    pub axes: (f32, f32),
    /// Unit vector of the longer axis.
    pub direction: (f32, f32),
    /// Mean luma, cb and cr of the frame inside the blob.
    pub colour: [f32; 3],
    /// Greatest departure in standard deviations.
    pub peak: f32,
}

impl Blob {
    /// Diameter of the disc whose shorter axis this is: a uniform disc of diameter D has a standard deviation of D/4.
    pub fn diameter(&self) -> f64 {
        f64::from(self.axes.1) * 4.0
    }
}

/// Working storage for the box around what changed in a frame, with a border of one pixel; reused from frame to frame.
#[derive(Default)]
pub struct BlobFinder {
    /// Of the box, px in the picture.
    left: usize,
    top: usize,
    /// Of the storage.
    columns: usize,
    /// Departure in 1/256 of a standard deviation: two bytes a pixel, since a picture may have eight million.
    departure: Vec<i16>,
    joined: Vec<bool>,
    stack: Vec<u32>,
}

impl BlobFinder {
    /// Blobs of the frame at `place` in the window, strongest first.
    pub fn find(&mut self, window: &Window, place: usize) -> Vec<Blob> {
        let frame = &window.frames[place];
        let regions = regions(&frame.changed_cells, window.width / CELL);
        let cells = wanted_cells(window, frame, &regions);
        self.frame_box(&cells);
        for &cell in &cells {
            self.fill_departure(window, frame, cell);
        }
        for &cell in &cells {
            self.mark_joined(cell);
        }
        let mut blobs = Vec::new();
        for &cell in &cells {
            self.trace_cell(window, frame, place, cell, &mut blobs);
        }
        for &cell in &cells {
            self.clear(cell);
        }
        blobs.extend(discs_within(window, frame, place, &regions));
        blobs.sort_by(|a, b| b.peak.total_cmp(&a.peak));
        blobs.truncate(MOST_PER_FRAME);
        blobs
    }

    /// Lays the working storage around the cells. It is all nought before and after each frame.
    fn frame_box(&mut self, cells: &[(usize, usize)]) {
        let span = |values: &dyn Fn(&(usize, usize)) -> usize| {
            let (least, most) = cells.iter().map(values).fold((usize::MAX, 0), |(a, b), v| (a.min(v), b.max(v)));
            (least.min(most) * CELL, (most + 1) * CELL)
        };
        let ((left, right), (top, bottom)) = (span(&|cell| cell.0), span(&|cell| cell.1));
        (self.left, self.top, self.columns) = (left, top, right - left + 2);
        let size = self.columns * (bottom - top + 2);
        if self.departure.len() < size {
            // No more than that: growing by doubling would take half as much again of a large picture.
            self.departure.reserve_exact(size - self.departure.len());
            self.joined.reserve_exact(size - self.joined.len());
            self.departure.resize(size, 0);
            self.joined.resize(size, false);
        }
    }

    /// Place of a pixel of the box in the working storage.
    fn place(&self, x: usize, y: usize) -> usize {
        (y - self.top + 1) * self.columns + x - self.left + 1
    }

    fn fill_departure(&mut self, window: &Window, frame: &KeptFrame, cell: (usize, usize)) {
        let (left, top) = (cell.0 * CELL, cell.1 * CELL);
        let tile = (top / TILE * window.width.div_ceil(TILE) + left / TILE) as u32;
        let Some((luma, cb, cr)) = frame.tile(tile) else { return };
        let resting = &window.resting;
        let per_chroma = 0.8 / window.chroma_noise;
        for y in top..top + CELL {
            for x in left..left + CELL {
                let level = resting.luma.samples[y * window.width + x];
                let expected = f32::from(level) + frame.levels.shift[level as usize];
                let mut strongest =
                    (f32::from(luma[y % TILE * TILE + x % TILE]) - expected) / window.luma_noise[level as usize];
                let chroma = y % TILE / 2 * (TILE / 2) + x % TILE / 2;
                let below = y / 2 * resting.cb.width + x / 2;
                // The strongest channel with its sign: neighbours of one sign add up in the 3×3 mean, noise doesn't.
                for (samples, resting) in [(cb, &resting.cb), (cr, &resting.cr)] {
                    let z = (f32::from(samples[chroma]) - f32::from(resting.samples[below])) * per_chroma;
                    if z.abs() > strongest.abs() {
                        strongest = z;
                    }
                }
                let place = self.place(x, y);
                self.departure[place] = (strongest.clamp(-60.0, 60.0) * 256.0) as i16;
            }
        }
    }

    fn mean_departure(&self, place: usize) -> f32 {
        let row = |start: usize| self.departure[start - 1..=start + 1].iter().map(|&z| i32::from(z)).sum::<i32>();
        (row(place - self.columns) + row(place) + row(place + self.columns)) as f32 / (9.0 * 256.0)
    }

    fn mark_joined(&mut self, (column, row): (usize, usize)) {
        for y in row * CELL..(row + 1) * CELL {
            for x in column * CELL..(column + 1) * CELL {
                let place = self.place(x, y);
                self.joined[place] = self.mean_departure(place).abs() > JOIN_SIGMAS;
            }
        }
    }

    fn trace_cell(
        &mut self,
        window: &Window,
        frame: &KeptFrame,
        place: usize,
        (column, row): (usize, usize),
        blobs: &mut Vec<Blob>,
    ) {
        for y in row * CELL..(row + 1) * CELL {
            for x in column * CELL..(column + 1) * CELL {
                let start = self.place(x, y);
                if self.joined[start] {
                    blobs.extend(self.trace(window, frame, place, start));
                }
            }
        }
    }

    /// Takes the connected blob that holds `start` out of the map; `None` when it is too small, too large or too faint.
    fn trace(&mut self, window: &Window, frame: &KeptFrame, frame_place: usize, start: usize) -> Option<Blob> {
        let mut gathered = Gathered::default();
        self.joined[start] = false;
        self.stack.push(start as u32);
        while let Some(place) = self.stack.pop() {
            let place = place as usize;
            let (x, y) = (place % self.columns + self.left - 1, place / self.columns + self.top - 1);
            let z = self.mean_departure(place).abs();
            gathered.add(x, y, z);
            if gathered.count <= 400 || gathered.count % 16 == 0 {
                gathered.add_colour(colour_at(window, frame, x, y), z);
            }
            for next in [place - 1, place + 1, place - self.columns, place + self.columns] {
                if std::mem::take(&mut self.joined[next]) {
                    self.stack.push(next as u32);
                }
            }
        }
        gathered.blob(frame_place)
    }

    fn clear(&mut self, (column, row): (usize, usize)) {
        for y in row * CELL..(row + 1) * CELL {
            let start = self.place(column * CELL, y);
            self.departure[start..start + CELL].fill(0);
            self.joined[start..start + CELL].fill(false);
        }
    }
}

/// Changed cells and their neighbours, as column and row, without those inside regions so large that no ball can be meant.
fn wanted_cells(window: &Window, frame: &KeptFrame, regions: &[Vec<u32>]) -> Vec<(usize, usize)> {
    /// Cells of a region: 45 000 px, as for blobs.
    const MOST_CELLS: usize = GREATEST_AREA / (CELL * CELL);
    let (columns, rows) = (window.width / CELL, window.height / CELL);
    let mut wanted = vec![false; columns * rows];
    for &cell in &frame.changed_cells {
        let (column, row) = (cell as usize % columns, cell as usize / columns);
        for y in row.saturating_sub(1)..=(row + 1).min(rows - 1) {
            let start = y * columns;
            wanted[start + column.saturating_sub(1)..=start + (column + 1).min(columns - 1)].fill(true);
        }
    }
    for &cell in regions.iter().filter(|region| region.len() > MOST_CELLS).flatten() {
        let (column, row) = (cell as usize % columns, cell as usize / columns);
        let inside = column > 0 && row > 0 && column + 1 < columns && row + 1 < rows;
        // The rim of a large region stays: a ball may be passing it.
        let around = [cell as usize - usize::from(inside), cell as usize + usize::from(inside)];
        if inside && around.iter().all(|near| frame.changed_cells.binary_search(&(*near as u32)).is_ok()) {
            wanted[cell as usize] = false;
        }
    }
    (0..wanted.len()).filter(|&cell| wanted[cell]).map(|cell| (cell % columns, cell / columns)).collect()
}

/// Luma, cb and cr of a kept frame at a pixel; the resting scene where the frame didn't keep the place.
fn colour_at(window: &Window, frame: &KeptFrame, x: usize, y: usize) -> [f32; 3] {
    let columns = window.width.div_ceil(TILE);
    let tile = (y / TILE * columns + x / TILE) as u32;
    let (row, column) = (y % TILE, x % TILE);
    match frame.tile(tile) {
        Some((luma, cb, cr)) => {
            let chroma = row / 2 * (TILE / 2) + column / 2;
            [f32::from(luma[row * TILE + column]), f32::from(cb[chroma]), f32::from(cr[chroma])]
        }
        None => {
            let resting = &window.resting;
            let below = y / 2 * resting.cb.width + x / 2;
            let luma = resting.luma.samples[y * window.width + x];
            [f32::from(luma), f32::from(resting.cb.samples[below]), f32::from(resting.cr.samples[below])]
        }
    }
}

/// Sums over the pixels of a blob.
#[derive(Default)]
struct Gathered {
    count: usize,
    weight: f64,
    x: f64,
    y: f64,
    // Unweighted, for the shape.
    plain_x: f64,
    plain_y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    colour: [f32; 3],
    colour_weight: f32,
    peak: f32,
}

impl Gathered {
    fn add(&mut self, x: usize, y: usize, z: f32) {
        let (x, y, weight) = (x as f64, y as f64, f64::from(z));
        self.count += 1;
        self.weight += weight;
        self.x += weight * x;
        self.y += weight * y;
        self.plain_x += x;
        self.plain_y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
        self.peak = self.peak.max(z);
    }

    /// Colours count by the cube of the departure: the middle of the ball, not its blurred rim.
    fn add_colour(&mut self, colour: [f32; 3], z: f32) {
        let weight = z * z * z;
        self.colour_weight += weight;
        for (total, part) in self.colour.iter_mut().zip(colour) {
            *total += part * weight;
        }
    }

    fn blob(&self, frame: usize) -> Option<Blob> {
        if self.count < LEAST_AREA || self.count > GREATEST_AREA || self.peak < PEAK_SIGMAS {
            return None;
        }
        let count = self.count as f64;
        let (mean_x, mean_y) = (self.plain_x / count, self.plain_y / count);
        // A pixel is a square of its own: 1/12 px².
        let xx = self.xx / count - mean_x * mean_x + 1.0 / 12.0;
        let yy = self.yy / count - mean_y * mean_y + 1.0 / 12.0;
        let xy = self.xy / count - mean_x * mean_y;
        let half_difference = (0.5 * (xx - yy)).hypot(xy);
        let (long, short) = (0.5 * (xx + yy) + half_difference, (0.5 * (xx + yy) - half_difference).max(1e-3));
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
        Some(Blob {
            frame,
            centre: PixelPoint::new(self.x / self.weight, self.y / self.weight),
            area: self.count as f32,
            axes: (long.sqrt() as f32, short.sqrt() as f32),
            direction: (angle.cos() as f32, angle.sin() as f32),
            colour: self.colour.map(|total| total / self.colour_weight.max(1e-6)),
            peak: self.peak,
        })
    }
}
