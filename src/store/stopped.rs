//! Webhooks whose receivers want no more messages, and what people ask of deliveries by command: the command line
//! writes it here, and a running daemon looks. It never sends, and never decides that a webhook is stopped.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::{AnyConnection, Row};

use super::cases::write_memo;
use super::outbox::delivery_from;
use super::{Delivery, Store, StoreError, next_number, without_nul};

/// The memos of stopped webhooks begin so.
const STOPPED: &str = "webhook.stopped:";

/// The memo that counts what people asked for.
const ASKED: &str = "deliveries.asked";

/// A webhook whose receiver wants no more messages.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct StoppedWebhook {
    /// When its receiver said so, in milliseconds since 1970.
    pub at_ms: i64,
    /// As much of its address as may be shown.
    pub address: String,
    /// The id of the message that was answered so.
    pub message: String,
    /// Whether someone asked since to try it again, and no answer came yet.
    #[serde(default)]
    pub is_asked: bool,
}

impl Store {
    /// Notes that a webhook's receiver wants no more messages. The first note stays, and what was asked is answered; false
    /// where there was one.
    pub async fn stop_webhook(&self, webhook: &str, stopped: &StoppedWebhook) -> Result<bool, StoreError> {
        without_nul("a webhook's name", webhook)?;
        self.bounded("noting a stopped webhook", async {
            let mut transaction = self.begin().await?;
            let before = noted(&mut transaction, webhook).await?;
            let note = StoppedWebhook { is_asked: false, ..before.clone().unwrap_or_else(|| stopped.clone()) };
            note_down(&mut transaction, webhook, &note).await?;
            transaction.commit().await?;
            Ok(before.is_none())
        })
        .await
    }

    /// Asks to try a stopped webhook again, and makes due what waits first for it; false where it is not stopped. It counts
    /// as stopped until something is delivered.
    pub async fn try_webhook(&self, webhook: &str, now_ms: i64) -> Result<bool, StoreError> {
        without_nul("a webhook's name", webhook)?;
        self.bounded("asking to try a stopped webhook", async {
            let mut transaction = self.begin().await?;
            let Some(before) = noted(&mut transaction, webhook).await? else { return Ok(false) };
            note_down(&mut transaction, webhook, &StoppedWebhook { is_asked: true, ..before }).await?;
            sqlx::query(
                "UPDATE outbox SET due_ms = $2 WHERE seq = \
                 (SELECT MIN(seq) FROM outbox WHERE webhook = $1 AND delivered_ms IS NULL AND refused_ms IS NULL)",
            )
            .bind(webhook)
            .bind(now_ms)
            .execute(&mut *transaction)
            .await?;
            transaction.commit().await?;
            Ok(true)
        })
        .await
    }

    /// Notes that a webhook takes messages; false where it was not stopped.
    pub async fn start_webhook(&self, webhook: &str) -> Result<bool, StoreError> {
        without_nul("a webhook's name", webhook)?;
        self.bounded("noting a started webhook", async {
            let removed = sqlx::query("DELETE FROM memos WHERE name = $1")
                .bind(format!("{STOPPED}{webhook}"))
                .execute(&self.writers)
                .await?
                .rows_affected();
            Ok(removed > 0)
        })
        .await
    }

    /// The stopped webhooks by name. A note of another version says no more than that it is stopped.
    pub async fn stopped_webhooks(&self) -> Result<BTreeMap<String, StoppedWebhook>, StoreError> {
        self.bounded("reading which webhooks are stopped", async {
            let rows = sqlx::query("SELECT name, value FROM memos WHERE substr(name, 1, 16) = $1")
                .bind(STOPPED)
                .fetch_all(&self.readers)
                .await?;
            let mut stopped = BTreeMap::new();
            for row in rows {
                let (name, value): (String, String) = (row.try_get(0)?, row.try_get(1)?);
                let webhook = name.strip_prefix(STOPPED).unwrap_or(&name).to_owned();
                stopped.insert(webhook, serde_json::from_str(&value).unwrap_or_default());
            }
            Ok(stopped)
        })
        .await
    }

