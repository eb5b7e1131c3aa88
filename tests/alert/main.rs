//! The events of alerts, taken by the CloudEvents project's own library in the Python that `STATIONKEEP_TEST_PYTHON`
//! names (PyPI `cloudevents`), through `check_event.py`.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use serde_json::Value as Json;
use stationkeep::alert::body::form::{BodyTerms, Form};
use stationkeep::alert::body::{render, sample};
use stationkeep::alert::{
    AlertTerms, Brake, Cases, Cause, FilesRead, Message, Next, Pass, RejectedReport, RejectedReports, Stopped,
    Subscription, ToCallBack, Work, decide, heartbeat, source_of,
};
use stationkeep::brake::{Limit, Share, Tally};
use stationkeep::drift::{LifelineService, Service, Standing, StationDrift};
use stationkeep::finding::{Code, Finding, Place};
use stationkeep::inventory::Extent;
use stationkeep::ledger::Digest;
use stationkeep::script;
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

fn terms() -> AlertTerms {
    let webhook = Subscription {
        name: "on-call".into(),
        weights: Weight::ALL.into(),
        remind_minutes: BTreeMap::new(),
        silent_minutes: 15,
        body: BodyTerms::default(),
    };
    AlertTerms {
        fleet: "Skerry Coast Harbours".into(),
        full_pass: SignedDuration::from_mins(15),
        source: source_of("Skerry Coast Harbours"),
        webhooks: vec![webhook],
        address: Some("https://ops.example".into()),
        many_share: 0.3,
        require_tests: true,
        rehearsal: false,
    }
}

fn clock() -> Timestamp {
    "2026-11-20T10:14:00.250Z".parse().expect("a time")
}

/// What there is to tell, apart from stations.
#[derive(Default)]
struct News {
    findings: Vec<Finding>,
    rejected: RejectedReports,
    stopped: BTreeMap<Name, Stopped>,
}

/// The one message of a first pass.
fn told(stations: usize, news: &News) -> Message {
    let stations: Vec<Arc<StationDrift>> = (0..stations).map(station).collect();
    let work = script::Work { stations: 1, calls: 1, commands: 2, presses: 40, ms: 30_000 };
    let digest: Digest = "3f9a1c0b7d24e615".parse().expect("a digest");
    let next = |stations: &[&Name]| stations.iter().map(|_| Next::Key(work)).collect();
    let digest = |_: &Name| Some(digest.clone());
    let wanted = || "0123456789abcdef".parse().expect("a digest");
    let (share_set_at, most_set_at) = (String::new(), String::new());
    let limit = Limit { share: Share::DEFAULT, most: Limit::MOST, share_set_at, most_set_at };
    let pass = Pass {
        stations: &stations,
        waiting: &BTreeSet::new(),
        contacts: &BTreeMap::new(),
        cause: &Cause::default(),
        work: Work { next: &next, digest: &digest, has_way_back: &|_| true },
        commit: None,
        decisions: None,
        brake: Brake { held: None, tally: Tally { on_record: 1, ..Tally::default() }, limit: &limit, wanted: &wanted },
        to_call_back: ToCallBack(&|_| None),
        inventory: FilesRead { findings: &news.findings, ..FilesRead::default() },
        configuration: FilesRead::default(),
        rejected: &news.rejected,
        stopped: &news.stopped,
        refused: &[],
        refusing: &BTreeMap::new(),
        silent: &BTreeMap::new(),
        pages: None,
        is_full: false,
        ledger_seq: 0,
        clock: clock(),
    };
    let mut messages = decide(&Cases::default(), &pass, &terms()).messages;
    assert_eq!(messages.len(), 1, "{messages:?}");
    messages.remove(0)
}

fn station(nth: usize) -> Arc<StationDrift> {
    let lifelines = vec![LifelineService {
        name: "emergency".into(),
        title: "the red button".into(),
        is_required: true,
        service: Service::Failed,
        mark: None,
        by: Some("tech-07".into()),
        elsewhere: None,
        because: Some("caller could not hear".into()),
    }];
    Arc::new(StationDrift {
        station: format!("EQ-{nth:04} å \"quoted\"").into(),
        site: "east-quay".into(),
        location: "East quay, head of ladder".into(),
        standing: Standing::OutOfService,
        weight: Some(Weight::Lifeline),
        settings: Vec::new(),
        lifelines,
        formerly: Vec::new(),
        number: format!("+44163296{nth:04}").into(),
        other_number: None,
        begun: Vec::new(),
        setbacks: Vec::new(),
        met: Vec::new(),
        set_aside: Extent::Nothing,
        taken: None,
        scope: Arc::default(),
        file: "inventory/fleet.yaml".into(),
    })
}

fn drift(stations: usize) -> Message {
    told(stations, &News::default())
}

fn findings(count: u32) -> Vec<Finding> {
    let place = |line| Place { file: "inventory/fleet.yaml".into(), line, column: 5, length: 4 };
    (1..=count).map(|line| Finding::new(Code::Unquoted, place(line), "Not quoted.", "Quote it.")).collect()
}

fn refused(count: u32) -> Message {
    told(0, &News { findings: findings(count), ..News::default() })
}

fn report() -> Message {
    let report = RejectedReport {
        failed: None,
        source: "reports/a.yaml".into(),
        content: "aa".into(),
        id: None,
        station: Some("EQ-01".into()),
        at: clock(),
        reasons: findings(2),
    };
    let rejected = RejectedReports { rejected: vec![report], last: 1, ..RejectedReports::default() };
    told(0, &News { rejected, ..News::default() })
}

fn webhook_stopped() -> Message {
    let gone = Stopped { since: clock(), address: "https://hooks.example.org".into(), message: "told-1".into() };
    told(0, &News { stopped: BTreeMap::from([("wall \"2\"".into(), gone)]), ..News::default() })
}

fn beat() -> Message {
    heartbeat(
        &"pulse".into(),
        "beat-019a6c1e-8f00-7000-8000-000000000001".into(),
        (300, false),
        &terms().source,
        clock(),
    )
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

/// The schema that `schema alert` prints, by an outside validator: it holds for every event there is, and for nothing else.
#[test]
fn the_schema_of_alerts_takes_every_event_and_has_an_example_of_each() {
    let run = Command::new(env!("CARGO_BIN_EXE_stationkeep")).args(["schema", "alert"]).output().expect("the program");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let schema: Json = serde_json::from_slice(&run.stdout).expect("JSON");
    let event = |message: &Message| serde_json::from_str::<Json>(&message.body).expect("JSON");
    let events: Vec<Json> = sample::messages().iter().map(event).collect();
    let given = serde_json::json!({"schema": schema, "events": events}).to_string();
    let python = std::env::var("STATIONKEEP_TEST_PYTHON").expect("STATIONKEEP_TEST_PYTHON is set (tests/run does it)");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/alert/check_schema.py");
    let mut command = Command::new(python);
    command.arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("Python starts");
    child.stdin.take().expect("an input").write_all(given.as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{said}");
}

#[test]
fn the_cloudevents_library_takes_every_sample_and_its_short_form() {
    // Those of hostile names, and one of each kind.
    let mut kinds = BTreeSet::new();
    for message in sample::messages() {
        let gist = &message.gists[0];
        if !gist.fleet.contains('{') && !kinds.insert(gist.kind) {
            continue;
        }
        let made = render(message, &Form::CloudEvents, SignedDuration::from_mins(15));
        for body in [&made.body, &made.brief] {
            assert_eq!(checked(body), (true, String::new()), "{body}");
        }
    }
    assert!(kinds.len() >= 7, "{kinds:?}");
}
