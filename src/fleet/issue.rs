//! Recording scripts as issued, so that a report can name them, and that they were shown. No script is recorded that the
//! brake has not let go.

use std::collections::HashSet;

use jiff::{Timestamp, Unit};

use crate::brake::{Change, is_never_held};
use crate::inventory::Station;
use crate::ledger::{Issued, LedgerLine, Record, SHOWN_AGAIN, Shown, leads_to, line_of, seal, shown_at};
use crate::script::{Script, issued};
use crate::store::{EntryKind, NewEntry, Store, StoreError};

/// So many scripts are recorded in one transaction.
const AT_ONCE: usize = 500;

/// Why a script could not be recorded, and so must not be handed out.
#[derive(Debug, thiserror::Error)]
#[error("the script could not be recorded, so it is not issued: a report could not name it")]
pub struct IssueError(#[from] StoreError);

/// A script that the brake lets go: only the brake makes one, and only such are recorded.
#[derive(Debug, Clone)]
pub struct Cleared {
    issued: Issued,
    /// Nothing where it was shown a short while ago, and no report named it since.
    shown: Option<Shown>,
}

impl Cleared {
    /// A card that was begun is never held; it is on record as it was issued.
    pub(super) fn begun(issued: &Issued, record: &Record, now: Timestamp) -> Cleared {
        let out = record.handed_out.iter().find(|out| out.script == issued.digest);
        let is_back = out.map_or(issued.is_back(), |out| out.is_back);
        Cleared { issued: issued.clone(), shown: showing(issued, is_back, record, now) }
    }
}

/// Asks the brake for a script of a station, by the record that it was written from. Never held: the way back, which leads to
/// what the station holds; a card that was begun; a script that leads to proven values alone.
///
/// # Errors
/// The change that holds it.
pub(super) fn clear<'c>(
    script: &Script,
    station: &Station,
    record: &Record,
    change: Option<&'c Change>,
    now: Timestamp,
) -> Result<Cleared, &'c Change> {
    let issued = issued(script, now.round(Unit::Second).unwrap_or(now));
    let leads_to = || leads_to(&station.keybook, &issued);
    match change.filter(|_| script.back.is_none()) {
        Some(change) if change.holds(station, record, &leads_to()) => return Err(change),
        Some(_) | None => {}
    }
    let shown = showing(&issued, script.back.is_some(), record, now);
    Ok(Cleared { issued, shown })
}

/// Whether the brake never holds a script, a way back apart.
pub(super) fn is_always_let_go(script: &Script, station: &Station, record: &Record) -> bool {
    is_never_held(station, record, &leads_to(&station.keybook, &issued(script, Timestamp::UNIX_EPOCH)))
}

/// That a script is shown now; nothing where it was a short while ago, the same way.
fn showing(issued: &Issued, is_back: bool, record: &Record, now: Timestamp) -> Option<Shown> {
    let Issued { digest, station, .. } = issued;
    let last = record.handed_out.iter().find(|out| out.script == *digest && out.is_back == is_back);
    let is_lately = last.is_some_and(|last| now.duration_since(last.at).abs() < SHOWN_AGAIN);
    let at = shown_at(now, record.answered.map(|mark| mark.at));
    (!is_lately).then(|| Shown { script: digest.clone(), station: station.clone(), at, is_back })
}

/// Records scripts and that they are shown; the same script again is one entry.
///
/// # Errors
/// Where the ledger cannot be written. Then none is to be handed out.
pub async fn record_scripts(store: &Store, cleared: &[Cleared], now: Timestamp) -> Result<(), IssueError> {
    for some in cleared.chunks(AT_ONCE) {
        let mut entries = Vec::new();
        let mut here = HashSet::new();
        for Cleared { issued, shown } in some {
            let id = issued.digest.to_string();
            if here.insert(id.clone()) && store.entry(EntryKind::Script, &id).await?.is_none() {
                entries.push(script_entry(issued, id, store.key(), now));
            }
            entries.extend(shown.as_ref().map(|shown| shown_entry(shown, now)));
        }
        // A conflict is the same digest recorded at another moment by another process: the same script.
        store.append(&entries).await?;
    }
    Ok(())
}

pub(super) fn script_entry(issued: &Issued, id: String, key: &str, now: Timestamp) -> NewEntry {
    let mut issued = issued.clone();
    seal(&mut issued, key);
    NewEntry {
        kind: EntryKind::Script,
        id,
        station: issued.station.to_string(),
        at_ms: issued.at.as_millisecond(),
        recorded_ms: now.as_millisecond(),
        body: line_of(&LedgerLine::Script(Box::new(issued))),
    }
}

/// The id of a showing in the ledger.
pub(super) fn shown_id(shown: &Shown) -> String {
    format!("{} {}{}", shown.script, shown.at, if shown.is_back { " back" } else { "" })
}

/// A showing as an entry of the ledger.
pub(super) fn shown_entry(shown: &Shown, now: Timestamp) -> NewEntry {
    NewEntry {
        kind: EntryKind::Shown,
        id: shown_id(shown),
        station: shown.station.to_string(),
        at_ms: shown.at.as_millisecond(),
        recorded_ms: now.as_millisecond(),
        body: line_of(&LedgerLine::Shown(Box::new(shown.clone()))),
    }
}
