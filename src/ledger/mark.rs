//! Which report said something, and when. Marks are in the order in which reports are folded.

use jiff::Timestamp;
use uuid::Uuid;

/// Which report said something, and when the work was done. What an open visit leaves in doubt bears the id of the report to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mark {
    pub at: Timestamp,
    pub report: Uuid,
}
