//! The interference-colour chart of a lamp: the scale of colours that the report's chart shares, and the sheet for the wall.

#[cfg(test)]
mod browser;
mod labels;
mod picture;
pub mod scale;
pub mod sheet;

pub(crate) use labels::MineralLine;
pub use scale::ColourScale;
pub use sheet::WallChart;
