//! What the brake would say of an edit, told before anybody commits it, where there is no ledger to ask: the one side stands
//! for what is settled, and all its stations for those on record.

use std::sync::Arc;

use jiff::Timestamp;

use super::{Brake, Facts, Held, Limit, Prints, Rows, Settled};
use crate::inventory::{Inventory, Station};
use crate::ledger::{Decisions, Record};

/// The change from one inventory to another, where it would be held. Both must have their codes by one key.
pub fn foresee(before: &Inventory, after: &Inventory, limit: &Limit) -> Option<Held> {
    let mut prints = Prints::default();
    let mut row = |station: &Arc<Station>| {
        let wants = prints.of(station);
        Settled {
            station: station.name.clone(),
            formerly: None,
            site: station.site.clone(),
            model: station.keybook.model.clone(),
            number: station.number.name().clone(),
            print: wants.print,
            parts: Some(wants.parts),
            on_record: true,
            seq: 0,
            since: None,
            held: None,
            out: None,
        }
    };
    let rows: Rows = before.stations.values().map(|station| (station.name.clone(), row(station))).collect();
    let mut brake = Brake::new(rows, prints);
    let record = |station: &Station| Arc::new(Record::blank(&station.keybook));
    let (decisions, now) = (Decisions::default(), Timestamp::UNIX_EPOCH);
    brake.judge(&Facts { inventory: after, record: &record, decisions: &decisions, seq: 0, limit, now }, None);
    brake.held
}
