//! thinproof says whether a petrographic thin section is done.

pub mod cli;
pub mod demo;
pub mod error;
pub mod measured;
pub mod optics;
pub mod pipeline;
pub mod register;
pub mod report;
pub mod section;
pub mod slide;
pub mod thickness;
pub mod units;
pub mod verdict;

pub use error::{Error, Result};
