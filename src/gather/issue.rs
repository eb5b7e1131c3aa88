//! Recording scripts as issued, so that a report can name them.

use std::collections::HashSet;

use jiff::{Timestamp, Unit};

use crate::ledger::{Line, line_of};
use crate::script::{Script, issued};
use crate::store::{EntryKind, NewEntry, Store, StoreError};

/// So many scripts are recorded in one transaction.
const AT_ONCE: usize = 500;

/// Why a script could not be recorded, and so must not be handed out.
#[derive(Debug, thiserror::Error)]
#[error("the script could not be recorded, so it is not handed out: a report could not name it")]
pub struct IssueError(#[from] StoreError);

/// Records scripts; the same script again is one entry.
///
/// # Errors
/// Where the ledger cannot be written.
pub async fn record_scripts(store: &Store, scripts: &[&Script], now: Timestamp) -> Result<(), IssueError> {
    let now = now.round(Unit::Second).unwrap_or(now);
    for some in scripts.chunks(AT_ONCE) {
        let mut entries = Vec::new();
        let mut here = HashSet::new();
        for script in some {
            let id = script.digest.to_string();
            if here.insert(id.clone()) && store.entry(EntryKind::Script, &id).await?.is_none() {
                entries.push(entry(script, id, now));
            }
        }
        // A conflict is the same digest recorded at another moment by another process: the same script.
        store.append(&entries).await?;
    }
    Ok(())
}

fn entry(script: &Script, id: String, now: Timestamp) -> NewEntry {
    NewEntry {
        kind: EntryKind::Script,
        id,
        station: script.station.to_string(),
        at_ms: now.as_millisecond(),
        recorded_ms: now.as_millisecond(),
        body: line_of(&Line::Script(Box::new(issued(script, now)))),
    }
}
