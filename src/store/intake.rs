//! What came in besides good reports: those rejected, kept with their reasons, and dropped files that were read.
//! It never decides what is rejected; a content is named by the hash its caller made of it.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use super::{NAMES_AT_ONCE, Store, StoreError, next_number, parameters, without_nul};

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
}

/// Its columns.
const REJECTED: &str = "seq, content_sha, source, reasons, report, station, body";

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
    /// Keeps a rejected report; false where the same content was rejected before (the first one stays as it is).
    pub async fn keep_rejected(&self, rejected: &NewRejected) -> Result<bool, StoreError> {
        without_nul("a rejected report's hash", &rejected.content_sha)?;
        without_nul("a rejected report's id", &rejected.id)?;
        without_nul("a rejected report's source", &rejected.source)?;
        without_nul("a rejected report's reasons", &rejected.reasons)?;
        without_nul("a rejected report's body", &rejected.body)?;
        without_nul("a rejected report's own id", rejected.report.as_deref().unwrap_or_default())?;
        without_nul("a rejected report's station", rejected.station.as_deref().unwrap_or_default())?;
        self.bounded("keeping a rejected report", self.keep_inside(rejected)).await
    }

    async fn keep_inside(&self, rejected: &NewRejected) -> Result<bool, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let seq = next_number(&mut transaction, "rejected").await?;
        let written = sqlx::query(
            "INSERT INTO rejected_reports (content_sha, seq, id, source, reasons, body, at_ms, report, station) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT (content_sha) DO NOTHING",
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
        .execute(&mut *transaction)
        .await?
        .rows_affected();
        if written == 0 {
            transaction.rollback().await?;
            return Ok(false);
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

    /// Notes what came of dropped files, in one transaction; a content noted before gets the new outcome.
    pub async fn set_dropped_outcomes(&self, files: &[DroppedOutcome]) -> Result<(), StoreError> {
        for file in files {
            without_nul("a dropped file's hash", &file.content_sha)?;
            without_nul("a dropped file's name", &file.name)?;
            without_nul("a dropped file's outcome", &file.outcome)?;
        }
        if files.is_empty() {
            return Ok(());
        }
        self.bounded("noting dropped files", async {
            let mut transaction = self.begin().await?;
            for file in files {
                sqlx::query(
                    "INSERT INTO dropped_files (content_sha, name, outcome, at_ms) VALUES ($1, $2, $3, $4) \
                     ON CONFLICT (content_sha) DO UPDATE \
                     SET name = excluded.name, outcome = excluded.outcome, at_ms = excluded.at_ms",
                )
                .bind(file.content_sha.as_str())
                .bind(file.name.as_str())
                .bind(file.outcome.as_str())
                .bind(file.at_ms)
                .execute(&mut *transaction)
                .await?;
            }
            transaction.commit().await
        })
        .await
    }
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
