//! What was last told of one station: the open case and who heard of it, and for a while what came after.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::lost::Known;
use super::mark::Mark;
use super::seen::Seen;
use crate::drift::{Drift, Service};
use crate::setting::Name;

/// How long it is remembered that a fix was confirmed, that a station was withdrawn, and that a webhook which is not
/// configured now once heard of a case.
pub const REMEMBERED: SignedDuration = SignedDuration::from_hours(30 * 24);

/// What was told of a station, and what is known of it: every station of the inventory has one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    Open(Case),
    Over(Over),
    /// Kept by another version, or damaged: there was something, so it is told again.
    Unreadable,
}

/// An open case.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Case {
    pub opened_at: Timestamp,
    /// When there was last something new about it.
    pub changed_at: Timestamp,
    pub seen: Seen,
    /// The mark of `seen`.
    pub(super) mark: Mark,
    /// Every webhook that was told of it.
    pub heard: BTreeMap<Name, Heard>,
    pub(super) fixes: Vec<Fix>,
    pub(super) known: Option<Known>,
}

/// What one webhook last heard of a case, by telling or reminder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    pub at: Timestamp,
    /// The mark of what it heard.
    pub(super) mark: Mark,
}

/// What is remembered of a station without an open case. What is not known of every station is forgotten after
/// [`REMEMBERED`].
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Over {
    /// When the station was told to be gone from the inventory.
    pub withdrawn_at: Option<Timestamp>,
    /// The case as it last was.
    pub(super) last: Option<(Timestamp, Seen)>,
    /// Webhooks that heard of the case and were not configured when it ended.
    pub(super) owed: BTreeMap<Name, Heard>,
    pub(super) fixes: Vec<Fix>,
    /// Where the inventory has the station, or had it when it was told to be gone.
    pub(super) known: Option<Known>,
}

/// A part that was wrong and that a report then proved right.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Fix {
    pub part: Fixed,
    pub at: Timestamp,
}

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Fixed {
    /// A setting, and what was wanted of it.
    Setting {
        name: Name,
        wanted: super::seen::Shown,
    },
    Lifeline {
        name: Name,
    },
}

impl Told {
    /// What a webhook last heard and does not know to be over.
    pub(super) fn heard(&self, webhook: &str) -> Option<&Heard> {
        match self {
            Told::Open(case) => case.heard.get(webhook),
            Told::Over(over) => over.owed.get(webhook),
            Told::Unreadable => None,
        }
    }

    /// The case as it last was, and since when.
    pub(super) fn last(&self) -> Option<(Timestamp, &Seen)> {
        match self {
            Told::Open(case) => Some((case.opened_at, &case.seen)),
            Told::Over(over) => over.last.as_ref().map(|(at, seen)| (*at, seen)),
            Told::Unreadable => None,
        }
    }

    /// What was told of a station that the inventory had, of which an earlier version kept no more than that.
    pub fn in_old_inventory(told: Option<Told>) -> Told {
        match told {
            None => Told::Over(Over { known: Some(Known::default()), ..Over::default() }),
            Some(Told::Over(over)) => Told::Over(Over { known: over.known.or(Some(Known::default())), ..over }),
            Some(Told::Open(case)) => Told::Open(case),
            Some(Told::Unreadable) => Told::Unreadable,
        }
    }

    /// Whether it only says that the inventory has the station, and what is looked at there.
    pub fn is_bare(&self) -> bool {
        match self {
            Told::Over(Over { withdrawn_at, last, owed, fixes, known: _ }) => {
                withdrawn_at.is_none() && last.is_none() && owed.is_empty() && fixes.is_empty()
            }
            Told::Open(_) | Told::Unreadable => false,
        }
    }

    pub(super) fn known(&self) -> Option<&Known> {
        match self {
            Told::Open(case) => case.known.as_ref(),
            Told::Over(over) => over.known.as_ref(),
            Told::Unreadable => None,
        }
    }

    /// When it was told to be gone from the inventory.
    pub(super) fn withdrawn_at(&self) -> Option<Timestamp> {
        match self {
            Told::Over(over) => over.withdrawn_at,
            Told::Open(_) | Told::Unreadable => None,
        }
    }

    /// The open case.
    pub fn open(&self) -> Option<&Case> {
        match self {
            Told::Open(case) => Some(case),
            Told::Over(_) | Told::Unreadable => None,
        }
    }

