//! What only shows when the whole fleet is put together: a table of small checks.
//!
//! Each goes by what was counted of every file ([`super::count`]), and looks at the stations themselves only where the counts
//! say that there is something to tell.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::count::{
    Abroad, Counts, Dead, FactoryCode, Gap, Inside, NoButton, Off, Otherwise, SameNumber, Together, Unmet, count,
    named, reached,
};
use super::file::unknown_to;
use super::layers::{Said, Use, Uses, add_uses};
use super::line::{Line, LineKind, Reach};
use super::numbering::{Country, E164};
use super::raw::{RawSetting, RawStation};
use super::shared::{Parts, no_keybook, with_others};
use super::spelling;
use super::station::{Inventory, Layer, Station};
use crate::finding::{Code, Finding, Place, in_quotes, listed, nearest, with_article};
use crate::setting::{Name, Value, Weight};

/// Everything a check may look at.
pub(super) struct Whole<'a> {
    pub inventory: &'a Inventory,
    pub parts: &'a Parts,
    /// All stations as their authors wrote them, in the order of their names.
    pub raw: &'a [&'a RawStation],
    /// What is counted of each file.
    pub counts: &'a [&'a Counts],
}

impl<'a> Whole<'a> {
    /// Names and values that the files' counts have.
    fn all<T: IntoIterator + 'a>(&self, of: impl Fn(&'a Counts) -> T) -> impl Iterator<Item = T::Item> {
        self.counts.iter().flat_map(move |counts| of(counts))
    }
}

/// Numbers in their order; each file's are already.
fn sorted<'a>(all: impl Iterator<Item = &'a u64>) -> Vec<u64> {
    let mut all: Vec<u64> = all.copied().collect();
    all.sort();
    all
}

fn has_twice(sorted: &[u64]) -> bool {
    sorted.windows(2).any(|two| two[0] == two[1])
}

