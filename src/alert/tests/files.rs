//! Refused inventories and their recovery.

use jiff::SignedDuration;
use serde_json::json;

use super::super::topic::files::Files;
use super::fixture::*;
use super::*;
use crate::finding::{Code, Finding};
use crate::setting::Weight;

const NOTHING: [&str; 0] = [];

/// Two webhooks that hear of files, and aligned stations.
fn watch() -> Watch {
    let mut watch = Watch::new();
    watch.terms.webhooks =
        vec![webhook("heavy", &[Weight::Lifeline, Weight::Locating]), webhook("on-call", &Weight::ALL)];
    watch
}

/// Reads an inventory, and says what each webhook is told.
fn heard(watch: &mut Watch, findings: &[Finding]) -> Vec<String> {
    watch.findings = findings.to_vec();
    watch.heard()
}

fn read(watch: &mut Watch, findings: &[Finding]) -> Vec<Message> {
    watch.findings = findings.to_vec();
    watch.pass().messages
}

/// Nothing is kept of the files.
fn is_forgotten(watch: &Watch) -> bool {
    watch.cases.names::<Files>().next().is_none()
}

fn error(line: u32) -> Finding {
    let sentence = "The number 0121 is not quoted.";
    Finding::new(Code::Unquoted, place("inventory/fleet.yaml", line), sentence, "Write \"0121\".")
        .beside(place("inventory/contacts.yaml", 3), "the contact")
}

fn warning() -> Finding {
    Finding::new(Code::ContactUnused, place("inventory/contacts.yaml", 1), "No button calls \"x\".", "Remove it.")
}

#[test]
fn a_refusal_is_told_once_to_every_webhook_and_so_is_the_recovery() {
    let mut watch = watch();
    assert!(heard(&mut watch, &[warning()]).is_empty());
    assert_eq!(heard(&mut watch, &[error(4), warning()]), ["heavy refused", "on-call refused"]);
    assert_eq!(heard(&mut watch, &[error(5), warning()]), ["heavy refused", "on-call refused"], "for another reason");
    assert_eq!(heard(&mut watch, &[]), ["heavy recovered", "on-call recovered"]);
    assert!(is_forgotten(&watch));
}

#[test]
fn a_standing_refusal_is_reminded_at_the_longest_interval() {
    let mut watch = watch();
    watch.terms.webhooks[0].remind_minutes = [(Weight::Lifeline, 60), (Weight::Routine, 0)].into();
    read(&mut watch, &[error(4)]);
    watch.clock += jiff::SignedDuration::from_mins(60);
    assert_eq!(heard(&mut watch, &[error(4)]), ["heavy refused"]);
    watch.clock += jiff::SignedDuration::from_mins(1380);
    assert_eq!(heard(&mut watch, &[error(4)]), ["heavy refused", "on-call refused"]);
}

#[test]
fn the_same_refusal_after_a_recovery_is_another_message() {
    let mut watch = watch();
    let mut ids = std::collections::BTreeSet::new();
    for findings in [vec![error(4)], vec![], vec![error(4)], vec![]] {
        ids.extend(read(&mut watch, &findings).into_iter().map(|message| message.id));
    }
    assert_eq!(ids.len(), 8);
}

#[test]
fn a_webhook_that_was_away_hears_of_the_recovery_later() {
    let mut watch = watch();
    read(&mut watch, &[error(4)]);
    let away = watch.terms.webhooks.pop().unwrap();
    assert_eq!(heard(&mut watch, &[]), ["heavy recovered"]);
    watch.terms.webhooks.push(away);
    assert_eq!(heard(&mut watch, &[]), ["on-call recovered"]);
    assert!(is_forgotten(&watch));
}

#[test]
fn a_record_that_cannot_be_read_is_told_again() {
    for (findings, state) in [(vec![error(4)], "refused"), (vec![], "recovered")] {
        let mut watch = watch();
        watch.cases = Cases::read([(Cases::key::<Files>("inventory"), "{}".to_owned())].into());
        assert_eq!(heard(&mut watch, &findings), [format!("heavy {state}"), format!("on-call {state}")]);
    }
}

#[test]
fn a_refusal_carries_its_diagnostics() {
    let mut watch = watch();
    let message = read(&mut watch, &[error(4), warning()]).remove(0);
    let title = "The inventory has an error at inventory/fleet.yaml:4:5. Stations are not affected.";
    assert_eq!(message.gists[0].title, title);
    let event = event(&message.body);
    assert_eq!((&event["type"], &event["id"]), (&json!("stationkeep.inventory.refused.v1"), &json!(message.id)));
    assert_eq!(
        event["data"],
        json!({
            "summary": "The inventory has an error at inventory/fleet.yaml:4:5. Stations are not affected. The last good one \
                stays in use. The number 0121 is not quoted.",
            "state": "refused", "since": "2026-11-20T10:00:00Z", "in_force_since": "2026-11-20T10:00:00Z",
            "errors": 1, "warnings": 1,
            "findings": [{"at": "inventory/fleet.yaml:4:5", "code": "unquoted",
                "message": "The number 0121 is not quoted.", "fix": "Write \"0121\".",
                "also": [{"at": "inventory/contacts.yaml:3:5", "what": "the contact"}]}],
            "left_out": 0, "severity": "warning",
            "key": "Skerry Coast Harbours/inventory",
            "rest": "stationkeep check"
        })
    );
    watch.clock += jiff::SignedDuration::from_mins(5);
    let data = data(&read(&mut watch, &[])[0].body);
    assert_eq!((&data["state"], &data["since"]), (&json!("recovered"), &json!("2026-11-20T10:00:00Z")));
    assert_eq!(data["findings"], json!([]));
}

