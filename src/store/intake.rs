//! What came in besides good reports: those rejected, kept with their reasons, and dropped files that were read.
//! It never decides what is rejected; a content is named by the hash its caller made of it.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::{
    Appended, NAMES_AT_ONCE, NewEntry, ROWS_AT_ONCE, Store, StoreError, next_number, parameters, tuples, without_nul,
};

/// A report, or a line of an export, to be kept as rejected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewRejected {
    /// SHA-256 of the text, in hexadecimal: a text is kept, and alerted about, once.
    pub content_sha: String,
    /// Of this rejection, made by the caller; unique.
    pub id: String,
    /// Where it came from, for people: a path.
    pub source: String,
    /// Its findings as JSON.
    pub reasons: String,
    /// The text as received: codes covered, cut where it is too long.
    pub body: String,
    /// The report's own id, as far as it can be read.
    pub report: Option<String>,
    /// The station that it names, as far as it can be read.
    pub station: Option<String>,
    /// Milliseconds since 1970.
    pub at_ms: i64,
}

/// A rejected report as kept, without its text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rejected {
    /// Counts upwards in the order of rejection.
    pub seq: i64,
    /// SHA-256 of the text, in hexadecimal.
    pub content_sha: String,
    /// Where it came from, for people.
    pub source: String,
    /// Its findings as JSON.
    pub reasons: String,
    /// The report's own id, as far as it can be read.
    pub report: Option<String>,
    /// The station that it names, as far as it can be read.
    pub station: Option<String>,
    /// The text, as far as it was kept.
    pub body: String,
    /// When it was rejected, in milliseconds since 1970.
    pub at_ms: i64,
}

/// Its columns.
const REJECTED: &str = "seq, content_sha, source, reasons, report, station, body, at_ms";

/// A dropped file that was read, with what came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DroppedOutcome {
    /// SHA-256 of the content, in hexadecimal: a renamed file is still the same.
    pub content_sha: String,
    /// Its file name when it was read.
    pub name: String,
    /// The caller's word for what came of it, such as `recorded`.
    pub outcome: String,
    /// Milliseconds since 1970.
    pub at_ms: i64,
}

impl Store {
    /// Keeps rejected reports in one commit. Of a content that was rejected before the first rejection stays as it is.
    pub async fn keep_rejected(&self, rejected: &[NewRejected]) -> Result<(), StoreError> {
        self.record(&[], rejected, &[]).await.map(drop)
    }

    /// Notes what came of dropped files, in one commit; a content noted before gets the new outcome.
    pub async fn set_dropped_outcomes(&self, dropped: &[DroppedOutcome]) -> Result<(), StoreError> {
        self.record(&[], &[], dropped).await.map(drop)
    }

    /// Records what came in, in one commit: entries of the ledger, rejected reports, what came of dropped files. False where one
    /// of the entries was on record already; then nothing is written.
    pub async fn record(
        &self,
        entries: &[NewEntry],
        rejected: &[NewRejected],
        dropped: &[DroppedOutcome],
    ) -> Result<bool, StoreError> {
        if entries.is_empty() && rejected.is_empty() && dropped.is_empty() {
            return Ok(true);
        }
        entries.iter().try_for_each(NewEntry::without_nul)?;
        rejected.iter().try_for_each(NewRejected::without_nul)?;
        dropped.iter().try_for_each(DroppedOutcome::without_nul)?;
        self.bounded("recording reports", self.record_inside(entries, rejected, dropped)).await
    }

