//! The measurement as one JSON object.
//!
//! Keys carry their units, `null` means unknown, and `format_version` is raised when a key changes its meaning or goes.
//! [`SCHEMA`] describes every key and is kept true by a test.

use crate::measurement::Measurement;

/// JSON Schema (draft 2020-12) of [`document`]'s output, with a description of each key.
pub const SCHEMA: &str = include_str!("measurement.schema.json");

/// The measurement as indented JSON with a line end. A number that is not finite becomes `null`.
pub fn document(measurement: &Measurement) -> String {
    let mut text = serde_json::to_string_pretty(measurement).expect("a plain tree of numbers and text");
    text.push('\n');
    text
}
