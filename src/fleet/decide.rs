//! Decisions into the ledger: what someone says now, and what an export says was said.

use jiff::Timestamp;

use super::chained::kind_of;
use super::error::FleetError;
use super::intake::{Intake, Received};
use crate::finding::{Code, Finding, Place};
use crate::ledger::{AHEAD, Decision, LedgerLine, line_of};
use crate::setting::Name;
use crate::store::{Appended, NewEntry, Store, StoreError};

/// Writes down what was said. The same decision again is one entry.
///
/// # Errors
/// Where the ledger cannot be written.
pub async fn say(store: &Store, decision: &Decision, now: Timestamp) -> Result<Appended, StoreError> {
    let said = decision.said();
    let entry = NewEntry {
        kind: kind_of(decision),
        id: said.id.to_string(),
        station: decision.station().map(|name| name.to_string()).unwrap_or_default(),
        at_ms: said.at.as_millisecond(),
        recorded_ms: now.as_millisecond(),
        body: line_of(&LedgerLine::Decision(Box::new(decision.clone()))),
    };
    let answers = store.append(std::slice::from_ref(&entry)).await?;
    // One entry was given, and each has its answer.
    Ok(answers.into_iter().next().unwrap_or(Appended::Conflict { seq: 0 }))
}

impl Intake<'_> {
    /// A decision of an export. It may speak of stations that are gone: those it does not touch.
    pub(super) async fn decision(&self, decision: Decision, place: Place) -> Result<Received, FleetError> {
        let at = decision.said().at;
        if at > self.now + AHEAD {
            let message = format!("It was said at {at:.0}, which is still to come.");
            return Ok(rejected(Code::ReportTime, place, message, "Set the clock right that wrote it."));
        }
        let about = decision.station().cloned().unwrap_or_else(|| Name::from("the fleet"));
        Ok(match say(self.store, &decision, self.now).await? {
            Appended::New { .. } => Received::New(about),
            Appended::Duplicate { .. } => Received::Duplicate(about),
            Appended::Conflict { .. } => {
                let message = format!("A decision {} with other content is on record.", decision.said().id);
                rejected(Code::ReportConflict, place, message, "The two ledgers disagree: compare them line by line.")
            }
        })
    }
}

fn rejected(code: Code, place: Place, message: String, fix: &str) -> Received {
    Received::Rejected(vec![Finding::new(code, place, message, fix)])
}
