//! Recording a script as issued, so that a report can name it.

use jiff::{Timestamp, Unit};

use crate::ledger::{Line, line_of};
use crate::script::{Script, issued};
use crate::store::{EntryKind, NewEntry, Store, StoreError};

/// Why a script could not be recorded, and so must not be handed out.
#[derive(Debug, thiserror::Error)]
#[error("the script could not be recorded, so it is not handed out: a report could not name it")]
pub struct IssueError(#[from] StoreError);

/// Records a script; the same script again is one entry.
///
/// # Errors
/// Where the ledger cannot be written.
pub async fn record_script(store: &Store, script: &Script, now: Timestamp) -> Result<(), IssueError> {
    let id = script.digest.to_string();
    let now = now.round(Unit::Second).unwrap_or(now);
    if store.entry(EntryKind::Script, &id).await?.is_some() {
        return Ok(());
    }
    let entry = NewEntry {
        kind: EntryKind::Script,
        id,
        station: script.station.to_string(),
        at_ms: now.as_millisecond(),
        recorded_ms: now.as_millisecond(),
        body: line_of(&Line::Script(Box::new(issued(script, now)))),
    };
    // A conflict is the same digest recorded at another moment by another process: the same script.
    store.append(&[entry]).await?;
    Ok(())
}
