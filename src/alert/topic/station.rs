//! Stations: one case each, from the first drift to the last. What is no longer managed there (`scope`) is told with it, and
//! so is a fix that did not stick (`fixes`). A station that vanishes from the inventory is withdrawn, once.

use std::cell::LazyCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::fixes::{Fix, fixes, note_fixes};
use super::growth::{changed, eased_for, only_eased};
use super::scope::{Known, Losses};
use super::seen::Seen;
use crate::alert::case::{Before, Case, Severity, Told, forgotten_after, fresh};
use crate::alert::cases::{Cases, ToLookAt};
use crate::alert::kept;
use crate::alert::pass::Pass;
use crate::alert::step::{Fine, LastHeard, Reason};
use crate::alert::subject::{Subject, Topic, Trend};
use crate::alert::terms::{AlertTerms, Subscription};
use crate::drift::{Standing, StationDrift};
use crate::inventory::Taken;
use crate::setting::{Name, Weight};

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Station;

/// A station in a pass.
pub type StationSubject<'p> = Subject<'p, Station>;

/// What is remembered of a station beside its case.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Memory {
    /// When it was told to be gone from the inventory.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub withdrawn_at: Option<Timestamp>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fixes: Vec<Fix>,
    /// The name under which the case was opened, where the station has another now: receivers know the case by it.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub opened_as: Option<Name>,
    /// Where the inventory has the station, or had it when it was told to be gone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known: Option<Known>,
}

/// What a pass shows of a station.
pub enum Sight<'p> {
    Here {
        drift: &'p StationDrift,
        /// What is no longer managed there.
        losses: Losses,
        /// A report of it came in since the last telling.
        is_reported: bool,
    },
    /// Not in the inventory. `news`: nobody was told yet.
    Gone { news: bool },
}

impl Topic for Station {
    type Facts = Seen;
    type Memory = Memory;
    type Sight<'p> = Sight<'p>;

    const NAME: &'static str = "station";

    fn takes(webhook: &Subscription, severity: Severity) -> bool {
        webhook.weights.contains(&severity.weight())
    }

    fn change(webhook: &Subscription, was: &Seen, is: &Seen) -> Trend {
        let changed = changed(was, is);
        match changed.is_empty() || changed.iter().any(|weight| webhook.weights.contains(weight)) {
            false => Trend::Elsewhere,
            true if eased_for(webhook, was, is) => Trend::Better,
            true => Trend::Worse,
        }
    }

    fn fine(subject: &StationSubject<'_>, webhook: &Subscription) -> BTreeSet<Fine> {
        let (losses, is_back) = match &subject.sight {
            Sight::Gone { news: true } => return BTreeSet::from([Fine::Gone]),
            Sight::Gone { news: false } => return BTreeSet::from([Fine::GoneBefore]),
            Sight::Here { losses, .. } => (losses, subject.is_back()),
        };
        let has_heard = subject.heard(&webhook.name) == LastHeard::Case;
        let known = losses.regained.and_then(|_| subject.memory()?.known.as_ref());
        let points = [
            (Fine::Back, is_back),
            (Fine::Lost, losses.concern(webhook, has_heard)),
            (Fine::Unmanaged, !losses.parts.is_empty()),
            (Fine::Regained, known.is_some_and(|known| known.lost_heard.contains(&webhook.name))),
        ];
        points.into_iter().filter(|(_, holds)| *holds).map(|(fine, _)| fine).collect()
    }

    fn interval(webhook: &Subscription, severity: Severity) -> Option<SignedDuration> {
        webhook.interval(severity.weight())
    }

    fn quiet_until(subject: &StationSubject<'_>) -> Option<Timestamp> {
        takes(subject.drift()?, subject.open()?).map(|taken| taken.until)
    }

    fn renamed(memory: &mut Memory, former: &Name) {
        memory.opened_as.get_or_insert_with(|| former.clone());
    }

    fn opened_as(memory: &Memory) -> Option<&Name> {
        memory.opened_as.as_ref()
    }

    fn renamed_back(memory: &mut Memory) {
        memory.opened_as = None;
    }

