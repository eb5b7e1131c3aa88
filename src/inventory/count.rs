//! What is counted of the stations of one file, so that what only the whole shows can be seen by adding up files. Numbers and
//! values are counted by what stands for them: two that are equal may still be two, and `checks` looks then.

use std::collections::hash_map::DefaultHasher;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::hash::{Hash, Hasher};
use std::sync::Arc;

use super::layers::Uses;
use super::line::{Contact, LineKind, Reach, leads_to};
use super::numbering::E164;
use super::raw::{RawSetting, RawStation, Wish};
use super::shared::Shared;
use super::spelling;
use super::station::{Station, Wanted};
use crate::finding::Place;
use crate::keybook::{Ability, Condition, Is, Lifeline, Setting, SettingId};
use crate::setting::{Codes, Kind, Name, Value, Weight};

/// The settings of a lifeline of which nothing is wanted: at stations of this site and model.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Gap {
    pub site: Name,
    pub model: Name,
    pub lifeline: Name,
    pub missing: Vec<Name>,
}

/// A required lifeline that is dead by order: of stations of this model, for the same lines.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Dead {
    pub model: Name,
    pub lifeline: Name,
    /// What is wanted that it does not work with, by setting: the line, the value, and what it takes instead.
    pub unmet: Vec<Unmet>,
}

/// A fallback that is off although a number is wanted for it: of stations of this model, for the same lines.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Off {
    pub dead: Dead,
    /// Where the keybook names it.
    pub defined: Place,
}

/// A line by which stations of a model are left without any button.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct NoButton {
    pub place: Place,
    pub model: Name,
    /// The buttons that the model has.
    pub buttons: Vec<Name>,
}

/// Stations whose own number is of another country than their line: of one site.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Abroad {
    pub site: Name,
    /// The country of the line.
    pub country: Name,
    /// How numbers there begin.
    pub calling_code: Name,
}

/// A line that tells a station of another kind of line than its contacts are dialled by.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Otherwise {
    pub place: Place,
    pub setting: Name,
    pub value: Name,
    /// What the line is, in the words of an inventory.
    pub kind: &'static str,
}

/// A public number that is written out, of stations whose exchange takes a prefix before it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Inside {
    pub place: Place,
    pub setting: Name,
    /// As it is dialled.
    pub number: Name,
    /// What the exchange takes before it.
    pub outside: Name,
}

/// A line by which a fallback calls the number that is tried first.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct SameNumber {
    pub place: Place,
    pub setting: Name,
    /// The setting whose number is tried first.
    pub first: Name,
    /// The contact, or the number.
    pub called: Name,
}

/// A wanted value with which a lifeline does not work.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Unmet {
    pub place: Place,
    pub setting: Name,
    pub value: Value,
    /// What to write instead, for a fix; `None` where every such value would leave another button dead.
    pub instead: Option<String>,
}

/// A line that wants a code which every unit of a model leaves the factory with.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct FactoryCode {
    pub place: Place,
    pub setting: Name,
    pub model: Name,
}

/// Stations of which the same is to be told: the first by name, and how many.
#[derive(Debug, Clone)]
pub(super) struct Together {
    pub first: Name,
    pub place: Place,
    pub count: usize,
}

/// What stations of a file come to; lists are sorted.
#[derive(Debug, Default)]
pub(super) struct Counts {
    /// The stations' own numbers.
    pub numbers: Vec<u64>,
    /// The numbers that they may call.
    pub called: Vec<u64>,
    /// Their values of locating settings.
    pub identities: Vec<u64>,
    pub gaps: BTreeMap<Gap, Together>,
    pub dead: BTreeMap<Dead, Together>,
    pub off: BTreeMap<Off, Together>,
    pub buttonless: BTreeMap<NoButton, Together>,
    pub factory_codes: BTreeMap<FactoryCode, Together>,
    pub abroad: BTreeMap<Abroad, Together>,
    pub otherwise: BTreeMap<Otherwise, Together>,
    pub same_numbers: BTreeMap<SameNumber, Together>,
    pub inside: BTreeMap<Inside, Together>,
    /// The contacts that their own layers name.
    pub contacts: BTreeSet<Name>,
    pub profiles: BTreeSet<Name>,
    /// Where a site is named that does not exist.
    pub strangers: Vec<(Name, Place)>,
    /// Profiles that do not exist, each with the place that names it and the station there.
    pub no_profiles: Vec<(Name, Place, Name)>,
    /// Former names, each with the station that had it and the place that says so.
    pub formerly: Vec<(Name, Name, Place)>,
    pub uses: Uses,
    /// The same of lines about lifelines.
    pub lifeline_uses: Uses,
    /// The values whose numbers are among those called, by their address.
    traced: HashSet<usize>,
    /// Whether a value is a code from the factory, by its address: telling takes a while.
    from_factory: HashMap<usize, bool>,
    /// The same of whether a number lacks the prefix of the line.
    lacks_prefix: HashMap<usize, bool>,
}

