//! The decision of one pass, by the table at the head of this module: who is told what, and what is told from now on.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::compare::{changed, eased_for, only_eased};
use super::event::Message;
use super::hold::{HoldTold, News};
use super::lost::{Known, Losses};
use super::mark::{Mark, Thread};
use super::message::Teller;
use super::pass::{Is, Item, Pass, Turn, takes};
use super::seen::Seen;
use super::told::{Case, Heard, Over, Told, fixes, fresh, hearings, note_fixes};
use super::{Reason, Subscription, Terms};
use crate::drift::StationDrift;
use crate::setting::{Name, Weight};

/// What a pass decided; to be written in one transaction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    /// What was told from now on, where that changed; `None` is to be forgotten.
    pub told: BTreeMap<Name, Option<Told>>,
    /// At most one a webhook, in the order of the subscriptions.
    pub messages: Vec<Message>,
    pub thread: Thread,
    /// What was told of a held change from now on.
    pub hold: HoldTold,
    /// Whether more than the set share of the fleet had bad news.
    pub surge: bool,
}

impl Verdict {
    /// Nothing to say and nothing to write.
    pub fn is_empty(&self) -> bool {
        let Verdict { told, messages, thread: _, hold: _, surge: _ } = self;
        told.is_empty() && messages.is_empty()
    }

    /// Brings what was told up to date.
    pub fn apply(&self, told: &mut BTreeMap<Name, Told>) {
        for (station, new) in &self.told {
            match new {
                Some(new) => told.insert(station.clone(), new.clone()),
                None => told.remove(station),
            };
        }
    }
}

/// Decides what to tell. The same input gives the same verdict; with its `told` applied, nothing is left to say.
pub fn decide(before: &BTreeMap<Name, Told>, thread: &Thread, pass: &Pass<'_>, terms: &Terms) -> Verdict {
    let mut verdict = Verdict {
        told: BTreeMap::new(),
        messages: Vec::new(),
        thread: thread.clone(),
        hold: pass.hold.told.clone(),
        surge: false,
    };
    if pass.stations.is_empty() {
        return verdict;
    }
    let turns = turns(before, pass, terms);
    verdict.surge = is_surge(&turns, pass, terms);
    let mut heard: Vec<BTreeSet<Name>> = vec![BTreeSet::new(); turns.len()];
    let told: Vec<_> = terms.webhooks.iter().map(|webhook| items(&turns, webhook, pass)).collect();
    let news: Vec<_> = terms.webhooks.iter().map(|webhook| of_hold(webhook, pass)).collect();
    let mut messaged: Vec<&Subscription> = Vec::new();
    let is_news = news.iter().any(Option::is_some) || !pass.asides.is_empty();
    if is_news || told.iter().any(|items| !items.is_empty()) {
        let teller = Teller::new(pass, terms, verdict.surge);
        for ((webhook, items), news) in terms.webhooks.iter().zip(told).zip(news) {
            items.iter().for_each(|(at, _)| {
                heard[*at].insert(webhook.name.clone());
            });
            let items = items.into_iter().map(|(_, item)| item).collect();
            let message = teller.message(webhook, items, news, thread);
            messaged.extend(message.as_ref().map(|_| webhook));
            verdict.messages.extend(message);
        }
    }
    verdict.hold = pass.hold.after(&messaged, &terms.webhooks, pass.clock);
    verdict.thread = thread.after(verdict.messages.iter().map(|message| &*message.id));
    let memory = Memory::new(pass, terms);
    for (turn, heard) in turns.into_iter().zip(heard) {
        let (station, before) = (turn.station, turn.before);
        let new = memory.after(turn, heard);
        if new.as_ref() != before {
            verdict.told.insert(station.clone(), new);
        }
    }
    verdict
}

