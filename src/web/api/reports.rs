//! `GET /api/v1/reports`: what was recorded, and what was rejected with its reasons, in the order in which it came in.

use std::sync::Arc;

use axum::extract::{RawQuery, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use serde_json::{Value as Json, json};

use super::super::problem::{self, Problem};
use super::super::status::Status;
use super::described::{ReadingProblems, ReportsParams};
use super::guard;
use super::query::Query;
use crate::fleet::rejected::kept_reasons;
use crate::store::{EntryKind, Rejected, Store, StoreError};

/// So many entries of the ledger are read at once, to find the reports among them.
const AT_ONCE: i64 = 1_000;

/// Which reports are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    Recorded,
    Rejected,
}

/// A page of a list: what is on it, each with its number.
type Page = Vec<(i64, Json)>;

/// List reports: those recorded, or those rejected with the reasons
#[utoipa::path(
    get,
    path = "/api/v1/reports",
    params(ReportsParams),
    responses((status = 200, description = "A page of the list", body = ref("#/components/schemas/Reports")), ReadingProblems),
)]
pub(super) async fn list(State(status): State<Arc<Status>>, RawQuery(query): RawQuery, headers: HeaderMap) -> Response {
    let listed = async {
        let cards = guard::reader(&status, &headers)?;
        let query = Query::of(&query.unwrap_or_default(), &ReportsParams::NAMES)?;
        let [outcome, after, limit] = ReportsParams::NAMES;
        let [recorded, rejected] = ReportsParams::OUTCOMES;
        let outcome = query.word(outcome, &[(recorded, Outcome::Recorded), (rejected, Outcome::Rejected)])?;
        let after = query.number(after, 0..=ReportsParams::LAST)?.unwrap_or(0) as i64;
        let limit = query.number(limit, 1..=ReportsParams::MOST)?.unwrap_or(ReportsParams::USUAL);
        let work = async move {
            let page = match outcome.unwrap_or(Outcome::Recorded) {
                Outcome::Recorded => recorded_after(&cards.store, after, limit + 1).await,
                Outcome::Rejected => rejected_after(&cards.store, after, limit + 1).await,
            };
            let mut page = page.map_err(|error| away(&error))?;
            let has_more = page.len() > limit;
            page.truncate(limit);
            let next = page.last().filter(|_| has_more).map(|(number, _)| *number);
            let reports: Vec<Json> = page.into_iter().map(|(_, report)| report).collect();
            Ok(problem::json(StatusCode::OK, "application/json", json!({ "reports": reports, "next": next })))
        };
        guard::patiently(work).await
    };
    guard::answer(listed.await)
}

fn away(error: &StoreError) -> Problem {
    tracing::warn!(%error, "reports could not be listed");
    guard::away()
}

/// The reports on record after a number of the ledger.
async fn recorded_after(store: &Store, mut after: i64, most: usize) -> Result<Page, StoreError> {
    let mut page = Page::new();
    loop {
        let entries = store.entries_after(after, AT_ONCE).await?;
        let Some(last) = entries.last().map(|entry| entry.seq) else { return Ok(page) };
        for entry in entries.iter().filter(|entry| entry.kind == EntryKind::Report) {
            // Null where it is none; "ledger verify" tells of it.
            let report: Json = serde_json::from_str(&entry.body).unwrap_or_default();
            page.push((entry.seq, json!({ "outcome": "recorded", "report": report })));
            if page.len() == most {
                return Ok(page);
            }
        }
        after = last;
    }
}

/// The reports rejected after a number of theirs.
async fn rejected_after(store: &Store, after: i64, most: usize) -> Result<Page, StoreError> {
    let rejected = store.rejected_after(after, i64::try_from(most).unwrap_or(i64::MAX)).await?;
    let shown = rejected.into_iter().map(|Rejected { seq, source, reasons, report, station, .. }| {
        let reasons: Vec<String> = kept_reasons(&reasons).iter().map(ToString::to_string).collect();
        let json =
            json!({ "outcome": "rejected", "id": report, "station": station, "source": source, "reasons": reasons });
        (seq, json)
    });
    Ok(shown.collect())
}
