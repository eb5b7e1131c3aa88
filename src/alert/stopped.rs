//! Messages about webhooks that are stopped, because their receivers answered 410 (gone): told to the other webhooks, since
//! whoever listened there hears nothing any more and may not know it; with reminders, and lifted when they are sent to
//! again. A stopped webhook is told nothing of it.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use serde::Serialize;

use super::clip::{NAME, PLACE, SENTENCE, clip};
use super::event::{Envelope, Kind, Message};
use super::mark::{Inking, Mark, Thread};
use super::refused::is_due;
use super::told::{Heard, fresh};
use super::{Subscription, Terms};
use crate::setting::Name;

/// A webhook that gets no more messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gone {
    pub since: Timestamp,
    /// As much of its address as may be shown.
    pub address: String,
    /// The id of the message that was answered so.
    pub message: String,
}

/// What was told of one stopped webhook; kept until every webhook that heard of it heard that it goes on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebhookStopped {
    pub since: Timestamp,
    pub(super) heard: BTreeMap<Name, Heard>,
}

/// What was told, by the name of the stopped webhook.
pub type StoppedTold = BTreeMap<Name, WebhookStopped>;

/// What to tell of stopped webhooks; to be written in one transaction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoppedVerdict {
    pub told: StoppedTold,
    pub messages: Vec<Message>,
    pub thread: Thread,
}

#[derive(Serialize)]
struct Data {
    summary: String,
    /// `gone` or `back`.
    state: &'static str,
    webhook: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    address: Option<String>,
    /// Since when it is, or was, stopped.
    since: String,
    /// The first of the messages that are kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    undelivered_from: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mend: Option<String>,
}

/// The webhooks that are stopped.
#[derive(Debug, Clone, Copy)]
pub struct Stops<'a> {
    pub now: &'a BTreeMap<Name, Gone>,
    /// Webhooks for which messages wait: no reminder is due to them.
    pub waiting: &'a BTreeSet<Name>,
    pub clock: Timestamp,
}

/// Decides what to tell of webhooks that are stopped, each since some time. The same input gives the same verdict.
pub fn stopped(before: &StoppedTold, stops: &Stops<'_>, thread: &Thread, terms: &Terms) -> StoppedVerdict {
    let Stops { now, waiting, clock } = *stops;
    let mut verdict = StoppedVerdict { told: StoppedTold::new(), messages: Vec::new(), thread: thread.clone() };
    let names: BTreeSet<&Name> = before.keys().chain(now.keys()).collect();
    for name in names {
        let last = before.get(name);
        let gone = now.get(name);
        let since = gone.map(|gone| gone.since).or(last.map(|last| last.since)).unwrap_or(clock);
        let mut heard = last.map(|last| last.heard.clone()).unwrap_or_default();
        heard.retain(|webhook, heard| {
            terms.webhooks.iter().any(|known| known.name == *webhook) || fresh(heard.at, clock)
        });
        let is_over = gone.is_none();
        let case = Case { name, since, gone, mark: mark(name, since, is_over) };
        for webhook in terms.webhooks.iter().filter(|webhook| !now.contains_key(&webhook.name)) {
            let tell = match (is_over, heard.get(&webhook.name)) {
                (true, last) => last.is_some(),
                (false, None) => true,
                (false, Some(last)) => {
                    last.mark != case.mark || (is_due(webhook, last, clock) && !waiting.contains(&webhook.name))
                }
            };
            if !tell {
                continue;
            }
            if is_over {
                heard.remove(&webhook.name);
            } else {
                heard.insert(webhook.name.clone(), Heard { at: clock, mark: case.mark.clone() });
            }
            verdict.messages.push(case.message(webhook, thread, clock, terms));
        }
        if !(is_over && heard.is_empty()) {
            verdict.told.insert(name.clone(), WebhookStopped { since, heard });
        }
    }
    verdict.thread = thread.after(verdict.messages.iter().map(|message| &*message.id));
    verdict
}

/// One stopped webhook, or one that was.
struct Case<'a> {
    name: &'a Name,
    since: Timestamp,
    /// Nothing where it is sent to again.
    gone: Option<&'a Gone>,
    mark: Mark,
}

impl Case<'_> {
    fn message(&self, webhook: &Subscription, thread: &Thread, clock: Timestamp, terms: &Terms) -> Message {
        let kind = Kind::WebhookGone;
        let id = thread.id(kind.as_str(), &webhook.name, &self.mark);
        let name = clip(self.name, NAME);
        let envelope = Envelope { id: &id, source: &terms.source, kind, subject: Some(&name), time: clock };
        let (address, from) = (self.gone.map(|gone| &gone.address), self.gone.map(|gone| &gone.message));
        let address = address.map(|address| clip(address, PLACE));
        let summary = match &address {
            None => format!("{name} gets messages again."),
            Some(address) => format!(
                "{name} gets no more messages: its receiver at {address} answered 410 (gone). What it was to be told is \
                 kept and stays undelivered."
            ),
        };
        let mend = self.gone.map(|_| {
            format!(
                "Once somebody listens there again: stationkeep deliveries start {name}. Or give it another address, or \
                 take it out of the configuration."
            )
        });
        let data = Data {
            summary: clip(&summary, SENTENCE),
            state: if self.gone.is_some() { "gone" } else { "back" },
            webhook: name.clone(),
            address,
            since: self.since.to_string(),
            undelivered_from: from.map(|from| clip(from, NAME)),
            mend,
        };
        Message { webhook: webhook.name.clone(), body: envelope.seal(&data), id: id.clone() }
    }
}

