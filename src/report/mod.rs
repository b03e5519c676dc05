//! One finished value to JSON and HTML. Computes nothing.
