//! What a change of the inventory would do to the fleet, told before anybody commits it.
//!
//! Two inventories go in, what is wanted now and what would be wanted. Nothing is asked of the ledger, so that the same
//! change says the same on every machine: its cost is that of keying it into stations that hold what is wanted now.

mod facts;
mod groups;
mod keybooks;
mod lifelines;
mod markdown;
mod show;

pub use facts::FactPreview;
pub use keybooks::{KeybookPreview, KeysPreview, WeightPreview};
pub use lifelines::{LifelinePreview, Watch};
pub use markdown::{fenced, headline, literal, tables};
pub use show::{json, text};

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::inventory::{Inventory, Station, Wanted};
use crate::ledger::{Record, State};
use crate::script::{self, Memory, NoScript, Work};
use crate::setting::{Codes, Name, Value, Weight};

/// What a change would do.
#[derive(Debug, Clone, Default)]
pub struct Preview {
    /// Stations of which something else is wanted, or which ring or stand elsewhere; in order of their names.
    pub stations: Vec<StationPreview>,
    /// Stations that leave the inventory.
    pub gone: BTreeSet<Name>,
    /// New names that ring on the number of one that is gone, and do not say that they were called so: they have no record.
    pub renamed: Vec<(Name, Name)>,
    /// Stations that took each other's number.
    pub swapped: Vec<(Name, Name)>,
    /// What keying it takes.
    pub work: Work,
    /// Stations that no script would bring to what is wanted.
    pub stuck: Vec<(Name, NoScript)>,
    /// Keybooks of stations that would say something else, by model.
    pub keybooks: BTreeMap<Name, KeybookPreview>,
    /// The name of the fleet, as it was and as it would be, where that changes.
    pub fleet: Option<(Name, Name)>,
}

/// What a change would do to one station.
#[derive(Debug, Clone)]
pub struct StationPreview {
    /// As it would be.
    pub station: Arc<Station>,
    /// As it was, under this name or a former one; `None` where the station is new.
    pub was: Option<Arc<Station>>,
    /// Sorted by name.
    pub settings: Vec<SettingPreview>,
    /// The lifelines of which something else would be watched, in the order of the keybook, then those that go.
    pub lifelines: Vec<LifelinePreview>,
    /// What else would be said of it.
    pub facts: Vec<FactPreview>,
}

/// One setting of which something else would be wanted.
#[derive(Debug, Clone)]
pub struct SettingPreview {
    /// Its name in the keybook.
    pub name: Name,
    /// What it means for a person pressing the button.
    pub weight: Weight,
    /// `None`: nothing was wanted of it.
    pub from: Option<Arc<Wanted>>,
    /// `None`: it would be left alone from then on.
    pub to: Option<Arc<Wanted>>,
    /// Whether a button calls by it: a number that is part of a lifeline, or of its weight.
    pub rings: bool,
}

impl Preview {
    /// Compares two inventories. `codes` knows the codes of both, as far as they can be read here.
    pub fn between(before: &Inventory, after: &Inventory, codes: &Codes) -> Preview {
        let mut change = Preview::default();
        let mut memory = Memory::for_a_fleet();
        let mut followed: BTreeSet<&Name> = BTreeSet::new();
        let mut keybooks = keybooks::Keybooks::default();
        for station in after.stations.values() {
            // A former name that is still another station's is none: that is an error of its own.
            let mut names =
                station.names().filter(|name| **name == station.name || !after.stations.contains_key(*name));
            let was = names.find_map(|name| before.stations.get(name));
            followed.extend(was.map(|was| &was.name));
            if let Some(was) = was {
                keybooks.see(was, station);
            }
            let changed = StationPreview::between(was.map(|was| (was, before)), (station, after));
            if changed.is_empty() {
                continue;
            }
            match changed.work(codes, &mut memory) {
                Ok(Some(work)) => change.work = change.work + work,
                Ok(None) => {}
                Err(why) => change.stuck.push((station.name.clone(), why)),
            }
            change.stations.push(changed);
        }
        change.gone = before.stations.keys().filter(|name| !followed.contains(*name)).cloned().collect();
        change.renamed = change.renamings(before);
        change.swapped = change.swaps();
        change.keybooks = keybooks.finish();
        change.fleet = (before.fleet != after.fleet).then(|| (before.fleet.clone(), after.fleet.clone()));
        change
    }

