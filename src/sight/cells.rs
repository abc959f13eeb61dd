//! Sums over small cells of a picture: the cheap first look that tells where something changed.
//!
//! A cell is 4×4 luma samples and the 2×2 chroma samples below them. Comparing cell sums with those of the resting scene
//! costs a sixteenth of comparing pixels, and the sum already averages the noise over about the area of the smallest
//! ball that is looked for (4 px across).

use image::{GrayImage, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};

use crate::clip::{Picture, Plane};

/// Edge of a cell in luma pixels.
pub const CELL: usize = 4;

/// Sums of luma and chroma over the cells of one picture; rows and columns that don't fill a cell are left out.
#[derive(Debug, Clone)]
pub struct CellSums {
    pub columns: usize,
    pub rows: usize,
    /// Sum of 16 luma samples, 0 to 4080.
    pub luma: Vec<u16>,
    /// Sums of four chroma samples, 0 to 1020.
    pub cb: Vec<u16>,
    pub cr: Vec<u16>,
}

impl CellSums {
    /// Room for a picture of `width` × `height` px.
    pub fn new(width: usize, height: usize) -> Self {
        let (columns, rows) = (width / CELL, height / CELL);
        let empty = vec![0; columns * rows];
        Self { columns, rows, luma: empty.clone(), cb: empty.clone(), cr: empty }
    }

    /// Takes the sums of `picture`, which has the size given to [`CellSums::new`].
    pub fn take(&mut self, picture: &Picture) {
        let mut line = vec![0u16; picture.width()];
        sum_blocks::<CELL>(&picture.luma, self.columns, self.rows, &mut line, &mut self.luma);
        sum_blocks::<2>(&picture.cb, self.columns, self.rows, &mut line, &mut self.cb);
        sum_blocks::<2>(&picture.cr, self.columns, self.rows, &mut line, &mut self.cr);
    }
}

/// Sums `EDGE`×`EDGE` blocks: first down the rows into `line`, which vectorises, then along the line.
fn sum_blocks<const EDGE: usize>(plane: &Plane, columns: usize, rows: usize, line: &mut [u16], out: &mut [u16]) {
    let used = columns * EDGE;
    let line = &mut line[..used];
    for (row, sums) in out.chunks_exact_mut(columns).take(rows).enumerate() {
        line.fill(0);
        for y in row * EDGE..(row + 1) * EDGE {
            let samples = &plane.samples[y * plane.width..y * plane.width + used];
            for (total, &sample) in line.iter_mut().zip(samples) {
                *total += u16::from(sample);
            }
        }
        for (sum, block) in sums.iter_mut().zip(line.chunks_exact(EDGE)) {
            *sum = block.iter().sum();
        }
    }
}

/// Connected regions of the changed cells of a frame, whose places are in rows of `columns`; cells of each in rising order.
pub fn regions(changed: &[u32], columns: usize) -> Vec<Vec<u32>> {
    let around = CellBox::around(changed, columns);
    around.connected(changed, |_| true).into_iter().map(|region| region.iter().map(|&i| changed[i]).collect()).collect()
}

/// The smallest box that holds some cells: labelling the whole picture would take longer than all else about a small change.
pub struct CellBox {
    columns: usize,
    left: usize,
    top: usize,
    width: usize,
    height: usize,
}

impl CellBox {
    /// `cells` by their places in rows of `columns`.
    pub fn around(cells: &[u32], columns: usize) -> Self {
        let span = |at: &dyn Fn(usize) -> usize| {
            let (least, most) = cells
                .iter()
                .map(|&cell| at(cell as usize))
                .fold((usize::MAX, 0), |(least, most), at| (least.min(at), most.max(at)));
            (least.min(most), most + 1 - least.min(most))
        };
        let ((left, width), (top, height)) = (span(&|cell| cell % columns), span(&|cell| cell / columns));
        Self { columns, left, top, width, height }
    }

    /// Connected groups of `cells`, as places in that list: those that are `above`, and those that aren't, are groups of their own.
    pub fn connected(&self, cells: &[u32], above: impl Fn(usize) -> bool) -> Vec<Vec<usize>> {
        let local: Vec<usize> = cells
            .iter()
            .map(|&cell| {
                (cell as usize / self.columns - self.top) * self.width + cell as usize % self.columns - self.left
            })
            .collect();
        // With an empty row below: the library's labels begin at 1, and it has room for one fewer than there are cells.
        let mut map = vec![0u8; self.width * (self.height + 1)];
        for (i, &place) in local.iter().enumerate() {
            map[place] = 1 + u8::from(above(i));
        }
        let map = GrayImage::from_raw(self.width as u32, self.height as u32 + 1, map).expect("a sample for each cell");
        let labels = connected_components(&map, Connectivity::Four, Luma([0]));
        let most = local.iter().map(|&place| labels.as_raw()[place]).max().unwrap_or(0) as usize;
        let mut groups: Vec<Vec<usize>> = vec![Vec::new(); most + 1];
        for (i, &place) in local.iter().enumerate() {
            groups[labels.as_raw()[place] as usize].push(i);
        }
        groups.retain(|group| !group.is_empty());
        groups
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{ColourMatrix, Transfer};

    #[test]
    fn sums_agree_with_the_obvious_way() {
        let (width, height) = (21, 13);
        let plane = |w: usize, h: usize, k: usize| Plane {
            width: w,
            height: h,
            samples: (0..w * h).map(|i| (i * k % 251) as u8).collect(),
        };
        let picture = Picture {
            luma: plane(width, height, 7),
            cb: plane(11, 7, 3),
            cr: plane(11, 7, 5),
            matrix: ColourMatrix::Bt709,
            transfer: Transfer::Bt709,
        };
        let mut sums = CellSums::new(width, height);
        sums.take(&picture);
        assert_eq!((sums.columns, sums.rows), (5, 3));
        let obvious = |plane: &Plane, edge: usize, column: usize, row: usize| -> u16 {
            (0..edge * edge)
                .map(|i| {
                    let (x, y) = (column * edge + i % edge, row * edge + i / edge);
                    u16::from(plane.samples[y * plane.width + x])
                })
                .sum()
        };
        for row in 0..3 {
            for column in 0..5 {
                assert_eq!(sums.luma[row * 5 + column], obvious(&picture.luma, 4, column, row));
                assert_eq!(sums.cb[row * 5 + column], obvious(&picture.cb, 2, column, row));
            }
        }
    }

    /// As many groups as there are cells, in a box that they fill.
    #[test]
    fn a_chequered_region_falls_into_single_cells() {
        let cells = [0, 1, 10, 11];
        let groups = CellBox::around(&cells, 10).connected(&cells, |i| i == 0 || i == 3);
        assert_eq!(groups, [[0], [1], [2], [3]]);
    }

    #[test]
    fn regions_are_what_touches_by_an_edge() {
        // Rows of five cells: an L, a corner that touches it by its tip only, and one alone.
        let columns = 5;
        let regions = regions(&[6, 11, 12, 18, 22 + 25], columns);
        assert_eq!(regions, [vec![6, 11, 12], vec![18], vec![47]]);
        assert!(super::regions(&[], columns).is_empty());
        assert_eq!(super::regions(&[7], columns), [vec![7]]);
    }
}
