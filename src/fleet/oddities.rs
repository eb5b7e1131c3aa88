//! What was known just before the test calls of a report: by it the answer to a report and `history` say what is odd about them.
//! It reads nothing.

use std::collections::BTreeMap;

use crate::inventory::Station;
use crate::ledger::{Digest, Issued, LedgerLine, Record, Report, Visit, fold_with_visits, open, standing};

/// What is known of a station just before the test calls of a report, by all its reports and visits, whatever order they
/// are in. Of those that came after it no part is counted, but what they correct, or end, is.
pub(super) fn before_tests<'a>(
    station: &Station,
    report: &'a Report,
    (reports, visits): (&[&'a Report], &[&'a Visit]),
    script: impl Fn(&Digest) -> Option<&'a Issued>,
) -> Record {
    let untested = Report { tests: Vec::new(), ..report.clone() };
    let is_before = |other: &&Report| (other.at, other.id) < (report.at, report.id);
    let mut earlier: Vec<&Report> = standing(reports).into_iter().filter(is_before).collect();
    earlier.push(&untested);
    let begun = open(visits.iter().copied(), reports).into_iter().filter(|visit| visit.at <= report.at);
    fold_with_visits(&station.keybook, earlier, begun, |digest: &Digest| script(digest))
}

/// What lines of the ledger say of one station, by what they are.
pub struct StationLines<'l> {
    /// In the order of the lines.
    pub reports: Vec<&'l Report>,
    /// In the order of the lines.
    pub visits: Vec<&'l Visit>,
    scripts: BTreeMap<&'l Digest, &'l Issued>,
}

impl<'l> StationLines<'l> {
    /// Of all that is on record about a station.
    pub fn of(lines: &'l [LedgerLine]) -> StationLines<'l> {
        let mut all = StationLines { reports: Vec::new(), visits: Vec::new(), scripts: BTreeMap::new() };
        for line in lines {
            match line {
                LedgerLine::Report(report) => all.reports.push(report),
                LedgerLine::Begun(visit) => all.visits.push(visit),
                LedgerLine::Script(issued) => drop(all.scripts.entry(&issued.digest).or_insert(issued)),
                LedgerLine::Shown(_) | LedgerLine::Decision(_) => {}
            }
        }
        all
    }

    /// The record of the station just before the test calls of one of its reports.
    pub fn record_before_tests(&self, station: &Station, report: &Report) -> Record {
        before_tests(station, report, (&self.reports, &self.visits), |digest| self.scripts.get(digest).copied())
    }
}
