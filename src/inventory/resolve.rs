//! Layer over layer: fleet, site, profiles in their order, station.
//!
//! Stations of one site with the same profiles, model and line share everything but their own layer,
//! so that part is worked out once for all of them.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Range;
use std::sync::Arc;

use super::line::{self, Contact, Line, LineKind, Reach};
use super::raw::{Entry, LineEntry, RawFile, RawProfile, RawSite, RawStation, SpeltNumber, Wish};
use super::{E164, ForNow, Inventory, Layer, Station, Wanted, checks};
use crate::finding::{Code, Finding, Place, did_you_mean, settle};
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Codes, Kind, Name, Reference, Value, Written};

/// The models at hand, by name.
pub type Keybooks = BTreeMap<Name, Arc<Keybook>>;

/// Puts the files of one inventory together. With any error among the findings the result is not to be used.
pub fn resolve(files: &[Arc<RawFile>], keybooks: &Keybooks, codes: &Codes) -> (Inventory, Vec<Finding>) {
    let mut findings = Vec::new();
    let parts = Parts::gather(files, &mut findings);
    let mut resolver = Resolver::new(&parts, keybooks, codes);
    resolver.findings = findings;
    let mut stations = BTreeMap::new();
    for raw in parts.stations.values() {
        if let Some(station) = resolver.station(raw) {
            stations.insert(raw.name.clone(), Arc::new(station));
        }
    }
    let mut findings = resolver.findings;
    findings.extend(told_together(resolver.shared));
    let contacts = parts.contacts.iter().map(|(name, contact)| ((*name).clone(), (*contact).clone())).collect();
    let fleet = parts.fleet.map(|(name, _)| name.clone()).unwrap_or_else(|| "the fleet".into());
    let inventory = Inventory { fleet, contacts, stations };
    checks::whole(&inventory, &parts, keybooks, codes, &mut findings);
    if files.iter().any(|file| file.is_unread) {
        // What a file defines that could not be read is missing everywhere else: no mistake of those places.
        findings.retain(|finding| !matches!(finding.code, Code::NameUnknown | Code::ModelMissing));
    }
    settle(&mut findings);
    (inventory, findings)
}

/// Some of the stations of these files, without a look at the others; nothing where any of them gives rise to a finding.
pub(super) fn stations_alone(
    files: &[Arc<RawFile>],
    stations: &[&RawStation],
    keybooks: &Keybooks,
    codes: &Codes,
) -> Option<Vec<Station>> {
    let mut findings = Vec::new();
    let parts = Parts::shared(files, &mut findings);
    let mut resolver = Resolver::new(&parts, keybooks, codes);
    let resolved: Option<Vec<Station>> = stations.iter().map(|raw| resolver.station(raw)).collect();
    let is_clean = findings.is_empty() && resolver.findings.is_empty() && resolver.shared.is_empty();
    resolved.filter(|_| is_clean)
}

/// One layer's word on a setting of a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spoken {
    pub layer: Layer,
    pub place: Place,
    pub wish: Wish,
}

/// Every layer that speaks of a setting of a station, the winner last.
pub fn spoken(files: &[Arc<RawFile>], station: &str, setting: &str) -> Vec<Spoken> {
    let parts = Parts::gather(files, &mut Vec::new());
    let Some(raw) = parts.stations.get(station) else { return Vec::new() };
    let mut all: Vec<Spoken> = Vec::new();
    let layers = parts.layers(raw).into_iter().chain([(Layer::Station, raw.settings.as_slice())]);
    for (layer, entries) in layers {
        let entry = entries.iter().find(|entry| &*entry.name == setting);
        all.extend(entry.map(|e| Spoken { layer, place: e.place.clone(), wish: e.wish.clone() }));
    }
    all
}

/// The layers that may speak of a station, in their order: the later wins.
pub fn layers(files: &[Arc<RawFile>], station: &str) -> Vec<Layer> {
    let parts = Parts::gather(files, &mut Vec::new());
    let Some(raw) = parts.stations.get(station) else { return Vec::new() };
    parts.layers(raw).into_iter().map(|(layer, _)| layer).chain([Layer::Station]).collect()
}

/// One layer's word on a field of a station's line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpokenLine {
    pub layer: Layer,
    pub entry: LineEntry,
}

/// Everything that site and station say of the station's line; of two on one field the later wins.
pub fn spoken_line(files: &[Arc<RawFile>], station: &str) -> Vec<SpokenLine> {
    let parts = Parts::gather(files, &mut Vec::new());
    let Some(raw) = parts.stations.get(station) else { return Vec::new() };
    let site = parts.sites.get(&*raw.site.0);
    let of_site = site.into_iter().flat_map(|site| {
        site.line_said.iter().map(|entry| SpokenLine { layer: Layer::Site(site.name.clone()), entry: entry.clone() })
    });
    let own = raw.line_said.iter().map(|entry| SpokenLine { layer: Layer::Station, entry: entry.clone() });
    of_site.chain(own).collect()
}

