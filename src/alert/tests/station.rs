//! The table of cases, row by row, on a clock that stands still unless a test moves it.

use super::super::topic::station::Station;
use super::fixture::*;
use super::*;
use crate::drift::{Drift, Service, StationDrift};
use crate::setting::{Name, Weight};
use std::sync::Arc;

const NOTHING: [&str; 0] = [];

#[test]
fn nothing_is_said_of_an_aligned_fleet() {
    let mut watch = Watch::new();
    assert_eq!(watch.heard(), NOTHING);
    assert!(watch.is_quiet());
    assert!(watch.pass().is_empty(), "and nothing more is to be written");
}

#[test]
fn new_drift_opens_a_case_and_is_told_once() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    assert_eq!(watch.heard(), ["on-call opened EQ-01"]);
    watch.minutes(5);
    assert_eq!(watch.heard(), NOTHING);
    assert_eq!(watch.open("EQ-01").opened_at.to_string(), "2026-11-20T10:00:00Z");
}

#[test]
fn drift_of_a_weight_that_nobody_takes_is_on_record_and_told_to_nobody() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("on-call", &[Weight::Lifeline])];
    watch.put(differs("EQ-01", "identity", "121"));
    assert_eq!(watch.heard(), NOTHING);
    assert!(watch.case("EQ-01").heard.is_empty());
    watch.put(aligned("EQ-01"));
    assert_eq!(watch.heard(), NOTHING);
    assert!(watch.is_quiet());
}

#[test]
fn everything_that_makes_a_case_worse_grows_it() {
    use Drift::*;
    let two = |drift, wanted, held| {
        vec![setting("identity", drift, wanted, held), setting("gate.seconds", Unproven, "7", "")]
    };
    let was = || station("EQ-01", two(InDoubt, "121", "120"), vec![lifeline("assistance", Service::Untested)]);
    let with = |settings, lifelines| station("EQ-01", settings, lifelines);
    let untested = || vec![lifeline("assistance", Service::Untested)];
    for (why, is) in [
        ("a drift word that is worse", with(two(Differs, "121", "120"), untested())),
        ("something else wanted", with(two(InDoubt, "122", "120"), untested())),
        ("something else held", with(two(InDoubt, "121", "119"), untested())),
        ("a failed test", with(two(InDoubt, "121", "120"), vec![lifeline("assistance", Service::Failed)])),
        (
            "another failing lifeline",
            with(two(InDoubt, "121", "120"), [untested(), vec![lifeline("emergency", Service::Overdue)]].concat()),
        ),
        ("another setting instead of one", with(vec![setting("lamp.follows", Unproven, "1", "")], untested())),
        (
            "a heavier setting beside",
            with([two(InDoubt, "121", "120"), vec![setting("line.kind", Unproven, "2", "")]].concat(), untested()),
        ),
    ] {
        let mut watch = Watch::new();
        watch.put(was());
        watch.pass();
        watch.put(is);
        assert_eq!(watch.heard(), ["on-call grown EQ-01"], "{why}");
    }
}

#[test]
fn everything_that_only_makes_a_case_better_eases_it() {
    use Drift::*;
    let both =
        |drift| vec![setting("emergency.primary", drift, "121", "120"), setting("gate.seconds", Unproven, "7", "")];
    let was = || station("EQ-01", both(Strayed), vec![lifeline("emergency", Service::Failed)]);
    let failed = || vec![lifeline("emergency", Service::Failed)];
    let untested = || vec![lifeline("emergency", Service::Untested)];
    for (why, is) in [
        ("one setting fewer", station("EQ-01", vec![setting("gate.seconds", Unproven, "7", "")], failed())),
        ("a drift word that is better", station("EQ-01", both(Differs), failed())),
        ("in doubt instead of known wrong", station("EQ-01", both(InDoubt), failed())),
        ("a lifeline that has only to be tested", station("EQ-01", both(Strayed), untested())),
        ("a lifeline that works", station("EQ-01", both(Strayed), vec![lifeline("emergency", Service::Tested)])),
    ] {
        let mut watch = Watch::new();
        watch.put(was());
        watch.pass();
        watch.put(is);
        assert_eq!(watch.heard(), ["on-call eased EQ-01"], "{why}");
    }
}

