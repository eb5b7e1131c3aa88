//! The brake: a change that alters lifeline settings of many stations at once waits until somebody says that it is meant.
//!
//! It goes by state, not by events. Of each station it is kept which lifeline values were last *settled*. They settle at what
//! is wanted now where there are none yet, or nobody ever reported on the station; where the confirmed record shows all of
//! them; or where a release covers the change. The change under the brake is every station of which something else is wanted
//! than was settled, so that edits add up however they are split, and an undone edit is none. It is decided here alone, from
//! values; it reads no store and no clock.
//!
//! *Handed out*: once a script to something else was handed out, taking the edit back does not take the script back. The
//! station counts on until a report says what became of it (it names a script of the station, or speaks of every lifeline
//! setting that is wanted, of a time after) and the record shows what is wanted; or until a release covers it. So nine
//! stations at a time, again and again, is no way around; and nine that wait to be keyed as they are wanted count once, as
//! they did before.
//!
//! *Whose row it is* (`heirs`): a row outlives its station, and is found by the name, the number of the line, an earlier
//! name; else a station that is new to everybody takes over that of one that is gone. So neither a new name nor a new number
//! nor both at once settle anything; and what was handed out under the old name counts on. The price: where many stations are really replaced by others, the brake may ask, although
//! nothing that is on record is altered. It is asked once: a report of what the new ones hold, or a release, answers it. Only
//! stations added beside those that stay are new.

mod foresee;
mod heirs;
mod held;
mod limit;
mod print;

#[cfg(test)]
mod tests;

pub use foresee::foresee;
pub use held::{Held, Withheld};
pub use limit::{Limit, NoShare, Share};
pub use print::Prints;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{Timestamp, Unit};

use crate::inventory::{Inventory, Station, Wanted};
use crate::keybook::SettingId;
use crate::ledger::{Digest, Mark, Notices, Record};
use crate::setting::Name;

use heirs::Heirs;

/// A change of fewer stations is never held.
pub const FEWEST: usize = 10;

/// What was last settled of a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settled {
    pub station: Name,
    /// The name it had before it had this one.
    pub formerly: Option<Name>,
    pub site: Name,
    pub model: Name,
    /// The line that rings it, in E.164.
    pub number: Name,
    /// Stands for its wanted lifeline values: 32 hexadecimal digits.
    pub print: Name,
    /// Whether a report ever spoke of the station.
    pub on_record: bool,
    /// The last entry of the ledger that was known when it settled: an older release does not cover what came after.
    pub seq: i64,
    /// The last script to something else that was handed out, until it is known what became of it.
    pub out: Option<Out>,
}

/// A script that was handed out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Out {
    /// Of what it leads to.
    pub print: Name,
    /// To the second.
    pub at: Timestamp,
}

/// Rows in place of others; they go and come together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Move {
    /// As it was read; perhaps of another name.
    pub was: Option<Settled>,
    pub now: Option<Settled>,
}

/// What is settled, by station.
pub type Rows = BTreeMap<Name, Settled>;

/// What is judged.
pub struct Facts<'a> {
    /// As its files have it: what is set aside is no way around the brake.
    pub inventory: &'a Inventory,
    pub record: &'a dyn Fn(&Station) -> Arc<Record>,
    pub notices: &'a Notices,
    /// The last entry of the ledger in `record` and `notices`.
    pub seq: i64,
    pub limit: &'a Limit,
}

/// What is settled of a fleet, and what the brake last said of it.
#[derive(Debug, Clone, Default)]
pub struct Brake {
    rows: Rows,
    prints: Prints,
    /// What the last judgement came to; nothing where there was none, or its moves were not kept.
    tally: Option<Tally>,
    held: Option<Held>,
}

/// A fleet's rows, summed up.
#[derive(Debug, Clone, Default)]
struct Tally {
    altered: BTreeMap<Name, Altered>,
    /// Stations of the inventory on record.
    on_record: usize,
    /// Whether a new station might take over the row of one that is gone.
    has_heritage: bool,
    /// Stands for `altered`, where that is known.
    change: Option<Digest>,
    /// Whether there are moves that were not kept yet.
    is_owed: bool,
}

/// A station of which something else is wanted than was settled, or to which something else was handed out.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Altered {
    number: Name,
    from: Name,
    to: Name,
    seq: i64,
    /// Not where only a script that was handed out counts.
    is_wanted: bool,
}

/// That a script for a station may be handed out now. Only a brake says so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clearance {
    /// The row, and the print of what the script leads to, where that is something else than is settled.
    alters: Option<(Settled, Name)>,
}

