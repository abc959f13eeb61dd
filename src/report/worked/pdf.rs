//! A sheet as PDF on A4, with what each part is for screen readers.

use super::SheetError;
use super::sheet::{Block, Sheet};
use super::sketch::{Anchor, Drawing, Mark, Stroke};
use crate::report::ink::text::{self, Piece, bold, rich, width_em, wrap_pieces};
use crate::report::ink::{self, Colour, TextLine};
use crate::report::pdf::{Ink, Item, Laid, MARGIN, PAGE, Role};

const POINTS_PER_MM: f32 = 72.0 / 25.4;
const TEXT: f32 = 10.5;
const LINE: f32 = 15.3;
/// Room of a formula to its left, of a framed text on both sides.
const FORMULA_INDENT: f32 = 28.3;
const FRAME_INDENT: f32 = 11.3;
const WIDTH: f32 = PAGE.0 - 2.0 * MARGIN;
const BOTTOM: f32 = PAGE.1 - MARGIN;
/// First base line of a page.
const TOP: f32 = MARGIN + 11.3;
const BLACK: Colour = Colour(0, 0, 0);
const TABLE: f32 = 9.5;
const ROW: f32 = 18.1;
/// Drawn and left out of a dashed line.
const DASH: (f32, f32) = (4.5, 3.5);

/// The document.
///
/// # Errors
/// [`SheetError::Pdf`] when the library refuses what it was given.
pub fn render(sheet: &Sheet) -> Result<Vec<u8>, SheetError> {
    laid(sheet).document().map_err(|error| SheetError::Pdf(error.to_string()))
}

/// On its pages. A last page that would hold little but the cautions begins with the last heading instead, as a reader would turn the
/// page.
fn laid(sheet: &Sheet) -> Laid {
    const LITTLE: f32 = 0.4;
    let (first, filled_to, last_heading) = Layout::new(&sheet.title).laid(sheet, None);
    let pages = first.pages.len();
    if pages == 1 || filled_to > TOP + LITTLE * (BOTTOM - TOP) {
        return first;
    }
    let (second, ..) = Layout::new(&sheet.title).laid(sheet, last_heading);
    if second.pages.len() == pages { second } else { first }
}

/// Fills pages from the top.
struct Layout {
    laid: Laid,
    /// Next base line.
    y: f32,
}

impl Layout {
    fn new(title: &str) -> Self {
        Self { laid: Laid::new(text::plain(title)), y: TOP }
    }

    /// With a new page before the block `break_before`; how far down the last page is filled, and the last heading on the page before
    /// it, by its block.
    fn laid(mut self, sheet: &Sheet, break_before: Option<usize>) -> (Laid, f32, Option<usize>) {
        self.heading(1, &text::literal(&sheet.title), 16.0);
        self.y += 5.7;
        let mut headings = Vec::new();
        for (i, block) in sheet.blocks.iter().enumerate() {
            if break_before == Some(i) {
                self.new_page();
            }
            self.keep_together(block, sheet.blocks.get(i + 1));
            if matches!(block, Block::Heading(_)) {
                headings.push((self.laid.pages.len(), i));
            }
            self.block(block);
        }
        let before_last = self.laid.pages.len() - 1;
        let heading = headings.iter().rev().find(|(page, _)| *page <= before_last).map(|(_, block)| *block);
        self.page_numbers();
        (self.laid, self.y, heading)
    }

    fn page_numbers(&mut self) {
        let count = self.laid.pages.len();
        for (i, page) in self.laid.pages.iter_mut().enumerate() {
            let at = (PAGE.0 / 2.0, PAGE.1 - 28.3);
            let number = line(rich(&format!("{} / {count}", i + 1)), at, 8.5, ink::Anchor::Middle);
            page.push(Item { ink: Ink::Text(number), part: None });
        }
    }

    /// Starts a page when the block would be torn, or a heading would stand alone at the foot.
    fn keep_together(&mut self, block: &Block, next: Option<&Block>) {
        if *block == Block::PageBreak {
            return;
        }
        let follows = match (block, next) {
            (Block::Heading(_) | Block::Paragraph(_), Some(next @ (Block::Formula(_) | Block::Paragraph(_)))) => {
                height(next)
            }
            (Block::Heading(_), Some(next)) => height(next),
            _ => 0.0,
        };
        if height(block) + follows > BOTTOM - self.y && height(block) < BOTTOM - MARGIN {
            self.new_page();
        }
    }

