//! Why a fleet cannot be looked at.

use crate::ledger::WireError;
use crate::store::StoreError;

/// Why what is on record could not be brought together.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, thiserror::Error)]
pub enum FleetError {
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The ledger holds a line that this version cannot read.
    #[error("ledger entry {seq} cannot be read")]
    Entry { seq: i64, source: WireError },
    #[error("the ledger's entry of {id} cannot be read")]
    Recorded { id: String, source: WireError },
    #[error("other processes keep recording the same reports; they are looked at again")]
    Overtaken,
}
