//! See `feeds::slide_toml`.
#![no_main]

#[path = "../feeds.rs"]
#[allow(dead_code)]
mod feeds;

libfuzzer_sys::fuzz_target!(|data: &[u8]| feeds::slide_toml(data));
