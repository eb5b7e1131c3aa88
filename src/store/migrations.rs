//! The database's layout: made in one transaction in a new database. A database of another layout is left alone: nothing was
//! released, so an older one is exported with the version that wrote it, and a newer one belongs to a newer program.

use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::{Engine, Store, StoreError};

/// The layout this program works with. Those up to 10 were written before anything was released.
const LAYOUT: i64 = 11;

const BOTH: &str = include_str!("migrations/schema.sql");
const SQLITE: &str = include_str!("migrations/sqlite.sql");
const POSTGRES: &str = include_str!("migrations/postgres.sql");

/// Two processes may open a new database at once; on PostgreSQL one waits here (the number is "station" in ASCII).
const LOCK: &str = "SELECT CAST(pg_advisory_xact_lock(32497584235442030) AS TEXT)";

/// Lays out a new database, or sees that an old one is of this layout.
pub(super) async fn run(store: &Store) -> Result<(), StoreError> {
    // A database of this layout is opened without asking for the write lock.
    match seen(store).await {
        Some(found) => fits(store, found),
        None => lay_out(store).await,
    }
}

/// Whether the database has a layout: then it is this program's.
pub(super) async fn is_laid_out(store: &Store) -> Result<bool, StoreError> {
    match seen(store).await {
        Some(found) => fits(store, found).map(|()| true),
        None => Ok(false),
    }
}

/// The layout of the database; nothing where it has none, or cannot say.
async fn seen(store: &Store) -> Option<i64> {
    let row = sqlx::query("SELECT MAX(number) FROM layouts").fetch_one(&store.readers).await;
    row.and_then(|row| row.try_get::<Option<i64>, _>(0)).ok().flatten()
}

fn fits(store: &Store, found: i64) -> Result<(), StoreError> {
    let place = store.place.to_string();
    match found {
        LAYOUT => Ok(()),
        newer if newer > LAYOUT => Err(StoreError::Newer { place, found, known: LAYOUT }),
        _ => Err(StoreError::Older { place, found, known: LAYOUT }),
    }
}

async fn lay_out(store: &Store) -> Result<(), StoreError> {
    let sorted = |source| StoreError::sorted(&store.place, "laying it out", source);
    let mut transaction = store.begin().await.map_err(sorted)?;
    // Another process may have been quicker.
    if let Some(found) = begin(store, &mut transaction).await.map_err(sorted)? {
        return fits(store, found);
    }
    let laid = create(store, &mut transaction).await;
    laid.map_err(|source| StoreError::Layout { place: store.place.to_string(), source })?;
    transaction.commit().await.map_err(sorted)
}

/// The layout of the database under its lock; nothing where it is new.
async fn begin(store: &Store, transaction: &mut Transaction<'static, Any>) -> Result<Option<i64>, sqlx::Error> {
    if store.engine == Engine::Postgres {
        sqlx::query(LOCK).fetch_one(&mut **transaction).await?;
    }
    sqlx::raw_sql("CREATE TABLE IF NOT EXISTS layouts (number BIGINT NOT NULL PRIMARY KEY)")
        .execute(&mut **transaction)
        .await?;
    sqlx::query("SELECT MAX(number) FROM layouts").fetch_one(&mut **transaction).await?.try_get(0)
}

async fn create(store: &Store, transaction: &mut Transaction<'static, Any>) -> Result<(), sqlx::Error> {
    let own = match store.engine {
        Engine::Sqlite => SQLITE,
        Engine::Postgres => POSTGRES,
    };
    for text in [own, BOTH] {
        sqlx::raw_sql(AssertSqlSafe(text)).execute(&mut **transaction).await?;
    }
    sqlx::query("INSERT INTO layouts (number) VALUES ($1)").bind(LAYOUT).execute(&mut **transaction).await?;
    Ok(())
}
