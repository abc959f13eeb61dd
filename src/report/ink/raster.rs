//! A drawing as pixels.

use image::{Rgb, RgbImage};
use tiny_skia::{FillRule, LineCap, LineJoin, Path, PathBuilder, Pixmap, Transform};

use super::glyphs::{self, Step};
use super::{Drawing, Op, Paint, Stroke, TextLine};

/// Draws on a white ground (or the drawing's own) at `width_px` pixels; the height follows from the drawing's shape.
///
/// # Panics
/// When the drawing has no area.
pub fn rgb(drawing: &Drawing, width_px: u32) -> RgbImage {
    let scale = width_px as f32 / drawing.width;
    let height_px = (drawing.height * scale).round().max(1.0) as u32;
    let mut image = RgbImage::from_pixel(width_px, height_px, Rgb([255, 255, 255]));
    if let Some(ground) = drawing.background {
        image.pixels_mut().for_each(|pixel| *pixel = Rgb([ground.0, ground.1, ground.2]));
    }
    onto(drawing, &mut image, scale);
    image
}

/// Draws over `image`; one unit of the drawing is `scale` pixels, and both have their origin at the upper left corner
/// of the upper left pixel.
pub fn onto(drawing: &Drawing, image: &mut RgbImage, scale: f32) {
    let Some(layer) = layer(drawing, image.dimensions(), scale) else { return };
    for (pixel, ink) in image.pixels_mut().zip(layer.pixels()) {
        let keep = 255 - u16::from(ink.alpha());
        if keep == 255 {
            continue;
        }
        let over = |below: u8, ink: u8| (u16::from(ink) + (u16::from(below) * keep + 127) / 255).min(255) as u8;
        let [r, g, b] = pixel.0;
        pixel.0 = [over(r, ink.red()), over(g, ink.green()), over(b, ink.blue())];
    }
}

/// The drawing alone on a clear layer; `None` when the layer would have no area.
pub fn layer(drawing: &Drawing, (width, height): (u32, u32), scale: f32) -> Option<Pixmap> {
    let mut pixmap = Pixmap::new(width, height)?;
    let transform = Transform::from_scale(scale, scale);
    for op in &drawing.ops {
        draw(op, &mut pixmap, transform);
    }
    Some(pixmap)
}

fn draw(op: &Op, pixmap: &mut Pixmap, transform: Transform) {
    match op {
        Op::Line { points, stroke } => stroke_path(polyline(points, false), stroke, pixmap, transform),
        Op::Area { points, fill } => fill_path(polyline(points, true), *fill, pixmap, transform),
        Op::Disc { centre, radius, fill } => {
            fill_path(PathBuilder::from_circle(centre.0, centre.1, *radius), *fill, pixmap, transform);
        }
        Op::Ring { centre, radius, stroke } => {
            stroke_path(PathBuilder::from_circle(centre.0, centre.1, *radius), stroke, pixmap, transform);
        }
        Op::Text(line) => fill_path(text_path(line), line.paint, pixmap, transform),
    }
}

fn polyline(points: &[(f32, f32)], closed: bool) -> Option<Path> {
    let (first, rest) = points.split_first()?;
    let mut builder = PathBuilder::new();
    builder.move_to(first.0, first.1);
    rest.iter().for_each(|p| builder.line_to(p.0, p.1));
    if closed {
        builder.close();
    }
    builder.finish()
}

fn text_path(line: &TextLine) -> Option<Path> {
    let mut builder = PathBuilder::new();
    for glyph in glyphs::set(line) {
        for step in glyphs::steps(glyph.face, glyph.character) {
            match step {
                Step::Move(x, y) => {
                    let p = glyph.place(x, y);
                    builder.move_to(p.0, p.1);
                }
                Step::Line(x, y) => {
                    let p = glyph.place(x, y);
                    builder.line_to(p.0, p.1);
                }
                Step::Quad(x1, y1, x, y) => {
                    let (c, p) = (glyph.place(x1, y1), glyph.place(x, y));
                    builder.quad_to(c.0, c.1, p.0, p.1);
                }
                Step::Cubic(x1, y1, x2, y2, x, y) => {
                    let (c1, c2, p) = (glyph.place(x1, y1), glyph.place(x2, y2), glyph.place(x, y));
                    builder.cubic_to(c1.0, c1.1, c2.0, c2.1, p.0, p.1);
                }
                Step::Close => builder.close(),
            }
        }
    }
    builder.finish()
}

fn skia_paint(paint: Paint) -> tiny_skia::Paint<'static> {
    let alpha = (paint.opacity.clamp(0.0, 1.0) * 255.0).round() as u8;
    let mut skia = tiny_skia::Paint { anti_alias: true, ..Default::default() };
    skia.set_color_rgba8(paint.colour.0, paint.colour.1, paint.colour.2, alpha);
    skia
}

fn fill_path(path: Option<Path>, fill: Paint, pixmap: &mut Pixmap, transform: Transform) {
    if let Some(path) = path {
        pixmap.fill_path(&path, &skia_paint(fill), FillRule::Winding, transform, None);
    }
}

fn stroke_path(path: Option<Path>, stroke: &Stroke, pixmap: &mut Pixmap, transform: Transform) {
    let shape = tiny_skia::Stroke {
        width: stroke.width,
        line_join: LineJoin::Round,
        line_cap: LineCap::Butt,
        ..Default::default()
    };
    if let Some(path) = path {
        pixmap.stroke_path(&path, &skia_paint(stroke.paint), &shape, transform, None);
    }
}
