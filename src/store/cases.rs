//! What a pass leaves behind: its cases, and the messages that tell of them; and small memos of the store's own.
//! A pass's are written together or not at all. It never decides what is told, and never looks into a case.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;
use sqlx::{Any, AnyConnection, AssertSqlSafe, Row, Transaction};

use super::{NAMES_AT_ONCE, ROWS_AT_ONCE, Store, StoreError, next_number, parameters, tuples, without_nul};

/// A message for one webhook. `id` is made from its cause and is what the receiver sees on every try.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct NewMessage {
    /// Letters, digits and hyphens. Two messages of one id for one webhook are one message.
    pub id: String,
    /// The webhook's name in the configuration.
    pub webhook: String,
    /// The media type that the body is sent with.
    pub content_type: String,
    /// What is signed and sent, byte for byte.
    pub body: String,
    /// When it was written, in milliseconds since 1970.
    pub created_ms: i64,
    /// Header lines that it is sent with beside those of every message, by name.
    pub headers: BTreeMap<String, String>,
    /// The word for the kind of body.
    pub form: String,
    /// The shortest body, sent in its place where the receiver will not take it.
    pub brief: Option<String>,
    /// The id under which that is sent.
    pub brief_id: String,
    /// The keys of cases that it says are over.
    pub ended: Vec<String>,
    /// Whether it only says how another webhook fares: [`Store::refused_after`] leaves it out, or two receivers that refuse
    /// would be told of each other's refusals for ever.
    pub is_about_webhooks: bool,
    /// What it says first, and the word for how urgent that is: told elsewhere where its receiver will not take it.
    pub title: String,
    /// See there.
    pub severity: String,
}

/// All that one pass writes; messages keep their order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PassWrites {
    /// Cases by their keys, each as JSON; `None` is removed.
    pub cases: BTreeMap<String, Option<String>>,
    /// To be delivered in this order, webhook by webhook.
    pub messages: Vec<NewMessage>,
    /// Webhooks that get a list anew: what waits for them of earlier lists goes.
    pub replaced: BTreeSet<String>,
}

impl PassWrites {
    /// Nothing to write.
    pub fn is_empty(&self) -> bool {
        let Self { cases, messages, replaced } = self;
        cases.is_empty() && messages.is_empty() && replaced.is_empty()
    }

    fn check(&self) -> Result<(), StoreError> {
        for (key, case) in &self.cases {
            without_nul("a case's key", key)?;
            without_nul("a case", case.as_deref().unwrap_or_default())?;
        }
        for message in &self.messages {
            without_nul("a message's id", &message.id)?;
            without_nul("a webhook's name", &message.webhook)?;
            without_nul("a message's content type", &message.content_type)?;
            without_nul("a message's body", &message.body)?;
            without_nul("a message's shortest body", message.brief.as_deref().unwrap_or_default())?;
            for text in message.ended.iter().chain(message.headers.values()).chain([&message.form, &message.brief_id]) {
                without_nul("what belongs to a message", text)?;
            }
        }
        Ok(())
    }
}

impl Store {
    /// How many decisions were written with [`Store::commit_pass`]: the turn at which the next is made.
    pub async fn turn(&self) -> Result<i64, StoreError> {
        Ok(self.memo(TURN).await?.and_then(|turn| turn.parse().ok()).unwrap_or(0))
    }

    /// Writes a pass's decision in one transaction and returns how many messages were new. A message whose (webhook, id)
    /// is in the outbox already is left as it is there. Where another decision was written since `turn`, at which this one
    /// was made, nothing is written and `None` comes back: another daemon on this ledger has sent its alerts.
    ///
    /// # Errors
    /// Where a text cannot be kept, or the database cannot be written; then nothing of the decision is.
    pub async fn commit_pass(&self, decision: &PassWrites, turn: i64) -> Result<Option<usize>, StoreError> {
        decision.check()?;
        self.bounded("writing what a pass decided", async {
            let mut transaction = self.begin().await?;
            if !take_turn(&mut transaction, turn).await? {
                transaction.rollback().await?;
                return Ok(None);
            }
            let new = write_decision(&mut transaction, decision).await?;
            transaction.commit().await?;
            Ok(Some(new))
        })
        .await
    }

    /// Every case as JSON, by its key.
    pub async fn cases(&self) -> Result<BTreeMap<String, String>, StoreError> {
        self.bounded("reading what was told", async {
            let rows = sqlx::query("SELECT key, body FROM cases").fetch_all(&self.readers).await?;
            rows.iter().map(|row| Ok((row.try_get(0)?, row.try_get(1)?))).collect()
        })
        .await
    }

