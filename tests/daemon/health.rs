//! What probes are told: health, readiness and metrics, while passes finish, fail and hang, and however clients behave.
//! Heartbeats and signs of life stop with them.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::time::{Duration, Instant};

use serde_json::Value;
use sqlx::Connection as _;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, configuration, fleet_yaml, webhook};
use super::probe::{address, answer, ask, get, metrics};
use super::process::{PATIENCE, until, until_within};
use super::receiver::{Answer, Receiver};
use super::supervised::Manager;
use super::told::{drifting, open_cases};

const FLEET: &str = "config/inventory/fleet.yaml";
const FILE: &str = "config/stationkeep.yaml";

/// An entry for a heartbeat every 5 s, whose address lies in `secrets/pulse`.
fn pulse() -> String {
    webhook("pulse").replace("name: pulse,", "name: pulse, kind: heartbeat, every_seconds: 5,")
}

#[test]
fn a_running_daemon_is_healthy_and_ready_and_says_what_is_nowhere_as_a_problem() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let at = address(&daemon);
    let health = until("health", || ask(at, "GET", "/healthz").filter(|answer| answer.status == 200)).json();
    assert!(health["age_s"].as_f64().is_some_and(|age| age < 20.0), "{health}");
    // Two full passes of a day, and a minute.
    assert_eq!(health["limit_s"], 2.0 * 86_400.0 + 60.0);
    assert_eq!(get(at, "/readyz").status, 200);
    assert_eq!(get(at, "/no/such").problem()["status"], 404);
    let posted = ask(at, "POST", "/healthz").expect("an answer");
    assert_eq!(posted.problem()["status"], 405);
    assert_eq!(posted.headers["allow"].split(',').map(str::trim).collect::<Vec<_>>(), ["GET", "HEAD"]);
    let head = ask(at, "HEAD", "/healthz").expect("an answer");
    assert_eq!((head.status, head.body.as_str()), (200, ""));
}

/// The samples count the stations as `drift --format json` does, and open cases by the weight of its stations.
fn show_the_drift(shown: &BTreeMap<String, f64>, drift: &Value) {
    for (of, count) in drift["totals"].as_object().expect("totals") {
        let name = format!("stationkeep_stations{{standing=\"{of}\"}}");
        assert_eq!(shown.get(&name), count.as_f64().as_ref(), "{name}");
    }
    for (of, name) in
        [("stations", "stationkeep_stations_set_aside"), ("whole", "stationkeep_stations_set_aside_whole")]
    {
        assert_eq!(shown.get(name), drift["set_aside"][of].as_f64().as_ref(), "{name}");
    }
    let stations = drift["stations"].as_array().expect("stations");
    for weight in ["lifeline", "locating", "routine"] {
        let open = stations.iter().filter(|station| station["weight"] == weight).count();
        assert_eq!(shown[&format!("stationkeep_alerts_open{{weight=\"{weight}\"}}")], open as f64, "{weight}");
    }
}

