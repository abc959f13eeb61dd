//! The shot book: the memory of every launcher, in one SQLite file, and the question whether a launcher has drifted.

pub mod chart;
pub mod compare;
pub mod drift;
mod error;
mod exchange;
mod gate;
pub mod landing;
mod place;
mod reading;
mod record;
mod rescue;
mod schema;
mod select;
mod series;
mod shot;
mod store;
pub mod target;
#[cfg(test)]
mod tests;
mod text_chart;
mod usual;
pub mod words;

pub use error::{BookError, ShotError};
pub use exchange::{BadLine, ExchangeError, ShotLine};
pub use gate::{GateDefaults, read_time};
pub use place::default_book;
pub use reading::{Reading, read_speed};
pub use record::{RecordInto, shots_of, written_at};
pub use rescue::{Rescued, rescue};
pub use schema::VERSION;
pub use select::{Counts, Selection};
pub use series::{Series, SeriesShot};
pub use shot::{ClipFlight, MeasuredAngle, Outcome, Setting, Shot, ShotRecord, Source, setting_in_words};
pub use store::{Added, AlreadyThere, Book, Event};
pub use text_chart::text_chart;
pub use usual::{Asked, TriedAt, Usual, mean_of_shots};
