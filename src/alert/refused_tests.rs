//! Refused inventories and their recovery.

use std::collections::BTreeSet;

use jiff::SignedDuration;
use serde_json::json;

use super::fixture::*;
use super::*;
use crate::finding::{Code, Finding};
use crate::setting::Weight;

/// An inventory that is read again and again.
struct Reading {
    what: What,
    told: Option<FilesRefused>,
    thread: Thread,
    terms: Terms,
    waiting: BTreeSet<Name>,
    is_in_force: bool,
    clock: jiff::Timestamp,
}

impl Reading {
    fn new() -> Reading {
        let webhooks = vec![webhook("heavy", &[Weight::Lifeline]), webhook("on-call", &Weight::ALL)];
        let clock = "2026-11-20T10:00:00Z".parse().unwrap();
        Reading {
            what: What::Inventory,
            told: None,
            thread: Thread::default(),
            terms: terms(webhooks),
            waiting: BTreeSet::new(),
            is_in_force: true,
            clock,
        }
    }

    fn verdict(&self, findings: &[Finding]) -> FilesVerdict {
        let read = FilesRead {
            what: self.what,
            findings,
            in_force_since: Some(self.clock).filter(|_| self.is_in_force),
            waiting: &self.waiting,
            commit: None,
            in_force: None,
            clock: self.clock,
        };
        files(self.told.as_ref(), &self.thread, &read, &self.terms)
    }

    /// Reads it; a second reading has nothing to say.
    fn read(&mut self, findings: &[Finding]) -> Vec<Message> {
        let verdict = self.verdict(findings);
        self.told = verdict.refused.map(|refused| {
            let read = FilesRefused::from_json(&refused.to_json());
            assert_eq!(read, refused);
            read
        });
        self.thread = verdict.thread;
        let again = self.verdict(findings);
        assert!(again.messages.is_empty());
        assert_eq!((&again.refused, &again.thread), (&self.told, &self.thread));
        verdict.messages
    }

    fn heard(&mut self, findings: &[Finding]) -> Vec<String> {
        let messages = self.read(findings);
        messages.iter().map(|m| format!("{} {}", m.webhook, data(&m.body)["state"].as_str().unwrap())).collect()
    }
}

fn error(line: u32) -> Finding {
    let sentence = "The number 0121 is not quoted.";
    Finding::new(Code::Unquoted, place("inventory/fleet.yaml", line), sentence, "Write \"0121\".")
        .beside(place("inventory/contacts.yaml", 3), "the contact")
}

fn warning() -> Finding {
    Finding::new(Code::ContactUnused, place("inventory/contacts.yaml", 1), "No button calls `x`.", "Remove it.")
}

#[test]
fn a_refusal_is_told_once_to_every_webhook_and_so_is_the_recovery() {
    let mut reading = Reading::new();
    assert!(reading.heard(&[warning()]).is_empty());
    assert_eq!(reading.heard(&[error(4), warning()]), ["heavy refused", "on-call refused"]);
    assert_eq!(reading.heard(&[error(5), warning()]), ["heavy refused", "on-call refused"], "for another reason");
    assert_eq!(reading.heard(&[]), ["heavy recovered", "on-call recovered"]);
    assert_eq!(reading.told, None);
}

#[test]
fn a_standing_refusal_is_reminded_at_the_longest_interval() {
    let mut reading = Reading::new();
    reading.terms.webhooks[0].remind_minutes = [(Weight::Lifeline, 60), (Weight::Routine, 0)].into();
    reading.read(&[error(4)]);
    reading.clock += jiff::SignedDuration::from_mins(60);
    assert_eq!(reading.heard(&[error(4)]), ["heavy refused"]);
    reading.clock += jiff::SignedDuration::from_mins(1380);
    assert_eq!(reading.heard(&[error(4)]), ["heavy refused", "on-call refused"]);
}

#[test]
fn the_same_refusal_after_a_recovery_is_another_message() {
    let mut reading = Reading::new();
    let mut ids = std::collections::BTreeSet::new();
    for findings in [vec![error(4)], vec![], vec![error(4)], vec![]] {
        ids.extend(reading.read(&findings).into_iter().map(|message| message.id));
    }
    assert_eq!(ids.len(), 8);
}

#[test]
fn a_webhook_that_was_away_hears_of_the_recovery_later() {
    let mut reading = Reading::new();
    reading.read(&[error(4)]);
    let away = reading.terms.webhooks.pop().unwrap();
    assert_eq!(reading.heard(&[]), ["heavy recovered"]);
    reading.terms.webhooks.push(away);
    assert_eq!(reading.heard(&[]), ["on-call recovered"]);
    assert_eq!(reading.told, None);
}

