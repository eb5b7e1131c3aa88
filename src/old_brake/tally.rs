//! A fleet's rows, summed up: the stations that are altered, and whether it is too many at once.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::print::{self, Wants};
use super::settle::last_word;
use super::{FEWEST, Held, Limit, Out, Settled, Share};
use crate::inventory::Station;
use crate::ledger::{Decisions, Digest, Record};
use crate::setting::Name;

/// A fleet's rows, summed up.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    pub altered: BTreeMap<Name, Altered>,
    /// Stations of the inventory on record.
    pub on_record: usize,
    /// Whether a new station might take over the row of one that is gone.
    pub has_heritage: bool,
    /// Stands for `altered`, where that is known.
    pub change: Option<Digest>,
    /// Whether any of `altered` may be held by a share.
    pub has_held: bool,
    /// Whether there are moves that were not kept yet.
    pub is_owed: bool,
}

/// A station of which something else is wanted than was settled, or to which something else was handed out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Altered {
    /// The line that would be rung.
    pub number: Name,
    pub from: Name,
    pub to: Name,
    pub seq: i64,
    /// Not where only a script that was handed out counts.
    pub is_wanted: bool,
    /// The share that it is held by.
    pub held: Option<Share>,
    pub out: Option<Out>,
    /// When a report last spoke of it.
    pub last_word: Option<Timestamp>,
}

impl Tally {
    /// Counts a station as it is settled now; `line` is what was settled where it rings, if that is not its row's line.
    pub fn add(
        &mut self,
        row: &Settled,
        wants: &Wants,
        (station, record): (&Station, &Record),
        line: Option<&Settled>,
    ) {
        self.on_record += usize::from(row.on_record);
        let number = station.number.name().clone();
        if row.print == wants.print && row.number == number {
            return self.add_out(row);
        }
        let from = match line.filter(|_| row.number != number) {
            Some(line) => format!("{} {}", row.print, line.print).into(),
            None => row.print.clone(),
        };
        self.has_held |= row.held.is_some();
        let altered = Altered {
            number,
            from,
            to: wants.print.clone(),
            seq: row.seq,
            is_wanted: true,
            held: row.held,
            out: row.out.clone(),
            last_word: last_word(record),
        };
        self.altered.insert(row.station.clone(), altered);
    }

    /// Counts a station of which nothing else is wanted, where something else was handed out.
    pub fn add_out(&mut self, row: &Settled) {
        let Some(out) = &row.out else { return };
        let altered = Altered {
            number: row.number.clone(),
            from: out.print.clone(),
            to: row.print.clone(),
            seq: row.seq,
            is_wanted: false,
            held: None,
            out: Some(out.clone()),
            last_word: None,
        };
        self.altered.insert(row.station.clone(), altered);
    }

    /// The change as it is now.
    pub fn digest(&mut self) -> Digest {
        let altered = &self.altered;
        self.change.get_or_insert_with(|| change_of(altered)).clone()
    }

    /// The limit that counts: what is held stays held by the share it was held by.
    pub fn limit(&self, limit: &Limit) -> Limit {
        if !self.has_held {
            return limit.clone();
        }
        let held = self.altered.values().filter_map(|altered| altered.held).min();
        match held.filter(|held| *held < limit.share) {
            Some(share) => Limit {
                share,
                set_at: format!(
                    "surge.share when this began to be held; it is {} now, {}",
                    limit.share.percent(),
                    limit.set_at
                ),
            },
            None => limit.clone(),
        }
    }
}

pub(super) fn change_of(altered: &BTreeMap<Name, Altered>) -> Digest {
    let line = |(name, one): (&Name, &Altered)| [name, &one.number, &one.from, &one.to].map(|text| text.to_string());
    print::change(altered.iter().map(line))
}

/// Whether somebody released the change, after all that it starts from was settled: a release is good for one time.
pub(super) fn is_released(change: &Digest, altered: &BTreeMap<Name, Altered>, decisions: &Decisions) -> bool {
    let last_settled = || altered.values().map(|one| one.seq).max();
    decisions.released(change).is_some_and(|released| Some(released) > last_settled())
}

/// Holds the change, where there is something to hold and it is too much at once.
pub(super) fn hold(
    altered: &BTreeMap<Name, Altered>,
    change: &Digest,
    on_record: usize,
    limit: &Limit,
) -> Option<Held> {
    let too_many = altered.len() >= FEWEST && limit.share.is_passed_by(altered.len(), on_record);
    if !too_many || !altered.values().any(|one| one.is_wanted) {
        return None;
    }
    let (stations, out): (Vec<_>, Vec<_>) = altered.iter().partition(|(_, one)| one.is_wanted);
    let names = |some: Vec<(&Name, &Altered)>| some.into_iter().map(|(name, _)| name.clone()).collect();
    let (stations, out) = (names(stations), names(out));
    Some(Held { change: change.clone(), stations, out, on_record, limit: limit.clone() })
}
