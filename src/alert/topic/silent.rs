//! Webhooks that have had something to deliver for longer than they may and delivered nothing: told to the others, since
//! whoever listens there is not alerted and may not know it; with reminders, and lifted when something is delivered. A silent
//! webhook is told nothing of it: it would only wait behind what waits.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::alert::case::{Condition, Severity};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind};
use crate::alert::kept;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::pass::{Pass, Silent};
use crate::alert::subject::{Announced, Subject, Topic};
use crate::alert::terms::Subscription;
use crate::finding::plural;
use crate::setting::Name;

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SilentWebhooks;

/// What is remembered of a silent webhook.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    #[serde(with = "kept")]
    pub since: Timestamp,
}

/// All that are silent, and whether this one is.
#[derive(Clone, Copy)]
pub struct Sight<'p> {
    silent: Option<&'p Silent>,
    all: &'p BTreeMap<Name, Silent>,
}

impl Topic for SilentWebhooks {
    type Facts = Facts;
    type Memory = ();
    type Sight<'p> = Sight<'p>;

    const NAME: &'static str = "silent";

    fn hears(subject: &Subject<'_, SilentWebhooks>, webhook: &Subscription) -> bool {
        subject.name != webhook.name && !subject.sight.all.contains_key(&webhook.name)
    }
}

#[derive(Serialize)]
struct Data {
    summary: String,
    /// `silent`; or `over`, where something was delivered, or nothing waits any more.
    state: &'static str,
    webhook: String,
    /// Since when nothing is delivered, or was not.
    since: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    waiting: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fix: Option<String>,
}

impl Announced for SilentWebhooks {
    fn kind(_subject: &Subject<'_, SilentWebhooks>) -> EventKind {
        EventKind("stationkeep.webhook.silent.v1")
    }

    fn cause(subject: &Subject<'_, SilentWebhooks>) -> Mark {
        mark(&subject.name, since(subject).unwrap_or_default(), subject.sight.silent.is_none())
    }

    fn about(subject: &Subject<'_, SilentWebhooks>) -> Option<String> {
        Some(clip(&subject.name, NAME))
    }

    fn body(subject: &Subject<'_, SilentWebhooks>, envelope: &Envelope<'_>, pass: &Pass<'_>) -> String {
        let name = clip(&subject.name, NAME);
        let since = since(subject).unwrap_or(pass.clock);
        let silent = subject.sight.silent;
        let summary = match silent {
            None => format!("{name} is no longer silent: its messages are delivered, or none are left."),
            Some(Silent { waiting, .. }) => format!(
                "{name} has delivered nothing since {}, and {} for it. Whoever listens there is not alerted.",
                since.strftime("%Y-%m-%d %H:%M UTC"),
                match waiting {
                    1 => "1 message waits".into(),
                    waiting => format!("{} wait", plural(*waiting, "message")),
                }
            ),
        };
        let fix = silent.map(|_| {
            format!("Check the receiver. What waits, and its last error: stationkeep deliveries --webhook {name}")
        });
        let data = Data {
            summary: clip(&summary, SENTENCE),
            state: if silent.is_some() { "silent" } else { "over" },
            webhook: name,
            since: since.to_string(),
            waiting: silent.map(|silent| silent.waiting),
            fix,
        };
        envelope.seal(&data)
    }
}

/// The webhooks that are silent, and those that were.
pub fn subjects<'p>(cases: &Cases, pass: &Pass<'p>) -> Vec<Subject<'p, SilentWebhooks>> {
    let all = pass.silent;
    cases.subjects(all.keys().cloned(), |name, before| {
        let silent = all.get(&name);
        let now = silent.map(|silent| condition(&name, silent));
        Subject { name, before, now, sight: Sight { silent, all } }
    })
}

fn condition(name: &Name, silent: &Silent) -> Condition<Facts> {
    let since = silent.since;
    Condition { severity: Severity::Error, mark: mark(name, since, false), facts: Facts { since } }
}

/// Since when it is silent, or was.
fn since(subject: &Subject<'_, SilentWebhooks>) -> Option<Timestamp> {
    let told = || subject.last().map(|told| told.condition.facts.since);
    subject.sight.silent.map(|silent| silent.since).or_else(told)
}

fn mark(name: &Name, since: Timestamp, is_over: bool) -> Mark {
    let mut hasher = MarkHasher::new();
    hasher.text("silent").text(name).text(&since.to_string()).text(if is_over { "over" } else { "stands" });
    hasher.mark()
}
