//! The `thinproof` command.

fn main() {}
