//! The kept inputs of the fuzzer, fed to what it feeds: `fixtures/fuzz/<target>/`.

use std::fs;
use std::path::Path;

#[path = "fuzz/feeds.rs"]
mod feeds;

/// Feeds every kept input of a target; a fault names the file that showed it.
fn replay(target: &str, feed: fn(&[u8])) {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/fuzz").join(target);
    let mut files: Vec<_> = fs::read_dir(&dir).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{} is empty", dir.display());
    for file in files {
        println!("{}", file.display());
        feed(&fs::read(&file).unwrap());
    }
}

#[test]
fn slide_toml() {
    replay("slide_toml", feeds::slide_toml);
}

#[test]
fn names() {
    replay("names", feeds::names);
}

#[test]
fn exposure() {
    replay("exposure", feeds::exposure);
}

#[test]
fn decode() {
    replay("decode", feeds::decode);
}

#[test]
fn check() {
    replay("check", feeds::check);
}

#[test]
fn glass() {
    replay("glass", feeds::glass);
}
