//! How names, times and words are kept in JSON: as the texts that people see. What is no such text is not read.

use std::fmt;
use std::marker::PhantomData;

use jiff::Timestamp;
use serde::de::{Error as _, Visitor};
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

/// What says its text itself.
macro_rules! parsed {
    ($($value:ty),+) => {$(
        impl Text for $value {
            fn text(&self) -> String {
                self.to_string()
            }

            fn read(text: &str) -> Option<$value> {
                text.parse().ok()
            }
        }
    )+};
}

parsed!(Timestamp, Digest);

/// Closed sets of words.
macro_rules! words {
    ($($word:ident: $all:expr),+ $(,)?) => {$(
        impl Text for $word {
            fn text(&self) -> String {
                self.as_str().into()
            }

            fn read(text: &str) -> Option<$word> {
                $all.into_iter().find(|known| known.as_str() == text)
            }
        }
    )+};
}

words! {
    Weight: Weight::ALL,
    Standing: Standing::ALL,
    Drift: [Drift::Differs, Drift::Strayed, Drift::InDoubt, Drift::Unproven, Drift::Overdue],
    Service: [Service::Dead, Service::Failed, Service::Untested, Service::Overdue, Service::Tested],
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
    from.deserialize_str(TextVisitor(PhantomData))
}

/// Reads a value from its text where that lies: a pass over a large fleet reads some millions.
struct TextVisitor<T>(PhantomData<T>);

impl<T: Text> Visitor<'_> for TextVisitor<T> {
    type Value = T;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text")
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<T, E> {
        read(text)
    }
}

/// A value that may be missing.
pub mod maybe {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::{Text, read};

    /// Its text, where there is one.
    pub fn serialize<T: Text, S: Serializer>(value: &Option<T>, to: S) -> Result<S::Ok, S::Error> {
        value.as_ref().map(Text::text).serialize(to)
    }

    /// Reads it back.
    pub fn deserialize<'de, T: Text, D: Deserializer<'de>>(from: D) -> Result<Option<T>, D::Error> {
        Option::<String>::deserialize(from)?.as_deref().map(read).transpose()
    }
}

/// One value alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept<T>(pub T);

impl<T: Text> Serialize for Kept<T> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        serialize(&self.0, to)
    }
}

impl<'de, T: Text> Deserialize<'de> for Kept<T> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Kept<T>, D::Error> {
        deserialize(from).map(Kept)
    }
}

/// A set of values.
pub mod set {
    use std::collections::BTreeSet;

    use serde::{Deserialize, Deserializer, Serializer};

    use super::{Kept, Text};

    /// Their texts, in order.
    pub fn serialize<T: Text, S: Serializer>(values: &BTreeSet<T>, to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(values.iter().map(Text::text))
    }

    /// Reads it back.
    pub fn deserialize<'de, T: Text + Ord, D: Deserializer<'de>>(from: D) -> Result<BTreeSet<T>, D::Error> {
        Ok(Vec::<Kept<T>>::deserialize(from)?.into_iter().map(|kept| kept.0).collect())
    }
}

/// Something by values.
pub mod map {
    use std::collections::BTreeMap;
    use std::fmt;
    use std::marker::PhantomData;

    use serde::de::{MapAccess, Visitor};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::{Kept, Text};

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
        from.deserialize_map(MapVisitor(PhantomData))
    }

    struct MapVisitor<K, V>(PhantomData<(K, V)>);

    impl<'de, K: Text + Ord, V: Deserialize<'de>> Visitor<'de> for MapVisitor<K, V> {
        type Value = BTreeMap<K, V>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("values by texts")
        }

        fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<BTreeMap<K, V>, A::Error> {
            let mut all = BTreeMap::new();
            while let Some((Kept(key), value)) = entries.next_entry()? {
                all.insert(key, value);
            }
            Ok(all)
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A new word breaks this until it stands in the lists above, and here: what is not read back is told again for ever.
    #[test]
    fn every_word_is_read_back() {
        let known = |drift: Drift, service: Service| match (drift, service) {
            (
                Drift::Differs | Drift::Strayed | Drift::InDoubt | Drift::Unproven | Drift::Overdue,
                Service::Dead | Service::Failed | Service::Untested | Service::Overdue | Service::Tested,
            ) => (Drift::read(drift.as_str()), Service::read(service.as_str())),
        };
        for drift in [Drift::Differs, Drift::Strayed, Drift::InDoubt, Drift::Unproven, Drift::Overdue] {
            for service in [Service::Dead, Service::Failed, Service::Untested, Service::Overdue, Service::Tested] {
                assert_eq!(known(drift, service), (Some(drift), Some(service)));
            }
        }
        assert!(Weight::ALL.into_iter().all(|weight| Weight::read(&weight.text()) == Some(weight)));
        assert!(Standing::ALL.into_iter().all(|standing| Standing::read(&standing.text()) == Some(standing)));
        assert_eq!((Drift::read("Differs"), Service::read("")), (None, None));
    }
}
