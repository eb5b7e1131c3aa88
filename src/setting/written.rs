//! A value as someone wrote it, before any model says what it means.

use std::fmt;
use std::sync::Arc;

use super::Reference;

/// A name or text, shared between all who mention it.
pub type Name = Arc<str>;

/// One value of an inventory, keybook or report, not yet of any kind.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Written {
    /// In quotes: a number, code, dial string or word.
    Quoted(Name),
    /// Without quotes: a word or a decimal number.
    Plain(Name),
    /// Names, sorted.
    List(Vec<Name>),
    /// `{secret: "…"}`: where a code is kept.
    Secret(Reference),
}

impl fmt::Display for Written {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Written::Quoted(text) => write!(f, "\"{text}\""),
            Written::Plain(text) => f.write_str(text),
            Written::List(names) => write!(f, "[{}]", names.join(", ")),
            Written::Secret(reference) => write!(f, "(secret {reference})"),
        }
    }
}

/// A decimal number without sign, leading zeros or separators.
pub fn decimal(text: &str) -> Option<u32> {
    let canonical = text == "0" || (!text.starts_with('0') && text.bytes().all(|b| b.is_ascii_digit()));
    canonical.then(|| text.parse().ok()).flatten()
}

/// What people call a thing: its title, or its name with dots and hyphens as spaces.
pub fn spoken(name: &str, title: Option<&Name>) -> String {
    title.map_or_else(|| name.replace(['.', '-'], " "), |title| title.to_string())
}
