//! The printed page: marks, the bar that shows whether the printer scaled, how to film, and what to beware of.

use krilla::color::luma;
use krilla::geom::{PathBuilder, Point, Rect, Size};
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use thiserror::Error;

use super::family::{CELLS, cells};
use super::{BAR_M, CARD_MARK_M, CARD_PITCH_M, CardKind, CardName, SHEET_MARK_M};

/// Paper to print on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// 210 × 297 mm (ISO 216).
    A4,
    /// 8.5 × 11 in, 215.9 × 279.4 mm.
    Letter,
}

impl Paper {
    /// Width and height, mm.
    pub const fn size_mm(self) -> (f32, f32) {
        match self {
            Self::A4 => (210.0, 297.0),
            Self::Letter => (215.9, 279.4),
        }
    }
}

/// Font files to set the page's words in.
#[derive(Debug, Clone, Copy)]
pub struct Typeface {
    pub regular: &'static [u8],
    pub bold: &'static [u8],
}

/// Why a page could not be made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum SheetError {
    #[error("there is no {0}")]
    NoSuchCard(String),
    #[error("the page could not be written: {0}")]
    Document(String),
}

impl SheetError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::NoSuchCard(_) => {
                format!("cards are numbered 1 to {}, mark sheets 1 to {}", super::CARDS, super::SHEETS)
            }
            Self::Document(_) => {
                "this is a fault of lobline's own: please report it with the command you gave".to_owned()
            }
        }
    }
}

/// Top of the marks, mm below the paper's upper edge.
const MARKS_TOP_MM: f32 = 30.0;
/// Points in a millimetre.
const POINTS_PER_MM: f32 = 72.0 / 25.4;

/// A PDF file with one page for each card.
///
/// # Errors
/// [`SheetError::NoSuchCard`] for a number that isn't in the set.
pub fn pdf(cards: &[CardName], paper: Paper, typeface: Typeface) -> Result<Vec<u8>, SheetError> {
    let fonts = Fonts::of(typeface)?;
    let mut document = krilla::Document::new();
    for card in cards {
        let (width, height) = paper.size_mm();
        let size = Size::from_wh(width * POINTS_PER_MM, height * POINTS_PER_MM);
        let settings = PageSettings::new(size.ok_or_else(|| SheetError::Document("paper without size".to_owned()))?);
        let mut page = document.start_page_with(settings);
        {
            let mut sheet = Sheet { surface: page.surface(), fonts: &fonts, width };
            sheet.draw(*card)?;
        }
        page.finish();
    }
    document.finish().map_err(|error| SheetError::Document(format!("{error:?}")))
}

/// A font for the file, and its measures.
struct Cut {
    font: Font,
    face: ttf_parser::Face<'static>,
}

struct Fonts {
    regular: Cut,
    bold: Cut,
}

impl Fonts {
    fn of(typeface: Typeface) -> Result<Self, SheetError> {
        let cut = |bytes: &'static [u8]| {
            let unreadable = || SheetError::Document("a font could not be read".to_owned());
            let font = Font::new(bytes.to_vec().into(), 0).ok_or_else(unreadable)?;
            let face = ttf_parser::Face::parse(bytes, 0).map_err(|_| unreadable())?;
            Ok(Cut { font, face })
        };
        Ok(Self { regular: cut(typeface.regular)?, bold: cut(typeface.bold)? })
    }
}

impl Cut {
    fn glyphs(&self, text: &str) -> Vec<KrillaGlyph> {
        let glyph = |(start, character): (usize, char)| {
            let id = self.face.glyph_index(character).unwrap_or(ttf_parser::GlyphId(0));
            let advance = f32::from(self.face.glyph_hor_advance(id).unwrap_or(0)) / f32::from(self.face.units_per_em());
            let range = start..start + character.len_utf8();
            KrillaGlyph::new(GlyphId::new(u32::from(id.0)), advance, 0.0, 0.0, 0.0, range, None)
        };
        text.char_indices().map(glyph).collect()
    }

    /// Width of a line of text, mm.
    fn width_mm(&self, text: &str, points: f32) -> f32 {
        self.glyphs(text).iter().map(|glyph| glyph.x_advance).sum::<f32>() * points / POINTS_PER_MM
    }
}

struct Sheet<'a, 'b> {
    surface: Surface<'a>,
    fonts: &'b Fonts,
    width: f32,
}

impl Sheet<'_, '_> {
    fn draw(&mut self, card: CardName) -> Result<(), SheetError> {
        let marks = card.marks().ok_or_else(|| SheetError::NoSuchCard(card.words()))?;
        let (block_width, block_height) = block_mm(card.kind);
        let left = (self.width - block_width) / 2.0;
        for (id, at, side) in marks {
            let side = side as f32 * 1000.0;
            let top = MARKS_TOP_MM + block_height - at.y as f32 * 1000.0 - side;
            self.mark(id, left + at.x as f32 * 1000.0, top, side);
        }
        let name = capitalised(&card.words());
        self.centred(&format!("{name} ↑ this way up"), 13.0, 15.0, true);
        if card.kind == CardKind::Card {
            // Between the rows of marks, whose white margins stay free.
            let middle = MARKS_TOP_MM + block_height / 2.0;
            self.centred(&name, middle + 1.0, 20.0, true);
            self.centred("keep the white margins free: lobline reads these marks", middle + 7.0, 8.0, false);
        }
        let below = MARKS_TOP_MM + block_height;
        self.bar(below + 12.0);
        self.hints(below + 25.0);
        Ok(())
    }