    /// Whether nothing would change at any station; a keybook may read otherwise all the same.
    pub fn is_empty(&self) -> bool {
        let Preview { stations, gone, renamed: _, swapped: _, work: _, stuck: _, keybooks: _, fleet: _ } = self;
        stations.is_empty() && gone.is_empty()
    }

    /// Takes what a record says of lifelines of which not all is wanted: such a one is watched where the rest is known. Each
    /// question is of a station, by its name on that side, and of a lifeline.
    pub fn by_record(&mut self, was: impl Fn(&Name, &Name) -> bool, is: impl Fn(&Name, &Name) -> bool) {
        for StationPreview { station, was: old, lifelines, .. } in &mut self.stations {
            let Some(old) = old else { continue };
            lifelines.retain_mut(|lifeline| {
                let before = (lifeline.was, lifeline.becomes);
                if lifeline.was == Watch::Unmanaged && was(&old.name, &lifeline.name) {
                    lifeline.was = Watch::Watched;
                }
                if lifeline.becomes == Watch::Unmanaged && is(&station.name, &lifeline.name) {
                    lifeline.becomes = Watch::Watched;
                }
                // What was told as another meaning stays.
                before == (lifeline.was, lifeline.becomes) || lifeline.was != lifeline.becomes
            });
        }
        self.stations.retain(|station| !station.is_empty());
    }

    fn renamings(&self, before: &Inventory) -> Vec<(Name, Name)> {
        let gone = self.gone.iter().filter_map(|name| before.stations.get(name));
        let numbers: BTreeMap<String, &Name> = gone.map(|was| (was.number.to_string(), &was.name)).collect();
        let new = self.stations.iter().filter(|station| station.was.is_none());
        new.filter_map(|new| {
            let was = numbers.get(&new.station.number.to_string())?;
            Some(((*was).clone(), new.station.name.clone()))
        })
        .collect()
    }

    /// Pairs of which each rings where the other did.
    fn swaps(&self) -> Vec<(Name, Name)> {
        let moved = self.stations.iter().filter_map(|one| {
            let was = one.was.as_ref().filter(|was| was.number != one.station.number)?;
            Some((was.number.to_string(), (&one.station.name, one.station.number.to_string())))
        });
        let moved: BTreeMap<String, (&Name, String)> = moved.collect();
        let pairs = moved.iter().filter_map(|(number, (name, now))| {
            let (other, others) = moved.get(now)?;
            (others == number && name < other).then(|| ((*name).clone(), (*other).clone()))
        });
        let mut pairs: Vec<(Name, Name)> = pairs.collect();
        pairs.sort();
        pairs
    }

    /// Stations that no script would bring to what is wanted, whatever is known of them: the files themselves are at
    /// odds with the keybook.
    pub fn is_impossible(&self) -> bool {
        self.stuck.iter().any(|(_, why)| match why {
            NoScript::Unreachable(stuck) => {
                stuck.iter().any(|stuck| !stuck.rules.iter().any(script::Rule::is_for_want_of_knowledge))
            }
            NoScript::CallTooShort { .. } => true,
            // It goes by what a station is known to hold, which no file says.
            NoScript::Dead(_) => false,
            NoScript::GaveUp
            | NoScript::Example { .. }
            | NoScript::TooLarge(_)
            | NoScript::NoOpening
            | NoScript::Renewals { .. }
            | NoScript::Unproved(_)
            | NoScript::Unsound(_) => false,
        })
    }

    /// How many stations and settings would newly be wanted otherwise, by the weight of the setting.
    pub fn counts(&self) -> BTreeMap<Weight, (u64, u64)> {
        let mut counts: BTreeMap<Weight, (u64, u64)> = BTreeMap::new();
        for station in &self.stations {
            let mut here: BTreeMap<Weight, u64> = BTreeMap::new();
            let wanted = station.settings.iter().filter(|setting| setting.to.is_some());
            wanted.for_each(|setting| *here.entry(setting.weight).or_default() += 1);
            for (weight, settings) in here {
                let count = counts.entry(weight).or_default();
                *count = (count.0 + 1, count.1 + settings);
            }
        }
        counts
    }
}

