//! A script as it was issued: what each step does, kept so that a report can name it for ever.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use jiff::Timestamp;

use crate::setting::{Fingerprint, Kind, Name, Reference, Secret, Value, Written, hex};

/// A value as the ledger keeps it, a code with its fingerprint; `None` where nobody knows what is held.
pub type Effect = Option<(Written, Option<Fingerprint>)>;

/// 16 hexadecimal digits that stand for one exact script, or for one exact change under the brake.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(Arc<str>);

/// Not 16 hexadecimal digits in lower case.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is not a digest: it has 16 digits from 0-9 and a-f")]
pub struct NoDigest(String);

impl FromStr for Digest {
    type Err = NoDigest;

    fn from_str(text: &str) -> Result<Digest, NoDigest> {
        let fits = text.len() == 16 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        if fits { Ok(Digest(text.into())) } else { Err(NoDigest(text.into())) }
    }
}

impl Digest {
    /// The beginning of a hash, which has eight bytes or more.
    pub fn of_hash(hash: &[u8]) -> Digest {
        Digest(hex(&hash[..8]).into())
    }

    /// What its digits stand for.
    pub(super) fn number(&self) -> u64 {
        u64::from_str_radix(&self.0, 16).unwrap_or_default()
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A script on record.
#[derive(Debug, Clone, PartialEq)]
pub struct Issued {
    /// What a report names it by.
    pub digest: Digest,
    /// The station that it was written for.
    pub station: Name,
    /// When it was first issued, to the second.
    pub at: Timestamp,
    /// In the order to key them.
    pub steps: Vec<IssuedStep>,
    /// The rest of the script, for whoever shows it again; codes by reference.
    pub document: serde_json::Value,
}

impl Issued {
    /// Whether it is a way back.
    pub fn is_back(&self) -> bool {
        self.document.get("back").and_then(serde_json::Value::as_bool).unwrap_or(false)
    }

    /// The model that it is for.
    pub fn model(&self) -> Option<&str> {
        self.document.get("model").and_then(serde_json::Value::as_str)
    }

    /// The number that it rings.
    pub fn number(&self) -> Option<&str> {
        self.document.get("number").and_then(serde_json::Value::as_str)
    }
}

/// What one step changes when it is accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IssuedStep {
    /// From 1, through all calls of the script.
    pub step: u32,
    /// Each setting it changes with the value it leaves there; `None` leaves it unknown.
    pub effects: BTreeMap<Name, Effect>,
}

/// A value as the ledger keeps it.
pub fn effect(value: &Value) -> Effect {
    let fingerprint = match value {
        Value::Secret(secret) => secret.fingerprint.clone(),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => None,
    };
    Some((value.written(), fingerprint))
}

/// The value that the ledger kept, where a setting of this kind can hold it; nothing for a code that another key's
/// fingerprint stands for.
pub fn effect_value(kind: &Kind, effect: &Effect) -> Option<Value> {
    let (written, print) = effect.as_ref()?;
    if print.as_ref().is_some_and(Fingerprint::is_foreign) {
        return None;
    }
    let read = || print.as_ref().and_then(Fingerprint::read);
    let seal = |reference: &Reference| Secret { reference: reference.clone(), fingerprint: read() };
    kind.value(written, seal).ok()
}

impl Issued {
    /// The step of this number.
    pub fn step(&self, number: u32) -> Option<&IssuedStep> {
        self.steps.iter().find(|step| step.step == number)
    }
}
