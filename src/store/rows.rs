//! Reading the ledger: rows become entries. It never looks into a body.

use std::collections::BTreeMap;
use std::sync::PoisonError;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use super::chain::{Head, Link};
use super::entry::{Entry, EntryKind, packed_id, unpacked_id};
use super::packed::{Beside, Book, book_of, unpack};
use super::{NAMES_AT_ONCE, Store, StoreError, parameters};
use crate::setting::hex;

impl Store {
    /// How many entries of each kind there are after `after` and up to `until`.
    pub async fn entries_by_kind(&self, after: i64, until: i64) -> Result<BTreeMap<String, i64>, StoreError> {
        self.bounded("counting the ledger", async {
            let rows = sqlx::query("SELECT kind, COUNT(*) FROM ledger WHERE seq > $1 AND seq <= $2 GROUP BY kind")
                .bind(after)
                .bind(until)
                .fetch_all(&self.readers)
                .await?;
            let counted = rows.iter().map(|row| {
                let kind = EntryKind::of_code(row.try_get(0)?).map_or("of no known kind", EntryKind::as_str);
                Ok((kind.to_owned(), row.try_get(1)?))
            });
            counted.collect()
        })
        .await
    }

    /// Entries numbered above `seq`, at most `limit`, in order.
    pub async fn entries_after(&self, seq: i64, limit: i64) -> Result<Vec<Entry>, StoreError> {
        self.bounded("reading the ledger", async {
            let rows = self.rows_after(seq, limit).await?;
            self.entries_from(&rows).await
        })
        .await
    }

    /// Entries numbered up to `newest` in the order of their stations, those of one in the order recorded, at most `limit`;
    /// behind the station and number that were read last. Which station comes before which is the database's business.
    pub async fn entries_by_station(
        &self,
        after: (&str, i64),
        newest: i64,
        limit: i64,
    ) -> Result<Vec<Entry>, StoreError> {
        self.bounded("reading the ledger", async {
            let rows = sqlx::query(
                "SELECT * FROM ledger WHERE (station, seq) > ($1, $2) AND seq <= $3 ORDER BY station, seq LIMIT $4",
            )
            .bind(after.0)
            .bind(after.1)
            .bind(newest)
            .bind(limit.max(0))
            .fetch_all(&self.readers)
            .await?;
            self.entries_from(&rows).await
        })
        .await
    }

    /// What people decided, in the order recorded, up to the entry numbered `newest`.
    pub async fn decisions(&self, newest: i64) -> Result<Vec<Entry>, StoreError> {
        let first = EntryKind::Aside.code();
        self.bounded("reading the ledger", async {
            // The words of the index, so that it is used.
            let text = format!("SELECT * FROM ledger WHERE kind >= {first} AND seq <= $1 ORDER BY seq");
            let rows = sqlx::query(AssertSqlSafe(text)).bind(newest).fetch_all(&self.readers).await?;
            self.entries_from(&rows).await
        })
        .await
    }

    /// The entry of that kind and id.
    pub async fn entry(&self, kind: EntryKind, id: &str) -> Result<Option<Entry>, StoreError> {
        Ok(self.entries_named(kind, &[id.to_owned()]).await?.pop())
    }

    /// The entries of that kind with these ids, as far as there are any.
    pub async fn entries_named(&self, kind: EntryKind, ids: &[String]) -> Result<Vec<Entry>, StoreError> {
        self.bounded("reading the ledger", async {
            let mut found = Vec::new();
            for some in ids.chunks(NAMES_AT_ONCE) {
                let text = format!("SELECT * FROM ledger WHERE kind = $1 AND id IN ({})", parameters(2, some.len()));
                let query = sqlx::query(AssertSqlSafe(text)).bind(kind.code());
                let query = some.iter().fold(query, |query, id| query.bind(packed_id(id)));
                found.extend(self.entries_from(&query.fetch_all(&self.readers).await?).await?);
            }
            Ok(found)
        })
        .await
    }

    /// The reports of these stations at these times (milliseconds since 1970), whichever of them belongs to which.
    pub async fn reports_at(&self, moments: &[(String, i64)]) -> Result<Vec<Entry>, StoreError> {
        self.bounded("reading the ledger", async {
            let mut found = Vec::new();
            for some in moments.chunks(NAMES_AT_ONCE / 2) {
                let (stations, times) = (parameters(2, some.len()), parameters(2 + some.len(), some.len()));
                let text =
                    format!("SELECT * FROM ledger WHERE kind = $1 AND station IN ({stations}) AND at_ms IN ({times})");
                let query = sqlx::query(AssertSqlSafe(text)).bind(EntryKind::Report.code());
                let query = some.iter().fold(query, |query, (station, _)| query.bind(station.as_str()));
                let query = some.iter().fold(query, |query, (_, at_ms)| query.bind(*at_ms));
                found.extend(self.entries_from(&query.fetch_all(&self.readers).await?).await?);
            }
            Ok(found)
        })
        .await
    }

