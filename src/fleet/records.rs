//! The confirmed record of every station, folded from the ledger and kept up with it.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use jiff::Timestamp;

use super::error::FleetError;
use crate::inventory::{Inventory, Station};
use crate::keybook::Keybook;
use crate::ledger::{Decision, Decisions, Digest, Issued, Line, Record, Report, fold, parse_line};
use crate::setting::Name;
use crate::store::{Entry, EntryKind, Store};

const PAGE: i64 = 5_000;

/// Up to so many touched stations are folded anew one by one; more are folded in one walk of the ledger.
const ONE_BY_ONE: usize = 500;

/// Records by station, as of one entry of the ledger.
#[derive(Debug, Clone, Default)]
pub struct Records {
    seq: i64,
    /// Every station of the inventory, with the keybook its reports were read by.
    records: BTreeMap<Name, (Arc<Keybook>, Arc<Record>)>,
    decisions: Decisions,
}

/// What the ledger holds of a station.
#[derive(Debug, Default)]
struct StationEntries {
    reports: HashMap<Name, Vec<Report>>,
    scripts: HashMap<Digest, Issued>,
    /// What people said beside their reports, with the numbers of the entries.
    said: Vec<(i64, Decision)>,
}

impl StationEntries {
    fn add(&mut self, entry: &Entry, until: Option<Timestamp>) -> Result<(), FleetError> {
        match parse_line(&entry.body).map_err(|source| FleetError::Entry { seq: entry.seq, source })? {
            Line::Report(report) if until.is_some_and(|until| report.at > until) => {}
            Line::Report(report) => self.reports.entry(report.station.clone()).or_default().push(*report),
            Line::Script(issued) => {
                self.scripts.insert(issued.digest.clone(), *issued);
            }
            Line::Decision(decision) if until.is_some_and(|until| decision.said().at > until) => {}
            Line::Decision(decision) => self.said.push((entry.seq, *decision)),
        }
        Ok(())
    }

    fn record(&self, station: &Station) -> Record {
        let reports = self.reports.get(&station.name).map_or(&[][..], |reports| reports);
        fold(&station.keybook, reports, |digest| self.scripts.get(digest))
    }
}

fn decision(entry: &Entry) -> Result<Option<Decision>, FleetError> {
    match parse_line(&entry.body).map_err(|source| FleetError::Entry { seq: entry.seq, source })? {
        Line::Decision(decision) => Ok(Some(*decision)),
        Line::Report(_) | Line::Script(_) => Ok(None),
    }
}

