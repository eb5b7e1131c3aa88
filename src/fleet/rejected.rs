//! What a rejected text says all the same, as far as it can be read: ids, a station, and whether it may report a failed test
//! call. Nobody acts on it; it is there so that on-call hears of it.

use std::borrow::Cow;
use std::collections::BTreeSet;

use serde_json::{Value as Json, json};

use crate::alert::{FailedTest, Says};
use crate::drift::noted_anywhere;
use crate::finding::{Code, Finding, Place};
use crate::keybook::Keybook;
use crate::ledger::NO_CONTACT;
use crate::setting::Name;
use crate::yaml::{self, Data, Node};

/// The id and station that a rejected report names.
pub(super) fn named(body: &str) -> (Option<String>, Option<String>) {
    let text = Text::of(body);
    // An escape may spell what no ledger can keep.
    let named = |key: &str| text.first(key).map(|text| text.replace('\0', "\u{fffd}"));
    (named("id"), named("station"))
}

/// Whether a rejected text says that a button does not work, or may say so: it has an outcome that is not `reached`, or one
/// that is and a contact that is not there; or what it says of the unit, or of what was found or left, is about a setting that
/// `works` of some keybook names. A text that cannot be read as a whole is read line by line.
pub fn failed_test(body: &str, reasons: &[Finding], works: &BTreeSet<Name>) -> Option<FailedTest> {
    let text = Text::of(body);
    let outcomes = text.outcomes();
    let is_reached = |outcome: &String| outcome.eq_ignore_ascii_case("reached");
    let is_failed = |outcome: &String| outcome.eq_ignore_ascii_case("failed");
    let is_stranger = |reason: &Finding| reason.code == Code::NameUnknown && reason.message.starts_with(NO_CONTACT);
    let settings = text.named(works);
    let says = if outcomes.iter().any(is_failed) {
        Says::Failed
    } else if outcomes.iter().any(|outcome| !is_reached(outcome)) || reasons.iter().any(is_stranger) {
        Says::MayHaveFailed
    } else if text.first("unit").is_some() || !settings.is_empty() {
        Says::MayBeDead
    } else {
        return None;
    };
    Some(FailedTest {
        says,
        by: text.first("by").map(Name::from),
        note: text.first("note").and_then(|note| noted_anywhere(&note)),
        at: text.first("at").and_then(|at| at.parse().ok()),
        lifelines: text.lifelines(),
        settings,
    })
}

/// What was sent, as text; UTF-16 by its mark.
pub fn sent_text(bytes: &[u8]) -> Cow<'_, str> {
    let read: fn([u8; 2]) -> u16 = match bytes {
        [0xff, 0xfe, ..] => u16::from_le_bytes,
        [0xfe, 0xff, ..] => u16::from_be_bytes,
        _ => return String::from_utf8_lossy(bytes),
    };
    let units: Vec<u16> = bytes[2..].chunks_exact(2).map(|pair| read([pair[0], pair[1]])).collect();
    Cow::Owned(String::from_utf16_lossy(&units))
}

/// The settings by which buttons call someone or nobody, of all keybooks.
pub fn named_by_works<'k>(keybooks: impl Iterator<Item = &'k Keybook>) -> BTreeSet<Name> {
    let of = |keybook: &'k Keybook| {
        let conditions = keybook.lifelines.iter().flat_map(|lifeline| lifeline.works.iter().flatten());
        conditions.map(|one| keybook.setting(one.setting).name.clone())
    };
    keybooks.flat_map(of).collect()
}

/// A rejected text, by how far it can be read.
enum Text<'t> {
    Whole(Node),
    Lines(&'t str),
}

impl Text<'_> {
    fn of(body: &str) -> Text<'_> {
        match yaml::read(&"report".into(), body.as_bytes()) {
            Ok(root) => Text::Whole(root),
            Err(_) => Text::Lines(body),
        }
    }

    /// What a key of the report says.
    fn first(&self, key: &str) -> Option<String> {
        match self {
            Text::Whole(root) => root.get(key).and_then(scalar),
            Text::Lines(body) => values(body, key).next(),
        }
    }

    /// Of which of these settings it says what was found or left.
    fn named(&self, settings: &BTreeSet<Name>) -> BTreeSet<Name> {
        match self {
            Text::Whole(root) => {
                let parts = ["found", "left"].into_iter().filter_map(|part| root.get(part));
                let maps = parts.filter_map(|part| match &part.data {
                    Data::Map(entries) => Some(entries),
                    Data::Scalar { .. } | Data::List(_) => None,
                });
                maps.flatten().filter_map(|(key, _)| settings.get(&*key.text)).cloned().collect()
            }
            Text::Lines(body) => settings.iter().filter(|name| values(body, name).next().is_some()).cloned().collect(),
        }
    }

    /// The lifelines that it says were tested and did not reach help; all that it names where it cannot be read as a whole.
    fn lifelines(&self) -> BTreeSet<Name> {
        match self {
            Text::Whole(root) => {
                let mut all = BTreeSet::new();
                tested(root, &mut all);
                all
            }
            Text::Lines(body) => values(body, LIFELINE).map(Name::from).collect(),
        }
    }

    /// What it says of how tests ended, and whatever else is the word for a failed one.
    fn outcomes(&self) -> Vec<String> {
        let mut all = Vec::new();
        match self {
            Text::Whole(root) => gather(root, &mut all),
            Text::Lines(body) => all.extend(values(body, OUTCOME)),
        }
        all
    }
}

