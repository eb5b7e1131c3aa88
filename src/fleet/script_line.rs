//! What speaks against a recorded script that is imported: by its digest, and by what it says that its steps set.

use crate::finding::{Code, Finding, Place};
use crate::inventory::Keybooks;
use crate::ledger::Issued;
use crate::script::{digest_of, follows};

/// Why a line of a script is not what was issued, where that can be told.
pub(super) fn against(issued: &Issued, keybooks: &Keybooks, place: &Place) -> Option<Finding> {
    let rejected = |message: String| {
        let fix = "Take the line from its export again, unchanged.";
        Some(Finding::new(Code::ReportScript, place.clone(), message, fix))
    };
    let script = &issued.digest;
    match digest_of(issued) {
        Some(digest) if digest == *script => {}
        Some(other) => {
            return rejected(format!("The script {script} is not what its digest stands for: that would be {other}."));
        }
        None => tracing::debug!(
            %script,
            "script recorded as its line has it: the line does not say what its digest stands for, so that was not compared"
        ),
    }
    let keybook = issued.model().and_then(|model| keybooks.get(model));
    match keybook.and_then(|keybook| follows(issued, keybook)) {
        Some(true) => None,
        Some(false) => rejected(format!("The script {script} says that its steps set other values than they key.")),
        None => {
            tracing::debug!(
                %script,
                "what its steps set was not compared with their keys: its keybook has changed or is not in use"
            );
            None
        }
    }
}
