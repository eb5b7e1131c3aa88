//! The brake: a change that alters lifeline settings of many stations at once waits until somebody says that it is meant.
//!
//! It goes by state, not by events. Of each station it is kept which lifeline values were last *settled*, setting by setting.
//! The change under the brake is every station of which something else is wanted than was settled, so that edits add up
//! however they are split, and an undone edit is none. A lifeline setting of which nothing is wanted any more, that is no
//! lifeline setting any more, or that its keybook has no longer, is altered as one of another value is. It is decided here
//! alone, from values; it reads no store and no clock.
//!
//! *How it settles* (`settle`): at what is wanted now, where nobody ever reported on the station; where the confirmed record
//! shows all of it; or where a release covers the change. Of a setting that is gone the record must show what is held by a
//! report of a time after it went: somebody looked. A change under the limit is not held, and settles no sooner. A station on
//! record without a row starts from what its record shows, and only of what that does not show from what is wanted: what was
//! held is held on another machine, too, or where reports come back to a database that was lost.
//!
//! *Handed out*: once a script to something else was handed out, taking the edit back does not take the script back. The
//! station counts on until a report says what became of it (it names a script of the station, or speaks of every lifeline
//! setting that is wanted, of a time after) and the record shows what is wanted; or until a release covers it. So nine
//! stations at a time, again and again, is no way around; and nine that wait to be keyed as they are wanted count once, as
//! they did before.
//!
//! *Whose row it is* (`heirs`): a row outlives its station, and is found by the name, the number of the line, an earlier
//! name; else a station that is new to everybody takes over that of one that is gone. So neither a new name nor a new number
//! nor both at once settle anything; and what was handed out under the old name counts on. A station that rings at another
//! line goes by what was settled there, too, until a report of a time after shows all that is wanted of it: a line keeps
//! what was settled when its station leaves it. The price: where many stations are really replaced by others, the brake may
//! ask, although nothing that is on record is altered. It is asked once: a report of what the new ones hold, or a release,
//! answers it. Only stations added beside those that stay are new.
//!
//! *By which limit*: what is held stays so by the share that it was held by, whatever the configuration says later; a smaller
//! share counts at once.

mod ended;
mod foresee;
mod heirs;
mod held;
mod limit;
mod print;
mod row;
mod settle;
mod tally;

#[cfg(test)]
mod tests;

pub use ended::Ended;
pub use foresee::foresee;
pub use held::{Held, Withheld};
pub use limit::{Limit, NoShare, Share};
pub use print::{Parts, Prints, Wants};
pub use row::{Move, Out, Rows, Settled};

use std::cell::LazyCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;

use crate::inventory::{Inventory, Station};
use crate::ledger::{Decisions, Digest, Record};
use crate::setting::Name;

use ended::Last;
use heirs::{Heirs, numbered};
use settle::{Case, after};
use tally::{Altered, Tally, hold, is_released};

/// A change of fewer stations is never held.
pub const FEWEST: usize = 10;

/// What is judged.
pub struct Facts<'a> {
    /// As its files have it: what is set aside is no way around the brake.
    pub inventory: &'a Inventory,
    pub record: &'a dyn Fn(&Station) -> Arc<Record>,
    pub decisions: &'a Decisions,
    /// The last entry of the ledger in `record` and `decisions`.
    pub seq: i64,
    pub limit: &'a Limit,
    pub now: Timestamp,
}

/// What is settled of a fleet, and what the brake last said of it.
#[derive(Debug, Clone, Default)]
pub struct Brake {
    rows: Rows,
    prints: Prints,
    /// What the last judgement came to; nothing where there was none, or its moves were not kept.
    tally: Option<Tally>,
    held: Option<Held>,
    last: Last,
    ended: Option<Ended>,
}

/// What a judgement comes to.
struct Judged {
    tally: Tally,
    /// Rows that may be otherwise than before.
    now: Rows,
    /// Rows that are to be no more.
    taken: Vec<Settled>,
}

/// That a script for a station may be handed out now. Only a brake says so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clearance {
    /// The row, and what the script leads to, where that is something else than is settled.
    alters: Option<(Settled, Altered)>,
}

