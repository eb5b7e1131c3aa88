//! What keeps a webhook from alerting anybody, since some time: told to the others, since whoever listens there hears nothing
//! and may not know it; with reminders, and lifted when it is over. Whoever is in such trouble is told nothing of it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::alert::case::{Condition, Severity};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, clip};
use crate::alert::event::{Envelope, EventKind};
use crate::alert::kept;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::pass::Pass;
use crate::alert::subject::{Announced, Subject, Topic};
use crate::alert::terms::Subscription;
use crate::setting::Name;

/// One kind of it.
pub trait Trouble: Sized {
    /// The beginning of the keys of its cases.
    const NAME: &'static str;
    /// What its events are about.
    const KIND: EventKind;
    /// The first of the texts that marks are made of.
    const MARK: &'static str;

    /// Since when a webhook is in it.
    fn since(&self) -> Timestamp;

    /// What is said of a webhook by this name; `None` where it is over.
    fn body(trouble: Option<&Self>, name: String, since: Timestamp, envelope: &Envelope<'_>) -> String;
}

/// The topic of one kind of trouble.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Since<T>(std::marker::PhantomData<T>);

/// What is remembered of a webhook in trouble.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    #[serde(with = "kept")]
    pub since: Timestamp,
}

/// All that are in this trouble, and whether this one is.
pub struct Sight<'p, T> {
    trouble: Option<&'p T>,
    all: &'p BTreeMap<Name, T>,
}

impl<T: Trouble + 'static> Topic for Since<T> {
    type Facts = Facts;
    type Memory = ();
    type Sight<'p> = Sight<'p, T>;

    const NAME: &'static str = T::NAME;

    fn hears(subject: &Subject<'_, Since<T>>, webhook: &Subscription) -> bool {
        subject.name != webhook.name && !subject.sight.all.contains_key(&webhook.name)
    }
}

impl<T: Trouble + 'static> Announced for Since<T> {
    fn kind(_subject: &Subject<'_, Since<T>>) -> EventKind {
        T::KIND
    }

    fn key(name: &str) -> String {
        format!("webhook {name} {}", T::MARK)
    }

    fn cause(subject: &Subject<'_, Since<T>>) -> Mark {
        mark::<T>(&subject.name, since(subject).unwrap_or_default(), subject.sight.trouble.is_none())
    }

    fn about(subject: &Subject<'_, Since<T>>) -> Option<String> {
        Some(clip(&subject.name, NAME))
    }

    fn body(subject: &Subject<'_, Since<T>>, envelope: &Envelope<'_>, pass: &Pass<'_>) -> String {
        let since = since(subject).unwrap_or(pass.clock);
        T::body(subject.sight.trouble, clip(&subject.name, NAME), since, envelope)
    }
}

/// The webhooks that are in this trouble, and those that were.
pub fn subjects<'p, T: Trouble + 'static>(cases: &Cases, all: &'p BTreeMap<Name, T>) -> Vec<Subject<'p, Since<T>>> {
    cases.subjects(all.keys().cloned(), |name, before| {
        let trouble = all.get(&name);
        let now = trouble.map(|trouble| {
            let since = trouble.since();
            Condition { severity: Severity::Error, mark: mark::<T>(&name, since, false), facts: Facts { since } }
        });
        Subject { name, before, now, sight: Sight { trouble, all } }
    })
}

/// Since when it is so, or was.
fn since<T: Trouble + 'static>(subject: &Subject<'_, Since<T>>) -> Option<Timestamp> {
    let told = || subject.last().map(|told| told.condition.facts.since);
    subject.sight.trouble.map(Trouble::since).or_else(told)
}

fn mark<T: Trouble>(name: &Name, since: Timestamp, is_over: bool) -> Mark {
    let mut hasher = MarkHasher::new();
    hasher.text(T::MARK).text(name).text(&since.to_string()).text(if is_over { "over" } else { "stands" });
    hasher.mark()
}
