//! How many stations there are of something, by weight.

use serde::Serialize;

use super::topic::station::Item;
use crate::setting::Weight;

/// How many stations a reason has, by the weight of what changed; a station of which nothing is known has none.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Count {
    pub stations: usize,
    pub lifeline: usize,
    pub locating: usize,
    pub routine: usize,
}

impl Count {
    /// Of these.
    pub fn of(items: &[&Item<'_, '_>]) -> Count {
        let mut count = Count::default();
        items.iter().for_each(|item| count.add(item.weight));
        count
    }

    /// One more.
    pub fn add(&mut self, weight: Option<Weight>) {
        self.stations += 1;
        match weight {
            Some(Weight::Lifeline) => self.lifeline += 1,
            Some(Weight::Locating) => self.locating += 1,
            Some(Weight::Routine) => self.routine += 1,
            None => {}
        }
    }
}
