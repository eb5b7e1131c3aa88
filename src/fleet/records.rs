//! The confirmed record of every station, folded from the ledger and kept up with it.
//!
//! What is on record under a name that a station had before is the station's own. Of one that nobody reported on under any of
//! its names, what was proved is taken from the reports that were kept with its number.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;

use super::entries::{StationEntries, decision};
use super::error::FleetError;
use super::unkept::Unkept;
use crate::brake::{Gone, GoneScript};
use crate::inventory::{Inventory, Keybooks, Station};
use crate::ledger::{Decision, Decisions, PackedRecord, Proven, Record, effect, effect_value};
use crate::setting::Name;
use crate::store::{EntryKind, Store};

const PAGE: i64 = 5_000;

/// Up to so many touched stations are folded anew one by one; more are folded in one walk of the ledger.
const ONE_BY_ONE: usize = 500;

/// Records by station, as of one entry of the ledger.
#[derive(Debug, Clone, Default)]
pub struct Records {
    seq: i64,
    /// Every station of the inventory.
    pub(super) records: BTreeMap<Name, Folded>,
    /// What is on record under names that no station goes by.
    pub(super) gone: BTreeMap<Name, Left>,
    /// At which number a station was reported on, under which name.
    pub(super) lines: BTreeSet<(Name, Name)>,
    /// Stations that nobody reported on under a name of theirs, by their number.
    unreported: BTreeMap<Name, Name>,
    decisions: Decisions,
    /// The inventory and the keybooks that all of this was folded by.
    inventory: Inventory,
    keybooks: Keybooks,
    /// What of it is not kept beside the ledger yet.
    pub(super) unkept: Unkept,
}

/// A record, and what of its station it was folded by.
#[derive(Debug, Clone)]
pub(super) struct Folded {
    number: Name,
    pub formerly: Vec<Name>,
    pub record: PackedRecord,
    /// Whether there are reports under a name of its own.
    pub is_own: bool,
    /// Whether the ledger has anything under a name of its own.
    pub has_own: bool,
}

/// What is on record under a name that no station goes by.
#[derive(Debug, Clone)]
pub(super) struct Left {
    pub gone: Gone,
    /// Whether a script was shown of which no report came.
    pub are_out: bool,
    /// The number that was last rung.
    pub number: Option<Name>,
}

impl Folded {
    /// `record` was folded with the station's keybook.
    pub fn new(station: &Station, record: PackedRecord, is_own: bool) -> Folded {
        let number = station.number.name().clone();
        Folded { number, formerly: station.formerly.clone(), record, is_own, has_own: is_own }
    }

    /// Whether the record is still that of the station.
    fn is_of(&self, station: &Station) -> bool {
        let keybook = self.record.keybook();
        let is_same_model = Arc::ptr_eq(keybook, &station.keybook) || *keybook == station.keybook;
        is_same_model && self.formerly == station.formerly && (self.is_own || self.number == *station.number.name())
    }
}

/// The entries of a whole ledger that cannot be folded before all of it is read.
#[derive(Default)]
struct Waiting<'i> {
    /// Stations by the names that they had before.
    former: BTreeMap<&'i Name, &'i Arc<Station>>,
    by_number: BTreeMap<&'i Name, &'i Name>,
    /// Of stations that had other names.
    several: BTreeMap<Name, StationEntries>,
    /// What was reported at the number of a station of another name.
    elsewhere: BTreeMap<Name, StationEntries>,
}

impl<'i> Waiting<'i> {
    fn new(inventory: &'i Inventory) -> Waiting<'i> {
        let stations = inventory.stations.values();
        let by_number = stations.map(|station| (station.number.name(), &station.name)).collect();
        Waiting { former: former(inventory), by_number, ..Waiting::default() }
    }

    fn is_elsewhere(&self, name: &Name, entries: &StationEntries) -> bool {
        entries.numbers().any(|number| self.by_number.get(number).is_some_and(|station| **station != *name))
    }
}

/// Stations by the names that they had before.
pub(super) fn former(inventory: &Inventory) -> BTreeMap<&Name, &Arc<Station>> {
    let renamed = inventory.stations.values().filter(|station| !station.formerly.is_empty());
    renamed.flat_map(|station| station.formerly.iter().map(move |name| (name, station))).collect()
}

impl Records {
    /// Folds the whole ledger, or what it says up to a time. `progress` hears how many entries were read.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn load(
        store: &Store,
        files: (&Inventory, &Keybooks),
        until: Option<Timestamp>,
        progress: impl FnMut(u64),
    ) -> Result<Records, FleetError> {
        let newest = store.head().await?.seq;
        Records::load_up_to(store, files, (until, newest), progress).await
    }