type Check = fn(&Whole<'_>, &mut Vec<Finding>);

const CHECKS: [Check; 22] = [
    some_station,
    stations_say_where,
    numbers_are_spelt,
    extensions_are_not_public,
    names_are_defined,
    numbers_are_not_shared,
    former_names_are_free,
    identities_are_not_shared,
    no_station_calls_a_station,
    fleet_settings_exist,
    fleet_lifelines_exist,
    no_lifeline_is_dead,
    no_fallback_is_off,
    some_button_is_there,
    lifelines_are_managed,
    codes_are_not_factory,
    contacts_are_used,
    numbers_are_of_their_country,
    lines_are_of_one_kind,
    fallbacks_call_someone_else,
    numbers_have_the_outside_prefix,
    lines_count,
];

/// Adds what only the whole shows to the findings, which are those of the files so far.
pub(super) fn whole(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    CHECKS.iter().for_each(|check| check(whole, findings));
}

fn some_station(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    if whole.raw.is_empty() && !whole.parts.is_broken {
        let place =
            whole.parts.fleet.as_ref().map_or_else(|| Place::start_of(&"inventory".into()), |(_, place)| place.clone());
        let fix = "Add a station; if every station is really gone, stop the daemon instead.";
        findings.push(Finding::new(Code::InventoryEmpty, place, "The inventory has no station.", fix));
    }
}

/// A technician finds a station, and responders a caller, by these words.
fn stations_say_where(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    for station in whole.raw.iter().filter(|station| station.location.trim().is_empty() && !station.is_partial) {
        let message = format!("The station \"{}\" does not say where it is.", station.name);
        let fix = "Add where: …, in words that bring a technician to it.";
        findings.push(Finding::new(Code::WhereMissing, station.place.clone(), message, fix));
    }
}

fn numbers_are_not_shared(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    if !has_twice(&sorted(whole.all(|counts| &counts.numbers))) {
        return;
    }
    let mut seen: BTreeMap<&E164, (&Name, &Place)> = BTreeMap::new();
    for station in whole.raw {
        let Some((number, place)) = &station.number else { continue };
        if let Some((first, first_place)) = seen.get(number) {
            let message = format!("{} and {first} have the same number {number}.", station.name);
            let fix = "Give each station its own number.";
            let finding = Finding::new(Code::NumberShared, place.clone(), message, fix);
            findings.push(finding.beside((*first_place).clone(), "the same number"));
        } else {
            seen.insert(number, (&station.name, place));
        }
    }
}

/// Nobody could tell whose the reports under an old name are, where another station is or was called so.
fn former_names_are_free(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: Vec<&(Name, Name, Place)> = whole.all(|counts| &counts.formerly).collect();
    all.sort();
    let mut before: Option<&(Name, Name, Place)> = None;
    for one in all {
        let (former, station, place) = one;
        if let Ok(nth) = whole.raw.binary_search_by_key(&former, |raw| &raw.name) {
            let message = format!("{station} was formerly {former}, but a station is called {former} now.");
            let fix = "Remove the former name, or give the other station another name.";
            let finding = Finding::new(Code::FormerName, place.clone(), message, fix);
            findings.push(finding.beside(whole.raw[nth].place.clone(), "the station of that name"));
        }
        if let Some((_, other, first)) = before.filter(|(name, _, _)| name == former) {
            let message = format!("{station} and {other} both say that they were formerly {former}.");
            let finding = Finding::new(Code::FormerName, place.clone(), message, "Leave it with the one that was.");
            findings.push(finding.beside(first.clone(), "the same former name"));
        } else {
            before = Some(one);
        }
    }
}

/// The countries of all lines, each with the first place that names it.
fn countries<'a>(whole: &Whole<'a>) -> BTreeMap<&'a Country, &'a Place> {
    let sites = whole.parts.sites.values().map(|site| (&site.line, &site.place));
    let own = whole.raw.iter().filter_map(|station| Some((&**station.line.as_ref()?, &station.place)));
    let lines = sites.chain(own);
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
    if whole.parts.spelt.is_empty() {
        return;
    }
    let countries = countries(whole);
    for spelt in &whole.parts.spelt {
        let mut meant: BTreeMap<E164, (&Country, &Place)> = BTreeMap::new();
        for (country, place) in &countries {
            let number = spelling::in_country(&spelt.text, country)
                .or_else(|| spelling::without_plus(&spelt.text, country))
                .or_else(|| spelling::without_prefix(&spelt.text, country));
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
    let long = whole.inventory.contacts.iter().filter_map(|(name, contact)| match &contact.reach {
        Reach::Extension(digits) if digits.len() >= LONG_EXTENSION => Some((name, contact, digits)),
        Reach::Extension(_) | Reach::Calls(_) | Reach::Short(_) | Reach::Dial(_) => None,
    });
    let long: Vec<_> = long.collect();
    if long.is_empty() {
        return;
    }
    let countries = countries(whole);
    for (name, contact, digits) in long {
        let Some(number) = countries.keys().find_map(|country| spelling::in_country(digits, country)) else { continue };
        let message = format!("The extension {digits} of \"{name}\" reads like the public number {number}.");
        let fix = format!("If it is that number, write calls: \"{number}\".");
        findings.push(Finding::new(Code::ExtensionPublic, contact.place.clone(), message, fix));
    }
}

fn identities_are_not_shared(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    if !has_twice(&sorted(whole.all(|counts| &counts.identities))) {
        return;
    }
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
                let message = format!("{who} take the same \"{setting}\" {value} from this line.");
                findings.push(Finding::new(Code::LocatingShared, place.clone(), message, fix));
            }
            match first {
                None => first = Some((place, names[0])),
                Some((first_place, first)) => {
                    let message = format!("{} and {first} have the same \"{setting}\" {value}.", names[0]);
                    let finding = Finding::new(Code::LocatingShared, place.clone(), message, fix);
                    findings.push(finding.beside(first_place.clone(), format!("for {first}")));
                }
            }
        }
    }
}

fn no_station_calls_a_station(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let own = sorted(whole.all(|counts| &counts.numbers));
    if !whole.all(|counts| &counts.called).any(|number| own.binary_search(number).is_ok()) {
        return;
    }
    let numbers: HashMap<&E164, &Station> = whole.inventory.stations.values().map(|s| (&s.number, &**s)).collect();
    // A value shared by many stations on equal lines leads to the same place for all of them.
    let mut traced: HashMap<(&Place, &Line), Option<&Station>> = HashMap::new();
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
        let message = format!("\"{setting}\" of {who} would call {}, which is a station itself.", called.name);
        let finding = Finding::new(Code::CallsStation, place.clone(), message, "Let it call someone who can help.");
        let what = format!("{} has the number {}", called.name, called.number);
        findings.push(finding.beside(called.place.clone(), what));
    }
}

