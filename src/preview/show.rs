//! A change as people and programs read it: plain text that a review also shows well as Markdown, and JSON.
//!
//! Stations that change in the same way share a line, so that an edit of one contact is short whatever it moves.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde_json::{Value as Json, json as object};

use super::{LifelinePreview, Preview, SettingPreview, StationPreview, Watch};
use crate::drift::value_text;
use crate::finding::{as_name, plural};
use crate::inventory::Wanted;
use crate::ledger::value_json;
use crate::setting::{Name, Weight};

/// So many stations are named where more change alike; the rest are counted.
const NAMED: usize = 12;

/// So many groups of stations that change alike are shown; the rest are counted.
const GROUPS: usize = 60;

/// The change for people. `before` and `after` say what is compared.
pub fn text(change: &Preview, before: &str, after: &str) -> String {
    if change.is_empty() {
        return format!("Against {before}: nothing changes at any station.\n");
    }
    let mut out = format!("Against {before}: {}.\n", stations_sentence(change));
    for (weight, (stations, settings)) in change.counts().iter().rev() {
        let _ = writeln!(out, "- {weight}: {} at {}", plural(*settings, "setting"), plural(*stations, "station"));
    }
    let _ = writeln!(out, "\n{}", keying_sentence(change, before));
    rings(&mut out, change);
    lifelines(&mut out, change);
    elsewhere(&mut out, change);
    comings_and_goings(&mut out, change);
    renamed(&mut out, change);
    swapped(&mut out, change);
    stuck(&mut out, change);
    diff(&mut out, change, before, after);
    out
}

fn stations_sentence(change: &Preview) -> String {
    let new = change.stations.iter().filter(|station| station.was.is_none()).count();
    let changed = change.stations.len() - new;
    let parts = [(changed, "would change"), (new, "would be new"), (change.gone.len(), "would be gone")];
    let parts = parts.into_iter().filter(|(count, _)| *count > 0);
    parts.map(|(count, what)| format!("{} {what}", plural(count as u64, "station"))).collect::<Vec<_>>().join(", ")
}

fn keying_sentence(change: &Preview, before: &str) -> String {
    let work = change.work;
    if work.stations == 0 {
        return "Nothing would need keying.".into();
    }
    format!(
        "Keying it takes {} at {}, {} with opening and closing, about {} min of calls, and then the test calls; \
         estimated as if every station held what {before} wants.",
        plural(work.calls, "call"),
        plural(work.stations, "station"),
        plural(work.presses, "key"),
        work.minutes()
    )
}

/// Names, the first of them spelt out.
fn named<'n>(names: impl IntoIterator<Item = &'n Name>) -> String {
    let names: Vec<&str> = names.into_iter().map(|name| &**name).collect();
    let rest = names.len().saturating_sub(NAMED);
    let shown = names[..names.len() - rest].join(", ");
    if rest == 0 { shown } else { format!("{shown} and {rest} more") }
}

/// A wanted value, with the contact behind it.
fn spelt(wanted: Option<&Wanted>) -> String {
    match wanted {
        None => "nothing (left alone)".into(),
        Some(Wanted { value, contact: Some(contact), .. }) => format!("{contact} ({})", value_text(value)),
        Some(Wanted { value, contact: None, .. }) => value_text(value),
    }
}

fn rings(out: &mut String, change: &Preview) {
    let mut groups: BTreeMap<(Name, String, String), Vec<&Name>> = BTreeMap::new();
    for station in change.stations.iter().filter(|station| station.was.is_some()) {
        for setting in station.settings.iter().filter(|setting| setting.rings) {
            let (from, to) = (spelt(setting.from.as_deref()), spelt(setting.to.as_deref()));
            groups.entry((setting.name.clone(), from, to)).or_default().push(&station.station.name);
        }
    }
    if groups.is_empty() {
        return;
    }
    out.push_str("\nA button would ring somewhere else:\n");
    for ((setting, from, to), stations) in &groups {
        let count = plural(stations.len() as u64, "station");
        let _ = writeln!(out, "- {setting}: {from} becomes {to}, at {count}: {}", named(stations.iter().copied()));
    }
}

