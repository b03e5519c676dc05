//! Slides of the invented Larkmoor collection, rendered with known truth: for the demo, the docs, the tests and the studies.
