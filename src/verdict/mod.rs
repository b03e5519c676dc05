//! Limits, conformance and the regrind plan: pure functions on measured values, no pixels, no files.