/// Buttons that nobody watches any more, or that someone has to test.
fn lifelines(out: &mut String, change: &Preview) {
    let mut groups: BTreeMap<(Heading, String), Vec<&Name>> = BTreeMap::new();
    for station in &change.stations {
        for LifelinePreview { name, was, becomes } in &station.lifelines {
            let (heading, line) = match (*was == Watch::Watched, *becomes == Watch::Watched) {
                (true, false) => (Heading::NoLonger, format!("{name} ({})", becomes.why())),
                (false, true) => (Heading::Newly, format!("{name} (was {})", was.why())),
                (true, true) => (Heading::Otherwise, name.to_string()),
                (false, false) => (Heading::StillNot, format!("{name} (was {}, is {})", was.why(), becomes.why())),
            };
            groups.entry((heading, line)).or_default().push(&station.station.name);
        }
    }
    let mut last = None;
    for ((heading, line), stations) in &groups {
        if last.replace(*heading) != Some(*heading) {
            let _ = writeln!(out, "\n{}:", heading.as_str());
        }
        let count = plural(stations.len() as u64, "station");
        let _ = writeln!(out, "- {line}, at {count}: {}", named(stations.iter().copied()));
    }
}

/// What becomes of the buttons below it, most urgent first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Heading {
    NoLonger,
    Newly,
    Otherwise,
    StillNot,
}

impl Heading {
    fn as_str(self) -> &'static str {
        match self {
            Heading::NoLonger => "Lifelines no longer watched or tested",
            Heading::Newly => "Lifelines watched from now on, each with a test call due",
            Heading::Otherwise => "Lifelines that the keybook defines differently: what counts as working changes",
            Heading::StillNot => "Lifelines not watched, for another reason than before",
        }
    }
}

/// What else a station's own lines may say: that it is rung, stands or is another.
fn elsewhere(out: &mut String, change: &Preview) {
    for StationPreview { station, was, settings: _, lifelines: _ } in &change.stations {
        let Some(was) = was else { continue };
        let mut said = Vec::new();
        if was.name != station.name {
            said.push(format!("was {} until now and keeps its record", was.name));
        }
        if was.number != station.number {
            let rings = format!("rings on {} instead of {}, so its buttons need a test", station.number, was.number);
            said.push(rings);
        }
        if was.site != station.site {
            said.push(format!("stands at {} instead of {}", station.site, was.site));
        }
        if was.keybook.model != station.keybook.model {
            said.push(format!("is a {} instead of a {}", station.keybook.model, was.keybook.model));
        }
        if !said.is_empty() {
            let _ = writeln!(out, "\n{} {}.", station.name, said.join(", "));
        }
    }
}

fn comings_and_goings(out: &mut String, change: &Preview) {
    let new: Vec<&Name> = change.stations.iter().filter(|s| s.was.is_none()).map(|s| &s.station.name).collect();
    if !new.is_empty() {
        let _ = writeln!(out, "\nNew: {}.", named(new));
    }
    if !change.gone.is_empty() {
        let _ = writeln!(out, "\nGone, to be reported as withdrawn, their records kept: {}.", named(&change.gone));
    }
}

fn renamed(out: &mut String, change: &Preview) {
    for (was, name) in &change.renamed {
        let _ = writeln!(
            out,
            "\n{name} rings on the number that {was} had. Under a new name it has no record until a report. If it is the same \
             station, write formerly: {} in {name}.",
            as_name(was)
        );
    }
}

fn swapped(out: &mut String, change: &Preview) {
    for (one, other) in &change.swapped {
        let _ = writeln!(
            out,
            "\n{one} and {other} swap their numbers. Both become untested: ring each and ask which station answers. If the \
             stations themselves were swapped, report what each holds now."
        );
    }
}

