//! The ledger's disk is full, its file system read-only, its server away: nothing is told that is not on record, nothing
//! is lost, and all goes on by itself once it can.

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, configuration, fleet_yaml, webhook};
use super::postgres::Postgres;
use super::probe::{address, ask};
use super::process::{Daemon, until};
use super::receiver::{Answer, Receiver};
use super::told::{all_names, drifting, in_order, open_cases, settled};

const FLEET: &str = "config/inventory/fleet.yaml";

/// The one small disk, for one test at a time.
struct Disk {
    path: PathBuf,
    folder: tempfile::TempDir,
    _only: MutexGuard<'static, ()>,
}

static ONLY: Mutex<()> = Mutex::new(());

impl Disk {
    fn take() -> Disk {
        let only = ONLY.lock().unwrap_or_else(PoisonError::into_inner);
        let Ok(path) = std::env::var("STATIONKEEP_TEST_SMALL_DISK") else {
            panic!("STATIONKEEP_TEST_SMALL_DISK is not set: run tests/run, which sets up what the tests need");
        };
        let folder = tempfile::tempdir_in(&path).expect("a folder");
        Disk { path: path.into(), folder, _only: only }
    }

    fn ledger(&self) -> String {
        format!("sqlite:{}/ledger.db", self.folder.path().display())
    }

    /// Writes until there is no room, and returns what to remove.
    fn fill(&self) -> PathBuf {
        let path = self.folder.path().join("filler");
        let mut file = File::create(&path).expect("a file");
        for size in [1 << 20, 4096, 1] {
            while file.write_all(&vec![0; size]).is_ok() {}
        }
        path
    }

    fn mount(&self, how: &str) {
        let done = Command::new("mount").args(["-o", &format!("remount,{how}")]).arg(&self.path).status();
        assert!(done.expect("mount").success(), "{} is mounted {how}", self.path.display());
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        self.mount("rw");
    }
}

/// A fleet whose ledger is elsewhere.
fn fleet_with(receiver: &Receiver, ledger: &str) -> Fleet {
    let fleet = Fleet::new(receiver);
    let config = configuration(100, &webhook("on-call"))
        .replace("sqlite:../var/ledger.db", &format!("{ledger}\nkey: {{secret: \"file:secrets/key\"}}"));
    fleet.write("config/secrets/key", &"5e".repeat(32));
    assert!(config.contains(ledger));
    fleet.rename_into("config/stationkeep.yaml", &config);
    fleet
}

/// An edit and a report while nothing can be written; nothing is told, readiness says why, and the daemon goes on.
fn change_meanwhile(fleet: &Fleet, daemon: &mut Daemon, receiver: &Receiver, heard: usize, ledger: &str) {
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    until("a pass that failed", || daemon.log().contains("the pass failed").then_some(()));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    daemon.fails_to_pass(1);
    assert_eq!(receiver.requests().len(), heard, "nothing is told that is not on record");
    let at = address(daemon);
    until(&format!("a ledger that is {ledger}"), || {
        let answered = ask(at, "GET", "/readyz").filter(|answered| answered.status == 503)?;
        (answered.problem()["ledger"] == ledger).then_some(())
    });
    assert!(daemon.runs());
}

/// On-call is told at once that nothing else can be, and commands show what is on record.
fn told_and_read_meanwhile(fleet: &Fleet, receiver: &Receiver, ledger: &str, why: &str) {
    let told = until("an alert about the ledger", || receiver.about_the_ledger().pop());
    assert_eq!((&told.data()["state"], &told.data()["ledger"]), (&"unwritable".into(), &ledger.into()));
    read_meanwhile(fleet, why);
}

/// What is read from a ledger that takes no writes. The duty officer has another number by now, and nobody reported it.
fn read_meanwhile(fleet: &Fleet, why: &str) {
    let drift = fleet.run(&["drift", "--format", "json"]).ended(3);
    assert_eq!(drift.json()["stations"].as_array().map(Vec::len), Some(6), "{drift:?}");
    assert!(drift.err.contains(why), "{drift:?}");
    assert!(fleet.run(&["history", "NP-01"]).ended(0).out.contains("NP-01"));
    assert!(fleet.run(&["explain", "NP-01"]).ended(0).out.contains("emergency.primary"));
    let script = fleet.run(&["script", "NP-01"]).ended(1);
    assert!(script.err.contains(why) && script.out.is_empty(), "{script:?}");
    assert!(fleet.run(&["ledger", "verify"]).ended(0).out.contains("The ledger is complete and unchanged"));
    fleet.run(&["ledger", "export"]).ended(0);
}

fn ready(daemon: &Daemon) {
    let at = address(daemon);
    until("readiness", || ask(at, "GET", "/readyz").filter(|answered| answered.status == 200));
}

/// What was changed meanwhile is told, once, and the ledger is whole.
fn told_after(fleet: &Fleet, daemon: &Daemon, receiver: &Receiver) {
    settled(receiver, fleet);
    let heard = receiver.still(daemon, receiver.heard().len());
    assert_eq!(open_cases(&heard), drifting(&fleet.drift()));
    assert_eq!(
        open_cases(&heard).len(),
        5,
        "the five that call the duty officer, and not SP-01, which is as it should be"
    );
    assert_eq!(receiver.requests().len(), heard.len(), "nothing comes twice");
    in_order(receiver);
    fleet.run(&["ledger", "verify"]).ended(0);
    let told = receiver.about_the_ledger();
    if let Some(last) = told.last() {
        until("the ledger's alert is over", || {
            receiver.about_the_ledger().last().filter(|last| last.data()["state"] == "writable").cloned()
        });
        assert_eq!(told.iter().filter(|got| got.id == last.id).count(), 1, "{told:#?}");
    }
}

