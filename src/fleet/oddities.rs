//! What was known just before the test calls of a report: by it the answer to a report and `history` say what is odd about them.
//! It reads nothing.

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

/// The record of a station just before the test calls of one of its reports. `lines`: all that is on record about it.
pub fn record_before_tests(station: &Station, lines: &[LedgerLine], report: &Report) -> Record {
    let (mut reports, mut visits) = (Vec::new(), Vec::new());
    for line in lines {
        match line {
            LedgerLine::Report(report) => reports.push(&**report),
            LedgerLine::Begun(visit) => visits.push(&**visit),
            LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Decision(_) => {}
        }
    }
    before_tests(station, report, (&reports, &visits), |digest| {
        lines.iter().find_map(|line| match line {
            LedgerLine::Script(issued) if issued.digest == *digest => Some(&**issued),
            LedgerLine::Script(_)
            | LedgerLine::Shown(_)
            | LedgerLine::Report(_)
            | LedgerLine::Begun(_)
            | LedgerLine::Decision(_) => None,
        })
    })
}
