//! `fixtures/README.md` lists every file of the folder with its checksum, and the checksums are current.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use sha2::{Digest, Sha256};

#[test]
fn every_fixture_is_listed_with_its_checksum() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    let listed: BTreeMap<String, String> = fs::read_to_string(dir.join("README.md"))
        .unwrap()
        .lines()
        .filter_map(|line| {
            let cells: Vec<&str> = line.split('|').map(|cell| cell.trim().trim_matches('`')).collect();
            let sum = *cells.iter().find(|c| c.len() == 64 && c.chars().all(|ch| ch.is_ascii_hexdigit()))?;
            Some((cells[1].to_owned(), sum.to_owned()))
        })
        .collect();
    let mut found = BTreeMap::new();
    let mut folders = vec![dir.clone()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.strip_prefix(&dir).unwrap().to_string_lossy().replace('\\', "/");
            if path.is_dir() {
                folders.push(path);
            } else if name != "README.md" {
                let sum: String = Sha256::digest(fs::read(&path).unwrap()).iter().map(|b| format!("{b:02x}")).collect();
                found.insert(name, sum);
            }
        }
    }
    assert!(!found.is_empty());
    assert_eq!(listed, found, "fixtures/README.md (left) and the files (right) differ: see DEVELOPERS.md, Fixtures");
}
