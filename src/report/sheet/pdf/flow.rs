//! Lays blocks onto pages.

use super::{Ink, Item, Laid, MARGIN, PAGE, Part, Role};
use crate::report::ink::text::{self, Piece, bold, rich, width_em, wrap_pieces};
use crate::report::ink::{Anchor, Colour, Drawing, TextLine};
use crate::report::sheet::{Block, Sheet, Table};

const WIDTH: f32 = PAGE.0 - 2.0 * MARGIN;
/// 145 mm: two graphs with residuals then share a page.
const FIGURE_WIDTH: f32 = 411.0;
/// 130 mm: an upright picture leaves room for the results beside it on the page.
const PHOTO_HEIGHT: f32 = 368.5;
const BODY: f32 = 10.0;
const SMALL: f32 = 9.0;
/// Captions of the small graphs.
const TINY: f32 = 7.5;
const LEADING: f32 = 1.4;
/// From a line's top to its baseline, in em.
const ASCENT: f32 = 1.0;
const INK: Colour = Colour(0x1a, 0x1a, 0x1a);
const GAP: f32 = 8.0;
const BOTTOM: f32 = PAGE.1 - MARGIN;

pub fn flow(sheet: &Sheet) -> Laid {
    let mut flow = Flow {
        laid: Laid {
            title: text::plain(&sheet.title),
            pages: vec![Vec::new()],
            parts: vec![Part { role: Role::Document, children: Vec::new() }],
            contents: Vec::new(),
        },
        y: MARGIN,
    };
    flow.heading(1, &sheet.title);
    for (i, block) in sheet.blocks.iter().enumerate() {
        flow.block(block, &sheet.blocks[i + 1..]);
    }
    flow.page_numbers();
    flow.laid
}

struct Flow {
    laid: Laid,
    /// Where the next block begins on the last page.
    y: f32,
}

impl Flow {
    fn part(&mut self, parent: usize, role: Role) -> usize {
        let part = self.laid.parts.len();
        self.laid.parts.push(Part { role, children: Vec::new() });
        self.laid.parts[parent].children.push(part);
        part
    }

    fn put(&mut self, ink: Ink, part: Option<usize>) {
        self.laid.pages.last_mut().expect("never without a page").push(Item { ink, part });
    }

    fn rule(&mut self, x: f32, length: f32, y: f32, width: f32) {
        self.put(Ink::Rule { from: (x, y), to: (x + length, y), width }, None);
    }

    fn room(&self) -> f32 {
        BOTTOM - self.y
    }

    /// Goes to a new page unless `height` fits, or the page is still empty.
    fn need(&mut self, height: f32) {
        if height > self.room() && self.y > MARGIN {
            self.laid.pages.push(Vec::new());
            self.y = MARGIN;
        }
    }

    fn block(&mut self, block: &Block, after: &[Block]) {
        match block {
            Block::Heading { level, text } => {
                let follows = after.first().map_or(0.0, least_height);
                self.y += GAP;
                self.need(30.0 + follows);
                self.heading(u16::from(*level), text);
            }
            Block::Paragraph(text) => {
                // What announces something stays with it.
                let follows = after.first().filter(|_| text.ends_with(':')).map_or(0.0, least_height);
                self.paragraph(text, follows);
            }
            Block::Fields(names) => self.fields(names),
            Block::List(items) => self.list(items),
            Block::Table(table) => self.table(table),
            Block::Drawing { drawing, alt, caption, .. } => self.drawing(drawing, alt, caption),
            Block::Photo { jpeg, size, alt, caption } => self.photo(jpeg, *size, alt, caption),
            Block::Blank { prompt, lines } => self.blank(prompt, *lines),
            Block::Folded { title, blocks } => self.folded(title, blocks),
        }
    }

    /// Sets lines from the present height downwards.
    fn lines(&mut self, lines: Vec<Vec<Piece>>, x: f32, size: f32, part: Option<usize>) {
        let count = lines.len();
        for (i, mut pieces) in lines.into_iter().enumerate() {
            self.need(size * LEADING);
            // A reader that follows the text needs the space that the line's end stands for.
            if i + 1 < count
                && let Some(last) = pieces.last_mut()
            {
                last.text.push(' ');
            }
            let at = (x, self.y + ASCENT * size);
            self.put(Ink::Text(line(pieces, at, size, Anchor::Start)), part);
            self.y += size * LEADING;
        }
    }

