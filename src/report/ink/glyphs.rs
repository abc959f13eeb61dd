//! Lines of text turned into outlines of their glyphs.

use ttf_parser::OutlineBuilder;

use super::{Anchor, TextLine};
use crate::report::fonts::Face;

/// A glyph set in a drawing: where its origin lies and how it is turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacedGlyph {
    pub face: Face,
    pub character: char,
    pub origin: (f32, f32),
    /// Drawing units per design unit of the font.
    pub scale: f32,
    pub upwards: bool,
}

impl PlacedGlyph {
    /// Brings a point of the outline (design units, y up) into the drawing.
    pub fn place(&self, x: f32, y: f32) -> (f32, f32) {
        let (x, y) = (x * self.scale, y * self.scale);
        if self.upwards { (self.origin.0 - y, self.origin.1 - x) } else { (self.origin.0 + x, self.origin.1 - y) }
    }
}

/// Sets a line of text glyph by glyph. Spaces are left out; they only move the pen.
pub fn set(line: &TextLine) -> Vec<PlacedGlyph> {
    let width = line.width();
    let mut pen = match line.anchor {
        Anchor::Start => 0.0,
        Anchor::Middle => -width / 2.0,
        Anchor::End => -width,
    };
    let mut placed = Vec::new();
    for piece in &line.pieces {
        let (size, drop) = (line.size * piece.size(), line.size * piece.drop());
        for character in piece.text.chars() {
            let (x, y) = line.at;
            let origin = if line.upwards { (x + drop, y - pen) } else { (x + pen, y + drop) };
            let scale = size / piece.face.units_per_em();
            if !character.is_whitespace() {
                placed.push(PlacedGlyph { face: piece.face, character, origin, scale, upwards: line.upwards });
            }
            pen += piece.face.advance_em(character) * size;
        }
    }
    placed
}

/// A step of an outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    Move(f32, f32),
    Line(f32, f32),
    Quad(f32, f32, f32, f32),
    Cubic(f32, f32, f32, f32, f32, f32),
    Close,
}

/// The outline of `character` in design units, y up.
pub fn steps(face: Face, character: char) -> Vec<Step> {
    let mut collector = Collector(Vec::new());
    face.outline(character, &mut collector);
    collector.0
}

struct Collector(Vec<Step>);

impl OutlineBuilder for Collector {
    fn move_to(&mut self, x: f32, y: f32) {
        self.0.push(Step::Move(x, y));
    }

    fn line_to(&mut self, x: f32, y: f32) {
        self.0.push(Step::Line(x, y));
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        self.0.push(Step::Quad(x1, y1, x, y));
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        self.0.push(Step::Cubic(x1, y1, x2, y2, x, y));
    }

    fn close(&mut self) {
        self.0.push(Step::Close);
    }
}
