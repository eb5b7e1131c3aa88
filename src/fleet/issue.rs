//! Recording scripts as issued, so that a report can name them. No script is recorded that the brake has not let go.

use std::collections::HashSet;

use jiff::{Timestamp, Unit};

use super::settle::moves;
use crate::brake::{Brake, Clearance, Withheld};
use crate::ledger::{Line, line_of};
use crate::script::{Script, Way, issued};
use crate::store::{EntryKind, NewEntry, Store, StoreError};

/// So many scripts are recorded in one transaction.
const AT_ONCE: usize = 500;

/// Why a script could not be recorded, and so must not be handed out.
#[derive(Debug, thiserror::Error)]
pub enum IssueError {
    #[error("the script could not be recorded, so it is not handed out: a report could not name it")]
    Store(#[from] StoreError),
    #[error(
        "what is settled of its station changed at this very moment, so the script is not handed out: ask for it again"
    )]
    Moved,
}

/// A script that the brake lets go: only [`clear`] makes one, and only such are recorded.
#[derive(Debug, Clone)]
pub struct Cleared<'s> {
    script: &'s Script,
    /// Nothing where it leads back to what the station holds.
    clearance: Option<Clearance>,
}

/// Asks the brake for a script. The way back is never held: it leads to what the station holds.
///
/// # Errors
/// Where the script is held, or the brake has judged nothing yet.
pub fn clear<'s, 'b>(script: &'s Script, brake: &'b Brake) -> Result<Cleared<'s>, Withheld<'b>> {
    let clearance = match script.way {
        Way::There => Some(brake.clear(&script.station)?),
        Way::Back => None,
    };
    Ok(Cleared { script, clearance })
}

/// Records scripts; the same script again is one entry. The brake is to know of each that leads to something else than is
/// settled before anybody has it.
///
/// # Errors
/// Where the ledger cannot be written, or what is settled is not any more what the brake went by. Then none is to be handed
/// out.
pub async fn record_scripts(store: &Store, cleared: Vec<Cleared<'_>>, now: Timestamp) -> Result<(), IssueError> {
    let at = now.round(Unit::Second).unwrap_or(now);
    let mut out = Vec::new();
    let mut scripts = Vec::new();
    for Cleared { script, clearance } in cleared {
        out.extend(clearance.and_then(|clearance| clearance.hand_out(&script.digest, now)));
        scripts.push(script);
    }
    if !store.settle(&moves(&out)).await? {
        return Err(IssueError::Moved);
    }
    for some in scripts.chunks(AT_ONCE) {
        let mut entries = Vec::new();
        let mut here = HashSet::new();
        for script in some {
            let id = script.digest.to_string();
            if here.insert(id.clone()) && store.entry(EntryKind::Script, &id).await?.is_none() {
                entries.push(entry(script, id, at));
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