#[test]
fn metrics_agree_with_drift_with_the_ledger_and_with_what_was_delivered() {
    let receiver = Receiver::start(SIGNING);
    let away = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/se\"cond", &away.url());
    let second = webhook("on-call")
        .replace("name: on-call", "name: 'se\"cond'")
        .replace("secrets/on-call", "secrets/se\\\"cond");
    fleet.configure(100, &(webhook("on-call") + &second));
    away.answer(Answer::Busy(503));
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/reports/nonsense.yaml", "report: [");
    receiver.wait_for(2);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(3);
    away.wait_for(0);
    let drift = fleet.drift();
    let at = address(&daemon);
    let shown = until("the last pass and every delivery in the metrics", || {
        let shown = metrics(at);
        let delivered = shown.get("stationkeep_webhook_delivered_total{webhook=\"on-call\"}") == Some(&3.0);
        (delivered && shown["stationkeep_stations{standing=\"adrift\"}"] == 5.0).then_some(shown)
    });
    show_the_drift(&shown, &drift);
    let listed = fleet.run(&["deliveries", "--format", "json"]).ended(0).json();
    assert_eq!(listed["undelivered"], 3);
    let second = "{webhook=\"se\\\"cond\"}";
    assert_eq!(shown[&format!("stationkeep_outbox_waiting{second}")], 3.0, "{shown:#?}");
    assert!(shown[&format!("stationkeep_outbox_oldest_age_seconds{second}")] > 0.0);
    assert!(shown[&format!("stationkeep_webhook_failures_total{second}")] >= 1.0);
    assert_eq!(shown["stationkeep_outbox_waiting{webhook=\"on-call\"}"], 0.0);
    let verified = fleet.run(&["ledger", "verify"]).ended(0).out;
    assert!(
        verified.contains(&format!("{} entries", shown["stationkeep_ledger_entries{kind=\"report\"}"])),
        "{verified}"
    );
    assert_eq!((shown["stationkeep_reports_taken"], shown["stationkeep_reports_refused"]), (5.0, 1.0));
    assert_eq!(shown["stationkeep_files_polled"], 0.0);
    assert!(shown["stationkeep_passes_finished_total"] >= 3.0 && shown["stationkeep_passes_failed_total"] == 0.0);
    // An edit that cannot be used is a finding, and a configuration that cannot be used is said, too.
    fleet.write(FLEET, &fleet_yaml(OFFICER).replace("calls", "cals"));
    fleet.write(FILE, "stationkeep: [");
    until("the findings", || {
        let shown = metrics(at);
        (shown["stationkeep_findings{severity=\"error\"}"] > 0.0 && shown["stationkeep_configuration_refused"] == 1.0)
            .then_some(())
    });
    let text = get(at, "/metrics").body;
    for secret in ["hush", "NP-0", "SP-0", SIGNING] {
        assert!(!text.contains(secret), "{secret} in {text}");
    }
}

#[test]
fn a_port_that_is_taken_keeps_the_pages_away_and_not_the_watch() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let taken = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = taken.local_addr().expect("an address");
    let listening = |at: SocketAddr| configuration(100, &webhook("on-call")).replace("127.0.0.1:0", &at.to_string());
    fleet.write(FILE, &listening(port));
    let mut daemon = fleet.start();
    let log = daemon.log();
    assert!(log.contains("cannot listen on") && log.contains(&port.to_string()) && log.contains("\"listen\""), "{log}");
    assert!(daemon.said().contains("cannot be reached yet"), "{}", daemon.said());
    // On-call is alerted of that, and of the fleet.
    receiver.wait_for(2);
    assert_eq!(told_of_pages(&receiver), ["unreachable"]);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(3);
    // Another port is taken up; with any free port the log names the real one.
    fleet.rename_into(FILE, &configuration(100, &webhook("on-call")));
    let first: SocketAddr = until("an address", || {
        let log = daemon.log();
        let (_, rest) = log.split_once("listening address=")?;
        rest.split_whitespace().next()?.parse().ok()
    });
    assert_ne!(first.port(), 0);
    assert_eq!(get(first, "/healthz").status, 200);
    receiver.wait_for(4);
    assert_eq!(told_of_pages(&receiver), ["unreachable", "reachable"]);
    // A taken one leaves the one before; once it is free, it is listened on, and the other is left.
    fleet.rename_into(FILE, &listening(port));
    until("the second time that it is said", || (daemon.log().matches("cannot listen on").count() == 2).then_some(()));
    assert_eq!(get(first, "/healthz").status, 200);
    receiver.wait_for(5);
    drop(taken);
    until("the old port left", || TcpStream::connect(first).is_err().then_some(()));
    assert_eq!(get(port, "/healthz").json()["healthy"], true);
    assert!(daemon.runs());
    receiver.wait_for(6);
    daemon.comes_to_rest_at(port);
    assert_eq!(told_of_pages(&receiver), ["unreachable", "reachable", "unreachable", "reachable"]);
    assert_eq!(receiver.heard().len(), 6);
}

/// What was told of the daemon's own address, in its order.
fn told_of_pages(receiver: &Receiver) -> Vec<String> {
    let pages = receiver.heard().into_iter().filter(|got| got.kind() == "stationkeep.pages.v1");
    pages.map(|got| got.event["data"]["state"].as_str().expect("a state").to_owned()).collect()
}

