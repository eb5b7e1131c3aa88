//! All files as one: the stations of each file, made from that file and from what all share, and what only the whole shows.
//!
//! What comes of a file is kept with the very things it was made from, which are held as long: where those are the same
//! again, so is what came of them. An edit costs the file that it touches, and a look at what is counted of each file.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use super::checks::{self, Whole};
use super::file::{FileStations, NamedSites, make, shared_findings};
use super::raw::{RawFile, RawSite, RawStation};
use super::shared::{Keybooks, Parts, Shared, defined_twice};
use super::station::{Inventory, Station};
use crate::finding::{Code, Finding, settle};
use crate::setting::{Codes, Name};

/// How the same work is done on each of many things. What comes of it is in their order.
pub trait ForEach {
    /// The work on some of them says what comes of each.
    fn of<T: Sync, R: Send>(&self, all: &[T], work: impl Fn(&[T]) -> Vec<R> + Sync) -> Vec<R>;
}

/// One after the other.
#[derive(Debug, Clone, Copy)]
pub struct InTurn;

impl ForEach for InTurn {
    fn of<T: Sync, R: Send>(&self, all: &[T], work: impl Fn(&[T]) -> Vec<R> + Sync) -> Vec<R> {
        work(all)
    }
}

/// Puts the files of one inventory together. With any error among the findings the result is not to be used.
pub fn resolve(files: &[Arc<RawFile>], keybooks: &Keybooks, codes: &Codes) -> (Inventory, Vec<Finding>) {
    let (inventory, findings) = Resolver::default().resolve(files, keybooks, codes, &InTurn);
    (Arc::unwrap_or_clone(inventory), findings)
}

/// Resolves again and again: what is made from the same things as before is the same again.
#[derive(Debug, Default)]
pub struct Resolver {
    parts: Parts,
    /// By the file's address, which cannot come again while the file is held.
    made: HashMap<usize, Memo>,
    last: Option<Last>,
}

/// What came of all files, and those files.
#[derive(Debug)]
struct Last {
    files: Vec<Arc<RawFile>>,
    inventory: Arc<Inventory>,
    findings: Vec<Finding>,
}

/// What came of one file, and everything that it was made from.
#[derive(Debug)]
struct Memo {
    file: Arc<RawFile>,
    shared: Arc<Shared>,
    sites: NamedSites,
    /// Those of its stations that are defined elsewhere before.
    left_out: BTreeSet<usize>,
    made: Arc<FileStations>,
}

impl Resolver {
    /// The inventory of these files, and everything that is wrong with it; with any error among the findings it is not to be
    /// used. Stations that come out equal to those before are the very same.
    pub fn resolve(
        &mut self,
        files: &[Arc<RawFile>],
        keybooks: &Keybooks,
        codes: &Codes,
        for_each: &impl ForEach,
    ) -> (Arc<Inventory>, Vec<Finding>) {
        if let Some(last) = self.last.as_ref().filter(|last| last.is_of(files))
            && (keybooks, codes) == (&self.parts.shared.keybooks, &self.parts.shared.codes)
        {
            return (last.inventory.clone(), last.findings.clone());
        }
        let mut findings = Vec::new();
        self.parts = Parts::gather(files, keybooks, codes, &self.parts, &mut findings);
        let order = Order::of(files, &mut findings);
        let made = self.make(files, &order.left_out, for_each);
        findings.extend(made.iter().flat_map(|one| &one.findings).cloned());
        findings.extend(shared_findings(&made));
        let inventory = Arc::new(self.put_together(&order, &made));
        let counts: Vec<_> = made.iter().map(|one| &one.counts).collect();
        let whole = Whole { inventory: &inventory, parts: &self.parts, raw: &order.stations, counts: &counts };
        checks::whole(&whole, &mut findings);
        if self.parts.is_unread {
            // What a file defines that could not be read is missing everywhere else: no mistake of those places.
            findings.retain(|finding| !matches!(finding.code, Code::NameUnknown | Code::ModelMissing));
        }
        settle(&mut findings);
        self.last = Some(Last { files: files.to_vec(), inventory: inventory.clone(), findings: findings.clone() });
        (inventory, findings)
    }

