//! What is said first: buttons that call nobody, by the record or by their last test call.

use super::super::body::form::{BodyTerms, For, Form};
use super::fixture::*;
use super::*;
use crate::drift::{Drift, Elsewhere, LifelineService, Met, Service, Setback, Standing, StationDrift};
use crate::ledger::Mark;
use crate::script::Undecided;
use crate::setting::Weight;
use std::sync::Arc;

/// A red button of which someone says that it failed, at this time.
fn failed(at: &str, note: Option<&str>) -> LifelineService {
    LifelineService {
        title: "the red button".into(),
        mark: Some(Mark { at: at.parse().unwrap(), report: uuid::Uuid::from_u128(7) }),
        because: note.map(Into::into),
        ..lifeline("emergency", Service::Failed)
    }
}

fn dead() -> LifelineService {
    LifelineService {
        title: "the red button".into(),
        because: Some("\"unit mode\" is setup".into()),
        ..lifeline("emergency", Service::Dead)
    }
}

fn told(watch: &mut Watch) -> serde_json::Value {
    data(&watch.pass().messages[0].body)
}

fn summary(told: &serde_json::Value) -> &str {
    told["summary"].as_str().unwrap()
}

#[test]
fn a_failed_test_says_what_a_caller_meets_who_tested_what_they_noted_and_what_to_do() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![], vec![failed("2026-11-20T00:10:00Z", Some("caller could not hear"))]));
    let opened = told(&mut watch);
    assert_eq!(
        summary(&opened),
        "EQ-01: pressing the red button did not reach help (tested 2026-11-20 00:10 UTC by tech-07: caller could not hear). Put a stand-in \
         there. New drift at EQ-01 (East quay, EQ-01). To do: test 1 station. Fleet: 1 out-of-service, 9 aligned."
    );
    let entry = &opened["opened"][0];
    let button = serde_json::json!({
        "lifeline": "emergency", "title": "the red button", "service": "failed", "at": "2026-11-20T00:10:00Z", "by": "tech-07",
        "meaning": "pressing the red button did not reach help (tested 2026-11-20 00:10 UTC by tech-07: caller could not hear)",
    });
    assert_eq!(entry["lifelines"], serde_json::json!([button]));
    assert_eq!((&opened["severity"], &entry["severity"]), (&"critical".into(), &"critical".into()));
    assert_eq!(entry["stand_in"], "Put a stand-in there until a test call reaches help.");
    assert_eq!(entry["next"], serde_json::json!({"do": "make a test call of the red button"}));
    // There is a way back by now.
    watch.ways_back.insert("EQ-01".into());
    watch.minutes(24 * 60);
    let reminded = told(&mut watch);
    let first = "EQ-01: pressing the red button did not reach help (tested 2026-11-20 00:10 UTC by tech-07: caller could not \
                 hear). Put a stand-in there. To go back to what last worked, run \"stationkeep script EQ-01 --back\". Still open";
    assert!(summary(&reminded).starts_with(first), "{reminded}");
    assert_eq!(reminded["still_open"][0]["next"]["way_back"], "stationkeep script EQ-01 --back");
}

#[test]
fn a_button_that_is_dead_by_the_record_is_as_critical_as_one_that_failed_and_says_why() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![setting("lamp.follows", Drift::Differs, "1", "0")], vec![dead()]));
    let opened = told(&mut watch);
    let first = "EQ-01: pressing the red button calls nobody (\"unit mode\" is setup). Put a stand-in there. New drift at EQ-01 \
                 (East quay, EQ-01): lamp follows differs.";
    assert!(summary(&opened).starts_with(first), "{opened}");
    assert_eq!(opened["severity"], "critical");
    assert_eq!(opened["buttons"], serde_json::json!({"failed": 0, "dead": 1, "stations": 1, "unsure": 0}));
    // Set right and failing its test it calls nobody still: that is news, and no better.
    watch.put(station("EQ-01", vec![], vec![failed("2026-11-20T10:00:00Z", None)]));
    let then = told(&mut watch);
    assert!(
        summary(&then).starts_with(
            "EQ-01: pressing the red button did not reach help (tested 2026-11-20 10:00 UTC by tech-07). "
        )
    );
    assert_eq!(then["grown"][0]["station"], "EQ-01", "{then}");
    // Put right and dead again, the fix did not stick.
    watch.report("EQ-01");
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.put(station("EQ-01", vec![], vec![dead()]));
    assert_eq!(told(&mut watch)["opened"][0]["did_not_stick"], true);
}

