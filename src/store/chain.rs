//! How one ledger entry is tied to the one before: the hash, and the walk that finds a later change.
//! Pure: it never reads the database and knows no clock.
//!
//! Another program can check a chain with this alone. The hash of an entry is the SHA-256 (64 lower-case hexadecimal
//! digits) of these nine texts in UTF-8, each written as a netstring (decimal byte count, `:`, the bytes, `,`):
//! `stationkeep-ledger-1`, seq, kind, id, station, at_ms, recorded_ms, body, prev. Numbers are decimal without leading
//! zeros. `prev` is the hash of the entry before, that of entry 1 is 64 zeros; no row keeps it. Sequence numbers have no holes.

use super::entry::{EntryKind, NewEntry};
use crate::setting::Netstrings;

/// What entry 1 carries as the hash before it, and the head of an empty ledger.
pub const GENESIS: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// The end of a chain: the number and hash of its newest entry; `seq` 0 and [`GENESIS`] when there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// Counts from 1; 0 where the ledger is empty.
    pub seq: i64,
    /// 64 lower-case hexadecimal digits.
    pub hash: String,
}

impl Head {
    /// The head of an empty ledger.
    pub fn empty() -> Self {
        Self { seq: 0, hash: GENESIS.to_owned() }
    }
}

/// An entry as it lies in the database, nothing believed yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Link {
    pub seq: i64,
    pub kind: EntryKind,
    pub id: String,
    pub station: String,
    pub at_ms: i64,
    pub recorded_ms: i64,
    pub body: String,
    pub hash: String,
}

impl Link {
    /// The hash that the other fields and the hash of the entry before call for.
    pub(super) fn computed_hash(&self, prev: &str) -> String {
        Netstrings::new()
            .text("stationkeep-ledger-1")
            .number(self.seq)
            .text(self.kind.as_str())
            .text(&self.id)
            .text(&self.station)
            .number(self.at_ms)
            .number(self.recorded_ms)
            .text(&self.body)
            .text(prev)
            .hex()
    }
}

impl NewEntry {
    /// The hash that it has, or would have, as the entry of this number after one of this hash.
    pub fn hash_as(&self, seq: i64, prev: &str) -> String {
        let Self { kind, id, station, at_ms, recorded_ms, body } = self.clone();
        Link { seq, kind, id, station, at_ms, recorded_ms, body, hash: String::new() }.computed_hash(prev)
    }
}

/// What is wrong at the first place where a chain does not hold.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Flaw {
    #[error("is missing")]
    Missing,
    #[error("has been changed, or the entry before it has been replaced: its hash does not fit")]
    Changed,
    #[error("should not be there: it stands outside the chain")]
    Stray,
    #[error("is not the newest entry that the ledger's head names: it has been replaced")]
    NotTheHead,
    #[error("is not as it was when its hash was noted down")]
    NotAsNoted,
}

/// The first place where a chain does not hold; reads "entry 7 is missing".
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("entry {seq} {flaw}")]
pub struct Broken {
    /// The first entry that is not as it was written, or that is missing.
    pub seq: i64,
    /// What is wrong there.
    pub flaw: Flaw,
}

/// Where a walk along the chain stands.
pub(super) struct Walk(Head);

impl Default for Walk {
    /// Before the first entry.
    fn default() -> Self {
        Self(Head::empty())
    }
}

impl Walk {
    pub(super) fn at(&self) -> &Head {
        &self.0
    }

    /// Takes the next entry, in order of `seq`, or says what is wrong with it.
    pub(super) fn step(&mut self, link: &Link) -> Result<(), Broken> {
        let expected = self.0.seq.saturating_add(1);
        let broken = |seq, flaw| Err(Broken { seq, flaw });
        if link.seq < expected {
            return broken(link.seq, Flaw::Stray);
        }
        if link.seq > expected {
            return broken(expected, Flaw::Missing);
        }
        if link.computed_hash(&self.0.hash) != link.hash {
            return broken(link.seq, Flaw::Changed);
        }
        self.0.seq = link.seq;
        self.0.hash.clone_from(&link.hash);
        Ok(())
    }

    /// The walk is at its end: is that the head?
    pub(super) fn ends_at(&self, head: &Head) -> Result<(), Broken> {
        let broken = |seq, flaw| Err(Broken { seq, flaw });
        if self.0.seq < head.seq {
            return broken(self.0.seq.saturating_add(1), Flaw::Missing);
        }
        if self.0.seq > head.seq {
            return broken(head.seq.saturating_add(1), Flaw::Stray);
        }
        if self.0.hash != head.hash {
            return broken(head.seq, Flaw::NotTheHead);
        }
        Ok(())
    }
}

#[cfg(test)]
#[path = "chain_tests.rs"]
mod tests;
