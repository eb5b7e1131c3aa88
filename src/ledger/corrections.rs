//! Reports that correct others. Of several corrections of one report the last counts, by time and id, whatever order they
//! arrive in; the corrected report and the earlier corrections count for nothing but their ids.

use std::collections::{BTreeMap, BTreeSet};

use uuid::Uuid;

use super::report::Report;

/// What corrects what among the reports of a station.
#[derive(Debug, Clone)]
pub struct Corrections<'r> {
    /// By the report that they correct: the last one.
    last: BTreeMap<Uuid, &'r Report>,
    /// Those of the corrected reports that are there.
    there: BTreeSet<Uuid>,
}

impl<'r> Corrections<'r> {
    /// Among these, which are of one station.
    pub fn among(reports: &[&'r Report]) -> Corrections<'r> {
        let mut last: BTreeMap<Uuid, &'r Report> = BTreeMap::new();
        for report in reports.iter().copied() {
            let Some(corrected) = report.corrects else { continue };
            let known = last.entry(corrected).or_insert(report);
            if (known.at, known.id) < (report.at, report.id) {
                *known = report;
            }
        }
        let there = match last.is_empty() {
            true => BTreeSet::new(),
            false => reports.iter().map(|report| report.id).filter(|id| last.contains_key(id)).collect(),
        };
        Corrections { last, there }
    }

    /// Whether the report that this one corrects is there: until it is, nothing is corrected.
    pub fn has_corrected(&self, report: &Report) -> bool {
        report.corrects.is_some_and(|corrected| self.there.contains(&corrected))
    }

    /// The report that counts instead of this one, where one does.
    pub fn instead_of(&self, report: &Report) -> Option<&'r Report> {
        let beside =
            report.corrects.filter(|_| self.has_corrected(report)).and_then(|corrected| self.last.get(&corrected));
        self.last.get(&report.id).or(beside.filter(|last| last.id != report.id)).copied()
    }
}

/// The reports of a station that count, whatever order they are in.
pub fn standing<'r>(reports: &[&'r Report]) -> Vec<&'r Report> {
    let corrections = Corrections::among(reports);
    reports.iter().copied().filter(|report| corrections.instead_of(report).is_none()).collect()
}
