//! When webhooks are reminded of open cases, and what quiets it.

use std::sync::Arc;

use super::fixture::*;
use crate::drift::StationDrift;
use crate::inventory::Taken;
use crate::setting::Weight;

const NOTHING: [&str; 0] = [];

#[test]
fn a_reminder_comes_when_its_weight_is_due_and_takes_all_of_that_weight_along() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.put(differs("EQ-02", "identity", "1"));
    watch.pass();
    watch.minutes(40);
    watch.put(differs("EQ-03", "emergency.primary", "1"));
    watch.pass();
    let next = watch.next_reminder().unwrap();
    assert_eq!(next.to_string(), "2026-11-20T11:00:00Z");
    watch.minutes(19);
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(1);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01", "on-call still_open EQ-03"]);
    watch.minutes(59);
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(1);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01", "on-call still_open EQ-03"]);
    watch.minutes(120);
    let expected = ["on-call still_open EQ-01", "on-call still_open EQ-03", "on-call still_open EQ-02"];
    assert_eq!(watch.heard(), expected);
}

#[test]
fn a_reminder_falls_due_to_the_millisecond() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.pass();
    watch.clock += jiff::SignedDuration::from_millis(60 * 60 * 1_000 - 1);
    assert_eq!(watch.heard(), NOTHING);
    watch.clock += jiff::SignedDuration::from_millis(1);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"]);
}

/// EQ-01 as it is, with someone on it.
fn take(watch: &mut Watch, at: &str, until: &str) {
    let (at, until) = (at.parse().unwrap(), until.parse().unwrap());
    let taken = Some(Taken { by: "tech-07".into(), at, until });
    let drift = StationDrift { taken, ..(*watch.stations["EQ-01"]).clone() };
    watch.put(Arc::new(drift));
}

#[test]
fn a_take_quiets_the_reminders_of_its_station_alone_and_they_come_again_when_it_is_over() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.put(differs("EQ-02", "emergency.primary", "1"));
    watch.pass();
    take(&mut watch, "2026-11-20T10:05:00Z", "2026-11-20T12:10:00Z");
    watch.minutes(60);
    assert_eq!(watch.heard(), ["on-call still_open EQ-02"]);
    watch.minutes(60);
    assert_eq!(watch.heard(), ["on-call still_open EQ-02"]);
    let next = watch.next_reminder().unwrap();
    assert_eq!(next.to_string(), "2026-11-20T12:10:00Z", "when the take is over");
    watch.minutes(10);
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    assert_eq!(watch.heard(), ["on-call still_open EQ-01", "on-call still_open EQ-02"]);
}

#[test]
fn a_take_quiets_neither_growth_nor_closing_nor_the_next_case() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "1"));
    watch.pass();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    take(&mut watch, "2026-11-20T10:05:00Z", "2026-11-25T10:00:00Z");
    let verdict = watch.pass();
    assert_eq!(heard(&verdict), ["on-call grown EQ-01"]);
    let entry = &data(&verdict.messages[0].body)["grown"][0];
    assert_eq!((&entry["taken_by"], &entry["taken_until"]), (&"tech-07".into(), &"2026-11-25T10:00:00Z".into()));
    watch.put(aligned("EQ-01"));
    take(&mut watch, "2026-11-20T10:05:00Z", "2026-11-25T10:00:00Z");
    assert_eq!(watch.heard(), ["on-call closed EQ-01"]);
    watch.minutes(10);
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    take(&mut watch, "2026-11-20T10:05:00Z", "2026-11-25T10:00:00Z");
    assert_eq!(watch.heard(), ["on-call opened EQ-01"]);
    watch.minutes(60);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"], "it was taken before this case began");
}

#[test]
fn news_of_a_case_puts_its_reminder_off_and_there_is_none_where_none_is_wanted() {
    let mut watch = Watch::new();
    watch.terms.webhooks[0].remind_minutes = [(Weight::Lifeline, 60), (Weight::Routine, 0)].into();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.put(differs("EQ-02", "identity", "1"));
    watch.put(differs("EQ-03", "lamp.follows", "1"));
    watch.pass();
    watch.minutes(59);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    assert_eq!(watch.heard(), ["on-call grown EQ-01"]);
    watch.minutes(59);
    assert_eq!(watch.heard(), NOTHING);
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.minutes(1_000_000);
    assert_eq!(watch.heard(), NOTHING);
    assert_eq!(watch.next_reminder(), None);
}

#[test]
fn a_clock_set_back_silences_no_reminder_for_good() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.minutes(60 * 24 * 365);
    watch.pass();
    watch.minutes(-60 * 24 * 365);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"]);
    watch.minutes(59);
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(1);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"]);
}

#[test]
fn who_has_not_got_the_last_telling_yet_is_not_reminded_and_hears_of_news_all_the_same() {
    let mut watch = Watch::new();
    watch.terms.webhooks.push(webhook("away", &Weight::ALL));
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.put(differs("EQ-02", "identity", "1"));
    watch.pass();
    watch.waiting = ["away".into()].into();
    for _ in 0..48 {
        watch.minutes(60);
        assert!(watch.heard().iter().all(|told| told.starts_with("on-call still_open")));
    }
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    assert_eq!(watch.heard(), ["on-call grown EQ-01", "away grown EQ-01"]);
    watch.waiting.clear();
    assert_eq!(watch.heard(), ["away still_open EQ-02"], "it is delivered, and the other is long due");
}

#[test]
fn a_held_change_is_brought_to_mind_only_of_who_got_the_last_telling() {
    let mut watch = Watch::new();
    watch.held = Some(held("0123456789abcdef"));
    assert_eq!(watch.pass().messages.len(), 1);
    watch.minutes(60);
    watch.waiting = ["on-call".into()].into();
    assert_eq!(watch.pass().messages.len(), 0);
    watch.held = None;
    assert_eq!(watch.pass().messages.len(), 1, "that it is over is told at once");
}

#[test]
fn where_no_station_is_watched_no_reminder_falls_due() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.pass();
    let stations = std::mem::take(&mut watch.stations);
    watch.pass();
    assert_eq!(watch.next_reminder(), None);
    watch.minutes(60);
    assert!(watch.verdict().is_empty());
    watch.stations = stations;
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"]);
}