    /// A page that is still empty serves.
    fn new_page(&mut self) {
        if self.laid.pages.last().is_some_and(|page| !page.is_empty()) {
            self.laid.pages.push(Vec::new());
            self.y = TOP;
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading(text) => {
                self.y += 11.3;
                self.heading(2, text, 12.5);
            }
            Block::Paragraph(text) => self.paragraph(rich(text), 0.0),
            Block::Formula(lines) => {
                lines.iter().for_each(|line| self.paragraph(rich(line), FORMULA_INDENT));
                self.y += 4.3;
            }
            Block::Answer(text) => {
                let top = self.y - 11.3;
                self.paragraph(bold(text), FRAME_INDENT);
                self.rule((MARGIN + 2.8, top), (MARGIN + 2.8, self.y - 12.8), 2.5);
                self.y += 4.3;
            }
            Block::Table { head, rows } => self.table(head, rows),
            Block::Sketch(drawing) => self.sketch(drawing),
            Block::Cautions(cautions) => self.cautions(cautions),
            Block::WritingLines(count) => self.writing_lines(*count),
            Block::PageBreak => self.new_page(),
        }
    }

    fn rule(&mut self, from: (f32, f32), to: (f32, f32), width: f32) {
        self.laid.put(Ink::Rule { from, to, width }, None);
    }

    fn heading(&mut self, level: u16, marked: &str, size: f32) {
        let part = self.laid.heading(level, text::plain(marked), self.y - size);
        self.lines(bold(marked), 0.0, size, part);
    }

    fn paragraph(&mut self, pieces: Vec<Piece>, indent: f32) {
        let part = self.laid.part(0, Role::Paragraph);
        self.lines(pieces, indent, TEXT, part);
    }

    /// Sets text in as many lines as it needs, indented on both sides.
    fn lines(&mut self, pieces: Vec<Piece>, indent: f32, size: f32, part: usize) {
        let mut lines = wrap_pieces(pieces, (WIDTH - 2.0 * indent) / size);
        Laid::with_spaces(&mut lines);
        for pieces in lines {
            if self.y > BOTTOM {
                self.new_page();
            }
            let at = (MARGIN + indent, self.y);
            self.laid.put(Ink::Text(line(pieces, at, size, ink::Anchor::Start)), Some(part));
            self.y += LINE * (size / TEXT).max(1.0);
        }
        self.y += 2.8;
    }

    fn table(&mut self, head: &[String], rows: &[Vec<String>]) {
        let columns = column_widths(head, rows);
        let right = MARGIN + columns.iter().sum::<f32>();
        let table = self.laid.part(0, Role::Table);
        for (i, row) in std::iter::once(head).chain(rows.iter().map(Vec::as_slice)).enumerate() {
            if self.y > BOTTOM {
                self.new_page();
            }
            let is_head = i == 0;
            let part = self.laid.part(table, Role::Row);
            let mut x = MARGIN;
            for (text, width) in row.iter().zip(&columns) {
                let cell = self.laid.part(part, if is_head { Role::ColumnHead } else { Role::Cell });
                let pieces = if is_head { bold(text) } else { rich(text) };
                self.laid.put(Ink::Text(line(pieces, (x, self.y), TABLE, ink::Anchor::Start)), Some(cell));
                x += width;
            }
            self.rule((MARGIN, self.y + 5.1), (right, self.y + 5.1), if is_head { 0.8 } else { 0.3 });
            self.y += ROW;
        }
        self.y += 7.1;
    }

    fn cautions(&mut self, cautions: &[String]) {
        self.y += 5.7;
        let top = self.y - 14.2;
        self.paragraph(bold("Take care"), FRAME_INDENT);
        let list = self.laid.part(0, Role::List);
        for caution in cautions {
            let entry = self.laid.part(list, Role::ListItem);
            let (mark, body) = (self.laid.part(entry, Role::Bullet), self.laid.part(entry, Role::ItemBody));
            let at = (MARGIN + FRAME_INDENT, self.y);
            self.laid.put(Ink::Text(line(rich("–"), at, TEXT, ink::Anchor::Start)), Some(mark));
            self.lines(rich(caution), 2.0 * FRAME_INDENT, TEXT, body);
        }
        let (left, right, bottom) = (MARGIN, PAGE.0 - MARGIN, self.y - 8.5);
        let corners = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
        corners.windows(2).for_each(|side| self.rule(side[0], side[1], 0.8));
        self.y += 11.3;
    }

    fn writing_lines(&mut self, count: usize) {
        for _ in 0..count {
            self.y += 9.9;
            self.rule((MARGIN, self.y), (PAGE.0 - MARGIN, self.y), 0.3);
            self.y += 14.2;
        }
    }

    fn sketch(&mut self, drawing: &Drawing) {
        let left = MARGIN + 0.5 * (WIDTH - drawing.width_mm as f32 * POINTS_PER_MM);
        let figure = self.laid.part(0, Role::Figure { alt: drawing.description.clone() });
        let drawn = Ink::Drawing { drawing: Box::new(inked(drawing)), at: (left, self.y - 11.3), scale: POINTS_PER_MM };
        self.laid.put(drawn, Some(figure));
        self.y += (drawing.height_mm as f32 + 2.0) * POINTS_PER_MM;
    }
}

