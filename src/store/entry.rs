//! The entries of the ledger, and how a row keeps what of them has a shorter form. It never looks into a body.

use uuid::Uuid;

use super::{StoreError, without_nul};

/// What an entry is. Its text is what the database and exports show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum EntryKind {
    /// A field report that was taken.
    Report,
    /// A delta script, recorded when it was issued.
    Script,
    /// A showing of a script.
    Shown,
    /// A visit that began.
    Begun,
    /// Something that was set aside.
    Aside,
    /// A held change that was released.
    Release,
    /// A station that someone is on.
    Take,
    /// Something set aside, or taken, that is no longer so.
    End,
}

impl EntryKind {
    /// In the order in which they are counted and shown.
    pub const ALL: [Self; 8] =
        [Self::Report, Self::Script, Self::Shown, Self::Begun, Self::Aside, Self::Release, Self::Take, Self::End];

    /// The word in the ledger.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Report => "report",
            Self::Script => "script",
            Self::Shown => "shown",
            Self::Begun => "begun",
            Self::Aside => "aside",
            Self::Release => "release",
            Self::Take => "take",
            Self::End => "end",
        }
    }

    /// What stands for it in a row.
    pub(super) fn code(self) -> i64 {
        match self {
            Self::Report => 1,
            Self::Script => 2,
            Self::Shown => 3,
            Self::Begun => 4,
            Self::Aside => 5,
            Self::Release => 6,
            Self::Take => 7,
            Self::End => 8,
        }
    }

    /// The kind that a number in a row stands for, if there is one.
    pub(super) fn of_code(code: i64) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.code() == code)
    }
}

/// An entry to add.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewEntry {
    /// What the body is; ids are unique within it.
    pub kind: EntryKind,
    /// A UUID; of a script its digest, of a showing the script's digest and the time.
    pub id: String,
    /// The station's name; empty for a decision about a site or about many stations.
    pub station: String,
    /// When the work was done, in milliseconds since 1970.
    pub at_ms: i64,
    /// When the entry is written, in milliseconds since 1970.
    pub recorded_ms: i64,
    /// One line of canonical JSON: equal contents must be equal texts.
    pub body: String,
}

impl NewEntry {
    pub(super) fn without_nul(&self) -> Result<(), StoreError> {
        without_nul("an entry's id", &self.id)?;
        without_nul("an entry's station", &self.station)?;
        without_nul("an entry's body", &self.body)
    }
}

/// An entry as it is in the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Counts from 1 without holes.
    pub seq: i64,
    /// What the body is.
    pub kind: EntryKind,
    /// Unique within its kind.
    pub id: String,
    /// The station's name; empty for a decision about a site or about many stations.
    pub station: String,
    /// When the work was done, in milliseconds since 1970.
    pub at_ms: i64,
    /// When the entry was written, in milliseconds since 1970.
    pub recorded_ms: i64,
    /// One line of canonical JSON.
    pub body: String,
    /// Over all other fields and the hash of the entry before, in hexadecimal digits; how is said in `chain.rs`.
    pub hash: String,
}

/// An id in the fewest bytes: a UUID and a digest as what their digits stand for, any other text as it is.
pub(super) fn packed_id(id: &str) -> Vec<u8> {
    let (mark, bytes) = match (Uuid::try_parse(id), u64::from_str_radix(id, 16)) {
        (Ok(uuid), _) if uuid.hyphenated().to_string() == id => (UUID, uuid.as_bytes().to_vec()),
        (_, Ok(number)) if format!("{number:016x}") == id => (DIGEST, number.to_be_bytes().to_vec()),
        _ => (TEXT, id.as_bytes().to_vec()),
    };
    [vec![mark], bytes].concat()
}

const UUID: u8 = 0;
const DIGEST: u8 = 1;
const TEXT: u8 = 2;

/// The id that a row keeps; nothing where no id is kept so.
pub(super) fn unpacked_id(packed: &[u8]) -> Option<String> {
    let (mark, bytes) = packed.split_first()?;
    match *mark {
        UUID => Some(Uuid::from_bytes(bytes.try_into().ok()?).hyphenated().to_string()),
        DIGEST => Some(format!("{:016x}", u64::from_be_bytes(bytes.try_into().ok()?))),
        TEXT => String::from_utf8(bytes.to_vec()).ok(),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn an_id_comes_back_from_its_bytes(
            id in prop_oneof!["\\PC{0,20}", "[0-9a-fA-F]{16}", "[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-fA-F]{3}-8[0-9a-f]{3}-[0-9a-f]{12}"],
        ) {
            prop_assert_eq!(unpacked_id(&packed_id(&id)), Some(id));
        }

        #[test]
        fn bytes_that_are_no_id_are_told_and_break_nothing(bytes in prop::collection::vec(any::<u8>(), 0..20)) {
            if let Some(id) = unpacked_id(&bytes) {
                prop_assert_eq!(unpacked_id(&packed_id(&id)), Some(id));
            }
        }
    }

    #[test]
    fn the_ids_of_reports_and_scripts_take_little() {
        assert_eq!(packed_id("019a6c1e-8f00-7000-8000-000000000001").len(), 17);
        assert_eq!(packed_id("3f9a1c0b7d24e615").len(), 9);
    }

    #[test]
    fn every_kind_has_a_number_and_a_word_of_its_own() {
        for kind in EntryKind::ALL {
            assert_eq!(EntryKind::of_code(kind.code()), Some(kind));
            assert_eq!(EntryKind::ALL.iter().filter(|other| other.as_str() == kind.as_str()).count(), 1);
        }
        assert_eq!(EntryKind::of_code(0), None);
    }
}
