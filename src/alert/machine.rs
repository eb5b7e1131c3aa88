//! The machine under all topics: what was said before, how subjects are now, the subscriptions and the clock make what is
//! said, and to whom. It alone decides by the table, and keeps who heard what, reminders and the ids of messages; it knows
//! no topic.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::case::{Before, Case, Hearing, Severity, Told, forgotten_after, fresh};
use super::cases::{Cases, Due, Pending, Writes};
use super::clip::clip;
use super::event::{Envelope, Message, summary_of};
use super::gist::{Gist, TITLE, sentences};
use super::key::key;
use super::mark::Chain;
use super::pass::Pass;
use super::refresh::is_refreshed;
use super::step::{LastHeard, Now, Reason, step};
use super::subject::{Announced, Subject, Topic};
use super::terms::{AlertTerms, Subscription};
use crate::setting::{Name, Weight};

/// What one webhook is told of a subject.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Telling {
    /// The place of the subject among all.
    pub at: usize,
    pub reason: Reason,
}

/// One round of telling: what goes in, and what has come of it so far.
pub struct Round<'a> {
    pub pass: &'a Pass<'a>,
    pub terms: &'a AlertTerms,
    pub cases: &'a Cases,
    /// Ties the ids of messages to all that was said before.
    pub chain: Chain,
    pub messages: Vec<Message>,
    pub writes: Writes,
    /// When webhooks are next to be reminded.
    pub due: Vec<Due>,
    /// What webhooks that take lists are told again, though nothing is new.
    pub lists: BTreeMap<Name, Vec<Gist>>,
}

