//! The sample fleet in a folder of its own, the daemon over it, which can be stopped and started again at the same address,
//! and what the record says of a station.

use std::fs;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use jiff::Timestamp;
use stationkeep::config;
use stationkeep::files::Look;
use stationkeep::fleet::{Fleet as Kept, Keying, Moment, Row, open_with_key};
use stationkeep::keybook::{Held, SimulatedStation};
use stationkeep::ledger::State;
use stationkeep::script::{Memory, Script, Way};
use stationkeep::setting::{Codes, Value};

/// No wait is longer.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// The day that the sample tells of.
const NOON: &str = "2026-11-25T12:00:00Z";

pub struct Fleet {
    home: tempfile::TempDir,
    pub address: SocketAddr,
    daemon: Option<Child>,
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a folder") {
        let path = entry.expect("an entry").path();
        let beside = to.join(path.file_name().expect("a name"));
        if path.is_dir() {
            copy(&path, &beside);
        } else {
            fs::copy(&path, &beside).expect("a copy");
        }
    }
}

/// What is to be keyed at a station, and what it holds by the record.
pub struct Site {
    pub script: Script,
    pub station: SimulatedStation,
}

impl Fleet {
    /// The sample, with nobody over it yet. `more` is added to the configuration.
    pub fn new(more: &str) -> Fleet {
        let home = tempfile::Builder::new().prefix("stationkeep-browser-").tempdir().expect("a folder");
        copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config"), &home.path().join("config"));
        let free = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = free.local_addr().expect("an address");
        let fleet = Fleet { home, address, daemon: None };
        let text = fleet.read("config/stationkeep.yaml").replace("127.0.0.1:8470", &address.to_string());
        fleet.write("config/stationkeep.yaml", &text.replace("settle_ms: 500", &format!("settle_ms: 50\n{more}")));
        fleet
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.home.path().join(name)
    }