    /// The memo of that name.
    pub async fn memo(&self, name: &str) -> Result<Option<String>, StoreError> {
        without_nul("a memo's name", name)?;
        self.bounded("reading a memo", async {
            sqlx::query("SELECT value FROM memos WHERE name = $1")
                .bind(name)
                .fetch_optional(&self.readers)
                .await?
                .map(|row| row.try_get(0))
                .transpose()
        })
        .await
    }

    /// Sets a memo, or removes it.
    pub async fn set_memo(&self, name: &str, value: Option<&str>) -> Result<(), StoreError> {
        without_nul("a memo's name", name)?;
        without_nul("a memo", value.unwrap_or_default())?;
        self.bounded("writing a memo", async {
            let mut connection = self.writers.acquire().await?;
            write_memo(&mut connection, name, value).await
        })
        .await
    }
}

/// The memo that counts decisions.
const TURN: &str = "store.turn";

/// Counts one on from `turn`; false where the count stands elsewhere.
async fn take_turn(transaction: &mut Transaction<'static, Any>, turn: i64) -> Result<bool, sqlx::Error> {
    let next = turn.saturating_add(1).to_string();
    let text = if turn == 0 {
        "INSERT INTO memos (name, value) VALUES ($1, $2) ON CONFLICT (name) DO NOTHING"
    } else {
        "UPDATE memos SET value = $2 WHERE name = $1 AND value = $3"
    };
    let mut query = sqlx::query(text).bind(TURN).bind(next);
    if turn != 0 {
        query = query.bind(turn.to_string());
    }
    Ok(query.execute(&mut **transaction).await?.rows_affected() == 1)
}

async fn write_decision(
    transaction: &mut Transaction<'static, Any>,
    decision: &PassWrites,
) -> Result<usize, sqlx::Error> {
    let (kept, gone): (Vec<_>, Vec<_>) = decision.cases.iter().partition(|(_, case)| case.is_some());
    for some in gone.chunks(NAMES_AT_ONCE) {
        let text = format!("DELETE FROM cases WHERE key IN ({})", parameters(1, some.len()));
        let query = some.iter().fold(sqlx::query(AssertSqlSafe(text)), |query, (key, _)| query.bind(key.as_str()));
        query.execute(&mut **transaction).await?;
    }
    for some in kept.chunks(ROWS_AT_ONCE) {
        let text = format!(
            "INSERT INTO cases (key, body) VALUES {} ON CONFLICT (key) DO UPDATE SET body = excluded.body",
            tuples(transaction, some.len(), 2)
        );
        let rows = some.iter().fold(sqlx::query(AssertSqlSafe(text)), |query, (key, case)| {
            query.bind(key.as_str()).bind(case.as_deref())
        });
        rows.execute(&mut **transaction).await?;
    }
    for webhook in &decision.replaced {
        sqlx::query(
            "DELETE FROM outbox WHERE webhook = $1 AND substr(id, 1, 5) = 'list-' AND delivered_ms IS NULL \
             AND refused_ms IS NULL",
        )
        .bind(webhook.as_str())
        .execute(&mut **transaction)
        .await?;
    }
    add_messages(transaction, &decision.messages).await
}

pub(super) async fn write_memo(
    connection: &mut AnyConnection,
    name: &str,
    value: Option<&str>,
) -> Result<(), sqlx::Error> {
    let query = match value {
        None => sqlx::query("DELETE FROM memos WHERE name = $1").bind(name),
        Some(value) => sqlx::query(
            "INSERT INTO memos (name, value) VALUES ($1, $2) \
             ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        )
        .bind(name)
        .bind(value),
    };
    query.execute(connection).await?;
    Ok(())
}

async fn add_messages(
    transaction: &mut Transaction<'static, Any>,
    messages: &[NewMessage],
) -> Result<usize, sqlx::Error> {
    let mut new = 0;
    for message in messages {
        let seq = next_number(transaction, "outbox").await?;
        let written = sqlx::query(
            "INSERT INTO outbox (seq, webhook, id, content_type, body, created_ms, due_ms, tries, headers, form, brief, \
             brief_id, ended, about_webhooks, title, severity) \
             VALUES ($1, $2, $3, $4, $5, $6, $6, 0, $7, $8, $9, $10, $11, $12, $13, $14) \
             ON CONFLICT (webhook, id) DO NOTHING",
        )
        .bind(seq)
        .bind(message.webhook.as_str())
        .bind(message.id.as_str())
        .bind(message.content_type.as_str())
        .bind(message.body.as_str())
        .bind(message.created_ms)
        .bind(json!(message.headers).to_string())
        .bind(message.form.as_str())
        .bind(message.brief.as_deref())
        .bind(message.brief_id.as_str())
        .bind(json!(message.ended).to_string())
        .bind(i64::from(message.is_about_webhooks))
        .bind(message.title.as_str())
        .bind(message.severity.as_str())
        .execute(&mut **transaction)
        .await?
        .rows_affected();
        new += usize::from(written > 0);
    }
    Ok(new)
}
