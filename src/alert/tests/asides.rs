//! What is told of things set aside: each beginning and each end once, to every webhook, within bounds.

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::super::topic::asides::Asides;
use super::fixture::*;
use super::*;
use crate::ledger::{Aside, Decision, End, Said, Target};

fn clock() -> Timestamp {
    "2026-11-20T10:00:00Z".parse().unwrap()
}

fn said(id: u128, minutes: i64) -> Said {
    let at = clock() + SignedDuration::from_mins(minutes);
    Said { id: Uuid::from_u128(id), at, by: "ops-2".into(), why: Some("awaits a part".into()) }
}

fn aside(id: u128, minutes: i64, station: &str, hours: i64) -> Decision {
    let until = clock() + SignedDuration::from_hours(hours);
    let target = Target::Station(station.into());
    Decision::Aside(Aside { said: said(id, minutes), target, setting: None, until, out_of_service: true })
}

/// Who was told what: (begun, over), as one webhook got it; `None` where there was no message.
type Told = Option<(Vec<String>, Vec<String>)>;

fn told(watch: &mut Watch, hours: i64) -> Told {
    watch.clock = clock() + SignedDuration::from_hours(hours);
    let message = watch.pass().messages.pop()?;
    let data = data(&message.body);
    let names = |list: &str| {
        let all = data["set_aside"][list].as_array().unwrap();
        all.iter().map(|aside| format!("{} {}", aside["station"].as_str().unwrap(), aside["over"])).collect()
    };
    Some((names("begun"), names("over")))
}

fn begun(all: &[&str]) -> Told {
    Some((all.iter().map(|name| format!("{name} null")).collect(), vec![]))
}

fn over(name: &str, how: &str) -> Told {
    Some((vec![], vec![format!("{name} \"{how}\"")]))
}

#[test]
fn a_beginning_is_told_once_and_an_end_once_with_how_it_came() {
    let mut watch = Watch::new();
    watch.say(aside(1, 0, "EQ-01", 24));
    watch.say(aside(2, 0, "EQ-02", 48));
    assert_eq!(told(&mut watch, 1), begun(&["EQ-01", "EQ-02"]));
    assert_eq!(told(&mut watch, 23), None);
    assert_eq!(told(&mut watch, 24), over("EQ-01", "expired"));
    assert_eq!(told(&mut watch, 25), None);
    watch.say(Decision::End(End { said: said(3, 60), ends: Uuid::from_u128(2) }));
    assert_eq!(told(&mut watch, 26), over("EQ-02", "ended"));
    assert_eq!(watch.cases.names::<Asides>().count(), 0);
}

#[test]
fn a_later_word_about_the_same_thing_is_told_and_the_one_it_replaces_is_no_end() {
    let mut watch = Watch::new();
    watch.say(aside(1, 0, "EQ-01", 24));
    assert_eq!(told(&mut watch, 0), begun(&["EQ-01"]));
    watch.say(aside(2, 30, "EQ-01", 48));
    assert_eq!(told(&mut watch, 1), begun(&["EQ-01"]));
    assert_eq!(told(&mut watch, 30), None);
    assert_eq!(told(&mut watch, 48), over("EQ-01", "expired"));
}

#[test]
fn a_webhook_that_is_new_or_was_away_hears_of_what_is_so_and_of_no_end_that_it_did_not_hear_begin() {
    let mut watch = Watch::new();
    let here = std::mem::take(&mut watch.terms.webhooks);
    watch.say(aside(1, 0, "EQ-01", 24));
    watch.say(aside(2, 0, "EQ-02", 48));
    assert_eq!(told(&mut watch, 1), None);
    watch.terms.webhooks = here.clone();
    assert_eq!(told(&mut watch, 25), begun(&["EQ-02"]));
    watch.terms.webhooks.clear();
    assert_eq!(told(&mut watch, 48), None);
    watch.terms.webhooks = here;
    assert_eq!(told(&mut watch, 49), over("EQ-02", "expired"));
}

#[test]
fn what_is_out_of_service_is_named_first_and_then_by_name() {
    let mut watch = Watch::new();
    for (id, name, out) in [(1, "EQ-03", false), (2, "EQ-02", true), (3, "EQ-01", false), (4, "EQ-00", true)] {
        let Decision::Aside(one) = aside(id, 0, name, 24) else { panic!() };
        watch.say(Decision::Aside(Aside { out_of_service: out, ..one }));
    }
    let message = watch.pass().messages.remove(0);
    let data = data(&message.body);
    let names: Vec<&str> =
        data["set_aside"]["begun"].as_array().unwrap().iter().map(|one| one["station"].as_str().unwrap()).collect();
    assert_eq!((names, &data["set_aside"]["left_out"]), (vec!["EQ-00", "EQ-02", "EQ-01"], &1.into()));
    let first = "Set aside: EQ-00, out of service, until 2026-11-21 10:00 UTC by ops-2 (awaits a part), and 3 others.";
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
}

#[test]
fn the_message_has_another_id_each_time_and_is_bounded_however_much_is_set_aside() {
    let mut watch = Watch::new();
    (1..=500).for_each(|id| watch.say(aside(id, 0, &format!("{id}-{}", "\"".repeat(150)), 24)));
    let first = watch.pass().messages.remove(0);
    assert!(first.body.len() <= LONGEST_BODY);
    assert_eq!(data(&first.body)["set_aside"]["left_out"], 497);
    watch.clock += SignedDuration::from_hours(24);
    let second = watch.pass().messages.remove(0);
    assert_ne!(first.id, second.id);
    assert!(second.body.len() <= LONGEST_BODY);
}

#[test]
fn an_end_whose_message_no_receiver_took_is_told_again_as_a_closed_case_is() {
    let mut watch = Watch::new();
    watch.say(aside(1, 0, "EQ-01", 24));
    assert_eq!(told(&mut watch, 1), begun(&["EQ-01"]));
    watch.clock = clock() + SignedDuration::from_hours(24);
    let message = watch.pass().messages.remove(0);
    assert_eq!(message.ended.len(), 1);
    let refusing = Refusing { since: watch.clock, is_closed: true };
    watch.refusing.insert(message.webhook.clone(), refusing);
    watch.refused.push(Refused {
        seq: 1,
        webhook: message.webhook.clone(),
        message: message.id.clone(),
        said: "it answered 400".into(),
        at: watch.clock,
        is_closed: true,
        ended: message.ended,
        title: String::new(),
        severity: Severity::Info,
    });
    assert_eq!(told(&mut watch, 25), None, "not before a reminder would be due");
    watch.restart();
    let again = (26..60).find_map(|hours| told(&mut watch, hours));
    assert_eq!(again, over("EQ-01", "expired"));
    assert!((60..120).all(|hours| told(&mut watch, hours).is_none()));
    assert!(!watch.cases.has_missed());
}
