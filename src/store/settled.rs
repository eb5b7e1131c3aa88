//! Which lifeline values of each station were last settled, for the brake. It never decides what settles, and a row that
//! somebody else moved meanwhile is left as it is.

use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::{ROWS_AT_ONCE, Store, StoreError, tuples, without_nul};

/// The columns of a row, in the order in which they are bound.
const COLUMNS: &str = "station, formerly, site, model, number, print, parts, on_record, seq, since_ms, held, \
     out_print, out_ms, out_script";
const COUNT: usize = 14;

/// What was last settled of a station; `seq` is an entry of the ledger. What is unknown is empty.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Settled {
    pub station: String,
    /// The name it had before.
    pub formerly: String,
    pub site: String,
    pub model: String,
    pub number: String,
    pub print: String,
    /// What the print stands for.
    pub parts: String,
    pub on_record: bool,
    pub seq: i64,
    /// Since when a report is waited for, in milliseconds since 1970; 0: none.
    pub since_ms: i64,
    /// The share that it is held by.
    pub held: String,
    /// What a script leads to that was handed out, when, in milliseconds since 1970, and which it was.
    pub out_print: String,
    pub out_ms: i64,
    pub out_script: String,
}

/// A row in place of the one that was read; `None` where there was none, or is to be none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Move {
    pub was: Option<Settled>,
    pub now: Option<Settled>,
}

impl Store {
    /// Every row, in the order of the stations' names.
    pub async fn settled(&self) -> Result<Vec<Settled>, StoreError> {
        self.bounded("reading what is settled", async {
            let text = format!("SELECT {COLUMNS} FROM settled");
            let rows = sqlx::query(AssertSqlSafe(text)).fetch_all(&self.readers).await?;
            let mut all = Vec::with_capacity(rows.len());
            for row in &rows {
                all.push(Settled {
                    station: row.try_get(0)?,
                    formerly: row.try_get(1)?,
                    site: row.try_get(2)?,
                    model: row.try_get(3)?,
                    number: row.try_get(4)?,
                    print: row.try_get(5)?,
                    parts: row.try_get(6)?,
                    on_record: row.try_get::<i64, _>(7)? != 0,
                    seq: row.try_get(8)?,
                    since_ms: row.try_get(9)?,
                    held: row.try_get(10)?,
                    out_print: row.try_get(11)?,
                    out_ms: row.try_get(12)?,
                    out_script: row.try_get(13)?,
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
    for row in moves.iter().filter_map(|one| one.now.as_ref()) {
        let Settled { station, formerly, site, model, number, print, parts, held, out_print, out_script, .. } = row;
        without_nul("a station's name", station)?;
        without_nul("a station's name", formerly)?;
        without_nul("a site's name", site)?;
        without_nul("a model's name", model)?;
        without_nul("a station's number", number)?;
        without_nul("a station's print", print)?;
        without_nul("a station's prints", parts)?;
        without_nul("a share", held)?;
        without_nul("a script's print", out_print)?;
        without_nul("a script's digest", out_script)?;
    }
    Ok(())
}

/// Writes rows: those that were go first, then those that are come. False where one is not as it was read.
pub(super) async fn write_moves(
    transaction: &mut Transaction<'static, Any>,
    moves: &[Move],
) -> Result<bool, sqlx::Error> {
    if moves.is_empty() {
        return Ok(true);
    }
    // First, so that on PostgreSQL a second process waits here.
    sqlx::query("UPDATE counters SET value = value + 1 WHERE name = 'settled'").execute(&mut **transaction).await?;
    let was: Vec<&Settled> = moves.iter().filter_map(|one| one.was.as_ref()).collect();
    let now: Vec<&Settled> = moves.iter().filter_map(|one| one.now.as_ref()).collect();
    for some in was.chunks(ROWS_AT_ONCE) {
        // Alternatives, each by the key: rows in a list would be looked for in all of the table.
        let text = format!("DELETE FROM settled WHERE {}", alternatives(some.len()));
        if write(transaction, text, some).await? < some.len() as u64 {
            return Ok(false);
        }
    }
    for some in now.chunks(ROWS_AT_ONCE) {
        let tuples = tuples(some.len(), COUNT);
        let text = format!("INSERT INTO settled ({COLUMNS}) VALUES {tuples} ON CONFLICT (station) DO NOTHING");
        if write(transaction, text, some).await? < some.len() as u64 {
            return Ok(false);
        }
    }
    Ok(true)
}

/// `(station = $1 AND …) OR (…)`: so many rows, each whole.
fn alternatives(rows: usize) -> String {
    let columns: Vec<&str> = COLUMNS.split(", ").collect();
    let row = |row: usize| {
        let equal = columns.iter().zip(1 + row * COUNT..).map(|(column, nth)| format!("{column} = ${nth}"));
        format!("({})", equal.collect::<Vec<_>>().join(" AND "))
    };
    (0..rows).map(row).collect::<Vec<_>>().join(" OR ")
}

/// Runs a statement with all columns of these rows; how many rows it concerned.
async fn write(
    transaction: &mut Transaction<'static, Any>,
    text: String,
    rows: &[&Settled],
) -> Result<u64, sqlx::Error> {
    let mut query = sqlx::query(AssertSqlSafe(text));
    for row in rows {
        query = query
            .bind(row.station.as_str())
            .bind(row.formerly.as_str())
            .bind(row.site.as_str())
            .bind(row.model.as_str())
            .bind(row.number.as_str())
            .bind(row.print.as_str())
            .bind(row.parts.as_str())
            .bind(i64::from(row.on_record))
            .bind(row.seq)
            .bind(row.since_ms)
            .bind(row.held.as_str())
            .bind(row.out_print.as_str())
            .bind(row.out_ms)
            .bind(row.out_script.as_str());
    }
    Ok(query.execute(&mut **transaction).await?.rows_affected())
}
