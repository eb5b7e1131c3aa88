//! What only shows when the whole fleet is put together: a table of small checks.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use super::line::{LineKind, leads_to};
use super::raw::Wish;
use super::resolve::{Keybooks, Parts};
use super::{E164, Inventory, Reach, Station};
use crate::finding::{Code, Finding, Place, did_you_mean};
use crate::keybook::Keybook;
use crate::setting::{Codes, Name, Value, Weight};

/// Everything a check may look at.
struct Whole<'a> {
    inventory: &'a Inventory,
    parts: &'a Parts<'a>,
    keybooks: &'a Keybooks,
    codes: &'a Codes,
}

type Check = fn(&Whole<'_>, &mut Vec<Finding>);

const CHECKS: [Check; 9] = [
    some_station,
    names_are_defined,
    numbers_are_not_shared,
    identities_are_not_shared,
    no_station_calls_a_station,
    fleet_settings_exist,
    lifelines_are_managed,
    codes_are_not_factory,
    contacts_are_used,
];

pub(super) fn whole(
    inventory: &Inventory,
    parts: &Parts<'_>,
    keybooks: &Keybooks,
    codes: &Codes,
    findings: &mut Vec<Finding>,
) {
    let whole = Whole { inventory, parts, keybooks, codes };
    CHECKS.iter().for_each(|check| check(&whole, findings));
}

fn some_station(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    if whole.parts.stations.is_empty() && !whole.parts.is_broken {
        let place = whole.parts.fleet.map_or_else(|| Place::start_of(&"inventory".into()), |(_, place)| place.clone());
        let mend = "Add a station; if every station is really gone, stop the daemon instead.";
        findings.push(Finding::new(Code::InventoryEmpty, place, "The inventory has no station.", mend));
    }
}

fn numbers_are_not_shared(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut seen: BTreeMap<&E164, (&Name, &Place)> = BTreeMap::new();
    for station in whole.parts.stations.values() {
        let Some((number, place)) = &station.number else { continue };
        if let Some((first, first_place)) = seen.get(number) {
            let sentence = format!("{} and {first} have the same number {number}.", station.name);
            let mend = "Each station has a line number of its own.";
            let finding = Finding::new(Code::NumberShared, place.clone(), sentence, mend);
            findings.push(finding.beside((*first_place).clone(), "the same number"));
        } else {
            seen.insert(number, (&station.name, place));
        }
    }
}

fn identities_are_not_shared(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut seen: HashMap<(&Name, &Value), (&Name, &Place)> = HashMap::new();
    for station in whole.inventory.stations.values() {
        for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
            let Some(wanted) = wanted.as_deref().filter(|_| setting.weight == Weight::Locating) else { continue };
            if let Some((first, place)) = seen.get(&(&setting.name, &wanted.value)) {
                let sentence =
                    format!("{} and {first} have the same `{}` {}.", station.name, setting.name, wanted.value);
                let mend = "Give each its own, so that responders go to the right place.";
                let finding = Finding::new(Code::LocatingShared, wanted.place.clone(), sentence, mend);
                findings.push(finding.beside((*place).clone(), format!("for {first}")));
            } else {
                seen.insert((&setting.name, &wanted.value), (&station.name, &wanted.place));
            }
        }
    }
}

fn no_station_calls_a_station(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let numbers: HashMap<&E164, &Station> = whole.inventory.stations.values().map(|s| (&s.number, &**s)).collect();
    // A value shared by many stations on equal lines leads to the same place for all of them.
    let mut traced: BTreeSet<(&Place, &super::Line)> = BTreeSet::new();
    for station in whole.inventory.stations.values().filter(|s| s.line.kind != Some(LineKind::RingDown)) {
        for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
            let Some(wanted) = wanted.as_deref() else { continue };
            let Value::Dial(dialled) = &wanted.value else { continue };
            if !traced.insert((&wanted.place, &station.line)) {
                continue;
            }
            let contact = wanted.contact.as_ref().and_then(|name| whole.inventory.contacts.get(name));
            let reached = match contact.map(|c| &c.reach) {
                Some(Reach::Calls(number)) => vec![number.clone()],
                Some(Reach::Extension(_)) => Vec::new(),
                Some(Reach::Short(_) | Reach::Dial(_)) | None => leads_to(dialled, &station.line),
            };
            let Some(called) = reached.iter().find_map(|number| numbers.get(number)) else { continue };
            let sentence = format!(
                "`{}` of {} would call {}, which is a station itself.",
                setting.name, station.name, called.name
            );
            let finding =
                Finding::new(Code::CallsStation, wanted.place.clone(), sentence, "Let it call somebody who can help.");
            findings.push(
                finding.beside(called.place.clone(), format!("{} has the number {}", called.name, called.number)),
            );
        }
    }
}

fn fleet_settings_exist(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let known: BTreeSet<&str> = whole.keybooks.values().flat_map(|k| k.settings.iter().map(|s| &*s.name)).collect();
    let fleet = whole.parts.settings.map_or(&[][..], |(entries, _)| entries);
    let sites = whole.parts.sites.values().flat_map(|site| &site.settings);
    for entry in fleet.iter().chain(sites).filter(|entry| !known.contains(&*entry.name)) {
        let sentence = format!("No keybook has a setting `{}`, so this does nothing.", entry.name);
        let mend = crate::finding::did_you_mean(&entry.name, known.iter().copied());
        findings.push(Finding::new(Code::SettingNowhere, entry.name_place.clone(), sentence, mend));
    }
}

