//! Disc-like parts of changes that are too large or too ragged to be a ball: the ball before a person who moves as well.
//!
//! Where a ball passes a moving arm, shirt or head, everything there departs from the resting scene and makes one region. A
//! ball is then told by its even colour: the region's cells are split at several levels of each channel, and round pieces
//! become candidates like any other. Cells (4×4 px) are fine enough to seed an arc; the refinement doesn't start from them
//! alone.

use crate::sight::blobs::Blob;
use crate::sight::cells::{CELL, CellBox};
use crate::sight::watch::{KeptFrame, TILE, Window};
use crate::units::PixelPoint;

/// Cells of a region that is worth splitting: smaller ones are blobs by themselves.
const LEAST_REGION: usize = 60;
/// Cells of a piece, from a ball of 16 px to one of 160 px.
const PIECE: std::ops::RangeInclusive<usize> = 12..=1300;
/// A piece fills its ellipse by at least this: a disc does by 1, a square by 0.95, an L by 0.6.
const LEAST_FILL: f64 = 0.85;
/// Longer over shorter axis; streaks of a ball this large are short.
const LONGEST_ASPECT: f64 = 1.7;
/// Shares of a region's range at which its cells are split.
const SPLITS: [f64; 5] = [0.2, 0.35, 0.5, 0.65, 0.8];
/// Most pieces kept of a frame.
const MOST_PIECES: usize = 40;

/// Round pieces of the large ones among the changed regions of a frame.
pub fn discs_within(window: &Window, frame: &KeptFrame, place: usize, regions: &[Vec<u32>]) -> Vec<Blob> {
    let columns = window.width / CELL;
    let mut pieces = Vec::new();
    for region in regions.iter().filter(|region| region.len() >= LEAST_REGION) {
        let colours: Vec<[f32; 3]> =
            region.iter().map(|&cell| cell_colour(window, frame, cell as usize, columns)).collect();
        for channel in 0..3 {
            split(region, &colours, channel, columns, place, &mut pieces);
        }
    }
    distinct(pieces)
}

/// Mean luma, cb and cr of a cell.
fn cell_colour(window: &Window, frame: &KeptFrame, cell: usize, columns: usize) -> [f32; 3] {
    let (x, y) = (cell % columns * CELL, cell / columns * CELL);
    let tile = (y / TILE * window.width.div_ceil(TILE) + x / TILE) as u32;
    let Some((luma, cb, cr)) = frame.tile(tile) else { return [0.0, 128.0, 128.0] };
    let mean = |samples: &[u8], edge: usize, scale: usize| {
        let (left, top) = (x % TILE / scale, y % TILE / scale);
        let stride = TILE / scale;
        let sum: u32 = (0..edge * edge).map(|i| u32::from(samples[(top + i / edge) * stride + left + i % edge])).sum();
        sum as f32 / (edge * edge) as f32
    };
    [mean(luma, CELL, 1), mean(cb, CELL / 2, 2), mean(cr, CELL / 2, 2)]
}

/// Splits a region at several levels of one channel and adds the round pieces above and below each.
fn split(
    region: &[u32],
    colours: &[[f32; 3]],
    channel: usize,
    columns: usize,
    place: usize,
    pieces: &mut Vec<(f64, Blob)>,
) {
    let mut values: Vec<f32> = colours.iter().map(|colour| colour[channel]).collect();
    values.sort_by(f32::total_cmp);
    let (low, high) = (values[values.len() / 50], values[values.len() - 1 - values.len() / 50]);
    // An even region has no pieces; chroma ranges less than luma.
    if high - low < if channel == 0 { 40.0 } else { 16.0 } {
        return;
    }
    let around = CellBox::around(region, columns);
    for share in SPLITS {
        let level = low + (high - low) * share as f32;
        let above = |i: usize| colours[i][channel] > level;
        pieces.extend(round_pieces(&around, region, colours, above, columns, place));
    }
}

/// Round pieces of the region's cells that are `above` a level, and of those that aren't.
fn round_pieces(
    around: &CellBox,
    region: &[u32],
    colours: &[[f32; 3]],
    above: impl Fn(usize) -> bool,
    columns: usize,
    place: usize,
) -> Vec<(f64, Blob)> {
    around
        .connected(region, above)
        .iter()
        .filter(|group| PIECE.contains(&group.len()))
        .filter_map(|group| piece(group, region, colours, columns, place))
        .collect()
}

/// A group of cells as a blob with its fill, when it is round.
fn piece(group: &[usize], region: &[u32], colours: &[[f32; 3]], columns: usize, place: usize) -> Option<(f64, Blob)> {
    let count = group.len() as f64;
    let at = |i: usize| {
        let cell = region[i] as usize;
        // Middle of the cell: pixel centres are whole numbers.
        let middle = |start: usize| (start * CELL) as f64 + 0.5 * (CELL as f64 - 1.0);
        (middle(cell % columns), middle(cell / columns))
    };
    let (mut x, mut y) = (0.0, 0.0);
    for &i in group {
        let place = at(i);
        (x, y) = (x + place.0 / count, y + place.1 / count);
    }
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for &i in group {
        let (dx, dy) = (at(i).0 - x, at(i).1 - y);
        (xx, xy, yy) = (xx + dx * dx / count, xy + dx * dy / count, yy + dy * dy / count);
    }
    // A cell is a square of its own: edge²/12.
    let own = (CELL * CELL) as f64 / 12.0;
    let (xx, yy) = (xx + own, yy + own);
    let half_difference = (0.5 * (xx - yy)).hypot(xy);
    let long = (0.5 * (xx + yy) + half_difference).sqrt();
    let short = (0.5 * (xx + yy) - half_difference).max(1e-3).sqrt();
    let area = count * (CELL * CELL) as f64;
    // A filled ellipse has the area 4π·σ₁·σ₂.
    let fill = area / (4.0 * std::f64::consts::PI * long * short);
    if fill < LEAST_FILL || long / short > LONGEST_ASPECT {
        return None;
    }
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    let colour = std::array::from_fn(|part| group.iter().map(|&i| colours[i][part]).sum::<f32>() / count as f32);
    let blob = Blob {
        frame: place,
        centre: PixelPoint::new(x, y),
        area: area as f32,
        axes: (long as f32, short as f32),
        direction: (angle.cos() as f32, angle.sin() as f32),
        colour,
        // Between faint and strong blobs: pieces are many and shouldn't crowd the clear ones out.
        peak: 20.0,
    };
    Some((fill, blob))
}

/// The roundest of pieces that are about the same, at most [`MOST_PIECES`].
fn distinct(mut pieces: Vec<(f64, Blob)>) -> Vec<Blob> {
    pieces.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<Blob> = Vec::new();
    for (_, blob) in pieces {
        let known = kept.iter().any(|other| {
            let reach = 0.25 * blob.diameter().max(other.diameter());
            other.centre.distance(blob.centre) < reach && (0.6..1.7).contains(&(blob.area / other.area))
        });
        if !known {
            kept.push(blob);
        }
        if kept.len() == MOST_PIECES {
            break;
        }
    }
    kept
}
