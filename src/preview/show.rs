//! A change as people and programs read it: plain text that a review also shows well as Markdown, and JSON.
//!
//! Stations that change in the same way share a line, so that an edit of one contact is short whatever it moves.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde_json::{Value as Json, json as object};

use super::groups::{Ring, diffs, elsewheres, facts, let_go, lifelines, rings, spelt};
use super::{FactPreview, KeybookPreview, KeysPreview, Preview, SettingPreview, StationPreview, WeightPreview};
use crate::finding::{as_name, plural};
use crate::inventory::Wanted;
use crate::ledger::value_json;
use crate::setting::{Name, Weight};

/// So many stations are named where more change alike; the rest are counted.
pub(super) const NAMED: usize = 12;

/// So many groups of stations that change alike are shown; the rest are counted.
const GROUPS: usize = 60;

/// The change for people. `before` and `after` say what is compared.
pub fn text(change: &Preview, before: &str, after: &str) -> String {
    if change.is_empty() {
        let mut out = format!("Against {before}: the same is wanted at every station.\n");
        apart(&mut out, change);
        return out;
    }
    let mut out = format!("Against {before}: {}.\n", stations_sentence(change));
    for (weight, (stations, settings)) in change.counts().iter().rev() {
        let _ = writeln!(out, "- {weight}: {} at {}", plural(*settings, "setting"), plural(*stations, "station"));
    }
    let _ = writeln!(out, "\n{}", keying_sentence(change, before));
    unmanaged_lines(&mut out, change);
    ring_lines(&mut out, change);
    lifeline_lines(&mut out, change);
    elsewhere_lines(&mut out, change);
    fact_lines(&mut out, change);
    comings_and_goings(&mut out, change);
    renamed(&mut out, change);
    swapped(&mut out, change);
    stuck(&mut out, change);
    apart(&mut out, change);
    diff(&mut out, change, before, after);
    out
}

/// What is not of stations alone.
fn apart(out: &mut String, change: &Preview) {
    if let Some((was, name)) = &change.fleet {
        let _ = writeln!(out, "\nThe fleet is called \"{name}\" instead of \"{was}\", in alerts too.");
    }
    for (model, KeybookPreview { stations, keys, weights, diff }) in &change.keybooks {
        let count = plural(*stations as u64, "station");
        if !keys.is_empty() {
            let keys: Vec<String> = keys.iter().map(|keys| keys_text(keys, str::to_owned)).collect();
            let _ = writeln!(
                out,
                "\nKeys that change in keybook {model} ({count}): {}. Key one station and listen before you commit.",
                keys.join("; ")
            );
        }
        for WeightPreview { setting, from, to } in weights {
            let _ = writeln!(out, "\nThe weight of {setting} in keybook {model} becomes {to}, was {from} ({count}).");
        }
        let _ = writeln!(
            out,
            "\nThe keybook of {model} changes, at {count}. Hold it against the manual:\n\n```diff\n{diff}```"
        );
    }
}

/// "mode: *10*7# → *10*84#". `literal` shows keys as they are.
pub(super) fn keys_text(KeysPreview { command, from, to }: &KeysPreview, literal: impl Fn(&str) -> String) -> String {
    let shown = |keys: &str| if keys.is_empty() { "nothing".to_owned() } else { literal(keys) };
    format!("{command}: {} → {}", shown(from), shown(to))
}

/// What else is said of stations.
fn fact_lines(out: &mut String, change: &Preview) {
    let groups = facts(change);
    if !groups.is_empty() {
        out.push_str("\nWhat else is said of stations:\n");
    }
    let shown = |text: &str| if text.is_empty() { "nothing".to_owned() } else { text.to_owned() };
    for (FactPreview { what, from, to }, stations) in groups.iter().take(GROUPS) {
        let count = plural(stations.len() as u64, "station");
        let names = named(stations.iter().copied());
        let _ = writeln!(out, "- {what}: {} becomes {}, at {count}: {names}", shown(from), shown(to));
    }
    if groups.len() > GROUPS {
        let _ = writeln!(out, "- and {} more; --format json has them all", groups.len() - GROUPS);
    }
}

pub(super) fn stations_sentence(change: &Preview) -> String {
    let new = change.stations.iter().filter(|station| station.was.is_none()).count();
    let described = change.stations.iter().filter(|station| station.is_only_described()).count();
    let changed = change.stations.len() - new - described;
    let parts = [
        (changed, "would change"),
        (new, "would be new"),
        (change.gone.len(), "would be gone"),
        (described, "would change in their description alone"),
    ];
    let parts = parts.into_iter().filter(|(count, _)| *count > 0);
    parts.map(|(count, what)| format!("{} {what}", plural(count as u64, "station"))).collect::<Vec<_>>().join(", ")
}

