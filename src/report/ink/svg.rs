//! A drawing as SVG, with text as outlines so that it looks the same in every viewer and word processor.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::glyphs::{self, PlacedGlyph, Step};
use super::{Colour, Drawing, Op, Paint, Stroke};
use crate::report::fonts::Face;

/// How large the picture is in the page that holds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SvgSize {
    WidthMm(f32),
    WidthPx(u32),
}

/// Writes `drawing` as one SVG document. `title` names it and `description` says in words what it shows, for readers
/// who don't see it; the lines of text that were turned into outlines are repeated in neither.
pub fn document(drawing: &Drawing, size: SvgSize, title: &str, description: &str) -> String {
    let mut glyph_ids = BTreeMap::new();
    let mut body = String::new();
    for op in &drawing.ops {
        write_op(op, &mut glyph_ids, &mut body);
    }
    let ratio = drawing.height / drawing.width;
    let (width, height) = match size {
        SvgSize::WidthMm(mm) => (format!("{}mm", number(mm)), format!("{}mm", number(mm * ratio))),
        SvgSize::WidthPx(px) => (px.to_string(), number((px as f32 * ratio).round())),
    };
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {} {}\" \
         role=\"img\">\n<title>{}</title>\n<desc>{}</desc>\n",
        number(drawing.width),
        number(drawing.height),
        escape(title),
        escape(description)
    );
    write_glyphs(&glyph_ids, &mut out);
    if let Some(ground) = drawing.background {
        let _ = writeln!(out, "<rect width=\"100%\" height=\"100%\" fill=\"{}\"/>", hex(ground));
    }
    out.push_str(&body);
    out.push_str("</svg>\n");
    out
}

type GlyphIds = BTreeMap<(Face, char), usize>;

fn write_glyphs(ids: &GlyphIds, out: &mut String) {
    out.push_str("<defs>\n");
    for (&(face, character), id) in ids {
        let _ = writeln!(out, "<path id=\"g{id}\" d=\"{}\"/>", outline(face, character));
    }
    out.push_str("</defs>\n");
}

fn outline(face: Face, character: char) -> String {
    let mut d = String::new();
    for step in glyphs::steps(face, character) {
        let _ = match step {
            Step::Move(x, y) => write!(d, "M{x} {y}"),
            Step::Line(x, y) => write!(d, "L{x} {y}"),
            Step::Quad(x1, y1, x, y) => write!(d, "Q{x1} {y1} {x} {y}"),
            Step::Cubic(x1, y1, x2, y2, x, y) => write!(d, "C{x1} {y1} {x2} {y2} {x} {y}"),
            Step::Close => write!(d, "Z"),
        };
    }
    d
}

fn write_op(op: &Op, ids: &mut GlyphIds, out: &mut String) {
    let _ = match op {
        Op::Line { points, stroke } => {
            writeln!(
                out,
                "<polyline points=\"{}\" fill=\"none\" stroke-linejoin=\"round\" {}/>",
                list(points),
                line(stroke)
            )
        }
        Op::Area { points, fill } => writeln!(out, "<polygon points=\"{}\" {}/>", list(points), filled(*fill)),
        Op::Disc { centre, radius, fill } => {
            writeln!(out, "<circle {} {}/>", circle(*centre, *radius), filled(*fill))
        }
        Op::Ring { centre, radius, stroke } => {
            writeln!(out, "<circle {} fill=\"none\" {}/>", circle(*centre, *radius), line(stroke))
        }
        Op::Text(text) => {
            let _ = writeln!(out, "<g {}>", filled(text.paint));
            for glyph in glyphs::set(text) {
                write_glyph(&glyph, ids, out);
            }
            writeln!(out, "</g>")
        }
    };
}

fn write_glyph(glyph: &PlacedGlyph, ids: &mut GlyphIds, out: &mut String) {
    let next = ids.len();
    let id = *ids.entry((glyph.face, glyph.character)).or_insert(next);
    let s = glyph.scale;
    let (x, y) = (number(glyph.origin.0), number(glyph.origin.1));
    let _ = if glyph.upwards {
        writeln!(out, "<use href=\"#g{id}\" transform=\"matrix(0 {m:.5} {m:.5} 0 {x} {y})\"/>", m = -s)
    } else {
        writeln!(out, "<use href=\"#g{id}\" transform=\"matrix({s:.5} 0 0 {:.5} {x} {y})\"/>", -s)
    };
}

fn list(points: &[(f32, f32)]) -> String {
    points.iter().map(|p| format!("{},{}", number(p.0), number(p.1))).collect::<Vec<_>>().join(" ")
}

fn circle(centre: (f32, f32), radius: f32) -> String {
    format!("cx=\"{}\" cy=\"{}\" r=\"{}\"", number(centre.0), number(centre.1), number(radius))
}

fn filled(paint: Paint) -> String {
    with_opacity("fill", paint)
}

fn line(stroke: &Stroke) -> String {
    format!("{} stroke-width=\"{}\"", with_opacity("stroke", stroke.paint), number(stroke.width))
}

fn with_opacity(what: &str, paint: Paint) -> String {
    let colour = hex(paint.colour);
    if paint.opacity >= 1.0 {
        format!("{what}=\"{colour}\"")
    } else {
        format!("{what}=\"{colour}\" {what}-opacity=\"{}\"", number(paint.opacity))
    }
}

/// `#rrggbb`.
pub fn hex(colour: Colour) -> String {
    format!("#{:02x}{:02x}{:02x}", colour.0, colour.1, colour.2)
}

/// A number with at most two digits after the point; finer than any screen or printer shows at our units.
fn number(value: f32) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Makes text safe inside XML or HTML, between tags and in attributes.
pub fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;").replace('\'', "&#39;")
}
