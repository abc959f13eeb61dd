//! A scale card as a printer would make it, for scenes.

use lobline::camera::card::{CARD_MARK_M, CARD_PITCH_M, CardKind, CardName, family};
use lobline::scene::Raster;

/// 2 mm a texel: black cells on white paper with a margin of two cells; and its width in metres.
pub fn card_page(number: usize) -> (Raster, f64) {
    const TEXEL_M: f64 = 0.002;
    let marks = CardName { kind: CardKind::Card, number }.marks().expect("a card of that number");
    let (cell, margin) = (CARD_MARK_M / 8.0, 0.020);
    let (width_m, height_m) =
        (CARD_PITCH_M.0 + CARD_MARK_M + 2.0 * margin, CARD_PITCH_M.1 + CARD_MARK_M + 2.0 * margin);
    let (width, height) = ((width_m / TEXEL_M).round() as usize, (height_m / TEXEL_M).round() as usize);
    let mut samples = vec![235u8; width * height];
    for (i, sample) in samples.iter_mut().enumerate() {
        let x = (i % width) as f64 * TEXEL_M + TEXEL_M / 2.0 - margin;
        let y = (height - 1 - i / width) as f64 * TEXEL_M + TEXEL_M / 2.0 - margin;
        for (id, corner, side) in &marks {
            let (u, v) = ((x - corner.x) / cell, (corner.y + side - y) / cell);
            let inside = (0.0..8.0).contains(&u) && (0.0..8.0).contains(&v);
            if inside && !family::cells(*id).expect("a mark of the family")[v as usize][u as usize] {
                *sample = 25;
            }
        }
    }
    (Raster::from_srgb(width, height, 1, &samples).expect("a page"), width_m)
}
