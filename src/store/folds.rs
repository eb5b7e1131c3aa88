//! What was folded from the ledger, kept beside it as bytes with the entry that it goes up to. It is derived: whoever reads it
//! asks the ledger whether that entry is still the same. It never looks into the bytes.

use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::{NAMES_AT_ONCE, ROWS_AT_ONCE, Store, StoreError, parameters, tuples, without_nul};

/// Up to which entry of the ledger folds go, and in which form they are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoldsHead {
    /// Whatever must be the same for them to be read: equal texts, equal form.
    pub form: String,
    /// The last entry that is folded in.
    pub seq: i64,
    /// Its hash, as the ledger had it.
    pub hash: String,
}

/// Folds to be kept.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct NewFolds {
    /// Whether all others go.
    pub is_all: bool,
    /// By name; nothing where there is none any more.
    pub rows: Vec<(String, Option<Vec<u8>>)>,
}

impl Store {
    /// Up to where the folds go, where there are any.
    pub async fn folds_head(&self) -> Result<Option<FoldsHead>, StoreError> {
        self.bounded("reading the folds' head", async {
            let row = sqlx::query("SELECT form, seq, hash FROM folds_head WHERE one = 1");
            let row = row.fetch_optional(&self.readers).await?;
            row.map(|row| Ok(FoldsHead { form: row.try_get(0)?, seq: row.try_get(1)?, hash: row.try_get(2)? }))
                .transpose()
        })
        .await
    }

    /// The folds of the names after one, at most `limit`. Which name comes before which is the database's business.
    pub async fn folds_after(&self, name: &str, limit: i64) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        self.bounded("reading folds", async {
            let rows = sqlx::query("SELECT name, body FROM folds WHERE name > $1 ORDER BY name LIMIT $2")
                .bind(name)
                .bind(limit.max(0))
                .fetch_all(&self.readers)
                .await?;
            rows.iter().map(|row| Ok((row.try_get(0)?, row.try_get(1)?))).collect()
        })
        .await
    }

    /// Keeps folds, where those that are there still go up to `before`. False where they do not: another process keeps them too,
    /// and nothing was written. They need not outlive a power cut, so the disk is not waited for.
    pub async fn keep_folds(
        &self,
        before: Option<&FoldsHead>,
        after: &FoldsHead,
        folds: &NewFolds,
    ) -> Result<bool, StoreError> {
        for (name, _) in &folds.rows {
            without_nul("a fold's name", name)?;
        }
        self.bounded("keeping folds", async {
            let mut transaction = self.begin_quick().await?;
            if !advance(&mut transaction, before, after).await? {
                transaction.rollback().await?;
                return Ok(false);
            }
            write(&mut transaction, folds).await?;
            transaction.commit().await?;
            Ok(true)
        })
        .await
    }

    /// Removes all folds: they are made again from the ledger.
    pub async fn forget_folds(&self) -> Result<(), StoreError> {
        self.bounded("removing folds", async {
            let mut transaction = self.begin_quick().await?;
            for text in ["DELETE FROM folds_head", "DELETE FROM folds"] {
                sqlx::query(text).execute(&mut *transaction).await?;
            }
            transaction.commit().await
        })
        .await
    }
}

/// Sets the head, where it is what it was.
async fn advance(
    transaction: &mut Transaction<'static, Any>,
    before: Option<&FoldsHead>,
    after: &FoldsHead,
) -> Result<bool, sqlx::Error> {
    let FoldsHead { form, seq, hash } = after;
    let text = match before {
        None => "INSERT INTO folds_head (one, form, seq, hash) VALUES (1, $1, $2, $3) ON CONFLICT (one) DO NOTHING",
        Some(_) => {
            "UPDATE folds_head SET form = $1, seq = $2, hash = $3 WHERE one = 1 AND form = $4 AND seq = $5 AND hash = $6"
        }
    };
    let mut query = sqlx::query(text).bind(form.as_str()).bind(*seq).bind(hash.as_str());
    if let Some(FoldsHead { form, seq, hash }) = before {
        query = query.bind(form.as_str()).bind(*seq).bind(hash.as_str());
    }
    Ok(query.execute(&mut **transaction).await?.rows_affected() == 1)
}

async fn write(transaction: &mut Transaction<'static, Any>, folds: &NewFolds) -> Result<(), sqlx::Error> {
    let NewFolds { is_all, rows } = folds;
    if *is_all {
        sqlx::query("DELETE FROM folds").execute(&mut **transaction).await?;
    }
    let (kept, gone): (Vec<_>, Vec<_>) = rows.iter().partition(|(_, body)| body.is_some());
    for some in gone.chunks(NAMES_AT_ONCE) {
        let text = format!("DELETE FROM folds WHERE name IN ({})", parameters(1, some.len()));
        let query = some.iter().fold(sqlx::query(AssertSqlSafe(text)), |query, (name, _)| query.bind(name.as_str()));
        query.execute(&mut **transaction).await?;
    }
    for some in kept.chunks(ROWS_AT_ONCE) {
        let text = format!(
            "INSERT INTO folds (name, body) VALUES {} ON CONFLICT (name) DO UPDATE SET body = excluded.body",
            tuples(transaction, some.len(), 2)
        );
        let query = some.iter().fold(sqlx::query(AssertSqlSafe(text)), |query, (name, body)| {
            query.bind(name.as_str()).bind(body.as_deref())
        });
        query.execute(&mut **transaction).await?;
    }
    Ok(())
}