impl Clearance {
    /// What is to be kept before the script is handed out.
    pub fn hand_out(self, script: &Digest, at: Timestamp) -> Option<Move> {
        let (was, altered) = self.alters?;
        let out = Out { print: altered.to, at: after(at, altered.last_word), script: Some(script.clone()) };
        let now = Settled { out: Some(out), ..was.clone() };
        Some(Move { was: Some(was), now: Some(now) })
    }
}

impl Brake {
    /// A brake that has judged nothing yet. `prints` may be those of another.
    pub fn new(rows: Rows, prints: Prints) -> Brake {
        Brake { rows, prints, ..Brake::default() }
    }

    /// The same brake, where somebody else moved rows.
    pub fn with_rows(self, rows: Rows) -> Brake {
        Brake { rows, prints: self.prints, last: self.last, ended: self.ended, ..Brake::default() }
    }

    /// The change that waits for its release.
    pub fn held(&self) -> Option<&Held> {
        self.held.as_ref()
    }

    /// How the change ended that was held last; nothing where it was released, or it is not known.
    pub fn ended(&self) -> Option<&Ended> {
        self.ended.as_ref()
    }

    /// The script that was last handed out for a station of which nobody heard since, where it leads to what is wanted no
    /// longer.
    pub fn to_call_back(&self, station: &Name) -> Option<&Out> {
        let altered = self.tally.as_ref()?.altered.get(station)?;
        // What an older version noted down has another print, and no digest to call it by.
        let out = altered.out.as_ref().filter(|out| out.script.is_some());
        out.filter(|out| !altered.is_wanted || out.print != altered.to)
    }

