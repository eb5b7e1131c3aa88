//! All notices of a ledger, and what of them is in force at a time. The order in which they arrived makes no difference.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use uuid::Uuid;

use super::{Aside, Digest, Notice, Release, Take, Target};
use crate::inventory::Station;
use crate::setting::Name;

/// Notices in the order of their time and id.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Notices {
    all: BTreeMap<(Timestamp, Uuid, u8), Notice>,
    ended: BTreeSet<Uuid>,
    /// Released changes with the number of the entry that released each last.
    released: BTreeMap<Digest, i64>,
}

impl Notices {
    /// Takes one in; `seq` is the number of its entry in the ledger.
    pub fn add(&mut self, seq: i64, notice: Notice) {
        match &notice {
            Notice::End(end) => {
                self.ended.insert(end.ends);
            }
            Notice::Release(release) => {
                let last = self.released.entry(release.change.clone()).or_default();
                *last = seq.max(*last);
            }
            Notice::Aside(_) | Notice::Take(_) => {}
        }
        let said = notice.said();
        self.all.insert((said.at, said.id, kind(&notice)), notice);
    }

    /// What is set aside at a time. Of several about one thing the last counts.
    pub fn asides(&self, clock: Timestamp) -> Vec<&Aside> {
        let mut last: BTreeMap<(&Target, Option<&Name>), &Aside> = BTreeMap::new();
        for notice in self.all.values() {
            if let Notice::Aside(aside) = notice {
                last.insert((&aside.target, aside.setting.as_ref()), aside);
            }
        }
        last.into_values().filter(|aside| aside.until > clock && !self.ended.contains(&aside.said.id)).collect()
    }

    /// Who is on which station at a time. Of several takes of one station the last counts.
    pub fn takes(&self, clock: Timestamp) -> BTreeMap<&Name, &Take> {
        let mut last: BTreeMap<&Name, &Take> = BTreeMap::new();
        for notice in self.all.values() {
            if let Notice::Take(take) = notice {
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
        let last = self.all.values().rev().find_map(|notice| match notice {
            Notice::Release(release) if release.change == *change => Some(release),
            Notice::Aside(_) | Notice::Release(_) | Notice::Take(_) | Notice::End(_) => None,
        });
        Some((seq, last?))
    }

    /// Something that was set aside, by its id.
    pub fn aside(&self, id: Uuid) -> Option<&Aside> {
        self.all.values().find_map(|notice| match notice {
            Notice::Aside(aside) if aside.said.id == id => Some(aside),
            Notice::Aside(_) | Notice::Release(_) | Notice::Take(_) | Notice::End(_) => None,
        })
    }

    /// Whether something was ended before its time, and by whom.
    pub fn ending(&self, id: Uuid) -> Option<&super::End> {
        self.all.values().find_map(|notice| match notice {
            Notice::End(end) if end.ends == id => Some(end),
            Notice::Aside(_) | Notice::Release(_) | Notice::Take(_) | Notice::End(_) => None,
        })
    }

    /// Everything said of a station: of itself, of its site, of a change that it is part of.
    pub fn about<'n>(&'n self, name: &'n str, station: Option<&'n Station>) -> impl Iterator<Item = &'n Notice> {
        let here = move |aside: &Aside| match &aside.target {
            Target::Station(target) => **target == *name,
            Target::Site(site) => station.is_some_and(|station| station.site == *site),
        };
        let one = move |notice: &Notice| match notice {
            Notice::Aside(aside) => here(aside),
            Notice::Take(take) => *take.station == *name,
            Notice::Release(release) => release.stations.contains(name),
            Notice::End(_) => false,
        };
        let ends = move |id: Uuid| self.all.values().any(|other| other.said().id == id && one(other));
        self.all.values().filter(move |notice| match notice {
            Notice::End(end) => ends(end.ends),
            Notice::Aside(_) | Notice::Release(_) | Notice::Take(_) => one(notice),
        })
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.all.len()
    }
}

/// Ids are unique within a kind alone.
fn kind(notice: &Notice) -> u8 {
    match notice {
        Notice::Aside(_) => 0,
        Notice::Release(_) => 1,
        Notice::Take(_) => 2,
        Notice::End(_) => 3,
    }
}

#[cfg(test)]
mod tests {
    use super::super::{End, Said};
    use super::*;
    use jiff::SignedDuration;
    use proptest::prelude::*;

    fn at(hours: i64) -> Timestamp {
        "2026-11-25T12:00:00Z".parse::<Timestamp>().unwrap() + SignedDuration::from_hours(hours)
    }

    fn said(id: u128, hours: i64) -> Said {
        Said { id: Uuid::from_u128(id), at: at(hours), by: "ops-2".into(), why: Some("awaits a part".into()) }
    }

    fn aside(id: u128, hours: i64, station: &str, until: i64) -> Notice {
        Notice::Aside(Aside {
            said: said(id, hours),
            target: Target::Station(station.into()),
            setting: None,
            until: at(until),
            out_of_service: true,
        })
    }

    fn take(id: u128, hours: i64, station: &str, until: i64) -> Notice {
        Notice::Take(Take { said: said(id, hours), station: station.into(), until: at(until) })
    }

    fn end(id: u128, hours: i64, ends: u128) -> Notice {
        Notice::End(End { said: said(id, hours), ends: Uuid::from_u128(ends) })
    }

    fn all(notices: &[Notice]) -> Notices {
        let mut all = Notices::default();
        (1..).zip(notices).for_each(|(seq, notice)| all.add(seq, notice.clone()));
        all
    }

    fn names(notices: &Notices, hours: i64) -> Vec<&str> {
        notices.asides(at(hours)).iter().map(|aside| &**aside.target.name()).collect()
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
        let release = Notice::Release(Release { said: said(1, 0), change: digest.clone(), stations: BTreeSet::new() });
        let mut notices = Notices::default();
        assert_eq!(notices.released(&digest), None);
        notices.add(9, release.clone());
        notices.add(4, release);
        assert_eq!(notices.released(&digest), Some(9));
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
