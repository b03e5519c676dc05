//! What lies at the bench: a folder that photographs arrive in, and the slides that they show.
//!
//! ```text
//! folder ── look ──> whole files ── sketch ──> plane or crossed, which field ── slide.toml ──> check ──> page and lines
//! ```
//!
//! The watched folder is only read. The bench keeps copies of its own in a temporary folder, from which each state of a
//! slide is made into a slide folder and checked.

pub mod angles;
pub mod arrivals;
pub mod checking;
pub mod history;
pub mod keep;
mod looks;
pub mod naming;
pub mod next_picture;
pub mod page;
pub mod session;
pub mod sheet;
pub mod sketch;
pub mod sorting;
pub mod sorting_of;
pub mod view;
pub mod visit;

#[cfg(test)]
mod tests;