    /// Records of these files without anything from a ledger.
    pub(super) fn of_files(inventory: &Inventory, keybooks: &Keybooks) -> Records {
        Records { inventory: inventory.clone(), keybooks: keybooks.clone(), ..Records::default() }
    }

    /// The same with what it says up to a time, up to an entry.
    pub(super) async fn load_up_to(
        store: &Store,
        (inventory, keybooks): (&Inventory, &Keybooks),
        (until, newest): (Option<Timestamp>, i64),
        mut progress: impl FnMut(u64),
    ) -> Result<Records, FleetError> {
        let mut records = Records { seq: newest, ..Records::of_files(inventory, keybooks) };
        records.unkept.is_all = true;
        let (mut waiting, mut said) = (Waiting::new(inventory), Vec::new());
        // Station by station, so that no more of the ledger is held at a time than one station's part and a page.
        let (mut entries, mut at, mut read) = (StationEntries::default(), (String::new(), 0), 0);
        loop {
            let page = store.entries_by_station((&at.0, at.1), records.seq, PAGE).await?;
            let is_last = page.is_empty();
            read += page.len() as u64;
            for entry in page {
                if entry.station != at.0 {
                    records.take_in(&at.0, std::mem::take(&mut entries), inventory, &mut waiting);
                }
                said.extend(entries.add(&entry, until, store.key())?.map(|decision| (entry.seq, decision)));
                at = (entry.station, entry.seq);
            }
            progress(read);
            if is_last {
                break;
            }
        }
        records.take_in(&at.0, entries, inventory, &mut waiting);
        said.into_iter().for_each(|(seq, decision)| records.decisions.add(seq, decision));
        records.finish(inventory, waiting);
        Ok(records)
    }

    /// Records without a ledger: as if all that another inventory wants of its stations' lifelines were proven.
    pub fn as_if_proven(before: &Inventory, after: &Inventory) -> Records {
        let by_number: BTreeMap<&Name, &Arc<Station>> =
            before.stations.values().map(|station| (station.number.name(), station)).collect();
        let mut records = Records::default();
        let mut found: BTreeSet<&Name> = BTreeSet::new();
        for station in after.stations.values() {
            let mut names = std::iter::once(&station.name).chain(&station.formerly);
            let was = names.find_map(|name| before.stations.get(name)).or_else(|| {
                by_number.get(station.number.name()).copied().filter(|was| !after.stations.contains_key(&was.name))
            });
            found.extend(was.map(|was| &was.name));
            let mut record = Record::blank(&station.keybook);
            record.proven = was.map(|was| proven_as_wanted(was, station)).unwrap_or_default();
            records.insert(station, Folded::new(station, PackedRecord::new(&record, &station.keybook), true));
        }
        let gone = Left { gone: Gone { is_on_record: true, scripts: Vec::new() }, are_out: false, number: None };
        let names = before.stations.keys().filter(|name| !found.contains(name) && !after.stations.contains_key(*name));
        records.gone = names.map(|name| (name.clone(), gone.clone())).collect();
        records
    }

    /// Takes in all that the ledger has under one name.
    fn take_in(&mut self, name: &str, entries: StationEntries, inventory: &Inventory, waiting: &mut Waiting<'_>) {
        if entries.is_empty() {
            return;
        }
        let name = Name::from(name);
        self.lines.extend(entries.numbers().map(|number| (number.clone(), name.clone())));
        if waiting.is_elsewhere(&name, &entries) {
            waiting.elsewhere.insert(name.clone(), entries.clone());
        }
        let renamed = waiting.former.get(&name).map(|station| &station.name);
        let station = inventory.stations.get(&name);
        let several = renamed.or(station.filter(|station| !station.formerly.is_empty()).map(|station| &station.name));
        match (several, station) {
            (Some(station), _) => waiting.several.entry(station.clone()).or_default().append(entries),
            (None, Some(station)) => self.keep(station, &entries),
            (None, None) => self.set_gone(&name, &entries),
        }
    }

    fn keep(&mut self, station: &Arc<Station>, entries: &StationEntries) {
        let is_own = !entries.reports.is_empty();
        let record = PackedRecord::new(&entries.record(station), &station.keybook);
        let folded = Folded::new(station, record, is_own);
        self.insert(station, Folded { has_own: true, ..folded });
    }

