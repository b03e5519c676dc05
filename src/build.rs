//! Before the program is built: a fingerprint of its sources, so that a report can say which build made it.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

fn main() -> Result<(), Box<dyn Error>> {
    let root = PathBuf::from(std::env::var("CARGO_MANIFEST_DIR")?);
    let mut files = Vec::new();
    gather(&root.join("src"), &mut files)?;
    files.extend(["Cargo.toml", "Cargo.lock"].map(|name| root.join(name)).into_iter().filter(|file| file.exists()));
    files.sort();
    let mut mark = Fingerprint::new();
    for file in &files {
        mark.take(file.strip_prefix(&root)?.to_string_lossy().replace('\\', "/").as_bytes());
        // A checkout may have put a carriage return before each line's end.
        mark.take(&fs::read(file)?.into_iter().filter(|b| *b != b'\r').collect::<Vec<u8>>());
    }
    println!("cargo:rustc-env=THINPROOF_SOURCES={:016x}", mark.0);
    for name in ["src", "Cargo.toml", "Cargo.lock"] {
        println!("cargo:rerun-if-changed={}", root.join(name).display());
    }
    Ok(())
}

/// All files below a folder.
fn gather(folder: &Path, into: &mut Vec<PathBuf>) -> Result<(), Box<dyn Error>> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            gather(&path, into)?;
        } else {
            into.push(path);
        }
    }
    Ok(())
}

/// FNV-1a of 64 bits (draft-eastlake-fnv), each piece closed by a byte that no text holds.
struct Fingerprint(u64);

impl Fingerprint {
    const fn new() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }

    fn take(&mut self, bytes: &[u8]) {
        for byte in bytes.iter().chain(&[0xff]) {
            self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }
}