/// All files as one, each name once.
pub(super) struct Parts<'r> {
    pub fleet: Option<(&'r Name, &'r Place)>,
    pub settings: Option<(&'r [Entry], &'r Place)>,
    pub test_days: Option<(u32, &'r Place)>,
    pub contacts: BTreeMap<&'r Name, &'r Contact>,
    pub broken_contacts: BTreeSet<&'r Name>,
    /// Whether a file is broken, so that what seems to be missing may only be misspelt.
    pub is_broken: bool,
    pub spelt: Vec<&'r SpeltNumber>,
    pub profiles: BTreeMap<&'r str, &'r RawProfile>,
    pub sites: BTreeMap<&'r str, &'r RawSite>,
    pub stations: BTreeMap<&'r str, &'r RawStation>,
}

impl<'r> Parts<'r> {
    fn gather(files: &'r [Arc<RawFile>], findings: &mut Vec<Finding>) -> Parts<'r> {
        let mut parts = Parts::shared(files, findings);
        for file in files {
            let stations = file.stations.iter().map(|s| (&*s.name, s));
            unique(&mut parts.stations, stations, |s| &s.place, "station", findings);
        }
        parts
    }

    /// Everything but the stations.
    fn shared(files: &'r [Arc<RawFile>], findings: &mut Vec<Finding>) -> Parts<'r> {
        let mut parts = Parts {
            fleet: None,
            settings: None,
            test_days: None,
            contacts: BTreeMap::new(),
            broken_contacts: BTreeSet::new(),
            is_broken: files.iter().any(|file| file.is_broken),
            spelt: files.iter().flat_map(|file| &file.spelt).collect(),
            profiles: BTreeMap::new(),
            sites: BTreeMap::new(),
            stations: BTreeMap::new(),
        };
        for file in files {
            let fleet = file.fleet.as_ref().map(|(name, place)| (name, place));
            once(&mut parts.fleet, fleet, |(_, place)| place, "The fleet's name", findings);
            let settings = file.settings.as_ref().map(|(entries, place)| (entries.as_slice(), place));
            once(&mut parts.settings, settings, |(_, place)| place, "The fleet's `settings`", findings);
            let test_days = file.test_days.as_ref().map(|(days, place)| (*days, place));
            once(&mut parts.test_days, test_days, |(_, place)| place, "The fleet's `test_days`", findings);
            let contacts = file.contacts.iter().map(|(name, contact)| (name, contact));
            unique(&mut parts.contacts, contacts, |c| &c.place, "contact", findings);
            parts.broken_contacts.extend(&file.broken_contacts);
            let profiles = file.profiles.iter().map(|p| (&*p.name, p));
            unique(&mut parts.profiles, profiles, |p| &p.place, "profile", findings);
            unique(&mut parts.sites, file.sites.iter().map(|s| (&*s.name, s)), |s| &s.place, "site", findings);
        }
        parts
    }

    /// The layers below a station's own, the lowest first; profiles that do not exist are left out.
    fn layers(&self, station: &RawStation) -> Vec<(Layer, &'r [Entry])> {
        let mut layers = Vec::new();
        layers.extend(self.settings.map(|(entries, _)| (Layer::Fleet, entries)));
        let site = self.sites.get(&*station.site.0);
        layers.extend(site.map(|s| (Layer::Site(s.name.clone()), s.settings.as_slice())));
        for (name, _) in &station.profiles {
            let profile = self.profiles.get(&**name);
            layers.extend(profile.map(|p| (Layer::Profile(p.name.clone()), p.settings.as_slice())));
        }
        layers
    }
}

/// Takes up what may be given in one place only.
fn once<'r, T: Copy>(
    slot: &mut Option<T>,
    given: Option<T>,
    place: impl Fn(T) -> &'r Place,
    what: &str,
    findings: &mut Vec<Finding>,
) {
    match (slot.as_ref(), given) {
        (_, None) => {}
        (None, Some(_)) => *slot = given,
        (Some(first), Some(second)) => findings.push(
            Finding::new(
                Code::FleetTwice,
                place(second).clone(),
                format!("{what} is given twice."),
                "Keep one of the two.",
            )
            .beside(place(*first).clone(), "given here already"),
        ),
    }
}

/// Takes up named things, each name once.
fn unique<'r, K: Ord + std::fmt::Display, T: Copy>(
    known: &mut BTreeMap<K, T>,
    given: impl Iterator<Item = (K, T)>,
    place: impl Fn(T) -> &'r Place,
    what: &str,
    findings: &mut Vec<Finding>,
) {
    for (name, item) in given {
        match known.get(&name) {
            None => {
                known.insert(name, item);
            }
            Some(first) => findings.push(
                Finding::new(
                    Code::NameRepeated,
                    place(item).clone(),
                    format!("The {what} `{name}` is defined twice."),
                    "Keep one of the two, or give one another name.",
                )
                .beside(place(*first).clone(), "defined here already"),
            ),
        }
    }
}

