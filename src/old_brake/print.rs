//! Prints: what stands for a station's lifeline values, one by one and together, and for a whole change. No value can be read
//! back out of one.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use sha2::{Digest as _, Sha256};

use crate::inventory::{Inventory, Station};
use crate::ledger::Digest;
use crate::setting::{Name, Value};

/// Lifeline settings by name, each with what stands for its value: 16 hexadecimal digits; empty where an older version kept
/// one print of all.
pub type Parts = Arc<BTreeMap<Name, Name>>;

/// What is wanted of a station's lifelines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wants {
    /// Of all parts: 32 hexadecimal digits.
    pub print: Name,
    pub parts: Parts,
}

/// Prints made before: one is made anew only where something else is wanted.
#[derive(Debug, Clone, Default)]
pub struct Prints {
    known: BTreeMap<Name, (Arc<Station>, Wants)>,
    /// Each different one once: most stations of a fleet want the same.
    pool: BTreeMap<Parts, Name>,
}

impl Prints {
    /// What is wanted of a station's lifelines.
    pub(super) fn of(&mut self, station: &Arc<Station>) -> Wants {
        if let Some((known, wants)) = self.known.get_mut(&station.name)
            && (Arc::ptr_eq(known, station) || is_same(known, station))
        {
            *known = station.clone();
            return wants.clone();
        }
        let wants = self.pooled(wanted_parts(station));
        self.known.insert(station.name.clone(), (station.clone(), wants.clone()));
        wants
    }

    fn pooled(&mut self, parts: BTreeMap<Name, Name>) -> Wants {
        if let Some((parts, print)) = self.pool.get_key_value(&parts) {
            return Wants { print: print.clone(), parts: parts.clone() };
        }
        let (print, parts) = (of_all(&parts), Arc::new(parts));
        self.pool.insert(parts.clone(), print.clone());
        Wants { print, parts }
    }

    pub(super) fn forget_all_but(&mut self, inventory: &Inventory) {
        if self.known.len() > inventory.stations.len() {
            self.known.retain(|name, _| inventory.stations.contains_key(name));
        }
        if self.pool.len() > 2 * self.known.len() {
            let wanted: BTreeSet<&Parts> = self.known.values().map(|(_, wants)| &wants.parts).collect();
            self.pool.retain(|parts, _| wanted.contains(parts));
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

fn wanted_values(station: &Station) -> BTreeMap<&Name, &Value> {
    // By name, so that a keybook put in another order changes nothing.
    let ids = station.keybook.ids().filter(|id| station.is_lifeline(*id));
    ids.filter_map(|id| Some((&station.keybook.setting(id).name, &station.wanted(id)?.value))).collect()
}

fn wanted_parts(station: &Station) -> BTreeMap<Name, Name> {
    wanted_values(station).into_iter().map(|(name, value)| (name.clone(), of_value(value))).collect()
}

/// Stands for one value.
pub(super) fn of_value(value: &Value) -> Name {
    let mut ink = Sha256::new();
    let (kind, text) = canonical(value);
    [kind, &text].iter().for_each(|text| netstring(&mut ink, text));
    hex(&ink.finalize(), 8).into()
}

/// Stands for all parts together.
pub(super) fn of_all(parts: &BTreeMap<Name, Name>) -> Name {
    let mut ink = Sha256::new();
    parts.iter().flat_map(|(name, print)| [name, print]).for_each(|text| netstring(&mut ink, text));
    hex(&ink.finalize(), 16).into()
}

/// The print of what is wanted, as versions made it that kept no parts.
pub(super) fn without_parts(station: &Station) -> Name {
    let mut ink = Sha256::new();
    for (name, value) in wanted_values(station) {
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