#[test]
fn worse_in_a_part_is_worse_though_the_station_stands_as_before() {
    let services = |emergency| vec![lifeline("assistance", Service::Failed), lifeline("emergency", emergency)];
    let failing = |emergency| station("EQ-01", vec![], services(emergency));
    let mut watch = Watch::new();
    watch.put(failing(Service::Untested));
    watch.pass();
    watch.put(failing(Service::Failed));
    assert_eq!(watch.heard(), ["on-call grown EQ-01"]);
    watch.put(failing(Service::Overdue));
    assert_eq!(watch.heard(), ["on-call eased EQ-01"]);
}

#[test]
fn a_fixed_setting_excuses_no_lifeline_that_is_worse_than_untested_and_no_worse_standing() {
    let keyed = |drift| station("EQ-01", vec![setting("emergency.primary", drift, "121", "120")], vec![]);
    for (was, is) in
        [(Drift::Differs, Service::Failed), (Drift::Differs, Service::Overdue), (Drift::Overdue, Service::Untested)]
    {
        let mut watch = Watch::new();
        watch.put(keyed(was));
        watch.pass();
        watch.put(station("EQ-01", vec![], vec![lifeline("emergency", is)]));
        assert_eq!(watch.heard(), ["on-call grown EQ-01"], "{was:?}, then {is:?}");
    }
}

#[test]
fn a_case_remembers_when_it_was_opened_and_when_it_last_changed() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.pass();
    watch.minutes(10);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    watch.pass();
    watch.minutes(60);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"]);
    let (case, told) = (watch.case("EQ-01"), watch.open("EQ-01"));
    let times = [told.opened_at, told.changed_at, case.heard["on-call"].at].map(|at| at.to_string());
    assert_eq!(times, ["2026-11-20T10:00:00Z", "2026-11-20T10:10:00Z", "2026-11-20T11:10:00Z"]);
}

#[test]
fn better_and_worse_at_once_is_worse() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "121"));
    watch.pass();
    watch.put(differs("EQ-01", "identity", "121"));
    assert_eq!(watch.heard(), ["on-call grown EQ-01"]);
}

#[test]
fn a_lifeline_to_be_tested_after_its_setting_was_put_right_is_a_step_forward() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "121"));
    watch.pass();
    watch.put(station("EQ-01", vec![], vec![lifeline("emergency", Service::Untested)]));
    assert_eq!(watch.heard(), ["on-call eased EQ-01"]);
    watch.put(aligned("EQ-01"));
    assert_eq!(watch.heard(), ["on-call closed EQ-01"]);
}

#[test]
fn a_lifeline_that_needs_a_test_for_no_such_reason_grows_a_case() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "121"));
    watch.pass();
    let still = vec![setting("emergency.primary", Drift::Differs, "121", "1")];
    watch.put(station("EQ-01", still, vec![lifeline("assistance", Service::Untested)]));
    assert_eq!(watch.heard(), ["on-call grown EQ-01"]);
}

#[test]
fn where_tests_are_not_required_an_untested_lifeline_is_no_news() {
    let mut watch = Watch::new();
    watch.terms.require_tests = false;
    let drifting =
        |lifelines| station("EQ-01", vec![setting("emergency.primary", Drift::Differs, "121", "1")], lifelines);
    watch.put(drifting(vec![]));
    watch.pass();
    watch.put(drifting(vec![lifeline("assistance", Service::Untested)]));
    assert_eq!(watch.heard(), NOTHING);
}

#[test]
fn a_line_that_moved_or_a_station_that_is_described_anew_is_no_news() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    let mut moved = (*differs("EQ-01", "identity", "121")).clone();
    moved.settings[0].wanted_at = place("inventory/other.yaml", 99);
    moved.location = "East quay, behind the shed".into();
    watch.put(moved.into());
    assert_eq!(watch.heard(), NOTHING);
}

#[test]
fn an_aligned_station_closes_its_case_and_leaves_nothing_behind() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.put(aligned("EQ-01"));
    assert_eq!(watch.heard(), ["on-call closed EQ-01"]);
    assert!(watch.is_quiet());
}

#[test]
fn whoever_heard_of_a_case_hears_of_its_end_whatever_its_weight_became() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline]), webhook("light", &[Weight::Routine])];
    watch.put(differs("EQ-01", "lamp.follows", "1"));
    assert_eq!(watch.heard(), ["light opened EQ-01"]);
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    assert_eq!(watch.heard(), ["heavy opened EQ-01", "light grown EQ-01"]);
    watch.put(differs("EQ-01", "lamp.follows", "1"));
    assert_eq!(watch.heard(), ["heavy eased EQ-01", "light grown EQ-01"]);
    watch.put(aligned("EQ-01"));
    assert_eq!(watch.heard(), ["heavy closed EQ-01", "light closed EQ-01"]);
}

