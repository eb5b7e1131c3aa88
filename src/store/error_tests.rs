//! Troubles brought about on real databases come out under their names, and pass when their cause does.

use sqlx::Connection;

use super::super::{EntryKind, NewEntry, Store};
use super::*;

fn entry(id: &str) -> NewEntry {
    NewEntry {
        kind: EntryKind::Report,
        id: id.to_owned(),
        station: "EQ-01".to_owned(),
        at_ms: 0,
        recorded_ms: 0,
        // Nothing that takes less room when it is packed.
        body: (0..3_000u32).map(|n| crate::setting::content_sha(&n.to_be_bytes())).collect(),
    }
}

async fn sqlite(folder: &tempfile::TempDir) -> Store {
    Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.expect("an open store")
}

/// Changes the one connection that writes.
async fn set(store: &Store, sql: &'static str) {
    sqlx::raw_sql(sql).execute(&store.writers).await.expect("a setting");
}

#[tokio::test]
async fn a_full_disk_is_called_so_and_writing_goes_on_when_there_is_room() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = sqlite(&folder).await;
    // SQLite fails with "full" when this many pages are not enough, as it does on a full disk.
    set(&store, "PRAGMA max_page_count = 30").await;
    let error = store.append(&[entry("a")]).await.expect_err("no room");
    assert!(matches!(error, StoreError::Full { .. }), "{error:?}");
    assert!(error.to_string().contains("l.db"), "{error}");
    set(&store, "PRAGMA max_page_count = 100000").await;
    store.append(&[entry("a")]).await.expect("room again");
}

#[tokio::test]
async fn a_database_that_may_not_be_written_is_called_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = sqlite(&folder).await;
    set(&store, "PRAGMA query_only = 1").await;
    let error = store.check_writable(1).await.expect_err("no writing");
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error:?}");
    set(&store, "PRAGMA query_only = 0").await;
    store.check_writable(1).await.expect("writing");
}

#[tokio::test]
async fn a_lock_held_too_long_by_another_is_called_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let (store, other) = (sqlite(&folder).await, sqlite(&folder).await);
    set(&store, "PRAGMA busy_timeout = 50").await;
    let held = other.begin().await.expect("the lock");
    let error = store.append(&[entry("a")]).await.expect_err("locked");
    assert!(matches!(error, StoreError::Busy { .. }), "{error:?}");
    held.rollback().await.expect("the lock given back");
    store.append(&[entry("a")]).await.expect("free again");
}

#[tokio::test]
async fn a_head_that_was_taken_away_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = sqlite(&folder).await;
    set(&store, "DROP TRIGGER ledger_head_never_deleted; DELETE FROM ledger_head").await;
    let error = store.append(&[entry("a")]).await.expect_err("no head");
    assert!(matches!(error, StoreError::RowGone { .. }), "{error:?}");
}

#[tokio::test]
async fn postgresql_has_the_same_troubles_under_the_same_names() {
    let Ok(url) = std::env::var("STATIONKEEP_TEST_POSTGRES") else {
        eprintln!("skipped: STATIONKEEP_TEST_POSTGRES is not set");
        return;
    };
    sqlx::any::install_default_drivers();
    let fresh = || async { sqlx::AnyConnection::connect(&url).await.expect("a server") };
    type Case = (&'static str, fn(&StoreError) -> bool);
    let cases: [Case; 2] = [
        ("BEGIN; SET TRANSACTION READ ONLY; CREATE TABLE never_made (x BIGINT)", |e| {
            matches!(e, StoreError::ReadOnly { .. })
        }),
        ("SET statement_timeout = 20; SELECT pg_sleep(5)", |e| matches!(e, StoreError::NoAnswer { .. })),
    ];
    for (sql, expected) in cases {
        let mut one = fresh().await;
        let error = sqlx::raw_sql(sql).execute(&mut one).await.expect_err(sql);
        let error = StoreError::sorted("place", "testing", error);
        assert!(expected(&error), "{error:?}");
    }
    let (mut holder, mut waiter) = (fresh().await, fresh().await);
    sqlx::raw_sql("BEGIN").execute(&mut holder).await.expect("begun");
    let lock = "SELECT CAST(pg_advisory_xact_lock(71) AS TEXT)";
    sqlx::query(lock).fetch_one(&mut holder).await.expect("held");
    let wait = "SET statement_timeout = 0; SET lock_timeout = 20; SELECT CAST(pg_advisory_xact_lock(71) AS TEXT)";
    let error = sqlx::raw_sql(wait).execute(&mut waiter).await.expect_err("held");
    let error = StoreError::sorted("place", "testing", error);
    assert!(matches!(error, StoreError::Busy { .. }), "{error:?}");
}
