//! The decision of one pass, by the table at the head of this module: who is told what, and what is told from now on.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::compare::only_eased;
use super::event::Message;
use super::hold::HoldTold;
use super::mark::Thread;
use super::message::Teller;
use super::pass::{Is, Item, Pass, Turn, takes};
use super::seen::Seen;
use super::told::{Case, Fix, Heard, Over, Told, fixes, fresh, hearings, note_fixes};
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
    let told: Vec<_> = terms.webhooks.iter().map(|webhook| items(&turns, webhook, pass.clock)).collect();
    let news: Vec<_> = terms.webhooks.iter().map(|webhook| pass.hold.news(webhook, pass.clock)).collect();
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
            None if before.is_none() => continue,
            None => Is::Aligned(drift),
        };
        turns.push(Turn { station, before, is });
    }
    let told = before.keys().filter(|station| pass.compared.is_none_or(|compared| compared.contains(*station)));
    let gone = told.chain(pass.vanished).filter(|station| !pass.stations.contains_key(*station));
    let gone: BTreeSet<&Name> = gone.collect();
    turns.extend(gone.into_iter().map(|station| {
        let before = before.get(station);
        let news = match before {
            Some(Told::Open(_) | Told::Unreadable) => true,
            Some(Told::Over(over)) => over.withdrawn_at.is_none() && pass.vanished.contains(station),
            None => true,
        };
        Turn { station, before, is: Is::Gone { news } }
    }));
    turns
}

/// So few stations are no surge, however small the fleet.
const FEWEST: usize = 3;

