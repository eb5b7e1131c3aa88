//! The brake: a change that alters lifeline settings of many stations at once waits until somebody says that it is meant.
//!
//! It goes by state, not by events. Of each station it is kept which lifeline values were last *settled*. They settle at what
//! is wanted now where there are none yet, or nobody ever reported on the station; where the confirmed record shows all of
//! them; or where a release covers the change. The change under the brake is every station of which something else is wanted
//! than was settled, so that edits add up however they are split, and an undone edit is none. It is decided here alone, from
//! values; it reads no store and no clock.
//!
//! What is settled is found by the station's name, or else by the number of its line, and outlives both, so that renaming
//! a station or taking it out and in again settles nothing.

mod limit;
mod print;

#[cfg(test)]
mod tests;

pub use limit::{Limit, NoShare, Share};
pub use print::Prints;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::finding::plural;
use crate::inventory::{Inventory, Station};
use crate::ledger::{Digest, Notices, Record};
use crate::setting::Name;

/// A change of fewer stations is never held.
pub const FEWEST: usize = 10;

/// What was last settled of a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settled {
    pub station: Name,
    /// The line that rings it, in E.164.
    pub number: Name,
    /// Stands for its wanted lifeline values: 32 hexadecimal digits.
    pub print: Name,
    /// Whether a report ever spoke of the station.
    pub on_record: bool,
    /// The last entry of the ledger that was known when it settled: an older release does not cover what came after.
    pub seq: i64,
}

/// A row to be kept in place of the one that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Move {
    /// As it was found under the station's name.
    pub was: Option<Settled>,
    pub now: Settled,
}

/// What is settled, by station.
pub type Rows = BTreeMap<Name, Settled>;

/// What the brake says of a fleet.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Judgement {
    /// What is to be kept; with it kept, the same fleet is judged the same, and nothing is left to keep.
    pub moves: Vec<Move>,
    pub held: Option<Held>,
}

/// A change that waits for its release.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// Stands for this very change.
    pub change: Digest,
    /// Of which it alters lifeline settings.
    pub stations: BTreeSet<Name>,
    /// How many stations of the inventory are on record.
    pub on_record: usize,
    pub limit: Limit,
}

impl Held {
    /// "It alters lifeline settings of 24 of the 35 stations on record: more than 30 % (surge.share, stationkeep.yaml:12)."
    pub fn sentence(&self) -> String {
        format!(
            "It alters lifeline settings of {} of the {} on record: more than {} ({}).",
            self.stations.len(),
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

/// A station of which something else is wanted than was settled.
struct Altered<'a> {
    station: &'a Arc<Station>,
    settled: &'a Settled,
    print: Name,
}

/// Judges a fleet as its files have it: what is set aside is no way around the brake. `seq`: the last entry of the ledger in
/// `record` and `notices`.
pub fn judge(
    rows: &Rows,
    inventory: &Inventory,
    record: impl Fn(&Station) -> Arc<Record>,
    notices: &Notices,
    seq: i64,
    limit: &Limit,
    prints: &mut Prints,
) -> Judgement {
    let mut judgement = Judgement::default();
    let mut altered: Vec<Altered<'_>> = Vec::new();
    let mut by_number: Option<BTreeMap<&Name, &Settled>> = None;
    let mut on_record = 0;
    for station in inventory.stations.values() {
        let here = rows.get(&station.name);
        let found = here.or_else(|| {
            let rows = by_number.get_or_insert_with(|| numbered(rows));
            rows.get(&Name::from(station.number.to_string())).copied()
        });
        let record = record(station);
        let print = prints.of(station);
        let now = settle(station, found, &record, &print, seq);
        on_record += usize::from(now.on_record);
        if let Some(settled) = found.filter(|_| now.print != print) {
            altered.push(Altered { station, settled, print });
        }
        if here != Some(&now) {
            judgement.moves.push(Move { was: here.cloned(), now });
        }
    }
    prints.forget_all_but(inventory);
    brake(&mut judgement, &altered, on_record, rows, notices, seq, limit);
    judgement
}

/// What is settled of a station from now on: what was, or what is wanted.
fn settle(station: &Station, found: Option<&Settled>, record: &Record, print: &Name, seq: i64) -> Settled {
    let on_record = found.is_some_and(|found| found.on_record) || !record.is_blank();
    let stays = found.filter(|found| found.print == *print || (on_record && !shows(record, station)));
    let (print, seq) = stays.map_or((print, seq), |found| (&found.print, found.seq));
    let number = station.number.to_string().into();
    Settled { station: station.name.clone(), number, print: print.clone(), on_record, seq }
}

/// Rows by number; of several the one that settled last, since it was the last to ring there.
fn numbered(rows: &Rows) -> BTreeMap<&Name, &Settled> {
    let mut by_number: BTreeMap<&Name, &Settled> = BTreeMap::new();
    for row in rows.values() {
        let known = by_number.entry(&row.number).or_insert(row);
        if known.seq < row.seq {
            *known = row;
        }
    }
    by_number
}

/// Whether the confirmed record shows everything that is wanted of the station's lifelines. Nothing wanted proves nothing.
fn shows(record: &Record, station: &Station) -> bool {
    let wanted = || station.keybook.ids().filter(|id| station.is_lifeline(*id));
    let wanted = || wanted().filter_map(|id| Some((id, station.wanted(id)?)));
    wanted().next().is_some()
        && wanted().all(|(id, wanted)| record.known(id).is_some_and(|held| held.agrees(&wanted.value)))
}

/// Holds the change, or settles it where it was released.
fn brake(
    judgement: &mut Judgement,
    altered: &[Altered<'_>],
    on_record: usize,
    rows: &Rows,
    notices: &Notices,
    seq: i64,
    limit: &Limit,
) {
    if altered.is_empty() {
        return;
    }
    let lines = altered.iter().map(|one| {
        let number = one.station.number.to_string();
        [one.station.name.to_string(), number, one.settled.print.to_string(), one.print.to_string()]
    });
    let change = print::change(lines);
    let last_settled = altered.iter().map(|one| one.settled.seq).max();
    if notices.released(&change).is_some_and(|released| Some(released) > last_settled) {
        for one in altered {
            let was = rows.get(&one.station.name).cloned();
            judgement.moves.retain(|other| other.now.station != one.station.name);
            let (station, number) = (one.station.name.clone(), one.station.number.to_string().into());
            let now = Settled { station, number, print: one.print.clone(), on_record: true, seq };
            judgement.moves.push(Move { was, now });
        }
    } else if altered.len() >= FEWEST && limit.share.is_passed_by(altered.len(), on_record) {
        let stations = altered.iter().map(|one| one.station.name.clone()).collect();
        judgement.held = Some(Held { change, stations, on_record, limit: limit.clone() });
    }
}

/// Brings rows up to date with what is kept.
pub fn keep(rows: &mut Rows, moves: &[Move]) {
    for Move { was: _, now } in moves {
        rows.insert(now.station.clone(), now.clone());
    }
}