impl Counts {
    /// What a station says, whatever comes of it.
    pub fn add_raw(&mut self, raw: &RawStation) {
        self.numbers.extend(raw.number.iter().map(|(number, _)| stands_for(number)));
        let formerly = raw.formerly.iter().map(|(former, place)| (former.clone(), raw.name.clone(), place.clone()));
        self.formerly.extend(formerly);
        self.contacts.extend(raw.settings.iter().filter_map(named).cloned());
        for (profile, _) in &raw.profiles {
            if !self.profiles.contains(profile) {
                self.profiles.insert(profile.clone());
            }
        }
    }

    /// What a station comes to. It must live until [`Counts::end`].
    pub fn add(&mut self, station: &Station, shared: &Shared) {
        for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
            let Some(wanted) = wanted else { continue };
            if setting.weight == Weight::Locating {
                self.identities.push(identity(&setting.name, &wanted.value));
            }
            if matches!(wanted.value, Value::Dial(_)) && self.traced.insert(Arc::as_ptr(wanted) as usize) {
                // Stations that share a value have equal lines.
                self.called.extend(reached(wanted, station, &shared.contacts).iter().map(stands_for));
            }
            if matches!(wanted.value, Value::Dial(_)) {
                let told = self.lacks_prefix.entry(Arc::as_ptr(wanted) as usize);
                if *told.or_insert_with(|| inside(station, setting, wanted).is_some())
                    && let Some(inside) = inside(station, setting, wanted)
                {
                    count(&mut self.inside, inside, Together::one(station));
                }
            }
            let is_from_factory = setting.factory_code.is_some() && {
                let told = self.from_factory.entry(Arc::as_ptr(wanted) as usize);
                *told.or_insert_with(|| is_factory(setting, wanted, &shared.codes))
            };
            if is_from_factory {
                let (place, model) = (wanted.place.clone(), station.keybook.model.clone());
                let code = FactoryCode { place, setting: setting.name.clone(), model };
                count(&mut self.factory_codes, code, Together::one(station));
            }
        }
        for (_, lifeline) in station.lifelines() {
            self.add_lifeline(station, lifeline);
            if let Some(same) = same_number(station, lifeline) {
                count(&mut self.same_numbers, same, Together::one(station));
            }
        }
        if let Some(abroad) = abroad(station) {
            count(&mut self.abroad, abroad, Together::one(station));
        }
        if let Some(otherwise) = otherwise(station) {
            count(&mut self.otherwise, otherwise, Together::one(station));
        }
        if let Some(none) = no_button(station) {
            count(&mut self.buttonless, none, Together::one(station));
        }
    }

    fn add_lifeline(&mut self, station: &Station, lifeline: &Lifeline) {
        let wanted = |id: SettingId| station.wanted(id).map(|wanted| &wanted.value);
        let ability = lifeline.ability(wanted);
        let model = station.keybook.model.clone();
        if ability == Ability::Dead {
            let unmet = unmet(station, lifeline);
            let dead = Dead { model, lifeline: lifeline.name.clone(), unmet };
            if lifeline.is_required() {
                count(&mut self.dead, dead, Together::one(station));
            } else if has_own_number(station, lifeline) {
                count(&mut self.off, Off { dead, defined: lifeline.place.clone() }, Together::one(station));
            }
            return;
        }
        let missing = missing(station, lifeline, ability);
        if !missing.is_empty() {
            let missing = missing.into_iter().map(|id| station.keybook.setting(id).name.clone()).collect();
            let gap = Gap { site: station.site.clone(), model, lifeline: lifeline.name.clone(), missing };
            count(&mut self.gaps, gap, Together::one(station));
        }
    }

    /// No station more.
    pub fn end(&mut self) {
        (self.traced, self.from_factory, self.lacks_prefix) = (HashSet::new(), HashMap::new(), HashMap::new());
        for list in [&mut self.numbers, &mut self.called, &mut self.identities] {
            list.sort_unstable();
        }
        self.called.dedup();
    }
}

/// The settings of a lifeline of which nothing is wanted although something should be: those that it lists, and those that
/// only its `works` names where it depends on them. A fallback asks for none where nothing is wanted of what it works by, such
/// as a second number, and never for what its button asks for.
fn missing(station: &Station, lifeline: &Lifeline, ability: Ability) -> Vec<SettingId> {
    let is_wanted = |id: &SettingId| station.wanted(*id).is_some();
    let button = lifeline.backs.and_then(|at| station.keybook.lifelines.get(at));
    let is_own = |id: &SettingId| button.is_some_and(|button| !button.settings.contains(id));
    let mut works_by = lifeline.works.iter().flatten().map(|condition| condition.setting);
    if button.is_some() && !works_by.any(|id| is_own(&id) && is_wanted(&id)) {
        return Vec::new();
    }
    let counts = |id: &SettingId| lifeline.names(*id) || ability == Ability::Undecided;
    let asked = |id: &&SettingId| !is_wanted(id) && counts(id) && (button.is_none() || is_own(id));
    lifeline.settings.iter().filter(asked).copied().collect()
}

