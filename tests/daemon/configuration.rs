//! The configuration changed under the daemon, signals, and the ways a daemon must not die.

use std::fs;
use std::io::Write as _;

use base64::Engine as _;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, configuration, fleet_yaml, webhook};
use super::process::{Daemon, signal, until};
use super::receiver::{Answer, Receiver};
use super::supervised::Manager;
use super::told::{CONFIGURATION, DRIFT, all_names, drifting, open_cases};

const FILE: &str = "config/stationkeep.yaml";
const FLEET: &str = "config/inventory/fleet.yaml";

#[test]
fn a_webhook_added_while_it_runs_hears_of_the_open_cases_and_the_others_hear_nothing_again() {
    let receiver = Receiver::start(SIGNING);
    let second = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write("config/secrets/second", &second.url());
    fleet.configure(100, &(webhook("on-call") + &webhook("second")));
    assert_eq!(all_names(&second.still(&daemon, 1)[0]), ["opened: SP-01"]);
    receiver.still(&daemon, 1);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(2);
    second.wait_for(2);
    // One taken out hears no more, and hears what it missed when it is back.
    fleet.configure(100, &webhook("on-call"));
    daemon.logs("the configuration changed");
    until("the second change", || (daemon.log().matches("the configuration changed").count() == 2).then_some(()));
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    receiver.wait_for(3);
    second.still(&daemon, 2);
    fleet.configure(100, &(webhook("on-call") + &webhook("second")));
    assert_eq!(second.still(&daemon, 3)[2].data()["counts"]["closed"]["stations"], 5);
    assert_eq!(open_cases(&second.heard()), drifting(&fleet.drift()));
}

#[test]
fn a_configuration_that_cannot_be_used_changes_nothing() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let mut daemon = fleet.start();
    receiver.wait_for(1);
    let told = |nth: usize, state: &str| {
        let told = receiver.wait_for(nth + 1).remove(nth);
        assert_eq!((told.kind(), &told.data()["state"]), (CONFIGURATION, &state.into()), "{}", told.body);
    };
    for (nth, bad) in ["settle_ms: never\n", "stationkeep: [\n", ""].iter().enumerate() {
        fleet.rename_into(FILE, bad);
        until("the log of it", || {
            (daemon.log().matches("the changed configuration has errors").count() == nth + 1).then_some(())
        });
        told(nth + 1, "refused");
    }
    fs::remove_file(fleet.path(FILE)).expect("it goes");
    told(4, "refused");
    daemon.passes(1);
    assert!(daemon.runs());
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    assert_eq!(receiver.still(&daemon, 6)[5].data()["counts"]["opened"]["stations"], 5);
    fleet.configure(100, &webhook("on-call"));
    told(6, "recovered");
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    assert_eq!(receiver.still(&daemon, 8)[7].data()["counts"]["closed"]["stations"], 5);
}

#[test]
fn a_configuration_whose_ledger_cannot_be_opened_changes_nothing() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let mut daemon = fleet.start();
    receiver.wait_for(1);
    // A folder cannot be made below a file.
    let text =
        configuration(100, &webhook("on-call")).replace("../var/ledger.db", "../config/inventory/fleet.yaml/x.db");
    fleet.rename_into(FILE, &text);
    daemon.logs("the one before stays");
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    until("the edit told, by a daemon that runs", || {
        assert!(daemon.runs(), "it ended over a configuration that it could have left alone");
        receiver.heard().into_iter().find(|got| got.kind() == DRIFT && got.data()["counts"]["opened"]["stations"] == 5)
    });
}

#[test]
fn a_configuration_changed_again_while_the_last_change_is_taken_up_is_not_missed() {
    let receiver = Receiver::start(SIGNING);
    let second = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/second", &second.url());
    let manager = Manager::at_path(&fleet.path("notify"));
    fleet.environment.extend(manager.environment());
    receiver.answer(Answer::Hang);
    let daemon = fleet.start();
    until("a try that hangs", || receiver.requests().pop());
    // Taking up a change waits some seconds for the try that hangs.
    fleet.configure(150, &webhook("on-call"));
    until("a change being taken up", || manager.heard().iter().any(|word| word.contains("RELOADING=1")).then_some(()));
    fleet.configure(150, &(webhook("on-call") + &webhook("second")));
    daemon.logs("the configuration changed");
    assert_eq!(all_names(&second.wait_for(1)[0]), ["opened: SP-01"]);
}

#[test]
fn a_signing_secret_turned_over_signs_the_next_delivery() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let taken_up = |times: usize| {
        until("the secret taken up", || {
            (daemon.log().matches("the configuration changed").count() == times).then_some(())
        });
    };
    let new = format!("whsec_{}", base64::engine::general_purpose::STANDARD.encode([7; 32]));
    fleet.rename_into("config/secrets/signing", &new);
    taken_up(1);
    // Else the new session may begin with the new address, and take nothing up.
    daemon.passes(1);
    // From here on only the new one counts.
    let next = Receiver::start(&new);
    fleet.rename_into("config/secrets/on-call", &next.url());
    taken_up(2);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    assert_eq!(next.wait_for(1)[0].data()["counts"]["opened"]["stations"], 5);
}

#[test]
fn a_webhook_is_off_without_its_variable_and_said_so_once() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let off = "  - {name: ops, url: {secret: \"env:STATIONKEEP_WEBHOOK\"}}\n";
    fleet.configure(100, &(webhook("on-call") + off));
    let daemon = fleet.start();
    receiver.still(&daemon, 1);
    assert_eq!(daemon.said().matches("STATIONKEEP_WEBHOOK").count(), 1, "{}", daemon.said());
    assert_eq!(daemon.log().matches("STATIONKEEP_WEBHOOK").count(), 1, "{}", daemon.log());
}

