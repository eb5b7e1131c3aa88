//! Bodies: whatever stations, people and notes are called, each form is what its receivers read, and fits them.

use std::sync::Arc;

use proptest::prelude::*;

use super::super::body::form::{BodyTerms, For, Form};
use super::super::body::{Leaf, Rendered, Template, Tree, render, sample};
use super::fixture::*;
use super::*;
use crate::drift::{Drift, Service};
use crate::finding::{Code, Finding};
use crate::setting::Weight;

fn forms() -> [Form; 5] {
    [Form::CloudEvents, Form::Chat, Form::Text, Form::Pager, Form::Alertmanager]
}

fn full_pass() -> jiff::SignedDuration {
    jiff::SignedDuration::from_mins(15)
}

/// Everything that holds of every body.
fn holds(rendered: &Rendered, form: &Form) {
    let Rendered { content_type, headers, body, brief, failure, .. } = rendered;
    assert_eq!(*failure, None);
    let longest = if *form == Form::Alertmanager { 20_000 * 100 } else { 20_000 };
    assert!(body.len() <= longest && brief.len() <= body.len().max(1_500), "{} {}", body.len(), brief.len());
    assert!(
        headers.values().all(|value| value.bytes().all(|byte| byte == b' ' || byte.is_ascii_graphic())),
        "{headers:?}"
    );
    if *form == Form::Text {
        assert!(body.len() < 4_096 && *content_type == "text/plain; charset=utf-8");
        assert!(body.contains("Severity: ") && body.contains("Key: "), "{body}");
        assert!(headers["Title"].len() < 1_000 && ["2", "3", "4", "5"].contains(&&*headers["Priority"]));
        return;
    }
    for text in [body, brief] {
        let json: serde_json::Value = serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"));
        match form {
            Form::CloudEvents => {
                assert!(json["data"]["severity"].is_string() && json["data"]["key"].is_string(), "{text}")
            }
            Form::Chat => {
                let text = json["text"].as_str().unwrap();
                assert!(text.chars().count() <= 2_000 && text.contains("Severity: "), "{text}");
                assert!(!text.contains(['<', '>', '@']), "{text}");
            }
            Form::Pager => {
                let payload = &json["payload"];
                assert!(
                    payload["summary"].as_str().is_some_and(|summary| (1..=1_024).contains(&summary.chars().count()))
                );
                assert!(payload["source"].as_str().is_some_and(|source| !source.is_empty()));
                assert!(["critical", "error", "warning", "info"].contains(&payload["severity"].as_str().unwrap()));
                assert!(["trigger", "resolve"].contains(&json["event_action"].as_str().unwrap()));
                assert!(json["dedup_key"].as_str().is_some_and(|key| key.chars().count() <= 255));
                assert!(json.get("routing_key").is_none());
            }
            Form::Alertmanager => {
                for alert in json.as_array().unwrap() {
                    let (starts, ends) = (alert["startsAt"].as_str().unwrap(), alert["endsAt"].as_str().unwrap());
                    assert!(starts.parse::<jiff::Timestamp>().unwrap() <= ends.parse().unwrap(), "{alert}");
                    assert!(alert["labels"].as_object().unwrap().values().all(|value| value != ""), "{alert}");
                }
            }
            Form::Text | Form::Tree(_) => unreachable!(),
        }
    }
}

