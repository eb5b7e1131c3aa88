//! Which row belongs to which station: by its name, else by the number of its line, else by a name that it had before, else
//! what was left behind at its line, else that of a station that is gone. It decides nothing about what is settled.
//!
//! A station that nobody ever reported on and that appears where another went is that other one under a new name and a new
//! number, or a new one in its place: nobody can tell from the files. To ask is the safe side, so it takes over what was
//! settled there: of the same site and model before the same site, before the same model, before any; and among these first
//! such as something else was settled of, so that a swap is no way around. Each row goes to one station. But what was handed
//! out went to one line, and nobody knows whether this is it: such a row lends what was settled, and counts on by itself.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::row::line;
use super::{Rows, Settled};
use crate::inventory::{Inventory, Station};
use crate::setting::Name;

/// What a gone station shares with one that takes its row over: site and model, or nothing of them.
type Likeness<'n> = (Option<&'n str>, Option<&'n str>);

/// Rows that stations do not have by their name.
#[derive(Debug, Default)]
pub(super) struct Heirs<'r> {
    found: BTreeMap<Name, &'r Settled>,
    /// Stations to which what was settled is only lent.
    lent: BTreeSet<Name>,
    /// Rows of stations that are gone and that nobody took over.
    gone: BTreeMap<&'r Name, &'r Settled>,
    /// Those that were taken over.
    pub taken: Vec<&'r Settled>,
}

impl<'r> Heirs<'r> {
    /// `is_new`: whether nobody ever reported on a station; `wants`: its print.
    pub fn of(
        rows: &'r Rows,
        inventory: &Inventory,
        is_new: impl Fn(&Station) -> bool,
        mut wants: impl FnMut(&Arc<Station>) -> Name,
    ) -> Heirs<'r> {
        let stations = &inventory.stations;
        let gone = rows.iter().filter(|(name, _)| !stations.contains_key(*name)).collect();
        let mut heirs = Heirs { gone, ..Heirs::default() };
        let without = stations.values().filter(|station| match rows.get(&station.name) {
            None => true,
            Some(row) => !row.on_record && !heirs.gone.is_empty() && is_new(station),
        });
        let mut without: Vec<&Arc<Station>> = without.collect();
        if without.is_empty() {
            return heirs;
        }
        heirs.by_number(rows, &mut without);
        heirs.by_earlier_name(&mut without);
        heirs.by_line(&mut without);
        let mut without: Vec<(&Arc<Station>, Name)> = without.into_iter().map(|one| (one, wants(one))).collect();
        for tier in [(true, true), (true, false), (false, true), (false, false)] {
            heirs.by_likeness(tier, &mut without);
        }
        heirs
    }

    /// The row of a station, where it is not its own by name.
    pub fn row(&self, station: &Name) -> Option<&'r Settled> {
        self.found.get(station).copied()
    }

    /// Whether a station's row stays another's, too, with what was handed out there.
    pub fn is_lent(&self, station: &Name) -> bool {
        self.lent.contains(station)
    }

    /// Rows of stations that are gone.
    pub fn gone(&self) -> impl Iterator<Item = &'r Settled> {
        self.gone.values().copied().filter(|row| !row.is_line())
    }

    fn take(&mut self, station: &Station, row: &'r Settled) {
        if self.gone.remove(&row.station).is_some() {
            self.taken.push(row);
        }
        self.found.insert(station.name.clone(), row);
    }

    /// By the line: a gone station's row before one that is here still, of which a new station has a copy.
    fn by_number(&mut self, rows: &'r Rows, without: &mut Vec<&Arc<Station>>) {
        let gone = numbered(self.gone());
        let all = numbered(rows.values().filter(|row| !row.is_line()));
        without.retain(|station| {
            let number = station.number.name();
            let is_here = rows.contains_key(&station.name);
            let row = gone.get(number).or_else(|| all.get(number).filter(|_| !is_here));
            row.map(|row| self.take(station, row)).is_none()
        });
    }

    /// A station under a name that it had before: an edit that is taken back.
    fn by_earlier_name(&mut self, without: &mut Vec<&Arc<Station>>) {
        let earlier = self.gone.values().filter_map(|row| Some((row.formerly.clone()?, *row)));
        let earlier: BTreeMap<Name, &Settled> = earlier.collect();
        without.retain(|station| {
            let row = earlier.get(&station.name).filter(|row| self.gone.contains_key(&row.station));
            row.map(|row| self.take(station, row)).is_none()
        });
    }

    /// By a line that another one has left.
    fn by_line(&mut self, without: &mut Vec<&Arc<Station>>) {
        without.retain(|station| {
            let row = self.gone.get(&line(station.number.name())).copied();
            row.map(|row| self.take(station, row)).is_none()
        });
    }

    fn by_likeness(&mut self, (site, model): (bool, bool), without: &mut Vec<(&Arc<Station>, Name)>) {
        let mut groups: BTreeMap<Likeness<'_>, BTreeSet<(&'r Name, &'r Name)>> = BTreeMap::new();
        for row in self.gone.values().filter(|row| row.on_record && !row.is_line()) {
            let key = (site.then_some(&*row.site), model.then_some(&*row.model));
            groups.entry(key).or_default().insert((&row.print, &row.station));
        }
        for must_differ in [true, false] {
            without.retain(|(station, wants)| {
                let key = (site.then_some(&*station.site), model.then_some(&*station.keybook.model));
                let Some(group) = groups.get_mut(&key) else { return true };
                let next = if must_differ { first_other(group, wants) } else { group.first().copied() };
                let Some(next) = next else { return true };
                group.remove(&next);
                match self.gone.get(next.1).copied() {
                    Some(row) if row.out.is_some() => {
                        self.lent.insert(station.name.clone());
                        self.found.insert(station.name.clone(), row);
                    }
                    Some(row) => self.take(station, row),
                    None => {}
                }
                false
            });
        }
    }
}

/// Rows by number; of several the one that settled last, since it was the last to ring there.
pub(super) fn numbered<'r>(rows: impl Iterator<Item = &'r Settled>) -> BTreeMap<Name, &'r Settled> {
    let mut by_number: BTreeMap<Name, &Settled> = BTreeMap::new();
    for row in rows {
        let known = by_number.entry(row.number.clone()).or_insert(row);
        if known.seq < row.seq {
            *known = row;
        }
    }
    by_number
}

/// The first row with another print: the first of all, or the first behind those with this one.
fn first_other<'r>(group: &BTreeSet<(&'r Name, &'r Name)>, print: &Name) -> Option<(&'r Name, &'r Name)> {
    let first = group.first().filter(|(other, _)| *other != print);
    first.or_else(|| group.last().filter(|(other, _)| *other != print)).copied()
}
