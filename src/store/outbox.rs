//! The delivery side of the outbox: which message a webhook is to be sent next, and what became of each try.
//! Strictly in order: while a webhook's oldest message is undelivered, none behind it is due. It never sends.

use std::collections::BTreeMap;

use sqlx::Row;
use sqlx::any::AnyRow;

use super::{Store, StoreError, without_nul};

/// Delivered messages that one statement removes at most.
const PRUNED_AT_ONCE: i64 = 500;

/// The message at the head of a webhook's queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// The webhook's name in the configuration.
    pub webhook: String,
    /// The `webhook-id`, the same at every try.
    pub id: String,
    /// The media type that the body is sent with.
    pub content_type: String,
    /// What is signed and sent, byte for byte.
    pub body: String,
    /// Header lines that it is sent with beside those of every message, by name.
    pub headers: BTreeMap<String, String>,
    /// The word for the kind of body.
    pub form: String,
    /// Tries made so far, none of which delivered it.
    pub tries: i64,
}

/// What became of a try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Try {
    /// The receiver took it.
    Delivered,
    /// The message still waits.
    Failed {
        /// Why, for people: no secret may be in it.
        error: String,
        /// When to try again, in milliseconds since 1970.
        next_due_ms: i64,
    },
    /// The receiver says that it will never take this message.
    Refused {
        /// What it said, for people: no secret may be in it.
        error: String,
        /// When to try again, in milliseconds since 1970.
        next_due_ms: i64,
    },
}

/// What the record of a try outlives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lasting {
    /// A power cut: it is on the disk, and so is every record made before it.
    PowerCut,
    /// The end of this process however it comes. A power cut may take it back until something that waits for the disk
    /// is written; then the message is delivered once more, under the same id.
    Kill,
}

/// A message of the outbox, without its body.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delivery {
    /// Counts upwards in the order written.
    pub seq: i64,
    /// The webhook's name in the configuration.
    pub webhook: String,
    /// The `webhook-id`, the same at every try.
    pub id: String,
    /// The media type that the body is sent with.
    pub content_type: String,
    /// When it was written, or asked for again, in milliseconds since 1970.
    pub created_ms: i64,
    /// When the next try is due; means nothing once delivered.
    pub due_ms: i64,
    /// Tries made, the one that delivered it among them.
    pub tries: i64,
    /// When the last try ended; `None` before the first.
    pub last_try_ms: Option<i64>,
    /// Why the last try failed; fit to be shown.
    pub last_error: Option<String>,
    /// When the receiver took it; `None` while it waits.
    pub delivered_ms: Option<i64>,
    /// When it was set aside because the receiver will not take it.
    pub refused_ms: Option<i64>,
    /// The word for the kind of body.
    pub form: String,
    /// The id of the message whose shortest body this is.
    pub stands_for: Option<String>,
}

/// What waits for one webhook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Queue {
    /// The webhook's name in the configuration.
    pub webhook: String,
    /// How many messages wait; at least one.
    pub waiting: i64,
    /// When the oldest waiting message was written.
    pub oldest_ms: i64,
}

impl Store {
    /// The oldest undelivered messages of a webhook up to the first whose time has not come, at most `most`: to be
    /// delivered in this order, none before the one ahead of it is delivered. A last try that lies in the future means
    /// that the clock was set back: then a message is due at once.
    pub async fn due(&self, webhook: &str, now_ms: i64, most: i64) -> Result<Vec<Waiting>, StoreError> {
        self.bounded("reading the outbox", async {
            let rows = sqlx::query(
                "SELECT webhook, id, content_type, body, headers, form, due_ms, tries, last_try_ms FROM outbox \
                 WHERE webhook = $1 AND delivered_ms IS NULL AND refused_ms IS NULL ORDER BY seq LIMIT $2",
            )
            .bind(webhook)
            .bind(most)
            .fetch_all(&self.readers)
            .await?;
            let mut due = Vec::with_capacity(rows.len());
            for row in &rows {
                if due_from(row, now_ms)? > now_ms {
                    break;
                }
                due.push(waiting_from(row)?);
            }
            Ok(due)
        })
        .await
    }

