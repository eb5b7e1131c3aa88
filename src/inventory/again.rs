//! Putting an inventory together again after an edit of a few stations, at the cost of those stations.
//!
//! [`Kept::again`] answers only where it can be seen that working out the whole anew would come to the same: nothing but
//! stations changed; neither what they were nor what they are gives rise to any finding, alone or beside the others; and
//! they name the same contacts, profiles and countries as before, so that no warning about those comes or goes. In every
//! other case it gives nothing, and the whole is worked out anew. It never finds or fixes anything itself.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;

use super::checks::{has_factory_code, is_managed_whole, reached};
use super::raw::{RawFile, RawStation, Wish};
use super::resolve::{Keybooks, stations_alone};
use super::{E164, Inventory, Station};
use crate::finding::Finding;
use crate::setting::{Codes, Name, Value, Weight};

/// Where more stations than this changed, the whole is as good.
const MOST: usize = 2_000;

/// An inventory without errors, what it was put together from, and what its stations may not share.
#[derive(Debug)]
pub struct Kept {
    files: Vec<Arc<RawFile>>,
    keybooks: Keybooks,
    codes: Codes,
    inventory: Arc<Inventory>,
    findings: Vec<Finding>,
    held: Held,
}

/// What no two stations may have in common, and the numbers that some station calls. Of the latter there may be some
/// that nobody calls any more: they only make the whole to be worked out once more than needed.
#[derive(Debug, Default)]
struct Held {
    numbers: HashSet<E164>,
    identities: HashSet<(Name, Value)>,
    called: HashSet<E164>,
}

/// The stations of an edit, as they were and as they are, and the names that all stations of the files it touched give.
#[derive(Default)]
struct Edit<'f> {
    named_before: Names<'f>,
    named: Names<'f>,
    were: Vec<&'f RawStation>,
    are: Vec<&'f RawStation>,
}

impl Kept {
    /// Keeps what [`super::resolve()`] made of these files; nothing where there are errors.
    pub fn new(
        files: &[Arc<RawFile>],
        keybooks: &Keybooks,
        codes: &Codes,
        inventory: &Arc<Inventory>,
        findings: &[Finding],
    ) -> Option<Kept> {
        if findings.iter().any(Finding::is_error) || files.iter().any(|file| file.is_broken) {
            return None;
        }
        let mut held = Held::default();
        inventory.stations.values().for_each(|station| held.add(station, inventory));
        Some(Kept {
            files: files.to_vec(),
            keybooks: keybooks.clone(),
            codes: codes.clone(),
            inventory: inventory.clone(),
            findings: findings.to_vec(),
            held,
        })
    }

    /// The inventory of these files and its findings, where only a few stations differ from those kept and nothing else
    /// can have changed; then it is what is kept from now on.
    pub fn again(
        &mut self,
        files: &[Arc<RawFile>],
        keybooks: &Keybooks,
        codes: &Codes,
    ) -> Option<(Arc<Inventory>, Vec<Finding>)> {
        if *keybooks != self.keybooks || *codes != self.codes {
            return None;
        }
        let edit = edit(&self.files, files)?;
        if edit.named != edit.named_before {
            return None;
        }
        // The keybooks that are kept, so that stations go on to share them.
        let were = stations_alone(&self.files, &edit.were, &self.keybooks, &self.codes)?;
        let are = stations_alone(files, &edit.are, &self.keybooks, &self.codes)?;
        let is_clean = |station: &Station| is_managed_whole(station) && !has_factory_code(station, codes);
        if !were.iter().chain(&are).all(is_clean) || !self.are_distinct(&were, &are) {
            return None;
        }
        let mut inventory = Inventory::clone(&self.inventory);
        for station in &were {
            inventory.stations.remove(&station.name);
            self.held.remove(station);
        }
        for station in are {
            self.held.add(&station, &self.inventory);
            inventory.stations.insert(station.name.clone(), Arc::new(station));
        }
        self.files = files.to_vec();
        self.inventory = Arc::new(inventory);
        Some((self.inventory.clone(), self.findings.clone()))
    }

    /// Whether nothing that the stations have is another's, none calls one, and some station is left.
    fn are_distinct(&self, were: &[Station], are: &[Station]) -> bool {
        let (mut freed, mut taken) = (Held::default(), Held::default());
        let mut left: BTreeSet<&Name> = were.iter().map(|station| &station.name).collect();
        // A new name may stand in two files.
        let mut names: BTreeSet<&Name> = BTreeSet::new();
        were.iter().for_each(|station| freed.add(station, &self.inventory));
        for station in are {
            let is_second = !names.insert(&station.name)
                || !left.remove(&station.name) && self.inventory.stations.contains_key(&station.name);
            let identities = identities(station);
            let mut distinct = identities.iter().filter(|one| {
                let is_held = self.held.identities.contains(one) && !freed.identities.contains(one);
                is_held || taken.identities.contains(one)
            });
            let number = &station.number;
            let is_held = self.held.numbers.contains(number) && !freed.numbers.contains(number);
            if is_second || is_held || taken.numbers.contains(number) || distinct.next().is_some() {
                return false;
            }
            taken.add(station, &self.inventory);
        }
        let is_number = |number: &E164| self.held.numbers.contains(number) || taken.numbers.contains(number);
        let calls_one = taken.called.iter().any(is_number);
        let is_called = taken.numbers.iter().any(|number| self.held.called.contains(number));
        !calls_one && !is_called && self.inventory.stations.len() + are.len() > were.len()
    }
}