/// The lower layers of stations that share them: what wins for each setting, and what it comes to.
struct Base<'r> {
    winners: Vec<Option<Won<'r>>>,
    /// Worked out when the first station needs it: what is overridden everywhere is judged nowhere.
    values: Vec<Option<Judged>>,
}

/// What a lower layer's entry comes to, and where among the shared findings those of it stand.
#[derive(Clone)]
struct Judged {
    value: Option<Arc<Wanted>>,
    findings: Range<usize>,
}

/// A finding about a line that several stations may take their value from.
struct Shared<'r> {
    finding: Finding,
    layer: Layer,
    /// The first of the stations by name.
    first: &'r RawStation,
    count: usize,
}

/// Findings of lower layers, each once, with the stations that it concerns.
fn told_together(shared: Vec<Shared<'_>>) -> Vec<Finding> {
    let mut merged: BTreeMap<Finding, Shared<'_>> = BTreeMap::new();
    for one in shared {
        match merged.get_mut(&one.finding) {
            None => {
                merged.insert(one.finding.clone(), one);
            }
            Some(known) => {
                known.count += one.count;
                if one.first.name < known.first.name {
                    known.first = one.first;
                }
            }
        }
    }
    let told = merged.into_values().map(|Shared { mut finding, layer, first, count }| {
        let who = checks::with_others(&first.name, count);
        finding.message = format!("{} {who} {} it from the {layer}.", finding.message, takes(count));
        finding.beside(first.place.clone(), if count == 1 { "this station" } else { "the first of these stations" })
    });
    told.collect()
}

fn takes(count: usize) -> &'static str {
    if count == 1 { "takes" } else { "take" }
}

/// The entry that wins, and the layer it stands in.
type Won<'r> = (Layer, &'r Entry);

/// What decides everything but a station's own layer.
#[derive(PartialEq, Eq, Hash)]
struct BaseKey<'r> {
    site: &'r str,
    profiles: Vec<&'r str>,
    model: &'r str,
    line: Line,
}

struct Resolver<'r> {
    parts: &'r Parts<'r>,
    keybooks: &'r Keybooks,
    codes: &'r Codes,
    bases: Vec<Base<'r>>,
    base_of: HashMap<BaseKey<'r>, usize>,
    shared: Vec<Shared<'r>>,
    findings: Vec<Finding>,
}

/// A station's model and line, while one of its layers is read.
struct At<'a> {
    keybook: &'a Keybook,
    line: &'a Line,
    site: &'a Place,
}

