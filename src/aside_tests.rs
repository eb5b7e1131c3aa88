//! What an inventory looks like with things set aside, on a fleet made for it.

use super::*;
use crate::inventory;
use crate::keybook::sample::{TERN, keybook};
use crate::ledger::{Decision, End, Said};
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

fn with(notices: &[Decision], hours: i64) -> Arc<Inventory> {
    let mut all = Decisions::default();
    (1..).zip(notices).for_each(|(seq, notice)| all.add(seq, notice.clone()));
    for_now(&fleet(), &all, clock() + SignedDuration::from_hours(hours))
}

/// The names of the settings that are managed at a station.
fn managed(inventory: &Inventory, station: &str) -> Vec<String> {
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
    assert_eq!(*with(&set_aside, 24), *fleet());
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
            if now.for_now.set_aside == Extent::Whole {
                prop_assert!(now.wanted.iter().all(Option::is_none));
            }
        }
    }
}