    pub(super) fn insert(&mut self, station: &Station, folded: Folded) {
        let number = folded.number.clone();
        let is_own = folded.is_own;
        if let Some(before) = self.records.insert(station.name.clone(), folded)
            && self.unreported.get(&before.number) == Some(&station.name)
        {
            self.unreported.remove(&before.number);
        }
        if !is_own {
            self.unreported.insert(number, station.name.clone());
        }
    }

    fn set_gone(&mut self, name: &Name, entries: &StationEntries) {
        let scripts = entries.altering(&self.keybooks);
        let (gone, are_out) = (Gone { is_on_record: !entries.reports.is_empty(), scripts }, entries.are_out());
        match gone.is_on_record || are_out {
            true => self.gone.insert(name.clone(), Left { gone, are_out, number: entries.last_number() }),
            false => self.gone.remove(name),
        };
    }

    /// Folds what had to wait for the end of the ledger.
    fn finish(&mut self, inventory: &Inventory, waiting: Waiting<'_>) {
        for (name, entries) in &waiting.several {
            inventory.stations.get(name).into_iter().for_each(|station| self.keep(station, entries));
        }
        let mut blank: BTreeMap<&Name, PackedRecord> = BTreeMap::new();
        for station in inventory.stations.values() {
            let own = self.records.get(&station.name);
            if own.is_some_and(|own| own.is_own) {
                continue;
            }
            let others = self.reported_at(station.number.name());
            let others = others.filter_map(|name| Some((name, waiting.elsewhere.get(name)?))).collect::<Vec<_>>();
            let has_own = own.is_some();
            let record = match own {
                None if others.is_empty() => {
                    // Stations that nobody has reported on share one record a model.
                    let blank = blank.entry(&station.keybook.model);
                    blank.or_insert_with(|| PackedRecord::blank(&station.keybook)).clone()
                }
                own => {
                    let own = own.map(|own| own.record.record());
                    let own = own.unwrap_or_else(|| Record::blank(&station.keybook));
                    PackedRecord::new(&self.by_number(station, own, &others), &station.keybook)
                }
            };
            self.insert(station, Folded { has_own, ..Folded::new(station, record, false) });
        }
    }

    /// The names under which someone reported at a number.
    pub(super) fn reported_at<'r>(&'r self, number: &'r Name) -> impl Iterator<Item = &'r Name> {
        let first = (number.clone(), Name::from(""));
        self.lines.range(first..).take_while(move |(other, _)| other == number).map(|(_, name)| name)
    }

    /// A record without reports of its own, with what was proved at its number under other names; scripts that were shown
    /// under a name that no station goes by any longer are its own.
    fn by_number(&self, station: &Station, own: Record, others: &[(&Name, &StationEntries)]) -> Record {
        let mut record = own;
        let mut all = StationEntries::default();
        for (name, entries) in others {
            all.append(entries.at_number(station.number.name()));
            if self.gone.contains_key(*name) {
                record.handed_out.extend(entries.record(station).handed_out);
            }
        }
        let there = all.record(station);
        record.proven = there.proven;
        record.number = there.number;
        record
    }