pub(super) fn keying_sentence(change: &Preview, before: &str) -> String {
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

/// What the section is called of settings that nothing is wanted of any more.
pub(super) const LET_GO: &str = "No longer managed: nobody notices when these are wrong";

fn unmanaged_lines(out: &mut String, change: &Preview) {
    let groups = let_go(change);
    if !groups.is_empty() {
        let _ = writeln!(out, "\n{LET_GO}:");
    }
    for Ring { setting: SettingPreview { name, from, .. }, stations } in &groups {
        let count = plural(stations.len() as u64, "station");
        let names = named(stations.iter().copied());
        let _ = writeln!(out, "- {name}: was {}, at {count}: {names}", spelt(from.as_deref()));
    }
}

fn ring_lines(out: &mut String, change: &Preview) {
    let groups = rings(change);
    if !groups.is_empty() {
        out.push_str("\nA button would ring somewhere else:\n");
    }
    for Ring { setting: SettingPreview { name, from, to, .. }, stations } in &groups {
        let (from, to) = (spelt(from.as_deref()), spelt(to.as_deref()));
        let count = plural(stations.len() as u64, "station");
        let _ = writeln!(out, "- {name}: {from} becomes {to}, at {count}: {}", named(stations.iter().copied()));
    }
}

/// Buttons that nobody watches any more, or that someone has to test.
fn lifeline_lines(out: &mut String, change: &Preview) {
    let mut last = None;
    for ((heading, name, why), stations) in &lifelines(change) {
        if last.replace(*heading) != Some(*heading) {
            let _ = writeln!(out, "\n{}:", heading.as_str());
        }
        let why = if why.is_empty() { String::new() } else { format!(" ({why})") };
        let count = plural(stations.len() as u64, "station");
        let _ = writeln!(out, "- {name}{why}, at {count}: {}", named(stations.iter().copied()));
    }
}

fn elsewhere_lines(out: &mut String, change: &Preview) {
    for (said, stations) in elsewheres(change, str::to_owned) {
        let _ = match &stations[..] {
            [one] => writeln!(out, "\n{one} {said}."),
            several => {
                let count = plural(several.len() as u64, "station");
                writeln!(out, "\n{count}: each {said}: {}.", named(several.iter().copied()))
            }
        };
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
            "\n{name} has the number that {was} had. Under a new name it has no record until a report. If it is the same \
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

fn diff(out: &mut String, change: &Preview, before: &str, after: &str) {
    let text = diff_text(change, before, after);
    if !text.is_empty() {
        let _ = write!(out, "\n```diff\n{text}```\n");
    }
}

/// Every setting that changes, as a diff without its fence; empty where none does.
pub(super) fn diff_text(change: &Preview, before: &str, after: &str) -> String {
    let groups = diffs(change);
    if groups.is_empty() {
        return String::new();
    }
    let mut out = format!("--- {before}\n+++ {after}\n");
    for (lines, stations) in groups.iter().take(GROUPS) {
        let _ = write!(out, "@@ {} @@\n{lines}", named(stations.iter().copied()));
    }
    if groups.len() > GROUPS {
        let rest: usize = groups[GROUPS..].iter().map(|(_, stations)| stations.len()).sum();
        let _ = writeln!(out, "@@ and {} more; --format json has them all @@", plural(rest as u64, "station"));
    }
    out
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
        "facts": change.facts.iter().map(|fact| object!({
            "what": fact.what,
            "from": fact.from,
            "to": fact.to,
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
        "fleet": change.fleet.as_ref().map(|(was, name)| object!({ "from": &**was, "to": &**name })),
        "keybooks": change.keybooks.iter().map(|(model, book)| object!({
            "model": &**model,
            "stations": book.stations,
            "keys": book.keys.iter().map(|keys| object!({
                "command": &*keys.command,
                "from": keys.from,
                "to": keys.to,
            })).collect::<Vec<_>>(),
            "weights": book.weights.iter().map(|weight| object!({
                "setting": &*weight.setting,
                "from": weight.from.as_str(),
                "to": weight.to.as_str(),
            })).collect::<Vec<_>>(),
            "diff": book.diff,
        })).collect::<Vec<_>>(),
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
