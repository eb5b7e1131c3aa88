//! Which station says what: the values of the settings that tell stations apart, by the stations that are wanted to have them. A
//! memo of the inventory, made when it is first asked.

use std::collections::{BTreeMap, HashMap};
use std::sync::OnceLock;

use crate::inventory::{Inventory, Station};
use crate::ledger::Report;
use crate::setting::{Codes, Name, Value, Weight};

/// Kept beside the inventory that it is of.
#[derive(Debug, Clone, Default)]
pub struct Spoken(OnceLock<HashMap<(Name, Value), Name>>);

impl Spoken {
    /// The found settings that tell stations apart and whose value another station is wanted to have, each with that station. A
    /// new unit may come from anywhere.
    pub fn found_elsewhere(&self, report: &Report, station: &Station, inventory: &Inventory) -> BTreeMap<Name, Name> {
        let codes = Codes::default();
        let found = report.found.iter().filter(|_| report.unit.is_none()).filter_map(|(name, written)| {
            let id = station.keybook.id(name)?;
            let setting = station.keybook.setting(id);
            let value = setting.kind.value(written, |reference| codes.seal(reference)).ok()?;
            let is_own = station.wanted(id).is_some_and(|wanted| wanted.value.agrees(&value));
            if setting.weight != Weight::Locating || is_own {
                return None;
            }
            let all = self.0.get_or_init(|| all(inventory));
            Some((name.clone(), all.get(&(name.clone(), value))?.clone()))
        });
        found.collect()
    }
}

/// No two stations have one value of a setting that tells them apart where a keybook says so; of those that have, the first.
fn all(inventory: &Inventory) -> HashMap<(Name, Value), Name> {
    let mut all = HashMap::new();
    for station in inventory.stations.values() {
        for id in station.keybook.ids() {
            let Some(wanted) = station.wanted(id) else { continue };
            let key = (station.keybook.setting(id).name.clone(), wanted.value.clone());
            all.entry(key).or_insert_with(|| station.name.clone());
        }
    }
    all
}
