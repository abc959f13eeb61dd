//! A printed sheet as plain blocks, which text, HTML and PDF set each in their own way.

use super::sketch::Drawing;

/// A sheet of paper, or several.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    pub title: String,
    pub blocks: Vec<Block>,
}

/// Part of a sheet. Text may carry the marks of `markup`.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    Heading(String),
    Paragraph(String),
    /// Lines of a derivation, set off from the text.
    Formula(Vec<String>),
    Answer(String),
    Table {
        head: Vec<String>,
        rows: Vec<Vec<String>>,
    },
    Sketch(Drawing),
    Cautions(Vec<String>),
    /// Lines to write on.
    WritingLines(usize),
    PageBreak,
}