#[test]
fn nobody_is_reminded_of_a_weight_that_was_not_asked_for() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("light", &[Weight::Routine])];
    watch.put(differs("EQ-01", "lamp.follows", "1"));
    watch.pass();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    assert_eq!(watch.heard(), ["light grown EQ-01"]);
    watch.minutes(10_000);
    assert_eq!(watch.heard(), NOTHING);
    assert_eq!(watch.next_reminder(), None);
}

#[test]
fn a_webhook_that_is_new_hears_of_the_cases_that_are_open() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.terms.webhooks.push(webhook("control-room", &Weight::ALL));
    let verdict = watch.pass();
    assert_eq!(heard(&verdict), ["control-room opened EQ-01"]);
    assert_eq!(data(&verdict.messages[0].body)["cause"]["heard_late"], 1);
    assert!(!verdict.many);
}

#[test]
fn a_webhook_that_was_away_hears_what_it_missed() {
    let mut watch = Watch::new();
    let here = watch.terms.webhooks.clone();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.put(differs("EQ-02", "identity", "122"));
    watch.put(differs("EQ-03", "identity", "123"));
    watch.put(differs("EQ-04", "identity", "124"));
    watch.put(differs("EQ-05", "identity", "125"));
    watch.pass();
    watch.terms.webhooks.clear();
    watch.put(aligned("EQ-01"));
    watch.put(aligned("EQ-02"));
    watch.put(differs("EQ-04", "identity", "999"));
    watch.take("EQ-05");
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(30);
    watch.put(differs("EQ-02", "identity", "122"));
    watch.pass();
    watch.minutes(30);
    watch.terms.webhooks = here;
    let expected = ["on-call grown EQ-04", "on-call withdrawn EQ-05", "on-call closed EQ-01"];
    assert_eq!(watch.heard(), expected, "EQ-02 and EQ-03 are just as it knows them");
    assert!(watch.is_bare("EQ-01"));
}

#[test]
fn what_an_absent_webhook_heard_is_forgotten_after_a_while() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.terms.webhooks.clear();
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.clock += REMEMBERED;
    watch.pass();
    assert!(!watch.is_bare("EQ-01"));
    watch.minutes(1);
    watch.pass();
    assert!(watch.is_quiet());
}

#[test]
fn what_was_withdrawn_is_forgotten_a_millisecond_after_thirty_days() {
    for (late, told) in [(0, vec!["on-call returned EQ-01"]), (1, vec![])] {
        let mut watch = Watch::new();
        watch.pass();
        let gone = watch.stations["EQ-01"].clone();
        watch.take("EQ-01");
        watch.pass();
        watch.clock += REMEMBERED + jiff::SignedDuration::from_millis(late);
        watch.pass();
        watch.put(gone);
        assert_eq!(watch.heard(), told, "{late} ms");
    }
}

#[test]
fn a_vanished_station_is_withdrawn_once_and_heard_by_every_webhook() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline]), webhook("light", &[Weight::Routine])];
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.pass();
    watch.take("EQ-01");
    watch.take("EQ-02");
    let expected = ["heavy withdrawn EQ-01", "heavy withdrawn EQ-02", "light withdrawn EQ-01", "light withdrawn EQ-02"];
    assert_eq!(watch.heard(), expected);
    watch.clock += REMEMBERED;
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(1);
    assert_eq!(watch.heard(), NOTHING);
    let kept: Vec<Name> = watch.cases.names::<Station>().collect();
    assert!(!kept.contains(&"EQ-01".into()) && !kept.contains(&"EQ-02".into()), "they are forgotten");
}

#[test]
fn a_case_whose_station_is_not_in_the_inventory_is_withdrawn_even_unasked() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.stations.remove("EQ-01");
    assert_eq!(watch.heard(), ["on-call withdrawn EQ-01"]);
}

