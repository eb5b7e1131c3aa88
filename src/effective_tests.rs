//! What an inventory looks like with things set aside, on a fleet made for it.

use super::*;
use crate::inventory;
use crate::keybook::sample::{TERN, keybook};
use crate::ledger::{Decision, End, Said, Take};
use crate::setting::Codes;
use jiff::SignedDuration;
use proptest::prelude::*;
use uuid::Uuid;

/// EQ-00 to EQ-02 at one site, NM-00 at another; each wants a lifeline and a gate.
fn fleet() -> Arc<Inventory> {
    let mut text = "inventory: 1\ncontacts: {help: {calls: \"+441632960101\"}}\nsettings: {emergency.primary: {to: \
                    help}, line.kind: {from: line}, gate.seconds: 7}\nsites:\n"
        .to_owned();
    // 01632 960000 to 960999 are kept for fiction.
    for (site, stations, first) in [("east-quay", &["EQ-00", "EQ-01", "EQ-02"][..], 10), ("north-mole", &["NM-00"], 20)]
    {
        text += &format!("  {site}:\n    line: {{kind: direct, country: GB}}\n    stations:\n");
        for (number, station) in (first..).zip(stations) {
            text += &format!("      {station}: {{number: \"+4416329600{number}\", model: tern-2}}\n");
        }
    }
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let books = [(Name::from("tern-2"), keybook(TERN))].into();
    let (inventory, findings) = inventory::resolve(&[Arc::new(raw)], &books, &Codes::new(b"a key"));
    assert!(!findings.iter().any(crate::finding::Finding::is_error), "{findings:#?}");
    Arc::new(inventory)
}

fn clock() -> Timestamp {
    "2026-11-25T12:00:00Z".parse().unwrap()
}

fn said(id: u128) -> Said {
    Said { id: Uuid::from_u128(id), at: clock(), by: "ops-2".into(), why: Some("awaits a part".into()) }
}

fn aside(id: u128, target: Target, setting: Option<&str>, out_of_service: bool) -> Decision {
    let until = clock() + SignedDuration::from_hours(24);
    Decision::Aside(Aside { said: said(id), target, setting: setting.map(Name::from), until, out_of_service })
}

fn all(decisions: &[Decision]) -> Decisions {
    let mut all = Decisions::default();
    (1..).zip(decisions).for_each(|(seq, decision)| all.add(seq, decision.clone()));
    all
}

fn at(inventory: &Inventory, decisions: &Decisions, hours: i64, memory: &mut EffectiveCache) -> Effective {
    Effective::at(inventory, decisions, clock() + SignedDuration::from_hours(hours), memory)
}

fn with(notices: &[Decision], hours: i64) -> Effective {
    let all = all(notices);
    at(&fleet(), &all, hours, &mut EffectiveCache::default())
}

/// The names of the settings that are managed at a station.
fn managed(inventory: &Effective, station: &str) -> Vec<String> {
    let station = &inventory.stations[station];
    let ids = station.keybook.ids().filter(|id| station.wanted(*id).is_some());
    ids.map(|id| station.keybook.setting(id).name.to_string()).collect()
}

const ALL: [&str; 3] = ["line.kind", "emergency.primary", "gate.seconds"];

fn station(name: &str) -> Target {
    Target::Station(name.into())
}

#[test]
fn a_whole_station_is_unmanaged_until_the_time_is_over_and_no_other_one_is_touched() {
    let set_aside = [aside(1, station("EQ-01"), None, true)];
    let here = with(&set_aside, 23);
    assert_eq!(managed(&here, "EQ-01"), [""; 0]);
    assert_eq!(here.stations["EQ-01"].for_now.set_aside, Extent::Whole);
    assert_eq!(managed(&here, "EQ-00"), ALL);
    assert_eq!(with(&set_aside, 24), with(&[], 0));
}

#[test]
fn a_site_covers_whoever_stands_there_and_a_setting_leaves_the_others_managed() {
    let here = with(&[aside(1, Target::Site("east-quay".into()), Some("gate.seconds"), false)], 0);
    for name in ["EQ-00", "EQ-01", "EQ-02"] {
        assert_eq!(managed(&here, name), ALL[..2]);
        assert_eq!(here.stations[name].for_now.set_aside, Extent::Settings);
    }
    assert_eq!(managed(&here, "NM-00"), ALL);
}

#[test]
fn a_setting_of_a_lifeline_stays_managed_where_nobody_said_that_it_is_out_of_service() {
    for setting in ["emergency.primary", "line.kind"] {
        let in_service = with(&[aside(1, station("EQ-01"), Some(setting), false)], 0);
        assert_eq!(managed(&in_service, "EQ-01"), ALL);
        assert_eq!(in_service.stations["EQ-01"].for_now.set_aside, Extent::Nothing);
        let out = with(&[aside(1, station("EQ-01"), Some(setting), true)], 0);
        assert!(!managed(&out, "EQ-01").contains(&setting.to_owned()));
    }
}

#[test]
fn a_setting_that_nobody_manages_or_knows_sets_nothing_aside() {
    for setting in ["lamp.follows", "no.such"] {
        let here = with(&[aside(1, station("EQ-01"), Some(setting), true)], 0);
        assert_eq!(here.stations["EQ-01"].for_now.set_aside, Extent::Nothing);
    }
}