#[test]
fn findings_are_shown_in_the_order_in_which_they_were_found_without_the_warnings_between() {
    let mut watch = watch();
    let message = read(&mut watch, &[error(9), warning(), error(4), error(7)]).remove(0);
    let data = data(&message.body);
    let places: Vec<&str> =
        data["findings"].as_array().unwrap().iter().map(|one| one["at"].as_str().unwrap()).collect();
    assert_eq!(places, [9, 4, 7].map(|line| format!("inventory/fleet.yaml:{line}:5")));
    assert!(
        data["summary"].as_str().unwrap().contains("has 3 errors, the first at inventory/fleet.yaml:9:5."),
        "{data}"
    );
    assert_eq!((&data["errors"], &data["warnings"], &data["left_out"]), (&json!(3), &json!(1), &json!(0)));
}

#[test]
fn a_thousand_findings_of_any_length_fit_and_are_counted() {
    for sign in ["x", "\u{1}", "🛟"] {
        let mut watch = watch();
        let long = sign.repeat(3_000);
        let mut findings: Vec<Finding> = (0..1_000).map(error).collect();
        for finding in &mut findings {
            finding.place.file = long.as_str().into();
            finding.message.push_str(&long);
            finding.fix = long.clone();
            finding.related = vec![(finding.place.clone(), long.clone()); 5].into();
        }
        let message = read(&mut watch, &findings).remove(0);
        assert!(message.body.len() <= LONGEST_BODY);
        let data = data(&message.body);
        let shown = data["findings"].as_array().unwrap().len();
        assert!(shown >= 3, "{shown}");
        assert_eq!(data["left_out"], 1_000 - shown);
    }
}

#[test]
fn a_configuration_is_told_of_in_the_same_way_under_a_kind_of_its_own() {
    let mut watch = watch();
    watch.configuration = vec![error(4)];
    let refused = watch.pass().messages;
    assert_eq!(refused.iter().map(|message| &*message.webhook).collect::<Vec<_>>(), ["heavy", "on-call"]);
    assert_eq!(event(&refused[0].body)["type"], "stationkeep.configuration.refused.v1");
    let summary = data(&refused[0].body)["summary"].as_str().unwrap().to_owned();
    assert!(
        summary.starts_with("The configuration has an error at inventory/fleet.yaml:4:5. Stations are not affected. "),
        "{summary}"
    );
    assert_eq!(heard(&mut watch, &[error(4)]), ["heavy refused", "on-call refused"], "each of the two by itself");
    watch.configuration.clear();
    let recovered = data(&watch.pass().messages[0].body);
    assert_eq!(recovered["summary"], "The configuration is valid again and in use.");
    watch.configuration = vec![error(5)];
    watch.is_watching = false;
    watch.pass();
    watch.minutes(60);
    assert_eq!(watch.heard().len(), 2, "an inventory is as pressing as a lifeline, a configuration is not");
}

#[test]
fn where_no_station_is_watched_a_refusal_is_as_pressing_as_a_lifeline() {
    let mut watch = watch();
    assert_eq!(heard(&mut watch, &[error(12)]), ["heavy refused", "on-call refused"]);
    watch.clock += SignedDuration::from_mins(60);
    assert_eq!(heard(&mut watch, &[error(12)]), NOTHING);
    watch.is_watching = false;
    assert_eq!(heard(&mut watch, &[error(12)]), ["heavy refused", "on-call refused"]);
    assert_eq!(heard(&mut watch, &[error(12)]), NOTHING);
    watch.clock += SignedDuration::from_mins(60);
    assert_eq!(heard(&mut watch, &[error(12)]), ["heavy refused", "on-call refused"]);
}

#[test]
fn nobody_is_reminded_of_a_refusal_who_has_not_got_the_last_telling_yet_but_a_change_is_told() {
    let mut watch = watch();
    read(&mut watch, &[error(12)]);
    watch.clock += SignedDuration::from_hours(48);
    watch.waiting = ["heavy".into()].into();
    assert_eq!(heard(&mut watch, &[error(12)]), ["on-call refused"]);
    assert_eq!(heard(&mut watch, &[error(13)]), ["heavy refused", "on-call refused"]);
    assert_eq!(heard(&mut watch, &[]), ["heavy recovered", "on-call recovered"]);
}

#[test]
fn a_webhook_for_lifelines_alone_hears_of_files_only_where_no_station_is_watched() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("duty", &[Weight::Lifeline])];
    assert_eq!(heard(&mut watch, &[error(12)]), NOTHING);
    assert_eq!(heard(&mut watch, &[]), NOTHING);
    watch.is_watching = false;
    assert_eq!(heard(&mut watch, &[error(12)]), ["duty refused"]);
    assert_eq!(heard(&mut watch, &[]), ["duty recovered"]);
}

#[test]
fn a_refusal_and_its_recovery_have_one_key() {
    let mut watch = watch();
    let keys = |messages: Vec<Message>| -> Vec<String> {
        messages.iter().map(|message| data(&message.body)["key"].as_str().unwrap().to_owned()).collect()
    };
    let refused = keys(read(&mut watch, &[error(12)]));
    assert_eq!(refused, vec!["Skerry Coast Harbours/inventory"; 2]);
    assert_eq!(keys(read(&mut watch, &[])), refused);
}
