//! What the ledger holds under one name, or under several that are one station's: reports, scripts, showings and visits.

use std::collections::HashMap;

use jiff::Timestamp;
use uuid::Uuid;

use super::error::FleetError;
use super::oddities::before_tests;
use crate::brake::GoneScript;
use crate::inventory::{Keybooks, Station};
use crate::ledger::{
    Decision, Digest, Issued, LedgerLine, Record, Report, Shown, Visit, fold_with_visits, handed_out, parse_line,
    seen_by, standing, unanswered,
};
use crate::setting::Name;
use crate::store::Entry;

/// Reports, scripts, showings and visits.
#[derive(Debug, Clone, Default)]
pub(super) struct StationEntries {
    pub reports: Vec<Report>,
    scripts: HashMap<Digest, Issued>,
    /// When each script was issued.
    issued: Vec<Shown>,
    shown: Vec<Shown>,
    visits: Vec<Visit>,
}

impl StationEntries {
    /// Takes an entry in, unless it is of a later time; what people said comes back. `key`: the check value of the key in use.
    ///
    /// # Errors
    /// Where this version cannot read it.
    pub fn add(&mut self, entry: &Entry, until: Option<Timestamp>, key: &str) -> Result<Option<Decision>, FleetError> {
        let is_later = |at: Timestamp| until.is_some_and(|until| at > until);
        match parse_line(&entry.body).map_err(|source| FleetError::Entry { seq: entry.seq, source })? {
            LedgerLine::Report(report) if is_later(report.at) => {}
            LedgerLine::Report(mut report) => {
                report.seen_by(key);
                self.reports.push(*report);
            }
            LedgerLine::Script(mut issued) => {
                seen_by(&mut issued, key);
                let Issued { digest, station, at, .. } = &*issued;
                let one =
                    Shown { script: digest.clone(), station: station.clone(), at: *at, is_back: issued.is_back() };
                self.issued.extend(Some(one).filter(|one| !is_later(one.at)));
                self.scripts.insert(issued.digest.clone(), *issued);
            }
            LedgerLine::Shown(shown) if is_later(shown.at) => {}
            LedgerLine::Shown(shown) => self.shown.push(*shown),
            LedgerLine::Begun(visit) if is_later(visit.at) => {}
            LedgerLine::Begun(visit) => self.visits.push(*visit),
            LedgerLine::Decision(decision) => {
                return Ok(Some(*decision).filter(|decision| !is_later(decision.said().at)));
            }
        }
        Ok(None)
    }

    pub fn append(&mut self, mut other: StationEntries) {
        self.reports.append(&mut other.reports);
        self.scripts.extend(other.scripts);
        self.issued.append(&mut other.issued);
        self.shown.append(&mut other.shown);
        self.visits.append(&mut other.visits);
    }

    pub fn is_empty(&self) -> bool {
        self.reports.is_empty() && self.scripts.is_empty() && self.shown.is_empty() && self.visits.is_empty()
    }

    /// The reports that no other corrects.
    fn standing(&self) -> Vec<&Report> {
        standing(&self.reports.iter().collect::<Vec<_>>())
    }

    /// The numbers that reports are kept with.
    pub fn numbers(&self) -> impl Iterator<Item = &Name> {
        self.reports.iter().filter_map(|report| report.number.as_ref())
    }

    /// The number kept with the last report that has one.
    pub fn last_number(&self) -> Option<Name> {
        let numbered = self.standing().into_iter().filter(|report| report.number.is_some());
        numbered.max_by_key(|report| (report.at, report.id)).and_then(|report| report.number.clone())
    }

    /// The reports kept with a number, and the scripts that they name.
    pub fn at_number(&self, number: &Name) -> StationEntries {
        let reports =
            self.standing().into_iter().filter(|report| report.number.as_ref() == Some(number)).cloned().collect();
        StationEntries { reports, scripts: self.scripts.clone(), ..StationEntries::default() }
    }

    /// When scripts were shown. One of which no showing is kept was shown when it was issued.
    fn showings(&self) -> impl Iterator<Item = &Shown> {
        let is_kept = |one: &&Shown| !self.shown.iter().any(|shown| shown.script == one.script);
        self.shown.iter().chain(self.issued.iter().filter(is_kept))
    }

    /// Whether a script was shown that no report has named since.
    pub fn are_out(&self) -> bool {
        !unanswered(self.showings(), self.standing()).is_empty()
    }

    /// The scripts in someone's hand that lead to anything but values that these reports prove. Of a station that left
    /// nobody knows the model: each script is judged by the keybook that it was written for.
    pub fn altering(&self, keybooks: &Keybooks) -> Vec<GoneScript> {
        let open = unanswered(self.showings(), self.standing()).into_iter();
        let altering = open.filter_map(|(script, at)| {
            let issued = self.scripts.get(script);
            let known = issued.and_then(|issued| Some((issued, keybooks.get(issued.model()?)?)));
            let known = known.map(|(issued, keybook)| {
                let scripts = |digest: &Digest| self.scripts.get(digest);
                (issued, keybook, fold_with_visits(keybook, &self.reports, &self.visits, scripts))
            });
            GoneScript::new(at, known.as_ref().map(|(issued, keybook, record)| (*issued, &***keybook, record)))
        });
        altering.collect()
    }

    /// A script on record.
    pub fn script(&self, digest: &Digest) -> Option<&Issued> {
        self.scripts.get(digest)
    }

    /// What they would prove about a station without one report.
    pub fn record_without(&self, station: &Station, report: Uuid) -> Record {
        let reports = self.reports.iter().filter(|other| other.id != report);
        fold_with_visits(&station.keybook, reports, &self.visits, |digest: &Digest| self.scripts.get(digest))
    }

    /// What they would prove about a station without the beginning of one visit.
    pub fn record_without_visit(&self, station: &Station, visit: Uuid) -> Record {
        let visits = self.visits.iter().filter(|other| other.id != visit);
        fold_with_visits(&station.keybook, &self.reports, visits, |digest: &Digest| self.scripts.get(digest))
    }

    /// What they prove about a station just before the test calls of a report.
    pub fn record_before_tests(&self, station: &Station, report: &Report) -> Record {
        let (reports, visits) = (self.reports.iter().collect::<Vec<_>>(), self.visits.iter().collect::<Vec<_>>());
        before_tests(station, report, (&reports, &visits), |digest| self.scripts.get(digest))
    }

    /// What they prove about a station.
    pub fn record(&self, station: &Station) -> Record {
        let script = |digest: &Digest| self.scripts.get(digest);
        let mut record = fold_with_visits(&station.keybook, &self.reports, &self.visits, script);
        record.handed_out = handed_out(&station.keybook, self.showings(), self.standing(), script);
        record
    }
}

/// What someone said in an entry; `None` where it is another one.
///
/// # Errors
/// Where this version cannot read it.
pub(super) fn decision(entry: &Entry) -> Result<Option<Decision>, FleetError> {
    match parse_line(&entry.body).map_err(|source| FleetError::Entry { seq: entry.seq, source })? {
        LedgerLine::Decision(decision) => Ok(Some(*decision)),
        LedgerLine::Report(_) | LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) => Ok(None),
    }
}
