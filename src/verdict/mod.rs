//! Limits, conformance and the regrind plan: pure functions on measured values, no pixels, no files.

pub mod advice;
pub mod causes;
pub mod conformance;
#[cfg(test)]
pub(crate) mod fixture;
mod flat_lap;
pub mod judge;
pub mod limits;
mod limits_file;
pub mod plan;
#[cfg(test)]
mod properties;
pub mod reasons;

pub use judge::{Findings, Outcome, Verdict, judge};
pub use limits::{Limit, LimitSet, LimitUsed, Limits, ThicknessBand};
pub use limits_file::limits_file;
pub use plan::{AtCorners, RegrindPlan, Removal};
pub use reasons::{Reason, Side};
