//! Candidate blobs: connected cells of a frame that depart from the resting scene, in units of the noise that was measured there.
//!
//! Bright, dark and coloured departures count alike. A thing that moves before another one that moves is one region with it, so
//! regions are also split: at higher and higher departures (a ball before its own faint shadow), and by what moved since a moment before
//! and till a moment after (a ball before somebody who walks). Many blobs are kept: the ball need not be the best of its frame, only
//! the one that falls.

use crate::sight::cells::CELL;
use crate::sight::watch::{KeptFrame, Window};
use crate::units::PixelPoint;

/// A cell belongs to a blob when it departs by so many standard deviations …
const JOIN_SIGMAS: f32 = 4.0;
/// … and a blob must hold a cell that departs by so many.
const PEAK_SIGMAS: f32 = 6.5;
/// Each level at which a region is split over the one before.
const LEVEL_STEP: f32 = 1.7;
/// Of a region at a level, the share of its cells above the next at which that is still the same thing.
const SAME_THING: f64 = 0.75;
/// Cells of a region that may hide a ball before something larger that moves.
const LARGE_REGION: usize = 60;
/// Cells of the largest ball: a disc of 240 px.
const MOST_CELLS: usize = 45_000 / (CELL * CELL);
/// A part of a large region fills its ellipse by at least this: a disc by 1, a square by .95, an L by .6.
const LEAST_FILL: f64 = 0.7;
/// Longer over shorter axis of such a part; of a thing by itself nothing is asked, as streaks are long.
const LONGEST_PART: f64 = 2.5;
/// Departure, as a share of what the strongest cells of a blob show, from which a cell counts as wholly covered.
const COVERED: f32 = 0.6;
/// Most blobs kept of one frame, the worthiest first.
const MOST_PER_FRAME: usize = 60;

/// A connected departure from the resting scene.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blob {
    /// Place of the frame in its window.
    pub frame: usize,
    /// Centroid, weighted by how much of each cell is covered.
    pub centre: PixelPoint,
    /// Covered area, px².
    pub area: f32,
    /// Standard deviations of the covered places along the longer and the shorter axis, px.
    pub axes: (f32, f32),
    /// Unit vector of the longer axis.
    pub direction: (f32, f32),
    /// Mean luma, cb and cr of the frame inside the blob.
    pub colour: [f32; 3],
    /// The same of the resting scene behind it.
    pub behind: [f32; 3],
    /// Greatest departure in standard deviations.
    pub peak: f32,
    /// Area of the whole region that it is a part of, over its own: 1 for a thing by itself.
    pub part_of: f32,
}

impl Blob {
    /// Diameter of the disc whose shorter axis this is: a uniform disc of diameter D has a standard deviation of D/4.
    pub fn diameter(&self) -> f64 {
        f64::from(self.axes.1) * 4.0
    }

    /// How far the ends of a streak leave its middle open, px: faint ends are missed by a part of its length. Nought for a disc.
    pub fn ends_px(&self) -> f64 {
        /// Part of a streak that noise and an encoder's blocks hide at either end.
        const MISSED: f64 = 0.1;
        // An even line of length L has a standard deviation of L/√12.
        let length = 12.0_f64.sqrt() * f64::from(self.axes.0);
        MISSED * (length - self.diameter()).max(0.0)
    }
}

/// Working storage for one frame's cells, all nought between frames; reused from frame to frame.
#[derive(Default)]
pub struct BlobFinder {
    columns: usize,
    rows: usize,
    departure: Vec<f32>,
    /// Luma, cb and cr of the frame, levels.
    colour: Vec<[f32; 3]>,
    /// Label of the pass in which a cell was last visited.
    visited: Vec<u32>,
    pass: u32,
    stack: Vec<u32>,
}

impl BlobFinder {
    /// Blobs of the frame at `place` in the window, worthiest first.
    pub fn find(&mut self, window: &Window, place: usize) -> Vec<Blob> {
        self.make_room(window);
        let cells = self.fill(window, &window.frames[place]);
        let mut blobs = Vec::new();
        for region in self.connected(&cells, JOIN_SIGMAS) {
            self.take_apart(window, place, &region, &mut blobs);
        }
        for &cell in &cells {
            self.departure[cell as usize] = 0.0;
        }
        let worth = |blob: &Blob| blob.peak / blob.part_of.sqrt();
        blobs.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
        blobs.truncate(MOST_PER_FRAME);
        blobs
    }

