//! One row a station: what is wanted of it, what it is known to hold, how it is.
//!
//! A row is made again where what it was made from is not the very same any more, or where time alone may have changed
//! it. All others are the rows of the view before, so that whoever reads a view sees by identity what has changed.

use std::cmp::Ordering;
use std::iter::Peekable;
use std::sync::{Arc, OnceLock};

use jiff::Timestamp;
use uuid::Uuid;

use super::records::Records;
use super::side_by_side::side_by_side;
use crate::brake::{self, Alteration, alteration};
use crate::drift::{Rules, Scopes, StationDrift, look_sharing, next_change};
use crate::effective::Effective;
use crate::inventory::{Inventory, Station, Stations};
use crate::ledger::{Decisions, PackedRecord, Record, Release};
use crate::script::Work;
use crate::setting::Name;

/// One station in a view.
#[derive(Debug, Clone)]
pub struct Row {
    /// As the files have it.
    pub written: Arc<Station>,
    /// As it counts for now: without what is set aside.
    pub station: Arc<Station>,
    /// What the reports prove of it.
    pub(super) packed: PackedRecord,
    /// Whether any report says anything of it.
    pub is_on_record: bool,
    /// Whether they prove anything of its lifelines.
    has_proven: bool,
    /// Whether nothing is on record but how it was first seen.
    is_first_seen: bool,
    /// Whether a script was shown of which no report came.
    pub(super) is_script_out: bool,
    /// How it is.
    pub drift: Arc<StationDrift>,
    /// How its lifelines are to hold something else than was last proven; it goes by the station as written.
    pub alteration: Option<Arc<Alteration>>,
    /// Whether it has a script that the brake may hold, once someone has asked.
    pub(super) leads_on: OnceLock<bool>,
    /// What keying its script would take, once someone has asked.
    pub(super) keying: OnceLock<KeyingWork>,
    /// The last release that names it.
    release: Option<Uuid>,
    /// When time alone next changes any of this.
    pub due: Option<Timestamp>,
}

impl Row {
    /// What the reports prove of it.
    pub fn record(&self) -> Record {
        self.packed.record()
    }

    /// As the brake sees it.
    pub(super) fn to_judge(&self) -> brake::Candidate<'_> {
        let Row { written, has_proven, is_first_seen, alteration, is_on_record, .. } = self;
        let (has_proven, is_first_seen, is_on_record) = (*has_proven, *is_first_seen, *is_on_record);
        let alteration = alteration.as_deref();
        brake::Candidate { station: written, has_proven, is_first_seen, alteration, is_on_record }
    }
}

/// What keying the script of a station would take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum KeyingWork {
    /// Nothing needs keying.
    Nothing,
    /// So much.
    Work(Work),
    /// There is no script.
    NoScript,
}

/// What all rows are made from.
pub(super) struct Inputs<'a> {
    pub written: &'a Inventory,
    pub effective: &'a Effective,
    pub records: &'a Records,
    pub decisions: &'a Arc<Decisions>,
    pub rules: Rules,
    pub now: Timestamp,
}

/// The rows of a fleet, by name, and what they were made from: where that is the same again, so are they.
#[derive(Default)]
pub(super) struct Rows {
    all: Arc<[Arc<Row>]>,
    made: Option<MadeFrom>,
}

/// What rows were made from.
struct MadeFrom {
    written: Stations,
    effective: Stations,
    decisions: Arc<Decisions>,
    /// The last entry of the ledger that the records knew.
    seq: i64,
    at: Timestamp,
    /// When time alone next changes one of them.
    due: Option<Timestamp>,
}

impl MadeFrom {
    fn is_of(&self, inputs: &Inputs<'_>) -> bool {
        let files = Arc::ptr_eq(&self.written, &inputs.written.stations);
        let said =
            Arc::ptr_eq(&self.effective, &inputs.effective.stations) && Arc::ptr_eq(&self.decisions, inputs.decisions);
        let is_due = self.due.is_some_and(|due| due <= inputs.now);
        // A clock set back may make right again what was overdue.
        files && said && self.seq == inputs.records.seq() && inputs.now >= self.at && !is_due
    }
}

impl Rows {
    /// The rows of this moment.
    pub fn at(&mut self, inputs: &Inputs<'_>) -> &Arc<[Arc<Row>]> {
        if !self.made.as_ref().is_some_and(|made| made.is_of(inputs)) {
            let at = self.made.as_ref().map_or(Timestamp::MIN, |made| made.at);
            let same_said = self.made.as_ref().is_some_and(|made| Arc::ptr_eq(&made.decisions, inputs.decisions));
            self.all = rows(inputs, &self.all, at, same_said);
            self.made = Some(MadeFrom {
                written: inputs.written.stations.clone(),
                effective: inputs.effective.stations.clone(),
                decisions: inputs.decisions.clone(),
                seq: inputs.records.seq(),
                at: inputs.now,
                due: self.all.iter().filter_map(|row| row.due).min(),
            });
        }
        &self.all
    }

