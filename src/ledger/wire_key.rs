//! The line of an export that says which key its fingerprints were made with. It is no entry: entries say it themselves.

use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireKey {
    key: u32,
    check: String,
}

/// The line for a check value.
pub fn key_line(check: &str) -> String {
    serde_json::json!(WireKey { key: 1, check: check.to_owned() }).to_string()
}

/// The check value that a line carries; nothing where it is another line.
pub fn key_of_line(line: &str) -> Option<String> {
    let wire: WireKey = serde_json::from_str(line).ok()?;
    (wire.key == 1).then_some(wire.check)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_check_value_comes_back_from_its_line_and_from_no_other() {
        assert_eq!(key_line("9f3c"), r#"{"check":"9f3c","key":1}"#);
        assert_eq!(key_of_line(&key_line("9f3c")).as_deref(), Some("9f3c"));
        for line in ["", "{}", r#"{"key":2,"check":"9f3c"}"#, r#"{"key":1,"check":"9f3c","report":1}"#, "null"] {
            assert_eq!(key_of_line(line), None, "{line}");
        }
    }
}