    /// Takes in what the ledger has gained, and what a changed inventory makes of it.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn keep_up(&mut self, store: &Store, files: (&Inventory, &Keybooks)) -> Result<(), FleetError> {
        self.take_news(store, files, BTreeSet::new()).await
    }

    /// The same; these names are folded anew, too.
    pub(super) async fn take_news(
        &mut self,
        store: &Store,
        (inventory, keybooks): (&Inventory, &Keybooks),
        mut touched: BTreeSet<Name>,
    ) -> Result<(), FleetError> {
        let (seq, new, said) = news(store, self.seq).await?;
        self.unkept.names.extend(new.iter().chain(&touched).cloned());
        touched.extend(new);
        if self.keybooks != *keybooks {
            self.keybooks = keybooks.clone();
            touched.extend(self.gone.iter().filter(|(_, left)| left.are_out).map(|(name, _)| name.clone()));
        }
        touched.extend(self.outdated(inventory));
        touched.iter().filter(|name| !inventory.stations.contains_key(*name)).for_each(|name| self.forget(name));
        let (stations, gone) = self.to_fold(inventory, touched);
        if stations.len() + gone.len() > ONE_BY_ONE {
            // It reads on to what was written meanwhile, about stations that are not among these.
            *self = Records::load(store, (inventory, keybooks), None, |_| {}).await?;
            return Ok(());
        }
        // Those that are gone first: a station may take over what is on record under their names.
        let mut again = BTreeSet::new();
        for name in &gone {
            let entries = entries_under(store, [name]).await?;
            self.set_gone(name, &entries);
            again.extend(self.note_lines(name, &entries));
        }
        for name in &stations {
            again.extend(self.fold_one(store, inventory, name).await?);
        }
        for name in &again {
            self.fold_one(store, inventory, name).await?;
        }
        self.unkept.names.extend(stations.into_iter().chain(gone).chain(again));
        // Only now: a fold that failed must be made again.
        said.into_iter().for_each(|(seq, decision)| self.decisions.add(seq, decision));
        self.seq = seq;
        self.inventory = inventory.clone();
        Ok(())
    }

    /// Takes up what people decided up to an entry, to which all else goes.
    pub(super) async fn remember(&mut self, store: &Store, seq: i64) -> Result<(), FleetError> {
        for entry in store.decisions(seq).await? {
            decision(&entry)?.into_iter().for_each(|decision| self.decisions.add(entry.seq, decision));
        }
        self.seq = seq;
        Ok(())
    }

    /// The names that entries after one are about, and the stations that they are folded into.
    pub(super) async fn touched_since(&self, store: &Store, after: i64) -> Result<BTreeSet<Name>, FleetError> {
        let (_, mut names, _) = news(store, after.min(self.seq)).await?;
        let (stations, _) = self.to_fold(&self.inventory, names.clone());
        names.extend(stations);
        Ok(names)
    }

    /// Names whose records are not those of the inventory's stations any longer, or are those of none.
    fn outdated(&self, inventory: &Inventory) -> BTreeSet<Name> {
        let is_outdated = |name: &Name| match (self.records.get(name), inventory.stations.get(name)) {
            (Some(folded), Some(station)) => !folded.is_of(station),
            (None, Some(_)) | (Some(_), None) => true,
            (None, None) => false,
        };
        let names_of = |name: Name| {
            let was = self.records.get(&name).map(|folded| folded.formerly.clone()).unwrap_or_default();
            let is = inventory.stations.get(&name).map(|station| station.formerly.clone()).unwrap_or_default();
            [name].into_iter().chain(was).chain(is)
        };
        inventory.differing(&self.inventory).into_iter().filter(is_outdated).flat_map(names_of).collect()
    }

    /// The stations that must be folded anew where these names are touched, and the names that no station goes by.
    fn to_fold(&self, inventory: &Inventory, touched: BTreeSet<Name>) -> (BTreeSet<Name>, BTreeSet<Name>) {
        let former = former(inventory);
        let (mut stations, mut gone) = (BTreeSet::new(), BTreeSet::new());
        for name in touched {
            match (inventory.stations.get(&name), former.get(&name).copied()) {
                (Some(station), _) | (None, Some(station)) => stations.insert(station.name.clone()),
                (None, None) => gone.insert(name),
            };
        }
        (stations, gone)
    }

    fn forget(&mut self, name: &Name) {
        if let Some(before) = self.records.remove(name)
            && self.unreported.get(&before.number) == Some(name)
        {
            self.unreported.remove(&before.number);
        }
    }

    /// Notes at which numbers a name was reported on; the unreported stations that have one of them.
    fn note_lines(&mut self, name: &Name, entries: &StationEntries) -> Vec<Name> {
        self.lines.extend(entries.numbers().map(|number| (number.clone(), name.clone())));
        let there = entries.numbers().filter_map(|number| self.unreported.get(number));
        there.filter(|station| *station != name).cloned().collect()
    }

    /// Folds one station; those that nobody reported on and that have a number at which this one was.
    async fn fold_one(&mut self, store: &Store, inventory: &Inventory, name: &Name) -> Result<Vec<Name>, FleetError> {
        let Some(station) = inventory.stations.get(name) else { return Ok(Vec::new()) };
        let names = || std::iter::once(name).chain(&station.formerly);
        let mut again = Vec::new();
        let mut entries = StationEntries::default();
        for name in names() {
            self.gone.remove(name);
            let under = entries_under(store, [name]).await?;
            again.extend(self.note_lines(name, &under));
            entries.append(under);
        }
        if !entries.reports.is_empty() {
            self.keep(station, &entries);
            return Ok(again);
        }
        let others: Vec<Name> = self.reported_at(station.number.name()).cloned().collect();
        let mut found = Vec::new();
        for name in &others {
            found.push((name, entries_under(store, [name]).await?));
        }
        let found: Vec<_> = found.iter().map(|(name, entries)| (*name, entries)).collect();
        let record = self.by_number(station, entries.record(station), &found);
        let record = PackedRecord::new(&record, &station.keybook);
        let folded = Folded::new(station, record, false);
        self.insert(station, Folded { has_own: !entries.is_empty(), ..folded });
        Ok(again)
    }

    /// The last entry of the ledger that is folded in.
    pub fn seq(&self) -> i64 {
        self.seq
    }

    /// What people said beside their reports.
    pub fn decisions(&self) -> &Decisions {
        &self.decisions
    }

    /// What the reports prove about a station.
    pub fn of(&self, station: &Station) -> PackedRecord {
        let folded = self.records.get(&station.name).map(|folded| folded.record.clone());
        folded.unwrap_or_else(|| PackedRecord::blank(&station.keybook))
    }

    /// The records of all stations that it knows, by name.
    pub fn by_name(&self) -> impl Iterator<Item = (&Name, &PackedRecord)> {
        self.records.iter().map(|(name, folded)| (name, &folded.record))
    }

    /// What is on record under names that no station goes by, by its name or its number.
    pub fn gone(&self) -> BTreeMap<Name, Gone> {
        let is_here = |left: &Left| left.number.as_ref().is_some_and(|number| self.unreported.contains_key(number));
        let counts =
            |script: &GoneScript| script.number.as_ref().is_none_or(|at| self.reported_at(at).next().is_some());
        let gone = self.gone.iter().filter(|(_, left)| !is_here(left)).map(|(name, left)| {
            let scripts = left.gone.scripts.iter().filter(|script| counts(script)).cloned().collect();
            (name.clone(), Gone { is_on_record: left.gone.is_on_record, scripts })
        });
        gone.filter(|(_, gone)| gone.is_on_record || !gone.scripts.is_empty()).collect()
    }
}

