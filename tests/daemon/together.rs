//! Several processes on one ledger: commands beside the daemon, and a second daemon.

use std::time::Duration;

use sqlx::Connection as _;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, STATIONS, commissioning, fleet_yaml, uuid};
use super::process::{command, signal, until, until_within};
use super::receiver::{Got, Receiver};
use super::told::{DRIFT, drifting, in_order, open_cases, settled};

const FLEET: &str = "config/inventory/fleet.yaml";

/// A report by which a gate's time is another one, or as it should be.
fn gate(id: u32, station: &str, minute: u32, seconds: u32) -> String {
    format!(
        "report: 1\nid: {}\nstation: {station}\nat: 2020-06-01T10:{minute:02}:00Z\nby: tech-03\n\
         left: {{gate.seconds: {seconds}}}\n",
        uuid(id)
    )
}

#[test]
fn reports_by_commands_beside_the_daemon_are_all_told() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let _daemon = fleet.start();
    receiver.wait_for(1);
    // All stations at once, while a script is asked for: whenever the ledger grows, it is seen.
    for round in 0..3 {
        let reports: Vec<String> = STATIONS
            .iter()
            .map(|(station, _, _)| {
                let name = format!("{station}-{round}.yaml");
                fleet.write(&name, &gate(fleet.number(), station, round, 20 + round));
                name
            })
            .collect();
        std::thread::scope(|scope| {
            for name in &reports {
                let (home, environment) = (fleet.home(), &fleet.environment);
                scope.spawn(move || command(home, &["report", name], environment).ended(0));
            }
            let (home, environment) = (fleet.home(), &fleet.environment);
            scope.spawn(move || command(home, &["script", "NP-01"], environment).ended(0));
        });
        settled(&receiver, &fleet);
        assert_eq!(open_cases(&receiver.heard()).len(), 6);
    }
    in_order(&receiver);
    fleet.run(&["ledger", "verify"]).ended(0);
}

/// Holds the write lock of a fleet's ledger.
struct Lock {
    runtime: tokio::runtime::Runtime,
    connection: sqlx::AnyConnection,
}

impl Lock {
    fn of(fleet: &Fleet) -> Lock {
        sqlx::any::install_default_drivers();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let url = format!("sqlite:{}", fleet.path("var/ledger.db").display());
        let connection = runtime.block_on(async {
            let mut connection = sqlx::AnyConnection::connect(&url).await?;
            sqlx::raw_sql("PRAGMA busy_timeout = 15000").execute(&mut connection).await?;
            sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut connection).await?;
            Ok::<_, sqlx::Error>(connection)
        });
        Lock { runtime, connection: connection.expect("the lock") }
    }

    fn release(mut self) {
        self.runtime.block_on(sqlx::raw_sql("ROLLBACK").execute(&mut self.connection)).expect("it is free");
    }
}

#[test]
fn a_report_that_comes_while_a_pass_is_being_written_is_seen_by_the_next() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    for (nth, (station, _, _)) in STATIONS.iter().enumerate().take(2) {
        fleet.write(&format!("{station}.yaml"), &gate(fleet.number(), station, nth as u32, 30));
    }
    fleet.run(&["report", "NP-01.yaml"]).ended(0);
    // The pass that this report makes cannot be written; when it can, another report is before it.
    let lock = Lock::of(&fleet);
    until("a pass that waits for the lock", || (daemon.sample("stationkeep_pass_owed_seconds") > 0.5).then_some(()));
    signal(daemon.pid(), "STOP");
    lock.release();
    fleet.run(&["report", "NP-02.yaml"]).ended(0);
    signal(daemon.pid(), "CONT");
    settled(&receiver, &fleet);
}

#[test]
fn two_daemons_on_one_ledger_tell_every_case_once() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let one = fleet.start();
    receiver.wait_for(1);
    let two = fleet.start();
    receiver.still(&two, 1);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    settled(&receiver, &fleet);
    let heard = receiver.heard().len();
    one.comes_to_rest();
    open_cases(&receiver.still(&two, heard));
    fleet.run(&["ledger", "verify"]).ended(0);
}

#[test]
fn an_edit_whose_pass_could_not_be_written_is_told_once_it_can() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let lock = Lock::of(&fleet);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    // Once the store has waited for the lock for 15 s; twice where another writer of the daemon waited before it.
    until_within(Duration::from_secs(60), "a failed pass", || daemon.log().contains("the pass failed").then_some(()));
    lock.release();
    assert_eq!(receiver.wait_for(2)[1].data()["counts"]["opened"]["stations"], 5);
}

#[test]
fn a_daemon_that_slept_through_what_another_told_neither_repeats_it_nor_takes_it_back() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    // Longer than it takes to see that the ledger grew: the one that slept knows of the report before it has read the
    // edit.
    fleet.configure(1_500, &super::fleet::webhook("on-call"));
    let one = fleet.start();
    receiver.wait_for(1);
    let _two = fleet.start();
    receiver.wait_for(1);
    signal(one.pid(), "STOP");
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(2);
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    receiver.wait_for(3);
    signal(one.pid(), "CONT");
    let heard = receiver.still(&one, 3);
    let drift: Vec<&Got> = heard.iter().filter(|got| got.kind() == DRIFT).collect();
    assert_eq!(drift.len(), 3);
    assert_eq!(open_cases(&heard), drifting(&fleet.drift()));
}
