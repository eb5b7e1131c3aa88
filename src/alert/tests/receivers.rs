//! Webhooks whose receivers are gone: told to the others, brought to mind, and lifted.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::super::topic::trouble::Since;
use super::fixture::*;
use super::*;
use crate::setting::{Name, Weight};

/// A fleet with these webhooks, who are reminded after two hours at the latest.
fn watch(names: &[&str]) -> Watch {
    let mut watch = Watch::new();
    let one = |name: &&str| Subscription {
        remind_minutes: BTreeMap::from([(Weight::Lifeline, 60), (Weight::Routine, 120)]),
        ..webhook(name, &Weight::ALL)
    };
    watch.terms.webhooks = names.iter().map(one).collect();
    watch
}

fn gone(since: Timestamp) -> Stopped {
    Stopped { since, address: "https://hooks.example.org".into(), message: "told-1".into() }
}

fn stop(watch: &mut Watch, name: &str) {
    watch.stopped.insert(name.into(), gone(watch.clock));
}

const NOTHING: [&str; 0] = [];

#[test]
fn nobody_is_reminded_who_has_not_got_the_last_telling_yet() {
    let mut watch = watch(&["a", "b"]);
    stop(&mut watch, "b");
    assert_eq!(watch.heard(), ["a gone"]);
    watch.waiting = ["a".into()].into();
    watch.minutes(120);
    assert_eq!(watch.heard(), NOTHING);
    watch.waiting.clear();
    assert_eq!(watch.heard(), ["a gone"]);
}

#[test]
fn the_others_hear_of_a_stop_once_are_reminded_and_hear_that_it_is_over() {
    let mut watch = watch(&["a", "b", "c"]);
    stop(&mut watch, "b");
    let first = watch.pass().messages;
    assert_eq!(first.iter().map(|message| &*message.webhook).collect::<Vec<_>>(), ["a", "c"]);
    watch.minutes(119);
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(1);
    let reminded = watch.pass().messages;
    assert_eq!(reminded.len(), 2);
    assert!(reminded.iter().zip(&first).all(|(two, one)| two.id != one.id));
    watch.minutes(10);
    watch.stopped.clear();
    assert_eq!(watch.heard(), ["a back", "c back"]);
    assert_eq!(watch.cases.names::<Since<Stopped>>().count(), 0);
}

#[test]
fn where_all_are_stopped_nobody_is_told_and_the_first_that_goes_on_hears_of_the_other() {
    let mut watch = watch(&["a", "b"]);
    stop(&mut watch, "a");
    watch.minutes(1);
    stop(&mut watch, "b");
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(1);
    watch.stopped.remove("a");
    let messages = watch.pass().messages;
    assert_eq!((messages.len(), &*messages[0].webhook), (1, "a"));
    assert_eq!(data(&messages[0].body)["state"], "gone");
    assert!(messages[0].body.contains("deliveries start b"));
}

#[test]
fn one_that_stops_a_second_time_is_told_anew() {
    let mut watch = watch(&["a", "b"]);
    stop(&mut watch, "b");
    let first = watch.pass().messages.remove(0).id;
    watch.minutes(1);
    stop(&mut watch, "b");
    let second = watch.pass().messages;
    assert_eq!(second.len(), 1);
    assert_ne!(second[0].id, first);
}

#[test]
fn what_cannot_be_read_is_told_again() {
    let mut watch = watch(&["a", "b"]);
    stop(&mut watch, "b");
    watch.pass();
    watch.cases = Cases::read([(Cases::key::<Since<Stopped>>("b"), "{\"case\": 9}".to_owned())].into());
    let messages = watch.pass().messages;
    assert_eq!(messages.len(), 1);
    assert_eq!(event(&messages[0].body)["type"], "stationkeep.webhook.gone.v1");
}

#[test]
fn the_message_says_what_is_so_and_what_to_do_and_no_name_makes_it_longer_than_it_may_be() {
    let long = "\u{1}".repeat(90_000);
    for (name, address, message) in [("b", "https://hooks.example.org", "told-1"), (&*long, &*long, &*long)] {
        let mut watch = watch(&["a"]);
        let stopped = Stopped { since: watch.clock, address: address.into(), message: message.into() };
        watch.stopped = BTreeMap::from([(Name::from(name), stopped)]);
        let body = watch.pass().messages.remove(0).body;
        assert!(body.len() <= LONGEST_BODY);
        let event = event(&body);
        assert_eq!(event["type"], "stationkeep.webhook.gone.v1");
        if name == "b" {
            let data = &event["data"];
            assert!(data["summary"].as_str().unwrap().contains("https://hooks.example.org answered 410"), "{data}");
            assert_eq!((&data["undelivered_from"], &event["subject"]), (&"told-1".into(), &"b".into()));
            assert!(data["fix"].as_str().unwrap().contains("stationkeep deliveries start b"), "{data}");
        }
    }
}
