//! What went wrong before with what is wanted: a test call that failed with it, steps that the station refused. Whoever keys it
//! again must know.

use jiff::Timestamp;

use crate::finding::{listed, minute};
use crate::inventory::Station;
use crate::ledger::{Record, RefusedStep, same};
use crate::setting::{Name, Value};

/// Something that went wrong before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Setback {
    /// A test call of a button failed with what is wanted, and none reached help with that since. Something else is held now.
    Failed {
        /// Its name in the keybook.
        lifeline: Name,
        /// What people call it.
        button: Name,
        /// When the call was made.
        at: Timestamp,
        /// Who made it.
        by: Name,
    },
    /// The station refused a step that stores what is wanted and is not held, and nothing was made known since of what it would
    /// have changed.
    Refused {
        /// What people call these settings.
        settings: Vec<Name>,
        /// When.
        at: Timestamp,
        /// Who heard it.
        by: Name,
    },
}

impl Setback {
    /// What happened, and what to do.
    pub fn sentence(&self) -> String {
        match self {
            Setback::Failed { lifeline: _, button, at, by } => format!(
                "With what is wanted now, a test call of {button} failed on {} ({by}). Find out why before you key it.",
                minute(*at)
            ),
            Setback::Refused { settings, at, by } => format!(
                "The station refused a step that changes {} on {} ({by}). If it refuses it again, the record or the keybook is \
                 wrong: tell ops.",
                listed(&settings.iter().map(|title| format!("the {title}")).collect::<Vec<_>>(), "and"),
                minute(*at)
            ),
        }
    }
}

/// What went wrong with what is wanted of a station; `drifts`: something of it is not as wanted, so that there is something
/// to key.
pub(super) fn setbacks(station: &Station, record: &Record, drifts: bool) -> Vec<Setback> {
    if !drifts {
        return Vec::new();
    }
    let failed = station.lifelines().filter_map(|(at, lifeline)| {
        let wanted = |id| station.wanted(id).map(|wanted| &wanted.value).or_else(|| record.known(id));
        let is_changed = lifeline.settings.iter().any(|id| !same(wanted(*id), record.known(*id)));
        let failed = record.earlier.failed_with(at, wanted).filter(|_| is_changed)?;
        Some(Setback::Failed {
            lifeline: lifeline.name.clone(),
            button: lifeline.button.clone(),
            at: failed.mark.at,
            by: failed.by.clone(),
        })
    });
    failed.chain(refused(station, record)).collect()
}

/// One for each report that says so of what is wanted now and not held: of nothing else a card would be refused again.
fn refused(station: &Station, record: &Record) -> Vec<Setback> {
    let mut reports: Vec<Vec<&RefusedStep>> = Vec::new();
    let is_wanted = |step: &&RefusedStep| {
        let wanted = station.wanted(step.id).map(|wanted| &wanted.value);
        let agrees = |value: Option<&Value>| value.zip(wanted).is_some_and(|(value, wanted)| value.agrees(wanted));
        agrees(step.value.as_ref()) && !agrees(record.known(step.id))
    };
    for step in record.earlier.refused().iter().filter(is_wanted) {
        match reports.iter_mut().find(|report| report[0].mark == step.mark) {
            Some(report) => report.push(step),
            None => reports.push(vec![step]),
        }
    }
    let setback = |report: Vec<&RefusedStep>| Setback::Refused {
        settings: report.iter().map(|step| station.keybook.setting(step.id).title().into()).collect(),
        at: report[0].mark.at,
        by: report[0].by.clone(),
    };
    reports.into_iter().map(setback).collect()
}
