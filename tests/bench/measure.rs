//! What each stage from texts to ordered scripts takes. Every answer is counted, so that no stage can be skipped.

use std::cmp::Reverse;
use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::{Value as Json, json};
use stationkeep::drift::{self, Rules, Standing, StationDrift};
use stationkeep::finding::Finding;
use stationkeep::inventory::{self, Inventory, Keybooks};
use stationkeep::keybook;
use stationkeep::ledger::{LedgerLine, Record, Report, fold, parse_line};
use stationkeep::script::{self, Memory, Request, Way};
use stationkeep::setting::{Code, Codes, Name, Reference};

/// CPU seconds of this thread so far; the kernel brings them up to date every few milliseconds.
pub fn cpu_s() -> f64 {
    let text = fs::read_to_string("/proc/thread-self/schedstat").expect("Linux counts CPU time here");
    let nanoseconds: u64 = text.split(' ').next().expect("a first number").parse().expect("a number");
    nanoseconds as f64 / 1e9
}

/// Names of stages with their CPU seconds.
struct Stages {
    last: f64,
    taken: Vec<(&'static str, f64)>,
}

impl Stages {
    fn end(&mut self, name: &'static str) {
        let now = cpu_s();
        self.taken.push((name, now - self.last));
        self.last = now;
    }
}

/// Reads a folder that `writer` wrote, and says what every stage took and found.
pub fn measure(folder: &Path) -> Json {
    let mut stages = Stages { last: cpu_s(), taken: Vec::new() };
    let codes = codes(folder);
    let keybooks = keybooks(folder, &codes);
    stages.end("keybooks");
    let raw: Vec<_> = yaml_files(&folder.join("inventory"))
        .iter()
        .map(|path| {
            let name: Arc<str> = path.strip_prefix(folder).expect("below").display().to_string().into();
            let (raw, findings) = inventory::read(&name, &fs::read(path).expect("a file"));
            assert_sound(&findings);
            Arc::new(raw)
        })
        .collect();
    stages.end("inventory read");
    let (inventory, findings) = inventory::resolve(&raw, &keybooks, &codes);
    assert_sound(&findings);
    stages.end("inventory resolved");
    let reports = reports(folder);
    stages.end("reports read");
    let records: BTreeMap<&Name, Record> = inventory
        .stations
        .iter()
        .map(|(name, station)| {
            let own = reports.get(name).map_or(&[][..], |own| own);
            (name, fold(&station.keybook, own, |_| None))
        })
        .collect();
    stages.end("records folded");
    let drifts = drifts(&inventory, &records);
    stages.end("drift");
    let (scripts, proven, bytes) = scripts(&inventory, &records, &codes, &drifts);
    stages.end("scripts, ordered");
    json!({
        "stages": stages.taken,
        "stations": inventory.stations.len(),
        "reports": reports.values().map(Vec::len).sum::<usize>(),
        "drifts": drifts.iter().flat_map(|one| one.settings.iter().map(|s| json!([&*one.station, &*s.name]))).collect::<Json>(),
        "scripts": scripts,
        "proven": proven,
        "script_bytes": bytes,
    })
}

pub fn assert_sound(findings: &[Finding]) {
    let error = findings.iter().find(|finding| finding.is_error());
    assert!(error.is_none(), "{}", error.map(ToString::to_string).unwrap_or_default());
}

pub fn codes(folder: &Path) -> Codes {
    let mut codes = Codes::new(b"a key for a bench");
    for name in ["secrets/access-2025", "secrets/access-2026"] {
        let text = fs::read_to_string(folder.join(name)).expect("a code");
        codes.learn(Reference::File(name.into()), Code::new(&text));
    }
    codes
}

pub fn keybooks(folder: &Path, codes: &Codes) -> Keybooks {
    let read = yaml_files(&folder.join("keybooks")).into_iter().map(|path| {
        let name: Arc<str> = path.display().to_string().into();
        let (keybook, findings) = keybook::read(&name, &fs::read(&path).expect("a file"));
        assert_sound(&findings);
        let mut keybook = keybook.expect("a sound keybook");
        keybook.seal(codes);
        (keybook.model.clone(), Arc::new(keybook))
    });
    read.collect()
}

/// Files below a folder that end in `.yaml`, in the order of names.
pub fn yaml_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(path) = open.pop() {
        if path.is_dir() {
            open.extend(fs::read_dir(&path).expect("a folder").map(|entry| entry.expect("an entry").path()));
        } else if path.extension().is_some_and(|end| end == "yaml") {
            found.push(path);
        }
    }
    found.sort();
    found
}

pub fn reports(folder: &Path) -> HashMap<Name, Vec<Report>> {
    let mut reports: HashMap<Name, Vec<Report>> = HashMap::new();
    for line in fs::read_to_string(folder.join("ledger.jsonl")).expect("the ledger's lines").lines() {
        match parse_line(line).expect("a line of the ledger") {
            LedgerLine::Report(report) => reports.entry(report.station.clone()).or_default().push(*report),
            LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_) => {
                unreachable!("the writer writes reports only")
            }
        }
    }
    reports
}

/// Every station that is not aligned, the worst and heaviest first.
fn drifts(inventory: &Inventory, records: &BTreeMap<&Name, Record>) -> Vec<StationDrift> {
    let rules = Rules { reconfirm_days: 365, require_tests: true };
    let now: Timestamp = "2026-11-25T12:00:00Z".parse().expect("a time");
    let all = inventory.stations.values().map(|station| drift::look(station, &records[&station.name], rules, now));
    let mut drifts: Vec<StationDrift> = all.filter(|one| one.standing != Standing::Aligned).collect();
    drifts.sort_by_key(|one| (one.standing, Reverse(one.weight), one.station.clone()));
    drifts
}

/// How many scripts there are, how many are proved best, and their length as JSON.
fn scripts(
    inventory: &Inventory,
    records: &BTreeMap<&Name, Record>,
    codes: &Codes,
    drifts: &[StationDrift],
) -> (usize, usize, usize) {
    let mut memory = Memory::default();
    let (mut count, mut proven, mut bytes) = (0, 0, 0);
    for one in drifts {
        let station = &inventory.stations[&one.station];
        let (record, contacts) = (&records[&one.station], &inventory.contacts);
        let request = Request { station, record, drift: one, contacts, codes };
        let script = script::write(&request, Way::There, &mut memory);
        let script = script.unwrap_or_else(|error| panic!("{}: {error}", one.station)).expect("something to key");
        (count, proven) = (count + 1, proven + usize::from(script.proven));
        bytes += script::json(&script, station, codes).to_string().len();
    }
    (count, proven, bytes)
}
