//! What a run of sections says about the grinder that made them. Pure functions on measured values: no pixels, no files.
//!
//! ```text
//! sections in the order made ── batch ──> runs since a zero ──┬─> individuals, ewma ──> is the thickness steady?
//!                                                             ├─> zero ──> bond line, drift of the micrometer's zero
//!                              every section with a wedge ────┼─> frame, tilt ──> is the chuck parallel to the wheel?
//!                              every section, by sequence ────┴─> onset ──> from where on are there more defects?
//!                                                                    each ──> statements: what to do, with its evidence
//! ```
//!
//! Nothing is said from fewer sections than a test needs, and what is said carries the probability that chance alone gives
//! as much. [`CHANCE`] is the one level for all of it.

pub mod batch;
pub mod chance;
pub mod ewma;
pub mod findings;
pub mod frame;
pub mod individuals;
pub mod onset;
pub mod record;
pub mod statements;
pub mod steady;
#[cfg(test)]
mod tests;
pub mod tilt;
pub mod zero;

pub use batch::{Batch, Section};
pub use findings::Grinder;
pub use record::{GrinderRecord, Statement};

/// Probability of chance alone, up to which something is stated (house value: a workshop that takes its chuck apart for
/// nothing does not ask again).
pub const CHANCE: f64 = 0.01;
/// Fewest sections for a control chart (the worked example of the NIST/SEMATECH e-Handbook 6.3.2.2 has ten).
pub const FEWEST_CHARTED: usize = 10;
/// Fewest sections for the drift of the zero and for the tilt of the chuck (house value).
pub const FEWEST_MEASURED: usize = 8;
/// Fewest sections for the onset of a defect (house value).
pub const FEWEST_FOR_ONSET: usize = 12;
