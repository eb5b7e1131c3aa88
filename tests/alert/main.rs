//! The events of alerts, taken by the CloudEvents project's own library in the Python that `STATIONKEEP_TEST_PYTHON`
//! names (PyPI `cloudevents`), through `check_event.py`.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::Value as Json;
use stationkeep::alert::{
    AsideNews, Cause, FilesRead, Foresight, Gone, Hold, HoldTold, Message, Next, Outs, Pass, RefusedNews,
    RefusedReport, StoppedTold, Stops, Subscription, Terms, Thread, What, decide, files, heartbeat, reports_refused,
    source_of, stopped,
};
use stationkeep::drift::{LifelineService, Scope, Service, Standing, StationDrift};
use stationkeep::finding::{Code, Finding, Place};
use stationkeep::inventory::Extent;
use stationkeep::ledger::Digest;
use stationkeep::script::Work;
use stationkeep::setting::{Name, Weight};

/// Whether the library takes an event, and what it says.
fn checked(body: &str) -> (bool, String) {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON").expect("STATIONKEEP_TEST_PYTHON is set (tests/run does it)");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/alert/check_event.py");
    let mut command = Command::new(python);
    command.arg(script).stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("Python starts");
    child.stdin.take().expect("an input").write_all(body.as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    (output.status.success(), String::from_utf8_lossy(&output.stderr).into_owned())
}

fn terms() -> Terms {
    let webhook = Subscription { name: "on-call".into(), weights: Weight::ALL.into(), remind_minutes: BTreeMap::new() };
    Terms {
        source: source_of("Skerry Coast Harbours"),
        webhooks: vec![webhook],
        address: Some("https://ops.example".into()),
        surge_share: 0.3,
        require_tests: true,
    }
}

fn clock() -> Timestamp {
    "2026-11-20T10:14:00.250Z".parse().expect("a time")
}

fn drift(stations: usize) -> Message {
    let station = |nth: usize| {
        let name = Name::from(format!("EQ-{nth:04} å \"quoted\""));
        let lifelines = vec![LifelineService { name: "emergency".into(), service: Service::Failed, mark: None }];
        let drift = StationDrift {
            station: name.clone(),
            site: "east-quay".into(),
            location: "East quay, head of ladder".into(),
            standing: Standing::OutOfService,
            weight: Some(Weight::Lifeline),
            settings: Vec::new(),
            lifelines,
            set_aside: Extent::Nothing,
            taken: None,
            scope: Scope::default(),
            file: "inventory/fleet.yaml".into(),
        };
        (name, Arc::new(drift))
    };
    let stations = (0..stations).map(station).collect();
    let (waiting, contacts, cause) = (BTreeSet::new(), BTreeMap::new(), Cause::default());
    let work = Work { stations: 1, calls: 1, commands: 2, presses: 40, ms: 30_000 };
    let digest: Digest = "3f9a1c0b7d24e615".parse().expect("a digest");
    let foresee = |stations: &[&Name]| stations.iter().map(|_| Next::Key(work)).collect();
    let digest = |_: &Name| Some(digest.clone());
    let next = Foresight { next: &foresee, digest: &digest };
    let asides = AsideNews::default();
    let pass = Pass {
        stations: &stations,
        compared: None,
        waiting: &waiting,
        contacts: &contacts,
        cause: &cause,
        next,
        commit: None,
        asides: &asides,
        hold: Hold { now: None, told: &HoldTold::default(), release: None, seq: 0 },
        outs: Outs(&|_| None),
        clock: clock(),
    };
    decide(&BTreeMap::new(), &Thread::default(), &pass, &terms()).messages.remove(0)
}

fn findings(count: u32) -> Vec<Finding> {
    let place = |line| Place { file: "inventory/fleet.yaml".into(), line, column: 5, length: 4 };
    (1..=count).map(|line| Finding::new(Code::Unquoted, place(line), "Not quoted.", "Quote it.")).collect()
}

fn refused(count: u32) -> Message {
    let findings = findings(count);
    let read = FilesRead {
        what: What::Inventory,
        findings: &findings,
        in_force_since: None,
        waiting: &BTreeSet::new(),
        commit: None,
        in_force: None,
        clock: clock(),
    };
    files(None, &Thread::default(), &read, &terms()).messages.remove(0)
}

fn report() -> Message {
    let report = RefusedReport {
        source: "reports/a.yaml".into(),
        content: "aa".into(),
        id: None,
        station: Some("EQ-01".into()),
        reasons: findings(2),
    };
    let news = RefusedNews { refused: vec![report], taken: Vec::new() };
    reports_refused(&news, clock(), &terms()).remove(0)
}

fn webhook_stopped() -> Message {
    let gone = Gone { since: clock(), address: "https://hooks.example.org".into(), message: "told-1".into() };
    let now = BTreeMap::from([("wall \"2\"".into(), gone)]);
    let stops = Stops { now: &now, waiting: &BTreeSet::new(), clock: clock() };
    stopped(&StoppedTold::new(), &stops, &Thread::default(), &terms()).messages.remove(0)
}

fn beat() -> Message {
    heartbeat(&"pulse".into(), "beat-019a6c1e-8f00-7000-8000-000000000001".into(), 300, &terms().source, clock())
}

#[test]
fn the_cloudevents_library_takes_every_message() {
    for message in [drift(1), drift(5_000), refused(1), refused(5_000), report(), webhook_stopped(), beat()] {
        assert_eq!(checked(&message.body), (true, String::new()), "{}", message.body);
    }
}

#[test]
fn the_check_finds_what_is_wrong() {
    let event: Json = serde_json::from_str(&drift(1).body).expect("JSON");
    for (attribute, value) in [
        ("id", None),
        ("id", Some("a.b")),
        ("source", None),
        ("source", Some("not a reference")),
        ("type", None),
        ("specversion", None),
        ("specversion", Some("0.3")),
        ("time", Some("yesterday")),
        ("time", Some("2026-11-20T10:14:00")),
        ("subject", Some("")),
        ("data", Some("text")),
        ("Upper_case", Some("x")),
    ] {
        let mut event = event.clone();
        let attributes = event.as_object_mut().expect("an object");
        match value {
            Some(value) => attributes.insert(attribute.into(), value.into()),
            None => attributes.remove(attribute),
        };
        let (taken, why) = checked(&event.to_string());
        assert!(!taken && !why.is_empty(), "{attribute} {value:?}");
        assert!(!why.contains("Traceback"), "{why}");
    }
    for text in ["", "[]", "null", "{", &format!("{{\"data\": \"{}\"}}", "x".repeat(30_000))] {
        let (taken, why) = checked(text);
        assert!(!taken && !why.contains("Traceback"), "{text:.20}: {why}");
    }
}
