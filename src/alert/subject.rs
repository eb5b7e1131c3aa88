//! What a topic is, and one of its subjects in a pass. It says how things are; what is told of it is the machine's business.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};

use super::case::{Before, Condition, Hearing, Kept, Severity, Told};
use super::event::{Envelope, EventKind};
use super::mark::Mark;
use super::pass::Pass;
use super::step::{Fine, LastHeard, Now, Reason};
use super::terms::Subscription;
use crate::setting::{Name, Weight};

/// Something that people are alerted about. A topic says how its subjects are; the machine does the rest.
pub trait Topic: Sized {
    /// What is told of a subject, and remembered to compare it with.
    type Facts: Kept;
    /// Fine points that outlive a case.
    type Memory: Kept + Default;
    /// What else a pass shows of a subject.
    type Sight<'p>;

    /// The beginning of the keys of its cases.
    const NAME: &'static str;

    /// Whether a webhook hears of a subject at all.
    fn hears(_subject: &Subject<'_, Self>, _webhook: &Subscription) -> bool {
        true
    }

    /// Whether a webhook wants to hear of what is so severe.
    fn takes(_webhook: &Subscription, _severity: Severity) -> bool {
        true
    }

    /// What became of a condition, for one webhook.
    fn change(_webhook: &Subscription, _was: &Self::Facts, _is: &Self::Facts) -> Trend {
        Trend::Worse
    }

    /// The fine points that hold of a subject, for one webhook.
    fn fine(_subject: &Subject<'_, Self>, _webhook: &Subscription) -> BTreeSet<Fine> {
        BTreeSet::new()
    }

    /// How far apart reminders are of what is so severe; `None` where there are none.
    fn interval(webhook: &Subscription, _severity: Severity) -> Option<SignedDuration> {
        webhook.longest_interval()
    }

    /// Until when nobody is reminded of a subject.
    fn quiet_until(_subject: &Subject<'_, Self>) -> Option<Timestamp> {
        None
    }

    /// What is remembered after these webhooks were told.
    fn memory(_subject: &Subject<'_, Self>, _told: &BTreeSet<Name>, _pass: &Pass<'_>) -> Self::Memory {
        Self::Memory::default()
    }

    /// Notes in what is remembered that an open case goes on under another name of its subject.
    fn renamed(_memory: &mut Self::Memory, _former: &Name) {}

    /// The name under which an open case was opened, where its subject has another.
    fn opened_as(_memory: &Self::Memory) -> Option<&Name> {
        None
    }

    /// Notes that its subject has that name again.
    fn renamed_back(_memory: &mut Self::Memory) {}

    /// After when time alone makes something of it forgotten.
    fn forgets_at(_memory: &Self::Memory) -> Option<Timestamp> {
        None
    }

    /// Whether a case that is over goes on, as it was, where the subject is wrong again.
    fn goes_on(_memory: &Self::Memory) -> bool {
        false
    }
}

/// A topic of which each subject has messages of its own.
pub trait Announced: Topic {
    /// So many sentences of what is said are its title.
    const TITLE: usize = 1;

