//! Whom stations do not call: a number of theirs is known to be another than that of the contact who is wanted.

use std::collections::BTreeMap;

use super::clip::{Room, clip};
use crate::drift::{Drift, SettingDrift, StationDrift};
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

/// The contact whose number none of these stations calls, and the setting, where it is the same of all: "control room's" and
/// "first number".
pub fn shared<'d>(
    mut stations: impl Iterator<Item = &'d StationDrift>,
    contacts: &BTreeMap<Name, Contact>,
) -> Option<(String, String)> {
    let others = |drift: &'d StationDrift| drift.settings.iter().filter(|setting| is_another_number(setting));
    let first = stations.next()?;
    let mut shared: Vec<&SettingDrift> = others(first).collect();
    for drift in stations {
        let is_here =
            |one: &SettingDrift| others(drift).any(|other| (&other.name, &other.contact) == (&one.name, &one.contact));
        shared.retain(|one| is_here(one));
    }
    let one = *shared.first()?;
    Some((whose(one.contact.as_ref()?, contacts), clip(&one.spoken(), SHORT)))
}

/// What people call a contact, as the owner of a number.
pub fn whose(contact: &Name, contacts: &BTreeMap<Name, Contact>) -> String {
    let title = contacts.get(contact).and_then(|contact| contact.title.as_ref());
    format!("{}'s", clip(&spoken(contact, title), SHORT))
}
