//! What is no longer looked at: told once, never as aligned, and told again when it is looked at again.

use super::fixture::*;
use crate::drift::{Drift, Service};
use crate::setting::Weight;

const NOTHING: [&str; 0] = [];
const PRIMARY: &str = "emergency.primary";

#[test]
fn a_case_of_which_the_drifting_setting_is_let_go_is_not_over_as_aligned_and_says_which_line_did_it() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("light", &[Weight::Routine]), webhook("on-call", &Weight::ALL)];
    watch.put(differs("EQ-01", PRIMARY, "121"));
    watch.pass();
    watch.put(let_go(watch.stations["EQ-01"].clone(), PRIMARY, Some(9)));
    let verdict = watch.pass();
    assert_eq!(heard(&verdict), ["on-call unwatched EQ-01"]);
    let data = data(&verdict.messages[0].body);
    let entry = &data["unwatched"][0];
    let lost = serde_json::json!([{"setting": PRIMARY, "weight": "lifeline", "was": "differs",
        "at": "inventory/fleet.yaml:9:5"}]);
    assert_eq!((&entry["unwatched"], &entry["standing"], &entry["weight"]), (&lost, &().into(), &().into()));
    assert_eq!(entry["since"], "2026-11-20T10:00:00Z");
    assert_eq!(entry["next"]["do"], "say in the inventory what is wanted for emergency.primary");
    assert_eq!(data["counts"]["unwatched"]["lifeline"], 1);
    assert_eq!(data["cause"]["unwatched"][0]["at"], "inventory/fleet.yaml:9:5");
    assert_eq!(
        data["summary"],
        "No longer managed at EQ-01 (East quay, EQ-01): emergency.primary differs (let go by \
         inventory/fleet.yaml:9:5). To do: say in the inventory what is wanted of what is no longer managed \
         (1 station). Fleet: 10 aligned."
    );
    watch.minutes(60 * 24 * 7);
    assert_eq!(watch.heard(), NOTHING, "it is told once");
}

#[test]
fn who_heard_of_a_case_hears_that_its_setting_was_let_go_whatever_it_weighs_and_nobody_else() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline]), webhook("light", &[Weight::Routine])];
    watch.put(differs("EQ-01", "lamp.follows", "1"));
    watch.pass();
    watch.put(let_go(watch.stations["EQ-01"].clone(), "lamp.follows", None));
    assert_eq!(watch.heard(), ["light unwatched EQ-01"]);
    watch.put(let_go(aligned("EQ-02"), "lamp.follows", Some(4)));
    assert_eq!(watch.heard(), NOTHING, "it was right, and no lifeline");
}

#[test]
fn a_lifeline_setting_that_is_let_go_where_all_was_aligned_is_told_once_to_who_takes_lifelines() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline]), webhook("light", &[Weight::Routine])];
    watch.pass();
    for nth in 0..10 {
        watch.put(let_go(aligned(&format!("EQ-{nth:02}")), PRIMARY, Some(9)));
    }
    let verdict = watch.pass();
    let told: Vec<String> = (0..10).map(|nth| format!("heavy unwatched EQ-{nth:02}")).collect();
    assert_eq!(heard(&verdict), told);
    assert!(verdict.many, "it is bad news");
    let data = data(&verdict.messages[0].body);
    assert_eq!((&data["counts"]["unwatched"]["lifeline"], &data["closed"]), (&10.into(), &serde_json::json!([])));
    assert_eq!(data["cause"]["unwatched"][0]["stations"], 10);
    let first = "No longer managed at 10 stations (10 lifeline), first EQ-00 (East quay, EQ-00): \
        emergency.primary (let go by inventory/fleet.yaml:9:5). To do: ";
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
    watch.minutes(60 * 24);
    assert_eq!(watch.heard(), NOTHING);
    // Managed again: right, and wrong.
    watch.put(aligned("EQ-00"));
    watch.put(differs("EQ-01", PRIMARY, "121"));
    assert_eq!(watch.heard(), ["heavy opened EQ-01", "heavy watched EQ-00"]);
    watch.put(let_go(aligned("EQ-00"), PRIMARY, None));
    assert_eq!(watch.heard(), ["heavy unwatched EQ-00"], "and it may be let go again");
}

#[test]
fn a_station_is_never_aligned_again_while_something_there_is_not_looked_at_that_once_was() {
    let lamp = || setting("lamp.follows", Drift::Differs, "1", "0");
    let both = station("EQ-01", vec![setting(PRIMARY, Drift::Differs, "121", "1"), lamp()], vec![]);
    let mut watch = Watch::new();
    watch.put(both.clone());
    watch.pass();
    watch.put(let_go(both.clone(), PRIMARY, Some(9)));
    let verdict = watch.pass();
    assert_eq!(heard(&verdict), ["on-call unwatched EQ-01"]);
    let entry = &data(&verdict.messages[0].body)["unwatched"][0];
    assert_eq!((&entry["standing"], &entry["weight"]), (&"adrift".into(), &"routine".into()), "the case goes on");
    watch.minutes(1_440);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"]);
    watch.put(let_go(aligned("EQ-01"), PRIMARY, Some(9)));
    assert_eq!(watch.heard(), ["on-call unwatched EQ-01"], "the lamp is right, and nobody knows of the rest");
    // So it is of the next case.
    watch.put(let_go(both, PRIMARY, Some(9)));
    assert_eq!(watch.heard(), ["on-call opened EQ-01"]);
    watch.put(let_go(aligned("EQ-01"), PRIMARY, Some(9)));
    assert_eq!(watch.heard(), ["on-call unwatched EQ-01"]);
    watch.put(aligned("EQ-01"));
    assert_eq!(watch.heard(), ["on-call watched EQ-01"]);
}

