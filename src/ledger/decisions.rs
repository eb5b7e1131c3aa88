//! All decisions of a ledger, and what of them is in force at a time. The order in which they arrived makes no difference.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use uuid::Uuid;

use super::decision::{Aside, Decision, End, Release, Take, Target};
use super::issued::Digest;
use crate::inventory::Station;
use crate::setting::Name;

/// Decisions in the order of their time and id.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Decisions {
    all: BTreeMap<Key, Decision>,
    ended: BTreeSet<Uuid>,
    /// The last release that names each station.
    releases: BTreeMap<Name, Key>,
    /// Released changes with the number of the entry that released each last.
    released: BTreeMap<Digest, i64>,
}

/// When it was said, its id, and its kind: ids are unique within a kind alone.
type Key = (Timestamp, Uuid, u8);

impl Decisions {
    /// Takes one in; `seq` is the number of its entry in the ledger.
    pub fn add(&mut self, seq: i64, decision: Decision) {
        let said = decision.said();
        let key = (said.at, said.id, kind(&decision));
        match &decision {
            Decision::End(end) => {
                self.ended.insert(end.ends);
            }
            Decision::Release(release) => {
                let last = self.released.entry(release.change.clone()).or_default();
                *last = seq.max(*last);
                for station in release.stations.keys() {
                    let last = self.releases.entry(station.clone()).or_insert(key);
                    *last = key.max(*last);
                }
            }
            Decision::Aside(_) | Decision::Take(_) => {}
        }
        self.all.insert(key, decision);
    }

    /// The last release that names a station by any of these names.
    pub fn release_of<'n>(&self, names: impl IntoIterator<Item = &'n Name>) -> Option<&Release> {
        let key = names.into_iter().filter_map(|name| self.releases.get(name)).max()?;
        match self.all.get(key)? {
            Decision::Release(release) => Some(release),
            Decision::Aside(_) | Decision::Take(_) | Decision::End(_) => None,
        }
    }

    /// What is set aside at a time. Of several about one thing the last counts.
    pub fn asides(&self, clock: Timestamp) -> Vec<&Aside> {
        let last = self.last_asides().into_iter();
        last.filter(|aside| aside.until > clock && !self.ended.contains(&aside.said.id)).collect()
    }

    /// The last word on each thing that was ever set aside, whether or not it counts still.
    pub fn last_asides(&self) -> Vec<&Aside> {
        let mut last: BTreeMap<(&Target, Option<&Name>), &Aside> = BTreeMap::new();
        for decision in self.all.values() {
            if let Decision::Aside(aside) = decision {
                last.insert((&aside.target, aside.setting.as_ref()), aside);
            }
        }
        last.into_values().collect()
    }

    /// Who is on which station at a time. Of several takes of one station the last counts.
    pub fn takes(&self, clock: Timestamp) -> BTreeMap<&Name, &Take> {
        let mut last: BTreeMap<&Name, &Take> = BTreeMap::new();
        for decision in self.all.values() {
            if let Decision::Take(take) = decision {
                last.insert(&take.station, take);
            }
        }
        last.retain(|_, take| take.until > clock && !self.ended.contains(&take.said.id));
        last
    }

    /// When the first of all that is in force at a time expires.
    pub fn next_expiry(&self, clock: Timestamp) -> Option<Timestamp> {
        let asides = self.asides(clock).into_iter().map(|aside| aside.until);
        asides.chain(self.takes(clock).into_values().map(|take| take.until)).min()
    }

    /// The entry that last released a change; `None` where nobody did.
    pub fn released(&self, change: &Digest) -> Option<i64> {
        self.released.get(change).copied()
    }

    /// The last release of a change, with the number of the entry that made it.
    pub fn release(&self, change: &Digest) -> Option<(i64, &Release)> {
        let seq = self.released(change)?;
        let last = self.all.values().rev().find_map(|decision| match decision {
            Decision::Release(release) if release.change == *change => Some(release),
            Decision::Aside(_) | Decision::Release(_) | Decision::Take(_) | Decision::End(_) => None,
        });
        Some((seq, last?))
    }

    /// Something that was set aside, by its id.
    pub fn aside(&self, id: Uuid) -> Option<&Aside> {
        self.all.values().find_map(|decision| match decision {
            Decision::Aside(aside) if aside.said.id == id => Some(aside),
            Decision::Aside(_) | Decision::Release(_) | Decision::Take(_) | Decision::End(_) => None,
        })
    }

    /// Whether something was ended before its time, and by whom.
    pub fn ending(&self, id: Uuid) -> Option<&End> {
        self.all.values().find_map(|decision| match decision {
            Decision::End(end) if end.ends == id => Some(end),
            Decision::Aside(_) | Decision::Release(_) | Decision::Take(_) | Decision::End(_) => None,
        })
    }

    /// Everything said of a station: of itself, of its site, of a change that it is part of.
    pub fn about<'n>(&'n self, name: &'n str, station: Option<&'n Station>) -> impl Iterator<Item = &'n Decision> {
        let is_own =
            move |of: &Name| **of == *name || station.is_some_and(|station| station.names().any(|own| own == of));
        let here = move |aside: &Aside| match &aside.target {
            Target::Station(target) => is_own(target),
            Target::Site(site) => station.is_some_and(|station| station.site == *site),
        };
        let one = move |decision: &Decision| match decision {
            Decision::Aside(aside) => here(aside),
            Decision::Take(take) => is_own(&take.station),
            Decision::Release(release) => release.stations.keys().any(is_own),
            Decision::End(_) => false,
        };
        let ends = move |id: Uuid| self.all.values().any(|other| other.said().id == id && one(other));
        self.all.values().filter(move |decision| match decision {
            Decision::End(end) => ends(end.ends),
            Decision::Aside(_) | Decision::Release(_) | Decision::Take(_) => one(decision),
        })
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.all.len()
    }
}

