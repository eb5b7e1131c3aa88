//! The brake beside the store: rows in, judgement, rows out.

use jiff::Timestamp;

use super::{GatherError, Records};
use crate::brake::{self, Brake, Facts, Limit, Rows};
use crate::inventory::{Inventory, Station};
use crate::store::{self, Store, StoreError};

/// How often rows are read anew because somebody else moved one.
const TURNS: u32 = 5;

/// What is settled, as the store has it.
///
/// # Errors
/// Where the store cannot be read.
pub async fn settled(store: &Store) -> Result<Rows, StoreError> {
    let some = |text: String| (!text.is_empty()).then_some(text);
    let rows = store.settled().await?.into_iter().map(|row| {
        let at = Timestamp::from_millisecond(row.out_ms).unwrap_or_default();
        let row = brake::Settled {
            station: row.station.into(),
            formerly: some(row.formerly).map(Into::into),
            site: row.site.into(),
            model: row.model.into(),
            number: row.number.into(),
            print: row.print.into(),
            on_record: row.on_record,
            seq: row.seq,
            out: some(row.out_print).map(|print| brake::Out { print: print.into(), at }),
        };
        (row.station.clone(), row)
    });
    Ok(rows.collect())
}

/// Rows to be written, as the store takes them.
pub fn moves(moves: &[brake::Move]) -> Vec<store::Move> {
    let one = |one: &brake::Move| store::Move { was: one.was.as_ref().map(row), now: one.now.as_ref().map(row) };
    moves.iter().map(one).collect()
}

fn row(row: &brake::Settled) -> store::Settled {
    let brake::Settled { station, formerly, site, model, number, print, on_record, seq, out } = row;
    store::Settled {
        station: station.to_string(),
        formerly: formerly.as_deref().unwrap_or_default().to_owned(),
        site: site.to_string(),
        model: model.to_string(),
        number: number.to_string(),
        print: print.to_string(),
        on_record: *on_record,
        seq: *seq,
        out_print: out.as_ref().map(|out| out.print.to_string()).unwrap_or_default(),
        out_ms: out.as_ref().map_or(0, |out| out.at.as_millisecond()),
    }
}

/// What the brake goes by, of files and ledger.
pub fn weigh<R>(inventory: &Inventory, records: &Records, limit: &Limit, judge: impl FnOnce(&Facts<'_>) -> R) -> R {
    let record = |station: &Station| records.of(station);
    judge(&Facts { inventory, record: &record, notices: records.notices(), seq: records.seq(), limit })
}

/// Judges a fleet as its files have it, with rows read and kept here, for a command that runs for a moment beside the daemon
/// or without it.
///
/// # Errors
/// Where the store cannot be read or written.
pub async fn settle(
    store: &Store,
    inventory: &Inventory,
    records: &Records,
    limit: &Limit,
) -> Result<Brake, GatherError> {
    let mut brake = Brake::default();
    for _ in 0..TURNS {
        brake = Brake::new(settled(store).await?, brake.into_prints());
        let owed = weigh(inventory, records, limit, |facts| brake.judge(facts, None));
        if store.settle(&moves(&owed)).await? {
            brake.keep(&owed);
            break;
        }
    }
    // Where others keep moving rows, each of them keeps what it sees; the judgement stands all the same.
    Ok(brake)
}
