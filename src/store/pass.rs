//! What a pass leaves behind: what was told of each station, small memos, and the messages that tell it.
//! It writes them together or not at all, and never decides what is told.

use std::collections::BTreeMap;

use sqlx::{Any, AnyConnection, AssertSqlSafe, Row, Transaction};

use super::{ROWS_AT_ONCE, Store, StoreError, tuples, without_nul};

/// What was last told of a station and is known of it; `body` is JSON.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    pub station: String,
    pub body: String,
    pub at_ms: i64,
}

/// A message for one webhook. `id` is made from its cause and is what the receiver sees on every try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewMessage {
    pub id: String,
    pub webhook: String,
    pub content_type: String,
    pub body: String,
    pub created_ms: i64,
}

/// All that one pass writes. Removals come before upserts; a memo of `None` is removed; messages keep their order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PassWrites {
    pub told_upserts: Vec<Told>,
    pub told_removals: Vec<String>,
    pub memo_sets: Vec<(String, Option<String>)>,
    pub messages: Vec<NewMessage>,
}

impl PassWrites {
    /// Nothing to write.
    pub fn is_empty(&self) -> bool {
        let Self { told_upserts, told_removals, memo_sets, messages } = self;
        told_upserts.is_empty() && told_removals.is_empty() && memo_sets.is_empty() && messages.is_empty()
    }

    fn check(&self) -> Result<(), StoreError> {
        for told in &self.told_upserts {
            without_nul("a station's name", &told.station)?;
            without_nul("what was told", &told.body)?;
        }
        for station in &self.told_removals {
            without_nul("a station's name", station)?;
        }
        for (name, value) in &self.memo_sets {
            without_nul("a memo's name", name)?;
            without_nul("a memo", value.as_deref().unwrap_or_default())?;
        }
        for message in &self.messages {
            without_nul("a message's id", &message.id)?;
            without_nul("a webhook's name", &message.webhook)?;
            without_nul("a message's content type", &message.content_type)?;
            without_nul("a message's body", &message.body)?;
        }
        Ok(())
    }
}

impl Store {
    /// Writes a pass's decision in one transaction and returns how many messages were new. A message whose
    /// (webhook, id) is in the outbox already is left as it stands there.
    pub async fn commit_pass(&self, decision: &PassWrites) -> Result<usize, StoreError> {
        decision.check()?;
        if decision.is_empty() {
            return Ok(0);
        }
        self.bounded("writing what a pass decided", async {
            let mut transaction = self.begin().await?;
            let new = write_decision(&mut transaction, decision).await?;
            transaction.commit().await?;
            Ok(new)
        })
        .await
    }

    /// How many decisions were written with [`Store::commit_pass_at`].
    pub async fn turn(&self) -> Result<i64, StoreError> {
        Ok(self.memo(TURN).await?.and_then(|turn| turn.parse().ok()).unwrap_or(0))
    }

    /// The same as [`Store::commit_pass`], but only where no other decision was written since the turn that this one
    /// was made at; else nothing is written, and `None` comes back: somebody else told meanwhile.
    pub async fn commit_pass_at(&self, decision: &PassWrites, turn: i64) -> Result<Option<usize>, StoreError> {
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

    /// What was told of every station, by station.
    pub async fn told(&self) -> Result<BTreeMap<String, Told>, StoreError> {
        self.bounded("reading what was told", async {
            let mut all = BTreeMap::new();
            for row in sqlx::query("SELECT station, body, at_ms FROM told").fetch_all(&self.readers).await? {
                let station: String = row.try_get(0)?;
                let told = Told { station: station.clone(), body: row.try_get(1)?, at_ms: row.try_get(2)? };
                all.insert(station, told);
            }
            Ok(all)
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
    for station in &decision.told_removals {
        sqlx::query("DELETE FROM told WHERE station = $1").bind(station.as_str()).execute(&mut **transaction).await?;
    }
    upsert_told(transaction, &decision.told_upserts).await?;
    for (name, value) in &decision.memo_sets {
        write_memo(transaction, name, value.as_deref()).await?;
    }
    add_messages(transaction, &decision.messages).await
}

async fn upsert_told(transaction: &mut Transaction<'static, Any>, told: &[Told]) -> Result<(), sqlx::Error> {
    // One statement may not touch a row twice (PostgreSQL); the last of a station wins.
    let by_station: BTreeMap<&str, &Told> = told.iter().map(|told| (told.station.as_str(), told)).collect();
    let rows: Vec<&Told> = by_station.into_values().collect();
    for some in rows.chunks(ROWS_AT_ONCE) {
        let text = format!(
            "INSERT INTO told (station, body, at_ms) VALUES {} ON CONFLICT (station) \
             DO UPDATE SET body = excluded.body, at_ms = excluded.at_ms",
            tuples(some.len(), 3)
        );
        let mut query = sqlx::query(AssertSqlSafe(text));
        for told in some {
            query = query.bind(told.station.as_str()).bind(told.body.as_str()).bind(told.at_ms);
        }
        query.execute(&mut **transaction).await?;
    }
    Ok(())
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
        let seq: i64 = sqlx::query("UPDATE counters SET value = value + 1 WHERE name = 'outbox' RETURNING value")
            .fetch_one(&mut **transaction)
            .await?
            .try_get(0)?;
        let written = sqlx::query(
            "INSERT INTO outbox (seq, webhook, id, content_type, body, created_ms, due_ms, tries) \
             VALUES ($1, $2, $3, $4, $5, $6, $6, 0) ON CONFLICT (webhook, id) DO NOTHING",
        )
        .bind(seq)
        .bind(message.webhook.as_str())
        .bind(message.id.as_str())
        .bind(message.content_type.as_str())
        .bind(message.body.as_str())
        .bind(message.created_ms)
        .execute(&mut **transaction)
        .await?
        .rows_affected();
        new += usize::from(written > 0);
    }
    Ok(new)
}
