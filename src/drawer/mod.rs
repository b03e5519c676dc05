//! Many slides in one go, and one table of them.
//!
//! ```text
//! folder ── find ──> slide folders ── run ──> a report each ──┐
//!                                      │ resume: kept         ├──> record ──> drawer.csv, drawer.json, index.html
//! reports made elsewhere ── collate ──────────────────────────┘
//! ```
//!
//! One slide is in flight a worker, whatever the size of the drawer, and what is kept of a finished one is its row of the
//! table. The same drawer gives the same table for any number of jobs.

mod alike;
#[cfg(test)]
mod browser;
pub mod collate;
pub mod find;
pub mod index;
pub mod order;
mod plots;
pub mod progress;
pub mod record;
mod reported;
pub mod resume;
pub mod run;
pub mod summary;
pub mod table;
pub(crate) mod whole;
pub mod write;

pub use collate::collate;
pub use record::{DrawerRecord, SlideRow};
pub use whole::{CheckedDrawer, Drawer, check_drawer};
