//! The interface for programs of a running daemon: as its own description says, and what is sent to it has its effect at once.
//!
//! Outside: Schemathesis (PyPI) makes up requests from the description and looks whether the answers are as it says; jsonschema
//! (PyPI) looks at the answers of every sample station. Both run in the Python that `STATIONKEEP_TEST_PYTHON` names.

use std::process::Command;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use serde_json::{Value, json};

use super::fleet::{Fleet, NEW_OFFICER, SIGNING, configuration, fleet_yaml, webhook};
use super::probe::{Answered, address, get, post};
use super::process::until;
use super::receiver::{Got, Receiver};
use super::sample::sample;

#[test]
fn every_answer_is_as_the_description_says_and_nothing_sent_by_chance_is_a_failure() {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    let fleet = sample();
    let daemon = fleet.start();
    let at = format!("http://{}", address(&daemon));
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/daemon/described.py");
    let run = Command::new(python).arg(script).arg(&at).current_dir(fleet.path(".")).output().expect("Python runs");
    let said = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success(), "{said}");
    assert!(said.contains("answers of 35 stations, 0 faults") && said.contains("9 selected / 9 total"), "{said}");
}

fn sent(answered: &Answered) -> Value {
    assert_eq!(answered.status, 201, "{answered:?}");
    answered.json()
}

#[test]
fn a_case_closes_as_soon_as_its_report_is_sent() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.rename_into("config/stationkeep.yaml", &configuration(100, &webhook("on-call")));
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    let opened = receiver.wait_for(2);
    let station = opened[1].data()["opened"][0]["station"].as_str().expect("a name").to_owned();
    let at = address(&daemon);
    let script = get(at, &format!("/api/v1/stations/{station}/script")).json();
    let id = "019a6c1e-8f00-7000-8000-000000000001";
    let now = |seconds| format!("{:.0}", Timestamp::now() + Duration::from_secs(seconds));
    let visit = json!({"id": id, "script": script["script"], "station": station, "at": now(0), "by": "tech-07"});
    sent(&post(at, "/api/v1/visits", &visit));
    let begun = get(at, &format!("/api/v1/stations/{station}/drift")).json();
    assert_eq!(begun["begun"][0]["id"], id, "{begun}");
    let steps =
        script["calls"].as_array().expect("calls").iter().flat_map(|call| call["steps"].as_array().expect("steps"));
    let steps: Vec<Value> = steps.map(|step| json!({"step": step["step"], "heard": "accepted"})).collect();
    let tests = script["tests"].as_array().expect("tests").iter();
    let tests: Vec<Value> = tests
        .map(|test| json!({"lifeline": test["lifeline"], "contact": test["contact"], "outcome": "reached"}))
        .collect();
    let report = json!({
        "report": 1, "id": id, "station": station, "at": now(1), "by": "tech-07", "script": script["script"], "steps": steps,
        "tests": tests,
    });
    let begin = Instant::now();
    let came = sent(&post(at, "/api/v1/reports", &report));
    assert_eq!(came["missing"], json!([]), "{came}");
    let is_closed = |message: &Got| {
        let closed = message.data()["closed"].as_array().cloned().unwrap_or_default();
        closed.iter().any(|one| one["station"] == *station)
    };
    until("the case is closed", || receiver.heard().iter().find(|message| is_closed(message)).map(|_| ()));
    assert!(begin.elapsed() < Duration::from_secs(10), "{:?}", begin.elapsed());
    let after = get(at, &format!("/api/v1/stations/{station}")).json();
    assert_eq!((&after["drift"]["standing"], &after["script"]["state"]), (&"aligned".into(), &"nothing".into()));
    // Whoever sends it again hears the same.
    let again = post(at, "/api/v1/reports", &report);
    assert_eq!((again.status, &again.json()["outcome"]), (200, &"duplicate".into()), "{again:?}");
}
