//! The lab sheet as PDF on A4.
//!
//! [`flow`] decides what stands where on which page and what it means. Nothing is cut by a page's end: a graph stays with
//! its caption, a heading with what follows, a row of a table whole.

mod flow;

use super::Sheet;
use crate::report::pdf::PdfError;

pub(super) fn document(sheet: &Sheet) -> Result<Vec<u8>, PdfError> {
    flow::flow(sheet).document()
}