/// Every station there may be something to say or to write about.
fn turns<'a>(before: &'a BTreeMap<Name, Told>, pass: &Pass<'a>, terms: &Terms) -> Vec<Turn<'a>> {
    let mut turns = Vec::new();
    let compared: Vec<_> = match pass.compared {
        Some(compared) => compared.iter().filter_map(|name| pass.stations.get_key_value(name)).collect(),
        None => pass.stations.iter().collect(),
    };
    for (station, drift) in compared {
        let before = before.get(station);
        let is = match Seen::of(drift, terms.require_tests) {
            Some(mut seen) => {
                note_fixes(&mut seen, before, pass.clock);
                let mark = seen.mark();
                Is::Drifting { drift, seen, mark }
            }
            None => Is::Aligned(drift),
        };
        turns.push(Turn { station, before, is, losses: Losses::of(before, drift) });
    }
    let told: Vec<_> = match pass.compared {
        Some(compared) => compared.iter().filter_map(|name| before.get_key_value(name)).collect(),
        None => before.iter().collect(),
    };
    let gone = told.into_iter().filter(|(station, _)| !pass.stations.contains_key(*station));
    turns.extend(gone.map(|(station, before)| {
        let news = match before {
            Told::Open(_) | Told::Unreadable => true,
            Told::Over(over) => over.withdrawn_at.is_none() && over.known.is_some(),
        };
        Turn { station, before: Some(before), is: Is::Gone { news }, losses: Losses::default() }
    }));
    turns
}

/// So few stations are no surge, however small the fleet.
const FEWEST: usize = 3;

fn is_surge(turns: &[Turn<'_>], pass: &Pass<'_>, terms: &Terms) -> bool {
    let bad_news = turns.iter().filter(|turn| match (&turn.is, turn.case()) {
        (Is::Drifting { .. } | Is::Aligned(_), _) if turn.losses.has_new_lifeline() => true,
        (Is::Drifting { .. }, None) => true,
        (Is::Drifting { seen, .. }, Some(case)) => !only_eased(&case.seen, seen),
        (Is::Aligned(_) | Is::Gone { .. }, _) => false,
    });
    // Counts of stations are exact in an f64.
    let count = bad_news.count();
    count >= FEWEST && count as f64 > terms.surge_share * pass.stations.len() as f64
}

/// What a webhook is told, each with its place in `turns`.
fn items<'t>(turns: &'t [Turn<'t>], webhook: &Subscription, pass: &Pass<'_>) -> Vec<(usize, Item<'t>)> {
    let due = due(turns, webhook, pass);
    let items = turns.iter().enumerate().filter_map(|(at, turn)| {
        let still_open = || standing_still(turn, webhook).filter(|weight| due.contains(weight));
        let reason = news(turn, webhook).or_else(|| still_open().map(|_| Reason::StillOpen))?;
        Some((at, Item::new(reason, turn, was(turn, reason, webhook))))
    });
    items.collect()
}

/// What a webhook knew of a station before, where that is known here and there was something to know.
fn was<'t>(turn: &'t Turn<'t>, reason: Reason, webhook: &Subscription) -> Option<&'t Seen> {
    match reason {
        Reason::Opened | Reason::StillOpen | Reason::Watched => None,
        Reason::Closed | Reason::Withdrawn | Reason::Returned | Reason::Unwatched => {
            turn.before?.last().map(|(_, seen)| seen)
        }
        Reason::Grown | Reason::Eased => {
            let case = turn.case()?;
            case.heard.get(&webhook.name).filter(|heard| heard.mark == case.mark).map(|_| &case.seen)
        }
    }
}

/// What is new for a webhook at a station: the table, row by row.
fn news(turn: &Turn<'_>, webhook: &Subscription) -> Option<Reason> {
    let heard = turn.before.and_then(|before| before.heard(&webhook.name));
    match &turn.is {
        Is::Gone { news } => (*news || heard.is_some()).then_some(Reason::Withdrawn),
        // Who still has to hear of its case was away when it went.
        Is::Drifting { .. } | Is::Aligned(_) if turn.is_back() && heard.is_none() => Some(Reason::Returned),
        Is::Drifting { .. } | Is::Aligned(_) if turn.losses.concern(webhook, heard.is_some()) => {
            Some(Reason::Unwatched)
        }
        Is::Drifting { seen, mark, .. } => of_drift(turn, seen, mark, webhook).or_else(|| watched(turn, webhook)),
        Is::Aligned(_) => {
            let is_over = heard.is_some() || turn.before == Some(&Told::Unreadable);
            // Aligned is only what is looked at.
            let end = if turn.losses.parts.is_empty() { Reason::Closed } else { Reason::Unwatched };
            is_over.then_some(end).or_else(|| watched(turn, webhook))
        }
    }
}

/// What is new at a station that drifts.
fn of_drift(turn: &Turn<'_>, seen: &Seen, mark: &Mark, webhook: &Subscription) -> Option<Reason> {
    let heard = turn.before.and_then(|before| before.heard(&webhook.name));
    match (turn.before, heard) {
        (Some(Told::Unreadable), _) => Some(Reason::Opened),
        (_, None) => webhook.weights.contains(&seen.weight).then_some(Reason::Opened),
        (_, Some(heard)) if heard.mark == *mark => None,
        (Some(Told::Open(case)), Some(heard)) if heard.mark == case.mark => {
            let reason = if eased_for(webhook, &case.seen, seen) { Reason::Eased } else { Reason::Grown };
            takes_change(webhook, &case.seen, seen).then_some(reason)
        }
        (Some(Told::Open(_) | Told::Over(_)) | None, Some(_)) => Some(Reason::Grown),
    }
}

/// Whether a webhook is told of what became of the parts of a case.
fn takes_change(webhook: &Subscription, was: &Seen, is: &Seen) -> bool {
    let changed = changed(was, is);
    changed.is_empty() || changed.iter().any(|weight| webhook.weights.contains(weight))
}

/// Whether something that a webhook was told to be no longer looked at is looked at again.
fn watched(turn: &Turn<'_>, webhook: &Subscription) -> Option<Reason> {
    let known = turn.losses.regained.and(turn.before?.known())?;
    known.lost_heard.contains(&webhook.name).then_some(Reason::Watched)
}

/// What there is to tell of a held change. A reminder is not for who has not got the last telling yet.
fn of_hold<'a>(webhook: &Subscription, pass: &Pass<'a>) -> Option<News<'a>> {
    let is_away = pass.waiting.contains(&webhook.name);
    pass.hold.news(webhook, pass.clock).filter(|news| !(is_away && *news == News::StillHeld))
}

