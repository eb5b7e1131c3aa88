//! What comes of a visit that someone began: until its report is on record, nobody knows what its steps changed.

use super::answer::Answer;
use super::entries::StationEntries;
use super::error::FleetError;
use super::intake::Intake;
use super::records::entries_under;
use super::view::View;
use crate::drift::{Rules, look};
use crate::finding::minute;
use crate::inventory::Station;
use crate::ledger::{State, Visit};

use jiff::Timestamp;

impl Intake<'_> {
    /// What came of the beginning of a visit that is on record: what the record is with it, beside what it would be without it.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn answer_visit(&self, visit: &Visit, view: &View) -> Result<Answer, FleetError> {
        let called = view.reading.inventory.called(&visit.station);
        let Some(row) = called.and_then(|station| view.row(&station.name)) else { return Ok(Answer::default()) };
        let entries = entries_under(self.store, row.station.names()).await?;
        Ok(answer(visit, &row.station, &entries, (view.rules, view.at)))
    }
}

fn answer(visit: &Visit, station: &Station, entries: &StationEntries, (rules, now): (Rules, Timestamp)) -> Answer {
    let (without, with) = (entries.record_without_visit(station, visit.id), entries.record(station));
    if !with.begun.iter().any(|open| open.visit.id == visit.id) {
        let over = "A report of this visit is on record, so this changes nothing.".into();
        return Answer { consequences: vec![over], ..Answer::default() };
    }
    let Visit { by, at, script, .. } = visit;
    let mut said = vec![
        format!("{by} began to key script {script} at {} at {}.", station.name, minute(*at)),
        "Until the report comes, each of its steps counts as \"nothing\" heard.".into(),
    ];
    let changed = station.keybook.ids().filter(|id| without.holding(*id).state != with.holding(*id).state);
    let (unknown, doubted): (Vec<_>, Vec<_>) = changed.partition(|id| with.holding(*id).state == State::Unknown);
    for (ids, what) in [(doubted, "In doubt until then"), (unknown, "Unknown until then")] {
        let names: Vec<String> = ids.into_iter().map(|id| station.keybook.setting(id).title()).collect();
        if !names.is_empty() {
            said.push(format!("{what}: {}.", names.join(", ")));
        }
    }
    let (was, is) = (look(station, &without, rules, now).standing, look(station, &with, rules, now).standing);
    if was != is {
        said.push(format!("{} was {was} and is now {is}.", station.name));
    }
    Answer { consequences: said, missing: vec!["The report of this visit.".into()], no_effect: false }
}

#[cfg(test)]
#[path = "answer_visit_tests.rs"]
mod tests;