fn kind(decision: &Decision) -> u8 {
    match decision {
        Decision::Aside(_) => 0,
        Decision::Release(_) => 1,
        Decision::Take(_) => 2,
        Decision::End(_) => 3,
    }
}

#[cfg(test)]
mod tests {
    use super::super::decision::Said;
    use super::*;
    use jiff::SignedDuration;
    use proptest::prelude::*;

    fn at(hours: i64) -> Timestamp {
        "2026-11-25T12:00:00Z".parse::<Timestamp>().unwrap() + SignedDuration::from_hours(hours)
    }

    fn said(id: u128, hours: i64) -> Said {
        Said { id: Uuid::from_u128(id), at: at(hours), by: "ops-2".into(), why: Some("awaits a part".into()) }
    }

    fn aside(id: u128, hours: i64, station: &str, until: i64) -> Decision {
        Decision::Aside(Aside {
            said: said(id, hours),
            target: Target::Station(station.into()),
            setting: None,
            until: at(until),
            out_of_service: true,
        })
    }

    fn take(id: u128, hours: i64, station: &str, until: i64) -> Decision {
        Decision::Take(Take { said: said(id, hours), station: station.into(), until: at(until) })
    }

    fn end(id: u128, hours: i64, ends: u128) -> Decision {
        Decision::End(End { said: said(id, hours), ends: Uuid::from_u128(ends) })
    }

    fn all(decisions: &[Decision]) -> Decisions {
        let mut all = Decisions::default();
        (1..).zip(decisions).for_each(|(seq, decision)| all.add(seq, decision.clone()));
        all
    }

    fn names(decisions: &Decisions, hours: i64) -> Vec<&str> {
        decisions.asides(at(hours)).iter().map(|aside| &**aside.target.name()).collect()
    }

    #[test]
    fn what_is_set_aside_counts_until_its_time_or_its_end_and_a_later_word_replaces_an_earlier_one() {
        let mut said = vec![aside(1, 0, "EQ-01", 24), aside(2, 0, "EQ-02", 48)];
        assert_eq!(names(&all(&said), 23), ["EQ-01", "EQ-02"]);
        assert_eq!(names(&all(&said), 24), ["EQ-02"], "from its very time on it is over");
        assert_eq!(all(&said).next_expiry(at(1)), Some(at(24)));
        assert_eq!(all(&said).next_expiry(at(48)), None);
        said.push(aside(3, 2, "EQ-02", 12));
        assert_eq!(names(&all(&said), 11), ["EQ-01", "EQ-02"]);
        assert_eq!(names(&all(&said), 12), ["EQ-01"], "the later word made it shorter");
        said.push(end(4, 3, 1));
        assert_eq!(names(&all(&said), 4), ["EQ-02"]);
        said.push(end(5, 4, 3));
        assert_eq!(names(&all(&said), 4), [""; 0], "ending the last word does not bring an earlier one back");
    }

    #[test]
    fn a_take_ends_by_itself_and_belongs_to_its_station() {
        let said = all(&[take(1, 0, "EQ-01", 3), take(2, 0, "EQ-02", 5)]);
        let here = |hours| said.takes(at(hours)).into_keys().map(|name| &**name).collect::<Vec<_>>();
        assert_eq!(here(2), ["EQ-01", "EQ-02"]);
        assert_eq!(here(3), ["EQ-02"]);
        assert_eq!(said.next_expiry(at(0)), Some(at(3)));
    }

    #[test]
    fn a_release_is_known_by_the_last_entry_that_made_it() {
        let digest: Digest = "0123456789abcdef".parse().unwrap();
        let release =
            Decision::Release(Release { said: said(1, 0), change: digest.clone(), stations: BTreeMap::new() });
        let mut decisions = Decisions::default();
        assert_eq!(decisions.released(&digest), None);
        decisions.add(9, release.clone());
        decisions.add(4, release);
        assert_eq!(decisions.released(&digest), Some(9));
    }

    proptest! {
        #[test]
        fn the_order_of_arrival_makes_no_difference(
            (said, shuffled) in prop::collection::vec((0i64..6, 0usize..3, 1i64..9, 0u8..3), 0..9)
                .prop_map(|plan| {
                    (1u128..).zip(plan).map(|(id, (hours, station, until, kind))| {
                        let station = ["EQ-01", "EQ-02", "EQ-03"][station];
                        match kind {
                            0 => aside(id, hours, station, hours + until),
                            1 => take(id, hours, station, hours + until),
                            _ => end(id, hours, id.saturating_sub(1)),
                        }
                    }).collect::<Vec<_>>()
                })
                .prop_flat_map(|said| (Just(said.clone()), Just(said).prop_shuffle())),
            clock in 0i64..16,
        ) {
            let (one, other) = (all(&said), all(&shuffled));
            prop_assert_eq!(one.asides(at(clock)), other.asides(at(clock)));
            prop_assert_eq!(one.takes(at(clock)), other.takes(at(clock)));
            prop_assert_eq!(one.next_expiry(at(clock)), other.next_expiry(at(clock)));
        }
    }
}