    fn memory(subject: &StationSubject<'_>, told: &BTreeSet<Name>, pass: &Pass<'_>) -> Memory {
        let clock = pass.clock;
        let before = subject.memory();
        let known = before.and_then(|before| before.known.as_ref());
        match &subject.sight {
            Sight::Here { drift, losses, is_reported } => {
                let was = subject.open().map(|told| &told.condition.facts);
                let old = before.map_or(&[][..], |before| &before.fixes);
                let fixes = fixes(old, was, subject.seen(), *is_reported, clock);
                let opened_as = before.and_then(|before| before.opened_as.clone()).filter(|_| subject.now.is_some());
                Memory { withdrawn_at: None, fixes, opened_as, known: Some(Known::after(known, drift, losses, told)) }
            }
            Sight::Gone { news } => {
                let earlier = before.and_then(|before| before.withdrawn_at).filter(|at| fresh(*at, clock));
                let withdrawn_at = if *news { Some(clock) } else { earlier };
                let opened_as = before.and_then(|before| before.opened_as.clone());
                Memory { withdrawn_at, fixes: Vec::new(), opened_as, known: withdrawn_at.and(known).cloned() }
            }
        }
    }

    fn forgets_at(memory: &Memory) -> Option<Timestamp> {
        let fixes = memory.fixes.iter().map(|fix| fix.at);
        fixes.chain(memory.withdrawn_at).min().map(forgotten_after)
    }

    /// A case that was open when its station went goes on where the station is there again.
    fn goes_on(memory: &Memory) -> bool {
        memory.withdrawn_at.is_some()
    }
}

/// Who is on an open case, and until when: whoever took the station before it opened may not know of it.
fn takes<'d>(drift: &'d StationDrift, case: &Told<Seen>) -> Option<&'d Taken> {
    drift.taken.as_ref().filter(|taken| taken.at >= case.opened_at)
}

/// The stations of a pass that must be looked at, as it shows them.
pub fn subjects<'p>(
    look: &ToLookAt<'p>,
    cases: &Cases,
    pass: &Pass<'p>,
    terms: &AlertTerms,
) -> Vec<StationSubject<'p>> {
    let reported: BTreeSet<&str> = pass.cause.reports.iter().map(|report| &*report.station).collect();
    let renamed = LazyCell::new(|| renamed(cases));
    let one = |(name, drift): (&Name, &Option<&'p Arc<StationDrift>>)| {
        let before = cases.before::<Station>(name);
        let Some(drift) = drift else { return gone(name, before) };
        let mut subject = present(name, before, drift, terms, (reported.contains(&**name), pass.clock));
        if subject.now.is_some() && subject.open().is_none() && subject.known_as() == name && renamed.contains(name) {
            subject.open_as(free(name, &renamed, pass.stations));
        }
        subject
    };
    look.stations.iter().map(one).collect()
}

/// The names by which receivers know open cases of stations that have other names now.
fn renamed(cases: &Cases) -> BTreeSet<Name> {
    let all = cases.rows_of::<Station>().filter(|(_, row)| row.contains("\"opened_as\""));
    all.filter_map(|(name, _)| cases.before::<Station>(name).case()?.memory.opened_as.clone()).collect()
}

/// What no case is known by and no station is called: "EQ-01 (2)".
fn free(name: &Name, renamed: &BTreeSet<Name>, stations: &[Arc<StationDrift>]) -> Name {
    let is_free = |one: &Name| !renamed.contains(one) && stations.iter().all(|drift| drift.station != *one);
    let mut others = (2_u64..).map(|nth| Name::from(format!("{name} ({nth})")));
    others.find(is_free).unwrap_or_else(|| name.clone())
}

fn gone<'p>(name: &Name, before: Before<Seen, Memory>) -> StationSubject<'p> {
    let is_known = |memory: &Memory| memory.withdrawn_at.is_none() && memory.known.is_some();
    let news = match &before {
        Before::Nothing => false,
        Before::Unreadable => true,
        Before::Case(case) => case.open().is_some() || is_known(&case.memory),
    };
    Subject { name: name.clone(), before, now: None, sight: Sight::Gone { news } }
}

fn present<'p>(
    name: &Name,
    before: Before<Seen, Memory>,
    drift: &'p StationDrift,
    terms: &AlertTerms,
    (is_reported, clock): (bool, Timestamp),
) -> StationSubject<'p> {
    let case = before.case();
    let memory = case.map(|case| &case.memory);
    let last = case.and_then(|case| case.told.as_ref());
    let known = memory.and_then(|memory| memory.known.as_ref());
    let losses = Losses::of(last.map(|told| (&told.condition.facts, told.is_open)), known, drift);
    let now = Seen::of(drift, terms.require_tests).map(|mut seen| {
        let was = last.filter(|told| told.is_open).map(|told| &told.condition.facts);
        was.into_iter().for_each(|was| {
            seen.note_silent(was);
            seen.note_failed_again(was);
        });
        note_fixes(&mut seen, was, memory.map_or(&[][..], |memory| &memory.fixes), clock);
        seen.condition()
    });
    Subject { name: name.clone(), before, now, sight: Sight::Here { drift, losses, is_reported } }
}

