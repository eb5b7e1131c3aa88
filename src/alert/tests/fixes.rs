//! Fixes that did not stick: what is remembered of a part that was put right, and for how long.

use super::fixture::*;
use crate::drift::{Drift, Service};

/// The parts of EQ-01 that did not stay fixed, by a message's one entry.
fn did_not_stick(watch: &mut Watch, reason: &str) -> (bool, Option<String>) {
    let verdict = watch.pass();
    let data = data(&verdict.messages[0].body);
    let entry = &data[reason][0];
    let at = |part: &serde_json::Value| part["fix_confirmed_at"].as_str().map(str::to_owned);
    let parts = entry["settings"].as_array().unwrap().iter().chain(entry["lifelines"].as_array().unwrap());
    (entry["did_not_stick"] == true, parts.filter_map(at).next())
}

#[test]
fn a_fix_that_a_report_confirmed_and_that_did_not_stick_is_named() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "121"));
    assert_eq!(did_not_stick(&mut watch, "opened"), (false, None));
    watch.minutes(10);
    watch.report("EQ-01");
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.minutes(60 * 24 * 3);
    watch.put(station("EQ-01", vec![setting("emergency.primary", Drift::Strayed, "121", "9")], vec![]));
    let named = (true, Some("2026-11-20T10:10:00Z".to_owned()));
    assert_eq!(did_not_stick(&mut watch, "opened"), named);
    watch.minutes(60);
    assert_eq!(did_not_stick(&mut watch, "still_open"), named, "and in every reminder");
}

#[test]
fn a_fix_beside_other_drift_is_remembered_within_the_case() {
    let mut watch = Watch::new();
    let lamp = || setting("lamp.follows", Drift::Differs, "1", "0");
    let identity = || setting("identity", Drift::Differs, "121", "120");
    watch.put(station("EQ-01", vec![lamp(), identity()], vec![]));
    watch.pass();
    watch.report("EQ-01");
    watch.put(station("EQ-01", vec![lamp()], vec![]));
    watch.pass();
    watch.put(station("EQ-01", vec![lamp(), identity()], vec![]));
    assert!(did_not_stick(&mut watch, "grown").0);
}

#[test]
fn a_lifeline_that_fails_again_after_its_test_is_named() {
    let failed = || station("EQ-01", vec![], vec![lifeline("emergency", Service::Failed)]);
    let mut watch = Watch::new();
    watch.put(failed());
    watch.pass();
    watch.report("EQ-01");
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.put(failed());
    assert!(did_not_stick(&mut watch, "opened").0);
}

#[test]
fn drift_that_an_edit_took_away_and_brought_back_is_no_failed_fix() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.put(differs("EQ-01", "identity", "121"));
    assert_eq!(did_not_stick(&mut watch, "opened"), (false, None));
}

#[test]
fn a_fix_that_did_not_stick_is_no_longer_named_once_something_else_is_wanted() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.report("EQ-01");
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.put(differs("EQ-01", "identity", "121"));
    assert!(did_not_stick(&mut watch, "opened").0);
    watch.put(differs("EQ-01", "identity", "122"));
    assert_eq!(did_not_stick(&mut watch, "grown"), (false, None));
}

#[test]
fn confirming_what_was_only_overdue_is_no_fix() {
    let mut watch = Watch::new();
    watch.put(station("EQ-01", vec![setting("identity", Drift::Overdue, "121", "121")], vec![]));
    watch.pass();
    watch.report("EQ-01");
    watch.put(aligned("EQ-01"));
    watch.pass();
    watch.put(differs("EQ-01", "identity", "121"));
    assert_eq!(did_not_stick(&mut watch, "opened"), (false, None));
}

#[test]
fn a_fix_is_remembered_for_thirty_days_to_the_millisecond() {
    for (late, is_named) in [(0, true), (1, false)] {
        let mut watch = Watch::new();
        watch.put(differs("EQ-01", "identity", "121"));
        watch.pass();
        watch.report("EQ-01");
        watch.put(aligned("EQ-01"));
        watch.pass();
        watch.clock += super::REMEMBERED + jiff::SignedDuration::from_millis(late);
        watch.put(differs("EQ-01", "identity", "121"));
        assert_eq!(did_not_stick(&mut watch, "opened").0, is_named, "{late} ms");
    }
}

#[test]
fn another_wanted_value_or_a_long_time_makes_it_a_new_case() {
    for (wanted, days, is_passed) in [("999", 1, true), ("121", 31, true), ("121", 31, false)] {
        let mut watch = Watch::new();
        watch.put(differs("EQ-01", "identity", "121"));
        watch.pass();
        watch.report("EQ-01");
        watch.put(aligned("EQ-01"));
        watch.pass();
        watch.minutes(60 * 24 * days);
        if is_passed {
            watch.pass();
        }
        watch.put(differs("EQ-01", "identity", wanted));
        assert!(!did_not_stick(&mut watch, "opened").0, "{wanted} after {days} days");
    }
}
