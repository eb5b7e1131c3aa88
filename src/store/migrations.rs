//! The database's layouts, forward only, each step embedded and each taken in one transaction.
//! It never goes back, and never touches a database that a newer program wrote.

use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::{Engine, Store, StoreError};

/// One step: what both databases run, and what only one of them understands.
struct Layout {
    number: i64,
    both: &'static str,
    sqlite: &'static str,
    postgres: &'static str,
}

const LAYOUTS: [Layout; 3] = [
    Layout {
        number: 1,
        both: include_str!("migrations/0001_ledger.sql"),
        sqlite: include_str!("migrations/0001_ledger.sqlite.sql"),
        postgres: include_str!("migrations/0001_ledger.postgres.sql"),
    },
    Layout { number: 2, both: include_str!("migrations/0002_passes.sql"), sqlite: "", postgres: "" },
    Layout { number: 3, both: include_str!("migrations/0003_refused.sql"), sqlite: "", postgres: "" },
];

/// The layout this program works with.
pub(super) const NEWEST: i64 = LAYOUTS[LAYOUTS.len() - 1].number;

/// Two processes may open a new database at once; on PostgreSQL one waits here (the number is "station" in ASCII).
const LOCK: &str = "SELECT CAST(pg_advisory_xact_lock(32497584235442030) AS TEXT)";

/// Takes every step up to `target` that the database lacks, all in one transaction.
pub(super) async fn run(store: &Store, target: i64) -> Result<(), StoreError> {
    // A database of the newest layout is opened without asking for the write lock.
    match seen(store).await {
        Some(found) if found >= target => not_newer(store, found),
        Some(_) | None => take_steps(store, target).await,
    }
}

/// Whether the database is of the layout this program works with.
pub(super) async fn is_newest(store: &Store) -> bool {
    seen(store).await == Some(NEWEST)
}

/// The layout of the database; nothing where it has none, or cannot say.
async fn seen(store: &Store) -> Option<i64> {
    let row = sqlx::query("SELECT MAX(number) FROM layouts").fetch_one(&store.readers).await;
    row.and_then(|row| row.try_get::<Option<i64>, _>(0)).ok().flatten()
}

fn not_newer(store: &Store, found: i64) -> Result<(), StoreError> {
    if found > NEWEST {
        return Err(StoreError::Newer { place: store.place.to_string(), found, known: NEWEST });
    }
    Ok(())
}

async fn take_steps(store: &Store, target: i64) -> Result<(), StoreError> {
    let doing = "bringing its layout up to date";
    let sorted = |source| StoreError::sorted(&store.place, doing, source);
    let mut transaction = store.begin().await.map_err(sorted)?;
    let found = begin_at(store, &mut transaction).await.map_err(sorted)?;
    not_newer(store, found)?;
    for layout in LAYOUTS.iter().filter(|layout| layout.number > found && layout.number <= target) {
        take(store, &mut transaction, layout).await.map_err(|source| StoreError::Migration {
            place: store.place.to_string(),
            layout: layout.number,
            source,
        })?;
    }
    transaction.commit().await.map_err(sorted)
}

async fn begin_at(store: &Store, transaction: &mut Transaction<'static, Any>) -> Result<i64, sqlx::Error> {
    if store.engine == Engine::Postgres {
        sqlx::query(LOCK).fetch_one(&mut **transaction).await?;
    }
    sqlx::raw_sql("CREATE TABLE IF NOT EXISTS layouts (number BIGINT NOT NULL PRIMARY KEY)")
        .execute(&mut **transaction)
        .await?;
    sqlx::query("SELECT COALESCE(MAX(number), 0) FROM layouts").fetch_one(&mut **transaction).await?.try_get(0)
}

async fn take(store: &Store, transaction: &mut Transaction<'static, Any>, layout: &Layout) -> Result<(), sqlx::Error> {
    let own = match store.engine {
        Engine::Sqlite => layout.sqlite,
        Engine::Postgres => layout.postgres,
    };
    for text in [layout.both, own] {
        sqlx::raw_sql(AssertSqlSafe(text)).execute(&mut **transaction).await?;
    }
    sqlx::query("INSERT INTO layouts (number) VALUES ($1)").bind(layout.number).execute(&mut **transaction).await?;
    Ok(())
}
