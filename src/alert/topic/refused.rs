//! Receivers that will not take messages (400, 413, 415, 422, or a 2xx that says otherwise), whoever listens there may have heard
//! little or nothing: a case each, from the first message refused until a whole one is taken. The other webhooks are told of it
//! once, and of the most urgent that was not heard; again when a reminder is due.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::alert::case::{Case, Condition, Severity};
use crate::alert::cases::{Cases, Writes};
use crate::alert::clip::{NAME, PLACE, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind};
use crate::alert::kept;
use crate::alert::machine::Round;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::pass::{Pass, Refused, Refusing};
use crate::alert::subject::{Announced, Subject, Topic};
use crate::alert::terms::Subscription;
use crate::setting::Name;

/// How far telling has come: one subject that is never open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RefusedMessages;

/// The number of the last refused message that a pass looked at.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Memory {
    /// It counts upwards.
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

/// The number of the last refused message that a pass looked at.
pub fn last_told(cases: &Cases) -> i64 {
    cases.before::<RefusedMessages>(NEWS).case().map_or(0, |case| case.memory.last)
}

/// The ends of cases that nobody heard at a webhook, because its receiver took no message of them.
pub fn missed(cases: &Cases, pass: &Pass<'_>) -> Writes {
    let unheard = pass.refused.iter().filter(|refused| refused.is_closed);
    let all = unheard.flat_map(|refused| refused.ended.iter().map(move |key| (&refused.webhook, &**key, pass.clock)));
    cases.missed(all)
}

/// The topic: a webhook whose receiver refuses messages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Receiver;

/// What is remembered of one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    /// By the system's clock.
    #[serde(with = "kept")]
    since: Timestamp,
    /// Whether it took not even the short form of one.
    is_closed: bool,
    /// What the most urgent of those that were refused says first, and how urgent that is.
    title: String,
    #[serde(with = "kept")]
    severity: Severity,
    /// What the receiver said to that one.
    said: String,
}

/// All that refuse messages, and those that one refused since the last telling.
pub struct Sight<'p> {
    all: &'p BTreeMap<Name, Refusing>,
    news: Vec<&'p Refused>,
}

impl Topic for Receiver {
    type Facts = Facts;
    type Memory = ();
    type Sight<'p> = Sight<'p>;

    const NAME: &'static str = "refusing";

    /// Who takes nothing is not told that others do not: each would be told of the other's refusals for ever.
    fn hears(subject: &Subject<'_, Receiver>, webhook: &Subscription) -> bool {
        let takes_nothing = subject.sight.all.get(&webhook.name).is_some_and(|refusing| refusing.is_closed);
        subject.name != webhook.name && !takes_nothing
    }

    fn interval(webhook: &Subscription, severity: Severity) -> Option<SignedDuration> {
        webhook.interval(severity.weight()).or_else(|| webhook.longest_interval())
    }
}

impl Facts {
    /// Of a webhook that refuses messages: what was told of it, and what is worse since.
    fn of(refusing: &Refusing, news: &[&Refused], told: Option<&Facts>) -> Facts {
        let told = told.filter(|told| told.since == refusing.since);
        let bare = || Facts {
            since: refusing.since,
            is_closed: false,
            title: String::new(),
            severity: Severity::Info,
            said: String::new(),
        };
        let mut facts = told.cloned().unwrap_or_else(bare);
        for one in news {
            if one.severity > facts.severity || facts.title.is_empty() {
                (facts.severity, facts.title) = (one.severity, clip(&one.title, SENTENCE));
                facts.said = clip(&one.said, PLACE);
            }
        }
        Facts { is_closed: refusing.is_closed || facts.is_closed, ..facts }
    }

    fn condition(self, name: &Name) -> Condition<Facts> {
        let Facts { since, is_closed, title, severity, said: _ } = &self;
        let mut hasher = MarkHasher::new();
        hasher.text("refusing").text(name).text(&since.to_string()).text(if *is_closed { "closed" } else { "short" });
        hasher.text(severity.as_str()).text(title);
        let own = if *is_closed { Severity::Error } else { Severity::Warning };
        Condition { severity: own.max(*severity), mark: hasher.mark(), facts: self }
    }
}

