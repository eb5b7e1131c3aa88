//! Messages that their receivers will not take: set aside, so that what is behind them goes on, with their shortest bodies in
//! their place. It never decides which answers mean that.

use sqlx::Row;
use sqlx::any::AnyRow;

use super::{Store, StoreError, next_number, without_nul};

/// So often a receiver must say that it will not take a message before it is set aside.
const MOST_REFUSALS: i64 = 3;

/// What a refusal led to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// There is no such message (any more).
    Nothing,
    /// It is tried again.
    Waits,
    /// It is set aside, and its shortest body has its place.
    SetAside,
    /// It is set aside, and nothing goes in its place: it was the shortest body, or has none.
    Closed,
}

/// A message that was set aside because its receiver will not take it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedMessage {
    /// Counts upwards in the order set aside.
    pub seq: i64,
    /// The webhook's name in the configuration.
    pub webhook: String,
    /// The `webhook-id` that it was sent under.
    pub id: String,
    /// What the receiver said; fit to be shown.
    pub said: String,
    /// When it was set aside, in milliseconds since 1970.
    pub at_ms: i64,
    /// Whether nothing went in its place.
    pub is_closed: bool,
    /// The keys of the cases that it says are over, where nothing went in its place.
    pub ended: Vec<String>,
    /// What it says first, and the word for how urgent that is.
    pub title: String,
    /// See there.
    pub severity: String,
}

/// A webhook whose receiver has taken no whole message since it refused one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusingWebhook {
    /// The webhook's name in the configuration.
    pub webhook: String,
    /// When the first was set aside, in milliseconds since 1970.
    pub since_ms: i64,
    /// Whether nothing went in the place of one.
    pub is_closed: bool,
}

/// What a webhook's receiver has not heard because it took neither messages nor their shortest bodies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unheard {
    /// The webhook's name in the configuration.
    pub webhook: String,
    /// When the first of them was written.
    pub oldest_ms: i64,
}

impl Store {
    /// Looks whether a message was refused as often as is enough, and sets it aside then: its shortest body takes its place in
    /// the queue under a new id.
    pub async fn set_aside(&self, webhook: &str, id: &str, now_ms: i64) -> Result<Refusal, StoreError> {
        without_nul("a webhook's name", webhook)?;
        without_nul("a message's id", id)?;
        self.bounded("setting a refused message aside", async {
            let mut transaction = self.begin().await?;
            let found = sqlx::query(
                "SELECT seq, refusals, brief, stands_for FROM outbox \
                 WHERE webhook = $1 AND id = $2 AND delivered_ms IS NULL AND refused_ms IS NULL",
            );
            let found = found.bind(webhook).bind(id).fetch_optional(&mut *transaction).await?;
            let Some(row) = found else { return Ok(Refusal::Nothing) };
            if row.try_get::<i64, _>("refusals")? < MOST_REFUSALS {
                return Ok(Refusal::Waits);
            }
            let seq: i64 = row.try_get("seq")?;
            let has_brief = row.try_get::<Option<String>, _>("brief")?.is_some();
            let is_short = row.try_get::<Option<String>, _>("stands_for")?.is_some();
            let last = next_number(&mut transaction, "outbox").await?;
            sqlx::query("UPDATE outbox SET seq = $2, refused_ms = $3 WHERE seq = $1")
                .bind(seq)
                .bind(last)
                .bind(now_ms)
                .execute(&mut *transaction)
                .await?;
            if has_brief && !is_short {
                sqlx::query(
                    "INSERT INTO outbox (seq, webhook, id, content_type, body, created_ms, due_ms, tries, headers, form, \
                     ended, stands_for, brief_id, about_webhooks, title, severity) SELECT $1, webhook, brief_id, content_type, brief, \
                     created_ms, $2, 0, headers, form, ended, id, '', about_webhooks, title, severity FROM outbox WHERE seq = $3 ON CONFLICT (webhook, id) DO NOTHING",
                )
                .bind(seq)
                .bind(now_ms)
                .bind(last)
                .execute(&mut *transaction)
                .await?;
            }
            transaction.commit().await?;
            Ok(if has_brief && !is_short { Refusal::SetAside } else { Refusal::Closed })
        })
        .await
    }