fn fleet_settings_exist(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let known: BTreeSet<&str> =
        whole.parts.shared.keybooks.values().flat_map(|k| k.settings.iter().map(|s| &*s.name)).collect();
    let fleet = whole.parts.shared.settings.iter().flat_map(|(entries, _)| entries);
    let sites = whole.parts.sites.values().flat_map(|site| &site.settings);
    exist_somewhere("setting", &known, fleet.chain(sites).map(|entry| (&entry.name, &entry.name_place)), findings);
}

fn fleet_lifelines_exist(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let books = whole.parts.shared.keybooks.values();
    let known: BTreeSet<&str> = books.flat_map(|book| book.lifelines.iter().map(|lifeline| &*lifeline.name)).collect();
    let fleet = whole.parts.shared.lifelines.iter().flat_map(|(entries, _)| entries);
    let sites = whole.parts.sites.values().flat_map(|site| &site.lifelines);
    exist_somewhere("lifeline", &known, fleet.chain(sites).map(|entry| (&entry.name, &entry.name_place)), findings);
}

/// Each name that a layer of many stations gives is one of those that some keybook has.
fn exist_somewhere<'r>(
    what: &str,
    known: &BTreeSet<&str>,
    named: impl Iterator<Item = (&'r Name, &'r Place)>,
    findings: &mut Vec<Finding>,
) {
    for (name, place) in named.filter(|(name, _)| !known.contains(&***name)) {
        let message = format!("No keybook has a {what} \"{name}\", so this does nothing.");
        findings.push(Finding::unknown(Code::SettingNowhere, place.clone(), message, name, known.iter().copied()));
    }
}

/// Nobody may order a button that calls nobody.
fn no_lifeline_is_dead(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: BTreeMap<&Dead, Together> = BTreeMap::new();
    whole.all(|counts| &counts.dead).for_each(|(dead, stations)| count(&mut all, dead, stations.clone()));
    for (Dead { lifeline, unmet, .. }, Together { first, place, count }) in all {
        let Some((main, others)) = unmet.split_first() else { continue };
        let who = with_others(&first, count);
        let message = format!("The button \"{lifeline}\" of {who} would call nobody: {}.", held(unmet));
        let fix = format!("{}, or write lifelines: {{{lifeline}: none}} where there is no such button.", mend(unmet));
        let mut finding = Finding::new(Code::LifelineDead, main.place.clone(), message, fix);
        for other in others.iter().filter(|other| other.place != main.place) {
            finding = finding.beside(other.place.clone(), format!("\"{}\", too", other.setting));
        }
        findings.push(finding.beside(place, these(count)));
    }
}

/// A fallback with a number is meant to be tried; one that is off is not even tested.
fn no_fallback_is_off(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: BTreeMap<&Off, Together> = BTreeMap::new();
    whole.all(|counts| &counts.off).for_each(|(off, stations)| count(&mut all, off, stations.clone()));
    for (Off { dead: Dead { lifeline, unmet, .. }, defined }, Together { first, place, count }) in all {
        let Some(main) = unmet.first() else { continue };
        let who = with_others(&first, count);
        let message = format!("The fallback \"{lifeline}\" of {who} is never tried or tested: {}.", held(unmet));
        let fix = format!(
            "{}, or fix \"works\" in the keybook, or write lifelines: {{{lifeline}: none}} where there is no such fallback.",
            mend(unmet)
        );
        let finding = Finding::new(Code::FallbackOff, main.place.clone(), message, fix);
        let finding = finding.beside(defined.clone(), "the keybook says here when it works");
        findings.push(finding.beside(place, these(count)));
    }
}