/// Whether a number is wanted for a fallback that its button does not have, too. Without one it is not in use, and need not be.
fn has_own_number(station: &Station, fallback: &Lifeline) -> bool {
    let button = fallback.backs.and_then(|at| station.keybook.lifelines.get(at));
    let is_own = |id: &&SettingId| button.is_none_or(|button| !button.settings.contains(id));
    let is_filled = |id: &SettingId| match station.wanted(*id).map(|wanted| &wanted.value) {
        Some(Value::Dial(number)) => !number.is_empty(),
        Some(Value::Digits(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_)) | None => {
            false
        }
    };
    fallback.settings.iter().filter(is_own).any(is_filled)
}

/// Where no button is left of those that the model has: the first line that takes one away.
fn no_button(station: &Station) -> Option<NoButton> {
    let required = || station.keybook.lifelines.iter().filter(|lifeline| lifeline.is_required());
    let places: Option<Vec<&Place>> = required().map(|button| station.absent.get(&button.name)).collect();
    let place = places?.into_iter().min()?.clone();
    let buttons = required().map(|button| button.name.clone()).collect();
    Some(NoButton { place, model: station.keybook.model.clone(), buttons })
}

/// The country of a station's line, where its own number is of another.
fn abroad(station: &Station) -> Option<Abroad> {
    let country = station.line.country.as_ref().filter(|country| station.number.significant(country).is_none())?;
    let (country, calling_code) = (country.id.clone(), Name::from(&*country.calling_code));
    Some(Abroad { site: station.site.clone(), country, calling_code })
}

/// A choice among kinds of line that is not the line's own, where a contact is dialled by the line.
fn otherwise(station: &Station) -> Option<Otherwise> {
    let kind = station.line.kind?.as_str();
    if !station.wanted.iter().flatten().any(|wanted| wanted.contact.is_some()) {
        return None;
    }
    let is_kind = |name: &Name| LineKind::WORDS.iter().any(|(word, _)| **word == **name);
    station.keybook.settings.iter().zip(&station.wanted).find_map(|(setting, wanted)| {
        let (Kind::Choice(choices), Some(wanted)) = (&setting.kind, wanted) else { return None };
        let Value::Choice(value) = &wanted.value else { return None };
        let is_of_lines = choices.iter().any(|(name, _)| **name == *kind) && is_kind(value);
        (is_of_lines && **value != *kind).then(|| Otherwise {
            place: wanted.place.clone(),
            setting: setting.name.clone(),
            value: value.clone(),
            kind,
        })
    })
}

/// A public number of the line's country, written out without what the exchange takes before it.
fn inside(station: &Station, setting: &Setting, wanted: &Wanted) -> Option<Inside> {
    let (outside, country) = (station.line.outside(), station.line.country.as_ref()?);
    let Value::Dial(number) = &wanted.value else { return None };
    let is_bare = wanted.contact.is_none() && !outside.is_empty() && !number.starts_with(outside);
    spelling::in_country(number, country).filter(|public| is_bare && public.is_valid())?;
    Some(Inside {
        place: wanted.place.clone(),
        setting: setting.name.clone(),
        number: number.clone(),
        outside: outside.into(),
    })
}

/// Where a fallback has the number of its button. A ring-down line takes no number, so all of them are the same there.
fn same_number(station: &Station, fallback: &Lifeline) -> Option<SameNumber> {
    let button = station.keybook.lifelines.get(fallback.backs?)?;
    if station.line.kind == Some(LineKind::RingDown) {
        return None;
    }
    let number = |id: &SettingId| {
        let wanted = station.wanted(*id)?;
        matches!(&wanted.value, Value::Dial(number) if !number.is_empty()).then_some((*id, wanted))
    };
    let own = fallback.settings.iter().filter(|id| !button.settings.contains(id)).filter_map(number);
    let tried: Vec<_> = button.settings.iter().filter_map(number).collect();
    let mut both = own.filter_map(|(id, wanted)| {
        let (first, _) = tried.iter().find(|(_, first)| first.value == wanted.value)?;
        Some((id, wanted, *first))
    });
    let (id, wanted, first) = both.next()?;
    let name = |id: SettingId| station.keybook.setting(id).name.clone();
    let called = wanted.contact.clone().unwrap_or_else(|| wanted.value.to_string().into());
    Some(SameNumber { place: wanted.place.clone(), setting: name(id), first: name(first), called })
}