impl<'a> Round<'a> {
    /// Nothing is said yet.
    pub fn new(cases: &'a Cases, pass: &'a Pass<'a>, terms: &'a AlertTerms) -> Round<'a> {
        let (messages, writes, due) = (Vec::new(), Writes::new(), Vec::new());
        Round { pass, terms, cases, chain: cases.chain(), messages, writes, due, lists: BTreeMap::new() }
    }

    /// The webhooks that may hear of a subject.
    fn hearers<T: Topic>(&self, subject: &Subject<'_, T>) -> impl Iterator<Item = &'a Subscription> {
        self.terms.webhooks.iter().filter(|webhook| T::hears(subject, webhook))
    }

    /// What a webhook is told of these subjects, by the table.
    pub fn tellings<T: Topic>(&self, subjects: &[Subject<'_, T>], webhook: &Subscription) -> Vec<Telling> {
        let due = self.due_weights(subjects, webhook);
        let one = |(at, subject): (usize, &Subject<'_, T>)| {
            let is_due = || subject.standing_still(webhook).is_some_and(|weight| due.contains(&weight));
            let now = if is_due() { Now::Due } else { subject.now(webhook) };
            let missed = || self.is_missed_due(subject, webhook);
            let heard = if missed() { LastHeard::Case } else { subject.heard(&webhook.name) };
            let reason = step(heard, now, &T::fine(subject, webhook))?;
            Some(Telling { at, reason })
        };
        subjects.iter().enumerate().filter(|(_, subject)| T::hears(subject, webhook)).filter_map(one).collect()
    }

    /// When a webhook is told once more that a case is over, because its receiver would not take that.
    fn missed_due<T: Topic>(webhook: &Subscription, at: Timestamp) -> Timestamp {
        let interval = T::interval(webhook, Severity::Error).or_else(|| webhook.longest_interval());
        interval.and_then(|interval| at.checked_add(interval).ok()).unwrap_or(at)
    }

    fn is_missed_due<T: Topic>(&self, subject: &Subject<'_, T>, webhook: &Subscription) -> bool {
        let has_any = self.cases.has_missed() && subject.now.is_none() && !self.pass.waiting.contains(&webhook.name);
        let missed = || self.cases.missed_of::<T>(&subject.name).get(&webhook.name).copied();
        has_any && missed().is_some_and(|at| Round::missed_due::<T>(webhook, at) <= self.pass.clock)
    }

    /// What is still missed of a subject once these webhooks were told.
    fn still_missed<T: Topic>(&self, subject: &Subject<'_, T>, told: &BTreeSet<Name>) -> BTreeMap<Name, Timestamp> {
        let mut missed = self.cases.missed_of::<T>(&subject.name);
        missed.retain(|webhook, at| subject.now.is_none() && !told.contains(webhook) && fresh(*at, self.pass.clock));
        missed
    }

    /// The weights at which a webhook is to be reminded now.
    fn due_weights<T: Topic>(&self, subjects: &[Subject<'_, T>], webhook: &Subscription) -> BTreeSet<Weight> {
        if self.pass.waiting.contains(&webhook.name) {
            return BTreeSet::new();
        }
        let due = subjects.iter().filter(|subject| subject.is_due(webhook, self.pass.clock));
        due.filter_map(|subject| subject.standing_still(webhook)).collect()
    }

    /// Keeps what is so of a subject once these webhooks were told. Returns what time alone will do to it.
    pub fn keep<T: Topic>(&mut self, subject: &Subject<'_, T>, told: &BTreeSet<Name>) -> Pending {
        let after = self.after(subject, told);
        let mut pending = after.as_ref().map(|case| self.pending(subject, case)).unwrap_or_default();
        if self.cases.has_missed() {
            let missed = self.still_missed(subject, told);
            let here = self.hearers(subject).filter_map(|webhook| {
                let at = Round::missed_due::<T>(webhook, *missed.get(&webhook.name)?);
                Some(Due { webhook: webhook.name.clone(), at })
            });
            pending.due.extend(here);
            if missed != self.cases.missed_of::<T>(&subject.name) {
                self.writes.extend([Cases::keep_missed::<T>(&subject.name, missed)]);
            }
        }
        let is_same = match (&subject.before, &after) {
            (Before::Nothing, None) => true,
            (Before::Case(before), Some(after)) => before == after,
            (Before::Nothing | Before::Unreadable | Before::Case(_), _) => false,
        };
        if !is_same {
            self.writes.insert(Cases::key::<T>(&subject.name), after.map(|case| case.to_json()));
        }
        pending
    }

    /// What is kept of it once these webhooks were told; `None` where there is nothing to keep.
    fn after<T: Topic>(&self, subject: &Subject<'_, T>, told: &BTreeSet<Name>) -> Option<Case<T::Facts, T::Memory>> {
        let clock = self.pass.clock;
        let here: BTreeSet<&Name> = self.hearers(subject).map(|webhook| &webhook.name).collect();
        let memory = T::memory(subject, told, self.pass);
        let before = subject.before.case();
        let mut heard: BTreeMap<Name, Hearing> = before.map(|case| case.heard.clone()).unwrap_or_default();
        heard.retain(|webhook, hearing| here.contains(webhook) || fresh(hearing.at, clock));
        let Some(condition) = &subject.now else {
            // Webhooks that are here have just been told.
            heard.retain(|webhook, _| !here.contains(webhook));
            let is_kept = !heard.is_empty() || T::goes_on(&memory);
            let last = subject.last().filter(|_| is_kept).map(|told| Told { is_open: false, ..told.clone() });
            return Some(Case::new(last, heard, memory)).filter(|case| !case.is_nothing());
        };
        let open = subject.open();
        // Who was not told of the change takes nothing of it, and knows the rest.
        let known = open.map(|told| &told.condition.mark);
        for (_, hearing) in heard.iter_mut().filter(|(webhook, _)| here.contains(webhook)) {
            if known == Some(&hearing.mark) {
                hearing.mark = condition.mark.clone();
            }
        }
        let hearing = Hearing { at: clock, mark: condition.mark.clone() };
        heard.extend(told.iter().map(|webhook| (webhook.clone(), hearing.clone())));
        let is_same = open.filter(|told| told.condition.mark == condition.mark);
        let told = Told {
            opened_at: subject.opened_at().unwrap_or(clock),
            changed_at: is_same.map_or(clock, |told| told.changed_at),
            is_open: true,
            condition: condition.clone(),
        };
        Some(Case::new(Some(told), heard, memory))
    }

    fn pending<T: Topic>(&self, subject: &Subject<'_, T>, case: &Case<T::Facts, T::Memory>) -> Pending {
        let here: BTreeSet<&Name> = self.hearers(subject).map(|webhook| &webhook.name).collect();
        let away = case.heard.iter().filter(|(webhook, _)| !here.contains(webhook));
        let forget = away.map(|(_, hearing)| forgotten_after(hearing.at)).chain(T::forgets_at(&case.memory)).min();
        let open = case.open().map(|told| told.condition.severity.weight());
        Pending { open, due: self.due_of(subject, case), forget }
    }

    fn due_of<T: Topic>(&self, subject: &Subject<'_, T>, case: &Case<T::Facts, T::Memory>) -> Vec<Due> {
        let Some(severity) = case.open().map(|told| told.condition.severity) else { return Vec::new() };
        let quiet = T::quiet_until(subject);
        let hearers = self.hearers(subject).filter(|webhook| T::takes(webhook, severity));
        let due = hearers.filter_map(|webhook| {
            let heard = case.heard.get(&webhook.name)?;
            let at = heard.at.checked_add(T::interval(webhook, severity)?).ok()?;
            Some(Due { webhook: webhook.name.clone(), at: quiet.map_or(at, |until| at.max(until)) })
        });
        due.collect()
    }

    /// Tells of a topic whose subjects have messages of their own.
    pub fn announce<T: Announced>(&mut self, subjects: &[Subject<'_, T>]) {
        let mut told: Vec<BTreeSet<Name>> = vec![BTreeSet::new(); subjects.len()];
        let mut messages = Vec::new();
        for webhook in &self.terms.webhooks {
            for Telling { at, reason: _ } in self.tellings(subjects, webhook) {
                told[at].insert(webhook.name.clone());
                messages.push(self.message(&subjects[at], webhook));
            }
        }
        for webhook in self.terms.webhooks.iter().filter(|webhook| is_refreshed(webhook, self.pass)) {
            let is_open = |subject: &Subject<'_, T>| subject.now.is_some() && subject.hearing(&webhook.name).is_some();
            let again =
                subjects.iter().zip(&told).filter(|(subject, told)| is_open(subject) && !told.contains(&webhook.name));
            let again: Vec<Gist> = again.flat_map(|(subject, _)| self.message(subject, webhook).gists).collect();
            self.lists.entry(webhook.name.clone()).or_default().extend(again);
        }
        self.say(messages);
        for (subject, told) in subjects.iter().zip(&told) {
            let due = self.keep(subject, told).due;
            self.due.extend(due);
        }
    }

    fn message<T: Announced>(&self, subject: &Subject<'_, T>, webhook: &Subscription) -> Message {
        let kind = T::kind(subject);
        let id = self.chain.id(kind.0, &webhook.name, &T::cause(subject));
        let about = T::about(subject);
        let (source, time) = (&self.terms.source, self.pass.clock);
        let key = key(&self.terms.fleet, &T::key(&subject.name));
        let severity = subject.now.as_ref().map_or(Severity::Info, |now| now.severity);
        let rehearsal = self.terms.rehearsal;
        let envelope =
            Envelope { id: &id, source, kind, subject: about.as_deref(), time, key: &key, severity, rehearsal };
        let body = T::body(subject, &envelope, self.pass);
        let ended = subject.now.is_none().then(|| Cases::key::<T>(&subject.name));
        let since = subject.opened_at().unwrap_or(time);
        let gist = envelope.gist(&self.terms.fleet, summary_of(&body), subject.now.is_none());
        let title = clip(sentences(&gist.text, T::TITLE), TITLE);
        let gist = Gist { since, title, ..gist };
        let (webhook, ended) = (webhook.name.clone(), ended.into_iter().collect());
        Message { webhook, id: id.clone(), body, ended, gists: vec![gist] }
    }

    /// Adds messages, whose ids what comes later is tied to.
    pub fn say(&mut self, messages: Vec<Message>) {
        self.chain = self.chain.after(messages.iter().map(|message| &*message.id));
        self.messages.extend(messages);
    }
}
