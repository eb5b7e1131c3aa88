//! Layer over layer: fleet, site, profiles in their order, station. Which line wins for each setting, and which lines never
//! do; beside it what `explain` needs: everybody who spoke. Nothing here judges a value.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::raw::{LineEntry, RawFile, RawProfile, RawSetting, RawSite, RawStation, Wish};
use super::shared::{Keybooks, Parts, Shared};
use super::station::Layer;
use crate::finding::Place;
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Codes, Name};

/// The entry that wins, and the layer it stands in.
pub(super) type Won<'r> = (Layer, &'r RawSetting);

/// The layers below a station's own, the lowest first; profiles that do not exist are left out.
pub(super) fn below<'r>(
    shared: &'r Shared,
    site: Option<&'r RawSite>,
    profiles: &[(Name, Place)],
) -> Vec<(Layer, &'r [RawSetting])> {
    let fleet = shared.settings.iter().map(|(entries, _)| (Layer::Fleet, entries.as_slice()));
    let site = site.into_iter().map(|site| (Layer::Site(site.name.clone()), site.settings.as_slice()));
    let profiles = profiles.iter().filter_map(|(name, _)| shared.profiles.get(name));
    let profiles = profiles.map(|profile: &Arc<RawProfile>| {
        let settings: &'r [RawSetting] = &profile.settings;
        (Layer::Profile(profile.name.clone()), settings)
    });
    fleet.chain(site).chain(profiles).collect()
}

/// What became of a line of a layer at the stations that it could count for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Use {
    /// There is none.
    Nowhere,
    /// A later layer says otherwise at each of them; at the first of those by its place, here.
    Overruled(Place),
    /// It wins at one at least.
    Wins,
}

impl Use {
    /// What became of it at these stations and at others.
    pub fn and(&mut self, other: &Use) {
        match (&*self, other) {
            (Use::Wins, _) | (_, Use::Nowhere) => {}
            (Use::Overruled(mine), Use::Overruled(others)) if mine <= others => {}
            (Use::Nowhere | Use::Overruled(_), Use::Wins | Use::Overruled(_)) => self.clone_from(other),
        }
    }
}

/// What became of the lines of each layer, in their order.
pub(super) type Uses = BTreeMap<Layer, Vec<Use>>;

/// Adds up what became of lines.
pub(super) fn add_uses(all: &mut Uses, more: &Uses) {
    for (layer, uses) in more {
        match all.get_mut(layer) {
            None => {
                all.insert(layer.clone(), uses.clone());
            }
            Some(known) => known.iter_mut().zip(uses).for_each(|(one, other)| one.and(other)),
        }
    }
}

