//! Texts of a fleet of any size: keybooks of the sample fleet, sites of fifty stations, a report or two a station, one
//! station in twenty not as wanted. The same size gives the same bytes. Every number is reserved for fiction.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use serde_json::{Value as Json, json};

/// The largest fleet that there are numbers for.
pub const MOST: usize = 100_000;

/// Stations of one site.
const SITE: usize = 50;

/// One station in so many is not as wanted.
const ADRIFT: usize = 20;

/// Ofcom's ranges for drama, a thousand numbers each; the first is the contacts'.
const BRITISH: [&str; 18] = [
    "441134960",
    "441144960",
    "441154960",
    "441164960",
    "441174960",
    "441184960",
    "441214960",
    "441314960",
    "441414960",
    "441514960",
    "441614960",
    "441914980",
    "442079460",
    "442896496",
    "442920180",
    "441632960",
    "447700900",
    "443069990",
];

/// ARCEP 2018-0881, ten thousand numbers each.
const FRENCH: [&str; 6] = ["3319900", "3326191", "3335301", "3346571", "3353649", "3363998"];

const CONTROL_ROOM: &str = "441134960001";
const DUTY_OFFICER: &str = "441134960002";
const FORMER_DESK: &str = "441134960009";

/// Country and number, without plus sign, of the nth station.
fn number(nth: usize) -> (&'static str, String) {
    let british = (BRITISH.len() - 1) * 1_000;
    let french = FRENCH.len() * 10_000;
    if nth < british {
        ("GB", format!("{}{:03}", BRITISH[1 + nth / 1_000], nth % 1_000))
    } else if nth < british + french {
        let nth = nth - british;
        ("FR", format!("{}{:04}", FRENCH[nth / 10_000], nth % 10_000))
    } else {
        // 555-0100 to 555-0199 of area codes that begin 2 to 9, with 0 to 8 behind.
        let nth = nth - british - french;
        let area = nth / 100;
        ("US", format!("1{}{}{}55501{:02}", 2 + area / 90, area / 10 % 9, area % 10, nth % 100))
    }
}

/// A site's line.
struct Line {
    kind: &'static str,
    country: &'static str,
}

impl Line {
    fn of(site: usize) -> Line {
        Line { kind: ["pbx", "direct", "ringdown"][site % 3], country: number(site * SITE).0 }
    }

    /// What is dialled for a British number, worked out here by hand.
    fn dials(&self, number: &str) -> String {
        let public = match self.country {
            "GB" => format!("0{}", &number[2..]),
            "FR" => format!("00{number}"),
            _ => format!("011{number}"),
        };
        match self.kind {
            "ringdown" => "000".into(),
            "pbx" => format!("9,{public}"),
            _ => public,
        }
    }
}

/// One station, by its place in the fleet.
struct Station {
    nth: usize,
}

impl Station {
    fn name(&self) -> String {
        format!("ST-{:06}", self.nth)
    }

    fn is_petrel(&self) -> bool {
        self.nth % 10 == 3
    }

    fn identity(&self) -> String {
        // A petrel takes four digits.
        if self.is_petrel() { format!("{:04}", self.nth / 10) } else { format!("{:06}", self.nth) }
    }

    /// Which way it is not as wanted.
    fn adrift(&self) -> Option<usize> {
        let round = self.nth / ADRIFT;
        (self.nth % ADRIFT == round % ADRIFT).then_some(round % 8)
    }

    /// What it holds, if all is as wanted.
    fn wanted(&self, line: &Line) -> Json {
        let backup = if line.kind == "ringdown" { String::new() } else { line.dials(DUTY_OFFICER) };
        let mut held = json!({
            "access": {"secret": "file:secrets/access-2026"},
            "identity": self.identity(),
            "line.kind": line.kind,
            "emergency.primary": line.dials(CONTROL_ROOM),
            "emergency.backup": backup,
            "call.minutes": 10,
        });
        let own = if self.is_petrel() {
            json!({"alarm.outputs": ["lamp", "sounder"], "speech.level": 40, "speech.language": "english"})
        } else {
            json!({
                "assistance.primary": line.dials(CONTROL_ROOM),
                "assistance.backup": "",
                "lamp.follows": ["emergency"],
                "gate.opens": "never",
                "speech.level": 7,
            })
        };
        merge(&mut held, own);
        held
    }

    /// What its technician left.
    fn left(&self, line: &Line) -> Json {
        let mut held = self.wanted(line);
        let former = if line.kind == "ringdown" { "111".into() } else { line.dials(FORMER_DESK) };
        let other_line = if line.kind == "direct" { "pbx" } else { "direct" };
        let softer = if self.is_petrel() { 30 } else { 5 };
        let other = match self.adrift() {
            None => json!({}),
            Some(0) => json!({"speech.level": softer}),
            Some(1) if line.kind != "ringdown" => json!({"emergency.backup": former}),
            Some(1 | 2) => json!({"identity": "9999"}),
            Some(3) => json!({"access": {"secret": "file:secrets/access-2025"}}),
            Some(4) => json!({"line.kind": other_line}),
            Some(5) => json!({"emergency.primary": former}),
            Some(6) => json!({"call.minutes": 5, "speech.level": softer}),
            Some(_) => json!({"emergency.primary": former, "identity": "9998", "call.minutes": 15}),
        };
        merge(&mut held, other);
        held
    }

