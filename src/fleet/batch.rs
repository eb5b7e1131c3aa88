//! The ledger as one batch of reports and scripts sees it: what is on record, and what those before it in the batch add.
//! It writes all of them in one transaction, or none; it never judges them.

use std::collections::{BTreeMap, HashMap};

use uuid::Uuid;

use super::error::FleetError;
use crate::ledger::{LedgerLine, Report, parse_line};
use crate::setting::Name;
use crate::store::{Appended, DroppedOutcome, EntryKind, NewEntry, NewRejected, Store};

/// A batch under way.
pub(super) struct Batch<'s> {
    store: &'s Store,
    /// Bodies by kind and id, as far as they were asked for; none where nothing is on record.
    known: BTreeMap<(EntryKind, String), Option<String>>,
    /// By station, as far as it was asked about: the reports that others correct, each with the first that corrects it.
    corrections: HashMap<Name, HashMap<Uuid, Uuid>>,
    new: Vec<NewEntry>,
    written: Vec<Appended>,
}

impl<'s> Batch<'s> {
    pub fn new(store: &'s Store) -> Batch<'s> {
        Batch { store, known: BTreeMap::new(), corrections: HashMap::new(), new: Vec::new(), written: Vec::new() }
    }

    /// Asks for many at once, so that asking for one of them later costs nothing.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn look_up(&mut self, kind: EntryKind, ids: Vec<String>) -> Result<(), FleetError> {
        let ids: Vec<String> = ids.into_iter().filter(|id| !self.known.contains_key(&(kind, id.clone()))).collect();
        let found = self.store.entries_named(kind, &ids).await?;
        self.known.extend(ids.into_iter().map(|id| ((kind, id), None)));
        self.known.extend(found.into_iter().map(|entry| ((kind, entry.id), Some(entry.body))));
        Ok(())
    }

    /// The body on record under an id.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn body(&mut self, kind: EntryKind, id: &str) -> Result<Option<String>, FleetError> {
        if let Some(body) = self.known.get(&(kind, id.to_owned())) {
            return Ok(body.clone());
        }
        let body = self.store.entry(kind, id).await?.map(|entry| entry.body);
        self.known.insert((kind, id.to_owned()), body.clone());
        Ok(body)
    }

    /// The report that corrects another of a station. The ledger is read once a station, however many are asked about.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn correction_of(&mut self, station: &Name, report: Uuid) -> Result<Option<Uuid>, FleetError> {
        if !self.corrections.contains_key(station) {
            let on_record = self.store.entries_of(station).await?.into_iter().map(|entry| (entry.kind, entry.body));
            let added = self.new.iter().filter(|entry| *entry.station == **station);
            let all = on_record.chain(added.map(|entry| (entry.kind, entry.body.clone())));
            let mut known = HashMap::new();
            for (_, body) in all.filter(|(kind, _)| *kind == EntryKind::Report) {
                let Ok(LedgerLine::Report(other)) = parse_line(&body) else { continue };
                if let Some(corrects) = other.corrects {
                    known.entry(corrects).or_insert(other.id);
                }
            }
            self.corrections.insert(station.clone(), known);
        }
        Ok(self.corrections.get(station).and_then(|known| known.get(&report).copied()))
    }

    /// The reports that were added, as they would be recorded.
    pub fn reports(&self) -> Vec<Report> {
        let added = self.new.iter().filter(|entry| entry.kind == EntryKind::Report);
        let parsed = added.filter_map(|entry| parse_line(&entry.body).ok());
        parsed
            .filter_map(|line| match line {
                LedgerLine::Report(report) => Some(*report),
                LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_) => None,
            })
            .collect()
    }

    /// Notes a correction that was added to the batch.
    pub fn note_correction(&mut self, station: &Name, corrects: Uuid, by: Uuid) {
        if let Some(known) = self.corrections.get_mut(station) {
            known.entry(corrects).or_insert(by);
        }
    }

    /// Adds an entry to the batch; its number there.
    pub fn add(&mut self, entry: NewEntry) -> usize {
        self.known.insert((entry.kind, entry.id.clone()), Some(entry.body.clone()));
        self.new.push(entry);
        self.written.len() + self.new.len() - 1
    }

    /// Writes the batch; what became of each entry, in their order.
    ///
    /// # Errors
    /// Where the ledger cannot be written; then nothing of the batch is.
    pub async fn write(mut self) -> Result<Vec<Appended>, FleetError> {
        self.flush().await?;
        Ok(self.written)
    }

    /// Writes the batch in one commit with rejected reports and what came of dropped files. False where someone else recorded one
    /// of the entries meanwhile: then nothing is written.
    ///
    /// # Errors
    /// Where the ledger cannot be written; then nothing of the batch is.
    pub async fn write_beside(self, rejected: &[NewRejected], dropped: &[DroppedOutcome]) -> Result<bool, FleetError> {
        Ok(self.store.record(&self.new, rejected, dropped).await?)
    }

    /// Writes what was added so far, before something that is not of the batch.
    ///
    /// # Errors
    /// Where the ledger cannot be written.
    pub async fn flush(&mut self) -> Result<(), FleetError> {
        if !self.new.is_empty() {
            let new = std::mem::take(&mut self.new);
            self.written.extend(self.store.append(&new).await?);
        }
        Ok(())
    }
}
