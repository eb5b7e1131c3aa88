//! The ledger: entries are added at the end, in one chain of hashes, and never changed.
//! It never reads a body; two bodies are the same when their texts are.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{Any, AssertSqlSafe, Row, Transaction};

use super::chain::{Broken, Flaw, Head, Link, Walk};
use super::{NAMES_AT_ONCE, ROWS_AT_ONCE, Store, StoreError, parameters, tuples, without_nul};

/// Entries read at once while the chain is walked.
const PAGE: i64 = 1000;

/// What an entry is. Its text is what the database and exports show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum EntryKind {
    /// A field report that was taken.
    Report,
    /// A delta script, recorded when it was issued.
    Script,
    /// A showing of a script.
    Shown,
    /// A visit that began.
    Begun,
    /// Something that was set aside.
    Aside,
    /// A held change that was released.
    Release,
    /// A station that somebody is on.
    Take,
    /// Something set aside, or taken, that is no longer so.
    End,
}

impl EntryKind {
    /// In the order in which they are counted and shown.
    pub const ALL: [Self; 8] =
        [Self::Report, Self::Script, Self::Shown, Self::Begun, Self::Aside, Self::Release, Self::Take, Self::End];

    /// The word in the ledger.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Report => "report",
            Self::Script => "script",
            Self::Shown => "shown",
            Self::Begun => "begun",
            Self::Aside => "aside",
            Self::Release => "release",
            Self::Take => "take",
            Self::End => "end",
        }
    }

    /// The kind of that name, if there is one.
    pub fn named(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == text)
    }
}

/// An entry to add.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewEntry {
    /// What the body is; ids are unique within it.
    pub kind: EntryKind,
    /// A UUID; of a script its digest, of a showing the script's digest and the time.
    pub id: String,
    /// The station's name; empty for a decision about a site or about many stations.
    pub station: String,
    /// When the work was done, in milliseconds since 1970.
    pub at_ms: i64,
    /// When the entry is written, in milliseconds since 1970.
    pub recorded_ms: i64,
    /// One line of canonical JSON: equal contents must be equal texts.
    pub body: String,
}

impl NewEntry {
    pub(super) fn without_nul(&self) -> Result<(), StoreError> {
        without_nul("an entry's id", &self.id)?;
        without_nul("an entry's station", &self.station)?;
        without_nul("an entry's body", &self.body)
    }
}

/// An entry as it is in the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Counts from 1 without holes.
    pub seq: i64,
    /// What the body is.
    pub kind: EntryKind,
    /// Unique within its kind.
    pub id: String,
    /// The station's name; empty for a decision about a site or about many stations.
    pub station: String,
    /// When the work was done, in milliseconds since 1970.
    pub at_ms: i64,
    /// When the entry was written, in milliseconds since 1970.
    pub recorded_ms: i64,
    /// One line of canonical JSON.
    pub body: String,
    /// The hash of the entry before.
    pub prev: String,
    /// Over all other fields; how is said in `chain.rs`.
    pub hash: String,
}

/// What became of an entry that was to be added.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Appended {
    /// It was added.
    New {
        /// Its number.
        seq: i64,
    },
    /// It was there already, body and all.
    Duplicate {
        /// The number that it has.
        seq: i64,
    },
    /// Its id has another body; nothing was written.
    Conflict {
        /// The number of the other.
        seq: i64,
    },
}

/// What walking the chain found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verification {
    /// Every entry is as it was written.
    Whole {
        /// How many were walked.
        entries: i64,
        /// The newest of them.
        head: Head,
    },
    /// The first place that has been changed.
    Broken(Broken),
}

impl Store {
    /// How many entries of each kind there are after `after` and up to `until`.
    pub async fn entries_by_kind(&self, after: i64, until: i64) -> Result<BTreeMap<String, i64>, StoreError> {
        self.bounded("counting the ledger", async {
            sqlx::query("SELECT kind, COUNT(*) FROM ledger WHERE seq > $1 AND seq <= $2 GROUP BY kind")
                .bind(after)
                .bind(until)
                .fetch_all(&self.readers)
                .await?
                .iter()
                .map(|row| Ok((row.try_get(0)?, row.try_get(1)?)))
                .collect()
        })
        .await
    }

    /// Adds entries at the end, in one transaction and in the order given; answers are in the same order.
    pub async fn append(&self, entries: &[NewEntry]) -> Result<Vec<Appended>, StoreError> {
        entries.iter().try_for_each(NewEntry::without_nul)?;
        if entries.is_empty() {
            return Ok(Vec::new());
        }
        self.bounded("adding to the ledger", self.append_inside(entries)).await
    }