/// The webhooks whose receivers refuse messages, or have refused one since the last telling, and those that did.
pub fn subjects<'p>(cases: &Cases, pass: &Pass<'p>) -> Vec<Subject<'p, Receiver>> {
    let all = pass.refusing;
    let names = all.keys().chain(pass.refused.iter().map(|refused| &refused.webhook));
    cases.subjects(names.cloned(), |name, before| {
        let news: Vec<&Refused> = pass.refused.iter().filter(|refused| refused.webhook == name).collect();
        let told = before.case().and_then(Case::open).map(|told| &told.condition.facts);
        let passing = || {
            let since = news.first()?.at;
            Some(Refusing { since, is_closed: news.iter().any(|one| one.is_closed) })
        };
        let refusing = all.get(&name).cloned().or_else(passing);
        let now = refusing.map(|refusing| Facts::of(&refusing, &news, told).condition(&name));
        Subject { name, before, now, sight: Sight { all, news } }
    })
}

/// Notes how far telling has come.
pub fn note(round: &mut Round<'_>) {
    let Some(last) = round.pass.refused.last().map(|refused| refused.seq) else { return };
    let before = round.cases.before::<RefusedMessages>(NEWS);
    let subject = Subject::<RefusedMessages> { name: NEWS.into(), before, now: None, sight: last };
    round.keep(&subject, &BTreeSet::new());
}

/// How many are shown.
const SHOWN: usize = 10;

#[derive(Serialize)]
struct Data {
    summary: String,
    /// `refused`, or `over` where a whole message was taken since.
    state: &'static str,
    webhook: String,
    since: Option<String>,
    /// How many were refused since the last telling.
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

impl Announced for Receiver {
    fn kind(_subject: &Subject<'_, Receiver>) -> EventKind {
        EventKind("stationkeep.message.refused.v1")
    }

    fn key(name: &str) -> String {
        format!("refused messages of {name}")
    }

    fn cause(subject: &Subject<'_, Receiver>) -> Mark {
        let mut hasher = MarkHasher::new();
        hasher.text("refused").text(&subject.name).maybe(subject.now.as_ref().map(|now| now.mark.as_str()));
        for one in &subject.sight.news {
            hasher.text(&one.message).text(&one.seq.to_string());
        }
        hasher.mark()
    }

    fn about(subject: &Subject<'_, Receiver>) -> Option<String> {
        Some(clip(&subject.name, NAME))
    }

    fn body(subject: &Subject<'_, Receiver>, envelope: &Envelope<'_>, _pass: &Pass<'_>) -> String {
        let facts = subject.now.as_ref().map(|now| &now.facts);
        let known = facts.or_else(|| subject.last().map(|told| &told.condition.facts));
        let name = clip(&subject.name, NAME);
        let summary = match facts {
            Some(facts) => summary(&name, facts),
            None => format!("{name} takes messages again."),
        };
        let news = &subject.sight.news;
        let shown = news.iter().take(SHOWN).map(|one| Entry {
            webhook: clip(&one.webhook, NAME),
            message: clip(&one.message, NAME),
            said: clip(&one.said, PLACE),
            at: one.at.to_string(),
            short_form: !one.is_closed,
        });
        envelope.seal(&Data {
            summary: clip(&summary, SENTENCE),
            state: if facts.is_some() { "refused" } else { "over" },
            webhook: name,
            since: known.map(|known| known.since.to_string()),
            count: news.len(),
            messages: shown.collect(),
            left_out: news.len().saturating_sub(SHOWN),
            fix: "Check the body that this webhook sends, and what its receiver takes. All of them: stationkeep deliveries --all"
                .into(),
        })
    }
}

/// What was not heard first, where that is urgent.
fn summary(name: &str, Facts { is_closed, title, severity, said, .. }: &Facts) -> String {
    let is_urgent = *severity >= Severity::Warning && !title.is_empty();
    let title = if is_urgent { format!("{title} ") } else { String::new() };
    let what = match (is_closed, is_urgent) {
        (true, true) => format!("{name} was not told: its receiver took neither the message nor its short form."),
        (true, false) => {
            format!("{name} did not hear an alert: its receiver took neither the message nor its short form.")
        }
        (false, true) => format!("{name} was told in the short form only."),
        (false, false) => format!("{name} got an alert in its short form only."),
    };
    let why = if said.is_empty() { String::new() } else { format!(" Why: {said}.") };
    format!("{title}{what}{why}")
}
