//! Which report said something, and when. Marks are in the order in which reports are folded.

use jiff::Timestamp;
use uuid::Uuid;

/// Which report said something, and when the work was done. What an open visit leaves in doubt bears the id of the report to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mark {
    /// When the work was done, by the report.
    pub at: Timestamp,
    /// The id of the report; of an open visit that of the report to come.
    pub report: Uuid,
}