#[test]
fn a_station_that_was_withdrawn_and_is_there_again_is_told_by_every_webhook_aligned_or_not_and_its_case_goes_on() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline]), webhook("light", &[Weight::Routine])];
    watch.put(differs("EQ-02", "emergency.primary", "1"));
    watch.pass();
    let (one, two, three) =
        (watch.stations["EQ-01"].clone(), watch.stations["EQ-02"].clone(), watch.stations["EQ-03"].clone());
    ["EQ-01", "EQ-02", "EQ-03"].into_iter().for_each(|station| watch.take(station));
    watch.minutes(5);
    assert_eq!(watch.heard().len(), 6);
    watch.minutes(60 * 24 * 29);
    watch.put(one);
    watch.put(two);
    watch.put(differs(&three.station, "lamp.follows", "1"));
    let verdict = watch.pass();
    let of = |webhook: &str| ["EQ-02", "EQ-03", "EQ-01"].map(|station| format!("{webhook} returned {station}"));
    assert_eq!(heard(&verdict), [of("heavy"), of("light")].concat());
    let returned = &data(&verdict.messages[0].body)["returned"];
    let since = |nth: usize| returned[nth]["since"].as_str().map(str::to_owned);
    assert_eq!(since(0).as_deref(), Some("2026-11-20T10:00:00Z"), "when its case was opened");
    assert_eq!(since(1).as_deref(), Some("2026-12-19T10:05:00Z"), "it has a case now");
    assert_eq!((&returned[0]["standing"], &returned[2]["standing"]), (&"adrift".into(), &"aligned".into()));
    assert_eq!(watch.open("EQ-02").opened_at.to_string(), "2026-11-20T10:00:00Z");
    watch.put(aligned("EQ-02"));
    watch.put(aligned("EQ-03"));
    let closed = ["heavy", "light"].map(|webhook| ["EQ-02", "EQ-03"].map(|name| format!("{webhook} closed {name}")));
    assert_eq!(watch.heard(), closed.concat(), "who was told of it hears its end");
    watch.take("EQ-01");
    assert_eq!(watch.heard(), ["heavy withdrawn EQ-01", "light withdrawn EQ-01"], "and it may go again");
}

#[test]
fn a_station_that_comes_back_is_no_news_once_it_is_forgotten_that_it_went() {
    let mut watch = Watch::new();
    watch.pass();
    let gone = watch.stations["EQ-01"].clone();
    watch.take("EQ-01");
    watch.pass();
    watch.clock += REMEMBERED;
    watch.minutes(1);
    watch.pass();
    watch.put(gone);
    assert_eq!(watch.heard(), NOTHING);
}

#[test]
fn a_webhook_that_was_away_while_a_station_went_and_came_back_hears_what_became_of_its_case() {
    for (now, told) in [(differs("EQ-01", "identity", "1"), vec![]), (aligned("EQ-01"), vec!["on-call closed EQ-01"])] {
        let mut watch = Watch::new();
        watch.put(differs("EQ-01", "identity", "1"));
        watch.pass();
        let here = std::mem::take(&mut watch.terms.webhooks);
        watch.take("EQ-01");
        watch.pass();
        watch.terms.webhooks = here;
        watch.put(now);
        assert_eq!(watch.heard(), told);
    }
}

#[test]
fn a_webhook_hears_of_a_change_only_where_a_part_that_it_takes_changed() {
    let both = |primary: &str, lamp: &str| {
        let of = |name, wanted| setting(name, Drift::Differs, wanted, "9");
        station("EQ-01", vec![of("emergency.primary", primary), of("lamp.follows", lamp)], vec![])
    };
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("all", &Weight::ALL), webhook("heavy", &[Weight::Lifeline])];
    watch.put(both("1", "1"));
    watch.pass();
    watch.minutes(40);
    watch.put(both("1", "2"));
    let verdict = watch.pass();
    assert_eq!(heard(&verdict), ["all grown EQ-01"]);
    let data = data(&verdict.messages[0].body);
    let counted = ["lifeline", "routine"].map(|weight| data["counts"]["grown"][weight].as_u64());
    assert_eq!(counted, [Some(0), Some(1)], "it is counted by what changed");
    watch.minutes(20);
    assert_eq!(watch.heard(), ["heavy still_open EQ-01"], "it heard of nothing since");
    watch.put(both("2", "2"));
    assert_eq!(watch.heard(), ["all grown EQ-01", "heavy grown EQ-01"]);
    watch.put(station("EQ-01", vec![setting("emergency.primary", Drift::InDoubt, "2", "9")], vec![]));
    assert_eq!(watch.heard(), ["all eased EQ-01", "heavy eased EQ-01"], "it knows the case though it missed a part");
    watch.put(differs("EQ-01", "lamp.follows", "5"));
    assert_eq!(watch.heard(), ["all grown EQ-01", "heavy eased EQ-01"], "what is worse is none of its");
    watch.put(aligned("EQ-01"));
    assert_eq!(watch.heard(), ["all closed EQ-01", "heavy closed EQ-01"]);
}

