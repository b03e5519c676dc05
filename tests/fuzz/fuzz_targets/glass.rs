//! See `feeds::glass`.
#![no_main]

#[path = "../feeds.rs"]
#[allow(dead_code)]
mod feeds;

libfuzzer_sys::fuzz_target!(|data: &[u8]| feeds::glass(data));