    fn make_room(&mut self, window: &Window) {
        (self.columns, self.rows) = (window.width / CELL, window.height / CELL);
        let size = self.columns * self.rows;
        if self.departure.len() != size {
            self.departure = vec![0.0; size];
            self.colour = vec![[0.0; 3]; size];
            self.visited = vec![0; size];
        }
    }

    /// Departures of the kept cells; gives those that are above the lowest level.
    fn fill(&mut self, window: &Window, frame: &KeptFrame) -> Vec<u32> {
        let mut above = Vec::new();
        for (cell, sums) in frame.cells(self.columns, self.rows) {
            let (departure, colour) = window.cells.departure(cell, sums, &frame.levels.shift);
            if departure > JOIN_SIGMAS {
                self.departure[cell] = departure;
                self.colour[cell] = colour;
                above.push(cell as u32);
            }
        }
        above
    }

    /// Connected groups (by edge or corner) of those `cells` that depart by more than `level`.
    fn connected(&mut self, cells: &[u32], level: f32) -> Vec<Vec<u32>> {
        self.pass += 1;
        let mut groups = Vec::new();
        for &start in cells {
            if self.departure[start as usize] > level && self.visited[start as usize] != self.pass {
                groups.push(self.grow(start, level));
            }
        }
        groups
    }

    fn grow(&mut self, start: u32, level: f32) -> Vec<u32> {
        let mut group = Vec::new();
        self.visited[start as usize] = self.pass;
        self.stack.push(start);
        while let Some(cell) = self.stack.pop() {
            group.push(cell);
            let (column, row) = (cell as usize % self.columns, cell as usize / self.columns);
            for y in row.saturating_sub(1)..=(row + 1).min(self.rows - 1) {
                for x in column.saturating_sub(1)..=(column + 1).min(self.columns - 1) {
                    let next = y * self.columns + x;
                    if self.departure[next] > level && self.visited[next] != self.pass {
                        self.visited[next] = self.pass;
                        self.stack.push(next as u32);
                    }
                }
            }
        }
        group
    }

    /// A region as a blob, and the parts of it that stand out by themselves.
    fn take_apart(&mut self, window: &Window, place: usize, region: &[u32], blobs: &mut Vec<Blob>) {
        let whole = region.len();
        if whole <= MOST_CELLS {
            blobs.extend(self.blob(window, place, region, whole));
        }
        self.split(window, place, region, JOIN_SIGMAS, whole, blobs);
        if whole >= LARGE_REGION {
            self.split_by_motion(window, place, region, blobs);
        }
    }

    /// Splits a region at rising levels: what falls apart from it, or is much smaller than it, is a thing of its own.
    fn split(
        &mut self,
        window: &Window,
        place: usize,
        region: &[u32],
        level: f32,
        whole: usize,
        blobs: &mut Vec<Blob>,
    ) {
        let peak = region.iter().map(|&cell| self.departure[cell as usize]).fold(0.0, f32::max);
        let (mut level, mut region, mut known) = (level, region.to_vec(), region.len());
        loop {
            level *= LEVEL_STEP;
            if level * LEVEL_STEP > peak || region.len() < 4 {
                return;
            }
            let mut parts = self.connected(&region, level);
            if parts.len() != 1 {
                for part in parts {
                    self.note_part(window, place, &part, whole, blobs);
                    self.split(window, place, &part, level, whole, blobs);
                }
                return;
            }
            region = parts.swap_remove(0);
            if (region.len() as f64) < SAME_THING * known as f64 {
                known = region.len();
                self.note_part(window, place, &region, whole, blobs);
            }
        }
    }

    fn note_part(&self, window: &Window, place: usize, part: &[u32], whole: usize, blobs: &mut Vec<Blob>) {
        if part.len() <= MOST_CELLS {
            let blob = self.blob(window, place, part, whole);
            blobs.extend(blob.filter(|blob| whole < LARGE_REGION || looks_compact(blob)));
        }
    }