/// A station without a button has nobody watching whether it calls for help.
fn some_button_is_there(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: BTreeMap<&NoButton, Together> = BTreeMap::new();
    whole.all(|counts| &counts.buttonless).for_each(|(none, stations)| count(&mut all, none, stations.clone()));
    for (NoButton { place: line, model, buttons }, Together { first, place, count }) in all {
        let message = format!("No button of {} is watched.", with_others(&first, count));
        let names: Vec<String> = buttons.iter().map(|name| format!("\"{name}\"")).collect();
        let fix = match names.as_slice() {
            [one] => format!("Remove \"none\" for {one}: it is the only button that {} has.", with_article(model)),
            several => format!("Remove \"none\" for the button that is there: one of {}.", several.join(", ")),
        };
        findings.push(Finding::new(Code::ButtonNone, line.clone(), message, fix).beside(place, these(count)));
    }
}

/// What the first station of a finding is, beside it.
fn these(count: usize) -> &'static str {
    if count == 1 { "this station" } else { "the first of these stations" }
}

/// The values that a lifeline does not work with.
fn held(unmet: &[Unmet]) -> String {
    let values: Vec<String> = unmet.iter().map(|one| format!("\"{}\" is {}", one.setting, one.value)).collect();
    values.join(" and ")
}

/// What to write instead of the values that a lifeline does not work with, as an instruction.
fn mend(unmet: &[Unmet]) -> String {
    if let [Unmet { instead: Some(instead), .. }] = unmet {
        return format!("Write {instead}");
    }
    let each: Option<Vec<String>> = unmet
        .iter()
        .map(|Unmet { setting, instead, .. }| Some(format!("{} at \"{setting}\"", instead.as_ref()?)))
        .collect();
    match each {
        Some(each) => format!("Write {}", each.join(" and ")),
        None => "No value suits every button of this station. Compare \"works\" with the manual".into(),
    }
}

fn lifelines_are_managed(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    // Beside an error every value that could not be taken would look like one that nobody wants.
    if whole.parts.is_broken || findings.iter().any(Finding::is_error) {
        return;
    }
    let mut gaps: BTreeMap<&Gap, Together> = BTreeMap::new();
    whole.all(|counts| &counts.gaps).for_each(|(gap, stations)| count(&mut gaps, gap, stations.clone()));
    for (Gap { site, lifeline, missing, .. }, Together { first, place, count }) in gaps {
        let missing: Vec<&str> = missing.iter().map(|name| &**name).collect();
        let more = if count > 1 { format!(" and {} more at {site}", count - 1) } else { String::new() };
        let message = format!(
            "The lifeline \"{lifeline}\" of {first}{more} is managed only in part: nothing is wanted for {}.",
            missing.join(", ")
        );
        let fix = format!("Write what {} should be, or nobody notices when it is wrong.", listed(&missing, "and"));
        findings.push(Finding::new(Code::LifelineUnmanaged, place, message, fix));
    }
}

fn codes_are_not_factory(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut holders: BTreeMap<&FactoryCode, Together> = BTreeMap::new();
    let all = whole.all(|counts| &counts.factory_codes);
    all.for_each(|(code, stations)| count(&mut holders, code, stations.clone()));
    for (FactoryCode { place, setting, model }, Together { first, count, .. }) in holders {
        let who = with_others(&first, count);
        let message = format!("\"{setting}\" of {who} is the code that every {model} leaves the factory with.");
        findings.push(Finding::new(Code::CodeFactory, place.clone(), message, "Choose another code."));
    }
}

/// Every setting of every layer below stations, whether or not one takes it.
fn entries(parts: &Parts) -> impl Iterator<Item = &RawSetting> {
    let fleet = parts.shared.settings.iter().flat_map(|(entries, _)| entries);
    let sites = parts.sites.values().flat_map(|site| &site.settings);
    fleet.chain(sites).chain(parts.shared.profiles.values().flat_map(|profile| &profile.settings))
}

/// Names in layers that no station takes are looked at here; those of stations are found on the way, in the same words.
fn names_are_defined(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    sites_are_defined(whole, findings);
    profiles_are_defined(whole, findings);
    contacts_are_defined(whole, findings);
    let parts = whole.parts;
    let taken: BTreeSet<&Name> = whole.all(|counts| &counts.profiles).collect();
    for profile in parts.shared.profiles.values() {
        let Some((name, place)) = &profile.model else { continue };
        let Some(keybook) = parts.shared.keybooks.get(name) else {
            findings.push(no_keybook(name, place, &parts.shared.keybooks));
            continue;
        };
        // A profile whose stations name other models may hold settings of theirs.
        if !taken.contains(&profile.name) {
            findings.extend(unknown_to(keybook, &profile.settings, &profile.lifelines));
        }
    }
}

