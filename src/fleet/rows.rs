//! One row a station: what is wanted of it, what it is known to hold, how it is.
//!
//! A row is made again where what it was made from is not the very same any more, or where time alone may have changed
//! it. All others are the rows of the view before, so that whoever reads a view sees by identity what has changed.

use std::sync::{Arc, OnceLock};

use jiff::Timestamp;
use uuid::Uuid;

use super::records::Records;
use crate::brake::{self, Alteration, alteration};
use crate::drift::{Rules, StationDrift, look, next_change};
use crate::effective::Effective;
use crate::inventory::{Inventory, Station, Stations};
use crate::ledger::{Decisions, Record, Release};
use crate::script::Work;

/// One station in a view.
#[derive(Debug, Clone)]
pub struct Row {
    /// As the files have it.
    pub written: Arc<Station>,
    /// As it counts for now: without what is set aside.
    pub station: Arc<Station>,
    /// What the reports prove of it.
    pub record: Arc<Record>,
    /// Whether any report says anything of it.
    pub is_on_record: bool,
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
    /// As the brake sees it.
    pub(super) fn to_judge(&self) -> brake::Candidate<'_> {
        let Row { written, record, alteration, is_on_record, .. } = self;
        brake::Candidate { station: written, record, alteration: alteration.as_deref(), is_on_record: *is_on_record }
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
    all: Arc<[Row]>,
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
    pub fn at(&mut self, inputs: &Inputs<'_>) -> &Arc<[Row]> {
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

/// Rows anew. `before`: those of last time, and when that was; `same_said`: the same was decided then. All that they are made
/// from is walked by name, side by side.
fn rows(inputs: &Inputs<'_>, before: &Arc<[Row]>, at: Timestamp, same_said: bool) -> Arc<[Row]> {
    let goes_on = inputs.now >= at;
    let mut old = before.iter().peekable();
    let mut written = inputs.written.stations.iter().peekable();
    let mut records = inputs.records.by_name().peekable();
    let mut is_same = true;
    let mut all = Vec::with_capacity(inputs.effective.stations.len());
    for (name, station) in inputs.effective.stations.iter() {
        while old.next_if(|row| row.station.name < *name).is_some() {
            is_same = false;
        }
        let known = old.next_if(|row| row.station.name == *name);
        while written.next_if(|(other, _)| *other < name).is_some() {}
        let written = written.next_if(|(other, _)| *other == name).map_or(station, |(_, written)| written);
        while records.next_if(|(other, _)| *other < name).is_some() {}
        let record = records.next_if(|(other, _)| *other == name).map(|(_, record)| record.clone());
        let record = record.unwrap_or_else(|| inputs.records.of(station));
        let stays = |row: &&Row| {
            let is_due = row.due.is_some_and(|due| due <= inputs.now);
            let same = Arc::ptr_eq(&row.written, written) && Arc::ptr_eq(&row.station, station);
            let same = same && Arc::ptr_eq(&row.record, &record);
            let release = || row.release == inputs.release(written).map(|release| release.said.id);
            goes_on && !is_due && same && (same_said || release())
        };
        match known.filter(stays) {
            Some(row) => all.push(row.clone()),
            None => {
                is_same = false;
                all.push(row(inputs, written, station, record, known));
            }
        }
    }
    if is_same && old.next().is_none() { before.clone() } else { all.into() }
}

impl Inputs<'_> {
    fn release(&self, station: &Station) -> Option<&Release> {
        self.decisions.release_of(std::iter::once(&station.name).chain(&station.formerly))
    }
}

fn row(
    inputs: &Inputs<'_>,
    written: &Arc<Station>,
    station: &Arc<Station>,
    record: Arc<Record>,
    known: Option<&Row>,
) -> Row {
    let drift = look(station, &record, inputs.rules, inputs.now);
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
    let (written, station) = (written.clone(), station.clone());
    let (leads_on, keying) = (OnceLock::new(), OnceLock::new());
    let is_on_record = record.is_on_record();
    Row { written, station, record, is_on_record, drift, alteration, leads_on, keying, release, due }
}
