//! Which lifeline values of each station were last settled, for the brake. It never decides what settles, and a row that
//! somebody else moved meanwhile is left as it is.

use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::{ROWS_AT_ONCE, Store, StoreError, tuples, without_nul};

/// What was last settled of a station; `seq` is an entry of the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settled {
    pub station: String,
    pub number: String,
    pub print: String,
    pub on_record: bool,
    pub seq: i64,
}

/// A row in place of the one that was read; `was` is `None` where there was none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Move {
    pub was: Option<Settled>,
    pub now: Settled,
}

impl Store {
    /// Every row, in the order of the stations' names.
    pub async fn settled(&self) -> Result<Vec<Settled>, StoreError> {
        self.bounded("reading what is settled", async {
            let rows = sqlx::query("SELECT station, number, print, on_record, seq FROM settled")
                .fetch_all(&self.readers)
                .await?;
            let mut all = Vec::with_capacity(rows.len());
            for row in &rows {
                all.push(Settled {
                    station: row.try_get(0)?,
                    number: row.try_get(1)?,
                    print: row.try_get(2)?,
                    on_record: row.try_get::<i64, _>(3)? != 0,
                    seq: row.try_get(4)?,
                });
            }
            // Here and not there: databases sort letters each their way.
            all.sort_by(|a, b| a.station.cmp(&b.station));
            Ok(all)
        })
        .await
    }

    /// How often rows were moved, by whomever.
    pub async fn settled_turn(&self) -> Result<i64, StoreError> {
        self.bounded("reading what is settled", async {
            let row = sqlx::query("SELECT value FROM counters WHERE name = 'settled'").fetch_one(&self.readers).await?;
            row.try_get(0)
        })
        .await
    }

    /// Moves rows, all or none. False where one is not as it was read: then nothing is written.
    pub async fn settle(&self, moves: &[Move]) -> Result<bool, StoreError> {
        check(moves)?;
        if moves.is_empty() {
            return Ok(true);
        }
        self.bounded("writing what is settled", async {
            let mut transaction = self.begin().await?;
            if !write_moves(&mut transaction, moves).await? {
                transaction.rollback().await?;
                return Ok(false);
            }
            transaction.commit().await?;
            Ok(true)
        })
        .await
    }
}

pub(super) fn check(moves: &[Move]) -> Result<(), StoreError> {
    for Move { was: _, now } in moves {
        without_nul("a station's name", &now.station)?;
        without_nul("a station's number", &now.number)?;
        without_nul("a station's print", &now.print)?;
    }
    Ok(())
}

/// Writes rows; false where one is not as it was read.
pub(super) async fn write_moves(
    transaction: &mut Transaction<'static, Any>,
    moves: &[Move],
) -> Result<bool, sqlx::Error> {
    if moves.is_empty() {
        return Ok(true);
    }
    // First, so that on PostgreSQL a second process waits here.
    sqlx::query("UPDATE counters SET value = value + 1 WHERE name = 'settled'").execute(&mut **transaction).await?;
    let new: Vec<&Settled> = moves.iter().filter(|one| one.was.is_none()).map(|one| &one.now).collect();
    for some in new.chunks(ROWS_AT_ONCE) {
        if insert(transaction, some).await? < some.len() as u64 {
            return Ok(false);
        }
    }
    for Move { was, now } in moves {
        let Some(was) = was else { continue };
        let written = sqlx::query(
            "UPDATE settled SET number = $2, print = $3, on_record = $4, seq = $5 \
             WHERE station = $1 AND number = $6 AND print = $7 AND on_record = $8 AND seq = $9",
        )
        .bind(now.station.as_str())
        .bind(now.number.as_str())
        .bind(now.print.as_str())
        .bind(i64::from(now.on_record))
        .bind(now.seq)
        .bind(was.number.as_str())
        .bind(was.print.as_str())
        .bind(i64::from(was.on_record))
        .bind(was.seq)
        .execute(&mut **transaction)
        .await?
        .rows_affected();
        if written == 0 {
            return Ok(false);
        }
    }
    Ok(true)
}

async fn insert(transaction: &mut Transaction<'static, Any>, rows: &[&Settled]) -> Result<u64, sqlx::Error> {
    let text = format!(
        "INSERT INTO settled (station, number, print, on_record, seq) VALUES {} ON CONFLICT (station) DO NOTHING",
        tuples(rows.len(), 5)
    );
    let mut query = sqlx::query(AssertSqlSafe(text));
    for row in rows {
        query = query
            .bind(row.station.as_str())
            .bind(row.number.as_str())
            .bind(row.print.as_str())
            .bind(i64::from(row.on_record))
            .bind(row.seq);
    }
    Ok(query.execute(&mut **transaction).await?.rows_affected())
}
