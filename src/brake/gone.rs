//! What the ledger knows under names that no station of the inventory goes by. A script that is in someone's hand there
//! counts as one of a station of the inventory does: where it leads to something else than was last proved.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::Timestamp;

use crate::keybook::Keybook;
use crate::ledger::{Effect, HANDED_OUT_FOR, Issued, Proven, Record, Release, Released, effect, leads_to, same};
use crate::setting::{Name, Value};

/// What the ledger knows under a name that no station of the inventory goes by.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Gone {
    /// Whether there are reports, and no new station has its number.
    pub is_on_record: bool,
    /// Scripts that were shown, that no report has named since, and that lead to anything but proven values.
    pub scripts: Vec<GoneScript>,
}

/// A script in someone's hand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GoneScript {
    /// When it was last shown.
    pub at: Timestamp,
    /// What it leads to otherwise than proven; `None` where nobody can say, since the ledger has no such script, nobody knows
    /// its model any longer, or nothing is proven under that name.
    pub alters: Option<Vec<(Proven, Effect)>>,
    /// The number that it rings, where nothing is proven under that name: it alters nothing unless someone reported there
    /// under another. A station may have gone by that name between two others, and never have been reported on as such.
    pub number: Option<Name>,
}

impl GoneScript {
    /// A script last shown at a time, with the keybook that it was written for and what reports prove by it; nothing where
    /// it leads to proven values alone.
    pub fn new(at: Timestamp, issued: Option<(&Issued, &Keybook, &Record)>) -> Option<GoneScript> {
        if let Some((issued, _, _)) = issued.filter(|(_, _, record)| record.proven.is_empty()) {
            return Some(GoneScript { at, alters: None, number: issued.number().map(Name::from) });
        }
        let alters = issued.map(|(issued, keybook, record)| {
            let other = |(id, to): (_, Option<Value>)| {
                let proven = record.proven(&keybook.setting(id).name)?;
                let is_other = !same(proven.value.as_ref(), to.as_ref());
                is_other.then(|| (proven.clone(), to.as_ref().and_then(effect)))
            };
            leads_to(keybook, issued).into_iter().filter_map(other).collect::<Vec<_>>()
        });
        (!alters.as_ref().is_some_and(Vec::is_empty)).then_some(GoneScript { at, alters, number: None })
    }

    /// From then on it counts no longer.
    pub fn until(&self) -> Timestamp {
        self.at.saturating_add(HANDED_OUT_FOR).unwrap_or(Timestamp::MAX)
    }

    fn is_covered(&self, name: &Name, release: &Release) -> bool {
        let (Some(released), at) = (release.stations.get(name), release.said.at) else { return false };
        let Some(alters) = &self.alters else { return at >= self.at };
        alters.iter().all(|(proven, to)| {
            let is_released = |to: &Effect| released.get(&proven.setting).is_some_and(|all| all.contains(to));
            is_released(to) && !proven.shows_other(|value| is_released(&value.and_then(effect)), at)
        })
    }
}

impl Gone {
    /// Whether a script of it is in someone's hand at a time that no release covers.
    pub fn is_altered(&self, name: &Name, release: Option<&Release>, clock: Timestamp) -> bool {
        self.out(clock).any(|script| !release.is_some_and(|release| script.is_covered(name, release)))
    }

    fn out(&self, clock: Timestamp) -> impl Iterator<Item = &GoneScript> {
        self.scripts.iter().filter(move |script| script.until() > clock)
    }

    /// All that its scripts lead to otherwise than proven, released before or not.
    pub fn to_release(&self, clock: Timestamp) -> Arc<Released> {
        let mut released = Released::new();
        for (proven, to) in self.out(clock).flat_map(|script| script.alters.iter().flatten()) {
            let all: &mut BTreeSet<Effect> = released.entry(proven.setting.clone()).or_default();
            all.insert(to.clone());
        }
        Arc::new(released)
    }
}