impl Clearance {
    /// What is to be kept before the script is handed out.
    pub fn hand_out(self, at: Timestamp) -> Option<Move> {
        let (was, print) = self.alters?;
        // A report of the same second, which has no smaller parts, comes after it.
        let at =
            at.round(jiff::TimestampRound::new().smallest(Unit::Second).mode(jiff::RoundMode::Trunc)).unwrap_or(at);
        let now = Settled { out: Some(Out { print, at }), ..was.clone() };
        Some(Move { was: Some(was), now: Some(now) })
    }
}

impl Brake {
    /// A brake that has judged nothing yet. `prints` may be those of another.
    pub fn new(rows: Rows, prints: Prints) -> Brake {
        Brake { rows, prints, ..Brake::default() }
    }

    /// Its prints, for the next one.
    pub fn into_prints(self) -> Prints {
        self.prints
    }

    /// The change that waits for its release.
    pub fn held(&self) -> Option<&Held> {
        self.held.as_ref()
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
        let alters = altered.and_then(|altered| Some((self.rows.get(station)?.clone(), altered.to.clone())));
        Ok(Clearance { alters })
    }

    /// Judges a fleet: what is to be kept. With it kept, the same fleet is judged the same, and nothing is left to keep.
    ///
    /// `changed`: the stations of which anything may be otherwise than at the last judgement, or nothing where of all.
    /// Notices and limit may not be, where it is given.
    pub fn judge(&mut self, facts: &Facts<'_>, changed: Option<&BTreeSet<Name>>) -> Vec<Move> {
        let tally = self.tally.take();
        let short =
            changed.and_then(|changed| Some((changed, tally.filter(|tally| self.is_short(tally, changed, facts))?)));
        let (mut tally, mut now, taken) = match short {
            Some((changed, tally)) => self.again(tally, changed, facts),
            None => self.whole(facts),
        };
        self.held = None;
        if !tally.altered.is_empty() {
            let change = tally.change.take().unwrap_or_else(|| change_of(&tally.altered));
            if is_released(&change, &tally.altered, facts.notices) {
                self.settle_all(&mut tally, &mut now, facts);
            } else {
                self.held = hold(&tally.altered, &change, tally.on_record, facts.limit);
                tally.change = Some(change);
            }
        }
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

    /// Whether these stations can be judged by themselves: each is there, was there before, and has a row of its own.
    fn is_short(&self, tally: &Tally, changed: &BTreeSet<Name>, facts: &Facts<'_>) -> bool {
        let is_own = |name: &Name| {
            let row = self.rows.get(name).filter(|_| facts.inventory.stations.contains_key(name));
            row.is_some_and(|row| row.on_record || !tally.has_heritage)
        };
        !tally.is_owed && changed.iter().all(is_own)
    }

    /// The tally after the last one, and the rows of these stations.
    fn again(&mut self, mut tally: Tally, changed: &BTreeSet<Name>, facts: &Facts<'_>) -> (Tally, Rows, Vec<Settled>) {
        let mut now = Rows::new();
        for station in changed.iter().filter_map(|name| facts.inventory.stations.get(name)) {
            let Some(row) = self.rows.get(&station.name) else { continue };
            tally.on_record -= usize::from(row.on_record);
            let before = tally.altered.remove(&station.name);
            let print = self.prints.of(station);
            let settled = settle(station, Some(row), &(facts.record)(station), &print, facts.seq);
            tally.add(&settled, &print);
            if before.as_ref() != tally.altered.get(&station.name) {
                tally.change = None;
            }
            now.insert(station.name.clone(), settled);
        }
        (tally, now, Vec::new())
    }

    /// The tally of all stations, their rows, and those of others that they took over.
    fn whole(&mut self, facts: &Facts<'_>) -> (Tally, Rows, Vec<Settled>) {
        let Brake { rows, prints, tally: _, held: _ } = self;
        let is_new = |station: &Station| (facts.record)(station).is_blank();
        let heirs = Heirs::of(rows, facts.inventory, is_new, |station| prints.of(station));
        let mut tally = Tally::default();
        let mut now = Rows::new();
        for station in facts.inventory.stations.values() {
            let row = heirs.row(&station.name).or_else(|| rows.get(&station.name));
            let lent = row.filter(|_| heirs.is_lent(&station.name)).map(|row| Settled { out: None, ..row.clone() });
            let print = prints.of(station);
            let settled = settle(station, lent.as_ref().or(row), &(facts.record)(station), &print, facts.seq);
            tally.add(&settled, &print);
            if rows.get(&station.name) != Some(&settled) {
                now.insert(station.name.clone(), settled);
            }
        }
        for row in heirs.gone() {
            tally.has_heritage |= row.on_record;
            tally.add_out(row);
        }
        let taken = heirs.taken.into_iter().cloned().collect();
        prints.forget_all_but(facts.inventory);
        (tally, now, taken)
    }

    /// The change was released: it is settled at what is wanted.
    fn settle_all(&self, tally: &mut Tally, now: &mut Rows, facts: &Facts<'_>) {
        for (station, altered) in std::mem::take(&mut tally.altered) {
            let Some(row) = now.get(&station).or_else(|| self.rows.get(&station)) else { continue };
            let row = Settled { print: altered.to, on_record: true, seq: facts.seq, out: None, ..row.clone() };
            now.insert(station, row);
        }
    }

    fn moves(&self, now: Rows, taken: Vec<Settled>) -> Vec<Move> {
        let changed = now.into_values().map(|now| Move { was: self.rows.get(&now.station).cloned(), now: Some(now) });
        let changed = changed.filter(|one| one.was != one.now);
        changed.chain(taken.into_iter().map(|was| Move { was: Some(was), now: None })).collect()
    }
}

impl Tally {
    fn add(&mut self, row: &Settled, print: &Name) {
        self.on_record += usize::from(row.on_record);
        if row.print == *print {
            return self.add_out(row);
        }
        let (number, from, to) = (row.number.clone(), row.print.clone(), print.clone());
        self.altered.insert(row.station.clone(), Altered { number, from, to, seq: row.seq, is_wanted: true });
    }

