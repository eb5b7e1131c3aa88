//! The confirmed record of every station, folded from the ledger and kept up with it.
//!
//! What is on record under a name that a station had before is the station's own. Of one that nobody reported on under any of
//! its names, what was proved is taken from the reports that were kept with its number.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;

use super::entries::{StationEntries, decision};
use super::error::FleetError;
use crate::brake::{Gone, GoneScript};
use crate::inventory::{Inventory, Keybooks, Station};
use crate::keybook::Keybook;
use crate::ledger::{Decision, Decisions, Proven, Record, effect, effect_value};
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
    records: BTreeMap<Name, Folded>,
    /// What is on record under names that no station goes by.
    gone: BTreeMap<Name, Left>,
    /// At which number a station was reported on, under which name.
    lines: BTreeSet<(Name, Name)>,
    /// Stations that nobody reported on under a name of theirs, by their number.
    unreported: BTreeMap<Name, Name>,
    decisions: Decisions,
    /// The inventory and the keybooks that all of this was folded by.
    inventory: Inventory,
    keybooks: Keybooks,
}

/// A record, and what of its station it was folded by.
#[derive(Debug, Clone)]
struct Folded {
    keybook: Arc<Keybook>,
    number: Name,
    formerly: Vec<Name>,
    record: Arc<Record>,
    /// Whether there are reports under a name of its own.
    is_own: bool,
}

/// What is on record under a name that no station goes by.
#[derive(Debug, Clone)]
struct Left {
    gone: Gone,
    /// Whether a script was shown of which no report came.
    are_out: bool,
    /// The number that was last rung.
    number: Option<Name>,
}

impl Folded {
    fn new(station: &Station, record: Arc<Record>, is_own: bool) -> Folded {
        let number = station.number.name().clone();
        Folded { keybook: station.keybook.clone(), number, formerly: station.formerly.clone(), record, is_own }
    }

