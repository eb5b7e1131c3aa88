//! Prints: what stands for a station's wanted lifeline values, and for a whole change. No value can be read back out of one.

use std::collections::BTreeMap;
use std::sync::Arc;

use sha2::{Digest as _, Sha256};

use crate::inventory::{Inventory, Station};
use crate::ledger::Digest;
use crate::setting::{Name, Value};

/// Prints made before: one is made anew only where something else is wanted.
#[derive(Debug, Clone, Default)]
pub struct Prints(BTreeMap<Name, (Arc<Station>, Name)>);

impl Prints {
    /// The print of what is wanted of a station's lifelines.
    pub(super) fn of(&mut self, station: &Arc<Station>) -> Name {
        if let Some((known, print)) = self.0.get_mut(&station.name)
            && (Arc::ptr_eq(known, station) || is_same(known, station))
        {
            *known = station.clone();
            return print.clone();
        }
        let print = print(station);
        self.0.insert(station.name.clone(), (station.clone(), print.clone()));
        print
    }

    pub(super) fn forget_all_but(&mut self, inventory: &Inventory) {
        if self.0.len() > inventory.stations.len() {
            self.0.retain(|name, _| inventory.stations.contains_key(name));
        }
    }
}

/// Whether the same is wanted of the same model.
fn is_same(one: &Station, other: &Station) -> bool {
    one.keybook.digest == other.keybook.digest
        && one.keybook.ids().all(|id| match (one.wanted(id), other.wanted(id)) {
            (Some(one), Some(other)) => one.value == other.value,
            (None, None) => true,
            (Some(_), None) | (None, Some(_)) => false,
        })
}

fn print(station: &Station) -> Name {
    let mut ink = Sha256::new();
    // By name, so that a keybook put in another order changes nothing.
    let ids = station.keybook.ids().filter(|id| station.is_lifeline(*id));
    let wanted = ids.filter_map(|id| Some((&station.keybook.setting(id).name, &station.wanted(id)?.value)));
    for (name, value) in wanted.collect::<BTreeMap<_, _>>() {
        let (kind, text) = canonical(value);
        [&**name, kind, &text].iter().for_each(|text| netstring(&mut ink, text));
    }
    hex(&ink.finalize(), 16).into()
}

/// A value as text that only the same value has. A code stands for itself by its fingerprint, which is keyed.
fn canonical(value: &Value) -> (&'static str, String) {
    match value {
        Value::Digits(text) => ("digits", text.to_string()),
        Value::Dial(text) => ("dial", text.to_string()),
        Value::Choice(name) => ("choice", name.to_string()),
        Value::Flags(names) => ("flags", names.iter().map(|name| format!("{}:{name}", name.len())).collect()),
        Value::Number(number) => ("number", number.to_string()),
        Value::Secret(secret) => match &secret.fingerprint {
            Some(fingerprint) => ("secret", fingerprint.to_string()),
            None => ("reference", secret.reference.to_string()),
        },
    }
}

/// Stands for a change: its lines (station, number, settled print, wanted print), sorted.
pub(super) fn change(lines: impl Iterator<Item = [String; 4]>) -> Digest {
    let mut lines: Vec<[String; 4]> = lines.collect();
    lines.sort();
    let mut ink = Sha256::new();
    lines.iter().flatten().for_each(|text| netstring(&mut ink, text));
    Digest::of_hash(&ink.finalize())
}

/// `length:bytes,`, so that no two lists of texts look alike.
fn netstring(ink: &mut Sha256, text: &str) {
    ink.update(text.len().to_string());
    ink.update(b":");
    ink.update(text);
    ink.update(b",");
}

fn hex(bytes: &[u8], count: usize) -> String {
    bytes.iter().take(count).map(|byte| format!("{byte:02x}")).collect()
}
