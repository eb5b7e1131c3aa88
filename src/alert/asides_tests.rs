//! What is told of things set aside: each beginning and each end once, to every webhook, within bounds.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::fixture::*;
use super::*;
use crate::ledger::{Aside, Decision, Decisions, End, Said, Target};

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

fn decisions(all: &[Decision]) -> Decisions {
    let mut decisions = Decisions::default();
    (1..).zip(all).for_each(|(seq, decision)| decisions.add(seq, decision.clone()));
    decisions
}

fn news(told: &[u128], all: &[Decision], hours: i64) -> AsideNews {
    let told: BTreeSet<Uuid> = told.iter().map(|id| Uuid::from_u128(*id)).collect();
    AsideNews::between(&told, &decisions(all), clock() + SignedDuration::from_hours(hours))
}

/// (begun, over) as told to one webhook; `None` where nothing is.
fn told(news: AsideNews) -> Option<(Vec<String>, Vec<String>)> {
    let mut watch = Watch::new();
    watch.asides = news;
    let message = watch.verdict().messages.pop()?;
    let data = data(&message.body);
    let names = |list: &str| {
        let all = data["set_aside"][list].as_array().unwrap();
        all.iter().map(|aside| format!("{} {}", aside["station"].as_str().unwrap(), aside["over"])).collect()
    };
    Some((names("begun"), names("over")))
}

#[test]
fn a_beginning_is_told_once_and_an_end_once_with_how_it_came() {
    let all = [aside(1, 0, "EQ-01", 24), aside(2, 0, "EQ-02", 48)];
    let begun = news(&[], &all, 1);
    assert_eq!(begun.now, [1, 2].map(Uuid::from_u128).into());
    assert_eq!(told(begun), Some((vec!["EQ-01 null".into(), "EQ-02 null".into()], vec![])));
    assert_eq!(told(news(&[1, 2], &all, 23)), None);
    assert_eq!(told(news(&[1, 2], &all, 24)), Some((vec![], vec!["EQ-01 \"expired\"".into()])));
    assert_eq!(told(news(&[2], &all, 24)), None);
    let ended = [&all[..], &[Decision::End(End { said: said(3, 60), ends: Uuid::from_u128(2) })]].concat();
    assert_eq!(told(news(&[1, 2], &ended, 2)), Some((vec![], vec!["EQ-02 \"ended\"".into()])));
}

#[test]
fn a_later_word_about_the_same_thing_is_told_and_the_one_it_replaces_is_no_end() {
    let all = [aside(1, 0, "EQ-01", 24), aside(2, 30, "EQ-01", 48)];
    assert_eq!(told(news(&[1], &all, 1)), Some((vec!["EQ-01 null".into()], vec![])));
    assert_eq!(told(news(&[2], &all, 30)), None);
}

#[test]
fn the_message_has_another_id_each_time_and_is_bounded_however_much_is_set_aside() {
    let all: Vec<Decision> = (1..=500).map(|id| aside(id, 0, &format!("{id}-{}", "\"".repeat(150)), 24)).collect();
    let mut watch = Watch::new();
    watch.asides = news(&[], &all, 1);
    let first = watch.pass().messages.remove(0);
    assert!(first.body.len() <= LONGEST_BODY);
    assert_eq!(data(&first.body)["set_aside"]["left_out"], 497);
    watch.asides = news(&(1..=500).collect::<Vec<_>>(), &all, 24);
    let second = watch.pass().messages.remove(0);
    assert_ne!(first.id, second.id);
    assert!(second.body.len() <= LONGEST_BODY);
}