fn sites_are_defined(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    for (name, place) in whole.all(|counts| &counts.strangers) {
        let message = format!("No site is called \"{name}\".");
        let known = whole.parts.sites.keys().map(|known| &**known);
        findings.push(Finding::unknown(Code::NameUnknown, place.clone(), message, name, known));
    }
}

/// Each profile that is missing is told once, however many stations name it.
fn profiles_are_defined(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut missing: BTreeMap<&Name, Vec<(&Name, &Place)>> = BTreeMap::new();
    for (name, place, station) in whole.all(|counts| &counts.no_profiles) {
        missing.entry(name).or_default().push((station, place));
    }
    let known = || whole.parts.shared.profiles.keys().map(|known| &**known);
    for (name, mut stations) in missing {
        stations.sort();
        stations.dedup_by_key(|(station, _)| *station);
        let Some((first, place)) = stations.first().copied() else { continue };
        let message = format!("No profile is called \"{name}\".");
        if stations.len() == 1 {
            findings.push(Finding::unknown(Code::NameUnknown, place.clone(), message, name, known()));
            continue;
        }
        let message = format!("{message} {} name it.", with_others(first, stations.len()));
        let fix = match nearest(name, known()) {
            Some(near) => format!("If you mean \"{near}\", write that at each of them."),
            None => "Define it under \"profiles\", or give these stations another.".into(),
        };
        findings.push(Finding::new(Code::NameUnknown, place.clone(), message, fix));
    }
}

fn contacts_are_defined(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let shared = &whole.parts.shared;
    let is_known = |name: &Name| shared.contacts.contains_key(name) || shared.broken_contacts.contains(name);
    let own = if whole.all(|counts| &counts.contacts).all(is_known) { &[][..] } else { whole.raw };
    for entry in entries(whole.parts).chain(own.iter().flat_map(|station| &station.settings)) {
        let Some(name) = named(entry).filter(|name| !is_known(name)) else { continue };
        let place = entry.contact_place.as_ref().unwrap_or(&entry.place).clone();
        let message = format!("No contact is called \"{name}\".");
        let known = shared.contacts.keys().map(|known| &**known);
        findings.push(Finding::unknown(Code::NameUnknown, place, message, name, known));
    }
}

fn contacts_are_used(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let contacts = &*whole.parts.shared.contacts;
    let by_stations = whole.all(|counts| &counts.contacts);
    let used: BTreeSet<&Name> = entries(whole.parts).filter_map(named).chain(by_stations).collect();
    // Wherever something is wrong, any contact may be what was meant.
    if whole.parts.is_broken || findings.iter().any(Finding::is_error) {
        return;
    }
    for (name, contact) in contacts.iter().filter(|(name, _)| !used.contains(name)) {
        let message = format!("No button calls the contact \"{name}\".");
        let fix = "Remove it, or let a setting call it.";
        findings.push(Finding::new(Code::ContactUnused, contact.place.clone(), message, fix));
    }
}

/// A number of another country is dialled as if the line were there.
fn numbers_are_of_their_country(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: BTreeMap<&Abroad, Together> = BTreeMap::new();
    whole.all(|counts| &counts.abroad).for_each(|(one, stations)| count(&mut all, one, stations.clone()));
    for (Abroad { country, calling_code, .. }, Together { first, place, count }) in all {
        let who = with_others(&first, count);
        let message = format!("The line of {who} is in {country}, but the number is of another country.");
        let fix = format!("Correct the line's country, or the number: in {country} it begins with +{calling_code}.");
        findings.push(Finding::new(Code::NumberAbroad, place, message, fix));
    }
}

