//! Notices into the ledger: what somebody says now, and what an export says was said.

use jiff::{SignedDuration, Timestamp};

use super::GatherError;
use super::intake::{Desk, Taken};
use crate::finding::{Code, Finding, Place};
use crate::ledger::{Line, Notice, line_of};
use crate::setting::Name;
use crate::store::{Appended, EntryKind, NewEntry, Store, StoreError};

/// How far the clock of another machine may be ahead.
const AHEAD: SignedDuration = SignedDuration::from_mins(5);

/// Writes down what was said. The same notice again is one entry.
///
/// # Errors
/// Where the ledger cannot be written.
pub async fn say(store: &Store, notice: &Notice, now: Timestamp) -> Result<Appended, StoreError> {
    let said = notice.said();
    let entry = NewEntry {
        kind: kind(notice),
        id: said.id.to_string(),
        station: notice.station().map(|name| name.to_string()).unwrap_or_default(),
        at_ms: said.at.as_millisecond(),
        recorded_ms: now.as_millisecond(),
        body: line_of(&Line::Notice(Box::new(notice.clone()))),
    };
    let answers = store.append(std::slice::from_ref(&entry)).await?;
    // One entry was given, and each has its answer.
    Ok(answers.into_iter().next().unwrap_or(Appended::Conflict { seq: 0 }))
}

fn kind(notice: &Notice) -> EntryKind {
    match notice {
        Notice::Aside(_) => EntryKind::Aside,
        Notice::Release(_) => EntryKind::Release,
        Notice::Take(_) => EntryKind::Take,
        Notice::End(_) => EntryKind::End,
    }
}

impl Desk<'_> {
    /// A notice of an export. It may speak of stations that are gone: those it does not touch.
    pub(super) async fn notice(&self, notice: Notice, place: Place) -> Result<Taken, GatherError> {
        let at = notice.said().at;
        if at > self.now + AHEAD {
            let sentence = format!("It was said at {at:.0}, which is still to come.");
            return Ok(refused(Code::ReportTime, place, sentence, "Set the clock right that wrote it."));
        }
        let about = notice.station().cloned().unwrap_or_else(|| Name::from("the fleet"));
        Ok(match say(self.store, &notice, self.now).await? {
            Appended::New { .. } => Taken::New(about),
            Appended::Duplicate { .. } => Taken::Duplicate(about),
            Appended::Conflict { .. } => {
                let sentence = format!("A notice {} with other content is on record.", notice.said().id);
                refused(Code::ReportConflict, place, sentence, "The two ledgers disagree: compare them line by line.")
            }
        })
    }
}

fn refused(code: Code, place: Place, sentence: String, mend: &str) -> Taken {
    Taken::Refused(vec![Finding::new(code, place, sentence, mend)])
}