#[test]
fn a_reminder_that_falls_due_with_a_change_that_a_webhook_does_not_take_comes_with_it() {
    let both = |lamp: &str| {
        let of = |name, wanted| setting(name, Drift::Differs, wanted, "9");
        station("EQ-01", vec![of("emergency.primary", "1"), of("lamp.follows", lamp)], vec![])
    };
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline])];
    watch.put(both("1"));
    watch.pass();
    watch.minutes(60);
    watch.put(both("2"));
    assert_eq!(watch.heard(), ["heavy still_open EQ-01"]);
}

#[test]
fn nobody_hears_of_a_lighter_webhooks_good_news_what_is_bad_for_all() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("light", &[Weight::Routine])];
    watch.put(differs("EQ-01", "lamp.follows", "1"));
    watch.pass();
    watch.put(station("EQ-01", vec![], vec![lifeline("emergency", Service::Failed)]));
    assert_eq!(watch.heard(), ["light grown EQ-01"], "its lamp is right, but the station is not better");
}

#[test]
fn an_empty_fleet_is_never_the_withdrawal_of_all() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.stations.clear();
    assert!(watch.verdict().is_empty());
}

#[test]
fn more_bad_news_than_the_set_share_of_the_fleet_is_many() {
    let mut watch = Watch::new();
    (0..3).for_each(|n| watch.put(differs(&format!("EQ-{n:02}"), "identity", "1")));
    assert!(!watch.pass().many, "three of ten are not more than 30 %");
    let share = std::mem::replace(&mut watch.terms.many_share, 0.2);
    (0..3).for_each(|n| watch.put(differs(&format!("EQ-{n:02}"), "identity", "9")));
    assert!(watch.pass().many, "and more than a smaller share");
    watch.terms.many_share = share;
    (0..4).for_each(|n| watch.put(differs(&format!("EQ-{n:02}"), "identity", "2")));
    let verdict = watch.pass();
    assert!(verdict.many, "three that grew and one that opened are");
    assert_eq!(data(&verdict.messages[0].body)["many"], true);
    (0..10).for_each(|n| watch.put(aligned(&format!("EQ-{n:02}"))));
    assert!(!watch.pass().many, "good news is none");
    (4..10).for_each(|n| drop(watch.stations.remove(&*format!("EQ-{n:02}"))));
    (0..2).for_each(|n| watch.put(differs(&format!("EQ-{n:02}"), "identity", "1")));
    assert!(!watch.pass().many, "two are never many, though they are half the fleet");
}

#[test]
fn a_case_that_cannot_be_read_is_told_again_and_not_lost() {
    for (station, reason) in [(differs("EQ-01", "lamp.follows", "1"), "opened"), (aligned("EQ-01"), "closed")] {
        let mut watch = Watch::new();
        watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline]), webhook("light", &[Weight::Routine])];
        watch.put(station);
        watch.kept("EQ-01", "{\"case\": 7, \"told\": {}}");
        assert_eq!(watch.heard(), [format!("heavy {reason} EQ-01"), format!("light {reason} EQ-01")]);
    }
    let mut watch = Watch::new();
    watch.kept("XX-01", "gone with the old version");
    assert_eq!(watch.heard(), ["on-call withdrawn XX-01"]);
}

#[test]
fn the_same_alarm_raised_again_is_another_message() {
    let mut watch = Watch::new();
    let mut ids = std::collections::BTreeSet::new();
    let mut count = 0;
    for _ in 0..3 {
        for station in [differs("EQ-01", "identity", "121"), aligned("EQ-01")] {
            watch.put(station);
            let verdict = watch.pass();
            count += verdict.messages.len();
            ids.extend(verdict.messages.into_iter().map(|message| message.id));
        }
    }
    assert_eq!((ids.len(), count), (6, 6));
}

#[test]
fn one_decision_worked_out_twice_is_one_message_whatever_the_clock() {
    let mut watch = Watch::new();
    watch.terms.webhooks.push(webhook("second", &Weight::ALL));
    watch.put(differs("EQ-01", "identity", "121"));
    let first = watch.verdict();
    assert_eq!(first, watch.verdict());
    let chain = |verdict: &Verdict| verdict.writes["progress/"].clone();
    watch.put(differs("EQ-01", "identity", "122"));
    assert_ne!(first.messages[0].id, watch.verdict().messages[0].id, "another decision from the same state");
    watch.put(differs("EQ-01", "identity", "121"));
    watch.minutes(1);
    watch.terms.webhooks.reverse();
    let later = watch.verdict();
    let ids =
        |verdict: &Verdict| verdict.messages.iter().map(|m| m.id.clone()).collect::<std::collections::BTreeSet<_>>();
    assert_eq!((ids(&first), chain(&first)), (ids(&later), chain(&later)));
}