    async fn record_inside(
        &self,
        entries: &[NewEntry],
        rejected: &[NewRejected],
        dropped: &[DroppedOutcome],
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.begin().await?;
        if !entries.is_empty() {
            let answers = self.append_within(&mut transaction, entries).await?;
            if answers.iter().any(|answer| !matches!(answer, Appended::New { .. })) {
                transaction.rollback().await?;
                return Ok(false);
            }
        }
        if !rejected.is_empty() {
            // Changes nothing, but on PostgreSQL nobody else keeps the same at the same time.
            sqlx::query("UPDATE counters SET value = value WHERE name = 'rejected'").execute(&mut *transaction).await?;
        }
        for one in rejected {
            keep(&mut transaction, one).await?;
        }
        // One statement cannot change a row twice.
        let once: BTreeMap<&str, &DroppedOutcome> = dropped.iter().map(|one| (one.content_sha.as_str(), one)).collect();
        for some in once.into_values().collect::<Vec<_>>().chunks(ROWS_AT_ONCE) {
            note(&mut transaction, some).await?;
        }
        transaction.commit().await?;
        Ok(true)
    }

    /// Rejected reports numbered above `after`, the oldest first, at most `limit`.
    pub async fn rejected_after(&self, after: i64, limit: i64) -> Result<Vec<Rejected>, StoreError> {
        self.bounded("reading rejected reports", async {
            let text = format!("SELECT {REJECTED} FROM rejected_reports WHERE seq > $1 ORDER BY seq LIMIT $2");
            let query = sqlx::query(AssertSqlSafe(text)).bind(after).bind(limit.max(0));
            query.fetch_all(&self.readers).await?.iter().map(rejected_from).collect()
        })
        .await
    }

    /// Rejected reports with these ids of their own, numbered up to `last`, the oldest first.
    pub async fn rejected_as(&self, reports: &[String], last: i64) -> Result<Vec<Rejected>, StoreError> {
        for report in reports {
            without_nul("a report's id", report)?;
        }
        self.bounded("looking up rejected reports", async {
            let mut found = Vec::new();
            for some in reports.chunks(NAMES_AT_ONCE) {
                let text = format!(
                    "SELECT {REJECTED} FROM rejected_reports WHERE seq <= $1 AND report IN ({}) ORDER BY seq",
                    parameters(2, some.len())
                );
                let query = some
                    .iter()
                    .fold(sqlx::query(AssertSqlSafe(text)).bind(last), |query, report| query.bind(report.as_str()));
                for row in query.fetch_all(&self.readers).await? {
                    found.push(rejected_from(&row)?);
                }
            }
            Ok(found)
        })
        .await
    }

    /// The rejected report that is known by an id made here, which is not its own.
    pub async fn rejected_called(&self, id: &str) -> Result<Option<Rejected>, StoreError> {
        without_nul("a rejected report's id", id)?;
        self.bounded("looking up a rejected report", async {
            let text = format!("SELECT {REJECTED} FROM rejected_reports WHERE id = $1");
            let found = sqlx::query(AssertSqlSafe(text)).bind(id).fetch_optional(&self.readers).await?;
            found.as_ref().map(rejected_from).transpose()
        })
        .await
    }

    /// The number of the newest rejected report; 0 where there is none.
    pub async fn rejected_newest(&self) -> Result<i64, StoreError> {
        self.bounded("looking for rejected reports", async {
            let row = sqlx::query("SELECT MAX(seq) FROM rejected_reports").fetch_one(&self.readers).await?;
            Ok(row.try_get::<Option<i64>, _>(0)?.unwrap_or(0))
        })
        .await
    }

    /// How many rejected reports are kept.
    pub async fn rejected_count(&self) -> Result<i64, StoreError> {
        self.bounded("counting rejected reports", async {
            sqlx::query("SELECT COUNT(*) FROM rejected_reports").fetch_one(&self.readers).await?.try_get(0)
        })
        .await
    }

    /// Which of these contents were read before, with what came of each.
    pub async fn dropped_outcomes(
        &self,
        content_shas: &[String],
    ) -> Result<BTreeMap<String, DroppedOutcome>, StoreError> {
        for sha in content_shas {
            without_nul("a dropped file's hash", sha)?;
        }
        self.bounded("looking up dropped files", async {
            let mut found = BTreeMap::new();
            for some in content_shas.chunks(NAMES_AT_ONCE) {
                let text = format!("SELECT * FROM dropped_files WHERE content_sha IN ({})", parameters(1, some.len()));
                let mut query = sqlx::query(AssertSqlSafe(text));
                for sha in some {
                    query = query.bind(sha.as_str());
                }
                for row in query.fetch_all(&self.readers).await? {
                    let outcome = outcome_from(&row)?;
                    found.insert(outcome.content_sha.clone(), outcome);
                }
            }
            Ok(found)
        })
        .await
    }
}

