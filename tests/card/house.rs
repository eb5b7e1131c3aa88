//! The sample fleet in a folder of its own, with a server over it and a clock that a test sets.

use std::fs;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, SystemTime};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use jiff::Timestamp;
use sha2::{Digest as _, Sha256};
use stationkeep::config::{self, Config};
use stationkeep::files::Look;
use stationkeep::fleet::{Fleet, Keying, Moment, Row, View, asking, open_with_key, record_scripts};
use stationkeep::script::card::Card;
use stationkeep::script::{Memory, Way};
use stationkeep::store::{EntryKind, Store};
use stationkeep::web::{Access, Cards, Clocks, Outside, PassStatus, Role, Server, Status, Token};
use tokio::sync::Mutex;
use uuid::Uuid;

use super::http::{Answered, ask, send};

/// When the sample is looked at.
pub const NOON: &str = "2026-11-25T12:00:00Z";

pub const ADDRESS: &str = "https://ops.example/harbour";

pub struct House {
    pub home: tempfile::TempDir,
    fleet: Arc<Mutex<Fleet>>,
    pub store: Store,
    server: Server,
    status: Arc<Status>,
    clock: Arc<AtomicI64>,
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

/// The sample fleet's files in a new folder.
pub fn sample() -> tempfile::TempDir {
    let home = tempfile::Builder::new().prefix("stationkeep-card-").tempdir().expect("a folder");
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config"), &home.path().join("config"));
    home
}

pub fn loaded(home: &Path) -> Config {
    config::load(&home.join("config/stationkeep.yaml")).config.expect("a configuration")
}

/// The fleet of them, and its ledger.
pub async fn fleet(config: &Config) -> (Fleet, Store) {
    let (store, key) =
        open_with_key(config.ledger.reveal(), &config.key_place(), &[7; 32]).await.expect("a ledger and its key");
    (Fleet::new(config.sources(key), store.clone(), config.looking()), store)
}

/// It as it is at noon.
pub async fn view(config: &Config) -> (Arc<View>, Store) {
    let (mut fleet, store) = fleet(config).await;
    (fleet.look(Some(Look::Whole), moment(), &mut |_| {}).await.expect("a look"), store)
}

pub fn moment() -> Moment {
    // Files that were copied a moment ago are taken for settled.
    Moment { now: NOON.parse().expect("a time"), files: SystemTime::now() + Duration::from_secs(60) }
}

fn later() -> SystemTime {
    SystemTime::now() + Duration::from_secs(60)
}

/// Everybody who has a token: it is the name with `-token` behind it.
pub fn access() -> Access {
    let token = |name: &str, role| Token {
        name: name.into(),
        role,
        sha256: Sha256::digest(format!("{name}-token").as_bytes()).into(),
    };
    Access { tokens: vec![token("ops", Role::Ops), token("tech", Role::Technician), token("desk", Role::Reader)] }
}

/// An `Authorization` header line.
pub fn basic(name: &str, token: &str) -> String {
    format!("authorization: Basic {}", STANDARD.encode(format!("{name}:{token}")))
}

/// What a card is for.
#[derive(Clone, Copy)]
pub enum Errand {
    There,
    Back,
    Renewal,
}

impl Errand {
    fn keying<'v>(self, view: &'v View, row: &Row) -> Keying<'v> {
        let mut memory = Memory::default();
        match self {
            Errand::There => view.keying(row, Way::There, &mut memory),
            Errand::Back => view.keying(row, Way::Back, &mut memory),
            Errand::Renewal => view.renewing(row, &[], &mut memory).expect("no name is asked for"),
        }
    }
}

impl House {
    /// Open to this machine alone.
    pub async fn open() -> House {
        House::with(sample(), Access::default(), None, false).await
    }

    /// The same, in a rehearsal.
    pub async fn rehearsing() -> House {
        House::with(sample(), Access::default(), None, true).await
    }

    /// With tokens and an address.
    pub async fn guarded() -> House {
        House::with(sample(), access(), Some(ADDRESS.into()), false).await
    }

    /// Open to this machine alone, with what was confirmed so many days ago overdue.
    pub async fn reconfirming(days: u32) -> House {
        let home = sample();
        let file = home.path().join("config/stationkeep.yaml");
        let text = fs::read_to_string(&file).expect("a file");
        let edited = text.replace("reconfirm_days: 1825", &format!("reconfirm_days: {days}"));
        assert_ne!(edited, text);
        fs::write(&file, edited).expect("a file");
        House::with(home, Access::default(), None, false).await
    }

