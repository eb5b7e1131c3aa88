//! The sixteen keys of a telephone keypad, and strings of them.

use std::fmt;
use std::str::FromStr;

/// One of `0-9 * # A-D` (ITU-T Q.23).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key(u8);

impl Key {
    /// Every key there is.
    pub const ALL: [Key; 16] = {
        let signs = *b"0123456789*#ABCD";
        let mut all = [Key(0); 16];
        let mut at = 0;
        while at < 16 {
            all[at] = Key(signs[at]);
            at += 1;
        }
        all
    };

    /// The key with this sign; capitals only.
    pub fn new(sign: char) -> Option<Key> {
        matches!(sign, '0'..='9' | '*' | '#' | 'A'..='D').then_some(Key(sign as u8))
    }

    /// The key of a decimal digit from 0 to 9.
    pub fn digit(n: u32) -> Option<Key> {
        char::from_digit(n, 10).and_then(Key::new)
    }

    /// The sign printed on it.
    pub fn sign(self) -> char {
        self.0 as char
    }

    /// True for 0 to 9.
    pub fn is_digit(self) -> bool {
        self.0.is_ascii_digit()
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.sign())
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.sign())
    }
}

/// Keys pressed one after the other.
#[derive(Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Keys(pub Vec<Key>);

/// A sign that no keypad has.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is not a key")]
pub struct NoKey(pub char);

impl FromStr for Keys {
    type Err = NoKey;

    fn from_str(text: &str) -> Result<Keys, NoKey> {
        text.chars().map(|sign| Key::new(sign).ok_or(NoKey(sign))).collect::<Result<_, _>>().map(Keys)
    }
}

impl fmt::Display for Keys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|key| write!(f, "{key}"))
    }
}

impl fmt::Debug for Keys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_read_back_as_written_and_nothing_else_is_a_key() {
        let all: String = Key::ALL.iter().map(|k| k.sign()).collect();
        assert_eq!(all.parse::<Keys>().unwrap().to_string(), all);
        for sign in ['a', 'E', ' ', ',', '+', '０', '٣'] {
            assert_eq!(sign.to_string().parse::<Keys>(), Err(NoKey(sign)));
        }
    }
}