impl NewRejected {
    fn without_nul(&self) -> Result<(), StoreError> {
        without_nul("a rejected report's hash", &self.content_sha)?;
        without_nul("a rejected report's id", &self.id)?;
        without_nul("a rejected report's source", &self.source)?;
        without_nul("a rejected report's reasons", &self.reasons)?;
        without_nul("a rejected report's body", &self.body)?;
        without_nul("a rejected report's own id", self.report.as_deref().unwrap_or_default())?;
        without_nul("a rejected report's station", self.station.as_deref().unwrap_or_default())
    }
}

impl DroppedOutcome {
    fn without_nul(&self) -> Result<(), StoreError> {
        without_nul("a dropped file's hash", &self.content_sha)?;
        without_nul("a dropped file's name", &self.name)?;
        without_nul("a dropped file's outcome", &self.outcome)
    }
}

/// Keeps a rejected report, unless its content was rejected before: then no number is used up.
async fn keep(transaction: &mut Transaction<'static, Any>, rejected: &NewRejected) -> Result<(), sqlx::Error> {
    let known = sqlx::query("SELECT 1 FROM rejected_reports WHERE content_sha = $1")
        .bind(rejected.content_sha.as_str())
        .fetch_optional(&mut **transaction)
        .await?;
    if known.is_some() {
        return Ok(());
    }
    let seq = next_number(transaction, "rejected").await?;
    sqlx::query(
        "INSERT INTO rejected_reports (content_sha, seq, id, source, reasons, body, at_ms, report, station) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(rejected.content_sha.as_str())
    .bind(seq)
    .bind(rejected.id.as_str())
    .bind(rejected.source.as_str())
    .bind(rejected.reasons.as_str())
    .bind(rejected.body.as_str())
    .bind(rejected.at_ms)
    .bind(rejected.report.as_deref())
    .bind(rejected.station.as_deref())
    .execute(&mut **transaction)
    .await?;
    Ok(())
}

async fn note(transaction: &mut Transaction<'static, Any>, files: &[&DroppedOutcome]) -> Result<(), sqlx::Error> {
    let text = format!(
        "INSERT INTO dropped_files (content_sha, name, outcome, at_ms) VALUES {} ON CONFLICT (content_sha) DO UPDATE \
         SET name = excluded.name, outcome = excluded.outcome, at_ms = excluded.at_ms",
        tuples(transaction, files.len(), 4)
    );
    let query = files.iter().fold(sqlx::query(AssertSqlSafe(text)), |query, file| {
        query.bind(file.content_sha.as_str()).bind(file.name.as_str()).bind(file.outcome.as_str()).bind(file.at_ms)
    });
    query.execute(&mut **transaction).await?;
    Ok(())
}

fn rejected_from(row: &AnyRow) -> Result<Rejected, sqlx::Error> {
    Ok(Rejected {
        seq: row.try_get("seq")?,
        content_sha: row.try_get("content_sha")?,
        source: row.try_get("source")?,
        reasons: row.try_get("reasons")?,
        report: row.try_get("report")?,
        station: row.try_get("station")?,
        body: row.try_get("body")?,
        at_ms: row.try_get("at_ms")?,
    })
}

fn outcome_from(row: &AnyRow) -> Result<DroppedOutcome, sqlx::Error> {
    Ok(DroppedOutcome {
        content_sha: row.try_get("content_sha")?,
        name: row.try_get("name")?,
        outcome: row.try_get("outcome")?,
        at_ms: row.try_get("at_ms")?,
    })
}
