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
    watch.refused.push(Refused {
        seq,
        webhook: webhook.into(),
        message: message.id.clone(),
        said: "it answered 400".into(),
        at: watch.clock,
        is_closed,
        ended: if is_closed { message.ended.clone() } else { Vec::new() },
    });
}

fn of<'m>(verdict: &'m Verdict, webhook: &str) -> &'m Message {
    verdict.messages.iter().find(|message| *message.webhook == *webhook).expect("a message")
}

#[test]
fn the_others_hear_of_a_refused_message_once_and_its_own_webhook_does_not() {
    let mut watch = watch(&["a", "b", "c"]);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    let told = watch.pass();
    refuse(&mut watch, 7, "b", of(&told, "b"), false);
    let told = watch.pass();
    let to: Vec<&str> = told.messages.iter().map(|message| &*message.webhook).collect();
    assert_eq!(to, ["a", "c"]);
    let data = data(&told.messages[0].body);
    assert_eq!((&data["severity"], &data["count"]), (&"warning".into(), &1.into()));
    assert_eq!(data["messages"][0]["short_form"], true);
    assert_eq!(data["summary"], "b got an alert in its short form only. Why: it answered 400.");
    assert!(watch.pass().messages.is_empty());
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
    assert_eq!(watch.heard(), ["b news"]);
    watch.restart();
    watch.minutes(59);
    assert!(watch.heard().is_empty());
    assert!(watch.next_reminder().is_some());
    watch.minutes(1);
    let again = watch.pass();
    assert_eq!(heard(&again), ["a closed EQ-01"]);
    // Refused once more: it waits for the next time.
    refuse(&mut watch, 2, "a", of(&again, "a"), true);
    assert_eq!(watch.heard(), ["b news"]);
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
