//! What a receiver said, fit to be shown: one line, bounded, and nothing in it that only we should know.

use std::fmt;

use super::target::Target;

/// The beginning of what a receiver said; may be empty.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Said(pub String);

impl fmt::Display for Said {
    /// `: "no such channel"`, or nothing.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() { Ok(()) } else { write!(f, ": {:?}", self.0) }
    }
}

/// The most of it that is shown, in characters.
const MOST: usize = 200;

/// What is shorter is no secret, and may stand anywhere.
const SHORTEST_SECRET: usize = 6;

/// As many digits in a row may be a code, wherever they come from.
const DIGITS: std::ops::RangeInclusive<usize> = 4..=8;

/// The beginning of an answer's body.
pub(super) fn said(body: &[u8], to: &Target) -> Said {
    let mut text = String::from_utf8_lossy(body).into_owned();
    for hidden in to.hidden().filter(|hidden| hidden.len() >= SHORTEST_SECRET) {
        text = text.replace(hidden, "(not shown)");
    }
    let text = without_codes(&text);
    let words = text.split(|sign: char| sign.is_whitespace() || sign.is_control());
    let line = words.filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ");
    let line: String = line.chars().filter(|sign| !is_format(*sign)).collect();
    let cut: String = line.chars().take(MOST).collect();
    Said(if cut.len() < line.len() { format!("{cut}…") } else { cut })
}

/// Characters that turn the direction of a text or cannot be seen.
fn is_format(sign: char) -> bool {
    matches!(sign, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

/// Digits that may be a code are covered.
fn without_codes(text: &str) -> String {
    let mut out = String::new();
    let mut digits = String::new();
    for sign in text.chars().chain([' ']) {
        if sign.is_ascii_digit() {
            digits.push(sign);
            continue;
        }
        out.push_str(if DIGITS.contains(&digits.len()) { "####" } else { &digits });
        digits.clear();
        out.push(sign);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn shown(text: &str) -> String {
        let mut to = Target::plain("chat", "https://hooks.example/services/T0KEN-ABC?auth=quiet-please", Vec::new());
        to.headers.insert("Authorization".into(), "Bearer hush-hush".into());
        to.routing_key = Some("r0uting-key".into());
        said(text.as_bytes(), &to).0
    }

    #[test]
    fn an_answer_is_one_line_without_what_only_we_know() {
        assert_eq!(shown("invalid_payload\n"), "invalid_payload");
        assert_eq!(shown("{\"errors\":\r\n\t[\"too\u{2028}long\"]}"), "{\"errors\": [\"too long\"]}");
        assert_eq!(
            shown("POST /services/T0KEN-ABC?auth=quiet-please"),
            "POST /(not shown)/(not shown)?auth=(not shown)"
        );
        assert_eq!(shown("Bearer hush-hush r0uting-key"), "(not shown) (not shown) (not shown)");
        assert_eq!(shown("code 4711, 12 fields, at 1764500000000"), "code ####, 12 fields, at 1764500000000");
        assert_eq!(Said(shown("no")).to_string(), ": \"no\"");
        assert_eq!(Said(String::new()).to_string(), "");
    }

    proptest! {
        #[test]
        fn whatever_a_receiver_says_is_short_and_one_line(text in any::<String>()) {
            let shown = shown(&text);
            prop_assert!(shown.chars().count() <= MOST + 1);
            prop_assert!(!shown.chars().any(|sign| sign.is_control() || is_format(sign)), "{shown:?}");
        }
    }
}