fn line(pieces: Vec<Piece>, at: (f32, f32), size: f32, anchor: ink::Anchor) -> TextLine {
    TextLine { pieces, at, size, anchor, upwards: false, paint: BLACK.into() }
}

/// The sketch as strokes and fills, still in millimetres.
fn inked(drawing: &Drawing) -> ink::Drawing {
    let mut inked = ink::Drawing::new(drawing.width_mm as f32, drawing.height_mm as f32, None);
    let place = |(x, y): (f64, f64)| (x as f32, y as f32);
    for mark in &drawing.marks {
        match mark {
            Mark::Line { points, stroke } => {
                let points: Vec<(f32, f32)> = points.iter().map(|point| place(*point)).collect();
                let pen = |width: f32| ink::Stroke { paint: BLACK.into(), width: width / POINTS_PER_MM };
                match stroke {
                    Stroke::Path => inked.line(&points, pen(1.8)),
                    Stroke::Thin => inked.line(&points, pen(0.8)),
                    Stroke::Dashed => points.windows(2).for_each(|ends| dashed(&mut inked, ends[0], ends[1], pen(0.6))),
                }
            }
            Mark::Head { tip, direction } => inked.area(&arrow_head(*tip, *direction).map(place), BLACK),
            Mark::Ball { centre } => inked.disc(place(*centre), 1.4, BLACK),
            Mark::Word { at, text, anchor } => {
                let anchor = match anchor {
                    Anchor::Start => ink::Anchor::Start,
                    Anchor::Middle => ink::Anchor::Middle,
                    Anchor::End => ink::Anchor::End,
                };
                inked.words(text, place(*at), TEXT / POINTS_PER_MM, anchor, BLACK);
            }
        }
    }
    inked
}

/// A straight line in dashes; the last one may be shorter.
fn dashed(drawing: &mut ink::Drawing, from: (f32, f32), to: (f32, f32), pen: ink::Stroke) {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy);
    let (on, step) = (DASH.0 / POINTS_PER_MM, (DASH.0 + DASH.1) / POINTS_PER_MM);
    let at = |along: f32| (from.0 + dx * along / length, from.1 + dy * along / length);
    for dash in 0..(length / step).ceil() as usize {
        let begin = dash as f32 * step;
        drawing.line(&[at(begin), at((begin + on).min(length))], pen);
    }
}

/// As wide as each needs, drawn together where they would not fit.
fn column_widths(head: &[String], rows: &[Vec<String>]) -> Vec<f32> {
    let widest = |column: usize| {
        let cells = std::iter::once(head).chain(rows.iter().map(Vec::as_slice)).filter_map(|row| row.get(column));
        // The head is bold and therefore the wider face for both.
        cells.map(|cell| width_em(&bold(cell)) * TABLE).fold(0.0, f32::max) + 14.2
    };
    let widths: Vec<f32> = (0..head.len()).map(widest).collect();
    let squeeze = (WIDTH / widths.iter().sum::<f32>()).min(1.0);
    widths.into_iter().map(|width| width * squeeze).collect()
}

/// What a block takes.
fn height(block: &Block) -> f32 {
    let lines =
        |text: &str, indent: f32| wrap_pieces(rich(text), (WIDTH - 2.0 * indent) / TEXT).len() as f32 * LINE + 2.8;
    match block {
        Block::Heading(_) => 31.2,
        Block::Paragraph(text) => lines(text, 0.0),
        Block::Formula(rows) => rows.iter().map(|row| lines(row, FORMULA_INDENT)).sum::<f32>() + 4.3,
        Block::Answer(text) => lines(text, FRAME_INDENT) + 4.3,
        Block::Table { rows, .. } => ROW * (rows.len() + 1) as f32 + 7.1,
        Block::Sketch(drawing) => (drawing.height_mm as f32 + 2.0) * POINTS_PER_MM,
        Block::Cautions(cautions) => 25.0 + cautions.iter().map(|text| lines(text, 2.0 * FRAME_INDENT)).sum::<f32>(),
        Block::WritingLines(count) => 24.1 * *count as f32,
        Block::PageBreak => 0.0,
    }
}

/// Corners of an arrow's head, mm.
pub(super) fn arrow_head(tip: (f64, f64), direction: (f64, f64)) -> [(f64, f64); 3] {
    let (dx, dy) = direction;
    let back = (tip.0 - 3.0 * dx, tip.1 - 3.0 * dy);
    [tip, (back.0 - 1.0 * dy, back.1 + 1.0 * dx), (back.0 + 1.0 * dy, back.1 - 1.0 * dx)]
}