impl<'p> StationSubject<'p> {
    /// Makes its case be known by this name: another case goes by the station's own.
    fn open_as(&mut self, name: Name) {
        let mut case =
            self.before.case().cloned().unwrap_or_else(|| Case::new(None, BTreeMap::new(), Memory::default()));
        case.memory.opened_as = Some(name);
        self.before = Before::Case(case);
    }

    /// The name by which receivers know its case: the same from the first message to the last.
    pub fn known_as(&self) -> &Name {
        self.memory().and_then(|memory| memory.opened_as.as_ref()).unwrap_or(&self.name)
    }

    /// How it is, where it is in the inventory.
    pub fn drift(&self) -> Option<&'p StationDrift> {
        match self.sight {
            Sight::Here { drift, .. } => Some(drift),
            Sight::Gone { .. } => None,
        }
    }

    /// What is seen now, where it drifts.
    pub fn seen(&self) -> Option<&Seen> {
        self.now.as_ref().map(|condition| &condition.facts)
    }

    /// What is no longer managed there.
    pub fn losses(&self) -> Option<&Losses> {
        match &self.sight {
            Sight::Here { losses, .. } => Some(losses).filter(|losses| !losses.parts.is_empty()),
            Sight::Gone { .. } => None,
        }
    }

    /// Whether it was told to be gone, and is there again.
    pub fn is_back(&self) -> bool {
        self.drift().is_some() && self.memory().is_some_and(|memory| memory.withdrawn_at.is_some())
    }

    /// What was known of it, where that is more than that there was one.
    pub fn known(&self) -> Option<&Known> {
        self.memory()?.known.as_ref()
    }

    /// The station that has its number, where it is gone: it may be the same unit.
    pub fn heir<'s>(&self, stations: &'s [Arc<StationDrift>]) -> Option<&'s Name> {
        let number = &self.known().filter(|_| self.drift().is_none())?.number;
        stations.iter().find(|drift| *drift.number == **number).map(|drift| &drift.station)
    }

    /// Its site and where it hangs, as far as they are known.
    pub fn where_it_is(&self) -> Option<(&Name, &Name)> {
        if let Some(drift) = self.drift() {
            return Some((&drift.site, &drift.location));
        }
        let known = self.known().map(|known| (&known.site, &known.location));
        known.or_else(|| self.last().map(|told| (&told.condition.facts.site, &told.condition.facts.location)))
    }

    /// Whether it is worse than before, or something there that a button needs is no longer managed.
    pub fn is_bad_news(&self) -> bool {
        let Sight::Here { losses, .. } = &self.sight else { return false };
        let is_worse = |seen: &Seen| self.open().is_none_or(|told| !only_eased(&told.condition.facts, seen));
        losses.has_new_lifeline() || self.seen().is_some_and(is_worse)
    }
}

/// One station of a message, before it is laid out.
#[derive(Clone, Copy)]
pub struct Item<'t, 'p> {
    pub reason: Reason,
    pub subject: &'t StationSubject<'p>,
    /// What the receiver knew of the station.
    pub was: Option<&'t Seen>,
    /// The heaviest of what the telling is about; nothing where nothing is known of a station that is gone.
    pub weight: Option<Weight>,
}

impl<'t, 'p> Item<'t, 'p> {
    /// Weighed by what changed.
    pub fn new(reason: Reason, subject: &'t StationSubject<'p>, was: Option<&'t Seen>) -> Item<'t, 'p> {
        let (before, now) = (was.map(|was| was.weight), subject.seen().map(|seen| seen.weight));
        let losses = match &subject.sight {
            Sight::Here { losses, .. } => Some(losses),
            Sight::Gone { .. } => None,
        };
        let weight = match reason {
            Reason::Opened | Reason::StillOpen => now,
            Reason::Grown | Reason::Eased => {
                let changed = was.zip(subject.seen()).and_then(|(was, is)| changed(was, is).last().copied());
                changed.or(before.max(now))
            }
            Reason::Unwatched => losses.and_then(Losses::weight).or(before.max(now)),
            Reason::Watched => losses.and_then(|losses| losses.regained),
            Reason::Withdrawn | Reason::Returned => before.max(now).max(subject.known().and_then(Known::weight)),
            Reason::Closed => before,
        };
        Item { reason, subject, was, weight }
    }

    /// The worse of before and after.
    pub fn standing(&self) -> Standing {
        let both = [self.was, self.subject.seen()].into_iter().flatten().map(|seen| seen.standing);
        both.min().unwrap_or(Standing::Aligned)
    }

    /// The station's site, where it is known.
    pub fn site(&self) -> Option<&Name> {
        self.subject.where_it_is().map(|(site, _)| site).filter(|site| !site.is_empty())
    }
}