#[test]
fn whatever_else_there_is_to_tell_the_first_button_that_calls_nobody_and_their_exact_number_stand_first() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("on-call", &Weight::ALL)];
    // The heaviest of the others come before it by name, reason and weight.
    for nth in 0..700 {
        watch.put(differs(&format!("A-{nth:03}"), "emergency.primary", "1"));
    }
    watch.pass();
    for nth in 0..700 {
        watch.put(differs(&format!("A-{nth:03}"), "emergency.primary", &format!("2{nth}")));
    }
    let two = vec![dead(), LifelineService { title: "the blue button".into(), ..lifeline("side", Service::Failed) }];
    watch.put(station("Z-02", vec![], two));
    watch.put(station("Z-01", vec![], vec![failed("2026-11-20T09:00:00Z", None)]));
    let told = told(&mut watch);
    let first = "Z-01: pressing the red button did not reach help (tested 2026-11-20 09:00 UTC by tech-07). 3 buttons at 2 stations do not \
                 work: 2 did not reach help, 1 calls nobody. Put a stand-in at each. Many at once. ";
    assert!(summary(&told).starts_with(first), "{told}");
    assert_eq!(told["buttons"], serde_json::json!({"failed": 2, "dead": 1, "stations": 2, "unsure": 0}));
    let stations: Vec<&str> =
        told["opened"].as_array().unwrap().iter().map(|entry| entry["station"].as_str().unwrap()).collect();
    assert_eq!(stations, ["Z-01", "Z-02"], "none of them is left out");
}

#[test]
fn a_fallback_that_calls_nobody_leaves_the_button_and_is_said_with_the_rest() {
    let mut watch = Watch::new();
    let fallback = LifelineService {
        title: "the second number".into(),
        is_required: false,
        because: Some("\"emergency backup\" is empty".into()),
        ..lifeline("side", Service::Dead)
    };
    let drift = (*station("EQ-01", vec![], vec![fallback])).clone();
    watch.put(Arc::new(StationDrift { standing: Standing::Adrift, ..drift }));
    let told = told(&mut watch);
    assert!(summary(&told).starts_with("New drift at EQ-01 (East quay, EQ-01): adrift, lifeline; "), "{told}");
    assert_eq!(told["severity"], "error");
    let entry = &told["opened"][0];
    assert_eq!(entry["lifelines"][0]["meaning"], "the second number calls nobody (\"emergency backup\" is empty)");
    assert_eq!(entry.get("stand_in"), None);
}

#[test]
fn the_totals_are_the_fleets_and_stand_first_in_a_message_about_another_station_too() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![], vec![failed("2026-11-20T09:00:00Z", None)]));
    watch.put(station("EQ-02", vec![], vec![failed("2026-11-20T09:30:00Z", None)]));
    watch.pass();
    watch.put(differs("EQ-05", "lamp.follows", "1"));
    let told = told(&mut watch);
    let first = "EQ-01: pressing the red button did not reach help (tested 2026-11-20 09:00 UTC by tech-07). 2 buttons at 2 stations did \
                 not reach help. Put a stand-in at each. New drift at EQ-05";
    assert!(summary(&told).starts_with(first), "{told}");
    assert_eq!(told["buttons"], serde_json::json!({"failed": 2, "dead": 0, "stations": 2, "unsure": 0}));
    assert_eq!(told["opened"].as_array().unwrap().len(), 1);
}

