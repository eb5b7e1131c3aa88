//! The ledger: entries are added at the end, in one chain of hashes, and never changed.
//! It never reads a body; two bodies are the same when their texts are.

use std::collections::BTreeMap;

use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::chain::{Head, Link};
use super::entry::{EntryKind, NewEntry, packed_id};
use super::packed::{Beside, Book, book_from, pack};
use super::rows::head_from;
use super::{NAMES_AT_ONCE, ROWS_AT_ONCE, Store, StoreError, parameters, tuples};

/// When the ledger has so many entries the next phrase book is made, from the newest of them: what people write changes over
/// the years.
const BOOKS_AT: [i64; 7] = [64, 512, 4_096, 32_768, 262_144, 2_097_152, 16_777_216];
/// A book is made from so many entries.
const READ_FOR_A_BOOK: i64 = 200;

/// What became of an entry that was to be added.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Appended {
    /// It was added.
    New {
        /// Its number.
        seq: i64,
    },
    /// It was there already, body and all.
    Duplicate {
        /// The number that it has.
        seq: i64,
    },
    /// Its id has another body; nothing was written.
    Conflict {
        /// The number of the other.
        seq: i64,
    },
}

impl Store {
    /// Adds entries at the end, in one transaction and in the order given; answers are in the same order.
    pub async fn append(&self, entries: &[NewEntry]) -> Result<Vec<Appended>, StoreError> {
        entries.iter().try_for_each(NewEntry::without_nul)?;
        if entries.is_empty() {
            return Ok(Vec::new());
        }
        self.bounded("adding to the ledger", self.append_inside(entries)).await
    }

    async fn append_inside(&self, entries: &[NewEntry]) -> Result<Vec<Appended>, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let answers = self.append_within(&mut transaction, entries).await?;
        match answers.iter().any(|answer| matches!(answer, Appended::New { .. })) {
            true => transaction.commit().await?,
            false => transaction.rollback().await?,
        }
        Ok(answers)
    }

    /// Adds entries at the end, as part of a transaction.
    pub(super) async fn append_within(
        &self,
        transaction: &mut Transaction<'static, Any>,
        entries: &[NewEntry],
    ) -> Result<Vec<Appended>, sqlx::Error> {
        // Changes nothing, but PostgreSQL then lets no other writer pass until this transaction ends.
        let row = sqlx::query("UPDATE ledger_head SET seq = seq WHERE one = 1 RETURNING seq, hash")
            .fetch_one(&mut **transaction)
            .await?;
        let head = head_from(&row)?;
        let known = self.known_among(transaction, entries).await?;
        let book = self.book_for(transaction, head.seq).await?;
        let (answers, links) = chained(entries, known, head);
        let Some(newest) = links.last() else { return Ok(answers) };
        for some in links.chunks(ROWS_AT_ONCE) {
            insert(transaction, some, &book).await?;
        }
        sqlx::query("UPDATE ledger_head SET seq = $1, hash = $2 WHERE one = 1")
            .bind(newest.seq)
            .bind(newest.hash.as_str())
            .execute(&mut **transaction)
            .await?;
        Ok(answers)
    }

    async fn known_among(
        &self,
        transaction: &mut Transaction<'static, Any>,
        entries: &[NewEntry],
    ) -> Result<Known, sqlx::Error> {
        let mut known = Known::new();
        for kind in EntryKind::ALL {
            let ids: Vec<&str> =
                entries.iter().filter(|entry| entry.kind == kind).map(|entry| entry.id.as_str()).collect();
            for some in ids.chunks(NAMES_AT_ONCE) {
                let text = format!("SELECT * FROM ledger WHERE kind = $1 AND id IN ({})", parameters(2, some.len()));
                let query = sqlx::query(AssertSqlSafe(text)).bind(kind.code());
                let query = some.iter().fold(query, |query, id| query.bind(packed_id(id)));
                let rows = query.fetch_all(&mut **transaction).await?;
                for link in self.links(&rows).await? {
                    known.insert((kind, link.id), (link.seq, link.body));
                }
            }
        }
        Ok(known)
    }

    /// The phrase book that bodies are packed with in a ledger of so many entries, and its number; it is made where it is not
    /// there yet.
    async fn book_for(
        &self,
        transaction: &mut Transaction<'static, Any>,
        entries: i64,
    ) -> Result<(u8, Book), sqlx::Error> {
        let number = u8::try_from(BOOKS_AT.iter().filter(|at| **at <= entries).count()).unwrap_or_default();
        if let Some(book) = self.known_book(number) {
            return Ok((number, book));
        }
        let kept = sqlx::query("SELECT text FROM ledger_books WHERE number = $1").bind(i64::from(number));
        if let Some(row) = kept.fetch_optional(&mut **transaction).await? {
            return Ok((number, row.try_get::<Vec<u8>, _>(0)?.into()));
        }
        let rows = sqlx::query("SELECT * FROM ledger WHERE seq > $1 ORDER BY seq")
            .bind(entries.saturating_sub(READ_FOR_A_BOOK))
            .fetch_all(&mut **transaction)
            .await?;
        let links = self.links(&rows).await?;
        let book = book_from(links.iter().rev().map(|link| link.body.as_str()));
        sqlx::query("INSERT INTO ledger_books (number, text) VALUES ($1, $2)")
            .bind(i64::from(number))
            .bind(book.as_slice())
            .execute(&mut **transaction)
            .await?;
        // It is not known to others, and not remembered here, before this transaction is.
        Ok((number, book.into()))
    }
}

