//! Pages of A4 as PDF/UA-1 (ISO 14289-1): what stands where and what it means, and [`write`], which puts that down.
//!
//! Lab sheets, worked solutions and worksheets are laid out by their own rules and written by this one.

mod write;

use super::ink::text::Piece;
use super::ink::{Drawing, TextLine};

/// Why a PDF could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PdfError {
    #[error("the PDF writer refused the sheet: {0}")]
    Refused(String),
}

impl PdfError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        "take the web page instead, and print it to PDF from there".to_owned()
    }
}

/// Width and height of A4 in points of 1/72 inch (ISO 216: 210 mm × 297 mm).
pub(super) const PAGE: (f32, f32) = (595.276, 841.89);
/// 20 mm.
pub(super) const MARGIN: f32 = 56.693;

/// The whole document, ready to be written.
pub(super) struct Laid {
    pub title: String,
    pub pages: Vec<Vec<Item>>,
    /// What the items mean, as a tree; the first part is the document itself.
    pub parts: Vec<Part>,
    /// Headings for the reader's list of contents: text, page, height on it.
    pub contents: Vec<(String, usize, f32)>,
}

impl Laid {
    /// One empty page.
    pub fn new(title: String) -> Self {
        let root = Part { role: Role::Document, children: Vec::new() };
        Self { title, pages: vec![Vec::new()], parts: vec![root], contents: Vec::new() }
    }

    /// A new part under `parent`; 0 is the document.
    pub fn part(&mut self, parent: usize, role: Role) -> usize {
        let part = self.parts.len();
        self.parts.push(Part { role, children: Vec::new() });
        self.parts[parent].children.push(part);
        part
    }

    /// Puts something on the last page.
    pub fn put(&mut self, ink: Ink, part: Option<usize>) {
        self.pages.last_mut().expect("never without a page").push(Item { ink, part });
    }

    /// A heading's part, and its line in the list of contents.
    pub fn heading(&mut self, level: u16, text: String, y: f32) -> usize {
        self.contents.push((text.clone(), self.pages.len() - 1, y));
        self.part(0, Role::Heading { level, text })
    }

    /// Lines of text that follow each other in a part: a reader that follows it needs the space for which a line's end stands.
    pub fn with_spaces(lines: &mut [Vec<Piece>]) {
        let Some((_, rest)) = lines.split_last_mut() else { return };
        rest.iter_mut().filter_map(|line| line.last_mut()).for_each(|last| last.text.push(' '));
    }

    /// # Errors
    /// [`PdfError`] when the library refuses what it was given.
    pub fn document(&self) -> Result<Vec<u8>, PdfError> {
        write::document(self)
    }
}

/// Something drawn, and the part of the document to which it belongs; `None` for decoration.
pub(super) struct Item {
    pub ink: Ink,
    pub part: Option<usize>,
}

/// Places in points from the page's upper left corner.
pub(super) enum Ink {
    Text(TextLine),
    Rule { from: (f32, f32), to: (f32, f32), width: f32 },
    Drawing { drawing: Box<Drawing>, at: (f32, f32), scale: f32 },
    Photo { jpeg: Vec<u8>, at: (f32, f32), size: (f32, f32) },
}

pub(super) struct Part {
    pub role: Role,
    pub children: Vec<usize>,
}

/// What a part is (structure types of ISO 32000-1, 14.8.4).
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Role {
    Document,
    Heading { level: u16, text: String },
    Paragraph,
    List,
    ListItem,
    Bullet,
    ItemBody,
    Table,
    TableCaption,
    Row,
    ColumnHead,
    RowHead,
    Cell,
    Figure { alt: String },
    Caption,
}
