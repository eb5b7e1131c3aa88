//! Visits that end otherwise than planned, on the sample fleet: what the next card, the way back and a rehearsal say.

use super::fleet::{Fleet, SIGNING, uuid};
use super::receiver::Receiver;
use super::sample::sample;
use super::told::entry;

/// What a command prints, with its lines joined.
fn said(fleet: &Fleet, arguments: &[&str]) -> String {
    fleet.run(arguments).ended(0).out.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Issues a station's script and reports what was heard at its first steps.
fn visit(fleet: &Fleet, station: &str, heard: &[&str]) {
    let script = fleet.run(&["script", station, "--format", "json"]).ended(0).json();
    let digest = script["script"].as_str().expect("a digest");
    let steps: Vec<String> =
        (1..).zip(heard).map(|(step, heard)| format!("{{step: {step}, heard: {heard}}}")).collect();
    let id = uuid(fleet.number());
    let report = format!(
        "report: 1\nid: {id}\nstation: {station}\nat: 2026-11-25T12:00:00Z\nby: tech-07\nscript: {digest}\nsteps: [{}]\n",
        steps.join(", ")
    );
    fleet.write("visit.yaml", &report);
    fleet.run(&["report", "visit.yaml"]).ended(0);
}

#[test]
fn a_code_change_that_met_no_answer_sends_nobody_to_clear_a_working_unit() {
    let fleet = sample();
    visit(&fleet, "FT-04", &["nothing"]);
    let card = said(&fleet, &["script", "FT-04"]);
    assert!(card.contains("open *# 7309 14 D"), "{card}");
    assert!(card.contains("it holds another that is on record: open with *# 2860 53 D."), "{card}");
    let json = fleet.run(&["script", "FT-04", "--format", "json"]).ended(0).json();
    let warning = json["warnings"][0].as_str().expect("a warning");
    assert!(warning.find("2860 53").expect("the earlier code") < warning.find("cleared").expect("the last resort"));
    // Codes stand in scripts only.
    for other in [&["drift", "FT-04"][..], &["history", "FT-04"], &["explain", "FT-04"]] {
        let other = fleet.run(other);
        assert!(!other.out.contains("286053") && !other.out.contains("2860 53"), "{other:?}");
    }
}

#[test]
fn the_way_back_of_a_station_found_in_a_mode_that_does_not_call_leads_to_the_one_in_which_it_last_worked() {
    let fleet = sample();
    let card = said(&fleet, &["script", "HC-04", "--back"]);
    assert!(card.contains("THE WAY BACK: it leaves the station as it last worked, not as it is wanted."), "{card}");
    assert!(card.contains("Sets unit mode to service."), "{card}");
    let json = fleet.run(&["script", "HC-04", "--back", "--format", "json"]).ended(0).json();
    assert_eq!(json["calls"][0]["steps"][0]["sets"]["unit.mode"], "service", "{json}");
    let html = fleet.run(&["script", "HC-04", "--back", "--format", "html"]).ended(0).out;
    assert!(html.contains("it leaves the station as it last worked"), "{html}");
}

#[test]
fn no_way_back_of_half_a_visit_leaves_a_button_that_calls_nobody() {
    let fleet = sample();
    visit(&fleet, "NM-05", &["accepted", "accepted", "nothing"]);
    let refused = fleet.run(&["script", "NM-05", "--back"]).ended(1);
    let why = "NM-05: no way back: after it the red button would call nobody, because \"unit.mode\" is setup.";
    assert!(refused.err.contains(why), "{refused:?}");
    fleet.run(&["script", "NM-05"]).ended(0);
}

#[test]
fn a_rehearsal_says_where_it_takes_a_call_to_open() {
    let fleet = sample();
    fleet.write("holds.yaml", "identity: \"1\"\n");
    let keys = ["rehearse", "--model", "tern-2", "--holds", "holds.yaml", "--keys", "B4711# 107# D"];
    let text = said(&fleet, &keys);
    assert!(
        text.contains("accepted opening (taken to open: what it holds for \"access\" is not known here)"),
        "{text}"
    );
    let json = fleet.run(&[&keys[..], &["--format", "json"]].concat()).ended(0).json();
    assert_eq!(json["answers"][0]["on_trust"], serde_json::json!(["access"]));
    assert_eq!(json["answers"][1]["on_trust"], serde_json::json!([]));
    fleet.write("holds.yaml", "access: \"4711\"\n");
    assert!(!said(&fleet, &keys).contains("taken to open"), "it is known");
}

#[test]
fn history_points_out_a_test_of_a_button_that_the_inventory_says_is_not_there() {
    let fleet = sample();
    let file = "config/inventory/sites/east-quay.yaml";
    let text = std::fs::read_to_string(fleet.path(file)).expect("a file");
    fleet.write(file, &text.replace("EQ-03: {", "EQ-03: {lifelines: {assistance: none}, "));
    let test = |outcome: &str| {
        let id = uuid(fleet.number());
        format!(
            "report: 1\nid: {id}\nstation: EQ-03\nat: 2026-11-25T12:00:00Z\nby: tech-07\n\
             tests: [{{lifeline: assistance, outcome: {outcome}}}, {{lifeline: emergency, outcome: reached}}]\n"
        )
    };
    for outcome in ["failed", "reached"] {
        fleet.write("test.yaml", &test(outcome));
        fleet.run(&["report", "test.yaml"]).ended(0);
    }
    let history = said(&fleet, &["history", "EQ-03"]);
    let odd = "! by the inventory the station has no such button";
    for outcome in ["failed to reach", "reached"] {
        assert!(history.contains(&format!("test call by assistance: {outcome} help {odd}")), "{history}");
    }
    assert!(!history.contains("test call by emergency: reached help !"), "{history}");
}

#[test]
fn on_call_is_alerted_at_the_moment_at_which_nothing_was_heard_of_a_visit_for_24_hours() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    fleet.environment.push(("STATIONKEEP_CLOCK".into(), "2026-11-24T12:00:00Z".into()));
    let script = fleet.run(&["script", "SP-01", "--format", "json"]).ended(0).json()["script"].clone();
    let id = uuid(fleet.number());
    let begun = format!(
        "{{\"begun\": 1, \"id\": \"{id}\", \"script\": {script}, \"station\": \"SP-01\", \"at\": \"2026-11-24T12:00:12Z\", \
         \"by\": \"tech-07\"}}\n"
    );
    fleet.write("config/reports/begun.jsonl", &begun);
    fleet.environment.pop();
    fleet.environment.push(("STATIONKEEP_CLOCK".into(), "2026-11-25T12:00:00Z".into()));
    let daemon = fleet.start();
    receiver.wait_for(1);
    let told = receiver.wait_for(2);
    let visit = |silent: bool| serde_json::json!([{"by": "tech-07", "at": "2026-11-24T12:00:12Z", "script": script, "silent": silent}]);
    assert_eq!(entry(&told[0], "opened", "SP-01")["begun"], visit(false), "{}", told[0].body);
    assert_eq!(entry(&told[1], "grown", "SP-01")["begun"], visit(true), "{}", told[1].body);
    let summary = told[1].data()["summary"].as_str().unwrap_or_default().to_owned();
    assert!(summary.starts_with("REHEARSAL: No report of SP-01 "), "{summary}");
    let ready = super::probe::ask(super::probe::address(&daemon), "GET", "/readyz").expect("an answer");
    assert!(ready.body.starts_with("{\"REHEARSAL\":true,"), "{}", ready.body);
    let said = "on 2026-11-24 12:00 UTC, and no report came in 24 hours. Ask tech-07 for the report.";
    assert!(summary.contains(said), "{summary}");
}

