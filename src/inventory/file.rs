//! The stations of one file, made from that file and from what all share. It is a pure function of those: nothing here knows
//! another file, and a line that stations of several files take is told of by each.
//!
//! Stations of one site with the same profiles, model and line share everything but their own layer, so that part is worked
//! out once for all of them.

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;
use std::sync::Arc;

use super::count::Counts;
use super::layers::{Said, Stack, Won, below};
use super::line::Line;
use super::raw::{RawFile, RawLifeline, RawSetting, RawSite, RawStation};
use super::shared::{Shared, no_keybook, no_lifeline, no_setting, with_others};
use super::station::{ForNow, Layer, Station, Wanted};
use super::values::{At, Values};
use crate::finding::{Code, Finding, Place};
use crate::keybook::{Keybook, SettingId};
use crate::setting::Name;

/// The sites that a file's stations name; none where there is no such site.
pub(super) type NamedSites = BTreeMap<Name, Option<Arc<RawSite>>>;

/// What comes of the stations of one file.
#[derive(Debug)]
pub(super) struct FileStations {
    /// In the file's order; none where a station is wrong or left out.
    pub stations: Vec<Option<Arc<Station>>>,
    pub findings: Vec<Finding>,
    /// Findings about lines that several stations may take their value from.
    told: Vec<SharedFinding>,
    pub counts: Counts,
}

/// A finding about a line that several stations may take their value from.
#[derive(Debug, Clone)]
struct SharedFinding {
    finding: Finding,
    layer: Layer,
    /// The first of the stations by name.
    first: (Name, Place),
    count: usize,
}

/// Makes the stations of a file; `keep` gives each its place in memory.
pub(super) fn make(
    file: &RawFile,
    is_left_out: impl Fn(usize) -> bool,
    shared: &Shared,
    sites: &NamedSites,
    keep: impl Fn(Station) -> Arc<Station>,
) -> FileStations {
    let mut maker = Maker::new(shared, sites);
    let mut stations = vec![None; file.stations.len()];
    let mut all: Vec<(usize, &RawStation)> = file.stations.iter().enumerate().collect();
    all.retain(|(nth, _)| !is_left_out(*nth));
    all.sort_by_key(|(_, raw)| &raw.name);
    for (nth, raw) in all {
        maker.counts.add_raw(raw);
        let station = maker.station(raw).map(&keep);
        station.iter().for_each(|station| maker.counts.add(station, shared));
        stations[nth] = station;
    }
    maker.end(stations)
}

/// Findings of lower layers of all files, each once, with the stations that it concerns.
pub(super) fn shared_findings(made: &[Arc<FileStations>]) -> Vec<Finding> {
    let mut merged: BTreeMap<&Finding, SharedFinding> = BTreeMap::new();
    for one in made.iter().flat_map(|made| &made.told) {
        match merged.get_mut(&one.finding) {
            None => {
                merged.insert(&one.finding, one.clone());
            }
            Some(known) => {
                known.count += one.count;
                if one.first.0 < known.first.0 {
                    known.first = one.first.clone();
                }
            }
        }
    }
    let told = merged.into_values().map(|SharedFinding { mut finding, layer, first: (first, place), count }| {
        let takes = if count == 1 { "takes" } else { "take" };
        let who = with_others(&first, count);
        finding.message = format!("{} {who} {takes} it from the {layer}.", finding.message);
        finding.beside(place, if count == 1 { "this station" } else { "the first of these stations" })
    });
    told.collect()
}

/// What decides everything but a station's own layer.
#[derive(PartialEq, Eq, Hash)]
struct BaseKey<'r> {
    site: &'r str,
    profiles: Vec<&'r str>,
    model: Name,
    line: Line,
}

/// The lower layers of stations that share them, and what each setting comes to.
struct Base<'r> {
    stack: Stack<'r, RawSetting>,
    lifelines: Stack<'r, RawLifeline>,
    line: Arc<Line>,
    /// Worked out when the first station needs it: what is overridden everywhere is judged nowhere.
    values: Vec<Option<SharedValue>>,
}

/// What a lower layer's line comes to, and where the findings about it are.
#[derive(Clone)]
struct SharedValue {
    value: Option<Arc<Wanted>>,
    findings: Range<usize>,
}

