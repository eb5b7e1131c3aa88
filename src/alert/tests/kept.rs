//! What was told survives being kept as text, and a text that cannot be read is never taken for nothing.

use std::sync::Arc;

use super::super::case::Before;
use super::super::cases::Progress;
use super::super::mark::Chain;
use super::super::topic::seen::Seen;
use super::super::topic::station::Memory;
use super::fixture::*;
use super::*;
use crate::drift::Drift;
use crate::ledger::State;
use crate::setting::{Codes, Reference, Value};

/// A whole case in the shape of version 1. It must be readable for good: it stands in people's databases.
const VERSION_1: &str = r#"{"case":1,"told":{"opened_at":"2026-11-20T10:00:00Z","changed_at":"2026-11-20T11:00:00Z","is_open":true,"condition":{"severity":"critical","mark":"6f","facts":{"site":"east-quay","where":"East quay, EQ-01","standing":"out-of-service","weight":"lifeline","settings":{"access":{"drift":"differs","weight":"routine","wanted":{"text":"(secret env:A)","print":"aa"},"held":{"text":"(secret env:B)","print":"bb"}},"identity":{"drift":"strayed","weight":"locating","wanted":{"text":"121"},"held":{"text":"120"},"fixed_at":"2026-11-01T00:00:00Z"}},"lifelines":{"emergency":{"service":"failed"}}}}},"heard":{"on-call":{"at":"2026-11-20T11:00:00Z","mark":"00"}},"memory":{"fixes":[{"setting":{"name":"lamp.follows","wanted":{"text":"1"}},"at":"2026-11-19T10:00:00Z"},{"lifeline":{"name":"assistance"},"at":"2026-11-19T10:00:00Z"}],"known":{"site":"east-quay","where":"East quay, EQ-01","file":"inventory/fleet.yaml","watched":["line.kind"],"lost":{"setting emergency.primary":{"weight":"lifeline"},"lifeline side":{"weight":"lifeline"}},"lost_heard":["on-call"]}}}"#;

/// A station that is gone, in the same shape.
const GONE: &str = r#"{"case":1,"memory":{"withdrawn_at":"2026-11-20T11:00:00Z"}}"#;

fn read(text: &str) -> Before<Seen, Memory> {
    Before::read(Some(text))
}

#[test]
fn the_first_version_is_read_and_written_as_it_was() {
    for text in [VERSION_1, GONE] {
        let Before::Case(case) = read(text) else { panic!("{text}") };
        assert_eq!(case.to_json(), text);
    }
    let Before::Case(case) = read(VERSION_1) else { panic!() };
    let settings = case.open().unwrap().condition.facts.settings.len();
    assert_eq!((settings, case.heard.len(), case.memory.fixes.len()), (2, 1, 2));
    assert_eq!(Before::<Seen, Memory>::read(None), Before::Nothing);
}

#[test]
fn whatever_cannot_be_read_is_told_again() {
    for text in [
        "",
        "null",
        "[]",
        "{}",
        "not json",
        r#"{"case":1}"#,
        r#"{"case":2}"#,
        &VERSION_1.replace("\"case\":1", "\"case\":2"),
        &VERSION_1.replace("out-of-service", "upside-down"),
        &VERSION_1.replace("critical", "dire"),
        &VERSION_1.replace("2026-11-20T11:00:00Z", "yesterday"),
        &VERSION_1.replace("\"service\":\"failed\"", "\"service\":7"),
        &VERSION_1.replace("lifeline side", "button side"),
        &VERSION_1[..VERSION_1.len() / 2],
    ] {
        assert_eq!(read(text), Before::Unreadable, "{text}");
    }
}

#[test]
fn a_later_version_may_add_keys() {
    let added = VERSION_1.replace("\"site\":", "\"taken_by\":\"tech-07\",\"site\":");
    assert_eq!(read(&added), read(VERSION_1));
}

#[test]
fn progress_that_cannot_be_read_never_brings_an_id_again() {
    let chain = |rows: &str| {
        let rows = [("progress/".to_owned(), rows.to_owned())].into();
        Cases::read(rows).chain()
    };
    let (_, row) = Cases::progressed(Progress { chain: "aa".into(), ledger_seq: 4 });
    let row = row.unwrap();
    assert_eq!(Cases::read([("progress/".to_owned(), row.clone())].into()).progress().ledger_seq, 4);
    let broken = row.replace("\"case\":1", "\"case\":2");
    assert_ne!(chain(&broken), chain(&row));
    assert_ne!(chain(&broken), Chain::default());
    assert_ne!(chain("damaged"), chain("damaged otherwise"));
}

#[test]
fn a_code_changed_behind_its_reference_is_news_though_it_looks_the_same() {
    let codes = |wanted: &str| {
        let mut codes = Codes::new(b"the key of this installation");
        codes.learn(Reference::Env("ACCESS".into()), crate::setting::Code::new(wanted));
        codes
    };
    let drifting = |codes: &Codes| {
        let mut access = setting("access", Drift::Unproven, "", "");
        access.wanted = Value::Secret(codes.seal(&Reference::Env("ACCESS".into())));
        station("EQ-01", vec![access], vec![])
    };
    let holding = |wanted: &str, held: &str| {
        let mut drift = (*drifting(&codes(wanted))).clone();
        drift.settings[0].held = State::Known(Value::Secret(codes(held).seal(&Reference::Env("ACCESS".into()))));
        drift.settings[0].drift = Drift::Differs;
        Arc::new(drift)
    };
    let mut watch = Watch::new();
    watch.put(holding("90210", "111111"));
    watch.pass();
    watch.put(holding("90210", "222222"));
    assert_eq!(watch.heard(), ["on-call grown EQ-01"], "another code is held");
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.put(drifting(&codes("90210")));
    let opened = watch.pass();
    watch.put(drifting(&codes("90210")));
    assert!(watch.pass().is_empty());
    watch.put(drifting(&codes("86753")));
    let grown = watch.pass();
    assert_eq!(heard(&grown), ["on-call grown EQ-01"]);
    let text: String = opened.messages.iter().chain(&grown.messages).map(|message| &*message.body).collect();
    let print = codes("86753").seal(&Reference::Env("ACCESS".into())).fingerprint.unwrap().to_string();
    let kept = watch.case("EQ-01").to_json();
    for secret in ["90210", "86753", &print, print.split(':').next_back().unwrap()] {
        assert!(!text.contains(secret) && !kept.contains(secret), "{secret}");
    }
    assert!(text.contains("(secret env:ACCESS)"));
    let print = watch.open("EQ-01").condition.facts.settings["access"].wanted.print.clone().unwrap();
    assert!(kept.contains(&print));
    assert!(!text.contains(&print), "the digest is for comparing only");
}