    /// When time alone next changes one of them.
    pub fn due(&self) -> Option<Timestamp> {
        self.made.as_ref()?.due
    }
}

/// So few rows are not worth another thread.
const FEW: usize = 1_000;

/// A row of last time that stays, or what one is to be made from.
enum Found<'f> {
    Stays(&'f Arc<Row>),
    New(Sources<'f>),
}

/// What a row is made from, beside what all have in common.
struct Sources<'f> {
    written: &'f Arc<Station>,
    station: &'f Arc<Station>,
    packed: PackedRecord,
    /// The row of last time.
    known: Option<&'f Arc<Row>>,
}

/// Rows anew. `before`: those of last time, and when that was; `same_said`: the same was decided then. All that they are made
/// from is walked by name, side by side.
fn rows(inputs: &Inputs<'_>, before: &Arc<[Arc<Row>]>, at: Timestamp, same_said: bool) -> Arc<[Arc<Row>]> {
    let goes_on = inputs.now >= at;
    let mut old = before.iter().peekable();
    let mut written = inputs.written.stations.iter().peekable();
    let mut records = inputs.records.by_name().peekable();
    let mut all = Vec::with_capacity(inputs.effective.stations.len());
    for (name, station) in inputs.effective.stations.iter() {
        let known = next_called(&mut old, name, |row| &row.station.name);
        let written = next_called(&mut written, name, |(name, _)| name).map_or(station, |(_, written)| written);
        let packed = next_called(&mut records, name, |(name, _)| name).map(|(_, packed)| packed.clone());
        let packed = packed.unwrap_or_else(|| inputs.records.of(station));
        let stays = |row: &&Arc<Row>| {
            let is_due = row.due.is_some_and(|due| due <= inputs.now);
            let same = Arc::ptr_eq(&row.written, written) && Arc::ptr_eq(&row.station, station);
            let same = same && row.packed.is_same(&packed);
            let release = || row.release == inputs.release(written).map(|release| release.said.id);
            goes_on && !is_due && same && (same_said || release())
        };
        all.push(match known.filter(stays) {
            Some(row) => Found::Stays(row),
            None => Found::New(Sources { written, station, packed, known }),
        });
    }
    let is_same = all.len() == before.len() && all.iter().all(|one| matches!(one, Found::Stays(_)));
    if is_same {
        return before.clone();
    }
    let made = side_by_side(&all, FEW, |some| {
        let mut scopes = Scopes::default();
        let made = some.iter().map(|found| match found {
            Found::Stays(row) => Arc::clone(row),
            Found::New(sources) => Arc::new(row(inputs, sources, &mut scopes)),
        });
        made.collect()
    });
    made.into()
}

/// The next of that name among things by name; those before it are passed over.
fn next_called<T>(all: &mut Peekable<impl Iterator<Item = T>>, name: &Name, of: impl Fn(&T) -> &Name) -> Option<T> {
    loop {
        let other = of(all.peek()?);
        // Mostly it is the very same text.
        match if Arc::ptr_eq(other, name) { Ordering::Equal } else { other.cmp(name) } {
            Ordering::Less => drop(all.next()),
            Ordering::Equal => return all.next(),
            Ordering::Greater => return None,
        }
    }
}

impl Inputs<'_> {
    fn release(&self, station: &Station) -> Option<&Release> {
        self.decisions.release_of(std::iter::once(&station.name).chain(&station.formerly))
    }
}

fn row(inputs: &Inputs<'_>, sources: &Sources<'_>, scopes: &mut Scopes) -> Row {
    let Sources { written, station, packed, known } = sources;
    let record = packed.record();
    let drift = look_sharing(station, &record, inputs.rules, inputs.now, scopes);
    // Equal drift is the same drift, however it came about.
    let drift = match known.filter(|row| *row.drift == drift) {
        Some(row) => row.drift.clone(),
        None => Arc::new(drift),
    };
    let release = inputs.release(written);
    let alteration = alteration(written, &record, release, inputs.now).map(Arc::new);
    let until = alteration.as_ref().and_then(|alteration| alteration.until());
    let handed_out = record.handed_out.iter().map(|script| script.until()).filter(|until| *until > inputs.now);
    let due = next_change(station, &record, inputs.rules, inputs.now).into_iter().chain(until).chain(handed_out).min();
    let release = release.map(|release| release.said.id);
    let (written, station, packed) = (Arc::clone(written), Arc::clone(station), packed.clone());
    let (leads_on, keying) = (OnceLock::new(), OnceLock::new());
    let (is_on_record, has_proven) = (record.is_on_record(), !record.proven.is_empty());
    let (is_first_seen, is_script_out) = (brake::is_first_seen(&record), !record.handed_out.is_empty());
    Row {
        written,
        station,
        packed,
        is_on_record,
        has_proven,
        is_first_seen,
        is_script_out,
        drift,
        alteration,
        leads_on,
        keying,
        release,
        due,
    }
}