fn lifelines_are_managed(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    // Beside an error every value that could not be taken would look like one that nobody wants.
    if whole.parts.is_broken || findings.iter().any(Finding::is_error) {
        return;
    }
    type Gap<'a> = (&'a Name, &'a Name, &'a Name, Vec<&'a Name>);
    let mut gaps: BTreeMap<Gap<'_>, (Arc<Station>, usize)> = BTreeMap::new();
    for station in whole.inventory.stations.values() {
        for lifeline in &station.keybook.lifelines {
            let missing = lifeline.settings.iter().filter(|id| station.wanted(**id).is_none());
            let missing: Vec<&Name> = missing.map(|id| &station.keybook.setting(*id).name).collect();
            if !missing.is_empty() {
                let gap = (&station.site, &station.keybook.model, &lifeline.name, missing);
                gaps.entry(gap).or_insert_with(|| (station.clone(), 0)).1 += 1;
            }
        }
    }
    for ((site, _, lifeline, missing), (station, count)) in gaps {
        let missing: Vec<&str> = missing.iter().map(|name| &***name).collect();
        let more = if count > 1 { format!(" and {} more at {site}", count - 1) } else { String::new() };
        let sentence = format!(
            "The lifeline `{lifeline}` of {}{more} is not managed whole: nothing is wanted of {}.",
            station.name,
            missing.join(", ")
        );
        let mend = "Say what these settings should be, or nobody will notice when they are wrong.";
        findings.push(Finding::new(Code::LifelineUnmanaged, station.place.clone(), sentence, mend));
    }
}

fn codes_are_not_factory(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    for station in whole.inventory.stations.values() {
        for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
            let (Some(wanted), Some(factory)) = (wanted.as_deref(), &setting.factory_code) else { continue };
            let Value::Secret(secret) = &wanted.value else { continue };
            if secret.fingerprint.as_ref() == Some(&whole.codes.fingerprint_of(factory)) {
                let sentence = format!(
                    "`{}` is the code that every {} leaves the factory with.",
                    setting.name, station.keybook.model
                );
                findings.push(Finding::new(Code::CodeFactory, wanted.place.clone(), sentence, "Choose another code."));
            }
        }
    }
}

/// Every setting of every layer, whether or not a station takes it.
fn entries<'a>(parts: &'a Parts<'_>) -> impl Iterator<Item = &'a super::Entry> {
    let fleet = parts.settings.map_or(&[][..], |(entries, _)| entries).iter();
    let sites = parts.sites.values().flat_map(|site| &site.settings);
    let profiles = parts.profiles.values().flat_map(|profile| &profile.settings);
    let stations = parts.stations.values().flat_map(|station| &station.settings);
    fleet.chain(sites).chain(profiles).chain(stations)
}

/// Names in layers that no station takes are looked at here; those of stations are found on the way, in the same words.
fn names_are_defined(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let parts = whole.parts;
    let known = |name: &Name| parts.contacts.contains_key(name) || parts.broken_contacts.contains(name);
    for entry in entries(parts) {
        if let Wish::To(name) = &entry.wish
            && !known(name)
        {
            findings.push(no_contact(name, entry, parts));
        }
    }
    for profile in parts.profiles.values() {
        let Some((name, place)) = &profile.model else { continue };
        let Some(keybook) = whole.keybooks.get(name) else {
            findings.push(no_keybook(name, place, whole.keybooks));
            continue;
        };
        let unknown = profile.settings.iter().filter(|entry| keybook.id(&entry.name).is_none());
        // A profile whose stations name other models may hold settings of theirs.
        let is_taken = parts.stations.values().any(|s| s.profiles.iter().any(|(taken, _)| *taken == profile.name));
        findings.extend(unknown.filter(|_| !is_taken).map(|entry| no_setting(entry, keybook)));
    }
}

/// A contact that is defined nowhere.
pub(super) fn no_contact(name: &str, entry: &super::Entry, parts: &Parts<'_>) -> Finding {
    let mend = did_you_mean(name, parts.contacts.keys().map(|known| &***known));
    Finding::new(Code::NameUnknown, entry.place.clone(), format!("No contact is called `{name}`."), mend)
}

/// A model that no keybook describes.
pub(super) fn no_keybook(name: &str, place: &Place, keybooks: &Keybooks) -> Finding {
    let mend = did_you_mean(name, keybooks.keys().map(|known| &**known));
    Finding::new(Code::NameUnknown, place.clone(), format!("No keybook describes the model `{name}`."), mend)
}

/// A setting that a model does not have.
pub(super) fn no_setting(entry: &super::Entry, keybook: &Keybook) -> Finding {
    let sentence = format!("The model `{}` has no setting `{}`.", keybook.model, entry.name);
    let mend = did_you_mean(&entry.name, keybook.settings.iter().map(|s| &*s.name));
    Finding::new(Code::NameUnknown, entry.name_place.clone(), sentence, mend)
}

fn contacts_are_used(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let parts = whole.parts;
    let used: BTreeSet<&Name> = entries(parts)
        .filter_map(|entry| match &entry.wish {
            Wish::To(name) => Some(name),
            Wish::Value(_) | Wish::FromLine | Wish::Unmanaged => None,
        })
        .collect();
    for (name, contact) in parts.contacts.iter().filter(|(name, _)| !used.contains(**name)) {
        let sentence = format!("No button calls the contact `{name}`.");
        findings.push(Finding::new(
            Code::ContactUnused,
            contact.place.clone(),
            sentence,
            "Remove it, or let a setting call it.",
        ));
    }
}