    async fn append_inside(&self, entries: &[NewEntry]) -> Result<Vec<Appended>, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let answers = append_within(&mut transaction, entries).await?;
        match answers.iter().any(|answer| matches!(answer, Appended::New { .. })) {
            true => transaction.commit().await?,
            false => transaction.rollback().await?,
        }
        Ok(answers)
    }

    /// Entries numbered above `seq`, at most `limit`, in order.
    pub async fn entries_after(&self, seq: i64, limit: i64) -> Result<Vec<Entry>, StoreError> {
        self.bounded("reading the ledger", async {
            let links = links_after(self, seq, limit).await?;
            links.into_iter().map(Entry::of).collect()
        })
        .await
    }

    /// Entries numbered up to `newest` in the order of their stations, those of one in the order recorded, at most `limit`;
    /// behind the station and number that were read last. Which station comes before which is the database's business.
    pub async fn entries_by_station(
        &self,
        after: (&str, i64),
        newest: i64,
        limit: i64,
    ) -> Result<Vec<Entry>, StoreError> {
        self.bounded("reading the ledger", async {
            let rows = sqlx::query(
                "SELECT * FROM ledger WHERE (station, seq) > ($1, $2) AND seq <= $3 ORDER BY station, seq LIMIT $4",
            )
            .bind(after.0)
            .bind(after.1)
            .bind(newest)
            .bind(limit.max(0))
            .fetch_all(&self.readers)
            .await?;
            rows.iter().map(|row| Entry::of(link_from(row)?)).collect()
        })
        .await
    }

    /// The entry of that kind and id.
    pub async fn entry(&self, kind: EntryKind, id: &str) -> Result<Option<Entry>, StoreError> {
        if id.contains('\0') {
            return Ok(None);
        }
        self.bounded("reading the ledger", async {
            let row = sqlx::query("SELECT * FROM ledger WHERE kind = $1 AND id = $2")
                .bind(kind.as_str())
                .bind(id)
                .fetch_optional(&self.readers)
                .await?;
            row.map(|row| Entry::of(link_from(&row)?)).transpose()
        })
        .await
    }

    /// The entries of that kind with these ids, as far as there are any.
    pub async fn entries_named(&self, kind: EntryKind, ids: &[String]) -> Result<Vec<Entry>, StoreError> {
        let ids: Vec<&String> = ids.iter().filter(|id| !id.contains('\0')).collect();
        self.bounded("reading the ledger", async {
            let mut found = Vec::new();
            for some in ids.chunks(NAMES_AT_ONCE) {
                let text = format!("SELECT * FROM ledger WHERE kind = $1 AND id IN ({})", parameters(2, some.len()));
                let mut query = sqlx::query(AssertSqlSafe(text)).bind(kind.as_str());
                for id in some {
                    query = query.bind(id.as_str());
                }
                for row in query.fetch_all(&self.readers).await? {
                    found.push(Entry::of(link_from(&row)?)?);
                }
            }
            Ok(found)
        })
        .await
    }

    /// Every entry about a station, in the order they were recorded.
    pub async fn entries_of(&self, station: &str) -> Result<Vec<Entry>, StoreError> {
        if station.contains('\0') {
            return Ok(Vec::new());
        }
        self.bounded("reading the ledger", async {
            sqlx::query("SELECT * FROM ledger WHERE station = $1 ORDER BY seq")
                .bind(station)
                .fetch_all(&self.readers)
                .await?
                .iter()
                .map(|row| Entry::of(link_from(row)?))
                .collect()
        })
        .await
    }

    /// The number and hash of the newest entry.
    pub async fn head(&self) -> Result<Head, StoreError> {
        self.bounded("reading the ledger's head", async {
            let row = sqlx::query("SELECT seq, hash FROM ledger_head WHERE one = 1").fetch_one(&self.readers).await?;
            head_from(&row)
        })
        .await
    }

    /// Walks the chain from the start, or from behind `trusted` (a head noted down earlier; it must still stand there),
    /// and stops at the first place that does not hold. What another process adds meanwhile is not walked.
    /// `progress` hears (walked, of so many) after each page.
    ///
    /// Whoever may write to the database can make a new chain that holds: compare the head with one kept elsewhere.
    pub async fn verify(
        &self,
        trusted: Option<&Head>,
        progress: impl FnMut(i64, i64) + Send,
    ) -> Result<Verification, StoreError> {
        let head = self.head().await?;
        if let Some(trusted) = trusted
            && let Err(broken) = self.still_stands(trusted).await?
        {
            return Ok(Verification::Broken(broken));
        }
        if let Some(broken) = self.before_the_start().await? {
            return Ok(Verification::Broken(broken));
        }
        let start = trusted.cloned().unwrap_or_else(Head::empty);
        let entries = head.seq.saturating_sub(start.seq).max(0);
        if let Err(broken) = self.walk(start, &head, progress).await? {
            return Ok(Verification::Broken(broken));
        }
        if let Some(broken) = self.beyond_the_head().await? {
            return Ok(Verification::Broken(broken));
        }
        Ok(Verification::Whole { entries, head })
    }

    /// Walks in pages from behind `start` to `head`.
    async fn walk(
        &self,
        start: Head,
        head: &Head,
        mut progress: impl FnMut(i64, i64) + Send,
    ) -> Result<Result<(), Broken>, StoreError> {
        let from = start.seq;
        let total = head.seq.saturating_sub(from);
        let mut walk = Walk::after(start);
        while walk.at().seq < head.seq {
            let at = walk.at().seq;
            let rows = rows_after(self, at, (head.seq - at).min(PAGE));
            let page = self.bounded("reading the ledger", rows).await?;
            if page.is_empty() {
                break;
            }
            for row in &page {
                if let Err(broken) = step(&mut walk, row) {
                    return Ok(Err(broken));
                }
            }
            progress(walk.at().seq.saturating_sub(from), total);
        }
        Ok(walk.ends_at(head))
    }

    async fn number(&self, query: &'static str) -> Result<i64, StoreError> {
        self.bounded("reading the ledger", async {
            let row = sqlx::query(query).fetch_one(&self.readers).await?;
            row.try_get(0)
        })
        .await
    }

    /// Is a head noted down earlier still in the chain?
    async fn still_stands(&self, trusted: &Head) -> Result<Result<(), Broken>, StoreError> {
        if *trusted == Head::empty() {
            return Ok(Ok(()));
        }
        let before = trusted.seq.saturating_sub(1);
        let there = self.bounded("reading the ledger", rows_after(self, before, 1)).await?;
        let flaw = match there.first().map(link_from) {
            Some(Ok(link)) if link.seq != trusted.seq => Flaw::Missing,
            Some(Ok(link)) if link.hash != trusted.hash => Flaw::NotAsTrusted,
            Some(Ok(link)) if link.computed_hash() == link.hash => return Ok(Ok(())),
            Some(Ok(_) | Err(_)) => Flaw::Changed,
            None => Flaw::Missing,
        };
        Ok(Err(Broken { seq: trusted.seq, flaw }))
    }

    /// An entry numbered below 1.
    async fn before_the_start(&self) -> Result<Option<Broken>, StoreError> {
        let oldest = self.number("SELECT COALESCE(MIN(seq), 1) FROM ledger").await?;
        Ok((oldest < 1).then_some(Broken { seq: oldest, flaw: Flaw::Stray }))
    }

    /// An entry numbered above the head: the newest number is read first, so that one added meanwhile is no such entry.
    async fn beyond_the_head(&self) -> Result<Option<Broken>, StoreError> {
        let newest = self.number("SELECT COALESCE(MAX(seq), 0) FROM ledger").await?;
        let head = self.head().await?;
        Ok((newest > head.seq).then_some(Broken { seq: newest, flaw: Flaw::Stray }))
    }
}