/// The same unit under a new name has not left: its case goes on, and nobody is told to put the old name back.
#[test]
fn a_station_with_a_new_name_takes_its_case_along() {
    let renamed =
        |drift: Arc<StationDrift>| Arc::new(StationDrift { formerly: vec!["EQ-01".into()], ..(*drift).clone() });
    for has_restarted in [false, true] {
        let mut watch = Watch::new();
        watch.put(differs("EQ-01", "identity", "121"));
        watch.put(differs("EQ-02", "identity", "122"));
        assert_eq!(watch.heard(), ["on-call opened EQ-01", "on-call opened EQ-02"]);
        let opened_at = watch.open("EQ-01").opened_at;
        watch.minutes(5);
        if has_restarted {
            watch.restart();
        }
        watch.take("EQ-01");
        watch.put(renamed(differs("NQ-01", "identity", "121")));
        assert_eq!(watch.heard(), NOTHING);
        assert_eq!(watch.open("NQ-01").opened_at, opened_at);
        // A pager knows the case by its first name, and closes it by that.
        watch.put(renamed(differs("NQ-01", "identity", "123")));
        let grown = watch.pass();
        assert_eq!(grown.messages[0].gists[0].key, "Skerry Coast Harbours/EQ-01");
        let entry = &data(&grown.messages[0].body)["grown"][0];
        assert_eq!((&entry["station"], &entry["key"]), (&"NQ-01".into(), &"Skerry Coast Harbours/EQ-01".into()));
        assert!(!watch.cases.rows().contains_key("station/EQ-01"));
        // An aligned one is neither gone nor new.
        watch.take("EQ-02");
        let other = aligned("NQ-02");
        watch.put(Arc::new(StationDrift { formerly: vec!["EQ-02".into()], ..(*other).clone() }));
        assert_eq!(watch.heard(), ["on-call closed NQ-02"]);
        watch.put(renamed(aligned("NQ-01")));
        let closed = watch.pass();
        assert_eq!((heard(&closed).concat(), closed.messages.len()), ("on-call closed NQ-01".into(), 1));
        let gist = &closed.messages[0].gists[0];
        assert!(gist.is_over && gist.key == "Skerry Coast Harbours/EQ-01", "{gist:?}");
        // A later case is one of the new name.
        watch.put(renamed(differs("NQ-01", "identity", "124")));
        assert_eq!(watch.pass().messages[0].gists[0].key, "Skerry Coast Harbours/NQ-01");
        watch.put(renamed(aligned("NQ-01")));
        watch.pass();
        assert!(watch.pass().is_empty());
    }
}

/// A pager closes a case by its key: that of one must not be another's.
#[test]
fn a_new_station_with_the_old_name_of_a_renamed_one_has_a_key_of_its_own() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.take("EQ-01");
    let renamed = StationDrift { formerly: vec!["EQ-01".into()], ..(*differs("NQ-01", "identity", "121")).clone() };
    watch.put(Arc::new(renamed));
    assert_eq!(watch.heard(), NOTHING);
    // The old name is nobody's any more, and then another unit's.
    watch.put(differs("NQ-01", "identity", "121"));
    watch.put(differs("EQ-01", "identity", "125"));
    let opened = watch.pass();
    let own = opened.messages[0].gists[0].key.clone();
    assert_eq!((heard(&opened).concat(), &*own), ("on-call opened EQ-01".into(), "Skerry Coast Harbours/EQ-01 (2)"));
    watch.restart();
    watch.put(differs("EQ-01", "identity", "126"));
    assert_eq!(watch.pass().messages[0].gists[0].key, own);
    watch.put(aligned("NQ-01"));
    let closed = watch.pass();
    assert_eq!(closed.messages[0].gists[0].key, "Skerry Coast Harbours/EQ-01");
    watch.put(aligned("EQ-01"));
    let closed = watch.pass();
    assert_eq!((&closed.messages[0].gists[0].key, closed.messages[0].gists[0].is_over), (&own, true));
}
