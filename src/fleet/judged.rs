//! What the brake would hold, were these the files and the records: where there is no ledger to make a view from. Nothing is
//! kept.

use std::sync::Arc;

use jiff::Timestamp;

use super::records::Records;
use crate::brake::{Alteration, Candidate, Change, Limit, Tally, alteration, digest, is_first_seen, judge};
use crate::inventory::{Inventory, Station};
use crate::ledger::Record;

/// Judges a fleet as its files have it: what is set aside is no exception.
pub fn judged(inventory: &Inventory, records: &Records, limit: &Limit, now: Timestamp) -> (Tally, Option<Change>) {
    let row = |station: &Arc<Station>| {
        let record = records.of(station).record();
        let release = records.decisions().release_of(std::iter::once(&station.name).chain(&station.formerly));
        let alteration = alteration(station, &record, release, now);
        (station.clone(), record, alteration)
    };
    let all: Vec<(Arc<Station>, Record, Option<Alteration>)> = inventory.stations.values().map(row).collect();
    let rows = all.iter().map(|(station, record, alteration)| Candidate {
        station,
        has_proven: !record.proven.is_empty(),
        is_first_seen: is_first_seen(record),
        alteration: alteration.as_ref(),
        is_on_record: record.is_on_record(),
    });
    let wanted = || digest(inventory.stations.values().map(|station| &**station));
    judge(rows, &records.gone(), records.decisions(), limit, now, wanted)
}