fn stuck(out: &mut String, change: &Preview) {
    if change.stuck.is_empty() {
        return;
    }
    let count = plural(change.stuck.len() as u64, "station");
    let _ = writeln!(out, "\nNo script could be written for {count}, as far as these files tell:");
    for (station, why) in change.stuck.iter().take(NAMED) {
        let _ = writeln!(out, "- {station}: {why}");
    }
    if change.stuck.len() > NAMED {
        let _ = writeln!(out, "- and {} more", change.stuck.len() - NAMED);
    }
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

fn diff(out: &mut String, change: &Preview, before: &str, after: &str) {
    let mut groups: BTreeMap<String, Vec<&Name>> = BTreeMap::new();
    for station in &change.stations {
        let lines: String = station.settings.iter().map(diff_lines).collect();
        if !lines.is_empty() {
            groups.entry(lines).or_default().push(&station.station.name);
        }
    }
    if groups.is_empty() {
        return;
    }
    let mut groups: Vec<(String, Vec<&Name>)> = groups.into_iter().collect();
    groups.sort_by(|a, b| (b.1.len(), &a.1).cmp(&(a.1.len(), &b.1)));
    let _ = writeln!(out, "\n```diff\n--- {before}\n+++ {after}");
    for (lines, stations) in groups.iter().take(GROUPS) {
        let _ = write!(out, "@@ {} @@\n{lines}", named(stations.iter().copied()));
    }
    if groups.len() > GROUPS {
        let rest: usize = groups[GROUPS..].iter().map(|(_, stations)| stations.len()).sum();
        let _ = writeln!(out, "@@ and {} more; --format json has them all @@", plural(rest as u64, "station"));
    }
    out.push_str("```\n");
}

/// A wanted value for programs.
fn wanted_json(wanted: &Option<std::sync::Arc<Wanted>>) -> Json {
    match wanted {
        None => Json::Null,
        Some(wanted) => object!({
            "value": value_json(&wanted.value),
            "contact": wanted.contact.as_deref(),
            "place": wanted.place.to_string(),
        }),
    }
}

fn station_json(change: &StationPreview) -> Json {
    let setting = |setting: &SettingPreview| {
        object!({
            "setting": &*setting.name,
            "weight": setting.weight.as_str(),
            "from": wanted_json(&setting.from),
            "to": wanted_json(&setting.to),
            "rings_elsewhere": setting.rings,
        })
    };
    object!({
        "station": &*change.station.name,
        "site": &*change.station.site,
        "model": &*change.station.keybook.model,
        "number": change.station.number.to_string(),
        "was": change.was.as_ref().map(|was| object!({
            "station": &*was.name,
            "site": &*was.site,
            "model": &*was.keybook.model,
            "number": was.number.to_string(),
        })),
        "settings": change.settings.iter().map(setting).collect::<Vec<_>>(),
        "lifelines": change.lifelines.iter().map(|lifeline| object!({
            "lifeline": &*lifeline.name,
            "from": lifeline.was.as_str(),
            "to": lifeline.becomes.as_str(),
        })).collect::<Vec<_>>(),
    })
}

/// The change for programs, every station in it.
pub fn json(change: &Preview) -> Json {
    let counts = change.counts();
    let by_weight: BTreeMap<&str, Json> = [Weight::Lifeline, Weight::Locating, Weight::Routine]
        .into_iter()
        .map(|weight| {
            let (stations, settings) = counts.get(&weight).copied().unwrap_or_default();
            (weight.as_str(), object!({ "stations": stations, "settings": settings }))
        })
        .collect();
    object!({
        "stations": change.stations.iter().map(station_json).collect::<Vec<_>>(),
        "gone": change.gone.iter().map(|name| name.to_string()).collect::<Vec<_>>(),
        "renamed": change.renamed.iter().map(|(was, name)| object!({
            "was": &**was,
            "station": &**name,
        })).collect::<Vec<_>>(),
        "swapped": change.swapped.iter().map(|(one, other)| [&**one, &**other]).collect::<Vec<_>>(),
        "by_weight": by_weight,
        "keying": {
            "stations": change.work.stations,
            "calls": change.work.calls,
            "commands": change.work.commands,
            "presses": change.work.presses,
            "minutes": change.work.minutes(),
        },
        "no_script": change.stuck.iter().map(|(station, why)| object!({
            "station": &**station,
            "why": why.to_string(),
        })).collect::<Vec<_>>(),
    })
}
