//! Whom stations do not call: a number of theirs is known to be another than that of the contact who is wanted.

use std::collections::{BTreeMap, BTreeSet};

use super::clip::{Room, clip};
use crate::drift::{Drift, SettingDrift, StationDrift, whom};
use crate::inventory::Contact;
use crate::ledger::State;
use crate::setting::{Name, spoken};

/// Names in a sentence are no longer than this.
const SHORT: Room = Room(40);

/// Whether a setting is known to hold another number than that of the contact who is wanted.
pub fn is_another_number(setting: &SettingDrift) -> bool {
    let is_known = matches!(setting.held, State::Known(_));
    setting.contact.is_some() && is_known && matches!(setting.drift, Drift::Differs | Drift::Strayed)
}

/// Whether a station holds another number than this contact's.
pub fn calls_another(drift: &StationDrift, contact: &Name) -> bool {
    of_contact(drift, contact).next().is_some()
}

fn of_contact<'d>(drift: &'d StationDrift, contact: &Name) -> impl Iterator<Item = &'d SettingDrift> {
    drift.settings.iter().filter(move |setting| is_another_number(setting) && setting.contact.as_ref() == Some(contact))
}

/// The contact whose number the most of several stations do not hold, and how many do not; nothing where that is one, or less
/// than half of them.
pub fn most_missed<'d>(stations: &[&'d StationDrift]) -> Option<(&'d Name, usize)> {
    let mut counts: BTreeMap<&Name, usize> = BTreeMap::new();
    for drift in stations {
        let here = drift.settings.iter().filter(|setting| is_another_number(setting));
        let here: BTreeSet<&Name> = here.filter_map(|setting| setting.contact.as_ref()).collect();
        here.into_iter().for_each(|contact| *counts.entry(contact).or_default() += 1);
    }
    let most = counts.into_iter().max_by_key(|(_, count)| *count);
    most.filter(|(_, count)| *count > 1 && count * 2 >= stations.len())
}

/// " (first number)", where it is one setting at all of these stations that holds another number than the contact's.
pub fn which<'d>(stations: impl Iterator<Item = &'d StationDrift>, contact: &Name) -> String {
    let titles = stations.flat_map(|drift| of_contact(drift, contact).map(SettingDrift::spoken));
    let titles: BTreeSet<String> = titles.collect();
    match titles.first() {
        Some(one) if titles.len() == 1 => format!(" ({})", clip(one, SHORT)),
        Some(_) | None => String::new(),
    }
}

/// What people call a contact, as the owner of a number: "the control room's".
pub fn whose(contact: &Name, contacts: &BTreeMap<Name, Contact>) -> String {
    let title = contacts.get(contact).and_then(|contact| contact.title.as_ref());
    format!("{}'s", clip(&whom(&spoken(contact, title)), SHORT))
}
