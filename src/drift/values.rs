//! Values as people read them.

use crate::ledger::State;
use crate::setting::Value;

/// A value as one line of text; an empty dial string is shown as such.
pub fn value_text(value: &Value) -> String {
    match value {
        Value::Digits(text) | Value::Dial(text) if text.is_empty() => "\"\"".into(),
        Value::Digits(text) | Value::Dial(text) => text.to_string(),
        Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_) => value.to_string(),
    }
}

/// What is held, as one line of text. Beside a wanted secret of the same name, an earlier code is told apart.
pub fn held_text(held: &State, wanted: Option<&Value>) -> String {
    match held {
        State::Unknown => "(unknown)".into(),
        State::InDoubt(candidates) => {
            let all: Vec<String> = candidates.iter().map(value_text).collect();
            format!("(in doubt: {})", all.join(" or "))
        }
        State::Known(value) => {
            let text = value_text(value);
            let earlier = wanted.is_some_and(|wanted| !wanted.agrees(value) && value_text(wanted) == text);
            if earlier { format!("{text}, an earlier code") } else { text }
        }
    }
}
