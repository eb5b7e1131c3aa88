//! Visits: someone began to key a script. Until a report says how that went, nobody knows which of its steps the station obeyed.

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::corrections::standing;
use super::issued::Digest;
use super::report::Report;
use crate::keybook::SettingId;
use crate::setting::{Name, Value};

/// After so long it is said that nothing was heard of a visit.
pub const SILENT: SignedDuration = SignedDuration::from_hours(24);

/// The beginning of a visit, as the ledger has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    /// That of the report to come.
    pub id: Uuid,
    /// The digest of the script that is keyed.
    pub script: Digest,
    /// The station that is called or visited.
    pub station: Name,
    /// When the first keys were shown.
    pub at: Timestamp,
    /// The technician, by the name used in the ledger.
    pub by: Name,
    /// The number that the inventory in use gave the station when this was recorded, in E.164.
    pub number: Option<Name>,
}

/// A visit of which no report came yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenVisit {
    /// Who is there, since when, with which script.
    pub visit: Visit,
    /// Where that script leads, were all its steps accepted; nothing where it is not on record.
    pub leads_to: Vec<(SettingId, Option<Value>)>,
}

impl Visit {
    /// From when on it is said that nothing was heard of it.
    pub fn silent_from(&self) -> Timestamp {
        self.at.saturating_add(SILENT).unwrap_or(Timestamp::MAX)
    }

    /// Whether a report names its script and was made after it; one of the same second tells of what was keyed before.
    fn is_followed_by(&self, report: &Report) -> bool {
        report.script.as_ref() == Some(&self.script) && report.at.as_second() > self.at.as_second()
    }
}

/// The visits of a station that no report has ended, the earliest first. Of a corrected report the id alone counts. The report
/// of another visit ends only that one, though both keyed the same script.
pub fn open<'v>(visits: impl IntoIterator<Item = &'v Visit>, reports: &[&Report]) -> Vec<&'v Visit> {
    let visits: Vec<&Visit> = visits.into_iter().collect();
    let is_of_one = |report: &Report| visits.iter().any(|visit| visit.id == report.id);
    let others: Vec<&Report> = standing(reports).into_iter().filter(|report| !is_of_one(report)).collect();
    let is_reported = |visit: &Visit| reports.iter().any(|report| report.id == visit.id);
    let is_followed = |visit: &Visit| others.iter().any(|report| visit.is_followed_by(report));
    let ended = |visit: &&Visit| is_reported(visit) || is_followed(visit);
    let mut open: Vec<&Visit> = visits.iter().copied().filter(|visit| !ended(visit)).collect();
    open.sort_by_key(|visit| (visit.at, visit.id));
    open
}