    /// All black cells as one path: rectangles painted one by one would show hairlines where they meet.
    fn mark(&mut self, id: usize, left: f32, top: f32, side: f32) {
        let Some(pattern) = cells(id) else { return };
        let cell = side / CELLS as f32;
        let mut path = PathBuilder::new();
        for (i, white) in pattern.iter().flatten().enumerate() {
            let (x, y) = (left + (i % CELLS) as f32 * cell, top + (i / CELLS) as f32 * cell);
            if !white && let Some(rect) = rectangle_mm(x, y, cell, cell) {
                path.push_rect(rect);
            }
        }
        self.fill(path);
    }

    fn bar(&mut self, top: f32) {
        let length = BAR_M as f32 * 1000.0;
        let left = (self.width - length) / 2.0;
        self.rectangle(left, top, length, 1.2);
        for end in [left, left + length - 0.3] {
            self.rectangle(end, top - 3.0, 0.3, 7.2);
        }
        let words = format!("measure me: must be {length:.1} mm from outer edge to outer edge");
        self.centred(&words, top + 7.0, 10.0, true);
    }

    fn hints(&mut self, top: f32) {
        let mut y = top;
        for line in HINTS {
            let x = (self.width - 186.0) / 2.0;
            self.text(line, x, y, 7.6, false);
            y += 3.75;
        }
    }

    fn rectangle(&mut self, x: f32, y: f32, w: f32, h: f32) {
        let mut path = PathBuilder::new();
        if let Some(rect) = rectangle_mm(x, y, w, h) {
            path.push_rect(rect);
        }
        self.fill(path);
    }

    fn fill(&mut self, path: PathBuilder) {
        if let Some(path) = path.finish() {
            self.ink();
            self.surface.draw_path(&path);
        }
    }

    fn ink(&mut self) {
        let fill = Fill { paint: luma::Color::black().into(), opacity: NormalizedF32::ONE, rule: FillRule::NonZero };
        self.surface.set_fill(Some(fill));
        self.surface.set_stroke(None);
    }

    fn centred(&mut self, text: &str, y: f32, points: f32, bold: bool) {
        let cut = if bold { &self.fonts.bold } else { &self.fonts.regular };
        let x = (self.width - cut.width_mm(text, points)) / 2.0;
        self.text(text, x, y, points, bold);
    }

    fn text(&mut self, text: &str, x: f32, y: f32, points: f32, bold: bool) {
        let cut = if bold { &self.fonts.bold } else { &self.fonts.regular };
        let (glyphs, font) = (cut.glyphs(text), cut.font.clone());
        self.ink();
        let start = Point::from_xy(x * POINTS_PER_MM, y * POINTS_PER_MM);
        self.surface.draw_glyphs(start, &glyphs, font, text, points, false);
    }
}

fn rectangle_mm(x: f32, y: f32, w: f32, h: f32) -> Option<Rect> {
    let points = |mm: f32| mm * POINTS_PER_MM;
    Rect::from_xywh(points(x), points(y), points(w), points(h))
}

/// Width and height of the marks together, mm.
fn block_mm(kind: CardKind) -> (f32, f32) {
    let (w, h) = match kind {
        CardKind::Card => (CARD_PITCH_M.0 + CARD_MARK_M, CARD_PITCH_M.1 + CARD_MARK_M),
        CardKind::Sheet => (SHEET_MARK_M, SHEET_MARK_M),
    };
    (w as f32 * 1000.0, h as f32 * 1000.0)
}

fn capitalised(words: &str) -> String {
    let mut characters = words.chars();
    characters.next().map_or(String::new(), |first| first.to_uppercase().chain(characters).collect())
}

/// Filming hints and cautions, a line each, at most 186 mm wide in 7.6 points.
const HINTS: &[&str] = &[
    "Print at 100 % (“actual size”), not fitted to the page. If the bar isn’t right, write what it measures as measured_bar in the rig.",
    "Fix the card flat and upright where the ball will fly, not on the wall behind: 10 cm of depth at 3 m is about 3 % of g.",
    "Better: two cards, one at each end of the flight. Best: four, around it. Each needs its own number.",
    "Phone on a stand, 3 m to 5 m away, square to the flight; the whole flight in view; plenty of light. Stabilisation and HDR off.",
    "CAUTION: eye protection for everyone near the launcher, a clear landing zone, nobody in the line of flight.",
    "Your school’s safety rules and local law come first.",
];

#[cfg(test)]
#[path = "sheet_tests.rs"]
mod tests;