const OUTCOME: &str = "outcome";
const LIFELINE: &str = "lifeline";

/// The lifelines that stand beside an outcome that is not `reached`.
fn tested(node: &Node, all: &mut BTreeSet<Name>) {
    match &node.data {
        Data::Scalar { .. } => {}
        Data::List(items) => items.iter().for_each(|item| tested(item, all)),
        Data::Map(entries) => {
            let is_reached = node.get(OUTCOME).and_then(scalar).is_some_and(|one| one.eq_ignore_ascii_case("reached"));
            all.extend(node.get(LIFELINE).and_then(scalar).filter(|_| !is_reached).map(Name::from));
            entries.iter().for_each(|(_, value)| tested(value, all));
        }
    }
}

fn scalar(node: &Node) -> Option<String> {
    match &node.data {
        Data::Scalar { text, .. } if !node.is_null() && !text.trim().is_empty() => Some(text.trim().to_owned()),
        Data::Scalar { .. } | Data::List(_) | Data::Map(_) => None,
    }
}

fn gather(node: &Node, all: &mut Vec<String>) {
    match &node.data {
        Data::Scalar { .. } => all.extend(scalar(node).filter(|text| text.eq_ignore_ascii_case("failed"))),
        Data::List(items) => items.iter().for_each(|item| gather(item, all)),
        Data::Map(entries) => {
            for (key, value) in entries.iter().filter(|(key, _)| &*key.text != "note") {
                match scalar(value).filter(|_| key.text.trim().eq_ignore_ascii_case(OUTCOME)) {
                    Some(outcome) => all.push(outcome),
                    None => gather(value, all),
                }
            }
        }
    }
}

/// The values that follow a key in a text, wherever on a line it is; of a gap that was not filled in, none.
fn values<'t>(text: &'t str, key: &'t str) -> impl Iterator<Item = String> + 't {
    let in_line = move |line: &'t str| line.match_indices(key).filter_map(move |(at, _)| value_at(line, at, key));
    text.lines().flat_map(in_line)
}

/// The value of the key at this place of a line; nothing where it is part of another word, or no key.
fn value_at(line: &str, at: usize, key: &str) -> Option<String> {
    let is_of_word = |c: char| c.is_alphanumeric() || matches!(c, '.' | '_' | '-');
    if line[..at].chars().next_back().is_some_and(is_of_word) {
        return None;
    }
    let rest = line[at + key.len()..].trim_start_matches(['"', '\'']).trim_start().strip_prefix(':')?;
    let end = rest.find([',', '}', ']']).unwrap_or(rest.len());
    let value = rest[..end].split(" #").next()?.trim().trim_matches(['"', '\'']).trim();
    (!matches!(value, "" | "~") && !value.eq_ignore_ascii_case("null")).then(|| value.to_owned())
}

/// The reasons of a rejection as they are kept.
pub(super) fn reasons_json(findings: &[Finding]) -> String {
    let reason = |finding: &Finding| {
        json!({
            "file": &*finding.place.file,
            "line": finding.place.line,
            "column": finding.place.column,
            "code": finding.code.as_str(),
            "message": finding.message,
            "fix": finding.fix,
        })
    };
    Json::from(findings.iter().map(reason).collect::<Vec<_>>()).to_string()
}

