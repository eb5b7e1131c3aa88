//! What the brake says of a fleet: how each of its stations is altered, and what is held. It keeps nothing.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::error::FleetError;
use super::records::Records;
use crate::brake::{Alteration, Change, Limit, Row, alteration, judge};
use crate::inventory::Inventory;
use crate::ledger::{Record, Released};
use crate::setting::Name;
use crate::store::Store;

/// The altered stations of a fleet, and the change that waits for its release.
#[derive(Debug, Clone, Default)]
pub struct Judged {
    /// The altered stations, by name.
    pub alterations: BTreeMap<Name, Arc<Alteration>>,
    /// What is held.
    pub change: Option<Change>,
}

impl Judged {
    /// Judges a fleet as its files have it: what is set aside is no way around the brake.
    pub fn of(inventory: &Inventory, records: &Records, limit: &Limit, now: Timestamp) -> Judged {
        let found: Vec<Arc<Record>> = inventory.stations.values().map(|station| records.of(station)).collect();
        let alterations: BTreeMap<Name, Arc<Alteration>> = inventory
            .stations
            .values()
            .zip(&found)
            .filter_map(|(station, record)| {
                let names = std::iter::once(&station.name).chain(&station.formerly);
                let release = records.decisions().release_of(names);
                Some((station.name.clone(), Arc::new(alteration(station, record, release, now)?)))
            })
            .collect();
        let rows = rows(inventory, &found, &alterations);
        let change = judge(rows, &records.gone(), records.decisions(), limit, now);
        Judged { alterations, change }
    }

    /// The same of the ledger as it is, were these its files: nothing is kept.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn foretold(
        store: &Store,
        inventory: &Inventory,
        limit: &Limit,
        now: Timestamp,
    ) -> Result<Judged, FleetError> {
        let records = Records::load(store, inventory, None, |_| {}).await?;
        Ok(Judged::of(inventory, &records, limit, now))
    }

    /// What a release of the change names.
    pub fn released(&self, inventory: &Inventory, records: &Records, now: Timestamp) -> BTreeMap<Name, Arc<Released>> {
        let found: Vec<Arc<Record>> = inventory.stations.values().map(|station| records.of(station)).collect();
        let rows = rows(inventory, &found, &self.alterations);
        self.change.as_ref().map(|change| change.released(rows, now)).unwrap_or_default()
    }
}

fn rows<'a>(
    inventory: &'a Inventory,
    records: &'a [Arc<Record>],
    alterations: &'a BTreeMap<Name, Arc<Alteration>>,
) -> impl Iterator<Item = Row<'a>> + Clone {
    inventory.stations.values().zip(records).map(|(station, record)| {
        let alteration = alterations.get(&station.name).map(|alteration| &**alteration);
        Row { station, record, alteration }
    })
}
