//! What of the records is not kept beside the ledger yet, and up to where those go that are.

use std::collections::BTreeSet;

use crate::setting::Name;
use crate::store::FoldsHead;

/// What of the records is not kept yet.
#[derive(Debug, Clone, Default)]
pub(super) struct Unkept {
    /// Up to where those go that are kept, as far as is known here.
    pub before: Option<FoldsHead>,
    /// Whether none of the kept ones is to stay.
    pub is_all: bool,
    /// Names that were touched since.
    pub names: BTreeSet<Name>,
}