#[test]
fn a_button_of_which_nobody_knows_any_longer_whom_it_calls_may_call_nobody() {
    let mut watch = Watch::new();
    let unsure = LifelineService {
        title: "the red button".into(),
        because: Some("nobody knows \"first number\"".into()),
        ..lifeline("emergency", Service::Untested)
    };
    watch.put(station("EQ-01", vec![setting("emergency.primary", Drift::Unproven, "1", "")], vec![unsure]));
    let told = told(&mut watch);
    let first = "EQ-01: pressing the red button may call nobody (nobody knows \"first number\"). Put a stand-in there. New \
                 drift at EQ-01";
    assert!(summary(&told).starts_with(first), "{told}");
    let entry = &told["opened"][0];
    assert_eq!((&told["severity"], &entry["stand_in"].is_string()), (&"error".into(), &true));
    assert_eq!(told["buttons"], serde_json::json!({"failed": 0, "dead": 0, "stations": 0, "unsure": 1}));
}

fn unsure() -> LifelineService {
    LifelineService {
        title: "the red button".into(),
        because: Some("nobody knows \"unit mode\"".into()),
        ..lifeline("emergency", Service::Untested)
    }
}

#[test]
fn a_station_whose_button_calls_nobody_or_may_is_never_told_as_better() {
    let first = "EQ-01: pressing the red button may call nobody (nobody knows \"unit mode\"). Put a stand-in there. Changed at \
                 EQ-01 (East quay, EQ-01): unit mode in-doubt.";
    let mode = |drift| setting("unit.mode", drift, "1", "0");
    let in_doubt = || {
        let drift = station("EQ-01", vec![mode(Drift::InDoubt)], vec![unsure()]);
        Arc::new(StationDrift { standing: Standing::InDoubt, ..(*drift).clone() })
    };
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![mode(Drift::Differs)], vec![dead()]));
    watch.pass();
    watch.put(in_doubt());
    // Nobody learned that it works: as urgent as it was.
    let doubted = told(&mut watch);
    assert_eq!(doubted["grown"].as_array().map(Vec::len), Some(1), "{doubted}");
    assert!(summary(&doubted).starts_with(first), "{doubted}");
    assert_eq!((&doubted["severity"], &doubted["buttons"]["unsure"]), (&"critical".into(), &1.into()));
    // A report that says that it calls someone is what eases it.
    watch.put(station("EQ-01", vec![mode(Drift::InDoubt)], vec![lifeline("emergency", Service::Untested)]));
    let eased = told(&mut watch);
    assert_eq!((&eased["severity"], &eased["buttons"]["unsure"]), (&"error".into(), &0.into()));
    assert_eq!(eased["eased"].as_array().map(Vec::len), Some(1), "{eased}");
    // One that calls nobody all the same, where something else was put right.
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![setting("lamp.follows", Drift::Differs, "1", "0")], vec![dead()]));
    watch.pass();
    watch.put(station("EQ-01", vec![], vec![dead()]));
    let eased = told(&mut watch);
    assert!(summary(&eased).contains("Changed at EQ-01") && !summary(&eased).contains("Better"), "{eased}");
    assert_eq!(eased["severity"], "critical");
    // Buttons that call nobody elsewhere stand first, and this one right after them.
    let mut watch = Watch::new();
    watch.put(station("EQ-02", vec![], vec![failed("2026-11-20T09:00:00Z", None)]));
    watch.pass();
    watch.put(in_doubt());
    let opened = told(&mut watch);
    let first = "EQ-02: pressing the red button did not reach help (tested 2026-11-20 09:00 UTC by tech-07). 1 more button may call \
                 nobody. Put a stand-in there. EQ-01: pressing the red button may call nobody (nobody knows \"unit mode\"). Put a stand-in there. New drift at EQ-01";
    assert!(summary(&opened).starts_with(first), "{opened}");
}

#[test]
fn a_test_call_that_failed_where_nothing_is_to_be_keyed_asks_for_a_repair_and_no_mere_test() {
    let mut watch = Watch::new();
    watch.next.insert("EQ-01".into(), Next::Repair);
    watch.put(station("EQ-01", vec![], vec![failed("2026-11-20T09:00:00Z", None)]));
    let opened = told(&mut watch);
    assert!(summary(&opened).contains("To do: find the fault at 1 station."), "{opened}");
    assert_eq!((&opened["to_do"]["to_repair"], &opened["to_do"]["to_test"]), (&1.into(), &0.into()));
    let next = serde_json::json!({
        "do": "check the line and the unit. If both are sound, reset or replace the unit: its card says how. Then make a test call \
               of the red button",
        "command": "stationkeep script EQ-01",
    });
    assert_eq!(opened["opened"][0]["next"], next);
    watch.ways_back.insert("EQ-01".into());
    watch.minutes(24 * 60);
    let back = "stationkeep script EQ-01 --back";
    let next = serde_json::json!({
        "do": "find and fix the fault, or go back to what last worked. Then make a test call of the red button",
        "command": back, "way_back": back,
    });
    assert_eq!(told(&mut watch)["still_open"][0]["next"], next);
}