#[test]
fn who_took_a_station_stands_beside_it_and_changes_nothing_else() {
    let until = clock() + SignedDuration::from_hours(2);
    let take = Decision::Take(Take { said: said(3), station: "EQ-01".into(), until });
    let here = with(&[take], 1);
    assert_eq!(here.stations["EQ-01"].for_now.taken.as_ref().map(|taken| &*taken.by), Some("ops-2"));
    assert_eq!(managed(&here, "EQ-01"), ALL);
}

/// The stations that are not the very same in both.
fn others(one: &Effective, other: &Effective) -> Vec<String> {
    let differing = one.stations.iter().filter(|(name, station)| !Arc::ptr_eq(station, &other.stations[*name]));
    differing.map(|(name, _)| name.to_string()).collect()
}

#[test]
fn a_station_with_something_set_aside_is_the_same_again_until_it_or_what_is_said_changes() {
    let set_aside = [
        aside(1, station("EQ-01"), Some("gate.seconds"), false),
        aside(2, Target::Site("north-mole".into()), None, true),
    ];
    let (inventory, decisions, mut memory) = (fleet(), all(&set_aside), EffectiveCache::default());
    let first = at(&inventory, &decisions, 0, &mut memory);
    let written = at(&inventory, &Decisions::default(), 0, &mut EffectiveCache::default());
    assert_eq!(others(&first, &written), ["EQ-01", "NM-00"]);
    assert!(Arc::ptr_eq(&written.stations, &inventory.stations), "nothing is said, and nothing is copied");
    let again = at(&inventory, &decisions, 1, &mut memory);
    assert!(Arc::ptr_eq(&first.stations, &again.stations));
    // Another station changes.
    let mut edited = (*inventory).clone();
    let stations = Arc::make_mut(&mut edited.stations);
    stations.insert("EQ-00".into(), Arc::new(Station { location: "moved".into(), ..(*stations["EQ-00"]).clone() }));
    let after = at(&edited, &decisions, 1, &mut memory);
    assert_eq!(others(&first, &after), ["EQ-00"]);
    // One that is set aside changes.
    let stations = Arc::make_mut(&mut edited.stations);
    stations.insert("EQ-01".into(), Arc::new(Station { location: "moved".into(), ..(*stations["EQ-01"]).clone() }));
    let moved = at(&edited, &decisions, 1, &mut memory);
    assert_eq!(others(&after, &moved), ["EQ-01"]);
    assert_eq!(&*moved.stations["EQ-01"].location, "moved");
    // More is said of one, and then nothing of any.
    let take = Decision::Take(Take {
        said: said(3),
        station: "NM-00".into(),
        until: clock() + SignedDuration::from_hours(20),
    });
    let taken = at(&edited, &all(&[&set_aside[..], &[take]].concat()), 1, &mut memory);
    assert_eq!(others(&moved, &taken), ["NM-00"]);
    let over = at(&edited, &all(&set_aside), 24, &mut memory);
    assert!(Arc::ptr_eq(&over.stations, &edited.stations));
}

#[test]
fn a_station_of_which_nothing_wanted_is_set_aside_is_the_one_of_the_files() {
    let (inventory, mut memory) = (fleet(), EffectiveCache::default());
    let decisions = all(&[aside(1, station("EQ-01"), Some("lamp.follows"), true)]);
    let here = at(&inventory, &decisions, 0, &mut memory);
    assert!(Arc::ptr_eq(&here.stations["EQ-01"], &inventory.stations["EQ-01"]));
}

proptest! {
    #[test]
    fn nothing_is_ever_wanted_that_the_files_do_not_want_and_stations_of_which_nothing_is_said_are_shared(
        plan in prop::collection::vec((0usize..6, 0usize..5, any::<bool>(), any::<bool>()), 0..6),
        hours in 0i64..30,
    ) {
        let targets = ["EQ-00", "EQ-01", "NM-00", "gone"].map(station).into_iter()
            .chain(["east-quay", "elsewhere"].map(|site| Target::Site(site.into()))).collect::<Vec<_>>();
        let settings = [None, Some("gate.seconds"), Some("emergency.primary"), Some("lamp.follows"), Some("odd")];
        let mut notices = Vec::new();
        for (id, (target, setting, out_of_service, ends)) in (1u128..).zip(plan) {
            notices.push(aside(id, targets[target].clone(), settings[setting], out_of_service));
            if ends {
                notices.push(Decision::End(End { said: said(100 + id), ends: Uuid::from_u128(id) }));
            }
        }
        let (files, here) = (fleet(), with(&notices, hours));
        prop_assert_eq!(files.stations.keys().collect::<Vec<_>>(), here.stations.keys().collect::<Vec<_>>());
        for (name, written) in files.stations.iter() {
            let now = &here.stations[name];
            for (wanted, was) in now.wanted.iter().zip(&written.wanted) {
                prop_assert!(wanted.is_none() || wanted == was);
            }
            let unchanged = now.wanted == written.wanted;
            prop_assert_eq!(unchanged, now.for_now.set_aside == Extent::Nothing);
            prop_assert_eq!(unchanged, now == written);
            if now.for_now.set_aside == Extent::Whole {
                prop_assert!(now.wanted.iter().all(Option::is_none));
            }
        }
    }
}
