//! Walking the ledger's chain from its first entry to its head, and finding the first place that does not hold.

use sqlx::Row;
use sqlx::any::AnyRow;

use super::chain::{Broken, Flaw, Head, Walk};
use super::rows::{Books, link_from};
use super::{Store, StoreError};

/// Entries read at once while the chain is walked.
const PAGE: i64 = 1000;

/// What walking the chain found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verification {
    /// Every entry is as it was written.
    Whole {
        /// How many were walked.
        entries: i64,
        /// The newest of them.
        head: Head,
    },
    /// The first place that has been changed.
    Broken(Broken),
}

impl Store {
    /// Walks the chain from the start and stops at the first place that does not hold. `noted`: a head written down earlier;
    /// it must still be in the chain, so that nothing after it was cut off or made anew. What another process adds meanwhile is
    /// not walked. `progress` hears (walked, of so many) after each page.
    ///
    /// Whoever may write to the database can make a new chain that holds: only a head kept elsewhere shows that.
    pub async fn verify(
        &self,
        noted: Option<&Head>,
        progress: impl FnMut(i64, i64) + Send,
    ) -> Result<Verification, StoreError> {
        let head = self.head().await?;
        if let Some(broken) = self.before_the_start().await? {
            return Ok(Verification::Broken(broken));
        }
        if let Err(broken) = self.walk(&head, progress).await? {
            return Ok(Verification::Broken(broken));
        }
        if let Some(broken) = self.beyond_the_head().await? {
            return Ok(Verification::Broken(broken));
        }
        if let Some(noted) = noted
            && let Err(broken) = self.still_holds(noted, &head).await?
        {
            return Ok(Verification::Broken(broken));
        }
        Ok(Verification::Whole { entries: head.seq, head })
    }

    /// Walks in pages to `head`.
    async fn walk(
        &self,
        head: &Head,
        mut progress: impl FnMut(i64, i64) + Send,
    ) -> Result<Result<(), Broken>, StoreError> {
        let mut walk = Walk::default();
        while walk.at().seq < head.seq {
            let at = walk.at().seq;
            let page = async {
                let rows = self.rows_after(at, (head.seq - at).min(PAGE)).await?;
                let books = self.books_for(&rows).await?;
                Ok((rows, books))
            };
            let (rows, books) = self.bounded("reading the ledger", page).await?;
            if rows.is_empty() {
                break;
            }
            for row in &rows {
                if let Err(broken) = step(&mut walk, row, &books) {
                    return Ok(Err(broken));
                }
            }
            progress(walk.at().seq, head.seq);
        }
        Ok(walk.ends_at(head))
    }

    async fn number(&self, query: &'static str) -> Result<i64, StoreError> {
        self.bounded("reading the ledger", async {
            let row = sqlx::query(query).fetch_one(&self.readers).await?;
            row.try_get(0)
        })
        .await
    }

    /// Whether a head written down earlier is in a chain that holds up to `head`.
    async fn still_holds(&self, noted: &Head, head: &Head) -> Result<Result<(), Broken>, StoreError> {
        if noted.seq > head.seq {
            return Ok(Err(Broken { seq: head.seq.saturating_add(1), flaw: Flaw::Missing }));
        }
        let is_same = self.hash_at(noted.seq).await?.as_ref() == Some(&noted.hash);
        Ok(if is_same { Ok(()) } else { Err(Broken { seq: noted.seq, flaw: Flaw::NotAsNoted }) })
    }

    /// An entry numbered below 1.
    async fn before_the_start(&self) -> Result<Option<Broken>, StoreError> {
        let oldest = self.number("SELECT COALESCE(MIN(seq), 1) FROM ledger").await?;
        Ok((oldest < 1).then_some(Broken { seq: oldest, flaw: Flaw::Stray }))
    }

    /// An entry numbered above the head: the newest number is read first, so that one added meanwhile is no such entry.
    async fn beyond_the_head(&self) -> Result<Option<Broken>, StoreError> {
        let newest = self.number("SELECT COALESCE(MAX(seq), 0) FROM ledger").await?;
        let head = self.head().await?;
        Ok((newest > head.seq).then_some(Broken { seq: newest, flaw: Flaw::Stray }))
    }
}

/// A row whose fields are not even of their forms has been changed, too.
fn step(walk: &mut Walk, row: &AnyRow, books: &Books) -> Result<(), Broken> {
    match link_from(row, books) {
        Ok(link) => walk.step(&link),
        Err(_) => Err(Broken {
            seq: row.try_get("seq").unwrap_or_else(|_| walk.at().seq.saturating_add(1)),
            flaw: Flaw::Changed,
        }),
    }
}
