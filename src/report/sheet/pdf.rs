//! The lab sheet as PDF on A4.
//!
//! Two steps: [`flow`] decides what stands where on which page and what it means; [`write`] puts that down. Nothing is cut
//! by a page's end: a graph stays with its caption, a heading with what follows, a row of a table whole.

mod flow;
mod write;

use super::Sheet;

/// Why a PDF could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PdfError {
    #[error("the PDF writer refused the lab sheet: {0}")]
    Refused(String),
}

impl PdfError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        "open the lab sheet's web page instead, and print it to PDF from there".to_owned()
    }
}

/// Width and height of A4 in points of 1/72 inch (ISO 216: 210 mm × 297 mm).
const PAGE: (f32, f32) = (595.276, 841.89);
/// 20 mm.
const MARGIN: f32 = 56.693;

pub fn document(sheet: &Sheet) -> Result<Vec<u8>, PdfError> {
    write::document(&flow::flow(sheet))
}

/// The whole document, ready to be written.
struct Laid {
    title: String,
    pages: Vec<Vec<Item>>,
    /// What the items mean, as a tree; the first part is the document itself.
    parts: Vec<Part>,
    /// Headings for the reader's list of contents: text, page, height on it.
    contents: Vec<(String, usize, f32)>,
}

/// Something drawn, and the part of the document to which it belongs; `None` for decoration.
struct Item {
    ink: Ink,
    part: Option<usize>,
}

/// Places in points from the page's upper left corner.
enum Ink {
    Text(crate::report::ink::TextLine),
    Rule { from: (f32, f32), to: (f32, f32), width: f32 },
    Drawing { drawing: Box<crate::report::ink::Drawing>, at: (f32, f32), scale: f32 },
    Photo { jpeg: Vec<u8>, at: (f32, f32), size: (f32, f32) },
}

struct Part {
    role: Role,
    children: Vec<usize>,
}

/// What a part is (structure types of ISO 32000-1, 14.8.4).
#[derive(Debug, Clone, PartialEq)]
enum Role {
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
