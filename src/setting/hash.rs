//! SHA-256 as this program writes it: of some content, or of a list of texts. It never decides what is hashed.

use sha2::{Digest, Sha256};

/// Collects texts in order, each as a netstring (`length:bytes,`): the same texts cut differently give another hash.
#[derive(Default)]
pub struct Netstrings(Sha256);

impl Netstrings {
    /// Without any text.
    pub fn new() -> Self {
        Self::default()
    }

    /// One text more.
    pub fn add(&mut self, text: &str) {
        self.0.update(text.len().to_string());
        self.0.update(b":");
        self.0.update(text);
        self.0.update(b",");
    }

    /// The same, to write a list in one expression.
    pub fn text(mut self, text: &str) -> Self {
        self.add(text);
        self
    }

    /// A number as decimal text.
    pub fn number(self, number: i64) -> Self {
        self.text(&number.to_string())
    }

    /// What they come to: 32 bytes.
    pub fn bytes(self) -> [u8; 32] {
        self.0.finalize().into()
    }

    /// The same in 64 lower-case hexadecimal digits.
    pub fn hex(self) -> String {
        hex(&self.bytes())
    }
}

/// The SHA-256 of some content, in 64 lower-case hexadecimal digits.
pub fn content_sha(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes in lower-case hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    let digit = |four: u8| char::from_digit(u32::from(four), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(byte & 15)]).collect()
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