/// What was wanted of a station's lifelines, as proven, by the keybook that it has now.
fn proven_as_wanted(was: &Station, is: &Station) -> Vec<Proven> {
    let ids = was.keybook.ids().filter(|id| was.is_lifeline(*id));
    let proven = ids.filter_map(|id| {
        let (name, wanted) = (&was.keybook.setting(id).name, was.wanted(id)?);
        let now = is.keybook.id(name).map(|id| (&is.keybook.setting(id).kind, is.is_lifeline(id)));
        let value = now.and_then(|(kind, _)| effect_value(kind, &effect(&wanted.value)));
        let is_lifeline = now.is_none_or(|(_, is_lifeline)| is_lifeline);
        let mut proven = Proven::new(name.clone(), value, Timestamp::UNIX_EPOCH);
        proven.is_tested = true;
        is_lifeline.then_some(proven)
    });
    proven.collect()
}

/// The number of the newest entry, the names that entries after another are about, and what was said in them.
async fn news(store: &Store, after: i64) -> Result<(i64, BTreeSet<Name>, Vec<(i64, Decision)>), FleetError> {
    let (mut seq, mut touched, mut said) = (after, BTreeSet::new(), Vec::new());
    loop {
        let page = store.entries_after(seq, PAGE).await?;
        let Some(last) = page.last() else { return Ok((seq, touched, said)) };
        seq = last.seq;
        for entry in &page {
            match entry.kind {
                EntryKind::Report | EntryKind::Script | EntryKind::Shown | EntryKind::Begun => {
                    touched.insert(Name::from(entry.station.as_str()));
                }
                EntryKind::Aside | EntryKind::Release | EntryKind::Take | EntryKind::End => {
                    said.extend(decision(entry)?.map(|decision| (entry.seq, decision)));
                }
            }
        }
    }
}

/// All that the ledger has under some names.
pub(super) async fn entries_under<'n>(
    store: &Store,
    names: impl IntoIterator<Item = &'n Name>,
) -> Result<StationEntries, FleetError> {
    let mut entries = StationEntries::default();
    for name in names {
        for entry in store.entries_of(name).await? {
            entries.add(&entry, None, store.key())?;
        }
    }
    Ok(entries)
}

#[cfg(test)]
#[path = "records_tests.rs"]
mod tests;
