//! The brake beside the store: rows in, judgement, rows out.

use std::sync::Arc;

use super::{GatherError, Records};
use crate::brake::{self, Judgement, Limit, Prints, Rows};
use crate::inventory::{Inventory, Station};
use crate::store::{self, Store, StoreError};

/// How often rows are read anew because somebody else moved one.
const TURNS: u32 = 5;

/// What is settled, as the store has it.
///
/// # Errors
/// Where the store cannot be read.
pub async fn settled(store: &Store) -> Result<Rows, StoreError> {
    let rows = store.settled().await?.into_iter().map(|row| {
        let row = brake::Settled {
            station: row.station.into(),
            number: row.number.into(),
            print: row.print.into(),
            on_record: row.on_record,
            seq: row.seq,
        };
        (row.station.clone(), row)
    });
    Ok(rows.collect())
}

/// Rows to be written, as the store takes them.
pub fn moves(judgement: &Judgement) -> Vec<store::Move> {
    let row = |row: &brake::Settled| store::Settled {
        station: row.station.to_string(),
        number: row.number.to_string(),
        print: row.print.to_string(),
        on_record: row.on_record,
        seq: row.seq,
    };
    judgement.moves.iter().map(|one| store::Move { was: one.was.as_ref().map(row), now: row(&one.now) }).collect()
}

/// What the brake says of a fleet as its files have it.
pub fn judge(rows: &Rows, inventory: &Inventory, records: &Records, limit: &Limit, prints: &mut Prints) -> Judgement {
    let record = |station: &Station| records.of(station);
    brake::judge(rows, inventory, record, records.notices(), records.seq(), limit, prints)
}

/// The same with rows read and kept here, for a command that runs for a moment beside the daemon or without it.
///
/// # Errors
/// Where the store cannot be read or written.
pub async fn settle(
    store: &Store,
    inventory: &Arc<Inventory>,
    records: &Records,
    limit: &Limit,
) -> Result<Judgement, GatherError> {
    let mut prints = Prints::default();
    let mut judgement = Judgement::default();
    for _ in 0..TURNS {
        judgement = judge(&settled(store).await?, inventory, records, limit, &mut prints);
        if store.settle(&moves(&judgement)).await? {
            break;
        }
    }
    // Where others keep moving rows, each of them keeps what it sees; the judgement stands all the same.
    Ok(judgement)
}
