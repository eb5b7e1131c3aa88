//! How names, times and words are kept in JSON: as the texts that people see. What is no such text is not read.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::drift::{Drift, Service, Standing};
use crate::ledger::Digest;
use crate::setting::{Name, Weight};

/// A value with a text form.
pub trait Text: Sized {
    /// The text.
    fn text(&self) -> String;
    /// The value of a text; `None` where it is none of its.
    fn read(text: &str) -> Option<Self>;
}

impl Text for Name {
    fn text(&self) -> String {
        self.to_string()
    }

    fn read(text: &str) -> Option<Name> {
        Some(text.into())
    }
}

impl Text for Timestamp {
    fn text(&self) -> String {
        self.to_string()
    }

    fn read(text: &str) -> Option<Timestamp> {
        text.parse().ok()
    }
}

impl Text for Digest {
    fn text(&self) -> String {
        self.to_string()
    }

    fn read(text: &str) -> Option<Digest> {
        text.parse().ok()
    }
}

impl Text for Weight {
    fn text(&self) -> String {
        self.as_str().into()
    }

    fn read(text: &str) -> Option<Weight> {
        Weight::ALL.into_iter().find(|known| known.as_str() == text)
    }
}

impl Text for Standing {
    fn text(&self) -> String {
        self.as_str().into()
    }

    fn read(text: &str) -> Option<Standing> {
        Standing::ALL.into_iter().find(|known| known.as_str() == text)
    }
}

impl Text for Drift {
    fn text(&self) -> String {
        self.as_str().into()
    }

    fn read(text: &str) -> Option<Drift> {
        const ALL: [Drift; 5] = [Drift::Differs, Drift::Strayed, Drift::InDoubt, Drift::Unproven, Drift::Overdue];
        ALL.into_iter().find(|known| known.as_str() == text)
    }
}

impl Text for Service {
    fn text(&self) -> String {
        self.as_str().into()
    }

    fn read(text: &str) -> Option<Service> {
        const ALL: [Service; 4] = [Service::Failed, Service::Untested, Service::Overdue, Service::Tested];
        ALL.into_iter().find(|known| known.as_str() == text)
    }
}

fn read<T: Text, E: serde::de::Error>(text: &str) -> Result<T, E> {
    T::read(text).ok_or_else(|| E::custom("an unknown word"))
}

/// One value: `#[serde(with = "kept")]`.
pub fn serialize<T: Text, S: Serializer>(value: &T, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(&value.text())
}

/// Reads it back.
pub fn deserialize<'de, T: Text, D: Deserializer<'de>>(from: D) -> Result<T, D::Error> {
    read(&String::deserialize(from)?)
}

/// A value that may be missing.
pub mod maybe {
    use super::*;

    /// Its text, where there is one.
    pub fn serialize<T: Text, S: Serializer>(value: &Option<T>, to: S) -> Result<S::Ok, S::Error> {
        value.as_ref().map(Text::text).serialize(to)
    }

    /// Reads it back.
    pub fn deserialize<'de, T: Text, D: Deserializer<'de>>(from: D) -> Result<Option<T>, D::Error> {
        Option::<String>::deserialize(from)?.as_deref().map(read).transpose()
    }
}

/// A set of values.
pub mod set {
    use super::*;

    /// Their texts, in order.
    pub fn serialize<T: Text, S: Serializer>(values: &BTreeSet<T>, to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(values.iter().map(Text::text))
    }

    /// Reads it back.
    pub fn deserialize<'de, T: Text + Ord, D: Deserializer<'de>>(from: D) -> Result<BTreeSet<T>, D::Error> {
        Vec::<String>::deserialize(from)?.iter().map(|text| read(text)).collect()
    }
}

/// Something by values.
pub mod map {
    use super::*;

    /// By their texts.
    pub fn serialize<K: Text, V: Serialize, S: Serializer>(all: &BTreeMap<K, V>, to: S) -> Result<S::Ok, S::Error> {
        to.collect_map(all.iter().map(|(key, value)| (key.text(), value)))
    }

    /// Reads it back.
    pub fn deserialize<'de, K, V, D>(from: D) -> Result<BTreeMap<K, V>, D::Error>
    where
        K: Text + Ord,
        V: Deserialize<'de>,
        D: Deserializer<'de>,
    {
        let all = BTreeMap::<String, V>::deserialize(from)?;
        all.into_iter().map(|(key, value)| Ok((read(&key)?, value))).collect()
    }
}

/// The number of the form in which a case is kept: written always, and read where it is the present one alone.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Version;

const PRESENT: u32 = 1;

impl Serialize for Version {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_u32(PRESENT)
    }
}

impl<'de> Deserialize<'de> for Version {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Version, D::Error> {
        let number = u32::deserialize(from)?;
        (number == PRESENT).then_some(Version).ok_or_else(|| D::Error::custom("another version"))
    }
}
