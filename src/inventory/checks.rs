//! What only shows when the whole fleet is put together: a table of small checks.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use super::line::{LineKind, leads_to};
use super::raw::Wish;
use super::resolve::{Keybooks, Parts};
use super::spelling;
use super::{Contact, Country, E164, Inventory, Reach, Station, Wanted};
use crate::finding::{Code, Finding, Place, in_quotes, nearest};
use crate::keybook::{Keybook, Setting};
use crate::setting::{Codes, Name, Value, Weight};

/// Everything a check may look at.
struct Whole<'a> {
    inventory: &'a Inventory,
    parts: &'a Parts<'a>,
    keybooks: &'a Keybooks,
    codes: &'a Codes,
}

type Check = fn(&Whole<'_>, &mut Vec<Finding>);

const CHECKS: [Check; 11] = [
    some_station,
    numbers_are_spelt,
    extensions_are_not_public,
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
        let fix = "Add a station; if every station is really gone, stop the daemon instead.";
        findings.push(Finding::new(Code::InventoryEmpty, place, "The inventory has no station.", fix));
    }
}

fn numbers_are_not_shared(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut seen: BTreeMap<&E164, (&Name, &Place)> = BTreeMap::new();
    for station in whole.parts.stations.values() {
        let Some((number, place)) = &station.number else { continue };
        if let Some((first, first_place)) = seen.get(number) {
            let message = format!("{} and {first} have the same number {number}.", station.name);
            let fix = "Each station has a line number of its own.";
            let finding = Finding::new(Code::NumberShared, place.clone(), message, fix);
            findings.push(finding.beside((*first_place).clone(), "the same number"));
        } else {
            seen.insert(number, (&station.name, place));
        }
    }
}

/// "EQ-01", "EQ-01 and 1 more station", "EQ-01 and 12 more stations".
pub(super) fn with_others(first: &str, count: usize) -> String {
    match count {
        0 | 1 => first.to_owned(),
        2 => format!("{first} and 1 more station"),
        n => format!("{first} and {} more stations", n - 1),
    }
}

/// The countries of all lines, each with the first place that names it.
fn countries<'a>(parts: &'a Parts<'_>) -> BTreeMap<&'a Country, &'a Place> {
    let sites = parts.sites.values().map(|site| (&site.line, &site.place));
    let lines = sites.chain(parts.stations.values().map(|station| (&station.line, &station.place)));
    let mut found = BTreeMap::new();
    for (line, place) in lines {
        if let Some(country) = &line.country {
            found.entry(country).or_insert(place);
        }
    }
    found
}

/// The same finding as where the number was read, with the exact fix now that the lines are known.
fn numbers_are_spelt(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let countries = countries(whole.parts);
    for spelt in &whole.parts.spelt {
        let mut meant: BTreeMap<E164, (&Country, &Place)> = BTreeMap::new();
        for (country, place) in &countries {
            let number =
                spelling::in_country(&spelt.text, country).or_else(|| spelling::without_plus(&spelt.text, country));
            if let Some(number) = number {
                meant.entry(number).or_insert((country, place));
            }
        }
        let readings: Vec<String> =
            meant.iter().map(|(n, (country, _))| format!("\"{n}\" in {}", country.id)).collect();
        let fix = match readings.as_slice() {
            [] => continue,
            [one] => format!("Write {one}: that is the country of the line."),
            several => format!("Say which country is meant: write {}.", several.join(" or ")),
        };
        let mut finding = Finding::new(Code::NotE164, spelt.place.clone(), spelt.message.clone(), fix);
        if let (1, Some(number)) = (meant.len(), meant.keys().next()) {
            finding.fix = format!("Write \"{number}\".");
            finding = finding.replacing(Some(in_quotes(&number.to_string())));
        }
        for (country, place) in meant.values() {
            finding = finding.beside((*place).clone(), format!("the line is in {}", country.id));
        }
        findings.push(finding);
    }
}

/// A number of such a length is no extension of an exchange that a station hangs behind.
const LONG_EXTENSION: usize = 9;

fn extensions_are_not_public(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let countries = countries(whole.parts);
    for (name, contact) in &whole.parts.contacts {
        let Reach::Extension(digits) = &contact.reach else { continue };
        if digits.len() < LONG_EXTENSION {
            continue;
        }
        let Some(number) = countries.keys().find_map(|country| spelling::in_country(digits, country)) else { continue };
        let message = format!("The extension {digits} of `{name}` reads like the public number {number}.");
        let fix = format!("If it is that number, write `calls: \"{number}\"`.");
        findings.push(Finding::new(Code::ExtensionPublic, contact.place.clone(), message, fix));
    }
}

