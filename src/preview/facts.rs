//! What else an edit says of stations, where nothing that they hold changes: where they are, how their line is, whom a number is
//! of.

use std::collections::BTreeMap;

use crate::inventory::{Form, Inventory, Line, Station};
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