fn is_surge(turns: &[Turn<'_>], pass: &Pass<'_>, terms: &Terms) -> bool {
    let bad_news = turns.iter().filter(|turn| match (&turn.is, turn.case()) {
        (Is::Drifting { .. }, None) => true,
        (Is::Drifting { seen, .. }, Some(case)) => !only_eased(&case.seen, seen),
        (Is::Aligned(_) | Is::Gone { .. }, _) => false,
    });
    // Counts of stations are exact in an f64.
    let count = bad_news.count();
    count >= FEWEST && count as f64 > terms.surge_share * pass.stations.len() as f64
}

/// What a webhook is told, each with its place in `turns`.
fn items<'t>(turns: &'t [Turn<'t>], webhook: &Subscription, clock: Timestamp) -> Vec<(usize, Item<'t>)> {
    let due = due(turns, webhook, clock);
    let items = turns.iter().enumerate().filter_map(|(at, turn)| {
        let still_open = || standing_still(turn, webhook).filter(|weight| due.contains(weight));
        let reason = news(turn, webhook).or_else(|| still_open().map(|_| Reason::StillOpen))?;
        Some((at, Item { reason, turn, was: was(turn, reason, webhook) }))
    });
    items.collect()
}

/// What a webhook knew of a station before, where that is known here and there was something to know.
fn was<'t>(turn: &'t Turn<'t>, reason: Reason, webhook: &Subscription) -> Option<&'t Seen> {
    match reason {
        Reason::Opened | Reason::StillOpen => None,
        Reason::Closed | Reason::Withdrawn => turn.before?.last().map(|(_, seen)| seen),
        Reason::Grown | Reason::Eased => {
            let case = turn.case()?;
            case.heard.get(&webhook.name).filter(|heard| heard.mark == case.mark).map(|_| &case.seen)
        }
    }
}

/// What is new for a webhook at a station: the table, row by row.
fn news(turn: &Turn<'_>, webhook: &Subscription) -> Option<Reason> {
    let heard = turn.before.and_then(|before| before.heard(&webhook.name));
    match (&turn.is, turn.before, heard) {
        (Is::Drifting { .. }, Some(Told::Unreadable), _) => Some(Reason::Opened),
        (Is::Drifting { seen, .. }, _, None) => webhook.weights.contains(&seen.weight).then_some(Reason::Opened),
        (Is::Drifting { mark, .. }, _, Some(heard)) if heard.mark == *mark => None,
        (Is::Drifting { seen, .. }, Some(Told::Open(case)), Some(heard)) if heard.mark == case.mark => {
            Some(if only_eased(&case.seen, seen) { Reason::Eased } else { Reason::Grown })
        }
        (Is::Drifting { .. }, _, Some(_)) => Some(Reason::Grown),
        (Is::Aligned(_), Some(Told::Unreadable), _) | (Is::Aligned(_), _, Some(_)) => Some(Reason::Closed),
        (Is::Aligned(_), _, None) => None,
        (Is::Gone { news }, _, heard) => (*news || heard.is_some()).then_some(Reason::Withdrawn),
    }
}

/// The weight of a case that a webhook takes and knows just as it is, and that nobody is on.
fn standing_still(turn: &Turn<'_>, webhook: &Subscription) -> Option<Weight> {
    let heard = turn.before?.heard(&webhook.name)?;
    let weight = turn.seen()?.weight;
    let still = Some(&heard.mark) == turn.mark() && !turn.is_taken();
    (still && webhook.weights.contains(&weight)).then_some(weight)
}

/// The weights at which a webhook is to be reminded now.
fn due(turns: &[Turn<'_>], webhook: &Subscription, clock: Timestamp) -> BTreeSet<Weight> {
    let due = turns.iter().filter_map(|turn| {
        let weight = standing_still(turn, webhook)?;
        let heard = turn.before?.heard(&webhook.name)?;
        // A telling far in the future is a clock set back since: it must not silence the reminders.
        (clock.duration_since(heard.at).abs() >= interval(webhook, weight)?).then_some(weight)
    });
    due.collect()
}

pub(super) fn interval(webhook: &Subscription, weight: Weight) -> Option<SignedDuration> {
    let minutes = webhook.remind_minutes.get(&weight).copied().filter(|minutes| *minutes > 0)?;
    Some(SignedDuration::from_mins(i64::from(minutes)))
}

/// When the next reminder falls due, if nothing changes until then; `None` where none will.
pub fn next_reminder(
    told: &BTreeMap<Name, Told>,
    stations: &BTreeMap<Name, Arc<StationDrift>>,
    webhooks: &[Subscription],
) -> Option<Timestamp> {
    let open = told.iter().filter_map(|(station, told)| Some((station, told.open()?)));
    let instants = open.flat_map(|(station, case)| {
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
        match turn.is {
            Is::Drifting { seen, mark, .. } => {
                heard.extend(told.into_iter().map(|name| (name, Heard { at: clock, mark: mark.clone() })));
                let case = turn.before.and_then(Told::open);
                let opened_at = case.map_or(clock, |case| case.opened_at);
                let changed_at = case.filter(|case| case.mark == mark).map_or(clock, |case| case.changed_at);
                Some(Told::Open(Case { opened_at, changed_at, seen, mark, heard, fixes }))
            }
            Is::Aligned(_) => self.over(turn.before, heard, None, fixes),
            Is::Gone { news: true } => self.over(turn.before, heard, Some(clock), Vec::new()),
            Is::Gone { news: false } => {
                let withdrawn_at = match turn.before {
                    Some(Told::Over(over)) => over.withdrawn_at.filter(|at| fresh(*at, clock)),
                    Some(Told::Open(_) | Told::Unreadable) | None => None,
                };
                self.over(turn.before, heard, withdrawn_at, Vec::new())
            }
        }
    }

    /// What is remembered of a station without an open case; `None` where there is nothing to remember.
    fn over(
        &self,
        before: Option<&Told>,
        heard: BTreeMap<Name, Heard>,
        withdrawn_at: Option<Timestamp>,
        fixes: Vec<Fix>,
    ) -> Option<Told> {
        // Webhooks that are here have just been told.
        let owed: BTreeMap<Name, Heard> =
            heard.into_iter().filter(|(webhook, _)| !self.present.contains(&**webhook)).collect();
        let last = before.and_then(Told::last).filter(|_| !owed.is_empty());
        let last = last.map(|(since, seen)| (since, seen.clone()));
        let over = Over { withdrawn_at, last, owed, fixes };
        (over != Over::default()).then_some(Told::Over(over))
    }
}
