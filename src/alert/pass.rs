//! What a pass found and why it was made, and the shape in which the other files of this module look at it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use uuid::Uuid;

use super::Reason;
use super::asides::AsideNews;
use super::call_back::Outs;
use super::compare::changed;
use super::hold::Hold;
use super::lost::{Known, Losses};
use super::mark::Mark;
use super::next::Foresight;
use super::seen::Seen;
use super::told::{Case, Told};
use crate::drift::{Standing, StationDrift};
use crate::inventory::{Commit, Contact, Taken};
use crate::setting::{Name, Weight};

/// What a pass found.
#[derive(Debug, Clone, Copy)]
pub struct Pass<'a> {
    /// Every station of the inventory, aligned ones too. Without any there is no decision: an empty inventory is an
    /// error, never the withdrawal of all.
    pub stations: &'a BTreeMap<Name, Arc<StationDrift>>,
    /// The stations that may stand otherwise than at the last decision, which was on all of them or with this, too; those
    /// that are gone among them. Nothing where any may. Where this is given no reminder is due and the clock was
    /// not set back.
    pub compared: Option<&'a BTreeSet<Name>>,
    /// Webhooks for which messages wait: what was told last has not reached them, so that no reminder is due.
    pub waiting: &'a BTreeSet<Name>,
    /// The inventory's contacts, to name the line that a dial string comes from.
    pub contacts: &'a BTreeMap<Name, Contact>,
    pub cause: &'a Cause,
    /// What to do about each station that drifts.
    pub next: Foresight<'a>,
    /// The commit in force, where the inventory is read from a repository.
    pub commit: Option<&'a Commit>,
    /// What was set aside since the last telling, and what is so no longer.
    pub asides: &'a AsideNews,
    /// The change that waits for its release, and what was told of it.
    pub hold: Hold<'a>,
    /// The scripts that are to be called back.
    pub outs: Outs<'a>,
    pub clock: Timestamp,
}

/// What happened since the pass that was last written. A pass knows no edits, so the lines of the inventory behind new
/// drift are worked out from the drift itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Cause {
    /// The first pass after a start.
    pub started: bool,
    /// Files that changed (inventory, keybooks, configuration), as the user knows them.
    pub files: Vec<Name>,
    /// Reports taken in, whatever they changed. Those since the last written pass, across a restart too.
    pub reports: Vec<ReportTaken>,
    /// The commit that came into force, where the inventory is read from a repository.
    pub commit: Option<NewCommit>,
}

impl Cause {
    /// Adds files that changed and a commit that came into force since.
    pub fn add(&mut self, files: impl IntoIterator<Item = Name>, commit: Option<NewCommit>) {
        self.files.extend(files);
        self.files.sort();
        self.files.dedup();
        if let Some(new) = commit {
            let earlier = self.commit.take();
            let is_rewritten = new.is_rewritten || earlier.as_ref().is_some_and(|earlier| earlier.is_rewritten);
            let before = earlier.map_or(new.before, |earlier| earlier.before);
            self.commit = Some(NewCommit { commit: new.commit, before, is_rewritten });
        }
    }
}

/// A commit that came into force.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewCommit {
    pub commit: Arc<Commit>,
    /// The one in force before, if there was one.
    pub before: Option<Arc<Commit>>,
    /// Whether the one before is not in its history: somebody has pushed by force, or the ref was set elsewhere.
    pub is_rewritten: bool,
}

/// A report that entered the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportTaken {
    pub id: Uuid,
    pub station: Name,
    pub by: Name,
}

/// One station in this pass.
pub(super) struct Turn<'a> {
    pub station: &'a Name,
    pub before: Option<&'a Told>,
    pub is: Is<'a>,
    /// What is no longer looked at there.
    pub losses: Losses,
}

/// How a station is now.
pub(super) enum Is<'a> {
    Drifting {
        drift: &'a StationDrift,
        seen: Seen,
        mark: Mark,
    },
    Aligned(&'a StationDrift),
    /// Not in the inventory. `news`: nobody was told yet.
    Gone {
        news: bool,
    },
}