fn identities_are_not_shared(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    // By value, then by the line that wants it: many stations may take it from one.
    let mut speakers: BTreeMap<(&Name, &Value), BTreeMap<&Place, Vec<&Name>>> = BTreeMap::new();
    for station in whole.inventory.stations.values() {
        for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
            let Some(wanted) = wanted.as_deref().filter(|_| setting.weight == Weight::Locating) else { continue };
            let places = speakers.entry((&setting.name, &wanted.value)).or_default();
            places.entry(&wanted.place).or_default().push(&station.name);
        }
    }
    for ((setting, value), places) in speakers {
        let fix = "Give each its own, so that responders go to the right place.";
        let mut first: Option<(&Place, &Name)> = None;
        for (place, names) in places {
            if let [one, _, ..] = names.as_slice() {
                let who = with_others(one, names.len());
                let message = format!("{who} take the same `{setting}` {value} from this line.");
                findings.push(Finding::new(Code::LocatingShared, place.clone(), message, fix));
            }
            match first {
                None => first = Some((place, names[0])),
                Some((first_place, first)) => {
                    let message = format!("{} and {first} have the same `{setting}` {value}.", names[0]);
                    let finding = Finding::new(Code::LocatingShared, place.clone(), message, fix);
                    findings.push(finding.beside(first_place.clone(), format!("for {first}")));
                }
            }
        }
    }
}

fn no_station_calls_a_station(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let numbers: HashMap<&E164, &Station> = whole.inventory.stations.values().map(|s| (&s.number, &**s)).collect();
    // A value shared by many stations on equal lines leads to the same place for all of them.
    let mut traced: HashMap<(&Place, &super::Line), Option<&Station>> = HashMap::new();
    let mut callers: BTreeMap<(&Place, &Name, &Name), (&Name, &Station, usize)> = BTreeMap::new();
    for station in whole.inventory.stations.values().filter(|s| s.line.kind != Some(LineKind::RingDown)) {
        for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
            let Some(wanted) = wanted.as_deref().filter(|wanted| matches!(wanted.value, Value::Dial(_))) else {
                continue;
            };
            let called = *traced.entry((&wanted.place, &station.line)).or_insert_with(|| {
                let reached = reached(wanted, station, &whole.inventory.contacts);
                reached.iter().find_map(|number| numbers.get(number).copied())
            });
            let Some(called) = called else { continue };
            callers.entry((&wanted.place, &setting.name, &called.name)).or_insert((&station.name, called, 0)).2 += 1;
        }
    }
    for ((place, setting, _), (first, called, count)) in callers {
        let who = with_others(first, count);
        let message = format!("`{setting}` of {who} would call {}, which is a station itself.", called.name);
        let finding = Finding::new(Code::CallsStation, place.clone(), message, "Let it call somebody who can help.");
        let what = format!("{} has the number {}", called.name, called.number);
        findings.push(finding.beside(called.place.clone(), what));
    }
}

/// The public numbers that a wanted value may lead to from a station's line; none where it is no dial string.
pub(super) fn reached(wanted: &Wanted, station: &Station, contacts: &BTreeMap<Name, Contact>) -> Vec<E164> {
    let Value::Dial(dialled) = &wanted.value else { return Vec::new() };
    if station.line.kind == Some(LineKind::RingDown) {
        return Vec::new();
    }
    let contact = wanted.contact.as_ref().and_then(|name| contacts.get(name));
    match contact.map(|contact| &contact.reach) {
        Some(Reach::Calls(number)) => vec![number.clone()],
        Some(Reach::Extension(_)) => Vec::new(),
        Some(Reach::Short(_) | Reach::Dial(_)) | None => leads_to(dialled, &station.line),
    }
}