impl StationPreview {
    /// Each side with its inventory.
    fn between(
        was: Option<(&Arc<Station>, &Inventory)>,
        (station, inventory): (&Arc<Station>, &Inventory),
    ) -> StationPreview {
        let facts = was.map(|(was, before)| facts::between((was, before), (station, inventory))).unwrap_or_default();
        let was = was.map(|(was, _)| was);
        let now = wanted_by_name(station);
        let before = was.map(|was| wanted_by_name(was)).unwrap_or_default();
        let names: BTreeSet<&Name> = now.keys().chain(before.keys()).copied().collect();
        let mut settings = Vec::new();
        for name in names {
            let (from, to) = (before.get(name), now.get(name));
            let agree = match (from, to) {
                (Some(from), Some(to)) => from.value.agrees(&to.value),
                (None, None) => true,
                (Some(_), None) | (None, Some(_)) => false,
            };
            if !agree {
                settings.push(setting_change(station, was, name, from.map(|w| (*w).clone()), to.map(|w| (*w).clone())));
            }
        }
        let lifelines = was.map(|was| lifelines::between(was, station)).unwrap_or_default();
        StationPreview { station: station.clone(), was: was.cloned(), settings, lifelines, facts }
    }

    fn is_empty(&self) -> bool {
        let StationPreview { station, was, settings, lifelines, facts } = self;
        let same = was.as_ref().is_some_and(|was| {
            was.name == station.name
                && was.number == station.number
                && was.keybook.model == station.keybook.model
                && was.site == station.site
        });
        same && settings.is_empty() && lifelines.is_empty() && facts.is_empty()
    }

    /// Whether nothing changes that it holds, or that it is rung or watched by.
    pub fn is_only_described(&self) -> bool {
        let facts_aside = StationPreview { facts: Vec::new(), ..self.clone() };
        facts_aside.is_empty()
    }

    /// The work at a station that holds what was wanted; at a new unit, or one of another model, that holds nobody knows
    /// what.
    fn work(&self, codes: &Codes, memory: &mut Memory) -> Result<Option<Work>, NoScript> {
        let mut record = Record::blank(&self.station.keybook);
        let same = self.was.as_ref().filter(|was| was.keybook.model == self.station.keybook.model);
        for id in self.station.keybook.ids() {
            let name = &self.station.keybook.setting(id).name;
            let held = same.and_then(|was| was.wanted(was.keybook.id(name)?));
            if let Some(held) = held {
                record.settings[id.index()].state = State::Known(held.value.clone());
            }
        }
        script::reckon(&self.station, &record, codes, memory)
    }
}

fn wanted_by_name(station: &Station) -> BTreeMap<&Name, &Arc<Wanted>> {
    let settings = station.keybook.settings.iter().zip(&station.wanted);
    settings.filter_map(|(setting, wanted)| Some((&setting.name, wanted.as_ref()?))).collect()
}

fn setting_change(
    station: &Station,
    was: Option<&Arc<Station>>,
    name: &Name,
    from: Option<Arc<Wanted>>,
    to: Option<Arc<Wanted>>,
) -> SettingPreview {
    let books = [Some(station), was.map(|was| &**was)].into_iter().flatten().map(|station| &station.keybook);
    let mut weight = Weight::Routine;
    let mut in_lifeline = false;
    for book in books {
        let Some(id) = book.id(name) else { continue };
        weight = weight.max(book.setting(id).weight);
        in_lifeline |= book.lifelines.iter().any(|lifeline| lifeline.settings.contains(&id));
    }
    let is_dial = |wanted: &Option<Arc<Wanted>>| {
        wanted.as_ref().is_some_and(|wanted| match wanted.value {
            Value::Dial(_) => true,
            Value::Digits(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_) => false,
        })
    };
    let rings = (in_lifeline || weight == Weight::Lifeline) && (is_dial(&from) || is_dial(&to));
    SettingPreview { name: name.clone(), weight, from, to, rings }
}

#[cfg(test)]
mod tests;
