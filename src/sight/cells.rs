//! Means over small cells of a picture: the cheap first look that tells where something changed.
//!
//! A cell is 4×4 luma samples and the 2×2 chroma samples below them. Comparing cells with those of the resting scene costs a sixteenth
//! of comparing pixels, and the mean already averages the noise over about the area of the smallest ball that is looked for (4 px
//! across).

use crate::clip::{Picture, Plane};

/// Edge of a cell in luma pixels.
pub const CELL: usize = 4;

/// Steps of a cell's value to a grey level: the mean of 16 samples and three places more, so that a slow mean can move by less.
pub const STEPS: i16 = 128;

/// Means of luma, cb and cr over the cells of one picture, in [`STEPS`] to a level; rows and columns that don't fill a cell are left out.
#[derive(Debug, Clone)]
pub struct CellMeans {
    pub columns: usize,
    pub rows: usize,
    /// Luma, cb, cr.
    pub planes: [Vec<i16>; 3],
    line: Vec<u16>,
}

impl CellMeans {
    /// Room for a picture of `width` × `height` px.
    pub fn new(width: usize, height: usize) -> Self {
        let (columns, rows) = (width / CELL, height / CELL);
        let empty = || vec![0; columns * rows];
        Self { columns, rows, planes: [empty(), empty(), empty()], line: vec![0; width] }
    }

    pub fn of(picture: &Picture) -> Self {
        let mut means = Self::new(picture.width(), picture.height());
        means.take(picture);
        means
    }

    /// Takes the means of `picture`, which has the size given to [`CellMeans::new`].
    pub fn take(&mut self, picture: &Picture) {
        let [luma, cb, cr] = &mut self.planes;
        average_blocks::<CELL>(&picture.luma, (self.columns, self.rows), &mut self.line, luma);
        average_blocks::<2>(&picture.cb, (self.columns, self.rows), &mut self.line, cb);
        average_blocks::<2>(&picture.cr, (self.columns, self.rows), &mut self.line, cr);
    }

    /// Luma, cb and cr of a cell.
    pub fn cell(&self, cell: usize) -> [i16; 3] {
        [self.planes[0][cell], self.planes[1][cell], self.planes[2][cell]]
    }
}

/// Means of `EDGE`×`EDGE` blocks: first down the rows into `line`, which vectorises, then along the line.
fn average_blocks<const EDGE: usize>(
    plane: &Plane,
    (columns, rows): (usize, usize),
    line: &mut [u16],
    out: &mut [i16],
) {
    let steps = STEPS as u16 / (EDGE * EDGE) as u16;
    let used = columns * EDGE;
    let line = &mut line[..used];
    for (row, means) in out.chunks_exact_mut(columns.max(1)).take(rows).enumerate() {
        line.fill(0);
        for y in row * EDGE..(row + 1) * EDGE {
            let samples = &plane.samples[y * plane.width..y * plane.width + used];
            for (total, &sample) in line.iter_mut().zip(samples) {
                *total += u16::from(sample);
            }
        }
        for (mean, block) in means.iter_mut().zip(line.chunks_exact(EDGE)) {
            // 255 levels of 128 steps are 32640: just within 16 bits with a sign.
            *mean = (block.iter().sum::<u16>() * steps) as i16;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{ColourMatrix, Transfer};

    #[test]
    fn means_agree_with_the_obvious_way() {
        let (width, height) = (21, 13);
        let plane = |w: usize, h: usize, k: usize| Plane {
            width: w,
            height: h,
            samples: (0..w * h).map(|i| (i * k % 256) as u8).collect(),
        };
        let picture = Picture {
            luma: plane(width, height, 7),
            cb: plane(11, 7, 3),
            cr: plane(11, 7, 5),
            matrix: ColourMatrix::Bt709,
            transfer: Transfer::Bt709,
        };
        let means = CellMeans::of(&picture);
        assert_eq!((means.columns, means.rows), (5, 3));
        let obvious = |plane: &Plane, edge: usize, column: usize, row: usize| -> i16 {
            let sum: i32 = (0..edge * edge)
                .map(|i| {
                    let (x, y) = (column * edge + i % edge, row * edge + i / edge);
                    i32::from(plane.samples[y * plane.width + x])
                })
                .sum();
            (sum * i32::from(STEPS) / (edge * edge) as i32) as i16
        };
        for row in 0..3 {
            for column in 0..5 {
                let planes = [(&picture.luma, 4), (&picture.cb, 2), (&picture.cr, 2)];
                assert_eq!(means.cell(row * 5 + column), planes.map(|(plane, edge)| obvious(plane, edge, column, row)));
            }
        }
    }
}
