//! SHA-256 over a list of texts, each written as a netstring (`length:bytes,`), so that no two lists look alike.
//! It never decides what is hashed.

use sha2::{Digest, Sha256};

/// Collects texts in order; the same texts cut differently give another digest.
pub(super) struct Netstrings(Sha256);

impl Netstrings {
    pub(super) fn new() -> Self {
        Self(Sha256::new())
    }

    pub(super) fn text(mut self, text: &str) -> Self {
        self.0.update(text.len().to_string());
        self.0.update(b":");
        self.0.update(text);
        self.0.update(b",");
        self
    }

    pub(super) fn number(self, number: i64) -> Self {
        self.text(&number.to_string())
    }

    /// 64 lower-case hexadecimal digits.
    pub(super) fn hex(self) -> String {
        hex(&self.0.finalize())
    }
}

fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        text.push(char::from(DIGITS[usize::from(byte >> 4)]));
        text.push(char::from(DIGITS[usize::from(byte & 15)]));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_digest_of_nothing_is_the_one_of_fips_180() {
        // FIPS 180-4's SHA-256 of the empty message, as every implementation prints it (from memory).
        assert_eq!(Netstrings::new().hex(), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    }

    #[test]
    fn moving_a_letter_between_two_texts_changes_the_digest() {
        let one = Netstrings::new().text("ab").text("c").hex();
        let other = Netstrings::new().text("a").text("bc").hex();
        assert_ne!(one, other);
    }
}