/// A row whose fields are not even of their types has been changed, too.
fn step(walk: &mut Walk, row: &AnyRow) -> Result<(), Broken> {
    match link_from(row) {
        Ok(link) => walk.step(&link),
        Err(_) => Err(Broken {
            seq: row.try_get("seq").unwrap_or_else(|_| walk.at().seq.saturating_add(1)),
            flaw: Flaw::Changed,
        }),
    }
}

impl Entry {
    fn of(link: Link) -> Result<Self, sqlx::Error> {
        let kind = EntryKind::named(&link.kind)
            .ok_or_else(|| sqlx::Error::Decode(format!("entry {} is of no known kind", link.seq).into()))?;
        Ok(Self {
            seq: link.seq,
            kind,
            id: link.id,
            station: link.station,
            at_ms: link.at_ms,
            recorded_ms: link.recorded_ms,
            body: link.body,
            prev: link.prev,
            hash: link.hash,
        })
    }
}

/// Number and body under which an id stands already.
type Known = BTreeMap<(EntryKind, String), (i64, String)>;

/// Adds entries at the end, as part of a transaction.
pub(super) async fn append_within(
    transaction: &mut Transaction<'static, Any>,
    entries: &[NewEntry],
) -> Result<Vec<Appended>, sqlx::Error> {
    // Changes nothing, but PostgreSQL then lets no other writer pass until this transaction ends.
    let row = sqlx::query("UPDATE ledger_head SET seq = seq WHERE one = 1 RETURNING seq, hash")
        .fetch_one(&mut **transaction)
        .await?;
    let head = head_from(&row)?;
    let known = known_among(transaction, entries).await?;
    let (answers, links) = chained(entries, known, head);
    let Some(newest) = links.last() else { return Ok(answers) };
    for some in links.chunks(ROWS_AT_ONCE) {
        insert(transaction, some).await?;
    }
    sqlx::query("UPDATE ledger_head SET seq = $1, hash = $2 WHERE one = 1")
        .bind(newest.seq)
        .bind(newest.hash.as_str())
        .execute(&mut **transaction)
        .await?;
    Ok(answers)
}

