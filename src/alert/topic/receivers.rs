//! Webhooks whose receivers answered that they want no more (410): told to the others, since whoever listened there hears
//! nothing any more and may not know it; with reminders, and lifted when messages go there again. A stopped webhook is told
//! nothing of it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::alert::case::{Condition, Severity};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, PLACE, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind};
use crate::alert::kept;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::pass::{Pass, Stopped};
use crate::alert::subject::{Announced, Subject, Topic};
use crate::alert::terms::Subscription;
use crate::setting::Name;

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Receivers;

/// What is remembered of a stopped webhook.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    #[serde(with = "kept")]
    pub since: Timestamp,
}

/// All that are stopped, and whether this one is.
#[derive(Clone, Copy)]
pub struct Sight<'p> {
    stopped: Option<&'p Stopped>,
    all: &'p BTreeMap<Name, Stopped>,
}

impl Topic for Receivers {
    type Facts = Facts;
    type Memory = ();
    type Sight<'p> = Sight<'p>;

    const NAME: &'static str = "receiver";

    fn hears(subject: &Subject<'_, Receivers>, webhook: &Subscription) -> bool {
        !subject.sight.all.contains_key(&webhook.name)
    }
}

impl Announced for Receivers {
    fn kind(_subject: &Subject<'_, Receivers>) -> EventKind {
        EventKind("stationkeep.webhook.gone.v1")
    }

    fn cause(subject: &Subject<'_, Receivers>) -> Mark {
        mark(&subject.name, since(subject).unwrap_or_default(), subject.sight.stopped.is_none())
    }

    fn about(subject: &Subject<'_, Receivers>) -> Option<String> {
        Some(clip(&subject.name, NAME))
    }

    fn body(subject: &Subject<'_, Receivers>, envelope: &Envelope<'_>, pass: &Pass<'_>) -> String {
        let name = clip(&subject.name, NAME);
        let stopped = subject.sight.stopped;
        let address = stopped.map(|stopped| clip(&stopped.address, PLACE));
        let summary = match &address {
            None => format!("{name} gets messages again."),
            Some(address) => format!(
                "{name} gets no more messages: its receiver at {address} answered 410 (gone). What it was to be told is \
                 kept and stays undelivered."
            ),
        };
        let fix = stopped.map(|_| {
            format!(
                "Once somebody listens there again: stationkeep deliveries start {name}. Or give it another address, or \
                 take it out of the configuration."
            )
        });
        let data = Data {
            summary: clip(&summary, SENTENCE),
            state: if stopped.is_some() { "gone" } else { "back" },
            webhook: name,
            address,
            since: since(subject).unwrap_or(pass.clock).to_string(),
            undelivered_from: stopped.map(|stopped| clip(&stopped.message, NAME)),
            fix,
        };
        envelope.seal(&data)
    }
}

/// The webhooks that are stopped, and those that were.
pub fn subjects<'p>(cases: &Cases, pass: &Pass<'p>) -> Vec<Subject<'p, Receivers>> {
    let all = pass.stopped;
    cases.subjects(all.keys().cloned(), |name, before| {
        let stopped = all.get(&name);
        let now = stopped.map(|stopped| condition(&name, stopped));
        Subject { name, before, now, sight: Sight { stopped, all } }
    })
}

fn condition(name: &Name, stopped: &Stopped) -> Condition<Facts> {
    let since = stopped.since;
    Condition { severity: Severity::Error, mark: mark(name, since, false), facts: Facts { since } }
}

/// Since when it is stopped, or was.
fn since(subject: &Subject<'_, Receivers>) -> Option<Timestamp> {
    let told = || subject.last().map(|told| told.condition.facts.since);
    subject.sight.stopped.map(|stopped| stopped.since).or_else(told)
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
    fix: Option<String>,
}

fn mark(name: &Name, since: Timestamp, is_over: bool) -> Mark {
    let mut hasher = MarkHasher::new();
    hasher.text("stopped").text(name).text(&since.to_string()).text(if is_over { "over" } else { "stands" });
    hasher.mark()
}