    /// Counts a station of which nothing else is wanted, where something else was handed out.
    fn add_out(&mut self, row: &Settled) {
        let Some(out) = &row.out else { return };
        let (number, from, to) = (row.number.clone(), out.print.clone(), row.print.clone());
        self.altered.insert(row.station.clone(), Altered { number, from, to, seq: row.seq, is_wanted: false });
    }
}

/// What is settled of a station from now on: what was, or what is wanted.
fn settle(station: &Station, row: Option<&Settled>, record: &Record, print: &Name, seq: i64) -> Settled {
    let on_record = row.is_some_and(|row| row.on_record) || !record.is_blank();
    let out = row.and_then(|row| row.out.as_ref());
    let is_shown = shows(record, station) && out.is_none_or(|out| is_answered(record, station, out.at));
    let stays = row.filter(|row| row.print == *print || (on_record && !is_shown));
    let formerly =
        row.and_then(|row| if row.station == station.name { row.formerly.clone() } else { Some(row.station.clone()) });
    Settled {
        station: station.name.clone(),
        formerly,
        site: station.site.clone(),
        model: station.keybook.model.clone(),
        number: station.number.to_string().into(),
        print: stays.map_or(print, |row| &row.print).clone(),
        on_record,
        seq: stays.map_or(seq, |row| row.seq),
        out: out.filter(|_| !is_shown && stays.is_some()).cloned(),
    }
}

/// The settings of a station's lifelines with something wanted.
fn vital(station: &Station) -> impl Iterator<Item = (SettingId, &Wanted)> {
    let lifelines = station.keybook.ids().filter(|id| station.is_lifeline(*id));
    lifelines.filter_map(|id| Some((id, station.wanted(id)?)))
}

/// Whether the confirmed record shows everything that is wanted of the station's lifelines. Nothing wanted proves nothing.
fn shows(record: &Record, station: &Station) -> bool {
    let agrees = |(id, wanted): (_, &Wanted)| record.known(id).is_some_and(|held| held.agrees(&wanted.value));
    vital(station).next().is_some() && vital(station).all(agrees)
}

/// Whether reports say what became of a script that was handed out then.
fn is_answered(record: &Record, station: &Station, out_at: Timestamp) -> bool {
    let is_after = |mark: Option<Mark>| mark.is_some_and(|mark| mark.at >= out_at);
    is_after(record.answered) || vital(station).all(|(id, _)| is_after(record.holding(id).mark))
}

fn change_of(altered: &BTreeMap<Name, Altered>) -> Digest {
    let line = |(name, one): (&Name, &Altered)| [name, &one.number, &one.from, &one.to].map(|text| text.to_string());
    print::change(altered.iter().map(line))
}

/// Whether somebody released the change, after all that it starts from was settled: a release is good for one time.
fn is_released(change: &Digest, altered: &BTreeMap<Name, Altered>, notices: &Notices) -> bool {
    let last_settled = altered.values().map(|one| one.seq).max();
    notices.released(change).is_some_and(|released| Some(released) > last_settled)
}

/// Holds the change, where there is something to hold and it is too much at once.
fn hold(altered: &BTreeMap<Name, Altered>, change: &Digest, on_record: usize, limit: &Limit) -> Option<Held> {
    let too_many = altered.len() >= FEWEST && limit.share.is_passed_by(altered.len(), on_record);
    if !too_many || !altered.values().any(|one| one.is_wanted) {
        return None;
    }
    let (stations, out): (Vec<_>, Vec<_>) = altered.iter().partition(|(_, one)| one.is_wanted);
    let names = |some: Vec<(&Name, &Altered)>| some.into_iter().map(|(name, _)| name.clone()).collect();
    let (stations, out) = (names(stations), names(out));
    Some(Held { change: change.clone(), stations, out, on_record, limit: limit.clone() })
}
