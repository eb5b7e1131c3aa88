//! Content as it is known again: by its SHA-256, in hexadecimal.

use sha2::{Digest, Sha256};

/// The SHA-256 of some content, in hexadecimal.
pub fn content_sha(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes in lower-case hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