    /// Puts a message that was delivered, or refused by its receiver, at the end of its queue again, under its id, as if it
    /// had just been written. False: there is no such message, or it waits.
    pub async fn deliver_again(&self, webhook: &str, id: &str, now_ms: i64) -> Result<bool, StoreError> {
        without_nul("a webhook's name", webhook)?;
        without_nul("a message's id", id)?;
        self.bounded("putting a message into its queue again", async {
            let mut transaction = self.begin().await?;
            let seq = next_number(&mut transaction, "outbox").await?;
            let written = sqlx::query(
                "UPDATE outbox SET seq = $4, created_ms = $3, due_ms = $3, tries = 0, last_try_ms = NULL, \
                 last_error = NULL, delivered_ms = NULL, refused_ms = NULL, refusals = 0 \
                 WHERE webhook = $1 AND id = $2 AND (delivered_ms IS NOT NULL OR refused_ms IS NOT NULL)",
            )
            .bind(webhook)
            .bind(id)
            .bind(now_ms)
            .bind(seq)
            .execute(&mut *transaction)
            .await?
            .rows_affected();
            if written == 0 {
                transaction.rollback().await?;
                return Ok(false);
            }
            transaction.commit().await?;
            Ok(true)
        })
        .await
    }

    /// The webhooks that have a message of this id in the outbox, delivered or not.
    pub async fn webhooks_of(&self, id: &str) -> Result<Vec<String>, StoreError> {
        without_nul("a message's id", id)?;
        self.bounded("reading the outbox", async {
            sqlx::query("SELECT webhook FROM outbox WHERE id = $1 ORDER BY seq")
                .bind(id)
                .fetch_all(&self.readers)
                .await?
                .iter()
                .map(|row| row.try_get(0))
                .collect()
        })
        .await
    }

    /// Messages in the order in which they wait, at most `limit`: undelivered ones, or `all`, the newest of those; of one
    /// webhook where it is given.
    pub async fn deliveries_of(
        &self,
        webhook: Option<&str>,
        all: bool,
        limit: i64,
    ) -> Result<Vec<Delivery>, StoreError> {
        without_nul("a webhook's name", webhook.unwrap_or_default())?;
        let text = match all {
            true => "SELECT * FROM outbox WHERE (CAST($1 AS TEXT) IS NULL OR webhook = $1) ORDER BY seq DESC LIMIT $2",
            false => {
                "SELECT * FROM outbox WHERE (CAST($1 AS TEXT) IS NULL OR webhook = $1) AND delivered_ms IS NULL \
                 AND refused_ms IS NULL ORDER BY seq LIMIT $2"
            }
        };
        self.bounded("reading the outbox", async {
            let rows = sqlx::query(text).bind(webhook).bind(limit.max(0)).fetch_all(&self.readers).await?;
            let mut found: Vec<Delivery> = rows.iter().map(delivery_from).collect::<Result<_, _>>()?;
            found.sort_by_key(|delivery| delivery.seq);
            Ok(found)
        })
        .await
    }

    /// Asks a running daemon to look at its queues and its stopped webhooks now.
    pub async fn ask_deliveries(&self) -> Result<(), StoreError> {
        self.bounded("asking for deliveries", async {
            sqlx::query(
                "INSERT INTO memos (name, value) VALUES ($1, '1') ON CONFLICT (name) \
                 DO UPDATE SET value = CAST(CAST(memos.value AS BIGINT) + 1 AS TEXT)",
            )
            .bind(ASKED)
            .execute(&self.writers)
            .await?;
            Ok(())
        })
        .await
    }

    /// How often [`Store::ask_deliveries`] was called.
    pub async fn deliveries_asked(&self) -> Result<i64, StoreError> {
        Ok(self.memo(ASKED).await?.and_then(|count| count.parse().ok()).unwrap_or(0))
    }
}

/// What is noted of a webhook, under the write lock.
async fn noted(transaction: &mut AnyConnection, webhook: &str) -> Result<Option<StoppedWebhook>, sqlx::Error> {
    let row = sqlx::query("SELECT value FROM memos WHERE name = $1")
        .bind(format!("{STOPPED}{webhook}"))
        .fetch_optional(transaction)
        .await?;
    let value: Option<String> = row.map(|row| row.try_get(0)).transpose()?;
    Ok(value.map(|value| serde_json::from_str(&value).unwrap_or_default()))
}

async fn note_down(
    transaction: &mut AnyConnection,
    webhook: &str,
    stopped: &StoppedWebhook,
) -> Result<(), sqlx::Error> {
    let StoppedWebhook { at_ms, address, message, is_asked } = stopped;
    let note = json!({"at_ms": at_ms, "address": address, "message": message, "is_asked": is_asked}).to_string();
    write_memo(transaction, &format!("{STOPPED}{webhook}"), Some(&note)).await
}
