//! Messages that their receivers will not take: told to the others, and what nobody heard comes again.

use super::fixture::*;
use super::*;
use crate::drift::Service;
use crate::setting::Weight;

fn watch(names: &[&str]) -> Watch {
    let mut watch = Watch::new();
    watch.terms.webhooks = names.iter().map(|name| webhook(name, &Weight::ALL)).collect();
    watch
}

fn refuse(watch: &mut Watch, seq: i64, webhook: &str, message: &Message, is_closed: bool) {
    let gist = &message.gists[0];
    let since = watch.clock;
    let refusing = watch.refusing.entry(webhook.into()).or_insert(Refusing { since, is_closed });
    refusing.is_closed |= is_closed;
    watch.refused.push(Refused {
        seq,
        webhook: webhook.into(),
        message: message.id.clone(),
        said: "it answered 400".into(),
        at: watch.clock,
        is_closed,
        ended: if is_closed { message.ended.clone() } else { Vec::new() },
        title: gist.title.clone(),
        severity: gist.severity,
    });
}

fn of<'m>(verdict: &'m Verdict, webhook: &str) -> &'m Message {
    verdict.messages.iter().find(|message| *message.webhook == *webhook).expect("a message")
}

#[test]
fn the_others_hear_once_that_a_receiver_refuses_and_that_it_takes_messages_again() {
    let mut watch = watch(&["a", "b", "c"]);
    watch.put(differs("EQ-01", "lamp.follows", "2"));
    let first = watch.pass();
    refuse(&mut watch, 7, "b", of(&first, "b"), false);
    let told = watch.pass();
    let to: Vec<&str> = told.messages.iter().map(|message| &*message.webhook).collect();
    assert_eq!(to, ["a", "c"]);
    let data = data(&told.messages[0].body);
    assert_eq!((&data["severity"], &data["count"]), (&"warning".into(), &1.into()));
    assert_eq!(data["messages"][0]["short_form"], true);
    assert_eq!(data["summary"], "b got an alert in its short form only. Why: it answered 400.");
    // One more that is no more urgent is no news.
    refuse(&mut watch, 8, "b", of(&first, "b"), false);
    assert!(watch.pass().messages.is_empty());
    watch.restart();
    watch.refusing.clear();
    let over = watch.pass();
    assert_eq!(over.messages.len(), 2);
    let gist = &over.messages[0].gists[0];
    assert_eq!((&*gist.text, gist.is_over), ("b takes messages again.", true));
    assert_eq!(gist.key, told.messages[0].gists[0].key);
}

#[test]
fn the_most_urgent_that_was_not_heard_is_named_with_its_severity_and_told_again_when_a_reminder_is_due() {
    let mut watch = watch(&["a", "b"]);
    watch.put(differs("EQ-01", "lamp.follows", "2"));
    let told = watch.pass();
    refuse(&mut watch, 1, "b", of(&told, "b"), true);
    assert_eq!(data(&watch.pass().messages[0].body)["severity"], "error");
    watch.put(station("EQ-02", Vec::new(), vec![lifeline("emergency", Service::Failed)]));
    let told = watch.pass();
    refuse(&mut watch, 2, "b", of(&told, "b"), true);
    let again = watch.pass();
    assert_eq!(again.messages.len(), 1);
    let worse = data(&again.messages[0].body);
    let first = "EQ-02: pressing the emergency button did not reach help (tested by tech-07). b was not told: its receiver took \
                 neither the message nor its short form. Why: it answered 400.";
    assert_eq!((&worse["summary"], &worse["severity"]), (&first.into(), &"critical".into()));
    watch.restart();
    watch.minutes(60);
    let due = watch.pass();
    let named = |message: &&Message| data(&message.body)["summary"] == first;
    assert_eq!(due.messages.iter().filter(named).count(), 1);
}

#[test]
fn two_that_take_nothing_are_not_told_of_each_other() {
    let mut watch = watch(&["a", "b", "c"]);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    let told = watch.pass();
    refuse(&mut watch, 1, "a", of(&told, "a"), true);
    refuse(&mut watch, 2, "b", of(&told, "b"), true);
    let told = watch.pass();
    let to: Vec<&str> = told.messages.iter().map(|message| &*message.webhook).collect();
    assert_eq!(to, ["c", "c"]);
}

#[test]
fn what_is_open_comes_again_with_its_reminder_where_nobody_heard_it() {
    let mut watch = watch(&["a"]);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    let told = watch.pass();
    assert!(told.messages[0].ended.is_empty());
    refuse(&mut watch, 1, "a", &told.messages[0], true);
    assert!(watch.heard().is_empty(), "there is nobody else to tell");
    watch.minutes(60);
    assert_eq!(watch.heard(), ["a still_open EQ-01"]);
}

#[test]
fn that_a_case_is_over_is_told_once_more_at_the_time_of_a_reminder_until_it_is_heard() {
    let mut watch = watch(&["a", "b"]);
    let failed = station("EQ-01", Vec::new(), vec![lifeline("emergency", Service::Failed)]);
    watch.put(failed.clone());
    watch.pass();
    watch.put(fixed(&failed));
    let told = watch.pass();
    assert_eq!(of(&told, "a").ended, ["station/EQ-01"]);
    refuse(&mut watch, 1, "a", of(&told, "a"), true);
    assert_eq!(watch.heard(), ["b refused"]);
    watch.restart();
    watch.minutes(59);
    assert!(watch.heard().is_empty());
    assert!(watch.next_reminder().is_some());
    watch.minutes(1);
    let again = watch.pass();
    // Of the receiver the other is reminded.
    assert_eq!(heard(&again), ["b refused", "a closed EQ-01"]);
    // Refused once more: it waits for the next time. Of the receiver the other was told already.
    refuse(&mut watch, 2, "a", of(&again, "a"), true);
    assert!(watch.heard().is_empty());
    watch.refusing.clear();
    assert_eq!(watch.heard(), ["b over"]);
    watch.minutes(60);
    assert_eq!(watch.heard(), ["a closed EQ-01"]);
    watch.minutes(1000);
    assert!(watch.heard().is_empty());
    assert!(watch.is_quiet() && !watch.cases.has_missed());
}

#[test]
fn a_case_that_opens_again_meanwhile_is_told_as_it_is() {
    let mut watch = watch(&["a"]);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    watch.pass();
    watch.put(aligned("EQ-01"));
    let told = watch.pass();
    refuse(&mut watch, 1, "a", &told.messages[0], true);
    watch.pass();
    watch.put(differs("EQ-01", "emergency.primary", "3"));
    assert_eq!(watch.heard(), ["a opened EQ-01"]);
    assert!(!watch.cases.has_missed());
}
