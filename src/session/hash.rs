//! Is this still the very photo that was looked at before?

use std::fs::File;
use std::io::Read;
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};

/// Bytes read at a time.
const CHUNK_BYTES: usize = 1 << 16;
/// What stands for the hash of a file that is not there: its absence is a state like any other.
pub const ABSENT: &str = "none";

/// A file of a session, and what it held.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileHash {
    /// Path in the session.
    pub path: String,
    /// SHA-256, hexadecimal; [`ABSENT`] for a file that was not there.
    pub sha256: String,
}

impl FileHash {
    /// A file by its plain name, with the hash of what was read of it.
    pub fn new(path: &Path, sha256: impl Into<String>) -> Self {
        let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        Self { path: name, sha256: sha256.into() }
    }

    /// Whether the file in this folder is another one by now. One that is there but cannot be read is not.
    pub fn is_other(&self, folder: &Path) -> bool {
        let path = folder.join(&self.path);
        if path.is_file() { sha256_file(&path).is_ok_and(|now| now != self.sha256) } else { self.sha256 != ABSENT }
    }
}

/// SHA-256 (FIPS 180-4) of bytes, as 64 small hexadecimal digits.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// SHA-256 of a file, read in small pieces, as 64 small hexadecimal digits.
///
/// # Errors
/// When the file cannot be opened or read.
pub fn sha256_file(path: &Path) -> Result<String> {
    let mut file = File::open(path).map_err(|e| Error::io(path, "open", e))?;
    let mut hasher = Sha256::new();
    let mut chunk = vec![0u8; CHUNK_BYTES];
    loop {
        match file.read(&mut chunk) {
            Ok(0) => return Ok(hex(&hasher.finalize())),
            Ok(n) => hasher.update(chunk.get(..n).unwrap_or(&[])),
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(Error::io(path, "read", e)),
        }
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn the_standard_examples() {
        // Source: FIPS 180-4 example values (NIST CSRC), "abc" and the empty message.
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256_hex(b"abc"), abc);
        assert_eq!(sha256_hex(b""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
        let mut file = tempfile::NamedTempFile::new().unwrap();
        let long = vec![7u8; 3 * CHUNK_BYTES + 5];
        file.write_all(&long).unwrap();
        assert_eq!(sha256_file(file.path()).unwrap(), sha256_hex(&long));
        assert!(sha256_file(Path::new("/nowhere/at/all")).is_err());
    }
}