impl Records {
    /// Folds the whole ledger, or what it says up to a time. `progress` hears how many entries were read.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn load(
        store: &Store,
        inventory: &Inventory,
        until: Option<Timestamp>,
        mut progress: impl FnMut(u64),
    ) -> Result<Records, FleetError> {
        let mut records = Records { seq: store.head().await?.seq, ..Records::default() };
        // Station by station, so that no more of the ledger is held at a time than one station's part and a page.
        let (mut entries, mut at, mut read) = (StationEntries::default(), (String::new(), 0), 0);
        loop {
            let page = store.entries_by_station((&at.0, at.1), records.seq, PAGE).await?;
            let is_last = page.is_empty();
            read += page.len() as u64;
            for entry in page {
                if entry.station != at.0 {
                    records.bind(&mut entries, inventory.stations.get(at.0.as_str()));
                }
                entries.add(&entry, until)?;
                at = (entry.station, entry.seq);
            }
            progress(read);
            if is_last {
                break;
            }
        }
        records.bind(&mut entries, inventory.stations.get(at.0.as_str()));
        entries.said.sort_by_key(|(seq, _)| *seq);
        entries.said.into_iter().for_each(|(seq, decision)| records.decisions.add(seq, decision));
        let mut blank: BTreeMap<&Name, Arc<Record>> = BTreeMap::new();
        for station in inventory.stations.values() {
            let entry = records.records.entry(station.name.clone());
            entry.or_insert_with(|| {
                // Stations that nobody has reported on share one record a model.
                let model = &station.keybook.model;
                let record = blank.entry(model).or_insert_with(|| Arc::new(Record::blank(&station.keybook)));
                (station.keybook.clone(), record.clone())
            });
        }
        Ok(records)
    }

    /// Folds what was collected of a station, and begins anew.
    fn bind(&mut self, entries: &mut StationEntries, station: Option<&Arc<Station>>) {
        if let Some(station) = station.filter(|station| entries.reports.contains_key(&station.name)) {
            let record = Arc::new(entries.record(station));
            self.records.insert(station.name.clone(), (station.keybook.clone(), record));
        }
        entries.reports.clear();
        entries.scripts.clear();
    }

    /// Takes in what the ledger has gained, and what a changed inventory makes of it: of these stations (those that are
    /// gone among them), or of all of them. Returns the stations touched, or nothing where all were folded.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn keep_up(
        &mut self,
        store: &Store,
        inventory: &Inventory,
        changed: Option<&BTreeSet<Name>>,
    ) -> Result<Option<BTreeSet<Name>>, FleetError> {
        let mut touched: BTreeSet<Name> = BTreeSet::new();
        let mut seq = self.seq;
        let mut said: Vec<(i64, Decision)> = Vec::new();
        loop {
            let page = store.entries_after(seq, PAGE).await?;
            let Some(last) = page.last() else { break };
            seq = last.seq;
            for entry in &page {
                match entry.kind {
                    EntryKind::Report | EntryKind::Script => {
                        touched.insert(Name::from(entry.station.as_str()));
                    }
                    EntryKind::Aside | EntryKind::Release | EntryKind::Take | EntryKind::End => {
                        said.extend(decision(entry)?.map(|decision| (entry.seq, decision)));
                    }
                }
            }
        }
        let other_keybook = |station: &&Arc<Station>| match self.records.get(&station.name) {
            Some((keybook, _)) => !Arc::ptr_eq(keybook, &station.keybook) && *keybook != station.keybook,
            None => true,
        };
        match changed {
            None => {
                touched.extend(inventory.stations.values().filter(other_keybook).map(|station| station.name.clone()))
            }
            Some(changed) => {
                let there = changed.iter().filter_map(|name| inventory.stations.get(name));
                touched.extend(there.filter(other_keybook).map(|station| station.name.clone()));
            }
        }
        if touched.len() > ONE_BY_ONE {
            // It reads on to what was written meanwhile, about stations that are not among these.
            *self = Records::load(store, inventory, None, |_| {}).await?;
            return Ok(None);
        }
        for name in &touched {
            let Some(station) = inventory.stations.get(name) else { continue };
            let mut entries = StationEntries::default();
            for entry in store.entries_of(name).await? {
                entries.add(&entry, None)?;
            }
            let record = Arc::new(entries.record(station));
            self.records.insert(name.clone(), (station.keybook.clone(), record));
        }
        match changed {
            None => self.records.retain(|name, _| inventory.stations.contains_key(name)),
            Some(changed) => changed.iter().filter(|name| !inventory.stations.contains_key(*name)).for_each(|gone| {
                self.records.remove(gone);
            }),
        }
        // Only now: a fold that failed must be made again.
        said.into_iter().for_each(|(seq, decision)| self.decisions.add(seq, decision));
        self.seq = seq;
        Ok(Some(touched))
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
        let folded = self.records.get(&station.name).map(|(_, record)| record.clone());
        folded.unwrap_or_else(|| Arc::new(Record::blank(&station.keybook)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
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

    /// The whole is read up to its own end of the ledger, which may lie beyond what was seen to be touched.
    #[tokio::test]
    async fn only_where_stations_were_folded_one_by_one_is_it_said_which() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
        let mut records = Records::load(&store, &Inventory::default(), None, |_| {}).await.unwrap();
        let few: Vec<NewEntry> = (0..ONE_BY_ONE).map(report).collect();
        store.append(&few).await.unwrap();
        let touched = records.keep_up(&store, &Inventory::default(), None).await.unwrap();
        assert_eq!(touched.map(|touched| touched.len()), Some(ONE_BY_ONE));
        let many: Vec<NewEntry> = (ONE_BY_ONE..=2 * ONE_BY_ONE).map(report).collect();
        store.append(&many).await.unwrap();
        assert_eq!(records.keep_up(&store, &Inventory::default(), None).await.unwrap(), None);
        assert_eq!(records.seq(), 2 * ONE_BY_ONE as i64 + 1);
    }
}
