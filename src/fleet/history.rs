//! Everything on record about a station.

use serde_json::Value as Json;

use super::error::FleetError;
use super::view::View;
use crate::ledger::{LedgerLine, line_of, parse_line};
use crate::store::Store;

/// What the ledger holds of a station under the names that it has and had, of its site and of changes that it was part of, oldest first.
///
/// # Errors
/// Where the ledger cannot be read.
pub async fn history(store: &Store, view: &View, name: &str) -> Result<Vec<LedgerLine>, FleetError> {
    let mut lines: Vec<LedgerLine> = Vec::new();
    // Under a name of before, all of the station that was called so.
    let station = view.reading.inventory.called(name).map(|station| &**station);
    let names = station.map_or_else(|| vec![name.into()], |station| station.names().cloned().collect());
    let mut entries = Vec::new();
    for name in &names {
        entries.extend(store.entries_of(name).await?);
    }
    for entry in entries {
        let seq = entry.seq;
        match parse_line(&entry.body).map_err(|source| FleetError::Entry { seq, source })? {
            // They come with the view, together with those that stand under no station's name.
            LedgerLine::Decision(_) => {}
            line @ (LedgerLine::Report(_) | LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_)) => {
                lines.push(line)
            }
        }
    }
    lines.extend(view.decisions.about(name, station).map(|decision| LedgerLine::Decision(Box::new(decision.clone()))));
    lines.sort_by_key(|line| match line {
        LedgerLine::Report(report) => (report.at, report.id.to_string()),
        LedgerLine::Script(issued) => (issued.at, issued.digest.to_string()),
        LedgerLine::Shown(shown) => (shown.at, shown.script.to_string()),
        LedgerLine::Begun(visit) => (visit.at, visit.id.to_string()),
        LedgerLine::Decision(decision) => (decision.said().at, decision.said().id.to_string()),
    });
    Ok(lines)
}

/// These lines as programs read them.
pub fn history_json(lines: &[LedgerLine]) -> Vec<Json> {
    // A line of the ledger is an object of JSON.
    lines.iter().map(|line| serde_json::from_str(&line_of(line)).unwrap_or_default()).collect()
}