async fn known_among(transaction: &mut Transaction<'static, Any>, entries: &[NewEntry]) -> Result<Known, sqlx::Error> {
    let mut known = Known::new();
    for kind in EntryKind::ALL {
        let ids: Vec<&str> = entries.iter().filter(|entry| entry.kind == kind).map(|entry| entry.id.as_str()).collect();
        for some in ids.chunks(NAMES_AT_ONCE) {
            let text =
                format!("SELECT id, seq, body FROM ledger WHERE kind = $1 AND id IN ({})", parameters(2, some.len()));
            let mut query = sqlx::query(AssertSqlSafe(text)).bind(kind.as_str());
            for id in some {
                query = query.bind(*id);
            }
            for row in query.fetch_all(&mut **transaction).await? {
                known.insert((kind, row.try_get(0)?), (row.try_get(1)?, row.try_get(2)?));
            }
        }
    }
    Ok(known)
}

/// Which of the entries are new, as links behind `head`; an id may also repeat among the entries themselves.
fn chained(entries: &[NewEntry], mut known: Known, head: Head) -> (Vec<Appended>, Vec<Link>) {
    let mut answers = Vec::with_capacity(entries.len());
    let mut links: Vec<Link> = Vec::new();
    let (mut seq, mut prev) = (head.seq, head.hash);
    for entry in entries {
        let key = (entry.kind, entry.id.clone());
        if let Some((seq, body)) = known.get(&key) {
            answers.push(if *body == entry.body {
                Appended::Duplicate { seq: *seq }
            } else {
                Appended::Conflict { seq: *seq }
            });
            continue;
        }
        seq = seq.saturating_add(1);
        let mut link = Link {
            seq,
            kind: entry.kind.as_str().to_owned(),
            id: entry.id.clone(),
            station: entry.station.clone(),
            at_ms: entry.at_ms,
            recorded_ms: entry.recorded_ms,
            body: entry.body.clone(),
            prev,
            hash: String::new(),
        };
        link.hash = link.computed_hash();
        prev = link.hash.clone();
        known.insert(key, (seq, entry.body.clone()));
        links.push(link);
        answers.push(Appended::New { seq });
    }
    (answers, links)
}

async fn insert(transaction: &mut Transaction<'static, Any>, links: &[Link]) -> Result<(), sqlx::Error> {
    let text = format!(
        "INSERT INTO ledger (seq, kind, id, station, at_ms, recorded_ms, body, prev, hash) VALUES {}",
        tuples(links.len(), 9)
    );
    let mut query = sqlx::query(AssertSqlSafe(text));
    for link in links {
        query = query
            .bind(link.seq)
            .bind(link.kind.as_str())
            .bind(link.id.as_str())
            .bind(link.station.as_str())
            .bind(link.at_ms)
            .bind(link.recorded_ms)
            .bind(link.body.as_str())
            .bind(link.prev.as_str())
            .bind(link.hash.as_str());
    }
    query.execute(&mut **transaction).await?;
    Ok(())
}

async fn links_after(store: &Store, seq: i64, limit: i64) -> Result<Vec<Link>, sqlx::Error> {
    rows_after(store, seq, limit).await?.iter().map(link_from).collect()
}

async fn rows_after(store: &Store, seq: i64, limit: i64) -> Result<Vec<AnyRow>, sqlx::Error> {
    sqlx::query("SELECT * FROM ledger WHERE seq > $1 ORDER BY seq LIMIT $2")
        .bind(seq)
        .bind(limit.max(0))
        .fetch_all(&store.readers)
        .await
}

fn link_from(row: &AnyRow) -> Result<Link, sqlx::Error> {
    Ok(Link {
        seq: row.try_get("seq")?,
        kind: row.try_get("kind")?,
        id: row.try_get("id")?,
        station: row.try_get("station")?,
        at_ms: row.try_get("at_ms")?,
        recorded_ms: row.try_get("recorded_ms")?,
        body: row.try_get("body")?,
        prev: row.try_get("prev")?,
        hash: row.try_get("hash")?,
    })
}

fn head_from(row: &AnyRow) -> Result<Head, sqlx::Error> {
    Ok(Head { seq: row.try_get("seq")?, hash: row.try_get("hash")? })
}
