//! What was known of a button once and is not known now.

use crate::inventory::Station;
use crate::keybook::{Lifeline, SettingId};
use crate::ledger::Record;

/// The settings of a lifeline that were known once and that nobody knows now.
pub(super) fn lost(station: &Station, record: &Record, lifeline: &Lifeline) -> Vec<SettingId> {
    let is_lost = |id: &SettingId| {
        let holding = record.holding(*id);
        let is_in_doubt = record.candidates(*id).next().is_some();
        let was_known = is_in_doubt || holding.strayed.is_some();
        let was_known = was_known || record.proven(&station.keybook.setting(*id).name).is_some();
        holding.known().is_none() && was_known
    };
    lifeline.settings.iter().copied().filter(is_lost).collect()
}

/// Those of them that nobody manages, so that no script makes them known again.
pub fn lost_unmanaged(station: &Station, record: &Record, lifeline: &Lifeline) -> Vec<SettingId> {
    lost(station, record, lifeline).into_iter().filter(|id| station.wanted(*id).is_none()).collect()
}