    pub fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).expect("a file")
    }

    pub fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).expect("a file");
    }

    fn program(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stationkeep"));
        command.current_dir(self.home.path()).args(arguments).stdin(Stdio::null()).env("NO_COLOR", "1");
        for name in ["CONFIG", "LOG", "LOG_FORMAT", "WEBHOOK", "SIGNING"] {
            command.env_remove(format!("STATIONKEEP_{name}"));
        }
        command.env("STATIONKEEP_CLOCK", NOON);
        command
    }

    /// Starts the daemon, until it is ready.
    pub fn start(&mut self) {
        let said = fs::File::create(self.path("said")).expect("a file");
        let mut serve = self.program(&["serve"]);
        serve.stdout(Stdio::null()).stderr(said);
        self.daemon = Some(serve.spawn().expect("the daemon"));
        until("the daemon is ready", || self.get("/readyz").filter(|text| text.contains("\"ready\":true")));
    }

    pub fn stop(&mut self) {
        if let Some(mut daemon) = self.daemon.take() {
            daemon.kill().expect("it ends");
            daemon.wait().expect("it has ended");
        }
    }

    fn get(&self, path: &str) -> Option<String> {
        self.get_as(path, "")
    }

    /// The whole answer to a request with some more lines in its head.
    pub fn get_as(&self, path: &str, lines: &str) -> Option<String> {
        use std::io::{Read as _, Write as _};
        let mut stream = TcpStream::connect(self.address).ok()?;
        stream.set_read_timeout(Some(PATIENCE)).ok()?;
        let host = self.address;
        write!(stream, "GET {path} HTTP/1.1\r\nhost: {host}\r\n{lines}connection: close\r\n\r\n").ok()?;
        let mut text = String::new();
        stream.read_to_string(&mut text).ok()?;
        Some(text)
    }

    /// What a command prints.
    pub fn run(&self, arguments: &[&str]) -> String {
        let done = self.program(arguments).output().expect("the program");
        String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr)
    }

    /// What the view of this moment says; the daemon may run beside.
    async fn look<T>(&self, ask: impl FnOnce(&stationkeep::fleet::View) -> T) -> T {
        let config = config::load(&self.path("config/stationkeep.yaml")).config.expect("a configuration");
        let opened = open_with_key(config.ledger.reveal(), &config.key_place(), &[7; 32]).await;
        let (store, key) = opened.expect("a ledger and its key");
        let mut kept = Kept::new(config.sources(key), store.clone(), config.looking());
        // The clock of the daemon has gone on since noon.
        let noon: Timestamp = NOON.parse().expect("a time");
        let now = noon + jiff::SignedDuration::from_hours(1);
        let moment = Moment { now, files: SystemTime::now() + Duration::from_secs(60) };
        let view = kept.look(Some(Look::Whole), moment, &mut |_| {}).await.expect("a look");
        let answer = ask(&view);
        store.close().await;
        answer
    }

    /// The station with the most to key.
    pub async fn longest(&self) -> Site {
        self.look(|view| {
            let sites = view.rows.iter().filter_map(|row| match view.keying(row, Way::There, &mut Memory::default()) {
                Keying::Script { script, codes, .. } => Some(Site { station: simulated(row, &codes), script: *script }),
                Keying::Held(_) | Keying::Nothing | Keying::NoScript(_) => None,
            });
            sites.max_by_key(|site| site.script.cost.commands).expect("something to key")
        })
        .await
    }

    /// All stations, by name.
    pub async fn names(&self) -> Vec<String> {
        self.look(|view| view.rows.iter().map(|row| row.station.name.to_string()).collect()).await
    }

    /// What is to be done at a station, where anything is.
    pub async fn script(&self, station: &str, way: Way) -> Option<Site> {
        self.look(|view| {
            let row = view.row(station).expect("a station");
            match view.keying(row, way, &mut Memory::default()) {
                Keying::Script { script, codes, .. } => Some(Site { station: simulated(row, &codes), script: *script }),
                Keying::Held(_) | Keying::Nothing | Keying::NoScript(_) => None,
            }
        })
        .await
    }

    /// The first station at which something is to be keyed again because it was confirmed too long ago.
    pub async fn renewal(&self) -> Site {
        self.look(|view| {
            let renewed = view.rows.iter().find_map(|row| match view.renewing(row, &[], &mut Memory::default()) {
                Ok(Keying::Script { script, codes, .. }) if !script.renewed.is_empty() => {
                    Some(Site { station: simulated(row, &codes), script: *script })
                }
                Ok(Keying::Script { .. } | Keying::Held(_) | Keying::Nothing | Keying::NoScript(_)) | Err(_) => None,
            });
            renewed.expect("something to key again")
        })
        .await
    }

    /// What the record says otherwise than the station holds, a line a setting; and its reports.
    pub async fn unlike(&self, station: &SimulatedStation, name: &str) -> Vec<String> {
        self.look(|view| {
            let row = view.row(name).expect("a station");
            let record = row.record();
            let codes = view.codes_for(row, &record);
            let is_held = |id, value: &Value| match (value, station.held(id)) {
                (Value::Secret(secret), Held::Code(code)) => codes.code_of(secret).is_some_and(|known| known == code),
                (value, Held::Known(held)) => held == value,
                (_, Held::Unknown | Held::Code(_)) => false,
            };
            let said = |id| match &record.holding(id).state {
                State::Known(value) if is_held(id, value) => None,
                other => {
                    Some(format!("{}: {other:?}, not {:?}", row.station.keybook.setting(id).name, station.held(id)))
                }
            };
            row.station.keybook.ids().filter_map(said).collect()
        })
        .await
    }

    /// How the station stands, and when it has been reported on.
    pub async fn standing(&self, name: &str) -> String {
        self.look(|view| view.row(name).expect("a station").drift.standing.as_str().to_owned()).await
    }
}

impl Drop for Fleet {
    fn drop(&mut self) {
        self.stop();
    }
}

/// A station as the record has it; what nobody knows is as from the factory.
fn simulated(row: &Row, codes: &Codes) -> SimulatedStation {
    let fresh = SimulatedStation::from_factory(row.station.keybook.clone());
    let record = row.record();
    let held = |id| record.known(id).map_or_else(|| fresh.held(id).clone(), |value| Held::Known(value.clone()));
    SimulatedStation::new(row.station.keybook.clone(), row.station.keybook.ids().map(held).collect(), codes)
}

/// Asks again and again until there is an answer; panics when patience is over.
pub fn until<T>(what: &str, mut answer: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(answer) = answer() {
            return answer;
        }
        assert!(start.elapsed() < PATIENCE, "waited {PATIENCE:?} for this: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}