#[test]
fn a_setting_that_is_looked_at_again_beside_an_open_case_is_told_by_itself() {
    let lamp = || station("EQ-01", vec![setting("lamp.follows", Drift::Differs, "1", "0")], vec![]);
    let mut watch = Watch::new();
    watch.put(lamp());
    watch.pass();
    watch.put(let_go(lamp(), PRIMARY, None));
    assert_eq!(watch.heard(), ["on-call unwatched EQ-01"]);
    watch.put(lamp());
    assert_eq!(watch.heard(), ["on-call watched EQ-01"]);
    watch.put(aligned("EQ-01"));
    assert_eq!(watch.heard(), ["on-call closed EQ-01"]);
}

#[test]
fn what_a_keybook_no_longer_has_is_told_once_and_does_not_stand_in_the_way_for_good() {
    let without = |drift: std::sync::Arc<crate::drift::StationDrift>| {
        let mut other = (*drift).clone();
        std::sync::Arc::make_mut(&mut other.scope).settings.retain(|setting| &*setting.name != PRIMARY);
        std::sync::Arc::new(other)
    };
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", PRIMARY, "121"));
    watch.pass();
    watch.put(without(aligned("EQ-01")));
    watch.put(without(aligned("EQ-02")));
    assert_eq!(watch.heard(), ["on-call unwatched EQ-01", "on-call unwatched EQ-02"]);
    watch.put(without(differs("EQ-01", "lamp.follows", "1")));
    assert_eq!(watch.heard(), ["on-call opened EQ-01"]);
    watch.put(without(aligned("EQ-01")));
    assert_eq!(watch.heard(), ["on-call closed EQ-01"]);
}

#[test]
fn a_lifeline_whose_test_is_owed_and_counts_no_more_is_not_aligned() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![], vec![lifeline("emergency", Service::Untested)]));
    watch.pass();
    let mut untracked = (*aligned("EQ-01")).clone();
    untracked.lifelines.clear();
    for scope in
        std::sync::Arc::make_mut(&mut untracked.scope).lifelines.iter_mut().filter(|scope| &*scope.name == "emergency")
    {
        scope.is_watched = false;
    }
    watch.put(untracked.into());
    let verdict = watch.pass();
    assert_eq!(heard(&verdict), ["on-call unwatched EQ-01"]);
    let lost = &data(&verdict.messages[0].body)["unwatched"][0]["unwatched"];
    assert_eq!(*lost, serde_json::json!([{"lifeline": "emergency", "weight": "lifeline", "was": "untested"}]));
}

#[test]
fn a_setting_that_is_called_something_less_and_then_let_go_is_no_way_to_silence() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("heavy", &[Weight::Lifeline])];
    watch.pass();
    let mut less = (*aligned("EQ-01")).clone();
    std::sync::Arc::make_mut(&mut less.scope).settings.iter_mut().for_each(|setting| setting.is_lifeline = false);
    watch.put(less.clone().into());
    assert_eq!(watch.heard(), NOTHING);
    std::sync::Arc::make_mut(&mut less.scope).settings.iter_mut().for_each(|setting| setting.is_watched = false);
    watch.put(less.into());
    assert_eq!(watch.heard(), ["heavy unwatched EQ-01"]);
}

#[test]
fn a_webhook_that_was_away_never_hears_that_what_was_let_go_is_aligned() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", PRIMARY, "121"));
    watch.pass();
    let here = std::mem::take(&mut watch.terms.webhooks);
    watch.put(let_go(aligned("EQ-01"), PRIMARY, Some(9)));
    watch.pass();
    watch.terms.webhooks = here;
    watch.minutes(60);
    assert_eq!(watch.heard(), ["on-call unwatched EQ-01"]);
}

#[test]
fn a_station_new_to_the_inventory_has_lost_nothing() {
    let mut watch = Watch::new();
    watch.put(let_go(aligned("NQ-01"), PRIMARY, Some(9)));
    assert_eq!(watch.heard(), NOTHING);
}

#[test]
fn different_losses_from_the_same_state_are_different_messages() {
    let mut watch = Watch::new();
    watch.pass();
    let lose = |watch: &mut Watch, setting| {
        watch.put(let_go(aligned("EQ-01"), setting, None));
        watch.verdict().messages.remove(0).id
    };
    assert_ne!(lose(&mut watch, PRIMARY), lose(&mut watch, "line.kind"));
}
