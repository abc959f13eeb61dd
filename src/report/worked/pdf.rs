//! A sheet as a PDF on A4, with the program's own font inside.

use krilla::Document;
use krilla::color::rgb;
use krilla::geom::{Path, PathBuilder, Point};
use krilla::metadata::Metadata;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke as Pen, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};

use super::SheetError;
use super::markup::{Place, Span, spans};
use super::sheet::{Block, Sheet};
use super::sketch::{Anchor, Drawing, Mark, Stroke};
use crate::report::fonts::Face;

const POINTS_PER_MM: f32 = 72.0 / 25.4;
const PAGE_MM: (f32, f32) = (210.0, 297.0);
const MARGIN_MM: f32 = 20.0;
const TEXT_PT: f32 = 10.5;
const LINE_MM: f32 = 5.4;
/// Raised and lowered text is set at this share of the size.
const SCRIPT_SHARE: f32 = 0.7;

/// The document.
///
/// # Errors
/// [`SheetError::Pdf`] when the library refuses what it was given.
pub fn render(sheet: &Sheet) -> Result<Vec<u8>, SheetError> {
    let fonts = Fonts::load()?;
    let pages = Layout::new().pages(sheet);
    let mut document = Document::new();
    document.set_metadata(Metadata::new().title(sheet.title.clone()).language("en-GB".to_owned()));
    let size = PageSettings::from_wh(PAGE_MM.0 * POINTS_PER_MM, PAGE_MM.1 * POINTS_PER_MM)
        .ok_or_else(|| SheetError::Pdf("the page has no size".to_owned()))?;
    let count = pages.len();
    for (i, items) in pages.into_iter().enumerate() {
        let mut page = document.start_page_with(size.clone());
        let mut surface = page.surface();
        for item in &items {
            item.paint(&mut surface, &fonts);
        }
        let number =
            Item::words(&format!("{} / {count}", i + 1), PAGE_MM.0 / 2.0, PAGE_MM.1 - 10.0, 8.5, Face::Regular);
        number.paint(&mut surface, &fonts);
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|error| SheetError::Pdf(format!("{error:?}")))
}

struct Fonts {
    regular: Font,
    bold: Font,
    oblique: Font,
}

impl Fonts {
    fn load() -> Result<Self, SheetError> {
        let font = |face: Face| {
            Font::new(face.bytes().to_vec().into(), 0)
                .ok_or_else(|| SheetError::Pdf("a font isn't readable".to_owned()))
        };
        Ok(Self { regular: font(Face::Regular)?, bold: font(Face::Bold)?, oblique: font(Face::Oblique)? })
    }

    fn of(&self, face: Face) -> Font {
        match face {
            Face::Regular => &self.regular,
            Face::Bold => &self.bold,
            Face::Oblique => &self.oblique,
        }
        .clone()
    }
}

/// Something at its place on a page; millimetres from the top left corner.
enum Item {
    Words { runs: Vec<Span>, x: f32, y: f32, size_pt: f32, face: Face },
    Line { points: Vec<(f32, f32)>, width_pt: f32, dashed: bool },
    Shape { points: Vec<(f32, f32)> },
}

impl Item {
    fn words(marked: &str, x: f32, y: f32, size_pt: f32, face: Face) -> Self {
        Self::Words { runs: spans(marked), x, y, size_pt, face }
    }

    fn paint(&self, surface: &mut Surface<'_>, fonts: &Fonts) {
        match self {
            Self::Words { runs, x, y, size_pt, face } => paint_words(surface, fonts, runs, (*x, *y), *size_pt, *face),
            Self::Line { points, width_pt, dashed } => {
                let dash = dashed.then(|| StrokeDash { array: vec![4.5, 3.5], offset: 0.0 });
                surface.set_stroke(Some(Pen {
                    paint: rgb::Color::black().into(),
                    width: *width_pt,
                    dash,
                    ..Pen::default()
                }));
                surface.set_fill(None);
                if let Some(path) = polygon(points, false) {
                    surface.draw_path(&path);
                }
                surface.set_stroke(None);
            }
            Self::Shape { points } => {
                surface.set_fill(Some(Fill::default()));
                if let Some(path) = polygon(points, true) {
                    surface.draw_path(&path);
                }
            }
        }
    }
}

