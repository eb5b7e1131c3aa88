//! The one module with SQL: the ledger, cases, the outbox, rejected reports, dropped files, the last good inventory.
//! It keeps and returns texts that callers give; it never decides, never reads a clock, never looks into a body.
//!
//! One set of queries for SQLite and PostgreSQL: whole numbers, texts and bytes only, `$n` parameters, numbers made here. Times are
//! milliseconds since 1970 (UTC) as `i64`. Writers hold the database's write lock (SQLite) or the row they advance
//! (PostgreSQL), so the daemon and the command line may use one database at once. Every wait has an end.

mod cases;
mod chain;
mod entry;
mod error;
mod folds;
mod good;
mod intake;
mod key;
mod ledger;
mod migrations;
mod open;
mod outbox;
mod packed;
mod refused;
mod rows;
mod stopped;
mod verify;

pub use cases::{NewMessage, PassWrites};
pub use chain::{Broken, Flaw, GENESIS, Head};
pub use entry::{Entry, EntryKind, NewEntry};
pub use error::StoreError;
pub use folds::{FoldsHead, NewFolds};
pub use good::{Good, GoodFile};
pub use intake::{DroppedOutcome, NewRejected, Rejected};
pub use ledger::Appended;
pub use outbox::{Delivery, Lasting, Queue, Try, Waiting};
pub use refused::{Refusal, RefusedMessage, RefusingWebhook, Unheard};
pub use stopped::StoppedWebhook;
pub use verify::Verification;

use std::collections::BTreeMap;
use std::future::Future;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sqlx::{Any, AnyConnection, AnyPool, Row, Transaction};

/// The longest that one operation may take before it is given up as unanswered.
const LONGEST: Duration = Duration::from_secs(60);

/// Rows a statement writes at once.
const ROWS_AT_ONCE: usize = 200;

/// Names a statement asks for at once. SQLite looks numbered parameters up by name, which grows with their square.
const NAMES_AT_ONCE: usize = 50;

/// Which of the two databases is behind a [`Store`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Engine {
    Sqlite,
    Postgres,
}

/// A database that is open and of the newest layout. Clones share its connections.
#[derive(Debug, Clone)]
pub struct Store {
    place: Arc<str>,
    engine: Engine,
    /// The check value of the key in use; empty without one.
    key: Arc<str>,
    readers: AnyPool,
    writers: AnyPool,
    /// Writes small records that must outlive this process, and need not outlive a power cut.
    quick: AnyPool,
    /// Whether it was opened to be read alone because its disk is full.
    is_full: bool,
    /// The phrase books of the ledger that were read so far. They never change.
    books: Arc<Mutex<BTreeMap<u8, packed::Book>>>,
}

impl Store {
    /// Where the database is, fit to be shown: a path, or host, port and name without user and password.
    pub fn place(&self) -> &str {
        &self.place
    }

    /// Writes one row and takes it back at the next call: fails as every write would (disk full, read-only, gone).
    pub async fn check_writable(&self, now_ms: i64) -> Result<(), StoreError> {
        self.set_memo("store.written", Some(&now_ms.to_string())).await
    }

    /// Ends all connections; SQLite's side files are folded into the database.
    pub async fn close(&self) {
        self.readers.close().await;
        self.quick.close().await;
        self.writers.close().await;
    }

    /// Begins a transaction of several statements; a single one that writes needs none and goes to `writers`. SQLite must take its write lock at once: a reader that turns
    /// writer is turned away without waiting when another process wrote in between.
    async fn begin(&self) -> Result<Transaction<'static, Any>, sqlx::Error> {
        self.begin_on(&self.writers).await
    }

    /// The same where the disk is not waited for.
    async fn begin_quick(&self) -> Result<Transaction<'static, Any>, sqlx::Error> {
        self.begin_on(&self.quick).await
    }

    async fn begin_on(&self, pool: &AnyPool) -> Result<Transaction<'static, Any>, sqlx::Error> {
        match self.engine {
            Engine::Sqlite => pool.begin_with("BEGIN IMMEDIATE").await,
            Engine::Postgres => pool.begin().await,
        }
    }

    /// Runs `work` to its end or to [`LONGEST`], and names place and deed in what fails.
    async fn bounded<T>(
        &self,
        doing: &'static str,
        work: impl Future<Output = Result<T, sqlx::Error>>,
    ) -> Result<T, StoreError> {
        match tokio::time::timeout(LONGEST, work).await {
            Ok(done) => done.map_err(|source| match StoreError::sorted(&self.place, doing, source) {
                StoreError::ReadOnly { place, doing, source } if self.is_full => {
                    StoreError::Full { place, doing, source }
                }
                other => other,
            }),
            Err(_) => Err(StoreError::NoAnswer { place: self.place.to_string(), doing }),
        }
    }
}

/// Counts one on, under the write lock: the number of the next row.
async fn next_number(transaction: &mut Transaction<'static, Any>, counter: &str) -> Result<i64, sqlx::Error> {
    let count = sqlx::query("UPDATE counters SET value = value + 1 WHERE name = $1 RETURNING value").bind(counter);
    count.fetch_one(&mut **transaction).await?.try_get(0)
}

/// `(?, ?), (?, ?)`, or `($1, $2), ($3, $4)` as PostgreSQL wants it: the parameters of so many rows of so many columns, where
/// the statement has no others.
fn tuples(connection: &AnyConnection, rows: usize, columns: usize) -> String {
    let is_numbered = connection.backend_name() != "SQLite";
    let row = |nth: usize| match is_numbered {
        true => format!("({})", parameters(nth * columns + 1, columns)),
        false => format!("({})", vec!["?"; columns].join(", ")),
    };
    (0..rows).map(row).collect::<Vec<String>>().join(", ")
}

/// `$2, $3`: so many parameters, from the first on.
fn parameters(first: usize, count: usize) -> String {
    let all: Vec<String> = (first..first + count).map(|n| format!("${n}")).collect();
    all.join(", ")
}

/// PostgreSQL keeps no NUL in a text, SQLite does: rejected for both, before anything is written.
fn without_nul(what: &'static str, text: &str) -> Result<(), StoreError> {
    if text.contains('\0') {
        return Err(StoreError::Nul { what });
    }
    Ok(())
}