fn mark(name: &Name, since: Timestamp, is_over: bool) -> Mark {
    let mut ink = Inking::new();
    ink.text("stopped").text(name).text(&since.to_string()).text(if is_over { "over" } else { "stands" });
    ink.mark()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting::Weight;

    fn terms(names: &[&str]) -> Terms {
        let one = |name: &&str| Subscription {
            name: Name::from(*name),
            weights: Weight::ALL.into(),
            remind_minutes: BTreeMap::from([(Weight::Lifeline, 60), (Weight::Routine, 120)]),
        };
        let webhooks = names.iter().map(one).collect();
        Terms { source: "/stationkeep/x".into(), webhooks, address: None, surge_share: 0.3, require_tests: true }
    }

    fn at(minutes: i64) -> Timestamp {
        Timestamp::from_second(1_700_000_000 + minutes * 60).unwrap()
    }

    fn gone(minutes: i64) -> Gone {
        Gone { since: at(minutes), address: "https://hooks.example.org".into(), message: "told-1".into() }
    }

    fn told(verdict: &StoppedVerdict) -> Vec<String> {
        let state = |body: &str| serde_json::from_str::<serde_json::Value>(body).unwrap()["data"]["state"].clone();
        verdict.messages.iter().map(|m| format!("{}: {}", m.webhook, state(&m.body))).collect()
    }

    /// What is told where nothing waits for anybody.
    fn stops(
        before: &StoppedTold,
        now: &BTreeMap<Name, Gone>,
        thread: &Thread,
        clock: Timestamp,
        terms: &Terms,
    ) -> StoppedVerdict {
        stopped(before, &Stops { now, waiting: &BTreeSet::new(), clock }, thread, terms)
    }

    #[test]
    fn nobody_is_reminded_who_has_not_got_the_last_telling_yet() {
        let terms = terms(&["a", "b"]);
        let now = BTreeMap::from([(Name::from("b"), gone(0))]);
        let first = stops(&StoppedTold::new(), &now, &Thread::default(), at(0), &terms);
        let waiting = BTreeSet::from([Name::from("a")]);
        let away = Stops { now: &now, waiting: &waiting, clock: at(120) };
        assert_eq!(told(&stopped(&first.told, &away, &first.thread, &terms)), [""; 0]);
        assert_eq!(told(&stops(&first.told, &now, &first.thread, at(120), &terms)).len(), 1);
    }

    #[test]
    fn the_others_hear_of_a_stop_once_are_reminded_and_hear_that_it_is_over() {
        let terms = terms(&["a", "b", "c"]);
        let now = BTreeMap::from([(Name::from("b"), gone(0))]);
        let first = stops(&StoppedTold::new(), &now, &Thread::default(), at(0), &terms);
        assert_eq!(told(&first), ["a: \"gone\"", "c: \"gone\""]);
        let again = stops(&first.told, &now, &first.thread, at(119), &terms);
        assert_eq!((told(&again), &again.told), (vec![], &first.told));
        let reminded = stops(&first.told, &now, &first.thread, at(120), &terms);
        assert_eq!(told(&reminded).len(), 2);
        assert!(reminded.messages.iter().zip(&first.messages).all(|(two, one)| two.id != one.id));
        let over = stops(&reminded.told, &BTreeMap::new(), &reminded.thread, at(130), &terms);
        assert_eq!(told(&over), ["a: \"back\"", "c: \"back\""]);
        assert!(over.told.is_empty());
    }

    #[test]
    fn where_all_are_stopped_nobody_is_told_and_the_first_that_goes_on_hears_of_the_other() {
        let terms = terms(&["a", "b"]);
        let both = BTreeMap::from([(Name::from("a"), gone(0)), (Name::from("b"), gone(1))]);
        let silent = stops(&StoppedTold::new(), &both, &Thread::default(), at(1), &terms);
        assert_eq!(told(&silent), [""; 0]);
        let one = BTreeMap::from([(Name::from("b"), gone(1))]);
        let next = stops(&silent.told, &one, &silent.thread, at(2), &terms);
        assert_eq!(told(&next), ["a: \"gone\""]);
        assert!(next.messages[0].body.contains("deliveries start b"));
    }

    #[test]
    fn what_is_kept_reads_back_the_same_and_what_cannot_be_read_is_told_again() {
        let now = BTreeMap::from([(Name::from("b"), gone(0))]);
        let told = stops(&StoppedTold::new(), &now, &Thread::default(), at(0), &terms(&["a", "b"])).told;
        assert_eq!(super::super::stopped_from_json(&super::super::stopped_to_json(&told)), told);
        assert_eq!(super::super::stopped_from_json("{\"gone\": 9}"), StoppedTold::new());
    }

    #[test]
    fn the_message_says_what_is_so_and_what_to_do_and_no_name_makes_it_longer_than_it_may_be() {
        let long = "\u{1}".repeat(90_000);
        for (name, address, message) in [("b", "https://hooks.example.org", "told-1"), (&*long, &*long, &*long)] {
            let gone = Gone { since: at(0), address: address.into(), message: message.into() };
            let now = BTreeMap::from([(Name::from(name), gone)]);
            let told = stops(&StoppedTold::new(), &now, &Thread::default(), at(0), &terms(&["a"]));
            let body = &told.messages[0].body;
            assert!(body.len() <= super::super::LONGEST_BODY);
            let event: serde_json::Value = serde_json::from_str(body).unwrap();
            assert_eq!(event["type"], "stationkeep.webhook.gone.v1");
            if name == "b" {
                let data = &event["data"];
                assert!(data["summary"].as_str().unwrap().contains("https://hooks.example.org answered 410"), "{data}");
                assert_eq!((&data["undelivered_from"], &event["subject"]), (&"told-1".into(), &"b".into()));
            }
        }
    }
}
