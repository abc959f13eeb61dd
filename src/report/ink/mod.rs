//! Drawings as a list of strokes, fills and lines of text, and the three ways to put one out: pixels, SVG and PDF.
//!
//! The plotting library draws into a [`recorder::Recorder`]; what it recorded comes out alike in each form, with smooth
//! edges and with text as outlines of the fonts inside the program.

pub mod glyphs;
pub mod raster;
pub mod recorder;
pub mod svg;
pub mod text;

use text::Piece;

/// Units of a drawing in one em of its ordinary text: fine enough that whole numbers of units place a line well below
/// the size of a printer's dot.
pub const UNITS_PER_EM: f32 = 1000.0;

/// Red, green and blue, sRGB.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Colour(pub u8, pub u8, pub u8);

/// A colour that lets some of what lies below through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Paint {
    pub colour: Colour,
    /// 0 unseen to 1 opaque.
    pub opacity: f32,
}

impl From<Colour> for Paint {
    fn from(colour: Colour) -> Self {
        Self { colour, opacity: 1.0 }
    }
}

/// A line's paint and width in units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    pub paint: Paint,
    pub width: f32,
}

/// Where a line of text stands against its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// One line of text in pieces of different cut, on a common baseline.
#[derive(Debug, Clone, PartialEq)]
pub struct TextLine {
    pub pieces: Vec<Piece>,
    /// Point of the baseline, in units.
    pub at: (f32, f32),
    /// Size of one em, in units.
    pub size: f32,
    pub anchor: Anchor,
    /// Whether the text runs upwards, turned a quarter turn against the clock.
    pub upwards: bool,
    pub paint: Paint,
}

impl TextLine {
    /// Width of the whole line in units.
    pub fn width(&self) -> f32 {
        text::width_em(&self.pieces) * self.size
    }
}

/// One thing drawn; later things cover earlier ones. Places in units, x right, y down.
#[derive(Debug, Clone, PartialEq)]
pub enum Op {
    Line { points: Vec<(f32, f32)>, stroke: Stroke },
    Area { points: Vec<(f32, f32)>, fill: Paint },
    Disc { centre: (f32, f32), radius: f32, fill: Paint },
    Ring { centre: (f32, f32), radius: f32, stroke: Stroke },
    Text(TextLine),
}

/// A drawing: its size in units and what is on it.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    pub width: f32,
    pub height: f32,
    pub background: Option<Colour>,
    pub ops: Vec<Op>,
}

impl Drawing {
    pub fn new(width: f32, height: f32, background: Option<Colour>) -> Self {
        Self { width, height, background, ops: Vec::new() }
    }

    pub fn line(&mut self, points: &[(f32, f32)], stroke: Stroke) {
        self.ops.push(Op::Line { points: points.to_vec(), stroke });
    }

    pub fn area(&mut self, points: &[(f32, f32)], fill: impl Into<Paint>) {
        self.ops.push(Op::Area { points: points.to_vec(), fill: fill.into() });
    }

    /// A filled rectangle from its upper left corner.
    pub fn rectangle(&mut self, (x, y): (f32, f32), (w, h): (f32, f32), fill: impl Into<Paint>) {
        self.area(&[(x, y), (x + w, y), (x + w, y + h), (x, y + h)], fill);
    }

    pub fn disc(&mut self, centre: (f32, f32), radius: f32, fill: impl Into<Paint>) {
        self.ops.push(Op::Disc { centre, radius, fill: fill.into() });
    }

    pub fn ring(&mut self, centre: (f32, f32), radius: f32, stroke: Stroke) {
        self.ops.push(Op::Ring { centre, radius, stroke });
    }

    pub fn text(&mut self, line: TextLine) {
        self.ops.push(Op::Text(line));
    }

    /// A level line of text in the marks of [`text::rich`].
    pub fn words(&mut self, text: &str, at: (f32, f32), size: f32, anchor: Anchor, colour: Colour) {
        self.text(TextLine { pieces: text::rich(text), at, size, anchor, upwards: false, paint: colour.into() });
    }
}
