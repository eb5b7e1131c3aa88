//! What people spell in YAML, and what becomes of it: numbers, codes and identities are read exactly as written or
//! refused with the fix, never changed in silence.
//!
//! The spellings are those that common YAML readers change (0123 becomes 83 in YAML 1.1 and 123 in YAML 1.2, +44…
//! loses its plus sign, 12:30 becomes 750, #1 becomes nothing at all), tried in block and in flow style.

use std::sync::{Arc, LazyLock};

use proptest::prelude::*;
use stationkeep::finding::{Code, Finding};
use stationkeep::inventory::{self, Keybooks, Reach};
use stationkeep::keybook;
use stationkeep::setting::{Codes, Value};

const BLOCK: &str = r#"inventory: 1
fleet: Skerry Coast Harbours
contacts:
  desk:
    calls: "+441632960101"
  gate:
    extension: "4410"
profiles:
  quayside:
    model: tern-2
    settings:
      identity: "101"
      gate.seconds: 5
sites:
  quay:
    line: {kind: pbx, outside: "", country: GB}
    stations:
      EQ-01: {number: "+441632960121", where: quay, profiles: [quayside]}
"#;

const FLOW: &str = r#"inventory: 1
fleet: Skerry Coast Harbours
contacts:
  desk: {calls: "+441632960101"}
  gate: {extension: "4410"}
profiles:
  quayside: {model: tern-2, settings: {identity: "101", gate.seconds: 5}}
sites:
  quay:
    line: {kind: pbx, outside: "", country: GB}
    stations:
      EQ-01: {number: "+441632960121", where: quay, profiles: [quayside]}
"#;

/// Where a spelling stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Field {
    Calls,
    Extension,
    Identity,
    /// A setting of kind `number`, from 1 to 99.
    Seconds,
}

const TEXTS: [Field; 3] = [Field::Calls, Field::Extension, Field::Identity];

impl Field {
    /// What stands there in the inventories above.
    fn usual(self) -> &'static str {
        match self {
            Field::Calls => "calls: \"+441632960101\"",
            Field::Extension => "extension: \"4410\"",
            Field::Identity => "identity: \"101\"",
            Field::Seconds => "gate.seconds: 5",
        }
    }
}

/// What became of a spelling.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Fate {
    Read(String),
    /// `null` takes a setting out of management.
    Unmanaged,
    Rejected(Vec<Finding>),
}

/// Reads an inventory in which a field is spelt so. Errors stand in the line of the spelling.
fn fate(sample: &str, field: Field, spelling: &str) -> Fate {
    assert_eq!(sample.matches(field.usual()).count(), 1);
    let key = field.usual().split_once(' ').expect("key and value").0;
    let text = sample.replace(field.usual(), &format!("{key} {spelling}"));
    let (raw, mut findings) = inventory::read(&"fleet.yaml".into(), text.as_bytes());
    let (read, more) = inventory::resolve(&[Arc::new(raw)], &KEYBOOKS, &Codes::new(b"a key for a test"));
    let rejected: Vec<Finding> = findings.drain(..).filter(Finding::is_error).collect();
    if !rejected.is_empty() {
        return Fate::Rejected(rejected);
    }
    let rejected: Vec<Finding> = more.into_iter().filter(Finding::is_error).collect();
    if !rejected.is_empty() {
        return Fate::Rejected(rejected);
    }
    let reach = |name: &str| match &read.contacts[name].reach {
        Reach::Calls(number) => number.to_string(),
        Reach::Extension(digits) | Reach::Short(digits) | Reach::Dial(digits) => digits.to_string(),
    };
    match field {
        Field::Calls => Fate::Read(reach("desk")),
        Field::Extension => Fate::Read(reach("gate")),
        Field::Identity | Field::Seconds => {
            let station = &read.stations["EQ-01"];
            let id = station.keybook.id(key.trim_end_matches(':')).expect("a setting of the model");
            match station.wanted(id).map(|wanted| &wanted.value) {
                None => Fate::Unmanaged,
                Some(Value::Digits(text)) => Fate::Read(text.to_string()),
                Some(Value::Number(number)) => Fate::Read(number.to_string()),
                Some(other) => panic!("{spelling}: {other}"),
            }
        }
    }
}

static KEYBOOKS: LazyLock<Keybooks> = LazyLock::new(|| {
    let (keybook, findings) = keybook::read(&"tern-2.yaml".into(), include_bytes!("../config/keybooks/tern-2.yaml"));
    let keybook = keybook.unwrap_or_else(|| panic!("{findings:?}"));
    [(keybook.model.clone(), Arc::new(keybook))].into()
});

fn line_of(sample: &str, field: Field) -> u32 {
    let at = sample.lines().position(|line| line.contains(field.usual())).expect("the field's line");
    u32::try_from(at + 1).expect("a short file")
}