    fn heading(&mut self, level: u16, marked: &str) {
        let size = if level == 1 { 18.0 } else { 13.0 };
        let text = text::plain(marked);
        let part = self.part(0, Role::Heading { level, text: text.clone() });
        self.laid.contents.push((text, self.laid.pages.len() - 1, self.y));
        self.lines(wrap_pieces(bold(marked), WIDTH / size), MARGIN, size, Some(part));
        self.y += 3.0;
    }

    fn paragraph(&mut self, marked: &str, follows: f32) {
        let part = self.part(0, Role::Paragraph);
        let lines = text::wrap(marked, WIDTH / BODY);
        // No line of a short paragraph stands alone on the next page.
        self.need(lines.len().min(8) as f32 * BODY * LEADING + follows);
        self.lines(lines, MARGIN, BODY, Some(part));
        self.y += GAP * 0.7;
    }

    fn fields(&mut self, names: &[String]) {
        let each = WIDTH / names.len() as f32;
        self.y += GAP;
        for (i, name) in names.iter().enumerate() {
            let part = self.part(0, Role::Paragraph);
            let x = MARGIN + i as f32 * each;
            let pieces = rich(name);
            let wide = width_em(&pieces) * BODY + 5.0;
            self.put(Ink::Text(line(pieces, (x, self.y + BODY), BODY, Anchor::Start)), Some(part));
            self.rule(x + wide, each - wide - 10.0, self.y + BODY + 2.0, 0.6);
        }
        self.y += BODY * LEADING + GAP;
    }

    fn list(&mut self, items: &[String]) {
        const INDENT: f32 = 12.0;
        let list = self.part(0, Role::List);
        for item in items {
            let lines = text::wrap(item, (WIDTH - INDENT) / BODY);
            self.need(lines.len() as f32 * BODY * LEADING);
            let entry = self.part(list, Role::ListItem);
            let (bullet, body) = (self.part(entry, Role::Bullet), self.part(entry, Role::ItemBody));
            let at = (MARGIN + 2.0, self.y + BODY);
            self.put(Ink::Text(line(rich("•"), at, BODY, Anchor::Start)), Some(bullet));
            self.lines(lines, MARGIN + INDENT, BODY, Some(body));
            self.y += 2.0;
        }
        self.y += GAP * 0.6;
    }

    fn drawing(&mut self, drawing: &Drawing, alt: &str, caption: &str) {
        let natural = FIGURE_WIDTH * drawing.height / drawing.width;
        let (height, caption) = self.figure_height(natural, caption);
        let scale = height / drawing.height;
        let ink = Ink::Drawing { drawing: Box::new(drawing.clone()), at: (MARGIN, self.y), scale };
        self.figure(ink, height, alt, caption);
    }

    fn photo(&mut self, jpeg: &[u8], size: (u32, u32), alt: &str, caption: &str) {
        let shape = size.1 as f32 / size.0 as f32;
        let (height, caption) = self.figure_height((WIDTH * shape).min(PHOTO_HEIGHT), caption);
        let ink = Ink::Photo { jpeg: jpeg.to_vec(), at: (MARGIN, self.y), size: (height / shape, height) };
        self.figure(ink, height, alt, caption);
    }

    /// Graphs two by two, all else as usual.
    fn folded(&mut self, title: &str, blocks: &[Block]) {
        self.y += GAP;
        self.need(30.0 + blocks.first().map_or(0.0, |block| least_height(block).min(260.0)));
        self.heading(3, title);
        let is_drawing = |block: &Block| matches!(block, Block::Drawing { .. });
        let mut after = blocks;
        for group in blocks.chunk_by(|a, b| is_drawing(a) && is_drawing(b)) {
            after = &after[group.len()..];
            for pair in group.chunks(if is_drawing(&group[0]) { 2 } else { 1 }) {
                match pair {
                    [one] if !is_drawing(one) => self.block(one, after),
                    pair => self.side_by_side(pair),
                }
            }
        }
    }