    /// Lets the script of a station go.
    ///
    /// # Errors
    /// Where it is held, or nothing was judged yet.
    pub fn clear(&self, station: &Name) -> Result<Clearance, Withheld<'_>> {
        let tally = self.tally.as_ref().ok_or(Withheld::Unjudged)?;
        if let Some(held) = self.held.as_ref().filter(|held| held.stations.contains(station)) {
            return Err(Withheld::Held(held));
        }
        let altered = tally.altered.get(station).filter(|altered| altered.is_wanted);
        let alters = altered.and_then(|altered| Some((self.rows.get(station)?.clone(), altered.clone())));
        Ok(Clearance { alters })
    }

    /// Judges a fleet: what is to be kept. With it kept, the same fleet is judged the same, and nothing is left to keep.
    ///
    /// `changed`: the stations of which anything may be otherwise than at the last judgement, or nothing where of all.
    /// Decisions and limit may not be, where it is given.
    pub fn judge(&mut self, facts: &Facts<'_>, changed: Option<&BTreeSet<Name>>) -> Vec<Move> {
        let tally = self.tally.take();
        let short =
            changed.and_then(|changed| Some((changed, tally.filter(|tally| self.is_short(tally, changed, facts))?)));
        let mut judged = match short {
            Some((changed, tally)) => self.again(tally, changed, facts),
            None => self.whole(facts),
        };
        let change = (!judged.tally.altered.is_empty()).then(|| judged.tally.digest());
        let limit = judged.tally.limit(facts.limit);
        let tally = &judged.tally;
        let is_released = change.as_ref().is_some_and(|change| is_released(change, &tally.altered, facts.decisions));
        if is_released {
            self.held = None;
            self.settle_all(&mut judged, facts);
        } else {
            self.held = change.and_then(|change| hold(&tally.altered, &change, tally.on_record, &limit));
            self.mark_held(&mut judged);
        }
        self.follow(&judged, is_released, &limit);
        self.leave_lines(&mut judged, facts);
        let Judged { mut tally, now, taken } = judged;
        let moves = self.moves(now, taken);
        tally.is_owed = !moves.is_empty();
        self.tally = Some(tally);
        moves
    }

    /// Brings the rows up to date with what is kept.
    pub fn keep(&mut self, moves: &[Move]) {
        moves.iter().filter_map(|one| one.was.as_ref()).for_each(|was| {
            self.rows.remove(&was.station);
        });
        let now = moves.iter().filter_map(|one| one.now.clone());
        self.rows.extend(now.map(|now| (now.station.clone(), now)));
        if let Some(tally) = &mut self.tally {
            tally.is_owed = false;
        }
    }

    /// Whether these stations can be judged by themselves: each is there, was there before, and has a row of its own and of
    /// its line.
    fn is_short(&self, tally: &Tally, changed: &BTreeSet<Name>, facts: &Facts<'_>) -> bool {
        let is_own = |name: &Name| {
            let both = self.rows.get(name).zip(facts.inventory.stations.get(name));
            both.is_some_and(|(row, station)| {
                (row.on_record || !tally.has_heritage) && row.number == *station.number.name()
            })
        };
        !tally.is_owed && changed.iter().all(is_own)
    }

    /// The tally after the last one, and the rows of these stations.
    fn again(&mut self, mut tally: Tally, changed: &BTreeSet<Name>, facts: &Facts<'_>) -> Judged {
        let mut now = Rows::new();
        for station in changed.iter().filter_map(|name| facts.inventory.stations.get(name)) {
            let Some(row) = self.rows.get(&station.name) else { continue };
            tally.on_record -= usize::from(row.on_record);
            let before = tally.altered.remove(&station.name);
            let (wants, record) = (self.prints.of(station), (facts.record)(station));
            let settled = case(station, &wants, &record, Some(row), None, facts).settle();
            tally.add(&settled, &wants, (station, &record), None);
            if before.as_ref() != tally.altered.get(&station.name) {
                tally.change = None;
            }
            now.insert(station.name.clone(), settled);
        }
        Judged { tally, now, taken: Vec::new() }
    }

    /// The tally of all stations, their rows, and those of others that they took over.
    fn whole(&mut self, facts: &Facts<'_>) -> Judged {
        let Brake { rows, prints, tally: _, held: _, last, ended: _ } = self;
        let is_new = |station: &Station| (facts.record)(station).is_blank();
        let heirs = Heirs::of(rows, facts.inventory, is_new, |station| prints.of(station).print);
        let lines = LazyCell::new(|| numbered(rows.values().filter(|row| row.on_record)));
        let mut tally = Tally::default();
        let mut now = Rows::new();
        for station in facts.inventory.stations.values() {
            let row = heirs.row(&station.name).or_else(|| rows.get(&station.name));
            let lent = row.filter(|_| heirs.is_lent(&station.name)).map(|row| Settled { out: None, ..row.clone() });
            let row = lent.as_ref().or(row);
            let is_moved = row.is_some_and(|row| row.number != *station.number.name());
            let line = is_moved.then(|| lines.get(station.number.name()).copied()).flatten();
            let (wants, record) = (prints.of(station), (facts.record)(station));
            let settled = case(station, &wants, &record, row, line, facts).settle();
            tally.add(&settled, &wants, (station, &record), line);
            if rows.get(&station.name) != Some(&settled) {
                now.insert(station.name.clone(), settled);
            }
        }
        for row in heirs.gone() {
            tally.has_heritage |= row.on_record;
            tally.add_out(row);
            if row.held.is_some() {
                now.insert(row.station.clone(), Settled { held: None, ..row.clone() });
            }
        }
        last.recall(rows);
        let taken = heirs.taken.into_iter().cloned().collect();
        prints.forget_all_but(facts.inventory);
        Judged { tally, now, taken }
    }

    /// The change was released: it is settled at what is wanted.
    fn settle_all(&mut self, judged: &mut Judged, facts: &Facts<'_>) {
        for (station, altered) in std::mem::take(&mut judged.tally.altered) {
            let Some(row) = judged.now.get(&station).or_else(|| self.rows.get(&station)) else { continue };
            let since = row.since.filter(|_| !row.on_record);
            let row = Settled { seq: facts.seq, since, held: None, out: None, ..row.clone() };
            let row = match facts.inventory.stations.get(&station) {
                Some(station) => {
                    let Wants { print, parts } = self.prints.of(station);
                    Settled { number: altered.number, print, parts: Some(parts), ..row }
                }
                None => row,
            };
            judged.now.insert(station, row);
        }
        judged.tally.change = None;
    }

    /// What is held is kept with the share that it is held by.
    fn mark_held(&self, judged: &mut Judged) {
        let by = self.held.as_ref().map(|held| held.limit.share);
        if by.is_none() && !judged.tally.has_held {
            return;
        }
        judged.tally.has_held = by.is_some();
        let altered = judged.tally.altered.iter_mut().filter(|(_, one)| one.is_wanted && one.held != by);
        for (station, altered) in altered {
            altered.held = by;
            let Some(row) = judged.now.get(station).or_else(|| self.rows.get(station)) else { continue };
            let row = Settled { held: by, ..row.clone() };
            judged.now.insert(station.clone(), row);
        }
    }

    /// Remembers what is held, and says how it ended.
    fn follow(&mut self, judged: &Judged, is_released: bool, limit: &Limit) {
        let row = |station: &Name| judged.now.get(station).or_else(|| self.rows.get(station));
        match &self.held {
            Some(held) if self.last.change.as_ref() == Some(&held.change) => {}
            Some(held) => {
                let stations = held.stations.iter().filter_map(|name| Some((name.clone(), row(name)?.print.clone())));
                self.last = Last { change: Some(held.change.clone()), stations: stations.collect() };
                self.ended = None;
            }
            None if self.last.stations.is_empty() => {}
            None => {
                let last = std::mem::take(&mut self.last);
                let ended = || last.ended(&judged.tally, row, limit);
                self.ended = (!is_released).then(ended);
            }
        }
    }

    /// A line that a station on record has left keeps what was settled there, until another one has settled there.
    fn leave_lines(&self, judged: &mut Judged, facts: &Facts<'_>) {
        let moved = judged.now.values().filter_map(|now| Some((self.rows.get(&now.station)?, now)));
        let own = moved.filter(|(was, now)| was.number != now.number).map(|(was, _)| was);
        let others = judged.taken.iter().filter(|row| !row.is_line());
        let left: BTreeMap<Name, Settled> = own
            .chain(others)
            .filter(|row| row.on_record)
            .map(|row| (row.number.clone(), row.left(facts.seq)))
            .collect();
        let is_new = |now: &&Settled| self.rows.get(&now.station).is_none_or(|was| was.number != now.number);
        let entered: BTreeSet<Name> = judged.now.values().filter(is_new).map(|now| now.number.clone()).collect();
        if left.is_empty() && entered.is_empty() {
            return;
        }
        let known: BTreeSet<Name> = judged.taken.iter().map(|row| row.station.clone()).collect();
        let lines = entered.iter().filter_map(|number| self.rows.get(&row::line(number)));
        judged.taken.extend(lines.filter(|row| !known.contains(&row.station)).cloned());
        if left.is_empty() {
            return;
        }
        let there = facts.inventory.stations.values().filter_map(|station| {
            let row = judged.now.get(&station.name).or_else(|| self.rows.get(&station.name))?;
            (row.number == *station.number.name()).then(|| row.number.clone())
        });
        let there: BTreeSet<Name> = there.collect();
        let left = left.into_iter().filter(|(number, _)| !there.contains(number));
        judged.now.extend(left.map(|(_, row)| (row.station.clone(), row)));
    }

    fn moves(&self, now: Rows, taken: Vec<Settled>) -> Vec<Move> {
        let changed = now.into_values().map(|now| Move { was: self.rows.get(&now.station).cloned(), now: Some(now) });
        let changed = changed.filter(|one| one.was != one.now);
        changed.chain(taken.into_iter().map(|was| Move { was: Some(was), now: None })).collect()
    }
}

fn case<'a>(
    station: &'a Station,
    wants: &'a Wants,
    record: &'a Record,
    row: Option<&'a Settled>,
    line: Option<&'a Settled>,
    facts: &Facts<'_>,
) -> Case<'a> {
    Case { station, wants, record, row, line, now: facts.now, seq: facts.seq }
}
