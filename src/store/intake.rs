//! What came in besides good reports: those refused, kept with their reasons, and dropped files already taken.
//! It never decides what is refused; a content is named by the hash its caller made of it.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use super::{NAMES_AT_ONCE, Store, StoreError, parameters, without_nul};

/// A report that was refused. `source`: where it came from, as a person is told (`file reports/x.yaml`); `reasons`: JSON;
/// `body`: the text as received; `content_sha`: hash of that text, by which it is told once; `report` and `station`: the
/// id and station that it names, as far as they could be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewRefused {
    pub content_sha: String,
    pub id: String,
    pub source: String,
    pub reasons: String,
    pub body: String,
    pub report: Option<String>,
    pub station: Option<String>,
    pub at_ms: i64,
}

/// A refused report as kept, without its text; `seq` counts upwards.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    pub seq: i64,
    pub content_sha: String,
    pub source: String,
    pub reasons: String,
    pub report: Option<String>,
    pub station: Option<String>,
}

/// Its columns.
const REFUSED: &str = "seq, content_sha, source, reasons, report, station";

/// A dropped file that was taken, with what came of it. `content_sha` is the hash of its text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taken {
    pub content_sha: String,
    pub name: String,
    pub outcome: String,
    pub at_ms: i64,
}

impl Store {
    /// Keeps a refused report; false where the same content was refused before (the first one stays as it is).
    pub async fn keep_refused(&self, refused: &NewRefused) -> Result<bool, StoreError> {
        without_nul("a refused report's hash", &refused.content_sha)?;
        without_nul("a refused report's id", &refused.id)?;
        without_nul("a refused report's source", &refused.source)?;
        without_nul("a refused report's reasons", &refused.reasons)?;
        without_nul("a refused report's body", &refused.body)?;
        without_nul("a refused report's own id", refused.report.as_deref().unwrap_or_default())?;
        without_nul("a refused report's station", refused.station.as_deref().unwrap_or_default())?;
        self.bounded("keeping a refused report", self.keep_inside(refused)).await
    }

    async fn keep_inside(&self, refused: &NewRefused) -> Result<bool, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let seq: i64 = sqlx::query("UPDATE counters SET value = value + 1 WHERE name = 'refused' RETURNING value")
            .fetch_one(&mut *transaction)
            .await?
            .try_get(0)?;
        let written = sqlx::query(
            "INSERT INTO refused_reports (content_sha, seq, id, source, reasons, body, at_ms, report, station) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT (content_sha) DO NOTHING",
        )
        .bind(refused.content_sha.as_str())
        .bind(seq)
        .bind(refused.id.as_str())
        .bind(refused.source.as_str())
        .bind(refused.reasons.as_str())
        .bind(refused.body.as_str())
        .bind(refused.at_ms)
        .bind(refused.report.as_deref())
        .bind(refused.station.as_deref())
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

    /// Refused reports numbered above `after`, the oldest first, at most `limit`.
    pub async fn refused_after(&self, after: i64, limit: i64) -> Result<Vec<Refused>, StoreError> {
        self.bounded("reading refused reports", async {
            let text = format!("SELECT {REFUSED} FROM refused_reports WHERE seq > $1 ORDER BY seq LIMIT $2");
            let query = sqlx::query(AssertSqlSafe(text)).bind(after).bind(limit.max(0));
            query.fetch_all(&self.readers).await?.iter().map(refused_from).collect()
        })
        .await
    }

    /// Refused reports with these ids of their own, numbered up to `last`, the oldest first.
    pub async fn refused_as(&self, reports: &[String], last: i64) -> Result<Vec<Refused>, StoreError> {
        for report in reports {
            without_nul("a report's id", report)?;
        }
        self.bounded("looking up refused reports", async {
            let mut found = Vec::new();
            for some in reports.chunks(NAMES_AT_ONCE) {
                let text = format!(
                    "SELECT {REFUSED} FROM refused_reports WHERE seq <= $1 AND report IN ({}) ORDER BY seq",
                    parameters(2, some.len())
                );
                let query = some
                    .iter()
                    .fold(sqlx::query(AssertSqlSafe(text)).bind(last), |query, report| query.bind(report.as_str()));
                for row in query.fetch_all(&self.readers).await? {
                    found.push(refused_from(&row)?);
                }
            }
            Ok(found)
        })
        .await
    }

    /// The number of the newest refused report; 0 where there is none.
    pub async fn refused_newest(&self) -> Result<i64, StoreError> {
        self.bounded("looking for refused reports", async {
            let row = sqlx::query("SELECT MAX(seq) FROM refused_reports").fetch_one(&self.readers).await?;
            Ok(row.try_get::<Option<i64>, _>(0)?.unwrap_or(0))
        })
        .await
    }

    /// How many refused reports are kept.
    pub async fn refused_count(&self) -> Result<i64, StoreError> {
        self.bounded("counting refused reports", async {
            sqlx::query("SELECT COUNT(*) FROM refused_reports").fetch_one(&self.readers).await?.try_get(0)
        })
        .await
    }

    /// Which of these contents were taken before, with what came of each.
    pub async fn taken(&self, content_shas: &[String]) -> Result<BTreeMap<String, Taken>, StoreError> {
        for sha in content_shas {
            without_nul("a dropped file's hash", sha)?;
        }
        self.bounded("looking up dropped files", async {
            let mut found = BTreeMap::new();
            for some in content_shas.chunks(NAMES_AT_ONCE) {
                let text = format!("SELECT * FROM taken_files WHERE content_sha IN ({})", parameters(1, some.len()));
                let mut query = sqlx::query(AssertSqlSafe(text));
                for sha in some {
                    query = query.bind(sha.as_str());
                }
                for row in query.fetch_all(&self.readers).await? {
                    let taken = taken_from(&row)?;
                    found.insert(taken.content_sha.clone(), taken);
                }
            }
            Ok(found)
        })
        .await
    }

    /// Notes what came of dropped files, in one transaction; a content noted before gets the new outcome.
    pub async fn set_taken(&self, files: &[Taken]) -> Result<(), StoreError> {
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
                    "INSERT INTO taken_files (content_sha, name, outcome, at_ms) VALUES ($1, $2, $3, $4) \
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

fn refused_from(row: &AnyRow) -> Result<Refused, sqlx::Error> {
    Ok(Refused {
        seq: row.try_get("seq")?,
        content_sha: row.try_get("content_sha")?,
        source: row.try_get("source")?,
        reasons: row.try_get("reasons")?,
        report: row.try_get("report")?,
        station: row.try_get("station")?,
    })
}

fn taken_from(row: &AnyRow) -> Result<Taken, sqlx::Error> {
    Ok(Taken {
        content_sha: row.try_get("content_sha")?,
        name: row.try_get("name")?,
        outcome: row.try_get("outcome")?,
        at_ms: row.try_get("at_ms")?,
    })
}