#[test]
fn what_changes_while_the_disk_is_full_is_told_once_there_is_room() {
    let disk = Disk::take();
    let receiver = Receiver::start(SIGNING);
    let fleet = fleet_with(&receiver, &disk.ledger());
    let mut daemon = fleet.start();
    receiver.still(&daemon, 1);
    let filler = disk.fill();
    change_meanwhile(&fleet, &mut daemon, &receiver, 1, "full");
    told_and_read_meanwhile(&fleet, &receiver, "full", "no room left");
    assert!(daemon.log().contains("no room left"), "{}", daemon.log());
    std::fs::remove_file(&filler).expect("room again");
    told_after(&fleet, &daemon, &receiver);
    ready(&daemon);
}

/// Without a daemon, whose connection keeps what SQLite needs beside the file.
#[test]
fn what_is_on_record_is_read_from_a_full_disk_where_nothing_runs() {
    let disk = Disk::take();
    let receiver = Receiver::start(SIGNING);
    let fleet = fleet_with(&receiver, &disk.ledger());
    let daemon = fleet.start();
    receiver.still(&daemon, 1);
    assert_eq!(daemon.stop("TERM"), Some(0));
    let filler = disk.fill();
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    read_meanwhile(&fleet, "no room left");
    std::fs::remove_file(&filler).expect("room again");
    let daemon = fleet.start();
    told_after(&fleet, &daemon, &receiver);
}

#[test]
fn a_delivery_that_cannot_be_recorded_for_want_of_room_is_not_made_again_once_it_can() {
    let disk = Disk::take();
    let receiver = Receiver::start(SIGNING);
    let fleet = fleet_with(&receiver, &disk.ledger());
    receiver.answer(Answer::Hang);
    let daemon = fleet.start();
    until("a try", || receiver.requests().pop());
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    until("a second message", || (daemon.log().matches("alert queued").count() >= 2).then_some(()));
    // The first is tried again, taken, and nobody can write that down.
    receiver.answer(Answer::Close);
    until("the first try's end", || daemon.log().contains("not delivered").then_some(()));
    let filler = disk.fill();
    receiver.answer(Answer::Ok);
    until("a delivery that cannot be recorded", || {
        daemon.log().contains("the outbox cannot be read or written").then_some(())
    });
    until("a second try to record it", || {
        (daemon.log().matches("the outbox cannot be read or written").count() >= 2).then_some(())
    });
    assert_eq!(receiver.heard().len(), 1, "the one behind it waits");
    std::fs::remove_file(&filler).expect("room again");
    let heard = receiver.still(&daemon, 2);
    assert_eq!(receiver.requests().iter().filter(|got| got.taken).count(), 2, "nothing comes twice");
    assert_eq!(all_names(&heard[0]), ["opened: SP-01"]);
    in_order(&receiver);
}

#[test]
fn a_daemon_whose_ledger_is_read_only_says_so_and_tells_everything_once_it_may_write() {
    let disk = Disk::take();
    let receiver = Receiver::start(SIGNING);
    let fleet = fleet_with(&receiver, &disk.ledger());
    let daemon = fleet.start();
    receiver.still(&daemon, 1);
    assert_eq!(daemon.stop("TERM"), Some(0));
    disk.mount("ro");
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    let done = fleet.run(&["serve"]).ended(1);
    assert!(done.err.contains("see that it exists, is a database, and that this user may write to it"), "{done:?}");
    read_meanwhile(&fleet, "read-only");
    assert_eq!(receiver.requests().len(), 1, "nothing is told that is not on record");
    disk.mount("rw");
    let daemon = fleet.start();
    told_after(&fleet, &daemon, &receiver);
}

/// A daemon on a PostgreSQL of its own that has told of SP-01.
fn on_postgres(receiver: &Receiver) -> (Postgres, Fleet, Daemon) {
    let server = Postgres::start();
    let fleet = fleet_with(receiver, &server.url());
    let daemon = fleet.start();
    receiver.still(&daemon, 1);
    (server, fleet, daemon)
}

#[test]
fn what_changes_while_postgresql_is_away_is_told_once_it_is_back() {
    let receiver = Receiver::start(SIGNING);
    let (mut server, fleet, mut daemon) = on_postgres(&receiver);
    server.stop();
    change_meanwhile(&fleet, &mut daemon, &receiver, 1, "away");
    server.start_again();
    told_after(&fleet, &daemon, &receiver);
    ready(&daemon);
}

#[test]
fn what_changes_while_postgresql_is_read_only_is_told_once_it_takes_writes() {
    let receiver = Receiver::start(SIGNING);
    let (server, fleet, mut daemon) = on_postgres(&receiver);
    // As after a failover to a server that only follows: every connection ends, and new ones may only read.
    let others = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'stationkeep'";
    server.sql(&["ALTER DATABASE postgres SET default_transaction_read_only = on", others]);
    change_meanwhile(&fleet, &mut daemon, &receiver, 1, "read-only");
    assert!(daemon.log().contains("may not be written"), "{}", daemon.log());
    told_and_read_meanwhile(&fleet, &receiver, "read-only", "read-only");
    let again = "ALTER DATABASE postgres RESET default_transaction_read_only";
    server.sql(&["SET default_transaction_read_only = off", again, others]);
    told_after(&fleet, &daemon, &receiver);
    ready(&daemon);
}

/// Nobody is to believe that these tests hold on a disk that is never full.
#[test]
fn the_small_disk_can_be_filled() {
    let disk = Disk::take();
    let filler = disk.fill();
    assert!(std::fs::write(disk.folder.path().join("more"), [0; 8192]).is_err());
    assert!(filler.metadata().is_ok_and(|meta| meta.len() > 0), "{}", Path::new(&filler).display());
}
