//! What whoever hands in a report or the beginning of a visit is answered, as programs read it: the command line and the
//! interface for programs print the same.

use std::sync::Arc;

use serde_json::{Value as Json, json};
use uuid::Uuid;

use super::answer::Answer;
use super::error::FleetError;
use super::intake::{Arrival, Intake, Received};
use super::view::View;
use crate::ledger::{LedgerLine, line_of, read_visit};
use crate::store::Store;

/// The most reasons that are said of one rejection.
const MOST_REASONS: usize = 100;

/// As JSON: `{"id", "outcome": "recorded"|"duplicate", "consequences", "missing"}`, with `"no_effect": true` where it counts for
/// nothing; or `{"outcome": "refused", "reasons"}`.
/// `id` and `answer` are of what is on record now.
pub fn receipt(received: &Received, id: Option<Uuid>, answer: &Answer) -> Json {
    let outcome = match received {
        Received::New(_) => "recorded",
        Received::Duplicate(_) => "duplicate",
        Received::Rejected(findings) => {
            let mut reasons: Vec<String> = findings.iter().take(MOST_REASONS).map(ToString::to_string).collect();
            if let Some(more) = findings.len().checked_sub(MOST_REASONS).filter(|more| *more > 0) {
                reasons.push(format!("{more} more are not shown."));
            }
            return json!({ "outcome": "refused", "reasons": reasons });
        }
    };
    let mut receipt =
        json!({ "id": id, "outcome": outcome, "consequences": answer.consequences, "missing": answer.missing });
    if answer.no_effect {
        receipt["no_effect"] = true.into();
    }
    receipt
}

impl View {
    /// Where reports are judged by this view, and recorded.
    pub fn intake<'v>(&'v self, store: &'v Store) -> Intake<'v> {
        let View { reading, contacts, sources, at, .. } = self;
        Intake { store, reading, contacts, sources, now: *at }
    }
}

impl Intake<'_> {
    /// Records the beginning of a visit as its sender wrote it.
    ///
    /// # Errors
    /// Where the store cannot be read or written.
    pub async fn begun(&self, source: &Arc<str>, bytes: &[u8]) -> Result<Received, FleetError> {
        match read_visit(source, bytes) {
            Ok(visit) => self.report(source, line_of(&LedgerLine::Begun(Box::new(visit))).as_bytes()).await,
            Err(findings) => {
                let received =
                    self.record(&[Arrival::rejected(source, bytes, findings.clone())], |_| Vec::new()).await?;
                Ok(received.into_iter().next().unwrap_or(Received::Rejected(findings)))
            }
        }
    }
}
