//! Webhooks that have something to deliver and deliver nothing: told to the others, brought to mind, and lifted.

use super::super::topic::trouble::Since;
use super::fixture::*;
use super::*;
use crate::setting::Weight;

const NOTHING: [&str; 0] = [];

fn watch(names: &[&str]) -> Watch {
    let mut watch = Watch::new();
    watch.terms.webhooks = names.iter().map(|name| webhook(name, &Weight::ALL)).collect();
    watch
}

fn silence(watch: &mut Watch, name: &str, waiting: u64) {
    watch.silent.insert(name.into(), Silent { since: watch.clock, waiting });
    watch.waiting.insert(name.into());
}

#[test]
fn the_others_hear_of_a_silence_once_are_reminded_and_hear_that_it_is_over() {
    let mut watch = watch(&["a", "b", "c"]);
    silence(&mut watch, "b", 3);
    let message = watch.pass().messages.remove(0);
    let event = event(&message.body);
    assert_eq!((&event["type"], &event["subject"]), (&"stationkeep.webhook.silent.v1".into(), &"b".into()));
    let data = &event["data"];
    let summary = "b has delivered nothing since 2026-11-20 10:00 UTC, and 3 messages wait for it. Whoever listens there is \
        not alerted.";
    assert_eq!((&data["summary"], &data["waiting"]), (&summary.into(), &3.into()));
    assert!(data["fix"].as_str().unwrap().contains("stationkeep deliveries --webhook b"));
    assert_eq!(watch.heard(), NOTHING);
    watch.silent.get_mut("b").unwrap().waiting = 9;
    assert_eq!(watch.heard(), NOTHING, "that more waits is no news");
    watch.minutes(1_440);
    assert_eq!(watch.heard(), ["a silent", "c silent"]);
    watch.silent.clear();
    assert_eq!(watch.heard(), ["a over", "c over"]);
    assert_eq!(watch.cases.names::<Since<Silent>>().count(), 0);
}

#[test]
fn who_is_silent_hears_of_nobodys_silence_until_it_delivers_again() {
    let mut watch = watch(&["a", "b"]);
    silence(&mut watch, "a", 1);
    silence(&mut watch, "b", 1);
    assert_eq!(watch.heard(), NOTHING);
    watch.silent.remove("a");
    watch.waiting.remove("a");
    let message = watch.pass().messages.remove(0);
    assert_eq!((&*message.webhook, data(&message.body)["webhook"].as_str()), ("a", Some("b")));
    assert!(data(&message.body)["summary"].as_str().unwrap().contains("and 1 message waits for it"));
}

#[test]
fn a_second_silence_is_told_anew_and_no_name_makes_the_message_longer_than_it_may_be() {
    let long = "\u{1}".repeat(90_000);
    for name in ["b", &*long] {
        let mut watch = watch(&["a"]);
        silence(&mut watch, name, u64::MAX);
        let first = watch.pass().messages.remove(0);
        assert!(first.body.len() <= LONGEST_BODY);
        watch.minutes(1);
        silence(&mut watch, name, 1);
        assert_ne!(watch.pass().messages.remove(0).id, first.id);
    }
}
