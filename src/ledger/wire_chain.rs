//! What an export says of a line beside its content: its place in the chain of hashes, and when it was recorded; and the line of
//! the ledger's head, by which it is seen that no line at the end is missing.

use std::borrow::Cow;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value as Json};

use super::wire_value::time;

/// Where an exported line is in the chain of its ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exported {
    /// Its number, from 1.
    pub seq: i64,
    /// When it was recorded, to the millisecond. It was checked then.
    pub recorded: Timestamp,
    /// Its hash, over its content, this number and this time, and the hash of the line before: 64 hexadecimal digits.
    pub hash: String,
}

#[derive(Serialize, Deserialize)]
struct WireEntry {
    seq: i64,
    recorded: String,
    hash: String,
}

#[derive(Deserialize)]
struct Noted {
    entry: Option<WireEntry>,
}

#[derive(Serialize, Deserialize)]
struct WireHead {
    /// Format version, and what tells it from other lines.
    head: u32,
    seq: i64,
    hash: String,
}

/// A ledger line for an export; `body` is an object in JSON.
pub fn export_line(body: &str, exported: &Exported) -> String {
    let Exported { seq, recorded, hash } = exported;
    // Plain numbers and texts always have a JSON form.
    let entry = WireEntry { seq: *seq, recorded: recorded.to_string(), hash: hash.clone() };
    let entry = serde_json::to_string(&entry).unwrap_or_default();
    let open = body.strip_suffix('}').unwrap_or(body);
    let comma = if open.ends_with('{') { "" } else { "," };
    format!("{open}{comma}\"entry\":{entry}}}")
}

/// What an export said of a line; nothing where it comes from none.
pub fn exported(line: &str) -> Option<Exported> {
    let noted: Noted = line.contains(ENTRY).then(|| serde_json::from_str(line).ok()).flatten()?;
    let WireEntry { seq, recorded, hash } = noted.entry?;
    Some(Exported { seq, recorded: time(&recorded).ok()?, hash })
}

/// When a line of an export was recorded, and so was checked; nothing where it comes from none.
pub fn recorded_at(line: &str) -> Option<Timestamp> {
    exported(line).map(|exported| exported.recorded)
}

/// The line of a ledger's head: number and hash of its newest entry.
pub fn head_line(seq: i64, hash: &str) -> String {
    serde_json::to_string(&WireHead { head: 1, seq, hash: hash.to_owned() }).unwrap_or_default()
}

/// The head that a line carries, as number and hash; nothing where it is another line.
pub fn head_of_line(line: &str) -> Option<(i64, String)> {
    let wire: WireHead = line.contains("\"head\"").then(|| serde_json::from_str(line).ok()).flatten()?;
    (wire.head == 1).then_some((wire.seq, wire.hash))
}

/// How a line shows that an export says something of it. No text of a line can hold this: in a text the marks are written
/// with a backslash.
const ENTRY: &str = "\"entry\":";

/// A line's content alone.
pub(super) fn content_of(line: &str) -> Cow<'_, str> {
    if !line.contains(ENTRY) {
        return Cow::Borrowed(line);
    }
    match serde_json::from_str::<Map<String, Json>>(line) {
        Ok(mut map) => {
            map.remove("entry");
            Cow::Owned(Json::Object(map).to_string())
        }
        Err(_) => Cow::Borrowed(line),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exported_as(seq: i64) -> Exported {
        Exported { seq, recorded: "2026-11-20T10:14:00.123Z".parse().unwrap(), hash: "ab".repeat(32) }
    }

    #[test]
    fn content_and_place_come_back_from_an_exported_line_and_stay_apart() {
        for body in [r#"{"report":1,"note":"an \"entry\":{} of a note"}"#, "{}"] {
            let line = export_line(body, &exported_as(7));
            assert_eq!(exported(&line), Some(exported_as(7)));
            assert_eq!(recorded_at(&line), Some(exported_as(7).recorded));
            let content: Json = serde_json::from_str(&content_of(&line)).unwrap();
            assert_eq!(content, serde_json::from_str::<Json>(body).unwrap());
            assert_eq!((exported(body), recorded_at(body), content_of(body)), (None, None, body.into()));
        }
        for line in ["", "null", r#"{"entry":7}"#, r#"{"entry":{"seq":"7"}}"#, r#"{"entry":"#] {
            assert_eq!(exported(line), None, "{line}");
        }
    }

    #[test]
    fn a_head_comes_back_from_its_line_and_from_no_other() {
        let line = head_line(12, "ab");
        assert_eq!(line, r#"{"head":1,"seq":12,"hash":"ab"}"#);
        assert_eq!(head_of_line(&line), Some((12, "ab".to_owned())));
        for line in ["", "null", r#"{"head":2,"seq":12,"hash":"ab"}"#, r#"{"report":1}"#, r#"{"head":1}"#] {
            assert_eq!(head_of_line(line), None, "{line}");
        }
    }
}
