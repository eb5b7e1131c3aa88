//! Which key the fingerprints in this ledger are made with, by its check value. It never sees the key itself.

use std::sync::Arc;

use sqlx::Row;

use super::{Store, StoreError, without_nul};

impl Store {
    /// The check value of the key that this database was begun with; nothing where none was used yet.
    pub async fn kept_key(&self) -> Result<Option<String>, StoreError> {
        self.bounded("reading which key the ledger belongs to", async {
            let row = sqlx::query("SELECT check_value FROM fingerprint_key").fetch_optional(&self.readers).await?;
            row.map(|row| row.try_get(0)).transpose()
        })
        .await
    }

    /// The same store for whoever holds this key. The first that is used stays the only one.
    ///
    /// # Errors
    /// [`StoreError::OtherKey`] where the database was begun with another one.
    pub async fn bound(self, check: &str) -> Result<Store, StoreError> {
        without_nul("the check value of a key", check)?;
        let mut kept = self.kept_key().await?;
        if kept.is_none() {
            let keep = sqlx::query(
                "INSERT INTO fingerprint_key (one, check_value) VALUES (1, $1) ON CONFLICT (one) DO NOTHING",
            );
            let keep = keep.bind(check).execute(&self.writers);
            self.bounded("noting which key the ledger belongs to", async { keep.await.map(|_| ()) }).await?;
            // Another process may have been quicker.
            kept = self.kept_key().await?;
        }
        if kept.as_deref() == Some(check) {
            Ok(Store { key: Arc::from(check), ..self })
        } else {
            Err(StoreError::OtherKey { place: self.place.to_string() })
        }
    }

    /// The check value of the key in use; empty where the store was opened without one, and then every fingerprint counts as
    /// another key's.
    pub fn key(&self) -> &str {
        &self.key
    }
}