#[test]
fn what_went_wrong_before_with_what_is_wanted_is_told_with_the_station() {
    let mut watch = Watch::new();
    let setback = Setback::Failed {
        lifeline: "second".into(),
        button: "the second number".into(),
        at: "2026-11-20T09:00:00Z".parse().unwrap(),
        by: "tech-07".into(),
    };
    let drift = (*station("EQ-01", vec![setting("emergency.backup", Drift::Differs, "1", "0")], vec![])).clone();
    watch.put(Arc::new(StationDrift { setbacks: vec![setback], ..drift }));
    let opened = told(&mut watch);
    let sentence = "With what is wanted now, a test call of the second number failed on 2026-11-20 09:00 UTC (tech-07). Find out why \
                    before you key it.";
    assert!(summary(&opened).contains(&format!("emergency backup differs. {sentence} To do")), "{opened}");
    assert_eq!(opened["opened"][0]["setbacks"], serde_json::json!([sentence]));
}

#[test]
fn a_button_that_called_someone_else_is_said_first_with_who_should_answer() {
    let mut watch = Watch::new();
    let elsewhere = Elsewhere {
        called: "the red button called the harbour master, not the control room".into(),
        until: "it calls the control room".into(),
    };
    let one = LifelineService { elsewhere: Some(elsewhere), ..lifeline("emergency", Service::Untested) };
    watch.put(station("EQ-01", vec![], vec![one]));
    let opened = told(&mut watch);
    let first = "EQ-01: the red button called the harbour master, not the control room. Keep a stand-in until it calls the \
                 control room. New drift at EQ-01";
    assert!(summary(&opened).starts_with(first), "{opened}");
    // It calls someone.
    assert_eq!(opened["buttons"]["unsure"], 0);
}

#[test]
fn a_visit_that_only_puts_a_known_fault_in_doubt_makes_nothing_better() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![setting("identity", Drift::Differs, "1", "2")], vec![]));
    watch.pass();
    watch.put(station("EQ-01", vec![setting("identity", Drift::InDoubt, "1", "2")], vec![]));
    let told = told(&mut watch);
    assert!(summary(&told).contains("Changed at EQ-01") && !summary(&told).contains("Better"), "{told}");
}

#[test]
fn what_people_must_decide_is_said_as_such_and_counted_apart() {
    let mut watch = Watch::new();
    let undecided = |is_aside| Undecided { settings: vec![("unit.mode".into(), "unit mode".into())], is_aside };
    for (name, is_aside) in [("EQ-01", false), ("EQ-02", true)] {
        watch.next.insert(name.into(), Next::Decide(undecided(is_aside)));
        watch.put(station(name, vec![], vec![dead()]));
    }
    let opened = told(&mut watch);
    assert_eq!((&opened["to_do"]["to_decide"], &opened["to_do"]["to_test"]), (&2.into(), &0.into()));
    let next = |nth: usize| &opened["opened"][nth]["next"];
    assert_eq!(next(0), &serde_json::json!({"do": "say in the inventory what unit mode should be, then key it"}));
    assert_eq!(next(1)["command"], "stationkeep aside EQ-02 unit.mode --end --by NAME");
}

#[test]
fn in_a_rehearsal_every_alert_says_so_first_and_has_the_id_that_it_would_have() {
    let tell = |rehearsal: bool| {
        let mut watch = Watch::new();
        watch.terms.rehearsal = rehearsal;
        watch.put(station("EQ-01", vec![], vec![dead()]));
        watch.pass().messages.remove(0)
    };
    let (real, rehearsed) = (tell(false), tell(true));
    assert_eq!(real.id, rehearsed.id);
    assert_eq!(summary(&data(&rehearsed.body)), format!("REHEARSAL: {}", summary(&data(&real.body))));
    assert!(rehearsed.gists[0].title.starts_with("REHEARSAL: EQ-01: pressing the red button calls nobody"));
}