/// The reasons of a rejection that was kept; what cannot be read is passed over.
pub fn kept_reasons(text: &str) -> Vec<Finding> {
    let all: Vec<Json> = serde_json::from_str(text).unwrap_or_default();
    let reason = |json: &Json| {
        let text = |key: &str| json[key].as_str().unwrap_or_default().to_owned();
        let number = |key: &str| json[key].as_u64().and_then(|n| u32::try_from(n).ok()).unwrap_or(1);
        let place = Place { file: text("file").into(), line: number("line"), column: number("column"), length: 1 };
        Some(Finding::new(text("code").parse().ok()?, place, text("message"), text("fix")))
    };
    all.iter().filter_map(reason).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(body: &str) -> Option<Says> {
        failed_test(body, &[], &["unit.mode".into()].into()).map(|failed| failed.says)
    }

    #[test]
    fn an_outcome_that_is_not_reached_may_be_a_failed_test_call_however_broken_the_text_is() {
        for (body, expected) in [
            ("tests: [{lifeline: emergncy, outcome: failed}]", Some(Says::Failed)),
            ("tests: [{lifeline: emergency, outcome: faild}]", Some(Says::MayHaveFailed)),
            ("tests: [{lifeline: emergency, outcome: reached}]", None),
            ("tests: [{lifeline: emergency, outcome: Reached}, {outcome: null}]", None),
            ("tests: [{lifeline: emergency, outcome: null}, {outcome: }]", None),
            ("test: {emergency: failed}", Some(Says::Failed)),
            ("note: it failed\nleft: {a: 1}", None),
            ("note: failed", None),
            ("- outcome: no answer", Some(Says::MayHaveFailed)),
            ("found: {unit.mode: survay}", Some(Says::MayBeDead)),
            ("left: {unit.mode: \"\"}", Some(Says::MayBeDead)),
            ("found: {lamp.follows: 1}", None),
            ("unit: replaced", Some(Says::MayBeDead)),
            ("found: {unit.mode: survay}\ntests: [{outcome: faild}]", Some(Says::MayHaveFailed)),
            ("note: it said: no\nfound:\n  unit.mode: survey", Some(Says::MayBeDead)),
            // No YAML from here on.
            ("note: it said: no\ntests:\n- lifeline: emergency\n  outcome: failed", Some(Says::Failed)),
            (
                "note: it said: no\ntests:\n- lifeline: emergency\n  outcome: 'no one' # twice",
                Some(Says::MayHaveFailed),
            ),
            ("note: it said: no\ntests:\n- lifeline: emergency\n  outcome: reached\n", None),
            ("note: it said: no\ntests: [{lifeline: emergency, outcome: null}, {outcome: \"reached\"}]", None),
            ("{\"report\": 1, \"tests\": [{\"lifeline\": \"e\", \"outcome\": \"faild\"}]", Some(Says::MayHaveFailed)),
            ("note: the out-outcome: bad: worse", None),
            ("", None),
        ] {
            assert_eq!(told(body), expected, "{body}");
        }
    }

    #[test]
    fn a_text_in_utf_16_is_read_by_its_mark_and_else_as_utf_8() {
        for read in [u16::to_le_bytes, u16::to_be_bytes] {
            let text = "\u{feff}station: EQ-01\noutcome: failed";
            let bytes: Vec<u8> = text.encode_utf16().flat_map(read).collect();
            assert_eq!(sent_text(&bytes), text.trim_start_matches('\u{feff}'));
        }
        assert_eq!(sent_text("é".as_bytes()), "é");
    }

    #[test]
    fn a_test_call_that_an_unknown_contact_answered_may_have_failed() {
        let body = "station: EQ-01\ntests: [{lifeline: emergency, outcome: reached, contact: a-stranger}]";
        let place = Place { file: "r.yaml".into(), line: 1, column: 1, length: 1 };
        let message = format!("{NO_CONTACT} \"a-stranger\".");
        let reason = Finding::new(Code::NameUnknown, place, message, "");
        let says = |reasons: &[Finding]| failed_test(body, reasons, &BTreeSet::new()).map(|failed| failed.says);
        assert_eq!((says(&[reason]), says(&[])), (Some(Says::MayHaveFailed), None));
    }

    #[test]
    fn the_station_and_who_tested_it_are_read_from_a_broken_text_too() {
        let body = "report: 1\nid: 7\nstation: EQ-01\nby: tech-07 # on call\nnote: it said: no\noutcome: failed\n";
        assert_eq!(named(body), (Some("7".into()), Some("EQ-01".into())));
        let failed = failed_test(body, &[], &BTreeSet::new()).expect("a failed test");
        assert_eq!((failed.by.as_deref(), failed.note.as_deref()), (Some("tech-07"), Some("it said: no")));
        let json = "{\"station\": \"EQ-02\", \"id\": \"8\", \"tests\": [";
        assert_eq!(named(json), (Some("8".into()), Some("EQ-02".into())));
    }
}
