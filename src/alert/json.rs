//! JSON text of what is told and kept.

use serde::Serialize;

/// JSON of structs with text keys, which cannot fail.
pub fn json(what: &impl Serialize) -> String {
    serde_json::to_string(what).unwrap_or_else(|error| unreachable!("only text keys are written: {error}"))
}
