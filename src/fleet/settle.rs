//! The brake beside the store: rows in, judgement, rows out.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::error::FleetError;
use super::records::Records;
use crate::brake::{self, Brake, Facts, Limit, Rows};
use crate::inventory::{Inventory, Station};
use crate::ledger::Digest;
use crate::store::{self, Store, StoreError};

/// How often rows are read anew because somebody else moved one.
const TURNS: u32 = 5;

/// What is settled, as the store has it.
///
/// # Errors
/// Where the store cannot be read.
pub async fn settled(store: &Store) -> Result<Rows, StoreError> {
    let some = |text: String| (!text.is_empty()).then_some(text);
    let time = |ms: i64| Timestamp::from_millisecond(ms).unwrap_or_default();
    // Most stations share what was settled of them.
    let mut pool: HashMap<String, brake::Parts> = HashMap::new();
    let mut shared = |text: String| pool.entry(text).or_insert_with_key(|text| parts(text)).clone();
    let rows = store.settled().await?.into_iter().map(|row| {
        let row = brake::Settled {
            station: row.station.into(),
            formerly: some(row.formerly).map(Into::into),
            site: row.site.into(),
            model: row.model.into(),
            number: row.number.into(),
            print: row.print.into(),
            parts: some(row.parts).map(&mut shared),
            on_record: row.on_record,
            seq: row.seq,
            since: Some(row.since_ms).filter(|ms| *ms != 0).map(time),
            held: row.held.parse().ok(),
            out: some(row.out_print).map(|print| brake::Out {
                print: print.into(),
                at: time(row.out_ms),
                script: row.out_script.parse().ok(),
            }),
        };
        (row.station.clone(), row)
    });
    Ok(rows.collect())
}

/// A line for each setting: its name, and behind a tab its print; at least one line.
fn parts(text: &str) -> brake::Parts {
    let lines = text.lines().filter_map(|line| line.split_once('\t'));
    Arc::new(lines.map(|(name, print)| (name.into(), print.into())).collect())
}

fn parts_text(parts: &brake::Parts) -> String {
    let lines = parts.iter().map(|(name, print)| format!("{name}\t{print}\n"));
    Some(lines.collect()).filter(|text: &String| !text.is_empty()).unwrap_or_else(|| "\n".into())
}

/// Rows to be written, as the store takes them.
pub fn moves(moves: &[brake::Move]) -> Vec<store::Move> {
    let one = |one: &brake::Move| store::Move { was: one.was.as_ref().map(row), now: one.now.as_ref().map(row) };
    moves.iter().map(one).collect()
}

fn row(row: &brake::Settled) -> store::Settled {
    let brake::Settled { station, formerly, site, model, number, print, parts, on_record, seq, since, held, out } = row;
    store::Settled {
        station: station.to_string(),
        formerly: formerly.as_deref().unwrap_or_default().to_owned(),
        site: site.to_string(),
        model: model.to_string(),
        number: number.to_string(),
        print: print.to_string(),
        parts: parts.as_ref().map(parts_text).unwrap_or_default(),
        on_record: *on_record,
        seq: *seq,
        since_ms: since.map_or(0, Timestamp::as_millisecond),
        held: held.map(|share| share.to_string()).unwrap_or_default(),
        out_print: out.as_ref().map(|out| out.print.to_string()).unwrap_or_default(),
        out_ms: out.as_ref().map_or(0, |out| out.at.as_millisecond()),
        out_script: out.as_ref().and_then(|out| out.script.as_ref()).map(Digest::to_string).unwrap_or_default(),
    }
}

/// What the brake goes by, of files and ledger.
pub fn weigh<R>(
    inventory: &Inventory,
    records: &Records,
    limit: &Limit,
    now: Timestamp,
    judge: impl FnOnce(&Facts<'_>) -> R,
) -> R {
    let record = |station: &Station| records.of(station);
    judge(&Facts { inventory, record: &record, decisions: records.decisions(), seq: records.seq(), limit, now })
}

/// What the brake would say of a fleet, were these its files: nothing is kept.
///
/// # Errors
/// Where the store cannot be read.
pub async fn foretell(
    store: &Store,
    inventory: &Inventory,
    limit: &Limit,
    now: Timestamp,
) -> Result<Brake, FleetError> {
    let records = Records::load(store, inventory, None, |_| {}).await?;
    let mut brake = Brake::default().with_rows(settled(store).await?);
    weigh(inventory, &records, limit, now, |facts| brake.judge(facts, None));
    Ok(brake)
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
    now: Timestamp,
) -> Result<Brake, FleetError> {
    let mut brake = Brake::default();
    for _ in 0..TURNS {
        brake = brake.with_rows(settled(store).await?);
        let owed = weigh(inventory, records, limit, now, |facts| brake.judge(facts, None));
        if store.settle(&moves(&owed)).await? {
            brake.keep(&owed);
            break;
        }
    }
    // Where others keep moving rows, each of them keeps what it sees; the judgement stands all the same.
    Ok(brake)
}
