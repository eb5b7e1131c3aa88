//! The shortest safe body of a message: what a receiver gets in place of one that it will not take, whether for its length, its
//! shape or a character in it. Plain characters, a bounded sentence, what is needed to know the case again.

use serde_json::{Value as Json, json};

use super::clip::{Room, clip};

/// The longest sentence in one.
const SENTENCE: Room = Room(300);

/// What every short body says: the most urgent first, in plain characters.
pub fn sentence(summary: &str) -> String {
    clip(&plain(summary), SENTENCE)
}

/// Letters, digits and marks of ASCII; anything else may be what a receiver stumbles over.
pub fn plain(text: &str) -> String {
    let shown = |sign: char| if sign == ' ' || sign.is_ascii_graphic() { sign } else { '?' };
    let text: String = text.chars().map(|sign| if sign.is_whitespace() { ' ' } else { sign }).map(shown).collect();
    text.replace(['"', '\\', '{', '}', '<', '>', '@', '`'], "'")
}

/// The id that a message's shortest body is sent under.
pub fn id(id: &str) -> String {
    format!("short-{}", id.strip_prefix("told-").unwrap_or(id))
}

/// An event with no more in its data than its sentence, severity and key.
pub fn event(body: &str) -> String {
    let mut event: Json = serde_json::from_str(body).unwrap_or_default();
    let data = &event["data"];
    let summary = sentence(data["summary"].as_str().unwrap_or_default());
    let brief = json!({
        "summary": summary,
        "severity": data["severity"],
        "key": data["key"].as_str().map(plain),
        "short": true,
        "rest": "stationkeep deliveries --all",
    });
    event["data"] = brief;
    event["id"] = id(event["id"].as_str().unwrap_or_default()).into();
    if let Some(subject) = event["subject"].as_str().map(plain) {
        event["subject"] = subject.into();
    }
    event.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn any_event_has_a_short_form_of_plain_characters(summary in any::<String>(), subject in any::<String>()) {
            let event = json!({"id": "a", "subject": subject, "data": {"summary": summary, "severity": "error", "key": subject}});
            let brief = super::event(&event.to_string());
            prop_assert!(brief.is_ascii() && brief.len() < 800 + 2 * subject.chars().count(), "{}", brief);
            let brief: Json = serde_json::from_str(&brief).unwrap();
            prop_assert_eq!(&brief["data"]["severity"], "error");
        }
    }
}
