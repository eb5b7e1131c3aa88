//! An address that is kept to itself.

use std::fmt;
use std::sync::Arc;

/// An address that may hold a password or token. Never printed by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Address(Arc<str>);

impl Address {
    /// The address itself, for connecting.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl From<&str> for Address {
    fn from(text: &str) -> Address {
        Address(text.into())
    }
}

impl fmt::Debug for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(an address)")
    }
}