impl Held {
    /// `inventory` has the contacts.
    fn add(&mut self, station: &Station, inventory: &Inventory) {
        self.numbers.insert(station.number.clone());
        self.identities.extend(identities(station));
        for wanted in station.wanted.iter().flatten() {
            self.called.extend(reached(wanted, station, &inventory.contacts));
        }
    }

    fn remove(&mut self, station: &Station) {
        self.numbers.remove(&station.number);
        identities(station).iter().for_each(|identity| {
            self.identities.remove(identity);
        });
    }
}

/// The values by which responders tell a station from others.
fn identities(station: &Station) -> Vec<(Name, Value)> {
    let locating = station.keybook.settings.iter().zip(&station.wanted);
    let locating = locating.filter(|(setting, _)| setting.weight == Weight::Locating);
    locating.filter_map(|(setting, wanted)| Some((setting.name.clone(), wanted.as_ref()?.value.clone()))).collect()
}

/// The stations that differ between two readings of the same files; nothing where anything else differs, too.
fn edit<'f>(before: &'f [Arc<RawFile>], after: &'f [Arc<RawFile>]) -> Option<Edit<'f>> {
    let mut edit = Edit::default();
    if before.len() != after.len() {
        return None;
    }
    for (before, after) in before.iter().zip(after).filter(|(before, after)| !Arc::ptr_eq(before, after)) {
        if !differ_in_stations_alone(before, after) {
            return None;
        }
        let by_name = |file: &'f RawFile| -> BTreeMap<&'f Name, &'f RawStation> {
            file.stations.iter().map(|station| (&station.name, station)).collect()
        };
        edit.named_before.extend(before.stations.iter().flat_map(names));
        edit.named.extend(after.stations.iter().flat_map(names));
        let (were, are) = (by_name(before), by_name(after));
        // A name twice in one file is an error.
        if are.len() != after.stations.len() {
            return None;
        }
        edit.were.extend(were.iter().filter(|(name, station)| are.get(*name) != Some(*station)).map(|(_, s)| *s));
        edit.are.extend(are.iter().filter(|(name, station)| were.get(*name) != Some(*station)).map(|(_, s)| *s));
    }
    (edit.were.len() + edit.are.len() <= MOST).then_some(edit)
}

/// Whether all but the stations is the same and as it should be. A new part of a file must be decided on here.
fn differ_in_stations_alone(before: &RawFile, after: &RawFile) -> bool {
    let RawFile {
        fleet,
        settings,
        test_days,
        contacts,
        broken_contacts,
        is_broken,
        is_unread,
        spelt,
        profiles,
        sites,
        stations: _,
    } = after;
    let is_whole = !is_broken && !is_unread && broken_contacts.is_empty() && spelt.is_empty();
    is_whole
        && *fleet == before.fleet
        && *settings == before.settings
        && *test_days == before.test_days
        && *contacts == before.contacts
        && *profiles == before.profiles
        && *sites == before.sites
}

/// What a station names itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Named<'f> {
    Contact(&'f str),
    Profile(&'f str),
    Country(&'f str),
}

type Names<'f> = BTreeSet<Named<'f>>;

fn names(station: &RawStation) -> impl Iterator<Item = Named<'_>> {
    let contacts = station.settings.iter().filter_map(|entry| match &entry.wish {
        Wish::To(contact) => Some(Named::Contact(contact)),
        Wish::Value(_) | Wish::FromLine | Wish::Unmanaged => None,
    });
    let profiles = station.profiles.iter().map(|(profile, _)| Named::Profile(profile));
    contacts.chain(profiles).chain(station.line.country.iter().map(|country| Named::Country(&country.id)))
}

impl Inventory {
    /// The stations that are not the same in both, to the line that says each of their values, or that only one of them has.
    pub fn differing(&self, other: &Inventory) -> BTreeSet<Name> {
        let (mut mine, mut others) = (self.stations.iter().peekable(), other.stations.iter().peekable());
        let mut differing = BTreeSet::new();
        loop {
            let (name, both) = match (mine.peek(), others.peek()) {
                (None, None) => return differing,
                (Some((name, _)), None) => (*name, std::cmp::Ordering::Less),
                (None, Some((name, _))) => (*name, std::cmp::Ordering::Greater),
                (Some((name, one)), Some((other_name, other))) => {
                    // Worked out anew, most are the same as before, and comparing them is quicker than what follows a change.
                    if Arc::ptr_eq(one, other) || name == other_name && one == other {
                        mine.next();
                        others.next();
                        continue;
                    }
                    (*name.min(other_name), name.cmp(other_name))
                }
            };
            differing.insert(name.clone());
            if both.is_le() {
                mine.next();
            }
            if both.is_ge() {
                others.next();
            }
        }
    }
}

#[cfg(test)]
#[path = "again_tests.rs"]
mod tests;
