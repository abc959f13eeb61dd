//! `lobline` measures a launched ball from a phone recording.
//!
//! The stages, in the one direction in which data flows; each takes the plain values of the one before and knows nothing
//! of the one after:
//!
//! ```text
//! clip ──► sight ──► camera ──► fit ──► verdict ──► report
//! frames   px per    px → m     params   expected?   graphs, sheet, tables,
//! + times  frame     at time t  + U95    why not?    strobe picture, overlay clip
//! ```
//!
//! [`measure`] runs them all from a clip and a rig to a [`measurement::Measurement`], the one plain result that every
//! output takes. `flight` holds the physics alone, `book` the memory of each launcher, `scene` renders recordings with a
//! known truth for the demo and the tests. `maths`, `flight` and `clip` are the ground floor and import no other folder
//! here (`flight` may use `maths`).
//!
//! Frames of reference, everywhere: pixels are those of the displayed picture, x right, y down, (0, 0) the centre of the
//! top left pixel ([`units::PixelPoint`]); metres lie in the plane of the flight, x right as seen by the camera, y up
//! ([`units::MetrePoint`]).

pub mod book;
pub mod camera;
pub mod cli;
pub mod clip;
pub mod fit;
pub mod flight;
#[cfg(test)]
mod fuzz;
pub mod maths;
pub mod measure;
pub mod measurement;
pub mod points;
pub mod quantity;
pub mod report;
pub mod rig;
pub mod scene;
pub mod serve;
pub mod sight;
pub mod small_file;
pub mod units;
pub mod verdict;
pub mod warning;