/// The findings of a refusal: at least one in the line of the spelling, each with a fix.
fn refusal(sample: &str, field: Field, spelling: &str) -> Vec<Finding> {
    let Fate::Rejected(findings) = fate(sample, field, spelling) else {
        panic!("{field:?} {spelling}: {:?}", fate(sample, field, spelling));
    };
    let line = line_of(sample, field);
    assert!(findings.iter().any(|one| one.place.line == line), "{field:?} {spelling}: {findings:?}");
    assert!(findings.iter().all(|one| !one.fix.is_empty() && !one.message.is_empty()), "{findings:?}");
    findings
}

#[test]
fn in_quotes_every_spelling_is_read_exactly_as_written() {
    for sample in [BLOCK, FLOW] {
        for text in ["0123", "08", "0777", "2025550", "911", "00", "1", "10000000"] {
            assert_eq!(fate(sample, Field::Identity, &format!("\"{text}\"")), Fate::Read(text.into()));
            assert_eq!(fate(sample, Field::Identity, &format!("'{text}'")), Fate::Read(text.into()));
        }
        for text in ["0123", "#1", "#", "*9", "*", "**", "*12#", "1#", "9#1", "01#", "A", "1D", "911"] {
            assert_eq!(fate(sample, Field::Extension, &format!("\"{text}\"")), Fate::Read(text.into()));
        }
        for text in ["+441632960101", "+12075550142"] {
            assert_eq!(fate(sample, Field::Calls, &format!("\"{text}\"")), Fate::Read(text.into()));
        }
    }
}

#[test]
fn without_quotes_a_number_or_code_is_rejected_and_the_fix_quotes_it_as_written() {
    for sample in [BLOCK, FLOW] {
        for field in TEXTS {
            for spelling in [
                "0123",
                "08",
                "0777",
                "0o17",
                "0x1F",
                "0b101",
                "2025550123",
                "911",
                "12345678901234567890123",
                "1_000",
                "1e3",
                "12e34",
                "1.10",
                "12:30",
                "190:20:30",
                "no",
                "yes",
                "on",
                "y",
                "1#",
                "9#1",
                "01#",
                "202-555-0123",
                "(202) 555-0123",
                "A",
                "1D",
                "2001-12-14",
                "+441632960101",
                "+44 1632 960101",
                "true",
                "-1",
                ".5",
                ".inf",
                "NaN",
                "0",
            ] {
                let findings = refusal(sample, field, spelling);
                let quoted = format!("\"{spelling}\"");
                // Quoted, a whole national number would be wrong still: it is told as the number that a spreadsheet makes of it.
                let is_cut = |one: &Finding| one.code == Code::NotE164 && one.message.contains("has lost its + or 0");
                // In quotes it would be no value either: it is told as that, as it is written.
                let is_outside =
                    |one: &Finding| one.code == Code::ValueOutside && one.message.contains(&format!("is {quoted}, "));
                let told = match spelling {
                    "2025550123" if findings.iter().any(is_cut) => true,
                    // Nor do the digits come back by quoting what a spreadsheet has left of them.
                    "1e3" | "12e34" if findings.iter().any(|one| one.fix == "Copy it again, in double quotes.") => true,
                    _ if findings.iter().any(is_outside) => true,
                    _ => findings.iter().any(|one| one.code == Code::Unquoted && one.fix.contains(&quoted)),
                };
                assert!(told, "{field:?} {spelling}: {findings:?}");
            }
        }
    }
}

#[test]
fn a_value_that_a_comment_has_eaten_is_rejected_and_the_fix_restores_it() {
    for (field, spellings) in [
        (Field::Calls, ["#1", "#", "#12*", "1 #2"].as_slice()),
        (Field::Extension, &["#1", "#", "#12*", "1 #2"]),
        (Field::Identity, &["#1", "#", "#12*"]),
    ] {
        for spelling in spellings {
            let findings = refusal(BLOCK, field, spelling);
            let quoted = format!("\"{spelling}\"");
            assert!(findings.iter().any(|one| one.fix.contains(&quoted)), "{field:?} {spelling}: {findings:?}");
        }
    }
    // What stands behind a # and a space was meant as a remark.
    for field in TEXTS {
        let findings = refusal(BLOCK, field, "0121 # the pier");
        assert!(findings.iter().any(|one| one.fix.contains("\"0121\"")), "{findings:?}");
    }
}

#[test]
fn signs_that_yaml_keeps_for_itself_are_rejected_with_their_place() {
    for sample in [BLOCK, FLOW] {
        for field in [Field::Calls, Field::Extension, Field::Identity, Field::Seconds] {
            for spelling in [
                "*9", "*1", "*", "**", "*#", "*12#", "&1", "&1 5", "!1", "!1 5", "!!str 5", "%1", "@1", "`1", "\"1",
                "'1", "|", ">",
            ] {
                assert!(matches!(fate(sample, field, spelling), Fate::Rejected(_)), "{field:?} {spelling}");
            }
        }
        // A list or a mapping is not a number either; in braces a comma begins the next key.
        for spelling in ["[1, 2]", "{a: 1}", "[]", "{}", "- 1", "? 1"] {
            assert!(matches!(fate(sample, Field::Extension, spelling), Fate::Rejected(_)), "{spelling}");
        }
    }
    refusal(BLOCK, Field::Extension, "9,911");
    refusal(FLOW, Field::Extension, "9,911");
}