/// A station that is told another kind of line than the one its contacts are dialled by.
fn lines_are_of_one_kind(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: BTreeMap<&Otherwise, Together> = BTreeMap::new();
    whole.all(|counts| &counts.otherwise).for_each(|(one, stations)| count(&mut all, one, stations.clone()));
    for (Otherwise { place, setting, value, kind }, Together { first, place: station, count }) in all {
        let who = with_others(&first, count);
        let message =
            format!("\"{setting}\" of {who} is {value}, but the line is {kind}, and contacts are dialled so.");
        let fix = format!("If the line is {kind}, write {setting}: {{from: line}}. If not, correct the line's kind.");
        let finding = Finding::new(Code::LineOtherwise, place.clone(), message, fix);
        findings.push(finding.beside(station, these(count)));
    }
}

/// What is written out is dialled as it is, also from an exchange.
fn numbers_have_the_outside_prefix(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: BTreeMap<&Inside, Together> = BTreeMap::new();
    whole.all(|counts| &counts.inside).for_each(|(one, stations)| count(&mut all, one, stations.clone()));
    for (Inside { place, setting, number, outside }, Together { first, place: station, count }) in all {
        let who = with_others(&first, count);
        let message = format!("\"{setting}\" of {who} is dialled {number}, without the \"{outside}\" of the line.");
        let fix = format!("Write {{to: CONTACT}}, or \"{outside}{number}\" where every station is on such a line.");
        let finding = Finding::new(Code::OutsideMissing, place.clone(), message, fix);
        findings.push(finding.beside(station, these(count)));
    }
}

/// A second number that is the first one again.
fn fallbacks_call_someone_else(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    let mut all: BTreeMap<&SameNumber, Together> = BTreeMap::new();
    whole.all(|counts| &counts.same_numbers).for_each(|(one, stations)| count(&mut all, one, stations.clone()));
    for (SameNumber { place, setting, first: tried, called }, Together { first, place: station, count }) in all {
        let who = with_others(&first, count);
        let message = format!("\"{setting}\" of {who} calls the same number as \"{tried}\": {called}.");
        let fix = "Let it call someone else.";
        let finding = Finding::new(Code::FallbackSame, place.clone(), message, fix);
        findings.push(finding.beside(station, these(count)));
    }
}

/// Lines of layers that later ones overrule at every station they could count for.
fn lines_count(whole: &Whole<'_>, findings: &mut Vec<Finding>) {
    // Beside an error some station that takes a line may be missing.
    if whole.parts.is_broken || findings.iter().any(Finding::is_error) {
        return;
    }
    let (mut uses, mut of_lifelines) = (Uses::new(), Uses::new());
    for counts in whole.counts {
        add_uses(&mut uses, &counts.uses);
        add_uses(&mut of_lifelines, &counts.lifeline_uses);
    }
    let Parts { shared, sites, .. } = whole.parts;
    let settings = |layer: &Layer| match layer {
        Layer::Fleet => shared.settings.as_ref().map(|(entries, _)| entries.as_slice()),
        Layer::Site(name) => sites.get(name).map(|site| site.settings.as_slice()),
        Layer::Profile(name) => shared.profiles.get(name).map(|profile| profile.settings.as_slice()),
        Layer::Station => None,
    };
    overruled(&uses, settings, findings);
    let lifelines = |layer: &Layer| match layer {
        Layer::Fleet => shared.lifelines.as_ref().map(|(entries, _)| entries.as_slice()),
        Layer::Site(name) => sites.get(name).map(|site| site.lifelines.as_slice()),
        Layer::Profile(name) => shared.profiles.get(name).map(|profile| profile.lifelines.as_slice()),
        Layer::Station => None,
    };
    overruled(&of_lifelines, lifelines, findings);
}

fn overruled<'a, E: Said + 'a>(uses: &Uses, entries: impl Fn(&Layer) -> Option<&'a [E]>, findings: &mut Vec<Finding>) {
    for (layer, uses) in uses {
        for (entry, line) in entries(layer).into_iter().flatten().zip(uses) {
            let Use::Overruled(by) = line else { continue };
            let message =
                format!("\"{}\" of the {layer} has no effect: later layers overrule it everywhere.", entry.name());
            let fix = "Remove this line, or the lines that overrule it.";
            let finding = Finding::new(Code::LineOverruled, entry.name_place().clone(), message, fix);
            findings.push(finding.beside(by.clone(), "one of the lines that count instead"));
        }
    }
}