fn polygon(points: &[(f32, f32)], closed: bool) -> Option<Path> {
    let mut builder = PathBuilder::new();
    for (i, (x, y)) in points.iter().enumerate() {
        let (x, y) = (x * POINTS_PER_MM, y * POINTS_PER_MM);
        if i == 0 { builder.move_to(x, y) } else { builder.line_to(x, y) }
    }
    if closed {
        builder.close();
    }
    builder.finish()
}

fn paint_words(surface: &mut Surface<'_>, fonts: &Fonts, runs: &[Span], at: (f32, f32), size_pt: f32, face: Face) {
    surface.set_fill(Some(Fill::default()));
    let mut x = at.0 * POINTS_PER_MM;
    for run in runs {
        let (size, shift) = script(run.place, size_pt);
        let face = face_of(run, face);
        let mut offset = 0;
        let glyphs: Vec<KrillaGlyph> = run
            .text
            .chars()
            .map(|character| {
                let range = offset..offset + character.len_utf8();
                offset = range.end;
                let id = GlyphId::new(u32::from(face.glyph(character)));
                KrillaGlyph::new(id, face.advance_em(character), 0.0, 0.0, 0.0, range, None)
            })
            .collect();
        let start = Point::from_xy(x, at.1 * POINTS_PER_MM + shift);
        surface.draw_glyphs(start, &glyphs, fonts.of(face), &run.text, size, false);
        x += face.width_em(&run.text) * size;
    }
}

/// Size and downward shift of a run, in points.
fn script(place: Place, size_pt: f32) -> (f32, f32) {
    match place {
        Place::Line => (size_pt, 0.0),
        Place::Lowered => (SCRIPT_SHARE * size_pt, 0.2 * size_pt),
        Place::Raised => (SCRIPT_SHARE * size_pt, -0.35 * size_pt),
    }
}

fn face_of(run: &Span, face: Face) -> Face {
    if run.italic && face == Face::Regular { Face::Oblique } else { face }
}

fn width_mm(runs: &[Span], size_pt: f32, face: Face) -> f32 {
    let points: f32 =
        runs.iter().map(|run| face_of(run, face).width_em(&run.text) * script(run.place, size_pt).0).sum();
    points / POINTS_PER_MM
}

/// Fills pages from the top.
struct Layout {
    pages: Vec<Vec<Item>>,
    /// Next base line, mm from the top.
    y: f32,
}

impl Layout {
    fn new() -> Self {
        Self { pages: vec![Vec::new()], y: MARGIN_MM }
    }

    fn pages(mut self, sheet: &Sheet) -> Vec<Vec<Item>> {
        self.y += 4.0;
        self.paragraph(&sheet.title, 16.0, Face::Bold, 0.0);
        self.y += 2.0;
        for (i, block) in sheet.blocks.iter().enumerate() {
            self.keep_together(block, sheet.blocks.get(i + 1));
            self.block(block);
        }
        self.pages
    }

    /// Starts a page when the block would be torn, or a heading would stand alone at the foot.
    fn keep_together(&mut self, block: &Block, next: Option<&Block>) {
        if *block == Block::PageBreak {
            return;
        }
        let follows = match (block, next) {
            (Block::Heading(_) | Block::Paragraph(_), Some(next @ (Block::Formula(_) | Block::Paragraph(_)))) => {
                height_mm(next)
            }
            (Block::Heading(_), Some(next)) => height_mm(next),
            _ => 0.0,
        };
        let room = PAGE_MM.1 - MARGIN_MM - self.y;
        if height_mm(block) + follows > room && height_mm(block) < PAGE_MM.1 - 2.0 * MARGIN_MM {
            self.new_page();
        }
    }

    /// A page that is still empty serves.
    fn new_page(&mut self) {
        if self.pages.last().is_some_and(Vec::is_empty) {
            return;
        }
        self.pages.push(Vec::new());
        self.y = MARGIN_MM + 4.0;
    }