#[test]
fn nothing_is_no_value_and_only_null_spelt_out_takes_a_setting_out_of_management() {
    for sample in [BLOCK, FLOW] {
        for spelling in ["~", "null", "Null", "NULL"] {
            assert_eq!(fate(sample, Field::Identity, spelling), Fate::Unmanaged, "{spelling}");
            assert_eq!(fate(sample, Field::Seconds, spelling), Fate::Unmanaged, "{spelling}");
            refusal(sample, Field::Calls, spelling);
            refusal(sample, Field::Extension, spelling);
        }
        for field in [Field::Calls, Field::Extension, Field::Identity, Field::Seconds] {
            refusal(sample, field, "");
        }
        for field in TEXTS {
            refusal(sample, field, "\"\"");
            refusal(sample, field, "\"~\"");
            refusal(sample, field, "\"null\"");
        }
    }
}

#[test]
fn a_plain_decimal_number_is_the_only_spelling_of_a_number() {
    for sample in [BLOCK, FLOW] {
        for number in ["1", "5", "12", "99"] {
            assert_eq!(fate(sample, Field::Seconds, number), Fate::Read(number.into()));
        }
        for spelling in [
            "0",
            "100",
            "05",
            "0x5",
            "0o5",
            "0b1",
            "1_0",
            "1e1",
            "5.0",
            "+5",
            "-5",
            "12:30",
            "five",
            "yes",
            "no",
            "\"5\"",
            "'5'",
            "5s",
            "5 s",
            "４",
            "4294967301",
            "18446744073709551621",
            "~5",
            "2001-12-14",
        ] {
            refusal(sample, Field::Seconds, spelling);
        }
    }
}

#[test]
fn names_are_text_as_written_whatever_yaml_would_make_of_them() {
    for name in
        ["0123", "0777", "no", "yes", "1e3", "1.10", "12:30", "0x1F", "1_000", "true", "911", "2001-12-14", "a#b"]
    {
        calls(name, name, name);
        calls(name, &format!("\"{name}\""), name);
    }
    for name in ["~", "null", "#1", "a # b", "{a}", "*9"] {
        calls(&format!("\"{name}\""), &format!("'{name}'"), name);
    }
}

/// A contact spelt `key`, called by a station as `reference`, is the contact `name`.
fn calls(key: &str, reference: &str, name: &str) {
    let text = BLOCK
        .replace("  desk:\n", &format!("  {key}:\n"))
        .replace("gate.seconds: 5", &format!("emergency.primary: {{to: {reference}}}"));
    let (raw, findings) = inventory::read(&"fleet.yaml".into(), text.as_bytes());
    assert!(!findings.iter().any(Finding::is_error), "{name}: {findings:?}");
    let (read, findings) = inventory::resolve(&[Arc::new(raw)], &KEYBOOKS, &Codes::new(b"a key for a test"));
    assert!(!findings.iter().any(Finding::is_error), "{name}: {findings:?}");
    assert!(read.contacts.contains_key(name), "{name}: {:?}", read.contacts.keys());
    let station = &read.stations["EQ-01"];
    let wanted = station.wanted(station.keybook.id("emergency.primary").expect("a setting")).expect("wanted");
    assert_eq!(wanted.contact.as_deref(), Some(name));
}

/// Whether a spelling shows plainly that it means this text: in quotes, with at most a comment after it.
fn plainly_means(spelling: &str, text: &str) -> bool {
    let rest =
        ["\"", "'"].iter().find_map(|quote| spelling.trim_start().strip_prefix(&format!("{quote}{text}{quote}")));
    rest.is_some_and(is_comment)
}

fn is_comment(rest: &str) -> bool {
    rest.trim().is_empty() || (rest.starts_with(' ') && rest.trim_start().starts_with('#'))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn no_spelling_is_changed_in_silence(
        spelling in "[0-9+*#,.:_~&!%@`|>'\"{}\\[\\]A-Fa-z \\-]{0,10}|[+]?[0-9]{1,12}|[\"'][0-9A-D*#+]{0,14}[\"']( ?#[0-9])?",
        flow in any::<bool>(),
    ) {
        let sample = if flow { FLOW } else { BLOCK };
        for field in TEXTS {
            match fate(sample, field, &spelling) {
                Fate::Read(text) => prop_assert!(plainly_means(&spelling, &text), "{:?} {}: {}", field, spelling, text),
                Fate::Unmanaged => prop_assert!(
                    ["~", "null"].iter().any(|null| spelling.trim_start().strip_prefix(null).is_some_and(is_comment)),
                    "{:?} {}", field, spelling
                ),
                Fate::Rejected(findings) => prop_assert!(findings.iter().all(|one| !one.fix.is_empty())),
            }
        }
        if let Fate::Read(number) = fate(sample, Field::Seconds, &spelling) {
            let rest = spelling.trim_start().strip_prefix(&number);
            prop_assert!(rest.is_some_and(is_comment), "{}: {}", spelling, number);
        }
    }
}
