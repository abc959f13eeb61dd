//! When each row of a picture was taken.

use crate::clip::ClipInfo;
use crate::rig::ReadoutDirection;
use crate::units::PixelPoint;

/// A rolling shutter in the displayed picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shutter {
    /// Time from the first row of the sensor to the last, s; 0 for a global shutter or when it isn't known.
    pub readout_s: f64,
    pub direction: ReadoutDirection,
    /// Size of the displayed picture, px.
    pub size_px: (f64, f64),
}

impl Shutter {
    /// Time after the picture's first row at which the row through `at` was taken, s.
    ///
    /// Linear from row to row: the centre of row r of H, counted from 0, is taken at readout · (r + ½) / H.
    pub fn row_time_s(&self, at: PixelPoint) -> f64 {
        let (w, h) = self.size_px;
        let share = match self.direction {
            ReadoutDirection::Down => (at.y + 0.5) / h,
            ReadoutDirection::Up => (h - 0.5 - at.y) / h,
            ReadoutDirection::Right => (at.x + 0.5) / w,
            ReadoutDirection::Left => (w - 0.5 - at.x) / w,
        };
        self.readout_s * share
    }
}

/// Which way the sensor's rows follow each other in the displayed picture of a clip.
///
/// The stored picture is taken to be read from its top row down; turning it clockwise by a quarter brings its top row to the
/// right edge. Mirroring comes after turning and swaps left and right.
pub fn displayed_direction(info: &ClipInfo) -> ReadoutDirection {
    use ReadoutDirection::{Down, Left, Right, Up};
    match (info.quarter_turns % 4, info.mirrored) {
        (0, _) => Down,
        (2, _) => Up,
        (1, false) | (3, true) => Left,
        _ => Right,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_come_in_the_stated_order() {
        let shutter = |direction| Shutter { readout_s: 0.02, direction, size_px: (200.0, 100.0) };
        let at = PixelPoint::new(150.0, 25.0);
        let times = [
            (ReadoutDirection::Down, 0.0051),
            (ReadoutDirection::Up, 0.0149),
            (ReadoutDirection::Right, 0.01505),
            (ReadoutDirection::Left, 0.00495),
        ];
        for (direction, time) in times {
            // Exact fractions: rounding only.
            assert!((shutter(direction).row_time_s(at) - time).abs() < 1e-15, "{direction:?}");
        }
    }
}
