//! A database for one test, made before and removed after it.

use std::sync::atomic::{AtomicU32, Ordering};

use sqlx::{AnyConnection, AssertSqlSafe, Connection};
use stationkeep::store::{PassWrites, Store, StoreError};

/// Where a test's database is.
pub enum Place {
    Sqlite(tempfile::TempDir),
    Postgres { server: String, name: String },
}

static MADE: AtomicU32 = AtomicU32::new(0);

impl Place {
    pub fn sqlite() -> Self {
        Self::Sqlite(tempfile::tempdir().expect("a temporary folder"))
    }

    /// A database of its own on the server that is named; fails where none is.
    pub async fn postgres() -> Option<Self> {
        let Ok(server) = std::env::var("STATIONKEEP_TEST_POSTGRES") else {
            panic!("STATIONKEEP_TEST_POSTGRES is not set: run tests/run, which sets up what the tests need");
        };
        let nth = MADE.fetch_add(1, Ordering::Relaxed);
        let name = format!("stationkeep_test_{}_{nth}", std::process::id());
        run(&server, &format!("CREATE DATABASE {name}")).await;
        Some(Self::Postgres { server, name })
    }

    pub fn url(&self) -> String {
        match self {
            Self::Sqlite(folder) => {
                format!("sqlite:{}/var/ledger.db", folder.path().display())
            }
            Self::Postgres { server, name } => {
                let (before, _) = server.rsplit_once('/').expect("…/database");
                format!("{before}/{name}")
            }
        }
    }

    pub async fn open(&self) -> Store {
        Store::open(&self.url()).await.expect("an open store")
    }

    /// Runs SQL behind the store's back.
    pub async fn run(&self, sql: &str) {
        run(&self.url(), sql).await;
    }

    /// Bytes as this database's SQL writes them; `digits` are hexadecimal.
    pub fn bytes(&self, digits: &str) -> String {
        match self {
            Self::Sqlite(_) => format!("X'{digits}'"),
            Self::Postgres { .. } => format!("'\\x{digits}'::bytea"),
        }
    }

    /// SQL that puts an entry beside the chain.
    pub fn stray_entry(&self, seq: i64) -> String {
        let (id, body, hash) = (self.bytes(&format!("02{:02x}", seq + 0x60)), self.bytes("ff7b7d"), self.bytes("ff"));
        format!("INSERT INTO ledger VALUES ({seq}, 0, 0, 1, {id}, 'EQ-01', {body}, {hash})")
    }

    /// What someone does who is allowed to change tables and means harm.
    pub async fn unlock(&self) {
        match self {
            Self::Sqlite(_) => {
                let triggers = ["ledger_never_updated", "ledger_never_deleted", "ledger_books_never_updated"];
                self.run(&triggers.map(|name| format!("DROP TRIGGER {name}")).join("; ")).await;
            }
            Self::Postgres { .. } => {
                for table in ["ledger", "ledger_books"] {
                    self.run(&format!("ALTER TABLE {table} DISABLE TRIGGER USER")).await;
                }
            }
        }
    }

    pub async fn remove(self) {
        if let Self::Postgres { server, name } = self {
            run(&server, &format!("DROP DATABASE {name} WITH (FORCE)")).await;
        }
    }
}

pub async fn try_run(url: &str, sql: &str) -> Result<(), sqlx::Error> {
    sqlx::any::install_default_drivers();
    let mut connection = AnyConnection::connect(url).await?;
    let done = sqlx::raw_sql(AssertSqlSafe(sql.to_owned())).execute(&mut connection).await;
    connection.close().await?;
    done.map(|_| ())
}

async fn run(url: &str, sql: &str) {
    try_run(url, sql).await.expect(sql);
}

/// Makes of each `async fn name(place: &Place)` a test on SQLite and one on PostgreSQL.
macro_rules! on_both {
    ($($name:ident),+ $(,)?) => {
        mod on_sqlite {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $name() {
                let place = $crate::place::Place::sqlite();
                super::$name(&place).await;
                place.remove().await;
            })+
        }
        mod on_postgres {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $name() {
                if let Some(place) = $crate::place::Place::postgres().await {
                    super::$name(&place).await;
                    place.remove().await;
                }
            })+
        }
    };
}
pub(crate) use on_both;

/// Writes a decision made at this very turn; returns how many messages were new.
pub async fn commit(store: &Store, decision: &PassWrites) -> Result<usize, StoreError> {
    let turn = store.turn().await?;
    Ok(store.commit_pass(decision, turn).await?.expect("nobody else decides"))
}