#[test]
fn every_event_has_a_body_in_every_form() {
    for message in sample::messages() {
        for form in forms() {
            holds(&render(message, &form, full_pass()), &form);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_station_contact_or_note_makes_a_good_body_of_bounded_size_in_every_form(
        name in "\\PC{1,64}|[\"\\\\{}%<>@\\u{2028}\\u{202e}🛟é]{1,64}",
        contact in any::<String>(),
        note in any::<String>(),
        fleet in any::<String>(),
    ) {
        for form in forms() {
            let mut watch = Watch::new();
            watch.terms.fleet = fleet.clone();
            watch.terms.webhooks[0].body = BodyTerms { form: form.clone(), of: For::Station, ..BodyTerms::default() };
            let mut drifting = setting("emergency.primary", Drift::Differs, "2", "1");
            drifting.contact = Some((&*contact).into());
            let mut failed = lifeline("emergency", Service::Failed);
            failed.because = Some((&*note).into());
            failed.title = (&*contact).into();
            watch.put(station(&name, vec![drifting], vec![failed]));
            for message in watch.pass().messages {
                holds(&render(&message, &form, full_pass()), &form);
            }
        }
    }
}

#[test]
fn a_body_that_cannot_be_made_goes_as_the_shortest_and_says_so() {
    let leaf = Leaf { source: "data.not_there".into(), at: place("stationkeep.yaml", 31) };
    let tree = Tree { root: Template::Value(leaf), at: place("stationkeep.yaml", 30) };
    let message = &sample::messages()[0];
    let made = render(message, &Form::Tree(Arc::new(tree)), full_pass());
    assert_eq!(made.failure.as_ref().map(|failure| failure.at.line), Some(31));
    let body: serde_json::Value = serde_json::from_str(&made.body).unwrap();
    let text = body["text"].as_str().unwrap();
    assert!(text.starts_with("EQ-01: ") && text.contains("could not be made: stationkeep.yaml:31:5"), "{text}");
}

/// A watch whose one webhook takes a message a station.
fn singly(form: Form, most_a_minute: u32) -> Watch {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("duty", &Weight::ALL)];
    watch.terms.webhooks[0].body = BodyTerms { form, of: For::Station, most_a_minute };
    watch
}

/// What a pager makes of a pass: action and key, in order.
fn events(verdict: &Verdict) -> Vec<String> {
    let one = |message: &Message| {
        let body: serde_json::Value = serde_json::from_str(&render(message, &Form::Pager, full_pass()).body).unwrap();
        let key = body["dedup_key"].as_str().unwrap().replace("Skerry Coast Harbours/", "");
        let key = if key.starts_with("group ") { "group".to_owned() } else { key };
        format!("{} {key}", body["event_action"].as_str().unwrap())
    };
    verdict.messages.iter().map(one).collect()
}

#[test]
fn a_pager_opens_and_closes_a_case_by_the_stations_own_key() {
    let mut watch = singly(Form::Pager, 60);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    watch.put(differs("EQ-02", "emergency.primary", "2"));
    let told = watch.pass();
    assert_eq!(events(&told), ["trigger EQ-01", "trigger EQ-02"]);
    assert!(told.messages[0].gists[0].text.starts_with("New drift at EQ-01"), "{}", told.messages[0].gists[0].text);
    assert_ne!(told.messages[0].id, told.messages[1].id);
    watch.put(aligned("EQ-01"));
    let told = watch.pass();
    assert_eq!(events(&told), ["resolve EQ-01"]);
    assert_eq!(told.messages[0].ended, ["station/EQ-01"]);
    watch.take("EQ-02");
    assert_eq!(events(&watch.pass()), ["resolve EQ-02"]);
}

#[test]
fn what_a_message_a_station_says_first_is_of_that_station() {
    let mut watch = singly(Form::Pager, 60);
    watch.put(station("EQ-01", Vec::new(), vec![lifeline("emergency", Service::Failed)]));
    watch.put(differs("EQ-02", "gate.seconds", "2"));
    let told = watch.pass();
    let texts: Vec<&str> = told.messages.iter().map(|message| &*message.gists[0].title).collect();
    assert!(texts[0].starts_with("EQ-01: pressing") && texts[1].starts_with("New drift at EQ-02"), "{texts:?}");
    let severities: Vec<&str> = told.messages.iter().map(|message| message.gists[0].severity.as_str()).collect();
    assert_eq!(severities, ["critical", "info"]);
}

#[test]
fn more_than_a_minute_takes_are_one_message_that_is_closed_when_all_in_it_are() {
    let mut watch = singly(Form::Pager, 3);
    for n in 0..5 {
        watch.put(differs(&format!("EQ-0{n}"), "emergency.primary", "2"));
    }
    assert_eq!(events(&watch.pass()), ["trigger group"]);
    // One of them changes: from now on it has a case of its own.
    watch.minutes(2);
    watch.put(differs("EQ-00", "emergency.primary", "3"));
    assert_eq!(events(&watch.pass()), ["trigger EQ-00"]);
    for n in 1..4 {
        watch.put(aligned(&format!("EQ-0{n}")));
    }
    assert!(watch.pass().messages.is_empty(), "EQ-04 is left");
    watch.restart();
    watch.put(aligned("EQ-04"));
    watch.put(aligned("EQ-00"));
    assert_eq!(events(&watch.pass()), ["resolve EQ-00", "resolve group"]);
    // The next group is another.
    assert_eq!(watch.cases.grouped("duty").key, "");
}

#[test]
fn the_minute_counts_over_several_passes() {
    let mut watch = singly(Form::Pager, 3);
    for (n, expected) in [(0, "trigger EQ-00"), (1, "trigger EQ-01"), (2, "trigger EQ-02"), (3, "trigger group")] {
        watch.put(differs(&format!("EQ-0{n}"), "emergency.primary", "2"));
        assert_eq!(events(&watch.pass()), [expected]);
    }
    watch.minutes(1);
    watch.put(differs("EQ-04", "emergency.primary", "2"));
    assert_eq!(events(&watch.pass()), ["trigger EQ-04"]);
}

fn alerts(message: &Message) -> Vec<serde_json::Value> {
    serde_json::from_str(&render(message, &Form::Alertmanager, full_pass()).body).unwrap()
}

#[test]
fn an_alertmanager_is_told_every_open_case_at_every_full_pass_and_that_one_is_over_at_once() {
    let mut watch = singly(Form::Alertmanager, 60);
    watch.put(differs("EQ-01", "emergency.primary", "2"));
    watch.put(differs("EQ-02", "identity", "2"));
    let told = watch.pass();
    assert_eq!(told.messages.len(), 1);
    let first = alerts(&told.messages[0]);
    assert_eq!(first.len(), 2);
    let labels = serde_json::json!({"alertname": "StationDrift", "fleet": "Skerry Coast Harbours", "station": "EQ-01"});
    assert_eq!(first[0]["labels"], labels);
    assert_eq!(first[0]["endsAt"], "2026-11-20T10:45:00Z");
    assert_eq!(first[0]["annotations"]["severity"], "error");
    watch.minutes(15);
    assert!(watch.pass().messages.is_empty());
    watch.findings = vec![Finding::new(Code::Unquoted, place("inventory/fleet.yaml", 7), "Not quoted.", "Quote it.")];
    watch.pass();
    watch.is_full = true;
    let verdict = watch.verdict();
    let again: Vec<_> = verdict.messages.iter().flat_map(alerts).collect();
    assert!(verdict.messages.iter().all(|message| message.id.starts_with("list-")));
    let names: Vec<&str> = again.iter().map(|alert| alert["labels"]["alertname"].as_str().unwrap()).collect();
    assert_eq!(names, ["StationkeepInventoryRefused", "StationDrift", "StationDrift"]);
    assert_eq!((&again[1]["labels"], &again[1]["endsAt"]), (&labels, &"2026-11-20T11:00:00Z".into()));
    assert_eq!(again[1]["startsAt"], "2026-11-20T10:00:00Z");
    watch.is_full = false;
    watch.put(aligned("EQ-01"));
    let over = alerts(&watch.pass().messages[0]);
    assert_eq!((over.len(), &over[0]["labels"], &over[0]["endsAt"]), (1, &labels, &"2026-11-20T10:15:00Z".into()));
}