/// What is wanted that keeps a lifeline from working: of its ways, the one that asks for the fewest other values among those
/// whose values leave every button of the station alive.
fn unmet(station: &Station, lifeline: &Lifeline) -> Vec<Unmet> {
    let wanted = |id: SettingId| station.wanted(id).map(|wanted| &wanted.value);
    let contradicted = |one: &&Condition| wanted(one.setting).is_some_and(|value| !one.is.met_by(value));
    let ways = lifeline.works.iter().map(|way| {
        let unmet: Vec<&Condition> = way.iter().filter(contradicted).collect();
        unmet.iter().filter_map(|one| told(station, one, &unmet)).collect::<Vec<Unmet>>()
    });
    ways.min_by_key(|way| (way.iter().any(|one| one.instead.is_none()), way.len())).unwrap_or_default()
}

/// A condition that is not met. The values of `others` are taken as open, for they change with it.
fn told(station: &Station, condition: &Condition, others: &[&Condition]) -> Option<Unmet> {
    let (setting, wanted) = (station.keybook.setting(condition.setting), station.wanted(condition.setting)?);
    let is_safe = |value: &Value| {
        let state = |id: SettingId| match id == condition.setting {
            true => Some(value),
            false if others.iter().any(|other| other.setting == id) => None,
            false => station.wanted(id).map(|wanted| &wanted.value),
        };
        let mut buttons = station.lifelines().filter(|(_, lifeline)| lifeline.is_required());
        buttons.all(|(_, button)| !button.is_dead(state))
    };
    let instead = match (&condition.is, &setting.kind) {
        (Is::OneOf(values), _) => {
            let safe: Vec<String> = values.iter().filter(|value| is_safe(value)).map(Value::to_string).collect();
            (!safe.is_empty()).then(|| safe.join(" or "))
        }
        (Is::Filled, Kind::Dial { .. }) => Some("{to: CONTACT} or a number".into()),
        (Is::Filled, Kind::Flags { .. }) => Some("one name at least".into()),
        (Is::Filled, Kind::Digits { .. } | Kind::Choice(_) | Kind::Number { .. } | Kind::Secret { .. }) => {
            Some("digits".into())
        }
        (Is::Within { min, max }, Kind::Number { min: least, max: most, .. }) => {
            let ends =
                [*min.max(least), *max.min(most)].map(|end| Some(end).filter(|end| is_safe(&Value::Number(*end))));
            match ends {
                [Some(first), Some(last)] if last == *most => Some(format!("{first} or more")),
                [Some(first), Some(last)] => Some(format!("a number from {first} to {last}")),
                [Some(end), None] | [None, Some(end)] => Some(end.to_string()),
                [None, None] => None,
            }
        }
        (
            Is::Within { .. },
            Kind::Digits { .. } | Kind::Dial { .. } | Kind::Choice(_) | Kind::Flags { .. } | Kind::Secret { .. },
        ) => None,
    };
    Some(Unmet { place: wanted.place.clone(), setting: setting.name.clone(), value: wanted.value.clone(), instead })
}

impl Together {
    fn one(station: &Station) -> Together {
        Together { first: station.name.clone(), place: station.place.clone(), count: 1 }
    }
}

/// Adds stations to those of which the same is to be told.
pub(super) fn count<K: Ord>(all: &mut BTreeMap<K, Together>, key: K, more: Together) {
    match all.get_mut(&key) {
        None => {
            all.insert(key, more);
        }
        Some(known) => {
            let count = known.count + more.count;
            if more.first < known.first {
                *known = more;
            }
            known.count = count;
        }
    }
}

/// The contact that an entry names.
pub(super) fn named(entry: &RawSetting) -> Option<&Name> {
    match &entry.wish {
        Wish::To(contact) => Some(contact),
        Wish::Value(_) | Wish::FromLine | Wish::Unmanaged => None,
    }
}

/// A number as a number: at most 15 digits, the first of them not 0.
pub(super) fn stands_for(number: &E164) -> u64 {
    number.digits().bytes().fold(0, |sum, digit| sum * 10 + u64::from(digit - b'0'))
}

/// What stands for a value by which responders tell a station from others.
fn identity(setting: &Name, value: &Value) -> u64 {
    let mut hasher = DefaultHasher::new();
    (setting, value).hash(&mut hasher);
    hasher.finish()
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

/// Whether a wanted code is the one that every unit leaves the factory with.
fn is_factory(setting: &Setting, wanted: &Wanted, codes: &Codes) -> bool {
    match (&wanted.value, &setting.factory_code) {
        (Value::Secret(secret), Some(factory)) => secret.fingerprint.as_ref() == Some(&codes.fingerprint_of(factory)),
        (_, Some(_) | None) => false,
    }
}
