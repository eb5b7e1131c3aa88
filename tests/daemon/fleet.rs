//! A small fleet of its own in a temporary folder: six stations at two piers, one keybook, one webhook.
//! Names are invented; telephone numbers come from Ofcom's ranges for drama (01632 960xxx, 07700 900xxx).

use std::cell::Cell;
use std::fs;
use std::path::{Path, PathBuf};

use sqlx::Connection as _;

use super::process::{Daemon, Done, command};
use super::receiver::Receiver;

/// Signs the deliveries of every fleet here.
pub const SIGNING: &str = "whsec_c3RhdGlvbmtlZXAtdGVzdHMtZGFlbW9uLW9uZQ==";

/// The code that opens every station.
pub const CODE: &str = "48151623";

/// The duty officer's number at first, and after an edit.
pub const OFFICER: &str = "+447700900177";
pub const NEW_OFFICER: &str = "+447700900142";

/// Stations with their site and identity. SP-02 calls the duty officer, the others the control room.
pub const STATIONS: [(&str, &str, &str); 6] = [
    ("NP-01", "north-pier", "11"),
    ("NP-02", "north-pier", "12"),
    ("NP-03", "north-pier", "13"),
    ("NP-04", "north-pier", "14"),
    ("SP-01", "south-pier", "21"),
    ("SP-02", "south-pier", "22"),
];

pub const KEYBOOK: &str = r##"# An invented two-button station.
keybook: 1
model: wren-1
title: Wren pier station (invented)
call: {rings: 1, greeting_ms: 6000, open: "B{=access}#", close: "D", idle_ms: 15000, limit_ms: 240000}
tones:
  accepted: {beeps: 1, hz: 1000, on_ms: 200}
  refused: {beeps: 3, hz: 400, on_ms: 120, off_ms: 120}
timing: {press_ms: 600, answer_ms: 1500, tone_ms: 100, gap_ms: 100}
dial_keys: {",": "C"}
settings:
  access: {kind: secret, digits: [4, 8]}
  identity: {kind: digits, digits: [1, 8], factory: "0", weight: locating}
  line.kind: {kind: choice, values: {direct: "1", pbx: "2"}, factory: direct, weight: lifeline}
  emergency.primary: {kind: dial, digits: [1, 20], weight: lifeline}
  assistance.primary: {kind: dial, digits: [0, 20], factory: ""}
  gate.seconds: {kind: number, min: 1, max: 99, width: 2, unit: s, factory: 5}
lifelines:
  emergency: [line.kind, emergency.primary]
commands:
  - {command: identity, keys: "10{identity}#"}
  - {command: emergency-primary, keys: "21{emergency.primary}#"}
  - {command: assistance-primary, keys: "23{assistance.primary}#"}
  - {command: line-kind, keys: "30{line.kind}"}
  - {command: gate-time, keys: "45{gate.seconds}"}
  - {command: access-code, keys: "90{access}#{access}#"}
  - {command: factory-reset, keys: "9999#", clears: all, keeps: [access], takes_ms: 8000}
"##;

/// What every station shares.
pub fn fleet_yaml(officer: &str) -> String {
    format!(
        r#"inventory: 1
fleet: Gull Rock Ferries
contacts:
  control-room: {{calls: "+441632960101"}}
  duty-officer: {{calls: "{officer}"}}
settings:
  access: {{secret: "file:secrets/access"}}
  line.kind: {{from: line}}
  emergency.primary: {{to: control-room}}
  gate.seconds: 7
profiles:
  pier: {{model: wren-1}}
"#
    )
}

/// The north pier, behind an exchange; `stations` as in [`STATIONS`].
pub fn north_yaml(stations: &[&str]) -> String {
    let head = "inventory: 1\nsites:\n  north-pier:\n    line: {kind: pbx, outside: \"9,\", country: GB}\n    \
                settings: {assistance.primary: {to: duty-officer}}\n    stations:\n";
    head.to_owned() + &stations.iter().map(|name| station_line(name, "")).collect::<String>()
}

/// The south pier, on lines of its own.
pub fn south_yaml() -> String {
    let head = "inventory: 1\nsites:\n  south-pier:\n    line: {kind: direct, country: GB}\n    stations:\n";
    let officer = ", emergency.primary: {to: duty-officer}";
    head.to_owned() + &station_line("SP-01", "") + &station_line("SP-02", officer)
}

/// The pier's station line: numbers and identities follow from the name.
fn station_line(name: &str, more: &str) -> String {
    let identity = identity(name);
    format!(
        "      {name}: {{number: \"+4416329601{identity}\", where: \"Berth {identity}\", profiles: [pier], \
         settings: {{identity: \"{identity}\"{more}}}}}\n"
    )
}

fn identity(name: &str) -> String {
    let (side, number) = name.split_once("-0").expect("a name such as NP-01");
    format!("{}{number}", if side == "NP" { 1 } else { 2 })
}

/// How a number of the form +44… is dialled from a station.
pub fn dialled(station: &str, number: &str) -> String {
    let national = format!("0{}", number.strip_prefix("+44").expect("a number of GB"));
    if station.starts_with("NP") { format!("9,{national}") } else { national }
}

/// A report file that proves a station to hold all that the fleet wants of it, with the duty officer at `officer`.
pub fn commissioning(id: u32, station: &str, at: &str, officer: &str) -> String {
    let kind = if station.starts_with("NP") { "pbx" } else { "direct" };
    let contact = if station == "SP-02" { "duty-officer" } else { "control-room" };
    let primary = dialled(station, if station == "SP-02" { officer } else { "+441632960101" });
    let assistance = match station.starts_with("NP") {
        true => format!("  assistance.primary: \"{}\"\n", dialled(station, officer)),
        false => String::new(),
    };
    format!(
        "report: 1\nid: {}\nstation: {station}\nat: {at}\nby: tech-03\nunit: new\nleft:\n  access: {{secret: \
         \"file:secrets/access\"}}\n  identity: \"{}\"\n  line.kind: {kind}\n  emergency.primary: \"{primary}\"\n\
         {assistance}  gate.seconds: 7\ntests:\n  - {{lifeline: emergency, outcome: reached, contact: {contact}}}\n",
        uuid(id),
        identity(station)
    )
}

