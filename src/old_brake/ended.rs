//! What became of a change that was held and was not released: how its stations came out of it.

use std::collections::BTreeMap;

use super::tally::Tally;
use super::{FEWEST, Limit, Rows, Settled};
use crate::finding::plural;
use crate::ledger::Digest;
use crate::setting::Name;

/// The change that is held, or was last.
#[derive(Debug, Clone, Default)]
pub(super) struct Last {
    /// Nothing where it was held before this program began.
    pub change: Option<Digest>,
    /// Its stations, with what was settled of each.
    pub stations: BTreeMap<Name, Name>,
}

impl Last {
    /// What was held before this program began, by what the rows say.
    pub fn recall(&mut self, rows: &Rows) {
        if self.stations.is_empty() {
            let held = rows.values().filter(|row| row.held.is_some());
            self.stations = held.map(|row| (row.station.clone(), row.print.clone())).collect();
        }
    }

    /// How it ended; `row` is what is settled of a station now.
    pub fn ended<'r>(&self, tally: &Tally, row: impl Fn(&Name) -> Option<&'r Settled>, limit: &Limit) -> Ended {
        let mut ended = Ended { taken_back: 0, reported: 0, left: 0, on_record: tally.on_record, limit: limit.clone() };
        for (station, settled) in &self.stations {
            let is_left = tally.altered.get(station).is_some_and(|altered| altered.is_wanted);
            let is_other = || row(station).is_some_and(|row| row.print != *settled);
            match is_left {
                true => ended.left += 1,
                false if is_other() => ended.reported += 1,
                false => ended.taken_back += 1,
            }
        }
        ended
    }
}

/// How stations came out of a change that is held no more. Each counts once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ended {
    /// What was settled is wanted of them again, or they are in the inventory no longer.
    pub taken_back: usize,
    /// A report showed what is wanted of them.
    pub reported: usize,
    /// They are altered still, and are too few now.
    pub left: usize,
    /// How many stations of the inventory are on record.
    pub on_record: usize,
    /// The limit that it was held by.
    pub limit: Limit,
}

impl Ended {
    /// "Of its 22 stations 20 were taken back, 2 keyed and reported."
    pub fn sentence(&self) -> String {
        let all = plural((self.taken_back + self.reported + self.left) as u64, "station");
        let left = match self.left {
            0 => String::new(),
            left if left < FEWEST => format!("{left} left, fewer than {FEWEST}"),
            left => format!(
                "{left} left, no more than {} of the {} on record now ({})",
                self.limit.share.percent(),
                self.on_record,
                self.limit.set_at
            ),
        };
        let count = |count: usize, what: &str| if count == 0 { String::new() } else { format!("{count} {what}") };
        let parts = [count(self.taken_back, "taken back"), count(self.reported, "keyed and reported"), left];
        let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
        format!("Of its {all}: {}.", parts.join(", "))
    }
}