#[test]
fn thousands_of_idle_connections_keep_no_probe_out() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let at = address(&daemon);
    let mut crowd: Vec<TcpStream> = Vec::new();
    for nth in 0..5_000 {
        let mut stream = TcpStream::connect(at).expect("a connection");
        // Every second one begins a request, or ends one and waits for the answer to nothing more.
        if nth % 2 == 1 {
            let _ = stream.write_all(b"GET /healthz HTTP/1.1\r\nhost: x\r\nx-slow: ");
        }
        crowd.push(stream);
        if nth % 500 == 499 {
            let began = Instant::now();
            assert_eq!(get(at, "/healthz").status, 200);
            // Far less than an idle connection lives.
            assert!(began.elapsed() < Duration::from_secs(2), "{:?} behind {nth}", began.elapsed());
        }
    }
    assert_eq!(crowd.len(), 5_000);
    let open = || std::fs::read_dir(format!("/proc/{}/fd", daemon.pid())).expect("Linux tells").count();
    until("the files of a few connections alone", || (open() < 400).then_some(()));
}

#[test]
fn a_log_in_a_watched_folder_does_not_feed_itself() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    fleet.environment.push(("STATIONKEEP_LOG".into(), "trace".into()));
    // What the tests' daemons say goes to files in this folder.
    std::fs::create_dir_all(fleet.home().join("config/inventory/said")).expect("a folder");
    std::os::unix::fs::symlink("config/inventory/said", fleet.home().join("said")).expect("a link");
    let daemon = fleet.start();
    receiver.wait_for(1);
    let at = address(&daemon);
    let finished = || metrics(at)["stationkeep_passes_finished_total"];
    // What the start changed is looked at a few times.
    std::thread::sleep(Duration::from_secs(1));
    let (before, size) = (finished(), daemon.log().len());
    std::thread::sleep(Duration::from_secs(3));
    assert!(finished() - before <= 1.0, "{} passes in three seconds", finished() - before);
    assert!(daemon.log().len() > size, "it logs nothing");
}

#[test]
fn slow_clients_and_crowds_hold_up_neither_a_pass_nor_for_long_a_probe() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let at = address(&daemon);
    let crowd: Vec<TcpStream> = (0..200)
        .filter_map(|_| {
            let mut stream = TcpStream::connect(at).ok()?;
            stream.write_all(b"GET /healthz HTTP/1.1\r\nhost: x\r\nx-slow: ").ok()?;
            Some(stream)
        })
        .collect();
    assert!(crowd.len() > 100, "{}", crowd.len());
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    assert_eq!(receiver.wait_for(2)[1].data()["counts"]["opened"]["stations"], 5);
    // Each of the crowd is let go after a while, and a probe that came behind them is answered.
    assert_eq!(until_within(PATIENCE * 2, "an answer", || ask(at, "GET", "/healthz")).status, 200);
    drop(crowd);
    let mut stream = TcpStream::connect(at).expect("a connection");
    let _ = write!(stream, "GET /healthz HTTP/1.1\r\nhost: x\r\nx-long: {}\r\n\r\n", "x".repeat(60_000));
    // RFC 6585: 431, the header fields are too large; a connection cut while we still write is as good.
    assert!(answer(&mut stream).is_none_or(|answered| answered.status == 431));
    assert_eq!(get(at, "/healthz").status, 200);
}

/// Holds SQLite's write lock, as a process that hangs in the middle of a write does, until dropped.
struct Lock {
    runtime: tokio::runtime::Runtime,
    connection: Option<sqlx::AnyConnection>,
}

impl Lock {
    fn of(fleet: &Fleet) -> Lock {
        sqlx::any::install_default_drivers();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let url = format!("sqlite:{}", fleet.path("var/ledger.db").display());
        let connection = runtime.block_on(async {
            let mut connection = sqlx::AnyConnection::connect(&url).await.expect("a connection");
            sqlx::raw_sql("PRAGMA busy_timeout = 15000; BEGIN IMMEDIATE")
                .execute(&mut connection)
                .await
                .expect("the lock");
            connection
        });
        Lock { runtime, connection: Some(connection) }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        if let Some(mut connection) = self.connection.take() {
            self.runtime.block_on(async {
                let _ = sqlx::raw_sql("ROLLBACK").execute(&mut connection).await;
                let _ = connection.close().await;
            });
        }
    }
}

