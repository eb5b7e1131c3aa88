//! A fleet at one moment: files in use, ledger, what people decided, and how every station is. It never changes; the
//! daemon, the command line and the pages all read it, and nobody else folds, compares or judges.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use jiff::Timestamp;

use super::contacts::ContactsSince;
use super::reading::Reading;
use super::rows::Row;
use super::sources::Sources;
use crate::alert::Cause;
use crate::brake::{Change, Limit, Tally, call_back, digest};
use crate::drift::{Rules, Standing, StationDrift, Totals};
use crate::effective::Effective;
use crate::finding::Finding;
use crate::ledger::{Decisions, Digest, HandedOut, Proven, Record, Released};
use crate::setting::Name;
use crate::store::StoreError;

/// A fleet at one moment.
#[derive(Clone)]
pub struct View {
    /// The moment.
    pub at: Timestamp,
    /// The last entry of the ledger that it knows.
    pub seq: i64,
    /// Where the files are.
    pub sources: Arc<Sources>,
    /// What the files in use say; nothing where none without errors was ever read.
    pub reading: Arc<Reading>,
    /// Since when they are known to be without errors.
    pub in_use_since: Option<Timestamp>,
    /// Since when its contacts are dialled as they are.
    pub contacts: Arc<ContactsSince>,
    /// What the files say as they are now; the same as `reading` where they have no errors.
    pub as_is: Arc<Reading>,
    /// What people decided.
    pub decisions: Arc<Decisions>,
    /// The inventory as it counts for now.
    pub effective: Effective,
    /// A row a station, by name.
    pub rows: Arc<[Arc<Row>]>,
    /// How many stations are how.
    pub totals: Totals,
    /// How many stations are altered, and on record.
    pub tally: Tally,
    /// When something is overdue or untested.
    pub rules: Rules,
    /// How many may be altered.
    pub limit: Arc<Limit>,
    /// The change that waits for its release; [`View::held`] says how many scripts wait for it.
    pub change: Option<Arc<Change>>,
    /// How many scripts wait, once someone has asked.
    pub(super) waiting: OnceLock<usize>,
    /// When time alone next changes it.
    pub due: Option<Timestamp>,
    /// When to look again at the reports folder, where a file there is still being written.
    pub look_again: Option<Duration>,
    /// What changed since the view before.
    pub changed: Cause,
    /// Why the ledger took no writes when it was made, where it took none: then reports that wait are not in it.
    pub unwritten: Option<Arc<StoreError>>,
}

impl fmt::Debug for View {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "View({} stations at {})", self.rows.len(), self.at)
    }
}

impl View {
    /// The row of a station.
    pub fn row(&self, name: &str) -> Option<&Row> {
        let at = self.rows.binary_search_by(|row| (*row.station.name).cmp(name)).ok()?;
        self.rows.get(at).map(|row| &**row)
    }

    /// How every station is, by name.
    pub fn drifts(&self) -> impl Iterator<Item = &Arc<StationDrift>> {
        self.rows.iter().map(|row| &row.drift)
    }

    /// What is wrong with the files as they are now.
    pub fn findings(&self) -> &[Finding] {
        &self.as_is.findings
    }

    /// Since when the files in use are known to be without errors, where those that lie there now have some.
    pub fn good_since(&self) -> Option<Timestamp> {
        self.in_use_since.filter(|_| !self.as_is.is_sound())
    }

    /// What there is to say where no station of the inventory is on record: what differs then is no change.
    pub fn first_day(&self) -> Option<String> {
        self.tally.first_day(self.rows.len())
    }

    /// Whether there is an inventory to go by.
    pub fn is_watching(&self) -> bool {
        self.in_use_since.is_some()
    }

    /// The digest that a change of what is wanted now has, or would have.
    pub fn wanted_digest(&self) -> Digest {
        digest(self.rows.iter().map(|row| &*row.written))
    }

    /// What a release of the change names.
    pub fn to_release(&self) -> BTreeMap<Name, Arc<Released>> {
        let Some(change) = &self.change else { return BTreeMap::new() };
        let rows = change.stations.union(&change.handed_out).filter_map(|name| self.row(name));
        change.released(rows.map(|row| (&*row.written, row.record())), self.at)
    }

    /// When a release is to be said so that it comes after all that is on record of its stations: reports may be some
    /// minutes ahead of the clock.
    pub fn release_at(&self) -> Timestamp {
        let change = self.change.iter().flat_map(|change| change.stations.union(&change.handed_out));
        let records = change.filter_map(|name| self.row(name)).map(Row::record);
        let said = |record: Record| {
            let said = record.proven.iter().map(Proven::said_at);
            said.chain(record.handed_out.iter().map(|script| script.at)).max()
        };
        records.filter_map(said).fold(self.at, Timestamp::max)
    }

    /// The script that is to be called back from a station: it leads to something else than is wanted now.
    pub fn to_call_back(&self, name: &str) -> Option<HandedOut> {
        let row = self.row(name).filter(|row| row.is_script_out)?;
        call_back(&row.written, &row.record(), self.at).cloned()
    }

    /// The most urgent station.
    pub fn worst(&self) -> Option<&StationDrift> {
        most_urgent(self.drifts().map(|drift| &**drift).filter(|drift| drift.standing != Standing::Aligned))
    }

    /// The most urgent station that is to be keyed.
    pub fn worst_to_key(&self) -> Option<&StationDrift> {
        most_urgent(self.drifts().map(|drift| &**drift).filter(|drift| drift.standing == Standing::Adrift))
    }
}

/// The heaviest weight first, then the worst standing.
fn most_urgent<'d>(drifts: impl Iterator<Item = &'d StationDrift>) -> Option<&'d StationDrift> {
    drifts.min_by_key(|drift| (std::cmp::Reverse(drift.weight), drift.standing, &drift.site, &drift.station))
}
