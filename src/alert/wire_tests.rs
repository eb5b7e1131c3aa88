//! What was told survives being kept as text, and a text that cannot be read is never taken for nothing.

use std::sync::Arc;

use super::fixture::*;
use super::*;
use crate::drift::Drift;
use crate::ledger::State;
use crate::setting::{Codes, Reference, Value};

/// A whole case in the shape of version 1. It must be readable for good: it stands in people's databases.
const VERSION_1: &str = r#"{"told":1,"open":{"opened_at":"2026-11-20T10:00:00Z","changed_at":"2026-11-20T11:00:00Z","seen":{"site":"east-quay","where":"East quay, EQ-01","standing":"out-of-service","weight":"lifeline","settings":{"access":{"drift":"differs","weight":"routine","wanted":"(secret env:A)","wanted_print":"aa","held":"(secret env:B)","held_print":"bb"},"identity":{"drift":"strayed","weight":"locating","wanted":"121","held":"120","fixed_at":"2026-11-01T00:00:00Z"}},"lifelines":{"emergency":{"service":"failed"}}},"heard":{"on-call":{"at":"2026-11-20T11:00:00Z","mark":"00"}}},"fixes":[{"name":"lamp.follows","wanted":"1","at":"2026-11-19T10:00:00Z"},{"name":"assistance","at":"2026-11-19T10:00:00Z"}]}"#;

#[test]
fn the_first_version_is_read_and_written_as_it_was() {
    let told = Told::from_json(VERSION_1);
    let case = told.open().unwrap();
    assert_eq!((case.seen.settings.len(), case.heard.len()), (2, 1));
    assert_eq!(told.to_json(), VERSION_1);
}

#[test]
fn whatever_cannot_be_read_is_told_again() {
    for text in [
        "",
        "null",
        "[]",
        "{}",
        "not json",
        r#"{"told":1}"#,
        r#"{"told":2}"#,
        &VERSION_1.replace("\"told\":1", "\"told\":2"),
        &VERSION_1.replace("out-of-service", "upside-down"),
        &VERSION_1.replace("2026-11-20T11:00:00Z", "yesterday"),
        &VERSION_1.replace("\"service\":\"failed\"", "\"service\":7"),
        &VERSION_1[..VERSION_1.len() / 2],
    ] {
        assert_eq!(Told::from_json(text), Told::Unreadable, "{text}");
    }
    assert_eq!(Told::from_json(&Told::Unreadable.to_json()), Told::Unreadable);
}

#[test]
fn a_later_version_may_add_keys() {
    let added = VERSION_1.replace("\"site\":", "\"taken_by\":\"tech-07\",\"site\":");
    assert_eq!(Told::from_json(&added), Told::from_json(VERSION_1));
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
    let kept = watch.told["EQ-01"].to_json();
    for secret in ["90210", "86753", &print, print.split(':').next_back().unwrap()] {
        assert!(!text.contains(secret) && !kept.contains(secret), "{secret}");
    }
    assert!(text.contains("(secret env:ACCESS)"));
    assert!(kept.contains("wanted_print"));
    let print = &watch.told["EQ-01"].open().unwrap().seen.settings["access"].wanted.print;
    assert!(!text.contains(print.as_ref().unwrap()), "the digest is for comparing only");
}
