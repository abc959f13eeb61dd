//! What leaves the program: documents and pictures.

pub mod chance_graph;
pub mod fonts;
pub mod worked;
pub mod worksheet;
