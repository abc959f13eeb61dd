//! Turning and mirroring of the stored picture into the displayed one.

#![allow(unsafe_code, reason = "the processor's own instructions")]

use std::ops::Range;

use super::Plane;
use super::planes::Sheet;

/// Changes levels in place, sample by sample.
pub(super) type Levels = fn(&mut [u8]);

/// Leaves levels as they are.
pub(super) fn same_levels(_: &mut [u8]) {}

/// Whether a display matrix turns by quarters and mirrors only, at equal scales, within a hundredth.
pub(super) fn is_by_quarters(matrix: &[i32; 9]) -> bool {
    let [a, b, c, d] = [matrix[0], matrix[1], matrix[3], matrix[4]].map(|number| i64::from(number).abs());
    let same = |x: i64, y: i64| 100 * (x - y).abs() <= x.max(y);
    let (main, rest) = if b + c > a + d { ((b, c), (a, d)) } else { ((a, d), (b, c)) };
    main.0 > 0 && same(main.0, main.1) && 100 * rest.0.max(rest.1) <= main.0
}

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
            self.transpose(sheet, out, levels);
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

    /// Exchanges rows and columns in squares that stay in the cache, each made of tiles held in registers. A strip
    /// of stored columns becomes a band of displayed rows, whose levels are changed before it leaves the cache.
    fn transpose(self, sheet: &Sheet, out: &mut Plane, levels: Levels) {
        const SQUARE: usize = 64;
        for left in (0..sheet.width).step_by(SQUARE) {
            let right = (left + SQUARE).min(sheet.width);
            for top in (0..sheet.height).step_by(SQUARE) {
                let bottom = (top + SQUARE).min(sheet.height);
                self.transpose_square(sheet, out, left..right, top..bottom);
            }
            let band = if self.y_reversed { out.height - right..out.height - left } else { left..right };
            levels(&mut out.samples[band.start * out.width..band.end * out.width]);
        }
    }

    fn transpose_square(self, sheet: &Sheet, out: &mut Plane, xs: Range<usize>, ys: Range<usize>) {
        for y in ys.clone().step_by(TILE) {
            for x in xs.clone().step_by(TILE) {
                if y + TILE <= ys.end && x + TILE <= xs.end {
                    self.transpose_tile(sheet, out, x, y);
                } else {
                    self.transpose_rest(sheet, out, x..xs.end.min(x + TILE), y..ys.end.min(y + TILE));
                }
            }
        }
    }

    fn transpose_tile(self, sheet: &Sheet, out: &mut Plane, x: usize, y: usize) {
        let shown_x = if self.x_reversed { out.width - TILE - y } else { y };
        let shown_y = if self.y_reversed { out.height - TILE - x } else { x };
        let stored = &sheet.samples[y * sheet.stride + x..];
        let shown = &mut out.samples[shown_y * out.width + shown_x..];
        transpose_tile(stored, sheet.stride, self.x_reversed, shown, out.width, self.y_reversed);
    }

    fn transpose_rest(self, sheet: &Sheet, out: &mut Plane, xs: Range<usize>, ys: Range<usize>) {
        for y in ys {
            let shown_x = if self.x_reversed { out.width - 1 - y } else { y };
            for x in xs.clone() {
                let shown_y = if self.y_reversed { out.height - 1 - x } else { x };
                out.samples[shown_y * out.width + shown_x] = sheet.row(y)[x];
            }
        }
    }
}

const TILE: usize = 16;
const HALF: usize = TILE / 2;

type Row = [u8; TILE];

/// Exchanges rows and columns of one tile, reading its rows from the last if `stored_reversed` and writing them to the last
/// first if `shown_reversed`.
///
/// In each of four rounds every row is interleaved with the one half a tile below it. A round turns the address of a
/// sample by one binary place, and after four of eight places row and column have changed roles.
fn transpose_tile(
    stored: &[u8],
    stored_stride: usize,
    stored_reversed: bool,
    shown: &mut [u8],
    shown_stride: usize,
    shown_reversed: bool,
) {
    let place = |i: usize, reversed: bool| if reversed { TILE - 1 - i } else { i };
    let mut rows = [[0; TILE]; TILE];
    for i in 0..TILE {
        rows[i].copy_from_slice(&stored[place(i, stored_reversed) * stored_stride..][..TILE]);
    }
    let rows = round(&round(&round(&round(&rows))));
    for i in 0..TILE {
        shown[place(i, shown_reversed) * shown_stride..][..TILE].copy_from_slice(&rows[i]);
    }
}

#[inline(always)]
fn round(rows: &[Row; TILE]) -> [Row; TILE] {
    let mut next = [[0; TILE]; TILE];
    for i in 0..HALF {
        let (low, high) = interleaved(&rows[i], &rows[i + HALF]);
        next[2 * i] = low;
        next[2 * i + 1] = high;
    }
    next
}

/// The samples of `a` and `b` in turn: first those of their lower halves, then those of the upper.
#[cfg(target_arch = "x86_64")]
#[inline(always)]
fn interleaved(a: &Row, b: &Row) -> (Row, Row) {
    use std::arch::x86_64::{__m128i, _mm_unpackhi_epi8, _mm_unpacklo_epi8};
    use std::mem::transmute;
    // SAFETY: both types are sixteen bytes for which every pattern is valid, and every x86-64 processor has SSE2.
    unsafe {
        let (a, b) = (transmute::<Row, __m128i>(*a), transmute::<Row, __m128i>(*b));
        let (low, high) = (_mm_unpacklo_epi8(a, b), _mm_unpackhi_epi8(a, b));
        (transmute::<__m128i, Row>(low), transmute::<__m128i, Row>(high))
    }
}

/// The samples of `a` and `b` in turn: first those of their lower halves, then those of the upper.
#[cfg(not(target_arch = "x86_64"))]
#[inline(always)]
fn interleaved(a: &Row, b: &Row) -> (Row, Row) {
    let low = std::array::from_fn(|i| if i % 2 == 0 { a[i / 2] } else { b[i / 2] });
    let high = std::array::from_fn(|i| if i % 2 == 0 { a[HALF + i / 2] } else { b[HALF + i / 2] });
    (low, high)
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

    /// Turns by 45° and 1°, a stretch, a slant and an empty matrix are nobody's quarter turn; rounding of a tenth of a per cent is.
    #[test]
    fn matrices_that_are_no_quarter_turn_are_told() {
        let of = |a: f64, b: f64, c: f64, d: f64| {
            let one = |x: f64| (x * 65536.0) as i32;
            is_by_quarters(&[one(a), one(b), 0, one(c), one(d), 0, 0, 0, 1 << 30])
        };
        for orientation in all() {
            assert!(is_by_quarters(&orientation.display_matrix(30, 20)));
        }
        assert!(of(0.999, 0.001, 0.0, 1.0) && of(2.0, 0.0, 0.0, -2.0));
        let (sin, cos) = 45f64.to_radians().sin_cos();
        let (sin1, cos1) = 1f64.to_radians().sin_cos();
        for (a, b, c, d) in [
            (cos, sin, -sin, cos),
            (cos1, sin1, -sin1, cos1),
            (1.0, 0.0, 0.0, 1.5),
            (1.0, 0.2, 0.0, 1.0),
            (0.0, 0.0, 0.0, 0.0),
        ] {
            assert!(!of(a, b, c, d), "{a} {b} {c} {d}");
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