    /// Every entry about a station, in the order they were recorded.
    pub async fn entries_of(&self, station: &str) -> Result<Vec<Entry>, StoreError> {
        if station.contains('\0') {
            return Ok(Vec::new());
        }
        self.bounded("reading the ledger", async {
            let rows = sqlx::query("SELECT * FROM ledger WHERE station = $1 ORDER BY seq")
                .bind(station)
                .fetch_all(&self.readers)
                .await?;
            self.entries_from(&rows).await
        })
        .await
    }

    /// The number and hash of the newest entry.
    pub async fn head(&self) -> Result<Head, StoreError> {
        self.bounded("reading the ledger's head", async {
            let row = sqlx::query("SELECT seq, hash FROM ledger_head WHERE one = 1").fetch_one(&self.readers).await?;
            head_from(&row)
        })
        .await
    }

    /// The hash of an entry as its row has it; nothing where there is no such entry. That of number 0 is the first head's.
    pub async fn hash_at(&self, seq: i64) -> Result<Option<String>, StoreError> {
        if seq == 0 {
            return Ok(Some(Head::empty().hash));
        }
        self.bounded("reading the ledger", async {
            let row = sqlx::query("SELECT hash FROM ledger WHERE seq = $1").bind(seq);
            let row = row.fetch_optional(&self.readers).await?;
            row.map(|row| Ok(hex(row.try_get::<&[u8], _>(0)?))).transpose()
        })
        .await
    }

    pub(super) async fn rows_after(&self, seq: i64, limit: i64) -> Result<Vec<AnyRow>, sqlx::Error> {
        sqlx::query("SELECT * FROM ledger WHERE seq > $1 ORDER BY seq LIMIT $2")
            .bind(seq)
            .bind(limit.max(0))
            .fetch_all(&self.readers)
            .await
    }

    async fn entries_from(&self, rows: &[AnyRow]) -> Result<Vec<Entry>, sqlx::Error> {
        Ok(self.links(rows).await?.into_iter().map(Entry::of).collect())
    }

    /// Rows as links of the chain, nothing believed yet.
    pub(super) async fn links(&self, rows: &[AnyRow]) -> Result<Vec<Link>, sqlx::Error> {
        let books = self.books_for(rows).await?;
        rows.iter().map(|row| link_from(row, &books)).collect()
    }

    /// The phrase books that the bodies of rows were packed with.
    pub(super) async fn books_for(&self, rows: &[AnyRow]) -> Result<Books, sqlx::Error> {
        let mut books = self.books.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let number = |row: &AnyRow| row.try_get::<&[u8], _>("body").ok().and_then(book_of);
        if rows.iter().filter_map(number).any(|number| number != 0 && !books.contains_key(&number)) {
            for row in sqlx::query("SELECT number, text FROM ledger_books").fetch_all(&self.readers).await? {
                let number: i64 = row.try_get(0)?;
                books.insert(u8::try_from(number).unwrap_or_default(), row.try_get::<Vec<u8>, _>(1)?.into());
            }
            self.books.lock().unwrap_or_else(PoisonError::into_inner).clone_from(&books);
        }
        Ok(books)
    }

    /// The phrase book of that number, where it was read already.
    pub(super) fn known_book(&self, number: u8) -> Option<Book> {
        if number == 0 {
            return Some(Book::default());
        }
        self.books.lock().unwrap_or_else(PoisonError::into_inner).get(&number).cloned()
    }
}

/// Phrase books by their numbers.
pub(super) type Books = BTreeMap<u8, Book>;

impl Entry {
    fn of(link: Link) -> Self {
        let Link { seq, kind, id, station, at_ms, recorded_ms, body, hash } = link;
        Self { seq, kind, id, station, at_ms, recorded_ms, body, hash }
    }
}

/// A row as a link; an error where its fields are not even of their forms.
pub(super) fn link_from(row: &AnyRow, books: &Books) -> Result<Link, sqlx::Error> {
    let seq: i64 = row.try_get("seq")?;
    let odd = |what: &str| sqlx::Error::Decode(format!("{what} of entry {seq} is not in the form of a ledger").into());
    let kind = EntryKind::of_code(row.try_get("kind")?).ok_or_else(|| odd("the kind"))?;
    let id = unpacked_id(row.try_get::<&[u8], _>("id")?).ok_or_else(|| odd("the id"))?;
    let (station, at_ms): (String, i64) = (row.try_get("station")?, row.try_get("at_ms")?);
    let packed: &[u8] = row.try_get("body")?;
    let book = book_of(packed).and_then(|number| books.get(&number)).map_or(&[][..], |book| book);
    let beside = Beside { id: &id, station: &station, at_ms };
    let body = unpack(packed, beside, book).ok_or_else(|| odd("the body"))?;
    let hash = hex(row.try_get::<&[u8], _>("hash")?);
    Ok(Link { seq, kind, station, at_ms, recorded_ms: row.try_get("recorded_ms")?, body, hash, id })
}

pub(super) fn head_from(row: &AnyRow) -> Result<Head, sqlx::Error> {
    Ok(Head { seq: row.try_get("seq")?, hash: row.try_get("hash")? })
}
