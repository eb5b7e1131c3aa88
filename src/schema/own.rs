//! A schema with the names of one's own fleet: an editor then offers real settings, values, contacts, profiles and stations.
//! It offers and does not forbid: whoever adds a contact uses it before the schema is made again.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value, json};

use super::Kind;
use crate::inventory::Keybooks;
use crate::keybook::Setting;
use crate::setting::{self, Name};

/// The names of a fleet.
#[derive(Debug, Default)]
pub struct Names {
    /// Whom buttons call.
    pub contacts: BTreeSet<Name>,
    /// Settings that stations share.
    pub profiles: BTreeSet<Name>,
    /// All stations.
    pub stations: BTreeSet<Name>,
}

/// The schema of inventories or reports with these names.
///
/// # Errors
/// Keybooks and configurations hold no names of a fleet: says so.
pub fn own(kind: Kind, keybooks: &Keybooks, names: &Names) -> Result<String, String> {
    let mut schema: Value = serde_json::from_str(kind.text()).map_err(|error| error.to_string())?;
    match kind {
        Kind::Inventory => inventory(&mut schema, keybooks, names),
        Kind::Report => report(&mut schema, keybooks, names),
        Kind::Keybook | Kind::Config | Kind::Alert => {
            return Err(format!("A {kind} holds no names of your fleet: --own is for inventory and report."));
        }
    }
    Ok(format!("{schema:#}\n"))
}

fn inventory(schema: &mut Value, keybooks: &Keybooks, names: &Names) {
    offer(schema, "/$defs/setting/properties/to", &names.contacts);
    offer(schema, "/$defs/station_profiles/items", &names.profiles);
    offer(schema, "/$defs/station_formerly/items", &names.stations);
    let models: BTreeSet<Name> = keybooks.keys().cloned().collect();
    offer(schema, "/$defs/station_model", &models);
    offer(schema, "/$defs/profile/properties/model", &models);
    put(schema, "/$defs/settings", settings(keybooks, "#/$defs/setting", &names.contacts));
    let lifelines = lifelines(keybooks).into_iter().map(|(name, title)| {
        let none = json!({ "description": title, "enum": ["none", null] });
        (name.to_string(), none)
    });
    put(schema, "/$defs/lifelines", lifelines.collect());
}

fn report(schema: &mut Value, keybooks: &Keybooks, names: &Names) {
    offer(schema, "/properties/station", &names.stations);
    offer(schema, "/$defs/test/properties/contact", &names.contacts);
    offer(schema, "/$defs/test/properties/lifeline", &lifelines(keybooks).into_keys().collect());
    put(schema, "/$defs/values", settings(keybooks, "#/$defs/value", &BTreeSet::new()));
}

/// Names that an editor offers in a place.
fn offer(schema: &mut Value, place: &str, names: &BTreeSet<Name>) {
    if let Some(Value::Object(at)) = schema.pointer_mut(place).filter(|_| !names.is_empty()) {
        at.insert("examples".into(), names.iter().map(|name| Value::from(&**name)).collect());
    }
}

/// Keys that an editor offers in a mapping.
fn put(schema: &mut Value, place: &str, properties: Map<String, Value>) {
    if let Some(Value::Object(at)) = schema.pointer_mut(place) {
        at.insert("properties".into(), properties.into());
    }
}

/// Every setting of every model: its title, what it takes, and the same shape as any setting.
fn settings(keybooks: &Keybooks, shape: &str, contacts: &BTreeSet<Name>) -> Map<String, Value> {
    let mut all: BTreeMap<&Name, Vec<(&Name, &Setting)>> = BTreeMap::new();
    for keybook in keybooks.values() {
        for id in keybook.ids() {
            let setting = keybook.setting(id);
            all.entry(&setting.name).or_default().push((&keybook.model, setting));
        }
    }
    let one = |(name, models): (&Name, Vec<(&Name, &Setting)>)| {
        let about: Vec<String> = models
            .iter()
            .map(|(model, setting)| format!("{model}: {}, {}", setting.title(), takes(&setting.kind)))
            .collect();
        let mut examples: Vec<Value> = Vec::new();
        for value in models.iter().flat_map(|(_, setting)| values(&setting.kind, contacts)) {
            if !examples.contains(&value) {
                examples.push(value);
            }
        }
        let mut property = json!({ "description": about.join(". ") + ".", "$ref": shape });
        if let Some(property) = property.as_object_mut().filter(|_| !examples.is_empty()) {
            property.insert("examples".into(), examples.into());
        }
        (name.to_string(), property)
    };
    all.into_iter().map(one).collect()
}

fn lifelines(keybooks: &Keybooks) -> BTreeMap<Name, String> {
    let all = keybooks.values().flat_map(|keybook| &keybook.lifelines);
    all.map(|lifeline| (lifeline.name.clone(), lifeline.title())).collect()
}

/// What a setting of a kind takes, in words.
fn takes(kind: &setting::Kind) -> String {
    match kind {
        setting::Kind::Digits { min, max } => format!("{min} to {max} digits"),
        setting::Kind::Dial { min, max, .. } => format!("a number of {min} to {max} symbols"),
        setting::Kind::Choice(names) => format!("one of {}", list(names.iter().map(|(name, _)| name))),
        setting::Kind::Flags { names, .. } => format!("any of {}", list(names.iter().map(|(name, _)| name))),
        setting::Kind::Number { min, max, unit, .. } => format!("{min} to {max} {unit}").trim_end().to_owned(),
        setting::Kind::Secret { min, max } => format!("a code of {min} to {max} digits"),
    }
}

fn list<'n>(names: impl Iterator<Item = &'n Name>) -> String {
    names.map(|name| &**name).collect::<Vec<_>>().join(", ")
}

/// Values that an editor offers; a number to dial is wanted by the contact.
fn values(kind: &setting::Kind, contacts: &BTreeSet<Name>) -> Vec<Value> {
    match kind {
        setting::Kind::Choice(names) => names.iter().map(|(name, _)| Value::from(&**name)).collect(),
        setting::Kind::Flags { names, .. } => names.iter().map(|(name, _)| json!([&**name])).collect(),
        setting::Kind::Dial { .. } => contacts.iter().map(|name| json!({ "to": &**name })).collect(),
        setting::Kind::Digits { .. } | setting::Kind::Number { .. } | setting::Kind::Secret { .. } => Vec::new(),
    }
}