    async fn with(home: tempfile::TempDir, access: Access, address: Option<String>, rehearsal: bool) -> House {
        let config = loaded(home.path());
        let (fleet, store) = fleet(&config).await;
        let key = config.key_place().load().expect("a readable key").expect("a key");
        let noon: Timestamp = NOON.parse().expect("a time");
        let clock = Arc::new(AtomicI64::new(noon.as_second()));
        let now = clock.clone();
        let now = move || Timestamp::from_second(now.load(Ordering::Relaxed)).expect("a time");
        let outside = Outside { now: Arc::new(now.clone()), id: Uuid::now_v7, rehearsal };
        let fleet = Arc::new(Mutex::new(fleet));
        let (asking, mut askers) = asking();
        let (keeper, files) = (fleet.clone(), later());
        tokio::spawn(async move {
            loop {
                askers.asked().await;
                let view = keeper.lock().await.look(None, Moment { now: now(), files }, &mut |_| {}).await;
                match view {
                    Ok(view) => askers.answer(&view, Duration::ZERO),
                    Err(_) => askers.turn_away(),
                }
            }
        });
        let cards = Cards::new(asking, store.clone(), access, address, &key, outside);
        let status =
            Arc::new(Status::new(Clocks { steady: || Duration::ZERO, system_ms: || 0, is_set_by_hand: false }));
        status.open(Duration::from_secs(900), store.clone(), cards);
        let server = Server::start("127.0.0.1:0".parse().expect("an address"), status.clone(), None).await;
        let house = House { home, fleet, store, server, status, clock };
        house.pass().await;
        house
    }

    /// What a pass does with the files.
    pub async fn pass(&self) {
        let moment = Moment { now: self.now(), files: later() };
        let view = self.fleet.lock().await.look(Some(Look::Whole), moment, &mut |_| {}).await.expect("a look");
        self.status.finish(PassStatus { in_use_since: view.in_use_since, ..PassStatus::default() });
    }

    fn now(&self) -> Timestamp {
        Timestamp::from_second(self.clock.load(Ordering::Relaxed)).expect("a time")
    }

    pub fn address(&self) -> SocketAddr {
        self.server.address().expect("it listens")
    }

    pub fn pass_seconds(&self, seconds: i64) {
        self.clock.fetch_add(seconds, Ordering::Relaxed);
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.home.path().join(name)
    }

    /// An edit of a file, and the pass after it.
    pub async fn edit(&self, name: &str, from: &str, to: &str) {
        let text = fs::read_to_string(self.path(name)).expect("a file");
        assert!(text.contains(from), "{from} in {name}");
        fs::write(self.path(name), text.replace(from, to)).expect("a file");
        self.pass().await;
    }

    pub async fn get(&self, path: &str, headers: &[String]) -> Answered {
        self.ask("GET", path, headers).await
    }

    pub async fn ask(&self, method: &str, path: &str, headers: &[String]) -> Answered {
        let (at, method, path, headers) = (self.address(), method.to_owned(), path.to_owned(), headers.to_vec());
        tokio::task::spawn_blocking(move || ask(at, &method, &path, &headers)).await.expect("an answer")
    }

    /// One request with a body.
    pub async fn send(&self, method: &str, path: &str, headers: &[String], body: &str) -> Answered {
        let (at, method, path) = (self.address(), method.to_owned(), path.to_owned());
        let (headers, body) = (headers.to_vec(), body.to_owned());
        tokio::task::spawn_blocking(move || send(at, &method, &path, &headers, &body)).await.expect("an answer")
    }

    /// What the command line would hand out for a station now, found without putting it on record.
    pub async fn present(&self, station: &str) -> (Card, String) {
        let config = loaded(self.home.path());
        let (view, store) = view(&config).await;
        let row = view.row(station).expect("a station");
        let Keying::Script { script, codes, .. } = Errand::There.keying(&view, row) else {
            panic!("{station} has no script")
        };
        let card = Card::of(&script, &row.station, &codes, None, Uuid::nil());
        store.close().await;
        (card, script.digest.to_string())
    }

    /// Issues a script from the command line's side.
    pub async fn issue(&self, station: &str, errand: Errand) -> String {
        let view = self.fleet.lock().await.look(None, moment(), &mut |_| {}).await.expect("a look");
        let row = view.row(station).expect("a station");
        let Keying::Script { script, cleared, .. } = errand.keying(&view, row) else {
            panic!("{station} has no script")
        };
        record_scripts(&self.store, &[cleared], view.at).await.expect("it is recorded");
        script.digest.to_string()
    }

    /// The stations that have something to key again.
    pub async fn overdue(&self) -> Vec<String> {
        let view = self.fleet.lock().await.look(None, moment(), &mut |_| {}).await.expect("a look");
        let is_overdue = |row: &&Arc<Row>| match Errand::Renewal.keying(&view, row) {
            Keying::Script { script, .. } => !script.renewed.is_empty(),
            Keying::Held(_) | Keying::Nothing | Keying::NoScript(_) => false,
        };
        view.rows.iter().filter(is_overdue).map(|row| row.station.name.to_string()).collect()
    }

    /// Drops a file into the reports folder.
    pub fn drop(&self, name: &str, text: &str) {
        fs::write(self.path(&format!("config/reports/{name}")), text).expect("a report");
    }

    /// Whether a script is on record.
    pub async fn is_issued(&self, digest: &str) -> bool {
        self.store.entry(EntryKind::Script, digest).await.expect("the ledger").is_some()
    }
}