#[test]
fn a_stand_in_stays_until_a_test_call_reaches_help_however_often_the_keyed_button_is_told_of() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![], vec![dead()]));
    watch.pass();
    watch.put(station("EQ-01", vec![], vec![lifeline("emergency", Service::Untested)]));
    assert!(told(&mut watch)["eased"][0]["stand_in"].is_string());
    watch.restart();
    watch.minutes(24 * 60);
    assert!(told(&mut watch)["still_open"][0]["stand_in"].is_string());
    watch.put(aligned("EQ-01"));
    assert_eq!(told(&mut watch)["closed"][0].get("stand_in"), None);
    // One that was only never tested needs none.
    watch.put(station("EQ-02", vec![], vec![lifeline("emergency", Service::Untested)]));
    assert_eq!(told(&mut watch)["opened"][0].get("stand_in"), None);
}

#[test]
fn the_fault_of_a_failed_button_of_a_held_station_is_looked_for_all_the_same() {
    let mut watch = Watch::new();
    let number = setting("emergency.primary", Drift::Differs, "1", "0");
    watch.put(station("EQ-01", vec![number], vec![failed("2026-11-20T09:00:00Z", None)]));
    watch.held = Some(held(DIGEST));
    let release = watch.held.as_ref().unwrap().change.release();
    watch.next.insert("EQ-01".into(), Next::Held { release, to_repair: true });
    let told = told(&mut watch);
    let what = told["opened"][0]["next"]["do"].as_str().unwrap();
    assert!(
        what.starts_with("check the line and the unit.") && what.ends_with("a test call of the red button"),
        "{what}"
    );
    assert_eq!((&told["to_do"]["to_repair"], &told["to_do"]["held"]), (&1.into(), &10.into()));
}

#[test]
fn a_button_that_called_nobody_when_its_station_left_the_inventory_is_no_paperwork() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![], vec![dead()]));
    watch.pass();
    watch.take("EQ-01");
    let gone = told(&mut watch);
    let first = "EQ-01: pressing the red button called nobody when the station left the inventory. Put a stand-in \
                 there. No longer in the inventory: EQ-01";
    assert!(summary(&gone).starts_with(first), "{gone}");
    assert_eq!(gone["severity"], "critical");
    // One that worked is told as ever.
    watch.take("EQ-02");
    let gone = told(&mut watch);
    assert!(summary(&gone).starts_with("No longer in the inventory: EQ-02"), "{gone}");
}

#[test]
fn a_test_call_that_fails_again_is_news_and_the_same_one_is_not() {
    let mut watch = Watch::new();
    let put = |watch: &mut Watch, at: &str| watch.put(station("EQ-01", vec![], vec![failed(at, None)]));
    put(&mut watch, "2026-11-20T09:00:00Z");
    assert_eq!(told(&mut watch)["opened"].as_array().map(Vec::len), Some(1));
    watch.minutes(1);
    assert!(watch.pass().messages.is_empty(), "nothing new");
    for at in ["2026-11-20T09:30:00Z", "2026-11-20T09:40:00Z"] {
        put(&mut watch, at);
        watch.minutes(1);
        let again = told(&mut watch);
        assert_eq!(again["grown"].as_array().map(Vec::len), Some(1), "{again}");
        assert!(summary(&again).contains(&at[11..16]), "{again}");
        watch.minutes(1);
        assert!(watch.pass().messages.is_empty(), "it was told");
    }
}