    /// When the head of a webhook's queue is due, by a clock that shows `now_ms`; `None` where nothing waits.
    pub async fn next_due_at(&self, webhook: &str, now_ms: i64) -> Result<Option<i64>, StoreError> {
        self.bounded("reading the outbox", async {
            sqlx::query(
                "SELECT tries, due_ms, last_try_ms FROM outbox \
                 WHERE webhook = $1 AND delivered_ms IS NULL AND refused_ms IS NULL ORDER BY seq LIMIT 1",
            )
            .bind(webhook)
            .fetch_optional(&self.readers)
            .await?
            .map(|row| due_from(&row, now_ms))
            .transpose()
        })
        .await
    }

    /// Records a try of a message that is not yet delivered. False: there is no such message (any more).
    pub async fn record_try(
        &self,
        webhook: &str,
        id: &str,
        now_ms: i64,
        outcome: &Try,
        lasting: Lasting,
    ) -> Result<bool, StoreError> {
        let connections = match lasting {
            Lasting::PowerCut => &self.writers,
            Lasting::Kill => &self.quick,
        };
        let (error, due, delivered, refusals) = match outcome {
            Try::Delivered => (None, None, Some(now_ms), 0),
            Try::Failed { error, next_due_ms } => (Some(error.as_str()), Some(*next_due_ms), None, 0),
            Try::Refused { error, next_due_ms } => (Some(error.as_str()), Some(*next_due_ms), None, 1),
        };
        without_nul("a delivery's error", error.unwrap_or_default())?;
        self.bounded("recording a delivery", async {
            let written = sqlx::query(
                "UPDATE outbox SET tries = tries + 1, last_try_ms = $3, last_error = $4, \
                 due_ms = COALESCE($5, due_ms), delivered_ms = $6, refusals = refusals + $7, \
                 ended = CASE WHEN CAST($6 AS BIGINT) IS NULL THEN ended ELSE '[]' END \
                 WHERE webhook = $1 AND id = $2 AND delivered_ms IS NULL AND refused_ms IS NULL",
            )
            .bind(webhook)
            .bind(id)
            .bind(now_ms)
            .bind(error)
            .bind(due)
            .bind(delivered)
            .bind(refusals)
            .execute(connections)
            .await?
            .rows_affected();
            Ok(written > 0)
        })
        .await
    }

    /// Makes an undelivered message due now ("send again"). It still waits for those before it. False: no such message.
    pub async fn send_again(&self, webhook: &str, id: &str, now_ms: i64) -> Result<bool, StoreError> {
        without_nul("a webhook's name", webhook)?;
        without_nul("a message's id", id)?;
        self.bounded("making a message due", async {
            let written = sqlx::query(
                "UPDATE outbox SET due_ms = $3 \
                 WHERE webhook = $1 AND id = $2 AND delivered_ms IS NULL AND refused_ms IS NULL",
            )
            .bind(webhook)
            .bind(id)
            .bind(now_ms)
            .execute(&self.writers)
            .await?
            .rows_affected();
            Ok(written > 0)
        })
        .await
    }

    /// The body of a message that is still in the outbox.
    pub async fn message_body(&self, webhook: &str, id: &str) -> Result<Option<String>, StoreError> {
        without_nul("a webhook's name", webhook)?;
        without_nul("a message's id", id)?;
        self.bounded("reading the outbox", async {
            sqlx::query("SELECT body FROM outbox WHERE webhook = $1 AND id = $2")
                .bind(webhook)
                .bind(id)
                .fetch_optional(&self.readers)
                .await?
                .map(|row| row.try_get(0))
                .transpose()
        })
        .await
    }

    /// Every webhook for which something waits, by name. Webhooks with an empty queue are not in it.
    pub async fn queues(&self) -> Result<Vec<Queue>, StoreError> {
        self.bounded("counting the outbox", async {
            let mut queues: Vec<Queue> = sqlx::query(
                "SELECT webhook, COUNT(*), MIN(created_ms) FROM outbox \
                 WHERE delivered_ms IS NULL AND refused_ms IS NULL GROUP BY webhook",
            )
            .fetch_all(&self.readers)
            .await?
            .iter()
            .map(queue_from)
            .collect::<Result<_, _>>()?;
            // Sorted here, because the databases sort texts by rules of their own.
            queues.sort_by(|one, other| one.webhook.cmp(&other.webhook));
            Ok(queues)
        })
        .await
    }

