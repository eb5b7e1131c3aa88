//! Since when each contact is dialled as it is now: a test call that was made before then went to whoever it was dialled as
//! at that time. The store keeps it, because the last good files alone do not tell.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::error::FleetError;
use crate::inventory::{Contact, Reach};
use crate::setting::Name;
use crate::store::Store;

/// The memo that it is kept in.
const MEMO: &str = "fleet.contacts";

/// What is known of each contact that ever was in an inventory in use.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ContactsSince(BTreeMap<String, Known>);

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Known {
    reach: String,
    /// When it was edited, in milliseconds since 1970; nothing where it never was dialled otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    since_ms: Option<i64>,
}

impl ContactsSince {
    /// What the store keeps.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub(super) async fn recall(store: &Store) -> Result<ContactsSince, FleetError> {
        let memo = store.memo(MEMO).await?;
        Ok(ContactsSince(memo.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default()))
    }

    /// Notes the contacts of an inventory that comes into use.
    ///
    /// # Errors
    /// Where the store cannot be read or written.
    pub(super) async fn note(
        store: &Store,
        contacts: &BTreeMap<Name, Contact>,
        now: Timestamp,
    ) -> Result<ContactsSince, FleetError> {
        let before = ContactsSince::recall(store).await?;
        let after = before.with(contacts, now);
        if after != before {
            // Texts and times always have a JSON form.
            let text = serde_json::to_string(&after.0).unwrap_or_default();
            store.set_memo(MEMO, Some(&text)).await?;
        }
        Ok(after)
    }

    /// What would be noted, where nothing can be written.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub(super) async fn foresee(
        store: &Store,
        contacts: &BTreeMap<Name, Contact>,
        now: Timestamp,
    ) -> Result<ContactsSince, FleetError> {
        Ok(ContactsSince::recall(store).await?.with(contacts, now))
    }

    fn with(&self, contacts: &BTreeMap<Name, Contact>, now: Timestamp) -> ContactsSince {
        let mut all = self.0.clone();
        for (name, contact) in contacts {
            let reach = reach_text(&contact.reach);
            match all.get_mut(&**name) {
                Some(known) if known.reach == reach => {}
                Some(known) => *known = Known { reach, since_ms: Some(now.as_millisecond()) },
                None => drop(all.insert(name.to_string(), Known { reach, since_ms: None })),
            }
        }
        ContactsSince(all)
    }

    /// Whether a contact was dialled at that time as it is now, as far as is known.
    pub(super) fn held_at(&self, contact: &str, at: Timestamp) -> bool {
        self.0.get(contact).and_then(|known| known.since_ms).is_none_or(|since| at.as_millisecond() >= since)
    }
}

fn reach_text(reach: &Reach) -> String {
    match reach {
        Reach::Calls(number) => format!("calls {number}"),
        Reach::Extension(number) => format!("extension {number}"),
        Reach::Short(number) => format!("short {number}"),
        Reach::Dial(number) => format!("dial {number}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Place;

    fn contacts(number: &str) -> BTreeMap<Name, Contact> {
        let place = Place { file: "fleet.yaml".into(), line: 1, column: 1, length: 1 };
        [("desk".into(), Contact { reach: Reach::Dial(number.into()), title: None, place })].into()
    }

    #[test]
    fn a_contact_is_dialled_as_ever_until_an_edit_also_where_it_was_gone_in_between() {
        let time = |day: i8| -> Timestamp { format!("2026-11-{day:02}T12:00:00Z").parse().unwrap() };
        let first = ContactsSince::default().with(&contacts("4410"), time(10));
        assert!(first.held_at("desk", time(1)), "nobody knows of another number before the first");
        let same = first.with(&contacts("4410"), time(12));
        assert_eq!(same, first);
        let edited = first.with(&BTreeMap::new(), time(14)).with(&contacts("4411"), time(15));
        assert!(!edited.held_at("desk", time(14)) && edited.held_at("desk", time(15)));
        assert!(edited.held_at("nobody", time(1)));
    }
}