/// An id for a report, in the form of RFC 9562 version 7.
pub fn uuid(number: u32) -> String {
    format!("019a6c1e-8f00-7000-8000-{number:012}")
}

/// A fleet in a folder of its own, which goes when this is dropped.
pub struct Fleet {
    home: tempfile::TempDir,
    /// Variables for every process of it.
    pub environment: Vec<(String, String)>,
    numbers: Cell<u32>,
}

impl Fleet {
    /// The fleet with every station but SP-01 commissioned, telling `receiver`.
    pub fn new(receiver: &Receiver) -> Fleet {
        let fleet = Fleet::bare();
        fleet.write("config/secrets/on-call", &receiver.url());
        fleet.configure(100, &webhook("on-call"));
        fleet.write("config/secrets/access", &format!("{CODE}\n"));
        fleet.write("config/secrets/signing", SIGNING);
        fleet.write("config/keybooks/wren-1.yaml", KEYBOOK);
        fleet.write("config/inventory/fleet.yaml", &fleet_yaml(OFFICER));
        fleet.write("config/inventory/north.yaml", &north_yaml(&["NP-01", "NP-02", "NP-03", "NP-04"]));
        fleet.write("config/inventory/south.yaml", &south_yaml());
        for (station, _, _) in STATIONS.into_iter().filter(|(station, _, _)| *station != "SP-01") {
            let report = commissioning(fleet.number(), station, "2020-03-02T09:00:00Z", OFFICER);
            fleet.write(&format!("config/reports/2020-03-02-{station}.yaml"), &report);
        }
        fleet
    }

    /// An empty folder.
    pub fn bare() -> Fleet {
        let home = tempfile::Builder::new().prefix("stationkeep-daemon-").tempdir().expect("a folder");
        Fleet { home, environment: Vec::new(), numbers: Cell::new(0) }
    }

    /// A number that was not given out before.
    pub fn number(&self) -> u32 {
        self.numbers.set(self.numbers.get() + 1);
        self.numbers.get()
    }

    pub fn home(&self) -> &Path {
        self.home.path()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.home.path().join(name)
    }

    /// Writes a file as a person's editor without ceremony does.
    pub fn write(&self, name: &str, text: &str) {
        let path = self.path(name);
        fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        fs::write(path, text).expect("a file");
    }

    /// Writes a file beside and renames it, as most editors do.
    pub fn rename_into(&self, name: &str, text: &str) {
        let beside = format!("{name}.{}.part", self.number());
        self.write(&beside, text);
        fs::rename(self.path(&beside), self.path(name)).expect("a renamed file");
    }

    /// The configuration, with these entries under `webhooks`. The full pass is a day away: it covers up for nothing.
    pub fn configure(&self, settle_ms: u32, webhooks: &str) {
        self.rename_into("config/stationkeep.yaml", &configuration(settle_ms, webhooks));
    }

    /// Starts the daemon and waits for its first words.
    pub fn start(&self) -> Daemon {
        Daemon::spawn(self.home(), &self.environment).announced()
    }

    /// Runs SQL in the ledger, beside the daemon; how many rows it changed.
    pub fn in_ledger(&self, sql: &str) -> u64 {
        sqlx::any::install_default_drivers();
        let url = format!("sqlite:{}", self.path("var/ledger.db").display());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let mut connection = sqlx::AnyConnection::connect(&url).await.expect("the ledger");
            let sql = format!("PRAGMA busy_timeout = 15000; {sql}");
            let done = sqlx::raw_sql(sqlx::AssertSqlSafe(sql)).execute(&mut connection).await.expect("the change");
            connection.close().await.expect("closed");
            done.rows_affected()
        })
    }

    /// The first column of what SQL finds in the ledger, as text.
    pub fn sql(&self, sql: &str) -> Vec<String> {
        sqlx::any::install_default_drivers();
        let url = format!("sqlite:{}", self.path("var/ledger.db").display());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let mut connection = sqlx::AnyConnection::connect(&url).await.expect("the ledger");
            let sql = sqlx::AssertSqlSafe(sql.to_owned());
            sqlx::query_scalar(sql).fetch_all(&mut connection).await.expect("rows")
        })
    }

    /// Runs a command of the program.
    pub fn run(&self, arguments: &[&str]) -> Done {
        command(self.home(), arguments, &self.environment)
    }

    /// `drift --format json` of these arguments.
    pub fn drift(&self) -> serde_json::Value {
        self.run(&["drift", "--format", "json"]).json()
    }
}

/// The text of a configuration.
pub fn configuration(settle_ms: u32, webhooks: &str) -> String {
    format!(
        "stationkeep: 1\ninventory: inventory\nkeybooks: keybooks\nreports: reports\nledger: sqlite:../var/ledger.db\n\
         listen: 127.0.0.1:0\nsettle_ms: {settle_ms}\nreconfirm_days: 36500\nfull_pass_minutes: 1440\n\
         settle_broken_s: 0\nwebhooks:\n{webhooks}"
    )
}

/// An entry for a webhook whose address lies in `secrets/NAME`.
pub fn webhook(name: &str) -> String {
    format!(
        "  - {{name: {name}, url: {{secret: \"file:secrets/{name}\"}}, signing: {{secret: \"file:secrets/signing\"}}}}\n"
    )
}
