//! Turning and mirroring of the stored picture into the displayed one.

use super::Plane;
use super::planes::Sheet;

/// Changes levels in place, sample by sample.
pub(super) type Levels = fn(&mut [u8]);

/// Leaves levels as they are.
pub(super) fn same_levels(_: &mut [u8]) {}

/// One of the eight ways in which a stored picture can lie: displayed x' and y' run along the stored x and y, or along y
/// and x when `swapped`, each forwards or backwards.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Orientation {
    pub swapped: bool,
    pub x_reversed: bool,
    pub y_reversed: bool,
}

impl Orientation {
    /// Reads the 3×3 display matrix of ISO/IEC 14496-12, row vectors on the left: x' = a·x + c·y, y' = b·x + d·y with
    /// `matrix = [a, b, u, c, d, v, tx, ty, w]`. Anything between quarter turns goes to the nearest.
    pub(super) fn from_display_matrix(matrix: &[i32; 9]) -> Self {
        let (a, b, c, d) = (matrix[0], matrix[1], matrix[3], matrix[4]);
        let straight = i64::from(a).abs() + i64::from(d).abs();
        let turned = i64::from(b).abs() + i64::from(c).abs();
        if turned > straight {
            Self { swapped: true, x_reversed: c < 0, y_reversed: b < 0 }
        } else {
            Self { swapped: false, x_reversed: a < 0, y_reversed: d < 0 }
        }
    }

    /// The display matrix for a stored picture of `width` by `height`, with the displayed one's corner back at the origin.
    pub(super) fn display_matrix(self, width: usize, height: usize) -> [i32; 9] {
        const ONE: i32 = 1 << 16;
        let sign = |reversed: bool| if reversed { -ONE } else { ONE };
        let (x, y) = (sign(self.x_reversed), sign(self.y_reversed));
        let (shown_width, shown_height) = self.displayed_size(width, height);
        let tx = if self.x_reversed { (shown_width as i32) << 16 } else { 0 };
        let ty = if self.y_reversed { (shown_height as i32) << 16 } else { 0 };
        let (a, b, c, d) = if self.swapped { (0, y, x, 0) } else { (x, 0, 0, y) };
        [a, b, 0, c, d, 0, tx, ty, 1 << 30]
    }

    /// The stored picture turned clockwise by `quarter_turns` and then, if `mirrored`, left and right exchanged.
    pub(super) fn from_turns(quarter_turns: u8, mirrored: bool) -> Self {
        let (swapped, x_reversed, y_reversed) = match quarter_turns % 4 {
            0 => (false, false, false),
            1 => (true, true, false),
            2 => (false, true, true),
            _ => (true, false, true),
        };
        Self { swapped, x_reversed: x_reversed != mirrored, y_reversed }
    }

    /// Whether left and right are exchanged, whatever the turn.
    pub(super) fn mirrored(self) -> bool {
        self.swapped != (self.x_reversed != self.y_reversed)
    }

    /// Clockwise quarter turns that come before the mirroring.
    pub(super) fn quarter_turns(self) -> u8 {
        let mirrored = self.mirrored();
        (0..4).find(|&turns| Self::from_turns(turns, mirrored) == self).unwrap_or(0)
    }

    pub(super) fn inverse(self) -> Self {
        if self.swapped {
            Self { swapped: true, x_reversed: self.y_reversed, y_reversed: self.x_reversed }
        } else {
            self
        }
    }

    pub(super) fn displayed_size(self, width: usize, height: usize) -> (usize, usize) {
        if self.swapped { (height, width) } else { (width, height) }
    }

    /// Lays the stored `sheet` out as it is displayed and passes the samples through `levels`; `out` is resized as needed.
    pub(super) fn apply(self, sheet: &Sheet, out: &mut Plane, levels: Levels) {
        (out.width, out.height) = self.displayed_size(sheet.width, sheet.height);
        out.samples.resize(out.width * out.height, 0);
        if self.swapped {
            self.transpose(sheet, out);
            levels(&mut out.samples);
        } else {
            self.copy(sheet, out, levels);
        }
    }

    fn copy(self, sheet: &Sheet, out: &mut Plane, levels: Levels) {
        let last = out.height.saturating_sub(1);
        for (y, target) in out.samples.chunks_exact_mut(out.width.max(1)).enumerate() {
            let row = sheet.row(if self.y_reversed { last - y } else { y });
            target.copy_from_slice(row);
            if self.x_reversed {
                target.reverse();
            }
            // While the row is still in the cache.
            levels(target);
        }
    }

    /// Exchanges rows and columns in squares that stay in the cache, each made of tiles of 8 by 8 held in registers.
    fn transpose(self, sheet: &Sheet, out: &mut Plane) {
        const SQUARE: usize = 64;
        for top in (0..sheet.height).step_by(SQUARE) {
            for left in (0..sheet.width).step_by(SQUARE) {
                let bottom = (top + SQUARE).min(sheet.height);
                let right = (left + SQUARE).min(sheet.width);
                for y in (top..bottom).step_by(TILE) {
                    for x in (left..right).step_by(TILE) {
                        if y + TILE <= bottom && x + TILE <= right {
                            self.transpose_tile(sheet, out, x, y);
                        } else {
                            self.transpose_rest(sheet, out, x..right.min(x + TILE), y..bottom.min(y + TILE));
                        }
                    }
                }
            }
        }
    }