    fn push(&mut self, item: Item) {
        self.pages.last_mut().expect("there is a page").push(item);
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading(text) => {
                self.y += 4.0;
                self.paragraph(text, 12.5, Face::Bold, 0.0);
            }
            Block::Paragraph(text) => self.paragraph(text, TEXT_PT, Face::Regular, 0.0),
            Block::Formula(lines) => {
                for line in lines {
                    self.paragraph(line, TEXT_PT, Face::Regular, 10.0);
                }
                self.y += 1.5;
            }
            Block::Answer(text) => {
                let top = self.y - 4.0;
                self.paragraph(text, TEXT_PT, Face::Bold, 4.0);
                let points = vec![(MARGIN_MM + 1.0, top), (MARGIN_MM + 1.0, self.y - 4.5)];
                self.push(Item::Line { points, width_pt: 2.5, dashed: false });
                self.y += 1.5;
            }
            Block::Table { head, rows } => self.table(head, rows),
            Block::Sketch(drawing) => self.drawing(drawing),
            Block::Cautions(cautions) => self.cautions(cautions),
            Block::WritingLines(count) => self.writing_lines(*count),
            Block::PageBreak => self.new_page(),
        }
    }

    /// Sets marked text in as many lines as it needs. Runs are broken at spaces.
    fn paragraph(&mut self, marked: &str, size_pt: f32, face: Face, indent_mm: f32) {
        // Indented on both sides, so that framed text keeps clear of its frame.
        let width = PAGE_MM.0 - 2.0 * (MARGIN_MM + indent_mm);
        let line_mm = LINE_MM * (size_pt / TEXT_PT).max(1.0);
        for line in break_lines(&spans(marked), width, size_pt, face) {
            if self.y > PAGE_MM.1 - MARGIN_MM {
                self.new_page();
            }
            let y = self.y;
            self.push(Item::Words { runs: line, x: MARGIN_MM + indent_mm, y, size_pt, face });
            self.y += line_mm;
        }
        self.y += 1.0;
    }

    fn table(&mut self, head: &[String], rows: &[Vec<String>]) {
        let columns = column_widths(head, rows);
        let right = MARGIN_MM + columns.iter().sum::<f32>();
        for (i, row) in std::iter::once(head).chain(rows.iter().map(Vec::as_slice)).enumerate() {
            if self.y > PAGE_MM.1 - MARGIN_MM {
                self.new_page();
            }
            let face = if i == 0 { Face::Bold } else { Face::Regular };
            let mut x = MARGIN_MM;
            let y = self.y;
            for (cell, width) in row.iter().zip(&columns) {
                self.push(Item::words(cell, x, y, TABLE_PT, face));
                x += width;
            }
            let rule = vec![(MARGIN_MM, self.y + 1.8), (right, self.y + 1.8)];
            self.push(Item::Line { points: rule, width_pt: if i == 0 { 0.8 } else { 0.3 }, dashed: false });
            self.y += ROW_MM;
        }
        self.y += 2.5;
    }

    fn cautions(&mut self, cautions: &[String]) {
        self.y += 2.0;
        let top = self.y - 5.0;
        self.paragraph("Take care", TEXT_PT, Face::Bold, 4.0);
        for caution in cautions {
            self.paragraph(&format!("– {caution}"), TEXT_PT, Face::Regular, 4.0);
        }
        let (left, right, bottom) = (MARGIN_MM, PAGE_MM.0 - MARGIN_MM, self.y - 3.0);
        let frame = vec![(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
        self.push(Item::Line { points: frame, width_pt: 0.8, dashed: false });
        self.y += 4.0;
    }

    fn writing_lines(&mut self, count: usize) {
        for _ in 0..count {
            self.y += 3.5;
            let y = self.y;
            let points = vec![(MARGIN_MM, y), (PAGE_MM.0 - MARGIN_MM, y)];
            self.push(Item::Line { points, width_pt: 0.3, dashed: false });
            self.y += 5.0;
        }
    }

    fn drawing(&mut self, drawing: &Drawing) {
        let left = MARGIN_MM + 0.5 * (PAGE_MM.0 - 2.0 * MARGIN_MM - drawing.width_mm as f32);
        let top = self.y - 4.0;
        let place = |(x, y): (f64, f64)| (left + x as f32, top + y as f32);
        for mark in &drawing.marks {
            self.push(match mark {
                Mark::Line { points, stroke } => {
                    let (width_pt, dashed) = match stroke {
                        Stroke::Path => (1.8, false),
                        Stroke::Thin => (0.8, false),
                        Stroke::Dashed => (0.6, true),
                    };
                    Item::Line { points: points.iter().map(|point| place(*point)).collect(), width_pt, dashed }
                }
                Mark::Head { tip, direction } => {
                    Item::Shape { points: arrow_head(*tip, *direction).into_iter().map(place).collect() }
                }
                Mark::Ball { centre } => Item::Shape { points: circle(*centre, 1.4).into_iter().map(place).collect() },
                Mark::Word { at, text, anchor } => {
                    let runs = spans(text);
                    let (x, y) = place(*at);
                    let back = match anchor {
                        Anchor::Start => 0.0,
                        Anchor::Middle => 0.5,
                        Anchor::End => 1.0,
                    } * width_mm(&runs, TEXT_PT, Face::Regular);
                    Item::Words { runs, x: x - back, y, size_pt: TEXT_PT, face: Face::Regular }
                }
            });
        }
        self.y += drawing.height_mm as f32 + 2.0;
    }
}

const TABLE_PT: f32 = 9.5;
const ROW_MM: f32 = 6.4;

/// As wide as each needs, drawn together where they would not fit.
fn column_widths(head: &[String], rows: &[Vec<String>]) -> Vec<f32> {
    let widest = |column: usize| {
        let cells = std::iter::once(head).chain(rows.iter().map(Vec::as_slice)).filter_map(|row| row.get(column));
        // The head is bold and therefore the wider face for both.
        cells.map(|cell| width_mm(&spans(cell), TABLE_PT, Face::Bold)).fold(0.0, f32::max) + 5.0
    };
    let widths: Vec<f32> = (0..head.len()).map(widest).collect();
    let squeeze = ((PAGE_MM.0 - 2.0 * MARGIN_MM) / widths.iter().sum::<f32>()).min(1.0);
    widths.into_iter().map(|width| width * squeeze).collect()
}

/// What a block takes, roughly upwards: enough to decide whether it fits.
fn height_mm(block: &Block) -> f32 {
    let lines = |text: &str| (text.chars().count() as f32 / 88.0).ceil().max(1.0);
    match block {
        Block::Heading(_) => 11.0,
        Block::Paragraph(text) => LINE_MM * lines(text) + 1.0,
        Block::Formula(rows) => (LINE_MM + 1.0) * rows.len() as f32 + 2.0,
        Block::Answer(text) => LINE_MM * lines(text) + 3.0,
        Block::Table { rows, .. } => ROW_MM * (rows.len() + 1) as f32 + 3.0,
        Block::Sketch(drawing) => drawing.height_mm as f32 + 2.0,
        Block::Cautions(cautions) => 12.0 + cautions.iter().map(|text| LINE_MM * lines(text) + 1.0).sum::<f32>(),
        Block::WritingLines(count) => 8.5 * *count as f32,
        Block::PageBreak => 0.0,
    }
}

/// Breaks runs at spaces so that no line is wider than `width_mm` (a single long word may be).
fn break_lines(runs: &[Span], width: f32, size_pt: f32, face: Face) -> Vec<Vec<Span>> {
    let mut lines: Vec<Vec<Span>> = vec![Vec::new()];
    let mut used = 0.0;
    for word in words(runs) {
        let needed = width_mm(&word, size_pt, face);
        let visible = width_mm(&trimmed(&word), size_pt, face);
        if used > 0.0 && used + visible > width {
            lines.push(Vec::new());
            used = 0.0;
        }
        used += needed;
        lines.last_mut().expect("there is a line").extend(word);
    }
    lines
}

/// Runs cut after each space; what isn't parted by a space stays together.
fn words(runs: &[Span]) -> Vec<Vec<Span>> {
    let mut words: Vec<Vec<Span>> = vec![Vec::new()];
    for run in runs {
        for piece in run.text.split_inclusive(' ') {
            words.last_mut().expect("there is a word").push(Span { text: piece.to_owned(), ..run.clone() });
            if piece.ends_with(' ') {
                words.push(Vec::new());
            }
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

fn trimmed(word: &[Span]) -> Vec<Span> {
    let mut word = word.to_vec();
    if let Some(last) = word.last_mut() {
        last.text = last.text.trim_end().to_owned();
    }
    word
}

/// Corners of an arrow's head, mm.
pub(super) fn arrow_head(tip: (f64, f64), direction: (f64, f64)) -> [(f64, f64); 3] {
    let (dx, dy) = direction;
    let back = (tip.0 - 3.0 * dx, tip.1 - 3.0 * dy);
    [tip, (back.0 - 1.0 * dy, back.1 + 1.0 * dx), (back.0 + 1.0 * dy, back.1 - 1.0 * dx)]
}

fn circle(centre: (f64, f64), radius: f64) -> Vec<(f64, f64)> {
    (0..24)
        .map(|i| {
            let (sin, cos) = (f64::from(i) * std::f64::consts::TAU / 24.0).sin_cos();
            (centre.0 + radius * cos, centre.1 + radius * sin)
        })
        .collect()
}
