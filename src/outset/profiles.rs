//! Profiles guessed from rows that hold the same, so that an edit is one line.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::rows::StationRow;
use crate::finding::plural;
use crate::keybook::{Keybook, SettingId};
use crate::setting::Weight;

/// In how many settings a station may differ from a profile that it is given all the same.
pub(super) const NEAR: usize = 2;

/// What stations hold that do not locate them.
pub(super) type Shared = BTreeMap<SettingId, String>;

/// Settings that rows share.
#[derive(Debug)]
pub(super) struct Profile {
    pub name: String,
    pub keybook: Arc<Keybook>,
    pub values: Shared,
    pub stations: usize,
    /// The first row that holds them, by its place among the rows.
    pub first: usize,
}

impl Profile {
    /// As it is shown before it is written.
    pub fn said(&self) -> String {
        let each = self.values.iter().map(|(id, value)| format!("{} {value}", self.keybook.setting(*id).name));
        let held: Vec<String> = each.collect();
        format!("profile {}: {}: {}", self.name, plural(self.stations as u64, "station"), held.join(", "))
    }

    /// In which settings a row differs from it; nothing where it is of another model.
    pub fn apart(&self, row: &StationRow<'_>) -> Option<BTreeSet<SettingId>> {
        let shared = shared(row);
        let ids: BTreeSet<SettingId> = self.values.keys().chain(shared.keys()).copied().collect();
        let apart = ids.into_iter().filter(|id| self.values.get(id) != shared.get(id)).collect();
        (self.keybook.model == row.keybook.model).then_some(apart)
    }
}

pub(super) fn shared(row: &StationRow<'_>) -> Shared {
    let is_shared = |id: &SettingId| row.keybook.setting(*id).weight != Weight::Locating;
    row.values.iter().filter(|(id, _)| is_shared(id)).map(|(id, value)| (*id, value.clone())).collect()
}

/// Groups of rows that hold the same, the largest first.
pub(super) fn profiles(rows: &[StationRow<'_>]) -> Vec<Profile> {
    let mut groups: BTreeMap<(&str, Shared), Vec<usize>> = BTreeMap::new();
    for (at, row) in rows.iter().enumerate() {
        groups.entry((&*row.keybook.model, shared(row))).or_default().push(at);
    }
    let mut all: Vec<((&str, Shared), Vec<usize>)> =
        groups.into_iter().filter(|((_, values), rows)| rows.len() > 1 && !values.is_empty()).collect();
    all.sort_by_key(|(_, rows)| (std::cmp::Reverse(rows.len()), rows[0]));
    let named = all.into_iter().enumerate().map(|(nth, ((model, values), group))| Profile {
        name: format!("{model}-group-{}", nth + 1),
        keybook: rows[group[0]].keybook.clone(),
        values,
        stations: group.len(),
        first: group[0],
    });
    named.collect()
}