#[test]
fn while_the_ledger_is_locked_readiness_health_heartbeats_and_signs_of_life_end_and_come_back_with_every_alert() {
    let receiver = Receiver::start(SIGNING);
    let beats = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    let manager = Manager::at_path(&fleet.path("notify"));
    fleet.environment.extend(manager.environment());
    fleet.environment.push(("WATCHDOG_USEC".into(), "600000".into()));
    fleet.write("config/secrets/pulse", &beats.url());
    fleet.configure(100, &(webhook("on-call") + &pulse()));
    let daemon = fleet.start();
    let at = address(&daemon);
    receiver.wait_for(1);
    let beat = beats.wait_for(2);
    assert_eq!((beat[0].kind(), &beat[0].data()["every_seconds"]), ("stationkeep.heartbeat.v1", &5.into()));
    assert_ne!(beat[0].id, beat[1].id);
    manager.wait_for("WATCHDOG=1");

    let lock = Lock::of(&fleet);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    let problem = until("unready", || ask(at, "GET", "/readyz").filter(|answer| answer.status == 503)).problem();
    assert!(["away", "busy"].contains(&problem["ledger"].as_str().unwrap_or_default()), "{problem}");
    // The first try of the pass has failed: no beat comes any more, though health has its time.
    let long = Duration::from_secs(60);
    until_within(long, "a failed pass", || daemon.log().contains("the pass failed").then_some(()));
    let beaten = beats.heard().len();
    let problem = until_within(long, "bad health", || ask(at, "GET", "/healthz").filter(|a| a.status == 503)).problem();
    assert!(problem["owed_s"].as_f64() >= problem["owed_limit_s"].as_f64(), "{problem}");
    // Signs that were on their way are here by then.
    std::thread::sleep(Duration::from_millis(500));
    manager.forget();
    // Beats are 5 s apart.
    std::thread::sleep(Duration::from_secs(6));
    assert!(!manager.heard().iter().any(|word| word.contains("WATCHDOG")), "{:?}", manager.heard());
    assert_eq!(beats.heard().len(), beaten, "a heartbeat while no pass finishes");
    let shown = metrics(at);
    assert_eq!((shown["stationkeep_healthy"], receiver.heard().len()), (0.0, 1));
    assert!(shown["stationkeep_passes_failed_total"] >= 1.0);

    drop(lock);
    until_within(long, "health again", || (get(at, "/healthz").status == 200).then_some(()));
    until("readiness again", || (get(at, "/readyz").status == 200).then_some(()));
    assert_eq!(receiver.wait_for(2)[1].data()["counts"]["opened"]["stations"], 5);
    manager.wait_for("WATCHDOG=1");
    beats.wait_for(beaten + 1);
    assert_eq!(open_cases(&receiver.heard()), drifting(&fleet.drift()));
}

#[test]
fn a_full_disk_makes_it_unready_and_says_so_and_room_makes_it_ready_with_no_alert_lost() {
    let Ok(disk) = std::env::var("STATIONKEEP_TEST_SMALL_DISK") else {
        panic!("STATIONKEEP_TEST_SMALL_DISK is not set: run tests/run, which sets up what the tests need");
    };
    let folder = tempfile::tempdir_in(&disk).expect("a folder");
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let ledger = format!("sqlite:{}/ledger.db", folder.path().display());
    fleet.write(FILE, &configuration(100, &webhook("on-call")).replace("sqlite:../var/ledger.db", &ledger));
    let daemon = fleet.start();
    let at = address(&daemon);
    receiver.wait_for(1);
    until("ready", || (get(at, "/readyz").status == 200).then_some(()));
    let filler = folder.path().join("filler");
    std::fs::write(&filler, vec![0; 64 << 20]).expect_err("the disk is smaller than this");
    // What SQLite has set aside is used up first.
    let problem = until("a full ledger", || ask(at, "GET", "/readyz").filter(|answer| answer.status == 503)).problem();
    assert_eq!((&problem["type"], &problem["ledger"]), (&"/problems/ledger".into(), &"full".into()));
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    daemon.logs("the pass failed");
    std::fs::remove_file(&filler).expect("room again");
    until("ready again", || (get(at, "/readyz").status == 200).then_some(()));
    assert_eq!(receiver.still(&daemon, 2)[1].data()["counts"]["opened"]["stations"], 5);
}