/// The weight of a case that a webhook takes and knows just as it is, and that nobody is on.
fn standing_still(turn: &Turn<'_>, webhook: &Subscription) -> Option<Weight> {
    let heard = turn.before?.heard(&webhook.name)?;
    let Is::Drifting { seen, mark, .. } = &turn.is else { return None };
    let is_as_heard = |case: &Case| heard.mark == case.mark && !takes_change(webhook, &case.seen, seen);
    let still = heard.mark == *mark || turn.case().is_some_and(is_as_heard);
    (still && !turn.is_taken() && webhook.weights.contains(&seen.weight)).then_some(seen.weight)
}

/// The weights at which a webhook is to be reminded now.
fn due(turns: &[Turn<'_>], webhook: &Subscription, pass: &Pass<'_>) -> BTreeSet<Weight> {
    if pass.waiting.contains(&webhook.name) {
        return BTreeSet::new();
    }
    let due = turns.iter().filter_map(|turn| {
        let weight = standing_still(turn, webhook)?;
        let heard = turn.before?.heard(&webhook.name)?;
        // A telling far in the future is a clock set back since: it must not silence the reminders.
        (pass.clock.duration_since(heard.at).abs() >= interval(webhook, weight)?).then_some(weight)
    });
    due.collect()
}

pub(super) fn interval(webhook: &Subscription, weight: Weight) -> Option<SignedDuration> {
    let minutes = webhook.remind_minutes.get(&weight).copied().filter(|minutes| *minutes > 0)?;
    Some(SignedDuration::from_mins(i64::from(minutes)))
}

/// When the next reminder falls due for these webhooks, if nothing changes until then; `None` where none will: without
/// stations nothing is decided.
pub fn next_reminder(
    told: &BTreeMap<Name, Told>,
    stations: &BTreeMap<Name, Arc<StationDrift>>,
    webhooks: &[Subscription],
) -> Option<Timestamp> {
    let open = told.iter().filter_map(|(station, told)| Some((station, told.open()?)));
    let instants = open.filter(|_| !stations.is_empty()).flat_map(|(station, case)| {
        let taken = stations.get(station).and_then(|drift| takes(drift, case)).map(|taken| taken.until);
        webhooks.iter().filter(|webhook| webhook.weights.contains(&case.seen.weight)).filter_map(move |webhook| {
            let heard = case.heard.get(&webhook.name)?;
            let due = heard.at.checked_add(interval(webhook, case.seen.weight)?).ok()?;
            Some(due.max(taken.unwrap_or(due)))
        })
    });
    instants.min()
}

/// Keeps what was told.
struct Memory<'a> {
    clock: Timestamp,
    present: BTreeSet<&'a str>,
    reported: BTreeSet<&'a str>,
}

