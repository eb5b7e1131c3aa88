//! Messages that their receivers will not take (400, 413, 415, 422, or a 2xx that says otherwise): the other webhooks hear of
//! them, at most one message a pass, since whoever listens there may have heard little or nothing.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::alert::case::Severity;
use crate::alert::cases::{Cases, Writes};
use crate::alert::clip::{NAME, PLACE, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind, Message};
use crate::alert::key::key;
use crate::alert::machine::Round;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::pass::{Pass, Refused};
use crate::alert::subject::{Subject, Topic};
use crate::finding::plural;
use crate::setting::Name;

/// The topic: one subject that is never open, only news.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RefusedMessages;

/// How far telling has come.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Memory {
    /// The number of the last one that a message named.
    pub last: i64,
}

impl Topic for RefusedMessages {
    type Facts = ();
    type Memory = Memory;
    type Sight<'p> = i64;

    const NAME: &'static str = "refused";

    fn memory(subject: &Subject<'_, RefusedMessages>, _told: &BTreeSet<Name>, _pass: &Pass<'_>) -> Memory {
        Memory { last: subject.sight }
    }
}

const NEWS: &str = "messages";
const KIND: EventKind = EventKind("stationkeep.message.refused.v1");

/// How many are shown.
const SHOWN: usize = 10;

/// The number of the last one that a message named.
pub fn last_told(cases: &Cases) -> i64 {
    cases.before::<RefusedMessages>(NEWS).case().map_or(0, |case| case.memory.last)
}

/// The ends of cases that nobody heard at a webhook, because its receiver took no message of them.
pub fn missed(cases: &Cases, pass: &Pass<'_>) -> Writes {
    let unheard = pass.refused.iter().filter(|refused| refused.is_closed);
    let all = unheard.flat_map(|refused| refused.ended.iter().map(move |key| (&refused.webhook, &**key, pass.clock)));
    cases.missed(all)
}

/// Tells each webhook of what the others' receivers would not take.
pub fn tell(round: &mut Round<'_>) {
    let Some(last) = round.pass.refused.last().map(|refused| refused.seq) else { return };
    let mut messages = Vec::new();
    for webhook in &round.terms.webhooks {
        let others = round.pass.refused.iter().filter(|refused| refused.webhook != webhook.name);
        let others: Vec<&Refused> = others.collect();
        if !others.is_empty() {
            messages.push(message(&webhook.name, &others, round));
        }
    }
    round.say(messages);
    let before = round.cases.before::<RefusedMessages>(NEWS);
    let subject = Subject::<RefusedMessages> { name: NEWS.into(), before, now: None, sight: last };
    round.keep(&subject, &BTreeSet::new());
}

#[derive(Serialize)]
struct Data {
    summary: String,
    /// How many were refused.
    count: usize,
    /// The first of them.
    messages: Vec<Entry>,
    left_out: usize,
    fix: String,
}

#[derive(Serialize)]
struct Entry {
    webhook: String,
    message: String,
    said: String,
    at: String,
    /// Whether its short form was taken, or is still to be sent: `false` where no alert arrived there.
    short_form: bool,
}

fn message(webhook: &Name, refused: &[&Refused], round: &Round<'_>) -> Message {
    let id = round.chain.id(KIND.0, webhook, &cause(refused));
    let (source, time) = (&round.terms.source, round.pass.clock);
    let first = refused.first().map(|first| clip(&first.webhook, NAME));
    let is_one = refused.iter().all(|one| Some(&one.webhook) == refused.first().map(|first| &first.webhook));
    let subject = first.as_deref().filter(|_| is_one);
    let (key, severity) = (key(&round.terms.fleet, "refused messages"), severity(refused));
    let envelope =
        Envelope { id: &id, source, kind: KIND, subject, time, key: &key, severity, rehearsal: round.terms.rehearsal };
    let shown = refused.iter().take(SHOWN).map(|one| Entry {
        webhook: clip(&one.webhook, NAME),
        message: clip(&one.message, NAME),
        said: clip(&one.said, PLACE),
        at: one.at.to_string(),
        short_form: !one.is_closed,
    });
    let data = Data {
        summary: envelope.says(clip(&summary(refused), SENTENCE)),
        count: refused.len(),
        messages: shown.collect(),
        left_out: refused.len().saturating_sub(SHOWN),
        fix: "Check the body that this webhook sends, and what its receiver takes. All of them: stationkeep deliveries --all"
            .into(),
    };
    let gists = vec![envelope.gist(&round.terms.fleet, data.summary.clone(), false)];
    Message { webhook: webhook.clone(), body: envelope.seal(&data), id: id.clone(), ended: Vec::new(), gists }
}

fn severity(refused: &[&Refused]) -> Severity {
    if refused.iter().any(|one| one.is_closed) { Severity::Error } else { Severity::Warning }
}

fn cause(refused: &[&Refused]) -> Mark {
    let mut hasher = MarkHasher::new();
    for one in refused {
        hasher.text("refused").text(&one.webhook).text(&one.message).text(&one.seq.to_string());
    }
    hasher.mark()
}

fn summary(refused: &[&Refused]) -> String {
    let Some(worst) = refused.iter().max_by_key(|one| one.is_closed) else { return String::new() };
    let name = clip(&worst.webhook, NAME);
    let said = clip(&worst.said, PLACE);
    let what = match worst.is_closed {
        true => format!("{name} did not hear an alert: its receiver took neither the message nor its short form."),
        false => format!("{name} got an alert in its short form only."),
    };
    let why = if said.is_empty() { String::new() } else { format!(" Why: {said}.") };
    let more = match refused.len() {
        1 => String::new(),
        more => format!(" {} were refused since the last pass.", plural(more as u64, "message")),
    };
    format!("{what}{why}{more}")
}
