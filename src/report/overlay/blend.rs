//! Lays a drawing onto a picture's planes, leaving every other sample as it was.

use tiny_skia::{Pixmap, PremultipliedColorU8};

use crate::clip::Picture;
use crate::report::ink::{Drawing, raster};
use crate::report::rgb::luma_coefficients;

/// Draws with one unit of the drawing to a pixel.
pub fn onto(drawing: &Drawing, picture: &mut Picture) {
    let Some(layer) = raster::layer(drawing, (picture.width() as u32, picture.height() as u32), 1.0) else { return };
    let (kr, kb) = luma_coefficients(picture.matrix);
    let (kr, kb) = (kr as f32, kb as f32);
    let luma_of = |p: PremultipliedColorU8| {
        kr * f32::from(p.red()) + (1.0 - kr - kb) * f32::from(p.green()) + kb * f32::from(p.blue())
    };
    for (sample, ink) in picture.luma.samples.iter_mut().zip(layer.pixels()) {
        if ink.alpha() > 0 {
            *sample = over(*sample, luma_of(*ink), f32::from(ink.alpha()) / 255.0);
        }
    }
    let width = picture.cb.width;
    let chroma = picture.cb.samples.iter_mut().zip(&mut picture.cr.samples);
    for (i, (cb, cr)) in chroma.enumerate() {
        let Some((alpha, red, blue, luma)) = block(&layer, i % width, i / width, luma_of) else { continue };
        // Premultiplied differences carry their share of the grey level with them.
        *cb = over(*cb, (blue - luma) / (2.0 * (1.0 - kb)) + 128.0 * alpha, alpha);
        *cr = over(*cr, (red - luma) / (2.0 * (1.0 - kr)) + 128.0 * alpha, alpha);
    }
}

fn over(below: u8, ink: f32, alpha: f32) -> u8 {
    (f32::from(below) * (1.0 - alpha) + ink).round().clamp(0.0, 255.0) as u8
}

/// Mean opacity (0 to 1), red, blue and luma of the 2×2 pixels at a chroma sample; `None` when all are clear.
fn block(
    layer: &Pixmap,
    cx: usize,
    cy: usize,
    luma_of: impl Fn(PremultipliedColorU8) -> f32,
) -> Option<(f32, f32, f32, f32)> {
    let (mut count, mut sums) = (0.0, [0.0_f32; 4]);
    for y in 2 * cy..2 * cy + 2 {
        for x in 2 * cx..2 * cx + 2 {
            let Some(p) = layer.pixel(x as u32, y as u32) else { continue };
            count += 1.0;
            let parts = [f32::from(p.alpha()) / 255.0, f32::from(p.red()), f32::from(p.blue()), luma_of(p)];
            sums.iter_mut().zip(parts).for_each(|(sum, part)| *sum += part);
        }
    }
    (sums[0] > 0.0).then(|| (sums[0] / count, sums[1] / count, sums[2] / count, sums[3] / count))
}