    /// Whether the record is still that of the station.
    fn is_of(&self, station: &Station) -> bool {
        let is_same_model = Arc::ptr_eq(&self.keybook, &station.keybook) || self.keybook == station.keybook;
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

fn former(inventory: &Inventory) -> BTreeMap<&Name, &Arc<Station>> {
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
        (inventory, keybooks): (&Inventory, &Keybooks),
        until: Option<Timestamp>,
        mut progress: impl FnMut(u64),
    ) -> Result<Records, FleetError> {
        let (seq, keybooks) = (store.head().await?.seq, keybooks.clone());
        let mut records = Records { seq, inventory: inventory.clone(), keybooks, ..Records::default() };
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
            records.insert(station, Folded::new(station, Arc::new(record), true));
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
        let folded = Folded::new(station, Arc::new(entries.record(station)), is_own);
        self.insert(station, folded);
    }

    fn insert(&mut self, station: &Station, folded: Folded) {
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
        let mut blank: BTreeMap<&Name, Arc<Record>> = BTreeMap::new();
        for station in inventory.stations.values() {
            let own = self.records.get(&station.name);
            if own.is_some_and(|own| own.is_own) {
                continue;
            }
            let others = self.reported_at(station.number.name());
            let others = others.filter_map(|name| Some((name, waiting.elsewhere.get(name)?))).collect::<Vec<_>>();
            let record = match own {
                None if others.is_empty() => {
                    // Stations that nobody has reported on share one record a model.
                    let blank = blank.entry(&station.keybook.model);
                    blank.or_insert_with(|| Arc::new(Record::blank(&station.keybook))).clone()
                }
                own => {
                    let own = own.map(|own| &*own.record).cloned();
                    let own = own.unwrap_or_else(|| Record::blank(&station.keybook));
                    Arc::new(self.by_number(station, own, &others))
                }
            };
            self.insert(station, Folded::new(station, record, false));
        }
    }

    /// The names under which somebody reported at a number.
    fn reported_at<'r>(&'r self, number: &'r Name) -> impl Iterator<Item = &'r Name> {
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
    pub async fn keep_up(
        &mut self,
        store: &Store,
        (inventory, keybooks): (&Inventory, &Keybooks),
    ) -> Result<(), FleetError> {
        let (seq, mut touched, said) = news(store, self.seq).await?;
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
        // Only now: a fold that failed must be made again.
        said.into_iter().for_each(|(seq, decision)| self.decisions.add(seq, decision));
        self.seq = seq;
        self.inventory = inventory.clone();
        Ok(())
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
        self.insert(station, Folded::new(station, Arc::new(record), false));
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
    pub fn of(&self, station: &Station) -> Arc<Record> {
        let folded = self.records.get(&station.name).map(|folded| folded.record.clone());
        folded.unwrap_or_else(|| Arc::new(Record::blank(&station.keybook)))
    }

    /// The records of all stations that it knows, by name.
    pub fn by_name(&self) -> impl Iterator<Item = (&Name, &Arc<Record>)> {
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
        is_lifeline.then(|| Proven::new(name.clone(), value, Timestamp::UNIX_EPOCH))
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
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::brake::sample::{Book, How, SIZE, Spec, World, fleet_of};
    use crate::fleet::issue::{script_entry, shown_entry};
    use crate::fleet::judged;
    use crate::ledger::{LedgerLine, Opened, line_of};
    use crate::store::NewEntry;

    fn report(nth: usize) -> NewEntry {
        let (id, station) = (format!("019a6c1e-8f00-7000-8000-{nth:012}"), format!("S-{nth}"));
        let body =
            format!(r#"{{"report":1,"id":"{id}","station":"{station}","at":"2026-11-20T10:14:00Z","by":"tech-07"}}"#);
        NewEntry {
            kind: EntryKind::Report,
            id,
            station,
            at_ms: 1_763_633_640_000,
            recorded_ms: 1_763_633_650_000,
            body,
        }
    }

    /// How much of a world is in the ledger: reports, showings, visits.
    type Written = (usize, usize, usize);

    async fn append(store: &Store, world: &World, from: Written) -> Written {
        let (mut entries, now) = (Vec::new(), world.clock());
        let entry = |kind, id: String, station: &Name, at: Timestamp, line: LedgerLine| NewEntry {
            kind,
            id,
            station: station.to_string(),
            at_ms: at.as_millisecond(),
            recorded_ms: now.as_millisecond(),
            body: line_of(&line),
        };
        for report in &world.reports[from.0..] {
            let line = LedgerLine::Report(Box::new(report.clone()));
            entries.push(entry(EntryKind::Report, report.id.to_string(), &report.station, report.at, line));
        }
        for shown in &world.shown[from.1..] {
            let script = &world.scripts[&shown.script];
            entries.push(script_entry(script, script.digest.to_string(), store.key(), now));
            entries.push(shown_entry(shown, now));
        }
        for visit in &world.visits[from.2..] {
            let line = LedgerLine::Begun(Box::new(visit.clone()));
            entries.push(entry(EntryKind::Begun, visit.id.to_string(), &visit.station, visit.at, line));
        }
        store.append(&entries).await.unwrap();
        (world.reports.len(), world.shown.len(), world.visits.len())
    }

    /// Whether records say what their definition says.
    fn check(records: &Records, world: &World) -> Result<(), TestCaseError> {
        let inventory = world.inventory();
        for station in inventory.stations.values() {
            let (mut is, mut should) = ((*records.of(station)).clone(), world.record(&inventory, station));
            for record in [&mut is, &mut should] {
                record.handed_out.sort_by(|a, b| (a.at, &a.script).cmp(&(b.at, &b.script)));
            }
            prop_assert_eq!(is, should, "{}", station.name);
        }
        prop_assert_eq!(records.gone(), world.gone(&inventory));
        let limit = world.limit();
        prop_assert_eq!(judged(&inventory, records, &limit, world.clock()), world.judged());
        Ok(())
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

        #[test]
        fn records_kept_up_are_those_of_a_ledger_read_anew_whatever_is_renamed_and_renumbered(
            plan in prop::collection::vec((0usize..6, 0u8..18), 1..18),
            cuts in prop::collection::vec(any::<bool>(), 18),
        ) {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let folder = tempfile::tempdir().unwrap();
                let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
                // Without a key no code of a script could be read.
                let store = store.bound("k").await.unwrap();
                let mut world = World::unreported(fleet_of(6));
                let mut records = Records::load(&store, (&world.inventory(), &world.keybooks()), None, |_| {}).await.unwrap();
                let (mut written, mut taken) = ((0, 0, 0), BTreeSet::new());
                for (at, ((nth, how), cut)) in plan.iter().zip(cuts).enumerate() {
                    let nth = *nth % world.specs.len();
                    let spec = &mut world.specs[nth];
                    match how {
                        0 => world.confirm(nth),
                        1 => world.key(nth),
                        2 => drop(world.show(nth)),
                        3 => spec.name = format!("R{at}"),
                        4 => {
                            spec.formerly = vec![spec.name.clone()];
                            spec.name = format!("F{at}");
                        }
                        5 => spec.number = 40 + at,
                        6 => (spec.name, spec.number) = (format!("B{at}"), 70 + at),
                        7 => spec.model = "wren-1",
                        11 => world.book = if world.book == Book::Whole { Book::NoWeight } else { Book::Whole },
                        12 => world.correct(nth),
                        13..=16 if world.has_script(nth) || world.show(nth) => match how {
                            13 => {
                                let heard = [Opened::Accepted, Opened::Refused, Opened::Nothing];
                                world.try_codes(nth, [heard[at % 3], heard[at / 3 % 3]]);
                            }
                            14 => {
                                // The report of the visit that was last begun.
                                world.skip(nth);
                                let last = world.visits.last().map(|visit| visit.id).filter(|id| !taken.contains(id));
                                taken.extend(last);
                                let own = world.reports.last_mut().unwrap();
                                own.id = last.unwrap_or(own.id);
                            }
                            _ => world.begin(nth),
                        },
                        8 if world.specs.len() > 1 => drop(world.specs.remove(nth)),
                        9 | 10 => {
                            // Brought in late: it is kept with a number that is another station's by now.
                            let number = world.inventory().stations.values().last().unwrap().number.name().clone();
                            world.confirm(nth);
                            world.reports.iter_mut().rev().take(2).for_each(|one| one.number = Some(number.clone()));
                        }
                        _ => {
                            let number = world.specs[nth].number;
                            world.specs[nth].number = 90 + at;
                            let new = Spec { name: format!("N{at}"), number, ..fleet_of(1)[0].clone() };
                            world.specs.push(new);
                        }
                    }
                    if cut {
                        written = append(&store, &world, written).await;
                        records.keep_up(&store, (&world.inventory(), &world.keybooks())).await.unwrap();
                        check(&records, &world)?;
                    }
                }
                append(&store, &world, written).await;
                records.keep_up(&store, (&world.inventory(), &world.keybooks())).await.unwrap();
                check(&records, &world)?;
                let anew = Records::load(&store, (&world.inventory(), &world.keybooks()), None, |_| {}).await.unwrap();
                check(&anew, &world)
            })?;
        }

        #[test]
        fn without_a_ledger_an_edit_is_judged_as_if_all_that_was_wanted_were_proven(
            plan in prop::collection::vec((0usize..SIZE, 0u8..6), 0..40),
            help in any::<bool>(),
        ) {
            let mut world = World::new();
            let before = world.inventory();
            for (nth, how) in plan {
                let spec = &mut world.specs[nth];
                match how {
                    0 => (spec.calls, spec.how) = ("desk", How::Station),
                    1 => spec.site = "mole",
                    2 => spec.how = How::Unmanaged,
                    3 => spec.name = format!("N-{nth:02}"),
                    4 => spec.number = 40 + nth,
                    _ => (spec.name, spec.number) = (format!("N-{nth:02}"), 40 + nth),
                }
            }
            world.help = if help { "+441632960109" } else { world.help };
            let after = world.inventory();
            let records = Records::as_if_proven(&before, &after);
            let foreseen = judged(&after, &records, &world.limit(), Timestamp::UNIX_EPOCH);
            prop_assert_eq!(foreseen, world.judged());
        }
    }

    #[tokio::test]
    async fn few_stations_are_folded_one_by_one_and_many_in_one_walk_to_the_end_of_the_ledger() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
        let mut records = Records::load(&store, (&Inventory::default(), &Keybooks::new()), None, |_| {}).await.unwrap();
        for reports in [0..ONE_BY_ONE, ONE_BY_ONE..2 * ONE_BY_ONE + 1] {
            let end = reports.end;
            let entries: Vec<NewEntry> = reports.map(report).collect();
            store.append(&entries).await.unwrap();
            records.keep_up(&store, (&Inventory::default(), &Keybooks::new())).await.unwrap();
            assert_eq!((records.seq(), records.gone().len()), (end as i64, end));
        }
    }

    /// The ledger is read by station: what people said counts by its time and id, in whatever order it is read.
    #[tokio::test]
    async fn decisions_count_by_their_time_and_id_in_whatever_order_the_ledger_is_read() {
        use crate::ledger::{Aside, End, Release, Said, Target};
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
        let now: Timestamp = "2026-11-25T12:00:00Z".parse().unwrap();
        let mut kept = Records::load(&store, (&Inventory::default(), &Keybooks::new()), None, |_| {}).await.unwrap();
        let said = |nth| Said { id: uuid::Uuid::from_u128(nth), at: now, by: "ops-2".into(), why: Some("x".into()) };
        let aside = |nth, station: &str| {
            let (target, until) = (Target::Station(station.into()), now + jiff::SignedDuration::from_hours(24));
            Decision::Aside(Aside { said: said(nth), target, setting: None, until, out_of_service: true })
        };
        let release = |nth| {
            let stations = [(Name::from("S-1"), Arc::default())].into();
            Decision::Release(Release { said: said(nth), change: "0123456789abcdef".parse().unwrap(), stations })
        };
        let end = |nth, ends| Decision::End(End { said: said(nth), ends: uuid::Uuid::from_u128(ends) });
        for decision in [aside(9, "S-9"), release(8), end(7, 9), release(6), aside(5, "S-1")] {
            crate::fleet::say(&store, &decision, now).await.unwrap();
        }
        kept.keep_up(&store, (&Inventory::default(), &Keybooks::new())).await.unwrap();
        let anew = Records::load(&store, (&Inventory::default(), &Keybooks::new()), None, |_| {}).await.unwrap();
        for records in [&kept, &anew] {
            let last = records.decisions().release_of([&Name::from("S-1")]).map(|release| release.said.id);
            assert_eq!(last, Some(uuid::Uuid::from_u128(8)));
            assert_eq!(records.decisions().released(&"0123456789abcdef".parse().unwrap()), Some(4));
        }
        assert_eq!(format!("{:?}", kept.decisions()), format!("{:?}", anew.decisions()));
    }

    #[tokio::test]
    async fn what_a_card_of_a_station_that_left_leads_to_follows_the_keybooks() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
        let mut world = World::unreported(fleet_of(2));
        world.confirm(0);
        (world.specs[0].calls, world.specs[0].how) = ("desk", How::Station);
        assert!(world.show(0));
        world.specs.remove(0);
        append(&store, &world, (0, 0, 0)).await;
        let mut records = Records::load(&store, (&world.inventory(), &world.keybooks()), None, |_| {}).await.unwrap();
        // By a keybook that has no such setting the card keys nothing but the kind of line, which is proven.
        for (book, is_altering) in [(Book::Whole, true), (Book::Renamed, false), (Book::Whole, true)] {
            world.book = book;
            records.keep_up(&store, (&world.inventory(), &world.keybooks())).await.unwrap();
            assert_eq!(!records.gone()["S-00"].scripts.is_empty(), is_altering, "{book:?}");
            check(&records, &world).unwrap();
        }
    }
}