impl<'r> Resolver<'r> {
    fn new(parts: &'r Parts<'r>, keybooks: &'r Keybooks, codes: &'r Codes) -> Resolver<'r> {
        Resolver {
            parts,
            keybooks,
            codes,
            bases: Vec::new(),
            base_of: HashMap::new(),
            shared: Vec::new(),
            findings: Vec::new(),
        }
    }

    fn note(&mut self, code: Code, place: &Place, message: String, fix: impl Into<String>) {
        self.findings.push(Finding::new(code, place.clone(), message, fix));
    }

    fn station(&mut self, raw: &'r RawStation) -> Option<Station> {
        let site = self.site(raw);
        self.profiles(raw);
        let keybook = self.model(raw);
        let (site, keybook) = (site?, keybook?);
        let line = site.line.overridden(&raw.line);
        let base = self.base(raw, &keybook, &line);
        let at = At { keybook: &keybook, line: &line, site: &site.place };
        let mut own = vec![None; keybook.settings.len()];
        self.layer(Layer::Station, &raw.settings, &at, &mut own);
        let last = |id: SettingId| own[id.index()].as_ref().or(self.bases[base].winners[id.index()].as_ref());
        let let_go = keybook.ids().filter_map(|id| Some((id, last(id)?.1.let_go()?))).collect();
        let wanted = keybook.ids().map(|id| self.wanted(own[id.index()].take(), base, id, raw, &at)).collect();
        Some(Station {
            name: raw.name.clone(),
            formerly: Vec::new(),
            site: site.name.clone(),
            number: raw.number.as_ref()?.0.clone(),
            location: raw.location.clone(),
            wanted,
            let_go,
            test_days: raw.test_days.or(site.test_days).or(self.parts.test_days.map(|(days, _)| days)),
            place: raw.place.clone(),
            line,
            keybook,
            for_now: ForNow::default(),
        })
    }

    fn site(&mut self, raw: &'r RawStation) -> Option<&'r RawSite> {
        let (name, place) = &raw.site;
        let site = self.parts.sites.get(&**name).copied();
        if site.is_none() {
            let message = format!("No site is called `{name}`.");
            let known = self.parts.sites.keys().copied();
            self.findings.push(Finding::unknown(Code::NameUnknown, place.clone(), message, name, known));
        }
        site
    }

    fn profiles(&mut self, raw: &'r RawStation) {
        let parts = self.parts;
        for (name, place) in &raw.profiles {
            if !parts.profiles.contains_key(&**name) {
                let message = format!("No profile is called `{name}`.");
                let known = parts.profiles.keys().copied();
                self.findings.push(Finding::unknown(Code::NameUnknown, place.clone(), message, name, known));
            }
        }
    }

    fn model(&mut self, raw: &'r RawStation) -> Option<Arc<Keybook>> {
        let parts = self.parts;
        let profiles = raw.profiles.iter().filter_map(|(name, _)| parts.profiles.get(&**name));
        let model = raw.model.as_ref().or_else(|| profiles.filter_map(|p| p.model.as_ref()).next_back());
        let Some((name, place)) = model else {
            if raw.is_partial || raw.profiles.iter().any(|(name, _)| !parts.profiles.contains_key(&**name)) {
                // Its model may be what is misspelt; that has a finding of its own.
                return None;
            }
            let fix = "Give it a `model`, or a profile that has one.";
            self.note(Code::ModelMissing, &raw.place, format!("The station `{}` has no model.", raw.name), fix);
            return None;
        };
        let keybook = self.keybooks.get(name).cloned();
        if keybook.is_none() {
            self.findings.push(checks::no_keybook(name, place, self.keybooks));
        }
        keybook
    }

    /// What is wanted of one setting: by the station itself, or by the layers below it.
    fn wanted(
        &mut self,
        own: Option<Won<'r>>,
        base: usize,
        id: SettingId,
        raw: &'r RawStation,
        at: &At<'_>,
    ) -> Option<Arc<Wanted>> {
        if let Some((layer, entry)) = own {
            return self.entry(&layer, entry, id, at).map(Arc::new);
        }
        if let Some(judged) = &self.bases[base].values[id.index()] {
            self.shared[judged.findings.clone()].iter_mut().for_each(|shared| shared.count += 1);
            return judged.value.clone();
        }
        let (before, shared) = (self.findings.len(), self.shared.len());
        let winner = self.bases[base].winners[id.index()].clone();
        let value = winner.clone().and_then(|(layer, entry)| self.entry(&layer, entry, id, at)).map(Arc::new);
        if let Some((layer, _)) = winner {
            let found = self.findings.split_off(before).into_iter();
            self.shared.extend(found.map(|finding| Shared { finding, layer: layer.clone(), first: raw, count: 1 }));
        }
        let judged = Judged { value: value.clone(), findings: shared..self.shared.len() };
        self.bases[base].values[id.index()] = Some(judged);
        value
    }

    /// The place of the lower layers that a station shares with others of its kind.
    fn base(&mut self, raw: &'r RawStation, keybook: &Arc<Keybook>, line: &Line) -> usize {
        let key = BaseKey {
            site: &raw.site.0,
            profiles: raw.profiles.iter().map(|(name, _)| &**name).collect(),
            model: self.keybooks.get_key_value(&keybook.model).map_or("", |(name, _)| &**name),
            line: line.clone(),
        };
        if let Some(base) = self.base_of.get(&key) {
            return *base;
        }
        let mut winners = vec![None; keybook.settings.len()];
        let at = At { keybook, line, site: &raw.site.1 };
        for (layer, entries) in self.parts.layers(raw) {
            self.layer(layer, entries, &at, &mut winners);
        }
        self.bases.push(Base { winners, values: vec![None; keybook.settings.len()] });
        self.base_of.insert(key, self.bases.len() - 1);
        self.bases.len() - 1
    }

    /// Lays one layer over those below it.
    fn layer(&mut self, layer: Layer, entries: &'r [Entry], at: &At<'_>, winners: &mut [Option<Won<'r>>]) {
        for entry in entries {
            match at.keybook.id(&entry.name) {
                Some(id) => winners[id.index()] = Some((layer.clone(), entry)),
                None => match layer {
                    // Fleet and site speak to many models; `checks` warns of a setting that none has.
                    Layer::Fleet | Layer::Site(_) => {}
                    Layer::Profile(_) | Layer::Station => {
                        self.findings.push(checks::no_setting(entry, at.keybook));
                    }
                },
            }
        }
    }

    /// What an entry wants of a station; `None` where it is unmanaged or wrong.
    fn entry(&mut self, layer: &Layer, entry: &Entry, id: SettingId, at: &At<'_>) -> Option<Wanted> {
        let kind = &at.keybook.setting(id).kind;
        let (value, contact) = match &entry.wish {
            Wish::Unmanaged => return None,
            Wish::Value(written) => (self.value(written, entry, kind, at)?, None),
            Wish::FromLine => (self.line_kind(entry, kind, at)?, None),
            Wish::To(name) => (self.to(name, entry, kind, at)?, Some(name.clone())),
        };
        Some(Wanted { value, layer: layer.clone(), place: entry.place.clone(), contact })
    }

    fn value(&mut self, written: &Written, entry: &Entry, kind: &Kind, at: &At<'_>) -> Option<Value> {
        if let (Written::Secret(reference), Kind::Secret { .. }) = (written, kind) {
            self.code(reference, entry, kind);
        }
        match kind.value(written, |reference| self.codes.seal(reference)) {
            Ok(value) => Some(value),
            Err(unfit) => {
                let message = format!("`{}` on a {} {}", entry.name, at.keybook.model, unfit.why);
                let finding = Finding::new(unfit.code, entry.place.clone(), message, unfit.fix);
                let replacement =
                    unfit.replacement.filter(|_| matches!(written, Written::Quoted(_) | Written::Plain(_)));
                self.findings.push(finding.replacing(replacement));
                None
            }
        }
    }

    fn code(&mut self, reference: &Reference, entry: &Entry, kind: &Kind) {
        let problem = match self.codes.code(reference) {
            Some(code) => {
                kind.fits_code(code).err().map(|unfit| (unfit.code, format!("`{reference}` {}", unfit.why), unfit.fix))
            }
            None => match reference {
                Reference::File(path) => Some((
                    Code::SecretUnread,
                    format!("The code behind `{reference}` cannot be read here."),
                    format!("Put the code into {path}, beside the configuration, or let this user read it."),
                )),
                // Variables are set where scripts are made, seldom where files are checked.
                Reference::Env(_) | Reference::Factory => None,
            },
        };
        if let Some((code, message, fix)) = problem {
            self.note(code, &entry.place, message, fix);
        }
    }

    fn line_kind(&mut self, entry: &Entry, kind: &Kind, at: &At<'_>) -> Option<Value> {
        let Kind::Choice(choices) = kind else {
            let message = format!("`{}` is no choice, so it cannot follow the line's kind.", entry.name);
            self.note(Code::ValueOutside, &entry.place, message, "Write a value.");
            return None;
        };
        let Some(word) = at.line.kind.map(LineKind::as_str) else {
            self.lacking(entry, "the line has no `kind`", at);
            return None;
        };
        let found = choices.iter().find(|(name, _)| &**name == word);
        if found.is_none() {
            let message = format!("A {} has no choice `{word}` for `{}`.", at.keybook.model, entry.name);
            let fix = did_you_mean(word, choices.iter().map(|(name, _)| &**name));
            self.note(Code::ValueOutside, &entry.place, message, fix);
        }
        found.map(|(name, _)| Value::Choice(name.clone()))
    }

    fn lacking(&mut self, entry: &Entry, what: &str, at: &At<'_>) {
        if at.line.is_partial {
            return;
        }
        let message = format!("What `{}` should be depends on the line, and {what}.", entry.name);
        let finding = Finding::new(
            Code::LineIncomplete,
            entry.place.clone(),
            message,
            "Complete the `line` of the site or station.",
        );
        self.findings.push(finding.beside(at.site.clone(), "the site"));
    }

    fn to(&mut self, name: &Name, entry: &Entry, kind: &Kind, at: &At<'_>) -> Option<Value> {
        let Kind::Dial { .. } = kind else {
            let message = format!("`{}` stores no telephone number, so it cannot call a contact.", entry.name);
            self.note(Code::ValueOutside, &entry.place, message, "Write a value.");
            return None;
        };
        if self.parts.broken_contacts.contains(name) {
            return None;
        }
        // One that does not exist is told of by `checks`, whether or not a station takes the layer.
        let contact = self.parts.contacts.get(name).copied()?;
        let dialled = match line::dial(&contact.reach, at.line) {
            Ok(dialled) => dialled,
            Err(lacks) => {
                self.lacking(entry, &lacks.to_string(), at);
                return None;
            }
        };
        self.dialling_warnings(name, &contact.reach, &dialled, entry, at.line);
        match kind.value(&Written::Quoted(dialled), |reference| self.codes.seal(reference)) {
            Ok(value) => Some(value),
            Err(unfit) => {
                let message = format!("`{}` on a {} {}", entry.name, at.keybook.model, unfit.why);
                let finding = Finding::new(unfit.code, entry.place.clone(), message, unfit.fix);
                self.findings.push(finding.beside(contact.place.clone(), format!("from the contact `{name}`")));
                None
            }
        }
    }

    fn abroad(&mut self, number: &E164, entry: &Entry, line: &Line) {
        let Some((used, country, other)) = line.abroad_otherwise(number) else { return };
        let message = format!(
            "{number} is dialled behind {used} on this line, and numbers abroad are dialled otherwise in {country}."
        );
        let fix = match other {
            Some(other) => format!("Give the line `international: \"{other}\"`, or whatever its operator says."),
            None => "Give the line the `international` prefix that its operator says.".into(),
        };
        self.note(Code::AbroadOtherwise, &entry.place, message, fix);
    }

    fn dialling_warnings(&mut self, name: &Name, reach: &Reach, dialled: &Name, entry: &Entry, line: &Line) {
        match (reach, line.kind) {
            (Reach::Short(short), Some(LineKind::Pbx)) if line.short_direct != Some(true) => {
                let message = format!(
                    "The emergency code {short} is dialled as {dialled} on this line. Direct-dialling rules such as 47 CFR 9.16 may forbid a prefix."
                );
                let fix = "Where the exchange takes the code directly, give the line `short_direct: true`; ask whoever is responsible for it.";
                self.note(Code::ShortPrefixed, &entry.place, message, fix);
            }
            (Reach::Extension(_), Some(LineKind::Direct)) => {
                let message = format!("The extension of `{name}` cannot be reached from a direct line.");
                self.note(Code::ExtensionOutside, &entry.place, message, "Give a contact with `calls`.");
            }
            (Reach::Calls(number), _) => self.abroad(number, entry, line),
            (Reach::Dial(_) | Reach::Short(_) | Reach::Extension(_), _) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inventory::{Form, read};
    use crate::keybook::sample::{TERN, keybook};
    use crate::setting;

    const FLEET: &str = r#"inventory: 1
fleet: Skerry Coast Harbours
contacts:
  control-room:  {calls: "+441632960101"}
  duty-officer:  {calls: "+441632960177"}
profiles:
  quayside: {model: tern-2, settings: {emergency.primary: {to: control-room}, lamp.follows: [emergency], line.kind: {from: line}}}
sites:
  east-quay:
    line: {kind: pbx, outside: "9,", country: GB, form: national}
    settings: {emergency.backup: {to: duty-officer}}
    stations:
      EQ-01: {number: "+441632960121", where: "head of ladder 1", profiles: [quayside], settings: {identity: "121", access: {secret: "file:a"}}}
"#;

    fn books() -> Keybooks {
        let factory = TERN.replace(
            "access:            {kind: secret, digits: [4, 8]}",
            "access: {kind: secret, digits: [4, 8], factory: \"0000\"}",
        );
        [(Name::from("tern-2"), keybook(TERN)), (Name::from("tern-2f"), keybook(&factory.replace("tern-2", "tern-2f")))]
            .into()
    }

    fn codes() -> Codes {
        let mut codes = Codes::new(b"a key");
        for (path, code) in [("a", "4711"), ("zero", "0000"), ("long", "123456789"), ("words", "open")] {
            codes.learn(Reference::File(path.into()), setting::Code::new(code));
        }
        codes
    }

    fn resolved(texts: &[&str]) -> (Inventory, Vec<Finding>) {
        let mut findings = Vec::new();
        let mut files = Vec::new();
        for (nth, text) in texts.iter().enumerate() {
            let (raw, found) = read(&format!("{nth}.yaml").into(), text.as_bytes());
            files.push(Arc::new(raw));
            findings.extend(found);
        }
        let (inventory, found) = resolve(&files, &books(), &codes());
        findings.extend(found);
        settle(&mut findings);
        (inventory, findings)
    }

    fn wanted(inventory: &Inventory, station: &str, setting: &str) -> Option<String> {
        let station = &inventory.stations[station];
        station.wanted(station.keybook.id(setting).unwrap()).map(|wanted| wanted.value.to_string())
    }

    /// The one finding that an edit of the sample makes: its code, place and fix.
    fn finding(from: &str, to: &str) -> (Code, String, String) {
        assert!(FLEET.contains(from), "{from}");
        let (_, findings) = resolved(&[&FLEET.replace(from, to)]);
        assert_eq!(findings.len(), 1, "{from} -> {to}: {findings:#?}");
        (findings[0].code, findings[0].place.to_string(), findings[0].fix.clone())
    }

    #[test]
    fn the_sample_means_what_its_author_meant() {
        let (inventory, findings) = resolved(&[FLEET]);
        assert_eq!(findings, []);
        for (setting, value) in [
            ("emergency.primary", Some("\"9,01632960101\"")),
            ("emergency.backup", Some("\"9,01632960177\"")),
            ("lamp.follows", Some("[emergency]")),
            ("line.kind", Some("pbx")),
            ("identity", Some("\"121\"")),
            ("access", Some("(secret file:a)")),
            ("gate.seconds", None),
        ] {
            assert_eq!(wanted(&inventory, "EQ-01", setting).as_deref(), value, "{setting}");
        }
        let station = &inventory.stations["EQ-01"];
        assert_eq!(station.line.form, Some(Form::National));
        let primary = station.wanted(station.keybook.id("emergency.primary").unwrap()).unwrap();
        assert_eq!(
            (primary.place.to_string().as_str(), &primary.layer),
            ("0.yaml:7:59", &Layer::Profile("quayside".into()))
        );
    }

    #[test]
    fn later_layers_win_and_null_takes_a_setting_out() {
        let text = FLEET
            .replace(
                "contacts:\n",
                "settings: {gate.seconds: 9, emergency.backup: \"1\", identity: \"5\"}\ncontacts:\n",
            )
            .replace("identity: \"121\"", "identity: \"121\", lamp.follows: null, gate.seconds: 7");
        let (inventory, findings) = resolved(&[&text]);
        assert_eq!(findings, []);
        assert_eq!(wanted(&inventory, "EQ-01", "gate.seconds").as_deref(), Some("7"));
        assert_eq!(wanted(&inventory, "EQ-01", "emergency.backup").as_deref(), Some("\"9,01632960177\""));
        assert_eq!(wanted(&inventory, "EQ-01", "lamp.follows"), None);
    }

    #[test]
    fn a_station_may_override_its_line_and_stand_at_top_level() {
        let more = r#"inventory: 1
stations:
  EQ-02: {site: east-quay, number: "+441632960122", profiles: [quayside], line: {kind: ringdown}, settings: {identity: "122"}}
"#;
        let (inventory, findings) = resolved(&[FLEET, more]);
        assert_eq!(findings, []);
        assert_eq!(wanted(&inventory, "EQ-02", "emergency.primary").as_deref(), Some("\"000\""));
        assert_eq!(wanted(&inventory, "EQ-02", "line.kind").as_deref(), Some("ringdown"));
    }

    #[test]
    fn every_mistake_is_found_at_the_line_that_made_it() {
        // The last column is the text that the finding must point at.
        for (from, to, code, point) in [
            ("{to: control-room}", "{to: contorl-room}", Code::NameUnknown, "contorl-room"),
            ("profiles: [quayside]", "profiles: [quaysdie]", Code::NameUnknown, "quaysdie"),
            ("model: tern-2,", "model: tern-3,", Code::NameUnknown, "tern-3"),
            ("identity: \"121\"", "identity: \"123456789\"", Code::ValueOutside, "\"123456789\""),
            ("identity: \"121\"", "identity: \"121\", idenity: \"1\"", Code::NameUnknown, "idenity"),
            ("identity: \"121\"", "identity: 121", Code::Unquoted, "121,"),
            ("identity: \"121\"", "identity: {to: duty-officer}", Code::ValueOutside, "{to: duty-officer}, acc"),
            ("outside: \"9,\"", "outside: \"9*\"", Code::PauseUnstorable, "{to: control-room}"),
            ("outside: \"9,\"", "outside: \"9,99999999999\"", Code::ValueOutside, "{to: control-room}"),
            ("kind: pbx, ", "", Code::LineIncomplete, "{to: control-room}"),
            ("\"file:a\"", "\"file:long\"", Code::SecretUnfit, "{secret:"),
            ("\"file:a\"", "\"file:words\"", Code::SecretUnfit, "{secret:"),
            ("\"file:a\"", "\"file:gone\"", Code::SecretUnread, "{secret:"),
            ("{secret: \"file:a\"}", "\"4711\"", Code::SecretLiteral, "\"4711\""),
            ("number: \"+441632960121\", ", "", Code::KeyMissing, "{where:"),
            ("\"+441632960121\"", "\"01632960121\"", Code::NotE164, "\"01632960121\""),
            ("\"+441632960121\"", "\"+4416329601210\"", Code::NumberImpossible, "\"+4416329601210\""),
            ("\"+441632960121\"", "\"+441632960101\"", Code::CallsStation, "{to: control-room}"),
            ("country: GB", "country: XX", Code::NameUnknown, "XX"),
            ("inventory: 1", "inventory: 2", Code::Version, "2"),
            (
                "{emergency.backup",
                "{emergency.bakcup: \"1\", emergency.backup",
                Code::SettingNowhere,
                "emergency.bakcup",
            ),
            (
                "{calls: \"+441632960177\"}",
                "{calls: \"+441632960177\", dial: \"5\"}",
                Code::WrongShape,
                "duty-officer:  {",
            ),
        ] {
            assert!(FLEET.contains(from), "{from}");
            let text = FLEET.replace(from, to);
            let (_, findings) = resolved(&[&text]);
            let found = findings.iter().find(|f| f.code == code);
            let found = found.unwrap_or_else(|| panic!("{from} -> {to}: {findings:#?}"));
            let before = &text[..text.find(point).unwrap()];
            let line = before.matches('\n').count() + 1;
            let column = before.chars().rev().take_while(|c| *c != '\n').count() + 1;
            assert_eq!(found.place.to_string(), format!("0.yaml:{line}:{column}"), "{from} -> {to}: {found}");
            assert!(!found.fix.is_empty());
        }
    }

    #[test]
    fn a_near_miss_is_named() {
        assert_eq!(finding("profiles: [quayside]", "profiles: [quayside, quaysdie]").2, "Did you mean `quayside`?");
        assert_eq!(finding("calls: \"+441632960177\"", "calls: \"+44 1632 960177\"").2, "Write \"+441632960177\".");
    }

    #[test]
    fn what_is_defined_twice_is_told_with_both_places() {
        let again = "inventory: 1\nfleet: Other\ncontacts: {control-room: {extension: \"1\"}}\nsites: {east-quay: {}}\nstations: {EQ-01: {site: east-quay, number: \"+441632960129\", model: tern-2}}\nprofiles: {quayside: {}}\n";
        let (_, findings) = resolved(&[FLEET, again]);
        let twice: Vec<_> =
            findings.iter().filter(|f| matches!(f.code, Code::NameRepeated | Code::FleetTwice)).collect();
        assert_eq!(twice.len(), 5, "{findings:#?}");
        assert!(twice.iter().all(|f| &*f.place.file == "1.yaml" && &*f.related[0].0.file == "0.yaml"));
    }

    #[test]
    fn stations_that_cannot_be_told_apart_are_refused() {
        let more = |number: &str, identity: &str| {
            format!(
                "inventory: 1\nstations: {{EQ-02: {{site: east-quay, number: \"{number}\", profiles: [quayside], settings: {{identity: \"{identity}\"}}}}}}\n"
            )
        };
        let codes = |text: String| resolved(&[FLEET, &text]).1.iter().map(|f| f.code).collect::<Vec<_>>();
        assert_eq!(codes(more("+441632960121", "5")), [Code::NumberShared]);
        assert_eq!(codes(more("+441632960122", "121")), [Code::LocatingShared]);
        assert_eq!(codes(more("+441632960122", "5")), []);
    }

    #[test]
    fn a_station_that_would_call_a_station_is_refused_however_it_dials() {
        for dialled in ["9,01632960121", "9,00441632960121", "901632960121"] {
            let (_, findings) = resolved(&[&FLEET.replace("{to: duty-officer}", &format!("\"{dialled}\""))]);
            assert!(findings.iter().any(|f| f.code == Code::CallsStation), "{dialled}: {findings:#?}");
        }
    }

    #[test]
    fn what_may_fail_somebody_is_warned_of() {
        let warned = |from: &str, to: &str| {
            let (_, findings) = resolved(&[&FLEET.replace(from, to)]);
            assert!(findings.iter().all(|f| !f.is_error()), "{findings:#?}");
            findings.into_iter().map(|f| f.code).collect::<Vec<_>>()
        };
        assert_eq!(warned("{calls: \"+441632960101\"}", "{short: \"999\"}"), [Code::ShortPrefixed]);
        assert_eq!(warned("{calls: \"+441632960177\"}", "{extension: \"4410\"}"), []);
        let direct = FLEET.replace("kind: pbx, outside: \"9,\"", "kind: direct");
        let direct = direct.replace("{calls: \"+441632960177\"}", "{extension: \"4410\"}");
        assert_eq!(resolved(&[&direct]).1.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::ExtensionOutside]);
        assert_eq!(warned("line.kind: {from: line}", "gate.seconds: 5"), [Code::LifelineUnmanaged]);
        assert_eq!(warned("emergency.backup: {to: duty-officer}", "gate.seconds: 5"), [Code::ContactUnused]);
        let factory = FLEET.replace("model: tern-2", "model: tern-2f").replace("file:a", "file:zero");
        assert_eq!(resolved(&[&factory]).1.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::CodeFactory]);
    }

    #[test]
    fn names_in_layers_that_no_station_takes_are_checked_too() {
        let more = "inventory: 1\nprofiles:\n  spare: {model: tern-2, settings: {idenity: \"1\", emergency.backup: {to: nobody}}}\n  odd: {model: tern-9}\n";
        let (_, findings) = resolved(&[FLEET, more]);
        let found: Vec<_> = findings.iter().map(|f| (f.code, f.place.line)).collect();
        assert_eq!(found, [(Code::NameUnknown, 3), (Code::NameUnknown, 3), (Code::NameUnknown, 4)], "{findings:#?}");
    }

    #[test]
    fn an_empty_inventory_is_an_error() {
        assert_eq!(resolved(&["inventory: 1\nfleet: Nobody\n"]).1[0].code, Code::InventoryEmpty);
        assert_eq!(resolved(&[]).1[0].code, Code::InventoryEmpty);
    }

    #[test]
    fn the_same_files_give_the_same_bytes() {
        let once = format!("{:?}", resolved(&[FLEET]));
        for _ in 0..10 {
            assert_eq!(format!("{:?}", resolved(&[FLEET])), once);
        }
    }

    #[test]
    fn explaining_names_every_layer_that_spoke_with_the_winner_last() {
        let text = FLEET.replace("identity: \"121\"", "identity: \"121\", emergency.backup: \"\"");
        let (raw, _) = read(&"0.yaml".into(), text.as_bytes());
        let voices = spoken(&[Arc::new(raw)], "EQ-01", "emergency.backup");
        let layers: Vec<_> = voices.iter().map(|voice| voice.layer.to_string()).collect();
        assert_eq!(layers, ["site east-quay", "station"]);
    }
}
