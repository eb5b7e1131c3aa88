//! A confirmed record as it lies in memory: as the bytes that are kept beside the ledger, taken apart when someone asks.
//!
//! A fleet keeps one for each of its stations and asks for few of them at a time. As bytes one takes a tenth of the room.

use std::fmt;
use std::sync::Arc;

use super::folded::{folded_bytes, record_from_bytes};
use super::record::Record;
use crate::keybook::Keybook;

/// A record as bytes, with the keybook that they are read by. A copy shares both. Equal ones are of equal records.
#[derive(Clone, PartialEq, Eq)]
pub struct PackedRecord {
    keybook: Arc<Keybook>,
    bytes: Arc<[u8]>,
}

impl PackedRecord {
    /// Packs a record that was folded with a keybook.
    pub fn new(record: &Record, keybook: &Arc<Keybook>) -> PackedRecord {
        PackedRecord { keybook: keybook.clone(), bytes: folded_bytes(record).into() }
    }

    /// A record that was packed before, by its bytes; whoever kept them knows that they are as they were. Of bytes that are no
    /// record of this keybook comes the record of a station on which nobody has reported.
    pub fn of_bytes(bytes: &[u8], keybook: &Arc<Keybook>) -> PackedRecord {
        PackedRecord { keybook: keybook.clone(), bytes: bytes.into() }
    }

    /// A station that nobody has reported on.
    pub fn blank(keybook: &Arc<Keybook>) -> PackedRecord {
        PackedRecord::new(&Record::blank(keybook), keybook)
    }

    /// The record, taken apart.
    pub fn record(&self) -> Record {
        record_from_bytes(&self.bytes, &self.keybook).unwrap_or_else(|| Record::blank(&self.keybook))
    }

    /// The keybook that it was folded with.
    pub fn keybook(&self) -> &Arc<Keybook> {
        &self.keybook
    }

    /// The bytes that it is kept as.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Whether both are the very same, not only equal.
    pub fn is_same(&self, other: &PackedRecord) -> bool {
        Arc::ptr_eq(&self.bytes, &other.bytes)
    }
}

impl fmt::Debug for PackedRecord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.record().fmt(f)
    }
}