    /// Messages that were set aside after the one of that number, the first first, at most so many; those that only say how
    /// another webhook fares are left out.
    pub async fn refused_after(&self, seq: i64, most: i64) -> Result<Vec<RefusedMessage>, StoreError> {
        self.bounded("reading which messages were refused", async {
            let found = sqlx::query(
                "SELECT seq, webhook, id, last_error, refused_ms, brief, stands_for, ended, title, severity FROM outbox \
                 WHERE refused_ms IS NOT NULL AND about_webhooks = 0 AND seq > $1 ORDER BY seq LIMIT $2",
            );
            found.bind(seq).bind(most).fetch_all(&self.readers).await?.iter().map(refused_from).collect()
        })
        .await
    }

    /// How many messages of each webhook are kept that its receiver would not take.
    pub async fn refused_count(&self) -> Result<Vec<(String, i64)>, StoreError> {
        self.bounded("counting refused messages", async {
            let found = "SELECT webhook, COUNT(*) FROM outbox WHERE refused_ms IS NOT NULL GROUP BY webhook";
            let rows = sqlx::query(found).fetch_all(&self.readers).await?;
            rows.iter().map(|row| Ok((row.try_get(0)?, row.try_get(1)?))).collect()
        })
        .await
    }

    /// The webhooks whose receivers refused messages since they last took a whole one; those that only say how another webhook
    /// fares do not count.
    pub async fn refusing(&self) -> Result<Vec<RefusingWebhook>, StoreError> {
        self.bounded("reading whose receivers refuse messages", async {
            let found = sqlx::query(
                "SELECT webhook, MIN(refused_ms), CAST(MAX(CASE WHEN stands_for IS NOT NULL OR brief IS NULL THEN 1 ELSE 0 END) \
                 AS BIGINT) FROM outbox refused WHERE refused_ms IS NOT NULL AND about_webhooks = 0 AND refused_ms > \
                 COALESCE((SELECT MAX(delivered_ms) FROM outbox taken WHERE taken.webhook = refused.webhook \
                 AND taken.delivered_ms IS NOT NULL AND taken.stands_for IS NULL), 0) GROUP BY webhook",
            );
            let rows = found.fetch_all(&self.readers).await?;
            let one = |row: &AnyRow| {
                let is_closed = row.try_get::<i64, _>(2)? > 0;
                Ok(RefusingWebhook { webhook: row.try_get(0)?, since_ms: row.try_get(1)?, is_closed })
            };
            rows.iter().map(one).collect()
        })
        .await
    }

    /// The webhooks that were closed messages for since they last took one.
    pub async fn unheard(&self) -> Result<Vec<Unheard>, StoreError> {
        self.bounded("reading which messages nobody heard", async {
            let found = sqlx::query(
                "SELECT webhook, MIN(created_ms) FROM outbox closed WHERE refused_ms IS NOT NULL \
                 AND (stands_for IS NOT NULL OR brief IS NULL) AND refused_ms > COALESCE((SELECT MAX(delivered_ms) \
                 FROM outbox taken WHERE taken.webhook = closed.webhook AND taken.delivered_ms IS NOT NULL), 0) \
                 GROUP BY webhook",
            );
            let rows = found.fetch_all(&self.readers).await?;
            rows.iter().map(|row| Ok(Unheard { webhook: row.try_get(0)?, oldest_ms: row.try_get(1)? })).collect()
        })
        .await
    }
}

fn refused_from(row: &AnyRow) -> Result<RefusedMessage, sqlx::Error> {
    let has_brief = row.try_get::<Option<String>, _>("brief")?.is_some();
    let is_short = row.try_get::<Option<String>, _>("stands_for")?.is_some();
    let is_closed = is_short || !has_brief;
    let ended: String = row.try_get("ended")?;
    Ok(RefusedMessage {
        seq: row.try_get("seq")?,
        webhook: row.try_get("webhook")?,
        id: row.try_get("id")?,
        said: row.try_get::<Option<String>, _>("last_error")?.unwrap_or_default(),
        at_ms: row.try_get("refused_ms")?,
        is_closed,
        ended: serde_json::from_str(&ended).ok().filter(|_| is_closed).unwrap_or_default(),
        title: row.try_get("title")?,
        severity: row.try_get("severity")?,
    })
}
