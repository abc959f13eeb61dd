//! What leaves the program: documents and pictures.

pub mod fonts;
pub mod worked;
pub mod worksheet;