fn fleet_settings_exist(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let known: BTreeSet<&str> = whole.keybooks.values().flat_map(|k| k.settings.iter().map(|s| &*s.name)).collect();
    let fleet = whole.parts.settings.map_or(&[][..], |(entries, _)| entries);
    let sites = whole.parts.sites.values().flat_map(|site| &site.settings);
    for entry in fleet.iter().chain(sites).filter(|entry| !known.contains(&*entry.name)) {
        let message = format!("No keybook has a setting `{}`, so this does nothing.", entry.name);
        let (place, known) = (entry.name_place.clone(), known.iter().copied());
        findings.push(Finding::unknown(Code::SettingNowhere, place, message, &entry.name, known));
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
        let message = format!(
            "The lifeline `{lifeline}` of {}{more} is not managed whole: nothing is wanted of {}.",
            station.name,
            missing.join(", ")
        );
        let fix = "Say what these settings should be, or nobody will notice when they are wrong.";
        findings.push(Finding::new(Code::LifelineUnmanaged, station.place.clone(), message, fix));
    }
}

/// Whether something is wanted of every setting of every lifeline.
pub(super) fn is_managed_whole(station: &Station) -> bool {
    let mut settings = station.keybook.lifelines.iter().flat_map(|lifeline| &lifeline.settings);
    settings.all(|id| station.wanted(*id).is_some())
}

/// Whether some code wanted of a station is the one it leaves the factory with.
pub(super) fn has_factory_code(station: &Station, codes: &Codes) -> bool {
    station.keybook.settings.iter().zip(&station.wanted).any(|(setting, wanted)| is_factory(setting, wanted, codes))
}

fn is_factory(setting: &Setting, wanted: &Option<Arc<Wanted>>, codes: &Codes) -> bool {
    match (wanted.as_deref().map(|wanted| &wanted.value), &setting.factory_code) {
        (Some(Value::Secret(secret)), Some(factory)) => {
            secret.fingerprint.as_ref() == Some(&codes.fingerprint_of(factory))
        }
        (Some(_) | None, _) => false,
    }
}

fn codes_are_not_factory(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut holders: BTreeMap<(&Place, &Name, &Name), (&Name, usize)> = BTreeMap::new();
    for station in whole.inventory.stations.values() {
        for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
            if let Some(wanted) = wanted.as_deref().filter(|_| is_factory(setting, wanted, whole.codes)) {
                let key = (&wanted.place, &setting.name, &station.keybook.model);
                holders.entry(key).or_insert((&station.name, 0)).1 += 1;
            }
        }
    }
    for ((place, setting, model), (first, count)) in holders {
        let who = with_others(first, count);
        let message = format!("`{setting}` of {who} is the code that every {model} leaves the factory with.");
        findings.push(Finding::new(Code::CodeFactory, place.clone(), message, "Choose another code."));
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
fn no_contact(name: &str, entry: &super::Entry, parts: &Parts<'_>) -> Finding {
    let place = entry.contact_place.as_ref().unwrap_or(&entry.place).clone();
    let known = parts.contacts.keys().map(|known| &***known);
    Finding::unknown(Code::NameUnknown, place, format!("No contact is called `{name}`."), name, known)
}

/// A model that no keybook describes.
pub(super) fn no_keybook(name: &str, place: &Place, keybooks: &Keybooks) -> Finding {
    let known = keybooks.keys().map(|known| &**known);
    let message = format!("No keybook describes the model `{name}`.");
    Finding::unknown(Code::NameUnknown, place.clone(), message, name, known)
}

/// A setting that a model does not have.
pub(super) fn no_setting(entry: &super::Entry, keybook: &Keybook) -> Finding {
    let message = format!("The model `{}` has no setting `{}`.", keybook.model, entry.name);
    let known = keybook.settings.iter().map(|s| &*s.name);
    Finding::unknown(Code::NameUnknown, entry.name_place.clone(), message, &entry.name, known)
}

fn contacts_are_used(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let parts = whole.parts;
    let used: BTreeSet<&Name> = entries(parts)
        .filter_map(|entry| match &entry.wish {
            Wish::To(name) => Some(name),
            Wish::Value(_) | Wish::FromLine | Wish::Unmanaged => None,
        })
        .collect();
    // A contact whose name is misspelt where it is used is no contact that nobody uses.
    let strangers: Vec<&str> =
        used.iter().filter(|name| !parts.contacts.contains_key(**name)).map(|name| &***name).collect();
    let is_meant = |name: &str| strangers.iter().any(|stranger| nearest(stranger, [name]).is_some());
    let unused = parts.contacts.iter().filter(|(name, _)| !used.contains(**name));
    for (name, contact) in unused.filter(|(name, _)| !is_meant(name)) {
        let message = format!("No button calls the contact `{name}`.");
        findings.push(Finding::new(
            Code::ContactUnused,
            contact.place.clone(),
            message,
            "Remove it, or let a setting call it.",
        ));
    }
}
