//! What the brake would say of an edit, told before anybody commits it. It asks no ledger: the one side stands for what is
//! settled, and all its stations for those on record.

use std::sync::Arc;

use super::{Brake, Facts, Held, Limit, Prints, Rows, Settled, change_of, hold};
use crate::inventory::{Inventory, Station};
use crate::ledger::{Notices, Record};

/// The change from one inventory to another, where it would be held. Both must have their codes by one key.
pub fn foresee(before: &Inventory, after: &Inventory, limit: &Limit) -> Option<Held> {
    let mut prints = Prints::default();
    let mut row = |station: &Arc<Station>| Settled {
        station: station.name.clone(),
        formerly: None,
        site: station.site.clone(),
        model: station.keybook.model.clone(),
        number: station.number.to_string().into(),
        print: prints.of(station),
        on_record: true,
        seq: 0,
        out: None,
    };
    let rows: Rows = before.stations.values().map(|station| (station.name.clone(), row(station))).collect();
    let mut brake = Brake::new(rows, prints);
    let record = |station: &Station| Arc::new(Record::blank(&station.keybook));
    let facts = Facts { inventory: after, record: &record, notices: &Notices::default(), seq: 0, limit };
    brake.judge(&facts, None);
    let altered = brake.tally.map(|tally| tally.altered).unwrap_or_default();
    hold(&altered, &change_of(&altered), before.stations.len(), limit)
}