impl Turn<'_> {
    /// The open case before this pass.
    pub(super) fn case(&self) -> Option<&Case> {
        self.before.and_then(Told::open)
    }

    /// When the case was opened: of a station that went with an open case and is there again, when that was.
    pub(super) fn opened_at(&self) -> Option<Timestamp> {
        let came_back = self.before.filter(|before| before.withdrawn_at().is_some()).and_then(Told::last);
        self.case().map(|case| case.opened_at).or(came_back.map(|(since, _)| since))
    }

    /// Whether the station was told to be gone, and is there again.
    pub(super) fn is_back(&self) -> bool {
        match &self.is {
            Is::Drifting { .. } | Is::Aligned(_) => self.before.is_some_and(|before| before.withdrawn_at().is_some()),
            Is::Gone { .. } => false,
        }
    }

    /// The station's site and where it hangs, as far as they are known.
    pub(super) fn where_it_is(&self) -> Option<(&Name, &Name)> {
        match &self.is {
            Is::Drifting { drift, .. } | Is::Aligned(drift) => Some((&drift.site, &drift.location)),
            Is::Gone { .. } => {
                let known = self.known().map(|known| (&known.site, &known.location));
                known.or(self.before?.last().map(|(_, seen)| (&seen.site, &seen.location)))
            }
        }
    }

    /// What was known of the station, where that is more than that there was one.
    pub(super) fn known(&self) -> Option<&Known> {
        self.before?.known().filter(|known| **known != Known::default())
    }

    /// What is seen now, where it drifts.
    pub(super) fn seen(&self) -> Option<&Seen> {
        match &self.is {
            Is::Drifting { seen, .. } => Some(seen),
            Is::Aligned(_) | Is::Gone { .. } => None,
        }
    }

    /// Whether somebody is on the case that is open: whoever took the station before it opened may not know of it.
    pub(super) fn is_taken(&self) -> bool {
        match (&self.is, self.case()) {
            (Is::Drifting { drift, .. }, Some(case)) => takes(drift, case).is_some(),
            (Is::Drifting { .. } | Is::Aligned(_) | Is::Gone { .. }, _) => false,
        }
    }

    /// The mark of what is seen now.
    pub(super) fn mark(&self) -> Option<&Mark> {
        match &self.is {
            Is::Drifting { mark, .. } => Some(mark),
            Is::Aligned(_) | Is::Gone { .. } => None,
        }
    }
}

/// Who is on an open case, and until when.
pub(super) fn takes<'d>(drift: &'d StationDrift, case: &Case) -> Option<&'d Taken> {
    drift.taken.as_ref().filter(|taken| taken.at >= case.opened_at)
}

/// One station of a message, before it is laid out.
pub(super) struct Item<'t> {
    pub reason: Reason,
    pub turn: &'t Turn<'t>,
    /// What the receiver knew of the station.
    pub was: Option<&'t Seen>,
    /// The heaviest of what the telling is about; nothing where nothing is known of a station that is gone.
    pub weight: Option<Weight>,
}

impl<'t> Item<'t> {
    /// Weighed by what changed.
    pub(super) fn new(reason: Reason, turn: &'t Turn<'t>, was: Option<&'t Seen>) -> Item<'t> {
        let (before, now) = (was.map(|was| was.weight), turn.seen().map(|seen| seen.weight));
        let weight = match reason {
            Reason::Opened | Reason::StillOpen => now,
            Reason::Grown | Reason::Eased => {
                let changed = was.zip(turn.seen()).and_then(|(was, is)| changed(was, is).last().copied());
                changed.or(before.max(now))
            }
            Reason::Unwatched => turn.losses.weight().or(before.max(now)),
            Reason::Watched => turn.losses.regained,
            Reason::Withdrawn | Reason::Returned => {
                before.max(now).max(turn.before.and_then(Told::known).and_then(Known::weight))
            }
            Reason::Closed => before,
        };
        Item { reason, turn, was, weight }
    }

    /// The worse of before and after.
    pub(super) fn standing(&self) -> Standing {
        let both = [self.was, self.turn.seen()].into_iter().flatten().map(|seen| seen.standing);
        both.min().unwrap_or(Standing::Aligned)
    }

    /// The station's site, where it is known.
    pub(super) fn site(&self) -> Option<&Name> {
        self.turn.where_it_is().map(|(site, _)| site).filter(|site| !site.is_empty())
    }
}
