//! Which entry of the ledger said something.

use jiff::Timestamp;
use uuid::Uuid;

/// Which report said something, and when the work was done. What an open visit leaves in doubt bears the id of the report to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mark {
    /// When the work was done, by the report.
    pub at: Timestamp,
    /// The report's id.
    pub report: Uuid,
}