#[test]
fn both_stopping_signals_end_it_with_0_even_while_a_receiver_hangs() {
    let stop = |name: &str| {
        let receiver = Receiver::start(SIGNING);
        let fleet = Fleet::new(&receiver);
        receiver.answer(Answer::Hang);
        let daemon = fleet.start();
        until("a try that hangs", || receiver.requests().pop());
        assert_eq!(daemon.stop(name), Some(0), "{name}");
        fleet.run(&["ledger", "verify"]).ended(0);
    };
    std::thread::scope(|scope| {
        scope.spawn(|| stop("TERM"));
        scope.spawn(|| stop("INT"));
    });
}

#[test]
fn a_hangup_makes_it_look_where_no_event_came_from() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    // Written through a second name outside the watched folders: the system tells nobody (inotify(7), "Limitations").
    fs::hard_link(fleet.path(FLEET), fleet.path("second-name.yaml")).expect("a second name");
    let daemon = fleet.start();
    receiver.wait_for(1);
    let mut file = fs::OpenOptions::new().write(true).truncate(true).open(fleet.path("second-name.yaml")).expect("it");
    file.write_all(fleet_yaml(NEW_OFFICER).as_bytes()).expect("written");
    drop(file);
    signal(daemon.pid(), "HUP");
    assert_eq!(receiver.still(&daemon, 2)[1].data()["counts"]["opened"]["stations"], 5);
}

#[test]
fn a_hangup_waits_until_a_file_is_whole() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.configure(1_500, &webhook("on-call"));
    let daemon = fleet.start();
    receiver.wait_for(1);
    let text = fleet_yaml(NEW_OFFICER);
    // Half a file, as someone's editor or copy leaves it for a moment.
    let half = text.find("profiles:").expect("the profiles");
    fleet.write(FLEET, text.get(..half).expect("half of it"));
    signal(daemon.pid(), "HUP");
    std::thread::sleep(std::time::Duration::from_millis(500));
    fleet.write(FLEET, &text);
    let heard = receiver.still(&daemon, 2);
    assert_eq!(heard[1].data()["counts"]["opened"]["stations"], 5, "{}", heard[1].body);
}

/// Renames a table of the ledger: without its entries no pass can be made.
fn rename_table(fleet: &Fleet, from: &str, to: &str) {
    fleet.in_ledger(&format!("ALTER TABLE {from} RENAME TO {to}"));
}

#[test]
fn what_a_failed_pass_had_read_is_still_the_cause_of_what_the_next_one_tells() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    rename_table(&fleet, "ledger", "ledger_away");
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    daemon.logs("the pass failed");
    rename_table(&fleet, "ledger_away", "ledger");
    let told = receiver.still(&daemon, 2).remove(1);
    assert_eq!(told.data()["counts"]["opened"]["stations"], 5);
    assert_eq!(told.data()["cause"]["files"], serde_json::json!(["inventory/fleet.yaml"]), "{}", told.body);
}

#[test]
fn a_file_half_written_while_a_failed_pass_is_made_again_is_told_only_once_it_is_whole() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.configure(6_000, &webhook("on-call"));
    let daemon = fleet.start();
    receiver.wait_for(1);
    rename_table(&fleet, "ledger", "ledger_away");
    signal(daemon.pid(), "HUP");
    daemon.logs("the pass failed");
    rename_table(&fleet, "ledger_away", "ledger");
    let text = fleet_yaml(NEW_OFFICER);
    fleet.write(FLEET, &text[..text.len() / 2]);
    // The pass is made again before this is over, by the clock of failed passes (5 s).
    std::thread::sleep(std::time::Duration::from_millis(5_500));
    fleet.write(FLEET, &text);
    receiver.wait_for(2);
    // Messages come in order: what was told of half a file would have come before.
    daemon.delivers_all();
    let heard = receiver.heard();
    assert_eq!(heard.len(), 2);
    assert_eq!(heard[1].data()["counts"]["opened"]["stations"], 5, "{}", heard[1].body);
}

#[test]
fn a_configuration_half_written_is_not_taken_up_because_the_ledger_moved() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.configure(8_000, &webhook("on-call"));
    let daemon = fleet.start();
    receiver.wait_for(1);
    let whole = configuration(8_000, &webhook("on-call"));
    // Sound as far as it goes, and nobody would be told of anything.
    fleet.write(FILE, whole.split("webhooks:").next().expect("its beginning"));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.write("report.yaml", &report);
    fleet.run(&["report", "report.yaml"]).ended(0);
    assert_eq!(all_names(&receiver.wait_for(2)[1]), ["closed: SP-01"], "a report is told of at once");
    fleet.write(FILE, &whole);
    // The configuration has settled by then.
    daemon.passes(1);
    daemon.delivers_all();
    assert_eq!(receiver.heard().len(), 2);
    assert!(!daemon.log().contains("the configuration changed"), "{}", daemon.log());
}

#[test]
fn it_goes_on_when_nobody_reads_its_output_any_more() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let mut daemon = Daemon::spawn_unheard(fleet.home(), &fleet.environment);
    until("the first telling, by a daemon that runs", || {
        assert!(daemon.runs(), "it ended because nobody listened");
        receiver.heard().pop()
    });
    fleet.rename_into("config/reports/nonsense.yaml", "report: [");
    receiver.wait_for(2);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(3);
    assert_eq!(daemon.stop("TERM"), Some(0));
}
