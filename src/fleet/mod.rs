//! The bridge where files, the store and the clock become values, and values become rows.
//!
//! [`Reading`] is what the files say, [`Records`] what the ledger proves, [`intake`] takes reports up, [`Lookout`] puts them
//! together for whoever asks for a script.
//! Decisions are the core's; what is shown is the program's.

mod batch;
mod entries;
mod reading;
mod sources;
pub mod intake;
mod issue;
mod judged;
mod lookout;
mod records;
mod decide;

pub use decide::say;
pub use issue::{Cleared, IssueError, clear, record_scripts};
pub use judged::Judged;
pub use lookout::{InForce, Keying, Lookout, LookoutError, Moment, News, Terms};
pub use reading::{Reading, ReadingCache, Texts};
pub use records::Records;
pub use sources::{LastRead, Source, SourceTexts, Sources};

use crate::ledger::WireError;
use crate::store::StoreError;

/// Why what is on record could not be brought together.
#[derive(Debug, thiserror::Error)]
pub enum FleetError {
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The ledger holds a line that this version cannot read.
    #[error("ledger entry {seq} cannot be read")]
    Entry { seq: i64, source: WireError },
    #[error("the ledger's entry of {id} cannot be read")]
    Recorded { id: String, source: WireError },
}
