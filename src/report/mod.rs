//! One finished value to JSON and HTML. Computes nothing.

pub mod beside;
#[cfg(test)]
pub(crate) mod browser;
#[cfg(test)]
pub(crate) mod cases;
pub mod chart;
mod drawing;
mod earlier;
#[cfg(test)]
mod fields;
pub mod html;
pub mod json;
mod map;
mod marks;
pub mod pictures;
pub mod record;
mod rounding;
mod rows;
pub mod terminal;
#[cfg(test)]
mod tests;
pub mod words;
pub mod write;

pub use chart::Chart;
pub use earlier::write_keeping;
pub use html::to_html;
pub use json::to_json;
pub use pictures::FieldPicture;
pub use record::{FieldRecord, Pieces, ReadFrom, Report};
pub use write::{seen_from, write_report};
