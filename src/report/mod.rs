//! Everything a reader gets to see or to hand in, made from one [`crate::measurement::Measurement`].
//!
//! Nothing here measures or computes physics: what is shown stands in the measurement. The same input gives the same
//! bytes, on every machine: fonts are inside the program, no clock and no locale of the system is asked.
//!
//! ```text
//! graphs ──► figure ──► ink ──► PNG, SVG, PDF        what is shown → where it goes on the sheet → how it is drawn
//! ```

pub mod aimed;
pub mod axis;
pub mod beside;
pub mod chance_graph;
pub mod class;
pub mod figure;
pub mod files;
pub mod fonts;
#[cfg(test)]
pub mod gallery;
pub mod graphs;
pub mod ink;
pub mod json;
pub mod numbers;
pub mod outputs;
pub mod overlay;
pub mod pdf;
pub mod reckoned;
#[cfg(test)]
mod reference;
pub mod rgb;
pub mod said;
#[cfg(test)]
pub mod sample;
pub mod sheet;
pub mod strobe;
pub mod tables;
pub mod workbook;
pub mod worked;
pub mod worksheet;