    /// When something was last delivered to a webhook, in milliseconds since 1970, as far as that is still kept.
    pub async fn last_delivered(&self, webhook: &str) -> Result<Option<i64>, StoreError> {
        self.bounded("reading the outbox", async {
            let last =
                sqlx::query("SELECT MAX(delivered_ms) FROM outbox WHERE webhook = $1 AND delivered_ms IS NOT NULL");
            last.bind(webhook).fetch_one(&self.readers).await?.try_get(0)
        })
        .await
    }

    /// What waits for one webhook; `None` where nothing does.
    pub async fn queue(&self, webhook: &str) -> Result<Option<Queue>, StoreError> {
        self.bounded("counting the outbox", async {
            sqlx::query(
                "SELECT webhook, COUNT(*), MIN(created_ms) FROM outbox \
                 WHERE webhook = $1 AND delivered_ms IS NULL AND refused_ms IS NULL GROUP BY webhook",
            )
            .bind(webhook)
            .fetch_optional(&self.readers)
            .await?
            .map(|row| queue_from(&row))
            .transpose()
        })
        .await
    }

    /// Removes some messages that were delivered, or set aside, before `before_ms` and says how many; call it now and then.
    /// An id removed may be written again, so keep them longer than any cause can come back.
    pub async fn prune_delivered(&self, before_ms: i64) -> Result<u64, StoreError> {
        self.bounded("clearing the outbox", async {
            let removed = sqlx::query(
                "DELETE FROM outbox WHERE seq IN \
                 (SELECT seq FROM outbox WHERE delivered_ms < $1 ORDER BY delivered_ms LIMIT $2) \
                 OR seq IN (SELECT seq FROM outbox WHERE refused_ms < $1 ORDER BY seq LIMIT $2)",
            )
            .bind(before_ms)
            .bind(PRUNED_AT_ONCE)
            .execute(&self.writers)
            .await?
            .rows_affected();
            Ok(removed)
        })
        .await
    }
}

fn due_from(row: &AnyRow, now_ms: i64) -> Result<i64, sqlx::Error> {
    let tries: i64 = row.try_get("tries")?;
    let due: i64 = row.try_get("due_ms")?;
    let last_try: Option<i64> = row.try_get("last_try_ms")?;
    let clock_set_back = last_try.is_some_and(|at| at > now_ms);
    Ok(if tries == 0 || clock_set_back { due.min(now_ms) } else { due })
}

fn waiting_from(row: &AnyRow) -> Result<Waiting, sqlx::Error> {
    Ok(Waiting {
        webhook: row.try_get("webhook")?,
        id: row.try_get("id")?,
        content_type: row.try_get("content_type")?,
        body: row.try_get("body")?,
        headers: serde_json::from_str(row.try_get::<&str, _>("headers")?).unwrap_or_default(),
        form: row.try_get("form")?,
        tries: row.try_get("tries")?,
    })
}

pub(super) fn delivery_from(row: &AnyRow) -> Result<Delivery, sqlx::Error> {
    Ok(Delivery {
        seq: row.try_get("seq")?,
        webhook: row.try_get("webhook")?,
        id: row.try_get("id")?,
        content_type: row.try_get("content_type")?,
        created_ms: row.try_get("created_ms")?,
        due_ms: row.try_get("due_ms")?,
        tries: row.try_get("tries")?,
        last_try_ms: row.try_get("last_try_ms")?,
        last_error: row.try_get("last_error")?,
        delivered_ms: row.try_get("delivered_ms")?,
        refused_ms: row.try_get("refused_ms")?,
        form: row.try_get("form")?,
        stands_for: row.try_get("stands_for")?,
    })
}

fn queue_from(row: &AnyRow) -> Result<Queue, sqlx::Error> {
    Ok(Queue { webhook: row.try_get(0)?, waiting: row.try_get(1)?, oldest_ms: row.try_get(2)? })
}