    fn transpose_tile(self, sheet: &Sheet, out: &mut Plane, x: usize, y: usize) {
        let mut tile = [0_u64; TILE];
        for (i, word) in tile.iter_mut().enumerate() {
            let row = if self.x_reversed { y + TILE - 1 - i } else { y + i };
            *word = word_at(sheet.row(row), x);
        }
        transpose_words(&mut tile);
        let shown_x = if self.x_reversed { out.width - TILE - y } else { y };
        for (i, word) in tile.iter().enumerate() {
            let shown_y = if self.y_reversed { out.height - 1 - x - i } else { x + i };
            let start = shown_y * out.width + shown_x;
            out.samples[start..start + TILE].copy_from_slice(&word.to_le_bytes());
        }
    }

    fn transpose_rest(self, sheet: &Sheet, out: &mut Plane, xs: std::ops::Range<usize>, ys: std::ops::Range<usize>) {
        for y in ys {
            let shown_x = if self.x_reversed { out.width - 1 - y } else { y };
            for x in xs.clone() {
                let shown_y = if self.y_reversed { out.height - 1 - x } else { x };
                out.samples[shown_y * out.width + shown_x] = sheet.row(y)[x];
            }
        }
    }
}

const TILE: usize = 8;

fn word_at(row: &[u8], x: usize) -> u64 {
    let mut bytes = [0; TILE];
    bytes.copy_from_slice(&row[x..x + TILE]);
    u64::from_le_bytes(bytes)
}

/// Transposes 8 words of 8 bytes by exchanging halves, quarters and eighths (the recursive block exchange of Hacker's
/// Delight, 2nd edition, section 7-3).
fn transpose_words(tile: &mut [u64; TILE]) {
    for (distance, shift, mask) in [(4, 32, 0xffff_ffff), (2, 16, 0x0000_ffff_0000_ffff), (1, 8, 0x00ff_00ff_00ff_00ff)]
    {
        for i in 0..TILE {
            if i & distance == 0 {
                let (low, high) = (tile[i], tile[i + distance]);
                tile[i] = (low & mask) | ((high & mask) << shift);
                tile[i + distance] = ((low >> shift) & mask) | (high & !mask);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all() -> impl Iterator<Item = Orientation> {
        (0..8).map(|bits| Orientation { swapped: bits & 1 != 0, x_reversed: bits & 2 != 0, y_reversed: bits & 4 != 0 })
    }

    #[test]
    fn matrices_and_turns_name_the_same_eight_orientations() {
        for orientation in all() {
            assert_eq!(Orientation::from_display_matrix(&orientation.display_matrix(30, 20)), orientation);
            assert_eq!(Orientation::from_turns(orientation.quarter_turns(), orientation.mirrored()), orientation);
        }
    }

    #[test]
    fn a_clockwise_quarter_turn_puts_the_stored_left_edge_on_top() {
        // ISO/IEC 14496-12, 8.3.2: x' = a·x + c·y, y' = b·x + d·y; (0, 1, -1, 0) sends the x axis down.
        let turn = Orientation::from_display_matrix(&[0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30]);
        assert_eq!((turn.quarter_turns(), turn.mirrored()), (1, false));
        let samples = [1, 2, 3, 4, 5, 6];
        let mut out = Plane { width: 0, height: 0, samples: Vec::new() };
        turn.apply(&Sheet { samples: &samples, stride: 3, width: 3, height: 2 }, &mut out, same_levels);
        assert_eq!((out.width, out.height, out.samples), (2, 3, vec![4, 1, 5, 2, 6, 3]));
    }

    #[test]
    fn every_pixel_lands_where_the_matrix_says() {
        let (width, height, stride) = (77, 85, 80);
        let samples: Vec<u8> = (0..stride * height).map(|i| (i * 31 % 251) as u8).collect();
        let sheet = Sheet { samples: &samples, stride, width, height };
        for orientation in all() {
            let mut out = Plane { width: 0, height: 0, samples: Vec::new() };
            orientation.apply(&sheet, &mut out, same_levels);
            for (x, y) in (0..width).flat_map(|x| (0..height).map(move |y| (x, y))) {
                let (along_x, along_y) = if orientation.swapped { (y, x) } else { (x, y) };
                let shown_x = if orientation.x_reversed { out.width - 1 - along_x } else { along_x };
                let shown_y = if orientation.y_reversed { out.height - 1 - along_y } else { along_y };
                assert_eq!(out.samples[shown_y * out.width + shown_x], samples[y * stride + x], "{orientation:?}");
            }
            let mut back = Plane { width: 0, height: 0, samples: Vec::new() };
            orientation.inverse().apply(&Sheet::of(&out), &mut back, same_levels);
            assert!((0..height).all(|y| back.samples[y * width..(y + 1) * width] == *sheet.row(y)));
        }
    }
}