    /// Parts of a region that are where nothing was a moment before and will be nothing a moment after.
    fn split_by_motion(&mut self, window: &Window, place: usize, region: &[u32], blobs: &mut Vec<Blob>) {
        let (Some(before), Some(after)) = (place.checked_sub(window.moment), window.frames.get(place + window.moment))
        else {
            return;
        };
        let before = &window.frames[before];
        let saved: Vec<f32> = region.iter().map(|&cell| self.departure[cell as usize]).collect();
        for &cell in region {
            let colour = self.colour[cell as usize];
            let since = window.cells.apart(cell as usize, colour, before, self.columns);
            let till = window.cells.apart(cell as usize, colour, after, self.columns);
            self.departure[cell as usize] = since.min(till);
        }
        let parts: Vec<Vec<u32>> = self.connected(region, PEAK_SIGMAS);
        for (part, departure) in region.iter().zip(saved) {
            self.departure[*part as usize] = departure;
        }
        for part in parts.iter().filter(|part| part.len() >= 3 && 4 * part.len() < 3 * region.len()) {
            self.note_part(window, place, part, region.len(), blobs);
        }
    }

    /// Sums up a group of cells; `None` when it is too faint.
    fn blob(&self, window: &Window, frame: usize, cells: &[u32], whole: usize) -> Option<Blob> {
        let mut departures: Vec<f32> = cells.iter().map(|&cell| self.departure[cell as usize]).collect();
        let peak = departures.iter().copied().fold(0.0, f32::max);
        if peak < PEAK_SIGMAS {
            return None;
        }
        let strong = departures.len() * 4 / 5;
        let strong = *departures.select_nth_unstable_by(strong, f32::total_cmp).1;
        let mut sums = Moments::default();
        for &cell in cells {
            let cell = cell as usize;
            // Pixel centres are whole numbers.
            let middle = |start: usize| (start * CELL) as f64 + 0.5 * (CELL as f64 - 1.0);
            let weight = (self.departure[cell] / (COVERED * strong)).min(1.0);
            let behind = window.cells.resting(cell);
            let place = (middle(cell % self.columns), middle(cell / self.columns));
            // The middle of the ball tells its colour, not its blurred rim.
            let clear = (self.departure[cell] / peak).powi(3);
            sums.add(place, weight, (self.colour[cell], behind, clear));
        }
        Some(sums.blob(frame, peak, whole as f32 / cells.len() as f32))
    }
}

fn looks_compact(blob: &Blob) -> bool {
    // A filled ellipse has the area 4π·σ₁·σ₂.
    let (long, short) = (f64::from(blob.axes.0), f64::from(blob.axes.1));
    f64::from(blob.area) > LEAST_FILL * 4.0 * std::f64::consts::PI * long * short && long < LONGEST_PART * short
}

/// Sums over the cells of a blob.
#[derive(Default)]
struct Moments {
    weight: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    colour: [f32; 3],
    behind: [f32; 3],
    colour_weight: f32,
}

impl Moments {
    fn add(&mut self, (x, y): (f64, f64), weight: f32, (colour, behind, clear): ([f32; 3], [f32; 3], f32)) {
        let w = f64::from(weight);
        self.weight += w;
        self.x += w * x;
        self.y += w * y;
        self.xx += w * x * x;
        self.xy += w * x * y;
        self.yy += w * y * y;
        self.colour_weight += clear;
        for i in 0..3 {
            self.colour[i] += clear * colour[i];
            self.behind[i] += clear * behind[i];
        }
    }

    fn blob(&self, frame: usize, peak: f32, part_of: f32) -> Blob {
        let (x, y) = (self.x / self.weight, self.y / self.weight);
        // A cell is a square of its own: edge²/12.
        let own = (CELL * CELL) as f64 / 12.0;
        let xx = (self.xx / self.weight - x * x).max(0.0) + own;
        let yy = (self.yy / self.weight - y * y).max(0.0) + own;
        let xy = self.xy / self.weight - x * y;
        let half_difference = (0.5 * (xx - yy)).hypot(xy);
        let (long, short) = (0.5 * (xx + yy) + half_difference, (0.5 * (xx + yy) - half_difference).max(0.3));
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
        let mean = |sum: [f32; 3]| sum.map(|part| part / self.colour_weight.max(1e-6));
        Blob {
            frame,
            centre: PixelPoint::new(x, y),
            area: (self.weight * (CELL * CELL) as f64) as f32,
            axes: (long.sqrt() as f32, short.sqrt() as f32),
            direction: (angle.cos() as f32, angle.sin() as f32),
            colour: mean(self.colour),
            behind: mean(self.behind),
            peak,
            part_of,
        }
    }
}