    /// Graphs beside each other, each with its caption in its own column.
    fn side_by_side(&mut self, pair: &[Block]) {
        const BETWEEN: f32 = 14.0;
        let column = (WIDTH - BETWEEN) / 2.0;
        let laid: Vec<_> = pair
            .iter()
            .filter_map(|block| match block {
                Block::Drawing { drawing, alt, caption, .. } => {
                    let lines = text::wrap(caption, column / TINY);
                    Some((drawing, alt, lines, column * drawing.height / drawing.width))
                }
                _ => None,
            })
            .collect();
        let height = |lines: &Vec<Vec<Piece>>, drawn: f32| drawn + 3.0 + lines.len() as f32 * TINY * LEADING;
        let tallest = laid.iter().map(|(_, _, lines, drawn)| height(lines, *drawn)).fold(0.0, f32::max);
        self.need(tallest);
        let top = self.y;
        for (i, (drawing, alt, lines, drawn)) in laid.into_iter().enumerate() {
            let x = MARGIN + i as f32 * (column + BETWEEN);
            let figure = self.part(0, Role::Figure { alt: alt.clone() });
            let scale = drawn / drawing.height;
            self.put(Ink::Drawing { drawing: drawing.clone(), at: (x, top), scale }, Some(figure));
            let caption = self.part(0, Role::Caption);
            self.y = top + drawn + 3.0;
            self.lines(lines, x, TINY, Some(caption));
        }
        self.y = top + tallest + GAP;
    }

    /// Turns the page if figure and caption don't fit together; makes the figure smaller if they fit on no page.
    fn figure_height(&mut self, natural: f32, caption: &str) -> (f32, Vec<Vec<Piece>>) {
        let lines = text::wrap(caption, WIDTH / SMALL);
        let below = lines.len() as f32 * SMALL * LEADING + 4.0;
        let height = natural.min(BOTTOM - MARGIN - below);
        self.need(height + below);
        (height, lines)
    }

    fn figure(&mut self, ink: Ink, height: f32, alt: &str, caption: Vec<Vec<Piece>>) {
        let figure = self.part(0, Role::Figure { alt: alt.to_owned() });
        self.put(ink, Some(figure));
        self.y += height + 4.0;
        let part = self.part(0, Role::Caption);
        self.lines(caption, MARGIN, SMALL, Some(part));
        self.y += GAP * 1.5;
    }

    fn blank(&mut self, prompt: &str, lines: usize) {
        const LINE: f32 = 22.0;
        let words = text::wrap(prompt, WIDTH / BODY);
        self.need(words.len() as f32 * BODY * LEADING + lines as f32 * LINE + GAP);
        let part = self.part(0, Role::Paragraph);
        self.lines(words, MARGIN, BODY, Some(part));
        for _ in 0..lines {
            self.y += LINE;
            self.rule(MARGIN, WIDTH, self.y, 0.4);
        }
        self.y += GAP * 1.5;
    }

    fn table(&mut self, table: &Table) {
        let widths = column_widths(table);
        let part = self.part(0, Role::Table);
        let caption = self.part(part, Role::TableCaption);
        let caption_lines = text::wrap(&table.caption, WIDTH / SMALL);
        self.need(caption_lines.len() as f32 * SMALL * LEADING + 4.0 * SMALL * LEADING);
        self.lines(caption_lines, MARGIN, SMALL, Some(caption));
        self.y += 2.0;
        if !table.head.is_empty() {
            self.head(table, &widths, Some(part));
        }
        for row in &table.rows {
            let cells = cells(row, &widths, false);
            if row_height(&cells) > self.room() && self.y > MARGIN {
                self.need(f32::INFINITY);
                if !table.head.is_empty() {
                    // Said once already: here it only helps the eye.
                    self.head(table, &widths, None);
                }
            }
            let roles = |i: usize| if i == 0 { Role::RowHead } else { Role::Cell };
            self.row(cells, table, &widths, Some(part), roles, 0.3);
        }
        self.y += GAP * 1.2;
    }

    fn head(&mut self, table: &Table, widths: &[f32], part: Option<usize>) {
        self.row(cells(&table.head, widths, true), table, widths, part, |_| Role::ColumnHead, 0.9);
    }

