//! The last good inventory: the texts of its files, replaced as a whole, kept for when today's cannot be read.
//! It never judges whether an inventory is good and never reads what is in a file.

use std::collections::BTreeMap;

use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::{NAMES_AT_ONCE, ROWS_AT_ONCE, Store, StoreError, parameters, tuples, without_nul};
use crate::setting::Netstrings;

/// The last good inventory: its files as (path, text), by path, and when it was kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Good {
    /// Milliseconds since 1970.
    pub at_ms: i64,
    /// Path below the inventory's folder, and text; sorted by path.
    pub files: Vec<(String, String)>,
}

/// A file to be kept: its path, its text, and a hash of the text as its caller makes it, by which it is known again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GoodFile<'a> {
    /// Below the inventory's folder.
    pub path: String,
    /// Whatever the caller compares texts by; equal texts must have equal ones.
    pub sha: String,
    /// The whole file.
    pub text: &'a str,
}

impl Store {
    /// Makes these files the last good inventory, in one transaction that writes only what differs. False where
    /// the same set is kept already: then nothing is written and its time stays. Of two with one path the last counts.
    pub async fn keep_good(&self, files: &[GoodFile<'_>], at_ms: i64) -> Result<bool, StoreError> {
        for file in files {
            without_nul("an inventory file's path", &file.path)?;
            without_nul("an inventory file's hash", &file.sha)?;
            without_nul("an inventory file", file.text)?;
        }
        let files: BTreeMap<&str, &GoodFile<'_>> = files.iter().map(|file| (file.path.as_str(), file)).collect();
        let digest = digest(&files);
        self.bounded("keeping the last good inventory", async {
            if kept_digest(self).await?.as_deref() == Some(digest.as_str()) {
                return Ok(false);
            }
            let mut transaction = self.begin().await?;
            // First, so that on PostgreSQL a second process waits here.
            sqlx::query(
                "INSERT INTO good_inventory (one, digest, at_ms) VALUES (1, $1, $2) \
                 ON CONFLICT (one) DO UPDATE SET digest = excluded.digest, at_ms = excluded.at_ms",
            )
            .bind(digest.as_str())
            .bind(at_ms)
            .execute(&mut *transaction)
            .await?;
            replace_files(&mut transaction, &files).await?;
            transaction.commit().await?;
            Ok(true)
        })
        .await
    }

    /// The last good inventory, if there ever was one.
    pub async fn good(&self) -> Result<Option<Good>, StoreError> {
        self.bounded("reading the last good inventory", async {
            // One statement, so that a set replaced meanwhile is not read in halves.
            let rows = sqlx::query("SELECT at_ms, path, text FROM good_inventory LEFT JOIN good_files ON one = 1")
                .fetch_all(&self.readers)
                .await?;
            let Some(first) = rows.first() else {
                return Ok(None);
            };
            let at_ms = first.try_get(0)?;
            let mut files = Vec::with_capacity(rows.len());
            for row in &rows {
                if let Some(path) = row.try_get::<Option<String>, _>(1)? {
                    files.push((path, row.try_get(2)?));
                }
            }
            files.sort();
            Ok(Some(Good { at_ms, files }))
        })
        .await
    }
}

fn digest(files: &BTreeMap<&str, &GoodFile<'_>>) -> String {
    files.iter().fold(Netstrings::new(), |all, (path, file)| all.text(path).text(&file.sha)).hex()
}

async fn kept_digest(store: &Store) -> Result<Option<String>, sqlx::Error> {
    sqlx::query("SELECT digest FROM good_inventory WHERE one = 1")
        .fetch_optional(&store.readers)
        .await?
        .map(|row| row.try_get(0))
        .transpose()
}

async fn replace_files(
    transaction: &mut Transaction<'static, Any>,
    files: &BTreeMap<&str, &GoodFile<'_>>,
) -> Result<(), sqlx::Error> {
    let mut kept: BTreeMap<String, String> = BTreeMap::new();
    for row in sqlx::query("SELECT path, sha FROM good_files").fetch_all(&mut **transaction).await? {
        kept.insert(row.try_get(0)?, row.try_get(1)?);
    }
    let gone: Vec<&str> = kept.keys().map(String::as_str).filter(|path| !files.contains_key(path)).collect();
    for some in gone.chunks(NAMES_AT_ONCE) {
        remove(transaction, some).await?;
    }
    let changed: Vec<&GoodFile<'_>> =
        files.values().filter(|file| kept.get(&file.path) != Some(&file.sha)).copied().collect();
    for some in changed.chunks(ROWS_AT_ONCE) {
        write(transaction, some).await?;
    }
    Ok(())
}

async fn remove(transaction: &mut Transaction<'static, Any>, paths: &[&str]) -> Result<(), sqlx::Error> {
    let text = format!("DELETE FROM good_files WHERE path IN ({})", parameters(1, paths.len()));
    let mut query = sqlx::query(AssertSqlSafe(text));
    for path in paths {
        query = query.bind(*path);
    }
    query.execute(&mut **transaction).await?;
    Ok(())
}

async fn write(transaction: &mut Transaction<'static, Any>, files: &[&GoodFile<'_>]) -> Result<(), sqlx::Error> {
    let text = format!(
        "INSERT INTO good_files (path, sha, text) VALUES {} \
         ON CONFLICT (path) DO UPDATE SET sha = excluded.sha, text = excluded.text",
        tuples(transaction, files.len(), 3)
    );
    let mut query = sqlx::query(AssertSqlSafe(text));
    for file in files {
        query = query.bind(file.path.as_str()).bind(file.sha.as_str()).bind(file.text);
    }
    query.execute(&mut **transaction).await?;
    Ok(())
}