/// Number and body under which an id stands already.
type Known = BTreeMap<(EntryKind, String), (i64, String)>;

/// Which of the entries are new, as links behind `head`; an id may also repeat among the entries themselves.
fn chained(entries: &[NewEntry], mut known: Known, head: Head) -> (Vec<Appended>, Vec<Link>) {
    let mut answers = Vec::with_capacity(entries.len());
    let mut links: Vec<Link> = Vec::new();
    let (mut seq, mut prev) = (head.seq, head.hash);
    for entry in entries {
        let key = (entry.kind, entry.id.clone());
        if let Some((seq, body)) = known.get(&key) {
            answers.push(if *body == entry.body {
                Appended::Duplicate { seq: *seq }
            } else {
                Appended::Conflict { seq: *seq }
            });
            continue;
        }
        seq = seq.saturating_add(1);
        let mut link = Link {
            seq,
            kind: entry.kind,
            id: entry.id.clone(),
            station: entry.station.clone(),
            at_ms: entry.at_ms,
            recorded_ms: entry.recorded_ms,
            body: entry.body.clone(),
            hash: String::new(),
        };
        link.hash = link.computed_hash(&prev);
        prev = link.hash.clone();
        known.insert(key, (seq, entry.body.clone()));
        links.push(link);
        answers.push(Appended::New { seq });
    }
    (answers, links)
}

async fn insert(
    transaction: &mut Transaction<'static, Any>,
    links: &[Link],
    (number, book): &(u8, Book),
) -> Result<(), sqlx::Error> {
    let text = format!(
        "INSERT INTO ledger (seq, at_ms, recorded_ms, kind, id, station, body, hash) VALUES {}",
        tuples(transaction, links.len(), 8)
    );
    let mut query = sqlx::query(AssertSqlSafe(text));
    for link in links {
        let beside = Beside { id: &link.id, station: &link.station, at_ms: link.at_ms };
        query = query
            .bind(link.seq)
            .bind(link.at_ms)
            .bind(link.recorded_ms)
            .bind(link.kind.code())
            .bind(packed_id(&link.id))
            .bind(link.station.as_str())
            .bind(pack(&link.body, beside, *number, book))
            .bind(bytes_of(&link.hash));
    }
    query.execute(&mut **transaction).await?;
    Ok(())
}

/// What hexadecimal digits stand for.
fn bytes_of(hash: &str) -> Vec<u8> {
    let digit = |at: usize| hash.get(at..at + 2).and_then(|pair| u8::from_str_radix(pair, 16).ok());
    (0..hash.len()).step_by(2).filter_map(digit).collect()
}