#[test]
fn a_rename_that_is_taken_back_leaves_the_case_of_a_dead_button_open() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![], vec![dead()]));
    watch.pass();
    let renamed = StationDrift { formerly: vec!["EQ-01".into()], ..(*station("EQ-21", vec![], vec![dead()])).clone() };
    for _ in 0..2 {
        watch.take("EQ-01");
        watch.put(Arc::new(renamed.clone()));
        assert!(watch.pass().messages.is_empty(), "the same button under another name");
        watch.minutes(1);
        watch.take("EQ-21");
        watch.put(station("EQ-01", vec![], vec![dead()]));
        let told = watch.pass().messages;
        assert!(told.is_empty(), "{told:?}");
        watch.minutes(1);
    }
    assert_eq!(watch.open("EQ-01").opened_at.to_string(), "2026-11-20T10:00:00Z");
    // What is told from then on has the key that receivers know.
    watch.put(aligned("EQ-01"));
    let told = watch.pass().messages;
    assert_eq!(
        (told.len(), &*told[0].gists[0].key, told[0].gists[0].is_over),
        (1, "Skerry Coast Harbours/EQ-01", true)
    );
}

#[test]
fn a_button_that_did_not_reach_help_stays_open_where_its_station_leaves_and_whoever_has_its_number_is_named() {
    let mut watch = Watch::new();
    let body = BodyTerms { of: For::Station, form: Form::Pager, ..BodyTerms::default() };
    watch.terms.webhooks.push(Subscription { body, ..webhook("pager", &[Weight::Lifeline]) });
    let failed = || vec![failed("2026-11-20T09:00:00Z", None)];
    for name in ["BI-04", "HC-01"] {
        watch.put(station(name, vec![], failed()));
    }
    watch.pass();
    let number = watch.stations["HC-01"].number.clone();
    watch.take("HC-01");
    watch.put(Arc::new(StationDrift { number, ..(*aligned("HC-11")).clone() }));
    let told = watch.pass();
    let page = told.messages.iter().find(|message| &*message.webhook == "pager").unwrap();
    let gone = "HC-01: pressing the red button did not reach help when the station left the inventory. Put a stand-in there. If \
                HC-11 is the same unit, write formerly: HC-01.";
    let gist = &page.gists[0];
    assert!(gist.text.starts_with(gone) && !gist.is_over, "{}", gist.text);
    assert_eq!((&*gist.key, gist.severity), ("Skerry Coast Harbours/HC-01", Severity::Critical));
    let all = data(&told.messages[0].body);
    assert!(summary(&all).starts_with(gone) && summary(&all).contains("BI-04: pressing the red button"), "{all}");
    let next = all["withdrawn"][0]["next"]["do"].as_str().unwrap();
    assert!(next.starts_with("If HC-11 is the same unit, write formerly: HC-01. If not, put it back"), "{next}");
}

#[test]
fn what_whoever_was_there_met_is_news() {
    let at = "2026-11-20T09:00:00Z".parse().unwrap();
    let mut watch = Watch::new();
    let one = || (*station("EQ-05", vec![setting("identity", Drift::InDoubt, "105", "108")], vec![])).clone();
    watch.put(Arc::new(one()));
    watch.pass();
    let (title, value) = ("identity".into(), "108".into());
    let elsewhere = Met::Elsewhere { title, value, station: "EQ-08".into(), at };
    watch.put(Arc::new(StationDrift { met: vec![elsewhere], ..one() }));
    let grown = told(&mut watch);
    let met = "On 2026-11-20 09:00 UTC EQ-05 said 108, which is the identity of EQ-08: EQ-08 may have answered.";
    assert!(summary(&grown).contains(met), "{grown}");
    assert!(grown["grown"][0]["setbacks"][0].as_str().unwrap().starts_with(met), "{grown}");
    let refused = Met::Refused { code: "file:secrets/access".into(), at, by: "tech-11".into() };
    watch.put(Arc::new(StationDrift { met: vec![refused], ..one() }));
    let grown = told(&mut watch);
    let met = "EQ-05 refused file:secrets/access on 2026-11-20 09:00 UTC (tech-11).";
    assert!(summary(&grown).contains(met) && grown["counts"]["grown"]["stations"] == 1, "{grown}");
    let step = Setback::Refused { settings: vec!["unit mode".into()], at, by: "tech-11".into() };
    watch.put(Arc::new(StationDrift { setbacks: vec![step], ..one() }));
    let grown = told(&mut watch);
    assert!(summary(&grown).contains("The station refused a step that changes the unit mode"), "{grown}");
    watch.put(Arc::new(one()));
    assert_eq!(told(&mut watch)["counts"]["eased"]["stations"], 1);
}
