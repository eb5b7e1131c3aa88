//! Stations that change in the same way, put together: an edit of one contact is one line, whatever it moves.

use std::collections::BTreeMap;

use super::{FactPreview, LifelinePreview, Preview, SettingPreview, StationPreview, Watch};
use crate::drift::value_text;
use crate::inventory::Wanted;
use crate::setting::{Name, Weight};

/// A setting that changes alike at some stations.
pub(super) struct Ring<'c> {
    /// As it changes at the first of them.
    pub setting: &'c SettingPreview,
    pub stations: Vec<&'c Name>,
}

/// A wanted value, with the contact behind it.
pub(super) fn spelt(wanted: Option<&Wanted>) -> String {
    match wanted {
        None => "nothing (left alone)".into(),
        Some(Wanted { value, contact: Some(contact), .. }) => format!("{contact} ({})", value_text(value)),
        Some(Wanted { value, contact: None, .. }) => value_text(value),
    }
}

/// The buttons that would call another number, at stations that are there already.
pub(super) fn rings(change: &Preview) -> Vec<Ring<'_>> {
    alike(change, |setting| setting.rings && setting.to.is_some())
}

/// What decides whether a button calls someone, and nothing would be wanted of any more: nobody notices then when it is wrong.
pub(super) fn let_go(change: &Preview) -> Vec<Ring<'_>> {
    alike(change, |setting| setting.to.is_none() && (setting.rings || setting.weight == Weight::Lifeline))
}

fn alike(change: &Preview, counts: impl Fn(&SettingPreview) -> bool) -> Vec<Ring<'_>> {
    let mut groups: BTreeMap<(&Name, String, String), Ring<'_>> = BTreeMap::new();
    for station in change.stations.iter().filter(|station| station.was.is_some()) {
        for setting in station.settings.iter().filter(|setting| counts(setting)) {
            let (from, to) = (spelt(setting.from.as_deref()), spelt(setting.to.as_deref()));
            let group = groups.entry((&setting.name, from, to));
            group.or_insert(Ring { setting, stations: Vec::new() }).stations.push(&station.station.name);
        }
    }
    groups.into_values().collect()
}

/// What becomes of the buttons below it, most urgent first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Heading {
    NoLonger,
    Newly,
    Otherwise,
    StillNot,
}

impl Heading {
    pub(super) fn as_str(self) -> &'static str {
        match self {
            Heading::NoLonger => "Lifelines no longer watched or tested",
            Heading::Newly => "Lifelines watched from now on, each with a test call due",
            Heading::Otherwise => "Lifelines that the keybook defines differently: what counts as working changes",
            Heading::StillNot => "Lifelines not watched, for another reason than before",
        }
    }
}

/// Buttons of which something else is watched: what becomes of them, their name, and why.
pub(super) type Watched<'c> = BTreeMap<(Heading, &'c Name, String), Vec<&'c Name>>;

/// Buttons that nobody watches any more, or that someone has to test.
pub(super) fn lifelines(change: &Preview) -> Watched<'_> {
    let mut groups = Watched::new();
    for station in &change.stations {
        for LifelinePreview { name, was, becomes } in &station.lifelines {
            let (heading, why) = match (*was == Watch::Watched, *becomes == Watch::Watched) {
                (true, false) => (Heading::NoLonger, becomes.why().to_owned()),
                (false, true) => (Heading::Newly, format!("was {}", was.why())),
                (true, true) => (Heading::Otherwise, String::new()),
                (false, false) => (Heading::StillNot, format!("was {}, is {}", was.why(), becomes.why())),
            };
            groups.entry((heading, name, why)).or_default().push(&station.station.name);
        }
    }
    groups
}

/// What else a station's own lines may say: that it is rung, stands or is another. `name` shows a text of the files.
fn elsewhere(change: &StationPreview, name: impl Fn(&str) -> String) -> Vec<String> {
    let StationPreview { station, was, settings: _, lifelines: _, facts: _ } = change;
    let Some(was) = was else { return Vec::new() };
    let mut said = Vec::new();
    if was.name != station.name {
        said.push(format!("was {} until now and keeps its record", name(&was.name)));
    }
    if was.number != station.number {
        let rings = format!("is rung on {}, before on {}, so its buttons need a test", station.number, was.number);
        said.push(rings);
    }
    if was.site != station.site {
        said.push(format!("moves from {} to {}", name(&was.site), name(&station.site)));
    }
    if was.keybook.model != station.keybook.model {
        said.push(format!("is a {} instead of a {}", name(&station.keybook.model), name(&was.keybook.model)));
    }
    said
}

/// The same of all stations, those together of which the same is said.
pub(super) fn elsewheres(change: &Preview, name: impl Fn(&str) -> String) -> Vec<(String, Vec<&Name>)> {
    let mut groups: BTreeMap<String, Vec<&Name>> = BTreeMap::new();
    for station in &change.stations {
        let said = elsewhere(station, &name);
        if !said.is_empty() {
            groups.entry(said.join(", ")).or_default().push(&station.station.name);
        }
    }
    let mut groups: Vec<(String, Vec<&Name>)> = groups.into_iter().collect();
    groups.sort_by(|(_, one), (_, other)| one.cmp(other));
    groups
}

/// What else is said of stations, each with those of which it is; a setting that calls another number is told above already.
pub(super) fn facts(change: &Preview) -> BTreeMap<&FactPreview, Vec<&Name>> {
    let mut groups: BTreeMap<&FactPreview, Vec<&Name>> = BTreeMap::new();
    for station in &change.stations {
        let is_told = |fact: &&FactPreview| {
            station.settings.iter().any(|setting| fact.what.strip_suffix(" calls") == Some(&*setting.name))
        };
        for fact in station.facts.iter().filter(|fact| !is_told(fact)) {
            groups.entry(fact).or_default().push(&station.station.name);
        }
    }
    groups
}

/// The lines of a setting in the diff.
fn diff_lines(setting: &SettingPreview) -> String {
    let line = |sign: char, wanted: &Wanted| format!("{sign}{}: {}\n", setting.name, spelt(Some(wanted)));
    let from = setting.from.as_ref().map(|wanted| line('-', wanted)).unwrap_or_default();
    let to = setting.to.as_ref().map(|wanted| line('+', wanted)).unwrap_or_default();
    if setting.from.is_some() && from.get(1..) == to.get(1..) {
        // The same reference, another code behind it.
        return format!("{from}+{}, changed behind it\n", to.trim_end().trim_start_matches('+'));
    }
    from + &to
}

/// The lines of a diff, each with the stations that change so; what moves the fewest comes first.
pub(super) fn diffs(change: &Preview) -> Vec<(String, Vec<&Name>)> {
    let mut groups: BTreeMap<String, Vec<&Name>> = BTreeMap::new();
    for station in &change.stations {
        let lines: String = station.settings.iter().map(diff_lines).collect();
        if !lines.is_empty() {
            groups.entry(lines).or_default().push(&station.station.name);
        }
    }
    let mut groups: Vec<(String, Vec<&Name>)> = groups.into_iter().collect();
    groups.sort_by(|a, b| (b.1.len(), &a.1).cmp(&(a.1.len(), &b.1)));
    groups
}