/// The lower layers of stations that share them, and what became of each line.
pub(super) struct Stack<'r> {
    keybook: Arc<Keybook>,
    layers: Vec<(Layer, &'r [RawSetting])>,
    /// What wins below the stations themselves, a setting each.
    pub winners: Vec<Option<Won<'r>>>,
    stations: usize,
    /// How many stations say otherwise themselves, and where the first does.
    overruled: Vec<Option<(usize, &'r Place)>>,
}

impl<'r> Stack<'r> {
    /// Lays layers over each other, the lowest first; entries that the model does not have are passed over.
    pub fn new(keybook: Arc<Keybook>, layers: Vec<(Layer, &'r [RawSetting])>) -> Stack<'r> {
        let mut winners = vec![None; keybook.settings.len()];
        for (layer, entries) in &layers {
            for entry in *entries {
                if let Some(id) = keybook.id(&entry.name) {
                    winners[id.index()] = Some((layer.clone(), entry));
                }
            }
        }
        let overruled = vec![None; keybook.settings.len()];
        Stack { keybook, layers, winners, stations: 0, overruled }
    }

    /// A station more has these layers below its own.
    pub fn count(&mut self, own: &[Option<Won<'r>>]) {
        self.stations += 1;
        for (slot, won) in self.overruled.iter_mut().zip(own) {
            let Some((_, entry)) = won else { continue };
            slot.get_or_insert((0, &entry.place)).0 += 1;
        }
    }

    /// Adds what became of its lines.
    pub fn add_to(&self, uses: &mut Uses) {
        for (layer, entries) in &self.layers {
            let known = uses.entry(layer.clone()).or_insert_with(|| vec![Use::Nowhere; entries.len()]);
            known.iter_mut().zip(*entries).for_each(|(one, entry)| one.and(&self.use_of(entry)));
        }
    }

    fn use_of(&self, entry: &RawSetting) -> Use {
        let Some(id) = self.keybook.id(&entry.name) else { return Use::Nowhere };
        match (&self.winners[id.index()], self.overruled[id.index()]) {
            (Some((_, winner)), _) if !std::ptr::eq(*winner, entry) => Use::Overruled(winner.place.clone()),
            (_, Some((count, place))) if count == self.stations => Use::Overruled(place.clone()),
            (_, _) => Use::Wins,
        }
    }

    /// The last word on a setting below the stations themselves.
    pub fn winner(&self, id: SettingId) -> Option<&Won<'r>> {
        self.winners[id.index()].as_ref()
    }
}

/// One layer's word on a setting of a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spoken {
    /// Whose word it is.
    pub layer: Layer,
    /// The line of the file.
    pub place: Place,
    /// What it wants.
    pub wish: Wish,
}

/// Every layer that speaks of a setting of a station, the winner last.
pub fn spoken(files: &[Arc<RawFile>], station: &str, setting: &str) -> Vec<Spoken> {
    of_station(files, station, |parts, raw| {
        let site = parts.sites.get(&raw.site.0).map(|site| &**site);
        let own = (Layer::Station, raw.settings.as_slice());
        let mut all: Vec<Spoken> = Vec::new();
        for (layer, entries) in below(&parts.shared, site, &raw.profiles).into_iter().chain([own]) {
            let entry = entries.iter().find(|entry| &*entry.name == setting);
            all.extend(entry.map(|e| Spoken { layer, place: e.place.clone(), wish: e.wish.clone() }));
        }
        all
    })
}

/// The layers that may speak of a station, in their order: the later wins.
pub fn layers(files: &[Arc<RawFile>], station: &str) -> Vec<Layer> {
    of_station(files, station, |parts, raw| {
        let site = parts.sites.get(&raw.site.0).map(|site| &**site);
        let lower = below(&parts.shared, site, &raw.profiles).into_iter().map(|(layer, _)| layer);
        lower.chain([Layer::Station]).collect()
    })
}

/// One layer's word on a field of a station's line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpokenLine {
    /// Whose word it is.
    pub layer: Layer,
    /// The field, and what it says.
    pub entry: LineEntry,
}

/// Everything that site and station say of the station's line; of two on one field the later wins.
pub fn spoken_line(files: &[Arc<RawFile>], station: &str) -> Vec<SpokenLine> {
    of_station(files, station, |parts, raw| {
        let of_site = parts.sites.get(&raw.site.0).into_iter().flat_map(|site| {
            let layer = Layer::Site(site.name.clone());
            site.line_said.iter().map(move |entry| SpokenLine { layer: layer.clone(), entry: entry.clone() })
        });
        let own = raw.line_said.iter().map(|entry| SpokenLine { layer: Layer::Station, entry: entry.clone() });
        of_site.chain(own).collect()
    })
}

/// What is to be told of a station; nothing where there is none.
fn of_station<T>(files: &[Arc<RawFile>], name: &str, tell: impl Fn(&Parts, &RawStation) -> Vec<T>) -> Vec<T> {
    let Some(raw) = files.iter().flat_map(|file| &file.stations).find(|raw| &*raw.name == name) else {
        return Vec::new();
    };
    let nothing = Parts::default();
    tell(&Parts::gather(files, &Keybooks::new(), &Codes::default(), &nothing, &mut Vec::new()), raw)
}
