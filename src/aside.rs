//! The inventory as it counts for now: what people set aside is unmanaged, and who took a station stands beside it.
//!
//! It acts before anything is compared, so that drift, scripts, alerts and exit codes agree. It decides by what was said and
//! by the clock it is given; no file and no record changes.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;

use crate::inventory::{Extent, ForNow, Inventory, Station, Taken};
use crate::keybook::SettingId;
use crate::ledger::{Aside, Decisions, Take, Target};
use crate::setting::Name;

/// The inventory with everything in force at a time; stations of which nothing is said are shared with it.
pub fn for_now(inventory: &Arc<Inventory>, decisions: &Decisions, clock: Timestamp) -> Arc<Inventory> {
    let (asides, takes) = (decisions.asides(clock), decisions.takes(clock));
    if asides.is_empty() && takes.is_empty() {
        return inventory.clone();
    }
    let mut by_target: BTreeMap<&Target, Vec<&Aside>> = BTreeMap::new();
    asides.into_iter().for_each(|aside| by_target.entry(&aside.target).or_default().push(aside));
    let mut here = (**inventory).clone();
    for station in Arc::make_mut(&mut here.stations).values_mut() {
        let targets = [Target::Station(station.name.clone()), Target::Site(station.site.clone())];
        let asides: Vec<&Aside> =
            targets.iter().filter_map(|target| by_target.get(target)).flatten().copied().collect();
        let take = takes.get(&station.name).copied();
        if !asides.is_empty() || take.is_some() {
            *station = Arc::new(effective(station, &asides, take));
        }
    }
    Arc::new(here)
}

/// A station with what is set aside of it taken out of management.
fn effective(station: &Station, asides: &[&Aside], take: Option<&Take>) -> Station {
    let mut wanted = station.wanted.clone();
    let mut extent = Extent::Nothing;
    let mut aside_ids = BTreeSet::new();
    for aside in asides {
        match &aside.setting {
            None => {
                aside_ids.extend(station.keybook.ids().filter(|id| station.wanted(*id).is_some()));
                wanted.fill(None);
                extent = Extent::Whole;
            }
            Some(setting) => {
                let Some(id) = covered(station, aside, setting) else { continue };
                if let Some(wanted) = wanted.get_mut(id.index()) {
                    *wanted = None;
                }
                aside_ids.insert(id);
                extent = extent.max(Extent::Settings);
            }
        }
    }
    let taken = take.map(|take| Taken { by: take.said.by.clone(), at: take.said.at, until: take.until });
    Station { wanted, for_now: ForNow { set_aside: extent, aside: aside_ids, taken }, ..station.clone() }
}

/// The setting that is set aside here. One of a lifeline is only where it was said to be out of service: a keybook may have
/// made it one since, and so may the model of a station that joined the site.
fn covered(station: &Station, aside: &Aside, setting: &Name) -> Option<SettingId> {
    let id = station.keybook.id(setting)?;
    station.wanted(id)?;
    (aside.out_of_service || !station.is_lifeline(id)).then_some(id)
}

#[cfg(test)]
#[path = "aside_tests.rs"]
mod tests;