struct Maker<'r> {
    shared: &'r Shared,
    sites: &'r NamedSites,
    bases: Vec<Base<'r>>,
    base_of: HashMap<BaseKey<'r>, usize>,
    values: Values<'r>,
    told: Vec<SharedFinding>,
    counts: Counts,
    /// What people said of all these stations for now: that is in no file.
    nothing_said: Arc<ForNow>,
}

impl<'r> Maker<'r> {
    fn new(shared: &'r Shared, sites: &'r NamedSites) -> Maker<'r> {
        Maker {
            shared,
            sites,
            bases: Vec::new(),
            base_of: HashMap::new(),
            values: Values::new(shared),
            told: Vec::new(),
            counts: Counts::default(),
            nothing_said: Arc::default(),
        }
    }

    fn end(mut self, stations: Vec<Option<Arc<Station>>>) -> FileStations {
        for base in &self.bases {
            base.stack.add_to(&mut self.counts.uses);
            base.lifelines.add_to(&mut self.counts.lifeline_uses);
        }
        self.counts.end();
        FileStations { stations, findings: self.values.findings, told: self.told, counts: self.counts }
    }

    fn station(&mut self, raw: &'r RawStation) -> Option<Station> {
        let site = self.site(raw);
        self.profiles(raw);
        let keybook = self.model(raw);
        let (site, keybook) = (site?, keybook?);
        let line = raw.line.as_ref().map_or_else(|| site.line.clone(), |line| site.line.overridden(line));
        let own = self.own_layer(&raw.settings, &keybook, no_setting);
        let own_lifelines = self.own_layer(&raw.lifelines, &keybook, no_lifeline);
        let base = self.base(raw, site, &keybook, &line);
        self.bases[base].stack.count(&own);
        self.bases[base].lifelines.count(&own_lifelines);
        let at = At { keybook: &keybook, line: &line, site: &site.place };
        let Base { stack, lifelines, .. } = &self.bases[base];
        let absent =
            absent(&keybook, |at| own_lifelines[at].as_ref().or(lifelines.winner(at)).map(|(_, entry)| *entry));
        let last = |id: SettingId| own[id.index()].as_ref().or(stack.winner(id.index()));
        let let_go = keybook.ids().filter_map(|id| Some((id, last(id)?.1.let_go()?))).collect();
        let wanted = keybook.ids().map(|id| self.wanted(own[id.index()].as_ref(), base, id, raw, &at)).collect();
        Some(Station {
            name: raw.name.clone(),
            formerly: raw.formerly.iter().map(|(former, _)| former.clone()).collect(),
            site: site.name.clone(),
            number: raw.number.as_ref()?.0.clone(),
            location: raw.location.clone(),
            wanted,
            let_go,
            absent,
            test_days: raw.test_days.or(site.test_days).or(self.shared.test_days.as_ref().map(|(days, _)| *days)),
            place: raw.place.clone(),
            line: self.bases[base].line.clone(),
            keybook,
            for_now: self.nothing_said.clone(),
        })
    }

    fn site(&mut self, raw: &RawStation) -> Option<&'r RawSite> {
        let (name, place) = &raw.site;
        let site = self.sites.get(name)?.as_deref();
        if site.is_none() {
            // `checks` tells of it, for it knows all sites.
            self.counts.strangers.push((name.clone(), place.clone()));
        }
        site
    }

    fn profiles(&mut self, raw: &RawStation) {
        let profiles = &self.shared.profiles;
        // `checks` tells of them, each once for all stations.
        let unknown = raw.profiles.iter().filter(|(name, _)| !profiles.contains_key(name));
        let told = unknown.map(|(name, place)| (name.clone(), place.clone(), raw.name.clone()));
        self.counts.no_profiles.extend(told);
    }

    fn model(&mut self, raw: &RawStation) -> Option<Arc<Keybook>> {
        let Shared { profiles, keybooks, .. } = self.shared;
        let named = raw.profiles.iter().filter_map(|(name, _)| profiles.get(name));
        let model = raw.model.as_ref().or_else(|| named.filter_map(|p| p.model.as_ref()).next_back());
        let Some((name, place)) = model else {
            if raw.is_partial || raw.profiles.iter().any(|(name, _)| !profiles.contains_key(name)) {
                // Its model may be what is misspelt; that has a finding of its own.
                return None;
            }
            let message = format!("The station \"{}\" has no model.", raw.name);
            let fix = "Give it a \"model\", or a profile that has one.";
            self.values.findings.push(Finding::new(Code::ModelMissing, raw.place.clone(), message, fix));
            return None;
        };
        let keybook = keybooks.get(name).cloned();
        if keybook.is_none() {
            self.values.findings.push(no_keybook(name, place, keybooks));
        }
        keybook
    }

    /// What the station says itself, a setting or lifeline each.
    fn own_layer<E: Said>(
        &mut self,
        said: &'r [E],
        keybook: &Keybook,
        unknown: impl Fn(&E, &Keybook) -> Finding,
    ) -> Vec<Option<Won<'r, E>>> {
        let mut own: Vec<Option<Won<'r, E>>> = (0..E::count(keybook)).map(|_| None).collect();
        for entry in said {
            match entry.at(keybook) {
                Some(at) => own[at] = Some((Layer::Station, entry)),
                None => self.values.findings.push(unknown(entry, keybook)),
            }
        }
        own
    }

    /// The place of the lower layers that a station shares with others of its kind.
    fn base(&mut self, raw: &'r RawStation, site: &'r RawSite, keybook: &Arc<Keybook>, line: &Line) -> usize {
        let profiles = raw.profiles.iter().map(|(name, _)| &**name).collect();
        let key = BaseKey { site: &raw.site.0, profiles, model: keybook.model.clone(), line: line.clone() };
        if let Some(base) = self.base_of.get(&key) {
            return *base;
        }
        let layers = below(self.shared, Some(site), &raw.profiles);
        // Fleet and site speak to many models; `checks` warns of a setting that none has.
        for profile in layers.iter().filter(|below| matches!(below.layer, Layer::Profile(_))) {
            self.values.findings.extend(unknown_to(keybook, profile.settings, profile.lifelines));
        }
        let values = vec![None; keybook.settings.len()];
        let (stack, lifelines) = (Stack::new(keybook.clone(), &layers), Stack::new(keybook.clone(), &layers));
        self.bases.push(Base { stack, lifelines, line: Arc::new(line.clone()), values });
        self.base_of.insert(key, self.bases.len() - 1);
        self.bases.len() - 1
    }

    /// What is wanted of one setting: by the station itself, or by the layers below it.
    fn wanted(
        &mut self,
        own: Option<&Won<'r>>,
        base: usize,
        id: SettingId,
        raw: &RawStation,
        at: &At<'_>,
    ) -> Option<Arc<Wanted>> {
        if let Some((layer, entry)) = own {
            return self.values.entry(layer, entry, id, at).map(Arc::new);
        }
        if let Some(judged) = &self.bases[base].values[id.index()] {
            self.told[judged.findings.clone()].iter_mut().for_each(|told| told.count += 1);
            return judged.value.clone();
        }
        let (before, first) = (self.values.findings.len(), self.told.len());
        let mut value = None;
        if let Some((layer, entry)) = self.bases[base].stack.winner(id.index()) {
            value = self.values.entry(layer, entry, id, at).map(Arc::new);
            let found = self.values.findings.split_off(before).into_iter();
            let told = |finding| {
                let first = (raw.name.clone(), raw.place.clone());
                SharedFinding { finding, layer: layer.clone(), first, count: 1 }
            };
            self.told.extend(found.map(told));
        }
        let judged = SharedValue { value: value.clone(), findings: first..self.told.len() };
        self.bases[base].values[id.index()] = Some(judged);
        value
    }
}

/// What a profile says of settings and lifelines that a model has not.
pub(super) fn unknown_to<'r>(
    keybook: &'r Keybook,
    settings: &'r [RawSetting],
    lifelines: &'r [RawLifeline],
) -> impl Iterator<Item = Finding> + 'r {
    let settings = settings.iter().filter(|entry| entry.at(keybook).is_none()).map(|entry| no_setting(entry, keybook));
    let lifelines = lifelines.iter().filter(|entry| entry.at(keybook).is_none());
    settings.chain(lifelines.map(|entry| no_lifeline(entry, keybook)))
}

/// The lifelines that are not there by the last word on each, with the line that says so; a fallback goes with its button.
fn absent<'r>(keybook: &Keybook, last: impl Fn(usize) -> Option<&'r RawLifeline>) -> BTreeMap<Name, Place> {
    let gone = |at: usize| last(at).filter(|entry| !entry.is_there).map(|entry| entry.place.clone());
    let all = keybook.lifelines.iter().enumerate();
    let with_place = all.filter_map(|(at, lifeline)| {
        let place = gone(at).or_else(|| lifeline.backs.and_then(gone))?;
        Some((lifeline.name.clone(), place))
    });
    with_place.collect()
}
