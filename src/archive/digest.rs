//! Checksums of files, read once for both.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;

use sha2::{Digest, Sha256, Sha512};

use crate::slide::decode::hexadecimal;

/// Checksums and length of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Digests {
    /// SHA-512, lower-case hexadecimal.
    pub(super) sha512: String,
    /// SHA-256, lower-case hexadecimal.
    pub(super) sha256: String,
    /// Length, bytes.
    pub(super) bytes: u64,
}

/// Copies everything from `from` into `to`; the checksums are those of the very bytes that were passed on.
pub(super) fn pass_on(mut from: impl Read, mut to: impl Write) -> io::Result<Digests> {
    let (mut long, mut short, mut bytes) = (Sha512::new(), Sha256::new(), 0_u64);
    let mut buffer = vec![0_u8; 1 << 20];
    loop {
        let n = match from.read(&mut buffer) {
            Ok(0) => break,
            Ok(n) => n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(e),
        };
        let part = &buffer[..n];
        long.update(part);
        short.update(part);
        to.write_all(part)?;
        bytes += n as u64;
    }
    to.flush()?;
    Ok(Digests { sha512: hexadecimal(&long.finalize()), sha256: hexadecimal(&short.finalize()), bytes })
}

/// Checksums of a file.
pub(super) fn of_file(path: &Path) -> io::Result<Digests> {
    pass_on(File::open(path)?, io::sink())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4 example: the digests of "abc".
    #[test]
    fn digests_are_those_of_the_standard() {
        let mut copied = Vec::new();
        let found = pass_on(&b"abc"[..], &mut copied).unwrap();
        assert_eq!(found.sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert!(found.sha512.starts_with("ddaf35a193617abacc417349ae204131") && found.sha512.len() == 128);
        assert_eq!((found.bytes, copied.as_slice()), (3, &b"abc"[..]));
    }
}