#[test]
fn history_under_a_former_name_is_that_of_the_station_and_says_how_much_stands_under_it() {
    let fleet = sample();
    let before = said(&fleet, &["history", "EQ-02"]);
    let path = "config/inventory/sites/east-quay.yaml";
    let text = std::fs::read_to_string(fleet.path(path)).expect("a file");
    fleet.write(path, &text.replace("EQ-02: {number", "EQ-22: {formerly: EQ-02, number"));
    let entries = before.matches(" report ").count();
    for name in ["EQ-02", "EQ-22"] {
        let after = said(&fleet, &["history", name]);
        let head = format!(
            "EQ-22 (east-quay: East quay, head of ladder 4, by the ice house) called EQ-02 before: {entries} entries"
        );
        assert!(after.starts_with(&head), "{after}");
        assert_eq!(after.matches(" report ").count(), entries, "{after}");
        // Values are shown as the model means them, as for any station.
        assert!(after.contains("left line.kind: pbx") && !after.contains("no longer in the inventory"), "{after}");
    }
}

#[test]
fn history_tells_of_a_visit_that_was_begun_reported_and_corrected() {
    let fleet = sample();
    let script = fleet.run(&["script", "EQ-02", "--format", "json"]).ended(0).json();
    let digest = script["script"].as_str().expect("a digest");
    let (id, right) = (uuid(fleet.number()), uuid(fleet.number()));
    fleet.write(
        "begun.jsonl",
        &format!(
            "{{\"begun\":1,\"id\":\"{id}\",\"script\":\"{digest}\",\"station\":\"EQ-02\",\"at\":\"2026-11-25T12:00:00Z\",\"by\":\"tech-07\"}}\n"
        ),
    );
    fleet.run(&["report", "begun.jsonl"]).ended(0);
    let open = said(&fleet, &["history", "EQ-02"]);
    assert!(
        open.contains(&format!("tech-07 began to key script {digest} no report yet: nobody knows which of its steps")),
        "{open}"
    );
    // Another card is shown only to who knows that someone is there.
    let other = fleet.run(&["script", "EQ-02"]).ended(1);
    let ask = format!("stationkeep script EQ-02 --beside {id}");
    assert!(other.out.is_empty() && other.err.contains("tech-07 began to key another card of EQ-02"), "{other:?}");
    assert!(other.err.contains(&ask), "{other:?}");
    fleet.run(&["script", "EQ-02", "--beside", &uuid(fleet.number())]).ended(1);
    fleet.run(&["script", "EQ-02", "--beside", &id]).ended(0);
    let report = |id: &str, heard: &str, more: &str| {
        format!(
            "report: 1\nid: {id}\nstation: EQ-02\nat: 2026-11-25T12:02:00Z\nby: tech-07\nscript: {digest}\nsteps: [{{step: 1, heard: {heard}}}]\n{more}"
        )
    };
    fleet.write("own.yaml", &report(&id, "accepted", ""));
    fleet.run(&["report", "own.yaml"]).ended(0);
    let told = said(&fleet, &["history", "EQ-02"]);
    assert!(!told.contains("no report yet") && told.contains(&format!("keyed script {digest}: 1 accepted")), "{told}");
    fleet.write("right.yaml", &report(&right, "nothing", &format!("corrects: {id}\n")));
    let answer = said(&fleet, &["report", "right.yaml"]);
    assert!(answer.contains(&format!("Report {id} no longer counts")), "{answer}");
    assert!(answer.contains("Second number of the red button is in doubt"), "{answer}");
    let told = said(&fleet, &["history", "EQ-02"]);
    assert!(
        told.contains(&format!("no longer counts: report {right} corrects it")) && told.contains("1 nothing"),
        "{told}"
    );
}
