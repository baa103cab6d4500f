//! Is this still the very photo that was looked at before?

use std::fs::File;
use std::io::Read;
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::error::{Error, Result};

/// Bytes read at a time.
const CHUNK_BYTES: usize = 1 << 16;

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