    fn row(
        &mut self,
        cells: Vec<Vec<Vec<Piece>>>,
        table: &Table,
        widths: &[f32],
        part: Option<usize>,
        role: impl Fn(usize) -> Role,
        rule: f32,
    ) {
        let height = row_height(&cells);
        let row = part.map(|p| self.part(p, Role::Row));
        let mut x = MARGIN;
        for (i, (lines, width)) in cells.into_iter().zip(widths).enumerate() {
            let cell = row.map(|r| self.part(r, role(i)));
            let flush_right = table.numbers && i > 0;
            let (at_x, anchor) = if flush_right { (x + width - CELL_GAP, Anchor::End) } else { (x, Anchor::Start) };
            for (n, pieces) in lines.into_iter().enumerate() {
                let at = (at_x, self.y + SMALL * (ASCENT + n as f32 * CELL_LEADING));
                self.put(Ink::Text(line(pieces, at, SMALL, anchor)), cell);
            }
            x += width;
        }
        self.y += height;
        self.rule(MARGIN, widths.iter().sum(), self.y - 1.5, rule);
    }

    fn page_numbers(&mut self) {
        let count = self.laid.pages.len();
        for (i, page) in self.laid.pages.iter_mut().enumerate() {
            let text = format!("page {} of {count}", i + 1);
            let at = (PAGE.0 - MARGIN, PAGE.1 - 0.55 * MARGIN);
            page.push(Item { ink: Ink::Text(line(rich(&text), at, SMALL, Anchor::End)), part: None });
        }
    }
}

const CELL_GAP: f32 = 6.0;
const CELL_LEADING: f32 = 1.2;

fn line(pieces: Vec<Piece>, at: (f32, f32), size: f32, anchor: Anchor) -> TextLine {
    TextLine { pieces, at, size, anchor, upwards: false, paint: INK.into() }
}

/// Cells broken into lines of their columns' widths.
fn cells(row: &[String], widths: &[f32], head: bool) -> Vec<Vec<Vec<Piece>>> {
    let pieces = |text: &str| if head { bold(text) } else { rich(text) };
    row.iter().zip(widths).map(|(text, w)| wrap_pieces(pieces(text), (w - CELL_GAP) / SMALL)).collect()
}

fn row_height(cells: &[Vec<Vec<Piece>>]) -> f32 {
    let lines = cells.iter().map(Vec::len).max().unwrap_or(1);
    SMALL * (1.5 + (lines as f32 - 1.0) * CELL_LEADING)
}

/// Columns as wide as their longest cell, brought to the page's width by widening all or narrowing the widest.
fn column_widths(table: &Table) -> Vec<f32> {
    let count = table.rows.first().map_or(table.head.len(), Vec::len);
    let widest = |i: usize| {
        let head = table.head.get(i).map_or(0.0, |t| width_em(&bold(t)));
        table.rows.iter().filter_map(|r| r.get(i)).map(|t| width_em(&rich(t))).fold(head, f32::max) * SMALL
            + CELL_GAP
            + 2.0
    };
    let mut widths: Vec<f32> = (0..count).map(widest).collect();
    let sum: f32 = widths.iter().sum();
    if sum <= WIDTH {
        let more = (WIDTH - sum) / count.max(1) as f32;
        // A list of names and values needs no spreading.
        if table.numbers {
            widths.iter_mut().for_each(|w| *w += more);
        }
    } else {
        narrow(&mut widths, sum - WIDTH);
    }
    widths
}

/// Takes `excess` from the widest columns, levelling them.
fn narrow(widths: &mut [f32], excess: f32) {
    let total: f32 = widths.iter().sum::<f32>() - excess;
    let (mut low, mut high) = (0.0, total);
    for _ in 0..40 {
        let limit = (low + high) / 2.0;
        if widths.iter().map(|w| w.min(limit)).sum::<f32>() > total { high = limit } else { low = limit }
    }
    widths.iter_mut().for_each(|w| *w = w.min(low));
}

/// Height that must fit below a heading so that it doesn't stand alone at a page's end.
fn least_height(block: &Block) -> f32 {
    let caption = |text: &str| text::wrap(text, WIDTH / SMALL).len() as f32 * SMALL * LEADING + 4.0;
    match block {
        Block::Drawing { drawing, caption: c, .. } => {
            (FIGURE_WIDTH * drawing.height / drawing.width + caption(c)).min(BOTTOM - MARGIN - 60.0)
        }
        Block::Photo { size, caption: c, .. } => {
            ((WIDTH * size.1 as f32 / size.0 as f32).min(PHOTO_HEIGHT) + caption(c)).min(BOTTOM - MARGIN - 60.0)
        }
        Block::Table(table) => caption(&table.caption) + 5.0 * SMALL * LEADING,
        Block::Blank { lines, .. } => 30.0 + *lines as f32 * 22.0,
        _ => 3.0 * BODY * LEADING,
    }
}
