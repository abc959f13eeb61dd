//! The lab sheet: one content, put out as one web page and as one PDF.
//!
//! The words are for a reader of sixteen. What belongs to the student, the discussion, is left blank.

mod account;
mod budget;
mod class;
mod content;
pub mod html;
pub mod pdf;

use image::RgbImage;

use super::class::ClassLine;
use super::ink::Drawing;
use super::numbers::DecimalMark;
use super::pdf::PdfError;
use crate::measurement::Measurement;

/// What a lab sheet is made from.
#[derive(Debug, Clone, Copy)]
pub struct SheetInput<'a> {
    pub measurement: &'a Measurement,
    /// Strobe pictures, one per flight in their order; may be fewer, then those flights have none.
    pub strobes: &'a [RgbImage],
    pub decimal_mark: DecimalMark,
    /// What to type to get the same numbers again, when it is known.
    pub command: Option<&'a str>,
}

impl SheetInput<'_> {
    /// As one self-contained web page: no script, nothing loaded from elsewhere.
    pub fn html(&self) -> String {
        html::page(&content::sheet(self))
    }

    /// As PDF on A4, tagged for screen readers (PDF/UA-1, ISO 14289-1).
    ///
    /// # Errors
    /// [`PdfError`] when the PDF writer refuses the content.
    pub fn pdf(&self) -> Result<Vec<u8>, PdfError> {
        pdf::document(&content::sheet(self))
    }
}

/// The results of a class as one web page.
pub fn class_html(lines: &[ClassLine], mark: DecimalMark) -> String {
    html::page(&class::sheet(lines, mark))
}

/// The results of a class as PDF.
///
/// # Errors
/// [`pdf::PdfError`] when the PDF writer refuses the content.
pub fn class_pdf(lines: &[ClassLine], mark: DecimalMark) -> Result<Vec<u8>, PdfError> {
    pdf::document(&class::sheet(lines, mark))
}

/// The content of a sheet. All strings are marked text (see [`super::ink::text`]).
#[derive(Debug, Clone)]
struct Sheet {
    title: String,
    blocks: Vec<Block>,
}

#[derive(Debug, Clone)]
enum Block {
    /// A question or a name for what follows; level 2 or 3.
    Heading {
        level: u8,
        text: String,
    },
    Paragraph(String),
    /// Short blanks in one row, such as name and date.
    Fields(Vec<String>),
    List(Vec<String>),
    Table(Table),
    /// A graph with its caption.
    Drawing {
        drawing: Box<Drawing>,
        title: String,
        alt: String,
        caption: String,
    },
    /// A photograph as JPEG.
    Photo {
        jpeg: Vec<u8>,
        size: (u32, u32),
        alt: String,
        caption: String,
    },
    /// What only some readers want to see: folded away on the page, set small in the PDF.
    Folded {
        title: String,
        blocks: Vec<Block>,
    },
    /// A question with room for an answer.
    Blank {
        prompt: String,
        lines: usize,
    },
}

/// A table; the first cell of each row names it.
#[derive(Debug, Clone)]
struct Table {
    caption: String,
    /// Empty for a list of names and values.
    head: Vec<String>,
    rows: Vec<Vec<String>>,
    /// Whether all columns but the first are set flush right.
    numbers: bool,
}

#[cfg(test)]
mod tests;
