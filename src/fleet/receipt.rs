//! What whoever hands in a report or the beginning of a visit is answered, as programs read it: the command line and the
//! interface for programs print the same.

use std::sync::Arc;

use serde_json::{Value as Json, json};
use uuid::Uuid;

use super::answer::Answer;
use super::error::FleetError;
use super::intake::{Arrival, Intake, Received};
use super::records::entries_under;
use super::view::View;
use crate::finding::minute;
use crate::ledger::{LedgerLine, Visit, line_of, read_visit};
use crate::store::Store;

/// The most reasons that are said of one rejection.
const MOST_REASONS: usize = 100;

/// As JSON: `{"id", "outcome": "recorded"|"duplicate", "consequences", "missing"}`, or `{"outcome": "refused", "reasons"}`.
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
    json!({ "id": id, "outcome": outcome, "consequences": answer.consequences, "missing": answer.missing })
}

impl View {
    /// Where reports are judged by this view, and recorded.
    pub fn intake<'v>(&'v self, store: &'v Store) -> Intake<'v> {
        let View { reading, contacts, sources, at, .. } = self;
        Intake { store, reading, contacts, sources, now: *at }
    }
}

impl Intake<'_> {
    /// Takes up the beginning of a visit as its sender wrote it.
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

    /// What came of the beginning of a visit that is on record.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn answer_visit(&self, visit: &Visit, view: &View) -> Result<Answer, FleetError> {
        let called = view.reading.inventory.called(&visit.station);
        let Some(row) = called.and_then(|station| view.row(&station.name)) else { return Ok(Answer::default()) };
        let record = entries_under(self.store, row.station.names()).await?.record(&row.station);
        if !record.begun.iter().any(|open| open.visit.id == visit.id) {
            let consequences = vec!["A report of this visit is on record, so this changes nothing.".into()];
            return Ok(Answer { consequences, missing: Vec::new() });
        }
        let (by, at, script) = (&visit.by, minute(visit.at), &visit.script);
        let consequences = vec![
            format!("{by} began to key script {script} at {} at {at}.", row.station.name),
            "Until the report comes, each of its steps counts as \"nothing\" heard.".into(),
        ];
        Ok(Answer { consequences, missing: vec!["The report of this visit.".into()] })
    }
}
