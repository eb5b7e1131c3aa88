//! What else an edit says of stations, where nothing that they hold changes: where they are, how their line is, whom a number is
//! of; and what it changes in a keybook, as that reads back in plain English.

use std::collections::BTreeMap;
use std::sync::Arc;

use similar::TextDiff;

use crate::inventory::{Form, Inventory, Line, Station};
use crate::keybook::{Keybook, read_back};
use crate::setting::Name;

/// One thing said of a station; empty where nothing is.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct FactPreview {
    /// A key of the inventory, or whom a setting calls.
    pub what: String,
    /// As it was.
    pub from: String,
    /// As it would be.
    pub to: String,
}

/// What would be said otherwise of a station; each side with the contacts of its inventory.
pub(super) fn between(was: (&Station, &Inventory), station: (&Station, &Inventory)) -> Vec<FactPreview> {
    let (before, mut after) = (facts(was.0, was.1), facts(station.0, station.1));
    let mut changed = Vec::new();
    for (what, from) in before {
        let to = after.remove(&what).unwrap_or_default();
        if from != to {
            changed.push(FactPreview { what, from, to });
        }
    }
    changed.extend(after.into_iter().map(|(what, to)| FactPreview { what, from: String::new(), to }));
    changed.retain(|fact| fact.from != fact.to);
    changed
}

fn facts(station: &Station, inventory: &Inventory) -> BTreeMap<String, String> {
    let text = |name: &Option<Name>| name.as_deref().map(|name| format!("\"{name}\"")).unwrap_or_default();
    let Line { kind, outside, country, form, international, trunk, short_direct, placeholder, is_partial: _ } =
        &*station.line;
    let form = form.map(|form| match form {
        Form::National => "national",
        Form::International => "international",
    });
    let names: Vec<&str> = station.formerly.iter().map(|name| &**name).collect();
    let said = [
        ("where", station.location.to_string()),
        ("formerly", names.join(", ")),
        ("test_days", station.test_days.map(|days| days.to_string()).unwrap_or_default()),
        ("line: kind", kind.map(|kind| kind.as_str().to_owned()).unwrap_or_default()),
        ("line: outside", text(outside)),
        ("line: country", country.as_ref().map(|country| country.id.to_string()).unwrap_or_default()),
        ("line: form", form.unwrap_or_default().to_owned()),
        ("line: international", text(international)),
        ("line: trunk", text(trunk)),
        ("line: short_direct", short_direct.map(|direct| direct.to_string()).unwrap_or_default()),
        ("line: placeholder", text(placeholder)),
    ];
    let mut facts: BTreeMap<String, String> = said.into_iter().map(|(what, text)| (what.to_owned(), text)).collect();
    for (setting, wanted) in station.keybook.settings.iter().zip(&station.wanted) {
        let Some(wanted) = wanted else { continue };
        let Some(contact) = &wanted.contact else { continue };
        let title = wanted.contact_title.as_ref().map(|title| format!(" (\"{title}\")")).unwrap_or_default();
        // On a line that rings one place by itself the number is not what is stored.
        let reach = inventory.contacts.get(contact).map(|contact| format!(", {}", contact.reach)).unwrap_or_default();
        facts.insert(format!("{} calls", setting.name), format!("{contact}{title}{reach}"));
    }
    facts
}

/// A keybook that would say something else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeybookPreview {
    /// How many stations are of that model, before and after.
    pub stations: usize,
    /// What would be read back otherwise, as a diff.
    pub diff: String,
}

/// Keybooks that say something else, by model; found station by station. A side has one of a model, so they are compared once.
#[derive(Debug, Default)]
pub(super) struct Keybooks {
    seen: BTreeMap<Name, KeybookPreview>,
}

impl Keybooks {
    /// Takes a station's keybook as it was and as it would be.
    pub(super) fn see(&mut self, was: &Arc<Keybook>, now: &Arc<Keybook>) {
        if was.model != now.model || Arc::ptr_eq(was, now) || was.digest == now.digest {
            return;
        }
        match self.seen.get_mut(&now.model) {
            Some(preview) => preview.stations += 1,
            None => {
                self.seen.insert(now.model.clone(), KeybookPreview { stations: 1, diff: diff(was, now) });
            }
        }
    }

    /// Those of which something else is read back.
    pub(super) fn finish(self) -> BTreeMap<Name, KeybookPreview> {
        self.seen.into_iter().filter(|(_, preview)| !preview.diff.is_empty()).collect()
    }
}

fn diff(was: &Keybook, now: &Keybook) -> String {
    let (before, after) = (read_back(was, false), read_back(now, false));
    let mut diff = TextDiff::from_lines(&before, &after).unified_diff().context_radius(1).to_string();
    // A code is in no review, not even one of a factory; that it changes is.
    for setting in &now.settings {
        let old = was.settings.iter().find(|old| old.name == setting.name).and_then(|old| old.factory_code.as_ref());
        let new = setting.factory_code.as_ref();
        if old.zip(new).is_some_and(|(old, new)| old.reveal() != new.reveal()) {
            diff += &format!("+  {}: A new one has another code than before.\n", setting.name);
        }
    }
    diff
}
