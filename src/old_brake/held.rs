//! A change that is held: which stations it alters, of how many, by which limit, and the command that lets it go.

use std::collections::BTreeSet;

use super::Limit;
use crate::finding::plural;
use crate::ledger::Digest;
use crate::setting::Name;

/// A change that waits for its release.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// Stands for this very change.
    pub change: Digest,
    /// Of which something else is wanted than was settled: their scripts are held.
    pub stations: BTreeSet<Name>,
    /// For which a script to something else was handed out of which nobody heard since, though it is wanted no longer.
    /// They count, and their own scripts are not held.
    pub out: BTreeSet<Name>,
    /// How many stations of the inventory are on record.
    pub on_record: usize,
    pub limit: Limit,
}

impl Held {
    /// How many stations it alters.
    pub fn count(&self) -> usize {
        self.stations.len() + self.out.len()
    }

    /// All of them.
    pub fn all(&self) -> BTreeSet<Name> {
        self.stations.union(&self.out).cloned().collect()
    }

    /// "It alters lifeline settings of 24 of the 35 stations on record: more than 30 % (surge.share, stationkeep.yaml:12)."
    pub fn sentence(&self) -> String {
        let out = match self.out.len() {
            0 => String::new(),
            count => format!(" ({count} of them by scripts handed out before, of which nobody heard since)"),
        };
        format!(
            "It alters lifeline settings of {} of the {} on record{out}: more than {} ({}).",
            self.count(),
            plural(self.on_record as u64, "station"),
            self.limit.share.percent(),
            self.limit.set_at
        )
    }

    /// The command that releases it.
    pub fn release(&self) -> String {
        format!("stationkeep release {} --by NAME --why TEXT", self.change)
    }
}

/// Why a script may not be handed out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Withheld<'h> {
    Held(&'h Held),
    /// The brake has not judged this fleet yet.
    Unjudged,
}
