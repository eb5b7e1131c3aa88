//! The inventory as it counts for now: what people set aside is unmanaged, and who took a station stands beside it.
//!
//! It is made before anything is compared, so that drift, scripts, alerts and exit codes agree. It goes by what was said and
//! by the clock it is given; no file and no record changes. What is looked at as the files have it (the brake, reports,
//! an edit's preview) takes an [`Inventory`], whatever is compared and shown an [`Effective`]: the one is never the other.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;

use crate::inventory::{Contact, Extent, ForNow, Inventory, Station, Stations, Taken};
use crate::keybook::SettingId;
use crate::ledger::{Aside, Decisions, Target};
use crate::setting::Name;

/// What is wanted of a fleet for now, without what is set aside. A copy shares everything.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Effective {
    /// What the fleet is called.
    pub fleet: Name,
    /// Whom buttons call, by name.
    pub contacts: Arc<BTreeMap<Name, Contact>>,
    /// Every station, by name, without what is set aside.
    pub stations: Stations,
}

/// The stations of which something is said, with what they were made from: where that is the same again, so are they.
#[derive(Debug, Default)]
pub struct EffectiveCache {
    made: BTreeMap<Name, Overlaid>,
    /// All stations as the files had them, and as they counted.
    all: Option<(Stations, Stations)>,
}

/// A station, what is said of it, and what it comes to.
#[derive(Debug)]
struct Overlaid {
    written: Arc<Station>,
    said: Said,
    station: Arc<Station>,
}

/// Everything said of one station.
#[derive(Debug, Default, PartialEq)]
struct Said {
    asides: Vec<Aside>,
    taken: Option<Taken>,
}

impl Effective {
    /// The inventory with everything that is in force at a time. Stations of which nothing is said are the very ones of the
    /// files, and the others those of last time while nothing changed.
    pub fn at(
        inventory: &Inventory,
        decisions: &Decisions,
        clock: Timestamp,
        memory: &mut EffectiveCache,
    ) -> Effective {
        let Inventory { fleet, contacts, stations } = inventory;
        let stations = memory.stations(stations, said(stations, decisions, clock));
        Effective { fleet: fleet.clone(), contacts: contacts.clone(), stations }
    }
}

impl EffectiveCache {
    fn stations(&mut self, written: &Stations, said: BTreeMap<Name, Said>) -> Stations {
        let mut before = std::mem::take(&mut self.made);
        let mut is_same = before.len() == said.len();
        for (name, said) in said {
            let Some(station) = written.get(&name) else { continue };
            let is_good = |made: &Overlaid| Arc::ptr_eq(&made.written, station) && made.said == said;
            let made = before.remove(&name).filter(is_good).unwrap_or_else(|| {
                is_same = false;
                Overlaid { written: station.clone(), station: effective(station, &said), said }
            });
            self.made.insert(name, made);
        }
        if self.made.is_empty() {
            self.all = None;
            return written.clone();
        }
        if let Some((files, all)) = &self.all
            && is_same
            && Arc::ptr_eq(files, written)
        {
            return all.clone();
        }
        let mut all = (**written).clone();
        all.extend(self.made.iter().map(|(name, made)| (name.clone(), made.station.clone())));
        let all = Arc::new(all);
        self.all = Some((written.clone(), all.clone()));
        all
    }
}

/// What is said at a time of stations that there are.
fn said(stations: &Stations, decisions: &Decisions, clock: Timestamp) -> BTreeMap<Name, Said> {
    let (mut said, mut by_site): (BTreeMap<Name, Said>, BTreeMap<Name, Vec<Aside>>) = Default::default();
    for aside in decisions.asides(clock) {
        match &aside.target {
            Target::Station(name) => said.entry(name.clone()).or_default().asides.push(aside.clone()),
            Target::Site(site) => by_site.entry(site.clone()).or_default().push(aside.clone()),
        }
    }
    if !by_site.is_empty() {
        for station in stations.values() {
            let Some(asides) = by_site.get(&station.site) else { continue };
            said.entry(station.name.clone()).or_default().asides.extend(asides.iter().cloned());
        }
    }
    for (name, take) in decisions.takes(clock) {
        let taken = Taken { by: take.said.by.clone(), at: take.said.at, until: take.until };
        said.entry(name.clone()).or_default().taken = Some(taken);
    }
    said.retain(|name, _| stations.contains_key(name));
    said
}

/// A station with what is set aside of it taken out of management.
fn effective(station: &Arc<Station>, said: &Said) -> Arc<Station> {
    let mut wanted = station.wanted.clone();
    let mut extent = Extent::Nothing;
    let mut aside_ids = BTreeSet::new();
    for aside in &said.asides {
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
    let for_now = Arc::new(ForNow { set_aside: extent, aside: aside_ids, taken: said.taken.clone() });
    if for_now == station.for_now {
        // Nothing of what is said concerns what is wanted.
        return station.clone();
    }
    Arc::new(Station { wanted, for_now, ..(**station).clone() })
}

/// The setting that is set aside here. One of a lifeline is only where it was said to be out of service: a keybook may have
/// made it one since, and so may the model of a station that joined the site.
fn covered(station: &Station, aside: &Aside, setting: &Name) -> Option<SettingId> {
    let id = station.keybook.id(setting)?;
    station.wanted(id)?;
    (aside.out_of_service || !station.is_lifeline(id)).then_some(id)
}

#[cfg(test)]
#[path = "effective_tests.rs"]
mod tests;