impl<'a> Memory<'a> {
    fn new(pass: &Pass<'a>, terms: &'a Terms) -> Memory<'a> {
        Memory {
            clock: pass.clock,
            present: terms.webhooks.iter().map(|webhook| &*webhook.name).collect(),
            reported: pass.cause.reports.iter().map(|report| &*report.station).collect(),
        }
    }

    /// What was told of a station once the messages of this pass are written.
    fn after(&self, turn: Turn<'_>, told: BTreeSet<Name>) -> Option<Told> {
        let clock = self.clock;
        let is_present = |webhook: &str| self.present.contains(webhook);
        let mut heard = hearings(turn.before, clock, is_present);
        let fixes = fixes(turn.before, turn.seen(), self.reported.contains(&**turn.station), clock);
        let opened_at = turn.opened_at().unwrap_or(clock);
        let before = turn.before.and_then(Told::known);
        match turn.is {
            Is::Drifting { drift, seen, mark } => {
                let known = Some(Known::after(before, drift, &turn.losses, &told));
                let case = turn.before.and_then(Told::open);
                // Who was not told of the change takes nothing of it, and knows the rest.
                let here = heard.iter_mut().filter(|(webhook, _)| is_present(webhook));
                here.filter(|(_, heard)| case.is_some_and(|case| case.mark == heard.mark))
                    .for_each(|(_, heard)| heard.mark = mark.clone());
                heard.extend(told.into_iter().map(|name| (name, Heard { at: clock, mark: mark.clone() })));
                let changed_at = case.filter(|case| case.mark == mark).map_or(clock, |case| case.changed_at);
                Some(Told::Open(Case { opened_at, changed_at, seen, mark, heard, fixes, known }))
            }
            Is::Aligned(drift) => {
                let known = Some(Known::after(before, drift, &turn.losses, &told));
                self.over(turn.before, heard, Over { fixes, known, ..Over::default() })
            }
            Is::Gone { news } => {
                let earlier = turn.before.and_then(Told::withdrawn_at).filter(|at| fresh(*at, clock));
                let withdrawn_at = if news { Some(clock) } else { earlier };
                let known = withdrawn_at.and(before).cloned();
                self.over(turn.before, heard, Over { withdrawn_at, known, ..Over::default() })
            }
        }
    }

    /// What is remembered of a station without an open case; `None` where there is nothing to remember.
    fn over(&self, before: Option<&Told>, heard: BTreeMap<Name, Heard>, over: Over) -> Option<Told> {
        // Webhooks that are here have just been told.
        let owed: BTreeMap<Name, Heard> =
            heard.into_iter().filter(|(webhook, _)| !self.present.contains(&**webhook)).collect();
        let is_kept = !owed.is_empty() || over.withdrawn_at.is_some();
        let last = before.and_then(Told::last).filter(|_| is_kept);
        let over = Over { last: last.map(|(since, seen)| (since, seen.clone())), owed, ..over };
        (over != Over::default()).then_some(Told::Over(over))
    }
}