#[test]
fn a_record_that_cannot_be_read_is_told_again() {
    for (findings, state) in [(vec![error(4)], "refused"), (vec![], "recovered")] {
        let mut reading = Reading::new();
        reading.told = Some(FilesRefused::from_json("{}"));
        assert_eq!(reading.heard(&findings), [format!("heavy {state}"), format!("on-call {state}")]);
    }
}

#[test]
fn a_refusal_carries_its_diagnostics() {
    let mut reading = Reading::new();
    let message = reading.read(&[error(4), warning()]).remove(0);
    let event = event(&message.body);
    assert_eq!((&event["type"], &event["id"]), (&json!("stationkeep.inventory.refused.v1"), &json!(message.id)));
    assert_eq!(
        event["data"],
        json!({
            "summary": "The inventory is refused: 1 error. The last good one stays in force. \
                First: inventory/fleet.yaml:4:5: The number 0121 is not quoted.",
            "state": "refused", "since": "2026-11-20T10:00:00Z", "in_force_since": "2026-11-20T10:00:00Z",
            "errors": 1, "warnings": 1,
            "findings": [{"at": "inventory/fleet.yaml:4:5", "code": "unquoted",
                "message": "The number 0121 is not quoted.", "fix": "Write \"0121\".",
                "also": [{"at": "inventory/contacts.yaml:3:5", "what": "the contact"}]}],
            "left_out": 0, "rest": "stationkeep check"
        })
    );
    reading.clock += jiff::SignedDuration::from_mins(5);
    let data = data(&reading.read(&[])[0].body);
    assert_eq!((&data["state"], &data["since"]), (&json!("recovered"), &json!("2026-11-20T10:00:00Z")));
    assert_eq!(data["findings"], json!([]));
}

#[test]
fn a_thousand_findings_of_any_length_fit_and_are_counted() {
    for sign in ["x", "\u{1}", "🛟"] {
        let mut reading = Reading::new();
        let long = sign.repeat(3_000);
        let mut findings: Vec<Finding> = (0..1_000).map(error).collect();
        for finding in &mut findings {
            finding.place.file = long.as_str().into();
            finding.message.push_str(&long);
            finding.fix = long.clone();
            finding.related = vec![(finding.place.clone(), long.clone()); 5].into();
        }
        let message = reading.read(&findings).remove(0);
        assert!(message.body.len() <= LONGEST_BODY);
        let data = data(&message.body);
        let shown = data["findings"].as_array().unwrap().len();
        assert!(shown >= 3, "{shown}");
        assert_eq!(data["left_out"], 1_000 - shown);
    }
}

#[test]
fn a_configuration_is_told_of_in_the_same_way_under_a_kind_of_its_own() {
    let mut reading = Reading { what: What::Configuration, ..Reading::new() };
    assert_eq!(reading.heard(&[error(4)]), ["heavy refused", "on-call refused"]);
    let mut reading = Reading { what: What::Configuration, ..Reading::new() };
    let refused = reading.read(&[error(4)]).remove(0);
    assert_eq!(event(&refused.body)["type"], "stationkeep.configuration.refused.v1");
    let summary = data(&refused.body)["summary"].as_str().unwrap().to_owned();
    assert!(
        summary.starts_with("The configuration is refused: 1 error. The last good one stays in force."),
        "{summary}"
    );
    let recovered = data(&reading.read(&[])[0].body);
    assert_eq!(recovered["summary"], "The configuration can be read again and is in force.");
}

#[test]
fn where_no_station_is_watched_a_refusal_is_as_pressing_as_a_lifeline() {
    let mut reading = Reading::new();
    assert_eq!(reading.heard(&[error(12)]), ["heavy refused", "on-call refused"]);
    reading.clock += SignedDuration::from_mins(60);
    let nothing: [&str; 0] = [];
    assert_eq!(reading.heard(&[error(12)]), nothing);
    reading.is_in_force = false;
    assert_eq!(reading.heard(&[error(12)]), ["heavy refused", "on-call refused"]);
    assert_eq!(reading.heard(&[error(12)]), nothing);
    reading.clock += SignedDuration::from_mins(60);
    assert_eq!(reading.heard(&[error(12)]), ["heavy refused", "on-call refused"]);
}

#[test]
fn nobody_is_reminded_of_a_refusal_who_has_not_got_the_last_telling_yet_but_a_change_is_told() {
    let mut reading = Reading::new();
    reading.read(&[error(12)]);
    reading.clock += SignedDuration::from_hours(48);
    reading.waiting = ["heavy".into()].into();
    assert_eq!(reading.heard(&[error(12)]), ["on-call refused"]);
    assert_eq!(reading.heard(&[error(13)]), ["heavy refused", "on-call refused"]);
    assert_eq!(reading.heard(&[]), ["heavy recovered", "on-call recovered"]);
}
