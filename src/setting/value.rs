//! Values in canonical form: two that mean the same are equal and print alike.

use std::collections::BTreeSet;
use std::fmt;

use super::{Name, Secret, Written};

/// What a wrong setting means for a person pressing the button; the heaviest is the greatest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Weight {
    /// No more than a nuisance.
    Routine,
    /// Tells responders where to go.
    Locating,
    /// Help may not be reached.
    Lifeline,
}

impl Weight {
    /// All of them, the heaviest first.
    pub const ALL: [Weight; 3] = [Weight::Lifeline, Weight::Locating, Weight::Routine];

    /// The word used in files and output.
    pub fn as_str(self) -> &'static str {
        match self {
            Weight::Routine => "routine",
            Weight::Locating => "locating",
            Weight::Lifeline => "lifeline",
        }
    }
}

impl fmt::Display for Weight {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// What a setting holds or should hold.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Value {
    /// Decimal digits, as written.
    Digits(Name),
    /// A dial string in the notation of ITU-T V.250.
    Dial(Name),
    /// One of the names that the kind lists.
    Choice(Name),
    /// Those of the names that are on.
    Flags(BTreeSet<Name>),
    /// A decimal number.
    Number(u32),
    /// A code, by reference.
    Secret(Secret),
}

impl Value {
    /// Whether both are the same to a station. Secrets compare by their code where it can be told.
    pub fn agrees(&self, other: &Value) -> bool {
        match (self, other) {
            (Value::Secret(a), Value::Secret(b)) => a.agrees(b),
            (
                Value::Digits(_)
                | Value::Dial(_)
                | Value::Choice(_)
                | Value::Flags(_)
                | Value::Number(_)
                | Value::Secret(_),
                _,
            ) => self == other,
        }
    }

    /// The value as it would be written in a file.
    pub fn written(&self) -> Written {
        match self {
            Value::Digits(text) | Value::Dial(text) => Written::Quoted(text.clone()),
            Value::Choice(name) => Written::Plain(name.clone()),
            Value::Flags(names) => Written::List(names.iter().cloned().collect()),
            Value::Number(n) => Written::Plain(n.to_string().into()),
            Value::Secret(secret) => Written::Secret(secret.reference.clone()),
        }
    }
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.written())
    }
}
