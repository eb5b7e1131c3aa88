//! Everything on record about a station, and what is odd about the test calls of a report.

use super::error::FleetError;
use super::view::View;
use crate::drift::surprise;
use crate::inventory::Station;
use crate::ledger::{
    Digest, Issued, LedgerLine, Record, Report, Test, Visit, fold_with_visits, open, parse_line, standing,
};
use crate::store::Store;

/// What the ledger holds of a station under the names that it has and had, of its site and of changes that it was part of, oldest first.
///
/// # Errors
/// Where the ledger cannot be read.
pub async fn history(store: &Store, view: &View, name: &str) -> Result<Vec<LedgerLine>, FleetError> {
    let mut lines: Vec<LedgerLine> = Vec::new();
    let station = view.row(name).map(|row| &*row.station);
    let names = station.map_or_else(|| vec![name.into()], |station| station.names().cloned().collect());
    let mut entries = Vec::new();
    for name in &names {
        entries.extend(store.entries_of(name).await?);
    }
    for entry in entries {
        let seq = entry.seq;
        match parse_line(&entry.body).map_err(|source| FleetError::Entry { seq, source })? {
            // They come with the view, together with those that stand under no station's name.
            LedgerLine::Decision(_) => {}
            line @ (LedgerLine::Report(_) | LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_)) => {
                lines.push(line)
            }
        }
    }
    lines.extend(view.decisions.about(name, station).map(|decision| LedgerLine::Decision(Box::new(decision.clone()))));
    lines.sort_by_key(|line| match line {
        LedgerLine::Report(report) => (report.at, report.id.to_string()),
        LedgerLine::Script(issued) => (issued.at, issued.digest.to_string()),
        LedgerLine::Shown(shown) => (shown.at, shown.script.to_string()),
        LedgerLine::Begun(visit) => (visit.at, visit.id.to_string()),
        LedgerLine::Decision(decision) => (decision.said().at, decision.said().id.to_string()),
    });
    Ok(lines)
}

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

/// What is odd about a test call, in a sentence; nothing where nothing is. `record`: as it was just before it.
pub fn odd(station: &Station, record: &Record, test: &Test) -> Option<String> {
    let lifeline = station.keybook.lifelines.iter().find(|lifeline| lifeline.name == test.lifeline)?;
    if !station.has_lifeline(lifeline) {
        return Some("by the inventory the station has no such button: look whether it does".into());
    }
    surprise(station, record, test)
}