    /// What an event is about.
    fn kind(subject: &Subject<'_, Self>) -> EventKind;

    /// What follows the fleet's name in the key of a case.
    fn key(name: &str) -> String;

    /// What the id of a message comes from.
    fn cause(subject: &Subject<'_, Self>) -> Mark;

    /// The subject of the event, in short.
    fn about(subject: &Subject<'_, Self>) -> Option<String>;

    /// The body of a message, where its envelope is given.
    fn body(subject: &Subject<'_, Self>, envelope: &Envelope<'_>, pass: &Pass<'_>) -> String;
}

/// What became of a condition.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trend {
    /// Nothing that the webhook takes.
    Elsewhere,
    /// Something got better, and nothing worse.
    Better,
    Worse,
}

/// One subject of a topic in a pass.
pub struct Subject<'p, T: Topic> {
    pub name: Name,
    pub before: Before<T::Facts, T::Memory>,
    /// Nothing where all is right.
    pub now: Option<Condition<T::Facts>>,
    pub sight: T::Sight<'p>,
}

impl<'p, T: Topic> Subject<'p, T> {
    /// What was told of it, where its case is open.
    pub fn open(&self) -> Option<&Told<T::Facts>> {
        self.before.case()?.open()
    }

    /// What was told of it, or was when its case ended.
    pub fn last(&self) -> Option<&Told<T::Facts>> {
        self.before.case()?.told.as_ref()
    }

    /// What is remembered of it.
    pub fn memory(&self) -> Option<&T::Memory> {
        self.before.case().map(|case| &case.memory)
    }

    /// What a webhook last heard of its case and does not know to be over.
    pub fn hearing(&self, webhook: &str) -> Option<&Hearing> {
        self.before.case()?.heard.get(webhook)
    }

    /// What a webhook heard of it, as the table asks.
    pub fn heard(&self, webhook: &str) -> LastHeard {
        match &self.before {
            Before::Unreadable => LastHeard::Unreadable,
            Before::Nothing => LastHeard::Nothing,
            Before::Case(case) => case.heard.get(webhook).map_or(LastHeard::Nothing, |_| LastHeard::Case),
        }
    }

    /// When the case was opened that goes on now.
    pub fn opened_at(&self) -> Option<Timestamp> {
        let goes_on = self.memory().is_some_and(T::goes_on);
        self.last().filter(|told| told.is_open || goes_on).map(|told| told.opened_at)
    }

    /// What the receiver of a telling knew of it, where that is known here and there was something to know.
    pub fn was(&self, reason: Reason, webhook: &Subscription) -> Option<&T::Facts> {
        match reason {
            Reason::Opened | Reason::StillOpen | Reason::Watched => None,
            Reason::Closed | Reason::Withdrawn | Reason::Returned | Reason::Unwatched => {
                self.last().map(|told| &told.condition.facts)
            }
            Reason::Grown | Reason::Eased => {
                let mark = &self.hearing(&webhook.name)?.mark;
                self.open().filter(|told| told.condition.mark == *mark).map(|told| &told.condition.facts)
            }
        }
    }

    /// How it is now for a webhook, reminders apart.
    pub fn now(&self, webhook: &Subscription) -> Now {
        let Some(is) = &self.now else { return Now::Over };
        let Some(hearing) = self.hearing(&webhook.name) else {
            let is_told = self.before == Before::Unreadable || T::takes(webhook, is.severity);
            return if is_told { Now::Wrong } else { Now::Light };
        };
        if hearing.mark == is.mark {
            return Now::Same;
        }
        let known = self.open().filter(|told| told.condition.mark == hearing.mark);
        match known.map(|told| T::change(webhook, &told.condition.facts, &is.facts)) {
            Some(Trend::Elsewhere) => Now::Same,
            Some(Trend::Better) => Now::Better,
            Some(Trend::Worse) | None => Now::Worse,
        }
    }

    /// The weight of a case that a webhook takes and knows just as it is, and that nobody is on.
    pub fn standing_still(&self, webhook: &Subscription) -> Option<Weight> {
        let severity = self.now.as_ref()?.severity;
        let is_still = self.now(webhook) == Now::Same && T::quiet_until(self).is_none();
        (is_still && T::takes(webhook, severity)).then_some(severity.weight())
    }

    /// Whether a webhook is to be reminded of it by now, whatever else is so.
    pub fn is_due(&self, webhook: &Subscription, clock: Timestamp) -> bool {
        let due = || {
            let interval = T::interval(webhook, self.now.as_ref()?.severity)?;
            // A telling far in the future is a clock set back since: it must not silence the reminders.
            Some(clock.duration_since(self.hearing(&webhook.name)?.at).abs() >= interval)
        };
        due().unwrap_or(false)
    }
}