    fn hearings(&self) -> impl Iterator<Item = (&Name, &Heard)> {
        let map = match self {
            Told::Open(case) => Some(&case.heard),
            Told::Over(over) => Some(&over.owed),
            Told::Unreadable => None,
        };
        map.into_iter().flatten()
    }

    fn fixes(&self) -> &[Fix] {
        match self {
            Told::Open(case) => &case.fixes,
            Told::Over(over) => &over.fixes,
            Told::Unreadable => &[],
        }
    }
}

/// Whether something of that age is still remembered. A time in the future is a clock set back.
pub(super) fn fresh(at: Timestamp, clock: Timestamp) -> bool {
    clock.duration_since(at) <= REMEMBERED
}

/// What the webhooks last heard, without those that have been away for too long.
pub(super) fn hearings(
    before: Option<&Told>,
    clock: Timestamp,
    present: impl Fn(&str) -> bool,
) -> BTreeMap<Name, Heard> {
    let all = before.into_iter().flat_map(Told::hearings);
    let kept = all.filter(|(webhook, heard)| present(webhook) || fresh(heard.at, clock));
    kept.map(|(webhook, heard)| (webhook.clone(), heard.clone())).collect()
}

/// The fixes to remember: those before, and what a report has just proved right. `reported` says whether a report of
/// the station came in with this pass; without one, an edit made the drift go away, and nothing was fixed.
pub(super) fn fixes(before: Option<&Told>, now: Option<&Seen>, reported: bool, clock: Timestamp) -> Vec<Fix> {
    let old = before.map_or(&[][..], Told::fixes).iter().filter(|fix| fresh(fix.at, clock));
    let mut by_part: BTreeMap<Fixed, Timestamp> = old.map(|fix| (fix.part.clone(), fix.at)).collect();
    let was = before.and_then(Told::open).filter(|_| reported).map(|case| &case.seen);
    let settings = was.iter().flat_map(|was| &was.settings).filter(|(name, setting)| {
        setting.drift != Drift::Overdue && !now.is_some_and(|now| now.settings.contains_key(*name))
    });
    by_part.extend(
        settings.map(|(name, setting)| (Fixed::Setting { name: name.clone(), wanted: setting.wanted.clone() }, clock)),
    );
    let lifelines = was
        .iter()
        .flat_map(|was| &was.lifelines)
        .filter(|(name, lifeline)| lifeline.service == Service::Failed && !now.is_some_and(|now| failed(now, name)));
    by_part.extend(lifelines.map(|(name, _)| (Fixed::Lifeline { name: name.clone() }, clock)));
    by_part.into_iter().map(|(part, at)| Fix { part, at }).collect()
}

fn failed(seen: &Seen, lifeline: &str) -> bool {
    seen.lifelines.get(lifeline).is_some_and(|lifeline| lifeline.service == Service::Failed)
}

/// Notes in what is seen now which of it was fixed before and did not stick.
pub(super) fn note_fixes(seen: &mut Seen, before: Option<&Told>, clock: Timestamp) {
    let was = before.and_then(Told::open).map(|case| &case.seen);
    let fixes = before.map_or(&[][..], Told::fixes);
    let fixed = |part: Fixed| fixes.iter().find(|fix| fix.part == part && fresh(fix.at, clock)).map(|fix| fix.at);
    for (name, setting) in &mut seen.settings {
        let old = was.and_then(|was| was.settings.get(name)).filter(|old| old.wanted == setting.wanted);
        setting.fixed_at = match (old, setting.drift) {
            (Some(old), _) => old.fixed_at,
            (None, Drift::Differs | Drift::Strayed) => {
                fixed(Fixed::Setting { name: name.clone(), wanted: setting.wanted.clone() })
            }
            (None, Drift::InDoubt | Drift::Unproven | Drift::Overdue) => None,
        };
    }
    for (name, lifeline) in &mut seen.lifelines {
        let old = was.and_then(|was| was.lifelines.get(name)).filter(|old| old.service == Service::Failed);
        lifeline.fixed_at = match (old, lifeline.service) {
            (Some(old), Service::Failed) => old.fixed_at,
            (None, Service::Failed) => fixed(Fixed::Lifeline { name: name.clone() }),
            (_, Service::Untested | Service::Overdue | Service::Tested) => None,
        };
    }
}