    /// What comes of each file; what is not asked for any more is forgotten.
    fn make(
        &mut self,
        files: &[Arc<RawFile>],
        left_out: &BTreeMap<usize, BTreeSet<usize>>,
        for_each: &impl ForEach,
    ) -> Vec<Arc<FileStations>> {
        let nothing = BTreeSet::new();
        let address = |file: &Arc<RawFile>| Arc::as_ptr(file) as usize;
        let files = files.iter().enumerate().map(|(nth, file)| (file, left_out.get(&nth).unwrap_or(&nothing)));
        let files: Vec<(&Arc<RawFile>, &BTreeSet<usize>)> = files.collect();
        let is_good = |(file, left_out): &(&Arc<RawFile>, &BTreeSet<usize>)| {
            self.made.get(&address(file)).is_some_and(|memo| memo.is_good(file, &self.parts, left_out))
        };
        let (good, new): (Vec<_>, Vec<_>) = files.iter().copied().partition(is_good);
        let made =
            for_each.of(&new, |some| some.iter().map(|(file, left_out)| self.make_one(file, left_out)).collect());
        let mut before = std::mem::take(&mut self.made);
        self.made = good.iter().filter_map(|(file, _)| before.remove_entry(&address(file))).collect();
        self.made.extend(made.into_iter().map(|memo| (address(&memo.file), memo)));
        files.iter().filter_map(|(file, _)| Some(self.made.get(&address(file))?.made.clone())).collect()
    }

    fn make_one(&self, file: &Arc<RawFile>, left_out: &BTreeSet<usize>) -> Memo {
        let Parts { shared, sites: all, .. } = &self.parts;
        let mut sites = NamedSites::new();
        for station in &file.stations {
            let name = &station.site.0;
            if !sites.contains_key(name) {
                sites.insert(name.clone(), all.get(name).cloned());
            }
        }
        let earlier = self.last.as_ref().map(|last| &last.inventory);
        let is_left_out = |nth: usize| left_out.contains(&nth);
        let same = |station: Station| match earlier.and_then(|earlier| earlier.stations.get(&station.name)) {
            Some(before) if **before == station => before.clone(),
            Some(_) | None => Arc::new(station),
        };
        let made = make(file, is_left_out, shared, &sites, same);
        Memo { file: file.clone(), shared: shared.clone(), left_out: left_out.clone(), made: Arc::new(made), sites }
    }

    fn put_together(&self, order: &Order<'_>, made: &[Arc<FileStations>]) -> Inventory {
        let stations = order.at.iter().filter_map(|(file, nth)| made[*file].stations[*nth].as_ref());
        Inventory {
            fleet: self.parts.fleet.as_ref().map_or_else(|| "the fleet".into(), |(name, _)| name.clone()),
            contacts: self.parts.shared.contacts.clone(),
            stations: Arc::new(stations.map(|station| (station.name.clone(), station.clone())).collect()),
        }
    }
}

impl Last {
    fn is_of(&self, files: &[Arc<RawFile>]) -> bool {
        self.files.len() == files.len() && self.files.iter().zip(files).all(|(one, other)| Arc::ptr_eq(one, other))
    }
}

impl Memo {
    /// Whether all that the file's stations are made from is what it was.
    fn is_good(&self, file: &Arc<RawFile>, parts: &Parts, left_out: &BTreeSet<usize>) -> bool {
        let is_same = |(name, site): (&Name, &Option<Arc<RawSite>>)| match (site, parts.sites.get(name)) {
            (Some(one), Some(other)) => Arc::ptr_eq(one, other),
            (None, None) => true,
            (Some(_), None) | (None, Some(_)) => false,
        };
        Arc::ptr_eq(&self.file, file)
            && Arc::ptr_eq(&self.shared, &parts.shared)
            && self.left_out == *left_out
            && self.sites.iter().all(is_same)
    }
}

/// The stations of all files in the order of their names, each name once.
struct Order<'r> {
    stations: Vec<&'r RawStation>,
    /// Where they are: the file, and the place in it.
    at: Vec<(usize, usize)>,
    /// Those that are defined elsewhere before, by file.
    left_out: BTreeMap<usize, BTreeSet<usize>>,
}

impl<'r> Order<'r> {
    fn of(files: &'r [Arc<RawFile>], findings: &mut Vec<Finding>) -> Order<'r> {
        let all = files.iter().enumerate().flat_map(|(file, raw)| {
            raw.stations.iter().enumerate().map(move |(nth, station)| (&*station.name, station, (file, nth)))
        });
        let mut all: Vec<(&str, &RawStation, (usize, usize))> = all.collect();
        // Of one name, the first in the files' order stays the first.
        all.sort_by_key(|(name, _, _)| *name);
        let mut order = Order {
            stations: Vec::with_capacity(all.len()),
            at: Vec::with_capacity(all.len()),
            left_out: BTreeMap::new(),
        };
        for (name, station, at) in all {
            match order.stations.last() {
                Some(first) if *first.name == *name => {
                    order.left_out.entry(at.0).or_default().insert(at.1);
                    findings.push(defined_twice("station", name, &station.place, &first.place));
                }
                Some(_) | None => {
                    order.stations.push(station);
                    order.at.push(at);
                }
            }
        }
        order
    }
}

#[cfg(test)]
#[path = "resolve_tests.rs"]
mod tests;

#[cfg(test)]
#[path = "lifelines_tests.rs"]
mod lifelines_tests;

#[cfg(test)]
#[path = "resolver_tests.rs"]
mod resolver_tests;