    fn reports(&self, line: &Line) -> Vec<Json> {
        let mut tests = vec![json!({"lifeline": "emergency", "outcome": "reached", "contact": "control-room"})];
        if !self.is_petrel() {
            tests.push(json!({"lifeline": "assistance", "outcome": "reached", "contact": "control-room"}));
        }
        let report = |day: usize, more: Json| {
            let mut report = json!({
                "report": 1,
                "id": format!("019a0000-{day:04x}-7000-8000-{:012x}", self.nth),
                "station": self.name(),
                "at": format!("2026-{:02}-{:02}T08:{:02}:00Z", 1 + day / 28, 1 + day % 28, self.nth % 60),
                "by": format!("tech-{:02}", self.nth % 12),
                "tests": tests,
            });
            merge(&mut report, more);
            report
        };
        let day = 20 + self.nth % 200;
        let mut reports = vec![report(day, json!({"unit": "new", "left": self.left(line)}))];
        if self.nth.is_multiple_of(10) {
            reports.push(report(day + 60, json!({"note": "the yearly test call"})));
        }
        reports
    }
}

fn merge(into: &mut Json, from: Json) {
    if let (Json::Object(into), Json::Object(from)) = (into, from) {
        into.extend(from);
    }
}

const SHARED: &str = r#"inventory: 1
fleet: Skerry Coast Harbours
contacts:
  control-room: {calls: "+CONTROL"}
  duty-officer: {calls: "+DUTY"}
settings:
  access: {secret: "file:secrets/access-2026"}
  line.kind: {from: line}
  emergency.primary: {to: control-room}
  emergency.backup: {to: duty-officer}
  call.minutes: 10
profiles:
  quayside:
    model: tern-2
    settings:
      assistance.primary: {to: control-room}
      assistance.backup: ""
      lamp.follows: [emergency]
      gate.opens: never
      speech.level: 7
  indoors:
    model: petrel-3
    settings:
      alarm.outputs: [lamp, sounder]
      speech.level: 40
      speech.language: english
"#;

const CONFIG: &str = "stationkeep: 1\ninventory: inventory\nkeybooks: keybooks\nreports: reports\nledger: sqlite:var/ledger.db\nlisten: 127.0.0.1:0\n";

/// Writes the whole folder; what stood there under the same names is replaced.
pub fn write(folder: &Path, stations: usize) {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/keybooks");
    for book in ["tern-2.yaml", "petrel-3.yaml"] {
        put(folder, &format!("keybooks/{book}"), &fs::read_to_string(sample.join(book)).expect("the sample's keybook"));
    }
    put(folder, "stationkeep.yaml", CONFIG);
    put(folder, "secrets/access-2025", "410522\n");
    put(folder, "secrets/access-2026", "728164\n");
    put(folder, "reports/.keep", "");
    write_inventory(folder, stations);
    let mut ledger = String::new();
    for site in 0..stations.div_ceil(SITE) {
        let line = Line::of(site);
        for report in here(site, stations).flat_map(|nth| Station { nth }.reports(&line)) {
            writeln!(ledger, "{report}").expect("a line");
        }
    }
    put(folder, "ledger.jsonl", &ledger);
}

/// The inventory's files alone.
pub fn write_inventory(folder: &Path, stations: usize) {
    let shared = SHARED.replace("CONTROL", CONTROL_ROOM).replace("DUTY", DUTY_OFFICER);
    put(folder, "inventory/fleet.yaml", &shared);
    for site in 0..stations.div_ceil(SITE) {
        let text = site_text(site, &Line::of(site), here(site, stations));
        put(folder, &format!("inventory/sites/site-{site:04}.yaml"), &text);
    }
}

/// The places in the fleet of a site's stations.
fn here(site: usize, stations: usize) -> std::ops::Range<usize> {
    (site * SITE)..((site + 1) * SITE).min(stations)
}

fn site_text(site: usize, line: &Line, stations: std::ops::Range<usize>) -> String {
    let Line { kind, country } = line;
    let mut text = format!("inventory: 1\nsites:\n  site-{site:04}:\n");
    let outside = if *kind == "pbx" { ", outside: \"9,\"" } else { "" };
    writeln!(text, "    line: {{kind: {kind}{outside}, country: {country}, form: national}}").expect("a line");
    if *kind == "ringdown" {
        text += "    settings: {emergency.backup: \"\"}\n";
    }
    text += "    stations:\n";
    for nth in stations {
        let station = Station { nth };
        let profile = if station.is_petrel() { "indoors" } else { "quayside" };
        let (name, number, identity) = (station.name(), number(nth).1, station.identity());
        writeln!(
            text,
            "      {name}: {{number: \"+{number}\", where: \"Berth {nth}, seaward side\", profiles: [{profile}], settings: {{identity: \"{identity}\"}}}}"
        )
        .expect("a line");
    }
    text
}

fn put(folder: &Path, name: &str, text: &str) {
    let path = folder.join(name);
    fs::create_dir_all(path.parent().expect("a folder")).expect("the folder");
    fs::write(path, text).expect("the file");
}
