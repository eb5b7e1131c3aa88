//! Layer over layer: fleet, site, profiles in their order, station. Which line wins for each setting, and which lines never
//! do; beside it what `explain` needs: everybody who spoke. Nothing here judges a value.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::raw::{LineEntry, RawFile, RawLifeline, RawProfile, RawSetting, RawSite, RawStation, Wish};
use super::shared::{Keybooks, Parts, Shared};
use super::station::Layer;
use crate::finding::Place;
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Codes, Name};

/// A line of a layer, about something that a model has or has not.
pub(super) trait Said {
    /// What it is about.
    fn name(&self) -> &Name;
    /// Where that is named.
    fn name_place(&self) -> &Place;
    /// Where what is said of it stands.
    fn place(&self) -> &Place;
    /// Where a keybook has that.
    fn at(&self, keybook: &Keybook) -> Option<usize>;
    /// How many such things a keybook has.
    fn count(keybook: &Keybook) -> usize;
    /// All that a layer says of such things.
    fn all_of<'r>(below: &Below<'r>) -> &'r [Self]
    where
        Self: Sized;
}

impl Said for RawSetting {
    fn name(&self) -> &Name {
        &self.name
    }

    fn name_place(&self) -> &Place {
        &self.name_place
    }

    fn place(&self) -> &Place {
        &self.place
    }

    fn at(&self, keybook: &Keybook) -> Option<usize> {
        keybook.id(&self.name).map(SettingId::index)
    }

    fn count(keybook: &Keybook) -> usize {
        keybook.settings.len()
    }

    fn all_of<'r>(below: &Below<'r>) -> &'r [RawSetting] {
        below.settings
    }
}

impl Said for RawLifeline {
    fn name(&self) -> &Name {
        &self.name
    }

    fn name_place(&self) -> &Place {
        &self.name_place
    }

    fn place(&self) -> &Place {
        &self.place
    }

    fn at(&self, keybook: &Keybook) -> Option<usize> {
        keybook.lifelines.iter().position(|lifeline| lifeline.name == self.name)
    }

    fn count(keybook: &Keybook) -> usize {
        keybook.lifelines.len()
    }

    fn all_of<'r>(below: &Below<'r>) -> &'r [RawLifeline] {
        below.lifelines
    }
}

/// The entry that wins, and the layer it stands in.
pub(super) type Won<'r, E = RawSetting> = (Layer, &'r E);

/// A layer below a station's own.
pub(super) struct Below<'r> {
    pub layer: Layer,
    pub settings: &'r [RawSetting],
    pub lifelines: &'r [RawLifeline],
}

/// The layers below a station's own, the lowest first; profiles that do not exist are left out.
pub(super) fn below<'r>(shared: &'r Shared, site: Option<&'r RawSite>, profiles: &[(Name, Place)]) -> Vec<Below<'r>> {
    let speaks = shared.settings.is_some() || shared.lifelines.is_some();
    let (settings, lifelines) = (all(&shared.settings), all(&shared.lifelines));
    let fleet = speaks.then_some(Below { layer: Layer::Fleet, settings, lifelines });
    let site = site.into_iter().map(|site| Below {
        layer: Layer::Site(site.name.clone()),
        settings: &site.settings,
        lifelines: &site.lifelines,
    });
    let profiles = profiles.iter().filter_map(|(name, _)| shared.profiles.get(name));
    let profiles = profiles.map(|profile: &'r Arc<RawProfile>| Below {
        layer: Layer::Profile(profile.name.clone()),
        settings: &profile.settings,
        lifelines: &profile.lifelines,
    });
    fleet.into_iter().chain(site).chain(profiles).collect()
}

fn all<T>(given: &Option<(Vec<T>, Place)>) -> &[T] {
    given.as_ref().map_or(&[], |(entries, _)| entries)
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
pub(super) struct Stack<'r, E> {
    keybook: Arc<Keybook>,
    layers: Vec<(Layer, &'r [E])>,
    /// What wins below the stations themselves, a setting or lifeline each.
    pub winners: Vec<Option<Won<'r, E>>>,
    stations: usize,
    /// How many stations say otherwise themselves, and where the first does.
    overruled: Vec<Option<(usize, &'r Place)>>,
}

impl<'r, E: Said + 'r> Stack<'r, E> {
    /// Lays layers over each other, the lowest first; entries that the model does not have are passed over.
    pub fn new(keybook: Arc<Keybook>, below: &[Below<'r>]) -> Stack<'r, E> {
        let layers: Vec<(Layer, &'r [E])> = below.iter().map(|one| (one.layer.clone(), E::all_of(one))).collect();
        let mut winners: Vec<Option<Won<'r, E>>> = (0..E::count(&keybook)).map(|_| None).collect();
        for (layer, entries) in &layers {
            for entry in *entries {
                if let Some(at) = entry.at(&keybook) {
                    winners[at] = Some((layer.clone(), entry));
                }
            }
        }
        let overruled = vec![None; winners.len()];
        Stack { keybook, layers, winners, stations: 0, overruled }
    }

    /// A station more has these layers below its own.
    pub fn count(&mut self, own: &[Option<Won<'r, E>>]) {
        self.stations += 1;
        for (slot, won) in self.overruled.iter_mut().zip(own) {
            let Some((_, entry)) = won else { continue };
            slot.get_or_insert((0, entry.place())).0 += 1;
        }
    }

    /// Adds what became of its lines.
    pub fn add_to(&self, uses: &mut Uses) {
        for (layer, entries) in &self.layers {
            let known = uses.entry(layer.clone()).or_insert_with(|| vec![Use::Nowhere; entries.len()]);
            known.iter_mut().zip(*entries).for_each(|(one, entry)| one.and(&self.use_of(entry)));
        }
    }

    fn use_of(&self, entry: &E) -> Use {
        let Some(at) = entry.at(&self.keybook) else { return Use::Nowhere };
        match (&self.winners[at], self.overruled[at]) {
            (Some((_, winner)), _) if !std::ptr::eq(*winner, entry) => Use::Overruled(winner.place().clone()),
            (_, Some((count, place))) if count == self.stations => Use::Overruled(place.clone()),
            (_, _) => Use::Wins,
        }
    }

    /// The last word on a setting or lifeline below the stations themselves.
    pub fn winner(&self, at: usize) -> Option<&Won<'r, E>> {
        self.winners[at].as_ref()
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
        let below = below(&parts.shared, site, &raw.profiles).into_iter().map(|one| (one.layer, one.settings));
        for (layer, entries) in below.chain([own]) {
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
        let lower = below(&parts.shared, site, &raw.profiles).into_iter().map(|one| one.layer);
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
